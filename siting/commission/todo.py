"""What to do now: one line for each sensor, the most urgent first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from siting.commission.health import Health
from siting.commission.place import AsBuilt
from siting.commission.readings import Readings, time_of
from siting.commission.soil import Capacity
from siting.language import Figure, Moment, Said, say, side_by_side, vocabulary
from siting.planning.model import Plan

#: How pressing a thing is, the most pressing first: what may do damage or speaks for the wrong
#: ground; what sends nothing; what misleads the timer; what is missing before the timer may follow
#: the sensor; what is only not known yet.
_WRONG_PLACE, _DEAD, _MISLEADS, _TIMER, _NOT_READ, _NOT_SET, _NOT_TAPED, _NOTHING = range(8)


@dataclass(frozen=True)
class Seen:
    """What was found, as in `siting.commission.judge.Commissioning`."""

    after: Plan
    readings: Readings
    as_built: Mapping[str, AsBuilt] = field(default_factory=dict)
    capacity: Mapping[str, Capacity] = field(default_factory=dict)
    health: Mapping[str, Health] = field(default_factory=dict)
    changes: tuple[str, ...] = ()


def things_to_do(found: Seen) -> tuple[str, ...]:
    """Return what to do now, sensor by sensor, the most urgent first; one line for each.

    Result: a line for the timer too where the plan was decided again.
    """
    rows = {str(t): {str(k): v for k, v in r.items()} for t, r in found.readings.sensors.iterrows()}
    lines = [
        min(_of_sensor(found, str(tag), rows.get(str(tag), {})), key=lambda one: one[0])
        for tag in found.after.sensors.index
    ]
    if found.changes:
        words = say(
            "Timer: type in the new table; the plan was decided again from what was measured."
        )
        lines.append((_TIMER, words))
    return tuple(words for _, words in sorted(lines, key=lambda one: one[0]))


def _of_sensor(found: Seen, tag: str, row: Mapping[str, Any]) -> Iterator[tuple[int, str]]:
    """Yield everything that is to be done at one sensor: how pressing, and the line."""
    yield from _place(found, tag)
    health = found.health.get(tag)
    for finding in health.findings if health else ():
        rank = _DEAD if finding.kind == "dead" else _MISLEADS
        yield rank, _of(tag, side_by_side([_bare(finding.words), finding.action], ". "))
    read = found.capacity.get(tag)
    yield from _reading(found, tag, row, read)
    if tag not in found.as_built:
        yield _NOT_TAPED, _of(tag, say("tape it: nobody wrote down where it lies."))
    yield _NOTHING, _of(tag, say("nothing to do now."))


def _of(tag: str, words: str) -> str:
    """Say something of a sensor."""
    return side_by_side([tag, words], ": ")


def _why(words: str) -> str:
    """Return what a reading is rejected for, without the word for it."""
    if isinstance(words, Said) and "why" in words.fields:
        return str(words.fields["why"])
    return words.removeprefix("Rejected: ")


def _bare(words: str) -> str:
    """Return a sentence that nobody said in the crew's language without its full stop."""
    return words if isinstance(words, Said) else words.rstrip(".")


def _place(found: Seen, tag: str) -> Iterator[tuple[int, str]]:
    """Yield what is to be done about where it lies."""
    at = found.as_built.get(tag)
    if at is None or at.sound:
        return
    if not at.in_zone:
        sensor = found.after.sensors.loc[tag]
        words = say(
            "move it back into zone {zone}: it does not speak for its valve there.",
            zone=sensor["zone"],
        )
        yield _WRONG_PLACE, _of(tag, words)
    elif not at.setback_met:
        hazard = vocabulary(at.binding_setback)
        words = say("move it away from {hazard}: it is nearer than its setback.", hazard=hazard)
        yield _WRONG_PLACE, _of(tag, words)
    else:
        words = say(
            "move it to drier ground, or let it start at less depletion: it lies in the wetter "
            "half of its zone."
        )
        yield _MISLEADS, _of(tag, words)


def _reading(
    found: Seen, tag: str, row: Mapping[str, Any], read: Capacity | None
) -> Iterator[tuple[int, str]]:
    """Yield what is missing between burial and threshold."""
    wait = float(found.after.sensors.loc[tag, "soak_wait_h"])
    soaked, hours = time_of(row, "soaked_at"), f"{wait:.0f}"
    if read is None:
        if soaked is not None:
            due = soaked + pd.Timedelta(hours=wait)
            words = say("keep its valve off, and read it from {time} on.", time=Moment(due))
        elif time_of(row, "buried_on") is not None or tag in found.as_built:
            words = say("soak it, keep its valve off, wait {hours} h, read it.", hours=hours)
        else:
            words = say(
                "nothing came back yet: bury it, soak it, wait {hours} h, read it.", hours=hours
            )
        yield _NOT_READ, _of(tag, words)
    elif not read.accepted:
        again = say(
            "soak it again, keep its valve off, wait {hours} h, read it: {why}",
            hours=hours,
            why=_why(read.words[0]),
        )
        yield _NOT_READ, _of(tag, again)
    elif read.withheld:
        yield _NOT_SET, _of(tag, read.withheld)
    else:
        yield from _threshold(found, tag, row, read)


def _threshold(
    found: Seen, tag: str, row: Mapping[str, Any], read: Capacity
) -> Iterator[tuple[int, str]]:
    """Yield the threshold where it is not set, or set elsewhere than the reading asks for."""
    value = row.get("threshold_set")
    unit = "" if read.unit == "device" else read.unit
    low = side_by_side([Figure(f"{read.low:.4g}"), unit])
    if value is None or math.isnan(float(value)):
        words = say("set its threshold to {threshold}, and write it down.", threshold=low)
        yield _NOT_SET, _of(tag, words)
        return
    sure = found.after.settings.control.sensor_error * {"%": 100.0, "m3/m3": 1.0}.get(
        read.unit, math.inf
    )
    if abs(float(value) - read.low) > sure:
        stands = side_by_side([Figure(f"{float(value):.4g}"), unit])
        words = say(
            "set its threshold to {threshold}: it stands at {now}.", threshold=low, now=stands
        )
        yield _MISLEADS, _of(tag, words)
