"""The driest representative point of a zone, its setbacks, and what gave way.

The raster only proposes. The point is refined between its cells, and every setback is an exact
distance to the vectors. In order:

1. Admissible ground is the part of the zone that meets every setback.
2. Among it, the point with the least expected squared distance from rank 0.875, the middle of the
   driest quarter, over scenarios and burial error.
3. Of equals, the one deepest inside the admissible ground; of those, the one nearest to its
   middle; of those, the north-westernmost.
4. Where no admissible ground exists, the point with the largest smallest ratio of distance to
   setback; of equals, the best by 2, then the one nearest to the middle of the ground.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting._clearance import (
    Cells,
    Clearance,
    Region,
    Score,
    cells_of,
    clearance,
    highest,
    nearest_high,
)
from siting._rankfield import RankField, application_sd, rank_field
from siting._ranks import area_rank
from siting._setbacks import (
    FIXTURE_SETBACK_M,
    HAZARD_WORDS,
    hazards_of_zone,
    keepout_areas,
    root_protection_radius,
    setback_hazards,
)
from siting.errors import NoAdmissibleGroundError
from siting.units import UnitsName, show

__all__ = [
    "FIXTURE_SETBACK_M",
    "PlaceWords",
    "Placement",
    "application_cv",
    "hazards_of_zone",
    "keepout_areas",
    "place_sensor",
    "root_protection_radius",
    "setback_hazards",
]

Floats = NDArray[np.float64]

_EQUAL: Final = 1e-9  # objectives closer than this are equal
_EQUAL_M: Final = 2e-4  # lengths (and ratios) closer than this are equal
_BASINS: Final = 3
_BASIN_GAP_M: Final = 2.0
_BASIN_MARGIN: Final = 0.01
_DRIEST_QUARTER: Final = 0.75
_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")


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
    rank_sd : float
        Error bar of the rank: scenarios, burial error and unknown application pattern, 0..1.
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
    """

    x: float
    y: float
    rank: float
    rank_zone: float
    rank_sd: float
    setback_ratio: float
    binding_setback: str
    note: str
    reason: str
    words: Mapping[UnitsName, PlaceWords] = field(default_factory=dict)


class PlaceWords(NamedTuple):
    """What gave way (or "") and why here, in one system of units."""

    note: str
    reason: str


class _Ground(NamedTuple):
    """One zone's open ground, the clearance in it and its admissible part (drawn)."""

    shape: BaseGeometry
    clear: Clearance
    admissible: BaseGeometry


class _Tightest(NamedTuple):
    """The setbacks at a point, tightest first."""

    ratio: float
    hazard: str
    distance: float
    setback: float
    missed: tuple[str, ...]


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


def place_sensor(
    zone: BaseGeometry,
    *,
    x: Floats,
    y: Floats,
    dryness: Floats,
    hazards: gpd.GeoDataFrame,
    burial_error: float = 0.5,
    application_cv: float = 0.0,
    units: UnitsName = "metric",
) -> Placement:
    """Choose the driest representative point of a zone.

    Parameters
    ----------
    zone : shapely geometry
        Polygon or MultiPolygon in the working CRS.
    x, y : ndarray, shape (P,)
        The zone's points, each standing for the same area; ideally on a square lattice [m].
    dryness : ndarray, shape (S, P)
        Dryness per scenario (any unit).
    hazards : GeoDataFrame
        hazard, setback [m], geometry: those that concern this zone (`hazards_of_zone`). Ground
        covered by a polygonal hazard is never admissible.
    burial_error : float
        Standard deviation of the buried position along each axis [m].
    application_cv : float
        Coefficient of variation of an application pattern nobody has measured; it only widens
        `rank_sd`.
    units : {"metric", "us"}
        Units of the lengths in `note` and `reason`.

    Returns
    -------
    Placement
        The point, its ranks and its setbacks.

    Raises
    ------
    NoAdmissibleGroundError
        When polygonal hazards cover the whole zone, or the zone has no points.
    """
    if x.size == 0:
        msg = "the zone has no points"
        raise NoAdmissibleGroundError(msg)
    ground = _open_ground(zone, hazards)
    dryness = np.atleast_2d(np.asarray(dryness, dtype=float))
    inside = shapely.intersects_xy(ground.shape, x, y)
    inside = inside if inside.any() else np.ones(x.size, dtype=np.bool_)
    slack = np.full(x.size, -np.inf)
    slack[inside] = ground.clear.slack(x[inside], y[inside])
    admissible = slack >= 0
    basis = admissible if admissible.any() else inside
    ranks = area_rank(dryness, among=basis)
    field = rank_field(x[inside], y[inside], ranks[:, inside], burial_error=burial_error)
    if admissible.any():
        point = _best_admissible(ground, field, x[admissible], y[admissible])
    else:
        point = _best_cramped(ground, field)
    zone_ranks = rank_field(x, y, area_rank(dryness), burial_error=0.0)
    base = dryness.mean(axis=0)
    dry_field = rank_field(x[inside], y[inside], base[None, inside], burial_error=0.0)
    noise = application_sd(base[basis], float(dry_field.at(*point)[0]), cv=application_cv)
    rank = float(field.at(*point).mean())
    even = _is_even(field)
    words = {name: _words(point, rank, zone, hazards, even=even, units=name) for name in _SYSTEMS}
    tightest = _tightest(point, hazards, units)
    return Placement(
        x=point[0],
        y=point[1],
        rank=rank,
        rank_zone=float(zone_ranks.at(*point).mean()),
        rank_sd=float(np.hypot(field.spread(*point), noise)),
        setback_ratio=tightest.ratio,
        binding_setback=tightest.hazard,
        note=words[units].note,
        reason=words[units].reason,
        words=words,
    )


