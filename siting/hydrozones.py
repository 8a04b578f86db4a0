"""Water-need score per zone, and dryness per pixel within and across zones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from siting._ranks import area_rank, driest_weights
from siting.errors import PlanError
from siting.site.model import LocalGrid
from siting.water.plants import adjusted_depletion

__all__ = [
    "DriestQuarter",
    "ZonePixels",
    "area_quarters",
    "need_scores",
    "net_irrigation",
    "pixel_demand",
    "pixel_dryness",
    "pixel_eto",
    "zone_mean",
    "zone_pixels",
]

_FEWEST: Final = 4  # with fewer cell centres inside, a zone gets finer points of its own
_FINER: Final = 4
_AROUND: Final = 3.0  # how far around a zone samples are kept [cells]


@dataclass(frozen=True)
class ZonePixels:
    """The points that stand for each zone's ground; within a zone all stand for equal areas.

    Parameters
    ----------
    zones : tuple of str
        Zone names, in the order of the other fields.
    flat : tuple of ndarray of int, each shape (P_z,)
        Flat index of the raster cell (row-major) whose value each point takes.
    x, y : tuple of ndarray, each shape (P_z,)
        Where the points lie, working CRS [m].
    warnings : tuple of str
        Zones that were too small or roofed over, and what was done.
    sample_flat, sample_x, sample_y : tuple of ndarray, each shape (F_z,)
        Every open cell in and around the zone: what is known of how a quantity varies there. They
        stand for no area.
    """

    zones: tuple[str, ...]
    flat: tuple[NDArray[np.int64], ...]
    x: tuple[NDArray[np.float64], ...]
    y: tuple[NDArray[np.float64], ...]
    warnings: tuple[str, ...] = ()
    sample_flat: tuple[NDArray[np.int64], ...] = ()
    sample_x: tuple[NDArray[np.float64], ...] = ()
    sample_y: tuple[NDArray[np.float64], ...] = ()

    @property
    def count(self) -> NDArray[np.int64]:
        """Number of points per zone, shape (Z,)."""
        return np.array([cells.size for cells in self.flat], dtype=np.int64)

    def position(self, zone: str) -> int:
        """Return where a zone stands in the tuples.

        Parameters
        ----------
        zone : str
            Its name.

        Returns
        -------
        int
            Position, from 0.

        Raises
        ------
        ValueError
            When there is no such zone.
        """
        return self.zones.index(zone)


class DriestQuarter(NamedTuple):
    """Ranks of a zone's points, and the mean sun of the driest quarter of its area.

    Parameters
    ----------
    rank : ndarray, shape (P,)
        Area rank of dryness within the zone, 0..1.
    weights : ndarray, shape (P,)
        Share of each point in the driest quarter; sums to 1.
    beam_fraction : ndarray, shape (M,)
        Mean beam fraction of the driest quarter per month, 0..1.
    sky_view : float
        Its mean sky view, 0..1.
    """

    rank: NDArray[np.float64]
    weights: NDArray[np.float64]
    beam_fraction: NDArray[np.float64]
    sky_view: float


def zone_pixels(
    grid: LocalGrid, hydrozones: gpd.GeoDataFrame, *, roof: NDArray[np.bool_]
) -> ZonePixels:
    """Find the raster cells whose centre lies in each zone, roofs excluded.

    A zone that holds fewer than four open cell centres gets points of its own, laid out from its
    south-west corner at a quarter of the cell size (or its representative point), each with the
    value of the nearest open cell.

    Parameters
    ----------
    grid : LocalGrid
        The raster.
    hydrozones : GeoDataFrame
        Index `zone`; polygons in the working CRS.
    roof : ndarray of bool, shape (rows, columns)
        Cells without a value (roofs).

    Returns
    -------
    ZonePixels
        In the order of `hydrozones`.

    Raises
    ------
    PlanError
        When no cell of the raster is open.
    """
    if bool(roof.all()):
        msg = "no open ground: every cell of the raster is a roof"
        raise PlanError(msg)
    flat, xs, ys, warnings = [], [], [], []
    samples = []
    tree: cKDTree | None = None
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
    constant: NDArray[np.float64],
    beam: NDArray[np.float64],
    sky: NDArray[np.float64],
    *,
    beam_fraction: NDArray[np.float64],
    sky_view: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Mean reference ET of each month at each point, with the point's own sun.

    ETo(p) = max(0, c0 + cb B_m(p) + cs V(p)), linear in the shortwave that arrives because the
    Penman-Monteith equation is (FAO-56 Eq. 6 with Eq. 38-40).

    Parameters
    ----------
    constant, beam, sky : ndarray, shape (M,)
        Monthly means of the three terms [mm/d].
    beam_fraction : ndarray, shape (M, P)
        Share of the beam that arrives, 0..1.
    sky_view : ndarray, shape (P,)
        Share of the diffuse light that arrives, 0..1.

    Returns
    -------
    ndarray, shape (M, P)
        Reference ET [mm/d].

    References
    ----------
    Allen, R. G., Pereira, L. S., Raes, D., Smith, M. (1998). Crop evapotranspiration. FAO
    Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> one = np.ones(1)
    >>> pixel_eto(one, 3 * one, one, beam_fraction=np.array([[0.5, 1.0]]), sky_view=np.ones(2))
    array([[3.5, 5. ]])
    """
    total = constant[:, None] + beam[:, None] * beam_fraction + sky[:, None] * sky_view
    return np.maximum(total, 0.0)


