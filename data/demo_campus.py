"""The invented campus: about 1.5 ha, fourteen hydrozones, four buildings, two controllers.

Nothing here is a real place. Paper coordinates are metres, x along the street, y away from it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from demo_drawing import XY, Drawing, Frame, curve, downspouts, heads, partition
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry

__all__ = ["campus"]

FRAME = Frame(east=370_412.0, north=3_752_236.0, turn=7.0)
CRS = "EPSG:32617"

PROPERTY = """\
# An invented campus: every name, shape, price and reading in this folder is made up.
name = "Sorrelmere Campus (invented)"
units = "us"                 # how results are shown
units_in = "m"               # the drawing's heights and crowns are in metres
layers = "campus.gpkg"

[weather]
file = "weather.csv"         # invented, see data/SOURCES.md
elevation_ft = 620

[season]
start = "03-15"
end = "11-15"

[timer]                      # what runs today, all season alike
days = ["Mon", "Wed", "Sat"]
start = "03:30"

[timer.minutes]              # per valve
A1 = 40                      # West quad, rotors
A2 = 40                      # East quad, rotors
A3 = 42                      # Grove lawn, rotors
A4 = 14                      # Street strip, sprays
A5 = 16                      # Entrance beds, sprays
A6 = 24                      # South wall bed, drip
A7 = 24                      # North wall bed, drip
A8 = 24                      # Courtyard, drip
B1 = 44                      # North lawn, rotary nozzles
B2 = 16                      # Gate lawn, sprays
B3 = 48                      # Bank, rotary nozzles
B4 = 28                      # Tower shrubs, drip
B5 = 28                      # Car park islands, drip
B6 = 36                      # East hedge, drip

[water]
price_per_kgal = 6.00        # per 1,000 gallons
currency = "USD"

[costs]
device = 275
installation = 150
trench_per_ft = 1.85
wire_per_ft = 0.25
life_years = 10

[hardware.replacement]       # a timer with sensor inputs; the add-on is priced by [costs]
sensors = 6                  # inputs
timer = 480
timer_installation = 220
device = 160                 # each sensor on it
installation = 110

[control]
kinds = ["bypass", "on_demand"]
max_sensors = 8
max_stress_days = 5

[setbacks]
building_ft = 5
paving_ft = 5
boundary_ft = 5
head_ft = 5
zone_edge_ft = 3
downspout_ft = 10

