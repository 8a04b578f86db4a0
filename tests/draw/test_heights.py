"""A lidar survey: a scene of known roofs and crowns, gridded as a survey is."""

import tracemalloc

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from rasterio.transform import from_origin
from shapely.geometry import Point, box

from siting.cli.main import main
from siting.draw.heights import Pair, fill_heights, pair_of
from siting.errors import InputError
from siting.site.property import read_property
from siting.site.reading import read_site
from tests.draw.test_drawing import drawing, saved

EAST, NORTH, UTM = 476_900.0, 4_430_000.0, "EPSG:32613"
GROUND = 1600.0
HOUSE, SHED = (
    box(EAST + 20, NORTH + 4, EAST + 32, NORTH + 14),
    box(EAST, NORTH, EAST + 4, NORTH + 4),
)
TREES = [Point(EAST + 8, NORTH + 22), Point(EAST + 14, NORTH + 22)]


def scene(cell=0.5, across=120):
    """Return terrain and surface: a gabled house of 4 to 7 m, two crowns that touch, slope of 5 %.

    The crowns are half ellipsoids over their widest: 8 and 5 m high, 6 m wide.
    """
    x = EAST - 10 + (np.arange(across) + 0.5) * cell
    y = NORTH + 50 - (np.arange(across) + 0.5) * cell
    x, y = np.meshgrid(x, y)
    terrain = GROUND + 0.05 * (y - NORTH)
    above = np.zeros_like(x)
    west, south, east, north = HOUSE.bounds
    roof = (x > west) & (x < east) & (y > south) & (y < north)
    above[roof] = (7.0 - 3.0 * np.abs(y - (south + north) / 2) / 5.0)[roof]
    for trunk, high in zip(TREES, (8.0, 5.0), strict=True):
        away = np.hypot(x - trunk.x, y - trunk.y) / 3.0
        crown = 0.6 * high + 0.4 * high * np.sqrt(np.clip(1 - away**2, 0, None))
        above = np.where(away <= 1, np.maximum(above, crown), above)
    return terrain, terrain + above


def write(path, heights, *, crs=UTM, cell=0.5, unit=None, west=EAST - 10, north=NORTH + 50):
    with rasterio.open(path, "w", driver="GTiff", width=heights.shape[1], height=heights.shape[0],
                       count=1, dtype="float32", crs=crs,
                       transform=from_origin(west, north, cell, cell)) as to:  # fmt: skip
        to.write(heights.astype("float32"), 1)
        if unit:
            to.units = (unit,)
    return path


def survey(folder, *, scale=1.0, unit=None, told=None):
    terrain, surface = scene()
    return Pair(write(folder / "dsm.tif", surface * scale, unit=unit),
                write(folder / "dtm.tif", terrain * scale, unit=unit), told)  # fmt: skip


def layers(**columns):
    trees = {"evergreen": [None, True], **columns}
    return {
        "buildings": gpd.GeoDataFrame({"levels": [1.0]}, geometry=[HOUSE], crs=UTM).to_crs(4326),
        "trees": gpd.GeoDataFrame(trees, geometry=TREES, crs=UTM).to_crs(4326),
    }


@pytest.mark.closed_form("a gable from 4 to 7 m has 70 % of its plan below 6.1 m")
def test_roofs_and_crowns_that_the_drawing_lacks(tmp_path):
    found, notes = fill_heights(layers(), survey(tmp_path), "metric")
    assert found["buildings"]["height"].tolist() == pytest.approx([4 + 0.7 * 3], abs=0.15)
    assert found["trees"]["height"].tolist() == pytest.approx([8, 5], abs=0.1)
    assert found["trees"]["crown_diameter"].tolist() == pytest.approx([6, 6], rel=0.06)
    told = " ".join(notes)
    assert "dsm.tif was taken as the surface, in m, and dtm.tif as the terrain, in m" in told
    assert "Heights of buildings that had none: 1 were taken from the survey" in told
    assert "in ft" in " ".join(fill_heights(layers(), survey(tmp_path, told="ft"), "us")[1])


def test_what_the_drawing_says_is_left_alone(tmp_path):
    found, _ = fill_heights(layers(height=[9.5, None]), survey(tmp_path), "metric")
    assert found["trees"]["height"].tolist() == pytest.approx([9.5, 5], abs=0.1)
    assert found["trees"]["crown_diameter"].tolist() == pytest.approx([6, 6], rel=0.06)
    whole = layers(height=[9.0, 4.0], crown_diameter=[3.0, 2.0])
    del whole["buildings"]
    same, notes = fill_heights(whole, survey(tmp_path), "metric")
    assert same["trees"]["height"].tolist() == [9.0, 4.0]
    assert notes == []


def test_nothing_that_the_survey_does_not_show_is_made_up(tmp_path):
    some = layers()
    bare = gpd.GeoDataFrame({"levels": [None]}, geometry=[SHED], crs=UTM).to_crs(4326)
    some["buildings"] = bare
    some["trees"] = some["trees"].iloc[:1].set_geometry(
        gpd.GeoSeries([Point(EAST + 40, NORTH + 40)], crs=UTM).to_crs(4326).values)  # fmt: skip
    found, notes = fill_heights(some, survey(tmp_path), "metric")
    assert np.isnan(found["buildings"]["height"].iloc[0])
    assert found["trees"][["height", "crown_diameter"]].isna().all(axis=None)
    assert "The survey shows no roof on 1 buildings." in notes
    assert "The survey shows no crown at 1 trees." in notes


