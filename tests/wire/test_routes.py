"""Trench trees, wire paths and the parts list."""

from __future__ import annotations

from itertools import combinations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.sparse import csr_array
from shapely.affinity import rotate
from shapely.geometry import LineString, MultiPoint, Point, box

from siting.decide.places import priced_trench
from siting.wire.paths import free_space, steiner_tree, visibility_graph
from siting.wire.routes import (
    DECODER_M,
    LINK_M,
    PricedGround,
    TrenchNetwork,
    nearest_controller_distance,
    parts_list,
    wire_routes,
)
from tests.tries import tries

PROPERTY = box(0, 0, 100, 60)


def layer(*shapes, **columns):
    return gpd.GeoDataFrame(columns, geometry=list(shapes))


def controllers(*places, names=None):
    names = names or [None] * len(places)
    return layer(*[Point(*p) for p in places], kind=["controller"] * len(places), name=names)


def sensors(*places, **columns):
    frame = layer(*[Point(*p) for p in places], **columns)
    frame.index = [f"S{i + 1}" for i in range(len(places))]
    return frame


def tree_cost(matrix, edges):
    return sum(float(matrix[a, b]) for a, b in edges)


def complete(places):
    places = np.asarray(places, dtype=float)
    return csr_array(np.hypot(*(places[:, None] - places[None, :]).T))


@pytest.mark.closed_form("Steiner tree of a square of side a: a (1 + sqrt 3)")
def test_unit_square():
    """The two Steiner points lie on the midline, 1 / (2 sqrt 3) from two opposite sides."""
    inset = 1 / (2 * np.sqrt(3))
    matrix = complete([(0, 0), (1, 0), (1, 1), (0, 1), (inset, 0.5), (1 - inset, 0.5)])
    edges = steiner_tree(matrix, [0, 1, 2, 3])
    assert tree_cost(matrix, edges) == pytest.approx(1 + np.sqrt(3), rel=1e-12)
    assert len(edges) == 5


def test_equilateral_triangle_branches_in_the_open():
    """Three terminals at mutual distance a: the tree through the Fermat point is a sqrt 3."""
    a = 20.0
    places = [(40, 20), (40 + a, 20), (40 + a / 2, 20 + a * np.sqrt(3) / 2)]
    wires = wire_routes(
        sensors(*places[1:]),
        fixtures=controllers(places[0]),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(),
    )
    trench = wires.routes.query("kind == 'trench'")
    assert trench["length_m"].sum() == pytest.approx(a * np.sqrt(3), rel=1e-9)
    assert wires.lengths["wire_m"].to_numpy() == pytest.approx([2 * a / np.sqrt(3)] * 2)


def brute_force(matrix, terminals):
    """Cheapest tree: the best spanning tree over terminals and any of the other nodes."""
    nx = pytest.importorskip("networkx")
    graph = nx.from_scipy_sparse_array(matrix)
    others = [n for n in graph if n not in terminals]
    best = np.inf
    for count in range(len(others) + 1):
        for extra in combinations(others, count):
            part = graph.subgraph([*terminals, *extra])
            if nx.is_connected(part):
                size = nx.minimum_spanning_tree(part).size(weight="weight")
                best = min(best, size)
    return best


@pytest.mark.parametrize("seed", range(6))
def test_tree_equals_brute_force_on_small_graphs(seed):
    rng = np.random.default_rng(seed)
    weight = np.triu(rng.uniform(1, 10, (9, 9)) * (rng.uniform(size=(9, 9)) < 0.5), 1)
    weight[np.arange(8), np.arange(1, 9)] = 7.0  # connected
    matrix = csr_array(weight + weight.T)
    terminals = rng.choice(9, size=3 + seed % 3, replace=False).tolist()
    exact = tree_cost(matrix, steiner_tree(matrix, terminals))
    assert exact == pytest.approx(brute_force(matrix, terminals))
    closure = tree_cost(matrix, steiner_tree(matrix, terminals, exact_up_to=2))
    assert exact - 1e-9 <= closure <= 2 * exact


def test_beyond_eight_terminals_the_tree_is_near_networkx():
    nx = pytest.importorskip("networkx")
    rng = np.random.default_rng(4)
    matrix = complete(rng.uniform(0, 50, (40, 2)))
    terminals = list(range(12))
    cost = tree_cost(matrix, steiner_tree(matrix, terminals))
    peer = nx.algorithms.approximation.steiner_tree(
        nx.from_scipy_sparse_array(matrix), terminals, weight="weight", method="kou"
    )
    assert cost == pytest.approx(peer.size(weight="weight"), rel=0.02)


