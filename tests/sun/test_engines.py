"""The two engines, tiles and threads: the same bits; free-standing walls; leaves."""

import itertools
import tracemalloc
from contextlib import nullcontext

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, Point, box

from siting.errors import InputError
from siting.site.model import LocalGrid
from siting.sun import light as engine
from siting.sun.light import ShadeOptions
from siting.sun.position import SunPositions, season_positions
from siting.sun.scene import BARE, bare_transmissivity, leaf_months, rounded
from siting.sun.shade import shade_instants
from tests.sun.test_shade import (
    NO_BUILDINGS,
    NO_TREES,
    QUICK,
    centres,
    grid_of,
    scene,
    season_of,
    suns,
    wrong,
)
from tests.sun_cases import shade_season
from tests.sun_raytest import lit_share
from tests.sun_reference import plain
from tests.tries import tries

SEEDS = st.integers(0, 10_000)


def hedges(seed, count=4, taus=(0.0, 0.3, 0.6)):
    """Random polylines with heights and transmissivities, some multipart, one on whole metres."""
    random = np.random.default_rng(seed + 77)
    lines = [LineString(random.uniform(-18, 18, (4, 2))) for _ in range(count)]
    lines[0] = MultiLineString([lines[0], LineString(random.uniform(-18, 18, (3, 2)))])
    lines[1] = LineString([(-6, 2), (3, 2), (3, -8), (9, -8)])
    return gpd.GeoDataFrame(
        {
            "height": random.uniform(1, 4, count),
            "transmissivity": random.choice(taus, count),
        },
        geometry=lines,
    )


def run(seed, **options):
    buildings, trees = scene(seed)
    trees["transmissivity_bare"] = np.where(trees["transmissivity"] > 0.2, 0.7, np.nan)
    return shade_season(
        grid_of(),
        season_of(*suns(seed, 11)),
        buildings=buildings,
        trees=trees,
        walls=hedges(seed),
        months=(6, 12),
        options=ShadeOptions(sky_directions=24, leaf_months=(6,), **options),
    )


def assert_same_bits(first, second):
    for name in ("sun_hours", "beam_fraction", "sky_view"):
        assert getattr(first, name).tobytes() == getattr(second, name).tobytes()


@tries(12)
@given(SEEDS)
def test_both_engines_give_the_same_bits(seed):
    with plain():
        expected = run(seed)
    assert_same_bits(run(seed), expected)


def test_both_engines_give_the_same_bits_where_edges_meet_cell_centres():
    """Walls, crowns and sun on the axes and diagonals of the grid."""
    shapes = [box(-8, -3, 2, 4), box(2, -3, 9, 4), box(-5, 8, 5, 12).difference(box(-2, 9, 1, 11))]
    buildings = gpd.GeoDataFrame({"height": [6.0, 6.0, 3.0]}, geometry=shapes)
    trees = gpd.GeoDataFrame(
        {
            "height": [8.0, 6.0],
            "crown_diameter": [6.0, 4.0],
            "transmissivity": [0.2, 0.0],
            "crown": [box(-12, -12, -8, -9), None],
        },
        geometry=[Point(-10, -10), Point(6, -9)],
    )
    azimuth = np.arange(0, 360, 45.0)
    sun = season_of(np.full(8, 45.0), azimuth)
    layers = {"buildings": buildings, "trees": trees, "walls": hedges(1)}
    for grid in (LocalGrid(-20, 20, 1, 40, 40), LocalGrid(-20.5, 20.5, 1, 41, 41)):
        found = []
        for engine_of in (plain, nullcontext):
            with engine_of():
                options = ShadeOptions(sky_directions=8)
                found.append(shade_season(grid, sun, **layers, options=options))
        assert_same_bits(*found)


def test_tiles_and_threads_change_no_bit(monkeypatch):
    before = run(5)
    for tile, threads in (((256, 256), 2), ((16, 16), 1), ((13, 40), 2)):
        monkeypatch.setattr(engine, "_TILE", tile)
        monkeypatch.setattr(engine, "_WIDE_TILE", tile)
        monkeypatch.setattr(engine, "_THIN_TILE", tile)
        assert_same_bits(before, run(5, threads=threads))


@pytest.mark.parametrize("crowns", [False, True])
def test_memory_beyond_the_results_is_bounded(crowns):
    """One thread takes less than 12 bytes a pixel of a raster of 800 x 800, low sun included."""
    buildings, trees = scene(2)
    grid = LocalGrid(-20, 20, 0.05, 800, 800)
    sun = season_positions(50.0, 14.0, months=(6,), minutes=60)
    options = ShadeOptions(sky_directions=16)
    given = {"buildings": buildings, "trees": trees if crowns else NO_TREES, "options": options}
    found = shade_season(grid, sun, **given)  # compiles
    results = found.sun_hours.nbytes + found.beam_fraction.nbytes + found.sky_view.nbytes
    del found
    tracemalloc.start()
    shade_season(grid, sun, **given)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert (peak - results) / (grid.rows * grid.columns) < 12


