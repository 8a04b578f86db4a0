"""Searches over the inner loops: least fixed depths and least run-time factors.

Private to `siting.season`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siting._control import Days, govern, pair_stress

__all__ = ["FACTOR_LIMIT", "FACTOR_PARTS", "search_depths", "search_factors"]

#: Run-time factors are multiples of 1/20 (5 %): what a timer's adjustment can be set to.
FACTOR_PARTS: Final = 20

#: A following valve is never run more than this many times the governor's depth.
FACTOR_LIMIT: Final = 10.0

#: Runs looked at first, and added when a factor fails in others.
FIRST_RUNS: Final = 6
NEXT_RUNS: Final = 4

#: Depths tried at most for each governor; beyond, twice, three times ... the step is taken.
DEPTHS: Final = 400

#: Where no depth meets the cap, every eighth is compared for the one with the fewest stress days.
COARSE: Final = 8

_Array = NDArray[np.float64]


def search_depths(
    inputs: Days,
    zone: NDArray[np.int64],
    allowed: NDArray[np.bool_],
    *,
    start: NDArray[np.float64],
    cap: NDArray[np.float64],
    step: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find the least depth of each governor that keeps its own zone within its cap.

    Depths that fail in the driest runs are dropped first; the rest is proved on all runs, from
    the least one up.

    Parameters
    ----------
    inputs : Days
        Inputs.
    zone : ndarray of int, shape (G,)
        Zone of each governor.
    allowed : ndarray of bool, shape (D, W)
        The schedule.
    start : ndarray, shape (G, W)
        Least depletion at which an event goes ahead [mm].
    cap, step : ndarray, shape (G,)
        Stress days allowed [d]; depths are multiples of the step [mm].

    Returns
    -------
    depth, stress_days : ndarray, shape (G,)
        The least depth and its stress days in the worst run; where none meets the cap, the one
        with the fewest stress days.
    """
    row, depth = _ladder(inputs, zone, step)
    zones = inputs.taw.shape[0]
    driest = np.argsort(-inputs.need, axis=1, kind="stable")[:, : max(1, 8 // zones)]

    def worst(at: NDArray[np.int64], runs: NDArray[np.int64] | None = None) -> _Array:
        some, days, begin = inputs, allowed, start[row[at]]
        if runs is not None:
            some, days, begin = inputs.only(runs), allowed[:, runs], begin[:, runs]
        event = np.broadcast_to(depth[at][:, None], begin.shape)
        return np.asarray(govern(some, zone[row[at]], days, start=begin, event=event).max(axis=1))

    maybe = worst(np.arange(len(row)), np.unique(driest)) <= cap[row]
    found, stress = np.full(len(zone), np.nan), np.full(len(zone), np.nan)
    batch = 4
    while maybe.any():
        at = _first_of_each(row, np.flatnonzero(maybe), batch)
        proof = worst(at)
        maybe[at] = False
        good = at[proof <= cap[row[at]]]
        done, place = np.unique(row[good], return_index=True)
        found[done] = depth[good[place]]
        stress[done] = proof[proof <= cap[row[at]]][place]
        maybe[np.isin(row, done)] = False
        batch *= 2
    short = np.flatnonzero(np.isnan(found[row]) & _every_eighth(row))
    if short.size:
        proof = worst(short)
        # Fewest stress days first, then the least depth; the first of each governor wins.
        order = np.lexsort((depth[short], proof, row[short]))
        failed, place = np.unique(row[short][order], return_index=True)
        found[failed], stress[failed] = depth[short][order][place], proof[order][place]
    return found, stress


def _ladder(
    inputs: Days, zone: NDArray[np.int64], step: _Array
) -> tuple[NDArray[np.int64], _Array]:
    """Return the depths of each governor, rising: its row and the depth [mm, zone mean]."""
    full = (inputs.taw / inputs.application)[zone].max(axis=1)
    most = np.maximum(np.ceil(full / step - 1e-9), 1).astype(np.int64)
    stride = -(-most // DEPTHS)
    count = -(-most // stride)
    row = np.repeat(np.arange(len(zone)), count)
    rung = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + 1
    return row, rung * stride[row] * step[row]


def _first_of_each(row: NDArray[np.int64], at: NDArray[np.int64], batch: int) -> NDArray[np.int64]:
    """Return the first `batch` of the positions `at` of every row; `row` is sorted."""
    _, begin, group = np.unique(row[at], return_index=True, return_inverse=True)
    return at[np.arange(len(at)) - begin[group] < batch]


def _every_eighth(row: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell every eighth position of each row, counted from its last; `row` is sorted."""
    _, begin, group, count = np.unique(
        row, return_index=True, return_inverse=True, return_counts=True
    )
    last = (begin + count - 1)[group]
    eighth: NDArray[np.bool_] = (last - np.arange(len(row))) % COARSE == 0
    return eighth


def search_factors(
    inputs: Days,
    depth: _Array,
    governor: NDArray[np.int64],
    follower: NDArray[np.int64],
    cap: _Array,
) -> tuple[_Array, _Array]:
    """Find the least factor of each governor and follower.

    The factor is searched on the driest runs, then proved on all of them; runs in which it fails
    are added, until none does.

    Parameters
    ----------
    inputs : Days
        Inputs.
    depth : ndarray, shape (D, G, W)
        The governors' events [mm, zone mean].
    governor, follower : ndarray of int, shape (P,)
        The pairs.
    cap : ndarray, shape (P,)
        Stress days allowed to each [d].

    Returns
    -------
    factor, stress_days : ndarray, shape (P,)
        The least factor and its stress days in the worst run; inf and NaN where none will do.
    """
    every_run = np.arange(inputs.taw.shape[1])[None]
    limit = round(FACTOR_LIMIT * FACTOR_PARTS) + 1  # one beyond: "none will do"

    def run(at: NDArray[np.int64], k: NDArray[np.int64], runs: NDArray[np.int64]) -> _Array:
        return pair_stress(
            inputs,
            depth,
            governor=governor[at],
            zone=follower[at],
            factor=k / FACTOR_PARTS,
            runs=runs,
        )

    runs = np.argsort(-inputs.need, axis=1, kind="stable")[follower, :FIRST_RUNS]
    low = np.full(len(governor), -1)
    worst = np.full(len(governor), np.nan)
    active = np.arange(len(governor))
    while active.size:
        least = _least_steps(
            lambda rows, k, at=active, seen=runs: (  # type: ignore[misc]
                run(at[rows], k, seen[rows]).max(axis=1) <= cap[at[rows]]
            ),
            low[active],
            np.full(active.size, limit),
        )
        low[active] = least
        active = active[least < limit]
        proof = run(active, low[active], every_run)
        worst[active] = proof.max(axis=1)
        failed = worst[active] > cap[active]
        active = active[failed]
        runs = np.argsort(-proof[failed], axis=1, kind="stable")[:, :NEXT_RUNS]
    none = low == limit
    worst[none] = np.nan
    return np.where(none, np.inf, low / FACTOR_PARTS), worst


def _least_steps(
    meets: Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.bool_]],
    low: NDArray[np.int64],
    high: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Bisect whole numbers: the least k with ``low < k <= high`` that meets a demand.

    Parameters
    ----------
    meets : callable
        (rows, k) -> bool for each of those rows; false below some k and true from it on.
    low, high : ndarray of int, shape (N,)
        Not good enough; known or taken to be good enough.

    Returns
    -------
    ndarray of int, shape (N,)
        The least k; `high` where nothing below it would do.
    """
    low, high = low.copy(), high.copy()
    while True:
        rows = np.flatnonzero(high - low > 1)
        if not rows.size:
            return high
        middle = (low[rows] + high[rows]) // 2
        good = meets(rows, middle)
        high[rows[good]] = middle[good]
        low[rows[~good]] = middle[~good]
