"""Open vector layers: what a file is, how many features it holds, and its rows.

GDAL takes the number of features from a table that other programs let go stale, and readers then
stop early without a word; a stale spatial index hides features from every filtered read.
Where changes wait in a write-ahead log, reading would move them into the user's file, and in a
folder that cannot be written to it would leave them out: then a copy is read.

Only the formats of `VECTOR_DRIVERS` and `RASTER_DRIVERS` are meant. A virtual layer or raster (VRT)
or a pipeline file reads other files, near or far, and so never reaches a driver; neither does an
archive, which may unpack to any size, nor XML with entities of its own. A zip with one shapefile in
it is unpacked here, no further than the limit of a file.
"""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import struct
import tempfile
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final, NamedTuple

import geopandas as gpd
import pandas as pd
import pyproj
import shapely

from siting.errors import Fault, Findings, InputError, brief, limit, nearest, some
from siting.site.columns import COLUMNS, Layer, is_osm, match_columns
from siting.site.crs import is_placed
from siting.site.settings import LayerSource

#: Bytes of the envelope in front of a shape, by its code (GeoPackage 1.3, clause 2.1.3).
_ENVELOPE: Final = (0, 32, 48, 48, 64)
#: WKB types of arcs: circular string to multisurface.
_CURVED: Final = frozenset({8, 9, 10, 11, 12})
_SHORT: Final = 8
#: How often a file that changes while it is copied is copied again.
_TRIES: Final = 3
_MB: Final = 1_000_000
#: How long a locked file is waited for [s].
_PATIENCE: Final = 2.0
_HEADER: Final = 80


class Facts(NamedTuple):
    """What a GeoPackage holds of a layer.

    rows: features in the table; counted: features that the file says it has; indexed: features in
    the spatial index; shapes: features with a shape; curved: features whose shape holds arcs.
    """

    rows: int
    counted: int | None
    indexed: int | None
    shapes: int
    curved: int


def _layer_facts(path: Path, layer: str) -> Facts | None:
    """Return what a GeoPackage holds of a layer.

    Returns None when the file is no GeoPackage or SQLite cannot read it, the driver's word then
    counts.
    """
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as base:
            return _facts(base, layer)
    except (sqlite3.Error, ValueError):
        return None


def is_locked(path: Path) -> bool:
    """Tell whether another program keeps a GeoPackage from being read.

    Drivers would wait minutes for it, and not say so.

    Returns True where it is still locked after `_PATIENCE` seconds.
    """
    if path.is_dir():
        return False
    with path.open("rb") as file:
        if file.read(15) != b"SQLite format 3":
            return False
    # A log without its shared index: who wrote it is gone, and asking would make the index anew.
    if waiting_log(path) and not path.with_name(f"{path.name}-shm").exists():
        return False
    try:
        uri = f"{path.resolve().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=_PATIENCE)) as base:
            base.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        return error.sqlite_errorcode & 0xFF in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
    except sqlite3.Error:
        return False
    return False


def waiting_log(path: Path) -> Path | None:
    """Return the write-ahead log that holds changes that are not yet in a file.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    Path or None
        The log beside it; None where there is none, or nothing in it.
    """
    log = path.with_name(f"{path.name}-wal")
    return log if log.is_file() and log.stat().st_size else None


@contextmanager
def settled(path: Path) -> Iterator[Path]:
    """Give a file to read that holds all changes: a copy where some wait in a log.

    Returns the file itself, or a copy of the same name that is gone afterwards.
    """
    log = waiting_log(path)
    if log is None:
        yield path
        return
    if log.stat().st_size > limit("vector_mb") * _MB:
        msg = f"{log.name} is larger than {limit('vector_mb'):,.0f} MB"
        raise OSError(msg)
    with tempfile.TemporaryDirectory(prefix="siting-") as folder:
        if not any(_copied((path, log), Path(folder)) for _ in range(_TRIES)):
            msg = f"{path.name} is being written by another program"
            raise OSError(msg)
        yield Path(folder) / path.name


def _copied(parts: tuple[Path, ...], folder: Path) -> bool:
    """Copy files, and tell whether they stayed as they were meanwhile."""
    before = [_state(part) for part in parts]
    for part in parts:
        if part.exists():
            shutil.copyfile(part, folder / part.name)
        else:  # brought in, and gone
            (folder / part.name).unlink(missing_ok=True)
    return before == [_state(part) for part in parts]


