"""The history of a results folder: one numbered record per commissioning, never overwritten.

``history/0000`` is the plan as it was handed over; every commissioning adds the next number, with
the files that came back, the plan that followed and a record that names the sha256 of the record
before it, so that a changed or missing record shows. A record appears by one rename: it is there
whole or not at all.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from siting.atomic import scratch_folder, sweep_scratch, write_bytes
from siting.errors import Fault, InputError, SitingError

__all__ = ["FOLDER", "Record", "append_record", "copy_history", "joined_history", "read_history"]

#: Name of the history's folder within a results folder.
FOLDER: Final = "history"
_SCHEMA: Final = "siting-commissioning/1"
_PART: Final = ".part-"
_NUMBER: Final = re.compile(r"\d{4}")


@dataclass(frozen=True)
class Record:
    """One record.

    Parameters
    ----------
    number : int
        0 for the plan as handed over.
    folder : Path
        Where it is.
    content : mapping
        Its record.json.
    digest : str
        sha256 of its record.json.
    """

    number: int
    folder: Path
    content: Mapping[str, Any]
    digest: str

    @property
    def readings(self) -> tuple[Path, ...]:
        """The files that came back, in the order in which they were given."""
        names = self.content.get("readings", [])
        return tuple(self.folder / "readings" / str(name) for name in names)


def read_history(results: Path | str) -> tuple[Record, ...]:
    """Read the records of a results folder, and check that none was changed or lost.

    Parameters
    ----------
    results : Path or str
        The results folder.

    Returns
    -------
    tuple of Record
        In order; empty where there is none.

    Raises
    ------
    InputError
        With every record that is missing, cannot be read or was changed.
    """
    place = Path(results) / FOLDER
    if not place.is_dir():
        return ()
    numbers = sorted(int(p.name) for p in place.iterdir() if _NUMBER.fullmatch(p.name))
    records: list[Record] = []
    faults: list[Fault] = []
    before = ""
    for place_in_row, number in enumerate(numbers):
        folder = place / f"{number:04d}"
        name = f"{FOLDER}/{folder.name}"
        if number != place_in_row:
            faults.append(_fault(f"{FOLDER}/{place_in_row:04d}", "no record of this number"))
            break
        try:
            raw = (folder / "record.json").read_bytes()
            content = json.loads(raw)
        except (OSError, ValueError):
            faults.append(_fault(name, "a record that cannot be read"))
            break
        if content.get("before", "") != before:
            faults.append(_fault(name, "a record whose predecessor was changed"))
        for file, digest in content.get("files", {}).items():
            path = folder / file
            if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != digest:
                faults.append(_fault(f"{name}/{file}", "a file that was changed or is missing"))
        before = hashlib.sha256(raw).hexdigest()
        records.append(Record(number, folder, content, before))
    if faults:
        raise InputError(faults)
    return tuple(records)


def _fault(name: str, found: str) -> Fault:
    mend = "Put it back from a copy; nothing was written."
    return Fault(name, found, "the history as it was written", mend)


def append_record(
    results: Path | str,
    content: Mapping[str, Any],
    *,
    readings: Mapping[str, bytes],
    files: Mapping[str, bytes],
) -> Record:
    """Add a record behind the last one.

    Parameters
    ----------
    results : Path or str
        The results folder; made when it is missing.
    content : mapping
        What to record, of plain JSON values.
    readings : mapping of str to bytes
        The files that came back.
    files : mapping of str to bytes
        What else belongs to this state, such as plan.json.

    Returns
    -------
    Record
        The record; the last one where it says exactly the same.

    Raises
    ------
    InputError
        When the history was changed.
    SitingError
        When it cannot be written; earlier records are as they were.
    """
    known = read_history(results)
    parts = {**files, **{f"readings/{name}": data for name, data in readings.items()}}
    body = {
        "schema": _SCHEMA,
        "number": len(known),
        "before": known[-1].digest if known else "",
        "readings": list(readings),
        "files": {name: hashlib.sha256(data).hexdigest() for name, data in sorted(parts.items())},
        **content,
    }
    if known and _same(known[-1].content, body):
        return known[-1]
    text = json.dumps(body, ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    raw = text.encode("utf-8", "replace")
    place = Path(results) / FOLDER
    target = place / f"{len(known):04d}"
    scratch: Path | None = None
    try:
        place.mkdir(parents=True, exist_ok=True)
        sweep_scratch(place, _PART)
        scratch = scratch_folder(place, _PART)
        for name, data in {**parts, "record.json": raw}.items():
            write_bytes(scratch / name, data)
        scratch.chmod(0o755)
        # A folder cannot be renamed over one that holds something: nothing is ever replaced.
        os.rename(scratch, target)  # noqa: PTH104 - one atomic call
    except OSError as error:
        words = (
            f"cannot write to {place}: {error.strerror or error}. Earlier records are as before."
        )
        raise SitingError(words) from error
    finally:
        if scratch is not None:
            shutil.rmtree(scratch, ignore_errors=True)
    return Record(len(known), target, body, hashlib.sha256(raw).hexdigest())


def _same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Tell whether two records say the same, apart from their place in the row."""
    apart = {"number", "before"}
    a = {k: v for k, v in one.items() if k not in apart}
    b = json.loads(json.dumps({k: v for k, v in other.items() if k not in apart}))
    return bool(a == b)


def joined_history(source: Path | str, results: Path | str) -> tuple[Record, ...]:
    """Return the history that two results folders have together, one continuing the other.

    Parameters
    ----------
    source, results : Path or str
        Results folders; either may have none, and they may be the same.

    Returns
    -------
    tuple of Record
        The longer of the two.

    Raises
    ------
    InputError
        When both have a history and neither continues the other.
    """
    theirs, ours = read_history(source), read_history(results)
    for one, other in zip(theirs, ours, strict=False):
        if one.digest != other.digest:
            found = f"another history (record {one.number:04d} differs)"
            mend = "Choose an empty folder, or the one of this plan."
            raise InputError([Fault(str(results), found, "the history of this plan", mend)])
    return max(ours, theirs, key=len)


def copy_history(source: Path | str, results: Path | str) -> None:
    """Bring the history of one results folder into another one that has none, or less of it.

    Parameters
    ----------
    source, results : Path or str
        Results folders.

    Raises
    ------
    InputError
        When both have a history and one does not continue the other.
    """
    place = Path(results) / FOLDER
    for record in joined_history(source, results):
        if (place / record.folder.name).exists():
            continue
        place.mkdir(parents=True, exist_ok=True)
        sweep_scratch(place, _PART)
        scratch = scratch_folder(place, _PART)
        try:
            shutil.copytree(record.folder, scratch, dirs_exist_ok=True)
            os.rename(scratch, place / record.folder.name)  # noqa: PTH104
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
