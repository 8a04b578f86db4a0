"""The crew's part in its language: every sentence comes from the catalogue, and none is missing."""

import pickle
import re
from dataclasses import replace
from pathlib import Path

import gpxpy
import pypdf
import pytest
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_file
from babel.messages.pofile import read_po
from openpyxl import load_workbook
from reportlab.lib.pagesizes import A4
from reportlab.platypus import Paragraph

import siting
from siting.cautions import DIG_CAUTION, cautions_for
from siting.handoff import sheets
from siting.handoff.document import plan_document
from siting.handoff.drawing import markup, register_fonts, width_of
from siting.handoff.gisfiles import _gpx
from siting.handoff.layout import Sheet, _columns, style
from siting.handoff.readingsheet import write_readings
from siting.handoff.text import depth, number, percent, tape
from siting.language import (
    FOLDER,
    Figure,
    Language,
    capital,
    language,
    languages,
    say,
    say_count,
    side_by_side,
    spoken,
)
from siting.site.property import read_property
from siting.units import show
from tests.demo_plans import demo_plan

PACKAGE = Path(siting.__file__).parent
#: Only English numbers things in words; other languages have the figure beside it.
ONLY_ENGLISH = {"nth", "a_further", "Also", "Count"}
FIELD = re.compile(r"(\{\w*\})")
#: What is the same in every language: units, wire gauges, the datum, names of points.
SAME = {"mm", "WGS", "AWG"}


class Marked(Language):
    """A language that nobody speaks: every letter of a message is Greek, so that what was not said
    stays Latin."""

    def __init__(self):
        super().__init__()
        self._catalog = Catalog()

    def message(self, said):
        parts = FIELD.split(said.message)
        return "".join(
            ("" if part[1:-1] in ONLY_ENGLISH else part)
            if FIELD.fullmatch(part)
            else re.sub("[A-Za-z]", "λ", part)
            for part in parts
        )


def said_in_code():
    """Return every message of the package with its other forms."""
    found = set()
    for path in sorted(PACKAGE.rglob("*.py")):
        if "from siting.language import" in path.read_text("utf-8"):
            words = {"say": None, "say_count": (1, 2)}
            for _, message, _, _ in extract_from_file("python", path, keywords=words):
                found.add(message)
    return found


@pytest.fixture(scope="module")
def messages():
    return said_in_code()


def catalogue(code):
    with (FOLDER / f"{code}.po").open("rb") as file:
        return read_po(file)


@pytest.mark.parametrize("code", languages()[1:])
def test_no_entry_of_a_catalogue_is_missing_and_none_is_left_over(code, messages):
    entries = {entry.id: entry for entry in catalogue(code) if entry.id}
    missing = [m for m in messages if m not in entries or not all(_forms(entries[m].string))]
    assert len(missing) == 0, missing
    assert set(entries) == messages
    assert not any(entry.fuzzy for entry in entries.values())


def _forms(string):
    return [string] if isinstance(string, str) else list(string)


@pytest.mark.parametrize("code", languages()[1:])
def test_a_translation_fills_in_only_what_its_message_has(code):
    also = {"rank", "numbers", "number", "count"}
    for entry in catalogue(code):
        known = set(re.findall(r"\{(\w+)\}", " ".join(_forms(entry.id)))) if entry.id else set()
        for form in _forms(entry.string) if entry.id else ():
            assert set(re.findall(r"\{(\w+)\}", form)) <= known | also, entry.id


def _text(plan, path, sheet):
    written = sheets._write(plan, path, sheets._crew, say("crew sheets"), sheet)
    reader = pypdf.PdfReader(written)
    return reader, "\n".join(page.extract_text() for page in reader.pages)


def _latin(plan, text):
    """Return the words of a marked text that nobody said, names apart."""
    names = [plan.site.name, *plan.zones.index, *plan.zones["valve"], *plan.sensors.index]
    names += list(plan.zones["controller"])
    for name in sorted(map(str, names), key=len, reverse=True):
        text = text.replace(name, "").replace(name[:20], "")
    return set(re.findall(r"[A-Za-z]{2,}", text)) - SAME


def test_the_short_answer_of_several_sensors_comes_from_the_catalogue():
    plan = demo_plan("court")
    said = plan.wording("us")
    words = [said.headline, *said.reasons.values(), *said.zone_notes.values()]
    words += [*plan.sensors["depth_note"], *plan.sensors["application_note"]]
    words += [*plan.parts["item"], *plan.parts["note"]]
    t = Marked()
    left = _latin(plan, " ".join(t(word) for word in words))
    assert left <= {plan.economics["currency"]}, left


def test_every_sentence_of_the_crews_sheets_comes_from_the_catalogue(tmp_path):
    plan = demo_plan("yard")
    _, text = _text(plan, tmp_path / "crew.pdf", Sheet(Marked()))
    left = _latin(plan, text)
    assert not left, left
    assert text.count("λ") > 3000


