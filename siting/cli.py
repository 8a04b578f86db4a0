"""The command line: parse, call one function, print. Heavy imports stay inside the commands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from siting import (
    __version__,
    _cli_compare,
    _cli_explain,
    _cli_extensions,
    _cli_gis,
    _cli_portfolio,
    _cli_steps,
)
from siting._cli_commission import commission
from siting._cli_compare import parsed
from siting._cli_extensions import Exports, export_option
from siting._cli_shared import (
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

if TYPE_CHECKING:
    from siting.extensions import Extension
    from siting.planning import Plan

__all__ = ["main"]

online_option = click.option(
    "--online-map",
    is_flag=True,
    help="Also write map-online.html, whose background comes from the network when it is opened: "
    "the servers of the tiles then learn where the property is.",
)
dxf_option = click.option(
    "--dxf", is_flag=True, help='Also write plan.dxf for drawing programs (needs "siting[dxf]").'
)


fetch_option = click.option(
    "--fetch-weather",
    is_flag=True,
    help="Let this run fetch daily weather over the network, where [weather] fetch names a source; "
    "its server then learns where the property is.",
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
      siting new my-property --units us     start your own
      siting check my-property              list every fault
      siting plan my-property --out plan    the main job
      siting explain plan S1                why a sensor is where it is
    """


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--units", type=click.Choice(["metric", "us"]), default="metric", show_default=True)
@click.option(
    "--crs",
    default="EPSG:4326",
    show_default=True,
    help="Coordinate reference system of the empty layers.",
)
def new(folder: Path, units: str, crs: str) -> None:
    """Start a property in FOLDER: a commented property file and empty layers, ready to draw.

    \f

    units {"metric", "us"}: units of the keys and columns.
    """
    from siting.site.template import new_property

    for path in new_property(folder, units="us" if units == "us" else "metric", crs=crs):
        click.echo(path)


@main.command()
@property_argument
@fetch_option
@json_option
def check(property_file: Path, fetch_weather: bool, as_json: bool) -> None:
    """Check PROPERTY (a property file or its folder): every fault at once, nothing written."""
    from siting.climate.calendar import season_calendar
    from siting.planning import read_inputs

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


@main.command()
@property_argument
@out_option
@online_option
@dxf_option
@click.option(
    "--set",
    "changes",
    multiple=True,
    metavar="KEY=VALUE",
    help="What if: a value of the property file, as in water.price=3.10; may be repeated.",
)
@export_option
@fetch_option
@threads_option
@json_option
def plan(
    property_file: Path,
    folder: Path,
    changes: tuple[str, ...],
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

    Parameters
    ----------
    property_file : Path
        The property file, or its folder.
    folder : Path
        Folder of the results; made when it is not there.
    changes : tuple of str
        What-if values, each "KEY=VALUE".
    as_json : bool
        Whether to print one JSON object.
    **options
        online_map, dxf, fetch_weather (bool), exporters (tuple of Extension) and threads (int).

    Raises
    ------
    InputError
        With every fault of the input or of the changes.
    PlanError
        When the input is sound but no plan can be made from it.
    SitingError
        When the folder cannot be written, or another run is writing to it.
    """
    show = _print_json if as_json else _print_result
    _plan_and_write(property_file, folder, show=show, changes=parsed(changes), **options)


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
@online_option
@dxf_option
@threads_option
@json_option
def demo(folder: Path, name: str, as_json: bool, **options: Any) -> None:  # noqa: ANN401
    """Plan a bundled, invented property, and print a short table and where the map is.

    \f

    name {"campus", "yard"}: which bundled property.
    """
    from siting.demo import demo_property

    show = _print_json if as_json else _print_result
    _plan_and_write(demo_property(name), folder, show=show, **options)


def _plan_and_write(
    property_file: Path,
    folder: Path,
    *,
    show: Callable[[Plan, tuple[Path, ...], tuple[str, ...]], None],
    exporters: tuple[Extension, ...] = (),
    changes: dict[str, Any] | None = None,
    fetch_weather: bool = False,
    threads: int = 1,
    **options: bool,
) -> None:
    """Run the main job and show its result."""
    from siting.handoff.bundle import NAMES, write_bundle
    from siting.handoff.results import OPTIONAL, claim_results, results_lock
    from siting.planning import input_files, read_inputs
    from siting.planning import plan as make_plan

    with results_lock(folder), progress() as report:
        if report is not None:
            report("Reading", 0, 1)
        settings, site, climate = read_inputs(property_file, fetch=fetch_weather, changes=changes)
        wanted = dict(zip(OPTIONAL, (options.get("online_map"), options.get("dxf")), strict=True))
        names = [*NAMES, *(name for name in OPTIONAL if wanted[name])]
        kept = claim_results(folder, names, input_files(settings, site))
        result = make_plan(site, climate, settings, threads=threads, progress=report)
        exported = Exports(exporters, result, folder)
        written = write_bundle(
            result, folder, source=property_file, more=exported.write, progress=report, **options
        )
    show(result, written, (*kept, *exported.warnings))


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

    from siting.handoff.summary import NARROW, choice_lines, sensor_lines, sensor_table

    width = columns() or _PIPED
    console = Console(width=width)
    console.print(f"[bold]{_plain(result.site.name)}[/bold]")
    console.print(_plain(result.headline), end="\n\n")
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
    from siting.handoff.planjson import plan_document

    document = plan_document(result)
    kept = {key: document[key] for key in ("answer", "sensors", "warnings", "cautions")}
    kept["warnings"] = [*kept["warnings"], *notes]
    echo_json({"ok": True, **kept, "files": [str(path.resolve()) for path in written]})


def _plain(text: str) -> str:
    """Return text that rich prints as it is."""
    from rich.markup import escape

    return escape(text)


for _module in (
    _cli_steps,
    _cli_compare,
    _cli_explain,
    _cli_extensions,
    _cli_gis,
    _cli_portfolio,
):
    _module.register(main)
main.add_command(commission)


if __name__ == "__main__":
    main()
