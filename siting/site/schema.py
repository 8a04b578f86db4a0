"""A JSON Schema of the property file, for editors: made of the same table of keys that reads it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from siting.site.columns import COLUMNS
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
from siting.units import LENGTH_UNITS_M

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
    top: _Schema = {"$schema": _DRAFT, "title": "Property file of siting", **_table(TABLES[0])}
    for table in TABLES[1:]:
        home = top
        for part in table.name.split(".")[:-1]:
            home = home["properties"][part]
        home["properties"][table.name.split(".")[-1]] = _table(table)
    top["properties"]["evidence"] = {
        "type": "array",
        "description": EVIDENCE.says,
        "items": _table(EVIDENCE),
    }
    top["properties"]["factors"] = {
        "type": "object",
        "description": "factors of other packages: name = options",
        "additionalProperties": {"type": "object"},
    }
    top["properties"]["layers"] = _layers(top["properties"]["layers"]["description"])
    return top


def _table(table: Table) -> _Schema:
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
