"""Extraterrestrial radiation and daylight hours of a day (FAO-56 chapter 3, Eqs 21 to 34)."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "SOLAR_CONSTANT",
    "extraterrestrial_radiation",
    "inverse_distance",
    "solar_declination",
    "sunset_hour_angle",
]

#: MJ m⁻² min⁻¹, as FAO-56 Eq. 21 uses it.
SOLAR_CONSTANT: Final = 0.0820

_Array = NDArray[np.float64]


def inverse_distance(day_of_year: ArrayLike) -> _Array:
    """Return the inverse relative distance from the earth to the sun.

    day_of_year: 1 on 1 January [d]. Result: about 0.97 to 1.03 [-].

    Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, Eq. 23.
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(1.0 + 0.033 * np.cos(2.0 * np.pi * day / 365.0))


def solar_declination(day_of_year: ArrayLike) -> _Array:
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


def sunset_hour_angle(latitude: ArrayLike, declination: ArrayLike) -> _Array:
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


def extraterrestrial_radiation(latitude: ArrayLike, day_of_year: ArrayLike) -> _Array:
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
