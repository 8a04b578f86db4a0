"""Fetching daily weather of a place from a public source, only when asked to.

Nothing here runs by itself: `fetch_daily` and `fetch_weather` are called on purpose, and write a
file in siting's daily layout, so that a plan stays reproducible without a network.
"""

from __future__ import annotations

import datetime as dt
import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd
from pvlib import iotools

from siting.climate.hourly import days_of_hours
from siting.errors import Fault, InputError

__all__ = ["SOURCES", "FetchedWeather", "fetch_daily", "fetch_weather"]

_POWER_FIRST: Final = dt.date(2001, 1, 1)
_HOURS: Final = 24.0
_DEGREES_PER_HOUR: Final = 15.0
#: Parameter -> our column of hours, and unit -> factor to ours.
_POWER: Final[Mapping[str, tuple[str, Mapping[str, float]]]] = {
    "ALLSKY_SFC_SW_DWN": ("ghi", {"Wh/m^2": 1.0, "W/m^2": 1.0}),
    "ALLSKY_SFC_SW_DIFF": ("dhi", {"Wh/m^2": 1.0, "W/m^2": 1.0}),
    "T2M": ("temp_air", {"C": 1.0}),
    "T2MDEW": ("temp_dew", {"C": 1.0}),
    "WS2M": ("wind_speed", {"m/s": 1.0}),
    "PRECTOTCORR": ("rain", {"mm/hour": 1.0, "mm/day": 1 / _HOURS}),
}
#: pvlib's names for them.
_PVLIB: Final = {
    "ALLSKY_SFC_SW_DWN": "ghi",
    "ALLSKY_SFC_SW_DIFF": "dhi",
    "T2M": "temp_air",
    "T2MDEW": "temp_dew",
    "WS2M": "wind_speed_2m",
}
_DIGITS: Final = {
    "tmin_c": 2, "tmax_c": 2, "rain_mm": 2, "rs_mj_m2": 3, "ea_kpa": 3, "wind_m_s": 2,
    "wind_height_m": 0, "diffuse_fraction": 3,
}  # fmt: skip
_MALFORMED: Final = (AttributeError, LookupError, TypeError, ValueError)


@dataclass(frozen=True)
class FetchedWeather:
    """Days fetched from a source.

    daily: index date, columns of siting's daily layout; elevation_m: height of the source's grid
    cell above the sea, NaN when it does not say it [m]; credit: whom to name for the data.
    """

    daily: pd.DataFrame
    elevation_m: float
    credit: str


def _power(latitude: float, longitude: float, first: dt.date, last: dt.date) -> FetchedWeather:
    """Fetch hours of NASA POWER, year by year, and aggregate them to days of the place."""
    one = dt.timedelta(days=1)
    start, end = max(first - one, _POWER_FIRST), last + one
    parts = []
    meta: dict[str, Any] = {}
    for year in range(start.year, end.year + 1):
        data, meta = iotools.get_nasa_power(
            latitude=latitude,
            longitude=longitude,
            start=max(start, dt.date(year, 1, 1)),
            end=min(end, dt.date(year, 12, 31)),
            parameters=list(_POWER),
            community="re",
            map_variables=True,
        )
        parts.append(data)
    raw = pd.concat(parts)
    raw = raw[~raw.index.duplicated()]
    hours = pd.DataFrame(index=raw.index)
    for name, (column, units) in _POWER.items():
        unit = meta["parameters"][name]["units"]
        if unit not in units:
            message = f"{name} in the unit {unit}"
            raise ValueError(message)
        hours[column] = raw[_PVLIB.get(name, name)].astype(float) * units[unit]
    # Days of the place, by its longitude: UTC would cut afternoons in two.
    shift = pd.Timedelta(hours=round(longitude / _DEGREES_PER_HOUR))
    hours = hours.set_axis(pd.DatetimeIndex(hours.index).tz_localize(None) + shift)
    days = days_of_hours(hours)
    days = days[days["hours"] >= _HOURS].drop(columns="hours")
    return FetchedWeather(
        days.assign(wind_height_m=2.0),
        float(meta["altitude"]),
        "NASA Langley Research Center POWER Project",
    )


