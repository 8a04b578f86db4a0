"""The user's own aerial photo, warped to the map's projection and embedded as a small JPEG."""

from __future__ import annotations

import base64
import io
import math
from typing import Any, Final

import numpy as np
import pyproj
import rasterio
from numpy.typing import NDArray
from PIL import Image, ImageColor
from rasterio.crs import CRS
from rasterio.enums import ColorInterp
from rasterio.transform import array_bounds, from_bounds
from rasterio.vrt import WarpedVRT
from rasterio.warp import Resampling, transform_bounds

from siting.handoff._map_raster import Overlay
from siting.palette import INK
from siting.planning import Plan

__all__ = ["MOST_BYTES", "aerial_overlay"]

#: The embedded picture is no larger than this.
MOST_BYTES: Final = 450_000

_MERCATOR: Final = CRS.from_epsg(3857)
_SIDES: Final = (2048, 1600, 1200, 900, 640)  # tried one after the other [pixels]
_QUALITY: Final = 78
_MARGIN: Final = 0.06  # of the property's size, shown around it
_MOST_BYTE: Final = 255
_COLOURS: Final = 3


def aerial_overlay(plan: Plan) -> Overlay | None:
    """Return the aerial photo named in the property file, for the map.

    plan: the plan, the photo is read from ``plan.settings.layers["aerial"]``. Result: a JPEG of at
    most `MOST_BYTES` around the property, in Web Mercator; None without a photo. Bands of more than
    8 bits are stretched between their 2nd and 98th percentile.
    """
    source = plan.settings.layers.get("aerial")
    if source is None:
        return None
    with rasterio.open(source.path) as photo:
        bounds = _around(plan.site.boundary.bounds, plan.site.crs)
        for side in _SIDES:
            picture, placed = _warped(photo, bounds, side)
            jpeg = _jpeg(picture)
            if len(jpeg) <= MOST_BYTES:
                break
    to_degrees = pyproj.Transformer.from_crs(3857, 4326, always_xy=True)
    (w, e), (s, n) = to_degrees.transform([placed[0], placed[2]], [placed[1], placed[3]])
    url = f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"
    return Overlay(url, ((round(s, 9), round(w, 9)), (round(n, 9), round(e, 9))))


def _around(
    bounds: tuple[float, float, float, float], crs: pyproj.CRS
) -> tuple[float, float, float, float]:
    """Return the window of the map that the photo fills, in Web Mercator."""
    west, south, east, north = bounds
    pad = _MARGIN * max(east - west, north - south)
    wide = west - pad, south - pad, east + pad, north + pad
    window: tuple[float, float, float, float] = transform_bounds(
        CRS.from_wkt(crs.to_wkt()), _MERCATOR, *wide
    )
    return window


def _warped(
    photo: Any,  # noqa: ANN401 - rasterio is not typed
    bounds: tuple[float, float, float, float],
    side: int,
) -> tuple[NDArray[np.uint8], tuple[float, float, float, float]]:
    """Return red, green and blue of a window, shape (rows, columns, 3), and where it lies."""
    west, south, east, north = bounds
    scale = side / max(east - west, north - south)
    columns = max(1, math.ceil((east - west) * scale))
    rows = max(1, math.ceil((north - south) * scale))
    transform = from_bounds(west, south, east, north, columns, rows)
    options = {"crs": _MERCATOR, "transform": transform, "width": columns, "height": rows}
    palette = photo.colorinterp[0] is ColorInterp.palette
    masked = photo.nodata is not None or ColorInterp.alpha in photo.colorinterp
    kind = Resampling.nearest if palette else Resampling.average
    with WarpedVRT(photo, resampling=kind, add_alpha=not masked, **options) as view:
        colours = [k for k, role in enumerate(view.colorinterp, 1) if role is not ColorInterp.alpha]
        bands = view.read(colours[:_COLOURS] if len(colours) >= _COLOURS else colours[:1])
        seen = view.dataset_mask() > 0
    if palette:
        table = np.zeros((256, 3), dtype=np.uint8)
        for value, colour in photo.colormap(1).items():
            table[value] = colour[:3]
        rgb = table[bands[0].astype(np.uint8)]
    else:
        rgb = np.moveaxis(_bytes(bands, seen), 0, -1)
        rgb = np.repeat(rgb, _COLOURS, axis=-1) if rgb.shape[-1] == 1 else rgb
    rgb[~seen] = ImageColor.getrgb(INK["ground"])[:3]
    return rgb, array_bounds(rows, columns, transform)


def _bytes(bands: NDArray[Any], seen: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return bands in 8 bits; others are stretched, all bands alike."""
    if bands.dtype == np.uint8:
        return np.asarray(bands).copy()
    values = bands[:, seen].astype(np.float64)
    known = values[np.isfinite(values)]
    low, high = np.percentile(known, [2, 98]) if known.size else (0.0, 1.0)
    span = max(float(high - low), 1e-9)
    share = np.nan_to_num((bands.astype(np.float64) - low) / span)
    return np.rint(np.clip(share, 0, 1) * _MOST_BYTE).astype(np.uint8)


def _jpeg(picture: NDArray[np.uint8]) -> bytes:
    """Encode a picture."""
    out = io.BytesIO()
    image = Image.fromarray(picture, "RGB")
    image.save(out, format="JPEG", quality=_QUALITY, optimize=True, subsampling=2)
    return out.getvalue()
