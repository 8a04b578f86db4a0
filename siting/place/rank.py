"""Area rank of dryness as a smooth field over a zone, and how likely a point is what it says.

The samples of dryness come from a raster whose origin means nothing. They are carried, as smooth
surfaces, onto a mesh that is centred on the zone itself; every cell of it counts with the exact
area it has in the ground, and its dryness is spread over the range that it has within the cell. So
the rank is an area integral, and moving the raster's origin changes nothing but the error of the
interpolation.

Between the samples the surface is a cubic spline, held near the four samples around a place, so
that a jump makes no ripples. Where the lattice has gaps it is continued from the nearest samples.

Three things stand between the map of dryness and the ground: the scenarios, the point's own burial
error, and what deviates from place to place: an application pattern that nobody measured and the
field's own error. A few crowns that nobody drew come on top.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final, NamedTuple

import numpy as np
import scipy
import shapely
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats, Ints
from siting.evidence.field import Learned, covariance
from siting.zones.application import Unevenness

_OFF_LATTICE: Final = 1e-3  # how far a sample may lie from its node, in steps
_LARGEST: Final = 20_000_000  # nodes of a lattice beyond which samples are no lattice
_FEW: Final = 600  # up to so many samples are continued by a radial basis
_FEWEST_FOR_A_BEND: Final = 6  # with fewer there is no bend to follow
_PAD: Final = 6  # nodes around the samples that are filled too
_CURVED: Final = 2  # how many layers of nodes follow a parabola
_RIM: Final = 3  # nodes beyond the lattice that spare looking where it ends
_LAYERS: Final = 4  # how many of them are extrapolated; beyond, the nearest node is copied
_ROOM: Final = 0.25  # how far, in second differences, a surface may leave the samples around it


@dataclass(frozen=True)
class Surface:
    """Values anywhere from samples on a lattice (else at the nearest sample).

    coefficients (S, rows, columns): cubic spline coefficients on a lattice, row 0 is the
    southernmost; low, high (S, rows - 1, columns - 1): between which values the surface is held in
    each square of the lattice; west, south, step: first node and spacing [m]. Where the samples
    make no lattice: tree, their index, and nearest (S, P), their values.
    """

    coefficients: Floats
    low: Floats
    high: Floats
    west: float
    south: float
    step: float
    tree: scipy.spatial.cKDTree | None = None
    nearest: Floats = field(default_factory=lambda: np.empty((0, 0)))

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return the values at points.

        x, y (N,): points, beyond the lattice its nearest edge is read [m]. Result: in the unit of
        the samples, shape (S, N).
        """
        if self.tree is not None:
            _, nearest = self.tree.query(np.column_stack([x, y]))
            found: Floats = self.nearest[:, nearest]
            return found
        along_x, along_y = self._nodes(x, y)
        near = self.coefficients[:, along_y.nodes[:, None], along_x.nodes]
        result: Floats = np.einsum("srcn,rn,cn->sn", near, along_y.weights, along_x.weights)
        square = slice(None), along_y.first, along_x.first
        return np.clip(result, self.low[square], self.high[square], out=result)

    def over(self, mesh: Mesh) -> Floats:
        """Return the values in the middle of every cell of a mesh, shape (S, rows * columns).

        They are the same as `at` those points; along each axis weights are found once.
        """
        if self.tree is not None:
            return self.at(mesh.x, mesh.y)
        along_x, along_y = self._nodes(mesh.across, mesh.up)
        between: Floats = sum(
            weight[:, None] * self.coefficients[:, node]
            for node, weight in zip(along_y.nodes, along_y.weights, strict=True)
        )
        result: Floats = sum(
            weight * between[:, :, node]
            for node, weight in zip(along_x.nodes, along_x.weights, strict=True)
        )
        square = slice(None), along_y.first[:, None], along_x.first
        np.clip(result, self.low[square], self.high[square], out=result)
        return result.reshape(len(result), -1)

    def _nodes(self, x: Floats, y: Floats) -> tuple[_Nodes, _Nodes]:
        """Return the nodes along each axis on which the surface rests at places [m]."""
        rows, columns = self.coefficients.shape[1:]
        return (
            _nodes_about((x - self.west) / self.step, columns),
            _nodes_about((y - self.south) / self.step, rows),
        )


class _Nodes(NamedTuple):
    """Nodes on which a surface rests along one axis.

    nodes, weights (4, N): the four about each place, and their cubic B-splines there; first (N,):
    where the square begins that a place lies in.
    """

    nodes: Ints
    weights: Floats
    first: Ints


