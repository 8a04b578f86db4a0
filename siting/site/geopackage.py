"""Look into a GeoPackage with SQLite itself: counts and indexes that would lose features.

GDAL takes the number of features from a table that other programs let go stale, and readers then
stop early without a word; a stale spatial index hides features from every filtered read.
Where changes wait in a write-ahead log, reading would move them into the user's file, and in a
folder that cannot be written to it would leave them out: then a copy is read.
"""

from __future__ import annotations

import shutil
import sqlite3
import struct
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from siting.limits import limit

__all__ = ["Facts", "is_locked", "layer_facts", "lost_tables", "settled", "waiting_log"]

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

    Parameters
    ----------
    rows : int
        Features in the table.
    counted : int or None
        Features that the file says it has.
    indexed : int or None
        Features in the spatial index.
    shapes : int
        Features with a shape.
    curved : int
        Features whose shape holds arcs.
    """

    rows: int
    counted: int | None
    indexed: int | None
    shapes: int
    curved: int


def layer_facts(path: Path, layer: str) -> Facts | None:
    """Return what a GeoPackage holds of a layer.

    Parameters
    ----------
    path : Path
        The file.
    layer : str
        Name of the table.

    Returns
    -------
    Facts or None
        None when the file is no GeoPackage or SQLite cannot read it; the driver's word then counts.
    """
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as base:
            return _facts(base, layer)
    except (sqlite3.Error, ValueError):
        return None


def is_locked(path: Path) -> bool:
    """Tell whether another program keeps a GeoPackage from being read.

    Drivers would wait minutes for it, and not say so.

    Parameters
    ----------
    path : Path
        Any file, or the folder of a file geodatabase.

    Returns
    -------
    bool
        True where it is still locked after `_PATIENCE` seconds.

    Raises
    ------
    OSError
        When it cannot be opened at all.
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

    Parameters
    ----------
    path : Path
        Any file; it is not changed, nor is its log.

    Yields
    ------
    Path
        The file itself, or a copy of the same name that is gone afterwards.

    Raises
    ------
    OSError
        When another program keeps writing to it, its log is larger than a file of layers may be,
        or it cannot be copied.
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


def lost_tables(path: Path) -> list[str]:
    """Return the layers that a GeoPackage lists and does not hold.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    list of str
        Their names; none when it is no GeoPackage.
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
