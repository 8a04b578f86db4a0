"""Reference evapotranspiration of grass, and how it depends on a pixel's own sun.

FAO-56 Penman-Monteith is linear in the shortwave radiation when the cloudiness factor of the net
longwave radiation keeps the open sky's Rs/Rso: a tree's shade is no cloud. So the three numbers of
`EtoTerms` per day give every pixel's ETo, however many pixels there are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats, Ints
from siting.climate.air import (
    extraterrestrial_radiation,
    mean_saturation_vapour_pressure,
    saturation_vapour_pressure,
    solar_declination,
    sunset_hour_angle,
)

if TYPE_CHECKING:
    import pandas as pd


#: Of the grass reference surface, FAO-56 Eq. 38.
ALBEDO: Final = 0.23
#: Adjustment coefficient of the Hargreaves radiation formula inland; 0.19 at coasts. FAO-56 Eq. 50.
_KRS: Final = 0.16
#: MJ K⁻⁴ m⁻² d⁻¹, FAO-56 Eq. 39.
_STEFAN_BOLTZMANN: Final = 4.903e-9
_KELVIN: Final = 273.16
#: Where there is no sun at all: FAO-56 chapter 3 gives 0.4-0.6 for humid, 0.7-0.8 for arid nights.
_DARK_RATIO: Final = 0.6


def _floats(values: ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)


def clear_sky_radiation(ra: ArrayLike, elevation_m: float) -> Floats:
    """Return the radiation of a cloudless day, Rso.

    ra: extraterrestrial radiation [MJ m⁻² d⁻¹]; elevation_m: height above the sea [m]. Result: Rso
    [MJ m⁻² d⁻¹].

    FAO-56 Eq. 37.
    """
    return np.asarray((0.75 + 2e-5 * elevation_m) * _floats(ra))


def radiation_from_temperature(ra: ArrayLike, tmin: ArrayLike, tmax: ArrayLike) -> Floats:
    """Return the global radiation from the range of temperature, Rs.

    ra: extraterrestrial radiation [MJ m⁻² d⁻¹]; tmin, tmax: lowest and highest air temperature of
    the day [°C]. Result: Rs [MJ m⁻² d⁻¹].

    FAO-56 Eq. 50.
    """
    swing = np.sqrt(np.maximum(_floats(tmax) - _floats(tmin), 0.0))
    return np.asarray(_KRS * swing * _floats(ra))


def net_shortwave(rs: ArrayLike) -> Floats:
    """Return the shortwave radiation that grass keeps, Rns.

    rs: global radiation [MJ m⁻² d⁻¹]. Result: Rns [MJ m⁻² d⁻¹].

    FAO-56 Eq. 38.
    """
    return np.asarray((1.0 - ALBEDO) * _floats(rs))


def net_longwave(
    tmin: ArrayLike, tmax: ArrayLike, ea: ArrayLike, rs: ArrayLike, rso: ArrayLike
) -> Floats:
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


# Daily correlation of the diffuse fraction with the clearness index, for two seasons: Erbs, Klein &
# Duffie 1982, Solar Energy 28:293-302; coefficients checked against a public solar library, not the
# paper itself.
#: Sunset hour angle below which the winter branch holds [deg].
_WINTER_DEG: Final = 81.4
#: Coefficients of 1, kt, kt², ...; clearness index from which the fraction is constant, and that
#: [-].
_WINTER: Final = (1.0, -0.2727, 2.4495, -11.9514, 9.3879)
_WINTER_CLEAR: Final = (0.715, 0.143)
_SUMMER: Final = (1.0, 0.2832, -2.5557, 0.8448)
_SUMMER_CLEAR: Final = (0.722, 0.175)


def daily_diffuse_fraction(rs: ArrayLike, ra: ArrayLike, sunset_angle: ArrayLike) -> Floats:
    """Return the share of a day's radiation that comes from the sky and not from the sun itself.

    rs: global radiation [MJ m⁻² d⁻¹]; ra: extraterrestrial radiation [MJ m⁻² d⁻¹]; sunset_angle:
    sunset hour angle [rad]. Result: diffuse over global radiation, 0.14 to 1; 1 when there is no
    sun [-].

    Erbs, Klein & Duffie 1982, Solar Energy 28:293-302 (daily correlation).

    >>> daily_diffuse_fraction([3.0, 15.0, 30.0], 40.0, 1.8).round(3).tolist()
    [1.0, 0.791, 0.175]
    """
    rs, ra, angle = np.broadcast_arrays(_floats(rs), _floats(ra), _floats(sunset_angle))
    kt = np.clip(np.divide(rs, ra, out=np.zeros(rs.shape), where=ra > 0.0), 0.0, 1.0)
    winter = np.polynomial.polynomial.polyval(kt, _WINTER)
    winter = np.where(kt < _WINTER_CLEAR[0], winter, _WINTER_CLEAR[1])
    summer = np.polynomial.polynomial.polyval(kt, _SUMMER)
    summer = np.where(kt < _SUMMER_CLEAR[0], summer, _SUMMER_CLEAR[1])
    fraction = np.where(angle < np.radians(_WINTER_DEG), winter, summer)
    # The summer polynomial exceeds 1 by 0.008 near kt = 0.05.
    return np.asarray(np.clip(fraction, 0.0, 1.0))


#: Wind where none was measured: light to moderate, FAO-56 Table 4 [m/s].
_WIND: Final = 2.0
_MEASURED: Final = ("rs_mj_m2", "ea_kpa", "wind_2m_m_s")


@dataclass(frozen=True)
class ReferenceSurface:
    """Constants of the Penman-Monteith equation for a reference surface, daily step.

    numerator: Cn [K mm s³ Mg⁻¹ d⁻¹]; denominator: Cd [s/m]; reference: where the numbers come from;
    method: its name in reports.
    """

    numerator: float
    denominator: float
    reference: str
    method: str = "FAO-56 Penman-Monteith"


#: Grass 0.12 m high.
SHORT_REFERENCE: Final = ReferenceSurface(900.0, 0.34, "FAO-56 Eq. 6")


@dataclass(frozen=True)
class EtoTerms:
    """A pixel's ETo on a day: max(0, constant + beam * beam_fraction + sky * sky_view).

    Parameters
    ----------
    constant, beam, sky : ndarray, shape (N,)
        What does not depend on the pixel's sun; what the open beam and the open sky add [mm/d].
    rs, ra : ndarray, shape (N,)
        Global radiation under the open sky, and outside the atmosphere [MJ m⁻² d⁻¹].
    diffuse_fraction : ndarray, shape (N,)
        Diffuse over global radiation [-].
    method : str
        "FAO-56 Penman-Monteith" or "Hargreaves".
    reason : str
        Why that method, and what was estimated.
    """

    constant: Floats
    beam: Floats
    sky: Floats
    rs: Floats
    ra: Floats
    diffuse_fraction: Floats
    method: str
    reason: str

    @property
    def open_sky(self) -> Floats:
        """ETo of an unshaded pixel, shape (N,) [mm/d]."""
        return np.maximum(self.constant + self.beam + self.sky, 0.0)


def atmospheric_pressure(elevation_m: ArrayLike) -> Floats:
    """Return the mean atmospheric pressure at a height above the sea.

    elevation_m: height above the sea [m]. Result: pressure [kPa].

    FAO-56 Eq. 7.

    FAO-56 Example 2.

    >>> round(float(atmospheric_pressure(1800.0)), 1)
    81.8
    """
    return np.asarray(101.3 * ((293.0 - 0.0065 * _floats(elevation_m)) / 293.0) ** 5.26)


def psychrometric_constant(pressure: ArrayLike) -> Floats:
    """Return the psychrometric constant.

    pressure: atmospheric pressure [kPa]. Result: Gamma [kPa/°C].

    FAO-56 Eq. 8.
    """
    return np.asarray(0.000665 * _floats(pressure))


def slope_vapour_pressure(temperature: ArrayLike) -> Floats:
    """Return the slope of the saturation vapour pressure curve.

    temperature: mean air temperature [°C]. Result: Delta [kPa/°C].

    FAO-56 Eq. 13.
    """
    t = _floats(temperature)
    return np.asarray(4098.0 * saturation_vapour_pressure(t) / (t + 237.3) ** 2)


def _penman_factors(
    mean_temperature: ArrayLike,
    *,
    wind_2m: ArrayLike,
    deficit: ArrayLike,
    elevation_m: float,
    surface: ReferenceSurface = SHORT_REFERENCE,
) -> tuple[Floats, Floats]:
    """Return the gain of ETo on net radiation [mm m²/MJ] and the aerodynamic term [mm/d]."""
    t, wind = _floats(mean_temperature), _floats(wind_2m)
    delta = slope_vapour_pressure(t)
    gamma = psychrometric_constant(atmospheric_pressure(elevation_m))
    below = delta + gamma * (1.0 + surface.denominator * wind)
    aero = gamma * surface.numerator / (t + 273.0) * wind * _floats(deficit)
    return 0.408 * delta / below, aero / below


def hargreaves(ra: ArrayLike, tmin: ArrayLike, tmax: ArrayLike) -> Floats:
    """Return the reference evapotranspiration from temperatures alone.

    ra: extraterrestrial radiation [MJ m⁻² d⁻¹]; tmin, tmax: lowest and highest air temperature of
    the day [°C]. Result: ETo, at least 0 [mm/d].

    Hargreaves & Samani 1985; FAO-56 Eq. 52, with Ra in mm by 0.408.

    FAO-56 Example 20 (Lyon, July): 5.0.

    >>> round(float(hargreaves(40.55, 14.8, 26.6)), 1)
    5.0
    """
    low, high = _floats(tmin), _floats(tmax)
    swing = np.sqrt(np.maximum(high - low, 0.0))
    warm = np.maximum((low + high) / 2.0 + 17.8, 0.0)
    return np.asarray(0.0023 * warm * swing * 0.408 * _floats(ra))


#: What the loss of all beam takes of the demand by published shade factors: 0.84 at half and 0.67
#: at three quarters of shade are losses of 0.32 and 0.44 a unit of shade, 0.38 between them. They
#: are an industry protocol's for testing controllers, as in two public codes; it was not read.
SHADE_LOSS: Final = 0.38


def eto_terms(
    daily: pd.DataFrame,
    *,
    latitude: float,
    elevation_m: float,
    surface: ReferenceSurface = SHORT_REFERENCE,
    shade_blend: float = 0.5,
) -> EtoTerms:
    """Split each day's ETo into what a pixel's beam, sky view and neither decide.

    The day's radiation is split into beam and diffuse as the weather itself says (a column
    diffuse_fraction), else by its clearness. The net longwave loss stays that of the
    open sky: walls and crowns hide the cold sky too, so that the evapotranspiration in deep shade
    is, if anything, somewhat higher than this.

    Published shade factors of a controller protocol are 0.84 at half and 0.67 at three quarters of
    shade, in every month. Beam shade alone gives 0.83 and 0.75 in a humid July (28.5 N, 61 % of the
    light diffuse), within 0.06 and 0.08 of them; in a dry July (36.8 N, 19 % diffuse) 0.68 and
    0.52, which is 0.16 and 0.15 below: where nearly all light is beam, its shade takes nearly all
    energy. That agrees with measurements in which shade lowers the use of lawns most in very dry
    weather (Litvak & Pataki 2016); the protocol's factors do not know the weather. Shade that hides
    the sky as well gives 0.57 and 0.35, or 0.61 and 0.41. By default each month whose beam carries
    more of the demand than the published factors say meets them half-way (`shade_blend`): 0.75 and
    0.62 in that dry July, and the humid one as it was. Neither the protocol, which does not know
    the weather, nor the geometry, which leaves out the warm dry air that blows into shade, is known
    to be right.

    With temperatures alone, ETo is that of Hargreaves, proportional to the pixel's radiation.

    Parameters
    ----------
    daily : DataFrame, N rows
        Index: the days. Columns tmin_c, tmax_c [°C], rs_mj_m2 [MJ m⁻² d⁻¹], ea_kpa [kPa],
        wind_2m_m_s [m/s], the last three may be NaN; where known diffuse_fraction [-].
    latitude : float
        North positive [deg].
    elevation_m : float
        Height of the station above the sea [m].
    surface : ReferenceSurface, optional
        Grass unless another is given.
    shade_blend : float, optional
        How far dry months are moved from the geometry's own loss in shade (0) to the published one
        (1), month by month of each year [-].

    Returns
    -------
    EtoTerms
        With beam_fraction 1 and sky_view 1 they add up to the plain ETo of the day.

    References
    ----------
    FAO-56 Eqs 6, 39, 48, 50, 52; Erbs, Klein & Duffie 1982, Solar Energy 28:293 (daily diffuse
    fraction).
    """
    day = daily.index.dayofyear.to_numpy(dtype=np.float64)  # type: ignore[attr-defined]
    tmin = daily["tmin_c"].to_numpy(dtype=np.float64)
    tmax = daily["tmax_c"].to_numpy(dtype=np.float64)
    ra = extraterrestrial_radiation(latitude, day)
    sunset = sunset_hour_angle(latitude, solar_declination(day))
    given = {name: daily[name].to_numpy(dtype=np.float64) for name in _MEASURED}
    only_temperatures = all(np.isnan(values).all() for values in given.values())
    instead = {
        "rs_mj_m2": radiation_from_temperature(ra, tmin, tmax),
        "ea_kpa": saturation_vapour_pressure(tmin),
        "wind_2m_m_s": np.full_like(ra, _WIND),
    }
    rs, ea, wind = (np.where(np.isnan(given[n]), instead[n], given[n]) for n in _MEASURED)
    diffuse, split = _split(daily, given["rs_mj_m2"], daily_diffuse_fraction(rs, ra, sunset))
    if only_temperatures:
        constant, sun = np.zeros_like(ra), hargreaves(ra, tmin, tmax)
        method, reason = "Hargreaves", "only temperatures are known (FAO-56 Eq. 52)."
    else:
        gain, aero = _penman_factors(
            (tmin + tmax) / 2.0,
            wind_2m=wind,
            deficit=np.maximum(mean_saturation_vapour_pressure(tmin, tmax) - ea, 0.0),
            elevation_m=elevation_m,
            surface=surface,
        )
        rso = clear_sky_radiation(ra, elevation_m)
        loss = gain * net_longwave(tmin, tmax, ea, rs, rso)
        constant, sun = aero - loss, gain * net_shortwave(rs)
        method, reason = surface.method, _reason(given) + split
    beam, sky = sun * (1.0 - diffuse), sun * diffuse
    if only_temperatures:  # proportional to the pixel's radiation, as the equation is
        return EtoTerms(constant, beam, sky, rs, ra, diffuse, method, reason)
    months = daily.index.to_numpy().astype("datetime64[M]").astype(np.int64)
    kept = _kept(beam, constant + beam + sky, months, shade_blend)
    constant, beam = constant + (1.0 - kept) * beam, kept * beam
    return EtoTerms(constant, beam, sky, rs, ra, diffuse, method, reason)


def _kept(beam: Floats, whole: Floats, months: Ints, blend: float) -> Floats:
    """Return which share of its part of ETo the beam keeps where months meet published factors."""
    _, of = np.unique(months, return_inverse=True)
    by_beam = np.bincount(of, beam) / np.maximum(np.bincount(of, whole), 1e-9)
    wanted = by_beam + blend * (np.minimum(by_beam, SHADE_LOSS) - by_beam)
    share: Floats = np.divide(wanted, by_beam, out=np.ones_like(wanted), where=by_beam > 0)
    return share[of]


def _split(daily: pd.DataFrame, measured: Floats, estimated: Floats) -> tuple[Floats, str]:
    """Return the diffuse fraction, the weather's own where it is known with its radiation."""
    if "diffuse_fraction" not in daily:
        return estimated, ""
    own = daily["diffuse_fraction"].to_numpy(dtype=np.float64)
    use = np.isfinite(own) & np.isfinite(measured)
    days = "all days" if use.all() else f"{int(use.sum()):,} of {use.size:,} days"
    words = f" Its split into beam and diffuse is the weather file's own on {days}."
    return np.where(use, own, estimated), words


def _reason(given: dict[str, Floats]) -> str:
    """Say what was measured and what was estimated."""
    words = {
        "rs_mj_m2": f"radiation estimated from the range of temperature (Eq. 50, kRs {_KRS})",
        "ea_kpa": "dew point taken as the lowest temperature (Eq. 48)",
        "wind_2m_m_s": f"wind taken as {_WIND:g} m/s",
    }
    estimated = []
    for name, values in given.items():
        unknown = int(np.isnan(values).sum())
        if unknown:
            days = "all days" if unknown == values.size else f"{unknown:,} of {values.size:,} days"
            estimated.append(f"{words[name]} on {days}")
    if not estimated:
        return "radiation, humidity and wind are known."
    return f"estimated as in FAO-56 chapter 3: {'; '.join(estimated)}."
