"""One working CRS for a property, and the way of places and shapes to it and from it.

The working CRS of a property is a transverse Mercator centred on it, in metres, true to scale: at a
distance d from the central meridian the scale is off by d²/(2 R²), 3e-7 at 5 km, so lengths and
areas on the ground are right whatever CRS the layers came in (Web Mercator areas read 2.4 times too
large at 50° of latitude).
"""

from __future__ import annotations

import copy
from functools import lru_cache
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from geopandas.array import from_shapely
from numpy.typing import NDArray
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion

from siting.arrays import Flags, Floats
from siting.errors import Findings
from siting.site.columns import Layer

#: Farther than this from the property, a layer is taken to be in a wrong CRS [m].
_FAR: Final = 20_000.0
_POLE: Final = 90.0
_HALF: Final = 180.0
_ENSEMBLE: Final = " ensemble"
#: Degrees as receivers and maps take them.
WGS84: Final = pyproj.CRS.from_epsg(4326)


class Working(NamedTuple):
    """The working CRS of a property.

    crs: transverse Mercator about the centre; source_crs: the CRS it was made from; longitude,
    latitude: the centre, WGS 84 [deg].
    """

    crs: pyproj.CRS
    source_crs: pyproj.CRS
    longitude: float
    latitude: float


def working_crs(frame: gpd.GeoDataFrame) -> Working | None:
    """Return a transverse Mercator centred on a layer, on the layer's own datum.

    Returns None when the coordinates do not lie on the earth in that CRS.

    The scale factor on the central meridian is 1 and the false origin is at the centre. No datum
    is shifted, as the geodetic CRS is the source's own; where that is not usable (degrees from
    another meridian than Greenwich, or other units), WGS 84 takes its place.

    Snyder, J. P. (1987). Map Projections: A Working Manual. USGS Professional Paper 1395, p. 57-64.
    """
    source = pyproj.CRS.from_user_input(frame.crs)
    bounds = _bounds(frame, source)
    if not np.isfinite(bounds).all():
        return None
    centre = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    geodetic = _plain_geodetic(source)
    x, y = _move(source, geodetic, centre)
    longitude, latitude = _move(geodetic, WGS84, (x, y))
    if not np.isfinite([x, y, longitude, latitude]).all() or max(abs(y), abs(latitude)) > _POLE:
        return None
    crs = _mercator(round(x, 7), round(y, 7), geodetic)
    return Working(crs, source, (longitude + _HALF) % (2 * _HALF) - _HALF, latitude)


_PROJECTION: Final = "property, transverse Mercator"
#: Where the parameters of that projection stand in EPSG's list.
_LATITUDE: Final = 8801
_LONGITUDE: Final = 8802


def _mercator(longitude: float, latitude: float, geodetic: pyproj.CRS) -> pyproj.CRS:
    """Return the projection about a point."""
    told = copy.deepcopy(_about_nowhere(geodetic))
    centre = {_LATITUDE: latitude, _LONGITUDE: longitude}
    for parameter in told["conversion"]["parameters"]:
        parameter["value"] = centre.get(parameter["id"]["code"], parameter["value"])
    return pyproj.CRS.from_json_dict(told)


@lru_cache(maxsize=16)
def _about_nowhere(geodetic: pyproj.CRS) -> dict[str, Any]:
    """Return a projection as PROJ itself writes it out, not to be changed.

    Read from that, one about another point takes a fiftieth of the time of a new one, and what
    PROJ makes of it a sixth: it has not to be looked up again.
    """
    conversion = TransverseMercatorConversion(
        latitude_natural_origin=0.0,
        longitude_natural_origin=0.0,
        scale_factor_natural_origin=1.0,
    )
    made = ProjectedCRS(conversion, name=_PROJECTION, geodetic_crs=geodetic)
    told: dict[str, Any] = made.to_json_dict()
    return told


class Way(NamedTuple):
    """Moves places from one CRS to another, step by step, x before y."""

    steps: tuple[pyproj.Transformer, ...]

    def transform(self, x: Any, y: Any) -> tuple[Any, Any]:  # noqa: ANN401 - numbers or arrays
        """Return where places are in the other CRS.

        Parameters
        ----------
        x, y : float or array_like
            East and north, or longitude and latitude.

        Returns
        -------
        tuple
            Of the same kind.
        """
        for step in self.steps:
            x, y = step.transform(x, y)
        return x, y


