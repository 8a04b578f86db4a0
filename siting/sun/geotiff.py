"""A season of sun and shade written band by band to a GeoTIFF: for properties beyond memory.

The raster is computed in blocks of whole rows. Memory beyond the inputs is bounded by `memory_mb`
for a block's sums, plus what the threads work in (`siting.sun.light`: 5 to 11 MB each by kernels,
46 MB by numpy; 25 MB more with rasters of heights), plus 8 bytes per cell of the whole grid and
its margin for a surface or a terrain, 16 for both. No block needs its neighbour's result, so the
file holds what `siting.sun.shade.shade_season` gives, bit for bit, in float32.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.windows import Window

from siting.site.model import HeightRaster, LocalGrid
from siting.sun.blocks import Season, season_block
from siting.sun.model import SunPositions
from siting.sun.obstacles import ShadeOptions, gather, reach_of
from siting.sun.relief import build_relief
from siting.sun.shade import wanted_months
from siting.sun.shadows import Tile

if TYPE_CHECKING:
    import geopandas as gpd
    import pyproj

__all__ = ["shade_to_geotiff"]

_DEFAULT: Final = ShadeOptions()
_SIDE: Final = 256  # of the file's own tiles
_WHOLE: Final = 1000
_MEGABYTE: Final = 2**20


def shade_to_geotiff(  # noqa: PLR0913 - every layer is an argument of its own
    path: Path | str,
    grid: LocalGrid,
    positions: SunPositions,
    *,
    crs: pyproj.CRS,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
    surface: HeightRaster | None = None,
    terrain: HeightRaster | None = None,
    months: Sequence[int] | None = None,
    memory_mb: float = 256.0,
    options: ShadeOptions = _DEFAULT,
) -> Path:
    """Compute a season of sun and shade, and write it as it comes.

    Parameters
    ----------
    path : Path or str
        The file; one of this name is replaced, and only when the new one is complete.
    grid, positions, buildings, trees, walls, surface, terrain, months
        As for `siting.sun.shade.shade_season`.
    crs : pyproj.CRS
        CRS of the grid.
    memory_mb : float
        Most memory for the sums of a block; at least one row of the file's tiles is held [MB].
    options : ShadeOptions
        How to compute; `progress` counts thousandths of the whole.

    Returns
    -------
    Path
        The file: float32 bands sun_hours_<month> [h/d], beam_fraction_<month> and sky_view, with a
        terrain slope_beam_<month> and slope_sky too; NaN on roofs. The same input gives the same
        bytes.

    Raises
    ------
    InputError
        As `siting.sun.shade.shade_season`; nothing is written then.
    """
    layers = buildings, trees, walls
    relief = build_relief(grid, surface, terrain, around=reach_of(layers))
    obstacles = gather(grid, layers, relief, options)
    wanted = wanted_months(positions, months)
    names = _names(wanted, sloping=obstacles.sloping)
    blocks = _blocks(grid, len(names), memory_mb)
    # The file is closed before it takes its place: contexts end in reverse order.
    with (
        _whole_or_nothing(Path(path)) as unfinished,
        _opened(unfinished, grid, crs, names) as file,
    ):
        for i, block in enumerate(blocks):
            part = _counting(options, i, len(blocks))
            _write(file, block, season_block(obstacles, positions, wanted, block, part))
    return Path(path)


def _names(months: tuple[int, ...], *, sloping: bool) -> tuple[str, ...]:
    """Return the names of the bands, in order."""
    kinds = ["sun_hours", "beam_fraction", *(["slope_beam"] if sloping else [])]
    monthly = [f"{kind}_{month:02d}" for kind in kinds for month in months]
    return (*monthly, "sky_view", *(["slope_sky"] if sloping else []))


def _blocks(grid: LocalGrid, bands: int, memory_mb: float) -> list[Tile]:
    """Cut the raster into blocks of whole rows of the file's tiles."""
    row = bands * grid.columns * np.dtype(np.float64).itemsize
    rows = max(int(memory_mb * _MEGABYTE / row) // _SIDE, 1) * _SIDE
    return [
        Tile(top, 0, min(top + rows, grid.rows), grid.columns) for top in range(0, grid.rows, rows)
    ]


def _counting(options: ShadeOptions, block: int, blocks: int) -> ShadeOptions:
    """Make progress run on from block to block, in thousandths; blocks count alike."""
    tell = options.progress
    if tell is None:
        return options

    def count(done: int, total: int) -> None:
        tell(round(_WHOLE * (block + done / total) / blocks), _WHOLE)

    return replace(options, progress=count)


@contextmanager
def _whole_or_nothing(path: Path) -> Iterator[Path]:
    """Yield a file beside the wanted one that takes its place when all went well."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}-", suffix=".tif", dir=path.parent)
    os.close(handle)
    unfinished = Path(name)
    try:
        yield unfinished
        with unfinished.open("rb+") as file:
            os.fsync(file.fileno())
        unfinished.chmod(0o644)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)


def _opened(
    path: Path, grid: LocalGrid, crs: pyproj.CRS, names: tuple[str, ...]
) -> rasterio.io.DatasetWriter:
    """Open a tiled file with named bands."""
    cell = grid.resolution
    file = rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=grid.columns,
        height=grid.rows,
        count=len(names),
        dtype="float32",
        crs=crs.to_wkt(),
        transform=Affine(cell, 0.0, grid.west, 0.0, -cell, grid.north),
        nodata=np.nan,
        tiled=True,
        blockxsize=_SIDE,
        blockysize=_SIDE,
        compress="deflate",
        predictor=3,
        interleave="band",
        BIGTIFF="IF_SAFER",
        NUM_THREADS=1,  # so that blocks follow each other in one order
    )
    file.descriptions = names
    return file


def _write(file: rasterio.io.DatasetWriter, block: Tile, season: Season) -> None:
    """Write one block into all bands."""
    window = Window(block.left, block.top, block.shape[1], block.shape[0])
    monthly = (season.sun_hours, season.beam_fraction, season.slope_beam)
    layers: list[NDArray[np.float64]] = [layer for part in monthly if part.size for layer in part]
    layers.append(season.sky_view)
    if season.slope_sky.size:
        layers.append(season.slope_sky)
    for band, layer in enumerate(layers, start=1):
        file.write(layer.astype(np.float32), band, window=window)
