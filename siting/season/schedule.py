"""On which days water may run, and what a sensor reads there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siting.arrays import Flags
from siting.season.events import timer_days, weekdays
from siting.site.settings import WEEKDAYS, Control, Timer

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
