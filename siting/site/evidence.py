"""Read what the ground itself says of where it is dry: tables of probe walks, and rasters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pyproj
import rasterio
import shapely
from rasterio.enums import ColorInterp
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT
from rasterio.warp import Resampling, transform, transform_bounds
from rasterio.windows import from_bounds
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats, Ints
from siting.errors import Fault, Findings, InputError, brief, limit, some
from siting.site.cells import RawSheet, as_number, as_percent, as_time, read_sheets, time_order
from siting.site.columns import normal_header
from siting.site.crs import WGS84, transformer
from siting.site.model import BESIDE_M, Evidence, LocalGrid
from siting.site.raster import heavy_block, unreadable
from siting.site.settings import EvidenceSource
from siting.site.vector import Refusal, raster_driver

#: A raster says where a zone is dry only with so many cells wholly on its open ground; judgement.
FEWEST_CELLS: Final = 20
#: Cells are averaged to about so many a zone: more say no more, as their errors are alike.
MOST_CELLS: Final = 200
#: Finer rasters are averaged to this cell [m].
_FINEST_M: Final = 0.1
_CROWN_M: Final = 3.0  # radius of a crown of unknown size, as where the sun is computed [m]
_HOLE: Final = 0.02  # share of cells of one extreme value that looks like no data
_FAR_OUT: Final = 5.0  # how far out it lies, in ranges of the middle half
_ALLOWED: Final = "a GeoTIFF of one value that says its CRS and covers the zones"
_COLUMNS: Final = "place, lon, lat (or x, y in the property's CRS), date, reading"
_MOST_FAULTS: Final = 20


@dataclass(frozen=True)
class OpenGround:
    """Where evidence is looked for, in the working CRS.

    crs: that CRS; source_crs: of x and y in a table; zones: by zone; covered: roofs, paving and
    crowns.
    """

    crs: pyproj.CRS
    source_crs: pyproj.CRS
    zones: gpd.GeoSeries
    covered: BaseGeometry


def open_ground(
    crs: pyproj.CRS, source_crs: pyproj.CRS, frames: dict[str, gpd.GeoDataFrame]
) -> OpenGround:
    """Return where a raster shows the zones themselves: not roofs, paving or crowns."""
    trees = frames["trees"]
    radius = np.nan_to_num(trees["crown_diameter"].to_numpy(dtype=float) / 2, nan=_CROWN_M)
    crowns = [
        crown if crown is not None else shapely.buffer(trunk, size)
        for crown, trunk, size in zip(trees["crown"], trees.geometry, radius, strict=True)
    ]
    covers = [*frames["buildings"].geometry, *frames["paving"].geometry, *crowns]
    covered = shapely.union_all(covers) if covers else shapely.Polygon()
    return OpenGround(crs, source_crs, frames["hydrozones"].geometry, covered)


def read_evidence(
    sources: Sequence[EvidenceSource], ground: OpenGround, findings: Findings
) -> tuple[Evidence, ...]:
    """Read every file of evidence.

    Returns one per file and day; faults and what could not be used are noted.
    """
    found: list[Evidence] = []
    for source in sources:
        if source.raster:
            found += _read_raster(source, ground, findings)
        else:
            found += _read_walk(source, ground, findings)
    return tuple(found)


def _read_walk(source: EvidenceSource, ground: OpenGround, findings: Findings) -> list[Evidence]:
    """Read the readings of a probe walk, one part per day."""
    try:
        sheets = read_sheets(source.path)
    except InputError as error:
        findings.faults += error.faults
        return []
    before = len(findings.faults)
    parts = [_walk_rows(sheet, ground, findings) for sheet in sheets]
    rows = [row for part in parts for row in part]
    if len(findings.faults) > before:
        return []
    if not rows:
        _fault(source, "no reading", "rows with a place and a reading", "Fill it in.", findings)
        return []
    places, value = np.array([row[:2] for row in rows]), np.array([row[2] for row in rows])
    away = shapely.distance(shapely.points(places), shapely.union_all(ground.zones.to_numpy()))
    inside = np.asarray(away <= BESIDE_M)
    if not inside.any():
        least = findings.tell(float(away.min()), "length", decimals=0)
        found = f"places that all lie outside the zones, {least} or more"
        mend = "Write lon and lat in degrees (WGS 84), or x and y in the property's CRS."
        _fault(source, found, "places in the zones", mend, findings)
        return []
    if not inside.all():
        findings.warn(
            f"{source.path.name}: {np.count_nonzero(~inside)} of {len(inside)} readings lie "
            "outside the zones and were left out."
        )
    sign = 1.0 if source.high == "dry" else -1.0
    days = np.array([row[3] or source.date for row in rows])
    return [
        Evidence(source.told.called, str(day), places[at, 0], places[at, 1], sign * value[at],
                 source.trust, file=source.path.name)
        for day in np.unique(days)
        for at in [inside & (days == day)]
        if at.any()
    ]  # fmt: skip


_Row = tuple[float, float, float, str]


def _walk_rows(sheet: RawSheet, ground: OpenGround, findings: Findings) -> list[_Row]:
    """Return x, y (working CRS), reading and day of the rows that hold a reading."""
    names = {normal_header(header): header for header in sheet.headers}
    pair = next((p for p in (("lon", "lat"), ("x", "y")) if set(p) <= set(names)), None)
    read = [header for name, header in names.items() if name.startswith("reading")]
    if pair is None or not read:
        lacks = "columns of places" if pair is None else "a column reading"
        mend = "Take the table that `siting survey` writes."
        findings.faults.append(Fault(sheet.file, f"no {lacks}", _COLUMNS, mend))
        return []
    columns = [sheet.column(names[name]) for name in pair]
    days = (
        sheet.column(names["date"]) if "date" in names else [(row, None) for row, _ in sheet.rows]
    )
    order = time_order([cell for _, cell in days])
    faults: list[Fault] = []

    def number(row: int, header: str, cell: Any) -> float:  # noqa: ANN401 - a cell of a table
        try:
            said = as_percent(cell)
            return said if said is not None else as_number(cell)[0]
        except ValueError:
            faults.append(_cell(sheet.file, row, header, cell, "a number"))
            return math.nan

    def day(row: int, cell: Any) -> str:  # noqa: ANN401 - a cell of a table
        try:
            time = as_time(cell, order)
        except ValueError:
            faults.append(_cell(sheet.file, row, names["date"], cell, "a day as YYYY-MM-DD"))
            return ""
        return "" if time is None else f"{time:%Y-%m-%d}"

    rows: list[Any] = []
    values = [sheet.column(header) for header in read]
    for k, (row, _) in enumerate(sheet.rows):
        reads = [
            number(row, header, cells[k][1]) for header, cells in zip(read, values, strict=True)
        ]
        kept = [value for value in reads if math.isfinite(value)]
        if kept:
            at = [number(row, names[n], c[k][1]) for n, c in zip(pair, columns, strict=True)]
            rows.append((*at, sum(kept) / len(kept), day(row, days[k][1]), row))
    lost = [row[4] for row in rows if not np.isfinite(row[:2]).all()]
    if lost and not faults:
        found = f"no place in rows {some(lost)}"
        faults.append(Fault(sheet.file, found, "coordinates for every reading", "Fill them in."))
    findings.faults += faults[:_MOST_FAULTS]
    return [] if faults else _moved(rows, pair[0] == "lon", ground)


def _moved(rows: list[Any], degrees: bool, ground: OpenGround) -> list[_Row]:
    """Bring the rows' places into the working CRS."""
    if not rows:
        return []
    crs = WGS84 if degrees else ground.source_crs
    to = transformer(crs, ground.crs)
    x, y = to.transform([row[0] for row in rows], [row[1] for row in rows])
    return [(a, b, row[2], row[3]) for a, b, row in zip(x, y, rows, strict=True)]


