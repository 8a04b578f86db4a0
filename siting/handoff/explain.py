"""Why a sensor is where it is, from plan.json alone: in words and in numbers."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from siting.errors import Fault, InputError
from siting.handoff._hazards import DECODER_WORDS, LINK_WORDS
from siting.handoff._money_rows import folded
from siting.handoff._sheet_text import depth, run, tape
from siting.units import UnitsName, show

__all__ = ["Topic", "explain_sensor", "read_plan"]

_SCHEMA: Final = "siting-plan/"
_Document = Mapping[str, Any]


@dataclass(frozen=True)
class Topic:
    """One question about a sensor, answered.

    question: such as "Why here?"; words: sentences; numbers: keys as in plan.json, whose schema
    says their units.
    """

    question: str
    words: tuple[str, ...]
    numbers: Mapping[str, Any]


def read_plan(path: Path | str) -> dict[str, Any]:
    """Read plan.json.

    Parameters
    ----------
    path : Path or str
        The file, or the folder that holds it.

    Returns
    -------
    dict
        As described in `siting.handoff.planjson.schema`.

    Raises
    ------
    InputError
        When there is no such file, or it is no plan.
    """
    path = Path(path)
    path = path / "plan.json" if path.is_dir() else path
    wanted = "plan.json, as `siting plan` writes it"
    mend = "Give the folder of the results, or plan.json in it."
    try:
        document = json.loads(path.read_bytes())
    except OSError as error:
        raise InputError([Fault(str(path), error.strerror or "nothing", wanted, mend)]) from error
    except ValueError as error:
        raise InputError([Fault(str(path), "no JSON", wanted, mend)]) from error
    named = document.get("schema") if isinstance(document, dict) else None
    if not str(named).startswith(_SCHEMA):
        found = f"the schema {named}" if named else "no schema"
        raise InputError([Fault(str(path), found, wanted, mend)])
    plan: dict[str, Any] = document
    return plan


def explain_sensor(plan: _Document, sensor_id: str) -> tuple[Topic, ...]:
    """Explain a sensor of a plan.

    Parameters
    ----------
    plan : mapping
        From `read_plan`, or `siting.handoff.planjson.plan_document`.
    sensor_id : str
        Such as "S1", in either case.

    Returns
    -------
    tuple of Topic
        Why this zone, why here, what gave way, why this depth, at what reading, what it runs, how
        it is reached, and why so many sensors.

    Raises
    ------
    InputError
        When the plan has no such sensor.
    """
    sensors = {str(sensor["sensor_id"]).lower(): sensor for sensor in plan["sensors"]}
    sensor = sensors.get(sensor_id.strip().lower())
    if sensor is None:
        known = ", ".join(str(s["sensor_id"]) for s in plan["sensors"]) or "none"
        raise InputError(
            [Fault("plan.json", sensor_id, f"a sensor of the plan: {known}", "Choose one of them.")]
        )
    zones = {zone["zone"]: zone for zone in plan["zones"]}
    units: UnitsName = "us" if plan["property"]["units"] == "us" else "metric"
    zone = zones[sensor["zone"]]
    return (
        _why_this_zone(sensor, zones),
        _why_here(sensor, units),
        _what_gave_way(sensor),
        _why_this_depth(sensor, zone, units),
        _threshold(sensor),
        _what_it_runs(sensor, zones, _minutes(plan)),
        _how_reached(sensor, units),
        _why_so_many(plan, units),
    )


def _numbers(record: _Document, *keys: str) -> dict[str, Any]:
    """Pick what is known of some keys."""
    return {key: record[key] for key in keys if record.get(key) is not None}


def _why_this_zone(sensor: _Document, zones: Mapping[str, _Document]) -> Topic:
    zone = zones[sensor["zone"]]
    needs = sorted((z["need_score"] for z in zones.values()), reverse=True)
    place = needs.index(zone["need_score"]) + 1
    words = [
        f"{zone['zone']} uses {zone['need_score']:.0f} % of its readily available water a day of "
        f"the peak season, number {place} of {len(zones)} zones.",
        f"It is {zone['need_words']}.",
    ]
    others = [name for name in sensor["governs"] if name != zone["zone"]]
    if others:
        words.append(
            f"It governs {', '.join(others)} too: with its sensor every one of them stays within "
            "the stress limit that held for it, at its own run time, at the least cost of all "
            "groupings."
        )
    else:
        words.append("It governs only itself: no grouping with another zone costs less.")
    keys = ("need_score", "need_ratio", "need_shares", "area_m2", "sun_hours", "taw_mm", "raw_mm")
    return Topic("Why this zone?", tuple(words), _numbers(zone, *keys))


def _why_here(sensor: _Document, units: UnitsName) -> Topic:
    words = [str(sensor["reason"])]
    if sensor.get("expected_rank") is not None:
        words.append(
            f"{100 * sensor['expected_rank']:.0f} % of the ground where a sensor may be buried is "
            "expected to be moister, with everything that is not known reckoned in."
        )
    if sensor.get("application_note"):
        words.append(
            f"{str(sensor['application_note'])[0].upper()}{sensor['application_note'][1:]}."
        )
    reserves = sensor.get("reserves") or []
    if reserves:
        listed = " and ".join(tape(spare["distance_m"], units) for spare in reserves)
        words.append(f"Should the ground there be unfit, reserve points lie {listed} away.")
    keys = (
        "x",
        "y",
        "lon",
        "lat",
        "expected_rank",
        "p_driest_quarter",
        "p_wetter_half",
        "p_driest_quarter_tested",
    )
    return Topic("Why here?", tuple(words), _numbers(sensor, *keys))


def _what_gave_way(sensor: _Document) -> Topic:
    ratio, hazard = sensor["setback_ratio"], str(sensor["binding_setback"]).replace("_", " ")
    said = str(sensor.get("setback_note") or "")
    met = f"Nothing: every setback is met; the tightest is {hazard}, {ratio:.2f} times its setback."
    keys = ("setback_ratio", "binding_setback", "setback_note")
    return Topic("What gave way?", (said or met,), _numbers(sensor, *keys))


def _why_this_depth(sensor: _Document, zone: _Document, units: UnitsName) -> Topic:
    note = str(sensor["depth_note"])
    dug, roots = depth(sensor["depth_m"], units), depth(zone["root_depth_m"], units)
    words = (f"{dug} below the surface: {note}.", f"The roots reach {roots}.")
    return Topic(
        "Why this depth?", words, _numbers(sensor, "depth_m") | _numbers(zone, "root_depth_m")
    )


def _threshold(sensor: _Document) -> Topic:
    threshold = sensor["threshold"]
    keys = ("low_mm", "high_mm", "low_fraction", "high_fraction", "vwc", "soak_wait_h")
    return Topic("At what reading?", (str(threshold["note"]),), _numbers(threshold, *keys))


def _minutes(plan: _Document) -> dict[str, float]:
    """Return the whole minutes that the timer table sets, by zone."""
    return {str(row["zone"]): float(row["run_minutes"]) for row in plan.get("timer") or []}


def _what_it_runs(
    sensor: _Document, zones: Mapping[str, _Document], minutes: Mapping[str, float]
) -> Topic:
    words, numbers = [], {}
    for name in sensor["governs"]:
        zone = zones[name]
        today = zone.get("today_minutes")
        beside = "" if today is None else f" (today {today:.0f})"
        worst = zone.get("stress_days")
        stress = (
            "" if worst is None else f"; stress days in the worst season out of ten: {worst:.0f}"
        )
        ran = minutes.get(name, zone["run_minutes"])
        words.append(f"{name}: {ran:.0f} min{beside} an event{stress}.")
        keys = ("run_minutes", "today_minutes", "run_time_factor", "events", "stress_days")
        numbers[name] = _numbers(zone, *keys)
    return Topic("What does it run?", tuple(words), numbers)


def _how_reached(sensor: _Document, units: UnitsName) -> Topic:
    words = []
    named = f"controller {sensor['controller']}" if sensor["controller"] else "the controller"
    link = sensor.get("link")
    if link == "wireless":
        words.append(f"{LINK_WORDS[0].upper()}{LINK_WORDS[1:]}; to {named}.")
    elif sensor.get("wire_m") is not None:
        wire, trench = (run(sensor[key], units) for key in ("wire_m", "trench_m"))
        end = f"{DECODER_WORDS}; to {named}" if link else named
        words.append(f"{wire} of wire to {end}, {trench} of trench.")
    ties = sensor.get("ties") or []
    taped = [f"{tape(t['distance_m'], units)} from {t['from_kind']}" for t in ties]
    if taped:
        words.append(f"By tape: {'; '.join(taped)}.")
    return Topic("How is it reached?", tuple(words), _numbers(sensor, "wire_m", "trench_m", "ties"))


def _why_so_many(plan: _Document, units: UnitsName) -> Topic:
    choices: Sequence[_Document] = plan["choices"]
    currency = plan["economics"].get("currency", "")
    words = [str(plan["answer"]).split(". ")[0] + "."]
    for told, row in folded(choices):
        if row is None:
            words.append(f"{told}: no better.")
            continue
        mark = "chosen: " if row["chosen"] else ""
        if not row["feasible"]:
            words.append(f"{row['n']}: some zone would be stressed beyond its limit.")
        elif row.get("cost_per_year") is not None:
            water = show(row["water_m3"], "volume", units)
            cost = f"{row['cost_per_year']:,.0f} {currency} a year"
            words.append(f"{row['n']}: {mark}{water} of water, {cost} with the sensors' own cost.")
    numbers = {
        str(row["n"]): _numbers(row, "feasible", "water_m3", "cost_per_year", "value_of_next")
        for row in choices
    }
    return Topic("Why so many sensors?", tuple(words), numbers)
