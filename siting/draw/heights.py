"""Heights of buildings and crowns of trees that a drawing lacks, from a lidar survey.

A surface (first returns: roofs and crowns) less a terrain (bare ground), read window by window
around each building and tree, so that memory does not follow the size of the rasters.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from rasterio.io import DatasetReader
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats
from siting.errors import Fault, InputError, some
from siting.site.raster import heights_in, open_heights
from siting.units import LENGTH_UNITS_M, UnitsName, show

#: Endings of files that are taken for rasters of heights.
RASTERS: Final = (".tif", ".tiff")
SURFACE, TERRAIN = "surface", "terrain"
_NAMES: Final = (
    (SURFACE, r"surface|first.?return|highest|\bdsm\b|\bdom\b|\bndsm\b"),
    (TERRAIN, r"terrain|bare.?earth|ground|\bdtm\b|\bdgm\b|\bdem\b"),
)
#: The roof's height is that which this share of it does not pass: between eaves and ridge, as the
#: lowest level of detail of the 3D BAG takes it (Peters et al. 2022, from memory) [%].
_ROOF: Final = 70.0
#: Ground is looked for so far around a wall where there is none under the roof [m].
_RING_M: Final = 4.0
#: Lower things are no building or tree that the survey saw [m].
_LEAST_M: Final = 2.0
#: A trunk may be drawn so far from its crown's top [m]; no crown is wider than twice this [m].
_SLIP_M: Final = 2.0
_REACH_M: Final = 15.0
#: A crown is what is joined to its top and higher than this share of it: of a marked top, as in
#: Dalponte & Coomes 2016, Methods in Ecology and Evolution 7 (their 0.45 to 0.55, from memory).
_CROWN: Final = 0.5
#: Things differ from the ground by this; a surface that far above it is of another datum [m].
_BELOW_M, _FAR_ABOVE_M = 1.0, 150.0
#: Half of the buildings this many times higher than wide, and this high, are in feet [-, m].
_SLENDER, _TALL_M = 2.0, 12.0
_UNIT_WORDS: Final = {
    "metre": "m", "meter": "m", "metres": "m", "meters": "m", "foot": "ft", "feet": "ft",
    "us survey foot": "us_survey_ft", "us survey feet": "us_survey_ft", "ftus": "us_survey_ft",
    "us-ft": "us_survey_ft", "foot_us": "us_survey_ft",
}  # fmt: skip


class Pair(NamedTuple):
    """A surface and a terrain; unit: of their heights where it was told."""

    surface: Path
    terrain: Path
    unit: str | None = None


def pair_of(files: Sequence[Path], told: Mapping[str, str], unit: str | None) -> Pair | None:
    """Return which raster is the surface and which the terrain, told or by their names.

    Returns None without rasters. Raises InputError where they are no pair.
    """
    rasters = [path for path in files if path.suffix.lower() in RASTERS]
    if not rasters:
        return None
    found: dict[str, list[Path]] = {SURFACE: [], TERRAIN: []}
    faults = []
    for path in rasters:
        kind = told.get(path.stem, "") or _by_name(path)
        if kind in found:
            found[kind].append(path)
        else:
            mend = f'Add --layer "{path.stem}={SURFACE}" or --layer "{path.stem}={TERRAIN}".'
            faults.append(Fault(path.name, "a raster", "a surface or a terrain", mend))
    if not faults and not all(len(paths) == 1 for paths in found.values()):
        names = some([path.name for path in rasters])
        mend = "Give both of the survey: roofs and crowns in one, bare ground in the other."
        faults.append(Fault(names, "no pair", "one surface and one terrain", mend))
    if faults:
        raise InputError(faults)
    return Pair(found[SURFACE][0], found[TERRAIN][0], unit)


def _by_name(path: Path) -> str:
    plain = re.sub(r"[_\-.]+", " ", path.stem.lower())
    return next((kind for kind, pattern in _NAMES if re.search(pattern, plain)), "")


class Survey:
    """An open surface and terrain: heights above the ground of one place after another."""

    units: UnitsName = "metric"

    def __init__(self, surface: DatasetReader, terrain: DatasetReader, pair: Pair) -> None:
        self._rasters = surface, terrain
        self._files = pair.surface.name, pair.terrain.name
        units = [_unit(r, f, pair.unit) for r, f in zip(self._rasters, self._files, strict=True)]
        self._units = [LENGTH_UNITS_M[unit] for unit in units]
        self.notes = [
            f"{pair.surface.name} was taken as the surface, in {units[0]}, and "
            f"{pair.terrain.name} as the terrain, in {units[1]}."
        ]
        self._above: list[float] = []
        self._lower = self._higher = 0

    def above_ground(self, crs: pyproj.CRS, bounds: Floats) -> _Part | None:
        """Return heights of everything above the ground within some bounds [m]."""
        west, south, east, north = (float(edge) for edge in bounds)
        top, ground = (heights_in(raster, crs, (west, south, east, north))
                       for raster in self._rasters)  # fmt: skip
        if top is None or ground is None:
            return None
        rows, columns = top.heights.shape
        x = top.west + (np.arange(columns) + 0.5) * top.cell_x
        y = top.north - (np.arange(rows) + 0.5) * top.cell_y
        column = np.clip((x - ground.west) / ground.cell_x, 0, ground.heights.shape[1] - 1)
        row = np.clip((ground.north - y) / ground.cell_y, 0, ground.heights.shape[0] - 1)
        under = self._units[1] * ground.heights[np.ix_(row.astype(int), column.astype(int))]
        over = self._units[0] * top.heights
        known = np.isfinite(over - under)
        if known.any():
            above = (over - under)[known]
            self._above.append(float(np.median(above)))
            self._lower += int(np.count_nonzero(above < -_BELOW_M))
            self._higher += int(np.count_nonzero(above > _BELOW_M))
        east_of, north_of = np.meshgrid(x, y)
        return _Part(east_of, north_of, over, under, top.cell_x)

    def told(self, what: str, values: Floats) -> str:
        """Say how many sizes were taken, and from what to what."""
        ends = dict.fromkeys(
            show(float(value), "length", self.units, decimals=1)
            for value in (values.min(), values.max())
        )
        return f"{what} {len(values)} were taken from the survey ({' to '.join(ends)})."

    def check(self) -> None:
        """Refuse a pair that fits neither the drawing nor itself."""
        where = " and ".join(self._files)
        if not self._above:
            mend = "Give the rasters their right CRS, or others that cover it."
            raise InputError([Fault(where, "no heights where the drawing is", "heights", mend)])
        above = float(np.median(self._above))
        if self._lower > self._higher:
            found = "a surface that lies below the terrain more often than above it"
        elif above > _FAR_ABOVE_M:
            found = f"a surface that lies {above:.0f} m above the terrain, on the whole"
        else:
            return
        mend = "Perhaps the two are swapped, or one is in feet or above another datum."
        raise InputError([Fault(where, found, "heights of the same ground", mend)])


class _Part(NamedTuple):
    """Heights of surface and terrain at the middles of cells, each of shape (rows, columns) [m]."""

    x: Floats
    y: Floats
    over: Floats
    under: Floats
    cell: float


def _unit(raster: DatasetReader, file: str, told: str | None) -> str:
    """Return the unit of a raster's heights: told, as the file says, or metres where it may be."""
    if told is not None:
        return told
    crs = pyproj.CRS.from_user_input(raster.crs.to_wkt())
    up = [axis.unit_name for axis in crs.axis_info if axis.direction.lower() == "up"]
    for word in (raster.units[0] or "", *up):
        unit = _UNIT_WORDS.get(word.strip().lower(), word.strip().lower())
        if unit in LENGTH_UNITS_M:
            return unit
    if any("foot" in axis.unit_name for axis in crs.axis_info):
        found = "a raster drawn in feet that does not say the unit of its heights"
        mend = "Say it: --units-in ft, or --units-in m."
        raise InputError([Fault(file, found, "heights of a known unit", mend)])
    return "m"


