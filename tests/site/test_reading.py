"""Reading layers: clean, dirty, and in every CRS that practitioners use."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import rasterio
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given
from hypothesis import strategies as st
from rasterio.transform import from_origin
from shapely.geometry import MultiPoint, Point, Polygon, box

from siting.errors import Findings, InputError
from siting.site import reading
from siting.site.columns import parse_number
from siting.site.crs import in_crs, moved, transformer, working_crs
from siting.site.property import read_property
from siting.site.reading import (
    TREE_HEIGHT_M,
    TREE_TRANSMISSIVITY,
    natural_key,
    open_property,
    read_site,
)
from siting.site.settings import FIXTURES, IRRIGATION, PLANTS, SOILS, LayerSource
from siting.site.vector import LayerPart, empty_layer
from tests.tries import tries

LON, LAT = -80.25, 26.05
#: A plane in metres around the test property; its own, so that the reader is checked from outside.
PLANE = pyproj.CRS.from_proj4(
    f"+proj=laea +lat_0={LAT} +lon_0={LON} +datum=WGS84 +units=m +no_defs"
)

BOUNDARY = {"boundary": {"geometry": [box(-50, -50, 50, 50)]}}
ZONES = {
    "zone": ["1", "2", "10"],
    "valve": ["A", "B", None],
    "plants": ["cool_season_turf", "Desert Plants", "shrubs"],
    "soil": ["sandy_loam", "Loam", None],
    "precipitation_rate": [38.0, None, 12.0],
    "geometry": [box(-40, -40, 0, 0), box(5, -40, 40, 0), box(-40, 10, 40, 40)],
}
SPECIES = {"geometry": [Point(-45, 45), Point(45, 45)], "height": [9.0, None]}


def make(folder: Path, *, crs="EPSG:4326", toml="", layers='"property.gpkg"', **changes) -> Path:
    """Write a property; `changes` replaces whole layers (None leaves one out)."""
    tables = {
        **BOUNDARY,
        "hydrozones": ZONES,
        "buildings": {"geometry": [box(42, -40, 48, 0)], "height": [6.5]},
        "trees": SPECIES,
        **changes,
    }
    for name, data in tables.items():
        if data is not None:
            write_layer(folder / "property.gpkg", name, data, crs)
    (folder / "weather.csv").touch()
    path = folder / "property.toml"
    head = f'name = "t"\nlayers = {layers}\n'
    text = f'{head}{toml}\n[weather]\nfile = "weather.csv"\nelevation_m = 5\n'
    path.write_text(text, encoding="utf-8")
    return path


def write_layer(path: Path, name: str, data: dict, crs="EPSG:4326", **options) -> None:
    """Write one layer drawn in `PLANE`."""
    frame = gpd.GeoDataFrame(data, crs=PLANE)
    frame = frame.to_crs(crs) if crs else frame.set_crs(None, allow_override=True)
    with pytest.warns() if crs is None else _quiet():
        pyogrio.write_dataframe(frame, path, layer=name, **options)


class _quiet:  # noqa: N801
    def __enter__(self):
        return self

    def __exit__(self, *error):
        return None


def site_of(path: Path):
    """Read a property's site."""
    return read_site(read_property(path))


def faults_of(path: Path) -> list[str]:
    """Return the faults of a property's layers."""
    with pytest.raises(InputError) as caught:
        site_of(path)
    return [str(fault) for fault in caught.value.faults]


def one_fault(path: Path, *parts: str) -> None:
    """Check that there is one fault and that it says all of `parts`."""
    found = faults_of(path)
    assert len(found) == 1, found
    assert all(part in found[0] for part in parts), found[0]


def zones(**changes) -> dict:
    """Return the zones with some columns replaced."""
    return {k: v for k, v in {**ZONES, **changes}.items() if v is not None}


# ---------------------------------------------------------------- sound input


def test_a_sound_property(tmp_path, monkeypatch):
    make(tmp_path)
    monkeypatch.chdir(tmp_path.parent)
    site = site_of(Path(tmp_path.name))
    assert list(site.hydrozones.index) == ["1", "2", "10"]
    assert site.hydrozones.index.name == "zone"
    assert list(site.hydrozones.columns) == [
        "valve", "controller", "plants", "soil", "sand", "clay", "irrigation",
        "precipitation_rate", "distribution_uniformity", "root_depth", "plant_factor", "slope",
        "new_sod", "in_play", "rain_share", "geometry",
    ]  # fmt: skip
    assert list(site.hydrozones["valve"]) == ["A", "B", "10"]
    assert list(site.hydrozones["plants"]) == ["cool_season_turf", "desert_plants", "shrubs"]
    assert list(site.hydrozones["soil"]) == ["sandy loam", "loam", None]
    assert site.hydrozones["precipitation_rate"].tolist() == pytest.approx(
        [38, np.nan, 12], nan_ok=True
    )
    assert site.hydrozones["new_sod"].dtype == bool
    assert site.buildings["height"].tolist() == [6.5]
    assert site.longitude == pytest.approx(LON, abs=1e-6)
    assert site.latitude == pytest.approx(LAT, abs=1e-6)
    assert site.boundary.area == pytest.approx(10_000, rel=1e-4)
    assert set(site.sources) == {
        str(tmp_path / "property.toml"), str(tmp_path / "property.gpkg"),
    }  # fmt: skip
    for absent in (site.paving, site.fixtures, site.cans):
        assert len(absent) == 0
        assert absent.crs == site.crs
    assert list(site.cans.columns) == [
            "depth", "volume", "mouth_diameter", "minutes", "feature", "geometry",
        ]  # fmt: skip
    assert list(site.fixtures.columns) == [
        "kind", "valve", "name", "wetted_radius", "nozzle_flow", "feature", "geometry",
    ]  # fmt: skip


