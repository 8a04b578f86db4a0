"""How many sensors, where, and which zones share one: exact facility location.

A *candidate* is a sensor in one zone with one setting of its control. Each candidate has a yearly
cost of its own and a yearly cost for every zone that it would govern (infinite where that zone
would suffer beyond its cap). At most `n` candidates are opened, at most one in a zone, a zone with
a sensor is governed by it, and every zone is governed by exactly one open candidate. Because a
candidate's go/skip sequence depends only on its own zone, the costs are independent of each other,
and the problem is uncapacitated facility location with self-service. HiGHS solves it with no gap;
the reported cost is recomputed from the whole-number choice.

References
----------
Huangfu, Q. and Hall, J. A. J. (2018). Parallelizing the dual revised simplex method. Mathematical
Programming Computation 10, 119-142 (HiGHS, called through `scipy.optimize.milp`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from siting.errors import Fault, InputError, PlanError

__all__ = [
    "Candidates",
    "Choice",
    "SensorChoice",
    "choose_sensors",
    "evaluate",
    "fixed_zones",
    "plain_rules",
]

#: A further sensor must lower the yearly cost by more than this share of it to be used.
WORTH = 1e-6

#: Status of `scipy.optimize.milp` for a problem without a solution.
INFEASIBLE = 2

#: Costs closer than this share are equal; the earlier candidates then win.
TIE = 1e-9


@dataclass(frozen=True)
class Candidates:
    """Every sensor that may be bought; list the preferred ones first, they win ties.

    Parameters
    ----------
    zone : ndarray of int, shape (J,)
        Zone that each sensor is buried in.
    cost : ndarray, shape (J, Z)
        Yearly cost of each zone under each candidate; inf where it may not govern it
        [currency or m³ per year].
    fixed : ndarray, shape (J,)
        Yearly cost of the sensor itself, in the same unit.
    label : tuple of str, length J
        The setting of its control, in words.

    Raises
    ------
    InputError
        Where shapes disagree, a zone does not exist, or a cost is NaN or below 0.
    """

    zone: NDArray[np.int64]
    cost: NDArray[np.float64]
    fixed: NDArray[np.float64]
    label: tuple[str, ...]

    def __post_init__(self) -> None:
        """Refuse what cannot be solved."""
        count, zones = self.cost.shape
        checks = (
            ("zone", self.zone.shape == (count,), f"shape ({count},)"),
            ("fixed", self.fixed.shape == (count,), f"shape ({count},)"),
            ("label", len(self.label) == count, f"{count} labels"),
            ("zone", bool(np.all((self.zone >= 0) & (self.zone < zones))), f"0 to {zones - 1}"),
            ("cost", bool(np.all(self.cost >= 0)), "0 or more, or inf"),
            ("fixed", bool(np.all((self.fixed >= 0) & np.isfinite(self.fixed))), "0 or more"),
        )
        faults = [
            Fault("sensor candidates", "something else", allowed, "Correct it.", column=column)
            for column, good, allowed in checks
            if not good
        ]
        if faults:
            raise InputError(faults)


@dataclass(frozen=True)
class Choice:
    """One way to place sensors.

    Parameters
    ----------
    n : int
        Number of sensors allowed.
    feasible : bool
        Whether every zone can be governed within its cap.
    sensors : tuple of int
        Candidates opened, in their given order; empty when not feasible.
    governor : ndarray of int, shape (Z,)
        Candidate that governs each zone; -1 when not feasible.
    cost : float
        Yearly cost of zones and sensors; NaN when not feasible.
    value_of_next : float
        What allowing one more sensor would save a year; exactly 0 when it is worth nothing; NaN on
        the last row and where either is not feasible.
    """

    n: int
    feasible: bool
    sensors: tuple[int, ...]
    governor: NDArray[np.int64]
    cost: float
    value_of_next: float = float("nan")

    @property
    def used(self) -> int:
        """Sensors actually used, at most n."""
        return len(self.sensors)


@dataclass(frozen=True)
class SensorChoice:
    """The whole curve for 1, 2, 3 ... sensors, and the cheapest of it.

    Parameters
    ----------
    rows : tuple of Choice
        For n = 1, 2, ...
    best : int or None
        Position in `rows` of the cheapest, the one with the fewest sensors where equal; None when
        none is feasible.
    """

    rows: tuple[Choice, ...]
    best: int | None

    @property
    def chosen(self) -> Choice:
        """The cheapest choice.

        Raises
        ------
        PlanError
            When no number of sensors keeps every zone within its cap.
        """
        if self.best is None:
            count = len(self.rows)
            msg = (
                f"no choice of up to {count} sensors keeps every zone within its stress cap; allow "
                "more sensors (max_sensors) or more stress days (max_stress_days)"
            )
            raise PlanError(msg)
        return self.rows[self.best]


def evaluate(candidates: Candidates, sensors: Sequence[int]) -> tuple[NDArray[np.int64], float]:
    """Return the best assignment of zones to given sensors, and its yearly cost.

    Parameters
    ----------
    candidates : Candidates
        Every sensor that may be bought.
    sensors : sequence of int
        Those opened, at most one per zone; their own zones are governed by them.

    Returns
    -------
    governor : ndarray of int, shape (Z,)
        Candidate that governs each zone; the earlier one where two cost the same.
    cost : float
        Yearly cost of zones and sensors; inf where a zone cannot be governed.

    Examples
    --------
    >>> two = Candidates(np.array([0, 1]), np.array([[1.0, 4.0], [5.0, 2.0]]), np.ones(2), ("", ""))
    >>> evaluate(two, [0])
    (array([0, 0]), 6.0)
    >>> evaluate(two, [0, 1])
    (array([0, 1]), 5.0)
    """
    opened = np.array(sorted(sensors), dtype=np.int64)
    governor = opened[np.argmin(candidates.cost[opened], axis=0)]
    governor[candidates.zone[opened]] = opened
    zones = np.arange(candidates.cost.shape[1])
    total = candidates.fixed[opened].sum() + candidates.cost[governor, zones].sum()
    return governor, float(total)


def choose_sensors(candidates: Candidates, *, max_sensors: int) -> SensorChoice:
    """Decide how many sensors to bury, where, and which zones each governs, to proven optimality.

    Every allowed number n = 1 .. `max_sensors` is solved (a solution that uses fewer sensors than
    allowed stands for the numbers between). A further sensor that lowers the cost by no more than
    one part in a million is not used, so that its value is exactly 0. Among equal costs (one part
    in 10⁹) a second look swaps sensors one at a time for earlier candidates.

    Parameters
    ----------
    candidates : Candidates
        Every sensor that may be bought, the preferred ones first.
    max_sensors : int
        Greatest number of sensors, at least 1.

    Returns
    -------
    SensorChoice
        One row per n, and the cheapest.

    Examples
    --------
    >>> two = Candidates(np.array([0, 1]), np.array([[1.0, 4.0], [5.0, 2.0]]), np.ones(2), ("", ""))
    >>> choice = choose_sensors(two, max_sensors=2)
    >>> choice.chosen.sensors, choice.rows[0].value_of_next
    ((0, 1), 1.0)
    """
    if max_sensors < 1:
        fault = Fault("control", str(max_sensors), "1 or more", "Raise it.", column="max_sensors")
        raise InputError([fault])
    model = _Model(candidates)
    found: dict[int, Choice] = {}
    n = max_sensors
    while n >= 1:
        choice = _settle(candidates, model.solve(at_most=n), n, swaps=model.kept)
        # What is best with at most n and uses fewer is also best for every number between.
        least = choice.used if choice.feasible else 1
        found.update({m: replace(choice, n=m) for m in range(least, n + 1)})
        n = least - 1
    rows = _with_values([found[m] for m in range(1, max_sensors + 1)])
    costs = [row.cost if row.feasible else np.inf for row in rows]
    best = int(np.argmin(costs)) if np.isfinite(min(costs)) else None
    return SensorChoice(rows, best)


def fixed_zones(candidates: Candidates, zones: Sequence[int]) -> Choice:
    """Return the best choice with one sensor in each of the given zones and none elsewhere.

    Parameters
    ----------
    candidates : Candidates
        Every sensor that may be bought.
    zones : sequence of int
        Zones that get a sensor.

    Returns
    -------
    Choice
        With the best settings and assignment; not feasible where a zone cannot be governed.
    """
    wanted = sorted(set(zones))
    sensors = _Model(candidates).solve(at_most=len(wanted), zones=wanted)
    return _settle(candidates, sensors, len(wanted), swaps=None)


def plain_rules(
    candidates: Candidates, *, need: NDArray[np.float64], plants: Sequence[str]
) -> Mapping[str, Choice]:
    """Evaluate the rules of thumb, each with its best settings and assignment.

    Parameters
    ----------
    candidates : Candidates
        Every sensor that may be bought.
    need : ndarray, shape (Z,)
        Water-need score; the driest zone has the greatest [% of RAW per peak day].
    plants : sequence of str, length Z
        Plant type of each zone; each type's sensor goes into its driest zone.

    Returns
    -------
    mapping of str to Choice
        "one in the driest zone", "one per plant type", "one in every zone".
    """
    order = np.argsort(-np.asarray(need), kind="stable")
    first: dict[str, int] = {}
    for zone in order:
        first.setdefault(plants[zone], int(zone))
    rules = {
        "one in the driest zone": [int(order[0])],
        "one per plant type": list(first.values()),
        "one in every zone": list(range(len(order))),
    }
    return {rule: fixed_zones(candidates, zones) for rule, zones in rules.items()}


class _Model:
    """The integer programme: one column per kept candidate, then one per allowed pair."""

    def __init__(self, candidates: Candidates) -> None:
        self.kept = _undominated(candidates)
        self.zone = candidates.zone[self.kept]
        cost = candidates.cost[self.kept]
        zones = cost.shape[1]
        taken, self.pair_zone = np.nonzero(np.isfinite(cost))
        count, pairs = len(self.kept), len(taken)
        self.cost = np.concatenate([candidates.fixed[self.kept], cost[taken, self.pair_zone]])
        one = np.ones(pairs)
        at = np.arange(pairs)
        chosen = sparse.csr_array((one, (at, taken)), shape=(pairs, count))
        served = sparse.csr_array((one, (self.pair_zone, at)), shape=(zones, pairs))
        home = sparse.csr_array(
            (np.ones(count), (self.zone, np.arange(count))), shape=(zones, count)
        )
        # A zone with a sensor is served by its own: only pairs at home may serve it then.
        away = self.pair_zone != self.zone[taken]
        foreign = served @ sparse.diags_array(away.astype(np.float64))
        own = np.flatnonzero(~away)
        self_served = sparse.csr_array((np.ones(own.size), (at[own], taken[own])), (pairs, count))
        self.fixed_rows = [
            LinearConstraint(sparse.hstack([sparse.csr_array((zones, count)), served]), 1, 1),
            LinearConstraint(sparse.hstack([-chosen, sparse.eye_array(pairs)]), -np.inf, 0),
            LinearConstraint(sparse.hstack([home, foreign]), -np.inf, 1),
            LinearConstraint(
                sparse.hstack([self_served, -sparse.diags_array((~away).astype(float))]), 0, 0
            ),
        ]
        self.home = sparse.hstack([home, sparse.csr_array((zones, pairs))])
        self.count, self.pairs = count, pairs
        # HiGHS stops within an absolute gap of 1e-6: bring the total to about a thousand.
        cheapest = cost.min(axis=0, initial=np.inf).sum()
        self.scale = 1000.0 / cheapest if 0 < cheapest < np.inf else 1.0
        no_home = np.setdiff1d(np.arange(count), taken[own])
        self.upper = np.ones(count + pairs)
        self.upper[no_home] = 0.0  # it may not even govern its own zone

    def solve(self, *, at_most: int, zones: Sequence[int] | None = None) -> tuple[int, ...]:
        """Return the opened candidates, best first by order; empty when not feasible."""
        if not self.count or np.any(np.bincount(self.pair_zone, minlength=self.home.shape[0]) == 0):
            return ()
        total = sparse.hstack(
            [sparse.csr_array(np.ones((1, self.count))), sparse.csr_array((1, self.pairs))]
        )
        rows = [*self.fixed_rows, LinearConstraint(total, 1, at_most)]
        if zones is not None:
            wanted = np.isin(np.arange(self.home.shape[0]), list(zones)).astype(float)
            rows.append(LinearConstraint(self.home, wanted, wanted))
        integer = np.concatenate([np.ones(self.count), np.zeros(self.pairs)])
        result = milp(
            self.cost * self.scale,
            integrality=integer,
            bounds=Bounds(np.zeros_like(self.upper), self.upper),
            constraints=rows,
            options={"mip_rel_gap": 0.0},
        )
        if result.status == INFEASIBLE:
            return ()
        if result.x is None or result.status != 0:
            msg = f"the number of sensors could not be decided: {result.message}"
            raise PlanError(msg)
        opened = np.rint(result.x[: self.count]) == 1
        return tuple(int(j) for j in self.kept[opened])


def _undominated(candidates: Candidates) -> NDArray[np.int64]:
    """Candidates that no other of the same zone beats or equals in every cost."""
    every = np.column_stack([candidates.cost, candidates.fixed])
    keep = []
    for j, zone in enumerate(candidates.zone):
        rivals = np.flatnonzero(candidates.zone == zone)
        no_dearer = np.all(every[rivals] <= every[j], axis=1)
        cheaper = np.any(every[rivals] < every[j], axis=1)
        if not np.any(no_dearer & (cheaper | (rivals < j))):
            keep.append(j)
    return np.array(keep, dtype=np.int64)


def _settle(
    candidates: Candidates,
    sensors: tuple[int, ...],
    n: int,
    *,
    swaps: NDArray[np.int64] | None,
) -> Choice:
    """Take a second look (idle sensors, earlier candidates from `swaps`); then recompute."""
    if not sensors:
        nobody = np.full(candidates.cost.shape[1], -1)
        return Choice(n, feasible=False, sensors=(), governor=nobody, cost=float("nan"))
    chosen = sorted(sensors)
    if swaps is not None:
        chosen = _without_idle(candidates, chosen)
        ceiling = evaluate(candidates, chosen)[1] * (1 + TIE)
        swapped: list[int] | None = chosen
        while swapped is not None:
            chosen = swapped
            swapped = _earlier(candidates, chosen, swaps, ceiling)
    governor, cost = evaluate(candidates, chosen)
    return Choice(n, feasible=True, sensors=tuple(chosen), governor=governor, cost=cost)


def _without_idle(candidates: Candidates, sensors: list[int]) -> list[int]:
    """Drop sensors one at a time, the last first, while that costs no more."""
    cost = evaluate(candidates, sensors)[1]
    for j in reversed(sensors):
        fewer = [k for k in sensors if k != j]
        if fewer and evaluate(candidates, fewer)[1] <= cost * (1 + TIE):
            return _without_idle(candidates, fewer)
    return sensors


def _earlier(
    candidates: Candidates, chosen: list[int], swaps: NDArray[np.int64], ceiling: float
) -> list[int] | None:
    """Return the choice with one sensor swapped for an earlier candidate, or None."""
    for j in chosen:
        others = [k for k in chosen if k != j]
        taken = candidates.zone[others]
        earlier = swaps[(swaps < j) & ~np.isin(candidates.zone[swaps], taken)]
        for k in earlier:
            swapped = sorted([*others, int(k)])
            if evaluate(candidates, swapped)[1] <= ceiling:
                return swapped
    return None


def _with_values(rows: list[Choice]) -> tuple[Choice, ...]:
    """Keep the previous choice where one more sensor is worth nothing; then value each."""
    for at in range(1, len(rows)):
        before, now = rows[at - 1], rows[at]
        if before.feasible and not now.cost < before.cost * (1 - WORTH):
            rows[at] = replace(before, n=now.n)
    pairs = zip(rows, [*rows[1:], None], strict=True)
    return tuple(
        replace(
            row, value_of_next=row.cost - following.cost if following and row.feasible else np.nan
        )
        for row, following in pairs
    )
