"""A plan in a terminal: one row per sensor, or one block where the window is narrow."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

from rich.markup import escape
from rich.table import Table

from siting.handoff._hazards import hazard_name
from siting.handoff._money_rows import choices
from siting.handoff._sensor_facts import chance_cell
from siting.handoff._sheet_text import depth, elide
from siting.handoff._timer_rows import valves
from siting.planning import Plan
from siting.units import figure, show

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["choice_lines", "sensor_lines", "sensor_table"]

#: Narrower windows than this show a block per sensor.
NARROW: Final = 100
_NAMED: Final = 60


def sensor_table(plan: Plan) -> Table:
    """Return the sensors of a plan as a table for a terminal of 100 columns and more.

    Parameters
    ----------
    plan : Plan
        The plan; numbers are shown in its property's units.

    Returns
    -------
    rich.table.Table
        One row per sensor: tag, zone and valve, depth, threshold, the minutes of what it governs,
        clearance, wire.
    """
    table = Table(header_style="bold")
    for head in ("sensor", "zone", "valve", "control", "depth", "threshold", "runs, minutes"):
        table.add_column(head, overflow="fold")
    for head in ("driest quarter", "setbacks", "wire"):
        table.add_column(head, justify="right", overflow="fold")
    for tag, row in plan.sensors.iterrows():
        table.add_row(
            escape(str(tag)),
            escape(str(row["zone"])),
            escape(str(row["valve"])),
            str(row["control"]).replace("_", "-"),
            _depth(plan, row),
            _threshold(row),
            escape(_runs(plan, row)),
            chance_cell(row["p_driest_quarter"]),
            _setbacks(row),
            _wire(plan, row),
        )
    return table


def sensor_lines(plan: Plan, width: int) -> list[str]:
    """Return the sensors of a plan as a block of lines each, for a narrow terminal.

    Parameters
    ----------
    plan : Plan
        The plan; numbers are shown in its property's units.
    width : int
        Of the terminal [characters].

    Returns
    -------
    list of str
        No line wider than the terminal, but for a word that is.
    """
    lines: list[str] = []
    for tag, row in plan.sensors.iterrows():
        control = str(row["control"]).replace("_", "-")
        head = f"{tag} in {row['zone']} (valve {row['valve']}), {_depth(plan, row)} deep, {control}"
        told = (
            f"threshold: {_threshold(row)}",
            f"runs: {_runs(plan, row)}",
            f"chance of the driest quarter: {chance_cell(row['p_driest_quarter'])}",
            f"setbacks: {_setbacks(row)}; {_wire(plan, row)} of wire",
        )
        lines += textwrap.wrap(head, width, subsequent_indent="    ", break_long_words=False)
        for one in told:
            lines += textwrap.wrap(
                one, width, initial_indent="  ", subsequent_indent="    ", break_long_words=False
            )
    return lines


def choice_lines(plan: Plan) -> list[str]:
    """Return what each number of sensors brings, those that buy nothing new in one line.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of str
        Such as "1: 400 m³, 900 EUR a year (chosen)" and "2 to 6: no better".
    """
    units, currency = plan.settings.units, elide(str(plan.economics["currency"]), 10)
    lines = []
    for told, row in choices(plan):
        if row is None:
            lines.append(f"{told}: no better")
        elif not row["feasible"]:
            lines.append(f"{told}: leaves a zone too dry")
        else:
            mark = " (chosen)" if row["chosen"] else ""
            cost = f"{figure(float(row['cost_per_year']))} {currency} a year"
            lines.append(f"{told}: {show(float(row['water_m3']), 'volume', units)}, {cost}{mark}")
    return lines


def _depth(plan: Plan, row: pd.Series[Any]) -> str:
    """Return the burial depth as the sheet says it."""
    return depth(float(row["depth_m"]), plan.settings.units)


def _wire(plan: Plan, row: pd.Series[Any]) -> str:
    if row["link"] == "wireless":
        return "link"
    units = plan.settings.units
    return show(row["wire_m"], "length", units, decimals=1 if units == "metric" else 0)


def _threshold(row: pd.Series[Any]) -> str:
    """Return the threshold as the share of available water that is used."""
    low = f"{figure(100 * float(row['threshold_low_fraction']))} % used"
    if row["control"] == "bypass":
        return f"skip until {low}"
    return f"start at {low}"


def _runs(plan: Plan, row: pd.Series[Any]) -> str:
    """Return every zone that a sensor runs, with its minutes as the timer table has them."""
    table = valves(plan)
    told = [
        f"{elide(zone, _NAMED)} "
        f"{figure(table[zone].minutes if zone in table else plan.zones['run_minutes'][zone])}"
        for zone in row["governs"]
    ]
    return f"{', '.join(told)} min"


def _setbacks(row: pd.Series[Any]) -> str:
    """Return whether every setback is kept, and the tightest."""
    share = float(row["setback_ratio"])
    kept = "kept" if share >= 1 else "not kept"
    return f"{kept}, {hazard_name(row['binding_setback'])} × {figure(share, 2)}"
