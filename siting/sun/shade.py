"""Sun hours, beam and sky view of a season on a raster: the shade engine.

The raster is cut into tiles and the season into months; each job (one month, or the sky, of one
tile) owns the cells it writes and takes its directions in a fixed order, so the number of threads
cannot change a bit of the result. Within a job a batch of directions is filled at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from types import ModuleType
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.site.model import HeightRaster, LocalGrid
from siting.sun.exact import rounded
from siting.sun.fill import covered
from siting.sun.light import Caster, add_light, compiled_kernels, has_compiler
from siting.sun.model import SunPositions, SunShade
from siting.sun.relief import Relief, build_relief, relief_shade
from siting.sun.scene import build_scene
from siting.sun.shadows import Rays, Tile, footprint_spans, rays
from siting.sun.sky import sky_directions

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["ShadeOptions", "roof_mask", "shade_instants", "shade_season"]

Floats = NDArray[np.float64]
Engine = Literal["auto", "numpy", "numba"]

#: Side of a tile: larger for the kernels, which cut every shadow into spans tile by tile, unless
#: crowns need a thread's work space. See `siting.sun.light` for the memory that this takes.
_TILE: Final = 256
_WIDE_TILE: Final = 512
#: Cells times directions from which the compiled kernels are worth their start (about 0.5 s).
_WORTH: Final = 3e8
_EIGHT: Final = 8


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
        Number of directions that stand for the sky, see `siting.sun.sky.sky_directions`.
    progress : callable or None
        Called as ``progress(done, total)`` after each piece of work, from the calling thread.
    leaf_months : tuple of int or None
        Months in which deciduous trees are in leaf, see `siting.sun.foliage.leaf_months`; None is
        the whole year.
    engine : {"auto", "numpy", "numba"}
        What fills the shadows; the result is the same, bit for bit. "auto" takes numba where it is
        installed and the work is large enough to be worth its start.
    """

    height_scale: float = 1.0
    transmissivity_scale: float = 1.0
    threads: int = 1
    sky_directions: int = 240
    progress: Callable[[int, int], None] | None = None
    leaf_months: tuple[int, ...] | None = None
    engine: Engine = "auto"


_DEFAULT: Final = ShadeOptions()


@dataclass(frozen=True)
class _Obstacles:
    """What shades, in cells of the grid, in and out of leaf."""

    caster: Caster
    bare: Caster
    relief: Relief | None
    shape: tuple[int, int]


@dataclass(frozen=True)
class _Job:
    """Directions to sum over one tile.

    `parts` holds what shades, in and out of leaf, and the weights of the directions (N,): one
    array for each of `outs` (rows, columns).
    """

    tile: Tile
    light: Rays
    outs: tuple[Floats, ...]
    parts: tuple[tuple[Caster, tuple[Floats, ...]], ...]


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
    """Sun on level ground over a season.

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
        NaN where a cell centre lies in a building's footprint.

    Raises
    ------
    InputError
        If a building has no height or a number is out of range.

    References
    ----------
    Shadow of a prism and scan filling by difference arrays: `siting.sun.shadows` and
    `siting.sun.fill`; both are checked against ray tests, with 0 wrong.
    """
    wanted = tuple(dict.fromkeys(int(m) for m in (positions.month if months is None else months)))
    obstacles = _obstacles(grid, (buildings, trees, walls), (surface, terrain), options)
    sun_hours = np.zeros((len(wanted), *grid.shape))
    beam = np.zeros_like(sun_hours)
    sky_view = np.zeros(grid.shape)
    directions = len(positions.month) + options.sky_directions
    kernels = _kernels(sun_hours[:1].size * directions, options.engine)
    jobs = []
    for tile in _tiles(obstacles, kernels):
        for i, month in enumerate(wanted):
            on = positions.month == month
            light = rays(positions.elevation[on], positions.azimuth[on])
            weights = rounded(positions.hours[on]), _shares(positions.beam[on])
            outs = _cells(sun_hours[i], tile), _cells(beam[i], tile)
            caster = _foliage(obstacles, month, options)
            jobs.append(_Job(tile, light, outs, ((caster, weights),)))
        jobs.append(_sky_job(tile, _cells(sky_view, tile), obstacles, wanted, options))
    _work(jobs, obstacles, kernels, options)
    rows, columns = np.nonzero(_roofs(obstacles))
    for out in (sun_hours, beam, sky_view):
        out[..., rows, columns] = np.nan
    return SunShade(grid, wanted, sun_hours, beam, sky_view)


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
    obstacles = _obstacles(grid, (buildings, trees, walls), (surface, terrain), options)
    light = rays(
        np.atleast_1d(np.asarray(elevation, float)), np.atleast_1d(np.asarray(azimuth, float))
    )
    lit = np.zeros((len(light.x), *grid.shape))
    one = np.ones(1)
    kernels = _kernels(lit.size, options.engine)
    jobs = [
        _Job(tile, light.part(i, i + 1), (_cells(lit[i], tile),), ((obstacles.caster, (one,)),))
        for tile in _tiles(obstacles, kernels)
        for i in range(len(light.x))
    ]
    _work(jobs, obstacles, kernels, options)
    lit[:, _roofs(obstacles)] = np.nan
    return lit


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
    return _roofs(_obstacles(grid, (buildings, no_trees, None), (None, None), _DEFAULT))


