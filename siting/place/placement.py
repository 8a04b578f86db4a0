"""Put one sensor in one zone: the driest representative point that keeps its setbacks.

The raster only proposes. The point is refined on the vectors, along their outline too, and every
setback is an exact distance to them. In order:

1. Admissible ground is the part of the zone that meets every setback. Points are sought where it is
   met with the error of tape and shovel to spare (`MARGIN_M`), so that an honest hole meets it too.
2. Among that ground, the point with the least expected squared distance from rank 0.875, the middle
   of the driest quarter, over scenarios and burial error.
3. Where the drier half of the ground varies by less than the map's own error, no place in it is the
   driest: the one deepest inside the admissible ground of that half.
4. Of equals, the one deepest inside the admissible ground; of those, the one nearest to its
   middle; of those, the one nearer to the landmark, which moves and turns with the property, such
   as its controller; of those, the north-westernmost. ("Equal" is what differs by less than a few
   millionths; see `siting.place.placement`.)
5. Where no such ground exists, the point with the largest smallest ratio of distance to
   setback; of equals, the best by 2, then the one nearest to the middle of the ground.
6. Two reserve points by the same rules, at least 2 m from the point and from each other. One that
   the map's own error cannot tell from the point is as good, and the words say so.

What is minimised is the expected squared distance of the rank from its target. Where that hardly
differs, a more interior place is better, and of those the one nearer to the middle; both weigh so
little that a metre is worth less than 0.002 in rank.

A search that tries points around the best so far sticks on an outline that it meets at a narrow
angle: what is better lies along the outline, between the directions that it tries. So the outline
itself is searched, by its length.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import scipy
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats, Ints
from siting.errors import NoAdmissibleGroundError
from siting.evidence.field import Learned
from siting.language import Figure, say, side_by_side
from siting.place.rank import (
    Chances,
    Mesh,
    Pieces,
    RankField,
    chances_at,
    mesh_of,
    pieces_of,
    rank_field,
    surface_through,
)
from siting.place.setbacks import (
    HAZARD_WORDS,
    Clearance,
    Hazards,
    Region,
    cells_of,
    clearance,
    highest,
    nearest_high,
)
from siting.units import UnitsName, show
from siting.zones.application import Unevenness

_EQUAL: Final = 1e-9  # ratios closer than this are equal
_LIKELY, _SURE = 0.5, 0.9
_PAIR: Final = 2
_WORTH: Final = 0.015  # a share of the ground below this is not worth a word
_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")


class PlaceWords(NamedTuple):
    """What is said of a place, in one system of units.

    Parameters
    ----------
    note : str
        What gave way, or "".
    reason : str
        Why here.
    """

    note: str
    reason: str


class Equals(NamedTuple):
    """Where else a sensor could lie as well, as far as the map can tell.

    reserves: numbers of the reserve points that are as good; share: share of the ground where it
    may lie that is as good, 0..1.
    """

    reserves: tuple[int, ...]
    share: float


class GroundWords(NamedTuple):
    """What the words of a place rest on.

    chances: what is expected of its rank; reserves: reserve points beside it; equals: where else it
    could lie as well; even, level: whether all of the ground, or its drier half, dries alike within
    the map's own error.
    """

    chances: Chances
    reserves: int
    equals: Equals
    even: bool
    level: bool


class Tightest(NamedTuple):
    """The setback that binds at a point, and the others that are not met.

    ratio: its distance over its setback, inf where there is no setback [-]; hazard: what binds, ""
    where there is no setback; distance, setback: how far the hazard is and how far it should be,
    NaN where there is no setback [m]; missed: hazard, distance and setback of the others that are
    not met, the tightest first.
    """

    ratio: float
    hazard: str
    distance: float
    setback: float
    missed: tuple[tuple[str, float, float], ...] = ()


def words_of(
    tightest: Tightest, ground: GroundWords, zone: BaseGeometry
) -> dict[UnitsName, PlaceWords]:
    """Say what gave way and why here, in each system of units."""
    width = 0.0 if tightest.ratio >= 1.0 - _EQUAL else _widest(zone)
    return {
        units: PlaceWords(
            note_of(tightest, width, units=units), reason_of(ground, tightest, units=units)
        )
        for units in _SYSTEMS
    }


def tightest_setback(point: tuple[float, float], hazards: Hazards) -> Tightest:
    """Measure every setback at a point on the hazards themselves.

    point: x and y [m]. Returns the setback that binds, and the others that are not met.
    """
    counts = hazards.setbacks > 0
    if not counts.any():
        return Tightest(float("inf"), "", float("nan"), float("nan"))
    names, setbacks, shapes = hazards.take(counts)
    distance = shapely.distance(shapes, shapely.Point(*point))
    ratio = distance / setbacks
    equal = np.round(ratio, 6)
    least = np.flatnonzero(equal == equal.min())
    first = int(least[np.argsort(names[least], kind="stable")[0]])
    missed: dict[str, tuple[str, float, float]] = {}
    short = np.flatnonzero(ratio < 1.0 - _EQUAL)
    for i in short[np.lexsort((names[short], equal[short]))]:
        name = str(names[i])
        missed.setdefault(name, (name, float(distance[i]), float(setbacks[i])))
    missed.pop(str(names[first]), None)
    return Tightest(
        float(ratio[first]),
        str(names[first]),
        float(distance[first]),
        float(setbacks[first]),
        tuple(missed.values()),
    )


def _word(hazard: str) -> str:
    return HAZARD_WORDS.get(hazard) or hazard.replace("_", " ")


def _widest(zone: BaseGeometry) -> float:
    """Return how wide a zone is at its widest [m]."""
    shapely.prepare(zone)
    depth = clearance(zone, np.empty(0, dtype=object), np.empty(0)).slack
    return 2 * highest(Region(zone, depth, 1.0), cells_of(zone))[0]


def note_of(tightest: Tightest, width: float, *, units: UnitsName) -> str:
    """Say what gave way.

    width: of the zone at its widest [m]; units {"metric", "us"}: units of the lengths. Returns
    plain words, or "" where every setback is met.
    """
    if tightest.ratio >= 1.0 - _EQUAL:
        return ""
    text = say(
        "no ground meets every setback (the zone is {width} wide at its widest): the {hazard} "
        "setback of {setback} gave way to {distance}",
        width=show(width, "length", units),
        hazard=_word(tightest.hazard),
        setback=show(tightest.setback, "length", units),
        distance=show(tightest.distance, "length", units),
    )
    if not tightest.missed:
        return text
    missed = [
        say(
            "{hazard} {distance} of {setback}",
            hazard=_word(name),
            distance=show(distance, "length", units),
            setback=show(setback, "length", units),
        )
        for name, distance, setback in tightest.missed
    ]
    return say("{first}; also {others}", first=text, others=side_by_side(missed, ", "))


def chance_words(chances: Chances) -> str:
    """Say how likely a place is to lie in the driest quarter and in the wetter half, in hundreds.

    >>> chance_words(Chances(0.79, 0.66, 0.06))
    '66 in 100 for the driest quarter, 6 in 100 for the wetter half'
    """
    quarter, half = (round(100 * part) for part in (chances.driest_quarter, chances.wetter_half))
    return say(
        "{quarter} in 100 for the driest quarter, {half} in 100 for the wetter half",
        quarter=quarter,
        half=half,
    )


def reason_of(ground: GroundWords, tightest: Tightest, *, units: UnitsName) -> str:
    """Say why here.

    units {"metric", "us"}: units of the lengths. Returns one or two sentences.
    """
    lead, more = _lead(ground)
    if not tightest.hazard:
        return side_by_side([say("{lead}.", lead=lead), more])
    first = say(
        "{lead}, {distance} from the nearest hazard ({hazard}).",
        lead=lead,
        distance=show(tightest.distance, "length", units),
        hazard=_word(tightest.hazard),
    )
    return side_by_side([first, more])


def _lead(ground: GroundWords) -> tuple[str, str]:
    """Return why here, and what to do about what is not known, or ""."""
    if ground.even:
        return say("The zone dries evenly: the middle of its open ground"), ""
    likely, chances = ground.chances.driest_quarter, chance_words(ground.chances)
    if likely >= _SURE:
        lead = say(
            "In the driest quarter of the ground where a sensor may lie (chances: {chances})",
            chances=chances,
        )
    elif likely >= _LIKELY:
        lead = say(
            "Probably in the driest quarter of the ground where a sensor may lie (chances: "
            "{chances})",
            chances=chances,
        )
    elif ground.level:
        lead = say(
            "The drier half of the ground dries alike, no place in it is the driest: the middle of "
            "it (chances: {chances})",
            chances=chances,
        )
    else:
        lead = say("Any place here is about as good (chances: {chances})", chances=chances)
    more = _equal_words(ground.equals) if likely >= _LIKELY else walk_words(ground.reserves)
    return lead, more


def _equal_words(equals: Equals) -> str:
    """Name the other places where it could lie as well; "" without any.

    >>> _equal_words(Equals((1, 2), 0.06))[:61]
    'It could lie as well at R1 or R2 (6 % of that ground is as go'
    """
    if not equals.reserves:
        return ""
    others = side_by_side([f"R{number}" for number in equals.reserves], " or ")
    if len(equals.reserves) == _PAIR:
        first, second = (f"R{number}" for number in equals.reserves)
        others = say("{first} or {second}", first=first, second=second)
    if equals.share < _WORTH:
        return say(
            "It could lie as well at {others}: the map's own error cannot tell them apart.",
            others=others,
        )
    return say(
        "It could lie as well at {others} ({share} % of that ground is as good): the map's own "
        "error cannot tell them apart.",
        others=others,
        share=Figure(f"{100 * equals.share:.0f}"),
    )


def walk_words(reserves: int) -> str:
    """Ask for a walk with a probe; "" without a reserve to compare with."""
    if reserves == 0:
        return ""
    if reserves == 1:
        return say(
            "Walk it and reserve R1 with a probe two days after a watering, and dig where it reads "
            "driest."
        )
    return say(
        "Walk it and reserves R1 and R2 with a probe two days after a watering, and dig where it "
        "reads driest."
    )


_PER_SLACK_M: Final = 2e-6  # what a metre of slack is worth in squared rank
_PER_MIDDLE_M: Final = 1e-7  # what a metre towards the middle is worth
_TIED: Final = 2e-6  # objectives closer than this are equal
_MOST_STARTS: Final = 24
_NEAR: Final = 0.02  # pieces worse than the best by more need no exact slack
_SIDE: Final = 9  # points along the side of a search window
#: Places of those points in a window from -1 to 1: along a side, and all of them.
_OFFSETS: Final = np.linspace(-1.0, 1.0, _SIDE)
_ACROSS, _UP = (part.ravel() for part in np.meshgrid(_OFFSETS, _OFFSETS))
_AWAY: Final = np.hypot(_ACROSS, _UP)
_ON_RIM: Final = np.maximum(np.abs(_ACROSS), np.abs(_UP)) > 1 - 1e-9
_SHRINK: Final = 0.4
_FINEST: Final = 5e-5  # half the last window [m]
_MOST_ROUNDS: Final = 60


class Found(NamedTuple):
    """A refined point.

    x, y: where it lies [m]; value: its objective, in squared rank, with the preferences in it [-];
    slack: least of distance minus setback there [m].
    """

    x: float
    y: float
    value: float
    slack: float


@dataclass(frozen=True)
class Search:
    """Where and for what to search.

    region: ground, slack in metres as its score, and perhaps a further condition; field: what is
    minimised; middle: of equals, nearer to here is better [m].
    """

    region: Region
    field: RankField
    middle: tuple[float, float]

    def rough(self, x: Floats, y: Floats) -> Floats:
        """Return the objective without the preference for slack.

        x, y (N,): points [m]. Result: expected squared distance of the rank from its target, with
        the preference for the middle [-], shape (N,).
        """
        return self.nearer(self.field.objective(x, y), x, y)

    def nearer(self, objective: Floats, x: Floats, y: Floats) -> Floats:
        """Return an objective at points, shapes (N,) [m], with the preference for the middle."""
        away = np.hypot(x - self.middle[0], y - self.middle[1])
        return objective + _PER_MIDDLE_M * away

    def value(self, x: Floats, y: Floats, rough: Floats) -> tuple[Floats, Floats]:
        """Return the objective with both preferences, and the slack.

        x, y (N,): points [m]; rough (N,): their objective without slack. Result: infinite where a
        point is not admissible [-], shape (N,); the region's score [m], shape (N,).
        """
        slack = self.region.score(x, y)
        value = rough - _PER_SLACK_M * slack
        held = slack >= 0
        held[held] = self.region.holds(x[held], y[held])
        value[~held] = np.inf
        return value, slack


def starts(search: Search, mesh: Mesh, pieces: Pieces, objective: Floats) -> tuple[Floats, Floats]:
    """Return one point for each basin of the mesh, best first.

    objective: of the field at the pieces. Result: pieces of cells that are no worse than their
    neighbours; at most 24, shape (K,).
    """
    rough = search.nearer(objective, pieces.x, pieces.y)
    value = np.full(rough.shape, np.inf)
    near = rough <= rough.min() + _NEAR
    value[near], _ = search.value(pieces.x[near], pieces.y[near], rough[near])
    if not np.isfinite(value).any():  # the best ground is taken, or too narrow for a centroid
        value, _ = search.value(pieces.x, pieces.y, rough)
    flat = np.full(mesh.rows * mesh.columns, np.inf)
    flat[pieces.cell] = value
    grid = flat.reshape(mesh.rows, mesh.columns)
    least = scipy.ndimage.minimum_filter(grid, size=3, mode="constant", cval=np.inf)
    chosen = np.isfinite(value) & (value <= least.ravel()[pieces.cell])
    at = np.flatnonzero(chosen)
    away = np.hypot(pieces.x[at] - search.middle[0], pieces.y[at] - search.middle[1])
    order = np.lexsort(
        (pieces.x[at], -pieces.y[at], np.round(away, 3), np.round(value[at] / _TIED))
    )
    at = at[order][:_MOST_STARTS]
    return pieces.x[at], pieces.y[at]


def best_point(search: Search, x: Floats, y: Floats, *, reach: float) -> Found | None:
    """Refine points side by side and return the best.

    Each point is the middle of a window of 9 x 9 candidates. A window moves while its best
    candidate lies on its rim, and else shrinks about it, down to a tenth of a millimetre. Windows
    that cannot win any more are given up.

    x, y (K,): starts; reach: half the side of the first window [m]. Result: of equals the one
    nearest to the middle, then the north-westernmost; None without starts.
    """
    if x.size == 0:
        return None
    value, slack = search.value(x, y, search.rough(x, y))
    alive = np.isfinite(value)
    windows = _Windows(*(part[alive] for part in (x, y, value, slack, np.full(x.size, reach))))
    for _ in range(_MOST_ROUNDS):
        if not (windows.half > _FINEST).any():
            break
        windows = _round(search, windows)
    return _first(search, windows)


class _Windows(NamedTuple):
    """Best point of each window so far, and half its side."""

    x: Floats
    y: Floats
    value: Floats
    slack: Floats
    half: Floats


def _round(search: Search, windows: _Windows) -> _Windows:
    """Look at every candidate of each window: move to the best, or shrink; drop what cannot win."""
    half, going = windows.half[:, None], windows.half > _FINEST
    x, y = windows.x[:, None] + half * _ACROSS, windows.y[:, None] + half * _UP
    rough = search.rough(x.ravel(), y.ravel()).reshape(x.shape)
    # Slack changes by a metre a metre, so this is the best that a candidate can be.
    most = windows.slack[:, None] + half * _AWAY
    worth = (rough - _PER_SLACK_M * most < windows.value[:, None]) & (most >= 0)
    value, slack = np.full(x.shape, np.inf), np.zeros(x.shape)
    value[worth], slack[worth] = search.value(x[worth], y[worth], rough[worth])
    best = np.argmin(np.round(value, 13), axis=1)
    pick = np.arange(best.size), best
    better = going & (value[pick] < windows.value - 1e-13)
    shrunk = going & ~(better & _ON_RIM[best])
    found = (x[pick], y[pick], value[pick], slack[pick])
    moved = [np.where(better, new, old) for new, old in zip(found, windows[:-1], strict=True)]
    moved.append(np.where(shrunk, windows.half * _SHRINK, windows.half))
    # Those fall short of the best by more than their whole range.
    gained = np.where(going, np.ptp(rough, axis=1), 0.0)
    keep = moved[2] - gained <= moved[2].min() + _TIED
    return _Windows(*(part[keep] for part in moved))


def _first(search: Search, windows: _Windows) -> Found | None:
    """Return the best window; of equals the one nearest to the middle, then north, then west."""
    if windows.x.size == 0:
        return None
    away = np.hypot(windows.x - search.middle[0], windows.y - search.middle[1])
    tied = np.flatnonzero(windows.value <= windows.value.min() + _TIED)
    order = np.lexsort(
        (np.round(windows.x[tied], 3), -np.round(windows.y[tied], 3), np.round(away[tied], 3))
    )
    k = int(tied[order[0]])
    return Found(*(float(part[k]) for part in windows[:-1]))


_CIRCLE: Final = 512  # corners of a circle around a point that is taken
_INWARD: Final = 1e-7  # how far from the outline points are tried at least [m]
_DRAWN: Final = 0.05  # how far a drawn arc may lie inside the setback that it stands for [m]
_FEWEST: Final = 8  # samples of a ring
_MOST: Final = 12  # places of the outline that are refined
_OFF_THE_ARC: Final = 5e-3  # what moving off a drawn arc may change at most
_FINEST_ON_OUTLINE: Final = 1e-4  # half the last window [m]
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
    windows = _Stretches(
        ring,
        along,
        np.full(along.size, np.inf),
        np.zeros((along.size, 2)),
        np.full(along.size, spacing),
    )
    for _ in range(_MOST_ROUNDS):
        if not (windows.half > _FINEST_ON_OUTLINE).any():
            break
        windows = _round_of_outline(search, edge, windows, found.value)
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


class _Stretches(NamedTuple):
    """Stretches of the outline: ring, middle, objective and place of the best, half the length."""

    ring: Ints
    along: Floats
    value: Floats
    place: Floats
    half: Floats


def _round_of_outline(
    search: Search, edge: Outline, windows: _Stretches, known: float
) -> _Stretches:
    """Look at nine places of each window: move to the best, or shrink; drop what cannot win."""
    ring, half = windows.ring, windows.half
    along, value, place = windows.along.copy(), windows.value.copy(), windows.place.copy()
    going = half > _FINEST_ON_OUTLINE
    tried = along[:, None] + half[:, None] * _OFFSETS
    x, y = _placed(search, edge, (ring, tried), value)
    rough = search.rough(x.ravel(), y.ravel()).reshape(x.shape)
    new = np.full(x.shape, np.inf)
    worth = going[:, None] & (rough < value[:, None])
    new[worth], _ = search.value(x[worth], y[worth], rough[worth])
    best = np.argmin(new, axis=1)
    pick = np.arange(along.size), best
    better = new[pick] < value - 1e-13
    along[better], value[better] = tried[pick][better], new[pick][better]
    place[better] = np.column_stack([x[pick], y[pick]])[better]
    rim = better & (np.abs(_OFFSETS[best]) > 1 - 1e-9)
    half = np.where(rim | ~going, half, half * _SHRINK)
    hopeful = rough.min(axis=1) - np.ptp(rough, axis=1) <= min(known, value.min())
    return _Stretches(ring[hopeful], along[hopeful], value[hopeful], place[hopeful], half[hopeful])


def _placed(
    search: Search, edge: Outline, at: tuple[Ints, Floats], value: Floats
) -> tuple[Floats, Floats]:
    """Return places of an outline, shape (K, 9), moved off it to where setbacks are met exactly.

    Only places that may be better than the value of their window are looked at closely.
    """
    along = at[1]
    ring = np.broadcast_to(at[0][:, None], along.shape)
    (x, ahead_x), (y, ahead_y) = edge.places(ring, np.stack([along, along + _AHEAD]))
    right_x, right_y = ahead_y - y, x - ahead_x
    step = np.maximum(np.hypot(right_x, right_y), 1e-12)
    near = search.rough(x.ravel(), y.ravel()).reshape(x.shape) < value[:, None] + _OFF_THE_ARC
    short = np.zeros(along.shape)
    short[near] = np.clip(-search.region.score(x[near], y[near]), 0.0, _DRAWN)
    shift = (1.01 * short + _INWARD) / step
    return x + right_x * shift, y + right_y * shift


#: Reserve points per sensor, and how far they lie from it and from each other [m].
RESERVES: Final = 2
RESERVE_GAP_M: Final = 2.0
#: What tape and shovel may be off by: a fix from two tapes of 3 cm each is good to about 5 cm, a
#: hole by hand to about 10; with some room, common practice, no source [m].
MARGIN_M: Final = 0.15
_EQUAL_M: Final = 2e-4  # lengths (and ratios) closer than this are equal
_RESERVE_M: Final = 0.02  # what a reserve's clearance may fall short of the best ridge known
_DRAWN_M: Final = 0.02  # how far the middle of the ground is drawn towards the landmark
_SAME: Final = 1e-6  # objectives closer than this are equal


class Reserve(NamedTuple):
    """A point to fall back on when the shovel meets rock.

    x, y: working CRS [m]; rank: area rank of dryness among the admissible ground, mean over
    scenarios, 0..1; setback_ratio: smallest distance over setback; binding_setback: the hazard at
    which it is reached, or ""; chances: what is expected of its true rank; as_good: whether the
    map's own error cannot tell it from the sensor's point.
    """

    x: float
    y: float
    rank: float
    setback_ratio: float
    binding_setback: str
    chances: Chances
    as_good: bool


@dataclass(frozen=True)
class Placement:
    """Where a sensor goes, and why there.

    Parameters
    ----------
    x, y : float
        Working CRS [m].
    rank : float
        Area rank of dryness among the admissible ground, mean over scenarios, 0..1.
    chances : Chances
        What is expected of its true rank among the admissible ground, with everything unknown in
        it: scenarios, burial error, application pattern, the map's own error, crowns not drawn.
    setback_ratio : float
        Smallest distance over setback; at least 1 when every setback is met, infinite without any.
    binding_setback : str
        The hazard at which it is reached, or "".
    note : str
        What gave way, or "".
    reason : str
        Why here, in plain words.
    words : mapping of units to PlaceWords
        The same two sentences in each system of units.
    chances_tested : Chances or None
        The same after a can test; None where there is nothing to gain.
    reserves : tuple of Reserve
        Points to fall back on, best first; fewer than two where the ground is too small.
    admissible : shapely geometry
        The ground that meets every setback, arcs drawn within a few millimetres.
    """

    x: float
    y: float
    rank: float
    chances: Chances
    setback_ratio: float
    binding_setback: str
    note: str
    reason: str
    words: Mapping[UnitsName, PlaceWords] = field(default_factory=dict)
    chances_tested: Chances | None = None
    reserves: tuple[Reserve, ...] = ()
    admissible: BaseGeometry = field(default_factory=shapely.Polygon, compare=False)


@dataclass(frozen=True)
class _Ground:
    """One zone's open ground, prepared, and what keeps a sensor from parts of it.

    mesh: over the zone; hazards: of this zone; margin: how far points stay inside every setback,
    where there is room [m]. Of equal places the one nearer to `landmark` is taken.
    """

    shape: BaseGeometry
    mesh: Mesh
    hazards: Hazards
    margin: float
    landmark: tuple[float, float] | None = None

    @cached_property
    def clear(self) -> Clearance:
        """Measures the setbacks themselves."""
        return clearance(self.shape, self.hazards.shapes, self.hazards.setbacks)

    @cached_property
    def kept(self) -> Clearance:
        """Measures the setbacks with the margin in them."""
        if self.margin <= 0:
            return self.clear
        return clearance(self.shape, self.hazards.shapes, self.hazards.setbacks + self.margin)

    @cached_property
    def admissible(self) -> BaseGeometry:
        """The part that meets every setback, arcs drawn as polygons."""
        return _drawn_admissible(self.shape, self.hazards.shapes, self.hazards.setbacks)

    @cached_property
    def safe(self) -> BaseGeometry:
        """The part of it that keeps the margin too."""
        if self.margin <= 0:
            return self.admissible
        setbacks = self.hazards.setbacks + self.margin
        return _drawn_admissible(self.shape, self.hazards.shapes, setbacks)

    @cached_property
    def pieces(self) -> Pieces:
        """The safe part as cut by the mesh."""
        return pieces_of(self.safe, self.mesh)


class _Ridge(NamedTuple):
    """Where the smallest ratio of distance to setback is largest, and what it is there."""

    best: float
    x: Floats
    y: Floats


def place_sensor(  # noqa: PLR0913 - each option is one of its own
    zone: BaseGeometry,
    *,
    x: Floats,
    y: Floats,
    dryness: Floats,
    hazards: gpd.GeoDataFrame | Hazards,
    burial_error: float = 0.5,
    application_cv: float | Unevenness = 0.0,
    margin: float = 0.0,
    landmark: tuple[float, float] | None = None,
    units: UnitsName = "metric",
) -> Placement:
    """Choose the driest representative point of a zone.

    Parameters
    ----------
    zone : shapely geometry
        Polygon or MultiPolygon in the working CRS.
    x, y : ndarray, shape (P,)
        Samples in the zone, ideally on a square lattice, and some around it if there are any: they
        only tell how dryness varies, and count for no area [m].
    dryness : ndarray, shape (S, P)
        Dryness of the samples per scenario (any unit).
    hazards : GeoDataFrame
        hazard, setback [m], geometry: those that concern this zone (`hazards_of_zone`). Ground
        covered by a polygonal hazard is never admissible.
    burial_error : float
        Standard deviation of the buried position along each axis [m].
    application_cv : float or Unevenness
        Coefficient of variation of an application pattern that is not known, or that with its
        reach; it only tells on `chances`.
    margin : float
        How far points stay inside every setback, where the ground has the room [m].
    landmark : tuple of float, optional
        Of places that nothing else tells apart, the one nearer to here is taken [m].
    units : {"metric", "us"}
        Units of the lengths in `note` and `reason`.

    Returns
    -------
    Placement
        The point, its ranks, its setbacks and its reserves.

    Raises
    ------
    NoAdmissibleGroundError
        When polygonal hazards cover the whole zone, or the zone has no points.
    """
    if x.size == 0:
        msg = "the zone has no points"
        raise NoAdmissibleGroundError(msg)
    known = Hazards.of(hazards) if isinstance(hazards, gpd.GeoDataFrame) else hazards
    ground = _open_ground(zone, known, burial_error, margin=margin, landmark=landmark)
    unknown = application_cv
    if not isinstance(unknown, Unevenness):
        unknown = Unevenness(unknown)
    ranks = _ranks_of(ground, (x, y, dryness), burial_error, unknown.learned)
    points = _points(ground, ranks)
    point = points[0]
    chances = chances_at(ranks, points, unknown)
    tested = None
    if unknown.cv_tested is not None:
        tested = chances_at(ranks, [point], unknown, tested=True)[0]
    tightest = [tightest_setback(at, known) for at in points]
    at = np.array(points).T
    rank, pieces = ranks.rank(*at), ground.pieces
    as_good = ranks.as_good(
        point, np.concatenate([at[0], pieces.x]), np.concatenate([at[1], pieces.y])
    )
    reserves = tuple(
        Reserve(*points[k], float(rank[k]), *tightest[k][:2], chances[k], bool(as_good[k]))
        for k in range(1, len(points))
    )
    equal_m2 = float(pieces.area[as_good[len(points) :]].sum())
    equals = Equals(
        tuple(k for k, at in enumerate(reserves, start=1) if at.as_good),
        equal_m2 / max(ground.safe.area, 1e-9),
    )
    told = GroundWords(chances[0], len(reserves), equals, even=ranks.even, level=ranks.level)
    words = words_of(tightest[0], told, zone)
    return Placement(
        x=point[0],
        y=point[1],
        rank=float(rank[0]),
        chances=chances[0],
        setback_ratio=tightest[0].ratio,
        binding_setback=tightest[0].hazard,
        note=words[units].note,
        reason=words[units].reason,
        words=words,
        chances_tested=tested,
        reserves=reserves,
        admissible=ground.admissible,
    )


def chances_there(
    zone: BaseGeometry,
    point: tuple[float, float],
    *,
    samples: tuple[Floats, Floats, Floats],
    hazards: gpd.GeoDataFrame,
    error: float,
    unknown: Unevenness,
) -> Chances:
    """Return what is expected of the true rank of a point that was not chosen, as one dug already.

    Parameters
    ----------
    zone : shapely geometry
        Polygon or MultiPolygon in the working CRS.
    point : tuple of float
        x and y [m].
    samples : tuple of ndarray
        x, y and dryness, as for `place_sensor`.
    hazards : GeoDataFrame
        Those that concern this zone.
    error : float
        Standard deviation of where it is, along each axis [m].
    unknown : Unevenness
        What is not known of the zone's application.

    Returns
    -------
    Chances
        Among the ground where a sensor may lie.
    """
    ground = _open_ground(zone, Hazards.of(hazards), error)
    ranks = _ranks_of(ground, samples, error, unknown.learned)
    return chances_at(ranks, [point], unknown)[0]


def _open_ground(
    zone: BaseGeometry,
    hazards: Hazards,
    burial_error: float,
    *,
    margin: float = 0.0,
    landmark: tuple[float, float] | None = None,
) -> _Ground:
    """Take covered ground out of the zone."""
    shapes = hazards.shapes
    covering = shapes[shapely.get_dimensions(shapes) == 2]  # noqa: PLR2004
    covering = covering[shapely.intersects(covering, zone)]
    shape = zone.difference(shapely.union_all(covering)) if len(covering) else zone
    parts = shapely.get_parts(shape)
    parts = parts[(shapely.get_dimensions(parts) == 2) & (shapely.area(parts) > 0)]  # noqa: PLR2004
    if len(parts) == 0:
        covers = "buildings, paving, low or steep ground cover the whole zone"
        msg = f"{covers}: there is no ground for a sensor"
        raise NoAdmissibleGroundError(msg)
    shape = shapely.union_all(parts)
    shapely.prepare(shape)
    mesh = mesh_of(zone, burial_error=burial_error)
    return _Ground(shape, mesh, hazards, margin, landmark)


def _ranks_of(
    ground: _Ground,
    samples: tuple[Floats, Floats, Floats],
    burial_error: float,
    learned: Learned | None = None,
) -> RankField:
    """Make the field of ranks of a zone."""
    x, y, dryness = samples
    surface = surface_through(x, y, np.atleast_2d(np.asarray(dryness, dtype=float)))
    basis = ground.pieces
    if ground.safe is not ground.admissible:
        basis = pieces_of(ground.admissible, ground.mesh)
    if basis.cell.size == 0:
        basis = pieces_of(ground.shape, ground.mesh)
    return rank_field(surface, ground.mesh, basis=basis, burial_error=burial_error, learned=learned)


def _points(ground: _Ground, ranks: RankField) -> list[tuple[float, float]]:
    """Return the best point and its reserves, each clear of those before it."""
    chosen: list[tuple[float, float]] = []
    ridge: _Ridge | None = None
    objective = ranks.objective(ground.pieces.x, ground.pieces.y)
    for _ in range(1 + RESERVES):
        point = _best_admissible(ground, ranks, objective, chosen)
        if point is None:
            ridge = _tightest_ridge(ground, chosen, ridge)
            point = None if ridge is None else _best_cramped(ground, ranks, chosen, ridge)
        if point is None:
            break
        chosen.append(point)
    return chosen


def _clear_of(chosen: list[tuple[float, float]]) -> Callable[[Floats, Floats], Flags]:
    """Return a condition: 2 m and more from points that are taken."""
    taken = np.array(chosen).reshape(-1, 2)

    def clear(x: Floats, y: Floats) -> Flags:
        away = np.hypot(x[:, None] - taken[:, 0], y[:, None] - taken[:, 1])
        far: Flags = (away >= RESERVE_GAP_M).all(axis=1)
        return far

    return clear


def _drawn_admissible(
    shape: BaseGeometry, shapes: NDArray[np.object_], setbacks: Floats
) -> BaseGeometry:
    """Draw the admissible ground, arcs as polygons."""
    near = shapely.distance(shapes, shape) < setbacks
    kept = shapely.buffer(
        shapely.intersection(shapes[near], _window(shape, setbacks)), setbacks[near], quad_segs=32
    )
    return shape.difference(shapely.union_all(kept))


def _window(shape: BaseGeometry, setbacks: Floats) -> BaseGeometry:
    """Return a box around a ground that holds all that can come within a setback of it."""
    west, south, east, north = shape.bounds
    margin = float(setbacks.max(initial=0.0)) + 1.0
    return shapely.box(west - margin, south - margin, east + margin, north + margin)


def _best_admissible(
    ground: _Ground, ranks: RankField, objective: Floats, chosen: list[tuple[float, float]]
) -> tuple[float, float] | None:
    """Return the best admissible point that is clear of those chosen; None where none is found.

    objective: at the pieces of the ground.
    """
    pieces = ground.pieces
    clear = _clear_of(chosen) if chosen else None
    region = Region(ground.shape, ground.kept.slack, 1.0, clear)
    if pieces.cell.size == 0:
        return None
    if ranks.level and not chosen:
        if not ranks.even:
            region = Region(ground.shape, ground.kept.slack, 1.0, ranks.in_drier_half)
        found = _most_interior(ground, region)
        return found if ground.kept.slack(*np.array([found]).T)[0] >= 0 else None
    lowest = int(np.argmin(objective))
    middle = _middle(ground, float(pieces.x[lowest]), float(pieces.y[lowest]))
    search = Search(region, ranks, middle)
    x, y = starts(search, ground.mesh, pieces, objective)
    best: Found | None = best_point(search, x, y, reach=ground.mesh.step)
    if best is None and not chosen:  # admissible ground between the centroids of its pieces
        found = _most_interior(ground, region)
        best = best_point(search, *np.array([found]).T, reach=ground.mesh.step)
    if best is None:
        return None
    edge = outline(ground.safe, chosen, RESERVE_GAP_M)
    best = best_along(search, edge, best, spacing=ground.mesh.step / 2)
    return best.x, best.y


def _most_interior(ground: _Ground, region: Region) -> tuple[float, float]:
    """Return the point with the most slack, and of equals the one nearest to the middle."""
    cells = cells_of(ground.shape)
    best, x, y = highest(region, cells)
    first = (float(x[0]), float(y[0]))
    floor = best - _EQUAL_M
    return nearest_high(region, cells, floor=floor, towards=_middle(ground, *first)) or first


def _tightest_ridge(
    ground: _Ground, chosen: list[tuple[float, float]], known: _Ridge | None
) -> _Ridge | None:
    """Find where the smallest ratio is largest, clear of those chosen; None where nothing is."""
    clear = _clear_of(chosen)
    if known is not None:
        far = clear(known.x, known.y)
        ratio = ground.clear.ratio(known.x[far], known.y[far])
        room = _RESERVE_M / ground.clear.smallest_setback
        if ratio.size and ratio.max() >= known.best - room:
            high = ratio >= ratio.max() - room
            return _Ridge(float(ratio.max()) - room, known.x[far][high], known.y[far][high])
    slope = 1.0 / ground.clear.smallest_setback
    if slope == 0.0:  # no setback anywhere: all ground is admissible
        return None
    region = Region(ground.shape, ground.clear.ratio, slope, clear)
    ridge = _Ridge(*highest(region, cells_of(ground.shape)))
    return ridge if ridge.x.size else None


def _best_cramped(
    ground: _Ground, ranks: RankField, chosen: list[tuple[float, float]], ridge: _Ridge
) -> tuple[float, float]:
    """Return the best point of the ridge on which the smallest ratio is largest."""
    slope = 1.0 / ground.clear.smallest_setback
    region = Region(ground.shape, ground.clear.ratio, slope, _clear_of(chosen))
    x, y = ridge.x, ridge.y
    middle = _middle(ground, float(x[0]), float(y[0]))
    towards = middle
    if not ranks.even:
        objective = np.round(ranks.objective(x, y) / _SAME)
        away = np.round(np.hypot(x - middle[0], y - middle[1]), 3)
        first = int(np.lexsort((x, -y, away, objective))[0])
        towards = (float(x[first]), float(y[first]))
    floor = ridge.best - _EQUAL_M * slope
    found = nearest_high(region, cells_of(ground.shape), floor=floor, towards=towards)
    return found or (float(x[0]), float(y[0]))


def _middle(ground: _Ground, x: float, y: float) -> tuple[float, float]:
    """Return the centroid of the part of the admissible (else open) ground that holds a point.

    It only orders points that are equal otherwise, so arcs drawn as polygons will do. It is drawn
    a little towards the landmark, so that of two points as near to it one is the nearer.
    """
    parts = shapely.get_parts(ground.shape if ground.safe.is_empty else ground.safe)
    nearest = int(np.argmin(shapely.distance(parts, shapely.Point(x, y))))
    centre = shapely.get_coordinates(parts[nearest].centroid)[0]
    if ground.landmark is not None:
        way = np.asarray(ground.landmark) - centre
        centre = centre + _DRAWN_M * way / max(float(np.hypot(*way)), _DRAWN_M)
    return float(centre[0]), float(centre[1])
