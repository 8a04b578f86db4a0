"""Compiled kernels of the shade engine; only imported where numba is installed (extra `fast`).

Every expression is the one of `siting.sun.shadows`, in the same order, so that both fill the same
cells to the bit: numba keeps to IEEE 754 (no reassociation, no fused multiply-add).

A block of cells is held column by column, as spans run along columns: cell (row, column) of a block
of R rows is ``column * R + row``. One byte of a mask holds eight directions, one bit each, so that
filling a span is an OR over consecutive bytes and adding up eight directions is one look-up.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["add_lit", "compiled", "fill_directions", "take_thin"]

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
#: First row and column of a block, one past the last row and column.
Block = tuple[int, int, int, int]
#: x, y and reach of a direction.
Light = tuple[float, float, float]
#: ax, ay, bx, by, height.
Wall = tuple[float, float, float, float, float]
#: ax, ay, bx, by, height of walls; the first wall of each building and one past the last; least x
#: and y, greatest x and y, and height of each building.
WallArrays = tuple[
    Floats, Floats, Floats, Floats, Floats, Ints, Floats, Floats, Floats, Floats, Floats
]
#: x, y, radius, base, top, log_tau.
EllipsoidArrays = tuple[Floats, Floats, Floats, Floats, Floats, Floats]
#: x, y, normal_x, normal_y, support, each (P, V); base, top, log_tau.
PrismArrays = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, Floats]
#: ax, ay, bx, by, height, log_tau.
SheetArrays = tuple[Floats, Floats, Floats, Floats, Floats, Floats]
#: Sum of logarithms in each cell (all 0 between directions), and the cells touched.
Scratch = tuple[Floats, Ints]
#: Cell, direction and logarithm of every cell that is dimmed and not dark.
Entries = tuple[Ints, Bytes, Floats]
P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function: without the interpreter's lock, and kept on disk where that is allowed.

    Parameters
    ----------
    function : callable
        What to compile, at its first call.

    Returns
    -------
    callable
        The same to its callers.
    """
    try:
        made = numba.njit(nogil=True, cache=True, error_model="numpy")(function)
    except RuntimeError:  # nowhere to keep it
        made = numba.njit(nogil=True, error_model="numpy")(function)
    return cast("Callable[P, R]", made)


@compiled
def _or_span(mask: Bytes, start: int, stop: int, bit: int) -> None:
    """Set a bit in consecutive cells."""
    value = np.uint8(bit)
    for i in range(np.uintp(start), np.uintp(stop)):
        mask[i] |= value


@compiled
def _fill_walls(mask: Bytes, block: Block, light: Light, bit: int, walls: WallArrays) -> None:
    """Set a bit in the shadows of walls, see `siting.sun.shadows.wall_spans`."""
    ax, ay, bx, by, height, first, low_x, low_y, high_x, high_y, tall = walls
    top, left, bottom, right = block
    lx, ly, reach = light
    for b in range(len(first) - 1):
        shift_x, shift_y = (lx * reach) * tall[b], (ly * reach) * tall[b]
        if (
            high_x[b] + max(shift_x, 0.0) < left
            or low_x[b] + min(shift_x, 0.0) > right - 1
            or high_y[b] + max(shift_y, 0.0) < top
            or low_y[b] + min(shift_y, 0.0) > bottom - 1
        ):
            continue
        for w in range(first[b], first[b + 1]):
            away = -(by[w] - ay[w]) * lx + (bx[w] - ax[w]) * ly
            if away > 0:
                wall = (ax[w], ay[w], bx[w], by[w], height[w])
                _fill_wall(mask, block, light, bit, wall)


