"""Buildings and walls on sloping ground: closed forms, and rays followed step by step."""

from contextlib import nullcontext

import geopandas as gpd
import numpy as np
import pytest
import shapely

from siting.site.model import HeightRaster, LocalGrid
from siting.sun.light import ShadeOptions
from siting.sun.shade import shade_instants
from tests.sun.test_relief import hills, plane
from tests.sun.test_shade import NO_BUILDINGS, NO_TREES, scene
from tests.sun_reference import plain

ENGINES = {"numpy": plain, "numba": nullcontext}
GRID = LocalGrid(-100, 100, 0.5, 400, 400)
TOWER = gpd.GeoDataFrame({"height": [10.0]}, geometry=[shapely.box(-5, -5, 5, 5)])


@pytest.mark.parametrize("name", ENGINES)
@pytest.mark.parametrize("rise", [-0.2, -0.08, 0.0, 0.08, 0.2, 0.4])
@pytest.mark.parametrize("elevation", [20.0, 45.0])
def test_a_shadow_is_short_uphill_and_long_downhill(name, rise, elevation):
    """From a roof z over its lowest ground: dark up to (z + 5 tan e) / (tan e + rise) east.

    The sun stands in the west. Level ground is the vectors' work, all other the relief's.
    """
    with ENGINES[name]():
        lit = shade_instants(
            GRID,
            elevation,
            270.0,
            buildings=TOWER,
            trees=NO_TREES,
            terrain=plane(east=rise),
        )[0]
    row = lit[200, GRID.x > 5]
    fall = np.tan(np.radians(elevation))
    roof = 10.0 + (-4.75 if rise > 0 else 4.75) * rise  # the lowest cell under it
    length = (roof + 5 * fall) / (fall + rise) - 5
    assert (row == 0).sum() * GRID.resolution == pytest.approx(min(length, 95.0), abs=0.5)


@pytest.mark.parametrize("rise", [-0.15, 0.15])
def test_a_wall_on_a_slope(rise):
    """A wall of 4 m along the contour, its top that high over its own foot."""
    wall = gpd.GeoDataFrame(
        {"height": [4.0], "transmissivity": [0.0]},
        geometry=[shapely.LineString([(0.1, -60), (0.1, 60)])],
    )
    lit = shade_instants(
        GRID, 30.0, 270.0, buildings=NO_BUILDINGS, trees=NO_TREES, walls=wall, terrain=plane(rise)
    )[0]
    length = 4.0 / (np.tan(np.radians(30)) + rise)
    dark = (lit[200] == 0).sum() * GRID.resolution
    assert dark == pytest.approx(length, abs=0.75)


@pytest.mark.parametrize("name", ENGINES)
@pytest.mark.parametrize("rise", [-0.2, 0.0, 0.2])
@pytest.mark.parametrize("drawn", [True, False])
def test_crowns_on_a_slope(name, rise, drawn):
    """A crown between 4 and 8 m: on the slope its shadow lies from 4 / (tan e + rise) onwards.

    Drawn, a box of 6 m; round, an ellipsoid whose shadow has its middle at 6 / (tan e + rise) and
    half an axis of sqrt(3^2 + (2 / (tan e + rise))^2).
    """
    shape = shapely.box(-3, -3, 3, 3) if drawn else shapely.Point(0, 0)
    columns = {
        "height": [8.0], "crown_base": [4.0], "crown_diameter": [6.0], "transmissivity": [0.25],
    }  # fmt: skip
    with ENGINES[name]():
        lit = shade_instants(
            GRID,
            35.0,
            270.0,
            buildings=NO_BUILDINGS,
            trees=gpd.GeoDataFrame(columns, geometry=[shape]),
            terrain=plane(east=rise),
        )[0]
    dim = GRID.x[lit[200] < 1]
    fall = np.tan(np.radians(35)) + rise
    middle, half = 6 / fall, np.hypot(3, 2 / fall)
    expected = (-3 + 4 / fall, 3 + 8 / fall) if drawn else (middle - half, middle + half)
    assert (dim.min() - 0.25, dim.max() + 0.25) == pytest.approx(expected, abs=0.5)
    assert np.unique(lit) == pytest.approx([0.25, 1.0])


