"""Buildings and opaque walls on sloping ground, as part of the relief.

Shadows worked out from vectors lie on level ground. Where the ground is not level, what is opaque
stands on it as boxes in the relief instead, so that both its foot and the ground that it shades lie
at their own heights. Crowns and what lets light pass stay vectors, whose shadows are as long as on
level ground.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siting.sun.relief import Relief
from siting.sun.scene import Scene, Sheets, Walls
from siting.sun.shadows import Tile, footprint_spans

__all__ = ["LEVEL_CELLS", "level", "stand_on", "without_bodies"]

Floats = NDArray[np.float64]

#: Ground whose heights differ by no more than this is level: half a cell, which moves a shadow by
#: less than the raster's own step above 27 degrees of sun [cells].
LEVEL_CELLS: Final = 0.5
_PER_CELL: Final = 4  # samples of a wall on each cell of its length


def level(relief: Relief | None) -> bool:
    """Tell whether the ground is level, so that shadows from vectors hold.

    Parameters
    ----------
    relief : Relief or None
        With the ground; None is level.

    Returns
    -------
    bool
        Also where the ground is not known.
    """
    if relief is None or relief.ground is None:
        return True
    return bool(np.ptp(relief.ground) <= LEVEL_CELLS)


def stand_on(relief: Relief, scene: Scene) -> Relief:
    """Put the buildings and the opaque walls of a scene on the ground of a relief.

    A building's height counts from the lowest ground under it, as maps mean it; its roof is level.
    A wall's top follows the ground.

    Parameters
    ----------
    relief : Relief
        With a ground.
    scene : Scene
        In cells of the grid.

    Returns
    -------
    Relief
        With both; what stood higher stays. The given one is not changed.
    """
    ground = relief.arrays[1]
    rise = relief.rise.copy()
    _add_buildings(rise, ground, scene.walls, relief)
    _add_sheets(rise, scene.sheets, relief)
    return replace(relief, rise=rise, span=max(relief.span, float((rise + ground).max())))


def without_bodies(scene: Scene) -> Scene:
    """Return what remains to be shaded from vectors: crowns, and walls that let light pass.

    Parameters
    ----------
    scene : Scene
        Whole.

    Returns
    -------
    Scene
        Without buildings and opaque walls.
    """
    thin = np.isfinite(scene.sheets.log_tau)
    s, none = scene.sheets, np.zeros(0)
    walls = Walls(none, none, none, none, none, np.zeros(0, dtype=np.int64))
    sheets = (part[thin] for part in (s.ax, s.ay, s.bx, s.by, s.height, s.log_tau))
    return replace(scene, walls=walls, sheets=Sheets(*sheets))


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
