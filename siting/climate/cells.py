"""The cells of a CSV table of weather: header, widths and numbers, every fault with its line."""

from __future__ import annotations

import csv
import difflib
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.errors import Fault, InputError
from siting.units import FOOT_M, INCH_MM

__all__ = [
    "SPELLINGS",
    "Column",
    "Layout",
    "Ledger",
    "Place",
    "Row",
    "find_columns",
    "full_rows",
    "lines_text",
    "read_numbers",
    "read_rows",
]

_Array = NDArray[np.float64]
#: Line of the file, and the cells on it.
Row = tuple[int, list[str]]

_MISSING: Final = frozenset({"", "na", "nan", "n/a", "null", "none", "-"})
#: Numbers that stand for "no value" in one archive or another, with either sign.
_SENTINELS: Final = frozenset(
    {99.9, 999.0, 999.9, 999.99, 6999.0, 7777.0, 8888.0, 9999.0, 9999.9, 99999.0}
)
_NUMBER: Final = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_TRACES: Final = frozenset({"t", "tr", "trace"})
_LONGEST: Final = 200
_COMMA_NUMBER: Final = re.compile(r"[-+]?\d+,\d+")
_SHOWN: Final = 3
_LIKE: Final = 0.75
_MPH: Final = 0.44704


@dataclass(frozen=True)
class Column:
    """What one column may hold.

    unit: our unit, as named in messages; low, high: lowest and highest value, in that unit; hint:
    how to mend a value outside them.
    """

    unit: str
    low: float
    high: float
    hint: str = "Correct the values, or leave the cells empty."


class Place(NamedTuple):
    """Where a column stands, how the file spells it, and what turns it into our unit.

    position: of the cell in a row, from 0; spelling: the header's cell, in lower case; factor,
    offset: our value is the file's times the factor, plus the offset.
    """

    position: int
    spelling: str
    factor: float = 1.0
    offset: float = 0.0


#: Headers that carry another unit: our column, factor and offset.
SPELLINGS: Final[Mapping[str, tuple[str, float, float]]] = {
    "tmin_f": ("tmin_c", 1 / 1.8, -32 / 1.8),
    "tmax_f": ("tmax_c", 1 / 1.8, -32 / 1.8),
    "tdew_f": ("tdew_c", 1 / 1.8, -32 / 1.8),
    "rain_in": ("rain_mm", INCH_MM, 0.0),
    "rs_w_m2": ("rs_mj_m2", 0.0864, 0.0),
    "rs_kwh_m2": ("rs_mj_m2", 3.6, 0.0),
    "wind_mph": ("wind_m_s", _MPH, 0.0),
    "wind_km_h": ("wind_m_s", 1 / 3.6, 0.0),
    "wind_height_ft": ("wind_height_m", FOOT_M, 0.0),
}


@dataclass(frozen=True)
class Layout:
    """What columns a table has.

    columns: every numeric column; key: the column that names the row, such as date; required:
    columns that must be there.
    """

    columns: Mapping[str, Column]
    key: str
    required: tuple[str, ...]


@dataclass
class Ledger:
    """Collects faults, one per kind and column, with the lines on which it occurs.

    file: the file's name; lines: (column, found, allowed, mend) -> lines of the file.
    """

    file: str
    lines: dict[tuple[str, str, str, str], list[int]] = field(default_factory=dict)

    def add(self, line: int, column: str, found: str, allowed: str, mend: str) -> None:
        """Note a fault on a line."""
        self.lines.setdefault((column, found, allowed, mend), []).append(line)

    def faults(self) -> list[Fault]:
        """Return the faults in the order in which each was first met."""
        return [
            Fault(self.file, found, allowed, mend, feature=lines_text(lines), column=column)
            for (column, found, allowed, mend), lines in self.lines.items()
        ]


def lines_text(lines: Iterable[int]) -> str:
    """Name some lines of a file in words, however many there are.

    lines: lines, at least one. Result: the first three in rising order, and how many more.

    >>> lines_text([7])
    'line 7'
    >>> lines_text([2, 3, 5, 9, 11])
    'lines 2, 3, 5 and 2 more'
    """
    listed = sorted(lines)
    if len(listed) == 1:
        return f"line {listed[0]}"
    shown = ", ".join(str(n) for n in listed[:_SHOWN])
    more = len(listed) - _SHOWN
    return f"lines {shown} and {more} more" if more > 0 else f"lines {shown}"


def read_rows(path: Path) -> list[Row]:
    """Return the lines of a CSV file with their numbers.

    Result: lines that hold anything, the header first.
    """
    mend = "Save the table as CSV (comma separated, UTF-8)."
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError([Fault(path.name, "no such file", "a CSV file", mend)]) from None
    except PermissionError:
        found = "a file that may not be read (permission)"
        allow = "Allow it to be read, and close it in other programs."
        raise InputError([Fault(path.name, found, "a CSV file", allow)]) from None
    except (OSError, UnicodeDecodeError) as error:
        found = f"a file that cannot be read as text ({type(error).__name__})"
        raise InputError([Fault(path.name, found, "a CSV file", mend)]) from None
    if "\0" in text:
        raise InputError([Fault(path.name, "NUL bytes", "a CSV file in UTF-8", mend)])
    reader = csv.reader(text.splitlines())
    rows: list[Row] = []
    before = 0
    try:
        for cells in reader:
            if reader.line_num > before + 1:
                raise InputError([_open_quote(path.name, before + 1)])
            before = reader.line_num
            if any(cell.strip() for cell in cells):
                rows.append((before, cells))
    except csv.Error as error:
        raise InputError([Fault(path.name, f"broken CSV ({error})", "CSV", mend)]) from None
    if not rows:
        raise InputError([Fault(path.name, "an empty file", "a header and days", mend)])
    if len(rows[0][1]) == 1 and re.search(r"[;\t]", rows[0][1][0]):
        raise InputError([_other_separator(path.name, text)])
    return rows


