"""Shortwave and longwave radiation of a day, and how much of it comes from the whole sky."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "ALBEDO",
    "DIFFUSE_FRACTION",
    "DailyDiffuseFraction",
    "clear_sky_radiation",
    "daily_diffuse_fraction",
    "net_longwave",
    "net_shortwave",
    "radiation_from_temperature",
]

_Array = NDArray[np.float64]

#: Of the grass reference surface, FAO-56 Eq. 38.
ALBEDO: Final = 0.23
#: Adjustment coefficient of the Hargreaves radiation formula inland; 0.19 at coasts. FAO-56 Eq. 50.
_KRS_INTERIOR: Final = 0.16
_KRS_COAST: Final = 0.19
#: MJ K⁻⁴ m⁻² d⁻¹, FAO-56 Eq. 39.
_STEFAN_BOLTZMANN: Final = 4.903e-9
_KELVIN: Final = 273.16
#: Where there is no sun at all: FAO-56 chapter 3 gives 0.4-0.6 for humid, 0.7-0.8 for arid nights.
_DARK_RATIO: Final = 0.6


def _floats(values: ArrayLike) -> _Array:
    return np.asarray(values, dtype=np.float64)


def clear_sky_radiation(ra: ArrayLike, elevation_m: float) -> _Array:
    """Return the radiation of a cloudless day, Rso.

    ra: extraterrestrial radiation [MJ m⁻² d⁻¹]; elevation_m: height above the sea [m]. Result: Rso
    [MJ m⁻² d⁻¹].

    FAO-56 Eq. 37.
    """
    return np.asarray((0.75 + 2e-5 * elevation_m) * _floats(ra))


def radiation_from_temperature(
    ra: ArrayLike, tmin: ArrayLike, tmax: ArrayLike, *, coast: bool = False
) -> _Array:
    """Return the global radiation from the range of temperature, Rs.

    ra: extraterrestrial radiation [MJ m⁻² d⁻¹]; tmin, tmax: lowest and highest air temperature of
    the day [°C]. Result: Rs [MJ m⁻² d⁻¹].

    FAO-56 Eq. 50.
    """
    swing = np.sqrt(np.maximum(_floats(tmax) - _floats(tmin), 0.0))
    return np.asarray((_KRS_COAST if coast else _KRS_INTERIOR) * swing * _floats(ra))


def net_shortwave(rs: ArrayLike) -> _Array:
    """Return the shortwave radiation that grass keeps, Rns.

    rs: global radiation [MJ m⁻² d⁻¹]. Result: Rns [MJ m⁻² d⁻¹].

    FAO-56 Eq. 38.
    """
    return np.asarray((1.0 - ALBEDO) * _floats(rs))


def net_longwave(
    tmin: ArrayLike, tmax: ArrayLike, ea: ArrayLike, rs: ArrayLike, rso: ArrayLike
) -> _Array:
    """Return the longwave radiation that grass loses, Rnl.

    tmin, tmax: lowest and highest air temperature of the day [°C]; ea: actual vapour pressure
    [kPa]; rs, rso: global radiation of the day and of a cloudless one, both under the open sky:
    their ratio, at most 1, stands for cloudiness [MJ m⁻² d⁻¹]. Result: Rnl, positive upwards [MJ
    m⁻² d⁻¹].

    FAO-56 Eq. 39.
    """
    rs, rso = np.broadcast_arrays(_floats(rs), _floats(rso))
    ratio = np.divide(rs, rso, out=np.full(rs.shape, _DARK_RATIO), where=rso > 0.0)
    ratio = np.minimum(ratio, 1.0)
    warm = ((_floats(tmax) + _KELVIN) ** 4 + (_floats(tmin) + _KELVIN) ** 4) / 2.0
    humid = 0.34 - 0.14 * np.sqrt(_floats(ea))
    return np.asarray(_STEFAN_BOLTZMANN * warm * humid * (1.35 * ratio - 0.35))


@dataclass(frozen=True)
class DailyDiffuseFraction:
    """A daily correlation of the diffuse fraction with the clearness index, for two seasons.

    limit_deg: sunset hour angle below which the winter branch holds [deg]; winter, summer:
    coefficients of 1, kt, kt², ... [-]; winter_clear, summer_clear: clearness index from which the
    fraction is constant, and that constant [-]; reference: where the numbers come from.
    """

    limit_deg: float = 81.4
    winter: tuple[float, ...] = (1.0, -0.2727, 2.4495, -11.9514, 9.3879)
    winter_clear: tuple[float, float] = (0.715, 0.143)
    summer: tuple[float, ...] = (1.0, 0.2832, -2.5557, 0.8448)
    summer_clear: tuple[float, float] = (0.722, 0.175)
    reference: str = (
        "Erbs, Klein & Duffie 1982, Solar Energy 28:293-302, daily correlation; coefficients "
        "checked against a public solar library, not the paper itself."
    )


#: The correlation in use.
DIFFUSE_FRACTION: Final = DailyDiffuseFraction()


def daily_diffuse_fraction(rs: ArrayLike, ra: ArrayLike, sunset_angle: ArrayLike) -> _Array:
    """Return the share of a day's radiation that comes from the sky and not from the sun itself.

    rs: global radiation [MJ m⁻² d⁻¹]; ra: extraterrestrial radiation [MJ m⁻² d⁻¹]; sunset_angle:
    sunset hour angle [rad]. Result: diffuse over global radiation, 0.14 to 1; 1 when there is no
    sun [-].

    Erbs, Klein & Duffie 1982, Solar Energy 28:293-302 (daily correlation).

    >>> daily_diffuse_fraction([3.0, 15.0, 30.0], 40.0, 1.8).round(3).tolist()
    [1.0, 0.791, 0.175]
    """
    table = DIFFUSE_FRACTION
    rs, ra, angle = np.broadcast_arrays(_floats(rs), _floats(ra), _floats(sunset_angle))
    kt = np.clip(np.divide(rs, ra, out=np.zeros(rs.shape), where=ra > 0.0), 0.0, 1.0)
    winter = np.polynomial.polynomial.polyval(kt, table.winter)
    winter = np.where(kt < table.winter_clear[0], winter, table.winter_clear[1])
    summer = np.polynomial.polynomial.polyval(kt, table.summer)
    summer = np.where(kt < table.summer_clear[0], summer, table.summer_clear[1])
    fraction = np.where(angle < np.radians(table.limit_deg), winter, summer)
    # The summer polynomial exceeds 1 by 0.008 near kt = 0.05.
    return np.asarray(np.clip(fraction, 0.0, 1.0))
