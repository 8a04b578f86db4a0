"""Shade: closed forms, ray tests with 0 wrong, and what must not change."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon, Point, box
from shapely.affinity import rotate, translate

from siting.errors import InputError
from siting.site.model import HeightRaster, LocalGrid
from siting.sun.light import ShadeOptions
from siting.sun.position import SunPositions, season_positions, sun_at
from siting.sun.scene import TREE_HEIGHT_M, fill_tree_defaults
from siting.sun.shade import shade_instants
from tests.sun_cases import roof_mask, shade_season
from tests.sun_raytest import lit_share
from tests.tries import tries

QUICK = ShadeOptions(sky_directions=24)
SIDE = 40.0
SEEDS = st.integers(0, 10_000)


def blocks(shapes, heights):
    return gpd.GeoDataFrame({"height": list(heights)}, geometry=list(shapes))


NO_BUILDINGS = blocks([], [])
NO_TREES = gpd.GeoDataFrame({"height": []}, geometry=[])


def season(grid, sun, *, buildings=NO_BUILDINGS, trees=NO_TREES, options=QUICK, **more):
    """`shade_season` with nothing that shades but what is named, and few directions of sky."""
    return shade_season(grid, sun, buildings=buildings, trees=trees, options=options, **more)


def instants(grid, elevation, azimuth, *, buildings=NO_BUILDINGS, trees=NO_TREES, **more):
    """`shade_instants` with nothing that shades but what is named."""
    return shade_instants(grid, elevation, azimuth, buildings=buildings, trees=trees, **more)


def scene(seed, *, count=6, trees=8):
    """Random scene about the origin: courtyards, L-shapes, multiparts, round and drawn crowns."""
    random = np.random.default_rng(seed)
    shapes = []
    for i in range(count):
        (x, y), (w, d) = random.uniform(-18, 18, 2), random.uniform(4, 12, 2)
        body = box(x - w / 2, y - d / 2, x + w / 2, y + d / 2)
        if i % 3 == 0:
            body = body.difference(box(x - w / 5, y - d / 5, x + w / 5, y + d / 5))
        if i % 3 == 1:
            body = body.union(box(x, y, x + w * 0.8, y + d * 0.8))
        if i % 3 == 2:
            body = MultiPolygon([body, translate(body, w + 1, 2)])
        shapes.append(rotate(body, random.uniform(0, 90)))
    points = [Point(*random.uniform(-18, 18, 2)) for _ in range(trees)]
    crowns = [
        shapely.affinity.scale(p.buffer(2.2, quad_segs=3), 1, 1.4) if i % 3 == 0 else None
        for i, p in enumerate(points)
    ]
    layer = gpd.GeoDataFrame(
        {
            "height": random.uniform(3, 12, trees),
            "crown_diameter": random.uniform(2, 7, trees),
            "transmissivity": random.choice([0.0, 0.1, 0.35], trees),
            "crown": crowns,
        },
        geometry=points,
    )
    return blocks(shapes, random.uniform(2, 9, count)), layer


def suns(seed, count=6):
    """Random sun positions, some very low and some nearly overhead."""
    random = np.random.default_rng(seed + 1)
    elevation = np.concatenate([[0.3, 2.0, 89.0], random.uniform(4, 80, count - 3)])
    return elevation, random.uniform(0, 360, count)


def season_of(elevation, azimuth):
    count = len(elevation)
    weight = np.random.default_rng(9).uniform(0.2, 1, count)
    return SunPositions(np.full(count, 6), elevation, azimuth, np.full(count, 0.5), weight)


def grid_of(cells=40, west=-SIDE / 2 + 0.0137, north=SIDE / 2 + 0.0211):
    return LocalGrid(west, north, SIDE / cells, cells, cells)


def centres(grid):
    return np.column_stack([part.ravel() for part in np.meshgrid(grid.x, grid.y)])


def wrong(grid, elevation, azimuth, buildings, trees):
    """Pixel-instants that disagree with ray tests, those within 1e-9 m of an edge left out."""
    found = instants(grid, elevation, azimuth, buildings=buildings, trees=trees)
    found = found.reshape(len(elevation), -1)
    layers = {"buildings": buildings, "trees": trees}
    exact = lit_share(centres(grid), elevation, azimuth, **layers)
    bad = np.argwhere(~np.isclose(found, exact, rtol=0, atol=1e-12, equal_nan=True))
    count = 0
    for n, p in bad:
        near = centres(grid)[p] + 1e-9 * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
        around = lit_share(near, elevation[n], azimuth[n], **layers)
        count += int((around == around[0, 0]).all() or np.isnan(around).all())
    return count


# Published and closed forms


@pytest.mark.closed_form(
    "Reda & Andreas 2004 A.5 with L = h / tan(elevation), bearing azimuth + 180"
)
def test_length_and_bearing_of_a_shadow():
    """Elevation 39.8884 (refracted), azimuth 194.3402: a 10 m pole throws 11.965 m to 14.34 deg."""
    pole = Point(0, 0).buffer(0.02)
    grid = LocalGrid(-1, 13, 0.01, 1300, 500)
    lit = instants(grid, 39.888378, 194.340241, buildings=blocks([pole], [10.0]))[0]
    row, column = np.nonzero(lit == 0)
    x, y = grid.x[column], grid.y[row]
    length = np.hypot(x, y)
    tip = np.argmax(length)
    assert length[tip] == pytest.approx(11.965, rel=0.005)
    assert np.degrees(np.arctan2(x[tip], y[tip])) == pytest.approx(14.34, rel=0.01)


def equinox(latitude, count=61):
    """Sun positions of a day with declination 0, exactly."""
    hour, phi = np.radians(np.linspace(-75, 75, count)), np.radians(latitude)
    elevation = np.degrees(np.arcsin(np.cos(phi) * np.cos(hour)))
    azimuth = np.degrees(np.arctan2(-np.sin(hour), -np.sin(phi) * np.cos(hour))) % 360
    return elevation, azimuth


@pytest.mark.closed_form(
    "Closed form: equinox, infinite east-west wall: shadow depth = H tan(latitude)"
)
@pytest.mark.parametrize(("height", "latitude"), [(5.0, 28.5), (3.0, 51.0), (8.0, -33.0)])
def test_equinox_wall_is_exact(height, latitude):
    """H 5 m at 28.5 N: 2.7147785 m; 1e-6 m nearer is dark all day, 1e-6 m farther lit all day."""
    depth = height * np.tan(np.radians(latitude))
    wall = blocks([box(-1e4, -1, 1e4, 0) if latitude > 0 else box(-1e4, 0, 1e4, 1)], [height])
    grid = LocalGrid(-1e-6, depth + 2e-6, 2e-6, 2, 1)
    lit = instants(grid, *equinox(latitude), buildings=wall)[:, :, 0]
    far, near = (0, 1) if latitude > 0 else (1, 0)
    assert (lit[:, far] == 1).all()
    assert (lit[:, near] == 0).all()


@pytest.mark.closed_form(
    "Equinox wall 5 m at 28.5 N with the real sun of 2024-03-20: 2.715 m within 5 %"
)
def test_equinox_wall_with_the_real_sun():
    """Between 07:30 and 17:30 local standard time; declination 0.15 to 0.3 degrees."""
    times = pd.date_range("2024-03-20 12:30", "2024-03-20 22:30", freq="10min", tz="UTC")
    sun = sun_at(times, 28.5, -81.38)
    wall = blocks([box(-1e4, -1, 1e4, 0)], [5.0])
    grid = LocalGrid(-0.005, 4.0, 0.01, 400, 1)
    lit = instants(grid, sun["elevation"], sun["azimuth"], buildings=wall)
    depth = (lit[:, :, 0] == 0).sum(axis=1) * grid.resolution
    assert depth == pytest.approx(2.715, rel=0.05)


@pytest.mark.cross_check(
    "pvlib 0.16 SPA, recomputed: noon shadow of a 10 m pole at 28.5 N, 81.38 W"
)
@pytest.mark.parametrize(
    ("instant", "elevation", "length"),
    [
        ("2024-06-20 12:27-05:00", 84.9373298429747, 0.885909422719578),
        ("2024-12-21 12:24-05:00", 38.06009656284115, 12.771781253154929),
    ],
)
def test_noon_shadow_at_the_solstices(instant, elevation, length):
    """Elevation 84.94 and 38.06 degrees: 0.886 m and 12.772 m."""
    sun = sun_at(pd.DatetimeIndex([instant]), 28.5, -81.38)
    assert sun["elevation"].iloc[0] == pytest.approx(elevation, abs=0.01)
    pole = blocks([Point(0, 0).buffer(0.005)], [10.0])
    lit = instants(
        LocalGrid(-1, 13, 0.005, 2600, 400), sun["elevation"], sun["azimuth"], buildings=pole
    )[0]
    grid = LocalGrid(-1, 13, 0.005, 2600, 400)
    row, column = np.nonzero(lit == 0)
    assert np.hypot(grid.x[column], grid.y[row]).max() == pytest.approx(length, rel=0.01)


@pytest.mark.closed_form("Beer-Lambert: transmissivities of crowns in a row multiply")
def test_crowns_multiply():
    trees = gpd.GeoDataFrame(
        {"height": [10.0] * 3, "crown_diameter": [6.0] * 3, "transmissivity": [0.2, 0.3, 0.5]},
        geometry=[Point(0, 0)] * 3,
    )
    lit = instants(LocalGrid(-0.5, 0.5, 1, 1, 1), 89.9, 10.0, trees=trees)
    assert lit[0, 0, 0] == pytest.approx(0.2 * 0.3 * 0.5, abs=1e-12)


@pytest.mark.closed_form("Closed form: an ellipsoid's shadow has area pi a sqrt(a^2 + c^2 / tan^2)")
def test_area_of_a_crowns_shadow():
    """H 10 m, base 3 m: c = 3.5; a = 2.5; at 35 degrees."""
    trees = gpd.GeoDataFrame(
        {"height": [10.0], "crown_diameter": [5.0], "transmissivity": [0.25]},
        geometry=[Point(0, 0)],
    )
    grid = LocalGrid(-20, 20, 0.05, 800, 800)
    lit = instants(grid, 35.0, 222.0, trees=trees)[0]
    area = (lit < 1).sum() * grid.resolution**2
    along = np.hypot(2.5, 3.5 / np.tan(np.radians(35)))
    assert area == pytest.approx(np.pi * 2.5 * along, rel=0.002)
    y, x = (grid.y[:, None] * (lit < 1)).sum(), (grid.x * (lit < 1)).sum()
    shift = np.hypot(x, y) / (lit < 1).sum()
    assert shift == pytest.approx(6.5 / np.tan(np.radians(35)), rel=0.002)
    np.testing.assert_allclose(np.unique(lit), [0.25, 1.0], atol=1e-12)


# Ray tests


@tries(12)
@given(SEEDS)
def test_no_pixel_instant_is_wrong(seed):
    assert wrong(grid_of(), *suns(seed), *scene(seed)) == 0


def test_no_gap_between_the_quads_of_a_round_building():
    """720 narrow walls; grid and walls share coordinates, and the sun stands on the axes too."""
    tower = blocks([Point(0, 0).buffer(6, quad_segs=180)], [20.0])
    elevation = np.full(8, 31.0)
    azimuth = np.array([0, 45, 90, 135, 180, 225, 270, 300.5])
    assert wrong(grid_of(80, -20, 20), elevation, azimuth, tower, NO_TREES) == 0


def test_party_walls_leave_no_light_between():
    """Two buildings that share a wall shade as one."""
    apart = blocks([box(-8.3, -3.1, 1.7, 4.2), box(1.7, -3.1, 9.4, 4.2)], [6.0, 6.0])
    whole = blocks([box(-8.3, -3.1, 9.4, 4.2)], [6.0])
    elevation, azimuth = suns(3, 20)
    first, second = (instants(grid_of(), elevation, azimuth, buildings=b) for b in (apart, whole))
    np.testing.assert_array_equal(first, second)


def test_roofs_are_the_cells_whose_centre_lies_inside():
    buildings, _ = scene(11, count=9)
    grid = grid_of(200)
    inside = shapely.contains_xy(shapely.union_all(buildings.geometry), *centres(grid).T)
    np.testing.assert_array_equal(roof_mask(grid, buildings).ravel(), inside)


def test_corners_on_cell_centres_count_once():
    """A diamond whose four corners are cell centres: even-odd parity holds in their columns."""
    grid = LocalGrid(-10.5, 10.5, 1, 21, 21)
    diamond = shapely.Polygon([(6, 0), (0, 6), (-6, 0), (0, -6)])
    roofs = roof_mask(grid, blocks([diamond], [3.0]))
    reach = np.abs(grid.x) + np.abs(grid.y)[:, None]
    assert roofs[reach < 6].all()
    assert not roofs[reach > 6].any()


def test_a_building_far_off_the_grid_shades_it_at_a_low_sun():
    """A 30 m tower 500 m to the south, sun at 3 degrees: shadow of 572 m."""
    tower = blocks([box(-15, -500, 15, -480)], [30.0])
    low, high = instants(grid_of(), [3.0, 4.0], [180.0, 180.0], buildings=tower)
    assert (low[:, 20] == 0).all()
    assert (high == 1).all()


# What must not change


@tries(8)
@given(SEEDS, st.floats(1.0, 3.0))
def test_raising_anything_never_adds_sun(seed, factor):
    """Ellipsoids rise with their base, so only buildings are raised."""
    buildings, _ = scene(seed)
    sun = season_of(*suns(seed))
    low = season(grid_of(), sun, buildings=buildings)
    taller = buildings.assign(height=buildings["height"] * factor)
    high = season(grid_of(), sun, buildings=taller)
    for name in ("sun_hours", "beam_fraction", "sky_view"):
        less, more = getattr(high, name), getattr(low, name)
        assert (np.nan_to_num(less) <= np.nan_to_num(more) + 1e-12).all()


@tries(6)
@given(SEEDS)
def test_turning_world_and_sun_turns_the_result(seed):
    buildings, trees = scene(seed)
    elevation, azimuth = suns(seed)
    grid = LocalGrid(-20, 20, 1, 40, 40)
    before = season(grid, season_of(elevation, azimuth), buildings=buildings, trees=trees)
    turned_trees = trees.set_geometry(trees.geometry.rotate(90, origin=(0, 0)))
    turned_trees["crown"] = [c and rotate(c, 90, origin=(0, 0)) for c in trees["crown"]]
    after = season(
        grid,
        season_of(elevation, azimuth - 90),
        buildings=buildings.set_geometry(buildings.geometry.rotate(90, origin=(0, 0))),
        trees=turned_trees,
    )
    for name in ("sun_hours", "beam_fraction", "sky_view"):
        there = np.rot90(getattr(before, name), axes=(-2, -1))
        # The sky is sampled by azimuth, to a thousandth at worst: bearings round otherwise turned.
        near = 2e-6 if name == "sky_view" else 1e-9
        np.testing.assert_allclose(getattr(after, name), there, rtol=0, atol=near)


@tries(6)
@given(SEEDS, st.floats(-3000, 3000), st.floats(-3000, 3000))
def test_moving_world_and_grid_changes_nothing(seed, east, north):
    buildings, trees = scene(seed)
    sun, grid = season_of(*suns(seed)), grid_of()
    before = season(grid, sun, buildings=buildings, trees=trees)
    moved_trees = trees.set_geometry(trees.geometry.translate(east, north))
    moved_trees["crown"] = [c and translate(c, east, north) for c in trees["crown"]]
    after = season(
        grid._replace(west=grid.west + east, north=grid.north + north),
        sun,
        buildings=buildings.set_geometry(buildings.geometry.translate(east, north)),
        trees=moved_trees,
    )
    np.testing.assert_allclose(after.sun_hours, before.sun_hours, rtol=0, atol=1e-9)
    np.testing.assert_allclose(after.sky_view, before.sky_view, rtol=0, atol=1e-9)


@tries(5)
@given(SEEDS)
def test_order_and_duplicates_of_buildings_change_nothing(seed):
    buildings, trees = scene(seed)
    sun = season_of(*suns(seed))
    changed = pd.concat([buildings.iloc[::-1], buildings])
    first, second = (season(grid_of(), sun, buildings=b, trees=trees) for b in (buildings, changed))
    np.testing.assert_array_equal(first.sun_hours, second.sun_hours)
    np.testing.assert_array_equal(first.sky_view, second.sky_view)


# The season


def test_season_sums_what_the_instants_show():
    buildings, trees = scene(8)
    sun = season_positions(-35.0, 149.0, months=(1, 7), minutes=30)
    found = season(grid_of(), sun, buildings=buildings, trees=trees)
    lit = instants(grid_of(), sun.elevation, sun.azimuth, buildings=buildings, trees=trees)
    for i, month in enumerate((1, 7)):
        on = sun.month == month
        hours = np.tensordot(sun.hours[on], lit[on], axes=1)
        share = np.tensordot(sun.beam[on], lit[on], axes=1) / sun.beam[on].sum()
        np.testing.assert_allclose(found.sun_hours[i], hours, rtol=0, atol=1e-9)
        np.testing.assert_allclose(found.beam_fraction[i], share, rtol=0, atol=1e-9)


def test_open_ground_gets_the_whole_day():
    sun = season_positions(40.0, 0.0, months=(6, 12), minutes=30)
    found = season(grid_of(), sun)
    for i, month in enumerate((6, 12)):
        assert found.sun_hours[i] == pytest.approx(sun.hours[sun.month == month].sum())
    assert found.months == (6, 12)
    assert found.beam_fraction == pytest.approx(1.0)
    assert found.sky_view == pytest.approx(1.0)


def test_polar_night_is_a_month_without_sun():
    sun = season_positions(78.0, 15.6, months=(12, 6), minutes=30)
    buildings, trees = scene(2)
    found = season(grid_of(), sun, buildings=buildings, trees=trees, months=(12, 6))
    assert found.months == (12, 6)
    assert np.nanmax(found.sun_hours[0]) == np.nanmax(found.beam_fraction[0]) == 0
    assert np.nanmax(found.sun_hours[1]) > 5


def test_shade_lies_south_of_a_building_in_the_southern_hemisphere():
    house = blocks([box(-5, -5, 5, 5)], [6.0])
    for latitude, dark in ((40.0, 6.5), (-40.0, -6.5)):
        sun = season_positions(latitude, 0.0, months=(3,), minutes=30)
        hours = season(grid_of(), sun, buildings=house).sun_hours[0]
        column = int(np.argmin(np.abs(grid_of().x)))
        shaded, sunny = (int(np.argmin(np.abs(grid_of().y - y))) for y in (dark, -dark))
        assert hours[shaded, column] < 0.3 * hours[sunny, column]


def test_scales_are_what_they_say():
    buildings, trees = scene(4)
    elevation, azimuth = suns(4)
    found = instants(
        grid_of(),
        elevation,
        azimuth,
        buildings=buildings,
        trees=trees,
        options=ShadeOptions(height_scale=1.2, transmissivity_scale=4.0),
    )
    taller = trees.assign(
        height=trees["height"] * 1.2,
        transmissivity=np.minimum(trees["transmissivity"] * 4.0, 1.0),
    )
    other = instants(
        grid_of(),
        elevation,
        azimuth,
        buildings=buildings.assign(height=buildings["height"] * 1.2),
        trees=taller,
    )
    np.testing.assert_allclose(found, other, rtol=0, atol=1e-12)


def test_progress_tells_how_far_it_is():
    seen = []
    options = ShadeOptions(sky_directions=4, threads=2, progress=lambda *what: seen.append(what))
    sun = season_of(*suns(1))
    season(grid_of(), sun, options=options)
    assert seen == [(1, 2), (2, 2)]


def test_inputs_stay_as_they_were():
    buildings, trees = scene(6)
    trees.loc[0, "height"] = np.nan
    copies = buildings.copy(deep=True), trees.copy(deep=True)
    season(grid_of(), season_of(*suns(6)), buildings=buildings, trees=trees)
    pd.testing.assert_frame_equal(buildings, copies[0])
    pd.testing.assert_frame_equal(trees, copies[1])


def test_unknown_trees_take_defaults_and_say_so():
    trees = gpd.GeoDataFrame(
        {"height": [10.0, np.nan, np.nan], "crown_diameter": [np.nan, 6.0, np.nan]},
        geometry=[Point(0, 0)] * 3,
    )
    filled, notes = fill_tree_defaults(trees)
    assert filled["height"].tolist() == [10.0, 10.0, TREE_HEIGHT_M]
    assert filled["crown_diameter"].tolist() == pytest.approx([6.0, 6.0, 4.8])
    assert len(notes) == 3
    assert all("trees without" in note for note in notes)


def test_all_faults_at_once():
    trees = gpd.GeoDataFrame(
        {"height": [-2.0, 5.0], "transmissivity": [0.1, 15.0]}, geometry=[Point(0, 0)] * 2
    )
    buildings = blocks([box(0, 0, 1, 1)], [np.nan])
    with pytest.raises(InputError) as caught:
        instants(grid_of(), 30.0, 100.0, buildings=buildings, trees=trees)
    columns = [(fault.file, fault.column) for fault in caught.value.faults]
    assert columns[0] == ("buildings", "height")
    assert ("trees", "height") in columns
    assert ("trees", "transmissivity") in columns


# Rasters of heights


def raster_of(grid, buildings):
    heights = np.full(grid.shape, np.nan)
    for i, height in enumerate(buildings["height"]):
        roof = roof_mask(grid, buildings.iloc[[i]])
        heights = np.fmax(heights, np.where(roof, height, np.nan))
    return HeightRaster(heights, grid.west, grid.north, grid.resolution, grid.resolution)


def test_surface_raster_agrees_with_the_vectors():
    """Only near edges, within the raster's own error: below 3 % of pixel-instants at 0.25 m."""
    buildings, _ = scene(12)
    grid = grid_of(160)
    sun = season_positions(35.0, 0.0, months=(3, 6, 10), minutes=40)
    vector = instants(grid, sun.elevation, sun.azimuth, buildings=buildings)
    raster = instants(
        grid,
        sun.elevation,
        sun.azimuth,
        surface=raster_of(grid, buildings),
    )
    ground = ~np.isnan(vector)
    assert 0 < (vector[ground] != raster[ground]).mean() < 0.03


