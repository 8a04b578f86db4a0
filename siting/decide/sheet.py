"""The sheet that is handed over: its minutes set, and played through every run.

Which sensors are chosen rests on differences that a few dozen scenarios tell. Their minutes rest on
the worst tenth of the runs, which is six scenarios of 64, so they are set on four times as many, or
on eight where scenarios differ so much that the saving would not be known well enough.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from siting.arrays import Flags, Floats, Ints
from siting.decide.choice import Grouping
from siting.decide.choose import Choice
from siting.decide.governors import (
    Alone,
    Trial,
    clear_steps,
    on_their_own,
    relaxed_note,
    store_minutes,
)
from siting.season.events import (
    Schedule,
    Watering,
    event_count,
    least_minutes,
    least_minutes_following,
    schedule_stress,
    sensor_events,
    worst_tenth,
)
from siting.stages import Keeper
from siting.zones.roots import PropertyRoots, at_a_time

#: Scenarios that the sheet is set on and played through, over those that sensors are chosen on.
_TIMES: Final = 4
#: The same where the saving would be less sure than this share of it. Whole minutes and thresholds
#: that fall one step to either side average out over zones as scenarios do.
_MORE_TIMES: Final = 8
_SURE: Final = 0.015
_EPS: Final = 1e-9


@dataclass(frozen=True)
class Sheet:
    """What a crew sets: a threshold for each sensor, days for its program, minutes for each valve.

    Parameters
    ----------
    sensors : tuple of int
        Chosen candidates of the decision's pool.
    kind : dict of int to str
        Candidate -> word of its kind of control.
    home : dict of int to int
        Candidate -> zone of the sensor.
    low : dict of int to float
        Candidate -> share of the layer's water gone from which an event runs.
    days : dict of int to int
        Candidate -> set of days of the schedule.
    governor : ndarray of int, shape (Z,)
        Candidate that governs each zone; -1 for one that keeps a programme of its own.
    event_mm : ndarray, shape (Z,)
        Depth of an event of each zone that a sensor governs [mm].
    alone : Alone
        What zones without a sensor run.
    limit : ndarray, shape (Z,)
        Stress days allowed in each zone [d].
    hardware : dict of str to str
        Controller -> what it is fitted with.
    """

    sensors: tuple[int, ...]
    kind: dict[int, str]
    home: dict[int, int]
    low: dict[int, float]
    days: dict[int, int]
    governor: Ints
    event_mm: Floats
    alone: Alone
    limit: Floats
    hardware: dict[str, str]


def sheet_draws(count: int, spread: float, *, zones: int) -> int:
    """Return the number of scenarios of the sheet.

    Parameters
    ----------
    count : int
        Scenarios that sensors are chosen on; the first is the property as described.
    spread : float
        Standard deviation over scenarios of what the choice saves, over its mean [-].
    zones : int
        Zones of the property, at least 1.

    Returns
    -------
    int
        Four times as many; eight where that would leave the saving too unsure; 1 where there is but
        the property as described.
    """
    if count == 1:
        return count
    error = spread / np.sqrt(_TIMES * count * zones)
    return (_MORE_TIMES if error > _SURE else _TIMES) * count


def as_decided(grouping: Grouping, choice: Choice, alone: Alone, limit: Floats) -> Sheet:
    """Return a choice as a sheet, with the thresholds and minutes that it was chosen with.

    limit (Z,): stress days allowed in each zone [d].
    """
    pool, governor = grouping.governors, grouping.options.follows(choice)
    every = np.arange(len(governor))
    event = np.where(governor >= 0, pool.minutes[governor, every] * pool.per_minute, 0.0)
    return Sheet(
        sensors=choice.sensors,
        kind={j: pool.kind[j] for j in choice.sensors},
        home={j: int(pool.zone[j]) for j in choice.sensors},
        low={j: float(pool.low[j]) for j in choice.sensors},
        days={j: int(pool.days[j]) for j in choice.sensors},
        governor=governor,
        event_mm=event,
        alone=alone,
        limit=limit,
        hardware=grouping.options.hardware(choice),
    )


class _Program(NamedTuple):
    """A sensor's program as set, and what it does.

    sheet: with it in place; ran (D, W): its events; stress_days: by zone that it governs, (W,) [d].
    """

    sheet: Sheet
    ran: Flags
    stress_days: dict[int, Floats]


def set_sheet(
    trial: Trial, grouping: Grouping, asked: Floats, *, alone: Alone | None = None
) -> tuple[Sheet, Watering]:
    """Set thresholds and minutes of the chosen sensors on more draws; and what they then do.

    Homes, groups and days stay. For each threshold that the display can show the least whole
    minutes are found again, and the thriftiest is taken; a follower whose own programme is
    thriftier, or that cannot follow within its limit, keeps that.

    asked (Z,): stress days that each zone was asked to keep when it was made: as many more as were
    allowed then still are [d].
    """
    pool = grouping.governors
    trial = replace(trial, heal=pool.heal)
    limit = trial.limits()
    # What was allowed beyond, not the days themselves: these are better known from more draws.
    given_way = pool.limit > asked + _EPS
    limit[given_way] += (pool.limit - asked)[given_way]
    if alone is None:
        alone = on_their_own(trial, limit)
    sheet = as_decided(grouping, grouping.choice, alone, limit)

    def one(j: int) -> _Program:
        return _set_program(
            trial, sheet, j, usual=bool(pool.habit[j]), area_m2=grouping.options.area_m2
        )

    programs = at_a_time(trial.roots, one, sheet.sensors)
    sheet = _joined(sheet, [program.sheet for program in programs])
    own = sheet.governor < 0
    limit = np.where(own, np.maximum(sheet.limit, alone.worst_stress_days), sheet.limit)
    sheet, stress = replace(sheet, limit=limit), alone.stress_days.copy()
    for program in programs:
        for z, days in program.stress_days.items():
            stress[z] = days
    return sheet, Watering(*_laid_out(sheet, [program.ran for program in programs]), stress)


def _laid_out(sheet: Sheet, events: Sequence[Flags], *, rate: float = 1.0) -> tuple[Flags, Floats]:
    """Return the events and depths of every zone, as of `Watering`, of those of every sensor."""
    alone = sheet.alone
    ran = np.empty((len(sheet.governor), *alone.ran.shape), dtype=np.bool_)
    ran[:] = alone.ran
    depth = rate * alone.depth[:, None] * alone.dial
    for j, days in zip(sheet.sensors, events, strict=True):
        group = sheet.governor == j
        ran[group], depth[group] = days, (rate * sheet.event_mm)[group, None]
    return ran, depth


def _joined(sheet: Sheet, programs: Sequence[Sheet]) -> Sheet:
    """Return a sheet with every sensor's program as set by itself; one per sensor, in their order.

    Of a sheet, setting a program changes what is the sensor's own and that of its zones.
    """
    low, limit = dict(sheet.low), sheet.limit.copy()
    governor, event = sheet.governor.copy(), sheet.event_mm.copy()
    for j, program in zip(sheet.sensors, programs, strict=True):
        low[j], group = program.low[j], sheet.governor == j
        for whole, part in (
            (limit, program.limit), (governor, program.governor), (event, program.event_mm)
        ):  # fmt: skip
            whole[group] = part[group]
    return replace(sheet, low=low, limit=limit, governor=governor, event_mm=event)


def loosened(sheet: Sheet, grouping: Grouping, *, cap: float) -> tuple[str, ...]:
    """Say where more draws found that a zone cannot be kept within the limit it was chosen with.

    cap: stress days asked for [d].
    """
    names = [str(zone) for zone in grouping.options.zones.index]
    held = grouping.governors.heal & (grouping.governors.limit <= cap + _EPS)
    return tuple(
        relaxed_note(names[int(z)], cap, float(sheet.limit[z]))
        for z in np.flatnonzero(held & (sheet.limit > cap + _EPS))
    )


def set_again(trial: Trial, sheet: Sheet, usual: Collection[int], area_m2: Floats) -> Sheet:
    """Set thresholds and minutes of a printed sheet anew, on what a trial draws.

    usual: sensors that leave today's minutes as they are; area_m2 (Z,): area of the zones [m²].
    Sensors, the zones that they govern and zones with a programme of their own stay as they are.
    """

    def one(j: int) -> Sheet:
        fresh = _set_program(trial, sheet, j, usual=j in usual, area_m2=area_m2).sheet
        return fresh if np.array_equal(fresh.governor, sheet.governor) else sheet

    return _joined(sheet, at_a_time(trial.roots, one, sheet.sensors))


def _set_program(trial: Trial, sheet: Sheet, j: int, *, usual: bool, area_m2: Floats) -> _Program:
    """Set one sensor's threshold, and the minutes of the zones that it governs.

    usual: whether it leaves today's minutes as they are.
    """
    roots, home = trial.roots, sheet.home[j]
    root, limit = roots.zone(home), sheet.limit.copy()
    days, low = trial.schedule.sets[sheet.days[j]].days, clear_steps(trial, home)
    a_minute = roots.per_minute
    if usual and trial.today_minutes is not None:
        minutes = np.full(low.shape, trial.today_minutes[home])
        depth = minutes * a_minute[home]
        ran, stress = sensor_events(root, depth=depth, threshold=low, days=days)
    else:
        search, (ran, stress) = least_minutes(
            root, threshold=low, days=days[None], which=np.zeros(low.shape, np.int64),
            per_minute=float(a_minute[home]), limit=float(limit[home]),
            most=np.full(low.shape, store_minutes(root, float(a_minute[home]))),
        )  # fmt: skip
        minutes = search.minutes.astype(float)
    days_short, events = worst_tenth(stress), event_count(ran).mean(axis=1)
    used = events * minutes * a_minute[home]
    good = (days_short <= limit[home] + _EPS) & (used <= trial.water_cap[home] * (1 + _EPS))
    at = np.flatnonzero(good)
    if not at.size:  # more draws found a worse season: the driest that the zone must have
        at = np.array([int(np.lexsort((days_short, used > trial.water_cap[home] + _EPS))[0])])
        limit[home] = days_short[at[0]]
    group = [int(z) for z in np.flatnonzero(sheet.governor == j) if z != home]
    follow = {z: _follow(trial, z, ran[at], usual, limit[z]) for z in group}
    alone_mm = sheet.alone.water_mm.mean(axis=1)
    led = [area_m2[z] * np.minimum(events[at] * follow[z][0], alone_mm[z]) for z in group]
    total = np.sum([area_m2[home] * used[at], *led], axis=0)
    best = int(np.argmin(total))
    governor, event = sheet.governor.copy(), sheet.event_mm.copy()
    event[home], fared = minutes[at[best]] * a_minute[home], {home: stress[at[best]].copy()}
    for z, (depth, short) in follow.items():
        leads = events[at[best]] * depth[best] <= alone_mm[z]
        governor[z], event[z] = (j, depth[best]) if leads else (-1, 0.0)
        fared |= {z: short[best].copy()} if leads else {}
    low_now = sheet.low | {j: float(low[at[best]])}
    sheet = replace(sheet, low=low_now, governor=governor, event_mm=event, limit=limit)
    return _Program(sheet, ran[at[best]].copy(), fared)


def _follow(trial: Trial, z: int, ran: Flags, habit: bool, limit: float) -> tuple[Floats, Floats]:
    """Return the depth of a follower's event under each governor, inf where none will do [mm], and
    its stress days then, shape (G, W)."""  # noqa: D205, D209
    root, a_minute = trial.roots.zone(z, read=False), float(trial.roots.per_minute[z])
    if habit and trial.today_minutes is not None:
        usual = float(trial.today_minutes[z]) * a_minute
        stress = schedule_stress(root, ran, depth=usual)
        return np.where(worst_tenth(stress) <= limit + _EPS, usual, np.inf), stress
    most = np.full(len(ran), store_minutes(root, a_minute))
    found = least_minutes_following(
        root, ran, per_minute=a_minute, most=most, limit=limit, only_kept=True
    )
    depth = found.minutes * a_minute
    used = event_count(ran).mean(axis=1) * depth
    good = found.kept & (used <= trial.water_cap[z] * (1 + _EPS))
    return np.where(good, depth, np.inf), found.stress_days


def on_sheet(keep: Keeper, sheet: Sheet) -> Keeper:
    """Return a keeper of what rests on a sheet besides."""
    printed = sheet.sensors, sheet.kind, sheet.home, sheet.low, sheet.days, sheet.governor
    alone = sheet.alone
    return keep.on(printed, sheet.event_mm, alone.depth, alone.dial, alone.ran, sheet.limit)


def play_sheet(
    roots: PropertyRoots, schedule: Schedule, sheet: Sheet, *, rate: float = 1.0
) -> Watering:
    """Play what is handed over, and nothing else, through every season and scenario.

    Each sensor lets an event run on its days when it reads drier than its threshold; its zones then
    run for their whole minutes. Zones without a sensor run their own programme.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    schedule : Schedule
        The sets of days.
    sheet : Sheet
        Sensors, thresholds, days and minutes.
    rate : float
        What a minute brings over what was assumed.

    Returns
    -------
    Watering
        Of every zone.
    """

    def lead(j: int) -> tuple[Flags, Floats]:
        home, mask = sheet.home[j], schedule.sets[sheet.days[j]].days
        event = rate * sheet.event_mm[home]
        run = sensor_events(roots.zone(home), depth=[event], threshold=[sheet.low[j]], days=mask)
        return run.ran[0], run.stress_days[0]

    led = at_a_time(roots, lead, sheet.sensors)
    ran, depth = _laid_out(sheet, [days for days, _ in led], rate=rate)
    known = {sheet.home[j]: stress for j, (_, stress) in zip(sheet.sensors, led, strict=True)}

    def fared(z: int) -> Floats:
        if z in known:
            return known[z]
        whole = float(depth[z].max())
        dial = depth[z] / whole if whole > 0 else depth[z]
        root = roots.zone(z, read=False)
        return np.asarray(schedule_stress(root, ran[z], depth=whole, dial=dial)[0])

    return Watering(ran, depth, np.stack(at_a_time(roots, fared, range(roots.count))))


@dataclass(frozen=True)
class Simulated:
    """The printed sheet and today's timer over every run.

    Parameters
    ----------
    plan : Watering
        The sheet as printed, one row per zone.
    timer : Watering or None
        The same under today's timer.
    set_right : Watering
        The same under a timer whose minutes and monthly adjustment are set right, without a sensor.
    days : ndarray of bool, shape (D, W)
        Today's watering days.
    area_m2 : ndarray, shape (Z,)
        Area of the zones.
    years : int
        Seasons per scenario; runs are scenario by scenario.
    months : ndarray of int, shape (D,)
        Month of each day of the season.
    """

    plan: Watering
    timer: Watering | None
    set_right: Watering
    days: Flags
    area_m2: Floats
    years: int
    months: Ints

    def monthly(self, watering: Watering) -> Floats:
        """Return the property's water by month and run.

        Parameters
        ----------
        watering : Watering
            One row per zone.

        Returns
        -------
        ndarray, shape (M, W)
            Months of the season in rising order [m³].
        """
        parts = (watering.within(self.months == month) for month in np.unique(self.months))
        return np.stack([self.area_m2 @ part / 1000 for part in parts])

    def volume(self, watering: Watering) -> Floats:
        """Return water per zone and run.

        Parameters
        ----------
        watering : Watering
            One row per zone.

        Returns
        -------
        ndarray, shape (Z, W)
            Water of the season [m³].
        """
        volume: Floats = watering.water_mm * self.area_m2[:, None] / 1000
        return volume

    def by_year(self, runs: Floats) -> Floats:
        """Reshape runs to scenarios and years.

        Parameters
        ----------
        runs : ndarray, shape (..., W)
            A value per run.

        Returns
        -------
        ndarray, shape (..., S, Y)
            The same values.
        """
        return runs.reshape(*runs.shape[:-1], -1, self.years)
