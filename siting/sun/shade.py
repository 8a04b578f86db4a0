"""Sun hours, beam and sky view of a season on a raster: the shade engine's front.

See `siting.sun.light` for how the work is cut and how fast it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats, Ints
from siting.parts import each_part, helpers
from siting.site.model import HeightRaster, LocalGrid
from siting.stages import Keeper
from siting.sun.light import (
    Layers,
    Obstacles,
    ShadeOptions,
    Sums,
    add_instants,
    blocks_of,
    gather,
    reach_of,
    season_block,
)
from siting.sun.position import CellSun, SunPositions, SunShade
from siting.sun.relief import Relief, build_relief
from siting.sun.scene import Tile, rays

if TYPE_CHECKING:
    import geopandas as gpd


_DEFAULT: Final = ShadeOptions()


@dataclass(frozen=True)
class Shading:
    """What shades a raster over a season: asked for the whole of it, or for some cells.

    Parameters
    ----------
    grid : LocalGrid
        Where the sun is wanted: at the cell centres.
    positions : SunPositions
        See `siting.sun.position.season_positions`.
    layers : tuple of GeoDataFrame
        Buildings and trees as in `siting.site.model.Site`, those beyond the grid too, and walls or
        None; unknown numbers of trees take what `siting.sun.scene` assumes.
    relief : Relief or None
        Rasters that shade. With a terrain, ground that faces away from the sun gets none, and what
        arrives on the ground's own slope is told too. Where that ground is not level
        (`siting.sun.relief.LEVEL_CELLS`), buildings and opaque walls stand on it and shade as the
        relief does, and each crown shades a plane of its own.
    months : tuple of int
        Months of the results. A month without positions (polar night) has 0 sun.

    References
    ----------
    Shadow of a prism and scan filling by difference arrays: `siting.sun.scene` and
    `siting.sun.kernels`; both are checked against ray tests, with 0 wrong.
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
        surface, terrain : HeightRaster, optional
            Further shade from rasters, see `siting.sun.relief`.
        months : sequence of int, optional
            Months of the results; the default is those of `positions`.

        Returns
        -------
        Shading
            For every scenario.
        """
        relief = _relief(grid, surface, terrain, layers)
        wanted = dict.fromkeys(int(m) for m in (positions.month if months is None else months))
        return cls(grid, positions, layers, relief, tuple(wanted))

    def raster(self, options: ShadeOptions, keep: Keeper | None = None) -> SunShade:
        """Return the sun of the whole raster; a large one is worked out block by block.

        Parameters
        ----------
        options : ShadeOptions
            The scenario.
        keep : Keeper, optional
            Keeps each block of a large raster; it rests on everything but the scenario.

        Returns
        -------
        SunShade
            NaN on roofs.
        """
        blocks = list(blocks_of(self.grid.shape))
        here_and_now = helpers() == 1 and not (keep or Keeper()).keeps and self.relief is None
        if len(blocks) == 1 or here_and_now:
            obstacles = gather(self.grid, self.layers, self.relief, options)
            all_of_it = Tile(0, 0, *self.grid.shape)
            sums = season_block(obstacles, self.positions, self.months, all_of_it, options)
            return _result(self.grid, self.months, sums)
        parts = self._blocks([options], [(block, None) for block in blocks])
        whole: Sums | None = None
        for block, season in zip(
            blocks, each_part(_season_of, parts, stage="sun", keep=_of(keep, options)), strict=True
        ):
            whole = _empty(season, self.grid.shape) if whole is None else whole
            for name, values in season.items():
                if values.size:
                    whole[name][..., block.top : block.bottom, block.left : block.right] = values
        assert whole is not None  # noqa: S101  (there is a block)
        return _result(self.grid, self.months, whole)

    def at_cells(
        self, scenarios: Sequence[ShadeOptions], cells: Ints, keep: Keeper | None = None
    ) -> list[CellSun]:
        """Return the sun of some cells; one block of the raster is held at a time.

        Parameters
        ----------
        scenarios : sequence of ShadeOptions
            Worked out side by side where there are helpers.
        cells : ndarray of int, shape (P,)
            Flat index (row-major), rising, each once.
        keep : Keeper, optional
            Keeps each block of a large raster; it rests on what the survey rests on.

        Returns
        -------
        list of CellSun
            One for each scenario, the same numbers as of `raster`.
        """
        row, column = np.divmod(cells, self.grid.columns)
        wanted = []
        for block in blocks_of(self.grid.shape):
            mine = np.flatnonzero(
                (row >= block.top) & (row < block.bottom)
                & (column >= block.left) & (column < block.right)
            )  # fmt: skip
            if mine.size:
                wanted.append((block, mine, (row[mine] - block.top, column[mine] - block.left)))
        suns = [
            CellSun(cells, np.empty((len(self.months), cells.size)), np.empty(cells.size))
            for _ in scenarios
        ]
        parts = self._blocks(scenarios, [(block, at) for block, _, at in wanted])
        kept = _of(keep, *scenarios).on(cells) if len(wanted) > 1 else None
        places = [(sun, mine) for sun in suns for _, mine, _ in wanted]
        for (sun, mine), found in zip(
            places, each_part(_cells_of, parts, stage="cells", keep=kept), strict=True
        ):
            sun.beam[:, mine], sun.sky[mine] = found
        return suns

    def _blocks(
        self,
        scenarios: Sequence[ShadeOptions],
        wanted: Sequence[tuple[Tile, tuple[Ints, Ints] | None]],
    ) -> Iterator[_Block]:
        """Yield the work on some blocks; what goes to a helper finds what shades by itself."""
        away = helpers() > 1
        for options in scenarios:
            obstacles = None if away else gather(self.grid, self.layers, self.relief, options)
            for number, (block, at) in enumerate(wanted):
                told = _share_of(options, number, len(wanted))
                if away:
                    told = replace(options, threads=1, progress=None)
                yield _Block(self, told, block, at, obstacles)
                if away and options.progress is not None:
                    options.progress(number + 1, len(wanted))


class _Block(NamedTuple):
    """What the sun of a block rests on; at: rows and columns of the cells that are asked for."""

    shading: Shading
    options: ShadeOptions
    block: Tile
    at: tuple[Ints, Ints] | None
    obstacles: Obstacles | None


def _season_of(part: _Block) -> Sums:
    """Sum the season over a block, or over its tiles with cells that are asked for."""
    shading, options = part.shading, part.options
    obstacles = part.obstacles
    if obstacles is None:
        obstacles = gather(shading.grid, shading.layers, shading.relief, options)
    work = obstacles, shading.positions, shading.months, part.block, options
    if part.at is None:
        return season_block(*work)
    wanted = np.zeros(part.block.shape, dtype=bool)
    wanted[part.at] = True
    return season_block(*work, wanted, ("beam_fraction", "sky_view"))


def _cells_of(part: _Block) -> tuple[Floats, Floats]:
    """Return beam (M, P) and sky (P,) of the cells of a block that are asked for."""
    season = _season_of(part)
    at = (..., *(part.at or ()))
    sloping = bool(season["slope_sky"].size)
    beam, sky = ("slope_beam", "slope_sky") if sloping else ("beam_fraction", "sky_view")
    return np.ascontiguousarray(season[beam][at]), season[sky][at]


def _empty(season: Sums, shape: tuple[int, int]) -> Sums:
    """Return room for the sums of a whole raster of the kind of a block's."""
    return {
        name: np.empty((*s.shape[:-2], *(shape if s.size else s.shape[-2:])))
        for name, s in season.items()
    }


def _of(keep: Keeper | None, *scenarios: ShadeOptions) -> Keeper:
    """Return a keeper of the blocks of some scenarios."""
    return (keep or Keeper()).on(*(replace(one, threads=1, progress=None) for one in scenarios))


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
        As for `Shading`.

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


def _relief(
    grid: LocalGrid, surface: HeightRaster | None, terrain: HeightRaster | None, layers: Layers
) -> Relief | None:
    """Resample the rasters, as far around as anything that may stand on the terrain."""
    return build_relief(grid, surface, terrain, around=reach_of(layers))


def _result(grid: LocalGrid, months: tuple[int, ...], season: Sums) -> SunShade:
    """Hand on a season's sums; what lies on the slope only where the slope is known."""
    unknown = () if season["slope_sky"].size else ("slope_beam", "slope_sky")
    return SunShade(grid, months, **{n: sums for n, sums in season.items() if n not in unknown})
