"""Trench and wire routes from controllers to sensors, their lengths and a parts list.

The trench starts as the cheapest tree from a controller to its sensors (exact up to eight
terminals); each sensor's wire lies in it. Then sensors are rerouted one by one as long as that
lowers the price of trench and wire together. Trench is priced once, wire on the paths; where the
routes of two controllers share an edge, the trench is dug once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components, dijkstra
from shapely.geometry.base import BaseGeometry

from siting._paths import (
    EXACT_TERMINALS,
    VisibilityGraph,
    branch_points,
    fermat_points,
    free_space,
    into_free,
    steiner_tree,
    visibility_graph,
)
from siting._trench import TrenchNetwork, box_prices, together
from siting._wire_electric import (
    CONDUCTORS_PER_SENSOR,
    DROP_LIMIT,
    SUPPLY_V,
    WIRE_GAUGES,
    gauge_for,
    parts_list,
    voltage_drop,
)
from siting._wire_model import DECODER_M, DETOUR_M, LINK_M, PricedGround, WireRoutes, disjoint
from siting._wire_paths import edges_of, rerouted

__all__ = [
    "BED_FACTOR",
    "DECODER_M",
    "EXACT_TERMINALS",
    "LINK_M",
    "PAVING_FACTOR",
    "ROOTS_FACTOR",
    "WIRE_GAUGES",
    "PricedGround",
    "TrenchNetwork",
    "VisibilityGraph",
    "WireRoutes",
    "free_space",
    "nearest_controller_distance",
    "parts_list",
    "steiner_tree",
    "visibility_graph",
    "voltage_drop",
    "wire_routes",
]

Floats = NDArray[np.float64]
Edge = tuple[int, int]

#: What a metre of sleeve or bore under paving costs in metres of open trench; common practice,
#: no source.
PAVING_FACTOR: Final = 4.0

#: What a metre costs in metres of open trench among roots, where it is dug by hand or bored, and
#: through a planted bed, which is mended afterwards; common practice, no source.
ROOTS_FACTOR: Final = 3.0
BED_FACTOR: Final = 1.5

_BRANCH_ROUNDS: Final = 4  # times that branches are moved at most
_WORTH_M: Final = 0.01  # what moving them must save at least [m of open trench]
_CROSSED_M: Final = 0.05  # a route that touches paving for less does not cross it
_PAVING_CORNERS: Final = 150  # corners of paving at which a route may turn, at most
_OTHER_CORNERS: Final = 80  # the same of each other priced ground
_COLUMNS: Final = (
    "sensor_id",
    "controller",
    "kind",
    "conductors",
    "length_m",
    "crosses",
    "paved_m",
    "priced_m",
    "geometry",
)


class _Terminals(NamedTuple):
    """Points to join: as given, as moved into free space, and how far; shapes (T, 2), (T,)."""

    given: Floats
    places: Floats
    moved: Floats


class _Land(NamedTuple):
    """Where trenches may go, paving and its price, and other priced ground."""

    free: BaseGeometry
    dear: BaseGeometry
    factor: float
    priced: Sequence[PricedGround]


class _Run(NamedTuple):
    """One wire: its nodes from the controller to the sensor."""

    sensor: int
    controller: int
    nodes: tuple[int, ...]


def nearest_controller_distance(
    points: Floats,
    controllers: Floats,
    *,
    boundary: BaseGeometry,
    buildings: gpd.GeoDataFrame,
) -> Floats:
    """Exact length of the shortest path around buildings from each point to each controller.

    Parameters
    ----------
    points : ndarray, shape (K, 2)
        Candidate places for sensors [m].
    controllers : ndarray, shape (C, 2)
        Controllers [m].
    boundary : shapely geometry
        The property; paths stay inside.
    buildings : GeoDataFrame
        Footprints; paths stay outside.

    Returns
    -------
    ndarray, shape (K, C)
        Length; infinite when there is no way [m]. A point in a building is led straight to its
        nearest wall first.
    """
    free = free_space(boundary, buildings.geometry.to_list())
    ends = _terminals(free, np.concatenate([controllers, points]))
    graph = visibility_graph(ends.places, free=free)
    count = len(controllers)
    length = dijkstra(graph.matrix(by="length"), directed=False, indices=np.arange(count))
    among = np.asarray(length).reshape(count, -1)[:, count : len(ends.places)].T
    total: Floats = among + ends.moved[count:, None] + ends.moved[None, :count]
    return total


def wire_routes(  # noqa: PLR0913 - every layer is an argument of its own
    sensors: gpd.GeoDataFrame,
    *,
    fixtures: gpd.GeoDataFrame,
    boundary: BaseGeometry,
    buildings: gpd.GeoDataFrame,
    paving: gpd.GeoDataFrame,
    paving_factor: float = PAVING_FACTOR,
    priced: Sequence[PricedGround] = (),
    wire_share: float = 0.0,
    in_play: BaseGeometry | None = None,
) -> WireRoutes:
    """Route every sensor to its controller.

    Parameters
    ----------
    sensors : GeoDataFrame
        Index `sensor_id`; points; optional column controller (name of the controller; without a
        known one, the nearest by path).
    fixtures : GeoDataFrame
        Points; columns kind, name. Those of kind "controller" count, and valve boxes where a
        decoder in one is the cheapest way.
    boundary : shapely geometry
        The property; routes stay inside.
    buildings : GeoDataFrame
        Routes stay outside.
    paving : GeoDataFrame
        Routes may cross it at a price.
    paving_factor : float
        Price of a metre under paving in metres of open trench, at least 1.
    priced : sequence of PricedGround
        Roots, beds and the like; where they overlap, the first counts, and paving before all.
    wire_share : float
        Price of a metre of wire in metres of open trench.
    in_play : shapely geometry, optional
        Ground in play, such as a pitch or a green: no trench enters it. A sensor in it, or that can
        only be reached through it, is linked without one, or from a valve box on its side.

    Returns
    -------
    WireRoutes
        Trenches, wires and lengths. Unknown lengths are NaN with a warning.
    """
    controllers, names = _controllers(fixtures)
    if len(names) == 0 or len(sensors) == 0:
        told = ("no controller is drawn: wire and trench lengths are unknown",)
        return _result(sensors, [], {}, told if len(sensors) else ())
    owner = _owners(sensors, names, controllers, boundary=boundary, buildings=buildings)
    closed = [*buildings.geometry, *([] if in_play is None else [in_play])]
    free = free_space(boundary, closed)
    inside = _in_play(sensors, in_play)
    dug = sensors[~inside]
    owned = [k for k, linked in zip(owner, inside, strict=True) if not linked]
    ends = _terminals(
        free, np.concatenate([controllers, shapely.get_coordinates(dug.geometry.to_numpy())])
    )
    land = _Land(free, shapely.union_all(paving.geometry.to_numpy()), paving_factor, priced)
    others = disjoint(land.priced, land.dear, ends.places)
    graph, runs, lost = _routed(land, ends.places, owned, others, wire_share=wire_share)
    open_ground = free_space(boundary, list(buildings.geometry))
    shut = [
        str(dug.index[i])
        for i in lost
        if together(open_ground, ends.given[owned[i]], ends.given[len(names) + i])
    ]
    labels = _Labels(list(dug.index), names, tuple(ground.name for ground in others))
    rows, lengths = _rows(graph, runs, ends, labels)
    more, boxed = _from_boxes(land, dug.loc[shut], fixtures, wire_share=wire_share)
    linked = [str(s) for s in sensors.index if (s not in dug.index or s in shut) and s not in boxed]
    for name, k in zip(sensors.index, owner, strict=True):
        if name in boxed:
            lengths[name] = boxed[name]._replace(controller=names[k])
        elif name in linked:
            lengths[name] = _Length(names[k], 0.0, 0.0, *gauge_for(0.0))  # no trench, no wire
    warnings = [
        *(
            f"sensor {dug.index[i]}: no way for a wire to {names[owned[i]]}"
            for i in lost
            if str(dug.index[i]) not in shut
        ),
        *_starved(lengths),
        *_linked_words(linked, list(boxed)),
    ]
    return _result(sensors, [*rows, *more], lengths, tuple(warnings), tuple(linked), tuple(boxed))


def _from_boxes(
    land: _Land, shut: gpd.GeoDataFrame, fixtures: gpd.GeoDataFrame, *, wire_share: float
) -> tuple[list[dict[str, Any]], dict[str, _Length]]:
    """Route sensors from valve boxes where that is cheaper than a wireless link."""
    drawn = fixtures[fixtures["kind"] == "valve_box"] if len(shut) else fixtures.iloc[:0]
    places = shapely.get_coordinates(drawn.geometry.to_numpy())
    points = shapely.get_coordinates(shut.geometry.to_numpy())
    options: Any = {"dear": land.dear, "factor": land.factor, "priced": land.priced}
    price, _, which = box_prices(places, points, free=land.free, **options)
    near = price < LINK_M
    if not near.any():
        return [], {}
    used, owner = np.unique(which[near], return_inverse=True)
    ends = _terminals(land.free, np.concatenate([places[used], points[near]]))
    others = disjoint(land.priced, land.dear, ends.places)
    graph, runs, _ = _routed(land, ends.places, owner.tolist(), others, wire_share=wire_share)
    given = drawn["name"] if "name" in drawn else pd.Series(None, index=drawn.index)
    boxes = [
        f"valve box {k + 1 if pd.isna(given.iloc[k]) else given.iloc[k]}" for k in used.tolist()
    ]
    labels = _Labels(
        [str(tag) for tag in shut.index[near]], boxes, tuple(ground.name for ground in others)
    )
    return _rows(graph, runs, ends, labels)


def _routed(
    land: _Land,
    ends: Floats,
    owner: list[int],
    others: list[PricedGround],
    *,
    wire_share: float,
) -> tuple[VisibilityGraph, list[_Run], list[int]]:
    """Route the sensors, then move the branches of the trench as long as that makes it cheaper."""
    count = len(ends) - len(owner)
    extra = _extra_nodes(ends, owner, free=land.free, dear=land.dear, others=others)
    best: tuple[VisibilityGraph, list[_Run], list[int]] | None = None
    known = np.inf
    for _ in range(_BRANCH_ROUNDS):
        graph = visibility_graph(
            ends,
            free=land.free,
            dear=land.dear,
            factor=land.factor,
            extra=extra,
            priced=[(ground.shape, ground.factor) for ground in others],
        )
        runs, lost = _runs(graph, owner, count=count, wire_share=wire_share)
        price = _price(graph, runs, wire_share)
        if price < known - _WORTH_M:
            best, known = (graph, runs, lost), price
        moved = _moved(graph, runs, ends=len(ends))
        moved = moved[shapely.intersects_xy(land.free, moved[:, 0], moved[:, 1])]
        if len(moved) == 0 or best is None or best[0] is not graph:
            break
        extra = np.concatenate([extra, moved])
    return best if best is not None else (graph, runs, lost)


def _price(graph: VisibilityGraph, runs: list[_Run], wire_share: float) -> float:
    """Return the price of trench and wire in metres of open trench."""
    place = {
        (int(a), int(b)): k for k, (a, b) in enumerate(zip(graph.start, graph.end, strict=True))
    }
    used = [place[edge] for run in runs for edge in edges_of(run.nodes)]
    return float(graph.cost[sorted(set(used))].sum() + wire_share * graph.length[used].sum())


def _moved(graph: VisibilityGraph, runs: list[_Run], *, ends: int) -> Floats:
    """Return where the trenches of each controller had better branch."""
    found = [np.empty((0, 2))]
    for controller in sorted({run.controller for run in runs}):
        mine = [run for run in runs if run.controller == controller]
        edges = sorted({edge for run in mine for edge in edges_of(run.nodes)})
        nodes = {node for edge in edges for node in edge}
        if len(mine) > 1 and len(edges) == len(nodes) - 1:  # a tree
            terminals = [node for node in nodes if node < ends]
            found.append(branch_points(graph.places, edges, terminals))
    return np.concatenate(found)


def _in_play(sensors: gpd.GeoDataFrame, in_play: BaseGeometry | None) -> NDArray[np.bool_]:
    """Tell which sensors lie in ground in play."""
    if in_play is None:
        return np.zeros(len(sensors), dtype=np.bool_)
    return np.asarray(shapely.intersects(in_play, sensors.geometry.to_numpy()), dtype=np.bool_)


def _linked_words(linked: list[str], boxed: list[str]) -> list[str]:
    """Say which sensors are linked without a trench, and which from a valve box."""
    told = []
    if linked:
        price = f"reckoned like {LINK_M:g} m of open trench each (common practice, no source)"
        told.append(
            f"sensor {', '.join(linked)}: no trench is dug through ground in play, so a wireless "
            f"link takes the place of the wire, {price}"
        )
    if boxed:
        price = f"reckoned like {DECODER_M:g} m of open trench each (common practice, no source)"
        told.append(
            f"sensor {', '.join(boxed)}: no trench is dug through ground in play, so its lead ends "
            f"at a decoder in the nearest valve box, {price}; the box must hold wires to the "
            "controller that a decoder can talk over"
        )
    return told


def _controllers(fixtures: gpd.GeoDataFrame) -> tuple[Floats, list[str]]:
    """Return the controllers' places and names; a nameless one is numbered."""
    if len(fixtures) == 0:
        return np.empty((0, 2)), []
    chosen = fixtures[fixtures["kind"] == "controller"]
    given = chosen["name"] if "name" in chosen else pd.Series(None, index=chosen.index)
    names = [
        f"controller {i}" if pd.isna(name) else str(name) for i, name in enumerate(given, start=1)
    ]
    return shapely.get_coordinates(chosen.geometry.to_numpy()), names


