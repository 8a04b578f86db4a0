"""Styles for the GeoPackage: the `layer_styles` table that desktop GIS reads on opening a layer."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET

import numpy as np

from siting.palette import INK, MARKS, NEED

__all__ = ["STAMP", "add_styles", "graduated", "write_styles"]

#: The one time stamp in a GeoPackage, so that the same plan gives the same file.
STAMP: Final = "2000-01-01T00:00:00.000Z"

_Symbol = tuple[str, str, Mapping[str, str]]  # geometry, symbol layer class, its options
_HAIR: Final = 1e-6
_NEED_WORDS: Final = "% of readily available water a day"
_GEOMETRY_TYPE: Final = {"marker": "0", "line": "1", "fill": "2"}

_TABLE: Final = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
  styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
  owner TEXT(30), ui TEXT(30), update_time DATETIME)
"""
_ENTRY: Final = (
    "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)"
    " VALUES ('layer_styles', 'attributes', 'layer_styles', 'styles', ?)"
)
_STYLE: Final = (
    "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column,"
    " styleName, styleQML, useAsDefault, description, owner, update_time)"
    " VALUES ('', '', ?, 'geom', ?, ?, 1, '', '', ?)"
)


def write_styles(path: Path, needs: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
    """Add the `layer_styles` table to a GeoPackage that `siting` has just written.

    needs (Z,): water-need score of every zone: sets the classes of the hydrozones [%/d].
    """
    styles = {
        "sensors": _single(_sensor(), label="sensor_id", size=12),
        "hydrozones": graduated("need_pct_d", needs, label="zone", ramp=NEED, words=_NEED_WORDS),
        "wire_routes": _categories("kind", {"trench": _trench(), "wire": _wire()}),
        "ties": _single(_tie(), label="round(distance_m, 2) || ' m'", expression=True),
        "keepout": _categories(
            "draw_as", {group: _keepout(colour) for group, colour in _CLEAR.items()}
        ),
        "reserves": _single(_reserve(), label="reserve"),
        "admissible": _single(_fill(MARKS["admissible"], 60, MARKS["admissible"])),
        "boundary": _single(_outline()),
        "utilities": _single(_line(MARKS["utility"], "0.7", "dash dot")),
        "paths": _single(_line(MARKS["traffic"], "0.5", "dot")),
    }
    add_styles(path, styles)


def add_styles(path: Path, styles: Mapping[str, str]) -> None:
    """Add the `layer_styles` table with the given styles."""
    base = sqlite3.connect(path)
    try:
        with base:
            base.execute(_TABLE)
            base.execute(_ENTRY, (STAMP,))
            known = {str(name) for (name,) in base.execute("SELECT table_name FROM gpkg_contents")}
            for name, qml in styles.items():
                if name in known:
                    base.execute(_STYLE, (name, name, qml, STAMP))
    finally:
        base.close()


def _rgba(colour: str, alpha: int = 255) -> str:
    """Return "#rrggbb" as "r,g,b,a"."""
    return ",".join(str(int(colour[k : k + 2], 16)) for k in (1, 3, 5)) + f",{alpha}"


def _sensor() -> _Symbol:
    return (
        "marker",
        "SimpleMarker",
        {"name": "circle", "color": _rgba(MARKS["sensor"]), "size": "4", "size_unit": "MM",
         "outline_color": _rgba(MARKS["sensor_edge"]), "outline_width": "0.5"},
    )  # fmt: skip


def _reserve() -> _Symbol:
    return (
        "marker",
        "SimpleMarker",
        {"name": "diamond", "color": _rgba(INK["card"]), "size": "3", "size_unit": "MM",
         "outline_color": _rgba(MARKS["sensor"]), "outline_width": "0.5"},
    )  # fmt: skip


def _line(colour: str, width: str, style: str = "solid") -> _Symbol:
    options = {"line_color": _rgba(colour), "line_width": width, "line_width_unit": "MM"}
    return "line", "SimpleLine", options | {"line_style": style}


def _trench() -> _Symbol:
    return _line(MARKS["trench"], "0.9")


def _wire() -> _Symbol:
    return _line(MARKS["wire"], "0.4", "dash")


def _tie() -> _Symbol:
    return _line(MARKS["tie"], "0.3", "dot")


def _fill(colour: str, alpha: int, edge: str, width: str = "0.26") -> _Symbol:
    return (
        "fill",
        "SimpleFill",
        {"color": _rgba(colour, alpha), "style": "solid", "outline_color": _rgba(edge),
         "outline_style": "solid", "outline_width": width, "outline_width_unit": "MM"},
    )  # fmt: skip


#: Ground to keep clear by group: what could hurt, where water gathers, slope, all else.
_CLEAR: Final = {
    "danger": MARKS["utility"], "water": MARKS["head"], "slope": MARKS["trunk"],
    "thing": MARKS["keepout"],
}  # fmt: skip


def _keepout(colour: str) -> _Symbol:
    return _fill(colour, 50, colour)


def _outline() -> _Symbol:
    return _fill(INK["card"], 0, MARKS["boundary"], "0.5")


def _symbol(parent: ET.Element, name: str, symbol: _Symbol) -> None:
    """Add one symbol, its options written for old readers (prop) and new ones (Option)."""
    kind, layer_class, options = symbol
    node = ET.SubElement(parent, "symbol", {"type": kind, "name": name, "alpha": "1"})
    layer = ET.SubElement(node, "layer", {"class": layer_class, "enabled": "1", "pass": "0"})
    listed = ET.SubElement(layer, "Option", {"type": "Map"})
    for key, value in options.items():
        ET.SubElement(listed, "Option", {"name": key, "value": value, "type": "QString"})
    for key, value in options.items():
        ET.SubElement(layer, "prop", {"k": key, "v": value})


def _document(renderer: Mapping[str, str]) -> tuple[ET.Element, ET.Element]:
    root = ET.Element("qgis", {"version": "3.22", "styleCategories": "Symbology|Labeling"})
    return root, ET.SubElement(root, "renderer-v2", {"enableorderby": "0", **renderer})


def _label(root: ET.Element, field: str, *, size: int = 9, expression: bool = False) -> None:
    """Label every feature with a field (or an expression), with a pale halo."""
    settings = ET.SubElement(ET.SubElement(root, "labeling", {"type": "simple"}), "settings")
    style = ET.SubElement(
        settings,
        "text-style",
        {"fieldName": field, "isExpression": str(int(expression)), "fontSize": str(size),
         "fontSizeUnit": "Point", "textColor": _rgba(INK["text"]), "fontFamily": "Sans"},
    )  # fmt: skip
    halo = {"bufferDraw": "1", "bufferSize": "1", "bufferColor": _rgba(INK["card"])}
    ET.SubElement(style, "text-buffer", halo)
    # Crowded or not, every tag and name is shown: a crew looks for them.
    ET.SubElement(settings, "placement", {"placement": "0", "dist": "2", "distUnits": "MM"})
    ET.SubElement(settings, "rendering", {"displayAll": "1", "obstacle": "0"})


def _finish(root: ET.Element, kind: str) -> str:
    ET.SubElement(root, "layerGeometryType").text = _GEOMETRY_TYPE[kind]
    return ET.tostring(root, encoding="unicode")


def _single(
    symbol: _Symbol, *, label: str | None = None, size: int = 9, expression: bool = False
) -> str:
    """Return the style of a layer whose features all look alike."""
    root, renderer = _document({"type": "singleSymbol"})
    _symbol(ET.SubElement(renderer, "symbols"), "0", symbol)
    if label:
        _label(root, label, size=size, expression=expression)
    return _finish(root, symbol[0])


def _categories(field: str, symbols: Mapping[str, _Symbol]) -> str:
    """Return the style of a layer told apart by a column's value."""
    root, renderer = _document({"type": "categorizedSymbol", "attr": field})
    listed = ET.SubElement(renderer, "categories")
    drawn = ET.SubElement(renderer, "symbols")
    for place, (value, symbol) in enumerate(symbols.items()):
        entry = {"value": value, "symbol": str(place), "label": value, "render": "true"}
        ET.SubElement(listed, "category", entry)
        _symbol(drawn, str(place), symbol)
    return _finish(root, next(iter(symbols.values()))[0])


def graduated(
    field: str,
    values: np.ndarray[tuple[int], np.dtype[np.float64]],
    *,
    label: str,
    ramp: Sequence[str],
    words: str,
) -> str:
    """Return the style of polygons by a number: equal classes along a ramp.

    field: the column; values (Z,): its values, they set the classes; label: the column that is
    written on each polygon. Result: the style as QML.
    """
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    edges = np.linspace(low, max(high, low + 1e-6), len(ramp) + 1)
    # Written with six decimals: without a hair more, the least and the greatest fall outside.
    edges[0], edges[-1] = edges[0] - _HAIR, edges[-1] + _HAIR
    root, renderer = _document(
        {"type": "graduatedSymbol", "attr": field, "graduatedMethod": "GraduatedColor"}
    )
    listed = ET.SubElement(renderer, "ranges")
    drawn = ET.SubElement(renderer, "symbols")
    for place, colour in enumerate(ramp):
        lower, upper = edges[place], edges[place + 1]
        entry = {"lower": f"{lower:.6f}", "upper": f"{upper:.6f}", "symbol": str(place),
                 "label": f"{lower:.0f} - {upper:.0f} {words}",
                 "render": "true"}  # fmt: skip
        ET.SubElement(listed, "range", entry)
        _symbol(drawn, str(place), _fill(colour, 200, MARKS["zone_edge"]))
    _label(root, label)
    return _finish(root, "fill")
