"""The prescription: tables, ties, wire routes, parts and money of a decided plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siting._claims import costs_words, standing
from siting._plan_choice import Decision
from siting._plan_compare import control_table
from siting._plan_homes import elsewhere, zone_notes
from siting._plan_known import Decided, Known
from siting._plan_places import ground_in_play, priced_ground, priced_trench, wire_share
from siting._plan_sensitivity import sensitivity_table
from siting._plan_spare import chance_table, reserve_table
from siting._plan_tables import season_table, sensor_ids, sensor_table, zone_table
from siting._plan_timer import timer_table
from siting.economics import (
    Capital,
    TodayStress,
    economics,
    hardware_capital,
    payback_years,
    water_cost,
)
from siting.placement import Placement
from siting.sensors import Choice
from siting.site.model import Site
from siting.site.settings import PropertyFile
from siting.ties import sensor_ties
from siting.units import UnitsName
from siting.wiring import WireRoutes, parts_list, wire_routes

__all__ = ["Built", "build_plan"]

_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")


@dataclass(frozen=True)
class Built:
    """The prescription.

    Parameters
    ----------
    zones, sensors, season, ties, reserves, parts : GeoDataFrame or DataFrame
        As `Plan.zones` and so on.
    wires : WireRoutes
        Trenches and wires as routed.
    economics : dict
        As `Plan.economics`, and the price of water [currency/m³].
    claims : dict of units to str
        The claim in each system of units.
    zone_notes : dict of units to dict of str to str
        By tag, why a sensor is not in the thirstiest zone that it governs.
    controls, timer_table, sensitivity : DataFrame
        As `Plan.controls` and so on.
    warnings : tuple of str
        What could not be routed or tied, and what bills do not say.
    """

    zones: gpd.GeoDataFrame
    sensors: gpd.GeoDataFrame
    season: pd.DataFrame
    ties: gpd.GeoDataFrame
    reserves: gpd.GeoDataFrame
    wires: WireRoutes
    parts: pd.DataFrame
    economics: dict[str, Any]
    claims: dict[UnitsName, str]
    zone_notes: dict[UnitsName, dict[str, str]]
    controls: pd.DataFrame
    timer_table: pd.DataFrame
    sensitivity: pd.DataFrame
    warnings: tuple[str, ...]


def build_plan(
    site: Site,
    settings: PropertyFile,
    known: Known,
    placements: list[Placement],
    decided: Decided,
    tags: Mapping[str, str],
) -> Built:
    """Prescribe: tables, ties, wire routes and money.

    Parameters
    ----------
    site : Site
        The property.
    settings : PropertyFile
        What the user asked for.
    known : Known
        Sun, water and weather.
    placements : list of Placement
        Best point of every zone.
    decided : Decided
        The choice.
    tags : mapping of str to str
        Zone -> tag of the sensor that is buried there.

    Returns
    -------
    Built
        Everything that a plan shows.
    """
    ids = sensor_ids(decided.decision, placements, list(site.hydrozones.index), tags)
    zones, sensors, wires, reserves = _layers(site, settings, known, placements, decided, ids)
    homes = _home_notes(settings, decided, zones, sensors, ids)
    sensors["zone_note"] = [homes[settings.units][str(tag)] for tag in sensors.index]
    ties, notes = _all_ties(site, sensors, settings.units)
    metered, more = _metered(settings, known)
    open_eto = known.terms.open_sky[known.seasons.rows]
    season = season_table(decided.simulated, known.seasons, open_eto, metered_m3=metered)
    spent = _capital(settings, decided, sensors, wires)
    money = {
        units: _economics(settings, known, decided, spent, zones, metered, units=units)
        for units in _SYSTEMS
    }
    return Built(
        zones=zones,
        sensors=sensors,
        season=season,
        ties=ties,
        reserves=reserves,
        wires=wires,
        parts=_parts(wires, settings.units, decided),
        economics=money[settings.units],
        claims={units: str(told["claim"]) for units, told in money.items()},
        zone_notes=homes,
        controls=control_table(decided, settings.control, rain_mm=known.seasons.rain_mm),
        timer_table=timer_table(zones, known, decided),
        sensitivity=sensitivity_table(settings, decided, spent),
        warnings=(*wires.warnings, *notes, *more),
    )


def _home_notes(
    settings: PropertyFile,
    decided: Decided,
    zones: gpd.GeoDataFrame,
    sensors: gpd.GeoDataFrame,
    ids: Mapping[int, str],
) -> dict[UnitsName, dict[str, str]]:
    """Say why a sensor does not lie in the thirstiest zone that it governs."""
    return zone_notes(
        elsewhere(decided, zones, ids),
        sensors.index,
        currency=settings.water.currency,
        price=decided.price,
    )


def _layers(
    site: Site,
    settings: PropertyFile,
    known: Known,
    placements: list[Placement],
    decided: Decided,
    ids: Mapping[int, str],
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, WireRoutes, gpd.GeoDataFrame]:
    """Return zones, sensors, their wire routes and their reserve points."""
    decision = decided.decision
    zones = zone_table(
        site,
        measures=known.measures.join(chance_table(placements, known.measures.index)),
        water=known.water,
        simulated=decided.simulated,
        sheet=decided.sheet,
        ids=ids,
        today_depth=decided.today_depth,
    )
    sensors = sensor_table(
        site,
        zones=zones,
        water=known.water,
        sheet=decided.sheet,
        ids=ids,
        placements=placements,
        application=known.application,
        units=settings.units,
    )
    wires = wire_routes(
        sensors,
        fixtures=site.fixtures,
        boundary=site.boundary,
        buildings=site.buildings,
        paving=site.paving,
        priced=priced_ground(site),
        wire_share=wire_share(settings.costs),
        in_play=ground_in_play(site),
    )
    sensors = sensors.join(wires.lengths[["wire_m", "trench_m", "gauge_awg", "drop_v"]])
    sensors["link"] = [wires.link(str(tag)) for tag in sensors.index]
    chosen = {tag: placements[int(decision.governors.zone[at])] for at, tag in ids.items()}
    return zones, sensors, wires, reserve_table(chosen, crs=site.crs)


def _capital(
    settings: PropertyFile, decided: Decided, sensors: gpd.GeoDataFrame, wires: WireRoutes
) -> Capital:
    """Return what the plan costs to build, on the trench as routed."""
    kinds = {item.kind: item for item in settings.hardware}
    count = sensors["controller"].fillna("").astype(str).value_counts()
    return hardware_capital(
        settings.costs,
        [(kinds[kind], int(count[name])) for name, kind in decided.decision.hardware.items()],
        trench_m=priced_trench(wires),
        wire_m=float(sensors["wire_m"].fillna(0).sum()),
    )


def _metered(settings: PropertyFile, known: Known) -> tuple[float | None, tuple[str, ...]]:
    """Return a season's metered use where no timer is known, or say which months are missing."""
    bills = settings.water.bills
    if bills is None or settings.timer is not None:
        return None, ()
    months = known.ground.eto.months
    missing = [month for month in months if month not in bills.outdoor_m3]
    if missing:
        named = ", ".join(str(month) for month in missing)
        return None, (
            f"bills: months {named} of the season were not metered, so no saving is claimed",
        )
    # Only the season's share of its first and last month counts.
    days = [float(np.sum(known.seasons.month == month)) for month in months]
    used = sum(
        bills.outdoor_m3[month] * min(1.0, count / _MONTH_DAYS[month - 1])
        for month, count in zip(months, days, strict=True)
    )
    return used, ()


_MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def _economics(
    settings: PropertyFile,
    known: Known,
    decided: Decided,
    built: Capital,
    zones: gpd.GeoDataFrame,
    metered: float | None,
    *,
    units: UnitsName,
) -> dict[str, Any]:
    """Put money on the plan and on today."""
    simulated, water = decided.simulated, settings.water
    planned = simulated.by_year(simulated.volume(simulated.plan).sum(axis=0))
    baseline, bills, today = None, None, None
    monthly = simulated.monthly(simulated.plan)
    if simulated.timer is not None:
        baseline = simulated.by_year(simulated.volume(simulated.timer).sum(axis=0))
        bills = (
            simulated.by_year(water_cost(water, simulated.monthly(simulated.timer))),
            simulated.by_year(water_cost(water, monthly)),
        )
        stress = zones["today_stress_days"].astype(float)
        today = TodayStress(
            {str(zone): float(days) for zone, days in stress.items()},
            settings.control.max_stress_days,
        )
    elif metered is not None:
        baseline = np.full(planned.shape, metered)
        used = _bill_months(settings, known)
        bills = (
            np.full(planned.shape, float(water_cost(water, used))),
            simulated.by_year(water_cost(water, monthly)),
        )
    money = economics(
        settings.costs,
        water,
        built=built,
        baseline_m3=baseline,
        plan_m3=planned,
        units=units,
        bills=bills if water.tiers else None,
        today=today,
    )
    money["price"] = decided.price
    money["ways"] = _ways(settings, decided, built.total)
    money["claim"] += _unpriced(settings, decided)
    return money


