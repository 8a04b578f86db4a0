"""Add up the light of many directions over a block of cells, by numpy or by compiled kernels.

Both engines give the same bits: they fill the same cells, exponentials are numpy's in both, and
sums do not depend on their order (`siting.sun.exact`). Which one runs is a matter of time only.

Numba earns its place on large work only. Processor time of one
thread on a quiet machine, a town of 144 buildings on 1400 x 1400 cells of 0.5 m, 174 directions:

- kernels 0.24 ns per cell and direction for hours alone, 0.35 with the beam; numpy 3 to 5. What
  the kernels spend: spans 0.13, sums 0.08.
- Compiling takes 10 s, once; from the cache the kernels start in 0.3 to 0.6 s. Hence numpy does
  small work even where numba is installed.
- Memory beyond inputs and outputs does not grow with the raster, for each thread: kernels 2 MB, 5
  with crowns; numpy 6. That is 1.5 to 3.5 bytes per cell of the town at 0.5 m, at most 12 at 1 m.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass
from functools import cached_property
from types import ModuleType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from siting.sun.exact import ROUNDER
from siting.sun.fill import transmission
from siting.sun.scene import CrownPrisms, Ellipsoids, Scene, Sheets, Walls
from siting.sun.shadows import (
    Rays,
    Tile,
    ellipse_spans,
    prism_spans,
    sheet_spans,
    wall_spans,
)

__all__ = [
    "Caster",
    "add_light",
    "add_relief",
    "compiled_kernels",
    "has_compiler",
    "take_crowns",
    "worth_compiling",
]

Floats = NDArray[np.float64]
Bits = NDArray[np.uint8]

#: Cells times directions that numpy works on at once, and rows that it then adds up at once.
_BATCH_CELLS: Final = 2**17
_ROWS: Final = 32
_BITS: Final = 8
#: Groups of eight directions whose masks are kept before they are added up.
_GROUPS: Final = 8


@dataclass(frozen=True, eq=False)
class Caster:
    """A scene in cells, and its arrays as the kernels want them.

    Parameters
    ----------
    scene : Scene
        As `Scene.on_grid` gives it.
    """

    scene: Scene

    @cached_property
    def walls(self) -> tuple[tuple[Floats, ...], NDArray[np.int64], tuple[Floats, ...]]:
        """Walls, their slopes, and the box around each building."""
        w = self.scene.walls
        _, first = np.unique(w.building, return_index=True)
        ends = np.append(first, len(w.building)).astype(np.int64)
        run = w.bx - w.ax
        slope = np.divide(w.by - w.ay, run, out=np.zeros_like(run), where=run != 0)
        foot = w.ay - slope * w.ax
        return (w.ax, w.ay, w.bx, w.by, w.height, slope, foot), ends, _boxes(w, first)

    @cached_property
    def thin(self) -> tuple[tuple[NDArray[Any], ...], ...]:
        """Sheets, ellipsoids and prisms."""
        s, e, p = self.scene.sheets, self.scene.ellipsoids, self.scene.prisms
        return (
            (*_tilt(s), s.ax, s.ay, s.bx, s.by, s.height, s.log_tau),
            (*_tilt(e), e.x, e.y, e.radius, e.base, e.top, e.log_tau),
            (*_tilt(p), p.x, p.y, p.normal_x, p.normal_y, p.support, p.base, p.top, p.log_tau),
        )

    @property
    def empty(self) -> bool:
        """Whether nothing shades."""
        scene = self.scene
        parts = scene.walls.ax, scene.sheets.ax, scene.ellipsoids.x, scene.prisms.base
        return not any(len(part) for part in parts)

    @property
    def crowned(self) -> bool:
        """Whether there is anything but buildings and opaque walls."""
        s, e, p = self.scene.sheets, self.scene.ellipsoids, self.scene.prisms
        return bool(len(e.x) or len(p.base) or np.isfinite(s.log_tau).any())

    @property
    def has_thin(self) -> bool:
        """Whether anything lets a part of the light pass."""
        return any(bool(np.isfinite(part[-1]).any()) for part in self.thin)


def _boxes(w: Walls, first: NDArray[np.int64]) -> tuple[Floats, ...]:
    """Least x and y, greatest x and y, and height of each building."""
    if len(first) == 0:
        return (np.zeros(0),) * 5
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


def has_compiler() -> bool:
    """Whether numba is installed.

    Returns
    -------
    bool
        Without importing it, which takes a third of a second.
    """
    return importlib.util.find_spec("numba") is not None


def worth_compiling(size: float, least: float) -> bool:
    """Whether compiled kernels are to be used for a piece of work.

    Parameters
    ----------
    size, least : float
        How much work there is, and from how much on the start of the kernels is worth it.

    Returns
    -------
    bool
        For small work too once they are started: a worker that has started them for one property
        keeps them for all the small ones after it. Never without numba.
    """
    return (size >= least or "siting.sun.kernels" in sys.modules) and has_compiler()


def compiled_kernels() -> ModuleType:
    """Import the kernels; the first call of each compiles it or takes it from the cache.

    Returns
    -------
    module
        `siting.sun.kernels`.
    """
    from siting.sun import kernels  # noqa: PLC0415 - only where they are worth their start

    return kernels


def add_light(
    outs: tuple[Floats, ...],
    weights: tuple[Floats, ...],
    light: Rays,
    tile: Tile,
    caster: Caster,
    *,
    kernels: ModuleType | None,
    dark: Bits | None = None,
) -> None:
    """Add the weighted light of every direction to the cells of a block.

    Parameters
    ----------
    outs : tuple of ndarray, each shape (rows, columns)
        The block's cells; changed in place.
    weights : tuple of ndarray, each shape (N,)
        Multiples of the quantum of `siting.sun.exact`, one array for each of `outs`.
    light : Rays
        Directions, shape (N,).
    tile : Tile
        The block.
    caster : Caster
        What shades.
    kernels : module or None
        `siting.sun.kernels`, or None for numpy.
    dark : ndarray of uint8, shape (groups, rows, columns), optional
        What else is dark: bit k of group g for direction 8 g + k; then N is at most 64.
    """
    if kernels is None:
        _add_by_numpy(outs, weights, light, tile, caster, dark)
        return
    step = _BITS * _GROUPS
    for start in range(0, len(light.x), step):
        part = tuple(weight[start : start + step] for weight in weights)
        _add_compiled(outs, part, light.part(start, start + step), tile, caster, kernels, dark)


def take_crowns(
    out: Floats,
    weight: Floats,
    light: Rays,
    tile: Tile,
    casters: tuple[Caster, Caster],
    kernels: ModuleType | None,
) -> None:
    """Take what crowns and hedges keep back of the light that walls let pass.

    Parameters
    ----------
    out : ndarray, shape (rows, columns)
        The block's cells; changed in place.
    weight : ndarray, shape (N,)
        Multiples of the quantum of `siting.sun.exact`.
    light : Rays
        Directions, shape (N,).
    tile : Tile
        The block.
    casters : tuple of two Caster
        Everything, with no opaque crown (see `Scene.veiled`); buildings and opaque walls alone.
    kernels : module or None
        As for `add_light`.
    """
    if kernels is None:
        for caster, sign in zip(casters, (1.0, -1.0), strict=True):
            _add_by_numpy((out,), (sign * weight,), light, tile, caster, None)
        return
    step = _BITS * _GROUPS
    for start in range(0, len(light.x), step):
        part = (weight[start : start + step],)
        some = light.part(start, start + step)
        _add_compiled((out,), part, some, tile, casters[0], kernels, None, lit=False)


def _add_compiled(
    outs: tuple[Floats, ...],
    weights: tuple[Floats, ...],
    light: Rays,
    tile: Tile,
    caster: Caster,
    kernels: ModuleType,
    dark: Bits | None,
    *,
    lit: bool = True,
) -> None:
    """Add up to 64 directions by kernels; without what is `lit`, only what crowns keep back."""
    from siting.sun import sum_kernels  # noqa: PLC0415 - only where numba is installed

    rows, columns = tile.shape
    stride = kernels.stride_of(rows)
    groups = -(-len(light.x) // _BITS)
    masks = np.zeros((groups, columns * stride // _BITS), dtype=np.uint64)
    if dark is not None:
        sum_kernels.turn(masks, dark, stride)
    work = columns * stride if caster.has_thin else 0
    scratch = np.zeros(work), np.empty(work, dtype=np.int32)
    most = work * min(_BITS, len(light.x))
    entries = np.empty(most, np.int32), np.empty(most, np.uint8), np.empty(most)
    kept = np.zeros((len(outs), work))
    for g in range(groups):
        part = light.part(g * _BITS, (g + 1) * _BITS)
        arrays = part.x, part.y, part.reach
        count = kernels.fill_directions(
            masks[g], tuple(tile), arrays, caster.walls, caster.thin, scratch, entries
        )
        if count:
            share = entries[2][:count]
            np.exp(share, out=share)
            for sums, weight in zip(kept, weights, strict=True):
                some = weight[g * _BITS : (g + 1) * _BITS]
                kernels.take_thin(sums, entries, count, some, ROUNDER)
    for out, sums in zip(outs, kept, strict=True) if work else ():
        np.subtract(out, sums.reshape(columns, stride)[:, :rows].T, out=out)
    for out, weight in zip(outs, weights, strict=True) if lit else ():
        sum_kernels.add_lit(out, masks, _padded(weight, groups))


def add_relief(outs: tuple[Floats, ...], weights: tuple[Floats, ...], dark: Bits) -> None:
    """Add the weighted light of directions of which only a relief shades, by kernels.

    Parameters
    ----------
    outs : tuple of ndarray, each shape (rows, columns)
        The cells; changed in place.
    weights : tuple of ndarray, each shape (N,)
        As for `add_light`.
    dark : ndarray of uint8, shape (groups, rows, columns)
        As for `add_light`.
    """
    from siting.sun import sum_kernels  # noqa: PLC0415 - only where numba is installed

    for out, weight in zip(outs, weights, strict=True):
        sum_kernels.add_lit_rows(out, dark, _padded(weight, len(dark)))


def _padded(weight: Floats, groups: int) -> Floats:
    """Weights of whole groups of eight."""
    padded = np.zeros(groups * _BITS)
    padded[: len(weight)] = weight
    return padded


def _add_by_numpy(
    outs: tuple[Floats, ...],
    weights: tuple[Floats, ...],
    light: Rays,
    tile: Tile,
    caster: Caster,
    dark: Bits | None,
) -> None:
    """Add batches of directions, each filled at once."""
    rows, columns = tile.shape
    batch = int(np.clip(_BATCH_CELLS // (rows * columns), 1, 64))
    for start in range(0, len(light.x), batch):
        some = tuple(weight[start : start + batch] for weight in weights)
        arriving = _arriving(caster.scene, light.part(start, start + batch), tile)
        for top in range(0, rows, _ROWS):
            part = slice(top, top + _ROWS)
            lit = arriving[part].astype(np.float64)
            if dark is not None:
                for k in range(lit.shape[1]):
                    group, bit = divmod(start + k, _BITS)
                    lit[:, k] *= dark[group, part] >> np.uint8(bit) & 1 == 0
            for weight, out in zip(some, outs, strict=True):
                _add_weighted(out[part], lit, weight, whole=arriving.dtype == np.bool_)


def _add_weighted(out: Floats, lit: Floats, weight: Floats, *, whole: bool) -> None:
    """Add the light of some rows; parts of a weight are rounded, so that sums stay exact."""
    if whole:
        np.add(out, np.einsum("rkc,k->rc", lit, weight), out=out)
        return
    part = lit * weight[:, None]
    part += ROUNDER
    part -= ROUNDER
    np.add(out, part.sum(axis=1), out=out)


def _arriving(scene: Scene, light: Rays, tile: Tile) -> Floats | NDArray[np.bool_]:
    """Share of the light that arrives, shape (rows, K, columns); bool where all or nothing does."""
    thin = [
        (sheet_spans(scene.sheets, light, tile), scene.sheets.log_tau),
        (ellipse_spans(scene.ellipsoids, light, tile), scene.ellipsoids.log_tau),
        (prism_spans(scene.prisms, light, tile), scene.prisms.log_tau),
    ]
    return transmission(wall_spans(scene.walls, light, tile), thin, tile, len(light.x))