def _nodes_about(place: Floats, count: int) -> _Nodes:
    """Return the nodes about places [steps]; the row of nodes is mirrored at its ends."""
    place = np.clip(place, 0.0, count - 1.0)
    before = place.astype(np.int64)
    ahead = place - before
    left = 1.0 - ahead
    inner = [(3.0 * part * part * (part - 2.0) + 4.0) / 6.0 for part in (ahead, left)]
    weights = np.stack([left**3 / 6.0, *inner, ahead**3 / 6.0])
    nodes = np.abs(before + np.arange(-1, 3)[:, None])
    nodes = np.minimum(nodes, 2 * (count - 1) - nodes)
    return _Nodes(nodes, weights, np.minimum(before, count - 2))


def surface_through(x: Floats, y: Floats, values: Floats) -> Surface:
    """Make a surface.

    x, y (P,): samples, ideally some of the nodes of a square lattice [m]; values (S, P): one row
    per surface.
    """
    step = _spacing(x, y)
    if step > 0:
        column = np.rint((x - x.min()) / step).astype(np.int64) + _PAD
        row = np.rint((y - y.min()) / step).astype(np.int64) + _PAD
        west, south = float(x.min()) - _PAD * step, float(y.min()) - _PAD * step
        off = np.hypot(west + column * step - x, south + row * step - y)
        shape = (int(row.max()) + _PAD + 1, int(column.max()) + _PAD + 1)
        if off.max() < _OFF_LATTICE * step and shape[0] * shape[1] < _LARGEST:
            filled = _filled(shape, row, column, values)
            spline = filled
            for axis in (1, 2):
                spline = scipy.ndimage.spline_filter1d(spline, order=3, axis=axis, mode="mirror")
            return Surface(spline, *_held(filled), west, south, step)
    tree, none = scipy.spatial.cKDTree(np.column_stack([x, y])), np.empty((0, 0, 0))
    return Surface(none, none, none, 0.0, 0.0, 0.0, tree, values)


def _held(values: Floats) -> tuple[Floats, Floats]:
    """Return between which values a surface stays in each square of the lattice: those of its
    corners, with room for what all four agree that it bends by."""  # noqa: D205, D209
    room: Floats = np.zeros(1)
    for bend in _bends(values):
        low, high = _extremes(bend)
        room = room + np.maximum(np.maximum(low, -high), 0.0)  # 0 where they bend both ways
    low, high = _extremes(values)
    return low - _ROOM * room, high + _ROOM * room


def _extremes(values: Floats) -> tuple[Floats, Floats]:
    """Return the least and the greatest of the four corners of each square."""
    pairs = (values[:, :, :-1], values[:, :, 1:])
    low, high = np.minimum(*pairs), np.maximum(*pairs)
    return np.minimum(low[:, :-1], low[:, 1:]), np.maximum(high[:, :-1], high[:, 1:])


def _bends(values: Floats) -> Floats:
    """Return the second differences along x and y, zero on the outermost nodes."""
    along_x, along_y = np.zeros_like(values), np.zeros_like(values)
    along_x[:, :, 1:-1] = values[:, :, 2:] - 2 * values[:, :, 1:-1] + values[:, :, :-2]
    along_y[:, 1:-1] = values[:, 2:] - 2 * values[:, 1:-1] + values[:, :-2]
    return np.stack([along_x, along_y])


def _filled(shape: tuple[int, int], row: Ints, column: Ints, values: Floats) -> Floats:
    """Put samples on the lattice and continue them: parabolas, then lines, then copies."""
    wide = shape[0] + 2 * _RIM, shape[1] + 2 * _RIM
    grid, known = np.zeros((len(values), *wide)), np.zeros(wide, dtype=np.bool_)
    within = (slice(_RIM, -_RIM), slice(_RIM, -_RIM))
    grid[:, row + _RIM, column + _RIM] = values
    known[row + _RIM, column + _RIM] = True
    low, high = values.min(axis=1), values.max(axis=1)
    room = (high - low) / 2
    if row.size <= _FEW and row.size >= _FEWEST_FOR_A_BEND:
        _bend(grid[:, *within], known[within], row, column)
    for layer in range(_LAYERS):
        _one_layer(grid, known, highest=2 if layer < _CURVED else 1)
    grid, known = grid[:, *within], known[within]
    nearest = scipy.ndimage.distance_transform_edt(
        ~known, return_distances=False, return_indices=True
    )
    grid = grid[:, nearest[0], nearest[1]]
    return np.clip(grid, (low - room)[:, None, None], (high + room)[:, None, None])


def _bend(grid: Floats, known: Flags, row: Ints, column: Ints) -> None:
    """Continue few samples in all directions at once, in place: a radial basis about a plane.

    In a bed two or three cells wide no line of samples is long enough to follow.
    """
    near = (
        scipy.ndimage.binary_dilation(
            known, structure=np.ones((3, 3), dtype=np.bool_), iterations=_CURVED + 1
        )
        & ~known
    )
    at = np.argwhere(near)
    samples = np.column_stack([row, column]).astype(float)
    if np.linalg.matrix_rank(samples - samples.mean(axis=0)) < 2:  # noqa: PLR2004
        return  # samples in one line say nothing of what lies beside it
    grid[:, at[:, 0], at[:, 1]] = _continued(samples, grid[:, row, column], at)
    known[at[:, 0], at[:, 1]] = True


