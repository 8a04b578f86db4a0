"""What may go wrong: errors with their faults, limits, and findings before anything is refused."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from siting.units import Quantity, UnitsName, convert, show


class SitingError(Exception):
    """Root of every error that siting raises on purpose."""


class PlanError(SitingError):
    """The input is sound, but no plan can be made from it."""


class NoAdmissibleGroundError(PlanError):
    """A zone has no ground at all in which a sensor could be buried."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with an input, and how to mend it.

    file: name of the file as the user wrote it; found: what was found there; allowed: what is
    allowed instead; mend: what the user can do about it; layer, feature, column: where in the file:
    the layer (or TOML table), the feature id (or CSV line, or "row 3") and the column (or TOML
    key).
    """

    file: str
    found: str
    allowed: str
    mend: str
    layer: str | None = None
    feature: str | None = None
    column: str | None = None

    def __str__(self) -> str:
        """Return the fault as one line: where, found, allowed, mend."""
        place = [self.file]
        place += [f"layer {self.layer}"] if self.layer else []
        if self.feature:
            is_line = self.feature.startswith(("line", "row"))
            place += [self.feature if is_line else f"feature {self.feature}"]
        place += [f"column {self.column}"] if self.column else []
        return f"{', '.join(place)}: found {self.found}; allowed: {self.allowed}. {self.mend}"


class InputError(SitingError):
    """An input was refused.

    Parameters
    ----------
    faults : iterable of Fault
        Every fault found; the message lists them all.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        head = "1 fault" if count == 1 else f"{count} faults"
        super().__init__("\n".join([f"{head} in the input:", *(f"  - {f}" for f in self.faults)]))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Fault, ...]]]:
        """Pickle with the faults, so that an error of another process says the same here."""
        return type(self), (self.faults,)


@dataclass(frozen=True)
class Limit:
    """A limit of an input: its key, what it limits, the most allowed, its unit, and the reason.

    key: by which `limit` finds it; what: what it limits, in words; most: the most allowed, in
    `unit`; unit: "" for a count; reason: why so many and no more.
    """

    key: str
    what: str
    most: float
    unit: str
    reason: str

    @property
    def shown(self) -> str:
        """The limit in words."""
        return f"{self.most:,.0f} {self.unit}".rstrip()


#: Beyond these an input is refused, most of them before it is read. All are judgement: what a
#: property needs, times ten or more, as far as a small machine still answers in seconds.
LIMITS: Final = (
    Limit("property_mb", "property file", 1, "MB", "a property file of 2,000 valves has 0.1 MB"),
    Limit("depth", "tables and lists within each other", 40, "levels", "ours need four"),
    Limit("vector_mb", "a file of layers", 300, "MB", "read in seconds; a city's buildings fit"),
    Limit("features", "features of a layer", 100_000, "", "50,000 trees pass; clip a city's"),
    Limit("vertices", "vertices of a layer", 1_000_000, "", "shapes are compared with each other"),
    Limit("kept_vertices", "vertices of an outline before it is thinned (by 1 to 20 cm)", 5_000, "",
          "distances are measured to every edge"),
    Limit("text", "characters of an id or a name on a layer", 200, "", "it stands on the map"),
    Limit("path", "characters of a text in the property file", 1_000, "", "paths are shorter"),
    Limit("ground_cells", "cells of the property at its resolution", 20_000_000, "",
          "sun and dryness are computed for each, in several variants"),
    Limit("raster_cells", "cells of a height raster around the property", 100_000_000, "",
          "0.8 GB as numbers"),
    Limit("block_mb", "a block of a height raster, unpacked", 256, "MB",
          "a block is unpacked whole, however little of it is wanted"),
    Limit("raster_cell_m", "the side of a cell of a height raster", 100, "m",
          "coarser ones say nothing of a garden"),
    Limit("weather_mb", "weather file", 20, "MB", "200 years of days have 10 MB"),
    Limit("station_mb", "file of a station network, unpacked", 3_000, "MB",
          "a year of all the stations of the world has 1,200 MB"),
    Limit("faults", "faults of one kind that are listed one by one", 12, "", "the rest is counted"),
)  # fmt: skip
_BY_KEY: Final = {row.key: row.most for row in LIMITS}


