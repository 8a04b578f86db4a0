"""A file each for crew, owner and office: complete by itself, and together all that is printed."""

from dataclasses import replace

import pypdf
import pytest

from siting.handoff import sheets
from siting.handoff.facts import depth, money, tape
from siting.units import show
from tests.plan_factory import make_plan

WRITERS = {
    "crew": sheets.write_crew,
    "owner": sheets.write_owner,
    "office": sheets.write_office,
    "sheets": sheets.write_sheets,
}


@pytest.fixture(scope="module", params=["us", "metric"])
def papers(request, tmp_path_factory):
    """Plan, and name -> words of every page."""
    plan = make_plan(request.param)
    folder = tmp_path_factory.mktemp("papers")
    pages = {
        name: [page.extract_text() for page in pypdf.PdfReader(write(plan, folder / name)).pages]
        for name, write in WRITERS.items()
    }
    return plan, pages


def words(pages):
    return " ".join(" ".join(pages).split())


def test_the_crews_file_is_complete_by_itself(papers):
    plan, pages = papers
    told, units = words(pages["crew"]), plan.settings.units
    for tag, sensor in plan.sensors.iterrows():
        assert f"{tag}: worksheet" in told
        assert depth(sensor["depth_m"], units) in told
    for metres in plan.ties["distance_m"]:
        assert tape(metres, units) in told
    for caution in plan.cautions:
        assert " ".join(caution.split()) in told
    for item in plan.parts["item"]:
        assert item in told
    for title in ("Run times for the controller", "Programs and minutes by month", "Materials"):
        assert title in told
    for theirs in ("Payback", "What do I pay?", "Regret", "Water, season by season"):
        assert theirs not in told


def test_the_owners_file_answers_four_questions_on_two_pages_with_a_picture(papers):
    plan, pages = papers
    told = words(pages["owner"])
    assert len(pages["owner"]) <= 2
    places = [
        told.index(question)
        for question in (
            "What do I pay?", "What do I get?", "Will my lawn be all right?",
            "What do you need from me?",
        )
    ]  # fmt: skip
    assert places == sorted(places)
    assert "Check: the bar is" in told, "the property is drawn"
    currency = plan.economics["currency"]
    assert money(plan.economics["capital"], currency) in told
    saved = float(plan.season["saved_m3"].mean())
    assert show(saved, "volume", plan.settings.units) in told
    assert f"runs short of water on {plan.zones['stress_days'].max():.1f} days" in told
    assert "Show us private lines before anyone digs" in told
    assert "Every zone keeps to the limit" in told


def test_an_owner_is_told_of_a_zone_beyond_its_limit(tmp_path):
    plan = make_plan()
    zones = plan.zones.copy()
    zones.iloc[0, zones.columns.get_loc("stress_days")] = 40.0
    path = sheets.write_owner(replace(plan, zones=zones), tmp_path / "owner.pdf")
    told = words(page.extract_text() for page in pypdf.PdfReader(path).pages)
    assert "Beyond the limit that was set" in told
    assert "keeps to the limit" not in told


def test_nothing_that_was_printed_in_one_file_is_lost(papers):
    _, pages = papers
    here = {line.strip() for name in ("crew", "owner", "office") for page in pages[name]
            for line in page.splitlines()}  # fmt: skip
    numbers = ("page ",)
    lost = [line.strip() for page in pages["sheets"] for line in page.splitlines()
            if line.strip() not in here and not line.startswith(numbers)]  # fmt: skip
    assert lost == []


def test_one_sensor_needs_one_leaf_and_what_the_timer_wants(tmp_path):
    """The leaf's first page is the file's first page, with the property's name and its own map."""
    plan = make_plan()
    one = replace(
        plan,
        sensors=plan.sensors.iloc[:1],
        ties=plan.ties[plan.ties["sensor_id"] == "S1"],
        do_now=("S1: soak it, keep its valve off, wait 24 h, read it.",),
    )
    reader = pypdf.PdfReader(sheets.write_crew(one, tmp_path / "crew.pdf"))
    pages = [" ".join(page.extract_text().split()) for page in reader.pages]
    assert len(pages) <= 4
    assert pages[0].startswith(f"{plan.site.name} What to do now, the most urgent first")
    assert "S1: zone A, valve 1" in pages[0]
    assert "On the property (north up)" in pages[0]
    assert "S1: worksheet" in pages[1]
    assert "Run times for the controller" in pages[2]
    assert "Call before you dig" in pages[-1]


@pytest.mark.cross_check(
    "ISO 16684-1 (XMP) as pypdf reads it: Dublin Core title, creator, language"
)
def test_every_paper_says_what_it_is_to_catalogues_and_screen_readers(tmp_path):
    plan = make_plan(hostile=True)
    reader = pypdf.PdfReader(sheets.write_owner(plan, tmp_path / "owner.pdf"))
    told, root = reader.xmp_metadata, reader.trailer["/Root"]
    assert told.dc_title["x-default"] == reader.metadata.title
    assert told.dc_creator == ["siting"]
    assert told.dc_language == [root["/Lang"]] == ["en"]
    assert told.dc_description["x-default"] == reader.metadata.subject
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
