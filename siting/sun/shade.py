"""Sun hours, beam and sky view of a season on a raster: the shade engine's front.

See `siting.sun.blocks` for how the work is cut and `siting.sun.light` for how fast it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.site.model import HeightRaster, LocalGrid
from siting.sun.blocks import Season, add_instants, roofs, season_block
from siting.sun.model import SunPositions, SunShade
from siting.sun.obstacles import Layers, ShadeOptions, gather, reach_of
from siting.sun.relief import Relief, build_relief
from siting.sun.shadows import Tile, rays

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = [
    "ShadeOptions",
    "roof_mask",
    "shade_instants",
    "shade_scenarios",
    "shade_season",
    "sun_hours",
    "wanted_months",
]

Floats = NDArray[np.float64]

_DEFAULT: Final = ShadeOptions()


def shade_season(  # noqa: PLR0913 - every layer is an argument of its own
    grid: LocalGrid,
    positions: SunPositions,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
    surface: HeightRaster | None = None,
    terrain: HeightRaster | None = None,
    months: Sequence[int] | None = None,
    options: ShadeOptions = _DEFAULT,
) -> SunShade:
    """Sun on the ground over a season.

    Parameters
    ----------
    grid : LocalGrid
        Where the sun is wanted: at the cell centres.
    positions : SunPositions
        See `siting.sun.position.season_positions`.
    buildings, trees : GeoDataFrame
        As in `siting.site.model.Site`, those beyond the grid too; unknown numbers of trees take
        `siting.sun.foliage.TREE_DEFAULTS`.
    walls : GeoDataFrame, optional
        Free-standing walls, hedges and fences: lines with columns height [m] and transmissivity
        (0..1; unknown is opaque).
    surface, terrain : HeightRaster, optional
        Further shade from rasters, see `siting.sun.relief`.
    months : sequence of int, optional
        Months of the result; the default is those of `positions`. A month without positions (polar
        night) has 0 sun.
    options : ShadeOptions
        How to compute.

    Returns
    -------
    SunShade
        NaN where a cell centre lies in a building's footprint. With a terrain, ground that faces
        away from the sun gets none, and what arrives on the ground's own slope is told too. Where
        that ground is not level (`siting.sun.bodies.LEVEL_CELLS`), buildings and opaque walls stand
        on it and shade as the relief does; crowns still shade as on level ground.

    Raises
    ------
    InputError
        If a building has no height or a number is out of range.

    References
    ----------
    Shadow of a prism and scan filling by difference arrays: `siting.sun.shadows` and
    `siting.sun.fill`; both are checked against ray tests, with 0 wrong.
    """
    layers = buildings, trees, walls
    obstacles = gather(grid, layers, _relief(grid, surface, terrain, layers), options)
    wanted = wanted_months(positions, months)
    whole = Tile(0, 0, *grid.shape)
    return _result(grid, wanted, season_block(obstacles, positions, wanted, whole, options))


def sun_hours(
    grid: LocalGrid,
    positions: SunPositions,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
    surface: HeightRaster | None = None,
    terrain: HeightRaster | None = None,
    options: ShadeOptions = _DEFAULT,
) -> Floats:
    """Sum the hours of direct sun alone, where neither the beam nor the sky is wanted.

    Parameters
    ----------
    grid, positions, buildings, trees, walls, surface, terrain, options
        As for `shade_season`.

    Returns
    -------
    ndarray, shape (M, rows, columns)
        As `SunShade.sun_hours` of `shade_season`, bit for bit, for the months of `positions` [h/d].
    """
    layers = buildings, trees, walls
    obstacles = gather(grid, layers, _relief(grid, surface, terrain, layers), options)
    wanted, whole = wanted_months(positions, None), Tile(0, 0, *grid.shape)
    found = season_block(obstacles, positions, wanted, whole, options, only_hours=True)
    return found.sun_hours


def shade_scenarios(  # noqa: PLR0913 - every layer is an argument of its own
    grid: LocalGrid,
    positions: SunPositions,
    scenarios: Sequence[ShadeOptions],
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
    surface: HeightRaster | None = None,
    terrain: HeightRaster | None = None,
    months: Sequence[int] | None = None,
) -> tuple[SunShade, ...]:
    """Sun over a season in several scenarios of heights and transmissivities.

    The rasters are resampled once, and scenarios that shade alike are computed once.

    Parameters
    ----------
    grid, positions, buildings, trees, walls, surface, terrain, months
        As for `shade_season`.
    scenarios : sequence of ShadeOptions
        One for each scenario.

    Returns
    -------
    tuple of SunShade
        The same, bit for bit, as `shade_season` gives for each.
    """
    layers = buildings, trees, walls
    relief = _relief(grid, surface, terrain, layers)
    wanted = wanted_months(positions, months)
    whole = Tile(0, 0, *grid.shape)
    known: dict[ShadeOptions, SunShade] = {}
    found = []
    for options in scenarios:
        alike = replace(options, threads=1, engine="auto", progress=None)
        if alike not in known:
            obstacles = gather(grid, layers, relief, options)
            season = season_block(obstacles, positions, wanted, whole, options)
            known[alike] = _result(grid, wanted, season)
        found.append(known[alike])
    return tuple(found)


def shade_instants(  # noqa: PLR0913 - every layer is an argument of its own
    grid: LocalGrid,
    elevation: ArrayLike,
    azimuth: ArrayLike,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
    surface: HeightRaster | None = None,
    terrain: HeightRaster | None = None,
    options: ShadeOptions = _DEFAULT,
) -> Floats:
    """Share of the direct light that arrives, at single instants: for pictures and tests.

    Parameters
    ----------
    grid : LocalGrid
        Where the light is wanted: at the cell centres.
    elevation, azimuth : array_like, shape (N,)
        True elevation, above 0, and azimuth east of north [deg].
    buildings, trees, walls, surface, terrain, options
        As for `shade_season`.

    Returns
    -------
    ndarray, shape (N, rows, columns)
        0..1; NaN on roofs.
    """
    layers = buildings, trees, walls
    obstacles = gather(grid, layers, _relief(grid, surface, terrain, layers), options)
    light = rays(
        np.atleast_1d(np.asarray(elevation, float)), np.atleast_1d(np.asarray(azimuth, float))
    )
    return add_instants(obstacles, light, options)


def roof_mask(grid: LocalGrid, buildings: gpd.GeoDataFrame) -> NDArray[np.bool_]:
    """Whether a cell's centre lies in the footprint of a building.

    Parameters
    ----------
    grid : LocalGrid
        The raster.
    buildings : GeoDataFrame
        Columns height [m], geometry.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        Courtyards are not roofs.
    """
    no_trees = buildings.iloc[:0]
    obstacles = gather(grid, (buildings, no_trees, None), None, _DEFAULT)
    return roofs(obstacles, Tile(0, 0, *grid.shape))


def wanted_months(positions: SunPositions, months: Sequence[int] | None) -> tuple[int, ...]:
    """Return the months asked for, or those of the positions, each once.

    Parameters
    ----------
    positions : SunPositions
        Of the season.
    months : sequence of int or None
        What was asked for.

    Returns
    -------
    tuple of int
        In the order given.
    """
    return tuple(dict.fromkeys(int(m) for m in (positions.month if months is None else months)))


def _relief(
    grid: LocalGrid, surface: HeightRaster | None, terrain: HeightRaster | None, layers: Layers
) -> Relief | None:
    """Resample the rasters, as far around as anything that may stand on the terrain."""
    return build_relief(grid, surface, terrain, around=reach_of(layers))


def _result(grid: LocalGrid, months: tuple[int, ...], season: Season) -> SunShade:
    """Hand on a season's sums; what lies on the slope only where the slope is known."""
    slope = (season.slope_beam, season.slope_sky) if season.slope_sky.size else (None, None)
    sums = season.sun_hours, season.beam_fraction, season.sky_view
    return SunShade(grid, months, *sums, *slope)
