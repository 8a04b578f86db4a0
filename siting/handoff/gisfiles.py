"""Files for GIS and CAD: GeoPackage with styles and records, GeoTIFFs, GPX, KML, DXF.

All are written whole or not at all, and the same plan gives the same bytes. `plan.gpkg` and the
rasters are in the property's own CRS; the others carry WGS 84 degrees (`sensors.csv` both). The CSV
starts with a byte-order mark, because common spreadsheet programs otherwise misread UTF-8; pandas
and GDAL skip it. Text in it that a spreadsheet would run as a formula is preceded by an apostrophe.

Needs the extra `dxf` (ezdxf). Everything is drawn at its true place in the property's own
projected CRS and in that CRS's unit of length; where the property is drawn in degrees, in metres
on the plan's own grid around the property's centre. A note in the drawing says which.
"""

from __future__ import annotations

import contextlib
import csv
import html
import importlib
import io
import json
import math
import sqlite3
from calendar import month_name
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final, NamedTuple
from xml.etree import ElementTree as ET
from xml.sax.saxutils import quoteattr

import geopandas as gpd
import gpxpy.gpx
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats
from siting.errors import SitingError
from siting.files import GEOPACKAGE_STAMP, add_styles, write_bytes, write_text
from siting.handoff.document import plan_document
from siting.handoff.facts import (
    clean,
    depth,
    elide,
    fixed_words,
    hazard_group,
    keep_clear,
    lines_drawn,
    tape,
)
from siting.handoff.overlays import crown_shapes, nearest, raster_in
from siting.language import Language, language, say, side_by_side
from siting.palette import INK, MARKS, NEED
from siting.planning.cautions import DIG_CAUTION, dig_caution
from siting.planning.model import Plan
from siting.planning.tables import RESULT
from siting.site.crs import WGS84, in_crs, moved
from siting.site.model import LocalGrid
from siting.stages import kept_beside
from siting.sun.position import SunShade
from siting.units import (
    FOOT_M,
    LENGTH_UNITS_M,
    Quantity,
    UnitsName,
    convert,
    show,
    unit_label,
)

_Symbol = tuple[str, str, Mapping[str, str]]  # geometry, symbol layer class, its options
_HAIR: Final = 1e-6
_NEED_WORDS: Final = "% of readily available water a day"
_GEOMETRY_TYPE: Final = {"marker": "0", "line": "1", "fill": "2"}


def _styles(
    needs: np.ndarray[tuple[int], np.dtype[np.float64]], units: UnitsName
) -> dict[str, str]:
    """Return the style of each layer of `plan.gpkg`.

    needs (Z,): water-need score of every zone: sets the classes of the hydrozones [%/d].
    """
    tapes = {"metric": "round(distance_m, 2) || ' m'", "us": "round(distance_ft, 1) || ' ft'"}
    return {
        "sensors": _single(_sensor(), label="sensor_id", size=12),
        "hydrozones": graduated("need_pct_d", needs, label="zone", ramp=NEED, words=_NEED_WORDS),
        "wire_routes": _categories("kind", {"trench": _trench(), "wire": _wire()}),
        "ties": _single(_tie(), label=tapes[units], expression=True),
        "keepout": _categories(
            "draw_as", {group: _keepout(colour) for group, colour in _CLEAR.items()}
        ),
        "reserves": _single(_reserve(), label="reserve"),
        "admissible": _single(_fill(MARKS["admissible"], 60, MARKS["admissible"])),
        "boundary": _single(_outline()),
        "buildings": _single(_fill(MARKS["building"], 255, MARKS["building_edge"])),
        "utilities": _single(_line(MARKS["utility"], "0.7", "dash dot")),
        "paths": _single(_line(MARKS["traffic"], "0.5", "dot")),
    }


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


def gis_names(table: str, *names: str) -> dict[str, str]:
    """Return column of a Plan's table -> its name in GIS layers, units in it; all or some."""
    shown = RESULT.part(table).shown()
    return {name: shown[name].gis for name in names or shown}


_SENSORS: Final = RESULT.part("sensors")
_TAG: Final = {"sensor_id": "sensor_id"}
_TIES: Final = _TAG | {name: column.gis for name, column in _SENSORS.part("ties").shown().items()}
_RESERVES: Final = _TAG | {
    name: column.gis for name, column in _SENSORS.part("reserves").shown().items()
}
_WIRES: Final = {
    c: c for c in ("sensor_id", "controller", "kind", "conductors", "length_m", "crosses")
}
_LINES: Final = {"utility": "utilities", "traffic": "paths"}
_ADMISSIBLE: Final = {c: c for c in ("zone", "area_m2", "share")}
_KEEPOUT: Final = {c: c for c in ("hazard", "setback_m", "reason", "draw_as")}