def _open_ground(zone: BaseGeometry, hazards: gpd.GeoDataFrame) -> _Ground:
    """Take covered ground out of the zone and index the hazards around the rest."""
    shapes = hazards.geometry.to_numpy()
    covering = shapes[shapely.get_dimensions(shapes) == 2] if len(shapes) else shapes  # noqa: PLR2004
    covering = covering[shapely.intersects(covering, zone)]
    shape = zone.difference(shapely.union_all(covering)) if len(covering) else zone
    parts = shapely.get_parts(shape)
    parts = parts[(shapely.get_dimensions(parts) == 2) & (shapely.area(parts) > 0)]  # noqa: PLR2004
    if len(parts) == 0:
        msg = "buildings or paving cover the whole zone: there is no ground for a sensor"
        raise NoAdmissibleGroundError(msg)
    shape = shapely.union_all(parts)
    shapely.prepare(shape)
    return _Ground(shape, clearance(shape, hazards), _drawn_admissible(shape, hazards))


def _drawn_admissible(shape: BaseGeometry, hazards: gpd.GeoDataFrame) -> BaseGeometry:
    """Draw the admissible ground, arcs as polygons."""
    shapes, setbacks = hazards.geometry.to_numpy(), hazards["setback"].to_numpy(dtype=float)
    near = shapely.distance(shapes, shape) < setbacks
    kept = shapely.buffer(
        shapely.intersection(shapes[near], _window(shape, setbacks)), setbacks[near]
    )
    return shape.difference(shapely.union_all(kept))


def _window(shape: BaseGeometry, setbacks: Floats) -> BaseGeometry:
    """Return a box around a ground that holds all that can come within a setback of it."""
    west, south, east, north = shape.bounds
    margin = float(setbacks.max(initial=0.0)) + 1.0
    return shapely.box(west - margin, south - margin, east + margin, north + margin)


def _is_even(field: RankField) -> bool:
    """Tell whether no place in the ground is drier than another in any scenario."""
    return bool(np.ptp(field.ranks, axis=0).max(initial=0.0) < _EQUAL)


def _best_admissible(
    ground: _Ground, field: RankField, x: Floats, y: Floats
) -> tuple[float, float]:
    """Return the best point where some of the zone's points are admissible."""
    region = Region(ground.shape, ground.clear.slack, 1.0)
    if _is_even(field):
        return _most_interior(ground, region.score, region.slope)
    objective, slack = field.objective(x, y), ground.clear.slack(x, y)
    lowest = int(np.argmin(objective))
    middle = _middle(ground, float(x[lowest]), float(y[lowest]))
    found = [
        _descend(region, field, (float(x[i]), float(y[i])), middle)
        for i in _basins(x, y, np.column_stack([objective, -slack]), middle)
    ]
    best = min(found, key=lambda item: _sort_key(item, middle))
    tied = objective <= best[2] + _EQUAL
    if not tied.any() or field.step <= 0:
        return best[0], best[1]
    return _centre_of_plateau(region, field, best, Cells(x[tied], y[tied], field.step / 2))


