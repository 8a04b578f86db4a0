"""Typical years (TMY2, TMY3, EPW, NSRDB): hours through pvlib's readers, days with measured rain.

A typical year is stitched from months of different years, chosen by their radiation and
temperature. Its days have an honest sun; it has no honest rain, and no spread between years.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from pvlib import iotools

from siting.climate.air import wind_at_2m
from siting.climate.hourly import HOURLY_COLUMNS, days_of_hours
from siting.climate.model import Climate
from siting.climate.options import WeatherOptions
from siting.climate.rain import read_rain
from siting.climate.record import day_frame, finish_record, known_height, station_distance_km
from siting.errors import Fault, InputError

__all__ = ["TYPICAL_FORMATS", "TypicalYear", "read_typical", "read_typical_year"]

_DAYS: Final = 365
_DAY_H: Final = 24.0
_WIND_HEIGHT: Final = 10.0
_LEAP: Final = (2, 29)
_MALFORMED: Final = (
    ArithmeticError, AttributeError, LookupError, NameError, StopIteration, TypeError, ValueError,
)  # fmt: skip


@dataclass(frozen=True)
class TypicalYear:
    """A year of days without rain.

    daily: index month and day, columns tmin_c, tmax_c [°C], rs_mj_m2 [MJ m⁻² d⁻¹], diffuse_fraction
    [-], ea_kpa [kPa], wind_m_s (as high as measured) [m/s]; latitude, longitude: of the station,
    north and east positive [deg]; elevation_m: of the station above the sea [m]; years: the years
    from which its months were taken.
    """

    daily: pd.DataFrame
    latitude: float
    longitude: float
    elevation_m: float
    years: tuple[int, ...]


def _tmy2(path: str) -> tuple[pd.DataFrame, Mapping[str, Any]]:
    data, meta = iotools.read_tmy2(path)
    return pd.DataFrame(
        {
            "ghi": data["GHI"],
            "dhi": data["DHI"],
            "temp_air": data["DryBulb"] / 10.0,
            "temp_dew": data["DewPoint"] / 10.0,
            "wind_speed": data["Wspd"] / 10.0,
        }
    ), meta


def _tmy3(path: str) -> tuple[pd.DataFrame, Mapping[str, Any]]:
    data, meta = iotools.read_tmy3(path, map_variables=True)
    # The stamp is the hour's end.
    stamps = pd.DatetimeIndex(data.index) - pd.Timedelta(hours=1)
    # The file has no leap day, but pvlib moves midnight after 28 February over it to 1 March.
    leap = (stamps.month == _LEAP[0]) & (stamps.day == _LEAP[1])
    if leap.sum() == 1:
        stamps = stamps.where(~leap, stamps - pd.Timedelta(days=1))
    return data.set_axis(stamps), meta


def _epw(path: str) -> tuple[pd.DataFrame, Mapping[str, Any]]:
    data, meta = iotools.read_epw(path)
    return data, meta


def _psm3(path: str) -> tuple[pd.DataFrame, Mapping[str, Any]]:
    # pvlib renamed the reader; the layout is the same.
    reader = getattr(iotools, "read_nsrdb_psm4", None) or iotools.read_psm3
    data, meta = reader(path, map_variables=True)
    return data, meta


#: Format -> what reads it into hours in local time that begin at their stamp.
TYPICAL_FORMATS: Final[Mapping[str, Callable[[str], tuple[pd.DataFrame, Mapping[str, Any]]]]] = {
    "tmy2": _tmy2,
    "tmy3": _tmy3,
    "epw": _epw,
    "psm3": _psm3,
}


def read_typical_year(path: Path | str, kind: str) -> TypicalYear:
    """Read a typical year and aggregate it to days.

    kind {"tmy2", "tmy3", "epw", "psm3"}: its format. Result: 365 days; 29 February is left out.

    Marion & Urban 1995, User's Manual for TMY2s; Wilcox & Marion 2008, NREL/TP-581-43156 (TMY3);
    the EnergyPlus weather format (EPW); Sengupta et al. 2018, Renew. Sustain. Energy Rev. 89:51
    (NSRDB, from memory).
    """
    path = Path(path).absolute()
    try:
        hours, meta = TYPICAL_FORMATS[kind](str(path))
        place = [float(meta[name]) for name in ("latitude", "longitude", "altitude")]
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        raise InputError([Fault(path.name, found, "a file", "Check its name.")]) from None
    except _MALFORMED as error:
        found = f"another layout ({type(error).__name__})"
        mend = "Take the file anew, or correct format under [weather]."
        raise InputError([Fault(path.name, found, f"a {kind.upper()} file", mend)]) from None
    stamps = pd.DatetimeIndex(hours.index).tz_localize(None)
    hours = _numeric(hours.set_axis(stamps), path.name)
    years = tuple(sorted(int(year) for year in set(stamps.year)))
    daily = _whole_year(hours, path.name)
    return TypicalYear(daily, place[0], place[1], place[2], years)


def _numeric(hours: pd.DataFrame, file: str) -> pd.DataFrame:
    """Return the hours with every value a number, or refuse the texts among them."""
    table = hours.copy()
    faults = []
    for column in [name for name, kind in table.dtypes.items() if kind.kind == "O"]:
        numbers = pd.to_numeric(table[column], errors="coerce")
        texts = table[column][numbers.isna() & table[column].notna()]
        used = str(column) in HOURLY_COLUMNS
        if used and len(texts):
            shown = "".join(c if c.isprintable() else "?" for c in str(texts.iloc[0])[:20])
            found = f'"{shown}" and {len(texts) - 1:,} more texts'
            mend = "Take the file anew; numbers need a point."
            faults.append(Fault(file, found, "numbers", mend, column=str(column)))
        table[column] = numbers
    if faults:
        raise InputError(faults)
    return table


def _whole_year(hours: pd.DataFrame, file: str) -> pd.DataFrame:
    """Return the 365 days by month and day, or refuse the file."""
    stamps = pd.DatetimeIndex(hours.index)
    step_h = _DAY_H / max(len(np.unique(stamps.minute + 60 * stamps.hour)), 1)
    days = days_of_hours(hours, step_h=step_h)
    dates = pd.DatetimeIndex(days.index)
    days.index = pd.MultiIndex.from_arrays([dates.month, dates.day], names=["month", "day"])
    days = days.drop(index=[_LEAP], errors="ignore").sort_index()
    short = int((days["hours"] < _DAY_H).sum())
    twice = int(stamps.duplicated().sum())
    faults = []
    if len(days) != _DAYS or days.index.has_duplicates:
        faults.append(Fault(file, f"{len(days):,} days", "one whole year", "Take the file anew."))
    elif short:
        found = f"{short:,} days with fewer than 24 hours"
        faults.append(Fault(file, found, "whole days", "Take the file anew."))
    if twice:
        found = f"{twice:,} hours given twice, as where daylight saving ends"
        mend = "Take the file in standard time, all the year."
        faults.append(Fault(file, found, "each hour once", mend))
    faults += [
        Fault(file, f"no values of {name}", "every hour", "Take another file.", column=name)
        for name in ("tmin_c", "rs_mj_m2")
        if days[name].isna().all()
    ]
    if faults:
        raise InputError(faults)
    return days.drop(columns=["hours", "rain_mm"])


def read_typical(path: Path, options: WeatherOptions, *, kind: str) -> Climate:
    """Read a typical year, and repeat it under the measured rain of many years.

    kind {"tmy2", "tmy3", "epw", "psm3"}: its format. Result: the days of the rain file, each with
    the sun, air and wind of its day of the typical year, diffuse_fraction included.
    """
    faults: list[Fault] = []
    try:
        year = read_typical_year(path, kind)
    except InputError as error:
        faults += error.faults
    if options.rain_file is None:
        faults.append(_no_rain(path.name))
    else:
        try:
            rain, warnings = read_rain(options.rain_file, options=options)
        except InputError as error:
            faults += error.faults
    if faults or options.rain_file is None:
        raise InputError(faults)
    warnings.append(
        f"{path.name}: a typical year has no honest rain series, so the rain is that of "
        f"{options.rain_file.name}; every year repeats the same sun, temperature and wind, and "
        "wet days are not duller than dry ones."
    )
    if kind == "psm3" and len(year.years) == 1:
        warnings.append(f"{path.name}: all its days are of {year.years[0]}: no typical year.")
    return _under_rain(path.name, year, rain, options=options, warnings=warnings)


def _no_rain(name: str) -> Fault:
    mend = (
        'Add rain_file = "..." under [weather]: measured daily rain of several years (date, '
        "rain_mm; or a GHCN-Daily file); or use a daily file or monthly normals instead."
    )
    found = "a typical year alone; it has no honest rain series"
    return Fault(name, found, "a typical year with measured rain", mend)


def _under_rain(
    file: str, year: TypicalYear, rain: pd.Series, *, options: WeatherOptions, warnings: list[str]
) -> Climate:
    """Lay the typical year's days under each day of the rain."""
    full = pd.date_range(rain.index[0], rain.index[-1], freq="D")
    rain = rain.reindex(full)
    day = np.where((full.month == _LEAP[0]) & (full.day == _LEAP[1]), 28, full.day)
    rows = year.daily.index.get_indexer(pd.MultiIndex.from_arrays([full.month, day]))
    table = {str(name): year.daily[name].to_numpy(dtype=np.float64)[rows] for name in year.daily}
    height = options.wind_height_m
    if height is None:
        height = _WIND_HEIGHT
        warnings.append(
            f"{file}: height of the wind measurement not given: taken as "
            f"{options.height(height)}; set wind_height_m if it is another."
        )
    table["wind_2m_m_s"] = wind_at_2m(table.pop("wind_m_s"), height)
    station_distance_km(options, year.latitude, year.longitude, file=file, warnings=warnings)
    height_m = known_height(options, year.elevation_m, file=file, warnings=warnings)
    daily = day_frame(full.to_numpy(), table | {"rain_mm": rain.to_numpy(dtype=np.float64)})
    return finish_record(
        daily, file=file, options=replace(options, elevation_m=height_m), warnings=warnings
    )
