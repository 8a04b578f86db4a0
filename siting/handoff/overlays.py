"""Pictures under the map: rank, aerial, sun by the month, crowns, background tiles.

All pictures and files of a plan's rasters show one grid, so its cells' numbers are warped, and
every raster is read through them: the same values as warping each, in a fraction of the time.
Where all pictures are kept from an earlier run none is drawn, and what draws them is not loaded.
"""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import TYPE_CHECKING, Any, Final, TypeVar
from urllib.parse import urlsplit

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from numpy.typing import NDArray
from PIL import Image, ImageColor
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats, Ints
from siting.handoff.facts import is_crowded
from siting.language import say
from siting.palette import INK, SUN, ramp_rgb
from siting.planning.model import Plan
from siting.site.crs import WGS84, transformer
from siting.site.model import LocalGrid
from siting.stages import kept_beside
from siting.sun.position import YEAR, sun_at
from siting.sun.scene import bare_transmissivity, leaf_months
from siting.sun.shade import shade_instants

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rasterio.transform import Affine
    from xyzservices import TileProvider

_K = TypeVar("_K", bound=np.floating[Any])
#: Bytes of a cell's number, as of the values that are laid: GDAL cuts its work by them.
_KINDS = {4: np.int32, 8: np.float64}
#: Stands where no cell of the grid does.
_NONE = -1


def affine(grid: LocalGrid) -> Affine:
    """Return where the cells of a grid lie."""
    from rasterio.transform import from_origin  # noqa: PLC0415 - only where pictures are drawn

    return from_origin(grid.west, grid.north, grid.resolution, grid.resolution)


@lru_cache(maxsize=8)
def raster_in(grid: LocalGrid, crs: str, target: str) -> tuple[Affine, int, int]:
    """Return the raster of another frame that a grid fills: where it lies, columns and rows.

    crs, target: the two frames of reference as WKT.
    """
    from rasterio.warp import calculate_default_transform  # noqa: PLC0415 - as above

    transform, columns, rows = calculate_default_transform(
        crs, target, grid.columns, grid.rows, *grid.bounds
    )
    return transform, int(columns), int(rows)


@lru_cache(maxsize=4)
def _cells(
    grid: LocalGrid, crs: str, target: str, transform: Affine, shape: tuple[int, int], size: int
) -> Ints:
    """Return the number of the cell that each place shows, -1 where none, shape (rows, columns)."""
    from rasterio.warp import Resampling, reproject  # noqa: PLC0415 - as above

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


_MAP_EPSG: Final = "EPSG:3857"
_MAP_CRS = pyproj.CRS.from_user_input(_MAP_EPSG)
_MAP_WKT: Final = _MAP_CRS.to_wkt()
_SHADES = 64  # a palette picture is a third of the size of a full-colour one
_MAX_PIXELS = 1_000_000
_NICE = (1.0, 2.0, 2.5, 5.0, 10.0)
#: (south, west), (north, east) [deg].
_Corners = tuple[tuple[float, float], tuple[float, float]]


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

    def fraction(self, values: Floats) -> Floats:
        """Return where values lie on the scale.

        Result: 0 at the low end, 1 at the high end; NaN stays NaN [-].
        """
        placed: Floats = (values - self.low) / (self.high - self.low)
        return placed


#: A picture as the page takes it: url, a data URI; bounds, [[south, west], [north, east]] [deg].
Overlay = dict[str, Any]


