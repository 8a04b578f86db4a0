"""Rules that need no soil sensor: days of local watering rules, and the rain shut-off.

Private to `siting.season`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["rain_shutoff", "weekdays"]


def weekdays(dates: NDArray[np.datetime64], allowed: Sequence[int] | None) -> NDArray[np.bool_]:
    """Tell the days that fall on some weekdays.

    dates (D, Y): the days of each season; allowed: weekdays, Monday is 0, None means every day.
    Result: true where the day is one of them, shape (D, Y).
    """
    if allowed is None:
        return np.ones(dates.shape, dtype=np.bool_)
    # 1970-01-01 was a Thursday.
    number = (dates.astype("datetime64[D]").astype(np.int64) + 3) % 7
    return np.asarray(np.isin(number, list(allowed)))


def rain_shutoff(
    rain: NDArray[np.float64], days: NDArray[np.bool_], *, threshold_mm: float, window_days: int
) -> NDArray[np.bool_]:
    """Return the scheduled days that a rain shut-off lets through.

    A whole event is skipped when at least the threshold fell over the days before it; what falls
    later on the day of the event comes too late. Settings of 3 to 25 mm and one to three days are
    common practice, without a published source.

    Parameters
    ----------
    rain : ndarray, shape (D, W)
        Rain as it falls [mm].
    days : ndarray of bool, shape (D, W)
        The schedule.
    threshold_mm : float
        Least rain that shuts off [mm].
    window_days : int
        Days before the event that count, at least 1 [d].

    Returns
    -------
    ndarray of bool, shape (D, W)
        The events that run.

    Examples
    --------
    >>> rain = np.array([[0.0], [8.0], [0.0], [0.0], [0.0]])
    >>> rain_shutoff(rain, np.ones((5, 1), bool), threshold_mm=6, window_days=2)[:, 0].astype(int)
    array([1, 1, 0, 0, 1])
    """
    total = np.zeros_like(rain)
    for back in range(1, min(window_days, len(rain) - 1) + 1):
        total[back:] += rain[:-back]
    return days & (total < threshold_mm)
