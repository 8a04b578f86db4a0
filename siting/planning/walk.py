"""Where to probe a property before anything is dug."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import shapely

from siting.decide.places import all_hazards, place_zones
from siting.errors import Fault, InputError
from siting.evidence.field import FEWEST_PLACES
from siting.evidence.walk import WALK_PLACES, spread_places, walking_order
from siting.place.placement import Placement
from siting.planning.make import read_inputs
from siting.site.crs import WGS84, transformer
from siting.site.model import Site
from siting.site.settings import PropertyFile
from siting.threads import one_blas_thread
from siting.zones.ground import Ground, Progress
from siting.zones.survey import Survey, survey_site

#: Without a word of the user's, so many zones are probed, the thirstiest: an hour's walk.
_ZONES: Final = 3
_LEAST_REACH_M: Final = 1.0  # of what is unknown of a zone, to be worth a walk; judgement
_SPOTS: Final = 3  # candidate spots of a zone: the point and its reserves


@dataclass(frozen=True)
class Walk:
    """Where to probe, in walking order.

    Parameters
    ----------
    site : Site
        The property.
    settings : PropertyFile
        What the user asked for.
    places : GeoDataFrame
        Columns place (P1 ...), zone, spot (bool: a candidate for the sensor), lon, lat [deg],
        geometry (Point, working CRS).
    left_out : tuple of str
        Zones that are not probed, because nobody asked for them.
    """

    site: Site
    settings: PropertyFile
    places: gpd.GeoDataFrame
    left_out: tuple[str, ...] = ()


@one_blas_thread
def plan_walk(
    path: Path | str,
    *,
    zones: Sequence[str] = (),
    count: int = WALK_PLACES,
    threads: int = 1,
    progress: Progress | None = None,
) -> Walk:
    """Choose where to probe: places spread over the ground where a sensor may lie, and the spots.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.
    zones : sequence of str
        Which zones; where none are named the three thirstiest, drip left out.
    count : int
        Places in each zone, beside its two or three candidate spots.
    threads : int
        Threads for the sun; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    Walk
        In walking order, from the controller where one is drawn.

    Raises
    ------
    InputError
        With every fault of the property, or zones that it has not.
    """
    settings, site, climate = read_inputs(path)
    strange = [zone for zone in zones if zone not in site.hydrozones.index]
    if strange:
        known_zones = ", ".join(str(zone) for zone in site.hydrozones.index)
        found = f"zone {', '.join(strange)}"
        raise InputError([Fault("--zone", found, f"one of {known_zones}", "Correct the name.")])
    settings = replace(settings, analysis=replace(settings.analysis, scenarios=1))
    survey = survey_site(site, climate, settings, threads=threads, progress=progress)
    hazards, _ = all_hazards(site, settings.setbacks)
    placements = place_zones(
        site, survey.ground, hazards, application=survey.application, units=settings.units,
        threads=threads, progress=progress,
    )  # fmt: skip
    chosen = list(zones) or _thirstiest(survey)
    rows = [
        row
        for z, zone in enumerate(survey.ground.pixels.zones)
        if zone in chosen
        for row in _of_zone(survey.ground, z, placements[z], count)
    ]
    places = _in_order(site, rows)
    names = survey.ground.pixels.zones
    return Walk(site, settings, places, tuple(zone for zone in names if zone not in chosen))


def _thirstiest(survey: Survey) -> list[str]:
    """Return the zones that need water most urgently, of those where a walk can teach anything.

    Under drip a place tells nothing of one a foot away.
    """
    order = survey.measures["need_score"].sort_values(ascending=False, kind="stable")
    names = [str(zone) for zone in order.index]
    wide = [zone for zone in names if survey.application[zone].unknown.reach >= _LEAST_REACH_M]
    return (wide or names)[:_ZONES]


def _of_zone(
    ground: Ground, z: int, placement: Placement, count: int
) -> list[tuple[str, bool, float, float]]:
    """Return the places of one zone: name, whether a spot, x and y."""
    x, y = ground.pixels.x[z], ground.pixels.y[z]
    spots = [(placement.x, placement.y), *((at.x, at.y) for at in placement.reserves)][:_SPOTS]
    open_ground = placement.admissible
    shapely.prepare(open_ground)
    inside = shapely.contains_xy(open_ground, x, y)
    if inside.any():
        x, y = x[inside], y[inside]
    # Places nearer together than a metre tell the same twice.
    most = max(FEWEST_PLACES, int(open_ground.area))
    places = spread_places(x, y, spots=np.array(spots), count=min(count, most))
    zone = ground.pixels.zones[z]
    return [(zone, k < len(spots), float(a), float(b)) for k, (a, b) in enumerate(places)]


def _in_order(site: Site, rows: list[tuple[str, bool, float, float]]) -> gpd.GeoDataFrame:
    """Return the places numbered in the order of the walk."""
    places = np.array([row[2:] for row in rows])
    boxes = site.fixtures[site.fixtures["kind"] == "controller"].geometry
    start = boxes.iloc[0] if len(boxes) else site.boundary.centroid
    order = walking_order(places, (float(start.x), float(start.y)))
    frame = gpd.GeoDataFrame(
        {
            "place": [f"P{k + 1}" for k in range(len(order))],
            "zone": [rows[k][0] for k in order],
            "spot": [rows[k][1] for k in order],
        },
        geometry=gpd.points_from_xy(*places[order].T),
        crs=site.crs,
    )
    longitude, latitude = transformer(site.crs, WGS84).transform(*places[order].T)
    return frame.assign(lon=np.round(longitude, 8), lat=np.round(latitude, 8))
