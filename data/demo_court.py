"""The invented courtyard: beds and a small lawn that tall roofs shade on every side.

Nothing here is a real place. Paper coordinates are metres, y away from the street; the street is to
the south. The north bed of the court is the only one there that sees the midday sun.
"""

from __future__ import annotations

from demo_drawing import Drawing, Frame, plain_drawing
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

__all__ = ["court"]

FRAME = Frame(east=603_120.0, north=4_273_040.0, turn=-5.0)

PROPERTY = """\
# An invented courtyard: every name, shape, price and reading in this folder is made up.
name = "Larkstone court (invented)"
units = "us"
units_in = "m"
layers = "court.gpkg"

[weather]
file = "weather.csv"         # invented, see data/SOURCES.md
elevation_ft = 60

[season]
start = "03-15"
end = "11-15"

[timer]                      # what runs today
days = ["Mon", "Wed", "Fri"]
start = "04:30"

[timer.minutes]              # per valve
1 = 22                       # Street lawn, sprays
2 = 24                       # Court lawn, sprays
3 = 45                       # North bed, drip
4 = 45                       # South bed, drip
5 = 20                       # Back strip, sprays

[water]
price_per_kgal = 8.50        # per 1,000 gallons
currency = "USD"

[costs]
device = 260
installation = 150
trench_per_ft = 2.10
wire_per_ft = 0.25
life_years = 10

[hardware.replacement]       # a timer with sensor inputs; the add-on is priced by [costs]
sensors = 4                  # inputs
timer = 420
timer_installation = 190
device = 170                 # each sensor on it
installation = 110

[control]
kinds = ["bypass", "on_demand"]
max_sensors = 5
max_stress_days = 5

[analysis]
resolution = 0.5
scenarios = 64
seed = 1
"""

BOUNDARY = Polygon(((0, 0), (52, 0), (52, 46), (0, 46)))
COURT = box(14, 15, 38, 33)
GATE = box(24, 8, 28, 15)  # an open way through the south wing
BUILDINGS: dict[str, tuple[BaseGeometry, float]] = {
    "house": (box(6, 8, 46, 40).difference(COURT).difference(GATE), 10.0),
}
PAVING: dict[str, BaseGeometry] = {
    "walk": COURT.difference(box(15.6, 16.6, 36.4, 31.4)),
    "north path": box(15.6, 26.2, 36.4, 27.2),
    "south path": box(15.6, 20.4, 36.4, 21.4),
    "entrance": box(24, 0, 28, 15),
}
ZONES: dict[str, BaseGeometry] = {
    "Street lawn": box(2, 1, 50, 7.4),
    "Court lawn": box(16.4, 21.4, 35.6, 26.2),
    "North bed": box(15.6, 27.2, 36.4, 31.4),
    "South bed": box(15.6, 16.6, 36.4, 20.4),
    "Back strip": box(4, 40.8, 48, 45.2),
}
#: Valve, controller, plants, soil, irrigation, rate [mm/h], uniformity [-].
ATTRIBUTES = {
    "Street lawn": ("1", "hall", "warm_season_turf", "clay loam", "spray", 38.0, 0.62),
    "Court lawn": ("2", "hall", "cool_season_turf", "loam", "spray", 38.0, 0.64),
    "North bed": ("3", "hall", "perennials", "loam", "drip", 18.0, 0.85),
    "South bed": ("4", "hall", "shrubs", "loam", "drip", 18.0, 0.85),
    "Back strip": ("5", "hall", "groundcover", "clay loam", "spray", 38.0, 0.62),
}
SPACING = {"Street lawn": 3.6, "Court lawn": 3.6, "Back strip": 3.6}
#: x, y, height, crown diameter, trunk diameter [m], share of the sun let through in leaf.
TREES = (
    (31.5, 29.4, 5.0, 3.6, 0.14, 0.30),
    (9.0, 4.2, 7.0, 5.0, 0.22, 0.25),
    (44.0, 4.2, 7.0, 5.0, 0.22, 0.25),
)
#: kind, name, x, y
FIXTURES = (
    ("controller", "hall", 14.3, 24.0),
    ("valve_box", "court", 15.0, 21.0),
    ("valve_box", "street", 23.4, 7.6),
    ("meter", None, 23.4, 0.4),
    ("backflow", None, 22.6, 7.7),
)
SPOUTS = {"house": ((6, 8), (46, 8), (6, 40), (46, 40))}


def court() -> Drawing:
    """Draw the courtyard.

    Returns
    -------
    Drawing
        Rows of every layer; lengths in metres.
    """
    return plain_drawing(
        "court",
        "EPSG:26910",
        PROPERTY,
        frame=FRAME,
        boundary=BOUNDARY,
        shapes={"buildings": BUILDINGS, "paving": PAVING, "zones": ZONES},
        rows={"zones": ATTRIBUTES, "trees": TREES, "fixtures": FIXTURES},
        around={"spacing": SPACING, "spouts": SPOUTS},
    )
