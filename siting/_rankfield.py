"""Area rank as a continuous field over a zone, and its expected error for a buried sensor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import ndtr

__all__ = ["TARGET_RANK", "RankField", "application_sd", "rank_field"]

Floats = NDArray[np.float64]

#: The middle of the driest quarter.
TARGET_RANK: Final = 0.875

_CHUNK: Final = 4096
_TINY: Final = 1e-9
_OFF_LATTICE: Final = 1e-3  # how far a point may lie from its node, in steps


@dataclass(frozen=True)
class RankField:
    """Ranks at points, read between them bilinearly on a lattice (else at the nearest point).

    Parameters
    ----------
    x, y : ndarray, shape (P,)
        Points [m].
    ranks : ndarray, shape (P or more, S)
        Rank per point and scenario, then that of the lattice nodes around the ground, 0..1.
    offsets : ndarray, shape (K, 2)
        Burial errors [m].
    weights : ndarray, shape (K,)
        Their probabilities.
    lattice : ndarray of int, shape (rows, columns), or None
        Row of each lattice node in `ranks`; -1 means "far from the ground".
    west, south, step : float
        First node and spacing of the lattice [m].
    """

    x: Floats
    y: Floats
    ranks: Floats
    offsets: Floats
    weights: Floats
    lattice: NDArray[np.int64] | None
    west: float
    south: float
    step: float

    def read(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return ranks (N, S) and how much ground there is to read them from (N,), 0..1."""
        if self.lattice is None:
            _, nearest = cKDTree(np.column_stack([self.x, self.y])).query(np.column_stack([x, y]))
            found: Floats = self.ranks[nearest]
            return found, np.ones(x.size)
        column, row = (x - self.west) / self.step, (y - self.south) / self.step
        left, low = np.floor(column + _TINY), np.floor(row + _TINY)
        across, up = np.maximum(column - left, 0.0), np.maximum(row - low, 0.0)
        total = np.zeros((x.size, self.ranks.shape[1]))
        mass = np.zeros(x.size)
        for d_column, d_row in ((0, 0), (1, 0), (0, 1), (1, 1)):
            share = np.where(d_column, across, 1 - across) * np.where(d_row, up, 1 - up)
            node = self._node(left.astype(np.int64) + d_column, low.astype(np.int64) + d_row)
            share = np.where(node >= 0, share, 0.0)
            total += share[:, None] * self.ranks[node]
            mass += share
        mean: Floats = total / np.maximum(mass, _TINY)[:, None]
        return mean, np.where(mass > _TINY, mass, 0.0)

    def at(self, x: float, y: float) -> Floats:
        """Return the ranks at one point per scenario, shape (S,)."""
        ranks, mass = self.read(np.array([x]), np.array([y]))
        return ranks[0] if mass[0] > 0 else self._nearest(x, y)

    def objective(self, x: Floats, y: Floats) -> Floats:
        """Return the expected squared distance from the target rank, shape (N,).

        Over scenarios and burial errors. An error that leaves the ground reads the nearest ground.
        """
        parts = [
            self._objective(x[i : i + _CHUNK], y[i : i + _CHUNK]) for i in range(0, x.size, _CHUNK)
        ]
        return np.concatenate(parts) if parts else np.empty(0)

    def spread(self, x: float, y: float) -> float:
        """Return the standard deviation of rank at a point over scenarios and burial errors."""
        ranks, mass = self.read(x + self.offsets[:, 0], y + self.offsets[:, 1])
        weight = self.weights * mass
        if weight.sum() <= 0:
            return float(np.std(self._nearest(x, y)))
        weight = weight / weight.sum()
        mean = float(weight @ ranks.mean(axis=1))
        return float(np.sqrt(weight @ ((ranks - mean) ** 2).mean(axis=1)))

    def _objective(self, x: Floats, y: Floats) -> Floats:
        many_x = (x[:, None] + self.offsets[:, 0]).ravel()
        many_y = (y[:, None] + self.offsets[:, 1]).ravel()
        ranks, ground = self.read(many_x, many_y)
        error = ((ranks - TARGET_RANK) ** 2).mean(axis=1).reshape(x.size, -1)
        weight = ground.reshape(x.size, -1) * self.weights
        total, mass = (weight * error).sum(axis=1), weight.sum(axis=1)
        result: Floats = total / np.maximum(mass, _TINY)
        for i in np.flatnonzero(mass <= _TINY):
            ranks = self._nearest(float(x[i]), float(y[i]))
            result[i] = float(((ranks - TARGET_RANK) ** 2).mean())
        return result

    def _node(self, column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.int64]:
        assert self.lattice is not None  # noqa: S101
        rows, columns = self.lattice.shape
        inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
        node = self.lattice[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)]
        return np.where(inside, node, -1)

    def _nearest(self, x: float, y: float) -> Floats:
        nearest = int(np.argmin(np.hypot(self.x - x, self.y - y)))
        closest: Floats = self.ranks[nearest]
        return closest


