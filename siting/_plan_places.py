"""The best point of every zone, and what it would cost to connect it."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from siting._plan_ground import Ground, Progress
from siting.economics import sensor_yearly_cost
from siting.errors import NoAdmissibleGroundError
from siting.placement import Placement, application_cv, hazards_of_zone, place_sensor
from siting.site.model import Site
from siting.site.settings import Costs, UnitsName
from siting.wiring import PAVING_FACTOR, TrenchNetwork, WireRoutes

__all__ = ["connection_costs", "place_zones", "priced_trench", "trench_network"]

_Array = NDArray[np.float64]


def place_zones(
    site: Site,
    ground: Ground,
    hazards: gpd.GeoDataFrame,
    *,
    measured: NDArray[np.bool_],
    uniformity: _Array,
    units: UnitsName,
    progress: Progress | None,
) -> list[Placement]:
    """Choose the driest representative point of every zone.

    Parameters
    ----------
    site : Site
        The property.
    ground : Ground
        Points and dryness.
    hazards : GeoDataFrame
        As from `siting.placement.setback_hazards`.
    measured : ndarray of bool, shape (Z,)
        Zones whose application pattern was measured: no error bar for it.
    uniformity : ndarray, shape (Z,)
        Low-quarter uniformity.
    units : {"metric", "us"}
        Units of the lengths in words.
    progress : callable or None
        Called per zone.

    Returns
    -------
    list of Placement
        In the order of the zones.

    Raises
    ------
    NoAdmissibleGroundError
        Naming the zone that has no ground for a sensor.
    """
    placements = []
    for z, zone in enumerate(ground.pixels.zones):
        try:
            placements.append(
                place_sensor(
                    site.hydrozones.geometry.iloc[z],
                    x=ground.pixels.x[z],
                    y=ground.pixels.y[z],
                    dryness=ground.dryness[z],
                    hazards=hazards_of_zone(hazards, zone),
                    application_cv=0.0 if measured[z] else application_cv(float(uniformity[z])),
                    units=units,
                )
            )
        except NoAdmissibleGroundError as error:
            msg = f"zone {zone}: {error}"
            raise NoAdmissibleGroundError(msg) from error
        if progress is not None:
            progress("Placing sensors", z + 1, len(ground.pixels.zones))
    return placements


def trench_network(site: Site, placements: list[Placement]) -> TrenchNetwork | None:
    """Return what prices the trenches of any set of sensors; None where no controller is drawn.

    Parameters
    ----------
    site : Site
        The property.
    placements : list of Placement
        Best point of every zone.

    Returns
    -------
    TrenchNetwork or None
        On the best point of every zone.
    """
    boxes = site.fixtures[site.fixtures["kind"] == "controller"]
    if boxes.empty:
        return None
    names = [str(name) for name in boxes["name"]]
    owners = [str(owner) for owner in site.hydrozones["controller"]]
    return TrenchNetwork(
        np.array([(at.x, at.y) for at in placements]),
        shapely.get_coordinates(boxes.geometry.to_numpy()),
        np.array([names.index(owner) if owner in names else -1 for owner in owners]),
        boundary=site.boundary,
        buildings=site.buildings.geometry,
        paving=site.paving.geometry,
        paving_factor=PAVING_FACTOR,
    )


def connection_costs(network: TrenchNetwork | None, costs: Costs, *, zones: int) -> _Array:
    """Price trench and wire of a sensor in each zone, the trench all its own.

    Trench that sensors share is only known once they are chosen, so this is an upper bound; the
    plan's capital is priced on the trench as routed.

    Parameters
    ----------
    network : TrenchNetwork or None
        As from `trench_network`.
    costs : Costs
        Prices.
    zones : int
        Number of zones.

    Returns
    -------
    ndarray, shape (Z,)
        Yearly cost [currency/year]; 0 where no controller is drawn.
    """
    if network is None:
        return np.zeros(zones)
    bare = replace(costs, device=0.0, installation=0.0)
    return sensor_yearly_cost(bare, trench_m=network.own, wire_m=network.wire)


def priced_trench(wires: WireRoutes) -> float:
    """Return the trench as paid for: what is under paving counts `PAVING_FACTOR` times [m]."""
    trench = wires.routes[wires.routes["kind"] == "trench"]
    return float(trench["length_m"].sum() + (PAVING_FACTOR - 1) * trench["paved_m"].sum())
