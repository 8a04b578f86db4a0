"""Reading a weather CSV into numbers: every fault found, grouped, with line numbers."""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siting.errors import Fault, InputError

__all__ = ["COLUMNS", "Column", "RawTable", "lines_text", "read_table"]

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class Column:
    """What one column of the weather file may hold: unit, lowest and highest value, a hint."""

    unit: str
    low: float
    high: float
    hint: str = "Correct the values, or leave the cells empty."


#: Every column of a weather file but the date. The limits are wide: they catch wrong units.
COLUMNS: Final = {
    "tmin_c": Column("°C", -60.0, 60.0, "Fahrenheit must be converted: (F - 32) / 1.8."),
    "tmax_c": Column("°C", -60.0, 60.0, "Fahrenheit must be converted: (F - 32) / 1.8."),
    "rain_mm": Column("mm", 0.0, 2000.0, "Inches must be converted: 1 in = 25.4 mm."),
    "rs_mj_m2": Column(
        "MJ/m2 per day", 0.0, 45.0, "A daily mean in W/m2 must be multiplied by 0.0864."
    ),
    "rh_mean": Column("%", 0.0, 100.0),
    "rh_min": Column("%", 0.0, 100.0),
    "rh_max": Column("%", 0.0, 100.0),
    "tdew_c": Column("°C", -60.0, 40.0, "Fahrenheit must be converted: (F - 32) / 1.8."),
    "ea_kpa": Column("kPa", 0.0, 8.0, "hPa must be divided by 10."),
    "wind_m_s": Column("m/s", 0.0, 60.0, "km/h must be divided by 3.6."),
    "wind_height_m": Column("m", 0.5, 200.0),
}
_REQUIRED: Final = ("date", "tmin_c", "tmax_c", "rain_mm")
_MISSING: Final = frozenset({"", "na", "nan", "n/a", "null", "none", "-"})
_SENTINELS: Final = frozenset({-99.9, -999.0, -999.9, -9999.0, -99999.0})
_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}")
_YEARS: Final = (1800, 2200)
_SHOWN: Final = 3
_LIKE: Final = 0.75


@dataclass(frozen=True)
class RawTable:
    """The numbers of a weather file as they stand there.

    Parameters
    ----------
    dates : ndarray of datetime64[D], shape (N,)
        In the order of the file, each once.
    columns : dict of str to ndarray, shape (N,)
        Column -> numbers, NaN where the cell is empty.
    lines : ndarray of int, shape (N,)
        Line of the file, the header being 1.
    warnings : tuple of str
        Columns that were ignored, repeated lines that were dropped.
    """

    dates: NDArray[np.datetime64]
    columns: dict[str, _Array]
    lines: NDArray[np.int64]
    warnings: tuple[str, ...]


@dataclass
class _Ledger:
    """Collects faults, one per kind and column, with the lines on which it occurs."""

    file: str
    lines: dict[tuple[str, str, str, str], list[int]] = field(default_factory=dict)

    def add(self, line: int, column: str, found: str, allowed: str, mend: str) -> None:
        self.lines.setdefault((column, found, allowed, mend), []).append(line)

    def faults(self) -> list[Fault]:
        return [
            Fault(self.file, found, allowed, mend, feature=lines_text(lines), column=column)
            for (column, found, allowed, mend), lines in self.lines.items()
        ]


