"""What shades a raster, gathered from vectors and relief, and how to compute it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from siting.site.model import LocalGrid
from siting.sun.bodies import level, on_planes, stand_on
from siting.sun.light import Caster
from siting.sun.relief import Relief
from siting.sun.scene import Walls, build_scene

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["Layers", "Obstacles", "ShadeOptions", "gather", "reach_of"]

#: Buildings, trees, and walls or None.
Layers: TypeAlias = "tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame | None]"


@dataclass(frozen=True)
class ShadeOptions:
    """How to compute shade.

    Parameters
    ----------
    height_scale, transmissivity_scale : float
        Factors on all heights and on all transmissivities (which stay within 0..1), for scenarios.
    threads : int
        Threads to use; the result is the same, bit for bit, whatever their number.
    sky_directions : int
        Number of directions that stand for the sky under crowns and over rasters, see
        `siting.sun.sky.sky_directions`; what buildings and opaque walls hide on level ground is
        worked out by `siting.sun.sky_kernels` instead, within 0.001 beside long walls.
    progress : callable or None
        Called as ``progress(done, total)`` after each piece of work, from the calling thread.
    leaf_months : tuple of int or None
        Months in which deciduous trees are in leaf, see `siting.sun.foliage.leaf_months`; None is
        the whole year.
    """

    height_scale: float = 1.0
    transmissivity_scale: float = 1.0
    threads: int = 1
    sky_directions: int = 256
    progress: Callable[[int, int], None] | None = None
    leaf_months: tuple[int, ...] | None = None


@dataclass(frozen=True)
class Obstacles:
    """What shades, in cells of the grid, in and out of leaf.

    caster, bare: what shades from vectors, in leaf and out of leaf: buildings, walls and trees, on
    ground that is not level only what lets light pass; relief: what shades from rasters, on ground
    that is not level with the buildings on it; shape: rows and columns of the grid; footprints: of
    the buildings, in cells.
    """

    caster: Caster
    bare: Caster
    relief: Relief | None
    shape: tuple[int, int]
    footprints: Walls

    @cached_property
    def solid(self) -> Caster:
        """Buildings and opaque walls alone."""
        return Caster(self.caster.scene.solid())

    @property
    def flat(self) -> bool:
        """Whether the ground is a level plane on which nothing stands but what was drawn."""
        if self.relief is None:
            return True
        rise, ground = self.relief.arrays
        return bool(rise.max(initial=0.0) <= 0 and np.ptp(ground) == 0) if ground.size else False

    @property
    def sloping(self) -> bool:
        """Whether the ground's slope is known."""
        return self.relief is not None and self.relief.ground is not None

    def in_month(self, month: int, leaf_months: Sequence[int] | None) -> Caster:
        """Return what shades in a month.

        month: 1..12; leaf_months: months in leaf, None is the whole year. Result: with bare trees
        out of leaf.
        """
        return self.caster if leaf_months is None or month in leaf_months else self.bare


def reach_of(layers: Layers) -> tuple[float, float, float, float] | None:
    """Tell how far buildings and walls reach.

    layers: buildings, trees, and walls or None. Result: west, south, east and north; None where
    there are none [m].
    """
    given = [layer.total_bounds for layer in (layers[0], layers[2]) if layer is not None]
    bounds = np.array([edges for edges in given if np.isfinite(edges).all()])
    if len(bounds) == 0:
        return None
    west, south = bounds[:, :2].min(axis=0).tolist()
    east, north = bounds[:, 2:].max(axis=0).tolist()
    return west, south, east, north


def gather(
    grid: LocalGrid,
    layers: Layers,
    relief: Relief | None,
    options: ShadeOptions,
) -> Obstacles:
    """Return everything that shades, in cells.

    layers: buildings, trees, and walls or None. Result: of the whole grid.
    """
    scene = build_scene(
        *layers,
        height_scale=options.height_scale,
        transmissivity_scale=options.transmissivity_scale,
    ).on_grid(grid)
    footprints = scene.walls
    scaled = None if relief is None else relief.scaled(options.height_scale)
    if scaled is not None and not level(scaled):
        scaled, scene = stand_on(scaled, scene), on_planes(scaled, scene)
    caster = Caster(scene)
    bare = Caster(scene.out_of_leaf()) if scene.changes else caster
    return Obstacles(caster, bare, scaled, grid.shape, footprints)
