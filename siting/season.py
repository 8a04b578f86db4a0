"""Timer, bypass and on-demand control over many seasons, and what the followers need.

Every decision is taken at the start of the day from the depletion of the *driest quarter* of the
sensor's zone, in the layer that the sensor reads (`RootZones.sensor_share`; the whole root zone
without it); an event waters the same day. Depths are zone means [mm]; the driest quarter receives
the depth times its `application`. Every season starts at field capacity (depletion 0). A *stress
day* is a day that ends with a depletion beyond RAW. Runs are years x scenarios, side by side.

Axes: Z zones, D days, W runs, G governors (a sensor's zone with one setting of its control).

A larger factor never gives a follower more stress days, and (where the sensor reads the whole root
zone) with a fixed depth a drier threshold never gives more events, as long as a day's demand does
not exceed TAW - RAW: each day's balance is
then non-decreasing in the depletion, with a slope of at most 1.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting._control import govern, pair_stress
from siting._search import FACTOR_LIMIT, FACTOR_PARTS, search_depths, search_factors
from siting._season_model import Followers, LeastDepth, RootZones, Watering
from siting._shutoff import rain_shutoff, weekdays
from siting.errors import Fault, InputError
from siting.site.settings import Timer

__all__ = [
    "FACTOR_LIMIT",
    "FACTOR_PARTS",
    "Followers",
    "LeastDepth",
    "RootZones",
    "Watering",
    "applied",
    "bypass_events",
    "follower_factor",
    "least_depth",
    "on_demand_events",
    "rain_shutoff",
    "relaxed_caps",
    "timer_days",
    "timer_season",
    "weekdays",
]


def timer_days(dates: NDArray[np.datetime64], timer: Timer | None) -> NDArray[np.bool_]:
    """Return the days on which a timer starts an event.

    Parameters
    ----------
    dates : ndarray of datetime64, shape (D, Y)
        The days of each season.
    timer : Timer or None
        Weekdays, or every n days from the first day of the season; None means that every day may
        be used.

    Returns
    -------
    ndarray of bool, shape (D, Y)
        True on a day with an event.

    Raises
    ------
    InputError
        When the timer has neither weekdays nor an interval of at least one day.

    Examples
    --------
    >>> week = np.arange("2023-05-01", "2023-05-08", dtype="datetime64[D]")[:, None]
    >>> timer_days(week, Timer(days=(0, 3)))[:, 0].astype(int)
    array([1, 0, 0, 1, 0, 0, 0])
    """
    if timer is None:
        return np.ones(dates.shape, dtype=np.bool_)
    number = dates.astype("datetime64[D]").astype(np.int64)
    if timer.days:
        # 1970-01-01 was a Thursday; Monday is 0.
        weekday: NDArray[np.bool_] = np.isin((number + 3) % 7, timer.days)
        return weekday
    if timer.every_n_days is not None and timer.every_n_days >= 1:
        turn: NDArray[np.bool_] = (number - number[:1]) % timer.every_n_days == 0
        return turn
    fault = Fault(
        "timer",
        f"days {timer.days}, every_n_days {timer.every_n_days}",
        "weekdays, or an interval of at least 1 day",
        "Give one of the two.",
    )
    raise InputError([fault])


def applied(roots: RootZones, depth: NDArray[np.float64]) -> Watering:
    """Run a given depth per zone, day and run.

    Parameters
    ----------
    roots : RootZones
        Inputs.
    depth : ndarray, shape (Z, D, W)
        Depth of each event [mm, zone mean].

    Returns
    -------
    Watering
        One row per zone.
    """
    zones, _, runs = roots.shape
    every = np.arange(zones)
    by_day = np.ascontiguousarray(np.moveaxis(np.broadcast_to(depth, roots.etc.shape), 1, 0))
    stress = pair_stress(
        roots.by_day(),
        by_day,
        governor=every,
        zone=every,
        factor=np.ones(zones),
        runs=np.arange(runs)[None],
    )
    return Watering(np.moveaxis(by_day, 0, 1), stress)


def timer_season(
    roots: RootZones, *, depth: NDArray[np.float64], days: NDArray[np.bool_]
) -> Watering:
    """Run today's timer: every scheduled event, whatever the weather.

    Parameters
    ----------
    roots : RootZones
        Inputs.
    depth : ndarray, shape (Z,)
        Depth per event [mm, zone mean].
    days : ndarray of bool, shape (D, W)
        The schedule; see `timer_days`.

    Returns
    -------
    Watering
        One row per zone.
    """
    return applied(roots, np.asarray(depth)[:, None, None] * days)


def bypass_events(
    roots: RootZones,
    *,
    zone: ArrayLike,
    depth: ArrayLike,
    threshold_fraction: ArrayLike,
    days: NDArray[np.bool_],
    dial: NDArray[np.float64] | None = None,
) -> Watering:
    """Run bypass control: a scheduled event is skipped while the soil is wetter than the threshold.

    A whole event is skipped or runs, all of its cycles.

    Parameters
    ----------
    roots : RootZones
        Inputs.
    zone : array_like of int, shape (G,)
        Zone of each governor.
    depth : array_like, shape (G,)
        Depth per event [mm, zone mean].
    threshold_fraction : array_like, shape (G,) or (G, W)
        The event goes ahead from this share of the available water of the sensor's layer depleted
        on (0 is field capacity); per run where the reading's error is part of the scenarios.
    days : ndarray of bool, shape (D, W)
        The schedule.
    dial : ndarray, shape (D,), optional
        Seasonal adjustment of the depth on each day, 1 at full.

    Returns
    -------
    Watering
        One row per governor.
    """
    zone = np.asarray(zone, dtype=np.int64)
    event = np.broadcast_to(
        np.asarray(depth, dtype=np.float64)[:, None], (len(zone), roots.shape[2])
    )
    start = _fraction_mm(roots, zone, threshold_fraction)
    return _governed(roots, zone, days, start=start, event=event, dial=dial)


def on_demand_events(
    roots: RootZones,
    *,
    zone: ArrayLike,
    low_fraction: ArrayLike,
    high_fraction: ArrayLike,
    days: NDArray[np.bool_],
) -> Watering:
    """Run on-demand control: start at the low threshold, refill the driest quarter to the high one.

    Parameters
    ----------
    roots : RootZones
        Inputs.
    zone : array_like of int, shape (G,)
        Zone of each governor.
    low_fraction, high_fraction : array_like, shape (G,) or (G, W)
        Share of the available water of the sensor's layer depleted at which watering starts, and
        of that of the root zone at which it stops, the run time being set for that; high < low.
    days : ndarray of bool, shape (D, W)
        Days on which watering is allowed.

    Returns
    -------
    Watering
        One row per governor.

    Raises
    ------
    InputError
        When a high threshold is not wetter than the low one.
    """
    zone = np.asarray(zone, dtype=np.int64)
    start = _fraction_mm(roots, zone, low_fraction)
    stop = _fraction_mm(roots, zone, high_fraction, layer=False)
    if not np.all(np.asarray(high_fraction) < np.asarray(low_fraction)):
        fault = Fault(
            "on-demand control",
            "a high threshold that is not wetter than the low one",
            "high_fraction below low_fraction (both are shares of TAW depleted)",
            "Lower high_fraction.",
        )
        raise InputError([fault])
    return _governed(roots, zone, days, start=start, event=stop, refill=True)


def least_depth(
    roots: RootZones,
    *,
    zone: ArrayLike,
    threshold_fraction: ArrayLike,
    days: NDArray[np.bool_],
    cap: ArrayLike,
    step: ArrayLike = 0.5,
) -> LeastDepth:
    """Find the least fixed depth with which bypass keeps a governor's own zone within the cap.

    Depths are whole multiples of `step`, up to the one that refills the whole root zone of the
    driest quarter; where that makes more than 400, of twice, three times ... the step. A deeper
    event can be followed by a skipped one, so stress days need not fall with depth: every depth is
    tried, not bisected.

    Parameters
    ----------
    roots : RootZones
        Inputs.
    zone : array_like of int, shape (G,)
        Zone of each governor.
    threshold_fraction : array_like, shape (G,) or (G, W)
        As in `bypass_events`.
    days : ndarray of bool, shape (D, W)
        The schedule.
    cap : array_like, shape () or (G,)
        Stress days allowed in every run [d].
    step : array_like, shape () or (G,)
        Depths are multiples of this: what the valve applies in a minute, for instance [mm].

    Returns
    -------
    LeastDepth
        Depth, stress days and whether the cap was met.
    """
    zone = np.asarray(zone, dtype=np.int64)
    count = len(zone)
    start = _fraction_mm(roots, zone, threshold_fraction)
    step = np.broadcast_to(np.asarray(step, dtype=np.float64), count)
    caps = np.broadcast_to(np.asarray(cap, dtype=np.float64), count)
    depth, stress = search_depths(roots.by_day(), zone, days, start=start, cap=caps, step=step)
    return LeastDepth(depth, stress, stress <= caps)


def relaxed_caps(
    zone: ArrayLike,
    stress_days: NDArray[np.float64],
    *,
    cap: float,
    names: Sequence[str],
    slack_days: float = 0.0,
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Relax the cap of the zones that no sensor of their own keeps within it.

    Parameters
    ----------
    zone : array_like of int, shape (G,)
        Zone of each governor.
    stress_days : ndarray, shape (G,)
        Its stress days in the worst run [d].
    cap : float
        Stress days allowed [d].
    names : sequence of str, length Z
        Names of the zones, for the warnings.
    slack_days : float
        Allowed beyond the least a relaxed zone can reach, so that it may still follow others [d].

    Returns
    -------
    caps : ndarray, shape (Z,)
        `cap`, or the least reachable stress days plus the slack where that is more.
    warnings : tuple of str
        One per relaxed zone, with its numbers.
    """
    best = np.full(len(names), np.inf)
    np.minimum.at(best, np.asarray(zone, dtype=np.int64), stress_days)
    best[np.isinf(best)] = cap
    relaxed = best > cap
    caps = np.where(relaxed, best + slack_days, cap)
    warnings = tuple(
        f"zone {name}: no sensor and no depth keeps its driest quarter within {cap:g} stress days "
        f"a season on the days allowed; the least it can have is {least:g}, so {limit:g} are "
        "allowed there. More watering days, or more even application, would help."
        for name, least, limit, is_relaxed in zip(names, best, caps, relaxed, strict=True)
        if is_relaxed
    )
    return caps, warnings


