"""Scenes and sun positions that every engine of the shade benchmark gets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize
from rasterio.transform import from_origin
from shapely.affinity import rotate, translate

from siting.site.model import LocalGrid
from siting.sun.position import SunPositions, sun_at

__all__ = ["SCENES", "Town", "building_height", "height_raster", "sun_positions", "trees_of"]

MONTHS: Final = (4, 5, 6, 7, 8, 9)
_YEAR: Final = 2023
_STEP_MINUTES: Final = 30


@dataclass(frozen=True)
class Town:
    """Ground with buildings.

    Parameters
    ----------
    grid : LocalGrid
        Where the sun is wanted.
    buildings : GeoDataFrame
        Columns height [m], geometry, in `crs`.
    crs : str
        A transverse Mercator about the middle of the scene.
    ground : ndarray or None
        Height of the ground on the grid, shape (rows, columns); None is level [m].
    """

    grid: LocalGrid
    buildings: gpd.GeoDataFrame
    crs: str
    ground: NDArray[np.float64] | None = None


def building_height(footprint_m2):
    """Height of a building by its footprint: shed, villa, or block [m]."""
    return np.select([footprint_m2 < 60, footprint_m2 < 250], [3.5, 9.0], 15.0)


def town_blocks(resolution: float, *, side: float = 700.0) -> Town:
    """Lay a raster over the 144 buildings that momepy bundles, with empty land around them."""
    import momepy

    stored = gpd.read_file(momepy.datasets.get_path("bubenec"), layer="buildings")
    middle = stored.to_crs(4326).union_all().centroid
    crs = f"+proj=tmerc +lat_0={middle.y:.9f} +lon_0={middle.x:.9f} +datum=WGS84 +units=m"
    local = stored.to_crs(crs)
    shapes = gpd.GeoDataFrame(
        {"height": building_height(local.area.to_numpy())}, geometry=local.geometry.array, crs=crs
    )
    cells = round(side / resolution)
    return Town(LocalGrid(-side / 2, side / 2, resolution, cells, cells), shapes, crs)


def synthetic_town(
    *, cells: int = 4000, resolution: float = 0.5, count: int = 4000, seed: int = 3
) -> Town:
    """Scatter turned blocks, L-shapes and courtyards over the cells of a jittered lattice."""
    random = np.random.default_rng(seed)
    side = cells * resolution
    across = int(np.ceil(np.sqrt(count)))
    pitch = side / across
    shapes = []
    for i in range(count):
        row, column = divmod(i, across)
        wide, deep = random.uniform(0.35, 0.7, 2) * pitch
        body = shapely.box(-wide / 2, -deep / 2, wide / 2, deep / 2)
        if i % 4 == 1:
            body = body.difference(shapely.box(0, 0, wide, deep))
        if i % 4 == 2:
            body = body.difference(shapely.box(-wide / 4, -deep / 4, wide / 4, deep / 4))
        east, south = (np.array([column, row]) + random.uniform(0.4, 0.6, 2)) * pitch
        turned = rotate(body, random.uniform(0, 90), origin=(0, 0))
        shapes.append(translate(turned, east - side / 2, side / 2 - south))
    crs = "+proj=tmerc +lat_0=50 +lon_0=14 +datum=WGS84 +units=m"
    heights = random.uniform(4, 25, count)
    buildings = gpd.GeoDataFrame({"height": heights}, geometry=shapes, crs=crs)
    return Town(LocalGrid(-side / 2, side / 2, resolution, cells, cells), buildings, crs)


def property_town(side: float) -> Town:
    """Lay a raster of 0.5 m over the middle of the town blocks, all of which may shade it."""
    town = town_blocks(0.5)
    cells = round(side / 0.5)
    return Town(LocalGrid(-side / 2, side / 2, 0.5, cells, cells), town.buildings, town.crs)


def hilly_town(resolution: float) -> Town:
    """Lay the town blocks on hills of 20 m above and below, half a kilometre long."""
    town = town_blocks(resolution)
    east, south = np.meshgrid(town.grid.x, -town.grid.y)
    return replace(town, ground=20 * np.sin(east / 75) * np.cos(south / 85))


def trees_of(town: Town, *, per_hectare: float = 30.0, seed: int = 4) -> gpd.GeoDataFrame:
    """Scatter trees over the raster, none in a building."""
    random = np.random.default_rng(seed)
    west, south, east, north = town.grid.bounds
    count = round((east - west) * (north - south) / 1e4 * per_hectare)
    points = shapely.points(random.uniform(west, east, count), random.uniform(south, north, count))
    built = shapely.STRtree(town.buildings.geometry.to_numpy()).query(points, predicate="within")[0]
    free = np.setdiff1d(np.arange(count), built)
    height = random.uniform(4, 16, count)[free]
    columns = {"height": height, "crown_diameter": 0.6 * height, "transmissivity": 0.15}
    return gpd.GeoDataFrame(columns, geometry=points[free], crs=town.crs)


def sun_positions(
    latitude: float, *, every: int = 1, months: tuple[int, ...] = MONTHS
) -> SunPositions:
    """Sun on the 15th of some months, at the middle of every half hour of apparent solar time.

    Parameters
    ----------
    latitude : float
        North positive [deg].
    every : int
        Take only every so manieth position; its hours grow with it.
    months : tuple of int
        Months whose 15th is taken.
    """
    parts = []
    for month in months:
        midnight = pd.Timestamp(_YEAR, month, 15, tz="UTC")
        noon = pd.DatetimeIndex([midnight + pd.Timedelta(hours=12)])
        equation = float(sun_at(noon, latitude, 0.0)["equation_of_time"].iloc[0])
        minutes = np.arange(_STEP_MINUTES / 2, 1440, _STEP_MINUTES) - equation
        times = pd.DatetimeIndex(midnight + pd.to_timedelta(minutes, unit="min"))
        table = sun_at(times, latitude, 0.0)
        parts.append(table[table["elevation"] > 0].assign(month=month))
    table = pd.concat(parts).iloc[:: max(every, 1)]
    hours = np.full(len(table), _STEP_MINUTES / 60 * max(every, 1))
    elevation = table["elevation"].to_numpy(dtype=np.float64)
    azimuth = table["azimuth"].to_numpy(dtype=np.float64)
    month = table["month"].to_numpy(dtype=np.int64)
    return SunPositions(month, elevation, azimuth, hours, np.sin(np.radians(elevation)))


def height_raster(town: Town):
    """Heights of roofs over the ground at the cell centres, shape (rows, columns) [m]."""
    grid = town.grid
    order = np.argsort(town.buildings["height"].to_numpy(), kind="stable")
    layer = town.buildings.iloc[order]
    return rasterize(
        zip(layer.geometry, layer["height"], strict=True),
        out_shape=grid.shape,
        transform=from_origin(grid.west, grid.north, grid.resolution, grid.resolution),
        fill=0.0,
        dtype="float64",
    )


#: Name -> how to build the scene.
SCENES: Final = {
    "town 0.25 m": lambda: town_blocks(0.25),
    "town 0.5 m": lambda: town_blocks(0.5),
    "town 1 m": lambda: town_blocks(1.0),
    "town on hills 0.5 m": lambda: hilly_town(0.5),
    "town 2 m": lambda: town_blocks(2.0),
    "synthetic 4000": synthetic_town,
    "250 buildings": lambda: synthetic_town(cells=1400, count=250),
    "1000 buildings": lambda: synthetic_town(cells=1400, count=1000),
    "4000 buildings": lambda: synthetic_town(cells=1400, count=4000),
    "1 ha": lambda: property_town(100.0),
    "100 ha": lambda: synthetic_town(cells=2000, count=1000),
}
