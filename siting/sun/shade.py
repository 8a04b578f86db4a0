"""Sun hours, beam and sky view of a season on a raster: the shade engine.

The raster is cut into tiles and the season into months; each job (one month, or the sky, of one
tile) owns the cells it writes and takes its directions in a fixed order, so the number of threads
cannot change a bit of the result. Within a job a batch of directions is filled at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.site.model import HeightRaster, LocalGrid
from siting.sun.fill import covered, transmission
from siting.sun.model import SunPositions, SunShade
from siting.sun.relief import Relief, build_relief, relief_shade
from siting.sun.scene import Scene, build_scene
from siting.sun.shadows import (
    Rays,
    Tile,
    ellipse_spans,
    footprint_spans,
    prism_spans,
    rays,
    wall_spans,
)
from siting.sun.sky import sky_directions

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["ShadeOptions", "roof_mask", "shade_instants", "shade_season"]

Floats = NDArray[np.float64]

_TILE: Final = 256
_BATCH_CELLS: Final = 2**20  # cells times directions worked on at once by a thread: about 12 MB


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
    """

    height_scale: float = 1.0
    transmissivity_scale: float = 1.0
    threads: int = 1
    sky_directions: int = 240
    progress: Callable[[int, int], None] | None = None


_DEFAULT: Final = ShadeOptions()


@dataclass(frozen=True)
class _Obstacles:
    """What shades, in cells of the grid."""

    scene: Scene
    relief: Relief | None
    shape: tuple[int, int]


@dataclass(frozen=True)
class _Job:
    """Directions to sum over one tile: each weight (N,) goes with one out (rows, columns)."""

    tile: Tile
    light: Rays
    weights: tuple[Floats, ...]
    outs: tuple[Floats, ...]


def shade_season(
    grid: LocalGrid,
    positions: SunPositions,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
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
        `siting.sun.scene.TREE_DEFAULTS`.
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
    obstacles = _obstacles(grid, (buildings, trees), (surface, terrain), options)
    sun_hours = np.zeros((len(wanted), *grid.shape))
    beam = np.zeros_like(sun_hours)
    sky_view = np.zeros(grid.shape)
    sky = sky_directions(options.sky_directions)
    jobs = []
    for tile in _tiles(obstacles):
        for i, month in enumerate(wanted):
            on = positions.month == month
            light = rays(positions.elevation[on], positions.azimuth[on])
            weights = positions.hours[on], _shares(positions.beam[on])
            outs = _cells(sun_hours[i], tile), _cells(beam[i], tile)
            jobs.append(_Job(tile, light, weights, outs))
        light = rays(sky.elevation, sky.azimuth)
        jobs.append(_Job(tile, light, (sky.weight,), (_cells(sky_view, tile),)))
    _work(jobs, obstacles, options)
    roofs = _roofs(obstacles)
    for out in (sun_hours, beam, sky_view):
        out[..., roofs] = np.nan
    np.minimum(beam, 1.0, out=beam)
    np.minimum(sky_view, 1.0, out=sky_view)
    return SunShade(grid, wanted, sun_hours, beam, sky_view)


def shade_instants(
    grid: LocalGrid,
    elevation: ArrayLike,
    azimuth: ArrayLike,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
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
    buildings, trees, surface, terrain, options
        As for `shade_season`.

    Returns
    -------
    ndarray, shape (N, rows, columns)
        0..1; NaN on roofs.
    """
    obstacles = _obstacles(grid, (buildings, trees), (surface, terrain), options)
    light = rays(
        np.atleast_1d(np.asarray(elevation, float)), np.atleast_1d(np.asarray(azimuth, float))
    )
    lit = np.zeros((len(light.x), *grid.shape))
    one = np.ones(1)
    jobs = [
        _Job(tile, light.part(i, i + 1), (one,), (_cells(lit[i], tile),))
        for tile in _tiles(obstacles)
        for i in range(len(light.x))
    ]
    _work(jobs, obstacles, options)
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
    return _roofs(_obstacles(grid, (buildings, no_trees), (None, None), _DEFAULT))


def _obstacles(
    grid: LocalGrid,
    layers: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame],
    rasters: tuple[HeightRaster | None, HeightRaster | None],
    options: ShadeOptions,
) -> _Obstacles:
    """Return everything that shades, in cells."""
    scene = build_scene(
        *layers,
        height_scale=options.height_scale,
        transmissivity_scale=options.transmissivity_scale,
    )
    relief = build_relief(grid, *rasters, height_scale=options.height_scale)
    return _Obstacles(scene.on_grid(grid), relief, grid.shape)


def _tiles(obstacles: _Obstacles) -> Iterator[Tile]:
    """Cut the raster into tiles; with a relief there is one, as its shade runs through."""
    rows, columns = obstacles.shape
    side = max(rows, columns) if obstacles.relief is not None else _TILE
    for top in range(0, rows, side):
        for left in range(0, columns, side):
            yield Tile(top, left, min(top + side, rows), min(left + side, columns))


def _cells(raster: Floats, tile: Tile) -> Floats:
    """View of a tile's cells."""
    return raster[tile.top : tile.bottom, tile.left : tile.right]


def _shares(beam: Floats) -> Floats:
    """Weights that sum to 1, or 0 where there is no beam at all."""
    total = beam.sum()
    return beam / total if total > 0 else np.zeros_like(beam)


def _roofs(obstacles: _Obstacles) -> NDArray[np.bool_]:
    """Cells whose centre lies in a footprint."""
    whole = Tile(0, 0, *obstacles.shape)
    return covered([footprint_spans(obstacles.scene.walls, whole)], whole)[:, 0]


def _work(jobs: Sequence[_Job], obstacles: _Obstacles, options: ShadeOptions) -> None:
    """Do all jobs, in any order: no two write the same cell."""

    def run(job: _Job) -> None:
        _sum_light(job, obstacles)

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


def _sum_light(job: _Job, obstacles: _Obstacles) -> None:
    """Add the weighted light of every direction to the job's cells, in fixed order."""
    rows, columns = job.tile.shape
    batch = int(np.clip(_BATCH_CELLS // (rows * columns), 1, 64))
    for start in range(0, len(job.light.x), batch):
        light = job.light.part(start, start + batch)
        lit = _light(obstacles, light, job.tile)
        for weight, out in zip(job.weights, job.outs, strict=True):
            np.add(out, np.einsum("rkc,k->rc", lit, weight[start : start + batch]), out=out)


def _light(obstacles: _Obstacles, light: Rays, tile: Tile) -> Floats:
    """Share of the light that arrives, shape (rows, K, columns)."""
    scene = obstacles.scene
    crowns = [
        (ellipse_spans(scene.ellipsoids, light, tile), scene.ellipsoids.log_tau),
        (prism_spans(scene.prisms, light, tile), scene.prisms.log_tau),
    ]
    lit = transmission(wall_spans(scene.walls, light, tile), crowns, tile, len(light.x))
    if obstacles.relief is not None:
        lit *= ~relief_shade(obstacles.relief, light, tile.shape)
    return lit