def _prism(latitude: float, longitude: float, first: dt.date, last: dt.date) -> FetchedWeather:
    """Fetch days of PRISM through the Applied Climate Information System (United States)."""
    data, meta = iotools.get_acis_prism(latitude, longitude, first, last)
    days = pd.DataFrame(
        {
            "tmin_c": data["temp_air_min"],
            "tmax_c": data["temp_air_max"],
            "rain_mm": data["precipitation"],
        }
    ).astype(float)
    height = float(meta.get("altitude", float("nan")))
    return FetchedWeather(days, height, "PRISM Climate Group, Oregon State University, by ACIS")


#: Source -> what fetches it.
SOURCES: Final[Mapping[str, Callable[[float, float, dt.date, dt.date], FetchedWeather]]] = {
    "nasa_power": _power,
    "acis_prism": _prism,
}


def fetch_daily(
    source: str, *, latitude: float, longitude: float, first: dt.date, last: dt.date
) -> FetchedWeather:
    """Fetch daily weather from a public source; this needs a network.

    source {"nasa_power", "acis_prism"}: NASA POWER: the whole world, hours since 2001 aggregated to
    days of the place, with the split of the radiation. PRISM through ACIS: the United States, rain
    and temperatures; latitude, longitude: north and east positive [deg]. Result: the days in
    siting's daily layout, unknown values NaN.
    """
    fetcher = SOURCES.get(source)
    if fetcher is None or first > last:
        found = f'the source "{source}"' if fetcher is None else f"{first} after {last}"
        mend = "Correct the keys under [weather]."
        raise InputError([Fault("weather", found, ", ".join(SOURCES), mend, column="fetch")])
    mend = "Try again later, or give a weather file."
    try:
        # The errors of the network are kinds of OSError.
        fetched = fetcher(latitude, longitude, first, last)
    except OSError as error:
        found = f"no answer from {source} ({type(error).__name__}: {str(error)[:120]})"
        raise InputError([Fault("weather", found, "an answer", mend, column="fetch")]) from None
    except _MALFORMED as error:
        found = f"an answer of {source} in another form ({type(error).__name__}: {error})"
        fault = Fault("weather", found, "the documented form", mend, column="fetch")
        raise InputError([fault]) from None
    index = pd.DatetimeIndex(fetched.daily.index, name="date")
    daily = fetched.daily.set_axis(index).sort_index().loc[str(first) : str(last)]
    if daily.empty:
        fault = Fault("weather", f"no days from {source}", "days of weather", mend, column="fetch")
        raise InputError([fault])
    columns = [name for name in _DIGITS if name in daily and daily[name].notna().any()]
    return FetchedWeather(daily[columns], fetched.elevation_m, fetched.credit)


def fetch_weather(
    path: Path | str,
    source: str,
    *,
    latitude: float,
    longitude: float,
    first_year: int,
    years: int,
) -> str:
    """Fetch whole years and keep them as a daily file; a file that is there is never replaced.

    Parameters
    ----------
    path : Path or str
        The CSV file to write.
    source : str
        See `fetch_daily`.
    latitude, longitude : float
        North and east positive [deg].
    first_year, years : int
        The first calendar year, and how many.

    Returns
    -------
    str
        What was fetched, in words, with credit.

    Raises
    ------
    InputError
        As `fetch_daily`; when the file is there or cannot be written.
    """
    path = Path(path)
    if path.exists():
        fault = Fault(path.name, "a file of this name", "no such file yet", "Move it away first.")
        raise InputError([fault])
    first, last = dt.date(first_year, 1, 1), dt.date(first_year + years - 1, 12, 31)
    fetched = fetch_daily(source, latitude=latitude, longitude=longitude, first=first, last=last)
    try:
        _write(path, fetched.daily)
    except OSError as error:
        found = f"a file that cannot be written ({error.strerror or error})"
        raise InputError(
            [Fault(path.name, found, "a folder you may write", "Choose another.")]
        ) from None
    return (
        f"{path.name}: {len(fetched.daily):,} days fetched from {source} for {latitude:.3f}, "
        f"{longitude:.3f} (height of the grid cell {fetched.elevation_m:,.0f} m). "
        f"Data: {fetched.credit}."
    )


def _write(path: Path, daily: pd.DataFrame) -> None:
    """Write beside the path first, so that a failure leaves no half of a file."""
    text = daily.round(_DIGITS).to_csv(date_format="%Y-%m-%d", lineterminator="\n")
    handle, beside = tempfile.mkstemp(prefix=".siting-", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        Path(beside).replace(path)
    except OSError:
        Path(beside).unlink(missing_ok=True)
        raise
