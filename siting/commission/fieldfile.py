"""The file of the field page: the answers of one or more phones, brought together as one sheet."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from siting.errors import Fault, InputError, some
from siting.planning.form import FIELD_FORMAT
from siting.site.cells import RawSheet

_LARGEST: Final = 250_000_000  # bytes; photos are in it
_LONGEST: Final = 10_000  # characters of an answer that is no photo
_TOLD: Final = 60
_AT: Final = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?Z")
_TICK, _PHOTO = "tick/", "photo/"


@dataclass(frozen=True)
class Answer:
    """What one device says at one place of the page.

    sensor, name: which sensor, and header of a column, "tick/STEP" or "photo/NAME"; value: as
    typed; at: when (UTC); by: which device; other: what another device says, where it differs.
    """

    sensor: str
    name: str
    value: str
    at: str
    by: str
    other: Answer | None = None


@dataclass(frozen=True)
class FieldFile:
    """One file of a field page.

    name: of the file; property: the property's name; units: of its columns; zones: zone of each
    sensor when the page was made; answers: all of them.
    """

    name: str
    property: str
    units: str
    zones: Mapping[str, str]
    answers: tuple[Answer, ...]


def read_field(path: Path) -> FieldFile:
    """Read a file of the field page; InputError with everything that is wrong with it."""
    try:
        size = path.stat().st_size
        content = path.read_bytes() if size <= _LARGEST else b""
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        raise _refused(path.name, found, "a file that you may read", "Check the path.") from error
    if size > _LARGEST:
        found = f"more than {_LARGEST // 10**6} MB"
        raise _refused(path.name, found, "a smaller file", "Remove photos on the page, save again.")
    try:
        document = json.loads(content)
    except (ValueError, RecursionError) as error:
        mend = "Send the file again as the page saved it."
        raise _refused(path.name, "no JSON", "a field.json", mend) from error
    if not isinstance(document, dict) or document.get("format") != FIELD_FORMAT:
        mend = "Use the file that Field on the map saved."
        raise _refused(path.name, "another kind of JSON", f'format "{FIELD_FORMAT}"', mend)
    zones, rows = document.get("zones"), document.get("answers")
    if not isinstance(zones, dict) or not isinstance(rows, list):
        found = "no answers" if isinstance(zones, dict) else "no zones"
        raise _refused(path.name, found, "zones and answers", "Save it again on the map.")
    answers = [_answer(row) for row in rows]
    broken = [number for number, answer in enumerate(answers, start=1) if answer is None]
    if broken:
        found = f"answers that are not whole (number {some(broken)})"
        allowed = "sensor, name, value, at and by as text"
        raise _refused(path.name, found, allowed, "Save it again on the map.")
    return FieldFile(
        path.name,
        str(document.get("property", "")),
        str(document.get("units", "")),
        {str(tag): str(zone) for tag, zone in zones.items()},
        tuple(answer for answer in answers if answer is not None),
    )


def _refused(file: str, found: str, allowed: str, mend: str) -> InputError:
    return InputError([Fault(file, found, allowed, mend)])


def _answer(row: Any) -> Answer | None:  # noqa: ANN401 - whatever stands in the file
    """Return one answer, None where it is not whole."""
    names = ("sensor", "name", "value", "at", "by")
    if not isinstance(row, dict) or not all(isinstance(row.get(name), str) for name in names):
        return None
    answer = Answer(*(row[name] for name in names))
    long = len(answer.value) > _LONGEST and not answer.name.startswith(_PHOTO)
    if not answer.sensor or not answer.name or not _AT.fullmatch(answer.at) or long:
        return None
    if row.get("other") is None:
        return answer
    other = _answer({**row["other"], "sensor": answer.sensor, "name": answer.name, "other": None}
                    if isinstance(row["other"], dict) else None)  # fmt: skip
    return None if other is None else replace(answer, other=other)


def merged(mine: Answer, theirs: Answer) -> Answer:
    """Bring two answers of one place together, as the page itself does.

    Of one device the later counts; of two devices an empty one gives way; else both are kept, the
    second as what the other says.

    >>> at = "2026-05-01T08:00:00Z"
    >>> merged(Answer("S1", "depth_in", "3", at, "a"), Answer("S1", "depth_in", "4", at, "b")).other
    Answer(sensor='S1', name='depth_in', value='4', at='2026-05-01T08:00:00Z', by='b', other=None)
    """
    later = theirs if theirs.at > mine.at else mine
    if mine.value == theirs.value:
        return mine if mine.other else replace(later, other=theirs.other)
    if mine.by == theirs.by:
        return replace(later, other=mine.other if later is mine else None)
    if not mine.value or not theirs.value:
        return mine if mine.value else theirs
    return replace(mine, other=replace(theirs, other=None))


def field_sheets(
    files: Sequence[FieldFile], *, name: str, zones: Mapping[str, str]
) -> tuple[list[RawSheet], list[Fault]]:
    """Bring files of the field page together as sheets of sensors.

    name: of the property; zones: zone of each sensor of the plan. Result: one sheet per system of
    units, in the order in which they come, with what was found as notes; faults of files that are
    of another property, or of a plan whose sensors lay elsewhere.
    """
    faults = [fault for file in files for fault in _foreign(file, name, zones)]
    sheets = []
    for units in dict.fromkeys(file.units for file in files):
        part = [file for file in files if file.units == units]
        found: dict[tuple[str, str], Answer] = {}
        for answer in (answer for file in part for answer in file.answers):
            place = answer.sensor, answer.name
            found[place] = merged(found[place], answer) if place in found else answer
        sheets.append(_sheet(" and ".join(dict.fromkeys(f.name for f in part)), found.values()))
    return sheets, faults


def _foreign(file: FieldFile, name: str, zones: Mapping[str, str]) -> list[Fault]:
    """Return what tells that a file was filled in for other sensors."""
    if file.property != name:
        found, mend = f'property "{_short(file.property)}"', "Use the file of this property."
        return [Fault(file.name, found, f'"{_short(name)}"', mend)]
    told = {answer.sensor for answer in file.answers if answer.value}
    moved = [
        tag for tag in sorted(told & zones.keys()) if file.zones.get(tag, zones[tag]) != zones[tag]
    ]
    mend = "It was filled in on the map of another plan: give it with that plan's results."
    return [
        Fault(
            file.name,
            f'{tag} in zone "{_short(file.zones[tag])}"',
            f'zone "{_short(zones[tag])}"',
            mend,
            feature=tag,
        )
        for tag in moved
    ]


def _sheet(file: str, answers: Iterable[Answer]) -> RawSheet:
    """Return answers as a sheet: a row per sensor, a column per header."""
    known = [_settled(answer) for answer in answers]
    typed = [a for a, _ in known if not a.name.startswith((_TICK, _PHOTO))]
    tags = list(dict.fromkeys(a.sensor for a, _ in known if a.value))
    heads = sorted({a.name for a in typed if a.value})
    cells = {(a.sensor, a.name): a.value for a in typed}
    rows = [
        (number, [tag, *(cells.get((tag, head), "") for head in heads)])
        for number, tag in enumerate(tags, start=1)
    ]
    notes = [f"{file}: {words}" for _, words in known if words]
    notes += [f"{file}: {words}" for tag in tags if (words := _done(tag, [a for a, _ in known]))]
    labels = {f"row {number}": tag for number, tag in enumerate(tags, start=1)}
    return RawSheet(file, ("sensor_id", *heads), rows, notes, labels)


def _settled(answer: Answer) -> tuple[Answer, str]:
    """Return the later of what two devices say, and both in words."""
    if answer.other is None or answer.name.startswith(_PHOTO):
        return answer, ""
    first, last = sorted([replace(answer, other=None), answer.other], key=lambda a: a.at)
    words = (
        f'{_short(answer.sensor)}, {_short(answer.name)}: two devices differ, "'
        f'{_short(first.value)}" at {first.at[:16]}Z and "{_short(last.value)}" at '
        f"{last.at[:16]}Z; the later one is taken"
    )
    return last, words


def _done(tag: str, answers: Iterable[Answer]) -> str:
    """Say which steps of a sensor are ticked, and how many photos there are."""
    own = [a for a in answers if a.sensor == tag and a.value]
    ticks = [a.name.removeprefix(_TICK) for a in own if a.name.startswith(_TICK)]
    photos = sum(a.name.startswith(_PHOTO) for a in own)
    parts = [f"ticked {', '.join(ticks)}"] if ticks else []
    parts += [f"{photos} photo{'' if photos == 1 else 's'}"] if photos else []
    return f"{tag}: {'; '.join(parts)}" if parts else ""


def _short(text: str) -> str:
    """Return a text of the file as it fits into a message."""
    return text if len(text) <= _TOLD else f"{text[:_TOLD]}…"
