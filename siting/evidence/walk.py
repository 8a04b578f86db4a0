"""Where to probe, and in which order to walk; what repeated walks say of each place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy

from siting.arrays import Floats, Ints

#: Places of a walk over one zone, beside the candidate spots: what one person probes in half an
#: hour; common practice, no source.
WALK_PLACES: Final = 16
_ROUNDS: Final = 30  # of moving places to the middle of their ground
_SWAPS: Final = 20  # rounds of untangling the way


def spread_places(x: Floats, y: Floats, *, spots: Floats, count: int = WALK_PLACES) -> Floats:
    """Spread places evenly over ground, the given spots among them.

    Each place is moved to the middle of the ground that is nearer to it than to any other, again
    and again; the spots stay.

    Parameters
    ----------
    x, y : ndarray, shape (P,)
        Points of the ground, each standing for as much of it [m].
    spots : ndarray, shape (K, 2)
        Where a reading is wanted in any case [m].
    count : int
        How many places beside them.

    Returns
    -------
    ndarray, shape (K + count, 2)
        The spots, then the others, each of them one of the points; fewer where there are no more
        points.

    References
    ----------
    Lloyd, S. P. (1982) Least squares quantization in PCM, IEEE Trans. Inf. Theory 28.
    """
    ground = np.column_stack([x, y])
    fixed = np.asarray(spots, dtype=float).reshape(-1, 2)
    places = _far_apart(ground, fixed, count)
    for _ in range(_ROUNDS):
        _, owner = scipy.spatial.cKDTree(np.vstack([fixed, places])).query(ground)
        for k in range(len(places)):
            own = ground[owner == len(fixed) + k]
            if len(own):
                places[k] = own.mean(axis=0)
    _, nearest = scipy.spatial.cKDTree(ground).query(places)
    taken = ground[np.unique(nearest)]
    away = scipy.spatial.cKDTree(fixed).query(taken)[0] if len(fixed) else np.ones(len(taken))
    return np.vstack([fixed, taken[away > 0]])


def _far_apart(ground: Floats, fixed: Floats, count: int) -> Floats:
    """Return points each as far as can be from those before it, shape (count, 2)."""
    middle = ground.mean(axis=0)
    away = np.full(len(ground), np.inf)
    for place in fixed:
        away = np.minimum(away, ((ground - place) ** 2).sum(axis=1))
    if not len(fixed):
        away = -((ground - middle) ** 2).sum(axis=1)
    chosen = []
    for _ in range(min(count, len(ground))):
        at = int(np.argmax(away))
        chosen.append(ground[at])
        fresh = ((ground - ground[at]) ** 2).sum(axis=1)
        away = fresh if (away < 0).any() else np.minimum(away, fresh)
    return np.array(chosen)


def walking_order(places: Floats, start: tuple[float, float]) -> Ints:
    """Return an order in which to visit places, without crossing one's own way.

    Each time to the nearest that is left, then two ends of the way are exchanged as long as that
    shortens it.

    Parameters
    ----------
    places : ndarray, shape (N, 2)
        Places [m].
    start : tuple of float
        Where the walk begins, x and y [m].

    Returns
    -------
    ndarray of int, shape (N,)
        Positions in `places`.
    """
    at, left, order = np.asarray(start, dtype=float), list(range(len(places))), []
    while left:
        nearest = min(left, key=lambda k: (float(np.hypot(*(places[k] - at))), k))
        order.append(nearest)
        left.remove(nearest)
        at = places[nearest]
    path = np.vstack([start, places])

    def length(way: list[int]) -> float:
        stops = path[[0, *(k + 1 for k in way)]]
        return float(np.hypot(*np.diff(stops, axis=0).T).sum())

    best = length(order)
    for _ in range(_SWAPS):
        before = best
        for i in range(len(order) - 1):
            for j in range(i + 1, len(order)):
                turned = [*order[:i], *order[i : j + 1][::-1], *order[j + 1 :]]
                shorter = length(turned)
                if shorter < best - 1e-9:
                    order, best = turned, shorter
        if best >= before:
            break
    return np.array(order, dtype=np.int64)


@dataclass(frozen=True)
class Stability:
    """What repeated walks say of each place.

    Parameters
    ----------
    difference : ndarray, shape (N,)
        Mean relative difference of a place from the mean of its day: below 0 is drier where the
        readings are moisture.
    spread : ndarray, shape (N,)
        Its standard deviation from day to day; NaN with one day.
    days : ndarray of int, shape (N,)
        Days on which it was read.
    """

    difference: Floats
    spread: Floats
    days: Ints


def relative_differences(moisture: Floats) -> Stability:
    """Return the temporal stability of places.

    Parameters
    ----------
    moisture : ndarray, shape (D, N)
        Readings by day and place, in a unit with a true zero; NaN where there is none.

    Returns
    -------
    Stability
        By place.

    References
    ----------
    Vachaud, G., Passerat de Silans, A., Balabanis, P. and Vauclin, M. (1985) Temporal stability of
    spatially measured soil water probability density function, Soil Sci. Soc. Am. J. 49: 822-828.

    Examples
    --------
    >>> relative_differences(np.array([[10.0, 30.0], [20.0, 20.0]])).difference.tolist()
    [-0.25, 0.25]
    """
    known = np.isfinite(moisture)
    filled = np.where(known, moisture, 0.0)
    mean = filled.sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    apart = np.where(known, (filled - mean[:, None]) / mean[:, None], 0.0)
    days = known.sum(axis=0)
    difference = apart.sum(axis=0) / np.maximum(days, 1)
    squares = np.where(known, (apart - difference) ** 2, 0.0).sum(axis=0)
    spread = np.sqrt(squares / np.maximum(days - 1, 1))
    return Stability(
        np.where(days > 0, difference, np.nan), np.where(days > 1, spread, np.nan), days
    )
