"""How a plan fares in seasons that it was not made on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_decide import decide_plan, property_roots
from siting._plan_known import Basis, Decided, Known
from siting._plan_model import Plan
from siting._plan_schedule import watering_days
from siting._plan_threads import one_blas_thread
from siting.errors import PlanError
from siting.season import RootZones, Watering, applied, bypass_events, on_demand_events

__all__ = ["hold_out"]


@one_blas_thread
def hold_out(plan: Plan, *, every: int = 3) -> pd.DataFrame:
    """Decide again without some weather years, and run the decision through those.

    A plan keeps its limit of stress days in every season that it was made on; this says by how
    much it may be passed in seasons that it was not made on.

    Parameters
    ----------
    plan : Plan
        As from `siting.planning.plan`; not changed.
    every : int
        Every so many years is held out, the last of each such group; at least 2.

    Returns
    -------
    DataFrame
        Index `zone`: limit, stress_days (worst season of training), held_out_stress_days (worst
        season held out), excess [d]; its `attrs` name the years held out.

    Raises
    ------
    PlanError
        When there are too few seasons, or the plan was not made by `siting.planning`.
    """
    basis = plan.basis
    if not isinstance(basis, Basis):
        msg = "this plan was not made here: only plans from `plan` or `plan_property` can be asked"
        raise PlanError(msg)
    years = np.arange(len(basis.known.seasons.years))
    out = years % every == every - 1
    if every < 2 or not out.any():  # noqa: PLR2004 - something must be left to train on
        msg = f"holding out every {every}th of {len(years)} seasons leaves nothing to compare"
        raise PlanError(msg)
    train, test = _only(basis.known, ~out), _only(basis.known, out)
    decided = decide_plan(plan.site, plan.settings, train, basis.placements)
    ran = _run(plan, decided, test)
    limit = decided.decision.governors.caps
    worst = ran.worst_stress_days
    table = pd.DataFrame(
        {
            "limit": limit,
            "stress_days": decided.simulated.plan.worst_stress_days,
            "held_out_stress_days": worst,
            "excess": np.maximum(worst - limit, 0.0),
        },
        index=plan.zones.index,
    )
    table.attrs["years"] = tuple(int(y) for y in test.seasons.years)
    return table


def _only(known: Known, years: NDArray[np.bool_]) -> Known:
    """Return what is known, with some of the weather years."""
    seasons = known.seasons
    kept = replace(
        seasons,
        years=tuple(year for year, keep in zip(seasons.years, years, strict=True) if keep),
        dates=seasons.dates[:, years],
        rows=seasons.rows[:, years],
        rain_mm=seasons.rain_mm[:, years],
    )
    return replace(known, seasons=kept)


def _run(plan: Plan, decided: Decided, known: Known) -> Watering:
    """Run a decision through other seasons: same sensors, thresholds, depths and factors."""
    roots: RootZones = property_roots(plan.site, known)
    schedule = watering_days(
        known.seasons.dates,
        plan.settings.timer,
        plan.settings.control,
        scenarios=known.scenarios.count,
    )
    pool, governor = decided.decision.governors, decided.decision.choice.governor
    depth = np.zeros(roots.etc.shape)
    for sensor in decided.decision.choice.sensors:
        zone, low = [int(pool.zone[sensor])], [float(pool.low[sensor])]
        if pool.kind[sensor] == "bypass":
            governed = bypass_events(
                roots,
                zone=zone,
                depth=[float(pool.watering.depth[sensor].max())],
                threshold_fraction=low,
                days=schedule.timer,
            )
        else:
            governed = on_demand_events(
                roots,
                zone=zone,
                low_fraction=low,
                high_fraction=[float(pool.high[sensor])],
                days=schedule.allowed,
            )
        group = np.flatnonzero(governor == sensor)
        factor = pool.followers.factor[sensor, group]
        depth[group] = factor[:, None, None] * governed.depth
    return applied(roots, depth)
