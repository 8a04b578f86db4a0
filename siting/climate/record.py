"""A weather record: read from siting's own layout, and its gaps, repeats, impossible values.

Each number that decides is far outside what is measured anywhere; they are judgement, not
published limits. What they catch is never mended silently: the user is asked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.arrays import Flags, Floats
from siting.climate.air import (
    extraterrestrial_radiation,
    mean_saturation_vapour_pressure,
    saturation_vapour_pressure,
    vapour_pressure_from_humidity,
    vapour_pressure_from_humidity_range,
    wind_at_2m,
)
from siting.climate.model import Climate, WeatherOptions
from siting.climate.tables import RawTable, read_table
from siting.errors import Fault, InputError
from siting.units import FOOT_M

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Fewer days say little about a climate.
_FEWEST_TO_JUDGE: Final = 60
_MOST_OF_A_YEAR: Final = 330
_MONTH: Final = 30
#: The hottest months known have a mean of about 42 °C.
_HOTTEST_MONTH_C: Final = 43.0
#: From this latitude on, summer and winter differ by at least so much [deg, °C].
_TEMPERATE: Final = 25.0
_SEASON_C: Final = 4.0
_WET_DAYS: Final = 20
_LEAST_PER_WET_DAY_MM: Final = 1.0
_LARGEST_DAY_MM: Final = 15.0
_RISES: Final = 10
_FALLS_PER_RISE: Final = 0.1
_WINDIEST_M_S: Final = 10.0
_DULLEST: Final = 0.2
_OVER: Final = 1.05
_MARGIN_MJ: Final = 0.5
_FEW: Final = 0.05


class Suspicion(NamedTuple):
    """What in a column looks like another unit.

    column: column of `Climate.daily`; found: what was found in it; mend: what to do when it is what
    it seems to be.
    """

    column: str
    found: str
    mend: str


def suspicions(daily: pd.DataFrame, latitude: float) -> tuple[Suspicion, ...]:
    """Return what in some daily weather looks like another unit, or like rain sums.

    daily: as in `Climate.daily`, gaps may be NaN; latitude: north positive, NaN skips the check of
    radiation [deg]. Result: nothing when there are fewer than 60 days.

    >>> import pandas as pd
    >>> index = pd.date_range("2020-06-01", periods=90)
    >>> hot = pd.DataFrame({"tmin_c": 48.0, "tmax_c": 59.0, "rain_mm": 0.0}, index=index)
    >>> [s.column for s in suspicions(hot, 40.0)]
    ['tmin_c']
    """
    if len(daily) < _FEWEST_TO_JUDGE:
        return ()
    columns = {str(name): daily[name].to_numpy(dtype=np.float64) for name in daily}
    day = daily.index.dayofyear.to_numpy(dtype=np.float64)  # type: ignore[attr-defined]
    month = daily.index.month.to_numpy()  # type: ignore[attr-defined]
    return (
        *_temperature(columns["tmin_c"], columns["tmax_c"]),
        *_hemisphere(columns["tmin_c"] + columns["tmax_c"], latitude, month),
        *_rain(columns["rain_mm"], month),
        *_radiation(columns.get("rs_mj_m2"), latitude, day),
        *_wind(columns.get("wind_2m_m_s")),
    )


def _question_units(
    daily: pd.DataFrame, file: str, options: WeatherOptions, warnings: list[str]
) -> None:
    """Refuse daily weather that looks like another unit, unless the user trusts it.

    daily: as in `Climate.daily`, gaps may be NaN.
    """
    found = suspicions(daily, options.latitude)
    if options.trust_units:
        warnings += [f"{file}: {s.column}: {s.found}; trusted as written." for s in found]
    elif found:
        way_out = "If the values are right as they are, add trust_units = true under [weather]."
        raise InputError(
            [
                Fault(
                    file, s.found, "weather of this earth", f"{s.mend} {way_out}", column=s.column
                )
                for s in found
            ]
        )


def _clear_impossible_radiation(
    daily: pd.DataFrame, file: str, latitude: float, warnings: list[str]
) -> pd.DataFrame:
    """Make the radiation unknown on the few days on which it exceeds that outside the atmosphere.

    latitude: north positive, NaN changes nothing [deg]. Result: a copy when anything changed. More
    than 5 % of the days are left to `suspicions`.
    """
    rs = daily["rs_mj_m2"].to_numpy(dtype=np.float64)
    day = daily.index.dayofyear.to_numpy(dtype=np.float64)  # type: ignore[attr-defined]
    above = _above_sky(rs, extraterrestrial_radiation(latitude, day))
    count = int(above.sum())
    if not count or count > _FEW * np.isfinite(rs).sum():
        return daily
    warnings.append(
        f"{file}: more radiation than outside the atmosphere on {count:,} "
        f"day{'s' if count > 1 else ''}: taken as unknown."
    )
    return daily.assign(rs_mj_m2=np.where(above, np.nan, rs))


def _above_sky(rs: Floats, ra: Floats) -> Flags:
    # The margin leaves room for rounding and for a station some degrees away.
    return np.asarray(rs > _OVER * ra + _MARGIN_MJ)


def _temperature(tmin: Floats, tmax: Floats) -> Iterator[Suspicion]:
    mean = (tmin + tmax) / 2.0
    known = np.nan_to_num(mean)
    months = np.convolve(known, np.full(_MONTH, 1.0 / _MONTH), mode="valid")
    if months.size and months.max() > _HOTTEST_MONTH_C:
        yield Suspicion(
            "tmin_c",
            f"a month with a mean of {months.max():.0f} °C, as if it were Fahrenheit",
            "If the temperatures are in °F, name the columns tmin_f and tmax_f.",
        )

    same = int((tmin == tmax).sum())
    if same > np.isfinite(mean).sum() / 2:
        yield Suspicion(
            "tmin_c",
            f"values the same as tmax_c on {same:,} of {tmin.size:,} days",
            "Give the lowest and the highest temperature of each day.",
        )


def _hemisphere(
    twice_mean: Floats, latitude: float, month: NDArray[np.int32]
) -> Iterator[Suspicion]:
    """Question weather whose winter is the summer of the property's half of the earth."""
    known = np.isfinite(twice_mean)
    if not abs(latitude) > _TEMPERATE or known.sum() < _MOST_OF_A_YEAR:
        return
    june, december = (
        twice_mean[known & np.isin(month, months)] / 2.0 for months in ((6, 7, 8), (12, 1, 2))
    )
    if not june.size or not december.size:
        return
    warmer = float(june.mean() - december.mean()) * np.sign(latitude)
    if warmer < -_SEASON_C:
        coldest = "June to August" if latitude > 0 else "December to February"
        yield Suspicion(
            "tmin_c",
            f"the coldest months from {coldest}, at latitude {latitude:.0f}: weather of the other "
            "hemisphere",
            "Take the weather of this place; or give the layers their right CRS.",
        )


