"""Sun hours, beam and sky view of a season on a raster: the shade engine's front.

See `siting.sun.light` for how the work is cut and `siting.sun.light` for how fast it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats, Ints
from siting.site.model import HeightRaster, LocalGrid
from siting.sun.light import (
    Layers,
    Season,
    ShadeOptions,
    add_instants,
    blocks_of,
    gather,
    reach_of,
    season_block,
)
from siting.sun.model import CellSun, SunPositions, SunShade
from siting.sun.relief import Relief, build_relief
from siting.sun.shadows import Tile, rays

if TYPE_CHECKING:
    import geopandas as gpd


_DEFAULT: Final = ShadeOptions()


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
    """Sun on the ground over a season, in several scenarios of heights and transmissivities.

    The rasters are resampled once, and scenarios that shade alike are computed once.

    Parameters
    ----------
    grid : LocalGrid
        Where the sun is wanted: at the cell centres.
    positions : SunPositions
        See `siting.sun.position.season_positions`.
    scenarios : sequence of ShadeOptions
        How to compute, one for each scenario.
    buildings, trees : GeoDataFrame
        As in `siting.site.model.Site`, those beyond the grid too; unknown numbers of trees take
        `siting.sun.scene.TREE_DEFAULTS`.
    walls : GeoDataFrame, optional
        Free-standing walls, hedges and fences: lines with columns height [m] and transmissivity
        (0..1; unknown is opaque).
    surface, terrain : HeightRaster, optional
        Further shade from rasters, see `siting.sun.relief`.
    months : sequence of int, optional
        Months of the result; the default is those of `positions`. A month without positions (polar
        night) has 0 sun.

    Returns
    -------
    tuple of SunShade
        NaN where a cell centre lies in a building's footprint. With a terrain, ground that faces
        away from the sun gets none, and what arrives on the ground's own slope is told too. Where
        that ground is not level (`siting.sun.relief.LEVEL_CELLS`), buildings and opaque walls stand
        on it and shade as the relief does, and each crown shades a plane of its own.

    Raises
    ------
    InputError
        If a building has no height or a number is out of range.

    References
    ----------
    Shadow of a prism and scan filling by difference arrays: `siting.sun.shadows` and
    `siting.sun.kernels`; both are checked against ray tests, with 0 wrong.
    """
    shading = Shading.of(
        grid, positions, (buildings, trees, walls), surface=surface, terrain=terrain, months=months
    )
    known: dict[ShadeOptions, SunShade] = {}
    found = []
    for options in scenarios:
        alike = replace(options, threads=1, progress=None)
        if alike not in known:
            known[alike] = shading.raster(options)
        found.append(known[alike])
    return tuple(found)


@dataclass(frozen=True)
class Shading:
    """What shades a raster over a season: asked for the whole of it, or for some cells.

    Parameters
    ----------
    grid : LocalGrid
        Where the sun is wanted.
    positions : SunPositions
        As for `shade_scenarios`.
    layers : tuple of GeoDataFrame
        Buildings, trees, and walls or None.
    relief : Relief or None
        Rasters that shade.
    months : tuple of int
        Months of the results.
    """

    grid: LocalGrid
    positions: SunPositions
    layers: Layers
    relief: Relief | None
    months: tuple[int, ...]

    @classmethod
    def of(
        cls,
        grid: LocalGrid,
        positions: SunPositions,
        layers: Layers,
        *,
        surface: HeightRaster | None = None,
        terrain: HeightRaster | None = None,
        months: Sequence[int] | None = None,
    ) -> Shading:
        """Resample the rasters once.

        Parameters
        ----------
        grid, positions, layers
            As of the class.
        surface, terrain, months
            As for `shade_scenarios`.

        Returns
        -------
        Shading
            For every scenario.
        """
        relief = _relief(grid, surface, terrain, layers)
        return cls(grid, positions, layers, relief, wanted_months(positions, months))

    def raster(self, options: ShadeOptions) -> SunShade:
        """Return the sun of the whole raster.

        Parameters
        ----------
        options : ShadeOptions
            The scenario.

        Returns
        -------
        SunShade
            NaN on roofs.
        """
        obstacles = gather(self.grid, self.layers, self.relief, options)
        whole = Tile(0, 0, *self.grid.shape)
        season = season_block(obstacles, self.positions, self.months, whole, options)
        return _result(self.grid, self.months, season)

    def at_cells(self, options: ShadeOptions, cells: Ints) -> CellSun:
        """Return the sun of some cells; one block of the raster is held at a time.

        Parameters
        ----------
        options : ShadeOptions
            The scenario.
        cells : ndarray of int, shape (P,)
            Flat index (row-major), rising, each once.

        Returns
        -------
        CellSun
            The same numbers as of `raster`.
        """
        obstacles = gather(self.grid, self.layers, self.relief, options)
        wanted = np.zeros(self.grid.shape, dtype=bool)
        wanted.ravel()[cells] = True
        beam, sky = np.empty((len(self.months), cells.size)), np.empty(cells.size)
        row, column = np.divmod(cells, self.grid.columns)
        blocks = list(blocks_of(self.grid.shape))
        for number, block in enumerate(blocks):
            mine = np.flatnonzero(
                (row >= block.top) & (row < block.bottom)
                & (column >= block.left) & (column < block.right)
            )  # fmt: skip
            if not mine.size:
                continue
            here = wanted[block.top : block.bottom, block.left : block.right]
            told = _share_of(options, number, len(blocks))
            season = season_block(obstacles, self.positions, self.months, block, told, here)
            at = (..., row[mine] - block.top, column[mine] - block.left)
            slope = bool(season.slope_sky.size)
            beam[:, mine] = (season.slope_beam if slope else season.beam_fraction)[at]
            sky[mine] = (season.slope_sky if slope else season.sky_view)[at]
        return CellSun(cells, beam, sky)


def _share_of(options: ShadeOptions, number: int, count: int) -> ShadeOptions:
    """Let one of several equal parts of a work tell its progress as that of the whole."""
    told = options.progress
    if told is None:
        return options
    return replace(options, progress=lambda done, total: told(number * total + done, count * total))


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
        As for `shade_scenarios`.

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


def wanted_months(positions: SunPositions, months: Sequence[int] | None) -> tuple[int, ...]:
    """Return the months asked for, or those of the positions, each once.

    Result: in the order given.
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
