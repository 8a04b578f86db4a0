"""A visit to the field: readings in; findings, the plan after, a record and results out.

A notebook, the GIS and the command line call `commission_results`. It makes the plan again from its
property file, lets `siting.commission.judge` say what the readings mean, and exchanges the results
folder as a whole: record and results are both there, or neither.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from siting.commission.judge import Commissioning, commission
from siting.commission.readings import read_readings
from siting.commission.record import (
    FOLDER,
    Record,
    append_record,
    before_after_picture,
    copy_history,
    evidence_picture,
    joined_history,
    read_history,
    record_of,
    report_text,
)
from siting.errors import Fault, InputError
from siting.files import file_digest, write_bytes, write_text
from siting.handoff.bundle import write_bundle
from siting.handoff.document import plan_bytes
from siting.handoff.formats import NAMES
from siting.handoff.results import claim_results, property_of, results_lock
from siting.planning.make import plan as make_plan
from siting.planning.make import read_inputs
from siting.planning.model import Plan
from siting.site.model import Site

#: What a commissioning adds to the results, beside the evidence of each sensor.
_REPORT: Final = "commissioning.txt"
_PICTURE: Final = "before-after.png"
#: Two points are one where longitude and latitude differ by less: about 0.2 m [degrees].
_NEAR: Final = 2e-6
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Commissioned:
    """What a visit to the field came to, and what was written of it.

    Parameters
    ----------
    found : Commissioning
        Everything found: by sensor, in words, and the plan before and after.
    record : Record
        The last record of the history: of this visit, or of the last one where nothing new came.
    files : tuple of Path
        The files written, without those of the history.
    notes : tuple of str
        What whoever called should know beside the report.
    """

    found: Commissioning
    record: Record
    files: tuple[Path, ...]
    notes: tuple[str, ...]

    @property
    def after(self) -> Plan:
        """The plan as it now stands."""
        return self.found.after

    @property
    def report(self) -> str:
        """Everything found, in plain words."""
        return report_text(self.found)


def commission_results(
    plan: Path | str,
    readings: Sequence[Path | str],
    folder: Path | str,
    *,
    property_file: Path | str | None = None,
    threads: int = 1,
    progress: Progress | None = None,
) -> Commissioned:
    """Take the field's answers back, and write what follows from them.

    Readings of earlier visits still count: the history holds them.

    Parameters
    ----------
    plan : Path or str
        A results folder, its plan.json, or a property file where nothing was written yet.
    readings : sequence of Path or str
        The filled-in sheet, logs of moisture, valve runs, rain or the meter.
    folder : Path or str
        Folder for the updated results; may be that of the plan.
    property_file : Path or str, optional
        The property file, or its folder, where the results folder does not find it any more.
    threads : int
        Threads; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    Commissioned
        Findings, the plan after, the record and the files written.

    Raises
    ------
    InputError
        With every fault of the readings, or when the plan is not that of the property file, or the
        history was changed. Nothing is written then.
    SitingError
        When the folder cannot be written; earlier records and results are as they were.
    """
    target, given = Path(folder), [Path(path) for path in readings]
    with results_lock(target):
        results, source = _sources(Path(plan), property_file)
        records = joined_history(results or target, target)
        notes = list(claim_results(target, [*NAMES, _REPORT, _PICTURE]))
        changes, places = _handed_over(results) if results else ({}, {})
        settings, site, climate = read_inputs(source, changes=changes)
        first = make_plan(site, climate, settings, threads=threads, progress=progress)
        if results:
            _must_match(first, places, results)

        def again(changed: Site, tags: Mapping[str, str]) -> Plan:
            return make_plan(
                changed, climate, settings, threads=threads, progress=progress, tags=tags
            )

        before, earlier = first, [path for record in records for path in record.readings]
        if earlier:
            known = read_readings(earlier, first)
            before = commission(first, climate, known, replan=again).after
        recorded = {file_digest(path) for path in earlier}
        new = [path for path in given if file_digest(path) not in recorded]
        tags = [str(tag) for tag in first.sensors.index]
        read = read_readings([*earlier, *new], before, also=tags)
        found = commission(before, climate, read, replan=again, planned=first)
        if not new:
            notes.insert(0, "these readings are recorded already; the results are written again.")
        if records and records[-1].content.get("property", {}).get("sha256") != _digest(source):
            notes.insert(0, "the property file was changed since the last record.")
        files = write_commissioning(
            found, target, base=first, source=source, new=new, records=records, progress=progress
        )
        return Commissioned(found, read_history(target)[-1], files, tuple(notes))


def write_commissioning(
    found: Commissioning,
    folder: Path | str,
    *,
    base: Plan,
    source: Path | str,
    new: Sequence[Path] = (),
    records: Sequence[Record] = (),
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write record and results in one exchange: both are there, or neither.

    Parameters
    ----------
    found : Commissioning
        As from `siting.commission.judge.commission`.
    folder : Path or str
        Folder for the results; made if need be.
    base : Plan
        The plan as it was handed over.
    source : Path or str
        The property file, or its folder.
    new : sequence of Path
        Readings that no record holds yet; without any, no record is added.
    records : sequence of Record
        The history so far, of this folder or another one.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    tuple of Path
        The files written, without those of the history.

    Raises
    ------
    InputError
        When the history was changed.
    SitingError
        When the folder cannot be written; earlier records and results are as they were.
    """
    target, origin = Path(folder), Path(source)
    made_from = {"path": _beside(origin, target), "sha256": _digest(origin)}

    def more(scratch: Path) -> None:
        for tag, health in found.health.items():
            write_bytes(scratch / f"evidence-{tag}.png", evidence_picture(health))
        write_bytes(scratch / _PICTURE, before_after_picture(base, found.after))
        write_text(scratch / _REPORT, report_text(found))
        if records:
            copy_history(records[0].folder.parents[1], scratch)
        _record(found, scratch, new=new, base=base, made_from=made_from)

    return write_bundle(found.after, target, source=origin, more=more, progress=progress)


