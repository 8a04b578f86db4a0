"""Sky view against closed forms, and the radiation that follows from it."""

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Point, box
from shapely.affinity import rotate

from siting.errors import InputError
from siting.site.model import HeightRaster, LocalGrid
from siting.sun.kernels import horizon_azimuths, solid_walls
from siting.sun.light import ShadeOptions
from siting.sun.position import SunPositions, SunShade, shaded_radiation, sky_directions
from siting.sun.scene import build_scene
from tests.sun_cases import shade_season
from tests.sun_horizon import horizon

NOON = SunPositions(*(np.array([value]) for value in (6, 80.0, 180.0, 10.0, 20.0)))
LONG = 5000.0


def sky_view(grid, height, *shapes, options=None):
    """Sky view with buildings of one height."""
    buildings = gpd.GeoDataFrame({"height": [height] * len(shapes)}, geometry=list(shapes))
    trees = gpd.GeoDataFrame({"height": []}, geometry=[])
    options = options or ShadeOptions()
    return shade_season(grid, NOON, buildings=buildings, trees=trees, options=options).sky_view


def test_directions_carry_equal_shares_and_stay_the_same_under_a_quarter_turn():
    sky = sky_directions(240)
    assert len(sky.weight) == 240
    assert sky.weight.sum() == pytest.approx(1, abs=1e-12)
    assert (sky.elevation > 0).all()
    there = sorted(zip(sky.elevation.round(9), (sky.azimuth % 360).round(6), strict=True))
    turned = sorted(zip(sky.elevation.round(9), ((sky.azimuth + 90) % 360).round(6), strict=True))
    assert there == turned


def test_directions_stay_the_same_in_a_mirror():
    sky = sky_directions(240)
    there = sorted(zip(sky.elevation.round(9), (sky.azimuth % 360).round(6), strict=True))
    mirrored = sorted(zip(sky.elevation.round(9), (-sky.azimuth % 360).round(6), strict=True))
    assert there == mirrored


@pytest.mark.closed_form(
    "Johnson & Watson 1984: infinite wall, (1 + cos(elevation of its top)) / 2"
)
@pytest.mark.parametrize("turn", [0, 17, 45, 80])
@pytest.mark.parametrize("height", [3.0, 6.0, 20.0])
def test_infinite_wall(turn, height):
    """Within 0.02 at every cell from 0.25 to 20 m off."""
    grid = LocalGrid(-10, 10, 0.5, 40, 40)
    found = sky_view(grid, height, rotate(box(-LONG, -1, LONG, 0), turn, origin=(0, 0)))
    x, y = np.meshgrid(grid.x, grid.y)
    off = y * np.cos(np.radians(turn)) - x * np.sin(np.radians(turn))
    off = np.where(off > 0, off, -1 - off)
    exact = (1 + np.cos(np.arctan2(height, off))) / 2
    ground = ~np.isnan(found)
    assert 0 < ground.sum() < found.size
    assert np.abs(found - exact)[ground].max() < 0.02


@pytest.mark.closed_form("Oke 1987, Boundary Layer Climates: canyon, middle, cos(atan(2 H / W))")
@pytest.mark.parametrize("turn", [0, 30, 45])
@pytest.mark.parametrize("ratio", [0.25, 0.5, 1.0, 2.0])
def test_middle_of_a_canyon(turn, ratio):
    width = 10.0
    sides = [box(-LONG, width / 2, LONG, 50), box(-LONG, -50, LONG, -width / 2)]
    shapes = [rotate(side, turn, origin=(0, 0)) for side in sides]
    found = sky_view(LocalGrid(-0.05, 0.05, 0.1, 1, 1), width * ratio, *shapes)[0, 0]
    assert found == pytest.approx(np.cos(np.arctan(2 * ratio)), abs=0.02)


@pytest.mark.closed_form("Johnson & Watson 1984: circular court, centre, R^2 / (R^2 + H^2)")
@pytest.mark.parametrize(("height", "radius"), [(5.0, 5.0), (10.0, 8.0), (3.0, 9.0), (12.0, 5.0)])
def test_centre_of_a_circular_court(height, radius):
    yard = Point(0, 0).buffer(radius, quad_segs=64)
    ring = Point(0, 0).buffer(radius + 60).difference(yard)
    found = sky_view(LocalGrid(-0.05, 0.05, 0.1, 1, 1), height, ring)[0, 0]
    assert found == pytest.approx(radius**2 / (radius**2 + height**2), abs=0.001)