def _sort_key(
    item: tuple[float, float, float, float], middle: tuple[float, float]
) -> tuple[float, float, float, float, float]:
    """Order points: objective, most interior, nearest to the middle, north, west."""
    x, y, objective, slack = item
    away = np.hypot(x - middle[0], y - middle[1])
    return (
        round(objective / _EQUAL),
        -round(slack / _EQUAL_M),
        round(float(away), 3),
        -round(y, 3),
        round(x, 3),
    )


def _basins(x: Floats, y: Floats, keys: Floats, middle: tuple[float, float]) -> list[int]:
    """Return the best point, and the best points at least 2 m from it and nearly as good."""
    away = np.round(np.hypot(x - middle[0], y - middle[1]), 3)
    slack = np.round(keys[:, 1] / _EQUAL_M)
    order = np.lexsort((x, -y, away, slack, np.round(keys[:, 0] / _EQUAL)))
    limit = keys[order[0], 0] + _BASIN_MARGIN
    chosen: list[int] = []
    while order.size and len(chosen) < _BASINS and keys[order[0], 0] <= limit:
        first = int(order[0])
        chosen.append(first)
        order = order[np.hypot(x[order] - x[first], y[order] - y[first]) > _BASIN_GAP_M]
    return chosen


def _descend(
    region: Region, field: RankField, start: tuple[float, float], middle: tuple[float, float]
) -> tuple[float, float, float, float]:
    """Refine a point between the cells by pattern search; return x, y, objective and slack."""
    ring = np.pi / 4 * np.arange(8)
    step = field.step / 2 if field.step > 0 else 0.1
    at = np.array(start)
    objective = float(field.objective(at[:1], at[1:])[0])
    slack, least = float(region.score(at[:1], at[1:])[0]), objective
    for _ in range(200):
        x, y = at[0] + step * np.cos(ring), at[1] + step * np.sin(ring)
        values, slacks = field.objective(x, y), region.score(x, y)
        away = np.hypot(x - middle[0], y - middle[1])
        here = float(np.hypot(at[0] - middle[0], at[1] - middle[1]))
        open_ = (slacks >= 0) & region.holds(x, y)
        level = values <= least + _EQUAL
        wider = level & (slacks > slack + _EQUAL_M)
        nearer = level & (slacks > slack - _EQUAL_M / 10) & (away < here - 1e-6)
        better = open_ & ((values < least - _EQUAL) | wider | nearer)
        if better.any():
            order = np.lexsort((away, -slacks, np.round(values / _EQUAL)))
            pick = int(order[better[order]][0])
            at = np.array([x[pick], y[pick]])
            objective, slack = float(values[pick]), float(slacks[pick])
            least = min(least, objective)
        elif step < 2 * _EQUAL_M:
            break
        else:
            step /= 2
    return float(at[0]), float(at[1]), objective, slack


def _centre_of_plateau(
    region: Region, field: RankField, best: tuple[float, float, float, float], cells: Cells
) -> tuple[float, float]:
    """Go to the most interior point of a broad plateau of the objective, if there is one."""
    limit = best[2] + _EQUAL
    middle = (float(cells.x.mean()), float(cells.y.mean()))

    def level(x: Floats, y: Floats) -> NDArray[np.bool_]:
        return field.objective(x, y) <= limit

    plateau = Region(region.ground, region.score, region.slope, level)
    quarter = cells.split()
    if np.mean(level(quarter.x, quarter.y)) < 0.5:  # noqa: PLR2004
        return best[0], best[1]  # a line or a single point: the descent has found it
    widest, _, _ = highest(plateau, cells)
    floor = max(widest, best[3]) - _EQUAL_M
    return nearest_high(plateau, cells, floor=floor, towards=middle) or (best[0], best[1])


def _most_interior(ground: _Ground, score: Score, slope: float) -> tuple[float, float]:
    """Return the point with the highest score, and of equals the one nearest to the middle."""
    region, cells = Region(ground.shape, score, slope), cells_of(ground.shape)
    best, x, y = highest(region, cells)
    first = (float(x[0]), float(y[0]))
    floor = best - _EQUAL_M * slope
    return nearest_high(region, cells, floor=floor, towards=_middle(ground, *first)) or first