def _owners(
    sensors: gpd.GeoDataFrame,
    names: list[str],
    controllers: Floats,
    *,
    boundary: BaseGeometry,
    buildings: gpd.GeoDataFrame,
) -> list[int]:
    """Return each sensor's controller: the named one, else the nearest by path."""
    wanted = sensors["controller"] if "controller" in sensors else [None] * len(sensors)
    owner = [names.index(name) if name in names else -1 for name in wanted]
    if -1 in owner and len(names) == 1:
        return [0] * len(owner)
    if -1 in owner:
        places = shapely.get_coordinates(sensors.geometry.to_numpy())
        length = nearest_controller_distance(
            places, controllers, boundary=boundary, buildings=buildings
        )
        nearest = np.argmin(np.round(length, 6), axis=1)
        owner = [int(near) if k < 0 else k for k, near in zip(owner, nearest, strict=True)]
    return owner


def _terminals(free: BaseGeometry, points: Floats) -> _Terminals:
    return _Terminals(points, *into_free(free, points))


def _starved(lengths: dict[str, _Length]) -> tuple[str, ...]:
    """Name the sensors whose lead loses too much voltage even in the thickest wire."""
    limit = DROP_LIMIT * SUPPLY_V
    return tuple(
        f"sensor {sensor}: its lead of {found.wire_m:.0f} m loses {found.drop_v:.1f} V even in "
        f"{found.gauge_awg} AWG wire, more than {limit:.1f} V; use a nearer controller"
        for sensor, found in lengths.items()
        if found.drop_v > limit
    )


