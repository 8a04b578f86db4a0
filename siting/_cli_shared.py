"""What the commands share: options, exit codes, progress, and results as JSON."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import click

from siting.errors import InputError, PlanError, SitingError

__all__ = [
    "Commands",
    "Progress",
    "columns",
    "echo_json",
    "json_option",
    "out_option",
    "progress",
    "property_argument",
    "say",
    "threads_option",
]

Progress = Callable[[str, int, int], None]

#: Exit codes; 0 is done, 2 wrong usage (click's own).
_REFUSED: Final = 1
_NO_PLAN: Final = 3
_INTERRUPTED: Final = 130
_JSON: Final = "siting.json"
_LEAST_COLUMNS: Final = 20


def columns() -> int | None:
    """Return how wide output may be: COLUMNS, else the terminal; None for files and pipes."""
    if sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit():
        return max(shutil.get_terminal_size().columns, _LEAST_COLUMNS)
    return None


def say(text: str, *, indent: int = 2, width: int | None = None) -> None:
    """Print a text, wrapped to the width of the terminal or as COLUMNS says.

    Parameters
    ----------
    text : str
        Any; lines after the first are indented.
    indent : int
        By how much [characters].
    width : int, optional
        Another width, for files and pipes [characters].
    """
    wide = columns() or width
    if wide is not None:
        text = textwrap.fill(
            text, wide, subsequent_indent=" " * indent, break_long_words=False,
            break_on_hyphens=False,
        )  # fmt: skip
    click.echo(text)


def _remember(ctx: click.Context, _parameter: click.Parameter, value: bool) -> bool:
    """Note that errors are wanted as JSON too."""
    ctx.meta[_JSON] = value
    return value


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
out_option = click.option(
    "--out",
    "folder",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the results; it is made if need be.",
)
json_option = click.option(
    "--json",
    "as_json",
    is_flag=True,
    is_eager=True,
    callback=_remember,
    help="Print the result as one JSON object, for other programs; so are refusals.",
)


class Commands(click.Group):
    """A group whose commands turn every `SitingError` into a message and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - click's own signature
        """Run the chosen command.

        A `SitingError` is printed on the error stream (as JSON too, where that was asked for) and
        ends the program with exit code 3 for a `PlanError`, else 1; an interruption with 130.

        Parameters
        ----------
        ctx : click.Context
            Of the group.

        Returns
        -------
        object
            What the command returns.

        Raises
        ------
        click.exceptions.Exit
            With the exit code.
        """
        try:
            return super().invoke(ctx)
        except SitingError as error:
            if ctx.meta.get(_JSON):
                echo_json(_refusal(error))
            click.echo(f"siting: {error}", err=True)
            ctx.exit(_NO_PLAN if isinstance(error, PlanError) else _REFUSED)
        except KeyboardInterrupt:
            click.echo("siting: interrupted; earlier results are untouched.", err=True)
            ctx.exit(_INTERRUPTED)


def _refusal(error: SitingError) -> dict[str, Any]:
    """Return an error as plain values."""
    faults = error.faults if isinstance(error, InputError) else ()
    return {
        "ok": False,
        "error": str(error),
        "faults": [dataclasses.asdict(fault) for fault in faults],
    }


def echo_json(values: Mapping[str, Any]) -> None:
    """Print values as JSON.

    Parameters
    ----------
    values : mapping
        Plain values.
    """
    click.echo(json.dumps(values, ensure_ascii=False, indent=1, allow_nan=False))


def _as_line(stage: str, done: int, total: int) -> None:
    """Write one step as a line that another program can read."""
    sys.stderr.write(f"progress\t{stage}\t{done}\t{total}\n")
    sys.stderr.flush()


@contextmanager
def progress() -> Iterator[Progress | None]:
    """Yield a progress callback: a bar on a terminal, None elsewhere.

    With ``SITING_PROGRESS=lines`` in the environment every step is a line on the error stream:
    the word progress, the stage, steps done, steps in all, with tabs between them.

    Yields
    ------
    callable or None
        Called with stage, steps done and steps in all.
    """
    if os.environ.get("SITING_PROGRESS") == "lines":
        yield _as_line
        return
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
