"""Steps of FAO-56 by name, for worked examples; the program folds them into one split of days."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.climate.air import solar_declination, sunset_hour_angle
from siting.water.reference_et import (
    SHORT_REFERENCE,
    ReferenceSurface,
    _floats,
    _penman_factors,
    net_longwave,
    net_shortwave,
)

_Array = NDArray[np.float64]


#: Alfalfa 0.5 m high.
TALL_REFERENCE: Final = ReferenceSurface(
    1600.0,
    0.38,
    "ASCE-EWRI 2005, standardized equation, Table 1 (from memory)",
    "ASCE standardized Penman-Monteith, tall reference",
)


#: The same grass under its ASCE name: for a day the equation is that of FAO-56.
ASCE_SHORT_REFERENCE: Final = ReferenceSurface(
    900.0,
    0.34,
    "ASCE-EWRI 2005, standardized equation, Table 1 (from memory)",
    "ASCE standardized Penman-Monteith, short reference",
)


def monthly_soil_heat_flux(temperature: ArrayLike, previous: ArrayLike) -> _Array:
    """Return the soil heat flux of a month; that of a day is taken as 0 (Eq. 42).

    temperature, previous: mean air temperature of the month and of the month before [°C]. Returns g
    [MJ m⁻² d⁻¹].

    FAO-56 Eq. 44.
    """
    return np.asarray(0.14 * (_floats(temperature) - _floats(previous)))


def net_radiation(
    rs: ArrayLike, tmin: ArrayLike, tmax: ArrayLike, ea: ArrayLike, rso: ArrayLike
) -> _Array:
    """Return the net radiation of grass under the open sky, Rn.

    rs, rso: global radiation of the day and of a cloudless one [MJ m⁻² d⁻¹]; tmin, tmax: lowest and
    highest air temperature of the day [°C]; ea: actual vapour pressure [kPa]. Returns Rn [MJ m⁻²
    d⁻¹].

    FAO-56 Eq. 40.
    """
    return np.asarray(net_shortwave(rs) - net_longwave(tmin, tmax, ea, rs, rso))


def penman_monteith(
    net: ArrayLike,
    mean_temperature: ArrayLike,
    *,
    wind_2m: ArrayLike,
    deficit: ArrayLike,
    elevation_m: float,
    soil_heat: ArrayLike = 0.0,
    surface: ReferenceSurface = SHORT_REFERENCE,
) -> _Array:
    """Return the reference evapotranspiration of a day.

    net: net radiation [MJ m⁻² d⁻¹]; mean_temperature: mean of the highest and lowest air
    temperature [°C]; wind_2m: wind speed at 2 m [m/s]; deficit: vapour pressure deficit es - ea
    [kPa]; elevation_m: height above the sea [m]; soil_heat: soil heat flux, 0 for a day [MJ m⁻²
    d⁻¹]. Returns ETo [mm/d], may be negative on cold dark days.

    FAO-56 Eq. 6.
    """
    gain, aero = _penman_factors(
        mean_temperature,
        wind_2m=wind_2m,
        deficit=deficit,
        elevation_m=elevation_m,
        surface=surface,
    )
    return np.asarray(gain * (_floats(net) - _floats(soil_heat)) + aero)


def daylight_hours(latitude: ArrayLike, day_of_year: ArrayLike) -> _Array:
    """Return the longest possible sunshine of a day, N.

    latitude: north positive [deg]; day_of_year: 1 on 1 January [d]. Returns n [h].

    FAO-56 Eq. 34.

    FAO-56 Example 9.

    >>> round(float(daylight_hours(-20.0, 246)), 1)
    11.7
    """
    angle = sunset_hour_angle(latitude, solar_declination(day_of_year))
    return np.asarray(24.0 / np.pi * angle)


#: Of the Angstrom formula where it has not been calibrated, FAO-56 Eq. 35.
_ANGSTROM: Final = (0.25, 0.50)


def radiation_from_sunshine(ra: ArrayLike, sunshine: ArrayLike, daylight: ArrayLike) -> _Array:
    """Return the global radiation from the hours of sunshine, Rs.

    ra: extraterrestrial radiation [MJ m⁻² d⁻¹]; sunshine, daylight: measured and longest possible
    sunshine [h]. Returns Rs [MJ m⁻² d⁻¹].

    FAO-56 Eq. 35 with a = 0.25, b = 0.50.
    """
    a, b = _ANGSTROM
    return np.asarray((a + b * _floats(sunshine) / _floats(daylight)) * _floats(ra))
