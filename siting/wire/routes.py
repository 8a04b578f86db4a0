"""Trench and wire from controllers to sensors: lengths, voltage, parts, and their price beforehand.

The trench starts as the cheapest tree from a controller to its sensors (exact up to eight
terminals); each sensor's wire lies in it. Then sensors are rerouted one by one as long as that
lowers the price of trench and wire together. Trench is priced once, wire on the paths; where the
routes of two controllers share an edge, the trench is dug once.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy
import shapely
from geopandas.array import from_shapely
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats, Ints
from siting.language import Figure, say, say_count, side_by_side
from siting.units import UnitsName, convert, unit_label
from siting.wire.paths import (
    EXACT_TERMINALS,
    VisibilityGraph,
    _dreyfus_wagner,
    branch_points,
    edges_of,
    fermat_points,
    free_space,
    into_free,
    rerouted,
    steiner_tree,
    visibility_graph,
)

#: How far outside the ends of routes a corner may lie at which one turns [m].
DETOUR_M: Final = 10.0
#: What a wireless link costs in metres of open trench: a sender, a receiver and their fitting;
#: common practice, no source.
LINK_M: Final = 25.0
#: What a decoder at a valve box costs in metres of open trench, beside the trench from the box to
#: the sensor: the decoder, its share of the receiver at the controller and the fitting, as it talks
#: over the wires that lie there; common practice, no source.
DECODER_M: Final = 12.0


class PricedGround(NamedTuple):
    """Ground that a route had better go round.

    Parameters
    ----------
    name : str
        What it is called in `WireRoutes.routes`, such as "tree roots".
    shape : shapely geometry
        Where.
    factor : float
        Price of a metre through it in metres of open trench, at least 1.
    """

    name: str
    shape: BaseGeometry
    factor: float


class WireRoutes(NamedTuple):
    """Routes and lengths.

    Parameters
    ----------
    routes : GeoDataFrame
        Trenches first, then wires, then those from valve boxes: sensor_id (of a trench: all that
        share it, comma-separated), controller (or the valve box that holds its decoder), kind
        ("trench" or "wire"), conductors (in it), length_m, crosses ("paving" and the names of other
        priced ground, comma-separated), paved_m (length under paving), priced_m (length in metres
        of open trench of the same price), geometry (LineString).
    lengths : DataFrame
        Index of the sensors; controller, wire_m (path to the controller), trench_m (its share:
        each stretch is divided equally among the wires in it), gauge_awg (the thinnest wire that
        keeps the voltage; 0 where unknown), drop_v (voltage that it loses); NaN where unknown.
    warnings : tuple of str
        What could not be routed, and why.
    links : tuple of str
        Sensors that no trench may reach, because ground in play lies about them or in the way: each
        needs a wireless link, at the price of `LINK_M`; their wire and trench are 0.
    decoders : tuple of str
        Sensors that no trench from their controller may reach, but one from a valve box, where that
        is cheaper than a wireless link: each needs a decoder in the box, at the price of
        `DECODER_M`; wire and trench are those from the box.
    """

    routes: gpd.GeoDataFrame
    lengths: pd.DataFrame
    warnings: tuple[str, ...] = ()
    links: tuple[str, ...] = ()
    decoders: tuple[str, ...] = ()

    def link(self, sensor_id: str) -> str:
        """Return what takes the place of a wire to a sensor's controller: "" where none does."""
        if sensor_id in self.links:
            return "wireless"
        return "decoder" if sensor_id in self.decoders else ""


def disjoint(
    priced: Sequence[PricedGround], dear: BaseGeometry, places: Floats
) -> list[PricedGround]:
    """Cut priced ground so that none overlaps, and keep what lies where routes may go.

    places (K, 2): ends of the routes [m]. Returns no two of them overlap, nor any the dear ground.
    """
    west, south = places.min(axis=0) - 4 * DETOUR_M
    east, north = places.max(axis=0) + 4 * DETOUR_M
    taken, kept = dear, []
    for ground in priced:
        shape = shapely.clip_by_rect(ground.shape, west, south, east, north)
        shape = shapely.difference(shapely.make_valid(shape), taken)
        taken = shapely.union(taken, shape)
        if not shape.is_empty:
            kept.append(PricedGround(ground.name, shape, ground.factor))
    return kept


