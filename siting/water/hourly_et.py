"""Reference evapotranspiration by the hour, FAO-56 and ASCE standardized."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.climate.air import saturation_vapour_pressure
from siting.climate.sky import inverse_distance, solar_declination, sunset_hour_angle
from siting.water.radiation import clear_sky_radiation, net_shortwave
from siting.water.reference_et import (
    atmospheric_pressure,
    psychrometric_constant,
    slope_vapour_pressure,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "ASCE_SHORT_HOURLY",
    "ASCE_TALL_HOURLY",
    "FAO_HOURLY",
    "HourlySurface",
    "hourly_eto",
    "hourly_extraterrestrial",
    "hourly_net_longwave",
    "hourly_penman_monteith",
    "seasonal_correction",
]

_Array = NDArray[np.float64]

#: MJ m⁻² min⁻¹, FAO-56 Eq. 28.
_SOLAR_CONSTANT: Final = 0.0820
#: MJ K⁻⁴ m⁻² h⁻¹: that of a day over 24.
_STEFAN_BOLTZMANN: Final = 4.903e-9 / 24.0
_KELVIN: Final = 273.16
#: Sun height below which the cloudiness of the hours before holds, ASCE-EWRI 2005 (from memory).
_LOW_SUN: Final = 0.3


@dataclass(frozen=True)
class HourlySurface:
    """Constants of the hourly Penman-Monteith equation.

    Parameters
    ----------
    numerator : float
        Cn [K mm s³ Mg⁻¹ h⁻¹].
    day, night : float
        Cd while net radiation is above 0, and else [s/m].
    heat_day, heat_night : float
        Soil heat flux over net radiation [-].
    reference : str
        Where the numbers come from.
    """

    numerator: float
    day: float
    night: float
    heat_day: float
    heat_night: float
    reference: str


FAO_HOURLY: Final = HourlySurface(37.0, 0.34, 0.34, 0.1, 0.5, "FAO-56 Eqs 45, 46, 53")
_ASCE: Final = "ASCE-EWRI 2005, standardized equation, Table 1 (from memory)"
ASCE_SHORT_HOURLY: Final = HourlySurface(37.0, 0.24, 0.96, 0.1, 0.5, _ASCE)
ASCE_TALL_HOURLY: Final = HourlySurface(66.0, 0.25, 1.7, 0.04, 0.2, _ASCE)


def _floats(values: ArrayLike) -> _Array:
    return np.asarray(values, dtype=np.float64)


def seasonal_correction(day: ArrayLike) -> _Array:
    """Return the correction of solar time, Sc.

    Parameters
    ----------
    day : array_like, shape (...)
        Day of the year.

    Returns
    -------
    ndarray, shape (...)
        Sc [h].

    References
    ----------
    FAO-56 Eqs 32, 33.

    Examples
    --------
    FAO-56 Example 19, 1 October.

    >>> round(float(seasonal_correction(274)), 4)
    0.1889
    """
    b = 2.0 * np.pi * (_floats(day) - 81.0) / 364.0
    return np.asarray(0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b))


def _sun_angles(day: ArrayLike, hour: ArrayLike, east_of_meridian: float) -> tuple[_Array, _Array]:
    """Return the solar time angle at the middle of the hour and the sun's declination [rad]."""
    time = _floats(hour) + east_of_meridian / 15.0 + seasonal_correction(day)
    return np.pi / 12.0 * (time - 12.0), solar_declination(_floats(day))


def hourly_extraterrestrial(
    latitude: float, day: ArrayLike, hour: ArrayLike, *, east_of_meridian: float = 0.0
) -> _Array:
    """Return the radiation outside the atmosphere in an hour, Ra.

    Parameters
    ----------
    latitude : float
        North positive [deg].
    day : array_like, shape (...)
        Day of the year.
    hour : array_like, shape (...)
        Middle of the hour by the clock, 14.5 for 14 to 15 h [h].
    east_of_meridian : float, optional
        Longitude of the place less that of the middle of its time zone, east positive [deg].

    Returns
    -------
    ndarray, shape (...)
        Ra [MJ m⁻² h⁻¹].

    References
    ----------
    FAO-56 Eqs 28-33; the hour is cut at sunrise and sunset.
    """
    angle, declination = _sun_angles(day, hour, east_of_meridian)
    sunset = sunset_hour_angle(latitude, declination)
    begin = np.clip(angle - np.pi / 24.0, -sunset, sunset)
    end = np.clip(angle + np.pi / 24.0, -sunset, sunset)
    phi = np.radians(latitude)
    even = (end - begin) * np.sin(phi) * np.sin(declination)
    swing = np.cos(phi) * np.cos(declination) * (np.sin(end) - np.sin(begin))
    scale = 12.0 * 60.0 / np.pi * _SOLAR_CONSTANT * inverse_distance(_floats(day))
    return np.asarray(np.maximum(scale * (even + swing), 0.0))


