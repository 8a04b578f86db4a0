"""Where the sun stands, what light comes from it and the sky, and what the ground gets of it."""

from __future__ import annotations

import functools
import importlib.util
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from siting.arrays import Floats, Ints
from siting.errors import Fault, InputError
from siting.site.model import LocalGrid


@dataclass(frozen=True)
class SunPositions:
    """Sun positions that stand for a season: one representative day per month.

    Parameters
    ----------
    month : ndarray of int, shape (N,)
        Month 1..12.
    elevation, azimuth : ndarray of float, shape (N,)
        True elevation above the horizon and azimuth east of north [deg]; elevation > 0.
    hours : ndarray of float, shape (N,)
        How much of the representative day each position stands for [h/d].
    beam : ndarray of float, shape (N,)
        Clear-sky beam energy on level ground that each position stands for [MJ m⁻² d⁻¹].
    """

    month: Ints
    elevation: Floats
    azimuth: Floats
    hours: Floats
    beam: Floats


@dataclass(frozen=True)
class SunShade:
    """Monthly sun on a raster; roofs are NaN.

    Parameters
    ----------
    grid : LocalGrid
        The raster.
    months : tuple of int
        Months of the first axis, length M.
    sun_hours : ndarray, shape (M, rows, columns)
        Direct sun on the representative day, crowns counted by transmissivity [h/d].
    beam_fraction : ndarray, shape (M, rows, columns)
        Share of the clear-sky beam energy that arrives, 0..1.
    sky_view : ndarray, shape (rows, columns)
        Share of the isotropic diffuse light that arrives, 0..1.
    slope_beam : ndarray, shape (M, rows, columns), or None
        Beam energy on the ground's own slope over that on open level ground; above 1 on slopes that
        face the sun. None where the slope is not known.
    slope_sky : ndarray, shape (rows, columns), or None
        The same for isotropic diffuse light.
    """

    grid: LocalGrid
    months: tuple[int, ...]
    sun_hours: Floats
    beam_fraction: Floats
    sky_view: Floats
    slope_beam: Floats | None = None
    slope_sky: Floats | None = None


@dataclass(frozen=True)
class CellSun:
    """Monthly sun of some cells of a raster: what of a variant a plan needs to know.

    Parameters
    ----------
    cells : ndarray of int, shape (P,)
        Flat index of the cells (row-major), rising, each once.
    beam : ndarray, shape (M, P)
        Beam that arrives over that of open level ground, on the ground's own slope where known.
    sky : ndarray, shape (P,)
        The same for isotropic diffuse light.
    """

    cells: Ints
    beam: Floats
    sky: Floats


#: The year in which the representative days lie; fixed, so that the result is the same every year.
YEAR: Final = 2023
#: Day of each month whose extraterrestrial radiation is nearest the month's mean: S. A. Klein
#: (1977), "Calculation of monthly average insolation on tilted surfaces", Solar Energy 19(4),
#: 325-329, doi:10.1016/0038-092X(77)90001-9.
MEAN_DAYS: Final = (17, 16, 16, 15, 15, 11, 17, 16, 15, 15, 14, 10)
#: Refraction when the sun rises, as in the algorithm's own report [deg].
_REFRACTION_AT_RISE: Final = 0.5667
#: What a square metre facing the sun gets outside the air, as in pvlib [W m⁻²].
_SOLAR_CONSTANT: Final = 1366.1
_MINUTES_PER_DAY: Final = 1440
_MINUTES_PER_DEGREE: Final = 4.0
_MAX_LATITUDE: Final = 90.0
_MAX_LONGITUDE: Final = 180.0
_DECEMBER: Final = 12
_MAX_STEP: Final = 60


