"""Read height rasters: any CRS and cell, brought onto a north-up raster in the working CRS."""

from __future__ import annotations

from typing import Final

import numpy as np
import pyproj
import rasterio
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.transform import from_origin
from rasterio.warp import Resampling, calculate_default_transform, reproject, transform_bounds
from rasterio.windows import Window, from_bounds

from siting.errors import Fault
from siting.site.findings import Findings
from siting.site.model import HeightRaster
from siting.site.settings import LayerSource
from siting.units import LENGTH_UNITS_M

__all__ = ["read_heights"]

#: How far around the property heights are kept [m].
MARGIN_M: Final = 200.0
#: Finer rasters are averaged to this cell, which still is half the working resolution [m].
FINEST_M: Final = 0.25
#: Heights on the earth, with room for towers [m].
LOWEST_M, HIGHEST_M = -500.0, 9500.0


def read_heights(
    name: str,
    source: LayerSource,
    file: str,
    crs: pyproj.CRS,
    bounds: tuple[float, float, float, float],
    findings: Findings,
) -> HeightRaster | None:
    """Read a raster of heights around the property.

    Parameters
    ----------
    name : str
        "surface" or "terrain".
    source : LayerSource
        Where it is, and the unit of its heights.
    file : str
        Its name, for messages.
    crs : pyproj.CRS
        Working CRS.
    bounds : tuple of float
        West, south, east, north of the property [m].
    findings : Findings
        Where faults are noted: unreadable, no CRS, not on the property, heights that cannot be.

    Returns
    -------
    HeightRaster or None
        Heights [m] within 200 m of the property, NaN where the file has none; None when the raster
        is refused.
    """
    west, south, east, north = bounds
    around = west - MARGIN_M, south - MARGIN_M, east + MARGIN_M, north + MARGIN_M
    try:
        with rasterio.open(source.path) as raster:
            if raster.crs is None:
                found, mend = "no coordinate reference system", "Assign the CRS it was made in."
                _fault(name, file, found, "a raster that says its CRS", mend, findings)
                return None
            heights = _warp(raster, crs, around)
    except RasterioError as error:
        found = f"a file that cannot be read ({str(error).splitlines()[0]})"
        _fault(name, file, found, "a GeoTIFF of heights", "Export it again.", findings)
        return None
    return _checked(name, file, source, heights, bounds, findings)


def _fault(name: str, file: str, found: str, allowed: str, mend: str, findings: Findings) -> None:
    findings.faults.append(Fault(file, found, allowed, mend, layer=name))


def _warp(
    raster: rasterio.DatasetReader,
    crs: pyproj.CRS,
    around: tuple[float, float, float, float],
) -> HeightRaster | None:
    """Return the raster's part around the property in the working CRS; None when there is none."""
    target = rasterio.crs.CRS.from_wkt(crs.to_wkt())
    inside = transform_bounds(target, raster.crs, *around)
    window = _window(raster, inside)
    if window is None:
        return None
    part = raster.read(1, window=window, masked=True).astype(np.float64).filled(np.nan)
    part = part * raster.scales[0] + raster.offsets[0]
    transform = raster.window_transform(window)
    height, width = part.shape
    corners = rasterio.transform.array_bounds(height, width, transform)
    native, _, _ = calculate_default_transform(raster.crs, target, width, height, *corners)
    cell = max(abs(native.a), FINEST_M)
    west, south, east, north = around
    columns, rows = int(np.ceil((east - west) / cell)), int(np.ceil((north - south) / cell))
    heights = np.full((rows, columns), np.nan)
    reproject(
        part,
        heights,
        src_transform=transform,
        src_crs=raster.crs,
        src_nodata=np.nan,
        dst_transform=from_origin(west, north, cell, cell),
        dst_crs=target,
        dst_nodata=np.nan,
        resampling=Resampling.average if abs(native.a) < FINEST_M else Resampling.bilinear,
        num_threads=1,
    )
    return HeightRaster(heights, west, north, cell, cell)


def _window(
    raster: rasterio.DatasetReader, inside: tuple[float, float, float, float]
) -> Window | None:
    """Return the cells around the property, two more on each side for the interpolation."""
    wanted = from_bounds(*inside, transform=raster.transform) if _upright(raster) else None
    if wanted is None:
        return Window(0, 0, raster.width, raster.height)
    left = max(int(np.floor(wanted.col_off)) - 2, 0)
    top = max(int(np.floor(wanted.row_off)) - 2, 0)
    right = min(int(np.ceil(wanted.col_off + wanted.width)) + 2, raster.width)
    bottom = min(int(np.ceil(wanted.row_off + wanted.height)) + 2, raster.height)
    return Window(left, top, right - left, bottom - top) if right > left and bottom > top else None


def _upright(raster: rasterio.DatasetReader) -> bool:
    turned = raster.transform
    return bool(turned.b == 0 and turned.d == 0 and turned.a > 0 and turned.e < 0)


def _checked(
    name: str,
    file: str,
    source: LayerSource,
    raster: HeightRaster | None,
    bounds: tuple[float, float, float, float],
    findings: Findings,
) -> HeightRaster | None:
    known = _share_known(raster, bounds) if raster else 0.0
    if raster is None or known == 0.0:
        mend = "Give the raster its right CRS, or choose another."
        _fault(name, file, "no heights on the property", "a raster that covers it", mend, findings)
        return None
    heights = raster.heights * LENGTH_UNITS_M[source.length_unit]
    low, high = float(np.nanmin(heights)), float(np.nanmax(heights))
    if low < LOWEST_M or high > HIGHEST_M:
        found, mend = (
            f"heights from {low:g} to {high:g} m",
            "Declare the no-data value of the file.",
        )
        allowed = f"heights from {LOWEST_M:g} to {HIGHEST_M:g} m"
        _fault(name, file, found, allowed, mend, findings)
        return None
    if source.length_unit != "m":
        findings.warn(f"{file}, {name}: heights were taken in {source.length_unit}.")
    if known < 1.0:
        findings.warn(f"{file}, {name}: {1 - known:.1%} of the property has no height.")
    return HeightRaster(heights, raster.west, raster.north, raster.cell_x, raster.cell_y)


def _share_known(raster: HeightRaster, bounds: tuple[float, float, float, float]) -> float:
    """Return which share of the property's bounding box has a height."""
    west, south, east, north = bounds
    left, right = (int((x - raster.west) / raster.cell_x) for x in (west, east))
    top, bottom = (int((raster.north - y) / raster.cell_y) for y in (north, south))
    part: NDArray[np.float64] = raster.heights[top : bottom + 1, left : right + 1]
    return float(np.isfinite(part).mean()) if part.size else 0.0
