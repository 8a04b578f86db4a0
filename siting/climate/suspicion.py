"""Weather that no place on earth has, and the unit or habit that would explain it.

Each number that decides is far outside what is measured anywhere; they are judgement, not
published limits. What they catch is never mended silently: the user is asked.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.climate.options import WeatherOptions
from siting.climate.sky import extraterrestrial_radiation
from siting.errors import Fault, InputError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Suspicion", "clear_impossible_radiation", "question_units", "suspicions"]

_Array = NDArray[np.float64]

#: Fewer days say little about a climate.
_ENOUGH: Final = 60
_YEAR: Final = 330
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
    if len(daily) < _ENOUGH:
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


def question_units(
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


def clear_impossible_radiation(
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


def _above_sky(rs: _Array, ra: _Array) -> NDArray[np.bool_]:
    # The margin leaves room for rounding and for a station some degrees away.
    return np.asarray(rs > _OVER * ra + _MARGIN_MJ)


def _temperature(tmin: _Array, tmax: _Array) -> Iterator[Suspicion]:
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
    twice_mean: _Array, latitude: float, month: NDArray[np.int32]
) -> Iterator[Suspicion]:
    """Question weather whose winter is the summer of the property's half of the earth."""
    known = np.isfinite(twice_mean)
    if not abs(latitude) > _TEMPERATE or known.sum() < _YEAR:
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


def _rain(rain: _Array, month: NDArray[np.int32]) -> Iterator[Suspicion]:
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
    if known.size < _YEAR or wet.size < _WET_DAYS:
        return
    if wet.mean() < _LEAST_PER_WET_DAY_MM and wet.max() < _LARGEST_DAY_MM:
        yield Suspicion(
            "rain_mm",
            f"{wet.mean():.2f} mm on a mean wet day and {wet.max():.1f} mm on the wettest, "
            "as if it were inches",
            "If the rain is in inches, name the column rain_in.",
        )


def _radiation(rs: _Array | None, latitude: float, day: _Array) -> Iterator[Suspicion]:
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
    if known.sum() >= _YEAR and clearness < _DULLEST:
        yield Suspicion(
            "rs_mj_m2",
            f"{clearness:.0%} of the radiation outside the atmosphere, as if it were kWh",
            "If the radiation is in kWh/m2 per day, name the column rs_kwh_m2.",
        )


def _wind(wind: _Array | None) -> Iterator[Suspicion]:
    if wind is None or not np.isfinite(wind).any():
        return
    mean = float(np.nanmean(wind))
    if mean > _WINDIEST_M_S:
        yield Suspicion(
            "wind_m_s",
            f"a mean wind of {mean:.0f} m/s, as if it were km/h or mph",
            "If so, name the column wind_km_h or wind_mph.",
        )
