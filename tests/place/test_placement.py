"""The driest representative point: analytic properties, setbacks and invariance."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import assume, given, reject
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from siting.errors import NoAdmissibleGroundError
from siting.place.placement import MARGIN_M, place_sensor
from siting.place.setbacks import (
    hazards_of_zone,
    keepout_areas,
    root_protection_radius,
    setback_hazards,
)
from siting.site.settings import Setbacks
from siting.zones.application import application_cv
from tests.tries import tries

CM = 0.01


def lattice(zone, *, step=0.5, shift=(0.0, 0.0)):
    """Cell centres inside a zone; the raster's corner lies at a multiple of the step, shifted."""
    west, south, east, north = zone.bounds
    columns = np.arange(np.floor(west / step) - 1, np.ceil(east / step) + 2)
    rows = np.arange(np.floor(south / step) - 1, np.ceil(north / step) + 2)
    x, y = np.meshgrid((columns + 0.5) * step + shift[0], (rows + 0.5) * step + shift[1])
    inside = shapely.contains_xy(zone, x, y)
    if not inside.any():
        return shapely.get_coordinates(zone.representative_point()).T.copy()
    return x[inside], y[inside]


def hazards(*rows):
    table = pd.DataFrame(rows, columns=["hazard", "setback", "geometry"])
    return gpd.GeoDataFrame(table, geometry="geometry")


def edge(zone, setback=0.9):
    return ("zone_edge", setback, zone.boundary)


def place(zone, dryness, *rows, scenarios=3, shift=(0.0, 0.0), **options):
    """Place in a zone whose dryness is a function of x and y, the same in every scenario."""
    x, y = lattice(zone, shift=shift)
    dry = np.broadcast_to(np.asarray(dryness(x, y), dtype=float), x.shape)
    dry = np.tile(dry, (scenarios, 1))
    return place_sensor(zone, x=x, y=y, dryness=dry, hazards=hazards(*rows), **options)


def even(x, _y):
    return np.ones_like(x)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.13, 0.29)])
@pytest.mark.parametrize("size", [(20.0, 10.0), (7.3, 12.1), (15.0, 15.0)])
def test_uniform_rectangle(size, shift):
    """Even dryness: the deepest points of a rectangle form a line; its middle is the centre."""
    zone = box(3, 4, 3 + size[0], 4 + size[1])
    point = place(zone, even, edge(zone), shift=shift)
    assert (point.x, point.y) == pytest.approx((3 + size[0] / 2, 4 + size[1] / 2), abs=CM)
    assert point.rank == pytest.approx(0.5)
    assert point.setback_ratio == pytest.approx(min(size) / 2 / 0.9, abs=1e-3)
    assert point.note == ""


def test_uniform_rectangle_beside_a_wall():
    """A wall asks for 1.5 m, the other edges for 0.9: the centre of x 1.5..19.1 is 10.3."""
    zone = box(0, 0, 20, 10)
    point = place(zone, even, edge(zone), ("building", 1.5, box(-5, 0, 0, 10)))
    assert (point.x, point.y) == pytest.approx((10.3, 5.0), abs=CM)


def test_equal_walls_east_and_west():
    """Dryness symmetric about the middle and even along the walls.

    The driest quarter is the band of half-width w about x = 10 that covers a quarter of the
    admissible ground; its middle is where half of it is drier. Two places are equal: the western
    one is taken, half-way along the walls.
    """
    zone = box(0, 0, 20, 30)
    walls = [("building", 1.5, box(-2, 0, 0, 30)), ("building", 1.5, box(20, 0, 22, 30))]
    point = place(zone, lambda x, _y: 2 - ((x - 10) / 20) ** 2, edge(zone), *walls)
    mirrored = place(zone, lambda x, _y: 2 - ((x - 10) / 20) ** 2, *walls[::-1], edge(zone))
    assert point == mirrored
    assert point.y == pytest.approx(15.0, abs=CM)
    assert abs(point.x - 10) == pytest.approx(17 / 16, abs=0.25)
    assert point.x < 10
    assert 0.75 < point.rank < 1.0
    other = point.reserves[0]
    assert (other.x, other.y) == pytest.approx((20 - point.x, 15.0), abs=0.05)
    assert other.as_good
    assert "It could lie as well at R1" in point.reason


