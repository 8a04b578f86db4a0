"""The money of the map page: other choices, other kinds of control, and what moves the result."""

from __future__ import annotations

import math
from typing import Any

from siting.handoff._assumptions import assumptions_in_words, budget_lines
from siting.handoff._map_text import Pair, both, number
from siting.handoff._money_rows import Move, controls, moves, options
from siting.planning import Plan
from siting.units import UnitsName

__all__ = ["assumption_pairs", "control_table", "move_chart", "option_table"]

_UNKNOWN = "–"


def option_table(plan: Plan) -> dict[str, Any]:
    """Return every number of sensors and plain rule with its regret."""
    head = ["Choice", f"{plan.economics['currency']} a year", "Regret, mean", "Regret, worst"]
    rows: list[list[Pair]] = [
        [
            f"{one.name} (chosen)" if one.chosen else one.name,
            number(one.cost_per_year, 0) if math.isfinite(one.cost_per_year) else "too dry",
            number(one.regret_mean, 0),
            number(one.regret_max, 0),
        ]
        for one in options(plan)
    ]
    return {"head": head, "rows": rows}


def control_table(plan: Plan) -> dict[str, Any]:
    """Return the kinds of control beside the plan."""
    head = ["Kind of control", "Sensors", "Water", f"{plan.economics['currency']} a year",
            "Dry days"]  # fmt: skip
    rows: list[list[Pair]] = [
        [
            f"{one.kind} (the plan's)" if one.chosen else one.kind,
            str(one.sensors),
            both(one.water_m3, "volume") if math.isfinite(one.water_m3) else _UNKNOWN,
            number(one.cost_per_year, 0),
            number(one.stress_days, 0) if math.isfinite(one.water_m3) else "not possible",
        ]
        for one in controls(plan)
    ]
    return {"head": head, "rows": rows}


def move_chart(plan: Plan) -> dict[str, Any]:
    """Return what moves the result: bars for the chart, and the same as a table.

    Result: `measure` in words, `base`, `bars` (name, settings and values; None where the sensors
    cannot keep the limit), `table` (head and rows).
    """
    found = moves(plan)
    first = plan.sensitivity.iloc[0] if found else {"measure": "", "unit": ""}
    unit = str(first["unit"])
    water = unit == "m3"
    return {
        "measure": str(first["measure"]) if water else f"{first['measure']}, {unit}",
        "base": _told(found[0].base, water=water) if found else _UNKNOWN,
        "bars": [
            {
                "name": one.name,
                "base": one.base,
                "ends": [
                    {"setting": setting, "value": value if math.isfinite(value) else None,
                     "told": _told(value, water=water)}
                    for setting, value in ((one.low, one.value_low), (one.high, one.value_high))
                ],
            }
            for one in found
        ],
        "table": _move_table(found, water=water),
    }  # fmt: skip


def _move_table(found: list[Move], *, water: bool) -> dict[str, Any]:
    """Return the bars as a table, with the payback beside them where it is claimed."""
    back = any(math.isfinite(end) for one in found for end in (one.payback_low, one.payback_high))
    rows: list[list[Pair]] = []
    for one in found:
        for setting, value, years in (
            (one.low, one.value_low, one.payback_low),
            (one.high, one.value_high, one.payback_high),
        ):
            told = _told(value, water=water) if math.isfinite(value) else "limit not kept"
            rows.append([one.name, setting, told, *([number(years, 1)] if back else [])])
    head = ["What", "Set to", "Result", *(["Payback, years"] if back else [])]
    return {"head": head, "rows": rows}


def _told(value: float, *, water: bool) -> Pair:
    """Return a value of the measure as text."""
    if not math.isfinite(value):
        return _UNKNOWN
    return both(value, "volume") if water else number(value, 0)


def assumption_pairs(plan: Plan) -> list[Pair]:
    """Return what the figures rest on, in both unit systems."""
    both_units: tuple[UnitsName, UnitsName] = ("metric", "us")
    metric, us = (
        [*budget_lines(plan, units), *assumptions_in_words(plan, units)] for units in both_units
    )
    return [a if a == b else [a, b] for a, b in zip(metric, us, strict=True)]
