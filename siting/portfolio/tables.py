"""The result tables of a portfolio: their columns, and the rows of one property."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import shapely
from shapely.geometry.base import BaseGeometry

from siting.errors import Fault
from siting.planning import Plan

__all__ = ["SCHEMAS", "TABLES", "Rows", "fault_rows", "plan_rows", "to_tables"]

#: Table -> rows, each a mapping of column to value.
Rows = dict[str, list[dict[str, Any]]]

_TEXT: Final = pa.string()
_REAL: Final = pa.float64()
_FLAG: Final = pa.bool_()
_WHOLE: Final = pa.int64()
_SHAPE: Final = pa.binary()
_BOX: Final = pa.struct([(side, _REAL) for side in ("xmin", "ymin", "xmax", "ymax")])


def _schema(
    texts: Sequence[str],
    reals: Sequence[str],
    *,
    flags: Sequence[str] = (),
    whole: Sequence[str] = (),
    shape: bool = False,
) -> pa.Schema:
    """Return a schema whose first column is the property."""
    fields = [("property", _TEXT)]
    fields += [(name, _TEXT) for name in texts]
    fields += [(name, _FLAG) for name in flags]
    fields += [(name, _WHOLE) for name in whole]
    fields += [(name, _REAL) for name in reals]
    fields += [("bbox", _BOX), ("geometry", _SHAPE)] if shape else []
    return pa.schema(fields)


#: Table -> its columns. Geometry is WKB in WGS 84 (longitude, latitude); units are in the names.
SCHEMAS: Final[Mapping[str, pa.Schema]] = {
    "properties": _schema(
        ("name", "status", "control", "currency", "answer", "warnings"),
        (
            "lon", "lat", "area_m2", "irrigated_m2", "water_m3", "today_m3", "saved_m3",
            "saved_m3_low", "saved_m3_high", "saved_per_year", "saved_per_year_low",
            "saved_per_year_high", "capital", "payback_years", "cost_per_year", "stress_days",
            "value_of_second",
        ),
        whole=("zones", "sensors", "faults"),
        shape=True,
    ),
    "sensors": _schema(
        (
            "sensor_id", "zone", "valve", "controller", "governs", "control", "depth_note",
            "binding_setback", "setback_note", "reason", "threshold_note", "application_note",
        ),
        (
            "lon", "lat", "source_x", "source_y", "depth_m", "expected_rank", "p_driest_quarter",
            "p_wetter_half", "setback_ratio", "threshold_low_mm", "threshold_high_mm",
            "threshold_low_fraction", "threshold_high_fraction", "threshold_vwc", "soak_wait_h",
            "wire_m", "trench_m",
        ),
        shape=True,
    ),
    "zones": _schema(
        ("zone", "valve", "controller", "plants", "soil", "irrigation", "sensor_id", "control",
         "defaults"),
        (
            "area_m2", "sun_hours", "insolation", "sky_view", "plant_factor", "need_score",
            "etc_peak_mm_d", "root_depth_m", "taw_mm", "raw_mm", "precipitation_rate",
            "distribution_uniformity", "net_irrigation_mm", "run_time_factor", "run_minutes",
            "today_minutes", "cycles", "cycle_minutes", "soak_minutes", "events", "today_events",
            "water_m3", "today_m3", "stress_days",
        ),
        shape=True,
    ),
    "choices": _schema(
        ("groups", "control"),
        ("used", "water_m3", "cost_per_year", "stress_days", "value_of_next"),
        flags=("feasible", "chosen"),
        whole=("n",),
    ),
    "seasons": _schema(
        (),
        ("baseline_m3", "plan_m3", "saved_m3", "stress_days", "rain_mm", "et0_mm"),
        whole=("year",),
    ),
    "faults": _schema(
        ("reason", "file", "layer", "feature", "column", "found", "allowed", "mend"),
        (),
        whole=("fault",),
    ),
}  # fmt: skip
TABLES: Final = tuple(SCHEMAS)
_WGS84: Final = 4326
_SECOND: Final = 2


def plan_rows(property_id: str, plan: Plan) -> Rows:
    """Return the rows of a planned property in every table."""
    sensors, zones = _flat(plan.sensors, "sensor_id"), _flat(plan.zones, "zone")
    seasons = plan.season.reset_index(names="year")
    rows: Rows = {
        "properties": [_summary(plan)],
        "sensors": sensors,
        "zones": zones,
        "choices": _records(plan.choices.reset_index(names="n")),
        "seasons": _records(seasons),
        "faults": [],
    }
    return {
        table: [{**row, "property": property_id} for row in part] for table, part in rows.items()
    }


def fault_rows(property_id: str, reason: str, faults: Iterable[Fault]) -> Rows:
    """Return the rows of a property that could not be planned.

    Result: table -> rows; only properties and faults have any.
    """
    rows: Rows = {table: [] for table in TABLES}
    listed = tuple(faults)
    rows["faults"] = [
        {
            "property": property_id,
            "reason": reason,
            "fault": number,
            **{
                name: getattr(fault, name) or ""
                for name in ("file", "layer", "feature", "column", "found", "allowed", "mend")
            },
        }
        for number, fault in enumerate(listed, start=1)
    ]
    rows["properties"] = [
        {"property": property_id, "name": "", "status": reason, "zones": 0, "sensors": 0,
         "faults": len(listed)}
    ]  # fmt: skip
    return rows


def to_tables(rows: Rows) -> dict[str, pa.Table]:
    """Return rows as tables with the columns of `SCHEMAS`.

    rows: from `plan_rows` or `fault_rows`, unknown columns are dropped, absent ones are null.
    Result: every table, empty ones too.
    """
    return {
        table: pa.Table.from_pylist(
            [{name: row.get(name) for name in schema.names} for row in rows.get(table, [])],
            schema=schema,
        )
        for table, schema in SCHEMAS.items()
    }


def _summary(plan: Plan) -> dict[str, Any]:
    """Return the row of a property in the table of properties."""
    site, money, season = plan.site, plan.economics, plan.season
    chosen = plan.choices[plan.choices["chosen"].to_numpy(dtype=bool)].iloc[0]
    saved = season["saved_m3"].dropna()
    return {
        "name": site.name,
        "status": "planned",
        "control": chosen["control"],
        "currency": money["currency"],
        "answer": plan.answer,
        "warnings": json.dumps(list(plan.warnings), ensure_ascii=False),
        "lon": site.longitude,
        "lat": site.latitude,
        "area_m2": float(site.boundary.area),
        "irrigated_m2": float(plan.zones["area_m2"].sum()),
        "water_m3": _real(chosen["water_m3"]),
        "today_m3": _real(season["baseline_m3"].mean()),
        "saved_m3": _real(saved.mean() if len(saved) else None),
        "saved_m3_low": _real(saved.min() if len(saved) else None),
        "saved_m3_high": _real(saved.max() if len(saved) else None),
        **{
            name: _real(money.get(name))
            for name in (
                "saved_per_year", "saved_per_year_low", "saved_per_year_high", "capital",
                "payback_years",
            )
        },
        "cost_per_year": _real(chosen["cost_per_year"]),
        "stress_days": _real(chosen["stress_days"]),
        "value_of_second": _value_of_second(plan.choices),
        "zones": len(plan.zones),
        "sensors": len(plan.sensors),
        "faults": 0,
        **_shape(gpd.GeoSeries([site.boundary], crs=site.crs).to_crs(_WGS84).iloc[0]),
    }  # fmt: skip


def _value_of_second(choices: pd.DataFrame) -> float | None:
    """Return what a second sensor is worth per year beyond the first [currency/year]."""
    return _real(choices["value_of_next"].get(_SECOND - 1))


def _flat(frame: gpd.GeoDataFrame, name: str) -> list[dict[str, Any]]:
    """Return the rows of a layer, in WGS 84."""
    moved = frame.to_crs(_WGS84) if len(frame) else frame
    plain = pd.DataFrame(moved.drop(columns="geometry")).reset_index(names=name)
    return [
        {**row, **_shape(shape)} for row, shape in zip(_records(plain), moved.geometry, strict=True)
    ]


def _shape(shape: BaseGeometry) -> dict[str, Any]:
    """Return a shape as WKB with its bounding box."""
    west, south, east, north = shape.bounds
    box = {"xmin": west, "ymin": south, "xmax": east, "ymax": north}
    return {"geometry": shapely.to_wkb(shape), "bbox": box}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows of plain values; lists as text, unknown values as None."""
    return [
        {str(key): _plain(value) for key, value in row.items()}
        for row in frame.to_dict(orient="records")
    ]


def _plain(value: Any) -> Any:  # noqa: ANN401  (cells of any type)
    if isinstance(value, (tuple, list)):
        return ", ".join(str(item) for item in value)
    value = value.item() if hasattr(value, "item") else value
    return None if isinstance(value, float) and math.isnan(value) else value


def _real(value: Any) -> float | None:  # noqa: ANN401  (any number)
    if value is None:
        return None
    number = float(value)
    return number if math.isfinite(number) else None
