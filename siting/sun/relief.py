"""Shade from rasters of heights: a running maximum carried along the light.

Along lines away from the sun one height is kept, that of the shadow's upper edge; it falls by
cell x tan(elevation) with every cell and is lifted by whatever stands higher. A cell is dark when
the edge stands above its ground. Lines are offset by whole cells, so an edge is off by up to half a
cell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from siting.errors import Fault, InputError
from siting.site.model import HeightRaster, LocalGrid
from siting.sun.shadows import Rays

__all__ = ["MARGIN_M", "Relief", "build_relief", "relief_shade"]

Floats = NDArray[np.float64]

#: How far around the grid rasters are taken in [m]: a 15 m obstacle at 3 degrees of sun.
MARGIN_M: Final = 300.0

_NOTHING: Final = -1e9
_DATUM_LIMIT: Final = 20.0


@dataclass(frozen=True)
class Relief:
    """Heights on the grid's cells and a margin around it.

    Parameters
    ----------
    top, ground : ndarray of float, shape (R, C)
        What shades, and where the light is wanted [cells].
    row, column : int
        Where the grid's first cell lies.
    """

    top: Floats
    ground: Floats
    row: int
    column: int


def build_relief(
    grid: LocalGrid,
    surface: HeightRaster | None,
    terrain: HeightRaster | None,
    *,
    height_scale: float = 1.0,
) -> Relief | None:
    """Resample the rasters to the grid's cells.

    Parameters
    ----------
    grid : LocalGrid
        The raster wanted.
    surface : HeightRaster or None
        Heights of everything that shades; without a terrain, above the ground.
    terrain : HeightRaster or None
        Heights of the bare ground, on the surface's datum; gaps take the nearest known height.
    height_scale : float
        Factor on the height of the surface over the ground.

    Returns
    -------
    Relief or None
        None when there is no raster.

    Raises
    ------
    InputError
        If there is no terrain and the surface's heights cannot be heights above the ground.
    """
    given = [raster for raster in (surface, terrain) if raster is not None]
    if not given:
        return None
    west, south, east, north = _window(grid, given)
    x = grid.x[0] + np.arange(-west, grid.columns + east) * grid.resolution
    y = grid.y[0] - np.arange(-north, grid.rows + south) * grid.resolution
    ground = np.zeros((len(y), len(x)))
    if terrain is not None:
        ground = _filled(_sample(terrain, x, y, grid.resolution))
    top = ground if terrain is not None else np.full_like(ground, _NOTHING)
    if surface is not None:
        seen = _sample(surface, x, y, grid.resolution)
        inner = seen[north : north + grid.rows, west : west + grid.columns]
        _check_datum(inner, terrain)
        raised = ground + (seen - ground) * height_scale
        top = np.where(np.isnan(seen), top, np.maximum(raised, top))
    return Relief(top / grid.resolution, ground / grid.resolution, north, west)


def relief_shade(relief: Relief, light: Rays, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Whether each cell lies in the shade of the relief.

    Parameters
    ----------
    relief : Relief
        Heights.
    light : Rays
        Directions, shape (K,).
    shape : tuple of int
        Rows and columns of the grid.

    Returns
    -------
    ndarray of bool, shape (rows, K, columns)
        Laid out as `siting.sun.fill.covered` does.
    """
    dark = np.zeros((shape[0], len(light.x), shape[1]), dtype=bool)
    rows = slice(relief.row, relief.row + shape[0])
    columns = slice(relief.column, relief.column + shape[1])
    turned = np.ascontiguousarray(relief.top.T), np.ascontiguousarray(relief.ground.T)
    for k, (x, y, reach) in enumerate(zip(light.x, light.y, light.reach, strict=True)):
        if abs(y) >= abs(x):
            dark[:, k] = _march(relief.top, relief.ground, (x, y, reach))[rows, columns]
        else:
            dark[:, k] = _march(*turned, (y, x, reach))[columns, rows].T
    return dark


