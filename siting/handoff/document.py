"""`plan.json`: the whole plan as one schema-versioned, byte-stable document.

Its values, their order, units and decimals are those of `siting.planning.tables.RESULT`, and its
schema is made from them (`plan_schema`). Unknown numbers are null, floats rounded to decimals that
a crew or a program can use (positions to a millimetre, degrees to 1e-8, about 1 mm), so that the
same plan gives the same bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siting.files import write_bytes
from siting.handoff.facts import spares
from siting.planning.model import Plan
from siting.planning.tables import RESULT, SCHEMA_NAME, Column
from siting.site.crs import WGS84, moved
from siting.stages import kept_beside

_TYPES: Final = {
    "text": "string", "number": "number", "whole": "integer", "truth": "boolean",
    "record": "object", "records": "array", "many": "array", "free": "object",
}  # fmt: skip
_METRES: Final = 3  # decimals of a place in a CRS of lengths; one in degrees has those of RESULT


def plan_document(plan: Plan) -> dict[str, Any]:
    """Return a plan as plain values, ready for JSON.

    Parameters
    ----------
    plan : Plan
        The plan; not changed.

    Returns
    -------
    dict
        Every value of `siting.planning.tables.RESULT`; no NaN, no NumPy types.
    """
    values = {
        "schema": SCHEMA_NAME,
        "property": _property(plan),
        "headline": plan.wording(plan.settings.units).headline,
        "answer": plan.answer,
        "sensors": _sensors(plan),
        "zones": _zones(plan),
        "choices": _rows(plan.choices, "n"),
        "rules": _rows(plan.rules, "rule"),
        "controls": _rows(plan.controls, "kind"),
        "regret": _rows(plan.regret, "option"),
        "decision": _decision(plan.decision),
        "timer": _timer(plan.timer_table),
        "sensitivity": _rows(plan.sensitivity, "input"),
        "measuring": _rows(plan.measuring),
        "season": _season(plan.season),
        "economics": _known("economics") | {"ways": ()} | dict(plan.economics),
        "budget": _budget(plan.economics.get("budget")),
        "parts": _rows(plan.parts),
        "warnings": plan.warnings,
        "cautions": plan.cautions,
        "provenance": plan.provenance,
    }
    document: dict[str, Any] = _shaped(values, RESULT)
    return document


def _shaped(value: Any, column: Column) -> Any:  # noqa: ANN401 - any value of a plan
    """Return a value as its column declares it: parts in order, numbers rounded."""
    if column.kind == "free":
        return _anything(value)
    if column.kind == "records":
        return [_shaped(each, column._replace(kind="record")) for each in value]
    if column.kind == "many":
        return [_plain(each, column.of[0].decimals) for each in value]
    if column.kind == "record" and value is not None:
        return {part.name: _shaped(value[part.source], part) for part in column.of}
    return _plain(value, column.decimals)


def plan_schema() -> dict[str, Any]:
    """Return the schema of `plan.json`.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12: every value with its meaning and unit.

    Examples
    --------
    >>> plan_schema()["properties"]["zones"]["items"]["properties"]["area_m2"]["description"]
    'Area [m2]'
    """
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": RESULT.name}
    return head | _schema(RESULT)


def _schema(column: Column) -> dict[str, Any]:
    """Return what JSON Schema says of a value."""
    unit = f" [{column.unit}]" if column.unit else ""
    schema: dict[str, Any] = {"description": f"{column.says}{unit}"} if column.says else {}
    if not {"enum", "const"} & set(column.rule):
        kind = _TYPES[column.kind]
        schema["type"] = [kind, "null"] if column.null else kind
    if column.kind == "record":
        schema["properties"] = {part.name: _schema(part) for part in column.of}
        schema |= {"required": [part.name for part in column.of], "additionalProperties": False}
    elif column.kind == "records":
        schema["items"] = _schema(Column("", "record", column.each, of=column.of))
    elif column.kind == "many":
        schema["items"] = _schema(column.of[0])
    return schema | dict(column.rule)


def plan_bytes(plan: Plan) -> bytes:
    """Return `plan.json`.

    Parameters
    ----------
    plan : Plan
        Not changed.

    Returns
    -------
    bytes
        UTF-8, two-space indent, a line feed at the end; the same plan gives the same bytes.
    """
    text = json.dumps(plan_document(plan), ensure_ascii=False, indent=2, allow_nan=False)
    # Lone surrogates cannot be UTF-8; they come only from broken input names.
    return text.encode("utf-8", "replace") + b"\n"


def write_json(plan: Plan, path: Path | str) -> Path:
    """Write `plan.json`, whole or not at all."""
    return write_bytes(path, plan_bytes(plan))


@cache
def crs_code(crs: Any) -> str | None:  # noqa: ANN401 - pyproj is not typed here
    """Return "EPSG:code", looked up once: that takes a fifth of a second. None without a code."""
    authority: tuple[str, str] | None = kept_beside("code", crs.to_authority, crs.to_wkt())
    return ":".join(authority) if authority else None


def crs_name(crs: Any) -> str:  # noqa: ANN401 - as above
    """Return "EPSG:code" where a CRS has one, else its WKT.

    Result: a name that pyproj and GDAL read back.
    """
    return crs_code(crs) or str(crs.to_wkt())


def _property(plan: Plan) -> dict[str, Any]:
    """Name, place and frames of reference."""
    site, season = plan.site, plan.settings.season
    return {
        "name": site.name,
        "units": plan.settings.units,
        "crs": crs_name(site.source_crs),
        "working_crs": str(site.crs.to_wkt()),
        "longitude": site.longitude,
        "latitude": site.latitude,
        "area_m2": site.boundary.area,
        "irrigated_area_m2": float(plan.zones["area_m2"].sum()),
        "season_start": "{:02d}-{:02d}".format(*season.start),
        "season_end": "{:02d}-{:02d}".format(*season.end),
    }


def _sensors(plan: Plan) -> list[dict[str, Any]]:
    """One record per sensor, with its threshold and its ties."""
    ties, reserves = _ties(plan), _reserves(plan)
    records = _rows(plan.sensors, "sensor_id")
    for row in records:
        tag = row["sensor_id"] = str(row["sensor_id"])
        row.update(_at(plan, "source_x", "source_y", row["source_x"], row["source_y"]))
        # No water content where, after commissioning, none is handed out.
        row["threshold"] = row | ({"threshold_vwc": None} if row.get("threshold_withheld") else {})
        row["ties"], row["reserves"] = ties.get(tag, []), reserves.get(tag, [])
    return records


def _at(plan: Plan, x: str, y: str, east: float, north: float) -> dict[str, float]:
    """Return a place in the property's own CRS, to a millimetre where it is one of lengths."""
    if not plan.site.source_crs.is_geographic:
        east, north = round(east, _METRES), round(north, _METRES)
    return {x: east, y: north}


