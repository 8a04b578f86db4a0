"""What the lie of the land forbids: low spots, flow paths and steep ground.

Water runs to low spots and along flow paths, so a sensor there reads wetter than its zone. All are
drawn as vectors, so that distances to them are measured like any other. A digital terrain model
does not know drains, kerbs and walls: what is found here is a hint to look at on the ground.
"""

from __future__ import annotations

import heapq
from itertools import pairwise
from typing import Final, NamedTuple

import contourpy
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import (
    distance_transform_edt,
    gaussian_filter,
    label,
    map_coordinates,
    zoom,
)
from shapely.geometry.base import BaseGeometry

from siting.site.model import HeightRaster

__all__ = [
    "LOW_SPOT_M",
    "TALL_M",
    "UPSLOPE_M2",
    "LandForms",
    "Undrawn",
    "drainage",
    "land_forms",
    "undrawn",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
    """

    x: float
    y: float
    area_m2: float
    height_m: float


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
        heights = heights - map_coordinates(terrain.heights, place, order=1, cval=np.nan)
    tall = np.nan_to_num(heights, nan=0.0) > TALL_M
    known, window = drawn.buffer(_DRAWN_M), boundary.buffer(_BESIDE_M)
    shapely.prepare([known, window])
    tall[tall] = ~shapely.contains_xy(known, at_x[tall], at_y[tall])
    tall[tall] = shapely.contains_xy(window, at_x[tall], at_y[tall])
    found = _patches(tall, heights, (at_x, at_y), surface.cell_x * surface.cell_y)
    return sorted(found, key=lambda patch: (-patch.area_m2, -patch.y, patch.x))


def _patches(
    tall: NDArray[np.bool_], heights: Floats, at: tuple[Floats, Floats], cell_m2: float
) -> list[Undrawn]:
    """Return the connected patches that are large enough."""
    patches, count = label(tall)
    area = np.bincount(patches.ravel(), minlength=count + 1) * cell_m2
    found = []
    for number in np.flatnonzero(area >= _PATCH_M2):
        if number == 0:  # what is not tall
            continue
        inside = patches == number
        x, y = at[0][inside], at[1][inside]
        # The cell nearest to the middle, which in a ring of trees is none of it.
        near = int(np.argmin(np.hypot(x - x.mean(), y - y.mean())))
        top = float(heights[inside].max())
        found.append(Undrawn(float(x[near]), float(y[near]), float(area[number]), top))
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
        nearest = distance_transform_edt(gaps, return_distances=False, return_indices=True)
        part = part[nearest[0], nearest[1]]
    times = max(1, round(_CELL / terrain.cell_x))
    high, wide = (size // times * times for size in part.shape)
    part = part[:high, :wide].reshape(high // times, times, wide // times, times).mean(axis=(1, 3))
    if terrain.cell_x != terrain.cell_y:
        part = zoom(part, (terrain.cell_y / terrain.cell_x, 1.0), order=1)
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
    z = np.pad(gaussian_filter(land.heights, _SMOOTH, mode="nearest"), 1, mode="reflect")
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
