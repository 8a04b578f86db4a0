"""`plan.gpkg`: the plan as a styled GeoPackage 1.2 in the property's own CRS."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

import geopandas as gpd
import pyogrio

from siting.atomic import atomic_path
from siting.handoff._gis_styles import STAMP, write_styles
from siting.handoff._hazards import hazard_group, keep_clear, lines_drawn
from siting.planning import Plan
from siting.units import show

__all__ = ["fixed_date", "package_layers", "pick", "write_package"]

# Our column -> the column in the file, units in the name; the order of the file.
_ZONES: Final[Mapping[str, str]] = {
    "zone": "zone", "valve": "valve", "controller": "controller", "plants": "plants",
    "soil": "soil", "irrigation": "irrigation", "sensor_id": "sensor_id", "control": "control",
    "need_score": "need_pct_d", "area_m2": "area_m2", "sun_hours": "sun_h_d",
    "insolation": "sun_mj_m2_d", "sky_view": "sky_view", "plant_factor": "plant_fac",
    "net_irrigation_mm": "net_irr_mm", "etc_peak_mm_d": "etc_mm_d", "root_depth_m": "root_m",
    "taw_mm": "taw_mm", "raw_mm": "raw_mm", "precipitation_rate": "rate_mm_h",
    "distribution_uniformity": "du", "run_time_factor": "run_factor", "run_minutes": "run_min",
    "today_minutes": "today_min", "cycles": "cycles", "cycle_minutes": "cycle_min",
    "soak_minutes": "soak_min", "events": "events", "today_events": "today_ev",
    "water_m3": "water_m3", "today_m3": "today_m3", "stress_days": "stress_d",
    "expected_rank": "exp_rank", "p_driest_quarter": "p_driest", "p_wetter_half": "p_wetter",
    "defaults": "assumed",
}  # fmt: skip
_SENSORS: Final[Mapping[str, str]] = {
    "sensor_id": "sensor_id", "zone": "zone", "valve": "valve", "controller": "controller",
    "governs": "governs", "control": "control", "hardware": "hardware",
    "depth_m": "depth_m", "depth_note": "depth_note",
    "source_x": "x", "source_y": "y", "lon": "lon_deg", "lat": "lat_deg",
    "expected_rank": "exp_rank", "p_driest_quarter": "p_driest", "p_wetter_half": "p_wetter",
    "p_driest_quarter_tested": "p_tested", "application_note": "appl_note",
    "setback_ratio": "set_ratio", "binding_setback": "set_tight", "setback_note": "set_note",
    "reason": "reason", "zone_note": "zone_note",
    "threshold_low_mm": "low_mm", "threshold_high_mm": "high_mm",
    "threshold_low_fraction": "low_frac", "threshold_high_fraction": "high_frac",
    "threshold_vwc": "vwc", "soak_wait_h": "soak_h", "threshold_note": "thr_note",
    "wire_m": "wire_m", "trench_m": "trench_m",
    "gauge_awg": "gauge_awg", "drop_v": "drop_v",
}  # fmt: skip
_WIRES: Final = {
    c: c for c in ("sensor_id", "controller", "kind", "conductors", "length_m", "crosses")
}
_TIES: Final = {c: c for c in ("sensor_id", "tie", "distance_m", "from_kind")} | {
    "angle_deg": "angle_deg",
    "drms_m": "drms_m",
    "side": "side",
}
_RESERVES: Final = {c: c for c in ("sensor_id", "reserve")} | {
    "expected_rank": "exp_rank",
    "p_driest_quarter": "p_driest",
    "p_wetter_half": "p_wetter",
    "setback_ratio": "set_ratio",
    "binding_setback": "set_tight",
}
_LINES: Final = {"utility": "utilities", "traffic": "paths"}
_ADMISSIBLE: Final = {c: c for c in ("zone", "area_m2", "share")}
_KEEPOUT: Final = {c: c for c in ("hazard", "setback_m", "reason", "draw_as")}


def package_layers(plan: Plan) -> dict[str, gpd.GeoDataFrame]:
    """Return the layers of `plan.gpkg` in the property's own CRS.

    Result: sensors, hydrozones, wire_routes, ties, keepout, reserves, admissible, boundary, and
    utilities and paths where they are drawn; short columns with units.
    """
    site = plan.site
    boundary = gpd.GeoDataFrame({"name": [site.name]}, geometry=[site.boundary], crs=site.crs)
    picked = {
        "sensors": pick(plan.sensors.reset_index(), _SENSORS),
        "hydrozones": pick(plan.zones.reset_index(), _ZONES),
        "wire_routes": pick(plan.wire_routes, _WIRES),
        "ties": pick(plan.ties, _TIES),
        "keepout": pick(_reasoned(plan), _KEEPOUT),
        "reserves": pick(_placed(plan.reserves, site.crs), _RESERVES),
        "admissible": pick(_placed(plan.admissible, site.crs), _ADMISSIBLE),
        "boundary": boundary,
    }
    for name, lines in lines_drawn(plan).items():
        picked[_LINES[name]] = gpd.GeoDataFrame({"kind": [name] * len(lines)}, geometry=lines)
    return {name: frame.to_crs(site.source_crs) for name, frame in picked.items()}


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
    with atomic_path(path) as part, fixed_date():
        for name, frame in package_layers(plan).items():
            kind = _geometry_type(name)
            pyogrio.write_dataframe(
                frame,
                part,
                layer=name,
                driver="GPKG",
                geometry_type=kind,
                promote_to_multi=kind.startswith("Multi"),
                dataset_options={"VERSION": "1.2"},
                layer_options={"GEOMETRY_NAME": "geom"},
            )
        write_styles(part, plan.zones["need_score"].to_numpy(dtype=float))
    return path


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
    picked = frame[[*columns, "geometry"]].rename(columns=dict(columns))
    for name in picked.columns:
        if name != "geometry" and picked[name].dtype == object:
            picked[name] = picked[name].map(_text)
    return picked


def _text(value: object) -> object:
    """Join a tuple; keep text that UTF-8 can hold."""
    if isinstance(value, (tuple, list)):
        value = ", ".join(str(item) for item in value)
    return value.encode("utf-8", "replace").decode() if isinstance(value, str) else value


@contextlib.contextmanager
def fixed_date() -> Iterator[None]:
    """Let GDAL stamp a fixed date, and put its option back afterwards.

    Result: while the option is set.
    """
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