#: Gauge (AWG) of solid copper wire, as irrigation wire mostly is, from thin to thick -> resistance
#: to direct current at 75 °C [ohm/km]: NFPA 70 (National Electrical Code), Chapter 9, Table 8,
#: uncoated copper, solid.
WIRE_GAUGES: Final = {18: 25.5, 16: 16.0, 14: 10.1, 12: 6.34, 10: 3.984}
#: Irrigation controllers supply 24 V AC. At 50 or 60 Hz the impedance of such thin wires is their
#: resistance.
SUPPLY_V: Final = 24.0
#: What a sensor draws [A], and the share of the voltage that its lead may lose: common practice, no
#: source. The sensor's instructions win.
SENSOR_CURRENT_A: Final = 0.1
DROP_LIMIT: Final = 0.05
#: There and back.
CONDUCTORS_PER_SENSOR: Final = 2
#: Spare wire: share of the length, and loop left at each end [m]; common practice, no source.
WIRE_SPARE: Final = 0.10
WIRE_LOOP_M: Final = 0.6
#: Length of a spool [m]; a longer run has a splice in a box (500 ft, common practice).
SPOOL_M: Final = 152.4
_WIRE: Final = say("two-conductor direct-burial irrigation wire")


def voltage_drop(length_m: Floats | float, *, ohm_per_km: float) -> Floats:
    """Return the voltage lost along a two-conductor lead.

    length_m: one way [m]; ohm_per_km: resistance of one conductor [ohm/km]. Returns 2 x length x
    resistance x current [V].

    >>> round(float(voltage_drop(100.0, ohm_per_km=25.5)), 3)
    0.51
    """
    both_ways = CONDUCTORS_PER_SENSOR * np.asarray(length_m, dtype=float) / 1000
    return np.asarray(both_ways * ohm_per_km * SENSOR_CURRENT_A, dtype=float)


def gauge_for(length_m: float) -> tuple[int, float]:
    """Choose the thinnest wire that keeps the voltage, and what it loses.

    length_m: of the lead, one way, NaN where unknown [m]. Returns gauge, the thickest where none
    will do, 0 where the length is unknown; voltage lost [V].
    """
    if not math.isfinite(length_m):
        return 0, float("nan")
    drops = {
        gauge: float(voltage_drop(length_m, ohm_per_km=ohm)) for gauge, ohm in WIRE_GAUGES.items()
    }
    thin = (gauge for gauge, drop in drops.items() if drop <= DROP_LIMIT * SUPPLY_V)
    gauge = next(thin, min(drops))
    return gauge, drops[gauge]


def parts_list(wires: WireRoutes, *, units: UnitsName = "metric") -> pd.DataFrame:
    """List what to buy for the wiring.

    Parameters
    ----------
    wires : WireRoutes
        As from `siting.wire.routes.wire_routes`.
    units : {"metric", "us"}
        Units of the quantities.

    Returns
    -------
    DataFrame
        item, quantity, unit, note. Lengths are rounded up to whole units; unknown ones are NaN.
    """
    routes, count = wires.routes, len(wires.lengths)
    dug = count - len(wires.links)
    trench = routes["kind"].to_numpy() == "trench"
    known = bool(wires.lengths["trench_m"].notna().all())
    under = routes["paved_m"].to_numpy(dtype=float)[trench]
    bare = routes["length_m"].to_numpy(dtype=float)[trench] - under
    open_ = float(bare.sum()) if known else float("nan")
    paved = float(under.sum()) if known else float("nan")
    length = wires.lengths["wire_m"].to_numpy(dtype=float)
    joints = int(np.nansum(np.floor(length / SPOOL_M)))
    metre = unit_label("length", units)
    splices = math.ceil(CONDUCTORS_PER_SENSOR * (dug + joints) * (1 + WIRE_SPARE))
    boxes = say("one beside each sensor")
    if joints:
        boxes = say("one beside each sensor, {joints} where a spool ends", joints=joints)
    rows: list[tuple[str, float, str, str]] = [
        (say("soil-moisture sensor"), count, say("each"), ""),
        *_wire_rows(wires, units),
        (
            say("waterproof direct-burial splice"),
            splices,
            say("each"),
            say("two per joint, one in ten spare"),
        ),
        (say("splice box"), dug + joints, say("each"), boxes),
        (
            say("trench in open ground"),
            _whole(open_, units),
            metre,
            say("call before you dig"),
        ),
    ]
    rows += _other_rows(wires)
    if paved > 0:
        crossings = int((under > 0).sum())
        note = say_count(
            "{count} crossing, see the map; bore, or sleeve",
            "{count} crossings, see the map; bore, or sleeve",
            crossings,
        )
        rows.append((say("sleeve or bore under paving"), _whole(paved, units), metre, note))
    return pd.DataFrame(rows, columns=["item", "quantity", "unit", "note"])