@pytest.mark.parametrize("corner", [(-1, 3), (21, 3), (21, 40)])
def test_of_equal_places_the_one_nearer_to_the_landmark_is_taken(corner):
    """North and west name no place of a property that may be mirrored; its controller does."""
    zone = box(0, 0, 20, 30)
    walls = [("building", 1.5, box(-2, 0, 0, 30)), ("building", 1.5, box(20, 0, 22, 30))]
    point = place(zone, lambda x, _y: 2 - ((x - 10) / 20) ** 2, edge(zone), *walls, landmark=corner)
    assert (point.x > 10) == (corner[0] > 10)
    assert point.y == pytest.approx(15.0, abs=0.03)


def test_a_reserve_that_the_map_can_tell_apart_is_not_as_good():
    """A strip 2 m wide dries towards the east: two metres on, the rank is another."""
    strip = box(0, 0, 26, 2)
    point = place(strip, lambda x, _y: 10 + x, edge(strip, 0.9), burial_error=0.2)
    assert len(point.reserves) == 2
    assert not any(reserve.as_good for reserve in point.reserves)
    assert "as well" not in point.reason


def test_sun_from_one_side_gives_the_middle_of_the_driest_quarter():
    """Dryness rises evenly from x = 1 to 25 of admissible ground: rank 0.875 is at x = 22."""
    zone = box(0, 0, 26, 10)
    point = place(zone, lambda x, _y: 10 + x, edge(zone, 1.0), burial_error=0.2)
    assert (point.x, point.y) == pytest.approx((22.0, 5.0), abs=CM)
    assert point.rank == pytest.approx(0.875, abs=1e-3)
    assert point.reason.startswith(
        "In the driest quarter of the ground where a sensor may lie (chances: 9"
    )


@pytest.mark.parametrize("turn", [0.0, 33.0, 90.0])
@pytest.mark.parametrize("width", [1.6, 0.3])
def test_narrow_strip_between_pavements(turn, width):
    """No ground is 1.5 m from both pavements: the midline, ratio width / 2 / 1.5, paving binds."""
    parts = [box(0, 0, 40, width), box(0, width, 40, width + 2), box(0, -2, 40, 0)]
    zone, north, south = (affinity.rotate(part, turn, origin=(20, width / 2)) for part in parts)
    point = place(zone, even, edge(zone), ("paving", 1.5, north), ("paving", 1.5, south))
    assert (point.x, point.y) == pytest.approx((20, width / 2), abs=CM)
    assert point.setback_ratio == pytest.approx(width / 2 / 1.5, abs=CM / 1.5)
    assert point.binding_setback == "paving"
    assert f"{width:.2f} m wide" in point.note
    assert f"the paving setback of 1.50 m gave way to {width / 2:.2f} m" in point.note


def test_narrow_strip_keeps_to_the_driest_quarter_on_its_midline():
    zone = box(0, 0, 40, 1.6)
    point = place(zone, lambda x, _y: 10 + x, edge(zone), ("paving", 1.5, box(0, 1.6, 40, 3)))
    assert point.x == pytest.approx(35.0, abs=0.3)
    assert point.rank == pytest.approx(0.875, abs=CM)
    # the paving alone asks for 1.5 m, the far edge for 0.9 m: d / 1.5 = (1.6 - d) / 0.9
    assert 1.6 - point.y == pytest.approx(1.0, abs=CM)
    assert point.setback_ratio == pytest.approx(1.0 / 1.5, abs=CM)


def test_us_units_in_words():
    zone = box(0, 0, 40, 1.6)
    point = place(zone, even, ("paving", 1.5, box(0, 1.6, 40, 3)), edge(zone), units="us")
    assert "the paving setback of 4.9 ft gave way" in point.note


def test_a_wide_dry_band_beats_a_hot_spot():
    """A 0.5 m spot at the target rank is lost to burial error; a wide dry band is not."""
    zone = box(0, 0, 32, 12)

    def dryness(x, y):
        return np.where(x > 24, 2.0, np.where(np.hypot(x - 6.25, y - 6.25) < 0.3, 1.99, 1.0))

    point = place(zone, dryness, edge(zone))
    assert 25 < point.x < 31.1
    assert point.y == pytest.approx(6.0, abs=CM)
    sharp = place(zone, dryness, edge(zone), burial_error=0.0)
    assert min(sharp.chances.driest_quarter, point.chances.driest_quarter) > 0.95
    assert point.rank == pytest.approx(0.87, abs=0.02)