GEOD = pyproj.Geod(ellps="WGS84")


@pytest.mark.cross_check(
    "pyproj Geod, after Karney (2013), Algorithms for geodesics, J. Geodesy 87: polygon areas"
)
@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:4269", "EPSG:3857", "EPSG:2236", "EPSG:32617"])
def test_areas_are_ground_areas_in_any_crs(tmp_path, crs):
    site = site_of(make(tmp_path, crs=crs))
    drawn = gpd.GeoSeries(ZONES["geometry"], crs=PLANE).to_crs(4326)
    for zone, shape in zip(ZONES["zone"], drawn, strict=True):
        geodesic = abs(GEOD.geometry_area_perimeter(shape)[0])
        read = site.hydrozones.geometry[zone].area
        assert read == pytest.approx(geodesic, rel=1e-4)
    assert site.source_crs == pyproj.CRS.from_user_input(crs)
    assert site.crs.axis_info[0].unit_name == "metre"
    # No datum shift: the working CRS stands on the source's own datum.
    source, working = site.source_crs.geodetic_crs, site.crs.geodetic_crs
    assert working.datum.name == source.datum.name.removesuffix(" ensemble") or (
        working.datum == source.datum
    )
    move = pyproj.Transformer.from_crs(source, site.crs, always_xy=True)
    back = pyproj.Transformer.from_crs(site.crs, working, always_xy=True)
    assert back.transform(*move.transform(LON, LAT)) == pytest.approx((LON, LAT), abs=1e-10)


def test_layers_in_different_crs_are_brought_together(tmp_path):
    path = make(tmp_path, crs="EPSG:2236", trees=None)
    write_layer(tmp_path / "property.gpkg", "trees", SPECIES, "EPSG:3857")
    site = site_of(path)
    tree = site.trees.geometry[0]
    assert (tree.x, tree.y) == pytest.approx((-45, 45), abs=2.0)
    assert any("positions may disagree by a metre" in text for text in site.warnings)


def test_the_order_in_the_file_changes_nothing(tmp_path):
    heads = {
        "geometry": [Point(x, y) for x in (-30, 0, 30) for y in (-20, 20)],
        "kind": ["head"] * 6,
    }
    turned = {name: values[::-1] for name, values in heads.items()}
    folders = [tmp_path / name for name in "ab"]
    for folder in folders:
        folder.mkdir()
    one = site_of(make(folders[0], fixtures=heads))
    other = zones(**{name: values[::-1] for name, values in ZONES.items()})
    two = site_of(make(folders[1], fixtures=turned, hydrozones=other))
    assert one.hydrozones.equals(two.hydrozones)
    assert one.fixtures.drop(columns="feature").equals(two.fixtures.drop(columns="feature"))
    assert one.fixtures.geometry[0].y > 0 > one.fixtures.geometry[0].x  # north-west first


def test_any_vector_file_and_mapped_columns(tmp_path):
    data = zones(zone=None, plants=None, soil=None, valve=None, precipitation_rate=None)
    data |= {"NO": [1.0, 2.0, 3.0], "Pflanzen": ["shrubs"] * 3, "RATE": [1.5, 1.5, 1.5]}
    frame = gpd.GeoDataFrame(data, crs=PLANE)
    frame.to_crs(4326).to_file(tmp_path / "beds.geojson", driver="GeoJSON")
    frame.to_crs(2236).to_file(tmp_path / "beds.shp")
    gpd.GeoDataFrame(BOUNDARY["boundary"], crs=PLANE).to_crs(4326).to_file(tmp_path / "lot.shp")
    for beds in ("beds.geojson", "beds.shp"):
        zone_map = '{ zone = "no", plants = "Pflanzen" }'
        layers = (
            f'{{ boundary = "lot.shp", hydrozones = {{ file = "{beds}", columns = {zone_map} }} }}'
        )
        site = site_of(make(tmp_path, layers=layers))
        assert list(site.hydrozones.index) == ["1", "2", "3"]
        assert any("no buildings layer" in text for text in site.warnings)
        assert str(tmp_path / "lot.dbf") in site.sources


def test_shapefile_names_cut_to_ten_letters(tmp_path):
    frame = gpd.GeoDataFrame(ZONES, crs=PLANE).to_crs(4326)
    frame = frame.rename(columns={"precipitation_rate": "precipitat"})
    frame.to_file(tmp_path / "beds.shp")
    layers = '{ file = "property.gpkg", hydrozones = "beds.shp" }'
    site = site_of(make(tmp_path, layers=layers))
    assert site.hydrozones.loc["1", "precipitation_rate"] == 38
    assert any("cut names" in text for text in site.warnings)


# ---------------------------------------------------------------- vocabulary and values


