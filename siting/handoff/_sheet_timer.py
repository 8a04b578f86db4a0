"""What a crew types into the timer: hardware, minutes per valve, and minutes by month."""

from __future__ import annotations

import math
from typing import Any, Final

from reportlab.platypus import Spacer

from siting.handoff._sensor_facts import controllers, hardware_words
from siting.handoff._sheet_tables import grid, heading, text
from siting.handoff._sheet_text import clean, elide, number
from siting.handoff._timer_rows import (
    MONTHS,
    NO_SENSOR,
    Program,
    cycle_words,
    programs,
    season_months,
    valves,
)
from siting.planning import Plan

__all__ = ["timer_pages"]

_NAME: Final = 40
_DASH: Final = "–"


def timer_pages(plan: Plan, *, width: float) -> list[Any]:
    """Return the flowables from the hardware to the minutes by month.

    width: between the margins [pt]. Result: hardware per controller, run times per valve, minutes
    by month.
    """
    return [*_hardware(plan, width), *_run_times(plan, width), *_months(plan, width)]


def _name(value: object) -> str:
    return elide(clean(value), _NAME)


def _hardware(plan: Plan, width: float) -> list[Any]:
    """Say what every controller is fitted with, and which sensors go to it."""
    rows = [
        (
            _name(fitted.name) or "the system's",
            hardware_words(clean(fitted.hardware)),
            ", ".join(fitted.sensors) or _DASH,
        )
        for fitted in controllers(plan)
    ]
    if not rows:
        return []
    return [
        heading("Hardware for each controller"),
        grid(("Controller", "Hardware", "Sensors"), rows, (1.6, 3.6, 2.4), width=width,
             words=(0, 1, 2)),
        Spacer(1, 4),
    ]  # fmt: skip


def _run_times(plan: Plan, width: float) -> list[Any]:
    """Minutes, cycles and soak per valve."""
    set_to, rows = valves(plan), []
    for zone, row in zip(plan.zones.index, plan.zones.itertuples(), strict=True):
        valve = set_to.get(str(zone))
        if valve is None:
            continue
        cycles, soak = cycle_words(valve)
        factor = row.run_time_factor
        rows.append(
            (
                _name(row.valve),
                _name(zone),
                row.sensor_id or NO_SENSOR,
                clean(row.control).replace("_", "-"),
                number(row.today_minutes),
                number(valve.minutes),
                _DASH if not math.isfinite(factor) else f"× {factor:.2f}",
                cycles,
                soak,
                f"{number(row.today_events)} / {number(row.events)}",
            )
        )
    head = ("Valve", "Zone", "Sensor", "Control", "Today min", "Plan min", "Factor", "Cycles × min",
            "Soak min", "Events today / plan")  # fmt: skip
    shares = (0.95, 2.1, 1.1, 1.6, 1, 0.9, 1.1, 1.4, 0.9, 1.3)
    timer = [] if plan.settings.timer else [text("Today's timer is not known: no comparison.")]
    return [
        heading("Run times for the controller"),
        text(
            "Whole minutes per watering event at 100 %. Where there are several cycles, let the "
            "water soak in for the minutes stated between them, so that nothing runs off. Events "
            "are the mean of a season. Local watering days and hours come first."
        ),
        *timer,
        grid(head, rows, shares, width=width, words=(0, 1, 2, 3)),
        Spacer(1, 4),
    ]


def _months(plan: Plan, width: float) -> list[Any]:
    """Minutes by month, under the seasonal adjustment of each program."""
    months, listed = season_months(plan), programs(plan)
    if not months:
        return []
    rows: list[tuple[str, ...]] = []
    bold = []
    for program in listed:
        bold.append(len(rows))
        rows.append(("", _program(program), *(f"{program.percent[m]:.0f}%" for m in months)))
        rows += [
            (_name(v.valve), _name(v.zone), *(number(v.by_month[m]) for m in months))
            for v in program.valves
        ]
    return [
        heading("Programs and minutes by month"),
        text(
            "One program for each sensor, started on the days stated: wetter than its threshold, "
            "the sensor skips the whole program. Type in the minutes of the table above and leave "
            "the seasonal adjustment at 100 %: the sensor does that. Valves without a sensor keep "
            "a program of their own, with the adjustment of the month where one is stated."
        ),
        grid(
            ("Valve", "Program, zone", *(MONTHS[m] for m in months)),
            rows,
            (0.9, 2.6, *([0.62] * len(months))),
            width=width,
            words=(0, 1),
            bold_rows=bold,
        ),
        Spacer(1, 4),
    ]


def _program(program: Program) -> str:
    """Return the name of a program and the days on which it starts."""
    return f"{program.tag}: {program.days}"
