"""Daily weather of many years, whole seasons cut out of it, and what a reader is told."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from siting.arrays import Flags, Floats, Ints
from siting.errors import Fault, InputError, PlanError
from siting.units import UnitsName, show

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Climate:
    """Checked daily weather.

    Parameters
    ----------
    daily : pandas.DataFrame
        DatetimeIndex `date` (sorted, unique, no time zone; a long gap is simply absent), columns
        tmin_c, tmax_c [°C], rain_mm [mm], rs_mj_m2 [MJ m⁻² d⁻¹], ea_kpa [kPa], wind_2m_m_s [m/s];
        NaN in the last three where the file does not have them. A further column diffuse_fraction,
        diffuse over global radiation [-], only where the source knows it (NaN on other days).
    elevation_m : float
        Height of the station above the sea [m].
    source : str
        Name of the file.
    warnings : tuple of str
        What was repaired or assumed.
    """

    daily: pd.DataFrame
    elevation_m: float
    source: str
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class SeasonCalendar:
    """The days of each whole season in the record, side by side.

    29 February is left out so that all seasons have the same length D; its rain is added to the
    following day. A season with a missing day is dropped.

    Parameters
    ----------
    years : tuple of int
        The year in which each season starts, length Y.
    dates : ndarray of datetime64[D], shape (D, Y)
        The days.
    month : ndarray of int, shape (D,)
        Month 1..12 of each day.
    rows : ndarray of int, shape (D, Y)
        Row of each day in `Climate.daily`.
    rain_mm : ndarray of float, shape (D, Y)
        Rain [mm].
    """

    years: tuple[int, ...]
    dates: NDArray[np.datetime64]
    month: Ints
    rows: Ints
    rain_mm: Floats


@dataclass(frozen=True)
class WeatherOptions:
    """What a weather reader is told besides the file.

    Parameters
    ----------
    elevation_m : float or None
        Height of the station above the sea; None takes what the file says [m].
    latitude, longitude : float
        Of the property, north and east positive; NaN when unknown [deg].
    rain_file : Path or None
        Daily rain to go with a typical year.
    station : str or None
        The station to take from a file that holds several.
    wind_height_m : float or None
        Height of the wind measurement, where the file does not say it [m].
    years, first_year, seed : int
        How many calendar years to generate from normals, the first of them, and the seed of the
        random numbers [years].
    wet_day_mm : float
        Least rain of a day that the normals count as wet [mm].
    trust_units : bool
        Whether values that look like those of another unit are taken as they are.
    today : date or None
        Later days are refused; the clock's date when None.
    units : {"metric", "us"}
        Units in which heights and distances are told.
    """

    elevation_m: float | None = None
    latitude: float = math.nan
    longitude: float = math.nan
    rain_file: Path | None = None
    station: str | None = None
    wind_height_m: float | None = None
    years: int = 30
    first_year: int = 2001
    seed: int = 1
    wet_day_mm: float = 0.0
    trust_units: bool = False
    today: dt.date | None = None
    units: UnitsName = "metric"

    def height(self, metres: float) -> str:
        """Return a height in the property's units.

        Parameters
        ----------
        metres : float
            The height [m].

        Returns
        -------
        str
            Such as "2 m" or "7 ft".
        """
        return show(metres, "length", self.units, decimals=0)


_LEAP: Final = (2, 29)
_COMMON_YEAR: Final = 2001
_DAY: Final = np.timedelta64(1, "D")


def season_calendar(
    climate: Climate, *, start: tuple[int, int], end: tuple[int, int]
) -> SeasonCalendar:
    """Lay the whole seasons of a record side by side.

    29 February is left out; its rain is added to 1 March when that is in the season. A season that
    starts on 29 February starts on 1 March, one that ends on it ends on 28 February.

    Parameters
    ----------
    climate : Climate
        Checked daily weather.
    start, end : tuple of (month, day)
        First and last day of the season; an end before the start lies in the next year.

    Returns
    -------
    SeasonCalendar
        The whole seasons; those with a missing day are left out.

    Raises
    ------
    InputError
        When start or end is no day of the year.
    PlanError
        When the record has not one whole season.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> index = pd.date_range("2019-01-01", "2021-12-31", name="date")
    >>> daily = pd.DataFrame({"rain_mm": np.ones(len(index))}, index=index)
    >>> seasons = season_calendar(Climate(daily, 30.0, "x.csv"), start=(10, 1), end=(4, 30))
    >>> seasons.years, len(seasons.month), float(seasons.rain_mm[:, 0].sum())
    ((2019, 2020), 212, 213.0)
    """
    first, last = _season_days(start, end)
    days = climate.daily.index.to_numpy().astype("datetime64[D]")
    rain = climate.daily["rain_mm"].to_numpy(dtype=np.float64)
    years, columns = [], []
    if days.size:
        for year in range(int(str(days[0])[:4]) - 1, int(str(days[-1])[:4]) + 1):
            dates = _dates_of(year, first, last)
            rows = _rows_of(dates, days)
            if rows is not None:
                years.append(year)
                columns.append(_drop_leap(dates, rows))
    if not years:
        raise PlanError(_no_season(climate, days, first, last))
    dates = np.stack([d for d, _ in columns], axis=1)
    rows = np.stack([r for _, r in columns], axis=1)
    months = dates[:, 0].astype("datetime64[M]").astype(np.int64) % 12 + 1
    total = rain[rows]
    after = _after_leap(dates)
    total[after] += rain[rows[after] - 1]
    return SeasonCalendar(tuple(years), dates, months, rows, total)


def _season_days(
    start: tuple[int, int], end: tuple[int, int]
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Check the first and last day, and move them off 29 February."""
    first = (3, 1) if start == _LEAP else start
    last = (2, 28) if end == _LEAP else end
    faults = []
    for key, day in (("start", first), ("end", last)):
        try:
            dt.date(_COMMON_YEAR, *day)
        except ValueError:
            found, mend = f"month {day[0]}, day {day[1]}", "Write a day that exists, as MM-DD."
            faults.append(
                Fault("property file", found, "a day of the year", mend, layer="season", column=key)
            )
    if faults:
        raise InputError(faults)
    return first, last


