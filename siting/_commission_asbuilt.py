"""Check a sensor where it was really buried: setbacks, dryness rank, and what a move costs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siting._commission_ties import Fix
from siting._plan_places import all_hazards
from siting.placement import MARGIN_M, hazards_of_zone
from siting.planning import Plan
from siting.units import UnitsName, show

__all__ = ["AsBuilt", "check_place"]

#: Setbacks missed by less than this are met: no tape tells it, and points are planned with as much
#: to spare.
_TOLERATED_M: Final = MARGIN_M
#: Moves within this many of their own errors are no moves.
_SURE: Final = 2.0
#: A change of the drying by less than this share is not worth a sentence.
_NOTICED: Final = 0.02
#: The middle of the driest quarter, at which sensors are placed, and the half width of the quarter.
_WANTED, _HALF = 0.875, 0.125


@dataclass(frozen=True)
class AsBuilt:
    """A sensor where it was found, checked against the plan.

    sensor_id: which sensor; fix: where it is; moved_m: distance from the planned point [m]; moved:
    whether that is more than the error of the fix and of digging explain; in_zone: whether it lies
    in its zone; setback_ratio: least distance/setback over all hazards, 1 or more when all are met;
    binding_setback: the hazard of it; setback_met: whether every setback is met, or missed by no
    more than tape and shovel may be off by; rank: area rank of dryness at the point, 0..1, NaN
    outside the zone; rank_low, rank_high: least and greatest rank within the error of the fix;
    drying: how fast the ground dries there over how fast it dries at the planned point; words: what
    it means, in plain words.
    """

    sensor_id: str
    fix: Fix
    moved_m: float
    moved: bool
    in_zone: bool
    setback_ratio: float
    binding_setback: str
    setback_met: bool
    rank: float
    rank_low: float
    rank_high: float
    drying: float
    words: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Whether the sensor may stay: in its zone, clear of hazards, in the driest half."""
        return self.in_zone and self.setback_met and not self.rank < 0.5  # noqa: PLR2004


def check_place(
    plan: Plan, sensor_id: str, fix: Fix, *, planned: Mapping[str, Any] | None = None
) -> AsBuilt:
    """Check setbacks and dryness rank at the point as built, and say what a move costs.

    Result: the check. Setbacks are those of the site, measured exactly; the rank is read from the
    plan's rank raster.
    """
    sensor = plan.sensors.loc[sensor_id]
    zone = str(sensor["zone"])
    origin = sensor if planned is None else planned
    at = float(origin["x"]), float(origin["y"])
    moved_m = math.hypot(fix.x - at[0], fix.y - at[1])
    hazards = hazards_of_zone(all_hazards(plan.site, plan.settings.setbacks)[0], zone)
    ratio, binding, short = _least_ratio(hazards, shapely.Point(fix.x, fix.y))
    ground = plan.site.hydrozones.geometry.loc[zone]
    ranks = _ranks_about(plan, ground, fix)
    checked = AsBuilt(
        sensor_id=sensor_id,
        fix=fix,
        moved_m=moved_m,
        moved=moved_m > max(_SURE * fix.error_m, 0.5),
        in_zone=bool(shapely.intersects_xy(ground, fix.x, fix.y)),
        setback_ratio=ratio,
        binding_setback=binding,
        setback_met=short <= _TOLERATED_M,
        rank=ranks[0],
        rank_low=ranks[1],
        rank_high=ranks[2],
        drying=_drying(plan, ground, fix, at),
        words=(),
    )
    governed = plan.zones.loc[list(sensor["governs"]), "water_m3"].sum()
    words = _words(
        checked, sensor, rank=float(origin["expected_rank"]), water_m3=float(governed),
        units=plan.settings.units,
    )  # fmt: skip
    return replace(checked, words=words)


def _least_ratio(hazards: gpd.GeoDataFrame, point: BaseGeometry) -> tuple[float, str, float]:
    """Return the least distance over setback (0 inside a solid hazard), whose, and most missed."""
    setback = hazards["setback"].to_numpy(dtype=float)
    distance = shapely.distance(hazards.geometry.to_numpy(), point)
    with np.errstate(divide="ignore", invalid="ignore"):
        flat = np.where(distance > 0, np.inf, 0.0)
        ratio = np.where(setback > 0, distance / setback, flat)
    place = int(np.argmin(ratio))
    # In the middle of what it must keep away from, nothing is within tolerance.
    missed = np.where(ratio > 0, setback - distance, np.inf)
    return float(ratio[place]), str(hazards["hazard"].iloc[place]), float(missed.max())


