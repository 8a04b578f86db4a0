"""The words a property may use, in one place: plants, soils, irrigation, fixtures."""

from __future__ import annotations

from typing import Final

__all__ = [
    "AIMS",
    "BUDGETS",
    "BUDGET_USES",
    "CONTROL_KINDS",
    "FIXTURES",
    "HARDWARE_KINDS",
    "IRRIGATION",
    "MONTHS",
    "PICTURE_LAYERS",
    "PLANTS",
    "RASTER_LAYERS",
    "SOILS",
    "TURF_TABLES",
    "VECTOR_LAYERS",
    "WEEKDAYS",
]

#: What a plan is for: as today, or every zone within its limit.
AIMS: Final = ("as_today", "within_limit")

PLANTS: Final = (
    "cool_season_turf",
    "warm_season_turf",
    "groundcover",
    "shrubs",
    "trees",
    "perennials",
    "annuals",
    "vegetables",
    "desert_plants",
    "mixed",
)

#: USDA texture classes.
SOILS: Final = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "silt",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "sandy clay",
    "silty clay",
    "clay",
)

#: Published sets of monthly turf coefficients, by where they were measured.
TURF_TABLES: Final = ("florida", "south_florida", "california", "arizona", "new_mexico")

IRRIGATION: Final = ("spray", "rotor", "rotary_nozzle", "impact", "bubbler", "drip")

FIXTURES: Final = (
    "controller",
    "valve_box",
    "head",
    "downspout",
    "backflow",
    "meter",
    "hydrant",
    "light",
    "other",
)

VECTOR_LAYERS: Final = (
    "boundary",
    "hydrozones",
    "buildings",
    "trees",
    "walls",
    "paving",
    "fixtures",
    "cans",
    "soils",
    "paths",
    "utilities",
)

#: Heights of everything that shades; of the bare ground.
RASTER_LAYERS: Final = ("surface", "terrain")

#: Only to look at: an aerial photo behind the map.
PICTURE_LAYERS: Final = ("aerial",)

#: Published water budgets, and the uses that the state ordinance tells apart.
BUDGETS: Final = ("mwelo", "epa")
BUDGET_USES: Final = ("residential", "non_residential")

CONTROL_KINDS: Final = ("bypass", "on_demand")

#: A module beside the existing 24 V AC timer; a timer with sensor inputs in its place.
HARDWARE_KINDS: Final = ("add_on", "replacement")

WEEKDAYS: Final = (
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
)

MONTHS: Final = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)
