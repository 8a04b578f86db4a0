"""Cut one property out of a city, and say which features no property will ever plan."""

from __future__ import annotations

import copy
import functools
import math
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import shapely
import tomli_w
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats, Ints
from siting.errors import Fault, InputError
from siting.portfolio.layers import (
    boundary_shapes,
    column_text,
    layer_crs,
    layer_parts,
    reach_in,
    read_window,
    sound_shapes,
)
from siting.portfolio.model import OWNED, City, Index, Source, Tile
from siting.site.findings import some
from siting.site.property import with_changes
from siting.site.settings import RASTER_LAYERS, VECTOR_LAYERS

_PER_VALVE: Final = ("minutes", "depth_mm", "depth_in")
_ANY_GEOMETRY: Final = "Unknown"


class CityWindow:
    """The layers of a city around some properties.

    city: the portfolio; crs: of its layers; frames: what was read, by layer.
    """

    def __init__(self, city: City, crs: pyproj.CRS, frames: Mapping[str, gpd.GeoDataFrame]) -> None:
        self.city, self.crs, self.frames = city, crs, frames
        self.own = np.array(column_text(frames["boundary"], city.id_column), dtype=object)


def open_window(city: City, tile: Tile) -> CityWindow:
    """Read the layers of a city around a tile.

    Result: the tile's bounds and as far around them as surroundings shade.
    """
    crs = layer_crs(city)
    sound = tile.bounds[np.isfinite(tile.bounds).all(axis=1)]
    if not len(sound):
        return CityWindow(city, crs, {"boundary": gpd.GeoDataFrame({city.id_column: []})})
    west, south = sound[:, :2].min(axis=0)
    east, north = sound[:, 2:].max(axis=0)
    dx, dy = reach_in(crs, (west, south, east, north), city.reach_m)
    bounds = (west - dx, south - dy, east + dx, north + dy)
    frames = {}
    for name in VECTOR_LAYERS:
        if name in city.layers:
            frame = read_window(city.layers[name], name, bounds)
            if frame is not None:
                frames[name] = frame
    return CityWindow(city, crs, frames)


def extract(window: CityWindow, property_id: str, folder: Path) -> Path:
    """Write one property as a folder of its own.

    Result: the property file. Its layers are FlatGeobuf files; weather and rasters are named where
    they lie.

    Features are in an order of their own (by shape and columns), so that what is planned does not
    depend on the order or the index of the city's file.
    """
    city = window.city
    mine = window.frames["boundary"][window.own == property_id]
    ground = shapely.union_all(sound_shapes(mine)) if len(mine) else shapely.Polygon()
    if ground.is_empty:
        found, allowed = f"property {property_id} without a shape that has a place", "a polygon"
        mend = "Draw its boundary."
        raise InputError([Fault(city.path.name, found, allowed, mend, layer="boundary")])
    bounds = ground.bounds
    dx, dy = reach_in(window.crs, bounds, city.reach_m)
    around = (bounds[0] - dx, bounds[1] - dy, bounds[2] + dx, bounds[3] + dy)
    written: dict[str, str] = {}
    frames: dict[str, gpd.GeoDataFrame] = {}
    for name, frame in window.frames.items():
        if name == "boundary":
            part = mine
        elif name in OWNED:
            near = frame.iloc[_touching(frame, around)]
            part = _owned(near, city, property_id, ground)
        else:
            part = frame.iloc[_touching(frame, around)]
        frames[name] = _in_order(part)
        written[name] = f"{name}.fgb"
        _write(frames[name], folder / written[name])
    values = _values(city, mine.iloc[0], property_id, frames["hydrozones"])
    values["layers"] = _layer_table(city, written)
    path = folder / "property.toml"
    path.write_text(tomli_w.dumps(values), encoding="utf-8")
    return path


def _owned(
    frame: gpd.GeoDataFrame, city: City, property_id: str, ground: BaseGeometry
) -> gpd.GeoDataFrame:
    """Return the features that belong to a property: by column, or by where they lie."""
    if city.owner_column and city.owner_column in frame.columns:
        owner = np.array(column_text(frame, city.owner_column), dtype=object)
        return frame[owner == property_id]
    near = frame.iloc[_touching(frame, ground.bounds)]
    points = shapely.point_on_surface(near.geometry.to_numpy())
    return near[shapely.intersects(points, ground)]


def _touching(frame: gpd.GeoDataFrame, bounds: tuple[float, float, float, float]) -> Ints:
    """Return the rows whose bounding box touches a window."""
    if frame.empty:
        return np.zeros(0, dtype=np.int64)
    return np.asarray(np.sort(frame.sindex.intersection(bounds)), dtype=np.int64)