#: What each layer of a GeoPackage is.
_LAYERS: Final = {
    "sensors": "Where each sensor is buried, how deep, its threshold, and what runs on it",
    "hydrozones": "Hydrozones with sun, water need, run times and water",
    "wire_routes": "Trenches, and the wire of each sensor in them",
    "ties": "Tape from fixed points to each sensor: two that place it and one that checks",
    "keepout": "Ground where no sensor may be buried, by reason",
    "reserves": "Where to dig when the shovel meets rock",
    "admissible": "Ground of each hydrozone that meets every setback",
    "boundary": "The property",
    "buildings": "Buildings, as drawn",
    "utilities": "Pipes and cables in the ground, as drawn; call before you dig",
    "paths": "Paths that people tread, as drawn",
}
#: Columns that are in no table of results: name -> unit and meaning.
_MORE: Final = {
    "wire_routes": {
        "sensor_id": ("", "Sensor that the wire belongs to"),
        "controller": ("", "Controller it leads to"),
        "kind": ("", "trench or wire"),
        "conductors": ("", "Conductors in it"),
        "length_m": ("m", "Length along the route"),
        "crosses": ("", "What it crosses"),
    },
    "ties": {"sensor_id": ("", "Sensor that is tied")},
    "reserves": {"sensor_id": ("", "Sensor whose reserve it is")},
    "keepout": {
        "hazard": ("", "What to keep clear of"),
        "setback_m": ("m", "Distance to keep"),
        "reason": ("", "Why, in words"),
        "draw_as": ("", "Group it is drawn with"),
    },
    "admissible": {
        "zone": ("", "Hydrozone"),
        "area_m2": ("m2", "Area that meets every setback"),
        "share": ("0..1", "Share of the hydrozone"),
    },
    "boundary": {"name": ("", "Name of the property")},
    "buildings": {"height_m": ("m", "Height")},
    "utilities": {"kind": ("", "What it is")},
    "paths": {"kind": ("", "What it is")},
}
#: Unit -> end of our column, quantity, and end of the column of a property in US units.
_US: Final[Mapping[str, tuple[str, Quantity, str]]] = {
    "m": ("_m", "length", "_ft"),
    "mm": ("_mm", "depth", "_in"),
    "m2": ("_m2", "area", "_ft2"),
    "m3": ("_m3", "volume", "_gal"),
    "mm/h": ("_mm_h", "rate", "_in_h"),
    "mm/d": ("_mm_d", "depth_per_day", "_in_d"),
}
#: Lengths that are shown in inches where others are in feet.
_IN_INCHES: Final = {"depth_m", "root_m"}
_MM: Final = 1000.0


class _Field(NamedTuple):
    """A column of a GIS layer: its title with the unit, and what it means."""

    title: str
    says: str


def _described(layer: str) -> dict[str, tuple[str, str, str]]:
    """Return column -> unit, meaning and full name of a layer."""
    parts = {
        "sensors": _SENSORS,
        "hydrozones": RESULT.part("zones"),
        "ties": _SENSORS.part("ties"),
        "reserves": _SENSORS.part("reserves"),
    }
    told = parts[layer].shown().values() if layer in parts else ()
    more = {name: (*found, name) for name, found in _MORE.get(layer, {}).items()}
    return {column.gis: (column.unit, column.says, column.name) for column in told} | more


def _fields(layer: str) -> dict[str, _Field]:
    """Return column -> title and meaning of a layer, in either system of units."""
    found: dict[str, _Field] = {}
    for name, (unit, says, whole) in _described(layer).items():
        end = _US[unit][0] if unit in _US and name.endswith(_US[unit][0]) else ""
        plain = whole.removesuffix(end).removesuffix(f"_{unit.lower()}")
        plain = plain.replace("_", " ").capitalize()
        shown = "" if unit in {"", "1"} else f" [{unit}]"
        found[name] = _Field(plain + shown, says)
        if end:
            quantity, other = _other(name, unit)
            found[name.removesuffix(end) + other] = _Field(
                f"{plain} [{unit_label(quantity, 'us')}]", says
            )
    return found


def _other(name: str, unit: str) -> tuple[Quantity, str]:
    """Return the quantity of a column, and the end of its twin in US units."""
    return ("depth", "_in") if name in _IN_INCHES else _US[unit][1:]


def with_us_units(frame: gpd.GeoDataFrame, layer: str, units: UnitsName) -> gpd.GeoDataFrame:
    """Return a layer; of a property in US units with a column in them beside each metric one.

    The metric columns stay: whoever reads the files counts on them.
    """
    if units == "metric":
        return frame
    columns: dict[str, Any] = {}
    table = pd.DataFrame(frame)
    for name in table.columns.drop("geometry"):
        columns[name] = table[name]
        unit = _described(layer).get(name, ("",))[0]
        if unit in _US and name.endswith(_US[unit][0]):
            quantity, end = _other(name, unit)
            metric = pd.to_numeric(table[name]) * (_MM if name in _IN_INCHES else 1.0)
            twin = name.removesuffix(_US[unit][0]) + end
            columns[twin] = metric * convert(1.0, quantity, "us")
    return gpd.GeoDataFrame(columns, geometry=frame.geometry, crs=frame.crs)


