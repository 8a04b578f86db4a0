"""How a plan fares in seasons and scenarios that it was not made on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_decide import decide_plan, property_roots
from siting._plan_known import Basis, Known
from siting._plan_model import Plan
from siting._plan_schedule import watering_days
from siting._plan_sheet import play_sheet
from siting._plan_threads import one_blas_thread
from siting.errors import PlanError

__all__ = ["hold_out"]


@one_blas_thread
def hold_out(plan: Plan, *, every: int = 3) -> pd.DataFrame:
    """Decide again without some weather years, and play the decision in those, otherwise drawn.

    A plan keeps its limit of stress days in the seasons and scenarios that it was made on; this
    says by how much it may be passed in seasons that it was not made on, under scenarios of another
    seed.

    Parameters
    ----------
    plan : Plan
        As from `siting.planning.plan`; not changed.
    every : int
        Every so many years is held out, the last of each such group; at least 2.

    Returns
    -------
    DataFrame
        Index `zone`: limit, stress_days (worst season out of ten of training),
        held_out_stress_days (of those held out), excess [d]; its `attrs` name the years held out.

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
    drawn = replace(test.scenarios, seed=test.scenarios.seed + 1)
    test = replace(test, scenarios=drawn)
    decided = decide_plan(plan.site, plan.settings, train, basis.placements)
    control = plan.settings.control
    schedule = watering_days(
        test.seasons.dates, plan.settings.timer, control, scenarios=drawn.count
    )
    roots = property_roots(plan.site, test, sensor_error=control.sensor_error)
    days = schedule.timer if decided.heal else schedule.today
    alone = replace(decided.sheet.alone, ran=days)
    ran = play_sheet(roots, schedule, replace(decided.sheet, alone=alone))
    limit = decided.sheet.limit
    table = pd.DataFrame(
        {
            "limit": limit,
            "stress_days": decided.simulated.plan.worst_stress_days,
            "held_out_stress_days": ran.worst_stress_days,
            "excess": np.maximum(ran.worst_stress_days - limit, 0.0),
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