def _continued(samples: Floats, values: Floats, at: Ints) -> Floats:
    """Return a surface of least bend at places: cubes of distances to the samples and a plane.

    samples (P, 2), at (N, 2): places in steps; values (S, P): of the samples. Result: (S, N).
    """
    middle, size = samples.mean(axis=0), np.ptp(samples, axis=0).max()

    def basis(places: Floats) -> Floats:
        (row, column), (rows, columns) = places.T[:, :, None], samples.T
        apart = (row - rows) ** 2 + (column - columns) ** 2
        plane = np.ones(len(places)), *((places - middle) / size).T
        return np.column_stack([apart * np.sqrt(apart), *plane])

    known = basis(samples)
    plane = np.vstack([known[:, -3:], np.zeros((3, 3))])  # what the cubes leave to the plane
    system = np.column_stack([np.vstack([known[:, :-3], known[:, -3:].T]), plane])
    share = np.linalg.solve(system, np.vstack([values.T, np.zeros((3, len(values)))]))
    found: Floats = (basis(at.astype(float)) @ share).T
    return found


def _one_layer(grid: Floats, known: Flags, *, highest: int) -> None:
    """Extrapolate into the nodes beside known ones, from all four sides alike, in place.

    The outermost three nodes are a rim, never known.
    """
    at = np.flatnonzero(_beside(known))
    columns = known.shape[1]
    sides = np.array([[1], [-1], [columns], [-columns]])
    ahead = at + np.arange(1, highest + 2)[:, None, None] * sides  # (degrees, sides, nodes)
    able = np.logical_and.accumulate(known.ravel()[ahead], axis=0)
    order = able.any(axis=1).sum(axis=0) - 1
    values = grid.reshape(len(grid), -1)
    one, two, *three = values[:, ahead].swapaxes(0, 1)
    way = np.where(order == 0, one, 2 * one - two)
    if three:
        way = np.where(order == 2, 3 * one - 3 * two + three[0], way)  # noqa: PLR2004
    used = able[order, :, np.arange(at.size)].T
    values[:, at] = np.where(used, way, 0.0).sum(axis=1) / used.sum(axis=0)
    known.ravel()[at] = True


def _beside(known: Flags) -> Flags:
    """Tell which nodes within the rim are beside known ones and not known themselves."""
    beside = scipy.ndimage.binary_dilation(known) & ~known
    inside = np.zeros_like(known)
    inside[_RIM:-_RIM, _RIM:-_RIM] = True
    return beside & inside


def _spacing(x: Floats, y: Floats) -> float:
    """Return the smallest gap between coordinates, or 0 when all coincide."""
    gaps = np.concatenate([np.diff(np.unique(_rounded(x))), np.diff(np.unique(_rounded(y)))])
    return float(gaps.min(initial=np.inf)) if gaps.size else 0.0


def _rounded(values: Floats) -> Floats:
    """Round coordinates to a hundredth of a millimetre."""
    rounded: Floats = np.round(values - values.min(), 5)
    return rounded


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
_CRUMB: Final = 1e-12  # less of a cell is what rounding leaves
_ASIDE: Final = 1e-9  # in cells, to know on which side of a line a place is


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
    def across(self) -> Floats:
        """Centres of the columns [m]."""
        return np.asarray(self.west + self.step * np.arange(self.columns), dtype=float)

    @property
    def up(self) -> Floats:
        """Centres of the rows [m]."""
        return np.asarray(self.south + self.step * np.arange(self.rows), dtype=float)

    @property
    def x(self) -> Floats:
        """Centres, shape (rows * columns,) [m]."""
        return np.tile(self.across, self.rows)

    @property
    def y(self) -> Floats:
        """Centres, shape (rows * columns,) [m]."""
        return np.repeat(self.up, self.columns)


class Pieces(NamedTuple):
    """The part of each cell that lies in a shape; cells without any are left out.

    cell (K,): row-major index of the cell; area (K,): area in the shape [m²]; x, y (K,): centroid
    of that part [m]; width, height (K,): extent of that part [m].
    """

    cell: Ints
    area: Floats
    x: Floats
    y: Floats
    width: Floats
    height: Floats


