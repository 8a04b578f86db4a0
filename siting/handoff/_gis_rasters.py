"""Dryness, its rank and sun-hours as Cloud-Optimized GeoTIFF, in the property's own CRS."""

from __future__ import annotations

from calendar import month_name
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pyproj
import rasterio.shutil
from numpy.typing import NDArray
from rasterio.crs import CRS
from rasterio.io import MemoryFile
from rasterio.transform import from_origin
from rasterio.warp import Resampling, calculate_default_transform, reproject

from siting.atomic import atomic_path
from siting.planning import Plan
from siting.site.model import LocalGrid
from siting.sun.model import SunShade

__all__ = [
    "STEP",
    "Bands",
    "sun_bands",
    "write_bands",
    "write_dryness",
    "write_rank",
    "write_sun_hours",
]

#: Description, unit and values of each band.
Bands = Sequence[tuple[str, str, NDArray[np.float64]]]
_BLOCK: Final = 256
#: Values are kept in steps of this, far finer than they are known; files get a third smaller.
STEP: Final = 1 / 256
_OPTIONS: Final = {
    "driver": "COG",
    "compress": "DEFLATE",
    "predictor": "YES",
    "level": "9",
    "blocksize": str(_BLOCK),
    "overview_resampling": "AVERAGE",
    "num_threads": "1",
}


def write_dryness(plan: Plan, path: Path) -> Path:
    """Write how dry every place is against the property's mean.

    Result: the file: one band, NaN outside the zones.
    """
    bands = [("Dryness relative to the property's mean [1]", "1", plan.dryness)]
    return write_bands(bands, plan.sun.grid, plan.site.crs, plan.site.source_crs, path)


def write_rank(plan: Plan, path: Path) -> Path:
    """Write how dry every place is among the ground of its zone that meets every setback.

    Result: the file: one band, 0 (wettest) to 1 (driest), NaN outside the zones.
    """
    grid = plan.sun.grid
    rank = plan.rank if plan.rank.shape == grid.shape else np.full(grid.shape, np.nan)
    bands = [("Area rank of dryness among the admissible ground of its zone [1]", "1", rank)]
    return write_bands(bands, grid, plan.site.crs, plan.site.source_crs, path)


def write_sun_hours(plan: Plan, path: Path) -> Path:
    """Write the direct sun of every month of the season, and their mean in the first band.

    Result: the file: 1 + M bands [h/d], NaN on roofs.
    """
    return write_bands(
        sun_bands(plan.sun), plan.sun.grid, plan.site.crs, plan.site.source_crs, path
    )


def sun_bands(sun: SunShade) -> Bands:
    """Return the bands of direct sun: the season's mean, then every month.

    Result: description, unit and values of 1 + M bands [h/d], shape (rows, columns).
    """
    bands = [("Direct sun, mean of the season's months [h/d]", "h/d", sun.sun_hours.mean(axis=0))]
    bands += [
        (f"Direct sun, {month_name[month]} [h/d]", "h/d", hours)
        for month, hours in zip(sun.months, sun.sun_hours, strict=True)
    ]
    return bands


def write_bands(
    bands: Bands,
    grid: LocalGrid,
    crs: pyproj.CRS,
    target: pyproj.CRS,
    path: Path,
) -> Path:
    """Warp bands to a CRS without mixing cells, and write them.

    bands (rows, columns): description, unit and values of each band.
    """
    source, wanted = CRS.from_wkt(crs.to_wkt()), CRS.from_wkt(target.to_wkt())
    transform, columns, rows = calculate_default_transform(
        source, wanted, grid.columns, grid.rows, *grid.bounds
    )
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": len(bands), "nodata": np.nan,
        "crs": wanted, "transform": transform, "width": columns, "height": rows,
    }  # fmt: skip
    with MemoryFile() as memory, atomic_path(path) as part:
        with memory.open(**profile) as raster:
            for number, (description, unit, values) in enumerate(bands, start=1):
                warped = np.full((rows, columns), np.nan, dtype=np.float32)
                reproject(
                    np.ascontiguousarray(np.round(values / STEP) * STEP, dtype=np.float32),
                    warped,
                    src_transform=from_origin(
                        grid.west, grid.north, grid.resolution, grid.resolution
                    ),
                    src_crs=source,
                    src_nodata=np.nan,
                    dst_transform=transform,
                    dst_crs=wanted,
                    dst_nodata=np.nan,
                    resampling=Resampling.nearest,
                    num_threads=1,
                )
                raster.write(warped, number)
                raster.set_band_description(number, description)
                raster.set_band_unit(number, unit)
        rasterio.shutil.copy(memory.name, str(part), **_OPTIONS)
    return path