@compiled
def _strips(light: Light, wall: Wall) -> tuple[float, float, float, float, float, float]:
    """Bounds and slopes of a wall's parallelogram: between foot and top, between its ends."""
    lx, ly, reach = light
    ax, ay, bx, by, height = wall
    shift_x, shift_y = (lx * reach) * height, (ly * reach) * height
    run = bx - ax
    slope_1, low_1, high_1 = 0.0, -np.inf, np.inf
    if run != 0:
        slope_1 = (by - ay) / run
        foot, edge = ay - slope_1 * ax, shift_y - slope_1 * shift_x
        low_1, high_1 = foot + min(edge, 0.0), foot + max(edge, 0.0)
    slope_2, low_2, high_2 = 0.0, -np.inf, np.inf
    if lx != 0:
        slope_2 = ly / lx
        at_a, at_b = ay - slope_2 * ax, by - slope_2 * bx
        low_2, high_2 = min(at_a, at_b), max(at_a, at_b)
    return low_1, high_1, slope_1, low_2, high_2, slope_2


@compiled
def _wall_box(light: Light, wall: Wall) -> tuple[float, float, float, float]:
    """Least and greatest x, and y, of a wall's shadow."""
    lx, ly, reach = light
    ax, ay, bx, by, height = wall
    shift_x, shift_y = (lx * reach) * height, (ly * reach) * height
    low_x, high_x = min(ax, bx) + min(shift_x, 0.0), max(ax, bx) + max(shift_x, 0.0)
    return low_x, high_x, min(ay, by) + min(shift_y, 0.0), max(ay, by) + max(shift_y, 0.0)


@compiled
def _fill_wall(mask: Bytes, block: Block, light: Light, bit: int, wall: Wall) -> None:
    """Set a bit in the parallelogram of one wall."""
    top, left, bottom, right = block
    low_x, high_x, low_y, high_y = _wall_box(light, wall)
    c0, c1 = max(math.ceil(low_x), left), min(math.floor(high_x), right - 1)
    if c0 > c1 or high_y < top or low_y > bottom - 1:
        return
    low_1, high_1, slope_1, low_2, high_2, slope_2 = _strips(light, wall)
    rows = bottom - top
    for column in range(c0, c1 + 1):
        s1, s2 = slope_1 * column, slope_2 * column
        lower = max(np.ceil(max(low_1 + s1, low_2 + s2)), float(top))
        upper = min(np.floor(min(high_1 + s1, high_2 + s2)), float(bottom - 1))
        if lower <= upper:
            start = (column - left) * rows - top
            _or_span(mask, start + int(lower), start + int(upper) + 1, bit)


@compiled
def _dim_span(
    mask: Bytes, scratch: Scratch, count: int, span: tuple[int, int], shade: tuple[int, float]
) -> int:
    """Darken consecutive cells, or add a crown's logarithm to them; return the cells touched."""
    logs, touched = scratch
    start, stop = span
    bit, log_tau = shade
    if log_tau == -np.inf:
        _or_span(mask, start, stop, bit)
        return count
    if log_tau == 0:
        return count
    for i in range(start, stop):
        if logs[i] == 0:
            touched[count] = i
            count += 1
        logs[i] += log_tau
    return count


@compiled
def _dim_sheets(
    mask: Bytes, block: Block, light: Light, bit: int, sheets: SheetArrays, scratch: Scratch
) -> int:
    """Dim the shadows of free-standing walls, see `siting.sun.shadows.sheet_spans`."""
    top, left, bottom, right = block
    ax, ay, bx, by, height, log_tau = sheets
    count, rows = 0, bottom - top
    for i in range(len(ax)):
        wall = (ax[i], ay[i], bx[i], by[i], height[i])
        away = -(by[i] - ay[i]) * light[0] + (bx[i] - ax[i]) * light[1]
        low_x, high_x, low_y, high_y = _wall_box(light, wall)
        if away == 0 or high_x < left or low_x > right - 1 or high_y < top or low_y > bottom - 1:
            continue
        thin = log_tau[i] > -np.inf
        end = math.ceil(high_x) - 1 if thin and light[0] == 0 else math.floor(high_x)
        low_1, high_1, slope_1, low_2, high_2, slope_2 = _strips(light, wall)
        for column in range(max(math.ceil(low_x), left), min(end, right - 1) + 1):
            s1, s2 = slope_1 * column, slope_2 * column
            lower = max(np.ceil(max(low_1 + s1, low_2 + s2)), float(top))
            upper = min(high_1 + s1, high_2 + s2)
            upper = np.ceil(upper) - 1 if thin else np.floor(upper)
            upper = min(upper, float(bottom - 1))
            if lower <= upper:
                start = (column - left) * rows - top
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, (bit, log_tau[i]))
    return count


