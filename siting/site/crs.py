"""One working CRS per property: transverse Mercator centred on it, in metres, true to scale.

At a distance d from the central meridian the scale is off by d²/(2 R²): 3e-7 at 5 km, so lengths
and areas on the ground are right whatever CRS the layers came in (Web Mercator areas read 2.4 times
too large at 50° of latitude).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pyproj
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion

from siting.site.findings import Findings
from siting.site.values import Layer

__all__ = ["Working", "to_working", "working_crs"]

#: Farther than this from the property, a layer is taken to be in a wrong CRS [m].
_FAR: Final = 20_000.0
_POLE: Final = 90.0
_ENSEMBLE: Final = " ensemble"
_WGS84: Final = pyproj.CRS.from_epsg(4326)


class Working(NamedTuple):
    """The working CRS of a property.

    Parameters
    ----------
    crs : pyproj.CRS
        Transverse Mercator about the centre.
    source_crs : pyproj.CRS
        The CRS it was made from.
    longitude, latitude : float
        The centre, WGS 84 [deg].
    """

    crs: pyproj.CRS
    source_crs: pyproj.CRS
    longitude: float
    latitude: float


def working_crs(frame: gpd.GeoDataFrame) -> Working | None:
    """Return a transverse Mercator centred on a layer, on the layer's own datum.

    Parameters
    ----------
    frame : GeoDataFrame
        A layer with a CRS, usually the boundary.

    Returns
    -------
    Working or None
        None when the coordinates do not lie on the earth in that CRS.

    Notes
    -----
    The scale factor on the central meridian is 1 and the false origin is at the centre. No datum
    is shifted, as the geodetic CRS is the source's own; where that is not usable (degrees from
    another meridian than Greenwich, or other units), WGS 84 takes its place.

    References
    ----------
    Snyder, J. P. (1987). Map Projections: A Working Manual. USGS Professional Paper 1395, p. 57-64.
    """
    source = pyproj.CRS.from_user_input(frame.crs)
    bounds = frame.total_bounds
    if not np.isfinite(bounds).all():
        return None
    centre = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    geodetic = _plain_geodetic(source)
    x, y = _move(source, geodetic, centre)
    longitude, latitude = _move(source, _WGS84, centre)
    if not np.isfinite([x, y, longitude, latitude]).all() or max(abs(y), abs(latitude)) > _POLE:
        return None
    conversion = TransverseMercatorConversion(
        latitude_natural_origin=round(y, 7),
        longitude_natural_origin=round(x, 7),
        scale_factor_natural_origin=1.0,
    )
    crs = ProjectedCRS(conversion, name="property, transverse Mercator", geodetic_crs=geodetic)
    return Working(crs, source, longitude, latitude)


def _plain_geodetic(source: pyproj.CRS) -> pyproj.CRS:
    """Return the source's geographic CRS when it is in degrees from Greenwich, else WGS 84."""
    geodetic = source.to_2d().geodetic_crs
    if geodetic is None or not geodetic.is_geographic:
        return _WGS84
    in_degrees = all(axis.unit_name == "degree" for axis in geodetic.axis_info)
    meridian = geodetic.prime_meridian
    greenwich = meridian is None or meridian.longitude == 0
    return geodetic if in_degrees and greenwich else _WGS84


def _move(
    source: pyproj.CRS, target: pyproj.CRS, point: tuple[float, float]
) -> tuple[float, float]:
    try:
        mover = pyproj.Transformer.from_crs(source.to_2d(), target, always_xy=True)
        x, y = mover.transform(*point)
    except pyproj.exceptions.ProjError:
        return float("nan"), float("nan")
    return float(x), float(y)


def to_working(layer: Layer, working: Working, findings: Findings) -> gpd.GeoDataFrame:
    """Return a layer's frame in the working CRS, and check that it lies near the property.

    Parameters
    ----------
    layer : Layer
        The layer, with a CRS.
    working : Working
        The working CRS.
    findings : Findings
        Where a layer that lies elsewhere is noted.

    Returns
    -------
    GeoDataFrame
        Same rows; empty when the layer lies elsewhere.
    """
    frame = layer.frame
    if frame.empty:
        return frame.set_crs(working.crs, allow_override=True)
    source = pyproj.CRS.from_user_input(frame.crs)
    _note_datum(layer, source, working, findings)
    moved = frame.to_crs(working.crs)
    drawn = ~(moved.geometry.isna() | moved.geometry.is_empty).to_numpy()
    bounds = moved.geometry.bounds.to_numpy()
    off = drawn & ~np.isfinite(bounds).all(axis=1)
    if off.any():
        layer.fault(
            findings,
            f"coordinates that do not exist in {source.name}",
            "coordinates in the layer's CRS",
            "Give the layer its right CRS; perhaps x and y are swapped.",
            features=frame.index[off].tolist(),
        )
        moved, bounds, drawn = moved[~off], bounds[~off], drawn[~off]
    gaps = np.maximum(np.maximum(bounds[drawn, :2], -bounds[drawn, 2:]), 0.0)
    distance = np.hypot(*gaps.T).min(initial=np.inf)
    if drawn.any() and distance > _FAR:
        layer.fault(
            findings,
            f"features {distance / 1000:,.0f} km from the property and farther, in {source.name}",
            "features on the property",
            "Give the layer its right CRS; perhaps x and y are swapped.",
        )
        return moved.iloc[:0]
    return moved


def _note_datum(layer: Layer, source: pyproj.CRS, working: Working, findings: Findings) -> None:
    ours, theirs = working.source_crs.geodetic_crs, source.geodetic_crs
    if ours is None or theirs is None or ours.datum is None or theirs.datum is None:
        return
    # An ensemble is the same datum, whichever realisation is meant.
    if ours.datum.name.removesuffix(_ENSEMBLE) != theirs.datum.name.removesuffix(_ENSEMBLE):
        findings.warn(
            f"{layer.file}, {layer.name}: is in {theirs.datum.name}, the boundary in "
            f"{ours.datum.name}; positions may disagree by a metre or so."
        )
