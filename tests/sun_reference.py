"""The shade engine in plain numpy: what the compiled loops of `siting.sun` are held to.

Written to be read: every shadow is cut into spans, spans are filled by difference arrays (+1 at the
first row, -1 after the last, a running sum down the rows), and a relief's shadow is carried row by
row. Spans run down the columns, and along the rows in the loops, so rows and columns of what comes
in are exchanged. The expressions are those of the compiled loops, in their order, and sums do not
depend on their order (`siting.sun.scene`), so that the two agree to the bit.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from siting.sun import light as blocks
from siting.sun import relief
from siting.sun.relief import _NOTHING, Steps
from siting.sun.scene import (
    LEAST,
    ROUNDER,
    CrownPrisms,
    Ellipsoids,
    Rays,
    Scene,
    Sheets,
    Spans,
    Tile,
    Walls,
    _columns,
    _rows,
)

_BATCH_CELLS = 2**17  # cells times directions that are worked on at once
_ROWS = 32  # rows that are then added up at once
_MANY = 2**13  # columns of shadows that are worked out at once
_BITS = 8
_INT16_MAX = 32_767

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bits = NDArray[np.uint8]
Heights = NDArray[np.float32]


@contextmanager
def plain():
    """Compute shade by this module instead of the compiled loops."""
    with (
        patch.multiple(blocks, add_light=add_light, take_crowns=take_crowns),
        patch.multiple(relief, march=march, mark_away=mark_away, mark_turned=mark_turned),
    ):
        yield


def add_light(outs, weights, light, tile, caster, dark=None):
    """Add batches of directions, each filled at once."""
    light, scene = Rays(light.y, light.x, light.reach), _turned(caster.scene)
    tile = Tile(tile.left, tile.top, tile.right, tile.bottom)
    outs = [out.T for out in outs]
    dark = None if dark is None else dark.transpose(0, 2, 1)
    rows, columns = tile.shape
    batch = int(np.clip(_BATCH_CELLS // (rows * columns), 1, 64))
    for start in range(0, len(light.x), batch):
        some = tuple(weight[start : start + batch] for weight in weights)
        arriving = _arriving(scene, light.part(start, start + batch), tile)
        for top in range(0, rows, _ROWS):
            part = slice(top, top + _ROWS)
            lit = arriving[part].astype(np.float64)
            if dark is not None:
                for k in range(lit.shape[1]):
                    group, bit = divmod(start + k, _BITS)
                    lit[:, k] *= dark[group, part] >> np.uint8(bit) & 1 == 0
            for weight, out in zip(some, outs, strict=True):
                _add_weighted(out[part], lit, weight, whole=arriving.dtype == np.bool_)


def take_crowns(out, weight, light, tile, casters):
    """Take what crowns keep back of what walls let pass: the light with both less that of walls."""
    for caster, sign in zip(casters, (1.0, -1.0), strict=True):
        add_light((out,), (sign * weight,), light, tile, caster)


def _turned(scene: Scene) -> Scene:
    """Exchange rows and columns: buildings then lie on the right of their walls."""

    def turned(layer: Any) -> Any:
        names = {"x": "y", "ax": "ay", "bx": "by", "normal_x": "normal_y"}
        both = {**names, **{b: a for a, b in names.items()}}
        fields = {a: getattr(layer, b) for a, b in both.items() if hasattr(layer, a)}
        if getattr(layer, "tilt", None) is not None:
            fields["tilt"] = layer.tilt[::-1]
        return replace(layer, **fields)

    parts = scene.walls, scene.sheets, scene.ellipsoids, scene.prisms
    return Scene(*(turned(part) for part in parts))


def _add_weighted(out: Floats, lit: Floats, weight: Floats, *, whole: bool) -> None:
    """Add the light of some rows; parts of a weight are rounded, so that sums stay exact."""
    if whole:
        np.add(out, np.einsum("rkc,k->rc", lit, weight), out=out)
        return
    part = lit * weight[:, None]
    part += ROUNDER
    part -= ROUNDER
    np.add(out, part.sum(axis=1), out=out)


def _arriving(scene: Scene, light: Rays, tile: Tile) -> Floats | NDArray[np.bool_]:
    """Share of the light that arrives, shape (rows, K, columns); bool where all or nothing does."""
    thin = [
        (sheet_spans(scene.sheets, light, tile), scene.sheets.log_tau),
        (ellipse_spans(scene.ellipsoids, light, tile), scene.ellipsoids.log_tau),
        (prism_spans(scene.prisms, light, tile), scene.prisms.log_tau),
    ]
    return transmission(wall_spans(scene.walls, light, tile), thin, tile, len(light.x))


def wall_spans(walls: Walls, light: Rays, tile: Tile) -> Spans:
    """Cut the shadows of walls into spans.

    Returns `piece` numbers the walls.
    """
    # Rows run down, so with the building on the left its outside is on (-dy, dx).
    away = _away(walls, light)
    return _sheared(walls, light, tile, away > 0, np.zeros(len(walls.ax), dtype=bool))


def sheet_spans(sheets: Sheets, light: Rays, tile: Tile) -> Spans:
    """Cut the shadows of free-standing walls, hedges and fences into spans.

    A sheet has no thickness and shades whichever side is lit. Where light passes it, the spans are
    open at their far end, so that two sheets that meet do not dim their common edge twice.

    Returns `piece` numbers the sheets.
    """
    return _sheared(sheets, light, tile, _away(sheets, light) != 0, ~np.isneginf(sheets.log_tau))


def _away(walls: Walls | Sheets, light: Rays) -> Floats:
    """How far each wall is turned away from the light, shape (K, W)."""
    away: Floats = (walls.by - walls.ay) * light.x[:, None] - (walls.bx - walls.ax) * (
        light.y[:, None]
    )
    return away


def _sheared(
    walls: Walls | Sheets,
    light: Rays,
    tile: Tile,
    turned: NDArray[np.bool_],
    half_open: NDArray[np.bool_],
) -> Spans:
    """Cut the parallelograms between the foot and the displaced top of walls into spans."""
    reach = _reach(walls.tilt if isinstance(walls, Sheets) else None, light)
    shift_x = (light.x[:, None] * reach) * walls.height
    shift_y = (light.y[:, None] * reach) * walls.height
    low_x, high_x = _sweep(walls.ax, walls.bx, shift_x)
    low_y, high_y = _sweep(walls.ay, walls.by, shift_y)
    casts = turned & _overlaps(low_x, high_x, low_y, high_y, tile)
    ray, wall = np.nonzero(casts)
    # The ends of a wall bound columns where the light runs along them, else rows.
    low, high = low_x[casts], _before(high_x[casts], half_open[wall] & (light.x == 0)[ray])
    strips = (
        *_foot_and_top(walls, wall, shift_x[casts], shift_y[casts]),
        *_sides(walls, wall, light, ray),
    )
    pieces = []
    for part in _parts(low, high):  # a few at a time, to bound memory
        item, column = _columns(low[part], high[part], tile)
        low_1, high_1, slope_1, low_2, high_2, slope_2 = (values[part][item] for values in strips)
        slope_1 *= column
        slope_2 *= column
        lower = np.maximum(low_1 + slope_1, low_2 + slope_2)
        upper = np.minimum(high_1 + slope_1, high_2 + slope_2)
        upper = _before(upper, half_open[wall[part]][item])
        pieces.append(_rows(ray[part][item], wall[part][item], column, lower, upper, tile))
    return _joined(pieces)


def _parts(low: Floats, high: Floats) -> list[slice]:
    """Cut a list of pieces so that no part holds many columns."""
    total = np.cumsum(np.maximum(high - low, 0.0) + 1)
    many = int(total[-1] // _MANY) if len(total) else 0
    cuts = [0, *np.searchsorted(total, np.arange(1, many + 1) * _MANY).tolist(), len(low)]
    return [slice(a, b) for a, b in itertools.pairwise(cuts) if b > a]


def _joined(pieces: list[Spans]) -> Spans:
    """Join lists of spans."""
    if len(pieces) == 1:
        return pieces[0]
    none = np.zeros(0, dtype=np.int32)
    names = ("ray", "piece", "column", "first", "last")
    return Spans(*(np.concatenate([none, *(getattr(p, name) for p in pieces)]) for name in names))


def _reach(tilt: Floats | None, light: Rays) -> Floats:
    """Length of the shadow of a thing of height 1 on the ground about each body.

    Shape (K, 1) where it is level. Ground that rises by t along the light cuts the length from r to
    r / (1 + r t).
    """
    reach = light.reach[:, None]
    if tilt is None:
        return reach
    rise = tilt[0] * light.x[:, None] + tilt[1] * light.y[:, None]
    found: Floats = reach / np.maximum(1 + reach * rise, LEAST)
    return found


def _before(end: Floats, half_open: NDArray[np.bool_]) -> Floats:
    """Return the ends of spans: the last whole number below where they are open."""
    return np.where(half_open, np.ceil(end) - 1, end) if half_open.any() else end


def ellipse_spans(crowns: Ellipsoids, light: Rays, tile: Tile) -> Spans:
    """Cut the elliptical shadows of ellipsoids into spans.

    An upright ellipsoid with half-axes a (level) and c (upright) throws an ellipse with half-axes a
    across the light and ``sqrt(a² + (c / tan(elevation))²)`` along it; its centre is the
    ellipsoid's, displaced.

    Returns `piece` numbers the crowns.
    """
    reach = _reach(crowns.tilt, light)
    middle = (crowns.base + crowns.top) / 2 * reach
    along = ((crowns.top - crowns.base) / 2 * reach) ** 2
    across = crowns.radius**2
    x, y = light.x[:, None], light.y[:, None]
    center_x, center_y = crowns.x + middle * x, crowns.y + middle * y
    xx, xy, yy = across + along * x**2, along * x * y, across + along * y**2
    wide, tall = np.sqrt(xx), np.sqrt(yy)
    casts = (crowns.radius > 0) & _overlaps(
        center_x - wide, center_x + wide, center_y - tall, center_y + tall, tile
    )
    ray, crown = np.nonzero(casts)
    cx, cy, wide, xx, xy = center_x[casts], center_y[casts], wide[casts], xx[casts], xy[casts]
    area = across[crown] * (across[crown] + along[casts])  # determinant, without cancellation
    item, column = _columns(cx - wide, cx + wide, tile)
    offset = column - cx[item]
    rest = np.maximum(1 - offset * offset / xx[item], 0.0)
    half = np.sqrt(area[item] / xx[item] * rest)
    center = cy[item] + (xy / xx)[item] * offset
    return _rows(ray[item], crown[item], column, center - half, center + half, tile)


def prism_spans(crowns: CrownPrisms, light: Rays, tile: Tile) -> Spans:
    """Cut the shadows of drawn crowns, swept from base to top, into spans.

    The swept outline is the intersection of the half-planes of the outline, each moved to the
    farther of the two displacements, and of the two that run along the light.

    Returns `piece` numbers the crowns.
    """
    reach = _reach(crowns.tilt, light)
    near, far = reach * crowns.base, reach * crowns.top
    x, y = light.x[:, None], light.y[:, None]
    low_x = crowns.x.min(axis=1) + np.minimum(near * x, far * x)
    high_x = crowns.x.max(axis=1) + np.maximum(near * x, far * x)
    low_y = crowns.y.min(axis=1) + np.minimum(near * y, far * y)
    high_y = crowns.y.max(axis=1) + np.maximum(near * y, far * y)
    casts = _overlaps(low_x, high_x, low_y, high_y, tile)
    ray, crown = np.nonzero(casts)
    item, column = _columns(low_x[casts], high_x[casts], tile)
    planes = _half_planes(crowns, light, ray, crown, near[casts], far[casts])
    normal_x, normal_y, support = (values[item] for values in planes)
    with np.errstate(divide="ignore", invalid="ignore"):
        bound = (support - normal_x * column[:, None]) / normal_y
    upper = np.where(normal_y > 0, bound, np.inf).min(axis=1)
    lower = np.where(normal_y < 0, bound, -np.inf).max(axis=1)
    lower = np.maximum(lower, low_y[casts][item])
    upper = np.minimum(upper, high_y[casts][item])
    return _rows(ray[item], crown[item], column, lower, upper, tile)


def _sweep(a: Floats, b: Floats, shift: Floats) -> tuple[Floats, Floats]:
    """Least and greatest coordinate of segments swept by a displacement."""
    return np.minimum(a, b) + np.minimum(shift, 0), np.maximum(a, b) + np.maximum(shift, 0)


def _overlaps(
    low_x: Floats, high_x: Floats, low_y: Floats, high_y: Floats, tile: Tile
) -> NDArray[np.bool_]:
    """Whether a bounding box may hold cell centres of the tile."""
    across: NDArray[np.bool_] = (high_x >= tile.left) & (low_x <= tile.right - 1)
    return across & (high_y >= tile.top) & (low_y <= tile.bottom - 1)


def _foot_and_top(
    walls: Walls | Sheets, wall: Ints, shift_x: Floats, shift_y: Floats
) -> tuple[Floats, Floats, Floats]:
    """Strip between a wall's foot and its displaced top: ``low <= y - slope * x <= high``."""
    ax, ay = walls.ax[wall], walls.ay[wall]
    run = walls.bx[wall] - ax
    upright = run == 0  # the strip runs down the columns and bounds no row
    slope = np.divide(walls.by[wall] - ay, run, out=np.zeros_like(run), where=~upright)
    foot = ay - slope * ax
    top = shift_y - slope * shift_x
    low = np.where(upright, -np.inf, foot + np.minimum(top, 0))
    high = np.where(upright, np.inf, foot + np.maximum(top, 0))
    return low, high, slope


