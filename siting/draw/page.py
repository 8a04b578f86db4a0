"""The drawing page, one HTML file that needs no network, and the GeoJSON that it saves."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from collections.abc import Iterator, Mapping
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, NoReturn

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry import mapping

from siting.draw.asking import Answers, answers_of
from siting.draw.forms import THINGS, Question, Thing
from siting.errors import Fault, Findings, InputError, brief, limit
from siting.files import write_text
from siting.palette import INK, MARKS, NEED
from siting.site.columns import COLUMNS, Column, Layer
from siting.site.crs import all_finite
from siting.site.property import parse_property
from siting.site.settings import VECTOR_LAYERS
from siting.site.vector import DRAWING, open_layer
from siting.units import UnitsName

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


#: The page's name in a property's folder.
NAME: Final = "draw.html"
_SCRIPTS: Final = ("plane.js", "state.js", "picture.js", "page.js")
_ZONE: Final = NEED[3]


def write_page(folder: Path, *, units: UnitsName = "metric") -> tuple[Path, tuple[str, ...]]:
    """Write the drawing page into a folder, with the property that is there.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    units : {"metric", "us"}
        What a new drawing is measured in; a property that is there says its own.

    Returns
    -------
    tuple of Path and tuple of str
        The page, and what of the property could not be opened, in plain words.

    Raises
    ------
    InputError
        When the folder's property file cannot be read at all.
    """
    folder = Path(folder).absolute()
    opened: dict[str, Any] | None = None
    notes: tuple[str, ...] = ()
    if (folder / "property.toml").is_file():
        opened, notes = drawing_of(folder / "property.toml")
        units = opened["siting_drawing"]["units"]
    page = {
        "key": hashlib.sha256(str(folder).encode()).hexdigest()[:16],
        "name": folder.name,
        "units": units,
        "next": _next(folder, there=opened is not None),
        "ink": INK,
        "things": [_thing(thing) for thing in THINGS],
        "opened": opened,
        "licences": _licences(),
    }
    return write_text(folder / NAME, _html(page)), notes


def _next(folder: Path, *, there: bool) -> str:
    """Return what to type once a drawing is saved."""
    if there:
        return f'move it into {folder.name}, write layers = "drawing.geojson" in property.toml'
    return f"siting new {folder.name} --from drawing.geojson"


def _thing(thing: Thing) -> dict[str, Any]:
    """Return a kind of thing as the page's scripts want it."""
    colour = _ZONE if thing.mark == "zone" else MARKS[thing.mark]
    return {
        "name": thing.name,
        "layer": thing.layer,
        "says": thing.says,
        "shape": thing.shape,
        "hint": thing.hint,
        "sets": dict(thing.sets),
        "colour": colour,
        "fill": f"{colour}{'00' if thing.mark == 'boundary' else '55'}",
        "asks": [_question(question, thing.layer) for question in thing.asks],
    }


def _question(question: Question, layer: str) -> dict[str, Any]:
    """Return a question with the range of its column."""
    column = column_of(layer, question.name)
    least, most = column.low, column.high
    return {
        "name": question.name,
        "asks": question.asks,
        "kind": "text" if column.kind == "word" else column.kind,
        "words": [list(pair) for pair in question.words],
        "small": question.small,
        "usual": question.usual,
        "unsaid": question.unsaid,
        "needed": question.needed,
        "unit": column.unit,
        "least": least if abs(least) < float("inf") else -1e9,
        "most": most if most < float("inf") else 1e9,
    }


def column_of(layer: str, name: str) -> Column:
    """Return a column of a layer."""
    return next(column for column in COLUMNS[layer] if column.name == name)


def _asset(name: str) -> str:
    return files("siting").joinpath(name).read_text(encoding="utf-8")


def _licences() -> str:
    """Return the licences of everything that the page carries."""
    names = (
        "handoff/assets/leaflet-1.9.4.LICENSE",
        "draw/assets/terra-draw-1.35.0.LICENSE",
        "draw/assets/world.LICENSE",
    )
    return "\n\n".join(_asset(name).strip() for name in names)


def _html(page: dict[str, Any]) -> str:
    """Return the page with everything inside and a policy that allows nothing else."""
    # The world's coasts are numbers of ours, and are not parsed to be written again.
    data = as_json(page)[:-1] + ',"world":' + _asset("draw/assets/world.json").strip() + "}"
    boot = (
        'const PAGE = JSON.parse(document.getElementById("page-data").textContent);\n'
        "PAGE.of = Object.fromEntries(PAGE.things.map((thing) => [thing.name, thing]));"
    )
    vendored = (
        "handoff/assets/leaflet-1.9.4.js",
        "draw/assets/terra-draw-1.35.0.js",
        "draw/assets/terra-draw-leaflet-adapter-1.0.3.js",
    )
    own = [_asset(f"draw/assets/{name}") for name in _SCRIPTS]
    script = "\n;\n".join([*(_asset(name) for name in vendored), boot, *own])
    colours = {**INK, "line-strong": "#7c8894", "caution-edge": INK["caution_edge"]}
    root = ":root {" + "".join(f" --{name}: {colour};" for name, colour in colours.items()) + " }\n"
    parts = {
        "title": escape(f"Draw {page['name']}"),
        "leaflet_css": re.sub(r"url\([^)]*\)", "none", _asset("handoff/assets/leaflet-1.9.4.css")),
        "css": root + _asset("draw/assets/page.css"),
        "data": data,
        "script": script,
    }
    pattern = re.compile(r"@(" + "|".join(parts) + r")@")
    html = pattern.sub(lambda match: parts[match[1]], _asset("draw/assets/page.html"))
    digest = hashlib.sha256(f"\n{script}\n".encode()).digest()
    # Leaflet and the pen set styles from their scripts; nothing of a user goes into them.
    policy = (
        f"default-src 'none'; script-src 'sha256-{base64.b64encode(digest).decode()}'; "
        "style-src 'unsafe-inline'; img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
    return html.replace("@policy@", policy, 1)


def as_json(values: object) -> str:
    r"""Return values as JSON that may stand inside a script element.

    >>> as_json({"name": "</script>"})
    '{"name":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(values, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text