def heights_at(points, ground):
    """Height of the ground, of its nearest cell."""
    column = np.clip(((points[:, 0] - ground.west) / ground.cell_x).astype(int), 0, None)
    row = np.clip(((ground.north - points[:, 1]) / ground.cell_y).astype(int), 0, None)
    rows, columns = ground.heights.shape
    return ground.heights[np.minimum(row, rows - 1), np.minimum(column, columns - 1)]


def roofs(buildings, ground, grid):
    """Footprints and what their roofs lie at: so much over the lowest cell of ground under them."""
    centres = np.array(np.meshgrid(grid.x, grid.y)).reshape(2, -1).T
    found = []
    for shape, height in zip(buildings.geometry, buildings["height"], strict=True):
        inside = shapely.contains_xy(shape, *centres.T)
        if inside.any():
            found.append((shape, heights_at(centres[inside], ground).min() + height))
    return found


def test_buildings_on_hills_agree_with_rays_followed_step_by_step():
    """Rays from 600 cells in steps of 5 cm over footprints and hills: under 2 % disagree.

    The rays know footprints to the centimetre and the ground by its nearest cell of 0.5 m; the
    engine knows both by cells. A level shadow, as vectors throw it, is wrong four times as often.
    """
    buildings, _ = scene(3)
    grid = LocalGrid(-30, 30, 0.5, 120, 120)
    ground = hills(3, cell=0.5, side=240.0)
    random = np.random.default_rng(5)
    row, column = random.integers(0, 120, (2, 600))
    points = np.column_stack([grid.x[column], grid.y[row]])
    wrong, level_wrong, tops = [], [], roofs(buildings, ground, grid)
    for elevation, azimuth in ((18.0, 100.0), (27.0, 205.0), (40.0, 290.0)):
        layers = {"buildings": buildings, "trees": NO_TREES}
        ours = shade_instants(grid, elevation, azimuth, terrain=ground, **layers)[0][row, column]
        flat = shade_instants(grid, elevation, azimuth, **layers)[0][row, column]
        start = heights_at(points, ground)
        dark = np.zeros(len(points), dtype=bool)
        way = np.array([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))])
        for step in np.arange(0.3, 80, 0.1):
            at = points + step * way
            top = heights_at(at, ground)
            for shape, roof in tops:
                top = np.where(shapely.contains_xy(shape, *at.T), np.maximum(top, roof), top)
            dark |= top > start + step * np.tan(np.radians(elevation)) + 0.02
        known = ~np.isnan(ours)
        wrong.append((dark != (ours == 0))[known].mean())
        level_wrong.append((dark != (flat == 0))[known].mean())
    assert np.mean(wrong) < 0.02
    assert np.mean(level_wrong) > 4 * np.mean(wrong)


def test_a_higher_building_on_a_slope_never_adds_sun():
    buildings, _ = scene(4)
    grid = LocalGrid(-30, 30, 1.0, 60, 60)
    low, high = (
        shade_instants(
            grid,
            [15.0, 35.0, 50.0],
            [90.0, 170.0, 250.0],
            buildings=buildings,
            trees=NO_TREES,
            terrain=hills(4),
            options=ShadeOptions(height_scale=scale),
        )
        for scale in (1.0, 1.3)
    )
    ground = ~np.isnan(low)
    assert (high[ground] <= low[ground] + 1e-12).all()
    assert (high[ground] < low[ground] - 0.5).any()


def test_buildings_beyond_the_terrain_still_shade():
    """A tower 60 m outside a small terrain stands on its nearest ground."""
    small = HeightRaster(np.add.outer(np.zeros(20), np.arange(20) * 0.2), -10, 10, 1, 1)
    tower = gpd.GeoDataFrame({"height": [40.0]}, geometry=[shapely.box(-75, -10, -65, 10)])
    grid = LocalGrid(-10, 10, 1.0, 20, 20)
    lit = shade_instants(grid, 25.0, 270.0, buildings=tower, trees=NO_TREES, terrain=small)[0]
    assert (lit[5:15] == 0).all()
