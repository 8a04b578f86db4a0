"""The files of a plan, read back by other libraries than the ones that wrote them."""

import csv
import dataclasses
import html
import io
import json
import math
import sqlite3
from xml.etree import ElementTree as ET

import geopandas as gpd
import gpxpy
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st

from siting.handoff.document import plan_document
from siting.handoff.gisfiles import describe, guard_formula, write_gis
from tests.plan_factory import HOSTILE, SOURCE_EPSG, make_plan

KML = "{http://www.opengis.net/kml/2.2}"
NAMES = (
    "plan.gpkg",
    "sensors.geojson",
    "sensors.gpx",
    "sensors.kml",
    "sensors.csv",
    "dryness.tif",
    "rank.tif",
    "sun-hours.tif",
)
GEOD = pyproj.Geod(ellps="WGS84")


def _away(plan, lon, lat):
    """Metres between read-back positions and the plan's."""
    frame = plan.sensors.to_crs(4326)
    return GEOD.inv(lon, lat, frame.geometry.x.to_numpy(), frame.geometry.y.to_numpy())[2]


@pytest.fixture(scope="module")
def plan():
    return make_plan()


@pytest.fixture(scope="module")
def folder(plan, tmp_path_factory):
    place = tmp_path_factory.mktemp("gis")
    assert write_gis(plan, place) == tuple(place / name for name in NAMES)
    return place


@pytest.fixture(scope="module")
def hostile_folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("hostile")
    write_gis(make_plan(hostile=True), place)
    return place


@pytest.mark.parametrize("hostile", [False, True])
def test_same_plan_same_bytes(hostile, folder, hostile_folder, tmp_path):
    write_gis(make_plan(hostile=hostile), tmp_path)
    for name in NAMES:
        first = (hostile_folder if hostile else folder) / name
        assert (tmp_path / name).read_bytes() == first.read_bytes(), name


def test_nothing_but_the_files_is_left(folder):
    assert sorted(p.name for p in folder.iterdir()) == sorted(NAMES)


def test_geopackage_layers_in_the_propertys_crs(plan, folder):
    layers = dict(pyogrio.list_layers(folder / "plan.gpkg"))
    assert {k: v for k, v in layers.items() if v is not None} == {
        "sensors": "Point",
        "hydrozones": "MultiPolygon",
        "wire_routes": "LineString",
        "ties": "LineString",
        "keepout": "MultiPolygon",
        "reserves": "Point",
        "admissible": "MultiPolygon",
        "boundary": "MultiPolygon",
        "buildings": "MultiPolygon",
    }
    sensors = gpd.read_file(folder / "plan.gpkg", layer="sensors")
    assert sensors.crs == pyproj.CRS.from_epsg(SOURCE_EPSG)
    assert sensors.geometry.x.to_numpy() == pytest.approx(plan.sensors["source_x"], abs=0.001)
    assert list(sensors["governs"]) == ["A, B", "C, D"]
    zones = gpd.read_file(folder / "plan.gpkg", layer="hydrozones")
    assert list(zones["zone"]) == list(plan.zones.index)
    assert zones["need_pct_d"].to_numpy() == pytest.approx(plan.zones["need_score"])
    back = zones.to_crs(plan.site.crs).area.to_numpy()
    assert back == pytest.approx(plan.zones.area.to_numpy(), rel=1e-5)
    ties = gpd.read_file(folder / "plan.gpkg", layer="ties").to_crs(plan.site.crs)
    assert ties.length.to_numpy() == pytest.approx(ties["distance_m"], abs=0.01)


def test_rank_reads_back_in_place(plan, folder):
    with rasterio.open(folder / "rank.tif") as raster:
        assert raster.descriptions[0].startswith("Area rank of dryness")
        grid, at = plan.sun.grid, plan.sensors.iloc[0]
        (found,) = raster.sample([(at["source_x"], at["source_y"])])
        row = int((grid.north - at["y"]) / grid.resolution)
        column = int((at["x"] - grid.west) / grid.resolution)
        near = plan.rank[row - 1 : row + 2, column - 1 : column + 2]
        assert np.nanmin(near) - 1 / 256 <= found[0] <= np.nanmax(near) + 1 / 256
        assert np.isnan(raster.read(1)).any()
        assert np.nanmax(raster.read(1)) <= 1.0


