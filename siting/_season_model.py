"""What passes through `siting.season`: root zones in, watering and factors out.

Private only in the file's name: `siting.season` re-exports every class. Axes: Z zones, D days,
W runs (years x scenarios), G governors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting._control import Days
from siting.errors import Fault, InputError

__all__ = ["Followers", "LeastDepth", "RootZones", "Watering"]


@dataclass(frozen=True)
class RootZones:
    """The driest quarter of every zone, for every day and run.

    Parameters
    ----------
    etc : ndarray, shape (Z, D, W)
        Demand of the driest quarter, unstressed [mm/d].
    rain : ndarray, shape (D, W) or (Z, D, W)
        Effective rain; per zone where some are sheltered [mm].
    taw, raw : ndarray, shape (Z, W)
        Total and readily available water, 0 < RAW < TAW [mm].
    application : ndarray, shape (Z, W)
        What the driest quarter receives over the zone's mean depth, above 0.
    sensor_share : ndarray, shape (Z,), optional
        Upper layer that a sensor in the zone reads, over the root zone, above 0, at most 1 (see
        `siting.water.layers`); without it the reading is that of the whole root zone.
    reading_error : ndarray, shape (D, W), optional
        What a sensor reads too dry, as a share of what its layer holds: its bias and noise; the
        same for every sensor, so that equal zones stay equal.
    threads : int
        Blocks of root zones to advance at a time; the result does not depend on it.

    Raises
    ------
    InputError
        Where shapes disagree or a value is not finite or out of its range.
    """

    etc: NDArray[np.float64]
    rain: NDArray[np.float64]
    taw: NDArray[np.float64]
    raw: NDArray[np.float64]
    application: NDArray[np.float64]
    sensor_share: NDArray[np.float64] | None = None
    reading_error: NDArray[np.float64] | None = None
    threads: int = 1

    def __post_init__(self) -> None:
        """Refuse what the balance cannot run on."""
        faults = _shape_faults(self) or _value_faults(self)
        if faults:
            raise InputError(faults)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Zones, days, runs."""
        zones, days, runs = self.etc.shape
        return zones, days, runs

    def by_day(self) -> Days:
        """Return the arrays with the day first, contiguous."""
        rain = np.broadcast_to(self.rain, self.etc.shape)
        return Days(
            etc=_flat(np.moveaxis(self.etc, 1, 0)),
            rain=_flat(np.moveaxis(rain, 1, 0)),
            taw=_flat(self.taw),
            raw=_flat(self.raw),
            application=_flat(self.application),
            share=_flat(self.layer_share),
            error=self.reading_error,
            threads=self.threads,
        )

    @property
    def layer_share(self) -> NDArray[np.float64]:
        """Upper layer that a sensor reads, over the root zone, shape (Z, W)."""
        share = np.ones(len(self.taw)) if self.sensor_share is None else self.sensor_share
        return np.broadcast_to(share[:, None], self.taw.shape)


