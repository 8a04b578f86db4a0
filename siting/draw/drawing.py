"""A drawing: the GeoJSON that the page saves; made of a property, and made into one."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final, NoReturn

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry import mapping

from siting.draw.answers import Answers, answers_of
from siting.errors import Fault, InputError, limit
from siting.site.columns import COLUMNS, Column, Layer
from siting.site.crs import all_finite
from siting.site.findings import Findings, brief
from siting.site.property import parse_property
from siting.site.settings import VECTOR_LAYERS
from siting.site.vector import DRAWING, open_layer

_WGS84: Final = "EPSG:4326"
_MB: Final = 1_000_000


def drawing_of(path: Path) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return a property's layers as a drawing, and in words what of it could not be opened.

    Layers that a fault of theirs keeps from being planned are opened as far as they can be read, so
    that they can be corrected.
    """
    findings = Findings()
    settings = parse_property(path, findings)
    if not settings.layers:
        findings.refuse()
    features = []
    for name in VECTOR_LAYERS:
        source = settings.layers.get(name)
        layer = open_layer(name, source, path.parent, findings) if source else None
        if layer is not None:
            features += list(_features(layer))
    head = {"version": 1, "name": settings.name, "units": settings.units}
    if features:
        west, south, east, north = shapely.total_bounds(
            [shapely.from_geojson(json.dumps(one["geometry"])) for one in features]
        )
        head["place"] = {"lon": (west + east) / 2, "lat": (south + north) / 2}
    notes = tuple(str(fault) for fault in findings.faults)
    return {"type": "FeatureCollection", DRAWING: head, "features": features}, notes


def _features(layer: Layer) -> Iterator[dict[str, Any]]:
    """Give each feature of a layer in degrees, its columns under our names and in our units."""
    frame = layer.frame
    if frame.empty or frame.crs is None:
        return
    shapes = shapely.force_2d(frame.to_crs(_WGS84).geometry.to_numpy())
    columns = {
        name: [_value(layer.column(name), match.factor, value) for value in layer.raw(name)]
        for name, match in layer.columns.items()
    }
    for row, shape in enumerate(shapes):
        if shape is None or shape.is_empty or not all_finite(np.array([shape], dtype=object)).all():
            continue
        drawn = layer.name == "trees" and shape.geom_type in {"Polygon", "MultiPolygon"}
        values = {name: told for name, all_ in columns.items() if (told := all_[row]) is not None}
        if drawn:
            metres = frame.geometry.iloc[[row]].to_crs(frame.estimate_utm_crs()).area.iloc[0]
            values.setdefault("crown_diameter", round(2 * math.sqrt(metres / math.pi), 3))
            shape = shape.centroid  # noqa: PLW2901
        yield {
            "type": "Feature",
            "properties": {"layer": layer.name, **values},
            "geometry": mapping(shape),
        }


def _value(column: Column, factor: float, value: object) -> object:
    """Return a cell as JSON holds it, numbers in our unit."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, int | float):
        if column.kind in {"text", "word", "flag"}:
            return str(int(value)) if float(value).is_integer() else str(value)
        return float(value) * factor
    return str(value)


def read_drawing(path: Path) -> tuple[dict[str, gpd.GeoDataFrame], Answers]:
    """Read a drawing that the page saved.

    Returns its layers in degrees, each with the columns that were told; and what was told beside.
    """
    content = _content(path)
    head = content.get(DRAWING)
    if not isinstance(head, Mapping):
        found = "GeoJSON without the drawing page's own part"
        _refuse(path, found, "Open it in the page, and save it.")
    if not isinstance(head.get("place"), Mapping):
        _refuse(path, "a drawing that does not say where it is", "Tell the place in the page.")
    rows: dict[str, list[dict[str, Any]]] = {}
    for number, feature in enumerate(content.get("features") or (), 1):
        layer, row = _row(path, number, feature)
        rows.setdefault(layer, []).append(row)
    frames = {layer: gpd.GeoDataFrame(found, crs=_WGS84) for layer, found in rows.items()}
    return frames, answers_of(head, path.name)


def _refuse(path: Path, found: str, mend: str, feature: str | None = None) -> NoReturn:
    fault = Fault(path.name, found, "a drawing that the drawing page saved", mend, feature=feature)
    raise InputError([fault])


def _content(path: Path) -> Mapping[str, Any]:
    try:
        if path.stat().st_size > limit("vector_mb") * _MB:
            _refuse(path, "a file that is too large", "Save it again without its picture.")
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        _refuse(path, f"a file that cannot be read ({error.strerror or error})", "Name another.")
    except (ValueError, RecursionError):
        _refuse(path, "a file that is no JSON, or is cut short", "Save it again in the page.")
    if not isinstance(content, Mapping) or not isinstance(content.get("features"), list):
        _refuse(path, "JSON without features", "Save it again in the page.")
    return dict(content)


def _row(path: Path, number: int, feature: object) -> tuple[str, dict[str, Any]]:
    """Return a feature's layer, and its row."""
    whole: Mapping[str, Any] = feature if isinstance(feature, Mapping) else {}
    told = whole.get("properties")
    layer = told.get("layer") if isinstance(told, Mapping) else None
    if not isinstance(told, Mapping) or layer not in COLUMNS:
        mend = f"Use one of {', '.join(COLUMNS)}."
        _refuse(path, f'the layer "{brief(layer)}"', mend, str(number))
    try:
        shape = shapely.from_geojson(json.dumps(whole["geometry"]))
    except (KeyError, ValueError, shapely.errors.ShapelyError):
        shape = None
    if shape is None or shape.is_empty:
        _refuse(path, "no shape", "Draw it again, or remove it.", str(number))
    known = {column.name for column in COLUMNS[str(layer)]}
    values = {name: value for name, value in told.items() if name in known}
    return str(layer), {**values, "geometry": shape}