def test_every_word_of_the_vocabulary_is_accepted(tmp_path):
    count = max(len(PLANTS), len(SOILS), len(IRRIGATION))
    rows = range(count)
    data = {
        "zone": [str(row) for row in rows],
        "plants": [PLANTS[row % len(PLANTS)].replace("_", " ").upper() for row in rows],
        "soil": [SOILS[row % len(SOILS)].replace(" ", "_") for row in rows],
        "irrigation": [IRRIGATION[row % len(IRRIGATION)].replace("_", "-") for row in rows],
        "geometry": [box(-40 + 4 * row, 0, -37 + 4 * row, 20) for row in rows],
    }
    heads = {"kind": list(FIXTURES), "geometry": [Point(row, -5) for row in range(len(FIXTURES))]}
    site = site_of(make(tmp_path, hydrozones=data, fixtures=heads))
    assert set(site.hydrozones["plants"]) == set(PLANTS)
    assert set(site.hydrozones["soil"]) == set(SOILS)
    assert set(site.hydrozones["irrigation"]) == set(IRRIGATION)
    assert set(site.fixtures["kind"]) == set(FIXTURES)


@pytest.mark.parametrize(
    ("changes", "parts"),
    [
        ({"plants": ["schrubs", "shrubs", "schrubs"]}, ["schrubs", 'Write "shrubs"', "1, 3"]),
        ({"plants": ["shrubs", None, "trees"]}, ["no value", "feature 2", "column plants"]),
        ({"soil": ["lome", None, None]}, ["lome", 'Write "loam"']),
        ({"irrigation": ["sprey", "drip", None]}, ["sprey", 'Write "spray"']),
        ({"distribution_uniformity": [65, 0.7, None]}, ["found 65", "65 % is 0.65"]),
        ({"precipitation_rate": [-3, 0, 999.0]}, ["features 1, 2, 3", "mm/h"]),
        ({"root_depth": [12.0, 6, 6]}, ["12, 6, 6 m", "units_in"]),
        ({"plant_factor": [1.6, 1, 1]}, ["1.6", "0 to 1.5"]),
        ({"new_sod": ["maybe", "yes", "0"]}, ["maybe", "yes or no"]),
        ({"sand": [40.0, 40, 40], "clay": [70.0, 20, 20]}, ["above 100 %", "feature 1"]),
        ({"sand": [40.0, 40, 40]}, ["one of sand and clay"]),
        ({"sand": [0.4, 40, 40], "clay": [0.2, 20, 20]}, ["fractions", "Multiply"]),
        ({"zone": ["1", None, "3"]}, ["no zone id", "feature 2"]),
        ({"zone": ["1", " 1", "3"]}, ['zone "1" on 2 features', "features 1, 2"]),
        ({"valve": ["A", "A", "B"]}, ['valve "A"', "zones 1, 2", "own valve"]),
        ({"valve": ["A", "B", "1"], "zone": ["1", "2", "2"]}, ['zone "2"']),
        ({"plants": None, "plantes": ["shrubs"] * 3}, ["plantes", "Rename the column"]),
        ({"plants": None}, ["no such column", "column plants"]),
        ({"root_dephts": [0.3] * 3}, ["root_dephts", "root_depth", 'root_depth = ""']),
        ({"slope": ["5", "6 %", "7"]}, ['"6 %"', "text_numbers = true"]),
        ({"Valve": ["a", "b", "c"]}, ["valve and Valve", "one column"]),
        ({"root_depth": [0.3] * 3, "root_depth_in": [12.0] * 3}, ["root_depth and root_depth_in"]),
    ],
)  # fmt: skip
def test_a_fault_in_the_zones(tmp_path, changes, parts):
    if "Valve" in changes:  # SQLite columns ignore case; GeoJSON keys do not
        data = gpd.GeoDataFrame(zones(**changes), crs=PLANE).to_crs(4326)
        data.to_file(tmp_path / "z.geojson", driver="GeoJSON")
        layers = '{ file = "property.gpkg", hydrozones = "z.geojson" }'
        one_fault(make(tmp_path, layers=layers), *parts)
        return
    path = make(tmp_path, hydrozones=zones(**changes))
    found = [f.replace("feature 1, 2", "features 1, 2") for f in faults_of(path)]
    assert len(found) == 1, found
    assert all(part in found[0] for part in parts), found[0]


def test_a_near_miss_can_be_declared_absent(tmp_path):
    layers = '{ file = "property.gpkg", hydrozones = { columns = { valve = "" } } }'
    changed = zones(valve=None, valves=["x", "y", "z"])
    site = site_of(make(tmp_path, hydrozones=changed, layers=layers))
    assert list(site.hydrozones["valve"]) == ["1", "2", "10"]