def _best_cramped(ground: _Ground, field: RankField) -> tuple[float, float]:
    """Return the best point where no setback-free cell was found."""
    slope = 1.0 / ground.clear.smallest_setback
    region, cells = Region(ground.shape, ground.clear.ratio, slope), cells_of(ground.shape)
    best, x, y = highest(region, cells)
    if best >= 1.0:  # admissible ground smaller than a cell
        return _most_interior(ground, ground.clear.slack, 1.0)
    middle = _middle(ground, float(x[0]), float(y[0]))
    towards = middle
    if not _is_even(field):
        objective = np.round(field.objective(x, y) / _EQUAL)
        away = np.round(np.hypot(x - middle[0], y - middle[1]), 3)
        first = int(np.lexsort((x, -y, away, objective))[0])
        towards = (float(x[first]), float(y[first]))
    floor = best - _EQUAL_M * slope
    found = nearest_high(region, cells, floor=floor, towards=towards)
    return found or (float(x[0]), float(y[0]))


def _middle(ground: _Ground, x: float, y: float) -> tuple[float, float]:
    """Return the centroid of the part of the admissible (else open) ground that holds a point.

    It only orders points that are equal otherwise, so arcs drawn as polygons will do.
    """
    parts = shapely.get_parts(ground.shape if ground.admissible.is_empty else ground.admissible)
    nearest = int(np.argmin(shapely.distance(parts, shapely.Point(x, y))))
    centre = parts[nearest].centroid
    return float(centre.x), float(centre.y)


def _words(
    point: tuple[float, float],
    rank: float,
    zone: BaseGeometry,
    hazards: gpd.GeoDataFrame,
    *,
    even: bool,
    units: UnitsName,
) -> PlaceWords:
    """Say what gave way and why here."""
    tightest = _tightest(point, hazards, units)
    return PlaceWords(_note(tightest, zone, hazards, units), _reason(rank, tightest, even, units))


def _tightest(point: tuple[float, float], hazards: gpd.GeoDataFrame, units: UnitsName) -> _Tightest:
    """Measure every setback at a point on the hazards themselves."""
    setbacks = hazards["setback"].to_numpy(dtype=float)
    distance = shapely.distance(hazards.geometry.to_numpy(), shapely.Point(*point))
    counts = setbacks > 0
    if not counts.any():
        return _Tightest(float("inf"), "", float("nan"), float("nan"), ())
    names = hazards["hazard"].to_numpy(dtype=str)[counts]
    distance, setbacks = distance[counts], setbacks[counts]
    ratio = distance / setbacks
    order = np.lexsort((names, np.round(ratio, 6)))
    first = int(order[0])
    missed: dict[str, str] = {}
    for i in order[ratio[order] < 1.0 - _EQUAL]:
        words = f"{show(distance[i], 'length', units)} of {show(setbacks[i], 'length', units)}"
        missed.setdefault(names[i], f"{_word(names[i])} {words}")
    missed.pop(names[first], None)
    return _Tightest(
        float(ratio[first]),
        str(names[first]),
        float(distance[first]),
        float(setbacks[first]),
        tuple(missed.values()),
    )


def _word(hazard: str) -> str:
    return HAZARD_WORDS.get(hazard, hazard.replace("_", " "))


def _note(
    tightest: _Tightest, zone: BaseGeometry, hazards: gpd.GeoDataFrame, units: UnitsName
) -> str:
    """Say what gave way."""
    if tightest.ratio >= 1.0 - _EQUAL:
        return ""
    shapely.prepare(zone)
    depth = clearance(zone, hazards.iloc[:0]).slack
    width = 2 * highest(Region(zone, depth, 1.0), cells_of(zone))[0]
    text = (
        f"no ground meets every setback (the zone is {show(width, 'length', units)} wide at its "
        f"widest): the {_word(tightest.hazard)} setback of "
        f"{show(tightest.setback, 'length', units)} gave way to "
        f"{show(tightest.distance, 'length', units)}"
    )
    return f"{text}; also {', '.join(tightest.missed)}" if tightest.missed else text


def _reason(rank: float, tightest: _Tightest, even: bool, units: UnitsName) -> str:
    """Say why here."""
    if even:
        lead = "The zone dries evenly: the middle of its open ground"
    elif rank >= _DRIEST_QUARTER:
        lead = f"In the driest quarter of the zone (rank {rank:.2f})"
    else:
        lead = f"The nearest that can be had to the driest quarter of the zone (rank {rank:.2f})"
    if not tightest.hazard:
        return f"{lead}."
    away = show(tightest.distance, "length", units)
    return f"{lead}, {away} from the nearest hazard ({_word(tightest.hazard)})."
