"""`plan(site, climate, ...) -> Plan`: the one module that knows every stage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from siting._plan_build import Built, build_plan
from siting._plan_decide import decide_plan
from siting._plan_ground import Progress
from siting._plan_holdout import hold_out
from siting._plan_known import Basis, Decided, Known
from siting._plan_measures import dryness_raster
from siting._plan_model import Plan, Wording
from siting._plan_places import all_hazards, place_zones, undrawn_words
from siting._plan_report import assumptions, input_files, provenance
from siting._plan_spare import admissible_table, rank_raster
from siting._plan_survey import survey_site
from siting._plan_threads import one_blas_thread
from siting._plan_water import budget
from siting._plan_weather import property_weather
from siting._plan_words import passed, wordings
from siting.cautions import cautions_for
from siting.climate.calendar import season_calendar
from siting.climate.model import Climate
from siting.errors import Fault, InputError, PlanError
from siting.placement import keepout_areas
from siting.site.model import Site
from siting.site.property import changed_property, read_property
from siting.site.reading import open_property, read_site
from siting.site.settings import PropertyFile
from siting.water.reference_et import eto_terms

__all__ = [
    "Plan",
    "Progress",
    "Wording",
    "hold_out",
    "input_files",
    "plan",
    "plan_property",
    "read_inputs",
    "replan",
]


def plan_property(
    path: Path | str,
    *,
    threads: int = 1,
    progress: Progress | None = None,
    fetch: bool = False,
    changes: Mapping[str, Any] | None = None,
) -> Plan:
    """Read a property and plan its sensors: the main job.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.
    threads : int
        Threads for sun, placement and simulation; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.
    fetch : bool
        Whether weather may be fetched over the network, where the property file asks for it.
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
    settings, site, climate = read_inputs(path, fetch=fetch, changes=changes)
    return plan(site, climate, settings, threads=threads, progress=progress)


@one_blas_thread
def read_inputs(
    path: Path | str, *, fetch: bool = False, changes: Mapping[str, Any] | None = None
) -> tuple[PropertyFile, Site, Climate]:
    """Read a property file, its layers and its weather, and report all their faults at once.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.
    fetch : bool
        Whether weather may be fetched over the network, where the property file asks for it.
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


@one_blas_thread
def plan(
    site: Site,
    climate: Climate,
    settings: PropertyFile,
    *,
    threads: int = 1,
    progress: Progress | None = None,
    tags: Mapping[str, str] | None = None,
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
        Threads for sun, placement and simulation; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.
    tags : mapping of str to str, optional
        Zone -> tag of the sensor that is buried there already: it keeps its tag, and no other
        sensor gets it.

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
    known = survey_site(
        site, climate, settings, (seasons, terms), threads=threads, progress=progress
    )
    basis = _placed(site, settings, climate, known, threads=threads, progress=progress)
    basis = replace(basis, tags=dict(tags or {}))
    return _finish(site, settings, basis, threads=threads, progress=progress)


@one_blas_thread
def replan(
    plan: Plan,
    *,
    threads: int = 1,
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
    threads : int
        Threads of the simulation; the result does not depend on it.
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
        placed = _placed(
            plan.site, settings, basis.climate, basis.known, threads=threads, progress=progress
        )
        basis = replace(placed, tags=basis.tags)
    return _finish(plan.site, settings, basis, threads=threads, progress=progress)


#: Keys on which the survey rests.
_SURVEYED = frozenset({"layers", "units_in", "weather", "season", "analysis"})


def _placed(
    site: Site,
    settings: PropertyFile,
    climate: Climate,
    known: Known,
    *,
    threads: int = 1,
    progress: Progress | None,
) -> Basis:
    """Choose the best point of every zone."""
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
    lacking = undrawn_words(site, settings.units)
    return Basis(climate, known, hazards, placements, (*told, *lacking))


def _finish(
    site: Site,
    settings: PropertyFile,
    basis: Basis,
    *,
    threads: int,
    progress: Progress | None,
) -> Plan:
    """Decide and prescribe."""
    known = basis.known
    decided = decide_plan(
        site, settings, known, basis.placements, threads=threads, progress=progress
    )
    if progress is not None:
        progress("Laying wires", 0, 1)
    built = build_plan(site, settings, known, basis.placements, decided, basis.tags)
    allowed = budget(
        settings.water, basis.climate, known.terms, zones=built.zones, table=known.water
    )
    warnings = (
        *site.warnings, *basis.climate.warnings, *_notes(settings, known), *basis.warnings,
        *decided.warnings, *built.warnings, *passed(built.zones, allowed, settings.units),
    )  # fmt: skip
    place = dict(zip(site.hydrozones.index, basis.placements, strict=True))
    worded = wordings(
        built,
        decided.decision.choices,
        price=decided.price,
        limit=settings.control.max_stress_days,
        limits=decided.limits,
        budget=allowed,
        decided={**decided.decision.facts, "heals": decided.heal, "cost": decided.cost},
        words={str(tag): place[zone].words for tag, zone in built.sensors["zone"].items()},
    )
    return Plan(
        site=site,
        settings=settings,
        **_ground_parts(site, basis),
        **_built_parts(built),
        **_decided_parts(decided),
        economics={**built.economics, "budget": allowed},
        answer=worded[settings.units].answer,
        wordings=worded,
        headline=worded[settings.units].headline,
        cautions=cautions_for(),
        warnings=tuple(dict.fromkeys(warnings)),
        provenance=provenance(
            site, settings, weather_seasons=known.seasons.years, reference_et=known.terms.method
        ),
        basis=basis,
    )


def _ground_parts(site: Site, basis: Basis) -> dict[str, Any]:
    """Return what a plan shows of the ground."""
    known = basis.known
    return {
        "keepout": keepout_areas(basis.hazards, boundary=site.boundary, hydrozones=site.hydrozones),
        "admissible": admissible_table(basis.placements, site.hydrozones),
        "rank": rank_raster(known.sun, known.ground, basis.placements),
        "sun": known.sun.drawn,
        "dryness": dryness_raster(known.sun, known.ground),
    }


def _built_parts(built: Built) -> dict[str, Any]:
    """Return what a plan shows of the prescription."""
    return {
        "zones": built.zones,
        "sensors": built.sensors,
        "wire_routes": built.wires.routes,
        "ties": built.ties,
        "reserves": built.reserves,
        "season": built.season,
        "parts": built.parts,
        "controls": built.controls,
        "timer_table": built.timer_table,
        "sensitivity": built.sensitivity,
    }


def _decided_parts(decided: Decided) -> dict[str, Any]:
    """Return what a plan shows of the choice."""
    decision = decided.decision
    return {
        "choices": decision.choices,
        "rules": decision.rules,
        "regret": decision.regret,
        "decision": decision.facts | {"hardware": decision.hardware, "limits": decided.limits},
    }


def _notes(settings: PropertyFile, known: Known) -> tuple[str, ...]:
    """Say which method was used, and what was assumed or could not be used."""
    method = f"reference ET: {known.terms.method}; {known.terms.reason}"
    return (method, *known.warnings, *assumptions(settings, known.water["defaults"]))