def test_a_plan_without_reserves_or_ranks_still_writes(plan, tmp_path):
    names = ("reserves", "admissible", "rank")
    fields = {f.name: f.default_factory for f in dataclasses.fields(plan) if f.name in names}
    bare = dataclasses.replace(plan, **{name: make() for name, make in fields.items()})
    write_gis(bare, tmp_path)
    assert len(gpd.read_file(tmp_path / "plan.gpkg", layer="reserves")) == 0
    assert plan_document(bare)["sensors"][0]["reserves"] == []
    with rasterio.open(tmp_path / "rank.tif") as raster:
        assert np.isnan(raster.read(1)).all()


@pytest.mark.published(
    "OGC GeoPackage Encoding Standard 1.2 (12-128r15), Requirement 2: application_id GPKG, "
    "user_version 10200"
)
def test_geopackage_is_version_1_2(folder):
    with sqlite3.connect(folder / "plan.gpkg") as base:
        assert base.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert base.execute("PRAGMA user_version").fetchone() == (10200,)
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        dates = base.execute("SELECT DISTINCT last_change FROM gpkg_contents").fetchall()
    assert dates == [("2000-01-01T00:00:00.000Z",)]


def test_every_layer_has_a_default_style_whose_columns_exist(folder):
    with sqlite3.connect(folder / "plan.gpkg") as base:
        rows = base.execute("SELECT f_table_name, styleQML, useAsDefault FROM layer_styles")
        styles = rows.fetchall()
        for table, qml, default in styles:
            columns = {row[1] for row in base.execute(f'PRAGMA table_info("{table}")')}
            root = ET.fromstring(qml)  # noqa: S314 - our own file
            renderer = root.find("renderer-v2")
            assert default == 1
            assert renderer.get("attr", "fid") in columns
            symbols = {s.get("name") for s in renderer.iter("symbol")}
            used = {n.get("symbol") for n in renderer.iter() if n.tag in {"range", "category"}}
            assert used <= symbols
    assert len(styles) == 9
    assert 'fieldName="sensor_id"' in {s[0]: s[1] for s in styles}["sensors"]


@pytest.mark.cross_check("OGC 12-128r15, annex F.9: gpkg_data_columns, registered as gpkg_schema")
def test_layers_and_columns_say_what_they_are(folder):
    with sqlite3.connect(folder / "plan.gpkg") as base:
        described = dict(base.execute("SELECT table_name, description FROM gpkg_contents"))
        assert all(described.values())
        assert "call before you dig" not in described["sensors"]
        registered = base.execute(
            "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'"
        ).fetchall()
        assert {n for (n,) in registered} == {"gpkg_data_columns", "gpkg_data_column_constraints"}
        for table in set(described) - {"layer_styles"}:
            columns = {row[1] for row in base.execute(f'PRAGMA table_info("{table}")')}
            told = dict(
                base.execute(
                    "SELECT column_name, title FROM gpkg_data_columns WHERE table_name = ?",
                    (table,),
                )
            )
            assert set(told) == columns - {"fid", "geom"}, table
        assert told  # of the last one
        titles = dict(
            base.execute(
                "SELECT column_name, title FROM gpkg_data_columns WHERE table_name = 'hydrozones'"
            )
        )
        qml = base.execute(
            "SELECT styleQML FROM layer_styles WHERE f_table_name = 'hydrozones'"
        ).fetchone()[0]
    assert titles["need_pct_d"] == "Need score [%/d]"
    assert titles["rate_mm_h"] == "Precipitation rate [mm/h]"
    aliases = {a.get("field"): a.get("name") for a in ET.fromstring(qml).iter("alias")}  # noqa: S314
    assert aliases.items() >= titles.items()


