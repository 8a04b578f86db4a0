"""A walk with a probe: where, in which order, what it will be worth, what repeated walks say.

The worth before anything is read is by preposterior analysis over drawn scenarios. The drawn
scenarios are the states, each as likely. A measurement is a finite experiment: its outcomes are the
readings that each scenario would be expected to give, and scenario s gives the outcome of scenario
t with a chance that falls off with the distance of what is measured, by the measurement's error.
After each outcome the best action is taken for what is then thought of the scenarios. Nobody has to
take another action for having measured, so the worth is never below nothing; and where no outcome
changes the action it is nothing.

References
----------
Raiffa, H. and Schlaifer, R. (1961) Applied Statistical Decision Theory, Harvard: preposterior
analysis, the value of sample information.
Strong, M., Oakley, J. E. and Brennan, A. (2014) Estimating multiparameter partial expected value of
perfect information from a probabilistic sensitivity analysis sample, Medical Decision Making 34,
311-326: the loss is first put as a regression on what is measured, so that the luck of few draws in
all else is not taken for knowledge.
David, H. A. and Nagaraja, H. N. (2003) Order Statistics, Wiley: the greatest of several.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
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


def relative_differences(table: pd.DataFrame) -> pd.DataFrame:
    """Return how far each point lies from the mean of all, and how steadily.

    Parameters
    ----------
    table : DataFrame
        One column per point, one row per time, all in one unit with a true zero; NaN where a point
        was not read.

    Returns
    -------
    DataFrame
        Index the points, driest first; columns mean (mean relative difference), sd (its standard
        deviation, N - 1; NaN with one time), times, rank (0 the driest, 1 the wettest), index (root
        of mean² + sd²: how well the point stands for the mean).

    References
    ----------
    Vachaud, G., Passerat de Silans, A., Balabanis, P. and Vauclin, M. (1985) Temporal stability of
    spatially measured soil water probability density function, Soil Sci. Soc. Am. J. 49: 822-828:
    the mean over time of (value - spatial mean) / spatial mean, and its standard deviation. The
    index combines them as in Jacovides & Kontoyiannis 1995 (from memory).

    Examples
    --------
    >>> relative_differences(pd.DataFrame({"a": [10.0, 20.0], "b": [30.0, 60.0]}))["mean"].to_dict()
    {'a': -0.5, 'b': 0.5}
    """
    middle = table.mean(axis=1)
    relative = table.sub(middle, axis=0).div(middle, axis=0)
    mean, sd = relative.mean(), relative.std(ddof=1)
    count = max(len(mean) - 1, 1)
    found = pd.DataFrame(
        {
            "mean": mean,
            "sd": sd,
            "times": table.count(),
            "rank": (mean.rank(method="average") - 1) / count,
            "index": np.sqrt(mean**2 + sd**2),
        }
    )
    return found.sort_values("mean", kind="stable")


_QUARTER: Final = 0.6744897501960817  # standard deviations at which the driest quarter begins
_MIDDLE: Final = 0.875  # rank that a sensor's place is to have: the middle of the driest quarter
_NODES: Final = 12  # values of the greatest of several, each as likely
_PER_TERM: Final = 4  # draws for each term of a regression, at least


class Worth(NamedTuple):
    """What knowing the outcome is worth, in the unit of the losses; the action taken now, and the
    action after each outcome, (S,)."""  # noqa: D205, D209

    value: float
    now: int
    then: Ints


def outcome_chances(measured: Floats, error: Floats) -> Floats:
    """Return how likely each scenario gives the outcome of each other.

    measured (K, S): what is measured, by scenario, drawn about normally; error (K,): standard
    deviation of each reading of it. Result: rows are scenarios, columns outcomes, rows sum to 1,
    shape (S, S).
    """
    # Outcomes lie as dense as the draws do. Of normal draws of deviation 1 that makes a kernel of
    # variance v as good as an error of variance v (1 + v).
    spread = np.maximum(measured.std(axis=1), 1e-12)
    width = spread * np.sqrt((np.sqrt(1 + 4 * (error / spread) ** 2) - 1) / 2)
    scaled = measured / np.maximum(width, 1e-12)[:, None]
    apart = ((scaled[:, :, None] - scaled[:, None, :]) ** 2).sum(axis=0)
    likely = np.exp(-apart / 2)
    return np.asarray(likely / likely.sum(axis=1, keepdims=True))


def smoothed(loss: Floats, measured: Floats) -> Floats:
    """Return what loss is to be expected by what is measured: a parabola in each of it.

    loss (A, S); measured (K, S). With too few draws for that a plane, with fewer the losses as they
    are. The mean of each action stays.
    """
    count = loss.shape[1]
    spread = measured.std(axis=1)
    known = (measured - measured.mean(axis=1, keepdims=True))[spread > 0] / spread[spread > 0, None]
    terms = [np.ones(count), *known, *(known**2)]
    if count < _PER_TERM * len(terms):
        terms = [np.ones(count), *known]
    if count < _PER_TERM * len(terms):
        return loss
    basis = np.column_stack(terms)
    return np.asarray((basis @ np.linalg.lstsq(basis, loss.T, rcond=None)[0]).T)


def worth_of(now: Floats, then: Floats, likely: Floats) -> Worth:
    """Return what an outcome is worth before the best action is taken.

    Parameters
    ----------
    now, then : ndarray, shape (A, S)
        Loss of each action in each scenario, as things stand and once measured (a measurement may
        make an action better: a sensor that may be moved).
    likely : ndarray, shape (S, S)
        As from `outcome_chances`.

    Returns
    -------
    Worth
        Its value at least 0.

    Examples
    --------
    >>> loss = np.array([[0.0, 10.0], [4.0, 4.0]])
    >>> worth_of(loss, loss, np.eye(2)).value
    2.0
    >>> worth_of(loss, loss, np.full((2, 2), 0.5)).value
    0.0
    """
    mean = now.mean(axis=1)
    best = int(mean.argmin())
    after = then @ likely / now.shape[1]
    acts = after.argmin(axis=0)
    value = float(mean[best] - after.min(axis=0).sum())
    if value <= 1e-9 * max(abs(float(mean[best])), 1e-300):
        return Worth(0.0, best, np.full(now.shape[1], best))
    return Worth(value, best, acts)


def known_at(map_share: float, trust: float) -> float:
    """Return the correlation of what is known of a place with its true dryness, once it was read.

    map_share: of the variance of dryness, what the map knows, 0..1; trust: correlation of a reading
    with the true dryness of its place.

    >>> round(known_at(0.0, 0.75), 3), round(known_at(0.5, 0.05), 2)
    (0.75, 0.71)
    """
    noise = 1 / trust**2 - 1
    open_share = 1 - map_share
    left = open_share * noise / max(open_share + noise, 1e-12)
    return float(np.sqrt(max(1 - left, 0.0)))


class Ground(NamedTuple):
    """A zone before it is read: variances of the logarithm of dryness that the map knows and that
    is open, over what distance the latter is alike, and the zone's area [m, m²]."""  # noqa: D205, D209

    of_map: float
    open_yet: float
    reach: float
    area: float


