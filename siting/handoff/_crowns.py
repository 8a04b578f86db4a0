"""Tree crowns as shapes, for map and sheet alike."""

from __future__ import annotations

import math

import geopandas as gpd
from shapely.geometry.base import BaseGeometry

__all__ = ["crown_shapes"]


def crown_shapes(trees: gpd.GeoDataFrame) -> list[BaseGeometry | None]:
    """Return the crown of every tree: the drawn one, or a circle of its diameter.

    Result: None where neither is known.
    """
    shapes: list[BaseGeometry | None] = []
    for _, tree in trees.iterrows():
        crown, width = tree["crown"], float(tree["crown_diameter"])
        if isinstance(crown, BaseGeometry) and not crown.is_empty:
            shapes.append(crown)
        elif math.isfinite(width) and width > 0:
            shapes.append(tree.geometry.buffer(width / 2, quad_segs=8))
        else:
            shapes.append(None)
    return shapes
