"""Every zone as governor under every control setting, and the exact choice among them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_ground import Ground
from siting._plan_scenarios import Scenarios
from siting._plan_schedule import Schedule, ZoneShares
from siting.climate.model import SeasonCalendar
from siting.season import (
    Followers,
    RootZones,
    Watering,
    applied,
    bypass_events,
    follower_factor,
    least_depth,
    on_demand_events,
    relaxed_caps,
    timer_season,
)
from siting.site.settings import Timer
from siting.water.reference_et import EtoTerms
from siting.water.runoff import curve_number, entering_rain
from siting.water.zones import plant_factors

__all__ = [
    "Governors",
    "driest_quarters",
    "governors",
    "net_requirement",
    "run_plan",
    "run_timer",
    "timer_depths",
]

_Array = NDArray[np.float64]

#: Settings tried, as shares of the depletion fraction p: from just below field capacity to where
#: the sensor's layer, which dries ahead of the root zone, is drier than the onset of stress.
BYPASS_SHARES: Final = (0.1, 0.3, 0.5, 0.7, 0.9, 1.2)
ON_DEMAND_SHARES: Final = (0.3, 0.5, 0.7, 0.9, 1.2)
#: No threshold is drier than this share of the layer's available water.
_DRIEST: Final = 0.9

#: A relaxed zone may have this many stress days more than the least it can reach.
_SLACK_DAYS: Final = 5.0


@dataclass(frozen=True)
class Governors:
    """Sensors that could be: a zone and a setting each, G in all.

    Parameters
    ----------
    kind : tuple of str, length G
        "bypass" or "on_demand".
    zone : ndarray of int, shape (G,)
        Position of the sensor's zone.
    low, high : ndarray, shape (G,)
        Shares of TAW depleted at which watering is allowed and stops (high NaN for bypass).
    watering : Watering
        The governors' events.
    followers : Followers
        What every zone needs under each.
    caps : ndarray, shape (Z,)
        Stress days allowed in each zone [d].
    """

    kind: tuple[str, ...]
    zone: NDArray[np.int64]
    low: _Array
    high: _Array
    watering: Watering
    followers: Followers
    caps: _Array

    def water_mm(self, runs_per_scenario: int) -> _Array:
        """Return the depth of each governor's season by scenario.

        Parameters
        ----------
        runs_per_scenario : int
            Seasons per scenario, Y; runs are scenario by scenario.

        Returns
        -------
        ndarray, shape (G, S)
            Mean over the seasons [mm, zone mean].
        """
        water = self.watering.water_mm
        by_run = water.reshape(len(water), -1, runs_per_scenario)
        return np.asarray(by_run.mean(axis=2))


def driest_quarters(
    ground: Ground,
    terms: EtoTerms,
    seasons: SeasonCalendar,
    *,
    water: pd.DataFrame,
    scenarios: Scenarios,
    plants: Sequence[str],
    depletion_fraction: _Array,
    shares: ZoneShares,
) -> RootZones:
    """Put the driest quarter of every zone through every day of every season and scenario.

    Parameters
    ----------
    ground : Ground
        Sun and application of the driest quarters.
    terms : EtoTerms
        Daily terms of reference ET.
    seasons : SeasonCalendar
        The weather seasons, Y of D days.
    water : DataFrame
        As from `siting.water.zones.zone_water`, Z zones.
    scenarios : Scenarios
        What may be off, S of them.
    plants : sequence of str, length Z
        Plants of each zone, words of `PLANTS`.
    depletion_fraction : ndarray, shape (Z,)
        RAW over TAW, 0..1.
    shares : ZoneShares
        A sensor in zone z reads the upper ``shares.sensor[z]`` of its root zone.

    Returns
    -------
    RootZones
        Runs scenario by scenario, years within: W = S x Y.

    Raises
    ------
    InputError
        Where a value is not finite or out of its range.
    """
    count, years = scenarios.count, len(seasons.years)
    place = np.searchsorted(ground.eto.months, seasons.month)
    factors = plant_factors(water, ground.eto.months)
    plant_scale = scenarios.plants(list(plants))
    etc = np.empty((len(ground.pixels.zones), len(seasons.month), count * years))
    for z in range(len(etc)):
        for s in range(count):
            eto = _daily_eto(
                terms, seasons, ground.quarter_beam[z, s][place], ground.quarter_sky[z, s]
            )
            scale = factors[z][place][:, None] * plant_scale[z, s]
            etc[z, :, s * years : (s + 1) * years] = eto * scale
    rain = np.tile(_entering(terms, seasons, water), (1, 1, count))
    storage = scenarios.soils([str(soil) for soil in water["soil_class"]])
    taw = np.repeat(water["taw_mm"].to_numpy(dtype=float)[:, None] * storage, years, axis=1)
    return RootZones(
        etc=etc,
        rain=_sheltered(rain, shares.rain),
        taw=taw,
        raw=taw * depletion_fraction[:, None],
        application=np.repeat(ground.application, years, axis=1),
        sensor_share=shares.sensor,
        reading_error=scenarios.reading_error(len(seasons.month), years),
    )


def _sheltered(rain: _Array, share: _Array) -> _Array:
    """Return the rain that reaches each zone: one table for all where none is sheltered."""
    return rain if bool(np.all(share == 1)) else share[:, None, None] * rain


def net_requirement(
    ground: Ground,
    terms: EtoTerms,
    seasons: SeasonCalendar,
    *,
    water: pd.DataFrame,
    depletion_fraction: _Array,
    rain_share: _Array,
) -> _Array:
    """Return what plants need beyond rain, by the daily balance of each zone's mean ground.

    The root zone is refilled whenever RAW is used up, with perfectly even water: the least that a
    perfect system would apply.

    Parameters
    ----------
    ground : Ground
        Mean sun of the zones.
    terms : EtoTerms
        Daily terms of reference ET.
    seasons : SeasonCalendar
        The weather seasons.
    water : DataFrame
        As from `siting.water.zones.zone_water`, Z zones.
    depletion_fraction : ndarray, shape (Z,)
        RAW over TAW, 0..1.
    rain_share : ndarray, shape (Z,)
        Share of the rain that reaches the ground, 0..1.

    Returns
    -------
    ndarray, shape (Z,)
        Net irrigation requirement, mean over the seasons [mm].

    Raises
    ------
    InputError
        Where a value is not finite or out of its range.
    """
    place = np.searchsorted(ground.eto.months, seasons.month)
    factors = plant_factors(water, ground.eto.months)
    etc = np.stack(
        [
            factor[place][:, None] * _daily_eto(terms, seasons, beam[place], float(sky))
            for factor, beam, sky in zip(factors, ground.mean_beam, ground.mean_sky, strict=True)
        ]
    )
    taw = np.repeat(water["taw_mm"].to_numpy(dtype=float)[:, None], len(seasons.years), axis=1)
    roots = RootZones(
        etc=etc,
        rain=_sheltered(_entering(terms, seasons, water), rain_share),
        taw=taw,
        raw=taw * depletion_fraction[:, None],
        application=np.ones_like(taw),
    )
    perfect = on_demand_events(
        roots,
        zone=np.arange(len(etc)),
        low_fraction=depletion_fraction,
        high_fraction=np.zeros(len(etc)),
        days=np.ones(seasons.rain_mm.shape, dtype=np.bool_),
    )
    return perfect.mean_water_mm


def _entering(terms: EtoTerms, seasons: SeasonCalendar, water: pd.DataFrame) -> _Array:
    """Return the rain that enters each zone's soil on each season day, shape (Z, D, Y) [mm].

    Less than a fifth of ETo is ignored; what a good lawn on the zone's soil sheds is taken off.
    """
    eto = terms.open_sky[seasons.rows]
    numbers = {str(soil): curve_number(str(soil)) for soil in water["soil_class"]}
    shed = {soil: entering_rain(seasons.rain_mm, eto, number=n) for soil, n in numbers.items()}
    return np.stack([shed[str(soil)] for soil in water["soil_class"]])


def _daily_eto(
    terms: EtoTerms, seasons: SeasonCalendar, beam_fraction: _Array, sky_view: float
) -> _Array:
    """Return reference ET of each season day with the ground's own sun, shape (D, Y) [mm/d]."""
    constant, beam, sky = (
        values[seasons.rows] for values in (terms.constant, terms.beam, terms.sky)
    )
    return np.maximum(constant + beam * beam_fraction[:, None] + sky * sky_view, 0.0)