def describe_package(path: Path, styles: Mapping[str, str]) -> None:
    """Add styles to a GeoPackage just written, and say what its layers and columns are.

    In `gpkg_contents` and, for columns, in the schema extension (GeoPackage 1.2, annex F.9); the
    styles carry the titles too, since that is where a desktop GIS looks for them.
    """
    named = {name: _with_titles(qml, name) for name, qml in styles.items()}
    add_styles(path, named)
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        for statement in _SCHEMA_TABLES:
            base.execute(statement)
        for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
            base.execute(_EXTENDED, (table,))
        layers = [name for (name,) in base.execute(_LISTED) if name in _LAYERS]
        for layer in layers:
            base.execute(
                "UPDATE gpkg_contents SET description = ? WHERE table_name = ?",
                (_LAYERS[layer], layer),
            )
            present = {row[1] for row in base.execute(f'PRAGMA table_info("{layer}")')}
            rows = [
                (layer, name, told.title, told.says)
                for name, told in _fields(layer).items()
                if name in present
            ]
            base.executemany(
                "INSERT INTO gpkg_data_columns (table_name, column_name, title, description)"
                " VALUES (?, ?, ?, ?)",
                rows,
            )


_LISTED: Final = "SELECT table_name FROM gpkg_contents ORDER BY table_name"
_SCHEMA_TABLES: Final = (
    "CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL,"
    " name TEXT, title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT,"
    " CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),"
    " CONSTRAINT gdc_tn UNIQUE (table_name, name),"
    " CONSTRAINT fk_gdc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name))",
    "CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL,"
    " constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,"
    " max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,"
    " CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))",
    "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT,"
    " extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,"
    " CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))",
)
_EXTENDED: Final = (
    "INSERT INTO gpkg_extensions (table_name, extension_name, definition, scope)"
    " VALUES (?, 'gpkg_schema', 'http://www.geopackage.org/spec/#extension_schema', 'read-write')"
)


def _with_titles(qml: str, layer: str) -> str:
    """Return a style with a title for every column of its layer."""
    titles = "".join(
        f'<alias field="{name}" name={quoteattr(told.title)}/>'
        for name, told in _fields(layer).items()
    )
    return qml.replace("Symbology|Labeling", "Symbology|Labeling|Fields", 1).replace(
        "</qgis>", f"<aliases>{titles}</aliases></qgis>", 1
    )


def package_layers(plan: Plan) -> dict[str, gpd.GeoDataFrame]:
    """Return the layers of `plan.gpkg` in the property's own CRS.

    Result: sensors, hydrozones, wire_routes, ties, keepout, reserves, admissible, boundary,
    buildings, and utilities and paths where they are drawn; short columns with units, of a property
    in US units also in these.
    """
    site = plan.site
    boundary = gpd.GeoDataFrame({"name": [site.name]}, geometry=[site.boundary], crs=site.crs)
    picked = {
        "sensors": pick(plan.sensors.reset_index(), gis_names("sensors")),
        "hydrozones": pick(plan.zones.reset_index(), gis_names("zones")),
        "wire_routes": pick(plan.wire_routes, _WIRES),
        "ties": pick(plan.ties, _TIES),
        "keepout": pick(_reasoned(plan), _KEEPOUT),
        "reserves": pick(_placed(plan.reserves, site.crs), _RESERVES),
        "admissible": pick(_placed(plan.admissible, site.crs), _ADMISSIBLE),
        "boundary": boundary,
        "buildings": pick(_placed(site.buildings, site.crs), {"height": "height_m"}),
    }
    for name, lines in lines_drawn(plan).items():
        picked[_LINES[name]] = gpd.GeoDataFrame({"kind": [name] * len(lines)}, geometry=lines)
    units = plan.settings.units
    return {
        name: in_crs(with_us_units(frame, name, units), site.source_crs)
        for name, frame in picked.items()
    }


def _reasoned(plan: Plan) -> gpd.GeoDataFrame:
    """Return the ground to keep clear with the reason in words and the group it is drawn with."""
    frame, units = plan.keepout.copy(), plan.settings.units
    frame["reason"] = [
        keep_clear(hazard, show(metres, "length", units, decimals=1), metres=metres)
        for hazard, metres in zip(frame["hazard"], frame["setback_m"], strict=True)
    ]
    frame["draw_as"] = [hazard_group(hazard) for hazard in frame["hazard"]]
    return frame


def write_package(plan: Plan, path: Path) -> Path:
    """Write `plan.gpkg`, whole or not at all."""
    layers = package_layers(plan)
    styles = _styles(plan.zones["need_score"].to_numpy(dtype=float), plan.settings.units)
    content = kept_beside("package", partial(_package, layers, styles), layers, styles)
    return write_bytes(path, content)


