"""What came back from the field: the filled sheet or the field page's files, logs; faults at once.

A file of the field page holds what one phone was told; those of several become one sheet.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from siting.errors import Fault, InputError, nearest, some
from siting.planning.form import (
    CAN_COLUMNS,
    FAR_DEG,
    FIELD_FORMAT,
    SENSOR_COLUMNS,
    UNIT_RANGES,
    ZONE_COLUMNS,
    SheetColumn,
    allowed_words,
)
from siting.planning.model import Plan
from siting.site.cells import (
    YEARS_SAID,
    RawSheet,
    as_flag,
    as_length,
    as_number,
    as_percent,
    as_time,
    read_sheets,
    time_order,
    unguarded,
)
from siting.site.columns import normal_header
from siting.units import GALLON_M3

_LARGEST: Final = 250_000_000  # bytes; photos are in it
_LONGEST_ANSWER: Final = 10_000  # characters of an answer that is no photo
_TOLD: Final = 60
_AT: Final = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?Z")
_TICK, _PHOTO = "tick/", "photo/"


@dataclass(frozen=True)
class Answer:
    """What one device says at one place of the page.

    sensor, name: which sensor, and header of a column, "tick/STEP" or "photo/NAME"; value: as
    typed; said: when (UTC); by: which device; other: what another device says, where it differs.
    """

    sensor: str
    name: str
    value: str
    said: str
    by: str
    other: Answer | None = None


@dataclass(frozen=True)
class FieldFile:
    """One file of a field page.

    name: of the file; property: the property's name; units: of its columns; zones: zone of each
    sensor when the page was made; answers: all of them.
    """

    name: str
    property: str
    units: str
    zones: Mapping[str, str]
    answers: tuple[Answer, ...]


def _read_field(path: Path) -> FieldFile:
    """Read a file of the field page; InputError with everything that is wrong with it."""
    try:
        size = path.stat().st_size
        content = path.read_bytes() if size <= _LARGEST else b""
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        raise _refused(path.name, found, "a file that you may read", "Check the path.") from error
    if size > _LARGEST:
        found = f"more than {_LARGEST // 10**6} MB"
        raise _refused(path.name, found, "a smaller file", "Remove photos on the page, save again.")
    try:
        document = json.loads(content)
    except (ValueError, RecursionError) as error:
        mend = "Send the file again as the page saved it."
        raise _refused(path.name, "no JSON", "a field.json", mend) from error
    if not isinstance(document, dict) or document.get("format") != FIELD_FORMAT:
        mend = "Use the file that Field on the map saved."
        raise _refused(path.name, "another kind of JSON", f'format "{FIELD_FORMAT}"', mend)
    zones, rows = document.get("zones"), document.get("answers")
    if not isinstance(zones, dict) or not isinstance(rows, list):
        found = "no answers" if isinstance(zones, dict) else "no zones"
        raise _refused(path.name, found, "zones and answers", "Save it again on the map.")
    answers = [_answer(row) for row in rows]
    broken = [number for number, answer in enumerate(answers, start=1) if answer is None]
    if broken:
        found = f"answers that are not whole (number {some(broken)})"
        allowed = "sensor, name, value, at and by as text"
        raise _refused(path.name, found, allowed, "Save it again on the map.")
    return FieldFile(
        path.name,
        str(document.get("property", "")),
        str(document.get("units", "")),
        {str(tag): str(zone) for tag, zone in zones.items()},
        tuple(answer for answer in answers if answer is not None),
    )


def _refused(file: str, found: str, allowed: str, mend: str) -> InputError:
    return InputError([Fault(file, found, allowed, mend)])


def _answer(row: Any) -> Answer | None:  # noqa: ANN401 - whatever stands in the file
    """Return one answer, None where it is not whole."""
    names = ("sensor", "name", "value", "at", "by")
    if not isinstance(row, dict) or not all(isinstance(row.get(name), str) for name in names):
        return None
    answer = Answer(*(row[name] for name in names))
    long = len(answer.value) > _LONGEST_ANSWER and not answer.name.startswith(_PHOTO)
    if not answer.sensor or not answer.name or not _AT.fullmatch(answer.said) or long:
        return None
    if row.get("other") is None:
        return answer
    other = _answer({**row["other"], "sensor": answer.sensor, "name": answer.name, "other": None}
                    if isinstance(row["other"], dict) else None)  # fmt: skip
    return None if other is None else replace(answer, other=other)


def merged(mine: Answer, theirs: Answer) -> Answer:
    """Bring two answers of one place together, as the page itself does.

    Of one device the later counts; of two devices an empty one gives way; else both are kept, the
    second as what the other says.

    >>> at = "2026-05-01T08:00:00Z"
    >>> merged(Answer("S1", "depth_in", "3", at, "a"), Answer("S1", "depth_in", "4", at, "b")).other
    Answer(sensor='S1', name='depth_in', value='4', said='2026-05-01T08:00:00Z', by='b', other=None)
    """
    later = theirs if theirs.said > mine.said else mine
    if mine.value == theirs.value:
        return mine if mine.other else replace(later, other=theirs.other)
    if mine.by == theirs.by:
        return replace(later, other=mine.other if later is mine else None)
    if not mine.value or not theirs.value:
        return mine if mine.value else theirs
    return replace(mine, other=replace(theirs, other=None))


def _field_sheets(
    files: Sequence[FieldFile], *, name: str, zones: Mapping[str, str]
) -> tuple[list[RawSheet], list[Fault]]:
    """Bring files of the field page together as sheets of sensors.

    name: of the property; zones: zone of each sensor of the plan. Result: one sheet per system of
    units, in the order in which they come, with what was found as notes; faults of files that are
    of another property, or of a plan whose sensors lay elsewhere.
    """
    faults = [fault for file in files for fault in _foreign(file, name, zones)]
    sheets = []
    for units in dict.fromkeys(file.units for file in files):
        part = [file for file in files if file.units == units]
        found: dict[tuple[str, str], Answer] = {}
        for answer in (answer for file in part for answer in file.answers):
            place = answer.sensor, answer.name
            found[place] = merged(found[place], answer) if place in found else answer
        sheets.append(_sheet(" and ".join(dict.fromkeys(f.name for f in part)), found.values()))
    return sheets, faults


def _foreign(file: FieldFile, name: str, zones: Mapping[str, str]) -> list[Fault]:
    """Return what tells that a file was filled in for other sensors."""
    if file.property != name:
        found, mend = f'property "{_cut(file.property)}"', "Use the file of this property."
        return [Fault(file.name, found, f'"{_cut(name)}"', mend)]
    told = {answer.sensor for answer in file.answers if answer.value}
    moved = [
        tag for tag in sorted(told & zones.keys()) if file.zones.get(tag, zones[tag]) != zones[tag]
    ]
    mend = "It was filled in on the map of another plan: give it with that plan's results."
    return [
        Fault(
            file.name,
            f'{tag} in zone "{_cut(file.zones[tag])}"',
            f'zone "{_cut(zones[tag])}"',
            mend,
            feature=tag,
        )
        for tag in moved
    ]


def _sheet(file: str, answers: Iterable[Answer]) -> RawSheet:
    """Return answers as a sheet: a row per sensor, a column per header."""
    known = [_settled(answer) for answer in answers]
    typed = [a for a, _ in known if not a.name.startswith((_TICK, _PHOTO))]
    tags = list(dict.fromkeys(a.sensor for a, _ in known if a.value))
    heads = sorted({a.name for a in typed if a.value})
    cells = {(a.sensor, a.name): a.value for a in typed}
    rows = [
        (number, [tag, *(cells.get((tag, head), "") for head in heads)])
        for number, tag in enumerate(tags, start=1)
    ]
    notes = [f"{file}: {words}" for _, words in known if words]
    notes += [f"{file}: {words}" for tag in tags if (words := _done(tag, [a for a, _ in known]))]
    labels = {f"row {number}": tag for number, tag in enumerate(tags, start=1)}
    return RawSheet(file, ("sensor_id", *heads), rows, notes, labels)


def _settled(answer: Answer) -> tuple[Answer, str]:
    """Return the later of what two devices say, and both in words."""
    if answer.other is None or answer.name.startswith(_PHOTO):
        return answer, ""
    first, last = sorted([replace(answer, other=None), answer.other], key=lambda a: a.said)
    words = (
        f'{_cut(answer.sensor)}, {_cut(answer.name)}: two devices differ, "'
        f'{_cut(first.value)}" at {first.said[:16]}Z and "{_cut(last.value)}" at '
        f"{last.said[:16]}Z; the later one is taken"
    )
    return last, words


def _done(tag: str, answers: Iterable[Answer]) -> str:
    """Say which steps of a sensor are ticked, and how many photos there are."""
    own = [a for a in answers if a.sensor == tag and a.value]
    ticks = [a.name.removeprefix(_TICK) for a in own if a.name.startswith(_TICK)]
    photos = sum(a.name.startswith(_PHOTO) for a in own)
    parts = [f"ticked {', '.join(ticks)}"] if ticks else []
    parts += [f"{photos} photo{'' if photos == 1 else 's'}"] if photos else []
    return f"{tag}: {'; '.join(parts)}" if parts else ""


def _cut(text: str) -> str:
    """Return a text of the file as it fits into a message."""
    return text if len(text) <= _TOLD else f"{text[:_TOLD]}…"


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


def _parse_sheet(
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
            allowed = allowed_words(column, normal_header(feet))
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
    allowed = allowed_words(column, normal_header(header))
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
            allowed,
            _mend(cell, column, order),
            feature=f"row {row}",
            column=header,
        )
        for row, cell in wrong[:_MOST]
    ]
    if len(wrong) > _MOST:
        rows = some([row for row, _ in wrong[_MOST:]])
        found = f"{len(wrong) - _MOST} more such cells (rows {rows})"
        faults.append(
            Fault(
                file,
                found,
                allowed,
                "Correct them.",
                column=header,
            )
        )
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


def _check_ids(
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


def _check_sensors(
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
    if abs(lat - latitude) < FAR_DEG and abs(lon - longitude) < FAR_DEG:
        return []
    near = f"near {latitude:.4f}, {longitude:.4f}"
    swapped = abs(lat - longitude) < FAR_DEG and abs(lon - latitude) < FAR_DEG
    mend = "Latitude and longitude are swapped." if swapped else "Check the signs and digits."
    return [("lat, lon", f"{lat:g}, {lon:g}", near, mend)]


def _reading_faults(cells: Mapping[str, Any]) -> list[_What]:
    """Return what is wrong with the readings and their times."""
    wrong: list[_What] = []
    unit = cells.get("reading_unit")
    before, what = _latest_cell(cells)
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


def _latest_cell(cells: Mapping[str, Any]) -> tuple[Any, str]:
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


#: Headers of a column of times.
TIME_NAMES: Final = ("time", "timestamp", "datetime", "date_time", "date", "date/time")
#: Columns of a log of valve runs.
EVENT_COLUMNS: Final = (
    SheetColumn("start", "time", "start of the run"),
    SheetColumn("valve", "text", "the valve"),
    SheetColumn("minutes", "number", "run time; 0 where the run was skipped", low=0, high=1440),
)
_NO_DATA: Final = (-999.0, -9999.0, -99.99, -6999.0)
_UNITS: Final = {
    "%": "%", "percent": "%", "pct": "%", "vwc_%": "%", "%vwc": "%", "vol%": "%",
    "m3/m3": "m3/m3", "m3m3": "m3/m3", "m3_m3": "m3/m3", "m³/m³": "m3/m3", "cm3/cm3": "m3/m3",
    "kpa": "kPa", "raw": "device", "device": "device", "counts": "device",
}  # fmt: skip
_HEADER: Final = re.compile(r"(?P<name>.*?)[\s_]*[\[(](?P<unit>[^\])]+)[\])]")
_DAYS: Final = 12  # rows named in a fault


def _parse_moisture(
    sheet: RawSheet, *, sensors: Sequence[str], units: Mapping[str, str]
) -> tuple[Parsed, dict[str, str]]:
    """Read logged moisture: one column per sensor, or columns for sensor and value.

    sheet: the table, a unit stands in the header ("S1 [%]", "S1_percent"), in a column `unit`, or
    is that of the readings sheet. Result: table with columns time, name, value, long form; values
    as logged; unit of each name, one of `siting.planning.form.READING_UNITS`.
    """
    parsed = Parsed(pd.DataFrame({"time": [], "name": [], "value": []}), notes=list(sheet.notes))
    time_header = next((h for h in sheet.headers if h.strip().lower() in TIME_NAMES), None)
    if time_header is None:
        found = f"columns {some(list(sheet.headers))}"
        mend = "Add the column of times."
        parsed.faults.append(Fault(sheet.file, found, " or ".join(TIME_NAMES), mend))
        return parsed, {}
    times = _times(sheet, time_header, parsed)
    named, found_units = _series(sheet, time_header, parsed)
    known: dict[str, str] = {}
    for name in sorted(named):
        unit = found_units.get(name) or units.get(name)
        if unit is None:
            parsed.faults.append(_no_unit(sheet.file, name, sensors))
            continue
        known[name] = unit
        if name in units and units[name] != unit:
            parsed.notes.append(f"{sheet.file}: {name} is logged in {unit}, read in {units[name]}")
    parts = [
        _numbers(sheet.file, name, times, named[name], known[name], parsed)
        for name in sorted(known)
    ]
    if parts:
        parsed.table = pd.concat(parts, ignore_index=True)
    return parsed, known


def _no_unit(file: str, name: str, sensors: Sequence[str]) -> Fault:
    near = nearest(name, sensors) if name not in sensors else None
    mend = f'Did you mean "{near}"? Or write' if near else "Write"
    return Fault(
        file,
        f'"{name}" without a unit',
        'a header as "S1 [%]", "S1 [m3/m3]", "S1 [kPa]" or "S1 [device]"',
        f"{mend} the unit into the header.",
        column=name,
    )


def _times(sheet: RawSheet, header: str, parsed: Parsed) -> list[Any]:
    """Return the times of all rows, None where there is none."""
    cells = sheet.column(header)
    order = time_order([cell for _, cell in cells])
    times: list[Any] = []
    wrong = []
    for row, cell in cells:
        try:
            times.append(as_time(cell, order))
        except ValueError:
            times.append(None)
            wrong.append((row, unguarded(cell)))
    if order in {"dmy", "mdy"}:
        words = "day first" if order == "dmy" else "month first"
        parsed.notes.append(f"{sheet.file}: dates were read {words}")
    if wrong:
        rows = some([row for row, _ in wrong], most=_DAYS)
        mend = "Write dates as 2026-05-04 07:30."
        if order == "unclear":
            mend = f"They may be day-first or month-first. {mend}"
        found = f'"{wrong[0][1]}" (rows {rows})'
        parsed.faults.append(
            Fault(sheet.file, found, f"dates and times of {YEARS_SAID}", mend, column=header)
        )
    return times


def _series(
    sheet: RawSheet, time_header: str, parsed: Parsed
) -> tuple[dict[str, list[tuple[int, int, Any]]], dict[str, str]]:
    """Return row place, row number and cell of each name, and the units that the file states."""
    named: dict[str, list[tuple[int, int, Any]]] = {}
    units: dict[str, str] = {}
    lower = {h.strip().lower(): h for h in sheet.headers}
    if "value" in lower and ("sensor_id" in lower or "point" in lower):
        names = sheet.column(lower.get("sensor_id", lower.get("point", "")))
        cells = sheet.column(lower["value"])
        stated = sheet.column(lower["unit"]) if "unit" in lower else [(row, "") for row, _ in cells]
        for place, ((row, name), (_, cell), (_, unit)) in enumerate(
            zip(names, cells, stated, strict=True)
        ):
            tag = unguarded(name)
            if not tag:
                fault = Fault(sheet.file, "no id", "an id", "Write it.", feature=f"row {row}")
                parsed.faults.append(fault)
                continue
            named.setdefault(tag, []).append((place, row, cell))
            if word := _UNITS.get(unguarded(unit).lower()):
                units[tag] = word
        return named, units
    for header in sheet.headers:
        if header == time_header or not header:
            continue
        tag, unit_word = _split(header)
        named[tag] = [(p, row, cell) for p, (row, cell) in enumerate(sheet.column(header))]
        if unit_word:
            units[tag] = unit_word
    return named, units


def _split(header: str) -> tuple[str, str | None]:
    """Return name and unit of a header such as "S1 [%]" or "S1_percent"."""
    if match := _HEADER.fullmatch(header):
        return match["name"].strip(), _UNITS.get(match["unit"].strip().lower())
    for ending, unit in _UNITS.items():
        for mark in ("_", " "):
            if header.lower().endswith(mark + ending):
                return header[: -len(ending) - 1].strip(), unit
    return header, None


def _numbers(
    file: str,
    name: str,
    times: Sequence[Any],
    cells: Sequence[tuple[int, int, Any]],
    unit: str,
    parsed: Parsed,
) -> pd.DataFrame:
    """Return times and numbers of one name, and note its faults."""
    values, wrong, commas, lost = [], [], 0, 0
    for _, row, cell in cells:
        try:
            value, comma = as_number(cell)
        except ValueError:
            wrong.append((row, unguarded(cell)))
            value, comma = math.nan, False
        commas += comma
        if value in _NO_DATA:
            value, lost = math.nan, lost + 1
        values.append(value)
    if wrong:
        rows = some([row for row, _ in wrong], most=_DAYS)
        found = f'"{wrong[0][1]}" (rows {rows})'
        parsed.faults.append(Fault(file, found, "numbers", "Correct or empty them.", column=name))
    if commas:
        parsed.notes.append(f"{file}: {commas} decimal commas of {name} were read as such")
    if lost:
        parsed.notes.append(f"{file}: {lost} values of {name} that mean no data were left out")
    array = np.array(values, dtype=float)
    _check_unit(file, name, array, unit, parsed)
    table = pd.DataFrame({"time": [times[p] for p, _, _ in cells], "name": name, "value": array})
    return table[table["time"].notna()]


def _check_unit(file: str, name: str, values: Any, unit: str, parsed: Parsed) -> None:  # noqa: ANN401
    """Refuse a series that is in another unit than stated: per cent as fractions or the reverse."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return
    middle, (_, high) = float(np.median(known)), UNIT_RANGES[unit]
    meant = None
    if unit == "%" and 0 < float(np.max(known)) < 1.0:
        meant = "m3/m3"
    elif unit == "m3/m3" and middle > 1.0:
        meant = "%"
    elif unit == "kPa" and middle < 0:
        meant = "kPa without the minus sign"
    if meant or middle > high:
        found = f"a median of {middle:g} {unit}"
        mend = f"It looks like {meant}." if meant else "Check the unit."
        parsed.faults.append(Fault(file, found, f"at most {high:g} {unit}", mend, column=name))


