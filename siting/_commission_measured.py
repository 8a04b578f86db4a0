"""Measured values replace defaults: cans, jar tests, intake, roots; and the plan is made again."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from siting._commission_readings import Readings
from siting.errors import Fault, InputError
from siting.planning import Plan
from siting.site.model import Site
from siting.units import UnitsName, show
from siting.water.application import low_quarter_uniformity
from siting.water.soil import MOST_CLAY, jar_test, texture_class

__all__ = ["Change", "consequences", "keep_sensors", "measured_site", "renamed"]

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

    Parameters
    ----------
    zone : str
        Where.
    column : str
        Column of the hydrozones that it fills.
    words : str
        What it was, what it is now, and by what test.
    """

    zone: str
    column: str
    words: str


def measured_site(plan: Plan, readings: Readings) -> tuple[Site, tuple[Change, ...]]:
    """Put measured values in the place of defaults.

    Parameters
    ----------
    plan : Plan
        The plan; its site is not changed.
    readings : Readings
        What came back: zones and cans.

    Returns
    -------
    site : Site
        The property with measured values; the same object where nothing is new.
    changes : tuple of Change
        What is new.

    Raises
    ------
    InputError
        With every measurement that cannot be.
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
        for change, values in found:
            new = {c: v for c, v in values.items() if not _same(zones, name, c, v)}
            if new:
                for column, value in values.items():
                    if column not in zones:
                        zones[column] = math.nan
                    zones.loc[name, column] = value
                changes.append(change)
    if faults:
        raise InputError(faults)
    site = plan.site if not changes else replace(plan.site, hydrozones=zones)
    return _with_cans(site, plan, readings, changes)


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
        depth = part["caught"].to_numpy(dtype=float)
        if len(depth) < _FEWEST_CANS:
            found = f"{len(depth)} cans in zone {name}"
            allowed = f"{_FEWEST_CANS} or more, better 24"
            raise InputError([Fault("can test", found, allowed, "Repeat it with more cans.")])
        uniformity = low_quarter_uniformity(depth)
        minutes = part["minutes"].to_numpy(dtype=float) if "minutes" in part else np.array([])
        rate = math.nan
        if minutes.size and np.isfinite(minutes).all():
            rate = float((60 * depth / minutes).mean())
        old = plan.zones.loc[name]
        values = {"distribution_uniformity": uniformity}
        values |= {"precipitation_rate": rate} if math.isfinite(rate) else {}
        if all(_same(zones, name, column, value) for column, value in values.items()):
            continue
        for column, value in values.items():
            zones.loc[name, column] = value
        words = (
            f"{name}: uniformity {uniformity:.2f} of {len(depth)} cans; planned "
            f"{old['distribution_uniformity']:.2f}"
        )
        if math.isfinite(rate):
            new, was = (
                show(r, "rate", plan.settings.units) for r in (rate, old["precipitation_rate"])
            )
            words += f"; rate {new}; planned {was}"
        changes.append(Change(name, "distribution_uniformity", words))
        located = "lat" in part and bool(part[["lat", "lon"]].notna().all(axis=None))
        placed += [part] if located else []
    site = replace(site, hydrozones=zones) if changes else site
    return (_placed(site, placed) if placed else site), tuple(changes)


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


def renamed(plan: Plan, names: Mapping[str, str]) -> Plan:
    """Give the sensors of a plan other tags.

    Parameters
    ----------
    plan : Plan
        The plan; not changed.
    names : mapping of str to str
        Old tag -> new tag, for every sensor.

    Returns
    -------
    Plan
        With the new tags in every table and in its sentences.
    """
    if all(old == new for old, new in names.items()):
        return plan

    def words(text: str) -> str:
        # By marks first, so that S1 -> S2 and S2 -> S1 do not meet.
        for place, old in enumerate(names):
            text = _swap(text, old, f"\x00{place}\x00")
        for place, new in enumerate(names.values()):
            text = text.replace(f"\x00{place}\x00", new)
        return text

    def tagged(frame: Any) -> Any:  # noqa: ANN401 - any table with the column
        return frame.assign(sensor_id=[names.get(str(t), str(t)) for t in frame["sensor_id"]])

    sensors = plan.sensors.rename(index=dict(names)).sort_index(key=_natural)
    sensors.index.name = plan.sensors.index.name
    wordings = {
        unit: replace(
            worded,
            answer=words(worded.answer),
            reasons={names.get(k, k): v for k, v in worded.reasons.items()},
            setback_notes={names.get(k, k): v for k, v in worded.setback_notes.items()},
        )
        for unit, worded in plan.wordings.items()
    }
    return replace(
        plan,
        sensors=sensors,
        zones=tagged(plan.zones),
        ties=tagged(plan.ties),
        wire_routes=tagged(plan.wire_routes),
        reserves=tagged(plan.reserves),
        answer=words(plan.answer),
        warnings=tuple(words(text) for text in plan.warnings),
        wordings=wordings,
    )


def _swap(text: str, old: str, new: str) -> str:
    """Replace a tag that stands alone."""
    import re  # noqa: PLC0415 - only here

    return re.sub(rf"\b{re.escape(old)}\b", new, text)


def _natural(index: pd.Index[Any]) -> pd.Index[Any]:
    """Sort S10 after S9."""
    return pd.Index([(len(str(tag)), str(tag)) for tag in index])


def keep_sensors(before: Plan, again: Plan) -> tuple[Plan, tuple[str, ...]]:
    """Give the sensors of a new decision the tags of those that are there already.

    Parameters
    ----------
    before, again : Plan
        The plan as built, and the same property decided anew.

    Returns
    -------
    plan : Plan
        The new decision; a sensor in a zone that had one keeps its tag, new ones follow on.
    words : tuple of str
        Which sensors are new, and which have no work any more.
    """
    old = {str(row["zone"]): str(tag) for tag, row in before.sensors.iterrows()}
    used = {int(tag[1:]) for tag in old.values() if tag[1:].isdigit()}
    names: dict[str, str] = {}
    words = []
    following = max(used, default=0)
    for tag, row in again.sensors.iterrows():
        zone = str(row["zone"])
        if zone in old:
            names[str(tag)] = old.pop(zone)
            continue
        following += 1
        names[str(tag)] = f"S{following}"
        words.append(f"New: sensor S{following} in {zone} (valve {row['valve']}).")
    words += [
        f"Sensor {tag} in {zone} would no longer be chosen; what is buried may stay and be watched."
        for zone, tag in sorted(old.items(), key=lambda item: item[1])
    ]
    return renamed(again, names), tuple(words)


def consequences(before: Plan, after: Plan) -> tuple[str, ...]:
    """Say what measured values changed in the plan.

    Parameters
    ----------
    before, after : Plan
        Of the same property, with the same tags.

    Returns
    -------
    tuple of str
        One sentence per zone whose numbers changed by 2 % or more, then the season.
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


Replan = Callable[[Site], Plan]
