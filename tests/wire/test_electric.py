"""Voltage drop, conductors, priced ground and the price of wire in the routes."""

from __future__ import annotations

from itertools import product

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import example, given
from hypothesis import strategies as st
from shapely.geometry import Point, box

from siting.wire.paths import edges_of, rerouted, visibility_graph
from siting.wire.routes import (
    DROP_LIMIT,
    SUPPLY_V,
    WIRE_GAUGES,
    PricedGround,
    gauge_for,
    parts_list,
    voltage_drop,
    wire_routes,
)
from tests.tries import tries
from tests.wire.test_routes import PROPERTY, controllers, layer, sensors


def awg_diameter_mm(awg):
    """Return the diameter of a wire gauge: 0.127 x 92^((36 - n) / 39) [mm], ASTM B258."""
    return 0.127 * 92 ** ((36 - awg) / 39)


#: Printed in ASTM B258 [mm], so that the formula is held to something too.
DIAMETERS = {18: 1.024, 14: 1.628, 10: 2.588}


@pytest.mark.published(
    "NEC (NFPA 70) Chapter 9 Table 8, solid uncoated copper at 75 °C, ohm/km; diameters of ASTM "
    "B258: 18 AWG 1.024 mm, 14 AWG 1.628 mm, 10 AWG 2.588 mm"
)
@pytest.mark.parametrize(
    ("awg", "ohm"), [(18, 25.5), (16, 16.0), (14, 10.1), (12, 6.34), (10, 3.984)]
)
def test_resistance_table_agrees_with_gauge_and_copper(awg, ohm):
    """R = rho / area; copper at 75 °C: 1.724e-8 x (1 + 0.00393 x 55) = 2.097e-8 ohm m."""
    if awg in DIAMETERS:
        assert awg_diameter_mm(awg) == pytest.approx(DIAMETERS[awg], abs=1e-3)
    assert WIRE_GAUGES[awg] == ohm
    area = np.pi / 4 * (awg_diameter_mm(awg) * 1e-3) ** 2
    assert ohm == pytest.approx(1000 * 1.724e-8 * (1 + 0.00393 * 55) / area, rel=0.02)


def test_gauge_is_the_thinnest_that_keeps_the_voltage():
    """1.2 V at 0.1 A through 25.5 ohm/km: 235.3 m there and back."""
    limit = DROP_LIMIT * SUPPLY_V
    longest = 1000 * limit / (2 * 25.5 * 0.1)
    assert gauge_for(longest - 1e-6)[0] == 18
    assert gauge_for(longest + 1e-3)[0] == 16
    assert gauge_for(longest)[1] == pytest.approx(limit)
    awg, drop = gauge_for(5000.0)
    assert awg == 10
    assert drop == pytest.approx(2 * 5 * 3.984 * 0.1)
    assert gauge_for(float("nan"))[0] == 0
    assert voltage_drop(np.array([100.0]), ohm_per_km=10.1) == pytest.approx([0.202])


def test_a_lead_too_long_for_any_wire_is_told():
    wide = box(0, 0, 4000, 10)
    wires = wire_routes(
        sensors((3900, 5)),
        fixtures=controllers((5, 5)),
        boundary=wide,
        buildings=layer(),
        paving=layer(),
    )
    assert "loses 3.1 V even in 10 AWG wire" in wires.warnings[0]
    parts = parts_list(wires).set_index("item")
    assert parts.loc["splice box", "quantity"] == 1 + 25  # a spool is 152.4 m
    assert "10 AWG" in parts.loc["two-conductor direct-burial irrigation wire", "note"]


def test_conductors_add_up_along_shared_trenches():
    wires = wire_routes(
        sensors((60, 10), (60, 14)),
        fixtures=controllers((10, 12)),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(),
    )
    trench = wires.routes.query("kind == 'trench'").set_index("sensor_id")
    assert trench.loc["S1, S2", "conductors"] == 4
    assert trench.loc["S1", "conductors"] == 2
    assert set(wires.routes.query("kind == 'wire'")["conductors"]) == {2}
    assert set(wires.lengths["gauge_awg"]) == {18}


def roots(factor=3.0):
    octagon = shapely.buffer(Point(50, 30), 5 / np.cos(np.pi / 8), quad_segs=2)
    return PricedGround("tree roots", octagon, factor)


def route(priced=(), paving=(), at=((20, 30), (80, 30)), **options):
    return wire_routes(
        sensors(*at[1:]),
        fixtures=controllers(at[0]),
        boundary=PROPERTY,
        buildings=layer(),
        paving=layer(*paving),
        priced=priced,
        **options,
    )


