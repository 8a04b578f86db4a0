"""`plan.json`: the whole plan as one schema-versioned, byte-stable document.

Keys are written in a fixed order, unknown numbers as null, floats rounded to decimals that a crew
or a program can use (positions to a millimetre, degrees to 1e-8, about 1 mm), so that the same plan
gives the same bytes. Every key is described, with its unit, in `plan.schema.json` (JSON Schema,
draft 2020-12), which ships beside this module.
"""

from __future__ import annotations

import json
import math
from collections.abc import Hashable, Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import shapely

from siting.files import write_bytes
from siting.handoff.facts import spares
from siting.planning.model import Plan
from siting.zones.need import CAUSES

if TYPE_CHECKING:
    import pandas as pd


SCHEMA_NAME: Final = "siting-plan/1"
# Columns and decimals, in the order in which they are written; None: text, truth or whole number.
_Columns = Mapping[str, int | None]
_ZONES: Final[_Columns] = {
    "valve": None, "controller": None, "plants": None, "soil": None, "irrigation": None,
    "area_m2": 2, "sun_hours": 3, "insolation": 3, "sky_view": 4, "plant_factor": 4,
    "ks": 4, "kd": 4, "establishment": 3, "kmc": 4, "kmc_computed": 4, "kmc_range": None, "kl": 4,
    "need_score": 3, "need_ratio": 3, "need_words": None, "net_irrigation_mm": 2,
    "etc_peak_mm_d": 3, "root_depth_m": 3, "taw_mm": 2,
    "raw_mm": 2, "precipitation_rate": 2, "distribution_uniformity": 3, "rain_share": 3,
    "sensor_id": None,
    "control": None, "run_time_factor": 3, "run_minutes": 1, "today_minutes": 1, "cycles": None,
    "cycle_minutes": 1, "soak_minutes": 1, "events": 2, "today_events": 2, "water_m3": 4,
    "today_m3": 4, "stress_days": 2, "stress_mean": 2, "today_stress_days": 2,
    "today_stress_mean": 2, "expected_rank": 4, "p_driest_quarter": 4, "p_wetter_half": 4,
}  # fmt: skip
_SENSORS_HEAD: Final[_Columns] = {"zone": None, "valve": None, "controller": None}
_SENSORS_TAIL: Final[_Columns] = {
    "depth_m": 4, "depth_note": None, "expected_rank": 4, "p_driest_quarter": 4,
    "p_wetter_half": 4, "p_driest_quarter_tested": 4, "application_note": None,
    "setback_ratio": 3, "binding_setback": None, "setback_note": None, "reason": None,
    "zone_note": None,
}  # fmt: skip
_THRESHOLD: Final[Mapping[str, tuple[str, int | None]]] = {
    "low_mm": ("threshold_low_mm", 2),
    "low_fraction": ("threshold_low_fraction", 4),
    "vwc": ("threshold_vwc", 4),
    "step_vwc": ("threshold_step_vwc", 4),
    "soak_wait_h": ("soak_wait_h", 1),
    "note": ("threshold_note", None),
}
_CHOICES: Final[_Columns] = {
    "feasible": None, "groups": None, "used": None, "control": None, "hardware": None,
    "water_m3": 4, "cost_per_year": 2, "stress_days": 2, "value_of_next": 2,
    "value_of_next_low": 2, "value_of_next_high": 2, "value_of_next_error": 2, "next_pays": 3,
    "gap": 8, "verdict": None, "chosen": None,
}  # fmt: skip
_RULES: Final[_Columns] = {
    "n": None, "feasible": None, "verdict": None, "water_m3": 4, "cost_per_year": 2,
    "stress_days": 2,
}  # fmt: skip
_YEARS: Final[_Columns] = {
    "baseline_m3": 4, "plan_m3": 4, "saved_m3": 4, "saved_fraction": 4, "skipped_fraction": 4,
    "stress_days": 2, "rain_mm": 2, "et0_mm": 2,
}  # fmt: skip
_RANGES: Final[Mapping[str, str]] = {
    "baseline": "baseline_m3",
    "plan": "plan_m3",
    "saved_m3": "saved_m3",
    "saved_fraction": "saved_fraction",
    "skipped_fraction": "skipped_fraction",
    "stress_days": "stress_days",
}
#: Mean, range over the weather years, range over the scenarios.
_ENDS: Final = ("", "_low", "_high", "_scenario_low", "_scenario_high")
_ECONOMICS: Final[_Columns] = {
    "currency": None, "price": 4, "capital": 2, "device": 2, "installation": 2, "trench": 2,
    "wire": 2, "yearly_cost": 2,
    **{f"saved_m3{end}": 2 for end in _ENDS}, **{f"saved_per_year{end}": 2 for end in _ENDS},
    **{f"payback_years{end}": 2 for end in _ENDS},
    **{f"payback_discounted_years{end}": 2 for end in _ENDS},
    "net_present_value": 2, "claim": None,
}  # fmt: skip
_WAYS: Final[_Columns] = {
    "way": None, "sensors": None, "saved_m3": 4, "saved_per_year": 2, "capital": 2,
    "payback_years": 2, "stress_days": 2,
}  # fmt: skip
_CONTROLS: Final[_Columns] = {
    "sensors": None, "hardware": None, "water_m3": 4, "cost_per_year": 2, "stress_days": 2,
    "within_limit": None, "chosen": None,
}  # fmt: skip
_REGRET: Final[_Columns] = {
    "cost_per_year": 2, "regret_mean": 2, "regret_max": 2, "worst_scenario": None,
}  # fmt: skip
_TIMER: Final[_Columns] = {
    "valve": None, "controller": None, "program": None, "control": None, "days": None,
    "run_minutes": 1, "depth_mm": 2, "cycles": None, "cycle_minutes": 1, "soak_minutes": 1,
    "water_m3": 4, "stress_days": 2,
}  # fmt: skip
_SENSITIVITY: Final[_Columns] = {
    "low": None, "high": None, "value_low": 2, "value_high": 2, "value_base": 2, "payback_low": 2,
    "payback_high": 2, "stress_low": 2, "stress_high": 2, "swing": 2, "measure": None, "unit": None,
}  # fmt: skip
_DECISION: Final[_Columns] = {
    "gap": 8, "lower_bound": 2, "bound_share": 6, "trench_rounds": None, "scenarios": None,
    "weather_years": None, "next_worth": 2, "next_pays": 3, "waiting_worth": 2, "exactness": None,
}  # fmt: skip
_BUDGET: Final[_Columns] = {
    "kind": None, "use": None, "reference": None, "period": None, "eto_mm": 1, "area_m2": 2,
    "special_area_m2": 2, "et_adjustment": 3, "allowance_m3": 4, "estimated_m3": 4, "within": None,
}  # fmt: skip
_PARTS: Final[_Columns] = {"item": None, "quantity": 3, "unit": None, "note": None}


