"""The field answers back: as-built points, thresholds, measured soil, sensor health, savings.

`read_readings` reads what the crew and the loggers brought, `commission` says what it means and
returns the plan as it now stands. Nothing is written here; the command line writes, and keeps the
history (`siting._commission_history`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from siting._commission_after import plan_as_built
from siting._commission_asbuilt import AsBuilt, check_place
from siting._commission_capacity import Capacity, capacity_of
from siting._commission_expected import (
    content_of,
    daily_weather,
    expected_of,
    threshold_content,
)
from siting._commission_health import Finding, Health, sensor_health
from siting._commission_history import (
    Record,
    append_record,
    copy_history,
    joined_history,
    read_history,
)
from siting._commission_measured import (
    Change,
    buried_tags,
    consequences,
    measured_site,
    sensor_changes,
)
from siting._commission_readings import Readings, read_readings
from siting._commission_savings import Savings, logged_savings, realised_savings
from siting._commission_stability import relative_differences, stability_words, together, walk_words
from siting._commission_ties import Fix, TieError, fix_from_ties, fix_row
from siting._plan_threads import one_blas_thread
from siting.climate.model import Climate
from siting.errors import Fault, InputError
from siting.planning import Plan, plan
from siting.season import timer_days
from siting.site.model import Site
from siting.water.balance import effective_rain

__all__ = [
    "AsBuilt",
    "Capacity",
    "Change",
    "Commissioning",
    "Finding",
    "Fix",
    "Health",
    "Readings",
    "Record",
    "Savings",
    "TieError",
    "append_record",
    "commission",
    "copy_history",
    "fix_from_ties",
    "joined_history",
    "read_history",
    "read_readings",
    "realised_savings",
    "relative_differences",
    "sensor_health",
]

#: Makes a plan of a site and of the tags that are buried, by zone.
Replan = Callable[[Site, Mapping[str, str]], Plan]

#: How far from its point a sensor is dug in that nobody measured [m]; common practice, no source.
_DUG_M = 0.5
_NOT_TAPED = "the plan it was dug by, not taped"
#: A shorter log of valve runs says nothing of a saving [d].
_FEWEST_DAYS = 28


@dataclass(frozen=True)
class Commissioning:
    """What the field said, and the plan that follows from it.

    before, after: the plan as it stood, and as it stands now; readings: what came back; as_built:
    sensors whose place is known; capacity: sensors that were read after a soaking; health: sensors
    that were logged; measured: measured values that replaced defaults; changes: what they changed
    in the plan; stability: by zone: relative differences of its points, as from
    `relative_differences`; stability_words: what they say of each sensor; savings: water saved,
    None where no meter was read; savings_words: the same in words, or why nothing is claimed;
    recheck: what to look at again in the second season; notes: what was found in the files and
    taken, and what could not be tested.
    """

    before: Plan
    after: Plan
    readings: Readings
    as_built: Mapping[str, AsBuilt] = field(default_factory=dict)
    capacity: Mapping[str, Capacity] = field(default_factory=dict)
    health: Mapping[str, Health] = field(default_factory=dict)
    measured: tuple[Change, ...] = ()
    changes: tuple[str, ...] = ()
    stability: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    stability_words: tuple[str, ...] = ()
    savings: Savings | None = None
    savings_words: str = ""
    recheck: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@one_blas_thread
def commission(
    before: Plan,
    climate: Climate,
    readings: Readings,
    *,
    replan: Replan | None = None,
    planned: Plan | None = None,
) -> Commissioning:
    """Say what the field's answers mean, and return the plan as it now stands.

    Parameters
    ----------
    before : Plan
        The plan; not changed.
    climate : Climate
        Its weather, for reference ET and where no rain was logged.
    readings : Readings
        As from `read_readings`.
    replan : callable, optional
        Makes a plan of a site with measured values and of the tags that are buried, by zone;
        `siting.planning.plan` with the plan's own settings when not given.
    planned : Plan, optional
        The plan that the sensors were dug by, where `before` is one as built already.

    Returns
    -------
    Commissioning
        Everything found, and the plan after it.

    Raises
    ------
    InputError
        With every tape that fixes no point and every measurement that cannot be.
    """
    settings = before.settings
    again = replan or (lambda site, tags: plan(site, climate, settings, tags=tags))
    as_built = _as_built(before, readings, planned or before)
    site, measured = measured_site(before, readings)
    decided, changes = before, tuple[str, ...]()
    if measured:
        decided = again(site, buried_tags(before))
        changes = (*sensor_changes(before, decided), *consequences(before, decided))
        # Ranks and setbacks at the points as built, by the new plan. What is buried stays where it
        # was planned before, even where the new plan would have chosen another point.
        fixes = {**_buried(before, readings), **{tag: at.fix for tag, at in as_built.items()}}
        as_built = {
            tag: check_place(decided, tag, fix, planned=_row(planned or before, tag))
            for tag, fix in fixes.items()
            if tag in decided.sensors.index
        }
    weather = daily_weather(readings, climate, latitude=before.site.latitude)
    capacity = _capacity(decided, readings, weather)
    health, health_notes = _health(decided, readings, weather, capacity)
    stability, stable_words = _stability(decided, readings, health)
    savings = _savings(decided, readings, weather)
    depths = _column(readings.sensors, "depth")
    after = plan_as_built(
        decided, as_built, capacity, depths=depths,
        warnings=_field_warnings(as_built, capacity, health, measured), files=readings.files,
    )  # fmt: skip
    found = Commissioning(
        before=before, after=after, readings=readings, as_built=as_built, capacity=capacity,
        health=health, measured=measured, changes=changes, stability=stability,
        stability_words=stable_words, savings=savings if isinstance(savings, Savings) else None,
        savings_words=savings if isinstance(savings, str) else savings.words,
        notes=(*readings.notes, *health_notes),
    )  # fmt: skip
    return Commissioning(**{**found.__dict__, "recheck": _recheck(found)})


def _column(table: pd.DataFrame, name: str) -> dict[str, float]:
    """Return a column as numbers by sensor."""
    if name not in table:
        return {}
    return {str(tag): float(value) for tag, value in table[name].items()}


def _rows(readings: Readings) -> dict[str, dict[str, Any]]:
    """Return the rows of the readings sheet by sensor."""
    return {
        str(tag): {str(k): v for k, v in row.items()} for tag, row in readings.sensors.iterrows()
    }


def _row(plan: Plan, tag: str) -> Any:  # noqa: ANN401 - a row of a table
    """Return a sensor's row, None where the plan has no such sensor."""
    return plan.sensors.loc[tag] if tag in plan.sensors.index else None


