"""Every zone as governor under every setting, what each other zone needs then, and the timer.

What is tried of a sensor: the zone it lies in, the share of its layer's water that is gone from
which an event runs, the days on which an event may run, and the minutes of an event. Its followers
run whenever it does, each for the least whole minutes that keep it within its limit. A zone that
follows nobody keeps a programme of its own on the timer, without a sensor.

The aim sets the limit. *As today*: no zone gets more water than today's timer gives it, and none is
left shorter of water than today (or than the limit of stress days, where today is better than
that). *Within the limit*: every zone is held to the limit, whatever water that takes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_ground import CLASSES, Ground
from siting._plan_scenarios import Scenarios
from siting._plan_schedule import Schedule, ZoneShares
from siting.climate.model import SeasonCalendar
from siting.scheduling import READING_STEP
from siting.season import (
    RootZone,
    Search,
    least_minutes,
    least_minutes_following,
    schedule_stress,
    sensor_events,
    worst_tenth,
)
from siting.site.settings import Timer
from siting.units import UnitsName, show
from siting.water.balance import step
from siting.water.reference_et import EtoTerms
from siting.water.runoff import curve_number, entering_rain
from siting.water.zones import plant_factors

__all__ = [
    "Alone",
    "Governors",
    "PropertyRoots",
    "Trial",
    "clear_steps",
    "governors",
    "net_requirement",
    "on_their_own",
    "over_zones",
    "relaxed_note",
    "store_minutes",
    "timer_depths",
    "timer_set_right",
    "todays_timer",
    "unreachable",
]

_Array = NDArray[np.float64]
_T = TypeVar("_T")

#: Thresholds tried, as shares of the depletion fraction p: to where the sensor's layer, which dries
#: ahead of the root zone, is drier than the onset of stress.
_THRESHOLDS: Final = (0.3, 0.5, 0.7, 0.9, 1.2)
#: No threshold is drier than this share of the layer's available water, and none is nearer to field
#: capacity than so many standard deviations of what is left of the sensor's error.
_DRIEST: Final = 0.9
_CLEAR: Final = 2.0
#: Settings of a zone kept for each set of days: those with the least water of its own.
_KEPT: Final = 2
#: A zone that cannot keep its limit may have this many stress days more than the least it can have.
_SLACK_DAYS: Final = 1.0
#: Root zones are kept while all of them together take less than this [bytes].
_KEEP_BYTES: Final = 500_000_000
#: Seasonal adjustment is set in steps of this share.
_DIAL_STEP: Final = 0.05
#: Irrigation whose heads water from above; the rest drips. Valves of the two kinds never follow one
#: another: they wet different ground for different times.
_OVERHEAD: Final = frozenset({"spray", "rotor", "rotary_nozzle", "impact"})


@dataclass(frozen=True)
class PropertyRoots:
    """Builds the root zone of every hydrozone for every day, season and scenario, one at a time.

    Parameters
    ----------
    ground : Ground
        Light and application of the area classes.
    terms : EtoTerms
        Daily terms of reference ET.
    seasons : SeasonCalendar
        The weather seasons, Y of D days.
    water : DataFrame
        As from `siting.water.zones.zone_water`, Z zones.
    scenarios : Scenarios
        What may be off, S of them.
    plants : tuple of str, length Z
        Plants of each zone, words of `PLANTS`.
    depletion_fraction : ndarray, shape (Z,)
        RAW over TAW, 0..1.
    shares : ZoneShares
        A sensor in zone z reads the upper ``shares.sensor[z]`` of its root zone.
    threads : int
        Zones worked on at a time; the result does not depend on it.
    plant_scale, storage_scale : float
        Every plant factor and all available water times this.
    evenness : float
        Added to every low-quarter uniformity.
    error_scale : float
        Every reading error times this.
    """

    ground: Ground
    terms: EtoTerms
    seasons: SeasonCalendar
    water: pd.DataFrame
    scenarios: Scenarios
    plants: tuple[str, ...]
    depletion_fraction: _Array
    shares: ZoneShares
    threads: int = 1
    plant_scale: float = 1.0
    storage_scale: float = 1.0
    evenness: float = 0.0
    error_scale: float = 1.0
    _built: dict[int, RootZone] = field(default_factory=dict, repr=False, compare=False)

    @property
    def count(self) -> int:
        """Number of zones."""
        return len(self.plants)

    @property
    def years(self) -> int:
        """Seasons per scenario; runs are scenario by scenario, years within."""
        return len(self.seasons.years)

    @property
    def capacity(self) -> _Array:
        """Field capacity less wilting point of every zone, shape (Z,) [m³/m³]."""
        return np.asarray(self.water["field_capacity"] - self.water["wilting_point"], dtype=float)

    @property
    def per_minute(self) -> _Array:
        """What each valve applies in a minute, shape (Z,) [mm]."""
        return np.asarray(self.water["precipitation_rate"], dtype=float) / 60

    def zone(self, z: int) -> RootZone:
        """Return one zone's root zone.

        Parameters
        ----------
        z : int
            Position of the zone.

        Returns
        -------
        RootZone
            With S x Y runs.
        """
        root = self._built.get(z)
        if root is None:
            root = self._build(z)
            if (len(self._built) + 1) * root.etc.nbytes < _KEEP_BYTES:
                self._built[z] = root
        return self._moved(root, z)

    def _build(self, z: int) -> RootZone:
        """Build one zone as described and drawn, nothing moved."""
        count, years = self.scenarios.count, self.years
        storage = self.scenarios.soils([str(self.water["soil_class"].iloc[z])])[0]
        taw = np.repeat(float(self.water["taw_mm"].iloc[z]) * storage, years)
        errors = self.scenarios.reading_errors(
            [str(self.water.index[z])],
            days=len(self.seasons.month),
            years=years,
            capacity=self.capacity[z : z + 1],
        )
        return RootZone(
            etc=self._demand(z),
            rain=np.tile(self._rain(z), (1, count)),
            taw=taw,
            raw=taw * self.depletion_fraction[z],
            application=np.repeat(self._application(z, 0.0), years, axis=1),
            sensor_share=float(self.shares.sensor[z]),
            reading_error=errors[0],
            described_mm=float(self.water["taw_mm"].iloc[z]),
        )

    def _moved(self, root: RootZone, z: int) -> RootZone:
        """Move a zone's inputs."""
        moves: dict[str, Any] = {}
        if self.plant_scale != 1:
            moves["etc"] = root.etc * self.plant_scale
        if self.storage_scale != 1:
            moves |= {"taw": root.taw * self.storage_scale, "raw": root.raw * self.storage_scale}
        if self.evenness != 0:
            moves["application"] = np.repeat(
                self._application(z, self.evenness), self.years, axis=1
            )
        if self.error_scale != 1 and root.reading_error is not None:
            moves["reading_error"] = root.reading_error * self.error_scale
        return replace(root, **moves) if moves else root

    def _demand(self, z: int) -> _Array:
        """Return the demand of a zone's area classes, shape (Q, D, S x Y) [mm/d]."""
        seasons, ground = self.seasons, self.ground
        place = np.searchsorted(ground.eto.months, seasons.month)
        factor = plant_factors(self.water, ground.eto.months)[z][place]
        scale = self.scenarios.plants([self.plants[z]])[0]
        level = self.scenarios.obstacles
        beam = ground.between(ground.class_beam[z], level)[:, :, place]  # (Q, S, D)
        sky = ground.between(ground.class_sky[z], level)  # (Q, S)
        terms = (values[seasons.rows] for values in (self.terms.constant, self.terms.beam,
                                                     self.terms.sky))  # fmt: skip
        constant, direct, diffuse = terms
        etc = np.empty((CLASSES, len(place), len(level), self.years))
        for s in range(len(level)):
            eto = constant + direct * beam[:, s, :, None] + diffuse * sky[:, s, None, None]
            etc[:, :, s] = np.maximum(eto, 0.0) * (factor[:, None] * scale[s])
        return etc.reshape(CLASSES, len(place), -1)

    def _rain(self, z: int) -> _Array:
        """Return the rain that enters a zone's soil, shape (D, Y) [mm]."""
        soil = str(self.water["soil_class"].iloc[z])
        return float(self.shares.rain[z]) * entering(self.terms, self.seasons, soil)

    def _application(self, z: int, evenness: float) -> _Array:
        """Return what a zone's area classes receive over its mean, shape (Q, S)."""
        shift = self.scenarios.uniformity + evenness
        pattern = self.ground.class_pattern[z]
        if np.isfinite(pattern).all():
            return np.asarray(self.ground.between(pattern, self.scenarios.obstacles))
        uniformity = float(self.water["distribution_uniformity"].iloc[z])
        return even_classes(np.clip(uniformity + shift, 0.2, 1.0))