@dataclass(frozen=True)
class _Spread:
    """Dryness of pieces, shape (S, K), over the range that it has in each, and their areas (K,)."""

    middle: Floats
    range: Floats
    area: Floats

    def rank(self, scenario: int, values: Floats) -> Floats:
        """Return the share of the area that is less dry than the values, shape of `values`."""
        dryness, share = self._below
        found: Floats = np.interp(values, dryness[scenario], share[scenario])
        return found

    @cached_property
    def _below(self) -> tuple[Floats, Floats]:
        """Dryness where a piece begins or ends, ascending, and share of the area that is less dry,
        shapes (S, 2 K)."""  # noqa: D205, D209
        half, slope = self.range / 2, self.area / self.range
        ends = np.concatenate([self.middle - half, self.middle + half], axis=1)
        order = np.argsort(ends, axis=1)
        ends = np.take_along_axis(ends, order, axis=1)
        rise = np.take_along_axis(np.concatenate([slope, -slope], axis=1), order, axis=1)
        area = np.cumsum(rise, axis=1)[:, :-1] * np.diff(ends, axis=1)
        below = np.zeros(ends.shape)
        np.cumsum(area, axis=1, out=below[:, 1:])
        return ends, below / below[:, -1:]


@dataclass(frozen=True)
class RankField:
    """Ranks over a zone, for points anywhere.

    mesh: the cells; surface: dryness per scenario; ground: its distribution over the admissible
    (else open) ground; places (K,): x and y of the pieces of `ground` [m]; objective_spline (rows,
    columns): spline coefficients of the expected squared distance from the target rank, over
    scenarios and burial errors; order: order of the spline; burial_error: standard deviation of the
    buried position along each axis [m]; even: whether all of the ground dries alike, within the
    field's own error; level: whether its drier half does: then no place in it is the driest;
    median: dryness that half of the ground exceeds, mean over scenarios.
    """

    mesh: Mesh
    surface: Surface
    ground: _Spread
    places: tuple[Floats, Floats]
    objective_spline: Floats
    order: int
    burial_error: float
    even: bool
    level: bool
    median: float

    @cached_property
    def some(self) -> tuple[Ints, Floats]:
        """Places of the ground that stand for all of it, and the share that each stands for."""
        return _some(self.ground.area, self.ground.middle.mean(axis=0))

    def in_drier_half(self, x: Floats, y: Floats) -> Flags:
        """Return whether points, shapes (N,) [m], lie in the drier half of the ground."""
        drier: Flags = self.surface.at(x, y).mean(axis=0) >= self.median
        return drier

    def objective(self, x: Floats, y: Floats) -> Floats:
        """Return the expected squared distance from the target rank.

        Over scenarios and burial errors. An error that leaves the zone reads how dry the zone would
        be there, so that neither edges nor open ground look any safer.

        x, y (N,): points [m]. Result: in squared rank [-], shape (N,).
        """
        return self._read(self.objective_spline, x, y)

    def as_good(self, point: tuple[float, float], x: Floats, y: Floats) -> Flags:
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
        equal: Flags = np.abs(self._miss(x, y) - self._miss(*at)) <= error
        return equal

    def _miss(self, x: Floats, y: Floats) -> Floats:
        """Return the expected miss of the target rank, root of a mean square [-]."""
        return np.sqrt(np.maximum(self.objective(x, y), 0.0))

    def rank(self, x: Floats, y: Floats) -> Floats:
        """Return the mean rank over scenarios among the admissible ground.

        x, y (N,): points [m]. Result: share of that ground that is less dry, 0..1, shape (N,).
        """
        values = self.surface.at(x, y)
        ranks = np.stack([self.ground.rank(s, value) for s, value in enumerate(values)], axis=-1)
        mean: Floats = ranks.mean(axis=-1)
        return mean

    def _read(self, spline: Floats, x: Floats, y: Floats) -> Floats:
        mesh = self.mesh
        place = [(y - mesh.south) / mesh.step, (x - mesh.west) / mesh.step]
        options: Any = {"order": self.order, "mode": "nearest", "prefilter": False}
        found: Floats = scipy.ndimage.map_coordinates(spline, place, **options)
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
    """Cut a shape by the cells of a mesh, exactly.

    The outline, cut at the sides of the cells, has the ground on its right. Going north, a stretch
    of it adds the part of its cell that lies east of it, and the whole width of the cells farther
    east; going south it takes them away (Green's theorem, cell by cell).
    """
    u, v, cell = _stretches(shape, mesh)
    size = mesh.rows, mesh.columns
    run, rise = u[1] - u[0], v[1] - v[0]
    all_u, all_v, moment = u[0] + u[1], v[0] + v[1], rise * (v[0] + v[1]) / 2

    def summed(parts: Floats) -> Floats:
        sums = np.asarray(np.bincount(cell, parts, size[0] * size[1]), dtype=float)
        return sums.reshape(size)

    passed, shut, raised = summed(rise), summed(-run), summed(moment)
    # The shares of the western and of the southern side of each cell that lie in the shape.
    west, south = np.cumsum(passed, axis=1) - passed, np.cumsum(shut, axis=0) - shut
    area = west + summed(rise * (1 - all_u / 2))
    across = west / 2 + summed(rise * (1 / 2 - (all_u**2 - u[0] * u[1]) / 6))
    up = np.cumsum(raised, axis=1) - raised
    up += summed(moment - rise * (all_u * all_v + u[0] * v[0] + u[1] * v[1]) / 6)
    cut = summed(np.ones(cell.size)) > 0
    at = np.flatnonzero(area > np.where(cut, _CRUMB, _HALF))
    left, right = _reached(u, cell, west, west + passed)
    low, high = _reached(v, cell, south, south + shut)
    share, across, up, width, height = (
        np.where(cut, part, whole).ravel()[at]
        for part, whole in (
            (area, 1.0), (across, 0.5), (up, 0.5), (right - left, 1.0), (high - low, 1.0)
        )
    )  # fmt: skip
    return Pieces(
        cell=at,
        area=share * mesh.step**2,
        x=mesh.x[at] + mesh.step * (across / share - 0.5),
        y=mesh.y[at] + mesh.step * (up / share - 0.5),
        width=mesh.step * width,
        height=mesh.step * height,
    )


