"""Area rank of dryness as a smooth field over a zone.

The samples of dryness come from a raster whose origin means nothing. They are carried, as smooth
surfaces, onto a mesh that is centred on the zone itself; every cell of it counts with the exact
area it has in the ground, and its dryness is spread over the range that it has within the cell. So
the rank is an area integral, and moving the raster's origin changes nothing but the error of the
interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter
from shapely.geometry.base import BaseGeometry

from siting._surface import Surface

__all__ = [
    "FIELD_ERROR",
    "RASTER_ERROR",
    "TARGET_RANK",
    "Mesh",
    "Pieces",
    "RankField",
    "mesh_of",
    "pieces_of",
    "rank_field",
]

Floats = NDArray[np.float64]

#: The middle of the driest quarter.
TARGET_RANK: Final = 0.875

#: The map's own error: standard deviation of local dryness about what is computed, as a share.
#: Light reflected by walls, an uneven sky and sheltered air make differences that no drawing holds.
#: Judgement of this project, no source.
FIELD_ERROR: Final = 0.01

#: What the difference of two places' misses is off by as dryness is known on a raster: near the
#: best places of the bundled properties' zones, a raster laid half a cell elsewhere changed misses
#: by 0.0004 to 0.011 (root of the mean square in a zone); times the root of two for two places.
RASTER_ERROR: Final = 0.015

_FINEST: Final = 0.1  # smallest cell of a mesh [m]
_COARSEST: Final = 0.5  # largest cell, unless a zone needs more than _MOST cells [m]
_MOST: Final = 60_000
_FEWEST: Final = 1500
_PER_SIGMA: Final = 1.25  # cells are at most so many standard deviations of the burial error
_TIED: Final = 1e-5  # dryness closer than this share of its range is equal
_SIGMAS: Final = 4.0
_WHOLE: Final = 1e-6  # float noise must not add a row of cells


class Mesh(NamedTuple):
    """Square cells over a zone, the middle of its bounding box in the middle of the mesh.

    west, south: centre of the first cell [m]; step: side of a cell [m]; rows, columns: row 0 is the
    southernmost.
    """

    west: float
    south: float
    step: float
    rows: int
    columns: int

    @property
    def x(self) -> Floats:
        """Centres, shape (rows * columns,) [m]."""
        return np.tile(self.west + self.step * np.arange(self.columns), self.rows)

    @property
    def y(self) -> Floats:
        """Centres, shape (rows * columns,) [m]."""
        return np.repeat(self.south + self.step * np.arange(self.rows), self.columns)


class Pieces(NamedTuple):
    """The part of each cell that lies in a shape; cells without any are left out.

    cell (K,): row-major index of the cell; area (K,): area in the shape [m²]; x, y (K,): centroid
    of that part [m]; width, height (K,): extent of that part [m].
    """

    cell: NDArray[np.int64]
    area: Floats
    x: Floats
    y: Floats
    width: Floats
    height: Floats


class _Spread(NamedTuple):
    """Dryness of pieces, shape (S, K), over the range that it has in each, and their areas (K,)."""

    middle: Floats
    range: Floats
    area: Floats

    def rank(self, scenario: int, values: Floats) -> Floats:
        """Return the share of the area that is less dry than the values, shape of `values`."""
        half = self.range[scenario] / 2
        slope = self.area / self.range[scenario]
        ends = np.concatenate([self.middle[scenario] - half, self.middle[scenario] + half])
        order = np.argsort(ends, kind="stable")
        ends = ends[order]
        rise = np.cumsum(np.concatenate([slope, -slope])[order])[:-1]
        below = np.concatenate([[0.0], np.cumsum(rise * np.diff(ends))])
        share: Floats = np.interp(values, ends, below / below[-1])
        return share


@dataclass(frozen=True)
class RankField:
    """Ranks over a zone, for points anywhere.

    mesh: the cells; surface: dryness per scenario; ground, zone: its distribution over the
    admissible (else open) ground and over the whole zone; places (K,): x and y of the pieces of
    `ground` [m]; objective_spline (rows, columns): spline coefficients of the expected squared
    distance from the target rank, over scenarios and burial errors; order: order of the spline;
    burial_error: standard deviation of the buried position along each axis [m]; even: whether all
    of the ground dries alike, within the field's own error; level: whether its drier half does:
    then no place in it is the driest; median: dryness that half of the ground exceeds, mean over
    scenarios.
    """

    mesh: Mesh
    surface: Surface
    ground: _Spread
    zone: _Spread
    places: tuple[Floats, Floats]
    objective_spline: Floats
    order: int
    burial_error: float
    even: bool
    level: bool
    median: float

    def in_drier_half(self, x: Floats, y: Floats) -> NDArray[np.bool_]:
        """Return whether points, shapes (N,) [m], lie in the drier half of the ground."""
        drier: NDArray[np.bool_] = self.surface.at(x, y).mean(axis=0) >= self.median
        return drier

    def objective(self, x: Floats, y: Floats) -> Floats:
        """Return the expected squared distance from the target rank.

        Over scenarios and burial errors. An error that leaves the zone reads how dry the zone would
        be there, so that neither edges nor open ground look any safer.

        x, y (N,): points [m]. Result: in squared rank [-], shape (N,).
        """
        return self._read(self.objective_spline, x, y)

    def as_good(self, point: tuple[float, float], x: Floats, y: Floats) -> NDArray[np.bool_]:
        """Return which places, shapes (N,) [m], the map cannot tell from a point (x, y) [m].

        Each misses the target rank by the root of its objective. The map's own error moves the
        rank of the point by so much, and the raster that of both; misses that differ by no more
        are equal.
        """
        at = np.array([point]).T
        values = self.surface.at(*at)
        moved = [
            np.ptp(self.ground.rank(s, value * np.array([1 - FIELD_ERROR, 1 + FIELD_ERROR])))
            for s, value in enumerate(values)
        ]
        error = float(np.mean(moved)) / 2 + RASTER_ERROR
        equal: NDArray[np.bool_] = np.abs(self._miss(x, y) - self._miss(*at)) <= error
        return equal

    def _miss(self, x: Floats, y: Floats) -> Floats:
        """Return the expected miss of the target rank, root of a mean square [-]."""
        return np.sqrt(np.maximum(self.objective(x, y), 0.0))

    def rank(self, x: float, y: float) -> float:
        """Return the mean rank over scenarios among the admissible ground at one point.

        x, y: the point [m]. Result: share of that ground that is less dry, 0..1.
        """
        return self._mean_rank(self.ground, x, y)

    def rank_in_zone(self, x: float, y: float) -> float:
        """Return the mean rank over scenarios among the whole zone at one point.

        x, y: the point [m]. Result: share of the zone that is less dry, 0..1.
        """
        return self._mean_rank(self.zone, x, y)

    def _mean_rank(self, spread: _Spread, x: float, y: float) -> float:
        values = self.surface.at(np.array([x]), np.array([y]))
        ranks = [float(spread.rank(s, value)[0]) for s, value in enumerate(values)]
        return float(np.mean(ranks))

    def _read(self, spline: Floats, x: Floats, y: Floats) -> Floats:
        mesh = self.mesh
        place = [(y - mesh.south) / mesh.step, (x - mesh.west) / mesh.step]
        options: Any = {"order": self.order, "mode": "nearest", "prefilter": False}
        found: Floats = map_coordinates(spline, place, **options)
        return found


def mesh_of(zone: BaseGeometry, *, burial_error: float) -> Mesh:
    """Lay a mesh over a zone: finer for small zones and small burial errors.

    burial_error: standard deviation of the buried position along each axis [m]. Result: with room
    for burial errors on each side.
    """
    west, south, east, north = zone.bounds
    step = min(_COARSEST, np.sqrt(zone.area / _FEWEST))
    if burial_error > 0:
        step = min(step, _PER_SIGMA * burial_error)
    step = max(step, _FINEST, np.sqrt((east - west) * (north - south) / _MOST))
    spare = 2 * (2 + int(np.ceil(_SIGMAS * burial_error / step)))
    columns = int(np.ceil((east - west) / step - _WHOLE)) + spare
    rows = int(np.ceil((north - south) / step - _WHOLE)) + spare
    return Mesh(
        west=float((west + east) / 2 - step * (columns - 1) / 2),
        south=float((south + north) / 2 - step * (rows - 1) / 2),
        step=float(step),
        rows=rows,
        columns=columns,
    )


def pieces_of(shape: BaseGeometry, mesh: Mesh) -> Pieces:
    """Cut a shape by the cells of a mesh, exactly."""
    half = mesh.step / 2
    x, y = mesh.x, mesh.y
    edge = shape.boundary
    shapely.prepare([edge, shape])
    near = np.asarray(shapely.dwithin(edge, shapely.points(x, y), half * np.sqrt(2.0)))
    whole = ~near & shapely.contains_xy(shape, x, y)
    cut = np.flatnonzero(near)
    boxes = shapely.box(x[cut] - half, y[cut] - half, x[cut] + half, y[cut] + half)
    parts = shapely.intersection(boxes, shape)
    area = shapely.area(parts)
    cut, parts, area = cut[area > 0], parts[area > 0], area[area > 0]
    centre, bounds = shapely.centroid(parts), shapely.bounds(parts).reshape(-1, 4)
    full = np.flatnonzero(whole)
    side = np.full(full.size, mesh.step)
    cell = np.concatenate([full, cut])
    order = np.argsort(cell, kind="stable")
    columns = (
        np.concatenate([side**2, area]),
        np.concatenate([x[full], shapely.get_x(centre)]),
        np.concatenate([y[full], shapely.get_y(centre)]),
        np.concatenate([side, bounds[:, 2] - bounds[:, 0]]),
        np.concatenate([side, bounds[:, 3] - bounds[:, 1]]),
    )
    return Pieces(cell[order], *(column[order] for column in columns))


def rank_field(
    surface: Surface, mesh: Mesh, *, basis: Pieces, zone: Pieces, burial_error: float
) -> RankField:
    """Make the field of ranks of a zone.

    burial_error: standard deviation of the buried position along each axis [m].
    """
    values = surface.at(mesh.x, mesh.y)
    slopes = _slopes(values.reshape(-1, mesh.rows, mesh.columns), mesh.step)
    ground = _distribution(values, slopes, mesh, basis)
    first, second = np.zeros(values.shape[1]), np.zeros(values.shape[1])
    for s, value in enumerate(values):
        rank = ground.rank(s, value)
        first += rank / len(values)
        second += rank**2 / len(values)
    fields = np.stack([first, second]).reshape(2, mesh.rows, mesh.columns)
    moments = _buried(fields, burial_error / mesh.step)
    order = 3 if burial_error > 0 else 1
    objective = moments[1] - 2 * TARGET_RANK * moments[0] + TARGET_RANK**2
    spline = spline_filter(objective, order=3, mode="mirror") if order > 1 else objective
    lowest, median, highest = _range(ground)
    return RankField(
        mesh=mesh,
        surface=surface,
        ground=ground,
        zone=_distribution(values, slopes, mesh, zone),
        places=(basis.x, basis.y),
        objective_spline=spline,
        order=order,
        burial_error=burial_error,
        even=highest - lowest <= FIELD_ERROR * median,
        level=highest - median <= FIELD_ERROR * median,
        median=median,
    )


def _range(ground: _Spread) -> tuple[float, float, float]:
    """Return the least, the median and the greatest dryness of the ground, mean over scenarios.

    A fortieth of the ground at each end is left out: a speck is no place for a sensor.
    """
    middle = ground.middle.mean(axis=0)
    if not middle.size:
        return 0.0, 0.0, 0.0
    order = np.argsort(middle, kind="stable")
    below = np.cumsum(ground.area[order]) - ground.area[order] / 2
    found = np.interp(np.array([0.025, 0.5, 0.975]) * ground.area.sum(), below, middle[order])
    return float(found[0]), float(found[1]), float(found[2])


def _distribution(values: Floats, slopes: tuple[Floats, Floats], mesh: Mesh, of: Pieces) -> _Spread:
    """Return the dryness of pieces as the middle and the length of an even spread.

    Within a piece dryness is taken as a plane. Its values then have the variance of the sum of two
    even spreads, one along each axis; a single even spread of that variance stands for them. It is
    exact where dryness rises along an axis of the mesh.
    """
    along_x, along_y = (slope[:, of.cell] for slope in slopes)
    middle = values[:, of.cell]
    middle = middle + along_x * (of.x - mesh.x[of.cell]) + along_y * (of.y - mesh.y[of.cell])
    spread = np.hypot(along_x * of.width, along_y * of.height)
    size = np.ptp(middle, axis=1, keepdims=True)
    least = np.maximum(_TIED * size, 1e-12 * np.abs(middle).max(axis=1, keepdims=True))
    return _Spread(middle, np.maximum(spread, np.maximum(least, 1e-300)), of.area)


def _slopes(values: Floats, step: float) -> tuple[Floats, Floats]:
    """Return the slopes along x and y, shapes (S, N), none larger than twice a one-sided one."""
    slopes = []
    for axis in (2, 1):
        forward = np.diff(values, axis=axis) / step
        first = np.take(forward, [0], axis=axis)
        last = np.take(forward, [-1], axis=axis)
        before = np.concatenate([first, forward], axis=axis)
        after = np.concatenate([forward, last], axis=axis)
        same = before * after > 0
        least = np.minimum(np.abs(before), np.abs(after))
        middle = (before + after) / 2
        limited = np.where(same, np.sign(middle) * np.minimum(np.abs(middle), 2 * least), 0.0)
        slopes.append(limited.reshape(len(values), -1))
    return slopes[0], slopes[1]


def _buried(fields: Floats, sigma: float) -> Floats:
    """Average fields over burial errors; sigma in cells."""
    if sigma <= 0:
        return fields
    return np.array(
        [gaussian_filter(part, sigma, mode="nearest", truncate=_SIGMAS) for part in fields]
    )
