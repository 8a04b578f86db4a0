"""The steps of placing a sensor, each alone against what follows by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from scipy import interpolate, ndimage, stats
from shapely.geometry import MultiPolygon, Point, box

from siting.errors import NoAdmissibleGroundError
from siting.place.placement import (
    RESERVE_GAP_M,
    RESERVES,
    _best_admissible,
    _best_cramped,
    _clear_of,
    _drawn_admissible,
    _middle,
    _open_ground,
    _points,
    _ranks_of,
    _Ridge,
    _tightest_ridge,
    _window,
    place_sensor,
)
from siting.place.rank import (
    _continued,
    _indicator_variance,
    mesh_of,
    pieces_of,
    surface_through,
)
from siting.place.setbacks import Hazards
from siting.zones.application import application_cv
from tests.place.test_placement import edge, even, hazards, lattice, place

STRIP = box(0, 0, 24, 1)
ALONG = np.arange(0.5, 23.75, 0.25)


def ground(zone, *rows, burial_error=0.1):
    return _open_ground(zone, Hazards.of(hazards(*rows)), burial_error)


def admissible(zone, hazard, setback):
    return _drawn_admissible(zone, np.array([hazard]), np.array([setback]))


def best_admissible(ground, ranks):
    objective = ranks.objective(ground.pieces.x, ground.pieces.y)
    return _best_admissible(ground, ranks, objective, [])


def test_the_lowest_quarter_of_a_normal_distribution():
    """The mean of its lowest quarter is -pdf(q) / 0.25 standard deviations (scipy)."""
    below = stats.norm.pdf(stats.norm.ppf(0.25)) / 0.25
    for uniformity in (0.0, 0.4, 0.75, 1.0):
        expected = (1 - uniformity) / below
        assert application_cv(uniformity) == pytest.approx(expected, rel=1e-4)
    assert application_cv(1.2) == 0.0


def test_two_metres_are_enough_and_count_from_every_point():
    x, y = np.array([2.0, 1.999, 0.0, 5.0]), np.array([0.0, 0.0, 2.0, 0.0])
    assert _clear_of([(0.0, 0.0)])(x, y).tolist() == [True, False, True, True]
    assert _clear_of([(0.0, 0.0), (5.0, 1.0)])(x, y).tolist() == [True, False, True, False]
    assert _clear_of([])(x, y).all()
    assert (RESERVE_GAP_M, RESERVES) == (2.0, 2)


@pytest.mark.parametrize(
    "shape",
    [
        STRIP,
        box(0, 0, 9, 9).difference(box(3, 3, 5, 6)),
        MultiPolygon([box(0, 0, 0.02, 7), box(4.01, 0.3, 4.02, 0.31)]),
        Point(5, 5).buffer(4, quad_segs=3).difference(Point(6, 5).buffer(2.2)),
    ],
)
def test_pieces_are_the_parts_of_every_cell_of_a_mesh(shape):
    """By cutting every cell, also those that the edge does not come near."""
    mesh = mesh_of(shape, burial_error=0.1)
    half = mesh.step / 2
    cells = shapely.box(mesh.x - half, mesh.y - half, mesh.x + half, mesh.y + half)
    parts = shapely.intersection(cells, shape)
    area = shapely.area(parts)
    pieces = pieces_of(shape, mesh)
    assert pieces.cell.tolist() == np.flatnonzero(area > 1e-12).tolist()  # but what rounding leaves
    assert pieces.area == pytest.approx(area[pieces.cell], rel=1e-9)
    assert pieces.area.sum() == pytest.approx(shape.area)
    centre, bounds = shapely.centroid(parts[pieces.cell]), shapely.bounds(parts[pieces.cell])
    assert pieces.x == pytest.approx(shapely.get_x(centre), abs=1e-6)
    assert pieces.y == pytest.approx(shapely.get_y(centre), abs=1e-6)
    assert pieces.width == pytest.approx(bounds[:, 2] - bounds[:, 0], abs=1e-9)
    assert pieces.height == pytest.approx(bounds[:, 3] - bounds[:, 1], abs=1e-9)


@pytest.mark.cross_check("scipy's spline of the same coefficients")
def test_a_surface_is_the_same_at_points_over_a_mesh_and_read_by_another():
    rng = np.random.default_rng(7)
    x, y = (part.ravel() for part in np.meshgrid(np.arange(0.25, 9), np.arange(0.25, 6)))
    surface = surface_through(x, y, rng.uniform(1, 2, (3, x.size)))
    mesh = mesh_of(box(-9, -9, 18, 15), burial_error=0.5)  # far beyond the lattice too
    rows, columns = surface.coefficients.shape[1:]
    row = np.clip((mesh.y - surface.south) / surface.step, 0, rows - 1)
    column = np.clip((mesh.x - surface.west) / surface.step, 0, columns - 1)
    at = surface.at(mesh.x, mesh.y)
    np.testing.assert_allclose(surface.over(mesh), at, rtol=1e-13)
    left = np.minimum(column.astype(int), columns - 2)
    below = np.minimum(row.astype(int), rows - 2)
    for s, coefficients in enumerate(surface.coefficients):
        read = ndimage.map_coordinates(coefficients, [row, column], order=3, prefilter=False)
        held = np.clip(read, surface.low[s, below, left], surface.high[s, below, left])
        np.testing.assert_allclose(at[s], held, rtol=1e-13)


@pytest.mark.cross_check("the radial basis of scipy")
@pytest.mark.parametrize("wide", [3.0, 40.0])
def test_few_samples_are_continued_by_cubes_of_distances_and_a_plane(wide):
    rng = np.random.default_rng(8)
    nodes = np.argwhere(np.ones((12, 50)))
    known = np.abs(nodes[:, 0] - 6) + nodes[:, 1] / 20 < wide / 2
    samples = nodes[known][:400].astype(float)
    values = rng.uniform(1, 2, (3, len(samples)))
    other = interpolate.RBFInterpolator(samples, values.T, kernel="cubic", degree=1)
    expected = other(nodes.astype(float)).T
    np.testing.assert_allclose(_continued(samples, values, nodes), expected, rtol=0, atol=1e-8)


@pytest.mark.closed_form("both of two normal variates lie below their means: 1/4 + asin(r)/2 pi")
def test_what_an_area_varies_by():
    limit, weight = np.zeros((1, 1, 2)), np.ones(2)
    for alike in (-0.5, 0.0, 0.3, 0.5):
        pairs = np.array([[[0.0, alike], [alike, 0.0]]])
        expected = max(2 * np.arcsin(alike) / (2 * np.pi), 0.0)
        assert _indicator_variance(limit, pairs, weight) == pytest.approx(expected, abs=1e-3)


def test_the_window_reaches_a_metre_beyond_the_longest_setback():
    assert _window(box(1, 2, 3, 5), np.array([0.5, 4.0])).bounds == (-4, -3, 8, 10)
    assert _window(box(1, 2, 3, 5), np.array([])).bounds == (0, 1, 4, 6)


def test_admissible_ground_is_drawn_with_a_circle_of_128_corners():
    drawn = admissible(box(0, 0, 10, 10), Point(5, 5), 2.0)
    circle = 128 / 2 * np.sin(2 * np.pi / 128) * 2.0**2
    assert drawn.area == pytest.approx(100 - circle, rel=1e-12)
    far = admissible(box(0, 0, 10, 10), Point(12, 5), 2.0)
    assert far.area == 100.0
    # Only what lies within the window is drawn, however long the hazard is.
    fence = shapely.LineString([(-1e5, 12), (1e5, 12)])
    assert admissible(box(0, 0, 10, 10), fence, 3.0).area == 90.0


def test_covered_ground_is_taken_out_and_slivers_are_none():
    open_ground = ground(box(0, 0, 10, 10), ("building", 0.0, box(4, 0, 6, 10)))
    assert open_ground.shape.area == 80.0
    assert len(shapely.get_parts(open_ground.shape)) == 2
    with pytest.raises(NoAdmissibleGroundError, match="cover the whole zone"):
        ground(box(0, 0, 10, 10), ("building", 0.0, box(-1, -1, 11, 11)))


def test_a_zone_without_samples_has_no_points():
    nothing = np.empty(0)
    with pytest.raises(NoAdmissibleGroundError, match="no points"):
        place_sensor(STRIP, x=nothing, y=nothing, dryness=np.empty((1, 0)), hazards=hazards())


def test_the_middle_is_that_of_the_nearest_part_of_admissible_else_open_ground():
    two = MultiPolygon([box(0, 0, 4, 4), box(10, 0, 20, 4)])
    wide = ground(two)
    assert _middle(wide, 1.0, 1.0) == (2.0, 2.0)
    assert _middle(wide, 9.0, 1.0) == (15.0, 2.0)
    narrowed = ground(two, ("valve", 3.0, Point(10, 2)))
    assert _middle(narrowed, 11.0, 2.0)[0] > 15.0
    cramped = ground(two, ("zone_edge", 9.0, two.boundary))
    assert cramped.admissible.is_empty
    assert _middle(cramped, 11.0, 2.0) == (15.0, 2.0)


@pytest.mark.parametrize("setback", [1.0, 2.0])
@pytest.mark.parametrize("above", [0.0, 0.015])
def test_a_known_ridge_serves_the_reserves_too(setback, above):
    cramped = ground(STRIP, edge(STRIP, setback))
    high = 0.5 / setback
    known = _Ridge(high + above / setback, ALONG, np.full_like(ALONG, 0.5))
    ridge = _tightest_ridge(cramped, [(21.0, 0.5)], known)
    assert ridge.best == pytest.approx(high - 0.02 / setback, abs=1e-12)
    assert ridge.x.tolist() == ALONG[np.abs(ALONG - 21.0) >= RESERVE_GAP_M].tolist()
    assert set(ridge.y) == {0.5}


def test_of_a_known_ridge_what_is_lower_is_left():
    cramped = ground(STRIP, edge(STRIP, 1.0))
    up = np.full_like(ALONG, 0.5)
    up[::2] = 0.47
    up[1::4] = 0.49
    ridge = _tightest_ridge(cramped, [(21.0, 0.5)], _Ridge(0.5, ALONG, up))
    assert set(ridge.y) == {0.49, 0.5}
    assert ridge.best == 0.48
    # Exactly two centimetres lower is still as good.
    up[::2] = 0.48
    assert set(_tightest_ridge(cramped, [(21.0, 0.5)], _Ridge(0.5, ALONG, up)).y) == {
        0.48, 0.49, 0.5,
    }  # fmt: skip


def test_a_ridge_that_is_lost_is_looked_for_again():
    cramped = ground(STRIP, edge(STRIP, 1.0))
    known = _Ridge(0.53, ALONG, np.full_like(ALONG, 0.5))
    ridge = _tightest_ridge(cramped, [(21.0, 0.5)], known)
    assert ridge.best == pytest.approx(0.5, abs=1e-4)
    away = np.hypot(ridge.x - 21.0, ridge.y - 0.5)
    assert (away >= RESERVE_GAP_M).all()
    none_left = _Ridge(0.5, np.array([21.0]), np.array([0.5]))
    assert _tightest_ridge(cramped, [(21.0, 0.5)], none_left).best == pytest.approx(0.5, abs=1e-4)


def test_no_ridge_without_a_setback_or_without_room():
    assert _tightest_ridge(ground(STRIP), [], None) is None
    small = box(0, 0, 1, 1)
    assert _tightest_ridge(ground(small, edge(small, 1.0)), [(0.5, 0.5)], None) is None


def test_no_admissible_point_where_there_is_no_admissible_ground():
    cramped = ground(STRIP, edge(STRIP, 1.0))
    x, y = lattice(STRIP)
    ranks = _ranks_of(cramped, (x, y, x), 0.1)
    assert best_admissible(cramped, ranks) is None
    assert len(_points(cramped, ranks)) == 1 + RESERVES


def test_even_ground_with_less_than_a_metre_to_spare_is_admissible():
    zone = box(0, 0, 30, 3)
    narrow = ground(zone, edge(zone, 1.0))
    x, y = lattice(zone)
    ranks = _ranks_of(narrow, (x, y, np.ones_like(x)), 0.1)
    assert best_admissible(narrow, ranks) == pytest.approx((15.0, 1.5), abs=0.01)


def test_ground_that_only_the_drawn_circle_leaves_is_not_admissible():
    """Chords of a drawn circle of 100 m lie up to 3 cm inside it (r (1 - cos(pi / 128)))."""
    middle_of_a_chord = np.pi / 128
    away = np.array([np.cos(middle_of_a_chord), np.sin(middle_of_a_chord)])
    sliver = Point(*(99.985 * away)).buffer(0.01)
    left = ground(sliver, ("valve", 100.0, Point(0, 0)))
    assert left.pieces.cell.size > 0
    x, y = lattice(sliver, step=0.005)
    ranks = _ranks_of(left, (x, y, np.ones_like(x)), 0.1)
    assert ranks.even
    assert best_admissible(left, ranks) is None


def test_even_ground_gives_the_deepest_point_and_reserves_apart():
    zone = box(0, 0, 30, 10)
    wide = ground(zone, edge(zone, 1.0))
    x, y = lattice(zone)
    ranks = _ranks_of(wide, (x, y, np.ones_like(x)), 0.1)
    assert ranks.even
    first, *reserves = _points(wide, ranks)
    assert first == pytest.approx((15.0, 5.0), abs=0.01)
    points = np.array([first, *reserves])
    for a in range(3):
        for b in range(a):
            assert np.hypot(*(points[a] - points[b])) >= RESERVE_GAP_M
    # As deep as the first, and no farther from it than two metres ask for.
    for at in reserves:
        assert at[1] == pytest.approx(5.0, abs=0.02)
        assert abs(at[0] - 15.0) == pytest.approx(2.0, abs=0.05)


def test_what_is_not_given_is_as_documented():
    zone = box(0, 0, 12, 8)
    usual = place(zone, lambda x, _y: 50 + x, edge(zone))
    stated = place(zone, lambda x, _y: 50 + x, edge(zone), burial_error=0.5, application_cv=0.0,
                   units="metric")  # fmt: skip
    assert usual == stated
    assert usual.note == usual.words["metric"].note
    assert usual.reason == usual.words["metric"].reason != usual.words["us"].reason
    wider = place(zone, lambda x, _y: 50 + x, edge(zone), burial_error=1.0)
    assert wider.chances.driest_quarter < usual.chances.driest_quarter


def test_an_even_zone_too_narrow_says_what_gave_way():
    point = place(STRIP, even, edge(STRIP, 1.0))
    assert point.note
    assert (point.x, point.y) == pytest.approx((12.0, 0.5), abs=0.02)
    assert point.setback_ratio == pytest.approx(0.5, abs=1e-3)
    assert point.admissible.is_empty


WEDGE = shapely.Polygon([(0, -0.5), (0, 0.5), (20, 0.7), (20, -0.7)])


def test_the_best_of_too_narrow_ground_does_not_depend_on_how_long_the_setbacks_are():
    found = []
    for setback in (1.0, 2.0, 4.0):
        cramped = ground(WEDGE, edge(WEDGE, setback))
        ridge = _tightest_ridge(cramped, [], None)
        found.append(_best_cramped(cramped, SimpleNamespace(even=True), [], ridge))
    assert found[1] == pytest.approx(found[0], abs=2e-3)
    assert found[2] == pytest.approx(found[0], abs=2e-3)


def test_a_ridge_of_one_point_gives_that_point():
    cramped = ground(STRIP, edge(STRIP, 1.0))
    one = _Ridge(0.5, np.array([12.0]), np.array([0.5]))
    found = _best_cramped(cramped, SimpleNamespace(even=True), [], one)
    assert found == pytest.approx((12.0, 0.5), abs=1e-3)
    # Where the search finds none of that ratio, the ridge's own point is left.
    unheard_of = _Ridge(0.6, np.array([9.0, 4.0]), np.array([0.5, 0.25]))
    assert _best_cramped(cramped, SimpleNamespace(even=True), [], unheard_of) == (9.0, 0.5)


def test_of_equals_on_a_ridge_the_nearest_to_a_millimetre_then_the_north_then_the_west():
    cramped = ground(STRIP, edge(STRIP, 1.0))
    alike = SimpleNamespace(even=False, objective=lambda x, _y: np.zeros_like(x))

    def chosen(*points):
        x, y = np.array(points).T
        return _best_cramped(cramped, alike, [], _Ridge(0.49, x, y))

    assert chosen((15.0001, 0.5), (8.9996, 0.5)) == pytest.approx((8.9996, 0.5), abs=1e-4)
    assert chosen((15.0001, 0.5), (8.9980, 0.5)) == pytest.approx((15.0001, 0.5), abs=1e-4)
    assert chosen((15.0, 0.495), (9.0, 0.495), (9.0, 0.505)) == pytest.approx(
        (9.0, 0.505), abs=1e-4
    )


def test_placements_are_the_same_whatever_ground_is_drawn_with_them():
    point = place(STRIP, even, edge(STRIP, 1.0))
    assert replace(point, admissible=STRIP) == point
    assert replace(point, rank=point.rank + 0.01) != point