def chances_once_read(
    ground: Ground, trust: float, *, places: float = np.inf
) -> tuple[float, float]:
    """Return how likely a sensor put by readings lies in the driest quarter, and the wetter half.

    trust: correlation of a reading with the true dryness of its place; places: that are read, where
    not all ground is. No more are independent than the reach leaves patches.
    """
    known = known_at(ground.of_map / (ground.of_map + ground.open_yet), trust)
    return chances_of_best(known, min(_apart(ground.area / ground.reach**2), places))


def _apart(size: float) -> float:
    """Return of how many independent values the greatest is as that of a field all over a zone.

    size: area of the zone, in squares of the reach. More than the zone has patches: between them
    the field has a summit wherever it likes. The median of the greatest is where one summit or none
    are as likely, by the expected Euler characteristic of what lies above (a zone about square).

    Adler, R. J. and Taylor, J. E. (2007), Random Fields and Geometry, Springer; Worsley et al.
    (1996), Human Brain Mapping 4, 58-73, for the plane with its edges (both from memory).
    """
    level = np.linspace(0.3, 6.0, 600)
    beyond = scipy.special.ndtr(-level)
    above = np.exp(-(level**2) / 2) / (2 * np.pi)
    summits = size * above * level / np.sqrt(2 * np.pi) + 2 * np.sqrt(size) * above + beyond
    at = int(np.argmax(summits <= np.log(2)))
    return max(float(np.log(2) / beyond[at]), 1.0)


def chances_of_best(known: float, places: float) -> tuple[float, float]:
    """Return how likely the place that is taken of several, by what is known, lies in the driest
    quarter of all ground, and in its wetter half.

    Taken is the place whose rank is expected to be off least from the middle of the driest quarter:
    of few places the driest, of many one that is less dry than the driest of all.

    known: correlation of what is known with the truth, 0..1; places: how many independent ones.

    >>> [round(part, 2) for part in chances_of_best(0.0, 16)]
    [0.25, 0.5]
    """  # noqa: D205
    at = (np.arange(_NODES) + 0.5) / _NODES
    left = np.sqrt(max(1 - known**2, 1e-12))
    score = known * scipy.special.ndtri(at ** (1 / max(places, 1.0)))
    score = np.minimum(score, _aimed_at(float(left)))
    quarter = scipy.special.ndtr((score - _QUARTER) / left)
    wetter_half = scipy.special.ndtr(-score / left)
    return float(quarter.mean()), float(wetter_half.mean())


def _aimed_at(left: float) -> float:
    """Return how dry a place should be thought, in standard deviations, when it is known within
    `left` of them: its rank then misses the middle of the driest quarter least."""  # noqa: D205, D209
    thought = np.linspace(0.5, 4.0, 141)
    off = left * scipy.special.ndtri((np.arange(64) + 0.5) / 64)
    miss = (scipy.special.ndtr(thought[:, None] + off) - _MIDDLE) ** 2
    return float(thought[miss.mean(axis=1).argmin()])
