"""Start a property: a commented property file and empty layers, or a demo; the file's JSON Schema.

File and schema are made of the same table of keys that reads a property file (`TABLES`).
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

import geopandas as gpd
import pandas as pd
import pyogrio
import pyproj

from siting.errors import Fault, InputError, SitingError
from siting.files import GEOPACKAGE_STAMP
from siting.site.columns import COLUMNS, Column
from siting.site.settings import (
    EVIDENCE,
    MONTHS,
    PICTURE_LAYERS,
    RASTER_LAYERS,
    TABLES,
    VECTOR_LAYERS,
    VOLUMES_M3,
    LayerSource,
    Table,
    Tier,
    keys,
)
from siting.site.toml import Key
from siting.units import LENGTH_UNITS_M, UnitsName

_GEOMETRY: Final = {
    "trees": "Point",
    "walls": "MultiLineString",
    "fixtures": "Point",
    "cans": "Point",
    "paths": "MultiLineString",
    "utilities": "MultiLineString",
}
_DTYPES: Final = {
    "text": "str",
    "word": "str",
    "flag": "bool",
    "number": "float64",
    "length": "float64",
}
#: The same of columns in which values may be missing.
_FILLED: Final = {**_DTYPES, "text": "object", "word": "object", "flag": "boolean"}
#: Headers that carry their unit, for people who measure in feet and inches.
_US_NAMES: Final = {
    "height": "height_ft",
    "crown_diameter": "crown_diameter_ft",
    "crown_base": "crown_base_ft",
    "trunk_diameter": "trunk_diameter_in",
    "root_depth": "root_depth_in",
    "precipitation_rate": "precipitation_rate_in_h",
    "depth": "depth_in",
    "mouth_diameter": "mouth_diameter_in",
    "wetted_radius": "wetted_radius_ft",
    "nozzle_flow": "nozzle_flow_gpm",
}
_WEATHER: Final = "date,tmin_c,tmax_c,rain_mm,rs_mj_m2,rh_min,rh_max,wind_m_s\n"
_HEAD: Final = """\
# A property for `siting`. Lines that begin with # are notes or examples; remove the # to use one.
"""
_DRAWN: Final = """\
## Only boundary and hydrozones have to be drawn. What shades: buildings; trees (evergreen yes or
## no; transmissivity in leaf and transmissivity_bare out of leaf, 0 dark to 1 clear); and walls:
## lines for free-standing walls, fences and hedges, with their height and transmissivity.
"""
_COLUMN: Final = 32


def new_property(
    folder: Path,
    *,
    units: UnitsName = "metric",
    crs: str = "EPSG:4326",
    drawn: Mapping[str, gpd.GeoDataFrame] | None = None,
    toml: str | None = None,
    weather: str = _WEATHER,
    finish: Callable[[Path], None] | None = None,
) -> tuple[Path, ...]:
    """Start a property in a folder.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    units : {"metric", "us"}
        "us" writes keys and columns that carry feet, inches and gallons in their names.
    crs : str
        CRS of the layers; any that pyproj understands.
    drawn : mapping of str to GeoDataFrame, optional
        Layers that are there already, columns by our names and in our units.
    toml, weather : str, optional
        The property file and the weather file, where they are known.
    finish : callable, optional
        Adds to the GeoPackage of the layers before it is put in its place.

    Returns
    -------
    tuple of Path
        property.toml, property.gpkg and weather.csv.

    Raises
    ------
    InputError
        When one of the files is there already, the CRS is not known, or the folder cannot be
        written. Nothing is changed then.
    """
    folder = Path(folder).absolute()
    names = ("property.toml", "property.gpkg", "weather.csv")
    faults = [
        Fault(name, "a file of this name in the folder", "a folder without it", _ELSEWHERE)
        for name in names
        if (folder / name).exists()
    ]
    projection = _crs(crs, faults)
    if faults or projection is None:
        raise InputError(faults)
    try:
        texts = (toml if toml is not None else _toml(units), weather)
        _write_all(folder, names, texts, _Layers(units, projection, drawn or {}, finish))
    except OSError as error:
        found = f"a folder that cannot be written ({error.strerror or error})"
        fault = Fault(folder.name, found, "a folder that you may write", "Choose another folder.")
        raise InputError([fault]) from error
    return tuple(folder / name for name in names)


_ELSEWHERE: Final = "Choose another folder, or move the file away; nothing was overwritten."


def _crs(text: str, faults: list[Fault]) -> pyproj.CRS | None:
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        mend = "Write an EPSG code, as in EPSG:4326."
        faults.append(Fault("--crs", f'"{text}"', "a coordinate reference system", mend))
        return None


class _Layers(NamedTuple):
    """What the layers hold: `drawn` by layer, in any CRS; finish: adds to their file."""

    units: UnitsName
    crs: pyproj.CRS
    drawn: Mapping[str, gpd.GeoDataFrame]
    finish: Callable[[Path], None] | None


def _write_all(
    folder: Path, names: tuple[str, ...], texts: tuple[str, str], layers: _Layers
) -> None:
    """Write everything beside the folder first, so that a failure leaves no half of it."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".siting-", dir=folder.parent) as temporary:
        made = Path(temporary)
        (made / names[0]).write_text(texts[0], encoding="utf-8", newline="\n")
        _write_layers(made / names[1], layers)
        if layers.finish is not None:
            layers.finish(made / names[1])
        (made / names[2]).write_text(texts[1], encoding="utf-8", newline="\n")
        folder.mkdir(exist_ok=True)
        for name in names:
            shutil.move(made / name, folder / name)