def test_unconnected_terminals_are_refused():
    with pytest.raises(ValueError, match="not connected"):
        steiner_tree(csr_array(np.array([[0, 1, 0], [1, 0, 0], [0, 0, 0.0]])), [0, 2])


def test_path_round_a_building_is_exact():
    """From (40, 30) to (60, 30) round the box 45..55 x 20..34: over the north side, by two corners.

    2 hypot(5, 4) + 10 = 22.806; over the south side it would be 2 hypot(5, 10) + 10.
    """
    length = nearest_controller_distance(
        np.array([[60.0, 30.0]]),
        np.array([[40.0, 30.0], [50.0, 20.0]]),
        boundary=PROPERTY,
        buildings=layer(box(45, 20, 55, 34)),
    )
    assert length[0] == pytest.approx([2 * np.hypot(5, 4) + 10, 5 + np.hypot(5, 10)], rel=1e-12)


def test_paths_equal_networkx_on_the_whole_visibility_graph():
    nx = pytest.importorskip("networkx")
    rng = np.random.default_rng(8)
    shapes = [
        shapely.affinity.rotate(box(x, y, x + 9, y + 6), a)
        for x, y, a in zip(
            np.tile([10, 35, 60, 80], 2), np.repeat([10, 35], 4), rng.uniform(0, 90, 8), strict=True
        )
    ]
    buildings = layer(*shapes)
    walls = shapely.union_all(shapes)
    places = np.array(
        [p for p in rng.uniform([1, 1], [99, 59], (20, 2)) if not walls.intersects(Point(p))]
    )
    corners = np.concatenate([shapely.get_coordinates(s.exterior)[:-1] for s in shapes])
    nodes = np.concatenate([places, corners])
    graph = nx.Graph()
    inner = shapely.buffer(walls, -1e-6)
    for i, j in combinations(range(len(nodes)), 2):
        line = LineString(nodes[[i, j]])
        if not line.intersects(inner) and PROPERTY.covers(line):
            graph.add_edge(i, j, weight=line.length)
    length = nearest_controller_distance(places, places[:2], boundary=PROPERTY, buildings=buildings)
    for c in (0, 1):
        peer = nx.single_source_dijkstra_path_length(graph, c)
        assert length[:, c] == pytest.approx([peer.get(k, np.inf) for k in range(len(places))])


def test_a_concave_boundary_is_an_obstacle():
    corner = shapely.difference(box(0, 0, 20, 20), box(10, 10, 20, 20))
    length = nearest_controller_distance(
        np.array([[12.0, 8.0]]), np.array([[8.0, 14.0]]), boundary=corner, buildings=layer()
    )
    assert length[0, 0] == pytest.approx(np.hypot(2, 4) + np.hypot(2, 2), rel=1e-12)


def test_a_controller_indoors_is_led_straight_to_its_wall():
    length = nearest_controller_distance(
        np.array([[40.0, 25.0]]),
        np.array([[47.0, 25.0]]),
        boundary=PROPERTY,
        buildings=layer(box(45, 20, 55, 34)),
    )
    assert length[0, 0] == pytest.approx(7.0)


@tries(25)
@given(st.integers(0, 10_000))
def test_routes_never_enter_a_building_or_leave_the_property(seed):
    rng = np.random.default_rng(seed)
    shapes = [
        shapely.affinity.rotate(box(x, y, x + rng.uniform(3, 18), y + rng.uniform(3, 12)), angle)
        for x, y, angle in rng.uniform([5, 5, 0], [75, 40, 90], (5, 3))
    ]
    walls = shapely.union_all(shapes)
    places = [p for p in rng.uniform([1, 1], [99, 59], (12, 2)) if not walls.intersects(Point(p))]
    assume(len(places) >= 3)
    wires = wire_routes(
        sensors(*places[1:]),
        fixtures=controllers(places[0]),
        boundary=PROPERTY,
        buildings=layer(*shapes),
        paving=layer(box(0, 25, 100, 28)),
    )
    assert not wires.warnings
    for line in wires.routes.geometry:
        assert line.intersection(shapely.buffer(walls, -1e-5)).is_empty
        assert PROPERTY.buffer(1e-6).covers(line)
    trench = wires.routes.query("kind == 'trench'")
    assert wires.lengths["trench_m"].sum() == pytest.approx(trench["length_m"].sum())
    direct = nearest_controller_distance(
        np.array(places[1:]), np.array(places[:1]), boundary=PROPERTY, buildings=layer(*shapes)
    )[:, 0]
    assert (wires.lengths["wire_m"].to_numpy() >= direct - 1e-6).all()