def _package(layers: Mapping[str, gpd.GeoDataFrame], styles: Mapping[str, str]) -> bytes:
    """Return the file of layers and their styles."""
    with TemporaryDirectory(prefix="siting-") as room, fixed_date():
        path = Path(room) / "plan.gpkg"
        for name, frame in layers.items():
            write_layer(frame, path, name, _geometry_type(name))
        describe_package(path, styles)
        return path.read_bytes()


def write_layer(frame: gpd.GeoDataFrame, path: Path, layer: str, kind: str) -> None:
    """Write a layer of a GeoPackage; kind: the geometry type that it declares."""
    pyogrio.write_dataframe(
        frame,
        path,
        layer=layer,
        driver="GPKG",
        geometry_type=kind,
        promote_to_multi=kind.startswith("Multi"),
        dataset_options={"VERSION": "1.2"},
        layer_options={"GEOMETRY_NAME": "geom"},
    )


def _geometry_type(layer: str) -> str:
    """Return the geometry type that a layer declares."""
    if layer in {"sensors", "reserves"}:
        return "Point"
    return "LineString" if layer in {"wire_routes", "ties", *_LINES.values()} else "MultiPolygon"


def _placed(frame: gpd.GeoDataFrame, crs: object) -> gpd.GeoDataFrame:
    """Give a layer that was left empty the working CRS."""
    return frame.set_crs(crs) if frame.crs is None else frame


def pick(frame: gpd.GeoDataFrame, columns: Mapping[str, str]) -> gpd.GeoDataFrame:
    """Choose and rename columns; tuples become text.

    columns: our column -> the column in the file. Result: those columns and the geometry.
    """
    # As a plain table: of one with geometry every column that is taken is looked at anew.
    picked = pd.DataFrame(frame)[[*columns]].rename(columns=dict(columns))
    for name, kind in picked.dtypes.items():
        if pd.api.types.is_object_dtype(kind):
            picked[name] = picked[name].map(_text)
    return gpd.GeoDataFrame(picked, geometry=frame.geometry, crs=frame.crs)


def _text(value: object) -> object:
    """Join a tuple; keep text that UTF-8 can hold."""
    if isinstance(value, (tuple, list)):
        value = ", ".join(str(item) for item in value)
    return value.encode("utf-8", "replace").decode() if isinstance(value, str) else value


@contextlib.contextmanager
def fixed_date() -> Iterator[None]:
    """Let GDAL stamp a fixed date, and put its options back afterwards.

    Nor does it wait for the disk or keep a journal: a file that is not finished is thrown away, and
    one that is goes to the disk before it takes its place.

    Result: while the options are set.
    """
    asked = {
        "OGR_CURRENT_DATE": GEOPACKAGE_STAMP,
        "OGR_SQLITE_SYNCHRONOUS": "OFF",
        "OGR_SQLITE_JOURNAL": "OFF",
    }
    before = {name: pyogrio.get_gdal_config_option(name) for name in asked}
    pyogrio.set_gdal_config_options(asked)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


#: Description, unit and values of each band.
Bands = Sequence[tuple[str, str, Floats]]
_BLOCK: Final = 256
#: Values are kept in steps of this, far finer than they are known; files get a third smaller.
STEP: Final = 1 / 256
#: Of a raster so much is held while its file is written; GDAL would take a twentieth of the machine
#: [bytes].
_CACHE: Final = 64_000_000
_OPTIONS: Final = {
    "driver": "COG",
    "compress": "DEFLATE",
    "predictor": "YES",
    "blocksize": str(_BLOCK),
    "overview_resampling": "AVERAGE",
    "num_threads": "1",
}


def write_dryness(plan: Plan, path: Path) -> Path:
    """Write how dry every place is against the property's mean.

    Result: the file: one band, NaN outside the zones.
    """
    bands = [("Dryness relative to the property's mean [1]", "1", plan.dryness)]
    return write_bands(bands, plan.sun.grid, plan.site.crs, plan.site.source_crs, path)


def write_rank(plan: Plan, path: Path) -> Path:
    """Write how dry every place is among the ground of its zone that meets every setback.

    Result: the file: one band, 0 (wettest) to 1 (driest), NaN outside the zones.
    """
    grid = plan.sun.grid
    rank = plan.rank if plan.rank.shape == grid.shape else np.full(grid.shape, np.nan)
    bands = [("Area rank of dryness among the admissible ground of its zone [1]", "1", rank)]
    return write_bands(bands, grid, plan.site.crs, plan.site.source_crs, path)


def write_sun_hours(plan: Plan, path: Path) -> Path:
    """Write the direct sun of every month of the season, and their mean in the first band.

    Result: the file: 1 + M bands [h/d], NaN on roofs.
    """
    return write_bands(
        sun_bands(plan.sun), plan.sun.grid, plan.site.crs, plan.site.source_crs, path
    )


