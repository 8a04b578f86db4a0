"""What a sensor must keep away from, and by how much; low spots and steep ground too.

Water runs to low spots and along flow paths, so a sensor there reads wetter than its zone. All are
drawn as vectors, so that distances to them are measured like any other. A digital terrain model
does not know drains, kerbs and walls: what is found here is a hint to look at on the ground.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, NamedTuple

import contourpy
import geopandas as gpd
import numpy as np
import pandas as pd
import scipy
import shapely
from geopandas.array import from_shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats, Ints
from siting.compiled import compiled, compiled_within
from siting.language import say
from siting.site.model import HeightRaster
from siting.site.settings import Setbacks

#: A hollow that would stand this deep before it spills is a low spot [m]; judgement, no source.
LOW_SPOT_M: Final = 0.05
#: Ground from which so much area drains is a flow path [m²]; judgement, no source.
UPSLOPE_M2: Final = 400.0
#: What stands higher over the ground than this shades as crowns and roofs do [m]; judgement.
TALL_M: Final = 2.0
_DRAWN_M: Final = 1.5  # a crown or roof is wider than drawn by up to this, before it is missing [m]
_PATCH_M2: Final = 6.0  # smaller patches are lamp posts, cars and noise
_BESIDE_M: Final = 15.0  # how far around the property what is missing is looked for
_CELL: Final = 1.0  # the terrain is averaged to cells of about this size [m]
_MARGIN: Final = 30.0  # how far around the property water is followed [m]
_SMOOTH: Final = 0.7  # standard deviation of the smoothing before slopes [cells]
_CRUMB_M2: Final = 1.0
_AROUND: Final = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))


class LandForms(NamedTuple):
    """Forms of the land on a property, each empty where there are none.

    low_spots, steep: polygons: hollows that hold water, and ground steeper than asked for;
    flow_paths: lines along which water gathers.
    """

    low_spots: BaseGeometry
    flow_paths: BaseGeometry
    steep: BaseGeometry


class Undrawn(NamedTuple):
    """A patch that stands high in the surface raster, where nothing is drawn.

    Parameters
    ----------
    x, y : float
        Its middle [m].
    area_m2 : float
        Its area [m²].
    height_m : float
        Its greatest height over the ground [m].
    cells : ndarray, shape (N, 3)
        Middles of its cells, and their heights over the ground [m].
    cell : tuple of float
        Sides of a cell [m].
    """

    x: float
    y: float
    area_m2: float
    height_m: float
    cells: Floats
    cell: tuple[float, float]


def undrawn(
    surface: HeightRaster,
    terrain: HeightRaster | None,
    *,
    drawn: BaseGeometry,
    boundary: BaseGeometry,
) -> list[Undrawn]:
    """Find what stands more than 2 m over the ground where no crown, building or wall is drawn.

    Parameters
    ----------
    surface : HeightRaster
        Heights of everything.
    terrain : HeightRaster or None
        Heights of the bare ground, on the same datum; None where the surface tells heights over it.
    drawn : shapely geometry
        Footprints of buildings, crowns and walls.
    boundary : shapely geometry
        The property; 15 m around it are looked at too.

    Returns
    -------
    list of Undrawn
        Patches of 6 m² and more, the largest first.
    """
    rows, columns = surface.heights.shape
    x = surface.west + (np.arange(columns) + 0.5) * surface.cell_x
    y = surface.north - (np.arange(rows) + 0.5) * surface.cell_y
    west, south, east, north = boundary.buffer(_BESIDE_M).bounds
    across, down = (
        np.flatnonzero((x > west) & (x < east)),
        np.flatnonzero((y > south) & (y < north)),
    )
    if across.size == 0 or down.size == 0:
        return []
    heights = surface.heights[np.ix_(down, across)]
    at_x, at_y = np.meshgrid(x[across], y[down])
    if terrain is not None:
        place = [
            (terrain.north - at_y) / terrain.cell_y - 0.5,
            (at_x - terrain.west) / terrain.cell_x - 0.5,
        ]
        heights = heights - scipy.ndimage.map_coordinates(
            terrain.heights, place, order=1, cval=np.nan
        )
    tall = np.nan_to_num(heights, nan=0.0) > TALL_M
    known, window = drawn.buffer(_DRAWN_M), boundary.buffer(_BESIDE_M)
    shapely.prepare([known, window])
    tall[tall] = ~shapely.contains_xy(known, at_x[tall], at_y[tall])
    tall[tall] = shapely.contains_xy(window, at_x[tall], at_y[tall])
    found = _patches(tall, heights, (at_x, at_y), (surface.cell_x, surface.cell_y))
    return sorted(found, key=lambda patch: (-patch.area_m2, -patch.y, patch.x))


def _patches(
    tall: Flags, heights: Floats, at: tuple[Floats, Floats], cell: tuple[float, float]
) -> list[Undrawn]:
    """Return the connected patches that are large enough."""
    patches, count = scipy.ndimage.label(tall)
    area = np.bincount(patches.ravel(), minlength=count + 1) * cell[0] * cell[1]
    found = []
    for number, window in enumerate(scipy.ndimage.find_objects(patches), start=1):
        if area[number] < _PATCH_M2:
            continue
        inside = patches[window] == number
        x, y = at[0][window][inside], at[1][window][inside]
        # The cell nearest to the middle, which in a ring of trees is none of it.
        near = int(np.argmin(np.hypot(x - x.mean(), y - y.mean())))
        cells = np.column_stack([x, y, heights[window][inside]])
        top = float(cells[:, 2].max())
        at_middle = float(x[near]), float(y[near])
        found.append(Undrawn(*at_middle, float(area[number]), top, cells, cell))
    return found


class _Land(NamedTuple):
    """Heights, shape (rows, columns), row 0 southernmost, and the centres of the cells."""

    heights: Floats
    x: Floats
    y: Floats

    @property
    def cell(self) -> float:
        """Side of a cell [m]."""
        return float(self.x[1] - self.x[0])


def land_forms(terrain: HeightRaster, *, boundary: BaseGeometry, slope_percent: float) -> LandForms:
    """Find low spots, flow paths and steep ground on a property.

    Parameters
    ----------
    terrain : HeightRaster
        Heights of the bare ground [m].
    boundary : shapely geometry
        The property.
    slope_percent : float
        Ground steeper than this is steep [%].

    Returns
    -------
    LandForms
        Clipped to the property.

    References
    ----------
    Slope by Horn, B. K. P. (1981), Proc. IEEE 69(1), 14-47. Depressions and flow directions by the
    priority-flood of Barnes, R., Lehman, C., Mulla, D. (2014), Computers & Geosciences 62, 117-127,
    with the steepest of eight neighbours of O'Callaghan, J. F., Mark, D. M. (1984), Computer
    Vision, Graphics, and Image Processing 28, 323-344.
    """
    land = _around(terrain, boundary)
    if land is None:
        return LandForms(shapely.Polygon(), shapely.LineString(), shapely.Polygon())
    filled, receiver, order = drainage(land.heights)
    depth = _above(filled - land.heights, land, LOW_SPOT_M)
    upslope = _accumulate(receiver, order) * land.cell**2
    return LandForms(
        low_spots=_clipped(depth, boundary),
        flow_paths=_paths(land, receiver, upslope, boundary),
        steep=_clipped(_above(_slope(land), land, slope_percent / 100), boundary),
    )


def drainage(heights: Floats) -> tuple[Floats, Ints, Ints]:
    """Flood a terrain from its rim: what each cell fills up to, and which way it drains.

    heights (rows, columns): heights, none NaN [m]. Result: heights with every hollow filled up to
    where it spills [m], shape (rows, columns); cell to which each drains: the steepest way down,
    across a filled hollow the way to its outlet; a cell of the rim drains to itself, shape (rows *
    columns,); cells from the lowest up; every cell comes after the one it drains to, shape (rows *
    columns,).

    >>> bowl = np.array([[3, 3, 3.0], [3, 1, 2], [3, 3, 3]])
    >>> drainage(bowl)[0][1, 1], int(drainage(bowl)[1][4])
    (np.float64(2.0), 5)
    """
    rows, columns = heights.shape
    flat = heights.ravel()
    filled = flat.copy()
    receiver = np.arange(flat.size)
    seen = np.zeros(flat.size, dtype=np.bool_)
    rim = np.zeros(heights.shape, dtype=np.bool_)
    rim[[0, -1]] = rim[:, [0, -1]] = True
    queue = [(float(flat[i]), int(i)) for i in np.flatnonzero(rim)]
    seen[rim.ravel()] = True
    heapq.heapify(queue)
    order = []
    while queue:
        level, cell = heapq.heappop(queue)
        order.append(cell)
        row, column = divmod(cell, columns)
        for up, across in _AROUND:
            if not (0 <= row + up < rows and 0 <= column + across < columns):
                continue
            other = cell + up * columns + across
            if not seen[other]:
                seen[other] = True
                receiver[other] = cell
                filled[other] = max(level, float(flat[other]))
                heapq.heappush(queue, (float(filled[other]), other))
    steepest = _steepest(filled.reshape(heights.shape))
    receiver = np.where((steepest >= 0) & ~rim.ravel(), steepest, receiver)
    return filled.reshape(heights.shape), receiver, np.array(order, dtype=np.int64)


def _steepest(filled: Floats) -> Ints:
    """Return each cell's neighbour down the steepest slope, -1 where none lies lower."""
    rows, columns = filled.shape
    wide = np.pad(filled, 1, constant_values=np.inf)
    best, chosen = np.zeros(filled.shape), np.full(filled.shape, -1)
    index = np.arange(filled.size).reshape(filled.shape)
    for up, across in _AROUND:
        beside = wide[1 + up : 1 + up + rows, 1 + across : 1 + across + columns]
        drop = (filled - beside) / np.hypot(up, across)
        better = drop > best + 1e-12
        best = np.where(better, drop, best)
        chosen = np.where(better, index + up * columns + across, chosen)
    return chosen.ravel()


