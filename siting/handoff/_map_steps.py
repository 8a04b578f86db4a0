"""What the map page tells a crew to do at a sensor: the steps, and the tape ties."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from siting.handoff._map_text import Pair, both, burial, fill, number, taped, words
from siting.handoff._sensor_facts import chance_cell, compass, spares
from siting.planning import Plan

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["reserve_rows", "sensor_steps", "tie_rows", "tie_table"]


def sensor_steps(sensor: pd.Series[Any]) -> list[Pair]:
    """Return the steps from the hole to the threshold.

    Result: the steps in order.

    Reading the sensor a day after a thorough soaking, and starting from that reading, is common
    practice. ``threshold_note`` says the same in one sentence and is left out here.
    """
    vwc = number(100 * float(sensor["threshold_vwc"]), 1)
    low = number(100 * float(sensor["threshold_low_fraction"]), 0)
    steps: list[Pair] = [
        fill(
            "Bury the sensor {} deep, with firm contact to undisturbed soil all along it.",
            burial(sensor["depth_m"]),
        ),
        "Soak the ground around it thoroughly, then keep this valve off and wait "
        f"{number(sensor['soak_wait_h'], 0)} h.",
        "Take the reading and write it down: it is the full mark of this soil.",
    ]
    if withheld := str(sensor.get("threshold_withheld") or ""):
        return [*steps, withheld]
    steps.append(
        fill(
            "Threshold: {} points of water by volume below the full mark, about "
            f"{vwc} % water by volume if the soil is as assumed ({low} % of the water that plants "
            "can use is gone: {}).",
            number(100 * float(sensor["threshold_step_vwc"]), 1),
            both(sensor["threshold_low_mm"], "depth"),
        )
    )
    if sensor["control"] == "bypass":
        return [*steps, "While it is wetter than that, a timed event is skipped."]
    return [*steps, "Drier than that, watering starts, for the minutes of the timer table."]


def tie_rows(ties: pd.DataFrame) -> list[list[Pair]]:
    """Return a sensor's ties: number, from where, distance, expected error.

    Result: one list of cells per tie.
    """
    return [
        [
            str(row["tie"]),
            words(row["from_kind"]),
            taped(row["distance_m"]),
            both(1000 * row["drms_m"], "depth"),
        ]
        for _, row in ties.iterrows()
    ]


def reserve_rows(plan: Plan, sensor_id: str) -> list[list[Pair]]:
    """Return a sensor's reserve points: name, distance, direction, tapes from points 1 and 2, rank.

    Result: one list of cells per reserve point.
    """
    at = plan.sensors.geometry.loc[sensor_id]
    rows: list[list[Pair]] = []
    for spare in spares(plan, sensor_id):
        tapes: dict[int, Pair] = {
            tie: fill("{}{}", taped(metres), "" if clear else " (wall between)")
            for tie, metres, clear in spare.tapes
        }
        towards = compass(spare.x - at.x, spare.y - at.y)
        rows.append(
            [
                f"R{spare.reserve}",
                taped(spare.distance_m),
                f"{towards} ({number(spare.bearing_deg, 0)}°)",
                tapes.get(1, "–"),
                tapes.get(2, "–"),
                chance_cell(spare.p_driest_quarter),
            ]
        )
    return rows


def tie_table(plan: Plan) -> dict[str, Any]:
    """Return the table of all ties, sensor by sensor."""
    rows: list[list[Pair]] = [
        [str(sensor_id), *cells]
        for sensor_id in plan.sensors.index
        for cells in tie_rows(plan.ties[plan.ties["sensor_id"] == sensor_id])
    ]
    return {"head": ["Sensor", "Tie", "From", "Distance", "Error ±"], "rows": rows}
