"""Many days of the root-zone balance, one after another, with a record of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.water.balance import _floats, step, stress_coefficient

_Array = NDArray[np.float64]


def readily_available_water(taw: ArrayLike, depletion_fraction: ArrayLike) -> _Array:
    """Return the water that plants can use without stress, RAW.

    taw: total available water [mm]; depletion_fraction: share that may be used [-]. Returns RAW
    [mm].

    FAO-56 Eq. 83.
    """
    return np.asarray(_floats(depletion_fraction) * _floats(taw))


@dataclass(frozen=True)
class BalanceRun:
    """The balance of many days, each of shape (D, ...).

    depletion: root-zone depletion at the end of each day [mm]; et_actual, drainage: what plants and
    soil gave off, what ran through [mm/d]; stress: stress coefficient Ks at the start of each day,
    0..1 [-].
    """

    depletion: _Array
    et_actual: _Array
    drainage: _Array
    stress: _Array


def run_balance(
    rain: ArrayLike,
    etc: ArrayLike,
    *,
    irrigation: ArrayLike,
    taw: ArrayLike,
    raw: ArrayLike,
    initial: ArrayLike = 0.0,
) -> BalanceRun:
    """Run the balance over many days.

    rain, etc, irrigation (D, ...): per day, the axes after the first are broadcast against each
    other [mm, mm/d, mm]; taw: total available water [mm]; raw: readily available water, with as
    many axes as the result it is taken as per day, as where the depletion fraction follows ETc
    [mm]; initial: depletion at the start, field capacity when not given [mm]. Returns arrays of
    shape (D, ...).

    FAO-56 chapter 8.
    """
    rain, etc, irrigation = (np.atleast_1d(_floats(v)) for v in (rain, etc, irrigation))
    days = etc.shape[0]
    if rain.shape[0] != days or irrigation.shape[0] != days:
        message = f"days differ: rain {rain.shape[0]}, etc {days}, irrigation {irrigation.shape[0]}"
        raise ValueError(message)
    taw, raw, state = _floats(taw), _floats(raw), _floats(initial)
    places = np.broadcast_shapes(
        rain.shape[1:], etc.shape[1:], irrigation.shape[1:], taw.shape, state.shape
    )
    per_day = raw.ndim == len(places) + 1
    out = np.empty((4, days, *places))
    for d in range(days):
        limit = raw[d] if per_day else raw
        out[3, d] = stress_coefficient(state, taw=taw, raw=limit)
        out[0, d], out[1, d], out[2, d] = step(
            state, rain=rain[d], irrigation=irrigation[d], etc=etc[d], taw=taw, raw=limit
        )
        state = out[0, d]
    return BalanceRun(out[0], out[1], out[2], out[3])
