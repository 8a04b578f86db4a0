"""Inner loops of the season: many root zones advanced a day at a time, in place.

Private to `siting.season`. Everything here is plain arrays with the day on the first axis, so that
one day is one contiguous block. The balance is that of `siting.water.balance.step` (a test holds
the two equal); it is repeated here because these loops run tens of millions of zone-days and may
not allocate. Where numba is installed they run compiled, to the same bits
(`siting._control_kernels`).
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.sun.light import worth_compiling
from siting.water.layers import root_share

__all__ = ["Bucket", "Days", "Reading", "govern", "pair_stress"]

_Floats = NDArray[np.float64]

#: How many root zones to advance together: the working arrays then stay in a core's cache.
BLOCK = 16_384

#: Depletion beyond RAW by less than this is rounding, not stress [mm].
TOLERANCE_MM = 1e-9

#: Divided by instead of nothing.
_LEAST = 1e-300

#: Zone-days of one call from which compiled loops are worth their start (about half a second).
_WORTH = 2e7


class Days(NamedTuple):
    """Inputs with the day first; D days, Z zones, W runs.

    Parameters
    ----------
    etc, rain : ndarray, shape (D, Z, W)
        Demand, unstressed [mm/d], and effective rain [mm].
    taw, raw : ndarray, shape (Z, W)
        Total and readily available water [mm].
    application : ndarray, shape (Z, W)
        What the driest quarter receives over the zone's mean depth [-].
    share : ndarray, shape (Z, W)
        Upper layer that a sensor reads, over the root zone; above 0, at most 1 [-].
    error : ndarray, shape (D, W), optional
        What a sensor reads too dry, as a share of what its layer holds; None reads true [-].
    threads : int
        Blocks advanced at a time; the result does not depend on it.
    """

    etc: NDArray[np.float64]
    rain: NDArray[np.float64]
    taw: NDArray[np.float64]
    raw: NDArray[np.float64]
    application: NDArray[np.float64]
    share: NDArray[np.float64]
    error: NDArray[np.float64] | None = None
    threads: int = 1

    @property
    def need(self) -> NDArray[np.float64]:
        """Demand less rain over the season, shape (Z, W) [mm]."""
        return np.asarray((self.etc - self.rain).sum(axis=0))

    def only(self, runs: NDArray[np.int64]) -> Days:
        """Return the inputs of some of the runs.

        Parameters
        ----------
        runs : ndarray of int, shape (S,)
            Positions of the runs.

        Returns
        -------
        Days
            With S runs, contiguous.
        """
        some: dict[str, Any] = {
            name: np.ascontiguousarray(values[..., runs])
            for name, values in self._asdict().items()
            if isinstance(values, np.ndarray)
        }
        return self._replace(**some)


class _Rule(NamedTuple):
    """Sensors and when they water; see `govern`."""

    zone: NDArray[np.int64]
    start: _Floats
    event: _Floats
    allowed: NDArray[np.bool_]
    refill: bool
    dial: _Floats | None

    def rows(self, part: slice) -> _Rule:
        return self._replace(zone=self.zone[part], start=self.start[part], event=self.event[part])


class _Pairs(NamedTuple):
    """Followers of governors; see `pair_stress`."""

    governor: NDArray[np.int64]
    zone: NDArray[np.int64]
    factor: _Floats
    runs: NDArray[np.int64]

    def rows(self, part: slice) -> _Pairs:
        return _Pairs(self.governor[part], self.zone[part], self.factor[part], self.runs[part])


class Bucket:
    """Depletion of many root zones and their stress days so far; starts at field capacity.

    Parameters
    ----------
    taw, raw : ndarray
        Total and readily available water, any one shape [mm].
    """

    def __init__(self, taw: NDArray[np.float64], raw: NDArray[np.float64]) -> None:
        self.depletion = np.zeros(taw.shape)
        self.stress = np.zeros(taw.shape)
        self._taw = taw
        self._limit = raw + TOLERANCE_MM
        self._slope = 1.0 / (taw - raw)
        self._work = np.empty(taw.shape)

    @property
    def soil(self) -> tuple[_Floats, _Floats, _Floats]:
        """What the compiled loops need: TAW, limit of stress [mm], slope [1/mm]."""
        return _whole(self._taw), _whole(self._limit), _whole(self._slope)

    def advance(self, etc: NDArray[np.float64], water: NDArray[np.float64]) -> None:
        """Advance one day, in place: demand first, then water.

        Parameters
        ----------
        etc : ndarray
            Demand of the day, unstressed, of the bucket's shape [mm].
        water : ndarray
            Rain and irrigation of the day, of the bucket's shape [mm].
        """
        depletion, work = self.depletion, self._work
        np.subtract(self._taw, depletion, out=work)
        work *= self._slope
        np.minimum(work, 1.0, out=work)
        work *= etc
        depletion += work
        depletion -= water
        np.maximum(depletion, 0.0, out=depletion)
        np.minimum(depletion, self._taw, out=depletion)
        np.greater(depletion, self._limit, out=work)
        self.stress += work


class Reading(Bucket):
    """A bucket with the upper layer that a sensor reads; see `siting.water.layers.layer_step`.

    Parameters
    ----------
    taw, raw : ndarray
        Total and readily available water, any one shape [mm].
    share : ndarray
        Upper layer over root zone, above 0, at most 1.
    """

    def __init__(
        self,
        taw: NDArray[np.float64],
        raw: NDArray[np.float64],
        share: NDArray[np.float64],
    ) -> None:
        super().__init__(taw, raw)
        self.upper = np.zeros(taw.shape)
        self._held = share * taw
        self._below = taw - self._held
        reach = root_share(share)
        self._reach = reach, 1.0 - reach
        # Uptake per wetness: reach (1 - depletion / capacity); no rest, no uptake from it.
        self._upper_slope = reach / self._held
        rest = np.zeros(taw.shape)
        np.divide(1.0 - reach, self._below, out=rest, where=self._below > 0)
        self._rest_slope = rest
        self._buffers = np.empty(taw.shape), np.empty(taw.shape)

    @property
    def layer(self) -> tuple[_Floats, _Floats, _Floats, _Floats, _Floats]:
        """What the compiled loops need: water below [mm], both reaches [-], slopes [1/mm]."""
        upper, rest = (_whole(values) for values in self._reach)
        slopes = _whole(self._upper_slope), _whole(self._rest_slope)
        return _whole(self._below), upper, rest, *slopes

    def advance(self, etc: NDArray[np.float64], water: NDArray[np.float64]) -> None:
        """Advance one day, in place, the layer first: its uptake follows the start of the day.

        Parameters
        ----------
        etc : ndarray
            Demand of the day, unstressed, of the bucket's shape [mm].
        water : ndarray
            Rain and irrigation of the day, of the bucket's shape [mm].
        """
        upper, (drawn, other) = self.upper, self._buffers
        np.subtract(self.depletion, upper, out=other)
        other *= self._rest_slope
        np.subtract(self._reach[1], other, out=other)
        np.multiply(upper, self._upper_slope, out=drawn)
        np.subtract(self._reach[0], drawn, out=drawn)
        other += drawn
        # A root zone at its wilting point gives nothing, whatever the share is called.
        np.maximum(other, _LEAST, out=other)
        drawn /= other
        np.subtract(self._taw, self.depletion, out=other)
        other *= self._slope
        np.minimum(other, 1.0, out=other)
        other *= etc
        drawn *= other
        upper += drawn
        upper -= water
        super().advance(etc, water)
        np.minimum(upper, self._held, out=upper)
        np.minimum(upper, self.depletion, out=upper)
        np.subtract(self.depletion, self._below, out=other)
        np.maximum(other, 0.0, out=other)
        np.maximum(upper, other, out=upper)


def govern(
    days: Days,
    zone: NDArray[np.int64],
    allowed: NDArray[np.bool_],
    *,
    start: NDArray[np.float64],
    event: NDArray[np.float64],
    refill: bool = False,
    record: NDArray[np.float64] | None = None,
    dial: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Run sensors that decide for themselves; whole events are gated, never a part of one.

    Parameters
    ----------
    days : Days
        Inputs.
    zone : ndarray of int, shape (G,)
        Zone of each sensor.
    allowed : ndarray of bool, shape (D, W)
        Days on which an event may run.
    start : ndarray, shape (G, W)
        Least depletion of the sensor's layer at which an event goes ahead [mm].
    event : ndarray, shape (G, W)
        Depth of an event [mm, zone mean]; when `refill`, the depletion at which it stops [mm].
    refill : bool
        Whether events refill the driest quarter instead of applying a fixed depth.
    record : ndarray, shape (D, G, W), optional
        Filled with the depth of every event [mm, zone mean].
    dial : ndarray, shape (D,), optional
        Seasonal adjustment of a fixed depth on each day, 1 at full.

    Returns
    -------
    ndarray, shape (G, W)
        Stress days.
    """
    rule = _Rule(zone, start, event, allowed, refill, dial)
    compiled = worth_compiling(days.etc.shape[0] * start.size, _WORTH)
    advance = _compiled_govern if compiled else _block_govern
    stress = np.empty(start.shape)

    def run(part: slice) -> None:
        own = None if record is None else record[:, part]
        stress[part] = advance(days, rule.rows(part), own)

    _each_block(run, len(zone), max(1, BLOCK // start.shape[1]), days.threads)
    return stress


def _each_block(run: Callable[[slice], None], count: int, block: int, threads: int) -> None:
    """Run every block of `count` rows; blocks share nothing, so their order does not matter."""
    parts = [slice(first, first + block) for first in range(0, count, block)]
    if threads == 1 or len(parts) < 2:  # noqa: PLR2004 - nothing to share out
        for part in parts:
            run(part)
        return
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(run, parts))


def _block_govern(days: Days, rule: _Rule, record: _Floats | None) -> _Floats:
    zone, start, event, allowed, refill, dial = rule
    bucket, held, application = _full(days, zone)
    taw = days.taw[zone]
    for day in range(days.etc.shape[0]):
        layer = bucket.upper if isinstance(bucket, Reading) else bucket.depletion
        error = 0.0 if days.error is None else days.error[day]
        depth = event
        if refill:
            depth = np.maximum(bucket.depletion + error * taw - event, 0.0) / application
        go = (layer + error * held >= start) & allowed[day]
        water = np.where(go, depth, 0.0)
        if dial is not None:
            water *= dial[day]
        if record is not None:
            record[day] = water
        water *= application
        water += days.rain[day][zone]
        bucket.advance(days.etc[day][zone], water)
    return bucket.stress


def _full(days: Days, zone: NDArray[np.int64]) -> tuple[Bucket, _Floats, _Floats]:
    """Return root zones at field capacity, what the layer of each holds [mm], and application."""
    share, taw, raw = days.share[zone], days.taw[zone], days.raw[zone]
    bucket = Reading(taw, raw, share) if bool((share < 1.0).any()) else Bucket(taw, raw)
    return bucket, share * taw, days.application[zone]


def _compiled_govern(days: Days, rule: _Rule, record: _Floats | None) -> _Floats:
    """Run the loop of `_block_govern` compiled."""
    from siting._control_kernels import govern_days  # noqa: PLC0415 - only where it is worth it

    bucket, held, application = _full(days, rule.zone)
    count = days.etc.shape[0]
    error = np.zeros((count, held.shape[1])) if days.error is None else days.error
    dial = np.ones(count) if rule.dial is None else rule.dial
    whole, layered = _whole(held), isinstance(bucket, Reading)
    where = _whole(rule.zone), _whole(rule.allowed), _whole(rule.start), _whole(rule.event)
    events = np.empty((0, 0, 0) if record is None else (count, *held.shape))
    govern_days(
        (_whole(days.etc), _whole(days.rain), _whole(error), _whole(dial)),
        (*bucket.soil, _whole(application)),
        (whole, *bucket.layer) if isinstance(bucket, Reading) else (whole,) * 6,
        (*where, rule.refill, layered),
        events,
        bucket.stress,
    )
    if record is not None:
        record[:] = events
    return bucket.stress


def _whole(values: NDArray[Any]) -> NDArray[Any]:
    """Contiguous and writable, so that every kernel is compiled for one kind of array."""
    return np.require(values, requirements=["C", "W"])


def pair_stress(
    days: Days,
    depth: NDArray[np.float64],
    *,
    governor: NDArray[np.int64],
    zone: NDArray[np.int64],
    factor: NDArray[np.float64],
    runs: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return the stress days of zones that follow a governor's events.

    Parameters
    ----------
    days : Days
        Inputs.
    depth : ndarray, shape (D, G, W)
        The governors' events [mm, zone mean].
    governor, zone : ndarray of int, shape (P,)
        The pairs.
    factor : ndarray, shape (P,)
        The follower's depth over the governor's.
    runs : ndarray of int, shape (P, S) or (1, S)
        Which runs to look at, per pair.

    Returns
    -------
    ndarray, shape (P, S)
        Stress days.
    """
    pairs = _Pairs(governor, zone, factor, np.broadcast_to(runs, (len(zone), runs.shape[1])))
    compiled = worth_compiling(days.etc.shape[0] * pairs.runs.size, _WORTH)
    follow = _compiled_stress if compiled else _block_stress
    out = np.empty(pairs.runs.shape)

    def run(part: slice) -> None:
        out[part] = follow(days, depth, pairs.rows(part))

    _each_block(run, len(zone), max(1, BLOCK // runs.shape[1]), days.threads)
    return out


def _block_stress(days: Days, depth: _Floats, pairs: _Pairs) -> _Floats:
    governor, zone, factor, runs = pairs
    width = days.taw.shape[1]
    if runs.shape[1] == width and bool(np.all(runs == np.arange(width))):
        return _whole_stress(days, depth, pairs)
    at_zone = zone[:, None] * width + runs
    at_governor = governor[:, None] * width + runs
    scale = factor[:, None] * days.application.ravel()[at_zone]
    bucket = Bucket(days.taw.ravel()[at_zone], days.raw.ravel()[at_zone])
    etc, rain, water = (np.empty(runs.shape) for _ in range(3))
    for day in range(days.etc.shape[0]):
        # mode="clip" lets `take` write straight into `out`; every index is in range.
        np.take(depth[day], at_governor, out=water, mode="clip")
        np.take(days.rain[day], at_zone, out=rain, mode="clip")
        np.take(days.etc[day], at_zone, out=etc, mode="clip")
        water *= scale
        water += rain
        bucket.advance(etc, water)
    return bucket.stress


def _whole_stress(days: Days, depth: _Floats, pairs: _Pairs) -> _Floats:
    """Stress days in every run: whole rows are copied, which is far faster than single cells."""
    governor, zone, factor, _ = pairs
    scale = factor[:, None] * days.application[zone]
    bucket = Bucket(days.taw[zone], days.raw[zone])
    etc, rain, water = (np.empty(scale.shape) for _ in range(3))
    for day in range(days.etc.shape[0]):
        np.take(depth[day], governor, axis=0, out=water, mode="clip")
        np.take(days.rain[day], zone, axis=0, out=rain, mode="clip")
        np.take(days.etc[day], zone, axis=0, out=etc, mode="clip")
        water *= scale
        water += rain
        bucket.advance(etc, water)
    return bucket.stress


def _compiled_stress(days: Days, depth: _Floats, pairs: _Pairs) -> _Floats:
    """Run the loop of `_block_stress` compiled."""
    from siting._control_kernels import follow_days  # noqa: PLC0415 - only where it is worth it

    governor, zone, factor, runs = pairs
    at = zone[:, None], runs
    scale = factor[:, None] * days.application[at]
    bucket = Bucket(days.taw[at], days.raw[at])
    follow_days(
        (_whole(days.etc), _whole(days.rain)),
        _whole(depth),
        (*bucket.soil, _whole(scale)),
        (_whole(governor), _whole(zone), _whole(runs)),
        bucket.stress,
    )
    return bucket.stress