def _rain(rain: Floats, month: NDArray[np.int32]) -> Iterator[Suspicion]:
    there = np.isfinite(rain)
    known = rain[there]
    # A total that starts anew each month or year falls only there.
    change = np.diff(known)[np.diff(month[there]) == 0]
    rises, falls = int((change > 0).sum()), int((change < 0).sum())
    if rises >= _RISES and falls <= _FALLS_PER_RISE * rises:
        yield Suspicion(
            "rain_mm",
            f"values that rise {rises:,} times and fall {falls:,} times, as a running total does",
            "If it is a running total, write each day's difference from the day before.",
        )
        return
    wet = known[known > 0]
    if known.size < _MOST_OF_A_YEAR or wet.size < _WET_DAYS:
        return
    if wet.mean() < _LEAST_PER_WET_DAY_MM and wet.max() < _LARGEST_DAY_MM:
        yield Suspicion(
            "rain_mm",
            f"{wet.mean():.2f} mm on a mean wet day and {wet.max():.1f} mm on the wettest, "
            "as if it were inches",
            "If the rain is in inches, name the column rain_in.",
        )


def _radiation(rs: Floats | None, latitude: float, day: Floats) -> Iterator[Suspicion]:
    if rs is None or np.isnan(latitude) or not np.isfinite(rs).any():
        return
    ra = extraterrestrial_radiation(latitude, day)
    known = np.isfinite(rs)
    above = int(_above_sky(rs, ra).sum())
    if above > _FEW * known.sum():
        yield Suspicion(
            "rs_mj_m2",
            f"more radiation than outside the atmosphere on {above:,} of {known.sum():,} days",
            "Look for another unit (rs_w_m2, rs_kwh_m2) and for a wrong place of the property.",
        )
    clearness = float(rs[known].sum() / max(ra[known].sum(), 1e-9))
    if known.sum() >= _MOST_OF_A_YEAR and clearness < _DULLEST:
        yield Suspicion(
            "rs_mj_m2",
            f"{clearness:.0%} of the radiation outside the atmosphere, as if it were kWh",
            "If the radiation is in kWh/m2 per day, name the column rs_kwh_m2.",
        )


