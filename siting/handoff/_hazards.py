"""What keeps a sensor away, and why, in the words of every hand-off.

The reasons are common practice, no source; the distances are the property's own setbacks.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import shapely

from siting._setbacks import HAZARD_WORDS
from siting.planning import Plan

__all__ = [
    "DECODER_WORDS",
    "LINK_WORDS",
    "hazard_group",
    "hazard_name",
    "hazard_why",
    "keep_clear",
    "lines_drawn",
]

_WHY: Final = {
    "building": "shade, shelter from rain and heat of the wall",
    "paving": "heat and run-off of the paving",
    "boundary": "what the neighbour does is not known",
    "head": "it is wetter there, and pipe lies there",
    "zone_edge": "water of two zones mixes there",
    "downspout": "roof water soaks in there",
    "trunk": "roots to be spared",
    "traffic": "trodden ground",
    "utility": "never dig here by machine, and by hand only once it is located",
    "low_spot": "water stands there",
    "flow_path": "run-off flows there",
    "steep": "water runs off before it soaks in",
}
_ROOM: Final = "room to dig around it"

_GROUP: Final = {
    "utility": "danger", "low_spot": "water", "flow_path": "water", "downspout": "water",
    "steep": "slope",
}  # fmt: skip


def hazard_name(hazard: object) -> str:
    """Return a hazard as people write it.

    >>> hazard_name("low_spot"), hazard_name("valve_box"), hazard_name("utility")
    ('low spot', 'valve box', 'buried pipe or cable')
    """
    return HAZARD_WORDS.get(str(hazard), str(hazard).replace("_", " "))


#: How a sensor is reached that no trench may lead to, and where the lead of one ends that only a
#: valve box can be dug to from.
LINK_WORDS: Final = "no wire: a wireless link, as ground in play lies about it or in the way"
DECODER_WORDS: Final = (
    "a decoder in the nearest valve box, as ground in play lies in the way to the controller"
)


def hazard_why(hazard: object) -> str:
    """Return why a sensor keeps away from it.

    >>> hazard_why("flow_path"), hazard_why("meter")
    ('run-off flows there', 'room to dig around it')
    """
    return _WHY.get(str(hazard), _ROOM)


def hazard_group(hazard: object) -> str:
    """Return the group that a hazard is drawn with: danger, water, slope or thing.

    Result: "thing" for one that is not known.
    """
    return _GROUP.get(str(hazard), "thing")


def keep_clear(hazard: object, distance: str, *, metres: float) -> str:
    """Say what to keep clear of, by how much and why.

    metres: the setback [m].

    >>> keep_clear("low_spot", "0.9 m", metres=0.9)
    'low spot: keep 0.9 m away (water stands there)'
    >>> keep_clear("steep", "0.0 m", metres=0.0)
    'steep ground: not here (water runs off before it soaks in)'
    """
    how = f"keep {distance} away" if metres > 0 else "not here"
    return f"{hazard_name(hazard)}: {how} ({hazard_why(hazard)})"


def lines_drawn(plan: Plan) -> dict[str, gpd.GeoSeries]:
    """Return buried lines and paths that the property draws, as single lines.

    Result: "utility" and "traffic", in the working CRS; left out where nothing is drawn.
    """
    found = {}
    for name, layer in (("utility", plan.site.utilities), ("traffic", plan.site.paths)):
        if layer is None or layer.empty:
            continue
        parts = shapely.get_parts(layer.geometry.to_numpy())
        found[name] = gpd.GeoSeries(parts, crs=layer.crs)
    return found