def _other_rows(wires: WireRoutes) -> list[tuple[str, float, str, str]]:
    """Return what is bought where no wire leads to the controller."""
    rows: list[tuple[str, float, str, str]] = []
    if wires.links:
        note = say(
            "for {sensors}: ground in play about it or in the way",
            sensors=", ".join(wires.links),
        )
        item = say("wireless link, sender and receiver")
        rows.append((item, len(wires.links), say("each"), note))
    if wires.decoders:
        note = say(
            "for {sensors}, in a valve box; with a receiver at its controller",
            sensors=", ".join(wires.decoders),
        )
        rows.append((say("decoder"), len(wires.decoders), say("each"), note))
    return rows


def _wire_rows(wires: WireRoutes, units: UnitsName) -> list[tuple[str, float, str, str]]:
    """Return the wire to buy, one row per gauge."""
    metre = unit_label("length", units)
    wired = ~wires.lengths.index.isin(wires.links)
    gauge_of, length, lost = (
        wires.lengths[name].to_numpy()[wired] for name in ("gauge_awg", "wire_m", "drop_v")
    )
    gauges = sorted(set(gauge_of.tolist()), reverse=True)
    rows: list[tuple[str, float, str, str]] = []
    for gauge in gauges:
        part = gauge_of == gauge
        wire = float(length[part].sum()) + 2 * WIRE_LOOP_M * int(part.sum())
        drop = float(lost[part].max())
        size = say("gauge by its length")
        if gauge:
            size = say(
                "{gauge} AWG solid copper; at most {lost} V of {supply} V lost",
                gauge=gauge,
                lost=Figure(f"{drop:.1f}"),
                supply=Figure(f"{SUPPLY_V:g}"),
            )
        spare = say(
            "paths to the controllers, {spare}% spare, a loop at each end; check against the "
            "sensor's instructions",
            spare=Figure(f"{100 * WIRE_SPARE:.0f}"),
        )
        note = side_by_side([size, spare], "; ")
        item = _WIRE if len(gauges) == 1 else say("{wire}, {gauge} AWG", wire=_WIRE, gauge=gauge)
        rows.append((item, _whole(wire * (1 + WIRE_SPARE), units), metre, note))
    return rows


def _whole(metres: float, units: UnitsName) -> float:
    if not math.isfinite(metres):
        return float("nan")
    return float(math.ceil(round(convert(metres, "length", units), 6)))


#: Up to so many ends a tree is exact on the graph; beyond, it spans the ends alone.
EXACT_ENDS: Final = 6