@pytest.mark.parametrize("unit", ["foot", "US survey foot", None])
def test_units_of_heights(tmp_path, unit):
    """By the file's own word, or as told."""
    size = 1200 / 3937 if unit and "survey" in unit else 0.3048
    told = None if unit else "ft"
    pair = survey(tmp_path, scale=1 / size, unit=unit, told=told)
    found, _ = fill_heights(layers(), pair, "metric")
    assert found["buildings"]["height"].tolist() == pytest.approx([6.1], abs=0.15)


def test_a_pair_that_is_none_is_refused_in_words(tmp_path):
    terrain, surface = scene()
    high, low = write(tmp_path / "a.tif", surface), write(tmp_path / "b.tif", terrain)
    with pytest.raises(InputError, match=r"below the terrain.*swapped"):
        fill_heights(layers(), Pair(low, high), "metric")
    feet = write(tmp_path / "feet.tif", surface / 0.3048)
    with pytest.raises(InputError, match=r"above the terrain, on the whole.*feet"):
        fill_heights(layers(), Pair(feet, low), "metric")
    away = write(tmp_path / "away.tif", surface, west=EAST + 90_000)
    with pytest.raises(InputError, match="no heights where the drawing is"):
        fill_heights(layers(), Pair(away, low), "metric")
    bare = write(tmp_path / "bare.tif", surface, crs=None)
    with pytest.raises(InputError, match=r"bare\.tif.*coordinate reference system"):
        fill_heights(layers(), Pair(bare, low), "metric")
    (tmp_path / "text.tif").write_text("no raster")
    with pytest.raises(InputError, match=r"text\.tif"):
        fill_heights(layers(), Pair(tmp_path / "text.tif", low), "metric")
    drawn_in_feet = write(tmp_path / "spcs.tif", surface, crs="EPSG:2232")
    with pytest.raises(InputError, match=r"does not say the unit of its heights.*--units-in"):
        fill_heights(layers(), Pair(drawn_in_feet, low), "metric")


def test_towers_on_small_houses_are_taken_for_feet(tmp_path):
    terrain, surface = scene()
    pair = Pair(write(tmp_path / "dsm.tif", terrain + 10 * (surface - terrain)),
                write(tmp_path / "dtm.tif", terrain))  # fmt: skip
    with pytest.raises(InputError, match=r"far taller than wide.*--units-in ft"):
        fill_heights({"buildings": layers()["buildings"]}, pair, "metric")


def test_which_is_which_by_name_or_as_told(tmp_path):
    one, two = tmp_path / "town_DSM_2020.tif", tmp_path / "bare_earth.tif"
    assert pair_of([two, one], {}, None) == Pair(one, two)
    odd = [tmp_path / "a.tif", tmp_path / "b.tif"]
    with pytest.raises(InputError, match='--layer "a=surface"'):
        pair_of(odd, {}, None)
    assert pair_of(odd, {"a": "terrain", "b": "surface"}, "ft") == Pair(odd[1], odd[0], "ft")
    with pytest.raises(InputError, match="no pair"):
        pair_of([one], {}, None)
    assert pair_of([tmp_path / "plan.dxf"], {}, None) is None


def test_memory_does_not_follow_the_rasters(tmp_path):
    """Two sparse rasters of 1.6 GB each once unpacked; a window of each is read at a time."""
    side, cell = 20_000, 0.5
    terrain, surface = scene()
    files = []
    place = from_origin(EAST - 5010, NORTH + 5050, cell, cell)
    for name, heights in (("dsm.tif", surface), ("dtm.tif", terrain)):
        with rasterio.open(tmp_path / name, "w", driver="GTiff", width=side, height=side, count=1,
                           dtype="float32", crs=UTM, tiled=True, sparse_ok=True, nodata=-9999,
                           transform=place) as to:  # fmt: skip
            to.write(heights.astype("float32"), 1,
                     window=rasterio.windows.Window(10_000, 10_000, 120, 120))  # fmt: skip
        files.append(tmp_path / name)
    tracemalloc.start()
    try:
        found, _ = fill_heights(layers(), Pair(*files), "metric")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found["buildings"]["height"].tolist() == pytest.approx([6.1], abs=0.15)
    assert peak < 30e6


def test_new_takes_heights_beside_a_drawing(tmp_path):
    """The drawn yard lies at 40° N 105° W; its house and tree are told from a survey there."""
    content = drawing()
    for feature in content["features"]:
        if feature["properties"]["layer"] == "trees":
            del feature["properties"]["crown_diameter"]
    at = gpd.GeoSeries([Point(-105, 40)], crs=4326).to_crs(UTM).iloc[0]
    x, y = np.meshgrid(at.x - 10 + 0.5 * np.arange(120), at.y + 50 - 0.5 * np.arange(120))
    above = np.where((x > at.x + 20) & (x < at.x + 29) & (y > at.y + 4) & (y < at.y + 13), 5.0, 0)
    above = np.where(np.hypot(x - at.x - 8, y - at.y - 30) < 2.5, 7.0, above)
    place = {"west": at.x - 10.25, "north": at.y + 50.25}
    rasters = [write(tmp_path / "dsm.tif", above + 50, **place),
               write(tmp_path / "dtm.tif", 0 * x + 50, **place)]  # fmt: skip
    made = CliRunner().invoke(
        main, ["new", str(tmp_path / "yard"), "--from", str(saved(tmp_path, content)),
               *map(str, rasters)])  # fmt: skip
    assert made.exit_code == 0, made.output
    assert "ft)" in made.output
    site = read_site(read_property(tmp_path / "yard"))
    assert site.buildings["height"].tolist() == pytest.approx([5.0], abs=0.05)
    assert site.trees["height"].tolist() == pytest.approx([7.0], abs=0.05)
    assert site.trees["crown_diameter"].tolist() == pytest.approx([5.0], rel=0.1)