def test_units_in_headers_and_in_the_property_file(tmp_path):
    data = zones(
        precipitation_rate=None,
        precipitation_rate_in_h=[1.5, 1.0, 0.5],
        root_depth=[12.0, 6, 6],
        new_sod=["yes", "0", None],
    )
    trees = {**SPECIES, "height": None, "height_ft": [30.0, 20], "Trunk_Diameter": [10.0, 12]}
    trees = {name: values for name, values in trees.items() if values}
    units = 'units_in = { hydrozones = "in", buildings = "ft", trees = { trunk_diameter = "in" } }'
    site = site_of(make(tmp_path, hydrozones=data, trees=trees, toml=units))
    assert site.hydrozones["precipitation_rate"].tolist() == pytest.approx([38.1, 25.4, 12.7])
    assert site.hydrozones["root_depth"].tolist() == pytest.approx([0.3048, 0.1524, 0.1524])
    assert site.hydrozones["new_sod"].tolist() == [True, False, False]
    assert site.buildings["height"].tolist() == pytest.approx([6.5 * 0.3048])
    assert site.trees["height"].tolist() == pytest.approx([9.144, 6.096])
    assert site.trees["trunk_diameter"].tolist() == pytest.approx([0.254, 0.3048])


TEXTS = {
    "geometry": [box(10 * i, 42, 10 * i + 4, 46) for i in range(-2, 3)],
    "height": ["12.13 m", "30 ft", "6,5", "7", None],
    "levels": [None, "2", None, None, "3"],
}


def test_heights_as_text_are_refused(tmp_path):
    found = faults_of(make(tmp_path, buildings=TEXTS))
    assert len(found) == 2  # height and levels
    assert all(f'"{text}"' in found[0] for text in ("12.13 m", "30 ft", "6,5", "7"))
    assert "feature 1, 2, 3, 4" in found[0]
    assert "text_numbers = true" in found[0]


def test_heights_as_text_are_taken_when_allowed(tmp_path):
    layers = '{ file = "property.gpkg", buildings = { text_numbers = true } }'
    site = site_of(make(tmp_path, buildings=TEXTS, layers=layers))
    read = site.buildings.set_index("feature")["height"]
    assert read[["1", "2", "3", "4", "5"]].tolist() == pytest.approx([12.13, 9.144, 6.5, 7, 9])
    assert any("4 values of height were written as text" in w for w in site.warnings)
    assert any("1 heights were taken from levels, 3 m each" in w for w in site.warnings)


def test_a_bad_text_is_refused_even_when_allowed(tmp_path):
    layers = '{ file = "property.gpkg", buildings = { text_numbers = true } }'
    data = {**TEXTS, "height": ["tall", "1,200", "7 floors", "6 m", "5"], "levels": [None] * 5}
    one_fault(
        make(tmp_path, buildings=data, layers=layers),
        "tall", "1,200", "7 floors", "feature 1, 2, 3", "column height",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("12.13 m", 12.13), ("30 ft", 9.144), ("6,5", 6.5), ("30'", 9.144), ("5'6\"", 1.6764),
        ("12 metres", 12.0), ("650 cm", 6.5), (" 7 ", 7.0), ("1,200", np.nan), ("x", np.nan),
        ("3;4", np.nan), ("12 yards", np.nan), ("", np.nan), ("1e3", np.nan),
    ],
)  # fmt: skip
def test_numbers_as_text(text, metres):
    assert parse_number(text, length=True) == pytest.approx(metres, nan_ok=True)


def test_buildings_of_unknown_height(tmp_path):
    data = {
        "geometry": [box(10 * i, 42, 10 * i + 4, 46) for i in range(3)],
        "height": [None, 4.0, None],
    }
    one_fault(make(tmp_path, buildings=data), "no value", "feature 1, 3", "default_height")
    layers = '{ file = "property.gpkg", buildings = { default_height = 6.0 } }'
    site = site_of(make(tmp_path, buildings=data, layers=layers))
    assert sorted(site.buildings["height"]) == [4, 6, 6]
    assert any("2 buildings of unknown height" in text for text in site.warnings)


def test_unknown_sizes_of_trees_are_filled_by_rule(tmp_path):
    rows = pd.DataFrame(
        [
            (6.0, 4.0, 0.3, 0.1), (10.0, None, None, None), (None, 3.0, None, None),
            (None, None, 0.25, None), (None, None, None, None),
        ],
        columns=["height", "crown_diameter", "trunk_diameter", "transmissivity"],
    )  # fmt: skip
    data = {"geometry": [Point(10 * i, 45) for i in range(5)], **rows.to_dict("list")}
    data["geometry"][4] = Point(40, 45).buffer(2.5, quad_segs=64)
    site = site_of(make(tmp_path, trees=data))
    trees = site.trees.set_index("feature")
    assert trees.loc["1", ["height", "crown_diameter", "trunk_diameter", "transmissivity"]].tolist() == [6, 4, 0.3, 0.1]  # fmt: skip  # noqa: E501
    assert trees.loc["2", "crown_diameter"] == pytest.approx(6.0)
    assert trees.loc["3", "height"] == pytest.approx(5.0)
    assert trees.loc["4", "crown_diameter"] == pytest.approx(6.0)
    assert trees.loc["4", "height"] == pytest.approx(10.0)
    assert trees.loc["5", "crown_diameter"] == pytest.approx(5.0, rel=1e-3)
    assert trees.loc["5", "height"] == pytest.approx(5.0 / 0.6, rel=1e-3)
    assert trees.loc["5", "geometry"].distance(trees.loc["5", "crown"].centroid) < 1e-6
    assert trees.loc["1", "crown"] is None
    assert trees.loc["2", "transmissivity"] == TREE_TRANSMISSIVITY
    assert not trees[["height", "crown_diameter", "trunk_diameter"]].isna().any(axis=None)
    assert any("transmissivity of 4 trees was unknown" in text for text in site.warnings)


