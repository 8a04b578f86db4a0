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
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from siting.arrays import Flags, Floats, Ints
from siting.season.controls import CONTROLS
from siting.season.events import (
    RootZone,
    Schedule,
    Search,
    event_count,
    least_minutes,
    least_minutes_following,
    schedule_stress,
    sensor_events,
    worst_tenth,
)
from siting.season.scheduling import READING_STEP
from siting.site.settings import Timer
from siting.stages import Keeper
from siting.units import UnitsName, show
from siting.zones.roots import PropertyRoots, at_a_time, over_zones

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
#: Seasonal adjustment is set in steps of this share.
_DIAL_STEP: Final = 0.05
#: Irrigation whose heads water from above; the rest drips. Valves of the two kinds never follow one
#: another: they wet different ground for different times.
_OVERHEAD: Final = frozenset({"spray", "rotor", "rotary_nozzle", "impact"})


def timer_depths(
    timer: Timer | None, valves: Sequence[str], precipitation_rate: Floats
) -> Floats | None:
    """Return the depth of today's event per zone.

    precipitation_rate (Z,): what each valve applies [mm/h]. Returns as given, else run time times
    rate [mm], None without a timer that tells either, shape (Z,).
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

    ran (D, W): days with an event, the same for all zones; depth (Z,): depth of a full event [mm];
    dial (Z, D): seasonal adjustment on each day, 1 at full; stress_days (Z, W): mean over the area
    classes [d].
    """

    ran: Flags
    depth: Floats
    dial: Floats
    stress_days: Floats

    @cached_property
    def water_mm(self) -> Floats:
        """Depth of the season, shape (Z, W) [mm]."""
        return np.asarray(self.depth[:, None] * (self.dial @ self.ran))

    @cached_property
    def worst_stress_days(self) -> Floats:
        """Stress days in the worst season out of ten, shape (Z,) [d]."""
        return worst_tenth(self.stress_days)


def todays_timer(roots: PropertyRoots, depth: Floats, days: Flags) -> Alone:
    """Run today's timer: every scheduled event, whatever the weather.

    depth (Z,): depth of an event [mm]; days (D, W): days on which the timer runs.
    """
    stress = over_zones(
        roots, lambda z, root: schedule_stress(root, days, depth=depth[z])[0], read=False
    )
    return Alone(days, depth, np.ones((roots.count, len(days))), np.stack(stress))


def monthly_dial(roots: PropertyRoots) -> Floats:
    """Return the seasonal adjustment of every zone on each day, shape (Z, D), 1 at full."""
    demand = roots.ground.etc.to_numpy(dtype=float)
    share = demand / np.maximum(demand.max(axis=1, keepdims=True), 1e-9)
    stepped = np.maximum(np.ceil(share / _DIAL_STEP - 1e-9), 1.0) * _DIAL_STEP
    place = np.searchsorted(roots.ground.eto.months, roots.seasons.month)
    return np.asarray(np.minimum(stepped, 1.0)[:, place])


