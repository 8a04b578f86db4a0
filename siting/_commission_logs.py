"""Logs of a season: soil moisture, valve runs, rain and the water meter, at any interval."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from siting._commission_cells import YEARS_SAID, RawSheet, as_number, as_time, time_order, unguarded
from siting._commission_sheet import UNIT_RANGES, Parsed, parse_sheet, printable
from siting._plan_readings import SheetColumn
from siting.errors import Fault
from siting.site.findings import nearest, some
from siting.units import GALLON_M3

__all__ = [
    "EVENT_COLUMNS",
    "TIME_NAMES",
    "parse_events",
    "parse_meter",
    "parse_moisture",
    "parse_weather",
]

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


def parse_moisture(
    sheet: RawSheet, *, sensors: Sequence[str], units: Mapping[str, str]
) -> tuple[Parsed, dict[str, str]]:
    """Read logged moisture: one column per sensor, or columns for sensor and value.

    sheet: the table, a unit stands in the header ("S1 [%]", "S1_percent"), in a column `unit`, or
    is that of the readings sheet. Result: table with columns time, name, value, long form; values
    as logged; unit of each name, one of `siting._plan_readings.READING_UNITS`.
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


def parse_events(sheet: RawSheet, *, valves: Sequence[str]) -> Parsed:
    """Read a log of valve runs: start, valve, minutes (0 where a run was skipped).

    Result: columns start, valve, minutes [min], row; rows without a start or valve are faults.
    """
    parsed = parse_sheet(sheet, EVENT_COLUMNS)
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


def parse_weather(sheet: RawSheet) -> Parsed:
    """Read a rain log: date, rain_mm (or rain_in), and eto_mm (or eto_in) where it is known.

    Result: columns date, rain_mm, eto_mm [mm/d]; NaN ETo where it is not known.
    """
    columns = (
        *(SheetColumn(name, "time", "day") for name in TIME_NAMES),
        SheetColumn("rain", "number", "rain", low=0, high=2000, unit="mm", us_unit="in"),
        SheetColumn("eto", "number", "reference ET", low=0, high=20, unit="mm", us_unit="in"),
    )
    parsed = parse_sheet(sheet, columns)
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


def parse_meter(sheet: RawSheet) -> Parsed:
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
