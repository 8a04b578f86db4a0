"""Daily weather of many years, and the seasons cut from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Climate", "SeasonCalendar"]


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
    month: NDArray[np.int64]
    rows: NDArray[np.int64]
    rain_mm: NDArray[np.float64]
