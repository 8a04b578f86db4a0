"""Whole seasons of the root-zone balance: zones, area classes, years and scenarios at once.

The same balance as `siting.water.balance.run_balance` (a test holds the two equal), without a
record of the days: only the totals are kept, and everything is done in place in blocks that stay in
a core's cache.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SeasonTotals", "run_seasons"]

_Array = NDArray[np.float64]

#: Places advanced together.
_BLOCK: Final = 16_384
#: Depletion beyond RAW by less than this is rounding, not stress [mm].
_TOLERANCE_MM: Final = 1e-9


@dataclass(frozen=True)
class SeasonTotals:
    """What became of the water of a season, each of shape (...).

    Parameters
    ----------
    depletion : ndarray
        At the end of the season [mm].
    water : ndarray
        Rain and irrigation that entered the soil [mm].
    et_actual, drainage : ndarray
        What plants and soil gave off; what ran through [mm].
    stress_days : ndarray
        Days that ended beyond RAW [d].
    """

    depletion: _Array
    water: _Array
    et_actual: _Array
    drainage: _Array
    stress_days: _Array

    def closure(self, initial: ArrayLike = 0.0) -> _Array:
        """Return what the balance does not account for.

        Parameters
        ----------
        initial : array_like, shape (...), optional
            Depletion at the start; field capacity when not given [mm].

        Returns
        -------
        ndarray, shape (...)
            Rounding only [mm].
        """
        gone = self.et_actual + self.drainage
        return np.asarray(self.water - gone + self.depletion - np.asarray(initial, dtype=float))


def run_seasons(
    eto: ArrayLike,
    rain: ArrayLike,
    *,
    irrigation: ArrayLike,
    factor: ArrayLike,
    taw: ArrayLike,
    raw: ArrayLike,
    initial: ArrayLike = 0.0,
) -> SeasonTotals:
    """Run the balance of many places through a season.

    Parameters
    ----------
    eto : array_like, shape (D,) or (D, ...)
        Reference evapotranspiration per day; the axes after the first are broadcast [mm/d].
    rain, irrigation : array_like, shape (D,) or (D, ...)
        Water that enters the soil [mm].
    factor : array_like, shape (...)
        ETc over ETo of each place [-].
    taw, raw : array_like, shape (...)
        Total and readily available water; 0 < raw < taw [mm].
    initial : array_like, shape (...), optional
        Depletion at the start; field capacity when not given [mm].

    Returns
    -------
    SeasonTotals
        Arrays of the shape that all are broadcast to: for instance (zones, classes, years,
        scenarios).

    Raises
    ------
    ValueError
        When the numbers of days differ.

    References
    ----------
    FAO-56 Eqs 84, 85.

    Examples
    --------
    FAO-56 Example 37, ten dry days of tomato.

    >>> run = run_seasons([5.0] * 10, [0.0] * 10, irrigation=[0.0] * 10, factor=1.2, taw=160.0,
    ...                   raw=64.0, initial=55.0)
    >>> round(float(run.depletion), 1)
    104.5
    """
    daily = [np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (eto, rain, irrigation)]
    still = [np.asarray(v, dtype=np.float64) for v in (factor, taw, raw, initial)]
    days = {values.shape[0] for values in daily}
    if len(days) != 1:
        message = f"days differ: {', '.join(str(values.shape[0]) for values in daily)}"
        raise ValueError(message)
    shape = np.broadcast_shapes(*(v.shape[1:] for v in daily), *(v.shape for v in still))
    places = shape or (1,)
    daily = [_padded(values, len(places), 1) for values in daily]
    whole = [np.ascontiguousarray(np.broadcast_to(values, places)) for values in still]
    out = np.empty((5, *places))
    stride = max(1, _BLOCK // max(1, int(np.prod(places[1:]))))
    for first in range(0, places[0], stride):
        part = slice(first, first + stride)
        _run_block(
            [v if v.shape[1] == 1 else v[:, part] for v in daily],
            [values[part] for values in whole],
            out[:, part],
        )
    return SeasonTotals(*out.reshape(5, *shape))


def _padded(values: _Array, axes: int, first: int) -> _Array:
    """Put axes of length 1 after the day, so that all arrays have as many axes as the places."""
    missing = axes - (values.ndim - first)
    return values.reshape(*values.shape[:first], *(1,) * missing, *values.shape[first:])


def _run_block(daily: list[_Array], whole: list[_Array], out: _Array) -> None:
    """Run one block; `out` is filled with the five totals."""
    eto, rain, irrigation = daily
    factor, taw, raw, initial = whole
    slope = 1.0 / (taw - raw)
    lead, per = taw * slope, slope * factor
    lead *= factor
    state, et, drained, stress = initial.copy(), *(np.zeros(taw.shape) for _ in range(3))
    work, limit = np.empty(taw.shape), raw + _TOLERANCE_MM
    dry = np.empty(taw.shape, dtype=np.bool_)
    inflow = rain + irrigation
    # The wilting point can only be overshot where a day's demand exceeds TAW - RAW.
    coarse = bool((eto.max(axis=0, initial=0.0) * factor > taw - raw).any())
    for today, water in zip(eto, inflow, strict=True):
        # ET = ETo min(factor, factor (TAW - D) / (TAW - RAW)), the factor drawn into the line.
        np.multiply(per, state, out=work)
        np.subtract(lead, work, out=work)
        np.minimum(work, factor, out=work)
        work *= today
        et += work
        state += work
        state -= water
        if coarse:
            np.subtract(state, taw, out=work)
            np.maximum(work, 0.0, out=work)
            et -= work
            state -= work
        np.minimum(state, 0.0, out=work)
        drained -= work
        state -= work
        np.greater(state, limit, out=dry)
        stress += dry
    out[0], out[1], out[2] = state, np.broadcast_to(inflow.sum(axis=0), taw.shape), et
    out[3], out[4] = drained, stress