def _flat(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.ascontiguousarray(values, dtype=np.float64)


@dataclass(frozen=True)
class Watering:
    """What ran, and how the driest quarter fared; rows R are governors or zones.

    Parameters
    ----------
    depth : ndarray, shape (R, D, W)
        Depth of the day's event, 0 without one [mm, zone mean].
    stress_days : ndarray, shape (R, W)
        Days that end beyond RAW [d].
    """

    depth: NDArray[np.float64]
    stress_days: NDArray[np.float64]

    @property
    def events(self) -> NDArray[np.int64]:
        """Number of events, shape (R, W)."""
        return np.asarray(np.count_nonzero(self.depth, axis=1))

    @property
    def water_mm(self) -> NDArray[np.float64]:
        """Depth of the season, shape (R, W) [mm]."""
        return np.asarray(self.depth.sum(axis=1))

    @property
    def mean_water_mm(self) -> NDArray[np.float64]:
        """Depth of a season, mean over the runs, shape (R,) [mm]."""
        return np.asarray(self.water_mm.mean(axis=1))

    @property
    def worst_stress_days(self) -> NDArray[np.float64]:
        """Stress days of the worst run, shape (R,) [d]."""
        return np.asarray(self.stress_days.max(axis=1))

    def skipped_fraction(self, days: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return the share of the scheduled events that did not run.

        Parameters
        ----------
        days : ndarray of bool, shape (D, W)
            The schedule.

        Returns
        -------
        ndarray, shape (R, W)
            0..1; NaN where nothing was scheduled.
        """
        scheduled = np.count_nonzero(days, axis=0)
        share = np.full(self.stress_days.shape, np.nan)
        np.divide(scheduled - self.events, scheduled, out=share, where=scheduled > 0)
        return share


@dataclass(frozen=True)
class LeastDepth:
    """The least fixed depth of each governor.

    Parameters
    ----------
    depth : ndarray, shape (G,)
        Depth per event [mm, zone mean].
    stress_days : ndarray, shape (G,)
        Its stress days in the worst run [d].
    reachable : ndarray of bool, shape (G,)
        False where no depth meets the cap; the depth is then the least with the fewest stress days.
    """

    depth: NDArray[np.float64]
    stress_days: NDArray[np.float64]
    reachable: NDArray[np.bool_]


@dataclass(frozen=True)
class Followers:
    """What every zone needs under every governor.

    Parameters
    ----------
    factor : ndarray, shape (G, Z)
        Depth over the governor's; 1 in its own zone; inf where the cap cannot be met.
    stress_days : ndarray, shape (G, Z)
        In the worst run, with that factor [d]; NaN where the cap cannot be met.
    water_mm : ndarray, shape (G, Z)
        Depth of a season, mean over the runs [mm, zone mean]; inf where the cap cannot be met.
    """

    factor: NDArray[np.float64]
    stress_days: NDArray[np.float64]
    water_mm: NDArray[np.float64]


def _shape_faults(roots: RootZones) -> list[Fault]:
    """Every array whose shape does not fit `etc`."""
    shape = roots.etc.shape
    if len(shape) != 3:  # noqa: PLR2004 - zones, days, runs
        return [_fault("etc", f"shape {shape}", "(zones, days, runs)")]
    zones, days, runs = shape
    allowed = {
        "rain": {(days, runs), shape},
        "taw": {(zones, runs)},
        "raw": {(zones, runs)},
        "application": {(zones, runs)},
        **({} if roots.sensor_share is None else {"sensor_share": {(zones,)}}),
        **({} if roots.reading_error is None else {"reading_error": {(days, runs)}}),
    }
    return [
        _fault(name, f"shape {getattr(roots, name).shape}", " or ".join(map(str, sorted(fits))))
        for name, fits in allowed.items()
        if getattr(roots, name).shape not in fits
    ]


def _value_faults(roots: RootZones) -> list[Fault]:
    """Every array with a value that the balance cannot use."""
    checks = (
        ("etc", roots.etc >= 0, "0 mm/d or more"),
        ("rain", roots.rain >= 0, "0 mm or more"),
        ("raw", roots.raw > 0, "above 0 mm"),
        ("taw", roots.taw > roots.raw, "above RAW"),
        ("application", roots.application > 0, "above 0"),
        ("layer_share", (roots.layer_share > 0) & (roots.layer_share <= 1), "above 0, at most 1"),
    )
    found = (
        (name, int(np.count_nonzero(~(good & np.isfinite(getattr(roots, name))))), allowed)
        for name, good, allowed in checks
    )
    return [
        _fault(name, f"{bad} values out of range or not finite", allowed)
        for name, bad, allowed in found
        if bad
    ]


def _fault(name: str, found: str, allowed: str) -> Fault:
    return Fault("root zones", found, allowed, "Correct the input of this zone.", column=name)
