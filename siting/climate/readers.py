"""Where weather comes from: the registry of formats, twelve normals, or a fetch on purpose.

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

import calendar
import datetime as dt
import math
import os
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import scipy

from siting.arrays import Flags, Floats, Ints
from siting.climate.air import (
    extraterrestrial_radiation,
    mean_saturation_vapour_pressure,
    saturation_vapour_pressure,
    vapour_pressure_from_humidity,
    wind_at_2m,
)
from siting.climate.model import Climate, WeatherOptions
from siting.climate.record import day_frame, finish_record, read_daily_csv
from siting.climate.stations import (
    FORMATS,
    STAND_IN,
    TYPICAL_FORMATS,
    days_of_hours,
    read_crn,
    read_ghcn,
    read_typical,
    sniff_format,
)
from siting.climate.tables import (
    Column,
    Ledger,
    Place,
    Row,
    check_size,
    find_columns,
    full_rows,
    read_numbers,
    read_rows,
    refuse_bytes,
)
from siting.errors import Fault, InputError
from siting.extensions import Extension, ExtensionError, find_extension

_MONTHS: Final = 12
_DAYS: Final = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.float64)
_YEAR: Final = 365
_NEEDED: Final = ("rain_mm", "wet_days", "tmin_c", "tmax_c")


# What twelve normals do not tell, and is taken from elsewhere.
#
# Matrices: Richardson & Wright 1984, WGEN, USDA-ARS-8, as quoted in several public codes; they
# follow to the last digit but one from the correlations of 31 stations in the United States
# (Richardson 1982, from memory). Scheme: Richardson 1981, Water Resources Research 17:182-190 (from
# memory). Wet after dry and gamma scale: Geng, Penning de Vries & Supit 1986, Agric. For. Meteorol.
# 36:363 (title from memory; coefficients as quoted in several public codes). Months that deviate as
# a whole: Hansen & Mavromatis 2001, Correcting low-frequency variability bias in stochastic weather
# generators, Agric. For. Meteorol. 109:297-310 (method; from memory); how much they do was fitted
# on the yearly ETo of Wageningen and Seattle. All other values are plausible choices without a
# published source.
#: Matrices A and B of x(t) = A x(t-1) + B e(t) for (tmax, tmin, radiation) [-].
_LAG: Final = np.array([[0.567, 0.086, -0.002], [0.253, 0.504, -0.050], [-0.006, -0.039, 0.244]])
_NOISE: Final = np.array([[0.781, 0.0, 0.0], [0.328, 0.637, 0.0], [0.238, -0.341, 0.873]])
#: Chance of a wet day after a dry one, over the month's share of wet days [-].
_WET_AFTER_DRY: Final = 0.75
#: Scale of the gamma distribution of rain from the mean rain of a wet day [mm, -].
_GAMMA_INTERCEPT: Final = -2.16
_GAMMA_SLOPE: Final = 1.83
#: Standard deviation of the daily mean temperature about its normal, mean of the year [°C]; by how
#: much that is larger in midwinter and smaller in midsummer, as a share [-].
_TEMPERATURE_SD: Final = 2.8
_WINTER_SD: Final = 0.4
#: Standard deviation of the logarithms of the daily temperature range and of the wind speed [-].
_RANGE_LOG_SD: Final = 0.18
_WIND_LOG_SD: Final = 0.35
#: Temperature range and radiation on wet days over those on dry days [-].
_WET_RANGE: Final = 0.75
_WET_RADIATION: Final = 0.6
#: Highest and lowest radiation over the extraterrestrial one [-].
_CLEAR_SKY: Final = 0.78
_OVERCAST: Final = 0.05
#: How little the radiation of dry and of wet days varies (a + b of the beta distribution) [-].
_DRY_CONCENTRATION: Final = 8.0
_WET_CONCENTRATION: Final = 5.0
#: Standard deviation of what a whole month deviates by, beyond what its days do by themselves:
#: temperature [°C], and radiation and rain as shares [-].
_MONTH_TEMPERATURE: Final = 1.0
_MONTH_RADIATION: Final = 0.09
_MONTH_RAIN: Final = 0.12
#: Correlation of the three (rain the other way), and how much the next month keeps of it [-].
_MONTH_TOGETHER: Final = 0.7
_MONTH_LAG: Final = 0.6


@dataclass(frozen=True)
class _Days:
    """The days to be generated: month 0..11, row 0..364 of the calendar year, wet or dry."""

    dates: pd.DatetimeIndex
    month: Ints
    row: Ints
    wet: Flags


def daily_from_normals(
    normals: pd.DataFrame,
    *,
    years: int,
    first_year: int,
    seed: int,
    latitude: float,
    wet_day_mm: float = 0.0,
    month_scale: float = 1.0,
) -> pd.DataFrame:
    """Return daily weather whose long-run monthly means and wet days are the given normals.

    normals: January first. Columns rain_mm [mm per month], wet_days [d per month], tmin_c,
    tmax_c [°C], where known rs_mj_m2 [MJ m⁻² d⁻¹], wind_m_s (at 2 m) [m/s], and rh_mean [%] or
    tdew_c [°C]; latitude: north positive [deg]; wet_day_mm: least rain of a day that the
    normals count as wet [mm]; month_scale: how far whole months deviate, over what is usual.
    Result: columns date (datetime64), tmin_c, tmax_c [°C], rain_mm [mm], rs_mj_m2 [MJ m⁻² d⁻¹],
    ea_kpa [kPa], wind_m_s (at 2 m) [m/s]; one row per day, leap days included. The last three
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
    days = _wet_and_dry(table, years=years, first_year=first_year, rng=rng)
    x = _residuals(days.dates.size, rng)
    whole = month_scale * _months_of_days(days, np.random.default_rng([seed, 11]))
    tmin, tmax = _temperatures(table, days, x, latitude=latitude)
    # A sunny month is warm, of wide daily range, and its air only half as much moister.
    wider = _MONTH_RADIATION * whole[1] * (tmax - tmin) / 2.0
    warmer = _MONTH_TEMPERATURE * whole[0]
    dawn = tmin + warmer / 2.0
    tmin, tmax = tmin + warmer - wider, tmax + warmer + wider
    rain = _rain(table, days, rng, wet_day_mm=wet_day_mm)
    s = month_scale * np.sqrt(np.log1p(_MONTH_RAIN**2))
    rain = np.where(
        rain > 0, wet_day_mm + (rain - wet_day_mm) * np.exp(s * whole[2] - s**2 / 2), 0.0
    )
    unknown = np.full(tmin.size, np.nan)
    rs, ea, wind = unknown, unknown, unknown
    if "rs_mj_m2" in table:
        rs = _radiation(table, days, (x[:, 2], whole[1]), latitude=latitude)
    if "tdew_c" in table or "rh_mean" in table:
        ea = _vapour_pressure(table, days, dawn, (tmin, tmax))
    if "wind_m_s" in table:
        wind = _wind(table, days, rng)
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
    table: dict[str, Floats],
    *,
    years: int,
    first_year: int,
    rng: np.random.Generator,
) -> _Days:
    """Draw the chain of wet and dry days."""
    dates = pd.date_range(f"{first_year}-01-01", f"{first_year + years - 1}-12-31", freq="D")
    month = dates.month.to_numpy().astype(np.int64) - 1
    start = np.concatenate([[0], np.cumsum(_DAYS)[:-1]]).astype(np.int64)
    day = np.minimum(dates.day.to_numpy(), _DAYS[month].astype(np.int64)) - 1
    share = (table["wet_days"] / _DAYS)[month]
    after_wet, after_dry = _chances(share, np.concatenate([share[:1], share[:-1]]))
    draw = rng.random(dates.size)
    wet = np.zeros(dates.size, dtype=np.bool_)
    previous = bool(rng.random() < share[0])
    for i in range(dates.size):
        previous = bool(draw[i] < (after_wet[i] if previous else after_dry[i]))
        wet[i] = previous
    return _Days(dates, month, start[month] + day, wet)


