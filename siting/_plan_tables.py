"""The tables of a plan: zones, sensors, seasons."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from numpy.typing import NDArray

from siting._plan_application import ZoneApplication
from siting._plan_choice import Decision
from siting._plan_sheet import Sheet
from siting._plan_spare import chance_columns
from siting.climate.model import SeasonCalendar
from siting.placement import Placement
from siting.scheduling import (
    SOD_M,
    cycle_and_soak,
    run_minutes,
    sensor_depth,
    threshold_note,
    threshold_vwc,
)
from siting.season import Watering
from siting.site.model import Site
from siting.units import UnitsName
from siting.water.layers import sensor_layer_share

__all__ = ["Simulated", "season_table", "sensor_ids", "sensor_shares", "sensor_table", "zone_table"]

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class Simulated:
    """The printed sheet and today's timer over every run.

    Parameters
    ----------
    plan : Watering
        The sheet as printed, one row per zone.
    timer : Watering or None
        The same under today's timer.
    set_right : Watering
        The same under a timer whose minutes and monthly adjustment are set right, without a sensor.
    days : ndarray of bool, shape (D, W)
        Today's watering days.
    area_m2 : ndarray, shape (Z,)
        Area of the zones.
    years : int
        Seasons per scenario; runs are scenario by scenario.
    months : ndarray of int, shape (D,)
        Month of each day of the season.
    """

    plan: Watering
    timer: Watering | None
    set_right: Watering
    days: NDArray[np.bool_]
    area_m2: _Array
    years: int
    months: NDArray[np.int64]

    def monthly(self, watering: Watering) -> _Array:
        """Return the property's water by month and run.

        Parameters
        ----------
        watering : Watering
            One row per zone.

        Returns
        -------
        ndarray, shape (M, W)
            Months of the season in rising order [m³].
        """
        parts = (watering.within(self.months == month) for month in np.unique(self.months))
        return np.stack([self.area_m2 @ part / 1000 for part in parts])

    def volume(self, watering: Watering) -> _Array:
        """Return water per zone and run.

        Parameters
        ----------
        watering : Watering
            One row per zone.

        Returns
        -------
        ndarray, shape (Z, W)
            Water of the season [m³].
        """
        volume: _Array = watering.water_mm * self.area_m2[:, None] / 1000
        return volume

    def by_year(self, runs: _Array) -> _Array:
        """Reshape runs to scenarios and years.

        Parameters
        ----------
        runs : ndarray, shape (..., W)
            A value per run.

        Returns
        -------
        ndarray, shape (..., S, Y)
            The same values.
        """
        return runs.reshape(*runs.shape[:-1], -1, self.years)


def sensor_ids(
    decision: Decision, placements: list[Placement], zones: Sequence[str], tags: Mapping[str, str]
) -> dict[int, str]:
    """Name the chosen candidates: buried ones as they are, new ones in reading order.

    Parameters
    ----------
    decision : Decision
        The choice.
    placements : list of Placement
        Best point of every zone, in the order of the zones.
    zones : sequence of str
        Names of the zones.
    tags : mapping of str to str
        Zone -> tag of the sensor that is buried there; its tag is never given to another.

    Returns
    -------
    dict of int to str
        Candidate -> tag, in the order of the tags; without `tags` S1, S2, ... north first, then
        west.
    """
    zone = decision.governors.zone

    def place(candidate: int) -> tuple[float, float]:
        at = placements[int(zone[candidate])]
        return -round(at.y, 3), round(at.x, 3)

    ordered = sorted(decision.choice.sensors, key=place)
    given = [int(tag[1:]) for tag in tags.values() if tag[1:].isdigit()]
    following = count(max(given, default=0) + 1)
    known = {c: tags.get(str(zones[int(zone[c])])) for c in ordered}
    names = {c: tag or f"S{next(following)}" for c, tag in known.items()}
    return dict(sorted(names.items(), key=lambda item: (len(item[1]), item[1])))


def zone_table(
    site: Site,
    *,
    measures: pd.DataFrame,
    water: pd.DataFrame,
    simulated: Simulated,
    sheet: Sheet,
    ids: Mapping[int, str],
    today_depth: _Array | None,
) -> gpd.GeoDataFrame:
    """Put together `Plan.zones`.

    Parameters
    ----------
    site : Site
        The property.
    measures : DataFrame
        Index `zone`: area_m2, sun_hours, insolation, sky_view, plant_factor, need_score,
        net_irrigation_mm, etc_peak_mm_d, taw_mm, raw_mm.
    water : DataFrame
        As from `siting.water.zones.zone_water`.
    simulated : Simulated
        The plan over every run.
    sheet : Sheet
        What is printed of the choice.
    ids : mapping of int to str
        Tags of the chosen candidates.
    today_depth : ndarray, shape (Z,), or None
        Today's depth per event [mm].

    Returns
    -------
    GeoDataFrame
        See `siting.planning.Plan`.
    """
    zones = site.hydrozones
    table = zones[["valve", "controller", "plants", "irrigation"]].copy()
    table["soil"] = water["soil_class"]
    for column in measures:
        table[column] = measures[column]
    for column in ("root_depth_m", "precipitation_rate", "distribution_uniformity", "defaults"):
        table[column] = water[column]
    table["rain_share"] = zones["rain_share"]
    led = [int(j) for j in sheet.governor]
    table["sensor_id"] = [ids[j] if j >= 0 else "" for j in led]
    table["control"] = [sheet.kind[j] if j >= 0 else "timer" for j in led]
    for column, values in _run_times(water, simulated, today_depth).items():
        table[column] = values
    table["events"] = simulated.plan.events.mean(axis=1)
    table["today_events"] = float(simulated.days.sum(axis=0).mean())
    table["water_m3"] = simulated.volume(simulated.plan).mean(axis=1)
    table["today_m3"] = np.nan
    table["today_stress_days"] = np.nan
    table["today_stress_mean"] = np.nan
    if simulated.timer is not None:
        table["today_m3"] = simulated.volume(simulated.timer).mean(axis=1)
        table["today_stress_days"] = simulated.timer.worst_stress_days
        table["today_stress_mean"] = simulated.timer.stress_days.mean(axis=1)
    else:
        table["today_events"] = np.nan
    table["stress_days"] = simulated.plan.worst_stress_days
    table["stress_mean"] = simulated.plan.stress_days.mean(axis=1)
    return gpd.GeoDataFrame(table, geometry=zones.geometry, crs=zones.crs)


def _run_times(
    water: pd.DataFrame, simulated: Simulated, today_depth: _Array | None
) -> dict[str, list[float]]:
    """Return run time, factor against today, cycles and soak per zone."""
    depth = simulated.plan.depth.max(axis=1)
    rate = water["precipitation_rate"].to_numpy(dtype=float)
    minutes = np.array([run_minutes(d, r) for d, r in zip(depth, rate, strict=True)])
    today = np.full_like(minutes, np.nan)
    if today_depth is not None:
        today = np.array([run_minutes(d, r) for d, r in zip(today_depth, rate, strict=True)])
    cycles = [
        cycle_and_soak(
            length, precipitation_rate=r, intake_rate=intake, surface_accumulation_mm=stands
        )
        for length, r, intake, stands in zip(
            minutes,
            rate,
            water["intake_rate"].to_numpy(dtype=float),
            water["surface_accumulation"].to_numpy(dtype=float),
            strict=True,
        )
    ]
    factor = np.divide(minutes, today, out=np.full_like(minutes, np.nan), where=today > 0)
    return {
        "run_minutes": list(minutes),
        "today_minutes": list(today),
        "run_time_factor": list(factor),
        "cycles": [count for count, _, _ in cycles],
        "cycle_minutes": [length for _, length, _ in cycles],
        "soak_minutes": [soak for _, _, soak in cycles],
    }


def sensor_shares(hydrozones: gpd.GeoDataFrame, water: pd.DataFrame) -> _Array:
    """Return how much of each zone's root zone a sensor there would read.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Columns plants, new_sod.
    water : DataFrame
        As from `siting.water.zones.zone_water`.

    Returns
    -------
    ndarray, shape (Z,)
        Above 0, at most 1 [-].
    """
    depths = [
        sensor_depth(str(plants), root_depth_m=float(roots), new_sod=bool(sod))[0]
        + (SOD_M if sod and str(plants).endswith("turf") else 0.0)
        for plants, roots, sod in zip(
            hydrozones["plants"], water["root_depth_m"], hydrozones["new_sod"], strict=True
        )
    ]
    return sensor_layer_share(depths, water["root_depth_m"].to_numpy(dtype=float))


def sensor_table(
    site: Site,
    *,
    zones: gpd.GeoDataFrame,
    water: pd.DataFrame,
    sheet: Sheet,
    ids: Mapping[int, str],
    placements: list[Placement],
    application: Mapping[str, ZoneApplication],
    units: UnitsName = "metric",
) -> gpd.GeoDataFrame:
    """Put together `Plan.sensors`, all but the lengths of trench and wire.

    Parameters
    ----------
    site : Site
        The property.
    zones : GeoDataFrame
        As from `zone_table`.
    water : DataFrame
        As from `siting.water.zones.zone_water`.
    sheet : Sheet
        What is printed of the choice.
    ids : mapping of int to str
        Tags of the chosen candidates, in order.
    placements : list of Placement
        Best point of every zone, in the order of the zones.
    application : mapping of str to ZoneApplication
        What is known of each zone's application pattern.
    units : {"metric", "us"}
        Units of the lengths in words.

    Returns
    -------
    GeoDataFrame
        See `siting.planning.Plan`.
    """
    rows = []
    beside: dict[str, Mapping[str, Any]] = water.to_dict(orient="index")  # type: ignore[assignment]
    for candidate, sensor_id in ids.items():
        at = sheet.home[candidate]
        zone, kind = str(zones.index[at]), sheet.kind[candidate]
        rows.append(
            {
                "sensor_id": sensor_id,
                **_identity(zones, zone, sensor_id, sheet.hardware),
                **_place(placements[at], application[zone]),
                **_prescription(site, beside[zone], zone, kind, sheet.low[candidate], units),
            }
        )
    table = pd.DataFrame(rows).set_index("sensor_id")
    points = gpd.points_from_xy(table["x"], table["y"])
    frame = gpd.GeoDataFrame(table, geometry=points, crs=site.crs)
    for names, crs in (
        (("source_x", "source_y"), site.source_crs),
        (("lon", "lat"), pyproj.CRS.from_epsg(4326)),
    ):
        moved = frame.geometry.to_crs(crs)
        frame[names[0]], frame[names[1]] = moved.x, moved.y
    return frame


def _identity(
    zones: gpd.GeoDataFrame, zone: str, sensor_id: str, hardware: Mapping[str, str]
) -> dict[str, object]:
    """Return which zone, valve and followers a sensor has."""
    governed = tuple(str(z) for z in zones.index[zones["sensor_id"] == sensor_id])
    row = zones.loc[zone]
    return {
        "zone": zone,
        "valve": row["valve"],
        "controller": row["controller"],
        "governs": governed,
        "control": row["control"],
        "hardware": hardware["" if pd.isna(row["controller"]) else str(row["controller"])],
    }


def _place(placement: Placement, application: ZoneApplication) -> dict[str, object]:
    """Return where a sensor goes and why."""
    tested = placement.chances_tested
    after = math.nan if tested is None else tested.driest_quarter
    return {
        "x": placement.x,
        "y": placement.y,
        **chance_columns(placement.chances),
        "p_driest_quarter_tested": after,
        "application_note": application.words(placement.chances.driest_quarter, after),
        "test_cans": application.cans,
        "setback_ratio": placement.setback_ratio,
        "binding_setback": placement.binding_setback,
        "setback_note": placement.note,
        "reason": placement.reason,
    }


def _prescription(
    site: Site,
    water: Mapping[str, Any],
    zone: str,
    kind: str,
    low: float,
    units: UnitsName,
) -> dict[str, object]:
    """Return depth and threshold of a sensor."""
    plants = str(site.hydrozones.loc[zone, "plants"])
    depth, note = sensor_depth(
        plants,
        root_depth_m=float(water["root_depth_m"]),
        new_sod=bool(site.hydrozones.loc[zone, "new_sod"]),
        units=units,
    )
    share = float(sensor_layer_share(depth, float(water["root_depth_m"])))
    wait = float(water["drain_hours"])
    capacity = float(water["field_capacity"]) - float(water["wilting_point"])
    return {
        "depth_m": depth,
        "depth_note": note,
        "threshold_low_mm": low * float(water["taw_mm"]) * share,
        "threshold_high_mm": float("nan"),
        "threshold_low_fraction": low,
        "threshold_high_fraction": float("nan"),
        "threshold_step_vwc": low * capacity,
        "threshold_vwc": threshold_vwc(
            float(water["field_capacity"]), float(water["wilting_point"]), depleted_fraction=low
        ),
        "soak_wait_h": wait,
        "threshold_note": threshold_note(
            kind,
            soak_wait_hours=wait,
            low_fraction=low,
            step_vwc=low * capacity,
        ),
    }


def _worst_zone(simulated: Simulated) -> _Array:
    """Return each year's stress days of the zone that has most, mean over the scenarios [d]."""
    return np.asarray(simulated.by_year(simulated.plan.stress_days).mean(axis=1).max(axis=0))