@compiled
def _dim_ellipsoids(
    mask: Bytes,
    block: Block,
    light: Light,
    bit: int,
    crowns: EllipsoidArrays,
    scratch: Scratch,
    count: int,
) -> int:
    """Dim the shadows of ellipsoids, see `siting.sun.shadows.ellipse_spans`."""
    top, left, bottom, right = block
    lx, ly, reach = light
    center_x, center_y, radius, base, tip, log_tau = crowns
    rows = bottom - top
    for i in range(len(radius)):
        middle = (base[i] + tip[i]) / 2 * reach
        along = (tip[i] - base[i]) / 2 * reach
        along = along * along
        across = radius[i] * radius[i]
        cx, cy = center_x[i] + middle * lx, center_y[i] + middle * ly
        xx, xy, yy = across + along * (lx * lx), along * lx * ly, across + along * (ly * ly)
        wide, tall = math.sqrt(xx), math.sqrt(yy)
        c0, c1 = max(math.ceil(cx - wide), left), min(math.floor(cx + wide), right - 1)
        if radius[i] <= 0 or c0 > c1 or cy + tall < top or cy - tall > bottom - 1:
            continue
        area = across * (across + along)
        shade = (bit, log_tau[i])
        for column in range(c0, c1 + 1):
            offset = column - cx
            half = math.sqrt(area / xx * max(1 - offset * offset / xx, 0.0))
            center = cy + xy / xx * offset
            lower = max(np.ceil(center - half), float(top))
            upper = min(np.floor(center + half), float(bottom - 1))
            if lower <= upper:
                start = (column - left) * rows - top
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, shade)
    return count


@compiled
def _dim_prisms(
    mask: Bytes,
    block: Block,
    light: Light,
    bit: int,
    crowns: PrismArrays,
    scratch: Scratch,
    count: int,
) -> int:
    """Dim the swept outlines of drawn crowns, see `siting.sun.shadows.prism_spans`."""
    top, left, bottom, right = block
    lx, ly, reach = light
    x, y, normal_x, normal_y, support, base, tip, log_tau = crowns
    sides = x.shape[1]
    bound = np.empty(sides + 2)
    rows = bottom - top
    for i in range(len(base)):
        near, far = reach * base[i], reach * tip[i]
        low_x = x[i].min() + min(near * lx, far * lx)
        high_x = x[i].max() + max(near * lx, far * lx)
        low_y = y[i].min() + min(near * ly, far * ly)
        high_y = y[i].max() + max(near * ly, far * ly)
        c0, c1 = max(math.ceil(low_x), left), min(math.floor(high_x), right - 1)
        if c0 > c1 or high_y < top or low_y > bottom - 1:
            continue
        least, most = np.inf, -np.inf
        for v in range(sides):
            ahead = normal_x[i, v] * lx + normal_y[i, v] * ly
            bound[v] = support[i, v] + max(ahead * near, ahead * far)
            side = -ly * x[i, v] + lx * y[i, v]
            least, most = min(least, side), max(most, side)
        bound[sides], bound[sides + 1] = most, -least
        for column in range(c0, c1 + 1):
            lower, upper = low_y, high_y
            for v in range(sides + 2):
                nx = normal_x[i, v] if v < sides else (-ly if v == sides else ly)
                ny = normal_y[i, v] if v < sides else (lx if v == sides else -lx)
                if ny > 0:
                    upper = min(upper, (bound[v] - nx * column) / ny)
                elif ny < 0:
                    lower = max(lower, (bound[v] - nx * column) / ny)
            lower = max(np.ceil(lower), float(top))
            upper = min(np.floor(upper), float(bottom - 1))
            if lower <= upper:
                start = (column - left) * rows - top
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, (bit, log_tau[i]))
    return count