def _chances(share: Floats, before: Floats) -> tuple[Floats, Floats]:
    """Return the chance of rain after a wet and after a dry day.

    With the shares of wet days of this day and of the day before, they make the chain's own share
    that of the normals on every day: share = before * after_wet + (1 - before) * after_dry.
    """
    dry = _WET_AFTER_DRY * share
    wet = (share - (1.0 - before) * dry) / np.maximum(before, 1e-9)
    after_wet = np.where(before > 0.0, np.clip(wet, 0.0, 1.0), share)
    after_dry = (share - before * after_wet) / np.maximum(1.0 - before, 1e-9)
    return after_wet, np.where(before < 1.0, np.clip(after_dry, 0.0, 1.0), share)


def _residuals(count: int, rng: np.random.Generator) -> Floats:
    """Return correlated standard normal residuals of tmax, tmin and radiation, shape (N, 3)."""
    shocks = rng.standard_normal((count, 3)) @ _NOISE.T
    x = np.empty((count, 3))
    state = rng.standard_normal(3)
    for i in range(count):
        state = _LAG @ state + shocks[i]
        x[i] = state
    return x / np.sqrt(np.diag(_covariance()))


def _months_of_days(days: _Days, rng: np.random.Generator) -> Floats:
    """Return by how much each day's month deviates as a whole: tmean, radiation, rain, (3, N).

    Standard normal, held within two deviations on either side, so that means stay the normals'.
    """
    number = days.dates.year.to_numpy() * _MONTHS + days.month
    first = int(number[0])
    count = int(number[-1]) - first + 1
    r = _MONTH_TOGETHER
    shared, own = rng.standard_normal((1, count)), rng.standard_normal((3, count))
    shocks = np.sqrt(r) * np.array([[1.0], [1.0], [-1.0]]) * shared + np.sqrt(1 - r) * own
    state = np.empty_like(shocks)
    state[:, 0] = shocks[:, 0]
    for month in range(1, count):
        kept = _MONTH_LAG * state[:, month - 1]
        state[:, month] = kept + np.sqrt(1 - _MONTH_LAG**2) * shocks[:, month]
    deviations: Floats = state[:, number - first]
    return np.concatenate([np.clip(deviations[:2], -2.0, 2.0), deviations[2:]])


