"""The crew's part in its language: every sentence comes from the catalogue, and none is missing."""

import pickle
import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import gpxpy
import pypdf
import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from openpyxl import load_workbook
from reportlab.lib.pagesizes import A4
from reportlab.platypus import Paragraph

import siting
from siting.handoff import sheets, webmap
from siting.handoff.document import plan_document
from siting.handoff.drawing import markup, register_fonts, width_of
from siting.handoff.facts import depth, number, percent, tape
from siting.handoff.gisfiles import _gpx, _trenches
from siting.handoff.layout import Sheet, _columns, style
from siting.handoff.readingsheet import write_readings
from siting.handoff.webmap import map_html
from siting.language import (
    FOLDER,
    Figure,
    Language,
    Moment,
    capital,
    language,
    languages,
    say,
    say_count,
    side_by_side,
    spoken,
)
from siting.planning.cautions import DIG_CAUTION, SERVICES, cautions_for, dig_caution
from siting.site.property import read_property
from siting.units import show
from tests.demo_plans import demo_plan
from tests.messages import said_in_code

#: Only English numbers things in words; other languages have the figure beside it.
ONLY_ENGLISH = {"nth", "a_further", "Also", "Count", "th"}
FIELD = re.compile(r"(\{\w*\})")
#: What is the same in every language: units, wire gauges, the datum, names of points.
SAME = {"mm", "WGS", "AWG"}


class Marked(Language):
    """A language that nobody speaks: every letter of a message is Greek, so that what was not said
    stays Latin."""

    code = "λ"

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


@pytest.fixture(scope="module")
def messages():
    return set(said_in_code())


def catalogue(code):
    with (FOLDER / f"{code}.po").open("rb") as file:
        return read_po(file)


@pytest.mark.parametrize("code", languages()[1:])
def test_no_entry_of_a_catalogue_is_missing_and_none_is_left_over(code, messages):
    entries = {entry.id: entry for entry in catalogue(code) if entry.id}
    missing = [m for m in messages if m not in entries or not all(_forms(entries[m].string))]
    assert len(missing) == 0, (len(missing), missing[:5])
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


#: Keys of the map's document that hold codes and figures, and not words.
CODES = {
    "marks", "ink", "values", "url", "colours", "units", "locale", "kind", "name", "format", "plan",
    "heads", "id", "fields", "stamps", "allowed", "side", "crosses", "point",
}  # fmt: skip


def _words_in(value, key=""):
    """Yield every text of a document that a person reads."""
    if key in CODES:
        return
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _words_in(one, str(name))
    elif isinstance(value, list):
        for one in value:
            yield from _words_in(one, key)
    elif isinstance(value, str):
        yield value


def test_every_sentence_of_the_map_comes_from_the_catalogue(monkeypatch):
    plan = demo_plan("yard")
    monkeypatch.setattr(webmap, "language", lambda _: Marked())
    document = webmap.map_document(plan)
    page = webmap.static_page(plan, document)
    frame = document["sensors"][0]["places"][1][0]
    known = {str(plan.economics["currency"]), "EPSG", "kPa", "warm", "season"}
    left = {
        text: odd
        for text in _words_in(document)
        if (odd := _latin(plan, text) - known) and not text.startswith("reference ET: ")
    }
    assert "EPSG" in frame
    assert not left
    assert page.count("λ") > 3000


def test_the_pages_scripts_say_what_the_catalogue_has():
    t = language("es")
    words = webmap.script_words(t)
    assets = {message for message, path in said_in_code().items() if path.endswith(".js")}
    said = {m if isinstance(m, str) else m[0] for m in assets}
    assert said <= set(words)
    assert words["Field"] == "Campo"
    assert words["Field: {count} sensor"] == ["Campo: {count} sensor", "Campo: {count} sensores"]


