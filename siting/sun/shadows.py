"""Directions of light, blocks of cells, and footprints cut into vertical spans of cells.

The shadow of a prism on level ground is its footprint and, for every wall that is turned away from
the sun, the parallelogram between the wall's foot and its top displaced by height / tan(elevation).
The displaced footprint adds nothing: a shadow point outside the footprint, followed towards the
sun, enters the building through such a wall, so it lies in that wall's parallelogram. Crowns are
convex bodies, so each has one convex shadow: an ellipse, or the outline swept from base to top.

Every piece is cut, column by column, into one span of rows whose cell centres lie within it
(`siting.sun.kernels`). Spans are closed at both ends and two pieces that share a corner compute
their common edge from the same numbers by the same operations, so neighbours leave no gap between
them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.arrays import Flags, Floats, Ints
from siting.sun.scene import Walls

Shorts = NDArray[np.int32]
#: Ground that falls nearly as fast as the light makes a shadow 20 times as long, and no longer.
LEAST: Final = 0.05


class Tile(NamedTuple):
    """A block of cells: first row and column, one past the last row and column.

    top, left: first row and column; bottom, right: one past the last row and column.
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

    x, y: unit vector away from the light, x along columns and y along rows (down); reach: length of
    the shadow of a thing of height 1, 1 / tan(elevation).
    """

    x: Floats
    y: Floats
    reach: Floats

    def part(self, start: int, stop: int) -> Rays:
        """Return the directions from `start` up to `stop`.

        Result: views of the arrays.
        """
        return Rays(self.x[start:stop], self.y[start:stop], self.reach[start:stop])


@dataclass(frozen=True)
class Spans:
    """Cells within pieces, as spans of rows; each array has shape (S,).

    ray, piece, column, first, last: direction, wall or crown, column, first and last row, all
    within the tile.
    """

    ray: Shorts
    piece: Shorts
    column: Shorts
    first: Shorts
    last: Shorts


def rays(elevation: Floats, azimuth: Floats) -> Rays:
    """Turn positions of the sun into directions of light.

    elevation, azimuth (K,): true elevation, above 0, and azimuth east of north [deg]. Result:
    shadows fall away from the sun: the sun in the south throws them up the rows.
    """
    phi = np.radians(azimuth)
    theta = np.radians(elevation)
    return Rays(-np.sin(phi), np.cos(phi), np.cos(theta) / np.sin(theta))


def footprint_spans(walls: Walls, tile: Tile) -> Spans:
    """Cut the buildings' footprints into spans, by even-odd parity, courtyards left out.

    Result: `piece` numbers the buildings; `ray` is 0.
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


def covered(spans: Spans, tile: Tile) -> Flags:
    """Whether a cell of the tile lies in any span, shape (rows, columns).

    Every span puts +1 at its first row and -1 after its last; a running sum down the rows then
    counts the spans over each cell.
    """
    total = np.zeros((tile.shape[0] + 1, tile.shape[1]), dtype=np.int32)
    column = spans.column - tile.left
    np.add.at(total, (spans.first - tile.top, column), 1)
    np.subtract.at(total, (spans.last + 1 - tile.top, column), 1)
    inside: Flags = np.cumsum(total[:-1], axis=0) > 0
    return inside


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
