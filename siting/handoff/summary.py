"""A plan in a terminal: one row per sensor."""

from __future__ import annotations

from rich.markup import escape
from rich.table import Table

from siting.planning import Plan
from siting.units import show

__all__ = ["sensor_table"]


def sensor_table(plan: Plan) -> Table:
    """Return the sensors of a plan as a table for a terminal.

    Parameters
    ----------
    plan : Plan
        The plan; numbers are shown in its property's units.

    Returns
    -------
    rich.table.Table
        One row per sensor: tag, zone and valve, what it governs, depth, clearance, wire.
    """
    units = plan.settings.units
    table = Table(header_style="bold")
    for head in ("sensor", "zone", "valve", "governs", "control"):
        table.add_column(head)
    for head in ("depth", "dryness rank", "nearest setback", "wire"):
        table.add_column(head, justify="right")
    for sensor_id, row in plan.sensors.iterrows():
        table.add_row(
            escape(str(sensor_id)),
            escape(str(row["zone"])),
            escape(str(row["valve"])),
            escape(", ".join(row["governs"])),
            str(row["control"]).replace("_", "-"),
            show(1000 * row["depth_m"], "depth", units, decimals=1 if units == "us" else 0),
            f"{row['dryness_rank']:.2f} ± {row['rank_sd']:.2f}",
            f"{row['binding_setback']} × {row['setback_ratio']:.2f}",
            show(row["wire_m"], "length", units, decimals=1 if units == "metric" else 0),
        )
    return table
