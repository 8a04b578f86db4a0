"""What else could be bought, what regret it brings and what moves the result: rows for any page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from siting.planning import Plan

__all__ = ["Control", "Move", "Option", "choices", "controls", "folded", "moves", "options"]

_NO_SENSOR_COST: Final = {"timer as it runs today", "timer, its minutes set right", "rain shut-off"}


@dataclass(frozen=True)
class Control:
    """One kind of control beside the plan.

    kind, hardware: as in `Plan.controls`, the hardware as people write it; sensors: how many it
    takes; water_m3, cost_per_year, stress_days: as in the table, NaN where it cannot serve the
    property [m³], [currency], [d];
    chosen: whether the plan is of this kind alone.
    """

    kind: str
    hardware: str
    sensors: int
    water_m3: float
    cost_per_year: float
    stress_days: float
    chosen: bool


@dataclass(frozen=True)
class Option:
    """One number of sensors or plain rule, and its regret.

    name: "3 sensors", or the rule; rule: whether it is a plain rule; sensors: how many it takes;
    cost_per_year, regret_mean, regret_max: NaN where it leaves a zone too dry [currency per year];
    chosen: whether it is the plan.
    """

    name: str
    rule: bool
    sensors: int
    cost_per_year: float
    regret_mean: float
    regret_max: float
    chosen: bool


@dataclass(frozen=True)
class Move:
    """One input moved to either side, and what the result is then.

    name, low, high: the input and the settings tried; value_low, value_high, base: of the measure,
    NaN where the sensors cannot keep the limit then; payback_low, payback_high: NaN where it never
    pays or is not claimed [years].
    """

    name: str
    low: str
    high: str
    value_low: float
    value_high: float
    base: float
    payback_low: float
    payback_high: float


def _records(table: pd.DataFrame) -> list[tuple[str, dict[str, Any]]]:
    """Return a table's index as text, with its rows."""
    rows: list[dict[str, Any]] = table.to_dict(orient="records")  # type: ignore[assignment]
    return list(zip([str(key) for key in table.index], rows, strict=True))


def folded(rows: Iterable[Mapping[str, Any]]) -> list[tuple[str, Mapping[str, Any] | None]]:
    """Put numbers of sensors that buy nothing new into one line.

    Result: the number and its row; a range such as "2 to 6" and None where the choice before it
    stays the best.
    """
    told: list[tuple[str, Mapping[str, Any] | None]] = []
    same: list[int] = []
    before: Mapping[str, Any] | None = None
    for row in [*rows, None]:
        if row is not None and before is not None and _repeats(row, before):
            same.append(int(row["n"]))
            continue
        if same:
            ends = dict.fromkeys((same[0], same[-1]))
            told.append((" to ".join(str(n) for n in ends), None))
            same = []
        if row is not None:
            told.append((str(row["n"]), row))
        before = row
    return told


def _repeats(row: Mapping[str, Any], before: Mapping[str, Any]) -> bool:
    """Return whether a number of sensors allowed buys what the one before it buys."""
    if row["chosen"] or not row["feasible"] or not before["feasible"]:
        return False
    return bool(row["used"] == before["used"] and row["groups"] == before["groups"])


def choices(plan: Plan) -> list[tuple[str, Mapping[str, Any] | None]]:
    """Return the numbers of sensors of a plan, those that buy nothing new in one line."""
    return folded({"n": int(n), **row} for n, row in _records(plan.choices))


def controls(plan: Plan) -> list[Control]:
    """Return every kind of control that stands beside the plan.

    Result: in the order of ``plan.controls``; the plan itself last where it mixes kinds.
    """
    found = [
        Control(
            kind=kind,
            hardware=_fitted(kind, str(row["hardware"])),
            sensors=int(row["sensors"]),
            water_m3=float(row["water_m3"]),
            cost_per_year=float(row["cost_per_year"]),
            stress_days=float(row["stress_days"]),
            chosen=bool(row["chosen"]),
        )
        for kind, row in _records(plan.controls)
    ]
    if not found or any(one.chosen for one in found):
        return found
    return [*found, *(_mixed(plan, row) for _, row in _records(plan.choices) if row["chosen"])]


def _mixed(plan: Plan, row: Mapping[str, Any]) -> Control:
    """Return the plan's own line where it mixes kinds of control."""
    kinds = dict.fromkeys(str(k).replace("_", "-") for k in plan.sensors["control"])
    hardware = dict.fromkeys(str(k).replace("_", "-") for k in plan.sensors["hardware"])
    return Control(
        kind=" and ".join(kinds),
        hardware=", ".join(hardware),
        sensors=len(plan.sensors),
        water_m3=float(row["water_m3"]),
        cost_per_year=float(row["cost_per_year"]),
        stress_days=float(row["stress_days"]),
        chosen=True,
    )


def _fitted(kind: str, hardware: str) -> str:
    """Return what a kind of control needs."""
    if kind in _NO_SENSOR_COST:
        return "rain sensor" if kind == "rain shut-off" else "the timer alone"
    return "–" if hardware == "none" else hardware.replace("_", "-")


def options(plan: Plan) -> list[Option]:
    """Return every number of sensors and every plain rule, with their regret.

    Result: numbers first, then rules; rules that leave a zone too dry have no figures.
    """
    regret: dict[str, Mapping[str, Any]] = dict(_records(plan.regret))
    count, found = len(plan.sensors), []
    for name, row in regret.items():
        if name in set(map(str, plan.rules.index)):
            continue
        sensors = int(name.split()[0]) if name.split()[0].isdigit() else 0
        found.append(_option(name, sensors, row, rule=False, chosen=sensors == count))
    for name, rule in _records(plan.rules):
        found.append(_option(name, int(rule["n"]), regret.get(name, {}), rule=True))
    return found


def _option(
    name: str, sensors: int, row: Mapping[str, Any], *, rule: bool, chosen: bool = False
) -> Option:
    cost, mean, worst = (
        float(row.get(key, math.nan)) for key in ("cost_per_year", "regret_mean", "regret_max")
    )
    return Option(name, rule, sensors, cost, mean, worst, chosen)


def moves(plan: Plan) -> list[Move]:
    """Return what moves the result, the greatest swing first.

    Result: one per input; empty where the plan has no sensitivity, or where its own sensors cannot
    be reckoned anew within the limit, so that there is nothing to move from.
    """
    return [
        Move(
            name=name,
            low=str(row["low"]),
            high=str(row["high"]),
            value_low=float(row["value_low"]),
            value_high=float(row["value_high"]),
            base=float(row["value_base"]),
            payback_low=float(row["payback_low"]),
            payback_high=float(row["payback_high"]),
        )
        for name, row in _records(plan.sensitivity)
        if math.isfinite(float(row["value_base"]))
    ]