def lines_text(lines: Iterable[int]) -> str:
    """Name some lines of a file in words, however many there are.

    Examples
    --------
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


def read_table(path: Path) -> RawTable:
    """Read a weather CSV file.

    Parameters
    ----------
    path : Path
        UTF-8, with or without a byte-order mark; commas; a header.

    Returns
    -------
    RawTable
        The numbers, each within the limits of its column.

    Raises
    ------
    InputError
        With every fault of the file.
    """
    name = path.name
    rows = _rows(path)
    header = [cell.strip().lower() for cell in rows[0][1]]
    places, faults, warnings = _header(name, header)
    ledger = _Ledger(name)
    body = _body(rows[1:], len(header), ledger)
    dates = _dates(body, places, ledger)
    values = {
        column: _numbers(body, place, column, ledger)
        for column, place in places.items()
        if column != "date"
    }
    lines = np.array([line for line, _ in body], dtype=np.int64)
    _compare(values, lines, ledger)
    repeated = _repeated(dates, values, lines, ledger)
    faults += ledger.faults()
    if not body and not faults:
        faults.append(Fault(name, "no days", "one line per day", "Give a file with weather in it."))
    if faults:
        raise InputError(faults)
    if repeated.any():
        warnings.append(f"{name}: repeated identical lines dropped: {int(repeated.sum()):,}.")
    keep = ~repeated
    values = {column: numbers[keep] for column, numbers in values.items()}
    return RawTable(dates[keep], values, lines[keep], tuple(warnings))


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """Return the lines of the file with their numbers."""
    mend = "Save the table as CSV (comma separated, UTF-8)."
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError([Fault(path.name, "no such file", "a CSV file", mend)]) from None
    except (OSError, UnicodeDecodeError) as error:
        found = f"a file that cannot be read as text ({type(error).__name__})"
        raise InputError([Fault(path.name, found, "a CSV file", mend)]) from None
    reader = csv.reader(text.splitlines())
    try:
        rows = [(reader.line_num, cells) for cells in reader if cells]
    except csv.Error as error:
        raise InputError([Fault(path.name, f"broken CSV ({error})", "CSV", mend)]) from None
    if not rows:
        raise InputError([Fault(path.name, "an empty file", "a header and days", mend)])
    if len(rows[0][1]) == 1 and re.search(r"[;\t]", rows[0][1][0]):
        found = "cells separated by semicolons or tabs"
        raise InputError([Fault(path.name, found, "cells separated by commas", mend)])
    return rows


def _body(
    rows: Sequence[tuple[int, list[str]]], width: int, ledger: _Ledger
) -> list[tuple[int, list[str]]]:
    """Return the lines with something in them; those of another width are faults."""
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


def _header(name: str, header: Sequence[str]) -> tuple[dict[str, int], list[Fault], list[str]]:
    """Find the columns; return their places, the faults and the warnings."""
    known = ("date", *COLUMNS)
    places: dict[str, int] = {}
    faults: list[Fault] = []
    ignored: list[str] = []
    near: set[str] = set()
    for place, cell in enumerate(header):
        if cell in places:
            mend = "Keep one of them."
            faults.append(Fault(name, "the column twice", "each column once", mend, column=cell))
        elif cell in known:
            places[cell] = place
        else:
            close = difflib.get_close_matches(cell, known, n=1, cutoff=_LIKE)
            if close and close[0] not in header:
                near.add(close[0])
                mend = f"Did you mean {close[0]}?"
                found = "an unknown column"
                faults.append(Fault(name, found, ", ".join(known), mend, column=cell))
            else:
                ignored.append(cell or "(no name)")
    for column in _REQUIRED:
        if column not in places and column not in near:
            mend = f"The file has: {', '.join(header)}. Rename or add the column."
            faults.append(Fault(name, "no such column", "required", mend, column=column))
    warnings = [f"{name}: columns not used: {', '.join(ignored)}."] if ignored else []
    return places, faults, warnings


def _dates(
    body: Sequence[tuple[int, list[str]]], places: dict[str, int], ledger: _Ledger
) -> NDArray[np.datetime64]:
    """Read the dates; NaT where one is wrong."""
    dates = np.full(len(body), np.datetime64("NaT", "D"))
    if "date" not in places:
        return dates
    for i, (line, cells) in enumerate(body):
        text = cells[places["date"]].strip()
        day = _iso(text)
        if day is None:
            mend = "Write dates as YYYY-MM-DD, and leave out days that do not exist."
            found = "an empty date" if not text else "a date in another form or one that is not"
            ledger.add(line, "date", found, "YYYY-MM-DD", mend)
        else:
            dates[i] = np.datetime64(day, "D")
    return dates


def _iso(text: str) -> dt.date | None:
    """Return the date, or None when it is not a plausible one in ISO form."""
    if not _DATE.fullmatch(text):
        return None
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        return None
    return day if _YEARS[0] <= day.year <= _YEARS[1] else None


def _numbers(
    body: Sequence[tuple[int, list[str]]], place: int, column: str, ledger: _Ledger
) -> _Array:
    """Read one column; NaN where a cell is empty or wrong."""
    rule = COLUMNS[column]
    allowed = f"{rule.low:g} to {rule.high:g} {rule.unit}"
    numbers = np.full(len(body), np.nan)
    for i, (line, cells) in enumerate(body):
        text = cells[place].strip()
        if text.lower() in _MISSING:
            continue
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            ledger.add(line, column, "text", f"a number, {allowed}", "Leave unknown cells empty.")
        elif value in _SENTINELS:
            mend = "It looks like a mark for missing values: leave those cells empty."
            ledger.add(line, column, f"{value:g}", allowed, mend)
        elif not rule.low <= value <= rule.high:
            found = f"values below {rule.low:g}" if value < rule.low else f"above {rule.high:g}"
            ledger.add(line, column, found, allowed, rule.hint)
        else:
            numbers[i] = value
    return numbers


def _compare(values: dict[str, _Array], lines: NDArray[np.int64], ledger: _Ledger) -> None:
    """Find days whose lowest value is above the highest."""
    for low, high in (("tmin_c", "tmax_c"), ("rh_min", "rh_max")):
        if low in values and high in values:
            for line in lines[values[low] > values[high]]:
                mend = "Correct the day; perhaps the two columns are swapped."
                ledger.add(int(line), low, f"{low} above {high}", f"{low} <= {high}", mend)


def _repeated(
    dates: NDArray[np.datetime64],
    values: dict[str, _Array],
    lines: NDArray[np.int64],
    ledger: _Ledger,
) -> NDArray[np.bool_]:
    """Tell which lines repeat a day; those that contradict the line before are faults."""
    order = np.argsort(dates, kind="stable")
    again = np.flatnonzero(dates[order][1:] == dates[order][:-1]) + 1
    repeated = np.zeros(dates.size, dtype=np.bool_)
    repeated[order[again]] = True
    for now, before in zip(order[again], order[again - 1], strict=True):
        pairs = ((column[now], column[before]) for column in values.values())
        if not all(a == b or (math.isnan(a) and math.isnan(b)) for a, b in pairs):
            found = "a day that was given before with other values"
            mend = "Keep one line for each day."
            ledger.add(int(lines[now]), "date", found, "each day once", mend)
    return repeated