def season_table(
    simulated: Simulated, seasons: SeasonCalendar, et0: _Array, *, metered_m3: float | None = None
) -> pd.DataFrame:
    """Put together `Plan.season`: one row per weather year, means over the scenarios.

    Parameters
    ----------
    simulated : Simulated
        The plan over every run.
    seasons : SeasonCalendar
        The weather seasons.
    et0 : ndarray, shape (D, Y)
        Open-ground reference ET [mm/d].
    metered_m3 : float, optional
        Metered use of a season, where no timer is known [m³].

    Returns
    -------
    DataFrame
        See `siting.planning.Plan`.
    """
    planned = simulated.by_year(simulated.volume(simulated.plan).sum(axis=0)).mean(axis=0)
    baseline = np.full_like(planned, np.nan if metered_m3 is None else metered_m3)
    skipped = np.full_like(planned, np.nan)
    if simulated.timer is not None:
        baseline = simulated.by_year(simulated.volume(simulated.timer).sum(axis=0)).mean(axis=0)
        scheduled = simulated.days.sum(axis=0) * len(simulated.area_m2)
        ran = simulated.plan.events.sum(axis=0)
        share = np.divide(ran, scheduled, out=np.ones(len(ran)), where=scheduled > 0)
        skipped = 1 - simulated.by_year(share).mean(axis=0)
    saved = baseline - planned
    fraction = np.divide(saved, baseline, out=np.full_like(saved, np.nan), where=baseline > 0)
    return pd.DataFrame(
        {
            "baseline_m3": baseline,
            "plan_m3": planned,
            "saved_m3": saved,
            "saved_fraction": fraction,
            "skipped_fraction": skipped,
            "stress_days": _worst_zone(simulated),
            "rain_mm": seasons.rain_mm.sum(axis=0),
            "et0_mm": et0.sum(axis=0),
        },
        index=pd.Index(seasons.years, name="year"),
    )