def _state(path: Path) -> tuple[int, int] | None:
    """Return what changes when a file is written to; None where there is none."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_mtime_ns, found.st_size


def _lost_tables(path: Path) -> list[str]:
    """Return the layers that a GeoPackage lists and does not hold.

    Returns their names, none when it is no GeoPackage.
    """
    query = (
        "SELECT table_name FROM gpkg_contents WHERE data_type = 'features' AND lower(table_name) "
        "NOT IN (SELECT lower(name) FROM sqlite_master) ORDER BY table_name"
    )
    try:
        with path.open("rb") as file:
            if file.read(15) != b"SQLite format 3":
                return []
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as base:
            return [str(name) for (name,) in base.execute(query)]
    except (OSError, sqlite3.Error):
        return []


def _facts(base: sqlite3.Connection, layer: str) -> Facts | None:
    found = base.execute(
        "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)
    ).fetchone()
    if found is None:
        return None
    table, shape = _quoted(layer), _quoted(str(found[0]))
    rows, shapes = base.execute(f"SELECT count(*), count({shape}) FROM {table}").fetchone()  # noqa: S608
    heads = base.execute(
        f"SELECT substr({shape}, 1, {_HEADER}) FROM {table} WHERE {shape} IS NOT NULL"  # noqa: S608
    )
    curved = sum(_is_curved(head) for (head,) in heads)
    counted = _one(base, "SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = ?", layer)
    index = _quoted(f"rtree_{layer}_{found[0]}")
    indexed = _one(base, f"SELECT count(*) FROM {index}")  # noqa: S608
    return Facts(int(rows), counted, indexed, int(shapes), curved)


def _quoted(name: str) -> str:
    """Return a name as SQL writes one, so that it is never taken for a statement."""
    return '"' + name.replace('"', '""') + '"'


def _one(base: sqlite3.Connection, query: str, *values: str) -> int | None:
    """Return a number, or None where the file has no such table or row."""
    try:
        row = base.execute(query, values).fetchone()
    except sqlite3.Error:
        return None
    return None if row is None or row[0] is None else int(row[0])


def _is_curved(head: object) -> bool:
    """Return whether a shape's own type is one of arcs."""
    if not isinstance(head, bytes) or len(head) < _SHORT:
        return False
    code = (head[3] >> 1) & 7
    start = _SHORT + (_ENVELOPE[code] if code < len(_ENVELOPE) else 0)
    if len(head) < start + 5:
        return False
    order = "<" if head[start] else ">"
    kind = int(struct.unpack_from(f"{order}I", head, start + 1)[0])
    return (kind & 0xFFFF) % 1000 in _CURVED


#: Drivers that may read a layer -> its format in words.
VECTOR_DRIVERS: Final = {
    "GPKG": "GeoPackage",
    "ESRI Shapefile": "shapefile",
    "FlatGeobuf": "FlatGeobuf",
    "GeoJSON": "GeoJSON",
    "GeoJSONSeq": "GeoJSON",
    "OpenFileGDB": "file geodatabase",
    "KML": "KML",
    "LIBKML": "KML",
    "GPX": "GPX",
}
#: First bytes of a raster -> the only driver that may read it.
RASTER_DRIVERS: Final = (
    (b"II*\0", "GTiff"),
    (b"MM\0*", "GTiff"),
    (b"II+\0", "GTiff"),
    (b"MM\0+", "GTiff"),
    (b"EHFA_HEADER_TAG", "HFA"),
    (b"\0\0\0\x0cjP  ", "JP2OpenJPEG"),
    (b"\x89PNG", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"ncols", "AAIGrid"),
    (b"NCOLS", "AAIGrid"),
)
_HEAD: Final = 4096
#: The member of a GeoJSON that the drawing page saved: its features say their layer each.
DRAWING: Final = "siting_drawing"
_PROLOG: Final = 1_000_000
_EXPORT: Final = "Export it as a GeoPackage."
_UNPACK: Final = "Unpack it, and name the file within."
#: First bytes -> what the file is, and how to mend it.
_STARTS: Final = (
    (b"PK\x03\x04", "a zip archive", _UNPACK),
    (b"\x1f\x8b", "a file packed with gzip", _UNPACK),
    (b"7z\xbc\xaf", "a 7z archive", _UNPACK),
    (b"version https://git-lfs", "a pointer to a file in a large-file store", "Fetch the file."),
    (b"\x89PNG", "a PNG picture", _EXPORT),
    (b"\xff\xd8\xff", "a JPEG picture", _EXPORT),
    (b"II*\0", "a TIFF raster", _EXPORT),
    (b"MM\0*", "a TIFF raster", _EXPORT),
    (b"II+\0", "a TIFF raster", _EXPORT),
    (b"%PDF", "a PDF", _EXPORT),
    (b"\xff\xfe", "a text in UTF-16", "Save it in UTF-8."),
    (b"\xfe\xff", "a text in UTF-16", "Save it in UTF-8."),
)
_SHAPEFILE: Final = b"\x00\x00\x27\x0a"
_OURS: Final = (b"SQLite format 3\0", b"fgb", _SHAPEFILE)
_BLANK: Final = b"\xef\xbb\xbf \t\r\n\x1e"


