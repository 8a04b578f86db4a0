"""On which days water may run, what a sensor reads there, and why some days are too few."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.season import RootZones, timer_days, weekdays
from siting.site.settings import Control, Timer
from siting.site.vocabulary import WEEKDAYS
from siting.units import UnitsName, show

__all__ = ["Schedule", "ZoneShares", "unreachable", "watering_days"]

_Array = NDArray[np.float64]


class ZoneShares(NamedTuple):
    """What a sensor reads of each zone's root zone, and the ground gets of the rain.

    Parameters
    ----------
    sensor : ndarray, shape (Z,)
        Upper layer that a sensor reads, over the root zone; above 0, at most 1 [-].
    rain : ndarray, shape (Z,)
        Share of the rain that reaches the ground, 0..1.
    """

    sensor: _Array
    rain: _Array


@dataclass(frozen=True)
class Schedule:
    """Days of every run on which something may happen.

    Parameters
    ----------
    today : ndarray of bool, shape (D, W)
        Days on which today's timer runs.
    timer : ndarray of bool, shape (D, W)
        Days on which the plan's timer starts an event, which bypass may skip.
    allowed : ndarray of bool, shape (D, W)
        Days on which local rules allow watering.
    warnings : tuple of str
        Where rules changed the timer's days.
    """

    today: NDArray[np.bool_]
    timer: NDArray[np.bool_]
    allowed: NDArray[np.bool_]
    warnings: tuple[str, ...] = ()


def watering_days(
    dates: NDArray[np.datetime64], timer: Timer | None, control: Control, *, scenarios: int
) -> Schedule:
    """Return on which days today's timer and the plan's may water.

    Where today's timer runs on a day that local rules do not allow, the plan's timer runs on every
    day that they allow instead.

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
    planned, notes = today & allowed, []
    if timer is not None and bool((today & ~allowed).any()):
        planned = allowed
        lost = float((today & ~allowed).sum(axis=0).mean())
        names = ", ".join(WEEKDAYS[day].capitalize() for day in control.allowed_days or ())
        notes = [
            f"today's timer runs on {lost:.0f} days a season on which local rules do not allow "
            f"watering; the plan's timer runs on {names} only"
        ]
    runs = [np.tile(days, (1, scenarios)) for days in (today, planned, allowed)]
    return Schedule(runs[0], runs[1], runs[2], tuple(notes))


def unreachable(
    roots: RootZones,
    schedule: Schedule,
    caps: _Array,
    *,
    cap: float,
    names: Sequence[str],
    units: UnitsName = "metric",
) -> tuple[str, ...]:
    """Say in numbers why the days allowed cannot keep a zone within the cap.

    Parameters
    ----------
    roots : RootZones
        The driest quarters.
    schedule : Schedule
        Days on which watering is allowed.
    caps : ndarray, shape (Z,)
        Stress days allowed after relaxing [d].
    cap : float
        Stress days that were asked for [d].
    names : sequence of str
        Zone names.
    units : {"metric", "us"}
        How to show depths.

    Returns
    -------
    tuple of str
        One per relaxed zone.
    """
    gap = _longest_gap(schedule.allowed | schedule.timer)
    notes = []
    for z in np.flatnonzero(caps > cap).tolist():
        # The hottest week of an average run: what a gap in the dry takes out of the ground.
        week = np.lib.stride_tricks.sliding_window_view(roots.etc[z], 7, axis=0).mean(axis=-1)
        peak = float(week.max(axis=0).mean())
        notes.append(
            f"zone {names[z]}: with up to {gap} days between watering days its driest quarter "
            f"uses {show(gap * peak, 'depth', units)} in the hottest week's weather "
            f"({show(peak, 'depth', units, decimals=2 if units == 'us' else 1)} a day) and "
            f"holds {show(float(roots.raw[z].mean()), 'depth', units)} before plants are short"
        )
    return tuple(notes)


def _longest_gap(days: NDArray[np.bool_]) -> int:
    """Return the most days from one watering day to the next."""
    longest = 0
    for run in np.unique(days, axis=1).T:
        at = np.flatnonzero(run)
        longest = max(longest, int(np.diff(at).max()) if at.size > 1 else len(run))
    return longest