def _stretches(shape: BaseGeometry, mesh: Mesh) -> tuple[Floats, Floats, Ints]:
    """Cut the outline of a shape at the sides of the cells of a mesh.

    Result: places east and north in its cell of where each stretch begins and ends, shapes (2, T),
    and its cell (T,), the one on its right where it lies on a side.
    """
    rings = shapely.get_rings(shapely.get_parts(shapely.normalize(shape)))  # ground on their right
    corners, ring = shapely.get_coordinates(rings, return_index=True)
    corners = (corners - (mesh.west, mesh.south)) / mesh.step + 0.5
    joined = ring[1:] == ring[:-1]
    first, last = corners[:-1][joined], corners[1:][joined]
    every = np.arange(len(first))
    below = np.floor(np.minimum(first, last))
    count = np.maximum(np.ceil(np.maximum(first, last)) - below - 1, 0).astype(np.int64)
    edges, shares, places = [every], [np.zeros(every.size)], [first]
    for axis in (0, 1):
        edge = np.repeat(every, count[:, axis])
        ahead = np.arange(edge.size) - np.repeat(
            np.cumsum(count[:, axis]) - count[:, axis], count[:, axis]
        )
        side = below[edge, axis] + 1 + ahead
        way = (last - first)[edge]
        share = (side - first[edge, axis]) / way[:, axis]
        place = first[edge] + share[:, None] * way
        place[:, axis] = side
        edges, shares, places = [*edges, edge], [*shares, share], [*places, place]
    edge, share = np.concatenate([*edges, every]), np.concatenate([*shares, np.ones(every.size)])
    order = np.lexsort((share, edge))
    place, same = np.concatenate([*places, last])[order], np.diff(edge[order]) == 0
    ends = np.stack([place[:-1][same], place[1:][same]])
    way = ends[1] - ends[0]
    rightwards = np.sign(np.column_stack([way[:, 1], -way[:, 0]]))
    corner = np.floor(ends.mean(axis=0) + _ASIDE * rightwards)
    cell = (corner[:, 1] * mesh.columns + corner[:, 0]).astype(np.int64)
    inside = ends - corner
    return inside[:, :, 0], inside[:, :, 1], cell


def _reached(ends: Floats, cell: Ints, before: Floats, behind: Floats) -> tuple[Floats, Floats]:
    """Return from where to where a shape reaches in each cell along one axis, in its sides.

    ends (2, T), cell (T,): of stretches of the outline; before, behind (rows, columns): shares of
    the two sides across that axis that lie in the shape.
    """
    least, most = np.ones(before.size), np.zeros(before.size)
    np.minimum.at(least, cell, ends.min(axis=0))
    np.maximum.at(most, cell, ends.max(axis=0))
    low = np.where(before > _CRUMB, 0.0, least.reshape(before.shape))
    high = np.where(behind > _CRUMB, 1.0, most.reshape(before.shape))
    return low, high


