"""From simulated governors to the number and grouping of sensors, with money on them.

What is exact: for given prices of each sensor, the number of sensors, where they lie, what each
governs, its control and the hardware of each controller (an integer programme solved without a
gap). What is not: trench that several sensors share depends on all of them at once. The programme
is first solved for every number of sensors with a trench of its own for each, which is an upper
bound, then again and again, for the most sensors allowed, with the trench that each would add to
the choice so far; every choice met is priced on its shared trench, and the cheapest is kept. A
bound from below, with no trench but each controller's shortest, says how far it can be from the
best.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_control import Governors
from siting._plan_options import Options, controllers_of
from siting.sensors import Choice, choose_sensors, plain_rules, with_values

__all__ = ["Decision", "decide"]

_Array = NDArray[np.float64]

#: Rounds of pricing shared trench at most.
_ROUNDS: Final = 5


@dataclass(frozen=True)
class Decision:
    """The chosen grouping, beside everything it was chosen from.

    Parameters
    ----------
    governors : Governors
        The candidates of every kind of control.
    choice : Choice
        The chosen grouping, at its cost with shared trench.
    options : Options
        What it was chosen from.
    hardware : dict of str to str
        Controller -> what it is fitted with.
    choices, rules, regret : DataFrame
        As `Plan.choices`, `Plan.rules`, `Plan.regret`.
    facts : dict
        As `Plan.decision`.
    warnings : tuple of str
        Where something gave way.
    """

    governors: Governors
    choice: Choice
    options: Options
    hardware: dict[str, str]
    choices: pd.DataFrame
    rules: pd.DataFrame
    regret: pd.DataFrame
    facts: dict[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Curve:
    """The best choice for each number of sensors, at its true cost."""

    rows: tuple[Choice, ...]
    rounds: int

    @property
    def best(self) -> int | None:
        """Position of the cheapest, the one with the fewest sensors where equal."""
        costs = [row.cost if row.feasible else np.inf for row in self.rows]
        return int(np.argmin(costs)) if np.isfinite(min(costs)) else None


def decide(options: Options, *, max_sensors: int) -> Decision:
    """Choose kind of control, hardware, number of sensors and grouping.

    Parameters
    ----------
    options : Options
        What may be bought. A sensor governs zones of its own controller only, and lies in a zone
        with admissible ground unless that leaves a zone that nobody can govern.
    max_sensors : int
        As many as the user allows.

    Returns
    -------
    Decision
        The cheapest.
    """
    notes = options.too_long()
    if notes:
        options = replace(options, window_minutes=None)
    curve = _solve(options, max_sensors)
    if curve.best is None:
        options, curve, more = _relaxed(options, max_sensors)
        notes += more
    at = curve.best or 0
    choice = curve.rows[at]
    rules = {
        rule: options.priced(row, options.prices.connection)
        for rule, row in plain_rules(
            replace(options, cramped=True).candidates(),
            need=options.zones["need_score"].to_numpy(dtype=float),
            plants=[str(word) for word in options.zones["plants"]],
        ).items()
    }
    return Decision(
        governors=options.pool,
        choice=choice,
        options=options,
        hardware=options.hardware(choice),
        choices=_choices(options, curve, at),
        rules=pd.DataFrame(
            [
                {"rule": rule, "n": row.n, "feasible": row.feasible, **_totals(options, row)}
                for rule, row in rules.items()
            ]
        ).set_index("rule"),
        regret=_regret(options, curve, rules),
        facts=_facts(options, curve, choice, max_sensors),
        warnings=notes,
    )


def _solve(options: Options, max_sensors: int) -> _Curve:
    """Return the whole curve, with shared trench priced until the choice is stable."""
    own = options.prices.connection
    first = choose_sensors(options.candidates(), max_sensors=max_sensors).rows
    best = [options.priced(row, own) for row in first]
    trench = options.prices.trench
    rounds = 0
    while trench is not None and rounds < _ROUNDS:
        cheapest = min((row for row in best if row.feasible), key=lambda r: r.cost, default=None)
        if cheapest is None:
            break
        rounds += 1
        added = trench.marginal(options.homes(cheapest)) - trench.own
        connection = np.maximum(own + options.prices.trench_per_m * added, 0.0)
        again = choose_sensors(
            options.candidates(connection=connection), max_sensors=max_sensors, curve=False
        ).rows
        priced = [options.priced(row, connection) for row in again]
        better = [
            _cheaper(old, next((new for new in priced if new.used <= n and new.feasible), old), n)
            for n, old in enumerate(best, start=1)
        ]
        stable = [b.sensors for b in better] == [b.sensors for b in best]
        best = better
        if stable:
            break
    return _Curve(with_values(best), rounds)


def _cheaper(old: Choice, new: Choice, n: int) -> Choice:
    if new.cost < old.cost * (1 - 1e-9) or not old.feasible:
        return replace(new, n=n)
    return old


def _relaxed(options: Options, max_sensors: int) -> tuple[Options, _Curve, tuple[str, ...]]:
    """Give way where nothing serves every zone: number, then setbacks, hours, inputs."""
    every = max(len(options.zones), max_sensors)
    cramped = replace(options, cramped=True)
    free = replace(cramped, window_minutes=None)
    tries = (
        (options, every),
        (cramped, max_sensors),
        (cramped, every),
        (free, every),
        (replace(free, stretched=True), every),
    )
    for trial, count in tries:
        curve = _solve(trial, count)
        if curve.best is not None:
            return trial, curve, _gave_way(options, trial, curve, max_sensors)
    # Every zone can govern itself (its cap was relaxed); this raises in plain words if not so.
    raise AssertionError(choose_sensors(free.candidates(), max_sensors=every).chosen)


def _gave_way(
    wanted: Options, options: Options, curve: _Curve, max_sensors: int
) -> tuple[str, ...]:
    """Say what gave way."""
    notes = []
    least = min(row.n for row in curve.rows if row.feasible)
    if least > max_sensors:
        notes.append(
            f"{max_sensors} sensors (max_sensors) do not keep every zone within its stress limit: "
            f"at least {least} are needed, and more than {max_sensors} were allowed"
        )
    if options.cramped and not wanted.cramped:
        names = ", ".join(str(z) for z in options.zones.index[~options.zones["admissible"]])
        if names:
            notes.append(
                f"no choice of sensors serves every zone from ground that meets all setbacks, so "
                f"one may lie where a setback gives way: {names}"
            )
    if options.window_minutes is None and wanted.window_minutes is not None:
        notes.append(
            f"no choice of sensors waters every zone within the {wanted.window_minutes:.0f} "
            "minutes that local rules allow on a day; that limit is not met"
        )
    if options.stretched:
        notes += options.beyond_inputs(curve.rows[curve.best or 0])
    return tuple(notes)


def _choices(options: Options, curve: _Curve, chosen: int) -> pd.DataFrame:
    """Return one row per number of sensors."""
    rows = []
    costs = [options.costs(row) for row in curve.rows]
    for at, row in enumerate(curve.rows):
        low = high = np.nan
        if row.feasible and at + 1 < len(curve.rows):
            worth = costs[at] - costs[at + 1]
            low, high = float(worth.min()), float(worth.max())
        homes = options.hardware(row) if row.feasible else {}
        kinds = sorted({options.pool.kind[j] for j in row.sensors})
        rows.append(
            {
                "n": row.n,
                "feasible": row.feasible,
                "groups": _groups(options, row),
                "used": row.used,
                "control": " + ".join(kinds) or "none",
                "hardware": ", ".join(
                    f"{name}: {kind}" if name else kind for name, kind in homes.items()
                ),
                **_totals(options, row),
                "value_of_next": row.value_of_next,
                "value_of_next_low": low,
                "value_of_next_high": high,
                "gap": row.gap,
                "chosen": at == chosen,
            }
        )
    return pd.DataFrame(rows).set_index("n")


def _totals(options: Options, row: Choice) -> dict[str, float]:
    """Return water, cost and worst stress of a choice."""
    water = float(options.water_m3(row).mean()) if row.feasible else float("nan")
    return {"water_m3": water, "cost_per_year": row.cost, "stress_days": options.stress_days(row)}


def _groups(options: Options, row: Choice) -> str:
    """Return "sensor zone: governed, governed | ..."."""
    names = [str(zone) for zone in options.zones.index]
    groups = []
    for sensor in row.sensors:
        governed = [names[z] for z in np.flatnonzero(row.governor == sensor)]
        groups.append(f"{names[options.pool.zone[sensor]]}: {', '.join(governed)}")
    return " | ".join(groups)


def _regret(options: Options, curve: _Curve, rules: dict[str, Choice]) -> pd.DataFrame:
    """Return what each option costs beyond the best of them, scenario by scenario."""
    named: dict[str, Choice] = {}
    for row in curve.rows:
        if row.feasible and row.used == row.n:
            named[f"{row.n} sensor{'' if row.n == 1 else 's'}"] = row
    named |= {rule: row for rule, row in rules.items() if row.feasible}
    costs = np.array([options.costs(row) for row in named.values()])
    regret = costs - costs.min(axis=0)
    return pd.DataFrame(
        {
            "cost_per_year": costs.mean(axis=1),
            "regret_mean": regret.mean(axis=1),
            "regret_max": regret.max(axis=1),
            "worst_scenario": regret.argmax(axis=1),
            "by_scenario": [tuple(float(v) for v in values) for values in regret],
        },
        index=pd.Index(list(named), name="option"),
    )


def _facts(options: Options, curve: _Curve, choice: Choice, max_sensors: int) -> dict[str, Any]:
    """Return how exact the choice is."""
    bound = choice.cost
    if options.prices.trench is not None:
        bound = min(bound, _bound(options, max(choice.n, max_sensors)))
    share = (choice.cost - bound) / choice.cost if choice.cost > 0 else 0.0
    words = (
        "Number of sensors, grouping, thresholds and hardware are proven the best for the price of "
        f"each sensor by itself (gap {100 * choice.gap:.4f} %)."
    )
    if options.prices.trench is not None:
        words += (
            f" Trench that sensors share was priced in {curve.rounds} "
            f"round{'' if curve.rounds == 1 else 's'}; no choice can cost less than "
            f"{100 * share:.1f} % below this one."
        )
    return {
        "gap": choice.gap,
        "lower_bound": bound,
        "bound_share": share,
        "trench_rounds": curve.rounds,
        "scenarios": len(options.costs(choice)),
        "weather_years": options.years,
        "exactness": words,
    }


def _bound(options: Options, count: int) -> float:
    """Return what no choice can cost less than: every controller's shortest trench alone."""
    trench, prices = options.prices.trench, options.prices
    if trench is None:
        return float("-inf")
    free = np.maximum(prices.connection - prices.trench_per_m * trench.own, 0.0)
    rows = choose_sensors(options.candidates(connection=free), max_sensors=count, curve=False).rows
    controller, names = controllers_of(options.zones)
    shortest = sum(float(trench.own[controller == c].min()) for c in range(len(names)))
    return rows[-1].cost + prices.trench_per_m * shortest
