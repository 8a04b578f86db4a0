"""Portfolios of real ground, from data that registered packages bundle.

Both builders write a template with its layers and weather, and return the template. What the data
do not say (plants, timer, costs, some heights) follows a fixed rule that is stated here.
``python -m tests.real_portfolio FOLDER plots`` (or ``yards``) writes one to look at.
"""

import argparse
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from tests.real_property import bubenec_height
from tests.real_weather import seattle_daily, wageningen_daily

__all__ = ["plots_portfolio", "yards_portfolio"]

#: A piece of open ground smaller than this is no zone; a property keeps its largest pieces.
LEAST_M2, MOST_ZONES = 12.0, 6
#: A larger piece is cut in two.
HALVED_M2 = 150.0
#: A yard reaches at most this far from its building [m].
YARD_M = 18.0

TEMPLATE = """\
name = "{name}"
units = "metric"
[portfolio]
id = "id"
property = "owner"
minutes = "minutes"
reach = 60

[layers]
file = "ground.gpkg"
buildings = {{ default_height = 6.0 }}

[weather]
file = "weather.csv"
elevation_m = {elevation}

[season]
start = "04-15"
end = "09-30"

[timer]
every_n_days = 3
start = "05:00"

[water]
price = 3.2
currency = "EUR"

[costs]
device = 260
installation = 160
trench_per_m = 6
wire_per_m = 0.8
life_years = 10

[control]
max_sensors = 3

[analysis]
resolution = {resolution}
scenarios = {scenarios}
"""


def plots_portfolio(folder: Path, *, resolution=0.5, scenarios=12) -> Path:
    """Write the 407 plots of a real quarter, in the Web Mercator metres that they are stored in.

    A plot is a property, its zones the pieces of it that are not built on: the largest is turf, the
    others shrubs. Large pieces are cut in two. Heights follow the footprint (`bubenec_height`).
    """
    import momepy

    path = momepy.datasets.get_path("bubenec")
    plots, built = (gpd.read_file(path, layer=name) for name in ("plots", "buildings"))
    heights = [bubenec_height(area) for area in built.to_crs(32633).area]
    buildings = built[["geometry"]].assign(height=heights)
    properties = plots[["geometry"]].assign(id=[f"plot {number}" for number in plots["ID"]])
    wageningen_daily(folder / "weather.csv")
    return _write(folder, properties, buildings, (resolution, scenarios, "Plot", 7))


def yards_portfolio(folder: Path, *, resolution=0.5, scenarios=12, least_m2=60.0) -> Path:
    """Write a yard around every building of a real extract: what is nearer to it than to others.

    Heights are those of the map, else 3 m a level, else unknown (the product then assumes one and
    says so). Buildings under `least_m2` are sheds and stand in the yard of a larger one.
    """
    import pyrosm

    osm = pyrosm.OSM(pyrosm.get_data("test_pbf"))
    raw = osm.get_buildings().to_crs(32635)
    raw = raw[~raw.geometry.isna()]
    shapes = shapely.make_valid(raw.geometry.to_numpy())
    height = np.full(len(raw), np.nan)
    for column, size in (("height", 1.0), ("building:levels", 3.0)):
        if column in raw:
            numbers = raw[column].astype(str).str.extract(r"^(\d+(?:\.\d+)?)")[0].astype(float)
            height = np.where(np.isnan(height), numbers * size, height)
    buildings = gpd.GeoDataFrame({"height": height}, geometry=shapes, crs=32635)
    buildings = buildings[buildings.geom_type.isin(["Polygon", "MultiPolygon"])]
    houses = buildings[buildings.area >= least_m2].reset_index(drop=True)
    points = shapely.multipoints(shapely.point_on_surface(houses.geometry.to_numpy()))
    cells = gpd.GeoSeries(shapely.get_parts(shapely.voronoi_polygons(points)), crs=32635)
    own, cell = cells.sindex.query(shapely.get_parts(points), predicate="intersects")
    yards = shapely.intersection(houses.geometry.to_numpy()[own], cells.to_numpy()[cell])
    yards = shapely.intersection(shapely.buffer(yards, YARD_M), cells.to_numpy()[cell])
    ids = [f"yard {number}" for number in own]
    properties = gpd.GeoDataFrame({"id": ids}, geometry=yards, crs=32635)
    properties = properties.drop_duplicates("id").reset_index(drop=True)
    seattle_daily(folder / "weather.csv")
    return _write(folder, properties, buildings, (resolution, scenarios, "Yard", 20))


def _halves(shape):
    """Cut a piece of more than 150 m² in two across its longer side, 0.6 m apart."""
    if shape.geom_type != "Polygon" or shape.area < HALVED_M2:
        return [shape]
    corners = np.array(shapely.oriented_envelope(shape).exterior.coords)
    a, b, c = corners[0], corners[1], corners[2]
    if np.hypot(*(b - a)) < np.hypot(*(c - b)):
        a, b, c = b, c, corners[3]
    across = (c - b) * 2
    middle = (a + b) / 2
    cut = shapely.LineString([middle - across, middle + across]).buffer(0.3)
    return list(shapely.get_parts(shape.difference(cut)))


def _write(folder, properties, buildings, terms):
    resolution, scenarios, name, elevation = terms
    zones, controllers = [], []
    tree = shapely.STRtree(buildings.geometry.to_numpy())
    for row in properties.itertuples():
        near = buildings.geometry.to_numpy()[tree.query(row.geometry, predicate="intersects")]
        free = row.geometry.difference(shapely.union_all(near)) if len(near) else row.geometry
        pieces = [half for p in shapely.get_parts(free) for half in _halves(p)]
        pieces = [p for p in pieces if p.area >= LEAST_M2]
        pieces = sorted(pieces, key=lambda p: (-p.area, p.wkb))[:MOST_ZONES]
        for number, piece in enumerate(pieces, start=1):
            turf = number == 1
            zones.append({
                "owner": row.id, "zone": f"Ground {number}", "valve": str(number),
                "plants": "cool_season_turf" if turf else "shrubs",
                "irrigation": "rotor" if turf else "spray",
                "precipitation_rate": 13.0 if turf else 36.0,
                "minutes": 55 if turf else 12, "geometry": piece,
            })  # fmt: skip
        spot = (
            shapely.point_on_surface(near[0]) if len(near) else row.geometry.representative_point()
        )
        controllers.append({"owner": row.id, "kind": "controller", "geometry": spot})
    layers = {
        "boundary": properties,
        "hydrozones": gpd.GeoDataFrame(zones, crs=properties.crs),
        "buildings": buildings,
        "fixtures": gpd.GeoDataFrame(controllers, crs=properties.crs),
    }
    target = folder / "ground.gpkg"
    target.unlink(missing_ok=True)
    for layer, frame in layers.items():
        frame.to_file(target, layer=layer, driver="GPKG")
    text = TEMPLATE.format(
        name=name, elevation=elevation, resolution=resolution, scenarios=scenarios
    )
    (folder / "ground.toml").write_text(text, encoding="utf-8")
    return folder / "ground.toml"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Write a real portfolio.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("kind", choices=["plots", "yards"])
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    build = plots_portfolio if given.kind == "plots" else yards_portfolio
    print(build(given.folder))
