"""The field page of the map: what a crew ticks and types at each sensor, and within which limits.

The page (`assets/field.js`) holds no limit of its own: columns, ranges and tolerances are those of
the readings sheet (`siting.planning.form`), written into its data.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from siting.arrays import Floats
from siting.handoff.facts import fixed_words
from siting.handoff.mapcards import Pair, burial, fill, sensor_steps, taped, words_raw
from siting.language import say
from siting.place.ties import TAPE_SIGMA_M
from siting.planning.form import (
    FAR_DEG,
    FIELD_FORMAT,
    SENSOR_COLUMNS,
    TAPE_LIMITS,
    UNIT_RANGES,
    SheetColumn,
    allowed_words,
    handed_out,
    header,
)
from siting.planning.model import Plan
from siting.site.cells import YEARS

if TYPE_CHECKING:
    import pandas as pd

#: Columns that hold a day and no time.
_DAYS: Final = ("buried_on",)
_LABELS: Final = {
    "buried_on": say("Buried on"),
    "depth": say("Depth as buried"),
    "tie_1": say("Tape 1 as built"),
    "tie_2": say("Tape 2 as built"),
    "tie_3": say("Tape 3 as built"),
    "side": say("Side of the line from point 1 to point 2, seen from point 1"),
    "lat": say("Latitude"),
    "lon": say("Longitude"),
    "gps_error": say("Error that the phone states"),
    "soaked_at": say("Soaking ended"),
    "reading_unit": say("Unit of the readings"),
    "reading_1": say("Reading 1"),
    "reading_1_at": say("Reading 1 taken"),
    "reading_2": say("Reading 2"),
    "reading_2_at": say("Reading 2 taken"),
    "reading_3": say("Reading 3"),
    "reading_3_at": say("Reading 3 taken"),
    "watered_since": say("Watered after the soaking"),
    "rain_since": say("Rain after the soaking"),
    "threshold_set": say("Threshold as set, in the unit of the readings"),
    "note": say("Notes"),
}


def field_document(plan: Plan) -> dict[str, Any]:
    """Return what the field page needs: sensors in walking order, their steps, and the limits."""
    units = plan.settings.units
    columns = [c for c in handed_out(SENSOR_COLUMNS, units) if not c.printed]
    heads: dict[str, list[str]] = {}
    for column in columns:
        heads.setdefault(column.name, []).append(header(column, units))
    order = walking_order(plan)
    return {
        "format": FIELD_FORMAT,
        "plan": plan_key(plan),
        "property": plan.site.name,
        "units": units,
        "at": [plan.site.latitude, plan.site.longitude],
        "far_deg": FAR_DEG,
        "years": [YEARS[0], YEARS[-1]],
        "unit_ranges": {u: [_known(low), _known(high)] for u, (low, high) in UNIT_RANGES.items()},
        "tape": _tape_limits(),
        "columns": {header(c, units): _column(c, header(c, units)) for c in columns},
        "heads": heads,
        "order": order,
        "walk": say(
            "In walking order, from the controller on: in a straight line, so go round what is in "
            "the way."
        ),
        "sensors": {tag: _sensor(plan, tag, heads) for tag in order},
    }


def plan_key(plan: Plan) -> str:
    """Return what tells this plan's sensors from those of another plan of the property.

    Result: 16 hexadecimal digits; the same for the same names, zones and places.
    """
    sensors = [
        [str(tag), str(row["zone"]), round(float(row["lat"]), 6), round(float(row["lon"]), 6)]
        for tag, row in plan.sensors.iterrows()
    ]
    text = json.dumps([plan.site.name, sensors], ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def walking_order(plan: Plan) -> list[str]:
    """Return the sensors in the order of a short walk from the controller, in straight lines.

    Result: sensor ids. The nearest next one, then turned round wherever that makes it shorter.
    """
    places = plan.sensors[["x", "y"]].to_numpy(dtype=float)
    if len(places) == 0:
        return []
    doors = plan.site.fixtures.geometry[plan.site.fixtures["kind"] == "controller"]
    start = np.array([doors.iloc[0].x, doors.iloc[0].y]) if len(doors) else places[0]
    left, walk, here = list(range(len(places))), list[int](), start
    while left:
        gaps = [float(np.hypot(*(places[k] - here))) for k in left]
        walk.append(left.pop(int(np.argmin(gaps))))
        here = places[walk[-1]]
    return [str(plan.sensors.index[k]) for k in _untangled(walk, places, start)]


def _untangled(walk: list[int], places: Floats, start: Floats) -> list[int]:
    """Turn parts of a walk round while that makes it shorter.

    places, start: coordinates [m].
    """

    def length(order: list[int]) -> float:
        way = np.vstack([start, places[order]])
        return float(np.hypot(*np.diff(way, axis=0).T).sum())

    best, shorter = length(walk), len(walk) <= _MOST_TURNED
    while shorter:
        shorter = False
        for i in range(len(walk) - 1):
            for j in range(i + 1, len(walk)):
                turned = [*walk[:i], *reversed(walk[i : j + 1]), *walk[j + 1 :]]
                if (now := length(turned)) < best - _SHORTER_M:
                    walk, best, shorter = turned, now, True
    return walk


_MOST_TURNED: Final = 40
_SHORTER_M: Final = 0.01


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _tape_limits() -> dict[str, float]:
    return {
        "sigma": TAPE_SIGMA_M,
        "blunder": TAPE_LIMITS.blunder,
        "agree": TAPE_LIMITS.agree,
        "same": TAPE_LIMITS.same,
        "sure": TAPE_LIMITS.sure,
        "far": TAPE_LIMITS.far_m,
        "near": TAPE_LIMITS.near_m,
        "gps_error": TAPE_LIMITS.gps_error_m,
    }


def _column(column: SheetColumn, head: str) -> dict[str, Any]:
    """Return what a cell may hold, limits in our unit."""
    ending = head.removeprefix(column.name)
    return {
        "name": column.name,
        "kind": column.kind,
        "label": _LABELS[column.name],
        "unit": ending.lstrip("_").replace("_", "/"),
        "factor": column.factors[ending],
        "low": _known(column.low),
        "high": _known(column.high),
        "says": allowed_words(column, head, as_tape=False),
        "allowed": list(column.allowed),
        "day": column.name in _DAYS,
    }


def _sensor(plan: Plan, tag: str, heads: dict[str, list[str]]) -> dict[str, Any]:
    """Return what is planned for a sensor, and its steps."""
    row = plan.sensors.loc[tag]
    ties = plan.ties[plan.ties["sensor_id"] == tag].sort_values("tie")
    return {
        "zone": words_raw(row["zone"]),
        "valve": words_raw(row["valve"]),
        "wait_h": round(float(row["soak_wait_h"]), 1),
        "side": str(ties["side"].iloc[0]) if len(ties) else "",
        "ties": [_tie(tie, row) for _, tie in ties.iterrows()],
        "steps": list(_steps(row, heads)),
    }


def _tie(tie: pd.Series[Any], sensor: pd.Series[Any]) -> dict[str, Any]:
    """Return a tape of the plan, in metres from the planned point.

    Result: normal is the direction of an edge's shortest tape, None for a tape from a point.
    """
    from_x, from_y = float(tie["from_x"]), float(tie["from_y"])
    normal = None
    if bool(tie.get("offset", False)):
        end = np.asarray(tie["geometry"].coords)[-1][:2]
        led = end - np.array([from_x, from_y])
        normal = [round(float(v), 9) for v in led / np.hypot(*led)]
    return {
        "n": int(tie["tie"]),
        "from": fixed_words(tie["from_kind"]),
        "told": taped(tie["distance_m"]),
        "planned": round(float(tie["distance_m"]), 4),
        "at": [round(from_x - float(sensor["x"]), 4), round(from_y - float(sensor["y"]), 4)],
        "normal": normal,
    }


def _steps(row: pd.Series[Any], heads: dict[str, list[str]]) -> Iterator[dict[str, Any]]:
    """Yield the steps of a sensor: id, title, words, columns to fill in."""

    def step(name: str, title: str, text: Pair, *columns: str, stamps: str = "") -> dict[str, Any]:
        fields = [head for column in columns for head in heads[column]]
        return {"id": name, "title": title, "words": text, "fields": fields, "stamps": stamps}

    threshold = sensor_steps(row)[3]
    splice = (
        say("The sensor answers its receiver with the soil back in the hole.")
        if row["link"] == "wireless"
        else say("Waterproof splices, in a box that can be found again; its valve runs its zone.")
    )
    yield step(
        "ticket",
        say("Ticket"),
        say(
            "The utility locate is in force and its marks are on the ground; the owner was asked "
            "for private lines."
        ),
    )
    yield step(
        "flags",
        say("Flags"),
        say("The point is flagged by its tapes, and clear of what is marked."),
    )
    yield step(
        "tapes",
        say("Tapes as built"),
        say("Tape to the sensor in the open hole, from the points of the plan."),
    )
    yield step(
        "depth",
        say("Depth"),
        fill(
            "Plan: {depth}. Firm soil on all sides, no stones, no air.",
            depth=burial(row["depth_m"]),
        ),
        "depth",
        "buried_on",
        stamps="buried_on",
    )
    yield step("splice", say("Splice") if row["link"] != "wireless" else say("Link"), splice)
    yield step(
        "soaked",
        say("Soaked"),
        say("Soak the ground over it thoroughly, then keep this valve off."),
        "soaked_at",
        stamps="soaked_at",
    )
    yield step("reading", say("Reading after the wait"), say("It is the full mark of this soil."))
    yield step("threshold", say("Threshold set"), threshold, "threshold_set")
