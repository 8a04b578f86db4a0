"""`plan(site, climate, ...) -> Plan`: the one module that knows every stage."""

from __future__ import annotations

import importlib.metadata
import math
import os
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, fields, replace
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from siting import __version__
from siting.arrays import Flags, Floats
from siting.climate.model import Climate, WeatherOptions
from siting.climate.readers import read_weather
from siting.climate.stations import STAND_IN
from siting.decide.alternatives import control_table, sensitivity_table, timer_table
from siting.decide.choice import Grouping
from siting.decide.choose import Choice
from siting.decide.decision import Decision, decide_plan, property_roots
from siting.decide.money import (
    Capital,
    TodayStress,
    costs_words,
    economics,
    hardware_capital,
    payback_years,
    standing,
    water_cost,
)
from siting.decide.places import (
    all_hazards,
    place_zones,
    priced_trench,
    sensor_routes,
    undrawn_words,
)
from siting.decide.sheet import Simulated, play_sheet
from siting.errors import Fault, InputError, PlanError
from siting.files import file_digest
from siting.language import say, side_by_side
from siting.parts import give_back
from siting.place.placement import Placement
from siting.place.setbacks import keepout_areas
from siting.place.ties import sensor_ties
from siting.planning.cautions import cautions_for
from siting.planning.model import Basis, Plan, Wording
from siting.planning.tables import (
    RESULT,
    admissible_table,
    rank_raster,
    reserve_table,
    season_table,
    sensor_ids,
    sensor_table,
    units_of,
    zone_table,
)
from siting.planning.words import assumed_notes, elsewhere, passed, wordings, zone_note
from siting.season.controls import CONTROLS
from siting.season.events import Watering, watering_days
from siting.site.model import Site
from siting.site.property import changed_property, read_property
from siting.site.reading import open_property, read_site
from siting.site.settings import PropertyFile, Water, WeatherSource
from siting.stages import Keeper, Stages, keeper, kept_beside
from siting.threads import one_blas_thread
from siting.units import UnitsName
from siting.wire.routes import WireRoutes, parts_list
from siting.zones.ground import Progress
from siting.zones.need import budget
from siting.zones.survey import Survey, moved_raster, survey_site

_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")


def prescribe(basis: Basis, decided: Decision) -> Plan:
    """Prescribe what was decided: tables, ties, wire routes, money and words."""
    survey, site, settings = decided.survey, decided.survey.site, decided.survey.settings
    ids = sensor_ids(decided.grouping, decided.placements, list(site.hydrozones.index), basis.tags)
    zones, sensors, wires, reserves = _layers(decided, ids)
    homes = elsewhere(decided, zones, ids)
    sensors["zone_note"] = [
        zone_note(
            homes.get(str(tag)),
            currency=settings.water.currency,
            price=decided.price,
            units=settings.units,
        )
        for tag in sensors.index
    ]
    ties, untied = _all_ties(site, sensors, settings.units)
    metered, unmetered = _metered(survey)
    spent = _capital(decided, sensors, wires)
    allowed = budget(settings.water, survey.climate, survey.terms, zones=zones, table=survey.water)
    money = _economics(decided, spent, zones, metered, budget=allowed)
    open_eto = survey.terms.open_sky[survey.seasons.rows]
    made = Plan(
        site=site,
        settings=settings,
        zones=zones,
        sensors=sensors,
        season=season_table(decided.simulated, survey.seasons, open_eto, metered_m3=metered),
        ties=ties,
        reserves=reserves,
        wire_routes=wires.routes,
        parts=_parts(wires, decided),
        economics=money[settings.units],
        controls=control_table(decided),
        timer_table=timer_table(zones, decided),
        sensitivity=sensitivity_table(decided, spent),
        answer="",
        **_ground_parts(basis),
        **_decided_parts(decided),
        provenance=provenance(survey),
        basis=replace(basis, printed=decided.printed),
    )
    claims = {units: str(told["claim"]) for units, told in money.items()}
    said = wordings(made, decided, claims=claims, homes=homes)
    return _with_words(made, basis, said, (*decided.warnings, *wires.warnings, *untied, *unmetered))


