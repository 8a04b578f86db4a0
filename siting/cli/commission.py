"""`siting commission`: readings in; findings, the updated plan and one more record out."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from siting.cli.shared import threads_option
from siting.errors import Fault, InputError, SitingError
from siting.files import file_digest, write_text

if TYPE_CHECKING:
    from siting.climate.model import Climate
    from siting.commission.record import Record
    from siting.planning.model import Plan
    from siting.site.model import Site


#: What a commissioning adds to the results, beside the evidence of each sensor.
_REPORT: Final = "commissioning.txt"
_PICTURE: Final = "before-after.png"


@contextmanager
def _writing(folder: Path) -> Iterator[None]:
    """Turn what a disk refuses into a message."""
    try:
        yield
    except OSError as error:
        msg = f"cannot write to {folder}: {error.strerror or error}. Earlier records are untouched."
        raise SitingError(msg) from error


def _beside(path: Path, folder: Path) -> str:
    """Return a path as seen from a folder."""
    try:
        return os.path.relpath(path, folder)
    except ValueError:  # another drive
        return str(path.resolve())


@click.command()
@click.argument("plan", metavar="PLAN", type=click.Path(path_type=Path))
@click.option(
    "--readings",
    "files",
    required=True,
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The filled-in sheet, a log of moisture, valve runs, rain or the meter; may be repeated.",
)
@click.option(
    "--out",
    "folder",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the updated results; may be that of the plan.",
)
@click.option(
    "--property",
    "property_file",
    type=click.Path(path_type=Path),
    help="The property file, where the results folder does not find it any more.",
)
@click.argument("more", metavar="[FILE]...", nargs=-1, type=click.Path(path_type=Path))
@threads_option
def commission(
    plan: Path,
    files: tuple[Path, ...],
    folder: Path,
    property_file: Path | None,
    more: tuple[Path, ...],
    threads: int,
) -> None:
    """Take the field's answers back: PLAN is a results folder, its plan.json, or a property file.

    As-built points, readings after a soaking, measured soil and roots, and logged moisture are
    checked and judged; the plan is decided again where a measured value replaces an assumed one.
    The results folder keeps every earlier state under history/.

    \f

    files: what was given as ``--readings``, at least one.
    """
    from siting.commission.judge import commission as judge
    from siting.commission.readings import read_readings
    from siting.commission.record import joined_history, report_text
    from siting.handoff.bundle import NAMES
    from siting.handoff.results import claim_results, results_lock

    click.get_current_context().with_resource(results_lock(folder))
    results, source = _found(plan, property_file)
    records = joined_history(results or folder, folder)
    kept = claim_results(folder, [*NAMES, _REPORT, _PICTURE])
    first, climate, again = _planned(source, results, threads)
    earlier = [path for record in records for path in record.readings]
    before = first
    if earlier:
        known = read_readings(earlier, first)
        before = judge(first, climate, known, replan=again).after
    given = [*files, *more]
    new = [path for path in given if file_digest(path) not in {file_digest(old) for old in earlier}]
    readings = read_readings([*earlier, *new], before, also=[str(t) for t in first.sensors.index])
    found = judge(before, climate, readings, replan=again, planned=first)
    click.echo(report_text(found))
    if records and records[-1].content.get("property", {}).get("sha256") != file_digest(
        _property_of(source)
    ):
        click.echo("note: the property file was changed since the last record.")
    if not new:
        click.echo("These readings are recorded already; the results are written again.")
    for note in kept:
        click.echo(f"note: {note}")
    with _writing(folder):
        record = _write(found, folder, new=new, base=first, source=source, records=records)
    click.echo(f"record      {record}")
    click.echo(f"results     {folder.resolve()}")


def _found(plan: Path, property_file: Path | None) -> tuple[Path | None, Path]:
    """Return the results folder (None where a property was given) and the property file."""
    from siting.handoff.results import property_of

    place = plan.parent if plan.name == "plan.json" else plan
    if not (place / "plan.json").is_file():
        return None, property_file or plan
    if property_file is not None:
        return place, property_file
    source = property_of(place)
    if source is None or not source.is_file():
        found = "a results folder whose property file is not where it was"
        mend = "Name the property file with --property."
        fault = Fault(str(place), found, "the property file that was planned", mend)
        raise InputError([fault])
    return place, source


def _planned(source: Path, results: Path | None, threads: int) -> tuple[Plan, Climate, Any]:
    """Make the plan again, hold it against the one that was handed over, and say how to replan."""
    from siting.planning.make import plan as make_plan
    from siting.planning.make import read_inputs

    settings, site, climate = read_inputs(source, changes=_changes(results))
    made = make_plan(site, climate, settings, threads=threads)
    if results is not None:
        _must_match(made, results)

    def again(changed: Site, tags: Mapping[str, str]) -> Plan:
        return make_plan(changed, climate, settings, threads=threads, tags=tags)

    return made, climate, again


def _changes(results: Path | None) -> dict[str, Any]:
    """Return what ``siting plan --set`` put in the place of the property file's values."""
    if results is None:
        return {}
    first = results / "history" / "0000" / "plan.json"
    file = first if first.is_file() else results / "plan.json"
    try:
        recorded = json.loads(file.read_text(encoding="utf-8"))["provenance"]
        return dict(recorded.get("changes", {}))
    except (OSError, ValueError, KeyError, TypeError):
        return {}  # `_must_match` tells what is wrong with it


