"""The work of the shade engine: blocks of cells, cut into tiles and months.

Each job (one month, or the sky, of one tile) owns the cells it writes, and sums do not depend on
their order (`siting.sun.exact`), so tiles, blocks and threads cannot change a bit of the result.
Shadows of vectors are worked out from the vectors in every tile, however far away they stand;
shadows of rasters are followed from as far away as the longest of them reaches. So no tile needs
its neighbour's result.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from siting.sun.exact import rounded
from siting.sun.light import Caster, add_light, add_relief, take_crowns
from siting.sun.model import SunPositions
from siting.sun.obstacles import Obstacles, ShadeOptions
from siting.sun.relief import relief_bits
from siting.sun.shadows import Rays, Tile, covered, footprint_spans, rays
from siting.sun.sky import sky_directions
from siting.sun.sky_kernels import horizon_azimuths, horizon_sky, solid_walls

__all__ = [
    "Season",
    "add_instants",
    "roofs",
    "season_block",
]

Floats = NDArray[np.float64]
Number = TypeVar("Number", bound=np.generic)

#: Rows and columns of a tile: large, since every shadow is cut into spans tile by tile, unless
#: crowns need work space; spans run down the columns. See `siting.sun.light` for the memory that
#: this takes.
_TILE: Final = (256, 256)
_WIDE_TILE: Final = (1024, 256)
_THIN_TILE: Final = (256, 128)
#: With a relief: each tile is marched from as far away as a shadow can reach, so larger is cheaper.
_RELIEF_TILE: Final = (1024, 1024)
_ROOF_TILE: Final = (512, 512)
#: Directions of a relief that are kept, one bit of each cell, before they are added up.
_AT_ONCE: Final = 16


@dataclass(frozen=True)
class Season:
    """Sums over the season on a block of cells; see `siting.sun.model.SunShade`.

    `slope_beam` and `slope_sky` have no rows where the ground's slope is not known.

    sun_hours (M, rows, columns): direct sun on the representative day of each month [h/d];
    beam_fraction (M, rows, columns): share of the clear-sky beam energy that arrives, 0..1;
    sky_view (rows, columns): share of the isotropic diffuse light that arrives, 0..1; slope_beam
    (M, rows, columns): beam energy on the ground's own slope over that on open level ground;
    slope_sky (rows, columns): the same for isotropic diffuse light.
    """

    sun_hours: Floats
    beam_fraction: Floats
    sky_view: Floats
    slope_beam: Floats
    slope_sky: Floats


@dataclass(frozen=True)
class _Job:
    """Directions to sum over one tile.

    `parts` holds what shades, in and out of leaf, and the weights of the directions (N,): one
    array for each of `outs` (rows, columns). `slope` takes what arrives on the ground's slope, by
    the last of the weights; `tangent` (N,) is level light over upright light. `roofs` (rows,
    columns) are NaN in the end. `over` is what stands on the horizon of a sky that is summed in
    closed form: the parts then add what crowns keep back.
    """

    tile: Tile
    light: Rays
    outs: tuple[Floats, ...]
    parts: tuple[tuple[Caster, tuple[Floats, ...]], ...]
    slope: Floats | None = None
    tangent: Floats | None = None
    roofs: NDArray[np.bool_] | None = None
    over: Obstacles | None = None


def season_block(
    obstacles: Obstacles,
    positions: SunPositions,
    months: tuple[int, ...],
    block: Tile,
    options: ShadeOptions,
) -> Season:
    """Sum a season over a block of cells; roofs are NaN.

    Result: arrays of shape (M, rows, columns) and (rows, columns).
    """
    shape, none = block.shape, (0, 0)
    slope = shape if obstacles.sloping else none
    found = Season(
        np.zeros((len(months), *shape)),
        np.zeros((len(months), *shape)),
        np.zeros(shape),
        np.zeros((len(months), *slope)),
        np.zeros(slope),
    )
    built = roofs(obstacles, block, options.threads)
    jobs = []
    for tile in _tiles(obstacles, block):
        here = _within(tile, block)
        part = [
            _month_job(found, i, (tile, here), positions, month, obstacles, options)
            for i, month in enumerate(months)
        ]
        part.append(_sky_job(found, (tile, here), obstacles, months, options))
        jobs += [replace(job, roofs=_cells(built, here)) for job in part]
    _work(jobs, obstacles, options)
    return found


def add_instants(obstacles: Obstacles, light: Rays, options: ShadeOptions) -> Floats:
    """Return the share of the direct light that arrives from each direction; roofs are NaN.

    Result: 0..1, shape (N, rows, columns).
    """
    lit = np.zeros((len(light.x), *obstacles.shape))
    one = (np.ones(1),)
    whole = Tile(0, 0, *obstacles.shape)
    jobs = [
        _Job(tile, light.part(i, i + 1), (_cells(lit[i], tile),), ((obstacles.caster, one),))
        for tile in _tiles(obstacles, whole)
        for i in range(len(light.x))
    ]
    _work(jobs, obstacles, options)
    lit[:, roofs(obstacles, whole)] = np.nan
    return lit


def roofs(obstacles: Obstacles, block: Tile, threads: int = 1) -> NDArray[np.bool_]:
    """Whether the centre of each cell of a block lies in a footprint.

    Result: courtyards are not roofs, shape (rows, columns).
    """
    walls = obstacles.footprints
    found = np.zeros(block.shape, dtype=bool)

    def mark(tile: Tile) -> None:
        _cells(found, _within(tile, block))[:] = covered(footprint_spans(walls, tile), tile)

    with ThreadPoolExecutor(max(threads, 1)) as pool:
        list(pool.map(mark, _cut(block, _ROOF_TILE)))
    return found


def _month_job(
    found: Season,
    i: int,
    tiles: tuple[Tile, Tile],
    positions: SunPositions,
    month: int,
    obstacles: Obstacles,
    options: ShadeOptions,
) -> _Job:
    """Sum the sun of a month: hours, and share of the beam."""
    tile, here = tiles
    on = positions.month == month
    light = rays(positions.elevation[on], positions.azimuth[on])
    caster = obstacles.in_month(month, options.leaf_months)
    weights = rounded(positions.hours[on]), _shares(positions.beam[on])
    outs = _cells(found.sun_hours[i], here), _cells(found.beam_fraction[i], here)
    slope = _cells(found.slope_beam[i], here) if found.slope_sky.size else None
    return _Job(tile, light, outs, ((caster, weights),), slope, light.reach)


def _sky_job(
    found: Season,
    tiles: tuple[Tile, Tile],
    obstacles: Obstacles,
    months: tuple[int, ...],
    options: ShadeOptions,
) -> _Job:
    """Sum the sky, in leaf and out of leaf by their share of the months."""
    tile, here = tiles
    sky = sky_directions(options.sky_directions)
    casters = [obstacles.in_month(month, options.leaf_months) for month in months]
    whole = _shares(sky.weight)
    share = casters.count(obstacles.bare) / len(casters) if casters else 0.0
    bare = rounded(whole * share)
    states = ((obstacles.caster, whole - bare), (obstacles.bare, bare))
    parts = tuple((caster, (weight,)) for caster, weight in states if weight.any())
    slope = _cells(found.slope_sky, here) if found.slope_sky.size else None
    outs = (_cells(found.sky_view, here),)
    job = _Job(tile, rays(sky.elevation, sky.azimuth), outs, parts, slope, sky.tangent)
    if not obstacles.flat:
        return job
    if not obstacles.caster.crowned:
        return replace(job, parts=(), over=obstacles)
    veils = tuple((Caster(caster.scene.veiled()), weights) for caster, weights in parts)
    return replace(job, parts=veils, over=obstacles)


def _tiles(obstacles: Obstacles, block: Tile) -> Iterator[Tile]:
    """Cut a block into tiles."""
    thin = obstacles.caster.has_thin or obstacles.bare.has_thin
    size = _THIN_TILE if thin else _WIDE_TILE
    if obstacles.relief is not None:
        size = _RELIEF_TILE
    return _cut(block, size)


def _cut(whole: Tile, size: tuple[int, int]) -> Iterator[Tile]:
    """Cut a block into tiles of so many rows and columns at most."""
    for top in range(whole.top, whole.bottom, size[0]):
        for left in range(whole.left, whole.right, size[1]):
            yield Tile(
                top, left, min(top + size[0], whole.bottom), min(left + size[1], whole.right)
            )


def _within(tile: Tile, block: Tile) -> Tile:
    """Place of a tile in a block."""
    return Tile(*np.subtract(tile, (block.top, block.left) * 2).tolist())


def _cells(raster: NDArray[Number], tile: Tile) -> NDArray[Number]:
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


def _work(jobs: Sequence[_Job], obstacles: Obstacles, options: ShadeOptions) -> None:
    """Do all jobs, in any order: no two write the same cell."""

    def run(job: _Job) -> None:
        _sum_light(job, obstacles)
        if job.roofs is not None:
            for out in (*job.outs, *(() if job.slope is None else (job.slope,))):
                np.copyto(out, np.nan, where=job.roofs)

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


def _sum_light(job: _Job, obstacles: Obstacles) -> None:
    """Add the weighted light of every direction to the job's cells."""
    relief = obstacles.relief
    if job.over is not None:
        _add_horizon(job, job.over)
        return
    if relief is None:
        for caster, weights in job.parts:
            add_light(job.outs, weights, job.light, job.tile, caster)
        return
    slopes = relief.gradient(job.tile) if obstacles.sloping else None
    tilt = np.zeros((2, *job.tile.shape)) if job.slope is not None else np.zeros((0, 1, 1))
    outs = (*job.outs, *tilt)
    parts = [(caster, _tilted(weights, job)) for caster, weights in job.parts]
    for start in range(0, len(job.light.x), _AT_ONCE):
        light = job.light.part(start, start + _AT_ONCE)
        dark = relief_bits(relief, light, job.tile, slopes)
        for caster, weights in parts:
            some = tuple(weight[start : start + _AT_ONCE] for weight in weights)
            if caster.empty:
                add_relief(outs, some, dark)
                continue
            for tile in _cut(job.tile, _TILE):
                here = _within(tile, job.tile)
                views = tuple(_cells(out, here) for out in outs)
                part = dark[:, here.top : here.bottom, here.left : here.right]
                add_light(views, some, light, tile, caster, part)
    if job.slope is not None and slopes is not None:
        job.slope[:] = _on_slope(job.outs[-1], tilt, slopes)