def test_each_sensor_goes_to_its_own_controller():
    wires = wire_routes(
        sensors((20, 10), (80, 10), (70, 50), controller=["east", None, None]),
        fixtures=controllers((10, 10), (90, 10), names=["west", "east"]),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(),
    )
    assert wires.lengths["controller"].tolist() == ["east", "east", "east"]
    assert wires.lengths.loc["S2", "wire_m"] == pytest.approx(10)


def test_paving_is_gone_round_when_that_is_cheaper_and_flagged_when_not():
    paving = layer(box(45, 0, 55, 50))
    args = {
        "fixtures": controllers((40, 45)),
        "boundary": PROPERTY,
        "buildings": layer(),
        "paving": paving,
    }
    round_ = wire_routes(sensors((60, 45)), **args)
    assert round_.lengths["wire_m"].iloc[0] == pytest.approx(2 * np.hypot(5, 5) + 10)
    assert set(round_.routes["crosses"]) == {""}
    through = wire_routes(sensors((60, 10)), paving_factor=1.5, **args)
    assert set(through.routes["crosses"]) == {"paving"}
    straight = np.hypot(20, 35)
    assert through.lengths["wire_m"].iloc[0] == pytest.approx(straight, rel=0.01)
    paved = through.routes["paved_m"].iloc[0]
    assert paved == pytest.approx(straight / 2, rel=0.2)


def test_without_a_controller_lengths_are_unknown():
    wires = wire_routes(
        sensors((60, 45)), fixtures=layer(), boundary=PROPERTY, buildings=layer(), paving=layer()
    )
    assert wires.routes.empty
    assert wires.lengths["wire_m"].isna().all()
    assert "no controller" in wires.warnings[0]
    parts = parts_list(wires).set_index("item")["quantity"]
    assert np.isnan(parts["trench in open ground"])
    assert parts["soil-moisture sensor"] == 1


def test_a_walled_in_sensor_is_reported():
    walls = shapely.difference(box(40, 20, 60, 40), box(45, 25, 55, 35))
    wires = wire_routes(
        sensors((50, 30), (10, 10)),
        fixtures=controllers((5, 10)),
        boundary=PROPERTY,
        buildings=layer(walls),
        paving=layer(),
    )
    assert wires.lengths["wire_m"].isna().tolist() == [True, False]
    assert wires.warnings == ("sensor S1: no way for a wire to controller 1",)


def test_parts_list_adds_up():
    wires = wire_routes(
        sensors((20, 10), (30, 10)),
        fixtures=controllers((10, 10)),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(box(24, 0, 26, 60)),
    )
    parts = parts_list(wires).set_index("item")["quantity"]
    assert parts["two-conductor direct-burial irrigation wire"] == np.ceil((10 + 20 + 2.4) * 1.1)
    assert parts["trench in open ground"] == 18
    assert parts["sleeve or bore under paving"] == 2
    assert parts["waterproof direct-burial splice"] == 5
    feet = parts_list(wires, units="us").set_index("item")
    assert feet.loc["trench in open ground", "quantity"] == np.ceil(18 / 0.3048)
    assert feet.loc["trench in open ground", "unit"] == "ft"


def test_branches_and_corners_are_nodes_of_the_graph():
    free = free_space(PROPERTY, [box(45, 20, 55, 34)])
    graph = visibility_graph(np.array([[40.0, 30.0], [60.0, 30.0]]), free=free)
    assert len(graph.places) == 6
    assert (graph.start < graph.end).all()
    assert not ((graph.start == 0) & (graph.end == 1)).any()
    assert graph.cost == pytest.approx(graph.length)


@pytest.mark.published("Gilbert & Pollak 1968: Steiner tree of a square of side a, a (1 + sqrt 3)")
@pytest.mark.parametrize("turn", [0.0, 23.0])
def test_branches_of_a_square_meet_at_120_degrees(turn):
    """Corners of a square of 30 m: one branch alone gives 2.8 % more than two."""
    square = rotate(MultiPoint([(0, 0), (30, 0), (30, 30), (0, 30)]), turn, origin=(15, 15))
    corners = [(point.x, point.y) for point in square.geoms]
    wires = wire_routes(
        sensors(*corners[1:]),
        fixtures=controllers(corners[0]),
        boundary=box(-50, -50, 80, 80),
        buildings=layer(),
        paving=layer(),
    )
    trench = wires.routes[wires.routes["kind"] == "trench"]
    assert trench["length_m"].sum() == pytest.approx(30 * (1 + np.sqrt(3)), rel=1e-4)