@lru_cache(maxsize=64)
def transformer(source: pyproj.CRS, target: pyproj.CRS) -> Way:
    """Return what moves places from one CRS to another, x before y.

    Parameters
    ----------
    source, target : pyproj.CRS
        Of which one may be a property's own: what PROJ does between such a CRS and another on its
        datum is the same about any centre, and from one datum to another the way is through
        degrees. Both are looked up for the first property alone.

    Returns
    -------
    Way
        To the same places as pyproj's for these two.
    """
    for own, other, leaving in ((source, target, True), (target, source, False)):
        if own.name != _PROJECTION or own.geodetic_crs is None:
            continue
        near = other if other.geodetic_crs == own.geodetic_crs else own.geodetic_crs
        steps = _steps(own.geodetic_crs, near, leaving)
        if steps is None:
            continue
        told = own.to_json_dict()["conversion"]["parameters"]
        value = {parameter["id"]["code"]: float(parameter["value"]) for parameter in told}
        centre = f"lat_0={value[_LATITUDE]:.15g} lon_0={value[_LONGITUDE]:.15g}"
        at_home = pyproj.Transformer.from_pipeline(centre.join(steps))
        if near is other:
            return Way((at_home,))
        ends = (near, other) if leaving else (other, near)
        abroad = transformer(*ends).steps
        return Way((at_home, *abroad) if leaving else (*abroad, at_home))
    return Way((pyproj.Transformer.from_crs(source, target, always_xy=True),))


@lru_cache(maxsize=16)
def _steps(geodetic: pyproj.CRS, near: pyproj.CRS, leaving: bool) -> tuple[str, str] | None:
    """Return what PROJ does from a property's CRS to another, or back, before and after the centre.

    geodetic: of both. None where it has several ways and chooses by the place.
    """
    latitude, longitude = 1.2345678, 2.3456789
    own = _mercator(longitude, latitude, geodetic)
    way = (own, near) if leaving else (near, own)
    definition = pyproj.Transformer.from_crs(*way, always_xy=True).definition
    parts = definition.split(f"lat_0={latitude:.15g} lon_0={longitude:.15g}")
    return (parts[0], parts[1]) if len(parts) == 2 else None  # noqa: PLR2004 - the centre once


def moved(shapes: NDArray[Any], source: pyproj.CRS, target: pyproj.CRS) -> NDArray[Any]:
    """Return shapes in another CRS.

    Parameters
    ----------
    shapes : ndarray of geometry, shape (N,)
        In the first CRS; None stays.
    source, target : pyproj.CRS
        The two CRSs.

    Returns
    -------
    ndarray of geometry, shape (N,)
        The same shapes, elsewhere.
    """
    if shapely.has_z(shapes).any():
        return np.asarray(gpd.GeoSeries(shapes, crs=source).to_crs(target).to_numpy())
    way: Any = transformer(source, target).transform
    return np.asarray(shapely.transform(shapes, way, interleaved=False))


def in_crs(frame: gpd.GeoDataFrame, target: pyproj.CRS) -> gpd.GeoDataFrame:
    """Return a layer in another CRS.

    Parameters
    ----------
    frame : GeoDataFrame
        With a CRS; not changed.
    target : pyproj.CRS
        The other CRS.

    Returns
    -------
    GeoDataFrame
        The same rows, elsewhere.
    """
    there = moved(frame.geometry.to_numpy(), frame.crs, target)
    return frame.set_geometry(from_shapely(there, target))


def is_placed(crs: pyproj.CRS) -> bool:
    """Return whether a CRS has places on the map: its horizontal part is geographic or projected.

    Returns False for engineering grids, geocentric and vertical CRSs.
    """
    return _is_flat(pyproj.CRS.from_user_input(crs))


@lru_cache(maxsize=16)
def _is_flat(crs: pyproj.CRS) -> bool:
    """Return the same of a CRS itself; all layers have one of a few."""
    flat = crs.to_2d()
    return bool(flat.is_geographic or flat.is_projected) and not flat.is_geocentric


def linear_unit(crs: pyproj.CRS | None) -> str:
    """Return the unit of a projected CRS in words, "" for degrees.

    Returns as in "metre" or "US survey foot".
    """
    if crs is None:
        return ""
    axes = [a for a in pyproj.CRS.from_user_input(crs).axis_info if "north" in a.direction.lower()]
    name = str(axes[0].unit_name) if axes else ""
    return "" if name.startswith("degree") else name


def _bounds(frame: gpd.GeoDataFrame, source: pyproj.CRS) -> Floats:
    """Return the bounds of a layer; both sides of the antimeridian are one place."""
    bounds = np.asarray(frame.total_bounds, dtype=np.float64)
    if source.is_geographic and bounds[2] - bounds[0] > _HALF:
        east = shapely.get_coordinates(frame.geometry.to_numpy())[:, 0] % (2 * _HALF)
        bounds[[0, 2]] = east.min(), east.max()
    return bounds


