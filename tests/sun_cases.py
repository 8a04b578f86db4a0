"""One season and the roofs of a case: what tests ask of the shade engine again and again."""

from __future__ import annotations

from siting.site.model import LocalGrid
from siting.sun.light import ShadeOptions, gather, roofs
from siting.sun.position import SunPositions, SunShade
from siting.sun.scene import Tile
from siting.sun.shade import shade_scenarios


def shade_season(
    grid: LocalGrid, positions: SunPositions, *, options: ShadeOptions | None = None, **layers
) -> SunShade:
    """Sun on the ground over a season in one scenario; layers as for `shade_scenarios`."""
    return shade_scenarios(grid, positions, [options or ShadeOptions()], **layers)[0]


def roof_mask(grid, buildings):
    """Whether a cell's centre lies in the footprint of a building; courtyards are no roofs."""
    obstacles = gather(grid, (buildings, buildings.iloc[:0], None), None, ShadeOptions())
    return roofs(obstacles, Tile(0, 0, *grid.shape))