def _in_order(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the rows in an order that depends on nothing but themselves."""
    columns = [c for c in frame.columns if c != frame.geometry.name]
    shapes = shapely.to_wkb(frame.geometry.to_numpy())
    rest = zip(*(frame[c].map(repr) for c in columns), strict=True) if columns else None
    texts = list(rest) if rest is not None else [()] * len(frame)
    order = sorted(range(len(frame)), key=lambda row: (shapes[row] or b"", texts[row]))
    return frame.iloc[order]


def _write(frame: gpd.GeoDataFrame, path: Path) -> None:
    kinds = set(frame.geom_type.dropna())
    kind = next(iter(kinds)) if len(kinds) == 1 else _ANY_GEOMETRY
    pyogrio.write_dataframe(
        frame, path, driver="FlatGeobuf", geometry_type=kind, layer_options={"SPATIAL_INDEX": "NO"}
    )


def _values(
    city: City, row: Mapping[str, Any], property_id: str, zones: gpd.GeoDataFrame
) -> dict[str, Any]:
    """Return the property file: the template with this property's own values."""
    values: dict[str, Any] = copy.deepcopy(dict(city.values))
    if "name" not in city.columns:
        values["name"] = f"{values.get('name', 'Property')} {property_id}"
    given = {key: row.get(column) for key, column in city.columns.items()}
    own = {key: _plain(value) for key, value in given.items() if not _is_empty(value)}
    values = with_changes(values, own)
    _absolute_weather(values, city.path.parent)
    if zones.empty:
        values.pop("timer", None)  # what is wrong then is that there are no zones
    elif isinstance(values.get("timer"), dict):
        _fit_timer(values["timer"], zones, city)
    return values


def _is_empty(value: object) -> bool:
    """Tell whether a cell says nothing."""
    if isinstance(value, str):
        return not value.strip()
    return value is None or (isinstance(value, float) and math.isnan(value))


def _plain(value: object) -> object:
    """Return a cell as a value of TOML; a column with gaps makes floats of whole numbers."""
    value = value.item() if isinstance(value, np.generic) else value
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value if isinstance(value, (bool, int, float, str)) else str(value)


def _absolute_weather(values: dict[str, Any], home: Path) -> None:
    """Name weather files where they lie."""
    weather = values.get("weather")
    if isinstance(weather, dict):
        for key in ("file", "rain_file"):
            if isinstance(weather.get(key), str):
                weather[key] = os.path.normpath(home / weather[key])


def _fit_timer(timer: dict[str, Any], zones: gpd.GeoDataFrame, city: City) -> None:
    """Leave out valves that the property does not have; take minutes from the zones' column."""
    column = _valve_column(zones, city)
    if column is None:
        return
    valves = column_text(zones, column)
    minutes = city.minutes_column
    if minutes is not None and minutes in zones.columns:
        for key in _PER_VALVE:
            timer.pop(key, None)
        pairs = zip(valves, zones[minutes], strict=True)
        timer["minutes"] = {v: _plain(m) for v, m in pairs if v and not _is_empty(m)}
    for key in _PER_VALVE:
        if isinstance(timer.get(key), dict):
            timer[key] = {v: amount for v, amount in timer[key].items() if v in valves}


def _valve_column(zones: gpd.GeoDataFrame, city: City) -> str | None:
    """Return the column that tells the valves apart: that of the valve, else that of the zone."""
    names = {str(column).strip().lower(): str(column) for column in zones.columns}
    for ours in ("valve", "zone"):
        theirs = city.layers["hydrozones"].columns.get(ours) or names.get(ours)
        if theirs in zones.columns:
            return theirs
    return None


def _layer_table(city: City, written: Mapping[str, str]) -> dict[str, Any]:
    """Return the table [layers]: the files just written, with the columns of the template."""
    given = city.values.get("layers")
    table: dict[str, Any] = {}
    for name, file in written.items():
        own = given.get(name) if isinstance(given, Mapping) else None
        kept = dict(own) if isinstance(own, Mapping) else {}
        kept.pop("layer", None)
        table[name] = {**kept, "file": file}
    for name in RASTER_LAYERS:
        if name in city.layers:
            table[name] = str(city.layers[name].path)
    return table


#: Kind of stray -> rows of a table.
_Find = Callable[[gpd.GeoDataFrame], dict[str, Ints]]


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

    def find(frame: gpd.GeoDataFrame) -> dict[str, Ints]:
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

    def find(frame: gpd.GeoDataFrame) -> dict[str, Ints]:
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


def _within(bounds: Floats, home: Floats, reach: tuple[float, float]) -> bool:
    """Tell whether bounds touch a window around others."""
    away = np.maximum(bounds[:2] - home[2:], home[:2] - bounds[2:])
    return bool((away <= np.array(reach)).all())
