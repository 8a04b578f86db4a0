"""The best point of every zone, and what it would cost to connect it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats
from siting.decide.choose import TOGETHER
from siting.decide.money import sensor_yearly_cost
from siting.errors import NoAdmissibleGroundError
from siting.parts import each_part
from siting.place.placement import MARGIN_M, Placement, chances_there, place_sensor
from siting.place.rank import Chances
from siting.place.setbacks import (
    Hazards,
    Undrawn,
    ground_hazards,
    hazards_of_zone,
    land_forms,
    root_protection_radius,
    setback_hazards,
    undrawn,
)
from siting.site.crs import WGS84, transformer
from siting.site.model import Site
from siting.site.settings import Costs, Setbacks
from siting.stages import Keeper, kept_beside
from siting.threads import one_blas_thread
from siting.units import UnitsName, show
from siting.wire.districts import DistrictNetwork, Land, is_large, routes_by_district
from siting.wire.routes import (
    BED_FACTOR,
    DECODER_M,
    LINK_M,
    PAVING_FACTOR,
    ROOTS_FACTOR,
    PricedGround,
    TrenchNetwork,
    WireRoutes,
    wire_routes,
)
from siting.zones.application import Unevenness, ZoneApplication
from siting.zones.ground import Ground, Progress

_MOST_WIRE_SHARE: Final = 10.0
_PATCHES: Final = 5  # patches that are told one by one
#: With more hazards than this only those near a zone are looked at, within this of its size [m].
_MANY: Final = 2_000
_NEAR_M: Final = 60.0
#: Zones that are a part of the work together on a large property: to hand one over takes as long as
#: to hand over a few.
_A_PART: Final = 8


def all_hazards(site: Site, setbacks: Setbacks) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """List everything that a sensor must keep away from.

    Parameters
    ----------
    site : Site
        The property.
    setbacks : Setbacks
        The user's distances.

    Returns
    -------
    hazards : GeoDataFrame
        As from `siting.place.setbacks.setback_hazards`.
    warnings : tuple of str
        Zones where the terrain could not guide the choice.
    """
    drawn = setback_hazards(
        site.hydrozones,
        boundary=site.boundary,
        buildings=site.buildings,
        paving=site.paving,
        trees=site.trees,
        fixtures=site.fixtures,
        setbacks=setbacks,
    )
    land = None
    if site.terrain is not None:
        land = land_forms(
            site.terrain, boundary=site.boundary, slope_percent=setbacks.slope_percent
        )
    further, warnings = ground_hazards(
        site.hydrozones,
        setbacks=setbacks,
        paths=site.paths,
        utilities=site.utilities,
        land=land,
    )
    if further.empty:
        return drawn, warnings
    joined = pd.concat([drawn, further], ignore_index=True)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=drawn.crs), warnings


def site_undrawn(site: Site) -> list[Undrawn]:
    """Return what a property's surface raster shows and its drawing lacks, the largest first.

    Parameters
    ----------
    site : Site
        The property.

    Returns
    -------
    list of Undrawn
        Patches; none without a surface.
    """
    if site.surface is None:
        return []
    radius = site.trees["crown_diameter"].to_numpy(dtype=float) / 2
    crowns = shapely.buffer(site.trees.geometry.to_numpy(), np.nan_to_num(radius, nan=3.0))
    outlines = [crown for crown in site.trees["crown"] if crown is not None]
    walls = [] if site.walls is None else list(site.walls.geometry)
    drawn = shapely.union_all([*site.buildings.geometry, *crowns, *outlines, *walls])
    return undrawn(site.surface, site.terrain, drawn=drawn, boundary=site.boundary)


def undrawn_words(site: Site, units: UnitsName) -> tuple[str, ...]:
    """Tell what a surface raster shows and the drawing lacks, with its area and place.

    Parameters
    ----------
    site : Site
        The property.
    units : {"metric", "us"}
        Units of the sizes.

    Returns
    -------
    tuple of str
        One sentence for the five largest patches, one for the rest; nothing without a surface.
    """
    found = site_undrawn(site)
    told = [
        f"{show(patch.area_m2, 'area', units)}, up to {show(patch.height_m, 'length', units)} "
        f"high, {_whereabouts(site, patch, units)}"
        for patch in found[:_PATCHES]
    ]
    if not told:
        return ()
    more = found[_PATCHES:]
    rest = sum(patch.area_m2 for patch in more)
    tail = f"; and {len(more)} more, {show(rest, 'area', units)} in all" if more else ""
    return (
        "the surface raster stands high where no crown, building or wall is drawn: "
        f"{'; '.join(told)}{tail}. It shades here as if nothing passed through it; draw what it "
        "is (`siting draw --undrawn` takes it over), or the ranks about it are as wrong as that",
    )


def _whereabouts(site: Site, patch: Undrawn, units: UnitsName) -> str:
    """Say in which zone a patch lies, or how far from which, and its coordinates."""
    point = shapely.Point(patch.x, patch.y)
    away = site.hydrozones.geometry.distance(point)
    zone, metres = away.idxmin(), float(away.min())
    near = f"over {zone}" if metres == 0 else f"{show(metres, 'length', units)} from {zone}"
    to = transformer(site.crs, WGS84)
    longitude, latitude = to.transform(patch.x, patch.y)
    return f"{near} (at {latitude:.6f}, {longitude:.6f})"


def place_zones(
    site: Site,
    ground: Ground,
    hazards: gpd.GeoDataFrame,
    *,
    application: Mapping[str, ZoneApplication],
    units: UnitsName,
    threads: int = 1,
    progress: Progress | None = None,
    keep: Keeper | None = None,
) -> list[Placement]:
    """Choose the driest representative point of every zone.

    Parameters
    ----------
    site : Site
        The property.
    ground : Ground
        Points and dryness.
    hazards : GeoDataFrame
        As from `siting.place.setbacks.setback_hazards`.
    application : mapping of str to ZoneApplication
        What is known of each zone's application pattern.
    units : {"metric", "us"}
        Units of the lengths in words.
    threads : int
        Zones worked on at a time; the result does not depend on it.
    progress : callable or None
        Called with every few zones.
    keep : Keeper, optional
        Keeps the points of every few zones; it rests on what they are chosen from.

    Returns
    -------
    list of Placement
        In the order of the zones.

    Raises
    ------
    NoAdmissibleGroundError
        Naming the zone that has no ground for a sensor.
    """
    zones, shapes = ground.pixels.zones, site.hydrozones.geometry.to_numpy()
    of_zone, boxes = _hazards_by_zone(hazards, site), _controllers(site)

    def asked(z: int) -> _Asked:
        return _Asked(
            zones[z],
            shapes[z],
            (ground.pixels.sample_x[z], ground.pixels.sample_y[z], ground.samples[z]),
            of_zone(zones[z]),
            application[zones[z]].unknown,
            _controller_of(boxes, z, shapes[z]),
            units,
        )

    every, together = range(len(zones)), _A_PART if len(zones) > TOGETHER else 1
    parts = ([asked(z) for z in every[at : at + together]] for at in every[::together])
    placements: list[Placement] = []
    if progress is not None:
        progress("Placing sensors", 0, len(zones))
    for found in each_part(_place, parts, threads=threads, stage="place", keep=keep):
        placements += found
        if progress is not None:
            progress("Placing sensors", len(placements), len(zones))
    return placements


def point_chances(
    site: Site,
    ground: Ground,
    hazards: gpd.GeoDataFrame,
    zone: str,
    *,
    point: tuple[float, float],
    error: float,
    application: Mapping[str, ZoneApplication],
) -> Chances:
    """Return what is expected of the true rank of a point in a zone, as one dug already.

    Parameters
    ----------
    site : Site
        The property.
    ground : Ground
        Points and dryness.
    hazards : GeoDataFrame
        As from `siting.place.setbacks.setback_hazards`.
    zone : str
        Its zone.
    point : tuple of float
        x and y [m].
    error : float
        Standard deviation of where it is, along each axis [m].
    application : mapping of str to ZoneApplication
        What is known of each zone's application pattern.

    Returns
    -------
    Chances
        Among the ground of the zone where a sensor may lie.
    """
    z, pixels = ground.pixels.zones.index(zone), ground.pixels
    return chances_there(
        site.hydrozones.geometry.loc[zone],
        point,
        samples=(pixels.sample_x[z], pixels.sample_y[z], ground.samples[z]),
        hazards=hazards_of_zone(hazards, zone),
        error=error,
        unknown=application[zone].unknown,
    )


class _Asked(NamedTuple):
    """What the best point of a zone rests on; samples: x, y and dryness."""

    zone: str
    shape: BaseGeometry
    samples: tuple[Floats, Floats, Floats]
    hazards: Hazards
    unknown: Unevenness
    landmark: tuple[float, float] | None
    units: UnitsName


@one_blas_thread
def _place(zones: Sequence[_Asked]) -> list[Placement]:
    """Choose the best point of some zones."""
    return [_best_point(asked) for asked in zones]


def _best_point(asked: _Asked) -> Placement:
    """Choose the best point of a zone."""
    x, y, dryness = asked.samples
    try:
        return place_sensor(
            asked.shape, x=x, y=y, dryness=dryness, hazards=asked.hazards,
            application_cv=asked.unknown, margin=MARGIN_M, landmark=asked.landmark,
            units=asked.units,
        )  # fmt: skip
    except NoAdmissibleGroundError as error:
        msg = f"zone {asked.zone}: {error}"
        raise NoAdmissibleGroundError(msg) from error


def _hazards_by_zone(table: gpd.GeoDataFrame, site: Site) -> Callable[[str], Hazards]:
    """Return what finds the hazards of a zone; where there are many, those that lie near it.

    A zone's own edge is nearer to any point of it than what is left out.
    """
    hazards, zones = Hazards.of(table), table["zone"].to_numpy(dtype=object)
    of_all, every = pd.isna(zones), np.arange(zones.size)
    tree = shapely.STRtree(hazards.shapes) if zones.size > _MANY else None

    def of_zone(zone: str) -> Hazards:
        near = every
        if tree is not None:
            shape = site.hydrozones.geometry.loc[zone]
            (west, south, east, north) = shape.bounds
            reach = _NEAR_M + max(east - west, north - south)
            near = np.sort(tree.query(shape, predicate="dwithin", distance=reach))
        return hazards.take(near[of_all[near] | (zones[near] == zone)])

    return of_zone


class _Controllers(NamedTuple):
    """Names and shapes of the controllers, and each zone's own by name."""

    names: NDArray[np.object_]
    shapes: NDArray[np.object_]
    of_zone: NDArray[np.object_]


