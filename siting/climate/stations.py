"""Weather files of others: stations by the day and the hour, typical years, rain alone.

Values are whole numbers: tenths of a millimetre, of a degree Celsius, of a metre per second. A
value with a quality flag failed one of the network's checks and is dropped.

References
----------
Menne, Durre, Vose, Gleason & Houston 2012, J. Atmos. Oceanic Technol. 29:897-910; the network's
readme files for the layouts, elements and flags.

A typical year is stitched from months of different years, chosen by their radiation and
temperature. Its days have an honest sun; it has no honest rain, and no spread between years.
"""

from __future__ import annotations

import csv
import gzip
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from siting.arrays import Floats
from siting.climate.air import saturation_vapour_pressure, wind_at_2m
from siting.climate.model import Climate, WeatherOptions
from siting.climate.record import (
    count_of,
    day_frame,
    finish_record,
    known_height,
    limit_to_saturation,
    read_daily_rain,
    station_distance_km,
)
from siting.climate.tables import COLUMNS, SPELLINGS, latest_day, open_bounded
from siting.errors import Fault, InputError

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


def read_ghcn(path: Path, options: WeatherOptions) -> Climate:
    """Read a GHCN-Daily file as weather.

    Long files (by station, by year: ID, date, element, value, three flags, time) and wide ones
    (a row per day, each element with its attributes) are told apart by their first line.

    Result: rain, temperatures and, where they are there, wind (AWND) and dew point (ADPT).
    """
    table, place, warnings = _read_station(path, options)
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
    latitude, longitude, elevation_m = place
    if np.isfinite(latitude + longitude):
        station_distance_km(options, latitude, longitude, file=path.name, warnings=warnings)
    if np.isfinite(elevation_m):
        height = known_height(options, elevation_m, file=path.name, warnings=warnings)
        options = replace(options, elevation_m=height)
    daily = day_frame(table.index.to_numpy(), columns)
    return finish_record(daily, file=path.name, options=options, warnings=warnings)


def _read_ghcn_rain(path: Path, *, options: WeatherOptions) -> tuple[pd.Series, list[str]]:
    """Read the rain alone of a GHCN-Daily file.

    Result: sorted days, NaN where it is unknown [mm]; what was dropped or assumed.
    """
    table, _, warnings = _read_station(path, options)
    if "PRCP" not in table:
        fault = Fault(path.name, "no PRCP", "daily rain", _OTHER_STATION, column="PRCP")
        raise InputError([fault])
    rain = _rain(table, path.name, warnings)
    index = pd.DatetimeIndex(table.index, name="date")
    return pd.Series(rain, index, name="rain_mm"), warnings


_OTHER_STATION: Final = "Choose a station that measures rain and temperature."


def _tenths(table: pd.DataFrame, element: str) -> Floats:
    return table[element].to_numpy(dtype=np.float64) / _TENTH


def _rain(table: pd.DataFrame, file: str, warnings: list[str]) -> Floats:
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


def _wind(table: pd.DataFrame, file: str, options: WeatherOptions, warnings: list[str]) -> Floats:
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


def _read_station(
    path: Path, options: WeatherOptions
) -> tuple[pd.DataFrame, list[float], list[str]]:
    """Read the good values of one station: a row per day, a column per element.

    Returns latitude, longitude and height [m] too, NaN where the file does not say; and warnings.
    """
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
    where = pd.DataFrame(index=[0])
    if wide:
        with open_bounded(path) as file:
            where = pd.read_csv(file, nrows=1, dtype=str, skipinitialspace=True)
    columns = ["LATITUDE", "LONGITUDE", "ELEVATION"]
    place = where.reindex(columns=columns).apply(pd.to_numeric, errors="coerce").iloc[0]
    return table, [float(value) for value in place], warnings


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