def sun_bands(sun: SunShade) -> Bands:
    """Return the bands of direct sun: the season's mean, then every month.

    Result: description, unit and values of 1 + M bands [h/d], shape (rows, columns).
    """
    bands = [("Direct sun, mean of the season's months [h/d]", "h/d", sun.sun_hours.mean(axis=0))]
    bands += [
        (f"Direct sun, {month_name[month]} [h/d]", "h/d", hours)
        for month, hours in zip(sun.months, sun.sun_hours, strict=True)
    ]
    return bands


def write_bands(
    bands: Bands,
    grid: LocalGrid,
    crs: pyproj.CRS,
    target: pyproj.CRS,
    path: Path,
) -> Path:
    """Warp bands to a CRS without mixing cells, and write them.

    bands (rows, columns): description, unit and values of each band.
    """
    source, wanted = crs.to_wkt(), target.to_wkt()
    content = kept_beside(
        "raster", partial(_bands, bands, grid, source, wanted), bands, grid, source, wanted
    )
    return write_bytes(path, content)


def _bands(bands: Bands, grid: LocalGrid, source: str, wanted: str) -> bytes:
    """Return the file of bands; source, wanted: both frames of reference as WKT."""
    import rasterio.shutil  # noqa: PLC0415 - not where the file is kept

    transform, columns, rows = raster_in(grid, source, wanted)
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": len(bands), "nodata": np.nan,
        "crs": wanted, "transform": transform, "width": columns, "height": rows,
    }  # fmt: skip
    with rasterio.Env(GDAL_CACHEMAX=_CACHE), TemporaryDirectory(prefix="siting-") as room:
        plain, ready = Path(room) / "plain.tif", Path(room) / "ready.tif"
        with rasterio.open(plain, "w", **profile) as raster:
            for number, (description, unit, values) in enumerate(bands, start=1):
                stepped = np.asarray(np.round(values / STEP) * STEP, dtype=np.float32)
                laid = nearest(stepped, grid, source, wanted, transform, (rows, columns))
                raster.write(laid, number)
                raster.set_band_description(number, description)
                raster.set_band_unit(number, unit)
        rasterio.shutil.copy(plain, ready, **_OPTIONS)
        return ready.read_bytes()


#: Ties per sensor that the flat formats have room for.
TIES: Final = 3


def flat(sensor: Mapping[str, Any]) -> dict[str, Any]:
    """Return a sensor of `plan_document` as one flat record; lengths in metres.

    sensor: one item of ``plan_document(plan)["sensors"]``. Result: text, numbers or None; the same
    keys for every sensor.
    """
    skipped = {"governs", "threshold", "ties", "reserves"}
    record: dict[str, Any] = {}
    for key, value in sensor.items():
        if key not in skipped:
            record[key] = value
        if key == "control":
            record["governs"] = ", ".join(sensor["governs"])
    record |= {f"threshold_{key}": value for key, value in sensor["threshold"].items()}
    ties: Sequence[Mapping[str, Any]] = sensor["ties"]
    for place in range(TIES):
        tie = ties[place] if place < len(ties) else {}
        record[f"tie{place + 1}_m"] = tie.get("distance_m")
        record[f"tie{place + 1}_from"] = tie.get("from_kind")
        record[f"tie{place + 1}_from_lon"] = tie.get("from_lon")
        record[f"tie{place + 1}_from_lat"] = tie.get("from_lat")
    return record


def describe(sensor: Mapping[str, Any], units: UnitsName) -> str:
    """Return what a crew needs at a sensor, in one line.

    sensor: one item of ``plan_document(plan)["sensors"]``; units {"metric", "us"}: how to show
    lengths. Result: zone, valve, depth and ties.
    """
    words = [
        say("Zone {zone}", zone=elide(clean(sensor["zone"]), 60)),
        say("valve {valve}", valve=elide(clean(sensor["valve"]), 30)),
        say("depth {depth}", depth=depth(sensor["depth_m"], units)),
    ]
    words += [
        say(
            "{tape} from {place}",
            tape=tape(tie["distance_m"], units),
            place=fixed_words(tie["from_kind"]),
        )
        for tie in sensor["ties"]
    ]
    return side_by_side(words, "; ")


_KML: Final = "http://www.opengis.net/kml/2.2"
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def write_gis(plan: Plan, folder: Path | str) -> tuple[Path, ...]:
    """Write plan.gpkg, sensors.geojson, .gpx, .kml and .csv, and dryness, rank and sun-hours.tif.

    Result: the files, in that order.

    OGC 12-128r15 (GeoPackage 1.2); RFC 7946 (GeoJSON); GPX 1.1; OGC 12-007r2 (KML); RFC 4180
    (CSV); OGC 21-026 (Cloud Optimized GeoTIFF).
    """
    place = Path(folder)
    document, t = plan_document(plan), language(plan.settings.language)
    dig = dig_caution(plan.settings.country)
    return (
        write_package(plan, place / "plan.gpkg"),
        write_text(place / "sensors.geojson", _encodable(_geojson(document))),
        write_text(place / "sensors.gpx", _encodable(_gpx(document, t, _trenches(plan), dig))),
        write_text(place / "sensors.kml", _encodable(_kml(document, t, dig))),
        write_text(place / "sensors.csv", _encodable(_csv(document))),
        write_dryness(plan, place / "dryness.tif"),
        write_rank(plan, place / "rank.tif"),
        write_sun_hours(plan, place / "sun-hours.tif"),
    )


