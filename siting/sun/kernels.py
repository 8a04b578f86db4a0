"""Compiled kernels of the shade engine: shadows of walls, crowns and hedges, cut into spans.

A plain form of them stands in the tests; its expressions are the same, in the same order, so that
both fill the same cells to the bit: numba keeps to IEEE 754 (no reassociation, no fused
multiply-add).

A block of cells is held column by column, as spans run along columns: cell (row, column) is
``column * stride + row``, where the stride is the number of rows, rounded up to a multiple of 8.
One byte of a mask holds eight directions, one bit each; eight bytes are one word, so that filling a
span is an OR over a few words (numba's processors are little-endian).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from siting.compiled import compiled
from siting.sun.shadows import LEAST

__all__ = ["fill_directions", "stride_of", "take_thin"]

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
#: A mask, eight cells at a time, and one bit of each of the eight.
Words = NDArray[np.uint64]
Word = np.uint64
#: First or last rows of spans, or cells of a block.
Ends = NDArray[np.int32]
#: First row and column of a block, one past the last row and column.
Block = tuple[int, int, int, int]
#: x, y and reach of a direction.
Light = tuple[float, float, float]
#: ax, ay, bx, by, height.
Wall = tuple[float, float, float, float, float]
#: ax, ay, bx, by, height of walls, their slope and where they meet column 0; the first wall of each
#: building and one past the last; least x and y, greatest x and y, and height of each building.
WallArrays = tuple[
    tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats],
    Ints,
    tuple[Floats, Floats, Floats, Floats, Floats],
]
#: Rise of the ground along x and y; x, y, radius, base, top, log_tau.
EllipsoidArrays = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, Floats]
#: Rise along x and y; x, y, normal_x, normal_y, support, each (P, V); base, top, log_tau.
PrismArrays = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, Floats, Floats, Floats]
#: Rise along x and y; ax, ay, bx, by, height, log_tau.
SheetArrays = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, Floats]
#: Sum of logarithms in each cell (all 0 between directions), and the cells touched.
Scratch = tuple[Floats, Ends]
#: Cell, direction and logarithm of every cell that is dimmed and not dark.
Entries = tuple[Ends, Bytes, Floats]


@compiled
def stride_of(rows: int) -> int:
    """Distance of two columns in a mask.

    Result: the next multiple of 8.
    """
    return (rows + 7) // 8 * 8


@compiled
def _or_span(mask: Words, start: int, last: int, eight: Word) -> None:
    """Set bits in consecutive cells, both ends within, eight cells at a time."""
    at, end = np.uintp(start >> 3), np.uintp(last >> 3)
    head = eight << np.uint64((start & 7) << 3)
    tail = eight >> np.uint64((7 - (last & 7)) << 3)
    if at == end:
        mask[at] |= head & tail
        return
    mask[at] |= head
    for word in range(at + np.uintp(1), end):
        mask[word] |= eight
    mask[end] |= tail


@compiled
def _fill_walls(
    mask: Words, block: Block, light: Light, eight: Word, walls: WallArrays, ends: tuple[Ends, Ends]
) -> None:
    """Set a bit in the shadows of walls that are turned away from the light.

    Rows run down, so with the building on the left a wall's outside is on (-dy, dx).
    """
    ax, ay, bx, by, height, slopes, feet = walls[0]
    first = walls[1]
    low_x, low_y, high_x, high_y, tall = walls[2]
    top, left, bottom, right = block
    lx, ly, reach = light
    per_column = ly / lx if lx != 0 else 0.0
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
                line = slopes[w], feet[w], per_column
                _fill_wall(mask, block, light, eight, wall, line, ends)


@compiled
def _line(light: Light, wall: Wall) -> tuple[float, float, float]:
    """Slope of a wall, where it meets column 0, and slope of the light."""
    run = wall[2] - wall[0]
    slope = (wall[3] - wall[1]) / run if run != 0 else 0.0
    return slope, wall[1] - slope * wall[0], light[1] / light[0] if light[0] != 0 else 0.0


@compiled
def _strips(
    light: Light, wall: Wall, line: tuple[float, float, float]
) -> tuple[float, float, float, float, float, float]:
    """Bounds and slopes of a wall's parallelogram: between foot and top, between its ends."""
    lx, ly, reach = light
    ax, ay, bx, by, height = wall
    slope_1, foot, slope_2 = line
    low_1, high_1, low_2, high_2 = -np.inf, np.inf, -np.inf, np.inf
    if ax != bx:
        edge = (ly * reach) * height - slope_1 * ((lx * reach) * height)
        low_1, high_1 = foot + min(edge, 0.0), foot + max(edge, 0.0)
    if lx != 0:
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
def _fill_wall(
    mask: Words,
    block: Block,
    light: Light,
    eight: Word,
    wall: Wall,
    line: tuple[float, float, float],
    ends: tuple[Ends, Ends],
) -> None:
    """Set a bit in the parallelogram of one wall."""
    top, left, bottom, right = block
    low_x, high_x, low_y, high_y = _wall_box(light, wall)
    c0, c1 = max(math.ceil(low_x), left), min(math.floor(high_x), right - 1)
    if c0 > c1 or high_y < top or low_y > bottom - 1:
        return
    low_1, high_1, slope_1, low_2, high_2, slope_2 = _strips(light, wall, line)
    count, least, most = c1 - c0 + 1, float(top), float(bottom - 1)
    firsts, lasts = ends[0][:count], ends[1][:count]
    for i in range(count):  # apart from the filling, so that it runs on many columns at once
        column = np.float64(c0 + i)
        s1, s2 = slope_1 * column, slope_2 * column
        lower = max(np.ceil(max(low_1 + s1, low_2 + s2)), least)
        upper = min(np.floor(min(high_1 + s1, high_2 + s2)), most)
        # What lies beyond the block is an empty span: the last row before the first.
        firsts[i] = np.int32(min(lower, most + 1) - least)
        lasts[i] = np.int32(max(upper, least - 1) - least)
    stride = stride_of(bottom - top)
    start = (c0 - left) * stride
    for i in range(count):
        if firsts[i] <= lasts[i]:
            _or_span(mask, start + firsts[i], start + lasts[i], eight)
        start += stride


