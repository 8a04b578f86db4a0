"""The words a property may use, in one place: plants, soils, irrigation, fixtures."""

from __future__ import annotations

from typing import Final

__all__ = ["FIXTURES", "IRRIGATION", "PLANTS", "SOILS"]

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
