"""Rows that map and sheet both show: money, and what goes into the timer."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import pandas as pd

from siting.language import Figure, say, side_by_side
from siting.planning.model import Plan
from siting.season.controls import CONTROLS

_NO_SENSOR_COST: Final = {"timer as it runs today", "timer, its minutes set right", "rain shut-off"}


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


#: Numbers of sensors that a chart shows at most: more could not be told apart.
_MOST_SHOWN: Final = 9
_Row = TypeVar("_Row", bound=Mapping[str, Any])


def about_chosen(choices: list[_Row]) -> list[_Row]:
    """Return the numbers of sensors about the chosen one, where there are too many for a chart."""
    at = next((k for k, choice in enumerate(choices) if choice["chosen"]), 0)
    first = max(0, min(at - _MOST_SHOWN // 2, len(choices) - _MOST_SHOWN))
    return choices[first : first + _MOST_SHOWN]


def choices(plan: Plan) -> list[tuple[str, Mapping[str, Any] | None]]:
    """Return the numbers of sensors of a plan, those that buy nothing new in one line."""
    return folded({"n": int(n), **row} for n, row in _records(plan.choices))


def controls(plan: Plan) -> list[dict[str, Any]]:
    """Return every kind of control that stands beside the plan, the hardware as people write it.

    Result: rows of ``plan.controls`` in their order; the plan itself last where it mixes kinds.
    """
    found = [
        {"kind": kind, **row, "hardware": _fitted(kind, str(row["hardware"]))}
        for kind, row in _records(plan.controls)
    ]
    if not found or any(one["chosen"] for one in found):
        return found
    kinds = dict.fromkeys(str(k).replace("_", "-") for k in plan.sensors["control"])
    hardware = dict.fromkeys(str(k).replace("_", "-") for k in plan.sensors["hardware"])
    own = {"kind": " and ".join(kinds), "hardware": ", ".join(hardware)}
    mixed = [row for _, row in _records(plan.choices) if row["chosen"]]
    return [*found, *({**row, **own, "sensors": len(plan.sensors)} for row in mixed)]


def _fitted(kind: str, hardware: str) -> str:
    """Return what a kind of control needs."""
    if kind in _NO_SENSOR_COST:
        return "rain sensor" if kind == "rain shut-off" else "the timer alone"
    return "–" if hardware == "none" else hardware.replace("_", "-")


def options(plan: Plan) -> list[dict[str, Any]]:
    """Return every number of sensors and every plain rule, with their regret.

    Result: name, rule (whether it is one), sensors, chosen, cost_per_year, regret_mean and
    regret_max; numbers first, then rules; rules that leave a zone too dry have no figures.
    """
    regret: dict[str, Mapping[str, Any]] = dict(_records(plan.regret))
    count, found = len(plan.sensors), []
    for name, row in regret.items():
        if name in set(map(str, plan.rules.index)):
            continue
        sensors = int(name.split()[0]) if name.split()[0].isdigit() else 0
        told = {"name": name, "rule": False, "sensors": sensors, "chosen": sensors == count}
        found.append({**told, **row})
    figures = ("cost_per_year", "regret_mean", "regret_max")
    for name, rule in _records(plan.rules):
        told = {"name": name, "rule": True, "sensors": int(rule["n"]), "chosen": False}
        found.append({**told, **(regret.get(name) or dict.fromkeys(figures, math.nan))})
    return found


def moves(plan: Plan) -> list[dict[str, Any]]:
    """Return what moves the result, the greatest swing first: rows of ``plan.sensitivity``.

    Result: one per input; empty where the plan has no sensitivity, or where its own sensors cannot
    be reckoned anew within the limit, so that there is nothing to move from.
    """
    return [
        {"name": name, **row}
        for name, row in _records(plan.sensitivity)
        if math.isfinite(row["value_base"])
    ]


#: What a valve that keeps a program of its own is said to have.
NO_SENSOR: Final = say("no sensor")
MONTHS: Final = (
    "", say("Jan"), say("Feb"), say("Mar"), say("Apr"), say("May"), say("Jun"), say("Jul"),
    say("Aug"), say("Sep"), say("Oct"), say("Nov"), say("Dec"),
)  # fmt: skip


@dataclass(frozen=True)
class Valve:
    """One valve's line, as in `Plan.timer_table`.

    zone, valve, program, days, control: as in the table; minutes: per watering event at 100 %
    [min]; cycles: in how many goes; cycle_minutes, soak_minutes: of one go, and between two [min];
    by_month: minutes per event in each month of the season [min]; percent: seasonal adjustment of
    its program in each month of the season [%].
    """

    zone: str
    valve: str
    program: str
    days: str
    control: str
    minutes: float
    cycles: int
    cycle_minutes: float
    soak_minutes: float
    by_month: Mapping[int, float]
    percent: Mapping[int, float]


def season_months(plan: Plan) -> tuple[int, ...]:
    """Return the months in which any program runs, 1 to 12.

    Result: rising; empty where the plan has no timer table.
    """
    table = plan.timer_table
    if table.empty:
        return ()
    return tuple(m for m in range(1, 13) if (table[f"percent_{m}"] > 0).any())


def valves(plan: Plan) -> dict[str, Valve]:
    """Return every valve's line by zone.

    Result: in the order of the table; empty where the plan has none.
    """
    months = season_months(plan)
    found = {}
    rows: list[dict[str, Any]] = plan.timer_table.to_dict(orient="records")  # type: ignore[assignment]
    for zone, row in zip(plan.timer_table.index, rows, strict=True):
        found[str(zone)] = Valve(
            zone=str(zone),
            valve="" if row["valve"] is None else str(row["valve"]),
            program=str(row["program"]),
            days=str(row["days"]),
            control=str(row["control"]),
            minutes=float(row["run_minutes"]),
            cycles=int(row["cycles"]),
            cycle_minutes=float(row["cycle_minutes"]),
            soak_minutes=float(row["soak_minutes"]),
            by_month={m: float(row[f"run_minutes_{m}"]) for m in months},
            percent={m: float(row[f"percent_{m}"]) for m in months},
        )
    return found


def programs(plan: Plan) -> list[tuple[str, tuple[Valve, ...]]]:
    """Return the programs, one per sensor, then those of valves without one.

    Result: whose it is ("no sensor" where there is none), and its valves, which have days and
    adjustment in common; empty where the plan has no timer table.
    """
    every = list(valves(plan).values())
    led = [tuple(v for v in every if v.program == str(tag)) for tag in plan.sensors.index]
    alone: dict[tuple[object, ...], list[Valve]] = {}
    for valve in every:
        if not valve.program:
            alone.setdefault((valve.days, *valve.percent.values()), []).append(valve)
    groups = [*(mine for mine in led if mine), *(tuple(mine) for mine in alone.values())]
    return [(mine[0].program or NO_SENSOR, mine) for mine in groups]


def cycle_words(valve: Valve) -> tuple[str, str]:
    """Return cycles by minutes, and the soak between them.

    Result: as in ("2 × 13.5", "30"); the soak is an en dash for a single cycle.
    """
    each = say(
        "{cycles} × {minutes}", cycles=valve.cycles, minutes=Figure(f"{valve.cycle_minutes:,.1f}")
    )
    whole = valve.cycles > 1 and math.isfinite(valve.soak_minutes)
    return each, Figure(f"{valve.soak_minutes:,.0f}") if whole else "–"


_DAYS: Final[dict[str, str]] = {
    day: day
    for day in (
        say("Mon"), say("Tue"), say("Wed"), say("Thu"), say("Fri"), say("Sat"), say("Sun"),
        say("every day"),
    )
}  # fmt: skip
_EVERY: Final = re.compile(r"every (\d+) days")


def days_words(days: str) -> str:
    """Return the days of a program as people say them.

    >>> days_words("Mon, Thu"), days_words("every 3 days").message
    ('Mon, Thu', 'every {number} days')
    """
    if every := _EVERY.fullmatch(days):
        return say("every {number} days", number=every[1])
    return side_by_side([_DAYS.get(day, day) for day in days.split(", ")], ", ")


def control_words(control: object) -> str:
    """Return a kind of control as people say it; what is none stays as it is."""
    kind = CONTROLS.get(str(control))
    if kind is not None:
        return kind.name
    return say("timer") if control == "timer" else str(control).replace("_", "-")
