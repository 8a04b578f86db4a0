# SPDX-License-Identifier: GPL-2.0-or-later
"""The property file of a run: the user's own with the chosen layers, or a small new one.

Only the standard library. TOML is read by siting's own Python, since the GIS's may be too old.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .runner import RunFailedError, clean_environment

__all__ = ["merged", "read_toml", "toml_text"]

_READ = (
    "import json, pathlib, sys, tomllib; "
    "print(json.dumps(tomllib.loads(pathlib.Path(sys.argv[1]).read_bytes().decode('utf-8-sig'))))"
)
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_RASTERS = ("surface", "terrain", "aerial")
_Values = dict[str, Any]


def read_toml(python: str, path: Path) -> _Values:
    """Read a TOML file with siting's Python."""
    done = subprocess.run(  # noqa: S603 - the user's own Python
        [python, "-c", _READ, str(path)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="replace",
        env=clean_environment(os.environ),
        timeout=60,
        check=False,
    )
    if done.returncode != 0:
        last = (done.stderr.strip().splitlines() or ["it cannot be read"])[-1]
        message = f"{path} is no TOML file: {last}"
        raise RunFailedError(message)
    values: _Values = json.loads(done.stdout)
    return values


def merged(
    base: Mapping[str, Any],
    folder: Path,
    *,
    package: str | None,
    rasters: Mapping[str, str],
    given: Mapping[str, Any],
) -> _Values:
    """Return the values of a run's property file.

    package: the GeoPackage of the layers that were chosen, it takes the place of the whole drawing.
    None keeps the drawing of `base`; given: what was filled in: name, units, file and elevation_m
    of the weather. None is left out. Result: all file names absolute.
    """
    values = dict(base)
    drawing = _absolute_layers(values.pop("layers", None), folder)
    if package is not None:
        kept = {name: drawing[name] for name in _RASTERS if name in drawing}
        for name, entry in drawing.items():
            # What the columns are called stays as it was told.
            if isinstance(entry, dict) and name not in _RASTERS:
                kept[name] = {k: v for k, v in entry.items() if k not in ("file", "layer")}
        drawing = {"file": package, **kept}
    drawing.update(rasters)
    weather = dict(values.pop("weather", {}))
    for key in ("file", "rain_file"):
        if key in weather:
            weather[key] = str((folder / str(weather[key])).absolute())
    weather.update({k: given[k] for k in ("file", "elevation_m") if given.get(k) is not None})
    head = {k: given[k] for k in ("name", "units") if given.get(k) is not None}
    whole = {**values, **head, "layers": drawing}
    return {**whole, "weather": weather} if weather else whole


def _absolute_layers(layers: Any, folder: Path) -> _Values:  # noqa: ANN401 - of a user's file
    """Return the layers as a table whose file names are absolute."""
    if isinstance(layers, str):
        return {"file": str((folder / layers).absolute())}
    if not isinstance(layers, dict):
        return {}
    return {
        name: {**entry, "file": _absolute(entry["file"], folder)}
        if isinstance(entry, dict) and "file" in entry
        else _absolute(entry, folder)
        if isinstance(entry, str)
        else entry
        for name, entry in layers.items()
    }


def _absolute(name: str, folder: Path) -> str:
    """Return "file" or "file:layer" with the file absolute."""
    return str(Path(os.path.normpath(folder / name)).absolute())


def toml_text(values: Mapping[str, Any]) -> str:
    """Write values as TOML.

    Result: the text; tables in tables are written inline, so that any order of keys is right.
    """
    flat = [f"{_key(k)} = {_value(v)}" for k, v in values.items() if not isinstance(v, Mapping)]
    for name, table in values.items():
        if isinstance(table, Mapping):
            flat += ["", f"[{_key(name)}]"]
            flat += [f"{_key(k)} = {_value(v)}" for k, v in table.items()]
    return "\n".join(flat) + "\n"


def _key(name: str) -> str:
    """Return a key, quoted where it must be."""
    return name if _BARE.fullmatch(name) else _text(name)


def _text(text: str) -> str:
    """Return a quoted text; JSON's escapes are TOML's, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:  # noqa: ANN401 - of a user's file
    """Return a value on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return repr(value) if isinstance(value, (int, float)) else _text(str(value))
