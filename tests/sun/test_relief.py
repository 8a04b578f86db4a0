"""Shade from rasters: against the exact engine, on slopes, in tiles, by both engines."""

from contextlib import nullcontext
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.site.model import HeightRaster, LocalGrid
from siting.sun import light as blocks
from siting.sun.light import ShadeOptions
from siting.sun.position import SunPositions, season_positions
from siting.sun.shade import shade_instants
from tests.packages import town_file
from tests.sun.test_shade import NO_BUILDINGS, NO_TREES, grid_of, raster_of, scene, season_of, suns
from tests.sun_cases import shade_season
from tests.sun_reference import plain
from tests.tries import tries

SEEDS = st.integers(0, 10_000)
NAMES = ("sun_hours", "beam_fraction", "sky_view", "slope_beam", "slope_sky")


def hills(seed, cell=3.0, side=140.0, gaps=False):
    """Smooth random ground, of another resolution than the grid, with gaps where asked."""
    random = np.random.default_rng(seed)
    count = int(side / cell)
    x, y = np.meshgrid(np.arange(count) * cell, np.arange(count) * cell)
    heights = 300 + sum(
        random.uniform(1, 5) * np.sin(x / random.uniform(8, 40) + y / random.uniform(8, 40) + k)
        for k in range(4)
    )
    if gaps:
        heights[random.uniform(size=heights.shape) < 0.1] = np.nan
    return HeightRaster(heights, -side / 2, side / 2, cell, cell)


def plane(east=0.0, north=0.0, cell=1.0):
    """Ground that rises by so much per metre to the east and to the north."""
    place = np.arange(-200, 201) * cell
    heights = 500 + east * place[None, :] - north * place[:, None]
    return HeightRaster(heights, -200.5 * cell, 200.5 * cell, cell, cell)


def lit(grid, elevation, azimuth, **more):
    return shade_instants(grid, elevation, azimuth, buildings=NO_BUILDINGS, trees=NO_TREES, **more)


def season(grid, sun, *, buildings=NO_BUILDINGS, trees=NO_TREES, **more):
    return shade_season(grid, sun, buildings=buildings, trees=trees, **more)


def town():
    """144 town blocks that momepy brings along, with heights by a fixed rule, at 0.5 m."""
    buildings = gpd.read_file(town_file(), layer="buildings")[["geometry"]].to_crs(32633)
    buildings["height"] = 6.0 + np.arange(len(buildings)) * 7 % 19
    west, south, east, north = buildings.total_bounds
    x, y = (west + east) / 2, (south + north) / 2
    return buildings, LocalGrid(x - 350, y + 350, 0.5, 1400, 1400)


def test_few_pixel_instants_are_wrong_at_half_a_metre():
    """On the town blocks less than 0.31 % of all, against the exact engine (0.15 % measured)."""
    buildings, grid = town()
    sun = season_positions(50.1, 14.4, months=(3, 6, 10), minutes=60)
    on = slice(None, None, 3)
    surface = raster_of(grid, buildings.dissolve("height").reset_index())
    exact = shade_instants(
        grid, sun.elevation[on], sun.azimuth[on], buildings=buildings, trees=NO_TREES
    )
    found = lit(grid, sun.elevation[on], sun.azimuth[on], surface=surface)
    ground = ~np.isnan(exact)
    wrong = (exact[ground] != found[ground]).mean()
    assert 0 < wrong < 0.0031


@tries(5)
@given(seed=SEEDS)
def test_engines_tiles_and_threads_change_no_bit(seed):
    buildings, trees = scene(seed)
    grid = grid_of()
    ground = hills(seed, gaps=True)
    top = replace(ground, heights=ground.heights + 4.0 * (ground.heights > 303))
    layers = {"buildings": buildings, "trees": trees, "surface": top, "terrain": ground}
    runs = []
    sides = blocks._TILE, blocks._RELIEF_TILE
    for engine, tile, threads in ((plain, 1024, 1), (nullcontext, 1024, 2), (nullcontext, 17, 2)):
        blocks._TILE, blocks._RELIEF_TILE = (min(tile, 256),) * 2, (tile, tile)
        try:
            options = ShadeOptions(sky_directions=16, threads=threads)
            with engine():
                runs.append(season(grid, season_of(*suns(seed, 7)), options=options, **layers))
        finally:
            blocks._TILE, blocks._RELIEF_TILE = sides
    for other in runs[1:]:
        for part in NAMES:
            assert getattr(runs[0], part).tobytes() == getattr(other, part).tobytes()