def _sides(
    walls: Walls | Sheets, wall: Ints, light: Rays, ray: Ints
) -> tuple[Floats, Floats, Floats]:
    """Strip along the light between a wall's two ends: ``low <= y - slope * x <= high``."""
    upright = light.x == 0
    per_ray = np.divide(light.y, light.x, out=np.zeros_like(light.x), where=~upright)
    slope = per_ray[ray]
    at_a = walls.ay[wall] - slope * walls.ax[wall]
    at_b = walls.by[wall] - slope * walls.bx[wall]
    low = np.where(upright[ray], -np.inf, np.minimum(at_a, at_b))
    high = np.where(upright[ray], np.inf, np.maximum(at_a, at_b))
    return low, high, slope


def _half_planes(
    crowns: CrownPrisms, light: Rays, ray: Ints, crown: Ints, near: Floats, far: Floats
) -> tuple[Floats, Floats, Floats]:
    """Half-planes ``normal . p <= support`` of swept outlines, shape (N, V + 2) each."""
    x, y = crowns.x[crown], crowns.y[crown]
    along_x, along_y = light.x[ray], light.y[ray]
    normal_x = np.column_stack([crowns.normal_x[crown], -along_y, along_y])
    normal_y = np.column_stack([crowns.normal_y[crown], along_x, -along_x])
    ahead = normal_x * along_x[:, None] + normal_y * along_y[:, None]
    ahead[:, -2:] = 0.0
    side = -along_y[:, None] * x + along_x[:, None] * y
    support = np.column_stack([crowns.support[crown], side.max(axis=1), -side.min(axis=1)])
    support += np.maximum(ahead * near[:, None], ahead * far[:, None])
    return normal_x, normal_y, support


