"""The season in plain numpy, one day after another: what the compiled loops are held to.

Slow, and written to be read: a bucket that advances a day at a time, with the layer that a sensor
reads inside it. The operations are those of the compiled loops, in their order, so that the two
agree to the bit: neither side reorders sums, and no multiplication is fused with an addition.
"""

from __future__ import annotations

import numpy as np

from siting.season.events import RootZone
from siting.water.balance import root_share

#: Depletion beyond RAW by less than this is rounding, not stress [mm].
TOLERANCE_MM = 1e-9


class Bucket:
    """Depletion of an area class in every run, and its stress days so far; starts full."""

    def __init__(self, root: RootZone, quarter: int) -> None:
        self.root, self.quarter = root, quarter
        self.depletion = np.zeros(root.taw.shape)
        self.stress = np.zeros(root.taw.shape)
        self.slope = 1.0 / (root.taw - root.raw)

    def taken(self, etc: np.ndarray) -> np.ndarray:
        """What plants take in a day: less than they want where RAW is used up."""
        return np.minimum((self.root.taw - self.depletion) * self.slope, 1.0) * etc

    def advance(self, day: int, water: np.ndarray) -> None:
        """Advance one day: demand first, then water."""
        after = self.depletion + self.taken(self.root.etc[self.quarter, day]) - water
        self.depletion = np.minimum(np.maximum(after, 0.0), self.root.taw)
        self.stress += self.depletion > self.root.raw + TOLERANCE_MM


class Reading(Bucket):
    """A bucket with the upper layer that a sensor reads."""

    def __init__(self, root: RootZone, quarter: int) -> None:
        super().__init__(root, quarter)
        self.upper = np.zeros(root.taw.shape)
        self.held = root.sensor_share * root.taw
        self.below = root.taw - self.held
        self.reach = float(root_share(root.sensor_share))
        self.rest_slope = np.zeros(root.taw.shape)
        np.divide(1.0 - self.reach, self.below, out=self.rest_slope, where=self.below > 0)

    def advance(self, day: int, water: np.ndarray) -> None:
        """Advance one day, the layer first: its uptake follows the start of the day."""
        mine = self.reach - self.upper * (self.reach / self.held)
        rest = (1.0 - self.reach) - (self.depletion - self.upper) * self.rest_slope
        share = mine / np.maximum(rest + mine, 1e-300)
        upper = self.upper + share * self.taken(self.root.etc[self.quarter, day]) - water
        super().advance(day, water)
        upper = np.minimum(np.minimum(upper, self.held), self.depletion)
        self.upper = np.maximum(upper, np.maximum(self.depletion - self.below, 0.0))


def play_events(
    root: RootZone, ran: np.ndarray, depth: float, dial: np.ndarray | None = None
) -> np.ndarray:
    """Stress days (W,) under given events (D, W)."""
    classes, days, _ = root.shape
    short = []
    for quarter in range(classes):
        bucket = Bucket(root, quarter)
        for day in range(days):
            whole = depth if dial is None else dial[day] * depth
            received = whole * root.application[quarter]
            bucket.advance(day, received * ran[day] + root.rain[day])
        short.append(bucket.stress)
    return np.mean(short, axis=0)


def play_sensor(
    root: RootZone, days: np.ndarray, depth: float, threshold: float
) -> tuple[np.ndarray, np.ndarray]:
    """Events (D, W) that a sensor in the driest class lets run, and stress days (W,)."""
    range_mm = root.sensor_share * (
        root.taw if root.described_mm is None else np.full_like(root.taw, root.described_mm)
    )
    seen = Reading(root, 0)
    ran = np.zeros(root.rain.shape, dtype=bool)
    for day in range(root.shape[1]):
        error = 0.0 if root.reading_error is None else root.reading_error[day]
        ran[day] = (seen.upper + error * range_mm >= threshold * range_mm) & days[day]
        seen.advance(day, depth * root.application[0] * ran[day] + root.rain[day])
    return ran, play_events(root, ran, depth)