def play(**more):
    """A pitch between the controller and the sensors; the last sensor lies on it."""
    pitch = box(20, 0, 60, 40)
    return pitch, wire_routes(
        sensors((70, 20), (10, 30), (40, 20)),
        fixtures=controllers((0, 20)),
        boundary=box(-5, -10, 80, 50),
        buildings=layer(),
        paving=layer(),
        **more,
    )


def test_no_trench_enters_ground_in_play():
    """Without the word the way goes straight across; with it, round the pitch, or by a link."""
    pitch, across = play()
    assert across.routes.intersection(pitch).length.sum() > 40
    pitch, wires = play(in_play=pitch)
    assert wires.routes.intersection(pitch.buffer(-1e-6)).length.sum() == 0
    assert wires.lengths["wire_m"].iloc[0] > 80
    assert wires.links == (wires.lengths.index[2],)
    assert wires.lengths[["wire_m", "trench_m", "drop_v"]].iloc[2].tolist() == [0, 0, 0]
    assert any("wireless" in word for word in wires.warnings)
    parts = parts_list(wires).set_index("item")["quantity"]
    assert parts["wireless link, sender and receiver"] == 1
    assert parts["splice box"] == 2


def test_a_sensor_shut_in_by_ground_in_play_is_linked():
    ring = box(0, 0, 60, 60).difference(box(20, 20, 40, 40))
    wires = wire_routes(
        sensors((30, 30)), fixtures=controllers((-5, 30)), boundary=box(-10, -10, 70, 70),
        buildings=layer(), paving=layer(), in_play=ring,
    )  # fmt: skip
    assert len(wires.routes) == 0
    assert len(wires.links) == 1


def test_a_link_is_priced_before_the_choice():
    """The network asks the price of a link for what lies in play, alone and shared."""
    network = TrenchNetwork(
        np.array([(70.0, 20.0), (40.0, 20.0), (45.0, 20.0)]), np.array([(0.0, 20.0)]),
        np.zeros(3, dtype=np.int64), boundary=box(-5, -10, 80, 50), buildings=[], paving=[],
        paving_factor=4.0, in_play=box(20, 0, 60, 40),
    )  # fmt: skip
    assert network.own[1:].tolist() == [LINK_M, LINK_M]
    assert network.wire[1:].tolist() == [0.0, 0.0]
    assert network.own[0] > 70
    assert network.shared([0, 1, 2]) == pytest.approx(network.own[0] + 2 * LINK_M)
    assert network.marginal([1, 2]).tolist() == pytest.approx([network.own[0], LINK_M, LINK_M])


def shut_in(box_at, **more):
    """A ring of ground in play about a sensor at (30, 30); a valve box stands somewhere."""
    ring = box(0, 0, 60, 60).difference(box(15, 15, 45, 45))
    fixtures = controllers((-5, 30))
    valve_box = fixtures.assign(kind="valve_box", name="V", geometry=[Point(*box_at)])
    return wire_routes(
        sensors((30, 30)), fixtures=pd.concat([fixtures, valve_box], ignore_index=True),
        boundary=box(-10, -10, 70, 70), buildings=layer(), paving=layer(), in_play=ring, **more,
    )  # fmt: skip


def test_a_decoder_in_a_valve_box_on_its_side_is_taken_where_it_is_cheaper():
    """5 m of trench and a decoder against a link; 14 m is too far, a box in play no help."""
    wires = shut_in((30, 35))
    assert (wires.links, wires.decoders) == ((), ("S1",))
    assert wires.link("S1") == "decoder"
    assert wires.lengths.loc["S1", ["wire_m", "trench_m"]].tolist() == pytest.approx([5.0, 5.0])
    assert wires.lengths.loc["S1", "controller"] == "controller 1"
    assert wires.routes["controller"].tolist() == ["valve box V"] * 2
    assert "decoder in the nearest valve box, reckoned like 12 m" in wires.warnings[0]
    parts = parts_list(wires).set_index("item")["quantity"]
    assert parts["decoder"] == parts["splice box"] == 1
    assert "wireless link, sender and receiver" not in parts
    assert priced_trench(wires) == pytest.approx(5 + DECODER_M)
    for place in ((30, 44), (30, 50), (65, 30)):
        other = shut_in(place)
        assert (other.links, other.decoders) == (("S1",), ())
        assert priced_trench(other) == LINK_M


