"""Ground to keep clear is told with its reason on the map, in the sheet and in the GeoPackage."""

import dataclasses
import sqlite3

import geopandas as gpd
import pandas as pd
import pyogrio
import pypdf
import pytest
from shapely.geometry import LineString, MultiLineString, box

from siting.handoff.facts import hazard_group, hazard_name, hazard_why, keep_clear
from siting.handoff.gisfiles import write_package
from siting.handoff.sheets import write_sheets
from siting.handoff.webmap import map_document, map_html
from siting.place.setbacks import HAZARD_WORDS
from siting.site.settings import FIXTURES
from tests.plan_factory import make_plan

MORE = {
    "utility": (0.6096, box(-30, 10, -29, 20)),
    "low_spot": (0.9144, box(-34, 20, -31, 24)),
    "flow_path": (0.9144, box(-12, 10, -10, 22)),
    "steep": (0.0, box(-28, 12, -26, 15)),
    "traffic": (0.9144, box(-20, 6, -10, 8)),
}


@pytest.fixture(scope="module")
def plan():
    made = make_plan()
    crs = made.site.crs
    rows = gpd.GeoDataFrame(
        {"hazard": list(MORE), "setback_m": [m for m, _ in MORE.values()]},
        geometry=[shape for _, shape in MORE.values()],
        crs=crs,
    )
    lines = {
        "utilities": [MultiLineString([[(-30, 10), (-30, 20)], [(-30, 20), (-25, 24)]])],
        "paths": [LineString([(-20, 7), (-10, 7)])],
    }
    site = dataclasses.replace(
        made.site,
        **{
            name: gpd.GeoDataFrame({"kind": [None], "feature": ["1"]}, geometry=shapes, crs=crs)
            for name, shapes in lines.items()
        },
    )
    keepout = gpd.GeoDataFrame(pd.concat([made.keepout, rows], ignore_index=True), crs=crs)
    return dataclasses.replace(made, site=site, keepout=keepout)


def test_every_hazard_has_a_name_and_a_reason():
    for hazard in (*HAZARD_WORDS, *MORE, *FIXTURES, "building", "paving"):
        assert "_" not in hazard_name(hazard)
        assert hazard_why(hazard)
        assert hazard_group(hazard) in {"danger", "water", "slope", "thing"}
    assert keep_clear("steep", "0.0 m", metres=0.0).startswith("steep ground: not here (")


def test_the_map_tells_every_reason_in_both_units_and_draws_the_lines(plan):
    ground = map_document(plan)["ground"]
    told = [row["reason"] for row in ground["keepout"]]
    assert ["steep ground: not here (water runs off before it soaks in)"] * 2 in told
    [low] = [pair for pair in told if pair[0].startswith("low spot")]
    assert low[0] == "low spot: keep 0.9\N{NO-BREAK SPACE}m away (water stands there)"
    assert "3.0\N{NO-BREAK SPACE}ft" in low[1]
    assert {pair[0].split(":")[0] for pair in told} >= {hazard_name(h) for h in MORE}
    assert [len(ground["lines"][name]) for name in ("utility", "traffic")] == [2, 1]
    assert "Buried pipes and cables, as drawn" in map_html(plan)
    assert map_document(make_plan())["ground"]["lines"] == {}


def test_the_sheet_names_them_and_warns_of_buried_lines(plan, tmp_path):
    reader = pypdf.PdfReader(write_sheets(plan, tmp_path / "crew.pdf"))
    pages = [" ".join(page.extract_text().split()) for page in reader.pages[:2]]
    assert "buried pipe or cable path C controller" in pages[0], "in the legend"
    for words in ("low spot 0.91 m", "steep ground", "flow path 0.91 m", "path 0.91 m"):
        assert words in pages[1]
    assert "Dash and dot: buried pipe or cable as drawn" in pages[1]


def test_the_geopackage_has_reasons_lines_and_a_style_for_every_layer(plan, tmp_path):
    path = write_package(plan, tmp_path / "plan.gpkg")
    keepout = gpd.read_file(path, layer="keepout").set_index("hazard")
    assert keepout.loc["low_spot", "reason"] == "low spot: keep 0.9 m away (water stands there)"
    assert keepout.loc["utility", "draw_as"] == "danger"
    assert len(gpd.read_file(path, layer="utilities")) == 2
    assert len(gpd.read_file(path, layer="paths")) == 1
    layers = {str(name) for name, kind in pyogrio.list_layers(path) if kind is not None}
    base = sqlite3.connect(path)
    styles = dict(base.execute("SELECT f_table_name, styleQML FROM layer_styles"))
    base.close()
    assert set(styles) == layers
    for group in ("danger", "water", "slope", "thing"):
        assert f'value="{group}"' in styles["keepout"]
    sensors = gpd.read_file(path, layer="sensors")
    assert list(sensors["zone_note"].fillna("")) == list(plan.sensors["zone_note"])
    assert list(sensors["hardware"]) == ["replacement"] * 2


def test_layers_that_are_not_there_have_no_style(tmp_path):
    path = write_package(make_plan(), tmp_path / "plan.gpkg")
    base = sqlite3.connect(path)
    named = {name for (name,) in base.execute("SELECT f_table_name FROM layer_styles")}
    base.close()
    assert "utilities" not in named
    assert "paths" not in named
