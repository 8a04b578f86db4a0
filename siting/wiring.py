"""Trench and wire routes from controllers to sensors, their lengths and a parts list.

The trench is the shortest tree from a controller to its sensors (exact up to eight terminals); each
sensor's wire lies in that trench, so its length is the path along the tree. Price the trench on
the tree and the wire on the paths. Where the trees of two controllers share an edge, the trench is
dug once.
"""

from __future__ import annotations

import math
from collections import defaultdict
from itertools import pairwise
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
    fermat_points,
    free_space,
    steiner_tree,
    visibility_graph,
)
from siting._trench import TrenchNetwork
from siting.units import UnitsName, convert, unit_label

__all__ = [
    "EXACT_TERMINALS",
    "PAVING_FACTOR",
    "TrenchNetwork",
    "VisibilityGraph",
    "WireRoutes",
    "free_space",
    "nearest_controller_distance",
    "parts_list",
    "steiner_tree",
    "visibility_graph",
    "wire_routes",
]

Floats = NDArray[np.float64]
Edge = tuple[int, int]

#: What a metre of sleeve or bore under paving costs in metres of open trench; common practice,
#: no source.
PAVING_FACTOR: Final = 4.0

#: Spare wire: share of the length, and loop left at each end [m]; common practice, no source.
WIRE_SPARE: Final = 0.10
WIRE_LOOP_M: Final = 0.6

_WIRE_NOTE: Final = (
    f"paths to the controllers, {WIRE_SPARE:.0%} spare, a loop at each end; check the longest "
    "lead and the gauge against the sensor's instructions"
)
_CROSSED_M: Final = 0.05  # a route that touches paving for less does not cross it
_PAVING_CORNERS: Final = 150  # corners of paving at which a route may turn, at most
_SNAP_M: Final = 1e-6
_COLUMNS: Final = (
    "sensor_id",
    "controller",
    "kind",
    "length_m",
    "crosses",
    "paved_m",
    "geometry",
)


class WireRoutes(NamedTuple):
    """Routes and lengths.

    Parameters
    ----------
    routes : GeoDataFrame
        Trenches first, then wires: sensor_id (of a trench: all that share it, comma-separated),
        controller, kind ("trench" or "wire"), length_m, crosses ("paving" or ""), paved_m (length
        under paving), geometry (LineString).
    lengths : DataFrame
        Index of the sensors; controller, wire_m (path to the controller), trench_m (its share:
        each stretch is divided equally among the wires in it); NaN where unknown.
    warnings : tuple of str
        What could not be routed, and why.
    """

    routes: gpd.GeoDataFrame
    lengths: pd.DataFrame
    warnings: tuple[str, ...] = ()


class _Terminals(NamedTuple):
    """Points to join: as given, as moved into free space, and how far; shapes (T, 2), (T,)."""

    given: Floats
    places: Floats
    moved: Floats


class _Run(NamedTuple):
    """One wire: its nodes from the controller to the sensor and the edges it uses."""

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
    ends = _into(free, np.concatenate([controllers, points]))
    graph = visibility_graph(ends.places, free=free)
    count = len(controllers)
    length = dijkstra(graph.matrix(by="length"), directed=False, indices=np.arange(count))
    among = np.asarray(length).reshape(count, -1)[:, count : len(ends.places)].T
    total: Floats = among + ends.moved[count:, None] + ends.moved[None, :count]
    return total


def wire_routes(
    sensors: gpd.GeoDataFrame,
    *,
    fixtures: gpd.GeoDataFrame,
    boundary: BaseGeometry,
    buildings: gpd.GeoDataFrame,
    paving: gpd.GeoDataFrame,
    paving_factor: float = PAVING_FACTOR,
) -> WireRoutes:
    """Route every sensor to its controller.

    Parameters
    ----------
    sensors : GeoDataFrame
        Index `sensor_id`; points; optional column controller (name of the controller; without a
        known one, the nearest by path).
    fixtures : GeoDataFrame
        Points; columns kind, name. Those of kind "controller" count.
    boundary : shapely geometry
        The property; routes stay inside.
    buildings : GeoDataFrame
        Routes stay outside.
    paving : GeoDataFrame
        Routes may cross it at a price.
    paving_factor : float
        Price of a metre under paving in metres of open trench, at least 1.

    Returns
    -------
    WireRoutes
        Trenches, wires and lengths. Unknown lengths are NaN with a warning.
    """
    controllers, names = _controllers(fixtures)
    if len(names) == 0 or len(sensors) == 0:
        told = ("no controller is drawn: wire and trench lengths are unknown",)
        return _result(sensors, [], {}, told if len(sensors) else ())
    places = shapely.get_coordinates(sensors.geometry.to_numpy())
    owner = _owners(sensors, names, controllers, boundary=boundary, buildings=buildings)
    free = free_space(boundary, buildings.geometry.to_list())
    ends = _into(free, np.concatenate([controllers, places]))
    dear = shapely.union_all(paving.geometry.to_numpy())
    extra = _extra_nodes(ends.places, owner, free=free, dear=dear)
    graph = visibility_graph(ends.places, free=free, dear=dear, factor=paving_factor, extra=extra)
    runs, lost = _runs(graph, owner, count=len(names))
    warnings = tuple(
        f"sensor {sensors.index[i]}: no way for a wire to {names[owner[i]]}" for i in lost
    )
    rows, lengths = _rows(graph, runs, ends, sensors=list(sensors.index), names=names)
    return _result(sensors, rows, lengths, warnings)


