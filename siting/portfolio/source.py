"""Open a portfolio: a template with layers, a GeoPackage with a template beside it, or a folder."""

from __future__ import annotations

import contextlib
import glob
import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from siting.errors import Fault, InputError
from siting.portfolio.layers import column_values
from siting.portfolio.model import City, Folder, Source
from siting.site.findings import Findings, nearest
from siting.site.geopackage import waiting_log
from siting.site.layerkeys import read_layers
from siting.site.property import parse_property
from siting.site.tomltable import NumberKey, TomlFile, TomlTable, key_lines
from siting.units import UnitsName

__all__ = ["input_digest", "open_source", "units_of"]

_TABLE: Final = "portfolio"
_REACH: Final = NumberKey("reach", 0, 500)
_EXAMPLE: Final = 'Add a table [portfolio] with id = "the boundary\'s id column".'
_CHUNK: Final = 1 << 20


def open_source(path: Path | str) -> Source:
    """Open a portfolio.

    Parameters
    ----------
    path : Path or str
        A template (a property file with a table [portfolio]); a vector file with a template of
        the same name beside it; or a folder of property files, each in a folder of its own.

    Returns
    -------
    City or Folder
        What to plan; nothing but the template has been read yet.

    Raises
    ------
    InputError
        With every fault of the template's layers and of its table [portfolio].
    """
    path = Path(path).absolute()
    if path.is_dir():
        return _open_folder(path)
    template = path if path.suffix.lower() == ".toml" else path.with_suffix(".toml")
    if not template.is_file():
        found = "no such file" if template == path else f"no {template.name} beside {path.name}"
        raise InputError([Fault(path.name, found, "a template property file", _EXAMPLE)])
    return _open_template(template)


def _open_folder(path: Path) -> Folder:
    files = {
        file.parent.relative_to(path).as_posix(): file
        for file in sorted(path.glob("**/property.toml"))
        if file.parent != path
    }
    if not files:
        mend = "Give a folder whose folders hold property files, or a template."
        raise InputError([Fault(path.name, "no property.toml in it", "property files", mend)])
    return Folder(path, files)