@dataclass(frozen=True)
class Governors:
    """Sensors that could be: a zone and a setting each, G in all.

    kind: word of its control; zone (G,): position of the sensor's zone; low (G,): share of the
    layer's water gone from which an event runs; days (G,): which set of days of the schedule; habit
    (G,): whether today's minutes and days stay as they are; minutes (G, Z): minutes of an event of
    each zone under each, 0 where it cannot follow [min]; stress_days (G, Z): in the worst season
    out of ten, with those minutes, NaN where it cannot follow [d]; kept (G, Z): whether the zone
    then keeps its limit of stress days and of water. Today's minutes and days are simulated whether
    they do or not, since they are what the trade would leave; events (G, W): events of a season;
    per_minute (Z,): what each valve applies in a minute [mm]; alone: what zones without a sensor
    run; limit (Z,): stress days allowed in each zone [d]; years: seasons per scenario; heal:
    whether zones are held to the stress limit, whatever water that takes.
    """

    kind: tuple[str, ...]
    zone: Ints
    low: Floats
    days: Ints
    habit: Flags
    minutes: Floats
    stress_days: Floats
    kept: Flags
    events: Floats
    per_minute: Floats
    alone: Alone
    limit: Floats
    years: int
    heal: bool = False

    @property
    def water_mm(self) -> Floats:
        """Depth of a season of each zone under each, mean over the runs, shape (G, Z) [mm]; inf
        where it cannot follow."""  # noqa: D205, D209
        depth = self.mean_events[:, None] * self.minutes * self.per_minute
        return np.where(self.minutes > 0, depth, np.inf)

    @cached_property
    def mean_events(self) -> Floats:
        """Events of a season of each, mean over the runs, shape (G,)."""
        return np.asarray(self.events.mean(axis=1))

    def water_of(self, governor: Ints, zones: Ints) -> Floats:
        """Return what some zones use, each under its governor, shape of both; as in `water_mm`."""
        minutes = self.minutes[governor, zones]
        depth = self.mean_events[governor] * minutes * self.per_minute[zones]
        return np.where(minutes > 0, depth, np.inf)

    def only(self, at: Ints) -> Governors:
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

    def by_scenario(self, runs: Floats) -> Floats:
        """Return the mean over the years, shape (..., S)."""
        return np.asarray(runs.reshape(*runs.shape[:-1], -1, self.years).mean(axis=-1))


@dataclass(frozen=True)
class Events:
    """Events of N settings, eight days to a byte: of a large site they are what takes most room.

    bits (N, B): whether each day has one; count (N, W): events of a season; shape: days D and runs
    W.
    """

    bits: NDArray[np.uint8]
    count: Ints
    shape: tuple[int, int]

    @classmethod
    def of(cls, ran: Flags) -> Events:
        """Return the events of days (N, D, W)."""
        shape = ran.shape[1], ran.shape[2]
        return cls(np.packbits(ran.reshape(len(ran), -1), axis=1), event_count(ran), shape)

    @classmethod
    def joined(cls, parts: Sequence[Events]) -> Events:
        """Return the events of some settings and then of others."""
        bits, count = (np.concatenate([getattr(p, n) for p in parts]) for n in ("bits", "count"))
        return cls(bits, count, parts[0].shape)

    def only(self, at: Ints) -> Events:
        """Return the events of some settings, in the order given."""
        return Events(self.bits[at], self.count[at], self.shape)

    def days(self, at: Ints) -> Flags:
        """Return the days of some settings with an event, shape (A, D, W)."""
        size = self.shape[0] * self.shape[1]
        days = np.unpackbits(self.bits[at], axis=1, count=size).view(np.bool_)
        return days.reshape(-1, *self.shape)

    @property
    def mean(self) -> Floats:
        """Events of a season, mean over the runs, shape (N,)."""
        return np.asarray(self.count.mean(axis=1))


