"""Daily weather files in siting's own layout, and daily rain alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from siting.arrays import Floats
from siting.climate.air import (
    saturation_vapour_pressure,
    vapour_pressure_from_humidity,
    vapour_pressure_from_humidity_range,
    wind_at_2m,
)
from siting.climate.model import Climate, WeatherOptions
from siting.climate.record import day_frame, finish_record, limit_to_saturation
from siting.climate.tables import RawTable, read_table
from siting.errors import Fault, InputError

_DEFAULT_WIND_HEIGHT: Final = 2.0
_ENOUGH: Final = 10


def read_daily_csv(
    path: Path | str, *, elevation_m: float | None = None, options: WeatherOptions | None = None
) -> Climate:
    """Read a daily weather file.

    Columns date (YYYY-MM-DD), tmin_c, tmax_c and rain_mm are required; rs_mj_m2, humidity (ea_kpa,
    tdew_c, rh_min and rh_max, or rh_mean: the first of these that is there), wind_m_s with
    wind_height_m (2 m when not given) and diffuse_fraction are used when they are there. Headers
    that carry another unit (tmin_f, tmax_f, rain_in, wind_mph ...) are converted.

    Gaps of up to five days are filled: temperatures, radiation, humidity and wind linearly, rain
    with 0. Days in longer gaps of temperature or rain are left out; in longer gaps of the others
    the value stays unknown.

    elevation_m: height of the station above the sea, goes before that of `options` [m]. Result:
    sorted, unique days; `warnings` counts everything that was filled, dropped or assumed.

    FAO-56 chapter 3 for vapour pressure (Eqs 14, 17, 19) and wind profile (Eq. 47).
    """
    path, options = Path(path), options or WeatherOptions()
    if elevation_m is not None:
        options = replace(options, elevation_m=elevation_m)
    raw = read_table(path, today=options.today)
    warnings = list(raw.warnings)
    _refuse_fractions(raw, path.name)
    columns = raw.columns | {
        "ea_kpa": _vapour_pressure(raw, path.name, warnings),
        "wind_2m_m_s": _wind(raw, path.name, options, warnings),
    }
    daily = day_frame(raw.dates, columns)
    return finish_record(daily, file=path.name, options=options, warnings=warnings)


def read_daily_rain(path: Path | str, *, options: WeatherOptions) -> tuple[pd.Series, list[str]]:
    """Read the rain of a daily file in siting's own layout; other columns are not used.

    Result: sorted days, NaN where a cell is empty [mm]; what was dropped or assumed.
    """
    path = Path(path)
    raw = read_table(path, required=("rain_mm",), today=options.today)
    index = pd.DatetimeIndex(raw.dates.astype("datetime64[ns]"), name="date")
    rain = pd.Series(raw.columns["rain_mm"], index, name="rain_mm")
    return rain.sort_index(), list(raw.warnings)


def _column(raw: RawTable, name: str) -> Floats:
    """Return a column, or all NaN when the file does not have it."""
    return raw.columns.get(name, np.full(raw.dates.size, np.nan))


def _refuse_fractions(raw: RawTable, file: str) -> None:
    """Refuse relative humidity that never exceeds 1."""
    faults = []
    for name in ("rh_mean", "rh_min", "rh_max"):
        values = raw.columns.get(name, np.zeros(0))
        known = values[np.isfinite(values)]
        if known.size >= _ENOUGH and 0.0 < known.max() <= 1.0:
            found = f"values up to {known.max():g}, as if they were fractions"
            mend = "Multiply them by 100."
            faults.append(Fault(file, found, "0 to 100 %", mend, column=name))
    if faults:
        raise InputError(faults)


def _vapour_pressure(raw: RawTable, file: str, warnings: list[str]) -> Floats:
    """Return the vapour pressure from the best humidity column, at most that of saturation."""
    tmin, tmax = raw.columns["tmin_c"], raw.columns["tmax_c"]
    have = raw.columns.keys()
    if "ea_kpa" in have:
        used, vapour = "ea_kpa", raw.columns["ea_kpa"]
    elif "tdew_c" in have:
        used, vapour = "tdew_c", saturation_vapour_pressure(raw.columns["tdew_c"])
    elif {"rh_min", "rh_max"} <= have:
        low, high = raw.columns["rh_min"], raw.columns["rh_max"]
        used, vapour = "rh_min rh_max", vapour_pressure_from_humidity_range(low, high, tmin, tmax)
    elif "rh_mean" in have:
        used = "rh_mean"
        vapour = vapour_pressure_from_humidity(raw.columns["rh_mean"], tmin, tmax)
    else:
        used, vapour = "", np.full(raw.dates.size, np.nan)
    spare = [
        c for c in ("ea_kpa", "tdew_c", "rh_min", "rh_max", "rh_mean")
        if c in have and c not in used.split()
    ]  # fmt: skip
    if spare:
        because = f"because {used.replace(' ', ' and ')} says it already" if used else "alone"
        warnings.append(f"{file}: humidity columns not used {because}: {', '.join(spare)}.")
    return limit_to_saturation(vapour, tmin, tmax, file=file, column=used, warnings=warnings)


def _wind(raw: RawTable, file: str, options: WeatherOptions, warnings: list[str]) -> Floats:
    """Return the wind at 2 m."""
    stated = options.wind_height_m
    if "wind_m_s" not in raw.columns:
        if "wind_height_m" in raw.columns:
            warnings.append(f"{file}: wind_height_m is not used, because there is no wind_m_s.")
        return np.full(raw.dates.size, np.nan)
    wind, height = raw.columns["wind_m_s"], _column(raw, "wind_height_m")
    unknown = np.isnan(height)
    if stated is None and (unknown & ~np.isnan(wind)).any():
        taken = options.height(_DEFAULT_WIND_HEIGHT)
        warnings.append(f"{file}: height of the wind measurement not given: taken as {taken}.")
    return wind_at_2m(wind, np.where(unknown, stated or _DEFAULT_WIND_HEIGHT, height))
