"""What a sensor must keep away from, and by how much."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting._terrain import LandForms
from siting.site.settings import Setbacks

__all__ = [
    "FIXTURE_SETBACK_M",
    "HAZARD_WORDS",
    "ground_hazards",
    "hazards_of_zone",
    "keepout_areas",
    "root_protection_radius",
    "setback_hazards",
]

#: Room to dig around a fixture that is not a head or downspout [m]; common practice, no source.
FIXTURE_SETBACK_M: Final = 0.6

#: Root protection: feet of radius per inch of trunk diameter, that is 12 m per m. Vancouver,
#: Washington, tree code (1 ft per inch).
ROOT_RADIUS_PER_TRUNK: Final = 12.0

#: Bounds of the root protection radius and its value for a tree of unknown size [m]. Common
#: practice, no source: a sensor is a hand-dug hole, not a trench; 1.8 m suits a 6 in trunk.
ROOT_RADIUS_LEAST: Final = 0.6
ROOT_RADIUS_MOST: Final = 6.0
ROOT_RADIUS_UNKNOWN: Final = 1.8

#: How each hazard is called in words.
HAZARD_WORDS: Final = {
    "boundary": "property line",
    "head": "sprinkler head",
    "trunk": "tree trunk",
    "zone_edge": "zone edge",
    "traffic": "path",
    "utility": "buried pipe or cable",
    "low_spot": "low spot",
    "flow_path": "flow path",
    "steep": "steep ground",
}

#: Steep or low ground that leaves less of a zone than this says nothing about where in it to dig.
_LEAST_LEFT: Final = 0.1
_LEAST_LEFT_M2: Final = 2.0


def root_protection_radius(
    trunk_diameter: NDArray[np.float64], *, crown_diameter: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Radius around a trunk that is kept free of digging.

    Parameters
    ----------
    trunk_diameter : ndarray, shape (T,)
        NaN where unknown [m].
    crown_diameter : ndarray, shape (T,), optional
        Used where the trunk is unknown: the drip line [m].

    Returns
    -------
    ndarray, shape (T,)
        12 x trunk diameter, else half the crown diameter, else 1.8; held to 0.6..6 [m].

    References
    ----------
    Critical root zone of 1 ft radius per inch of trunk diameter: Vancouver, Washington, municipal
    tree code. The bounds are common practice without a source.

    Examples
    --------
    >>> root_protection_radius(np.array([0.254, np.nan])).round(3).tolist()
    [3.048, 1.8]
    """
    radius = ROOT_RADIUS_PER_TRUNK * np.asarray(trunk_diameter, dtype=float)
    if crown_diameter is not None:
        radius = np.where(np.isnan(radius), np.asarray(crown_diameter, dtype=float) / 2, radius)
    radius = np.where(np.isnan(radius), ROOT_RADIUS_UNKNOWN, radius)
    return np.clip(radius, ROOT_RADIUS_LEAST, ROOT_RADIUS_MOST)


def setback_hazards(
    hydrozones: gpd.GeoDataFrame,
    *,
    boundary: BaseGeometry,
    buildings: gpd.GeoDataFrame,
    paving: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    fixtures: gpd.GeoDataFrame,
    setbacks: Setbacks,
) -> gpd.GeoDataFrame:
    """List everything a sensor must keep away from, with its setback.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Index `zone`; each zone's edge is a hazard to that zone only.
    boundary : shapely geometry
        The property.
    buildings, paving : GeoDataFrame
        Polygons.
    trees : GeoDataFrame
        Points; columns trunk_diameter, crown_diameter [m].
    fixtures : GeoDataFrame
        Points; column kind.
    setbacks : Setbacks
        The user's distances [m].

    Returns
    -------
    GeoDataFrame
        hazard (str), setback [m], zone (str or None: every zone), geometry.
    """
    rows: list[dict[str, Any]] = [_row("boundary", setbacks.boundary, boundary.boundary)]
    rows += [_row("building", setbacks.building, shape) for shape in buildings.geometry]
    rows += [_row("paving", setbacks.paving, shape) for shape in paving.geometry]
    rows += [
        _row("zone_edge", setbacks.zone_edge, shape.boundary, str(zone))
        for zone, shape in hydrozones.geometry.items()
    ]
    if len(trees):
        radii = root_protection_radius(
            trees["trunk_diameter"].to_numpy(dtype=float),
            crown_diameter=trees["crown_diameter"].to_numpy(dtype=float),
        )
        rows += [
            _row("trunk", float(radius), shape)
            for radius, shape in zip(radii, trees.geometry, strict=True)
        ]
    known = {"head": setbacks.head, "downspout": setbacks.downspout}
    if len(fixtures):
        rows += [
            _row(str(kind), known.get(str(kind), FIXTURE_SETBACK_M), shape)
            for kind, shape in zip(fixtures["kind"], fixtures.geometry, strict=True)
        ]
    return _frame(rows, hydrozones.crs)


