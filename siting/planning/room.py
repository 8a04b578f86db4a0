"""How much memory a plan takes, and how it is kept within what was allowed."""

from __future__ import annotations

import contextlib
import math
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple, Self

from siting.errors import Fault, InputError
from siting.parts import fewer, kept_within
from siting.site.model import Site
from siting.site.settings import PropertyFile

#: The program with its libraries, and its compiled loops [bytes].
_PROGRAM: Final = 600e6
#: A process that helps: the program, and the part in hand [bytes].
_HELPER: Final = 500e6
#: Rasters of a cell that are held at once: two of every month and a few more, of eight bytes.
_RASTERS: Final = 4
_VALUE: Final = 8.0
#: Of a zone's own ground: how much more lies close about it, and what is known of a point [values].
_AROUND: Final = 1.5
_POINT: Final = 30
#: A zone against every other: settings of a zone times the arrays that hold them [values].
_SETTINGS: Final = 10
_ARRAYS: Final = 6
#: What a process that writes files needs of a cell of the raster beside what it shares [values].
_WRITING: Final = 10
#: What is kept at hand only for speed: at least, and where nothing is said.
_LEAST_AT_HAND: Final = 50e6
_USUAL_AT_HAND: Final = 1.4e9
#: How often a run's memory is looked at [s].
_LOOK_S: Final = 1.0


class Room(NamedTuple):
    """How much memory a plan may take, and what it does with it.

    Parameters
    ----------
    memory : float or None
        What is allowed [bytes]; None where nothing was said.
    processes : int
        Processes that may work at a time.
    at_hand : float
        For what is kept at hand only for speed [bytes].
    """

    memory: float | None
    processes: int
    at_hand: float


def memory_needed(site: Site, settings: PropertyFile) -> float:
    """Estimate the memory of a plan in one process.

    Parameters
    ----------
    site : Site
        The property.
    settings : PropertyFile
        What the user asked for.

    Returns
    -------
    float
        An upper estimate, without what is kept at hand for speed [bytes].
    """
    cell = settings.analysis.resolution**2
    rasters, zones = 2 * _months(settings) + _RASTERS + _WRITING, len(site.hydrozones)
    own = float(site.hydrozones.area.sum()) / cell
    cells = _cells(site, settings) * rasters + _AROUND * own * (4 * _months(settings) + _POINT)
    return float(_PROGRAM + _VALUE * (cells + zones**2 * _SETTINGS * _ARRAYS))


def _cells(site: Site, settings: PropertyFile) -> float:
    """Return the cells of the whole raster."""
    west, south, east, north = site.hydrozones.total_bounds
    return float((east - west) * (north - south)) / settings.analysis.resolution**2


def _months(settings: PropertyFile) -> int:
    """Return the calendar months of the season."""
    return (settings.season.end[0] - settings.season.start[0]) % 12 + 1


def room_within(memory: float | None, site: Site, settings: PropertyFile, processes: int) -> Room:
    """Return how many processes may work at a time, or say that the plan does not fit.

    Parameters
    ----------
    memory : float or None
        What is allowed [bytes]; None allows what is wanted.
    site : Site
        The property.
    settings : PropertyFile
        What the user asked for.
    processes : int
        Processes asked for.

    Returns
    -------
    Room
        Processes first, what is left is for speed.

    Raises
    ------
    InputError
        In words, with the cell at which it would fit.
    """
    if memory is None:
        return Room(None, processes, _USUAL_AT_HAND)
    needed = memory_needed(site, settings)
    if needed + _LEAST_AT_HAND > memory:
        raise InputError([_too_little(memory, needed + _LEAST_AT_HAND, settings)])
    writing = _VALUE * _WRITING * _cells(site, settings)
    each, free = max(_HELPER, writing), memory - needed + writing  # others write, where there are
    count = max(1, min(processes, int((free - _LEAST_AT_HAND) / each)))
    rest = free - (each * count if count > 1 else writing)
    return Room(memory, count, min(rest, _USUAL_AT_HAND))


def _too_little(memory: float, needed: float, settings: PropertyFile) -> Fault:
    """Say that the memory allowed will not do, and what would."""
    cell = settings.analysis.resolution
    room = memory - _PROGRAM - _LEAST_AT_HAND
    mend = f"Allow {math.ceil(needed / 1e8) / 10:g}GB"
    if room > 0:
        coarse = math.ceil(10 * cell * math.sqrt(needed / room)) / 10
        mend += f", or take cells of about {coarse:g} m ([analysis] resolution)"
    return Fault(
        "--memory", f"{memory / 1e9:g} GB",
        f"about {needed / 1e9:.1f} GB or more, what this property takes with cells of {cell:g} m",
        f"{mend}.",
    )  # fmt: skip


class Watch:
    """Looks after the memory of a run while it is open: of this process and those that it started.

    Where more is used than was allowed, one process fewer works at a time from then on.
    """

    def __init__(
        self, allowed: float, used: Callable[[], float | None], *, every: float = _LOOK_S
    ) -> None:
        self._allowed, self._used, self._every = allowed, used, every
        self._over = threading.Event()
        self.most = 0.0

    def __enter__(self) -> Self:
        """Begin to look."""
        threading.Thread(target=self._look, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        """Look no more."""
        self._over.set()

    def _look(self) -> None:
        """Look again and again, where the system tells what is used."""
        while not self._over.is_set() and (used := self._used()) is not None:
            self.most = max(self.most, used)
            if used > self._allowed:
                fewer()
            self._over.wait(self._every)

    @property
    def notes(self) -> tuple[str, ...]:
        """Say what was used where it was more than allowed."""
        if self.most <= self._allowed:
            return ()
        return (
            f"memory: the plan took {self.most / 1e9:.1f} GB for a while, where "
            f"{self._allowed / 1e9:.1f} GB were allowed",
        )


def memory_used() -> float | None:
    """Return the memory of this process and of those that it started, what they share once.

    Returns
    -------
    float or None
        Size [bytes]; None where the system does not tell (it does on Linux).
    """
    try:
        tasks = Path("/proc/self/task").glob("*/children")
        started = [int(child) for task in tasks for child in task.read_text().split()]
        return float(_share_of(os.getpid()) + sum(map(_share_of, started)))
    except OSError:
        return None


def _share_of(process: int) -> int:
    """Return a process's own memory and its share of the rest; 0 once it is gone [bytes]."""
    try:
        rows = Path(f"/proc/{process}/smaps_rollup").read_text(encoding="ascii").splitlines()
    except (FileNotFoundError, ProcessLookupError):
        return 0
    return next((int(row.split()[1]) * 1024 for row in rows if row.startswith("Pss:")), 0)


@contextlib.contextmanager
def parts_in_room(room: Room) -> Iterator[Watch | None]:
    """Keep no more at hand than there is room for, and look what is used, while this is open.

    Parameters
    ----------
    room : Room
        As from `room_within`.

    Yields
    ------
    Watch or None
        What was used; None where memory is not bounded.
    """
    with kept_within(room.at_hand):
        if room.memory is None:
            yield None
            return
        with Watch(room.memory, memory_used) as watch:
            yield watch