#: Weather of no file, by latitude and height alone.
STAND_IN: Final = "stand_in"
#: Every format, with what it is in words.
FORMATS: Final = {
    "daily": "siting's own daily CSV",
    "ghcn": "a GHCN-Daily station CSV",
    "tmy2": "a typical year, TMY2",
    "tmy3": "a typical year, TMY3",
    "epw": "a typical year, EPW",
    "psm3": "a year of the NSRDB (PSM3 or PSM4 CSV)",
    "pvgis": "a typical year of PVGIS (CSV or JSON)",
    "crn": "five minutes of a station of the US Climate Reference Network",
    "normals": "twelve monthly normals",
    STAND_IN: "no file: weather by latitude and height alone",
}
_TMY2: Final = re.compile(
    r"\s*\d{5}\s.*\s[A-Z]{2}\s+-?\d+\s+[NS]\s+\d+\s+\d+\s+[EW]\s+\d+\s+\d+\s+-?\d+\s*"
)
_CRN_ROW: Final = re.compile(r"\s*\d{5}\s+\d{8}\s+\d{1,4}\s+\d{8}\s+\d{1,4}\s+\S+\s+-?\d+\..*")
_GHCN_ROW: Final = re.compile(r'"?[A-Z]{2}[A-Z0-9_\-]{9}"?,"?\d{8}"?,"?[A-Z0-9]{4}"?,"?-?\d+"?,.*')
_LINES: Final = 3
_BYTES: Final = 20_000


def sniff_format(path: Path) -> tuple[str, str]:
    """Return the format of a weather file, and what shows it.

    Result: one of `FORMATS`, and the reason in words. A file that cannot be read at all, or is in
    siting's layout but for its separators, counts as daily: that reader says what is wrong.
    """
    lines = _first_lines(path)
    if lines is None:
        return "daily", "it cannot be read"
    first, second = lines[0], lines[1]
    cells = {cell.strip().strip('"').lower() for cell in re.split(r"[,;\t]", first)}
    shows = {
        "epw": (first.startswith("LOCATION,"), "its first line begins with LOCATION"),
        "tmy3": ("Date (MM/DD/YYYY)" in second, "its second line has TMY3's headers"),
        "tmy2": (_TMY2.fullmatch(first) is not None, "its first line is TMY2's station line"),
        "psm3": (first.startswith("Source,Location ID"), "its first line is the NSRDB's"),
        "pvgis": (
            first.startswith(("Latitude (decimal degrees)", '{"inputs"')),
            "its first line is that of PVGIS",
        ),
        "crn": (_CRN_ROW.fullmatch(first) is not None, "its lines are those of the CRN"),
        "ghcn": (_is_ghcn(first, second, cells), "its lines are those of GHCN-Daily"),
        "normals": ("month" in cells and "date" not in cells, "its header has month and no date"),
        "daily": (_is_daily(cells), "its header has siting's columns"),
    }
    found = [(name, why) for name, (yes, why) in shows.items() if yes]
    if len(found) == 1:
        return found[0]
    if not found and "\N{REPLACEMENT CHARACTER}" in first + second:
        mend = "Save the table as CSV (comma separated, UTF-8)."
        fault = Fault(path.name, "a text that is not UTF-8", "a CSV file in UTF-8", mend)
        raise InputError([fault])
    what = "a file that fits no format" if not found else "a file that fits several formats"
    mend = 'Add format = "..." under [weather], or write the file in siting\'s daily layout.'
    of_files = "; ".join(name for name in FORMATS if name != STAND_IN)
    raise InputError([Fault(path.name, what, of_files, mend)])


def _first_lines(path: Path) -> list[str] | None:
    """Return the first lines, or None when there are none to be read."""
    try:
        if path.suffix == ".gz":
            with gzip.open(path) as file:
                head = file.read(_BYTES)
        else:
            with path.open("rb") as file:
                head = file.read(_BYTES)
    except (OSError, EOFError):
        return None
    text = head.decode("utf-8-sig", errors="replace")
    lines = text.splitlines()
    return [*lines, *[""] * _LINES][:_LINES] if text.strip() else None


def _is_ghcn(first: str, second: str, cells: set[str]) -> bool:
    wide = {"station", "date"} <= cells and bool({"prcp", "tmax", "tmin"} & cells)
    headed = "element" in cells and _GHCN_ROW.fullmatch(second) is not None
    return wide or headed or _GHCN_ROW.fullmatch(first) is not None


