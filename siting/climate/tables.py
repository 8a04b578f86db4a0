"""Tables of weather: guarded before opening, read cell by cell, every fault with its line."""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import gzip
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import IO, Final, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from siting.arrays import Flags, Floats, Ints
from siting.errors import Fault, InputError, limit
from siting.units import FOOT_M, INCH_MM

_MB: Final = 1_000_000
_HEAD: Final = 20_000
#: A line of a table of stations has less than 300 characters.
_LONGEST_LINE: Final = 100_000
_MEND: Final = "Save the table as CSV (comma separated, UTF-8)."
_STARTS: Final = (
    (b"PK\x03\x04", "a zip archive or a workbook"),
    (b"\xd0\xcf\x11\xe0", "a workbook"),
    (b"SQLite format 3", "a database"),
    (b"%PDF", "a PDF"),
    (b"\xff\xfe", "a text in UTF-16, not UTF-8"),
    (b"\xfe\xff", "a text in UTF-16, not UTF-8"),
    (b"version https://git-lfs", "a pointer to a file in a large-file store"),
)


def check_size(path: Path, key: str) -> None:
    """Refuse a file that is larger than a limit."""
    size = path.stat().st_size / _MB if path.is_file() else 0.0
    if size > limit(key):
        allowed = f"at most {limit(key):,.0f} MB"
        mend = "Leave out what is not weather of this place, or of these years."
        raise InputError([Fault(path.name, f"a file of {size:,.0f} MB", allowed, mend)])


def refuse_bytes(path: Path) -> None:
    """Refuse a file whose first bytes are those of no text."""
    if not path.is_file():
        return
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError:
        return
    found = next((what for start, what in _STARTS if head.startswith(start)), None)
    if head.startswith(b"\x1f\x8b"):
        found = None if path.suffix == ".gz" else "a file packed with gzip"
    elif found is None and b"\0" in head:
        found = "NUL bytes, which are no text in UTF-8"
    if found is not None:
        raise InputError([Fault(path.name, found, "a CSV file", _MEND)])


class _Bounded(io.RawIOBase):
    """A file that stops when it unpacks to more than a limit, or to a line without end."""

    def __init__(self, inner: IO[bytes], name: str) -> None:
        super().__init__()
        self._inner, self._name = inner, name
        self._total = self._line = 0

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        self._inner.close()
        super().close()

    def readinto(self, buffer: bytearray | memoryview, /) -> int:  # type: ignore[override]
        data = self._inner.read(len(buffer))
        buffer[: len(data)] = data
        self._total += len(data)
        end = data.rfind(b"\n")
        self._line = len(data) - end - 1 if end >= 0 else self._line + len(data)
        most = limit("station_mb")
        if self._total > most * _MB or self._line > _LONGEST_LINE:
            found = f"more than {most:,.0f} MB, or a line of more than {_LONGEST_LINE:,} characters"
            mend = "Take the file of one station."
            raise InputError([Fault(self._name, found, f"at most {most:,.0f} MB", mend)])
        return len(data)


def open_bounded(path: Path) -> io.BufferedReader:
    """Open a table of stations, packed with gzip or not, so that it cannot fill the memory.

    Result: its bytes; reading raises InputError at the limit.
    """
    opened = gzip.open(path) if path.suffix == ".gz" else path.open("rb")  # noqa: SIM115
    return io.BufferedReader(_Bounded(cast("IO[bytes]", opened), path.name), 1 << 20)


#: Line of the file, and the cells on it.
Row = tuple[int, list[str]]
_MISSING: Final = frozenset({"", "na", "nan", "n/a", "null", "none", "-"})
#: Numbers that stand for "no value" in one archive or another, with either sign.
_SENTINELS: Final = frozenset(
    {99.9, 999.0, 999.9, 999.99, 6999.0, 7777.0, 8888.0, 9999.0, 9999.9, 99999.0}
)
_NUMBER: Final = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_MARKS: Final = np.array(sorted(_SENTINELS))
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
            Fault(self.file, found, allowed, mend, feature=_lines_text(lines), column=column)
            for (column, found, allowed, mend), lines in self.lines.items()
        ]


def _lines_text(lines: Iterable[int]) -> str:
    """Name some lines of a file in words, however many there are.

    lines: lines, at least one. Result: the first three in rising order, and how many more.

    >>> _lines_text([7])
    'line 7'
    >>> _lines_text([2, 3, 5, 9, 11])
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
    return _rows(path.name, _text(path))


def _text(path: Path) -> str:
    """Return the text of a CSV file."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError([Fault(path.name, "no such file", "a CSV file", _MEND)]) from None
    except PermissionError:
        found = "a file that may not be read (permission)"
        allow = "Allow it to be read, and close it in other programs."
        raise InputError([Fault(path.name, found, "a CSV file", allow)]) from None
    except (OSError, UnicodeDecodeError) as error:
        found = f"a file that cannot be read as text ({type(error).__name__})"
        raise InputError([Fault(path.name, found, "a CSV file", _MEND)]) from None
    if "\0" in text:
        raise InputError([Fault(path.name, "NUL bytes", "a CSV file in UTF-8", _MEND)])
    return text