def guard_formula(value: object) -> object:
    """Return a cell that no spreadsheet will run: text with a formula's start gets an apostrophe.

    OWASP, "CSV Injection".

    >>> guard_formula("=1+1"), guard_formula("turf"), guard_formula(-81.2)
    ("'=1+1", 'turf', -81.2)
    """
    if isinstance(value, str) and value.lstrip(" ").startswith(_FORMULA_STARTS):
        return "'" + value
    return value


def _encodable(text: str) -> str:
    """Replace lone surrogates, which UTF-8 cannot hold."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _geojson(document: Mapping[str, Any]) -> str:
    """Return a FeatureCollection by RFC 7946: WGS 84, longitude first, no crs member."""
    features = []
    for sensor in document["sensors"]:
        record = flat(sensor)
        point = {"type": "Point", "coordinates": [record.pop("lon"), record.pop("lat")]}
        features.append(
            {"type": "Feature", "id": record["sensor_id"], "geometry": point, "properties": record}
        )
    collection = {"type": "FeatureCollection", "features": features}
    return json.dumps(collection, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _trenches(plan: Plan) -> NDArray[Any]:
    """Return the trench, line by line, in degrees."""
    wires = plan.wire_routes
    lines = wires.geometry.to_numpy()[wires["kind"].to_numpy() == "trench"]
    return moved(lines, plan.site.crs, WGS84)


def _gpx(
    document: Mapping[str, Any], t: Language, trenches: NDArray[Any], dig: str = DIG_CAUTION
) -> str:
    """Return GPX 1.1: waypoints, named by the tags, short enough for any handheld; the trench.

    The trench is one track with a segment for each line of it.
    """
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "siting"
    gpx.name = elide(clean(document["property"]["name"]), 80)
    gpx.description = t(dig)
    for sensor in document["sensors"]:
        text = t(describe(sensor, document["property"]["units"]))
        gpx.waypoints.append(
            gpxpy.gpx.GPXWaypoint(
                latitude=sensor["lat"],
                longitude=sensor["lon"],
                name=clean(sensor["sensor_id"]),
                description=text,
                comment=text,
            )
        )
    for sensor in document["sensors"]:
        for tie in sensor["ties"]:
            if tie["from_kind"] == "stake":
                apart = tape(tie["distance_m"], document["property"]["units"])
                told = {"sensor": clean(sensor["sensor_id"]), "number": tie["tie"]}
                gpx.waypoints.append(
                    gpxpy.gpx.GPXWaypoint(
                        latitude=tie["from_lat"],
                        longitude=tie["from_lon"],
                        name=t(say("{sensor} stake {number}", **told)),
                        description=t(
                            say(
                                "Stake {number} of {sensor}, {distance} from it.",
                                **told,
                                distance=apart,
                            )
                        ),
                    )
                )
    if len(trenches):
        track = gpxpy.gpx.GPXTrack(name=t(say("trench")))
        for line in trenches:
            points = [gpxpy.gpx.GPXTrackPoint(lat, lon) for lon, lat in line.coords]
            track.segments.append(gpxpy.gpx.GPXTrackSegment(points))
        gpx.tracks.append(track)
    return str(gpx.to_xml(version="1.1")) + "\n"


def _kml(document: Mapping[str, Any], t: Language, dig: str = DIG_CAUTION) -> str:
    """Return placemarks by KML 2.2; nothing is fetched to draw them."""
    root = ET.Element("kml", {"xmlns": _KML})
    body = ET.SubElement(root, "Document")
    ET.SubElement(body, "name").text = elide(clean(document["property"]["name"]), 80)
    ET.SubElement(body, "description").text = t(dig)
    style = ET.SubElement(body, "Style", {"id": "sensor"})
    colour = MARKS["sensor"].lstrip("#")
    icon = ET.SubElement(style, "IconStyle")
    ET.SubElement(icon, "color").text = "ff" + colour[4:6] + colour[2:4] + colour[0:2]
    ET.SubElement(icon, "scale").text = "1.2"
    _typed(body)
    for sensor in document["sensors"]:
        _placemark(body, sensor, t(describe(sensor, document["property"]["units"])))
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _typed(body: ET.Element) -> None:
    """Say of which type each value of a placemark is, and its unit."""
    schema = ET.SubElement(body, "Schema", {"name": "sensor", "id": _SCHEMA_ID})
    for name, (kind, title) in _kml_types().items():
        field = ET.SubElement(schema, "SimpleField", {"type": kind, "name": name})
        ET.SubElement(field, "displayName").text = title


_SCHEMA_ID: Final = "sensor_values"
_KML_KINDS: Final = {"number": "double", "whole": "int", "truth": "bool"}


def _kml_types() -> dict[str, tuple[str, str]]:
    """Return type and title of every value of a flat record."""
    columns = {column.name: column for column in _SENSORS.of}
    columns |= {f"threshold_{c.name}": c for c in _SENSORS.part("threshold").of}
    found = {
        name: (_KML_KINDS.get(column.kind, "string"), _kml_title(name, column.unit))
        for name, column in columns.items()
        if column.kind not in {"record", "records"}
    }
    for place in range(1, TIES + 1):
        found[f"tie{place}_m"] = ("double", _kml_title(f"tie{place}_m", "m"))
        found[f"tie{place}_from"] = ("string", _kml_title(f"tie{place}_from", ""))
        for axis in ("lon", "lat"):
            name = f"tie{place}_from_{axis}"
            found[name] = ("double", _kml_title(name, "deg"))
    return found


def _kml_title(name: str, unit: str) -> str:
    plain = name.removesuffix("_m") if unit == "m" else name
    plain = plain.replace("_", " ").capitalize()
    return f"{plain} [{unit}]" if unit not in {"", "1"} else plain


def _placemark(body: ET.Element, sensor: Mapping[str, Any], text: str) -> None:
    """Add one sensor to a KML document."""
    mark = ET.SubElement(body, "Placemark")
    ET.SubElement(mark, "name").text = clean(sensor["sensor_id"])
    # Globe viewers read a description as HTML: escaped once more it is shown as the text it is.
    ET.SubElement(mark, "description").text = html.escape(text, quote=False)
    ET.SubElement(mark, "styleUrl").text = "#sensor"
    extra = ET.SubElement(mark, "ExtendedData")
    values = ET.SubElement(extra, "SchemaData", {"schemaUrl": f"#{_SCHEMA_ID}"})
    for key, value in flat(sensor).items():
        if value is not None:
            ET.SubElement(values, "SimpleData", {"name": key}).text = clean(value)
    point = ET.SubElement(mark, "Point")
    place = f"{sensor['lon']:.8f},{sensor['lat']:.8f}"
    ET.SubElement(point, "coordinates").text = place


def _csv(document: Mapping[str, Any]) -> str:
    """Return the sensors as CSV; lengths in metres, both coordinate systems."""
    records = [flat(sensor) for sensor in document["sensors"]]
    crs = document["property"]["crs"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*(records[0] if records else ["sensor_id"]), "crs"])
    for record in records:
        writer.writerow([_cell(value) for value in (*record.values(), crs)])
    return "\ufeff" + out.getvalue()


def _cell(value: object) -> object:
    """Return a cell: unknown is empty, text is guarded, degrees and metres in full."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return guard_formula(value)


