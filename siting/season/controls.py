"""The kinds of control: what a sensor does to its timer, and how a crew is told.

All of them let an event run when the reading is drier than the threshold; they differ in which days
and minutes may be theirs. Their words stand in `siting.site.settings.CONTROL_KINDS`, with the
hardware that can run each; everything else of a kind is here.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from siting.arrays import Flags, Ints
from siting.language import say


class ControlKind:
    """A kind of control.

    Attributes
    ----------
    word, name : str
        As in the property file and plan.json, and as people write it.
    does : str
        What it does, in one line.
    note, step, seen, line : str
        How its threshold is set and what happens then: in plan.json, for who asks why, on the map,
        in a table; with room for where the threshold lies.
    free_days : str
        What is assumed where nobody says on which days it may water; empty where a timer says so.
    interrupts : bool
        Whether it may leave the timer's days and minutes as they are, as the trade does by habit.
    compared : tuple of (str, int or None)
        Its rows among the kinds that stand beside a plan: name, and most sensors on a controller.
    """

    word: str
    name: str
    does: str
    note: str
    step: str
    seen: str
    line: str
    free_days: str = ""
    interrupts: bool = False
    compared: tuple[tuple[str, int | None], ...] = ()

    def able(self, days: Ints, habit: Flags, *, every: int) -> Ints:
        """Return which settings can be its own.

        Parameters
        ----------
        days, habit : ndarray, shape (G,)
            Each setting's set of days, and whether it is today's minutes and days.
        every : int
            The set of all days that rules allow.

        Returns
        -------
        ndarray of int
            Positions of the settings.
        """
        raise NotImplementedError


class Bypass(ControlKind):
    """A module beside the timer that skips its events; the days are the timer's."""

    word = "bypass"
    name = say("bypass")
    does = say("bypass: a timed event is skipped while the soil is wetter than the threshold")
    note = "Set the threshold {}: wetter, the scheduled event is skipped."
    step = say("Set the threshold {place}. While it is wetter, events are skipped.")
    seen = say("While it is wetter than that, a timed event is skipped.")
    line = "skip until {}"
    interrupts = True
    compared = (
        ("bypass, one sensor on each controller's common wire", 1),
        ("bypass, a sensor per zone or group", None),
    )

    def able(self, days: Ints, habit: Flags, *, every: int) -> Ints:  # noqa: ARG002
        """Return all of them."""
        return np.arange(days.size)


class OnDemand(ControlKind):
    """A timer that starts watering by the reading, on every day that rules allow."""

    word = "on_demand"
    name = say("on-demand")
    does = say("on demand: watering starts when the soil is drier than the threshold")
    note = "Start watering {}, for the minutes on the sheet."
    step = say("Set watering to start {place}, for the minutes of the timer page.")
    seen = say("Drier than that, watering starts, for the minutes of the timer table.")
    line = "start at {}"
    free_days = say(
        "on-demand control may water on any day of the season; where local rules name the days, "
        "give [control] allowed_days"
    )
    compared = (("on-demand", None),)

    def able(self, days: Ints, habit: Flags, *, every: int) -> Ints:
        """Return those on every day that rules allow, with minutes of their own."""
        return np.flatnonzero((days == every) & ~habit)


#: Word -> kind of control, the preferred first.
CONTROLS: Final[dict[str, ControlKind]] = {kind.word: kind for kind in (Bypass(), OnDemand())}