def _elsewhere(plan: Plan, places: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return places in the property's CRS and in degrees."""
    own = plan.site.crs
    return moved(places, own, plan.site.source_crs), moved(places, own, WGS84)


def _ties(plan: Plan) -> dict[str, list[dict[str, Any]]]:
    """Tape distances by sensor; the fixed points in the property's CRS and in degrees."""
    frame = plan.ties
    if frame.empty:
        return {}
    starts = shapely.get_point(frame.geometry.to_numpy(), 0)
    source, degrees = _elsewhere(plan, starts)
    found: dict[str, list[dict[str, Any]]] = {}
    for row, here, wgs in zip(_rows(frame), source, degrees, strict=True):
        row.update(_at(plan, "from_x", "from_y", here.x, here.y))
        row.update(tie=int(row["tie"]), side=row.get("side"), from_lon=wgs.x, from_lat=wgs.y)
        found.setdefault(str(row["sensor_id"]), []).append(row)
    return {key: sorted(rows, key=lambda tie: tie["tie"]) for key, rows in found.items()}


def _reserves(plan: Plan) -> dict[str, list[dict[str, Any]]]:
    """Return the reserve points by sensor, in the property's CRS and in degrees."""
    frame = plan.reserves
    if frame.empty:
        return {}
    source, degrees = _elsewhere(plan, frame.geometry.to_numpy())
    how = {(tag, at["reserve"]): at for tag in plan.sensors.index for at in spares(plan, str(tag))}
    found: dict[str, list[dict[str, Any]]] = {}
    for row, here, wgs in zip(_rows(frame), source, degrees, strict=True):
        spare = how[row["sensor_id"], int(row["reserve"])]
        names = ("tie", "distance_m", "clear")
        row.update(_at(plan, "x", "y", here.x, here.y))
        row.update(
            reserve=int(row["reserve"]),
            lon=wgs.x,
            lat=wgs.y,
            as_good=bool(row["as_good"]),
            distance_m=spare["distance_m"],
            bearing_deg=spare["bearing_deg"],
            side=spare["side"],
            tapes=[dict(zip(names, tape, strict=True)) for tape in spare["tapes"]],
        )
        found.setdefault(str(row["sensor_id"]), []).append(row)
    return {key: sorted(rows, key=lambda row: row["reserve"]) for key, rows in found.items()}


def _zones(plan: Plan) -> list[dict[str, Any]]:
    """One record per hydrozone; the assumed values as a list."""
    area = dict(zip(plan.admissible["zone"], plan.admissible["area_m2"], strict=True))
    records = _rows(plan.zones, "zone")
    for row in records:
        words = str(row["defaults"] or "").split(",")
        row["admissible_m2"] = float(area.get(row["zone"], 0.0))
        row["defaults"] = [word.strip() for word in words if word.strip()]
        row["need_shares"] = row
    return records


def _budget(budget: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Return the water budget, its zones as records; None where none was asked for."""
    if budget is None:
        return None
    parts = [{"zone": zone, "estimated_m3": used} for zone, used in budget["zones"].items()]
    return dict(budget) | {"zones": parts}


def _decision(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return how exact the choice is, and what each controller is fitted with."""
    fitted, homes = facts.get("hardware", {}), facts.get("tie_homes", {})
    return (
        _known("decision")
        | dict(facts)
        | {
            "tie_numbers": [int(n) for n in facts.get("tie_numbers", ())],
            "tie_homes": [{"zone": str(z), "as_good": others} for z, others in homes.items()],
            "hardware": [
                {"controller": str(name), "hardware": str(kind)} for name, kind in fitted.items()
            ],
        }
    )


def _known(name: str) -> dict[str, Any]:
    """Return the values of a record, none of them known."""
    return dict.fromkeys(part.source for part in RESULT.part(name).of)


def _timer(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return one record per valve, with its months in season."""
    records = _rows(table, "zone")
    for row in records:
        row["months"] = [
            {
                "month": month,
                "percent": row[f"percent_{month}"],
                "run_minutes": row[f"run_minutes_{month}"],
            }
            for month in range(1, 13)
            if row[f"percent_{month}"] > 0
        ]
    return records


def _season(season: pd.DataFrame) -> dict[str, Any]:
    """Mean and range over the years, and every year."""
    parts = [part.source for part in RESULT.part("season").of if part.kind == "record"]
    ranges = {name: _range(season[name].to_numpy(dtype=float)) for name in parts}
    return ranges | {"years": _rows(season, "year")}


def _range(values: np.ndarray[Any, Any]) -> dict[str, Any] | None:
    """Mean, least and most over the years; None where it is not known."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return None
    return {"mean": float(known.mean()), "low": float(known.min()), "high": float(known.max())}


def _rows(frame: pd.DataFrame, index: str | None = None) -> list[dict[str, Any]]:
    """Return a table's rows, its index under a name; read by column, so that whole stays whole."""
    columns: dict[str, Iterable[Any]] = {str(index): frame.index} if index else {}
    table = pd.DataFrame(frame)  # a plain one, whose columns are quicker to take
    columns |= {str(name): table[name].tolist() for name in table.columns if name != "geometry"}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _plain(value: Any, decimals: int | None) -> Any:  # noqa: ANN401 - any cell of a table
    """Return a cell as a JSON value: rounded, NaN as None, -0.0 as 0.0."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return value if decimals is None else round(value, decimals) + 0.0
    if isinstance(value, int) and not isinstance(value, bool) and decimals is not None:
        return float(value)
    return value


def _anything(value: Any) -> Any:  # noqa: ANN401 - provenance is free-form
    """Return nested free-form values as JSON values, mappings in key order."""
    if isinstance(value, Mapping):
        return {str(k): _anything(value[k]) for k in sorted(value, key=str)}
    if isinstance(value, (list, tuple, set, frozenset)):
        items = sorted(value, key=str) if isinstance(value, (set, frozenset)) else value
        return [_anything(item) for item in items]
    if isinstance(value, np.ndarray):
        return _anything(value.tolist())
    plain = _plain(value, None)
    return plain if plain is None or isinstance(plain, (str, bool, int, float)) else str(plain)
