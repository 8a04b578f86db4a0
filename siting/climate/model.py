"""Daily weather of many years, the seasons cut from it, and what a reader is told."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from siting.arrays import Floats, Ints
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
