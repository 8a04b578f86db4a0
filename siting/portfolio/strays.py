"""Features that no property will ever plan, or that two would: said before anything is planned."""

from __future__ import annotations

import functools
from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from siting.errors import InputError
from siting.portfolio.layers import (
    boundary_shapes,
    column_text,
    layer_crs,
    layer_parts,
    reach_in,
)
from siting.portfolio.model import OWNED, City, Index, Source
from siting.site.findings import some

__all__ = ["strays"]

_Rows = NDArray[np.int64]
_Floats = NDArray[np.float64]
#: Kind of stray -> rows of a table.
_Find = Callable[[gpd.GeoDataFrame], dict[str, _Rows]]


def strays(source: Source, index: Index) -> tuple[str, ...]:
    """Tell which hydrozones, fixtures and cans belong to no property, or to several.

    Result: one note for each layer and kind of stray, with the first features (counted from 1).

    Layers that cannot be read, or not in one CRS, are refused where properties are cut out.
    """
    if not isinstance(source, City) or not index.ids:
        return ()
    try:
        crs = layer_crs(source)
    except InputError:
        return ()

    @functools.cache
    def finder(named: bool) -> _Find:
        return _by_column(source, index, crs) if named else _by_place(source)

    notes: list[str] = []
    for name in OWNED:
        if name not in source.layers:
            continue
        found: dict[str, list[int]] = {}
        first = 1
        for frame in layer_parts(source, name):
            for word, rows in finder(source.owner_column in frame.columns)(frame).items():
                found.setdefault(word, []).extend((rows + first).tolist())
            first += len(frame)
        notes += [
            f"{name} that {word}: {len(rows)} (features {some(rows)} of the layer)"
            for word, rows in found.items()
            if rows
        ]
    return tuple(notes)


def _by_place(city: City) -> _Find:
    """Return what tells the strays of a layer whose features go where they lie."""
    ids, shapes = boundary_shapes(city)
    number = {name: at for at, name in enumerate(sorted({name for name in ids if name}))}
    owner = np.array([number.get(name or "", -1) for name in ids], dtype=np.int64)
    tree = shapely.STRtree(shapes)

    def find(frame: gpd.GeoDataFrame) -> dict[str, _Rows]:
        points = shapely.point_on_surface(frame.geometry.to_numpy())
        feature, boundary = tree.query(points, predicate="intersects")
        pairs = np.unique(np.column_stack([feature, owner[boundary]]), axis=0)
        times = np.bincount(pairs[pairs[:, 1] >= 0, 0], minlength=len(frame))
        return {
            "lie in no property (not planned)": np.flatnonzero(times == 0),
            "lie in several properties (planned in each)": np.flatnonzero(times > 1),
        }

    return find


def _by_column(city: City, index: Index, crs: pyproj.CRS) -> _Find:
    """Return what tells the strays of a layer with a column that names the owner."""
    at = {name: row for row, name in enumerate(index.ids)}

    def find(frame: gpd.GeoDataFrame) -> dict[str, _Rows]:
        owner = np.array([at.get(name or "", -1) for name in column_text(frame, city.owner_column)])
        known = owner >= 0
        bounds = frame.geometry.bounds.to_numpy(dtype=np.float64)
        home = index.bounds[np.where(known, owner, 0)]
        shaped = np.isfinite(home).all(axis=1) & np.isfinite(bounds).all(axis=1)
        out = (bounds[:, :2] > home[:, 2:]).any(axis=1) | (bounds[:, 2:] < home[:, :2]).any(axis=1)
        far = [
            row
            for row in np.flatnonzero(known & shaped & out)
            if not _within(bounds[row], home[row], reach_in(crs, tuple(home[row]), city.reach_m))
        ]
        return {
            f"name no property in {city.owner_column} (not planned)": np.flatnonzero(~known),
            f"lie more than the reach of {city.reach_m:g} m from their property "
            "(not planned)": np.array(far, dtype=np.int64),
            "have no shape (not planned)": np.flatnonzero(known & ~np.isfinite(bounds).all(axis=1)),
        }

    return find


def _within(bounds: _Floats, home: _Floats, reach: tuple[float, float]) -> bool:
    """Tell whether bounds touch a window around others."""
    away = np.maximum(bounds[:2] - home[2:], home[:2] - bounds[2:])
    return bool((away <= np.array(reach)).all())
