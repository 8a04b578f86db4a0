"""Sky view over buildings and opaque walls on level ground, by the horizon of every cell.

The sky over a horizon brings ``sum(angle * n_z) / 2 pi`` of the level irradiance of an isotropic
sky: the sum runs over the horizon's great arcs, with the angle of each and the upright part of the
unit normal of its plane (Lambert's formula for the irradiance from a polygon). The horizon is
sampled at azimuths and joined by great arcs. The straight top of a wall is a great arc, so between
two samples on one wall nothing is lost, however near it stands; only where the horizon passes from
one wall to another within a step is it approximate.

Sum order and arithmetic are fixed, whatever the tiles: the result is the same, bit for bit.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.polynomial import Chebyshev, Polynomial
from numpy.typing import NDArray

from siting.compiled import compiled
from siting.sun.kernels import Block, Floats
from siting.sun.scene import Scene

__all__ = ["horizon_azimuths", "horizon_sky", "solid_walls"]

Singles = NDArray[np.float32]

#: Evenly spaced azimuths, a multiple of 8 so that they stay the same in a mirror.
_AZIMUTHS: Final = 64
#: Bearings of walls are told apart by this [deg].
_BEARING: Final = 0.005
#: A bearing that holds this share of the walls' length is sampled too: along a long wall its
#: horizon falls from near the zenith to nothing within a step.
_LONG: Final = 1 / 16
#: Heights off from which a wall is left out: it hides less than 1 / (1 + 60 * 60) of the sky.
_FAR: Final = 60.0
_OPEN: Final = 1e6  # cotangent of the horizon where nothing stands
_DEGREE: Final = 9


def _arc_terms() -> tuple[np.float32, ...]:
    """Terms of ``arccos(c) / sqrt(1 - c * c)`` in ``1 - c`` for c from 0 to 1, within 1e-7."""
    lost = (1 - np.cos(np.pi * (np.arange(64) + 0.5) / 64)) / 2
    ratio = np.arccos(1 - lost) / np.sqrt(lost * (2 - lost))
    fit = Chebyshev.fit(lost, ratio, _DEGREE, domain=[0, 1]).convert(kind=Polynomial)
    return tuple(np.float32(term) for term in fit.coef)


_T0, _T1, _T2, _T3, _T4, _T5, _T6, _T7, _T8, _T9 = _arc_terms()


def solid_walls(scene: Scene) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Walls of buildings, and opaque free-standing walls from both sides.

    Result: ax, ay, bx, by and height; what they hide lies on the left from b to a, shape (W,).
    """
    w, s = scene.walls, scene.sheets
    on = np.isneginf(s.log_tau)
    return (
        np.concatenate([w.ax, s.ax[on], s.bx[on]]),
        np.concatenate([w.ay, s.ay[on], s.by[on]]),
        np.concatenate([w.bx, s.bx[on], s.ax[on]]),
        np.concatenate([w.by, s.by[on], s.ay[on]]),
        np.concatenate([w.height, s.height[on], s.height[on]]),
    )


def horizon_azimuths(walls: tuple[Floats, Floats, Floats, Floats, Floats]) -> Floats:
    """Azimuths at which the horizon is sampled: even steps, and along the walls' main bearings.

    Result: rising, 0..2 pi; the same set, mirrored, for a mirrored property, shape (A,).
    """
    ax, ay, bx, by, _ = walls
    even = np.arange(_AZIMUTHS) * (360 / _AZIMUTHS)
    length = np.hypot(bx - ax, by - ay)
    bearing = np.rint(np.degrees(np.arctan2(bx - ax, ay - by)) / _BEARING) % (180 / _BEARING)
    found, place = np.unique(bearing, return_inverse=True)
    along = np.bincount(place, weights=length, minlength=len(found))
    long = found[along >= _LONG * length.sum()] * _BEARING
    every = np.rint(np.concatenate([even, long, long + 180]) / _BEARING) % (360 / _BEARING)
    azimuths: Floats = np.radians(np.unique(np.concatenate([every * _BEARING, even])))
    return azimuths


