"""Turn a layer's columns into checked arrays: numbers, words, texts and flags."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.errors import Fault
from siting.limits import limit
from siting.site.columns import COLUMNS, Column, Match
from siting.site.findings import Findings, brief, is_plain, nearest, some
from siting.site.settings import LayerSource
from siting.units import LENGTH_UNITS_M

__all__ = ["Layer", "flags", "maybe_flags", "numbers", "parse_number", "texts", "words"]

T = TypeVar("T")

_NUMBER: Final = re.compile(r"^([+-]?\d+(?:[.,]\d+)?)\s*([a-z_'’\"″]*)\.?$", re.IGNORECASE)
_FEET_INCHES: Final = re.compile(r"^(\d+)\s*['’]\s*(\d+(?:\.\d+)?)\s*[\"″]?$")
_THOUSANDS: Final = re.compile(r",\d{3}$")
_WRITTEN_UNITS: Final = {
    **LENGTH_UNITS_M,
    **dict.fromkeys(("metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("foot", "feet", "'", "’"), LENGTH_UNITS_M["ft"]),
    **dict.fromkeys(("inch", "inches", '"', "″"), LENGTH_UNITS_M["in"]),
}
#: Numbers that stand for "no value" in one program or another, with either sign.
_MARKS: Final = frozenset({99.0, 999.0, 9999.0, 99999.0, 99.9, 999.9, 9999.9, 6999.0, 32768.0})
_TRUE: Final = frozenset({"1", "yes", "y", "true", "t"})
_FALSE: Final = frozenset({"0", "no", "n", "false", "f"})


@dataclass(frozen=True)
class Layer:
    """A layer as it was read.

    Parameters
    ----------
    name, file : str
        Name of the layer, one of ours; name of the file, for messages.
    source : LayerSource
        What the user said about it.
    frame : GeoDataFrame
        The features; the index holds the feature ids as text.
    columns : mapping of str to Match
        Our name -> the file's column.
    """

    name: str
    file: str
    source: LayerSource
    frame: gpd.GeoDataFrame
    columns: Mapping[str, Match]

    def column(self, name: str) -> Column:
        """Return what is known about one of our columns.

        Parameters
        ----------
        name : str
            Our name of the column.

        Returns
        -------
        Column
            Its kind, range and words.
        """
        return next(column for column in COLUMNS[self.name] if column.name == name)

    def raw(self, name: str) -> list[Any]:
        """Return the values as they stand in the file, None where there is none.

        Parameters
        ----------
        name : str
            Our name of the column.

        Returns
        -------
        list
            One value per feature.
        """
        match = self.columns.get(name)
        if match is None:
            return [None] * len(self.frame)
        values = self.frame[match.theirs].tolist()
        return [None if _is_null(value) else value for value in values]

    def fault(
        self,
        findings: Findings,
        found: str,
        allowed: str,
        mend: str,
        *,
        features: Sequence[str] = (),
        column: str | None = None,
    ) -> None:
        """Note a fault of this layer.

        Parameters
        ----------
        findings : Findings
            Where faults and assumptions are noted.
        found, allowed, mend : str
            As in `siting.errors.Fault`.
        features : sequence of str
            Ids of the features concerned.
        column : str, optional
            Our name of the column concerned.
        """
        feature = some(features) if features else None
        fault = Fault(
            self.file, found, allowed, mend, layer=self.name, feature=feature, column=column
        )
        findings.faults.append(fault)


def _is_null(value: object) -> bool:
    if isinstance(value, str):
        return not value.strip()
    return value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value))


def parse_number(text: str, *, length: bool = False, factor: float = 1.0) -> float:
    """Return the number that a text means.

    Parameters
    ----------
    text : str
        A number, with a point or a comma, and for lengths with a unit if any.
    length : bool
        Whether a unit of length may follow.
    factor : float
        From the column's unit to ours, where no unit is written.

    Returns
    -------
    float
        In our unit [m for lengths]; NaN when the text is no number, or could be read in two ways.

    Examples
    --------
    >>> parse_number("12.13 m", length=True)
    12.13
    >>> parse_number("6,5")
    6.5
    >>> round(parse_number("30 ft", length=True), 3)
    9.144
    """
    plain = text.strip()
    if length and (parts := _FEET_INCHES.match(plain)):
        return float(parts[1]) * LENGTH_UNITS_M["ft"] + float(parts[2]) * LENGTH_UNITS_M["in"]
    match = _NUMBER.match(plain)
    if match is None or _THOUSANDS.search(match[1]):
        return math.nan
    number, unit = float(match[1].replace(",", ".")), match[2].lower()
    if not unit:
        return number * factor
    return number * _WRITTEN_UNITS.get(unit, math.nan) if length else math.nan


def numbers(layer: Layer, name: str, findings: Findings) -> NDArray[np.float64]:
    """Return a column of numbers in our unit.

    Parameters
    ----------
    layer : Layer
        The layer.
    name : str
        Our name of the column.
    findings : Findings
        Where texts and values out of range are noted.

    Returns
    -------
    ndarray, shape (N,)
        NaN where the file has no value or a faulty one.
    """
    column, raw = layer.column(name), layer.raw(name)
    factor = layer.columns[name].factor if name in layer.columns else 1.0
    length, taken = column.kind == "length", layer.source.text_numbers
    values = np.full(len(raw), np.nan)
    as_text: list[int] = []
    bad: list[int] = []
    for row, value in enumerate(raw):
        if isinstance(value, str):
            values[row] = parse_number(value, length=length, factor=factor) if taken else np.nan
            (bad if taken and np.isnan(values[row]) else as_text).append(row)
        elif isinstance(value, bool | np.bool_) or not isinstance(value, int | float | None):
            bad.append(row)
        elif value is not None:
            values[row] = value * factor
    _note_mixed(layer, name, values, findings)
    _note_texts(layer, column, as_text, findings)
    _note_rows(layer, column, bad, findings)
    wrong = ~np.isnan(values) & ~((values >= column.low) & (values <= column.high))
    if wrong.any():
        ids = layer.frame.index[wrong].tolist()
        shown = some([f"{v:.6g}" for v in values[wrong]]) + f" {column.unit}".rstrip()
        mend = _mend_marks(layer, name, wrong) + column.mend
        layer.fault(findings, shown, column.allowed, mend, features=ids, column=name)
        values[wrong] = np.nan
    return values


def _note_mixed(layer: Layer, name: str, values: NDArray[np.float64], findings: Findings) -> None:
    """Say where a file mixes numbers and texts that the driver took for numbers."""
    match = layer.columns.get(name)
    if match is None or layer.frame[match.theirs].dtype != object:
        return
    known = np.count_nonzero(~np.isnan(values))
    if known and not layer.source.text_numbers:
        findings.warn(
            f"{layer.file}, {layer.name}: {match.theirs} is of mixed types in the file; {known} "
            "values were read as numbers."
        )


def _mend_marks(layer: Layer, name: str, wrong: NDArray[np.bool_]) -> str:
    """Return how to mend values out of range that look like marks for missing ones, else ""."""
    values = [v for v, bad in zip(layer.raw(name), wrong, strict=True) if bad]
    marks = sorted({f"{v:g}" for v in values if isinstance(v, int | float) and abs(v) in _MARKS})
    if not marks:
        return ""
    looks = f"{some(marks)} looks like a mark for missing values"
    return f"{looks}: leave those cells empty (null). "


def _note_texts(layer: Layer, column: Column, rows: list[int], findings: Findings) -> None:
    """Note numbers written as text: a warning when the user allowed them, else a fault."""
    if not rows:
        return
    if layer.source.text_numbers:
        unit = layer.source.length_unit if column.kind == "length" else column.unit
        without = f"; those without a unit were taken in {unit}" if unit else ""
        findings.warn(
            f"{layer.file}, {layer.name}: {len(rows)} values of {column.name} were written as "
            f"text and read as numbers{without}."
        )
        return
    mend = (
        "Make the column numeric, or allow text with "
        f"layers.{layer.name} = {{ file = ..., text_numbers = true }}."
    )
    _note_rows(layer, column, rows, findings, mend=mend)


def _note_rows(
    layer: Layer,
    column: Column,
    rows: list[int],
    findings: Findings,
    *,
    mend: str = "Correct the value.",
) -> None:
    if not rows:
        return
    raw = layer.raw(column.name)
    ids = [str(layer.frame.index[row]) for row in rows]
    shown = some([f'"{brief(raw[r])}"' if isinstance(raw[r], str) else raw[r] for r in rows])
    layer.fault(findings, shown, column.allowed, mend, features=ids, column=column.name)


def texts(layer: Layer, name: str, findings: Findings) -> list[str | None]:
    """Return a column of texts, stripped; whole numbers lose their ".0", so that 1.0 is "1".

    Parameters
    ----------
    layer : Layer
        The layer.
    name : str
        Our name of the column.
    findings : Findings
        Where texts that no line can show are noted: control characters, far too long.

    Returns
    -------
    list of str or None
        None where the file has no value, or a faulty one.
    """
    found = [None if value is None else _as_text(value) for value in layer.raw(name)]
    most = int(limit("text"))
    long = [i for i, text in enumerate(found) if text is not None and len(text) > most]
    unseen = [i for i, text in enumerate(found) if text and i not in long and not is_plain(text)]
    for rows, what, allowed in (
        (long, f"texts of more than {most} characters", f"at most {most} characters"),
        (unseen, "texts with control characters or line breaks", "plain text"),
    ):
        if rows:
            ids = [str(layer.frame.index[row]) for row in rows]
            shown = some([f'"{brief(found[row])}"' for row in rows], most=2)
            mend = "Write it anew, and shorter." if rows is long else "Write it anew."
            layer.fault(findings, f"{what} ({shown})", allowed, mend, features=ids, column=name)
    faulty = {*long, *unseen}
    return [None if i in faulty else text for i, text in enumerate(found)]


def _as_text(value: object) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def words(layer: Layer, name: str, findings: Findings) -> list[str | None]:
    """Return a column of words of the vocabulary; case, spaces and hyphens do not matter.

    Parameters
    ----------
    layer : Layer
        The layer.
    name : str
        Our name of the column.
    findings : Findings
        Where unknown words are noted, each once, with the nearest known one.

    Returns
    -------
    list of str or None
        As spelt in the vocabulary; None where there is no value or an unknown one.
    """
    column = layer.column(name)
    known = {_plain(word): word for word in column.words}
    required = "a value" if column.required else ""

    def parse(value: object) -> str | None:
        return known.get(_plain(str(value)))

    def mend(value: object) -> str:
        near = nearest(_plain(str(value)), known)
        return f'Write "{known[near]}".' if near else "Write one of these."

    found = _parse_each(layer, column, parse, mend, findings)
    empty = [i for i, v in zip(layer.frame.index, layer.raw(name), strict=True) if v is None]
    if required and empty and name in layer.columns:
        layer.fault(
            findings, "no value", column.allowed, "Fill it in.", features=empty, column=name
        )
    return found


def _plain(word: str) -> str:
    return re.sub(r"[\s_\-]+", " ", word.strip().lower())


def flags(layer: Layer, name: str, findings: Findings) -> NDArray[np.bool_]:
    """Return a column of yes and no; no where the file has no value.

    Parameters
    ----------
    layer : Layer
        The layer.
    name : str
        Our name of the column.
    findings : Findings
        Where other values are noted.

    Returns
    -------
    ndarray of bool, shape (N,)
        The flags.
    """
    found = maybe_flags(layer, name, findings)
    return np.array([bool(value) for value in found], dtype=bool)


def maybe_flags(layer: Layer, name: str, findings: Findings) -> list[bool | None]:
    """Return a column of yes and no; None where the file has no value.

    Parameters
    ----------
    layer : Layer
        The layer.
    name : str
        Our name of the column.
    findings : Findings
        Where other values are noted.

    Returns
    -------
    list of bool or None
        One for each feature.
    """
    return _parse_each(
        layer, layer.column(name), _yes_or_no, lambda _: "Write yes or no.", findings
    )


def _yes_or_no(value: object) -> bool | None:
    word = _as_text(value).lower()
    return True if word in _TRUE else False if word in _FALSE else None


def _parse_each(
    layer: Layer,
    column: Column,
    parse: Callable[[object], T | None],
    mend: Callable[[object], str],
    findings: Findings,
) -> list[T | None]:
    """Parse every value, and note each bad one once with all its features."""
    bad: dict[str, list[str]] = {}
    found: list[T | None] = []
    for feature, value in zip(layer.frame.index, layer.raw(column.name), strict=True):
        parsed = None if value is None else parse(value)
        found.append(parsed)
        if value is not None and parsed is None:
            bad.setdefault(str(value), []).append(str(feature))
    most = int(limit("faults"))
    for value, features in list(bad.items())[:most]:
        layer.fault(
            findings,
            f'"{brief(value)}"',
            column.allowed,
            mend(value),
            features=features,
            column=column.name,
        )
    rest = [feature for features in list(bad.values())[most:] for feature in features]
    if rest:
        found_rest = f"{len(bad) - most:,} more values that are not allowed"
        layer.fault(
            findings, found_rest, column.allowed, "Correct them.", features=rest, column=column.name
        )
    return found
