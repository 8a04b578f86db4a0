"""Measured values replace defaults: cans, jar tests, intake, roots; and the plan is made again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from siting._commission_readings import Readings
from siting._plan_known import Basis
from siting.errors import Fault, InputError
from siting.planning import Plan
from siting.site.model import Site
from siting.units import UnitsName, show
from siting.water.application import low_quarter_uniformity
from siting.water.soil import MOST_CLAY, jar_test, texture_class

__all__ = ["Change", "buried_tags", "consequences", "measured_site", "sensor_changes"]

#: Fewer cans than this say nothing of uniformity.
_FEWEST_CANS: Final = 8
#: Columns of the zones whose change is told: name, words, quantity or None, least change.
_TOLD: Final = (
    ("need_score", "water-need score", None, 0.02),
    ("run_minutes", "run time", "min", 0.02),
    ("water_m3", "water a season", "volume", 0.02),
    ("cycles", "cycles", "", 0.0),
)


@dataclass(frozen=True)
class Change:
    """One value that was measured.

    zone: where; column: column of the hydrozones that it fills; words: what it was, what it is now,
    and by what test.
    """

    zone: str
    column: str
    words: str


def measured_site(plan: Plan, readings: Readings) -> tuple[Site, tuple[Change, ...]]:
    """Put measured values in the place of defaults.

    Result: the property with measured values; the same object where nothing is new.
    """
    zones = plan.site.hydrozones.copy()
    units = plan.settings.units
    faults: list[Fault] = []
    changes: list[Change] = []
    for zone, row in readings.zones.iterrows():
        name, cells = str(zone), {str(k): v for k, v in row.items()}
        try:
            found = _of_zone(plan, name, cells, units)
        except InputError as error:
            faults += [replace(fault, feature=f"zone {name}") for fault in error.faults]
            continue
        new = [(c, v) for c, v in found if not all(_same(zones, name, k, x) for k, x in v.items())]
        for change, values in new:
            _put(zones, name, values)
            changes.append(change)
    if faults:
        raise InputError(faults)
    site = plan.site if not changes else replace(plan.site, hydrozones=zones)
    return _with_cans(site, plan, readings, changes)


def _put(zones: gpd.GeoDataFrame, zone: str, values: Mapping[str, float]) -> None:
    """Write values into columns of a zone, which are made where they are missing."""
    for column, value in values.items():
        if column not in zones:
            zones[column] = math.nan
        zones.loc[zone, column] = value


def _same(zones: gpd.GeoDataFrame, zone: str, column: str, value: float) -> bool:
    """Tell whether a zone has this value already."""
    if column not in zones:
        return False
    known = zones.loc[zone, column]
    if known is None:
        return False
    return math.isclose(float(known), value, rel_tol=1e-6, abs_tol=1e-9)


def _of_zone(
    plan: Plan, zone: str, cells: Mapping[str, Any], units: UnitsName
) -> list[tuple[Change, dict[str, float]]]:
    """Return what was measured in a zone, in words and as values of its columns."""
    old = plan.zones.loc[zone]
    found: list[tuple[Change, dict[str, float]]] = []
    jar = [float(cells.get(f"jar_{part}", math.nan)) for part in ("sand", "silt", "clay")]
    if any(math.isfinite(layer) for layer in jar):
        if not all(math.isfinite(layer) for layer in jar):
            raise InputError([Fault("jar test", "a layer is missing", "three layers", "Write it.")])
        sand, silt, clay = jar_test(*jar)
        texture = texture_class(sand, clay)
        words = (
            f"{zone}: soil {texture} (jar test: {sand:.0f} % sand, {silt:.0f} % silt, {clay:.0f} % "
            f"clay; a jar overstates clay somewhat); planned {old['soil']}"
        )
        if clay > MOST_CLAY:
            words += f"; beyond {MOST_CLAY:.0f} % clay the class alone is used"
        found.append((Change(zone, "sand", words), {"sand": sand, "clay": clay}))
    intake = float(cells.get("intake", math.nan))
    if math.isfinite(intake):
        shown = show(intake, "rate", units)
        words = f"{zone}: intake {shown} (measured); planned by its soil class"
        found.append((Change(zone, "intake_rate", words), {"intake_rate": intake}))
    roots = float(cells.get("root_depth", math.nan))
    if math.isfinite(roots):
        new, was = (show(1000 * m, "depth", units) for m in (roots, float(old["root_depth_m"])))
        words = f"{zone}: roots {new} deep (dug up); planned {was}"
        found.append((Change(zone, "root_depth", words), {"root_depth": roots}))
    return found


def _with_cans(
    site: Site, plan: Plan, readings: Readings, changes: list[Change]
) -> tuple[Site, tuple[Change, ...]]:
    """Add can tests: with places to the layer of cans, without to the zone's columns."""
    cans = readings.cans
    if cans.empty:
        return site, tuple(changes)
    zones = site.hydrozones.copy()
    placed: list[pd.DataFrame] = []
    for zone, part in cans.groupby("zone"):
        name = str(zone)
        values = _of_cans(name, part)
        if all(_same(zones, name, column, value) for column, value in values.items()):
            continue
        _put(zones, name, values)
        changes.append(_can_words(plan, name, len(part), values))
        located = "lat" in part and bool(part[["lat", "lon"]].notna().all(axis=None))
        placed += [part] if located else []
    site = replace(site, hydrozones=zones) if changes else site
    return (_placed(site, placed) if placed else site), tuple(changes)


