"""From a property and its weather to what is known: sun, water, application, dryness."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from siting.climate.model import Climate, SeasonCalendar
from siting.extensions import Extension, ExtensionError, find_extension
from siting.site.model import Site
from siting.site.settings import Analysis, PropertyFile
from siting.stages import Keeper
from siting.sun.position import season_positions
from siting.water.reference_et import EtoTerms
from siting.water.zones import MONTH_COLUMNS, with_soil_map, zone_water
from siting.zones.application import ZoneApplication, zone_application
from siting.zones.ground import (
    OBSTACLES,
    Ground,
    Progress,
    SunVariants,
    monthly_eto,
    property_grid,
    sun_variants,
    survey,
)
from siting.zones.learned import with_evidence
from siting.zones.need import aridity, with_microclimate, zone_measures
from siting.zones.points import ZonePixels
from siting.zones.roots import net_requirement
from siting.zones.scenarios import Scenarios, draw_scenarios

#: A factor outside these is a mistake: five times more or less water than a zone's own plants.
_LOW: Final = 0.2
_HIGH: Final = 5.0


def with_factors(
    water: pd.DataFrame, site: Site, factors: Mapping[str, Mapping[str, Any]]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Multiply the demand of each zone by the factors that were asked for.

    They act on the microclimate factor, which is where exposure belongs in the landscape
    coefficient, and with it on the monthly plant factors.

    Returns as `water`, with kmc, kmc_scale and the monthly plant factors multiplied; what each
    factor did, or why it was left out.

    Costello, L. R., Matheny, N. P. and Clark, J. R. (2000) A Guide to Estimating Irrigation Water
    Needs of Landscape Plantings in California: the microclimate factor stands for sun, wind and
    reflected heat.
    """
    table, notes = water.copy(), []
    columns = ["kmc", "kmc_scale", *MONTH_COLUMNS]
    for name, options in factors.items():
        extension = find_extension("siting.factors", name)
        if extension is None:
            notes.append(f"factor {name} is not used: no installed package brings it")
            continue
        try:
            values = _checked(extension, extension.call(site, **options), water.index)
        except ExtensionError as error:
            notes.append(f"factor {name} is not used: {error}")
            continue
        table[columns] = table[columns].mul(values, axis=0)
        shown = ", ".join(f"{zone} {value:.2f}" for zone, value in values.items())
        notes.append(f"{extension} multiplies the demand of each zone: {shown}")
    return table, tuple(notes)


def _checked(extension: Extension, found: object, zones: pd.Index) -> pd.Series:
    """Return a factor by zone, or raise what is wrong with it."""
    if not isinstance(found, pd.Series):
        msg = f"{extension} returned {type(found).__name__}, not a Series"
        raise ExtensionError(msg)
    if set(found.index) != set(zones) or found.index.has_duplicates:
        msg = f"{extension} returned other zones than the property's"
        raise ExtensionError(msg)
    values = pd.to_numeric(found, errors="coerce").reindex(zones).astype(float)
    wrong = ~(np.isfinite(values) & values.between(_LOW, _HIGH))
    if wrong.any():
        zone = values.index[wrong][0]
        msg = f"{extension} returned {found[zone]} for zone {zone}, outside {_LOW:g} to {_HIGH:g}"
        raise ExtensionError(msg)
    return values


@dataclass(frozen=True)
class Known:
    """What is known of the ground and the weather before anything is decided.

    Parameters
    ----------
    seasons : SeasonCalendar
        The weather seasons.
    terms : EtoTerms
        Reference ET of every day of the record.
    water : DataFrame
        As from `siting.water.zones.zone_water`, with microclimate, factors and can tests in it.
    scenarios : Scenarios
        What may be off.
    sun : SunVariants
        Sun on the property.
    ground : Ground
        Points, demand and dryness.
    measures : DataFrame
        As from `siting.zones.need.zone_measures`, and net_irrigation_mm [mm].
    application : mapping of str to ZoneApplication
        What is known of each zone's application pattern.
    warnings : tuple of str
        What was assumed.
    """

    seasons: SeasonCalendar
    terms: EtoTerms
    water: pd.DataFrame
    scenarios: Scenarios
    sun: SunVariants
    ground: Ground
    measures: pd.DataFrame
    application: Mapping[str, ZoneApplication]
    warnings: tuple[str, ...]


