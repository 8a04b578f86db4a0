"""The command that says where to probe before anything is dug."""

from __future__ import annotations

from pathlib import Path

import click

from siting.cli.shared import (
    echo_json,
    json_option,
    progress,
    property_argument,
    say,
    threads_option,
)


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
    from siting.handoff.walksheet import WALK_FILES, write_walk
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
