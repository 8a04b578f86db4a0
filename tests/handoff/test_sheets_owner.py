"""The owner's pages, the outline, and the sheets measured on paper as a printer draws them."""

import dataclasses
import json
import math
import re
import shutil
import subprocess

import numpy as np
import pypdf
import pytest
from PIL import Image
from scipy import ndimage

from siting.handoff.document import write_json
from siting.handoff.drawing import POINTS_PER_METRE
from siting.handoff.facts import assumptions_in_words, depth, tape
from siting.handoff.owner import owner_summary
from siting.handoff.sheets import write_sheets
from siting.palette import MARKS
from siting.site.settings import Costs, Water
from tests.plan_factory import make_plan

RASTER = shutil.which("pdftoppm")
DPI = 400
UNITS = ("metric", "us")


def words(page):
    return " ".join(page.extract_text().split())


@pytest.fixture(scope="module", params=UNITS)
def made(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    plan = make_plan(units=request.param)
    write_sheets(plan, folder / "crew.pdf")
    write_json(plan, folder / "plan.json")
    return plan, folder


def outline(reader):
    """(title, page, level) of every entry."""
    found = []

    def walk(entries, level):
        for entry in entries:
            if isinstance(entry, list):
                walk(entry, level + 1)
            else:
                found.append((entry.title, reader.get_destination_page_number(entry), level))

    walk(reader.outline, 0)
    return found


def test_owner_has_two_pages_with_cost_saving_payback_and_ranges(made):
    plan, folder = made
    reader = pypdf.PdfReader(folder / "crew.pdf")
    pages = [words(page) for page in reader.pages]
    owner = [page for page in pages if page.startswith("For the owner")]
    assert owner == pages[-3:-1]
    assert pages[-1].startswith("Annex for the owner")
    assert plan.answer in owner[0]
    assert "USD 1,203: sensors and control USD 550, putting them in USD 300" in owner[0]
    saved = "USD 1,680 (USD 1,638 to USD 1,712 by weather year, USD 1,601 to USD 1,755 by scenario)"
    assert saved in owner[0]
    assert "0.6 years (0.6 to 0.8 by weather year, 0.6 to 0.8 by scenario)" in owner[0]
    assert "At 3 % interest 0.7 years (0.7 to 0.7 by weather year" in owner[0]
    assert "Gain in 10 years USD 13,128 at 3 % interest" in owner[0]
    assert "69% of today's use" in owner[0]
    assert plan.economics["claim"] in owner[1]
    for line in assumptions_in_words(plan):
        assert line in owner[1]
    assert "3 seasons (2016 to 2018)" in owner[1]
    charts = ("What one more sensor is worth", "net saving a year [USD]", "Water, season by season")
    assert [[page.count(chart) for chart in charts] for page in pages[-3:]] == [
        [1, 1, 0], [0, 0, 1], [0, 0, 0],
    ]  # fmt: skip
    assert not any(page.images for page in reader.pages), "charts are lines and words, to zoom into"


def test_page_one_shows_the_headline_whole(made):
    plan, folder = made
    first = words(pypdf.PdfReader(folder / "crew.pdf").pages[0])
    assert plan.headline in first
    assert "…" not in first


def test_owner_pages_hold_every_kind_of_control_and_every_regret_of_plan_json(made):
    _, folder = made
    document = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    owner = " ".join(words(page) for page in pypdf.PdfReader(folder / "crew.pdf").pages[-3:])
    for row in document["controls"]:
        name = row["kind"] + (" (the plan's)" if row["chosen"] else "")
        assert f"{name} {row['sensors']}" in owner
        assert re.search(rf"USD {row['cost_per_year']:,.0f} {row['stress_days']:.0f}\b", owner)
    for row in document["regret"]:
        told = f"USD {row['regret_mean']:,.0f} USD {row['regret_max']:,.0f}"
        assert re.search(rf"{row['option']}[^U]*USD {row['cost_per_year']:,.0f} {told}", owner)
    for row in document["rules"]:
        assert row["rule"] in owner
    assert "one in the driest 1 leaves a zone too dry" in owner


def test_nothing_is_claimed_that_is_not_known():
    plan = make_plan()
    settings = dataclasses.replace(plan.settings, timer=None, water=Water(), costs=Costs())
    season = plan.season.assign(baseline_m3=math.nan, saved_m3=math.nan, saved_fraction=math.nan)
    bare = dataclasses.replace(plan, settings=settings, season=season)
    summary = dict(owner_summary(bare))
    assert "not claimed" in summary["Water saved"]
    assert "Pays back in" not in summary
    told = " ".join(assumptions_in_words(bare))
    for part in ("timer was not given", "No price of water", "common practice, no source"):
        assert part in told
    priceless = dataclasses.replace(
        plan, economics=dict(plan.economics) | {"payback_years": None, "saved_per_year": None}
    )
    assert "not claimed" in dict(owner_summary(priceless))["Pays back in"]


def test_a_payback_that_the_worst_year_denies_says_so():
    plan = make_plan()
    money = dict(plan.economics) | {"payback_years_high": None}
    told = dict(owner_summary(dataclasses.replace(plan, economics=money)))
    assert told["Pays back in"] == "0.6 years; in the worst weather years it would not"


def test_without_interest_there_is_no_second_payback():
    plan = make_plan()
    free = dataclasses.replace(plan.settings, costs=Costs(given=True, discount_rate=0.0))
    told = dict(owner_summary(dataclasses.replace(plan, settings=free)))
    assert not any("interest" in key for key in told)
    never = dict(plan.economics) | {"payback_discounted_years": None}
    told = dict(owner_summary(dataclasses.replace(plan, economics=never)))
    assert told["At 3 % interest"] == "it never pays back"


def test_outline_leads_to_every_part(made):
    plan, folder = made
    reader = pypdf.PdfReader(folder / "crew.pdf")
    entries = outline(reader)
    pages = [words(page) for page in reader.pages]
    assert entries[0] == ("Meadow Court", 0, 0)
    for title, page, _ in entries:
        assert title in pages[page]
    titles = [title for title, _, _ in entries]
    for sensor_id in plan.sensors.index:
        assert any(t.startswith(f"{sensor_id}: zone") for t in titles)
        assert f"{sensor_id}: worksheet" in titles
    for part in ("Run times for the controller", "Materials", "Cautions", "Money"):
        assert part in titles


def test_file_says_what_it_is_and_when_it_was_made_it_does_not(made):
    plan, folder = made
    reader = pypdf.PdfReader(folder / "crew.pdf")
    assert reader.metadata.title == plan.site.name
    assert "irrigation" in reader.metadata["/Keywords"]
    assert reader.metadata.creation_date.year == 2000
    assert str(reader.trailer["/Root"]["/Lang"]) == "en"
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/DisplayDocTitle"]


def test_letters_that_the_typeface_lacks_are_told(tmp_path):
    plain = words(pypdf.PdfReader(write_sheets(make_plan(), tmp_path / "a.pdf")).pages[0])
    nasty = make_plan(hostile=True)
    first = words(pypdf.PdfReader(write_sheets(nasty, tmp_path / "b.pdf")).pages[0])
    assert "not in this sheet's typeface" in first
    assert "not in this sheet's typeface" not in plain


def test_every_tag_tie_and_depth_of_plan_json_is_in_the_text(made):
    plan, folder = made
    units = plan.settings.units
    document = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    pages = [words(page) for page in pypdf.PdfReader(folder / "crew.pdf").pages]
    shown = []
    for sensor in document["sensors"]:
        tag = sensor["sensor_id"]
        [front] = [p for p in pages if p.startswith(f"{tag}: zone ")]
        [back] = [p for p in pages if p.startswith(f"{tag}: worksheet")]
        assert f"Depth {depth(sensor['depth_m'], units)} to" in front
        assert f"plan {depth(sensor['depth_m'], units)}; built" in back
        for tie in sensor["ties"]:
            told = f"Tie {tie['tie']} {tape(tie['distance_m'], units)} {tie['from_kind']}"
            assert told in front
            shown.append(told)
        assert len(sensor["reserves"]) == (plan.reserves["sensor_id"] == tag).sum()
        for spare in sensor["reserves"]:
            way = f"R{spare['reserve']} {tape(spare['distance_m'], units)}"
            tapes = " ".join(tape(one["distance_m"], units) for one in spare["tapes"])
            assert re.search(
                rf"{way} [NESW]+ \({spare['bearing_deg']:.0f}°\) {tapes} "
                rf"{100 * spare['p_driest_quarter']:.0f} in 100", front
            )  # fmt: skip
            assert front.count(f"R{spare['reserve']} ") >= 2, "on the drawing and in the table"
        # and nothing beyond what plan.json says
        assert len(re.findall(r"Tie \d [\d.]+ (?:m|ft)", front)) == len(sensor["ties"])
    assert len(shown) == len(plan.ties)


@pytest.mark.skipif(not RASTER, reason="no pdftoppm here")
def test_distances_on_the_rasterised_page_agree_with_the_plan(made):
    """Printed at some resolution, measured with a ruler in pixels, by the printed scale."""
    plan, folder = made
    page = 2
    subprocess.run(
        [RASTER, "-r", str(DPI), "-f", str(page), "-l", str(page), "-png", "-singlefile",
         str(folder / "crew.pdf"), str(folder / "page")],
        check=True,
    )  # fmt: skip
    image = np.asarray(Image.open(folder / "page.png").convert("RGB")).astype(int)
    printed = words(pypdf.PdfReader(folder / "crew.pdf").pages[page - 1])
    scale = int(re.search(r"Scale 1(?::| in = )([\d,]+)", printed)[1].replace(",", ""))
    denominator = scale * (12 if plan.settings.units == "us" else 1)
    metre = POINTS_PER_METRE / denominator * DPI / 72  # pixels on paper per metre of ground
    line = 1.0 * DPI / 72  # half of the building's outline lies on its fill, on either side
    fill = near(image, MARKS["building"])
    fill[:, int(0.68 * fill.shape[1]) :] = False  # the inset and the section are on the right
    labels, _ = ndimage.label(ndimage.binary_opening(fill, iterations=3))
    house = labels == np.bincount(labels.ravel())[1:].argmax() + 1
    rows, columns = np.nonzero(house)
    wide, high = np.ptp(columns) + 1 + line, np.ptp(rows) + 1 + line
    assert wide / metre == pytest.approx(16.0, rel=0.005)
    assert high / metre == pytest.approx(11.0, rel=0.005)
    # the sensor's own spot, told from its tag by its shape, and the corner of tie 1
    spots, count = ndimage.label(near(image, MARKS["sensor"])[:, : int(0.68 * image.shape[1])])
    radius = 3.6 * DPI / 72
    areas = ndimage.sum_labels(spots > 0, spots, range(1, count + 1))
    spot = int(np.abs(areas - math.pi * radius**2).argmin()) + 1
    y, x = ndimage.center_of_mass(spots == spot)
    corner = columns.min() - line / 2, rows.min() - line / 2
    tie = plan.ties[(plan.ties["sensor_id"] == "S1") & (plan.ties["tie"] == 1)].iloc[0]
    assert math.dist((x + 0.5, y + 0.5), corner) / metre == pytest.approx(
        tie["distance_m"], rel=0.005
    )


def near(image, colour):
    """Pixels of a colour."""
    wanted = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return np.abs(image - wanted).max(axis=-1) <= 6


WAYS = (
    ("as today", 2, 283.0, 635.5, 1269.0, 2.0, 22.0),
    ("the plain way", 1, 362.2, 813.3, 0.0, 0.0, 88.0),
    ("timer set right", 0, -12.0, -27.0, 0.0, None, 5.0),
    ("against a timer set right", 2, 1.0, None, 1269.0, None, 22.0),
)


def test_the_ways_stand_side_by_side(tmp_path):
    plan = make_plan()
    keys = ("way", "sensors", "saved_m3", "saved_per_year", "capital", "payback_years",
            "stress_days")  # fmt: skip
    ways = [dict(zip(keys, way, strict=True)) for way in WAYS]
    told = dataclasses.replace(plan, economics={**plan.economics, "ways": ways})
    write_sheets(told, tmp_path / "crew.pdf")
    page = words(pypdf.PdfReader(tmp_path / "crew.pdf").pages[-1])
    assert page.startswith("Annex for the owner")
    assert "this plan 2 283 m³ USD 636 USD 1,269 2.0 years 22" in page
    assert "the plain way: one module on each timer as it is 1 362 m³ USD 813 USD 0 at once" in page
    assert re.search(r"timer set right, no sensor – .12 m³ .* never 5 ", page)
    assert re.search(r"this plan against a timer set right 2 1 m³ – USD 1,269 – 22", page)
    assert "in the worst season out of ten" in page
