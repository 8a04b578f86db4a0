"""Readings of a known property with known faults: the truth against which health is judged.

Its physics is not that of the health tests: hourly, two layers that drain by their own time
constant, soil, gain, application, rain gauge and layer thickness that differ from what the plan
believes, noise that is correlated, gaps in the log.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from siting.climate.readers import daily_from_normals
from siting.commission.signal import Expected
from siting.site.handbook import SOIL_CLASSES
from tests.small_property import NORMALS

FAULTS = (
    "healthy", "air_gap", "downspout", "wrong_zone", "threshold_low", "threshold_high", "dead",
)  # fmt: skip

_SOILS = ("sand", "loamy sand", "sandy loam", "loam", "silt loam", "clay loam")
#: Drainage from above field capacity, time constant [h].
_DRAIN_H = {"sand": 4, "loamy sand": 6, "sandy loam": 9, "loam": 14, "silt loam": 18}
_HOURS = 24
#: By the hour of the day, how much warmer than the mean it is; what is left of a puddle in an hour.
_TIDE = [float(np.cos(2 * np.pi * (hour - 15) / _HOURS)) for hour in range(_HOURS)]
_FADES = float(np.exp(-1 / 4))


@dataclass(frozen=True)
class Truth:
    """One simulated sensor: what the commissioning gets, and what is wrong with it."""

    fault: str
    content: pd.Series
    threshold: float
    expected: Expected
    events: pd.DataFrame
    weather: pd.DataFrame


@dataclass
class _Zone:
    """One zone's ground."""

    field: float
    wilting: float
    saturation: float
    layer: float
    root: float
    drain: float
    share: float  # of the uptake from the upper layer
    factor: float
    stress: float

    dry: float  # share of the available water that is gone at the start

    def __post_init__(self):
        self.lets_go = float(1 - np.exp(-1 / self.drain))
        self.spills = float(1 - np.exp(-1 / (2 * self.drain)))
        self.upper = self.lower = self.field - self.dry * (self.field - self.wilting)

    def hour(self, water, etc):
        """Advance one hour; water and etc in mm."""
        room = (self.saturation - self.upper) * self.layer
        self.upper += min(water, room) / self.layer
        over = max(self.upper - self.field, 0.0) * self.lets_go
        self.upper -= over
        deep = self.root - self.layer
        self.lower += over * self.layer / deep
        spill = max(self.lower - self.field, 0.0) * self.spills
        self.lower -= spill
        # Plain numbers: an hour with arrays of two takes ten times as long.
        wet = [
            min(max((v - self.wilting) / (self.field - self.wilting), 0.0), 1.0)
            for v in (self.upper, self.lower)
        ]
        pull = (self.share * wet[0], (1 - self.share) * wet[1])
        mean = (wet[0] * self.layer + wet[1] * deep) / self.root
        drawn = etc * min(mean / (1 - self.stress), 1.0)
        both = pull[0] + pull[1]
        if both > 0:
            self.upper = max(self.upper - drawn * pull[0] / both / self.layer, self.wilting * 0.6)
            self.lower = max(self.lower - drawn * pull[1] / both / deep, self.wilting * 0.6)
        return self.upper


def simulate(fault: str, seed: int, *, days: int = 110) -> Truth:
    """Return the log of one sensor over a season."""
    rng = np.random.default_rng([seed, FAULTS.index(fault)])
    soil_name = _SOILS[int(rng.integers(len(_SOILS)))]
    soil = SOIL_CLASSES[soil_name]
    root, depth = 0.3, 0.0762
    layer = 2000 * depth
    rate = float(rng.uniform(12, 38))
    low = float(rng.uniform(0.15, 0.45))
    expected = Expected(
        "S1",
        "A",
        "1",
        soil.field_capacity,
        soil.wilting_point,
        root,
        layer,
        0.5,
        rate,
        0.75,
        low,
        soil.drain_hours,
    )
    weather, hours = _weather(rng, days)
    drain = _DRAIN_H.get(soil_name, 26) * rng.uniform(0.7, 1.4)

    def zone():
        field = soil.field_capacity * rng.uniform(0.87, 1.15)
        wilting = soil.wilting_point * rng.uniform(0.85, 1.1)
        return _Zone(
            field, wilting, field + rng.uniform(0.12, 0.2), layer * rng.uniform(0.8, 1.25),
            1000 * root, drain, rng.uniform(0.6, 0.75), rng.uniform(0.6, 0.85), 0.5,
            rng.uniform(0.3, 0.8),
        )  # fmt: skip

    own, other = zone(), zone()
    sensor = _Sensor(rng, fault, own if fault != "wrong_zone" else other, days)
    available = soil.field_capacity - soil.wilting_point
    threshold = sensor.gain * sensor.zone.field + rng.normal(0, 0.004) - low * available
    if fault == "threshold_low":
        threshold = sensor.gain * sensor.zone.field - rng.uniform(0.9, 1.2) * available
    elif fault == "threshold_high":
        threshold = sensor.gain * sensor.zone.field + rng.uniform(0.03, 0.06)
    content, events = _season(
        rng, fault, sensor, (own, other), hours, threshold=threshold, rate=rate, days=days,
        wait_h=soil.drain_hours,
    )  # fmt: skip
    keep = rng.random(len(content)) > 0.01
    return Truth(fault, content[keep], threshold, expected, events, weather)


