"""How evenly each zone is watered: from can readings where there are any, else its uniformity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator

from siting.hydrozones import ZonePixels
from siting.water.application import low_quarter_uniformity

__all__ = ["FEWEST_CANS", "ZoneApplication", "zone_application"]

#: With fewer cans the reading says nothing of the pattern. (24 make a full audit.)
FEWEST_CANS: Final = 8

_LOWEST, _HIGHEST = 0.3, 2.0


@dataclass(frozen=True)
class ZoneApplication:
    """Local application over the zone mean.

    Parameters
    ----------
    uniformity : float
        Low-quarter uniformity, 0..1.
    at_points : ndarray, shape (P,)
        Application at the zone's points over the zone mean; ones where it is unknown.
    measured : bool
        Whether cans were read.
    """

    uniformity: float
    at_points: NDArray[np.float64]
    measured: bool = False


def zone_application(
    pixels: ZonePixels, hydrozones: gpd.GeoDataFrame, *, cans: gpd.GeoDataFrame, water: pd.DataFrame
) -> tuple[dict[str, ZoneApplication], tuple[str, ...]]:
    """Find each zone's application pattern.

    Parameters
    ----------
    pixels : ZonePixels
        The zones' points.
    hydrozones : GeoDataFrame
        Index `zone`.
    cans : GeoDataFrame
        Columns depth or volume, and Point geometry, as in `Site.cans`.
    water : DataFrame
        Index `zone`, column distribution_uniformity.

    Returns
    -------
    patterns : dict of str to ZoneApplication
        Per zone.
    warnings : tuple of str
        Can readings that could not be used.
    """
    patterns: dict[str, ZoneApplication] = {}
    warnings: list[str] = []
    known = water["distribution_uniformity"].to_numpy(dtype=float)
    for z, zone in enumerate(pixels.zones):
        caught = _readings(cans, hydrozones.geometry.loc[zone])
        if 0 < len(caught) < FEWEST_CANS:
            warnings.append(
                f"zone {zone}: {len(caught)} can readings are too few to tell how evenly it is "
                f"watered; at least {FEWEST_CANS} are used, and 24 make a full test"
            )
        if len(caught) >= FEWEST_CANS:
            patterns[zone] = _measured(caught, pixels.x[z], pixels.y[z])
        else:
            patterns[zone] = ZoneApplication(float(known[z]), np.ones(pixels.flat[z].size))
    return patterns, tuple(warnings)


def _readings(cans: gpd.GeoDataFrame, polygon: object) -> NDArray[np.float64]:
    """Return x, y and reading of the cans inside a zone, shape (N, 3), in a fixed order."""
    if cans.empty:
        return np.empty((0, 3))
    inside = cans[cans.geometry.intersects(polygon)]
    # All cans of a test have one mouth, so a depth and a volume tell the same pattern.
    value = inside["depth"] if inside["depth"].notna().any() else inside["volume"]
    table = np.column_stack([inside.geometry.x, inside.geometry.y, value.astype(float)])
    table = table[np.isfinite(table[:, 2])]
    ordered: NDArray[np.float64] = table[np.lexsort(table.T)]
    return ordered


def _measured(
    caught: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]
) -> ZoneApplication:
    """Interpolate can readings over a zone's points with a smoothed thin-plate spline."""
    at, value = caught[:, :2], caught[:, 2] / caught[:, 2].mean()
    origin = at.mean(axis=0)
    spline = RBFInterpolator(at - origin, value, kernel="thin_plate_spline", smoothing=0.1)
    surface = np.clip(spline(np.column_stack([x, y]) - origin), value.min(), value.max())
    surface = np.clip(surface, _LOWEST, _HIGHEST)
    return ZoneApplication(
        uniformity=low_quarter_uniformity(caught[:, 2]),
        at_points=surface / surface.mean(),
        measured=True,
    )