def even_classes(uniformity: _Array) -> _Array:
    """Return what the quarters of a zone receive over its mean, from its low-quarter uniformity.

    The driest quarter of the ground is taken to be the low quarter of the sprinklers too, the worst
    that can be; depths are spread evenly from least to most.

    Parameters
    ----------
    uniformity : ndarray, shape (S,)
        Low-quarter uniformity, 0..1.

    Returns
    -------
    ndarray, shape (Q, S)
        The low quarter first; the mean is 1.

    References
    ----------
    The linear distribution of applied depths: Karmeli, D. (1978), Estimating sprinkler distribution
    patterns using linear regression, Transactions of the ASAE 21, 682-686 (from memory).

    Examples
    --------
    >>> even_classes(np.array([0.7])).ravel().round(2).tolist()
    [0.7, 0.9, 1.1, 1.3]
    """
    place = np.linspace(-1.0, 1.0, CLASSES)[:, None]
    return np.asarray(1.0 + place * (1.0 - uniformity))


def entering(terms: EtoTerms, seasons: SeasonCalendar, soil: str) -> _Array:
    """Return the rain that enters a soil on each season day, shape (D, Y) [mm].

    Less than a fifth of ETo is ignored; what a good lawn on the soil sheds is taken off.
    """
    eto = terms.open_sky[seasons.rows]
    return entering_rain(seasons.rain_mm, eto, number=curve_number(soil))


