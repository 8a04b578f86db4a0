"""The command line: parse, call one function, print. Heavy imports stay inside the commands."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from siting import __version__
from siting._cli_commission import commission, note_source
from siting.errors import SitingError

if TYPE_CHECKING:
    from siting.planning import Plan

__all__ = ["main"]

Progress = Callable[[str, int, int], None]

property_argument = click.argument(
    "property_file", metavar="PROPERTY", type=click.Path(path_type=Path)
)
threads_option = click.option(
    "--threads",
    type=click.IntRange(1, 256),
    default=os.cpu_count() or 1,
    show_default="all cores",
    help="Threads for the sun computation; the result does not depend on it.",
)
online_option = click.option(
    "--online-map",
    is_flag=True,
    help="Also write map-online.html, whose background comes from the network when it is opened: "
    "the servers of the tiles then learn where the property is.",
)
dxf_option = click.option(
    "--dxf", is_flag=True, help='Also write plan.dxf for drawing programs (needs "siting[dxf]").'
)


class _Commands(click.Group):
    """A group whose commands turn every `SitingError` into a message and exit code 1."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - click's own signature
        """Run the chosen command."""
        try:
            return super().invoke(ctx)
        except SitingError as error:
            click.echo(f"siting: {error}", err=True)
            ctx.exit(1)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="siting")
def main() -> None:
    """Plan where to bury soil-moisture sensors for landscape irrigation control.

    A property file names the layers of a base map (hydrozones, buildings, trees ...), daily weather
    and today's timer; the plan says how many sensors are worth it, where each is buried, at what
    depth and threshold, what runs on it, and what that saves.

    Exit codes: 0 done, 1 input refused or no plan possible, 2 wrong usage.
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
    """Start a property in FOLDER: a commented property file and empty layers, ready to draw."""
    from siting.site.template import new_property

    for path in new_property(folder, units="us" if units == "us" else "metric", crs=crs):
        click.echo(path)


@main.command()
@property_argument
def check(property_file: Path) -> None:
    """Check PROPERTY (a property file or its folder): every fault at once, nothing written."""
    from siting.climate.calendar import season_calendar
    from siting.planning import read_inputs

    settings, site, climate = read_inputs(property_file)
    seasons = season_calendar(climate, start=settings.season.start, end=settings.season.end)
    for warning in (*site.warnings, *climate.warnings):
        click.echo(f"note: {warning}")
    click.echo(
        f"{settings.name}: sound. {len(site.hydrozones)} hydrozones, {len(site.buildings)} "
        f"buildings, {len(site.trees)} trees, {len(seasons.years)} whole seasons of weather."
    )


@main.command()
@property_argument
@click.option(
    "--out",
    "folder",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the results; it is made if need be.",
)
@online_option
@dxf_option
@threads_option
def plan(property_file: Path, folder: Path, online_map: bool, dxf: bool, threads: int) -> None:
    """Plan the sensors of PROPERTY and write map, crew sheet and GIS files to a folder."""
    _plan_and_write(property_file, folder, threads=threads, online_map=online_map, dxf=dxf)


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
    type=click.Choice(["campus", "yard"]),
    default="campus",
    show_default=True,
    help="Which bundled property.",
)
@online_option
@dxf_option
@threads_option
def demo(folder: Path, name: str, online_map: bool, dxf: bool, threads: int) -> None:
    """Plan a bundled, invented property, and print a short table and where the map is."""
    from siting.demo import demo_property

    _plan_and_write(demo_property(name), folder, threads=threads, online_map=online_map, dxf=dxf)


def _plan_and_write(
    property_file: Path, folder: Path, *, threads: int, online_map: bool, dxf: bool
) -> None:
    """Run the main job and print its result."""
    from siting.handoff.bundle import write_bundle
    from siting.planning import plan_property

    with _progress() as report:
        result = plan_property(property_file, threads=threads, progress=report)
        written = write_bundle(result, folder, online_map=online_map, dxf=dxf, progress=report)
    note_source(property_file, folder)
    _print_result(result)
    names = {path.name: path for path in written}
    click.echo(f"\nmap         {names['map.html'].resolve()}")
    click.echo(f"crew sheet  {names['crew.pdf'].resolve()}")
    rest = ", ".join(sorted(name for name in names if name not in {"map.html", "crew.pdf"}))
    click.echo(f"also        {rest}")


def _print_result(result: Plan) -> None:
    """Print the answer, the sensors and the notes."""
    from rich.console import Console

    from siting.handoff.summary import sensor_table

    console = Console(width=None if sys.stdout.isatty() else 110)
    console.print(f"[bold]{_plain(result.site.name)}[/bold]")
    console.print(_plain(result.answer), end="\n\n")
    console.print(sensor_table(result))
    for warning in result.warnings:
        console.print(f"note: {_plain(warning)}", style="dim")


def _plain(text: str) -> str:
    """Return text that rich prints as it is."""
    from rich.markup import escape

    return escape(text)


main.add_command(commission)


@contextmanager
def _progress() -> Iterator[Progress | None]:
    """Yield a progress callback that draws a bar on a terminal, and None elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description:<28}"), BarColumn(), TimeRemainingColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Reading", total=1)

        def report(stage: str, done: int, total: int) -> None:
            bar.update(task, description=stage, completed=done, total=total)

        yield report


if __name__ == "__main__":
    main()
