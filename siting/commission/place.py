"""Where a sensor was really buried: found from tapes or GPS, held against setbacks and rank."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pyproj
import scipy
import shapely
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats
from siting.decide.measuring import quarter_chances
from siting.decide.places import all_hazards, point_chances
from siting.errors import some
from siting.place.placement import MARGIN_M
from siting.place.setbacks import hazards_of_zone
from siting.place.ties import TAPE_SIGMA_M
from siting.planning.form import TAPE_LIMITS
from siting.planning.model import Basis, Plan
from siting.site.crs import WGS84, transformer
from siting.units import UnitsName, figure, show


class TieError(ValueError):
    """The tapes do not say where the sensor is; the message says why and what to do."""


class Fix(NamedTuple):
    """A point as found in the field.

    x, y: in the working CRS [m]; error_m: root mean square error expected of it, DRMS [m];
    residuals_m: taped less computed distance, one per tie [m]; how: "GPS", "2 ties" or "3 ties".
    """

    x: float
    y: float
    error_m: float
    residuals_m: tuple[float, ...]
    how: str


def fix_from_ties(
    points: Floats,
    distances: Floats,
    *,
    side: str | None = None,
    sigma: float = TAPE_SIGMA_M,
    near: Fix | None = None,
) -> Fix:
    """Find a point from two or more tapes by least squares.

    points (T, 2): fixed points [m]; distances (T,): tapes [m]; side {"left", "right"}: side of the
    line from point 1 to point 2, seen from point 1; sigma: standard deviation of a tape [m].
    Result: the point, its expected error and the residuals.

    Gauss-Newton to convergence from both crossings of the first two arcs. With weights 1/sigma² the
    covariance is sigma² (AᵀA)⁻¹, A the unit vectors from the fixed points, and the error printed is
    the root of its trace; with three tapes sigma is raised to what the residuals show, where that
    is more.

    Mikhail & Gracie 1981, Analysis and Adjustment of Survey Measurements (title from memory).

    >>> fix = fix_from_ties(
    ...     np.array([[0.0, 0], [4, 0]]), np.array([5.0, 3.0]), side="left", sigma=0.03
    ... )
    >>> round(fix.x, 6), round(fix.y, 6), round(fix.error_m, 3)
    (4.0, 3.0, 0.053)
    """
    points, distances = np.asarray(points, dtype=float), np.asarray(distances, dtype=float)
    _must_meet(points, distances, sigma)
    both = [_solve(points, distances, turn, sigma) for turn in (1.0, -1.0)]
    chosen = _tell_apart(both, points, side=side, near=near, sigma=sigma)
    worst = max((abs(r) for r in chosen.residuals_m), default=0.0)
    if len(points) > 2 and worst > TAPE_LIMITS["blunder"] * sigma:  # noqa: PLR2004 - two leave none
        msg = (
            f"the tapes miss each other by {worst:.2f} m where {sigma:.2f} m is usual: one was "
            "misread, or two were swapped. Measure again."
        )
        raise TieError(msg)
    return chosen


def fix_from_offsets(
    points: Floats,
    distances: Floats,
    offset: Flags,
    *,
    toward: Floats,
    sigma: float = TAPE_SIGMA_M,
) -> Fix:
    """Find a point from tapes some of which are the shortest from a straight edge.

    points (T, 2): fixed points, and feet of the planned tapes on their edges [m]; distances (T,):
    tapes [m]; offset (T,): which are taped from an edge; toward (T, 2): where each tape led in the
    plan: gives the edges their direction, and of two crossings the one that is meant [m]; sigma:
    standard deviation of a tape [m]. Result: the point nearest to the plan, its expected error and
    the residuals.

    >>> fix = fix_from_offsets(
    ...     np.array([[3.0, 0], [0, 0]]), np.array([2.0, 2.5]), np.array([True, False]),
    ...     toward=np.array([[3.0, 2.0], [3.0, 2.0]]),
    ... )
    >>> round(fix.x, 6), round(fix.y, 6)
    (1.5, 2.0)
    """
    led = toward - points
    normal = led / np.hypot(led[:, 0], led[:, 1])[:, None]

    def residual(at: Floats) -> Floats:
        away = at - points
        reach = np.hypot(away[:, 0], away[:, 1])
        return np.asarray(distances - np.where(offset, (away * normal).sum(axis=1), reach))

    fit = scipy.optimize.least_squares(residual, toward[0], method="lm", xtol=1e-12, ftol=1e-12)
    left = residual(fit.x)
    worst = float(np.abs(left).max())
    if worst > TAPE_LIMITS["blunder"] * sigma:
        msg = (
            f"the tapes miss each other by {worst:.2f} m where {sigma:.2f} m is usual: one was "
            "misread, or they were taken from other points or edges. Measure again."
        )
        raise TieError(msg)
    away = fit.x - points
    unit = away / np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-9)[:, None]
    design = np.where(offset[:, None], normal, unit)
    spare = len(points) - 2
    scatter = math.sqrt(float(left @ left) / spare) if spare > 0 else 0.0
    error = max(sigma, scatter) * math.sqrt(float(np.trace(np.linalg.inv(design.T @ design))))
    return Fix(float(fit.x[0]), float(fit.x[1]), error, tuple(left.tolist()), f"{len(points)} ties")


def _must_meet(points: Floats, distances: Floats, sigma: float) -> None:
    """Refuse tapes whose arcs cannot cross."""
    base = float(np.hypot(*(points[1] - points[0])))
    gap = max(base - distances[0] - distances[1], abs(distances[0] - distances[1]) - base)
    if base < 10 * sigma:
        msg = "fixed points 1 and 2 are the same place. Tape from two different points."
        raise TieError(msg)
    if gap > TAPE_LIMITS["blunder"] * sigma:
        msg = (
            f"tapes of {distances[0]:.2f} and {distances[1]:.2f} m from points {base:.2f} m apart "
            f"do not meet ({gap:.2f} m short): one was misread, or they were taken from other "
            "points. Measure again."
        )
        raise TieError(msg)


def _solve(points: Floats, distances: Floats, turn: float, sigma: float) -> Fix:
    """Return the least-squares point that begins at one of the crossings of the first arcs."""
    base = points[1] - points[0]
    length = float(np.hypot(*base))
    along = (distances[0] ** 2 - distances[1] ** 2 + length**2) / (2 * length)
    off = math.sqrt(max(distances[0] ** 2 - along**2, 0.0))
    unit = base / length
    start = points[0] + along * unit + turn * max(off, 1e-3) * np.array([-unit[1], unit[0]])

    def residual(at: Floats) -> Floats:
        gap: Floats = distances - np.hypot(points[:, 0] - at[0], points[:, 1] - at[1])
        return gap

    fit = scipy.optimize.least_squares(residual, start, method="lm", xtol=1e-12, ftol=1e-12)
    left = residual(fit.x)
    spare = len(points) - 2
    scatter = math.sqrt(float(left @ left) / spare) if spare > 0 else 0.0
    away = fit.x - points
    design = away / np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-9)[:, None]
    normal = design.T @ design
    poor = np.linalg.cond(normal) > 1e8  # noqa: PLR2004 - arcs that touch instead of crossing
    trace = math.inf if poor else float(np.trace(np.linalg.inv(normal)))
    error = max(sigma, scatter) * math.sqrt(trace)
    return Fix(float(fit.x[0]), float(fit.x[1]), error, tuple(left.tolist()), f"{len(points)} ties")


def _tell_apart(
    both: list[Fix], points: Floats, *, side: str | None, near: Fix | None, sigma: float
) -> Fix:
    """Return the right one of two crossings, or refuse."""
    left, right = both
    apart = math.hypot(left.x - right.x, left.y - right.y)
    better = min(both, key=_misfit)
    if apart < TAPE_LIMITS["same"] * min(max(fix.error_m for fix in both), 10 * sigma):
        return better
    if len(points) > 2:  # noqa: PLR2004 - a third tape tells, unless the points are in line
        other = right if better is left else left
        if _misfit(other) - _misfit(better) > (TAPE_LIMITS["blunder"] * sigma) ** 2:
            return better
    if side is not None:
        return left if side == "left" else right
    if near is not None:
        gaps = sorted((math.hypot(f.x - near.x, f.y - near.y), n) for n, f in enumerate(both))
        if gaps[1][0] - gaps[0][0] > TAPE_LIMITS["sure"] * near.error_m:
            return both[gaps[0][1]]
    msg = (
        f"two places {apart:.1f} m apart fit these tapes, one a mirror image of the other. Write "
        "the side (left or right of the line from point 1 to point 2), a third tape, or the GPS "
        "position."
    )
    raise TieError(msg)


def _misfit(fix: Fix) -> float:
    return float(np.square(fix.residuals_m).sum())


def fix_from_gps(
    latitude: float, longitude: float, *, crs: pyproj.CRS, error_m: float = TAPE_LIMITS["gps_error"]
) -> Fix:
    """Return a GPS position in the working CRS.

    latitude, longitude: WGS 84 [deg]; error_m: error that the receiver states [m].
    """
    x, y = transformer(WGS84, crs).transform(longitude, latitude)
    return Fix(float(x), float(y), error_m, (), "GPS")


def fix_row(row: Mapping[str, Any], plan: Plan, sensor_id: str) -> Fix | None:
    """Find a sensor from one row of the readings sheet.

    row: tie_1, tie_2, tie_3 [m], side, lat, lon [deg], gps_error [m], NaN or None where empty.
    Result: None where the row says nothing of the place.
    """
    lat, lon = _number(row, "lat"), _number(row, "lon")
    gps = None
    if math.isfinite(lat) and math.isfinite(lon):
        stated = _number(row, "gps_error")
        error = stated if math.isfinite(stated) else TAPE_LIMITS["gps_error"]
        gps = fix_from_gps(lat, lon, crs=plan.site.crs, error_m=error)
    ties = plan.ties[plan.ties["sensor_id"] == sensor_id].sort_values("tie")
    taped = {int(n): _number(row, f"tie_{int(n)}") for n in (1, 2, 3)}
    extra = [n for n, m in taped.items() if math.isfinite(m) and n not in set(ties["tie"])]
    if extra:
        msg = f"tie {some(extra)} has no fixed point on the plan. Empty it, or use GPS."
        raise TieError(msg)
    used = ties[[math.isfinite(taped[int(n)]) for n in ties["tie"]]]
    if len(used) < 2:  # noqa: PLR2004 - one tape fixes nothing
        if gps is None and len(used):
            msg = "one tape does not fix a point. Tape a second one, or write the GPS position."
            raise TieError(msg)
        return gps
    points = used[["from_x", "from_y"]].to_numpy(dtype=float)
    side = row.get("side")
    side = str(side) if isinstance(side, str) and side else None
    distances = np.array([taped[int(n)] for n in used["tie"]])
    sensor = plan.sensors.loc[sensor_id]
    planned = float(sensor["x"]), float(sensor["y"])
    offset = used["offset"].to_numpy(dtype=bool) if "offset" in used else np.zeros(len(used), bool)
    if offset.any():
        starts = used.geometry.apply(lambda line: line.coords[-1][:2])
        fix = fix_from_offsets(points, distances, offset, toward=np.array(list(starts)))
    else:
        fix = fix_from_ties(points, distances, side=side, near=gps)
        _not_swapped(fix, points, distances, planned)
    if gps is None:
        return fix
    gap = math.hypot(gps.x - fix.x, gps.y - fix.y)
    if gap > TAPE_LIMITS["agree"] * math.hypot(gps.error_m, fix.error_m):
        msg = (
            f"tapes and GPS lie {gap:.1f} m apart, where their errors are {fix.error_m:.1f} and "
            f"{gps.error_m:.1f} m: one of them is wrong."
        )
        raise TieError(msg)
    return gps if gps.error_m < fix.error_m else fix


def _not_swapped(fix: Fix, points: Floats, distances: Floats, planned: tuple[float, float]) -> None:
    """Refuse two tapes that lead to the planned point only when they are exchanged."""
    away = math.hypot(fix.x - planned[0], fix.y - planned[1])
    if len(distances) > 2 or away < TAPE_LIMITS["far"]:  # noqa: PLR2004 - three tapes have residuals
        return
    exchanged = np.hypot(points[:, 0] - planned[0], points[:, 1] - planned[1])
    if float(np.abs(exchanged[::-1] - distances).max()) < TAPE_LIMITS["near"]:
        msg = (
            f"the tapes lead {away:.1f} m away from the plan, and to it when they are exchanged: "
            "are tie 1 and tie 2 swapped?"
        )
        raise TieError(msg)


def _number(row: Mapping[str, Any], name: str) -> float:
    value = row.get(name)
    return math.nan if value is None else float(value)


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


def moving_words(plan: Plan, at: AsBuilt) -> tuple[str, ...]:
    """Say what moving a buried sensor to the planned point costs, and what it would be worth.

    What a spot costs a year is played: the sensor in each quarter of its zone, with the minutes as
    set, weighed by the chances of either point. Digging it out and in again costs what putting one
    in does; trench and wire are lengthened by what it is moved. The planned point is that of the
    plan as it is now: readings of the ground may have changed it since the sensor was buried.
    Nothing is said of a sensor that lies there, or outside its zone, which has to move whatever it
    costs.
    """
    basis = plan.basis
    if not at.in_zone or not isinstance(basis, Basis) or basis.printed is None:
        return ()
    zone = str(plan.sensors.loc[at.sensor_id, "zone"])
    spots = basis.printed.spots.get(zone)
    best = basis.placements[list(plan.zones.index).index(zone)]
    away = math.hypot(at.fix.x - best.x, at.fix.y - best.y)
    if spots is None or away <= max(_SURE * at.fix.error_m, 0.5):
        return ()
    survey, water, costs = basis.survey, plan.settings.water, plan.settings.costs
    here = point_chances(
        plan.site, survey.ground, basis.hazards, zone, point=(at.fix.x, at.fix.y),
        error=at.fix.error_m / math.sqrt(2), application=survey.application,
    )  # fmt: skip
    there = best.chances
    price = costs.installation + away * (costs.trench_per_m + costs.wire_per_m)
    now, then = (round(100 * part.driest_quarter) for part in (here, there))
    head = (
        f"{at.sensor_id} is in the driest quarter of {zone} with {now} in 100 where it lies, with "
        f"{then} at the planned point, {show(away, 'length', plan.settings.units)} away. "
        f"Moving it costs about {figure(price)} {water.currency}"
    )
    if not water.priced:
        return (f"{head}; water has no price here, so what it is worth cannot be told.",)
    lost, least = (
        float(quarter_chances(part.driest_quarter, part.wetter_half) @ spots)
        for part in (here, there)
    )
    worth = lost - least
    if worth * costs.life_years <= price:
        gain = f"is worth {figure(max(worth, 0.0))} {water.currency} a year: it does not pay"
        stay = "leave it where it is" if at.sound else "move it for what stands above"
        return (f"{head} and {gain}, {stay}.",)
    return (
        f"{head} and is worth {figure(worth)} {water.currency} a year, in water and dry days: it "
        f"pays itself in {price / worth:.1f} of the {costs.life_years:g} years that a sensor "
        "lasts.",
    )


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