def _covariance() -> Floats:
    """Return the covariance of the residuals in the long run, C = A C A' + B B'."""
    system = np.eye(_LAG.size) - np.kron(_LAG, _LAG)
    return np.linalg.solve(system, (_NOISE @ _NOISE.T).ravel()).reshape(_LAG.shape)


def _smooth(monthly: Floats, row: Ints) -> Floats:
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
    yearly: Floats = weights @ np.linalg.solve(mean, monthly)
    return yearly[row]


def _wet_dry_mean(mean: Floats, share: Floats, ratio: float) -> tuple[Floats, Floats]:
    """Split a mean into that of wet and of dry days, `ratio` being wet over dry."""
    dry = mean / (1.0 - share * (1.0 - ratio))
    return dry * ratio, dry


def _temperatures(
    table: dict[str, Floats], days: _Days, x: Floats, *, latitude: float
) -> tuple[Floats, Floats]:
    """Return tmin and tmax: normal daily mean, log-normal range that is narrower on wet days."""
    covariance = _covariance()
    rho = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    level = (x[:, 0] + x[:, 1]) / np.sqrt(2.0 * (1.0 + rho))
    spread = (x[:, 0] - x[:, 1]) / np.sqrt(2.0 * (1.0 - rho))
    middle = _smooth((table["tmin_c"] + table["tmax_c"]) / 2.0, days.row)
    wet, dry = _wet_dry_mean(
        table["tmax_c"] - table["tmin_c"], table["wet_days"] / _DAYS, _WET_RANGE
    )
    mean_range = np.where(days.wet, wet[days.month], dry[days.month])
    s = _RANGE_LOG_SD
    half = mean_range * np.exp(s * spread - s**2 / 2.0) / 2.0
    # Winters are more variable than summers: coldest about 15 January (July in the south).
    season = np.cos(2.0 * np.pi * (days.row - 15.0) / _YEAR) * np.sign(latitude)
    mean = middle + _TEMPERATURE_SD * (1.0 + _WINTER_SD * season) * level
    return mean - half, mean + half


def _rain(
    table: dict[str, Floats],
    days: _Days,
    rng: np.random.Generator,
    *,
    wet_day_mm: float,
) -> Floats:
    """Return gamma-distributed rain, above the least of a wet day, on the wet days."""
    share = np.maximum(table["wet_days"], 1e-9)
    per_day = np.maximum(table["rain_mm"] / share - wet_day_mm, 1e-9)
    scale = _GAMMA_INTERCEPT + _GAMMA_SLOPE * per_day
    # The regression is only meant for mean rains above some millimetres: keep the shape usual.
    scale = np.clip(scale, per_day, per_day / 0.4)
    shape = (per_day / scale)[days.month]
    drawn = rng.gamma(shape, scale[days.month])
    return np.where(days.wet & (table["rain_mm"][days.month] > 0.0), wet_day_mm + drawn, 0.0)


