"""`plan(site, climate, ...) -> Plan`: the one module that knows every stage."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from siting._plan_application import ZoneApplication, zone_application
from siting._plan_build import build_plan
from siting._plan_control import net_requirement
from siting._plan_decide import decide_plan
from siting._plan_ground import monthly_eto, property_grid, sun_variants, survey
from siting._plan_holdout import hold_out
from siting._plan_known import Basis, Known
from siting._plan_measures import dryness_raster, zone_measures
from siting._plan_model import Plan
from siting._plan_places import place_zones
from siting._plan_report import assumptions, provenance
from siting._plan_scenarios import draw_scenarios
from siting._plan_words import answer
from siting.cautions import cautions_for
from siting.climate.calendar import season_calendar
from siting.climate.daily import read_daily_csv
from siting.climate.model import Climate, SeasonCalendar
from siting.errors import Fault, InputError, PlanError
from siting.hydrozones import ZonePixels, zone_pixels
from siting.placement import keepout_areas, setback_hazards
from siting.site.model import Site
from siting.site.property import changed_property, read_property
from siting.site.reading import open_property, read_site
from siting.site.settings import PropertyFile
from siting.sun.position import season_positions
from siting.water.reference_et import EtoTerms, eto_terms
from siting.water.zones import zone_water

__all__ = ["Plan", "Progress", "hold_out", "plan", "plan_property", "read_inputs", "replan"]

Progress = Callable[[str, int, int], None]


def plan_property(
    path: Path | str,
    *,
    threads: int = 1,
    progress: Progress | None = None,
    changes: Mapping[str, Any] | None = None,
) -> Plan:
    """Read a property and plan its sensors: the main job.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.
    threads : int
        Threads for the sun computation; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.
    changes : mapping of str to object, optional
        Dotted key -> value that takes the place of the file's, as in {"water.price": 3.0}.

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
    settings, site, climate = read_inputs(path, changes=changes)
    return plan(site, climate, settings, threads=threads, progress=progress)


