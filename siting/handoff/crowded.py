"""What is drawn of a plan with many zones or trees: what can be seen, and what is near a sensor."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import geopandas as gpd
import shapely

from siting.handoff.drawing import Frame, fit
from siting.language import say
from siting.planning.model import Plan

#: With more zones or trees than this pages are thinned out, and a controller has its own sheets.
_MANY_ZONES: Final = 60
_MANY_TREES: Final = 500
#: Trees of a crowded plan are drawn from this scale on [pt/m], and so far about the window [m].
_CROWNS_FROM: Final = 0.8
_CROWN_M: Final = 15.0
_NAMED_FROM: Final = 30.0  # a zone of a crowded plan is named from this width on [pt]


def is_crowded(plan: Plan) -> bool:
    """Tell whether a plan holds so much that its pages are thinned out and divided."""
    return len(plan.zones) > _MANY_ZONES or len(plan.site.trees) > _MANY_TREES


def is_nameless(plan: Plan, width: float) -> bool:
    """Tell whether a zone of this width on paper [pt] goes without its name."""
    return width < _NAMED_FROM and is_crowded(plan)


def seen_through(plan: Plan, shades: list[str], frame: Frame) -> tuple[Plan, list[str]]:
    """Return what of a crowded plan lies in a window, and the colours of its zones there.

    Trees are left out on a small scale; a plan that is not crowded comes back as it is.
    """
    if not is_crowded(plan):
        return plan, shades
    window, site = shapely.box(*frame.bounds), plan.site
    far = frame.points_per_metre < _CROWNS_FROM
    trees = site.trees.iloc[:0] if far else _within(site.trees, window.buffer(_CROWN_M))
    near = {name: _within(getattr(site, name), window) for name in ("paving", "buildings")}
    seen = plan.zones.intersects(window)
    kept = [shade for shade, here in zip(shades, seen, strict=True) if here]
    return replace(plan, zones=plan.zones[seen], site=replace(site, trees=trees, **near)), kept


def _within(layer: gpd.GeoDataFrame, window: shapely.Geometry) -> gpd.GeoDataFrame:
    """Return the rows of a layer that meet a window."""
    return layer[shapely.intersects(layer.geometry.to_numpy(), window)]


def inset_frame(
    plan: Plan, sensor_id: str, whole: Frame, *, width: float, height: float
) -> tuple[Frame, str]:
    """Return the frame of a sensor's inset, and what it shows: the property, or one district.

    whole: the frame of the property; width, height: of the inset [pt].
    """
    if not is_crowded(plan):
        return whole, say("On the property (north up)")
    owner = plan.sensors["controller"].astype(str).loc[sensor_id]
    mine = plan.zones[plan.zones["controller"].astype(str) == owner]
    shown = mine if len(mine) else plan.zones
    west, south, east, north = (float(v) for v in shown.total_bounds)
    frame = fit((west, south, east, north), width=width, height=height, units=plan.settings.units)
    return frame, say("Among its controller's zones (north up)")