def test_a_trunk_above_a_quarter_of_its_crown_is_doubted(tmp_path):
    """Ten feet across is ten inches, read wrongly: under a crown of 10 m that is no fault yet."""
    data = {
        "geometry": [Point(45, 45), Point(45, 20)],
        "crown_diameter": [10.0, 10.0],
        "trunk_diameter": [3.048, 2.4],
    }
    told = " ".join(site_of(make(tmp_path, trees=data)).warnings)
    assert "the trunk of 1 is thicker than a quarter of its crown; if trunks are in inches" in told


def test_nothing_known_of_a_tree(tmp_path):
    site = site_of(make(tmp_path, trees={"geometry": [Point(45, 45)]}))
    assert site.trees["height"].tolist() == [TREE_HEIGHT_M]
    assert site.trees["crown_diameter"].tolist() == pytest.approx([3.6])
    assert site.trees["trunk_diameter"].tolist() == pytest.approx([0.15])


def test_fixtures_and_cans(tmp_path):
    good = {"geometry": [Point(0, 5), Point(1, 5)], "kind": ["Valve Box", "controller"],
            "name": [None, "C1"]}  # fmt: skip
    cans = {"geometry": [Point(0, -5), Point(2, -5)], "depth_in": [0.5, None]}
    site = site_of(make(tmp_path, fixtures=good, cans=cans))
    assert set(site.fixtures["kind"]) == {"valve_box", "controller"}
    assert site.cans["depth"].tolist() == pytest.approx([12.7, np.nan], nan_ok=True)
    assert site.cans["volume"].isna().all()


def test_faults_of_fixtures_and_cans(tmp_path):
    fixtures = {"geometry": [Point(0, 5), Point(2, 5)], "kind": ["sprinkler_hed", "controller"],
                "name": [None, "North"]}  # fmt: skip
    path = make(
        tmp_path,
        hydrozones=zones(controller=["Nord", "North", None]),
        fixtures=fixtures,
        cans={"geometry": [Point(0, -5)], "note": ["x"]},
    )
    found = "\n".join(faults_of(path))
    assert "sprinkler_hed" in found
    assert "head" in found
    assert 'Did you mean "North"?' in found
    assert "depth [mm] or volume [mL]" in found


# ---------------------------------------------------------------- the timer


@pytest.mark.parametrize(
    ("minutes", "parts"),
    [
        ("{ A = 20, B = 30 }", ['nothing for valve "10" of zone 10']),
        ('{ A = 20, B = 30, "10" = 5, "11" = 5 }', ['valve "11", which no zone has']),
        ('{ A = 20, B = 30, "10" = 0 }', None),
    ],
)
def test_the_timer_knows_the_valves(tmp_path, minutes, parts):
    path = make(tmp_path, toml=f"[timer]\nevery_n_days = 2\nminutes = {minutes}")
    if parts is None:
        assert site_of(path).hydrozones["valve"].tolist() == ["A", "B", "10"]
    else:
        one_fault(path, *parts)


# ---------------------------------------------------------------- shapes


def test_broken_outlines_are_repaired(tmp_path):
    bow = Polygon([(-40, -40), (0, 0), (0, -40), (-40, 0)])
    shapes = [bow, *ZONES["geometry"][1:]]
    site = site_of(make(tmp_path, hydrozones=zones(geometry=shapes)))
    assert site.hydrozones.geometry["1"].is_valid
    assert site.hydrozones.geometry["1"].area == pytest.approx(800, rel=1e-3)
    assert any("outline of feature 1 was repaired" in text for text in site.warnings)


@pytest.mark.parametrize(
    ("shape", "parts"),
    [
        (None, ["no geometry", "feature 2", "Draw the shape"]),
        (Polygon(), ["no geometry"]),
        (shapely.LineString([(5, -40), (40, 0)]), ["LineString", "polygons"]),
        (Polygon([(5, -40), (40, -40), (5, -40)]), ["outline without area"]),
        (box(-10, -40, 40, 0), ["zones 1 and 2 overlapping by 400.0 m²"]),
        (box(-30, -30, -20, -20), ["zones 1 and 2 overlapping by 100.0 m²"]),
        (box(40, -40, 90, 0), ["zone 2 with 80% of its area outside"]),
        (box(43, -39, 47, -1), ["zone 2 under a building"]),
    ],
)
def test_a_fault_in_the_shapes(tmp_path, shape, parts):
    shapes = [ZONES["geometry"][0], shape, ZONES["geometry"][2]]
    path = make(tmp_path, crs=PLANE, hydrozones=zones(geometry=shapes))
    one_fault(path, *parts)


def test_slips_of_the_hand_are_noted_only(tmp_path):
    shapes = [box(-40, -40, 0.01, 0), box(0, -40, 52, 0), ZONES["geometry"][2]]
    site = site_of(make(tmp_path, hydrozones=zones(geometry=shapes)))
    text = "\n".join(site.warnings)
    assert "Zone 2 sticks out of the boundary by 80.0 m²" in text
    # The building is 6 m by 40 m and lies wholly in zone 2.
    assert "Zone 2: 240.0 m² under a building were cut out" in text
    assert site.hydrozones.geometry["2"].area == pytest.approx(52 * 40 - 240, abs=0.5)


