"""Tape ties: how a crew finds a point again from fixed points, and how well."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from geopandas.array import from_shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats
from siting.units import UnitsName, show

#: Standard deviation of one tape distance in the field [m]; common practice, no source.
TAPE_SIGMA_M: Final = 0.03
_ANGLE_DEG: Final = (30.0, 150.0)
_NEAR_BEST: Final = 1.05  # pairs whose error is within 5 % of the best count as equally good
_STRAIGHT_DEG: Final = 30.0  # a corner turns by at least this much
_SHORTEST_M: Final = 0.3
_SIGHT_M: Final = 0.01  # a line of sight may graze a wall by this much
_WALL_M: Final = 30.0  # longest tape square to a wall
_FAR: Final = 5 / 3  # how much longer a tape may be where nothing nearer is in sight: 50 for 30 m
_EDGE_M: Final = 3.0  # an edge is straight along at least this much
_BEND_M: Final = 0.01  # and bends by no more than this
_MANY_POINTS: Final = 500  # a shape of more is cut to what lies within reach
_STAKE_M: Final = 5.0  # how far from the sensor a stake stands: clear of the digging
#: Fixtures that stay where they are and stand out above the ground.
_FIXED_FIXTURES: Final = ("controller", "valve_box", "hydrant", "light", "meter", "backflow")
_COLUMNS: Final = (
    "tie",
    "distance_m",
    "from_kind",
    "from_x",
    "from_y",
    "angle_deg",
    "drms_m",
    "side",
    "offset",
    "geometry",
)


class SensorTies(NamedTuple):
    """The ties of one sensor.

    ties: one row per tie: tie (1..3), distance_m, from_kind, from_x, from_y, angle_deg (crossing
    angle with tie 1, NaN on tie 1), drms_m (error expected: of ties 1 and 2 on their rows, of all
    three on the row of tie 3), side ("left" or "right" of the line from point 1 to point 2, seen
    from point 1), offset (bool: the shortest tape from a straight edge, whose foot is from_x,
    from_y), geometry (LineString from the fixed point to the sensor); note: what is missing, in
    plain words, or "".
    """

    ties: gpd.GeoDataFrame
    note: str


class _Fixed(NamedTuple):
    """Fixed points in sight: coordinates (C, 2), kind (C,), distance (C,), bearing (C,).

    `offset` (C,) tells the feet of the shortest tapes from straight edges from points.
    """

    places: Floats
    kinds: NDArray[np.str_]
    distance: Floats
    bearing: Floats
    offset: Flags


def pair_drms(angle_deg: Floats | float, *, sigma: float = TAPE_SIGMA_M) -> Floats:
    """Error expected of a point fixed by two tapes: sqrt(2) sigma / sin(crossing angle).

    angle_deg: angle at which the tapes cross [deg]; sigma: standard deviation of one distance [m].
    Result: root mean square distance of the point found from the true one [m].

    >>> round(float(pair_drms(30.0, sigma=0.01)), 4)
    0.0283
    """
    sine = np.abs(np.sin(np.radians(np.asarray(angle_deg, dtype=float))))
    with np.errstate(divide="ignore"):
        return np.asarray(np.sqrt(2.0) * sigma / sine, dtype=float)


def sensor_ties(  # noqa: PLR0913 - every layer is an argument of its own
    x: float,
    y: float,
    *,
    buildings: gpd.GeoDataFrame,
    fixtures: gpd.GeoDataFrame | None = None,
    boundary: BaseGeometry | None = None,
    edges: Mapping[str, BaseGeometry] | None = None,
    max_distance: float = 30.0,
    sigma: float = TAPE_SIGMA_M,
    units: UnitsName = "metric",
) -> SensorTies:
    """Choose two tapes that fix a point best, and a third as a check.

    Corners of buildings come first; fixtures that stay put, then corners of the property line are
    used only where the corners in sight do not make a pair that crosses at 30 to 150 degrees, or
    for the check. Where they do not, offsets from straight edges (paving with its kerb, wall,
    fence, property line) are taken too: the shortest tape from the edge. Tapes of up to 50 m are
    used only where no pair within `max_distance` will do. Where nothing else can check, a mark on
    the straight line between the two fixed points does, or the shortest tape to the nearest wall.
    As the last resort the places of two stakes are given, 5 m away at a right angle.

    Parameters
    ----------
    x, y : float
        The sensor, working CRS [m].
    buildings : GeoDataFrame
        Footprints: their outward corners are the fixed points, and they block the view.
    fixtures : GeoDataFrame, optional
        Points with a column kind.
    boundary : shapely geometry, optional
        The property.
    edges : mapping of str to shapely geometry, optional
        What else has straight edges, such as paving and fences, by the name that a crew knows.
    max_distance : float
        Longest tape where anything is within it [m]; 5/3 of it elsewhere, 30 and 50 m.
    sigma : float
        Standard deviation of one tape distance [m].
    units : {"metric", "us"}
        In which the note tells lengths.

    Returns
    -------
    SensorTies
        Up to three ties, and what is missing.
    """
    walls = shapely.union_all(buildings.geometry.to_numpy())
    tiers = [(_corners(walls), "building corner")]
    tiers += [(places, kind) for kind, places in _fixture_points(fixtures)]
    if boundary is not None:
        tiers.append((_corners(boundary), "property corner"))
    fixed: _Fixed | None = None
    far = max_distance * _FAR
    feet = _edges((x, y), walls, boundary, edges or {}, far)
    tries = [(n, max_distance, False) for n in range(1, len(tiers) + 1)]
    for n, reach, offsets in (*tries, (len(tiers), max_distance, True), (len(tiers), far, True)):
        fixed = _in_sight((x, y), tiers[:n], walls, reach)
        fixed = _with_edges((x, y), fixed, feet, walls, reach) if offsets else fixed
        pair = _best_pair(fixed, sigma)
        if pair is not None:
            every = _in_sight((x, y), tiers, walls, reach)
            every = _with_edges((x, y), every, feet, walls, reach) if offsets else every
            fixed, third = _third((x, y), (fixed, every), pair, walls=walls, sigma=sigma)
            note = "" if third else "no third fixed point to check the two tapes"
            return SensorTies(_table((x, y), fixed, [*pair, *third], sigma, buildings.crs), note)
    near = [] if fixed is None else list(np.argsort(fixed.distance, kind="stable")[:1])
    stakes = _stakes((x, y), walls, boundary)
    if near:
        drawn = _joined(stakes, fixed, [int(i) for i in near])
    else:
        check = _halfway((x, y), stakes.places, walls, ("stake 1", "2"))
        if not len(check.distance):
            check = _nearest_wall((x, y), walls)
        drawn = _joined(stakes, check, list(range(len(check.distance))))
    reach_said = show(far, "length", units, decimals=0)
    near_by = show(_STAKE_M, "length", units, decimals=0 if units == "metric" else 1)
    note = (
        f"no two fixed points or straight edges in sight within {reach_said} cross at 30 to 150 "
        f"degrees: drive two stakes {near_by} away where ties 1 and 2 start (by the coordinates on "
        "the crew sheet, with survey or GPS) and tape from them"
    )
    order = list(range(len(drawn.distance)))
    return SensorTies(_table((x, y), drawn, order, sigma, buildings.crs), note)


def _third(
    at: tuple[float, float],
    sights: tuple[_Fixed, _Fixed],
    pair: tuple[int, int],
    *,
    walls: BaseGeometry,
    sigma: float,
) -> tuple[_Fixed, list[int]]:
    """Find a check for the two tapes: a fixed point of the same rank, of any, a mark, or a wall.

    The first of the two sights is the beginning of the second, so that the pair means the same in
    both.
    """
    fixed, every = sights
    for points in (fixed, every):
        found = _check(points, pair, sigma)
        if found:
            return points, found
    made = _halfway(at, fixed.places[list(pair)], walls, ("point 1", "2"))
    if not len(made.distance):
        made = _nearest_wall(at, walls)
    joined = _joined(fixed, made, [0] if len(made.distance) else [])
    return joined, list(range(len(fixed.distance), len(joined.distance)))


#: How far along the line between two points a mark may be set, and how that is told.
_SHARES: Final = ((0.5, "halfway"), (1 / 3, "a third of the way"), (2 / 3, "two thirds of the way"),
                  (0.25, "a quarter of the way"), (0.75, "three quarters of the way"))  # fmt: skip


def _halfway(
    at: tuple[float, float], ends: Floats, walls: BaseGeometry, names: tuple[str, str]
) -> _Fixed:
    """Return a mark on the straight line between two points, where a string can be drawn there."""
    first, second = ends
    string = shapely.LineString([first, second])
    if shapely.length(shapely.intersection(string, walls.buffer(-_SIGHT_M))) > _SIGHT_M:
        return _made(at, np.empty((0, 2)), "")
    for share, words in _SHARES:
        mark = first + share * (second - first)
        tape = shapely.LineString([mark, at])
        inside = shapely.length(shapely.intersection(tape, walls))
        if inside <= _SIGHT_M and tape.length >= _SHORTEST_M:
            return _made(at, mark[None], f"mark {words} from {names[0]} to {names[1]}")
    return _made(at, np.empty((0, 2)), "")


def _nearest_wall(at: tuple[float, float], walls: BaseGeometry) -> _Fixed:
    """Return the foot of the shortest tape to a wall; none where no wall is near enough."""
    place = shapely.Point(*at)
    if shapely.is_empty(walls) or not _SHORTEST_M <= shapely.distance(place, walls) <= _WALL_M:
        return _made(at, np.empty((0, 2)), "")
    foot = shapely.get_coordinates(shapely.shortest_line(place, walls))[1:]
    return _made(at, foot, "nearest wall, shortest tape", offset=True)


def _made(at: tuple[float, float], places: Floats, kind: str, *, offset: bool = False) -> _Fixed:
    """Return places that are marked or found on the spot as fixed points."""
    away = places - np.array(at)
    bearing = np.degrees(np.arctan2(away[:, 0], away[:, 1]))
    return _Fixed(
        places, np.full(len(places), kind), np.hypot(away[:, 0], away[:, 1]), bearing,
        np.full(len(places), offset),
    )  # fmt: skip


def _edges(
    at: tuple[float, float],
    walls: BaseGeometry,
    boundary: BaseGeometry | None,
    others: Mapping[str, BaseGeometry],
    reach: float,
) -> list[tuple[Floats, str]]:
    """Return where the shortest tapes from straight edges start, by kind, the surest first."""
    known = {"wall": walls, **others, "property line": boundary}
    return [
        (_feet(at, shape, reach), f"{kind}, shortest tape")
        for kind, shape in known.items()
        if shape is not None and not shapely.is_empty(shape)
    ]


def _feet(at: tuple[float, float], shape: BaseGeometry, reach: float) -> Floats:
    """Return the feet of the perpendiculars from a place on the straight edges within reach [m]."""
    place, found = np.array(at), [np.empty((0, 2))]
    about = shapely.Point(*at).buffer(reach).envelope
    parts = shapely.get_parts(shape)
    for part in parts[shapely.intersects(shapely.envelope(parts), about)]:
        flat = shapely.get_dimensions(part) == 2  # noqa: PLR2004
        rings = shapely.get_rings(part) if flat else np.array([part])
        # The roads of a campus are one shape, of which only what lies about the place matters.
        if shapely.get_num_coordinates(part) > _MANY_POINTS:
            part = shapely.clip_by_rect(part, *about.bounds)  # noqa: PLW2901
        for ring in rings[shapely.intersects(shapely.envelope(rings), about)]:
            points = shapely.get_coordinates(shapely.simplify(ring, _BEND_M))
            start, run = points[:-1], np.diff(points, axis=0)
            length = np.hypot(run[:, 0], run[:, 1])
            straight = length >= _EDGE_M
            start, run, length = start[straight], run[straight], length[straight]
            along = ((place - start) * run).sum(axis=1) / np.maximum(length, 1e-9)
            inside = (along >= _SHORTEST_M) & (along <= length - _SHORTEST_M)
            unit = run[inside] / length[inside][:, None]
            feet = start[inside] + along[inside][:, None] * unit
            feet = feet[np.hypot(*(feet - place).T) <= reach]
            tapes = shapely.linestrings(np.stack([feet, np.broadcast_to(at, feet.shape)], axis=1))
            # From outside, the far edge of a walk is not the edge that a crew takes.
            across = shapely.length(shapely.intersection(tapes, part))
            found.append(feet[(across <= _SIGHT_M) | (flat and part.covers(shapely.Point(*at)))])
    return np.concatenate(found)


def _with_edges(
    at: tuple[float, float],
    fixed: _Fixed,
    edges: list[tuple[Floats, str]],
    walls: BaseGeometry,
    reach: float,
) -> _Fixed:
    """Put the feet of the tapes from straight edges in sight after the fixed points."""
    if not edges:
        return fixed
    seen = _in_sight(at, edges, walls, reach)
    seen = seen._replace(offset=np.ones(len(seen.distance), dtype=bool))
    return _Fixed(*(np.concatenate(both) for both in zip(fixed, seen, strict=True)))


def _stakes(at: tuple[float, float], walls: BaseGeometry, boundary: BaseGeometry | None) -> _Fixed:
    """Return two places for stakes, at a right angle, in sight and on the property if it can be."""
    place = np.array(at)
    best, most = None, -1.0
    for turn in range(0, 360, 15):
        bearing = np.array([turn, turn + 90.0])
        places = place + _STAKE_M * np.column_stack(
            [np.sin(np.radians(bearing)), np.cos(np.radians(bearing))]
        )
        tapes = shapely.linestrings(np.stack([places, np.tile(place, (2, 1))], axis=1))
        free = shapely.length(shapely.difference(tapes, walls))
        if boundary is not None:
            free = shapely.length(shapely.intersection(tapes, boundary)) + free - _STAKE_M
        room = round(float(free.sum()), 6)
        if room > most:
            best, most = _made(at, places, "stake"), room
    assert best is not None  # noqa: S101 - the loop ran
    return best


def _joined(stakes: _Fixed, fixed: _Fixed | None, near: list[int]) -> _Fixed:
    """Put the nearest fixed point, if there is one, after the stakes."""
    if fixed is None or not near:
        return stakes
    return _Fixed(
        *(np.concatenate([stake, known[near]]) for stake, known in zip(stakes, fixed, strict=True))
    )


def _fixture_points(fixtures: gpd.GeoDataFrame | None) -> list[tuple[str, Floats]]:
    """Return the fixed fixtures by kind."""
    if fixtures is None or len(fixtures) == 0:
        return []
    kinds = fixtures["kind"].to_numpy(dtype=str)
    places = shapely.get_coordinates(fixtures.geometry.to_numpy())
    return [
        (kind.replace("_", " "), places[kinds == kind])
        for kind in _FIXED_FIXTURES
        if (kinds == kind).any()
    ]


def _corners(shape: BaseGeometry) -> Floats:
    """Return the outward corners of polygons: where the outline turns left by 30 degrees or more.

    Steps in the wall shorter than 0.3 m make no corner.
    """
    found = [np.empty((0, 2))]
    for part in shapely.get_parts(shape):
        if shapely.get_dimensions(part) != 2:  # noqa: PLR2004
            continue
        ring = shapely.simplify(shapely.get_exterior_ring(part), 0.05)
        points = shapely.get_coordinates(ring)[:-1]
        if not shapely.is_ccw(ring):
            points = points[::-1]
        before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
        cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turn = np.degrees(np.arctan2(cross, (before * after).sum(axis=1)))
        long_ = np.minimum(np.hypot(*before.T), np.hypot(*after.T)) >= _SHORTEST_M
        found.append(points[(turn >= _STRAIGHT_DEG) & long_])
    return np.concatenate(found)


def _in_sight(
    at: tuple[float, float],
    tiers: list[tuple[Floats, str]],
    walls: BaseGeometry,
    max_distance: float,
) -> _Fixed:
    """Return the fixed points within reach whose straight line to the sensor no building cuts."""
    places = np.concatenate([tier for tier, _ in tiers])
    kinds = np.concatenate([np.full(len(tier), kind) for tier, kind in tiers])
    away = places - np.array(at)
    distance = np.hypot(away[:, 0], away[:, 1])
    near = (distance <= max_distance) & (distance >= _SHORTEST_M)
    places, kinds, away, distance = places[near], kinds[near], away[near], distance[near]
    tapes = shapely.linestrings(np.stack([places, np.broadcast_to(at, places.shape)], axis=1))
    clear = shapely.length(shapely.intersection(tapes, walls)) <= _SIGHT_M
    bearing = np.degrees(np.arctan2(away[:, 0], away[:, 1]))
    return _Fixed(
        places[clear], kinds[clear], distance[clear], bearing[clear],
        np.zeros(int(clear.sum()), dtype=bool),
    )  # fmt: skip


def _crossing(fixed: _Fixed, i: int, j: int) -> float:
    """Return the angle at the sensor between two fixed points, 0..180 [deg]."""
    turn = abs(float(fixed.bearing[i] - fixed.bearing[j])) % 360.0
    return min(turn, 360.0 - turn)


def _best_pair(fixed: _Fixed, sigma: float) -> tuple[int, int] | None:
    """Return the pair with the least error; of nearly equals the shortest tapes."""
    low, high = _ANGLE_DEG
    pairs = [
        (pair, angle)
        for pair in combinations(range(len(fixed.distance)), 2)
        if low <= (angle := _crossing(fixed, *pair)) <= high
    ]
    if not pairs:
        return None
    error = pair_drms(np.array([angle for _, angle in pairs]), sigma=sigma)
    best = float(error.min()) * _NEAR_BEST

    def effort(k: int) -> tuple[float, float, float]:
        i, j = pairs[k][0]
        place = fixed.places[i]
        total = round(float(fixed.distance[i] + fixed.distance[j]), 3)
        return total, -round(float(place[1]), 3), round(float(place[0]), 3)

    k = min((k for k in range(len(pairs)) if error[k] <= best), key=effort)
    i, j = pairs[k][0]
    return (i, j) if fixed.distance[i] <= fixed.distance[j] else (j, i)


def _drms(bearings: Floats, sigma: float) -> float:
    """Return the error of a least-squares fix from several tapes: sigma sqrt(trace (AᵀA)⁻¹)."""
    angle = np.radians(bearings)
    design = np.column_stack([np.sin(angle), np.cos(angle)])
    return sigma * float(np.sqrt(np.trace(np.linalg.inv(design.T @ design))))


def _check(fixed: _Fixed, pair: tuple[int, int], sigma: float) -> list[int]:
    """Return the third point that lowers the error most, or none."""
    others = [k for k in range(len(fixed.distance)) if k not in pair]
    if not others:
        return []
    error = np.array([round(_drms(fixed.bearing[[*pair, k]], sigma), 4) for k in others])
    order = np.lexsort((np.round(fixed.distance[others], 3), error))
    return [others[int(order[0])]]


def _table(
    at: tuple[float, float], fixed: _Fixed, chosen: list[int], sigma: float, crs: object
) -> gpd.GeoDataFrame:
    """Write the chosen ties, two and more, as rows."""
    rows: list[dict[str, Any]] = []
    first, second = fixed.places[chosen[0]], fixed.places[chosen[1]]
    base, away = second - first, np.array(at) - first
    side = "left" if base[0] * away[1] - base[1] * away[0] > 0 else "right"
    for tie, k in enumerate(chosen, start=1):
        used = fixed.bearing[chosen[: max(tie, 2)]]
        rows.append(
            {
                "tie": tie,
                "distance_m": float(fixed.distance[k]),
                "from_kind": str(fixed.kinds[k]),
                "from_x": float(fixed.places[k, 0]),
                "from_y": float(fixed.places[k, 1]),
                "angle_deg": _crossing(fixed, chosen[0], k) if tie > 1 else float("nan"),
                "drms_m": _drms(used, sigma) if len(chosen) > 1 else float("nan"),
                "side": side,
                "offset": bool(fixed.offset[k]),
                "geometry": shapely.LineString([fixed.places[k], at]),
            }
        )
    columns: dict[str, Any] = {name: [row[name] for row in rows] for name in _COLUMNS}
    columns["geometry"] = from_shapely(columns["geometry"], crs)
    return gpd.GeoDataFrame(columns, geometry="geometry")