def test_a_property_in_us_units_has_columns_in_them_beside_the_metric(tmp_path):
    plan = make_plan(units="us")
    write_gis(plan, tmp_path)
    sensors = gpd.read_file(tmp_path / "plan.gpkg", layer="sensors")
    np.testing.assert_allclose(sensors["depth_in"] * 0.0254, sensors["depth_m"], rtol=1e-12)
    np.testing.assert_allclose(sensors["trench_ft"] * 0.3048, sensors["trench_m"], rtol=1e-12)
    zones = gpd.read_file(tmp_path / "plan.gpkg", layer="hydrozones")
    np.testing.assert_allclose(zones["area_ft2"] * 0.3048**2, zones["area_m2"], rtol=1e-12)
    np.testing.assert_allclose(zones["water_gal"] * 3.785411784e-3, zones["water_m3"], rtol=1e-12)
    with sqlite3.connect(tmp_path / "plan.gpkg") as base:
        title = base.execute(
            "SELECT title FROM gpkg_data_columns WHERE column_name = 'depth_in'"
        ).fetchone()
        tie = base.execute("SELECT styleQML FROM layer_styles WHERE f_table_name = 'ties'")
        assert "distance_ft" in tie.fetchone()[0]
    assert title == ("Depth [in]",)


def test_classes_of_the_zone_style_hold_every_score(plan, folder):
    with sqlite3.connect(folder / "plan.gpkg") as base:
        qml = base.execute(
            "SELECT styleQML FROM layer_styles WHERE f_table_name='hydrozones'"
        ).fetchone()[0]
    ranges = [
        (float(r.get("lower")), float(r.get("upper")))
        for r in ET.fromstring(qml).iter("range")  # noqa: S314 - our own file
    ]
    for score in plan.zones["need_score"]:
        assert any(low - 1e-6 <= score <= high + 1e-6 for low, high in ranges)


def test_gdal_option_is_put_back(plan, tmp_path):
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2011-11-11T11:11:11.000Z"})
    try:
        write_gis(plan, tmp_path)
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "2011-11-11T11:11:11.000Z"
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    write_gis(plan, tmp_path)
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_plan_without_ties_or_wire_still_writes(plan, tmp_path):
    bare = dataclasses.replace(
        plan,
        ties=plan.ties.iloc[:0],
        wire_routes=plan.wire_routes.iloc[:0],
        keepout=plan.keepout.iloc[:0],
    )
    write_gis(bare, tmp_path)
    assert len(gpd.read_file(tmp_path / "plan.gpkg", layer="ties")) == 0
    assert len(pd.read_csv(tmp_path / "sensors.csv")) == 2


@pytest.mark.cross_check("RFC 7946, sections 3.1.1, 4: longitude first, WGS 84, no crs member")
def test_geojson_reads_back_within_a_centimetre(plan, folder):
    raw = json.loads((folder / "sensors.geojson").read_text(encoding="utf-8"))
    assert "crs" not in raw
    frame = gpd.read_file(folder / "sensors.geojson")
    assert frame.crs.to_epsg() == 4326
    assert list(frame["sensor_id"]) == list(plan.sensors.index)
    assert max(_away(plan, frame.geometry.x.to_numpy(), frame.geometry.y.to_numpy())) < 0.01
    for feature, row in zip(raw["features"], plan.sensors.itertuples(), strict=True):
        assert feature["properties"]["depth_m"] == row.depth_m


def test_gpx_reads_back_in_gdal_and_gpxpy(plan, folder):
    text = (folder / "sensors.gpx").read_text(encoding="utf-8")
    parsed = gpxpy.parse(text)
    assert [w.name for w in parsed.waypoints] == ["S1", "S2"]
    assert parsed.time is None
    assert "<time>" not in text
    frame = gpd.read_file(folder / "sensors.gpx", layer="waypoints")
    assert max(_away(plan, frame.geometry.x.to_numpy(), frame.geometry.y.to_numpy())) < 0.05
    assert "depth 75 mm" in frame["desc"].iloc[0]
    assert "22.95 m from building corner" in frame["desc"].iloc[0]
    # The trench is a track, a segment for each line of it.
    dug = plan.wire_routes[plan.wire_routes["kind"] == "trench"]
    [track] = parsed.tracks
    assert track.name == "trench"
    assert len(track.segments) == len(dug)
    walked = sum(segment.length_2d() for segment in track.segments)
    assert walked == pytest.approx(dug.length.sum(), rel=5e-3)