class TrenchNetwork:
    """Prices trench by the metre of open ground for any set of places.

    Parameters
    ----------
    points : ndarray, shape (Z, 2)
        Where a sensor of each zone would lie [m].
    controllers : ndarray, shape (C, 2)
        Controllers [m].
    owner : ndarray of int, shape (Z,)
        Controller of each zone; -1 takes the nearest by path.
    boundary : shapely geometry
        Trenches stay inside.
    buildings, paving : sequence of shapely geometry
        Trenches stay outside; may cross at a price.
    paving_factor : float
        Price of a metre under paving in metres of open trench.
    priced : sequence of PricedGround
        Roots, beds and the like.
    in_play : shapely geometry, optional
        Ground that no trench enters: a sensor in it, or that only it leads to, is linked at the
        price of `LINK_M`, or from a valve box where that is cheaper. One that a building shuts in
        is not: no price is known of it.
    valve_boxes : ndarray, shape (B, 2), optional
        Valve boxes [m].
    """

    def __init__(  # noqa: PLR0913 - every layer is an argument of its own
        self,
        points: Floats,
        controllers: Floats,
        owner: Ints,
        *,
        boundary: BaseGeometry,
        buildings: Iterable[BaseGeometry],
        paving: Iterable[BaseGeometry],
        paving_factor: float,
        priced: Sequence[PricedGround] = (),
        in_play: BaseGeometry | None = None,
        valve_boxes: Floats | None = None,
    ) -> None:
        walls = list(buildings)
        free = free_space(boundary, [*walls, *([] if in_play is None else [in_play])])
        given = np.concatenate([controllers, points])
        places, moved = into_free(free, given)
        dear = shapely.union_all(list(paving))
        graph = visibility_graph(
            places,
            free=free,
            dear=dear,
            factor=paving_factor,
            priced=[(ground.shape, ground.factor) for ground in disjoint(priced, dear, places)],
        )
        every = np.asarray(scipy.sparse.csgraph.dijkstra(graph.matrix(), directed=False))
        self._distance = every
        self._count = len(controllers)
        self._stub = moved
        length = np.asarray(
            scipy.sparse.csgraph.dijkstra(
                graph.matrix(by="length"), directed=False, indices=np.arange(self._count)
            )
        )[:, self._count : self._count + len(points)]
        reach = every[: self._count, self._count : self._count + len(points)]
        self.owner = np.where(owner < 0, np.argmin(np.round(reach, 6), axis=0), owner)
        zones = np.arange(len(points))
        stubs = moved[self._count :] + moved[self.owner]
        #: Trench of its own for each zone, priced in metres of open ground; wire [m].
        self.own = _known(reach[self.owner, zones] + stubs)
        #: Whether every zone's controller can be reached.
        self.whole = bool(np.isfinite(reach[self.owner, zones]).all())
        self.wire = _known(length[self.owner, zones] + stubs)
        #: Zones whose sensor has a link in place of a trench.
        self._linked = np.zeros(len(points), dtype=np.bool_)
        if in_play is not None:
            inside = np.asarray(shapely.intersects(in_play, shapely.points(points)))
            shut = ~inside & ~np.isfinite(reach[self.owner, zones])
            open_ground = free_space(boundary, walls)
            shut[shut] = [
                together(open_ground, controllers[self.owner[z]], points[z])
                for z in np.flatnonzero(shut)
            ]
            self._linked = inside | shut
            self.own[self._linked], self.wire[self._linked] = LINK_M, 0.0
            boxes = np.empty((0, 2)) if valve_boxes is None else valve_boxes
            price, wire, _ = box_prices(
                boxes, points[shut], free=free, dear=dear, factor=paving_factor, priced=priced
            )
            cheaper = price < LINK_M
            self.own[np.flatnonzero(shut)[cheaper]] = price[cheaper]
            self.wire[np.flatnonzero(shut)[cheaper]] = wire[cheaper]
        self._found: dict[tuple[int, ...], float] = {}

    def shared(self, zones: Iterable[int]) -> float:
        """Return the trench of sensors in these zones, each branch counted once [m].

        Parameters
        ----------
        zones : iterable of int
            Zones with a sensor.

        Returns
        -------
        float
            Length in metres of open ground; what cannot be reached costs nothing here.
        """
        chosen = np.array(sorted(set(zones)), dtype=np.int64)
        total = float(self.own[chosen[self._linked[chosen]]].sum())
        chosen = chosen[~self._linked[chosen]]
        for controller in np.unique(self.owner[chosen]):
            mine = chosen[self.owner[chosen] == controller]
            ends = (int(controller), *(self._count + mine).tolist())
            if ends not in self._found:
                self._found[ends] = self._tree(ends)
            total += self._found[ends]
        return total

    def marginal(self, zones: Iterable[int]) -> Floats:
        """Return what a sensor in each zone adds to the trench of some zones.

        Parameters
        ----------
        zones : iterable of int
            Zones with a sensor.

        Returns
        -------
        ndarray, shape (Z,)
            Trench of a branch from the nearest end for a zone outside, trench saved without it for
            a zone inside; in metres of open ground [m].
        """
        chosen = sorted(set(zones))
        added = self.own.copy()
        for zone in range(len(added)):
            if zone in chosen:
                added[zone] = self.shared(chosen) - self.shared(z for z in chosen if z != zone)
                continue
            if self._linked[zone]:
                continue
            beside = [
                z for z in chosen if self.owner[z] == self.owner[zone] and not self._linked[z]
            ]
            at = self._count + zone
            for other in beside:
                branch = self._distance[self._count + other, at] + self._stub[at]
                added[zone] = min(added[zone], float(branch))
        return np.maximum(added, 0.0)

    def _tree(self, ends: tuple[int, ...]) -> float:
        near = [end for end in ends if np.isfinite(self._distance[ends[0], end])]
        stubs = float(self._stub[near].sum())
        if len(near) < 2:  # noqa: PLR2004 - nothing to join
            return 0.0
        if len(near) <= EXACT_ENDS:
            edges = _dreyfus_wagner(self._distance, near)
            return stubs + float(sum(self._distance[i, j] for i, j in edges))
        among = np.maximum(self._distance[np.ix_(near, near)], 1e-12)
        return stubs + float(scipy.sparse.csgraph.minimum_spanning_tree(among).sum())