def plan_document(plan: Plan) -> dict[str, Any]:
    """Return a plan as plain values, ready for JSON.

    Parameters
    ----------
    plan : Plan
        The plan; not changed.

    Returns
    -------
    dict
        Every key of plan.schema.json with its unit; no NaN, no NumPy types.
    """
    return {
        "schema": SCHEMA_NAME,
        "property": _property(plan),
        "headline": plan.wording(plan.settings.units).headline,
        "answer": plan.answer,
        "sensors": _sensors(plan),
        "zones": _zones(plan),
        "choices": _records(plan.choices, "n", _CHOICES),
        "rules": _records(plan.rules, "rule", _RULES),
        "controls": _records(plan.controls, "kind", _CONTROLS),
        "regret": _regret(plan.regret),
        "decision": _decision(plan.decision),
        "timer": _timer(plan.timer_table),
        "sensitivity": _records(plan.sensitivity, "input", _SENSITIVITY),
        "season": _season(plan.season),
        "economics": _economics(plan.economics),
        "budget": _budget(plan.economics.get("budget")),
        "parts": _records(plan.parts, None, _PARTS),
        "warnings": list(plan.warnings),
        "cautions": list(plan.cautions),
        "provenance": _anything(plan.provenance),
    }


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
def crs_name(crs: Any) -> str:  # noqa: ANN401 - pyproj is not typed here
    """Return "EPSG:code" where a CRS has one, else its WKT.

    Result: a name that pyproj and GDAL read back.
    """
    authority = crs.to_authority()
    return ":".join(authority) if authority else str(crs.to_wkt())


def _property(plan: Plan) -> dict[str, Any]:
    """Name, place and frames of reference."""
    site, season = plan.site, plan.settings.season
    return {
        "name": site.name,
        "units": plan.settings.units,
        "crs": crs_name(site.source_crs),
        "working_crs": crs_name(site.crs),
        "longitude": _plain(site.longitude, 8),
        "latitude": _plain(site.latitude, 8),
        "area_m2": _plain(site.boundary.area, 2),
        "irrigated_area_m2": _plain(float(plan.zones["area_m2"].sum()), 2),
        "season_start": "{:02d}-{:02d}".format(*season.start),
        "season_end": "{:02d}-{:02d}".format(*season.end),
    }