def _radiation(
    table: dict[str, Floats],
    days: _Days,
    deviates: tuple[Floats, Floats],
    *,
    latitude: float,
) -> Floats:
    """Return beta-distributed radiation between overcast and clear sky, lower on wet days.

    `deviates` are standard normal, of the days and of whole months, each of shape (N,).
    """
    x, whole = deviates
    year = extraterrestrial_radiation(latitude, np.arange(_YEAR) + 1.0)
    of_month = np.repeat(np.arange(_MONTHS), _DAYS.astype(np.int64))
    outside = np.array([year[of_month == m].mean() for m in range(_MONTHS)])
    low, high = _OVERCAST, _CLEAR_SKY
    share = table["wet_days"] / _DAYS
    mean = np.clip(table["rs_mj_m2"] / np.maximum(outside, 1e-9), low + 0.02, high - 0.02)
    _, dry = _wet_dry_mean(mean, share, _WET_RADIATION)
    dry = np.minimum(dry, high - 0.01)
    wet = np.clip((mean - (1.0 - share) * dry) / np.maximum(share, 1e-9), low + 0.01, high - 0.01)
    clearness = np.where(days.wet, wet[days.month], dry[days.month])
    # A month's deviation stays as far from both bounds as its mean allows, so that it has no bias.
    room = 0.45 * np.minimum(high - clearness, clearness - low)
    clearness = clearness + np.minimum(_MONTH_RADIATION * clearness, room) * whole
    centre = (clearness - low) / (high - low)
    width = np.where(days.wet, _WET_CONCENTRATION, _DRY_CONCENTRATION)
    drawn = scipy.special.betaincinv(centre * width, (1.0 - centre) * width, scipy.special.ndtr(x))
    return np.asarray(year[days.row] * (low + (high - low) * drawn), dtype=np.float64)


def _vapour_pressure(
    table: dict[str, Floats], days: _Days, dew: Floats, extremes: tuple[Floats, Floats]
) -> Floats:
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


def _wind(table: dict[str, Floats], days: _Days, rng: np.random.Generator) -> Floats:
    """Return log-normal wind."""
    s = _WIND_LOG_SD
    factor = np.exp(s * rng.standard_normal(days.dates.size) - s**2 / 2.0)
    return table["wind_m_s"][days.month] * factor


#: Every column of a table of normals but the month: means over many years.
NORMALS_COLUMNS: Final = {
    "rain_mm": Column("mm per month", 0.0, 3000.0, "Where it is inches, name the column rain_in."),
    "wet_days": Column("days per month", 0.0, 31.0, "Give the mean number of days with rain."),
    "tmin_c": Column("°C", -60.0, 45.0, "Where it is Fahrenheit, name the column tmin_f."),
    "tmax_c": Column("°C", -60.0, 55.0, "Where it is Fahrenheit, name the column tmax_f."),
    "rs_mj_m2": Column("MJ/m2 per day", 0.0, 40.0, "Or name it rs_w_m2 or rs_kwh_m2."),
    "rh_mean": Column("%", 1.0, 100.0, "A fraction must be multiplied by 100."),
    "tdew_c": Column("°C", -60.0, 40.0, "Where it is Fahrenheit, name the column tdew_f."),
    "wind_m_s": Column(
        "m/s", 0.0, 30.0, "Where it is another unit, name it wind_km_h or wind_mph."
    ),
    "wind_height_m": Column("m", 0.5, 200.0),
}
_REQUIRED: Final = ("month", "rain_mm", "wet_days", "tmin_c", "tmax_c")
_WIND_HEIGHT: Final = 2.0
_WORDS: Final = {"rs_mj_m2": "radiation", "ea_kpa": "humidity", "wind_2m_m_s": "wind"}


def read_normals_table(path: Path | str) -> tuple[pd.DataFrame, list[str]]:
    """Read a table of twelve monthly normals.

    Columns month (1 to 12, or its English name), rain_mm, wet_days, tmin_c and tmax_c are required;
    rs_mj_m2, rh_mean or tdew_c, and wind_m_s with wind_height_m are used when they are there.
    Headers that carry another unit (tmin_f, rain_in ...) are converted.

    Result: index month 1 to 12; the columns that are there, in our units; columns that are not
    used.
    """
    path = Path(path)
    rows = read_rows(path)
    header = [cell.strip().lower() for cell in rows[0][1]]
    places, faults, warnings = find_columns(path.name, header, NORMALS_COLUMNS, _REQUIRED)
    ledger = Ledger(path.name)
    body = full_rows(rows[1:], len(header), ledger)
    months = _months(body, places, ledger)
    values = {
        name: read_numbers(body, place, NORMALS_COLUMNS[name], ledger)
        for name, place in places.items()
        if name != "month"
    }
    absent = [calendar.month_abbr[m] for m in range(1, _MONTHS + 1) if m not in months]
    if "month" in places and absent and not ledger.lines:
        found = f"no row for {', '.join(absent)}"
        ledger.add(1, "month", found, "12 rows, one for each month", "Add the months.")
    faults += ledger.faults()
    if faults:
        raise InputError(faults)
    normals = pd.DataFrame(values, pd.Index(months, name="month"))
    return normals.sort_index(), warnings