def _drying(plan: Plan, ground: BaseGeometry, fix: Fix, planned: tuple[float, float]) -> float:
    """Return dryness at the point over dryness at the planned point, of the nearest pixels."""
    grid = plan.sun.grid
    if plan.dryness.shape != grid.shape:
        return math.nan
    x, y = np.meshgrid(grid.x, grid.y)
    inside = np.isfinite(plan.dryness) & shapely.contains_xy(ground, x, y)
    if not inside.any():
        return math.nan
    values = plan.dryness[inside]
    there, here = (
        float(values[int(np.argmin(np.hypot(x[inside] - at[0], y[inside] - at[1])))])
        for at in ((fix.x, fix.y), planned)
    )
    return there / here if here > 0 else math.nan


def _ranks_about(plan: Plan, ground: BaseGeometry, fix: Fix) -> tuple[float, float, float]:
    """Return the rank at the point, and its range within the error of the fix."""
    grid = plan.sun.grid
    if plan.rank.shape != grid.shape:
        return math.nan, math.nan, math.nan
    x, y = np.meshgrid(grid.x, grid.y)
    inside = np.isfinite(plan.rank) & shapely.contains_xy(ground, x, y)
    if not inside.any() or not shapely.intersects_xy(ground, fix.x, fix.y):
        return math.nan, math.nan, math.nan
    away = np.hypot(x[inside] - fix.x, y[inside] - fix.y)
    ranks = plan.rank[inside]
    near = ranks[away <= max(fix.error_m, grid.resolution)]
    here = float(ranks[int(np.argmin(away))])
    if near.size == 0:
        return here, here, here
    return here, float(near.min()), float(near.max())


def _words(
    at: AsBuilt, sensor: Mapping[str, Any], *, rank: float, water_m3: float, units: UnitsName
) -> tuple[str, ...]:
    """Say what was found and what it costs."""
    error = show(at.fix.error_m, "length", units)
    words = [
        f"{at.sensor_id} lies {show(at.moved_m, 'length', units)} from the plan (by {at.fix.how}, "
        f"error {error})" + ("" if at.moved else ": within what digging and measuring explain")
    ]
    if not at.in_zone:
        words.append(
            f"It is outside its zone {sensor['zone']}: its readings do not speak for valve "
            f"{sensor['valve']}. Move it back."
        )
        return tuple(words)
    if not at.setback_met:
        words.append(
            f"It is nearer to {at.binding_setback.replace('_', ' ')} than its setback "
            f"({100 * at.setback_ratio:.0f} % of it). What that place does differently, the whole "
            "system will do."
        )
    words += _rank_words(at, rank)
    if at.moved and math.isfinite(at.drying) and abs(at.drying - 1) > _NOTICED:
        less, volume = at.drying < 1, show(abs(at.drying - 1) * water_m3, "volume", units)
        words.append(
            f"The ground there dries {100 * abs(at.drying - 1):.0f} % "
            f"{'slower' if less else 'faster'} than at the planned point: about {volume} a season "
            f"{'less' if less else 'more'} on the zones that it governs"
            + (", missing where it is drier." if less else ".")
        )
    return tuple(words)


def _rank_words(at: AsBuilt, planned: float) -> list[str]:
    """Say what the rank at the point means for the water and for the plants."""
    if not math.isfinite(at.rank):
        return []
    spread = f"{at.rank:.2f} ({at.rank_low:.2f} to {at.rank_high:.2f} within the error)"
    if at.rank_low <= _WANTED + _HALF and at.rank_high >= _WANTED - _HALF:
        return [f"Dryness rank {spread}; planned {planned:.2f}: still in the driest quarter."]
    drier = 1 - at.rank
    if at.rank < _WANTED:
        return [
            f"Dryness rank {spread}; planned {planned:.2f}. {100 * drier:.0f} % of the zone is "
            f"drier than the sensor, where {100 * (1 - _WANTED):.0f} % was meant: lower the "
            "depletion at which it starts, or move it, or that ground goes short."
        ]
    return [
        f"Dryness rank {spread}; planned {planned:.2f}. Only {100 * drier:.0f} % of the zone is "
        "drier: it calls for water more often than the plan reckons."
    ]
