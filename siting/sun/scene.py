"""What casts shade, as flat arrays, and the spans of cells that a footprint covers.

Weights of directions are rounded to multiples of 2**-46 (1.4e-14). Sums of such numbers up to 2**7
are exact in float64, so the same cells give the same bits whatever the tiles, the threads and the
engine.

The shadow of a prism on level ground is its footprint and, for every wall that is turned away from
the sun, the parallelogram between the wall's foot and its top displaced by height / tan(elevation).
The displaced footprint adds nothing: a shadow point outside the footprint, followed towards the
sun, enters the building through such a wall, so it lies in that wall's parallelogram. Crowns are
convex bodies, so each has one convex shadow: an ellipse, or the outline swept from base to top.

Every piece is cut, column by column, into one span of rows whose cell centres lie within it
(`siting.sun.kernels`). Spans are closed at both ends and two pieces that share a corner compute
their common edge from the same numbers by the same operations, so neighbours leave no gap between
them.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from siting.arrays import Flags, Floats, Ints
from siting.errors import Fault, InputError
from siting.site.model import LocalGrid

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd


# What is assumed of a tree that the layer does not tell.
#: Height where neither height nor crown is known [m], crown diameter over height, and height of the
#: crown's underside over the tree's: common practice, no source (of the underside the SOLWEIG model
#: takes 0.25: Lindberg and Grimmond 2011, Theor. Appl. Climatol. 105, 311-323, from memory).
TREE_HEIGHT_M: Final = 8.0
_SPREAD: Final = 0.6
_BASE: Final = 0.3
#: Share of direct light that passes a crown in leaf. Between the 0.01-0.05 that Konarska et al.
#: (2014, Theor. Appl. Climatol. 117, 363-376) measured and the 0.1-0.3 of Heisler (1986, Urban
#: Ecology 9, 337-359), both from memory; and a deciduous crown out of leaf: 0.40 to 0.52 measured
#: by Konarska et al. (2014), from memory.
_IN_LEAF: Final = 0.15
BARE: Final = 0.45
#: Least latitude [deg] -> first and last month in leaf, north of the equator. Common practice, no
#: source; the middle band is near the days 97 to 300 that the SOLWEIG model takes (from memory).
_LEAF: Final = ((55.0, 5, 9), (35.0, 4, 10), (23.5, 3, 11), (0.0, 1, 12))
_HALF_YEAR: Final = 6
_OPAQUE: Final = 1e-12


def leaf_months(latitude: float) -> tuple[int, ...]:
    """Months in which deciduous trees are in leaf.

    April to October from 35 to 55 degrees, March to November nearer the tropics, May to September
    nearer the pole, the whole year within the tropics; six months later in the south.

    Parameters
    ----------
    latitude : float
        North positive [deg].

    Returns
    -------
    tuple of int
        Months 1..12, rising.

    Examples
    --------
    >>> leaf_months(51.0)
    (4, 5, 6, 7, 8, 9, 10)
    >>> leaf_months(-34.0)
    (1, 2, 3, 4, 5, 9, 10, 11, 12)
    """
    first, last = next((a, b) for least, a, b in _LEAF if abs(latitude) >= least)
    shift = _HALF_YEAR if latitude < 0 else 0
    return tuple(sorted((month - 1 + shift) % 12 + 1 for month in range(first, last + 1)))


def fill_tree_defaults(
    trees: gpd.GeoDataFrame,
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Fill what the trees layer does not tell, and say so.

    trees: columns height, crown_diameter, crown_base [m], transmissivity (0..1), crown (Polygon or
    None). Result: a copy without NaN in the first four columns; what was assumed, one sentence per
    column.

    >>> import geopandas as gpd
    >>> from shapely import Point
    >>> frame = gpd.GeoDataFrame({"height": [10.0]}, geometry=[Point(0, 0)])
    >>> filled, notes = fill_tree_defaults(frame)
    >>> float(filled["crown_diameter"].iloc[0]), len(notes)
    (6.0, 2)
    """
    height, spread = column(trees, "height"), column(trees, "crown_diameter")
    tau, base = column(trees, "transmissivity"), column(trees, "crown_base")
    drawn = _drawn_crowns(trees)
    outlined = np.array([crown is not None for crown in drawn], dtype=bool)
    spread[outlined] = 2 * np.sqrt(shapely.area(drawn[outlined]) / np.pi)
    no_spread = np.isnan(spread)
    no_height = np.isnan(height)
    new_height = np.where(no_spread, TREE_HEIGHT_M, spread / _SPREAD)
    height = np.where(no_height, new_height, height)
    filled = trees.copy()
    filled["height"] = height
    filled["crown_diameter"] = np.where(no_spread, _SPREAD * height, spread)
    filled["crown_base"] = np.where(np.isnan(base), _BASE * height, base)
    filled["transmissivity"] = np.where(np.isnan(tau), _IN_LEAF, tau)
    notes = [
        (no_height, f"height: crown diameter / {_SPREAD}, or {TREE_HEIGHT_M} m without a crown"),
        (no_spread, f"crown diameter: {_SPREAD} x height"),
        (np.isnan(tau), f"transmissivity: {_IN_LEAF}"),
    ]
    said = tuple(f"{int(miss.sum())} trees without {text}." for miss, text in notes if miss.any())
    return filled, said


