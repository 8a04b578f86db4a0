"""What wiring takes and gives: priced ground, and routes with their lengths."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

__all__ = ["DECODER_M", "DETOUR_M", "LINK_M", "PricedGround", "WireRoutes", "disjoint"]

Floats = NDArray[np.float64]

#: How far outside the ends of routes a corner may lie at which one turns [m].
DETOUR_M: Final = 10.0

#: What a wireless link costs in metres of open trench: a sender, a receiver and their fitting;
#: common practice, no source.
LINK_M: Final = 25.0

#: What a decoder at a valve box costs in metres of open trench, beside the trench from the box to
#: the sensor: the decoder, its share of the receiver at the controller and the fitting, as it talks
#: over the wires that lie there; common practice, no source.
DECODER_M: Final = 12.0


class PricedGround(NamedTuple):
    """Ground that a route had better go round.

    Parameters
    ----------
    name : str
        What it is called in `WireRoutes.routes`, such as "tree roots".
    shape : shapely geometry
        Where.
    factor : float
        Price of a metre through it in metres of open trench, at least 1.
    """

    name: str
    shape: BaseGeometry
    factor: float


class WireRoutes(NamedTuple):
    """Routes and lengths.

    Parameters
    ----------
    routes : GeoDataFrame
        Trenches first, then wires, then those from valve boxes: sensor_id (of a trench: all that
        share it, comma-separated), controller (or the valve box that holds its decoder), kind
        ("trench" or "wire"), conductors (in it), length_m, crosses ("paving" and the names of other
        priced ground, comma-separated), paved_m (length under paving), priced_m (length in metres
        of open trench of the same price), geometry (LineString).
    lengths : DataFrame
        Index of the sensors; controller, wire_m (path to the controller), trench_m (its share:
        each stretch is divided equally among the wires in it), gauge_awg (the thinnest wire that
        keeps the voltage; 0 where unknown), drop_v (voltage that it loses); NaN where unknown.
    warnings : tuple of str
        What could not be routed, and why.
    links : tuple of str
        Sensors that no trench may reach, because ground in play lies about them or in the way: each
        needs a wireless link, at the price of `LINK_M`; their wire and trench are 0.
    decoders : tuple of str
        Sensors that no trench from their controller may reach, but one from a valve box, where that
        is cheaper than a wireless link: each needs a decoder in the box, at the price of
        `DECODER_M`; wire and trench are those from the box.
    """

    routes: gpd.GeoDataFrame
    lengths: pd.DataFrame
    warnings: tuple[str, ...] = ()
    links: tuple[str, ...] = ()
    decoders: tuple[str, ...] = ()

    def link(self, sensor_id: str) -> str:
        """Return what takes the place of a wire to a sensor's controller: "" where none does."""
        if sensor_id in self.links:
            return "wireless"
        return "decoder" if sensor_id in self.decoders else ""


def disjoint(
    priced: Sequence[PricedGround], dear: BaseGeometry, places: Floats
) -> list[PricedGround]:
    """Cut priced ground so that none overlaps, and keep what lies where routes may go.

    Parameters
    ----------
    priced : sequence of PricedGround
        The first counts where they overlap.
    dear : shapely geometry
        Paving, which counts before all.
    places : ndarray, shape (K, 2)
        Ends of the routes [m].

    Returns
    -------
    list of PricedGround
        No two of them overlap, nor any the dear ground.
    """
    west, south = places.min(axis=0) - 4 * DETOUR_M
    east, north = places.max(axis=0) + 4 * DETOUR_M
    taken, kept = dear, []
    for ground in priced:
        shape = shapely.clip_by_rect(ground.shape, west, south, east, north)
        shape = shapely.difference(shapely.make_valid(shape), taken)
        taken = shapely.union(taken, shape)
        if not shape.is_empty:
            kept.append(PricedGround(ground.name, shape, ground.factor))
    return kept