def _rows(name: str, text: str) -> list[Row]:
    """Return the lines of a text with their numbers."""
    reader = csv.reader(text.splitlines())
    rows: list[Row] = []
    before = 0
    try:
        for cells in reader:
            if reader.line_num > before + 1:
                raise InputError([_open_quote(name, before + 1)])
            before = reader.line_num
            if any(cell.strip() for cell in cells):
                rows.append((before, cells))
    except csv.Error as error:
        raise InputError([Fault(name, f"broken CSV ({error})", "CSV", _MEND)]) from None
    if not rows:
        raise InputError([Fault(name, "an empty file", "a header and days", _MEND)])
    if len(rows[0][1]) == 1 and re.search(r"[;\t]", rows[0][1][0]):
        raise InputError([_other_separator(name, text)])
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
    name: str, header: Sequence[str], columns: Mapping[str, Column], required: Sequence[str]
) -> tuple[dict[str, Place], list[Fault], list[str]]:
    """Find the columns of a table.

    columns: every numeric column; required: columns that must be there, first the one that names
    the row, such as date. Result: our column -> where it stands; columns twice,
    misspelt or missing; columns that are not used.
    """
    known = (required[0], *columns)
    spelled = {word: to for word, to in SPELLINGS.items() if to[0] in columns}
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
    for column in required:
        if column not in places and column not in near:
            there = ", ".join(header)
            there = there if len(there) <= _LONGEST else f"{there[:_LONGEST]}..."
            mend = f"The file has: {there}. Rename or add the column."
            faults.append(Fault(name, "no such column", "required", mend, column=column))
    warnings = [f"{name}: columns not used: {', '.join(ignored)}."] if ignored else []
    return places, faults, warnings


def read_numbers(body: Sequence[Row], place: Place, rule: Column, ledger: Ledger) -> Floats:
    """Read one column.

    place: where the column stands, and its unit. Result: in our unit; NaN where a cell is empty or
    wrong, shape (N,).
    """
    plain = _plain_numbers([cells[place.position] for _, cells in body], place, rule)
    if plain is not None:
        return plain
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


def _plain_numbers(texts: list[str], place: Place, rule: Column) -> Floats | None:
    """Read a column of nothing but numbers within its limits and empty cells, as most are.

    Result: in our unit; None where a cell has to be looked at for itself.
    """
    if not all(map(_NUMBER.fullmatch, filter(None, texts))):
        return None
    values = np.array([float(text) if text else math.nan for text in texts])
    numbers = values * place.factor + place.offset
    known = np.isfinite(values)
    if np.count_nonzero(known) < sum(map(bool, texts)):
        return None
    inside = (numbers[known] >= rule.low) & (numbers[known] <= rule.high)
    marks = np.isin(np.abs(values), _MARKS)
    marks |= (values == -99.0) & (rule.low > values)  # noqa: PLR2004
    return numbers if inside.all() and not marks.any() else None


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


#: Every column of a weather file but the date. The limits are wide: they catch wrong units.
COLUMNS: Final = {
    "tmin_c": Column("°C", -60.0, 60.0, "Where it is Fahrenheit, name the column tmin_f."),
    "tmax_c": Column("°C", -60.0, 60.0, "Where it is Fahrenheit, name the column tmax_f."),
    "rain_mm": Column("mm", 0.0, 2000.0, "Where it is inches, name the column rain_in."),
    "rs_mj_m2": Column(
        "MJ/m2 per day",
        0.0,
        45.0,
        "A daily mean in W/m2 must be multiplied by 0.0864; or name the column rs_w_m2.",
    ),
    "rh_mean": Column("%", 0.0, 100.0),
    "rh_min": Column("%", 0.0, 100.0),
    "rh_max": Column("%", 0.0, 100.0),
    "tdew_c": Column("°C", -60.0, 40.0, "Where it is Fahrenheit, name the column tdew_f."),
    "ea_kpa": Column("kPa", 0.0, 8.0, "hPa must be divided by 10."),
    "wind_m_s": Column("m/s", 0.0, 60.0, "Where it is km/h or mph, name it wind_km_h or wind_mph."),
    "wind_height_m": Column("m", 0.5, 200.0),
    "diffuse_fraction": Column("of global radiation", 0.0, 1.0, "Percent must be divided by 100."),
}
_REQUIRED: Final = ("tmin_c", "tmax_c", "rain_mm")
_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_FIRST_YEAR: Final = 1800