def _with_words(
    made: Plan, basis: Basis, said: Mapping[UnitsName, Wording], warnings: tuple[str, ...]
) -> Plan:
    """Say what a plan's tables hold; warnings: of the decision, and of what was prescribed."""
    worded = said[made.settings.units]
    return replace(
        made,
        answer=worded.answer,
        headline=worded.headline,
        wordings=said,
        cautions=cautions_for(country=made.settings.country),
        warnings=tuple(
            dict.fromkeys(
                (
                    *made.site.warnings,
                    *basis.survey.climate.warnings,
                    *_notes(basis.survey, made.sensitivity),
                    *basis.warnings,
                    *warnings,
                    *passed(made.zones, made.economics["budget"], made.settings.units),
                )
            )
        ),
    )


def _layers(
    decided: Decision, ids: Mapping[int, str]
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, WireRoutes, gpd.GeoDataFrame]:
    """Return zones, sensors, their wire routes and their reserve points."""
    survey, site, placements = decided.survey, decided.survey.site, decided.placements
    zones = zone_table(
        site,
        measures=survey.measures,
        placements=placements,
        water=survey.water,
        simulated=decided.simulated,
        sheet=decided.sheet,
        ids=ids,
        today_depth=decided.today_depth,
    )
    sensors = sensor_table(
        site,
        zones=zones,
        water=survey.water,
        sheet=decided.sheet,
        ids=ids,
        placements=placements,
        application=survey.application,
        units=survey.settings.units,
    )
    wires = sensor_routes(site, sensors, survey.settings.costs)
    measured = ("wire_m", "trench_m", "gauge_awg", "drop_v")
    sensors = sensors.assign(
        **{name: wires.lengths[name].array for name in measured},
        link=[wires.link(str(tag)) for tag in sensors.index],
    )
    chosen = {tag: placements[int(decided.grouping.governors.zone[at])] for at, tag in ids.items()}
    return zones, sensors, wires, reserve_table(chosen, crs=site.crs)


def _capital(decided: Decision, sensors: gpd.GeoDataFrame, wires: WireRoutes) -> Capital:
    """Return what the plan costs to build, on the trench as routed."""
    settings = decided.survey.settings
    kinds = {item.kind: item for item in settings.hardware}
    count = Counter("" if pd.isna(name) else str(name) for name in sensors["controller"])
    return hardware_capital(
        settings.costs,
        [(kinds[kind], count[name]) for name, kind in decided.grouping.hardware.items()],
        trench_m=priced_trench(wires),
        wire_m=float(np.nansum(sensors["wire_m"].to_numpy(dtype=float))),
    )


def _metered(survey: Survey) -> tuple[float | None, tuple[str, ...]]:
    """Return a season's metered use where no timer is known, or say which months are missing."""
    bills = survey.settings.water.bills
    if bills is None or survey.settings.timer is not None:
        return None, ()
    months = survey.ground.eto.months
    missing = [month for month in months if month not in bills.outdoor_m3]
    if missing:
        named = ", ".join(str(month) for month in missing)
        return None, (
            f"bills: months {named} of the season were not metered, so no saving is claimed",
        )
    # Only the season's share of its first and last month counts.
    days = [float(np.sum(survey.seasons.month == month)) for month in months]
    used = sum(
        bills.outdoor_m3[month] * min(1.0, count / _MONTH_DAYS[month - 1])
        for month, count in zip(months, days, strict=True)
    )
    return used, ()


_MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def _economics(
    decided: Decision,
    built: Capital,
    zones: gpd.GeoDataFrame,
    metered: float | None,
    *,
    budget: object,
) -> dict[UnitsName, dict[str, Any]]:
    """Put money on the plan and on today; the claim tells its amounts in each system of units."""
    simulated, settings = decided.simulated, decided.survey.settings
    water = settings.water
    planned = simulated.by_year(simulated.volume(simulated.plan).sum(axis=0))
    baseline, bills, today = None, None, None
    if simulated.timer is not None:
        baseline = simulated.by_year(simulated.volume(simulated.timer).sum(axis=0))
        if water.tiers:
            bills = _billed(simulated, water, simulated.timer), _billed(simulated, water)
        stress = zones["today_stress_days"].astype(float)
        today = TodayStress(
            {str(zone): float(days) for zone, days in stress.items()},
            settings.control.max_stress_days,
        )
    elif metered is not None:
        baseline = np.full(planned.shape, metered)
        if water.tiers:
            used = float(water_cost(water, _bill_months(decided.survey)))
            bills = np.full(planned.shape, used), _billed(simulated, water)
    both: dict[UnitsName, dict[str, Any]] = {}
    shared = {"price": decided.price, "ways": _ways(decided, built.total), "budget": budget}
    for units in _SYSTEMS:
        money = economics(
            settings.costs,
            water,
            built=built,
            baseline_m3=baseline,
            plan_m3=planned,
            units=units,
            bills=bills,
            today=today,
        )
        claimed = side_by_side([money["claim"], _unpriced(decided)])
        both[units] = money | shared | {"claim": claimed}
    return both