def _cell(file: str, row: int, header: str, cell: object, allowed: str) -> Fault:
    return Fault(
        file, f'"{brief(cell)}"', allowed, "Correct the cell.", feature=f"row {row}", column=header
    )


def _fault(source: EvidenceSource, found: str, allowed: str, mend: str, findings: Findings) -> None:
    findings.faults.append(Fault(source.path.name, found, allowed, mend, layer="evidence"))


def _read_raster(source: EvidenceSource, ground: OpenGround, findings: Findings) -> list[Evidence]:
    """Read a raster's cells on the open ground of the zones, averaged to a few hundred a zone."""
    driver = raster_driver(source.path)
    if isinstance(driver, Refusal):
        _fault(source, driver.found, _ALLOWED, driver.mend, findings)
        return []
    try:
        with rasterio.open(source.path, driver=driver) as raster:
            read = _refused(raster, source, ground) or _warped(raster, source, ground)
    except (RasterioError, MemoryError) as error:
        found = unreadable(error, source.path, source.path.name)
        read = Refusal(found, "Export it again as a GeoTIFF.")
    if isinstance(read, Refusal):
        _fault(source, read.found, _ALLOWED, read.mend, findings)
        return []
    return _of_zones(*read, source, ground, findings)


def _refused(
    raster: rasterio.DatasetReader, source: EvidenceSource, ground: OpenGround
) -> Refusal | None:
    """Return why a raster cannot be evidence: what it is, where, or how large."""
    colours = {ColorInterp.red, ColorInterp.green, ColorInterp.blue}
    brightness = 'Write kind = "brightness", or export the values.'
    found = (
        (raster.crs is None, "no coordinate reference system", "Assign the CRS it was made in."),
        (ColorInterp.palette in raster.colorinterp, "a picture with a palette", "Export values."),
        (
            bool(colours & set(raster.colorinterp)) and source.kind != "brightness",
            "a picture, not values",
            brightness,
        ),
        ("complex" in raster.dtypes[0], "complex numbers", "Export one value per cell."),
    )
    first = next((Refusal(what, mend) for wrong, what, mend in found if wrong), None)
    return first or heavy_block(raster) or _elsewhere(raster, ground)