def test_more_directions_come_nearer_under_crowns():
    """Walls need no directions; what a crown hides of the sky does."""
    grid = LocalGrid(-12, 12, 1, 24, 24)
    trees = gpd.GeoDataFrame(
        {"height": [9.0], "crown_diameter": [8.0], "transmissivity": [0.2]}, geometry=[Point(0, 0)]
    )
    none = gpd.GeoDataFrame({"height": []}, geometry=[])
    few, many, exact = (
        shade_season(
            grid, NOON, buildings=none, trees=trees, options=ShadeOptions(sky_directions=n)
        ).sky_view
        for n in (40, 1000, 20_000)
    )
    assert np.abs(many - exact).mean() < 0.3 * np.abs(few - exact).mean()


@pytest.mark.cross_check("the same crowns by 16 000 directions")
@pytest.mark.parametrize(("crowns", "worst"), [(1, 0.018), (12, 0.029)])
def test_how_far_the_sky_is_off_under_crowns(crowns, worst):
    """As the method's page states it."""
    rng = np.random.default_rng(3)
    places = rng.uniform(-11, 11, (crowns, 2)) if crowns > 1 else np.zeros((1, 2))
    high = rng.uniform(4, 15, crowns) if crowns > 1 else [6.0]
    wide = rng.uniform(3, 9, crowns) if crowns > 1 else [6.0]
    trees = gpd.GeoDataFrame(
        {"height": high, "crown_diameter": wide, "transmissivity": [0.15] * crowns},
        geometry=[Point(*place) for place in places],
    )
    none = gpd.GeoDataFrame({"height": []}, geometry=[])
    grid = LocalGrid(-12, 12, 0.5, 48, 48)
    few, exact = (
        shade_season(grid, NOON, buildings=none, trees=trees, options=options).sky_view
        for options in (ShadeOptions(), ShadeOptions(sky_directions=16_000))
    )
    assert 0.5 * worst < np.abs(few - exact).max() < worst


@pytest.mark.closed_form("two long walls: (sin atan(x / h) + sin atan((w - x) / h)) / 2")
def test_how_far_the_sky_is_off_between_walls_on_ground_that_is_not_level():
    """As the method's page states it."""
    grid = LocalGrid(0, 1, 0.25, 4, 80)
    walls = gpd.GeoDataFrame(
        {"height": [5.0, 5.0]}, geometry=[box(-4, -90, 0, 90), box(20, -90, 24, 90)]
    )
    none = gpd.GeoDataFrame({"height": []}, geometry=[])
    heights = np.full((220, 220), 300.0) + 1e-3 * np.arange(220)[:, None]
    terrain = HeightRaster(heights, -100, 110, 1.0, 1.0)
    found = shade_season(grid, NOON, buildings=walls, trees=none, terrain=terrain).sky_view
    exact = (np.sin(np.arctan(grid.x / 5)) + np.sin(np.arctan((20 - grid.x) / 5))) / 2
    assert 0.01 < np.nanmax(np.abs(found - exact)) < 0.028


def test_a_crown_dims_the_sky_by_its_transmissivity():
    """A vast crown overhead leaves its transmissivity, all round."""
    trees = gpd.GeoDataFrame(
        {"height": [10.0], "crown_diameter": [1e6], "transmissivity": [0.2]}, geometry=[Point(0, 0)]
    )
    buildings = gpd.GeoDataFrame({"height": []}, geometry=[])
    grid = LocalGrid(0, 1, 1, 1, 1)
    found = shade_season(grid, NOON, buildings=buildings, trees=trees).sky_view
    assert found == pytest.approx(0.2, abs=1e-9)


def radiation_case():
    shape = (2, 1, 2)
    fraction = np.array([[[1.0, 0.25]], [[0.5, np.nan]]])
    sun = SunShade(
        LocalGrid(0, 1, 1, 1, 2), (4, 7), np.zeros(shape), fraction, np.array([[0.8, 0.5]])
    )
    beam, diffuse = np.arange(1.0, 13), np.arange(12.0, 0, -1)
    return sun, beam, diffuse


def test_radiation_is_beam_times_fraction_plus_diffuse_times_sky_view():
    """April beam 4, diffuse 9; July beam 7, diffuse 6."""
    sun, beam, diffuse = radiation_case()
    found = shaded_radiation(sun, beam, diffuse)
    assert found[0, 0] == pytest.approx([4 * 1 + 9 * 0.8, 4 * 0.25 + 9 * 0.5])
    assert found[1, 0, 0] == pytest.approx(7 * 0.5 + 6 * 0.8)
    assert np.isnan(found[1, 0, 1])


def test_radiation_refuses_what_is_not_twelve_months():
    sun, beam, diffuse = radiation_case()
    diffuse[3] = np.nan
    with pytest.raises(InputError) as caught:
        shaded_radiation(sun, beam[:5], diffuse)
    assert [fault.column for fault in caught.value.faults] == ["beam_mj", "diffuse_mj"]


