"""What the crew filled in: sensors, zones and catch cans, with every fault by its row."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import pandas as pd

from siting._commission_cells import (
    YEARS_SAID,
    RawSheet,
    as_flag,
    as_length,
    as_number,
    as_percent,
    as_time,
    time_order,
    unguarded,
)
from siting._plan_readings import SheetColumn
from siting.errors import Fault
from siting.site.columns import normal_header
from siting.site.findings import nearest, some

__all__ = [
    "UNIT_RANGES",
    "Parsed",
    "check_ids",
    "check_sensors",
    "parse_sheet",
    "printable",
    "time_of",
]

#: Readings that a unit can show: low, high, and the unit that is meant when they are outside.
UNIT_RANGES: Final = {
    "%": (1.0, 75.0),
    "m3/m3": (0.01, 0.75),
    "kPa": (0.0, 3000.0),
    "device": (0.0, math.inf),
}
_FAR_DEG: Final = 0.05  # a point further than this from the property is not on it
_LONGEST: Final = 60  # letters of a name in a message
_FOOT_M: Final = 0.3048
#: Columns that hold what the device showed, in the unit of the row.
_READ_IN: Final = ("reading_1", "reading_2", "reading_3", "threshold_set")
#: Those, and the layers of a jar, may be written as per cent.
_SHARES: Final = (*_READ_IN, "jar_")
#: How a crew writes the words of a sheet.
_SHORT_WORDS: Final = {"r": "right", "rt": "right", "l": "left", "lt": "left"}
_SILENT: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})
_MOST: Final = 25  # faults of one kind that are listed one by one


@dataclass
class Parsed:
    """A table whose cells were read.

    table: one column per sheet column that the file has, and `row` (its number in the file);
    faults: everything wrong with it; notes: what was found and taken.
    """

    table: pd.DataFrame
    faults: list[Fault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def parse_sheet(
    sheet: RawSheet, columns: Sequence[SheetColumn], *, month_first: bool = False
) -> Parsed:
    """Read the cells of a table by the columns that it may have.

    columns: what it may have, unknown columns are left alone unless they look misspelt. Result:
    lengths in metres, depths of water in mm, times without zone.
    """
    parsed = Parsed(pd.DataFrame({"row": [row for row, _ in sheet.rows]}), notes=list(sheet.notes))
    taken: set[str] = set()
    commas: list[int] = []
    points: list[int] = []
    absent: list[SheetColumn] = []
    orders = _date_orders(sheet, columns, parsed, month_first=month_first)
    for column in columns:
        names = {column.name + ending: factor for ending, factor in column.factors.items()}
        hits = [h for h in sheet.headers if normal_header(h) in names]
        if not hits:
            absent.append(column)
            continue
        taken.update(hits)
        cells = sheet.column(hits[0])
        factor = names[normal_header(hits[0])]
        order = orders.get(column.name, "iso")
        values = _values(sheet.file, hits[0], column, factor, cells, order, parsed.faults)
        if len(hits) > 1:
            values = _with_inches(sheet, hits, column, values, parsed.faults)
        parsed.table[column.name] = values
        if column.kind in {"number", "length"}:
            texts = [(row, str(cell)) for row, cell in cells if isinstance(cell, str)]
            commas += [row for row, text in texts if "," in text]
            points += [row for row, text in texts if "." in text]
    _settle_percents(sheet, parsed)
    _note_misspelt(sheet, absent, taken, parsed.faults)
    _note_commas(sheet.file, commas, points, parsed)
    return parsed


def _settle_percents(sheet: RawSheet, parsed: Parsed) -> None:
    """Bring readings that were written as per cent to the unit of their row."""
    table = parsed.table
    if "reading_unit" not in table:
        return
    units = table["reading_unit"].tolist()
    for header in sheet.headers:
        name = normal_header(header)
        if name not in _READ_IN or name not in table:
            continue
        values = table[name].tolist()
        for place, (row, cell) in enumerate(sheet.column(header)):
            if math.isnan(values[place]) or as_percent(cell) is None:
                continue
            unit = units[place]
            units[place] = unit or "%"
            if unit == "m3/m3":
                values[place] /= 100
            elif unit not in {None, "%"}:
                found = f"{values[place]:g} % where the unit is {unit}"
                mend = "Write the number that the device showed, or % as the unit."
                parsed.faults.append(
                    Fault(
                        sheet.file, found, f"a number in {unit}", mend, feature=f"row {row}",
                        column=header,
                    )
                )  # fmt: skip
        table[name] = values
    table["reading_unit"] = units


def _date_orders(
    sheet: RawSheet, columns: Sequence[SheetColumn], parsed: Parsed, *, month_first: bool
) -> dict[str, str]:
    """Tell how the dates of each column are written: one crew writes all of a sheet alike."""
    found = {}
    for column in columns:
        hits = [h for h in sheet.headers if normal_header(h) == column.name]
        if column.kind == "time" and hits:
            found[column.name] = [cell for _, cell in sheet.column(hits[0])]
    orders = {name: time_order(cells) for name, cells in found.items()}
    known = {order for order in orders.values() if order in {"dmy", "mdy"}}
    shared = known.pop() if len(known) == 1 else "unclear"
    if shared == "unclear" and month_first and not known and "unclear" in orders.values():
        shared = "mdy"
        parsed.notes.append(f"{sheet.file}: dates were read month first")
    return {name: shared if order == "unclear" else order for name, order in orders.items()}


def _with_inches(
    sheet: RawSheet,
    hits: Sequence[str],
    column: SheetColumn,
    values: list[Any],
    faults: list[Fault],
) -> list[Any]:
    """Add what stands in a second column of the same length: feet here, inches there."""
    names = {normal_header(h): h for h in hits}
    feet, inches = names.get(f"{column.name}_ft"), names.get(f"{column.name}_in")
    if feet is None or inches is None:
        found, mend = " and ".join(hits), "Keep one of them, or one in ft and one in in."
        faults.append(Fault(sheet.file, found, "one column", mend, column=column.name))
        return values
    both = []
    for (row, big), (_, small) in zip(sheet.column(feet), sheet.column(inches), strict=True):
        try:
            both.append(_feet_and_inches(big, small, column))
        except ValueError:
            both.append(math.nan)
            mend = "Write whole feet and inches below 12, or the feet alone."
            shown = f'"{unguarded(big)}" ft and "{unguarded(small)}" in'
            allowed = _allowed(column, feet)
            faults += [
                Fault(sheet.file, shown, allowed, mend, feature=f"row {row}", column=column.name)
            ]
    told = {normal_header(h) for h in hits}
    faults[:] = [f for f in faults if f.column is None or normal_header(f.column) not in told]
    return both


def _feet_and_inches(big: object, small: object, column: SheetColumn) -> float:
    """Return a length from a cell of feet and one of inches [m]."""
    feet, inches = as_length(big, _FOOT_M), as_length(small, _FOOT_M / 12)
    if math.isnan(feet) or math.isnan(inches):
        length = feet if math.isnan(inches) else inches
    else:
        if inches >= _FOOT_M or not math.isclose(feet / _FOOT_M, round(feet / _FOOT_M)):
            raise ValueError(big)
        length = feet + inches
    if length < column.low or length > column.high:
        raise ValueError(big)
    return length


def _values(
    file: str,
    header: str,
    column: SheetColumn,
    factor: float,
    cells: Sequence[tuple[int, Any]],
    order: str,
    faults: list[Fault],
) -> list[Any]:
    """Return the values of one column, and note its faults."""
    values, wrong = [], []
    for row, cell in cells:
        try:
            values.append(_value(cell, column, factor, order))
        except ValueError:
            values.append(None if column.kind in {"text", "word", "flag", "time"} else math.nan)
            wrong.append((row, cell))
    faults += [
        Fault(
            file,
            f'"{unguarded(cell)}"',
            _allowed(column, header),
            _mend(cell, column, order),
            feature=f"row {row}",
            column=header,
        )
        for row, cell in wrong[:_MOST]
    ]
    if len(wrong) > _MOST:
        rows = some([row for row, _ in wrong[_MOST:]])
        found = f"{len(wrong) - _MOST} more such cells (rows {rows})"
        faults.append(Fault(file, found, _allowed(column, header), "Correct them.", column=header))
    return values


def _value(cell: Any, column: SheetColumn, factor: float, order: str) -> Any:  # noqa: ANN401
    """Return one cell in our unit; ValueError where it cannot be."""
    if column.kind == "text":
        return unguarded(cell)
    if column.kind == "word":
        word = unguarded(cell).lower().replace("³", "3").replace("percent", "%")
        word = _SHORT_WORDS.get(word.rstrip("."), word)
        known = {w.lower(): w for w in column.allowed}
        if word and word not in known:
            raise ValueError(word)
        return known.get(word)
    if column.kind == "flag":
        return as_flag(cell)
    if column.kind == "time":
        return as_time(cell, order)
    said = as_percent(cell) if column.name.startswith(_SHARES) else None
    if said is not None:
        value = said
    elif column.unit in {"m", "mm"}:
        ours = 1.0 if column.kind == "length" else 1000.0
        value = as_length(cell, factor / ours) * ours
    else:
        value = as_number(cell)[0] * factor
    if value < column.low or value > column.high:
        raise ValueError(cell)
    return value


def _allowed(column: SheetColumn, header: str) -> str:
    """Say what a cell of a column may hold."""
    if column.kind == "word":
        return ", ".join(column.allowed)
    if column.kind == "flag":
        return "yes or no"
    if column.kind == "time":
        return "a date as 2026-05-04, or 2026-05-04 07:30"
    ends = {e: f for e, f in column.factors.items() if normal_header(header) == column.name + e}
    ending, factor = next(iter(ends.items()), ("", 1.0))
    unit = " ".join(["", ending.lstrip("_").replace("_", "/")]) if ending else ""
    unit += ", or as 24 ft 6 in" if ending == "_ft" else ""
    if math.isinf(column.low) and math.isinf(column.high):
        return f"a number{unit}"
    if math.isinf(column.high):
        return f"a number from {column.low / factor:.4g}{unit}"
    return f"a number from {column.low / factor:.4g} to {column.high / factor:.4g}{unit}"


def _mend(cell: object, column: SheetColumn, order: str) -> str:
    """Say what to do about a cell."""
    text = unguarded(cell)
    if column.kind == "time":
        if order == "unclear" and "/" in text:
            return "It may be day-first or month-first: write it as 2026-05-04."
        try:
            as_number(cell)
        except ValueError:
            return f"Write the date with the year first, of {YEARS_SAID}."
        return "This is a number, not a date: are two columns swapped?"
    if column.kind in {"number", "length"}:
        try:
            if time_order([text]) != "iso" or as_time(cell) is not None:
                return "This is a date, not a number: are two columns swapped?"
        except ValueError:
            pass
    return "Correct the cell, or empty it."


def _note_misspelt(
    sheet: RawSheet, absent: Sequence[SheetColumn], taken: set[str], faults: list[Fault]
) -> None:
    """Note headers that look like a misspelt column or carry a unit that is not known."""
    free = [h for h in sheet.headers if h and h not in taken]
    for column in absent:
        names = {column.name, *(column.name + ending for ending in column.factors)}
        near = [h for h in free if nearest(normal_header(h), names, cutoff=0.85)]
        if near:
            allowed = " or ".join(sorted(column.name + e for e in column.factors)[:6])
            faults.append(
                Fault(
                    sheet.file, f'a column "{near[0]}"', allowed, "Rename it.", column=column.name
                )
            )


def _note_commas(file: str, commas: list[int], points: list[int], parsed: Parsed) -> None:
    """Tell that decimal commas were read; refuse a mixture."""
    if commas and points:
        found = (
            f"decimal commas (rows {some(sorted(set(commas)))}) and decimal points "
            f"(rows {some(sorted(set(points)))})"
        )
        parsed.faults.append(Fault(file, found, "one of the two", "Write all numbers alike."))
    elif commas:
        parsed.notes.append(f"{file}: {len(commas)} numbers with a decimal comma were read as such")


def check_ids(
    parsed: Parsed, file: str, column: str, known: Sequence[str], *, once: bool
) -> pd.DataFrame:
    """Check that every row that says something names a known thing.

    column: the column of the names. Result: the rows with a known name.
    """
    table = parsed.table
    if column not in table:
        mend = "Use the sheet that the plan wrote, with its ids."
        parsed.faults.append(Fault(file, "no such column", column, mend, column=column))
        return table.iloc[:0]
    names = {printable(name): name for name in known}
    table = table.assign(**{column: [names.get(printable(v), str(v)) for v in table[column]]})
    seen: dict[str, int] = {}
    strange: dict[str, list[int]] = {}
    keep = []
    for name, row in zip(table[column], table["row"], strict=True):
        keep.append(name in known and not (once and name in seen))
        if name not in known:
            strange.setdefault(name, []).append(int(row))
        elif once and name in seen:
            found = f'"{name}" again (first in row {seen[name]})'
            parsed.faults.append(_row_fault(file, row, column, found, "each once", "Delete one."))
        seen.setdefault(name, int(row))
    parsed.faults += [_strange(file, column, name, rows, known) for name, rows in strange.items()]
    return table[keep]


def _strange(file: str, column: str, name: str, rows: list[int], known: Sequence[str]) -> Fault:
    """Return the fault of an id that the plan does not have."""
    near = nearest(name, known) if name else None
    mend = f'Did you mean "{_short(near)}"?' if near else "Write the id that the plan printed."
    found = f'"{_short(name)}"' if name else "no id"
    place = f"row {rows[0]}" if len(rows) == 1 else f"rows {some(rows)}"
    allowed = some([_short(k) for k in known])
    return Fault(file, found, allowed, mend, feature=place, column=column)


def _short(name: str) -> str:
    """Return a name as it fits into a message."""
    text = printable(name)
    return text if len(text) <= _LONGEST else text[:_LONGEST] + "…"


def printable(name: object) -> str:
    """Return a name as a sheet shows it: without control and direction characters.

    >>> printable("bed" + chr(0x202E) + "  one")
    'bed one'
    """
    spaced = " ".join(str(name).split())
    return "".join(c for c in spaced if unicodedata.category(c) not in _SILENT)


def _row_fault(file: str, row: int, column: str, found: str, allowed: str, mend: str) -> Fault:
    return Fault(file, found, allowed, mend, feature=f"row {row}", column=column)


def check_sensors(
    table: pd.DataFrame, file: str, *, longitude: float, latitude: float
) -> list[Fault]:
    """Check what the cells of the sensors' rows say together.

    longitude, latitude: of the property [deg]. Result: readings out of their unit's range, before
    burial or before the soaking; coordinates that are swapped or elsewhere; readings without a time
    or a unit.
    """
    faults: list[Fault] = []
    for values in table.to_dict("records"):
        cells = {str(k): v for k, v in values.items()}
        row = int(cells["row"])
        faults += [
            _row_fault(file, row, *what)
            for what in (*_place_faults(cells, longitude, latitude), *_reading_faults(cells))
        ]
    return faults


_What = tuple[str, str, str, str]


def _place_faults(cells: Mapping[str, Any], longitude: float, latitude: float) -> list[_What]:
    """Return what is wrong with the coordinates."""
    lat, lon = (float(cells.get(name, math.nan)) for name in ("lat", "lon"))
    if math.isnan(lat) and math.isnan(lon):
        return []
    if math.isnan(lat) or math.isnan(lon):
        return [("lat, lon", "one coordinate", "both or none", "Write the other one too.")]
    if abs(lat - latitude) < _FAR_DEG and abs(lon - longitude) < _FAR_DEG:
        return []
    near = f"near {latitude:.4f}, {longitude:.4f}"
    swapped = abs(lat - longitude) < _FAR_DEG and abs(lon - latitude) < _FAR_DEG
    mend = "Latitude and longitude are swapped." if swapped else "Check the signs and digits."
    return [("lat, lon", f"{lat:g}, {lon:g}", near, mend)]


def _reading_faults(cells: Mapping[str, Any]) -> list[_What]:
    """Return what is wrong with the readings and their times."""
    wrong: list[_What] = []
    unit = cells.get("reading_unit")
    before, what = _latest(cells)
    buried, soaked = (time_of(cells, name) for name in ("buried_on", "soaked_at"))
    if buried is not None and soaked is not None and soaked < buried:
        found = f"{soaked:%Y-%m-%d %H:%M}, before burial ({buried:%Y-%m-%d})"
        wrong.append(("soaked_at", found, "a time after burial", "Correct one of the two."))
    for number in (1, 2, 3):
        name, value = f"reading_{number}", cells.get(f"reading_{number}")
        at = time_of(cells, f"{name}_at")
        if value is None or math.isnan(value):
            continue
        if unit is None:
            wrong.append(("reading_unit", "no unit", ", ".join(UNIT_RANGES), "Write the unit."))
            unit = "device"
        wrong += _range_fault(name, float(value), unit)
        if at is None:
            wrong.append((f"{name}_at", "a reading without its time", "date and time", "Write it."))
        elif before is not None and at < before:
            found = f"{at:%Y-%m-%d %H:%M}, before {what} ({before:%Y-%m-%d %H:%M})"
            wrong.append((f"{name}_at", found, f"a time after {what}", "Correct one of the two."))
        else:
            before, what = at, f"reading {number}"
    return wrong


def time_of(row: Mapping[str, Any], name: str) -> Any:  # noqa: ANN401 - a time of pandas
    """Return a time of a row, or None where there is none."""
    at = row.get(name)
    return None if at is None or pd.isna(at) else at


def _latest(cells: Mapping[str, Any]) -> tuple[Any, str]:
    """Return the latest of burial and soaking, and its name."""
    times = [
        (at, words)
        for name, words in (("buried_on", "burial"), ("soaked_at", "the soaking"))
        if (at := time_of(cells, name)) is not None
    ]
    return max(times, key=lambda pair: pair[0]) if times else (None, "")


def _range_fault(name: str, value: float, unit: str) -> list[_What]:
    """Return a fault where a reading cannot be in its unit."""
    low, high = UNIT_RANGES[unit]
    if low <= value <= high:
        return []
    mend = "Check the reading and its unit."
    if unit == "%" and 0 < value < 1:
        mend = f'It looks like m3/m3: write "m3/m3" as the unit, or {100 * value:g}.'
    elif unit == "m3/m3" and value > 1:
        mend = f'It looks like per cent: write "%" as the unit, or {value / 100:g}.'
    elif unit == "kPa" and value < 0:
        mend = "Write tension without its minus sign."
    return [(name, f"{value:g} {unit}", f"{low:g} to {high:g} {unit}", mend)]
