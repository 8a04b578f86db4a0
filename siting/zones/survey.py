"""From a property and its weather to what is known: sun, water, application, dryness, readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy
import shapely

from siting.arrays import Floats
from siting.climate.model import Climate, SeasonCalendar, season_calendar
from siting.evidence.field import (
    FEWEST_PLACES,
    Learned,
    Readings,
    learn,
    place_numbers,
    reliability,
)
from siting.evidence.walk import relative_differences
from siting.extensions import Extension, ExtensionError, find_extension
from siting.site.crs import WGS84, transformer
from siting.site.model import BESIDE_M, Evidence, Site
from siting.site.settings import PropertyFile
from siting.stages import Keeper
from siting.sun.position import SunShade, season_positions
from siting.water.reference_et import EtoTerms, eto_terms
from siting.water.zones import MONTH_COLUMNS, with_soil_map, zone_water
from siting.zones.application import Unevenness, ZoneApplication, zone_application
from siting.zones.ground import (
    OBSTACLES,
    Ground,
    Progress,
    Scenarios,
    SunVariants,
    monthly_eto,
    property_grid,
    sun_variants,
    survey,
)
from siting.zones.need import aridity, dryness_raster, with_microclimate, zone_measures
from siting.zones.roots import net_requirement


def with_evidence(
    patterns: Mapping[str, ZoneApplication],
    ground: Ground,
    hydrozones: gpd.GeoDataFrame,
    evidence: Sequence[Evidence],
) -> tuple[dict[str, ZoneApplication], tuple[str, ...]]:
    """Update what is unknown of each zone by what was read in it.

    Cans, heads or an assumed uniformity say how dryness deviates from the map; the readings are
    conditioned upon that, all kinds at once. Returns all zones' patterns, those without readings as
    they were; what was used, and what could not be.
    """
    found, told = dict(patterns), []
    for z, name in enumerate(ground.pixels.zones):
        shape = hydrozones.geometry.loc[name]
        readings = zone_readings(evidence, shape)
        if not readings:
            continue
        learned = _learn_zone(ground, z, readings, patterns[name].unknown)
        counts = ", ".join(_counted(one) for one in readings)
        if learned is None:
            told.append(
                f"zone {name}: {counts} say nothing of where it is dry; at least {FEWEST_PLACES} "
                "places that differ are needed"
            )
            continue
        left = learned.deviation(ground.pixels.x[z], ground.pixels.y[z])
        before = float(np.sqrt(np.log1p(patterns[name].unknown.cv ** 2)))
        after = float(np.sqrt((left**2).mean()))
        unknown = Unevenness(float(np.sqrt(np.expm1(after**2))), learned.reach, None, learned)
        found[name] = replace(patterns[name], unknown=unknown, told=counts)
        trusts = ", ".join(f"{one.kind} {reliability(one)[0]:.2f}" for one in readings)
        told.append(
            f"zone {name}: {counts} were used (correlation of a reading with the true dryness "
            f"{trusts}); dryness is known within {100 * after:.0f} % of itself instead of "
            f"{100 * before:.0f} %{''.join(_stability(one) for one in readings)}"
            f"; {_disagreement(learned, ground, z, hydrozones)}"
        )
    return found, tuple(told)


def zone_readings(evidence: Sequence[Evidence], shape: shapely.Geometry) -> list[Readings]:
    """Return the readings within a zone, one per kind, the days of a kind numbered."""
    kinds: dict[str, list[Evidence]] = {}
    near = shapely.buffer(shape, BESIDE_M)
    shapely.prepare(near)
    for one in evidence:
        inside = shapely.contains_xy(near, one.x, one.y)
        if inside.any():
            part = replace(one, x=one.x[inside], y=one.y[inside], value=one.value[inside])
            kinds.setdefault(one.kind, []).append(part)
    return [_joined(parts) for parts in kinds.values()]


def _joined(parts: list[Evidence]) -> Readings:
    """Put the days of one kind together, in the order of their dates."""
    parts = sorted(parts, key=lambda one: one.date)
    return Readings(
        kind=parts[0].kind,
        places=np.column_stack(
            [np.concatenate([one.x for one in parts]), np.concatenate([one.y for one in parts])]
        ),
        value=np.concatenate([one.value for one in parts]),
        day=np.repeat(np.arange(len(parts)), [len(one.x) for one in parts]),
        trust=float(np.mean([one.trust for one in parts])),
        alike=parts[0].alike,
        days=tuple(one.date for one in parts),
    )


def _learn_zone(
    ground: Ground, z: int, readings: Sequence[Readings], unknown: Unevenness
) -> Learned | None:
    """Update one zone; None where the readings teach nothing."""
    tree = scipy.spatial.cKDTree(
        np.column_stack([ground.pixels.sample_x[z], ground.pixels.sample_y[z]])
    )

    def dryness(x: Floats, y: Floats) -> Floats:
        _, nearest = tree.query(np.column_stack([x, y]))
        return np.asarray(np.maximum(ground.samples[z][:, nearest], 1e-9))

    variance = float(np.log1p(unknown.cv**2))
    return learn(readings, dryness, variance=variance, reach=unknown.reach, known=unknown.learned)


def moved_raster(
    sun: SunVariants, ground: Ground, patterns: Mapping[str, ZoneApplication]
) -> Floats:
    """Draw by what readings made the ground drier than the map had it, over the map.

    Parameters
    ----------
    sun : SunVariants
        Sun on the property; gives the raster.
    ground : Ground
        The points of the zones.
    patterns : mapping of str to ZoneApplication
        What is known of each zone.

    Returns
    -------
    ndarray, shape (rows, columns)
        1 is as the map had it; NaN where nothing was read; empty without readings [-].
    """
    raster = np.full(sun.drawn.sky_view.size, np.nan)
    for z, name in enumerate(ground.pixels.zones):
        learned = patterns[name].unknown.learned
        if learned is not None and learned.moves:
            moved = learned.mean(ground.pixels.x[z], ground.pixels.y[z])
            raster[ground.pixels.flat[z]] = np.exp(moved[0])
    if not np.isfinite(raster).any():
        return np.empty((0, 0))
    return np.asarray(raster.reshape(sun.drawn.sky_view.shape))


def _counted(readings: Readings) -> str:
    """Say how many readings of what, and of which days."""
    days = [day for day in readings.days if day]
    when = f" of {', '.join(days[:3])}" if days else ""
    more = f" and {len(days) - 3} more days" if len(days) > 3 else ""  # noqa: PLR2004
    return f"{len(readings.value)} readings of the {readings.kind}{when}{more}"


def _stability(readings: Readings) -> str:
    """Say how far places keep their order from day to day, where walks were repeated."""
    days, places = np.unique(readings.day), place_numbers(readings.places)
    table = np.full((len(days), int(places.max()) + 1), np.nan)
    table[np.searchsorted(days, readings.day), places] = np.abs(readings.value)
    spread = relative_differences(pd.DataFrame(table))["sd"]
    if readings.alike or not np.isfinite(spread).any() or not (readings.value < 0).all():
        return ""
    return (
        f"; from day to day a place's difference from the mean of the {readings.kind} moved by "
        f"{100 * float(np.nanmean(spread)):.0f} % of that mean"
    )


def _disagreement(learned: Learned, ground: Ground, z: int, zones: gpd.GeoDataFrame) -> str:
    """Say where readings and map disagree most, each way."""
    x, y = ground.pixels.x[z], ground.pixels.y[z]
    moved = np.expm1(learned.mean(x, y).mean(axis=0))
    ends = [int(np.argmax(moved)), int(np.argmin(moved))]
    longitude, latitude = transformer(zones.crs, WGS84).transform(x[ends], y[ends])
    drier, wetter = (f"{100 * abs(moved[k]):.0f} %" for k in ends)
    where = [f"{a:.6f}, {b:.6f}" for a, b in zip(latitude, longitude, strict=True)]
    return (
        f"they disagree with the map most at {where[0]} ({drier} drier than it had it) and at "
        f"{where[1]} ({wetter} less dry)"
    )


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
class Survey:
    """What is known of a property before anything is decided.

    Parameters
    ----------
    site : Site
        The checked property.
    climate : Climate
        Daily weather.
    settings : PropertyFile
        What the user asked for.
    seasons : SeasonCalendar
        The weather seasons.
    terms : EtoTerms
        Reference ET of every day of the record.
    water : DataFrame
        As from `siting.water.zones.zone_water`, with microclimate, factors and can tests in it.
    scenarios : Scenarios
        What may be off.
    shade : SunVariants
        Sun on the property, with obstacles low, as drawn and high.
    ground : Ground
        Points, demand and dryness.
    measures : DataFrame
        As from `siting.zones.need.zone_measures`, and net_irrigation_mm [mm].
    application : mapping of str to ZoneApplication
        What is known of each zone's application pattern.
    notes : tuple of str
        What was assumed of sun, water and ground.
    """

    site: Site
    climate: Climate
    settings: PropertyFile
    seasons: SeasonCalendar
    terms: EtoTerms
    water: pd.DataFrame
    scenarios: Scenarios
    shade: SunVariants
    ground: Ground
    measures: pd.DataFrame
    application: Mapping[str, ZoneApplication]
    notes: tuple[str, ...]

    @cached_property
    def zones(self) -> gpd.GeoDataFrame:
        """The hydrozones with their measures, columns as in `Plan.zones`, index `zone`.

        area_m2, sun_hours, insolation, sky_view, plant_factor, kmc, kl, need_score, need_share_sun
        ..., need_ratio, need_words, net_irrigation_mm, etc_peak_mm_d, taw_mm, raw_mm.
        """
        drawn = self.site.hydrozones
        return drawn.join(self.measures.drop(columns=list(drawn.columns), errors="ignore"))

    @property
    def sun(self) -> SunShade:
        """Monthly sun, as drawn."""
        return self.shade.drawn

    @cached_property
    def dryness(self) -> Floats:
        """Dryness relative to the property's mean, NaN outside the zones, (rows, columns)."""
        return dryness_raster(self.shade, self.ground)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was repaired or assumed."""
        told = *self.site.warnings, *self.climate.warnings, *self.notes
        return tuple(dict.fromkeys(told))

    def __repr__(self) -> str:
        """Return one line."""
        return f"<Survey of {self.site.name}: {len(self.measures)} hydrozones>"


def survey_site(
    site: Site,
    climate: Climate,
    settings: PropertyFile,
    *,
    threads: int = 1,
    progress: Progress | None = None,
    keep: Keeper | None = None,
) -> Survey:
    """Work out sun, water and dryness in the seasons of the property file.

    Parameters
    ----------
    site : Site
        The property.
    climate : Climate
        Daily weather.
    settings : PropertyFile
        What the user asked for.
    threads : int
        Threads for the sun; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.
    keep : Keeper, optional
        Keeps what is worked out, and the sun of every block of a large raster.

    Returns
    -------
    Survey
        What is known before anything is decided.
    """
    keep = keep or Keeper()
    parts = keep.kept(
        "survey", lambda: _worked_out(site, climate, settings, threads, progress, keep)
    )
    return Survey(site, climate, settings, **parts)


def _worked_out(
    site: Site,
    climate: Climate,
    settings: PropertyFile,
    threads: int,
    progress: Progress | None,
    keep: Keeper,
) -> dict[str, Any]:
    """Return the parts of a `Survey` that are worked out, by name."""
    analysis = settings.analysis
    seasons = season_calendar(climate, start=settings.season.start, end=settings.season.end)
    terms = eto_terms(climate.daily, latitude=site.latitude, elevation_m=climate.elevation_m)
    zones, soil_notes = with_soil_map(site.hydrozones, site.soils)
    zones, sod_notes = _established(zones)
    dry, climate_note = aridity(climate, terms)
    water = zone_water(zones, latitude=site.latitude, hot_arid=dry)
    scenarios = Scenarios(analysis.scenarios, analysis.seed)
    eto = monthly_eto(terms, seasons)
    grid = property_grid(site, analysis.resolution)
    positions = season_positions(
        site.latitude, site.longitude, months=eto.months, minutes=analysis.sun_minutes
    )
    shade, pixels = sun_variants(
        site, grid, positions, months=eto.months, threads=threads, spread=scenarios.count > 1,
        progress=progress, keep=keep,
    )  # fmt: skip
    if progress is not None:
        progress("Water and dryness", 0, 1)
    water = with_microclimate(water, shade, pixels, eto)
    water, told = with_factors(water, site, settings.factors)
    patterns, notes = zone_application(
        pixels, site.hydrozones, cans=site.cans, water=water, fixtures=site.fixtures,
        units=settings.units,
    )  # fmt: skip
    water = _with_measured(water, patterns)

    def known_by(known: Mapping[str, ZoneApplication]) -> Ground:
        levels = OBSTACLES if scenarios.count > 1 else OBSTACLES[:1]
        return survey(shade, pixels, eto=eto, water=water, application=known, levels=levels)

    ground = known_by(patterns)
    if site.evidence:
        patterns, learned = with_evidence(patterns, ground, site.hydrozones, site.evidence)
        ground, notes = known_by(patterns), (*notes, *learned)
    return {
        "seasons": seasons,
        "terms": terms,
        "water": water,
        "scenarios": scenarios,
        "shade": shade,
        "ground": ground,
        "measures": _measures(site, shade, ground, water, (seasons, terms)),
        "application": patterns,
        "notes": (climate_note, *soil_notes, *sod_notes, *pixels.warnings, *notes, *told),
    }


def _measures(
    site: Site,
    sun: SunVariants,
    ground: Ground,
    water: pd.DataFrame,
    weather: tuple[SeasonCalendar, EtoTerms],
) -> pd.DataFrame:
    """Return what every zone needs, as in `Survey.measures`."""
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
