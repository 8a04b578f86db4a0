"""How far an application pattern that nobody has measured may move a rank."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from siting._rankfield import RankField

__all__ = ["Unevenness", "application_sd", "rank_sd_of_application"]

Floats = NDArray[np.float64]

_NODES: Final = 15  # of the quadrature over the application at the point
_PLACES: Final = 220  # pieces of ground between which the pattern's correlation is followed
_TERMS: Final = 4  # of the expansion of a covariance of two indicators


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


def rank_sd_of_application(
    ranks: RankField, point: tuple[float, float], unknown: Unevenness
) -> tuple[float, float | None]:
    """Return how far unknown application moves the rank of a point, now and after a can test.

    Parameters
    ----------
    ranks : RankField
        The field.
    point : tuple of float
        x and y [m].
    unknown : Unevenness
        What is not known.

    Returns
    -------
    tuple of float and float or None
        Standard deviations of the rank, 0..1; the second None where there is nothing to gain.
    """
    here = ranks.surface.at(np.array([point[0]]), np.array([point[1]]))[:, 0]
    at = ranks.places
    options = {
        "area": ranks.ground.area,
        "away": np.column_stack([at[0] - point[0], at[1] - point[1]]),
        "reach": unknown.reach,
    }
    dryness, value = ranks.ground.middle.mean(axis=0), float(here.mean())
    now = application_sd(dryness, value, cv=unknown.cv, **options)  # type: ignore[arg-type]
    if unknown.cv_tested is None:
        return now, None
    tested = application_sd(dryness, value, cv=unknown.cv_tested, **options)  # type: ignore[arg-type]
    return now, min(now, tested)


def application_sd(
    dryness: Floats,
    at: float,
    *,
    cv: float,
    area: Floats | None = None,
    away: Floats | None = None,
    reach: float = 0.0,
) -> float:
    """Return how far unknown sprinkler unevenness may move a rank.

    Application is taken as a lognormal field with the given coefficient of variation. With z the
    deviation at the point in standard deviations and r(d) the correlation, the ground at distance d
    deviates by r z on average and sqrt(1 - r²) about it, so the mean rank given z is a mean of
    normal probabilities over the ground. What the rank varies by about that mean is the covariance
    of two such indicators, averaged over pairs of places: Mehler's expansion in Hermite
    polynomials. No random numbers are needed.

    Parameters
    ----------
    dryness : ndarray, shape (P,)
        Dryness of the ground with even application (any unit).
    at : float
        Dryness of the chosen point in the same unit.
    cv : float
        Coefficient of variation of application.
    area : ndarray, shape (P,), optional
        Area that each stands for; equal by default [m²].
    away : ndarray, shape (P, 2), optional
        Vector from the chosen point to each; needed where there is a reach [m].
    reach : float
        See `Unevenness` [m].

    Returns
    -------
    float
        Standard deviation of the rank, 0..1.

    References
    ----------
    Mehler, F. G. (1866), for the expansion of the bivariate normal density.
    """
    if cv <= 0 or at <= 0 or dryness.size == 0:
        return 0.0
    weight = np.ones(dryness.size) if area is None else area
    weight = weight / weight.sum()
    sigma = float(np.sqrt(np.log1p(cv**2)))
    drier_by = (np.log(at) - np.log(np.maximum(dryness, 1e-12 * at))) / sigma
    nodes, share = np.polynomial.hermite_e.hermegauss(_NODES)
    share = share / share.sum()
    if away is None or reach <= 0:
        ranks = np.array([weight @ ndtr(drier_by - node) for node in nodes])
        return float(np.sqrt(share @ (ranks - share @ ranks) ** 2))
    alike = np.exp(-(away**2).sum(axis=1) / (2 * reach**2))
    own = np.sqrt(np.maximum(1 - alike**2, 1e-9))
    limits = [(drier_by - (1 - alike) * node) / own for node in nodes]
    ranks = np.array([weight @ ndtr(limit) for limit in limits])
    between = float(share @ (ranks - share @ ranks) ** 2)
    some = _some(weight)
    pairs = _correlation(away[some], alike[some], own[some], reach)
    weight = weight[some] / weight[some].sum()
    within = [_indicator_variance(limit[some], pairs, weight) for limit in limits]
    return float(np.sqrt(between + share @ np.array(within)))


def _some(weight: Floats) -> NDArray[np.int64]:
    """Return places spread evenly over the ground, each the middle of an equal share of it."""
    if weight.size <= _PLACES:
        return np.arange(weight.size)
    middle = np.cumsum(weight) - weight / 2
    return np.unique(np.searchsorted(middle, (np.arange(_PLACES) + 0.5) / _PLACES))


def _correlation(away: Floats, alike: Floats, own: Floats, reach: float) -> Floats:
    """Return the correlation of places with each other once the point's own value is known."""
    apart = ((away[:, None] - away[None]) ** 2).sum(axis=2)
    left = np.exp(-apart / (2 * reach**2)) - alike[:, None] * alike
    correlation: Floats = np.clip(left / (own[:, None] * own), -1.0, 1.0)
    return correlation


def _indicator_variance(limit: Floats, pairs: Floats, weight: Floats) -> float:
    """Return the variance of the area in which a standard normal field stays below a limit."""
    # cov(1[X<a], 1[Y<b]) = phi(a) phi(b) sum_k r^k / k! He_{k-1}(a) He_{k-1}(b)
    density = weight * np.exp(-(limit**2) / 2) / np.sqrt(2 * np.pi)
    before, now, total, factor = np.zeros_like(limit), np.ones_like(limit), 0.0, 1.0
    power = np.ones_like(pairs)
    for k in range(1, _TERMS + 1):
        factor *= k
        power = power * pairs
        side = density * now
        total += float(side @ power @ side) / factor
        before, now = now, limit * now - (k - 1) * before
    return max(total, 0.0)