def _months(body: Sequence[Row], places: dict[str, Place], ledger: Ledger) -> list[int]:
    """Read the months; 0 where one is wrong."""
    if "month" not in places:
        return [0] * len(body)
    words = {name.lower(): m for m, name in enumerate(calendar.month_name) if m}
    words |= {name.lower(): m for m, name in enumerate(calendar.month_abbr) if m}
    words |= {text: m for m in range(1, _MONTHS + 1) for text in (str(m), f"{m:02d}")}
    months: list[int] = []
    for line, cells in body:
        month = words.get(cells[places["month"].position].strip().lower(), 0)
        if not month:
            ledger.add(line, "month", "no month", "1 to 12, or Jan to Dec", "Leave other rows out.")
        elif month in months:
            ledger.add(line, "month", "a month given before", "each month once", "Keep one row.")
        months.append(month)
    return months


def read_normals(path: Path, options: WeatherOptions) -> Climate:
    """Turn twelve monthly normals into many years of daily weather.

    options: `years`, `first_year`, `seed`, `wet_day_mm`, `latitude`, `wind_height_m` where the
    table has no column of it. Result: generated days; radiation, humidity and wind are NaN where
    the normals do not have them.
    """
    normals, warnings = read_normals_table(path)
    file = path.name
    if math.isnan(options.latitude):
        found, mend = "no latitude of the property", "Mend its layers first; nothing is wrong here."
        raise InputError([Fault(file, found, "normals of a known place", mend)])
    if "wind_m_s" in normals:
        height = normals.get("wind_height_m", pd.Series(np.nan, normals.index))
        if options.wind_height_m is None and height.isna().any():
            taken = options.height(_WIND_HEIGHT)
            warnings.append(f"{file}: height of the wind measurement not given: taken as {taken}.")
        height = height.fillna(options.wind_height_m or _WIND_HEIGHT)
        normals = normals.assign(wind_m_s=wind_at_2m(normals["wind_m_s"], height))
    try:
        made = daily_from_normals(
            normals.drop(columns="wind_height_m", errors="ignore"),
            years=options.years,
            first_year=options.first_year,
            seed=options.seed,
            latitude=options.latitude,
            wet_day_mm=options.wet_day_mm,
        )
    except InputError as error:
        raise InputError([replace(fault, file=file) for fault in error.faults]) from None
    made = made.rename(columns={"wind_m_s": "wind_2m_m_s"})
    columns = {str(n): made[n].to_numpy(dtype=np.float64) for n in made if n != "date"}
    daily = day_frame(made["date"].to_numpy(), columns)
    least = (
        f"at least {options.wet_day_mm:g} mm ({options.wet_day_mm / 25.4:.2g} in)"
        if options.wet_day_mm
        else "any rain at all"
    )
    warnings.append(
        f"{file}: {options.years} years of days generated from twelve normals (seed "
        f"{options.seed}); none was measured, and they differ from each other only about as real "
        f"years do. A wet day is one with {least} (wet_day_mm)."
    )
    missing = [word for name, word in _WORDS.items() if daily[name].isna().all()]
    if missing:
        warnings.append(f"{file}: the normals say nothing of {', '.join(missing)}.")
    return finish_record(daily, file=file, options=options, warnings=warnings)


#: Stand-in for the normals of a place of which nothing but the latitude is known. Temperature of
#: land near the sea's level: mean of the year at the equator, its fall with the square of the
#: latitude, swing of the year by degree of latitude north and south, fall with height [°C, °C/deg²,
#: °C/deg, °C/m]; half of the daily range [°C]; rain of each month, of a dry country, and of a wet
#: day [mm]. Plausible choices without a published source; how far off they are is held against the
#: records at hand in the tests.
_EQUATOR, _FALL, _SWING, _LAPSE = 27.5, 0.0075, (0.27, 0.18), 0.0065
_HALF_RANGE, _DRY_RAIN, _WET_DAY = 5.5, 30.0, 7.0
#: Middle of the warmest month, as months after January's, north and south.
_WARMEST: Final = (6.3, 0.3)


