"""`plan.tif`: the maps of dryness and rank as a GeoTIFF."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin

from siting.handoff.atomic import atomic_path
from siting.planning import Plan

__all__ = ["write_raster"]


def write_raster(plan: Plan, path: Path) -> Path:
    """Write a GeoTIFF of two bands, dryness and rank, whole or not at all.

    It keeps the plan's own raster in its working CRS (true metres): every GIS reprojects on the
    fly, and no value is resampled.

    Parameters
    ----------
    plan : Plan
        The plan; not changed.
    path : Path
        The file.

    Returns
    -------
    Path
        The file.
    """
    grid = plan.sun.grid
    rank = plan.rank if plan.rank.shape == grid.shape else np.full(grid.shape, np.nan)
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "count": 2,
        "height": grid.rows,
        "width": grid.columns,
        "crs": rasterio.crs.CRS.from_wkt(plan.site.crs.to_wkt()),
        "transform": from_origin(grid.west, grid.north, grid.resolution, grid.resolution),
        "nodata": np.nan,
        "compress": "deflate",
        "predictor": 3,
    }
    with atomic_path(path) as part, rasterio.open(part, "w", **profile) as raster:
        bands = (
            ("dryness over the mean of all zones", plan.dryness),
            ("area rank of dryness among the admissible ground of its zone", rank),
        )
        for number, (words, values) in enumerate(bands, start=1):
            raster.write(values.astype(np.float32), number)
            raster.set_band_description(number, words)
    return path