def _as_built(before: Plan, readings: Readings, planned: Plan) -> dict[str, AsBuilt]:
    """Find every sensor; the faults of all tapes in one message."""
    found, faults = {}, []
    for tag, row in _rows(readings).items():
        if tag not in before.sensors.index:
            continue
        try:
            fix = fix_row(row, before, tag)
        except TieError as error:
            words = str(error)
            number = row.get("row")
            place = f"row {int(number)}" if number is not None else f"sensor {tag}"
            faults.append(
                Fault("readings sheet", f"{tag}: {words}", "ties that fix one point",
                      "Nothing was recorded.", feature=place, column="ties")
            )  # fmt: skip
            continue
        if fix is not None:
            found[tag] = check_place(before, tag, fix, planned=_row(planned, tag))
    if faults:
        raise InputError(faults)
    return found


def _buried(before: Plan, readings: Readings) -> dict[str, Fix]:
    """Return the planned places of sensors that are buried and were not measured."""
    return {
        tag: Fix(
            float(before.sensors.loc[tag, "x"]), float(before.sensors.loc[tag, "y"]), _DUG_M, (),
            _NOT_TAPED,
        )
        for tag, row in _rows(readings).items()
        if tag in before.sensors.index and not pd.isna(row.get("buried_on"))
    }  # fmt: skip


def _capacity(decided: Plan, readings: Readings, weather: pd.DataFrame) -> dict[str, Capacity]:
    """Judge the readings after a soaking."""
    rain = readings.weather if len(readings.weather) else weather
    found = {}
    for tag, row in _rows(readings).items():
        if tag in decided.sensors.index:
            read = capacity_of(decided, tag, row, events=readings.events, weather=rain)
            if read is not None:
                found[tag] = read
    return found


def _health(
    decided: Plan, readings: Readings, weather: pd.DataFrame, capacity: Mapping[str, Capacity]
) -> tuple[dict[str, Health], tuple[str, ...]]:
    """Judge every sensor that was logged."""
    rows = _rows(readings)
    found: dict[str, Health] = {}
    notes = []
    for tag in decided.sensors.index:
        name = str(tag)
        if name not in readings.moisture:
            continue
        expected = expected_of(decided, name)
        content, note = content_of(
            readings.moisture[name], readings.units[name], expected=expected,
            capacity=capacity.get(name),
        )  # fmt: skip
        notes += [f"{name}: {note}"] if note else []
        row = rows.get(name, {})
        buried = row.get("buried_on")
        if buried is not None and not pd.isna(buried):
            early = content.index < buried
            notes += [f"{name}: {early.sum()} values from before its burial were left out"] * any(
                early
            )
            content = content[~early]
        found[name] = sensor_health(
            content, expected=expected, events=readings.events, weather=weather,
            threshold=threshold_content(row, expected=expected, capacity=capacity.get(name)),
        )  # fmt: skip
        notes += [f"{name}: not tested: {text}" for text in found[name].untested]
    return found, tuple(notes)


def _stability(
    decided: Plan, readings: Readings, health: Mapping[str, Health]
) -> tuple[dict[str, pd.DataFrame], tuple[str, ...]]:
    """Compare the points of each zone: its sensor, and survey points named "ZONE/..."."""
    tables: dict[str, pd.DataFrame] = {}
    words: list[str] = []
    for tag, sensor in decided.sensors.iterrows():
        zone, name = str(sensor["zone"]), str(tag)
        points = {
            key: _as_fraction(values, readings.units[key])
            for key, values in readings.moisture.items()
            if key.startswith(f"{zone}/") and readings.units[key] in {"%", "m3/m3"}
        }
        walked = {
            place: points[f"{zone}/{place}"]
            for place in (name, "R1", "R2")
            if f"{zone}/{place}" in points
        }
        words += [said] if (said := walk_words(name, zone, walked)) else []
        if not points or name not in health or health[name].verdict == "dead":
            continue
        points[name] = health[name].signal.raw
        table = together(points)
        if len(table) > 1:
            tables[zone] = relative_differences(table)
            words += stability_words(tables[zone], {name: zone})
    return tables, tuple(words)