def _dates_of(year: int, first: tuple[int, int], last: tuple[int, int]) -> NDArray[np.datetime64]:
    """Return all days of the season that starts in a year, 29 February included."""
    end_year = year + (last < first)
    start = np.datetime64(dt.date(year, *first), "D")
    return np.arange(start, np.datetime64(dt.date(end_year, *last), "D") + _DAY)


def _rows_of(dates: NDArray[np.datetime64], days: NDArray[np.datetime64]) -> Ints | None:
    """Return the row of each date in the record, or None when a day is missing."""
    rows = np.searchsorted(days, dates)
    if rows[-1] >= days.size or not np.array_equal(days[rows], dates):
        return None
    return rows.astype(np.int64)


def _is_leap_day(dates: NDArray[np.datetime64]) -> Flags:
    """Tell which days are 29 February."""
    month = dates.astype("datetime64[M]")
    day = (dates - month.astype("datetime64[D]")).astype(np.int64) + 1
    return np.asarray((day == _LEAP[1]) & (month.astype(np.int64) % 12 == _LEAP[0] - 1))


def _drop_leap(dates: NDArray[np.datetime64], rows: Ints) -> tuple[NDArray[np.datetime64], Ints]:
    """Leave 29 February out."""
    keep = ~_is_leap_day(dates)
    return dates[keep], rows[keep]


def _after_leap(dates: NDArray[np.datetime64]) -> Flags:
    """Tell which days follow a 29 February that was left out of the season, shape (D, Y)."""
    after = _is_leap_day(dates - _DAY)
    # On the season's first day the leap day before it is not part of the season.
    after[0] = False
    return after


def _no_season(
    climate: Climate,
    days: NDArray[np.datetime64],
    first: tuple[int, int],
    last: tuple[int, int],
) -> str:
    """Say why there is no whole season."""
    season = f"{first[0]:02d}-{first[1]:02d} to {last[0]:02d}-{last[1]:02d}"
    if not days.size:
        return f"{climate.source} has no usable day of weather; one whole season is needed."
    span = int((days[-1] - days[0]).astype(np.int64)) + 1
    return (
        f"{climate.source} has no whole season from {season}: it covers {days[0]} to {days[-1]} "
        f"with {span - days.size} days missing. Give weather of at least one whole season, better "
        "ten, or shorten the [season] in the property file."
    )
