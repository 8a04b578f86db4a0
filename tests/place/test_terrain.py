"""Low spots, flow paths and steep ground from a terrain raster."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, box

from siting.place.placement import place_sensor
from siting.place.setbacks import (
    drainage,
    ground_hazards,
    hazards_of_zone,
    land_forms,
    setback_hazards,
    undrawn,
)
from siting.site.model import HeightRaster
from siting.site.settings import Setbacks
from tests.tries import tries

PROPERTY = box(0, 0, 60, 40)


def terrain(height, *, cell=0.5, margin=40.0):
    x = np.arange(-margin, 60 + margin, cell) + cell / 2
    y = np.arange(40 + margin, -margin, -cell) - cell / 2
    grid_x, grid_y = np.meshgrid(x, y)
    return HeightRaster(height(grid_x, grid_y), -margin, 40 + margin, cell, cell)


def forms(height, *, slope=25.0, **options):
    return land_forms(terrain(height, **options), boundary=PROPERTY, slope_percent=slope)


def test_a_plane_has_no_hollows_and_is_steep_only_above_the_limit():
    """A plane that falls 20 % to the south."""
    flat = forms(lambda _x, y: 0.2 * y)
    assert flat.low_spots.is_empty
    assert flat.steep.is_empty
    steep = forms(lambda _x, y: 0.2 * y, slope=19.0)
    assert steep.steep.area == pytest.approx(PROPERTY.area, rel=0.02)


def test_a_bank_is_steep_just_where_it_is():
    """A bank between y = 10 and 16 that rises 3 m, 50 %; level on both sides."""
    found = forms(lambda _x, y: 0.5 * np.clip(y - 10, 0, 6))
    west, south, east, north = found.steep.bounds
    assert (west, east) == pytest.approx((0, 60), abs=0.1)
    assert (south, north) == pytest.approx((10, 16), abs=0.8)


def test_a_hollow_is_found_with_its_size():
    """A dish of radius 5 m and depth 0.5 m in a plane that falls 1 %: h = 0.02 r² - 0.5.

    Water stands to about the rim's low side; 5 cm below that the dish is about 4.5 m in radius.
    """

    def height(x, y):
        return 0.01 * y + np.minimum(0.0, 0.02 * ((x - 30) ** 2 + (y - 20) ** 2) - 0.5)

    found = forms(height)
    assert found.low_spots.centroid.distance(Point(30, 20)) < 0.7
    assert np.sqrt(found.low_spots.area / np.pi) == pytest.approx(4.6, abs=0.4)


def test_a_valley_has_one_flow_path_along_its_bottom():
    """A valley along x = 30.5 that falls 2 % to the south: 30 m on each side drain to it."""
    found = forms(lambda x, y: 0.05 * np.abs(x - 30.5) + 0.02 * y)
    middle = LineString([(30.5, 0), (30.5, 40)])
    assert found.flow_paths.length == pytest.approx(40, rel=0.15)
    assert found.flow_paths.hausdorff_distance(middle) < 2.0


@tries(15)
@given(st.integers(0, 10_000))
def test_all_water_leaves_and_nothing_is_filled_above_its_spill(seed):
    rng = np.random.default_rng(seed)
    heights = rng.normal(size=(9, 12)).cumsum(axis=0)
    filled, receiver, order = drainage(heights)
    assert (filled >= heights).all()
    rank = np.empty(order.size, dtype=int)
    rank[order] = np.arange(order.size)
    moves = receiver != np.arange(receiver.size)
    assert (rank[receiver[moves]] < rank[moves]).all()
    assert (filled.ravel()[receiver] <= filled.ravel() + 1e-12).all()
    # a filled cell is never higher than the lowest way out of it, found by brute force
    level = np.full(heights.shape, np.inf)
    level[[0, -1]], level[:, [0, -1]] = heights[[0, -1]], heights[:, [0, -1]]
    for _ in range(heights.size):
        wide = np.pad(level, 1, constant_values=np.inf)
        beside = np.min(
            [
                wide[1 + r : 1 + r + level.shape[0], 1 + c : 1 + c + level.shape[1]]
                for r in (-1, 0, 1)
                for c in (-1, 0, 1)
                if r or c
            ],
            axis=0,
        )
        level = np.minimum(level, np.maximum(heights, beside))
    assert filled == pytest.approx(level)


def zone_frame(*shapes):
    names = pd.Index([f"Z{i}" for i in range(len(shapes))], name="zone")
    return gpd.GeoDataFrame(geometry=list(shapes), index=names)


def none(**columns):
    return gpd.GeoDataFrame(columns, geometry=[])


def placed(zones, further, name="Z0"):
    drawn = setback_hazards(
        zones,
        boundary=PROPERTY,
        buildings=none(),
        paving=none(),
        trees=none(),
        fixtures=none(),
        setbacks=Setbacks(),
    )
    table = drawn
    if len(further):
        joined = pd.concat([drawn, further], ignore_index=True)
        table = gpd.GeoDataFrame(joined, geometry="geometry")
    zone = zones.geometry.loc[name]
    x, y = (
        part.ravel() for part in np.meshgrid(np.arange(0.25, 60, 0.5), np.arange(0.25, 40, 0.5))
    )
    inside = shapely.contains_xy(zone, x, y)
    x, y = x[inside], y[inside]
    return place_sensor(zone, x=x, y=y, dryness=10 + x[None], hazards=hazards_of_zone(table, name))


def test_a_sensor_keeps_off_paths_pipes_hollows_and_steep_ground():
    """Without them: x = 5.9144 + 0.875 x 48.1712, half-way up."""
    zones = zone_frame(box(5, 5, 55, 35))
    plain, _ = ground_hazards(zones, setbacks=Setbacks())
    free = placed(zones, plain)
    assert (free.x, free.y) == pytest.approx((48.06, 20), abs=0.02)
    here = Point(free.x, free.y)
    lines = gpd.GeoDataFrame(geometry=[LineString([(free.x, 0), (free.x, 40)])])
    for name, distance in (("paths", 0.9144), ("utilities", 0.6096)):
        table, told = ground_hazards(zones, setbacks=Setbacks(), **{name: lines})
        moved = placed(zones, table)
        assert told == ()
        assert lines.geometry.iloc[0].distance(Point(moved.x, moved.y)) >= distance - 1e-9

    def height(x, y):
        return np.minimum(0.0, 0.03 * ((x - free.x) ** 2 + (y - free.y) ** 2) - 0.5)

    land = forms(height)
    table, _ = ground_hazards(zones, setbacks=Setbacks(), land=land)
    moved = placed(zones, table)
    assert land.low_spots.distance(Point(moved.x, moved.y)) >= 0.9144 - 1e-9
    land = forms(lambda x, _y: 0.6 * np.clip(x - free.x + 1, 0, 2))
    table, _ = ground_hazards(zones, setbacks=Setbacks(), land=land)
    moved = placed(zones, table)
    assert land.steep.covers(here)
    assert not land.steep.intersects(Point(moved.x, moved.y))


def test_a_zone_that_is_all_bank_is_still_placed_and_told():
    zones = zone_frame(box(5, 5, 55, 35))
    land = forms(lambda _x, y: 0.4 * y)
    table, told = ground_hazards(zones, setbacks=Setbacks(), land=land)
    assert table.empty
    assert "steeper than 25 %" in told[0]
    assert placed(zones, table).setback_ratio > 1


def test_gaps_in_the_terrain_are_bridged():
    raster = terrain(lambda _x, y: 0.02 * y)
    heights = raster.heights.copy()
    heights[60:80, 60:80] = np.nan
    found = land_forms(
        HeightRaster(heights, raster.west, raster.north, 0.5, 0.5),
        boundary=PROPERTY,
        slope_percent=25,
    )
    assert found.steep.is_empty


def patches(drawn, *, pair=True):
    """Two crowns of 5 m radius, 8 and 6 m high, and a hedge of 1.5 m on ground that falls."""
    ground = terrain(lambda x, _y: 100 - 0.1 * x)

    def above(x, y):
        first = np.where(np.hypot(x - 15, y - 20) < 5, 8.0, 0.0)
        second = np.where(np.hypot(x - 45, y - 20) < 5, 6.0, 0.0)
        return first + second + np.where(np.abs(y - 38) < 1, 1.5, 0.0)

    surface = terrain(lambda x, y: (100 - 0.1 * x) * pair + above(x, y))
    return undrawn(surface, ground if pair else None, drawn=drawn, boundary=PROPERTY)


@pytest.mark.parametrize("pair", [True, False])
def test_a_crown_that_the_drawing_lacks_is_found_with_its_area_and_place(pair):
    """Of two crowns one is drawn; a hedge below 2 m and a drawn crown 1 m too small are none."""
    found = patches(Point(15, 20).buffer(4.0), pair=pair)
    assert len(found) == 1
    assert (found[0].x, found[0].y) == pytest.approx((45, 20), abs=0.5)
    assert found[0].area_m2 == pytest.approx(np.pi * 25, rel=0.03)
    assert found[0].height_m == pytest.approx(6.0, abs=0.06)


def test_without_anything_drawn_the_largest_patch_comes_first_and_far_ones_do_not_count():
    assert [round(p.x) for p in patches(shapely.Polygon())] == [15, 45]
    far = patches(shapely.union_all([Point(15, 20).buffer(6), Point(45, 20).buffer(6)]))
    assert far == []