def nice_scale(low: float, high: float) -> Scale:
    """Return a scale with round ends that covers a range.

    >>> nice_scale(0.0, 31.4).ticks
    (0.0, 10.0, 20.0, 30.0, 40.0)
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = 0.0, 1.0
    if high - low < 1e-9 * max(1.0, abs(high)):
        low, high = low - 0.5, high + 0.5
    rough = (high - low) / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(k * power for k in _NICE if k * power >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) + (step / power == _NICE[2])
    ticks = tuple(round(k * step, 10) for k in range(first, last + 1))
    return Scale(ticks[0], ticks[-1], ticks, decimals)


def clip_to(values: Floats, grid: LocalGrid, area: BaseGeometry) -> Floats:
    """Return the values with everything outside an area unknown.

    values (rows, columns): on the grid. Result: NaN outside, shape (rows, columns).
    """
    return np.where(_outside(grid, area), np.nan, values)


@lru_cache(maxsize=4)
def _outside(grid: LocalGrid, area: BaseGeometry) -> Flags:
    """Tell which cells lie outside an area, shape (rows, columns)."""
    from rasterio.features import geometry_mask  # noqa: PLC0415 - as above

    return np.asarray(geometry_mask([area], grid.shape, affine(grid)), dtype=np.bool_)


def overlay(
    values: Floats,
    grid: LocalGrid,
    crs: pyproj.CRS,
    *,
    scale: Scale,
    ramp: tuple[str, ...],
    shades: int = _SHADES,
    within: BaseGeometry | None = None,
) -> Overlay:
    """Warp a raster to Web Mercator and colour it.

    values (rows, columns): on the grid, NaN is left clear, as is all that lies outside an area.
    Result: the picture as a data URI, and its bounds.
    """
    made = partial(_overlay, values, grid, crs, scale, ramp, shades, within)
    return kept_beside("picture", made, values, grid, crs.to_wkt(), scale, ramp, shades, within)


def _overlay(
    values: Floats,
    grid: LocalGrid,
    crs: pyproj.CRS,
    scale: Scale,
    ramp: tuple[str, ...],
    shades: int,
    within: BaseGeometry | None,
) -> Overlay:
    """Return the picture of a raster, made now."""
    from rasterio.warp import Resampling, reproject  # noqa: PLC0415 - as above

    transform, columns, rows, bounds = _on_the_map(grid, wkt := crs.to_wkt())
    plain = np.ascontiguousarray(values, dtype=np.float64)
    if within is not None:
        plain = clip_to(plain, grid, within)
    if shades != _SHADES:
        cells = _cells(grid, wkt, _MAP_WKT, transform, (rows, columns), plain.dtype.itemsize)
        level = np.ravel(_levels(scale.fraction(plain), shades))[cells]
        level[cells == _NONE] = shades
    else:
        warped = np.full((rows, columns), np.nan)
        reproject(
            plain,
            warped,
            src_transform=affine(grid),
            src_crs=wkt,
            src_nodata=np.nan,
            dst_transform=transform,
            dst_crs=_MAP_WKT,
            dst_nodata=np.nan,
            resampling=Resampling.bilinear,
            num_threads=1,
        )
        level = _levels(scale.fraction(warped), shades)
    picture = base64.b64encode(_png(level, ramp, shades)).decode("ascii")
    return {"url": f"data:image/png;base64,{picture}", "bounds": [list(at) for at in bounds]}


@lru_cache(maxsize=8)
def _on_the_map(grid: LocalGrid, wkt: str) -> tuple[Affine, int, int, _Corners]:
    """Return the raster in Web Mercator that pictures of a grid are warped to, and its bounds.

    wkt: the grid's frame of reference. Result: of its cells, columns, rows, and the south-western
    and the north-eastern corner [deg].
    """
    from rasterio.transform import Affine, array_bounds  # noqa: PLC0415 - as above

    transform, columns, rows = raster_in(grid, wkt, _MAP_WKT)
    coarser = math.sqrt(max(1.0, columns * rows / _MAX_PIXELS))
    columns, rows = math.ceil(columns / coarser), math.ceil(rows / coarser)
    a, _, c, _, e, f = tuple(transform)[:6]  # north is up on both sides
    transform = Affine(a * coarser, 0.0, c, 0.0, e * coarser, f)
    return transform, columns, rows, _corners(array_bounds(rows, columns, transform))


def _corners(bounds: tuple[float, float, float, float]) -> _Corners:
    """Return the south-western and the north-eastern corner of a window of the map [deg]."""
    west, south, east, north = bounds
    (w, e), (s, n) = transformer(_MAP_CRS, WGS84).transform([west, east], [south, north])
    return (round(s, 9), round(w, 9)), (round(n, 9), round(e, 9))


def _levels(fraction: Floats, shades: int) -> NDArray[np.uint8]:
    """Return which shade each place of a scale has; one more than there are where nothing is."""
    known = np.isfinite(fraction)
    level = np.rint(np.clip(np.where(known, fraction, 0.0), 0.0, 1.0) * (shades - 1))
    return np.where(known, level, shades).astype(np.uint8)


@lru_cache(maxsize=8)
def _palette(ramp: tuple[str, ...], shades: int) -> list[int]:
    """Return red, green and blue of every shade of a ramp, then of none; not to be changed."""
    return [*ramp_rgb(ramp, np.linspace(0.0, 1.0, shades)).ravel().tolist(), 0, 0, 0]


def _png(index: NDArray[np.uint8], ramp: tuple[str, ...], shades: int) -> bytes:
    """Return a palette PNG; the last colour of the palette is clear."""
    image = Image.fromarray(index)
    image.putpalette(_palette(ramp, shades), "RGB")
    buffer = io.BytesIO()
    image.save(buffer, format="PNG", transparency=shades)
    return buffer.getvalue()


#: The embedded picture is no larger than this.
MOST_BYTES: Final = 450_000
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
    import rasterio  # noqa: PLC0415 - as above

    with rasterio.open(source.path) as photo:
        bounds = _around(plan.site.boundary.bounds, plan.site.crs)
        for side in _SIDES:
            picture, placed = _warped(photo, bounds, side)
            jpeg = _jpeg(picture)
            if len(jpeg) <= MOST_BYTES:
                break
    url = f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"
    return {"url": url, "bounds": [list(at) for at in _corners(placed)]}


def _around(
    bounds: tuple[float, float, float, float], crs: pyproj.CRS
) -> tuple[float, float, float, float]:
    """Return the window of the map that the photo fills, in Web Mercator."""
    from rasterio.warp import transform_bounds  # noqa: PLC0415 - as above

    west, south, east, north = bounds
    pad = _MARGIN * max(east - west, north - south)
    wide = west - pad, south - pad, east + pad, north + pad
    window: tuple[float, float, float, float] = transform_bounds(crs.to_wkt(), _MAP_EPSG, *wide)
    return window


def _warped(
    photo: Any,  # noqa: ANN401 - rasterio is not typed
    bounds: tuple[float, float, float, float],
    side: int,
) -> tuple[NDArray[np.uint8], tuple[float, float, float, float]]:
    """Return red, green and blue of a window, shape (rows, columns, 3), and where it lies."""
    from rasterio.enums import ColorInterp, Resampling  # noqa: PLC0415 - as above
    from rasterio.transform import array_bounds, from_bounds  # noqa: PLC0415 - as above
    from rasterio.vrt import WarpedVRT  # noqa: PLC0415 - as above

    west, south, east, north = bounds
    scale = side / max(east - west, north - south)
    columns = max(1, math.ceil((east - west) * scale))
    rows = max(1, math.ceil((north - south) * scale))
    transform = from_bounds(west, south, east, north, columns, rows)
    options = {"crs": _MAP_EPSG, "transform": transform, "width": columns, "height": rows}
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


def _bytes(bands: NDArray[Any], seen: Flags) -> NDArray[np.uint8]:
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


#: Month and day of the solstices and of an equinox.
DAYS: Final = ((6, 21), (3, 20), (12, 21))
#: Share of the direct light that arrives.
LIT: Final = Scale(0.0, 100.0, (0.0, 50.0, 100.0), 0)
_MARCH, _JUNE, _SEPTEMBER = 3, 6, 9
_MONTHS: Final = (
    "", say("January"), say("February"), say("March"), say("April"), say("May"), say("June"),
    say("July"), say("August"), say("September"), say("October"), say("November"), say("December"),
)  # fmt: skip
_LEAST_ELEVATION: Final = 5.0  # lower than this the whole property lies in long shade [deg]
_MOST_CELLS: Final = 100_000  # of a picture of shade
_HOUR_SHADES: Final = 9  # crowns let a few shares through, nothing else does
_MONTH_SHADES: Final = 32
_MOST_OF_A_MONTH: Final = 200_000  # cells of a crowded plan's picture of a month


def sun_scale(plan: Plan) -> Scale:
    """Return the scale that covers the direct sun of every month [h/d]."""
    most = float(np.fmax.reduce(plan.sun.sun_hours, axis=None, initial=-math.inf))
    return nice_scale(0.0, most if most >= 0 else 12.0)


def day_instants(latitude: float, longitude: float, month: int, day: int) -> pd.DataFrame:
    """Return where the sun stands at the full hours of a day, by the sun's own time.

    By the sun's time 12 is when it stands highest, so that no time zone and no summer time enter.

    latitude, longitude: WGS 84 [deg]. Result: index `hour` (int); columns elevation, azimuth [deg];
    hours with the sun 5 degrees up.
    """
    midnight = pd.Timestamp(YEAR, month, day, tz="UTC")
    shift = pd.Timedelta(minutes=-4.0 * longitude)
    noon = pd.DatetimeIndex([midnight + pd.Timedelta(hours=12) + shift])
    equation = float(sun_at(noon, latitude, longitude)["equation_of_time"].iloc[0])
    hours = np.arange(24)
    times = midnight + shift + pd.to_timedelta(hours * 60 - equation, unit="min")
    table = sun_at(pd.DatetimeIndex(times), latitude, longitude)[["elevation", "azimuth"]]
    table.index = pd.Index(hours, name="hour")
    return table[table["elevation"] > _LEAST_ELEVATION]


def picture_grid(bounds: tuple[float, float, float, float], resolution: float) -> LocalGrid:
    """Return the raster for pictures of shade: of the plan's cell, or coarser for a large place.

    bounds: west, south, east, north of the property [m]; resolution: the plan's cell [m].

    >>> picture_grid((0.0, 0.0, 500.0, 500.0), 0.5).shape
    (250, 250)
    """
    west, south, east, north = bounds
    cells = (east - west) * (north - south) / resolution**2
    cell = resolution * math.ceil(math.sqrt(max(1.0, cells / _MOST_CELLS)))
    rows, columns = math.ceil((north - south) / cell), math.ceil((east - west) / cell)
    return LocalGrid(west, north, cell, rows, columns)


def sun_document(plan: Plan) -> dict[str, Any]:
    """Return the pictures of shade by the hour and of sun by the month.

    Result: `days`: per day its label and `frames`; `months`: frames. A frame has label, url and
    bounds.
    """
    days = [_day(plan, month, day) for month, day in DAYS]
    return {
        "days": [day for day in days if day["frames"]],
        "months": list(_months(plan)),
    }


def _day(plan: Plan, month: int, day: int) -> dict[str, Any]:
    """Return the pictures of one day."""
    site = plan.site
    grid = picture_grid(site.boundary.bounds, plan.sun.grid.resolution)
    place = site.latitude, site.longitude, month, day
    over = {
        "buildings": site.buildings, "trees": _trees(plan, month), "walls": site.walls,
        "surface": site.surface, "terrain": site.terrain,
    }  # fmt: skip

    def made() -> list[tuple[int, Overlay]]:
        sun = day_instants(*place)
        if sun.empty:
            return []
        lit = shade_instants(grid, sun["elevation"].to_numpy(), sun["azimuth"].to_numpy(), **over)
        return [
            (int(hour), _overlay(one, grid, site.crs, LIT, SUN, _HOUR_SHADES, site.boundary))
            for hour, one in zip(sun.index, (100.0 * one for one in lit), strict=True)
        ]

    found = kept_beside("shade", made, place, grid, over, site.boundary, site.crs.to_wkt())
    return {
        "label": _label(month, day, site.latitude),
        "frames": [{"label": f"{hour}:00", **one} for hour, one in found],
    }


def _trees(plan: Plan, month: int) -> gpd.GeoDataFrame:
    """Return the trees as the light finds them in a month: in leaf, or bare."""
    trees = plan.site.trees
    if month in leaf_months(plan.site.latitude):
        return trees
    return trees.assign(transmissivity=bare_transmissivity(trees))


def _label(month: int, day: int, latitude: float) -> str:
    """Name a day as people know it."""
    date = say("{day} {month}", day=day, month=_MONTHS[month])
    if month == _MARCH:
        # the sun stands alike in September, but the trees may be in leaf only in one of them
        alike = (_MARCH in (leaves := leaf_months(latitude))) == (_SEPTEMBER in leaves)
        if alike:
            return say("{date} and 22 September (equinox)", date=date)
        return say("{date} (equinox)", date=date)
    longest = (month == _JUNE) == (latitude >= 0)
    if longest:
        return say("{date} (longest day)", date=date)
    return say("{date} (shortest day)", date=date)


def _months(plan: Plan) -> Iterator[dict[str, Any]]:
    """Yield the sun of every month of the season."""
    scale = sun_scale(plan)
    for month, hours in zip(plan.sun.months, plan.sun.sun_hours, strict=True):
        drawn, grid = (hours, plan.sun.grid) if not is_crowded(plan) else coarser(
            hours, plan.sun.grid, most=_MOST_OF_A_MONTH
        )  # fmt: skip
        shown = overlay(
            drawn, grid, plan.site.crs, scale=scale, ramp=SUN, shades=_MONTH_SHADES,
            within=plan.site.boundary,
        )  # fmt: skip
        yield {"label": _MONTHS[month], **shown}


def coarser(values: Floats, grid: LocalGrid, *, most: int) -> tuple[Floats, LocalGrid]:
    """Return a raster with at most so many cells, each the mean of the known ones that it holds.

    values (rows, columns): NaN where nothing is known. Result: as it was where it is small enough.
    """
    times = math.ceil(math.sqrt(values.size / most))
    if times <= 1:
        return values, grid
    rows, columns = (-(-side // times) for side in values.shape)
    padded = np.full((rows * times, columns * times), np.nan)
    padded[: values.shape[0], : values.shape[1]] = values
    blocks = padded.reshape(rows, times, columns, times)
    known = np.isfinite(blocks)
    count = known.sum(axis=(1, 3))
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    mean = np.divide(total, count, out=np.full(count.shape, np.nan), where=count > 0)
    return mean, grid._replace(resolution=grid.resolution * times, rows=rows, columns=columns)


def _providers() -> dict[str, TileProvider]:
    """Return who makes the base maps, by their label."""
    from xyzservices import providers  # noqa: PLC0415 - only where a page fetches them

    return {
        say("Street map (online)"): providers.OpenStreetMap.Mapnik,
        say("Aerial photo of the US (online)"): providers.USGS.USImagery,
    }


def basemaps() -> list[dict[str, Any]]:
    """Return the base maps: label, url of the tiles, attribution and deepest zoom.

    Result: addresses and attributions are those of the `xyzservices` package; neither needs a key.
    """
    return [
        {
            "label": label,
            "url": provider["url"],
            "attribution": provider["html_attribution"],
            "max_zoom": int(provider["max_zoom"]),
        }
        for label, provider in _providers().items()
    ]


def hosts() -> list[str]:
    """Return the origins that the tiles come from, for the page's policy."""
    split = [urlsplit(provider["url"]) for provider in _providers().values()]
    return [f"{url.scheme}://{url.netloc}" for url in split]


def crown_shapes(trees: gpd.GeoDataFrame) -> list[BaseGeometry | None]:
    """Return the crown of every tree: the drawn one, or a circle of its diameter.

    Result: None where neither is known.
    """
    shapes: list[BaseGeometry | None] = []
    for _, tree in trees.iterrows():
        crown, width = tree["crown"], float(tree["crown_diameter"])
        if isinstance(crown, BaseGeometry) and not crown.is_empty:
            shapes.append(crown)
        elif math.isfinite(width) and width > 0:
            shapes.append(tree.geometry.buffer(width / 2, quad_segs=8))
        else:
            shapes.append(None)
    return shapes
