"""Compiled loops of the sun: shadows, relief, sky and sums.

A plain form of them stands in the tests; its expressions are the same, in the same order, so that
both fill the same cells to the bit: numba keeps to IEEE 754 (no reassociation, no fused
multiply-add).

Spans run along rows, since the sun of a summer's day throws its long shadows west and east. Each
direction has a mask of its own, one bit a cell and 64 cells a word, so that filling a span is an OR
over a word or two: cell (row, column) is bit ``row * stride + column``, where the stride is the
number of columns, rounded up to a multiple of 64.

The sky over a horizon brings ``sum(angle * n_z) / 2 pi`` of the level irradiance of an isotropic
sky: the sum runs over the horizon's great arcs, with the angle of each and the upright part of the
unit normal of its plane (Lambert's formula for the irradiance from a polygon). The horizon is
sampled at azimuths and joined by great arcs. The straight top of a wall is a great arc, so between
two samples on one wall nothing is lost, however near it stands; only where the horizon passes from
one wall to another within a step is it approximate.

Sum order and arithmetic are fixed, whatever the tiles: the result is the same, bit for bit.

Cells in full sun cost next to nothing: what is dark is taken from the whole, and 64 cells at a time
are passed over.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.polynomial import Chebyshev, Polynomial
from numpy.typing import NDArray

from siting.arrays import Floats, Ints
from siting.compiled import compiled, compiled_within, of_numbers_within
from siting.sun.scene import LEAST, Scene, Tile

Bytes = NDArray[np.uint8]
#: Masks of directions, 64 cells a word; shape (K, rows * stride / 64), or of one of them.
Words = NDArray[np.uint64]
#: First or last rows of spans, or cells of a block.
Ends = NDArray[np.int32]
#: First row and column of a block, one past the last row and column.
Block = tuple[int, int, int, int]
#: x, y and reach of a direction.
Light = tuple[float, float, float]
#: ax, ay, bx, by, height.
Wall = tuple[float, float, float, float, float]
#: ax, ay, bx, by, height of walls, columns they gain a row, where they meet row 0; the first wall
#: of each building and one past the last; least x and y, greatest x and y, height of each building.
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
#: Sum of logarithms in each cell, whether each eight cells were touched (all 0 between directions),
#: and those eights.
Scratch = tuple[Floats, Bytes, Ends]
#: Eights of cells, direction, and logarithms (N, 8) where they are dimmed and not dark, else 0.
Entries = tuple[Ends, Bytes, Floats]


def stride_of(columns: int) -> int:
    """Distance of two rows in a mask; the next multiple of 64."""
    return (columns + 63) // 64 * 64


_stride = compiled_within(stride_of)


@compiled_within
def _or_span(mask: Words, start: int, last: int) -> None:
    """Set the bits of consecutive cells, both ends within."""
    at, end = np.uintp(start >> 6), np.uintp(last >> 6)
    every = np.uint64(0xFFFFFFFFFFFFFFFF)
    head, tail = every << np.uint64(start & 63), every >> np.uint64(63 - (last & 63))
    if at == end:
        mask[at] |= head & tail
        return
    mask[at] |= head
    for word in range(at + np.uintp(1), end):
        mask[word] = every
    mask[end] |= tail


@compiled_within
def _fill_walls(
    mask: Words, block: Block, light: Light, walls: WallArrays, ends: tuple[Ends, Ends]
) -> None:
    """Darken the shadows of walls that are turned away from the light.

    Rows run down, so with the building on the left a wall's outside is on (-dy, dx).
    """
    ax, ay, bx, by, height, slopes, feet = walls[0]
    first = walls[1]
    low_x, low_y, high_x, high_y, tall = walls[2]
    top, left, bottom, right = block
    lx, ly, reach = light
    per_row = lx / ly if ly != 0 else 0.0
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
                line = slopes[w], feet[w], per_row
                _fill_wall(mask, block, light, wall, line, ends)


@compiled_within
def _line(light: Light, wall: Wall) -> tuple[float, float, float]:
    """Columns that a wall gains a row, where it meets row 0, and columns that the light gains."""
    fall = wall[3] - wall[1]
    slope = (wall[2] - wall[0]) / fall if fall != 0 else 0.0
    return slope, wall[0] - slope * wall[1], light[0] / light[1] if light[1] != 0 else 0.0


@compiled_within
def _strips(
    light: Light, wall: Wall, line: tuple[float, float, float]
) -> tuple[float, float, float, float, float, float]:
    """Bounds and slopes of a wall's parallelogram: between foot and top, between its ends."""
    lx, ly, reach = light
    ax, ay, bx, by, height = wall
    slope_1, foot, slope_2 = line
    low_1, high_1, low_2, high_2 = -np.inf, np.inf, -np.inf, np.inf
    if ay != by:
        edge = (lx * reach) * height - slope_1 * ((ly * reach) * height)
        low_1, high_1 = foot + min(edge, 0.0), foot + max(edge, 0.0)
    if ly != 0:
        at_a, at_b = ax - slope_2 * ay, bx - slope_2 * by
        low_2, high_2 = min(at_a, at_b), max(at_a, at_b)
    return low_1, high_1, slope_1, low_2, high_2, slope_2


