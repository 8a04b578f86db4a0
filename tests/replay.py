"""Play a printed sheet through its seasons, from the sheet's numbers alone.

A small simulator of its own: it imports nothing of the package, so that what the package promises
of a sheet can be held against somebody else's arithmetic. One step is a day. In the morning each
sensor reads its layer and lets its zones run or not; then plants draw and water enters; what is
more than the root zone holds drains.

The root zone is the bucket of FAO-56 chapter 8 (equations 84 to 86: Ks by the depletion of the
morning, Dr = Dr + Ks ETc - P - I, not below 0). A sensor reads the upper layer of it: water fills
the layer first; roots draw from layer and rest by their share of the roots (40, 30, 20, 10 % in the
quarters from the top) and by how much of its water each still holds.

Axes: Q classes of a zone's area, all alike large; D days; W seasons side by side.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

ROOTS = (0.4, 0.3, 0.2, 0.1)


@dataclass(frozen=True)
class Zone:
    """One zone as the sheet tells it, and its weather.

    etc (Q, D, W) and rain (D, W) in mm a day, rain as it enters the soil; taw and raw (W,) in mm;
    receives (Q, W): what a class gets over the zone's mean; rate in mm a minute; minutes: whole
    minutes of an event by month; layer: how much of the root zone the sensor's reading stands for.
    """

    etc: np.ndarray
    rain: np.ndarray
    taw: np.ndarray
    raw: np.ndarray
    receives: np.ndarray
    rate: float
    minutes: dict[int, float]
    layer: float = 1.0


@dataclass(frozen=True)
class Sensor:
    """One sensor as the sheet tells it.

    zone: where it lies, in area class `place` (0 is the driest). governs: the zones that run with
    it. days (D, W): days on which an event may run: a bypass module's are the timer's, an on-demand
    timer's those that rules allow. drop: points of volume below the soak reading from which an
    event runs [m3/m3]. capacity: what the soil holds between the soak reading and wilting [m3/m3],
    a number or (W,). error (D, W): what it reads too dry [m3/m3]. step: the display's last digit
    [m3/m3].
    """

    zone: str
    governs: tuple[str, ...]
    days: np.ndarray
    drop: float
    capacity: float | np.ndarray
    error: np.ndarray | float = 0.0
    step: float = 0.0
    place: int = 0


@dataclass(frozen=True)
class Sheet:
    """A whole sheet: zones by name, month (D,) of each day, sensors, and for zones that no sensor
    governs the days (D, W) on which the timer runs them."""

    zones: dict[str, Zone]
    month: np.ndarray
    sensors: tuple[Sensor, ...] = ()
    timer: dict[str, np.ndarray] = field(default_factory=dict)


@dataclass
class Played:
    """What became of a zone: events and water [mm, zone mean], both (W,); stress days and what
    drained [mm], both (Q, W); depletion at the end of each day (Q, D, W) [mm]; days run (D, W)."""

    events: np.ndarray
    water_mm: np.ndarray
    class_stress_days: np.ndarray
    drained_mm: np.ndarray
    depletion: np.ndarray
    ran: np.ndarray

    @property
    def stress_days(self) -> np.ndarray:
        """Stress days of the zone (W,): the mean over its classes."""
        return self.class_stress_days.mean(axis=0)


def printed_minutes(full, percent):
    """Whole minutes by month from the full run time and the month's percent, as a timer rounds."""
    return {month: float(np.floor(full * p / 100 + 0.5)) for month, p in percent.items()}


def drop_of_share(share_left, capacity):
    """Points below the soak reading of a threshold told as a share of available water left."""
    return (1 - share_left) * capacity


def root_share(part):
    """Share of the roots in the upper `part` of the root zone."""
    return float(np.interp(part, np.linspace(0, 1, 5), np.cumsum((0.0, *ROOTS))))


