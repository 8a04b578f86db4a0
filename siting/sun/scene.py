"""What casts shade, as flat arrays: walls of buildings and crowns of trees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from siting.errors import Fault, InputError
from siting.site.model import LocalGrid

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

__all__ = [
    "TREE_DEFAULTS",
    "CrownPrisms",
    "Ellipsoids",
    "Scene",
    "TreeDefaults",
    "Walls",
    "build_scene",
    "fill_tree_defaults",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class TreeDefaults:
    """What is assumed of a tree that the layer does not tell.

    Parameters
    ----------
    height : float
        Where neither height nor crown is known; common practice, no source [m].
    spread : float
        Crown diameter over height; common practice, no source.
    base : float
        Height of the crown's underside over the tree's height; common practice, no source (the
        SOLWEIG model takes 0.25: Lindberg and Grimmond 2011, Theor. Appl. Climatol. 105, 311-323,
        from memory).
    transmissivity : float
        Share of direct light that passes a crown in leaf. Between the 0.01-0.05 that Konarska et
        al. (2014, Theor. Appl. Climatol. 117, 363-376) measured and the 0.1-0.3 of Heisler (1986,
        Urban Ecology 9, 337-359); both from memory.
    """

    height: float = 8.0
    spread: float = 0.6
    base: float = 0.3
    transmissivity: float = 0.15


TREE_DEFAULTS: Final = TreeDefaults()

_OPAQUE: Final = 1e-12


@dataclass(frozen=True)
class Walls:
    """Walls from the ground up, the building on the left of a to b; each array has shape (W,).

    Parameters
    ----------
    ax, ay, bx, by : ndarray of float
        Ends, x east and y north [m]; after `Scene.on_grid` columns and rows (y down).
    height : ndarray of float
        [m], or cells.
    building : ndarray of int
        Which building the wall belongs to.
    """

    ax: Floats
    ay: Floats
    bx: Floats
    by: Floats
    height: Floats
    building: NDArray[np.int64]


@dataclass(frozen=True)
class Ellipsoids:
    """Crowns as upright ellipsoids; each array has shape (T,).

    Parameters
    ----------
    x, y, radius, base, top : ndarray of float
        Centre, horizontal half-axis, height of underside and tip [m], or cells.
    log_tau : ndarray of float
        Natural logarithm of the transmissivity; -inf is opaque.
    """

    x: Floats
    y: Floats
    radius: Floats
    base: Floats
    top: Floats
    log_tau: Floats


@dataclass(frozen=True)
class CrownPrisms:
    """Drawn crowns: convex outlines between two heights.

    Parameters
    ----------
    x, y : ndarray of float, shape (P, V)
        Corners of the outline, the last one repeated to fill the row [m], or cells.
    base, top, log_tau : ndarray of float, shape (P,)
        As in `Ellipsoids`.
    """

    x: Floats
    y: Floats
    base: Floats
    top: Floats
    log_tau: Floats


@dataclass(frozen=True)
class Scene:
    """Everything that casts shade from vectors."""

    walls: Walls
    ellipsoids: Ellipsoids
    prisms: CrownPrisms

    def on_grid(self, grid: LocalGrid) -> Scene:
        """Return the scene in cells: x is the column, y the row (down), cell centres whole."""
        cell = grid.resolution

        def column(x: Floats) -> Floats:
            return (x - grid.west) / cell - 0.5

        def row(y: Floats) -> Floats:
            return (grid.north - y) / cell - 0.5

        w, e, p = self.walls, self.ellipsoids, self.prisms
        return Scene(
            Walls(column(w.ax), row(w.ay), column(w.bx), row(w.by), w.height / cell, w.building),
            Ellipsoids(
                column(e.x), row(e.y), e.radius / cell, e.base / cell, e.top / cell, e.log_tau
            ),
            CrownPrisms(column(p.x), row(p.y), p.base / cell, p.top / cell, p.log_tau),
        )


def build_scene(
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    *,
    height_scale: float = 1.0,
    transmissivity_scale: float = 1.0,
) -> Scene:
    """Turn the layers into walls and crowns.

    Parameters
    ----------
    buildings, trees : GeoDataFrame
        As in `siting.site.model.Site`; unknown numbers of trees take `TREE_DEFAULTS`.
    height_scale, transmissivity_scale : float
        Factors on every height and every transmissivity (which stays within 0..1).

    Returns
    -------
    Scene
        In metres.

    Raises
    ------
    InputError
        If a building has no height, or a number of a tree is out of range; all faults at once.
    """
    filled, _ = fill_tree_defaults(trees)
    faults = [*_building_faults(buildings), *_tree_faults(filled)]
    if faults:
        raise InputError(faults)
    tau = np.clip(_numbers(filled, "transmissivity") * transmissivity_scale, 0.0, 1.0)
    with np.errstate(divide="ignore"):
        log_tau = np.where(tau > _OPAQUE, np.log(tau), -np.inf)
    top = _numbers(filled, "height") * height_scale
    base = top * TREE_DEFAULTS.base
    drawn = _drawn(filled)
    casts = (log_tau < 0) & (top > 0)
    round_crown, prism = casts & (drawn == None), casts & (drawn != None)  # noqa: E711
    points = shapely.centroid(np.asarray(filled.geometry.array, dtype=object)[round_crown])
    ellipsoids = Ellipsoids(
        shapely.get_x(points),
        shapely.get_y(points),
        _numbers(filled, "crown_diameter")[round_crown] / 2,
        base[round_crown],
        top[round_crown],
        log_tau[round_crown],
    )
    x, y = _outlines(drawn[prism])
    prisms = CrownPrisms(x, y, base[prism], top[prism], log_tau[prism])
    return Scene(_walls(buildings, height_scale), ellipsoids, prisms)


def fill_tree_defaults(
    trees: gpd.GeoDataFrame,
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Fill what the trees layer does not tell, and say so.

    Parameters
    ----------
    trees : GeoDataFrame
        Columns height, crown_diameter [m], transmissivity (0..1), crown (Polygon or None).

    Returns
    -------
    GeoDataFrame
        A copy without NaN in these three columns.
    tuple of str
        What was assumed, one sentence per column.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import Point
    >>> frame = gpd.GeoDataFrame({"height": [10.0]}, geometry=[Point(0, 0)])
    >>> filled, notes = fill_tree_defaults(frame)
    >>> float(filled["crown_diameter"].iloc[0]), len(notes)
    (6.0, 2)
    """
    rule = TREE_DEFAULTS
    height, spread = _numbers(trees, "height"), _numbers(trees, "crown_diameter")
    tau = _numbers(trees, "transmissivity")
    drawn = _drawn(trees)
    outlined = np.array([crown is not None for crown in drawn], dtype=bool)
    spread[outlined] = 2 * np.sqrt(shapely.area(drawn[outlined]) / np.pi)
    no_spread = np.isnan(spread)
    no_height = np.isnan(height)
    new_height = np.where(no_spread, rule.height, spread / rule.spread)
    height = np.where(no_height, new_height, height)
    filled = trees.copy()
    filled["height"] = height
    filled["crown_diameter"] = np.where(no_spread, rule.spread * height, spread)
    filled["transmissivity"] = np.where(np.isnan(tau), rule.transmissivity, tau)
    notes = [
        (no_height, f"height: crown diameter / {rule.spread}, or {rule.height} m without a crown"),
        (no_spread, f"crown diameter: {rule.spread} x height"),
        (np.isnan(tau), f"transmissivity: {rule.transmissivity}"),
    ]
    said = tuple(f"{int(miss.sum())} trees without {text}." for miss, text in notes if miss.any())
    return filled, said