def _controllers(site: Site) -> _Controllers:
    is_one = site.fixtures["kind"].to_numpy() == "controller"
    return _Controllers(
        site.fixtures["name"].to_numpy(dtype=object)[is_one],
        site.fixtures.geometry.to_numpy()[is_one],
        site.hydrozones["controller"].to_numpy(dtype=object),
    )


def _controller_of(
    boxes: _Controllers, zone: int, shape: BaseGeometry
) -> tuple[float, float] | None:
    """Return where a zone's controller stands, else the nearest; None where none is drawn."""
    if not boxes.shapes.size:
        return None
    own = boxes.shapes[boxes.names == boxes.of_zone[zone]]
    shapes = own if own.size else boxes.shapes
    nearest = shapes[int(np.argmin(shapely.distance(shapes, shape)))]
    return float(nearest.x), float(nearest.y)


def trench_network(site: Site, placements: list[Placement]) -> TrenchNetwork | None:
    """Return what prices the trenches of any set of sensors; None where no controller is drawn.

    Returns on the best point of every zone.
    """
    boxes = _controllers(site)
    if not boxes.shapes.size:
        return None
    places = {str(name): k for k, name in reversed(list(enumerate(boxes.names)))}
    points = np.array([(at.x, at.y) for at in placements])
    controllers = shapely.get_coordinates(boxes.shapes)
    owner = np.array([places.get(str(own), -1) for own in boxes.of_zone])
    valves = site.fixtures.geometry.to_numpy()[site.fixtures["kind"].to_numpy() == "valve_box"]
    if is_large(len(points), len(site.buildings), len(controllers)):
        return DistrictNetwork(
            points,
            controllers,
            owner,
            land=_land(site),
            paving_factor=PAVING_FACTOR,
            valve_boxes=shapely.get_coordinates(valves),
        )
    land = {
        "boundary": site.boundary,
        "buildings": site.buildings.geometry,
        "paving": site.paving.geometry,
        "paving_factor": PAVING_FACTOR,
        "priced": priced_ground(site),
        "in_play": ground_in_play(site),
        "valve_boxes": shapely.get_coordinates(valves),
    }
    made = partial(TrenchNetwork, points, controllers, owner, **land)
    return kept_beside("trenches", made, points, controllers, owner, land)