def stand_in_normals(latitude: float, elevation_m: float) -> pd.DataFrame:
    """Return twelve normals that a latitude and a height alone suggest, dry on purpose.

    Result: as for `daily_from_normals`. A dry month asks more of the watering than a wet one, and a
    sensor that was sited for it is not lost where it rains more.
    """
    south = int(latitude < 0)
    mean = _EQUATOR - _FALL * latitude**2 - _LAPSE * elevation_m
    turn = 2 * np.pi * (np.arange(_MONTHS) - _WARMEST[south]) / _MONTHS
    middle = mean + _SWING[south] * abs(latitude) * np.cos(turn)
    return pd.DataFrame(
        {
            "rain_mm": _DRY_RAIN,
            "wet_days": _DRY_RAIN / _WET_DAY,
            "tmin_c": middle - _HALF_RANGE,
            "tmax_c": middle + _HALF_RANGE,
        },
        index=pd.RangeIndex(1, _MONTHS + 1, name="month"),
    )


def _stand_in(_path: Path, options: WeatherOptions) -> Climate:
    """Return generated days of a place of which only latitude and height are known."""
    if math.isnan(options.latitude):
        found, mend = "no latitude of the property", "Mend its layers first; nothing is wrong here."
        raise InputError([Fault("weather", found, "a known place", mend)])
    height = options.elevation_m or 0.0
    made = daily_from_normals(
        stand_in_normals(options.latitude, height),
        years=options.years,
        first_year=options.first_year,
        seed=options.seed,
        latitude=options.latitude,
    ).rename(columns={"wind_m_s": "wind_2m_m_s"})
    columns = {str(n): made[n].to_numpy(dtype=np.float64) for n in made if n != "date"}
    daily = day_frame(made["date"].to_numpy(), columns)
    note = (
        "no weather was given: by latitude and height alone, "
        f"{options.years} dry years were generated ({_DRY_RAIN:g} mm or "
        f"{_DRY_RAIN / 25.4:.1f} in of rain each month). At places with a record the demand of a "
        "season came out between a fifth less and a half more than theirs, and rain anything "
        "between a quarter and three times as much. Twelve months from an almanac, or days, are "
        "the first thing to add"
    )
    return finish_record(
        daily, file=STAND_IN, options=replace(options, elevation_m=height), warnings=[note]
    )


def read_plugged(reader: Extension, path: Path, options: WeatherOptions) -> Climate:
    """Read weather with another package's reader.

    Result: its table, written as siting's daily file and read again, so that every check of that
    file holds; a warning names the package.
    """
    try:
        table = reader.call(path, options)
    except ExtensionError as error:
        mend = f"Tell the makers of {reader.package}, or give the weather in another format."
        raise InputError([Fault(path.name, str(error), "a reader that works", mend)]) from error
    if not isinstance(table, pd.DataFrame):
        found = f"{reader} returned {type(table).__name__}"
        mend = f"Tell the makers of {reader.package}."
        raise InputError([Fault(path.name, found, "a DataFrame of daily weather", mend)])
    table = table if "date" in table.columns else table.rename_axis("date").reset_index()
    with tempfile.TemporaryDirectory() as folder:
        # The name of the user's file, for messages.
        copy = Path(folder) / path.with_suffix(".csv").name
        table.to_csv(copy, index=False, date_format="%Y-%m-%d", lineterminator="\n")
        climate = read_daily_csv(copy, options=options)
    note = f"{path.name}: read by {reader}."
    return Climate(climate.daily, climate.elevation_m, path.name, (note, *climate.warnings))


Reader = Callable[[Path, WeatherOptions], Climate]


def _daily(path: Path, options: WeatherOptions) -> Climate:
    return read_daily_csv(path, options=options)


#: Format, as in the key `format` under [weather] -> its reader.
READERS: Final[Mapping[str, Reader]] = {
    "daily": _daily,
    "ghcn": read_ghcn,
    **{kind: partial(read_typical, kind=kind) for kind in TYPICAL_FORMATS},
    "crn": read_crn,
    "normals": read_normals,
    STAND_IN: _stand_in,
}


