"""From hours to days, with the split of the radiation into beam and diffuse kept."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.climate.air import saturation_vapour_pressure

__all__ = ["HOURLY_COLUMNS", "days_of_hours"]

_Array = NDArray[np.float64]

#: Watt-hours per square metre in megajoules.
_WH_MJ: Final = 0.0036
#: A day may miss so many hours of temperature, humidity or wind [h].
_MAY_MISS: Final = 2.0
_LIMITS: Final = {
    "temp_air": (-90.0, 60.0),
    "temp_dew": (-90.0, 45.0),
    "relative_humidity": (0.0, 110.0),
    "ghi": (0.0, 1600.0),
    "dhi": (0.0, 1600.0),
    "wind_speed": (0.0, 60.0),
    "rain": (0.0, 400.0),
}

#: Every column of hours that is used.
HOURLY_COLUMNS: Final = tuple(_LIMITS)


def days_of_hours(hours: pd.DataFrame, *, step_h: float = 1.0) -> pd.DataFrame:
    """Aggregate hours to days.

    A value outside what is possible is a mark for a missing one. The radiation of a day is unknown
    when any of its values is missing; temperature, vapour pressure and wind when more than two
    hours are.

    hours: index: start of each step, local time without zone. Columns ghi, dhi (mean of the step)
    [W/m²], temp_air [°C], temp_dew [°C] or relative_humidity [%], wind_speed [m/s], rain (sum of
    the step) [mm], those that are absent are unknown; step_h: length of a step [h]. Result: one row
    per day of the index; columns tmin_c, tmax_c [°C], rs_mj_m2 [MJ m⁻² d⁻¹], diffuse_fraction [-],
    ea_kpa [kPa], wind_m_s (as high as measured) [m/s], rain_mm [mm] and hours (how much of the day
    is there) [h].

    >>> index = pd.date_range("2021-06-01", periods=24, freq="h")
    >>> hours = pd.DataFrame({"ghi": 100.0, "dhi": 25.0, "temp_air": range(24)}, index=index)
    >>> day = days_of_hours(hours).iloc[0]
    >>> [round(float(day[c]), 2) for c in ("tmin_c", "tmax_c", "rs_mj_m2", "diffuse_fraction")]
    [0.0, 23.0, 8.64, 0.25]
    """
    table = pd.DataFrame({name: _possible(hours, name) for name in _LIMITS}, hours.index)
    table["vapour"] = _vapour(table)
    date = pd.DatetimeIndex(hours.index).normalize()
    groups = table.groupby(date, sort=True)
    known = groups.count() * step_h
    there = groups.size() * step_h
    sums, means = groups.sum() * step_h, groups.mean()
    whole = known.ge(there, axis=0)
    most = known.ge(there - _MAY_MISS, axis=0)
    ghi, dhi = sums["ghi"].where(whole["ghi"]), sums["dhi"].where(whole["dhi"])
    days = pd.DataFrame(
        {
            "tmin_c": groups["temp_air"].min().where(most["temp_air"]),
            "tmax_c": groups["temp_air"].max().where(most["temp_air"]),
            "rs_mj_m2": ghi * _WH_MJ,
            "diffuse_fraction": (dhi / ghi.where(ghi > 0.0)).clip(0.0, 1.0),
            "ea_kpa": means["vapour"].where(most["vapour"]),
            "wind_m_s": means["wind_speed"].where(most["wind_speed"]),
            "rain_mm": (sums["rain"] / step_h).where(whole["rain"]),
            "hours": there.astype(np.float64),
        }
    )
    days.index.name = "date"
    return days


def _possible(hours: pd.DataFrame, name: str) -> _Array:
    """Return a column with the marks for missing values as NaN."""
    if name not in hours:
        return np.full(len(hours), np.nan)
    low, high = _LIMITS[name]
    values = hours[name].to_numpy(dtype=np.float64)
    return np.where((values >= low) & (values <= high), values, np.nan)


def _vapour(table: pd.DataFrame) -> _Array:
    """Return the vapour pressure from the dew point, else from the relative humidity."""
    air = table["temp_air"].to_numpy()
    saturated = saturation_vapour_pressure(air)
    moist = saturated * np.minimum(table["relative_humidity"].to_numpy(), 100.0) / 100.0
    dew = saturation_vapour_pressure(np.minimum(table["temp_dew"].to_numpy(), air))
    return np.asarray(np.where(np.isnan(dew), moist, dew))