def sun_at(
    times: pd.DatetimeIndex,
    latitude: float,
    longitude: float,
    *,
    altitude_m: float = 0.0,
    pressure_pa: float = 101_325.0,
    temperature_c: float = 12.0,
    delta_t: float | Floats | None = None,
) -> pd.DataFrame:
    """Sun position at given instants.

    Parameters
    ----------
    times : DatetimeIndex
        Instants; UTC where no time zone is attached.
    latitude, longitude : float
        WGS 84, north and east positive [deg].
    altitude_m : float
        Height above the sea [m].
    pressure_pa, temperature_c : float
        Yearly mean air pressure and temperature; they move only the apparent elevation [Pa, °C].
    delta_t : float or ndarray of float, shape (N,), optional
        Terrestrial time less universal time; None takes pvlib's polynomial [s].

    Returns
    -------
    DataFrame
        Index `times`; columns elevation (true), apparent_elevation (refracted), azimuth (east of
        north) [deg] and equation_of_time [min].

    References
    ----------
    I. Reda and A. Andreas (2004), "Solar position algorithm for solar radiation applications",
    Solar Energy 76(5), 577-589; NREL/TP-560-34302. Computed by pvlib.
    """
    spa = _algorithm()
    utc = times if times.tz is None else times.tz_convert("UTC").tz_localize(None)
    if delta_t is None:
        delta_t = spa.calculate_deltat(utc.year.to_numpy(), utc.month.to_numpy())
    seconds = np.array((utc - pd.Timestamp(0)) / pd.Timedelta("1s"))
    _, _, apparent, true, azimuth, equation = spa.solar_position(
        seconds, latitude, longitude, altitude_m, pressure_pa / 100, temperature_c, delta_t,
        _REFRACTION_AT_RISE,
    )  # fmt: skip
    columns = {
        "elevation": true,
        "apparent_elevation": apparent,
        "azimuth": azimuth,
        "equation_of_time": equation,
    }
    return pd.DataFrame(columns, index=times)


@functools.cache
def _algorithm() -> ModuleType:
    """Return pvlib's solar position algorithm, which rests on numpy alone.

    The package around it, of networks and photovoltaics, takes a third of a second to import, and
    is not where nothing else of it is wanted.
    """
    package = importlib.util.find_spec("pvlib")
    assert package is not None and package.submodule_search_locations  # noqa: S101, PT018 - required
    file = Path(package.submodule_search_locations[0]) / "spa.py"
    spec = importlib.util.spec_from_file_location("pvlib_spa", file)
    assert spec is not None and spec.loader is not None  # noqa: S101, PT018 - a file of Python
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def season_positions(
    latitude: float, longitude: float, *, months: Sequence[int], minutes: int = 10
) -> SunPositions:
    """Sun positions that stand for the given months, one representative day each.

    The day is cut into steps of apparent solar time, symmetric about solar noon, and each step is
    represented by its middle; so no time zone enters. Afternoon mirrors morning exactly: the
    declination's drift within a day is left out. A month without sun has no rows.

    Parameters
    ----------
    latitude, longitude : float
        WGS 84, north and east positive [deg].
    months : sequence of int
        Months 1..12, in the order wanted.
    minutes : int
        Length of a step; divides the day and is at most 60 [min].

    Returns
    -------
    SunPositions
        True (unrefracted) elevations above 0, in the order of `months`, then of time.

    Raises
    ------
    InputError
        If a place, a month or the step is out of range; all faults at once.

    References
    ----------
    Representative days: Klein (1977), see `MEAN_DAYS`. Clear sky: see `clear_sky_normal`.

    Examples
    --------
    >>> sun = season_positions(29.65, -82.3, months=(6, 12), minutes=60)
    >>> [float(sun.hours[sun.month == month].sum()) for month in (6, 12)]
    [14.0, 10.0]
    """
    _check(latitude, longitude, months, minutes)
    steps = np.arange(minutes / 2, _MINUTES_PER_DAY, minutes, dtype=np.float64)
    table = _days(latitude, longitude, months, steps)
    month = table["month"].to_numpy()
    elevation = table["elevation"].to_numpy(dtype=np.float64)
    hours = np.full(len(table), minutes / 60)
    normal = clear_sky_normal(elevation, table["day_of_year"].to_numpy(dtype=np.int64))
    beam = normal * np.sin(np.radians(elevation)) * hours * 3600e-6  # W h -> MJ
    azimuth = table["azimuth"].to_numpy(dtype=np.float64)
    return SunPositions(month, elevation, azimuth, hours, beam)


def clear_sky_normal(elevation: Floats, day_of_year: Ints) -> Floats:
    """Beam irradiance facing the sun under a clear sky, ``I0 * 0.7 ** (AM ** 0.678)``.

    Only its course over the day matters here: it weights the sun positions; how much beam there
    is comes from the weather.

    elevation (N,): true elevation of the sun, above 0 [deg]; day_of_year (N,): day of the year, 1
    is 1 January. Result: [W m⁻²], shape (N,).

    A. B. Meinel and M. P. Meinel (1976), Applied Solar Energy, Addison-Wesley (the formula);
    A. T. Young (1994), Applied Optics 33(6), 1108-1110 (relative air mass from the true zenith);
    J. W. Spencer (1971), Search 2(5), 172 (extraterrestrial irradiance).

    >>> clear_sky_normal(np.array([90.0]), np.array([80])).round()
    array([964.])
    """
    cosine = np.cos(np.radians(90 - elevation))
    above = 1.002432 * cosine**2 + 0.148386 * cosine + 0.0096467
    air_mass = above / (cosine**3 + 0.149864 * cosine**2 + 0.0102963 * cosine + 0.000303978)
    day = (2.0 * np.pi / 365.0) * (day_of_year - 1)
    distance = 1.00011 + 0.034221 * np.cos(day) + 0.00128 * np.sin(day)
    distance = distance + 0.000719 * np.cos(2 * day) + 7.7e-05 * np.sin(2 * day)
    normal: Floats = _SOLAR_CONSTANT * distance * 0.7 ** (air_mass**0.678)
    return normal


