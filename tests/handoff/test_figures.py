"""Figures for notebooks: axes in and out, the plan's numbers on them, names as plain text."""

import dataclasses
import html
import io
import math
import re
import warnings

import folium
import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import pyplot as plt
from matplotlib.colors import to_hex

from siting.handoff import figures
from siting.palette import NEED, ramp_colour
from siting.units import GALLON_M3
from tests.chromium import CHROMIUM, DESK, DRIVER, css, faults, requests, running, show
from tests.plan_factory import HOSTILE, make_plan

mpl.use("Agg")
PLOTS = (figures.plot_zones, figures.plot_dryness, figures.plot_choices, figures.plot_season)


@pytest.fixture(autouse=True)
def _closed():
    yield
    plt.close("all")


def drawn(axes):
    out = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a glyph that the font lacks is a warning
        axes.figure.savefig(out, format="png", dpi=50, metadata={"Software": None})
    return out.getvalue()


@pytest.mark.parametrize("plot", PLOTS)
@pytest.mark.parametrize("hostile", [False, True])
def test_axes_come_back_and_draw_the_same_every_time(plot, hostile):
    pictures = []
    for _ in range(2):
        _, ax = plt.subplots()
        assert plot(make_plan(hostile=hostile), ax) is ax
        pictures.append(drawn(ax))
    assert pictures[0] == pictures[1]
    assert plot(make_plan(hostile=hostile)).figure is plt.gcf()


def test_zones_show_tags_names_and_the_scores_colours():
    plan = make_plan()
    ax = figures.plot_zones(plan)
    words = [t.get_text() for t in ax.texts]
    assert {"S1", "S2", "A", "B", "C"} <= set(words)
    faces = {
        to_hex(c)
        for collection in ax.collections
        for c in np.atleast_2d(collection.get_facecolor())
        if len(c)
    }
    top = 40.0  # the round end of the scale over 31.4
    for score in plan.zones["need_score"]:
        wanted = ramp_colour(NEED, score / top)
        near = min(
            sum(abs(int(f[k : k + 2], 16) - int(wanted[k : k + 2], 16)) for k in (1, 3, 5))
            for f in faces
        )
        assert near <= 4
    west, south, east, north = plan.site.boundary.bounds
    assert ax.get_xlim()[0] < west < east < ax.get_xlim()[1]
    assert ax.get_ylim()[0] < south < north < ax.get_ylim()[1]


def test_dryness_lies_on_the_ground():
    plan = make_plan()
    ax = figures.plot_dryness(plan)
    [image] = ax.images
    assert tuple(image.get_extent()) == (-42.0, 42.0, -28.0, 28.0)
    shown = np.asarray(image.get_array().filled(math.nan))
    np.testing.assert_array_equal(shown, plan.dryness)


def test_choices_show_worth_and_need():
    ax = figures.plot_choices(make_plan())
    words = [t.get_text() for t in ax.texts]
    assert words == ["needed", "−24"]
    assert [t.get_text() for t in ax.get_xticklabels()] == ["2nd", "3rd"]
    assert "chosen: 2" in ax.get_title(loc="left")
    assert min(p.get_height() for p in ax.patches) == -24


def test_season_in_either_unit_and_without_a_timer():
    plan = make_plan()
    heights = [p.get_height() for p in figures.plot_season(plan).patches]
    assert heights == pytest.approx([*plan.season["baseline_m3"], *plan.season["plan_m3"]])
    ax = figures.plot_season(plan, units="us")
    gallons = [p.get_height() for p in ax.patches]
    assert gallons == pytest.approx(np.array(heights) / GALLON_M3)
    assert "gal" in ax.get_ylabel()
    bare = dataclasses.replace(plan, season=plan.season.assign(baseline_m3=math.nan))
    assert len(figures.plot_season(bare).patches) == len(plan.season)


def test_notebook_shows_the_answer_and_escapes_every_name():
    plan = make_plan(hostile=True)
    shown = plan._repr_html_()
    assert "<script" not in shown
    assert "<img" not in shown
    for name in (HOSTILE[0], HOSTILE[1], HOSTILE[4]):
        assert html.escape(name) in shown
    assert re.findall(r"<(?!/)(\w+)", shown).count("tr") == 1 + len(plan.sensors)
    assert "75 mm" in make_plan()._repr_html_()
    assert "2.95 in" in make_plan("us")._repr_html_()


def test_explore_is_the_offline_map_in_a_frame(tmp_path):
    view = figures.explore(make_plan(hostile=True), height=400)
    cell = view._repr_html_()
    assert re.fullmatch(r'<iframe srcdoc="[^"]*" sandbox="allow-scripts"[^>]*></iframe>', cell)
    assert html.unescape(re.search(r'srcdoc="([^"]*)"', cell)[1]) == view.html
    assert view.save(tmp_path / "map.html").read_text(encoding="utf-8") == view.html


@pytest.mark.browser
@pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="no chromium and chromedriver here")
def test_the_frame_works_in_a_page(tmp_path):
    cell = figures.explore(make_plan())._repr_html_()
    path = tmp_path / "notebook.html"
    path.write_text(f"<!DOCTYPE html><meta charset=utf-8><h1>Notebook</h1>{cell}", encoding="utf-8")
    with running() as driver:
        show(driver, path.as_uri(), DESK)
        driver.switch_to.frame(driver.find_element("css selector", "iframe"))
        assert len(css(driver, ".pin .tag")) == 2
        assert requests(driver, path.as_uri()) == []
        assert faults(driver) == []


def test_a_plain_folium_map_takes_layers_of_the_users_own():
    plan = make_plan(hostile=True)
    page = figures.folium_map(plan)
    assert isinstance(page, folium.Map)
    folium.Marker([plan.site.latitude, plan.site.longitude], tooltip="mine").add_to(page)
    groups = [c.layer_name for c in page._children.values() if isinstance(c, folium.FeatureGroup)]
    assert groups == [
        "Property line", "Buildings", "Hydrozones by water need", "Trenches and wires",
        "Tape ties", "Reserve points", "Sensors",
    ]  # fmt: skip
    html = page.get_root().render()
    assert "mine" in html
    assert "<script>alert" not in html
    assert "tile.openstreetmap" not in html
    # Sensors stand where the plan has them.
    for lon, lat in zip(plan.sensors["lon"], plan.sensors["lat"], strict=True):
        assert f"{lon:.6f}"[:-1] in html
        assert f"{lat:.6f}"[:-1] in html