[analysis]
resolution = 0.5
scenarios = 64
seed = 1
"""
BOUNDARY = ((0, 0), (158, 0), (158, 66), (139, 98), (60, 104), (0, 97))

COURTYARD = box(33, 56, 53, 70)
HALL = Polygon(
    ((22, 46), (38, 46), (38, 44.5), (48, 44.5), (48, 46), (64, 46), (64, 80), (22, 80))
).difference(COURTYARD)
TOWER = Polygon(((84, 50), (108, 50), (112, 54), (112, 64), (84, 64)))
WING = Polygon(((124, 63), (144, 63), (144, 74), (134, 74), (134, 90), (124, 90)))
WORKSHOP = Polygon(((8, 13), (21.5, 15), (20, 25.5), (6.5, 23.5)))
#: name -> (walls, height [m])
BUILDINGS: dict[str, tuple[BaseGeometry, float]] = {
    "hall": (HALL, 12.0),
    "tower": (TOWER, 15.0),
    "wing": (WING, 9.0),
    "workshop": (WORKSHOP, 6.0),
}

CAR_PARK = box(114, 10, 152, 40).buffer(-2).buffer(2)
ISLANDS = shapely.union_all(
    [
        box(119, 23.2, 130.5, 27).buffer(-1.2).buffer(1.2),
        box(134.5, 23.2, 147, 27).buffer(-1.2).buffer(1.2),
        curve(((142, 10.6), (151.4, 10.6), (151.4, 19)), closed=True),
    ]
)
MAIN_WALK = ((68.5, 43), (73.2, 52), (73.2, 70), (70, 86), (72, 98))
FRONT_WALK = ((4, 35), (18, 40.6), (60, 41.2), (76, 41.2), (106, 42.4), (116, 38))
GROVE_WALK = ((8, 36), (12, 58), (10, 76), (30, 87), (58, 85.4), (71, 88))
DIAGONAL = ((70, 9), (84, 14), (93, 30), (108, 42))
NORTH_WALK = ((71, 93), (92, 94.5), (118, 95), (129, 89))

#: name -> shape; cut from the ground in this order, before any planting.
PAVING: dict[str, BaseGeometry] = {
    "kerb": box(0, 0, 158, 0.8),
    "sidewalk": box(0, 2.9, 158, 4.9),
    "drive": box(122, 0, 129, 12),
    "entrance walk": box(65.5, 0, 71.5, 44),
    "plaza": Point(68.5, 41.5).buffer(5.5),
    "sundial": Point(45, 22.5).buffer(3.2),
    "hall entry": box(40.5, 41, 45.5, 44.5),
    "tower entry": box(93, 42, 97, 50),
    "wing entry": curve(((126, 64), (119, 61.5), (113, 46), (114.5, 38))).buffer(1.0),
    "main walk": curve(MAIN_WALK).buffer(1.5),
    "front walk": curve(FRONT_WALK).buffer(1.25),
    "grove walk": curve(GROVE_WALK).buffer(0.9),
    "diagonal": curve(DIAGONAL).buffer(1.0),
    "north walk": curve(NORTH_WALK).buffer(0.9),
    "workshop yard": box(9, 4.5, 19, 15),
    "court walk": COURTYARD.difference(box(34.8, 57.8, 51.2, 68.2).buffer(-1.5).buffer(1.5)),
    "car park": CAR_PARK.difference(ISLANDS),
}
#: Mulch around old trunks, not watered: x, y, radius [m].
MULCH = ((5.5, 56.0, 1.6), (16.5, 60.0, 1.2), (84.5, 88.5, 1.2), (43.0, 63.0, 1.0))

#: zone -> shape; earlier ones win, and buildings and paving win over all.
ZONES: dict[str, BaseGeometry] = {
    "Street strip": box(3, 0.8, 119.5, 2.9),
    "Entrance beds": Point(68.5, 4.9).buffer(10.5),
    "South wall bed": box(22.6, 42.9, 63.4, 46),
    "North wall bed": box(23, 80, 62.5, 83.2),
    "Courtyard": COURTYARD,
    "Tower shrubs": curve(
        ((84.5, 50), (108, 50), (107.5, 44.6), (96, 43), (83, 44.8)), closed=True
    ),
    "Car park islands": ISLANDS,
    "East hedge": curve(
        ((153.2, 6), (157.2, 6), (157.4, 34), (156.8, 62), (152.8, 62), (153.6, 34)), closed=True
    ),
    "West quad": curve(
        (
            (26, 5.6),
            (45, 5.6),
            (64.6, 5.6),
            (64.8, 38.8),
            (46, 39.2),
            (25, 38.4),
            (22.6, 31),
            (27, 20),
        ),
        closed=True,
    ),
    "East quad": curve(
        ((73, 5.4), (92, 5.4), (111.5, 5.4), (111.6, 22), (111, 39), (92, 40), (72.6, 40)),
        closed=True,
    ),
    "Gate lawn": curve(((65.4, 46.4), (83, 46.4), (83.2, 62), (82, 82), (65.4, 82)), closed=True),
    "North lawn": curve(
        ((79, 65.6), (98, 65), (118, 65.6), (121, 78), (112, 91.5), (92, 92.5), (78, 90)),
        closed=True,
    ),
    "Grove lawn": curve(
        (
            (2.5, 37),
            (15, 41),
            (20.6, 50),
            (20.6, 70),
            (20.6, 84),
            (44, 83.6),
            (66, 84),
            (68, 92),
            (62, 99.5),
            (34, 98),
            (2.5, 94),
            (2.5, 66),
        ),
        closed=True,
    ),
    "Bank": curve(
        ((115.5, 43.2), (132, 41.6), (151.5, 43), (151.5, 57), (140, 60.6), (120.5, 60)),
        closed=True,
    ),
}

_COLUMNS = (
    "valve", "controller", "plants", "soil", "irrigation", "precipitation_rate",
    "distribution_uniformity", "root_depth", "slope", "sand", "clay", "new_sod",
)  # fmt: skip
_SL, _CL = "sandy loam", "clay loam"
_WARM, _COOL = "warm_season_turf", "cool_season_turf"
_BED, _COVER, _ROTARY = "perennials", "groundcover", "rotary_nozzle"
#: What each zone is: precipitation rate [mm/h], root depth [m], slope, sand, clay [%].
ATTRIBUTES: dict[str, tuple[Any, ...]] = {
    "West quad": ("A1", "A", _WARM, _SL, "rotor", 13.0, 0.68, None, 1.0, None, None, False),
    "East quad": ("A2", "A", _WARM, _SL, "rotor", 13.0, 0.66, None, 1.5, None, None, False),
    "Grove lawn": ("A3", "A", _COOL, _SL, "rotor", 12.0, 0.62, None, 3.0, None, None, False),
    "Street strip": ("A4", "A", _WARM, _SL, "spray", 42.0, 0.52, None, 2.0, None, None, False),
    "Entrance beds": ("A5", "A", "annuals", _SL, "spray", 38.0, 0.60, None, 1.0, None, None, False),
    "South wall bed": ("A6", "A", _BED, _SL, "drip", 20.0, 0.85, None, 1.0, None, None, False),
    "North wall bed": ("A7", "A", _BED, _SL, "drip", 20.0, 0.85, None, 1.0, None, None, False),
    "Courtyard": ("A8", "A", _COVER, _SL, "drip", 18.0, 0.85, None, 0.5, None, None, False),
    "North lawn": ("B1", "B", _COOL, _SL, _ROTARY, 11.5, 0.70, None, 2.0, None, None, False),
    "Gate lawn": ("B2", "B", _WARM, _SL, "spray", 40.0, 0.60, 0.15, 2.0, None, None, True),
    "Bank": ("B3", "B", _WARM, None, _ROTARY, 11.0, 0.66, None, 22.0, 62.0, 13.0, False),
    "Tower shrubs": ("B4", "B", "shrubs", _SL, "drip", 16.0, 0.86, None, 1.0, None, None, False),
    "Car park islands": ("B5", "B", _COVER, _SL, "drip", 18.0, 0.82, 0.3, 1.0, None, None, False),
    "East hedge": ("B6", "B", "shrubs", _CL, "drip", 12.0, 0.86, None, 2.0, None, None, False),
}  # fmt: skip

#: Head spacing of the sprinkled zones [m].
SPACING = {
    "West quad": 9.5, "East quad": 9.5, "Grove lawn": 9.0, "Street strip": 3.6,
    "Entrance beds": 3.4, "North lawn": 7.0, "Gate lawn": 4.2, "Bank": 7.0,
}  # fmt: skip

_OAK, _PINE, _MAPLE, _SMALL = 0.15, 0.30, 0.20, 0.25
#: x, y, height, crown diameter, trunk diameter [m], share of the sun let through in leaf.
TREES: tuple[tuple[float, ...], ...] = (
    (6.0, 44.5, 17, 11.0, 0.62, _OAK), (15.5, 47.5, 15, 9.5, 0.50, _OAK),
    (5.5, 56.0, 19, 12.5, 0.75, _OAK), (16.5, 60.0, 14, 8.5, 0.42, _MAPLE),
    (5.2, 68.5, 21, 9.0, 0.55, _PINE), (15.8, 72.0, 18, 11.0, 0.60, _OAK),
    (5.8, 81.5, 16, 10.0, 0.48, _MAPLE), (8.5, 89.0, 22, 8.5, 0.58, _PINE),
    (20.5, 90.0, 17, 11.5, 0.64, _OAK), (30.5, 94.0, 15, 9.0, 0.45, _MAPLE),
    (40.0, 90.5, 13, 8.0, 0.38, _MAPLE), (49.5, 95.5, 18, 11.0, 0.61, _OAK),
    (60.0, 91.5, 14, 9.0, 0.44, _MAPLE), (3.2, 94.5, 20, 8.0, 0.52, _PINE),
    (29.0, 11.0, 9, 7.0, 0.28, _SMALL), (33.5, 35.0, 11, 8.0, 0.34, _MAPLE),
    (57.5, 35.0, 10, 7.5, 0.31, _MAPLE), (79.0, 35.5, 12, 8.5, 0.36, _MAPLE),
    (107.5, 11.0, 13, 9.0, 0.40, _OAK), (96.0, 9.5, 8, 6.0, 0.22, _SMALL),
    (25.2, 30.0, 12, 8.5, 0.38, _OAK),
    (14.0, 1.85, 6, 4.5, 0.16, _SMALL), (30.0, 1.85, 6, 4.5, 0.17, _SMALL),
    (46.0, 1.85, 7, 5.0, 0.19, _SMALL), (84.0, 1.85, 6, 4.5, 0.16, _SMALL),
    (101.0, 1.85, 6.5, 5.0, 0.18, _SMALL),
    (122.5, 25.1, 8, 6.5, 0.24, _SMALL), (138.0, 25.1, 8, 6.0, 0.23, _SMALL),
    (144.0, 25.1, 7.5, 6.0, 0.22, _SMALL), (149.0, 13.0, 7, 5.5, 0.20, _SMALL),
    (117.0, 80.5, 16, 10.0, 0.50, _OAK), (84.5, 88.5, 14, 9.0, 0.43, _MAPLE),
    (100.0, 99.0, 19, 8.0, 0.50, _PINE), (112.0, 98.0, 20, 8.5, 0.55, _PINE),
    (85.0, 100.5, 18, 8.0, 0.49, _PINE), (128.0, 97.5, 17, 10.0, 0.56, _OAK),
    (140.5, 84.0, 12, 8.0, 0.36, _MAPLE), (148.5, 68.0, 13, 8.5, 0.39, _MAPLE),
    (149.0, 53.5, 10, 7.0, 0.30, _MAPLE), (43.0, 63.0, 7, 6.0, 0.20, _SMALL),
)  # fmt: skip

#: building -> paper points near the corners that carry a downspout.
SPOUTS: dict[str, tuple[XY, ...]] = {
    "hall": ((22, 46), (64, 46), (64, 80), (22, 80)),
    "tower": ((84, 50), (112, 64), (84, 64)),
    "wing": ((124, 63), (144, 63), (134, 90)),
    "workshop": ((21, 15), (7, 23)),
}
#: kind, name, x, y
FIXTURES: tuple[tuple[str, str | None, float, float], ...] = (
    ("controller", "A", 64.3, 50.0), ("controller", "B", 112.3, 61.0),
    ("valve_box", "A north", 66.2, 83.4), ("valve_box", "A south", 63.4, 5.5),
    ("valve_box", "A west", 21.2, 42.8), ("valve_box", "B tower", 114.2, 64.6),
    ("valve_box", "B east", 153.0, 41.0), ("meter", None, 73.5, 5.3),
    ("backflow", None, 75.2, 5.6), ("light", None, 63.8, 40.0), ("light", None, 112.4, 43.6),
)  # fmt: skip

#: Catch cans on a grid in this part of the east quad [m]; the rotors near its middle are worn.
CANS_FROM, CANS_TO, CANS_STEP = (90.0, 9.0), (110.0, 36.0), 4.5


def _ground() -> dict[str, BaseGeometry]:
    """Return everything that lies on the ground, cut into one coverage, and its boundary."""
    walls = {name: walls for name, (walls, _) in BUILDINGS.items()}
    mulch = {f"mulch {i}": Point(x, y).buffer(r, 6) for i, (x, y, r) in enumerate(MULCH)}
    placed = {k: FRAME.place(v) for k, v in (walls | PAVING | mulch | ZONES).items()}
    return partition(placed, within=FRAME.place(Polygon(BOUNDARY)))


def _fixtures(zones: dict[str, BaseGeometry]) -> list[dict[str, Any]]:
    """Return the fixtures: controllers and boxes, downspouts, then heads."""
    rows: list[dict[str, Any]] = [
        {"kind": kind, "valve": None, "name": name, "geometry": FRAME.place(Point(x, y))}
        for kind, name, x, y in FIXTURES
    ]
    for name, points in SPOUTS.items():
        rows += [
            {"kind": "downspout", "valve": None, "name": None, "geometry": FRAME.place(spout)}
            for spout in downspouts(BUILDINGS[name][0], corners=points)
        ]
    for zone, spacing in SPACING.items():
        valve = ATTRIBUTES[zone][0]
        rows += [
            {"kind": "head", "valve": valve, "name": None, "geometry": head}
            for head in heads(zones[zone], spacing=spacing)
        ]
    return rows


def _cans(zone: BaseGeometry, sprinklers: list[BaseGeometry]) -> list[dict[str, Any]]:
    """Return invented catch-can depths: more near a head, less in the middle of the lawn."""
    rng = np.random.default_rng(20)
    east, north = (np.arange(a, b, CANS_STEP) for a, b in zip(CANS_FROM, CANS_TO, strict=True))
    spots = [FRAME.place(Point(x, y)) for y in north for x in east]
    nozzles = shapely.union_all(sprinklers)
    rows = []
    for spot in (s for s in spots if zone.contains(s)):
        near = np.exp(-spot.distance(nozzles) / 3.0)
        depth = 2.6 + 1.6 * near + rng.normal(0.0, 0.25)
        rows.append({"depth": round(float(max(depth, 0.5)), 1), "geometry": spot})
    return rows


def campus() -> Drawing:
    """Draw the campus.

    Returns
    -------
    Drawing
        Rows of every layer; lengths in metres, can depths in millimetres.
    """
    ground = _ground()
    fixtures = _fixtures(ground)
    of_east = [r["geometry"] for r in fixtures if r["valve"] == ATTRIBUTES["East quad"][0]]
    tree_columns = ("height", "crown_diameter", "trunk_diameter", "transmissivity")
    return Drawing(
        folder="campus",
        crs=CRS,
        settings=PROPERTY,
        layers={
            "boundary": [{"name": "campus", "geometry": ground["boundary"]}],
            "hydrozones": [
                {
                    "zone": z,
                    **dict(zip(_COLUMNS, ATTRIBUTES[z], strict=True)),
                    "geometry": ground[z],
                }
                for z in ATTRIBUTES
            ],
            "buildings": [
                {"name": name, "height": height, "geometry": ground[name]}
                for name, (_, height) in BUILDINGS.items()
            ],
            "trees": [
                dict(zip(tree_columns, row[2:], strict=True))
                | {"geometry": FRAME.place(Point(row[:2]))}
                for row in TREES
            ],
            "paving": [{"name": name, "geometry": ground[name]} for name in PAVING],
            "fixtures": fixtures,
            "cans": _cans(ground["East quad"], of_east),
        },
    )