def _days(latitude: float, longitude: float, months: Sequence[int], steps: Floats) -> pd.DataFrame:
    """Rows with the sun up on the months' representative days; `steps` in apparent solar time.

    All days at once: pvlib takes little longer for a season than for one day.
    """
    midnight = [pd.Timestamp(YEAR, month, MEAN_DAYS[month - 1], tz="UTC") for month in months]
    lag = np.array([_delta_t(month) for month in months])
    mean_noon = pd.Timedelta(minutes=720 - _MINUTES_PER_DEGREE * longitude)
    noon = pd.DatetimeIndex([start + mean_noon for start in midnight])
    equation = sun_at(noon, latitude, longitude, delta_t=lag)["equation_of_time"].to_numpy()
    shift = -_MINUTES_PER_DEGREE * longitude - equation
    times = pd.DatetimeIndex(np.repeat(pd.DatetimeIndex(midnight), len(steps))) + pd.to_timedelta(
        (steps + shift[:, None]).ravel(), unit="min"
    )
    table = sun_at(times, latitude, longitude, delta_t=np.repeat(lag, len(steps)))
    elevation, azimuth = _even_days(
        *(table[name].to_numpy().reshape(-1, len(steps)) for name in ("elevation", "azimuth"))
    )
    up = elevation.ravel() > 0
    day = [start.day_of_year for start in midnight]
    return pd.DataFrame(
        {
            "month": np.repeat(np.asarray(months, dtype=np.int64), len(steps))[up],
            "day_of_year": np.repeat(np.asarray(day, dtype=np.int64), len(steps))[up],
            "elevation": elevation.ravel()[up],
            "azimuth": azimuth.ravel()[up],
        }
    )


def _even_days(elevation: Floats, azimuth: Floats) -> tuple[Floats, Floats]:
    """Make the afternoon the mirror image of the morning: the mean of each pair of steps (M, N).

    The declination drifts by up to 0.2 degrees between them; left out, a mirrored drawing gets
    mirrored sun, and its sensors their mirrored places.
    """
    theta, phi = np.radians(elevation), np.radians(azimuth)
    east, north, up = np.cos(theta) * np.sin(phi), np.cos(theta) * np.cos(phi), np.sin(theta)
    east, north = east - east[:, ::-1], north + north[:, ::-1]
    up = up + up[:, ::-1]
    even = np.degrees(np.arctan2(up, np.hypot(east, north)))
    return even, np.degrees(np.arctan2(east, north)) % 360


@functools.cache
def _delta_t(month: int) -> float:
    """Return pvlib's own polynomial for a month of `YEAR` [s].

    Most of the time for a season's positions went into it, and it depends on the month alone.
    """
    return float(_algorithm().calculate_deltat(YEAR, month))


def _check(latitude: float, longitude: float, months: Sequence[int], minutes: int) -> None:
    """Refuse what cannot be computed, all faults at once."""
    rules = [
        ("latitude", latitude, abs(latitude) <= _MAX_LATITUDE, "-90 to 90"),
        ("longitude", longitude, abs(longitude) <= _MAX_LONGITUDE, "-180 to 180"),
        (
            "months",
            tuple(months),
            len(months) > 0 and all(1 <= month <= _DECEMBER for month in months),
            "1 to 12, at least one",
        ),
        (
            "minutes",
            minutes,
            1 <= minutes <= _MAX_STEP and math.fmod(_MINUTES_PER_DAY, max(minutes, 1)) == 0,
            "a divisor of 1440 from 1 to 60",
        ),
    ]
    faults = [
        Fault("season_positions", str(found), allowed, f"Correct `{name}`.", column=name)
        for name, found, good, allowed in rules
        if not good
    ]
    if faults:
        raise InputError(faults)


#: The lattice: share of an eighth of the sky in azimuth from one direction to the next, and of the
#: first. Of those tried, the least greatest error beside long walls of all heights and bearings.
_STEP: Final = 0.41
_FIRST: Final = 0.3


