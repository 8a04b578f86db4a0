"""The tables of a plan: zones, sensors, seasons, reserve points, homes.

The trade's habit is the driest place of the property. Where the decision puts the sensor elsewhere,
the same group is priced with its sensor in its thirstiest zone, everything else left as it is, and
the difference is told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from siting.arrays import Floats
from siting.climate.model import SeasonCalendar
from siting.decide.choice import Decision
from siting.decide.decision import Decided
from siting.decide.sheet import Sheet, Simulated
from siting.place.placement import Placement
from siting.place.rank import Chances
from siting.season.scheduling import (
    cycle_and_soak,
    run_minutes,
    sensor_depth,
    threshold_note,
    threshold_vwc,
)
from siting.site.model import Site
from siting.units import UnitsName, figure, show
from siting.water.balance import sensor_layer_share
from siting.zones.application import ZoneApplication
from siting.zones.ground import Ground, SunVariants
from siting.zones.points import area_rank

#: Columns of what is expected of a place's rank.
CHANCES: Final = ("expected_rank", "p_driest_quarter", "p_wetter_half")
_RESERVES = ("sensor_id", "reserve", "x", "y", *CHANCES, "setback_ratio", "binding_setback",
             "as_good")  # fmt: skip


def chance_columns(chances: Chances) -> dict[str, float]:
    """Return what is expected of a place's rank by column."""
    return dict(zip(CHANCES, chances, strict=True))


def chance_table(placements: list[Placement], zones: pd.Index[str]) -> pd.DataFrame:
    """Return what is expected of the rank of each zone's best point, index `zone`."""
    return pd.DataFrame([chance_columns(at.chances) for at in placements], index=zones)


def reserve_table(placements: Mapping[str, Placement], *, crs: object) -> gpd.GeoDataFrame:
    """Put together `Plan.reserves`."""
    rows = [
        (
            sensor_id,
            number,
            at.x,
            at.y,
            *at.chances,
            at.setback_ratio,
            at.binding_setback,
            at.as_good,
        )
        for sensor_id, placement in placements.items()
        for number, at in enumerate(placement.reserves, start=1)
    ]
    table = pd.DataFrame(rows, columns=list(_RESERVES))
    points = gpd.points_from_xy(table["x"].astype(float), table["y"].astype(float))
    return gpd.GeoDataFrame(table, geometry=points, crs=crs)


def admissible_table(placements: list[Placement], hydrozones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Put together `Plan.admissible`."""
    shapes = np.array([placement.admissible for placement in placements], dtype=object)
    area = shapely.area(shapes)
    table = gpd.GeoDataFrame(
        {
            "zone": [str(zone) for zone in hydrozones.index],
            "area_m2": area,
            "share": area / hydrozones.geometry.area.to_numpy(),
        },
        geometry=shapes,
        crs=hydrozones.crs,
    )
    return table[area > 0].reset_index(drop=True)


def rank_raster(sun: SunVariants, ground: Ground, placements: list[Placement]) -> Floats:
    """Draw the area rank of dryness among each zone's admissible ground, mean over scenarios.

    Returns 0..1, NaN outside the zones. To look at: points are chosen on finer ground than this,
    shape (rows, columns).
    """
    raster = np.full(sun.drawn.sky_view.size, np.nan)
    pixels = ground.pixels
    for z, placement in enumerate(placements):
        inside = shapely.contains_xy(placement.admissible, pixels.x[z], pixels.y[z])
        among = inside if inside.any() else None
        raster[pixels.flat[z]] = area_rank(ground.dryness[z], among=among).mean(axis=0)
    return raster.reshape(sun.drawn.sky_view.shape)


def sensor_ids(
    decision: Decision, placements: list[Placement], zones: Sequence[str], tags: Mapping[str, str]
) -> dict[int, str]:
    """Name the chosen candidates: buried ones as they are, new ones in reading order.

    Returns candidate -> tag, in the order of the tags, without `tags` S1, S2, ... north first, then
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
    today_depth: Floats | None,
) -> gpd.GeoDataFrame:
    """Put together `Plan.zones`.

    today_depth (Z,): today's depth per event [mm].
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
    water: pd.DataFrame, simulated: Simulated, today_depth: Floats | None
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

    units {"metric", "us"}: units of the lengths in words.
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
        "threshold_low_fraction": low,
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


def _worst_zone(simulated: Simulated) -> Floats:
    """Return each year's stress days of the zone that has most, mean over the scenarios [d]."""
    return np.asarray(simulated.by_year(simulated.plan.stress_days).mean(axis=1).max(axis=0))


