"""Overlays of the map: rasters warped to the map's projection, coloured, as embedded pictures."""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass

import numpy as np
import pyproj
from numpy.typing import NDArray
from PIL import Image
from rasterio.features import geometry_mask
from rasterio.transform import Affine, array_bounds, from_origin
from rasterio.warp import Resampling, calculate_default_transform, reproject
from shapely.geometry.base import BaseGeometry

from siting.palette import ramp_rgb
from siting.site.model import LocalGrid

__all__ = ["Overlay", "Scale", "clip_to", "nice_scale", "overlay"]

_MERCATOR = pyproj.CRS.from_epsg(3857)
_SHADES = 64  # a palette picture is a third of the size of a full-colour one
_MAX_PIXELS = 1_000_000
_NICE = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True)
class Scale:
    """A labelled colour scale.

    low, high: values at the ends; ticks: values to label, the ends among them; decimals: digits
    that the labels need.
    """

    low: float
    high: float
    ticks: tuple[float, ...]
    decimals: int

    def fraction(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where values lie on the scale.

        Result: 0 at the low end, 1 at the high end; NaN stays NaN [-].
        """
        placed: NDArray[np.float64] = (values - self.low) / (self.high - self.low)
        return placed


@dataclass(frozen=True)
class Overlay:
    """A picture and where it lies.

    url: the picture as a data URI; bounds: ((south, west), (north, east)) [deg].
    """

    url: str
    bounds: tuple[tuple[float, float], tuple[float, float]]


def nice_scale(low: float, high: float, *, intervals: int = 4) -> Scale:
    """Return a scale with round ends that covers a range.

    >>> nice_scale(0.0, 31.4).ticks
    (0.0, 10.0, 20.0, 30.0, 40.0)
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = 0.0, 1.0
    if high - low < 1e-9 * max(1.0, abs(high)):
        low, high = low - 0.5, high + 0.5
    rough = (high - low) / intervals
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(k * power for k in _NICE if k * power >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) + (step / power == _NICE[2])
    ticks = tuple(round(k * step, 10) for k in range(first, last + 1))
    return Scale(ticks[0], ticks[-1], ticks, decimals)


def clip_to(
    values: NDArray[np.float64], grid: LocalGrid, area: BaseGeometry
) -> NDArray[np.float64]:
    """Return the values with everything outside an area unknown.

    values (rows, columns): on the grid. Result: NaN outside, shape (rows, columns).
    """
    outside = geometry_mask([area], grid.shape, _affine(grid))
    return np.where(outside, np.nan, values)


def overlay(
    values: NDArray[np.float64],
    grid: LocalGrid,
    crs: pyproj.CRS,
    *,
    scale: Scale,
    ramp: tuple[str, ...],
    shades: int = _SHADES,
) -> Overlay:
    """Warp a raster to Web Mercator and colour it.

    values (rows, columns): on the grid, NaN is left clear. Result: the picture as a data URI, and
    its bounds.
    """
    source = _affine(grid)
    transform, columns, rows = calculate_default_transform(
        crs.to_wkt(), _MERCATOR.to_wkt(), grid.columns, grid.rows, *grid.bounds
    )
    coarser = math.sqrt(max(1.0, columns * rows / _MAX_PIXELS))
    columns, rows = math.ceil(columns / coarser), math.ceil(rows / coarser)
    a, _, c, _, e, f = tuple(transform)[:6]  # north is up on both sides
    transform = Affine(a * coarser, 0.0, c, 0.0, e * coarser, f)
    warped = np.full((rows, columns), np.nan)
    reproject(
        np.ascontiguousarray(values, dtype=np.float64),
        warped,
        src_transform=source,
        src_crs=crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=transform,
        dst_crs=_MERCATOR.to_wkt(),
        dst_nodata=np.nan,
        resampling=Resampling.bilinear if shades == _SHADES else Resampling.nearest,
        num_threads=1,
    )
    west, south, east, north = array_bounds(rows, columns, transform)
    to_degrees = pyproj.Transformer.from_crs(_MERCATOR, 4326, always_xy=True)
    (w, e), (s, n) = to_degrees.transform([west, east], [south, north])
    picture = base64.b64encode(_png(scale.fraction(warped), ramp, shades)).decode("ascii")
    bounds = ((round(s, 9), round(w, 9)), (round(n, 9), round(e, 9)))
    return Overlay(f"data:image/png;base64,{picture}", bounds)


def _affine(grid: LocalGrid) -> Affine:
    return from_origin(grid.west, grid.north, grid.resolution, grid.resolution)


def _png(fraction: NDArray[np.float64], ramp: tuple[str, ...], shades: int) -> bytes:
    """Return a palette PNG; the last colour of the palette is clear."""
    known = np.isfinite(fraction)
    level = np.rint(np.clip(np.where(known, fraction, 0.0), 0.0, 1.0) * (shades - 1))
    index = np.where(known, level, shades).astype(np.uint8)
    colours = ramp_rgb(ramp, np.linspace(0.0, 1.0, shades))
    image = Image.fromarray(index)
    image.putpalette([*colours.ravel().tolist(), 0, 0, 0], "RGB")
    buffer = io.BytesIO()
    image.save(buffer, format="PNG", transparency=shades, compress_level=9)
    return buffer.getvalue()
