"""Every kind of control beside the plan: what a timer, a rain shut-off and each sensor kind do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_choice import Decision
from siting._plan_known import Decided
from siting._plan_options import Options
from siting.season import RootZones, least_depth, rain_shutoff, timer_season
from siting.sensors import Candidates, choose_sensors
from siting.site.settings import Control

__all__ = ["control_table"]


def control_table(
    decided: Decided,
    control: Control,
    *,
    rain_mm: NDArray[np.float64],
    per_minute: NDArray[np.float64],
) -> pd.DataFrame:
    """Return what each kind of control would use, on the same weather and scenarios.

    Timers and the rain shut-off run each valve for the least whole minutes with which its driest
    quarter stays within the cap in every run; where none does, with the fewest stress days. They
    need no soil sensor, so they are shown beside the plan and never chosen.

    Parameters
    ----------
    decided : Decided
        The choice.
    control : Control
        Cap, and the settings of the rain shut-off.
    rain_mm : ndarray, shape (D, Y)
        Rain as it falls on open ground [mm].
    per_minute : ndarray, shape (Z,)
        What each valve applies in a minute [mm].

    Returns
    -------
    DataFrame
        As `Plan.controls`.
    """
    options, roots = decided.decision.options, decided.roots
    days = decided.schedule.timer
    rows: list[dict[str, Any]] = []
    simulated = decided.simulated
    if simulated.timer is not None:
        rows.append(
            _timer("timer as it runs today", simulated.timer.water_mm.mean(axis=1),
                   simulated.timer.worst_stress_days, decided, control)
        )  # fmt: skip
    gross = np.tile(rain_mm, (1, days.shape[1] // rain_mm.shape[1]))
    dry = rain_shutoff(
        gross, days, threshold_mm=control.rain_shutoff_mm, window_days=control.rain_shutoff_days
    )
    for name, allowed in (("timer, its minutes set right", days), ("rain shut-off", dry)):
        water, stress = _least(roots, allowed, control.max_stress_days, per_minute)
        rows.append(_timer(name, water, stress, decided, control))
    rows += _sensor_kinds(decided.decision, options, control)
    return pd.DataFrame(rows).set_index("kind")


def _least(
    roots: RootZones, days: NDArray[np.bool_], cap: float, per_minute: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Run every valve for its least minutes on the given days: water [mm], stress days."""
    zones = np.arange(roots.shape[0])
    plain = replace(roots, reading_error=None)
    found = least_depth(
        plain, zone=zones, threshold_fraction=np.zeros(len(zones)), days=days, cap=cap,
        step=per_minute,
    )  # fmt: skip
    ran = timer_season(plain, depth=found.depth, days=days)
    return ran.water_mm.mean(axis=1), ran.worst_stress_days


def _timer(
    name: str,
    water_mm: NDArray[np.float64],
    stress: NDArray[np.float64],
    decided: Decided,
    control: Control,
) -> dict[str, Any]:
    water = float(water_mm @ decided.decision.options.area_m2) / 1000
    return {
        "kind": name,
        "sensors": 0,
        "hardware": "none",
        "water_m3": water,
        "cost_per_year": np.nan if decided.price is None else decided.price * water,
        "stress_days": float(stress.max()),
        "within_limit": bool(stress.max() <= control.max_stress_days),
        "chosen": False,
    }


def _sensor_kinds(decision: Decision, options: Options, control: Control) -> list[dict[str, Any]]:
    """Return the best plan of each kind of sensor control, and of the common wire."""
    wanted = (
        ("bypass, one sensor on each controller's common wire", ("bypass",), 1),
        ("bypass, a sensor per zone or group", ("bypass",), None),
        ("on-demand", ("on_demand",), None),
    )
    most = max(control.max_sensors, decision.choice.n)
    rows = []
    for name, kinds, each in wanted:
        if not set(kinds) <= set(options.pool.kind):
            continue
        candidates: Candidates = replace(
            options.candidates(kinds=kinds), equipment=options.equipment(most=each)
        )
        choice = choose_sensors(candidates, max_sensors=most, curve=False).rows[-1]
        choice = options.priced(choice, options.prices.connection)
        mine = {options.pool.kind[j] for j in decision.choice.sensors}
        rows.append(
            {
                "kind": name,
                "sensors": choice.used,
                "hardware": ", ".join(sorted(set(options.hardware(choice).values())))
                if choice.feasible
                else "none",
                "water_m3": float(options.water_m3(choice).mean()) if choice.feasible else np.nan,
                "cost_per_year": choice.cost,
                "stress_days": options.stress_days(choice),
                "within_limit": choice.feasible
                and options.stress_days(choice) <= control.max_stress_days,
                "chosen": each is None and mine == set(kinds),
            }
        )
    return rows
