"""Soil polygons laid over the zones: what a soil map says of each zone's soil."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from siting.water.zones import zone_soil

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["with_soil_map"]

#: A zone takes its soil from the map when at least this share of it is mapped.
_LEAST_MAPPED: Final = 0.5
#: What makes a soil known in the zone's own columns.
_OWN: Final = ("soil", "sand", "field_capacity")


def with_soil_map(
    hydrozones: gpd.GeoDataFrame, soils: gpd.GeoDataFrame | None
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Give each zone without a soil of its own the soil that the map shows there.

    Field capacity, wilting point and intake rate are area-weighted means of the polygons within the
    zone; the texture class, which decides drain time and what may stand on the surface, is that of
    the largest part. The zone's own soil, sand and clay, or field capacity always win.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Index `zone`; columns as for `siting.water.zones.zone_water`; any projected CRS.
    soils : GeoDataFrame or None
        Polygons in the same CRS; columns soil, sand, clay, organic_matter, compaction, gravel.

    Returns
    -------
    zones : GeoDataFrame
        With soil, field_capacity, wilting_point and intake_rate filled in; the input itself where
        there is no map.
    notes : tuple of str
        Which zones took their soil from the map, and from how many kinds of it.
    """
    if soils is None or soils.empty:
        return hydrozones, ()
    table = hydrozones.copy()
    for column in ("soil", "field_capacity", "wilting_point", "intake_rate"):
        if column not in table:
            table[column] = None if column == "soil" else np.nan
    known = [_filled(soil) for soil in soils.drop(columns="geometry").to_dict(orient="records")]
    notes = []
    for zone, row in hydrozones.iterrows():
        if any(_known(row.get(column)) for column in _OWN):
            continue
        parts = soils.geometry.intersection(row.geometry).area.to_numpy(dtype=float)
        share = parts.sum() / row.geometry.area
        if share < _LEAST_MAPPED:
            notes.append(f"zone {zone}: the soil map covers {share:.0%} of it and is not used")
            continue
        mean = _mean(known, parts)
        table.loc[zone, "soil"] = mean["soil"]
        for column in ("field_capacity", "wilting_point"):
            table.loc[zone, column] = mean[column]
        if not _known(row.get("intake_rate")):
            table.loc[zone, "intake_rate"] = mean["intake_rate"]
        kinds = int(np.count_nonzero(parts > 0))
        how = "" if kinds == 1 else f", the area-weighted mean of {kinds} polygons"
        notes.append(f"zone {zone}: soil from the soil map, mostly {mean['soil']}{how}")
    return table, tuple(notes)


def _filled(soil: dict[Any, Any]) -> dict[str, Any]:
    """Return what a polygon of the map holds and takes in."""
    found = zone_soil({str(column): value for column, value in soil.items()})
    return {
        "soil": found.soil_class,
        "field_capacity": found.field_capacity[0],
        "wilting_point": found.wilting_point[0],
        "intake_rate": found.intake_rate,
    }


def _mean(
    known: list[dict[str, Any]], parts: np.ndarray[Any, np.dtype[np.float64]]
) -> dict[str, Any]:
    """Average the polygons by their area; the class is that of the largest part."""
    table = pd.DataFrame(known)
    by_class = pd.Series(parts).groupby(table["soil"].to_numpy()).sum()
    weights = parts / parts.sum()
    numbers = ("field_capacity", "wilting_point", "intake_rate")
    return {"soil": str(by_class.idxmax())} | {
        column: float(table[column].to_numpy(dtype=float) @ weights) for column in numbers
    }


def _known(value: object) -> bool:
    return isinstance(value, str) or bool(value is not None and np.isfinite(float(str(value))))