def test_parts_holes_and_heights_in_coordinates(tmp_path):
    ring = box(5, -40, 40, 0).difference(box(10, -30, 20, -20))
    parts = shapely.MultiPolygon([box(-40, -40, -30, 0), box(-20, -40, 0, 0)])
    raised = shapely.force_3d(ring, 12.0)
    shapes = [parts, raised, ZONES["geometry"][2]]
    site = site_of(make(tmp_path, hydrozones=zones(geometry=shapes)))
    assert site.hydrozones.geometry["1"].area == pytest.approx(1200, rel=1e-4)
    assert site.hydrozones.geometry["2"].area == pytest.approx(1300, rel=1e-4)
    assert not site.hydrozones.geometry.has_z.any()


def test_copies_are_dropped(tmp_path):
    data = {name: [*values, values[0]] for name, values in ZONES.items()}
    house = {"geometry": [box(42, -40, 48, 0)] * 3, "height": [6.5, 6.5, 8.0]}
    site = site_of(make(tmp_path, hydrozones=data, buildings=house))
    assert list(site.hydrozones.index) == ["1", "2", "10"]
    assert sorted(site.buildings["height"]) == [6.5, 8.0]
    assert sum("drawn twice" in text for text in site.warnings) == 2


def test_multipoints_are_split_and_far_features_left_out(tmp_path):
    points = [MultiPoint([(0, 5), (2, 5)]), MultiPoint([(4, 5)]), MultiPoint([(900, 0)])]
    site = site_of(make(tmp_path, fixtures={"geometry": points, "kind": ["head"] * 3}))
    assert len(site.fixtures) == 3
    assert any("hold several points" in text for text in site.warnings)
    assert any("1 features more than 500 m" in text for text in site.warnings)


def test_several_parcels_are_joined(tmp_path):
    lots = {"geometry": [box(-50, -50, 0, 50), box(0, -50, 50, 50)]}
    site = site_of(make(tmp_path, boundary=lots))
    assert site.boundary.area == pytest.approx(10_000, rel=1e-4)
    assert any("2 polygons were joined" in text for text in site.warnings)


# ---------------------------------------------------------------- layers and CRS


def test_missing_layers(tmp_path):
    path = make(tmp_path, hydrozones=None, zones=ZONES)
    one_fault(path, 'no layer "hydrozones"', '"zones"', "layer hydrozones")
    layers = (
        '{ file = "property.gpkg", hydrozones = "property.gpkg:zones", '
        'trees = "property.gpkg:tree" }'
    )
    one_fault(make(tmp_path, layers=layers, hydrozones=None), 'no layer "tree"', 'mean "trees"?')


def test_a_misspelt_optional_layer_is_noted(tmp_path):
    site = site_of(make(tmp_path, buildings=None, building={"geometry": [box(0, 1, 2, 3)]}))
    assert any('"building" was not read' in text for text in site.warnings)
    assert any("no buildings layer" in text for text in site.warnings)


@pytest.mark.parametrize("layer", ["boundary", "hydrozones", "trees"])
def test_no_crs_is_never_guessed(tmp_path, layer):
    data = {**BOUNDARY, "hydrozones": ZONES, "trees": SPECIES}[layer]
    frame = gpd.GeoDataFrame(data, crs=None)
    frame.to_file(tmp_path / "bare.shp")
    layers = f'{{ file = "property.gpkg", {layer} = "bare.shp" }}'
    found = faults_of(make(tmp_path, layers=layers))
    assert len(found) == 1, found
    assert "no coordinate reference system" in found[0]


@pytest.mark.parametrize(
    ("layer", "wrong", "parts"),
    [
        ("trees", "EPSG:2237", ["km from the property"]),
        ("hydrozones", "EPSG:32616", ["km from the property"]),
        ("trees", "EPSG:4326", ["do not exist"]),
        ("boundary", "EPSG:4326", ["do not exist"]),
    ],
)
def test_a_wrong_crs_is_refused(tmp_path, layer, wrong, parts):
    data = {**BOUNDARY, "hydrozones": ZONES, "trees": SPECIES}[layer]
    right = {"EPSG:2237": "EPSG:2236", "EPSG:32616": "EPSG:32617", "EPSG:4326": "EPSG:2236"}[wrong]
    frame = gpd.GeoDataFrame(data, crs=PLANE).to_crs(right).set_crs(wrong, allow_override=True)
    frame.to_file(tmp_path / "wrong.gpkg")
    layers = f'{{ file = "property.gpkg", {layer} = "wrong.gpkg" }}'
    one_fault(make(tmp_path, layers=layers), *parts)


def test_swapped_axes_are_refused(tmp_path):
    frame = gpd.GeoDataFrame(SPECIES, crs=PLANE).to_crs(4326)
    swapped = frame.set_geometry(frame.geometry.map(lambda p: Point(p.y, p.x)))
    swapped.set_crs(4326, allow_override=True).to_file(tmp_path / "swapped.gpkg")
    layers = '{ file = "property.gpkg", trees = "swapped.gpkg" }'
    one_fault(make(tmp_path, layers=layers), "layer trees", "x and y are swapped")