def _accumulate(receiver: Ints, order: Ints) -> Floats:
    """Return how many cells drain through each, itself included."""
    count = np.ones(receiver.size)
    for cell in order[::-1]:
        if receiver[cell] != cell:
            count[receiver[cell]] += count[cell]
    return count


def _around(terrain: HeightRaster, boundary: BaseGeometry) -> _Land | None:
    """Cut the terrain out around the property, south up, in cells of about a metre."""
    west, south, east, north = boundary.bounds
    rows, columns = terrain.heights.shape
    left = max(int((west - _MARGIN - terrain.west) / terrain.cell_x), 0)
    right = min(int((east + _MARGIN - terrain.west) / terrain.cell_x) + 1, columns)
    top = max(int((terrain.north - north - _MARGIN) / terrain.cell_y), 0)
    low = min(int((terrain.north - south + _MARGIN) / terrain.cell_y) + 1, rows)
    part = terrain.heights[top:low, left:right]
    if min(part.shape) < 3 or not np.isfinite(part).any():  # noqa: PLR2004
        return None
    gaps = ~np.isfinite(part)
    if gaps.any():
        nearest = scipy.ndimage.distance_transform_edt(
            gaps, return_distances=False, return_indices=True
        )
        part = part[nearest[0], nearest[1]]
    times = max(1, round(_CELL / terrain.cell_x))
    high, wide = (size // times * times for size in part.shape)
    part = part[:high, :wide].reshape(high // times, times, wide // times, times).mean(axis=(1, 3))
    if terrain.cell_x != terrain.cell_y:
        part = scipy.ndimage.zoom(part, (terrain.cell_y / terrain.cell_x, 1.0), order=1)
    if min(part.shape) < 3:  # noqa: PLR2004
        return None
    cell = times * terrain.cell_x
    across = np.arange(part.shape[1], dtype=np.float64)
    down = np.arange(part.shape[0], dtype=np.float64)
    x: Floats = terrain.west + left * terrain.cell_x + cell * (across + 0.5)
    y: Floats = terrain.north - top * terrain.cell_y - cell * (down + 0.5)
    return _Land(part[::-1], x, y[::-1])


def _slope(land: _Land) -> Floats:
    """Return the slope of each cell by Horn's weights on lightly smoothed heights [m/m]."""
    z = np.pad(
        scipy.ndimage.gaussian_filter(land.heights, _SMOOTH, mode="nearest"), 1, mode="reflect"
    )
    side = z[:-2] + 2 * z[1:-1] + z[2:]
    along_x = (side[:, 2:] - side[:, :-2]) / (8 * land.cell)
    side = z[:, :-2] + 2 * z[:, 1:-1] + z[:, 2:]
    along_y = (side[2:] - side[:-2]) / (8 * land.cell)
    return np.hypot(along_x, along_y)


def _above(values: Floats, land: _Land, limit: float) -> BaseGeometry:
    """Draw the area in which a field lies above a limit."""
    maker = contourpy.contour_generator(
        land.x, land.y, values, fill_type=contourpy.FillType.OuterOffset
    )
    polygons = []
    found = maker.filled(limit, np.inf)
    for points, offsets in zip(*found, strict=True):
        rings = [points[a:b] for a, b in pairwise(offsets)]
        polygons.append(shapely.make_valid(shapely.Polygon(rings[0], rings[1:])))
    kept = [shape for shape in polygons if shape.area >= _CRUMB_M2]
    return shapely.union_all(kept) if kept else shapely.Polygon()


def _clipped(shape: BaseGeometry, boundary: BaseGeometry) -> BaseGeometry:
    parts = shapely.get_parts(shapely.intersection(shape, boundary))
    return shapely.union_all(parts[shapely.get_dimensions(parts) == 2])  # noqa: PLR2004


def _paths(land: _Land, receiver: Ints, upslope: Floats, boundary: BaseGeometry) -> BaseGeometry:
    """Draw the lines along which much water runs."""
    cells = np.flatnonzero((upslope >= UPSLOPE_M2) & (receiver != np.arange(receiver.size)))
    if cells.size == 0:
        return shapely.LineString()
    columns = len(land.x)
    ends = np.stack([cells, receiver[cells]], axis=1)
    places = np.stack([land.x[ends % columns], land.y[ends // columns]], axis=-1)
    lines = shapely.line_merge(shapely.MultiLineString(list(places)))
    smooth: BaseGeometry = shapely.simplify(lines, land.cell / 2)
    return smooth.intersection(boundary)


#: Room to dig around a fixture that is not a head or downspout [m]; common practice, no source.
FIXTURE_SETBACK_M: Final = 0.6
#: Root protection: feet of radius per inch of trunk diameter, that is 12 m per m. Vancouver,
#: Washington, tree code (1 ft per inch).
ROOT_RADIUS_PER_TRUNK: Final = 12.0
#: Bounds of the root protection radius and its value for a tree of unknown size [m]. Common
#: practice, no source: a sensor is a hand-dug hole, not a trench; 1.8 m suits a 6 in trunk.
ROOT_RADIUS_LEAST: Final = 0.6
ROOT_RADIUS_MOST: Final = 6.0
ROOT_RADIUS_UNKNOWN: Final = 1.8
#: How each hazard is called in words.
HAZARD_WORDS: Final = {
    "backflow": say("backflow"),
    "boundary": say("property line"),
    "building": say("building"),
    "controller": say("controller"),
    "downspout": say("downspout"),
    "head": say("sprinkler head"),
    "hydrant": say("hydrant"),
    "light": say("light"),
    "meter": say("meter"),
    "paving": say("paving"),
    "trunk": say("tree trunk"),
    "valve_box": say("valve box"),
    "zone_edge": say("zone edge"),
    "traffic": say("path"),
    "utility": say("buried pipe or cable"),
    "low_spot": say("low spot"),
    "flow_path": say("flow path"),
    "steep": say("steep ground"),
}
#: Steep or low ground that leaves less of a zone than this says nothing about where in it to dig.
_LEAST_LEFT: Final = 0.1
_LEAST_LEFT_M2: Final = 2.0


def root_protection_radius(
    trunk_diameter: Floats, *, crown_diameter: Floats | None = None
) -> Floats:
    """Radius around a trunk that is kept free of digging.

    Parameters
    ----------
    trunk_diameter : ndarray, shape (T,)
        NaN where unknown [m].
    crown_diameter : ndarray, shape (T,), optional
        Used where the trunk is unknown: the drip line [m].

    Returns
    -------
    ndarray, shape (T,)
        12 x trunk diameter, else half the crown diameter, else 1.8; held to 0.6..6 [m].

    References
    ----------
    Critical root zone of 1 ft radius per inch of trunk diameter: Vancouver, Washington, municipal
    tree code. The bounds are common practice without a source.

    Examples
    --------
    >>> root_protection_radius(np.array([0.254, np.nan])).round(3).tolist()
    [3.048, 1.8]
    """
    radius = ROOT_RADIUS_PER_TRUNK * np.asarray(trunk_diameter, dtype=float)
    if crown_diameter is not None:
        radius = np.where(np.isnan(radius), np.asarray(crown_diameter, dtype=float) / 2, radius)
    radius = np.where(np.isnan(radius), ROOT_RADIUS_UNKNOWN, radius)
    return np.clip(radius, ROOT_RADIUS_LEAST, ROOT_RADIUS_MOST)


def setback_hazards(
    hydrozones: gpd.GeoDataFrame,
    *,
    boundary: BaseGeometry,
    buildings: gpd.GeoDataFrame,
    paving: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    fixtures: gpd.GeoDataFrame,
    setbacks: Setbacks,
) -> gpd.GeoDataFrame:
    """List everything a sensor must keep away from, with its setback.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Index `zone`; each zone's edge is a hazard to that zone only.
    boundary : shapely geometry
        The property.
    buildings, paving : GeoDataFrame
        Polygons.
    trees : GeoDataFrame
        Points; columns trunk_diameter, crown_diameter [m].
    fixtures : GeoDataFrame
        Points; column kind.
    setbacks : Setbacks
        The user's distances [m].

    Returns
    -------
    GeoDataFrame
        hazard (str), setback [m], zone (str or None: every zone), geometry.
    """
    rows: list[dict[str, Any]] = [_row("boundary", setbacks.boundary, boundary.boundary)]
    rows += [_row("building", setbacks.building, shape) for shape in buildings.geometry]
    rows += [_row("paving", setbacks.paving, shape) for shape in paving.geometry]
    rows += [
        _row("zone_edge", setbacks.zone_edge, shape.boundary, str(zone))
        for zone, shape in hydrozones.geometry.items()
    ]
    if len(trees):
        radii = root_protection_radius(
            trees["trunk_diameter"].to_numpy(dtype=float),
            crown_diameter=trees["crown_diameter"].to_numpy(dtype=float),
        )
        rows += [
            _row("trunk", float(radius), shape)
            for radius, shape in zip(radii, trees.geometry, strict=True)
        ]
    known = {"head": setbacks.head, "downspout": setbacks.downspout}
    if len(fixtures):
        rows += [
            _row(str(kind), known.get(str(kind), FIXTURE_SETBACK_M), shape)
            for kind, shape in zip(fixtures["kind"], fixtures.geometry, strict=True)
        ]
    return _frame(rows, hydrozones.crs)


def ground_hazards(
    hydrozones: gpd.GeoDataFrame,
    *,
    setbacks: Setbacks,
    paths: gpd.GeoDataFrame | None = None,
    utilities: gpd.GeoDataFrame | None = None,
    land: LandForms | None = None,
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """List what is drawn as lines or follows from the terrain, with its setback.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Index `zone`.
    setbacks : Setbacks
        The user's distances [m].
    paths, utilities : GeoDataFrame, optional
        Lines.
    land : LandForms, optional
        As from `siting.place.setbacks.land_forms`.

    Returns
    -------
    hazards : GeoDataFrame
        As from `setback_hazards`: traffic, utility, low_spot, flow_path, steep.
    warnings : tuple of str
        Zones that are low or steep nearly throughout, where that cannot guide the choice.
    """
    rows: list[dict[str, Any]] = []
    for hazard, setback, lines in (
        ("traffic", setbacks.traffic, paths),
        ("utility", setbacks.utility, utilities),
    ):
        if lines is not None:
            rows += [_row(hazard, setback, shape) for shape in lines.geometry]
    if land is None:
        return _frame(rows, hydrozones.crs), ()
    if not land.flow_paths.is_empty:
        rows.append(_row("flow_path", setbacks.low_spot, land.flow_paths))
    warnings = []
    for hazard, setback, shape in (
        ("low_spot", setbacks.low_spot, land.low_spots),
        ("steep", 0.0, land.steep),
    ):
        parts = shapely.get_parts(shape)
        tree = shapely.STRtree(parts)  # of a large property few lie at any one zone
        for zone, ground in hydrozones.geometry.items():
            around = shapely.buffer(ground, setback + 1.0)
            at = np.sort(tree.query(around))
            near = shapely.intersection(shapely.MultiPolygon(list(parts[at])), around)
            left = shapely.difference(ground, near).area
            if near.is_empty:
                continue
            if left < max(_LEAST_LEFT * ground.area, _LEAST_LEFT_M2):
                what = f"steeper than {setbacks.slope_percent:g} %" if hazard == "steep" else "low"
                warnings.append(
                    f"zone {zone}: nearly all of it is {what}, so that could not guide the choice "
                    "of the point"
                )
            else:
                rows.append(_row(hazard, setback, near, str(zone)))
    return _frame(rows, hydrozones.crs), tuple(warnings)


def hazards_of_zone(hazards: gpd.GeoDataFrame, zone: str) -> gpd.GeoDataFrame:
    """Return the hazards that concern one zone: everything but the edges of the others.

    Parameters
    ----------
    hazards : GeoDataFrame
        As from `setback_hazards`.
    zone : str
        The zone.

    Returns
    -------
    GeoDataFrame
        A selection of the rows.
    """
    return hazards[hazards["zone"].isna() | (hazards["zone"] == zone)]


def keepout_areas(
    hazards: gpd.GeoDataFrame, *, boundary: BaseGeometry, hydrozones: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Draw the ground where a sensor must not be buried, by reason, for crews.

    Parameters
    ----------
    hazards : GeoDataFrame
        As from `setback_hazards`.
    boundary : shapely geometry
        The property; areas are clipped to it.
    hydrozones : GeoDataFrame
        Index `zone`; a zone's edge keeps clear only within that zone.

    Returns
    -------
    GeoDataFrame
        hazard, setback_m (the largest of the kind), geometry (MultiPolygon or Polygon); sorted
        by hazard. Arcs are drawn within 1 cm; placement itself measures on the vectors.
    """
    known, zones = Hazards.of(hazards), hazards["zone"].to_numpy(dtype=object)
    areas = shapely.buffer(known.shapes, known.setbacks, quad_segs=16)
    own = np.flatnonzero(~pd.isna(zones))
    grounds = hydrozones.geometry.to_numpy()[hydrozones.index.get_indexer(zones[own])]
    areas[own] = shapely.intersection(areas[own], grounds)
    rows: list[tuple[str, float, BaseGeometry]] = []
    for hazard in np.unique(known.names):
        of_it = known.names == hazard
        shape = shapely.intersection(shapely.union_all(areas[of_it]), boundary)
        if not shape.is_empty:
            rows.append((str(hazard), float(known.setbacks[of_it].max()), shape))
    none = np.empty(0, dtype=object)  # an empty list would be a column of numbers
    return gpd.GeoDataFrame(
        {
            "hazard": [name for name, _, _ in rows] or none,
            "setback_m": [setback for _, setback, _ in rows] or none,
            "geometry": from_shapely([shape for _, _, shape in rows], hazards.crs),
        },
        geometry="geometry",
    )


def _row(
    hazard: str, setback: float, geometry: BaseGeometry, zone: str | None = None
) -> dict[str, Any]:
    return {"hazard": hazard, "setback": setback, "zone": zone, "geometry": geometry}


def _frame(rows: Iterable[dict[str, Any]], crs: object) -> gpd.GeoDataFrame:
    listed = list(rows)
    names = ("hazard", "setback", "zone", "geometry")
    columns: dict[str, Any] = {name: [row[name] for row in listed] for name in names}
    columns["geometry"] = from_shapely(columns["geometry"], crs)
    return gpd.GeoDataFrame(columns, geometry="geometry")


Score = Callable[[Floats, Floats], Floats]
_FINEST: Final = 1e-4  # half a cell at which the search ends [m]
_BEAM: Final = 256  # cells kept per level once a ridge of equal values is known
_RIDGE_HALF: Final = 0.02  # cell size at which a ridge is sampled [m]
_RIDGE_CELLS: Final = 20_000
_NOT_LESS: Final = 1 - 1e-9  # so that rounding leaves nobody unmeasured
_TOGETHER: Final = 64  # places for which the near segments are sought at once


@dataclass(frozen=True)
class Clearance:
    """Exact point-to-hazard distances in the ground of one zone.

    point_x, point_y, point_setback (T,): hazards that are points, each with its setback [m]; ends
    (4, E): x and y of the first and of the last point of the segments of the other hazards, or
    twice a point of one that is many [m]; setbacks (E,): of each segment [m].
    """

    point_x: Floats
    point_y: Floats
    point_setback: Floats
    ends: Floats
    setbacks: Floats

    @property
    def smallest_setback(self) -> float:
        """The smallest setback above zero [m]; infinite when there is none."""
        known = np.concatenate([self.point_setback, self.setbacks])
        return float(np.min(known[known > 0], initial=np.inf))

    def slack(self, x: Floats, y: Floats) -> Floats:
        """Return the least of distance minus setback at each point.

        x, y (N,): points [m]. Result: negative where a setback is not met; inf where nothing is
        indexed [m], shape (N,).
        """
        return self._least(x, y, over=False)

    def ratio(self, x: Floats, y: Floats) -> Floats:
        """Return the least of distance over setback at each point.

        x, y (N,): points [m]. Result: below 1 where a setback is not met; inf where no hazard has
        one [-], shape (N,).
        """
        return self._least(x, y, over=True)

    def _least(self, x: Floats, y: Floats, *, over: bool) -> Floats:
        least = np.empty(x.shape)
        places = np.ascontiguousarray(x), np.ascontiguousarray(y)
        dots = self.point_x, self.point_y, self.point_setback
        _tightest(places, dots, (self.ends, self.setbacks), over, least)
        return least


@compiled_within
def _to_segment(x: float, y: float, ends: Floats, e: int) -> float:
    """Distance from a point to a segment, in the operations of GEOS, so that it is the same."""
    ax, ay, bx, by = ends[0, e], ends[1, e], ends[2, e], ends[3, e]
    length = (bx - ax) * (bx - ax) + (by - ay) * (by - ay)
    along = 0.0
    if length > 0.0:
        along = ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length
    if along <= 0.0:
        return math.sqrt((x - ax) * (x - ax) + (y - ay) * (y - ay))
    if along >= 1.0:
        return math.sqrt((x - bx) * (x - bx) + (y - by) * (y - by))
    across: float = ((ay - y) * (bx - ax) - (ax - x) * (by - ay)) / length
    return abs(across) * math.sqrt(length)


@compiled_within
def _measured(distance: float, setback: float, over: bool) -> float:
    """Return distance over setback, inf where there is none, or distance minus setback."""
    if not over:
        return distance - setback
    return distance / setback if setback > 0.0 else np.inf


@compiled_within
def _near(
    places: tuple[Floats, Floats],
    span: tuple[int, int],
    dots: tuple[Floats, Floats, Floats],
    lines: tuple[Floats, Floats],
    over: bool,
    found: tuple[Ints, Ints],
) -> tuple[int, int]:
    """Fill which points and segments can be the tightest of some places, and return how many.

    No place is farther from a hazard than the middle of the box about the places and half of its
    diagonal: the least of that, measured, is beaten by nobody whose own box is farther off.
    """
    x, y = places
    at_x, at_y, room = dots
    ends, setbacks = lines
    low_x = high_x = x[span[0]]
    low_y = high_y = y[span[0]]
    for n in range(span[0], span[1]):
        low_x, high_x = min(low_x, x[n]), max(high_x, x[n])
        low_y, high_y = min(low_y, y[n]), max(high_y, y[n])
    middle_x, middle_y = (low_x + high_x) / 2, (low_y + high_y) / 2
    reach = math.hypot(high_x - low_x, high_y - low_y) / 2
    bound = np.inf
    for t in range(room.size):
        worst = math.hypot(middle_x - at_x[t], middle_y - at_y[t]) + reach
        bound = min(bound, _measured(worst, room[t], over))
    for e in range(setbacks.size):
        worst = _to_segment(middle_x, middle_y, ends, e) + reach
        bound = min(bound, _measured(worst, setbacks[e], over))
    bound += 1e-9 * (1.0 + abs(bound))
    points = segments = 0
    for t in range(room.size):
        away = max(at_x[t] - high_x, low_x - at_x[t], at_y[t] - high_y, low_y - at_y[t], 0.0)
        if _measured(away * _NOT_LESS, room[t], over) <= bound:
            found[0][points] = t
            points += 1
    for e in range(setbacks.size):
        west, east = min(ends[0, e], ends[2, e]), max(ends[0, e], ends[2, e])
        south, north = min(ends[1, e], ends[3, e]), max(ends[1, e], ends[3, e])
        away = max(west - high_x, low_x - east, south - high_y, low_y - north, 0.0)
        if _measured(away * _NOT_LESS, setbacks[e], over) <= bound:
            found[1][segments] = e
            segments += 1
    return points, segments


@compiled
def _tightest(
    places: tuple[Floats, Floats],
    dots: tuple[Floats, Floats, Floats],
    lines: tuple[Floats, Floats],
    over: bool,
    least: Floats,
) -> None:
    """Fill the least of distance over or minus setback at each place.

    Places are looked at some at a time: of the hazards only those that can be the tightest anywhere
    in the box about them. No segment is measured that is farther off by the box about it than the
    tightest so far; the search begins with the one that was the tightest for the place before.
    """
    x, y = places
    at_x, at_y, room = dots
    ends, setbacks = lines
    near, beside = np.empty(setbacks.size, np.int64), np.empty(room.size, np.int64)
    for first in range(0, x.size, _TOGETHER):
        last = min(first + _TOGETHER, x.size)
        points, count = _near(places, (first, last), dots, lines, over, (beside, near))
        tightest = near[0] if count else 0
        for n in range(first, last):
            best = np.inf
            if count:
                best = _measured(_to_segment(x[n], y[n], ends, tightest), setbacks[tightest], over)
            for k in range(count):
                e = near[k]
                west, east = min(ends[0, e], ends[2, e]), max(ends[0, e], ends[2, e])
                south, north = min(ends[1, e], ends[3, e]), max(ends[1, e], ends[3, e])
                away = max(west - x[n], x[n] - east, south - y[n], y[n] - north, 0.0)
                if _measured(away * _NOT_LESS, setbacks[e], over) > best:
                    continue
                found = _measured(_to_segment(x[n], y[n], ends, e), setbacks[e], over)
                if found < best:
                    best, tightest = found, e
            for k in range(points):
                t = beside[k]
                away = math.hypot(x[n] - at_x[t], y[n] - at_y[t])
                best = min(best, _measured(away, room[t], over))
            least[n] = best


class Hazards(NamedTuple):
    """The columns of a table of hazards, taken out once for all that is asked of them.

    Parameters
    ----------
    names : ndarray of str, shape (H,)
        What each is.
    setbacks : ndarray, shape (H,)
        How far to keep away from it [m].
    shapes : ndarray of geometry, shape (H,)
        Where it is.
    """

    names: NDArray[np.str_]
    setbacks: Floats
    shapes: NDArray[np.object_]

    @classmethod
    def of(cls, table: gpd.GeoDataFrame) -> Hazards:
        """Take the columns out of a table.

        Parameters
        ----------
        table : GeoDataFrame
            hazard, setback [m], geometry.

        Returns
        -------
        Hazards
            In the order of its rows.
        """
        return cls(
            table["hazard"].to_numpy(dtype=str),
            table["setback"].to_numpy(dtype=float),
            table.geometry.to_numpy(),
        )

    def take(self, which: Flags | Ints) -> Hazards:
        """Return some of them.

        Parameters
        ----------
        which : ndarray, shape (H,) or (N,)
            A mask, or positions.

        Returns
        -------
        Hazards
            Those.
        """
        return Hazards(self.names[which], self.setbacks[which], self.shapes[which])


class Region(NamedTuple):
    """What a search looks at: ground, a score that changes by at most `slope` per metre, a filter.

    ground: where points may lie, prepared; score: (x, y) -> score, valid outside the ground too;
    slope: largest change of the score per metre [1/m]; allowed: (x, y) -> bool, an extra condition
    on a point.
    """

    ground: BaseGeometry
    score: Score
    slope: float
    allowed: Callable[[Floats, Floats], Flags] | None = None

    def holds(self, x: Floats, y: Floats) -> Flags:
        """Tell which points lie in the ground and meet the extra condition.

        x, y (N,): points [m]. Result: the edge of the ground counts as in it, shape (N,).
        """
        inside: Flags = shapely.intersects_xy(self.ground, x, y)
        if self.allowed is not None and inside.any():
            inside[inside] = self.allowed(x[inside], y[inside])
        return inside


class Cells(NamedTuple):
    """Square cells of one size.

    x, y (C,): centres [m]; half: half the side of a cell [m].
    """

    x: Floats
    y: Floats
    half: float

    def take(self, which: Flags | Ints) -> Cells:
        """Return some of the cells.

        which (C,): a mask, or positions. Result: of the same size.
        """
        return Cells(self.x[which], self.y[which], self.half)

    def split(self) -> Cells:
        """Return the four quarters of every cell."""
        quarter = self.half / 2
        sign_x, sign_y = np.array([-1, 1, -1, 1]), np.array([1, 1, -1, -1])
        x = (self.x[:, None] + quarter * sign_x).ravel()
        y = (self.y[:, None] + quarter * sign_y).ravel()
        return Cells(x, y, quarter)


def clearance(ground: BaseGeometry, shapes: NDArray[np.object_], setbacks: Floats) -> Clearance:
    """Index the hazards that can matter to a ground.

    A hazard that can nowhere in the ground be the tightest one is left out; the ground's own edge
    counts as a hazard without a setback.

    shapes, setbacks (H,): the hazards, and how far to keep away from each [m].
    """
    geometries = np.concatenate([shapes, np.array([ground.boundary], dtype=object)])
    setbacks = np.append(setbacks, 0.0)
    near = _can_bind(ground, geometries, setbacks)
    geometries, setbacks = geometries[near], setbacks[near]
    is_point = shapely.get_type_id(geometries) == shapely.GeometryType.POINT
    places = shapely.get_coordinates(geometries[is_point])
    lines = [
        (setback, _segments(geometries[~is_point & (setbacks == setback)]))
        for setback in np.unique(setbacks[~is_point])
    ]
    return Clearance(
        point_x=np.ascontiguousarray(places[:, 0]),
        point_y=np.ascontiguousarray(places[:, 1]),
        point_setback=setbacks[is_point],
        ends=np.concatenate([np.empty((4, 0)), *(ends for _, ends in lines)], axis=1),
        setbacks=np.concatenate(
            [np.empty(0), *(np.full(ends.shape[1], setback) for setback, ends in lines)]
        ),
    )


def cells_of(ground: BaseGeometry) -> Cells:
    """Cover a ground with square cells, in reading order, centred on its bounding box.

    The longer side gets 24 cells, the shorter one at least three.
    """
    west, south, east, north = ground.bounds
    side = max((east - west) / 24, (north - south) / 24, 1e-3)
    side = min(side, max(min(east - west, north - south) / 3, side / 8))
    columns, rows = int(np.ceil((east - west) / side)), int(np.ceil((north - south) / side))
    across = (west + east) / 2 + side * (np.arange(columns) - (columns - 1) / 2)
    down = (south + north) / 2 - side * (np.arange(rows) - (rows - 1) / 2)
    x, y = np.meshgrid(across, down)
    return Cells(x.ravel(), y.ravel(), side / 2)


def highest(region: Region, cells: Cells) -> tuple[float, Floats, Floats]:
    """Find the highest score in a region, and the ridge on which it is reached.

    Branch and bound: a cell is dropped when its centre's score plus slope times half its diagonal
    stays below the best point found, as in the search for a pole of inaccessibility.

    Result: highest score, exact to 1e-4 m times slope; -inf when no point was found; points of the
    region within a few centimetres of where it is reached; first the best, shape (R,).
    """
    best, at_x, at_y = -np.inf, np.empty(0), np.empty(0)
    ridge = Cells(np.empty(0), np.empty(0), 0.0)
    while cells.x.size:
        reach = cells.half * np.sqrt(2.0)
        score = region.score(cells.x, cells.y)
        promising = score + region.slope * reach > best
        cells, score = cells.take(promising), score[promising]
        touching = _touching(region.ground, cells)
        cells, score = cells.take(touching), score[touching]
        held = np.full(score.shape, -np.inf)
        better = np.flatnonzero(score > best)
        better = better[region.holds(cells.x[better], cells.y[better])]
        held[better] = score[better]
        if held.size and held.max() > best + 1e-9:
            first = int(np.argmax(held >= held.max() - 1e-9))
            best, at_x, at_y = float(held[first]), cells.x[[first]], cells.y[[first]]
        promising = score + region.slope * reach > best
        cells, score = cells.take(promising), score[promising]
        if cells.half > _RIDGE_HALF / 2 and cells.x.size <= _RIDGE_CELLS:
            ridge = cells
        if cells.half <= _FINEST:
            break
        if cells.half <= _RIDGE_HALF or cells.x.size > _RIDGE_CELLS:
            order = np.argsort(-np.round(score, 9), kind="stable")[:_BEAM]
            cells = cells.take(np.sort(order))
        cells = cells.split()
    ridge = ridge.take(region.holds(ridge.x, ridge.y))
    return best, np.append(at_x, ridge.x), np.append(at_y, ridge.y)


def nearest_high(
    region: Region, cells: Cells, *, floor: float, towards: tuple[float, float]
) -> tuple[float, float] | None:
    """Find the point nearest to a given one among those that score at least a floor.

    towards: the given point, x and y [m]. Result: x and y, exact to about 1e-4 m [m]; the
    north-westernmost of equals.
    """
    nearest, found = np.inf, None
    while cells.x.size:
        reach = cells.half * np.sqrt(2.0)
        away = np.hypot(cells.x - towards[0], cells.y - towards[1])
        score = region.score(cells.x, cells.y)
        keep = (score + region.slope * reach >= floor) & (away - reach < nearest)
        cells, away, score = cells.take(keep), away[keep], score[keep]
        able = np.flatnonzero((score >= floor) & (away < nearest))
        able = able[region.holds(cells.x[able], cells.y[able])]
        distance = np.full(away.shape, np.inf)
        distance[able] = away[able]
        if able.size and distance.min() < nearest - 1e-9:
            first = int(np.argmax(distance <= distance.min() + 1e-9))
            nearest, found = float(away[first]), (float(cells.x[first]), float(cells.y[first]))
        if cells.half <= _FINEST:
            break
        order = np.argsort(np.round(away, 9), kind="stable")[:_BEAM]
        cells = cells.take(np.sort(order)).split()
    return found


def _touching(ground: BaseGeometry, cells: Cells) -> Flags:
    """Tell which cells' circumscribed circles reach the ground."""
    touching: Flags = shapely.intersects_xy(ground, cells.x, cells.y)
    beside = cells.take(~touching)
    points = np.asarray(shapely.points(beside.x, beside.y))
    touching[~touching] = shapely.dwithin(ground, points, cells.half * np.sqrt(2.0))
    return touching


def _can_bind(ground: BaseGeometry, geometries: NDArray[np.object_], setbacks: Floats) -> Flags:
    """Tell which hazards can be the tightest somewhere in the ground, by slack or by ratio."""
    near = shapely.distance(geometries, ground)
    west, south, east, north = ground.bounds
    far = near + np.hypot(east - west, north - south)
    by_slack = near - setbacks <= np.min(far - setbacks)
    positive = setbacks > 0
    limit = np.min(far[positive] / setbacks[positive], initial=np.inf)
    by_ratio = positive & (near <= np.where(positive, limit, 0.0) * setbacks)
    kept: Flags = (by_slack | by_ratio) & ~shapely.is_empty(geometries)
    return kept


def _segments(geometries: NDArray[np.object_]) -> Floats:
    """Return the ends of lines' and polygon edges' segments, (4, E); points are both their ends."""
    parts = shapely.get_parts(geometries)
    polygonal = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    dots = parts[shapely.get_type_id(parts) == shapely.GeometryType.POINT]
    rings = np.concatenate([shapely.get_rings(parts[polygonal]), parts[~polygonal]])
    rings = rings[shapely.get_type_id(rings) != shapely.GeometryType.POINT]
    coordinates, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    alone = shapely.get_coordinates(dots)
    first = np.concatenate([coordinates[:-1][same], alone])
    return np.concatenate([first.T, np.concatenate([coordinates[1:][same], alone]).T])