def parts_list(wires: WireRoutes, *, units: UnitsName = "metric") -> pd.DataFrame:
    """List what to buy for the wiring.

    Parameters
    ----------
    wires : WireRoutes
        As from `wire_routes`.
    units : {"metric", "us"}
        Units of the quantities.

    Returns
    -------
    DataFrame
        item, quantity, unit, note. Lengths are rounded up to whole units; unknown ones are NaN.
    """
    routes, count = wires.routes, len(wires.lengths)
    wire = float(wires.lengths["wire_m"].sum(skipna=False)) if count else 0.0
    wire = (wire + 2 * WIRE_LOOP_M * count) * (1 + WIRE_SPARE)
    trench = routes[routes["kind"] == "trench"]
    known = bool(wires.lengths["trench_m"].notna().all())
    open_ = float((trench["length_m"] - trench["paved_m"]).sum()) if known else float("nan")
    paved = float(trench["paved_m"].sum()) if known else float("nan")
    metre, splices = unit_label("length", units), math.ceil(2 * count * (1 + WIRE_SPARE))
    rows: list[tuple[str, float, str, str]] = [
        ("soil-moisture sensor", count, "each", ""),
        (
            "two-conductor direct-burial irrigation wire",
            _whole(wire, units),
            metre,
            _WIRE_NOTE,
        ),
        ("waterproof direct-burial splice", splices, "each", "two per sensor, one in ten spare"),
        ("splice box", count, "each", "one beside each sensor"),
        ("trench in open ground", _whole(open_, units), metre, "call before you dig"),
    ]
    if paved > 0:
        rows.append(("sleeve or bore under paving", _whole(paved, units), metre, "see the map"))
    return pd.DataFrame(rows, columns=["item", "quantity", "unit", "note"])


def _whole(metres: float, units: UnitsName) -> float:
    if not math.isfinite(metres):
        return float("nan")
    return float(math.ceil(round(convert(metres, "length", units), 6)))


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


def _into(free: BaseGeometry, points: Floats) -> _Terminals:
    """Move points that lie outside free space straight to its edge."""
    places = points.copy()
    shapes = np.asarray(shapely.points(points))
    moved = np.asarray(shapely.distance(free, shapes), dtype=float)
    for i in np.flatnonzero(moved > _SNAP_M):
        line = shapely.shortest_line(free, shapes[i])
        places[i] = shapely.get_coordinates(line)[0]
    return _Terminals(points, places, np.where(moved > _SNAP_M, moved, 0.0))


def _extra_nodes(
    terminals: Floats, owner: list[int], *, free: BaseGeometry, dear: BaseGeometry
) -> Floats:
    """Return where a trench may branch in open ground, and corners of paving to go round."""
    count = len(terminals) - len(owner)
    found = [np.empty((0, 2))]
    for controller in range(count):
        group = [controller] + [count + i for i, k in enumerate(owner) if k == controller]
        if len(group) <= EXACT_TERMINALS:
            branches = fermat_points(terminals[group])
            on_paving = shapely.intersects_xy(dear, branches[:, 0], branches[:, 1])
            found.append(branches[~on_paving])
    if not dear.is_empty:
        for tolerance in (0.1, 0.5, 2.0, 8.0):
            corners = shapely.get_coordinates(shapely.simplify(dear, tolerance))
            if len(corners) <= _PAVING_CORNERS:
                found.append(np.unique(corners, axis=0))
                break
    nodes = np.concatenate(found)
    return nodes[shapely.intersects_xy(free, nodes[:, 0], nodes[:, 1])]


