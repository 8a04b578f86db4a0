"""Shadows on level ground as convex pieces, cut into vertical spans of cells.

The shadow of a prism is its footprint and, for every wall that is turned away from the sun, the
parallelogram between the wall's foot and its top displaced by height / tan(elevation). The
displaced footprint adds nothing: a shadow point outside the footprint, followed towards the sun,
enters the building through such a wall, so it lies in that wall's parallelogram. Crowns are convex
bodies, so each has one convex shadow: an ellipse, or the outline swept from base to top.

Every piece is cut, column by column, into one span of rows whose cell centres lie within it. Spans
are closed at both ends and two pieces that share a corner compute their common edge from the same
numbers by the same operations, so neighbours leave no gap between them.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.sun.scene import CrownPrisms, Ellipsoids, Sheets, Walls

__all__ = [
    "LEAST",
    "Rays",
    "Spans",
    "Tile",
    "ellipse_spans",
    "footprint_spans",
    "prism_spans",
    "rays",
    "sheet_spans",
    "wall_spans",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Shorts = NDArray[np.int32]

#: Ground that falls nearly as fast as the light makes a shadow 20 times as long, and no longer.
LEAST: Final = 0.05
_MANY: Final = 2**13  # columns of shadows that are worked out at once


class Tile(NamedTuple):
    """A block of cells: first row and column, one past the last row and column.

    Parameters
    ----------
    top, left : int
        First row and column.
    bottom, right : int
        One past the last row and column.
    """

    top: int
    left: int
    bottom: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bottom - self.top, self.right - self.left


@dataclass(frozen=True)
class Rays:
    """Directions of light; each array has shape (K,).

    Parameters
    ----------
    x, y : ndarray of float
        Unit vector away from the light, x along columns and y along rows (down).
    reach : ndarray of float
        Length of the shadow of a thing of height 1, 1 / tan(elevation).
    """

    x: Floats
    y: Floats
    reach: Floats

    def part(self, start: int, stop: int) -> Rays:
        """Return the directions from `start` up to `stop`.

        Parameters
        ----------
        start, stop : int
            First direction, and one past the last.

        Returns
        -------
        Rays
            Views of the arrays.
        """
        return Rays(self.x[start:stop], self.y[start:stop], self.reach[start:stop])


@dataclass(frozen=True)
class Spans:
    """Cells within pieces, as spans of rows; each array has shape (S,).

    Parameters
    ----------
    ray, piece, column, first, last : ndarray of int
        Direction, wall or crown, column, first and last row; all within the tile.
    """

    ray: Shorts
    piece: Shorts
    column: Shorts
    first: Shorts
    last: Shorts


def rays(elevation: Floats, azimuth: Floats) -> Rays:
    """Turn positions of the sun into directions of light.

    Parameters
    ----------
    elevation, azimuth : ndarray of float, shape (K,)
        True elevation, above 0, and azimuth east of north [deg].

    Returns
    -------
    Rays
        Shadows fall away from the sun: the sun in the south throws them up the rows.
    """
    phi = np.radians(azimuth)
    theta = np.radians(elevation)
    return Rays(-np.sin(phi), np.cos(phi), np.cos(theta) / np.sin(theta))


def wall_spans(walls: Walls, light: Rays, tile: Tile) -> Spans:
    """Cut the shadows of walls into spans.

    Parameters
    ----------
    walls : Walls
        In cells.
    light : Rays
        Directions, shape (K,).
    tile : Tile
        Cells wanted.

    Returns
    -------
    Spans
        `piece` numbers the walls.
    """
    # Rows run down, so with the building on the left its outside is on (-dy, dx).
    away = _away(walls, light)
    return _sheared(walls, light, tile, away > 0, np.zeros(len(walls.ax), dtype=bool))


def sheet_spans(sheets: Sheets, light: Rays, tile: Tile) -> Spans:
    """Cut the shadows of free-standing walls, hedges and fences into spans.

    A sheet has no thickness and shades whichever side is lit. Where light passes it, the spans are
    open at their far end, so that two sheets that meet do not dim their common edge twice.

    Parameters
    ----------
    sheets : Sheets
        In cells.
    light : Rays
        Directions, shape (K,).
    tile : Tile
        Cells wanted.

    Returns
    -------
    Spans
        `piece` numbers the sheets.
    """
    return _sheared(sheets, light, tile, _away(sheets, light) != 0, ~np.isneginf(sheets.log_tau))


def _away(walls: Walls | Sheets, light: Rays) -> Floats:
    """How far each wall is turned away from the light, shape (K, W)."""
    away: Floats = (
        -(walls.by - walls.ay) * light.x[:, None] + (walls.bx - walls.ax) * (light.y[:, None])
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

    Parameters
    ----------
    crowns : Ellipsoids
        In cells.
    light : Rays
        Directions, shape (K,).
    tile : Tile
        Cells wanted.

    Returns
    -------
    Spans
        `piece` numbers the crowns.
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

    Parameters
    ----------
    crowns : CrownPrisms
        In cells.
    light : Rays
        Directions, shape (K,).
    tile : Tile
        Cells wanted.

    Returns
    -------
    Spans
        `piece` numbers the crowns.
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


def footprint_spans(walls: Walls, tile: Tile) -> Spans:
    """Cut the buildings' footprints into spans, by even-odd parity, courtyards left out.

    Parameters
    ----------
    walls : Walls
        In cells.
    tile : Tile
        Cells wanted.

    Returns
    -------
    Spans
        `piece` numbers the buildings; `ray` is 0.
    """
    low, high = np.minimum(walls.ax, walls.bx), np.maximum(walls.ax, walls.bx)
    # Half-open, low <= column < high, so that a corner on a column counts once.
    item, column = _columns(low, np.nextafter(high, -np.inf), tile)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (walls.by - walls.ay) / (walls.bx - walls.ax)
    row = walls.ay[item] + slope[item] * (column - walls.ax[item])
    building = walls.building[item]
    order = np.lexsort((row, column, building))
    enter, leave = order[0::2], order[1::2]
    ray = np.zeros(len(enter), dtype=np.int64)
    return _rows(ray, building[enter], column[enter], row[enter], row[leave], tile)


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


def _columns(low: Floats, high: Floats, tile: Tile) -> tuple[Ints, Ints]:
    """Every column of the tile from `low` to `high`: the item it belongs to, and the column."""
    first = np.maximum(np.ceil(low), tile.left).astype(np.int64)
    last = np.minimum(np.floor(high), tile.right - 1).astype(np.int64)
    count = np.maximum(last - first + 1, 0)
    item = np.repeat(np.arange(len(count)), count)
    column = np.arange(len(item)) + np.repeat(first - (np.cumsum(count) - count), count)
    return item, column


def _rows(ray: Ints, piece: Ints, column: Ints, lower: Floats, upper: Floats, tile: Tile) -> Spans:
    """Keep the spans that hold a cell centre of the tile."""
    first = np.maximum(np.ceil(lower), tile.top)
    last = np.minimum(np.floor(upper), tile.bottom - 1)
    keep = first <= last
    found = (values[keep].astype(np.int32) for values in (ray, piece, column, first, last))
    return Spans(*found)
