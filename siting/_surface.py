"""A smooth surface through samples on a square lattice, whatever the lattice's origin.

Between the samples the surface is a cubic spline, held near the four samples around a place, so
that a jump makes no ripples. Where the lattice has gaps it is continued from the nearest samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.ndimage import (
    binary_dilation,
    distance_transform_edt,
    map_coordinates,
    spline_filter,
)
from scipy.spatial import cKDTree

__all__ = ["Surface", "surface_through"]

Floats = NDArray[np.float64]

_OFF_LATTICE: Final = 1e-3  # how far a sample may lie from its node, in steps
_LARGEST: Final = 20_000_000  # nodes of a lattice beyond which samples are no lattice
_FEW: Final = 600  # up to so many samples are continued by a radial basis
_FEWEST: Final = 6  # with fewer there is no bend to follow
_PAD: Final = 6  # nodes around the samples that are filled too
_CURVED: Final = 2  # how many layers of nodes follow a parabola
_LAYERS: Final = 4  # how many of them are extrapolated; beyond, the nearest node is copied
_ROOM: Final = 0.25  # how far, in second differences, a surface may leave the samples around it


@dataclass(frozen=True)
class Surface:
    """Values anywhere from samples on a lattice (else at the nearest sample).

    values (S, rows, columns): the samples, gaps filled, on a lattice row 0 is the southernmost;
    coefficients (S, rows, columns): cubic spline coefficients, empty without a lattice; curvature
    (2, S, rows, columns): second differences along x and y, empty without a lattice; west, south,
    step: first node and spacing [m]; tree: index of the samples where they make no lattice.
    """

    values: Floats
    coefficients: Floats
    curvature: Floats
    west: float
    south: float
    step: float
    tree: cKDTree | None = None

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return the values at points.

        x, y (N,): points, beyond the lattice its nearest edge is read [m]. Result: in the unit of
        the samples, shape (S, N).
        """
        if self.tree is not None:
            _, nearest = self.tree.query(np.column_stack([x, y]))
            found: Floats = self.values[:, nearest]
            return found
        rows, columns = self.values.shape[1:]
        column = np.clip((x - self.west) / self.step, 0.0, columns - 1.0)
        row = np.clip((y - self.south) / self.step, 0.0, rows - 1.0)
        left = np.minimum(column.astype(np.int64), max(columns - 2, 0))
        low = np.minimum(row.astype(np.int64), max(rows - 2, 0))
        right, high = np.minimum(left + 1, columns - 1), np.minimum(low + 1, rows - 1)
        corners = ((low, left), (low, right), (high, left), (high, right))
        result = np.empty((len(self.values), x.size))
        for s, (value, coefficient) in enumerate(zip(self.values, self.coefficients, strict=True)):
            smooth = map_coordinates(coefficient, [row, column], order=3, prefilter=False)
            around = np.stack([value[corner] for corner in corners])
            room = sum(
                _agreed(np.stack([bend[corner] for corner in corners]))
                for bend in (self.curvature[0, s], self.curvature[1, s])
            )
            room = _ROOM * np.asarray(room)
            result[s] = np.clip(smooth, around.min(axis=0) - room, around.max(axis=0) + room)
        return result


def surface_through(x: Floats, y: Floats, values: Floats) -> Surface:
    """Make a surface.

    x, y (P,): samples, ideally some of the nodes of a square lattice [m]; values (S, P): one row
    per surface.
    """
    step = _spacing(x, y)
    none = np.empty((0, 0, 0))
    if step > 0:
        column = np.rint((x - x.min()) / step).astype(np.int64) + _PAD
        row = np.rint((y - y.min()) / step).astype(np.int64) + _PAD
        west, south = float(x.min()) - _PAD * step, float(y.min()) - _PAD * step
        off = np.hypot(west + column * step - x, south + row * step - y)
        shape = (int(row.max()) + _PAD + 1, int(column.max()) + _PAD + 1)
        if off.max() < _OFF_LATTICE * step and shape[0] * shape[1] < _LARGEST:
            filled = _filled(shape, row, column, values)
            spline = np.stack([spline_filter(part, order=3, mode="mirror") for part in filled])
            return Surface(filled, spline, _bends(filled), west, south, step)
    tree = cKDTree(np.column_stack([x, y]))
    return Surface(values, none, none[None], 0.0, 0.0, 0.0, tree)


def _agreed(bends: Floats) -> Floats:
    """Return the least second difference of four corners where all bend the same way, else 0."""
    same = np.abs(np.sign(bends).sum(axis=0)) == len(bends)
    least: Floats = np.where(same, np.abs(bends).min(axis=0), 0.0)
    return least


