"""How likely a point is to be where the map says: its rank with everything unknown in it.

Three things stand between the map of dryness and the ground: the scenarios, the point's own burial
error, and what deviates from place to place: an application pattern that nobody measured and the
field's own error. A few crowns that nobody drew come on top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, ndtr, ndtri

from siting._rankfield import FIELD_ERROR, TARGET_RANK, RankField

__all__ = ["FIELD_REACH_M", "UNDRAWN_SHADE", "Chances", "Unevenness", "chances_at"]

Floats = NDArray[np.float64]

#: Over this distance the field's own error is alike; judgement, no source [m].
FIELD_REACH_M: Final = 2.0
#: Share of open ground in the shade of a crown that the drawing lacks; judgement, no source.
UNDRAWN_SHADE: Final = 0.02

_QUARTER, _HALF = 0.75, 0.5
_NODES: Final = 12  # values of the deviation at the point, each as likely
_PLACES: Final = 128  # places of the ground among which a point is ranked
_SCENARIOS: Final = 8  # of those drawn, at most so many are followed
_TERMS: Final = 4  # of the expansion of a covariance of two indicators
_GOLDEN: Final = (np.sqrt(5.0) - 1) / 2
_LEAST: Final = 1e-7  # variance of a rank below which it is taken as sure
_ARM: Final = np.sqrt(3.0)  # cubature of a normal error in the plane: middle and four arms
_OFFSETS: Final = np.array([[0, 0], [_ARM, 0], [-_ARM, 0], [0, _ARM], [0, -_ARM]])
_WEIGHTS: Final = np.array([1 / 3, 1 / 6, 1 / 6, 1 / 6, 1 / 6])


@dataclass(frozen=True)
class Unevenness:
    """An application pattern that is not known.

    Parameters
    ----------
    cv : float
        Coefficient of variation of local application about what is assumed of it.
    reach : float
        Distance over which deviations are alike: their correlation at distance d is
        exp(-(d / reach)² / 2). 0 says that every point deviates by itself [m].
    cv_tested : float or None
        The coefficient of variation that a can test would leave; None where none is to be gained.
    """

    cv: float = 0.0
    reach: float = 0.0
    cv_tested: float | None = None


class Chances(NamedTuple):
    """What is expected of the true rank of a point, among the ground where a sensor may lie.

    Parameters
    ----------
    expected_rank : float
        Mean of the share of that ground that is less dry, 0..1.
    driest_quarter, wetter_half : float
        Chance that the point lies in the driest quarter of it, and in the wetter half, 0..1.
    """

    expected_rank: float
    driest_quarter: float
    wetter_half: float


class _Deviation(NamedTuple):
    """How local dryness deviates from the map: a lognormal field that is a sum of two.

    variances, reaches (2,): of the logarithm: the application's, then the field's own.
    """

    variances: Floats
    reaches: Floats

    @property
    def sigma(self) -> float:
        """Standard deviation of the logarithm."""
        return float(np.sqrt(self.variances.sum()))

    def alike(self, squared: Floats) -> Floats:
        """Return the correlation at squared distances [m²], any shape."""
        parts = [
            variance * (np.exp(-squared / (2 * reach**2)) if reach > 0 else squared == 0)
            for variance, reach in zip(self.variances, self.reaches, strict=True)
        ]
        return np.asarray(sum(parts) / self.variances.sum(), dtype=float)


def chances_at(
    ranks: RankField, point: tuple[float, float], unknown: Unevenness, *, tested: bool = False
) -> Chances:
    """Return what is expected of the true rank of a point, with everything unknown in it.

    Local dryness is the map's times a lognormal field: application of the given coefficient of
    variation, and `FIELD_ERROR`. With z the deviation at the point in standard deviations and r(d)
    the correlation, the ground at distance d deviates by r z on average and sqrt(1 - r²) about it,
    so the mean rank given z is a mean of normal probabilities over the ground. What the rank varies
    by about that mean is the covariance of two such indicators, averaged over pairs of places:
    Mehler's expansion in Hermite polynomials. A beta distribution of that mean and variance stands
    for the rank given z, the scenario and the burial error: good where deviations reach no farther
    than about a third of the ground. No random numbers are needed.

    point: x and y [m]. Result: of the ground where a sensor may lie.

    Mehler, F. G. (1866), for the expansion of the bivariate normal density.
    """
    cv = unknown.cv if not tested or unknown.cv_tested is None else unknown.cv_tested
    deviation = _Deviation(
        np.array([np.log1p(cv**2), np.log1p(FIELD_ERROR**2)]),
        np.array([unknown.reach, FIELD_REACH_M]),
    )
    some, weight = _some(ranks.ground.area, ranks.ground.middle.mean(axis=0))
    places = np.column_stack([part[some] for part in ranks.places])
    scenarios = np.unique(
        np.linspace(0, len(ranks.ground.middle) - 1, _SCENARIOS).round().astype(int)
    )
    around = np.asarray(point) + ranks.burial_error * _OFFSETS
    here = ranks.surface.at(around[:, 0], around[:, 1])[scenarios]
    ground = ranks.ground.middle[np.ix_(scenarios, some)]
    size = np.maximum(np.abs(ground).max(axis=1, keepdims=True), 1e-300)
    here, ground = np.maximum(here / size, 1e-9), np.maximum(ground / size, 1e-9)
    # Within a piece of ground dryness is spread over a range: a little more to differ by.
    inside = (ranks.ground.range[np.ix_(scenarios, some)] / size / ground) ** 2 / 12
    found, lift = np.zeros(3), 0.0
    if cv < unknown.cv:
        known = np.log1p(unknown.cv**2) - np.log1p(cv**2)
        inside = inside + known
        lift = _lift(np.log(here[:, :1]) - np.log(ground), float(np.sqrt(known)), weight)
    for at, share, row in zip(around, _WEIGHTS, here.T, strict=True):
        drier_by = np.log(row)[:, None] + lift - np.log(ground)
        squared = ((places - at) ** 2).sum(axis=1)
        found += share * _expected(drier_by, inside, deviation, weight, places, squared)
    return _under_crowns(*found)


def _lift(drier_by: Floats, known: float, weight: Floats) -> float:
    """Return by how much a point chosen once `known` is known is drier than the map's, in logs."""

    def rank(lift: float) -> float:
        return float((ndtr((drier_by + lift) / known) @ weight).mean())

    low, high = 0.0, 4.0 * known
    if rank(low) >= TARGET_RANK:
        return low
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (low, middle) if rank(middle) >= TARGET_RANK else (middle, high)
    return high