def test_a_decoder_is_priced_before_the_choice():
    ring = box(0, 0, 60, 60).difference(box(15, 15, 45, 45))
    args = {"boundary": box(-10, -10, 70, 70), "buildings": [], "paving_factor": 4.0,
            "paving": [box(10, 31, 50, 32)], "in_play": ring}  # fmt: skip
    ends = np.array([(30.0, 28.0), (30.0, 33.0)]), np.array([(-5.0, 30.0)]), np.zeros(2, int)
    network = TrenchNetwork(*ends, valve_boxes=np.array([(30.0, 35.0), (30.0, 50.0)]), **args)
    assert network.own.tolist() == pytest.approx([7 + 3 + DECODER_M, 2 + DECODER_M])
    assert network.wire.tolist() == pytest.approx([7.0, 2.0])
    assert network.shared([0, 1]) == pytest.approx(network.own.sum())
    assert network.marginal([0]).tolist() == pytest.approx(network.own.tolist())
    without = TrenchNetwork(*ends, **args)
    assert without.own.tolist() == [LINK_M, LINK_M]


def pieces(wires, kind):
    return wires.routes[wires.routes["kind"] == kind]


@tries(20)
@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.13, 1.0]))
def test_what_a_route_says_of_itself_is_what_is_drawn(seed, share):
    """Lengths, ground, conductors and shares against the drawn lines themselves.

    One controller stands indoors, and one sensor under a roof: their leads to the wall count in the
    wire, not in the trench.
    """
    rng = np.random.default_rng(seed)
    houses = [box(2, 25, 8, 35), box(92, 50, 98, 58)]
    paving, bed = box(40, -1, 44, 61), box(42, 10, 60, 50)  # the bed begins under the paving
    at = [(5, 30), (90, 10), (95, 54), *rng.uniform([10, 2], [90, 48], (4, 2))]
    names = [("west", "east")[i] for i in rng.integers(0, 2, 5)]
    wires = wire_routes(
        sensors(*at[2:], controller=names),
        fixtures=controllers(*at[:2], names=["west", "east"]),
        boundary=PROPERTY,
        buildings=layer(*houses),
        paving=layer(paving),
        paving_factor=3.0,
        priced=[PricedGround("bed", bed, 2.0)],
        wire_share=share,
    )
    assert not wires.warnings
    # A line along an edge runs beside the ground, not through it; one that leaves the edge at a
    # small angle has some millimetres more outside. The micrometre that is cut off the ground takes
    # a hundredth of a millimetre of a line at four degrees to its edge, a tenth at half a degree.
    within = [shapely.buffer(shape, -1e-6) for shape in (paving, bed.difference(paving))]
    for _, row in wires.routes.iterrows():
        line = row.geometry
        paved, planted = (line.intersection(shape).length for shape in within)
        assert row["length_m"] == pytest.approx(line.length)
        assert row["paved_m"] == pytest.approx(paved, abs=1e-4)
        assert row["priced_m"] == pytest.approx(line.length + 2 * paved + planted, abs=1e-2)
        told = [name for name, part in (("paving", paved), ("bed", planted)) if part > 0.05]
        assert row["crosses"] == ", ".join(told)
        assert row["conductors"] == 2 * len(row["sensor_id"].split(", "))
        assert shapely.get_num_points(shapely.remove_repeated_points(line)) == len(line.coords)
    trench = pieces(wires, "trench")
    walls = shapely.union_all(houses)
    assert pieces(wires, "wire")["sensor_id"].tolist() == ["S1", "S2", "S3", "S4", "S5"]
    for (_, row), place, name in zip(pieces(wires, "wire").iterrows(), at[2:], names, strict=True):
        ends = (at[0] if name == "west" else at[1]), tuple(place)
        assert row.geometry.coords[0] == pytest.approx(ends[0])
        assert row.geometry.coords[-1] == pytest.approx(ends[1])
        sharing = trench["sensor_id"].str.split(", ")
        mine = trench[[row["sensor_id"] in ids for ids in sharing]]
        outdoors = row.geometry.difference(walls.buffer(1e-6))
        assert shapely.union_all(mine.geometry.to_numpy()).buffer(1e-5).covers(outdoors)
        length = wires.lengths.loc[row["sensor_id"]]
        assert length["controller"] == row["controller"] == name
        assert length["wire_m"] == pytest.approx(row.geometry.length)
        cost = sum(piece["length_m"] * 2 / piece["conductors"] for _, piece in mine.iterrows())
        assert length["trench_m"] == pytest.approx(cost)
    assert wires.lengths["trench_m"].sum() == pytest.approx(trench["length_m"].sum())