def _land(site: Site) -> Land:
    """Return what trenches of a large site go through and round."""
    return Land.of(
        site.boundary,
        site.buildings.geometry,
        site.paving.geometry,
        priced_ground(site),
        ground_in_play(site),
    )


def sensor_routes(site: Site, sensors: gpd.GeoDataFrame, costs: Costs) -> WireRoutes:
    """Route every sensor to its controller, district by district where the site is large.

    Parameters
    ----------
    site : Site
        The property.
    sensors : GeoDataFrame
        As for `siting.wire.routes.wire_routes`.
    costs : Costs
        Prices of trench and wire.

    Returns
    -------
    WireRoutes
        Routes and lengths.
    """
    count = int((site.fixtures["kind"] == "controller").sum())
    if len(sensors) and is_large(len(sensors), len(site.buildings), count):
        return routes_by_district(sensors, site.fixtures, _land(site), wire_share=wire_share(costs))
    places = sensors[["controller", "geometry"]]
    land = {
        "fixtures": site.fixtures,
        "boundary": site.boundary,
        "buildings": site.buildings,
        "paving": site.paving,
        "priced": priced_ground(site),
        "wire_share": wire_share(costs),
        "in_play": ground_in_play(site),
    }
    return kept_beside("routes", partial(wire_routes, places, **land), places, land)


