"""Exact distances from points to hazards, and the best point of a region by branch and bound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

__all__ = [
    "Cells",
    "Clearance",
    "Region",
    "Score",
    "cells_of",
    "clearance",
    "highest",
    "nearest_high",
]

Floats = NDArray[np.float64]
Score = Callable[[Floats, Floats], Floats]

_FINEST: Final = 1e-4  # half a cell at which the search ends [m]
_BEAM: Final = 256  # cells kept per level once a ridge of equal values is known
_RIDGE_HALF: Final = 0.02  # cell size at which a ridge is sampled [m]
_RIDGE_CELLS: Final = 20_000
_PAIRS: Final = 200_000  # point-to-hazard pairs measured at a time


@dataclass(frozen=True)
class Clearance:
    """Exact point-to-hazard distances in the ground of one zone.

    point_x, point_y, point_setback (T,): hazards that are points, each with its setback [m]; trees:
    segments of the other hazards, one index per setback; setbacks: setback of each index [m].
    """

    point_x: Floats
    point_y: Floats
    point_setback: Floats
    trees: tuple[shapely.STRtree, ...]
    setbacks: tuple[float, ...]

    @property
    def smallest_setback(self) -> float:
        """The smallest setback above zero [m]; infinite when there is none."""
        known = np.concatenate([self.point_setback, np.array(self.setbacks)])
        return float(np.min(known[known > 0], initial=np.inf))

    def slack(self, x: Floats, y: Floats) -> Floats:
        """Return the least of distance minus setback at each point.

        x, y (N,): points [m]. Result: negative where a setback is not met; inf where nothing is
        indexed [m], shape (N,).
        """
        return self._least(x, y, lambda distance, setback: distance - setback)

    def ratio(self, x: Floats, y: Floats) -> Floats:
        """Return the least of distance over setback at each point.

        x, y (N,): points [m]. Result: below 1 where a setback is not met; inf where no hazard has
        one [-], shape (N,).
        """

        def over(distance: Floats, setback: Floats | float) -> Floats:
            with np.errstate(divide="ignore", invalid="ignore"):
                return np.where(np.asarray(setback) > 0, distance / setback, np.inf)

        return self._least(x, y, over)

    def _least(
        self, x: Floats, y: Floats, measure: Callable[[Floats, Floats | float], Floats]
    ) -> Floats:
        least = np.full(x.shape, np.inf)
        points = shapely.points(x, y)
        for tree, setback in zip(self.trees, self.setbacks, strict=True):
            _, distance = tree.query_nearest(points, return_distance=True, all_matches=False)
            np.minimum(least, measure(distance, setback), out=least)
        chunk = max(1, _PAIRS // max(1, self.point_x.size))
        for i in range(0, x.size if self.point_x.size else 0, chunk):
            part = slice(i, i + chunk)
            away = np.hypot(x[part, None] - self.point_x, y[part, None] - self.point_y)
            tightest = measure(away, self.point_setback).min(axis=1)
            least[part] = np.minimum(least[part], tightest)
        return least


class Region(NamedTuple):
    """What a search looks at: ground, a score that changes by at most `slope` per metre, a filter.

    ground: where points may lie, prepared; score: (x, y) -> score, valid outside the ground too;
    slope: largest change of the score per metre [1/m]; allowed: (x, y) -> bool, an extra condition
    on a point.
    """

    ground: BaseGeometry
    score: Score
    slope: float
    allowed: Callable[[Floats, Floats], NDArray[np.bool_]] | None = None

    def holds(self, x: Floats, y: Floats) -> NDArray[np.bool_]:
        """Tell which points lie in the ground and meet the extra condition.

        x, y (N,): points [m]. Result: the edge of the ground counts as in it, shape (N,).
        """
        inside: NDArray[np.bool_] = shapely.intersects_xy(self.ground, x, y)
        if self.allowed is not None and inside.any():
            inside[inside] = self.allowed(x[inside], y[inside])
        return inside


class Cells(NamedTuple):
    """Square cells of one size.

    x, y (C,): centres [m]; half: half the side of a cell [m].
    """

    x: Floats
    y: Floats
    half: float

    def take(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Cells:
        """Return some of the cells.

        which (C,): a mask, or positions. Result: of the same size.
        """
        return Cells(self.x[which], self.y[which], self.half)

    def split(self) -> Cells:
        """Return the four quarters of every cell."""
        quarter = self.half / 2
        sign_x, sign_y = np.array([-1, 1, -1, 1]), np.array([1, 1, -1, -1])
        x = (self.x[:, None] + quarter * sign_x).ravel()
        y = (self.y[:, None] + quarter * sign_y).ravel()
        return Cells(x, y, quarter)


def clearance(ground: BaseGeometry, hazards: gpd.GeoDataFrame) -> Clearance:
    """Index the hazards that can matter to a ground.

    A hazard that can nowhere in the ground be the tightest one is left out; the ground's own edge
    counts as a hazard without a setback.

    hazards: columns setback [m] and geometry.
    """
    edge = np.array([ground.boundary], dtype=object)
    geometries = np.concatenate([hazards.geometry.to_numpy(), edge])
    setbacks = np.append(hazards["setback"].to_numpy(dtype=float), 0.0)
    near = _can_bind(ground, geometries, setbacks)
    geometries, setbacks = geometries[near], setbacks[near]
    is_point = shapely.get_type_id(geometries) == shapely.GeometryType.POINT
    places = shapely.get_coordinates(geometries[is_point])
    lines = [
        (setback, _segments(geometries[~is_point & (setbacks == setback)]))
        for setback in np.unique(setbacks[~is_point])
    ]
    return Clearance(
        point_x=places[:, 0],
        point_y=places[:, 1],
        point_setback=setbacks[is_point],
        trees=tuple(shapely.STRtree(segments) for _, segments in lines),
        setbacks=tuple(float(setback) for setback, _ in lines),
    )


def cells_of(ground: BaseGeometry, *, count: int = 24) -> Cells:
    """Cover a ground with square cells, in reading order, centred on its bounding box.

    count: number of cells along the longer side, the shorter side gets at least three.
    """
    west, south, east, north = ground.bounds
    side = max((east - west) / count, (north - south) / count, 1e-3)
    side = min(side, max(min(east - west, north - south) / 3, side / 8))
    columns, rows = int(np.ceil((east - west) / side)), int(np.ceil((north - south) / side))
    across = (west + east) / 2 + side * (np.arange(columns) - (columns - 1) / 2)
    down = (south + north) / 2 - side * (np.arange(rows) - (rows - 1) / 2)
    x, y = np.meshgrid(across, down)
    return Cells(x.ravel(), y.ravel(), side / 2)


def highest(region: Region, cells: Cells) -> tuple[float, Floats, Floats]:
    """Find the highest score in a region, and the ridge on which it is reached.

    Branch and bound: a cell is dropped when its centre's score plus slope times half its diagonal
    stays below the best point found, as in the search for a pole of inaccessibility.

    Result: highest score, exact to 1e-4 m times slope; -inf when no point was found; points of the
    region within a few centimetres of where it is reached; first the best, shape (R,).
    """
    best, at_x, at_y = -np.inf, np.empty(0), np.empty(0)
    ridge = Cells(np.empty(0), np.empty(0), 0.0)
    while cells.x.size:
        reach = cells.half * np.sqrt(2.0)
        cells = cells.take(_touching(region.ground, cells))
        score = region.score(cells.x, cells.y)
        promising = score + region.slope * reach > best
        cells, score = cells.take(promising), score[promising]
        held = np.where(region.holds(cells.x, cells.y), score, -np.inf)
        if held.size and held.max() > best + 1e-9:
            first = int(np.argmax(held >= held.max() - 1e-9))
            best, at_x, at_y = float(held[first]), cells.x[[first]], cells.y[[first]]
        promising = score + region.slope * reach > best
        cells, score, held = cells.take(promising), score[promising], held[promising]
        if cells.half > _RIDGE_HALF / 2 and cells.x.size <= _RIDGE_CELLS:
            ridge = cells.take(np.isfinite(held))
        if cells.half <= _FINEST:
            break
        if cells.half <= _RIDGE_HALF or cells.x.size > _RIDGE_CELLS:
            order = np.argsort(-np.round(score, 9), kind="stable")[:_BEAM]
            cells = cells.take(np.sort(order))
        cells = cells.split()
    return best, np.append(at_x, ridge.x), np.append(at_y, ridge.y)


def nearest_high(
    region: Region, cells: Cells, *, floor: float, towards: tuple[float, float]
) -> tuple[float, float] | None:
    """Find the point nearest to a given one among those that score at least a floor.

    towards: the given point, x and y [m]. Result: x and y, exact to about 1e-4 m [m]; the
    north-westernmost of equals.
    """
    nearest, found = np.inf, None
    while cells.x.size:
        reach = cells.half * np.sqrt(2.0)
        away = np.hypot(cells.x - towards[0], cells.y - towards[1])
        score = region.score(cells.x, cells.y)
        keep = (score + region.slope * reach >= floor) & (away - reach < nearest)
        cells, away, score = cells.take(keep), away[keep], score[keep]
        held = (score >= floor) & region.holds(cells.x, cells.y)
        distance = np.where(held, away, np.inf)
        if held.any() and distance.min() < nearest - 1e-9:
            first = int(np.argmax(distance <= distance.min() + 1e-9))
            nearest, found = float(away[first]), (float(cells.x[first]), float(cells.y[first]))
        if cells.half <= _FINEST:
            break
        order = np.argsort(np.round(away, 9), kind="stable")[:_BEAM]
        cells = cells.take(np.sort(order)).split()
    return found


def _touching(ground: BaseGeometry, cells: Cells) -> NDArray[np.bool_]:
    """Tell which cells' circumscribed circles reach the ground."""
    points = np.asarray(shapely.points(cells.x, cells.y))
    return np.asarray(shapely.dwithin(ground, points, cells.half * np.sqrt(2.0)))


