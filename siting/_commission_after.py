"""The plan as it stands after commissioning: sensors where they are, thresholds as read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from siting._commission_asbuilt import AsBuilt
from siting._commission_capacity import Capacity
from siting.planning import Plan

__all__ = ["plan_as_built"]


def plan_as_built(
    plan: Plan,
    as_built: Mapping[str, AsBuilt],
    capacity: Mapping[str, Capacity],
    *,
    depths: Mapping[str, float],
    warnings: tuple[str, ...],
    files: Mapping[str, str],
) -> Plan:
    """Put what was found in the field into a plan.

    depths: depths as buried [m]. Result: with the sensors' places, depths, ranks, setbacks and
    thresholds as built, and their ties measured from there to the same fixed points.
    """
    sensors = plan.sensors.copy()
    if any(read.accepted for read in capacity.values()) and "threshold_withheld" not in sensors:
        sensors["threshold_withheld"] = ""
    for tag, at in as_built.items():
        if tag in sensors.index:
            _place(sensors, tag, at, plan)
    for tag, depth in depths.items():
        if tag in sensors.index and math.isfinite(depth):
            sensors.loc[tag, "depth_m"] = depth
            sensors.loc[tag, "depth_note"] = "as buried"
    for tag, read in capacity.items():
        if tag in sensors.index and read.accepted:
            sensors.loc[tag, "threshold_note"] = read.words[-1]
            sensors.loc[tag, "threshold_withheld"] = read.withheld
            if math.isfinite(read.vwc) and math.isfinite(read.low):
                scale = 100.0 if read.unit == "%" else 1.0
                sensors.loc[tag, "threshold_vwc"] = read.low / scale
    ties = _ties(plan, sensors, set(as_built))
    wordings = {
        unit: replace(
            worded,
            reasons={**worded.reasons, **{t: str(sensors.loc[t, "reason"]) for t in as_built
                                         if t in sensors.index}},
            setback_notes={**worded.setback_notes,
                           **{t: str(sensors.loc[t, "setback_note"]) for t in as_built
                              if t in sensors.index}},
        )
        for unit, worded in plan.wordings.items()
    }  # fmt: skip
    provenance = {**plan.provenance, "readings": dict(sorted(files.items()))}
    return replace(
        plan,
        sensors=sensors,
        ties=ties,
        wordings=wordings,
        warnings=tuple(dict.fromkeys((*warnings, *plan.warnings))),
        provenance=provenance,
    )


def _place(sensors: gpd.GeoDataFrame, tag: str, at: AsBuilt, plan: Plan) -> None:
    """Write the place of one sensor, in every frame of reference."""
    x, y = at.fix.x, at.fix.y
    for column, value in {"x": x, "y": y}.items():
        sensors.loc[tag, column] = value
    for columns, crs in ((("source_x", "source_y"), plan.site.source_crs), (("lon", "lat"), 4326)):
        to = pyproj.Transformer.from_crs(plan.site.crs, crs, always_xy=True)
        for column, value in zip(columns, to.transform(x, y), strict=True):
            sensors.loc[tag, column] = float(value)
    sensors.loc[tag, "setback_ratio"] = at.setback_ratio
    sensors.loc[tag, "binding_setback"] = at.binding_setback
    if at.moved:  # the chances of the planned point are not those of another place
        sensors.loc[tag, "expected_rank"] = at.rank
        for column in ("p_driest_quarter", "p_wetter_half", "p_driest_quarter_tested"):
            sensors.loc[tag, column] = math.nan
    sensors.loc[tag, "reason"] = f"As built, by {at.fix.how}. {' '.join(at.words[1:])}".strip()
    sensors.loc[tag, "setback_note"] = "" if at.setback_met else "as built"
    place = sensors.columns.get_loc("geometry")
    row = sensors.index.get_loc(tag)
    sensors.iloc[row, place] = shapely.Point(x, y)


def _ties(plan: Plan, sensors: gpd.GeoDataFrame, moved: set[str]) -> gpd.GeoDataFrame:
    """Return the ties to the same fixed points, measured from the places as built."""
    ties = plan.ties.copy()
    which = ties["sensor_id"].isin(moved & set(sensors.index)).to_numpy()
    if not which.any():
        return ties
    part = ties[which]
    ends = sensors.geometry.loc[part["sensor_id"]]
    x, y = ends.x.to_numpy(), ends.y.to_numpy()
    from_x, from_y = (part[c].to_numpy(dtype=float) for c in ("from_x", "from_y"))
    if "offset" in part:
        # The shortest tape from an edge starts where it is square to the edge, not where it did.
        led = np.array([np.diff(np.asarray(g.coords)[:, :2], axis=0)[0] for g in part.geometry])
        normal = led / np.hypot(led[:, 0], led[:, 1])[:, None]
        away = (x - from_x) * normal[:, 0] + (y - from_y) * normal[:, 1]
        edge = part["offset"].to_numpy(dtype=bool)
        from_x = np.where(edge, x - away * normal[:, 0], from_x)
        from_y = np.where(edge, y - away * normal[:, 1], from_y)
        ties.loc[which, "from_x"], ties.loc[which, "from_y"] = from_x, from_y
    ties.loc[which, "distance_m"] = np.hypot(x - from_x, y - from_y)
    lines = shapely.linestrings(
        np.stack([np.column_stack([from_x, from_y]), np.column_stack([x, y])], axis=1)
    )
    bearing = pd.Series(np.degrees(np.arctan2(from_x - x, from_y - y)), index=part.index)
    first = part["tie"] == 1
    base = bearing[first].set_axis(part.loc[first, "sensor_id"])
    turn = (bearing - part["sensor_id"].map(base)).abs() % 360
    angle = np.minimum(turn, 360 - turn)
    ties.loc[which, "angle_deg"] = angle.where(~first, math.nan).to_numpy()
    shapes = ties.geometry.to_numpy().copy()
    shapes[which] = lines
    return ties.set_geometry(gpd.GeoSeries(shapes, index=ties.index, crs=ties.crs))
