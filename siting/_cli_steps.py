"""Single steps on the command line: sun and shade, and the water-need score."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from siting._cli_shared import (
    echo_json,
    json_option,
    out_option,
    progress,
    property_argument,
    say,
    threads_option,
)

if TYPE_CHECKING:
    from siting._plan_steps import Survey

__all__ = ["register"]


def register(main: click.Group) -> None:
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
    from siting.handoff.steps import write_sun

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
    from siting.handoff.steps import write_score

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
    from siting._plan_steps import survey_property

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