#: Layer -> colour.
LAYERS: Final = {
    "BOUNDARY": MARKS["boundary"],
    "ZONES": MARKS["valve_box"],
    "BUILDINGS": MARKS["building_edge"],
    "PAVING": MARKS["paving_edge"],
    "TREES": MARKS["crown_edge"],
    "FIXTURES": MARKS["head"],
    "KEEPOUT": MARKS["keepout"],
    "TRENCH": MARKS["trench"],
    "WIRE": MARKS["wire"],
    "TIES": MARKS["tie"],
    "SENSORS": MARKS["sensor"],
    "NOTES": MARKS["other"],
}
# $INSUNITS of the format: its number of each unit of length [m].
_INSUNITS: Final = {1.0: 6, FOOT_M: 2, LENGTH_UNITS_M["us_survey_ft"]: 21}
_TEXT_M: Final = 1.0
_SENSOR_M: Final = 0.4
_HEAD_M: Final = 0.15
_NAME: Final = 60


def write_dxf(plan: Plan, path: Path | str) -> Path:
    """Write a plan as DXF (R2010), whole or not at all.

    Result: the file; the same plan gives the same bytes.
    """
    ezdxf = _library()
    crs, metres = _drawing_crs(plan)
    with _fixed_marks(ezdxf):
        document = ezdxf.new("R2010", setup=True)
        document.header["$INSUNITS"] = _INSUNITS[metres]
        document.header["$MEASUREMENT"] = int(metres == 1.0)
        for name, colour in LAYERS.items():
            layer = document.layers.add(name)
            layer.rgb = tuple(int(colour[k : k + 2], 16) for k in (1, 3, 5))
        pen = _Pen(document.modelspace(), crs, metres)
        _ground(plan, pen)
        _work(plan, pen)
        _notes(plan, pen)
        # ezdxf would list these in the order of a set
        for kind in sorted(document.entitydb.dxf_types_in_use()):
            document.classes.add_class(kind)
        out = io.StringIO()
        document.write(out)
    return write_text(path, out.getvalue())