def test_scenarios_are_weighed_together():
    """Two scenarios of three dry to the east, one to the west.

    With rank r in the first two and 1 - r in the third, 2 (r - 0.875)^2 + (0.125 - r)^2 is least
    at r = 0.625; the mean rank there is (2 x 0.625 + 0.375) / 3.
    """
    zone = box(0, 0, 20, 10)
    x, y = lattice(zone)
    dryness = np.array([10 + x, 10 + x, 30 - x])
    point = place_sensor(zone, x=x, y=y, dryness=dryness, hazards=hazards(edge(zone)))
    assert point.rank == pytest.approx(0.5417, abs=2e-3)
    assert point.chances.expected_rank == pytest.approx(0.98 * 0.5417, abs=5e-3)
    assert point.chances.driest_quarter < 0.05
    assert point.chances.wetter_half == pytest.approx(0.02 + 0.98 / 3, abs=0.01)
    one = place_sensor(zone, x=x, y=y, dryness=dryness[:1], hazards=hazards(edge(zone)))
    assert one.rank == pytest.approx(0.875, abs=2e-3)
    assert one.chances.driest_quarter > 0.9


def test_unknown_application_only_tells_on_the_chances():
    zone = box(0, 0, 20, 10)
    known = place(zone, lambda x, _y: 10 + x, edge(zone))
    unknown = place(zone, lambda x, _y: 10 + x, edge(zone), application_cv=application_cv(0.6))
    assert (unknown.x, unknown.y, unknown.rank) == (known.x, known.y, known.rank)
    assert known.chances.driest_quarter > 0.95
    assert 0.5 < unknown.chances.driest_quarter < 0.8


def test_multipart_zone_with_a_hole():
    ring = Polygon(box(0, 0, 12, 12).exterior, [box(4, 4, 8, 8).exterior])
    zone = MultiPolygon([ring, box(20, 0, 30, 9)])
    point = place(zone, even, edge(zone))
    assert (point.x, point.y) == pytest.approx((25, 4.5), abs=0.51)
    assert zone.boundary.distance(Point(point.x, point.y)) == pytest.approx(4.5, abs=CM)


def test_admissible_ground_smaller_than_a_cell_is_found():
    """A zone 3.2 m square and a setback of 1.55 m leave a square of 0.1 m, between cell centres."""
    zone = box(0.4, 0.4, 3.6, 3.6)
    point = place(zone, even, edge(zone, 1.55), shift=(0.25, 0.25))
    assert point.setback_ratio >= 1
    assert (point.x, point.y) == pytest.approx((2, 2), abs=CM)
    assert point.note == ""


def test_ground_under_a_building_or_paving_is_no_ground():
    zone = box(0, 0, 20, 10)
    point = place(zone, even, edge(zone), ("building", 0.0, box(0, 0, 14, 10)))
    assert point.x > 14
    with pytest.raises(NoAdmissibleGroundError, match="cover the whole zone"):
        place(zone, even, ("paving", 1.5, box(-1, -1, 21, 11)))


def test_a_zone_without_hazards():
    zone = box(0, 0, 20, 10)
    point = place(zone, even)
    assert (point.x, point.y) == pytest.approx((10, 5), abs=CM)
    assert point.setback_ratio == np.inf
    assert point.binding_setback == ""


@pytest.mark.published(
    "Vancouver, Washington, municipal code, tree conservation (VMC 20.770, chapter from "
    "memory): 1 ft of radius per inch of trunk"
)
def test_root_protection_radius():
    """A trunk of 10 in (0.254 m) keeps 10 ft (3.048 m)."""
    radius = root_protection_radius(
        np.array([0.254, 0.01, 2.0, np.nan, np.nan]),
        crown_diameter=np.array([9.0, 9.0, 9.0, 5.0, np.nan]),
    )
    assert radius == pytest.approx([3.048, 0.6, 6.0, 2.5, 1.8])


def layer(*shapes, **columns):
    return gpd.GeoDataFrame(columns, geometry=list(shapes))


def demo_hazards():
    zones = gpd.GeoDataFrame(
        geometry=[box(2, 2, 20, 20), box(20, 2, 38, 20)], index=pd.Index(["A", "B"], name="zone")
    )
    return zones, setback_hazards(
        zones,
        boundary=box(0, 0, 40, 40),
        buildings=layer(box(2, 22, 12, 30), height=[5.0]),
        paving=layer(box(14, 22, 18, 40)),
        trees=layer(Point(10, 10), trunk_diameter=[0.2], crown_diameter=[4.0]),
        fixtures=layer(
            Point(5, 5), Point(12, 22), Point(30, 30), kind=["head", "downspout", "valve_box"]
        ),
        setbacks=Setbacks(),
    )


