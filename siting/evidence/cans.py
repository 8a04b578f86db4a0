"""What a can test leaves open of an application pattern, place by place.

Cans are readings of the very field that the rest of the plan takes for unknown: the logarithm of
local application deviates by a Gaussian field, alike over a share of the head spacing, and a can
reads it at its place with an error of its own. So the pattern between cans is that of kriging, and
what is left open is little beside a can and the whole of it far from all.

How much application varies, and a can's error, are those under which the readings are most likely,
of a few tried (restricted likelihood, as their mean is unknown). How far deviations are alike is
not sought: so few cans foretell themselves best by a field that is smoother than heads make it, and
state too little error then. Each reading is foretold from all the others too: where that is off by
more than the field says, the error is widened by as much.

References
----------
Rasmussen, C. E. and Williams, C. K. I. (2006) Gaussian Processes for Machine Learning, MIT Press,
Eq. 2.25, 2.26, 5.8 (likelihood), 5.10 to 5.12 (what is left out, foretold).
Patterson, H. D. and Thompson, R. (1971) Recovery of inter-block information when block sizes are
unequal, Biometrika 58, 545-554: the likelihood with the mean left out.
"""

from __future__ import annotations

from itertools import product
from typing import Final

import numpy as np
import scipy

from siting.arrays import Floats
from siting.evidence.field import LEVEL_VARIANCE, Learned, covariance
from siting.water.heads import CAN_ERROR

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
