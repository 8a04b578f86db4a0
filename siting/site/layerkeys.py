"""Read the `layers` and `units_in` keys of a property file: which file holds which layer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any

from siting.site.columns import COLUMNS
from siting.site.findings import brief, nearest
from siting.site.settings import LayerSource
from siting.site.tomltable import NumberKey, TomlTable, length_spellings
from siting.site.vocabulary import PICTURE_LAYERS, RASTER_LAYERS, VECTOR_LAYERS
from siting.units import LENGTH_UNITS_M

__all__ = ["find_file", "read_layers"]

#: A path up to this long is shown whole.
_LONG_PATH = 60
_REQUIRED = ("boundary", "hydrozones")
_DEFAULT_HEIGHT = NumberKey(
    "default_height", 0.1, 300, spellings=length_spellings("default_height")
)


def find_file(table: TomlTable, key: str, written: str, folder: Path) -> Path | None:
    """Return the absolute path of a file named in a property file, or note that it is missing.

    Parameters
    ----------
    table : TomlTable
        The table that holds the key.
    key : str
        The key, for the message.
    written : str
        The path as the user wrote it, relative to `folder` or absolute.
    folder : Path
        The property file's folder.

    Returns
    -------
    Path or None
        None when there is no such file.
    """
    if "://" in written or written.startswith("/vsi"):
        mend = "Nothing is fetched from a network or out of an archive: put the file here."
        table.fault(key, f'the address "{brief(written)}"', "an existing file", mend)
        return None
    path = (folder / written).absolute()
    kind = _kind(path)
    if kind == "file" or (kind == "folder" and path.suffix.lower() == ".gdb"):
        return path
    if kind:
        found = f'"{_shown(written)}", which is a {kind}'
        table.fault(key, found, "an existing file", "Name a file.")
        return None
    siblings = _names(path.parent)
    near = nearest(path.name, sorted(siblings))
    where = brief(path.parent.name or path.parent)
    mend = f'Did you mean "{near}"?' if near else f"Looked in {where}."
    table.fault(key, f'"{_shown(written)}", which does not exist', "an existing file", mend)
    return None


def _shown(written: str) -> str:
    """Return a path for a message: of a long one its end, which says most."""
    name = Path(written).name
    return brief(written if len(written) <= _LONG_PATH or not name else f".../{name}")


def _kind(path: Path) -> str:
    """Return what a path leads to: "file", "folder", "device or pipe", or "" for nothing."""
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return ""
    return "file" if S_ISREG(mode) else "folder" if S_ISDIR(mode) else "device or pipe"


def _names(folder: Path) -> list[str]:
    try:
        return [p.name for p in folder.iterdir()]
    except (OSError, ValueError):
        return []


def read_layers(top: TomlTable, folder: Path) -> dict[str, LayerSource]:
    """Return where each layer is read from, by layer name.

    Parameters
    ----------
    top : TomlTable
        The top of the property file.
    folder : Path
        The property file's folder.

    Returns
    -------
    dict of str to LayerSource
        Sound entries only; faults are noted in the table's file.
    """
    value = top.take("layers")
    units = _read_units(top)
    if isinstance(value, str):
        sources = _from_one_file(top, value, folder)
    elif isinstance(value, Mapping):
        sources = _from_table(TomlTable(top.file, value, "layers"), folder)
    else:
        found = "nothing" if value is None else str(value)
        allowed = "the name of one GeoPackage, or a table: layer name -> file"
        top.fault("layers", found, allowed, 'Write layers = "property.gpkg".')
        sources = {}
    unknown: tuple[str | None, dict[str, str]] = (None, {})
    return {
        name: replace(
            source,
            length_unit=units.get(name, unknown)[0] or "m",
            unit_stated=units.get(name, unknown)[0] is not None,
            column_units=units.get(name, unknown)[1],
        )
        for name, source in sources.items()
    }


def _from_one_file(top: TomlTable, written: str, folder: Path) -> dict[str, LayerSource]:
    path = find_file(top, "layers", written, folder)
    if path is None:
        return {}
    return {name: LayerSource(path, name, optional=name not in _REQUIRED) for name in VECTOR_LAYERS}


def _from_table(table: TomlTable, folder: Path) -> dict[str, LayerSource]:
    common = table.text("file")
    sources = {}
    if common:
        path = find_file(table, "file", common, folder)
        if path:
            sources = {
                name: LayerSource(path, name, optional=name not in _REQUIRED)
                for name in VECTOR_LAYERS
            }
    for name in (*VECTOR_LAYERS, *RASTER_LAYERS, *PICTURE_LAYERS):
        value = table.take(name)
        if value is not None:
            source = _read_source(table, name, value, folder, sources.get(name))
            sources.pop(name, None)
            if source:
                sources[name] = source
        elif name in _REQUIRED and not common:
            table.missing(name, "the file that holds this layer", f'Add {name} = "file:layer".')
    table.finish()
    return sources


def _read_source(
    table: TomlTable, name: str, value: object, folder: Path, common: LayerSource | None
) -> LayerSource | None:
    if isinstance(value, str):
        return _split(table, name, value, folder)
    if not isinstance(value, Mapping):
        table.fault(name, str(value), '"file", "file:layer" or a table', 'Write "file:layer".')
        return None
    inner = TomlTable(table.file, value, f"{table.prefix}.{name}")
    written = inner.text("file", required=common is None)
    source = _split(inner, "file", written, folder) if written else common
    layer = inner.text("layer")
    columns = _read_columns(inner, name)
    flag = inner.flag("text_numbers")
    height = inner.number(_DEFAULT_HEIGHT) if name == "buildings" else None
    inner.finish()
    if source is None:
        return None
    return replace(
        source,
        layer=layer or source.layer,
        columns=columns,
        text_numbers=flag,
        default_height=height,
        optional=source.optional and "layer" not in value,
    )


def _split(table: TomlTable, key: str, written: str, folder: Path) -> LayerSource | None:
    """Split "file:layer"; a colon may be part of a drive's, a file's or a layer's name."""
    colons = [at for at, letter in enumerate(written) if letter == ":" and at > 1]
    heads = [written, *(written[:at] for at in colons)]
    name = next((head for head in heads if _kind(folder / head)), None)
    if name is None:
        name = written[: colons[0]] if colons and "://" not in written else written
    path = find_file(table, key, name, folder)
    return LayerSource(path, written[len(name) + 1 :].strip() or None) if path else None