def limit(key: str) -> float:
    """Return a limit of `LIMITS`.

    >>> limit("features")
    100000
    """
    return _BY_KEY[key]


#: Amounts below these are told to a tenth, and to a thousandth.
_SMALL, _TINY = 1000, 0.1
#: A longer text is no misspelling of anything.
_LONGEST_WORD = 80
#: Control, format, surrogate and unassigned characters; joiners belong to letters and emoji.
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Cn"})
_JOINERS = "\u200c\u200d"


class Findings:
    """Faults and warnings found so far.

    Attributes
    ----------
    faults : list of Fault
        Why the input is refused.
    warnings : list of str
        What was repaired or assumed, in plain words.
    units : {"metric", "us"}
        Units of the property, in which amounts are told.
    """

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self.warnings: list[str] = []
        self.units: UnitsName = "metric"

    def tell(self, value: float, quantity: Quantity, *, decimals: int | None = None) -> str:
        """Return an amount in the property's units, with its unit.

        Parameters
        ----------
        value : float
            In the inside unit of the quantity.
        quantity : str
            One of `siting.units.QUANTITIES`.
        decimals : int, optional
            Digits after the point; as many as tell something by default.

        Returns
        -------
        str
            Such as "119.9 m²", or "1,291 ft²" in a US property.
        """
        if decimals is not None:
            return show(value, quantity, self.units, decimals=decimals)
        shown = abs(convert(value, quantity, self.units))
        tenths = 0 if shown >= _SMALL else 1 if shown >= _TINY else 3
        return show(value, quantity, self.units, decimals=tenths)

    def warn(self, text: str) -> None:
        """Note something that was repaired or assumed, once.

        Parameters
        ----------
        text : str
            Plain words, with numbers.
        """
        if text not in self.warnings:
            self.warnings.append(text)

    def refuse(self) -> None:
        """Raise when there is any fault.

        Raises
        ------
        InputError
            With every fault found so far.
        """
        if self.faults:
            raise InputError(self.faults)


def nearest(word: str, known: Iterable[str], *, cutoff: float = 0.6) -> str | None:
    """Return the known word most like `word`, or None when none is near.

    Parameters
    ----------
    word : str
        As the user wrote it.
    known : iterable of str
        What it could have meant.
    cutoff : float
        Least likeness, 0 to 1.

    Returns
    -------
    str or None
        The known word.

    Examples
    --------
    >>> nearest("schrubs", ("shrubs", "trees"))
    'shrubs'
    """
    by_lower: dict[str, str] = {}
    for name in known:
        by_lower.setdefault(name.lower(), name)
    if len(word) > _LONGEST_WORD:
        return None
    found = difflib.get_close_matches(word.lower(), list(by_lower), n=1, cutoff=cutoff)
    return by_lower[found[0]] if found else None


def brief(value: object, *, most: int = 60) -> str:
    """Return a value as one short printable line, for a message.

    Parameters
    ----------
    value : object
        Of any type.
    most : int
        Most characters.

    Returns
    -------
    str
        With "..." where it was cut, and control characters replaced.

    Examples
    --------
    >>> brief("grass " * 3, most=8)
    'grass gr...'
    """
    text = str(value)
    cut = f"{text[:most]}..." if len(text) > most else text
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in cut)


def is_plain(text: str) -> bool:
    """Return whether a text has no control characters, nor marks that turn its direction.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    bool
        True for letters, digits, signs and joined emoji of any script.
    """
    return not any(unicodedata.category(c) in _UNSEEN and c not in _JOINERS for c in text)


def some(items: Sequence[object], *, most: int = 6) -> str:
    """Return the first few items as text, and how many more there are.

    Parameters
    ----------
    items : sequence
        What to list.
    most : int
        How many to show.

    Returns
    -------
    str
        The list.

    Examples
    --------
    >>> some([1, 2, 3], most=2)
    '1, 2 and 1 more'
    """
    shown = ", ".join(brief(item) for item in items[:most])
    rest = len(items) - most
    return f"{shown} and {rest} more" if rest > 0 else shown