def read_weather(
    path: Path | str, *, kind: str | None = None, options: WeatherOptions | None = None
) -> Climate:
    """Read weather of any format.

    Parameters
    ----------
    path : Path or str
        The file.
    kind : str, optional
        One of `READERS`, or a format that an installed package brings (see `siting.extensions`);
        told from the first lines when not given, and then said in the warnings unless it is
        siting's own daily layout. "stand_in" reads no file: weather by latitude and height alone.
    options : WeatherOptions, optional
        What the readers are told besides the file.

    Returns
    -------
    Climate
        Checked daily weather.

    Raises
    ------
    InputError
        With every fault of the file; when the format is unknown or cannot be told.
    """
    path, options = Path(path), options or WeatherOptions()
    if kind == STAND_IN:
        return _stand_in(path, options)
    notes: tuple[str, ...] = ()
    check_size(path, "station_mb")
    refuse_bytes(path)
    if kind is None:
        kind, why = sniff_format(path)
        if kind != "daily":
            notes = (f"{path.name}: read as {FORMATS[kind]}, because {why} (format is not given).",)
    reader, plugged = READERS.get(kind), find_extension("siting.readers", kind)
    if reader is None and plugged is not None:
        reader = partial(read_plugged, plugged)
    if reader is None:
        mend = "Correct format under [weather]."
        raise InputError([Fault(path.name, f'format "{kind}"', ", ".join(READERS), mend)])
    if kind != "ghcn":
        check_size(path, "weather_mb")
    climate = reader(path, options)
    return replace(climate, warnings=(*notes, *climate.warnings))


_POWER_FIRST: Final = dt.date(2001, 1, 1)
_HOURS: Final = 24.0
_DEGREES_PER_HOUR: Final = 15.0
#: Parameter -> our column of hours, and unit -> factor to ours.
_POWER: Final[Mapping[str, tuple[str, Mapping[str, float]]]] = {
    "ALLSKY_SFC_SW_DWN": ("ghi", {"Wh/m^2": 1.0, "W/m^2": 1.0}),
    "ALLSKY_SFC_SW_DIFF": ("dhi", {"Wh/m^2": 1.0, "W/m^2": 1.0}),
    "T2M": ("temp_air", {"C": 1.0}),
    "T2MDEW": ("temp_dew", {"C": 1.0}),
    "WS2M": ("wind_speed", {"m/s": 1.0}),
    "PRECTOTCORR": ("rain", {"mm/hour": 1.0, "mm/day": 1 / _HOURS}),
}
#: pvlib's names for them.
_PVLIB: Final = {
    "ALLSKY_SFC_SW_DWN": "ghi",
    "ALLSKY_SFC_SW_DIFF": "dhi",
    "T2M": "temp_air",
    "T2MDEW": "temp_dew",
    "WS2M": "wind_speed_2m",
}
_DIGITS: Final = {
    "tmin_c": 2, "tmax_c": 2, "rain_mm": 2, "rs_mj_m2": 3, "ea_kpa": 3, "wind_m_s": 2,
    "wind_height_m": 0, "diffuse_fraction": 3,
}  # fmt: skip
_MALFORMED: Final = (AttributeError, LookupError, TypeError, ValueError)


#: Days by date in siting's daily layout; height of the source's grid cell above the sea, NaN when
#: it does not say it [m]; whom to name for the data.
_Fetched = tuple[pd.DataFrame, float, str]


def _power(latitude: float, longitude: float, first: dt.date, last: dt.date) -> _Fetched:
    """Fetch hours of NASA POWER, year by year, and aggregate them to days of the place."""
    from pvlib import iotools  # noqa: PLC0415 - takes a second to import

    one = dt.timedelta(days=1)
    start, end = max(first - one, _POWER_FIRST), last + one
    parts = []
    meta: dict[str, Any] = {}
    for year in range(start.year, end.year + 1):
        data, meta = iotools.get_nasa_power(
            latitude=latitude,
            longitude=longitude,
            start=max(start, dt.date(year, 1, 1)),
            end=min(end, dt.date(year, 12, 31)),
            parameters=list(_POWER),
            community="re",
            map_variables=True,
        )
        parts.append(data)
    raw = pd.concat(parts)
    raw = raw[~raw.index.duplicated()]
    hours = pd.DataFrame(index=raw.index)
    for name, (column, units) in _POWER.items():
        unit = meta["parameters"][name]["units"]
        if unit not in units:
            message = f"{name} in the unit {unit}"
            raise ValueError(message)
        hours[column] = raw[_PVLIB.get(name, name)].astype(float) * units[unit]
    # Days of the place, by its longitude: UTC would cut afternoons in two.
    shift = pd.Timedelta(hours=round(longitude / _DEGREES_PER_HOUR))
    hours = hours.set_axis(pd.DatetimeIndex(hours.index).tz_localize(None) + shift)
    days = days_of_hours(hours)
    days = days[days["hours"] >= _HOURS].drop(columns="hours")
    credit = "NASA Langley Research Center POWER Project"
    return days.assign(wind_height_m=2.0), float(meta["altitude"]), credit