def _read_columns(table: TomlTable, layer: str) -> dict[str, str]:
    columns = table.table("columns")
    if columns is None:
        return {}
    found = {}
    for column in COLUMNS.get(layer, ()):
        value = columns.take(column.name)
        if isinstance(value, str):
            found[column.name] = value
        elif value is not None:
            columns.fault(
                column.name, str(value), "the file's column name", 'Write ours = "theirs".'
            )
    columns.finish()
    return found


def _read_units(top: TomlTable) -> dict[str, tuple[str | None, dict[str, str]]]:
    """Return each layer's unit of length where it is stated, and the units of single columns."""
    value = top.take("units_in")
    names = (*VECTOR_LAYERS, *RASTER_LAYERS)
    if value is None or not isinstance(value, Mapping):
        unit = _unit(top, "units_in", value) if value is not None else None
        # Cans are read in mm or mL, whatever the lengths are in.
        return {name: (None if name == "cans" else unit, {}) for name in names}
    table = TomlTable(top.file, value, "units_in")
    found = {name: _layer_units(table, name) for name in names}
    table.finish()
    return found


def _layer_units(table: TomlTable, name: str) -> tuple[str | None, dict[str, str]]:
    value: Any = table.take(name)
    if not isinstance(value, Mapping):
        return (_unit(table, name, value) if value is not None else None), {}
    inner = TomlTable(table.file, value, f"{table.prefix}.{name}")
    lengths = [c.name for c in COLUMNS.get(name, ()) if c.kind == "length"]
    units = {column: inner.take(column) for column in lengths}
    inner.finish()
    return None, {c: _unit(inner, c, unit) for c, unit in units.items() if unit is not None}


def _unit(table: TomlTable, key: str, value: object) -> str:
    return table.word(key, value, LENGTH_UNITS_M) or "m"