def _is_daily(cells: set[str]) -> bool:
    if "month" in cells and "date" not in cells:
        return False
    foreign = {"station", "element"} & cells
    return bool(cells & {*COLUMNS, *SPELLINGS}) or ("date" in cells and not foreign)


def read_rain(path: Path, *, options: WeatherOptions) -> tuple[pd.Series, list[str]]:
    """Read the rain of a daily CSV in siting's layout or of a GHCN-Daily file.

    Result: sorted days, NaN where it is unknown [mm]; what was dropped or assumed.
    """
    name, why = sniff_format(path)
    if name == "daily":
        return read_daily_rain(path, options=options)
    if name == "ghcn":
        rain, warnings = _read_ghcn_rain(path, options=options)
        return rain, [f"{path.name}: read as {FORMATS[name]}, because {why}.", *warnings]
    mend = "Give a daily CSV with date and rain_mm, or a GHCN-Daily file."
    raise InputError([Fault(path.name, FORMATS[name], "measured daily rain", mend)])


#: Watt-hours per square metre in megajoules.
_WH_MJ: Final = 0.0036
#: A day may miss so many hours of temperature, humidity or wind [h].
_MAY_MISS: Final = 2.0
_LIMITS: Final = {
    "temp_air": (-90.0, 60.0),
    "temp_dew": (-90.0, 45.0),
    "relative_humidity": (0.0, 110.0),
    "ghi": (0.0, 1600.0),
    "dhi": (0.0, 1600.0),
    "wind_speed": (0.0, 60.0),
    "rain": (0.0, 400.0),
}
#: Every column of hours that is used.
HOURLY_COLUMNS: Final = tuple(_LIMITS)


def days_of_hours(hours: pd.DataFrame, *, step_h: float = 1.0) -> pd.DataFrame:
    """Aggregate hours to days.

    A value outside what is possible is a mark for a missing one. The radiation of a day is unknown
    when any of its values is missing; temperature, vapour pressure and wind when more than two
    hours are.

    hours: index: start of each step, local time without zone. Columns ghi, dhi (mean of the step)
    [W/m²], temp_air [°C], temp_dew [°C] or relative_humidity [%], wind_speed [m/s], rain (sum of
    the step) [mm], those that are absent are unknown; step_h: length of a step [h]. Result: one row
    per day of the index; columns tmin_c, tmax_c [°C], rs_mj_m2 [MJ m⁻² d⁻¹], diffuse_fraction [-],
    ea_kpa [kPa], wind_m_s (as high as measured) [m/s], rain_mm [mm] and hours (how much of the day
    is there) [h].

    >>> index = pd.date_range("2021-06-01", periods=24, freq="h")
    >>> hours = pd.DataFrame({"ghi": 100.0, "dhi": 25.0, "temp_air": range(24)}, index=index)
    >>> day = days_of_hours(hours).iloc[0]
    >>> [round(float(day[c]), 2) for c in ("tmin_c", "tmax_c", "rs_mj_m2", "diffuse_fraction")]
    [0.0, 23.0, 8.64, 0.25]
    """
    table = pd.DataFrame({name: _possible(hours, name) for name in _LIMITS}, hours.index)
    table["vapour"] = _vapour(table)
    date = pd.DatetimeIndex(hours.index).normalize()
    groups = table.groupby(date, sort=True)
    known = groups.count() * step_h
    there = groups.size() * step_h
    sums, means = groups.sum() * step_h, groups.mean()
    whole = known.ge(there, axis=0)
    most = known.ge(there - _MAY_MISS, axis=0)
    ghi, dhi = sums["ghi"].where(whole["ghi"]), sums["dhi"].where(whole["dhi"])
    days = pd.DataFrame(
        {
            "tmin_c": groups["temp_air"].min().where(most["temp_air"]),
            "tmax_c": groups["temp_air"].max().where(most["temp_air"]),
            "rs_mj_m2": ghi * _WH_MJ,
            "diffuse_fraction": (dhi / ghi.where(ghi > 0.0)).clip(0.0, 1.0),
            "ea_kpa": means["vapour"].where(most["vapour"]),
            "wind_m_s": means["wind_speed"].where(most["wind_speed"]),
            "rain_mm": (sums["rain"] / step_h).where(whole["rain"]),
            "hours": there.astype(np.float64),
        }
    )
    days.index.name = "date"
    return days


