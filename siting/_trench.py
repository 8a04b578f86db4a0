"""What trenches cost before anyone knows which sensors will share them.

Private to `siting.wiring`. One visibility graph joins every place where a sensor could lie with
every controller; the trench of any set of sensors is then a Steiner tree on it, whose branches lie
at sensors, controllers and corners of buildings. The chosen sensors are routed afresh by
`siting.wiring.wire_routes`, which may also branch in open ground and is then no longer.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree
from shapely.geometry.base import BaseGeometry

from siting._paths import _dreyfus_wagner, free_space, into_free, visibility_graph
from siting._wire_model import DECODER_M, LINK_M, PricedGround, disjoint

__all__ = ["TrenchNetwork", "box_prices", "together"]

_Array = NDArray[np.float64]

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
        points: _Array,
        controllers: _Array,
        owner: NDArray[np.int64],
        *,
        boundary: BaseGeometry,
        buildings: Iterable[BaseGeometry],
        paving: Iterable[BaseGeometry],
        paving_factor: float,
        priced: Sequence[PricedGround] = (),
        in_play: BaseGeometry | None = None,
        valve_boxes: _Array | None = None,
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
        every = np.asarray(dijkstra(graph.matrix(), directed=False))
        self._distance = every
        self._count = len(controllers)
        self._stub = moved
        length = np.asarray(
            dijkstra(graph.matrix(by="length"), directed=False, indices=np.arange(self._count))
        )[:, self._count : self._count + len(points)]
        reach = every[: self._count, self._count : self._count + len(points)]
        self.owner = np.where(owner < 0, np.argmin(np.round(reach, 6), axis=0), owner)
        zones = np.arange(len(points))
        stubs = moved[self._count :] + moved[self.owner]
        #: Trench of its own for each zone, priced in metres of open ground; wire [m].
        self.own = _known(reach[self.owner, zones] + stubs)
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

    def marginal(self, zones: Iterable[int]) -> _Array:
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
        return stubs + float(minimum_spanning_tree(among).sum())


def together(ground: BaseGeometry, one: _Array, other: _Array) -> bool:
    """Tell whether two points lie in, or nearest to, the same part of some ground."""
    parts = shapely.get_parts(ground)
    nearest = [int(np.argmin(shapely.distance(parts, shapely.Point(p)))) for p in (one, other)]
    return nearest[0] == nearest[1]


def box_prices(
    boxes: _Array,
    points: _Array,
    *,
    free: BaseGeometry,
    dear: BaseGeometry,
    factor: float,
    priced: Sequence[PricedGround],
) -> tuple[_Array, _Array, NDArray[np.int64]]:
    """Return what a lead from the cheapest valve box costs each point, and which box that is.

    Parameters
    ----------
    boxes : ndarray, shape (B, 2)
        Valve boxes; those outside free space lead nowhere [m].
    points : ndarray, shape (P, 2)
        Sensors [m].
    free, dear : shapely geometry
        Where trenches may go, and paving.
    factor : float
        Price of a metre under paving in metres of open trench.
    priced : sequence of PricedGround
        Roots, beds and the like.

    Returns
    -------
    price, wire : ndarray, shape (P,)
        Decoder and trench in metres of open trench, and the length of the lead; infinite without a
        way [m].
    box : ndarray of int, shape (P,)
        Row in `boxes`; -1 without a way.
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
        every = np.asarray(dijkstra(matrix, directed=False, indices=np.arange(len(places))))
        ways.append(every[: len(kept), len(kept) : len(places)] + stubs[len(kept) :])
    cost, length = ways
    for k in range(len(points) if len(kept) else 0):
        nearest = int(np.argmin(np.round(cost[:, k], 6)))
        if np.isfinite(cost[nearest, k]):
            price[k], wire[k], which[k] = cost[nearest, k], length[nearest, k], kept[nearest]
    return DECODER_M + price, wire, which


def _known(length: _Array) -> _Array:
    """Return lengths, 0 where there is no way: the final routes say so."""
    return np.where(np.isfinite(length), length, 0.0)
