"""Compiled inner loops of the season: one zone, many sensors or schedules, every run side by side.

Private to `siting.season`, which says what the arrays mean. Axes: Q area classes of a zone, driest
first; D days; W runs; G rows (sensors, or schedules); K sets of days. The balance is that of
`siting.water.layers.layer_step` and `siting.water.balance.step`, a plain form of which stands in
the tests as the reference that these loops are held to.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.compiled import compiled

__all__ = ["Layer", "Soil", "Weather", "run_schedules", "run_sensors"]

_Floats = NDArray[np.float64]
_Flags = NDArray[np.bool_]

#: Divided by instead of nothing.
_LEAST = 1e-300


class Weather(NamedTuple):
    """Demand (Q, D, W), rain (D, W) [mm] and error of the reading (D, W) [share of the layer]."""

    etc: _Floats
    rain: _Floats
    error: _Floats


class Soil(NamedTuple):
    """TAW, the depletion beyond which a day is a stress day [mm], the slope of stress [1/mm], each
    (W,), and application over the zone mean, (Q, W)."""  # noqa: D209, D205

    taw: _Floats
    limit: _Floats
    slope: _Floats
    application: _Floats


class Layer(NamedTuple):
    """Of the sensor's layer, each (W,): what it and the rest hold [mm], their shares of the roots
    [-], the slopes of their uptake [1/mm], and what its whole range of reading stands for [mm]."""  # noqa: D209, D205

    held: _Floats
    below: _Floats
    reach: _Floats
    rest: _Floats
    upper_slope: _Floats
    rest_slope: _Floats
    span: _Floats


@compiled
def _advance_class(
    etc: _Floats,
    rain: _Floats,
    soil: Soil,
    q: int,
    ran: _Flags,
    event: _Floats,
    stress: _Floats,
) -> None:
    """Put one area class through a season: events where `ran`, each of the day's depth.

    Two short loops a day, few arrays in each: so the compiler can run several cells at once.
    """
    days, runs = rain.shape
    share = 1.0 / soil.application.shape[0]
    taw, limit, slope, received = soil.taw, soil.limit, soil.slope, soil.application[q]
    dry, short = np.zeros(runs), np.zeros(runs)
    for d in range(days):
        depth, wants, falls, runs_now = event[d], etc[d], rain[d], ran[d]
        for w in range(runs):
            now = dry[w]
            water = depth * received[w] * runs_now[w] + falls[w]
            now = now + min((taw[w] - now) * slope[w], 1.0) * wants[w] - water
            dry[w] = min(max(now, 0.0), taw[w])
        for w in range(runs):
            short[w] += share * (dry[w] > limit[w])
    for w in range(runs):
        stress[w] += short[w]


@compiled
def run_schedules(
    weather: Weather, soil: Soil, ran: _Flags, event: _Floats, depth: _Floats, stress: _Floats
) -> None:
    """Put every area class under given events.

    Parameters
    ----------
    weather, soil : Weather, Soil
        Of the zone.
    ran : ndarray of bool, shape (G, D, W)
        Days with an event.
    event : ndarray, shape (D,)
        Seasonal adjustment, 1 at full.
    depth : ndarray, shape (G,)
        Depth of a full event [mm, zone mean].
    stress : ndarray, shape (G, W)
        Filled with stress days, the mean over the classes.
    """
    stress[:] = 0.0
    for g in range(depth.shape[0]):
        today = event * depth[g]
        for q in range(soil.application.shape[0]):
            _advance_class(weather.etc[q], weather.rain, soil, q, ran[g], today, stress[g])


@compiled
def run_sensors(
    weather: Weather,
    soil: Soil,
    layer: Layer,
    allowed: _Flags,
    rule: tuple[NDArray[np.int64], _Floats, _Floats],
    ran: _Flags,
    stress: _Floats,
) -> None:
    """Run sensors in the zone's driest class; then put the other classes under their events.

    Parameters
    ----------
    weather, soil, layer : Weather, Soil, Layer
        Of the zone.
    allowed : ndarray of bool, shape (K, D, W)
        Sets of days on which an event may run.
    rule : tuple of ndarray, each shape (G,)
        Which set of days; share of the layer's range of reading from which an event runs; its
        depth [mm, zone mean].
    ran : ndarray of bool, shape (G, D, W)
        Filled with the days with an event.
    stress : ndarray, shape (G, W)
        Filled with stress days, the mean over the classes.
    """
    which, start, depth = rule
    days, runs = weather.rain.shape
    classes = soil.application.shape[0]
    share = 1.0 / classes
    always = np.ones(days)
    taw, limit, slope, received = soil.taw, soil.limit, soil.slope, soil.application[0]
    held, below, reach, rest, upper_slope, rest_slope, span = layer
    error = weather.error
    drawn, taken, water = np.empty(runs), np.empty(runs), np.empty(runs)
    for g in range(depth.shape[0]):
        dry, wet, short = np.zeros(runs), np.zeros(runs), np.zeros(runs)
        least = start[g] * span
        may = allowed[which[g]]
        for d in range(days):
            wants, falls, wrong, ran_now = weather.etc[0, d], weather.rain[d], error[d], ran[g, d]
            for w in range(runs):
                ran_now[w] = (wet[w] + wrong[w] * span[w] >= least[w]) & may[d, w]
            for w in range(runs):
                top = reach[w] - wet[w] * upper_slope[w]
                other = rest[w] - (dry[w] - wet[w]) * rest_slope[w]
                drawn[w] = top / max(other + top, _LEAST)
            for w in range(runs):
                now = dry[w]
                taken[w] = min((taw[w] - now) * slope[w], 1.0) * wants[w]
                water[w] = depth[g] * received[w] * ran_now[w] + falls[w]
                dry[w] = min(max(now + taken[w] - water[w], 0.0), taw[w])
            for w in range(runs):
                top = min(wet[w] + drawn[w] * taken[w] - water[w], held[w], dry[w])
                wet[w] = max(top, dry[w] - below[w], 0.0)
            for w in range(runs):
                short[w] += share * (dry[w] > limit[w])
        stress[g] = short
        for q in range(1, classes):
            _advance_class(
                weather.etc[q], weather.rain, soil, q, ran[g], always * depth[g], stress[g]
            )