def read_inputs(
    path: Path | str, *, changes: Mapping[str, Any] | None = None
) -> tuple[PropertyFile, Site, Climate]:
    """Read a property file, its layers and its weather, and report all their faults at once.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.
    changes : mapping of str to object, optional
        Dotted key -> value that takes the place of the file's.

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
        settings = read_property(path, changes=changes)
    except InputError:
        open_property(path, changes=changes)  # raises again, with the faults of the layers too
        raise
    faults: list[Fault] = []
    try:
        site = read_site(settings)
    except InputError as error:
        faults += error.faults
    try:
        climate = read_daily_csv(settings.weather.path, elevation_m=settings.weather.elevation_m)
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
    known = _survey(site, settings, seasons, terms, threads=threads, progress=progress)
    return _finish(site, settings, _placed(site, settings, climate, known, progress), progress)


def replan(
    plan: Plan,
    *,
    progress: Progress | None = None,
    **changes: Any,  # noqa: ANN401 - TOML values
) -> Plan:
    """Ask what if: decide again with some values of the property file changed.

    Sun, shade and the water of the ground are taken from the plan, so the answer comes in the time
    of a decision.

    Parameters
    ----------
    plan : Plan
        As from `plan`.
    progress : callable, optional
        Called with stage, steps done and steps in all.
    **changes : object
        Key of the property file -> value, checked as in the file: ``water__price=3.0``, or
        ``**{"water.price": 3.0}``.

    Returns
    -------
    Plan
        A new plan; the given one is not changed.

    Raises
    ------
    InputError
        With every fault of the changes, or where one would change sun, weather or the drawing.
    PlanError
        When no plan can be made.

    Examples
    --------
    >>> from siting.demo import demo_property
    >>> yard = plan_property(demo_property("yard"))
    >>> len(replan(yard, control__max_sensors=1).choices)
    1
    """
    basis = plan.basis
    if not isinstance(basis, Basis):
        msg = "this plan was not made here: only plans from `plan` or `plan_property` can be asked"
        raise PlanError(msg)
    dotted = {key.replace("__", "."): value for key, value in changes.items()}
    fixed = [key for key in dotted if key.split(".")[0] in _SURVEYED or key in _SURVEYED]
    if fixed:
        raise InputError(
            [
                Fault(
                    "change",
                    key,
                    "keys that leave sun, weather and the drawing as they are",
                    "Make a new plan for it, with `plan_property` or `siting plan --set`.",
                )
                for key in fixed
            ]
        )
    settings = changed_property(plan.settings, dotted)
    if settings.setbacks != plan.settings.setbacks or settings.units != plan.settings.units:
        basis = _placed(plan.site, settings, basis.climate, basis.known, progress)
    return _finish(plan.site, settings, basis, progress)


#: Keys on which the survey rests.
_SURVEYED = frozenset({"layers", "units_in", "weather", "season", "analysis"})


def _placed(
    site: Site,
    settings: PropertyFile,
    climate: Climate,
    known: Known,
    progress: Progress | None,
) -> Basis:
    """Choose the best point of every zone."""
    hazards = setback_hazards(
        site.hydrozones,
        boundary=site.boundary,
        buildings=site.buildings,
        paving=site.paving,
        trees=site.trees,
        fixtures=site.fixtures,
        setbacks=settings.setbacks,
    )
    placements = place_zones(
        site,
        known.ground,
        hazards,
        measured=known.measured,
        uniformity=known.water["distribution_uniformity"].to_numpy(dtype=float),
        units=settings.units,
        progress=progress,
    )
    return Basis(climate, known, hazards, placements)


def _finish(site: Site, settings: PropertyFile, basis: Basis, progress: Progress | None) -> Plan:
    """Decide and prescribe."""
    known = basis.known
    decided = decide_plan(site, settings, known, basis.placements, progress=progress)
    built = build_plan(site, settings, known, basis.placements, decided)
    decision = decided.decision
    warnings = (
        *site.warnings, *basis.climate.warnings, *_notes(settings, known), *decided.warnings,
        *built.warnings,
    )  # fmt: skip
    return Plan(
        site=site,
        settings=settings,
        zones=built.zones,
        sensors=built.sensors,
        choices=decision.choices,
        rules=decision.rules,
        wire_routes=built.wires.routes,
        ties=built.ties,
        keepout=keepout_areas(basis.hazards, boundary=site.boundary, hydrozones=site.hydrozones),
        season=built.season,
        economics=built.economics,
        parts=built.parts,
        sun=known.sun.drawn,
        dryness=dryness_raster(known.sun, known.ground),
        answer=answer(
            built.zones,
            built.sensors,
            decision.choices,
            economics=built.economics,
            price=decided.price,
            units=settings.units,
            controls=built.controls,
        ),
        cautions=cautions_for(),
        warnings=tuple(dict.fromkeys(warnings)),
        provenance=provenance(
            site, settings, weather_seasons=known.seasons.years, reference_et=known.terms.method
        ),
        controls=built.controls,
        regret=decision.regret,
        timer_table=built.timer_table,
        sensitivity=built.sensitivity,
        decision=decision.facts | {"hardware": decision.hardware},
        basis=basis,
    )


def _survey(
    site: Site,
    settings: PropertyFile,
    seasons: SeasonCalendar,
    terms: EtoTerms,
    *,
    threads: int,
    progress: Progress | None,
) -> Known:
    """Work out sun, water and dryness."""
    analysis = settings.analysis
    water = zone_water(site.hydrozones, latitude=site.latitude)
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
    patterns, notes = zone_application(pixels, site.hydrozones, cans=site.cans, water=water)
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
        rain_share=site.hydrozones["rain_share"].to_numpy(dtype=float),
    )
    return Known(
        seasons=seasons,
        terms=terms,
        water=water,
        scenarios=scenarios,
        sun=sun,
        ground=ground,
        measures=measures,
        measured=np.array([patterns[zone].measured for zone in pixels.zones]),
        warnings=(*pixels.warnings, *notes),
    )


def _with_measured(water: pd.DataFrame, patterns: Mapping[str, ZoneApplication]) -> pd.DataFrame:
    """Put measured uniformities in place of the assumed ones."""
    table = water.copy()
    for zone, pattern in patterns.items():
        if pattern.measured:
            table.loc[zone, "distribution_uniformity"] = pattern.uniformity
            kept = [
                word
                for word in str(table.loc[zone, "defaults"]).split(", ")
                if word and not word.startswith("distribution_uniformity")
            ]
            table.loc[zone, "defaults"] = ", ".join(kept)
    return table


def _notes(settings: PropertyFile, known: Known) -> tuple[str, ...]:
    """Say which method was used, and what was assumed or could not be used."""
    method = f"reference ET: {known.terms.method}; {known.terms.reason}"
    return (method, *known.warnings, *assumptions(settings, known.water["defaults"]))
