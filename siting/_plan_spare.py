"""Where else a sensor may lie: reserve points, admissible ground, the rank of every place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siting._plan_ground import Ground, SunVariants
from siting._ranks import area_rank
from siting.placement import Chances, Placement

__all__ = [
    "CHANCES",
    "admissible_table",
    "chance_columns",
    "chance_table",
    "rank_raster",
    "reserve_table",
]

#: Columns of what is expected of a place's rank.
CHANCES: Final = ("expected_rank", "p_driest_quarter", "p_wetter_half")
_RESERVES = ("sensor_id", "reserve", "x", "y", *CHANCES, "setback_ratio", "binding_setback",
             "as_good")  # fmt: skip


def chance_columns(chances: Chances) -> dict[str, float]:
    """Return what is expected of a place's rank by column."""
    return dict(zip(CHANCES, chances, strict=True))


def chance_table(placements: list[Placement], zones: pd.Index[str]) -> pd.DataFrame:
    """Return what is expected of the rank of each zone's best point, index `zone`."""
    return pd.DataFrame([chance_columns(at.chances) for at in placements], index=zones)


def reserve_table(placements: Mapping[str, Placement], *, crs: object) -> gpd.GeoDataFrame:
    """Put together `Plan.reserves`.

    Parameters
    ----------
    placements : mapping of str to Placement
        The placement of each sensor.
    crs : pyproj.CRS
        Working CRS.

    Returns
    -------
    GeoDataFrame
        See `siting.planning.Plan`.
    """
    rows = [
        (
            sensor_id,
            number,
            at.x,
            at.y,
            *at.chances,
            at.setback_ratio,
            at.binding_setback,
            at.as_good,
        )
        for sensor_id, placement in placements.items()
        for number, at in enumerate(placement.reserves, start=1)
    ]
    table = pd.DataFrame(rows, columns=list(_RESERVES))
    points = gpd.points_from_xy(table["x"].astype(float), table["y"].astype(float))
    return gpd.GeoDataFrame(table, geometry=points, crs=crs)


def admissible_table(placements: list[Placement], hydrozones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Put together `Plan.admissible`.

    Parameters
    ----------
    placements : list of Placement
        In the order of the zones.
    hydrozones : GeoDataFrame
        Index `zone`.

    Returns
    -------
    GeoDataFrame
        See `siting.planning.Plan`.
    """
    shapes = np.array([placement.admissible for placement in placements], dtype=object)
    area = shapely.area(shapes)
    table = gpd.GeoDataFrame(
        {
            "zone": [str(zone) for zone in hydrozones.index],
            "area_m2": area,
            "share": area / hydrozones.geometry.area.to_numpy(),
        },
        geometry=shapes,
        crs=hydrozones.crs,
    )
    return table[area > 0].reset_index(drop=True)


def rank_raster(
    sun: SunVariants, ground: Ground, placements: list[Placement]
) -> NDArray[np.float64]:
    """Draw the area rank of dryness among each zone's admissible ground, mean over scenarios.

    Parameters
    ----------
    sun : SunVariants
        Gives the raster.
    ground : Ground
        Points and dryness.
    placements : list of Placement
        In the order of the zones.

    Returns
    -------
    ndarray, shape (rows, columns)
        0..1; NaN outside the zones. To look at: points are chosen on finer ground than this.
    """
    raster = np.full(sun.drawn.sky_view.size, np.nan)
    pixels = ground.pixels
    for z, placement in enumerate(placements):
        inside = shapely.contains_xy(placement.admissible, pixels.x[z], pixels.y[z])
        among = inside if inside.any() else None
        raster[pixels.flat[z]] = area_rank(ground.dryness[z], among=among).mean(axis=0)
    return raster.reshape(sun.drawn.sky_view.shape)