def _open_quote(name: str, line: int) -> Fault:
    mend = "Close the quote, or remove it."
    found = "a quote that is not closed on its line"
    return Fault(name, found, "cells on one line", mend, feature=f"line {line}")


def _other_separator(name: str, text: str) -> Fault:
    """Say how to mend a table of another regional setting."""
    found = "cells separated by semicolons or tabs"
    mend = "Save the table as CSV with commas, or replace every semicolon or tab by a comma."
    if re.search(r"[;\t]\s*-?\d+,\d", text):
        found += ", numbers with a decimal comma"
        mend = (
            "First replace every comma by a point, then every semicolon or tab by a comma; or "
            "export the table again with points in the numbers and commas between the cells."
        )
    return Fault(name, found, "numbers with points, cells separated by commas", mend)


def full_rows(rows: Sequence[Row], width: int, ledger: Ledger) -> list[Row]:
    """Return the lines with something in them; those of another width are faults.

    Result: the lines of that width.
    """
    body = []
    for line, cells in rows:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) == width:
            body.append((line, cells))
            continue
        found = "another number of cells than in the header"
        mend = "Numbers need a point, not a comma."
        ledger.add(line, "", found, f"{width} cells separated by commas", mend)
    return body


def find_columns(
    name: str, header: Sequence[str], layout: Layout
) -> tuple[dict[str, Place], list[Fault], list[str]]:
    """Find the columns of a table.

    layout: what columns there can be. Result: our column -> where it stands; columns twice,
    misspelt or missing; columns that are not used.
    """
    known = (layout.key, *layout.columns)
    spelled = {word: to for word, to in SPELLINGS.items() if to[0] in layout.columns}
    places: dict[str, Place] = {}
    faults: list[Fault] = []
    ignored: list[str] = []
    near: set[str] = set()
    for position, cell in enumerate(header):
        column, factor, offset = spelled.get(cell, (cell, 1.0, 0.0))
        if column in places:
            found = "the column twice"
            faults.append(Fault(name, found, "each column once", "Keep one of them.", column=cell))
        elif column in known:
            places[column] = Place(position, cell, factor, offset)
        else:
            close = difflib.get_close_matches(cell, known, n=1, cutoff=_LIKE)
            if close and close[0] not in header:
                near.add(close[0])
                mend = f"Did you mean {close[0]}?"
                found = "an unknown column"
                faults.append(Fault(name, found, ", ".join(known), mend, column=cell))
            else:
                ignored.append(cell or "(no name)")
    for column in layout.required:
        if column not in places and column not in near:
            there = ", ".join(header)
            there = there if len(there) <= _LONGEST else f"{there[:_LONGEST]}..."
            mend = f"The file has: {there}. Rename or add the column."
            faults.append(Fault(name, "no such column", "required", mend, column=column))
    warnings = [f"{name}: columns not used: {', '.join(ignored)}."] if ignored else []
    return places, faults, warnings


def read_numbers(body: Sequence[Row], place: Place, rule: Column, ledger: Ledger) -> _Array:
    """Read one column.

    place: where the column stands, and its unit. Result: in our unit; NaN where a cell is empty or
    wrong, shape (N,).
    """
    allowed = f"{rule.low:g} to {rule.high:g} {rule.unit}"
    numbers = np.full(len(body), np.nan)
    for i, (line, cells) in enumerate(body):
        text = cells[place.position].strip()
        if text.lower() in _MISSING:
            continue
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        number = value * place.factor + place.offset
        if not math.isfinite(value):
            ledger.add(line, place.spelling, *_no_number(text, allowed))
        elif _is_mark(value, rule):
            mend = "It looks like a mark for missing values: leave those cells empty."
            ledger.add(line, place.spelling, f"{value:g}", allowed, mend)
        elif not rule.low <= number <= rule.high:
            found = f"values below {rule.low:g}" if number < rule.low else f"above {rule.high:g}"
            ledger.add(line, place.spelling, found, allowed, rule.hint)
        else:
            numbers[i] = number
    return numbers


def _no_number(text: str, allowed: str) -> tuple[str, str, str]:
    """Return found, allowed and mend of a cell that is no number."""
    allowed = f"a number, {allowed}"
    if _COMMA_NUMBER.fullmatch(text):
        return "a decimal comma", allowed, "Write a point: 12.5."
    if text.lower() in _TRACES:
        return f'"{text}"', allowed, "It looks like a trace of rain: write 0."
    return "text", allowed, "Leave unknown cells empty."


def _is_mark(value: float, rule: Column) -> bool:
    """Return whether a number stands for a missing one; -99 only where it cannot be a value."""
    return abs(value) in _SENTINELS or (value == -99.0 and rule.low > value)  # noqa: PLR2004
