"""Open a portfolio from a template, a GeoPackage or a folder, and cut each property out of it."""

from __future__ import annotations

import contextlib
import copy
import functools
import glob
import hashlib
import math
import os
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import shapely
import tomli_w
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats, Ints
from siting.errors import Fault, Findings, InputError, nearest, some
from siting.portfolio.layers import (
    boundary_shapes,
    boundary_table,
    column_text,
    column_values,
    layer_crs,
    layer_parts,
    reach_in,
    read_window,
    sound_shapes,
)
from siting.portfolio.model import OWNED, TILE, City, Folder, Index, Source, Tile
from siting.site.property import parse_property, read_layers, with_changes
from siting.site.settings import RASTER_LAYERS, TABLES, VECTOR_LAYERS
from siting.site.toml import Key, TomlFile, TomlTable, key_lines
from siting.site.vector import waiting_log
from siting.units import UnitsName

_PER_VALVE: Final = ("minutes", "depth_mm", "depth_in")
_ANY_GEOMETRY: Final = "Unknown"


class CityWindow:
    """The layers of a city around some properties.

    city: the portfolio; crs: of its layers; frames: what was read, by layer.
    """

    def __init__(self, city: City, crs: pyproj.CRS, frames: Mapping[str, gpd.GeoDataFrame]) -> None:
        self.city, self.crs, self.frames = city, crs, frames
        self.own = np.array(column_text(frames["boundary"], city.id_column), dtype=object)


def open_window(city: City, tile: Tile) -> CityWindow:
    """Read the layers of a city around a tile.

    Result: the tile's bounds and as far around them as surroundings shade.
    """
    crs = layer_crs(city)
    sound = tile.bounds[np.isfinite(tile.bounds).all(axis=1)]
    if not len(sound):
        return CityWindow(city, crs, {"boundary": gpd.GeoDataFrame({city.id_column: []})})
    west, south = sound[:, :2].min(axis=0)
    east, north = sound[:, 2:].max(axis=0)
    dx, dy = reach_in(crs, (west, south, east, north), city.reach_m)
    bounds = (west - dx, south - dy, east + dx, north + dy)
    frames = {}
    for name in VECTOR_LAYERS:
        if name in city.layers:
            frame = read_window(city.layers[name], name, bounds)
            if frame is not None:
                frames[name] = frame
    return CityWindow(city, crs, frames)


def extract(window: CityWindow, property_id: str, folder: Path) -> Path:
    """Write one property as a folder of its own.

    Result: the property file. Its layers are FlatGeobuf files; weather and rasters are named where
    they lie.

    Features are in an order of their own (by shape and columns), so that what is planned does not
    depend on the order or the index of the city's file.
    """
    city = window.city
    mine = window.frames["boundary"][window.own == property_id]
    ground = shapely.union_all(sound_shapes(mine)) if len(mine) else shapely.Polygon()
    if ground.is_empty:
        found, allowed = f"property {property_id} without a shape that has a place", "a polygon"
        mend = "Draw its boundary."
        raise InputError([Fault(city.path.name, found, allowed, mend, layer="boundary")])
    bounds = ground.bounds
    dx, dy = reach_in(window.crs, bounds, city.reach_m)
    around = (bounds[0] - dx, bounds[1] - dy, bounds[2] + dx, bounds[3] + dy)
    written: dict[str, str] = {}
    frames: dict[str, gpd.GeoDataFrame] = {}
    for name, frame in window.frames.items():
        if name == "boundary":
            part = mine
        elif name in OWNED:
            near = frame.iloc[_touching(frame, around)]
            part = _owned(near, city, property_id, ground)
        else:
            part = frame.iloc[_touching(frame, around)]
        frames[name] = _in_order(part)
        written[name] = f"{name}.fgb"
        _write(frames[name], folder / written[name])
    values = _values(city, mine.iloc[0], property_id, frames["hydrozones"])
    values["layers"] = _layer_table(city, written)
    path = folder / "property.toml"
    path.write_text(tomli_w.dumps(values), encoding="utf-8")
    return path


def _owned(
    frame: gpd.GeoDataFrame, city: City, property_id: str, ground: BaseGeometry
) -> gpd.GeoDataFrame:
    """Return the features that belong to a property: by column, or by where they lie."""
    if city.owner_column and city.owner_column in frame.columns:
        owner = np.array(column_text(frame, city.owner_column), dtype=object)
        return frame[owner == property_id]
    near = frame.iloc[_touching(frame, ground.bounds)]
    points = shapely.point_on_surface(near.geometry.to_numpy())
    return near[shapely.intersects(points, ground)]


