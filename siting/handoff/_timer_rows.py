"""The timer table as sheet and map show it: `Plan.timer_table`, program by program and by month."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from siting.planning import Plan

__all__ = [
    "MONTHS",
    "NO_SENSOR",
    "Program",
    "Valve",
    "cycle_words",
    "programs",
    "season_months",
    "valves",
]

#: What a valve that keeps a program of its own is said to have.
NO_SENSOR: Final = "no sensor"

MONTHS: Final = (
    "", "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
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
    each = f"{valve.cycles} × {valve.cycle_minutes:,.1f}"
    whole = valve.cycles > 1 and math.isfinite(valve.soak_minutes)
    return each, f"{valve.soak_minutes:,.0f}" if whole else "–"