@pytest.mark.parametrize(("east", "north"), [(0.2, 0.0), (0.0, -0.3), (0.17, 0.23), (-0.4, 0.1)])
def test_an_even_slope_shades_itself_only_where_it_faces_away(east, north):
    """Every azimuth, down to 2 degrees of sun; lines between cells make no false shade."""
    azimuth = np.arange(3, 360, 11.0)
    for elevation in (2.0, 6.0, 15.0):
        phi = np.radians(azimuth)
        rise = east * np.sin(phi) + north * np.cos(phi)  # uphill towards the sun
        away = rise >= np.tan(np.radians(elevation))
        sure = np.abs(rise - np.tan(np.radians(elevation))) > 0.01
        found = lit(grid_of(20), np.full(len(phi), elevation), azimuth, terrain=plane(east, north))
        assert (found[away & sure] == 0).all()
        assert (found[~away & sure] == 1).all()


def test_a_hill_shades_the_plain_as_far_as_it_reaches():
    """A 10 m ridge along the north: at noon, sun in the south, it shades nothing south of it."""
    terrain = plane()
    heights = terrain.heights.copy()
    heights[150:153] += 10.0  # 48.5 to 50.5 m north
    ridge = HeightRaster(heights, terrain.west, terrain.north, 1, 1)
    grid = LocalGrid(-2, 60, 0.5, 120, 8)
    found = lit(grid, [30.0, 30.0], [180.0, 0.0], terrain=ridge)
    south = grid.y < 46
    assert (found[0][south] == 1).all()
    dark = grid.y[(found[1] == 0).all(axis=1) & south]
    assert dark.min() == pytest.approx(48.5 - 10 / np.tan(np.radians(30)), abs=1.0)


def test_without_margin_or_with_gaps_the_ground_goes_on_level():
    ground = hills(3)
    holed = HeightRaster(
        np.where(ground.heights > 304, np.nan, ground.heights), ground.west, ground.north, 3, 3
    )
    small = LocalGrid(-60, 60, 1, 120, 120)
    found = lit(small, [20.0], [200.0], terrain=holed)
    assert np.isfinite(found).all()
    empty = HeightRaster(np.full((4, 4), np.nan), -20, 20, 10, 10)
    assert (lit(grid_of(), [20.0], [200.0], terrain=empty) == 1).all()


# On the slope


@pytest.mark.published(
    "Reda & Andreas 2004 A.5: incidence 25.187 deg on a 30 deg slope facing 170 deg"
)
def test_incidence_at_the_worked_example():
    """Sun at zenith 50.1116, azimuth 194.3402: beam on the slope over that on the level."""
    facing, tilt = np.radians(170.0), np.tan(np.radians(30.0))
    terrain = plane(-tilt * np.sin(facing), -tilt * np.cos(facing))
    sun = SunPositions(*(np.array([v]) for v in (10, 90 - 50.111622, 194.340241, 1.0, 1.0)))
    found = season(grid_of(8), sun, terrain=terrain)
    ratio = np.cos(np.radians(25.187)) / np.cos(np.radians(50.111622))
    assert found.slope_beam == pytest.approx(ratio, rel=2e-4)


@pytest.mark.closed_form(
    "Isotropic sky on a slope, (1 + cos(tilt)) / 2 (Liu & Jordan 1963, Solar Energy 7:53-74)"
)
@pytest.mark.parametrize("tilt", [0.0, 10.0, 30.0, 45.0])
@pytest.mark.parametrize("facing", [0.0, 160.0])
def test_sky_on_a_slope(tilt, facing):
    """Within 0.02."""
    rise, phi = np.tan(np.radians(tilt)), np.radians(facing)
    terrain = plane(-rise * np.sin(phi), -rise * np.cos(phi))
    found = season(grid_of(8), season_of(*suns(1)), terrain=terrain)
    assert found.slope_sky == pytest.approx((1 + np.cos(np.radians(tilt))) / 2, abs=0.02)