def _as_fraction(values: pd.Series, unit: str) -> pd.Series:
    return values / 100 if unit == "%" else values


def _savings(decided: Plan, readings: Readings, weather: pd.DataFrame) -> Savings | str:
    """Compare the meter with the weather-normalised use before the sensors took over."""
    if readings.meter.empty:
        return _by_log(decided, readings)
    buried = readings.sensors.get("buried_on", pd.Series(dtype="datetime64[ns]")).dropna()
    if buried.empty:
        return "No date of burial is written, so that before and after cannot be told apart."
    zones = decided.zones
    area = zones["area_m2"].to_numpy(dtype=float)
    rain = weather["rain_mm"].to_numpy(dtype=float)
    eto = weather["eto_mm"].to_numpy(dtype=float)
    etc = zones["kl"].to_numpy(dtype=float)[:, None] * eto
    need = np.maximum(etc - effective_rain(np.nan_to_num(rain), eto), 0.0)
    volume = pd.Series((need * area[:, None]).sum(axis=0) / 1000, index=weather.index)
    volume[np.isnan(rain)] = math.nan
    since = pd.Timestamp(buried.max()).normalize()
    return realised_savings(readings.meter, volume, since=since)


def _by_log(decided: Plan, readings: Readings) -> str:
    """Compare the log of valve runs with today's timer."""
    none = "No water meter was read, so that no saving is claimed."
    timer, events = decided.settings.timer, readings.events
    if timer is None or timer.minutes is None or events.empty:
        return none
    first, last = events["start"].min().normalize(), events["start"].max().normalize()
    days = pd.date_range(first, last)
    on = int(timer_days(days.to_numpy()[:, None].astype("datetime64[D]"), timer).sum())
    zones = decided.zones.set_index("valve")
    per_minute = zones["precipitation_rate"] / 60 * zones["area_m2"] / 1000
    per_minute = per_minute.groupby(level=0).sum()
    logged = events.groupby("valve")["minutes"].sum()
    minutes = pd.Series({v: float(m) * on for v, m in timer.minutes.items() if v in logged.index})
    if len(days) < _FEWEST_DAYS or minutes.empty:
        return none
    return logged_savings(
        minutes * per_minute[minutes.index],
        logged[minutes.index] * per_minute[minutes.index],
        days=len(days),
    )


def _field_warnings(
    as_built: Mapping[str, AsBuilt],
    capacity: Mapping[str, Capacity],
    health: Mapping[str, Health],
    measured: tuple[Change, ...],
) -> tuple[str, ...]:
    """Return what the updated plan must say of the field."""
    words = [f"measured: {change.words}" for change in measured]
    words += [f"as built: {' '.join(at.words)}" for at in as_built.values() if not at.sound]
    words += [f"{tag}: {c.words[0]}" for tag, c in capacity.items() if not c.accepted]
    words += [
        f"{tag}: {finding.words} Likely: {finding.cause}. {finding.action}"
        for tag, found in health.items()
        for finding in found.findings
    ]
    return tuple(words)


def _recheck(found: Commissioning) -> tuple[str, ...]:
    """List what to look at again in the second season, sensor by sensor."""
    items = []
    sheet = _rows(found.readings)
    for tag in found.after.sensors.index:
        name = str(tag)
        why = []
        at, read, health = (d.get(name) for d in (found.as_built, found.capacity, found.health))
        if not isinstance(at, AsBuilt) or at.fix.how == _NOT_TAPED:
            why.append("its place as built is not known: tape it")
        elif not at.sound:
            why.append("its place is not the planned kind: dig beside it in a dry week and compare")
        if not (isinstance(read, Capacity) and read.accepted):
            why.append("field capacity was not read: soak, wait, read")
        threshold = sheet.get(name, {}).get("threshold_set")
        if threshold is None or math.isnan(float(threshold)):
            why.append("the threshold as set is not written")
        if not isinstance(health, Health):
            why.append("it was not logged: log four weeks with the valve's runs")
        elif health.findings:
            kinds = ", ".join(f.kind.replace("_", " ") for f in health.findings)
            why.append(f"findings to be gone after mending: {kinds}")
        if bool(found.after.site.hydrozones.loc[found.after.sensors.loc[name, "zone"], "new_sod"]):
            why.append("sod has rooted by then: read field capacity again, look at its depth")
        if why:
            items.append(f"{name}: {'; '.join(why)}.")
    items.append(
        "All: read again a day or more after a soaking in spring (a plateau that moved by more "
        "than 2 points wants a new threshold), and walk the zones in the driest fortnight."
    )
    return tuple(items)