class _Sensor:
    """What a sensor makes of the ground round it."""

    def __init__(self, rng, fault, zone, days):
        self.rng, self.fault, self.zone = rng, fault, zone
        self.gain = float(rng.uniform(0.88, 1.12))
        self.swing = float(rng.uniform(0, 0.003))
        self.drift = 0.0
        self.spike = 0.0
        self.contact = float(rng.uniform(0.35, 0.55))
        self.dies = int(rng.integers(10, days // 2)) * _HOURS
        self.dying = int(rng.integers(3))
        self.stuck = 0.0
        self.last = zone.upper

    def read(self, hour, wetted):
        """Return one reading."""
        self.drift = 0.95 * self.drift + self.rng.normal(0, 0.0006)
        value = self.gain * self.zone.upper + self.drift + self.rng.normal(0, 0.001)
        tide = _TIDE[hour % _HOURS]
        if self.fault == "air_gap":
            # Half of what it senses is air: it reads low, fills with water while it runs, empties
            # within hours, and swings with the temperature of the air.
            self.spike = self.spike * _FADES + (0.03 * wetted if wetted else 0.0)
            self.spike = min(self.spike, 0.2)
            value = self.contact * value + self.spike + 0.012 * tide
        value += self.swing * tide
        if self.fault == "dead" and hour >= self.dies:
            if self.dying == 0:
                value = self.stuck
            elif self.dying == 1:
                value = 0.0
            else:
                value = np.nan
        else:
            self.stuck = value
        return round(value * 1000) / 1000 if math.isfinite(value) else math.nan


def _season(rng, fault, sensor, zones, hours, *, threshold, rate, days, wait_h):
    """Run the season by the hour: the log of the sensor, and of both valves."""
    own, other = zones
    on_days = rng.choice(7, size=int(rng.integers(2, 5)), replace=False)
    other_days = (on_days + rng.integers(0, 3)) % 7
    minutes = 60 * float(rng.uniform(8, 14)) / rate
    other_minutes = float(rng.uniform(20, 50))
    share = float(rng.uniform(0.85, 1.15))
    start = pd.Timestamp("2026-05-01")
    values, events = [], []
    reading = sensor.read(0, 0.0)
    rest = int(np.ceil(wait_h / _HOURS))
    extra = 6.0 if fault == "downspout" else 0.0
    for hour in range(days * _HOURS):
        day, clock = divmod(hour, _HOURS)
        water_own = water_other = hours["rain"][hour]
        water_own += extra * hours["rain"][hour]
        if day == 1 and clock == 8:
            # Commissioning: the own valve soaks the place with 25 mm, then everything rests.
            soak = 60 * 25 / rate
            events.append((start + pd.Timedelta(hours=hour), "1", soak))
            water_own += soak / 60 * rate * share
        if clock == 4 and day > 1 + rest:
            at = start + pd.Timedelta(hours=hour)
            if day % 7 in on_days:
                runs = not reading >= threshold
                events.append((at, "1", minutes if runs else 0.0))
                water_own += minutes / 60 * rate * share if runs else 0.0
            if day % 7 in other_days:
                wanted = other.upper < other.field - 0.3 * (other.field - other.wilting)
                begin = at + pd.Timedelta(minutes=minutes)
                events.append((begin, "2", other_minutes if wanted else 0.0))
                water_other += other_minutes / 60 * 18 if wanted else 0.0
        etc = hours["eto"][hour]
        own.hour(water_own, own.factor * etc)
        other.hour(water_other, other.factor * etc)
        reading = sensor.read(hour, water_own if sensor.zone is own else water_other)
        values.append(reading)
    index = pd.date_range(start, periods=days * _HOURS, freq="h", name="time")
    table = pd.DataFrame(events, columns=["start", "valve", "minutes"])
    return pd.Series(values, index=index), table


def _weather(rng, days):
    """Return what the weather record says by day, and what falls and evaporates by the hour."""
    daily = daily_from_normals(
        NORMALS, years=1, first_year=2026, seed=int(rng.integers(2**31)), latitude=33.0
    )
    daily["date"] = pd.to_datetime(daily["date"]) if "date" in daily else daily.index
    daily = daily.set_index("date").loc["2026-05-01":].iloc[:days]
    mean = (daily["tmin_c"] + daily["tmax_c"]) / 2
    eto = 0.0135 * (mean + 17.8) * daily["rs_mj_m2"] / 2.45
    rain = daily["rain_mm"].to_numpy()
    fell = rain * rng.lognormal(0.0, 0.12, days)
    hourly_rain = np.zeros(days * _HOURS)
    for day in np.flatnonzero(fell > 0):
        length = int(rng.integers(1, 6))
        begin = int(rng.integers(0, _HOURS - length))
        hourly_rain[day * _HOURS + begin : day * _HOURS + begin + length] += fell[day] / length
    clock = np.arange(_HOURS)
    shape = np.clip(np.sin(np.pi * (clock - 6) / 13), 0, None)
    hourly_eto = (eto.to_numpy()[:, None] * shape / shape.sum()).ravel()
    record = pd.DataFrame({"rain_mm": rain, "eto_mm": eto * rng.normal(1, 0.05)}, index=daily.index)
    return record, {"rain": hourly_rain.tolist(), "eto": hourly_eto.tolist()}