def season_table(
    simulated: Simulated, seasons: SeasonCalendar, et0: Floats, *, metered_m3: float | None = None
) -> pd.DataFrame:
    """Put together `Plan.season`: one row per weather year, means over the scenarios.

    et0 (D, Y): open-ground reference ET [mm/d]; metered_m3: metered use of a season, where no timer
    is known [m³].
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


_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")
_TRIFLE: Final = 0.5  # currency or m³ a year below which a difference is none


@dataclass(frozen=True)
class Elsewhere:
    """A sensor moved to the thirstiest zone that it governs.

    home, thirstiest: where it lies, and where it could; alone: whether it governs every zone of the
    property; open_ground: whether any ground of the thirstiest zone meets every setback; cost,
    water_m3: how much more a year it would cost, and use, from there, infinite where no setting
    keeps every zone within its limit [currency, m³].
    """

    home: str
    thirstiest: str
    alone: bool
    open_ground: bool
    cost: float
    water_m3: float


def elsewhere(
    decided: Decided, zones: pd.DataFrame, ids: Mapping[int, str]
) -> dict[str, Elsewhere]:
    """Price every sensor that is not in the thirstiest zone of its group as if it were.

    Returns by tag, sensors in the thirstiest zone of their group are left out.
    """
    decision = decided.decision
    need = zones["need_score"].to_numpy(dtype=float)
    found = {}
    for candidate, tag in ids.items():
        group = np.flatnonzero(decision.governor == candidate)
        home, top = int(decision.governors.zone[candidate]), int(group[np.argmax(need[group])])
        if home == top or need[home] >= need[top]:
            continue
        cost, water = _moved(decision, candidate, top)
        found[tag] = Elsewhere(
            home=str(zones.index[home]),
            thirstiest=str(zones.index[top]),
            alone=len(group) == len(zones),
            open_ground=bool(decision.options.zones["admissible"].iloc[top]),
            cost=cost,
            water_m3=water,
        )
    return found


def _moved(decision: Decision, candidate: int, top: int) -> tuple[float, float]:
    """Return what the same groups cost and use more with one sensor in another zone."""
    options, choice, pool = decision.options, decision.choice, decision.governors
    group = np.flatnonzero(decision.governor == candidate)
    priced, prices = options.candidates(), options.prices
    kinds = {pool.kind[j] for j in choice.sensors if _together(decision, j, candidate)}
    others = [
        int(j)
        for j in np.flatnonzero(pool.zone == top)
        if pool.kind[int(j)] in kinds and np.isfinite(priced.cost[int(j), group]).all()
    ]
    if not others:
        return float("inf"), float("inf")
    totals = priced.cost[:, group].sum(axis=1)
    best = min(others, key=lambda j: float(totals[j]))
    homes = options.homes(choice)
    moved = [top if home == int(pool.zone[candidate]) else home for home in homes]
    own = float(totals[best] - totals[candidate])
    own += float(prices.connection[top] - prices.connection[pool.zone[candidate]])
    shared = prices.shared(0.0, moved) - prices.shared(0.0, homes)
    used = np.minimum(pool.water_mm[:, group], options.alone_mm[group])
    water = used @ options.area_m2[group] / 1000
    return own + shared, float(water[best] - water[candidate])


def _together(decision: Decision, one: int, other: int) -> bool:
    """Return whether two candidates are on the same controller."""
    names = decision.options.zones["controller"].fillna("").astype(str).to_numpy()
    zone = decision.governors.zone
    return bool(names[int(zone[one])] == names[int(zone[other])])


def zone_notes(
    found: Mapping[str, Elsewhere], tags: pd.Index, *, currency: str, price: float | None
) -> dict[UnitsName, dict[str, str]]:
    """Say for every sensor why it is not in the thirstiest zone that it governs.

    price: price of water, without one the difference is told in water [currency/m³]. Returns by
    units, then by tag, "" where the sensor is in the thirstiest zone.
    """
    return {
        units: {
            str(tag): _note(found[str(tag)], currency, price, units) if str(tag) in found else ""
            for tag in tags
        }
        for units in _SYSTEMS
    }


def _note(other: Elsewhere, currency: str, price: float | None, units: UnitsName) -> str:
    """Say why one sensor is where it is."""
    whose = "the thirstiest zone" if other.alone else "the thirstiest zone that it governs"
    lead = f"It lies in {other.home} and not in {other.thirstiest}, {whose}"
    if not other.open_ground:
        return f"{lead}, because no ground there meets every setback."
    if not np.isfinite(other.cost):
        return (
            f"{lead}, because from there no setting keeps every zone that it governs within its "
            "stress limit."
        )
    enough = "and every zone that it governs still gets enough"
    if price is not None and other.cost >= _TRIFLE:
        return f"{lead}: this costs {figure(other.cost)} {currency} a year less, {enough}."
    if price is None and other.water_m3 >= _TRIFLE:
        less = show(other.water_m3, "volume", units)
        return f"{lead}: this uses {less} a year less, {enough}."
    return f"{lead}: this costs no more, {enough}."