def over_zones(roots: PropertyRoots, work: Callable[[int, RootZone], _T]) -> list[_T]:
    """Do something with every zone's root zone, some zones at a time.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    work : callable
        (position, root zone) -> anything.

    Returns
    -------
    list
        In the order of the zones, whatever the number of threads.
    """

    def one(z: int) -> _T:
        return work(z, roots.zone(z))

    if roots.threads == 1:
        return [one(z) for z in range(roots.count)]
    with ThreadPoolExecutor(roots.threads) as pool:
        return list(pool.map(one, range(roots.count)))


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
    """
    place = np.searchsorted(ground.eto.months, seasons.month)
    factors = plant_factors(water, ground.eto.months)[:, place]
    taw = water["taw_mm"].to_numpy(dtype=float)[:, None]
    raw = taw * depletion_fraction[:, None]
    soils = [str(soil) for soil in water["soil_class"]]
    rain = np.stack([entering(terms, seasons, soil) for soil in soils]) * rain_share[:, None, None]
    constant, beam, sky = (v[seasons.rows] for v in (terms.constant, terms.beam, terms.sky))
    dry = np.zeros((len(water), len(seasons.years)))
    total = np.zeros_like(dry)
    for day in range(len(place)):
        lit = ground.mean_beam[:, place[day], None]
        eto = constant[day] + beam[day] * lit + sky[day] * ground.mean_sky[:, None]
        given = np.where(dry >= raw, dry, 0.0)
        etc = np.maximum(eto, 0.0) * factors[:, day, None]
        total += given
        dry = step(dry, rain=rain[:, day], irrigation=given, etc=etc, taw=taw, raw=raw).depletion
    return np.asarray(total.mean(axis=1))


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


@dataclass(frozen=True)
class Alone:
    """Zones on a programme of the timer, without a sensor.

    Parameters
    ----------
    ran : ndarray of bool, shape (D, W)
        Days with an event, the same for all zones.
    depth : ndarray, shape (Z,)
        Depth of a full event [mm].
    dial : ndarray, shape (Z, D)
        Seasonal adjustment on each day, 1 at full.
    stress_days : ndarray, shape (Z, W)
        Mean over the area classes [d].
    """

    ran: NDArray[np.bool_]
    depth: _Array
    dial: _Array
    stress_days: _Array

    @cached_property
    def water_mm(self) -> _Array:
        """Depth of the season, shape (Z, W) [mm]."""
        return np.asarray(self.depth[:, None] * (self.dial @ self.ran))

    @property
    def worst_stress_days(self) -> _Array:
        """Stress days in the worst season out of ten, shape (Z,) [d]."""
        return worst_tenth(self.stress_days)


def todays_timer(roots: PropertyRoots, depth: _Array, days: NDArray[np.bool_]) -> Alone:
    """Run today's timer: every scheduled event, whatever the weather.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    depth : ndarray, shape (Z,)
        Depth of an event [mm].
    days : ndarray of bool, shape (D, W)
        Days on which the timer runs.

    Returns
    -------
    Alone
        Every zone.
    """
    stress = over_zones(roots, lambda z, root: schedule_stress(root, days, depth=depth[z])[0])
    return Alone(days, depth, np.ones((roots.count, len(days))), np.stack(stress))


def timer_set_right(roots: PropertyRoots, days: NDArray[np.bool_], limit: _Array) -> Alone:
    """Set a plain timer right: the least minutes and a monthly adjustment that keep each limit.

    The adjustment of a month is the zone's demand over that of its peak month, up to the next 5 %.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    days : ndarray of bool, shape (D, W)
        Days on which the timer runs.
    limit : ndarray, shape (Z,)
        Stress days allowed in the worst season out of ten [d].

    Returns
    -------
    Alone
        Every zone; where no run time keeps the limit, with a day more than the least that it can
        have, which takes far less water than the last of it.
    """
    dial = monthly_dial(roots)

    def one(z: int, root: RootZone) -> tuple[float, _Array]:
        a_minute = float(roots.per_minute[z])
        least = float(root.application[0].mean())
        whole = max(1, int(np.ceil(root.taw.mean() / least / a_minute)))

        def within(days_short: float) -> Search:
            return least_minutes_following(
                root, days[None], per_minute=a_minute, most=np.array([whole]), limit=days_short,
                dial=dial[z],
            )  # fmt: skip

        found = within(float(limit[z]))
        if not found.kept[0]:
            found = within(float(worst_tenth(found.stress_days[0])) + _SLACK_DAYS)
        return float(found.minutes[0]) * a_minute, found.stress_days[0]

    done = over_zones(roots, one)
    return Alone(days, np.array([depth for depth, _ in done]), dial, np.stack([s for _, s in done]))


def monthly_dial(roots: PropertyRoots) -> _Array:
    """Return the seasonal adjustment of every zone on each day, shape (Z, D), 1 at full."""
    demand = roots.ground.etc.to_numpy(dtype=float)
    share = demand / np.maximum(demand.max(axis=1, keepdims=True), 1e-9)
    stepped = np.maximum(np.ceil(share / _DIAL_STEP - 1e-9), 1.0) * _DIAL_STEP
    place = np.searchsorted(roots.ground.eto.months, roots.seasons.month)
    return np.asarray(np.minimum(stepped, 1.0)[:, place])


def on_their_own(
    roots: PropertyRoots, today: Alone | None, schedule: Schedule, limit: _Array, *, heal: bool
) -> Alone:
    """Return what zones without a sensor run: today's timer, set right where that is asked.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    today : Alone or None
        Today's timer, where there is one.
    schedule : Schedule
        Days on which the timer may run.
    limit : ndarray, shape (Z,)
        Stress days allowed in the worst season out of ten [d].
    heal : bool
        Whether zones that today leaves short are to be healed.

    Returns
    -------
    Alone
        Every zone.
    """
    if today is not None and not heal and schedule.habit is not None:
        return today
    return timer_set_right(roots, schedule.timer, limit)


@dataclass(frozen=True)
class Governors:
    """Sensors that could be: a zone and a setting each, G in all.

    Parameters
    ----------
    kind : tuple of str, length G
        "bypass" or "on_demand".
    zone : ndarray of int, shape (G,)
        Position of the sensor's zone.
    low : ndarray, shape (G,)
        Share of the layer's water gone from which an event runs.
    days : ndarray of int, shape (G,)
        Which set of days of the schedule.
    habit : ndarray of bool, shape (G,)
        Whether today's minutes and days stay as they are.
    minutes : ndarray, shape (G, Z)
        Minutes of an event of each zone under each; 0 where it cannot follow [min].
    stress_days : ndarray, shape (G, Z)
        In the worst season out of ten, with those minutes; NaN where it cannot follow [d].
    kept : ndarray of bool, shape (G, Z)
        Whether the zone then keeps its limit of stress days and of water. Today's minutes and days
        are simulated whether they do or not, since they are what the trade would leave.
    events : ndarray, shape (G, W)
        Events of a season.
    per_minute : ndarray, shape (Z,)
        What each valve applies in a minute [mm].
    alone : Alone
        What zones without a sensor run.
    limit : ndarray, shape (Z,)
        Stress days allowed in each zone [d].
    years : int
        Seasons per scenario.
    heal : bool
        Whether zones are held to the stress limit, whatever water that takes.
    """

    kind: tuple[str, ...]
    zone: NDArray[np.int64]
    low: _Array
    days: NDArray[np.int64]
    habit: NDArray[np.bool_]
    minutes: _Array
    stress_days: _Array
    kept: NDArray[np.bool_]
    events: _Array
    per_minute: _Array
    alone: Alone
    limit: _Array
    years: int
    heal: bool = False

    @property
    def water_mm(self) -> _Array:
        """Depth of a season of each zone under each, mean over the runs, shape (G, Z) [mm]; inf
        where it cannot follow."""  # noqa: D205, D209
        mean = self.events.mean(axis=1)
        depth = mean[:, None] * self.minutes * self.per_minute
        return np.where(self.minutes > 0, depth, np.inf)

    def only(self, at: NDArray[np.int64]) -> Governors:
        """Return some of the candidates, in the order given."""
        return replace(
            self,
            kind=tuple(self.kind[int(j)] for j in at),
            zone=self.zone[at],
            low=self.low[at],
            days=self.days[at],
            habit=self.habit[at],
            minutes=self.minutes[at],
            stress_days=self.stress_days[at],
            kept=self.kept[at],
            events=self.events[at],
        )

    def by_scenario(self, runs: _Array) -> _Array:
        """Return the mean over the years, shape (..., S)."""
        return np.asarray(runs.reshape(*runs.shape[:-1], -1, self.years).mean(axis=-1))


@dataclass(frozen=True)
class _Own:
    """Settings of one zone: what its own sensor would do."""

    low: _Array
    days: NDArray[np.int64]
    habit: NDArray[np.bool_]
    minutes: _Array
    ran: NDArray[np.bool_]
    stress: _Array
    thrifty: NDArray[np.bool_]

    def only(self, at: NDArray[np.int64]) -> _Own:
        return _Own(
            self.low[at], self.days[at], self.habit[at], self.minutes[at], self.ran[at],
            self.stress[at], self.thrifty[at],
        )  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """What governors are tried on.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    schedule : Schedule
        Days on which the timer runs, and on which watering is allowed.
    today : Alone or None
        Today's timer, where there is one.
    today_minutes : ndarray, shape (Z,), or None
        Its minutes, where a sensor may leave them as they are.
    controller : ndarray of int, shape (Z,)
        Controller of each zone.
    irrigation : tuple of str, length Z
        How each zone is watered.
    sensor_error : float
        Standard deviation of what is left of a sensor's error [m³/m³].
    cap : float
        Stress days asked for [d].
    heal : bool
        Whether zones are held to the cap, whatever water that takes.
    """

    roots: PropertyRoots
    schedule: Schedule
    today: Alone | None
    today_minutes: _Array | None
    controller: NDArray[np.int64]
    irrigation: tuple[str, ...]
    sensor_error: float
    cap: float
    heal: bool

    @property
    def water_cap(self) -> _Array:
        """Most water of each zone, shape (Z,) [mm]; inf where it may have any."""
        if self.today is None or self.heal:
            return np.full(self.roots.count, np.inf)
        return np.asarray(self.today.water_mm.mean(axis=1))

    def limits(self) -> _Array:
        """Return the stress days asked for in each zone, shape (Z,) [d]."""
        limit = np.full(self.roots.count, self.cap)
        if self.today is None or self.heal:
            return limit
        return np.asarray(np.maximum(limit, self.today.worst_stress_days))


def governors(
    trial: Trial, *, kinds: Sequence[str], names: Sequence[str]
) -> tuple[Governors, tuple[str, ...]]:
    """Simulate every zone as governor under every setting, and every other zone following it.

    A zone's limit is relaxed only where neither a sensor of its own nor the timer keeps it.

    Parameters
    ----------
    trial : Trial
        Zones, days, today's timer and the aim.
    kinds : sequence of str
        "bypass", "on_demand".
    names : sequence of str
        Zone names, for the warnings.

    Returns
    -------
    candidates : Governors
        All kinds in one pool.
    warnings : tuple of str
        Zones that cannot be kept within the limit, and soils in which no sensor tells enough.
    """
    roots = trial.roots
    alone = on_their_own(roots, trial.today, trial.schedule, trial.limits(), heal=trial.heal)
    asked = trial.limits()
    tried = over_zones(roots, lambda z, root: _own_settings(trial, z, root, float(asked[z])))
    best = np.array([worst_tenth(own.stress[own.thrifty]).min(initial=np.inf) for own in tried])
    if not np.isfinite(best).any():
        pool, notes = governors(replace(trial, heal=True), kinds=kinds, names=names)
        return pool, ("no sensor keeps any zone within the water that today's timer gives it: the "
                      "plan holds zones to the stress limit instead", *notes)  # fmt: skip
    # A timer set right already has its day more where it cannot keep the limit.
    least = np.minimum(best + _SLACK_DAYS, alone.worst_stress_days)
    if np.all(best > asked + 1e-9):  # no sensor anywhere keeps what the timer keeps
        least = np.where(np.isfinite(best), best + _SLACK_DAYS, least)
    over = (best > asked + 1e-9) & (least > asked + 1e-9)
    limit = np.where(over, least, asked)
    relaxed = np.flatnonzero(limit > asked)
    for z in relaxed:
        tried[z] = _own_settings(trial, int(z), roots.zone(int(z)), float(limit[z]))
    kept = [_thrifty(trial, z, own, float(limit[z])) for z, own in enumerate(tried)]
    pool = _pooled(trial, kept, alone, limit, kinds)
    notes = tuple(relaxed_note(names[int(z)], trial.cap, limit[z]) for z in relaxed)
    return pool, (*notes, *_dull_soils(trial, names))


def _thresholds(trial: Trial, z: int) -> _Array:
    """Return the thresholds of a zone: whole steps of the reading below field capacity [-]."""
    capacity = float(trial.roots.capacity[z])
    wanted = np.array(_THRESHOLDS) * trial.roots.depletion_fraction[z] * capacity
    least, driest = _step_bounds(trial, z)
    steps = np.clip(np.round(wanted / READING_STEP), min(least, driest), driest)
    return np.unique(steps) * READING_STEP / capacity


def clear_steps(trial: Trial, z: int) -> _Array:
    """Return every threshold that a zone's sensor may be set to.

    Parameters
    ----------
    trial : Trial
        Zones and the sensor's error.
    z : int
        Position of the zone.

    Returns
    -------
    ndarray
        Whole steps of the reading below field capacity, from the wettest that the sensor is sure of
        to where the layer, which dries ahead of the root zone, is drier than the onset of stress
        [share of the layer's water].
    """
    capacity = float(trial.roots.capacity[z])
    least, driest = _step_bounds(trial, z)
    last = _THRESHOLDS[-1] * trial.roots.depletion_fraction[z] * capacity / READING_STEP
    last = min(max(np.round(last), least), driest)
    return np.arange(min(least, last), last + 0.5) * READING_STEP / capacity


def _step_bounds(trial: Trial, z: int) -> tuple[float, float]:
    """Return the wettest and the driest threshold of a zone, in steps of the reading."""
    capacity = float(trial.roots.capacity[z])
    clear = np.ceil(_CLEAR * trial.sensor_error / READING_STEP - 1e-9)
    return float(clear), float(max(np.floor(_DRIEST * capacity / READING_STEP), 1.0))


def _dull_soils(trial: Trial, names: Sequence[str]) -> tuple[str, ...]:
    """Say in which zones a sensor cannot tell what matters."""
    short = _CLEAR * trial.sensor_error > _DRIEST * trial.roots.capacity
    return tuple(
        f"zone {names[int(z)]}: its soil holds {100 * trial.roots.capacity[z]:.1f} % by volume "
        f"that plants can use, and a sensor is sure to {100 * _CLEAR * trial.sensor_error:.1f} % "
        "only: a better sensor, or none, belongs there"
        for z in np.flatnonzero(short)
    )


def _own_settings(trial: Trial, z: int, root: RootZone, limit: float) -> _Own:
    """Try every threshold on every set of days, and today's minutes as they are."""
    schedule, roots = trial.schedule, trial.roots
    a_minute, low = float(roots.per_minute[z]), _thresholds(trial, z)
    sets = len(schedule.sets)
    start, which = np.tile(low, sets), np.repeat(np.arange(sets), low.size)
    most = np.full(start.shape, store_minutes(root, a_minute))
    search, run = least_minutes(
        root, threshold=start, days=schedule.masks, which=which, per_minute=a_minute, most=most,
        limit=limit,
    )  # fmt: skip
    minutes, habit = search.minutes.astype(float), np.zeros(start.shape, dtype=np.bool_)
    cap = trial.water_cap[z] * (1 + 1e-9)
    used = run.ran.sum(axis=1).mean(axis=1) * minutes * a_minute
    own = _Own(start, which, habit, minutes, run.ran, run.stress_days, used <= cap)
    at = schedule.habit
    if trial.today_minutes is None or at is None or trial.today_minutes[z] <= 0:
        return own
    today = float(trial.today_minutes[z])
    usual = sensor_events(
        root, depth=np.full(low.shape, today * a_minute), threshold=low,
        days=schedule.sets[at].days,
    )  # fmt: skip
    return _Own(
        np.concatenate([low, own.low]),
        np.concatenate([np.full(low.shape, at), own.days]),
        np.concatenate([np.ones(low.shape, dtype=np.bool_), own.habit]),
        np.concatenate([np.full(low.shape, today), own.minutes]),
        np.concatenate([usual.ran, own.ran]),
        np.concatenate([usual.stress_days, own.stress]),
        np.concatenate([np.ones(low.shape, dtype=np.bool_), own.thrifty]),
    )


def store_minutes(root: RootZone, per_minute: float) -> int:
    """Return the most minutes of an event: no deeper than the store it refills.

    What reaches the driest quarter is at most its RAW.

    Parameters
    ----------
    root : RootZone
        The zone.
    per_minute : float
        What its valve applies in a minute [mm].

    Returns
    -------
    int
        At least 1.
    """
    store = float(np.mean(root.raw)) / float(np.mean(root.application[0]))
    return max(1, int(store / per_minute))


def _thrifty(trial: Trial, z: int, own: _Own, limit: float) -> _Own:
    """Keep the settings that hold the zone within limit and water, the thriftiest of each days."""
    water = own.ran.sum(axis=1).mean(axis=1) * own.minutes * trial.roots.per_minute[z]
    good = own.thrifty & (worst_tenth(own.stress) <= limit + 1e-9)
    kept = list(np.flatnonzero(own.habit))
    for days in np.unique(own.days):
        at = np.flatnonzero(good & ~own.habit & (own.days == days))
        kept += list(at[np.argsort(water[at], kind="stable")][:_KEPT])
    return own.only(np.array(kept, dtype=np.int64))


def _pooled(
    trial: Trial, kept: list[_Own], alone: Alone, limit: _Array, kinds: Sequence[str]
) -> Governors:
    """Put the settings of all zones into one pool, and find what every other zone needs."""
    zone = np.repeat(np.arange(len(kept)), [own.low.size for own in kept])
    ran = np.concatenate([own.ran for own in kept])
    habit = np.concatenate([own.habit for own in kept])
    minutes, stress = _followers(trial, kept, zone, ran, habit, limit)
    events = ran.sum(axis=1).astype(float)
    water = events.mean(axis=1)[:, None] * minutes * trial.roots.per_minute
    within = (minutes > 0) & (stress <= limit + 1e-9)
    within &= water <= trial.water_cap * (1 + 1e-9)
    days = np.concatenate([own.days for own in kept])
    rows, names = [], []
    for kind in kinds:
        # On demand may start on every day that rules allow; a module leaves any days to the timer.
        able = np.arange(zone.size)
        if kind == "on_demand":
            able = np.flatnonzero((days == trial.schedule.every) & ~habit)
        rows.append(able)
        names += [kind] * able.size
    at = np.concatenate(rows) if rows else np.empty(0, np.int64)
    return Governors(
        kind=tuple(names),
        zone=zone[at],
        low=np.concatenate([own.low for own in kept])[at],
        days=days[at],
        habit=habit[at],
        minutes=minutes[at],
        stress_days=stress[at],
        kept=within[at],
        events=events[at],
        per_minute=trial.roots.per_minute,
        alone=alone,
        limit=limit,
        years=trial.roots.years,
        heal=trial.heal,
    )


def _followers(
    trial: Trial,
    kept: list[_Own],
    zone: NDArray[np.int64],
    ran: NDArray[np.bool_],
    habit: NDArray[np.bool_],
    limit: _Array,
) -> tuple[_Array, _Array]:
    """Return minutes and stress days of every zone under every governor, shapes (G, Z)."""
    roots, overhead = trial.roots, np.array([i in _OVERHEAD for i in trial.irrigation])
    events = ran.sum(axis=1).mean(axis=1)

    def one(z: int, root: RootZone) -> tuple[_Array, _Array]:
        minutes, stress = np.zeros(zone.size), np.full(zone.size, np.nan)
        mine = np.flatnonzero(zone == z)
        minutes[mine], stress[mine] = kept[z].minutes, worst_tenth(kept[z].stress)
        near = (trial.controller[zone] == trial.controller[z]) & (overhead[zone] == overhead[z])
        others = np.flatnonzero(near & (zone != z))
        usual, free = others[habit[others]], others[~habit[others]]
        a_minute = float(roots.per_minute[z])
        if usual.size and trial.today_minutes is not None:
            today = float(trial.today_minutes[z])
            got = worst_tenth(schedule_stress(root, ran[usual], depth=today * a_minute))
            minutes[usual], stress[usual] = today, got
        if free.size:
            most = _most_minutes(trial, z, root, events[free])
            found = least_minutes_following(
                root, ran[free], per_minute=a_minute, most=most, limit=float(limit[z])
            )
            good = found.kept
            minutes[free[good]] = found.minutes[good]
            stress[free[good]] = worst_tenth(found.stress_days[good])
        return minutes, stress

    columns = over_zones(roots, one)
    return np.stack([c[0] for c in columns], axis=1), np.stack([c[1] for c in columns], axis=1)


def _most_minutes(trial: Trial, z: int, root: RootZone, events: _Array) -> NDArray[np.int64]:
    """Return the most minutes of a follower: its own store, and no more water than it may have."""
    a_minute = float(trial.roots.per_minute[z])
    most = np.full(events.shape, float(store_minutes(root, a_minute)))
    cap = trial.water_cap[z]
    if np.isfinite(cap):
        allowed = np.floor(cap / np.maximum(events * a_minute, 1e-12) + 1e-9)
        most = np.minimum(most, allowed)
    return np.asarray(most, dtype=np.int64)


def unreachable(
    trial: Trial, limit: _Array, *, names: Sequence[str], units: UnitsName = "metric"
) -> tuple[str, ...]:
    """Say in numbers why the days allowed cannot keep a zone within the limit.

    Parameters
    ----------
    trial : Trial
        Zones, days and what was asked for.
    limit : ndarray, shape (Z,)
        Stress days allowed after relaxing [d].
    names : sequence of str
        Zone names.
    units : {"metric", "us"}
        How to show depths.

    Returns
    -------
    tuple of str
        One per relaxed zone.
    """
    gap = _longest_gap(trial.schedule.allowed | trial.schedule.timer)
    notes = []
    for z in np.flatnonzero(limit > trial.limits() + 1e-9).tolist():
        root = trial.roots.zone(z)
        # The hottest week of an average run: what a gap in the dry takes out of the ground.
        week = np.lib.stride_tricks.sliding_window_view(root.etc[0], 7, axis=0).mean(axis=-1)
        peak = float(week.max(axis=0).mean())
        notes.append(
            f"zone {names[z]}: with up to {gap} days between watering days its driest quarter "
            f"uses {show(gap * peak, 'depth', units)} in the hottest week's weather "
            f"({show(peak, 'depth', units, decimals=2 if units == 'us' else 1)} a day) and "
            f"holds {show(float(root.raw.mean()), 'depth', units)} before plants are short"
        )
    return tuple(notes)


def _longest_gap(days: NDArray[np.bool_]) -> int:
    """Return the most days from one watering day to the next."""
    longest = 0
    for run in np.unique(days, axis=1).T:
        at = np.flatnonzero(run)
        longest = max(longest, int(np.diff(at).max()) if at.size > 1 else len(run))
    return longest


def relaxed_note(name: str, cap: float, limit: float) -> str:
    """Say that a zone cannot be kept within the limit, with its numbers.

    Parameters
    ----------
    name : str
        Of the zone.
    cap, limit : float
        Stress days asked for, and allowed [d].

    Returns
    -------
    str
        One sentence, and what would help.
    """
    return (
        f"zone {name}: no sensor and no run time keeps it within {cap:g} stress days in the worst "
        f"season out of ten on the days allowed; the least it can have is about "
        f"{limit - _SLACK_DAYS:.1f}, so {limit:.1f} are allowed there. More watering days, or more "
        "even application, would help."
    )