def _corners(shape: BaseGeometry, most: int) -> Floats:
    """Return the corners of a shape, smoothed outwards until there are few enough."""
    for tolerance in (0.1, 0.5, 2.0, 8.0):
        smooth = shapely.simplify(shape, tolerance)
        if not smooth.covers(shape):  # from corners within it no way leads round
            smooth = shapely.simplify(shapely.buffer(shape, tolerance), tolerance)
        corners = shapely.get_coordinates(smooth)
        if len(corners) <= most:
            return np.unique(corners, axis=0)
    return np.empty((0, 2))


def _extra_nodes(
    terminals: Floats,
    owner: list[int],
    *,
    free: BaseGeometry,
    dear: BaseGeometry,
    others: list[PricedGround],
) -> Floats:
    """Return where a trench may branch in open ground, and corners of dear ground to go round."""
    count = len(terminals) - len(owner)
    found = [np.empty((0, 2))]
    for controller in range(count):
        group = [controller] + [count + i for i, k in enumerate(owner) if k == controller]
        if len(group) <= EXACT_TERMINALS:
            branches = fermat_points(terminals[group])
            on_paving = shapely.intersects_xy(dear, branches[:, 0], branches[:, 1])
            found.append(branches[~on_paving])
    if not dear.is_empty:
        found.append(_corners(dear, _PAVING_CORNERS))
    near = shapely.buffer(shapely.convex_hull(shapely.MultiPoint(terminals)), DETOUR_M)
    found += [
        _corners(shapely.intersection(ground.shape, near), _OTHER_CORNERS) for ground in others
    ]
    nodes = np.concatenate(found)
    return nodes[shapely.intersects_xy(free, nodes[:, 0], nodes[:, 1])]