class Bucket:
    """The root zone of every class of a zone, at field capacity to begin with."""

    def __init__(self, zone: Zone) -> None:
        shape = zone.receives.shape
        self.zone = zone
        self.dry = np.zeros(shape)  # depletion of the root zone
        self.upper = np.zeros(shape)  # and of the sensor's layer
        self.drained = np.zeros(shape)
        self.stress = np.zeros(shape)

    def layer_dryness(self, place):
        """Share of the layer's water that is gone, 0..1."""
        return self.upper[place] / (self.zone.layer * self.zone.taw)

    def day(self, d, depth):
        """One day: `depth` (W,) of irrigation, zone mean."""
        zone = self.zone
        water = zone.rain[d] + zone.receives * depth
        ks = np.clip((zone.taw - self.dry) / (zone.taw - zone.raw), 0, 1)
        drawn = ks * zone.etc[:, d]
        from_layer = drawn * self._layer_part()
        after = self.dry + drawn - water
        self.drained += np.maximum(-after, 0)
        self.dry = np.clip(after, 0, zone.taw)
        held, rest = zone.layer * zone.taw, (1 - zone.layer) * zone.taw
        layer = np.clip(self.upper + from_layer - water, 0, held)
        # The layer is no drier than the whole, and the rest gives no more than it holds.
        self.upper = np.maximum(np.minimum(layer, self.dry), self.dry - rest)
        self.stress += self.dry > zone.raw + 1e-9

    def _layer_part(self):
        """Share of the day's uptake that comes from the layer."""
        zone = self.zone
        if zone.layer >= 1:
            return np.ones_like(self.dry)
        reach = root_share(zone.layer)
        layer = reach * (1 - self.upper / (zone.layer * zone.taw))
        rest = (1 - reach) * (1 - (self.dry - self.upper) / ((1 - zone.layer) * zone.taw))
        total = layer + rest
        return np.where(total > 0, layer / np.where(total > 0, total, 1), 1.0)


def play(sheet: Sheet) -> dict[str, Played]:
    """Play every season of the sheet; returns what became of each zone."""
    governor = {name: s for s in sheet.sensors for name in s.governs}
    if twice := set(governor) & set(sheet.timer):
        message = f"both timed and governed: {sorted(twice)}"
        raise ValueError(message)
    if missing := set(sheet.zones) - set(governor) - set(sheet.timer):
        message = f"nothing runs {sorted(missing)}"
        raise ValueError(message)
    buckets = {name: Bucket(zone) for name, zone in sheet.zones.items()}
    days, seasons = len(sheet.month), next(iter(sheet.zones.values())).rain.shape[1]
    ran = {name: np.zeros((days, seasons), dtype=bool) for name in sheet.zones}
    record = {name: np.zeros((*b.dry.shape[:1], days, seasons)) for name, b in buckets.items()}
    water = {name: np.zeros(seasons) for name in sheet.zones}
    for d, month in enumerate(sheet.month):
        # Every sensor reads before anything runs.
        go = {id(s): s.days[d] & starts(s, buckets[s.zone], d) for s in sheet.sensors}
        for name, bucket in buckets.items():
            run = go[id(governor[name])] if name in governor else sheet.timer[name][d]
            depth = run * bucket.zone.minutes[int(month)] * bucket.zone.rate
            bucket.day(d, depth)
            ran[name][d], record[name][:, d] = run & (depth > 0), bucket.dry
            water[name] += depth
    return {
        name: Played(
            ran[name].sum(axis=0),
            water[name],
            bucket.stress,
            bucket.drained,
            record[name],
            ran[name],
        )
        for name, bucket in buckets.items()
    }


def starts(sensor: Sensor, bucket: Bucket, d: int) -> np.ndarray:
    """Whether the reading of the morning is as dry as the threshold, or drier (W,)."""
    below = bucket.layer_dryness(sensor.place) * sensor.capacity
    error = np.asarray(sensor.error)
    below = below + (error[d] if error.ndim else error)
    if sensor.step:
        below = np.round(below / sensor.step) * sensor.step
    return np.asarray(below >= sensor.drop - 1e-12)


def worst_tenth(values: np.ndarray) -> float:
    """Mean of the greatest tenth, rounded up to whole values."""
    count = max(1, int(np.ceil(len(values) / 10)))
    return float(np.mean(np.sort(values)[-count:]))