def test_roots_are_gone_round_and_the_circle_within_stays_clear():
    """The detour round 5 m of roots costs under 2 m, through them 20 m more."""
    wires = route([roots()])
    assert set(wires.routes["crosses"]) == {""}
    assert wires.routes.geometry.iloc[0].distance(Point(50, 30)) >= 5 - 1e-6
    assert 60 < wires.lengths["wire_m"].iloc[0] < 62


def test_roots_are_crossed_flagged_and_priced_where_there_is_no_way_round():
    strip = PricedGround("tree roots", box(45, 0, 55, 60), 3.0)
    wires = route([strip])
    assert set(wires.routes["crosses"]) == {"tree roots"}
    trench = wires.routes.query("kind == 'trench'")
    assert trench["priced_m"].sum() == pytest.approx(60 + 2 * 10)
    assert trench["length_m"].sum() == pytest.approx(60)


def test_paving_counts_before_roots_and_roots_before_beds():
    paving = box(48, 0, 52, 60)
    bed = PricedGround("planted bed", box(40, 0, 60, 60), 1.5)
    strip = PricedGround("tree roots", box(45, 0, 55, 60), 3.0)
    wires = route([strip, bed], [paving], paving_factor=4.0)
    trench = wires.routes.query("kind == 'trench'")
    assert trench["priced_m"].sum() == pytest.approx(60 + 3 * 4 + 2 * 6 + 0.5 * 10)
    assert set(trench["crosses"]) == {"paving, tree roots, planted bed"}


def total(graph, paths, share):
    place = {
        (int(a), int(b)): k for k, (a, b) in enumerate(zip(graph.start, graph.end, strict=True))
    }
    walks = [[place[e] for e in edges_of(nodes)] for nodes in paths.values()]
    trench = {k for walk in walks for k in walk}
    return graph.cost[list(trench)].sum() + share * sum(graph.length[walk].sum() for walk in walks)


def simple_paths(graph, start, end):
    nx = pytest.importorskip("networkx")
    net = nx.Graph()
    net.add_edges_from(zip(graph.start.tolist(), graph.end.tolist(), strict=True))
    return [tuple(p) for p in nx.all_simple_paths(net, start, end)]


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 2.0])
@pytest.mark.parametrize("seed", range(4))
def test_rerouting_reaches_the_cheapest_pair_of_paths(share, seed):
    """Two sensors, two free branch points: every pair of simple paths is tried."""
    rng = np.random.default_rng(seed)
    terminals = rng.uniform([5, 5], [95, 55], (3, 2))
    extra = rng.uniform([5, 5], [95, 55], (2, 2))
    graph = visibility_graph(terminals, free=PROPERTY, extra=extra)
    choices = product(simple_paths(graph, 0, 1), simple_paths(graph, 0, 2))
    best = min(total(graph, {1: a, 2: b}, share) for a, b in choices)
    found = min(
        total(graph, rerouted(graph, start, wire_share=share), share)
        for start in ({1: (0, 1), 2: (0, 2)}, {1: (0, 2, 1), 2: (0, 2)}, {1: (0, 1), 2: (0, 1, 2)})
    )
    assert found == pytest.approx(best, rel=0.02)


def test_dear_wire_straightens_the_paths_and_cheap_wire_shares_the_trench():
    """Two sensors seen at 53 degrees: tree 40 + 20 sqrt 3, direct trenches 2 hypot(40, 20)."""
    at = ((10, 30), (50, 50), (50, 10))
    cheap, dear = route(at=at, wire_share=0.0), route(at=at, wire_share=5.0)
    trench = [w.routes.query("kind == 'trench'")["length_m"].sum() for w in (cheap, dear)]
    wire = [w.lengths["wire_m"].sum() for w in (cheap, dear)]
    direct = 2 * np.hypot(40, 20)
    assert trench == pytest.approx([40 + 20 * np.sqrt(3), direct])
    assert wire == pytest.approx([2 * (40 - 20 / np.sqrt(3) + 40 / np.sqrt(3)), direct])


@tries(20)
@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.13, 1.0]))
@example(seed=5128, share=1.0)  # the branches that dear wire leads to cost more than the tree's
def test_rerouting_never_costs_more_than_the_tree(seed, share):
    rng = np.random.default_rng(seed)
    at = rng.uniform([5, 5], [95, 55], (6, 2))
    tree, best = route(at=at), route(at=at, wire_share=share)

    def price(wires):
        trench = wires.routes.query("kind == 'trench'")["priced_m"].sum()
        return trench + share * wires.lengths["wire_m"].sum()

    assert price(best) <= price(tree) + 1e-6
    assert isinstance(best.routes, gpd.GeoDataFrame)