def _bends(values: Floats) -> Floats:
    """Return the second differences along x and y, zero on the outermost nodes."""
    along_x, along_y = np.zeros_like(values), np.zeros_like(values)
    along_x[:, :, 1:-1] = values[:, :, 2:] - 2 * values[:, :, 1:-1] + values[:, :, :-2]
    along_y[:, 1:-1] = values[:, 2:] - 2 * values[:, 1:-1] + values[:, :-2]
    return np.stack([along_x, along_y])


def _filled(
    shape: tuple[int, int], row: NDArray[np.int64], column: NDArray[np.int64], values: Floats
) -> Floats:
    """Put samples on the lattice and continue them: parabolas, then lines, then copies."""
    grid = np.zeros((len(values), *shape))
    known = np.zeros(shape, dtype=np.bool_)
    grid[:, row, column] = values
    known[row, column] = True
    low, high = values.min(axis=1), values.max(axis=1)
    room = (high - low) / 2
    if row.size <= _FEW and row.size >= _FEWEST:
        grid, known = _bent(grid, known, row, column)
    for layer in range(_LAYERS):
        grid, known = _one_layer(grid, known, highest=2 if layer < _CURVED else 1)
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    grid = grid[:, nearest[0], nearest[1]]
    return np.clip(grid, (low - room)[:, None, None], (high + room)[:, None, None])


def _bent(
    grid: Floats, known: NDArray[np.bool_], row: NDArray[np.int64], column: NDArray[np.int64]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Continue few samples in all directions at once: a radial basis about a plane.

    In a bed two or three cells wide no line of samples is long enough to follow.
    """
    near = (
        binary_dilation(known, structure=np.ones((3, 3), dtype=np.bool_), iterations=_CURVED + 1)
        & ~known
    )
    at = np.argwhere(near)
    samples = np.column_stack([row, column]).astype(float)
    if np.linalg.matrix_rank(samples - samples.mean(axis=0)) < 2:  # noqa: PLR2004
        return grid, known  # samples in one line say nothing of what lies beside it
    basis = RBFInterpolator(samples, grid[:, row, column].T, kernel="cubic", degree=1)
    grid, known = grid.copy(), known.copy()
    grid[:, at[:, 0], at[:, 1]] = basis(at.astype(float)).T
    known[at[:, 0], at[:, 1]] = True
    return grid, known


def _one_layer(
    grid: Floats, known: NDArray[np.bool_], *, highest: int
) -> tuple[Floats, NDArray[np.bool_]]:
    """Extrapolate into the nodes beside known ones, from all four sides alike."""
    rows, columns = known.shape
    at = np.argwhere(binary_dilation(known) & ~known)
    order = np.full(len(at), -1)
    total, count = np.zeros((len(grid), len(at))), np.zeros(len(at))
    for direction in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        steps = [at + k * np.array(direction) for k in (1, 2, 3)]
        inside = [((step >= 0) & (step < (rows, columns))).all(axis=1) for step in steps]
        steps = [np.clip(step, 0, (rows - 1, columns - 1)) for step in steps]
        has = [ok & known[tuple(step.T)] for ok, step in zip(inside, steps, strict=True)]
        one, two, three = (grid[:, step[:, 0], step[:, 1]] for step in steps)
        ways = (one, 2 * one - two, 3 * one - 3 * two + three)
        for degree in range(highest + 1):
            able = np.logical_and.reduce(has[: degree + 1])
            better, equal = able & (degree > order), able & (degree == order)
            total = np.where(better, 0.0, total) + np.where(better | equal, ways[degree], 0.0)
            count = np.where(better, 0.0, count) + (better | equal)
            order = np.where(better, degree, order)
    grid, known = grid.copy(), known.copy()
    grid[:, at[:, 0], at[:, 1]] = total / np.maximum(count, 1)
    known[at[:, 0], at[:, 1]] = True
    return grid, known


def _spacing(x: Floats, y: Floats) -> float:
    """Return the smallest gap between coordinates, or 0 when all coincide."""
    gaps = np.concatenate([np.diff(np.unique(_rounded(x))), np.diff(np.unique(_rounded(y)))])
    return float(gaps.min(initial=np.inf)) if gaps.size else 0.0


def _rounded(values: Floats) -> Floats:
    """Round coordinates to a hundredth of a millimetre."""
    rounded: Floats = np.round(values - values.min(), 5)
    return rounded
