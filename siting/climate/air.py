"""Vapour pressure and wind: what a weather station's humidity and wind mean (FAO-56 chapter 3)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "mean_saturation_vapour_pressure",
    "saturation_vapour_pressure",
    "vapour_pressure_from_humidity",
    "vapour_pressure_from_humidity_range",
    "wind_at_2m",
]

_Array = NDArray[np.float64]


def _floats(values: ArrayLike) -> _Array:
    return np.asarray(values, dtype=np.float64)


def saturation_vapour_pressure(temperature: ArrayLike) -> _Array:
    """Return the saturation vapour pressure e°(T); at the dew point it is the actual one (Eq. 14).

    Parameters
    ----------
    temperature : array_like, shape (...)
        Air temperature [°C].

    Returns
    -------
    ndarray, shape (...)
        Vapour pressure [kPa].

    References
    ----------
    FAO-56 Eq. 11.

    Examples
    --------
    FAO-56 Example 3.

    >>> round(float(saturation_vapour_pressure(24.5)), 3)
    3.075
    """
    t = _floats(temperature)
    return np.asarray(0.6108 * np.exp(17.27 * t / (t + 237.3)))


def mean_saturation_vapour_pressure(tmin: ArrayLike, tmax: ArrayLike) -> _Array:
    """Return the day's mean saturation vapour pressure es.

    Parameters
    ----------
    tmin, tmax : array_like, shape (...)
        Lowest and highest air temperature of the day [°C].

    Returns
    -------
    ndarray, shape (...)
        es [kPa].

    References
    ----------
    FAO-56 Eq. 12.
    """
    low, high = saturation_vapour_pressure(tmin), saturation_vapour_pressure(tmax)
    return np.asarray((low + high) / 2.0)


def vapour_pressure_from_humidity(rh_mean: ArrayLike, tmin: ArrayLike, tmax: ArrayLike) -> _Array:
    """Return the actual vapour pressure from the mean relative humidity.

    rh_mean: mean relative humidity [%]; tmin, tmax: lowest and highest air temperature of the day
    [°C]. Result: ea [kPa].

    FAO-56 Eq. 19.
    """
    return np.asarray(_floats(rh_mean) / 100.0 * mean_saturation_vapour_pressure(tmin, tmax))


def vapour_pressure_from_humidity_range(
    rh_min: ArrayLike, rh_max: ArrayLike, tmin: ArrayLike, tmax: ArrayLike
) -> _Array:
    """Return the actual vapour pressure from the lowest and highest relative humidity.

    rh_min, rh_max: lowest and highest relative humidity of the day [%]; tmin, tmax: lowest and
    highest air temperature of the day [°C]. Result: ea [kPa].

    FAO-56 Eq. 17.
    """
    dawn = saturation_vapour_pressure(tmin) * _floats(rh_max)
    noon = saturation_vapour_pressure(tmax) * _floats(rh_min)
    return np.asarray((dawn + noon) / 200.0)


def wind_at_2m(wind: ArrayLike, height_m: ArrayLike) -> _Array:
    """Return the wind speed at 2 m above short grass from that at another height.

    wind: wind speed at `height_m` [m/s]; height_m: height of the measurement, above 0.1 m [m], 2 m
    leaves the speed as it is. Result: wind speed at 2 m [m/s].

    FAO-56 Eq. 47.

    FAO-56 Example 14.

    >>> round(float(wind_at_2m(3.2, 10.0)), 1)
    2.4
    """
    height = _floats(height_m)
    factor = 4.87 / np.log(67.8 * height - 5.42)
    # The rounded constants of Eq. 47 give 1.0002 at 2 m; a 2 m reading needs no conversion.
    return np.asarray(_floats(wind) * np.where(height == 2.0, 1.0, factor))  # noqa: PLR2004
