"""Points of a scrambled Sobol sequence, the same to the bit as scipy's.

`scipy.stats` holds the same and takes nearly a second to load, of which a plan needs nothing else.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from siting.arrays import Floats, Ints

#: Of each dimension after the first: its primitive polynomial as bits, and its first direction
#: numbers. Joe, S., Kuo, F. Y. (2008), Constructing Sobol sequences with better two-dimensional
#: projections, SIAM Journal on Scientific Computing 30, 2635-2654, table new-joe-kuo-6.21201, as
#: scipy has it.
_DIRECTIONS: Final = (
    (3, 1),
    (7, 1, 3),
    (11, 1, 3, 1),
    (13, 1, 1, 1),
    (19, 1, 1, 3, 3),
    (25, 1, 3, 5, 13),
    (37, 1, 1, 5, 5, 17),
    (41, 1, 1, 5, 5, 5),
    (47, 1, 1, 7, 11, 19),
    (55, 1, 1, 5, 1, 1),
    (59, 1, 1, 1, 3, 11),
    (61, 1, 3, 5, 5, 31),
    (67, 1, 3, 3, 9, 7, 49),
    (91, 1, 1, 1, 15, 21, 21),
    (97, 1, 3, 1, 13, 27, 49),
    (103, 1, 1, 1, 15, 7, 5),
    (109, 1, 3, 1, 15, 13, 25),
    (115, 1, 1, 5, 5, 19, 61),
    (131, 1, 3, 7, 11, 23, 15, 103),
    (137, 1, 3, 7, 13, 13, 15, 69),
    (143, 1, 1, 3, 13, 7, 35, 63),
    (145, 1, 3, 5, 9, 1, 25, 53),
    (157, 1, 3, 1, 13, 9, 35, 107),
    (167, 1, 3, 1, 5, 27, 61, 31),
    (171, 1, 1, 5, 11, 19, 41, 61),
    (185, 1, 3, 5, 3, 3, 13, 69),
    (191, 1, 1, 7, 13, 1, 19, 1),
    (193, 1, 3, 7, 5, 13, 19, 59),
    (203, 1, 1, 3, 9, 25, 29, 41),
    (211, 1, 3, 5, 13, 23, 1, 55),
    (213, 1, 3, 7, 3, 13, 59, 17),
)
_BITS: Final = 30
#: Dimensions that can be had.
MOST_DIMENSIONS: Final = len(_DIRECTIONS) + 1


def scrambled_sobol(rows: int, rng: np.random.Generator, *, used: int, drawn: int) -> Floats:
    """Return the first points of a Sobol sequence, scrambled by a matrix and a shift.

    Matousek (1998), On the L2-discrepancy for anchored boxes, Journal of Complexity 14, 527-556.

    rows: points; rng: its next child scrambles; used: dimensions returned, at most
    `MOST_DIMENSIONS`; drawn: dimensions that random numbers are drawn for, on which the scrambling
    of each depends. Returns shape (rows, used), 0 <= values < 1.
    """
    (own,) = rng.spawn(1)
    weight = np.arange(_BITS, dtype=np.uint32)
    shift = own.integers(2, size=(drawn, _BITS), dtype=np.uint32) @ (np.uint32(1) << weight)
    mixing = np.tril(own.integers(2, size=(drawn, _BITS, _BITS), dtype=np.uint32))[:used]
    mixing = mixing.astype(np.int64)
    mixing[:, weight, weight] = 1
    down = np.arange(_BITS - 1, -1, -1)
    digits = (np.array([_directions(d) for d in range(used)])[:, :, None] >> down) & 1
    mixed = ((digits @ mixing.transpose(0, 2, 1)) & 1) @ (1 << down)
    points = np.empty((rows, used), dtype=np.int64)
    now: Ints = shift[:used].astype(np.int64)
    for row in range(rows):
        if row:  # in the order of the Gray code one number changes from point to point
            now = now ^ mixed[:, (row & -row).bit_length() - 1]
        points[row] = now
    return np.asarray(points * (1.0 / 2**_BITS))


def _directions(dimension: int) -> list[int]:
    """Return the direction numbers of a dimension, their bits at the upper end."""
    if dimension == 0:
        return [1 << (_BITS - 1 - j) for j in range(_BITS)]
    polynomial, *numbers = _DIRECTIONS[dimension - 1]
    degree = len(numbers)
    for j in range(degree, _BITS):
        new = numbers[j - degree]
        for k in range(degree):
            if (polynomial >> (degree - 1 - k)) & 1:
                new ^= numbers[j - k - 1] << (k + 1)
        numbers.append(new)
    return [number << (_BITS - 1 - j) for j, number in enumerate(numbers)]
