"""Tables as people save them: any delimiter, decimal commas, workbooks; every row keeps its number.

Nothing is guessed in silence: what was found (delimiter, decimal commas, order of a date) is told,
and what is not clear is a fault with its row.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import re
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from siting.errors import Fault, InputError

_DELIMITERS: Final = (",", ";", "\t", "|")
_LARGEST: Final = 60_000_000  # bytes, unpacked: a year of readings every minute has 20 million
_LONG: Final = 100_000  # characters: the csv module refuses longer cells
_WIDEST: Final = 300  # columns of a workbook's table
_NUMBER: Final = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")
_ISO: Final = re.compile(
    r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ](\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?)?"
    r"(Z|[-+]\d{2}:?\d{2})?"
)
#: 5/4/2026, 5/4/26 2pm, 5.4.2026 14:00, 5/4/2026 2:30:00 PM
_SLASHED: Final = re.compile(
    r"(\d{1,2})[/.](\d{1,2})[/.](\d{4}|\d{2})"
    r"(?:,?[ T]+(\d{1,2})(?=:|\s*[AaPp])(?::(\d{2})(?::(\d{2}))?)?\s*([AaPp]\.?[Mm]?\.?)?)?"
)
_CENTURY: Final = 100
_NUMERAL: Final = r"(?:\d+(?:[.,]\d+)?)"
_FRACTION: Final = r"(?:(\d+)[ -]+)?(\d+)/(\d+)"
#: 24 ft 6 in, 46' 2", 24' 6 1/2", 3 in, 12 ft; the dash of 56-3 stands for "feet and inches".
_FEET: Final = re.compile(
    rf"(?:({_NUMERAL})\s*(?:ft|feet|foot|'|\u2019|\u2032)\.?,?\s*(?:and\s*)?-?\s*)?"
    rf"(?:(?:{_FRACTION}|({_NUMERAL}))\s*(?:in|inch|inches|\"|''|\u201d|\u2033)?\.?)?",
    re.IGNORECASE,
)
_DASHED: Final = re.compile(rf"(\d+)\s*-\s*(?:{_FRACTION}|({_NUMERAL}))\s*(?:\"|in)?")
_METRIC: Final = re.compile(rf"({_NUMERAL})\s*(m|cm|mm|metres|meters)\.?", re.IGNORECASE)
_INCHES: Final = re.compile(r"[\"\u201d\u2033]|''|in", re.IGNORECASE)
_METRIC_M: Final = {"m": 1.0, "metres": 1.0, "meters": 1.0, "cm": 0.01, "mm": 0.001}
_FOOT_M: Final = 0.3048
_MISSING: Final = frozenset({"", "-", "–", "na", "n/a", "nan", "null", "none", "nodata", "#n/a"})
_YES: Final = frozenset({"yes", "y", "true", "1", "x", "ja", "si", "oui"})
_NO: Final = frozenset({"no", "n", "false", "0", "nein", "non"})
_TWELVE: Final = 12
#: Years of a reading; others are slips of the pen, and pandas cannot hold all of them.
YEARS: Final = range(1900, 2200)
YEARS_SAID: Final = f"{YEARS[0]} to {YEARS[-1]}"


@dataclass
class RawSheet:
    """One table as it stands in the file.

    file: name of the file, with the sheet's where it is a workbook; headers: the first row that is
    not empty; rows: row number in the file (the header being 1 where it comes first) and its cells;
    notes: what was found out about the file; labels: what its rows are called in messages, where
    "row 7" says nothing.
    """

    file: str
    headers: tuple[str, ...]
    rows: list[tuple[int, list[Any]]]
    notes: list[str] = field(default_factory=list)
    labels: Mapping[str, str] = field(default_factory=dict)

    def column(self, header: str) -> list[tuple[int, Any]]:
        """Return row number and cell of one column; None where a row ends before the column."""
        place = self.headers.index(header)
        return [(row, cells[place] if place < len(cells) else None) for row, cells in self.rows]


def read_sheets(path: Path | str) -> list[RawSheet]:
    """Read the tables of a CSV file or a workbook.

    Result: those that have a header and a row.
    """
    place = Path(path)
    try:
        content = place.read_bytes()
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        raise _refused(place.name, found, "a file that you may read", "Check the path.") from error
    if len(content) > _LARGEST:
        raise _too_large(place.name)
    if place.suffix.lower() in {".xlsx", ".xlsm"}:
        return _workbook(place.name, content)
    return [sheet for sheet in [_delimited(place.name, content)] if sheet.rows]


def _refused(file: str, found: str, allowed: str, mend: str) -> InputError:
    return InputError([Fault(file, found, allowed, mend)])


def _too_large(file: str) -> InputError:
    found = f"more than {_LARGEST // 10**6} MB"
    return _refused(file, found, "a smaller file", "Split the log, or average it to the hour.")


def _workbook(file: str, content: bytes) -> list[RawSheet]:
    """Read every sheet of a workbook that has a table."""
    from openpyxl import load_workbook  # noqa: PLC0415 - only when a workbook comes

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as parts:
            unpacked = sum(part.file_size for part in parts.infolist())
        small = unpacked <= 4 * _LARGEST  # a small file may unpack to a very large one
        book = load_workbook(io.BytesIO(content), data_only=True, read_only=True) if small else None
        pages = book.worksheets if book else []
        grids = {sheet.title: _filled_rows(sheet) for sheet in pages}
    except Exception as error:
        # A broken workbook fails in many ways inside the reader; all mean the same to the user.
        found = "a workbook that cannot be opened"
        raise _refused(
            file, found, "an .xlsx workbook", "Save it again as .xlsx, or as CSV."
        ) from error
    if not small:
        raise _too_large(file)
    sheets = [_table(f"{file} [{name}]", grid) for name, grid in grids.items() if _is_table(grid)]
    return [sheet for sheet in sheets if sheet is not None and sheet.rows]


def _of_cell(cell: Any) -> Any:  # noqa: ANN401 - a cell of a workbook
    """Return the value of a cell; a number keeps that it is shown as per cent."""
    value = cell.value
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return Percent(value) if "%" in str(cell.number_format) else value
    return value


def _filled_rows(sheet: Any) -> list[tuple[int, list[Any]]]:  # noqa: ANN401 - openpyxl's own
    """Return the rows that hold something, with their numbers.

    One stray cell in the last row or column makes a sheet of 17 thousand million cells: rows are
    looked at one by one, and no table here is wider than `_WIDEST`.
    """
    from openpyxl.cell.read_only import EMPTY_CELL  # noqa: PLC0415 - only when a workbook comes

    rows = enumerate(sheet.iter_rows(max_col=_WIDEST), start=1)
    filled = (
        (number, [_of_cell(cell) for cell in row])
        for number, row in rows
        if any(cell is not EMPTY_CELL for cell in row)
    )
    return [(number, row) for number, row in filled if row.count(None) < len(row)]


def _is_table(grid: list[tuple[int, list[Any]]]) -> bool:
    """Tell a table from a page of words, whose first line is one cell."""
    first = next((row for _, row in grid if any(not _blank(c) for c in row)), [])
    return sum(not _blank(c) for c in first) > 1


def _delimited(file: str, content: bytes) -> RawSheet:
    """Read delimited text; the delimiter is the one that splits the header into most cells."""
    text, notes = _decoded(file, content)
    lines = text.splitlines()
    first = next((line for line in lines if line.strip()), "")
    counts = {mark: first.count(mark) + 1 for mark in _DELIMITERS} if len(first) > _LONG else {
        mark: len(next(csv.reader([first], delimiter=mark), [])) for mark in _DELIMITERS
    }  # fmt: skip
    delimiter = max(_DELIMITERS, key=lambda mark: counts[mark])
    if delimiter != "," and counts[delimiter] > 1:
        names = {";": "semicolons", "\t": "tabs", "|": "bars"}
        notes.append(f"{file}: cells are separated by {names[delimiter]}")
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        grid: list[tuple[int, list[Any]]] = [(reader.line_num, list(cells)) for cells in reader]
    except csv.Error as error:
        found = f"a line that is no CSV ({error})"
        raise _refused(file, found, "delimited text", "Save the sheet again as CSV.") from error
    sheet = _table(file, grid)
    if sheet is None:
        raise _refused(file, "no header", "a header and rows below it", "Add the header.")
    sheet.notes[:0] = notes
    return sheet


def _decoded(file: str, content: bytes) -> tuple[str, list[str]]:
    """Return the text of a file and what was found about its letters."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", "replace"), [f"{file}: read as UTF-16"]
    try:
        return content.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        return content.decode("cp1252", "replace"), [f"{file}: not UTF-8; read as Windows-1252"]


