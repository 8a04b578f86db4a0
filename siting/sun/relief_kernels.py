"""Compiled kernels of `siting.sun.relief`; only imported where numba is installed.

Every expression is the one of the numpy version, in the same order, with the same result.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siting.sun.kernels import Bytes, Floats, Ints, Light, compiled

__all__ = ["march", "mark_away"]


@compiled
def march(
    out: Bytes,
    bit: int,
    rise: NDArray[np.float32],
    ground: NDArray[np.float32],
    steps: tuple[Ints, Ints, Ints, Floats, Floats],
    columns: tuple[int, int],
    corner: tuple[int, int],
) -> None:
    """Carry the shadow's edge along the rows, see `siting.sun.relief`.

    Parameters
    ----------
    out : ndarray of uint8, shape (rows, columns)
        Wanted cells; changed in place.
    bit : uint8
        Set where it is dark.
    rise, ground : ndarray of float32, shape (R, C)
        Heights in cells; a ground of size 0 is level.
    steps : tuple of ndarray
        `siting.sun.relief.Steps`.
    columns : tuple of int
        First column walked and one past the last.
    corner : tuple of int
        Row and column where the wanted cells begin.
    """
    order, offsets, sides, shares, planes = steps
    left, right = columns
    most = offsets.max()
    edge = np.full(right - left + most - offsets.min(), -2e9)
    base = np.empty(right - left)
    for i in range(len(order)):
        row, plane = order[i], planes[i]
        here = edge[most - offsets[i] : most - offsets[i] + right - left]
        wanted = row - corner[0]
        if ground.size == 0:
            if 0 <= wanted < len(out):
                _darken_level(out[wanted], bit, here[corner[1] - left :], plane)
            _lift_level(here, rise[row, left:right], plane)
            continue
        _bases(base, ground[row, left:right], sides[i], shares[i], plane)
        if 0 <= wanted < len(out):
            _darken(out[wanted], bit, here[corner[1] - left :], base[corner[1] - left :])
        _lift(here, rise[row, left:right], base)


@compiled
def _darken_level(line: Bytes, bit: int, edge: Floats, plane: float) -> None:
    """Set a bit where the shadow's edge stands above level ground."""
    value = np.uint8(bit)
    for c in range(len(line)):
        line[c] |= value if edge[c] > plane else np.uint8(0)


@compiled
def _lift_level(edge: Floats, rise: NDArray[np.float32], plane: float) -> None:
    """Lift the edge to what stands on level ground."""
    for c in range(len(edge)):
        edge[c] = max(edge[c], np.float64(rise[c]) + plane)


@compiled
def _darken(line: Bytes, bit: int, edge: Floats, base: Floats) -> None:
    """Set a bit where the shadow's edge stands above the ground."""
    value = np.uint8(bit)
    for c in range(len(line)):
        line[c] |= value if edge[c] > base[c] else np.uint8(0)


@compiled
def _lift(edge: Floats, rise: NDArray[np.float32], base: Floats) -> None:
    """Lift the edge to what stands on the ground."""
    for c in range(len(edge)):
        edge[c] = max(edge[c], np.float64(rise[c]) + base[c])


@compiled
def _bases(
    base: Floats, ground: NDArray[np.float32], side: int, share: float, plane: float
) -> None:
    """Ground on the line, between each cell and its neighbour, over the falling plane."""
    last = len(ground) - 1
    low, high = max(-side, 0), min(last, last - side)
    near = ground[low : high + 1]
    beside = ground[low + side : high + side + 1]
    inner = base[low : high + 1]
    for c in range(len(inner)):
        line = np.float64(near[c])
        inner[c] = line + (np.float64(beside[c]) - line) * share + plane
    end = 0 if side < 0 else last
    line = np.float64(ground[end])
    base[end] = line + (line - line) * share + plane


@compiled
def mark_away(
    out: Bytes, bit: int, slope_x: NDArray[np.float32], slope_y: NDArray[np.float32], light: Light
) -> None:
    """Set a bit where the ground turns its back on the light, see `siting.sun.relief`.

    Parameters
    ----------
    out : ndarray of uint8, shape (rows, columns)
        Changed in place.
    bit : uint8
        Set where the ground faces away.
    slope_x, slope_y : ndarray of float32, shape (rows, columns)
        Rise over run.
    light : tuple of float
        x, y and reach.
    """
    x, y, reach = light
    value = np.uint8(bit)
    for r in range(len(out)):
        line, across, along = out[r], slope_x[r], slope_y[r]
        for c in range(len(line)):
            facing = (np.float64(across[c]) * x + np.float64(along[c]) * y) * reach
            line[c] |= value if facing <= -1 else np.uint8(0)
