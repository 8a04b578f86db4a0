"""Finding a point again from its tapes, apart from how the program does it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Floats = NDArray[np.float64]
#: Tapes from which on they are adjusted.
_TRIPLE = 3


def locate(points: Floats, distances: Floats, *, side: str) -> tuple[float, float]:
    """Find a point again from its tapes.

    points (T, 2): fixed points, in the order of the ties, T is at least two [m]; distances (T,):
    measured distances [m]; side {"left", "right"}: side of the line from point 1 to point 2 on
    which the point lies, seen from point 1. Returns x and y: the crossing of the first two arcs (or
    the point nearest to both when they miss each other), adjusted by least squares when there are
    more [m].

    >>> x, y = locate(np.array([[0.0, 0], [4, 0]]), np.array([5.0, 3.0]), side="left")
    >>> round(x, 9), round(y, 9)
    (4.0, 3.0)
    """
    base = points[1] - points[0]
    length = float(np.hypot(*base))
    along = (distances[0] ** 2 - distances[1] ** 2 + length**2) / (2 * length)
    off = float(np.sqrt(max(distances[0] ** 2 - along**2, 0.0)))
    turn = 1.0 if side == "left" else -1.0
    unit = base / length
    start = points[0] + along * unit + turn * off * np.array([-unit[1], unit[0]])
    if len(points) < _TRIPLE:
        return float(start[0]), float(start[1])

    def residual(at: Floats) -> Floats:
        gap: Floats = np.hypot(points[:, 0] - at[0], points[:, 1] - at[1]) - distances
        return gap

    fit = least_squares(residual, start, method="lm", xtol=1e-12, ftol=1e-12)
    return float(fit.x[0]), float(fit.x[1])