def _sensors(plan: Plan) -> list[dict[str, Any]]:
    """One record per sensor, with its threshold and its ties."""
    decimals = 8 if plan.site.source_crs.is_geographic else 3
    ties, reserves = _ties(plan, decimals), _reserves(plan, decimals)
    records = []
    for sensor_id, row in zip(plan.sensors.index, _rows(plan.sensors), strict=True):
        records.append(
            {"sensor_id": str(sensor_id)}
            | _take(row, _SENSORS_HEAD)
            | {"governs": [str(zone) for zone in row["governs"]], "control": row["control"]}
            | {"hardware": row["hardware"]}
            | {"x": _plain(row["source_x"], decimals), "y": _plain(row["source_y"], decimals)}
            | {"lon": _plain(row["lon"], 8), "lat": _plain(row["lat"], 8)}
            | _take(row, _SENSORS_TAIL)
            | {"threshold": _threshold(row)}
            | {"ties": ties.get(str(sensor_id), [])}
            | {"reserves": reserves.get(str(sensor_id), [])}
            | {"wire_m": _plain(row["wire_m"], 3), "trench_m": _plain(row["trench_m"], 3)}
            | {
                "link": str(row["link"]),
                "gauge_awg": _plain(row["gauge_awg"], None),
                "drop_v": _plain(row["drop_v"], 3),
            }
        )
    return records


def _threshold(row: Mapping[Any, Any]) -> dict[str, Any]:
    """Return a sensor's threshold; without a water content where none is handed out."""
    found = {k: _plain(row[c], d) for k, (c, d) in _THRESHOLD.items()}
    return found | ({"vwc": None} if row.get("threshold_withheld") else {})


def _ties(plan: Plan, decimals: int) -> dict[str, list[dict[str, Any]]]:
    """Tape distances by sensor; the fixed points in the property's CRS and in degrees."""
    frame = plan.ties
    if frame.empty:
        return {}
    starts = gpd.GeoSeries(
        shapely.get_point(frame.geometry.to_numpy(), 0), index=frame.index, crs=frame.crs
    )
    source, degrees = starts.to_crs(plan.site.source_crs), starts.to_crs(4326)
    found: dict[str, list[dict[str, Any]]] = {}
    for place, row in enumerate(_rows(frame)):
        here, wgs = source.iloc[place], degrees.iloc[place]
        record = {
            "tie": int(row["tie"]),
            "distance_m": _plain(row["distance_m"], 5),
            "from_kind": row["from_kind"],
            "from_x": _plain(here.x, decimals),
            "from_y": _plain(here.y, decimals),
            "from_lon": _plain(wgs.x, 8),
            "from_lat": _plain(wgs.y, 8),
            "angle_deg": _plain(row["angle_deg"], 1),
            "drms_m": _plain(row["drms_m"], 4),
            "side": row.get("side"),
        }
        found.setdefault(str(row["sensor_id"]), []).append(record)
    return {key: sorted(rows, key=lambda tie: tie["tie"]) for key, rows in found.items()}


def _reserves(plan: Plan, decimals: int) -> dict[str, list[dict[str, Any]]]:
    """Return the reserve points by sensor, in the property's CRS and in degrees."""
    frame = plan.reserves
    if frame.empty:
        return {}
    source, degrees = frame.geometry.to_crs(plan.site.source_crs), frame.geometry.to_crs(4326)
    how = {(tag, at.reserve): at for tag in plan.sensors.index for at in spares(plan, str(tag))}
    found: dict[str, list[dict[str, Any]]] = {}
    for place, row in enumerate(_rows(frame)):
        here, wgs = source.iloc[place], degrees.iloc[place]
        spare = how[row["sensor_id"], int(row["reserve"])]
        record = {
            "reserve": int(row["reserve"]),
            "x": _plain(here.x, decimals),
            "y": _plain(here.y, decimals),
            "lon": _plain(wgs.x, 8),
            "lat": _plain(wgs.y, 8),
            "expected_rank": _plain(row["expected_rank"], 4),
            "p_driest_quarter": _plain(row["p_driest_quarter"], 4),
            "p_wetter_half": _plain(row["p_wetter_half"], 4),
            "setback_ratio": _plain(row["setback_ratio"], 3),
            "binding_setback": row["binding_setback"],
            "as_good": bool(row["as_good"]),
            "distance_m": _plain(spare.distance_m, 5),
            "bearing_deg": _plain(spare.bearing_deg, 1),
            "side": spare.side,
            "tapes": [
                {"tie": tie, "distance_m": _plain(metres, 5), "clear": clear}
                for tie, metres, clear in spare.tapes
            ],
        }
        found.setdefault(str(row["sensor_id"]), []).append(record)
    return {key: sorted(rows, key=lambda row: row["reserve"]) for key, rows in found.items()}