@pytest.mark.published(
    "UF/IFAS EDIS AE437 (as quoted, not read at its source), and Field Guide to Soil "
    "Moisture Sensor Use in Florida (Philpot, Univ. of Florida PREC for St. Johns River "
    "WMD): at least 5 ft from heads, houses, property lines and driveways"
)
def test_hazards_carry_their_setback_and_concern_their_zone():
    foot = 0.3048
    _, table = demo_hazards()
    setback = table.groupby("hazard")["setback"].max().to_dict()
    assert setback == {
        "boundary": pytest.approx(foot * 5),
        "building": pytest.approx(foot * 5),
        "paving": pytest.approx(foot * 5),
        "zone_edge": pytest.approx(foot * 3),
        "trunk": pytest.approx(2.4),
        "head": pytest.approx(foot * 5),
        "downspout": pytest.approx(foot * 10),
        "valve_box": 0.6,
    }
    mine = hazards_of_zone(table, "A")
    assert (mine["hazard"] == "zone_edge").sum() == 1
    assert len(table) - len(mine) == 1


def test_keepout_areas_cover_exactly_what_the_setbacks_forbid():
    zones, table = demo_hazards()
    areas = keepout_areas(table, boundary=box(0, 0, 40, 40), hydrozones=zones)
    assert areas["hazard"].tolist() == sorted(set(table["hazard"]))
    by_name = areas.set_index("hazard").geometry
    assert by_name["boundary"].area == pytest.approx(40**2 - (40 - 2 * 1.524) ** 2, rel=1e-6)
    rim = 18**2 - (18 - 2 * 0.9144) ** 2
    assert by_name["zone_edge"].area == pytest.approx(2 * rim, rel=1e-6)
    assert by_name["trunk"].area == pytest.approx(np.pi * 2.4**2, rel=0.01)
    assert shapely.union_all(areas.geometry.to_numpy()).difference(box(0, 0, 40, 40)).area == 0


blob = st.builds(
    lambda x, y, sizes: Polygon(
        [
            (x + r * np.cos(a), y + r * np.sin(a))
            for r, a in zip(
                sizes, np.linspace(0, 2 * np.pi, len(sizes), endpoint=False), strict=True
            )
        ]
    ),
    st.floats(5, 15),
    st.floats(5, 15),
    st.lists(st.floats(0.6, 9), min_size=5, max_size=9),
)


@st.composite
def scenes(draw):
    zone = draw(blob)
    assume(zone.is_valid and zone.area > 2)
    rows = [edge(zone, draw(st.floats(0.2, 1.5)))]
    for _ in range(draw(st.integers(0, 3))):
        x, y, size = draw(st.floats(0, 20)), draw(st.floats(0, 20)), draw(st.floats(0.5, 4))
        rows.append(("building", 1.5, box(x, y, x + size, y + size / 2)))
    for _ in range(draw(st.integers(0, 3))):
        x, y = draw(st.floats(0, 20)), draw(st.floats(0, 20))
        rows.append(("head", draw(st.floats(0.5, 3)), Point(x, y)))
    x, y = draw(st.floats(0, 20)), draw(st.floats(0, 20))
    rows.append(("boundary", 1.5, LineString([(x, -5), (y, 30)])))
    phase = draw(st.floats(0, 6))

    def dryness(x, y):
        return 5 + np.sin(0.31 * x + phase) + np.cos(0.23 * y - phase) + 0.05 * x + 0.031 * y

    return zone, rows, dryness


@pytest.mark.published(
    "UF/IFAS EDIS AE437, as quoted, not read at its source: 5 ft from heads, houses, driveways ..."
)
@tries(40)
@given(scenes())
def test_no_setback_is_broken_that_some_point_meets(scene):
    """Distances recomputed on the vectors; a brute-force lattice looks for admissible ground."""
    zone, rows, dryness = scene
    try:
        point = place(zone, dryness, *rows)
    except NoAdmissibleGroundError:
        reject()
    here = Point(point.x, point.y)
    assert zone.buffer(1e-9).covers(here)
    ratio = min(shape.distance(here) / setback for _, setback, shape in rows)
    assert point.setback_ratio == pytest.approx(ratio)
    x, y = lattice(zone, step=0.11)
    shapes = shapely.points(x, y)
    best = np.min([shapely.distance(shape, shapes) / setback for _, setback, shape in rows], axis=0)
    if best.size and best.max() >= 1:
        assert ratio >= 1 - 1e-9
        assert point.note == ""
    else:
        assert ratio >= best.max(initial=0.0) - 1e-3
        tightest = [s.distance(here) / d for h, d, s in rows if h == point.binding_setback]
        assert min(tightest) == pytest.approx(ratio)