def _parse_events(sheet: RawSheet, *, valves: Sequence[str]) -> Parsed:
    """Read a log of valve runs: start, valve, minutes (0 where a run was skipped).

    Result: columns start, valve, minutes [min], row; rows without a start or valve are faults.
    """
    parsed = _parse_sheet(sheet, EVENT_COLUMNS)
    table = parsed.table
    for column in ("start", "valve", "minutes"):
        if column not in table:
            mend = "Add it."
            parsed.faults.append(Fault(sheet.file, "no such column", column, mend, column=column))
            table[column] = pd.NaT if column == "start" else "" if column == "valve" else math.nan
    shown = {printable(v): v for v in valves}
    table["valve"] = [shown.get(printable(v), str(v)) for v in table["valve"]]
    known = set(valves)
    strange = [(row, v) for row, v in zip(table["row"], table["valve"], strict=True)]
    strange = [(row, v) for row, v in strange if v not in known]
    if strange and "valve" in sheet.headers:
        rows = some([row for row, _ in strange], most=_DAYS)
        names = some(sorted({str(v) for _, v in strange}))
        mend = "Write the valves as the plan names them."
        found = f"valve {names} (rows {rows})"
        parsed.faults.append(Fault(sheet.file, found, some(list(valves)), mend, column="valve"))
    parsed.table = table[table["start"].notna() & table["minutes"].notna()]
    return parsed