def _runs(
    graph: VisibilityGraph, owner: list[int], *, count: int, wire_share: float
) -> tuple[list[_Run], list[int]]:
    """Return each sensor's run, and the sensors out of reach."""
    matrix = graph.matrix()
    _, island = connected_components(matrix, directed=False)
    paths: dict[int, tuple[int, ...]] = {}
    lost = [i for i, k in enumerate(owner) if island[count + i] != island[k]]
    for controller in range(count):
        mine = [i for i, k in enumerate(owner) if k == controller and i not in lost]
        tree = steiner_tree(matrix, [controller, *(count + i for i in mine)])
        parent = _parents(tree, controller)
        for i in mine:
            nodes = [count + i]
            while nodes[-1] != controller:
                nodes.append(parent[nodes[-1]])
            paths[i] = tuple(nodes[::-1])
    paths = rerouted(graph, paths, wire_share=wire_share)
    return [_Run(i, owner[i], paths[i]) for i in sorted(paths)], lost


def _parents(tree: list[Edge], root: int) -> dict[int, int]:
    """Return each node's neighbour towards the root."""
    beside: dict[int, list[int]] = defaultdict(list)
    for a, b in tree:
        beside[a].append(b)
        beside[b].append(a)
    parent: dict[int, int] = {}
    stack = [root]
    while stack:
        node = stack.pop()
        for other in beside[node]:
            if other != root and other not in parent:
                parent[other] = node
                stack.append(other)
    return parent


