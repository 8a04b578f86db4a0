"""Daily station files of NOAA's Global Historical Climatology Network (GHCN-Daily).

Values are whole numbers: tenths of a millimetre, of a degree Celsius, of a metre per second. A
value with a quality flag failed one of the network's checks and is dropped.

References
----------
Menne, Durre, Vose, Gleason & Houston 2012, J. Atmos. Oceanic Technol. 29:897-910; the network's
readme files for the layouts, elements and flags.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.climate.air import saturation_vapour_pressure, wind_at_2m
from siting.climate.csvtable import latest_day
from siting.climate.guard import open_bounded
from siting.climate.model import Climate
from siting.climate.options import WeatherOptions
from siting.climate.record import (
    count_of,
    day_frame,
    finish_record,
    known_height,
    limit_to_saturation,
    station_distance_km,
)
from siting.errors import Fault, InputError

__all__ = ["GHCN_ELEMENTS", "read_ghcn", "read_ghcn_rain"]

_Array = NDArray[np.float64]

#: Element -> lowest and highest possible value in whole numbers as the files carry them.
GHCN_ELEMENTS: Final = {
    "PRCP": (0, 20_000),
    "MDPR": (0, 20_000),
    "TMAX": (-900, 600),
    "TMIN": (-900, 600),
    "AWND": (0, 600),
    "ADPT": (-900, 450),
}
_LONG: Final = ["ID", "DATE", "ELEMENT", "VALUE", "M", "Q", "S", "TIME"]
_CHUNK: Final = 500_000
_MISSING: Final = -9999
_WIND_HEIGHT: Final = 10.0
_TENTH: Final = 10.0
_SHOWN: Final = 5


@dataclass
class _Station:
    """The values of one station, and where it lies when the file says so."""

    table: pd.DataFrame
    latitude: float = np.nan
    longitude: float = np.nan
    elevation_m: float = np.nan
    warnings: list[str] = field(default_factory=list)


def read_ghcn(path: Path, options: WeatherOptions) -> Climate:
    """Read a GHCN-Daily file as weather.

    Long files (by station, by year: ID, date, element, value, three flags, time) and wide ones
    (a row per day, each element with its attributes) are told apart by their first line.

    Result: rain, temperatures and, where they are there, wind (AWND) and dew point (ADPT).
    """
    station = _read_station(path, options)
    table, warnings = station.table, station.warnings
    faults = [
        Fault(path.name, f"no {element}", "PRCP, TMAX and TMIN", _OTHER_STATION, column=element)
        for element in ("PRCP", "TMAX", "TMIN")
        if element not in table
    ]
    if faults:
        raise InputError(faults)
    tmin, tmax = _tenths(table, "TMIN"), _tenths(table, "TMAX")
    swapped = tmin > tmax
    if swapped.any():
        days = count_of(int(swapped.sum()), "day")
        warnings.append(f"{path.name}: TMIN above TMAX on {days}: both taken as unknown.")
    columns = {
        "tmin_c": np.where(swapped, np.nan, tmin),
        "tmax_c": np.where(swapped, np.nan, tmax),
        "rain_mm": _rain(table, path.name, warnings),
        "wind_2m_m_s": _wind(table, path.name, options, warnings),
    }
    if "ADPT" in table:
        columns["ea_kpa"] = limit_to_saturation(
            saturation_vapour_pressure(_tenths(table, "ADPT")),
            columns["tmin_c"], columns["tmax_c"], file=path.name, column="ADPT", warnings=warnings,
        )  # fmt: skip
    if np.isfinite(station.latitude + station.longitude):
        where = (station.latitude, station.longitude)
        station_distance_km(options, *where, file=path.name, warnings=warnings)
    if np.isfinite(station.elevation_m):
        height = known_height(options, station.elevation_m, file=path.name, warnings=warnings)
        options = replace(options, elevation_m=height)
    daily = day_frame(table.index.to_numpy(), columns)
    return finish_record(daily, file=path.name, options=options, warnings=warnings)


def read_ghcn_rain(path: Path, *, options: WeatherOptions) -> tuple[pd.Series, list[str]]:
    """Read the rain alone of a GHCN-Daily file.

    Result: sorted days, NaN where it is unknown [mm]; what was dropped or assumed.
    """
    station = _read_station(path, options)
    if "PRCP" not in station.table:
        fault = Fault(path.name, "no PRCP", "daily rain", _OTHER_STATION, column="PRCP")
        raise InputError([fault])
    rain = _rain(station.table, path.name, station.warnings)
    index = pd.DatetimeIndex(station.table.index, name="date")
    return pd.Series(rain, index, name="rain_mm"), station.warnings


_OTHER_STATION: Final = "Choose a station that measures rain and temperature."


def _tenths(table: pd.DataFrame, element: str) -> _Array:
    return table[element].to_numpy(dtype=np.float64) / _TENTH


def _rain(table: pd.DataFrame, file: str, warnings: list[str]) -> _Array:
    """Return the rain; a total of several days counts on the day on which it was read."""
    rain = _tenths(table, "PRCP")
    if "MDPR" not in table:
        return rain
    total = _tenths(table, "MDPR")
    use = np.isnan(rain) & np.isfinite(total)
    if use.any():
        days = count_of(int(use.sum()), "day")
        warnings.append(f"{file}: rain of several days counted on the day of reading, on {days}.")
    return np.where(use, total, rain)


def _wind(table: pd.DataFrame, file: str, options: WeatherOptions, warnings: list[str]) -> _Array:
    """Return the wind at 2 m, unknown where the station has none."""
    if "AWND" not in table:
        return np.full(len(table), np.nan)
    height = options.wind_height_m
    if height is None:
        height = _WIND_HEIGHT
        warnings.append(
            f"{file}: height of the wind measurement not given: taken as {options.height(height)}, "
            "as at airports; set wind_height_m if it is another."
        )
    return wind_at_2m(_tenths(table, "AWND"), height)


def _read_station(path: Path, options: WeatherOptions) -> _Station:
    """Read the good values of one station: a row per day, a column per element."""
    header = _first_cells(path)
    wide = "STATION" in header and "DATE" in header
    chunks = _wide_values(path, header) if wide else _long_values(path, header)
    picked: list[pd.DataFrame] = []
    seen: dict[str, None] = {}
    try:
        for chunk in chunks:
            seen |= dict.fromkeys(chunk["ID"].unique())
            mine = chunk if options.station is None else chunk[chunk["ID"] == options.station]
            picked.append(mine)
            if options.station is None and len(seen) > 1:
                break
    except (OSError, ValueError, EOFError) as error:
        raise InputError([_no_layout(path.name, f"({type(error).__name__})")]) from None
    _check_station(path.name, list(seen), options)
    warnings: list[str] = []
    table = _good_values(pd.concat(picked, ignore_index=True), path.name, options, warnings)
    station = _Station(table, warnings=warnings)
    if wide:
        with open_bounded(path) as file:
            place = pd.read_csv(file, nrows=1, dtype=str, skipinitialspace=True)
        for name, column in (("latitude", "LATITUDE"), ("longitude", "LONGITUDE"),
                             ("elevation_m", "ELEVATION")):  # fmt: skip
            if column in place:
                setattr(station, name, pd.to_numeric(place[column], errors="coerce").iloc[0])
    return station


def _first_cells(path: Path) -> list[str]:
    """Return the first line's cells."""
    try:
        with open_bounded(path) as file:
            first = pd.read_csv(file, nrows=1, header=None, dtype=str, skipinitialspace=True)
    except FileNotFoundError:
        mend = "Check the name."
        raise InputError([Fault(path.name, "no such file", "a CSV file", mend)]) from None
    except (OSError, ValueError, EOFError, csv.Error) as error:
        raise InputError([_no_layout(path.name, f"({type(error).__name__})")]) from None
    return [str(cell).strip() for cell in first.iloc[0]]


