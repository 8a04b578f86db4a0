"""Open a portfolio from a template, a GeoPackage or a folder, and put it in order."""

from __future__ import annotations

import contextlib
import glob
import hashlib
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely

from siting.errors import Fault, InputError
from siting.portfolio.extract import extract, open_window
from siting.portfolio.layers import boundary_table, column_values
from siting.portfolio.model import TILE, City, Folder, Index, Source, Tile
from siting.site.findings import Findings, nearest, some
from siting.site.property import parse_property, read_layers
from siting.site.settings import TABLES
from siting.site.toml import Key, TomlFile, TomlTable, key_lines
from siting.site.vector import waiting_log
from siting.units import UnitsName

_TABLE: Final = "portfolio"
_REACH: Final = Key("reach", 0, 500)
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
    tables = [one.name for one in TABLES if one.name]
    known = ["name", "units"]
    for one in TABLES:
        if one.name:
            known += [f"{one.name}.{name}" for key in one.keys for name in key.factors]
    for key in city.columns:
        if any(f"{key}.".startswith(f"{name}.") for name in known):
            continue
        near = nearest(key, known)
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


def index_of(source: Source) -> Index:
    """List the properties of a portfolio, neighbours next to each other.

    Result: every id once, along a Hilbert curve; those without a shape come last. Features with the
    same id are one property of several parts.
    """
    if isinstance(source, Folder):
        return Index(tuple(source.files), np.full((len(source.files), 4), np.nan))
    names, bounds = boundary_table(source)
    notes = []
    nameless = [row for row, name in enumerate(names) if name is None]
    if nameless:
        notes.append(
            f"{len(nameless)} features of the boundary layer without {source.id_column} were left "
            f"out: features {some([row + 1 for row in nameless])} of the layer"
        )
    parts: dict[str, list[int]] = {}
    for row, name in enumerate(names):
        if name is not None:
            parts.setdefault(name, []).append(row)
    several = sorted(name for name, rows in parts.items() if len(rows) > 1)
    if several:
        notes.append(f"{len(several)} properties of several shapes: {some(several)}")
    ids = sorted(parts)
    joined = np.array([_join(bounds[parts[name]]) for name in ids]).reshape(-1, 4)
    order = _along_curve(joined)
    return Index(tuple(ids[i] for i in order), joined[order], tuple(notes))


def _join(bounds: np.ndarray) -> np.ndarray:
    """Return the bounds of several shapes; NaN when none has any."""
    sound = bounds[np.isfinite(bounds).all(axis=1)]
    if not len(sound):
        return np.full(4, np.nan)
    return np.concatenate([sound[:, :2].min(axis=0), sound[:, 2:].max(axis=0)])


def _along_curve(bounds: np.ndarray) -> np.ndarray:
    """Return the order along a Hilbert curve; rows are in the order of their ids already."""
    sound = np.isfinite(bounds).all(axis=1)
    distance = np.full(len(bounds), np.iinfo(np.int64).max)
    if sound.any():
        boxes = gpd.GeoSeries(shapely.box(*bounds[sound].T))
        distance[sound] = boxes.hilbert_distance().to_numpy(dtype=np.int64)
    return np.argsort(distance, kind="stable")


def tile_size(count: int) -> int:
    """Return how many properties make a tile: 40, or fewer in a small portfolio.

    Result: from 1 to 40.

    >>> [tile_size(n) for n in (3, 100, 5000)]
    [1, 7, 40]
    """
    return min(TILE, max(1, -(-count // 16)))


def cut_tiles(index: Index, size: int) -> list[Tile]:
    """Cut the row of properties into tiles.

    index: from `index_of`. Result: in order. Towards the end none holds more than a quarter of what
    is left, down to an eighth of the size, so that workers end at nearly the same time.

    >>> index = Index(tuple(map(str, range(300))), np.zeros((300, 4)))
    >>> [len(tile.ids) for tile in cut_tiles(index, 40)]
    [40, 40, 40, 40, 35, 27, 20, 15, 11, 8, 6, 5, 5, 5, 3]
    """
    tiles: list[Tile] = []
    at = 0
    while at < len(index.ids):
        left = len(index.ids) - at
        end = at + min(size, max(1, size // 8, -(-left // 4)))
        tiles.append(Tile(f"{len(tiles):06d}", index.ids[at:end], index.bounds[at:end]))
        at = end
    return tiles


def spread(index: Index, count: int) -> list[Tile]:
    """Pick some properties evenly along the curve, each a tile of its own.

    index: from `index_of`. Result: evenly spread over the portfolio's ground.
    """
    total = len(index.ids)
    picked: Sequence[int] = sorted({int((i + 0.5) * total / count) for i in range(count)})
    return [
        Tile(f"sample-{i:06d}", (index.ids[i],), index.bounds[i : i + 1])
        for i in picked[: min(count, total)]
    ]


def cut_out(source: Path | str, property_id: str, folder: Path | str) -> Path:
    """Write one property of a portfolio as a folder of its own.

    Parameters
    ----------
    source : Path or str
        As for `siting.portfolio.source.open_source`.
    property_id : str
        Which one.
    folder : Path or str
        Where; made when missing, and it must be empty.

    Returns
    -------
    Path
        The property file; `siting plan` makes the portfolio's plan of it.

    Raises
    ------
    InputError
        When there is no such property, or the folder is not empty.
    """
    opened, folder = open_source(source), Path(folder)
    index = index_of(opened)
    if property_id not in index.ids:
        near = nearest(property_id, index.ids)
        mend = f'Did you mean "{near}"?' if near else "Look the id up in the boundary layer."
        found = f'no property "{property_id}"'
        raise InputError([Fault(opened.path.name, found, "an id of the portfolio", mend)])
    if isinstance(opened, Folder):
        return opened.files[property_id]
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        mend = "Choose another folder."
        raise InputError([Fault(str(folder), "a folder with files", "an empty folder", mend)])
    row = index.ids.index(property_id)
    tile = Tile("one", (property_id,), index.bounds[row : row + 1])
    return extract(open_window(opened, tile), property_id, folder)
