"""Trench and wire of a large site: one controller's district at a time.

A wire leads from a sensor to its own controller, so that a site falls apart by controller. All
straight lines between all corners of a campus are a number that grows with the square of its
buildings; within a district they do not. A route stays within `REACH_M` of the box about a
controller and what it serves (further where there is no way within); one that leaves it is longer
by twice that at least, and is not looked for. What is found is a way that can be dug, so a price is
never too low by it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats, Ints
from siting.parts import each_part
from siting.threads import one_blas_thread
from siting.wire.routes import PricedGround, TrenchNetwork, WireRoutes, wire_routes

#: How far a route may lead beyond the box about its ends [m]; four times that where it must.
REACH_M: Final = 40.0
_FURTHER: Final = (1.0, 4.0, 16.0)
#: Up to so many buildings and places a site is looked at as a whole.
_WHOLE: Final = 400


def is_large(places: int, buildings: int, controllers: int) -> bool:
    """Tell whether routes are looked for district by district.

    Parameters
    ----------
    places, buildings, controllers : int
        Sensors or zones, buildings, and controllers.

    Returns
    -------
    bool
        A building counts for its four corners.
    """
    return controllers > 1 and places + 4 * buildings > _WHOLE


class Land(NamedTuple):
    """What routes go through and round, with trees that find it by place.

    Parameters
    ----------
    boundary : shapely geometry
        Trenches stay inside.
    buildings, paving : STRtree
        Trenches stay outside; may cross at a price.
    priced : mapping of str to tuple
        Name of a priced ground -> its parts, as a tree, and its factor.
    in_play : shapely geometry or None
        Ground that no trench enters.
    """

    boundary: BaseGeometry
    buildings: shapely.STRtree
    paving: shapely.STRtree
    priced: Mapping[str, tuple[shapely.STRtree, float]]
    in_play: BaseGeometry | None

    @classmethod
    def of(
        cls,
        boundary: BaseGeometry,
        buildings: Iterable[BaseGeometry],
        paving: Iterable[BaseGeometry],
        priced: Sequence[PricedGround],
        in_play: BaseGeometry | None,
    ) -> Land:
        """Return the land of a site."""
        parts = {
            ground.name: (shapely.STRtree(shapely.get_parts(ground.shape)), ground.factor)
            for ground in priced
        }
        walls, surfaces = shapely.STRtree(list(buildings)), shapely.STRtree(list(paving))
        return cls(boundary, walls, surfaces, parts, in_play)

    def around(self, points: Floats, reach: float) -> dict[str, Any]:
        """Return the land within reach of the box about some points, by name."""
        (west, south), (east, north) = points.min(axis=0) - reach, points.max(axis=0) + reach
        frame = shapely.box(west, south, east, north)
        priced = [
            PricedGround(name, shapely.union_all(_near(tree, frame)), factor)
            for name, (tree, factor) in self.priced.items()
        ]
        return {
            "boundary": shapely.intersection(self.boundary, frame),
            "buildings": list(_near(self.buildings, frame)),
            "paving": list(_near(self.paving, frame)),
            "priced": tuple(ground for ground in priced if not ground.shape.is_empty),
            "in_play": None if self.in_play is None else shapely.intersection(self.in_play, frame),
        }

    def within(self, points: Floats) -> Land:
        """Return what of the land is ever looked at for routes between some points, to hand on."""
        reach = _FURTHER[-1] * REACH_M
        (west, south), (east, north) = points.min(axis=0) - reach, points.max(axis=0) + reach
        frame = shapely.box(west, south, east, north)

        def cut(tree: shapely.STRtree) -> shapely.STRtree:
            return shapely.STRtree(_near(tree, frame))

        priced = {name: (cut(tree), factor) for name, (tree, factor) in self.priced.items()}
        return self._replace(buildings=cut(self.buildings), paving=cut(self.paving), priced=priced)

    def covered(self, points: Floats, reach: float) -> bool:
        """Tell whether nothing of the site lies beyond the reach of some points."""
        (west, south), (east, north) = points.min(axis=0) - reach, points.max(axis=0) + reach
        return bool(shapely.covers(shapely.box(west, south, east, north), self.boundary))


def _near(tree: shapely.STRtree, frame: BaseGeometry) -> Any:  # noqa: ANN401 - an array of shapes
    """Return what meets a frame, in the order in which it was given."""
    return tree.geometries[np.sort(tree.query(frame, predicate="intersects"))]


class DistrictNetwork(TrenchNetwork):
    """Prices trench for any set of places of a large site, controller by controller.

    Parameters
    ----------
    points : ndarray, shape (Z, 2)
        Where a sensor of each zone would lie [m].
    controllers : ndarray, shape (C, 2)
        Controllers [m].
    owner : ndarray of int, shape (Z,)
        Controller of each zone; -1 takes the nearest, as the crow flies.
    land : Land
        What trenches go through and round.
    paving_factor : float
        Price of a metre under paving in metres of open trench.
    valve_boxes : ndarray, shape (B, 2)
        Valve boxes [m].
    """

    def __init__(
        self,
        points: Floats,
        controllers: Floats,
        owner: Ints,
        *,
        land: Land,
        paving_factor: float,
        valve_boxes: Floats,
    ) -> None:
        self.owner = nearest_owner(points, controllers, owner)
        self.own, self.wire = np.zeros(len(points)), np.zeros(len(points))
        self._of: list[tuple[Ints, TrenchNetwork]] = []
        owned = [np.flatnonzero(self.owner == c) for c in np.unique(self.owner)]
        parts = (
            _District(points[mine], at := controllers[self.owner[mine[:1]]],
                      land.within(np.concatenate([at, points[mine]])), paving_factor, valve_boxes)
            for mine in owned
        )  # fmt: skip
        for mine, network in zip(owned, each_part(_district, parts), strict=True):
            self.own[mine], self.wire[mine] = network.own, network.wire
            self._of.append((mine, network))

    def shared(self, zones: Iterable[int]) -> float:
        """Return what `TrenchNetwork.shared` does: the sum over the controllers [m]."""
        chosen = np.array(sorted(set(zones)), dtype=np.int64)
        here = set(self.owner[chosen].tolist())
        return float(
            sum(
                network.shared(np.flatnonzero(np.isin(mine, chosen)).tolist())
                for mine, network in self._of
                if int(self.owner[mine[0]]) in here
            )
        )

    def marginal(self, zones: Iterable[int]) -> Floats:
        """Return what `TrenchNetwork.marginal` does, controller by controller [m]."""
        chosen = np.array(sorted(set(zones)), dtype=np.int64)
        added = self.own.copy()
        for mine, network in self._of:
            added[mine] = network.marginal(np.flatnonzero(np.isin(mine, chosen)).tolist())
        return added


def nearest_owner(points: Floats, controllers: Floats, owner: Ints) -> Ints:
    """Return each point's controller: the named one, else the nearest as the crow flies."""
    away = np.hypot(*(points[:, None] - controllers).transpose(2, 0, 1))
    return np.where(owner < 0, np.argmin(np.round(away, 6), axis=1), owner)