def _ways(settings: PropertyFile, decided: Decided, capital: float) -> list[dict[str, Any]]:
    """Return what each way saves against today's timer, and when it pays back.

    The ways: this plan; the plan under the other aim; the plain way; a timer set right, without a
    sensor; and this plan against that timer. Money is at the plan's average price.
    """
    simulated, price = decided.simulated, decided.price
    if simulated.timer is None:
        return []

    def yearly(volume: NDArray[np.float64]) -> float:
        return float(volume.sum(axis=0).mean())

    today = yearly(simulated.volume(simulated.timer))
    right = yearly(simulated.volume(simulated.set_right))
    mine = yearly(simulated.volume(simulated.plan))
    aims = {False: "as today", True: "within the limit"}
    rows = [(aims[decided.heal], decided.decision.choice.used, today - mine, capital,
             float(simulated.plan.worst_stress_days.max()))]  # fmt: skip
    if decided.rival is not None:
        other, ran = decided.rival.decision, decided.rival.plan
        rows.append((aims[decided.rival.heal], other.choice.used,
                     today - yearly(simulated.volume(ran)), _price_of(other, other.choice),
                     float(ran.worst_stress_days.max())))  # fmt: skip
    decision = decided.decision
    if decision.plain is not None and decided.plain is not None:
        rows.append(("the plain way", decision.plain.used,
                     today - yearly(simulated.volume(decided.plain)),
                     _price_of(decision, decision.plain),
                     float(decided.plain.worst_stress_days.max())))  # fmt: skip
    least = float(simulated.set_right.worst_stress_days.max())
    rows.append(("timer set right", 0, today - right, 0.0, least))
    rows.append(("against a timer set right", decided.decision.choice.used, right - mine, capital,
                 rows[0][4]))  # fmt: skip
    return [
        {
            "way": way,
            "sensors": count,
            "saved_m3": saved,
            "saved_per_year": None if price is None else saved * price,
            "capital": spent,
            "payback_years": None
            if price is None or not settings.costs.given
            else payback_years(spent, saved * price),
            "stress_days": stress,
        }
        for way, count, saved, spent, stress in rows
    ]


def _price_of(decision: Decision, choice: Choice) -> float:
    """Return what a choice costs to build, its shared trench as priced."""
    options = decision.options
    water = options.price * float(options.water_m3(choice).mean())
    return max(choice.cost - water, 0.0) * options.prices.life_years


def _bill_months(settings: PropertyFile, known: Known) -> NDArray[np.float64]:
    """Return the landscape's metered use in each month of the season, shape (M,) [m³]."""
    bills = settings.water.bills
    outdoor = {} if bills is None else bills.outdoor_m3
    return np.array([outdoor.get(month, 0.0) for month in known.ground.eto.months])


def _unpriced(settings: PropertyFile, decided: Decided) -> str:
    """Say where the hardware's price is the trade's and not the user's."""
    kinds = {item.kind: item for item in settings.hardware}
    bought = [kinds[kind] for kind in sorted(set(decided.decision.hardware.values()))]
    state = standing({}, settings.costs, hardware=bought)
    return f" {costs_words(state)}" if state.costs == "usual hardware" else ""


def _parts(wires: WireRoutes, units: UnitsName, decided: Decided) -> pd.DataFrame:
    """Return the parts list with the control hardware on top."""
    kinds = list(decided.decision.hardware.values())
    rows = []
    timers = kinds.count("replacement")
    if timers:
        rows.append(("timer with sensor inputs", timers, "each", "in place of the old one"))
    if "add_on" in kinds:
        modules = sum(
            1
            for j in decided.decision.choice.sensors
            if decided.decision.hardware[_controller(decided, j)] == "add_on"
        )
        rows.append(("add-on control module", modules, "each", "beside the 24 V AC timer"))
    top = pd.DataFrame(rows, columns=["item", "quantity", "unit", "note"])
    return pd.concat([top, parts_list(wires, units=units)], ignore_index=True)


def _controller(decided: Decided, sensor: int) -> str:
    zones = decided.decision.options.zones
    name = zones["controller"].iloc[int(decided.decision.governors.zone[sensor])]
    return "" if pd.isna(name) else str(name)


def _all_ties(
    site: Site, sensors: gpd.GeoDataFrame, units: UnitsName
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Return the tape ties of every sensor, and what could not be tied."""
    tables, notes = [], []
    layers = {"edge of paving": site.paving, "line of fence or wall": site.walls}
    edges = {
        kind: shapely.union_all(layer.geometry.to_numpy())
        for kind, layer in layers.items()
        if layer is not None and len(layer)
    }
    for sensor_id, at in sensors.geometry.items():
        found = sensor_ties(
            at.x,
            at.y,
            buildings=site.buildings,
            fixtures=site.fixtures,
            boundary=site.boundary,
            edges=edges,
            units=units,
        )
        table = found.ties
        table.insert(0, "sensor_id", str(sensor_id))
        tables.append(table)
        notes += [f"sensor {sensor_id}: {found.note}"] if found.note else []
    return pd.concat([t for t in tables if len(t)] or tables[:1], ignore_index=True), tuple(notes)
