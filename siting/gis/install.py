# SPDX-License-Identifier: GPL-2.0-or-later
"""Make siting a Python of its own in the GIS's profile, from the network or a folder of wheels.

Only the standard library. Whatever keeps it from working is said with what to do about it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

from .runner import NO_WINDOW, RunFailedError, clean_environment, run

__all__ = ["base_python", "environment_python", "install"]

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
