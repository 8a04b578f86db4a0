"""A sensor's own layer: the upper part of the root zone wets and dries faster than the whole.

The root zone is the bucket of `siting.water.balance`; the layer is a second state inside it, so
that the whole keeps its balance to the last digit however the layer is cut. Water fills the layer
first and the rest of the root zone with what is left; roots draw from both by their share and by
how much each still holds, so that uptake moves down as the layer dries.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.water.balance import step

__all__ = ["ROOT_PATTERN", "LayerDay", "layer_step", "root_share", "sensor_layer_share"]

_Array = NDArray[np.float64]

#: Share of the uptake from each quarter of the root depth, from the top: 40, 30, 20, 10 %. A rule
#: of irrigation handbooks (National Engineering Handbook 15, chapter 1; from memory).
ROOT_PATTERN: Final = (0.4, 0.3, 0.2, 0.1)

#: A buried sensor reads the soil round it: the layer reaches as far below it as above. Judgement of
#: this project, no source.
_SPAN: Final = 2.0


class LayerDay(NamedTuple):
    """One day of the root zone and its upper layer, each of shape (...).

    depletion, upper: of the root zone and of its upper layer, at the end of the day [mm];
    et_actual, drainage: of the root zone [mm/d].
    """

    depletion: _Array
    upper: _Array
    et_actual: _Array
    drainage: _Array


def root_share(depth_share: ArrayLike) -> _Array:
    """Return the share of the uptake from the upper part of the root zone.

    Parameters
    ----------
    depth_share : array_like, shape (...)
        Depth of the part over that of the root zone, 0..1 [-].

    Returns
    -------
    ndarray, shape (...)
        Share of the uptake while the whole root zone is wet [-].

    References
    ----------
    See `ROOT_PATTERN`; straight between the quarters.

    Examples
    --------
    >>> root_share([0.25, 0.5, 1.0]).round(3).tolist()
    [0.4, 0.7, 1.0]
    """
    ends = np.concatenate([[0.0], np.cumsum(ROOT_PATTERN)])
    return np.asarray(np.interp(np.asarray(depth_share, float), np.linspace(0, 1, len(ends)), ends))


def sensor_layer_share(sensor_depth_m: ArrayLike, root_depth_m: ArrayLike) -> _Array:
    """Return how much of the root zone a sensor's reading stands for.

    Parameters
    ----------
    sensor_depth_m, root_depth_m : array_like, shape (...)
        Depths below the surface [m].

    Returns
    -------
    ndarray, shape (...)
        Layer down to twice the sensor's depth over the root zone, at most 1 [-].

    Examples
    --------
    A sensor at 3 in in a root zone of 12 in reads its upper half.

    >>> float(sensor_layer_share(0.0762, 0.3048))
    0.5
    """
    share = _SPAN * np.asarray(sensor_depth_m, dtype=float) / np.asarray(root_depth_m, dtype=float)
    return np.asarray(np.minimum(share, 1.0))


def layer_step(
    depletion: ArrayLike,
    upper: ArrayLike,
    *,
    water: ArrayLike,
    etc: ArrayLike,
    taw: ArrayLike,
    raw: ArrayLike,
    share: ArrayLike,
) -> LayerDay:
    """Carry the root zone and its upper layer through one day.

    Parameters
    ----------
    depletion, upper : array_like, shape (...)
        Of the root zone and of its upper layer, at the start of the day [mm].
    water : array_like, shape (...)
        Rain and irrigation that enter the soil [mm].
    etc : array_like, shape (...)
        Evapotranspiration without stress [mm/d].
    taw, raw : array_like, shape (...)
        Of the whole root zone; raw < taw [mm].
    share : array_like, shape (...)
        Upper layer over root zone, above 0, at most 1; with 1 the layer is the root zone [-].

    Returns
    -------
    LayerDay
        The root zone's values are exactly those of `siting.water.balance.step`.

    Examples
    --------
    A light shower fills the layer and leaves the rest dry.

    >>> day = layer_step(30.0, 15.0, water=15.0, etc=0.0, taw=40.0, raw=20.0, share=0.5)
    >>> float(day.depletion), float(day.upper)
    (15.0, 0.0)
    """
    before, layer = np.asarray(depletion, dtype=float), np.asarray(upper, dtype=float)
    taw, share = np.asarray(taw, dtype=float), np.asarray(share, dtype=float)
    day = step(before, rain=water, irrigation=0.0, etc=etc, taw=taw, raw=raw)
    held, below = share * taw, (1.0 - share) * taw
    reach = root_share(share)
    wet = reach * (1.0 - layer / held)
    rest = np.divide(before - layer, below, out=np.zeros(np.shape(wet + below)), where=below > 0)
    wet_below = (1.0 - reach) * (1.0 - rest)
    total = wet + wet_below
    drawn = np.divide(wet, total, out=np.ones(np.shape(total)), where=total > 0)
    after = layer + drawn * day.et_actual - np.asarray(water, dtype=float)
    low = np.maximum(day.depletion - below, 0.0)
    after = np.clip(after, low, np.maximum(np.minimum(held, day.depletion), low))
    return LayerDay(day.depletion, np.asarray(after), day.et_actual, day.drainage)