def _write_layers(path: Path, layers: _Layers) -> None:
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": GEOPACKAGE_STAMP})
    try:
        for name in VECTOR_LAYERS:
            shape = _GEOMETRY.get(name, "MultiPolygon")
            frame = _empty(COLUMNS[name], layers.units, layers.crs)
            if name in layers.drawn:
                frame = _filled(frame, COLUMNS[name], layers.drawn[name])
            kind = {"promote_to_multi": True} if shape.startswith("Multi") else {}
            pyogrio.write_dataframe(frame, path, layer=name, geometry_type=shape, **kind)
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _empty(columns: tuple[Column, ...], units: UnitsName, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """Return a frame without rows whose columns have the right types."""
    names = _US_NAMES if units == "us" else {}
    data = {names.get(c.name, c.name): pd.Series(dtype=_DTYPES[c.kind]) for c in columns}
    return gpd.GeoDataFrame(data, geometry=gpd.GeoSeries([], crs=crs), crs=crs)


def _filled(
    empty: gpd.GeoDataFrame, columns: tuple[Column, ...], drawn: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Return drawn rows under a template's headers, in the units that these carry."""
    data: dict[str, Any] = {}
    for column, header in zip(columns, empty.columns, strict=False):
        values = drawn[column.name].tolist() if column.name in drawn else [None] * len(drawn)
        told = [None if pd.isna(value) else value for value in values]
        if column.kind in {"number", "length"}:
            factor = column.endings[header.removeprefix(column.name)]
            told = [None if value is None else float(value) / factor for value in told]
        data[header] = pd.Series(told, dtype=_FILLED[column.kind])
    shapes = drawn.geometry.to_crs(empty.crs).reset_index(drop=True)
    return gpd.GeoDataFrame(data, geometry=shapes, crs=empty.crs)


def _toml(units: UnitsName) -> str:
    """Return a property file that explains every key of which it shows an example."""
    first, *others = (_table(table, us=units == "us") for table in TABLES)
    return "\n".join((_HEAD + first + _DRAWN, *others))


def _table(table: Table, *, us: bool) -> str:
    """Return the lines of a table: of keys that exclude each other only the first has its own."""
    lines = []
    written: set[str] = set()
    if table.name:
        mark = "" if table.live else "# "
        lines.append(_line(f"{mark}[{table.name}]", table.says))
    for key in table.keys:
        default = table.default(key)
        if key.either in written or (default is None and not key.shown):
            continue
        written |= {key.either} - {""}
        live = table.live and not key.rare and (key.required or key.default is not None)
        text = key.example(default, us=us)
        told = f" [{key.unit}]" if "" in key.spelled and text.startswith(f"{key.name} ") else ""
        lines.append(_line(("" if live else "# ") + text, key.says + told))
        others = [one for one in table.keys if one.either and one.either == key.either]
        lines += [_line("", f"or {one.example(us=us)}") for one in others if one != key]
    return "".join(lines)


def _line(text: str, says: str) -> str:
    return f"{text.ljust(_COLUMN - 1)} # {says}\n" if says else f"{text}\n"


DEMOS: Final = {
    "campus": "a mixed campus-like landscape of 1.5 ha, where several sensors pay",
    "yard": "a small yard in the southern hemisphere, where one sensor is enough",
    "fields": "sports grounds of 3.3 ha with four fields, a stand and a row of poplars",
    "court": "a courtyard that its own roofs shade, with a lawn on the street",
}


def demo_property(name: str = "campus") -> Path:
    """Return the property file of a bundled demo.

    Parameters
    ----------
    name : str
        One of `DEMOS`.

    Returns
    -------
    Path
        The property file, in the installed package or in a checkout's ``data`` folder.

    Raises
    ------
    SitingError
        When there is no such demo, or the installation lacks it.
    """
    if name not in DEMOS:
        msg = f"no demo is called {name!r}; there are {', '.join(DEMOS)}"
        raise SitingError(msg)
    package = Path(__file__).parents[1]
    for folder in (package / "_demo" / name, package.parent / "data" / name):
        if (folder / "property.toml").is_file():
            return folder / "property.toml"
    msg = f"this installation of siting lacks its demo {name!r}; install it again"
    raise SitingError(msg)


_Schema = dict[str, Any]
_DRAFT: Final = "https://json-schema.org/draft/2020-12/schema"
_TEXTS: Final[_Schema] = {"type": "array", "items": {"type": "string"}, "minItems": 1}
_CLOCK: Final[_Schema] = {"type": "string", "pattern": "^ *([01]?\\d|2[0-3]):[0-5]\\d *$"}
_PLAIN: Final[dict[str, _Schema]] = {
    "text": {"type": "string"},
    "flag": {"type": "boolean"},
    "day": {"type": "string", "pattern": "^\\d{1,2}-\\d{1,2}$"},
    "time": _CLOCK,
    "window": {"type": "array", "items": _CLOCK, "minItems": 2, "maxItems": 2},
    "names": _TEXTS,
    "weekdays": _TEXTS,
}


def property_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a property file, for completion in an editor.

    Returns
    -------
    dict
        Plain values. `siting check` looks at more than it can say: files, keys of which only one
        may stand, values that contradict each other.

    Examples
    --------
    >>> property_schema()["properties"]["water"]["properties"]["price_per_kgal"]["minimum"]
    0.0
    """
    top: _Schema = {
        "$schema": _DRAFT,
        "title": "Property file of siting",
        **_table_schema(TABLES[0]),
    }
    for table in TABLES[1:]:
        home = top
        for part in table.name.split(".")[:-1]:
            home = home["properties"][part]
        home["properties"][table.name.split(".")[-1]] = _table_schema(table)
    top["properties"]["evidence"] = {
        "type": "array",
        "description": EVIDENCE.says,
        "items": _table_schema(EVIDENCE),
    }
    top["properties"]["factors"] = {
        "type": "object",
        "description": "factors of other packages: name = options",
        "additionalProperties": {"type": "object"},
    }
    top["properties"]["layers"] = _layers(top["properties"]["layers"]["description"])
    return top


def _table_schema(table: Table) -> _Schema:
    """Return a table that holds its keys and no others."""
    made = _object(table.keys)
    return made | ({"description": table.says} if table.says else {})


def _object(of: Iterable[Key]) -> _Schema:
    properties: _Schema = {}
    needed: list[str] = []
    for one in of:
        for spelling, factor in one.factors.items():
            properties[spelling] = _value(one, factor)
        # The weather's height and file are not asked of a stand-in.
        if one.required and len(one.factors) == 1 and one.kind != "own":
            needed.append(next(iter(one.factors)))
    made: _Schema = {
        "type": "object",
        "properties": properties,
        "additionalProperties": False,
    }
    return made | ({"required": needed} if needed else {})


def _value(one: Key, factor: float) -> _Schema:
    """Return what may stand at one spelling of a key."""
    says = " ".join(filter(None, (one.says, f"[{one.unit}]" if one.unit and factor == 1 else "")))
    made = _kinds(one, factor)
    if isinstance(one.default, bool | str | int | float) and factor == 1 and one.kind != "own":
        made = made | {"default": one.default}
    return made | {"description": says}


def _kinds(one: Key, factor: float) -> _Schema:
    number: _Schema = {"type": "integer" if one.whole else "number"}
    if one.most > one.least:
        number |= {"minimum": one.least / factor, "maximum": one.most / factor}
    words: _Schema = {"type": "string", "enum": list(one.words)}
    special: dict[str, _Schema] = {
        "number": number,
        "word": words,
        "words": {"type": "array", "items": words, "minItems": 1},
        "valves": {"type": "object", "additionalProperties": number},
        "bills": _bills(),
    }
    if one.kind == "tiers":
        return {"type": "array", "items": _object(keys(Tier))}
    found = special | _PLAIN
    if one.kind in found:
        return found[one.kind]
    if one.name == "units_in":
        return {"anyOf": [_units(), {"type": "object"}]}
    # Read by a reader of its own: a number within bounds, else text; a date is no string in TOML.
    return number if one.most > one.least else {}


def _bills() -> _Schema:
    use: _Schema = {"type": "number", "minimum": 0}
    months = {s: use for n, m in enumerate(MONTHS, start=1) for s in (m[:3], m, str(n))}
    units = [end.removeprefix("_") for end in VOLUMES_M3]
    return {
        "type": "object",
        "properties": {"unit": {"enum": units}, "meter": {"enum": ["irrigation", "all"]}, **months},
        "additionalProperties": False,
    }


def _units() -> _Schema:
    return {"type": "string", "enum": list(LENGTH_UNITS_M)}


def _layers(says: str) -> _Schema:
    """Return the drawing: one file, or a table with a file or a table for each layer."""
    one: _Schema = {"file": {"type": "string", "description": "the file of every layer"}}
    for name in (*VECTOR_LAYERS, *RASTER_LAYERS, *PICTURE_LAYERS):
        source = _object(keys(LayerSource))
        if name in COLUMNS:
            ours = {c.name: {"type": "string"} for c in COLUMNS[name]}
            words = {c.name: {"type": "object"} for c in COLUMNS[name] if c.words}
            for key, known in (("columns", ours), ("values", words)):
                source["properties"][key] = {"type": "object", "properties": known}
        one[name] = {"anyOf": [{"type": "string"}, source]}
    table: _Schema = {"type": "object", "properties": one, "additionalProperties": False}
    return {"description": says, "anyOf": [{"type": "string"}, table]}