def _record(
    found: Commissioning,
    folder: Path,
    *,
    new: Sequence[Path],
    base: Plan,
    made_from: Mapping[str, str],
) -> None:
    """Add a record to the history where something new came back."""
    if not read_history(folder):
        append_record(
            folder, {"what": "plan as handed over", "property": made_from}, readings={},
            files={"plan.json": plan_bytes(base)},
        )  # fmt: skip
    if new:
        append_record(
            folder,
            {"what": "commissioning", "property": made_from, **record_of(found)},
            readings=_unique(new),
            files={
                "plan.json": plan_bytes(found.after), "report.txt": report_text(found).encode(),
            },
        )  # fmt: skip


def _sources(plan: Path, property_file: Path | str | None) -> tuple[Path | None, Path]:
    """Return the results folder (None where a property was given) and the property file."""
    place = plan.parent if plan.name == "plan.json" else plan
    if not (place / "plan.json").is_file():
        return None, plan if property_file is None else Path(property_file)
    if property_file is not None:
        return place, Path(property_file)
    source = property_of(place)
    if source is None or not source.is_file():
        found = "a results folder whose property file is not where it was"
        mend = "Name the property file with --property."
        raise InputError([Fault(str(place), found, "the property file that was planned", mend)])
    return place, source


def _first_plan(results: Path) -> Path:
    """Return the plan.json of a results folder as it was handed over."""
    first = results / FOLDER / "0000" / "plan.json"
    return first if first.is_file() else results / "plan.json"


def _handed_over(results: Path) -> tuple[dict[str, Any], dict[str, tuple[float, float]]]:
    """Return what `siting plan --set` changed, and each sensor's longitude and latitude."""
    file = _first_plan(results)
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
        places = {
            str(s["sensor_id"]): (float(s["lon"]), float(s["lat"])) for s in document["sensors"]
        }
        return dict(document["provenance"].get("changes", {})), places
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        fault = Fault(str(file), "no plan", "a plan.json of this program", "Plan again.")
        raise InputError([fault]) from error


def _must_match(made: Plan, places: Mapping[str, tuple[float, float]], results: Path) -> None:
    """Refuse readings for a plan that the property file does not give any more."""
    now = made.sensors[["lon", "lat"]]
    same = places.keys() == {str(tag) for tag in now.index} and all(
        abs(lon - places[str(tag)][0]) < _NEAR and abs(lat - places[str(tag)][1]) < _NEAR
        for tag, lon, lat in now.itertuples()
    )
    if not same:
        found = "a plan that its property file does not give any more: it was changed since"
        mend = "Put the property file back as it was, or plan again and use the new sheet."
        fault = Fault(str(_first_plan(results)), found, "the property file as planned", mend)
        raise InputError([fault])


def _digest(source: Path) -> str:
    """Return the checksum of a property file, given as such or as its folder."""
    return file_digest(source / "property.toml" if source.is_dir() else source)


def _beside(path: Path, folder: Path) -> str:
    """Return a path as seen from a folder."""
    try:
        return os.path.relpath(path, folder)
    except ValueError:  # another drive
        return str(path.resolve())


def _unique(paths: Sequence[Path]) -> dict[str, bytes]:
    """Return the files by name; two of one name get a number."""
    found: dict[str, bytes] = {}
    for path in paths:
        name, number = path.name, 2
        while name in found:
            name = f"{path.stem}-{number}{path.suffix}"
            number += 1
        found[name] = path.read_bytes()
    return found