def _elsewhere(raster: rasterio.DatasetReader, ground: OpenGround) -> Refusal | None:
    """Return why a raster cannot be read here: it lies elsewhere, or has too many cells."""
    target = rasterio.crs.CRS.from_wkt(ground.crs.to_wkt())
    wanted = transform_bounds(target, raster.crs, *ground.zones.total_bounds)
    there = shapely.box(*raster.bounds).intersection(shapely.box(*wanted))
    if there.area <= 0:
        mend = "Give the raster its right CRS, or choose another."
        return Refusal("no value on any zone: it lies elsewhere", mend)
    window = from_bounds(*there.bounds, raster.transform) if _upright(raster) else None
    if window is not None and window.width * window.height > limit("raster_cells"):
        cells = window.width * window.height
        found = f"{cells:,.0f} cells on the zones (at most {limit('raster_cells'):,.0f})"
        return Refusal(found, "Resample it to cells of 0.1 m or more.")
    return None


def _upright(raster: rasterio.DatasetReader) -> bool:
    lie = raster.transform
    return bool(lie.b == 0 and lie.d == 0 and lie.e < 0 < lie.a)


def _warped(
    raster: rasterio.DatasetReader, source: EvidenceSource, ground: OpenGround
) -> tuple[LocalGrid, Floats]:
    """Return the cells around the zones in the working CRS, and their values, NaN where none."""
    target = rasterio.crs.CRS.from_wkt(ground.crs.to_wkt())
    west, south, east, north = ground.zones.total_bounds
    native = _cell_m(raster, target, ((west + east) / 2, (south + north) / 2))
    least = math.sqrt((east - west) * (north - south) / (limit("raster_cells") / 10))
    cell = max(native, _FINEST_M, least)
    columns, rows = math.ceil((east - west) / cell), math.ceil((north - south) / cell)
    grid = LocalGrid(float(west), float(north), float(cell), max(rows, 1), max(columns, 1))
    bands = min(raster.count, 3) if source.kind == "brightness" else 1
    finer = cell > 1.01 * native
    bare = raster.nodata is None and ColorInterp.alpha not in raster.colorinterp
    with WarpedVRT(
        raster,
        crs=target,
        transform=grid.transform,
        width=grid.columns,
        height=grid.rows,
        resampling=Resampling.average if finer else Resampling.nearest,
        warp_mem_limit=64,
        # Outside the file there is no value, even where it declares none.
        add_alpha=bare,
    ) as warped:
        known = (warped.read(warped.count) if bare else warped.dataset_mask()) > 0
        total = np.zeros(known.shape)
        for band in range(1, bands + 1):
            total += warped.read(band).astype(np.float64)
    values = np.where(known & np.isfinite(total), total / bands, np.nan)
    scale = raster.scales[0] or 1.0
    return grid, values * scale + raster.offsets[0]


def _cell_m(
    raster: rasterio.DatasetReader, target: rasterio.crs.CRS, middle: tuple[float, float]
) -> float:
    """Return the side of a square as large as one cell is in the middle of the zones [m]."""
    (x,), (y,) = transform(target, raster.crs, [middle[0]], [middle[1]])
    across, along = raster.transform.a, raster.transform.d
    aside, down = raster.transform.b, raster.transform.e
    xs, ys = transform(raster.crs, target, [x, x + across, x + aside], [y, y + along, y + down])
    area = (xs[1] - xs[0]) * (ys[2] - ys[0]) - (xs[2] - xs[0]) * (ys[1] - ys[0])
    return math.sqrt(max(abs(area), 1e-6))


