"""A small property for tests: square zones on a lawn, with or without a house, any CRS."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import Point, box

from siting.climate.readers import daily_from_normals

CRS = "EPSG:32617"
EAST, NORTH = 320_000.0, 3_640_000.0

NORMALS = pd.DataFrame(
    {
        "rain_mm": [90, 95, 110, 85, 80, 105, 115, 100, 85, 75, 80, 95],
        "wet_days": [9, 9, 9, 8, 8, 10, 11, 10, 8, 6, 8, 9],
        "tmin_c": [1, 2, 6, 9, 14, 19, 21, 20, 17, 11, 5, 2],
        "tmax_c": [12, 14, 19, 24, 28, 31, 33, 32, 29, 24, 18, 13],
        "rs_mj_m2": [9, 12, 16, 20, 22, 23, 22, 20, 17, 14, 10, 8],
        "rh_mean": [70, 67, 65, 64, 70, 73, 75, 76, 75, 71, 70, 71],
        "wind_m_s": [2.5, 2.6, 2.7, 2.5, 2.1, 1.9, 1.8, 1.7, 1.9, 2.0, 2.2, 2.4],
    }
)

TOML = """\
name = "Test ground"
units = "{units}"
units_in = "m"
layers = "layers.gpkg"
[weather]
file = "weather.csv"
elevation_m = 150
[season]
start = "04-01"
end = "09-30"
[timer]
days = ["Mon", "Wed", "Fri"]
start = "04:00"
minutes = {{ {minutes} }}
[water]
price = 2.0
currency = "USD"
[costs]
device = 250
installation = 150
trench_per_m = 5
wire_per_m = 1
life_years = 10
[control]
kinds = ["bypass", "on_demand"]
max_sensors = 4
max_stress_days = 5
[analysis]
resolution = {resolution}
scenarios = {scenarios}
"""


def square(east: float, north: float, size: float = 14.0):
    """Return a square zone, its south-west corner in metres from the property's corner."""
    return box(EAST + east, NORTH + north, EAST + east + size, NORTH + north + size)


def write_property(folder: Path, zones=None, *, units="metric", resolution=1.0, scenarios=3,
                   buildings=None, trees=None, crs=CRS, minutes=30, years=3) -> Path:  # fmt: skip
    """Write a property into a folder; zones is {name: (geometry, {column: value})}."""
    folder.mkdir(parents=True, exist_ok=True)
    if zones is None:
        zones = {str(i): (square(4 + 18 * i, 4), {}) for i in range(3)}
    rows = [
        {
            "zone": name, "valve": name, "plants": "warm_season_turf", "soil": "sandy loam",
            "irrigation": "spray", "precipitation_rate": 36.0, "distribution_uniformity": 0.65,
            "root_depth": 0.3, "slope": 2.0, **columns, "geometry": shape,
        }
        for name, (shape, columns) in zones.items()
    ]  # fmt: skip
    path = folder / "layers.gpkg"
    path.unlink(missing_ok=True)
    span = gpd.GeoDataFrame(rows, crs=CRS).total_bounds
    ground = box(span[0] - 4, span[1] - 4, span[2] + 4, span[3] + 4)
    layers = {
        "boundary": gpd.GeoDataFrame({"id": [1]}, geometry=[ground], crs=CRS),
        "hydrozones": gpd.GeoDataFrame(rows, crs=CRS),
        "fixtures": gpd.GeoDataFrame(
            {"kind": ["controller"]}, geometry=[Point(span[0] - 2, span[1] - 2)], crs=CRS
        ),
    }
    if buildings is not None:
        layers["buildings"] = gpd.GeoDataFrame(buildings, crs=CRS)
    if trees is not None:
        layers["trees"] = gpd.GeoDataFrame(trees, crs=CRS)
    for layer, frame in layers.items():
        frame.to_crs(crs).to_file(path, layer=layer, driver="GPKG")
    write_weather(folder / "weather.csv", years=years)
    text = TOML.format(
        units=units, resolution=resolution, scenarios=scenarios,
        minutes=", ".join(f'"{name}" = {minutes}' for name in zones),
    )  # fmt: skip
    (folder / "property.toml").write_text(text, encoding="utf-8")
    return folder / "property.toml"


def coarse_property(folder: Path, **options) -> Path:
    """Write two zones, planned as coarsely as can be: for tests to which any plan will do."""
    zones = {"1": (square(4, 4), {}), "2": (square(22, 4), {})}
    coarse = {"resolution": 2.0, "scenarios": 1, "years": 2}
    return write_property(folder, zones, **{**coarse, **options})


def write_weather(path: Path, *, years: int = 3) -> None:
    """Write invented daily weather."""
    daily = daily_from_normals(NORMALS, years=years, first_year=2018, seed=4, latitude=33.0)
    daily = daily.round(2)
    daily["tmax_c"] = np.maximum(daily["tmax_c"], daily["tmin_c"] + 0.1)
    daily.to_csv(path, index=False)