def _prism(latitude: float, longitude: float, first: dt.date, last: dt.date) -> _Fetched:
    """Fetch days of PRISM through the Applied Climate Information System (United States)."""
    from pvlib import iotools  # noqa: PLC0415 - takes a second to import

    data, meta = iotools.get_acis_prism(latitude, longitude, first, last)
    days = pd.DataFrame(
        {
            "tmin_c": data["temp_air_min"],
            "tmax_c": data["temp_air_max"],
            "rain_mm": data["precipitation"],
        }
    ).astype(float)
    height = float(meta.get("altitude", float("nan")))
    return days, height, "PRISM Climate Group, Oregon State University, by ACIS"


#: Source -> what fetches it.
SOURCES: Final[Mapping[str, Callable[[float, float, dt.date, dt.date], _Fetched]]] = {
    "nasa_power": _power,
    "acis_prism": _prism,
}


def fetch_daily(
    source: str, *, latitude: float, longitude: float, first: dt.date, last: dt.date
) -> _Fetched:
    """Fetch daily weather from a public source; this needs a network.

    source {"nasa_power", "acis_prism"}: NASA POWER: the whole world, hours since 2001 aggregated to
    days of the place, with the split of the radiation. PRISM through ACIS: the United States, rain
    and temperatures; latitude, longitude: north and east positive [deg]. Result: the days in
    siting's daily layout, unknown values NaN.
    """
    fetcher = SOURCES.get(source)
    if fetcher is None or first > last:
        found = f'the source "{source}"' if fetcher is None else f"{first} after {last}"
        mend = "Correct the keys under [weather]."
        raise InputError([Fault("weather", found, ", ".join(SOURCES), mend, column="fetch")])
    mend = "Try again later, or give a weather file."
    try:
        # The errors of the network are kinds of OSError.
        daily, elevation_m, credit = fetcher(latitude, longitude, first, last)
    except OSError as error:
        found = f"no answer from {source} ({type(error).__name__}: {str(error)[:120]})"
        raise InputError([Fault("weather", found, "an answer", mend, column="fetch")]) from None
    except _MALFORMED as error:
        found = f"an answer of {source} in another form ({type(error).__name__}: {error})"
        fault = Fault("weather", found, "the documented form", mend, column="fetch")
        raise InputError([fault]) from None
    index = pd.DatetimeIndex(daily.index, name="date")
    daily = daily.set_axis(index).sort_index().loc[str(first) : str(last)]
    if daily.empty:
        fault = Fault("weather", f"no days from {source}", "days of weather", mend, column="fetch")
        raise InputError([fault])
    columns = [name for name in _DIGITS if name in daily and daily[name].notna().any()]
    return daily[columns], elevation_m, credit


def fetch_weather(
    path: Path | str,
    source: str,
    *,
    latitude: float,
    longitude: float,
    first_year: int,
    years: int,
) -> str:
    """Fetch whole years and keep them as a daily file; a file that is there is never replaced.

    Parameters
    ----------
    path : Path or str
        The CSV file to write.
    source : str
        See `fetch_daily`.
    latitude, longitude : float
        North and east positive [deg].
    first_year, years : int
        The first calendar year, and how many.

    Returns
    -------
    str
        What was fetched, in words, with credit.

    Raises
    ------
    InputError
        As `fetch_daily`; when the file is there or cannot be written.
    """
    path = Path(path)
    if path.exists():
        fault = Fault(path.name, "a file of this name", "no such file yet", "Move it away first.")
        raise InputError([fault])
    first, last = dt.date(first_year, 1, 1), dt.date(first_year + years - 1, 12, 31)
    place = {"latitude": latitude, "longitude": longitude}
    daily, elevation_m, credit = fetch_daily(source, **place, first=first, last=last)
    try:
        _write(path, daily)
    except OSError as error:
        found = f"a file that cannot be written ({error.strerror or error})"
        raise InputError(
            [Fault(path.name, found, "a folder you may write", "Choose another.")]
        ) from None
    return (
        f"{path.name}: {len(daily):,} days fetched from {source} for {latitude:.3f}, "
        f"{longitude:.3f} (height of the grid cell {elevation_m:,.0f} m). "
        f"Data: {credit}."
    )


def _write(path: Path, daily: pd.DataFrame) -> None:
    """Write beside the path first, so that a failure leaves no half of a file."""
    text = daily.round(_DIGITS).to_csv(date_format="%Y-%m-%d", lineterminator="\n")
    handle, beside = tempfile.mkstemp(prefix=".siting-", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        Path(beside).replace(path)
    except OSError:
        Path(beside).unlink(missing_ok=True)
        raise
