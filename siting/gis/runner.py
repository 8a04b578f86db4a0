# SPDX-License-Identifier: GPL-2.0-or-later
"""Find the Python that has siting or make it one, and run it so that it can be watched and stopped.

Only the standard library, and a Python as old as the GIS may bring: geometry libraries of siting
must not be loaded into the GIS's process, which has its own, often older ones. A Python of its own
is made in the GIS's profile, from the network or a folder of wheels; whatever keeps it from working
is said with what to do about it.
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
    "base_python",
    "clean_environment",
    "environment_python",
    "find_python",
    "install",
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


_LEAST = (3, 11)
_ASK = (
    "import importlib.util as u, sys; "
    "print(sys.version_info[0], sys.version_info[1], *(u.find_spec(n) is not None "
    "for n in ('venv', 'ensurepip', 'pip')))"
)
_NONE = """\
No Python {least} or newer was found that can make an environment, so nothing was installed.
Tried: {tried}.
Install one, beside the GIS's own: from python.org, or as packages python3 and python3-venv of your
system. Then run this again; "Python to start from" names it where it is not found by itself."""
_FAILED = """\
siting could not be installed: {why}
{hint}
Nothing else was changed{removed}."""
_IN_THE_WAY = """\
{home} is there and is no Python environment, so nothing was installed: what is in it may be yours.
Move it away, then run this again."""
_ONLINE = (
    "If this machine has no network, or a proxy stands in between, download the wheels elsewhere:\n"
    "  pip download siting -d wheels\n"
    'and name that folder under "Folder of wheels".'
)
_OFFLINE = (
    "The folder of wheels must hold siting and everything it needs, for this system and this "
    "Python ({python}):\n  pip download siting -d wheels"
)


def environment_python(home: Path) -> Path:
    """Return the Python of an environment."""
    return home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def base_python(named: str) -> tuple[str, bool]:
    """Return a Python that can make an environment, and whether it brings its own pip into it."""
    tried = []
    for program in [named] if named else _candidates():
        found, why = _ask(program)
        if found:
            return program, found == "ensurepip"
        tried.append(f"{program} ({why})")
    least = ".".join(str(part) for part in _LEAST)
    raise RunFailedError(_NONE.format(least=least, tried="; ".join(tried) or "none on the path"))


def _candidates() -> Iterator[str]:
    """Yield the Pythons worth a try, the newest names first."""
    for name in ("python3.13", "python3.12", "python3.11", "python3", "python", "py"):
        found = shutil.which(name)
        if found:
            yield found


def _ask(program: str) -> tuple[str, str]:
    """Return "ensurepip" or "pip", whichever it makes environments with, else "" and why not."""
    try:
        done = subprocess.run(  # noqa: S603 - a Python of the user's
            [program, "-c", _ASK],
            capture_output=True,
            text=True,
            env=clean_environment(os.environ),
            timeout=60,
            check=False,
            creationflags=NO_WINDOW,
        )
    except (OSError, subprocess.SubprocessError) as error:
        return "", getattr(error, "strerror", None) or "cannot be run"
    parts = done.stdout.split()
    if done.returncode != 0 or len(parts) != 5:  # noqa: PLR2004 - what _ASK prints
        return "", "it is not a Python"
    if (int(parts[0]), int(parts[1])) < _LEAST:
        return "", f"it is {parts[0]}.{parts[1]}"
    venv, ensurepip, pip = (part == "True" for part in parts[2:])
    if venv and ensurepip:
        return "ensurepip", ""
    return ("pip", "") if venv and pip else ("", "it lacks venv and pip")


def install(
    home: Path,
    *,
    base: str,
    package: str,
    wheels: str,
    say: Callable[[str], None],
    progress: Callable[[str, int, int], None],
    cancelled: Callable[[], bool],
) -> str:
    """Make the environment, or bring the one that is there up to date.

    package: as pip takes it: a name, a wheel or a folder; wheels: folder of wheels, then no network
    is asked, or "". Result: what ``siting --version`` says there.
    """
    fresh = not environment_python(home).exists()
    if fresh and home.exists() and not _is_ours(home):
        raise RunFailedError(_IN_THE_WAY.format(home=home))
    start, own = base_python(base) if fresh else ("", True)
    program = str(environment_python(home))

    def step(words: list[str], stage: str, number: int) -> str:
        progress(stage, number, 3)
        return run(words, say=say, progress=progress, cancelled=cancelled, hear=say)

    pip = [program, "-m", "pip"]
    try:
        if fresh:
            say(f"environment in {home}, from {start}")
            step([start, "-m", "venv", *([] if own else ["--without-pip"]), str(home)],
                 "Making the environment", 0)  # fmt: skip
            if not own:
                pip = [start, "-m", "pip", "--python", program]
        source = ["--no-index", "--find-links", wheels] if wheels else []
        words = [*pip, "install", "--upgrade", "--no-input", "--disable-pip-version-check"]
        step([*words, *source, package], "Installing siting and what it needs", 1)
        # -P: a clone in the current folder is not what was installed.
        version = step([program, "-P", "-m", "siting.cli", "--version"], "Trying it", 2)
    except (RunFailedError, OSError) as error:
        if fresh:
            shutil.rmtree(home, ignore_errors=True)
        if cancelled():
            message = "Cancelled; nothing was installed."
            raise RunFailedError(message) from error
        hint = _OFFLINE.format(python=base or "as found") if wheels else _ONLINE
        removed = "; the half-made environment was removed" if fresh else ""
        message = _FAILED.format(why=_short(str(error)), hint=hint, removed=removed)
        raise RunFailedError(message) from error
    progress("Done", 3, 3)
    return version.strip()


def _is_ours(home: Path) -> bool:
    """Tell whether a place holds nothing, or what an interrupted installation left."""
    return home.is_dir() and ((home / "pyvenv.cfg").is_file() or not any(home.iterdir()))


def _short(said: str) -> str:
    """Return the lines in which pip says what went wrong, else the last ones."""
    lines = [line for line in said.splitlines() if line.strip()]
    errors = [line for line in lines if line.lstrip().upper().startswith("ERROR")]
    return "\n".join((errors or lines)[-4:]) or "no words came back"