@compiled
def _reach(light: Light, tilt_x: float, tilt_y: float) -> float:
    """Length of the shadow of a thing of height 1 on the ground about a body.

    Ground that rises by t along the light cuts the length from r to r / (1 + r t).
    """
    rise = tilt_x * light[0] + tilt_y * light[1]
    return light[2] / max(1 + light[2] * rise, LEAST)


@compiled
def _dim_span(
    mask: Words, scratch: Scratch, count: int, span: tuple[int, int], shade: tuple[Word, float]
) -> int:
    """Darken consecutive cells, or add a crown's logarithm to them; return the cells touched."""
    logs, touched = scratch
    start, stop = span
    eight, log_tau = shade
    if log_tau == -np.inf:
        _or_span(mask, start, stop - 1, eight)
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
    mask: Words, block: Block, light: Light, eight: Word, sheets: SheetArrays, scratch: Scratch
) -> int:
    """Dim the shadows of free-standing walls, hedges and fences.

    A sheet has no thickness and shades whichever side is lit. Where light passes it, the spans are
    open at their far end, so that two sheets that meet do not dim their common edge twice.
    """
    top, left, bottom, right = block
    tilt_x, tilt_y, ax, ay, bx, by, height, log_tau = sheets
    count, stride = 0, stride_of(bottom - top)
    for i in range(len(ax)):
        wall = (ax[i], ay[i], bx[i], by[i], height[i])
        away = -(by[i] - ay[i]) * light[0] + (bx[i] - ax[i]) * light[1]
        ray = light[0], light[1], _reach(light, tilt_x[i], tilt_y[i])
        low_x, high_x, low_y, high_y = _wall_box(ray, wall)
        if away == 0 or high_x < left or low_x > right - 1 or high_y < top or low_y > bottom - 1:
            continue
        thin = log_tau[i] > -np.inf
        end = math.ceil(high_x) - 1 if thin and light[0] == 0 else math.floor(high_x)
        low_1, high_1, slope_1, low_2, high_2, slope_2 = _strips(ray, wall, _line(ray, wall))
        for column in range(max(math.ceil(low_x), left), min(end, right - 1) + 1):
            s1, s2 = slope_1 * column, slope_2 * column
            lower = max(np.ceil(max(low_1 + s1, low_2 + s2)), float(top))
            upper = min(high_1 + s1, high_2 + s2)
            upper = np.ceil(upper) - 1 if thin else np.floor(upper)
            upper = min(upper, float(bottom - 1))
            if lower <= upper:
                start = (column - left) * stride - top
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, (eight, log_tau[i]))
    return count


