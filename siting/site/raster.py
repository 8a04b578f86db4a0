"""Read rasters: heights and aerial pictures, brought onto the property's own grid."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, NoReturn

import numpy as np
import pyproj
import rasterio
from rasterio.crs import CRS
from rasterio.enums import ColorInterp
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.transform import from_origin
from rasterio.warp import Resampling, calculate_default_transform, reproject, transform_bounds
from rasterio.windows import Window
from shapely.geometry import box

from siting.arrays import Floats
from siting.errors import Fault, Findings, InputError, brief, limit
from siting.site.model import DATUM_LIMIT_M, HeightRaster
from siting.site.settings import LayerSource
from siting.site.vector import Refusal, raster_driver
from siting.units import LENGTH_UNITS_M

#: How far around the property heights are kept [m].
MARGIN_M: Final = 200.0
#: Finer rasters are averaged to this cell, which still is half the working resolution [m].
FINEST_M: Final = 0.25
#: Heights on the earth, with room for towers [m].
LOWEST_M, HIGHEST_M = -500.0, 9500.0
#: A surface lower than the terrain by this, or higher by that, is of another unit or datum [m].
BELOW_M, FAR_ABOVE_M = 1.0, 150.0
#: A surface needs this many cells across the property to show what shades it, and a raster heights
#: on this share of it; judgement, not published limits.
CELLS_ACROSS, LEAST_KNOWN = 10, 1 / 3
#: Where all other heights are above this, zeros are holes [m].
ZERO_M, HOLES = 30.0, 0.001
_MB: Final = 1_000_000


def read_heights(
    name: str,
    source: LayerSource,
    file: str,
    crs: pyproj.CRS,
    bounds: tuple[float, float, float, float],
    findings: Findings,
) -> HeightRaster | None:
    """Read a raster of heights around the property.

    bounds: west, south, east, north of the property [m]. Returns heights [m] within 200 m of the
    property, NaN where the file has none, None when the raster is refused.
    """
    west, south, east, north = bounds
    around = west - MARGIN_M, south - MARGIN_M, east + MARGIN_M, north + MARGIN_M
    driver = raster_driver(source.path)
    if isinstance(driver, Refusal):
        _fault(name, file, driver.found, "a GeoTIFF of heights", driver.mend, findings)
        return None
    try:
        with rasterio.open(source.path, driver=driver) as raster:
            refusal = _not_heights(raster)
            window = None if refusal else _around(raster, crs, around)
            refusal = refusal or _too_much(raster, window)
            if refusal is not None:
                allowed = "a raster of heights that says its CRS"
                _fault(name, file, refusal.found, allowed, refusal.mend, findings)
                return None
            if raster.count > 1:
                findings.warn(f"{file}, {name}: heights were taken from band 1 of {raster.count}.")
            heights = None if window is None else _warp(raster, crs, around, window)
    except (RasterioError, MemoryError) as error:
        found = unreadable(error, source.path, file)
        _fault(name, file, found, "a GeoTIFF of heights", "Export it again.", findings)
        return None
    return _checked(name, file, source, heights, bounds, findings)


def unreadable(error: Exception, path: Path, file: str) -> str:
    """Say why a raster cannot be read, in one line, with the name of its file."""
    said = (str(error).splitlines() or ["too large"])[0].replace(str(path), file)
    return f"a file that cannot be read ({brief(said, most=160)})"


#: Cells of a height raster that are read at once for one building or tree.
_CELLS_AT_ONCE: Final = 1_000_000


@contextmanager
def open_heights(path: Path) -> Iterator[DatasetReader]:
    """Open a raster of heights, of which parts are read by `heights_in`.

    Parameters
    ----------
    path : Path
        The file.

    Yields
    ------
    rasterio.io.DatasetReader
        Open; its band 1 holds heights, and it says where they are.

    Raises
    ------
    InputError
        When the file is no raster of heights, or cannot be read.
    """
    driver = raster_driver(path)
    if isinstance(driver, Refusal):
        _refuse(path, driver.found, driver.mend)
    try:
        with rasterio.open(path, driver=driver) as raster:
            refusal = _not_heights(raster) or _too_much(raster, None)
            if refusal is not None:
                _refuse(path, refusal.found, refusal.mend)
            yield raster
    except (RasterioError, MemoryError) as error:
        _refuse(path, unreadable(error, path, path.name), "Export it again.")


def _refuse(path: Path, found: str, mend: str) -> NoReturn:
    raise InputError([Fault(path.name, found, "a GeoTIFF of heights that says its CRS", mend)])


def heights_in(
    raster: DatasetReader, crs: pyproj.CRS, bounds: tuple[float, float, float, float]
) -> HeightRaster | None:
    """Return the heights within some bounds, of a raster of any size.

    Parameters
    ----------
    raster : rasterio.io.DatasetReader
        As from `open_heights`.
    crs : pyproj.CRS
        Projected, in metres: of the bounds and of the answer.
    bounds : tuple of float
        West, south, east, north [m].

    Returns
    -------
    HeightRaster or None
        In the unit of the file, NaN where it has none; None where the raster does not lie there.
        Of a part with more than a million cells every so many are read.
    """
    window = _around(raster, crs, bounds)
    return None if window is None else _warp(raster, crs, bounds, window, _CELLS_AT_ONCE)


def check_pair(
    surface: HeightRaster | None,
    terrain: HeightRaster | None,
    bounds: tuple[float, float, float, float],
    file: str,
    findings: Findings,
) -> None:
    """Refuse a surface that lies below the terrain, or above the sea where there is none.

    bounds: west, south, east, north of the property [m].
    """
    if surface is None:
        return
    if terrain is None:
        _check_alone(surface, bounds, file, findings)
        return
    above = float(np.nanmedian(surface.heights) - np.nanmedian(terrain.heights))
    if above < -BELOW_M:
        found = f"a surface that lies {-above:.1f} m below the terrain, on the whole"
        mend = (
            "Perhaps the two are swapped, or one is in feet: "
            'units_in = { surface = "ft" } or { terrain = "ft" }.'
        )
        _fault("surface", file, found, "heights at or above the terrain", mend, findings)
    elif above > FAR_ABOVE_M:
        found = f"a surface that lies {above:.0f} m above the terrain, on the whole"
        mend = (
            "Perhaps one is in feet, or above another datum: "
            'units_in = { surface = "ft" } or { terrain = "ft" }.'
        )
        _fault("surface", file, found, "heights of the same terrain", mend, findings)


def _check_alone(
    surface: HeightRaster,
    bounds: tuple[float, float, float, float],
    file: str,
    findings: Findings,
) -> None:
    """Refuse heights above the sea where only heights above the ground make sense."""
    west, south, east, north = bounds
    rows, columns = surface.heights.shape
    x = surface.west + (np.arange(columns) + 0.5) * surface.cell_x
    y = surface.north - (np.arange(rows) + 0.5) * surface.cell_y
    half_x, half_y = surface.cell_x / 2, surface.cell_y / 2
    inside = surface.heights[
        np.ix_(
            (y > south - half_y) & (y < north + half_y), (x > west - half_x) & (x < east + half_x)
        )
    ]
    lowest = float(np.nanmin(inside, initial=np.inf))
    if np.isfinite(lowest) and abs(lowest) > DATUM_LIMIT_M:
        found = f"a lowest height of {lowest:.0f} m and no terrain"
        allowed = "heights above the ground, or a terrain beside the surface"
        mend = "Add the terrain layer, or make the surface's heights ones above the ground."
        _fault("surface", file, found, allowed, mend, findings)


def _not_heights(raster: rasterio.DatasetReader) -> Refusal | None:
    """Return why a raster holds no heights."""
    if raster.crs is None:
        return Refusal("no coordinate reference system", "Assign the CRS it was made in.")
    colours = {ColorInterp.red, ColorInterp.green, ColorInterp.blue, ColorInterp.palette}
    if raster.count == 0 or colours & set(raster.colorinterp):
        return Refusal("a picture, not heights", "Choose the raster of heights.")
    if np.issubdtype(np.dtype(raster.dtypes[0]), np.complexfloating):
        return Refusal("complex numbers, not heights", "Choose the raster of heights.")
    if not raster.scales[0] or not np.isfinite([raster.scales[0], raster.offsets[0]]).all():
        return Refusal(f"a scale of {raster.scales[0]:g}", "Correct the scale of the file.")
    return None


def _around(
    raster: rasterio.DatasetReader, crs: pyproj.CRS, around: tuple[float, float, float, float]
) -> Window | None:
    target = rasterio.crs.CRS.from_wkt(crs.to_wkt())
    return _window(raster, transform_bounds(target, raster.crs, *around))


def heavy_block(raster: rasterio.DatasetReader) -> Refusal | None:
    """Return why a block of a raster, which is unpacked whole, would take too much memory."""
    block = float(np.prod(raster.block_shapes[0])) * np.dtype(raster.dtypes[0]).itemsize / _MB
    if block <= limit("block_mb"):
        return None
    found = f"a block of {block:,.0f} MB (at most {limit('block_mb'):,.0f} MB)"
    return Refusal(found, "Export it in tiles, as a cloud-optimised GeoTIFF.")


def _too_much(raster: rasterio.DatasetReader, window: Window | None) -> Refusal | None:
    """Return why a raster would take too much memory, or says too little."""
    heavy = heavy_block(raster)
    if heavy is not None or window is None:
        return heavy
    cells = window.width * window.height
    if cells > limit("raster_cells"):
        found = f"{cells:,.0f} cells around the property (at most {limit('raster_cells'):,.0f})"
        return Refusal(found, "Resample it to cells of 0.25 m or more.")
    return None


def _fault(name: str, file: str, found: str, allowed: str, mend: str, findings: Findings) -> None:
    findings.faults.append(Fault(file, found, allowed, mend, layer=name))


def _warp(
    raster: rasterio.DatasetReader,
    crs: pyproj.CRS,
    around: tuple[float, float, float, float],
    window: Window,
    most: float = math.inf,
) -> HeightRaster:
    """Return the raster's part around the property in the working CRS.

    most: cells of it that are read at most, of a larger part every so many.
    """
    target = rasterio.crs.CRS.from_wkt(crs.to_wkt())
    thin = max(1.0, math.sqrt(window.width * window.height / most))
    height, width = (max(1, round(side / thin)) for side in (window.height, window.width))
    part = raster.read(1, window=window, out_shape=(height, width), masked=True)
    part = part.astype(np.float64).filled(np.nan) * raster.scales[0] + raster.offsets[0]
    transform = raster.window_transform(window)
    transform *= transform.scale(window.width / width, window.height / height)
    corners = rasterio.transform.array_bounds(height, width, transform)
    native, _, _ = calculate_default_transform(raster.crs, target, width, height, *corners)
    west, south, east, north = around
    # Never more cells than the limit, however large the property is.
    least = np.sqrt((east - west) * (north - south) / limit("raster_cells"))
    cell = float(max(abs(native.a), FINEST_M, least))
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
    west, south, east, north = inside
    turn = ~raster.transform
    places = [
        turn * corner for corner in ((west, north), (east, north), (east, south), (west, south))
    ]
    columns, rows = np.array(places).T
    left, top = max(int(np.floor(columns.min())) - 2, 0), max(int(np.floor(rows.min())) - 2, 0)
    right = min(int(np.ceil(columns.max())) + 2, raster.width)
    bottom = min(int(np.ceil(rows.max())) + 2, raster.height)
    return Window(left, top, right - left, bottom - top) if right > left and bottom > top else None


def _checked(
    name: str,
    file: str,
    source: LayerSource,
    raster: HeightRaster | None,
    bounds: tuple[float, float, float, float],
    findings: Findings,
) -> HeightRaster | None:
    known = _share_known(raster, bounds) if raster else 0.0
    if raster is not None and np.isinf(raster.heights).any():
        mend = "Declare the no-data value of the file."
        _fault(name, file, "infinite heights (inf)", "heights in m", mend, findings)
        return None
    if raster is None or known == 0.0:
        mend = "Give the raster its right CRS, or choose another."
        _fault(name, file, "no heights on the property", "a raster that covers it", mend, findings)
        return None
    heights = raster.heights * LENGTH_UNITS_M[source.length_unit]
    low, high = float(np.nanmin(heights)), float(np.nanmax(heights))
    zero, middle = heights == 0.0, float(np.nanmedian(heights))
    others = heights[np.isfinite(heights) & ~zero]
    if zero.mean() > HOLES and low == 0.0 and others.size and np.quantile(others, 0.05) > ZERO_M:
        found = f"{zero.mean():.0%} of the cells exactly 0 m, the others around {middle:.0f} m"
        mend = "Declare 0 as the no-data value of the file."
        _fault(name, file, found, "heights without holes", mend, findings)
        return None
    thin = _too_thin(name, raster, bounds, known)
    if thin is not None:
        _fault(name, file, *thin, findings)
        return None
    if low < LOWEST_M or high > HIGHEST_M:
        found = f"heights from {low:g} to {high:g} m"
        mend = "Declare the no-data value of the file."
        allowed = f"heights from {LOWEST_M:g} to {HIGHEST_M:g} m"
        _fault(name, file, found, allowed, mend, findings)
        return None
    if source.length_unit != "m":
        findings.warn(f"{file}, {name}: heights were taken in {source.length_unit}.")
    if known < 1.0:
        findings.warn(f"{file}, {name}: {1 - known:.1%} of the property has no height.")
    return HeightRaster(heights, raster.west, raster.north, raster.cell_x, raster.cell_y)


def _too_thin(
    name: str, raster: HeightRaster, bounds: tuple[float, float, float, float], known: float
) -> tuple[str, str, str] | None:
    """Return what is found, allowed and how to mend it, where a raster says too little."""
    cell, side = (
        max(raster.cell_x, raster.cell_y),
        min(bounds[2] - bounds[0], bounds[3] - bounds[1]),
    )
    if cell > limit("raster_cell_m"):
        allowed = f"cells of at most {limit('raster_cell_m'):g} m"
        return f"cells of {cell:,.0f} m", allowed, "Take a finer model of heights."
    if name == "surface" and cell * CELLS_ACROSS > side:
        found = f"cells of {cell:.3g} m on a property {side:.0f} m across"
        allowed = f"cells of at most {side / CELLS_ACROSS:.2g} m, which show what shades it"
        return found, allowed, "Take a finer surface, or leave it out."
    if known < LEAST_KNOWN:
        allowed = f"heights on at least {LEAST_KNOWN:.0%} of it"
        mend = "Take a raster that covers the property, or leave it out."
        return f"heights on {known:.0%} of the property", allowed, mend
    return None


def _share_known(raster: HeightRaster, bounds: tuple[float, float, float, float]) -> float:
    """Return which share of the property's bounding box has a height."""
    west, south, east, north = bounds
    left, right = (int((x - raster.west) / raster.cell_x) for x in (west, east))
    top, bottom = (int((raster.north - y) / raster.cell_y) for y in (north, south))
    part: Floats = raster.heights[top : bottom + 1, left : right + 1]
    return float(np.isfinite(part).mean()) if part.size else 0.0