class Refusal(NamedTuple):
    """What a file was found to be, and how to mend that.

    found: what the file is; mend: what to do.
    """

    found: str
    mend: str


#: Of any file that the system does not let us open.
MAY_NOT: Final = Refusal(
    "a file that may not be read (permission)",
    "Allow it to be read, and close it in other programs.",
)


def _refuse_vector(path: Path, *, whole: bool = True) -> Refusal | None:
    """Return why a file cannot be a layer, or None when a driver may open it.

    whole: whether all of it is to be read, so that its size counts. Returns None when its first
    bytes are those of a format that is meant.
    """
    if path.is_dir():
        return None if path.suffix.lower() == ".gdb" else Refusal("a folder", "Name a file.")
    basic = _size(path, "vector_mb" if whole else "")
    if basic is not None:
        return basic
    head = _read_bytes(path, _HEAD)
    if head.startswith(_OURS):
        return _sidecars(path) if head.startswith(_SHAPEFILE) else None
    return _known(head) or _text(path, head.lstrip(_BLANK))


def _text(path: Path, text: bytes) -> Refusal | None:
    """Return why a text cannot be a layer."""
    if text.startswith((b"{", b"[")):
        piped = b"gdal_streamed_alg" in _read_bytes(path, _PROLOG)
        found = "a virtual layer: a pipeline that reads other files"
        return Refusal(found, _EXPORT) if piped else None
    if text.startswith(b"<"):
        return _xml(_read_bytes(path, _PROLOG))
    table = path.suffix.lower() in {".csv", ".txt"}
    kind = "a table without geometry (CSV)" if table else "a file of another kind"
    return Refusal(f"{kind} that cannot be read as a layer, no GeoPackage", _EXPORT)


def raster_driver(path: Path) -> str | Refusal:
    """Return the only driver that may open a raster, or why none may; by its first bytes."""
    if path.is_dir():
        return Refusal("a folder", "Name a file.")
    try:
        head = _read_bytes(path, _HEAD)
    except PermissionError:
        return MAY_NOT
    if not head:
        return Refusal("an empty file", "Export it again.")
    text = head.lstrip(_BLANK)
    if text.startswith((b"<", b"{", b"[")):
        found = "a virtual raster or another text that names other files"
        return Refusal(found, "Export it as a GeoTIFF.")
    driver = next((name for start, name in RASTER_DRIVERS if head.startswith(start)), None)
    found = "a file that cannot be read as a raster"
    return driver or _known(head) or Refusal(found, "Export it again as a GeoTIFF.")


def _size(path: Path, key: str) -> Refusal | None:
    size = path.stat().st_size
    if size == 0:
        return Refusal("an empty file", "Export it again.")
    if key and size > limit(key) * _MB:
        found = f"a file of {size / _MB:,.0f} MB (at most {limit(key):,.0f} MB)"
        return Refusal(found, "Clip the layer to the property and what stands around it.")
    return None


def _read_bytes(path: Path, most: int) -> bytes:
    with path.open("rb") as file:
        return file.read(most)


def _known(head: bytes) -> Refusal | None:
    """Return what the first bytes show, when it is none of the formats that are meant."""
    return next(
        (Refusal(found, mend) for start, found, mend in _STARTS if head.startswith(start)), None
    )


def _xml(text: bytes) -> Refusal | None:
    """Return why an XML file is refused: only KML and GPX without entities are read."""
    low = text[:_HEAD].lower()
    if b"<html" in low or b"<!doctype html" in low:
        return Refusal("a web page", "Download the file itself.")
    if b"<ogrvrt" in low or b"<vrtdataset" in low:
        return Refusal("a virtual layer (VRT), which reads other files", _EXPORT)
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        return Refusal("XML with a DOCTYPE or entities of its own", _EXPORT)
    if b"<NetworkLink" in text:
        return Refusal("KML that links to a network address", _EXPORT)
    if b"<kml" in low or b"<gpx" in low:
        return None
    return Refusal("XML that is neither KML nor GPX", _EXPORT)


def _sidecars(path: Path) -> Refusal | None:
    """Return which of a shapefile's other files is missing."""
    lost = [s for s in (".dbf", ".shx") if not _beside(path, s)]
    if not lost:
        return None
    names = " and ".join(path.with_suffix(s).name for s in lost)
    return Refusal(f"a shapefile whose {names} is missing", "Copy all files of the shapefile.")


def _beside(path: Path, suffix: str) -> bool:
    return any(path.with_suffix(s).is_file() for s in (suffix, suffix.upper()))


def _gdal() -> Any:  # noqa: ANN401 - pyogrio is not typed
    """Return the reader, loaded with the first file: `siting.plan` need not wait for it."""
    import pyogrio  # noqa: PLC0415

    return pyogrio