def _plain_geodetic(source: pyproj.CRS) -> pyproj.CRS:
    """Return the source's geographic CRS when it is in degrees from Greenwich, else WGS 84."""
    geodetic = source.to_2d().geodetic_crs
    if geodetic is None or not geodetic.is_geographic:
        return WGS84
    in_degrees = all(axis.unit_name == "degree" for axis in geodetic.axis_info)
    meridian = geodetic.prime_meridian
    greenwich = meridian is None or meridian.longitude == 0
    return geodetic if in_degrees and greenwich else WGS84


def _move(
    source: pyproj.CRS, target: pyproj.CRS, point: tuple[float, float]
) -> tuple[float, float]:
    try:
        x, y = transformer(source.to_2d(), target).transform(*point)
    except pyproj.exceptions.ProjError:
        return float("nan"), float("nan")
    return float(x), float(y)


def all_finite(shapes: NDArray[Any]) -> Flags:
    """Tell which shapes have no coordinate that is infinite or no number.

    Parameters
    ----------
    shapes : ndarray of geometry, shape (N,)
        None and empty shapes have none.

    Returns
    -------
    ndarray of bool, shape (N,)
        GEOS refuses to repair the others.
    """
    found, of = shapely.get_coordinates(shapes, return_index=True)
    good = np.ones(len(shapes), dtype=bool)
    good[of[~np.isfinite(found).all(axis=1)]] = False
    return good


def to_working(layer: Layer, working: Working, findings: Findings) -> gpd.GeoDataFrame:
    """Return a layer's frame in the working CRS, and check that it lies near the property.

    Returns same rows, empty when the layer lies elsewhere.
    """
    frame = layer.frame
    if frame.empty:
        return frame.set_crs(working.crs, allow_override=True)
    source = pyproj.CRS.from_user_input(frame.crs)
    _note_datum(layer, source, working, findings)
    there = in_crs(_flat(frame), working.crs)
    drawn = ~(there.geometry.isna() | there.geometry.is_empty).to_numpy()
    bounds = there.geometry.bounds.to_numpy()
    off = ~all_finite(there.geometry.to_numpy())
    if off.any():
        layer.fault(
            findings,
            f"coordinates that do not exist in {source.name}",
            "coordinates in the layer's CRS",
            "Give the layer its right CRS; perhaps x and y are swapped.",
            features=frame.index[off].tolist(),
        )
        there, bounds, drawn = there[~off], bounds[~off], drawn[~off]
    gaps = np.maximum(np.maximum(bounds[drawn, :2], -bounds[drawn, 2:]), 0.0)
    distance = np.hypot(*gaps.T).min(initial=np.inf)
    if drawn.any() and distance > _FAR:
        layer.fault(
            findings,
            f"features {distance / 1000:,.0f} km from the property and farther, in {source.name}",
            "features on the property",
            "Give the layer its right CRS; perhaps x and y are swapped.",
        )
        return there.iloc[:0]
    return there


def _flat(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return a frame without heights where some are no number, as drawings may have them."""
    shapes = frame.geometry.to_numpy()
    heights = shapely.get_coordinates(shapes[shapely.has_z(shapes)], include_z=True)[:, 2]
    if np.isfinite(heights).all():
        return frame
    return frame.set_geometry(gpd.GeoSeries(shapely.force_2d(shapes), frame.index, crs=frame.crs))


def _note_datum(layer: Layer, source: pyproj.CRS, working: Working, findings: Findings) -> None:
    units = {linear_unit(source), linear_unit(working.source_crs)}
    if len(units) == 2 and all("foot" in unit for unit in units):  # noqa: PLR2004 - a pair
        findings.warn(
            f"{layer.file}, {layer.name}: is in different feet than the boundary "
            f"({' and '.join(sorted(units))}); at coordinates of 2,000,000 ft that is 1.2 m, if "
            "one of them is labelled wrongly."
        )
    ours, theirs = _datum(working.source_crs), _datum(source)
    # An ensemble is the same datum, whichever realisation is meant.
    if ours and theirs and ours.removesuffix(_ENSEMBLE) != theirs.removesuffix(_ENSEMBLE):
        findings.warn(
            f"{layer.file}, {layer.name}: is in {theirs}, the boundary in {ours}; positions may "
            "disagree by a metre or so."
        )


@lru_cache(maxsize=16)
def _datum(crs: pyproj.CRS) -> str:
    """Return the name of a CRS' datum, "" where it has none."""
    geodetic = crs.geodetic_crs
    return "" if geodetic is None or geodetic.datum is None else geodetic.datum.name