_ALLOWED = "a GeoTIFF picture (grey, palette or red, green, blue) that says its CRS and covers it"


def check_picture(
    source: LayerSource,
    file: str,
    crs: pyproj.CRS,
    bounds: tuple[float, float, float, float],
    findings: Findings,
) -> None:
    """Note what is wrong with an aerial picture.

    bounds: west, south, east, north of the property [m].
    """
    driver = raster_driver(source.path)
    if isinstance(driver, Refusal):
        findings.faults.append(Fault(file, driver.found, _ALLOWED, driver.mend, layer="aerial"))
        return
    try:
        with rasterio.open(source.path, driver=driver) as picture:
            share = _covered(picture, crs, bounds)
    except RasterioError as error:
        said = str(error).splitlines()[0].replace(str(source.path), file)
        found = f"a file that cannot be read ({brief(said, most=160)})"
        mend = "Export it again as a GeoTIFF."
    else:
        if share is None:
            found, mend = "no coordinate reference system", "Assign the CRS it was made in."
        elif share > 0:
            if share < 1:
                findings.warn(f"{file}, aerial: {1 - share:.0%} of the property has no picture.")
            return
        else:
            found, mend = "a picture of somewhere else", "Give it its right CRS."
    findings.faults.append(Fault(file, found, _ALLOWED, mend, layer="aerial"))


def _covered(
    picture: DatasetReader, crs: pyproj.CRS, bounds: tuple[float, float, float, float]
) -> float | None:
    """Return the share of the property that a picture covers, None where it has no CRS."""
    if picture.crs is None:
        return None
    working = CRS.from_wkt(crs.to_wkt())
    wanted = box(*transform_bounds(working, picture.crs, *bounds))
    return float(wanted.intersection(box(*picture.bounds)).area / wanted.area)
