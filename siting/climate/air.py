"""What a weather station's humidity, wind and radiation mean, and how clear the sky may be."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats


def _floats(values: ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)


def saturation_vapour_pressure(temperature: ArrayLike) -> Floats:
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


def mean_saturation_vapour_pressure(tmin: ArrayLike, tmax: ArrayLike) -> Floats:
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


def vapour_pressure_from_humidity(rh_mean: ArrayLike, tmin: ArrayLike, tmax: ArrayLike) -> Floats:
    """Return the actual vapour pressure from the mean relative humidity.

    rh_mean: mean relative humidity [%]; tmin, tmax: lowest and highest air temperature of the day
    [°C]. Result: ea [kPa].

    FAO-56 Eq. 19.
    """
    return np.asarray(_floats(rh_mean) / 100.0 * mean_saturation_vapour_pressure(tmin, tmax))


def vapour_pressure_from_humidity_range(
    rh_min: ArrayLike, rh_max: ArrayLike, tmin: ArrayLike, tmax: ArrayLike
) -> Floats:
    """Return the actual vapour pressure from the lowest and highest relative humidity.

    rh_min, rh_max: lowest and highest relative humidity of the day [%]; tmin, tmax: lowest and
    highest air temperature of the day [°C]. Result: ea [kPa].

    FAO-56 Eq. 17.
    """
    dawn = saturation_vapour_pressure(tmin) * _floats(rh_max)
    noon = saturation_vapour_pressure(tmax) * _floats(rh_min)
    return np.asarray((dawn + noon) / 200.0)


def wind_at_2m(wind: ArrayLike, height_m: ArrayLike) -> Floats:
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


#: MJ m⁻² min⁻¹, as FAO-56 Eq. 21 uses it.
SOLAR_CONSTANT: Final = 0.0820


def inverse_distance(day_of_year: ArrayLike) -> Floats:
    """Return the inverse relative distance from the earth to the sun.

    day_of_year: 1 on 1 January [d]. Result: about 0.97 to 1.03 [-].

    Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, Eq. 23.
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(1.0 + 0.033 * np.cos(2.0 * np.pi * day / 365.0))


def solar_declination(day_of_year: ArrayLike) -> Floats:
    """Return the declination of the sun.

    Parameters
    ----------
    day_of_year : array_like, shape (...)
        1 on 1 January [d].

    Returns
    -------
    ndarray, shape (...)
        Declination [rad].

    References
    ----------
    FAO-56 Eq. 24.
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(0.409 * np.sin(2.0 * np.pi * day / 365.0 - 1.39))


def sunset_hour_angle(latitude: ArrayLike, declination: ArrayLike) -> Floats:
    """Return the hour angle of sunset; 0 in polar night, pi in polar day.

    Parameters
    ----------
    latitude : array_like, shape (...)
        North positive [deg].
    declination : array_like, shape (...)
        Of the sun [rad].

    Returns
    -------
    ndarray, shape (...)
        Sunset hour angle [rad].

    References
    ----------
    FAO-56 Eq. 25.
    """
    phi = np.radians(np.asarray(latitude, dtype=np.float64))
    cosine = -np.tan(phi) * np.tan(np.asarray(declination, dtype=np.float64))
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))


def extraterrestrial_radiation(latitude: ArrayLike, day_of_year: ArrayLike) -> Floats:
    """Return the daily radiation on level ground outside the atmosphere, Ra.

    Parameters
    ----------
    latitude : array_like, shape (...)
        North positive [deg].
    day_of_year : array_like, shape (...)
        1 on 1 January [d].

    Returns
    -------
    ndarray, shape (...)
        Ra [MJ m⁻² d⁻¹].

    References
    ----------
    FAO-56 Eq. 21.

    Examples
    --------
    FAO-56 Example 8: 20° S on 3 September gives 32.2.

    >>> round(float(extraterrestrial_radiation(-20.0, 246)), 1)
    32.2
    """
    phi = np.radians(np.asarray(latitude, dtype=np.float64))
    declination = solar_declination(day_of_year)
    angle = sunset_hour_angle(latitude, declination)
    shape = angle * np.sin(phi) * np.sin(declination)
    shape = shape + np.cos(phi) * np.cos(declination) * np.sin(angle)
    scale = 24.0 * 60.0 / np.pi * SOLAR_CONSTANT * inverse_distance(day_of_year)
    return np.asarray(np.maximum(scale * shape, 0.0))