class _Labels(NamedTuple):
    """Names of sensors, controllers and priced ground."""

    sensors: list[str]
    controllers: list[str]
    grounds: tuple[str, ...]


class _Length(NamedTuple):
    """What a sensor's lead measures."""

    controller: str | None
    wire_m: float
    trench_m: float
    gauge_awg: int
    drop_v: float


class _Edges(NamedTuple):
    """Measures of edges by their nodes: length, paved, priced, and in each other ground."""

    measures: dict[Edge, Floats]

    def total(self, edges: list[Edge]) -> Floats:
        """Return the sums over edges."""
        total: Floats = np.sum([self.measures[edge] for edge in edges], axis=0)
        return total


def _rows(
    graph: VisibilityGraph, runs: list[_Run], ends: _Terminals, labels: _Labels
) -> tuple[list[dict[str, Any]], dict[str, _Length]]:
    """Write trenches and wires as rows, and the lengths per sensor."""
    table = np.column_stack([graph.length, graph.dear, graph.cost, graph.other])
    edges = _Edges(
        {(int(a), int(b)): row for a, b, row in zip(graph.start, graph.end, table, strict=True)}
    )
    users: dict[Edge, list[_Run]] = defaultdict(list)
    for run in runs:
        for edge in edges_of(run.nodes):
            users[edge].append(run)
    rows = _trench_rows(graph, users, edges, labels)
    lengths: dict[str, _Length] = {}
    for run in runs:
        own = edges_of(run.nodes)
        measures = edges.total(own) if own else np.zeros(table.shape[1])
        end = len(labels.controllers) + run.sensor
        stubs = float(ends.moved[run.controller] + ends.moved[end])
        measures = measures + np.r_[stubs, 0.0, stubs, np.zeros(table.shape[1] - 3)]
        share = sum(float(edges.measures[edge][0]) / len(users[edge]) for edge in own)
        path = [ends.given[run.controller], *graph.places[list(run.nodes)], ends.given[end]]
        name, sensor = labels.controllers[run.controller], labels.sensors[run.sensor]
        row = _row(np.array(path), measures, labels)
        head = {"sensor_id": sensor, "controller": name, "kind": "wire"}
        rows.append({**head, "conductors": CONDUCTORS_PER_SENSOR, **row})
        lengths[sensor] = _Length(name, float(measures[0]), share, *gauge_for(float(measures[0])))
    return rows, lengths