def ground_hazards(
    hydrozones: gpd.GeoDataFrame,
    *,
    setbacks: Setbacks,
    paths: gpd.GeoDataFrame | None = None,
    utilities: gpd.GeoDataFrame | None = None,
    land: LandForms | None = None,
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """List what is drawn as lines or follows from the terrain, with its setback.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Index `zone`.
    setbacks : Setbacks
        The user's distances [m].
    paths, utilities : GeoDataFrame, optional
        Lines.
    land : LandForms, optional
        As from `siting._terrain.land_forms`.

    Returns
    -------
    hazards : GeoDataFrame
        As from `setback_hazards`: traffic, utility, low_spot, flow_path, steep.
    warnings : tuple of str
        Zones that are low or steep nearly throughout, where that cannot guide the choice.
    """
    rows: list[dict[str, Any]] = []
    for hazard, setback, lines in (
        ("traffic", setbacks.traffic, paths),
        ("utility", setbacks.utility, utilities),
    ):
        if lines is not None:
            rows += [_row(hazard, setback, shape) for shape in lines.geometry]
    if land is None:
        return _frame(rows, hydrozones.crs), ()
    if not land.flow_paths.is_empty:
        rows.append(_row("flow_path", setbacks.low_spot, land.flow_paths))
    warnings = []
    for hazard, setback, shape in (
        ("low_spot", setbacks.low_spot, land.low_spots),
        ("steep", 0.0, land.steep),
    ):
        for zone, ground in hydrozones.geometry.items():
            near = shapely.intersection(shape, shapely.buffer(ground, setback + 1.0))
            left = shapely.difference(ground, near).area
            if near.is_empty:
                continue
            if left < max(_LEAST_LEFT * ground.area, _LEAST_LEFT_M2):
                what = f"steeper than {setbacks.slope_percent:g} %" if hazard == "steep" else "low"
                warnings.append(
                    f"zone {zone}: nearly all of it is {what}, so that could not guide the choice "
                    "of the point"
                )
            else:
                rows.append(_row(hazard, setback, near, str(zone)))
    return _frame(rows, hydrozones.crs), tuple(warnings)


def hazards_of_zone(hazards: gpd.GeoDataFrame, zone: str) -> gpd.GeoDataFrame:
    """Return the hazards that concern one zone: everything but the edges of the others.

    Parameters
    ----------
    hazards : GeoDataFrame
        As from `setback_hazards`.
    zone : str
        The zone.

    Returns
    -------
    GeoDataFrame
        A selection of the rows.
    """
    return hazards[hazards["zone"].isna() | (hazards["zone"] == zone)]


def keepout_areas(
    hazards: gpd.GeoDataFrame, *, boundary: BaseGeometry, hydrozones: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Draw the ground where a sensor must not be buried, by reason, for crews.

    Parameters
    ----------
    hazards : GeoDataFrame
        As from `setback_hazards`.
    boundary : shapely geometry
        The property; areas are clipped to it.
    hydrozones : GeoDataFrame
        Index `zone`; a zone's edge keeps clear only within that zone.

    Returns
    -------
    GeoDataFrame
        hazard, setback_m (the largest of the kind), geometry (MultiPolygon or Polygon); sorted
        by hazard. Arcs are drawn within 1 cm; placement itself measures on the vectors.
    """
    area = hazards.copy()
    area["geometry"] = shapely.buffer(area.geometry.to_numpy(), area["setback"], quad_segs=16)
    own = area["zone"].notna()
    if own.any():
        zones = hydrozones.geometry.loc[area.loc[own, "zone"]].to_numpy()
        clipped = shapely.intersection(area.loc[own].geometry.to_numpy(), zones)
        area.loc[own, "geometry"] = gpd.GeoSeries(clipped, index=area.index[own], crs=area.crs)
    rows = []
    for hazard, group in area.groupby("hazard", sort=True):
        shape = shapely.intersection(shapely.union_all(group.geometry.to_numpy()), boundary)
        if not shape.is_empty:
            rows.append(
                {"hazard": hazard, "setback_m": float(group["setback"].max()), "geometry": shape}
            )
    columns = ["hazard", "setback_m", "geometry"]
    return gpd.GeoDataFrame(
        pd.DataFrame(rows, columns=columns), geometry="geometry", crs=hazards.crs
    )


def _row(
    hazard: str, setback: float, geometry: BaseGeometry, zone: str | None = None
) -> dict[str, Any]:
    return {"hazard": hazard, "setback": setback, "zone": zone, "geometry": geometry}


def _frame(rows: Iterable[dict[str, Any]], crs: object) -> gpd.GeoDataFrame:
    table = pd.DataFrame(rows, columns=["hazard", "setback", "zone", "geometry"])
    return gpd.GeoDataFrame(table, geometry="geometry", crs=crs)
