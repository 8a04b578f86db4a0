"""The season in plain numpy, one day after another: what the compiled loops are held to.

Slow, and written to be read: a bucket that advances a day at a time, with the layer that a sensor
reads inside it. The operations are those of the compiled loops, in their order, so that the two
agree to the bit in single precision: neither side reorders sums, and no multiplication is fused
with an addition. In double precision it tells what single precision costs.
"""

from __future__ import annotations

import numpy as np

from siting.season.events import RootZone
from siting.water.balance import root_share

#: Depletion beyond RAW by less than this is rounding, not stress [mm].
TOLERANCE_MM = 1e-4


class Bucket:
    """Depletion of an area class in every run, and its stress days so far; starts full."""

    def __init__(self, root: RootZone, quarter: int, number: type = np.float32) -> None:
        self.number = number
        self.etc = root.etc[quarter].astype(number)
        self.taw, self.limit = number(root.taw), number(root.raw + TOLERANCE_MM)
        self.slope = number(1.0 / (root.taw - root.raw))
        self.depletion = np.zeros(root.taw.shape, number)
        self.stress = np.zeros(root.taw.shape)

    def taken(self, day: int) -> np.ndarray:
        """What plants take in a day: less than they want where RAW is used up."""
        most = (self.taw - self.depletion) * self.slope
        return np.minimum(most, self.number(1.0)) * self.etc[day]

    def advance(self, day: int, water: np.ndarray) -> None:
        """Advance one day: demand first, then water."""
        after = self.depletion + self.taken(day) - water
        self.depletion = np.minimum(np.maximum(after, self.number(0.0)), self.taw)
        self.stress += self.depletion > self.limit


class Reading(Bucket):
    """A bucket with the upper layer that a sensor reads."""

    def __init__(self, root: RootZone, quarter: int, number: type = np.float32) -> None:
        super().__init__(root, quarter, number)
        self.upper = np.zeros(root.taw.shape, number)
        held = root.sensor_share * root.taw
        below, reach = root.taw - held, float(root_share(root.sensor_share))
        rest_slope = np.zeros(root.taw.shape)
        np.divide(1.0 - reach, below, out=rest_slope, where=below > 0)
        self.held, self.below, self.reach = number(held), number(below), number(reach)
        self.rest, self.rest_slope = number(1.0 - reach), number(rest_slope)
        self.upper_slope = number(reach / held)

    def advance(self, day: int, water: np.ndarray) -> None:
        """Advance one day, the layer first: its uptake follows the start of the day."""
        mine = self.reach - self.upper * self.upper_slope
        rest = self.rest - (self.depletion - self.upper) * self.rest_slope
        share = mine / np.maximum(rest + mine, self.number(1e-30))
        upper = self.upper + share * self.taken(day) - water
        super().advance(day, water)
        upper = np.minimum(np.minimum(upper, self.held), self.depletion)
        least = np.maximum(self.depletion - self.below, self.number(0.0))
        self.upper = np.maximum(upper, least)


def play_events(
    root: RootZone,
    ran: np.ndarray,
    depth: float,
    dial: np.ndarray | None = None,
    number: type = np.float32,
) -> np.ndarray:
    """Stress days (W,) under given events (D, W)."""
    classes, days, _ = root.shape
    rain, application = root.rain.astype(number), root.application.astype(number)
    short = []
    for quarter in range(classes):
        bucket = Bucket(root, quarter, number)
        for day in range(days):
            whole = number(depth if dial is None else dial[day] * depth)
            received = whole * application[quarter]
            bucket.advance(day, received * ran[day].astype(number) + rain[day])
        short.append(bucket.stress)
    return np.mean(short, axis=0)


def play_sensor(
    root: RootZone, days: np.ndarray, depth: float, threshold: float, number: type = np.float32
) -> tuple[np.ndarray, np.ndarray]:
    """Events (D, W) that a sensor in the driest class lets run, and stress days (W,)."""
    whole = root.taw if root.described_mm is None else np.full_like(root.taw, root.described_mm)
    range_mm = number(root.sensor_share * whole)
    rain, received = root.rain.astype(number), number(depth) * root.application[0].astype(number)
    error = np.zeros(root.rain.shape) if root.reading_error is None else root.reading_error
    seen = Reading(root, 0, number)
    ran = np.zeros(root.rain.shape, dtype=bool)
    for day in range(root.shape[1]):
        reads = seen.upper + number(error[day]) * range_mm
        ran[day] = (reads >= number(threshold) * range_mm) & days[day]
        seen.advance(day, received * ran[day].astype(number) + rain[day])
    return ran, play_events(root, ran, depth, number=number)
