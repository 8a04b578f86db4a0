"""Compiled loops of `siting.sun.relief`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siting.compiled import compiled
from siting.sun.kernels import Bytes, Floats, Ints, Light

__all__ = ["march", "mark_away", "mark_turned"]


#: Side of the squares in which masks are turned, to stay within the processor's cache.
_SIDE = 32


@compiled
def march(
    out: Bytes,
    bit: np.uint8,
    rise: NDArray[np.float32],
    ground: NDArray[np.float32],
    steps: tuple[Ints, Ints, Ints, Ints, Ints, Floats, Floats, float],
    columns: tuple[int, int],
    corner: tuple[int, int],
) -> None:
    """Carry the shadow's edge along the rows, see `siting.sun.relief`.

    out (rows, columns): wanted cells, changed in place; rise, ground (R, C): heights in cells, a
    ground of size 0 is level; columns: first column walked and one past the last; corner: row and
    column where the wanted cells begin.
    """
    order, nears, offsets, betweens, sides, shares, planes, fall = steps
    left, right = columns
    width, most = right - left, offsets.max() + 1
    edges = np.full((2, width + most - betweens.min() + 1), -2e9)
    base, over = np.empty(width), np.empty(width)
    cut, level, half = corner[1] - left, ground.size == 0, fall / 2
    for i in range(len(order)):
        row, plane, side, near = order[i], planes[i], sides[i], nears[i]
        here = edges[near, most - offsets[i] : most - offsets[i] + width]
        wanted = row - corner[0]
        inside = 0 <= wanted < len(out)
        if level:
            if inside:
                _darken_level(out[wanted], bit, here[cut:], plane)
            _lift_level(here, rise[row, left:right], half, plane)
        else:
            _tops(over, rise[row, left:right], half)
            _bases(base, ground[row, left:right], side, shares[i], plane)
            if inside:
                _darken(out[wanted], bit, here[cut:], base[cut:])
            _lift(here, over, base)
        for way in range(2):
            if (way == 0 and side > 0) or (way == 1 and side < 0):
                continue
            start = most - betweens[i] - way
            there = edges[1 - near, start : start + width]
            if level:
                _lift_level(there, rise[row, left:right], half, plane)
            else:
                _bases(base, ground[row, left:right], 1 - 2 * way, 0.5 - shares[i], plane)
                _lift(there, over, base)


@compiled
def _darken_level(line: Bytes, bit: np.uint8, edge: Floats, plane: float) -> None:
    """Set a bit where the shadow's edge stands above level ground."""
    value = np.uint8(bit)
    for c in range(len(line)):
        line[c] |= value if edge[c] > plane else np.uint8(0)


@compiled
def _lift_level(edge: Floats, rise: NDArray[np.float32], half: float, plane: float) -> None:
    """Lift the edge to what stands on level ground."""
    for c in range(len(rise)):
        high = np.float64(rise[c])
        edge[c] = max(edge[c], high + min(max(high, 0.0), half) + plane)


@compiled
def _tops(over: Floats, rise: NDArray[np.float32], half: float) -> None:
    """Take the heights that the light meets half a step before the cells' centres."""
    for c in range(len(over)):
        high = np.float64(rise[c])
        over[c] = high + min(max(high, 0.0), half)


@compiled
def _darken(line: Bytes, bit: np.uint8, edge: Floats, base: Floats) -> None:
    """Set a bit where the shadow's edge stands above the ground."""
    value = np.uint8(bit)
    for c in range(len(line)):
        line[c] |= value if edge[c] > base[c] else np.uint8(0)


@compiled
def _lift(edge: Floats, over: Floats, base: Floats) -> None:
    """Lift the edge to what stands on the ground."""
    for c in range(len(over)):
        edge[c] = max(edge[c], over[c] + base[c])


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
    if side != 0:
        end = 0 if side < 0 else last
        base[end] = np.float64(ground[end]) + plane


@compiled
def mark_away(
    out: Bytes,
    bit: np.uint8,
    slope_x: NDArray[np.float32],
    slope_y: NDArray[np.float32],
    light: Light,
) -> None:
    """Set a bit where the ground turns its back on the light, see `siting.sun.relief`.

    out (rows, columns): changed in place; slope_x, slope_y (rows, columns): rise over run.
    """
    x, y, reach = light
    value = np.uint8(bit)
    for r in range(len(out)):
        line, across, along = out[r], slope_x[r], slope_y[r]
        for c in range(len(line)):
            facing = (np.float64(across[c]) * x + np.float64(along[c]) * y) * reach
            line[c] |= value if facing <= -1 else np.uint8(0)


@compiled
def mark_turned(out: Bytes, turned: Bytes) -> None:
    """Set the bits of a mask whose rows and columns are exchanged.

    out (rows, columns): changed in place; turned (columns, rows): what to set.
    """
    rows, columns = out.shape
    for top in range(0, rows, _SIDE):
        for left in range(0, columns, _SIDE):
            for r in range(top, min(top + _SIDE, rows)):
                line = out[r]
                for c in range(left, min(left + _SIDE, columns)):
                    line[c] |= turned[c, r]
