"""One season and the roofs of a case: what tests ask of the shade engine again and again."""

from __future__ import annotations

from siting.site.model import LocalGrid
from siting.sun.light import ShadeOptions, gather, roofs
from siting.sun.position import SunPositions, SunShade
from siting.sun.scene import Tile
from siting.sun.shade import Shading


def shade_season(
    grid: LocalGrid,
    positions: SunPositions,
    *,
    buildings,
    trees,
    walls=None,
    options: ShadeOptions | None = None,
    **more,
) -> SunShade:
    """Sun on the ground over a season in one scenario; the rest as for `Shading.of`."""
    shading = Shading.of(grid, positions, (buildings, trees, walls), **more)
    return shading.raster(options or ShadeOptions())


def roof_mask(grid, buildings):
    """Whether a cell's centre lies in the footprint of a building; courtyards are no roofs."""
    obstacles = gather(grid, (buildings, buildings.iloc[:0], None), None, ShadeOptions())
    return roofs(obstacles, Tile(0, 0, *grid.shape))