def follower_factor(
    roots: RootZones, governed: Watering, *, zone: ArrayLike, cap: ArrayLike
) -> Followers:
    """Find the least run-time factor of every zone under every governor.

    The factor is the least multiple of 0.05 with which the zone's driest quarter stays within its
    cap in every run, when it is watered whenever the governor is, with the factor times the
    governor's depth. It is searched on the driest runs, then proved on all of them; runs in which
    it fails are added until none does.

    Parameters
    ----------
    roots : RootZones
        Inputs.
    governed : Watering
        The governors' events; see `bypass_events`, `on_demand_events`.
    zone : array_like of int, shape (G,)
        Zone of each governor.
    cap : array_like, shape () or (Z,)
        Stress days allowed in each zone in every run; see `relaxed_caps` [d].

    Returns
    -------
    Followers
        Factor, stress days and water of every pair; inf where even `FACTOR_LIMIT` does not do.
    """
    zones = roots.shape[0]
    home = np.asarray(zone, dtype=np.int64)
    caps = np.broadcast_to(np.asarray(cap, dtype=np.float64), zones)
    factor = np.full((len(home), zones), np.inf)
    stress = np.full(factor.shape, np.nan)
    own = governed.worst_stress_days
    kept = np.flatnonzero(own <= caps[home])
    factor[kept, home[kept]] = 1.0
    stress[kept, home[kept]] = own[kept]
    # A governor that fails its own zone is of no use to any other.
    pairs = np.ones(factor.shape, dtype=np.bool_)
    pairs[np.arange(len(home)), home] = False
    pairs[own > caps[home]] = False
    governor, follower = np.nonzero(pairs)
    factor[governor, follower], stress[governor, follower] = search_factors(
        roots.by_day(),
        np.ascontiguousarray(np.moveaxis(governed.depth, 1, 0)),
        governor,
        follower,
        caps[follower],
    )
    water = np.full(factor.shape, np.inf)
    mean = np.broadcast_to(governed.mean_water_mm[:, None], factor.shape)
    np.multiply(factor, mean, out=water, where=np.isfinite(factor))
    return Followers(factor, stress, water)


def _governed(
    roots: RootZones,
    zone: NDArray[np.int64],
    days: NDArray[np.bool_],
    *,
    start: NDArray[np.float64],
    event: NDArray[np.float64],
    refill: bool = False,
    dial: NDArray[np.float64] | None = None,
) -> Watering:
    """Run governors and keep their events."""
    record = np.empty((roots.shape[1], len(zone), roots.shape[2]))
    stress = govern(
        roots.by_day(), zone, days, start=start, event=event, refill=refill, record=record,
        dial=dial,
    )  # fmt: skip
    return Watering(np.moveaxis(record, 0, 1), stress)


def _fraction_mm(
    roots: RootZones, zone: NDArray[np.int64], fraction: ArrayLike, *, layer: bool = True
) -> NDArray[np.float64]:
    """Share (G,) or (G, W) of what the sensor's layer (or the root zone) holds, (G, W) [mm]."""
    share = np.asarray(fraction, dtype=np.float64)
    held = roots.taw[zone] * (roots.layer_share[zone] if layer else 1.0)
    depletion: NDArray[np.float64] = (share[:, None] if share.ndim == 1 else share) * held
    return depletion
