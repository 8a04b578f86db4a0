"""Sums whose order does not matter: every term is a multiple of one small power of two.

Weights of directions are rounded to multiples of 2**-46 (1.4e-14). Sums of such numbers up to 2**7
are exact in float64, so the same cells give the same bits whatever the tiles, the threads and the
engine.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["LOG_QUANTUM", "ROUNDER", "rounded", "rounded_logs"]

#: Adding and taking away this number rounds numbers below 32 to multiples of 2**-46.
ROUNDER: Final = 1.5 * 2.0 ** (52 - 46)
#: Logarithms of transmissivities are multiples of this; their sums are exact up to 2**13.
LOG_QUANTUM: Final = 2.0**-40


def rounded(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round numbers below 32 to multiples of 2**-46.

    >>> parts = rounded(np.array([0.1, 0.2, 0.3]))
    >>> bool(parts.sum() == parts[::-1].sum()), float(abs(parts[0] - 0.1)) < 2**-47
    (True, True)
    """
    result: NDArray[np.float64] = (values + ROUNDER) - ROUNDER
    return result


def rounded_logs(log_tau: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round logarithms of transmissivities to multiples of `LOG_QUANTUM`; -inf stays."""
    return np.rint(log_tau / LOG_QUANTUM) * LOG_QUANTUM