def _of_cans(zone: str, part: pd.DataFrame) -> dict[str, float]:
    """Return uniformity, and rate where the minutes are known, of a zone's cans."""
    depth = part["caught"].to_numpy(dtype=float)
    if len(depth) < _FEWEST_CANS:
        found = f"{len(depth)} cans in zone {zone}"
        allowed = f"{_FEWEST_CANS} or more, better 24"
        raise InputError([Fault("can test", found, allowed, "Repeat it with more cans.")])
    values = {"distribution_uniformity": low_quarter_uniformity(depth)}
    minutes = part["minutes"].to_numpy(dtype=float) if "minutes" in part else np.array([])
    if minutes.size and np.isfinite(minutes).all():
        values["precipitation_rate"] = float((60 * depth / minutes).mean())
    return values


def _can_words(plan: Plan, zone: str, cans: int, values: Mapping[str, float]) -> Change:
    """Say what a can test found."""
    old = plan.zones.loc[zone]
    words = (
        f"{zone}: uniformity {values['distribution_uniformity']:.2f} of {cans} cans; planned "
        f"{old['distribution_uniformity']:.2f}"
    )
    if "precipitation_rate" in values:
        rates = values["precipitation_rate"], float(old["precipitation_rate"])
        new, was = (show(r, "rate", plan.settings.units) for r in rates)
        words += f"; rate {new}; planned {was}"
    return Change(zone, "distribution_uniformity", words)


def _placed(site: Site, placed: list[pd.DataFrame]) -> Site:
    """Add cans whose places are known to the layer of cans."""
    table = pd.concat(placed, ignore_index=True)
    points = gpd.GeoSeries(gpd.points_from_xy(table["lon"], table["lat"]), crs=4326)
    new = gpd.GeoDataFrame(
        {
            "depth": table["caught"].to_numpy(dtype=float),
            "volume": math.nan,
            "mouth_diameter": math.nan,
            "minutes": table["minutes"].to_numpy(dtype=float) if "minutes" in table else math.nan,
            "feature": [f"readings {n}" for n in range(1, len(table) + 1)],
        },
        geometry=points.to_crs(site.crs).to_numpy(),
        crs=site.crs,
    )
    joined = new if site.cans.empty else pd.concat([site.cans, new], ignore_index=True)
    return replace(site, cans=gpd.GeoDataFrame(joined, geometry="geometry", crs=site.crs))


def buried_tags(plan: Plan) -> dict[str, str]:
    """Return the tags that were ever given to a sensor, by zone.

    Result: zone -> tag, those of sensors that have no work any more among them.
    """
    earlier = plan.basis.tags if isinstance(plan.basis, Basis) else {}
    return {**earlier, **{str(row["zone"]): str(tag) for tag, row in plan.sensors.iterrows()}}


def sensor_changes(before: Plan, after: Plan) -> tuple[str, ...]:
    """Say which sensors are new, and which have no work any more.

    Result: one sentence for each.
    """
    old, new = before.sensors, after.sensors
    words = [
        f"New: sensor {tag} in {row['zone']} (valve {row['valve']})."
        for tag, row in new.iterrows()
        if tag not in old.index
    ]
    words += [
        f"Sensor {tag} in {row['zone']} would no longer be chosen; what is buried may stay and be "
        "watched."
        for tag, row in old.iterrows()
        if tag not in new.index
    ]
    return tuple(words)


def consequences(before: Plan, after: Plan) -> tuple[str, ...]:
    """Say what measured values changed in the plan.

    Result: one sentence per zone whose numbers changed by 2 % or more, then the season.
    """
    units = after.settings.units
    words = []
    for zone in after.zones.index:
        old, new = before.zones.loc[zone], after.zones.loc[zone]
        parts = []
        for column, name, kind, least in _TOLD:
            a, b = float(old[column]), float(new[column])
            if math.isfinite(a) and abs(b - a) > least * max(abs(a), 1e-9):
                shown = [_shown(v, kind, units) for v in (a, b)]
                parts.append(f"{name} {shown[0]} → {shown[1]}")
        if old["sensor_id"] != new["sensor_id"]:
            parts.append(f"governed by {new['sensor_id']} instead of {old['sensor_id']}")
        if parts:
            words.append(f"{zone}: {'; '.join(parts)}.")
    was, now = (float(plan.season["plan_m3"].mean()) for plan in (before, after))
    if abs(now - was) > 0.005 * max(was, 1e-9):
        words.append(
            f"The property: {show(was, 'volume', units)} → {show(now, 'volume', units)} a season."
        )
    return tuple(words)


def _shown(value: float, kind: str | None, units: UnitsName) -> str:
    """Return a value as its kind is read."""
    if kind == "volume":
        return show(value, "volume", units)
    if kind == "min":
        return f"{value:.0f} min"
    return f"{value:.0f}" if kind == "" else f"{value:.1f}"