def _parse_weather(sheet: RawSheet) -> Parsed:
    """Read a rain log: date, rain_mm (or rain_in), and eto_mm (or eto_in) where it is known.

    Result: columns date, rain_mm, eto_mm [mm/d]; NaN ETo where it is not known.
    """
    columns = (
        *(SheetColumn(name, "time", "day") for name in TIME_NAMES),
        SheetColumn("rain", "number", "rain", low=0, high=2000, unit="mm", us_unit="in"),
        SheetColumn("eto", "number", "reference ET", low=0, high=20, unit="mm", us_unit="in"),
    )
    parsed = _parse_sheet(sheet, columns)
    time = next((name for name in TIME_NAMES if name in parsed.table), None)
    if time is None or "rain" not in parsed.table:
        found = f"columns {some(list(sheet.headers))}"
        parsed.faults.append(Fault(sheet.file, found, "date and rain_mm", "Name them so."))
        parsed.table = pd.DataFrame({"date": [], "rain_mm": [], "eto_mm": []})
        return parsed
    table = parsed.table[parsed.table[time].notna()]
    day = pd.to_datetime(table[time]).dt.normalize()
    eto = table["eto"] if "eto" in table else pd.Series(math.nan, index=table.index)
    daily = pd.DataFrame({"date": day, "rain_mm": table["rain"], "eto_mm": eto})
    parsed.table = daily.groupby("date", as_index=False).sum(min_count=1)
    return parsed