def _table(file: str, grid: Sequence[tuple[int, list[Any]]]) -> RawSheet | None:
    """Return header and rows; rows with more cells than the header are faults."""
    full = [(row, cells) for row, cells in grid if any(not _blank(cell) for cell in cells)]
    if not full:
        return None
    headers = tuple(str(cell).strip() if cell is not None else "" for cell in full[0][1])
    while headers and not headers[-1]:
        headers = headers[:-1]
    wide = [row for row, cells in full[1:] if any(not _blank(c) for c in cells[len(headers) :])]
    faults = [
        Fault(
            file,
            "more cells than the header has",
            f"{len(headers)} cells",
            "Where commas are decimal commas, write points, or save with semicolons between cells.",
            feature=f"row {row}",
        )
        for row in wide[:20]
    ]
    doubled = sorted({h for h in headers if h and headers.count(h) > 1})
    faults += [
        Fault(file, f'two columns "{name}"', "each column once", "Rename one.") for name in doubled
    ]
    if faults:
        raise InputError(faults)
    return RawSheet(file, headers, [(row, cells[: len(headers)]) for row, cells in full[1:]])


def _blank(cell: object) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def unguarded(cell: object) -> str:
    """Return a cell as text; the apostrophe that guards against formulas is taken off.

    cell: text, number or None. Result: stripped text; whole numbers without a point.

    >>> unguarded("'=S1"), unguarded(" S2 "), unguarded(3.0), unguarded(None)
    ('=S1', 'S2', '3', '')
    """
    if cell is None:
        return ""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    text = str(cell).strip()
    guarded = len(text) > 1 and text[0] == "'" and text[1:].lstrip(" ")[:1] in set("=+-@＝＋－＠")
    return text[1:] if guarded else text