@compiled_within
def _wall_box(light: Light, wall: Wall) -> tuple[float, float, float, float]:
    """Least and greatest x, and y, of a wall's shadow."""
    lx, ly, reach = light
    ax, ay, bx, by, height = wall
    shift_x, shift_y = (lx * reach) * height, (ly * reach) * height
    low_x, high_x = min(ax, bx) + min(shift_x, 0.0), max(ax, bx) + max(shift_x, 0.0)
    return low_x, high_x, min(ay, by) + min(shift_y, 0.0), max(ay, by) + max(shift_y, 0.0)


@of_numbers_within
def _fill_wall(
    mask: Words,
    block: Block,
    light: Light,
    wall: Wall,
    line: tuple[float, float, float],
    ends: tuple[Ends, Ends],
) -> None:
    """Darken the parallelogram of one wall."""
    top, left, bottom, right = block
    low_x, high_x, low_y, high_y = _wall_box(light, wall)
    r0, r1 = max(math.ceil(low_y), top), min(math.floor(high_y), bottom - 1)
    if r0 > r1 or high_x < left or low_x > right - 1:
        return
    low_1, high_1, slope_1, low_2, high_2, slope_2 = _strips(light, wall, line)
    count, least, most = r1 - r0 + 1, float(left), float(right - 1)
    firsts, lasts = ends[0][:count], ends[1][:count]
    for i in range(count):  # apart from the filling, so that it runs on many rows at once
        row = np.float64(r0 + i)
        s1, s2 = slope_1 * row, slope_2 * row
        lower = max(np.ceil(max(low_1 + s1, low_2 + s2)), least)
        upper = min(np.floor(min(high_1 + s1, high_2 + s2)), most)
        # What lies beyond the block is an empty span: the last column before the first.
        firsts[i] = np.int32(min(lower, most + 1) - least)
        lasts[i] = np.int32(max(upper, least - 1) - least)
    stride = _stride(right - left)
    start = (r0 - top) * stride
    for i in range(count):
        if firsts[i] <= lasts[i]:
            _or_span(mask, start + firsts[i], start + lasts[i])
        start += stride


@compiled_within
def _reach(light: Light, tilt_x: float, tilt_y: float) -> float:
    """Length of the shadow of a thing of height 1 on the ground about a body.

    Ground that rises by t along the light cuts the length from r to r / (1 + r t).
    """
    rise = tilt_x * light[0] + tilt_y * light[1]
    return light[2] / max(1 + light[2] * rise, LEAST)