def covered(pieces: Sequence[Spans], tile: Tile, layers: int = 1) -> NDArray[np.bool_]:
    """Whether a cell lies in any span.

    Returns layers lie between rows and columns, so that a row of all layers is one run of memory,
    shape (rows, K, columns).
    """
    # No more pieces can lie over one cell than there are; narrow numbers are added faster.
    most = sum(int(spans.piece.max(initial=-1)) + 1 for spans in pieces)
    kind = np.int16 if most <= _INT16_MAX else np.int32
    weights = [np.ones(1, dtype=kind)] * len(pieces)
    dark: NDArray[np.bool_] = _running_sum(pieces, weights, tile, layers) > 0
    return dark


def transmission(
    opaque: Spans,
    crowns: Sequence[tuple[Spans, NDArray[np.float64]]],
    tile: Tile,
    layers: int,
) -> NDArray[np.float64] | NDArray[np.bool_]:
    """Share of the light from each direction that arrives in each cell.

    Returns 0..1, transmissivities of overlapping crowns multiply. Where no crown lets light pass,
    bool: whether it arrives, shape (rows, K, columns).
    """
    dense, thin, weights = [opaque], [], []
    for spans, log_tau in crowns:
        solid = np.isneginf(log_tau)[spans.piece]
        dense.append(_only(spans, solid))
        thin.append(_only(spans, ~solid))
        weights.append(log_tau[thin[-1].piece])
    dark = covered(dense, tile, layers)
    if not any(len(spans.piece) for spans in thin):
        return np.logical_not(dark, out=dark)
    light: NDArray[np.float64] = _running_sum(thin, weights, tile, layers)
    np.exp(light, out=light)
    light *= ~dark
    return light


