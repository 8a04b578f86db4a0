"""Many plausible daily years from twelve monthly normals.

A generator of Richardson's type: a first-order chain of wet and dry days, gamma-distributed rain,
and temperatures and radiation that are correlated with each other and with the day before, and
that depend on whether the day is wet. Where Richardson lets residuals run freely, two margins are
bounded here: the daily temperature range is log-normal (so that tmin < tmax) and the radiation
follows a beta distribution between overcast and clear sky. Both keep the monthly mean exactly, and
the chain keeps the monthly share of wet days exactly, also on the first days of a month.

Left to itself such a generator makes years that are too alike, because nothing in it lasts longer
than a few days. So the mean of each month of each year is itself drawn (Hansen & Mavromatis 2001):
temperature, radiation and rain of whole months deviate together, and the next month remembers it.
By how much was fitted on two records, Wageningen (23 years) and Seattle (4 years), so the test on
those two shows the fit and not its reach; on a third, gridded record in Iowa, not used in fitting,
yearly ETo deviates by 1.08 and rain by 0.91 times the record's own
(`tests/validation/generated_years.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betaincinv, ndtr

from siting.climate.air import (
    mean_saturation_vapour_pressure,
    saturation_vapour_pressure,
    vapour_pressure_from_humidity,
)
from siting.climate.sky import extraterrestrial_radiation
from siting.errors import Fault, InputError

__all__ = ["WEATHER_PATTERN", "WeatherPattern", "daily_from_normals"]

_Array = NDArray[np.float64]
_MONTHS: Final = 12
_DAYS: Final = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.float64)
_YEAR: Final = 365
_NEEDED: Final = ("rain_mm", "wet_days", "tmin_c", "tmax_c")


@dataclass(frozen=True)
class WeatherPattern:
    """What twelve normals do not tell, and is taken from elsewhere.

    lag, noise: matrices A and B of x(t) = A x(t-1) + B e(t) for (tmax, tmin, radiation) [-];
    wet_after_dry: chance of a wet day after a dry one, over the month's share of wet days [-];
    gamma_intercept, gamma_slope: scale of the gamma distribution of rain from the mean rain of a
    wet day [mm, -]; temperature_sd: standard deviation of the daily mean temperature about its
    normal, mean of the year [°C]; winter_sd: by how much that is larger in midwinter and smaller in
    midsummer, as a share [-]; range_log_sd: standard deviation of the logarithm of the daily
    temperature range [-]; wet_range, wet_radiation: range and radiation on wet days over those on
    dry days [-]; clear_sky, overcast: highest and lowest radiation over the extraterrestrial one
    [-]; dry_concentration, wet_concentration: how little the radiation of dry and of wet days
    varies (a + b of the beta distribution) [-]; wind_log_sd: standard deviation of the logarithm of
    the wind speed [-]; month_temperature, month_radiation, month_rain: standard deviation of what a
    whole month deviates by, beyond what its days do by themselves: temperature [°C], and radiation
    and rain as shares [-]; month_together: correlation of the three (rain the other way) [-];
    month_lag: how much of it the next month keeps [-]; reference: where the numbers come from.
    """

    lag: tuple[tuple[float, ...], ...] = (
        (0.567, 0.086, -0.002),
        (0.253, 0.504, -0.050),
        (-0.006, -0.039, 0.244),
    )
    noise: tuple[tuple[float, ...], ...] = (
        (0.781, 0.0, 0.0),
        (0.328, 0.637, 0.0),
        (0.238, -0.341, 0.873),
    )
    wet_after_dry: float = 0.75
    gamma_intercept: float = -2.16
    gamma_slope: float = 1.83
    temperature_sd: float = 2.8
    winter_sd: float = 0.4
    range_log_sd: float = 0.18
    wet_range: float = 0.75
    wet_radiation: float = 0.6
    clear_sky: float = 0.78
    overcast: float = 0.05
    dry_concentration: float = 8.0
    wet_concentration: float = 5.0
    wind_log_sd: float = 0.35
    month_temperature: float = 1.0
    month_radiation: float = 0.09
    month_rain: float = 0.12
    month_together: float = 0.7
    month_lag: float = 0.6
    reference: str = (
        "Matrices: Richardson & Wright 1984, WGEN, USDA-ARS-8, as quoted in several public codes; "
        "they follow to the last digit but one from the correlations of 31 stations in the United "
        "States (Richardson 1982, from memory). Scheme: Richardson 1981, Water Resources Research "
        "17:182-190 (from memory). Wet after dry (0.75) and gamma scale (-2.16 + 1.83 mean): Geng, "
        "Penning de Vries & Supit 1986, Agric. For. Meteorol. 36:363 (title from memory; "
        "coefficients as quoted in several public codes). Months that deviate as a whole: Hansen & "
        "Mavromatis 2001, Correcting low-frequency variability bias in stochastic weather "
        "generators, Agric. For. Meteorol. 109:297-310 (method; from memory); how much they do was "
        "fitted on the yearly ETo of Wageningen and Seattle. All other values are plausible "
        "choices without a published source."
    )


#: The pattern used unless another is given.
WEATHER_PATTERN: Final = WeatherPattern()


@dataclass(frozen=True)
class _Days:
    """The days to be generated: month 0..11, row 0..364 of the calendar year, wet or dry."""

    dates: pd.DatetimeIndex
    month: NDArray[np.int64]
    row: NDArray[np.int64]
    wet: NDArray[np.bool_]


def daily_from_normals(
    normals: pd.DataFrame,
    *,
    years: int,
    first_year: int,
    seed: int,
    latitude: float,
    pattern: WeatherPattern = WEATHER_PATTERN,
    wet_day_mm: float = 0.0,
) -> pd.DataFrame:
    """Return daily weather whose long-run monthly means and wet days are the given normals.

    normals: January first. Columns rain_mm [mm per month], wet_days [d per month], tmin_c, tmax_c
    [°C], where known rs_mj_m2 [MJ m⁻² d⁻¹], wind_m_s (at 2 m) [m/s], and rh_mean [%] or tdew_c
    [°C]; latitude: north positive [deg]; wet_day_mm: least rain of a day that the normals count as
    wet [mm]. Result: columns date (datetime64), tmin_c, tmax_c [°C], rain_mm [mm], rs_mj_m2 [MJ m⁻²
    d⁻¹], ea_kpa [kPa], wind_m_s (at 2 m) [m/s]; one row per day, leap days included. The last three
    are NaN where the normals do not have them.

    How much months deviate as a whole no normals tell: the values are one choice for every place,
    and measured years are better where there are any. Held against Wageningen 1976-1999 and Seattle
    2012-2015 in the tests.

    Richardson 1981, Water Resources Research 17:182-190 (from memory); Richardson & Wright 1984,
    WGEN, USDA-ARS-8.
    """
    faults = _normals_faults(normals, years, wet_day_mm)
    if faults:
        raise InputError(faults)
    rng = np.random.default_rng(seed)
    table = {str(name): normals[name].to_numpy(dtype=np.float64) for name in normals.columns}
    days = _wet_and_dry(table, years=years, first_year=first_year, rng=rng, pattern=pattern)
    x = _residuals(days.dates.size, rng, pattern)
    whole = _months(days, np.random.default_rng([seed, 11]), pattern)
    tmin, tmax = _temperatures(table, days, x, latitude=latitude, pattern=pattern)
    # A sunny month is warm, of wide daily range, and its air only half as much moister.
    wider = pattern.month_radiation * whole[1] * (tmax - tmin) / 2.0
    warmer = pattern.month_temperature * whole[0]
    dawn = tmin + warmer / 2.0
    tmin, tmax = tmin + warmer - wider, tmax + warmer + wider
    rain = _rain(table, days, rng, pattern=pattern, wet_day_mm=wet_day_mm)
    s = np.sqrt(np.log1p(pattern.month_rain**2))
    rain = np.where(
        rain > 0, wet_day_mm + (rain - wet_day_mm) * np.exp(s * whole[2] - s**2 / 2), 0.0
    )
    unknown = np.full(tmin.size, np.nan)
    rs, ea, wind = unknown, unknown, unknown
    if "rs_mj_m2" in table:
        rs = _radiation(table, days, (x[:, 2], whole[1]), latitude=latitude, pattern=pattern)
    if "tdew_c" in table or "rh_mean" in table:
        ea = _vapour_pressure(table, days, dawn, (tmin, tmax))
    if "wind_m_s" in table:
        wind = _wind(table, days, rng, pattern)
    return pd.DataFrame(
        {
            "date": days.dates,
            "tmin_c": tmin,
            "tmax_c": tmax,
            "rain_mm": rain,
            "rs_mj_m2": rs,
            "ea_kpa": ea,
            "wind_m_s": wind,
        }
    )


def _normals_faults(normals: pd.DataFrame, years: int, wet_day_mm: float) -> list[Fault]:
    """Return everything that is wrong with the normals."""
    faults: list[Fault] = []

    def fault(found: str, allowed: str, column: str | None = None) -> None:
        mend = "Correct the table of monthly normals."
        faults.append(Fault("normals", found, allowed, mend, column=column))

    if years < 1:
        fault(f"{years} years", "one year or more")
    if len(normals) != _MONTHS:
        fault(f"{len(normals)} rows", "12 rows, January first")
    for name in [n for n in _NEEDED if n not in normals]:
        fault("no such column", "a column of 12 numbers", name)
    if faults:
        return faults
    if not np.isfinite(normals.to_numpy(dtype=np.float64)).all():
        fault("missing values", "12 numbers in each column")
    wet, rain = normals["wet_days"].to_numpy(), normals["rain_mm"].to_numpy()
    if ((wet < 0) | (wet > _DAYS)).any():
        fault(f"{wet.min():g} to {wet.max():g}", "0 to the length of the month", "wet_days")
    if ((rain < 0) | ((rain > 0) & (wet <= 0))).any():
        fault("rain below 0, or rain without wet days", "0 or more, with wet days", "rain_mm")
    if ((wet > 0) & (rain <= wet * wet_day_mm) & (wet_day_mm > 0)).any():
        fault(f"less rain than {wet_day_mm:g} mm on each wet day", "more than that", "rain_mm")
    if (normals["tmin_c"] >= normals["tmax_c"]).any():
        fault("tmin_c not below tmax_c", "tmin_c below tmax_c", "tmin_c")
    return faults


def _wet_and_dry(
    table: dict[str, _Array],
    *,
    years: int,
    first_year: int,
    rng: np.random.Generator,
    pattern: WeatherPattern,
) -> _Days:
    """Draw the chain of wet and dry days."""
    dates = pd.date_range(f"{first_year}-01-01", f"{first_year + years - 1}-12-31", freq="D")
    month = dates.month.to_numpy().astype(np.int64) - 1
    start = np.concatenate([[0], np.cumsum(_DAYS)[:-1]]).astype(np.int64)
    day = np.minimum(dates.day.to_numpy(), _DAYS[month].astype(np.int64)) - 1
    share = (table["wet_days"] / _DAYS)[month]
    after_wet, after_dry = _chances(share, np.concatenate([share[:1], share[:-1]]), pattern)
    draw = rng.random(dates.size)
    wet = np.zeros(dates.size, dtype=np.bool_)
    previous = bool(rng.random() < share[0])
    for i in range(dates.size):
        previous = bool(draw[i] < (after_wet[i] if previous else after_dry[i]))
        wet[i] = previous
    return _Days(dates, month, start[month] + day, wet)


def _chances(share: _Array, before: _Array, pattern: WeatherPattern) -> tuple[_Array, _Array]:
    """Return the chance of rain after a wet and after a dry day.

    With the shares of wet days of this day and of the day before, they make the chain's own share
    that of the normals on every day: share = before * after_wet + (1 - before) * after_dry.
    """
    dry = pattern.wet_after_dry * share
    wet = (share - (1.0 - before) * dry) / np.maximum(before, 1e-9)
    after_wet = np.where(before > 0.0, np.clip(wet, 0.0, 1.0), share)
    after_dry = (share - before * after_wet) / np.maximum(1.0 - before, 1e-9)
    return after_wet, np.where(before < 1.0, np.clip(after_dry, 0.0, 1.0), share)


def _residuals(count: int, rng: np.random.Generator, pattern: WeatherPattern) -> _Array:
    """Return correlated standard normal residuals of tmax, tmin and radiation, shape (N, 3)."""
    lag, noise = np.array(pattern.lag), np.array(pattern.noise)
    shocks = rng.standard_normal((count, 3)) @ noise.T
    x = np.empty((count, 3))
    state = rng.standard_normal(3)
    for i in range(count):
        state = lag @ state + shocks[i]
        x[i] = state
    return x / np.sqrt(np.diag(_covariance(pattern)))


def _months(days: _Days, rng: np.random.Generator, pattern: WeatherPattern) -> _Array:
    """Return by how much each day's month deviates as a whole: tmean, radiation, rain, (3, N).

    Standard normal, held within two deviations on either side, so that means stay the normals'.
    """
    number = days.dates.year.to_numpy() * _MONTHS + days.month
    first = int(number[0])
    count = int(number[-1]) - first + 1
    r = pattern.month_together
    shared, own = rng.standard_normal((1, count)), rng.standard_normal((3, count))
    shocks = np.sqrt(r) * np.array([[1.0], [1.0], [-1.0]]) * shared + np.sqrt(1 - r) * own
    state = np.empty_like(shocks)
    state[:, 0] = shocks[:, 0]
    for month in range(1, count):
        kept = pattern.month_lag * state[:, month - 1]
        state[:, month] = kept + np.sqrt(1 - pattern.month_lag**2) * shocks[:, month]
    deviations: _Array = state[:, number - first]
    return np.concatenate([np.clip(deviations[:2], -2.0, 2.0), deviations[2:]])


def _covariance(pattern: WeatherPattern) -> _Array:
    """Return the covariance of the residuals in the long run, C = A C A' + B B'."""
    lag, noise = np.array(pattern.lag), np.array(pattern.noise)
    size = lag.shape[0]
    system = np.eye(size * size) - np.kron(lag, lag)
    return np.linalg.solve(system, (noise @ noise.T).ravel()).reshape(size, size)


def _smooth(monthly: _Array, row: NDArray[np.int64]) -> _Array:
    """Return a value per day, continuous over the year, whose monthly means are `monthly`.

    Piecewise linear between the middles of the months; the twelve corner values are solved for so
    that the mean of each month comes out exactly.
    """
    end = np.cumsum(_DAYS)
    middle = end - _DAYS / 2.0
    day = np.arange(_YEAR) + 0.5
    knots = np.concatenate([[middle[-1] - _YEAR], middle, [middle[0] + _YEAR]])
    hats = np.eye(_MONTHS)
    weights = np.stack(
        [np.interp(day, knots, np.concatenate([[h[-1]], h, [h[0]]])) for h in hats], axis=1
    )
    of_month = np.repeat(np.arange(_MONTHS), _DAYS.astype(np.int64))
    mean = np.stack([weights[of_month == m].mean(axis=0) for m in range(_MONTHS)])
    yearly: _Array = weights @ np.linalg.solve(mean, monthly)
    return yearly[row]


def _wet_dry_mean(mean: _Array, share: _Array, ratio: float) -> tuple[_Array, _Array]:
    """Split a mean into that of wet and of dry days, `ratio` being wet over dry."""
    dry = mean / (1.0 - share * (1.0 - ratio))
    return dry * ratio, dry


def _temperatures(
    table: dict[str, _Array], days: _Days, x: _Array, *, latitude: float, pattern: WeatherPattern
) -> tuple[_Array, _Array]:
    """Return tmin and tmax: normal daily mean, log-normal range that is narrower on wet days."""
    covariance = _covariance(pattern)
    rho = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    level = (x[:, 0] + x[:, 1]) / np.sqrt(2.0 * (1.0 + rho))
    spread = (x[:, 0] - x[:, 1]) / np.sqrt(2.0 * (1.0 - rho))
    middle = _smooth((table["tmin_c"] + table["tmax_c"]) / 2.0, days.row)
    wet, dry = _wet_dry_mean(
        table["tmax_c"] - table["tmin_c"], table["wet_days"] / _DAYS, pattern.wet_range
    )
    mean_range = np.where(days.wet, wet[days.month], dry[days.month])
    s = pattern.range_log_sd
    half = mean_range * np.exp(s * spread - s**2 / 2.0) / 2.0
    # Winters are more variable than summers: coldest about 15 January (July in the south).
    season = np.cos(2.0 * np.pi * (days.row - 15.0) / _YEAR) * np.sign(latitude)
    mean = middle + pattern.temperature_sd * (1.0 + pattern.winter_sd * season) * level
    return mean - half, mean + half


def _rain(
    table: dict[str, _Array],
    days: _Days,
    rng: np.random.Generator,
    *,
    pattern: WeatherPattern,
    wet_day_mm: float,
) -> _Array:
    """Return gamma-distributed rain, above the least of a wet day, on the wet days."""
    share = np.maximum(table["wet_days"], 1e-9)
    per_day = np.maximum(table["rain_mm"] / share - wet_day_mm, 1e-9)
    scale = pattern.gamma_intercept + pattern.gamma_slope * per_day
    # The regression is only meant for mean rains above some millimetres: keep the shape usual.
    scale = np.clip(scale, per_day, per_day / 0.4)
    shape = (per_day / scale)[days.month]
    drawn = rng.gamma(shape, scale[days.month])
    return np.where(days.wet & (table["rain_mm"][days.month] > 0.0), wet_day_mm + drawn, 0.0)


def _radiation(
    table: dict[str, _Array],
    days: _Days,
    deviates: tuple[_Array, _Array],
    *,
    latitude: float,
    pattern: WeatherPattern,
) -> _Array:
    """Return beta-distributed radiation between overcast and clear sky, lower on wet days.

    `deviates` are standard normal, of the days and of whole months, each of shape (N,).
    """
    x, whole = deviates
    year = extraterrestrial_radiation(latitude, np.arange(_YEAR) + 1.0)
    of_month = np.repeat(np.arange(_MONTHS), _DAYS.astype(np.int64))
    outside = np.array([year[of_month == m].mean() for m in range(_MONTHS)])
    low, high = pattern.overcast, pattern.clear_sky
    share = table["wet_days"] / _DAYS
    mean = np.clip(table["rs_mj_m2"] / np.maximum(outside, 1e-9), low + 0.02, high - 0.02)
    _, dry = _wet_dry_mean(mean, share, pattern.wet_radiation)
    dry = np.minimum(dry, high - 0.01)
    wet = np.clip((mean - (1.0 - share) * dry) / np.maximum(share, 1e-9), low + 0.01, high - 0.01)
    clearness = np.where(days.wet, wet[days.month], dry[days.month])
    # A month's deviation stays as far from both bounds as its mean allows, so that it has no bias.
    room = 0.45 * np.minimum(high - clearness, clearness - low)
    clearness = clearness + np.minimum(pattern.month_radiation * clearness, room) * whole
    centre = (clearness - low) / (high - low)
    width = np.where(days.wet, pattern.wet_concentration, pattern.dry_concentration)
    drawn = betaincinv(centre * width, (1.0 - centre) * width, ndtr(x))
    return np.asarray(year[days.row] * (low + (high - low) * drawn), dtype=np.float64)


def _vapour_pressure(
    table: dict[str, _Array], days: _Days, dew: _Array, extremes: tuple[_Array, _Array]
) -> _Array:
    """Return the vapour pressure: it follows that of saturation at `dew`, with the normal mean."""
    if "tdew_c" in table:
        normal = saturation_vapour_pressure(table["tdew_c"])
    else:
        normal = vapour_pressure_from_humidity(table["rh_mean"], table["tmin_c"], table["tmax_c"])
    dawn = saturation_vapour_pressure(dew)
    sums = np.bincount(days.month, weights=dawn, minlength=_MONTHS)
    counts = np.bincount(days.month, minlength=_MONTHS)
    vapour = dawn * (normal * counts / sums)[days.month]
    return np.minimum(vapour, mean_saturation_vapour_pressure(*extremes))


def _wind(
    table: dict[str, _Array], days: _Days, rng: np.random.Generator, pattern: WeatherPattern
) -> _Array:
    """Return log-normal wind."""
    s = pattern.wind_log_sd
    factor = np.exp(s * rng.standard_normal(days.dates.size) - s**2 / 2.0)
    return table["wind_m_s"][days.month] * factor
