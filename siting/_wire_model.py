"""What wiring takes and gives: priced ground, and routes with their lengths."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import pandas as pd
from shapely.geometry.base import BaseGeometry

__all__ = ["PricedGround", "WireRoutes"]


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
        Trenches first, then wires: sensor_id (of a trench: all that share it, comma-separated),
        controller, kind ("trench" or "wire"), conductors (in it), length_m, crosses ("paving" and
        the names of other priced ground, comma-separated), paved_m (length under paving), priced_m
        (length in metres of open trench of the same price), geometry (LineString).
    lengths : DataFrame
        Index of the sensors; controller, wire_m (path to the controller), trench_m (its share:
        each stretch is divided equally among the wires in it), gauge_awg (the thinnest wire that
        keeps the voltage; 0 where unknown), drop_v (voltage that it loses); NaN where unknown.
    warnings : tuple of str
        What could not be routed, and why.
    """

    routes: gpd.GeoDataFrame
    lengths: pd.DataFrame
    warnings: tuple[str, ...] = ()