def timer_depths(
    timer: Timer | None, valves: Sequence[str], precipitation_rate: _Array
) -> _Array | None:
    """Return the depth of today's event per zone.

    Parameters
    ----------
    timer : Timer or None
        What runs today.
    valves : sequence of str, length Z
        Valve of each zone.
    precipitation_rate : ndarray, shape (Z,)
        What each valve applies [mm/h].

    Returns
    -------
    ndarray, shape (Z,), or None
        As given, else run time times rate [mm]; None without a timer that tells either.
    """
    if timer is None:
        return None
    if timer.depth_mm is not None:
        return np.array([timer.depth_mm[valve] for valve in valves], dtype=float)
    if timer.minutes is not None:
        minutes = np.array([timer.minutes[valve] for valve in valves], dtype=float)
        return minutes * precipitation_rate / 60
    return None


def run_timer(roots: RootZones, depth: _Array | None, days: NDArray[np.bool_]) -> Watering | None:
    """Run today's timer, where there is one.

    Parameters
    ----------
    roots : RootZones
        The driest quarters.
    depth : ndarray, shape (Z,), or None
        Depth of an event [mm, zone mean]; None without a timer that tells it.
    days : ndarray of bool, shape (D, W)
        Days on which the timer runs.

    Returns
    -------
    Watering or None
        One row per zone.
    """
    return None if depth is None else timer_season(roots, depth=depth, days=days)