def test_unreadable_and_shapeless_files(tmp_path):
    (tmp_path / "not.gpkg").write_text("hello")
    (tmp_path / "table.csv").write_text("zone,plants\n1,shrubs\n")
    layers = '{ file = "property.gpkg", trees = "not.gpkg", paving = "table.csv" }'
    found = "\n".join(faults_of(make(tmp_path, layers=layers)))
    assert "cannot be read" in found
    assert "without geometry" in found


def test_all_faults_of_all_layers_at_once(tmp_path):
    path = make(
        tmp_path,
        toml="[timer]\nevery_n_days = 2\nminutes = { A = 20, B = 30 }\n[analysis]\nresolution = 9",
        hydrozones=zones(
            plants=["shrub", "turf", "trees"],
            distribution_uniformity=[70.0, 0.7, 0.7],
            geometry=[box(-40, -40, 10, 0), *ZONES["geometry"][1:]],
        ),
        buildings={"geometry": [box(42, -40, 48, 0)], "height": ["12.13 m"]},
        trees={"geometry": [Point(0, 45)], "heigth": [5.0]},
        fixtures={"geometry": [Point(0, 0)], "kind": ["hed"]},
    )
    with pytest.raises(InputError) as caught:
        open_property(path)
    text = str(caught.value)
    for part in (
        "resolution", "shrub", '"turf"', "65 % is 0.65", "12.13 m", "heigth", '"hed"',
        "overlapping by 200.0 m²", 'nothing for valve "10"',
    ):  # fmt: skip
        assert part in text, part
    assert len(caught.value.faults) == 9
    assert text.startswith("9 faults in the input:")


def test_open_property_gives_both(tmp_path):
    given_settings, site = open_property(make(tmp_path))
    assert given_settings.name == site.name == "t"


def test_a_folder_named_by_a_way_up_and_down_holds_its_own_files(tmp_path, monkeypatch):
    (tmp_path / "ground").mkdir()
    make(tmp_path / "ground")
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    site = site_of(Path("../ground/property.toml"))
    assert not [text for text in site.warnings if "outside" in text]


# ---------------------------------------------------------------- rasters


def write_raster(path: Path, crs, cell: float, *, nodata=-9999.0, reach=300.0, scale=1.0) -> None:
    """Write a tilted plane, 10 + x/100 + y/50 metres, as seen from the test property."""
    corners = gpd.GeoSeries([box(-reach, -reach, reach, reach)], crs=PLANE).to_crs(crs or 32617)
    west, south, east, north = corners.total_bounds
    columns, rows = int((east - west) / cell), int((north - south) / cell)
    x = west + (np.arange(columns) + 0.5) * cell
    y = north - (np.arange(rows) + 0.5) * cell
    to_plane = pyproj.Transformer.from_crs(crs or 32617, PLANE, always_xy=True)
    px, py = to_plane.transform(*np.meshgrid(x, y))
    heights = (10 + px / 100 + py / 50) / scale
    if nodata is not None:
        heights[np.hypot(px - 20, py - 20) < 5] = nodata
    options = {"driver": "GTiff", "height": rows, "width": columns, "count": 1, "dtype": "float64"}
    with rasterio.open(
        path, "w", crs=crs, transform=from_origin(west, north, cell, cell), nodata=nodata, **options
    ) as raster:
        raster.write(heights, 1)


@pytest.mark.parametrize(
    ("crs", "cell", "unit"),
    [("EPSG:32617", 1.0, "m"), ("EPSG:2236", 3.0, "ft"), ("EPSG:4326", 1e-5, "m")],
)
def test_heights_in_any_crs_and_unit(tmp_path, crs, cell, unit):
    scale = 0.3048 if unit == "ft" else 1.0
    write_raster(tmp_path / "dsm.tif", crs, cell, scale=scale)
    toml = f'units_in = {{ surface = "{unit}" }}'
    layers = '{ file = "property.gpkg", surface = "dsm.tif" }'
    site = site_of(make(tmp_path, layers=layers, toml=toml))
    raster = site.surface
    assert raster is not None
    rows, columns = raster.heights.shape
    x = raster.west + (np.arange(columns) + 0.5) * raster.cell_x
    y = raster.north - (np.arange(rows) + 0.5) * raster.cell_y
    expected = 10 + x[None, :] / 100 + y[:, None] / 50
    known = np.isfinite(raster.heights)
    assert np.abs(raster.heights - expected)[known].max() < 0.02
    hole = np.hypot(x[None, :] - 20, y[:, None] - 20)
    assert not known[hole < 3].any()
    assert known[(hole > 8)].all()
    # The property and 200 m around it.
    assert raster.west == pytest.approx(-250, abs=0.01)
    assert columns * raster.cell_x == pytest.approx(500, abs=2 * raster.cell_x)
    assert site.terrain is None


@pytest.mark.parametrize(
    ("options", "parts"),
    [
        ({"crs": None, "cell": 1.0}, ["no coordinate reference system", "layer terrain"]),
        ({"crs": "EPSG:32617", "cell": 1.0, "scale": 1e-3}, ["no-data value"]),
    ],
)
def test_a_raster_is_refused(tmp_path, options, parts):
    write_raster(tmp_path / "dtm.tif", **options)
    layers = '{ file = "property.gpkg", terrain = "dtm.tif" }'
    one_fault(make(tmp_path, layers=layers), *parts)


