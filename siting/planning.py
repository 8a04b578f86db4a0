"""`plan(site, climate, ...) -> Plan`: the one module that knows every stage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_application import ZoneApplication, zone_application
from siting._plan_choice import Decision, Prices, decide
from siting._plan_control import (
    driest_quarters,
    governors,
    net_requirement,
    run_plan,
    run_timer,
    timer_depths,
)
from siting._plan_factors import with_factors
from siting._plan_ground import (
    Ground,
    Progress,
    SunVariants,
    monthly_eto,
    property_grid,
    sun_variants,
    survey,
)
from siting._plan_measures import dryness_raster, zone_measures
from siting._plan_model import Plan, Wording
from siting._plan_places import (
    all_hazards,
    connection_costs,
    place_zones,
    priced_ground,
    priced_trench,
    wire_share,
)
from siting._plan_report import assumptions, provenance
from siting._plan_scenarios import Scenarios, draw_scenarios
from siting._plan_spare import admissible_table, rank_raster, reserve_table
from siting._plan_tables import (
    Simulated,
    season_table,
    sensor_ids,
    sensor_shares,
    sensor_table,
    zone_table,
)
from siting._plan_water import aridity, budget, with_microclimate
from siting._plan_weather import property_weather
from siting._plan_words import wordings
from siting.cautions import cautions_for
from siting.climate.calendar import season_calendar
from siting.climate.model import Climate, SeasonCalendar
from siting.economics import capital, economics
from siting.errors import Fault, InputError
from siting.hydrozones import ZonePixels, zone_pixels
from siting.placement import Placement, keepout_areas
from siting.season import timer_days
from siting.site.model import Site
from siting.site.property import read_property
from siting.site.reading import open_property, read_site
from siting.site.settings import PropertyFile
from siting.sun.position import season_positions
from siting.ties import sensor_ties
from siting.water.reference_et import EtoTerms, eto_terms
from siting.water.soilmap import with_soil_map
from siting.water.zones import zone_water
from siting.wiring import WireRoutes, parts_list, wire_routes

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["Plan", "Progress", "Wording", "plan", "plan_property", "read_inputs"]


def plan_property(path: Path | str, *, threads: int = 1, progress: Progress | None = None) -> Plan:
    """Read a property and plan its sensors: the main job.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.
    threads : int
        Threads for the sun computation; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    Plan
        The plan.

    Raises
    ------
    InputError
        With every fault of the property file, its layers or its weather.
    PlanError
        When the input is sound but no plan can be made from it.
    """
    settings, site, climate = read_inputs(path)
    return plan(site, climate, settings, threads=threads, progress=progress)


def read_inputs(path: Path | str, *, fetch: bool = False) -> tuple[PropertyFile, Site, Climate]:
    """Read a property file, its layers and its weather, and report all their faults at once.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.
    fetch : bool
        Whether weather may be fetched over the network, where the property file asks for it.

    Returns
    -------
    tuple of PropertyFile, Site and Climate
        What the user asked for, the checked property and its weather.

    Raises
    ------
    InputError
        With every fault; those of the weather only once the property file itself is sound.
    """
    try:
        settings = read_property(path)
    except InputError:
        open_property(path)  # raises again, with the faults of the layers too
        raise
    faults: list[Fault] = []
    place: dict[str, float] = {}
    try:
        site = read_site(settings)
        place = {"latitude": site.latitude, "longitude": site.longitude}
    except InputError as error:
        faults += error.faults
    try:
        climate = property_weather(settings, **place, fetch=fetch)
    except InputError as error:
        faults += error.faults
    if faults:
        raise InputError(faults)
    return settings, site, climate


def plan(
    site: Site,
    climate: Climate,
    settings: PropertyFile,
    *,
    threads: int = 1,
    progress: Progress | None = None,
) -> Plan:
    """Plan the sensors of a property.

    Parameters
    ----------
    site : Site
        The checked property.
    climate : Climate
        Daily weather of many years.
    settings : PropertyFile
        What the user asked for.
    threads : int
        Threads for the sun computation; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    Plan
        The plan.

    Raises
    ------
    PlanError
        When no plan can be made.
    """
    seasons = season_calendar(climate, start=settings.season.start, end=settings.season.end)
    terms = eto_terms(climate.daily, latitude=site.latitude, elevation_m=climate.elevation_m)
    known = _survey(site, climate, settings, (seasons, terms), threads=threads, progress=progress)
    hazards, told = all_hazards(site, settings.setbacks)
    placements = place_zones(
        site,
        known.ground,
        hazards,
        application=known.application,
        units=settings.units,
        threads=threads,
        progress=progress,
    )
    decided = _decide(site, settings, known, placements, progress=progress)
    built = _build(site, settings, known, placements, decided)
    allowed = budget(settings.water, climate, terms, zones=built.zones, table=known.water)
    warnings = (
        *site.warnings, *climate.warnings, *_notes(settings, known), *told, *decided.warnings,
        *built.warnings,
    )  # fmt: skip
    place = dict(zip(site.hydrozones.index, placements, strict=True))
    worded = wordings(
        built.zones,
        built.sensors,
        decided.decision.choices,
        economics=built.economics,
        settings=settings,
        words={str(tag): place[zone].words for tag, zone in built.sensors["zone"].items()},
    )
    return Plan(
        site=site,
        settings=settings,
        zones=built.zones,
        sensors=built.sensors,
        choices=decided.decision.choices,
        rules=decided.decision.rules,
        wire_routes=built.wires.routes,
        ties=built.ties,
        keepout=keepout_areas(hazards, boundary=site.boundary, hydrozones=site.hydrozones),
        reserves=built.reserves,
        admissible=admissible_table(placements, site.hydrozones),
        rank=rank_raster(known.sun, known.ground, placements),
        season=built.season,
        economics={**built.economics, "budget": allowed},
        parts=parts_list(built.wires, units=settings.units),
        sun=known.sun.drawn,
        dryness=dryness_raster(known.sun, known.ground),
        answer=worded[settings.units].answer,
        cautions=cautions_for(),
        warnings=tuple(dict.fromkeys(warnings)),
        provenance=provenance(
            site, settings, weather_seasons=known.seasons.years, reference_et=known.terms.method
        ),
        wordings=worded,
    )


@dataclass(frozen=True)
class _Known:
    """What is known of the ground and the weather before anything is decided."""

    seasons: SeasonCalendar
    terms: EtoTerms
    water: pd.DataFrame
    scenarios: Scenarios
    sun: SunVariants
    ground: Ground
    measures: pd.DataFrame
    application: Mapping[str, ZoneApplication]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Decided:
    """How many sensors and which zones each governs."""

    decision: Decision
    simulated: Simulated
    today_depth: NDArray[np.float64] | None
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Built:
    """The prescription."""

    zones: gpd.GeoDataFrame
    sensors: gpd.GeoDataFrame
    season: pd.DataFrame
    ties: gpd.GeoDataFrame
    reserves: gpd.GeoDataFrame
    wires: WireRoutes
    economics: dict[str, Any]
    warnings: tuple[str, ...]


def _survey(
    site: Site,
    climate: Climate,
    settings: PropertyFile,
    weather: tuple[SeasonCalendar, EtoTerms],
    *,
    threads: int,
    progress: Progress | None,
) -> _Known:
    """Work out sun, water and dryness."""
    analysis, (seasons, terms) = settings.analysis, weather
    zones, soil_notes = with_soil_map(site.hydrozones, site.soils)
    dry, climate_note = aridity(climate, terms)
    water = zone_water(zones, latitude=site.latitude, hot_arid=dry)
    scenarios = draw_scenarios(analysis.scenarios, seed=analysis.seed)
    eto = monthly_eto(terms, seasons)
    positions = season_positions(
        site.latitude, site.longitude, months=eto.months, minutes=analysis.sun_minutes
    )
    sun = sun_variants(
        site,
        property_grid(site, analysis.resolution),
        positions,
        months=eto.months,
        threads=threads,
        spread=scenarios.count > 1,
        progress=progress,
    )
    pixels: ZonePixels = zone_pixels(
        sun.drawn.grid, site.hydrozones, roof=np.isnan(sun.drawn.sky_view)
    )
    water = with_microclimate(water, sun, pixels, eto)
    water, told = with_factors(water, site, settings.factors)
    patterns, notes = zone_application(
        pixels, site.hydrozones, cans=site.cans, water=water, fixtures=site.fixtures
    )
    water = _with_measured(water, patterns)
    ground = survey(sun, pixels, eto=eto, water=water, application=patterns, scenarios=scenarios)
    measures = zone_measures(
        site.hydrozones, sun, ground, terms=terms, seasons=seasons, water=water
    )
    measures["net_irrigation_mm"] = net_requirement(
        ground,
        terms,
        seasons,
        water=water,
        depletion_fraction=measures["depletion_fraction"].to_numpy(dtype=float),
    )
    return _Known(
        seasons=seasons,
        terms=terms,
        water=water,
        scenarios=scenarios,
        sun=sun,
        ground=ground,
        measures=measures,
        application=patterns,
        warnings=(climate_note, *soil_notes, *pixels.warnings, *notes, *told),
    )


def _with_measured(water: pd.DataFrame, patterns: Mapping[str, ZoneApplication]) -> pd.DataFrame:
    """Put measured uniformities and rates in place of the given or assumed ones."""
    table = water.copy()
    for zone, pattern in patterns.items():
        if pattern.measured:
            table.loc[zone, "distribution_uniformity"] = pattern.uniformity
            read = ["distribution_uniformity"]
            if np.isfinite(pattern.rate_mm_h):
                table.loc[zone, "precipitation_rate"] = pattern.rate_mm_h
                read.append("precipitation_rate")
            kept = [
                word
                for word in str(table.loc[zone, "defaults"]).split(", ")
                if word and not word.startswith(tuple(read))
            ]
            table.loc[zone, "defaults"] = ", ".join(kept)
    return table


def _decide(
    site: Site,
    settings: PropertyFile,
    known: _Known,
    placements: list[Placement],
    *,
    progress: Progress | None,
) -> _Decided:
    """Simulate every zone as governor, choose, and run the choice."""
    zones, water = site.hydrozones, known.water
    fraction = known.measures["depletion_fraction"].to_numpy(dtype=float)
    roots = driest_quarters(
        known.ground,
        known.terms,
        known.seasons,
        water=water,
        scenarios=known.scenarios,
        plants=[str(word) for word in zones["plants"]],
        depletion_fraction=fraction,
        sensor_share=sensor_shares(zones, water),
    )
    rate = water["precipitation_rate"].to_numpy(dtype=float)
    days = np.tile(timer_days(known.seasons.dates, settings.timer), (1, known.scenarios.count))
    if progress is not None:
        progress("Simulating seasons", 0, 2)
    kinds, warnings = governors(
        roots,
        kinds=settings.control.kinds,
        days=days,
        depletion_fraction=fraction,
        cap=settings.control.max_stress_days,
        per_minute=rate / 60,
        names=[str(zone) for zone in zones.index],
    )
    if progress is not None:
        progress("Choosing sensors", 1, 2)
    prices = Prices(
        water=settings.water.price or 0.0,
        sensor=connection_costs(site, placements, settings.costs),
    )
    beside = known.measures[["area_m2", "need_score"]].join(zones[["plants", "controller"]])
    beside["admissible"] = [at.setback_ratio >= 1 for at in placements]
    decision = decide(kinds, zones=beside, prices=prices, max_sensors=settings.control.max_sensors)
    depth = timer_depths(settings.timer, [str(v) for v in zones["valve"]], rate)
    simulated = Simulated(
        plan=run_plan(roots, decision.governors, governor=decision.choice.governor),
        timer=run_timer(roots, depth, days),
        days=days,
        area_m2=beside["area_m2"].to_numpy(dtype=float),
        years=len(known.seasons.years),
    )
    kept = tuple(note for note in warnings if note.startswith(decision.kind.replace("_", "-")))
    return _Decided(decision, simulated, depth, (*kept, *decision.warnings))


def _build(
    site: Site,
    settings: PropertyFile,
    known: _Known,
    placements: list[Placement],
    decided: _Decided,
) -> _Built:
    """Prescribe: tables, ties, wire routes and money."""
    decision, simulated = decided.decision, decided.simulated
    ids = sensor_ids(decision, placements)
    zones = zone_table(
        site,
        measures=known.measures,
        water=known.water,
        simulated=simulated,
        decision=decision,
        ids=ids,
        today_depth=decided.today_depth,
    )
    sensors = sensor_table(
        site,
        zones=zones,
        water=known.water,
        decision=decision,
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
    )
    sensors = sensors.join(wires.lengths[["wire_m", "trench_m", "gauge_awg", "drop_v"]])
    ties, notes = _all_ties(site, sensors)
    chosen = {
        tag: placements[int(decision.governors.zone[candidate])] for candidate, tag in ids.items()
    }
    reserves = reserve_table(chosen, crs=site.crs)
    open_eto = known.terms.open_sky[known.seasons.rows]
    season = season_table(simulated, known.seasons, open_eto)
    built = capital(
        settings.costs,
        sensors=len(sensors),
        trench_m=priced_trench(wires),
        wire_m=float(sensors["wire_m"].fillna(0).sum()),
    )
    baseline = None if simulated.timer is None else season["baseline_m3"].to_numpy(dtype=float)
    money = economics(
        settings.costs,
        settings.water,
        built=built,
        baseline_m3=baseline,
        plan_m3=season["plan_m3"].to_numpy(dtype=float),
        units=settings.units,
    )
    return _Built(zones, sensors, season, ties, reserves, wires, money, (*wires.warnings, *notes))


def _all_ties(site: Site, sensors: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Return the tape ties of every sensor, and what could not be tied."""
    tables, notes = [], []
    for sensor_id, at in sensors.geometry.items():
        found = sensor_ties(
            at.x,
            at.y,
            buildings=site.buildings,
            fixtures=site.fixtures,
            boundary=site.boundary,
        )
        table = found.ties
        table.insert(0, "sensor_id", str(sensor_id))
        tables.append(table)
        notes += [f"sensor {sensor_id}: {found.note}"] if found.note else []
    drawn = [table for table in tables if len(table)] or tables[:1]
    return pd.concat(drawn, ignore_index=True), tuple(notes)


def _notes(settings: PropertyFile, known: _Known) -> tuple[str, ...]:
    """Say which method was used, and what was assumed or could not be used."""
    method = f"reference ET: {known.terms.method}; {known.terms.reason}"
    return (method, *known.warnings, *assumptions(settings, known.water["defaults"]))