def _touching(frame: gpd.GeoDataFrame, bounds: tuple[float, float, float, float]) -> Ints:
    """Return the rows whose bounding box touches a window."""
    if frame.empty:
        return np.zeros(0, dtype=np.int64)
    return np.asarray(np.sort(frame.sindex.intersection(bounds)), dtype=np.int64)


def _in_order(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the rows in an order that depends on nothing but themselves."""
    columns = [c for c in frame.columns if c != frame.geometry.name]
    shapes = shapely.to_wkb(frame.geometry.to_numpy())
    rest = zip(*(map(repr, frame[c]) for c in columns), strict=True) if columns else None
    texts = list(rest) if rest is not None else [()] * len(frame)
    order = sorted(range(len(frame)), key=lambda row: (shapes[row] or b"", texts[row]))
    return frame.iloc[order]


def _write(frame: gpd.GeoDataFrame, path: Path) -> None:
    kinds = set(frame.geom_type.dropna())
    single = len(kinds) == 1
    kind = next(iter(kinds)) if single else _ANY_GEOMETRY
    pyogrio.write_dataframe(
        frame, path, driver="FlatGeobuf", geometry_type=kind,
        promote_to_multi=False if single else None,  # else they are gone through again
        layer_options={"SPATIAL_INDEX": "NO"},
    )  # fmt: skip


def _values(
    city: City, row: Mapping[str, Any], property_id: str, zones: gpd.GeoDataFrame
) -> dict[str, Any]:
    """Return the property file: the template with this property's own values."""
    values: dict[str, Any] = copy.deepcopy(dict(city.values))
    if "name" not in city.columns:
        values["name"] = f"{values.get('name', 'Property')} {property_id}"
    given = {key: row.get(column) for key, column in city.columns.items()}
    own = {key: _plain(value) for key, value in given.items() if not _is_empty(value)}
    values = with_changes(values, own)
    _absolute_weather(values, city.path.parent)
    if zones.empty:
        values.pop("timer", None)  # what is wrong then is that there are no zones
    elif isinstance(values.get("timer"), dict):
        _fit_timer(values["timer"], zones, city)
    return values


def _is_empty(value: object) -> bool:
    """Tell whether a cell says nothing."""
    if isinstance(value, str):
        return not value.strip()
    return value is None or (isinstance(value, float) and math.isnan(value))


def _plain(value: object) -> object:
    """Return a cell as a value of TOML; a column with gaps makes floats of whole numbers."""
    value = value.item() if isinstance(value, np.generic) else value
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value if isinstance(value, (bool, int, float, str)) else str(value)


def _absolute_weather(values: dict[str, Any], home: Path) -> None:
    """Name weather files where they lie."""
    weather = values.get("weather")
    if isinstance(weather, dict):
        for key in ("file", "rain_file"):
            if isinstance(weather.get(key), str):
                weather[key] = os.path.normpath(home / weather[key])


def _fit_timer(timer: dict[str, Any], zones: gpd.GeoDataFrame, city: City) -> None:
    """Leave out valves that the property does not have; take minutes from the zones' column."""
    column = _valve_column(zones, city)
    if column is None:
        return
    valves = column_text(zones, column)
    minutes = city.minutes_column
    if minutes is not None and minutes in zones.columns:
        for key in _PER_VALVE:
            timer.pop(key, None)
        pairs = zip(valves, zones[minutes], strict=True)
        timer["minutes"] = {v: _plain(m) for v, m in pairs if v and not _is_empty(m)}
    for key in _PER_VALVE:
        if isinstance(timer.get(key), dict):
            timer[key] = {v: amount for v, amount in timer[key].items() if v in valves}


def _valve_column(zones: gpd.GeoDataFrame, city: City) -> str | None:
    """Return the column that tells the valves apart: that of the valve, else that of the zone."""
    names = {str(column).strip().lower(): str(column) for column in zones.columns}
    for ours in ("valve", "zone"):
        theirs = city.layers["hydrozones"].columns.get(ours) or names.get(ours)
        if theirs in zones.columns:
            return theirs
    return None


def _layer_table(city: City, written: Mapping[str, str]) -> dict[str, Any]:
    """Return the table [layers]: the files just written, with the columns of the template."""
    given = city.values.get("layers")
    table: dict[str, Any] = {}
    for name, file in written.items():
        own = given.get(name) if isinstance(given, Mapping) else None
        kept = dict(own) if isinstance(own, Mapping) else {}
        kept.pop("layer", None)
        table[name] = {**kept, "file": file}
    for name in RASTER_LAYERS:
        if name in city.layers:
            table[name] = str(city.layers[name].path)
    return table


#: Kind of stray -> rows of a table.
_Find = Callable[[gpd.GeoDataFrame], dict[str, Ints]]


def strays(source: Source, index: Index) -> tuple[str, ...]:
    """Tell which hydrozones, fixtures and cans belong to no property, or to several.

    Result: one note for each layer and kind of stray, with the first features (counted from 1).

    Layers that cannot be read, or not in one CRS, are refused where properties are cut out.
    """
    if not isinstance(source, City) or not index.ids:
        return ()
    try:
        crs = layer_crs(source)
    except InputError:
        return ()

    @functools.cache
    def finder(named: bool) -> _Find:
        return _by_column(source, index, crs) if named else _by_place(source)

    notes: list[str] = []
    for name in OWNED:
        if name not in source.layers:
            continue
        found: dict[str, list[int]] = {}
        first = 1
        for frame in layer_parts(source, name):
            for word, rows in finder(source.owner_column in frame.columns)(frame).items():
                found.setdefault(word, []).extend((rows + first).tolist())
            first += len(frame)
        notes += [
            f"{name} that {word}: {len(rows)} (features {some(rows)} of the layer)"
            for word, rows in found.items()
            if rows
        ]
    return tuple(notes)


def _by_place(city: City) -> _Find:
    """Return what tells the strays of a layer whose features go where they lie."""
    ids, shapes = boundary_shapes(city)
    number = {name: at for at, name in enumerate(sorted({name for name in ids if name}))}
    owner = np.array([number.get(name or "", -1) for name in ids], dtype=np.int64)
    tree = shapely.STRtree(shapes)

    def find(frame: gpd.GeoDataFrame) -> dict[str, Ints]:
        points = shapely.point_on_surface(frame.geometry.to_numpy())
        feature, boundary = tree.query(points, predicate="intersects")
        pairs = np.unique(np.column_stack([feature, owner[boundary]]), axis=0)
        times = np.bincount(pairs[pairs[:, 1] >= 0, 0], minlength=len(frame))
        return {
            "lie in no property (not planned)": np.flatnonzero(times == 0),
            "lie in several properties (planned in each)": np.flatnonzero(times > 1),
        }

    return find


def _by_column(city: City, index: Index, crs: pyproj.CRS) -> _Find:
    """Return what tells the strays of a layer with a column that names the owner."""
    at = {name: row for row, name in enumerate(index.ids)}

    def find(frame: gpd.GeoDataFrame) -> dict[str, Ints]:
        owner = np.array([at.get(name or "", -1) for name in column_text(frame, city.owner_column)])
        known = owner >= 0
        bounds = frame.geometry.bounds.to_numpy(dtype=np.float64)
        home = index.bounds[np.where(known, owner, 0)]
        shaped = np.isfinite(home).all(axis=1) & np.isfinite(bounds).all(axis=1)
        out = (bounds[:, :2] > home[:, 2:]).any(axis=1) | (bounds[:, 2:] < home[:, :2]).any(axis=1)
        far = [
            row
            for row in np.flatnonzero(known & shaped & out)
            if not _within(bounds[row], home[row], reach_in(crs, tuple(home[row]), city.reach_m))
        ]
        return {
            f"name no property in {city.owner_column} (not planned)": np.flatnonzero(~known),
            f"lie more than the reach of {city.reach_m:g} m from their property "
            "(not planned)": np.array(far, dtype=np.int64),
            "have no shape (not planned)": np.flatnonzero(known & ~np.isfinite(bounds).all(axis=1)),
        }

    return find


def _within(bounds: Floats, home: Floats, reach: tuple[float, float]) -> bool:
    """Tell whether bounds touch a window around others."""
    away = np.maximum(bounds[:2] - home[2:], home[:2] - bounds[2:])
    return bool((away <= np.array(reach)).all())


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