@pytest.mark.parametrize("azimuth", [90.0, 180.0, 270.0, 0.0])
def test_surface_wall_throws_its_length(azimuth):
    """A 4 m pillar, a box of 1 m, at 26.565 degrees (tan 0.5): 8 m of dark cells from its side."""
    heights = np.full((41, 41), np.nan)
    heights[20, 20] = 4.0
    grid = LocalGrid(0, 41, 1, 41, 41)
    lit = instants(
        grid,
        np.degrees(np.arctan(0.5)) + 1e-9,
        azimuth,
        surface=HeightRaster(heights, 0, 41, 1, 1),
    )[0]
    row, column = np.nonzero(lit == 0)
    away = np.array([-np.cos(np.radians(azimuth)), -np.sin(np.radians(azimuth))])
    steps = np.sort((20 - row) * away[0] + (column - 20) * away[1])
    assert steps == pytest.approx([1, 2, 3, 4, 5, 6, 7, 8], abs=1e-9)


def test_a_slope_that_faces_away_lies_in_its_own_shade():
    """Ground that falls to the north by 30 %: dark at noon below 16.7 degrees, lit above."""
    grid = grid_of()
    north = np.linspace(-200, 200, 401)[::-1]
    terrain = HeightRaster(np.repeat(100 - 0.3 * north[:, None], 401, axis=1), -200.5, 200.5, 1, 1)
    lit = instants(grid, [14.0, 20.0], [180.0] * 2, terrain=terrain)
    assert (lit[0] == 0).all()
    assert (lit[1] == 1).all()


def test_surface_above_the_sea_needs_a_terrain():
    surface = HeightRaster(np.full((40, 40), 312.0), -20, 20, 1, 1)
    layers = {"buildings": NO_BUILDINGS, "trees": NO_TREES}
    with pytest.raises(InputError, match="terrain"):
        instants(grid_of(), 30.0, 100.0, surface=surface, **layers)
    terrain = HeightRaster(np.full((40, 40), 312.0), -20, 20, 1, 1)
    lit = instants(grid_of(), 30.0, 100.0, surface=surface, terrain=terrain, **layers)
    assert (lit == 1).all()