def _possible(hours: pd.DataFrame, name: str) -> Floats:
    """Return a column with the marks for missing values as NaN."""
    if name not in hours:
        return np.full(len(hours), np.nan)
    low, high = _LIMITS[name]
    values = hours[name].to_numpy(dtype=np.float64)
    return np.where((values >= low) & (values <= high), values, np.nan)


def _vapour(table: pd.DataFrame) -> Floats:
    """Return the vapour pressure from the dew point, else from the relative humidity."""
    air = table["temp_air"].to_numpy()
    saturated = saturation_vapour_pressure(air)
    moist = saturated * np.minimum(table["relative_humidity"].to_numpy(), 100.0) / 100.0
    dew = saturation_vapour_pressure(np.minimum(table["temp_dew"].to_numpy(), air))
    return np.asarray(np.where(np.isnan(dew), moist, dew))


_DAYS: Final = 365
_DAY_H: Final = 24.0
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
    from pvlib import iotools  # noqa: PLC0415 - takes a second to import

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
    from pvlib import iotools  # noqa: PLC0415 - takes a second to import

    data, meta = iotools.read_tmy3(path, map_variables=True)
    # The stamp is the hour's end.
    stamps = pd.DatetimeIndex(data.index) - pd.Timedelta(hours=1)
    # The file has no leap day, but pvlib moves midnight after 28 February over it to 1 March.
    leap = (stamps.month == _LEAP[0]) & (stamps.day == _LEAP[1])
    if leap.sum() == 1:
        stamps = stamps.where(~leap, stamps - pd.Timedelta(days=1))
    return data.set_axis(stamps), meta


def _epw(path: str) -> tuple[pd.DataFrame, Mapping[str, Any]]:
    from pvlib import iotools  # noqa: PLC0415 - takes a second to import

    data, meta = iotools.read_epw(path)
    return data, meta


def _psm3(path: str) -> tuple[pd.DataFrame, Mapping[str, Any]]:
    from pvlib import iotools  # noqa: PLC0415 - takes a second to import

    # pvlib renamed the reader; the layout is the same.
    reader = getattr(iotools, "read_nsrdb_psm4", None) or iotools.read_psm3
    data, meta = reader(path, map_variables=True)
    return data, meta


def _pvgis(path: str) -> tuple[pd.DataFrame, Mapping[str, Any]]:
    from pvlib import iotools  # noqa: PLC0415 - takes a second to import

    data, meta = iotools.read_pvgis_tmy(path, map_variables=True)
    place = meta["inputs"].get("location", meta["inputs"])
    place = {name: float(place[name]) for name in ("latitude", "longitude", "elevation")}
    if pd.DatetimeIndex(data.index).hasnans:
        msg = "a file that is cut short"
        raise ValueError(msg)
    # Stamps are in UTC, each month of a year of its own: days of the place, in one year.
    shift = round(place["longitude"] / _DEGREES_PER_HOUR)
    table = {str(name): np.roll(data[name].to_numpy(), shift) for name in data}
    stamps = pd.date_range("2001-01-01", periods=len(data), freq="h")
    return pd.DataFrame(table, stamps), {**place, "altitude": place["elevation"]}


_DEGREES_PER_HOUR: Final = 15.0
#: Format -> what reads it into hours in local time that begin at their stamp.
TYPICAL_FORMATS: Final[Mapping[str, Callable[[str], tuple[pd.DataFrame, Mapping[str, Any]]]]] = {
    "tmy2": _tmy2,
    "tmy3": _tmy3,
    "epw": _epw,
    "psm3": _psm3,
    "pvgis": _pvgis,
}