def test_a_day_and_hour_are_written_as_the_language_writes_them():
    due = say("read it from {time} on", time=Moment(datetime(2026, 5, 6, 15, 30)))  # noqa: DTZ001
    assert due == "read it from 2026-05-06 15:30 on"
    told = {code: language(code)(due.fields["time"]) for code in ("en", "es", "fr", "pt")}
    assert told["en"] == "2026-05-06 15:30"
    for code, month in (("es", "may"), ("fr", "mai"), ("pt", "mai")):
        assert month in told[code]
        assert "15:30" in told[code]
        assert told[code].startswith("6 ")


def test_an_offices_note_that_no_catalogue_has_is_read_aloud_as_english():
    plan = demo_plan("yard")
    plan = replace(
        plan,
        settings=replace(plan.settings, language="es"),
        warnings=("A note of the office.", say("Call before you dig.")),
    )
    page = map_html(plan)
    assert '<li lang="en">A note of the office.</li>' in page
    assert f"<li>{language('es')(say('Call before you dig.'))}</li>" in page


@pytest.mark.parametrize("code", languages())
def test_the_map_page_says_its_language(code):
    plan = demo_plan("yard")
    page = map_html(replace(plan, settings=replace(plan.settings, language=code)))
    assert f'<html lang="{code}">' in page
    assert ('aria-label="Zoom in"' in page) == (code == "en")


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
@pytest.mark.parametrize("country", ["", "MX", *SERVICES])
def test_the_caution_at_the_foot_takes_the_two_lines_that_it_has(code, country):
    register_fonts()
    words = Paragraph(f"<b>{markup(language(code)(dig_caution(country)))}</b>", style("foot"))
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
    points = gpxpy.parse(_gpx(plan_document(plan), language("es"), _trenches(plan)))
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
    assert spain(percent(0.87)) == "87\N{NO-BREAK SPACE}%"
    assert spain(number(0.25, 2)) == "0,25"


def test_plural_forms_are_the_languages_own():
    t = language("es")
    one, many = (say_count("zone {zones}", "zones {zones}", n, zones="A") for n in (1, 2))
    assert (t(one), t(many)) == ("zona A", "zonas A")
    assert [t.form(n) for n in (0, 1, 2)] == [1, 0, 1]
    assert [language("fr").form(n) for n in (0, 1, 2)] == [0, 0, 1]
    assert [language("pt").form(n) for n in (0, 1, 2)] == [0, 0, 1]
    assert [language("en").form(n) for n in (0, 1, 2)] == [1, 0, 1]


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


@pytest.mark.parametrize("code", languages())
def test_the_number_to_call_follows_the_country_and_not_the_language(code):
    t = language(code)
    for caution in (DIG_CAUTION, cautions_for()[0]):
        assert "811" in t(caution)
    for country, word in (("US", "811"), ("AU", "1100"), ("FR", "guichet unique")):
        for caution in (dig_caution(country), cautions_for(country=country)[0]):
            assert word in t(caution)
            assert ("811" in t(caution)) == (country == "US")
    for caution in (dig_caution("MX"), cautions_for(country="MX")[0]):
        assert not re.search(r"\b(811|1100)\b", t(caution))
    assert "your local one-call service" in dig_caution("MX")


def test_the_country_stands_at_the_foot_of_every_page_and_in_the_waypoints(tmp_path):
    plan = demo_plan("yard")
    plan = replace(plan, settings=replace(plan.settings, country="AU"))
    _, text = _text(plan, tmp_path / "crew.pdf", Sheet(language("es")))
    assert "1100 (Before You Dig Australia)" in " ".join(text.split())
    points = gpxpy.parse(
        _gpx(plan_document(plan), language("es"), _trenches(plan), dig_caution("AU"))
    )
    assert "1100" in points.description


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
    assert read_property(path).country == ""
    assert read_property(path, changes={"country": "au"}).country == "AU"
    with pytest.raises(siting.InputError, match="country"):
        read_property(path, changes={"country": "Atlantis"})