@dataclass(frozen=True)
class _Own:
    """Settings of one zone: what its own sensor would do."""

    low: Floats
    days: Ints
    habit: Flags
    minutes: Floats
    events: Events
    stress: Floats
    thrifty: Flags

    def only(self, at: Ints) -> _Own:
        return _Own(
            self.low[at], self.days[at], self.habit[at], self.minutes[at], self.events.only(at),
            self.stress[at], self.thrifty[at],
        )  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """What governors are tried on.

    roots: the zones; schedule: days on which the timer runs, and on which watering is allowed;
    today: today's timer, where there is one; today_minutes (Z,): its minutes, where a sensor may
    leave them as they are; controller (Z,): controller of each zone; irrigation: how each zone is
    watered; sensor_error: standard deviation of what is left of a sensor's error [m³/m³]; cap:
    stress days asked for [d]; heal: whether zones are held to the cap, whatever water that takes;
    found: what was found of a zone, which the two aims often share; keep: keeps what is simulated.
    """

    roots: PropertyRoots
    schedule: Schedule
    today: Alone | None
    today_minutes: Floats | None
    controller: Ints
    irrigation: tuple[str, ...]
    sensor_error: float
    cap: float
    heal: bool
    found: dict[object, Any] = field(default_factory=dict, repr=False, compare=False)
    keep: Keeper = field(default_factory=Keeper, repr=False, compare=False)

    def once(self, key: object, find: Callable[[], _T]) -> _T:
        """Return what was found under a key, or find it."""
        if key not in self.found:
            self.found[key] = find()
        return cast("_T", self.found[key])

    @property
    def water_cap(self) -> Floats:
        """Most water of each zone, shape (Z,) [mm]; inf where it may have any."""
        if self.today is None or self.heal:
            return np.full(self.roots.count, np.inf)
        return np.asarray(self.today.water_mm.mean(axis=1))

    def limits(self) -> Floats:
        """Return the stress days asked for in each zone, shape (Z,) [d]."""
        limit = np.full(self.roots.count, self.cap)
        if self.today is None or self.heal:
            return limit
        return np.asarray(np.maximum(limit, self.today.worst_stress_days))


def timer_set_right(trial: Trial, limit: Floats) -> Alone:
    """Set a plain timer right: the least minutes and a monthly adjustment that keep each limit.

    The adjustment of a month is the zone's demand over that of its peak month, up to the next 5 %.

    limit (Z,): stress days allowed in the worst season out of ten [d]. Returns every zone, where no
    run time keeps the limit, with a day more than the least that it can have, which takes far less
    water than the last of it.
    """
    roots, days = trial.roots, trial.schedule.timer
    dial = monthly_dial(roots)

    def one(z: int) -> tuple[float, Floats]:
        root, a_minute = roots.zone(z, read=False), float(roots.per_minute[z])
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

    done = at_a_time(
        roots,
        lambda z: trial.once(("timer", z, float(limit[z])), lambda: one(z)),
        range(roots.count),
    )
    return Alone(days, np.array([depth for depth, _ in done]), dial, np.stack([s for _, s in done]))


def on_their_own(trial: Trial, limit: Floats) -> Alone:
    """Return what zones without a sensor run: today's timer, set right where that is asked.

    limit (Z,): stress days allowed in the worst season out of ten [d].
    """
    if trial.today is not None and not trial.heal and trial.schedule.habit is not None:
        return trial.today
    return timer_set_right(trial, limit)


def governors(
    trial: Trial, *, kinds: Sequence[str], names: Sequence[str]
) -> tuple[Governors, tuple[str, ...]]:
    """Simulate every zone as governor under every setting, and every other zone following it.

    A zone's limit is relaxed only where neither a sensor of its own nor the timer keeps it.

    Returns all kinds in one pool; zones that cannot be kept within the limit, and soils in which no
    sensor tells enough.
    """
    roots = trial.roots
    alone = on_their_own(trial, trial.limits())
    asked = trial.limits()
    tried = over_zones(
        roots, lambda z, root: _own_settings(trial, z, root, float(asked[z])), read=True
    )
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
    relaxed = np.flatnonzero(limit > asked).tolist()

    def again(z: int) -> _Own:
        return _own_settings(trial, z, roots.zone(z), float(limit[z]))

    for z, own in zip(relaxed, at_a_time(roots, again, relaxed), strict=True):
        tried[z] = own
    kept = [_thrifty(trial, z, own, float(limit[z])) for z, own in enumerate(tried)]
    pool = _pooled(trial, kept, alone, limit, kinds)
    notes = tuple(relaxed_note(names[z], trial.cap, limit[z]) for z in relaxed)
    return pool, (*notes, *_dull_soils(trial, names))


