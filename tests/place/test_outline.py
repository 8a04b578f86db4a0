"""The outline of admissible ground, and the best point along it."""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box

from siting.place.placement import Found, Search, best_along, best_point, outline
from siting.place.setbacks import Region

RING = box(0, 0, 10, 6).difference(box(4, 2, 6, 4))


def test_the_ground_lies_on_the_right_of_every_ring():
    two = MultiPolygon([affinity.translate(RING, 20, 5), Polygon([(0, 0), (3, 1), (1, 4)])])
    edge = outline(two, [], 2.0)
    assert edge.length.sum() == pytest.approx(two.length)
    for ring in range(3):
        along = np.linspace(0, edge.length[ring], 50, endpoint=False) + 1e-3
        which = np.full(along.size, ring)
        x, y = edge.places(which, along)
        ahead_x, ahead_y = edge.places(which, along + 1e-4)
        right = np.column_stack([ahead_y - y, x - ahead_x]) * 1e-3 / 1e-4
        assert shapely.contains_xy(two, x + right[:, 0], y + right[:, 1]).all()
        assert np.allclose(shapely.distance(two.boundary, shapely.points(x, y)), 0.0, atol=1e-9)


def test_beyond_the_end_a_ring_goes_round_again():
    edge = outline(RING, [], 2.0)
    ring = np.array([0, 1])
    once = edge.places(ring, np.array([1.25, 0.5]))
    again = edge.places(ring, np.array([1.25, 0.5]) + edge.length)
    assert np.allclose(once, again, atol=1e-9)


def test_circles_around_points_that_are_taken_keep_two_metres_and_hardly_more():
    edge = outline(Polygon(), [(3.0, 4.0), (9.0, 9.0)], 2.0)
    for ring, centre in enumerate([(3.0, 4.0), (9.0, 9.0)]):
        along = np.linspace(0, edge.length[ring], 999)
        x, y = edge.places(np.full(along.size, ring), along)
        away = np.hypot(x - centre[0], y - centre[1])
        assert away.min() >= 2.0
        assert away.max() < 2.0 + 1e-4


def slanted(width):
    """Ground above a line that falls by `width` per metre; what is sought falls along it.

    The objective falls a little faster across the line than along it, so that only directions
    within a few degrees of the line are better and admissible.
    """
    ground = Polygon([(0, 0), (10, -10 * width), (10, 20), (0, 20)])
    along = np.array([1.0, -width]) / np.hypot(1, width)
    up = np.array([along[1], -along[0]]) * -1
    field = SimpleNamespace(
        objective=lambda x, y: 1.0 - 1e-3 * (x * along[0] + y * along[1])
        + 2e-2 * (x * up[0] + y * up[1])
    )  # fmt: skip
    shapely.prepare(ground)
    region = Region(ground, lambda x, y: x * up[0] + y * up[1], 1.0)
    return ground, Search(region, field, (5.0, 5.0))


@pytest.mark.parametrize("width", [0.13, 0.37, 0.61])
def test_the_end_of_a_slanted_edge_is_found_where_a_window_sticks(width):
    ground, search = slanted(width)
    start = np.array([2.0]), np.array([0.5])
    stuck = best_point(search, *start, reach=0.2)
    assert stuck.x < 9.0, "the search around a point does not get there"
    found = best_along(search, outline(ground, [], 2.0), stuck, spacing=0.1)
    assert found.value < stuck.value
    assert (found.x, found.y) == pytest.approx((10.0, -10 * width), abs=2e-3)
    assert ground.distance(Point(found.x, found.y)) == 0.0


def test_what_is_best_already_stays():
    ground, search = slanted(0.37)
    best = best_along(
        search, outline(ground, [], 2.0), best_point(search, *np.array([[2.0], [0.5]]), reach=0.2),
        spacing=0.1,
    )  # fmt: skip
    assert best_along(search, outline(ground, [], 2.0), best, spacing=0.1) == best
    inside = Found(5.0, 5.0, -9.0, 1.0)
    assert best_along(search, outline(ground, [], 2.0), inside, spacing=0.1) is inside
    assert best_along(search, outline(Polygon(), [], 2.0), inside, spacing=0.1) is inside


def test_an_edge_of_which_nothing_is_admissible_changes_nothing():
    ground, search = slanted(0.37)
    shut = Search(search.region._replace(allowed=lambda x, _y: np.zeros(x.shape, bool)),
                  search.field, search.middle)  # fmt: skip
    stuck = best_point(search, np.array([2.0]), np.array([0.5]), reach=0.2)
    assert best_along(shut, outline(ground, [], 2.0), stuck, spacing=0.1) is stuck
