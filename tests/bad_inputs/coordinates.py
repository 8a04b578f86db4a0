"""Coordinate reference systems: missing, mixed, swapped, in feet, at the edges of the earth."""

from __future__ import annotations

from functools import partial

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from shapely.affinity import translate

from tests.bad_inputs.base import CASES, EAST, NORTH, Draft, case  # noqa: F401

crs = partial(case, "crs")
_LOST = "no coordinate reference system"
_GEORGIA = "+proj=tmerc +lat_0=30 +lon_0=-82.1666666666667 +k=0.9999 +datum=NAD83 +no_defs"


def _right_size(site) -> bool:
    return abs(site.boundary.area - 2400) < 5 and abs(site.hydrozones.area.sum() - 560) < 2


def _moved(draft: Draft, change) -> None:
    """Change the coordinates of every layer."""
    for name, frame in draft.layers.items():
        draft.layers[name] = frame.set_geometry(
            gpd.GeoSeries([change(s) for s in frame.geometry], frame.index, crs=frame.crs)
        )


def _swapped(shape):
    return shapely.transform(shape, lambda c: c[:, ::-1])


for _name in ("boundary", "hydrozones", "trees"):

    @crs(f"{_name} without CRS", refused=_LOST, says="layer")
    def _(d, name=_name):
        d.label(None, name)


@crs("every layer without CRS", refused=("5 faults", _LOST))
def _(d):
    d.label(None)


@crs("geographic degrees", check=_right_size, handled="read in metres on the ground")
def _(d):
    d.project(4326)


@crs("Web Mercator", check=_right_size, handled="lengths on the ground, not of the map")
def _(d):
    d.project(3857)


@crs("state plane in US survey feet", repaired=("US survey foot", "units_in"), check=_right_size)
def _(d):
    d.project(2239)


@crs("state plane in international feet", repaired=("foot", "units_in"), check=_right_size)
def _(d):
    d.project(_GEORGIA + " +x_0=200000 +units=ft")


@crs("heights in feet in a state plane in feet", check=lambda s: s.buildings.height[0] < 6,
     handled="as the property file says it")  # fmt: skip
def _(d):
    d.project(2239)
    d.swap("[weather]", 'units_in = "ft"\n[weather]')
    d.put("buildings", "height", 16.0)


@crs("layers in US survey and in international feet", repaired="different feet")
def _(d):
    d.project(_GEORGIA + " +x_0=200000 +units=us-ft", "boundary")
    d.project(_GEORGIA + " +x_0=200000 +units=ft", "hydrozones")


@crs("layers in four CRSs", check=_right_size, handled="brought into one")
def _(d):
    d.project(4326, "boundary")
    d.project(2239, "trees")
    d.project(3857, "buildings")


@crs("layers in neighbouring UTM zones", check=_right_size, handled="brought into one")
def _(d):
    d.project(32616, "hydrozones")


@crs("far beyond the edge of its UTM zone", check=_right_size, handled="lengths on the ground")
def _(d):
    d.project(32614)


@crs("layers on different datums", repaired="may disagree by a metre")
def _(d):
    d.project(26917, "hydrozones")


@crs("zones labelled with the neighbouring UTM zone", refused=("km from the property", "CRS"),
     says="layer")  # fmt: skip
def _(d):
    d.label(32616, "hydrozones")


@crs("metres labelled as degrees", refused=("do not exist", "right CRS"))
def _(d):
    d.label(4326, "boundary")


@crs("degrees labelled as metres", refused=("m²", "right CRS"))
def _(d):
    d.project(4326)
    d.label(32617)


@crs("zones with swapped axes", refused=("x and y are swapped",), says="layer")
def _(d):
    d.project(4326)
    d.layers["hydrozones"] = d.layers["hydrozones"].set_geometry(
        d.layers["hydrozones"].geometry.map(_swapped)
    )


@crs("every layer with swapped axes", refused=("latitude -82.9", "swapped"))
def _(d):
    d.project(4326)
    _moved(d, _swapped)


@crs("boundary far from everything else", refused=("km from the property", "hydrozones"))
def _(d):
    d.shapes("boundary", translate(d.layers["boundary"].geometry[0], 90_000, 0))


@crs("boundary as large as a country", refused=("301 km across", "20 km"))
def _(d):
    d.shapes("boundary", shapely.box(EAST, NORTH, EAST + 300_000, NORTH + 200_000))


@crs("across the antimeridian", check=_right_size, handled="read as one place")
def _(d):
    d.label(pyproj.CRS.from_proj4("+proj=tmerc +lat_0=33 +lon_0=180 +datum=WGS84"))
    _moved(d, lambda s: translate(s, -EAST - 30, -NORTH))
    d.project(4326)


@crs("southern hemisphere", check=lambda s: s.latitude < -33 and _right_size(s),
     handled="read as it is")  # fmt: skip
def _(d):
    _south(d)
    mid = d.weather["date"].str[5:7].astype(int)
    assert mid.size
    for column in ("tmin_c", "tmax_c", "rs_mj_m2"):
        d.weather[column] = np.roll(d.weather[column], 182)


def _south(draft: Draft) -> None:
    _moved(draft, lambda s: translate(s, 0, 6_250_000 - NORTH))
    draft.label(32756)


@crs("weather of the other hemisphere", refused=("coldest", "hemisphere", "trust_units"))
def _(d):
    _south(d)


@crs("a pole", refused=("latitude 90", "75"))
def _(d):
    _moved(d, lambda s: translate(s, -EAST, -NORTH))
    d.label(3413)


@crs("coordinates around 0, 0", refused=("longitude 0", "no property"))
def _(d):
    d.label("+proj=tmerc +lat_0=0 +lon_0=0 +datum=WGS84")
    _moved(d, lambda s: translate(s, -EAST, -NORTH))
    d.project(4326)


@crs("an engineering CRS without a place on the earth", refused=("no place on the earth",))
def _(d):
    wkt = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'
    d.label(wkt)


@crs("zones in an engineering CRS", refused="no place on the earth", says="layer")
def _(d):
    wkt = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'
    d.label(wkt, "hydrozones")


@crs("a geocentric CRS", refused=("no place", "CRS"))
def _(d):
    d.label(4978)


@crs("a CRS with heights", check=_right_size, handled="read in its horizontal part")
def _(d):
    d.label("EPSG:32617+5703", "boundary")
    d.label("EPSG:32617+5703", "hydrozones")