@dataclass(frozen=True)
class RawTable:
    """The numbers of a weather file as they stand there.

    dates (N,): in the order of the file, each once; columns (N,): column -> numbers, NaN where the
    cell is empty; lines (N,): line of the file, the header being 1; warnings: columns that were
    ignored, repeated lines that were dropped.
    """

    dates: NDArray[np.datetime64]
    columns: dict[str, Floats]
    lines: Ints
    warnings: tuple[str, ...]


def latest_day(today: dt.date | None = None) -> dt.date:
    """Return the last day of which weather can have been measured anywhere on earth.

    today: today's date in UTC, that of the clock when not given. Result: tomorrow: east of
    Greenwich the day begins earlier.
    """
    return (today or dt.datetime.now(tz=dt.UTC).date()) + dt.timedelta(days=1)


def read_table(
    path: Path, *, required: tuple[str, ...] = _REQUIRED, today: dt.date | None = None
) -> RawTable:
    """Read a weather CSV file.

    required: columns that must be there besides the date; today: later days are refused, the
    clock's date when not given. Result: the numbers, each within the limits of its column; one
    station's days, of which many properties ask, are read once.
    """
    return _read_table(path.name, _text(path), required, latest_day(today))


@lru_cache(maxsize=4)
def _read_table(name: str, text: str, required: tuple[str, ...], latest: dt.date) -> RawTable:
    """Read the text of a weather file; what comes of it may not be written to."""
    rows = _rows(name, text)
    header = [cell.strip().lower() for cell in rows[0][1]]
    places, faults, warnings = find_columns(name, header, COLUMNS, ("date", *required))
    ledger = Ledger(name)
    body = full_rows(rows[1:], len(header), ledger)
    dates = _dates(body, places, ledger, latest)
    values = {
        column: read_numbers(body, place, COLUMNS[column], ledger)
        for column, place in places.items()
        if column != "date"
    }
    lines = np.array([line for line, _ in body], dtype=np.int64)
    _compare(values, lines, ledger)
    repeated = _repeated(dates, values, lines, ledger)
    faults += ledger.faults()
    if not body and not faults:
        mend = 'Give a file with weather in it; for a first plan, format = "stand_in" needs none.'
        faults.append(Fault(name, "no days", "one line per day", mend))
    if faults:
        raise InputError(faults)
    if repeated.any():
        warnings.append(f"{name}: repeated identical lines dropped: {int(repeated.sum()):,}.")
    converted = [p.spelling for p in places.values() if p.factor != 1.0]
    if converted:
        warnings.append(f"{name}: converted from the unit in the header: {', '.join(converted)}.")
    keep = ~repeated
    values = {column: numbers[keep] for column, numbers in values.items()}
    table = RawTable(dates[keep], values, lines[keep], tuple(warnings))
    for numbers in (table.dates, table.lines, *table.columns.values()):
        numbers.setflags(write=False)
    return table


def _dates(
    body: Sequence[Row], places: dict[str, Place], ledger: Ledger, latest: dt.date
) -> NDArray[np.datetime64]:
    """Read the dates; NaT where one is wrong."""
    dates = np.full(len(body), np.datetime64("NaT", "D"))
    if "date" not in places:
        return dates
    for i, (line, cells) in enumerate(body):
        text = cells[places["date"].position].strip()
        day = _iso(text)
        if day is None:
            mend = "Write dates as YYYY-MM-DD, and leave out days that do not exist."
            found = "an empty date" if not text else "a date in another form or one that is not"
            ledger.add(line, "date", found, "YYYY-MM-DD", mend)
        elif day > latest:
            mend = "Leave forecasts out; look for a wrong year or a swapped day and month."
            ledger.add(line, "date", "a day in the future", "days that were measured", mend)
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
    return day if day.year >= _FIRST_YEAR else None


def _compare(values: dict[str, Floats], lines: Ints, ledger: Ledger) -> None:
    """Find days whose lowest value is above the highest."""
    for low, high in (("tmin_c", "tmax_c"), ("rh_min", "rh_max")):
        if low in values and high in values:
            for line in lines[values[low] > values[high]]:
                mend = "Correct the day; perhaps the two columns are swapped."
                ledger.add(int(line), low, f"{low} above {high}", f"{low} <= {high}", mend)


def _repeated(
    dates: NDArray[np.datetime64],
    values: dict[str, Floats],
    lines: Ints,
    ledger: Ledger,
) -> Flags:
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