def _add_horizon(job: _Job, obstacles: Obstacles) -> None:
    """Add the sky over buildings and opaque walls, less what crowns keep back of it."""
    out = job.outs[0]
    walls = solid_walls(obstacles.solid.scene)
    seen = np.ones(job.tile.shape)
    if len(walls[0]):
        horizon_sky(seen, job.tile, walls, horizon_azimuths(walls))
    out += rounded(seen)
    for caster, weights in job.parts:
        take_crowns(out, weights[0], job.light, job.tile, (caster, obstacles.solid))
    np.clip(out, 0.0, 1.0, out=out)
    if job.slope is not None:
        job.slope[:] = out  # the ground is level


def _tilted(weights: tuple[Floats, ...], job: _Job) -> tuple[Floats, ...]:
    """Return the weights, and the last of them by the light's level parts over its upright part."""
    if job.slope is None or job.tangent is None:
        return weights
    level = weights[-1] * job.tangent
    return (*weights, rounded(level * job.light.x), rounded(level * job.light.y))


def _on_slope(
    level: Floats, tilt: Floats, slopes: tuple[NDArray[np.float32], NDArray[np.float32]]
) -> Floats:
    """Return what arrives on sloping ground, over what arrives on open level ground.

    For ground that rises by p and q along x and y, light along (x, y) of reach 1 / tan(elevation)
    brings ``(1 + reach (p x + q y)) / sqrt(1 + p² + q²)`` of what it brings to level ground. That
    is linear in p and q; directions behind the slope are dark already.
    """
    p, q = slopes[0].astype(np.float64), slopes[1].astype(np.float64)
    arriving: Floats = (level + p * tilt[0] + q * tilt[1]) / np.sqrt(1 + p * p + q * q)
    np.maximum(arriving, 0.0, out=arriving)
    return arriving