def _wind(wind: Floats | None) -> Iterator[Suspicion]:
    if wind is None or not np.isfinite(wind).any():
        return
    mean = float(np.nanmean(wind))
    if mean > _WINDIEST_M_S:
        yield Suspicion(
            "wind_m_s",
            f"a mean wind of {mean:.0f} m/s, as if it were km/h or mph",
            "If so, name the column wind_km_h or wind_mph.",
        )


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
    """Return a number with its noun, such as "1 day" or "3 days", with commas between thousands."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def day_frame(dates: NDArray[np.datetime64], columns: Mapping[str, Floats]) -> pd.DataFrame:
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
    _question_units(daily, file, options, warnings)
    daily = _clear_impossible_radiation(daily, file, options.latitude, warnings)
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
    vapour: Floats, tmin: Floats, tmax: Floats, *, file: str, column: str, warnings: list[str]
) -> Floats:
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


def _runs(missing: Flags) -> Iterator[tuple[int, int]]:
    """Yield start and stop of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], missing, [False]]).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _fill(daily: pd.DataFrame, file: str, warnings: list[str]) -> pd.DataFrame:
    """Fill short gaps, leave out the days of long ones, and say so."""
    days = pd.date_range(daily.index[0], daily.index[-1], freq="D", name="date").as_unit("ns")
    whole = daily if daily.index.equals(days) else daily.reindex(days)
    columns = {str(name): whole[name].to_numpy(dtype=np.float64, copy=True) for name in whole}
    filled: list[str] = []
    for column, values in columns.items():
        number = _fill_column(values, zero=column == "rain_mm")
        if number:
            filled.append(f"{_WORDS[column]} on {count_of(number, 'day')}")
    if filled:
        warnings.append(
            f"{file}: gaps of up to {LONGEST_FILLED_GAP} days filled: {', '.join(filled)}."
        )
    absent = np.logical_or.reduce([np.isnan(columns[name]) for name in _ALWAYS])
    for start, stop in _runs(absent):
        first, last = days[start], days[stop - 1]
        warnings.append(
            f"{file}: {count_of(stop - start, 'day')} missing, {first:%Y-%m-%d} to "
            f"{last:%Y-%m-%d}: seasons that touch them are left out."
        )
    kept = {name: values[~absent] for name, values in columns.items()}
    for column in _SOMETIMES:
        unknown = int(np.isnan(kept[column]).sum())
        if 0 < unknown < kept[column].size:
            warnings.append(f"{file}: {_WORDS[column]} unknown on {count_of(unknown, 'day')}.")
    return pd.DataFrame(kept, days[~absent])


def _fill_column(values: Floats, *, zero: bool) -> int:
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
    pair = [daily[name].to_numpy(dtype=np.float64) for name in ("tmin_c", "tmax_c")]
    still = np.concatenate([[False], (np.diff(pair) == 0).all(axis=0)])
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


_DEFAULT_WIND_HEIGHT: Final = 2.0


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
        "wind_2m_m_s": _wind_column(raw, path.name, options, warnings),
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


def _wind_column(raw: RawTable, file: str, options: WeatherOptions, warnings: list[str]) -> Floats:
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