def test_sums_of_rounded_weights_are_exact():
    weights = rounded(np.random.default_rng(1).uniform(0, 1, 100))
    shuffled = np.random.default_rng(2).permutation(weights)
    assert np.cumsum(weights)[-1] == np.cumsum(shuffled)[-1] == weights.sum()


# Free-standing walls


def sheet_share(points, elevation, azimuth, walls):
    """Ray test of its own: the level way of each ray, below the wall's top, crosses its line."""
    xy, out = np.asarray(points), np.ones((len(elevation), len(points)))
    for n, (theta, phi) in enumerate(np.radians(np.column_stack([elevation, azimuth]))):
        toward = np.array([np.sin(phi), np.cos(phi)])
        for row in walls.itertuples():
            for part in shapely.get_parts(row.geometry):
                corners = shapely.get_coordinates(part)
                for a, b in itertools.pairwise(corners):
                    far = xy + row.height / np.tan(theta) * toward
                    ways = shapely.linestrings(np.stack([xy, far], axis=1))
                    met = shapely.crosses(ways, LineString([a, b]))
                    out[n, met] *= row.transmissivity
    return out


@tries(6)
@given(SEEDS)
def test_walls_and_hedges_against_ray_tests(seed):
    walls, grid = hedges(seed), grid_of(24)
    elevation, azimuth = suns(seed)
    found = shade_instants(
        grid, elevation, azimuth, buildings=NO_BUILDINGS, trees=NO_TREES, walls=walls
    ).reshape(len(elevation), -1)
    exact = sheet_share(centres(grid), elevation, azimuth, walls)
    assert np.abs(found - exact).max() < 1e-9


def test_a_long_hedge_in_pieces_dims_once():
    """A hedge drawn with a corner on every cell's edge: no cell lies behind two pieces."""
    whole = gpd.GeoDataFrame(
        {"height": [2.0], "transmissivity": [0.4]}, geometry=[LineString([(-9.5, 0), (9.5, 0)])]
    )
    steps = [(x, 0.0) for x in np.arange(-9.5, 10)]
    pieces = whole.set_geometry([LineString(steps)])
    grid = LocalGrid(-10, 10, 1, 20, 20)
    azimuth, elevation = np.array([0, 45.0, 180, 225, 135, 210]), np.full(6, 30.0)
    found = [
        shade_instants(grid, elevation, azimuth, buildings=NO_BUILDINGS, trees=NO_TREES, walls=line)
        for line in (whole, pieces)
    ]
    np.testing.assert_array_equal(*found)
    assert set(np.unique(found[0]).round(9)) == {0.4, 1.0}


def test_a_wall_shades_as_a_thin_building_does():
    line = LineString([(-6, -2), (5, 3)])
    wall = gpd.GeoDataFrame({"height": [3.0]}, geometry=[line])
    slab = gpd.GeoDataFrame({"height": [3.0]}, geometry=[line.buffer(1e-7, cap_style="flat")])
    elevation, azimuth = suns(2, 20)
    layers = {"trees": NO_TREES}
    first = shade_instants(
        grid_of(), elevation, azimuth, buildings=NO_BUILDINGS, walls=wall, **layers
    )
    second = shade_instants(grid_of(), elevation, azimuth, buildings=slab, **layers)
    assert (first != second).mean() < 1e-5


def test_a_wall_without_height_is_refused():
    wall = gpd.GeoDataFrame(
        {"height": [np.nan], "transmissivity": [1.4], "feature": ["7"]},
        geometry=[LineString([(0, 0), (1, 1)])],
    )
    with pytest.raises(InputError) as caught:
        shade_instants(grid_of(), 30, 180, buildings=NO_BUILDINGS, trees=NO_TREES, walls=wall)
    assert [(f.layer or f.file, f.column) for f in caught.value.faults] == [
        ("walls", "height"),
        ("walls", "transmissivity"),
    ]


# Leaves


@pytest.mark.practice("deciduous trees: in leaf April to October between 35 and 55 degrees north")
def test_leaf_months():
    assert leaf_months(40.0) == (4, 5, 6, 7, 8, 9, 10)
    assert leaf_months(-40.0) == (1, 2, 3, 4, 10, 11, 12)
    assert leaf_months(10.0) == leaf_months(-10.0) == tuple(range(1, 13))
    assert len(leaf_months(60.0)) < len(leaf_months(45.0)) < len(leaf_months(30.0))


