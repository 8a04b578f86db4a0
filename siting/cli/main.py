"""The command line: parse, call one function, print. Heavy imports stay inside the commands."""

from __future__ import annotations

import io
import re
import shutil
import sys
import tempfile
import textwrap
import tomllib
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from siting import __version__
from siting.cli.portfolio import parts_on_cluster, register_portfolio, scheduler_options
from siting.cli.shared import (
    Commands,
    columns,
    echo_json,
    json_option,
    out_option,
    progress,
    property_argument,
    say,
    threads_option,
)
from siting.cli.start import register_start, register_survey
from siting.compiled import compiling_beside
from siting.errors import SitingError
from siting.extensions import GROUPS, Extension, ExtensionError, find_extension, list_extensions
from siting.files import written_files
from siting.handoff.formats import FORMATS, formats

if TYPE_CHECKING:
    from siting.planning.model import Plan
    from siting.zones.survey import Survey


def register_compare(main: click.Group) -> None:
    """Add the commands."""
    main.add_command(_compare)
    main.add_command(_verify)
    main.add_command(_commission)


def parsed(changes: tuple[str, ...]) -> dict[str, Any]:
    """Read KEY=VALUE pairs; a value is TOML, or plain text where it is not.

    Result: dotted key -> value.
    """
    found: dict[str, Any] = {}
    for change in changes:
        key, equals, text = change.partition("=")
        if not equals or not key.strip():
            msg = f'"{change}" is not KEY=VALUE, as in water.price=3.10'
            raise click.BadParameter(msg, param_hint="--set")
        try:
            value = tomllib.loads(f"value = {text}")["value"]
        except tomllib.TOMLDecodeError:
            value = text.strip()
        found[key.strip()] = value
    return found