def hourly_net_longwave(
    temperature: ArrayLike, ea: ArrayLike, cloudiness_ratio: ArrayLike
) -> _Array:
    """Return the longwave radiation that grass loses in an hour, Rnl.

    Parameters
    ----------
    temperature : array_like, shape (...)
        Mean air temperature of the hour [°C].
    ea : array_like, shape (...)
        Actual vapour pressure [kPa].
    cloudiness_ratio : array_like, shape (...)
        Rs/Rso, at most 1 [-].

    Returns
    -------
    ndarray, shape (...)
        Rnl, positive upwards [MJ m⁻² h⁻¹].

    References
    ----------
    FAO-56 Eq. 39 with the constant of an hour.
    """
    warm = _STEFAN_BOLTZMANN * (_floats(temperature) + _KELVIN) ** 4
    clear = 1.35 * np.minimum(_floats(cloudiness_ratio), 1.0) - 0.35
    return np.asarray(warm * (0.34 - 0.14 * np.sqrt(_floats(ea))) * clear)


def hourly_penman_monteith(
    net: ArrayLike,
    temperature: ArrayLike,
    *,
    wind_2m: ArrayLike,
    ea: ArrayLike,
    elevation_m: float,
    surface: HourlySurface = FAO_HOURLY,
) -> _Array:
    """Return the reference evapotranspiration of an hour.

    Parameters
    ----------
    net : array_like, shape (...)
        Net radiation; the soil heat flux is taken as a share of it [MJ m⁻² h⁻¹].
    temperature : array_like, shape (...)
        Mean air temperature of the hour [°C].
    wind_2m : array_like, shape (...)
        Wind speed at 2 m [m/s].
    ea : array_like, shape (...)
        Actual vapour pressure [kPa].
    elevation_m : float
        Height above the sea [m].
    surface : HourlySurface, optional
        FAO-56 grass unless another is given.

    Returns
    -------
    ndarray, shape (...)
        ETo [mm/h]; may be slightly negative at night.

    References
    ----------
    FAO-56 Eqs 45, 46, 53; ASCE-EWRI 2005 for its two surfaces.
    """
    net, t, wind = _floats(net), _floats(temperature), _floats(wind_2m)
    light = net > 0.0
    heat = np.where(light, surface.heat_day, surface.heat_night) * net
    resist = np.where(light, surface.day, surface.night)
    delta = slope_vapour_pressure(t)
    gamma = psychrometric_constant(atmospheric_pressure(elevation_m))
    deficit = saturation_vapour_pressure(t) - _floats(ea)
    above = 0.408 * delta * (net - heat)
    above = above + gamma * surface.numerator / (t + 273.0) * wind * deficit
    return np.asarray(above / (delta + gamma * (1.0 + resist * wind)))


def hourly_eto(
    hours: pd.DataFrame,
    *,
    latitude: float,
    elevation_m: float,
    east_of_meridian: float = 0.0,
    night_ratio: float = 0.6,
    surface: HourlySurface = FAO_HOURLY,
) -> _Array:
    """Return the reference evapotranspiration of a record by the hour.

    Parameters
    ----------
    hours : DataFrame, N rows
        Index: begin of each hour by the clock. Columns temperature_c [°C], ea_kpa [kPa],
        wind_2m_m_s [m/s], rs_mj_m2 [MJ m⁻² h⁻¹].
    latitude : float
        North positive [deg].
    elevation_m : float
        Height above the sea [m].
    east_of_meridian : float, optional
        Longitude of the place less that of the middle of its time zone, east positive [deg].
    night_ratio : float, optional
        Rs/Rso where no sun was seen yet: FAO-56 gives 0.4-0.6 in humid and 0.7-0.8 in dry places.
        Afterwards, while the sun is lower than 0.3 rad, the last ratio of the day holds [-].
    surface : HourlySurface, optional
        FAO-56 grass unless another is given.

    Returns
    -------
    ndarray, shape (N,)
        ETo [mm/h].

    References
    ----------
    FAO-56 chapter 4, hourly time step, and chapter 3 on Rs/Rso at night.
    """
    index = hours.index
    day = index.dayofyear.to_numpy(dtype=np.float64)  # type: ignore[attr-defined]
    clock = index.hour.to_numpy() + index.minute.to_numpy() / 60.0 + 0.5  # type: ignore[attr-defined]
    t, ea, wind, rs = (
        hours[name].to_numpy(dtype=np.float64)
        for name in ("temperature_c", "ea_kpa", "wind_2m_m_s", "rs_mj_m2")
    )
    ra = hourly_extraterrestrial(latitude, day, clock, east_of_meridian=east_of_meridian)
    angle, declination = _sun_angles(day, clock, east_of_meridian)
    phi = np.radians(latitude)
    height = np.sin(phi) * np.sin(declination)
    height = height + np.cos(phi) * np.cos(declination) * np.cos(angle)
    seen = np.arcsin(np.clip(height, -1.0, 1.0)) > _LOW_SUN
    rso = clear_sky_radiation(ra, elevation_m)
    ratio = np.divide(rs, rso, out=np.full(rs.shape, np.nan), where=seen)
    last = np.maximum.accumulate(np.where(seen, np.arange(rs.size), -1))
    held = np.where(last >= 0, ratio[np.maximum(last, 0)], night_ratio)
    # FAO-56 chapter 3: the ratio lies between 0.3 (overcast) and 1.
    held = np.clip(held, 0.3, 1.0)
    net = net_shortwave(rs) - hourly_net_longwave(t, ea, held)
    return hourly_penman_monteith(
        net, t, wind_2m=wind, ea=ea, elevation_m=elevation_m, surface=surface
    )
