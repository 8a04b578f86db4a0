"""The root-zone water balance, one day at a time, for any number of places at once."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "DayBalance",
    "effective_rain",
    "step",
    "stress_coefficient",
    "total_available_water",
]

_Array = NDArray[np.float64]

#: Share of ETo below which a day's rain is ignored, FAO-56 chapter 8.
_IGNORED_RAIN: Final = 0.2


def _floats(values: ArrayLike) -> _Array:
    return np.asarray(values, dtype=np.float64)


class DayBalance(NamedTuple):
    """The balance of one day, each of shape (...).

    depletion: at the end of the day [mm]; et_actual, drainage: what plants and soil gave off, what
    ran through [mm/d].
    """

    depletion: _Array
    et_actual: _Array
    drainage: _Array


def total_available_water(
    field_capacity: ArrayLike, wilting_point: ArrayLike, root_depth_m: ArrayLike
) -> _Array:
    """Return the water that the root zone can hold for plants, TAW.

    field_capacity, wilting_point: volumetric water content [m³/m³]; root_depth_m: depth of the root
    zone [m]. Result: TAW [mm].

    FAO-56 Eq. 82.

    FAO-56 Example 36, tomato on silt.

    >>> round(float(total_available_water(0.32, 0.15, 0.8)))
    136
    """
    held = _floats(field_capacity) - _floats(wilting_point)
    return np.asarray(1000.0 * held * _floats(root_depth_m))


def stress_coefficient(depletion: ArrayLike, *, taw: ArrayLike, raw: ArrayLike) -> _Array:
    """Return the share of ETc that plants can take up, Ks.

    depletion: root-zone depletion [mm]; taw, raw: total and readily available water, raw < taw
    [mm]. Result: Ks, 0..1 [-].

    FAO-56 Eq. 84.

    >>> float(stress_coefficient(67.5, taw=100.0, raw=35.0))
    0.5
    """
    taw, raw = _floats(taw), _floats(raw)
    return np.asarray(np.clip((taw - _floats(depletion)) / (taw - raw), 0.0, 1.0))


def effective_rain(rain: ArrayLike, eto: ArrayLike) -> _Array:
    """Return the rain that counts: less than a fifth of ETo wets the leaves only.

    Parameters
    ----------
    rain : array_like, shape (...)
        Rain of the day [mm].
    eto : array_like, shape (...)
        Reference evapotranspiration of the day [mm/d].

    Returns
    -------
    ndarray, shape (...)
        Rain, or 0 [mm].

    References
    ----------
    FAO-56 chapter 8, on precipitation in the daily water balance.

    Examples
    --------
    >>> effective_rain([0.9, 1.0, 12.0], 5.0).tolist()
    [0.0, 1.0, 12.0]
    """
    rain = _floats(rain)
    return np.where(rain < _IGNORED_RAIN * _floats(eto), 0.0, rain)


def step(
    depletion: ArrayLike,
    *,
    rain: ArrayLike,
    irrigation: ArrayLike,
    etc: ArrayLike,
    taw: ArrayLike,
    raw: ArrayLike,
) -> DayBalance:
    """Carry the root-zone depletion through one day.

    Water above field capacity drains on the same day. The stress coefficient is that of the start
    of the day. Rain + irrigation - et_actual - drainage = depletion before - depletion after.

    Parameters
    ----------
    depletion : array_like, shape (...)
        At the start of the day, 0..taw [mm].
    rain, irrigation : array_like, shape (...)
        Water that enters the soil [mm].
    etc : array_like, shape (...)
        Evapotranspiration without stress [mm/d].
    taw, raw : array_like, shape (...)
        Total and readily available water; raw < taw [mm].

    Returns
    -------
    DayBalance
        depletion, et_actual, drainage, each of shape (...).

    References
    ----------
    FAO-56 Eqs 84, 85; the stress coefficient as in Example 37.
    """
    before = _floats(depletion)
    water = _floats(rain) + _floats(irrigation)
    wanted = stress_coefficient(before, taw=taw, raw=raw) * _floats(etc)
    # The root zone cannot be emptied below the wilting point, however coarse the day's step.
    actual = np.minimum(wanted, np.maximum(_floats(taw) - before + water, 0.0))
    after = before + actual - water
    drainage = np.maximum(-after, 0.0)
    return DayBalance(np.maximum(after, 0.0), actual, drainage)
