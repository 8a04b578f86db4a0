"""Daily weather files: read, checked, and their short gaps filled."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.climate.air import (
    mean_saturation_vapour_pressure,
    saturation_vapour_pressure,
    vapour_pressure_from_humidity,
    vapour_pressure_from_humidity_range,
    wind_at_2m,
)
from siting.climate.csvtable import RawTable, read_table
from siting.climate.model import Climate

__all__ = ["LONGEST_FILLED_GAP", "read_daily_csv"]

_Array = NDArray[np.float64]

#: Gaps of up to so many days are filled; common practice, no published source.
LONGEST_FILLED_GAP: Final = 5
_DEFAULT_WIND_HEIGHT: Final = 2.0
_ALWAYS: Final = ("tmin_c", "tmax_c", "rain_mm")
_WORDS: Final = {
    "tmin_c": "lowest temperature",
    "tmax_c": "highest temperature",
    "rain_mm": "rain (taken as 0)",
    "rs_mj_m2": "radiation",
    "ea_kpa": "humidity",
    "wind_2m_m_s": "wind",
}
_RAINIEST_YEAR_MM: Final = 5000.0
_YEAR: Final = 365


def read_daily_csv(path: Path | str, *, elevation_m: float) -> Climate:
    """Read a daily weather file.

    Columns date (YYYY-MM-DD), tmin_c, tmax_c and rain_mm are required; rs_mj_m2, humidity (ea_kpa,
    tdew_c, rh_min and rh_max, or rh_mean: the first of these that is there) and wind_m_s with
    wind_height_m (2 m when not given) are used when they are there.

    Gaps of up to five days are filled: temperatures, radiation, humidity and wind linearly, rain
    with 0. Days in longer gaps of temperature or rain are left out; in longer gaps of the others
    the value stays unknown.

    Parameters
    ----------
    path : Path or str
        CSV file, UTF-8.
    elevation_m : float
        Height of the station above the sea [m].

    Returns
    -------
    Climate
        Sorted, unique days; `warnings` counts everything that was filled, dropped or assumed.

    Raises
    ------
    InputError
        With every fault of the file, grouped by kind, with line numbers.

    References
    ----------
    FAO-56 chapter 3 for vapour pressure (Eqs 14, 17, 19) and wind profile (Eq. 47).
    """
    path = Path(path)
    raw = read_table(path)
    warnings = list(raw.warnings)
    daily = pd.DataFrame(
        {
            "tmin_c": raw.columns["tmin_c"],
            "tmax_c": raw.columns["tmax_c"],
            "rain_mm": raw.columns["rain_mm"],
            "rs_mj_m2": _column(raw, "rs_mj_m2"),
            "ea_kpa": _vapour_pressure(raw, path.name, warnings),
            "wind_2m_m_s": _wind(raw, path.name, warnings),
        },
        index=pd.DatetimeIndex(raw.dates.astype("datetime64[ns]"), name="date"),
    )
    if not daily.index.is_monotonic_increasing:
        warnings.append(f"{path.name}: the days were not in order of time; they were sorted.")
        daily = daily.sort_index()
    daily = _fill(daily, path.name, warnings)
    _check_rain(daily, path.name, warnings)
    return Climate(daily, float(elevation_m), path.name, tuple(warnings))


def _column(raw: RawTable, name: str) -> _Array:
    """Return a column, or all NaN when the file does not have it."""
    return raw.columns.get(name, np.full(raw.dates.size, np.nan))


def _count(number: int, noun: str) -> str:
    """Return "1 day" or "3 days"."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def _vapour_pressure(raw: RawTable, file: str, warnings: list[str]) -> _Array:
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
    limit = mean_saturation_vapour_pressure(tmin, tmax)
    above = int((vapour > limit).sum())
    if above:
        warnings.append(f"{file}: vapour pressure lowered to saturation on {_count(above, 'day')}.")
    return np.where(vapour > limit, limit, vapour)


def _wind(raw: RawTable, file: str, warnings: list[str]) -> _Array:
    """Return the wind at 2 m."""
    if "wind_m_s" not in raw.columns:
        if "wind_height_m" in raw.columns:
            warnings.append(f"{file}: wind_height_m is not used, because there is no wind_m_s.")
        return np.full(raw.dates.size, np.nan)
    wind, height = raw.columns["wind_m_s"], _column(raw, "wind_height_m")
    unknown = np.isnan(height)
    if (unknown & ~np.isnan(wind)).any():
        warnings.append(f"{file}: height of the wind measurement not given: taken as 2 m.")
    return wind_at_2m(wind, np.where(unknown, _DEFAULT_WIND_HEIGHT, height))


def _runs(missing: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Yield start and stop of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], missing, [False]]).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _fill(daily: pd.DataFrame, file: str, warnings: list[str]) -> pd.DataFrame:
    """Fill short gaps, leave out the days of long ones, and say so."""
    full = daily.reindex(pd.date_range(daily.index[0], daily.index[-1], freq="D", name="date"))
    full.index = full.index.as_unit("ns")  # type: ignore[attr-defined]
    filled: list[str] = []
    for column in full.columns:
        values = full[column].to_numpy(dtype=np.float64, copy=True)
        number = _fill_column(values, zero=column == "rain_mm")
        full[column] = values
        if number:
            filled.append(f"{_WORDS[str(column)]} on {_count(number, 'day')}")
    if filled:
        warnings.append(
            f"{file}: gaps of up to {LONGEST_FILLED_GAP} days filled: {', '.join(filled)}."
        )
    absent = full[list(_ALWAYS)].isna().any(axis=1).to_numpy()
    for start, stop in _runs(absent):
        first, last = full.index[start], full.index[stop - 1]
        warnings.append(
            f"{file}: {_count(stop - start, 'day')} missing, {first:%Y-%m-%d} to {last:%Y-%m-%d}: "
            "seasons that touch them are left out."
        )
    kept = full[~absent]
    for column in ("rs_mj_m2", "ea_kpa", "wind_2m_m_s"):
        unknown = int(kept[column].isna().sum())
        if 0 < unknown < len(kept):
            warnings.append(f"{file}: {_WORDS[column]} unknown on {_count(unknown, 'day')}.")
    return kept


def _fill_column(values: _Array, *, zero: bool) -> int:
    """Fill the short inner gaps of a column in place; return the number of days filled."""
    number = 0
    for start, stop in _runs(np.isnan(values)):
        inner = start > 0 and stop < values.size
        if inner and stop - start <= LONGEST_FILLED_GAP:
            ends = (0.0, 0.0) if zero else (values[start - 1], values[stop])
            values[start:stop] = np.interp(np.arange(start, stop), [start - 1, stop], ends)
            number += stop - start
    return number


def _check_rain(daily: pd.DataFrame, file: str, warnings: list[str]) -> None:
    """Warn about rain sums that no place has."""
    if len(daily) < _YEAR:
        return
    yearly = float(daily["rain_mm"].mean()) * _YEAR
    if yearly > _RAINIEST_YEAR_MM:
        warnings.append(f"{file}: {yearly:,.0f} mm of rain in a year: is the unit of rain_mm mm?")
    elif yearly == 0.0:
        warnings.append(f"{file}: there is no rain at all; the plan will count on none.")
