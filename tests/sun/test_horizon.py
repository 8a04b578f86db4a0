"""The obstacle horizon against closed forms and ray tests."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point, box
from shapely.affinity import rotate

from siting.errors import InputError
from siting.site.model import LocalGrid
from tests.sun_horizon import horizon
from tests.sun_raytest import lit_share
from tests.tries import tries

GRID = LocalGrid(100.0, 240.0, 0.5, 80, 100)
NO_TREES = gpd.GeoDataFrame({"height": []}, geometry=[])


def houses(shapes, heights):
    return gpd.GeoDataFrame({"height": list(heights)}, geometry=list(shapes))


def tree(x, y, *, height=10.0, spread=6.0, light=0.2, crown=None):
    columns = {"height": [height], "crown_diameter": [spread], "transmissivity": [light]}
    return gpd.GeoDataFrame({**columns, "crown": [crown]}, geometry=[Point(x, y)])


NO_HOUSES = houses([], [])
YARD = houses([box(110, 220, 122, 232), box(130, 205, 138, 230)], [6.0, 9.0])
TREES = gpd.GeoDataFrame(
    {"height": [7.0, 5.0], "crown_diameter": [5.0, 4.0], "transmissivity": [0.2, 0.3]},
    geometry=[Point(126, 212), Point(143, 222)],
)


# The horizon


def test_horizon_of_a_long_wall():
    """A wall of height h at distance d rises to atan(h cos(a) / d), a from its normal."""
    wall = houses([box(-1e6, 20, 1e6, 21)], [5.0])
    azimuth = np.array([0.0, 30, 60, 85, 95, 180, 275, 330])
    seen = horizon((0, 0), azimuth, buildings=wall, trees=NO_TREES)
    expected = np.degrees(np.arctan(np.maximum(5 * np.cos(np.radians(azimuth)), 0) / 20))
    assert seen.solid == pytest.approx(expected, abs=1e-9)


def test_horizon_of_a_pole():
    """A square pole 0.2 m wide, 10 m high, 50 m to the east spans 0.23 degrees at 11.3 degrees."""
    pole = houses([box(50, -0.1, 50.2, 0.1)], [10.0])
    edge = np.degrees(np.arctan(0.1 / 50))
    azimuth = np.array([90 - edge - 1e-6, 90 - edge + 1e-6, 90, 90 + edge - 1e-6, 90 + edge + 1e-6])
    seen = horizon((0, 0), azimuth, buildings=pole, trees=NO_TREES)
    top = np.degrees(np.arctan(10 / 50))
    assert seen.solid[[0, 4]] == pytest.approx(0)
    assert seen.solid[1:4] == pytest.approx(top, abs=1e-4)


def test_the_higher_of_two_houses_counts_and_not_the_nearer():
    two = houses([box(-5, 10, 5, 12), box(-5, 30, 5, 32)], [2.0, 30.0])
    assert horizon((0, 0), [0.0], buildings=two, trees=NO_TREES).solid == pytest.approx([45.0])


def test_a_courtyard_is_seen_from_inside():
    court = houses([box(-20, -20, 20, 20).difference(box(-10, -10, 10, 10))], [10.0])
    seen = horizon((0, 0), [0.0, 45.0, 90.0], buildings=court, trees=NO_TREES)
    diagonal = np.degrees(np.arctan(1 / np.sqrt(2)))
    assert seen.solid == pytest.approx([45, diagonal, 45])


def test_horizon_of_a_drawn_crown():
    """A crown over y from 10 to 20 m, 3 to 10 m high, lies between atan(3/20) and atan(10/10)."""
    one = tree(0, 15, crown=box(-5, 10, 5, 20)).assign(crown_base=3.0)
    seen = horizon((0, 0), [0.0, 180.0], buildings=NO_HOUSES, trees=one)
    assert seen.low[0] == pytest.approx([np.degrees(np.arctan(3 / 20)), np.nan], nan_ok=True)
    assert seen.high[0] == pytest.approx([45, np.nan], nan_ok=True)
    assert seen.light([30.0, 30.0]) == pytest.approx([0.2, 1.0])


def test_horizon_of_a_ball_in_a_tree():
    """A ball of radius r with its centre at distance D spans 2 asin(r / D)."""
    one = tree(0, 30, height=43.0, spread=6.0).assign(crown_base=37.0)
    seen = horizon((0, 0), [0.0], buildings=NO_HOUSES, trees=one)
    middle, half = np.degrees(np.arctan(40 / 30)), np.degrees(np.arcsin(3 / 50))
    assert [seen.low[0, 0], seen.high[0, 0]] == pytest.approx([middle - half, middle + half])


def test_a_hedge_lets_light_through_and_a_wall_does_not():
    lines = [shapely.LineString([(-9, 10), (9, 10)]), shapely.LineString([(-9, -10), (9, -10)])]
    walls = gpd.GeoDataFrame({"height": [10.0, 10.0], "transmissivity": [0.4, 0.0]}, geometry=lines)
    seen = horizon((0, 0), [0.0, 180.0], buildings=NO_HOUSES, trees=NO_TREES, walls=walls)
    assert seen.solid == pytest.approx([0, 45])
    assert seen.light([40.0, 40.0]) == pytest.approx([0.4, 0.0])
    assert seen.light([50.0, 50.0]) == pytest.approx([1.0, 1.0])


@tries(15)
@given(st.integers(0, 10_000))
def test_light_under_the_horizon_is_that_of_ray_tests(seed):
    random = np.random.default_rng(seed)
    shapes = [
        rotate(box(x, y, x + 6, y + 4), random.uniform(0, 90))
        for x, y in random.uniform(-25, 25, (5, 2))
        if abs(x + 3) > 5 or abs(y + 2) > 5
    ]
    layers = {"buildings": houses(shapes, random.uniform(2, 12, len(shapes)))}
    crowns = [Point(*random.uniform(-15, 15, 2)) for _ in range(6)]
    layers["trees"] = gpd.GeoDataFrame(
        {
            "height": random.uniform(3, 12, 6),
            "crown_diameter": random.uniform(2, 12, 6),
            "transmissivity": random.uniform(0.1, 0.6, 6),
            "crown": [c.buffer(3, quad_segs=2) if i % 2 else None for i, c in enumerate(crowns)],
        },
        geometry=crowns,
    )
    elevation, azimuth = random.uniform(1, 89, 200), random.uniform(0, 360, 200)
    seen = horizon((0, 0), azimuth, **layers).light(elevation)
    assert seen == pytest.approx(lit_share([(0, 0)], elevation, azimuth, **layers)[:, 0])


def test_a_point_in_a_building_has_no_horizon():
    with pytest.raises(InputError, match="outside buildings"):
        horizon((115, 225), buildings=YARD, trees=NO_TREES)