def test_leads_from_indoors_count_as_wire_and_not_as_trench():
    """By hand: 1 m to the wall, 12 m of trench with 2 m of paving at four times, 1 m indoors.

    Loss 2 x 14 m x 25.5 ohm/km x 0.1 A = 0.0714 V.
    """
    houses = layer(box(40, 24, 45, 30), box(57, 24, 62, 30))
    at = (44, 27), (58, 27)
    wires = wire_routes(
        sensors(at[1]),
        fixtures=controllers(at[0]),
        boundary=PROPERTY,
        buildings=houses,
        paving=layer(box(50, 0, 52, 60)),
    )
    assert wires.lengths.loc["S1"].to_dict() == {
        "controller": "controller 1",
        "wire_m": pytest.approx(14),
        "trench_m": pytest.approx(12),
        "gauge_awg": 18,
        "drop_v": pytest.approx(0.0714),
    }
    assert pieces(wires, "trench")["priced_m"].tolist() == [pytest.approx(12 + 3 * 2)]
    assert pieces(wires, "wire")["priced_m"].tolist() == [pytest.approx(14 + 3 * 2)]
    length = nearest_controller_distance(
        np.array([at[1]]), np.array([at[0]]), boundary=PROPERTY, buildings=houses
    )
    assert length[0, 0] == pytest.approx(14)


def test_two_controllers_dig_a_common_stretch_once():
    """Two leads through one gap in a wall of 10 m; beyond it each has a trench of its own."""
    wires = wire_routes(
        sensors((90, 40), (90, 20), controller=["A", "B"]),
        fixtures=controllers((10, 40), (10, 20), names=["A", "B"]),
        boundary=PROPERTY,
        buildings=layer(box(45, 0, 55, 29.9), box(45, 30.1, 55, 60)),
        paving=layer(),
    )
    trench = pieces(wires, "trench")
    own, common = trench[trench["sensor_id"] == "S1"], trench[trench["sensor_id"] == "S1, S2"]
    assert common["controller"].tolist() == ["A, B"]
    assert common["conductors"].tolist() == [4]
    assert common.geometry.iloc[0].intersection(box(45, 0, 55, 60)).length == pytest.approx(10)
    assert len(own) == 2  # west of the wall and east of it, each with its own length
    assert own["length_m"].to_numpy() == pytest.approx(shapely.length(own.geometry.to_numpy()))
    apart = sum(np.hypot(35, dy) * 2 + 10 for dy in (9.9, 9.9))
    assert trench["length_m"].sum() < apart - 10


def test_each_controller_has_a_tree_with_a_branch_in_the_open():
    """A fork from (0, 0) to (20, 5) and (20, -5) at 120 degrees: 20 + 5 sqrt 3; here twice."""
    wires = wire_routes(
        sensors((30, 10), (30, 20), (70, 50), (70, 40), controller=["w", "w", "e", "e"]),
        fixtures=controllers((10, 15), (90, 45), names=["w", "e"]),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(),
    )
    length = pieces(wires, "trench").groupby("controller")["length_m"].sum()
    assert length.to_dict() == {name: pytest.approx(20 + 5 * np.sqrt(3)) for name in "ew"}


@pytest.mark.published(
    "Chung and Graham (1978), Steiner trees for ladders: n (1 + sqrt 3 / 2) - 1 (from memory)"
)
def test_seven_sensors_share_branches_as_far_as_geometry_allows():
    """A ladder of four squares' corners with sides of 15 m: spanning tree 105 m, least 96.96 m."""
    at = [(10 + 15 * i, 20 + 15 * j) for i in range(4) for j in range(2)]
    wires = wire_routes(
        sensors(*at[1:]),
        fixtures=controllers(at[0]),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(),
    )
    total = pieces(wires, "trench")["length_m"].sum()
    assert 15 * (4 * (1 + np.sqrt(3) / 2) - 1) - 1e-6 <= total < 0.97 * 105


