"""Sun and shade against independent libraries: astral's sun, pybdshadow's polygons."""

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from siting.site.model import LocalGrid
from siting.sun.light import ShadeOptions
from siting.sun.position import sun_at
from siting.sun.shade import shade_instants
from tests.packages import town_file


def separation(elevation_1, azimuth_1, elevation_2, azimuth_2):
    """Angle between two directions [deg]."""
    a1, a2, turn = np.radians([elevation_1, elevation_2, azimuth_1 - azimuth_2])
    half = np.sin((a1 - a2) / 2) ** 2 + np.cos(a1) * np.cos(a2) * np.sin(turn / 2) ** 2
    return np.degrees(2 * np.arcsin(np.sqrt(half)))


def test_sun_agrees_with_astral_at_1000_instants():
    """Astral computes NOAA's equations (Meeus, low accuracy), we the SPA: within 0.02 degrees.

    Angles are between the two directions, as an azimuth means little with the sun overhead.
    """
    astral = pytest.importorskip("astral")
    from astral import sun as theirs

    random = np.random.default_rng(20)
    apart = []
    for latitude, longitude in random.uniform((-66, -180), (66, 180), (50, 2)):
        seconds = random.integers(0, 30 * 365 * 86_400, 20)
        times = pd.DatetimeIndex(
            pd.Timestamp("2000-01-01", tz="UTC") + pd.to_timedelta(seconds, unit="s")
        )
        ours = sun_at(times, latitude, longitude)
        observer = astral.Observer(latitude, longitude)
        for moment, row in zip(times.to_pydatetime(), ours.itertuples(), strict=True):
            assert moment.tzinfo is not None
            at = moment.astimezone(dt.UTC)
            elevation = theirs.elevation(observer, at, with_refraction=False)
            azimuth = theirs.azimuth(observer, at)
            apart.append(separation(row.elevation, row.azimuth, elevation, azimuth))
    assert len(apart) == 1000
    assert np.max(apart) < 0.02
    assert np.median(apart) < 0.005


@pytest.fixture(scope="module")
def town():
    """The 144 buildings that momepy bundles, in metres about their middle, heights by a rule."""
    stored = gpd.read_file(town_file(), layer="buildings")
    middle = stored.to_crs(4326).union_all().centroid
    crs = f"+proj=tmerc +lat_0={middle.y:.9f} +lon_0={middle.x:.9f} +datum=WGS84 +units=m"
    shapes = stored.to_crs(crs).geometry.array
    area = shapely.area(shapes)
    height = np.select([area < 60, area < 250], [3.5, 9.0], 15.0)
    return gpd.GeoDataFrame({"height": height}, geometry=shapes, crs=crs)


SUNS = ((12.0, 95.0), (25.0, 250.0), (38.0, 140.0), (55.0, 181.0))


@pytest.mark.parametrize(("elevation", "azimuth"), SUNS)
def test_shade_agrees_with_the_polygons_of_pybdshadow(monkeypatch, town, elevation, azimuth):
    """Shaded ground has the area of pybdshadow's polygons within 0.05 %, where they lie.

    Our shade is sampled at the centres of cells of 0.5 m, hence the rest. Under the same sun, fewer
    than 1 in 10,000 cells disagree. Courtyards are left out, as pybdshadow fills them.
    """
    pybdshadow = pytest.importorskip("pybdshadow")
    from pybdshadow import pybdshadow as inner

    sun = {"altitude": np.radians(elevation), "azimuth": np.radians(azimuth - 180)}
    monkeypatch.setattr(inner, "get_position", lambda *_: sun)
    layer = town.to_crs(4326)
    layer["building_id"] = np.arange(len(layer))
    found = pybdshadow.bdshadow_sunlight(layer, pd.Timestamp("2023-06-15 12:00"))
    local = found.set_crs(4326, allow_override=True).to_crs(town.crs)
    filled = shapely.union_all([shapely.Polygon(g.exterior) for g in town.geometry])
    theirs = shapely.union_all(shapely.make_valid(local.geometry.array)).difference(filled)

    grid = LocalGrid(-350.0, 350.0, 0.5, 1400, 1400)
    lit = shade_instants(
        grid, elevation, azimuth, buildings=town, trees=town.iloc[:0], options=ShadeOptions()
    )[0]
    rows, columns = np.nonzero(lit == 0.0)
    ours = len(rows) * grid.resolution**2
    courts = filled.difference(town.union_all())
    ours -= shapely.contains_xy(courts, grid.x[columns], grid.y[rows]).sum() * 0.25
    assert ours == pytest.approx(theirs.area, rel=0.0005)

    random = np.random.default_rng(1)
    row, column = random.integers(0, 1400, (2, 40_000))
    on_ground = ~np.isnan(lit[row, column])
    x, y = grid.x[column[on_ground]], grid.y[row[on_ground]]
    shapely.prepare(theirs)
    inside = shapely.contains_xy(theirs, x, y) | shapely.contains_xy(courts, x, y)
    dark = (lit[row, column][on_ground] == 0.0) | shapely.contains_xy(courts, x, y)
    assert (inside != dark).mean() < 1e-4
