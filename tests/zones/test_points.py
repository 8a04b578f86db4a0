"""Water-need score, dryness and the points that stand for a zone."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box

from siting.errors import PlanError
from siting.site.model import LocalGrid
from siting.water.plants import adjusted_depletion
from siting.zones.points import (
    area_rank,
    driest_weights,
    need_scores,
    pixel_demand,
    pixel_dryness,
    pixel_eto,
    zone_mean,
    zone_pixels,
)
from tests.tries import tries

GRID = LocalGrid(west=0.0, north=40.0, resolution=0.5, rows=80, columns=100)
OPEN = np.zeros(GRID.shape, dtype=bool)


def zones(**shapes):
    return gpd.GeoDataFrame(
        {"geometry": list(shapes.values())}, index=pd.Index(list(shapes), name="zone")
    )


def test_cells_are_those_whose_centre_lies_inside():
    ring = Polygon(box(2, 2, 12, 12).exterior, [box(5, 5, 8, 8).exterior])
    parts = MultiPolygon([box(20, 20, 24, 22), box(30, 20, 31, 30)])
    pixels = zone_pixels(GRID, zones(ring=ring, parts=parts), roof=OPEN)
    assert pixels.zones == ("ring", "parts")
    assert pixels.count.tolist() == [(100 - 9) * 4, (8 + 10) * 4]
    cell = pixels.flat[0]
    assert np.allclose(GRID.x[cell % GRID.columns], pixels.x[0])
    assert np.allclose(GRID.y[cell // GRID.columns], pixels.y[0])
    assert not pixels.warnings


def test_roofs_are_left_out():
    roof = OPEN.copy()
    roof[:, :10] = True  # x < 5
    pixels = zone_pixels(GRID, zones(a=box(3, 3, 7, 7)), roof=roof)
    assert pixels.x[0].min() > 5
    assert pixels.count.tolist() == [2 * 4 * 4]


def test_a_zone_beyond_the_raster_keeps_the_part_within():
    pixels = zone_pixels(GRID, zones(a=box(-5, -5, 2, 2)), roof=OPEN)
    assert pixels.count.tolist() == [16]


@pytest.mark.parametrize("shift", [0.0, 0.1, 0.27])
def test_a_zone_narrower_than_a_cell_gets_points_of_its_own(shift):
    strip = box(10.02 + shift, 5, 10.22 + shift, 5.4)
    pixels = zone_pixels(GRID, zones(strip=strip), roof=OPEN)
    assert pixels.count[0] >= 1
    assert ((pixels.x[0] > strip.bounds[0]) & (pixels.x[0] < strip.bounds[2])).all()
    raster = np.broadcast_to(np.arange(GRID.columns, dtype=float), GRID.shape)
    column = float(zone_mean(raster, pixels)[0])
    assert abs(GRID.x[round(column)] - strip.centroid.x) <= 0.5
    assert "strip" in pixels.warnings[0]


def test_a_roofed_zone_reads_the_nearest_open_cell():
    roof = OPEN.copy()
    roof[40:60, 20:40] = True  # x 10..20, y 10..20
    pixels = zone_pixels(GRID, zones(a=box(10, 10, 11, 11)), roof=roof)
    row, column = np.unravel_index(pixels.flat[0], GRID.shape)
    assert not roof[row, column].any()
    assert np.hypot(GRID.x[column] - pixels.x[0], GRID.y[row] - pixels.y[0]).max() < 1.5
    with pytest.raises(PlanError, match="no open ground"):
        zone_pixels(GRID, zones(a=box(10, 10, 11, 11)), roof=~OPEN)


# West and south of the working CRS's origin, as half of every property is; cells of 0.5 m.
BELOW = LocalGrid(west=-30.0, north=-10.0, resolution=0.5, rows=60, columns=50)


@pytest.mark.parametrize(
    ("wide", "high", "x", "y"),
    [
        (0.5, 0.25, [0.0625, 0.1875, 0.3125, 0.4375], [0.1875, 0.0625]),
        (0.125, 0.75, [0.0625], [0.6875, 0.5625, 0.4375, 0.3125, 0.1875, 0.0625]),
        (0.1, 0.1, [0.0625], [0.0625]),
    ],
)
@pytest.mark.parametrize(("grid", "west", "south"), [(GRID, 10.3, 5.3), (BELOW, -9.7, -34.7)])
def test_a_small_zone_has_a_lattice_of_quarter_cells_from_its_corner(
    grid, west, south, wide, high, x, y
):
    """Points of a quarter of the cell, the first half a step from the south-west corner.

    In the raster's order: from the north-west, row by row.
    """
    small = box(west, south, west + wide, south + high)
    pixels = zone_pixels(grid, zones(small=small), roof=np.zeros(grid.shape, dtype=bool))
    assert pixels.x[0] == pytest.approx(west + np.tile(x, len(y)))
    assert pixels.y[0] == pytest.approx(south + np.repeat(y, len(x)))


def test_each_point_of_a_small_zone_takes_the_cell_it_lies_nearest_to():
    """Cell centres at 10.25 and 10.75, 5.25 and 5.75; points 0.125 apart from (10.3625, 5.3625)."""
    pixels = zone_pixels(GRID, zones(small=box(10.3, 5.3, 10.8, 5.55)), roof=OPEN)
    row = 69  # y 5.25 is the seventieth centre below 40
    assert pixels.flat[0].tolist() == [row * 100 + column for column in (20, 20, 21, 21)] * 2
    roof = OPEN.copy()
    roof[row, 20] = True  # the nearest open centre to (10.3625, 5.4125) is then north of it
    roofed = zone_pixels(GRID, zones(small=box(10.3, 5.35, 10.4, 5.45)), roof=roof)
    assert roofed.flat[0].tolist() == [(row - 1) * 100 + 20]


def test_four_cells_are_enough_and_three_are_not():
    square = box(10, 5, 11, 6)
    corner = Polygon([(10, 5), (11, 5), (11, 5.5), (10.5, 5.5), (10.5, 6), (10, 6)])
    enough = zone_pixels(GRID, zones(square=square), roof=OPEN)
    assert sorted(zip(enough.x[0], enough.y[0], strict=True)) == [
        (10.25, 5.25), (10.25, 5.75), (10.75, 5.25), (10.75, 5.75)
    ]  # fmt: skip
    assert not enough.warnings
    few = zone_pixels(GRID, zones(corner=corner), roof=OPEN)
    assert few.count.tolist() == [3 * 16]  # three cells' worth of quarter cells
    assert few.warnings[0].startswith("zone corner: fewer than 4 cells of the raster")


def test_a_zone_too_thin_for_any_lattice_has_one_point_in_it():
    thin = Polygon([(10.02, 5.02), (10.05, 5.02), (14.05, 9.02), (14.02, 9.02)])
    thin = thin.intersection(box(10, 5.01, 14.1, 5.05))
    pixels = zone_pixels(GRID, zones(thin=thin), roof=OPEN)
    assert pixels.count.tolist() == [1]
    assert thin.contains(Point(pixels.x[0][0], pixels.y[0][0]))


@pytest.mark.parametrize("size", [10.0, 0.4])
def test_samples_are_the_open_cells_within_three_cells_of_the_zone(size):
    """A ring of three cells; its rounded corners may leave out what is 8 % nearer."""
    roof = OPEN.copy()
    roof[:, 45:50] = True
    zone = box(20, 15, 20 + size, 15 + size)
    pixels = zone_pixels(GRID, zones(a=zone), roof=roof)
    x, y = np.meshgrid(GRID.x, GRID.y)
    away = shapely.distance(shapely.points(x, y), zone)
    sampled = np.zeros(GRID.shape, dtype=bool)
    sampled.ravel()[pixels.sample_flat[0]] = True
    assert sampled[(away < 0.92 * 1.5) & ~roof].all()
    assert not sampled[away >= 1.5].any()
    assert not sampled[roof].any()
    assert pixels.sample_x[0].tolist() == x[sampled].tolist()
    assert pixels.sample_y[0].tolist() == y[sampled].tolist()


def test_where_all_around_is_roof_the_points_themselves_are_the_samples():
    roof = ~OPEN
    roof[0, 0] = False
    pixels = zone_pixels(GRID, zones(a=box(30, 10, 32, 12)), roof=roof)
    assert pixels.flat[0].tolist() == [0] * 16 * 16
    assert pixels.sample_flat[0].tolist() == pixels.flat[0].tolist()
    assert pixels.sample_x[0].tolist() == pixels.x[0].tolist()
    assert pixels.sample_y[0].tolist() == pixels.y[0].tolist()


def test_the_points_of_a_plan_stay_as_they_are():
    """Stages share them; one that exchanged them would change what the others see."""
    pixels = zone_pixels(GRID, zones(a=box(3, 3, 7, 7)), roof=OPEN)
    with pytest.raises(FrozenInstanceError):
        pixels.zones = ()


def test_eto_is_linear_in_the_sun_and_never_negative():
    eto = pixel_eto(
        np.array([1.0, -2.0]),
        np.array([3.0, 1.0]),
        np.array([1.0, 0.5]),
        beam_fraction=np.array([[1.0, 0.0], [1.0, 0.0]]),
        sky_view=np.array([1.0, 0.5]),
    )
    assert eto.tolist() == [[5.0, 1.5], [0.0, 0.0]]


def test_season_demand_weights_the_months_by_their_days():
    eto = np.array([[2.0, 4.0], [6.0, 8.0]])
    demand = pixel_demand(eto, plant_factor=np.array([0.5, 1.0]), days=np.array([30.0, 10.0]))
    assert demand.tolist() == [(30 * 1 + 10 * 6) / 40, (30 * 2 + 10 * 8) / 40]


def test_dryness_counts_what_arrives_and_what_is_stored():
    """A point that gets half the water, or stores half, is twice as dry."""
    demand = np.array([4.0, 4.0, 2.0])
    dry = pixel_dryness(demand, taw=np.array([40.0, 20.0, 40.0]), application=np.array([0.5, 1, 1]))
    assert dry.tolist() == [0.2, 0.2, 0.05]


@pytest.mark.published("FAO-56, Example 36: tomato, Zr 0.8 m, p 0.40")
def test_raw_of_example_36():
    """TAW/RAW 72/29 (loamy sand), 136/54 (silt), 96/38 mm (silty clay), at ETc 5 mm/d."""
    index = pd.Index(["loamy sand", "silt", "silty clay"], name="zone")
    etc = pd.DataFrame({6: [4.0] * 3, 7: [5.0] * 3}, index=index)
    water = pd.DataFrame({"depletion_fraction": 0.40, "taw_mm": [72.0, 136.0, 96.0]}, index=index)
    scores = need_scores(etc, water=water)
    assert scores["raw_mm"].round().tolist() == [29, 54, 38]
    assert scores["peak_month"].tolist() == [7, 7, 7]
    assert scores["need_score"] == pytest.approx([17.36, 9.19, 13.02], abs=0.005)
    assert scores["days_without_water"] == pytest.approx([5.76, 10.88, 7.68])


@pytest.mark.published("FAO-56, Table 22, footnote 2: p + 0.04 (5 - ETc), 0.1 <= p <= 0.8")
def test_depletion_fraction_follows_demand():
    adjusted = adjusted_depletion(np.array([0.4, 0.4, 0.15, 0.7]), np.array([5.0, 3.0, 9.0, 1.0]))
    assert adjusted == pytest.approx([0.40, 0.48, 0.1, 0.8])


def test_without_a_local_application_dryness_is_demand_over_storage():
    assert pixel_dryness(np.array([4.0, 2.0]), taw=40.0).tolist() == [0.1, 0.05]


def test_days_without_water_are_raw_over_peak_demand_however_small():
    """By hand: p 0.5 + 0.04 (5 - 0.5) = 0.68, RAW 0.68 x 50 = 34 mm, 34 / 0.5 = 68 days."""
    index = pd.Index(["shade"], name="zone")
    water = pd.DataFrame({"depletion_fraction": [0.5], "taw_mm": [50.0]}, index=index)
    scores = need_scores(pd.DataFrame({7: [0.5]}, index=index), water=water)
    assert scores["days_without_water"][0] == pytest.approx(68)


def test_a_zone_without_demand_can_go_without_water_for_ever():
    index = pd.Index(["a"], name="zone")
    water = pd.DataFrame({"depletion_fraction": [0.5], "taw_mm": [50.0]}, index=index)
    with np.errstate(all="raise"):  # nothing is divided by that demand
        scores = need_scores(pd.DataFrame({1: [0.0]}, index=index), water=water)
    assert scores["need_score"][0] == 0
    assert np.isinf(scores["days_without_water"][0])


def test_the_driest_quarter_is_the_driest_quarter_of_the_ground():
    dryness = np.array([4.0, 3.0, 2.0, 1.0] * 2)
    assert driest_weights(dryness).tolist() == [0.5, 0, 0, 0] * 2
    assert area_rank(dryness).tolist() == [0.875, 0.625, 0.375, 0.125] * 2


@tries(40)
@given(
    st.lists(st.integers(0, 5), min_size=1, max_size=40),
    st.randoms(use_true_random=False),
    st.floats(1e-3, 1e3),
)
def test_quarters_depend_neither_on_order_nor_on_scale(values, random, scale):
    dryness = np.array(values, dtype=float)
    order = np.array(random.sample(range(dryness.size), dryness.size))
    rank, weights = area_rank(dryness), driest_weights(dryness)
    assert area_rank(dryness[order] * scale) == pytest.approx(rank[order])
    assert driest_weights(dryness[order] * scale) == pytest.approx(weights[order])
    assert weights.sum() == pytest.approx(1)
    assert rank.mean() == pytest.approx(0.5)
    assert dryness @ weights >= dryness.mean() - 1e-9


def test_inputs_are_not_changed():
    layer = zones(a=box(1, 1, 9, 9))
    before = layer.copy()
    zone_pixels(GRID, layer, roof=OPEN)
    assert layer.equals(before)
    rotated = affinity.rotate(box(1, 1, 9, 9), 45)
    assert zone_pixels(GRID, zones(a=rotated), roof=OPEN).count[0] == pytest.approx(256, rel=0.03)