def read_typical_year(path: Path | str, kind: str) -> TypicalYear:
    """Read a typical year and aggregate it to days.

    kind: one of `TYPICAL_FORMATS`. Result: 365 days; 29 February is left out.

    Marion & Urban 1995, User's Manual for TMY2s; Wilcox & Marion 2008, NREL/TP-581-43156 (TMY3);
    the EnergyPlus weather format (EPW); Sengupta et al. 2018, Renew. Sustain. Energy Rev. 89:51
    (NSRDB, from memory); Huld, Müller & Gambardella 2012, Solar Energy 86:1803 (PVGIS, from
    memory).
    """
    path = Path(path).absolute()
    with _refused(path.name, f"a {kind.upper()} file"):
        hours, meta = TYPICAL_FORMATS[kind](str(path))
        place = [float(meta[name]) for name in ("latitude", "longitude", "altitude")]
    stamps = pd.DatetimeIndex(hours.index).tz_localize(None)
    hours = _numeric(hours.set_axis(stamps), path.name)
    years = tuple(sorted(int(year) for year in set(stamps.year)))
    daily = _whole_year(hours, path.name)
    return TypicalYear(daily, place[0], place[1], place[2], years)


@contextmanager
def _refused(file: str, wanted: str) -> Iterator[None]:
    """Say in words what a reader of pvlib fails with."""
    try:
        yield
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        raise InputError([Fault(file, found, "a file", "Check its name.")]) from None
    except _MALFORMED as error:
        found = f"another layout ({type(error).__name__})"
        mend = "Take the file anew, or correct format under [weather]."
        raise InputError([Fault(file, found, wanted, mend)]) from None


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

    kind: one of `TYPICAL_FORMATS`. Result: the days of the rain file, each with
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


#: Of the CRN: step of a file [h], height of the wind [m], and the flag of a value in error.
_CRN_STEP_H: Final = 1 / 12
_CRN_WIND_M: Final = 1.5
_CRN_WRONG: Final = 3
_CRN_FLAGGED: Final = ("ghi", "relative_humidity", "wind_speed")


def read_crn(path: Path, options: WeatherOptions) -> Climate:
    """Read five-minute values of the US Climate Reference Network as days of the place.

    Several years in one file, one after the other. Result: temperatures, rain, radiation, humidity
    and wind (measured at 1.5 m); values that the network flags as wrong are unknown, days without
    all of their radiation or rain too. The file does not say the station's height.

    Diamond et al. 2013, Bull. Amer. Meteor. Soc. 94:485-498 (from memory).
    """
    from pvlib import iotools  # noqa: PLC0415 - takes a second to import

    wanted = "a sub-hourly CRN file"
    with _refused(path.name, wanted):
        data = iotools.read_crn(str(path), map_variables=True)
        clock = data["LST_DATE"].astype(str) + data["LST_TIME"].astype(str).str.zfill(4)
        # The stamp is the end of a step, in local standard time.
        stamps = pd.to_datetime(clock, format="%Y%m%d%H%M") - pd.Timedelta(hours=_CRN_STEP_H)
    if data.empty:
        raise InputError([Fault(path.name, "no row", wanted, "Take the file anew.")])
    for name in _CRN_FLAGGED:
        data[name] = data[name].where(data[f"{name}_flag"] != _CRN_WRONG)
    steps = data.rename(columns={"PRECIPITATION": "rain"}).set_axis(pd.DatetimeIndex(stamps))
    steps = steps[~steps.index.duplicated()]
    days = days_of_hours(steps, step_h=_CRN_STEP_H)
    days = days[days["hours"] > _DAY_H - _MAY_MISS]
    warnings: list[str] = []
    where = (float(data["latitude"].iloc[0]), float(data["longitude"].iloc[0]))
    station_distance_km(options, *where, file=path.name, warnings=warnings)
    table = {str(name): days[name].to_numpy(dtype=np.float64) for name in days}
    table["wind_2m_m_s"] = wind_at_2m(table.pop("wind_m_s"), options.wind_height_m or _CRN_WIND_M)
    daily = day_frame(days.index.to_numpy(), table)
    return finish_record(daily, file=path.name, options=options, warnings=warnings)


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
