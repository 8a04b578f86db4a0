# SPDX-License-Identifier: GPL-2.0-or-later
"""Find the Python that has siting, and run it as a process that can be watched and stopped.

Only the standard library, and a Python as old as the GIS may bring: geometry libraries of siting
must not be loaded into the GIS's process, which has its own, often older ones.
"""

from __future__ import annotations

import contextlib
import os
import queue
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO

__all__ = [
    "NO_WINDOW",
    "LibraryMissingError",
    "RunFailedError",
    "clean_environment",
    "find_python",
    "run",
]

#: What the GIS sets for its own libraries and must not reach another Python.
_OF_THE_GIS = (
    "PYTHONHOME", "PYTHONPATH", "PYTHONSTARTUP", "GDAL_DATA", "GDAL_DRIVER_PATH", "PROJ_LIB",
    "PROJ_DATA", "QT_PLUGIN_PATH", "QT_QPA_PLATFORM", "OSGEO4W_ROOT",
)  # fmt: skip
_INSTALL = """\
The siting library was not found, so nothing was run.
Tried: {tried}.
Run "Install siting" in the toolbox, which gives it a Python of its own in this GIS's profile. Or do
it in a terminal, with a Python (3.11 or newer) that is not the GIS's:
  python3 -m venv {home}
  {pip} install FOLDER-OR-WHEEL-OF-SITING
Then name that Python under Settings > Options > Processing > Providers > Siting
("Python that has siting"), or in the environment variable SITING_PYTHON:
  {python}"""
#: Keeps a console window from opening on Windows.
NO_WINDOW = 0x08000000 if os.name == "nt" else 0
_LOOK_SECONDS = 0.1
_PATIENCE_SECONDS = 5.0


class LibraryMissingError(Exception):
    """No Python with siting was found; the message says how to get one."""


class RunFailedError(Exception):
    """The command ended with an error, or was cancelled; the message is what it said."""


def clean_environment(environment: Mapping[str, str]) -> dict[str, str]:
    """Return the environment without what the GIS sets for itself.

    Result: for the other process: UTF-8 output, progress as lines.
    """
    kept = {key: value for key, value in environment.items() if key not in _OF_THE_GIS}
    return kept | {"PYTHONIOENCODING": "utf-8", "PYTHONUTF8": "1", "SITING_PROGRESS": "lines"}


def find_python(setting: str, own: str = "") -> tuple[str, str]:
    """Return a Python that has siting, and the version of siting there.

    setting: the one that the user named, or ""; own: the one that *Install siting* makes.
    Result: the program and what ``siting --version`` says.
    """
    named = os.environ.get("SITING_PYTHON", "") or setting
    tried = []
    for python in [named] if named else _usual_places(own):
        program = str(Path(python).expanduser())
        version, why = _version(program)
        if version:
            return program, version
        tried.append(f"{program} ({why})")
    home = Path("~") / "siting-env"
    folder = home / ("Scripts" if os.name == "nt" else "bin")
    raise LibraryMissingError(
        _INSTALL.format(
            tried="; ".join(tried) or "no Python on the path",
            home=home,
            pip=folder / "pip",
            python=folder / "python",
        )
    )


def _usual_places(own: str) -> Iterator[str]:
    """Yield the Pythons worth a try: our own, a usual environment, then those on the path."""
    if own and Path(own).exists():
        yield own
    for folder in ("bin/python", "Scripts/python.exe"):
        usual = Path("~/siting-env").expanduser() / folder
        if usual.exists():
            yield str(usual)
    for name in ("python3", "python"):
        found = shutil.which(name)
        if found:
            yield found


def _version(program: str) -> tuple[str, str]:
    """Return what siting says of itself under a Python, or "" and why not."""
    try:
        done = subprocess.run(  # noqa: S603 - the user's own Python
            [program, "-m", "siting.cli", "--version"],
            capture_output=True,
            text=True,
            encoding="utf-8",
            errors="replace",
            env=clean_environment(os.environ),
            timeout=120,
            check=False,
            creationflags=NO_WINDOW,
        )
    except OSError as error:
        return "", error.strerror or "cannot be run"
    except subprocess.TimeoutExpired:
        return "", "no answer in two minutes"
    if done.returncode == 0 and done.stdout.startswith("siting, version"):
        return done.stdout.strip(), ""
    last = (done.stderr.strip().splitlines() or ["it is not a Python"])[-1]
    return "", last


def run(
    command: Sequence[str],
    *,
    say: Callable[[str], None],
    progress: Callable[[str, int, int], None],
    cancelled: Callable[[], bool],
    hear: Callable[[str], None] | None = None,
) -> str:
    """Run a command to its end, or until it is cancelled.

    hear: is told its output as it comes; that is then part of what an error says.
    """
    process = subprocess.Popen(  # noqa: S603 - the user's own Python
        list(command),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        errors="replace",
        env=clean_environment(os.environ),
        start_new_session=os.name != "nt",
        creationflags=NO_WINDOW,
    )
    lines: queue.Queue[tuple[str, str]] = queue.Queue()
    readers = [
        threading.Thread(target=_read, args=(name, stream, lines), daemon=True)
        for name, stream in (("out", process.stdout), ("err", process.stderr))
    ]
    for reader in readers:
        reader.start()
    output: list[str] = []
    told: list[str] = []
    try:
        while process.poll() is None or any(r.is_alive() for r in readers) or not lines.empty():
            if cancelled():
                message = "Cancelled; earlier results are as they were."
                raise RunFailedError(message)
            with contextlib.suppress(queue.Empty):
                name, line = lines.get(timeout=_LOOK_SECONDS)
                if hear is not None and name == "out":
                    hear(line)
                    told.append(line)
                _sort(name, line, output, told, say, progress)
    finally:
        _stop(process)
    if process.returncode != 0:
        raise RunFailedError("\n".join(told[-60:]) or f"siting ended with {process.returncode}")
    return "\n".join(output)


def _read(name: str, stream: IO[str] | None, lines: queue.Queue[tuple[str, str]]) -> None:
    """Pass on the lines of a stream."""
    if stream is not None:
        with stream:
            for line in stream:
                lines.put((name, line.rstrip("\r\n")))


def _sort(
    name: str,
    line: str,
    output: list[str],
    told: list[str],
    say: Callable[[str], None],
    progress: Callable[[str, int, int], None],
) -> None:
    """Put a line where it belongs: the result, the progress, or what the user is told."""
    parts = line.split("\t")
    if name == "out":
        output.append(line)
    elif parts[0] == "progress" and len(parts) == 4:  # noqa: PLR2004 - its four words
        progress(parts[1], int(parts[2]), int(parts[3]))
    elif line.strip():
        told.append(line)
        say(line)


def _stop(process: subprocess.Popen[str]) -> None:
    """End a process that still runs, and those that it started: asked first, then made to."""
    for force in (False, True):
        if process.poll() is not None:
            return
        if os.name == "nt":
            process.kill()
        else:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL if force else signal.SIGTERM)
        end = time.monotonic() + _PATIENCE_SECONDS
        while process.poll() is None and time.monotonic() < end:
            time.sleep(_LOOK_SECONDS)
