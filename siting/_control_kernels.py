"""Compiled inner loops of the season; only imported where numba is installed (extra `fast`).

Private to `siting._control`, whose numpy loops say what each step means: every expression is
theirs, in the same order, so that both give the same bits (a test holds the two equal). Rows are
root zones or pairs, columns are runs; one day of every cell is advanced before the next.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siting.sun.kernels import compiled

__all__ = ["follow_days", "govern_days"]

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

#: Divided by instead of nothing; that of `siting._control`.
_LEAST = 1e-300


@compiled
def govern_days(
    weather: tuple[_Floats, _Floats, _Floats, _Floats],
    soil: tuple[_Floats, _Floats, _Floats, _Floats],
    layer: tuple[_Floats, _Floats, _Floats, _Floats, _Floats, _Floats],
    rule: tuple[_Ints, NDArray[np.bool_], _Floats, _Floats, bool, bool],
    record: _Floats,
    stress: _Floats,
) -> None:
    """Advance governors through the season.

    Parameters
    ----------
    weather : tuple of ndarray
        Demand and rain, shape (D, Z, W) [mm]; error of the reading, shape (D, W) [-]; seasonal
        adjustment, shape (D,) [-].
    soil : tuple of ndarray, each shape (G, W)
        Total available water, depletion beyond which a day is a stress day [mm], slope of the
        stress [1/mm], application [-].
    layer : tuple of ndarray, each shape (G, W)
        What the sensor's layer holds and what the rest holds [mm], shares of the roots in both [-],
        their slopes [1/mm].
    rule : tuple
        Zone of each governor, shape (G,); days allowed, shape (D, W); least depletion to start and
        event, each shape (G, W) [mm]; whether events refill; whether the sensor reads a layer.
    record : ndarray, shape (D, G, W) or (0, 0, 0)
        Filled with the events [mm]; empty for none.
    stress : ndarray, shape (G, W)
        Filled with stress days.
    """
    etc, rain, error, dial = weather
    taw, limit, slope, application = soil
    held, below, reach, rest, upper_slope, rest_slope = layer
    zone, allowed, start, event, refill, layered = rule
    depletion, upper = np.zeros(taw.shape), np.zeros(taw.shape)
    stress[:] = 0.0
    for d in range(etc.shape[0]):
        for g in range(taw.shape[0]):
            z = zone[g]
            for w in range(taw.shape[1]):
                dry = depletion[g, w]
                wet = upper[g, w] if layered else dry
                depth = event[g, w]
                if refill:
                    lack = dry + error[d, w] * taw[g, w] - event[g, w]
                    depth = max(lack, 0.0) / application[g, w]
                go = wet + error[d, w] * held[g, w] >= start[g, w] and allowed[d, w]
                water = (depth if go else 0.0) * dial[d]
                if record.size:
                    record[d, g, w] = water
                water = water * application[g, w] + rain[d, z, w]
                demand = min((taw[g, w] - dry) * slope[g, w], 1.0) * etc[d, z, w]
                if layered:
                    drawn = reach[g, w] - wet * upper_slope[g, w]
                    other = rest[g, w] - (dry - wet) * rest_slope[g, w]
                    wet = wet + drawn / max(other + drawn, _LEAST) * demand - water
                dry = min(max(dry + demand - water, 0.0), taw[g, w])
                if layered:
                    wet = min(wet, held[g, w], dry)
                    upper[g, w] = max(wet, dry - below[g, w], 0.0)
                depletion[g, w] = dry
                stress[g, w] += 1.0 if dry > limit[g, w] else 0.0


@compiled
def follow_days(
    weather: tuple[_Floats, _Floats],
    depth: _Floats,
    soil: tuple[_Floats, _Floats, _Floats, _Floats],
    pairs: tuple[_Ints, _Ints, _Ints],
    stress: _Floats,
) -> None:
    """Advance followers through the season, watered whenever their governor is.

    Parameters
    ----------
    weather : tuple of ndarray, each shape (D, Z, W)
        Demand and rain [mm].
    depth : ndarray, shape (D, G, W)
        Events of the governors [mm].
    soil : tuple of ndarray, each shape (P, S)
        Total available water, depletion beyond which a day is a stress day [mm], slope of the
        stress [1/mm], factor times application [-].
    pairs : tuple of ndarray
        Governor and zone, shape (P,), and runs, shape (P, S), of each pair.
    stress : ndarray, shape (P, S)
        Filled with stress days.
    """
    etc, rain = weather
    taw, limit, slope, scale = soil
    governor, zone, runs = pairs
    depletion = np.zeros(taw.shape)
    stress[:] = 0.0
    for d in range(etc.shape[0]):
        for p in range(taw.shape[0]):
            g, z = governor[p], zone[p]
            for s in range(taw.shape[1]):
                w = runs[p, s]
                dry = depletion[p, s]
                water = depth[d, g, w] * scale[p, s] + rain[d, z, w]
                demand = min((taw[p, s] - dry) * slope[p, s], 1.0) * etc[d, z, w]
                dry = min(max(dry + demand - water, 0.0), taw[p, s])
                depletion[p, s] = dry
                stress[p, s] += 1.0 if dry > limit[p, s] else 0.0
