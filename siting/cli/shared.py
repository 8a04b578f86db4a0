"""What the commands share: options, exit codes, progress, and results as JSON."""

from __future__ import annotations

import atexit
import ctypes
import dataclasses
import gc
import json
import os
import shutil
import signal
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any, Final, Self

import click

from siting.compiled import when_compiling
from siting.errors import InputError, PlanError, SitingError

Progress = Callable[[str, int, int], None]
#: Exit codes; 0 is done, 2 wrong usage (click's own).
_REFUSED: Final = 1
_NO_PLAN: Final = 3
_INTERRUPTED: Final = 130
_JSON: Final = "siting.json"
_LEAST_COLUMNS: Final = 20
_COMPILING: Final = "Compiling (first run only)"


def columns() -> int | None:
    """Return how wide output may be: COLUMNS, else the terminal; None for files and pipes."""
    if sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit():
        return max(shutil.get_terminal_size().columns, _LEAST_COLUMNS)
    return None


def say(text: str, *, indent: int = 2, width: int | None = None) -> None:
    """Print a text, wrapped to the width of the terminal or as COLUMNS says.

    indent: by how much [characters]; width: another width, for files and pipes [characters].
    """
    wide = columns() or width
    if wide is not None:
        text = textwrap.fill(
            text, wide, subsequent_indent=" " * indent, break_long_words=False,
            break_on_hyphens=False,
        )  # fmt: skip
    click.echo(text)


#: A run of fewer seconds says nothing of its progress in a log; a longer one speaks so often.
_QUIET: Final = 10.0
_EVERY: Final = 60.0


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

        Result: what the command returns.
        """
        pressed: list[int] = []
        _keep_what_is_freed()
        try:
            with _noting_interrupts(pressed), _seldom_collecting():
                return super().invoke(ctx)
        except SitingError as error:
            if ctx.meta.get(_JSON):
                echo_json(_refusal(error))
            click.echo(f"siting: {error}", err=True)
            ctx.exit(_NO_PLAN if isinstance(error, PlanError) else _REFUSED)
        except BaseException as error:
            # An import that is interrupted may end in any error at all.
            if not (pressed or isinstance(error, KeyboardInterrupt)):
                raise
            click.echo("siting: interrupted; earlier results are untouched.", err=True)
            ctx.exit(_INTERRUPTED)


#: Options of the allocator of Linux (M_MMAP_THRESHOLD, M_TRIM_THRESHOLD) and what they are set to
#: [bytes]: larger arrays go back to the system by themselves, others when more than that is free.
_ALLOCATOR: Final = {-3: 32_000_000, -1: 128_000_000}


def _keep_what_is_freed() -> None:
    """Keep the room of arrays that are done with for those to come; `parts.give_back` returns it.

    Asked anew for each, the system clears every page again: a twentieth of a small plan.
    """
    with suppress(AttributeError, OSError, TypeError):  # other systems have no such call
        for option, size in _ALLOCATOR.items():
            ctypes.CDLL(None).mallopt(option, size)


#: After how many objects more than went Python looks for rings of them, and after how many such
#: looks at older ones. A plan of any size leaves a few thousand in rings, none of them large.
_SELDOM: Final = (500_000, 20, 20)


@contextmanager
def _seldom_collecting() -> Iterator[None]:
    """Look seldom for objects that only hold each other, and not at all when the program ends.

    Every look goes through hundreds of thousands of objects of libraries; together they took a
    fifth of a small plan.
    """
    before = gc.get_threshold()
    gc.set_threshold(*_SELDOM)
    atexit.unregister(gc.freeze)
    atexit.register(gc.freeze)
    try:
        yield
    finally:
        gc.freeze()  # else all that is young would be gone through once more, at the very end
        gc.unfreeze()
        gc.set_threshold(*before)


@contextmanager
def _noting_interrupts(pressed: list[int]) -> Iterator[None]:
    """Remember that Ctrl-C was pressed, and raise as Python does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def note(number: int, _frame: object) -> None:
        pressed.append(number)
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _refusal(error: SitingError) -> dict[str, Any]:
    """Return an error as plain values."""
    faults = error.faults if isinstance(error, InputError) else ()
    return {
        "ok": False,
        "error": str(error),
        "faults": [dataclasses.asdict(fault) for fault in faults],
    }


def echo_json(values: Mapping[str, Any]) -> None:
    """Print values as JSON."""
    click.echo(json.dumps(values, ensure_ascii=False, indent=1, allow_nan=False))


def _as_line(stage: str, done: int, total: int) -> None:
    """Write one step as a line that another program can read."""
    sys.stderr.write(f"progress\t{stage}\t{done}\t{total}\n")
    sys.stderr.flush()


class Lines:
    """Progress in lines, for logs: where a run is, and how long the stage will still take.

    A context manager. A thread of its own speaks when a stage is silent for long.

    say: takes a line; quiet, every: seconds before the first line, and between lines of one stage.
    """

    def __init__(
        self, say: Callable[[str], None], *, quiet: float = _QUIET, every: float = _EVERY
    ) -> None:
        self._say, self._quiet, self._every = say, quiet, every
        self._stage, self._done, self._total, self._first = "", 0, 0, 0
        self._began = self._since = self._told = time.monotonic()
        self._said = ""
        self._over = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Self:
        """Begin."""
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End."""
        self._over.set()
        self._thread.join()

    def report(self, stage: str, done: int, total: int) -> None:
        """Take one step."""
        with self._lock:
            if stage != self._stage:
                self._stage, self._first, self._since = stage, done, time.monotonic()
            self._done, self._total = done, total
            self._speak()

    def _watch(self) -> None:
        while not self._over.wait(min(1.0, self._every / 4)):
            with self._lock:
                self._speak()

    def _speak(self) -> None:
        """Say a line when it is time: of a stage that is new, or after a minute."""
        now = time.monotonic()
        due = self._stage != self._said or now - self._told >= self._every
        if not self._stage or not due or now - self._began < self._quiet:
            return
        self._said, self._told = self._stage, now
        took, done = now - self._since, self._done - self._first
        words = f"{self._stage}: {self._done} of {self._total}" if self._total > 1 else self._stage
        if took >= 1:
            words += f", {_minutes(took)} so far"
        if done > 0:
            words += f", about {_minutes(took / done * (self._total - self._done))} left"
        self._say(f"{_minutes(now - self._began)}  {words}")


def _minutes(seconds: float) -> str:
    """Return a length of time in words."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


@contextmanager
def progress() -> Iterator[Progress | None]:
    """Yield a progress callback: a bar on a terminal, elsewhere a line per stage and minute.

    A run that compiles inner loops, which later runs find ready, says so as a stage of its own.
    Such lines begin once a run has taken `_QUIET` seconds. With ``SITING_PROGRESS=lines`` in the
    environment every step is a line on the error stream: the word progress, the stage, steps done,
    steps in all, with tabs between them.

    Result: called with stage, steps done and steps in all.
    """
    if os.environ.get("SITING_PROGRESS") == "lines":
        with _telling(_as_line):
            yield _as_line
        return
    if not sys.stderr.isatty():
        with Lines(lambda line: click.echo(line, err=True)) as lines, _telling(lines.report):
            yield lines.report
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description:<28}"), BarColumn(), TimeRemainingColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Reading", total=1)

        def report(stage: str, done: int, total: int) -> None:
            bar.update(task, description=stage, completed=done, total=total)

        with _telling(report):
            yield report


def _telling(report: Progress) -> AbstractContextManager[None]:
    """Report that loops are being compiled as a stage of its own."""
    return when_compiling(lambda: report(_COMPILING, 0, 1))