@tries(40)
@given(scenes())
def test_points_keep_the_error_of_tape_and_shovel_inside_each_setback(scene):
    """Where a lattice finds ground with the margin, the point has it; else the ratio decides."""
    zone, rows, dryness = scene
    try:
        point = place(zone, dryness, *rows, margin=MARGIN_M)
    except NoAdmissibleGroundError:
        return
    here = Point(point.x, point.y)
    slack = min(shape.distance(here) - setback for _, setback, shape in rows)
    x, y = lattice(zone, step=0.11)
    shapes = shapely.points(x, y)
    best = np.min([shapely.distance(shape, shapes) - setback for _, setback, shape in rows], axis=0)
    if best.size and best.max() >= MARGIN_M:
        assert slack >= MARGIN_M - 1e-9
        assert all(
            min(shape.distance(Point(r.x, r.y)) - setback for _, setback, shape in rows) >= -1e-9
            for r in point.reserves
            if r.setback_ratio >= 1
        )
    elif best.size and best.max() >= 0:
        assert slack >= -1e-9


def test_a_margin_that_no_ground_has_room_for_gives_the_best_ratio():
    """A strip 2 m wide with 0.9 m setbacks has 10 cm to spare on each side: its midline."""
    zone = box(0, 0, 20, 2)
    point = place(zone, lambda x, y: x + 5 * y, edge(zone), margin=MARGIN_M)
    assert point.y == pytest.approx(1.0, abs=CM)
    assert point.setback_ratio == pytest.approx(1 / 0.9, abs=0.01)
    assert point.note == ""


@tries(15)
@given(scenes(), st.floats(-3e4, 3e4), st.floats(-3e4, 3e4))
def test_translation_of_everything_moves_the_point_along(scene, dx, dy):
    zone, rows, dryness = scene
    x, y = lattice(zone)
    assume(x.size > 8)
    dry = np.tile(dryness(x, y), (2, 1))
    moved_rows = [(h, d, affinity.translate(s, dx, dy)) for h, d, s in rows]
    try:
        base = place_sensor(zone, x=x, y=y, dryness=dry, hazards=hazards(*rows))
    except NoAdmissibleGroundError:
        reject()
    moved = place_sensor(
        affinity.translate(zone, dx, dy),
        x=x + dx,
        y=y + dy,
        dryness=dry,
        hazards=hazards(*moved_rows),
    )
    assert np.hypot(moved.x - dx - base.x, moved.y - dy - base.y) < CM


@tries(15)
@given(scenes(), st.randoms(use_true_random=False))
def test_order_and_duplicates_do_not_matter(scene, random):
    zone, rows, dryness = scene
    x, y = lattice(zone)
    assume(x.size > 8)
    dry = np.tile(dryness(x, y), (2, 1))
    order = np.array(random.sample(range(x.size), x.size))
    shuffled = [*random.sample(rows, len(rows)), random.choice(rows)]
    try:
        base = place_sensor(zone, x=x, y=y, dryness=dry, hazards=hazards(*rows))
    except NoAdmissibleGroundError:
        reject()
    other = place_sensor(
        zone, x=x[order], y=y[order], dryness=dry[:, order], hazards=hazards(*shuffled)
    )
    assert np.hypot(other.x - base.x, other.y - base.y) < 1e-6
    assert (other.binding_setback, other.note) == (base.binding_setback, base.note)


def test_inputs_are_not_changed():
    zone = box(0, 0, 20, 10)
    x, y = lattice(zone)
    dryness = np.tile(10 + x, (2, 1))
    table = hazards(edge(zone), ("building", 1.5, box(-2, 0, 0, 10)))
    before = dryness.copy(), table.copy()
    place_sensor(zone, x=x, y=y, dryness=dryness, hazards=table)
    assert (dryness == before[0]).all()
    assert table.equals(before[1])
