"""How many sensors, where, and which zones share one: exact facility location.

A *candidate* is a sensor in one zone with one setting of its control. Each candidate has a yearly
cost of its own and a yearly cost for every zone that it would govern (infinite where that zone
would suffer beyond its cap). At most `n` candidates are opened, at most one in a zone, a zone with
a sensor is governed by it, and every zone is governed by exactly one open candidate. Because a
candidate's go/skip sequence depends only on its own zone, the costs are independent of each other,
and the problem is facility location with self-service, solved by HiGHS with no gap; the reported
cost is recomputed from the whole-number choice.

Exact with it: what each controller is fitted with (`Equipment`: one kind each, its capacity, its
cost per controller and per sensor), and the hours of local rules (`Window`). Not part of it:
trench that several sensors share, which depends on all of them at once; `siting.planning` prices
that again and again.

References
----------
Huangfu, Q. and Hall, J. A. J. (2018). Parallelizing the dual revised simplex method. Mathematical
Programming Computation 10, 119-142 (HiGHS, called through `scipy.optimize.milp`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from siting._facility import Model, Solution
from siting._sensor_model import Candidates, Choice, Equipment, SensorChoice, Window, evaluate
from siting.errors import Fault, InputError

__all__ = [
    "Candidates",
    "Choice",
    "Equipment",
    "SensorChoice",
    "Window",
    "choose_sensors",
    "evaluate",
    "fixed_zones",
    "plain_rules",
    "with_values",
]

#: A further sensor must lower the yearly cost by more than this share of it to be used.
WORTH = 1e-6

#: Costs closer than this share are equal; the earlier candidates then win.
TIE = 1e-9


def choose_sensors(
    candidates: Candidates, *, max_sensors: int, curve: bool = True, tie: float = TIE
) -> SensorChoice:
    """Decide how many sensors to bury, where, and which zones each governs, to proven optimality.

    Every allowed number n = 1 .. `max_sensors` is solved (a solution that uses fewer sensors than
    allowed stands for the numbers between). A further sensor that lowers the cost by no more than
    one part in a million is not used, so that its value is exactly 0. Among equal costs (closer
    than `tie`) a second look swaps sensors one at a time for earlier candidates.

    max_sensors: greatest number of sensors, at least 1. Result: one row per n, and the cheapest.

    >>> two = Candidates(np.array([0, 1]), np.array([[1.0, 4.0], [5.0, 2.0]]), np.ones(2), ("", ""))
    >>> choice = choose_sensors(two, max_sensors=2)
    >>> choice.chosen.sensors, choice.rows[0].value_of_next
    ((0, 1), 1.0)
    """
    if max_sensors < 1:
        fault = Fault("control", str(max_sensors), "1 or more", "Raise it.", column="max_sensors")
        raise InputError([fault])
    model = Model(candidates)
    found: dict[int, Choice] = {}
    n = max_sensors
    while n >= 1:
        choice = _solved(candidates, model, n, tie=tie)
        # What is best with at most n and uses fewer is also best for every number between.
        least = choice.used if choice.feasible else 1
        found.update({m: replace(choice, n=m) for m in range(least, n + 1)})
        n = least - 1 if curve else 0
    rows = with_values([found[m] for m in sorted(found)])
    costs = [row.cost if row.feasible else np.inf for row in rows]
    best = int(np.argmin(costs)) if np.isfinite(min(costs)) else None
    return SensorChoice(rows, best)


def fixed_zones(candidates: Candidates, zones: Sequence[int]) -> Choice:
    """Return the best choice with one sensor in each of the given zones and none elsewhere.

    Result: with the best settings and assignment; not feasible where a zone cannot be governed.
    """
    wanted = sorted(set(zones))
    model = Model(candidates)
    return _solved(candidates, model, len(wanted), zones=wanted)


def plain_rules(
    candidates: Candidates, *, need: NDArray[np.float64], plants: Sequence[str]
) -> Mapping[str, Choice]:
    """Evaluate the rules of thumb, each with its best settings and assignment.

    need (Z,): water-need score, the driest zone has the greatest [% of RAW per peak day]. Result:
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


def _solved(
    candidates: Candidates,
    model: Model,
    n: int,
    *,
    zones: Sequence[int] | None = None,
    tie: float = TIE,
) -> Choice:
    """Solve without the hours; where they are passed, solve again with them."""
    found = model.solve(at_most=n, zones=zones)
    swaps = model.kept if zones is None else None
    if swaps is not None and tie > TIE:
        own = candidates.cost[np.arange(len(candidates.zone)), candidates.zone]
        swaps = np.flatnonzero(np.isfinite(own))
    choice = _settle(candidates, found, n, swaps=swaps, tie=tie)
    window = candidates.window
    if window is None or not choice.feasible or window.holds(choice.governor):
        return choice
    bound = model.solve(at_most=n, zones=zones, in_window=True)
    if not bound.sensors:
        return _settle(candidates, bound, n, swaps=None, tie=tie)
    free = evaluate(candidates, bound.sensors)[1]
    rows, every = np.arange(len(bound.governor)), np.array(bound.sensors)
    best = evaluate(candidates, bound.sensors)[0]
    extra = candidates.cost[bound.governor, rows].sum() - candidates.cost[best, rows].sum()
    return Choice(
        n,
        feasible=True,
        sensors=tuple(int(j) for j in np.sort(every)),
        governor=bound.governor,
        cost=float(free + extra),
        gap=bound.gap,
    )


def _settle(
    candidates: Candidates,
    found: Solution,
    n: int,
    *,
    swaps: NDArray[np.int64] | None,
    tie: float,
) -> Choice:
    """Take a second look (idle sensors, earlier candidates from `swaps`); then recompute."""
    if not found.sensors:
        nobody = np.full(candidates.cost.shape[1], -1)
        return Choice(n, feasible=False, sensors=(), governor=nobody, cost=float("nan"))
    chosen = sorted(found.sensors)
    if swaps is not None:
        chosen = _without_idle(candidates, chosen)
        ceiling = evaluate(candidates, chosen)[1] * (1 + tie)
        swapped: list[int] | None = chosen
        while swapped is not None:
            chosen = swapped
            swapped = _earlier(candidates, chosen, swaps, ceiling)
    governor, cost = evaluate(candidates, chosen)
    return Choice(
        n,
        feasible=True,
        sensors=tuple(chosen),
        governor=governor,
        cost=cost,
        gap=found.gap,
    )


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


def with_values(rows: Sequence[Choice]) -> tuple[Choice, ...]:
    """Keep the previous choice where one more sensor is worth nothing; then value each.

    Result: costs never rise along it; `value_of_next` is exactly 0 where a sensor is worth nothing.
    """
    rows = list(rows)
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
