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
from siting._wire_model import LINK_M, PricedGround, disjoint

__all__ = ["TrenchNetwork"]

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
        Ground that no trench enters: a sensor in it is linked at the price of `LINK_M`.
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
    ) -> None:
        free = free_space(boundary, [*buildings, *([] if in_play is None else [in_play])])
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
            inside = shapely.intersects(in_play, shapely.points(points))
            self._linked = inside | ~np.isfinite(reach[self.owner, zones])
        self.own[self._linked], self.wire[self._linked] = LINK_M, 0.0
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
        total = LINK_M * float(self._linked[chosen].sum())
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


def _known(length: _Array) -> _Array:
    """Return lengths, 0 where there is no way: the final routes say so."""
    return np.where(np.isfinite(length), length, 0.0)