def _billed(simulated: Simulated, water: Water, ran: Watering | None = None) -> Floats:
    """Return what the water of each season costs, of the plan where nothing else is said."""
    return simulated.by_year(water_cost(water, simulated.monthly(ran or simulated.plan)))


def _ways(decided: Decision, capital: float) -> list[dict[str, Any]]:
    """Return what each way saves against today's timer, and when it pays back.

    The ways: this plan; the plan under the other aim; the plain way; a timer set right, without a
    sensor; and this plan against that timer. Money is at the plan's average price.
    """
    simulated, price = decided.simulated, decided.price
    if simulated.timer is None:
        return []

    def yearly(volume: Floats) -> float:
        return float(volume.sum(axis=0).mean())

    today = yearly(simulated.volume(simulated.timer))
    right = yearly(simulated.volume(simulated.set_right))
    mine = yearly(simulated.volume(simulated.plan))
    aims = {False: "as today", True: "within the limit"}
    rows = [(aims[decided.heal], decided.grouping.choice.used, today - mine, capital,
             float(simulated.plan.worst_stress_days.max()))]  # fmt: skip
    if decided.rival is not None:
        other, ran = decided.rival.grouping, decided.rival.played
        rows.append((aims[decided.rival.heal], other.choice.used,
                     today - yearly(simulated.volume(ran)), _price_of(other, other.choice),
                     float(ran.worst_stress_days.max())))  # fmt: skip
    grouping = decided.grouping
    if grouping.plain is not None and decided.usual is not None:
        rows.append(("the plain way", grouping.plain.used,
                     today - yearly(simulated.volume(decided.usual)),
                     _price_of(grouping, grouping.plain),
                     float(decided.usual.worst_stress_days.max())))  # fmt: skip
    least = float(simulated.set_right.worst_stress_days.max())
    rows.append(("timer set right", 0, today - right, 0.0, least))
    rows.append(("against a timer set right", decided.grouping.choice.used, right - mine, capital,
                 rows[0][4]))  # fmt: skip
    return [
        {
            "way": way,
            "sensors": count,
            "saved_m3": saved,
            "saved_per_year": None if price is None else saved * price,
            "capital": spent,
            "payback_years": None
            if price is None or not decided.survey.settings.costs.given
            else payback_years(spent, saved * price),
            "stress_days": stress,
        }
        for way, count, saved, spent, stress in rows
    ]


def _price_of(grouping: Grouping, choice: Choice) -> float:
    """Return what a choice costs to build, its shared trench as priced."""
    options = grouping.options
    water = options.price * float(options.water_m3(choice).mean())
    return max(choice.cost - water, 0.0) * options.prices.life_years


def _bill_months(survey: Survey) -> Floats:
    """Return the landscape's metered use in each month of the season, shape (M,) [m³]."""
    bills = survey.settings.water.bills
    outdoor = {} if bills is None else bills.outdoor_m3
    return np.array([outdoor.get(month, 0.0) for month in survey.ground.eto.months])


def _unpriced(decided: Decision) -> str:
    """Say where the hardware's price is the trade's and not the user's."""
    settings = decided.survey.settings
    kinds = {item.kind: item for item in settings.hardware}
    bought = [kinds[kind] for kind in sorted(set(decided.grouping.hardware.values()))]
    state = standing({}, settings.costs, hardware=bought)
    return costs_words(state) if state.costs == "usual hardware" else ""


