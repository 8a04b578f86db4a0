"""Exact ray tests at single points, from the vectors: slow, sure, and independent of the raster.

Shares no geometry with `siting.sun.scene`: buildings are met by GEOS predicates, crowns by
solving for the ray in three dimensions.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from siting.sun.scene import fill_tree_defaults

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["lit_share"]

Floats = NDArray[np.float64]


def lit_share(
    points: ArrayLike,
    elevation: ArrayLike,
    azimuth: ArrayLike,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
) -> Floats:
    """Share of the direct light that reaches points on level ground.

    points (P, 2): eastings and northings [m]; elevation, azimuth (N,): True elevation, above 0, and
    azimuth east of north [deg]. Returns 0..1, NaN in a footprint, shape (N, P).
    """
    xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    sun = np.radians(np.column_stack([np.atleast_1d(elevation), np.atleast_1d(azimuth)]))
    filled, _ = fill_tree_defaults(trees)
    shapes = np.asarray(buildings.geometry.array, dtype=object)
    heights = buildings["height"].to_numpy(dtype=np.float64)
    tree = shapely.STRtree(shapes)
    inside = np.zeros(len(xy), dtype=bool)
    inside[tree.query(shapely.points(xy), predicate="within")[0]] = True
    lit = np.empty((len(sun), len(xy)))
    for n, (theta, phi) in enumerate(sun):
        ray = np.array([np.sin(phi), np.cos(phi), np.tan(theta)])  # per metre of level way
        dark = _meets_building(xy, ray, tree, heights)
        lit[n] = np.where(dark, 0.0, _through_crowns(xy, ray, filled))
    lit[:, inside] = np.nan
    return lit


def _meets_building(
    xy: Floats, ray: Floats, tree: shapely.STRtree, heights: Floats
) -> NDArray[np.bool_]:
    """Whether the ray enters a building below its roof."""
    dark = np.zeros(len(xy), dtype=bool)
    if len(heights) == 0:
        return dark
    longest = _segments(xy, ray, 0.0, heights.max() / ray[2])
    point, building = tree.query(longest)
    low = _segments(xy[point], ray, 0.0, heights[building] / ray[2])
    dark[point[shapely.intersects(low, tree.geometries[building])]] = True
    return dark


def _segments(xy: Floats, ray: Floats, start: float, length: Floats | float) -> NDArray[np.object_]:
    """Level pieces of the rays, from one distance to another."""
    near = xy + np.multiply.outer(np.broadcast_to(start, len(xy)), np.ones(2)) * ray[:2]
    far = xy + np.broadcast_to(length, len(xy))[:, None] * ray[:2]
    return np.asarray(shapely.linestrings(np.stack([near, far], axis=1)))


def _through_crowns(xy: Floats, ray: Floats, trees: gpd.GeoDataFrame) -> Floats:
    """Product of the transmissivities of the crowns that the rays meet."""
    share = np.ones(len(xy))
    for row in trees.itertuples():
        top, base = row.height, row.crown_base
        crown = getattr(row, "crown", None)
        if crown is None and row.geometry.area > 0:
            crown = row.geometry
        if isinstance(crown, shapely.Geometry):
            ways = _segments(xy, ray, base / ray[2], top / ray[2])
            met = shapely.intersects(ways, shapely.convex_hull(crown))
        else:
            center = np.array([row.geometry.x, row.geometry.y, (base + top) / 2])
            radius = row.crown_diameter / 2
            met = _meets_ellipsoid(xy, ray, center, np.array([radius, radius, (top - base) / 2]))
        share[met] *= row.transmissivity
    return share


def _meets_ellipsoid(xy: Floats, ray: Floats, center: Floats, axes: Floats) -> NDArray[np.bool_]:
    """Whether rays from the ground pass within an ellipsoid, by the discriminant."""
    start = (np.column_stack([xy, np.zeros(len(xy))]) - center) / axes
    way = ray / axes
    half = start @ way
    met: NDArray[np.bool_] = half**2 >= (way @ way) * ((start**2).sum(axis=1) - 1)
    return met & (half < 0)
