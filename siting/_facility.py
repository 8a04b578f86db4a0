"""The integer programme behind `siting.sensors`, solved by HiGHS.

Columns, in this order: one per kept candidate (opened or not), one per allowed pair of candidate
and zone, then per controller and kind of hardware whether it is fitted, and with how many sensors.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from siting._sensor_model import Candidates, Equipment, evaluate
from siting.errors import PlanError

__all__ = ["Model", "Solution"]

#: Ways to fit the controllers that are tried one by one; beyond, the programme decides alone.
MOST_WAYS = 16

#: Shares of a relaxed candidate below this count as none; rounds of swaps of a rounded choice.
ROUNDING = 1e-6
SWAPS = 4

#: Status of `scipy.optimize.milp` for a problem without a solution.
INFEASIBLE = 2


class Solution(NamedTuple):
    """What a solver found.

    sensors: candidates opened, empty when not feasible; governor (Z,): candidate that governs each
    zone, -1 when not feasible; gap: proven bound on how far the cost is above the least possible,
    as a share of it, NaN when not feasible [-].
    """

    sensors: tuple[int, ...]
    governor: NDArray[np.int64]
    gap: float


#: Rows, columns and values of entries.
_Cells = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64] | float]


class _Rows(NamedTuple):
    """Some rows of the programme: entries, and what each row lies between."""

    height: int
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    value: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


class Model:
    """One property's programme; solve it for any number of sensors.

    candidates: every sensor that may be bought.
    """

    def __init__(self, candidates: Candidates) -> None:
        self.kept = _undominated(candidates)
        self.zone = candidates.zone[self.kept]
        cost = candidates.cost[self.kept]
        self.zones = cost.shape[1]
        self.taken, self.pair_zone = np.nonzero(np.isfinite(cost))
        self.count, self.pairs = len(self.kept), len(self.taken)
        self.candidates = candidates
        own = np.concatenate([candidates.fixed[self.kept], cost[self.taken, self.pair_zone]])
        self.upper = np.ones(self.count + self.pairs)
        at_home = self.pair_zone == self.zone[self.taken]
        # One that may not even govern its own zone is never opened.
        self.upper[np.setdiff1d(np.arange(self.count), self.taken[at_home])] = 0.0
        self.rows = self._grouping(at_home)
        self.cost = own
        self.integer = np.concatenate([np.ones(self.count), np.zeros(self.pairs)])
        if candidates.equipment is not None:
            self._fit_out(candidates.equipment)
        # HiGHS stops within an absolute gap of 1e-6: bring the total to about a thousand.
        cheapest = cost.min(axis=0, initial=np.inf).sum()
        self.scale = 1000.0 / cheapest if 0 < cheapest < np.inf else 1.0

    def _grouping(self, at_home: NDArray[np.bool_]) -> list[_Rows]:
        """Serve every zone once, by an open candidate; with a sensor of its own, by that."""
        count, pairs, zones = self.count, self.pairs, self.zones
        candidate, pair = np.arange(count), np.arange(pairs)
        foreign, own = np.flatnonzero(~at_home), np.flatnonzero(at_home)
        self.home = [(self.zone, candidate, 1.0)]
        return [
            _rows(zones, [(self.pair_zone, count + pair, 1.0)], 1, 1),
            _rows(pairs, [(pair, self.taken, -1.0), (pair, count + pair, 1.0)], -np.inf, 0),
            _rows(
                zones,
                [*self.home, (self.pair_zone[foreign], count + foreign, 1.0)],
                -np.inf,
                1,
            ),
            _rows(
                own.size,
                [
                    (np.arange(own.size), self.taken[own], 1.0),
                    (np.arange(own.size), count + own, -1.0),
                ],
                0,
                0,
            ),
        ]

    def _fit_out(self, equipment: Equipment) -> None:
        """Add the equipment: one kind per controller, its capacity and what it can run."""
        kinds, places = equipment.fits.shape
        cells = kinds * places  # hardware-major: h * C + c
        at = equipment.controller[self.zone]
        kind = equipment.kind[self.kept]
        x = np.arange(self.count)
        cell = np.arange(cells)
        fitted, held = self.count + self.pairs + cell, self.count + self.pairs + cells + cell
        place = np.tile(np.arange(places), kinds)
        capacity = np.repeat(equipment.capacity, places).astype(float)
        # A sensor needs a controller that is fitted with something that can run it.
        able = [
            (x[runs[kind]], fitted[h * places + at[runs[kind]]], -1.0)
            for h, runs in enumerate(equipment.runs)
        ]
        self.rows += [
            _rows(places, [(at, x, 1.0), (place, held, -1.0)], 0, 0),
            _rows(cells, [(cell, fitted, -capacity), (cell, held, 1.0)], -np.inf, 0),
            _rows(places, [(place, fitted, 1.0)], -np.inf, 1),
            _rows(self.count, [(x, x, 1.0), *able], -np.inf, 0),
        ]
        for k in np.unique(kind):
            runs = np.repeat(equipment.runs[:, k], places)
            of_kind = (at[kind == k], x[kind == k], 1.0)
            self.rows.append(_rows(places, [of_kind, (place[runs], held[runs], -1.0)], -np.inf, 0))
        self.cost = np.concatenate(
            [
                self.cost,
                np.repeat(equipment.per_controller, places),
                np.repeat(equipment.per_sensor, places),
            ]
        )
        self.upper = np.concatenate([self.upper, equipment.fits.ravel().astype(float), capacity])
        self.integer = np.concatenate([self.integer, np.ones(cells), np.zeros(cells)])

    def solve(
        self, *, at_most: int, zones: Sequence[int] | None = None, in_window: bool = False
    ) -> Solution:
        """Solve for at most some sensors.

        Result: with the proven gap.
        """
        nothing = Solution((), np.full(self.zones, -1), float("nan"))
        if not self.count or np.any(np.bincount(self.pair_zone, minlength=self.zones) == 0):
            return nothing
        if zones is None and not in_window:
            return self._by_branches(at_most) or nothing
        rows = [*self.rows, self._number(at_most)]
        if zones is not None:
            wanted = np.isin(np.arange(self.zones), list(zones)).astype(float)
            rows.append(_rows(self.zones, self.home, wanted, wanted))
        integer = self.integer
        if in_window:
            rows.append(self._hours())
            integer = integer.copy()
            integer[self.count : self.count + self.pairs] = 1  # binding hours could split a zone
        result = milp(
            self.cost * self.scale,
            integrality=integer,
            bounds=Bounds(np.zeros_like(self.upper), self.upper),
            constraints=LinearConstraint(*_stacked(rows, len(self.cost))),
            options={"mip_rel_gap": 0.0},
        )
        if result.status == INFEASIBLE:
            return nothing
        if result.x is None or result.status != 0:
            msg = f"the number of sensors could not be decided: {result.message}"
            raise PlanError(msg)
        return self._read(result.x, float(result.mip_gap or 0.0))

    def _by_branches(self, at_most: int) -> Solution | None:
        """Solve once per way to fit the controllers, cheapest relaxation first.

        With the hardware fixed the relaxation is tight, so that its bound rules out most other
        ways, and its reduced costs most candidates and pairs. Both are safe: what is ruled out
        costs more than a choice already at hand.
        """
        matrix, low, high = _stacked([*self.rows, self._number(at_most)], len(self.cost))
        relaxed = [_relaxed(self.cost * self.scale, matrix, low, high, u) for u in self._ways()]
        best: tuple[int, ...] = ()
        cost, gap = np.inf, 0.0
        for bound, x, spare, upper in sorted((r for r in relaxed if r), key=lambda r: r[0]):
            if bound >= cost:
                break
            guess, worth = self._guess(x, at_most)
            if worth < cost:
                best, cost = guess, worth
            kept = np.where(spare > cost - bound + 1e-6 * max(1.0, abs(bound)), 0.0, upper)
            result = milp(
                self.cost * self.scale,
                integrality=self.integer,
                bounds=Bounds(np.zeros_like(kept), kept),
                constraints=LinearConstraint(matrix, low, high),
                options={"mip_rel_gap": 0.0},
            )
            if result.status == INFEASIBLE:
                continue
            if result.x is None or result.status != 0:
                msg = f"the number of sensors could not be decided: {result.message}"
                raise PlanError(msg)
            gap = max(gap, float(result.mip_gap or 0.0))
            found = self._read(result.x, 0.0).sensors
            worth = self.scale * evaluate(self.candidates, found)[1]
            if worth < cost:
                best, cost = found, worth
        if not best:
            return None
        return Solution(best, evaluate(self.candidates, best)[0], gap)

    def _ways(self) -> list[NDArray[np.float64]]:
        """Return upper bounds of every column, once per way to fit the controllers."""
        equipment = self.candidates.equipment
        if equipment is None:
            return [self.upper]
        kinds, places = equipment.fits.shape
        options = [np.flatnonzero(equipment.fits[:, c]) for c in range(places)]
        if np.prod([max(len(o), 1) for o in options], dtype=float) > MOST_WAYS:
            return [self.upper]
        ways = []
        for chosen in itertools.product(*options):
            open_ = np.zeros((kinds, places))
            open_[list(chosen), np.arange(places)] = 1.0
            upper = self.upper.copy()
            at = self.count + self.pairs
            upper[at : at + 2 * kinds * places] *= np.tile(open_.ravel(), 2)
            ways.append(upper)
        return ways

    def _guess(self, x: NDArray[np.float64], at_most: int) -> tuple[tuple[int, ...], float]:
        """Round a relaxation to a choice, and swap sensors while that is cheaper."""
        order = np.argsort(-x[: self.count], kind="stable")
        picked: dict[int, int] = {}
        for j in order[x[order] > ROUNDING]:
            if len(picked) < at_most:
                picked.setdefault(int(self.zone[j]), int(self.kept[j]))
        chosen = sorted(picked.values())
        if not chosen:
            return (), float("inf")
        cost = evaluate(self.candidates, chosen)[1]
        for _ in range(SWAPS):
            trials = [
                sorted([*(k for k in chosen if k != old), int(new)])
                for old in chosen
                for new in self.kept[x[: self.count] > ROUNDING]
                if new not in chosen
            ]
            trials = [t for t in trials if len(set(self.candidates.zone[t])) == len(t)]
            worth = [evaluate(self.candidates, trial)[1] for trial in trials]
            if not worth or min(worth) >= cost:
                break
            cost = min(worth)
            chosen = trials[int(np.argmin(worth))]
        return tuple(chosen), self.scale * cost

    def _read(self, x: NDArray[np.float64], gap: float) -> Solution:
        opened = np.rint(x[: self.count]) == 1
        used = np.rint(x[self.count : self.count + self.pairs]) == 1
        governor = np.full(self.zones, -1)
        governor[self.pair_zone[used]] = self.kept[self.taken[used]]
        return Solution(tuple(int(j) for j in self.kept[opened]), governor, gap)

    def _number(self, at_most: int) -> _Rows:
        return _rows(1, [(np.zeros(self.count, dtype=np.int64), np.arange(self.count), 1.0)],
                     1, at_most)  # fmt: skip

    def _hours(self) -> _Rows:
        """Keep the valves of a controller, one after another, within the hours."""
        window = self.candidates.window
        if window is None:
            msg = "there are no hours to keep"
            raise ValueError(msg)
        minutes = window.minutes[self.kept][self.taken, self.pair_zone]
        at = self.count + np.arange(self.pairs)
        height = int(window.controller.max()) + 1
        cells = [(window.controller[self.pair_zone], at, minutes)]
        return _rows(height, cells, -np.inf, window.limit)


_Relaxed = tuple[float, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def _rows(
    height: int,
    cells: Sequence[_Cells],
    low: NDArray[np.float64] | float,
    high: NDArray[np.float64] | float,
) -> _Rows:
    """Put cells together to rows of the programme."""
    row = np.concatenate([cell[0] for cell in cells])
    column = np.concatenate([cell[1] for cell in cells])
    value = np.concatenate([np.broadcast_to(v, r.shape) for r, _, v in cells])
    ends = (np.broadcast_to(np.asarray(end, dtype=float), height) for end in (low, high))
    return _Rows(height, row, column, value, *ends)


def _stacked(
    rows: Sequence[_Rows], columns: int
) -> tuple[Any, NDArray[np.float64], NDArray[np.float64]]:
    """Put rows under each other: matrix, lower and upper ends."""
    starts = np.cumsum([0, *(part.height for part in rows)])
    row = np.concatenate([part.row + start for part, start in zip(rows, starts, strict=False)])
    column = np.concatenate([part.column for part in rows])
    value = np.concatenate([part.value for part in rows])
    matrix = sparse.csr_array((value, (row, column)), shape=(int(starts[-1]), columns))
    low = np.concatenate([part.low for part in rows])
    return matrix, low, np.concatenate([part.high for part in rows])


def _relaxed(
    cost: NDArray[np.float64],
    matrix: Any,  # noqa: ANN401 - a sparse matrix
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    upper: NDArray[np.float64],
) -> _Relaxed | None:
    """Solve without whole numbers: bound, solution, reduced costs and the bounds it was given."""
    equal = low == high
    above, below = ~equal & np.isfinite(high), ~equal & np.isfinite(low)
    inputs: dict[str, Any] = {
        "A_ub": sparse.vstack([matrix[above], -matrix[below]]),
        "b_ub": np.concatenate([high[above], -low[below]]),
        "A_eq": matrix[equal],
        "b_eq": high[equal],
        "bounds": np.column_stack([np.zeros_like(upper), upper]),
    }
    result: Any = linprog(cost, **inputs, method="highs")
    if result.status != 0:
        return None
    return float(result.fun), result.x, np.asarray(result.lower.marginals), upper


def _undominated(candidates: Candidates) -> NDArray[np.int64]:
    """Candidates that no other of the same zone beats or equals in every cost."""
    parts = [candidates.cost, candidates.fixed]
    if candidates.window is not None:
        parts.append(np.where(np.isfinite(candidates.cost), candidates.window.minutes, np.inf))
    every = np.column_stack(parts)
    equipment = candidates.equipment
    keep = []
    for j, zone in enumerate(candidates.zone):
        rivals = np.flatnonzero(candidates.zone == zone)
        if equipment is not None:
            able = equipment.runs[:, equipment.kind]
            rivals = rivals[np.all(able[:, rivals] >= able[:, [j]], axis=0)]
        no_dearer = np.all(every[rivals] <= every[j], axis=1)
        cheaper = np.any(every[rivals] < every[j], axis=1)
        if not np.any(no_dearer & (cheaper | (rivals < j))):
            keep.append(j)
    return np.array(keep, dtype=np.int64)