def bare_transmissivity(trees: pd.DataFrame) -> Floats:
    """Share of the direct light that passes each tree out of leaf.

    An evergreen, and a tree of which the layer tells neither whether it is evergreen nor how much
    passes it bare, keeps its leaves all year.

    Parameters
    ----------
    trees : DataFrame
        Columns transmissivity, and where known transmissivity_bare (0..1) and evergreen (True,
        False or None).

    Returns
    -------
    ndarray, shape (T,)
        0..1.
    """
    leaf, bare = column(trees, "transmissivity"), column(trees, "transmissivity_bare")
    known = trees["evergreen"] if "evergreen" in trees.columns else [None] * len(trees)
    evergreen = np.array([flag in (True, 1) for flag in known], dtype=bool)
    deciduous = np.array([flag in (False, 0) for flag in known], dtype=bool)
    assumed = np.where(deciduous, np.maximum(leaf, BARE), leaf)
    return np.where(evergreen, leaf, np.where(np.isnan(bare), assumed, bare))


def _log_transmissivity(tau: Floats, scale: float) -> Floats:
    """Natural logarithm of scaled transmissivities, which stay within 0..1; -inf is opaque.

    tau (T,): 0..1. Result: 0 or less, shape (T,).
    """
    share = np.clip(tau * scale, 0.0, 1.0)
    with np.errstate(divide="ignore"):
        return np.where(share > _OPAQUE, np.log(share), -np.inf)


def column(frame: pd.DataFrame, name: str) -> Floats:
    """Return a column as a fresh float array; NaN where the frame does not have it.

    name: the column. Result: a copy, shape (N,).
    """
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return frame[name].to_numpy(dtype=np.float64, na_value=np.nan, copy=True)