def rank_field(
    surface: Surface,
    mesh: Mesh,
    *,
    basis: Pieces,
    burial_error: float,
    learned: Learned | None = None,
) -> RankField:
    """Make the field of ranks of a zone.

    burial_error: standard deviation of the buried position along each axis [m]; learned: what
    readings leave open differs from place to place, so the objective is an average over draws.
    """
    values = surface.over(mesh)
    slopes = _slopes(values.reshape(-1, mesh.rows, mesh.columns), mesh.step)
    ground = _distribution(values, slopes, mesh, basis)
    first, second = np.zeros(values.shape[1]), np.zeros(values.shape[1])
    each = [(ground, values)] if learned is None else _drawn(learned, ground, values, mesh, basis)
    for among, here in each:
        for s, value in enumerate(here):
            rank = among.rank(s, value)
            first += rank / (len(values) * len(each))
            second += rank**2 / (len(values) * len(each))
    fields = np.stack([first, second]).reshape(2, mesh.rows, mesh.columns)
    moments = _buried(fields, burial_error / mesh.step)
    order = 3 if burial_error > 0 else 1
    objective = moments[1] - 2 * TARGET_RANK * moments[0] + TARGET_RANK**2
    spline = (
        scipy.ndimage.spline_filter(objective, order=3, mode="mirror") if order > 1 else objective
    )
    lowest, median, highest = _range(ground)
    return RankField(
        mesh=mesh,
        surface=surface,
        ground=ground,
        places=(basis.x, basis.y),
        objective_spline=spline,
        order=order,
        burial_error=burial_error,
        even=highest - lowest <= FIELD_ERROR * median,
        level=highest - median <= FIELD_ERROR * median,
        median=median,
    )


def _drawn(
    learned: Learned, ground: _Spread, values: Floats, mesh: Mesh, basis: Pieces
) -> list[tuple[_Spread, Floats]]:
    """Return ground and mesh as they may be, where readings leave more open here than there."""
    count = len(values)
    drawn = np.exp(learned.draws(mesh.x, mesh.y, count * _DRAWS)).reshape(_DRAWS, count, -1)
    return [
        (replace(ground, middle=ground.middle * part[:, basis.cell]), values * part)
        for part in drawn
    ]


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
        least = np.minimum(2 * np.maximum(before, after), 0.0)
        most = np.maximum(2 * np.minimum(before, after), 0.0)
        limited = np.clip((before + after) / 2, least, most)
        slopes.append(limited.reshape(len(values), -1))
    return slopes[0], slopes[1]


def _buried(fields: Floats, sigma: float) -> Floats:
    """Average fields over burial errors; sigma in cells."""
    if sigma <= 0:
        return fields
    buried: Floats = scipy.ndimage.gaussian_filter(
        fields, (0.0, sigma, sigma), mode="nearest", truncate=_SIGMAS
    )
    return buried


#: Over this distance the field's own error is alike; judgement, no source [m].
FIELD_REACH_M: Final = 2.0
#: Share of open ground in the shade of a crown that the drawing lacks; judgement, no source.
UNDRAWN_SHADE: Final = 0.02
_QUARTER, _HALF = 0.75, 0.5
_NODES: Final = 12  # values of the deviation at the point, each as likely
_PLACES: Final = 128  # places of the ground among which a point is ranked
_SCENARIOS: Final = 8  # of those drawn, at most so many are followed
_TERMS: Final = 4  # of the expansion of a covariance of two indicators
_DRAWS: Final = 8  # of what readings leave open, for each level of the obstacles
_GOLDEN: Final = (np.sqrt(5.0) - 1) / 2
_LEAST: Final = 1e-7  # variance of a rank below which it is taken as sure
_ARM: Final = np.sqrt(3.0)  # cubature of a normal error in the plane: middle and four arms
_OFFSETS: Final = np.array([[0, 0], [_ARM, 0], [-_ARM, 0], [0, _ARM], [0, -_ARM]])
_WEIGHTS: Final = np.array([1 / 3, 1 / 6, 1 / 6, 1 / 6, 1 / 6])


class Chances(NamedTuple):
    """What is expected of the true rank of a point, among the ground where a sensor may lie.

    Parameters
    ----------
    expected_rank : float
        Mean of the share of that ground that is less dry, 0..1.
    driest_quarter, wetter_half : float
        Chance that the point lies in the driest quarter of it, and in the wetter half, 0..1.
    """

    expected_rank: float
    driest_quarter: float
    wetter_half: float


class _Deviation(NamedTuple):
    """How local dryness deviates from the map: a lognormal field that is a sum of two.

    variances, reaches (2,): of the logarithm: the application's, then the field's own.
    """

    variances: Floats
    reaches: Floats

    @property
    def sigma(self) -> float:
        """Standard deviation of the logarithm."""
        return float(np.sqrt(self.variances.sum()))

    def alike(self, squared: Floats) -> Floats:
        """Return the correlation at squared distances [m²], any shape."""
        parts = [
            variance * (np.exp(-squared / (2 * reach**2)) if reach > 0 else squared == 0)
            for variance, reach in zip(self.variances, self.reaches, strict=True)
        ]
        return np.asarray(sum(parts) / self.variances.sum(), dtype=float)


