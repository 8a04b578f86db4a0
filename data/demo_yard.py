"""The invented small yard south of the equator: 700 m² with a house, where one sensor is enough.

Nothing here is a real place. Paper coordinates are metres, y away from the street; the street is to
the south, so that the back of the house gets the sun.
"""

from __future__ import annotations

from typing import Any

from demo_drawing import Drawing, Frame, curve, downspouts, heads, partition
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

__all__ = ["yard"]

FRAME = Frame(east=685_462.0, north=6_135_064.0, turn=-11.0)
CRS = "EPSG:7855"

PROPERTY = """\
# An invented yard: every name, shape, price and reading in this folder is made up.
name = "Wattlebend yard (invented)"
units = "metric"
units_in = "m"
layers = "yard.gpkg"

[weather]
file = "weather.csv"         # invented, see data/SOURCES.md
elevation_m = 560

[season]                     # runs over New Year: summer in the south
start = "10-01"
end = "04-30"

[timer]                      # what runs today
every_n_days = 2
start = "05:00"

[timer.minutes]              # per valve
1 = 16                       # Front lawn, sprays
2 = 16                       # Back lawn, sprays
3 = 15                       # Fence groundcover, sprays
4 = 30                       # Wall bed, drip

[water]
price = 2.90                 # per m3
currency = "AUD"

[costs]
device = 240
installation = 160
trench_per_m = 6
wire_per_m = 0.9
life_years = 10

[hardware.replacement]       # a timer with sensor inputs; the add-on is priced by [costs]
sensors = 4                  # inputs
timer = 310
timer_installation = 140
device = 180                 # each sensor on it
installation = 120

[control]
kinds = ["bypass", "on_demand"]
max_sensors = 4
max_stress_days = 5

[setbacks]                   # metres
building = 1.5
paving = 1.5
boundary = 1.5
head = 1.5
zone_edge = 0.9
downspout = 3.0

[analysis]
resolution = 0.5
scenarios = 64
seed = 1
"""

BOUNDARY = Polygon(((0, 0), (20, 0), (20.4, 35), (0.2, 35.4)))
HOUSE = Polygon(((4, 11), (16, 11), (16, 21), (11, 21), (11, 22.5), (4, 22.5)))
HOUSE_HEIGHT = 5.0

PAVING: dict[str, BaseGeometry] = {
    "driveway": box(13, 0, 16, 11),
    "front path": curve(((13.5, 6.5), (10, 7.5), (9, 9), (9, 11))).buffer(0.6),
    "patio": box(5, 22.5, 11, 26),
    "side path": LineString(((2.4, 9), (2.4, 24.5), (5.5, 24.5))).buffer(0.5),
}
ZONES: dict[str, BaseGeometry] = {
    "Front lawn": curve(
        ((1, 0.8), (6, 0.6), (12.6, 0.8), (12.7, 6.0), (7, 8.0), (1, 8.2)), closed=True
    ),
    "Back lawn": curve(
        ((0.9, 26), (4, 26.6), (12.4, 26.6), (13.2, 31), (12.6, 34.4), (6, 34.7), (0.9, 34.6)),
        closed=True,
    ),
    "Fence cover": curve(
        ((13.8, 24.4), (19.6, 24), (19.7, 29), (19.6, 34.4), (14, 34.2), (14.4, 29)), closed=True
    ),
    "Wall bed": box(11.4, 21, 15.8, 22.8),
}
_COLUMNS = (
    "valve", "controller", "plants", "soil", "irrigation", "precipitation_rate",
    "distribution_uniformity",
)  # fmt: skip
#: Precipitation rate [mm/h] and distribution uniformity [-] last.
ATTRIBUTES: dict[str, tuple[Any, ...]] = {
    "Front lawn": ("1", "house", "warm_season_turf", "loam", "spray", 38.0, 0.62),
    "Back lawn": ("2", "house", "warm_season_turf", "loam", "spray", 38.0, 0.62),
    "Fence cover": ("3", "house", "groundcover", "loam", "spray", 38.0, 0.62),
    "Wall bed": ("4", "house", "perennials", "loam", "drip", 18.0, 0.85),
}
SPACING = {"Front lawn": 3.6, "Back lawn": 3.6, "Fence cover": 3.6}
#: x, y, height, crown diameter, trunk diameter [m], share of the sun let through in leaf.
TREES = (
    (18.4, 4.2, 5.0, 4.0, 0.16, 0.30),
    (17.9, 8.6, 4.0, 3.2, 0.12, 0.30),
    (1.4, 24.6, 4.5, 3.0, 0.13, 0.35),
)
#: kind, name, x, y
FIXTURES = (
    ("controller", "house", 16.2, 14.0),
    ("valve_box", "front", 12.4, 9.6),
    ("valve_box", "back", 16.9, 22.6),
    ("meter", None, 12.4, 0.5),
    ("backflow", None, 12.3, 10.4),
)


def yard() -> Drawing:
    """Draw the yard.

    Returns
    -------
    Drawing
        Rows of every layer; lengths in metres.
    """
    placed = {k: FRAME.place(v) for k, v in ({"house": HOUSE} | PAVING | ZONES).items()}
    parts = partition(placed, within=FRAME.place(BOUNDARY))
    tree_columns = ("height", "crown_diameter", "trunk_diameter", "transmissivity")
    fixtures: list[dict[str, Any]] = [
        {"kind": kind, "valve": None, "name": name, "geometry": FRAME.place(Point(x, y))}
        for kind, name, x, y in FIXTURES
    ]
    fixtures += [
        {"kind": "downspout", "valve": None, "name": None, "geometry": FRAME.place(spout)}
        for spout in downspouts(HOUSE, corners=((4, 11), (16, 11), (16, 21), (4, 22.5)))
    ]
    fixtures += [
        {"kind": "head", "valve": ATTRIBUTES[zone][0], "name": None, "geometry": head}
        for zone, spacing in SPACING.items()
        for head in heads(parts[zone], spacing=spacing)
    ]
    return Drawing(
        folder="yard",
        crs=CRS,
        settings=PROPERTY,
        layers={
            "boundary": [{"name": "yard", "geometry": parts["boundary"]}],
            "hydrozones": [
                {"zone": z, **dict(zip(_COLUMNS, ATTRIBUTES[z], strict=True)), "geometry": parts[z]}
                for z in ATTRIBUTES
            ],
            "buildings": [{"name": "house", "height": HOUSE_HEIGHT, "geometry": parts["house"]}],
            "trees": [
                dict(zip(tree_columns, r[2:], strict=True))
                | {"geometry": FRAME.place(Point(r[:2]))}
                for r in TREES
            ],
            "paving": [{"name": name, "geometry": parts[name]} for name in PAVING],
            "fixtures": fixtures,
        },
    )