@click.command("compare")
@click.argument(
    "plans", metavar="PLAN...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@json_option
def _compare(plans: tuple[Path, ...], as_json: bool) -> None:
    """Print the choices of plans side by side; PLAN is a plan.json or a folder that holds one."""
    from rich.console import Console
    from rich.table import Table

    from siting.handoff.explain import compare_plans, read_plans

    beside = compare_plans(read_plans(plans))
    if as_json:
        rows = [{"plan": name, **cells.to_dict()} for name, cells in beside.items()]
        echo_json({"ok": True, "plans": rows})
        return
    table = Table("", header_style="bold")
    for name in beside:
        table.add_column(_plain(str(name)), overflow="fold")
    for label, cells in beside.iterrows():
        table.add_row(str(label), *(_plain(cell) for cell in cells))
    Console(width=columns() or 60 + 30 * len(plans)).print(table)


@click.command("verify")
@click.argument("folder", metavar="PLAN", type=click.Path(path_type=Path))
@click.argument(
    "property_file", metavar="[PROPERTY]", required=False, type=click.Path(path_type=Path)
)
@threads_option
@json_option
def _verify(folder: Path, property_file: Path | None, threads: int, as_json: bool) -> None:
    """Run PLAN (a folder of results) again and compare every file; exit code 1 where one differs.

    PROPERTY is only needed where the property file does not lie near the results.
    """
    from siting.handoff.bundle import verify_results
    from siting.site.template import DEMOS, demo_property

    with progress() as report:
        found = verify_results(
            folder,
            property_file,
            nearby=[demo_property(name) for name in DEMOS],
            threads=threads,
            progress=report,
        )
    if as_json:
        echo_json({"ok": found.holds, **asdict(found)})
    else:
        for title, lines in (
            ("input changed", found.inputs),
            ("version changed", found.versions),
            ("differs", found.different),
            ("value", found.values),
            ("added, not looked at", found.added),
        ):
            for line in lines:
                click.echo(f"{title}: {line}")
        total = len(found.same) + len(found.different)
        click.echo(f"{len(found.same)} of {total} files are byte for byte the same.")
    if not found.holds:
        sys.exit(1)


@click.command("commission")
@click.argument("plan", metavar="PLAN", type=click.Path(path_type=Path))
@click.option(
    "--readings",
    "files",
    required=True,
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The filled-in sheet, field.json of the map, a log of moisture, valve runs, rain or the "
    "meter; may be repeated.",
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
@json_option
def _commission(
    plan: Path,
    files: tuple[Path, ...],
    folder: Path,
    property_file: Path | None,
    more: tuple[Path, ...],
    threads: int,
    as_json: bool,
) -> None:
    """Take the field's answers back: PLAN is a results folder, its plan.json, or a property file.

    As-built points, readings after a soaking, measured soil and roots, and logged moisture are
    checked and judged; the plan is decided again where a measured value replaces an assumed one.
    The results folder keeps every earlier state under history/.

    \f

    files: what was given as ``--readings``, at least one.
    """
    from siting.commission.record import record_of
    from siting.commission.results import commission_results

    with progress() as report:
        visit = commission_results(
            plan,
            [*files, *more],
            folder,
            property_file=property_file,
            threads=threads,
            progress=report,
        )
    if as_json:
        paths = [str(path.resolve()) for path in visit.files]
        found = {**record_of(visit.found), "warnings": visit.notes}
        echo_json({"ok": True, **found, "record": str(visit.record.folder), "files": paths})
        return
    click.echo(visit.report)
    for note in visit.notes:
        click.echo(f"note: {note}")
    click.echo(f"record      {visit.record.folder.resolve()}")
    click.echo(f"results     {folder.resolve()}")


_WIDTH = 96


def register_explain(main: click.Group) -> None:
    """Add the commands."""
    main.add_command(_explain)
    main.add_command(_completion)


@click.command("explain")
@click.argument("plan", type=click.Path(path_type=Path))
@click.argument("sensor")
@json_option
def _explain(plan: Path, sensor: str, as_json: bool) -> None:
    """Explain SENSOR of PLAN (plan.json or its folder): why here, why this depth, what gave way.

    \b
    Examples
      siting explain plan S1
      siting explain plan/plan.json S2 --json
    """
    from siting.handoff.explain import explain_sensor, read_plan

    document = read_plan(plan)
    topics = explain_sensor(document, sensor)
    if as_json:
        listed = [{"question": t.question, "words": t.words, "numbers": t.numbers} for t in topics]
        echo_json({"ok": True, "sensor_id": sensor.strip().upper(), "topics": listed})
        return
    click.echo(f"{sensor.strip().upper()} of {document['property']['name']}")
    for topic in topics:
        click.echo(f"\n{topic.question}")
        for sentence in topic.words:
            lines = textwrap.fill(
                sentence, columns() or _WIDTH, initial_indent="  ", subsequent_indent="    ",
                break_long_words=False,
            )  # fmt: skip
            click.echo(lines)
    if document.get("cautions"):
        click.echo()
        say(str(document["cautions"][0]), indent=0, width=_WIDTH)


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def _completion(ctx: click.Context, shell: str) -> None:
    """Print the completion of commands and options for SHELL, to be read at its start.

    \b
    Examples
      siting completion bash >> ~/.bashrc
      siting completion zsh >> ~/.zshrc
      siting completion fish > ~/.config/fish/completions/siting.fish
    """
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    if kind is not None:  # always, for the shells above
        program = ctx.find_root().command
        click.echo(kind(program, {}, "siting", "_SITING_COMPLETE").source())


#: Folder of the plug-in in the GIS; not `siting`, so that nothing there hides the library.
FOLDER: Final = "siting_gis"
#: The oldest date that a zip can hold: the same files give the same bytes.
_DATE: Final = (1980, 1, 1, 0, 0, 0)
_KINDS: Final = (".py", ".txt", ".svg")


def register_gis(main: click.Group) -> None:
    """Add the command."""
    main.add_command(_gis_plugin)


def plugin_zip() -> bytes:
    """Return the plug-in as a zip that the GIS installs.

    Result: the same for the same version of siting on every machine: fixed dates and order, and
    stored, since compressors differ.
    """
    source = resources.files("siting").joinpath("gis")
    if not source.is_dir():
        message = (
            "this siting was installed from a package, which does not hold the GIS plug-in (its "
            "licence is the GPL); take siting_gis.zip from a release, or run this in a clone"
        )
        raise SitingError(message)
    kept = sorted((item for item in source.iterdir() if _belongs(item)), key=lambda item: item.name)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for item in kept:
            entry = zipfile.ZipInfo(f"{FOLDER}/{item.name}", _DATE)
            entry.external_attr = 0o100644 << 16
            entry.create_system = 3
            archive.writestr(entry, _content(item))
    return buffer.getvalue()


#: The plug-in's addresses, from the one that metadata.txt holds; plug-in repositories ask for all.
_ADDRESSES: Final = (
    r"homepage=\1\nrepository=\1\ntracker=\1/issues\nchangelog=\1/blob/main/CHANGELOG.md"
)


def _belongs(item: Traversable) -> bool:
    """Tell whether a file is part of the plug-in."""
    return item.is_file() and (item.name == "LICENSE" or item.name.endswith(_KINDS))


def _content(item: Traversable) -> bytes:
    """Return a file's bytes; the plug-in has the library's version."""
    text = item.read_text(encoding="utf-8")
    if item.name == "metadata.txt":
        text = re.sub(r"(?m)^version=.*$", f"version={__version__}", text)
        text = re.sub(r"(?m)^#.*\nhomepage=(.*)$", _ADDRESSES, text)
    return text.encode("utf-8")


@click.command("gis-plugin")
@click.option(
    "--out",
    "file",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The zip to write, such as siting_gis.zip.",
)
def _gis_plugin(file: Path) -> None:
    """Write the desktop GIS plug-in as a zip: Plugins > Manage > Install from ZIP.

    The plug-in is licensed under the GPL 2 or later, like the GIS; siting itself is not.

    \b
    Example
      siting gis-plugin --out siting_gis.zip
    """
    from siting.files import write_bytes

    try:
        write_bytes(file, plugin_zip())
    except OSError as error:
        message = f"cannot write {file}: {error.strerror or error}"
        raise SitingError(message) from error
    click.echo(file.resolve())
    click.echo(
        "Install it in the GIS, then name the Python that has siting under "
        "Settings > Options > Processing > Providers > Siting."
    )


def register_steps(main: click.Group) -> None:
    """Add the commands."""
    main.add_command(_sun)
    main.add_command(_score)


@click.command("sun")
@property_argument
@out_option
@threads_option
@json_option
def _sun(property_file: Path, folder: Path, threads: int, as_json: bool) -> None:
    """Compute sun and shade of PROPERTY alone: hydrozones by sun, hours of sun, sky view.

    \b
    Example
      siting sun my-property --out sun
    """
    from siting.handoff.bundle import write_sun

    survey = _surveyed(property_file, threads)
    written = write_sun(survey, folder)
    hours = survey.zones["sun_hours"].sort_values(ascending=False)
    answer = (
        f"{survey.settings.name}: direct sun from {hours.iloc[0]:.1f} h a day in {hours.index[0]} "
        f"to {hours.iloc[-1]:.1f} in {hours.index[-1]}, mean of the season."
    )
    _tell(answer, survey, written, ["sun_hours", "sky_view", "insolation"], as_json=as_json)


@click.command("score")
@property_argument
@out_option
@threads_option
@json_option
def _score(property_file: Path, folder: Path, threads: int, as_json: bool) -> None:
    """Score the water need of every hydrozone of PROPERTY alone, and say what makes it so.

    \b
    Example
      siting score my-property --out score --json
    """
    from siting.handoff.bundle import write_score

    survey = _surveyed(property_file, threads)
    written = write_score(survey, folder)
    need = survey.zones["need_score"].sort_values(ascending=False)
    first = need.index[0]
    answer = (
        f"{survey.settings.name}: {first} is the thirstiest, {need.iloc[0]:.0f} % of its readily "
        f"available water a day of the peak season; {need.index[-1]} the least, "
        f"{need.iloc[-1]:.0f} %. {first}: {survey.zones.loc[first, 'need_words']}."
    )
    _tell(answer, survey, written, ["need_score", "need_words"], as_json=as_json)


def _surveyed(property_file: Path, threads: int) -> Survey:
    """Survey a property and show how far it is."""
    from siting.planning.make import survey_property

    with progress() as report:
        return survey_property(property_file, threads=threads, progress=report)


def _tell(
    answer: str,
    survey: Survey,
    written: tuple[Path, ...],
    columns: list[str],
    *,
    as_json: bool,
) -> None:
    """Print the answer, a line for every zone, the notes and the files."""
    zones = survey.zones[columns].reset_index().round(3)
    if as_json:
        records = zones.to_dict(orient="records")
        paths = [str(path.resolve()) for path in written]
        head = {"ok": True, "answer": answer, "zones": records}
        echo_json({**head, "warnings": survey.warnings, "files": paths})
        return
    say(answer, indent=0)
    click.echo()
    click.echo(zones.to_string(index=False))
    for warning in survey.warnings:
        say(f"note: {warning}")
    for path in written:
        click.echo(path.resolve())


def register_extensions(main: click.Group) -> None:
    """Add the command."""
    main.add_command(_extensions)


@click.command("extensions")
@json_option
def _extensions(as_json: bool) -> None:
    """List the readers, factors and exporters that other installed packages bring.

    \b
    Example
      siting extensions --json
    """
    rows = [_row(extension) for group in GROUPS for extension in list_extensions(group).values()]
    if as_json:
        echo_json({"ok": True, "extensions": rows})
        return
    for row in rows:
        state = "" if row["works"] else f"  BROKEN: {row['error']}"
        click.echo(f"{row['kind']:<9} {row['name']:<24} {row['package']} {row['version']}{state}")
    if not rows:
        click.echo("no installed package brings any")


def _row(extension: Extension) -> dict[str, Any]:
    """Return what there is to say of an extension; loading shows whether it works."""
    error = ""
    try:
        extension.load()
    except ExtensionError as problem:
        error = str(problem)
    return {
        "kind": GROUPS[extension.group],
        "name": extension.name,
        "package": extension.package,
        "version": extension.version,
        "works": not error,
        "error": error,
    }


def check_exporters(names: Sequence[str]) -> tuple[Extension, ...]:
    """Return the exporters that were asked for, in the same order, before anything is computed."""
    found = []
    for name in dict.fromkeys(names):
        extension = find_extension("siting.exporters", name)
        if extension is None:
            known = ", ".join(list_extensions("siting.exporters")) or "none is installed"
            msg = f"no installed package brings the exporter {name!r}; there is: {known}"
            raise click.BadParameter(msg, param_hint="--export")
        found.append(extension)
    return tuple(found)


export_option = click.option(
    "--export",
    "exporters",
    multiple=True,
    metavar="NAME",
    callback=lambda _ctx, _parameter, names: check_exporters(names),
    help="Also run an exporter of an installed package; may be given several times.",
)


class Exports:
    """What exporters add to a folder of results; one that fails leaves only a warning behind.

    exporters: from `check_exporters`; plan: what to export; folder: the folder of results, no
    exporter may replace what is not ours there.
    """

    def __init__(self, exporters: Iterable[Extension], plan: Plan, folder: Path) -> None:
        self._exporters, self._plan, self._folder = tuple(exporters), plan, folder
        #: What failed, and why.
        self.warnings: tuple[str, ...] = ()

    def write(self, scratch: Path) -> None:
        """Run them."""
        ours = written_files(self._folder)
        there = self._folder.iterdir() if self._folder.is_dir() else ()
        foreign = {path.name for path in there if path.name not in ours}
        for extension in self._exporters:
            taken = {path.name for path in scratch.iterdir()} | foreign
            try:
                _export(extension, self._plan, scratch, taken)
            except SitingError as error:
                self.warnings += (f"not exported: {error}",)
            except OSError as error:
                self.warnings += (f"not exported: {extension}: {error.strerror or error}",)


def _export(extension: Extension, plan: Plan, folder: Path, taken: set[str]) -> list[Path]:
    """Run one exporter in a folder of its own, and move what it wrote into place."""
    with tempfile.TemporaryDirectory(prefix=".siting-", dir=folder) as scratch:
        extension.call(plan, Path(scratch))
        files = sorted(path for path in Path(scratch).iterdir() if path.is_file())
        clash = sorted(path.name for path in files if path.name in taken)
        if clash or not files:
            what = f"would replace {', '.join(clash)}" if clash else "wrote no file"
            msg = f"{extension} {what}"
            raise ExtensionError(msg)
        return [Path(shutil.move(path, folder / path.name)) for path in files]


def format_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command an option for every output format that is written only when asked."""
    for form in reversed(FORMATS):
        if form.option:
            flag = f"--{form.option.replace('_', '-')}"
            command = click.option(flag, is_flag=True, help=form.says)(command)
    return command


fetch_option = click.option(
    "--fetch-weather",
    is_flag=True,
    help="Let this run fetch daily weather over the network, where [weather] fetch names a source; "
    "its server then learns where the property is.",
)
language_option = click.option(
    "--language", help="What the crew reads, as es or es-MX; as --set language=es."
)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="siting")
def main() -> None:
    """Plan where to bury soil-moisture sensors for landscape irrigation control.

    A property file names the layers of a base map (hydrozones, buildings, trees ...), daily weather
    and today's timer; the plan says how many sensors are worth it, where each is buried, at what
    depth and threshold, what runs on it, and what that saves.

    \b
    Exit codes
      0    done
      1    refused: faults in the input, or a folder that cannot be written
      2    wrong usage
      3    the input is sound, but no plan can be made from it
      130  interrupted; earlier results are untouched

    \b
    Examples
      siting demo                           plan a bundled property
      siting draw my-property               draw your own on a page
      siting new my-property --units us     or start it in a GIS
      siting check my-property              list every fault
      siting plan my-property --out plan    the main job
      siting explain plan S1                why a sensor is where it is
    """


@main.command()
@property_argument
@fetch_option
@json_option
def check(property_file: Path, fetch_weather: bool, as_json: bool) -> None:
    """Check PROPERTY (a property file or its folder): every fault at once, nothing written."""
    from siting.climate.model import season_calendar
    from siting.planning.make import read_inputs

    settings, site, climate = read_inputs(property_file, fetch=fetch_weather)
    seasons = season_calendar(climate, start=settings.season.start, end=settings.season.end)
    warnings = (*site.warnings, *climate.warnings)
    answer = (
        f"{settings.name}: sound. {len(site.hydrozones)} hydrozones, {len(site.buildings)} "
        f"buildings, {len(site.trees)} trees, {len(seasons.years)} whole seasons of weather."
    )
    if as_json:
        echo_json({"ok": True, "answer": answer, "warnings": warnings})
        return
    for warning in warnings:
        say(f"note: {warning}")
    say(answer)


#: Letters before the B of bytes.
_POWERS: Final = {"": 0, "K": 3, "M": 6, "G": 9, "T": 12}


def _size(_ctx: click.Context, _parameter: click.Parameter, value: str | None) -> float | None:
    """Read a size of memory, as 4GB, 500 MB or 4G; in bytes."""
    if value is None:
        return None
    found = re.fullmatch(r"\s*([0-9.]+)\s*([KMGT]?)i?B?\s*", value, re.IGNORECASE)
    try:
        return float(found[1]) * 10 ** _POWERS[found[2].upper()] if found else float("")
    except ValueError:
        msg = f"{value!r} is no size; write it as 4GB or 500MB"
        raise click.BadParameter(msg) from None


@main.command()
@property_argument
@out_option
@format_options
@click.option(
    "--set",
    "changes",
    multiple=True,
    metavar="KEY=VALUE",
    help="What if: a value of the property file, as in water.price=3.10; may be repeated.",
)
@language_option
@click.option(
    "--keep/--no-keep",
    default=None,
    help="Keep the results of stages in a hidden folder beside the results, so that a broken run "
    "goes on and a what-if is quick; done by itself where there are more than 60 zones.",
)
@click.option(
    "--memory",
    metavar="SIZE",
    callback=_size,
    help="Most memory to plan in, as 4GB: fewer processes at a time and less kept at hand; told "
    "before anything is begun where it cannot do.",
)
@scheduler_options
@export_option
@fetch_option
@threads_option
@json_option
def plan(
    property_file: Path,
    folder: Path,
    changes: tuple[str, ...],
    language: str | None,
    as_json: bool,
    **options: Any,  # noqa: ANN401 - click's own values
) -> None:
    """Plan the sensors of PROPERTY and write map, crew sheet and GIS files to a folder.

    \b
    Examples
      siting plan my-property --out plan
      siting plan my-property --out plan --dxf --online-map
      siting plan my-property --out dearer --set water.price=3.10
      siting plan my-property --out plan --json > answer.json

    \f
    """
    show = _print_json if as_json else _print_result
    asked = parsed(changes) | _spoken(language)
    _plan_and_write(property_file, folder, show=show, changes=asked, **options)


def _spoken(language: str | None) -> dict[str, Any]:
    return {} if language is None else {"language": language}


@main.command()
@click.option(
    "--out",
    "folder",
    default="siting-demo",
    show_default=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the results; it is made if need be.",
)
@click.option(
    "--property",
    "name",
    type=click.Choice(["campus", "yard", "fields", "court"]),
    default="campus",
    show_default=True,
    help="Which bundled property.",
)
@language_option
@format_options
@threads_option
@json_option
def demo(
    folder: Path,
    name: str,
    language: str | None,
    as_json: bool,
    **options: Any,  # noqa: ANN401 - click's own values
) -> None:
    """Plan a bundled, invented property, and print a short table and where the map is.

    \f

    name {"campus", "yard"}: which bundled property.
    """
    from siting.site.template import demo_property

    show = _print_json if as_json else _print_result
    _plan_and_write(demo_property(name), folder, show=show, changes=_spoken(language), **options)


#: A third of what a plan compiles, that takes no other libraries to compile: by another process.
_LOOPS: Final = (
    "siting.sun.kernels:add_lit", "siting.sun.kernels:horizon_sky", "siting.season.events",
)  # fmt: skip


@compiling_beside(*_LOOPS)
def _plan_and_write(
    property_file: Path,
    folder: Path,
    *,
    show: Callable[[Plan, tuple[Path, ...], tuple[str, ...]], None],
    exporters: tuple[Extension, ...] = (),
    changes: dict[str, Any] | None = None,
    fetch_weather: bool = False,
    threads: int = 1,
    keep: bool | None = None,
    **options: Any,  # noqa: ANN401 - formats, and where a scheduler is
) -> None:
    """Run the main job and show its result."""
    from siting.decide.choose import TOGETHER
    from siting.handoff.bundle import write_bundle
    from siting.handoff.results import claim_results, results_lock
    from siting.planning.make import input_files, read_inputs
    from siting.planning.make import plan as make_plan
    from siting.planning.room import parts_in_room, room_within
    from siting.stages import keeping, stages_beside

    memory: float | None = options.get("memory")
    also = [form.option for form in FORMATS if options.get(form.option)]
    names = [name for form in formats(also) for name in form.names]
    with results_lock(folder), progress() as report:
        if report is not None:
            report("Reading", 0, 1)
        settings, site, climate = read_inputs(property_file, fetch=fetch_weather, changes=changes)
        kept = claim_results(folder, names, input_files(settings, site))
        many = len(site.hydrozones) > TOGETHER
        stages = stages_beside(folder) if (many if keep is None else keep) else None
        room = room_within(memory, site, settings, threads if many else 1)
        with parts_in_room(room) as watch, keeping(stages):
            with _parts_done(options, room.processes):
                result = make_plan(
                    site, climate, settings, threads=threads, progress=report, stages=stages
                )
            exported = Exports(exporters, result, folder)
            written = write_bundle(
                result, folder, also=also, source=property_file, more=exported.write,
                progress=report, processes=room.processes,
            )  # fmt: skip
    notes = [note for told in (stages, watch) if told is not None for note in told.notes]
    show(result, written, (*kept, *exported.warnings, *notes))


@contextmanager
def _parts_done(options: Mapping[str, Any], count: int) -> Iterator[None]:
    """Let parts be done by a cluster that was named, else by so many processes."""
    from siting.parts import processes

    if options.get("scheduler") is None and options.get("scheduler_file") is None:
        with processes(count):
            yield
        return
    with parts_on_cluster(options):
        yield


def _print_result(result: Plan, written: tuple[Path, ...], notes: tuple[str, ...]) -> None:
    """Print the answer, the sensors, the notes and where the files are."""
    _print_plan(result, notes)
    names = {path.name: path for path in written}
    click.echo(f"\nmap         {names['map.html'].resolve()}")
    click.echo(f"crew sheet  {names['crew.pdf'].resolve()}")
    rest = ", ".join(sorted(name for name in names if name not in {"map.html", "crew.pdf"}))
    say(f"also        {rest}", indent=12)


def _print_plan(result: Plan, notes: tuple[str, ...]) -> None:
    """Print the answer, the sensors and the notes."""
    from rich.console import Console

    from siting.handoff.explain import NARROW, choice_lines, sensor_lines, sensor_table
    from siting.language import language

    width = columns() or _PIPED
    console = Console(width=width)
    console.print(f"[bold]{_plain(result.site.name)}[/bold]")
    console.print(_plain(language(result.settings.language)(result.headline)), end="\n\n")
    if width < NARROW:
        click.echo("\n".join(sensor_lines(result, width)))
    else:
        console.print(sensor_table(result))
    say(f"sensors allowed: {'; '.join(choice_lines(result))}", indent=4, width=width)
    for warning in (*result.warnings, *notes):
        console.print(f"note: {_plain(warning)}", style="dim")


#: Columns of output that goes into a file or a pipe, where COLUMNS does not say.
_PIPED = 110


def _print_json(result: Plan, written: tuple[Path, ...], notes: tuple[str, ...]) -> None:
    """Print the answer, the sensors as in plan.json, the notes and the files."""
    from siting.handoff.document import plan_document

    document = plan_document(result)
    kept = {key: document[key] for key in ("answer", "sensors", "warnings", "cautions")}
    kept["warnings"] = [*kept["warnings"], *notes]
    echo_json({"ok": True, **kept, "files": [str(path.resolve()) for path in written]})


def _plain(text: str) -> str:
    """Return text that rich prints as it is."""
    from rich.markup import escape

    return escape(text)


for _register in (
    register_compare,
    register_explain,
    register_extensions,
    register_gis,
    register_portfolio,
    register_start,
    register_steps,
    register_survey,
):
    _register(main)