def _only(spans: Spans, keep: NDArray[np.bool_]) -> Spans:
    """Return the spans that are to be kept."""
    if keep.all():
        return spans
    return Spans(
        spans.ray[keep],
        spans.piece[keep],
        spans.column[keep],
        spans.first[keep],
        spans.last[keep],
    )


def _running_sum(
    pieces: Sequence[Spans], weights: Sequence[NDArray[Any]], tile: Tile, layers: int
) -> NDArray[Any]:
    """Sum of the weights of the spans over each cell, shape (rows, K, columns)."""
    rows, columns = tile.shape
    step = layers * columns
    total = np.zeros((rows + 1) * step, dtype=weights[0].dtype)
    for spans, weight in zip(pieces, weights, strict=True):
        place = spans.ray * columns + (spans.column - tile.left)
        np.add.at(total, place + (spans.first - tile.top) * step, weight)
        np.subtract.at(total, place + (spans.last + 1 - tile.top) * step, weight)
    table = total.reshape(rows + 1, step)
    for row in range(1, rows):
        np.add(table[row - 1], table[row], out=table[row])  # all layers at once
    return table[:rows].reshape(rows, layers, columns)


def march(
    out: Bits,
    bit: np.uint8,
    rise: Heights,
    ground: Heights,
    steps: Steps,
    columns: tuple[int, int],
    corner: tuple[int, int],
) -> None:
    """Carry the shadow's edge along the rows, and set a bit in the wanted cells that are dark."""
    left, right = columns
    width, most = right - left, int(steps.offset.max()) + 1
    edges = np.full((2, width + most - int(steps.between.min()) + 1), 2 * _NOTHING)
    cut = slice(corner[1] - left, corner[1] - left + out.shape[1])
    level = np.zeros(width)
    for row, near, offset, between, side, share, plane in zip(*steps[:-1], strict=True):
        here = edges[near, most - offset : most - offset + width]
        line = ground[row, left:right].astype(np.float64) if ground.size else level
        over = rise[row, left:right].astype(np.float64)
        # A cell is a box, and the light meets its side half a step before its centre.
        over = over + np.minimum(np.maximum(over, 0.0), steps.fall / 2)
        base = _passing(line, side, share) + plane
        wanted = row - corner[0]
        if 0 <= wanted < len(out):
            out[wanted] |= (here[cut] > base[cut]) * bit
        np.maximum(here, over + base, out=here)
        for way in (0, 1) if side == 0 else ((1,) if side > 0 else (0,)):
            # Between two cells a line meets the one that is nearer to it; both if it runs midway.
            there = edges[1 - near, most - between - way : most - between - way + width]
            base = _passing(line, 1 - 2 * way, 0.5 - share) + plane
            np.maximum(there, over + base, out=there)


def _passing(line: Floats, side: int, share: float) -> Floats:
    """Ground beside the centres of cells, towards a neighbour."""
    beside = np.concatenate([line[:1], line, line[-1:]])[1 + side : 1 + side + len(line)]
    return line + (beside - line) * share


def mark_away(
    out: Bits,
    bit: np.uint8,
    slope_x: Heights,
    slope_y: Heights,
    light: tuple[float, float, float],
) -> None:
    """Set a bit where the ground turns its back on the light."""
    x, y, reach = light
    facing = (slope_x.astype(np.float64) * x + slope_y.astype(np.float64) * y) * reach
    out |= (facing <= -1) * bit


def mark_turned(out: Bits, turned: Bits) -> None:
    """Set the bits of a mask whose rows and columns are exchanged."""
    out |= turned.T
