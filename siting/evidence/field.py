"""What readings and cans say of where a zone is dry: an exact Gaussian process about the map.

The model, for one zone. Let f(p) be the logarithm of the map's dryness at a point p, and d(p) what
the ground deviates from it by: a Gaussian field of mean 0, of the variance that the unevenness of
the application has, alike over its reach (correlation exp(-(distance / reach)² / 2)). A reading of
kind k on day j at p, put so that high is dry and brought to normal scores s, is::

    s = (trust / sigma) (f(p) + d(p)) + level of the day + lasting error of k + error of the day

sigma is the standard deviation that f + d is expected to have over the places read, and trust the
correlation of one day's reading with the true dryness of its place. The errors fill up the variance
to 1; half of it lasts, half is the day's own, until repeated walks say otherwise. A probe's errors
belong to its place; a raster's are alike over as far as the deviations are, so that a thousand
cells say no more than the trust allows. The level of a day is unknown.

A probe's scores are by rank, so that only the order of readings counts: its unit or one slip of the
pen change little. A raster's are its values about their mean, the far out ones held.

With N readings the posterior is one Cholesky factor of an N x N matrix. N is 15 to some hundreds,
so this is exact and takes milliseconds; a library of Gaussian processes would add the search for
kernel parameters, which so few readings cannot tell and the plan has from elsewhere.

The cans of a can test are readings of the very field that the rest of the plan takes for unknown:
the logarithm of local application deviates by a Gaussian field, alike over a share of the head
spacing, and a can reads it at its place with an error of its own. So the pattern between cans is
that of kriging, and what is left open is little beside a can and the whole of it far from all.

How much application varies, and a can's error, are those under which the readings are most likely,
of a few tried (restricted likelihood, as their mean is unknown). How far deviations are alike is
not sought: so few cans foretell themselves best by a field that is smoother than heads make it, and
state too little error then. Each reading is foretold from all the others too: where that is off by
more than the field says, the error is widened by as much.

References
----------
Rasmussen, C. E. and Williams, C. K. I. (2006) Gaussian Processes for Machine Learning, MIT Press,
Eq. 2.25, 2.26 and 2.41: the posterior, and a mean that is known but for coefficients; Eq. 5.8 and
5.10 to 5.12: likelihood, and a reading foretold from all the others.
Goovaerts, P. (1997) Geostatistics for Natural Resources Evaluation, Oxford: normal scores, simple
kriging with a mean that varies, conditional simulation.
Blom, G. (1958) Statistical Estimates and Transformed Beta-Variables, Wiley: scores of ranks.
Rahimi, A. and Recht, B. (2007) Random features for large-scale kernel machines, NIPS 20: draws.
Patterson, H. D. and Thompson, R. (1971) Recovery of inter-block information when block sizes are
unequal, Biometrika 58, 545-554: the likelihood with the mean left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
import scipy

from siting.arrays import Floats, Ints
from siting.water.heads import CAN_ERROR

#: With fewer places read in a zone nothing is learned; judgement, no source.
FEWEST_PLACES: Final = 6
#: Readings of a probe nearer than about this stand for one place [m].
SAME_PLACE_M: Final = 0.3
#: Variance of a day's unknown level, in variances of dryness.
LEVEL_VARIANCE: Final = 100.0
_LASTING: Final = 0.5  # share of an error that is there again another day; judgement
_PAIRS: Final = 20.0  # pairs of readings of two days that weigh as much as that judgement
_LEAST_TRUST: Final = 0.05
_FEATURES: Final = 200  # random features of a draw
_SEED: Final = 20_260_705
_QUARTILES: Final = 1.349  # the middle half of a normal distribution, in standard deviations
_FAR: Final = 3.0


@dataclass(frozen=True)
class Readings:
    """Readings of one kind in one zone, on one day or several.

    Parameters
    ----------
    kind : str
        What it is called in words.
    places : ndarray, shape (N, 2)
        Where [m].
    value : ndarray, shape (N,)
        Higher is drier; any unit, one for each day.
    day : ndarray of int, shape (N,)
        Which day's each is: 0, 1 ...
    trust : float
        Correlation of a day's reading with the true dryness of its place, 0..1.
    alike : bool
        Whether errors are alike over as far as the deviations are (a raster), or each place's own.
    days : tuple of str
        Names of the days.
    """

    kind: str
    places: Floats
    value: Floats
    day: Ints
    trust: float
    alike: bool = False
    days: tuple[str, ...] = ()


@dataclass(frozen=True)
class Learned:
    """A field of deviations, in logarithms of dryness, as readings leave it.

    Parameters
    ----------
    places : ndarray, shape (N, 2)
        Where readings were taken [m].
    weights : ndarray, shape (L, N)
        What multiplies the covariance with each place, by level of the obstacles.
    factor : ndarray, shape (N, N)
        Lower Cholesky factor of the covariance of the readings.
    noise : ndarray, shape (N, N)
        That of their errors.
    variance, reach : float
        Of the deviations before any reading; [-] and [m].
    """

    places: Floats
    weights: Floats
    factor: Floats
    noise: Floats
    variance: float
    reach: float

    @property
    def moves(self) -> bool:
        """Whether dryness is moved by it, or only what is known of it."""
        return bool(self.weights.any())

    def mean(self, x: Floats, y: Floats) -> Floats:
        """Return what the logarithm of dryness is expected to deviate by.

        Parameters
        ----------
        x, y : ndarray, shape (P,)
            Points [m].

        Returns
        -------
        ndarray, shape (L, P)
            By level of the obstacles.
        """
        return np.asarray(self.weights @ self._with(np.column_stack([x, y])).T)

    def covariance(self, one: Floats, other: Floats) -> Floats:
        """Return the covariance that is left between points.

        Parameters
        ----------
        one, other : ndarray, shape (A, 2) and (B, 2)
            Points [m].

        Returns
        -------
        ndarray, shape (A, B)
            Of logarithms of dryness.
        """
        solved = scipy.linalg.cho_solve((self.factor, True), self._with(other).T)
        return np.asarray(
            covariance(one, other, self.variance, self.reach) - self._with(one) @ solved
        )

    def deviation(self, x: Floats, y: Floats) -> Floats:
        """Return the standard deviation that is left at points, shape (P,)."""
        near = self._with(np.column_stack([x, y]))
        solved = scipy.linalg.cho_solve((self.factor, True), near.T)
        left = self.variance - np.einsum("pn,np->p", near, solved)
        return np.asarray(np.sqrt(np.maximum(left, 0.0)))

    def draws(self, x: Floats, y: Floats, count: int) -> Floats:
        """Draw what deviates still, about the mean; the same draws wherever points are asked for.

        A draw of the field before the readings, by random features, less what the same readings of
        it would have taught (conditional simulation).

        Parameters
        ----------
        x, y : ndarray, shape (P,)
            Points [m].
        count : int
            How many.

        Returns
        -------
        ndarray, shape (count, P)
            In logarithms of dryness.
        """
        random = np.random.default_rng(_SEED)
        waves = random.standard_normal((2, _FEATURES)) / self.reach
        phase = random.uniform(0.0, 2 * np.pi, _FEATURES)
        size = random.standard_normal((_FEATURES, count))
        size *= np.sqrt(2 * self.variance / _FEATURES)
        origin = self.places.mean(axis=0)
        points = np.column_stack([x, y])

        def field(at: Floats) -> Floats:
            return np.asarray(np.cos((at - origin) @ waves + phase) @ size)

        error = scipy.linalg.cholesky(self.noise, lower=True) @ random.standard_normal(
            (len(self.places), count)
        )
        solved = scipy.linalg.cho_solve((self.factor, True), field(self.places) + error)
        return np.asarray((field(points) - self._with(points) @ solved).T)

    def _with(self, points: Floats) -> Floats:
        """Return the covariance of points with the places read, shape (P, N)."""
        return covariance(points, self.places, self.variance, self.reach)


def covariance(one: Floats, other: Floats, variance: float, reach: float) -> Floats:
    """Return the covariance of deviations before any reading.

    one, other: points, shapes (A, 2) and (B, 2) [m]. Result: shape (A, B).
    """
    apart = ((one[:, None] - other[None]) ** 2).sum(axis=2)
    return np.asarray(variance * np.exp(-apart / (2 * reach**2)))


def normal_scores(values: Floats) -> Floats:
    """Return what standard normal values of the same ranks are expected to be, of variance 1.

    values (N,): in any unit; equal ones share a score. All zero where all are equal.

    >>> normal_scores(np.array([3.0, 9.0, 900.0])).round(3).tolist()
    [-1.0, 0.0, 1.0]
    """
    _, which, count = np.unique(values, return_inverse=True, return_counts=True)
    rank = (np.cumsum(count) - (count - 1) / 2)[which]
    scores = scipy.special.ndtri((rank - 0.375) / (len(values) + 0.25))
    scores = scores - scores.mean()
    spread = float(scores.std(ddof=1)) if len(values) > 1 else 0.0
    return np.asarray(scores / spread if spread > 1e-12 else np.zeros(len(values)))  # noqa: PLR2004


def _even_scores(values: Floats) -> Floats:
    """Return values about their mean, of variance 1, what lies far out held to three deviations.

    values (N,): in any unit. A raster's cells are a few patches over and over: their ranks would
    stretch the highest patch to what the highest of as many places apart would be.

    >>> _even_scores(np.array([0.0, 1.0, 2.0])).tolist()
    [-1.0, 0.0, 1.0]
    """
    low, middle, high = np.quantile(values, [0.25, 0.5, 0.75])
    size = (high - low) / _QUARTILES
    kept = values if size <= 0 else np.clip(values, middle - _FAR * size, middle + _FAR * size)
    spread = float(kept.std(ddof=1)) if len(kept) > 1 else 0.0
    return np.asarray((kept - kept.mean()) / spread if spread > 0 else np.zeros(len(kept)))


def learn(
    readings: Sequence[Readings],
    dryness: Callable[[Floats, Floats], Floats],
    *,
    variance: float,
    reach: float,
    known: Learned | None = None,
) -> Learned | None:
    """Update the field of a zone by readings.

    Parameters
    ----------
    readings : sequence of Readings
        One per kind.
    dryness : callable
        x, y (N,) -> the map's dryness by level of the obstacles, shape (L, N).
    variance, reach : float
        Of the logarithm of what deviates from the map; how far it is alike [m].
    known : Learned, optional
        What cans leave of it, whose mean is in the map; variance and reach are its own then.

    Returns
    -------
    Learned or None
        None where no kind has enough places that differ.
    """
    if known is not None:
        variance, reach = known.variance, known.reach
    if variance <= 0 or reach <= 0:
        return None

    def among(one: Floats) -> Floats:
        if known is not None:
            return known.covariance(one, one)
        return covariance(one, one, variance, reach)

    parts = [
        part for one in readings for part in [_scored(one, dryness, among, variance, reach)] if part
    ]
    if not parts:
        return None
    places = np.vstack([place for place, _, _ in parts])
    value = np.concatenate([values for _, values, _ in parts])
    errors = [error for _, _, error in parts]
    miss = value - np.log(dryness(places[:, 0], places[:, 1]))
    if known is not None:
        # The map agrees with the cans already: they hold it, and miss nothing.
        places = np.vstack([known.places, places])
        errors = [known.noise, *errors]
        miss = np.hstack([np.zeros((len(miss), len(known.places))), miss])
    noise = scipy.linalg.block_diag(*errors) + 1e-9 * variance * np.eye(len(places))
    factor = scipy.linalg.cholesky(covariance(places, places, variance, reach) + noise, lower=True)
    weights = scipy.linalg.cho_solve((factor, True), miss.T).T
    return Learned(places, weights, factor, noise, variance, reach)


def _scored(
    readings: Readings,
    dryness: Callable[[Floats, Floats], Floats],
    among: Callable[[Floats], Floats],
    variance: float,
    reach: float,
) -> tuple[Floats, Floats, Floats] | None:
    """Bring readings to the scale of the field; None where they say nothing.

    Returns places, logarithms of dryness but for a level of each day, and their errors (N, N).
    """
    kept = _usable(readings)
    if kept is None:
        return None
    days = np.unique(kept.day)
    trust, lasting = reliability(kept)
    value, noise = np.zeros(len(kept.value)), np.zeros(len(kept.value))
    middle = np.log(dryness(kept.places[:, 0], kept.places[:, 1])).mean(axis=0)
    for day in days:
        at = kept.day == day
        open_yet = among(kept.places[at])
        count = int(at.sum())
        spread = float(np.trace(open_yet) - open_yet.sum() / count) / (count - 1)
        spread += float(middle[at].var(ddof=1))
        scores = (_even_scores if kept.alike else normal_scores)(kept.value[at])
        value[at] = middle[at].mean() + scores * np.sqrt(spread) / trust
        noise[at] = spread * (1 / trust**2 - 1)
    same_day = (kept.day[:, None] == kept.day[None]).astype(float)
    alike = covariance(kept.places, kept.places, 1.0, reach if kept.alike else SAME_PLACE_M)
    share = lasting + (1 - lasting) * same_day
    size = np.sqrt(noise)
    error = size[:, None] * size * alike * share + same_day * LEVEL_VARIANCE * variance
    return kept.places, value, error


def _usable(readings: Readings) -> Readings | None:
    """Leave out days with too few places, or on which all readings are equal."""
    days = [
        day
        for day in np.unique(readings.day)
        if len(np.unique(np.round(readings.places[readings.day == day], 1), axis=0))
        >= FEWEST_PLACES
        and np.ptp(readings.value[readings.day == day]) > 0
    ]
    at = np.isin(readings.day, days)
    if not at.any():
        return None
    return replace(
        readings, places=readings.places[at], value=readings.value[at], day=readings.day[at]
    )


def reliability(readings: Readings) -> tuple[float, float]:
    """Return how far a day's reading can be trusted, and which share of its error lasts.

    What one day says foretells what the next says by as much as both have in common: the place's
    dryness and the error that lasts. So the correlation of days is the reliability of a reading, no
    reading is nearer to the truth than its root, and what it exceeds the square of the trust by is
    the error that lasts.

    Parameters
    ----------
    readings : Readings
        Of one kind, on one day or several.

    Returns
    -------
    trust : float
        Correlation of a day's reading with the true dryness of its place.
    lasting : float
        Share of the error's variance, 0..1; a half where the days cannot tell.

    References
    ----------
    Spearman, C. (1904) The proof and measurement of association between two things, Am. J.
    Psychology 15: what unreliable readings leave of a correlation.
    """
    trust = float(np.clip(readings.trust, _LEAST_TRUST, 0.99))
    between, pairs = day_correlation(readings)
    usual = trust**2 + _LASTING * (1 - trust**2)
    if pairs == 0:
        return trust, _LASTING
    found = (pairs * between + _PAIRS * usual) / (pairs + _PAIRS)
    trust = float(np.sqrt(np.clip(min(trust**2, found), _LEAST_TRUST**2, None)))
    lasting = float(np.clip((found - trust**2) / (1 - trust**2), 0.0, 1.0))
    return trust, lasting


def day_correlation(readings: Readings) -> tuple[float, int]:
    """Return the mean correlation of days at places read on both, and how many pairs there are."""
    days, spot = np.unique(readings.day), place_numbers(readings.places)
    total, pairs = 0.0, 0
    for k, one in enumerate(days):
        for other in days[k + 1 :]:
            common = np.intersect1d(spot[readings.day == one], spot[readings.day == other])
            if len(common) < FEWEST_PLACES:
                continue
            a, b = (
                np.array(
                    [readings.value[(readings.day == day) & (spot == s)].mean() for s in common]
                )
                for day in (one, other)
            )
            scores = normal_scores(a) @ normal_scores(b) / (len(common) - 1)
            total, pairs = total + float(scores) * len(common), pairs + len(common)
    return (total / pairs if pairs else 0.0), pairs


def place_numbers(places: Floats) -> Ints:
    """Return one number for readings nearer together than `SAME_PLACE_M`, shape (N,)."""
    numbers = np.full(len(places), -1)
    found = 0
    for k in range(len(places)):
        if numbers[k] < 0:
            near = np.hypot(*(places - places[k]).T) <= SAME_PLACE_M
            numbers[near & (numbers < 0)] = found
            found += 1
    return numbers


#: Shares of the mean between which a can counts: a dry can says no more than that it is dry.
_LEAST, _MOST = 0.3, 2.0
_SIZES: Final = np.geomspace(0.03, 0.7, 16)  # standard deviations of the pattern that are tried
_ERRORS: Final = (1.0, 2.0, 4.0)  # errors of a can that are tried, in `CAN_ERROR`


def learn_cans(places: Floats, share: Floats, *, reach: float) -> Learned:
    """Return what cans leave of a zone's dryness, as a deviation from even application.

    Parameters
    ----------
    places : ndarray, shape (N, 2)
        Cans [m].
    share : ndarray, shape (N,)
        Their readings over the mean of all.
    reach : float
        Distance over which deviations are alike; at least half the distance between cans [m].

    Returns
    -------
    Learned
        Of the logarithm of dryness: where a can caught little its mean is above 0.
    """
    dry = -np.log(np.clip(share, _LEAST, _MOST))
    alike = covariance(places, places, 1.0, reach)
    _, size, error = max(
        (_likelihood(dry, size**2 * alike, error * CAN_ERROR), size, error * CAN_ERROR)
        for size, error in product(_SIZES.tolist(), _ERRORS)
    )
    variance = size**2
    noise = error**2 * np.eye(len(dry)) + LEVEL_VARIANCE * variance
    inverse = np.linalg.inv(variance * alike + noise)
    solved = inverse @ dry
    # What each reading is off by, foretold from all others, over what it is expected to be.
    wider = max(float((solved**2 / np.diag(inverse)).mean()), 1.0)
    factor = scipy.linalg.cholesky(wider * (variance * alike + noise), lower=True)
    return Learned(places, solved[None] / wider, factor, wider * noise, wider * variance, reach)


def _likelihood(value: Floats, among: Floats, error: float) -> float:
    """Return the logarithm of the restricted likelihood, but for a constant."""
    factor = np.linalg.cholesky(among + error**2 * np.eye(len(value)))
    both = scipy.linalg.solve_triangular(
        factor, np.column_stack([value, np.ones(len(value))]), lower=True
    )
    weight = float(both[:, 1] @ both[:, 1])
    left = both[:, 0] - both[:, 1] * float(both[:, 1] @ both[:, 0]) / weight
    determinant = 2 * float(np.log(np.diag(factor)).sum()) + float(np.log(weight))
    return -(determinant + float(left @ left)) / 2
