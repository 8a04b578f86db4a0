"""What hides the sky from one point on level ground: exact angles, straight from the vectors.

Every obstacle is met by a closed form in the upright plane of one azimuth: a wall by the distance
at which the plane crosses it, an ellipsoid by the tangents of the ellipse in which the plane cuts
it, a drawn crown by the distances at which the plane enters and leaves its outline.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from siting.errors import Fault, InputError
from siting.sun.scene import CrownPrisms, Ellipsoids, Scene, build_scene

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["Horizon", "horizon"]

Floats = NDArray[np.float64]

_ZENITH: Final = 90.0
_BLOCK: Final = 90  # azimuths worked on at once


@dataclass(frozen=True)
class Horizon:
    """The obstacle horizon of one point.

    azimuth (A,): east of north [deg]; solid (A,): elevation up to which buildings and opaque walls
    hide the sky, 0 where it is free [deg]; low, high (T, A): elevations between which a crown or a
    hedge lies, NaN where an azimuth misses it [deg]; transmissivity (T,): share of direct light
    that passes each crown (in leaf) or hedge, 0..1.
    """

    azimuth: Floats
    solid: Floats
    low: Floats
    high: Floats
    transmissivity: Floats

    def light(self, elevation: ArrayLike) -> Floats:
        """Share of the direct light that arrives from an elevation at each azimuth.

        elevation (A,): one elevation for each of `azimuth` [deg]. Returns 0..1, transmissivities of
        crowns in line multiply, shape (A,).
        """
        angle = np.asarray(elevation, dtype=np.float64)
        met = (angle >= self.low) & (angle <= self.high)
        share: Floats = np.where(met, self.transmissivity[:, None], 1.0).prod(axis=0)
        return np.where(angle > self.solid, share, 0.0)


def horizon(
    point: tuple[float, float],
    azimuth: ArrayLike | None = None,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
) -> Horizon:
    """Return the obstacle horizon of one point on level ground.

    point: Easting and northing [m]; azimuth (A,): azimuths east of north, the default is every
    quarter of a degree [deg]. Returns exact at each azimuth.

    >>> import geopandas as gpd
    >>> import shapely
    >>> house = gpd.GeoDataFrame({"height": [10.0]}, geometry=[shapely.box(-5, 10, 5, 20)])
    >>> no_trees = gpd.GeoDataFrame({"height": []}, geometry=[])
    >>> horizon((0, 0), [0.0, 90.0], buildings=house, trees=no_trees).solid.round(6)
    array([45.,  0.])
    """
    steps = np.arange(0.0, 360.0, 0.25) if azimuth is None else azimuth
    angles = np.atleast_1d(np.asarray(steps, dtype=np.float64))
    scene = build_scene(buildings, trees, walls)
    if shapely.contains_xy(np.asarray(buildings.geometry.array, dtype=object), *point).any():
        place = f"{point[0]:.2f}, {point[1]:.2f}"
        raise InputError([Fault("point", place, "outside buildings", "Move the point.")])
    phi = np.radians(angles)
    way = np.stack([np.sin(phi), np.cos(phi)], axis=1)
    here = np.asarray(point, dtype=np.float64)
    solid = np.zeros(len(angles))
    for start in range(0, len(angles), _BLOCK):
        part = slice(start, start + _BLOCK)
        solid[part] = _solid(scene, here, way[part])
    bands = [
        _ellipsoid_bands(scene.ellipsoids, here, way),
        _prism_bands(scene.prisms, here, way),
        _hedge_bands(scene, here, way),
    ]
    low, high, log_tau = (np.concatenate(parts) for parts in zip(*bands, strict=True))
    return Horizon(angles, solid, low, high, np.exp(log_tau))


def _solid(scene: Scene, here: Floats, way: Floats) -> Floats:
    """Greatest elevation of any wall, per azimuth [deg]."""
    sheets = scene.sheets
    opaque = np.isneginf(sheets.log_tau)
    ends = [
        np.concatenate([getattr(scene.walls, name), getattr(sheets, name)[opaque]])
        for name in ("ax", "ay", "bx", "by", "height")
    ]
    if len(ends[0]) == 0:
        return np.zeros(len(way))
    highest: Floats = _rise(ends[4], _distance(here, way, ends)).max(axis=1)
    return highest


def _distance(here: Floats, way: Floats, ends: list[Floats]) -> Floats:
    """Level distance at which each azimuth meets each segment, inf where not, shape (A, W)."""
    ax, ay, bx, by = ends[0] - here[0], ends[1] - here[1], ends[2] - here[0], ends[3] - here[1]
    x, y = way[:, 0, None], way[:, 1, None]
    side_a, side_b = ax * y - ay * x, bx * y - by * x
    along_a, along_b = ax * x + ay * y, bx * x + by * y
    flat = side_a == side_b  # seen end on: the nearer end counts
    with np.errstate(divide="ignore", invalid="ignore"):
        share = side_a / (side_a - side_b)
        found = along_a + share * (along_b - along_a)
    found = np.where(flat, np.minimum(along_a, along_b), found)
    meets = (side_a * side_b <= 0) & (~flat | (side_a == 0)) & (found > 0)
    return np.where(meets, found, np.inf)


def _rise(height: Floats, distance: Floats) -> Floats:
    """Elevation of a height at a distance [deg]."""
    return np.degrees(np.arctan2(np.broadcast_to(height, distance.shape), distance))


def _ellipsoid_bands(crowns: Ellipsoids, here: Floats, way: Floats) -> tuple[Floats, ...]:
    """Elevations between the tangents to upright ellipsoids, shape (T, A) each.

    The plane of an azimuth cuts the ellipsoid in an ellipse. Scaled to a unit circle, the tangents
    from the point lie asin(1 / distance) to both sides of the way to its centre.
    """
    x, y = (crowns.x - here[0])[:, None], (crowns.y - here[1])[:, None]
    radius, half = crowns.radius[:, None], (crowns.top - crowns.base)[:, None] / 2
    middle = (crowns.top + crowns.base)[:, None] / 2
    along, across = x * way[:, 0] + y * way[:, 1], x * way[:, 1] - y * way[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        cut = np.sqrt(1 - (across / radius) ** 2)  # NaN where the plane misses
        wide, tall = radius * cut, half * cut
        u, v = along / wide, middle / tall
        spread = np.arcsin(1 / np.hypot(u, v))
    centre = np.arctan2(v, u)
    low, high = (
        np.degrees(np.arctan2(tall * np.sin(angle), wide * np.cos(angle)))
        for angle in (centre - spread, centre + spread)
    )
    # Beyond the zenith lies the opposite azimuth's half of the plane.
    met = low < _ZENITH
    return (
        np.where(met, low, np.nan),
        np.where(met, np.minimum(high, _ZENITH), np.nan),
        (crowns.log_tau),
    )


def _prism_bands(crowns: CrownPrisms, here: Floats, way: Floats) -> tuple[Floats, ...]:
    """Elevations between which drawn crowns lie, shape (P, A) each."""
    low = np.full((len(crowns.base), len(way)), np.nan)
    high = low.copy()
    for i, (x, y) in enumerate(zip(crowns.x, crowns.y, strict=True)):
        ends = [x, y, np.roll(x, -1), np.roll(y, -1)]
        found = _distance(here, way, ends)
        far = np.where(np.isfinite(found), found, -np.inf).max(axis=1)
        hull = shapely.MultiPoint(np.column_stack([x, y])).convex_hull
        under = bool(shapely.contains_xy(hull, *here))
        near = np.zeros(len(way)) if under else found.min(axis=1)
        met = far > 0
        low[i, met] = _rise(crowns.base[i], far[met])
        high[i, met] = _rise(crowns.top[i], near[met])
    return low, high, crowns.log_tau


def _hedge_bands(scene: Scene, here: Floats, way: Floats) -> tuple[Floats, ...]:
    """Elevations up to which translucent sheets reach, from the ground up, shape (S, A) each."""
    sheets = scene.sheets
    thin = ~np.isneginf(sheets.log_tau)
    names = ("ax", "ay", "bx", "by", "height")
    ends = [getattr(sheets, name)[thin] for name in names]
    distance = _distance(here, way, ends).T
    met = np.isfinite(distance)
    high = np.where(met, _rise(ends[4][:, None], distance), np.nan)
    return np.where(met, 0.0, np.nan), high, sheets.log_tau[thin]
