"""Collect every fault and every repair of an input before anything is refused."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable, Sequence

from siting.errors import Fault, InputError
from siting.units import Quantity, UnitsName, convert, show

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
