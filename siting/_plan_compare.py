"""Every kind of control beside the plan: what a timer, a rain shut-off and each sensor kind do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_control import over_zones
from siting._plan_known import Decided
from siting._plan_options import Options
from siting.season import Watering, rain_shutoff, schedule_stress
from siting.sensors import Candidates, choose_sensors
from siting.site.settings import Control

__all__ = ["control_table"]


def control_table(
    decided: Decided, control: Control, *, rain_mm: NDArray[np.float64]
) -> pd.DataFrame:
    """Return what each kind of control would use, on the same weather and scenarios.

    A timer is set right with the least whole minutes and a monthly adjustment that keep each zone
    within the plan's own limit; the rain shut-off interrupts that timer, and never adds water. They
    need no soil sensor, so they are shown beside the plan and never chosen.

    Parameters
    ----------
    decided : Decided
        The choice.
    control : Control
        The settings of the rain shut-off.
    rain_mm : ndarray, shape (D, Y)
        Rain as it falls on open ground [mm].

    Returns
    -------
    DataFrame
        As `Plan.controls`.
    """
    options, simulated = decided.decision.options, decided.simulated
    rows: list[dict[str, Any]] = []
    if simulated.timer is not None:
        rows.append(_timer("timer as it runs today", simulated.timer, decided))
    rows.append(_timer("timer, its minutes set right", simulated.set_right, decided))
    rows.append(_timer("rain shut-off", _shut_off(decided, control, rain_mm), decided))
    rows += _sensor_kinds(decided, options, control)
    return pd.DataFrame(rows).set_index("kind")


def _shut_off(decided: Decided, control: Control, rain_mm: NDArray[np.float64]) -> Watering:
    """Interrupt the timer that was set right after rain."""
    right, days = decided.simulated.set_right, decided.schedule.timer
    gross = np.tile(rain_mm, (1, days.shape[1] // rain_mm.shape[1]))
    dry = rain_shutoff(
        gross, days, threshold_mm=control.rain_shutoff_mm, window_days=control.rain_shutoff_days
    )
    whole = right.depth.max(axis=1)
    stress = over_zones(
        decided.roots,
        lambda z, root: schedule_stress(
            root, dry, depth=whole[z], dial=right.depth[z] / max(float(whole[z]), 1e-12)
        )[0],
    )
    return Watering(np.broadcast_to(dry, right.ran.shape), right.depth, np.stack(stress))


def _timer(name: str, ran: Watering, decided: Decided) -> dict[str, Any]:
    options = decided.decision.options
    water = float(ran.water_mm.mean(axis=1) @ options.area_m2) / 1000
    stress = ran.worst_stress_days
    return {
        "kind": name,
        "sensors": 0,
        "hardware": "none",
        "water_m3": water,
        "cost_per_year": np.nan if decided.price is None else decided.price * water,
        "stress_days": float(stress.max()),
        "within_limit": bool(np.all(stress <= decided.sheet.limit + 1e-9)),
        "chosen": False,
    }


def _sensor_kinds(decided: Decided, options: Options, control: Control) -> list[dict[str, Any]]:
    """Return the best plan of each kind of sensor control, and of the common wire.

    The plan's own kind stands with what its sheet does; the others as they were tried.
    """
    decision = decided.decision
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
        if each is None and mine == set(kinds):
            choice = decision.choice
        within = choice.feasible and bool(
            np.all(options.zone_stress(choice) <= options.pool.limit + 1e-9)
        )
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
                "within_limit": within,
                "chosen": each is None and mine == set(kinds),
            }
        )
        if rows[-1]["chosen"]:
            rows[-1] |= _as_played(decided)
    return rows


def _as_played(decided: Decided) -> dict[str, Any]:
    """Return water, cost and stress of the plan as its sheet is played."""
    stress = decided.simulated.plan.worst_stress_days
    return {
        "water_m3": float(decided.simulated.volume(decided.simulated.plan).sum(axis=0).mean()),
        "cost_per_year": decided.cost,
        "stress_days": float(stress.max()),
        "within_limit": bool(np.all(stress <= decided.sheet.limit + 1e-9)),
    }