def _open_template(path: Path) -> City:
    findings = Findings()
    try:
        text = path.read_bytes().decode("utf-8-sig")
        values = tomllib.loads(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        mend = "Correct the file."
        raise InputError([Fault(path.name, f"a TOML error: {error}", "TOML", mend)]) from None
    file = TomlFile(path.name, key_lines(text), findings, {})
    top = TomlTable(file, values)
    layers = read_layers(top, path.parent)
    table = top.table(_TABLE)
    if table is None:
        top.fault(_TABLE, "no such table", "what makes it a portfolio", _EXAMPLE)
        raise InputError(findings.faults)
    id_column = table.text("id", required=True) or ""
    columns = _flat(table.take("columns"), table)
    city = City(
        path=path,
        values={key: value for key, value in values.items() if key != _TABLE},
        layers=layers,
        id_column=id_column,
        columns=columns,
        owner_column=table.text("property"),
        minutes_column=table.text("minutes"),
        reach_m=table.number(_REACH) if "reach" in table else City.reach_m,  # type: ignore[arg-type]
    )
    table.finish()
    _check_keys(city, table)
    _check_closed(city, findings)
    findings.refuse()
    return city


def _flat(value: object, table: TomlTable, prefix: str = "") -> dict[str, str]:
    """Return dotted key -> column of a table of overrides, however it is nested."""
    if value is None:
        return {}
    if isinstance(value, str):
        return {prefix: value}
    if not isinstance(value, Mapping):
        table.fault("columns", str(value), "key = column", 'Write "water.price" = "price".')
        return {}
    found: dict[str, str] = {}
    for key, inner in value.items():
        found |= _flat(inner, table, f"{prefix}.{key}" if prefix else str(key))
    return found


def _check_keys(city: City, table: TomlTable) -> None:
    """Note overrides of keys that no property file has, or that one property cannot change."""
    tables = ("weather", "season", "timer", "water", "costs", "control", "setbacks", "analysis")
    for key in city.columns:
        head = key.split(".")[0]
        if head in tables or key in {"name", "units"}:
            continue
        near = nearest(head, (*tables, "name", "units"))
        mend = f'Did you mean "{near}"?' if near else "Remove it."
        table.fault("columns", f'"{key}"', f"name, units or a key in {', '.join(tables)}", mend)


def _check_closed(city: City, findings: Findings) -> None:
    """Note layers with changes that wait in a log: a long run must read one state of them."""
    for path in sorted({layer.path for layer in city.layers.values()}):
        log = waiting_log(path)
        if log is not None:
            found = f"still open in a GIS: {log.name} holds changes that are not yet in the file"
            mend = "Close it in the GIS, and start again."
            findings.faults.append(Fault(path.name, found, "a file that is complete", mend))


def input_digest(source: Source) -> str:
    """Return a hash of every file that the plans depend on.

    Result: hexadecimal sha256; it does not depend on where the portfolio lies.
    """
    total = hashlib.sha256()
    for name, file in _files(source):
        total.update(f"{name}\n{file.name}\n".encode())
        total.update(_file_digest(file))
    return total.hexdigest()


def units_of(source: Source) -> UnitsName:
    """Return the units that a portfolio as a whole is told in: those of its first property.

    Parameters
    ----------
    source : City or Folder
        The portfolio.

    Returns
    -------
    {"metric", "us"}
        Metric where a property file cannot be read: its own run says why.
    """
    values: Mapping[str, Any] = {}
    if isinstance(source, Folder):
        first = next(iter(source.files.values()))
        with contextlib.suppress(OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
            values = tomllib.loads(first.read_bytes().decode("utf-8-sig"))
    else:
        values = source.values
    return "us" if values.get("units") == "us" else "metric"


def _files(source: Source) -> Iterator[tuple[str, Path]]:
    """Yield each input file under a name that does not depend on where the portfolio lies."""
    if isinstance(source, Folder):
        for name, file in source.files.items():
            yield name, file
            yield from ((name, part) for part in _property_files(file))
        return
    yield "template", source.path
    for path in sorted({layer.path for layer in source.layers.values()}):
        yield from (("layers", part) for part in _parts(path))
    for file in sorted(_weather_files(source)):
        yield "weather", file


def _property_files(file: Path) -> Iterator[Path]:
    """Yield the files that a property file names."""
    settings = parse_property(file, Findings())
    for _, layer in sorted(settings.layers.items()):
        yield from _parts(layer.path)
    for weather in (settings.weather.path, settings.weather.rain_file):
        if weather is not None and weather.is_file():
            yield weather


def _parts(path: Path) -> list[Path]:
    """Return the files that a layer's file consists of."""
    if path.is_dir():
        return sorted(p for p in path.rglob("*") if p.is_file())
    if path.suffix.lower() == ".shp":
        return sorted(p for p in path.parent.glob(f"{glob.escape(path.stem)}.*") if p.is_file())
    return [path] if path.is_file() else []


def _weather_files(city: City) -> set[Path]:
    """Return every weather file of a city: that of the template, and those that columns name."""
    names: set[str] = set()
    for key in ("file", "rain_file"):
        own = _dig(city.values, ("weather", key))
        names |= {str(own)} if own else set()
        column = city.columns.get(f"weather.{key}")
        names |= column_values(city, column) if column else set()
    paths = {city.path.parent / name for name in names}
    return {path for path in paths if path.is_file()}


def _dig(values: Mapping[str, Any], keys: tuple[str, ...]) -> object:
    found: object = values
    for key in keys:
        found = found.get(key) if isinstance(found, Mapping) else None
    return found


def _file_digest(path: Path) -> bytes:
    total = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            total.update(chunk)
    return total.digest()