def _march(top: Floats, ground: Floats, ray: tuple[float, float, float]) -> NDArray[np.bool_]:
    """Carry the shadow's edge along the rows; `ray` is across, along and reach, |along| larger."""
    across, along, reach = ray
    rows, columns = top.shape
    order = range(rows) if along > 0 else range(rows - 1, -1, -1)
    offset = np.rint(np.arange(rows) * (across / abs(along))).astype(int)
    offset -= offset.min()
    fall = 1 / (abs(along) * reach) if reach > 0 else -_NOTHING
    edge = np.full(columns + int(offset.max()), _NOTHING * 2)
    dark = np.zeros(top.shape, dtype=bool)
    last = int(offset.max())
    for i, row in enumerate(order):
        # Heights are told from a plane that falls with the light, so the edge need not be lowered.
        start = last - offset[i]
        here = edge[start : start + columns]
        np.greater(here, ground[row] + fall * i, out=dark[row])
        np.maximum(here, top[row] + fall * i, out=here)
    return dark


def _window(grid: LocalGrid, rasters: list[HeightRaster]) -> tuple[int, int, int, int]:
    """Cells of margin west, south, east, north: where rasters reach, at most `MARGIN_M`."""
    west, south, east, north = grid.bounds
    reach = np.zeros(4)
    for raster in rasters:
        rows, columns = raster.heights.shape
        right = raster.west + columns * raster.cell_x
        bottom = raster.north - rows * raster.cell_y
        beyond = (west - raster.west, south - bottom, right - east, raster.north - north)
        reach = np.maximum(reach, beyond)
    cells = np.ceil(np.clip(reach, 0, MARGIN_M) / grid.resolution).astype(int)
    return int(cells[0]), int(cells[1]), int(cells[2]), int(cells[3])


def _sample(raster: HeightRaster, x: Floats, y: Floats, cell: float) -> Floats:
    """Heights at cell centres: nearest in fine rasters, bilinear in coarse ones; NaN outside."""
    column = (x - raster.west) / raster.cell_x - 0.5
    row = (raster.north - y) / raster.cell_y - 0.5
    known = np.isfinite(raster.heights)
    filled = np.where(known, raster.heights, 0.0)
    order: Literal[0, 1] = 1 if max(raster.cell_x, raster.cell_y) > cell else 0
    where = np.array(np.meshgrid(row, column, indexing="ij"))
    rows, columns = raster.heights.shape
    inside = np.logical_and.outer(
        np.abs(row - (rows - 1) / 2) <= rows / 2,
        np.abs(column - (columns - 1) / 2) <= columns / 2,
    )
    total = ndimage.map_coordinates(filled, where, order=order, mode="nearest")
    share = ndimage.map_coordinates(known.astype(np.float64), where, order=order, mode="nearest")
    enough = inside & (share >= 0.5)  # noqa: PLR2004 - most of the weight lies on known cells
    heights: Floats = np.divide(total, share, out=np.full_like(total, np.nan), where=enough)
    return heights


def _filled(heights: Floats) -> Floats:
    """Heights with gaps filled from the nearest known cell; 0 where nothing is known."""
    gaps = np.isnan(heights)
    if gaps.all():
        return np.zeros_like(heights)
    nearest = ndimage.distance_transform_edt(gaps, return_distances=False, return_indices=True)
    filled: Floats = heights[tuple(nearest)]
    return filled


def _check_datum(heights: Floats, terrain: HeightRaster | None) -> None:
    """Refuse heights above the sea where only heights above the ground make sense."""
    if terrain is not None or np.isnan(heights).all():
        return
    lowest = float(np.nanmin(heights))
    if abs(lowest) > _DATUM_LIMIT:
        found = f"a lowest height of {lowest:.0f} m and no terrain"
        allowed = "heights above the ground, or a terrain beside the surface"
        raise InputError([Fault("surface", found, allowed, "Add the terrain layer.")])