def _numbers(frame: pd.DataFrame, column: str) -> Floats:
    """Return a column as a fresh float array; NaN where the frame does not have it."""
    if column not in frame.columns:
        return np.full(len(frame), np.nan)
    return frame[column].to_numpy(dtype=np.float64, na_value=np.nan, copy=True)


def _drawn(trees: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Return the crown drawn for each tree, as a polygon or None."""
    geometry = np.asarray(trees.geometry.array, dtype=object)
    crowns = trees["crown"] if "crown" in trees.columns else [None] * len(trees)
    drawn = np.full(len(trees), None, dtype=object)
    for i, (crown, shape) in enumerate(zip(crowns, geometry, strict=True)):
        for found in (crown, shape):  # a trees layer of polygons is a layer of crowns
            if drawn[i] is None and isinstance(found, shapely.Geometry) and shapely.area(found) > 0:
                drawn[i] = found
    return drawn


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
    height = _numbers(buildings, "height")[building] * height_scale
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
    height = _numbers(buildings, "height")
    bad = np.flatnonzero(~np.isfinite(height) | (height < 0))
    names = buildings["feature"] if "feature" in buildings.columns else buildings.index
    return [
        Fault(
            "buildings",
            f"height {height[i]:g}",
            "0 m or more",
            "Give the building a height.",
            feature=str(list(names)[i]),
            column="height",
        )
        for i in bad
    ]


def _tree_faults(trees: gpd.GeoDataFrame) -> list[Fault]:
    """Return a fault for each number of a tree that cannot be."""
    faults = []
    limits = (("height", np.inf), ("crown_diameter", np.inf), ("transmissivity", 1.0))
    names = trees["feature"] if "feature" in trees.columns else trees.index
    for column, most in limits:
        values = _numbers(trees, column)
        for i in np.flatnonzero(~np.isfinite(values) | (values < 0) | (values > most)):
            allowed = "0 to 1" if most == 1.0 else "0 m or more"
            found = f"{column} {values[i]:g}"
            feature = str(list(names)[i])
            faults.append(
                Fault("trees", found, allowed, "Correct it.", feature=feature, column=column)
            )
    return faults
