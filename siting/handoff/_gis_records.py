"""The sensors as flat records and as a few plain words, for every text format."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from siting.handoff._sheet_text import clean, depth, elide, tape
from siting.units import UnitsName

__all__ = ["TIES", "describe", "flat"]

#: Ties per sensor that the flat formats have room for.
TIES: Final = 3


def flat(sensor: Mapping[str, Any]) -> dict[str, Any]:
    """Return a sensor of `plan_document` as one flat record; lengths in metres.

    sensor: one item of ``plan_document(plan)["sensors"]``. Result: text, numbers or None; the same
    keys for every sensor.
    """
    skipped = {"governs", "threshold", "ties", "reserves"}
    record: dict[str, Any] = {}
    for key, value in sensor.items():
        if key not in skipped:
            record[key] = value
        if key == "control":
            record["governs"] = ", ".join(sensor["governs"])
    record |= {f"threshold_{key}": value for key, value in sensor["threshold"].items()}
    ties: Sequence[Mapping[str, Any]] = sensor["ties"]
    for place in range(TIES):
        tie = ties[place] if place < len(ties) else {}
        record[f"tie{place + 1}_m"] = tie.get("distance_m")
        record[f"tie{place + 1}_from"] = tie.get("from_kind")
        record[f"tie{place + 1}_from_lon"] = tie.get("from_lon")
        record[f"tie{place + 1}_from_lat"] = tie.get("from_lat")
    return record


def describe(sensor: Mapping[str, Any], units: UnitsName) -> str:
    """Return what a crew needs at a sensor, in one line.

    sensor: one item of ``plan_document(plan)["sensors"]``; units {"metric", "us"}: how to show
    lengths. Result: zone, valve, depth and ties.
    """
    words = [
        f"Zone {elide(clean(sensor['zone']), 60)}",
        f"valve {elide(clean(sensor['valve']), 30)}",
        f"depth {depth(sensor['depth_m'], units)}",
    ]
    words += [
        f"{tape(tie['distance_m'], units)} from {elide(clean(tie['from_kind']), 40)}"
        for tie in sensor["ties"]
    ]
    return "; ".join(words)