def _of_zones(
    grid: LocalGrid,
    values: Floats,
    source: EvidenceSource,
    ground: OpenGround,
    findings: Findings,
) -> list[Evidence]:
    """Average the cells of every zone that has enough of them; say which have not."""
    hole = _hole(values)
    if hole is not None:
        found = f"{hole[0]:.0%} of the cells exactly {hole[1]:g}, far from all others"
        _fault(source, found, _ALLOWED, "Declare the no-data value of the file.", findings)
        return []
    covered = shapely.buffer(ground.covered, grid.resolution / 2)
    parts, coarse, empty = [], [], []
    for zone, shape in ground.zones.items():
        open_part = shapely.difference(shapely.buffer(shape, -grid.resolution / 2), covered)
        x, y, value = _inside(grid, values, open_part)
        known = np.isfinite(value)
        if len(value) < FEWEST_CELLS:
            coarse.append(str(zone))
        elif known.sum() < FEWEST_CELLS:
            empty.append(str(zone))
        else:
            parts.append(_blocks(x[known], y[known], value[known], float(open_part.area)))
            if known.mean() < 0.95:  # noqa: PLR2004 - a few lost cells are no news
                findings.warn(
                    f"{source.path.name}: it has values on {known.mean():.0%} of the open ground "
                    f"of zone {zone}; the rest keeps what the map says."
                )
    name = source.path.name
    if not parts:
        if coarse:
            side = findings.tell(grid.resolution, "length", decimals=1)
            found = (
                f"cells of {side}, too coarse: no zone has {FEWEST_CELLS} of them wholly on open "
                "ground"
            )
            mend = (
                "Take a finer raster, such as a drone's; a satellite's cells mix lawn and paving."
            )
            _fault(source, found, "cells much smaller than a zone", mend, findings)
        else:
            found = "no value on any zone"
            mend = "Give the raster its right CRS, or choose one without clouds there."
            _fault(source, found, _ALLOWED, mend, findings)
        return []
    for zones, why in ((coarse, "its cells are too coarse"), (empty, "it has no values there")):
        if zones:
            findings.warn(f"{name}: {why} for {some(zones)}; it was not used in them.")
    x, y, value = np.concatenate(parts, axis=1)
    sign = 1.0 if source.high == "dry" else -1.0
    told = source.told.called
    return [Evidence(told, source.date, x, y, sign * value, source.trust, alike=True, file=name)]


def _hole(values: Floats) -> tuple[float, float] | None:
    """Return share and value of cells that look like a no-data value nobody declared."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return None
    low, high = np.quantile(known, [0.25, 0.75])
    for extreme in (known.min(), known.max()):
        share = float((known == extreme).mean())
        others = known[known != extreme]
        if share > _HOLE and others.size:
            low, high = np.quantile(others, [0.25, 0.75])
            away = max(low - extreme, extreme - high)
            if away > _FAR_OUT * max(high - low, 1e-9):
                return share, float(extreme)
    return None


def _inside(grid: LocalGrid, values: Floats, shape: BaseGeometry) -> tuple[Floats, Floats, Floats]:
    """Return x, y and value of the cells whose middle lies in a shape."""
    if shape.is_empty:
        return np.empty(0), np.empty(0), np.empty(0)
    x, y = grid.x, grid.y
    west, south, east, north = shape.bounds
    across, along = _between(x, west, east), _between(y, south, north)
    xs, ys = np.meshgrid(x[across], y[along])
    shapely.prepare(shape)
    inside: Flags = np.asarray(shapely.contains_xy(shape, xs, ys))
    return xs[inside], ys[inside], values[np.ix_(along, across)][inside]


def _between(at: Floats, low: float, high: float) -> Ints:
    return np.flatnonzero((at >= low) & (at <= high))


def _blocks(x: Floats, y: Floats, value: Floats, area: float) -> Floats:
    """Average cells within square blocks: x, y and value, shape (3, N)."""
    side = math.sqrt(area / MOST_CELLS)
    block = np.column_stack([np.floor((x - x.min()) / side), np.floor((y - y.min()) / side)])
    _, which, count = np.unique(block, axis=0, return_inverse=True, return_counts=True)
    which = which.ravel()
    return np.stack([np.bincount(which, weights=part) / count for part in (x, y, value)])
