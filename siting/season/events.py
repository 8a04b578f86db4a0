"""One zone through many seasons: a schedule, a rain shut-off, or a sensor that decides.

A sensor of either kind does one thing: on a day on which an event may run it reads its layer before
the event, and the whole event runs when the reading is drier than the threshold. A *bypass* module
interrupts the events of a timer's program; an *on-demand* timer may start on every day that local
rules allow. Both water for the minutes that stand on the sheet. What the device reads is its own
layer of the driest quarter, wrong by its own error (`RootZone.reading_error`); nobody tells it what
the rest of the root zone holds.

A zone is cut into area classes of equal size, the driest first. Depths are zone means [mm]; a class
receives the depth times its `application`. Every season starts at field capacity. A *stress day* of
a class is a day that ends with a depletion beyond RAW; the zone's stress days are the mean over its
classes, so that five days in a quarter of a lawn count a quarter of five days everywhere. Over many
runs they are given twice: as the mean, and as the mean of the worst tenth of the runs
(`worst_tenth`), "in the worst season out of ten", which settles as runs are added, where a maximum
grows with them.

The loops run in single precision: a depletion of 60 mm is known to 0.000004 mm then, of a soil that
is known to a few millimetres, and a season of many runs takes half the memory and less than half
the time. What they return are counts, of events and of days.

Axes: Q area classes, D days, W runs (years x scenarios, side by side), G sensors or schedules, K
sets of days.

References
----------
The mean of the worst share as a limit while cost is minimised: Yamout, Hatfield, Romeijn (2007),
Water Resources Research 43 (conditional value at risk in water allocation; abstract read); its
sample mean converges exponentially: Brown (2007), Operations Research Letters 35, 722 (abstract
read). That days are counted, and how many are too many, has no published source for landscapes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.arrays import Flags, Floats, Ints, Singles
from siting.compiled import compiled_of_numbers, of_numbers_within
from siting.errors import Fault, InputError
from siting.site.settings import WEEKDAYS, Control, Timer
from siting.water.balance import root_share


def weekdays(dates: NDArray[np.datetime64], allowed: Sequence[int] | None) -> Flags:
    """Tell the days that fall on some weekdays.

    dates (D, Y): the days of each season; allowed: weekdays, Monday is 0, None means every day.
    Result: true where the day is one of them, shape (D, Y).
    """
    if allowed is None:
        return np.ones(dates.shape, dtype=np.bool_)
    # 1970-01-01 was a Thursday.
    number = (dates.astype("datetime64[D]").astype(np.int64) + 3) % 7
    return np.asarray(np.isin(number, list(allowed)))


def rain_shutoff(rain: Floats, days: Flags, *, threshold_mm: float, window_days: int) -> Flags:
    """Return the scheduled days that a rain shut-off lets through.

    A whole event is skipped when at least the threshold fell over the days before it; what falls
    later on the day of the event comes too late. Settings of 3 to 25 mm and one to three days are
    common practice, without a published source.

    Parameters
    ----------
    rain : ndarray, shape (D, W)
        Rain as it falls [mm].
    days : ndarray of bool, shape (D, W)
        The schedule.
    threshold_mm : float
        Least rain that shuts off [mm].
    window_days : int
        Days before the event that count, at least 1 [d].

    Returns
    -------
    ndarray of bool, shape (D, W)
        The events that run.

    Examples
    --------
    >>> rain = np.array([[0.0], [8.0], [0.0], [0.0], [0.0]])
    >>> rain_shutoff(rain, np.ones((5, 1), bool), threshold_mm=6, window_days=2)[:, 0].astype(int)
    array([1, 1, 0, 0, 1])
    """
    total = np.zeros_like(rain)
    for back in range(1, min(window_days, len(rain) - 1) + 1):
        total[back:] += rain[:-back]
    return days & (total < threshold_mm)


#: Numbers of the loops: among others of single precision a plain one would make all double.
_NONE: Final = np.float32(0.0)
_WHOLE: Final = np.float32(1.0)
#: Divided by instead of nothing.
_LEAST: Final = np.float32(1e-30)


class Weather(NamedTuple):
    """Demand (Q, D, W), rain (D, W) [mm] and error of the reading (D, W) [share of the layer]."""

    etc: Singles
    rain: Singles
    error: Singles


class Soil(NamedTuple):
    """TAW, the depletion beyond which a day is a stress day [mm], the slope of stress [1/mm], each
    (W,), and application over the zone mean, (Q, W)."""  # noqa: D209, D205

    taw: Singles
    limit: Singles
    slope: Singles
    application: Singles


class Layer(NamedTuple):
    """Of the sensor's layer, each (W,): what it and the rest hold [mm], their shares of the roots
    [-], the slopes of their uptake [1/mm], and what its whole range of reading stands for [mm]."""  # noqa: D209, D205

    held: Singles
    below: Singles
    reach: Singles
    rest: Singles
    upper_slope: Singles
    rest_slope: Singles
    span: Singles


class Enough(NamedTuple):
    """When a trial has failed, so that the rest of its seasons need not be run: once so many worst
    `runs` have more than `most` stress days together. No trial is given up where `runs` is 0.
    """  # noqa: D205

    runs: int
    most: float


#: Every trial is run to its end.
WHOLE: Final = Enough(0, 0.0)
#: Days between two looks at whether a trial has failed already.
_LOOK_DAYS = 35


@of_numbers_within
def _failed(stress: Floats, short: Singles, classes: int, enough: Enough, tally: Ints) -> bool:
    """Tell whether the worst runs have too many stress days already, which never become fewer.

    stress (W,): days of the classes before; short (W,): days of this class so far, each counted as
    one; tally: room for counts, all 0 before and after.
    """
    top = 0
    for w in range(stress.size):
        k = int(stress[w] * classes + short[w] + 0.5)
        tally[k] += 1
        top = max(top, k)
    left, total, k = enough.runs, 0, top
    while left > 0 and k > 0:
        take = min(tally[k], left)
        total += take * k
        left -= take
        k -= 1
    for k in range(top + 1):
        tally[k] = 0
    # A hair beyond, so that rounding never gives up what the limit itself would let pass.
    return bool(total > enough.most * classes * (1.0 + 1e-9) + 1e-6)


@of_numbers_within
def _advance_class(
    etc: Singles,
    rain: Singles,
    soil: Soil,
    q: int,
    ran: Flags,
    event: Singles,
    span: tuple[int, int],
    state: tuple[Singles, Singles],
) -> None:
    """Put one area class through some days: events where `ran`, each of the day's depth.

    state: depletion and number of stress days so far, each (W,).

    Two short loops a day, few arrays in each: so the compiler can run several cells at once.
    """
    runs, (dry, short) = rain.shape[1], state
    taw, limit, slope, received = soil.taw, soil.limit, soil.slope, soil.application[q]
    for d in range(span[0], span[1]):
        depth, wants, falls, runs_now = event[d], etc[d], rain[d], ran[d]
        for w in range(runs):
            now = dry[w]
            water = depth * received[w] * np.float32(runs_now[w]) + falls[w]
            now = now + min((taw[w] - now) * slope[w], _WHOLE) * wants[w] - water
            dry[w] = min(max(now, _NONE), taw[w])
        for w in range(runs):
            short[w] += np.float32(dry[w] > limit[w])


@compiled_of_numbers
def run_schedules(
    weather: Weather,
    soil: Soil,
    first: int,
    ran: Flags,
    event: Floats,
    depth: Floats,
    stress: Floats,
    enough: Enough,
) -> None:
    """Put the area classes from one on under given events.

    ran (G, D, W): days with an event; event (D,): seasonal adjustment, 1 at full; depth (G,): depth
    of a full event [mm, zone mean]; stress (G, W): stress days of the classes before, to which
    those of the others are added: the mean over all classes, inf where a trial was given up, now
    or before.
    """
    days, runs = weather.rain.shape
    classes = soil.application.shape[0]
    share = 1.0 / classes
    tally = np.zeros(classes * days + 2, np.int64)
    stride = _LOOK_DAYS if enough.runs else days
    dry, short = np.empty(runs, np.float32), np.empty(runs, np.float32)
    full = np.empty(days, np.float32)
    for g in range(depth.shape[0]):
        failed = stress[g, 0] == np.inf
        for d in range(days):
            full[d] = event[d] * depth[g]
        for q in range(first, classes):
            for w in range(runs):
                dry[w], short[w] = _NONE, _NONE
            for d in range(0, days, stride):
                if failed:
                    break
                span, state = (d, min(d + stride, days)), (dry, short)
                _advance_class(weather.etc[q], weather.rain, soil, q, ran[g], full, span, state)
                failed = enough.runs and _failed(stress[g], short, classes, enough, tally)
            for w in range(runs):
                stress[g, w] = np.inf if failed else stress[g, w] + share * short[w]


@compiled_of_numbers
def run_sensors(
    weather: Weather,
    soil: Soil,
    layer: Layer,
    allowed: Flags,
    rule: tuple[Ints, Floats, Floats],
    ran: Flags,
    stress: Floats,
    enough: Enough,
) -> None:
    """Run sensors in the zone's driest class.

    allowed (K, D, W): sets of days on which an event may run; rule (G,): which set of days, share
    of the layer's range of reading from which an event runs, its depth [mm, zone mean]; ran (G, D,
    W): filled with the days with an event; stress (G, W): filled with the class' share of stress
    days, with inf where a trial was given up, whose days are then not all filled.
    """
    which, start, depth = rule
    days, runs = weather.rain.shape
    classes = soil.application.shape[0]
    share = 1.0 / classes
    none = np.zeros(runs)
    taw, limit, slope, received = soil.taw, soil.limit, soil.slope, soil.application[0]
    held, below, reach, rest, upper_slope, rest_slope, span = layer
    error = weather.error
    least, water, dry, wet, short = [np.empty(runs, np.float32) for _ in range(5)]
    tally = np.zeros(classes * days + 2, np.int64)
    for g in range(depth.shape[0]):
        full, opens = np.float32(depth[g]), np.float32(start[g])
        for w in range(runs):
            least[w], dry[w], wet[w], short[w] = opens * span[w], _NONE, _NONE, _NONE
        may, failed = allowed[which[g]], False
        for d in range(days):
            wants, falls, wrong, ran_now = weather.etc[0, d], weather.rain[d], error[d], ran[g, d]
            for w in range(runs):
                ran_now[w] = (wet[w] + wrong[w] * span[w] >= least[w]) & may[d, w]
            for w in range(runs):
                water[w] = full * received[w] * np.float32(ran_now[w]) + falls[w]
            for w in range(runs):
                now = dry[w]
                upper = reach[w] - wet[w] * upper_slope[w]
                other = rest[w] - (now - wet[w]) * rest_slope[w]
                taken = min((taw[w] - now) * slope[w], _WHOLE) * wants[w]
                now = min(max(now + taken - water[w], _NONE), taw[w])
                dry[w] = now
                upper = wet[w] + upper / max(other + upper, _LEAST) * taken - water[w]
                wet[w] = max(min(upper, held[w], now), now - below[w], _NONE)
            for w in range(runs):
                short[w] += np.float32(dry[w] > limit[w])
            if enough.runs and (d % _LOOK_DAYS == _LOOK_DAYS - 1 or d == days - 1):
                failed = _failed(none, short, classes, enough, tally)
                if failed:
                    break
        for w in range(runs):  # not as a whole, whose error message would be compiled too
            stress[g, w] = np.inf if failed else share * short[w]


#: Share of the runs that make "the worst season out of ten".
WORST_SHARE: Final = 0.1
#: Depletion beyond RAW by less than this is rounding, not stress [mm].
_TOLERANCE_MM: Final = 1e-4


def worst_tenth(days: Floats) -> Floats:
    """Return the mean of the worst tenth of the runs: "in the worst season out of ten".

    Parameters
    ----------
    days : ndarray, shape (..., W)
        Stress days of every run [d].

    Returns
    -------
    ndarray, shape (...)
        Mean of the ``W / 10`` greatest, rounded up to whole runs [d].

    Examples
    --------
    >>> float(worst_tenth(np.arange(20.0)))
    18.5
    """
    count = _worst_count(days.shape[-1])
    cut = np.partition(days, days.shape[-1] - count, axis=-1)[..., days.shape[-1] - count :]
    return np.asarray(np.add.reduce(np.sort(cut, axis=-1), axis=-1) / count)


def event_count(ran: Flags) -> Ints:
    """Return the number of events of a season.

    Parameters
    ----------
    ran : ndarray of bool, shape (..., D, W)
        Days with an event.

    Returns
    -------
    ndarray of int, shape (..., W)
        Summed in short numbers, of as many days at a time as they hold: a tenth of the time.

    Examples
    --------
    >>> event_count(np.array([[True, False], [True, True]])).tolist()
    [2, 1]
    """
    days = np.ascontiguousarray(ran).view(np.uint8)
    parts = np.split(days, range(255, ran.shape[-2], 255), axis=-2)
    counts = [np.add.reduce(part, axis=-2, dtype=np.uint8).astype(np.int64) for part in parts]
    return np.asarray(sum(counts))


def timer_days(dates: NDArray[np.datetime64], timer: Timer | None) -> Flags:
    """Return the days on which a timer starts an event.

    Parameters
    ----------
    dates : ndarray of datetime64, shape (D, Y)
        The days of each season.
    timer : Timer or None
        Weekdays, or every n days from the first day of the season; None means that every day may
        be used.

    Returns
    -------
    ndarray of bool, shape (D, Y)
        True on a day with an event.

    Raises
    ------
    InputError
        When the timer has neither weekdays nor an interval of at least one day.

    Examples
    --------
    >>> week = np.arange("2023-05-01", "2023-05-08", dtype="datetime64[D]")[:, None]
    >>> timer_days(week, Timer(days=(0, 3)))[:, 0].astype(int)
    array([1, 0, 0, 1, 0, 0, 0])
    """
    if timer is None:
        return np.ones(dates.shape, dtype=np.bool_)
    number = dates.astype("datetime64[D]").astype(np.int64)
    if timer.days:
        # 1970-01-01 was a Thursday; Monday is 0.
        weekday: Flags = np.isin((number + 3) % 7, timer.days)
        return weekday
    if timer.every_n_days is not None and timer.every_n_days >= 1:
        turn: Flags = (number - number[:1]) % timer.every_n_days == 0
        return turn
    fault = Fault(
        "timer",
        f"days {timer.days}, every_n_days {timer.every_n_days}",
        "weekdays, or an interval of at least 1 day",
        "Give one of the two.",
    )
    raise InputError([fault])


#: Days a week that a program may be given, beside today's days and every day that rules allow.
_A_WEEK: Final = (3, 2, 1)


@dataclass(frozen=True)
class DaySet:
    """Days on which a program may start.

    words: as a crew sets them: "Mon, Thu", "every 2 days", "every day"; days (D, W): True on a day
    on which an event may run; today: whether these are the days of today's timer.
    """

    words: str
    days: Flags
    today: bool = False


@dataclass(frozen=True)
class Schedule:
    """Days of every run on which something may happen.

    Parameters
    ----------
    today : ndarray of bool, shape (D, W)
        Days on which today's timer runs.
    sets : tuple of DaySet, length K
        What a program may be set to: today's days where rules allow them all, every day that rules
        allow, and some days a week.
    every : int
        Position of the set with every day that rules allow.
    warnings : tuple of str
        Where rules changed the timer's days.
    """

    today: Flags
    sets: tuple[DaySet, ...]
    every: int = 0
    warnings: tuple[str, ...] = ()

    @property
    def allowed(self) -> Flags:
        """Days on which local rules allow watering, shape (D, W)."""
        return self.sets[self.every].days

    @property
    def timer(self) -> Flags:
        """Days of a plain timer: today's where rules allow them all, else every allowed day."""
        return self.sets[0].days

    @property
    def masks(self) -> Flags:
        """The days of every set, shape (K, D, W)."""
        return np.stack([each.days for each in self.sets])

    @property
    def habit(self) -> int | None:
        """Position of the set with today's days; None where rules do not allow them all."""
        return next((k for k, each in enumerate(self.sets) if each.today), None)