def _obstacles(
    grid: LocalGrid,
    layers: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame | None],
    rasters: tuple[HeightRaster | None, HeightRaster | None],
    options: ShadeOptions,
) -> _Obstacles:
    """Return everything that shades, in cells."""
    scene = build_scene(
        *layers,
        height_scale=options.height_scale,
        transmissivity_scale=options.transmissivity_scale,
    ).on_grid(grid)
    relief = build_relief(grid, *rasters, height_scale=options.height_scale)
    caster = Caster(scene)
    bare = Caster(scene.out_of_leaf()) if scene.changes else caster
    return _Obstacles(caster, bare, relief, grid.shape)


def _foliage(obstacles: _Obstacles, month: int, options: ShadeOptions) -> Caster:
    """Return what shades in a month."""
    leafy = options.leaf_months is None or month in options.leaf_months
    return obstacles.caster if leafy else obstacles.bare


def _sky_job(
    tile: Tile,
    out: Floats,
    obstacles: _Obstacles,
    months: tuple[int, ...],
    options: ShadeOptions,
) -> _Job:
    """Sum the sky, in leaf and out of leaf by their share of the months."""
    sky = sky_directions(options.sky_directions)
    casters = [_foliage(obstacles, month, options) for month in months] or [obstacles.caster]
    whole = _shares(sky.weight)
    bare = rounded(whole * (casters.count(obstacles.bare) / len(casters)))
    states = ((obstacles.caster, whole - bare), (obstacles.bare, bare))
    parts = tuple((caster, (weight,)) for caster, weight in states if weight.any())
    return _Job(tile, rays(sky.elevation, sky.azimuth), (out,), parts)


def _tiles(obstacles: _Obstacles, kernels: ModuleType | None) -> Iterator[Tile]:
    """Cut the raster into tiles; with a relief there is one, as its shade runs through."""
    rows, columns = obstacles.shape
    thin = obstacles.caster.has_thin or obstacles.bare.has_thin
    side = _TILE if kernels is None or thin else _WIDE_TILE
    side = max(rows, columns) if obstacles.relief is not None else side
    for top in range(0, rows, side):
        for left in range(0, columns, side):
            yield Tile(top, left, min(top + side, rows), min(left + side, columns))


def _cells(raster: Floats, tile: Tile) -> Floats:
    """View of a tile's cells."""
    return raster[tile.top : tile.bottom, tile.left : tile.right]


def _shares(beam: Floats) -> Floats:
    """Weights that sum to 1 exactly, or 0 where there is no beam at all."""
    total = beam.sum()
    if total <= 0:
        return np.zeros_like(beam)
    share = rounded(beam / total)
    share[np.argmax(share)] += 1 - share.sum()  # a few quanta
    return share


def _roofs(obstacles: _Obstacles) -> NDArray[np.bool_]:
    """Cells whose centre lies in a footprint."""
    walls, (rows, columns) = obstacles.caster.scene.walls, obstacles.shape
    roofs = np.zeros((rows, columns), dtype=bool)
    for top in range(0, rows, _WIDE_TILE):  # bands, to bound memory
        band = Tile(top, 0, min(top + _WIDE_TILE, rows), columns)
        roofs[top : band.bottom] = covered([footprint_spans(walls, band)], band)[:, 0]
    return roofs


def _work(
    jobs: Sequence[_Job],
    obstacles: _Obstacles,
    kernels: ModuleType | None,
    options: ShadeOptions,
) -> None:
    """Do all jobs, in any order: no two write the same cell."""

    def run(job: _Job) -> None:
        _sum_light(job, obstacles, kernels)

    if options.threads <= 1:
        _report(map(run, jobs), len(jobs), options)
        return
    with ThreadPoolExecutor(options.threads) as pool:
        _report(pool.map(run, jobs), len(jobs), options)


def _report(results: Iterator[None], total: int, options: ShadeOptions) -> None:
    """Wait for the jobs and tell how many are done."""
    for done, _ in enumerate(results, start=1):
        if options.progress is not None:
            options.progress(done, total)


def _kernels(size: float, engine: Engine) -> ModuleType | None:
    """Return the compiled kernels where they are wanted."""
    if engine == "numpy" or (engine == "auto" and (size < _WORTH or not has_compiler())):
        return None
    return compiled_kernels()


def _sum_light(job: _Job, obstacles: _Obstacles, kernels: ModuleType | None) -> None:
    """Add the weighted light of every direction to the job's cells."""
    for caster, weights in job.parts:
        if obstacles.relief is None:
            add_light(job.outs, weights, job.light, job.tile, caster, kernels=kernels)
            continue
        for start in range(0, len(job.light.x), _EIGHT):
            light = job.light.part(start, start + _EIGHT)
            dark = _relief_bits(obstacles.relief, light, job.tile.shape)
            some = tuple(weight[start : start + _EIGHT] for weight in weights)
            add_light(job.outs, some, light, job.tile, caster, kernels=kernels, dark=dark)


def _relief_bits(relief: Relief, light: Rays, shape: tuple[int, int]) -> NDArray[np.uint8]:
    dark = np.zeros(shape, dtype=np.uint8)
    for k in range(len(light.x)):
        dark |= relief_shade(relief, light.part(k, k + 1), shape)[:, 0].astype(np.uint8) << k
    return dark
