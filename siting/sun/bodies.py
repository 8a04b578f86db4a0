"""Buildings and opaque walls on sloping ground, as part of the relief.

Shadows worked out from vectors lie on level ground. Where the ground is not level, what is opaque
stands on it as boxes in the relief instead, so that both its foot and the ground that it shades lie
at their own heights. Crowns and what lets light pass stay vectors; the ground about each of them is
taken as a plane through its foot, on which its shadow is shorter uphill and longer downhill.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siting.sun.relief import Relief
from siting.sun.scene import Scene, Sheets, Walls
from siting.sun.shadows import Tile, footprint_spans

__all__ = ["LEVEL_CELLS", "level", "on_planes", "stand_on"]

Floats = NDArray[np.float64]

#: Ground whose heights differ by no more than this is level: half a cell, which moves a shadow by
#: less than the raster's own step above 27 degrees of sun [cells].
LEVEL_CELLS: Final = 0.5
_PER_CELL: Final = 4  # samples of a wall on each cell of its length


def level(relief: Relief | None) -> bool:
    """Tell whether the ground is level, so that shadows from vectors hold.

    relief: with the ground, None is level. Result: also where the ground is not known.
    """
    if relief is None or relief.ground is None:
        return True
    return bool(np.ptp(relief.ground) <= LEVEL_CELLS)


def stand_on(relief: Relief, scene: Scene) -> Relief:
    """Put the buildings and the opaque walls of a scene on the ground of a relief.

    A building's height counts from the lowest ground under it, as maps mean it; its roof is level.
    A wall's top follows the ground.

    Result: with both; what stood higher stays. The given one is not changed.
    """
    ground = relief.arrays[1]
    rise = relief.rise.copy()
    _add_buildings(rise, ground, scene.walls, relief)
    _add_sheets(rise, scene.sheets, relief)
    return replace(relief, rise=rise, span=max(relief.span, float((rise + ground).max())))


def on_planes(relief: Relief, scene: Scene) -> Scene:
    """Keep what is to be shaded from vectors, each body on a plane of its own.

    The plane is the mean rise of the ground over as far as the body is high, on either side.

    Result: crowns, and walls that let light pass; no buildings and no opaque walls.
    """
    s, e, p, none = scene.sheets, scene.ellipsoids, scene.prisms, np.zeros(0)
    thin = np.isfinite(s.log_tau)
    parts = (part[thin] for part in (s.ax, s.ay, s.bx, s.by, s.height, s.log_tau))
    s = Sheets(*parts)
    return Scene(
        Walls(none, none, none, none, none, np.zeros(0, dtype=np.int64)),
        replace(s, tilt=_tilt(relief, (s.ax + s.bx) / 2, (s.ay + s.by) / 2, s.height)),
        replace(e, tilt=_tilt(relief, e.x, e.y, e.top)),
        replace(p, tilt=_tilt(relief, p.x.mean(axis=1), p.y.mean(axis=1), p.top)),
    )


def _tilt(relief: Relief, x: Floats, y: Floats, height: Floats) -> Floats:
    """Rise of the ground about places along columns and rows, shape (2, N)."""
    ground = relief.arrays[1].astype(np.float64)
    span = np.maximum(np.rint(height), 1.0)

    def place(values: Floats, size: int, first: int) -> NDArray[np.int64]:
        found: NDArray[np.int64] = np.clip(np.rint(values) + first, 0, size - 1).astype(np.int64)
        return found

    rows, columns = ground.shape
    row, column = place(y, rows, relief.row), place(x, columns, relief.column)
    left, right = (place(x + side * span, columns, relief.column) for side in (-1, 1))
    up, down = (place(y + side * span, rows, relief.row) for side in (-1, 1))
    along_x = (ground[row, right] - ground[row, left]) / np.maximum(right - left, 1)
    along_y = (ground[down, column] - ground[up, column]) / np.maximum(down - up, 1)
    return np.stack([along_x, along_y])


def _add_buildings(
    rise: NDArray[np.float32], ground: NDArray[np.float32], walls: Walls, relief: Relief
) -> None:
    """Raise the cells whose centres lie in a footprint up to its roof."""
    if len(walls.ax) == 0:
        return
    rows, columns = rise.shape
    window = Tile(-relief.row, -relief.column, rows - relief.row, columns - relief.column)
    spans = footprint_spans(walls, window)
    count = spans.last - spans.first + 1
    span = np.repeat(np.arange(len(count)), count)
    row = np.arange(len(span)) - np.repeat(np.cumsum(count) - count, count)
    row += spans.first[span] + relief.row
    column, building = spans.column[span] + relief.column, spans.piece[span]
    size = int(walls.building.max()) + 1
    height, foot = np.zeros(size), np.full(size, np.inf)
    np.maximum.at(height, walls.building, walls.height)
    np.minimum.at(foot, building, ground[row, column].astype(np.float64))
    over = (foot + height)[building] - ground[row, column]
    np.maximum.at(rise, (row, column), over.astype(np.float32))


def _add_sheets(rise: NDArray[np.float32], sheets: Sheets, relief: Relief) -> None:
    """Raise the cells that opaque walls cross."""
    for i in np.flatnonzero(np.isneginf(sheets.log_tau)):
        length = np.hypot(sheets.bx[i] - sheets.ax[i], sheets.by[i] - sheets.ay[i])
        share = np.linspace(0, 1, int(np.ceil(length * _PER_CELL)) + 1)
        column = np.rint(sheets.ax[i] + share * (sheets.bx[i] - sheets.ax[i])) + relief.column
        row = np.rint(sheets.ay[i] + share * (sheets.by[i] - sheets.ay[i])) + relief.row
        inside = (row >= 0) & (row < rise.shape[0]) & (column >= 0) & (column < rise.shape[1])
        place = row[inside].astype(np.int64), column[inside].astype(np.int64)
        np.maximum.at(rise, place, np.float32(sheets.height[i]))
