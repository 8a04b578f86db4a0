"""The invented sports grounds: 3 ha with four fields, a stand and a row of poplars.

Nothing here is a real place. Paper coordinates are metres, y away from the road; the stand is south
of the main field and shades its touchline.
"""

from __future__ import annotations

from demo_drawing import Drawing, Frame, plain_drawing
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

__all__ = ["fields"]

FRAME = Frame(east=560_040.0, north=5_600_120.0, turn=7.0)

PROPERTY = """\
# Invented sports grounds: every name, shape, price and reading in this folder is made up.
name = "Kestrelmoor sports grounds (invented)"
units = "metric"
units_in = "m"
layers = "fields.gpkg"

[weather]
file = "weather.csv"         # invented, see data/SOURCES.md
elevation_m = 310

[season]
start = "04-15"
end = "09-30"

[timer]                      # what runs today: set by a groundsman, near what the turf needs
days = ["Tue", "Fri"]
start = "02:00"

[timer.minutes]              # per valve
1 = 42                       # Main field, rotors
2 = 42                       # Training field, rotors
3 = 38                       # Junior field, rotors
4 = 30                       # Bowling green, rotary nozzles
5 = 22                       # Stand border, drip
6 = 17                       # Poplar strip, sprays

[water]
price = 2.40                 # per m3
currency = "EUR"

[costs]
device = 320
installation = 180
trench_per_m = 9
wire_per_m = 1.1
life_years = 10

[hardware.replacement]       # a timer with sensor inputs; the add-on is priced by [costs]
sensors = 6                  # inputs
timer = 620
timer_installation = 240
device = 210                 # each sensor on it
installation = 140

[control]
kinds = ["bypass", "on_demand"]
max_sensors = 6
max_stress_days = 5

[analysis]
resolution = 1.0             # fields are large; half a metre would tell no more
scenarios = 64
seed = 1
"""

BOUNDARY = Polygon(((0, 0), (192, 0), (192, 170), (2, 171)))
BUILDINGS: dict[str, tuple[BaseGeometry, float]] = {
    "stand": (box(50, 9, 114, 23), 11.0),
    "changing rooms": (box(146, 148, 172, 158), 4.5),
}
PAVING: dict[str, BaseGeometry] = {
    "concourse": box(44, 23, 120, 27),
    "car park": box(128, 3, 188, 22),
    "lane": box(136.5, 22, 139.5, 168),
}
ZONES: dict[str, BaseGeometry] = {
    "Main field": box(30, 31, 135, 99),
    "Training field": box(30, 107, 122, 165),
    "Junior field": box(143, 29, 187, 94),
    "Bowling green": box(146, 104, 184, 142),
    "Stand border": box(50, 3, 114, 7.6),
    "Poplar strip": box(6, 30, 18, 162),
}
#: Valve, controller, plants, soil, irrigation, rate [mm/h], uniformity [-].
ATTRIBUTES = {
    "Main field": ("1", "stand", "cool_season_turf", "sandy loam", "rotor", 12.0, 0.72),
    "Training field": ("2", "stand", "cool_season_turf", "loam", "rotor", 12.0, 0.68),
    "Junior field": ("3", "stand", "cool_season_turf", "loam", "rotor", 12.5, 0.66),
    "Bowling green": ("4", "stand", "cool_season_turf", "loamy sand", "rotary_nozzle", 13.0, 0.76),
    "Stand border": ("5", "stand", "shrubs", "loam", "drip", 16.0, 0.86),
    "Poplar strip": ("6", "stand", "groundcover", "loam", "spray", 36.0, 0.60),
}
#: No trench crosses a pitch or the green.
IN_PLAY = ("Main field", "Training field", "Junior field", "Bowling green")
SPACING = {
    "Main field": 15.0, "Training field": 15.0, "Junior field": 14.0, "Bowling green": 9.0,
    "Poplar strip": 4.5,
}  # fmt: skip
#: x, y, height, crown diameter, trunk diameter [m], share of the sun let through in leaf.
TREES = (
    *((12.0, 34.0 + 12.0 * k, 18.0, 6.0, 0.45, 0.25) for k in range(11)),
    (189.0, 98.0, 9.0, 7.0, 0.35, 0.25),
    (141.5, 99.0, 8.0, 6.0, 0.30, 0.25),
)
#: kind, name, x, y
FIXTURES = (
    ("controller", "stand", 115.0, 16.0),
    ("valve_box", "fields", 136.0, 28.0),
    ("valve_box", "green", 142.0, 98.0),
    ("meter", None, 122.0, 1.5),
    ("backflow", None, 122.0, 3.0),
)
SPOUTS = {"stand": ((50, 23), (114, 23)), "changing rooms": ((146, 158), (172, 158))}


def fields() -> Drawing:
    """Draw the sports grounds.

    Returns
    -------
    Drawing
        Rows of every layer; lengths in metres.
    """
    return plain_drawing(
        "fields",
        "EPSG:25832",
        PROPERTY,
        frame=FRAME,
        boundary=BOUNDARY,
        shapes={"buildings": BUILDINGS, "paving": PAVING, "zones": ZONES},
        rows={
            "zones": ATTRIBUTES,
            "in_play": IN_PLAY,
            "trees": TREES,
            "fixtures": FIXTURES,
        },
        around={"spacing": SPACING, "spouts": SPOUTS},
    )