def _parts(wires: WireRoutes, decided: Decision) -> pd.DataFrame:
    """Return the parts list with the control hardware on top."""
    kinds = list(decided.grouping.hardware.values())
    rows = []
    timers = kinds.count("replacement")
    if timers:
        name, note = say("timer with sensor inputs"), say("in place of the old one")
        rows.append((name, timers, say("each"), note))
    if "add_on" in kinds:
        modules = sum(
            1
            for j in decided.grouping.choice.sensors
            if decided.grouping.hardware[_controller(decided, j)] == "add_on"
        )
        name, note = say("add-on control module"), say("beside the 24 V AC timer")
        rows.append((name, modules, say("each"), note))
    top = pd.DataFrame(rows, columns=["item", "quantity", "unit", "note"])
    return pd.concat(
        [top, parts_list(wires, units=decided.survey.settings.units)], ignore_index=True
    )


def _controller(decided: Decision, sensor: int) -> str:
    zones = decided.grouping.options.zones
    name = zones["controller"].iloc[int(decided.grouping.governors.zone[sensor])]
    return "" if pd.isna(name) else str(name)


#: With more buildings than this only what lies about a sensor is looked at for its tapes [m].
_MANY_BUILDINGS: Final = 60
_TIES_WITHIN_M: Final = 120.0


def _parts_in(shape: BaseGeometry, frame: BaseGeometry) -> BaseGeometry:
    """Return the parts of a shape that meet a frame, each whole."""
    parts = shapely.get_parts(shape)
    return shapely.GeometryCollection(list(parts[shapely.intersects(parts, frame)]))


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
    many = len(site.buildings) > _MANY_BUILDINGS
    for sensor_id, at in sensors.geometry.items():
        frame = at.buffer(_TIES_WITHIN_M)
        near = site.buildings[site.buildings.intersects(frame)] if many else site.buildings
        found = sensor_ties(
            at.x,
            at.y,
            buildings=near if len(near) else site.buildings,
            fixtures=site.fixtures[site.fixtures.intersects(frame)] if many else site.fixtures,
            boundary=site.boundary,
            edges={k: _parts_in(edge, frame) for k, edge in edges.items()} if many else edges,
            units=units,
        )
        table = found.ties
        table.insert(0, "sensor_id", str(sensor_id))
        tables.append(table)
        notes += [f"sensor {sensor_id}: {found.note}"] if found.note else []
    return pd.concat([t for t in tables if len(t)] or tables[:1], ignore_index=True), tuple(notes)


def property_weather(
    settings: PropertyFile,
    *,
    latitude: float = math.nan,
    longitude: float = math.nan,
    fetch: bool = False,
) -> Climate:
    """Read the weather that a property file names.

    latitude, longitude: of the property, NaN when its layers are faulty, and the weather read only
    for its faults [deg].
    """
    source = settings.weather
    if source.fetch is not None and not source.path.exists():
        _fetch(source, settings.path.name, latitude, longitude, allowed=fetch)
    options = WeatherOptions(
        elevation_m=source.elevation_m,
        latitude=latitude,
        longitude=longitude,
        rain_file=source.rain_file,
        station=source.station,
        wind_height_m=source.wind_height_m,
        years=source.years,
        first_year=source.first_year,
        seed=source.seed,
        wet_day_mm=source.wet_day_mm,
        trust_units=source.trust_units,
        units=settings.units,
    )
    return read_weather(source.path, kind=source.format, options=options)


def weather_files(source: WeatherSource) -> set[Path]:
    """Return every file that the weather is read from, for provenance.

    Returns the weather file, none for a stand-in, and that of measured rain where there is one.
    """
    own = set() if source.format == STAND_IN else {source.path}
    return own | ({source.rain_file} if source.rain_file else set())


