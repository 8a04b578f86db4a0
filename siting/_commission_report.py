"""What commissioning found, as text for people and as plain values for the record."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from siting._commission_sheet import printable
from siting.units import show

if TYPE_CHECKING:
    from siting.commissioning import Commissioning

__all__ = ["record_of", "report_text"]


def report_text(found: Commissioning) -> str:
    """Return everything that commissioning found, in plain words.

    Parameters
    ----------
    found : Commissioning
        As from `siting.commissioning.commission`.

    Returns
    -------
    str
        Headings and lines, 100 characters wide and less where words allow.
    """
    units = found.after.settings.units
    lines = [f"{found.after.site.name}: what the field said", ""]
    for tag, sensor in found.after.sensors.iterrows():
        name = str(tag)
        lines.append(f"{name} in {sensor['zone']} (valve {sensor['valve']})")
        said: list[str] = []
        if name in found.as_built:
            said += found.as_built[name].words
            residuals = found.as_built[name].fix.residuals_m
            if len(residuals) > 2:  # noqa: PLR2004 - two tapes leave none
                shown = ", ".join(show(r, "length", units) for r in residuals)
                said.append(f"Residuals of its tapes: {shown}.")
        if name in found.capacity:
            said += found.capacity[name].words
        if name in found.health:
            health = found.health[name]
            for finding in health.findings:
                said.append(
                    f"{finding.words} Likely: {finding.cause}. What to do: {finding.action}"
                )
            if not health.findings:
                said.append("Its log shows nothing amiss.")
        lines += [f"  - {text}" for text in said or ["nothing came back"]] + [""]
    lines += _section("Measured instead of assumed", [c.words for c in found.measured])
    lines += _section("What that changes", found.changes or _unchanged(found))
    lines += _section("Still the driest representative point?", found.stability_words)
    lines += _section("Water saved", [found.savings_words])
    lines += _section("Look at again in the second season", found.recheck)
    lines += _section("Notes", found.notes)
    # Names of a user may hold characters that steer a terminal.
    return "\n".join(printable_line(line) for line in lines).rstrip() + "\n"


def printable_line(line: str) -> str:
    """Return a line without characters that steer a terminal; its indent stays."""
    indent = line[: len(line) - len(line.lstrip(" "))]
    return indent + printable(line)


def _unchanged(found: Commissioning) -> list[str]:
    return ["Nothing: the plan stays as it is."] if found.measured else []


def _section(title: str, items: Iterable[str]) -> list[str]:
    """Return a heading with its items, or nothing."""
    shown = [f"  - {item}" for item in items if item]
    return [title, *shown, ""] if shown else []


def record_of(found: Commissioning) -> dict[str, Any]:
    """Return what the history keeps of a commissioning, as plain JSON values.

    Parameters
    ----------
    found : Commissioning
        As from `siting.commissioning.commission`.

    Returns
    -------
    dict
        sensors (place, error, rank, setbacks, reading, threshold, findings), measured, changes,
        savings, recheck, notes.
    """
    return {
        "sensors": {str(tag): _sensor(found, str(tag)) for tag in found.after.sensors.index},
        "measured": [
            {"zone": c.zone, "column": c.column, "words": c.words} for c in found.measured
        ],
        "changes": list(found.changes),
        "stability": list(found.stability_words),
        "savings": found.savings_words,
        "recheck": list(found.recheck),
        "notes": list(found.notes),
    }


def _sensor(found: Commissioning, tag: str) -> dict[str, Any]:
    """Return what is known of one sensor."""
    record: dict[str, Any] = {}
    if at := found.as_built.get(tag):
        sensor = found.after.sensors.loc[tag]
        record["as_built"] = {
            "x": _plain(sensor["source_x"], 8), "y": _plain(sensor["source_y"], 8),
            "lon": _plain(sensor["lon"], 8), "lat": _plain(sensor["lat"], 8),
            "how": at.fix.how, "error_m": _plain(at.fix.error_m, 3),
            "residuals_m": [_plain(r, 4) for r in at.fix.residuals_m],
            "moved_m": _plain(at.moved_m, 3), "in_zone": at.in_zone,
            "setback_ratio": _plain(at.setback_ratio, 4), "binding_setback": at.binding_setback,
            "rank": _plain(at.rank, 4), "words": list(at.words),
        }  # fmt: skip
    if read := found.capacity.get(tag):
        record["field_capacity"] = {
            "accepted": read.accepted, "reading": _plain(read.reading, 4), "unit": read.unit,
            "threshold_low": _plain(read.low, 4), "threshold_high": _plain(read.high, 4),
            "textures": list(read.textures), "words": list(read.words),
        }  # fmt: skip
    if health := found.health.get(tag):
        record["health"] = {
            "verdict": health.verdict,
            "findings": [
                {"kind": f.kind, "words": f.words, "cause": f.cause, "action": f.action}
                for f in health.findings
            ],
            "untested": list(health.untested),
        }
    return record


def _plain(value: float, decimals: int) -> float | None:
    """Return a number for JSON; None where it is not known."""
    return round(float(value), decimals) if math.isfinite(value) else None