def _under_crowns(rank: float, quarter: float, half: float) -> Chances:
    """Add crowns that nobody drew: a point in the shade of one is the moistest there is."""
    clear = 1.0 - UNDRAWN_SHADE
    return Chances(float(clear * rank), float(clear * quarter), float(UNDRAWN_SHADE + clear * half))


def _expected(
    drier_by: Floats,
    inside: Floats,
    deviation: _Deviation,
    weight: Floats,
    places: Floats,
    squared: Floats,
) -> Floats:
    """Return mean rank, chance of the driest quarter and of the wetter half, over scenarios and z.

    `drier_by` is the logarithm of dryness at the point over that of each place, shape (S, K).
    """
    z = ndtri((np.arange(_NODES) + 0.5) / _NODES)
    alike = deviation.alike(squared)
    own = np.sqrt(np.maximum(1 - alike**2, 1e-9) + inside / deviation.sigma**2)
    limit = (drier_by[:, None] / deviation.sigma + (1 - alike) * z[:, None]) / own[:, None]
    limit = limit.reshape(-1, weight.size)
    mean = ndtr(limit) @ weight
    apart = ((places[:, None] - places[None]) ** 2).sum(axis=2)
    left = deviation.alike(apart) - alike[:, None] * alike
    scale = np.sqrt(np.maximum(1 - alike**2, 1e-9))
    pairs = np.clip(left / (scale[:, None] * scale), -1.0, 1.0)
    variance = _indicator_variance(limit, pairs, weight)
    return np.array([mean.mean(), *(_beyond(mean, variance))])


def _beyond(mean: Floats, variance: Floats) -> tuple[float, float]:
    """Return the mean chances that beta variates lie above 0.75 and below 0.5."""
    most = mean * (1 - mean)
    sure = (variance < _LEAST) | (most < _LEAST)
    size = np.where(sure, 1.0, np.maximum(most / np.maximum(variance, _LEAST) - 1, 1e-3))
    a, b = (np.maximum(size * part, 1e-9) for part in (mean, 1 - mean))
    quarter = np.where(sure, mean >= _QUARTER, 1 - betainc(a, b, _QUARTER))
    half = np.where(sure, mean < _HALF, betainc(a, b, _HALF))
    return float(quarter.mean()), float(half.mean())


def _some(weight: Floats, dryness: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return places of every dryness, each the middle of an equal share of the ground, and shares.

    Of equal dryness they are scattered, so that no row of the mesh is favoured.
    """
    if weight.size <= _PLACES:
        return np.arange(weight.size), weight / weight.sum()
    scattered = np.argsort((np.arange(weight.size) * _GOLDEN) % 1.0)
    level = np.round((dryness - dryness.min()) / max(float(np.ptp(dryness)), 1e-300), 2)
    order = scattered[np.argsort(level[scattered], kind="stable")]
    middle = (np.cumsum(weight[order]) - weight[order] / 2) / weight.sum()
    at = np.searchsorted(middle, (np.arange(_PLACES) + 0.5) / _PLACES)
    return order[np.minimum(at, weight.size - 1)], np.full(_PLACES, 1 / _PLACES)


def _indicator_variance(limit: Floats, pairs: Floats, weight: Floats) -> Floats:
    """Return the variance of the area where a standard normal field stays below limits (N, K)."""
    # cov(1[X<a], 1[Y<b]) = phi(a) phi(b) sum_k r^k / k! He_{k-1}(a) He_{k-1}(b)
    density = weight * np.exp(-(limit**2) / 2) / np.sqrt(2 * np.pi)
    before, now, factor = np.zeros_like(limit), np.ones_like(limit), 1.0
    total, power = np.zeros(len(limit)), np.ones_like(pairs)
    for k in range(1, _TERMS + 1):
        factor *= k
        power = power * pairs
        side = density * now
        total += ((side @ power) * side).sum(axis=1) / factor
        before, now = now, limit * now - (k - 1) * before
    return np.maximum(total, 0.0)
