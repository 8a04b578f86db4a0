"""The driest representative point of a zone, its setbacks, and what gave way.

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
   millionths; see `siting._optimum`.)
5. Where no such ground exists, the point with the largest smallest ratio of distance to
   setback; of equals, the best by 2, then the one nearest to the middle of the ground.
6. Two reserve points by the same rules, at least 2 m from the point and from each other. One that
   the map's own error cannot tell from the point is as good, and the words say so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting._clearance import (
    Clearance,
    Region,
    cells_of,
    clearance,
    highest,
    nearest_high,
)
from siting._optimum import Found, Search, best_point, starts
from siting._outline import best_along, outline
from siting._placement_words import Equals, GroundWords, PlaceWords, tightest_setback, words_of
from siting._rankfield import Mesh, Pieces, RankField, mesh_of, pieces_of, rank_field
from siting._setbacks import (
    FIXTURE_SETBACK_M,
    ground_hazards,
    hazards_of_zone,
    keepout_areas,
    root_protection_radius,
    setback_hazards,
)
from siting._surface import surface_through
from siting._terrain import Undrawn, land_forms, undrawn
from siting._unevenness import Chances, Unevenness, chances_at
from siting.errors import NoAdmissibleGroundError
from siting.units import UnitsName

__all__ = [
    "FIXTURE_SETBACK_M",
    "MARGIN_M",
    "RESERVES",
    "RESERVE_GAP_M",
    "Chances",
    "PlaceWords",
    "Placement",
    "Reserve",
    "Undrawn",
    "Unevenness",
    "application_cv",
    "ground_hazards",
    "hazards_of_zone",
    "keepout_areas",
    "land_forms",
    "place_sensor",
    "root_protection_radius",
    "setback_hazards",
    "undrawn",
]

Floats = NDArray[np.float64]

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

    Parameters
    ----------
    x, y : float
        Working CRS [m].
    rank : float
        Area rank of dryness among the admissible ground, mean over scenarios, 0..1.
    setback_ratio : float
        Smallest distance over setback.
    binding_setback : str
        The hazard at which it is reached, or "".
    chances : Chances
        What is expected of its true rank.
    as_good : bool
        Whether the map's own error cannot tell it from the sensor's point.
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
    rank_zone : float
        The same among the whole zone.
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
    rank_zone: float
    chances: Chances
    setback_ratio: float
    binding_setback: str
    note: str
    reason: str
    words: Mapping[UnitsName, PlaceWords] = field(default_factory=dict)
    chances_tested: Chances | None = None
    reserves: tuple[Reserve, ...] = ()
    admissible: BaseGeometry = field(default_factory=shapely.Polygon, compare=False)


class _Ground(NamedTuple):
    """One zone's open ground, clearances in it, and its admissible part.

    `clear` measures the setbacks themselves, `kept` those with the margin in them; `safe` is the
    part of `admissible` that keeps the margin, `pieces` is that part as cut by the mesh.
    Of equal places the one nearer to `landmark` is taken.
    """

    shape: BaseGeometry
    clear: Clearance
    kept: Clearance
    admissible: BaseGeometry
    safe: BaseGeometry
    mesh: Mesh
    pieces: Pieces
    landmark: tuple[float, float] | None = None


class _Ridge(NamedTuple):
    """Where the smallest ratio of distance to setback is largest, and what it is there."""

    best: float
    x: Floats
    y: Floats


def application_cv(distribution_uniformity: float) -> float:
    """Coefficient of variation of application from the lower-quarter distribution uniformity.

    Parameters
    ----------
    distribution_uniformity : float
        DUlq, 0..1.

    Returns
    -------
    float
        (1 - DUlq) / 1.271: the mean of a normal distribution's lowest quarter lies 1.271
        standard deviations below its mean.

    Examples
    --------
    >>> round(application_cv(0.6), 3)
    0.315
    """
    return max(0.0, 1.0 - distribution_uniformity) / 1.2711


def place_sensor(  # noqa: PLR0913 - each option is one of its own
    zone: BaseGeometry,
    *,
    x: Floats,
    y: Floats,
    dryness: Floats,
    hazards: gpd.GeoDataFrame,
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
    ground = _open_ground(zone, hazards, burial_error, margin)._replace(landmark=landmark)
    ranks = _ranks_of(zone, ground, (x, y, dryness), burial_error)
    points = _points(ground, ranks)
    point = points[0]
    unknown = application_cv
    if not isinstance(unknown, Unevenness):
        unknown = Unevenness(unknown)
    chances = chances_at(ranks, point, unknown)
    tested = None
    if unknown.cv_tested is not None:
        tested = chances_at(ranks, point, unknown, tested=True)
    tightest = tightest_setback(point, hazards, units)
    as_good = ranks.as_good(point, *np.array(points).T)[1:]
    reserves = tuple(
        _reserve(at, ranks, hazards, unknown, as_good=bool(good))
        for at, good in zip(points[1:], as_good, strict=True)
    )
    pieces = ground.pieces
    equal_m2 = float(pieces.area[ranks.as_good(point, pieces.x, pieces.y)].sum())
    equals = Equals(
        tuple(k for k, at in enumerate(reserves, start=1) if at.as_good),
        equal_m2 / max(ground.safe.area, 1e-9),
    )
    ground_words = GroundWords(chances, len(reserves), equals, even=ranks.even, level=ranks.level)
    words = words_of(point, ground_words, zone, hazards)
    return Placement(
        x=point[0],
        y=point[1],
        rank=ranks.rank(*point),
        rank_zone=ranks.rank_in_zone(*point),
        chances=chances,
        setback_ratio=tightest.ratio,
        binding_setback=tightest.hazard,
        note=words[units].note,
        reason=words[units].reason,
        words=words,
        chances_tested=tested,
        reserves=reserves,
        admissible=ground.admissible,
    )


def _reserve(
    point: tuple[float, float],
    ranks: RankField,
    hazards: gpd.GeoDataFrame,
    unknown: Unevenness,
    *,
    as_good: bool,
) -> Reserve:
    """Describe a reserve point."""
    tightest = tightest_setback(point, hazards, "metric")
    chances = chances_at(ranks, point, unknown)
    rank = ranks.rank(*point)
    return Reserve(*point, rank, tightest.ratio, tightest.hazard, chances, as_good)


def _open_ground(
    zone: BaseGeometry, hazards: gpd.GeoDataFrame, burial_error: float, margin: float = 0.0
) -> _Ground:
    """Take covered ground out of the zone and index the hazards around the rest."""
    shapes = hazards.geometry.to_numpy()
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
    admissible, clear = _drawn_admissible(shape, hazards), clearance(shape, hazards)
    safe, kept = admissible, clear
    if margin > 0:
        wider = hazards.assign(setback=hazards["setback"] + margin)
        safe, kept = _drawn_admissible(shape, wider), clearance(shape, wider)
    return _Ground(shape, clear, kept, admissible, safe, mesh, pieces_of(safe, mesh))


def _ranks_of(
    zone: BaseGeometry,
    ground: _Ground,
    samples: tuple[Floats, Floats, Floats],
    burial_error: float,
) -> RankField:
    """Make the field of ranks of a zone."""
    x, y, dryness = samples
    surface = surface_through(x, y, np.atleast_2d(np.asarray(dryness, dtype=float)))
    basis = ground.pieces
    if ground.safe is not ground.admissible:
        basis = pieces_of(ground.admissible, ground.mesh)
    if basis.cell.size == 0:
        basis = pieces_of(ground.shape, ground.mesh)
    return rank_field(
        surface,
        ground.mesh,
        basis=basis,
        zone=pieces_of(zone, ground.mesh),
        burial_error=burial_error,
    )


def _points(ground: _Ground, ranks: RankField) -> list[tuple[float, float]]:
    """Return the best point and its reserves, each clear of those before it."""
    chosen: list[tuple[float, float]] = []
    ridge: _Ridge | None = None
    for _ in range(1 + RESERVES):
        point = _best_admissible(ground, ranks, chosen)
        if point is None:
            ridge = _tightest_ridge(ground, chosen, ridge)
            point = None if ridge is None else _best_cramped(ground, ranks, chosen, ridge)
        if point is None:
            break
        chosen.append(point)
    return chosen


def _clear_of(chosen: list[tuple[float, float]]) -> Callable[[Floats, Floats], NDArray[np.bool_]]:
    """Return a condition: 2 m and more from points that are taken."""
    taken = np.array(chosen).reshape(-1, 2)

    def clear(x: Floats, y: Floats) -> NDArray[np.bool_]:
        away = np.hypot(x[:, None] - taken[:, 0], y[:, None] - taken[:, 1])
        far: NDArray[np.bool_] = (away >= RESERVE_GAP_M).all(axis=1)
        return far

    return clear


def _drawn_admissible(shape: BaseGeometry, hazards: gpd.GeoDataFrame) -> BaseGeometry:
    """Draw the admissible ground, arcs as polygons."""
    shapes, setbacks = hazards.geometry.to_numpy(), hazards["setback"].to_numpy(dtype=float)
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
    ground: _Ground, ranks: RankField, chosen: list[tuple[float, float]]
) -> tuple[float, float] | None:
    """Return the best admissible point that is clear of those chosen; None where none is found."""
    pieces = ground.pieces
    region = Region(ground.shape, ground.kept.slack, 1.0, _clear_of(chosen))
    if pieces.cell.size == 0:
        return None
    if ranks.level and not chosen:
        if not ranks.even:
            region = Region(ground.shape, ground.kept.slack, 1.0, ranks.in_drier_half)
        found = _most_interior(ground, region)
        return found if ground.kept.slack(*np.array([found]).T)[0] >= 0 else None
    rough = ranks.objective(pieces.x, pieces.y)
    lowest = int(np.argmin(rough))
    middle = _middle(ground, float(pieces.x[lowest]), float(pieces.y[lowest]))
    search = Search(region, ranks, middle)
    x, y = starts(search, ground.mesh, pieces)
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
