"""Add up the light of many directions over the ground: blocks, tiles and months of work.

The loops are compiled (`siting.sun.kernels`); a plain form in numpy stands in the tests and gives
the same bits: it fills the same cells, exponentials are numpy's in both, and sums do not depend on
their order (`siting.sun.scene`).

Processor time of one thread beside other work, a town of 144 buildings on 1400 x 1400 cells of 0.5
m, 174 directions: 0.22 ns per cell and direction for hours alone, 0.33 with the beam, 1.8 with the
sky; spans take 0.08 of it. Compiling takes 7 s, once; from the cache the loops start in 0.3 s.
Memory beyond inputs and outputs does not grow with the raster, but for a byte a cell that tells
roofs: for each thread 4 MB, 3 with crowns.

Each job (one month, or the sky, of one tile) owns the cells it writes, and sums do not depend on
their order (`siting.sun.scene`), so tiles, blocks and threads cannot change a bit of the result.
Shadows of vectors are worked out from the vectors in every tile, however far away they stand;
shadows of rasters are followed from as far away as the longest of them reaches. So no tile needs
its neighbour's result.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final, TypeAlias, TypeVar

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from siting.arrays import Flags, Floats, Ints
from siting.site.model import LocalGrid
from siting.sun.kernels import (
    EllipsoidArrays,
    PrismArrays,
    SheetArrays,
    WallArrays,
    add_lit,
    fill_directions,
    horizon_azimuths,
    horizon_sky,
    solid_walls,
    stride_of,
    take_thin,
)
from siting.sun.position import SunPositions, sky_directions
from siting.sun.relief import Relief, level, on_planes, relief_bits, stand_on
from siting.sun.scene import (
    ROUNDER,
    CrownPrisms,
    Ellipsoids,
    Rays,
    Scene,
    Sheets,
    Tile,
    Walls,
    build_scene,
    covered,
    rays,
    rounded,
)

if TYPE_CHECKING:
    import geopandas as gpd


Bits = NDArray[np.uint8]
#: Directions whose masks are kept before they are added up.
_MASKS: Final = 64
#: Directions of which what crowns dim is kept before it is added up.
_DIMMED: Final = 8


@dataclass(frozen=True, eq=False)
class Caster:
    """A scene in cells, and its arrays as the loops want them.

    scene: as `Scene.on_grid` gives it.
    """

    scene: Scene

    @cached_property
    def walls(self) -> WallArrays:
        """Walls, their slopes, and the box around each building."""
        w = self.scene.walls
        _, first = np.unique(w.building, return_index=True)
        ends = np.append(first, len(w.building)).astype(np.int64)
        fall = w.by - w.ay
        slope = np.divide(w.bx - w.ax, fall, out=np.zeros_like(fall), where=fall != 0)
        foot = w.ax - slope * w.ay
        return (w.ax, w.ay, w.bx, w.by, w.height, slope, foot), ends, _boxes(w, first)

    @cached_property
    def thin(self) -> tuple[SheetArrays, EllipsoidArrays, PrismArrays]:
        """Sheets, ellipsoids and prisms."""
        s, e, p = self.scene.sheets, self.scene.ellipsoids, self.scene.prisms
        return (
            (*_tilt(s), s.ax, s.ay, s.bx, s.by, s.height, s.log_tau),
            (*_tilt(e), e.x, e.y, e.radius, e.base, e.top, e.log_tau),
            (*_tilt(p), p.x, p.y, p.normal_x, p.normal_y, p.support, p.base, p.top, p.log_tau),
        )

    @property
    def crowned(self) -> bool:
        """Whether there is anything but buildings and opaque walls."""
        s, e, p = self.scene.sheets, self.scene.ellipsoids, self.scene.prisms
        return bool(len(e.x) or len(p.base) or np.isfinite(s.log_tau).any())

    @property
    def has_thin(self) -> bool:
        """Whether anything lets a part of the light pass."""
        return any(bool(np.isfinite(part[-1]).any()) for part in self.thin)


def _boxes(w: Walls, first: Ints) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Least x and y, greatest x and y, and height of each building."""
    if len(first) == 0:
        none = np.zeros(0)
        return none, none, none, none, none
    return (
        np.minimum.reduceat(np.minimum(w.ax, w.bx), first),
        np.minimum.reduceat(np.minimum(w.ay, w.by), first),
        np.maximum.reduceat(np.maximum(w.ax, w.bx), first),
        np.maximum.reduceat(np.maximum(w.ay, w.by), first),
        np.maximum.reduceat(w.height, first),
    )


