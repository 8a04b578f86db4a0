"""Ways through the rooms that ordinary properties hardly take, and what must hold there."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import scipy.optimize
import shapely
from scipy.optimize import milp
from scipy.sparse import csr_array
from shapely.geometry import GeometryCollection, LineString, Point, box

from siting.decide import choose as _facility
from siting.decide.choose import INFEASIBLE, Programme, choose_sensors
from siting.errors import PlanError
from siting.place.placement import Search, best_point
from siting.place.rank import surface_through
from siting.place.setbacks import (
    ROOT_RADIUS_UNKNOWN,
    Cells,
    LandForms,
    Region,
    ground_hazards,
    highest,
    keepout_areas,
    land_forms,
    root_protection_radius,
)
from siting.place.ties import _corners as corners_of_walls
from siting.place.ties import _halfway
from siting.site.model import HeightRaster
from siting.site.settings import Setbacks
from siting.wire import paths as _wire_paths
from siting.wire.paths import _pruned, _reflex_corners, fermat_points, path_nodes, steiner_tree
from siting.wire.routes import (
    EXACT_ENDS,
    PricedGround,
    TrenchNetwork,
    _Labels,
    _owners,
    _row,
    disjoint,
    wire_routes,
)
from siting.wire.routes import _corners as corners_of_ground
from tests.decide.test_facility import random_property
from tests.some import some
from tests.wire.test_routes import complete, controllers, layer, sensors

NOTHING = shapely.Polygon()


# --- sensors


def properties(count=12):
    """Properties with equipment, so that there are ways to fit the controllers."""
    return [c for seed in range(1, 60) if (c := random_property(seed)).equipment][:count]


def programme(candidates):
    """The integer programme of a property, also where all sets of sensors could be priced."""
    return Programme(candidates, np.arange(len(candidates.fixed)))


def costs(candidates):
    rows = choose_sensors(candidates, max_sensors=candidates.cost.shape[1])
    return [row.cost if row.feasible else np.inf for row in rows]


@pytest.mark.parametrize(("name", "value"), [("MOST_WAYS", 0), ("SWAPS", 0), ("SWAPS", 1)])
def test_how_the_search_goes_does_not_change_what_is_found(name, value, monkeypatch):
    wanted = some(costs(c) for c in properties())
    for rule in ("FEW_SETS", "MOST_SETS"):
        monkeypatch.setattr(_facility, rule, 0)
    monkeypatch.setattr(_facility, name, value)
    for found, known in zip([costs(c) for c in properties()], wanted, strict=True):
        assert found == pytest.approx(known, rel=2e-6)


@pytest.mark.parametrize("zones_", [None, [0]])  # by branches, and at once
def test_a_solver_that_gives_up_is_told(zones_, monkeypatch):
    gave_up = SimpleNamespace(x=None, status=1, message="time is over", mip_gap=None)
    monkeypatch.setattr(scipy.optimize, "milp", lambda *_, **__: gave_up)
    [candidates] = properties(1)
    with pytest.raises(PlanError, match="could not be decided: time is over"):
        programme(candidates).solve(at_most=2, zones=zones_)


def test_a_way_without_a_solution_leaves_the_others(monkeypatch):
    """Each way is refused in turn: what is found is a choice, never cheaper than the best."""
    candidates = properties(1)[0]
    zones_ = candidates.cost.shape[1]
    best = choose_sensors(candidates, max_sensors=zones_)[-1]
    left = [0]

    def refusing(*args, **kwargs):
        left[0] -= 1
        if left[0] == 0:
            return SimpleNamespace(x=None, status=INFEASIBLE, message="", mip_gap=None)
        return milp(*args, **kwargs)

    monkeypatch.setattr(scipy.optimize, "milp", refusing)
    for refused in range(1, 4):
        left[0] = refused
        found = programme(candidates).solve(at_most=zones_)
        assert found.sensors
        assert _facility.evaluate(candidates, found.sensors)[1] >= best.cost - 1e-9


def test_a_relaxation_that_opens_nothing_is_no_choice():
    asked = programme(properties(1)[0])
    assert asked._guess(np.zeros(len(asked.cost)), 2) == ((), np.inf)


def test_hours_are_not_kept_where_there_are_none():
    with pytest.raises(ValueError, match="no hours"):
        programme(properties(1)[0]).solve(at_most=1, zones=[0], in_window=True)


# --- wiring


def test_no_path_where_there_is_none():
    assert path_nodes(np.array([-9999, 0, -9999]), 0, 1) == [0, 1]
    assert path_nodes(np.array([-9999, 0, -9999]), 0, 2) == []


def test_many_unconnected_ends_are_refused():
    apart = np.zeros((12, 12))
    apart[:11, :11] = complete(np.random.default_rng(1).uniform(0, 9, (11, 2))).toarray()
    with pytest.raises(ValueError, match="not connected"):
        steiner_tree(csr_array(apart), list(range(12)))


def test_cycles_and_loose_ends_are_cut_off():
    """A square with a tail of two edges: of it remains the way between two corners."""
    edges = {(0, 1): 1.0, (1, 2): 1.0, (2, 3): 1.0, (0, 3): 3.0, (3, 4): 1.0, (4, 5): 1.0}
    matrix = np.zeros((6, 6))
    for (i, j), weight in edges.items():
        matrix[i, j] = matrix[j, i] = weight
    assert _pruned(csr_array(matrix), set(edges), [0, 2]) == [(0, 1), (1, 2)]


def test_places_that_coincide_have_no_point_between_them():
    assert fermat_points(np.array([[0.0, 0], [0, 0], [5, 5]])).shape == (0, 2)
    assert len(fermat_points(np.array([[0.0, 0], [4, 0], [2, 3]]))) == 1


def test_lines_of_free_space_have_no_corners_to_bend_around():
    block = box(0, 0, 10, 10).difference(box(4, 4, 6, 6))
    alone, *_ = _reflex_corners(block)
    joined, *_ = _reflex_corners(GeometryCollection([block, LineString([(10, 5), (20, 5)])]))
    assert len(alone) == 4
    assert joined.tolist() == alone.tolist()


def test_a_zone_that_cannot_be_reached_has_no_trench():
    """A wall from side to side: of two zones one lies behind it."""
    network = TrenchNetwork(
        np.array([[5.0, 5.0], [15.0, 5.0]]), np.array([[1.0, 1.0]]), np.array([0, 0]),
        boundary=box(0, 0, 20, 10), buildings=[box(9, -1, 11, 11)], paving=[], paving_factor=2.0,
    )  # fmt: skip
    assert network.shared([1]) == 0.0
    assert network.shared([0, 1]) == network.shared([0]) == pytest.approx(np.hypot(4, 4))


def test_the_trench_of_many_zones_is_at_most_their_spanning_tree_longer_than_the_best():
    """Zones in a row: the trench runs from the first to the last, however many lie between."""
    many = 2 * EXACT_ENDS
    network = TrenchNetwork(
        np.column_stack([np.arange(1.0, many + 1), np.full(many, 5.0)]), np.array([[0.0, 5.0]]),
        np.zeros(many, dtype=int), boundary=box(-1, 0, many + 2, 10), buildings=[], paving=[],
        paving_factor=2.0,
    )  # fmt: skip
    assert network.shared(range(many)) == pytest.approx(many)
    assert network.shared(range(3)) == pytest.approx(3.0)


def test_priced_ground_far_from_all_routes_is_left_out():
    near, far = (
        PricedGround("roots", box(0, 0, 5, 5), 2.0),
        PricedGround("bed", box(9e3, 0, 9.1e3, 5), 3.0),
    )
    kept = disjoint([near, far], NOTHING, np.array([[0.0, 0], [10, 10]]))
    assert [ground.name for ground in kept] == ["roots"]


def test_rerouting_may_stop_early_and_is_then_no_dearer_than_what_it_got(monkeypatch):
    place = dict(boundary=box(0, 0, 60, 40), buildings=layer(box(20, 10, 30, 30)))  # noqa: C408
    fixtures = controllers((5, 20), (55, 20))
    wanted = sensors((40, 5), (40, 35), (15, 38), (50, 8))
    whole = wire_routes(wanted, paving=layer(), fixtures=fixtures, **place)
    monkeypatch.setattr(_wire_paths, "_PASSES", 0)
    early = wire_routes(wanted, paving=layer(), fixtures=fixtures, **place)

    def trench(found):
        return found.routes.loc[found.routes["kind"] == "trench", "length_m"].sum()

    assert trench(whole) <= trench(early) + 1e-6
    assert set(early.lengths.index) == set(whole.lengths.index)


def test_owners_that_are_all_named_need_no_path():
    wanted = sensors((1, 1), (9, 9), controller=["B", "A"])
    nowhere = np.full((2, 2), np.nan)
    assert _owners(wanted, ["A", "B"], nowhere, boundary=NOTHING, buildings=layer()) == [1, 0]


def test_a_shape_with_too_many_corners_gives_none():
    round_ = Point(0, 0).buffer(50)
    assert len(corners_of_ground(round_, 16)) <= 16
    assert corners_of_ground(round_, 2).shape == (0, 2)


def test_a_route_of_no_length_is_still_a_line():
    labels = _Labels(["S1"], ["A"], ())
    row = _row(np.array([[3.0, 4.0], [3.0, 4.0]]), np.zeros(3), labels)
    assert row["geometry"].length == 0.0
    assert shapely.get_num_coordinates(row["geometry"]) == 2


# --- ties


def test_no_mark_where_a_wall_hides_every_share_of_the_string():
    ends = np.array([[0.0, 0.0], [10.0, 0.0]])
    hidden = box(-1, 1, 11, 2)
    assert len(_halfway((5.0, 5.0), ends, NOTHING, ("a", "b")).distance) == 1
    assert len(_halfway((5.0, 5.0), ends, hidden, ("a", "b")).distance) == 0
    # Only the middle is hidden: the mark moves along the string.
    moved = _halfway((5.0, 5.0), ends, box(4.9, 1, 5.1, 2), ("a", "b"))
    assert moved.places[0].tolist() == pytest.approx([10 / 3, 0.0])


def test_walls_that_are_lines_have_no_corners():
    house = box(0, 0, 5, 5)
    both = GeometryCollection([house, LineString([(0, 0), (-9, 3), (-9, 9)])])
    assert sorted(corners_of_walls(both).tolist()) == [[0, 0], [0, 5], [5, 0], [5, 5]]


# --- placement


def test_a_search_without_cells_finds_nothing():
    region = Region(box(0, 0, 1, 1), lambda x, _y: x, 1.0)
    best, x, y = highest(region, Cells(np.empty(0), np.empty(0), 0.5))
    assert best == -np.inf
    assert x.size == y.size == 0


def test_starts_that_are_not_admissible_are_no_starts():
    field = SimpleNamespace(objective=lambda x, _y: x)
    region = Region(box(0, 0, 9, 9), lambda x, _y: x - 5.0, 1.0)
    search = Search(region, field, (5.0, 5.0))
    assert best_point(search, np.array([1.0, 2.0]), np.array([1.0, 1.0]), reach=0.5) is None
    found = best_point(search, np.array([1.0, 6.0]), np.array([1.0, 1.0]), reach=0.5)
    assert found.x == pytest.approx(5.0, abs=1e-3)


def test_samples_on_no_lattice_are_read_at_the_nearest():
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 10, (2, 40))
    values = np.stack([x + y, x - y])
    surface = surface_through(x, y, values)
    assert surface.tree is not None
    asked_x, asked_y = rng.uniform(0, 10, (2, 25))
    nearest = np.argmin(np.hypot(x - asked_x[:, None], y - asked_y[:, None]), axis=1)
    assert (surface.at(asked_x, asked_y) == values[:, nearest]).all()


@pytest.mark.parametrize(
    ("shape", "cell", "height"),
    [((2, 9), 1.0, 5.0), ((9, 9), 1.0, np.nan), ((8, 8), 0.25, 5.0)],
    ids=["two rows", "no heights", "two cells of a metre"],
)
def test_a_terrain_too_small_to_have_a_lie_forbids_nothing(shape, cell, height):
    raster = HeightRaster(np.full(shape, height), 0.0, 9.0, cell, cell)
    found = land_forms(raster, boundary=box(0, 0, 2, 9), slope_percent=25.0)
    assert found.low_spots.is_empty
    assert found.flow_paths.is_empty
    assert found.steep.is_empty


@pytest.mark.parametrize(("wide", "high"), [(1.0, 1.0), (1.0, 2.0), (1.0, 0.5)])
def test_cells_that_are_no_squares_have_the_same_slope(wide, high):
    """A plane that falls 20 % to the south is 20 % steep whatever the cells."""
    rows, columns = int(80 / high), int(80 / wide)
    y = 60 - (np.arange(rows) + 0.5) * high
    raster = HeightRaster(np.tile(0.2 * y[:, None], columns), -20.0, 60.0, wide, high)
    ground = box(0, 0, 40, 40)
    steep = [land_forms(raster, boundary=ground, slope_percent=p).steep.area for p in (19, 21)]
    assert steep == pytest.approx([1600.0, 0.0], abs=1e-6)


def test_a_flow_path_keeps_its_distance():
    path = LineString([(0, 5), (20, 5)])
    land = LandForms(NOTHING, path, NOTHING)
    lawn = layer(box(0, 0, 20, 10)).set_axis(["lawn"])
    found, warnings = ground_hazards(lawn, setbacks=Setbacks(), land=land)
    [row] = found.itertuples()
    assert (row.hazard, row.setback) == ("flow_path", Setbacks().low_spot)
    assert row.geometry.equals(path)
    assert warnings == ()


def test_roots_without_a_known_crown_take_the_distance_of_an_unknown_tree():
    known, unknown = root_protection_radius(np.array([0.254, np.nan]))
    assert known == pytest.approx(3.048)
    assert unknown == ROOT_RADIUS_UNKNOWN
    assert root_protection_radius(np.array([np.nan]), crown_diameter=np.array([5.0]))[0] == 2.5


def test_ground_to_keep_clear_need_not_belong_to_a_zone():
    table = gpd.GeoDataFrame(
        {"hazard": ["valve", "valve"], "setback": [1.0, 1.0], "zone": [None, None]},
        geometry=[Point(5, 5), Point(500, 500)],
    )
    lawn = layer(box(0, 0, 20, 10)).set_axis(["lawn"])
    areas = keepout_areas(table, boundary=box(0, 0, 20, 10), hydrozones=lawn)
    assert areas["hazard"].tolist() == ["valve"]
    assert areas.geometry.iloc[0].area == pytest.approx(np.pi, rel=0.01)
    away = keepout_areas(table.iloc[1:], boundary=box(0, 0, 20, 10), hydrozones=lawn)
    assert away.empty