@dataclass(frozen=True)
class SkyDirections:
    """Directions on the sky and how much of the level irradiance each brings.

    elevation, azimuth (D,): [deg]; weight (D,): sums to 1; tangent (D,): mean tangent of the zenith
    angle over each direction's share: level light over upright light, which on a slope counts
    beside it.
    """

    elevation: Floats
    azimuth: Floats
    weight: Floats
    tangent: Floats


def sky_directions(count: int = 256) -> SkyDirections:
    """Directions of equal weight on an isotropic sky seen from level ground.

    The irradiance of level ground from zenith angle z is ``2 sin z cos z dz = d(sin² z)``, so
    points spread evenly over azimuth and sin² z carry equal shares. They lie on a lattice in one
    eighth of the sky, which is mirrored and repeated by quarter turns: so the set stays the same
    when the world is mirrored or turned by 90 degrees, and a mirrored property keeps its sensors.

    Result: from the zenith down.

    Isotropic sky view factor: G. T. Johnson and I. D. Watson (1984), "The determination of
    view-factors in urban canyons", J. Climate Appl. Meteor. 23, 329-335. Measured against closed
    forms (walls, canyons, courts), 256 directions are off by about 0.02 at most; on level ground
    they serve for crowns and hedges alone, and `siting.sun.kernels` for walls.

    >>> sky_directions(8).elevation.round(1)
    array([45., 45., 45., 45., 45., 45., 45., 45.])
    """
    eighth = max(-(-count // 8), 1)
    place = np.arange(eighth, dtype=np.float64)
    elevation = np.degrees(np.arccos(np.sqrt((place + 0.5) / eighth)))
    azimuth: Floats = 45 * ((place * _STEP + _FIRST) % 1)
    mirrored = np.stack([azimuth, -azimuth], axis=1)
    turned = ((mirrored[:, :, None] + 90.0 * np.arange(4)) % 360).ravel()
    weight = np.full(8 * eighth, 0.125 / eighth)
    return SkyDirections(np.repeat(elevation, 8), turned, weight, np.repeat(_tangents(eighth), 8))


def _tangents(count: int) -> Floats:
    """Mean of ``tan z`` over equal shares of ``u = sin² z``: the integral of sqrt(u / (1 - u))."""
    u = np.linspace(0, 1, count + 1)
    whole = np.arcsin(np.sqrt(u)) - np.sqrt(u * (1 - u))
    means: Floats = np.diff(whole) * count
    return means


_MONTHS = 12


def shaded_radiation(sun: SunShade, beam_mj: ArrayLike, diffuse_mj: ArrayLike) -> Floats:
    """Global radiation that reaches the ground, month by month.

    ``beam x beam_fraction + diffuse x sky_view``: the diffuse light is taken as isotropic, and
    what walls and ground reflect is left out, which makes shade a little deeper than it is.

    Parameters
    ----------
    sun : SunShade
        Monthly sun on a raster.
    beam_mj, diffuse_mj : array_like, shape (12,)
        Mean daily radiation on open level ground, January first [MJ m⁻² d⁻¹].

    Returns
    -------
    ndarray, shape (M, rows, columns)
        In the order of ``sun.months``; NaN on roofs [MJ m⁻² d⁻¹].

    Raises
    ------
    InputError
        If there are not twelve values of each, 0 or more, in the months asked for.

    References
    ----------
    Isotropic sky, beam and sky on slopes: B. Y. H. Liu and R. C. Jordan (1963), "The long-term
    average performance of flat-plate solar-energy collectors", Solar Energy 7(2), 53-74.
    """
    beam = np.asarray(beam_mj, dtype=np.float64)
    diffuse = np.asarray(diffuse_mj, dtype=np.float64)
    month = np.asarray(sun.months, dtype=np.int64) - 1
    faults = [*_faults("beam_mj", beam, month), *_faults("diffuse_mj", diffuse, month)]
    if faults:
        raise InputError(faults)
    shaded: Floats = (
        beam[month, None, None] * sun.beam_fraction + diffuse[month, None, None] * sun.sky_view
    )
    return shaded


def _faults(name: str, values: Floats, month: Ints) -> Sequence[Fault]:
    """Return what is wrong with twelve monthly values."""
    allowed = "twelve monthly means, 0 or more"
    mend = f"Correct `{name}`."
    if values.shape != (_MONTHS,):
        return [Fault("shaded_radiation", f"shape {values.shape}", allowed, mend, column=name)]
    wrong = values[month][~(values[month] >= 0)]
    return [Fault("shaded_radiation", f"{value:g}", allowed, mend, column=name) for value in wrong]
