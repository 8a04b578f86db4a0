"""Twelve monthly normals as a weather source: read, checked, turned into many daily years."""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from siting.climate.air import wind_at_2m
from siting.climate.cells import (
    Column,
    Layout,
    Ledger,
    Place,
    Row,
    find_columns,
    full_rows,
    read_numbers,
    read_rows,
)
from siting.climate.generator import daily_from_normals
from siting.climate.model import Climate
from siting.climate.options import WeatherOptions
from siting.climate.record import day_frame, finish_record
from siting.errors import Fault, InputError

__all__ = ["NORMALS_COLUMNS", "read_normals", "read_normals_table"]

#: Every column of a table of normals but the month: means over many years.
NORMALS_COLUMNS: Final = {
    "rain_mm": Column("mm per month", 0.0, 3000.0, "Where it is inches, name the column rain_in."),
    "wet_days": Column("days per month", 0.0, 31.0, "Give the mean number of days with rain."),
    "tmin_c": Column("°C", -60.0, 45.0, "Where it is Fahrenheit, name the column tmin_f."),
    "tmax_c": Column("°C", -60.0, 55.0, "Where it is Fahrenheit, name the column tmax_f."),
    "rs_mj_m2": Column("MJ/m2 per day", 0.0, 40.0, "Or name it rs_w_m2 or rs_kwh_m2."),
    "rh_mean": Column("%", 1.0, 100.0, "A fraction must be multiplied by 100."),
    "tdew_c": Column("°C", -60.0, 40.0, "Where it is Fahrenheit, name the column tdew_f."),
    "wind_m_s": Column(
        "m/s", 0.0, 30.0, "Where it is another unit, name it wind_km_h or wind_mph."
    ),
    "wind_height_m": Column("m", 0.5, 200.0),
}
_REQUIRED: Final = ("month", "rain_mm", "wet_days", "tmin_c", "tmax_c")
_MONTHS: Final = 12
_WIND_HEIGHT: Final = 2.0
_WORDS: Final = {"rs_mj_m2": "radiation", "ea_kpa": "humidity", "wind_2m_m_s": "wind"}


def read_normals_table(path: Path | str) -> tuple[pd.DataFrame, list[str]]:
    """Read a table of twelve monthly normals.

    Columns month (1 to 12, or its English name), rain_mm, wet_days, tmin_c and tmax_c are required;
    rs_mj_m2, rh_mean or tdew_c, and wind_m_s with wind_height_m are used when they are there.
    Headers that carry another unit (tmin_f, rain_in ...) are converted.

    Result: index month 1 to 12; the columns that are there, in our units; columns that are not
    used.
    """
    path = Path(path)
    rows = read_rows(path)
    header = [cell.strip().lower() for cell in rows[0][1]]
    layout = Layout(NORMALS_COLUMNS, "month", _REQUIRED)
    places, faults, warnings = find_columns(path.name, header, layout)
    ledger = Ledger(path.name)
    body = full_rows(rows[1:], len(header), ledger)
    months = _months(body, places, ledger)
    values = {
        name: read_numbers(body, place, NORMALS_COLUMNS[name], ledger)
        for name, place in places.items()
        if name != "month"
    }
    absent = [calendar.month_abbr[m] for m in range(1, _MONTHS + 1) if m not in months]
    if "month" in places and absent and not ledger.lines:
        found = f"no row for {', '.join(absent)}"
        ledger.add(1, "month", found, "12 rows, one for each month", "Add the months.")
    faults += ledger.faults()
    if faults:
        raise InputError(faults)
    normals = pd.DataFrame(values, pd.Index(months, name="month"))
    return normals.sort_index(), warnings


def _months(body: Sequence[Row], places: dict[str, Place], ledger: Ledger) -> list[int]:
    """Read the months; 0 where one is wrong."""
    if "month" not in places:
        return [0] * len(body)
    words = {name.lower(): m for m, name in enumerate(calendar.month_name) if m}
    words |= {name.lower(): m for m, name in enumerate(calendar.month_abbr) if m}
    words |= {text: m for m in range(1, _MONTHS + 1) for text in (str(m), f"{m:02d}")}
    months: list[int] = []
    for line, cells in body:
        month = words.get(cells[places["month"].position].strip().lower(), 0)
        if not month:
            ledger.add(line, "month", "no month", "1 to 12, or Jan to Dec", "Leave other rows out.")
        elif month in months:
            ledger.add(line, "month", "a month given before", "each month once", "Keep one row.")
        months.append(month)
    return months


def read_normals(path: Path, options: WeatherOptions) -> Climate:
    """Turn twelve monthly normals into many years of daily weather.

    options: `years`, `first_year`, `seed`, `wet_day_mm`, `latitude`, `wind_height_m` where the
    table has no column of it. Result: generated days; radiation, humidity and wind are NaN where
    the normals do not have them.
    """
    normals, warnings = read_normals_table(path)
    file = path.name
    if math.isnan(options.latitude):
        found, mend = "no latitude of the property", "Mend its layers first; nothing is wrong here."
        raise InputError([Fault(file, found, "normals of a known place", mend)])
    if "wind_m_s" in normals:
        height = normals.get("wind_height_m", pd.Series(np.nan, normals.index))
        if options.wind_height_m is None and height.isna().any():
            taken = options.height(_WIND_HEIGHT)
            warnings.append(f"{file}: height of the wind measurement not given: taken as {taken}.")
        height = height.fillna(options.wind_height_m or _WIND_HEIGHT)
        normals = normals.assign(wind_m_s=wind_at_2m(normals["wind_m_s"], height))
    try:
        made = daily_from_normals(
            normals.drop(columns="wind_height_m", errors="ignore"),
            years=options.years,
            first_year=options.first_year,
            seed=options.seed,
            latitude=options.latitude,
            wet_day_mm=options.wet_day_mm,
        )
    except InputError as error:
        raise InputError([replace(fault, file=file) for fault in error.faults]) from None
    made = made.rename(columns={"wind_m_s": "wind_2m_m_s"})
    columns = {str(n): made[n].to_numpy(dtype=np.float64) for n in made if n != "date"}
    daily = day_frame(made["date"].to_numpy(), columns)
    least = (
        f"at least {options.wet_day_mm:g} mm ({options.wet_day_mm / 25.4:.2g} in)"
        if options.wet_day_mm
        else "any rain at all"
    )
    warnings.append(
        f"{file}: {options.years} years of days generated from twelve normals (seed "
        f"{options.seed}); none was measured, and they differ from each other only about as real "
        f"years do. A wet day is one with {least} (wet_day_mm)."
    )
    missing = [word for name, word in _WORDS.items() if daily[name].isna().all()]
    if missing:
        warnings.append(f"{file}: the normals say nothing of {', '.join(missing)}.")
    return finish_record(daily, file=file, options=options, warnings=warnings)
