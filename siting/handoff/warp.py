"""Rasters laid into another frame of reference cell by cell: which cell goes where is found once.

All pictures and files of a plan's rasters show one grid, so its cells' numbers are warped, and
every raster is read through them: the same values as warping each, in a fraction of the time.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from rasterio.transform import Affine, from_origin
from rasterio.warp import Resampling, calculate_default_transform, reproject

from siting.arrays import Ints
from siting.site.model import LocalGrid

_K = TypeVar("_K", bound=np.floating[Any])
#: Bytes of a cell's number, as of the values that are laid: GDAL cuts its work by them.
_KINDS = {4: np.int32, 8: np.float64}
#: Stands where no cell of the grid does.
_NONE = -1


def affine(grid: LocalGrid) -> Affine:
    """Return where the cells of a grid lie."""
    return from_origin(grid.west, grid.north, grid.resolution, grid.resolution)


@lru_cache(maxsize=8)
def raster_in(grid: LocalGrid, crs: str, target: str) -> tuple[Affine, int, int]:
    """Return the raster of another frame that a grid fills: where it lies, columns and rows.

    crs, target: the two frames of reference as WKT.
    """
    transform, columns, rows = calculate_default_transform(
        crs, target, grid.columns, grid.rows, *grid.bounds
    )
    return transform, int(columns), int(rows)


@lru_cache(maxsize=4)
def _cells(
    grid: LocalGrid, crs: str, target: str, transform: Affine, shape: tuple[int, int], size: int
) -> Ints:
    """Return the number of the cell that each place shows, -1 where none, shape (rows, columns)."""
    numbers = np.arange(grid.rows * grid.columns, dtype=_KINDS[size]).reshape(grid.shape)
    found = np.full(shape, _NONE, dtype=_KINDS[size])
    reproject(
        numbers,
        found,
        src_transform=affine(grid),
        src_crs=crs,
        src_nodata=_NONE,
        dst_transform=transform,
        dst_crs=target,
        dst_nodata=_NONE,
        resampling=Resampling.nearest,
        num_threads=1,
    )
    return found.astype(np.int32)


def nearest(
    values: NDArray[_K],
    grid: LocalGrid,
    crs: str,
    target: str,
    transform: Affine,
    shape: tuple[int, int],
) -> NDArray[_K]:
    """Lay a raster of a grid into a raster of another frame without mixing cells.

    values (rows, columns): of four or eight bytes each; crs, target: the two frames of reference
    as WKT; transform, shape: where the new raster lies, and its rows and columns. Result: of that
    shape and the kind of the values, NaN where no cell lies.
    """
    cells = _cells(grid, crs, target, transform, shape, values.dtype.itemsize)
    laid: NDArray[_K] = np.ravel(values)[cells]
    laid[cells == _NONE] = np.nan
    return laid
