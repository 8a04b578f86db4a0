"""Reading a table of days into numbers: every fault found, grouped, with line numbers."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siting.climate.cells import (
    Column,
    Layout,
    Ledger,
    Place,
    Row,
    find_columns,
    full_rows,
    lines_text,
    read_numbers,
    read_rows,
)
from siting.errors import Fault, InputError

__all__ = ["COLUMNS", "Column", "RawTable", "latest_day", "lines_text", "read_table"]

_Array = NDArray[np.float64]

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
    columns: dict[str, _Array]
    lines: NDArray[np.int64]
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
    clock's date when not given. Result: the numbers, each within the limits of its column.
    """
    name = path.name
    rows = read_rows(path)
    header = [cell.strip().lower() for cell in rows[0][1]]
    layout = Layout(COLUMNS, "date", ("date", *required))
    places, faults, warnings = find_columns(name, header, layout)
    ledger = Ledger(name)
    body = full_rows(rows[1:], len(header), ledger)
    dates = _dates(body, places, ledger, latest_day(today))
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
        faults.append(Fault(name, "no days", "one line per day", "Give a file with weather in it."))
    if faults:
        raise InputError(faults)
    if repeated.any():
        warnings.append(f"{name}: repeated identical lines dropped: {int(repeated.sum()):,}.")
    converted = [p.spelling for p in places.values() if p.factor != 1.0]
    if converted:
        warnings.append(f"{name}: converted from the unit in the header: {', '.join(converted)}.")
    keep = ~repeated
    values = {column: numbers[keep] for column, numbers in values.items()}
    return RawTable(dates[keep], values, lines[keep], tuple(warnings))


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


def _compare(values: dict[str, _Array], lines: NDArray[np.int64], ledger: Ledger) -> None:
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
    ledger: Ledger,
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
