"""From a property and its weather to what is known: sun, water, application, dryness."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd

from siting._plan_application import ZoneApplication, zone_application
from siting._plan_control import net_requirement
from siting._plan_factors import with_factors
from siting._plan_ground import (
    OBSTACLES,
    Progress,
    SunVariants,
    monthly_eto,
    property_grid,
    sun_variants,
    survey,
)
from siting._plan_known import Known
from siting._plan_measures import zone_measures
from siting._plan_scenarios import draw_scenarios
from siting._plan_water import aridity, with_microclimate
from siting.climate.model import Climate, SeasonCalendar
from siting.hydrozones import ZonePixels, zone_pixels
from siting.site.model import Site
from siting.site.settings import Analysis, PropertyFile
from siting.sun.position import season_positions
from siting.water.reference_et import EtoTerms
from siting.water.soilmap import with_soil_map
from siting.water.zones import zone_water

__all__ = ["survey_site"]


def survey_site(
    site: Site,
    climate: Climate,
    settings: PropertyFile,
    weather: tuple[SeasonCalendar, EtoTerms],
    *,
    threads: int,
    progress: Progress | None,
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
    sun = _sun(site, analysis, eto.months, spread=scenarios.count > 1, run=(threads, progress))
    if progress is not None:
        progress("Water and dryness", 0, 1)
    pixels: ZonePixels = zone_pixels(
        sun.drawn.grid, site.hydrozones, roof=np.isnan(sun.drawn.sky_view)
    )
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
    ground = survey(sun, pixels, eto=eto, water=water, application=patterns,
                    levels=OBSTACLES if scenarios.count > 1 else OBSTACLES[:1])  # fmt: skip
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
        application=patterns,
        warnings=(climate_note, *soil_notes, *sod_notes, *pixels.warnings, *notes, *told),
    )


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
    run: tuple[int, Progress | None],
) -> SunVariants:
    """Work out the sun with obstacles low, as drawn and high; `run` is threads and progress."""
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