@compiled
def _dim_ellipsoids(
    mask: Words,
    block: Block,
    light: Light,
    eight: Word,
    crowns: EllipsoidArrays,
    scratch: Scratch,
    count: int,
) -> int:
    """Dim the elliptical shadows of upright ellipsoids.

    One with half-axes a (level) and c (upright) throws an ellipse with half-axes a across the light
    and ``sqrt(a² + (c / tan(elevation))²)`` along it; its centre is the ellipsoid's, displaced.
    """
    top, left, bottom, right = block
    lx, ly = light[0], light[1]
    tilt_x, tilt_y, center_x, center_y, radius, base, tip, log_tau = crowns
    stride = stride_of(bottom - top)
    for i in range(len(radius)):
        reach = _reach(light, tilt_x[i], tilt_y[i])
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
        shade = (eight, log_tau[i])
        for column in range(c0, c1 + 1):
            offset = column - cx
            half = math.sqrt(area / xx * max(1 - offset * offset / xx, 0.0))
            center = cy + xy / xx * offset
            lower = max(np.ceil(center - half), float(top))
            upper = min(np.floor(center + half), float(bottom - 1))
            if lower <= upper:
                start = (column - left) * stride - top
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, shade)
    return count


@compiled
def _dim_prisms(
    mask: Words,
    block: Block,
    light: Light,
    eight: Word,
    crowns: PrismArrays,
    scratch: Scratch,
    count: int,
) -> int:
    """Dim the shadows of drawn crowns, swept from base to top.

    The swept outline is the intersection of the half-planes of the outline, each moved to the
    farther of the two displacements, and of the two that run along the light.
    """
    top, left, bottom, right = block
    lx, ly = light[0], light[1]
    tilt_x, tilt_y, x, y, normal_x, normal_y, support, base, tip, log_tau = crowns
    sides = x.shape[1]
    bound = np.empty(sides + 2)
    stride = stride_of(bottom - top)
    for i in range(len(base)):
        reach = _reach(light, tilt_x[i], tilt_y[i])
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
                start = (column - left) * stride - top
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, (eight, log_tau[i]))
    return count


@compiled
def fill_directions(
    mask: Words,
    block: Block,
    light: tuple[Floats, Floats, Floats],
    walls: WallArrays,
    thin: tuple[SheetArrays, EllipsoidArrays, PrismArrays],
    scratch: Scratch,
    entries: Entries,
) -> int:
    """Fill the shadows of up to eight directions into one mask.

    mask (columns * stride / 8,): bit k of a cell's byte is set where direction k does not arrive,
    changed in place; block: first row and column, one past the last; light (K,): x, y and reach of
    the directions. Result: number of entries filled.
    """
    cells, directions, dimmed = entries
    logs, touched = scratch
    flat, total = mask.view(np.uint8), 0
    columns = block[3] - block[1]
    ends = np.empty(columns, np.int32), np.empty(columns, np.int32)
    for k in range(len(light[0])):
        one = (light[0][k], light[1][k], light[2][k])
        bit = np.uint8(1 << k)
        eight = np.uint64(0x0101010101010101) << np.uint64(k)
        _fill_walls(mask, block, one, eight, walls, ends)
        count = _dim_sheets(mask, block, one, eight, thin[0], scratch)
        count = _dim_ellipsoids(mask, block, one, eight, thin[1], scratch, count)
        count = _dim_prisms(mask, block, one, eight, thin[2], scratch, count)
        for i in range(count):
            cell = touched[i]
            if not flat[cell] & bit:
                cells[total], directions[total], dimmed[total] = cell, k, logs[cell]
                total += 1
            logs[cell] = 0.0
    return total


@compiled
def take_thin(kept: Floats, entries: Entries, count: int, weight: Floats, rounder: float) -> None:
    """Sum what crowns keep back.

    kept (columns * stride,): by cells of the mask, so that neighbours in the sums are neighbours in
    memory, changed in place; weight (K,): of the directions.
    """
    cells, directions, share = entries
    for i in range(count):
        w = weight[directions[i]]
        kept[cells[i]] += w - ((w * share[i] + rounder) - rounder)
