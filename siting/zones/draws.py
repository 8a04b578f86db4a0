"""Evenly spread draws: points of a scrambled Sobol sequence.

The same points, to the bit, as of `scipy.stats.qmc.Sobol`, which brings all of statistics along:
a quarter of a second of every run.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from siting.arrays import Floats, Ints

#: For each dimension after the first a primitive polynomial, its bits as a number, and the initial
#: direction numbers: Joe & Kuo 2008, SIAM Journal on Scientific Computing 30, 2635-2654, the first
#: of their table that looks at pairs of dimensions ("new-joe-kuo-6").
_DIRECTIONS: Final = (
    (3, 1), (7, 1, 3), (11, 1, 3, 1), (13, 1, 1, 1), (19, 1, 1, 3, 3), (25, 1, 3, 5, 13),
    (37, 1, 1, 5, 5, 17), (41, 1, 1, 5, 5, 5), (47, 1, 1, 7, 11, 19), (55, 1, 1, 5, 1, 1),
    (59, 1, 1, 1, 3, 11), (61, 1, 3, 5, 5, 31), (67, 1, 3, 3, 9, 7, 49),
    (91, 1, 1, 1, 15, 21, 21), (97, 1, 3, 1, 13, 27, 49), (103, 1, 1, 1, 15, 7, 5),
    (109, 1, 3, 1, 15, 13, 25), (115, 1, 1, 5, 5, 19, 61), (131, 1, 3, 7, 11, 23, 15, 103),
    (137, 1, 3, 7, 13, 13, 15, 69), (143, 1, 1, 3, 13, 7, 35, 63), (145, 1, 3, 5, 9, 1, 25, 53),
    (157, 1, 3, 1, 13, 9, 35, 107), (167, 1, 3, 1, 5, 27, 61, 31),
    (171, 1, 1, 5, 11, 19, 41, 61), (185, 1, 3, 5, 3, 3, 13, 69), (191, 1, 1, 7, 13, 1, 19, 1),
    (193, 1, 3, 7, 5, 13, 19, 59), (203, 1, 1, 3, 9, 25, 29, 41), (211, 1, 3, 5, 13, 23, 1, 55),
    (213, 1, 3, 7, 3, 13, 59, 17),
)  # fmt: skip
_BITS: Final = 30


def sobol_points(rows: int, columns: int, rng: np.random.Generator, *, dimensions: int) -> Floats:
    """Return the first points of a sequence after its start, scrambled, shape (rows, columns).

    rows: how many points; columns: dimensions that are wanted, the first; rng: what the scrambling
    is drawn from (a matrix for each dimension and a shift: Matousek 1998, Journal of Complexity 14,
    527-556); dimensions: how many it is drawn for.
    """
    rng = rng.spawn(1)[0]
    shift = rng.integers(2, size=(dimensions, _BITS), dtype=np.uint32)[:columns] @ (
        2 ** np.arange(_BITS, dtype=np.uint32)
    )
    mixing = rng.integers(2, size=(dimensions, _BITS, _BITS), dtype=np.uint32)[:columns]
    mixing = np.tril(mixing, -1) + np.eye(_BITS, dtype=np.uint32)
    places = np.arange(_BITS)[::-1]
    directions = np.array([_directions(column) for column in range(columns)])
    bits = directions[:, None, :] >> places[:, None] & 1
    mixed = (mixing @ bits % 2 << places[:, None]).sum(axis=1)
    # Each point differs from the one before by the direction of the lowest zero bit of its number.
    turns = [(~number & (number + 1)).bit_length() - 1 for number in range(rows)]
    steps = np.vstack([shift, mixed[:, turns].T]).astype(np.int64)
    return np.asarray(np.bitwise_xor.accumulate(steps, axis=0)[1:] / 2**_BITS)


def _directions(column: int) -> Ints:
    """Return the direction numbers of a dimension, the highest bit first, shape (30,)."""
    made = [1] * _BITS
    if column:
        polynomial, *first = _DIRECTIONS[column - 1]
        degree = len(first)
        made[:degree] = first
        for at in range(degree, _BITS):
            made[at] = made[at - degree]
            for back in range(1, degree + 1):
                if polynomial >> (degree - back) & 1:
                    made[at] ^= made[at - back] << back
    return np.array(made, dtype=np.int64) << np.arange(_BITS)[::-1]