def rank_field(x: Floats, y: Floats, ranks: Floats, *, burial_error: float) -> RankField:
    """Make a field of ranks.

    Parameters
    ----------
    x, y : ndarray, shape (P,)
        Points, ideally some of the nodes of a square lattice [m].
    ranks : ndarray, shape (S, P)
        Rank per scenario, 0..1.
    burial_error : float
        Standard deviation of the buried position along each axis [m].

    Returns
    -------
    RankField
        The field.
    """
    offsets, weights = _stencil(burial_error)
    step = _spacing(x, y)
    west, south = float(x.min()), float(y.min())
    lattice = None
    rows = np.ascontiguousarray(ranks.T)
    if step > 0:
        reach = float(np.hypot(*offsets.T).max()) + 2 * step
        pad = int(np.ceil(reach / step))
        west, south = west - pad * step, south - pad * step
        column = np.rint((x - west) / step).astype(np.int64)
        row = np.rint((y - south) / step).astype(np.int64)
        off = np.hypot(west + column * step - x, south + row * step - y)
        if off.max() < _OFF_LATTICE * step:
            lattice = np.full((row.max() + pad + 1, column.max() + pad + 1), -1, dtype=np.int64)
            lattice[row, column] = np.arange(x.size)
            rows = _extend(lattice, np.column_stack([column, row]), rows, reach / step)
    return RankField(x, y, rows, offsets, weights, lattice, west, south, step)


def application_sd(dryness: Floats, at: float, *, cv: float) -> float:
    """Return how far unknown sprinkler unevenness may move a rank.

    Each point's application is taken as lognormal with the given coefficient of variation,
    independent of the others. The rank is averaged over the ground in closed form, so no random
    numbers are needed.

    Parameters
    ----------
    dryness : ndarray, shape (P,)
        Dryness of the ground with even application (any unit).
    at : float
        Dryness of the chosen point in the same unit.
    cv : float
        Coefficient of variation of application.

    Returns
    -------
    float
        Standard deviation of the rank, 0..1.
    """
    if cv <= 0 or at <= 0 or dryness.size == 0:
        return 0.0
    sigma = float(np.sqrt(np.log1p(cv**2)))
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    weights = weights / weights.sum()
    drier_by = np.log(at) - np.log(np.maximum(dryness, 1e-12 * at))
    ranks = np.array([ndtr(drier_by / sigma - node).mean() for node in nodes])
    return float(np.sqrt(weights @ (ranks - weights @ ranks) ** 2))


def _extend(
    lattice: NDArray[np.int64], nodes: NDArray[np.int64], rows: Floats, reach: float
) -> Floats:
    """Give the nodes around the ground the mean of the ground nodes nearest to them.

    Fills `lattice` in place and returns the rows with those of the new nodes appended. All nodes
    at the nearest distance count, so that the result has the symmetry of the ground.
    """
    empty = np.argwhere(lattice < 0)[:, ::-1]
    count = min(4, len(nodes))
    distance, near = cKDTree(nodes).query(empty, k=count, distance_upper_bound=reach)
    distance = np.asarray(distance).reshape(-1, count)
    near = np.asarray(near).reshape(-1, count)
    close = np.isfinite(distance[:, 0])
    empty, distance, near = empty[close], distance[close], near[close]
    share = (distance <= distance[:, :1] + _TINY).astype(float)
    share /= share.sum(axis=1, keepdims=True)
    filled = np.einsum("nk,nks->ns", share, rows[np.minimum(near, len(nodes) - 1)])
    lattice[empty[:, 1], empty[:, 0]] = len(nodes) + np.arange(len(empty))
    return np.concatenate([rows, filled])


def _stencil(sigma: float) -> tuple[Floats, Floats]:
    """Return a rule for the two-dimensional normal: two rings of eight, exact to degree 7.

    The radii are the nodes of two-point Gauss-Laguerre quadrature in r²/(2σ²), which is
    exponential.
    """
    if sigma <= 0:
        return np.zeros((1, 2)), np.ones(1)
    nodes, weights = np.polynomial.laguerre.laggauss(2)
    eighth = np.pi / 4 * np.arange(8)
    rings = [
        np.sqrt(2 * node) * sigma * np.column_stack([np.cos(eighth + turn), np.sin(eighth + turn)])
        for node, turn in zip(nodes, (0.0, np.pi / 8), strict=True)
    ]
    return np.concatenate(rings), np.repeat(weights / 8, 8)


def _spacing(x: Floats, y: Floats) -> float:
    """Return the smallest gap between coordinates, or 0 when all coincide."""
    gaps = np.concatenate([np.diff(np.unique(_rounded(x))), np.diff(np.unique(_rounded(y)))])
    return float(gaps.min(initial=np.inf)) if gaps.size else 0.0


def _rounded(values: Floats) -> Floats:
    """Round coordinates to a hundredth of a millimetre."""
    rounded: Floats = np.round(values - values.min(), 5)
    return rounded