def pixel_demand(
    eto: NDArray[np.float64], *, plant_factor: NDArray[np.float64], days: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Season mean of plant water demand, ETc = plant factor x ETo, at each point.

    Parameters
    ----------
    eto : ndarray, shape (M, P)
        Reference ET [mm/d].
    plant_factor : ndarray, shape (M,)
        Plant (landscape) factor per month.
    days : ndarray, shape (M,)
        Days of the season in each month [d].

    Returns
    -------
    ndarray, shape (P,)
        Mean demand over the season [mm/d].
    """
    demand: NDArray[np.float64] = (plant_factor * days) @ eto / days.sum()
    return demand


def pixel_dryness(
    demand: NDArray[np.float64],
    *,
    taw: NDArray[np.float64] | float,
    application: NDArray[np.float64] | float = 1.0,
) -> NDArray[np.float64]:
    """Demand over what reaches a point and is stored there: ETc / (u x TAW).

    Parameters
    ----------
    demand : ndarray, shape (..., P)
        ETc [mm/d].
    taw : ndarray or float
        Total available water of the root zone, broadcast against `demand` [mm].
    application : ndarray or float
        Local application over the zone mean, u.

    Returns
    -------
    ndarray, shape (..., P)
        Dryness [1/d].
    """
    dryness: NDArray[np.float64] = demand / (np.asarray(application) * np.asarray(taw))
    return dryness


def zone_mean(
    values: NDArray[np.float64], pixels: ZonePixels, *, name: str = "value"
) -> pd.Series[float]:
    """Mean of a raster over each zone.

    Parameters
    ----------
    values : ndarray, shape (rows, columns)
        Any quantity; NaN on roofs.
    pixels : ZonePixels
        The zones' points.
    name : str
        Name of the result.

    Returns
    -------
    Series
        Index `zone`.
    """
    raster = values.ravel()
    means = [float(raster[cells].mean()) for cells in pixels.flat]
    return pd.Series(means, index=pd.Index(pixels.zones, name="zone"), name=name, dtype=float)


def net_irrigation(
    etc: pd.DataFrame, *, days: NDArray[np.float64], effective_rain: NDArray[np.float64]
) -> pd.Series[float]:
    """Net irrigation requirement of a season: what monthly effective rain leaves to supply.

    Parameters
    ----------
    etc : DataFrame, shape (Z, M)
        Zone mean demand per month [mm/d].
    days : ndarray, shape (M,)
        Days of the season in each month [d].
    effective_rain : ndarray, shape (M,)
        Effective rain of each month's season days [mm].

    Returns
    -------
    Series
        Index of `etc`, `net_irrigation_mm` [mm].

    Notes
    -----
    A surplus in one month does not carry over to the next.
    """
    need = np.maximum(etc.to_numpy(dtype=float) * days - effective_rain, 0.0).sum(axis=1)
    return pd.Series(need, index=etc.index, name="net_irrigation_mm", dtype=float)


def need_scores(
    etc: pd.DataFrame, *, water: pd.DataFrame, net_irrigation_mm: pd.Series[float] | None = None
) -> pd.DataFrame:
    """Score each zone by the share of its readily available water used per peak-season day.

    score = 100 ETc_peak / RAW [% a day], RAW = p TAW, with p adjusted for the peak ETc.

    Parameters
    ----------
    etc : DataFrame, shape (Z, M)
        Index `zone`, columns month (1..12): zone mean demand [mm/d].
    water : DataFrame
        Index `zone`; columns depletion_fraction (at ETc 5 mm/d) and taw_mm.
    net_irrigation_mm : Series, optional
        The season's net irrigation requirement, put beside the score [mm].

    Returns
    -------
    DataFrame
        Index of `etc`; peak_month, etc_peak_mm_d, depletion_fraction, taw_mm, raw_mm,
        need_score [% of RAW a day], days_without_water [d], net_irrigation_mm [mm].

    References
    ----------
    FAO-56, Eq. 82 and 83.

    Examples
    --------
    >>> etc = pd.DataFrame({6: [4.0], 7: [5.0]}, index=pd.Index(["A"], name="zone"))
    >>> water = pd.DataFrame({"depletion_fraction": [0.5], "taw_mm": [40.0]}, index=etc.index)
    >>> float(need_scores(etc, water=water).loc["A", "need_score"])
    25.0
    """
    beside = water.loc[etc.index]
    peak = etc.max(axis=1).to_numpy(dtype=float)
    fraction = adjusted_depletion(beside["depletion_fraction"], peak)
    taw = beside["taw_mm"].to_numpy(dtype=float)
    raw = fraction * taw
    idle = np.divide(raw, peak, out=np.full_like(raw, np.inf), where=peak > 0)
    unknown = pd.Series(np.nan, index=etc.index)
    net = unknown if net_irrigation_mm is None else net_irrigation_mm.loc[etc.index]
    return pd.DataFrame(
        {
            "peak_month": etc.idxmax(axis=1).astype(int),
            "etc_peak_mm_d": peak,
            "depletion_fraction": fraction,
            "taw_mm": taw,
            "raw_mm": raw,
            "need_score": 100.0 * peak / raw,
            "days_without_water": idle,
            "net_irrigation_mm": net,
        },
        index=etc.index,
    )


def area_quarters(
    dryness: NDArray[np.float64],
    *,
    beam_fraction: NDArray[np.float64],
    sky_view: NDArray[np.float64],
) -> DriestQuarter:
    """Rank a zone's points by dryness and average the sun of the driest quarter of its area.

    Parameters
    ----------
    dryness : ndarray, shape (P,)
        Dryness of the zone's points (any unit).
    beam_fraction : ndarray, shape (M, P)
        Share of the beam that arrives per month, 0..1.
    sky_view : ndarray, shape (P,)
        Share of the diffuse light that arrives, 0..1.

    Returns
    -------
    DriestQuarter
        Ranks, weights and mean sun. Equal dryness shares one rank and one weight.
    """
    weights = driest_weights(dryness)
    return DriestQuarter(
        rank=area_rank(dryness),
        weights=weights,
        beam_fraction=beam_fraction @ weights,
        sky_view=float(sky_view @ weights),
    )


def _cells_inside(
    grid: LocalGrid, polygon: BaseGeometry, roof: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
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
    grid: LocalGrid, polygon: BaseGeometry, roof: NDArray[np.bool_], tree: cKDTree
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
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


def _open_tree(grid: LocalGrid, roof: NDArray[np.bool_]) -> cKDTree:
    """Index the centres of the open cells."""
    x, y = np.meshgrid(grid.x, grid.y)
    return cKDTree(np.column_stack([x[~roof], y[~roof]]))
