"""The commands before a plan: a page to draw on, a property to start, where to probe its ground."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from siting.cli.shared import (
    echo_json,
    json_option,
    progress,
    property_argument,
    say,
    threads_option,
)
from siting.units import LENGTH_UNITS_M

if TYPE_CHECKING:
    from siting.units import UnitsName

_units = click.option(
    "--units", type=click.Choice(["metric", "us"]), default="metric", show_default=True
)


def register_start(main: click.Group) -> None:
    """Add the commands."""
    main.add_command(_draw)
    main.add_command(_new)


@click.command("draw")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@_units
@click.option(
    "--undrawn",
    is_flag=True,
    help="Instead: take over the crowns and buildings that its surface raster shows.",
)
@json_option
def _draw(folder: Path, units: str, undrawn: bool, as_json: bool) -> None:
    """Write a page on which FOLDER's property is drawn in a browser; no network is used.

    Trace an aerial photo or a scanned plan, or draw on a grid; the page asks for what it must know
    and saves drawing.geojson. Where FOLDER holds a property, the page opens it for correction.

    With --undrawn what a property's surface raster shows and its drawing lacks is written beside
    what is drawn, in layers of their own: no file of yours is changed.

    \b
    Examples
      siting draw my-property --units us
      siting new my-property --from drawing.geojson
      siting draw my-property --undrawn
    """
    from siting.draw.page import write_page
    from siting.draw.start import with_undrawn

    if undrawn:
        made = with_undrawn(folder)
        _tell(made.files, made.notes, as_json=as_json, mark="")
        return
    page, notes = write_page(folder, units="us" if units == "us" else "metric")
    if as_json:
        echo_json({"ok": True, "files": [str(page)], "warnings": notes})
        return
    click.echo(page)
    for note in notes:
        say(f"note: {note}")
    click.echo(f"Open it in a browser: {page.as_uri()}")


@click.command("new")
@click.argument("folder", type=click.Path(path_type=Path))
@_units
@click.option(
    "--crs",
    help="Coordinate reference system of the empty layers, or of files that say none.",
)
@click.option(
    "--from",
    "first",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="drawing.geojson of the drawing page, or files that you have; more may follow.",
)
@click.option(
    "--layer",
    "layers",
    multiple=True,
    metavar="NAME=KIND",
    help="What a part of a file holds: zone, building, tree, paving ... or skip.",
)
@click.option(
    "--units-in",
    "unit",
    type=click.Choice(tuple(LENGTH_UNITS_M)),
    help="Unit of the files' lengths and heights of which nothing else says it.",
)
@click.option(
    "--ask",
    "asking",
    is_flag=True,
    help="Ask a dozen plain questions, and write a property file of only those answers.",
)
@json_option
@click.argument("more", metavar="[FILE]...", nargs=-1, type=click.Path(path_type=Path, exists=True))
def _new(
    folder: Path,
    units: str,
    crs: str | None,
    first: tuple[Path, ...],
    more: tuple[Path, ...],
    *,
    asking: bool,
    as_json: bool,
    **files: Any,  # noqa: ANN401 - click's own values
) -> None:
    """Start a property in FOLDER: a commented property file and empty layers, ready to draw.

    With --from it is made of what was drawn on the page of `siting draw`, or of files: GeoPackage,
    shapefile, file geodatabase, FlatGeobuf, GeoJSON, GeoParquet, KML and KMZ, DXF, CityJSON,
    OpenStreetMap extracts, tables with WKT or coordinates. What each part of a file holds is
    guessed and said; what cannot be guessed is asked, or named with --layer. A lidar surface and
    terrain (GeoTIFF) beside them give heights and crowns that they lack.

    \b
    Examples
      siting new my-property --units us
      siting new my-property --ask
      siting new my-property --from drawing.geojson
      siting new my-property --from plan.dxf --crs EPSG:2232 --layer A-04=zone --layer 0=skip
      siting new my-property --from drawing.geojson surface.tif terrain.tif

    \f

    units {"metric", "us"}: units of the keys and columns.
    """
    from siting.draw.asking import ask_all
    from siting.draw.start import property_of_answers, property_of_files, property_to_draw

    if more and not first:
        message = "files are named after --from"
        raise click.UsageError(message)
    unit_name: UnitsName = "us" if units == "us" else "metric"
    asked = ask_all(_type, say, name=folder.absolute().name) if asking else None
    if first:
        made = property_of_files(
            folder,
            [*first, *more],
            units=unit_name,
            crs=crs,
            told=_pairs(files["layers"]),
            answers=asked.answers if asked else None,
            ask=_kind if sys.stdin.isatty() else None,
            unit=files["unit"],
        )
    elif asked:
        made = property_of_answers(folder, asked)
    else:
        made = property_to_draw(folder, units=unit_name, crs=crs or "EPSG:4326")
    _tell(made.files, made.notes, as_json=as_json, mark="note: ")


def _tell(files: Sequence[Path], notes: Sequence[str], *, as_json: bool, mark: str) -> None:
    """Print what was made, and the notes on it; mark: what stands before each note."""
    if as_json:
        echo_json({"ok": True, "files": list(map(str, files)), "warnings": list(notes)})
        return
    for path in files:
        click.echo(path)
    for note in notes:
        say(f"{mark}{note}")


def _type(question: str) -> str:
    return str(click.prompt(question, default="", show_default=False))


def _pairs(layers: tuple[str, ...]) -> dict[str, str]:
    """Return NAME=KIND as pairs; a name may hold equals signs."""
    pairs = {}
    for text in layers:
        name, equals, kind = text.rpartition("=")
        if not (equals and name and kind):
            message = f'"{text}" is not NAME=KIND, as in Turf=zone'
            raise click.BadParameter(message, param_hint="--layer")
        pairs[name.strip()] = kind
    return pairs


def _kind(question: str) -> str:
    from siting.draw.forms import THINGS

    kinds = [*(thing.name for thing in THINGS), "skip"]
    return str(click.prompt(question, type=click.Choice(kinds)))


def register_survey(main: click.Group) -> None:
    """Add the command."""
    main.add_command(_survey)


@click.command("survey")
@property_argument
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    show_default="survey beside the property file",
    help="Folder for the files; it is made if need be.",
)
@click.option("--zone", "zones", multiple=True, help="Which zone to probe; may be given again.")
@click.option(
    "--places",
    type=click.IntRange(6, 60),
    default=16,
    show_default=True,
    help="Places in each zone, beside its candidate spots.",
)
@threads_option
@json_option
def _survey(
    property_file: Path,
    folder: Path | None,
    zones: tuple[str, ...],
    places: int,
    threads: int,
    as_json: bool,
) -> None:
    """Write where to probe PROPERTY with a moisture probe, two days after a watering.

    A page with a map and a table to fill, waypoints for a handheld, and the table as CSV. Filled,
    it is evidence for the plan: the sensor moves where that pays, and its chances are told anew.

    \b
    Examples
      siting survey my-property
      siting survey my-property --zone "Back lawn" --places 20
    """
    from siting.handoff.readingsheet import WALK_FILES, write_walk
    from siting.planning.walk import plan_walk

    home = property_file if property_file.is_dir() else property_file.parent
    target = folder or home / "survey"
    filled = [target / name for name in WALK_FILES if (target / name).exists()]
    if filled:
        message = (
            f"{filled[0]} is there already, perhaps filled in; move it, or choose another --out"
        )
        raise click.ClickException(message)
    with progress() as report:
        walk = plan_walk(property_file, zones=zones, count=places, threads=threads, progress=report)
    written = write_walk(walk, target)
    if as_json:
        table = walk.places.drop(columns="geometry").to_dict("records")
        echo_json({"ok": True, "files": [str(path) for path in written], "places": table})
        return
    for path in written:
        click.echo(path)
    by_zone = walk.places.groupby("zone", sort=False).size()
    say(f"{len(walk.places)} places: {', '.join(f'{n} in {zone}' for zone, n in by_zone.items())}")
    if walk.left_out:
        say(f"not probed: {', '.join(walk.left_out)}; name them with --zone")
    say('Fill it in, and name it in the property file: [[evidence]], file = "survey/walk.csv", '
        'kind = "probe"')  # fmt: skip
