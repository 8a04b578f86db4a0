"""What the plan expects of a sensor, and its own balance of the layer that the sensor reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from siting.water.balance import effective_rain
from siting.water.layers import layer_step

__all__ = ["Expected", "modelled_content"]

#: Share of days without known rain beyond which nothing can be reckoned.
_UNKNOWN_RAIN: Final = 0.2


@dataclass(frozen=True)
class Expected:
    """What the plan expects of the ground round a sensor.

    sensor_id, zone, valve: which sensor, where, on which valve; field_capacity, wilting_point: of
    the soil [m³/m³]; root_depth_m, layer_mm: root zone [m], layer that the sensor reads [mm];
    depletion_fraction: share of the available water that plants use without stress; rate_mm_h:
    precipitation rate of the valve [mm/h]; crop_factor: ETc over reference ET; low_fraction: share
    of the available water gone at the planned threshold; wait_h: how long the soil drains to field
    capacity [h].
    """

    sensor_id: str
    zone: str
    valve: str
    field_capacity: float
    wilting_point: float
    root_depth_m: float
    layer_mm: float
    depletion_fraction: float
    rate_mm_h: float
    crop_factor: float
    low_fraction: float
    wait_h: float = 48.0

    @property
    def available(self) -> float:
        """Field capacity less wilting point [m³/m³]."""
        return self.field_capacity - self.wilting_point


def modelled_content(
    expected: Expected, *, events: pd.DataFrame, weather: pd.DataFrame
) -> pd.Series:
    """Return the content of the sensor's layer by the plan's own balance, from field capacity.

    events: valve runs: start, valve, minutes [min]; weather: index `date`, rain_mm, eto_mm [mm/d],
    a few days of unknown rain count as dry. Result: daily; empty where reference ET or rain is not
    known [m³/m³].

    FAO-56 Eqs 84, 85, by `siting.water.layers.layer_step`.
    """
    days = weather.dropna(subset=["eto_mm"]) if len(weather) else weather
    if days.empty or float(days["rain_mm"].isna().mean()) > _UNKNOWN_RAIN:
        return pd.Series(dtype=float)
    own = events[(events["valve"] == expected.valve) & (events["minutes"] > 0)]
    depth = pd.Series(dtype=float)
    if len(own):
        on = pd.to_datetime(own["start"]).dt.normalize()
        depth = (own["minutes"] / 60 * expected.rate_mm_h).groupby(on).sum()
    taw = 1000 * expected.available * expected.root_depth_m
    share = min(expected.layer_mm / (1000 * expected.root_depth_m), 1.0)
    rain = days["rain_mm"].fillna(0.0).to_numpy(dtype=float)
    eto = days["eto_mm"].to_numpy(dtype=float)
    water = effective_rain(rain, eto) + depth.reindex(days.index).fillna(0.0).to_numpy(dtype=float)
    whole, upper = np.float64(0.0), np.float64(0.0)
    content = np.empty(len(days))
    for n in range(len(days)):
        state = layer_step(
            whole, upper, water=water[n], etc=expected.crop_factor * eto[n], taw=taw,
            raw=expected.depletion_fraction * taw, share=share,
        )  # fmt: skip
        whole, upper = np.float64(state.depletion), np.float64(state.upper)
        held = share * 1000 * expected.root_depth_m
        content[n] = expected.field_capacity - float(upper) / held
    return pd.Series(content, index=days.index)