def governors(
    roots: RootZones,
    *,
    kinds: Sequence[str],
    schedule: Schedule,
    depletion_fraction: _Array,
    cap: float,
    per_minute: _Array,
    names: Sequence[str],
) -> tuple[Governors, tuple[str, ...]]:
    """Simulate every zone as governor under every setting, and every other zone following it.

    A zone's cap is relaxed only where no kind of control keeps it.

    Parameters
    ----------
    roots : RootZones
        The driest quarters.
    kinds : sequence of str
        "bypass", "on_demand".
    schedule : Schedule
        Days on which the timer runs, and on which watering is allowed.
    depletion_fraction : ndarray, shape (Z,)
        RAW over TAW.
    cap : float
        Stress days allowed [d].
    per_minute : ndarray, shape (Z,)
        What each valve applies in a minute [mm]: run times are whole minutes.
    names : sequence of str
        Zone names, for the warnings.

    Returns
    -------
    candidates : Governors
        All kinds in one pool.
    warnings : tuple of str
        Zones that cannot be kept within the cap.
    """
    parts = []
    if "bypass" in kinds:
        parts.append(_bypass(roots, schedule.timer, depletion_fraction, cap, per_minute))
    if "on_demand" in kinds:
        parts.append(_on_demand(roots, schedule.allowed, depletion_fraction))
    pool = _pooled(parts)
    caps, warnings = relaxed_caps(
        pool.zone,
        pool.watering.worst_stress_days,
        cap=cap,
        names=names,
        slack_days=_SLACK_DAYS,
    )
    followers = follower_factor(roots, pool.watering, zone=pool.zone, cap=caps)
    return replace(pool, followers=followers, caps=caps), warnings


def _pooled(parts: Sequence[Governors]) -> Governors:
    """Put the candidates of every kind into one pool."""
    watering = Watering(
        np.concatenate([part.watering.depth for part in parts]),
        np.concatenate([part.watering.stress_days for part in parts]),
    )
    return Governors(
        kind=tuple(kind for part in parts for kind in part.kind),
        zone=np.concatenate([part.zone for part in parts]),
        low=np.concatenate([part.low for part in parts]),
        high=np.concatenate([part.high for part in parts]),
        watering=watering,
        followers=_NOT_YET,
        caps=_NOTHING,
    )


def run_plan(roots: RootZones, chosen: Governors, *, governor: NDArray[np.int64]) -> Watering:
    """Run the chosen plan: every zone at its factor of its governor's depth.

    Parameters
    ----------
    roots : RootZones
        The driest quarters.
    chosen : Governors
        The candidates of every kind, with the factors of their followers.
    governor : ndarray of int, shape (Z,)
        Position of each zone's governor among the candidates.

    Returns
    -------
    Watering
        One row per zone.
    """
    every = np.arange(len(governor))
    factor = chosen.followers.factor[governor, every]
    return applied(roots, factor[:, None, None] * chosen.watering.depth[governor])


def _bypass(
    roots: RootZones,
    days: NDArray[np.bool_],
    fraction: _Array,
    cap: float,
    per_minute: _Array,
) -> Governors:
    zone, share = _each_zone_and_share(len(fraction), BYPASS_SHARES)
    low = np.minimum(share * fraction[zone], _DRIEST)
    least = least_depth(
        roots, zone=zone, threshold_fraction=low, days=days, cap=cap, step=per_minute[zone]
    )
    watering = bypass_events(roots, zone=zone, depth=least.depth, threshold_fraction=low, days=days)
    kind, none = ("bypass",) * len(zone), np.full(low.shape, np.nan)
    return Governors(kind, zone, low, none, watering, _NOT_YET, _NOTHING)


def _on_demand(roots: RootZones, days: NDArray[np.bool_], fraction: _Array) -> Governors:
    zone, share = _each_zone_and_share(len(fraction), ON_DEMAND_SHARES)
    low, high = np.minimum(share * fraction[zone], _DRIEST), np.zeros(len(zone))
    watering = on_demand_events(roots, zone=zone, low_fraction=low, high_fraction=high, days=days)
    kind = ("on_demand",) * len(zone)
    return Governors(kind, zone, low, high, watering, _NOT_YET, _NOTHING)


def _each_zone_and_share(zones: int, shares: Sequence[float]) -> tuple[NDArray[np.int64], _Array]:
    """Return every pair of zone and share, zone by zone."""
    zone = np.repeat(np.arange(zones), len(shares))
    return zone, np.tile(np.asarray(shares), zones)


_NOTHING = np.empty((0, 0))
_NOT_YET: Final = Followers(_NOTHING, _NOTHING, _NOTHING)