#: What drivers and the makers of shapes fail with; every error of pyogrio is a RuntimeError.
_UNREAD: Final = (shapely.errors.ShapelyError, RuntimeError, ValueError, ArithmeticError)


def file_label(path: Path, folder: Path) -> str:
    """Return a file's name for messages: relative to the property's folder where it lies in it."""
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name


def empty_layer(name: str, source: LayerSource | None = None, file: str = "") -> Layer:
    """Return a layer without features."""
    return Layer(name, file, source or LayerSource(Path()), _no_features(), {})


@lru_cache
def _no_features() -> gpd.GeoDataFrame:
    """Return a frame without features, not to be changed."""
    frame = gpd.GeoDataFrame(geometry=[], crs=None)
    frame.index = frame.index.astype(object)
    return frame


def open_layer(name: str, source: LayerSource, folder: Path, findings: Findings) -> Layer | None:
    """Read one layer as it stands in its file.

    Parameters
    ----------
    name : str
        One of the vector layers.
    source : LayerSource
        Where it is read from.
    folder : Path
        The property file's folder, for messages.
    findings : Findings
        Where faults are noted: unreadable file, missing layer, no CRS, no geometry, columns.

    Returns
    -------
    Layer or None
        In the file's own CRS; None when it cannot be read, an empty layer when it may be absent
        and is.
    """
    file = file_label(source.path, folder)
    if source.path.suffix.lower() in _PARQUET or _has_wkt(source.path):
        return _opened_table(name, file, source, findings)
    try:
        packed = _shapefile_in(source.path)
        if packed:
            with tempfile.TemporaryDirectory(prefix="siting-") as scratch:
                shape = _unpacked(source.path, packed, Path(scratch))
                frame = open_layer(name, replace(source, path=shape), shape.parent, findings)
            return frame and replace(frame, file=file, source=source)
        refusal = _refuse_vector(source.path)
        if refusal is None and is_locked(source.path):
            found = "a file that another program keeps locked"
            refusal = Refusal(found, "Close it in the other program, or copy the file.")
        if refusal is not None:
            _refuse(name, file, *refusal, findings)
            return None
        _note_open(file, source.path, findings)
        with settled(source.path) as path:
            return _opened(name, file, source, path, findings)
    except PermissionError:
        _refuse(name, file, *MAY_NOT, findings)
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        _refuse(name, file, found, "Close it in other programs.", findings)
    return None


def _opened(
    name: str, file: str, source: LayerSource, path: Path, findings: Findings
) -> Layer | None:
    """Read one layer from a file that is complete."""
    try:
        lost, inside = _listed(path, _state(path))
        if lost:
            found = f"a GeoPackage that lists {some(lost)} without holding it"
            _refuse(name, file, found, "Export it again.", findings)
            return None
        with warnings.catch_warnings():
            # Oddities of layers that are not ours.
            warnings.simplefilter("ignore")
            chosen = _choose(name, file, source, inside, findings)
            if chosen is None:
                return empty_layer(name, source, file) if source.optional else None
            frame = _read(name, file, path, chosen, findings)
    except _UNREAD as error:
        _refuse(name, file, *_unread(error, path), findings)
        return None
    if frame is None:
        return None
    if is_drawing(source.path):
        # Always in metres, whatever the property file says of other layers.
        units = {c.name: "m" for c in COLUMNS[name] if c.kind == "length"}
        source = replace(source, length_unit="m", column_units=units, unit_stated=True)
        if frame.empty:
            return empty_layer(name, source, file)
    return _check(Layer(name, file, source, frame, {}), chosen, findings)