def together(ground: BaseGeometry, one: Floats, other: Floats) -> bool:
    """Tell whether two points lie in, or nearest to, the same part of some ground."""
    parts = shapely.get_parts(ground)
    nearest = [int(np.argmin(shapely.distance(parts, shapely.Point(p)))) for p in (one, other)]
    return nearest[0] == nearest[1]


def box_prices(
    boxes: Floats,
    points: Floats,
    *,
    free: BaseGeometry,
    dear: BaseGeometry,
    factor: float,
    priced: Sequence[PricedGround],
) -> tuple[Floats, Floats, Ints]:
    """Return what a lead from the cheapest valve box costs each point, and which box that is.

    boxes (B, 2): valve boxes, those outside free space lead nowhere [m]; points (P, 2): sensors
    [m]. Returns decoder and trench in metres of open trench, and the length of the lead, infinite
    without a way [m], shape (P,); row in `boxes`, -1 without a way, shape (P,).
    """
    price, wire = np.full(len(points), np.inf), np.full(len(points), np.inf)
    which = np.full(len(points), -1)
    if len(boxes) == 0 or len(points) == 0:
        return price, wire, which
    _, moved = into_free(free, boxes)
    kept = np.flatnonzero(moved == 0)
    places, stubs = into_free(free, np.concatenate([boxes[kept], points]))
    grounds = [(ground.shape, ground.factor) for ground in disjoint(priced, dear, places)]
    graph = visibility_graph(places, free=free, dear=dear, factor=factor, priced=grounds)
    ways = []
    for matrix in (graph.matrix(), graph.matrix(by="length")):
        every = np.asarray(
            scipy.sparse.csgraph.dijkstra(matrix, directed=False, indices=np.arange(len(places)))
        )
        ways.append(every[: len(kept), len(kept) : len(places)] + stubs[len(kept) :])
    cost, length = ways
    for k in range(len(points) if len(kept) else 0):
        nearest = int(np.argmin(np.round(cost[:, k], 6)))
        if np.isfinite(cost[nearest, k]):
            price[k], wire[k], which[k] = cost[nearest, k], length[nearest, k], kept[nearest]
    return DECODER_M + price, wire, which


def _known(length: Floats) -> Floats:
    """Return lengths, 0 where there is no way: the final routes say so."""
    return np.where(np.isfinite(length), length, 0.0)


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


class _Routed(NamedTuple):
    """Wires through a graph, and the sensors out of reach."""

    graph: VisibilityGraph
    runs: list[_Run]
    lost: list[int]


def nearest_controller_distance(
    points: Floats,
    controllers: Floats,
    *,
    boundary: BaseGeometry,
    buildings: gpd.GeoDataFrame,
) -> Floats:
    """Exact length of the shortest path around buildings from each point to each controller.

    points (K, 2): candidate places for sensors [m]; controllers (C, 2): controllers [m]. Returns
    length, infinite when there is no way [m]. A point in a building is led straight to its nearest
    wall first, shape (K, C).
    """
    free = free_space(boundary, buildings.geometry.to_list())
    ends = _terminals(free, np.concatenate([controllers, points]))
    graph = visibility_graph(ends.places, free=free)
    count = len(controllers)
    length = scipy.sparse.csgraph.dijkstra(
        graph.matrix(by="length"), directed=False, indices=np.arange(count)
    )
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
    dug = sensors[~inside] if inside.any() else sensors
    owned = [k for k, linked in zip(owner, inside, strict=True) if not linked]
    ends = _terminals(
        free, np.concatenate([controllers, shapely.get_coordinates(dug.geometry.to_numpy())])
    )
    land = _Land(free, shapely.union_all(paving.geometry.to_numpy()), paving_factor, priced)
    others = disjoint(land.priced, land.dear, ends.places)
    graph, runs, lost = _routed(land, ends.places, owned, others, wire_share=wire_share)
    open_ground = free_space(boundary, list(buildings.geometry)) if lost else free
    shut = [
        str(dug.index[i])
        for i in lost
        if together(open_ground, ends.given[owned[i]], ends.given[len(names) + i])
    ]
    labels = _Labels(list(dug.index), names, tuple(ground.name for ground in others))
    rows, lengths = _rows(graph, runs, ends, labels)
    more, boxed = (
        _from_boxes(land, dug.loc[shut], fixtures, wire_share=wire_share) if shut else ([], {})
    )
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
    drawn = fixtures[fixtures["kind"] == "valve_box"]
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
) -> _Routed:
    """Route the sensors, then move the branches of the trench as long as that makes it cheaper.

    Where trenches may branch, the branches of the cheapest trench alone are tried as well: with
    wire at its price the search may end at others that cost more.
    """
    extra = _extra_nodes(ends, owner, free=land.free, dear=land.dear, others=others)
    first = _graph(land, ends, extra, others)
    found = _settled(land, ends, owner, others, extra=extra, graph=first, wire_share=wire_share)
    if wire_share <= 0 or len(set(owner)) == len(owner):
        return found
    bare = _settled(land, ends, owner, others, extra=extra, graph=first, wire_share=0.0)
    runs, lost = _runs(bare.graph, owner, count=len(ends) - len(owner), wire_share=wire_share)
    price = _price(bare.graph, runs, wire_share)
    better = price < _price(found.graph, found.runs, wire_share) - _WORTH_M
    return _Routed(bare.graph, runs, lost) if better else found