def test_kml_reads_back_and_fetches_nothing(plan, folder):
    root = ET.parse(folder / "sensors.kml").getroot()  # noqa: S314 - our own file
    marks = root.findall(f".//{KML}Placemark")
    assert [m.findtext(f"{KML}name") for m in marks] == ["S1", "S2"]
    places = [m.findtext(f"{KML}Point/{KML}coordinates").split(",") for m in marks]
    lon, lat = np.array(places, dtype=float).T
    assert max(_away(plan, lon, lat)) < 0.01
    assert root.find(f".//{KML}href") is None
    # Numbers are numbers to who reads the file, with their units in the titles.
    frame = gpd.read_file(folder / "sensors.kml")
    assert frame["depth_m"].dtype == float
    assert frame["gauge_awg"].dtype.kind == "i"
    np.testing.assert_allclose(frame["depth_m"], plan.sensors["depth_m"], atol=1e-4)
    shown = {f.get("name"): f.findtext(f"{KML}displayName") for f in root.iter(f"{KML}SimpleField")}
    assert shown["depth_m"] == "Depth [m]"
    used = {value.get("name") for value in root.iter(f"{KML}SimpleData")}
    assert used <= set(shown)


def test_markup_in_a_name_is_text_where_a_globe_viewer_reads_html(hostile_folder):
    root = ET.parse(hostile_folder / "sensors.kml").getroot()  # noqa: S314 - our own file
    shown = [mark.findtext(f"{KML}description") for mark in root.findall(f".//{KML}Placemark")]
    sensors = plan_document(make_plan(hostile=True))["sensors"]
    assert any("<" in describe(sensor, "metric") for sensor in sensors)
    for text, sensor in zip(shown, sensors, strict=True):
        assert "<" not in text  # what a viewer takes for HTML holds no element
        assert html.unescape(text) == describe(sensor, "metric")


def test_csv_is_utf8_with_a_mark_and_reads_in_pandas(plan, folder):
    raw = (folder / "sensors.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    frame = pd.read_csv(folder / "sensors.csv")
    assert list(frame["sensor_id"]) == ["S1", "S2"]
    assert max(_away(plan, frame["lon"].to_numpy(), frame["lat"].to_numpy())) < 0.01
    assert frame["tie1_m"].to_numpy() == pytest.approx(
        plan.ties.groupby("sensor_id")["distance_m"].first().to_numpy(), abs=0.0005
    )
    assert list(frame["threshold_low_mm"]) == [13.0, 32.0]
    assert math.isnan(frame["tie3_m"].iloc[1])
    assert set(frame["crs"]) == {"EPSG:32617"}


def test_hostile_names_come_back_whole(hostile_folder):
    plan = make_plan(hostile=True)
    document = plan_document(plan)
    rows = list(
        csv.DictReader(
            io.StringIO((hostile_folder / "sensors.csv").read_bytes().decode("utf-8-sig"))
        )
    )
    for row, sensor in zip(rows, document["sensors"], strict=True):
        assert not any(str(v).lstrip().startswith(("=", "+", "@")) for v in row.values())
        assert row["zone"].removeprefix("'") == sensor["zone"]
    zones = gpd.read_file(hostile_folder / "plan.gpkg", layer="hydrozones")
    assert list(zones["zone"]) == list(plan.zones.index)
    features = json.loads((hostile_folder / "sensors.geojson").read_text(encoding="utf-8"))
    assert features["features"][0]["properties"]["zone"] == document["sensors"][0]["zone"]
    for name in ("sensors.gpx", "sensors.kml"):
        text = (hostile_folder / name).read_text(encoding="utf-8")
        assert len(ET.fromstring(text)) > 0  # noqa: S314 - our own file
        assert "<script" not in text
    assert len(gpxpy.parse((hostile_folder / "sensors.gpx").read_text("utf-8")).waypoints) == 2


def test_us_units_reach_the_descriptions(tmp_path):
    write_gis(make_plan(units="us"), tmp_path)
    text = (tmp_path / "sensors.gpx").read_text(encoding="utf-8")
    assert "depth 3 in" in text
    assert "75 ft 4 in from building corner" in text


@given(st.text(st.characters(codec="utf-8"), max_size=12))
def test_no_guarded_text_starts_a_formula(text):
    guarded = guard_formula(text)
    assert not guarded.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))
    assert guarded in {text, "'" + text}


@pytest.mark.parametrize("name", HOSTILE)
def test_guard_keeps_harmless_text(name):
    assert guard_formula(name) == (f"'{name}" if name.startswith("=") else name)