def _trench_rows(
    graph: VisibilityGraph, users: dict[Edge, list[_Run]], edges: _Edges, labels: _Labels
) -> list[dict[str, Any]]:
    """Join edges that carry the same wires into trenches."""
    groups: dict[tuple[_Run, ...], list[Edge]] = defaultdict(list)
    for edge, sharing in users.items():
        groups[tuple(sharing)].append(edge)
    rows = []
    for runs, members in sorted(groups.items()):
        lines = shapely.multilinestrings([graph.places[list(edge)] for edge in members])
        merged = shapely.get_parts(shapely.line_merge(lines))
        owners = sorted({labels.controllers[run.controller] for run in runs})
        for line in merged:
            mine = [
                edge
                for edge in members
                if len(merged) == 1 or line.covers(shapely.LineString(graph.places[list(edge)]))
            ]
            rows.append(
                {
                    "sensor_id": ", ".join(labels.sensors[run.sensor] for run in runs),
                    "controller": ", ".join(owners),
                    "kind": "trench",
                    "conductors": CONDUCTORS_PER_SENSOR * len(runs),
                    **_row(shapely.get_coordinates(line), edges.total(mine), labels),
                }
            )
    return rows


def _row(path: Floats, measures: Floats, labels: _Labels) -> dict[str, Any]:
    step = np.hypot(*np.diff(path, axis=0).T)
    path = np.concatenate([path[:1], path[1:][step > 0]])
    if len(path) == 1:
        path = np.repeat(path, 2, axis=0)
    names = ("paving", *labels.grounds)
    through = (measures[1], *measures[3:])
    crossed = [name for name, part in zip(names, through, strict=True) if part > _CROSSED_M]
    return {
        "length_m": float(measures[0]),
        "crosses": ", ".join(crossed),
        "paved_m": float(measures[1]),
        "priced_m": float(measures[2]),
        "geometry": shapely.LineString(path),
    }


def _result(
    sensors: gpd.GeoDataFrame,
    rows: list[dict[str, Any]],
    lengths: dict[str, _Length],
    warnings: tuple[str, ...],
    links: tuple[str, ...] = (),
    decoders: tuple[str, ...] = (),
) -> WireRoutes:
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    unknown = _Length(None, float("nan"), float("nan"), *gauge_for(float("nan")))
    measured = pd.DataFrame(
        [lengths.get(name, unknown) for name in sensors.index],
        index=sensors.index,
        columns=list(_Length._fields),
    )
    measured = measured.astype({"wire_m": float, "trench_m": float, "drop_v": float})
    return WireRoutes(
        gpd.GeoDataFrame(table, geometry="geometry", crs=sensors.crs),
        measured,
        warnings,
        links,
        decoders,
    )