def _drawn_crowns(trees: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Return the crown drawn for each tree, as a polygon or None.

    trees: column crown, or polygons for geometry. Result: a trees layer of polygons is a layer of
    crowns, shape (T,).
    """
    geometry = np.asarray(trees.geometry.array, dtype=object)
    crowns = trees["crown"] if "crown" in trees.columns else [None] * len(trees)
    drawn = np.full(len(trees), None, dtype=object)
    for i, (crown, shape) in enumerate(zip(crowns, geometry, strict=True)):
        for found in (crown, shape):
            if drawn[i] is None and isinstance(found, shapely.Geometry) and shapely.area(found) > 0:
                drawn[i] = found
    return drawn


def _range_faults(
    frame: pd.DataFrame, layer: str, limits: tuple[tuple[str, float], ...], *, told: bool = True
) -> list[Fault]:
    """Return a fault for each number that cannot be.

    frame: the features; limits: column and greatest value, the least is 0; told: whether an unknown
    number is one of them. Result: in the order of `limits`.
    """
    faults = []
    for name, most in limits:
        values = column(frame, name)
        wrong = ~np.isfinite(values) | (values < 0) | (values > most)
        for i in np.flatnonzero(wrong & (told | ~np.isnan(values))):
            allowed = "0 to 1" if most == 1.0 else "0 m or more"
            found, mend = f"{name} {values[i]:g}", "Correct it."
            feature = _feature(frame, int(i))
            faults.append(Fault(layer, found, allowed, mend, feature=feature, column=name))
    return faults


def _feature(frame: pd.DataFrame, row: int) -> str:
    """Return the id of a feature: of column `feature`, or of the index."""
    return str(frame["feature"].iloc[row] if "feature" in frame.columns else frame.index[row])


#: Adding and taking away this number rounds numbers below 32 to multiples of 2**-46.
ROUNDER: Final = 1.5 * 2.0 ** (52 - 46)
#: Logarithms of transmissivities are multiples of this; their sums are exact up to 2**13.
LOG_QUANTUM: Final = 2.0**-40


def rounded(values: Floats) -> Floats:
    """Round numbers below 32 to multiples of 2**-46.

    >>> parts = rounded(np.array([0.1, 0.2, 0.3]))
    >>> bool(parts.sum() == parts[::-1].sum()), float(abs(parts[0] - 0.1)) < 2**-47
    (True, True)
    """
    result: Floats = (values + ROUNDER) - ROUNDER
    return result


def _rounded_logs(log_tau: Floats) -> Floats:
    """Round logarithms of transmissivities to multiples of `LOG_QUANTUM`; -inf stays."""
    return np.rint(log_tau / LOG_QUANTUM) * LOG_QUANTUM


_DARK: Final = -64.0  # logarithm of a transmissivity that is 0 in every sum
_ELLIPSOID: Final = ("x", "y", "radius", "base", "top", "log_tau", "bare")
_PRISM: Final = ("x", "y", "normal_x", "normal_y", "support", "base", "top", "log_tau", "bare")


@dataclass(frozen=True)
class Walls:
    """Walls from the ground up, the building on the left of a to b; each array has shape (W,).

    ax, ay, bx, by: ends, x east and y north [m], after `Scene.on_grid` columns and rows (y down);
    height: [m], or cells; building: which building the wall belongs to, rising.
    """

    ax: Floats
    ay: Floats
    bx: Floats
    by: Floats
    height: Floats
    building: Ints


@dataclass(frozen=True)
class Sheets:
    """Free-standing walls, hedges and fences, without thickness; each array has shape (S,).

    ax, ay, bx, by, height: as in `Walls`, with no side of their own; log_tau: natural logarithm of
    the transmissivity, -inf is opaque; tilt (2, S): how the ground rises along columns and rows,
    see `siting.sun.relief`, None is level.
    """

    ax: Floats
    ay: Floats
    bx: Floats
    by: Floats
    height: Floats
    log_tau: Floats
    tilt: Floats | None = None


@dataclass(frozen=True)
class Ellipsoids:
    """Crowns as upright ellipsoids; each array has shape (T,).

    x, y, radius, base, top: centre, horizontal half-axis, height of underside and tip [m], or
    cells; log_tau, bare: natural logarithm of the transmissivity, in and out of leaf, -inf is
    opaque; tilt (2, T): how the ground rises along columns and rows, see `siting.sun.relief`, None
    is level.
    """

    x: Floats
    y: Floats
    radius: Floats
    base: Floats
    top: Floats
    log_tau: Floats
    bare: Floats
    tilt: Floats | None = None


@dataclass(frozen=True)
class CrownPrisms:
    """Drawn crowns: convex outlines between two heights. Made by `_crown_prisms`.

    x, y (P, V): corners of the outline, the last one repeated to fill the row [m], or cells;
    normal_x, normal_y, support (P, V): half-planes ``normal . p <= support`` of the outline's
    sides, 0 for sides without length; base, top, log_tau, bare (P,): as in `Ellipsoids`; tilt (2,
    P): how the ground rises along columns and rows, see `siting.sun.relief`, None is level.
    """

    x: Floats
    y: Floats
    normal_x: Floats
    normal_y: Floats
    support: Floats
    base: Floats
    top: Floats
    log_tau: Floats
    bare: Floats
    tilt: Floats | None = None


@dataclass(frozen=True)
class Scene:
    """Everything that casts shade from vectors.

    walls: buildings; sheets: free-standing walls, hedges and fences; ellipsoids: crowns of trees
    known by height and width; prisms: crowns that were drawn.
    """

    walls: Walls
    sheets: Sheets
    ellipsoids: Ellipsoids
    prisms: CrownPrisms

    @property
    def changes(self) -> bool:
        """Whether any crown passes more or less light out of leaf."""
        e, p = self.ellipsoids, self.prisms
        return not (np.array_equal(e.log_tau, e.bare) and np.array_equal(p.log_tau, p.bare))

    def out_of_leaf(self) -> Scene:
        """Return the scene with bare crowns."""
        e, p = self.ellipsoids, self.prisms
        return replace(
            self, ellipsoids=replace(e, log_tau=e.bare), prisms=replace(p, log_tau=p.bare)
        )

    def solid(self) -> Scene:
        """Return the buildings and the opaque walls alone."""
        s, e, p = self.sheets, self.ellipsoids, self.prisms
        on = np.isneginf(s.log_tau)
        parts = (part[on] for part in (s.ax, s.ay, s.bx, s.by, s.height, s.log_tau))
        none = [getattr(e, name)[:0] for name in _ELLIPSOID]
        crowns = [getattr(p, name)[:0] for name in _PRISM]
        return Scene(self.walls, Sheets(*parts), Ellipsoids(*none), CrownPrisms(*crowns))

    def veiled(self) -> Scene:
        """Return the scene with opaque crowns as thin ones that pass next to nothing."""
        e, p = self.ellipsoids, self.prisms
        return replace(
            self,
            ellipsoids=replace(e, log_tau=np.maximum(e.log_tau, _DARK)),
            prisms=replace(p, log_tau=np.maximum(p.log_tau, _DARK)),
        )

    def on_grid(self, grid: LocalGrid) -> Scene:
        """Return the scene in cells: x is the column, y the row (down), cell centres whole.

        Result: lengths in cells; heights too.
        """
        cell = grid.resolution

        def column(x: Floats) -> Floats:
            return (x - grid.west) / cell - 0.5

        def row(y: Floats) -> Floats:
            return (grid.north - y) / cell - 0.5

        w, s, e, p = self.walls, self.sheets, self.ellipsoids, self.prisms
        return Scene(
            Walls(column(w.ax), row(w.ay), column(w.bx), row(w.by), w.height / cell, w.building),
            Sheets(column(s.ax), row(s.ay), column(s.bx), row(s.by), s.height / cell, s.log_tau),
            replace(
                e,
                x=column(e.x),
                y=row(e.y),
                radius=e.radius / cell,
                base=e.base / cell,
                top=e.top / cell,
            ),
            _crown_prisms(
                column(p.x), row(p.y), (p.base / cell, p.top / cell), (p.log_tau, p.bare)
            ),
        )


def _crown_prisms(
    x: Floats, y: Floats, heights: tuple[Floats, Floats], log_tau: tuple[Floats, Floats]
) -> CrownPrisms:
    """Make prisms from outlines, and work out the half-planes of their sides.

    x, y (P, V): corners of convex outlines, in order, the last one repeated; heights, log_tau (P,):
    base and top, logarithm of the transmissivity in and out of leaf. Result: sides point outwards,
    whichever way the outline runs.
    """
    edge_x, edge_y = np.diff(x, axis=1, append=x[:, :1]), np.diff(y, axis=1, append=y[:, :1])
    normal_x, normal_y = -edge_y, edge_x
    middle_x, middle_y = x.mean(axis=1, keepdims=True), y.mean(axis=1, keepdims=True)
    inward = (normal_x * (x - middle_x) + normal_y * (y - middle_y)).sum(axis=1) < 0
    sign = np.where(inward, -1.0, 1.0)[:, None]
    normal_x, normal_y = sign * normal_x, sign * normal_y
    return CrownPrisms(x, y, normal_x, normal_y, normal_x * x + normal_y * y, *heights, *log_tau)


def build_scene(
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
    *,
    height_scale: float = 1.0,
    transmissivity_scale: float = 1.0,
) -> Scene:
    """Turn the layers into walls, sheets and crowns.

    buildings, trees, walls: as in `siting.site.model.Site`, unknown numbers of trees take
    the sizes of this file, walls of unknown transmissivity are opaque; height_scale,
    transmissivity_scale: factors on every height and every transmissivity (which stays within
    0..1).
    """
    filled, _ = fill_tree_defaults(trees)
    faults = [*_building_faults(buildings), *_tree_faults(filled), *_wall_faults(walls)]
    if faults:
        raise InputError(faults)
    ellipsoids, prisms = _crowns(filled, height_scale, transmissivity_scale)
    return Scene(
        _walls(buildings, height_scale),
        _sheets(walls, height_scale, transmissivity_scale),
        ellipsoids,
        prisms,
    )


def _crowns(
    trees: gpd.GeoDataFrame, height_scale: float, transmissivity_scale: float
) -> tuple[Ellipsoids, CrownPrisms]:
    """Return round and drawn crowns."""
    log_tau = _log_transmissivity(column(trees, "transmissivity"), transmissivity_scale)
    bare = _log_transmissivity(bare_transmissivity(trees), transmissivity_scale)
    log_tau, bare = _rounded_logs(log_tau), _rounded_logs(bare)
    top = column(trees, "height") * height_scale
    base = column(trees, "crown_base") * height_scale
    drawn = _drawn_crowns(trees)
    casts = ((log_tau < 0) | (bare < 0)) & (top > 0)
    round_crown, prism = casts & (drawn == None), casts & (drawn != None)  # noqa: E711
    points = shapely.centroid(np.asarray(trees.geometry.array, dtype=object)[round_crown])
    ellipsoids = Ellipsoids(
        shapely.get_x(points),
        shapely.get_y(points),
        column(trees, "crown_diameter")[round_crown] / 2,
        base[round_crown],
        top[round_crown],
        log_tau[round_crown],
        bare[round_crown],
    )
    x, y = _outlines(drawn[prism])
    return ellipsoids, _crown_prisms(x, y, (base[prism], top[prism]), (log_tau[prism], bare[prism]))


def _sheets(
    walls: gpd.GeoDataFrame | None, height_scale: float, transmissivity_scale: float
) -> Sheets:
    """Return every piece of the lines; pieces without length or height, or clear, are left out."""
    if walls is None or len(walls) == 0:
        none = np.zeros(0)
        return Sheets(none, none, none, none, none, none)
    lines, owner = shapely.get_parts(
        np.asarray(walls.geometry.array, dtype=object), return_index=True
    )
    xy, line = shapely.get_coordinates(lines, return_index=True)
    row = owner[line]
    tau = np.nan_to_num(column(walls, "transmissivity"), nan=0.0)
    log_tau = _rounded_logs(_log_transmissivity(tau, transmissivity_scale))
    height = column(walls, "height") * height_scale
    piece = np.flatnonzero(
        (line[1:] == line[:-1])
        & (xy[1:] != xy[:-1]).any(axis=1)
        & (log_tau[row[1:]] < 0)
        & (height[row[1:]] > 0)
    )
    a, b, row = xy[piece], xy[piece + 1], row[piece]
    return Sheets(a[:, 0], a[:, 1], b[:, 0], b[:, 1], height[row], log_tau[row])


def _walls(buildings: gpd.GeoDataFrame, height_scale: float) -> Walls:
    """Return every ring's edges, exterior and interior, with the building on the left."""
    shapes = np.asarray(buildings.geometry.array, dtype=object)
    parts, owner = shapely.get_parts(shapes, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    exterior = np.diff(part, prepend=-1) != 0
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    edge = np.flatnonzero((ring[1:] == ring[:-1]) & (xy[1:] != xy[:-1]).any(axis=1))
    turn = (shapely.is_ccw(rings) != exterior)[ring[edge]]
    a, b = edge + turn, edge + ~turn
    building = owner[part[ring[edge]]].astype(np.int64)
    height = column(buildings, "height")[building] * height_scale
    return Walls(xy[a, 0], xy[a, 1], xy[b, 0], xy[b, 1], height, building)


def _outlines(crowns: NDArray[np.object_]) -> tuple[Floats, Floats]:
    """Return the corners of the crowns' convex hulls, padded to one length."""
    xy, owner = shapely.get_coordinates(shapely.convex_hull(crowns), return_index=True)
    count = np.bincount(owner, minlength=len(crowns))
    width = int(count.max(initial=1))
    pick = np.minimum(np.arange(width), count[:, None] - 1) + (np.cumsum(count) - count)[:, None]
    return xy[pick, 0], xy[pick, 1]


def _building_faults(buildings: gpd.GeoDataFrame) -> list[Fault]:
    """Return a fault for each building without a usable height."""
    height = column(buildings, "height")
    bad = np.flatnonzero(~np.isfinite(height) | (height < 0))
    return [
        Fault(
            "buildings",
            f"height {height[i]:g}",
            "0 m or more",
            "Give the building a height.",
            feature=_feature(buildings, int(i)),
            column="height",
        )
        for i in bad
    ]


def _tree_faults(trees: gpd.GeoDataFrame) -> list[Fault]:
    """Return a fault for each number of a tree that cannot be."""
    limits = (
        ("height", np.inf),
        ("crown_diameter", np.inf),
        ("crown_base", np.inf),
        ("transmissivity", 1.0),
    )
    faults = _range_faults(trees, "trees", limits)
    if "transmissivity_bare" in trees.columns:
        faults += _range_faults(trees, "trees", (("transmissivity_bare", 1.0),), told=False)
    height = column(trees, "height")
    high = column(trees, "crown_base") >= height
    faults += [
        Fault(
            "trees",
            f"crown_base {trees['crown_base'].iloc[i]:g} at height {trees['height'].iloc[i]:g}",
            "a crown that begins below the top",
            "Correct it.",
            feature=_feature(trees, int(i)),
            column="crown_base",
        )
        for i in np.flatnonzero(high & (height > 0))
    ]
    return faults


def _wall_faults(walls: gpd.GeoDataFrame | None) -> list[Fault]:
    """Return a fault for each number of a wall that cannot be."""
    if walls is None:
        return []
    faults = _range_faults(walls, "walls", (("height", np.inf),))
    if "transmissivity" in walls.columns:
        faults += _range_faults(walls, "walls", (("transmissivity", 1.0),), told=False)
    return faults


Shorts = NDArray[np.int32]
#: Ground that falls nearly as fast as the light makes a shadow 20 times as long, and no longer.
LEAST: Final = 0.05


class Tile(NamedTuple):
    """A block of cells: first row and column, one past the last row and column.

    top, left: first row and column; bottom, right: one past the last row and column.
    """

    top: int
    left: int
    bottom: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bottom - self.top, self.right - self.left


@dataclass(frozen=True)
class Rays:
    """Directions of light; each array has shape (K,).

    x, y: unit vector away from the light, x along columns and y along rows (down); reach: length of
    the shadow of a thing of height 1, 1 / tan(elevation).
    """

    x: Floats
    y: Floats
    reach: Floats

    def part(self, start: int, stop: int) -> Rays:
        """Return the directions from `start` up to `stop`; views of the arrays."""
        return Rays(self.x[start:stop], self.y[start:stop], self.reach[start:stop])


@dataclass(frozen=True)
class Spans:
    """Cells within pieces, as spans of rows; each array has shape (S,).

    ray, piece, column, first, last: direction, wall or crown, column, first and last row, all
    within the tile.
    """

    ray: Shorts
    piece: Shorts
    column: Shorts
    first: Shorts
    last: Shorts


def rays(elevation: Floats, azimuth: Floats) -> Rays:
    """Turn positions of the sun into directions of light.

    elevation, azimuth (K,): true elevation, above 0, and azimuth east of north [deg]. Result:
    shadows fall away from the sun: the sun in the south throws them up the rows.
    """
    phi = np.radians(azimuth)
    theta = np.radians(elevation)
    return Rays(-np.sin(phi), np.cos(phi), np.cos(theta) / np.sin(theta))


def footprint_spans(walls: Walls, tile: Tile) -> Spans:
    """Cut the buildings' footprints into spans, by even-odd parity, courtyards left out.

    Result: `piece` numbers the buildings; `ray` is 0.
    """
    wall, column, row = _crossings(walls, tile)
    building = walls.building[wall]
    order = np.lexsort((row, column, building))
    enter, leave = order[0::2], order[1::2]
    ray = np.zeros(len(enter), dtype=np.int64)
    return _rows(ray, building[enter], column[enter], row[enter], row[leave], tile)


def covered(walls: Walls, tile: Tile) -> Flags:
    """Whether a cell of the tile lies in any footprint, shape (rows, columns).

    Down a column, a wall that runs east leaves its building, which is on its left, and one that
    runs west enters it: every entry puts +1 at the first row within, every exit -1 after the last,
    and a running sum counts the buildings over each cell.
    """
    rows, columns = tile.shape
    wall, column, row = _crossings(walls, tile)
    enters = walls.bx[wall] < walls.ax[wall]
    first = np.clip(np.where(enters, np.ceil(row), np.floor(row) + 1), tile.top, tile.bottom)
    place = (first.astype(np.int64) - tile.top) * columns + column - tile.left
    total = np.zeros((rows + 1, columns), dtype=np.int16)
    np.add.at(total.ravel(), place, np.where(enters, np.int16(1), np.int16(-1)))
    for above, here in itertools.pairwise(total):
        np.add(above, here, out=here)
    return total[:rows] > 0


def _crossings(walls: Walls, tile: Tile) -> tuple[Ints, Ints, Floats]:
    """Where walls cross the columns of a tile: wall, column and row.

    Half-open, low <= column < high, so that a corner on a column counts once.
    """
    low, high = np.minimum(walls.ax, walls.bx), np.maximum(walls.ax, walls.bx)
    wall, column = _columns(low, np.nextafter(high, -np.inf), tile)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (walls.by - walls.ay) / (walls.bx - walls.ax)
    return wall, column, walls.ay[wall] + slope[wall] * (column - walls.ax[wall])


def _columns(low: Floats, high: Floats, tile: Tile) -> tuple[Ints, Ints]:
    """Every column of the tile from `low` to `high`: the item it belongs to, and the column."""
    first = np.maximum(np.ceil(low), tile.left).astype(np.int64)
    last = np.minimum(np.floor(high), tile.right - 1).astype(np.int64)
    count = np.maximum(last - first + 1, 0)
    item = np.repeat(np.arange(len(count)), count)
    column = np.arange(len(item)) + np.repeat(first - (np.cumsum(count) - count), count)
    return item, column


def _rows(ray: Ints, piece: Ints, column: Ints, lower: Floats, upper: Floats, tile: Tile) -> Spans:
    """Keep the spans that hold a cell centre of the tile."""
    first = np.maximum(np.ceil(lower), tile.top)
    last = np.minimum(np.floor(upper), tile.bottom - 1)
    keep = first <= last
    found = (values[keep].astype(np.int32) for values in (ray, piece, column, first, last))
    return Spans(*found)
