"""Every case, in the order of the docs."""

from tests.bad_inputs import (  # noqa: F401 - each module adds its cases
    attributes,
    coordinates,
    disguises,
    propertyfiles,
    rasters,
    shapes,
    weather,
)
from tests.bad_inputs.base import CASES

GROUPS = {
    "crs": "Coordinate reference systems",
    "shapes": "Shapes",
    "attributes": "Attributes",
    "rasters": "Rasters",
    "weather": "Weather",
    "disguise": "Files that are not what they say",
    "property": "Property file",
}

__all__ = ["CASES", "GROUPS"]