@lru_cache(maxsize=4)
def _listed(
    path: Path,
    state: tuple[int, int] | None,  # noqa: ARG001 - part of what is kept by
) -> tuple[list[str], list[str]]:
    """Return the layers that a file in this state lists without holding them, and those it holds.

    Kept, since eleven layers ask it of one file.
    """
    lost = _lost_tables(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return lost, [] if lost else [str(row[0]) for row in _gdal().list_layers(path)]


def _refuse(name: str, file: str, found: str, mend: str, findings: Findings) -> None:
    """Note a file that cannot be read, once, however many layers it should hold."""
    if not any(f.file == file and f.found == found for f in findings.faults):
        allowed = "a GeoPackage, shapefile, GeoJSON or FlatGeobuf"
        findings.faults.append(Fault(file, found, allowed, mend, name))


def _unread(error: Exception, path: Path) -> tuple[str, str]:
    """Say why a file cannot be read, and how to mend it."""
    journal = path.with_name(f"{path.name}-journal")
    if journal.is_file() and journal.stat().st_size:
        found = f"a file that was being written to: {journal.name} lies beside it"
        return found, "Open it in the program that wrote it, which mends it, and close it there."
    if isinstance(error, shapely.errors.ShapelyError):
        found = f"a shape that cannot be read ({_reason(error, path)})"
        return found, "Close every ring, as polygons need, or export the layer from a GIS again."
    return f"a file that cannot be read ({_reason(error, path)})", "Export it again."


def _reason(error: Exception, path: Path) -> str:
    """Return a driver's words without the folders of this machine."""
    said = (str(error).splitlines() or [type(error).__name__])[0]
    said = said.replace(str(path), path.name).split("; It might help")[0]
    return brief(said.replace(str(path.parent), "..."), most=160)


def _choose(
    name: str, file: str, source: LayerSource, inside: list[str], findings: Findings
) -> str | None:
    """Return the layer to read: the one named, the only one, or the one under our name."""
    wanted = source.layer or name
    chosen = _meant(name, source, inside)
    if chosen is not None:
        return chosen
    if source.optional:
        # A layer under a name much like ours is hardly meant to be left out.
        free = [layer for layer in inside if layer.lower() not in COLUMNS]
        if near := nearest(wanted, free, cutoff=0.8):
            findings.warn(f'{file}: layer "{near}" was not read; is it meant to be "{wanted}"?')
        return None
    _note_missing(name, file, wanted, inside, findings)
    return None


def _meant(name: str, source: LayerSource, inside: list[str]) -> str | None:
    """Return the layer that is meant, without a word where there is none."""
    if len(inside) == 1 and (source.layer is None or is_drawing(source.path)):
        return inside[0]
    wanted = source.layer or name
    loose = [layer for layer in inside if layer.strip().lower() == wanted.lower()]
    return wanted if wanted in inside else next(iter(loose), None)


def _note_missing(name: str, file: str, wanted: str, inside: list[str], findings: Findings) -> None:
    near = nearest(wanted, inside)
    listed = ", ".join(f'"{layer}"' for layer in inside) or "none"
    mend = f'Did you mean "{near}"?' if near else f'Add it, or write {name} = "file:layer".'
    fault = Fault(file, f'no layer "{wanted}"', f"the file's layers: {listed}", mend, name)
    findings.faults.append(fault)


def _read(
    name: str, file: str, path: Path, layer: str, findings: Findings
) -> gpd.GeoDataFrame | None:
    """Read a layer whole: not by the count or the index that the file claims."""
    info = _gdal().read_info(path, layer=layer)
    driver = str(info["driver"])
    if driver not in VECTOR_DRIVERS:
        found = f"a file that only the driver {driver} reads, no GeoPackage"
        _refuse(name, file, found, "Export it as a GeoPackage.", findings)
        return None
    if path.suffix.lower() == ".gpkg" and driver != "GPKG":
        findings.warn(f"{file} is no GeoPackage but {VECTOR_DRIVERS[driver]}; read as that.")
    facts = _layer_facts(path, layer) if driver == "GPKG" else None
    count = facts.rows if facts else int(info["features"])
    if count > limit("features"):
        found = f"{count:,} features (at most {limit('features'):,.0f})"
        _refuse(name, file, found, "Clip the layer to the property and its neighbours.", findings)
        return None
    # A filter has the driver count the rows itself, where a GeoPackage's own count may be stale.
    where = "1 = 1" if driver == "GPKG" else None
    frame = _gdal().read_dataframe(path, layer=layer, fid_as_index=True, where=where)
    for field, dtype in zip(info["fields"], info["dtypes"], strict=True):
        if dtype == "object" and frame[field].dtype.kind in "fi":
            # The driver took texts for numbers.
            frame[field] = frame[field].astype(object)
    if driver == "GeoJSON" and is_drawing(path):
        frame = _of_drawing(frame, name)
    _compare(name, file, path, frame, facts, findings)
    if "Curve" in str(info["geometry_type"]) or (facts and facts.curved):
        many = facts.curved if facts and facts.curved else len(frame)
        findings.warn(f"{file}, {name}: arcs in {many} shapes were taken as short straight edges.")
    return frame


def is_drawing(path: Path) -> bool:
    """Tell whether a file is one that the drawing page saved, all layers in one.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    bool
        By its first bytes.
    """
    return path.is_file() and f'"{DRAWING}"'.encode() in _read_bytes(path, _HEAD)


def _of_drawing(frame: gpd.GeoDataFrame, name: str) -> gpd.GeoDataFrame:
    """Return the rows of one layer of a drawing, with the columns in which something was told."""
    if "layer" not in frame:
        return frame.iloc[:0]
    known = {column.name for column in COLUMNS[name]}
    rows = frame[frame["layer"] == name]
    told = [c for c in rows if c == rows.geometry.name or (c in known and rows[c].notna().any())]
    return rows[told]


def _compare(
    name: str,
    file: str,
    path: Path,
    frame: gpd.GeoDataFrame,
    facts: Facts | None,
    findings: Findings,
) -> None:
    """Note where a file's count, index or sidecars contradict what was read."""
    if path.suffix.lower() == ".shp":
        _compare_rows(name, file, path, findings)
    if facts is None:
        return
    if facts.rows != len(frame):
        found = f"{facts.rows} rows, of which {len(frame)} can be read"
        _refuse(name, file, found, "Export it again.", findings)
    if facts.counted is not None and facts.counted != facts.rows:
        findings.warn(
            f"{file}, {name}: the file counts {facts.counted} features and holds {facts.rows}; "
            "all were read."
        )
    if facts.indexed is not None and facts.indexed != facts.shapes:
        findings.warn(
            f"{file}, {name}: its spatial index has {facts.indexed} of {facts.shapes} shapes; it "
            "was not used, and all were read. Other programs may lose some: rebuild it."
        )


def _note_open(file: str, path: Path, findings: Findings) -> None:
    """Say that a GeoPackage is still open elsewhere."""
    log = waiting_log(path)
    if log is not None:
        findings.warn(
            f"{file} is perhaps still open in a GIS: {log.name} holds changes that are not yet in "
            "the file; they were read as they stand. Close it, and check again."
        )


def _compare_rows(name: str, file: str, path: Path, findings: Findings) -> None:
    """Note a shapefile whose table has other rows than its shapes."""
    table = next(p for p in (path.with_suffix(s) for s in (".dbf", ".DBF")) if p.is_file())
    index = next(p for p in (path.with_suffix(s) for s in (".shx", ".SHX")) if p.is_file())
    with table.open("rb") as handle:
        rows = int.from_bytes(handle.read(8)[4:8], "little")
    shapes = (index.stat().st_size - 100) // 8
    if rows != shapes:
        found = f"{rows} rows in {table.name} and {shapes} shapes in {path.name}"
        _refuse(name, file, found, "Copy all files of one shapefile.", findings)


def _check(layer: Layer, chosen: str, findings: Findings) -> Layer | None:
    """Check geometry column and CRS, and match the columns."""
    frame, source = layer.frame, layer.source
    if _frame_lacks_crs(frame) and source.crs:
        try:
            frame = frame.set_crs(source.crs)
        except pyproj.exceptions.CRSError:
            mend = 'Write an authority code, as in crs = "EPSG:2236".'
            layer.fault(findings, f'crs = "{brief(source.crs)}"', "a CRS that is known", mend)
            return None
    if not isinstance(frame, gpd.GeoDataFrame):
        layer.fault(
            findings, f'a table without geometry ("{chosen}")', "a layer", "Choose another layer."
        )
        return None
    if frame.crs is None:
        layer.fault(
            findings,
            "no coordinate reference system",
            "a layer that says its CRS",
            "Assign the CRS in which it was drawn, in the GIS.",
        )
    elif not is_placed(frame.crs):
        layer.fault(
            findings,
            f"the CRS {brief(frame.crs.name)}, which has no place on the earth",
            "a geographic or projected CRS",
            "Assign the CRS in which it was drawn, or georeference it, in the GIS.",
        )
        frame = frame.set_crs(None, allow_override=True)
    vertices = int(shapely.get_num_coordinates(frame.geometry.to_numpy()).sum())
    if vertices > limit("vertices"):
        found = f"{vertices:,} vertices (at most {limit('vertices'):,.0f})"
        layer.fault(findings, found, "shapes drawn for a plan", "Simplify or clip the layer.")
        return None
    headers = [str(column) for column in frame.columns if column != frame.geometry.name]
    if is_osm(headers):
        findings.warn(
            f"{layer.file}, {layer.name}: tags of OpenStreetMap; numbers written as text are read, "
            "and lengths without a unit are in metres, as its rules say."
        )
        source = replace(source, text_numbers=True, length_unit="m", unit_stated=True)
    columns = match_columns(layer.name, layer.file, headers, source, findings)
    frame = frame.rename_geometry("geometry") if frame.geometry.name != "geometry" else frame
    frame.index = frame.index.map(str).astype(object)
    return Layer(layer.name, layer.file, source, frame, columns)


def _frame_lacks_crs(frame: Any) -> bool:  # noqa: ANN401 - a table may have no shapes
    """Tell whether a layer has shapes and does not say where they are."""
    return isinstance(frame, gpd.GeoDataFrame) and frame.crs is None


#: A table's column of shapes, by its header in lower case.
_WKT: Final = frozenset({"wkt", "geometry", "geom", "the_geom", "wkt_geom"})
_TABLES: Final = frozenset({".csv", ".tsv", ".txt"})
#: The files of a shapefile that are unpacked.
_OF_A_SHAPEFILE: Final = frozenset({".shp", ".shx", ".dbf", ".prj", ".cpg"})


def _wkt_column(headers: Iterable[str]) -> str | None:
    """Return the column that holds shapes as text."""
    return next((h for h in headers if h.strip().lower() in _WKT), None)


def _has_wkt(path: Path) -> bool:
    """Tell whether a file is a table of text with a column of shapes, by its first line."""
    if path.suffix.lower() not in _TABLES or not path.is_file():
        return False
    try:
        line = _read_bytes(path, _HEAD).decode("utf-8-sig", "replace").split("\n")[0]
    except OSError:
        return False
    return _wkt_column(part.strip("\"' \r") for part in re.split("[,;\t|]", line)) is not None


def _opened_table(name: str, file: str, source: LayerSource, findings: Findings) -> Layer | None:
    """Read a layer from GeoParquet, or from a table of text with shapes as WKT."""
    path = source.path
    parquet = path.suffix.lower() in _PARQUET
    try:
        refusal = _refuse_table(path)
        if refusal is None:
            frame = gpd.read_parquet(path) if parquet else _read_wkt(path)
    except PermissionError:
        refusal = MAY_NOT
    except (*_UNREAD, OSError, TypeError, KeyError) as error:
        refusal = Refusal(*_unread(error, path))
    if refusal is not None:
        _refuse(name, file, *refusal, findings)
        return None
    if _frame_lacks_crs(frame) and not source.crs and not parquet:
        found, allowed = "a table with shapes that does not say their CRS", "a key crs beside it"
        mend = f'Write {name} = {{ file = "{file}", crs = "EPSG:..." }} under [layers].'
        findings.faults.append(Fault(file, found, allowed, mend, name))
        return None
    return _check(Layer(name, file, source, frame, {}), name, findings)


def _refuse_table(path: Path) -> Refusal | None:
    """Return why a GeoParquet file or a table of text is not read."""
    refusal = _size(path, "vector_mb")
    if refusal is not None:
        return refusal
    if path.suffix.lower() in _PARQUET:
        if find_spec("pyarrow") is None:
            mend = 'Install what reads it, pip install "siting[notebook]", or export a GeoPackage.'
            return Refusal("GeoParquet, and no pyarrow to read it", mend)
        rows = _parquet_count(path)
    else:
        with path.open("rb") as lines:
            rows = sum(1 for _ in lines) - 1
    if rows > limit("features"):
        found = f"{rows:,} features (at most {limit('features'):,.0f})"
        return Refusal(found, "Clip the layer to the property and its neighbours.")
    return None


def _parquet_count(path: Path) -> int:
    import pyarrow.parquet as pq  # noqa: PLC0415 - only where a file asks for it

    return int(pq.read_metadata(path).num_rows)


def _read_wkt(path: Path) -> gpd.GeoDataFrame:
    """Read a table of text; what holds shapes becomes the geometry, without a CRS."""
    table = pd.read_csv(path, sep=None, engine="python", encoding="utf-8-sig")
    column = _wkt_column(map(str, table.columns))
    if column is None:
        msg = "no column of shapes (WKT)"
        raise ValueError(msg)
    shapes = shapely.from_wkt(table[column].to_numpy(dtype=object))
    return gpd.GeoDataFrame(table.drop(columns=column), geometry=shapes, crs=None)


def _shapefile_in(path: Path) -> list[str]:
    """Return the files of the one shapefile that a zip archive holds; none in all other cases."""
    if path.suffix.lower() != ".zip" or not path.is_file():
        return []
    try:
        with zipfile.ZipFile(path) as packed:
            inside = [item for item in packed.infolist() if not item.is_dir()]
    except (zipfile.BadZipFile, OSError):
        return []
    shapes = [item.filename for item in inside if item.filename.lower().endswith(".shp")]
    kept = [i for i in inside if Path(i.filename).suffix.lower() in _OF_A_SHAPEFILE]
    too_much = sum(item.file_size for item in kept) > limit("vector_mb") * _MB
    if len(shapes) != 1 or too_much:
        return []
    stem = shapes[0][: -len(".shp")]
    return [i.filename for i in kept if i.filename[: -len(".shp")] == stem]


def _unpacked(path: Path, names: list[str], folder: Path) -> Path:
    """Unpack the files of a shapefile, under names of our own."""
    most = int(limit("vector_mb") * _MB)
    with zipfile.ZipFile(path) as packed:
        for name in names:
            # What an archive says of sizes need not hold.
            with packed.open(name) as inside:
                content = inside.read(most + 1)
            if len(content) > most:
                msg = "an archive that unpacks to too much"
                raise OSError(msg)
            (folder / f"{path.stem}{Path(name).suffix.lower()}").write_bytes(content)
    return folder / f"{path.stem}.shp"


Bounds = tuple[float, float, float, float]
_PARQUET: Final = frozenset({".parquet", ".geoparquet"})


class LayerPart:
    """A layer of many properties, read in parts: its columns, its CRS, the rows of a window.

    source: where it is; name: which of our layers. Whatever keeps it from being read is one
    `InputError`: here too no driver opens a file that may lead to others.
    """

    def __init__(self, source: LayerSource, name: str) -> None:
        self.source, self.name, self.path = source, name, source.path
        self.parquet = self.path.suffix.lower() in _PARQUET

    def columns(self) -> list[str]:
        """Return the names of its columns."""
        with self._readable():
            if self.parquet:
                return [str(column) for column in _parquet_schema(self.path).names]
            return [str(field) for field in self._info()["fields"]]

    def crs(self) -> Any:  # noqa: ANN401 - as the file has it
        """Return what the file says of its CRS, None where it says nothing."""
        with self._readable():
            if self.parquet:
                # Without the key it is longitude and latitude, says GeoParquet 1.1.
                return _geo_column(self.path).get("crs", "OGC:CRS84")
            return self._info()["crs"]

    def read_whole(self) -> bool:
        """Tell whether all of it is read for every window."""
        try:
            with self._readable():
                return self.parquet and "covering" not in _geo_column(self.path)
        except InputError:
            return False  # told as a fault, by what reads it

    def read(
        self,
        *,
        bounds: Bounds | None = None,
        columns: list[str] | None = None,
        geometry: bool = True,
        rows: tuple[int, int | None] = (0, None),
    ) -> Any:  # noqa: ANN401 - a table without geometry is a DataFrame
        """Read what touches a window, or some rows: the first of them, and how many."""
        with self._readable():
            if self.parquet:
                return _parquet_rows(self.path, bounds)
            return _gdal().read_dataframe(
                self.path,
                layer=self._chosen(),
                bbox=bounds,
                columns=columns,
                read_geometry=geometry,
                skip_features=rows[0],
                max_features=rows[1],
            )

    @contextmanager
    def _readable(self) -> Iterator[None]:
        """Refuse what no driver may open, and turn what reading fails with into words."""
        refusal = None
        if not self.parquet and self.path.exists():
            refusal = _refuse_vector(self.path, whole=False)
        try:
            if refusal is None:
                with warnings.catch_warnings():
                    # Oddities of single fields, which are checked later.
                    warnings.simplefilter("ignore")
                    yield
        except (*_UNREAD, OSError) as error:
            said = str(error).splitlines()[0].replace(str(self.path), self.path.name)
            refusal = Refusal(said, "Correct the name of the file or the layer.")
        if refusal is not None:
            fault = Fault(self.path.name, refusal.found, "a layer", refusal.mend, layer=self.name)
            raise InputError([fault])

    def _info(self) -> dict[str, Any]:
        return dict(_gdal().read_info(self.path, layer=self._chosen()))

    def _chosen(self) -> str:
        """Return the layer to read; under our name where there are several, or there is none."""
        inside = _held(self.path, _state(self.path))
        return _meant(self.name, self.source, list(inside)) or self.source.layer or self.name


@lru_cache(maxsize=4)
def _held(
    path: Path,
    state: tuple[int, int] | None,  # noqa: ARG001 - part of what is kept by
) -> tuple[str, ...]:
    """Return the layers of a file in this state; kept, since every window asks for each of them."""
    return tuple(str(row[0]) for row in _gdal().list_layers(path))


def _parquet_schema(path: Path) -> Any:  # noqa: ANN401 - pyarrow is not typed
    import pyarrow.parquet as pq  # noqa: PLC0415 - only where a file asks for it

    return pq.read_schema(path)


def _geo_column(path: Path) -> dict[str, Any]:
    """Return what a GeoParquet file says of its geometry, without reading any."""
    meta = _parquet_schema(path).metadata or {}
    try:
        geo = json.loads(meta[b"geo"])
        return dict(geo["columns"][geo["primary_column"]])
    except (KeyError, TypeError, ValueError) as error:
        msg = "no GeoParquet: it does not say which column holds the shapes"
        raise ValueError(msg) from error


def _parquet_rows(path: Path, bounds: Bounds | None) -> gpd.GeoDataFrame:
    """Read a window of a GeoParquet file: by its bbox covering, or whole where it has none."""
    if bounds is None:
        return gpd.read_parquet(path)
    try:
        return gpd.read_parquet(path, bbox=bounds)
    except ValueError:
        return gpd.read_parquet(path).cx[bounds[0] : bounds[2], bounds[1] : bounds[3]]