def fill_heights(
    frames: Mapping[str, gpd.GeoDataFrame], pair: Pair, units: UnitsName
) -> tuple[dict[str, gpd.GeoDataFrame], list[str]]:
    """Return layers with the heights of buildings and the sizes of trees that they lack.

    frames: layers in degrees, sizes in metres; units: how sizes are told. Returns new layers,
    and what was taken, in words.
    """
    frames = dict(frames)
    with open_heights(pair.surface) as surface, open_heights(pair.terrain) as terrain:
        survey = Survey(surface, terrain, pair)
        survey.units = units
        notes: list[str] = []
        for name, fill in (("buildings", _fill_buildings), ("trees", _fill_trees)):
            if name in frames and len(frames[name]):
                frames[name], told = fill(frames[name], survey, frames.get("buildings"))
                notes += told
        if notes:
            survey.check()
    return frames, [*survey.notes, *notes] if notes else []


def _lacking(frame: gpd.GeoDataFrame, *columns: str) -> Flags:
    """Tell which rows lack a value of any of the columns."""
    lacking: Flags = np.zeros(len(frame), dtype=np.bool_)
    for column in columns:
        lacking |= frame[column].isna().to_numpy() if column in frame else True
    return lacking


def _fill_buildings(
    frame: gpd.GeoDataFrame, survey: Survey, _buildings: gpd.GeoDataFrame | None
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Take the heights of buildings that have none."""
    lacking = np.flatnonzero(_lacking(frame, "height"))
    if not len(lacking):
        return frame, []
    crs = frame.estimate_utm_crs()
    shapes = frame.geometry.to_crs(crs).to_numpy()
    height = np.full(len(frame), np.nan) if "height" not in frame else (
        frame["height"].to_numpy(dtype=np.float64, na_value=np.nan).copy())  # fmt: skip
    for row in lacking:
        around = shapes[row].buffer(_RING_M)
        part = survey.above_ground(crs, np.array(around.bounds))
        if part is not None:
            height[row] = _roof(part, shapes[row], around)
    seen = lacking[np.isfinite(height[lacking])]
    survey.check()
    _doubt_feet(height[seen], shapes[seen])
    notes = [survey.told("Heights of buildings that had none:", height[seen])] if len(seen) else []
    if len(seen) < len(lacking):
        notes.append(f"The survey shows no roof on {len(lacking) - len(seen)} buildings.")
    return frame.assign(height=np.round(height, 2)), notes


def _roof(part: _Part, shape: BaseGeometry, around: BaseGeometry) -> float:
    """Return a building's height: its roof above the ground under it, or beside it [m]."""
    inner = shape.buffer(-part.cell / 2)
    roof = shapely.contains_xy(shape if inner.is_empty else inner, part.x, part.y)
    known = roof & np.isfinite(part.over)
    below = roof & np.isfinite(part.under)
    if not below.any():
        below = shapely.contains_xy(around, part.x, part.y) & np.isfinite(part.under)
    # Half of a roof must have been seen.
    if 2 * known.sum() < max(roof.sum(), 1) or not below.any():
        return float("nan")
    high = float(np.percentile(part.over[known], _ROOF) - np.median(part.under[below]))
    return high if high >= _LEAST_M else float("nan")


def _doubt_feet(height: Floats, shapes: Sequence[BaseGeometry]) -> None:
    """Refuse buildings far higher than wide, which feet would explain."""
    side = shapely.length(np.asarray(shapes, dtype=object)) / 4
    slender = (height > _TALL_M) & (height > _SLENDER * side)
    if len(height) and 2 * np.count_nonzero(slender) > len(height):
        found = f"{np.count_nonzero(slender)} of {len(height)} buildings far taller than wide"
        mend = "If the rasters' heights are in feet, say so: --units-in ft."
        raise InputError([Fault("surface", found, "heights in m", mend)])


def _fill_trees(
    frame: gpd.GeoDataFrame, survey: Survey, buildings: gpd.GeoDataFrame | None
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Take the heights and crowns of trees that have none."""
    lacking = np.flatnonzero(_lacking(frame, "height", "crown_diameter"))
    if not len(lacking):
        return frame, []
    crs = frame.estimate_utm_crs()
    trunks = shapely.get_coordinates(shapely.centroid(frame.geometry.to_crs(crs).to_numpy()))
    roofs = None if buildings is None else buildings.geometry.to_crs(crs)
    found = np.full((len(frame), 2), np.nan)
    for row in lacking:
        x, y = trunks[row]
        box = np.array([x - _REACH_M, y - _REACH_M, x + _REACH_M, y + _REACH_M])
        part = survey.above_ground(crs, box)
        if part is not None:
            near = np.hypot(*(trunks - trunks[row]).T) < 2 * _REACH_M
            near[row] = False
            under = (
                []
                if roofs is None
                else [roofs.iloc[k] for k in roofs.sindex.query(shapely.box(*box))]
            )
            found[row] = _crown(part, (x, y), trunks[near], under)
    seen = lacking[np.isfinite(found[lacking, 0])]
    new = {}
    for column, values in zip(("height", "crown_diameter"), found.T, strict=True):
        told = frame[column].to_numpy(dtype=np.float64, na_value=np.nan) if column in frame else (
            np.full(len(frame), np.nan))  # fmt: skip
        new[column] = np.round(np.where(np.isnan(told), values, told), 2)
    notes = []
    if len(seen):
        notes = [
            survey.told(f"{what} of trees that had none:", found[seen, column])
            for column, what in enumerate(("Heights", "Crowns"))
        ]
    if len(seen) < len(lacking):
        notes.append(f"The survey shows no crown at {len(lacking) - len(seen)} trees.")
    return frame.assign(**new), notes


def _crown(
    part: _Part,
    trunk: tuple[float, float],
    others: Floats,
    roofs: Sequence[BaseGeometry],
) -> tuple[float, float]:
    """Return a tree's height and the diameter of a round crown as large as its own [m]."""
    from scipy import ndimage  # noqa: PLC0415  (heavy, and only wanted with a survey)

    away = np.hypot(part.x - trunk[0], part.y - trunk[1])
    mine = away <= _REACH_M
    for x, y in others:
        mine &= away <= np.hypot(part.x - x, part.y - y)
    for roof in roofs:
        mine &= ~shapely.contains_xy(roof.buffer(part.cell), part.x, part.y)
    high = np.where(mine, np.nan_to_num(part.over - part.under), 0.0)
    top = np.where(away <= max(_SLIP_M, 2 * part.cell), high, 0.0)
    at = np.unravel_index(np.argmax(top), top.shape)
    if top[at] < _LEAST_M:
        return float("nan"), float("nan")
    pieces, _ = ndimage.label(high >= max(_LEAST_M, _CROWN * top[at]))
    crown = pieces == pieces[at]
    area = np.count_nonzero(crown) * part.cell**2
    return float(high[crown].max()), float(2 * np.sqrt(area / np.pi))