def _fetch(
    source: WeatherSource, file: str, latitude: float, longitude: float, *, allowed: bool
) -> None:
    """Fetch the weather into its file, or say that this was not asked for."""
    if not allowed or math.isnan(latitude):
        found = f'fetch = "{source.fetch}" and no {source.path.name} yet'
        mend = (
            "Nothing is fetched unless asked for at run time: allow it for one run with "
            "--fetch-weather (fetch=True in Python), or put a weather file there."
        )
        wanted = "a weather file, or leave to use the network"
        raise InputError([Fault(file, found, wanted, mend, layer="weather", column="fetch")])
    from siting.climate.readers import fetch_weather  # noqa: PLC0415  (only when it is wanted)

    fetch_weather(
        source.path,
        str(source.fetch),
        latitude=latitude,
        longitude=longitude,
        first_year=source.first_year,
        years=source.years,
    )


#: Libraries whose version can change a number.
_LIBRARIES: Final = (
    "geopandas", "numpy", "pandas", "pvlib", "pyogrio", "pyproj", "rasterio", "scipy", "shapely",
)  # fmt: skip


def assumptions(settings: PropertyFile) -> tuple[str, ...]:
    """Say what was assumed where the property file does not say."""
    notes = []
    if settings.timer is None:
        notes.append(
            "no [timer]: nothing is known of what runs today"
            + (", so no saving is claimed" if settings.water.bills is None else "")
            + ", and every day may be watered"
        )
    if settings.control.allowed_days is None:
        free = (CONTROLS[word].free_days for word in settings.control.kinds)
        notes += [note for note in free if note]
    if settings.water.tiers:
        notes.append(
            "the price of water rises in steps: sensors are chosen at its average over the plants' "
            "net need, and money is reckoned month by month on the steps"
        )
    if not settings.water.priced:
        notes.append(
            "no water price: the number of sensors is the least that keeps every zone within its "
            "stress limit, and no money is claimed"
        )
    return tuple(notes)


def input_files(settings: PropertyFile, site: Site) -> set[Path]:
    """Return every file that a run reads: property file, layers, weather.

    Parameters
    ----------
    settings : PropertyFile
        What the user asked for.
    site : Site
        The property as read.

    Returns
    -------
    set of Path
        The files.
    """
    layers = {Path(name) for name in site.sources}
    return layers | weather_files(settings.weather) | {settings.path}


def provenance(survey: Survey) -> dict[str, Any]:
    """Return what the plan was made from: hashes of the inputs, versions and options.

    Returns plain values, no path, no time and no name of a machine, so that it is the same
    anywhere.
    """
    site, settings = survey.site, survey.settings
    options = asdict(settings)
    # The crew's language and whom it calls move no figure, and plan.json is English.
    told = ("language", "country")
    for place in ("path", "layers", "weather", "values", "changes", "evidence", *told):
        del options[place]
    if settings.evidence:
        options["evidence"] = [asdict(one) | {"path": one.path.name} for one in settings.evidence]
    home = settings.path.parent
    return {
        "siting": __version__,
        "libraries": dict(_libraries()),
        "property": settings.path.name,
        "inputs": {
            _from(home, path): file_digest(path) for path in sorted(input_files(settings, site))
        },
        "options": options,
        "changes": dict(settings.changes),
        "weather_seasons": list(survey.seasons.years),
        "reference_et": survey.terms.method,
    }


def _from(home: Path, path: Path) -> str:
    """Return a path seen from the property's folder, the same on every system."""
    try:
        return Path(os.path.relpath(path, home)).as_posix()
    except ValueError:  # another drive
        return path.name


@cache
def _libraries() -> dict[str, str]:
    """Return versions of libraries and of what the wheels carry, looked up once in a process.

    pyogrio and rasterio each bring a GDAL of their own.
    """
    import pyogrio  # noqa: PLC0415 - late, as `siting.plan` need not wait for it

    return {name: importlib.metadata.version(name) for name in _LIBRARIES} | {
        "gdal of pyogrio": ".".join(map(str, pyogrio.__gdal_version__)),
        "gdal of rasterio": kept_beside("gdal", _gdal_of_rasterio),
        "geos of shapely": shapely.geos_version_string,
        "proj of pyproj": pyproj.proj_version_str,
    }


def _gdal_of_rasterio() -> str:
    """Return the version of the GDAL that draws pictures and writes rasters.

    Kept with those, as where none is made anew rasterio need not be loaded.
    """
    import rasterio  # noqa: PLC0415 - as above

    return str(rasterio.__gdal_version__)