def test_the_crew_reads_spanish_and_the_file_says_so(tmp_path):
    plan = demo_plan("yard")
    reader, text = _text(plan, tmp_path / "crew.pdf", Sheet(language("es")))
    flat = " ".join(text.split())
    assert reader.trailer["/Root"]["/Lang"] == "es"
    assert "Llame antes de cavar" in flat
    assert "preventor de reflujo" in flat
    assert "hoja de trabajo" in flat
    assert "Call before you dig" not in flat
    assert "húmedo. Aplicación" in flat
    assert "Sensores de humedad del suelo" in reader.metadata.subject


@pytest.mark.parametrize("code", languages())
def test_the_caution_at_the_foot_takes_the_two_lines_that_it_has(code):
    register_fonts()
    words = Paragraph(f"<b>{markup(language(code)(DIG_CAUTION))}</b>", style("foot"))
    _, tall = words.wrap(A4[0] - 2 * sheets._SIDE, 100)
    assert tall <= 2 * style("foot").leading


def test_readings_sheet_and_waypoints_are_in_the_crews_language(tmp_path):
    plan = demo_plan("yard")
    plan = replace(plan, settings=replace(plan.settings, language="es"))
    table = write_readings(plan, tmp_path)[0].read_text("utf-8-sig")
    head, row = table.splitlines()[:2]
    assert head.startswith("sensor_id,zone,valve,planned_depth_mm,")
    assert "6,55 m desde esquina de edificio" in row
    book = load_workbook(tmp_path / "readings.xlsx")
    assert book.sheetnames == ["sensors", "zones", "cans", "cómo rellenar"]
    assert str(book["cómo rellenar"]["A1"].value).startswith("Rellene lo que se midió")
    points = gpxpy.parse(_gpx(plan_document(plan), language("es")))
    assert points.description.startswith("Llame antes de cavar")
    assert points.waypoints[0].description.startswith("Zona ")
    assert "desde esquina de edificio" in points.waypoints[0].description


def test_no_word_of_a_tables_head_is_broken():
    head = [language("es")(say(word)) for word in ("Valve", "Zone")]
    widths = _columns(head, (0.95, 9.0), 300.0)
    assert widths[0] > width_of("Válvula", 9, bold=True)
    assert sum(widths) == pytest.approx(300.0)
    assert _columns(["Valve", "Zone"], (1, 1), 300.0) == [150.0, 150.0]


def test_a_country_gives_the_marks_of_numbers_and_both_units_are_told():
    spain, mexico = language("es"), language("es-MX")
    long = show(1234.5, "length", "metric")
    assert (long, spain(long), mexico(long)) == ("1,234.50 m", "1.234,50 m", "1,234.50 m")
    assert spain(tape(3.759, "metric")) == "3,76 m"
    assert mexico(tape(3.759, "us")) == "12 ft 4 in"
    assert spain(depth(0.165, "us")) == "6,5 in"
    assert spain(percent(0.87)) == "87 %"
    assert spain(number(0.25, 2)) == "0,25"


def test_plural_forms_are_the_languages_own():
    t = language("es")
    one, many = (say_count("zone {zones}", "zones {zones}", n, zones="A") for n in (1, 2))
    assert (t(one), t(many)) == ("zona A", "zonas A")


def test_what_the_catalogue_lacks_is_english_and_a_name_stays():
    t = language("es")
    assert t(say("Nobody says {this}.", this=say("sensor"))) == "Nobody says sensor."
    assert t("Valve") == "Valve"
    assert t(say("Valve")) == "Válvula"


def test_what_is_said_forgets_nothing_on_its_way_through_tables_and_files():
    said = side_by_side([capital(say("two")), say("{number} in", number=Figure("3.5"))], "; ")
    back = pickle.loads(pickle.dumps(said))  # noqa: S301 - our own
    assert said == back == str(back) == "Two; 3.5 in"
    assert language("es")(str(back)) == "Dos; 3,5 in"


def test_the_number_to_call_follows_the_country_and_not_the_language():
    t = language("es")
    for caution in (DIG_CAUTION, cautions_for()[0]):
        assert "811" in caution
        assert "811" in t(caution)


@pytest.mark.parametrize(
    ("asked", "code"),
    [("es", "es"), ("ES_mx", "es-MX"), ("en", "en"), ("tlh", None), ("es-ZZ", None), ("", None)],
)
def test_a_language_is_known_by_its_catalogue_and_its_country(asked, code):
    assert spoken(asked) == code


def test_the_property_file_names_the_language():
    path = Path(siting.__file__).parents[1] / "data" / "yard"
    assert read_property(path).language == "en"
    assert read_property(path, changes={"language": "ES_us"}).language == "es-US"
    with pytest.raises(siting.InputError, match="language"):
        read_property(path, changes={"language": "tlh"})