def _settled(
    land: _Land,
    ends: Floats,
    owner: list[int],
    others: list[PricedGround],
    *,
    extra: Floats,
    graph: VisibilityGraph,
    wire_share: float,
) -> _Routed:
    """Move the branches until that makes nothing cheaper; extra (N, 2): nodes of the graph."""
    count = len(ends) - len(owner)
    best: _Routed | None = None
    known = np.inf
    for turn in range(_BRANCH_ROUNDS):
        if turn:
            graph = _graph(land, ends, extra, others)
        runs, lost = _runs(graph, owner, count=count, wire_share=wire_share)
        price = _price(graph, runs, wire_share)
        if price < known - _WORTH_M:
            best, known = _Routed(graph, runs, lost), price
        moved = _moved(graph, runs, ends=len(ends))
        moved = moved[shapely.intersects_xy(land.free, moved[:, 0], moved[:, 1])]
        if len(moved) == 0 or best is None or best.graph is not graph:
            break
        extra = np.concatenate([extra, moved])
    return best if best is not None else _Routed(graph, runs, lost)


def _graph(land: _Land, ends: Floats, extra: Floats, others: list[PricedGround]) -> VisibilityGraph:
    """Return who sees whom among the ends and further nodes."""
    return visibility_graph(
        ends,
        free=land.free,
        dear=land.dear,
        factor=land.factor,
        extra=extra,
        priced=[(ground.shape, ground.factor) for ground in others],
    )


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


def _in_play(sensors: gpd.GeoDataFrame, in_play: BaseGeometry | None) -> Flags:
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
    is_one = fixtures["kind"].to_numpy() == "controller"
    places = shapely.get_coordinates(fixtures.geometry.to_numpy()[is_one])
    given = fixtures["name"].to_numpy()[is_one] if "name" in fixtures else [None] * len(places)
    names = [
        f"controller {i}" if pd.isna(name) else str(name) for i, name in enumerate(given, start=1)
    ]
    return places, names


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
    _, island = scipy.sparse.csgraph.connected_components(matrix, directed=False)
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
    none = np.empty(0, dtype=object)  # an empty list would be a column of numbers
    columns: dict[str, Any] = {name: [row[name] for row in rows] or none for name in _COLUMNS}
    columns["geometry"] = from_shapely(columns["geometry"], sensors.crs)
    unknown = _Length(None, float("nan"), float("nan"), *gauge_for(float("nan")))
    known = [lengths.get(name, unknown) for name in sensors.index]
    measured = {
        "controller": [one.controller for one in known] or none,
        "wire_m": np.array([one.wire_m for one in known], dtype=float),
        "trench_m": np.array([one.trench_m for one in known], dtype=float),
        "gauge_awg": [one.gauge_awg for one in known] or none,
        "drop_v": np.array([one.drop_v for one in known], dtype=float),
    }
    return WireRoutes(
        gpd.GeoDataFrame(columns, geometry="geometry"),
        pd.DataFrame(measured, index=sensors.index),
        warnings,
        links,
        decoders,
    )