@pytest.mark.parametrize(("kerb", "told"), [(0.04, ""), (0.06, "paving")])
def test_a_kerb_is_priced_and_no_crossing(kerb, told):
    wires = wire_routes(
        sensors((60, 30)),
        fixtures=controllers((40, 30)),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(box(50, 0, 50 + kerb, 60)),
    )
    assert set(wires.routes["crosses"]) == {told}
    assert wires.routes["priced_m"].to_numpy() == pytest.approx(20 + 3 * kerb)


def test_controllers_without_a_name_are_counted_among_controllers():
    fixtures = layer(
        *[Point(*p) for p in ((5, 5), (10, 10), (50, 10), (90, 10))],
        kind=["head", "controller", "controller", "controller"],
        name=["H1", None, "shed", np.nan],
    )
    args = {"boundary": PROPERTY, "buildings": layer(), "paving": layer()}
    places = (15, 10), (55, 10), (85, 10)
    wires = wire_routes(sensors(*places), fixtures=fixtures, **args)
    assert wires.lengths["controller"].tolist() == ["controller 1", "shed", "controller 3"]
    wires = wire_routes(sensors(*places), fixtures=fixtures.drop(columns="name"), **args)
    assert wires.lengths["controller"].tolist() == ["controller 1", "controller 2", "controller 3"]


def test_a_sensor_without_a_known_controller_goes_to_the_nearest_by_path():
    """Straight, the west is 30 m and the east 40 m away; a wall of 50 m stands before the west.

    Where both are as near, to a micrometre, it is the first that is drawn.
    """
    args = {"boundary": PROPERTY, "paving": layer()}
    fixtures = controllers((20, 50), (90, 50), names=["west", "east"])
    wall = layer(box(30, 8, 31, 60))
    one = sensors((50, 50), (50, 50), (50, 50), controller=["west", "north", None])
    wires = wire_routes(one, fixtures=fixtures, buildings=wall, **args)
    assert wires.lengths["controller"].tolist() == ["west", "east", "east"]
    near = controllers((40, 30), (60 - 4e-7, 30), names=["first", "second"])
    wires = wire_routes(sensors((50, 30)), fixtures=near, buildings=layer(), **args)
    assert wires.lengths["controller"].tolist() == ["first"]


def test_nothing_to_join_is_no_fault_and_a_cut_off_sensor_is_told_with_its_controller():
    args = {"boundary": PROPERTY, "paving": layer()}
    none = sensors().set_geometry([])
    assert wire_routes(none, fixtures=layer(), buildings=layer(), **args).warnings == ()
    walls = layer(shapely.difference(box(40, 20, 60, 40), box(45, 25, 55, 35)))
    both = controllers((5, 10), (95, 10), names=["west", "east"])
    shut = sensors((50, 30), (90, 10), controller=["east", "west"])
    wires = wire_routes(shut, fixtures=both, buildings=walls, **args)
    assert wires.warnings == ("sensor S1: no way for a wire to east",)
    assert wires.lengths["wire_m"].isna().tolist() == [True, False]
    assert wires.lengths.loc["S2", "controller"] == "west"


@pytest.mark.parametrize(("length", "told"), [(1506.0, False), (1507.0, True)])
def test_a_lead_starves_beyond_what_the_thickest_wire_carries(length, told):
    """5 % of 24 V is 1.2 V; 1.2 / (2 x 3.984 ohm/km x 0.1 A) = 1,506.02 m."""
    wires = wire_routes(
        sensors((10 + length, 5)),
        fixtures=controllers((10, 5)),
        boundary=box(0, 0, 2000, 10),
        buildings=layer(),
        paving=layer(),
    )
    said = (
        "sensor S1: its lead of 1507 m loses 1.2 V even in 10 AWG wire, more than 1.2 V; "
        "use a nearer controller"
    )
    assert wires.warnings == ((said,) if told else ())


def test_a_nib_of_paving_is_gone_round_at_its_corners():
    """Up to the corners of the nib of 1 m and down again; through it a metre would cost four."""
    paving = shapely.union(box(45, 0, 55, 50), box(49, 50, 51, 51))
    wires = wire_routes(
        sensors((60, 45)),
        fixtures=controllers((40, 45)),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(paving),
    )
    round_ = 2 * (np.hypot(5, 5) + np.hypot(4, 1)) + 2
    assert pieces(wires, "trench")["priced_m"].sum() == pytest.approx(round_)