def _no_layout(name: str, detail: str) -> Fault:
    return Fault(
        name,
        f"another layout {detail}".strip(),
        "GHCN-Daily: ID,YYYYMMDD,element,value,flags; or STATION,DATE,...,PRCP,PRCP_ATTRIBUTES",
        "Take the by-station, by-year or access CSV, or name another format.",
    )


def _long_values(path: Path, header: list[str]) -> Iterator[pd.DataFrame]:
    """Yield ID, DATE, ELEMENT, VALUE, M and Q of a long file."""
    if len(header) not in {len(_LONG), len(_LONG) - 1}:
        raise InputError([_no_layout(path.name, f"with {len(header)} columns")])
    skip = 0 if header[1].isdigit() else 1
    names = _LONG[: len(header)]
    reader = pd.read_csv(
        open_bounded(path), header=None, names=names, dtype=str, skiprows=skip, chunksize=_CHUNK,
        keep_default_na=False, skipinitialspace=True,
    )  # fmt: skip
    for chunk in reader:
        yield chunk[chunk["ELEMENT"].isin(GHCN_ELEMENTS)][["ID", "DATE", "ELEMENT", "VALUE", "Q"]]


def _wide_values(path: Path, header: list[str]) -> Iterator[pd.DataFrame]:
    """Yield the same of a wide file."""
    elements = [name for name in GHCN_ELEMENTS if name in header]
    bare = [name for name in elements if f"{name}_ATTRIBUTES" not in header]
    if bare or not elements:
        what = f"{', '.join(bare)} without attributes" if bare else "with none of its elements"
        raise InputError([_no_layout(path.name, what)])
    reader = pd.read_csv(
        open_bounded(path),
        dtype=str,
        chunksize=_CHUNK,
        keep_default_na=False,
        skipinitialspace=True,
    )
    for chunk in reader:
        for name in elements:
            value = chunk[name].str.strip()
            flags = chunk[f"{name}_ATTRIBUTES"].str.split(",", expand=True)
            table = pd.DataFrame(
                {
                    "ID": chunk["STATION"],
                    "DATE": chunk["DATE"].str.replace("-", ""),
                    "ELEMENT": name,
                    "VALUE": value,
                    "Q": flags.get(1, ""),
                }
            )
            yield table[value != ""]