def test_a_multipolygon_is_as_good_as_its_parts():
    grid = LocalGrid(0, 20, 1, 20, 20)
    parts = box(2, 2, 6, 6), box(12, 9, 15, 17)
    together = sky_view(grid, 7.0, MultiPolygon(parts))
    apart = sky_view(grid, 7.0, *parts)
    np.testing.assert_array_equal(together, apart)


@pytest.mark.closed_form(
    "two endless walls: (sin of the angle from the zenith to one top + the same to the other) / 2"
)
@pytest.mark.parametrize("turn", [0, 17, 45, 80])
def test_between_two_long_walls_within_a_thousandth_everywhere(turn):
    """5 m walls 20 m apart, at every cell between them, whatever their bearing."""
    grid = LocalGrid(-20, 20, 0.5, 80, 80)
    lines = [LineString([(-LONG, y), (LONG, y)]) for y in (0.0, 20.0)]
    walls = gpd.GeoDataFrame(
        {"height": [5.0, 5.0], "transmissivity": [0.0, 0.0]},
        geometry=[rotate(line, turn, origin=(0, 0)) for line in lines],
    )
    none = gpd.GeoDataFrame({"height": []}, geometry=[])
    found = shade_season(grid, NOON, buildings=none, trees=none, walls=walls).sky_view
    x, y = np.meshgrid(grid.x, grid.y)
    off = y * np.cos(np.radians(turn)) - x * np.sin(np.radians(turn))
    between = (off > 0.01) & (off < 19.99)
    exact = (np.sin(np.arctan(off / 5)) + np.sin(np.arctan((20 - off) / 5))) / 2
    assert between.sum() > 1000
    assert np.abs(found - exact)[between].max() < 0.001


def test_open_ground_sees_the_whole_sky_to_the_last_digits():
    assert sky_view(LocalGrid(0, 10, 1, 10, 10), 3.0, box(900, 900, 901, 901)).min() > 1 - 1e-6


def test_sky_past_the_ends_of_a_building_against_its_exact_horizon():
    """Only where the horizon passes from one wall to the next is the sum approximate."""
    house = box(3, 2, 15, 9)
    grid = LocalGrid(0, 12, 1, 12, 18)
    found = sky_view(grid, 6.0, house)
    buildings = gpd.GeoDataFrame({"height": [6.0]}, geometry=[house])
    none = gpd.GeoDataFrame({"height": []}, geometry=[])
    fine = np.arange(0.05, 360, 0.1)
    for row, column in [(11, 0), (0, 9), (10, 9), (6, 17), (2, 2), (11, 17)]:
        place = (float(grid.x[column]), float(grid.y[row]))
        solid = horizon(place, fine, buildings=buildings, trees=none).solid
        exact = np.mean(np.cos(np.radians(solid)) ** 2)
        assert found[row, column] == pytest.approx(exact, abs=0.006)


def test_houses_before_towers_hide_what_they_hide_and_no_more():
    """Places all over against arcs between the horizons of single rays, which see every wall."""
    random = np.random.default_rng(5)
    middles = random.uniform(0, 110, (150, 2))
    heights = np.where(np.arange(150) % 8 == 0, 9.0, random.uniform(2.0, 3.0, 150))
    shapes = [
        rotate(box(x - 3, y - 2, x + 3, y + 2), turn)
        for (x, y), turn in zip(middles, random.uniform(0, 90, 150), strict=True)
    ]
    town = gpd.GeoDataFrame({"height": heights}, geometry=shapes)
    none = gpd.GeoDataFrame({"height": []}, geometry=[])
    grid = LocalGrid(0, 110, 1, 110, 110)
    found = shade_season(grid, NOON, buildings=town, trees=none, options=ShadeOptions()).sky_view
    walls = solid_walls(build_scene(town, none).on_grid(grid))
    azimuths = horizon_azimuths(walls)
    step = np.diff(azimuths, append=azimuths[0] + 2 * np.pi)
    checked = 0
    for row in range(3, 110, 15):
        for column in range(5, 110, 15):
            if np.isnan(found[row, column]):
                continue
            place = (float(grid.x[column]), float(grid.y[row]))
            rise = np.radians(
                horizon(place, np.degrees(azimuths), buildings=town, trees=none).solid
            )
            after = np.roll(rise, -1)
            level = np.cos(rise) * np.cos(after)
            arc = np.arccos(level * np.cos(step) + np.sin(rise) * np.sin(after))
            exact = (level * np.sin(step) * arc / np.sin(arc)).sum() / (2 * np.pi)
            assert found[row, column] == pytest.approx(exact, abs=2e-6)
            checked += 1
    assert checked > 30