def watering_days(
    dates: NDArray[np.datetime64], timer: Timer | None, control: Control, *, scenarios: int
) -> Schedule:
    """Return on which days today's timer waters, and what a program may be set to.

    Parameters
    ----------
    dates : ndarray of datetime64, shape (D, Y)
        The days of each season.
    timer : Timer or None
        What runs today.
    control : Control
        Local rules.
    scenarios : int
        Runs are scenario by scenario, years within.

    Returns
    -------
    Schedule
        For every run.
    """
    today, allowed = timer_days(dates, timer), weekdays(dates, control.allowed_days)
    open_days = range(7) if control.allowed_days is None else control.allowed_days
    may = [day for day in range(7) if day in open_days]
    sets, notes = [], []
    if timer is not None and not bool((today & ~allowed).any()):
        sets.append(DaySet(_timer_words(timer), today, today=True))
    elif timer is not None:
        lost = float((today & ~allowed).sum(axis=0).mean())
        notes = [
            f"today's timer runs on {lost:.0f} days a season on which local rules do not allow "
            f"watering; the plan's timer runs on {_named(may)} only"
        ]
    sets.append(DaySet("every day" if len(may) == 7 else _named(may), allowed))  # noqa: PLR2004
    for count in _A_WEEK:
        if count < len(may):
            some = [may[i * len(may) // count] for i in range(count)]
            sets.append(DaySet(_named(some), weekdays(dates, some)))
    kept = [
        s for k, s in enumerate(sets) if not any(np.array_equal(s.days, o.days) for o in sets[:k])
    ]
    every = next(k for k, s in enumerate(kept) if np.array_equal(s.days, allowed))
    tiled = tuple(
        DaySet(each.words, np.tile(each.days, (1, scenarios)), each.today) for each in kept
    )
    return Schedule(np.tile(today, (1, scenarios)), tiled, every, tuple(notes))


def _named(days: list[int]) -> str:
    """Name weekdays in short: "Mon, Thu"."""
    return ", ".join(WEEKDAYS[day].capitalize()[:3] for day in days)


def _timer_words(timer: Timer) -> str:
    """Say on which days a timer runs."""
    if timer.days:
        return "every day" if len(timer.days) == 7 else _named(sorted(timer.days))  # noqa: PLR2004
    count = timer.every_n_days or 1
    return "every day" if count == 1 else f"every {count} days"


@dataclass(frozen=True)
class RootZone:
    """One zone, for every day and run.

    Parameters
    ----------
    etc : ndarray, shape (Q, D, W)
        Demand of each area class, unstressed, the driest class first [mm/d].
    rain : ndarray, shape (D, W)
        Rain that enters the soil [mm].
    taw, raw : ndarray, shape (W,)
        Total and readily available water, 0 < RAW < TAW [mm].
    application : ndarray, shape (Q, W)
        What each class receives over the zone's mean depth, above 0.
    sensor_share : float
        Upper layer that a sensor here reads, over the root zone, above 0, at most 1 (see
        `siting.water.balance`).
    reading_error : ndarray, shape (D, W), optional
        What a sensor here reads too dry, as a share of its range; without it every reading is
        true [-].
    described_mm : float, optional
        Total available water as described. A threshold is set, and a reading is off, by so many
        points of water by volume, whatever the soil really holds: this is their range. Without it
        the range is what the soil of each run holds [mm].

    Raises
    ------
    InputError
        Where shapes disagree or a value is not finite or out of its range.
    """

    etc: Floats | Singles
    rain: Floats | Singles
    taw: Floats
    raw: Floats
    application: Floats
    sensor_share: float = 1.0
    reading_error: Floats | Singles | None = None
    described_mm: float | None = None

    def __post_init__(self) -> None:
        """Refuse what the balance cannot run on."""
        faults = self._shape_faults() or self._value_faults()
        if faults:
            raise InputError(faults)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Area classes, days, runs."""
        classes, days, runs = self.etc.shape
        return classes, days, runs

    def only(self, runs: Ints) -> RootZone:
        """Return the zone with some of its runs.

        Parameters
        ----------
        runs : ndarray of int, shape (S,)
            Positions of the runs.

        Returns
        -------
        RootZone
            With S runs.
        """
        error = self.reading_error
        return self.but(
            etc=self.etc.take(runs, axis=-1),
            rain=self.rain.take(runs, axis=-1),
            taw=self.taw[runs],
            raw=self.raw[runs],
            application=self.application[:, runs],
            reading_error=None if error is None else error.take(runs, axis=-1),
        )

    def but(self, **parts: Any) -> RootZone:  # noqa: ANN401 - fields of this class
        """Return the zone with other parts in place of its own, which are known to be sound.

        Parameters
        ----------
        **parts : object
            Fields of this class; looking at all of their values again would take as long as a
            season.

        Returns
        -------
        RootZone
            Otherwise as this one.
        """
        made = object.__new__(type(self))
        vars(made).update({name: vars(self)[name] for name in self.__dataclass_fields__}, **parts)
        return made

    @cached_property
    def weather(self) -> Weather:
        """What the loops take of the weather."""
        error = self.reading_error
        error = np.zeros(self.rain.shape, np.float32) if error is None else error
        return Weather(_single(self.etc), _single(self.rain), _single(error))

    @cached_property
    def soil(self) -> Soil:
        """What the loops take of the soil."""
        slope = 1.0 / (self.taw - self.raw)
        limit = self.raw + _TOLERANCE_MM
        return Soil(_single(self.taw), _single(limit), _single(slope), _single(self.application))

    @cached_property
    def layer(self) -> Layer:
        """What the loops take of the sensor's layer."""
        held = self.sensor_share * self.taw
        below = self.taw - held
        reach = float(root_share(self.sensor_share))
        rest_slope = np.zeros(self.taw.shape)
        np.divide(1.0 - reach, below, out=rest_slope, where=below > 0)
        shares = np.full(self.taw.shape, reach), np.full(self.taw.shape, 1.0 - reach)
        whole = self.taw if self.described_mm is None else np.full_like(held, self.described_mm)
        span = self.sensor_share * whole
        parts = held, below, *shares, reach / held, rest_slope, span
        return Layer(*(_single(part) for part in parts))

    def _shape_faults(self) -> list[Fault]:
        shape = self.etc.shape
        if len(shape) != 3:  # noqa: PLR2004 - classes, days, runs
            return [_fault("etc", f"shape {shape}", "(classes, days, runs)")]
        classes, days, runs = shape
        allowed = {
            "rain": (days, runs),
            "taw": (runs,),
            "raw": (runs,),
            "application": (classes, runs),
            **({} if self.reading_error is None else {"reading_error": (days, runs)}),
        }
        return [
            _fault(name, f"shape {getattr(self, name).shape}", str(fits))
            for name, fits in allowed.items()
            if getattr(self, name).shape != fits
        ]

    def _value_faults(self) -> list[Fault]:
        if _within(self.etc, self.rain) and _within(
            self.raw, self.taw - self.raw, self.application, np.array(self.sensor_share), above=True
        ) and self.sensor_share <= 1:  # fmt: skip
            return []
        share = np.array(self.sensor_share)
        checks = (
            ("etc", self.etc, self.etc >= 0, "0 mm/d or more"),
            ("rain", self.rain, self.rain >= 0, "0 mm or more"),
            ("raw", self.raw, self.raw > 0, "above 0 mm"),
            ("taw", self.taw, self.taw > self.raw, "above RAW"),
            ("application", self.application, self.application > 0, "above 0"),
            ("sensor_share", share, (share > 0) & (share <= 1), "above 0, at most 1"),
        )
        found = (
            (name, int(np.count_nonzero(~(good & np.isfinite(values)))), allowed)
            for name, values, good, allowed in checks
        )
        return [
            _fault(name, f"{bad} values out of range or not finite", allowed)
            for name, bad, allowed in found
            if bad
        ]


@dataclass(frozen=True)
class Watering:
    """What ran on a property, and how its zones fared.

    Parameters
    ----------
    ran : ndarray of bool, shape (Z, D, W)
        Days with an event.
    depth : ndarray, shape (Z, D)
        Depth of an event on each day, its seasonal adjustment in it [mm, zone mean].
    stress_days : ndarray, shape (Z, W)
        Mean over the area classes [d].
    """

    ran: Flags
    depth: Floats
    stress_days: Floats

    @property
    def events(self) -> Ints:
        """Number of events, shape (Z, W)."""
        return event_count(self.ran)

    @cached_property
    def water_mm(self) -> Floats:
        """Depth of the season, shape (Z, W) [mm]."""
        return np.stack([d @ r.astype(float) for d, r in zip(self.depth, self.ran, strict=True)])

    @cached_property
    def worst_stress_days(self) -> Floats:
        """Stress days in the worst season out of ten, shape (Z,) [d]."""
        return worst_tenth(self.stress_days)

    def within(self, days: Flags) -> Floats:
        """Return the depth of some days of the season.

        Parameters
        ----------
        days : ndarray of bool, shape (D,)
            Which days.

        Returns
        -------
        ndarray, shape (Z, W)
            Their depth [mm].
        """
        parts = zip(self.depth, self.ran, strict=True)
        return np.stack([depth[days] @ ran[days].astype(float) for depth, ran in parts])


class SensorRun(NamedTuple):
    """What sensors let run, and how their zone fared.

    ran (G, D, W): days with an event; stress_days (G, W): mean over the area classes [d].
    """

    ran: Flags
    stress_days: Floats


class Search(NamedTuple):
    """The least whole minutes, and what they do.

    Parameters
    ----------
    minutes : ndarray of int, shape (G,)
        The least with which the zone keeps its limit; the most allowed where none does.
    stress_days : ndarray, shape (G, W)
        With those minutes [d].
    kept : ndarray of bool, shape (G,)
        Whether the limit is kept.
    """

    minutes: Ints
    stress_days: Floats
    kept: Flags


def sensor_events(
    root: RootZone,
    *,
    depth: ArrayLike,
    threshold: ArrayLike,
    days: Flags,
    which: ArrayLike | None = None,
    enough: Enough = WHOLE,
) -> SensorRun:
    """Run sensors in the driest class of a zone.

    Parameters
    ----------
    root : RootZone
        The zone.
    depth : array_like, shape (G,)
        Depth of an event, whole or not at all [mm, zone mean].
    threshold : array_like, shape (G,)
        An event runs from this share of the reading's range below field capacity on [-].
    days : ndarray of bool, shape (D, W) or (K, D, W)
        Sets of days on which an event may run.
    which : array_like of int, shape (G,), optional
        The set of each sensor; the first of all by default.
    enough : Enough, optional
        When a trial has failed: its stress days are inf then, and its events not all known.

    Returns
    -------
    SensorRun
        Events and stress days.
    """
    depths = np.array(depth, dtype=np.float64, ndmin=1)
    start = np.full(depths.shape, threshold, dtype=np.float64)
    place = np.zeros(depths.shape, np.int64) if which is None else np.array(which, np.int64)
    sets = _whole(days if days.ndim == 3 else days[None])  # noqa: PLR2004 - one set of days
    _, count, runs = root.shape
    ran = np.empty((depths.size, count, runs), dtype=np.bool_)
    stress = np.empty((depths.size, runs))
    rule = place, start, depths
    run_sensors(root.weather, root.soil, root.layer, sets, rule, ran, stress, enough)
    run_schedules(root.weather, root.soil, 1, ran, np.ones(count), depths, stress, enough)
    return SensorRun(ran, stress)


def schedule_stress(
    root: RootZone,
    ran: Flags,
    *,
    depth: ArrayLike,
    dial: Floats | None = None,
    enough: Enough = WHOLE,
) -> Floats:
    """Put a zone under given events.

    Parameters
    ----------
    root : RootZone
        The zone.
    ran : ndarray of bool, shape (D, W) or (G, D, W)
        Days with an event.
    depth : array_like, shape () or (G,)
        Depth of a full event [mm, zone mean].
    dial : ndarray, shape (D,), optional
        Seasonal adjustment of the depth on each day, 1 at full.
    enough : Enough, optional
        When a trial has failed.

    Returns
    -------
    ndarray, shape (G, W)
        Stress days, the mean over the area classes, inf where a trial was given up [d].
    """
    events = _whole(ran if ran.ndim == 3 else ran[None])  # noqa: PLR2004 - one schedule
    depths = np.full(len(events), depth, dtype=np.float64)
    adjusted = np.ones(events.shape[1]) if dial is None else _whole(dial)
    stress = np.zeros((len(events), events.shape[2]))
    run_schedules(root.weather, root.soil, 0, events, adjusted, depths, stress, enough)
    return stress


def rehearse() -> None:
    """Call the loops of this file once, for next to nothing, as they are called for a zone."""
    one = np.ones((1, 1))
    root = RootZone(one[None], one, taw=np.full(1, 2.0), raw=np.ones(1), application=one)
    sensor_events(root, depth=1.0, threshold=0.5, days=np.ones((1, 1), np.bool_))


def least_minutes(
    root: RootZone,
    *,
    threshold: Floats,
    days: Flags,
    which: Ints,
    per_minute: float,
    most: Ints,
    limit: float,
) -> tuple[Search, SensorRun]:
    """Find the least whole minutes with which a sensor keeps its own zone within the limit.

    Not tried one by one: where longer events that are skipped more often make more stress than
    shorter ones, a shorter run time that would also do may be passed over. What is found is proven
    on every run.

    Parameters
    ----------
    root : RootZone
        The zone.
    threshold : ndarray, shape (G,)
        As in `sensor_events`.
    days : ndarray of bool, shape (K, D, W)
        As in `sensor_events`.
    which : ndarray of int, shape (G,)
        As in `sensor_events`.
    per_minute : float
        What the valve applies in a minute [mm].
    most : ndarray of int, shape (G,)
        Most minutes of an event, at least 1.
    limit : float
        Stress days allowed in the worst season out of ten [d].

    Returns
    -------
    search : Search
        Minutes and stress days.
    run : SensorRun
        With those minutes.
    """
    run = SensorRun(
        np.empty((most.size, *root.shape[1:]), np.bool_), np.empty((most.size, root.shape[2]))
    )

    worst = _worst_count(root.shape[2])
    failed = Enough(worst, float(limit * worst))

    def ran(of: RootZone, on: Flags, rows: Ints, minutes: Ints, enough: Enough) -> SensorRun:
        return sensor_events(
            of, depth=minutes * per_minute, threshold=threshold[rows], days=on, which=which[rows],
            enough=enough,
        )  # fmt: skip

    def tried(rows: Ints, minutes: Ints) -> Flags:
        got = ran(root, days, rows, minutes, failed)
        kept = np.isfinite(got.stress_days[:, 0])
        run.ran[rows[kept]], run.stress_days[rows[kept]] = got.ran[kept], got.stress_days[kept]
        return np.asarray(kept)

    def look(runs: Ints) -> Callable[[Ints, Ints], Flags]:
        some, on = root.only(runs), days.take(runs, axis=-1)
        return lambda rows, minutes: np.isfinite(
            ran(some, on, rows, minutes, failed).stress_days[:, 0]
        )

    def driest() -> Ints:
        row = np.array([len(most) // 2])
        return _driest_runs(root, ran(root, days, row, most[row], WHOLE).stress_days)

    minutes, kept = _least(most, tried, look, driest)
    rest = np.flatnonzero(~kept)
    if rest.size:
        run.ran[rest], run.stress_days[rest] = ran(root, days, rest, most[rest], WHOLE)
    return Search(minutes, run.stress_days, kept), run


def least_minutes_following(
    root: RootZone,
    ran: Flags,
    *,
    per_minute: float,
    most: Ints,
    limit: float,
    dial: Floats | None = None,
    only_kept: bool = False,
) -> Search:
    """Find the least whole minutes with which given events keep a zone within the limit.

    More minutes never make more stress days as long as a day's demand does not exceed TAW - RAW:
    each day's balance is then non-decreasing in the depletion, with a slope of at most 1.

    Parameters
    ----------
    root : RootZone
        The zone.
    ran : ndarray of bool, shape (G, D, W)
        Days with an event: those of a governor, or a timer's.
    per_minute : float
        What the valve applies in a minute [mm].
    most : ndarray of int, shape (G,)
        Most minutes of an event; below 1 where nothing may run.
    limit : float
        Stress days allowed in the worst season out of ten [d].
    dial : ndarray, shape (D,), optional
        As in `schedule_stress`.
    only_kept : bool
        Whether stress days are asked for only where the limit is kept; they are inf elsewhere.

    Returns
    -------
    Search
        Minutes and stress days.
    """
    runs = root.shape[2]
    stress = np.full((len(ran), runs), np.inf)
    worst = _worst_count(runs)
    failed = Enough(worst, float(limit * worst))
    ways: dict[str, Any] = {"dial": dial, "enough": failed}

    def tried(rows: Ints, minutes: Ints) -> Flags:
        got = schedule_stress(root, ran[rows], depth=minutes * per_minute, **ways)
        kept = np.isfinite(got[:, 0])
        stress[rows[kept]] = got[kept]
        return np.asarray(kept)

    def look(at: Ints) -> _Tried:
        some, events = root.only(at), ran.take(at, axis=-1)

        def good(rows: Ints, minutes: Ints) -> Flags:
            got = schedule_stress(some, events[rows], depth=minutes * per_minute, **ways)
            return np.isfinite(got[:, 0])

        return good

    def driest() -> Ints:
        row = int(np.argsort(most, kind="stable")[len(most) // 2])
        usual = max(1, int(most[row]) // 3) * per_minute
        known = schedule_stress(root, ran[row], depth=usual, dial=dial)
        return _driest_runs(root, known, share=_FIRST_RISING)

    minutes, kept = _least(most, tried, look, driest)
    rest = np.flatnonzero(~kept & (most >= 1))
    if rest.size and not only_kept:
        stress[rest] = schedule_stress(root, ran[rest], depth=most[rest] * per_minute, dial=dial)
    return Search(minutes, stress, kept)


_Tried = Callable[[Ints, Ints], Flags]
#: Share of the runs that are looked at first: where the worst tenth will be found. Fewer will do
#: where a run more can only tell that more minutes are needed.
_FIRST: Final = 0.3
_FIRST_RISING: Final = 0.2
#: Runs are looked at by so many, which the loops take at a time; where there are no more, all are.
_TOGETHER: Final = 64


def _worst_count(runs: int) -> int:
    """Return how many runs make the worst tenth, up to whole runs."""
    return max(1, int(np.ceil(WORST_SHARE * runs - 1e-9)))


def _driest_runs(root: RootZone, stress: Floats, *, share: float = _FIRST) -> Ints:
    """Return the runs in which most stress is to be expected, rising."""
    _, _, runs = root.shape
    if runs <= _TOGETHER:
        return np.arange(runs)
    lack = root.etc[0].sum(axis=0) - root.rain.sum(axis=0)
    known = np.where(np.isfinite(stress), stress, 0.0).sum(axis=0)
    order = np.lexsort((-lack, -known))
    return np.sort(order[: int(np.ceil(share * runs / _TOGETHER)) * _TOGETHER])


def _least(
    most: Ints, tried: _Tried, look: Callable[[Ints], _Tried], driest: Callable[[], Ints]
) -> tuple[Ints, Flags]:
    """Return the least minutes from 1 to `most` that are kept, and whether any are.

    What the driest runs need is a bound from below, mostly a close one, since their worst are at
    most the worst of all: all runs are tried from there upwards, in steps that double.
    """
    kept, low, high = most >= 1, np.zeros_like(most), most.copy()
    rows = np.flatnonzero(kept)
    if not rows.size:
        return high, kept
    quick = look(driest())
    kept[rows] = quick(rows, most[rows])
    rows = np.flatnonzero(kept)
    _halve(rows, low, high, quick)
    start, step = np.maximum(high - 1, 0), 1
    while rows.size:
        minutes = np.minimum(start[rows] + step, most[rows])
        good = tried(rows, minutes)
        high[rows[good]], low[rows[~good]] = minutes[good], minutes[~good]
        kept[rows[~good & (minutes == most[rows])]] = False
        rows = rows[~good & (minutes < most[rows])]
        step *= 2
    high[~kept] = most[~kept]
    _halve(np.flatnonzero(kept), low, high, tried)
    return high, kept


def _halve(rows: Ints, low: Ints, high: Ints, tried: _Tried) -> None:
    """Bring `high` down to the least that is good, in place, between it and `low`, which is not."""
    while True:
        open_ = rows[high[rows] - low[rows] > 1]
        if not open_.size:
            return
        middle = (low[open_] + high[open_]) // 2
        good = tried(open_, middle)
        high[open_[good]], low[open_[~good]] = middle[good], middle[~good]


def _within(*parts: Floats | Singles, above: bool = False) -> bool:
    """Tell whether every value is finite, and at least 0 or above it; nan is neither."""
    return all(
        values.size == 0
        or bool((values.min() > 0 if above else values.min() >= 0) and values.max() < np.inf)
        for values in parts
    )


def _whole(values: NDArray[np.generic]) -> NDArray[Any]:
    """Contiguous and writable, so that every kernel is compiled for one kind of array."""
    if values.flags.c_contiguous and values.flags.writeable:
        return values
    return np.require(values, requirements=["C", "W"])


def _single(values: Floats | Singles) -> Singles:
    """Return the same in single precision."""
    return _whole(np.asarray(values, dtype=np.float32))


def _fault(name: str, found: str, allowed: str) -> Fault:
    return Fault("root zone", found, allowed, "Correct the input of this zone.", column=name)