def _zones(plan: Plan) -> list[dict[str, Any]]:
    """One record per hydrozone; the assumed values as a list."""
    records = _records(plan.zones, "zone", _ZONES)
    area = dict(zip(plan.admissible["zone"], plan.admissible["area_m2"], strict=True))
    for record, row in zip(records, _rows(plan.zones), strict=True):
        record["admissible_m2"] = _plain(float(area.get(record["zone"], 0.0)), 2)
        words = str(row["defaults"] or "").split(",")
        record["need_shares"] = {cause: _plain(row[f"need_share_{cause}"], 4) for cause in CAUSES}
        record["defaults"] = [word.strip() for word in words if word.strip()]
    return records


def _budget(budget: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Return the water budget, its zones as records; None where none was asked for."""
    if budget is None:
        return None
    parts = [{"zone": z, "estimated_m3": _plain(v, 2)} for z, v in budget["zones"].items()]
    return {name: _plain(budget[name], d) for name, d in _BUDGET.items()} | {"zones": parts}


def _regret(regret: pd.DataFrame) -> list[dict[str, Any]]:
    """Return one record per option, with its regret in each scenario."""
    records = _records(regret, "option", _REGRET)
    for record, each in zip(records, regret.get("by_scenario", ()), strict=True):
        record["by_scenario"] = [_plain(value, 2) for value in each]
    return records


def _decision(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return how exact the choice is, and what each controller is fitted with."""
    document = {key: _plain(facts.get(key), decimals) for key, decimals in _DECISION.items()}
    fitted = facts.get("hardware", {})
    homes = facts.get("tie_homes", {})
    return document | {
        "tie_numbers": [int(n) for n in facts.get("tie_numbers", ())],
        "tie_homes": [{"zone": str(z), "as_good": list(others)} for z, others in homes.items()],
        "hardware": [
            {"controller": str(name), "hardware": str(kind)} for name, kind in fitted.items()
        ],
    }


def _economics(money: Mapping[str, Any]) -> dict[str, Any]:
    """Return the money of the plan, and of every other way."""
    document = {key: _plain(money.get(key), decimals) for key, decimals in _ECONOMICS.items()}
    ways = [{k: _plain(way[k], d) for k, d in _WAYS.items()} for way in money.get("ways", ())]
    return document | {"ways": ways}


def _timer(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return one record per valve, with its months in season."""
    records = _records(table, "zone", _TIMER)
    for record, row in zip(records, _rows(table), strict=True):
        record["months"] = [
            {
                "month": month,
                "percent": _plain(row[f"percent_{month}"], 0),
                "run_minutes": _plain(row[f"run_minutes_{month}"], 2),
            }
            for month in range(1, 13)
            if row[f"percent_{month}"] > 0
        ]
    return records


def _season(season: pd.DataFrame) -> dict[str, Any]:
    """Mean and range over the years, and every year."""
    document: dict[str, Any] = {
        key: _range(season[column].to_numpy(dtype=float), _YEARS[column])
        for key, column in _RANGES.items()
    }
    return document | {"years": _records(season, "year", _YEARS)}


def _range(values: np.ndarray[Any, Any], decimals: int | None) -> dict[str, Any] | None:
    """Mean, least and most over the years; None where it is not known."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return None
    return {
        "mean": _plain(float(known.mean()), decimals),
        "low": _plain(float(known.min()), decimals),
        "high": _plain(float(known.max()), decimals),
    }


def _records(frame: pd.DataFrame, index: str | None, columns: _Columns) -> list[dict[str, Any]]:
    """Return a table as records, the index first."""
    records = [_take(row, columns) for row in _rows(frame)]
    if index is None:
        return records
    keys = [_plain(key, None) for key in frame.index]
    return [{index: key} | record for key, record in zip(keys, records, strict=True)]


def _rows(frame: pd.DataFrame) -> Iterable[Mapping[Hashable, Any]]:
    """Yield rows as mappings; columns are read one by one, so that whole numbers stay whole."""
    columns = {name: frame[name].tolist() for name in frame.columns if name != "geometry"}
    for place in range(len(frame)):
        yield {name: values[place] for name, values in columns.items()}


def _take(row: Mapping[Hashable, Any], columns: _Columns) -> dict[str, Any]:
    """Pick and clean some columns of a row."""
    return {name: _plain(row[name], decimals) for name, decimals in columns.items()}


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
