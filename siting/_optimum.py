"""The best admissible point of a field: every basin of the mesh is refined on the vectors.

What is minimised is the expected squared distance of the rank from its target. Where that hardly
differs, a more interior place is better, and of those the one nearer to the middle; both weigh so
little that a metre is worth less than 0.002 in rank.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter

from siting._clearance import Region
from siting._rankfield import Mesh, Pieces, RankField

__all__ = ["Found", "Search", "best_point", "starts"]

Floats = NDArray[np.float64]

_PER_SLACK_M: Final = 2e-6  # what a metre of slack is worth in squared rank
_PER_MIDDLE_M: Final = 1e-7  # what a metre towards the middle is worth
_TIED: Final = 2e-6  # objectives closer than this are equal
_MOST_STARTS: Final = 24
_NEAR: Final = 0.02  # pieces worse than the best by more need no exact slack
_SIDE: Final = 9  # points along the side of a search window
_SHRINK: Final = 0.4
_FINEST: Final = 5e-5  # half the last window [m]
_MOST_ROUNDS: Final = 60


class Found(NamedTuple):
    """A refined point.

    x, y: where it lies [m]; value: its objective, in squared rank, with the preferences in it [-];
    slack: least of distance minus setback there [m].
    """

    x: float
    y: float
    value: float
    slack: float


@dataclass(frozen=True)
class Search:
    """Where and for what to search.

    region: ground, slack in metres as its score, and perhaps a further condition; field: what is
    minimised; middle: of equals, nearer to here is better [m].
    """

    region: Region
    field: RankField
    middle: tuple[float, float]

    def rough(self, x: Floats, y: Floats) -> Floats:
        """Return the objective without the preference for slack.

        x, y (N,): points [m]. Result: expected squared distance of the rank from its target, with
        the preference for the middle [-], shape (N,).
        """
        away = np.hypot(x - self.middle[0], y - self.middle[1])
        rough: Floats = self.field.objective(x, y) + _PER_MIDDLE_M * away
        return rough

    def value(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return the objective with both preferences, and the slack.

        x, y (N,): points [m]. Result: infinite where a point is not admissible [-], shape (N,); the
        region's score [m], shape (N,).
        """
        slack = self.region.score(x, y)
        value = np.full(x.shape, np.inf)
        held = slack >= 0
        held[held] = self.region.holds(x[held], y[held])
        value[held] = self.rough(x[held], y[held]) - _PER_SLACK_M * slack[held]
        return value, slack


def starts(search: Search, mesh: Mesh, pieces: Pieces) -> tuple[Floats, Floats]:
    """Return one point for each basin of the mesh, best first.

    Result: pieces of cells that are no worse than their neighbours; at most 24, shape (K,).
    """
    rough = search.rough(pieces.x, pieces.y)
    value = np.full(rough.shape, np.inf)
    near = rough <= rough.min() + _NEAR
    value[near], _ = search.value(pieces.x[near], pieces.y[near])
    if not np.isfinite(value).any():  # the best ground is taken, or too narrow for a centroid
        value, _ = search.value(pieces.x, pieces.y)
    flat = np.full(mesh.rows * mesh.columns, np.inf)
    flat[pieces.cell] = value
    grid = flat.reshape(mesh.rows, mesh.columns)
    least = minimum_filter(grid, size=3, mode="constant", cval=np.inf)
    chosen = np.isfinite(value) & (value <= least.ravel()[pieces.cell])
    at = np.flatnonzero(chosen)
    away = np.hypot(pieces.x[at] - search.middle[0], pieces.y[at] - search.middle[1])
    order = np.lexsort(
        (pieces.x[at], -pieces.y[at], np.round(away, 3), np.round(value[at] / _TIED))
    )
    at = at[order][:_MOST_STARTS]
    return pieces.x[at], pieces.y[at]


def best_point(search: Search, x: Floats, y: Floats, *, reach: float) -> Found | None:
    """Refine points side by side and return the best.

    Each point is the middle of a window of 9 x 9 candidates. A window moves while its best
    candidate lies on its rim, and else shrinks about it, down to a tenth of a millimetre. Windows
    that cannot win any more are given up.

    x, y (K,): starts; reach: half the side of the first window [m]. Result: of equals the one
    nearest to the middle, then the north-westernmost; None without starts.
    """
    if x.size == 0:
        return None
    value, slack = search.value(x, y)
    alive = np.isfinite(value)
    state = _Windows(x[alive].copy(), y[alive].copy(), value[alive], slack[alive])
    half = np.full(state.x.size, reach)
    for _ in range(_MOST_ROUNDS):
        going = half > _FINEST
        if not going.any():
            break
        rim, gained = _round(search, state, half, going)
        half = np.where(going & ~rim, half * _SHRINK, half)
        state, half = _hopeful(state, half, gained)
    return _first(search, state)


class _Windows(NamedTuple):
    """Best point of each window so far."""

    x: Floats
    y: Floats
    value: Floats
    slack: Floats


def _round(
    search: Search, state: _Windows, half: Floats, going: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], Floats]:
    """Look at every candidate of each window; move to the best in place."""
    offsets = np.linspace(-1.0, 1.0, _SIDE)
    across, up = (part.ravel() for part in np.meshgrid(offsets, offsets))
    at = np.flatnonzero(going)
    x = state.x[at, None] + half[at, None] * across
    y = state.y[at, None] + half[at, None] * up
    rough = search.rough(x.ravel(), y.ravel()).reshape(x.shape)
    # Slack changes by a metre a metre, so this is the best that a candidate can be.
    away = half[at, None] * np.hypot(across, up)
    bound = rough - _PER_SLACK_M * (state.slack[at, None] + away)
    value, slack = np.full(x.shape, np.inf), np.zeros(x.shape)
    worth = (bound < state.value[at, None]) & (state.slack[at, None] + away >= 0)
    value[worth], slack[worth] = search.value(x[worth], y[worth])
    best = np.argmin(np.round(value, 13), axis=1)
    pick = np.arange(at.size), best
    better = value[pick] < state.value[at] - 1e-13
    rim, gained = np.zeros(going.size, dtype=np.bool_), np.zeros(going.size)
    rim[at] = better & (np.maximum(np.abs(across), np.abs(up))[best] > 1 - 1e-9)
    gained[at] = np.ptp(rough, axis=1)
    moved = at[better]
    where = pick[0][better], pick[1][better]
    state.x[moved], state.y[moved] = x[where], y[where]
    state.value[moved], state.slack[moved] = value[where], slack[where]
    return rim, gained


def _hopeful(state: _Windows, half: Floats, gained: Floats) -> tuple[_Windows, Floats]:
    """Give up windows that fall short of the best by more than their whole range."""
    keep = state.value - gained <= state.value.min() + _TIED
    return _Windows(*(part[keep] for part in state)), half[keep]


def _first(search: Search, state: _Windows) -> Found | None:
    """Return the best window; of equals the one nearest to the middle, then north, then west."""
    if state.x.size == 0:
        return None
    away = np.hypot(state.x - search.middle[0], state.y - search.middle[1])
    tied = np.flatnonzero(state.value <= state.value.min() + _TIED)
    order = np.lexsort(
        (np.round(state.x[tied], 3), -np.round(state.y[tied], 3), np.round(away[tied], 3))
    )
    k = int(tied[order[0]])
    return Found(float(state.x[k]), float(state.y[k]), float(state.value[k]), float(state.slack[k]))