def ground_in_play(site: Site) -> BaseGeometry | None:
    """Return the ground through which no trench is dug: zones drawn as in play.

    Parameters
    ----------
    site : Site
        The property.

    Returns
    -------
    shapely geometry or None
        None where there is none.
    """
    zones = site.hydrozones
    if "in_play" not in zones.columns or not zones["in_play"].any():
        return None
    return shapely.union_all(zones.geometry[zones["in_play"]].to_numpy())


def connection_costs(network: TrenchNetwork | None, costs: Costs, *, zones: int) -> Floats:
    """Price trench and wire of a sensor in each zone, the trench all its own.

    Trench that sensors share is only known once they are chosen, so this is an upper bound; the
    plan's capital is priced on the trench as routed.

    Returns yearly cost [currency/year], 0 where no controller is drawn, shape (Z,).
    """
    if network is None:
        return np.zeros(zones)
    bare = replace(costs, device=0.0, installation=0.0)
    return sensor_yearly_cost(bare, trench_m=network.own, wire_m=network.wire)


def priced_trench(wires: WireRoutes) -> float:
    """Return the trench as paid for: paving, roots and beds count for more, links beside it.

    Parameters
    ----------
    wires : WireRoutes
        As from `siting.wire.routes.wire_routes`.

    Returns
    -------
    float
        Metres of open trench of the same price [m].
    """
    dug = wires.routes["kind"].to_numpy() == "trench"
    return (
        float(wires.routes["priced_m"].to_numpy(dtype=float)[dug].sum())
        + LINK_M * len(wires.links)
        + DECODER_M * len(wires.decoders)
    )


def wire_share(costs: Costs) -> float:
    """Return the price of a metre of wire in metres of open trench.

    Parameters
    ----------
    costs : Costs
        Prices of trench and wire.

    Returns
    -------
    float
        At most 10; 0 where wire costs nothing [-].
    """
    if costs.wire_per_m <= 0:
        return 0.0
    return float(min(costs.wire_per_m / max(costs.trench_per_m, 1e-9), _MOST_WIRE_SHARE))


def priced_ground(site: Site) -> tuple[PricedGround, ...]:
    """Return what a trench had better go round: roots of trees, then planted beds.

    Roots are eight-sided figures about the protection circles, so that a trench along their edge
    stays clear of them.

    Parameters
    ----------
    site : Site
        The property.

    Returns
    -------
    tuple of PricedGround
        One per kind of ground that there is.
    """
    grounds = []
    if len(site.trees):
        radius = root_protection_radius(
            site.trees["trunk_diameter"].to_numpy(dtype=float),
            crown_diameter=site.trees["crown_diameter"].to_numpy(dtype=float),
        )
        trunks = site.trees.geometry.to_numpy()
        shapes = shapely.buffer(trunks, radius / np.cos(np.pi / 8), quad_segs=2)
        grounds.append(PricedGround("tree roots", shapely.union_all(shapes), ROOTS_FACTOR))
    plants = site.hydrozones["plants"]
    turf = np.array([str(word).endswith("turf") for word in plants], dtype=np.bool_)
    beds = site.hydrozones.geometry.to_numpy()[~turf]
    if len(beds):
        grounds.append(PricedGround("planted bed", shapely.union_all(beds), BED_FACTOR))
    return tuple(grounds)