def _can_bind(
    ground: BaseGeometry, geometries: NDArray[np.object_], setbacks: Floats
) -> NDArray[np.bool_]:
    """Tell which hazards can be the tightest somewhere in the ground, by slack or by ratio."""
    near = shapely.distance(geometries, ground)
    west, south, east, north = ground.bounds
    far = near + np.hypot(east - west, north - south)
    by_slack = near - setbacks <= np.min(far - setbacks)
    positive = setbacks > 0
    limit = np.min(far[positive] / setbacks[positive], initial=np.inf)
    by_ratio = positive & (near <= np.where(positive, limit, 0.0) * setbacks)
    kept: NDArray[np.bool_] = (by_slack | by_ratio) & ~shapely.is_empty(geometries)
    return kept


def _segments(geometries: NDArray[np.object_]) -> NDArray[np.object_]:
    """Split lines and polygon edges into two-point segments; points of multipoints stay points."""
    parts = shapely.get_parts(geometries)
    polygonal = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    dots = parts[shapely.get_type_id(parts) == shapely.GeometryType.POINT]
    rings = np.concatenate([shapely.get_rings(parts[polygonal]), parts[~polygonal]])
    rings = rings[shapely.get_type_id(rings) != shapely.GeometryType.POINT]
    coordinates, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    pairs = np.stack([coordinates[:-1][same], coordinates[1:][same]], axis=1)
    return np.concatenate([shapely.linestrings(pairs), dots])