@compiled_within
def _dim_span(
    mask: Words, scratch: Scratch, count: int, span: tuple[int, int], log_tau: float
) -> int:
    """Darken consecutive cells, or add a crown's logarithm to them; return the eights touched."""
    logs, seen, touched = scratch
    start, stop = span
    if log_tau == -np.inf:
        _or_span(mask, start, stop - 1)
        return count
    if log_tau == 0:
        return count
    for eight in range(start >> 3, ((stop - 1) >> 3) + 1):
        if not seen[eight]:
            seen[eight] = 1
            touched[count] = eight
            count += 1
    line = logs[start:stop]
    for i in range(len(line)):
        line[i] += log_tau
    return count


@compiled_within
def _dim_sheets(
    mask: Words, block: Block, light: Light, sheets: SheetArrays, scratch: Scratch
) -> int:
    """Dim the shadows of free-standing walls, hedges and fences.

    A sheet has no thickness and shades whichever side is lit. Where light passes it, the spans are
    open at their far end, so that two sheets that meet do not dim their common edge twice.
    """
    top, left, bottom, right = block
    tilt_x, tilt_y, ax, ay, bx, by, height, log_tau = sheets
    count, stride = 0, _stride(right - left)
    for i in range(len(ax)):
        wall = (ax[i], ay[i], bx[i], by[i], height[i])
        away = -(by[i] - ay[i]) * light[0] + (bx[i] - ax[i]) * light[1]
        ray = light[0], light[1], _reach(light, tilt_x[i], tilt_y[i])
        low_x, high_x, low_y, high_y = _wall_box(ray, wall)
        if away == 0 or high_x < left or low_x > right - 1 or high_y < top or low_y > bottom - 1:
            continue
        thin = log_tau[i] > -np.inf
        end = math.ceil(high_y) - 1 if thin and light[1] == 0 else math.floor(high_y)
        low_1, high_1, slope_1, low_2, high_2, slope_2 = _strips(ray, wall, _line(ray, wall))
        for row in range(max(math.ceil(low_y), top), min(end, bottom - 1) + 1):
            s1, s2 = slope_1 * row, slope_2 * row
            lower = max(np.ceil(max(low_1 + s1, low_2 + s2)), float(left))
            upper = min(high_1 + s1, high_2 + s2)
            upper = np.ceil(upper) - 1 if thin else np.floor(upper)
            upper = min(upper, float(right - 1))
            if lower <= upper:
                start = (row - top) * stride - left
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, log_tau[i])
    return count


@compiled_within
def _dim_ellipsoids(
    mask: Words,
    block: Block,
    light: Light,
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
    stride = _stride(right - left)
    for i in range(len(radius)):
        reach = _reach(light, tilt_x[i], tilt_y[i])
        middle = (base[i] + tip[i]) / 2 * reach
        along = (tip[i] - base[i]) / 2 * reach
        along = along * along
        across = radius[i] * radius[i]
        cx, cy = center_x[i] + middle * lx, center_y[i] + middle * ly
        xx, xy, yy = across + along * (lx * lx), along * lx * ly, across + along * (ly * ly)
        wide, tall = math.sqrt(xx), math.sqrt(yy)
        r0, r1 = max(math.ceil(cy - tall), top), min(math.floor(cy + tall), bottom - 1)
        if radius[i] <= 0 or r0 > r1 or cx + wide < left or cx - wide > right - 1:
            continue
        area = across * (across + along)
        for row in range(r0, r1 + 1):
            offset = row - cy
            half = math.sqrt(area / yy * max(1 - offset * offset / yy, 0.0))
            center = cx + xy / yy * offset
            lower = max(np.ceil(center - half), float(left))
            upper = min(np.floor(center + half), float(right - 1))
            if lower <= upper:
                start = (row - top) * stride - left
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, log_tau[i])
    return count