_METER: Final = {
    "m3": 1.0, "l": 0.001, "gal": GALLON_M3, "kgal": 1000 * GALLON_M3, "ccf": 100 * 0.3048**3,
}  # fmt: skip


def _parse_meter(sheet: RawSheet) -> Parsed:
    """Read a water meter: dates with its counter (meter_*), or with the use since (used_*).

    Result: columns start, end, used_m3 [m³]: one row per period between two readings.
    """
    parsed = Parsed(pd.DataFrame({"start": [], "end": [], "used_m3": []}), notes=list(sheet.notes))
    time = next((h for h in sheet.headers if h.strip().lower() in TIME_NAMES), None)
    heads = {
        h: (kind, _METER[unit])
        for h in sheet.headers
        for kind in ("meter", "used")
        for unit in _METER
        if h.strip().lower() == f"{kind}_{unit}"
    }
    if time is None or not heads:
        found, allowed = f"columns {some(list(sheet.headers))}", "date, and meter_m3 or used_m3"
        parsed.faults.append(Fault(sheet.file, found, allowed, "Name them so."))
        return parsed
    header, (kind, factor) = next(iter(heads.items()))
    times = _times(sheet, time, parsed)
    cells = [(p, row, cell) for p, (row, cell) in enumerate(sheet.column(header))]
    table = _numbers(sheet.file, header, times, cells, "device", parsed)
    table = table.dropna().sort_values("time", kind="stable")
    value = table["value"].to_numpy(dtype=float) * factor
    used = np.diff(value) if kind == "meter" else value[1:]
    if (used < 0).any():
        day = table["time"].iloc[int(np.argmax(used < 0)) + 1]
        found = f"a meter that runs backwards (on {day:%Y-%m-%d})"
        mend = "Correct the reading; after a change of meter start a new file."
        parsed.faults.append(Fault(sheet.file, found, "a rising count", mend, column=header))
    ends = table["time"].to_list()
    parsed.table = pd.DataFrame({"start": ends[:-1], "end": ends[1:], "used_m3": used})
    return parsed


