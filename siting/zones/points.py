"""The points of every hydrozone, their need score, and the area rank of dryness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy
import shapely
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats, Ints
from siting.errors import PlanError
from siting.site.model import LocalGrid
from siting.water.plants import adjusted_depletion

_DIGITS: Final = 9


def _quantise(values: Floats) -> Floats:
    """Round each row to nine digits of its largest value, so that float noise makes no ranks.

    values (..., P): any quantity, the unit cancels. Returns the rows over their largest absolute
    value, rounded, shape (..., P).
    """
    scale = np.max(np.abs(values), axis=-1, keepdims=True, initial=0.0)
    return np.round(values / np.where(scale > 0, scale, 1.0), _DIGITS)


def area_rank(values: Floats, *, among: Flags | None = None) -> Floats:
    """Rank values by the share of the ground that lies below them, 0..1.

    Equal values share one rank (the middle of theirs), so the result depends neither on the
    order of the points nor on the origin of the raster.

    Parameters
    ----------
    values : ndarray, shape (..., P)
        One value per point; every point stands for the same area.
    among : ndarray of bool, shape (P,), optional
        The points that make up the ground; all by default. The others are ranked against it.

    Returns
    -------
    ndarray, shape (..., P)
        Ranks, 0..1.

    Examples
    --------
    >>> area_rank(np.array([1.0, 2.0, 2.0, 5.0])).tolist()
    [0.125, 0.5, 0.5, 0.875]
    """
    rounded = _quantise(np.asarray(values, dtype=float))
    rows = rounded.reshape(-1, rounded.shape[-1])
    ranks = np.empty_like(rows)
    for row, rank in zip(rows, ranks, strict=True):
        ground = np.sort(row if among is None else row[among])
        below = np.searchsorted(ground, row, side="left")
        upto = np.searchsorted(ground, row, side="right")
        rank[:] = (below + upto) / (2 * ground.size)
    return ranks.reshape(rounded.shape)


def driest_weights(values: Floats, *, share: float = 0.25) -> Floats:
    """Weight the points that make up the driest share of the ground; they sum to one.

    A group of equal values that straddles the limit counts in part, so that ties need no order.

    values (P,): dryness; share: which share of the area, 0..1. Returns weights >= 0 that sum to 1,
    shape (P,).

    >>> driest_weights(np.array([1.0, 3.0, 3.0, 2.0])).tolist()
    [0.0, 0.5, 0.5, 0.0]
    """
    group, count = _groups(values)
    weights: Floats = _of_groups(count, share * group.size)[group]
    return weights


def _groups(values: Floats) -> tuple[Ints, Ints]:
    """Return which group of equal values each point is of, and the size of each, least first."""
    _, group, count = np.unique(
        _quantise(np.asarray(values, dtype=float)), return_inverse=True, return_counts=True
    )
    return group, count


def _of_groups(count: Ints, wanted: Floats | float) -> Floats:
    """Weight the points of each group where the driest `wanted` are taken, shape (..., G)."""
    upto = np.cumsum(count)
    return np.asarray(np.clip((wanted - (upto[-1] - upto)) / count, 0.0, 1.0) / wanted)


def class_weights(values: Floats, *, classes: int = 4) -> Floats:
    """Weight the points that make up each of some classes of equal area; each row sums to one.

    values (P,): dryness. Returns weights >= 0, the driest class first, points alike share a class
    limit alike, shape (Q, P).

    >>> class_weights(np.array([1.0, 3.0, 3.0, 2.0]), classes=2).tolist()
    [[0.0, 0.5, 0.5, 0.0], [0.5, 0.0, 0.0, 0.5]]
    """
    group, count = _groups(values)
    share = np.arange(1, classes + 1)[:, None] / classes
    upto = np.zeros((classes + 1, count.size))
    upto[1:] = share * _of_groups(count, share * group.size)
    weights: Floats = np.maximum(np.diff(upto, axis=0) * classes, 0.0)[:, group]
    return weights


_FEWEST: Final = 4  # with fewer cell centres inside, a zone gets finer points of its own
_FINER: Final = 4
_AROUND: Final = 3.0  # how far around a zone samples are kept [cells]


@dataclass(frozen=True)
class ZonePixels:
    """The points that stand for each zone's ground; within a zone all stand for equal areas.

    zones: zone names, in the order of the other fields; flat (P_z,): flat index of the raster cell
    (row-major) whose value each point takes; x, y (P_z,): where the points lie, working CRS [m];
    warnings: zones that were too small or roofed over, and what was done; sample_flat, sample_x,
    sample_y (F_z,): every open cell in and around the zone: what is known of how a quantity varies
    there. They stand for no area.
    """

    zones: tuple[str, ...]
    flat: tuple[Ints, ...]
    x: tuple[Floats, ...]
    y: tuple[Floats, ...]
    warnings: tuple[str, ...] = ()
    sample_flat: tuple[Ints, ...] = ()
    sample_x: tuple[Floats, ...] = ()
    sample_y: tuple[Floats, ...] = ()

    @property
    def count(self) -> Ints:
        """Number of points per zone, shape (Z,)."""
        return np.array([cells.size for cells in self.flat], dtype=np.int64)

    def position(self, zone: str) -> int:
        """Return where a zone stands in the tuples."""
        return self.zones.index(zone)


def zone_pixels(grid: LocalGrid, hydrozones: gpd.GeoDataFrame, *, roof: Flags) -> ZonePixels:
    """Find the raster cells whose centre lies in each zone, roofs excluded.

    A zone that holds fewer than four open cell centres gets points of its own, laid out from its
    south-west corner at a quarter of the cell size (or its representative point), each with the
    value of the nearest open cell.

    roof (rows, columns): cells without a value (roofs). Returns in the order of `hydrozones`.
    """
    if bool(roof.all()):
        msg = "no open ground: every cell of the raster is a roof"
        raise PlanError(msg)
    flat, xs, ys, warnings = [], [], [], []
    samples = []
    tree: scipy.spatial.cKDTree | None = None
    for zone, polygon in zip(hydrozones.index, hydrozones.geometry, strict=True):
        cells, x, y = _cells_inside(grid, polygon, roof)
        if cells.size < _FEWEST:
            tree = _open_tree(grid, roof) if tree is None else tree
            cells, x, y = _finer_points(grid, polygon, roof, tree)
            warnings.append(
                f"zone {zone}: fewer than {_FEWEST} cells of the raster have "
                "their centre on its open ground; its sun is read from the nearest cells"
            )
        flat.append(cells)
        xs.append(x)
        ys.append(y)
        around = shapely.buffer(polygon, _AROUND * grid.resolution, quad_segs=2)
        near = _cells_inside(grid, around, roof)
        samples.append(near if near[0].size else (cells, x, y))
    names = tuple(str(zone) for zone in hydrozones.index)
    return ZonePixels(
        names, tuple(flat), tuple(xs), tuple(ys), tuple(warnings), *zip(*samples, strict=True)
    )


def pixel_eto(
    constant: Floats,
    beam: Floats,
    sky: Floats,
    *,
    beam_fraction: Floats,
    sky_view: Floats,
) -> Floats:
    """Mean reference ET of each month at each point, with the point's own sun.

    ETo(p) = max(0, c0 + cb B_m(p) + cs V(p)), linear in the shortwave that arrives because the
    Penman-Monteith equation is (FAO-56 Eq. 6 with Eq. 38-40).

    constant, beam, sky (M,): monthly means of the three terms [mm/d]; beam_fraction (M, P): share
    of the beam that arrives, 0..1; sky_view (P,): share of the diffuse light that arrives, 0..1.
    Returns reference ET [mm/d], shape (M, P).

    Allen, R. G., Pereira, L. S., Raes, D., Smith, M. (1998). Crop evapotranspiration. FAO
    Irrigation and Drainage Paper 56.

    >>> one = np.ones(1)
    >>> pixel_eto(one, 3 * one, one, beam_fraction=np.array([[0.5, 1.0]]), sky_view=np.ones(2))
    array([[3.5, 5. ]])
    """
    total = constant[:, None] + beam[:, None] * beam_fraction + sky[:, None] * sky_view
    return np.maximum(total, 0.0)


def pixel_demand(eto: Floats, *, plant_factor: Floats, days: Floats) -> Floats:
    """Season mean of plant water demand, ETc = plant factor x ETo, at each point.

    eto (M, P): reference ET [mm/d]; plant_factor (M,): plant (landscape) factor per month; days
    (M,): days of the season in each month [d]. Returns mean demand over the season [mm/d], shape
    (P,).
    """
    demand: Floats = (plant_factor * days) @ eto / days.sum()
    return demand


def pixel_dryness(
    demand: Floats,
    *,
    taw: Floats | float,
    application: Floats | float = 1.0,
) -> Floats:
    """Demand over what reaches a point and is stored there: ETc / (u x TAW).

    demand (..., P): ETc [mm/d]; taw: total available water of the root zone, broadcast against
    `demand` [mm]. Returns dryness [1/d], shape (..., P).
    """
    dryness: Floats = demand / (np.asarray(application) * np.asarray(taw))
    return dryness


def zone_mean(values: Floats, pixels: ZonePixels) -> Floats:
    """Mean of a raster over each zone, shape (Z,).

    values (rows, columns): any quantity, NaN on roofs.
    """
    raster = values.ravel()
    return np.array([raster[cells].mean() for cells in pixels.flat])


def need_scores(etc: pd.DataFrame, *, water: pd.DataFrame) -> dict[str, Any]:
    """Score each zone by the share of its readily available water used per peak-season day.

    score = 100 ETc_peak / RAW [% a day], RAW = p TAW, with p adjusted for the peak ETc.

    etc (Z, M): columns month (1..12): zone mean demand [mm/d]; water, the zones in the same order:
    columns depletion_fraction (at ETc 5 mm/d) and taw_mm. Returns (Z,) peak_month, etc_peak_mm_d,
    depletion_fraction, taw_mm, raw_mm, need_score [% of RAW a day], days_without_water [d].

    FAO-56, Eq. 82 and 83.

    >>> etc = pd.DataFrame({6: [4.0], 7: [5.0]}, index=pd.Index(["A"], name="zone"))
    >>> water = pd.DataFrame({"depletion_fraction": [0.5], "taw_mm": [40.0]}, index=etc.index)
    >>> need_scores(etc, water=water)["need_score"].tolist()
    [25.0]
    """
    monthly = etc.to_numpy(dtype=float)
    peak = monthly.max(axis=1)
    fraction = adjusted_depletion(water["depletion_fraction"].to_numpy(dtype=float), peak)
    taw = water["taw_mm"].to_numpy(dtype=float)
    raw = fraction * taw
    return {
        "peak_month": etc.columns.to_numpy()[monthly.argmax(axis=1)],
        "etc_peak_mm_d": peak,
        "depletion_fraction": fraction,
        "taw_mm": taw,
        "raw_mm": raw,
        "need_score": 100.0 * peak / raw,
        "days_without_water": np.divide(raw, peak, out=np.full_like(raw, np.inf), where=peak > 0),
    }


def _cells_inside(
    grid: LocalGrid, polygon: BaseGeometry, roof: Flags
) -> tuple[Ints, Floats, Floats]:
    """Return flat index, x and y of the open cells whose centre a polygon contains."""
    west, south, east, north = polygon.bounds
    columns = np.flatnonzero((grid.x >= west) & (grid.x <= east))
    rows = np.flatnonzero((grid.y >= south) & (grid.y <= north))
    x, y = np.meshgrid(grid.x[columns], grid.y[rows])
    shapely.prepare(polygon)
    inside = shapely.contains_xy(polygon, x, y) & ~roof[np.ix_(rows, columns)]
    flat = rows[:, None] * grid.columns + columns[None, :]
    return flat[inside].astype(np.int64), x[inside], y[inside]


def _finer_points(
    grid: LocalGrid, polygon: BaseGeometry, roof: Flags, tree: scipy.spatial.cKDTree
) -> tuple[Ints, Floats, Floats]:
    """Lay a finer lattice over a small zone; each point takes the nearest open cell's value."""
    step = grid.resolution / _FINER
    west, south, east, north = polygon.bounds
    across = west + step * (np.arange(int((east - west) / step) + 1) + 0.5)
    along = south + step * (np.arange(int((north - south) / step) + 1) + 0.5)
    x, y = (axis.ravel() for axis in np.meshgrid(across, along[::-1]))
    inside = shapely.contains_xy(polygon, x, y)
    x, y = x[inside], y[inside]
    if x.size == 0:
        point = polygon.representative_point()
        x, y = np.array([point.x]), np.array([point.y])
    _, nearest = tree.query(np.column_stack([x, y]))
    return np.flatnonzero(~roof.ravel())[nearest].astype(np.int64), x, y


def _open_tree(grid: LocalGrid, roof: Flags) -> scipy.spatial.cKDTree:
    """Index the centres of the open cells."""
    x, y = np.meshgrid(grid.x, grid.y)
    return scipy.spatial.cKDTree(np.column_stack([x[~roof], y[~roof]]))