def as_number(cell: object) -> tuple[float, bool]:
    """Return a cell as a number, and whether a decimal comma was read.

    cell: text, number or None. Result: NaN for an empty cell.

    >>> as_number("12,3"), as_number(7)
    ((12.3, True), (7.0, False))
    """
    if isinstance(cell, bool):
        raise ValueError(str(cell))  # noqa: TRY004 - the same to the user as any other text
    if isinstance(cell, (int, float)):
        return _finite(cell), False
    text = unguarded(cell).replace("\u2212", "-").replace("\u00a0", "").strip()
    if text.lower() in _MISSING:
        return math.nan, False
    if not _NUMBER.fullmatch(text):
        raise ValueError(text)
    return _finite(text.replace(",", ".")), "," in text


class Percent(float):
    """A number of a workbook whose cell is shown as per cent: 0.24 is seen as 24 %."""


def as_percent(cell: object) -> float | None:
    """Return a cell that says per cent as that number, None where it does not say so.

    cell: text, number or None. Result: 24 for "24%" and for 0.24 shown as 24 % in a workbook.

    >>> as_percent("22.5 %"), as_percent(Percent(0.24)), as_percent("22.5")
    (22.5, 24.0, None)
    """
    if isinstance(cell, Percent):
        return round(100 * float(cell), 9)
    text = unguarded(cell) if isinstance(cell, str) else ""
    return as_number(text[:-1])[0] if text.endswith("%") else None


def as_length(cell: object, metres: float) -> float:
    """Return a length as a crew writes it.

    cell: a number in the unit of its column, or text with its own: feet and inches, inches, metres;
    metres: length of the column's unit [m]. Result: length [m]; NaN for an empty cell.

    >>> [round(as_length(text, 0.3048) / 0.0254, 3) for text in ("24 ft 6 in", "46' 2", "56-3")]
    [294.0, 554.0, 675.0]
    >>> as_length("1.5 m", 0.3048), round(as_length(3, 0.0254), 4)
    (1.5, 0.0762)
    >>> round(as_length("3 1/2", 0.0254), 4)
    0.0889
    """
    try:
        return as_number(cell)[0] * metres
    except ValueError:
        if not isinstance(cell, str):
            raise
    text = unguarded(cell).replace("\u00a0", " ").strip()
    if found := _METRIC.fullmatch(text):
        return float(found[1].replace(",", ".")) * _METRIC_M[found[2].lower()]
    if found := _DASHED.fullmatch(text):
        if metres != _FOOT_M:
            raise ValueError(text)
        return _feet(found[1], found.groups()[1:], text)
    found = _FEET.fullmatch(text)
    if not found or not text or not any(found.groups()):
        raise ValueError(text)
    if found[1] is None and not _INCHES.search(text):  # a bare "1/2": of what?
        inches = math.isclose(metres, _FOOT_M / _TWELVE)
        return _feet(None, found.groups()[1:], text) if inches else _refuse(text)
    return _feet(found[1], found.groups()[1:], text)