def _empty(*columns: str) -> pd.DataFrame:
    return pd.DataFrame({name: [] for name in columns})


@dataclass(frozen=True)
class Readings:
    """What came back from the field.

    sensors: index `sensor_id`, the columns of `siting.planning.form.SENSOR_COLUMNS` that the sheet
    has; zones: index `zone`, jar_sand, jar_silt, jar_clay, intake [mm/h], root_depth [m], note;
    cans: columns zone, lat, lon, caught [mm], minutes; moisture: sensor (or survey point) -> values
    by time, as logged, sorted, without gaps filled; units: unit of each of them; events: columns
    start, valve, minutes [min], sorted, 0 minutes where a run was skipped; weather: index `date`,
    rain_mm, eto_mm [mm/d]; meter: columns start, end, used_m3 [m³]; notes: what was found and
    taken; files: name of each file -> sha256.
    """

    sensors: pd.DataFrame = field(default_factory=pd.DataFrame)
    zones: pd.DataFrame = field(default_factory=pd.DataFrame)
    cans: pd.DataFrame = field(default_factory=lambda: _empty("zone", "lat", "lon", "caught"))
    moisture: Mapping[str, pd.Series] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    events: pd.DataFrame = field(default_factory=lambda: _empty("start", "valve", "minutes"))
    weather: pd.DataFrame = field(default_factory=lambda: _empty("rain_mm", "eto_mm"))
    meter: pd.DataFrame = field(default_factory=lambda: _empty("start", "end", "used_m3"))
    notes: tuple[str, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)