def _tilt(layer: Sheets | Ellipsoids | CrownPrisms) -> tuple[Floats, Floats]:
    """How the ground rises about each body."""
    if layer.tilt is None:
        level = np.zeros(len(layer.log_tau))
        return level, level
    return layer.tilt[0], layer.tilt[1]


def add_light(
    outs: tuple[Floats, ...],
    weights: tuple[Floats, ...],
    light: Rays,
    tile: Tile,
    caster: Caster,
    dark: Bits | None = None,
) -> None:
    """Add the weighted light of every direction to the cells of a block.

    outs (rows, columns): the block's cells, changed in place; weights (N,): multiples of the
    quantum of `siting.sun.scene`, one array for each of `outs`; dark (groups, rows, columns): what
    else is dark: bit k of group g for direction 8 g + k, then N is at most 64.
    """
    for start in range(0, len(light.x), _MASKS):
        part = tuple(weight[start : start + _MASKS] for weight in weights)
        _add(outs, part, light.part(start, start + _MASKS), tile, caster, dark)


def take_crowns(
    out: Floats,
    weight: Floats,
    light: Rays,
    tile: Tile,
    casters: tuple[Caster, Caster],
) -> None:
    """Take what crowns and hedges keep back of the light that walls let pass.

    out (rows, columns): the block's cells, changed in place; weight (N,): multiples of the quantum
    of `siting.sun.scene`.
    """
    for start in range(0, len(light.x), _MASKS):
        part = (weight[start : start + _MASKS],)
        some = light.part(start, start + _MASKS)
        _add((out,), part, some, tile, casters[0], None, lit=False)


