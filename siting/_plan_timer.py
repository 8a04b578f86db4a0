"""What a crew types into the timer: days, minutes per valve, adjustment by month, cycles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_known import Decided, Known
from siting.scheduling import cycle_and_soak

__all__ = ["timer_table"]

_Array = NDArray[np.float64]

_FULL: Final = 100


def timer_table(zones: pd.DataFrame, known: Known, decided: Decided) -> pd.DataFrame:
    """Return what to type into any timer.

    A program is the zones of one sensor: its days, and whole minutes for each valve. The seasonal
    adjustment stays at 100 % in the months of the season: the sensor does that. A zone without a
    sensor keeps a programme of its own, with an adjustment by month where it was set right. These
    are the numbers that were played: water and stress are those of `Plan.zones`.

    Parameters
    ----------
    zones : DataFrame
        As `Plan.zones`.
    known : Known
        Sun, water and weather.
    decided : Decided
        The choice.

    Returns
    -------
    DataFrame
        As `Plan.timer_table`.
    """
    sheet, played = decided.sheet, decided.simulated.plan
    sets = decided.schedule.sets
    own = next((s.words for s in sets if s.today), sets[decided.schedule.every].words)
    beside: dict[str, Mapping[str, Any]] = known.water.to_dict(orient="index")  # type: ignore[assignment]
    rows = []
    for z, (zone, row) in enumerate(zones.iterrows()):
        j = int(sheet.governor[z])
        days = sets[sheet.days[j]].words if j >= 0 else own
        percent = _by_month(known, played.depth[z])
        rows.append(_row(str(zone), row, beside[str(zone)], percent, days))
    table = pd.DataFrame(rows).set_index("zone")
    table["water_m3"] = zones["water_m3"]
    table["stress_days"] = zones["stress_days"]
    return table


def _by_month(known: Known, depth: _Array) -> _Array:
    """Return the adjustment of each calendar month, 0 outside the season, shape (12,) [%]."""
    months = np.zeros(12)
    whole = float(depth.max())
    for month in known.ground.eto.months:
        of_month = depth[known.seasons.month == month]
        months[month - 1] = round(_FULL * float(of_month.max()) / whole) if whole > 0 else 0.0
    return months


def _row(
    zone: str, row: pd.Series[Any], water: Mapping[str, Any], percent: _Array, days: str
) -> dict[str, Any]:
    """Return one valve's line."""
    minutes = round(float(row["run_minutes"]), 6)
    rate = float(row["precipitation_rate"])
    cycles, length, soak = cycle_and_soak(
        minutes,
        precipitation_rate=rate,
        intake_rate=float(water["intake_rate"]),
        surface_accumulation_mm=float(water["surface_accumulation"]),
    )
    months = {f"percent_{m}": percent[m - 1] for m in range(1, 13)}
    runs = np.round(minutes * percent / _FULL, 6)
    return {
        "zone": zone,
        "valve": row["valve"],
        "controller": row["controller"],
        "program": row["sensor_id"],
        "control": row["control"],
        "days": days,
        "run_minutes": minutes,
        "depth_mm": minutes * rate / 60,
        "cycles": cycles,
        "cycle_minutes": length,
        "soak_minutes": float(np.ceil(soak)),
        **months,
        **{f"run_minutes_{m}": runs[m - 1] for m in range(1, 13)},
    }
