"""Placement where the answer can be derived by hand, and what must not change it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, reject
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from siting.errors import NoAdmissibleGroundError
from siting.place.placement import RESERVE_GAP_M, place_sensor
from siting.place.setbacks import Hazards
from tests.place.test_placement import CM, edge, even, hazards, lattice, place, scenes
from tests.tries import tries


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.17, 0.31)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_dryness_along_the_diagonal_of_a_square(sign, shift):
    """D = x + y on admissible ground of side a = 18, from 1 to 19.

    Ground drier than t is a triangle of area (2a - t)² / 2, so rank 0.875 is at 2a - t = a / 2, the
    line x + y = 1.5 a. Along it the rank rises evenly; its most interior point is its middle, three
    quarters of the way up both axes: 1 + 0.75 x 18 = 14.5. The rank flattens towards the corner, so
    a burial error s (variance v = 2 s² of x + y) lowers it on average: 2 R' (R - t) + 3 R' R'' v
    = 0 with R' = 1 / 2a and R'' = -1 / a² moves the point by 3 s² / a along both axes.
    """
    zone = box(0, 0, 20, 20)
    point = place(zone, lambda x, y: 50 + sign * (x + y), edge(zone, 1.0), shift=shift)
    expected = 10 + sign * (4.5 + 3 * 0.25 / 18)
    assert (point.x, point.y) == pytest.approx((expected, expected), abs=CM)
    assert point.rank == pytest.approx(0.875, abs=3e-3)


@pytest.mark.parametrize("inner", [0.0, 4.0])
def test_dryness_that_falls_outwards_on_a_disc_or_a_ring(inner):
    """D = -r on admissible ground between radii b and a: rank (a² - r²) / (a² - b²).

    It is 0.875 at r² = a² - 0.875 (a² - b²). All directions are equal; the north-westernmost of
    the places nearest to the middle is as good as any.
    """
    zone = Point(0, 0).buffer(13, quad_segs=180)
    if inner:
        zone = zone.difference(Point(0, 0).buffer(inner, quad_segs=180))
    a, b = 12.0, inner + 1.0 if inner else 0.0
    point = place(zone, lambda x, y: 30 - np.hypot(x, y), edge(zone, 1.0), burial_error=0.2)
    expected = np.sqrt(a**2 - 0.875 * (a**2 - b**2))
    assert np.hypot(point.x, point.y) == pytest.approx(expected, abs=3 * CM)
    assert point.rank == pytest.approx(0.875, abs=3e-3)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.21, 0.4)])
def test_equal_walls_to_the_centimetre(shift):
    """Walls at x = 0 and 20 leave x = 1.5 to 18.5; dryness falls alike to both.

    Rank at distance d from the middle is 1 - d / 8.5, so 0.875 is at d = 8.5 / 8 = 1.0625, west of
    the middle because west comes first, and half-way along the walls.
    """
    zone = box(0, 0, 20, 30)
    walls = [("building", 1.5, box(-2, 0, 0, 30)), ("building", 1.5, box(20, 0, 22, 30))]
    point = place(
        zone,
        lambda x, _y: 2 - ((x - 10) / 20) ** 2,
        edge(zone),
        *walls,
        burial_error=0.1,
        shift=shift,
    )
    assert (point.x, point.y) == pytest.approx((10 - 1.0625, 15.0), abs=CM)


def test_a_hot_spot_of_half_a_metre_loses_to_a_wide_band():
    """Band x > 24 of 32: a quarter of the ground, one value, so its rank is 0.875 throughout.

    A spot 0.5 m across has more, but a sensor aimed at it ends up beside it.
    """
    zone = box(0, 0, 32, 12)

    def dryness(x, y):
        return np.where(x > 24, 2.0, np.where(np.hypot(x - 6.25, y - 6.25) < 0.3, 3.0, 1.0))

    point = place(zone, dryness, edge(zone))
    assert 25 < point.x < 31.1
    assert point.y == pytest.approx(6.0, abs=CM)


def test_two_levels_give_the_most_interior_of_the_dry_half():
    """Dry for x > 10 of 24, the rest wet: any dry place far from the step is equal by rank.

    Setback 1: admissible to x = 23. Deepest inside is the midline y = 6 up to x = 18, where the
    east edge comes as near as the long ones.
    """
    zone = box(0, 0, 24, 12)
    point = place(zone, lambda x, _y: np.where(x > 10, 2.0, 1.0), edge(zone, 1.0))
    assert point.y == pytest.approx(6.0, abs=CM)
    assert 11.5 < point.x <= 18 + CM
    assert point.setback_ratio == pytest.approx(6.0, abs=0.01)


@pytest.mark.parametrize("width", [0.2, 0.45, 1.3])
def test_a_curved_strip_narrower_than_a_pixel_keeps_its_midline(width):
    """A quarter ring between two kerbs, none 1.5 m away: the middle radius, ratio w / 3."""
    ring = (
        Point(0, 0)
        .buffer(12 + width / 2, quad_segs=200)
        .difference(Point(0, 0).buffer(12 - width / 2, quad_segs=200))
    )
    zone = ring.intersection(box(0, 0, 20, 20))
    inside = Point(0, 0).buffer(12 - width / 2, quad_segs=200)
    outside = box(-20, -20, 20, 20).difference(Point(0, 0).buffer(12 + width / 2, quad_segs=200))
    kerbs = [("paving", 1.5, shape) for shape in (inside, outside)]
    point = place(zone, lambda x, _y: 10 + x, edge(zone, 0.1), *kerbs)
    assert np.hypot(point.x, point.y) == pytest.approx(12, abs=CM)
    assert point.setback_ratio == pytest.approx(width / 3, abs=CM / 1.5)
    assert point.binding_setback == "paving"


def test_parts_and_holes_count_with_their_exact_area():
    """Two parts, 4 x 10 and 12 x 10 with a hole 2 x 5, dryness even within each part's columns.

    Setbacks are 0 but for the edge's 0.01, so rank is area: 40 + 110 m². D = x: rank 0.875 lies
    18.75 m² from the east end, 1.875 m west of x = 32. That is nearer to the east edge than to the
    long ones over most of its height, so the most interior place nearest to the middle of the part
    counts: its centroid lies at y = (120 x 5 - 10 x 4.5) / 110.
    """
    part = Polygon(box(20, 0, 32, 10).exterior, [box(23, 2, 25, 7).exterior])
    zone = MultiPolygon([box(0, 0, 4, 10), part])
    point = place(zone, lambda x, _y: 10 + x, edge(zone, 0.01), burial_error=0.1)
    assert point.x == pytest.approx(32 - 1.875, abs=2 * CM)
    assert point.y == pytest.approx(555 / 110, abs=2 * CM)


def test_samples_around_a_zone_only_help_to_interpolate():
    zone = box(0.3, 0.2, 9.7, 7.9)
    wide_x, wide_y = lattice(zone.buffer(2, join_style="mitre"))

    def dryness(x, y):
        return np.tile(5 + np.sin(x / 5) + 0.03 * y, (2, 1))

    table = hazards(edge(zone, 0.3))
    wide = place_sensor(zone, x=wide_x, y=wide_y, dryness=dryness(wide_x, wide_y), hazards=table)
    x, y = lattice(zone)
    own = place_sensor(zone, x=x, y=y, dryness=dryness(x, y), hazards=table)
    assert np.hypot(wide.x - own.x, wide.y - own.y) < 5 * CM
    assert wide.rank == pytest.approx(own.rank, abs=2e-3)


def smooth(scene, *, shift=(0.0, 0.0), rows=None):
    """Place with the samples that a plan takes: those in the zone and three cells around."""
    zone, own_rows, dryness = scene
    x, y = lattice(zone.buffer(1.5), shift=shift)
    dry = np.array([dryness(x, y), dryness(x, y) + 0.04 * x, dryness(x, y) - 0.03 * y])
    return place_sensor(zone, x=x, y=y, dryness=dry, hazards=hazards(*(rows or own_rows)))


@tries(25)
@given(scenes(), st.floats(0, 0.5), st.floats(0, 0.5))
def test_the_rasters_origin_does_not_matter(scene, dx, dy):
    try:
        base = smooth(scene)
    except NoAdmissibleGroundError:
        reject()
    other = smooth(scene, shift=(dx, dy))
    assert np.hypot(other.x - base.x, other.y - base.y) < 5 * CM
    assert other.rank == pytest.approx(base.rank, abs=0.01)


@pytest.mark.parametrize("shift", [(0.1, 0.0), (0.2, 0.2), (0.25, 0.4), (0.25, 0.25)])
def test_the_rasters_origin_does_not_matter_without_samples_around_the_zone(shift):
    zone = box(0, 0, 30, 18)

    def dryness(x, y):
        return 5 + np.sin(x / 7) + 0.04 * y + 0.02 * x

    base = place(zone, dryness, edge(zone, 1.0))
    other = place(zone, dryness, edge(zone, 1.0), shift=shift)
    assert np.hypot(other.x - base.x, other.y - base.y) < CM
    assert other.rank == pytest.approx(base.rank, abs=1e-3)


@tries(12)
@given(scenes())
def test_a_second_copy_of_a_building_changes_nothing(scene):
    zone, rows, dryness = scene
    assume(lattice(zone)[0].size > 8)
    rows = [*rows, ("building", 1.5, box(18, 9, 22, 12))]
    try:
        base = smooth((zone, rows, dryness))
    except NoAdmissibleGroundError:
        reject()
    twice = smooth((zone, rows, dryness), rows=[*rows, rows[-1]])
    assert np.hypot(twice.x - base.x, twice.y - base.y) < 1e-9
    assert len(twice.reserves) == len(base.reserves)
    for one, other in zip(twice.reserves, base.reserves, strict=True):
        assert one[:4] == pytest.approx(other[:4], abs=1e-9)
        assert one.binding_setback == other.binding_setback


@tries(20)
@given(scenes())
def test_no_admissible_place_is_better(scene):
    """The objective at the chosen point against 0.2 m steps over all admissible ground."""
    from siting.place.placement import _open_ground, _ranks_of

    zone, rows, dryness = scene
    x, y = lattice(zone)
    assume(x.size > 8)
    dry = np.array([dryness(x, y), dryness(x, y) + 0.04 * x])
    table = hazards(*rows)
    try:
        point = place_sensor(zone, x=x, y=y, dryness=dry, hazards=table)
    except NoAdmissibleGroundError:
        reject()
    assume(point.setback_ratio >= 1)
    field = _ranks_of(_open_ground(zone, Hazards.of(table), 0.5), (x, y, dry), 0.5)
    # Where the drier half is level within the map's own error, the interior is taken instead.
    assume(not field.level)
    fine_x, fine_y = lattice(zone, step=0.2)
    places = shapely.points(fine_x, fine_y)
    meets = np.all([shapely.distance(s, places) >= d for _, d, s in rows], axis=0)
    solid = [s for _, _, s in rows if s.geom_type == "Polygon"]
    for shape in solid:
        meets &= ~shapely.intersects(shape, places)
    own = field.objective(np.array([point.x]), np.array([point.y]))[0]
    assume(meets.any())
    assert own <= field.objective(fine_x[meets], fine_y[meets]).min() + 5e-5


@tries(15)
@given(scenes())
def test_reserves_are_apart_ranked_and_keep_the_setbacks(scene):
    zone, rows, _ = scene
    try:
        point = smooth(scene) if lattice(zone)[0].size > 8 else None
    except NoAdmissibleGroundError:
        reject()
    assume(point is not None)
    places = [(point.x, point.y), *((r.x, r.y) for r in point.reserves)]
    for i, place_ in enumerate(places):
        for other in places[:i]:
            assert np.hypot(*np.subtract(place_, other)) >= RESERVE_GAP_M - 1e-9
    ratios = [
        min(shape.distance(Point(at)) / setback for _, setback, shape in rows) for at in places
    ]
    assert [r.setback_ratio for r in point.reserves] == pytest.approx(ratios[1:])
    assert all(zone.buffer(1e-9).covers(Point(at)) for at in places)
    assert all(a >= 1 or b < 1 for a, b in pairwise(ratios))


def test_a_long_lawn_has_two_reserves_and_a_tiny_bed_none():
    lawn = box(0, 0, 30, 10)
    many = place(lawn, lambda x, _y: 10 + x, edge(lawn))
    assert len(many.reserves) == 2
    assert all(r.rank == pytest.approx(0.875, abs=0.02) for r in many.reserves)
    bed = box(0, 0, 1.2, 1.2)
    assert place(bed, even, edge(bed)).reserves == ()


@tries(12)
@given(scenes(), st.sampled_from([1, 2, 3]))
def test_quarter_turns_with_the_sun_turned_too(scene, turns):
    zone, rows, dryness = scene
    x, y = lattice(zone)
    assume(x.size > 8)
    dry = np.array([dryness(x, y), dryness(x, y) + 0.04 * x])
    c, s = [(1, 0), (0, 1), (-1, 0), (0, -1)][turns]
    matrix = [c, -s, s, c, 0, 0]
    try:
        base = place_sensor(zone, x=x, y=y, dryness=dry, hazards=hazards(*rows))
    except NoAdmissibleGroundError:
        reject()
    turned = place_sensor(
        affinity.affine_transform(zone, matrix),
        x=c * x - s * y,
        y=s * x + c * y,
        dryness=dry,
        hazards=hazards(*[(h, d, affinity.affine_transform(g, matrix)) for h, d, g in rows]),
    )
    expected = c * base.x - s * base.y, s * base.x + c * base.y
    assert np.hypot(turned.x - expected[0], turned.y - expected[1]) < 5 * CM


SHARP = Polygon(
    [
        (7 + r * np.cos(a), 12.5 + r * np.sin(a))
        for r, a in zip(
            [2.0, 2.875, 3.0, 1.0, 1.0, 1.0, 1.0], np.arange(7) * 2 * np.pi / 7, strict=True
        )
    ]
)
#: Arcs around heads, a slanted edge and a corner between them.
HEADS = box(0, 0, 14, 9)


@pytest.mark.parametrize(
    ("zone", "rows"),
    [
        (SHARP, [edge(SHARP, 1.0), ("boundary", 1.5, LineString([(0, -5), (0, 30)]))]),
        (
            HEADS,
            [
                edge(HEADS, 0.6),
                ("head", 2.5, Point(10, 5)),
                ("head", 3.0, Point(4, 2)),
                ("drain", 1.2, LineString([(6, 9), (14, 2)])),
            ],
        ),
    ],
    ids=["slanted edges", "arcs"],
)
@pytest.mark.parametrize("phase", [0.0, 1.1, 2.2, 3.0, 3.1, 4.4, 5.5])
def test_along_edges_of_admissible_ground_nothing_is_better(zone, rows, phase):
    """What is best may lie on an edge that objective and setback meet at a narrow angle.

    The point and each reserve, against steps of 5 cm over all ground that is left to it.
    """
    from siting.place.placement import MARGIN_M, _open_ground, _ranks_of

    def dryness(x, y):
        return 5 + np.sin(0.31 * x + phase) + np.cos(0.23 * y - phase) + 0.05 * x + 0.031 * y

    x, y = lattice(zone)
    dry = np.array([dryness(x, y), dryness(x, y) + 0.04 * x])
    table = hazards(*rows)
    point = place_sensor(zone, x=x, y=y, dryness=dry, hazards=table)
    field = _ranks_of(_open_ground(zone, Hazards.of(table), 0.5), (x, y, dry), 0.5)
    if field.level:
        pytest.skip("the drier half is level within the map's own error: the interior is taken")
    fine_x, fine_y = lattice(zone, step=0.05)
    places = shapely.points(fine_x, fine_y)
    # The ground keeps the error of tape and shovel inside each setback.
    free = np.all([shapely.distance(s, places) >= d + MARGIN_M for _, d, s in rows], axis=0)
    for at in (point, *point.reserves):
        if at.setback_ratio < 1:
            break  # no admissible ground is left
        own = field.objective(np.array([at.x]), np.array([at.y]))[0]
        assert own <= field.objective(fine_x[free], fine_y[free]).min() + 1e-5
        free &= np.hypot(fine_x - at.x, fine_y - at.y) >= RESERVE_GAP_M