def _thresholds(trial: Trial, z: int) -> Floats:
    """Return the thresholds of a zone: whole steps of the reading below field capacity [-]."""
    capacity = float(trial.roots.capacity[z])
    wanted = np.array(_THRESHOLDS) * trial.roots.depletion_fraction[z] * capacity
    least, driest = _step_bounds(trial, z)
    steps = np.clip(np.round(wanted / READING_STEP), min(least, driest), driest)
    return np.unique(steps) * READING_STEP / capacity


def clear_steps(trial: Trial, z: int) -> Floats:
    """Return every threshold that a zone's sensor may be set to.

    Returns whole steps of the reading below field capacity, from the wettest that the sensor is
    sure of to where the layer, which dries ahead of the root zone, is drier than the onset of
    stress [share of the layer's water].
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

    def least() -> tuple[Ints, Events, Floats]:
        search, run = least_minutes(
            root, threshold=start, days=schedule.masks, which=which, per_minute=a_minute, most=most,
            limit=limit,
        )  # fmt: skip
        return search.minutes, Events.of(run.ran), run.stress_days

    found, events, stress = trial.once(("sensor", z, limit), least)
    minutes, habit = found.astype(float), np.zeros(start.shape, dtype=np.bool_)
    cap = trial.water_cap[z] * (1 + 1e-9)
    used = events.mean * minutes * a_minute
    own = _Own(start, which, habit, minutes, events, stress, used <= cap)
    at = schedule.habit
    if trial.today_minutes is None or at is None or trial.today_minutes[z] <= 0:
        return own
    today = float(trial.today_minutes[z])

    def usual() -> tuple[Events, Floats]:
        depth = np.full(low.shape, today * a_minute)
        run = sensor_events(root, depth=depth, threshold=low, days=schedule.sets[at].days)
        return Events.of(run.ran), run.stress_days

    skipped, short = trial.once(("habit", z), usual)
    return _Own(
        np.concatenate([low, own.low]),
        np.concatenate([np.full(low.shape, at), own.days]),
        np.concatenate([np.ones(low.shape, dtype=np.bool_), own.habit]),
        np.concatenate([np.full(low.shape, today), own.minutes]),
        Events.joined([skipped, own.events]),
        np.concatenate([short, own.stress]),
        np.concatenate([np.ones(low.shape, dtype=np.bool_), own.thrifty]),
    )


def store_minutes(root: RootZone, per_minute: float) -> int:
    """Return the most minutes of an event: no deeper than the store it refills.

    What reaches the driest quarter is at most its RAW.

    per_minute: what its valve applies in a minute [mm].
    """
    store = float(np.mean(root.raw)) / float(np.mean(root.application[0]))
    return max(1, int(store / per_minute))


def _thrifty(trial: Trial, z: int, own: _Own, limit: float) -> _Own:
    """Keep the settings that hold the zone within limit and water, the thriftiest of each days."""
    water = own.events.mean * own.minutes * trial.roots.per_minute[z]
    good = own.thrifty & (worst_tenth(own.stress) <= limit + 1e-9)
    kept = list(np.flatnonzero(own.habit))
    for days in np.unique(own.days):
        at = np.flatnonzero(good & ~own.habit & (own.days == days))
        kept += list(at[np.argsort(water[at], kind="stable")][:_KEPT])
    return own.only(np.array(kept, dtype=np.int64))


def _pooled(
    trial: Trial, kept: list[_Own], alone: Alone, limit: Floats, kinds: Sequence[str]
) -> Governors:
    """Put the settings of all zones into one pool, and find what every other zone needs."""
    zone = np.repeat(np.arange(len(kept)), [own.low.size for own in kept])
    ran = Events.joined([own.events for own in kept])
    habit = np.concatenate([own.habit for own in kept])
    minutes, stress = _followers(trial, kept, zone, ran, habit, limit)
    events = ran.count.astype(float)
    water = events.mean(axis=1)[:, None] * minutes * trial.roots.per_minute
    within = (minutes > 0) & (stress <= limit + 1e-9)
    within &= water <= trial.water_cap * (1 + 1e-9)
    days = np.concatenate([own.days for own in kept])
    rows, names = [], []
    for kind in kinds:
        able = CONTROLS[kind].able(days, habit, every=trial.schedule.every)
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
    zone: Ints,
    ran: Events,
    habit: Flags,
    limit: Floats,
) -> tuple[Floats, Floats]:
    """Return minutes and stress days of every zone under every governor, shapes (G, Z)."""
    roots, overhead = trial.roots, np.array([i in _OVERHEAD for i in trial.irrigation])
    events = ran.mean

    def one(z: int, root: RootZone) -> tuple[Floats, Floats]:
        minutes, stress = np.zeros(zone.size), np.full(zone.size, np.nan)
        mine = np.flatnonzero(zone == z)
        minutes[mine], stress[mine] = kept[z].minutes, worst_tenth(kept[z].stress)
        near = (trial.controller[zone] == trial.controller[z]) & (overhead[zone] == overhead[z])
        others = np.flatnonzero(near & (zone != z))
        usual, free = others[habit[others]], others[~habit[others]]
        a_minute = float(roots.per_minute[z])
        if usual.size and trial.today_minutes is not None:
            today = float(trial.today_minutes[z])
            minutes[usual], stress[usual] = (
                today,
                trial.once(
                    ("led by habit", z),
                    lambda: worst_tenth(
                        schedule_stress(root, ran.days(usual), depth=today * a_minute)
                    ),
                ),
            )
        if free.size:
            most = _most_minutes(trial, z, root, events[free])
            found = least_minutes_following(
                root, ran.days(free), per_minute=a_minute, most=most, limit=float(limit[z]),
                only_kept=True,
            )  # fmt: skip
            good = found.kept
            minutes[free[good]] = found.minutes[good]
            stress[free[good]] = worst_tenth(found.stress_days[good])
        return minutes, stress

    columns = over_zones(roots, one, read=False)
    return np.stack([c[0] for c in columns], axis=1), np.stack([c[1] for c in columns], axis=1)


def _most_minutes(trial: Trial, z: int, root: RootZone, events: Floats) -> Ints:
    """Return the most minutes of a follower: its own store, and no more water than it may have."""
    a_minute = float(trial.roots.per_minute[z])
    most = np.full(events.shape, float(store_minutes(root, a_minute)))
    cap = trial.water_cap[z]
    if np.isfinite(cap):
        allowed = np.floor(cap / np.maximum(events * a_minute, 1e-12) + 1e-9)
        most = np.minimum(most, allowed)
    return np.asarray(most, dtype=np.int64)


def unreachable(
    trial: Trial, limit: Floats, *, names: Sequence[str], units: UnitsName = "metric"
) -> tuple[str, ...]:
    """Say in numbers why the days allowed cannot keep a zone within the limit.

    limit (Z,): stress days allowed after relaxing [d]; units {"metric", "us"}: how to show depths.
    Returns one per relaxed zone.
    """
    gap = _longest_gap(trial.schedule.allowed | trial.schedule.timer)
    notes = []
    for z in np.flatnonzero(limit > trial.limits() + 1e-9).tolist():
        root = trial.roots.zone(z, read=False)
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


def _longest_gap(days: Flags) -> int:
    """Return the most days from one watering day to the next."""
    longest = 0
    for run in np.unique(days, axis=1).T:
        at = np.flatnonzero(run)
        longest = max(longest, int(np.diff(at).max()) if at.size > 1 else len(run))
    return longest


def relaxed_note(name: str, cap: float, limit: float) -> str:
    """Say that a zone cannot be kept within the limit, with its numbers.

    cap, limit: stress days asked for, and allowed [d]. Returns one sentence, and what would help.
    """
    return (
        f"zone {name}: no sensor and no run time keeps it within {cap:g} stress days in the worst "
        f"season out of ten on the days allowed; the least it can have is about "
        f"{limit - _SLACK_DAYS:.1f}, so {limit:.1f} are allowed there. More watering days, or more "
        "even application, would help."
    )