class _District(NamedTuple):
    """What the trenches of one controller rest on; see `DistrictNetwork`."""

    points: Floats
    controller: Floats
    land: Land
    paving_factor: float
    boxes: Floats


@one_blas_thread
def _district(part: _District) -> TrenchNetwork:
    """Price the trenches of one controller; look further about where there is no way."""
    ends, boxes = np.concatenate([part.controller, part.points]), part.boxes
    for times in _FURTHER:
        reach = times * REACH_M
        low, high = ends.min(axis=0) - reach, ends.max(axis=0) + reach
        near = np.all((boxes >= low) & (boxes <= high), axis=1)
        network = TrenchNetwork(
            part.points,
            part.controller,
            np.zeros(len(part.points), dtype=np.int64),
            paving_factor=part.paving_factor,
            valve_boxes=boxes[near],
            **part.land.around(ends, reach),
        )
        if network.whole or part.land.covered(ends, reach):
            break
    return network


def routes_by_district(
    sensors: gpd.GeoDataFrame,
    fixtures: gpd.GeoDataFrame,
    land: Land,
    *,
    wire_share: float,
) -> WireRoutes:
    """Route every sensor of a large site to its controller.

    Where the routes of two controllers share a stretch, it is dug and counted for each of them.

    Parameters
    ----------
    sensors, fixtures : GeoDataFrame
        As for `siting.wire.routes.wire_routes`.
    land : Land
        What trenches go through and round.
    wire_share : float
        Price of a metre of wire in metres of open trench.

    Returns
    -------
    WireRoutes
        Of all sensors, district by district.
    """
    boxes = fixtures[fixtures["kind"] == "controller"]
    places = shapely.get_coordinates(boxes.geometry.to_numpy())
    names = [str(name) for name in boxes["name"]]
    given = [names.index(c) if c in names else -1 for c in sensors["controller"].astype(str)]
    points = shapely.get_coordinates(sensors.geometry.to_numpy())
    owner = nearest_owner(points, places, np.array(given))
    valves = fixtures[fixtures["kind"] == "valve_box"]

    def part(c: int) -> _Routed:
        ends = np.concatenate([places[[c]], points[owner == c]])
        near = land.within(ends)
        return _Routed(sensors[owner == c], boxes.iloc[[c]], valves, ends, near, wire_share)

    found = list(each_part(_routes, map(part, np.unique(owner).tolist())))
    kinds = [part.routes[part.routes["kind"] == kind] for kind in ("trench", "wire")
             for part in found]  # fmt: skip
    routes = pd.concat([part for part in kinds if len(part)], ignore_index=True)
    return WireRoutes(
        gpd.GeoDataFrame(routes, geometry="geometry", crs=sensors.crs),
        pd.concat([part.lengths for part in found]).loc[sensors.index],
        tuple(note for part in found for note in part.warnings),
        tuple(tag for part in found for tag in part.links),
        tuple(tag for part in found for tag in part.decoders),
    )


class _Routed(NamedTuple):
    """What the routes of one controller's sensors rest on; see `routes_by_district`."""

    sensors: gpd.GeoDataFrame
    controller: gpd.GeoDataFrame
    valves: gpd.GeoDataFrame
    ends: Floats
    land: Land
    wire_share: float


@one_blas_thread
def _routes(part: _Routed) -> WireRoutes:
    """Route one controller's sensors; look further about where there is no way."""
    crs = part.sensors.crs
    for times in _FURTHER:
        around = part.land.around(part.ends, times * REACH_M)
        for layer in ("buildings", "paving"):
            around[layer] = gpd.GeoDataFrame(geometry=around[layer], crs=crs)
        near = part.valves[shapely.intersects(around["boundary"], part.valves.geometry.to_numpy())]
        found = wire_routes(
            part.sensors,
            fixtures=gpd.GeoDataFrame(pd.concat([part.controller, near]), crs=crs),
            wire_share=part.wire_share,
            **around,
        )
        whole = bool(found.lengths["trench_m"].notna().all())
        if whole or part.land.covered(part.ends, times * REACH_M):
            break
    return found