def test_a_raster_elsewhere_or_broken_is_refused(tmp_path):
    write_raster(tmp_path / "dtm.tif", "EPSG:32617", 1.0, reach=50)
    with rasterio.open(tmp_path / "dtm.tif", "r+") as raster:
        raster.transform = from_origin(300_000, 100_000, 1, 1)
    (tmp_path / "dsm.tif").write_text("hello")
    layers = '{ file = "property.gpkg", terrain = "dtm.tif", surface = "dsm.tif" }'
    found = "\n".join(faults_of(make(tmp_path, layers=layers)))
    assert "no heights on the property" in found
    assert "cannot be read" in found


def test_a_raster_that_covers_a_part_is_noted(tmp_path):
    write_raster(tmp_path / "dtm.tif", "EPSG:32617", 1.0, reach=40, nodata=None)
    layers = '{ file = "property.gpkg", terrain = "dtm.tif" }'
    site = site_of(make(tmp_path, layers=layers))
    assert any("of the property has no height" in text for text in site.warnings)


# ---------------------------------------------------------------- small things


@given(st.lists(st.integers(0, 10_000), unique=True, max_size=20))
@tries(30)
def test_natural_order_is_numeric_order(numbers):
    assert sorted(map(str, numbers), key=natural_key) == [str(n) for n in sorted(numbers)]


def test_a_layer_added_to_a_file_is_seen_at_the_next_reading(tmp_path):
    from siting.site.vector import _listed, _state

    path = tmp_path / "a.gpkg"
    frame = gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)], crs=32633)
    for names in (["trees"], ["trees", "walls"]):
        frame.to_file(path, layer=names[-1])
        assert _listed(path, _state(path)) == ([], names)


def test_a_layer_that_is_absent_has_the_frame_of_an_empty_one(tmp_path):
    site = site_of(make(tmp_path))
    for name in ("soils", "walls", "cans", "paths"):
        layer = empty_layer(name)
        layer = replace(layer, frame=layer.frame.set_crs(site.crs))
        made = reading._BUILDERS[name](layer, Findings())
        assert_geodataframe_equal(getattr(site, name), made)


def test_the_layers_of_a_file_are_listed_once_until_it_changes(tmp_path, monkeypatch):
    path, asked = tmp_path / "two.gpkg", []
    honest = pyogrio.list_layers
    monkeypatch.setattr(pyogrio, "list_layers", lambda *a: asked.append(a) or honest(*a))
    for name in ("lots", "trees"):
        write_layer(path, name, {"geometry": [Point(0, 0)]})
    part = LayerPart(LayerSource(path, layer="Walls"), "walls")
    for _ in range(3):
        with pytest.raises(InputError, match="Walls"):
            part.crs()
    assert len(asked) == 1
    write_layer(path, "walls", {"geometry": [Point(0, 0)]}, "EPSG:3067")
    assert "3067" in part.crs()
    assert len(asked) == 2


@pytest.mark.parametrize("epsg", [4326, 32613, 2232, 26713, 3857, 4267])
def test_steps_kept_from_another_property_are_pyprojs(epsg):
    """UTM, feet, old datums and degrees in Colorado: there, back and to degrees.

    To the bit on one datum, to the last digit from one to another.
    """
    centres = [(-105.21, 39.71), (-104.87, 39.05)]
    for longitude, latitude in centres:
        lot = box(longitude, latitude, longitude + 0.0004, latitude + 0.0003)
        frame = gpd.GeoDataFrame(geometry=[lot], crs=4326).to_crs(epsg)
        working = working_crs(frame)
        x, y = shapely.get_coordinates(frame.geometry.to_numpy()).T
        for source, target in (
            (working.source_crs, working.crs),
            (working.crs, working.source_crs),
            (working.crs, pyproj.CRS.from_epsg(4326)),
        ):
            expected = pyproj.Transformer.from_crs(source, target, always_xy=True).transform(x, y)
            found = transformer(source, target).transform(x, y)
            one_datum = source.geodetic_crs == target.geodetic_crs
            assert np.allclose(found, expected, rtol=0.0 if one_datum else 1e-15, atol=0.0)
            if target == working.crs:
                x, y = found
                assert max(np.abs(x).max(), np.abs(y).max()) < 100


def test_shapes_are_moved_as_geopandas_moves_them():
    source, target = pyproj.CRS.from_epsg(32613), pyproj.CRS.from_epsg(4326)
    flat, high = [box(4.8e5, 4.3e6, 4.9e5, 4.4e6), None, Point(5e5, 4.4e6)], [Point(5e5, 4e6, 7)]
    for shapes in (flat, high):
        frame = gpd.GeoDataFrame({"row": range(len(shapes))}, geometry=shapes, crs=source)
        expected = frame.to_crs(target)
        assert_geodataframe_equal(in_crs(frame, target), expected)
        there = moved(frame.geometry.to_numpy(), source, target)
        assert shapely.to_wkb(there).tolist() == expected.to_wkb()["geometry"].tolist()