def _must_match(made: Plan, results: Path) -> None:
    """Refuse readings for a plan that the property file does not give any more."""
    first = results / "history" / "0000" / "plan.json"
    file = first if first.is_file() else results / "plan.json"
    try:
        known = {
            str(s["sensor_id"]): (float(s["lon"]), float(s["lat"]))
            for s in json.loads(file.read_text(encoding="utf-8"))["sensors"]
        }
    except (OSError, ValueError, KeyError, TypeError) as error:
        fault = Fault(str(file), "no plan", "a plan.json of this program", "Plan again.")
        raise InputError([fault]) from error
    now = {str(tag): (float(row["lon"]), float(row["lat"])) for tag, row in made.sensors.iterrows()}
    near = 2e-6  # degrees, about 0.2 m
    same = known.keys() == now.keys() and all(
        abs(known[tag][0] - now[tag][0]) < near and abs(known[tag][1] - now[tag][1]) < near
        for tag in known
    )
    if not same:
        found = "a plan that its property file does not give any more: it was changed since"
        mend = "Put the property file back as it was, or plan again and use the new sheet."
        raise InputError([Fault(str(file), found, "the property file as planned", mend)])


def _write(
    found: Any,  # noqa: ANN401
    folder: Path,
    *,
    new: list[Path],
    base: Plan,
    source: Path,
    records: tuple[Record, ...],
) -> str:
    """Write record and results in one exchange: both are there, or neither."""
    from siting.commission.record import (
        before_after_picture,
        copy_history,
        evidence_picture,
        report_text,
    )
    from siting.files import write_bytes
    from siting.handoff.bundle import write_bundle

    pictures = {
        f"evidence-{tag}.png": evidence_picture(health) for tag, health in found.health.items()
    }
    pictures[_PICTURE] = before_after_picture(base, found.after)
    made_from = {"path": _beside(source, folder), "sha256": file_digest(_property_of(source))}
    name = ""

    def more(scratch: Path) -> None:
        nonlocal name
        for file, data in pictures.items():
            write_bytes(scratch / file, data)
        write_text(scratch / _REPORT, report_text(found))
        if records:
            copy_history(records[0].folder.parents[1], scratch)
        name = _record(found, scratch, new=new, base=base, made_from=made_from)

    write_bundle(found.after, folder, source=source, more=more)
    return f"{folder.resolve()}/history/{name}"


def _record(
    found: Any,  # noqa: ANN401
    folder: Path,
    *,
    new: list[Path],
    base: Plan,
    made_from: dict[str, str],
) -> str:
    """Add a record to the history where something new came back, and return the last one's name."""
    from siting.commission.record import append_record, read_history, record_of, report_text
    from siting.handoff.document import plan_document

    def document(plan: Plan) -> bytes:
        text = json.dumps(plan_document(plan), ensure_ascii=False, indent=2, allow_nan=False)
        return (text.encode("utf-8", "replace")) + b"\n"

    if not read_history(folder):
        append_record(
            folder, {"what": "plan as handed over", "property": made_from}, readings={},
            files={"plan.json": document(base)},
        )  # fmt: skip
    if new:
        append_record(
            folder,
            {"what": "commissioning", "property": made_from, **record_of(found)},
            readings=_unique(new),
            files={"plan.json": document(found.after), "report.txt": report_text(found).encode()},
        )
    return str(read_history(folder)[-1].folder.name)


def _property_of(source: Path) -> Path:
    return source / "property.toml" if source.is_dir() else source


def _unique(paths: list[Path]) -> dict[str, bytes]:
    """Return the files by name; two of one name get a number."""
    found: dict[str, bytes] = {}
    for path in paths:
        name, number = path.name, 2
        while name in found:
            name = f"{path.stem}-{number}{path.suffix}"
            number += 1
        found[name] = path.read_bytes()
    return found
