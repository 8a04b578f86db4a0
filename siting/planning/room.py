"""How much memory a plan takes, and how it is kept within what was allowed."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from typing import Final

from siting.errors import Fault, InputError
from siting.parts import kept_within
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
_SETTINGS: Final = 12
_ARRAYS: Final = 6
#: Of what is allowed beyond what is needed, the share for what is kept at hand only for speed.
_AT_HAND: Final = 0.25
_LEAST_AT_HAND: Final = 50e6
_USUAL_AT_HAND: Final = 500e6


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
    west, south, east, north = site.hydrozones.total_bounds
    cell = settings.analysis.resolution**2
    rasters, zones = 2 * _months(settings) + _RASTERS, len(site.hydrozones)
    whole, own = (east - west) * (north - south) / cell, float(site.hydrozones.area.sum()) / cell
    cells = whole * rasters + _AROUND * own * (4 * _months(settings) + _POINT)
    return float(_PROGRAM + _VALUE * (cells + zones**2 * _SETTINGS * _ARRAYS))


def _months(settings: PropertyFile) -> int:
    """Return the calendar months of the season."""
    return (settings.season.end[0] - settings.season.start[0]) % 12 + 1


def processes_within(memory: float | None, site: Site, settings: PropertyFile, wanted: int) -> int:
    """Return how many processes may work at a time, or say that the plan does not fit.

    Parameters
    ----------
    memory : float or None
        What is allowed [bytes]; None allows what is wanted.
    site : Site
        The property.
    settings : PropertyFile
        What the user asked for.
    wanted : int
        Processes asked for.

    Returns
    -------
    int
        At least 1.

    Raises
    ------
    InputError
        In words, with the cell at which it would fit.
    """
    if memory is None:
        return wanted
    needed = memory_needed(site, settings) + _LEAST_AT_HAND
    if needed > memory:
        raise InputError([_too_little(memory, needed, settings)])
    return max(1, min(wanted, int((memory - needed) / _HELPER)))


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


@contextlib.contextmanager
def parts_in_room(memory: float | None) -> Iterator[None]:
    """Keep less at hand where memory is bounded, while this is open.

    Parameters
    ----------
    memory : float or None
        What is allowed [bytes].

    Yields
    ------
    None
        Nothing.
    """
    share = _USUAL_AT_HAND if memory is None else _AT_HAND * max(memory - _PROGRAM, 0.0)
    with kept_within(min(max(share, _LEAST_AT_HAND), _USUAL_AT_HAND)):
        yield