@compiled_within
def _dim_prisms(
    mask: Words,
    block: Block,
    light: Light,
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
    stride = _stride(right - left)
    for i in range(len(base)):
        reach = _reach(light, tilt_x[i], tilt_y[i])
        near, far = reach * base[i], reach * tip[i]
        low_x, high_x, low_y, high_y = np.inf, -np.inf, np.inf, -np.inf
        for v in range(sides):
            low_x, high_x = min(low_x, x[i, v]), max(high_x, x[i, v])
            low_y, high_y = min(low_y, y[i, v]), max(high_y, y[i, v])
        low_x, high_x = low_x + min(near * lx, far * lx), high_x + max(near * lx, far * lx)
        low_y, high_y = low_y + min(near * ly, far * ly), high_y + max(near * ly, far * ly)
        r0, r1 = max(math.ceil(low_y), top), min(math.floor(high_y), bottom - 1)
        if r0 > r1 or high_x < left or low_x > right - 1:
            continue
        least, most = np.inf, -np.inf
        for v in range(sides):
            ahead = normal_x[i, v] * lx + normal_y[i, v] * ly
            bound[v] = support[i, v] + max(ahead * near, ahead * far)
            side = -ly * x[i, v] + lx * y[i, v]
            least, most = min(least, side), max(most, side)
        bound[sides], bound[sides + 1] = most, -least
        for row in range(r0, r1 + 1):
            lower, upper = low_x, high_x
            for v in range(sides + 2):
                nx = normal_x[i, v] if v < sides else (-ly if v == sides else ly)
                ny = normal_y[i, v] if v < sides else (lx if v == sides else -lx)
                if nx > 0:
                    upper = min(upper, (bound[v] - ny * row) / nx)
                elif nx < 0:
                    lower = max(lower, (bound[v] - ny * row) / nx)
            lower = max(np.ceil(lower), float(left))
            upper = min(np.floor(upper), float(right - 1))
            if lower <= upper:
                start = (row - top) * stride - left
                span = (start + int(lower), start + int(upper) + 1)
                count = _dim_span(mask, scratch, count, span, log_tau[i])
    return count


@compiled
def fill_directions(
    masks: Words,
    block: Block,
    light: tuple[Floats, Floats, Floats],
    walls: WallArrays,
    thin: tuple[SheetArrays, EllipsoidArrays, PrismArrays],
    scratch: Scratch,
    entries: Entries,
) -> int:
    """Fill the shadows of some directions, each into a mask of its own.

    masks (K, rows * stride / 64): a cell's bit is set where the direction does not arrive, changed
    in place; block: first row and column, one past the last; light (K,): x, y and reach of the
    directions. Result: number of entries filled.
    """
    total, rows = 0, block[2] - block[0]
    ends = np.empty(rows, np.int32), np.empty(rows, np.int32)
    for k in range(len(light[0])):
        mask, one = masks[k], (light[0][k], light[1][k], light[2][k])
        _fill_walls(mask, block, one, walls, ends)
        count = _dim_sheets(mask, block, one, thin[0], scratch)
        count = _dim_ellipsoids(mask, block, one, thin[1], scratch, count)
        count = _dim_prisms(mask, block, one, thin[2], scratch, count)
        total = _note(entries, total, k, mask, scratch, count)
    return total


@compiled_within
def _note(
    entries: Entries, total: int, direction: int, mask: Words, scratch: Scratch, count: int
) -> int:
    """Note what a direction's crowns dim, and clear it; return the entries there are."""
    eights, directions, dimmed = entries
    logs, seen, touched = scratch
    for i in range(count):
        eight = touched[i]
        seen[eight] = 0
        dark = mask[eight >> 3] >> np.uint64((eight & 7) << 3)
        cells, noted = logs[8 * eight : 8 * eight + 8], dimmed[total]
        for j in range(8):
            noted[j] = 0.0 if dark >> np.uint64(j) & np.uint64(1) else cells[j]
            cells[j] = 0.0
        if dark & np.uint64(255) != np.uint64(255):
            eights[total], directions[total] = eight, direction
            total += 1
    return total


@compiled
def take_thin(kept: Floats, entries: Entries, count: int, weight: Floats, rounder: float) -> None:
    """Sum what crowns keep back.

    kept (rows * stride,): by cells of the mask, changed in place; weight (K,): of the directions.
    """
    eights, directions, share = entries
    for i in range(count):
        w, some = weight[directions[i]], share[i]
        cells = kept[8 * eights[i] : 8 * eights[i] + 8]
        for j in range(8):
            cells[j] += w - ((w * some[j] + rounder) - rounder)


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


@compiled_within
def _darken_level(line: Bytes, bit: np.uint8, edge: Floats, plane: float) -> None:
    """Set a bit where the shadow's edge stands above level ground."""
    value = np.uint8(bit)
    for c in range(len(line)):
        line[c] |= value if edge[c] > plane else np.uint8(0)


@compiled_within
def _lift_level(edge: Floats, rise: NDArray[np.float32], half: float, plane: float) -> None:
    """Lift the edge to what stands on level ground."""
    for c in range(len(rise)):
        high = np.float64(rise[c])
        edge[c] = max(edge[c], high + min(max(high, 0.0), half) + plane)


@compiled_within
def _tops(over: Floats, rise: NDArray[np.float32], half: float) -> None:
    """Take the heights that the light meets half a step before the cells' centres."""
    for c in range(len(over)):
        high = np.float64(rise[c])
        over[c] = high + min(max(high, 0.0), half)


@compiled_within
def _darken(line: Bytes, bit: np.uint8, edge: Floats, base: Floats) -> None:
    """Set a bit where the shadow's edge stands above the ground."""
    value = np.uint8(bit)
    for c in range(len(line)):
        line[c] |= value if edge[c] > base[c] else np.uint8(0)


@compiled_within
def _lift(edge: Floats, over: Floats, base: Floats) -> None:
    """Lift the edge to what stands on the ground."""
    for c in range(len(over)):
        edge[c] = max(edge[c], over[c] + base[c])


@compiled_within
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


Singles = NDArray[np.float32]
#: Evenly spaced azimuths, a multiple of 8 so that they stay the same in a mirror.
_AZIMUTHS: Final = 64
#: Bearings of walls are told apart by this [deg].
_BEARING: Final = 0.005
#: A bearing that holds this share of the walls' length is sampled too: along a long wall its
#: horizon falls from near the zenith to nothing within a step.
_LONG: Final = 1 / 16
#: Heights off from which a wall is left out: it hides less than 1 / (1 + 60 * 60) of the sky.
_FAR: Final = 60.0
#: What a number is at least of itself, however it was rounded.
_SURELY: Final = 1 - 1e-6
_OPEN: Final = 1e6  # cotangent of the horizon where nothing stands
_DEGREE: Final = 9


def _arc_terms() -> tuple[np.float32, ...]:
    """Terms of ``arccos(c) / sqrt(1 - c * c)`` in ``1 - c`` for c from 0 to 1, within 1e-7."""
    lost = (1 - np.cos(np.pi * (np.arange(64) + 0.5) / 64)) / 2
    ratio = np.arccos(1 - lost) / np.sqrt(lost * (2 - lost))
    fit = Chebyshev.fit(lost, ratio, _DEGREE, domain=[0, 1]).convert(kind=Polynomial)
    return tuple(np.float32(term) for term in fit.coef)


_T0, _T1, _T2, _T3, _T4, _T5, _T6, _T7, _T8, _T9 = _arc_terms()


def solid_walls(scene: Scene) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Walls of buildings, and opaque free-standing walls from both sides.

    Result: ax, ay, bx, by and height; what they hide lies on the left from b to a, shape (W,).
    """
    w, s = scene.walls, scene.sheets
    on = np.isneginf(s.log_tau)
    return (
        np.concatenate([w.ax, s.ax[on], s.bx[on]]),
        np.concatenate([w.ay, s.ay[on], s.by[on]]),
        np.concatenate([w.bx, s.bx[on], s.ax[on]]),
        np.concatenate([w.by, s.by[on], s.ay[on]]),
        np.concatenate([w.height, s.height[on], s.height[on]]),
    )


def horizon_azimuths(walls: tuple[Floats, Floats, Floats, Floats, Floats]) -> Floats:
    """Azimuths at which the horizon is sampled: even steps, and along the walls' main bearings.

    Result: rising, 0..2 pi; the same set, mirrored, for a mirrored property, shape (A,).
    """
    ax, ay, bx, by, _ = walls
    even = np.arange(_AZIMUTHS) * (360 / _AZIMUTHS)
    length = np.hypot(bx - ax, by - ay)
    bearing = np.rint(np.degrees(np.arctan2(bx - ax, ay - by)) / _BEARING) % (180 / _BEARING)
    found, place = np.unique(bearing, return_inverse=True)
    along = np.bincount(place, weights=length, minlength=len(found))
    long = found[along >= _LONG * length.sum()] * _BEARING
    every = np.rint(np.concatenate([even, long, long + 180]) / _BEARING) % (360 / _BEARING)
    azimuths: Floats = np.radians(np.unique(np.concatenate([every * _BEARING, even])))
    return azimuths


#: Walls are gone through by how far off they stand, in their heights: most of those that stand far
#: are hidden by nearer ones, which whole squares of cells tell at once.
_PASSES: Final = (0.0, 6.0, 16.0, _FAR)
#: Side of those squares [cells].
_SQUARE: Final = 16


@compiled_within
def _touches(block: Block, wall: Wall, x: float, y: float) -> bool:
    """Whether a wall may lower the horizon of a block; light runs along (x, y)."""
    top, left, bottom, right = block
    ax, ay, bx, by, height = wall
    if (bx - ax) * y - (by - ay) * x <= 0 or height <= 0:
        return False
    far = _FAR * height
    low_x = min(ax, bx) + min(x * far, 0.0)
    high_x = max(ax, bx) + max(x * far, 0.0)
    low_y = min(ay, by) + min(y * far, 0.0)
    high_y = max(ay, by) + max(y * far, 0.0)
    apart = high_x < left or low_x > right - 1 or high_y < top or low_y > bottom - 1
    return not apart


@compiled_within
def _lower(
    cot: Singles,
    most: Singles,
    block: Block,
    wall: Wall,
    light: tuple[float, float],
    between: tuple[float, float],
) -> None:
    """Lower the horizon's cotangent behind one wall, where it stands so many heights off.

    most (columns / 16, rows / 16): greatest cotangent of each square, from which the first pass
    takes nothing.
    """
    top, left, bottom, right = block
    ax, ay, bx, by, height = wall
    (x, y), (near, far) = light, between
    low_x, high_x = min(ax, bx), max(ax, bx)
    reach = x * _FAR * height
    c0, c1 = math.ceil(low_x + min(reach, 0.0)), math.floor(high_x + max(reach, 0.0))
    # Whole cells more, so that rounding leaves none out between two passes.
    c0 = max(c0, left, math.floor(low_x + min(x * near, x * far) * height))
    c1 = min(c1, right - 1, math.ceil(high_x + max(x * near, x * far) * height))
    r0 = max(top, math.floor(min(ay, by) + min(y * near, y * far) * height))
    r1 = min(bottom - 1, math.ceil(max(ay, by) + max(y * near, y * far) * height))
    if near == 0:
        _lower_cells(cot, block, wall, light, between, (c0, c1, r0, r1))
        return
    scale = 1.0 / (((bx - ax) * y - (by - ay) * x) * height)
    across, along = -(by - ay) * scale, (bx - ax) * scale
    for g in range((c0 - left) // _SQUARE, (c1 - left) // _SQUARE + 1):
        first, last = max(c0, left + g * _SQUARE), min(c1, left + g * _SQUARE + _SQUARE - 1)
        low, high = r0, r1
        if x != 0:
            rise = y / x
            one, two = ay + (first - ax) * rise, ay + (last - ax) * rise
            three, four = by + (first - bx) * rise, by + (last - bx) * rise
            low = math.floor(max(float(r0), min(one, two, three, four)))
            high = math.ceil(min(float(r1), max(one, two, three, four)))
        if low > high:
            continue
        nearest = (first if across > 0 else last) - ax
        for s in range((low - top) // _SQUARE, (high - top) // _SQUARE + 1):
            begin, end = max(low, top + s * _SQUARE), min(high, top + s * _SQUARE + _SQUARE - 1)
            least = nearest * across + ((begin if along > 0 else end) - ay) * along
            if max(least, near) * _SURELY < most[g, s]:
                _lower_cells(cot, block, wall, light, between, (first, last, begin, end))


@compiled_within
def _lower_cells(
    cot: Singles,
    block: Block,
    wall: Wall,
    light: tuple[float, float],
    between: tuple[float, float],
    cells: tuple[int, int, int, int],
) -> None:
    """Lower the horizon's cotangent behind one wall in some columns and rows."""
    top, left = block[0], block[1]
    ax, ay, bx, by, height = wall
    (x, y), (nearest, farthest) = light, between
    along_x, along_y = bx - ax, by - ay
    scale = 1.0 / ((along_x * y - along_y * x) * height)
    step = along_x * scale
    for c in range(cells[0], cells[1] + 1):
        low, high = float(cells[2]), float(cells[3])
        if x != 0:
            at_a, at_b = ay + (c - ax) * (y / x), by + (c - bx) * (y / x)
            low, high = max(low, min(at_a, at_b)), min(high, max(at_a, at_b))
        start = -(c - ax) * along_y * scale - ay * step  # cotangent at row 0
        if step != 0:
            near, end = (nearest - start) / step, (farthest - start) / step
            low, high = max(low, min(near, end)), min(high, max(near, end))
        elif start < nearest or start > farthest:
            continue
        if low > high:
            continue
        first, last = math.ceil(low), math.floor(high)
        line = cot[c - left, first - top : last - top + 1]
        for i in range(len(line)):
            line[i] = min(line[i], np.float32(max(start + step * (first + i), 0.0)))


@of_numbers_within
def _greatest(most: Singles, cot: Singles, line: Singles) -> None:
    """Tell the greatest cotangent of each square; line (rows,): room to work in."""
    for g in range(most.shape[0]):
        for i in range(len(line)):
            line[i] = cot[g * _SQUARE, i]
        for c in range(g * _SQUARE + 1, min((g + 1) * _SQUARE, cot.shape[0])):
            column = cot[c]
            for i in range(len(line)):
                line[i] = max(line[i], column[i])
        for s in range(most.shape[1]):
            greatest = line[s * _SQUARE]
            for i in range(s * _SQUARE + 1, min((s + 1) * _SQUARE, len(line))):
                greatest = max(greatest, line[i])
            most[g, s] = greatest


@compiled_within
def _take(
    total: Singles, cot: Singles, flat_before: Singles, up_before: Singles, turn: float
) -> None:
    """Add the great arc from the sample before to this one; the cotangents are opened again."""
    cosine, sine = np.float32(math.cos(turn)), np.float32(math.sin(turn))
    one, nothing = np.float32(1.0), np.float32(_OPEN)
    for i in range(len(cot)):
        q = cot[i]
        up = one / np.sqrt(one + q * q)
        flat = q * up
        both = flat * flat_before[i]
        lost = one - (both * cosine + up * up_before[i])
        t = _T8 + lost * _T9
        t = _T7 + lost * t
        t = _T6 + lost * t
        t = _T5 + lost * t
        t = _T4 + lost * t
        t = _T3 + lost * t
        t = _T2 + lost * t
        t = _T1 + lost * t
        t = _T0 + lost * t
        total[i] += both * sine * t
        flat_before[i] = flat
        up_before[i] = up
        cot[i] = nothing


@compiled
def horizon_sky(
    out: Floats,
    block: Block,
    walls: tuple[Floats, Floats, Floats, Floats, Floats],
    azimuths: Floats,
) -> None:
    """Work out the share of an isotropic sky that is seen over walls from level ground.

    out (rows, columns): set; block: first row and column, one past the last; azimuths (A,): see
    `horizon_azimuths` [rad].
    """
    ax, ay, bx, by, height = walls
    shape = (block[3] - block[1], block[2] - block[0])
    cot, total = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    flat, up = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for c in range(shape[0]):
        for r in range(shape[1]):
            cot[c, r] = np.float32(_OPEN)
    most = np.zeros((-(-shape[0] // _SQUARE), -(-shape[1] // _SQUARE)), np.float32)
    line, near = np.zeros(shape[1], np.float32), np.zeros(len(ax), np.int64)
    count = len(azimuths)
    for k in range(count + 1):
        azimuth = azimuths[k % count]
        light = (-math.sin(azimuth), math.cos(azimuth))
        some = 0
        for w in range(len(ax)):
            if _touches(block, (ax[w], ay[w], bx[w], by[w], height[w]), *light):
                near[some] = w
                some += 1
        for p in range(len(_PASSES) - 1):
            if p > 0:
                _greatest(most, cot, line)
            for n in range(some):
                w = near[n]
                wall = (ax[w], ay[w], bx[w], by[w], height[w])
                _lower(cot, most, block, wall, light, (_PASSES[p], _PASSES[p + 1]))
        turn = 0.0 if k == 0 else azimuth + 2 * math.pi * (k // count) - azimuths[k - 1]
        for c in range(shape[0]):
            _take(total[c], cot[c], flat[c], up[c], turn)  # no arc leads to the first
    for c in range(shape[0]):
        for r in range(shape[1]):
            out[r, c] = min(total[c, r] / (2 * math.pi), 1.0)


@compiled
def add_lit(out: Floats, shape: tuple[int, int, int], masks: Words, weight: Floats) -> None:
    """Add the weights of all directions that arrive.

    out (N,): a raster's numbers from the first of some cells to the last, changed in place; shape:
    rows and columns of the cells, and numbers from one row to the next; masks (K, rows * stride /
    64): see `siting.sun.kernels`; weight (K,): of the directions.
    """
    rows, columns, apart = shape
    words = masks.shape[1] // rows
    dark, bits = np.zeros(64 * words), np.empty(64, np.uint64)
    for i in range(64):
        bits[i] = np.uint64(1) << np.uint64(i)
    whole = 0.0
    for k in range(len(weight)):
        whole += weight[k]
    for r in range(rows):
        touched = False
        for k in range(len(weight)):
            touched |= _sum_dark(dark, masks[k, r * words : (r + 1) * words], weight[k], bits)
        line = out[r * apart : r * apart + columns]
        if touched:
            for c in range(columns):
                line[c] += whole - dark[c]
            dark[:] = 0.0
        else:
            for c in range(columns):
                line[c] += whole


@compiled_within
def _sum_dark(dark: Floats, mask: Words, weight: float, bits: Words) -> bool:
    """Add the weight of a direction to the cells of a row that it leaves dark; whether any is."""
    seen = np.uint64(0)
    for w in range(len(mask)):
        seen |= mask[w]
    if seen == 0:
        return False
    for w in range(len(mask)):
        word = mask[w]
        if word != 0:
            cells = dark[64 * w : 64 * w + 64]
            for i in range(64):
                cells[i] += weight if word & bits[i] else 0.0
    return True


def rehearse(loop: str) -> None:
    """Call a loop of the sky or of the sums once, for next to nothing, as tiles call it."""
    one = np.ones(1)
    if loop == "horizon_sky":
        horizon_sky(np.ones((1, 1)), Tile(0, 0, 1, 1), (one, one, one, one, one), one)
    elif loop == "add_lit":
        add_lit(np.ones(1), (1, 1, 1), np.zeros((1, 1), np.uint64), np.ones(1))
