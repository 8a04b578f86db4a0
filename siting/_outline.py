"""The best point along the outline of admissible ground.

A search that tries points around the best so far sticks on an outline that it meets at a narrow
angle: what is better lies along the outline, between the directions that it tries. So the outline
itself is searched, by its length.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting._optimum import Found, Search, best_point

__all__ = ["Outline", "best_along", "outline"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CIRCLE: Final = 512  # corners of a circle around a point that is taken
_INWARD: Final = 1e-7  # how far from the outline points are tried at least [m]
_DRAWN: Final = 0.05  # how far a drawn arc may lie inside the setback that it stands for [m]
_FEWEST: Final = 8  # samples of a ring
_MOST: Final = 12  # places of the outline that are refined
_NEAR: Final = 5e-3  # what moving off a drawn arc may change at most
_SIDE: Final = 9  # points of a window
_SHRINK: Final = 0.4
_FINEST: Final = 1e-4  # half the last window [m]
_MOST_ROUNDS: Final = 60
_AHEAD: Final = 1e-4  # along the outline, to know where it goes [m]
_POLISH: Final = 0.01  # half the window in which the drawn outline is left for the exact one [m]
_GAIN: Final = 2e-6  # objectives closer than this are equal


class Outline(NamedTuple):
    """Rings that bound a ground, one after the other, with the ground on their right.

    along, x, y (V,): corners: length from the first corner of the first ring, with a metre between
    rings, and where they lie [m]; start, length (R,): where each ring begins, and how long it is
    [m].
    """

    along: Floats
    x: Floats
    y: Floats
    start: Floats
    length: Floats

    def places(self, ring: Ints, along: Floats) -> tuple[Floats, Floats]:
        """Return where places of rings lie.

        along: length from the beginning of the ring, beyond its end it goes round again [m].
        Result: the places [m].
        """
        at = self.start[ring] + along % self.length[ring]
        return np.interp(at, self.along, self.x), np.interp(at, self.along, self.y)


def outline(admissible: BaseGeometry, taken: list[tuple[float, float]], radius: float) -> Outline:
    """Return the rings that bound the ground.

    taken: points from which others keep away [m]; radius: how far they keep away [m]. Result:
    outlines and holes of the ground, and a circle around each point that is taken.
    """
    turn = 2 * np.pi * np.arange(_CIRCLE + 1) / _CIRCLE
    reach = radius / np.cos(np.pi / _CIRCLE)  # no chord comes nearer than the radius
    circle = reach * np.column_stack([np.cos(turn), np.sin(turn)])
    parts = shapely.get_parts(shapely.normalize(admissible))
    corners = [shapely.get_coordinates(ring) for ring in shapely.get_rings(parts)]
    corners += [circle + at for at in taken]
    along, start, length = [], [], []
    reached = 0.0
    for ring in corners:
        steps = np.hypot(*np.diff(ring, axis=0).T)
        along.append(reached + np.concatenate([[0.0], np.cumsum(steps)]))
        start.append(reached)
        length.append(float(along[-1][-1]) - reached)
        reached = float(along[-1][-1]) + 1.0
    x, y = np.concatenate([np.empty((0, 2)), *corners]).T
    return Outline(np.concatenate([np.empty(0), *along]), x, y, np.array(start), np.array(length))


def best_along(search: Search, edge: Outline, found: Found, *, spacing: float) -> Found:
    """Return the best point of an outline where it is better than one that is known.

    spacing: between samples of the outline [m]. Result: that point, or one that is better by 2e-6
    and more in squared rank.
    """
    if edge.length.size == 0:
        return found
    ring, along = _samples(search, edge, found, spacing)
    windows = _Windows(
        ring,
        along,
        np.full(along.size, np.inf),
        np.zeros((along.size, 2)),
        np.full(along.size, spacing),
    )
    for _ in range(_MOST_ROUNDS):
        if not (windows.half > _FINEST).any():
            break
        windows = _round(search, edge, windows, found.value)
    better = windows.value < found.value - _GAIN
    polished = best_point(search, *windows.place[better].T, reach=_POLISH)
    return polished if polished is not None and polished.value < found.value - _GAIN else found


def _samples(search: Search, edge: Outline, found: Found, spacing: float) -> tuple[Ints, Floats]:
    """Return ring and place along it of the samples beside which a better point may lie."""
    count = np.maximum(np.ceil(edge.length / spacing), _FEWEST).astype(np.int64)
    ring = np.repeat(np.arange(count.size), count)
    first = np.repeat(np.cumsum(count) - count, count)
    place = np.arange(ring.size) - first
    along = (place + 0.5) * (edge.length / count)[ring]
    value = search.rough(*edge.places(ring, along))
    beside = np.stack([value[first + (place + step) % count[ring]] for step in (-1, 1)])
    rise = beside - value
    # A parabola through three samples is lower than the least of them by an eighth at most.
    least = (rise >= 0).all(axis=0) & (value - rise.max(axis=0) / 4 < found.value - _GAIN)
    at = np.flatnonzero(least)
    at = at[np.argsort(value[at], kind="stable")][:_MOST]
    return ring[at], along[at]


class _Windows(NamedTuple):
    """Stretches of the outline: ring, middle, objective and place of the best, half the length."""

    ring: Ints
    along: Floats
    value: Floats
    place: Floats
    half: Floats


def _round(search: Search, edge: Outline, windows: _Windows, known: float) -> _Windows:
    """Look at nine places of each window: move to the best, or shrink; drop what cannot win."""
    ring, half = windows.ring, windows.half
    along, value, place = windows.along.copy(), windows.value.copy(), windows.place.copy()
    offsets = np.linspace(-1.0, 1.0, _SIDE)
    going = half > _FINEST
    tried = along[:, None] + half[:, None] * offsets
    x, y = _placed(search, edge, (ring, tried), value)
    rough = search.rough(x.ravel(), y.ravel()).reshape(x.shape)
    new = np.full(x.shape, np.inf)
    worth = going[:, None] & (rough < value[:, None])
    new[worth], _ = search.value(x[worth], y[worth])
    best = np.argmin(new, axis=1)
    pick = np.arange(along.size), best
    better = new[pick] < value - 1e-13
    along[better], value[better] = tried[pick][better], new[pick][better]
    place[better] = np.column_stack([x[pick], y[pick]])[better]
    rim = better & (np.abs(offsets[best]) > 1 - 1e-9)
    half = np.where(rim | ~going, half, half * _SHRINK)
    hopeful = rough.min(axis=1) - np.ptp(rough, axis=1) <= min(known, value.min())
    return _Windows(ring[hopeful], along[hopeful], value[hopeful], place[hopeful], half[hopeful])


def _placed(
    search: Search, edge: Outline, at: tuple[Ints, Floats], value: Floats
) -> tuple[Floats, Floats]:
    """Return places of an outline, shape (K, 9), moved off it to where setbacks are met exactly.

    Only places that may be better than the value of their window are looked at closely.
    """
    along = at[1]
    ring = np.broadcast_to(at[0][:, None], along.shape)
    x, y = edge.places(ring, along)
    ahead_x, ahead_y = edge.places(ring, along + _AHEAD)
    right_x, right_y = ahead_y - y, x - ahead_x
    step = np.maximum(np.hypot(right_x, right_y), 1e-12)
    near = search.rough(x.ravel(), y.ravel()).reshape(x.shape) < value[:, None] + _NEAR
    short = np.zeros(along.shape)
    short[near] = np.clip(-search.region.score(x[near], y[near]), 0.0, _DRAWN)
    shift = (1.01 * short + _INWARD) / step
    return x + right_x * shift, y + right_y * shift