def _check_station(name: str, seen: list[str], options: WeatherOptions) -> None:
    """Refuse a file that holds several stations and none named, or not the one named."""
    shown = ", ".join(sorted(seen)[:_SHOWN]) + (", ..." if len(seen) > _SHOWN else "")
    if not seen:
        raise InputError([_no_layout(name, "with none of its elements")])
    if options.station is not None and options.station not in seen:
        found, mend = f"no station {options.station}", "Correct the key station under [weather]."
    elif options.station is None and len(seen) > 1:
        found, mend = "several stations", 'Add station = "..." under [weather].'
    else:
        return
    raise InputError([Fault(name, found, f"one of {shown}", mend)])


def _good_values(
    values: pd.DataFrame, name: str, options: WeatherOptions, warnings: list[str]
) -> pd.DataFrame:
    """Drop flagged and impossible values; return a row per day, a column per element."""
    number = pd.to_numeric(values["VALUE"], errors="coerce")
    day = pd.to_datetime(values["DATE"], format="%Y%m%d", errors="coerce")
    faults = _value_faults(number, day, name, options)
    if faults:
        raise InputError(faults)
    flag = values["Q"].fillna("").str.strip()
    flagged = flag != ""
    if flagged.any():
        kinds = flag[flagged].value_counts().sort_index()
        listed = ", ".join(f"{kind} {count:,}" for kind, count in kinds.items())
        warnings.append(f"{name}: values dropped for their quality flag: {listed}.")
    low = values["ELEMENT"].map({k: v[0] for k, v in GHCN_ELEMENTS.items()})
    high = values["ELEMENT"].map({k: v[1] for k, v in GHCN_ELEMENTS.items()})
    missing = number == _MISSING
    beyond = ~missing & ~flagged & ((number < low) | (number > high))
    if beyond.any():
        warnings.append(f"{name}: impossible values dropped: {int(beyond.sum()):,}.")
    good = ~flagged & ~missing & ~beyond
    table = pd.DataFrame({"day": day, "element": values["ELEMENT"], "value": number})[good]
    table = table.drop_duplicates()
    twice = table.duplicated(["day", "element"])
    if twice.any():
        found = f"{int(twice.sum()):,} values given twice with other numbers"
        raise InputError([Fault(name, found, "each value once", "Take the file anew.")])
    return table.set_index(["day", "element"])["value"].unstack().sort_index()  # noqa: PD010


def _value_faults(
    number: pd.Series, day: pd.Series, name: str, options: WeatherOptions
) -> list[Fault]:
    """Return what cannot be read, and what shows that the values are no tenths."""
    faults = []
    if number.isna().any():
        mend = "Take the file anew; numbers need a point, not a comma."
        found = f"{int(number.isna().sum()):,} values that are no numbers"
        faults.append(Fault(name, found, "whole numbers", mend))
    elif (number % 1 != 0).any():
        found = f"{int((number % 1 != 0).sum()):,} values with decimals"
        mend = (
            "This is an order in millimetres or inches, not the network's own file: rename the "
            "columns to siting's daily layout (date, tmin_c or tmin_f, rain_mm or rain_in ...)."
        )
        faults.append(Fault(name, found, "whole numbers, in tenths", mend))
    if day.isna().any():
        found = f"{int(day.isna().sum()):,} dates in another form"
        faults.append(Fault(name, found, "YYYYMMDD", "Take the file anew."))
    late = int((day > pd.Timestamp(latest_day(options.today))).sum())
    if late:
        found = f"{late:,} values of days in the future"
        faults.append(Fault(name, found, "days that were measured", "Look for wrong dates."))
    return faults