def test_bare_transmissivity():
    """Told; evergreen; deciduous without number; nothing told: leaves all year."""
    trees = gpd.GeoDataFrame(
        {
            "transmissivity": [0.1, 0.1, 0.1, 0.1],
            "transmissivity_bare": [0.6, 0.6, np.nan, np.nan],
            "evergreen": [False, True, False, None],
        },
        geometry=[Point(0, 0)] * 4,
    )
    assert bare_transmissivity(trees).tolist() == [0.6, 0.1, BARE, 0.1]


@pytest.mark.closed_form("Beer-Lambert: tau = exp(-G LAI); half the leaf area, its root")
@pytest.mark.parametrize(("leaf_area", "g"), [(1.0, 0.5), (3.0, 0.5), (5.0, 0.35)])
def test_crowns_in_a_row_follow_beer_lambert(leaf_area, g):
    """Two crowns of half the leaf area dim as one of all of it, and n crowns as exp(-n G L / n)."""
    whole = np.exp(-g * leaf_area)
    for parts in (1, 2, 4):
        trees = gpd.GeoDataFrame(
            {
                "height": [10.0] * parts,
                "crown_diameter": [6.0] * parts,
                "transmissivity": [np.exp(-g * leaf_area / parts)] * parts,
            },
            geometry=[Point(0, 0)] * parts,
        )
        lit = shade_instants(
            LocalGrid(-0.5, 0.5, 1, 1, 1), 89.9, 10.0, buildings=NO_BUILDINGS, trees=trees
        )
        assert lit[0, 0, 0] == pytest.approx(whole, abs=1e-10)


def test_bare_months_let_more_light_pass_and_the_sky_takes_their_share():
    trees = gpd.GeoDataFrame(
        {
            "height": [10.0],
            "crown_diameter": [1e6],
            "transmissivity": [0.2],
            "transmissivity_bare": [0.6],
        },
        geometry=[Point(0, 0)],
    )
    positions = SunPositions(
        np.array([1, 4, 7, 10]), np.full(4, 80.0), np.full(4, 180.0), np.ones(4), np.ones(4)
    )
    found = shade_season(
        LocalGrid(0, 1, 1, 1, 1),
        positions,
        buildings=NO_BUILDINGS,
        trees=trees,
        options=ShadeOptions(leaf_months=(4, 7, 10)),
    )
    assert found.sun_hours[:, 0, 0] == pytest.approx([0.6, 0.2, 0.2, 0.2])
    assert found.sky_view[0, 0] == pytest.approx(0.75 * 0.2 + 0.25 * 0.6)


def test_a_crown_base_that_is_told_is_used():
    """A 10 m palm with its crown from 8 m: at 45 degrees its shade begins 8 m from the trunk."""
    trees = gpd.GeoDataFrame(
        {
            "height": [10.0],
            "crown_diameter": [4.0],
            "crown_base": [8.0],
            "transmissivity": [0.0],
        },
        geometry=[Point(0, 0)],
    )
    grid = LocalGrid(-0.05, 20, 0.1, 200, 1)
    lit = shade_instants(grid, 45.0, 180.0, buildings=NO_BUILDINGS, trees=trees)[0, :, 0]
    dark = grid.y[lit == 0]
    half = np.hypot(2.0, 1.0)
    assert (dark.min(), dark.max()) == pytest.approx((9 - half, 9 + half), abs=0.1)
    assert wrong(grid_of(), np.array([40.0]), np.array([170.0]), NO_BUILDINGS, trees) == 0


def test_a_crown_base_above_the_top_is_refused():
    trees = gpd.GeoDataFrame({"height": [4.0], "crown_base": [5.0]}, geometry=[Point(0, 0)])
    with pytest.raises(InputError, match="crown_base 5"):
        shade_instants(grid_of(), 30, 180, buildings=NO_BUILDINGS, trees=trees)


def test_exact_rays_know_the_crown_base():
    trees = gpd.GeoDataFrame(
        {"height": [10.0], "crown_base": [8.0], "crown_diameter": [2.0], "transmissivity": [0.0]},
        geometry=[Point(0, 0)],
    )
    lit = lit_share([[0, 5.0], [0, 9.0]], 45.0, 180.0, buildings=NO_BUILDINGS, trees=trees)
    assert lit[0].tolist() == [1.0, 0.0]


def test_season_of_the_year_round_is_the_old_one():
    """Without leaf months every month is in leaf."""
    buildings, trees = scene(3)
    sun = season_positions(45.0, 7.0, months=(1, 7), minutes=60)
    first, second = (
        shade_season(grid_of(), sun, buildings=buildings, trees=trees.assign(**more), options=QUICK)
        for more in ({}, {"transmissivity_bare": 0.9})
    )
    assert_same_bits(first, second)