@pytest.mark.parametrize("latitude", [40.0, -40.0])
def test_slopes_that_face_away_get_none_and_those_that_face_the_sun_most(latitude):
    """Midwinter at 40 degrees: 45 degrees away from the equator is dark; towards it gains."""
    sun = season_positions(latitude, 0.0, months=(12 if latitude > 0 else 6,), minutes=30)
    toward = -np.sign(latitude)
    rise = np.tan(np.radians(45))
    away, level, facing = (
        season(grid_of(8), sun, terrain=plane(0.0, north))
        for north in (rise * toward, 0.0, -rise * toward)
    )
    assert away.sun_hours.max() == away.slope_beam.max() == 0
    assert level.slope_beam == pytest.approx(1.0)
    assert facing.slope_beam.min() > 1.8


def test_level_terrain_changes_nothing():
    buildings, trees = scene(9)
    sun = season_of(*suns(9))
    bare = season(grid_of(), sun, buildings=buildings, trees=trees)
    level = season(grid_of(), sun, buildings=buildings, trees=trees, terrain=plane())
    np.testing.assert_array_equal(level.sun_hours, bare.sun_hours)
    np.testing.assert_array_equal(level.slope_beam, bare.beam_fraction)
    np.testing.assert_array_equal(level.slope_sky, bare.sky_view)
    assert bare.slope_beam is None


@tries(4)
@given(SEEDS)
def test_turning_ground_and_sun_by_a_quarter_turns_the_result(seed):
    """Rasters' lines step by cells the same way along rows and columns."""
    grid = LocalGrid(-20, 20, 1, 40, 40)
    elevation, azimuth = suns(seed)
    ground = hills(seed, cell=1.0)
    turned = HeightRaster(np.rot90(ground.heights).copy(), -70, 70, 1, 1)
    before = season(grid, season_of(elevation, azimuth + 0.01), terrain=ground)
    after = season(grid, season_of(elevation, azimuth + 0.01 - 90), terrain=turned)
    for part in NAMES:
        there = np.rot90(getattr(before, part), axes=(-2, -1))
        np.testing.assert_allclose(getattr(after, part), there, rtol=0, atol=1e-6)


@tries(5)
@given(SEEDS, st.floats(1.05, 3.0))
def test_a_higher_surface_never_adds_sun(seed, factor):
    buildings, _ = scene(seed)
    grid, sun = grid_of(), season_of(*suns(seed))
    surface = raster_of(grid, buildings)
    low, high = (
        season(grid, sun, surface=surface, options=ShadeOptions(height_scale=scale))
        for scale in (1.0, factor)
    )
    assert (high.sun_hours <= low.sun_hours + 1e-12).all()
    assert (high.sky_view <= low.sky_view + 1e-12).all()


# All parts of the globe


def test_the_tropics_see_the_sun_in_the_north_and_in_the_south():
    """At 10 N a wall's north side is sunny in June, its south side in December."""
    surface = np.zeros((41, 41))
    surface[20] = 6.0
    raster = HeightRaster(surface, -20.5, 20.5, 1, 1)
    sun = season_positions(10.0, 0.0, months=(6, 12), minutes=30)
    hours = season(LocalGrid(-20.5, 20.5, 1, 41, 41), sun, surface=raster).sun_hours
    north, south = 18, 22
    assert hours[0, north, 20] > hours[0, south, 20] + 1
    assert hours[1, south, 20] > hours[1, north, 20] + 1


def test_midnight_sun_goes_all_round():
    """78 N in June: 24 h of sun in the open; a mast's shadow falls on every side."""
    surface = np.zeros((41, 41))
    surface[20, 20] = 5.0
    raster = HeightRaster(surface, -20.5, 20.5, 1, 1)
    sun = season_positions(78.0, 15.6, months=(6,), minutes=10)
    hours = season(LocalGrid(-20.5, 20.5, 1, 41, 41), sun, surface=raster).sun_hours[0]
    assert hours[0, 0] == pytest.approx(24.0)
    for row, column in ((18, 20), (22, 20), (20, 18), (20, 22)):
        assert hours[row, column] < 24.0


def test_polar_night_on_slopes_is_dark_and_the_sky_still_counts():
    sun = season_positions(78.0, 15.6, months=(12,), minutes=30)
    found = season(grid_of(8), sun, terrain=plane(0.1, 0.1), months=(12,))
    assert found.sun_hours.max() == found.slope_beam.max() == 0
    assert found.slope_sky.min() > 0.9