def _runs(graph: VisibilityGraph, owner: list[int], *, count: int) -> tuple[list[_Run], list[int]]:
    """Return each sensor's run along its controller's tree, and the sensors out of reach."""
    matrix = graph.matrix()
    _, island = connected_components(matrix, directed=False)
    runs: list[_Run] = []
    lost = [i for i, k in enumerate(owner) if island[count + i] != island[k]]
    for controller in range(count):
        mine = [i for i, k in enumerate(owner) if k == controller and i not in lost]
        tree = steiner_tree(matrix, [controller, *(count + i for i in mine)])
        parent = _parents(tree, controller)
        for i in mine:
            nodes = [count + i]
            while nodes[-1] != controller:
                nodes.append(parent[nodes[-1]])
            runs.append(_Run(i, controller, tuple(nodes[::-1])))
    return sorted(runs), lost


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


def _rows(
    graph: VisibilityGraph,
    runs: list[_Run],
    ends: _Terminals,
    *,
    sensors: list[str],
    names: list[str],
) -> tuple[list[dict[str, Any]], dict[str, tuple[str, float, float]]]:
    """Write trenches and wires as rows, and the lengths per sensor."""
    edges = {
        (int(a), int(b)): (float(length), float(dear))
        for a, b, length, dear in zip(graph.start, graph.end, graph.length, graph.dear, strict=True)
    }
    users: dict[Edge, list[_Run]] = defaultdict(list)
    for run in runs:
        for edge in _edges(run):
            users[edge].append(run)
    rows = _trench_rows(graph, users, edges, sensors=sensors, names=names)
    lengths: dict[str, tuple[str, float, float]] = {}
    for run in runs:
        measured = [edges[edge] for edge in _edges(run)]
        end = len(names) + run.sensor
        stubs = float(ends.moved[run.controller] + ends.moved[end])
        wire = stubs + sum(length for length, _ in measured)
        share = sum(edges[edge][0] / len(users[edge]) for edge in _edges(run))
        path = [ends.given[run.controller], *graph.places[list(run.nodes)], ends.given[end]]
        row = _row(np.array(path), wire, sum(dear for _, dear in measured))
        name = names[run.controller]
        rows.append({"sensor_id": sensors[run.sensor], "controller": name, "kind": "wire", **row})
        lengths[sensors[run.sensor]] = (name, wire, share)
    return rows, lengths


def _edges(run: _Run) -> list[Edge]:
    return [(min(a, b), max(a, b)) for a, b in pairwise(run.nodes)]


def _trench_rows(
    graph: VisibilityGraph,
    users: dict[Edge, list[_Run]],
    edges: dict[Edge, tuple[float, float]],
    *,
    sensors: list[str],
    names: list[str],
) -> list[dict[str, Any]]:
    """Join edges that carry the same wires into trenches."""
    groups: dict[tuple[_Run, ...], list[Edge]] = defaultdict(list)
    for edge, sharing in users.items():
        groups[tuple(sharing)].append(edge)
    rows = []
    for runs, members in sorted(groups.items()):
        lines = shapely.multilinestrings([graph.places[list(edge)] for edge in members])
        merged = shapely.get_parts(shapely.line_merge(lines))
        dear = {edge: edges[edge][1] for edge in members}
        owners = sorted({names[run.controller] for run in runs})
        for line in merged:
            paved = sum(
                share
                for edge, share in dear.items()
                if len(merged) == 1 or line.covers(shapely.LineString(graph.places[list(edge)]))
            )
            rows.append(
                {
                    "sensor_id": ", ".join(sensors[run.sensor] for run in runs),
                    "controller": ", ".join(owners),
                    "kind": "trench",
                    **_row(shapely.get_coordinates(line), float(line.length), paved),
                }
            )
    return rows


def _row(path: Floats, length: float, paved: float) -> dict[str, Any]:
    step = np.hypot(*np.diff(path, axis=0).T)
    path = np.concatenate([path[:1], path[1:][step > 0]])
    if len(path) == 1:
        path = np.repeat(path, 2, axis=0)
    return {
        "length_m": length,
        "crosses": "paving" if paved > _CROSSED_M else "",
        "paved_m": paved,
        "geometry": shapely.LineString(path),
    }


def _result(
    sensors: gpd.GeoDataFrame,
    rows: list[dict[str, Any]],
    lengths: dict[str, tuple[str, float, float]],
    warnings: tuple[str, ...],
) -> WireRoutes:
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    unknown = (None, float("nan"), float("nan"))
    measured = pd.DataFrame(
        [lengths.get(name, unknown) for name in sensors.index],
        index=sensors.index,
        columns=["controller", "wire_m", "trench_m"],
    )
    measured = measured.astype({"wire_m": float, "trench_m": float})
    return WireRoutes(
        gpd.GeoDataFrame(table, geometry="geometry", crs=sensors.crs), measured, warnings
    )
