"""From the days of any source to a checked record: order, gaps, plausibility."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.climate.air import mean_saturation_vapour_pressure
from siting.climate.model import Climate
from siting.climate.options import WeatherOptions
from siting.climate.suspicion import clear_impossible_radiation, question_units
from siting.errors import Fault, InputError
from siting.units import FOOT_M

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "LONGEST_FILLED_GAP",
    "count_of",
    "day_frame",
    "finish_record",
    "known_height",
    "limit_to_saturation",
    "station_distance_km",
]

_Array = NDArray[np.float64]

_MILE_M: Final = 5280 * FOOT_M
#: Gaps of up to so many days are filled; common practice, no published source.
LONGEST_FILLED_GAP: Final = 5
_ALWAYS: Final = ("tmin_c", "tmax_c", "rain_mm")
_SOMETIMES: Final = ("rs_mj_m2", "ea_kpa", "wind_2m_m_s")
_WORDS: Final = {
    "tmin_c": "lowest temperature",
    "tmax_c": "highest temperature",
    "rain_mm": "rain (taken as 0)",
    "rs_mj_m2": "radiation",
    "ea_kpa": "humidity",
    "wind_2m_m_s": "wind",
    "diffuse_fraction": "share of diffuse radiation",
}
#: Worth a note: so few days, a record that ends before that year, so many days alike.
_ONE_YEAR: Final = 380
_OLD: Final = 1950
_STILL: Final = 12
#: Of fewer days than a season has nothing is said: no plan can be made from them.
_SOME: Final = 200
_RAINIEST_YEAR_MM: Final = 5000.0
_YEAR: Final = 365
_ENOUGH: Final = 10
_EARTH_KM: Final = 6371.0
_FAR_KM: Final = 50.0
_OTHER_HEIGHT_M: Final = 100.0


def count_of(number: int, noun: str) -> str:
    """Return a number with its noun, such as "1 day" or "3 days".

    Result: with commas between thousands.
    """
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def day_frame(dates: NDArray[np.datetime64], columns: Mapping[str, _Array]) -> pd.DataFrame:
    """Lay columns of daily values side by side.

    dates (N,): the days; columns (N,): tmin_c, tmax_c and rain_mm, rs_mj_m2, ea_kpa, wind_2m_m_s
    and diffuse_fraction where known. Result: as `Climate.daily`, in the order given;
    diffuse_fraction only when it is known at all.
    """
    unknown = np.full(dates.size, np.nan)
    data = {name: columns.get(name, unknown) for name in (*_ALWAYS, *_SOMETIMES)}
    diffuse = columns.get("diffuse_fraction")
    if diffuse is not None and np.isfinite(diffuse).any():
        data["diffuse_fraction"] = diffuse
    return pd.DataFrame(data, pd.DatetimeIndex(dates.astype("datetime64[ns]"), name="date"))


def finish_record(
    daily: pd.DataFrame, *, file: str, options: WeatherOptions, warnings: list[str]
) -> Climate:
    """Sort the days, fill short gaps, question the units and put the record together.

    Gaps of up to five days are filled: temperatures, radiation, humidity and wind linearly, rain
    with 0. Days in longer gaps of temperature or rain are left out; in longer gaps of the others
    the value stays unknown.
    """
    if options.elevation_m is None:
        mend = "Add elevation_m (or elevation_ft) under [weather]."
        found = "no height of the station"
        raise InputError([Fault(file, found, "the height above the sea", mend, column="elevation")])
    if not daily.index.is_monotonic_increasing:
        warnings.append(f"{file}: the days were not in order of time; they were sorted.")
        daily = daily.sort_index()
    question_units(daily, file, options, warnings)
    daily = clear_impossible_radiation(daily, file, options.latitude, warnings)
    _check_span(daily, file, warnings)
    daily = _fill(daily, file, warnings)
    _check_rain(daily, file, warnings)
    return Climate(daily, float(options.elevation_m), file, tuple(warnings))


def station_distance_km(
    options: WeatherOptions, latitude: float, longitude: float, *, file: str, warnings: list[str]
) -> float:
    """Return how far the station of a file is from the property, and warn when it is far.

    latitude, longitude: of the station, north and east positive [deg]. Result: great-circle
    distance; NaN when the property's place is unknown [km].
    """
    one, two = np.radians([options.latitude, latitude])
    turn = np.radians(options.longitude - longitude)
    chord = np.sin((one - two) / 2) ** 2 + np.cos(one) * np.cos(two) * np.sin(turn / 2) ** 2
    distance = float(2 * _EARTH_KM * np.arcsin(np.sqrt(np.clip(chord, 0.0, 1.0))))
    if distance > _FAR_KM:
        far = f"{distance:,.0f} km"
        if options.units == "us":
            far = f"{1000 * distance / _MILE_M:,.0f} miles"
        warnings.append(f"{file}: the station is {far} away from the property.")
    return distance


def known_height(
    options: WeatherOptions, stated: float, *, file: str, warnings: list[str]
) -> float:
    """Return the station's height: the user's where given, else the file's.

    stated: what the file says [m]. Result: height above the sea [m].
    """
    if options.elevation_m is None:
        return stated
    if abs(options.elevation_m - stated) > _OTHER_HEIGHT_M:
        warnings.append(
            f"{file}: the file says {options.height(stated)} above the sea, the property file "
            f"{options.height(options.elevation_m)}; the property file rules."
        )
    return options.elevation_m


def limit_to_saturation(
    vapour: _Array, tmin: _Array, tmax: _Array, *, file: str, column: str, warnings: list[str]
) -> _Array:
    """Lower the vapour pressure to that of saturation, and refuse it when it is mostly above.

    vapour (N,): vapour pressure [kPa]; tmin, tmax (N,): lowest and highest air temperature [°C].
    Result: at most the mean of saturation at `tmin` and `tmax` [kPa], shape (N,).
    """
    limit = mean_saturation_vapour_pressure(tmin, tmax)
    above = int((vapour > limit).sum())
    if above >= _ENOUGH and above > np.isfinite(vapour).sum() / 2:
        found = f"more vapour than saturated air holds on {above:,} days"
        mend = "Look for another unit: hPa must be divided by 10, °F needs the header tdew_f."
        raise InputError([Fault(file, found, "humidity up to saturation", mend, column=column)])
    if above:
        warnings.append(
            f"{file}: vapour pressure lowered to saturation on {count_of(above, 'day')}."
        )
    return np.where(vapour > limit, limit, vapour)


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
            filled.append(f"{_WORDS[str(column)]} on {count_of(number, 'day')}")
    if filled:
        warnings.append(
            f"{file}: gaps of up to {LONGEST_FILLED_GAP} days filled: {', '.join(filled)}."
        )
    absent = full[list(_ALWAYS)].isna().any(axis=1).to_numpy()
    for start, stop in _runs(absent):
        first, last = full.index[start], full.index[stop - 1]
        warnings.append(
            f"{file}: {count_of(stop - start, 'day')} missing, {first:%Y-%m-%d} to "
            f"{last:%Y-%m-%d}: seasons that touch them are left out."
        )
    kept = full[~absent]
    for column in _SOMETIMES:
        unknown = int(kept[column].isna().sum())
        if 0 < unknown < len(kept):
            warnings.append(f"{file}: {_WORDS[column]} unknown on {count_of(unknown, 'day')}.")
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


def _check_span(daily: pd.DataFrame, file: str, warnings: list[str]) -> None:
    """Warn about records that are short or old, and about sensors that stood still."""
    if len(daily) < _SOME:
        return
    if len(daily) <= _ONE_YEAR:
        warnings.append(
            f"{file}: {count_of(len(daily), 'day')}, about 1 year: years differ, and ten or more "
            "tell what to expect."
        )
    last = daily.index[-1]
    if last.year < _OLD:
        warnings.append(f"{file}: ends in {last.year}: so old a climate may not be today's.")
    pair = daily[["tmin_c", "tmax_c"]].to_numpy(dtype=np.float64)
    still = np.concatenate([[False], (np.diff(pair, axis=0) == 0).all(axis=1)])
    for start, stop in _runs(still):
        if stop - start + 1 >= _STILL:
            first = daily.index[start - 1]
            warnings.append(
                f"{file}: {count_of(stop - start + 1, 'day')} from {first:%Y-%m-%d} on have the "
                "same temperatures, as if the sensor stood still."
            )


def _check_rain(daily: pd.DataFrame, file: str, warnings: list[str]) -> None:
    """Warn about rain sums that no place has."""
    if len(daily) < _YEAR:
        return
    yearly = float(daily["rain_mm"].mean()) * _YEAR
    if yearly > _RAINIEST_YEAR_MM:
        warnings.append(f"{file}: {yearly:,.0f} mm of rain in a year: is the unit of rain_mm mm?")
    elif daily["rain_mm"].min() == daily["rain_mm"].max() > 0:
        warnings.append(f"{file}: the same {daily['rain_mm'].iloc[0]:g} mm of rain on every day.")
    elif yearly == 0.0:
        warnings.append(f"{file}: there is no rain at all; the plan will count on none.")