def chances_at(
    ranks: RankField,
    points: Sequence[tuple[float, float]],
    unknown: Unevenness,
    *,
    tested: bool = False,
) -> list[Chances]:
    """Return what is expected of the true rank of points, with everything unknown in it.

    Local dryness is the map's times a lognormal field: application of the given coefficient of
    variation, and `FIELD_ERROR`. With z the deviation at a point in standard deviations and r(d)
    the correlation, the ground at distance d deviates by r z on average and sqrt(1 - r²) about it,
    so the mean rank given z is a mean of normal probabilities over the ground. What the rank varies
    by about that mean is the covariance of two such indicators, averaged over pairs of places:
    Mehler's expansion in Hermite polynomials. A beta distribution of that mean and variance stands
    for the rank given z, the scenario and the burial error: good where deviations reach no farther
    than about a third of the ground. No random numbers are needed.

    points: x and y of each [m]. Result: of each, of the ground where a sensor may lie.

    Mehler, F. G. (1866), for the expansion of the bivariate normal density.
    """
    cv = unknown.cv if not tested or unknown.cv_tested is None else unknown.cv_tested
    deviation = _Deviation(
        np.array([np.log1p(cv**2), np.log1p(FIELD_ERROR**2)]),
        np.array([unknown.reach, FIELD_REACH_M]),
    )
    some, weight = ranks.some
    places = np.column_stack([part[some] for part in ranks.places])
    scenarios = np.unique(
        np.linspace(0, len(ranks.ground.middle) - 1, _SCENARIOS).round().astype(int)
    )
    around = np.asarray(points)[:, None] + ranks.burial_error * _OFFSETS  # (points, offsets, 2)
    here = ranks.surface.at(*around.reshape(-1, 2).T)[scenarios]
    ground = ranks.ground.middle[np.ix_(scenarios, some)]
    size = np.maximum(np.abs(ground).max(axis=1, keepdims=True), 1e-300)
    here, ground = np.maximum(here / size, 1e-9), np.maximum(ground / size, 1e-9)
    here, drier = np.log(here).reshape(-1, *around.shape[:2]), np.log(ground)
    # Within a piece of ground dryness is spread over a range: a little more to differ by.
    inside = (ranks.ground.range[np.ix_(scenarios, some)] / size / ground) ** 2 / 12
    known = 0.0
    if cv < unknown.cv:
        known = float(np.log1p(unknown.cv**2) - np.log1p(cv**2))
        inside = inside + known
    learned = unknown.learned
    left = _Even(deviation, places, known) if learned is None else _Left(learned, places)
    chances = []
    for k, offsets in enumerate(around):
        lift = _lift(here[:, k, :1] - drier, np.sqrt(known), weight) if known else 0.0
        drier_by = here[:, k].T[:, :, None] + lift - drier
        found = left.expected(drier_by, inside, weight, offsets)
        chances.append(_under_crowns(*_WEIGHTS @ found))
    return chances


def _lift(drier_by: Floats, known: float, weight: Floats) -> float:
    """Return by how much a point chosen once `known` is known is drier than the map's, in logs."""

    def rank(lift: float) -> float:
        return float((scipy.special.ndtr((drier_by + lift) / known) @ weight).mean())

    low, high = 0.0, 4.0 * known
    if rank(low) >= TARGET_RANK:
        return low
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (low, middle) if rank(middle) >= TARGET_RANK else (middle, high)
    return high


def _under_crowns(rank: float, quarter: float, half: float) -> Chances:
    """Add crowns that nobody drew: a point in the shade of one is the moistest there is."""
    clear = 1.0 - UNDRAWN_SHADE
    return Chances(float(clear * rank), float(clear * quarter), float(UNDRAWN_SHADE + clear * half))


class _Even:
    """Places of a ground that deviates by as much everywhere.

    known: variance that is known by the time the point is chosen, each place's own here: it sets
    places apart without being a doubt that they share.
    """

    def __init__(self, deviation: _Deviation, places: Floats, known: float = 0.0) -> None:
        self._deviation, self._places, self._known = deviation, places, known
        self._z = _cases()
        x, y = places.T
        apart = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
        self._apart = deviation.alike(apart)

    def expected(self, drier_by: Floats, inside: Floats, weight: Floats, at: Floats) -> Floats:
        """Return mean rank, chance of the driest quarter and of the wetter half, over all cases.

        drier_by (N, S, K): logarithm of dryness at points over that of each place; inside (S, K):
        variance within a place; at (N, 2): the points [m]. Result: of each point, shape (N, 3).
        """
        sigma = self._deviation.sigma
        alike = self._deviation.alike(((self._places - at[:, None]) ** 2).sum(axis=2))
        free = np.maximum(1 - alike**2, 1e-9)
        limit = (drier_by / sigma)[:, :, None] + ((1 - alike)[:, None] * self._z)[:, None]
        limit /= np.sqrt(free[:, None] + inside / sigma**2)[:, :, None]
        left = self._apart - alike[:, :, None] * alike[:, None]
        scale = np.sqrt(free + self._known / sigma**2)
        left /= scale[:, :, None] * scale[:, None]
        return _ranked(limit, left, weight)