@dataclass(frozen=True)
class _Pen:
    """Draws geometries of the working CRS into the model space, in the drawing's CRS."""

    space: Any
    crs: pyproj.CRS
    metres: float  # in a unit of the drawing

    def shapes(self, geometries: gpd.GeoSeries, layer: str) -> None:
        """Draw polygons (every ring closed) and lines."""
        for geometry in geometries.to_crs(self.crs):
            if geometry is None or geometry.is_empty:
                continue
            for part in shapely.get_parts(geometry):
                rings = [part.exterior, *part.interiors] if isinstance(part, Polygon) else [part]
                for ring in rings:
                    points = shapely.get_coordinates(ring)
                    closed = isinstance(part, Polygon)
                    self.space.add_lwpolyline(
                        points[: -1 if closed else None].tolist(),
                        close=closed,
                        dxfattribs={"layer": layer},
                    )

    def dots(self, points: gpd.GeoSeries, layer: str, radii: Iterable[float]) -> None:
        """Draw circles of a radius [m], and a point in the middle of each."""
        for point, radius in zip(points.to_crs(self.crs), radii, strict=True):
            at = (point.x, point.y)
            self.space.add_point(at, dxfattribs={"layer": layer})
            self.space.add_circle(at, radius / self.metres, dxfattribs={"layer": layer})

    def words(
        self, points: gpd.GeoSeries, layer: str, texts: Iterable[object], *, up: float = 0.0
    ) -> None:
        """Write one line at each point, so far above it [m]."""
        for point, text in zip(points.to_crs(self.crs), texts, strict=True):
            written = self.space.add_text(
                elide(clean(text), _NAME),
                height=_TEXT_M / self.metres,
                dxfattribs={"layer": layer},
            )
            written.set_placement((point.x, point.y + up / self.metres))


def _ground(plan: Plan, pen: _Pen) -> None:
    """Draw what is there."""
    site = plan.site
    pen.shapes(gpd.GeoSeries([site.boundary], crs=site.crs), "BOUNDARY")
    pen.shapes(plan.zones.geometry, "ZONES")
    pen.words(plan.zones.geometry.representative_point(), "ZONES", plan.zones.index)
    pen.shapes(site.buildings.geometry, "BUILDINGS")
    pen.shapes(site.paving.geometry, "PAVING")
    crowns: list[BaseGeometry | None] = crown_shapes(site.trees)
    pen.shapes(gpd.GeoSeries([c for c in crowns if c is not None], crs=site.crs), "TREES")
    trunks = site.trees["trunk_diameter"].fillna(0.0).clip(lower=0.1) / 2
    pen.dots(site.trees.geometry, "TREES", trunks)
    pen.dots(site.fixtures.geometry, "FIXTURES", [_HEAD_M] * len(site.fixtures))
    named = site.fixtures[site.fixtures["kind"] != "head"]
    pen.words(named.geometry, "FIXTURES", named["kind"].str.replace("_", " "), up=0.3)


def _work(plan: Plan, pen: _Pen) -> None:
    """Draw what is to be done."""
    routes = plan.wire_routes
    pen.shapes(plan.keepout.geometry, "KEEPOUT")
    for kind in ("trench", "wire"):
        pen.shapes(routes.geometry[routes["kind"] == kind], kind.upper())
    pen.shapes(plan.ties.geometry, "TIES")
    middles = plan.ties.geometry.interpolate(0.5, normalized=True)
    lengths = plan.ties["distance_m"] / pen.metres
    pen.words(middles, "TIES", [f"{length:.2f}" for length in lengths])
    pen.dots(plan.sensors.geometry, "SENSORS", [_SENSOR_M] * len(plan.sensors))
    pen.words(plan.sensors.geometry, "SENSORS", plan.sensors.index, up=_SENSOR_M + 0.2)


def _notes(plan: Plan, pen: _Pen) -> None:
    """Write below the drawing which grid it is on, and the first caution."""
    west, south, _, _ = plan.site.boundary.bounds
    lines = [f"{plan.site.name}. Grid: {pen.crs.name}.", dig_caution(plan.settings.country)]
    for k, line in enumerate(lines):
        at = gpd.GeoSeries.from_xy([west], [south - 3 - 2 * k], crs=plan.site.crs)
        pen.words(at, "NOTES", [line])


def _drawing_crs(plan: Plan) -> tuple[pyproj.CRS, float]:
    """Return the CRS to draw in, and its unit of length [m]."""
    own = plan.site.source_crs
    unit = own.axis_info[0].unit_conversion_factor if own.is_projected else math.nan
    for metres in _INSUNITS:
        if math.isclose(unit, metres, rel_tol=1e-9):
            return own, metres
    return plan.site.crs, 1.0


def _library() -> Any:  # noqa: ANN401 - ezdxf is an extra
    """Return ezdxf, or say how to get it."""
    try:
        return importlib.import_module("ezdxf")
    except ImportError as error:
        message = 'a DXF drawing needs ezdxf: pip install "siting[dxf]"'
        raise SitingError(message) from error


@contextlib.contextmanager
def _fixed_marks(ezdxf: Any) -> Iterator[None]:  # noqa: ANN401 - ezdxf is an extra
    """Let ezdxf write no date and no random id, and put its option back afterwards."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