@compiled
def fill_directions(
    mask: Bytes,
    block: Block,
    light: tuple[Floats, Floats, Floats],
    walls: WallArrays,
    thin: tuple[SheetArrays, EllipsoidArrays, PrismArrays],
    scratch: Scratch,
    entries: Entries,
) -> int:
    """Fill the shadows of up to eight directions into one mask.

    Parameters
    ----------
    mask : ndarray of uint8, shape (columns * rows,)
        Bit k is set where direction k does not arrive; changed in place.
    block : tuple of int
        First row and column, one past the last.
    light : tuple of ndarray, each shape (K,)
        x, y and reach of the directions.
    walls : tuple of ndarray
        Walls of buildings.
    thin : tuple
        Sheets, ellipsoids and prisms.
    scratch, entries : tuple of ndarray
        Work space; `entries` holds 8 * cells or more where there are crowns.

    Returns
    -------
    int
        Number of entries filled.
    """
    cells, directions, dimmed = entries
    logs, touched = scratch
    total = 0
    for k in range(len(light[0])):
        one = (light[0][k], light[1][k], light[2][k])
        bit = 1 << k
        _fill_walls(mask, block, one, bit, walls)
        count = _dim_sheets(mask, block, one, bit, thin[0], scratch)
        count = _dim_ellipsoids(mask, block, one, bit, thin[1], scratch, count)
        count = _dim_prisms(mask, block, one, bit, thin[2], scratch, count)
        for i in range(count):
            cell = touched[i]
            if not mask[cell] & bit:
                cells[total], directions[total], dimmed[total] = cell, k, logs[cell]
                total += 1
            logs[cell] = 0.0
    return total


@compiled
def take_thin(
    out: Floats, rows: int, entries: Entries, count: int, weight: Floats, rounder: float
) -> None:
    """Take from the sums what crowns keep back.

    Parameters
    ----------
    out : ndarray of float, shape (rows, columns)
        Changed in place.
    rows : int
        Rows of the block.
    entries : tuple of ndarray
        From `fill_directions`, the logarithm replaced by the transmissivity.
    count : int
        Number of entries.
    weight : ndarray of float, shape (K,)
        Of the directions.
    rounder : float
        `siting.sun.exact.ROUNDER`.
    """
    cells, directions, share = entries
    for i in range(count):
        w = weight[directions[i]]
        cell = cells[i]
        out[cell % rows, cell // rows] -= w - ((w * share[i] + rounder) - rounder)


@compiled
def add_lit(out: Floats, masks: Bytes, weight: Floats) -> None:
    """Add the weights of all directions that arrive.

    Parameters
    ----------
    out : ndarray of float, shape (rows, columns)
        Changed in place.
    masks : ndarray of uint8, shape (groups, columns * rows)
        Eight directions each.
    weight : ndarray of float, shape (groups * 8,)
        Of the directions; 0 where a group has fewer.
    """
    groups = len(masks)
    rows, columns = out.shape
    table = np.zeros((groups, 256))
    for g in range(groups):
        for bits in range(256):
            for k in range(8):
                if not bits >> k & 1:
                    table[g, bits] += weight[8 * g + k]
    line = np.empty(rows)
    for c in range(columns):
        start = c * rows
        line[:] = 0.0
        for g in range(groups):
            run, sums = masks[g, start : start + rows], table[g]
            for r in range(rows):
                line[r] += sums[run[r]]
        for r in range(rows):
            out[r, c] += line[r]