def survey_site(
    site: Site,
    climate: Climate,
    settings: PropertyFile,
    weather: tuple[SeasonCalendar, EtoTerms],
    *,
    threads: int,
    progress: Progress | None,
    keep: Keeper | None = None,
) -> Known:
    """Work out sun, water and dryness.

    Parameters
    ----------
    site : Site
        The property.
    climate : Climate
        Daily weather.
    settings : PropertyFile
        What the user asked for.
    weather : tuple of SeasonCalendar and EtoTerms
        The seasons, and reference ET of every day.
    threads : int
        Threads for the sun; the result does not depend on it.
    progress : callable or None
        Called with stage, steps done and steps in all.
    keep : Keeper, optional
        Keeps the sun of every block of a large raster; it rests on what the survey rests on.

    Returns
    -------
    Known
        What is known before anything is decided.
    """
    analysis, (seasons, terms) = settings.analysis, weather
    zones, soil_notes = with_soil_map(site.hydrozones, site.soils)
    zones, sod_notes = _established(zones)
    dry, climate_note = aridity(climate, terms)
    water = zone_water(zones, latitude=site.latitude, hot_arid=dry)
    scenarios = draw_scenarios(analysis.scenarios, seed=analysis.seed)
    eto = monthly_eto(terms, seasons)
    spread = scenarios.count > 1
    run = threads, progress, keep
    sun, pixels = _sun(site, analysis, eto.months, spread=spread, run=run)
    if progress is not None:
        progress("Water and dryness", 0, 1)
    water = with_microclimate(water, sun, pixels, eto)
    water, told = with_factors(water, site, settings.factors)
    patterns, notes = zone_application(
        pixels,
        site.hydrozones,
        cans=site.cans,
        water=water,
        fixtures=site.fixtures,
        units=settings.units,
    )
    water = _with_measured(water, patterns)

    def known_by(known: Mapping[str, ZoneApplication]) -> Ground:
        levels = OBSTACLES if scenarios.count > 1 else OBSTACLES[:1]
        return survey(sun, pixels, eto=eto, water=water, application=known, levels=levels)

    ground = known_by(patterns)
    if site.evidence:
        patterns, learned = with_evidence(patterns, ground, site.hydrozones, site.evidence)
        ground, notes = known_by(patterns), (*notes, *learned)
    measures = _measures(site, sun, ground, water, (seasons, terms))
    return Known(
        seasons=seasons,
        terms=terms,
        water=water,
        scenarios=scenarios,
        sun=sun,
        ground=ground,
        measures=measures,
        application=patterns,
        warnings=(climate_note, *soil_notes, *sod_notes, *pixels.warnings, *notes, *told),
    )


def _measures(
    site: Site,
    sun: SunVariants,
    ground: Ground,
    water: pd.DataFrame,
    weather: tuple[SeasonCalendar, EtoTerms],
) -> pd.DataFrame:
    """Return what every zone needs, as in `Known.measures`."""
    seasons, terms = weather
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
    return measures


def _established(zones: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Take new sod as the lawn that it will be: sod roots in weeks, and a plan is for years."""
    new = zones["new_sod"].to_numpy(dtype=bool)
    if not new.any() or "root_depth" not in zones:
        return zones, ()
    table = zones.copy()
    given = new & table["root_depth"].notna().to_numpy()
    table.loc[given, "root_depth"] = np.nan
    return table, tuple(
        f"zone {name}: new sod, planned as the established lawn; the root depth given is that of "
        "its first weeks"
        for name in table.index[given]
    )


def _sun(
    site: Site,
    analysis: Analysis,
    months: tuple[int, ...],
    *,
    spread: bool,
    run: tuple[int, Progress | None, Keeper | None],
) -> tuple[SunVariants, ZonePixels]:
    """Work out the sun with obstacles low, as drawn and high; `run`: threads, progress, keeper."""
    positions = season_positions(
        site.latitude, site.longitude, months=months, minutes=analysis.sun_minutes
    )
    return sun_variants(
        site,
        property_grid(site, analysis.resolution),
        positions,
        months=months,
        threads=run[0],
        spread=spread,
        progress=run[1],
        keep=run[2],
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