def read_readings(paths: Iterable[Path | str], plan: Plan, *, also: Iterable[str] = ()) -> Readings:
    """Read every file that came back from the field.

    What a file holds is told from its header: the file of the map's field page (field.json; several
    are brought together, and where two devices differ the later answer counts and a note says so),
    the readings sheet (sensors, zones, cans), logged
    moisture, valve runs (start, valve, minutes), rain (date, rain_mm), the water meter (date,
    meter_m3 or used_m3).

    Parameters
    ----------
    paths : iterable of Path or str
        CSV files, workbooks and files of the field page.
    plan : Plan
        The plan, for its ids, zones, valves and place.
    also : iterable of str
        Further sensor ids that are no fault, as of sensors that have no work any more.

    Returns
    -------
    Readings
        Everything in them.

    Raises
    ------
    InputError
        With every fault of every file, each with its row.
    """
    reader = _Reader(plan, also)
    files: dict[str, str] = {}
    fields: list[FieldFile] = []
    for path in [Path(p) for p in paths]:
        try:
            if path.suffix.lower() == ".json":
                fields.append(_read_field(path))
                files[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
                continue
            sheets = read_sheets(path)
        except InputError as error:
            reader.faults += error.faults
            continue
        files[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
        if not sheets:
            found = "a header and no rows"
            reader.faults.append(Fault(path.name, found, "rows", "Fill in the sheet."))
        # The sensors' sheet first: its units serve the logs.
        for sheet in sorted(sheets, key=lambda s: _kind(s) != "sensors"):
            reader.sheets.append((_kind(sheet), sheet))
    reader.take_fields(fields)
    reader.read_all()
    if reader.faults:
        raise InputError(reader.faults)
    return reader.result(files)


def _kind(sheet: RawSheet) -> str:
    """Tell what a table holds from its header."""
    heads = {h.strip().lower().replace(" ", "_") for h in sheet.headers}
    timed = bool(heads & set(TIME_NAMES))

    def some_begin(*words: str) -> bool:
        return any(head.startswith(words) for head in heads)

    tests = {
        "sensors": bool(heads & {"buried_on", "reading_1", "reading_unit", "soaked_at"}),
        "events": {"start", "valve"} <= heads or {"valve", "minutes"} <= heads,
        "meter": some_begin("meter_", "used_"),
        "cans": some_begin("caught"),
        "zones": some_begin("jar_", "intake_") or ("zone" in heads and some_begin("root_depth")),
        "weather": timed and some_begin("rain_"),
        "moisture": timed,
    }
    return next((kind for kind, found in tests.items() if found), "unknown")


_KINDS: Final = (
    "the plan's readings sheet, or a log with a column time, start (with valve, minutes), "
    "rain_mm, meter_m3 or used_m3"
)


class _Reader:
    """Collects the tables and the faults of all files."""

    def __init__(self, plan: Plan, also: Iterable[str]) -> None:
        self.plan = plan
        self.month_first = plan.settings.units == "us"
        self.ids = list(dict.fromkeys([*map(str, plan.sensors.index), *also]))
        self.faults: list[Fault] = []
        self.notes: list[str] = []
        self.sheets: list[tuple[str, RawSheet]] = []
        self.tables: dict[str, list[pd.DataFrame]] = {}
        self.units: dict[str, str] = {}

    def take_fields(self, files: Sequence[FieldFile]) -> None:
        """Take the files of the field page as sheets of sensors."""
        zones = {str(tag): str(zone) for tag, zone in self.plan.sensors["zone"].items()}
        sheets, faults = _field_sheets(files, name=self.plan.site.name, zones=zones)
        self.faults += faults
        self.sheets += [("sensors", sheet) for sheet in sheets]

    def read_all(self) -> None:
        """Read the sheets, the sensors' first."""
        order = ("sensors", "zones", "cans", "events", "weather", "meter", "moisture", "unknown")
        for wanted in order:
            for kind, sheet in self.sheets:
                if kind == wanted:
                    getattr(self, f"_{kind}")(sheet)

    def _take(self, kind: str, parsed: Parsed) -> None:
        self.faults += parsed.faults
        self.notes += parsed.notes
        self.tables.setdefault(kind, []).append(parsed.table)

    def _unknown(self, sheet: RawSheet) -> None:
        found = f"columns {some(list(sheet.headers))}"
        self.faults.append(Fault(sheet.file, found, _KINDS, "Use the sheet that the plan wrote."))

    def _sensors(self, sheet: RawSheet) -> None:
        parsed = _parse_sheet(sheet, SENSOR_COLUMNS, month_first=self.month_first)
        parsed.table = _check_ids(parsed, sheet.file, "sensor_id", self.ids, once=True)
        site = self.plan.site
        parsed.faults += _check_sensors(
            parsed.table, sheet.file, longitude=site.longitude, latitude=site.latitude
        )
        if sheet.labels:
            called = {f: sheet.labels.get(str(f.feature), f.feature) for f in parsed.faults}
            parsed.faults = [replace(fault, feature=name) for fault, name in called.items()]
        self._take("sensors", parsed)
        if "sensor_id" in parsed.table and "reading_unit" in parsed.table:
            stated = parsed.table.dropna(subset=["reading_unit"])
            self.units |= dict(zip(stated["sensor_id"], stated["reading_unit"], strict=True))

    def _zoned(self, kind: str, sheet: RawSheet, columns: tuple[SheetColumn, ...]) -> None:
        parsed = _parse_sheet(sheet, columns)
        zones = [str(zone) for zone in self.plan.zones.index]
        parsed.table = _check_ids(parsed, sheet.file, "zone", zones, once=kind == "zones")
        self._take(kind, parsed)

    def _zones(self, sheet: RawSheet) -> None:
        self._zoned("zones", sheet, ZONE_COLUMNS)

    def _cans(self, sheet: RawSheet) -> None:
        self._zoned("cans", sheet, CAN_COLUMNS)

    def _events(self, sheet: RawSheet) -> None:
        valves = sorted({str(v) for v in self.plan.zones["valve"]})
        self._take("events", _parse_events(sheet, valves=valves))

    def _weather(self, sheet: RawSheet) -> None:
        self._take("weather", _parse_weather(sheet))

    def _meter(self, sheet: RawSheet) -> None:
        self._take("meter", _parse_meter(sheet))

    def _moisture(self, sheet: RawSheet) -> None:
        parsed, units = _parse_moisture(sheet, sensors=self.ids, units=self.units)
        self._take("moisture", parsed)
        self.units |= units

    def result(self, files: dict[str, str]) -> Readings:
        """Return what was read."""
        table = {kind: pd.concat(parts, ignore_index=True) for kind, parts in self.tables.items()}
        empty = Readings()
        # A later sheet fills in or replaces what an earlier one said, cell by cell.
        sensors = _latest(table.get("sensors"), "sensor_id")
        zones = _latest(table.get("zones"), "zone")
        cans = table.get("cans", empty.cans)
        if len(cans):
            cans = cans[cans["caught"].notna()].drop_duplicates(["zone", "can"], keep="last")
        events = table.get("events", empty.events).drop_duplicates(["start", "valve"])
        events = events.sort_values("start", kind="stable")
        weather = table.get("weather", _empty("date", "rain_mm", "eto_mm"))
        return Readings(
            sensors=sensors,
            zones=zones,
            cans=cans.reset_index(drop=True),
            moisture=_by_name(table.get("moisture")),
            units=self.units,
            events=events.reset_index(drop=True),
            weather=weather.groupby("date").mean(),
            meter=table.get("meter", empty.meter).drop_duplicates().reset_index(drop=True),
            notes=tuple(dict.fromkeys(self.notes)),
            files=files,
        )


def _latest(table: pd.DataFrame | None, key: str) -> pd.DataFrame:
    """Return one row per name: of each column the last cell that says something."""
    if table is None or table.empty:
        return pd.DataFrame(index=pd.Index([], name=key))
    known = table.replace({"": None})
    return known.groupby(key, sort=False).last()


def _by_name(table: pd.DataFrame | None) -> dict[str, pd.Series]:
    """Return one sorted series per name; of repeated times the mean."""
    if table is None or table.empty:
        return {}
    found = {}
    for name, part in table.groupby("name"):
        series = part.groupby("time")["value"].mean().sort_index()
        series.index = pd.DatetimeIndex(series.index, name="time")
        found[str(name)] = series
    return found
