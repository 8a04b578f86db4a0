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


@dataclass(frozen=True)
class Program:
    """The valves of one sensor, with the adjustment that they share.

    tag, days, control: the sensor ("no sensor" where there is none), the days on which it may
    start, and its kind of control; percent: seasonal adjustment by month [%]; valves: in the order
    of the table.
    """

    tag: str
    days: str
    control: str
    percent: Mapping[int, float]
    valves: tuple[Valve, ...]


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


def programs(plan: Plan) -> list[Program]:
    """Return the programs, one per sensor, then those of valves without one.

    Result: empty where the plan has no timer table.
    """
    every = list(valves(plan).values())
    led = [tuple(v for v in every if v.program == str(tag)) for tag in plan.sensors.index]
    alone: dict[tuple[object, ...], list[Valve]] = {}
    for valve in every:
        if not valve.program:
            alone.setdefault((valve.days, *valve.percent.values()), []).append(valve)
    groups = [*(mine for mine in led if mine), *(tuple(mine) for mine in alone.values())]
    return [
        Program(mine[0].program or NO_SENSOR, mine[0].days, mine[0].control, mine[0].percent, mine)
        for mine in groups
    ]


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