@compiled
def _lower(
    cot: Singles, block: Block, wall: tuple[float, float, float, float, float], x: float, y: float
) -> None:
    """Lower the horizon's cotangent behind one wall; light runs along (x, y)."""
    top, left, bottom, right = block
    ax, ay, bx, by, height = wall
    along_x, along_y = bx - ax, by - ay
    away = along_x * y - along_y * x
    if away <= 0 or height <= 0:
        return
    far = _FAR * height
    low_x = min(ax, bx) + min(x * far, 0.0)
    high_x = max(ax, bx) + max(x * far, 0.0)
    low_y = min(ay, by) + min(y * far, 0.0)
    high_y = max(ay, by) + max(y * far, 0.0)
    c0, c1 = max(math.ceil(low_x), left), min(math.floor(high_x), right - 1)
    if c0 > c1 or high_y < top or low_y > bottom - 1:
        return
    scale = 1.0 / (away * height)
    step = along_x * scale
    for c in range(c0, c1 + 1):
        low, high = float(top), float(bottom - 1)
        if x != 0:
            at_a, at_b = ay + (c - ax) * (y / x), by + (c - bx) * (y / x)
            low, high = max(low, min(at_a, at_b)), min(high, max(at_a, at_b))
        start = -(c - ax) * along_y * scale - ay * step  # cotangent at row 0
        if step != 0:
            near, end = -start / step, (_FAR - start) / step
            low, high = max(low, min(near, end)), min(high, max(near, end))
        elif start < 0 or start > _FAR:
            continue
        if low > high:
            continue
        first, last = math.ceil(low), math.floor(high)
        line = cot[c - left, first - top : last - top + 1]
        for i in range(len(line)):
            line[i] = min(line[i], np.float32(max(start + step * (first + i), 0.0)))


@compiled
def _take(
    total: Singles, cot: Singles, flat_before: Singles, up_before: Singles, turn: float
) -> None:
    """Add the great arc from the sample before to this one; the cotangents are opened again."""
    cosine, sine = np.float32(math.cos(turn)), np.float32(math.sin(turn))
    one, nothing = np.float32(1.0), np.float32(_OPEN)
    for i in range(len(cot)):
        q = cot[i]
        up = one / np.sqrt(one + q * q)
        flat = q * up
        both = flat * flat_before[i]
        lost = one - (both * cosine + up * up_before[i])
        t = _T8 + lost * _T9
        t = _T7 + lost * t
        t = _T6 + lost * t
        t = _T5 + lost * t
        t = _T4 + lost * t
        t = _T3 + lost * t
        t = _T2 + lost * t
        t = _T1 + lost * t
        t = _T0 + lost * t
        total[i] += both * sine * t
        flat_before[i] = flat
        up_before[i] = up
        cot[i] = nothing


@compiled
def horizon_sky(
    out: Floats,
    block: Block,
    walls: tuple[Floats, Floats, Floats, Floats, Floats],
    azimuths: Floats,
) -> None:
    """Work out the share of an isotropic sky that is seen over walls from level ground.

    out (rows, columns): set; block: first row and column, one past the last; azimuths (A,): see
    `horizon_azimuths` [rad].
    """
    ax, ay, bx, by, height = walls
    shape = (block[3] - block[1], block[2] - block[0])
    cells = shape[0] * shape[1]
    cot, total = np.full(cells, np.float32(_OPEN)), np.zeros(cells, np.float32)
    flat, up = np.zeros(cells, np.float32), np.zeros(cells, np.float32)
    columns = cot.reshape(shape)
    count = len(azimuths)
    for k in range(count + 1):
        azimuth = azimuths[k % count]
        x, y = -math.sin(azimuth), math.cos(azimuth)
        for w in range(len(ax)):
            _lower(columns, block, (ax[w], ay[w], bx[w], by[w], height[w]), x, y)
        turn = 0.0 if k == 0 else azimuth + 2 * math.pi * (k // count) - azimuths[k - 1]
        _take(total, cot, flat, up, turn)  # no arc leads to the first
    sums = total.reshape(shape)
    for c in range(shape[0]):
        for r in range(shape[1]):
            out[r, c] = min(sums[c, r] / (2 * math.pi), 1.0)