@one_blas_thread
def hold_out(plan: Plan, *, every: int = 3) -> pd.DataFrame:
    """Decide again without some weather years, and play the decision in those, otherwise drawn.

    A plan keeps its limit of stress days in the seasons and scenarios that it was made on; this
    says by how much it may be passed in seasons that it was not made on, under scenarios of another
    seed.

    Parameters
    ----------
    plan : Plan
        As from `siting.planning.make.plan`; not changed.
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
        When there are too few seasons, or the plan was not made by `siting.planning.make`.
    """
    basis = plan.basis
    if not isinstance(basis, Basis):
        msg = "this plan was not made here: only plans from `plan` or `plan_property` can be asked"
        raise PlanError(msg)
    years = np.arange(len(basis.survey.seasons.years))
    out = years % every == every - 1
    if every < 2 or not out.any():  # noqa: PLR2004 - something must be left to train on
        msg = f"holding out every {every}th of {len(years)} seasons leaves nothing to compare"
        raise PlanError(msg)
    train, test = _only(basis.survey, ~out), _only(basis.survey, out)
    drawn = replace(test.scenarios, seed=test.scenarios.seed + 1)
    test = replace(test, scenarios=drawn)
    decided = decide_plan(train, basis.placements)
    settings = plan.settings
    schedule = watering_days(
        test.seasons.dates, settings.timer, settings.control, scenarios=drawn.count
    )
    roots = property_roots(test)
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


def _only(survey: Survey, years: Flags) -> Survey:
    """Return a survey with some of the weather years."""
    seasons = survey.seasons
    kept = replace(
        seasons,
        years=tuple(year for year, keep in zip(seasons.years, years, strict=True) if keep),
        dates=seasons.dates[:, years],
        rows=seasons.rows[:, years],
        rain_mm=seasons.rain_mm[:, years],
    )
    return replace(survey, seasons=kept)


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


class Inputs(NamedTuple):
    """What a plan is made from.

    settings: what the user asked for; site: the checked property; climate: its weather.
    """

    settings: PropertyFile
    site: Site
    climate: Climate


@one_blas_thread
def read_inputs(
    path: Path | str, *, fetch: bool = False, changes: Mapping[str, Any] | None = None
) -> Inputs:
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
    Inputs
        With names: settings, what the user asked for; site, the checked property; climate, its
        weather.

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
    return Inputs(settings, site, climate)