class _Left:
    """What readings leave open of places, in logarithms of dryness, and the field's own error."""

    def __init__(self, learned: Learned, places: Floats) -> None:
        self._learned, self._places, self._z = learned, places, _cases()
        self._among = self._covariance(places, places)

    def _covariance(self, one: Floats, other: Floats) -> Floats:
        own = covariance(one, other, float(np.log1p(FIELD_ERROR**2)), FIELD_REACH_M)
        return np.asarray(self._learned.covariance(one, other) + own)

    def expected(self, drier_by: Floats, inside: Floats, weight: Floats, at: Floats) -> Floats:
        """Return what `_Even` does, where deviations differ from place to place."""
        own = np.sqrt(np.maximum(np.diag(self._covariance(at, at)), 1e-12))[:, None]
        slope = self._covariance(at, self._places) / own
        left = self._among - slope[:, :, None] * slope[:, None]
        scale = np.sqrt(np.maximum(np.diagonal(left, axis1=1, axis2=2), 1e-12))
        limit = drier_by[:, :, None] + ((own - slope)[:, None] * self._z)[:, None]
        limit /= np.sqrt(scale[:, None] ** 2 + inside)[:, :, None]
        left /= scale[:, :, None] * scale[:, None]
        return _ranked(limit, left, weight)


def _cases() -> Floats:
    """Return the values of the deviation at a point, in standard deviations, shape (12, 1)."""
    values: Floats = scipy.special.ndtri((np.arange(_NODES) + 0.5) / _NODES)
    return values[:, None]


def _ranked(limit: Floats, pairs: Floats, weight: Floats) -> Floats:
    """Return mean rank and its two chances, given where each place is passed, and how alike two
    places are once the point is known, shapes (N, ..., K) and (N, K, K)."""  # noqa: D205, D209
    limit = limit.reshape(len(limit), -1, weight.size)
    mean = scipy.special.ndtr(limit) @ weight
    variance = _indicator_variance(limit, np.clip(pairs, -1.0, 1.0, out=pairs), weight)
    return np.stack([mean.mean(axis=1), *_beyond(mean, variance)], axis=1)


def _beyond(mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Return the mean chances that beta variates, shape (N, C), lie above 0.75 and below 0.5."""
    most = mean * (1 - mean)
    sure = (variance < _LEAST) | (most < _LEAST)
    size = np.where(sure, 1.0, np.maximum(most / np.maximum(variance, _LEAST) - 1, 1e-3))
    a, b = (np.maximum(size * part, 1e-9) for part in (mean, 1 - mean))
    quarter = np.where(sure, mean >= _QUARTER, 1 - scipy.special.betainc(a, b, _QUARTER))
    half = np.where(sure, mean < _HALF, scipy.special.betainc(a, b, _HALF))
    return quarter.mean(axis=1), half.mean(axis=1)


def _some(weight: Floats, dryness: Floats) -> tuple[Ints, Floats]:
    """Return places of every dryness, each the middle of an equal share of the ground, and shares.

    Of equal dryness they are scattered, so that no row of the mesh is favoured.
    """
    if weight.size <= _PLACES:
        return np.arange(weight.size), weight / weight.sum()
    scattered = np.argsort((np.arange(weight.size) * _GOLDEN) % 1.0)
    level = np.round((dryness - dryness.min()) / max(float(np.ptp(dryness)), 1e-300), 2)
    order = scattered[np.argsort(level[scattered], kind="stable")]
    middle = (np.cumsum(weight[order]) - weight[order] / 2) / weight.sum()
    at = np.searchsorted(middle, (np.arange(_PLACES) + 0.5) / _PLACES)
    return order[np.minimum(at, weight.size - 1)], np.full(_PLACES, 1 / _PLACES)


def _indicator_variance(limit: Floats, pairs: Floats, weight: Floats) -> Floats:
    """Return the variance of the area where standard normal fields stay below limits.

    limit (N, C, K): cases of each field; pairs (N, K, K): its correlations; weight (K,): areas.

    In single precision: what four terms leave out is a hundred thousand times what it rounds.
    """
    # cov(1[X<a], 1[Y<b]) = phi(a) phi(b) sum_k r^k / k! He_{k-1}(a) He_{k-1}(b)
    single, alike = limit.astype(np.float32), pairs.astype(np.float32)
    density = np.exp(single**2 / -2) * (weight / np.sqrt(2 * np.pi)).astype(np.float32)
    total, side, power, factor = np.zeros(limit.shape[:2]), density, alike.copy(), 1.0
    before, now = np.ones(1, np.float32), single
    for k in range(1, _TERMS + 1):
        if k > 1:
            factor *= k
            power *= alike
            side = density * now
            before, now = now, single * now - (k - 1) * before
        total += np.einsum("nck,nck->nc", side @ power, side) / factor
    return np.maximum(total, 0.0)
