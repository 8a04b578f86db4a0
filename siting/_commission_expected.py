"""What the plan expects of a sensor and of the weather, in the terms of its log."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from siting._commission_capacity import Capacity, held_water, tension_exponent
from siting._commission_model import Expected
from siting._commission_readings import Readings
from siting.climate.model import Climate
from siting.planning import Plan
from siting.water.reference_et import eto_terms

__all__ = ["content_of", "daily_weather", "expected_of", "threshold_content"]

_FIELD_KPA = 33.0
_LEAST_KPA = 5.0


def expected_of(plan: Plan, sensor_id: str) -> Expected:
    """Return what the plan expects of the ground round a sensor.

    Result: soil, roots, valve and threshold.
    """
    sensor = plan.sensors.loc[sensor_id]
    zone = plan.zones.loc[sensor["zone"]]
    field, wilting = held_water(plan, str(sensor["zone"]))
    root = float(zone["root_depth_m"])
    return Expected(
        sensor_id=sensor_id,
        zone=str(sensor["zone"]),
        valve=str(sensor["valve"]),
        field_capacity=field,
        wilting_point=wilting,
        root_depth_m=root,
        layer_mm=1000 * min(2 * float(sensor["depth_m"]), root),
        depletion_fraction=float(np.clip(zone["raw_mm"] / zone["taw_mm"], 0.1, 0.8)),
        rate_mm_h=float(zone["precipitation_rate"]),
        crop_factor=float(zone["kl"]),
        low_fraction=float(sensor["threshold_low_fraction"]),
        wait_h=float(sensor["soak_wait_h"]),
    )


def daily_weather(readings: Readings, climate: Climate, *, latitude: float) -> pd.DataFrame:
    """Return rain and reference ET of every day of the logs.

    latitude: of the property [deg]. Result: index `date`; rain_mm (NaN where not known), eto_mm
    [mm/d].
    """
    spans = [series.index for series in readings.moisture.values() if len(series)]
    spans += [pd.DatetimeIndex(readings.meter[c]) for c in ("start", "end") if len(readings.meter)]
    if len(readings.events):
        spans.append(pd.DatetimeIndex(readings.events["start"]))
    if not spans:
        return pd.DataFrame({"rain_mm": [], "eto_mm": []}, index=pd.DatetimeIndex([]))
    first = min(index.min() for index in spans).normalize()
    last = max(index.max() for index in spans).normalize()
    days = pd.date_range(first, last, name="date")
    record = climate.daily
    terms = eto_terms(record, latitude=latitude, elevation_m=climate.elevation_m)
    eto = pd.Series(np.maximum(terms.open_sky, 0.0), index=record.index)
    usual = eto.groupby(pd.DatetimeIndex(eto.index).dayofyear).mean()
    usual = usual.reindex(range(1, 367)).interpolate(limit_direction="both")
    fallback = pd.Series(usual.reindex(days.dayofyear).to_numpy(), index=days)
    known = readings.weather.reindex(days)
    return pd.DataFrame(
        {
            "rain_mm": known["rain_mm"].fillna(record["rain_mm"].reindex(days)),
            "eto_mm": known["eto_mm"].fillna(eto.reindex(days)).fillna(fallback),
        }
    )


def content_of(
    values: pd.Series, unit: str, *, expected: Expected, capacity: Capacity | None
) -> tuple[pd.Series, str]:
    """Return logged values as water content, and how they were turned into it.

    Result: volumetric water content [m³/m³]; what was assumed, or "".

    Tension: Saxton & Rawls 2006, Eq. 11.
    """
    if unit == "%":
        return values / 100, ""
    if unit == "m3/m3":
        return values, ""
    if unit == "kPa":
        power = tension_exponent(expected.field_capacity, expected.wilting_point)
        tension = values.clip(lower=_LEAST_KPA)
        content = expected.field_capacity * (_FIELD_KPA / tension) ** (1 / power)
        return content, "tension was turned into water content by the tension curve of the soil"
    full = capacity.reading if capacity is not None and capacity.accepted else math.nan
    note = "its scale has no unit: taken as proportional to water, with field capacity at "
    if math.isfinite(full):
        note += f"the accepted reading of {full:g}"
    else:
        full = float(values.quantile(0.9))
        note += f"the wettest tenth of the log, {full:g}"
    return expected.field_capacity * values / full, note


def threshold_content(
    row: Mapping[str, object], *, expected: Expected, capacity: Capacity | None
) -> float:
    """Return the threshold as set, as water content; NaN where it is not written.

    Result: volumetric water content [m³/m³].
    """
    value, unit = row.get("threshold_set"), str(row.get("reading_unit") or "%")
    if not isinstance(value, float) or math.isnan(value):
        return math.nan
    if unit == "device" and not (capacity is not None and capacity.accepted):
        return math.nan  # nothing to hang the scale on
    content, _ = content_of(pd.Series([value]), unit, expected=expected, capacity=capacity)
    return float(content.iloc[0])