def _refuse(text: str) -> float:
    raise ValueError(text)


def _feet(feet: str | None, inches: Sequence[str | None], text: str) -> float:
    """Return feet and inches in metres; beside feet, inches stay below twelve."""
    whole, over, under, plain = inches
    length = float(plain.replace(",", ".")) if plain else 0.0
    if over and under:
        if int(under) == 0:
            raise ValueError(text)
        length = int(whole or 0) + int(over) / int(under)
    if feet is None:
        return length * _FOOT_M / _TWELVE
    if length >= _TWELVE or (length and not float(feet.replace(",", ".")).is_integer()):
        raise ValueError(text)
    return (float(feet.replace(",", ".")) + length / _TWELVE) * _FOOT_M


def as_flag(cell: object) -> bool | None:
    """Return yes or no, None for an empty cell.

    cell: text, truth or None.
    """
    if isinstance(cell, bool):
        return cell
    text = unguarded(cell).lower()
    if text in _MISSING:
        return None
    if text in _YES | _NO:
        return text in _YES
    raise ValueError(text)


def time_order(cells: Sequence[object]) -> str:
    """Tell how the dates of a column are written: "iso", "dmy", "mdy", "mixed" or "unclear".

    cells: the column. Result: "mixed" where some can only be day-first and others only month-first;
    "unclear" where every slashed date could be either.

    >>> time_order(["3/5/2026", "17/5/2026"]), time_order(["3/5/2026"]), time_order(["2026-05-03"])
    ('dmy', 'unclear', 'iso')
    """
    found = [m for c in cells if isinstance(c, str) and (m := _SLASHED.fullmatch(c.strip()))]
    if not found:
        return "iso"
    day_first = any(int(m[1]) > _TWELVE for m in found)
    month_first = any(int(m[2]) > _TWELVE for m in found)
    if day_first and month_first:
        return "mixed"
    return "dmy" if day_first else "mdy" if month_first else "unclear"


def _finite(value: float | str) -> float:
    """Return a number; ValueError where it is beyond what a float holds."""
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if math.isinf(number):
        raise ValueError(str(value)[:40])
    return number


def as_time(cell: object, order: str = "iso") -> dt.datetime | None:
    """Return a cell as a local date and time, None for an empty cell.

    Result: without time zone; an offset in the text is dropped (the clock of the site counts).
    """
    time = _time(cell, order)
    if time is not None and time.year not in YEARS:
        raise ValueError(unguarded(cell))
    return time


def _time(cell: object, order: str) -> dt.datetime | None:
    """Return a cell as a date and time of any year."""
    if isinstance(cell, dt.datetime):
        return cell.replace(tzinfo=None, microsecond=0)
    if isinstance(cell, dt.date):
        return dt.datetime(cell.year, cell.month, cell.day)  # noqa: DTZ001 - the site's clock
    text = unguarded(cell)
    if text.lower() in _MISSING:
        return None
    if match := _ISO.fullmatch(text):
        parts = [int(part or 0) for part in match.groups()[:6]]
        return dt.datetime(*parts)  # type: ignore[arg-type] # noqa: DTZ001
    match = _SLASHED.fullmatch(text)
    if match is None or order not in {"dmy", "mdy"}:
        raise ValueError(text)
    one, two, year, hour, minute, second = (int(part or 0) for part in match.groups()[:6])
    day, month = (one, two) if order == "dmy" else (two, one)
    if year < _CENTURY:
        year += 2000
    if match[7]:
        if not 1 <= hour <= _TWELVE:
            raise ValueError(text)
        hour = hour % _TWELVE + (_TWELVE if match[7][0].lower() == "p" else 0)
    return dt.datetime(year, month, day, hour, minute, second)  # noqa: DTZ001