def _add(
    outs: tuple[Floats, ...],
    weights: tuple[Floats, ...],
    light: Rays,
    tile: Tile,
    caster: Caster,
    dark: Bits | None,
    *,
    lit: bool = True,
) -> None:
    """Add up to 64 directions; without what is `lit`, only take what crowns keep back."""
    rows, columns = tile.shape
    block = tile.top, tile.left, tile.bottom, tile.right
    stride, many = stride_of(columns), len(light.x)
    masks = np.zeros((many, rows * stride // 64), dtype=np.uint64)
    if dark is not None:
        _spread(masks.view(np.uint8).reshape(many, rows, stride // 8), dark)
    work, step = (rows * stride, _DIMMED) if caster.has_thin else (0, many)
    scratch = np.zeros(work), np.zeros(work // 8, np.uint8), np.empty(work // 8, np.int32)
    most = work // 8 * min(step, many) + 1
    entries = np.empty(most, np.int32), np.empty(most, np.uint8), np.empty((most, 8))
    kept = np.zeros((len(outs), work))
    for start in range(0, many, step):
        end = start + step
        part = light.part(start, end)
        arrays = part.x, part.y, part.reach
        count = fill_directions(
            masks[start:end], block, arrays, caster.walls, caster.thin, scratch, entries
        )
        if count:
            share = entries[2][:count]
            np.exp(share, out=share)
            for sums, weight in zip(kept, weights, strict=True):
                take_thin(sums, entries, count, weight[start:end], ROUNDER)
    for out, sums in zip(outs, kept, strict=True) if work else ():
        np.subtract(out, sums.reshape(rows, stride)[:, :columns], out=out)
    for out, weight in zip(outs, weights, strict=True) if lit else ():
        add_lit(*_in_line(out), masks, weight)


def _spread(masks: Bits, dark: Bits) -> None:
    """Give each direction of groups of eight a mask of its own.

    masks (K, rows, bytes): eight cells a byte, the first the lowest bit, changed in place; dark
    (groups, rows, columns): bit k of group g for direction 8 g + k.
    """
    for k, mask in enumerate(masks):
        on = np.packbits(dark[k // 8] & np.uint8(1 << k % 8), axis=1, bitorder="little")
        mask[:, : on.shape[1]] = on


def _in_line(out: Floats) -> tuple[Floats, tuple[int, int, int]]:
    """Return a tile's numbers in a line, with what lies between its rows, and how they lie.

    A view: one form of a loop serves every raster, and nothing is copied.
    """
    rows, columns = out.shape
    stride, one = (step // out.itemsize for step in out.strides)
    assert one == 1  # noqa: S101 - rasters lie row by row
    line = as_strided(out, ((rows - 1) * stride + columns,), (out.itemsize,))
    return line, (rows, columns, stride)


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
        `siting.sun.position.sky_directions`; what buildings and opaque walls hide on level ground
        is worked out by `siting.sun.kernels` instead, within 0.001 beside long walls.
    progress : callable or None
        Called as ``progress(done, total)`` after each piece of work, from the calling thread.
    leaf_months : tuple of int or None
        Months in which deciduous trees are in leaf, see `siting.sun.scene.leaf_months`; None is
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


Number = TypeVar("Number", bound=np.generic)
#: Rows and columns of a tile: large, since every shadow is cut into spans tile by tile, unless
#: crowns need work space; spans run along the rows, the sky's horizon down the columns. See
#: `siting.sun.light` for the memory that this takes.
_TILE: Final = (256, 256)
_THIN_TILE: Final = (128, 256)
#: As many cells, in more rows where there are fewer columns.
_WIDE_TILE: Final = (256, 2048)
_SKY_TILE: Final = (1024, 256)
#: With a relief: each tile is marched from as far away as a shadow can reach, so larger is cheaper.
_RELIEF_TILE: Final = (1024, 1024)
#: What is summed at once where not all of it is kept; whole tiles of every kind.
_BLOCK: Final = (1024, 1024)
#: Directions of a relief that are kept, one bit of each cell, before they are added up.
_AT_ONCE: Final = 16


#: Sums over the season on a block of cells, by name; see `siting.sun.position.SunShade`. What
#: arrives on the ground's own slope has no cells where that slope is not known.
Sums = dict[str, Floats]
#: What may be asked of a season; what arrives on the slope comes with beam and sky.
ASKED: Final = ("sun_hours", "beam_fraction", "sky_view")


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
    roofs: Flags | None = None
    over: Obstacles | None = None


def season_block(
    obstacles: Obstacles,
    positions: SunPositions,
    months: tuple[int, ...],
    block: Tile,
    options: ShadeOptions,
    wanted: Flags | None = None,
    asked: Collection[str] = ASKED,
) -> Sums:
    """Sum a season over a block of cells; roofs are NaN.

    wanted (rows, columns): cells whose light is asked for, all where None; tiles without any are
    left out, and stay 0; asked: sums to make, of `ASKED`; the others have no cells. Result: arrays
    of shape (M, rows, columns) and (rows, columns).
    """
    found = _no_sums(obstacles, len(months), block.shape, asked)
    built = roofs(obstacles, block, options.threads)
    size = _tile_size(obstacles, block)
    jobs = [
        _month_job(found, i, at, positions, month, obstacles, options)
        for at in _tiles(block, size, wanted)
        for i, month in enumerate(months)
    ]
    if found["sky_view"].size:
        some = _tiles(block, _tile_size(obstacles, block, sky=True), wanted)
        jobs += [_sky_job(found, at, obstacles, months, options) for at in some]
    jobs = [replace(job, roofs=_cells(built, _within(job.tile, block))) for job in jobs]
    _work(jobs, obstacles, options)
    return found


def _no_sums(
    obstacles: Obstacles, months: int, shape: tuple[int, int], asked: Collection[str]
) -> Sums:
    """Return sums of nothing over so many months."""
    cells = [shape if name in asked else (0, 0) for name in ASKED]
    slope = [size if obstacles.sloping else (0, 0) for size in cells]
    return {
        "sun_hours": np.zeros((months, *cells[0])),
        "beam_fraction": np.zeros((months, *cells[1])),
        "sky_view": np.zeros(cells[2]),
        "slope_beam": np.zeros((months, *slope[1])),
        "slope_sky": np.zeros(slope[2]),
    }


def add_instants(obstacles: Obstacles, light: Rays, options: ShadeOptions) -> Floats:
    """Return the share of the direct light that arrives from each direction; roofs are NaN.

    Result: 0..1, shape (N, rows, columns).
    """
    lit = np.zeros((len(light.x), *obstacles.shape))
    one = (np.ones(1),)
    whole = Tile(0, 0, *obstacles.shape)
    jobs = [
        _Job(tile, light.part(i, i + 1), (_cells(lit[i], tile),), ((obstacles.caster, one),))
        for tile in _cut(whole, _tile_size(obstacles, whole))
        for i in range(len(light.x))
    ]
    _work(jobs, obstacles, options)
    lit[:, roofs(obstacles, whole)] = np.nan
    return lit


def roofs(obstacles: Obstacles, block: Tile, threads: int = 1) -> Flags:
    """Whether the centre of each cell of a block lies in a footprint.

    Result: courtyards are not roofs, shape (rows, columns).
    """
    found = np.zeros(block.shape, dtype=bool)

    def mark(tile: Tile) -> None:
        _cells(found, _within(tile, block))[:] = covered(obstacles.footprints, tile)

    with ThreadPoolExecutor(max(threads, 1)) as pool:
        list(pool.map(mark, _cut(block, _BLOCK)))
    return found


def _month_job(
    found: Sums,
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
    summed = {
        "sun_hours": rounded(positions.hours[on]),
        "beam_fraction": _shares(positions.beam[on]),
    }
    weights = tuple(weight for name, weight in summed.items() if found[name].size)
    outs = tuple(_cells(found[name][i], here) for name in summed if found[name].size)
    slope = _cells(found["slope_beam"][i], here) if found["slope_beam"].size else None
    return _Job(tile, light, outs, ((caster, weights),), slope, light.reach)


def _sky_job(
    found: Sums,
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
    slope = _cells(found["slope_sky"], here) if found["slope_sky"].size else None
    outs = (_cells(found["sky_view"], here),)
    job = _Job(tile, rays(sky.elevation, sky.azimuth), outs, parts, slope, sky.tangent)
    if not obstacles.flat:
        return job
    if not obstacles.caster.crowned:
        return replace(job, parts=(), over=obstacles)
    veils = tuple((Caster(caster.scene.veiled()), weights) for caster, weights in parts)
    return replace(job, parts=veils, over=obstacles)


def blocks_of(shape: tuple[int, int]) -> Iterator[Tile]:
    """Cut a raster into the blocks that are held in memory one at a time."""
    return _cut(Tile(0, 0, *shape), _BLOCK)


def _tile_size(obstacles: Obstacles, block: Tile, *, sky: bool = False) -> tuple[int, int]:
    """Rows and columns of a tile of a block."""
    if obstacles.relief is not None:
        return _RELIEF_TILE
    if obstacles.caster.has_thin or obstacles.bare.has_thin:
        return _THIN_TILE[::-1] if sky else _THIN_TILE
    if sky:
        return _SKY_TILE
    rows, columns = _WIDE_TILE
    width = min(columns, block.shape[1])
    return rows * columns // width, width


def _tiles(block: Tile, size: tuple[int, int], wanted: Flags | None) -> Iterator[tuple[Tile, Tile]]:
    """Cut a block into tiles in which anything is wanted, and tell their places in the block."""
    for tile in _cut(block, size):
        here = _within(tile, block)
        if wanted is None or _cells(wanted, here).any():
            yield tile, here


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
