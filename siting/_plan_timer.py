"""What a crew types into the timer: minutes per valve, seasonal adjustment by month, cycles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_known import Decided, Known
from siting.scheduling import cycle_and_soak
from siting.season import Watering, applied, bypass_events

__all__ = ["timer_table"]

_Array = NDArray[np.float64]

#: Seasonal adjustment is set in steps of 5 %, and raised by so much while plants run short [%].
_STEP: Final = 5
_RAISE: Final = 10
_FULL: Final = 100


def timer_table(zones: pd.DataFrame, known: Known, decided: Decided) -> pd.DataFrame:
    """Return what to type into any timer, with the seasonal adjustment of each program.

    A program is the zones of one sensor; its adjustment in a month is the greatest demand of its
    zones over their demand in the peak month. It is then simulated with the sensor, and raised
    until no zone passes its limit of stress days in any season of any scenario, at most to 100 %,
    which is the plan itself. On-demand controllers set their own run times: the minutes are those
    to expect.

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
    decision = decided.decision
    percent = np.zeros((len(zones), 12))
    water, stress = np.zeros(len(zones)), np.zeros(len(zones))
    for sensor in decision.choice.sensors:
        group = np.flatnonzero(decision.choice.governor == sensor)
        if decision.governors.kind[sensor] == "bypass":
            dial, ran = _adjusted(known, decided, sensor, group)
        else:
            ran = _plan_of(decided, group)
            dial = _expected(known, ran)
        percent[group] = dial
        area = decided.simulated.area_m2[group]
        water[group] = ran.water_mm.mean(axis=1) * area / 1000
        stress[group] = ran.worst_stress_days
    beside: dict[str, Mapping[str, Any]] = known.water.to_dict(orient="index")  # type: ignore[assignment]
    rows = [
        _row(str(zone), row, beside[str(zone)], percent[z])
        for z, (zone, row) in enumerate(zones.iterrows())
    ]
    table = pd.DataFrame(rows).set_index("zone")
    table["water_m3"], table["stress_days"] = water, stress
    return table


def _adjusted(
    known: Known, decided: Decided, sensor: int, group: NDArray[np.int64]
) -> tuple[_Array, Watering]:
    """Find the least adjustment that keeps every zone of a bypass program within its limit."""
    pool, caps = decided.decision.governors, decided.decision.governors.caps
    demand = known.ground.etc.to_numpy(dtype=float)[group]
    share = (demand / demand.max(axis=1, keepdims=True)).max(axis=0)
    first = np.ceil(_FULL * share / _STEP - 1e-9) * _STEP
    factor = pool.followers.factor[sensor, group]
    depth = pool.watering.depth[sensor].max()
    for raised in range(0, _FULL + _RAISE, _RAISE):
        at = np.minimum(first + raised, _FULL)
        ran = _dialled(known, decided, sensor, float(depth), at) if at.min() < _FULL else None
        follows = _plan_of(decided, group)
        if ran is not None:
            every = np.zeros(len(pool.caps))
            every[group] = factor
            everything = applied(decided.roots, every[:, None, None] * ran.depth)
            follows = Watering(everything.depth[group], everything.stress_days[group])
        if np.all(follows.worst_stress_days <= caps[group]):
            break
    months = np.zeros(12)
    months[np.array(known.ground.eto.months) - 1] = at
    return months, follows


def _dialled(
    known: Known, decided: Decided, sensor: int, depth: float, percent: _Array
) -> Watering:
    """Run one bypass sensor with its program's adjustment."""
    pool = decided.decision.governors
    place = np.searchsorted(known.ground.eto.months, known.seasons.month)
    return bypass_events(
        decided.roots,
        zone=[int(pool.zone[sensor])],
        depth=[depth],
        threshold_fraction=[float(pool.low[sensor])],
        days=decided.schedule.timer,
        dial=percent[place] / _FULL,
    )


def _plan_of(decided: Decided, group: NDArray[np.int64]) -> Watering:
    """Return what the plan itself waters in some zones."""
    plan = decided.simulated.plan
    return Watering(plan.depth[group], plan.stress_days[group])


def _expected(known: Known, ran: Watering) -> _Array:
    """Return the mean event of each month over that of the season [%], for a controller's own."""
    months = np.zeros(12)
    whole = ran.depth[ran.depth > 0].mean() if np.any(ran.depth > 0) else 1.0
    for month in known.ground.eto.months:
        depth = ran.depth[:, known.seasons.month == month]
        if np.any(depth > 0):
            months[month - 1] = round(_FULL * float(depth[depth > 0].mean() / whole))
    return months


def _row(
    zone: str, row: pd.Series[Any], water: Mapping[str, Any], percent: _Array
) -> dict[str, Any]:
    """Return one valve's line."""
    minutes = float(np.ceil(round(float(row["run_minutes"]), 6)))
    rate = float(row["precipitation_rate"])
    cycles, length, soak = cycle_and_soak(
        minutes,
        precipitation_rate=rate,
        intake_rate=float(water["intake_rate"]),
        surface_accumulation_mm=float(water["surface_accumulation"]),
    )
    months = {f"percent_{m}": percent[m - 1] for m in range(1, 13)}
    runs = np.ceil(np.round(minutes * percent / _FULL, 6))
    return {
        "zone": zone,
        "valve": row["valve"],
        "controller": row["controller"],
        "program": row["sensor_id"],
        "control": row["control"],
        "run_minutes": minutes,
        "depth_mm": minutes * rate / 60,
        "cycles": cycles,
        "cycle_minutes": length,
        "soak_minutes": float(np.ceil(soak)),
        **months,
        **{f"run_minutes_{m}": runs[m - 1] for m in range(1, 13)},
    }