@pytest.mark.parametrize("elsewhere", [box(14, 14, 16, 16), box(76, 30, 78, 32)])
@pytest.mark.parametrize(("dx", "dy"), [(0, 0), (500, -200), (-300, 400)])
def test_neither_paving_elsewhere_nor_the_place_of_the_property_changes_a_tree(elsewhere, dx, dy):
    def move(shape):
        return shapely.affinity.translate(shape, dx, dy)

    wires = wire_routes(
        sensors((80 + dx, 10 + dy), (80 + dx, 20 + dy)),
        fixtures=controllers((60 + dx, 15 + dy)),
        boundary=move(PROPERTY),
        buildings=layer(),
        paving=layer(move(elsewhere)),
    )
    assert pieces(wires, "trench")["length_m"].sum() == pytest.approx(20 + 5 * np.sqrt(3))


def test_a_sensor_at_its_controller_has_a_lead_of_no_length():
    wires = wire_routes(
        sensors((40, 30)),
        fixtures=controllers((40, 30)),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(),
    )
    assert wires.lengths.loc["S1", "wire_m"] == 0
    assert [list(line.coords) for line in wires.routes.geometry] == [[(40, 30), (40, 30)]]


@pytest.mark.parametrize("house", [None, box(0, -8, 100, 0)])
def test_paving_that_ends_at_an_edge_is_not_crossed_for_nothing_along_it(house):
    """The only way leads across, along the property line or a wall as anywhere."""
    ground = box(0, 0, 100, 60) if house is None else box(0, -10, 100, 60)
    wires = wire_routes(
        sensors((70, 5)),
        fixtures=controllers((30, 5)),
        boundary=ground,
        buildings=layer() if house is None else layer(house),
        paving=layer(box(45, 0, 55, 60)),
    )
    trench = pieces(wires, "trench")
    assert trench["paved_m"].sum() == pytest.approx(10, abs=0.01)
    assert trench["priced_m"].sum() == pytest.approx(40 + 3 * 10, abs=0.05)


def test_round_paving_is_gone_round():
    """Two tangents and the arc between them."""
    disc = Point(50, 30).buffer(5, quad_segs=16)
    wires = wire_routes(
        sensors((70, 30)),
        fixtures=controllers((30, 30)),
        boundary=box(0, 0, 100, 60),
        buildings=layer(),
        paving=layer(disc),
    )
    trench = pieces(wires, "trench")
    shortest = 2 * np.sqrt(375) + 5 * (np.pi - 2 * np.arccos(0.25))
    assert trench["paved_m"].sum() == 0
    assert trench["priced_m"].sum() == pytest.approx(shortest, rel=0.01)


def test_a_sensor_shut_in_by_a_building_is_not_blamed_on_play():
    """A court without a gate: no link is promised, though a pitch lies elsewhere."""
    court = box(20, 20, 40, 40).difference(box(25, 25, 35, 35))
    wires = wire_routes(
        sensors((30, 30)), fixtures=controllers((-5, 30)), boundary=box(-10, -10, 70, 70),
        buildings=layer(court), paving=layer(), in_play=box(50, 50, 60, 60),
    )  # fmt: skip
    assert wires.links == ()
    assert "no way for a wire" in wires.warnings[0]


def test_a_sensor_shut_in_by_a_building_is_not_priced_as_a_link():
    """Play lies elsewhere, as in the routes: no price is known of a place without a way."""
    court = box(20, 20, 40, 40).difference(box(25, 25, 35, 35))
    network = TrenchNetwork(
        np.array([(30.0, 30.0), (55.0, 55.0)]), np.array([(-5.0, 30.0)]), np.zeros(2, int),
        boundary=box(-10, -10, 70, 70), buildings=[court], paving=[], paving_factor=4.0,
        in_play=box(50, 50, 60, 60),
    )  # fmt: skip
    assert network.own.tolist() == [0.0, LINK_M]
    assert network.shared([0, 1]) == LINK_M


def test_the_price_before_the_choice_counts_paving_along_an_edge_too():
    network = TrenchNetwork(
        np.array([(70.0, 5.0)]), np.array([(30.0, 5.0)]), np.zeros(1, dtype=np.int64),
        boundary=box(0, 0, 100, 60), buildings=[], paving=[box(45, 0, 55, 60)], paving_factor=4.0,
    )  # fmt: skip
    assert network.own[0] == pytest.approx(70, abs=0.05)