@one_blas_thread
def plan(
    site: Site,
    climate: Climate,
    settings: PropertyFile,
    *,
    threads: int = 1,
    progress: Progress | None = None,
    tags: Mapping[str, str] | None = None,
    stages: Stages | None = None,
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
    stages : Stages, optional
        Where results of stages are kept, and found again; the plan is the same without.

    Returns
    -------
    Plan
        The plan.

    Raises
    ------
    PlanError
        When no plan can be made.
    """
    # What another package works out rests on its own source, which no digest here holds.
    known_source = stages if not settings.factors else None
    keep = keeper(known_source, site, climate, _survey_settings(settings))
    survey = survey_site(site, climate, settings, threads=threads, progress=progress, keep=keep)
    placed = keep.on(settings.setbacks, settings.units)
    hazards, placements, told = placed.kept(
        "places",
        lambda: _places(survey, threads=threads, progress=progress, keep=placed),
    )
    basis = Basis(survey, hazards, placements, told, dict(tags or {}))
    return _finish(basis, threads=threads, progress=progress, keep=keep)


def _survey_settings(settings: PropertyFile) -> dict[str, Any]:
    """Return what of the property file the survey may rest on: all but what is decided later."""
    values = {item.name: getattr(settings, item.name) for item in fields(settings)}
    return {name: value for name, value in values.items() if name not in _DECIDED}


#: What of the property file neither sun, ground nor places look at; setbacks are named beside.
_DECIDED: Final = frozenset(
    {"water", "costs", "hardware", "control", "timer", "setbacks", "language", "changes", "values"}
)


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
    >>> from siting.site.template import demo_property
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
    basis = replace(basis, survey=replace(basis.survey, settings=settings))
    if settings.setbacks != plan.settings.setbacks or settings.units != plan.settings.units:
        hazards, placements, told = _places(basis.survey, threads=threads, progress=progress)
        basis = replace(basis, hazards=hazards, placements=placements, warnings=told)
    return _finish(basis, threads=threads, progress=progress)


#: Keys on which the survey rests.
_SURVEYED = frozenset({"layers", "units_in", "weather", "season", "analysis", "evidence"})


def _places(
    survey: Survey, *, threads: int, progress: Progress | None, keep: Keeper | None = None
) -> tuple[gpd.GeoDataFrame, list[Placement], tuple[str, ...]]:
    """Return hazards, the best point of every zone, and what was repaired or assumed."""
    site, settings = survey.site, survey.settings
    hazards, told = all_hazards(site, settings.setbacks)
    placements = place_zones(
        site,
        survey.ground,
        hazards,
        application=survey.application,
        units=settings.units,
        threads=threads,
        progress=progress,
        keep=keep,
    )
    lacking = undrawn_words(site, settings.units)
    return hazards, placements, (*told, *lacking)


def _finish(
    basis: Basis, *, threads: int, progress: Progress | None, keep: Keeper | None = None
) -> Plan:
    """Decide and prescribe."""
    decided = decide_plan(
        basis.survey, basis.placements, threads=threads, progress=progress, keep=keep
    )
    give_back()
    if progress is not None:
        progress("Laying wires", 0, 1)
    return _with_units(prescribe(basis, decided))


class _Units(dict[str, str]):
    """Column -> unit. pandas copies `attrs` with every row that is taken: all share this one."""

    def __deepcopy__(self, memo: dict[int, Any]) -> _Units:
        """Return itself."""
        return self


def _with_units(plan: Plan) -> Plan:
    """Tell the units of a new plan's tables in their `attrs`."""
    for name, table in _TABLES.items():
        frame, units = getattr(plan, name), units_of(RESULT.part(table))
        told = {column: units[column] for column in frame if column in units}
        frame.attrs["units"] = _Units(told)
    return plan


#: Tables of a plan whose `attrs` tell units -> their part of the result.
_TABLES: Final = {
    **{name: name for name in ("zones", "sensors", "choices", "rules", "controls", "regret",
                               "sensitivity", "season")},
    "timer_table": "timer",
}  # fmt: skip


def _ground_parts(basis: Basis) -> dict[str, Any]:
    """Return what a plan shows of the ground."""
    survey, zones = basis.survey, basis.survey.site.hydrozones
    boundary = survey.site.boundary
    return {
        "keepout": keepout_areas(basis.hazards, boundary=boundary, hydrozones=zones),
        "admissible": admissible_table(basis.placements, zones),
        "rank": rank_raster(survey.shade, survey.ground, basis.placements),
        "sun": survey.sun,
        "dryness": survey.dryness,
        "moved": moved_raster(survey.shade, survey.ground, survey.application),
    }


def _decided_parts(decided: Decision) -> dict[str, Any]:
    """Return what a plan shows of the choice."""
    return {
        "choices": decided.choices,
        "rules": decided.rules,
        "regret": decided.regret,
        "measuring": decided.measuring,
        "decision": decided.facts
        | {"hardware": decided.grouping.hardware, "limits": decided.limits},
    }


def _notes(survey: Survey, sensitivity: pd.DataFrame) -> tuple[str, ...]:
    """Say which method was used, and what was assumed or could not be used."""
    settings, terms = survey.settings, survey.terms
    method = f"reference ET: {terms.method}; {terms.reason}"
    gaps = assumed_notes(survey.water["defaults"], sensitivity, settings.units)
    return (method, *survey.notes, *gaps, *assumptions(settings))


@one_blas_thread
def survey_property(
    path: Path | str, *, threads: int = 1, progress: Progress | None = None
) -> Survey:
    """Read a property, and work out its sun and the water need of its hydrozones.

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
    Survey
        The same numbers as in a plan of the property, in a fraction of its time: only the base
        scenario is computed.

    Raises
    ------
    InputError
        With every fault of the property file, its layers or its weather.
    PlanError
        When the weather holds no whole season.
    """
    settings, site, climate = read_inputs(path)
    settings = replace(settings, analysis=replace(settings.analysis, scenarios=1))
    return survey_site(site, climate, settings, threads=threads, progress=progress)
