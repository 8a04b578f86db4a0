"""Files of ours: written whole or not at all, under a lock, and known again afterwards.

A file is written as a temporary sibling, flushed to disk, then renamed. What is only needed while
a process runs carries that process and its machine in its name, so that nobody sweeps what another
is still writing. A folder of results lists in ``source.json`` what was written there, with sha256:
only such files are ever replaced or removed.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import json
import os
import platform
import re
import secrets
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

#: In a folder of results: what it was made from, and what was written there.
SOURCE: Final = "source.json"


@contextlib.contextmanager
def atomic_path(target: Path | str) -> Iterator[Path]:
    """Yield a temporary sibling of a file, and put it in the file's place when all went well.

    The sibling is in the same folder (so that the rename cannot cross file systems) and keeps the
    file's ending (so that drivers that look at it work). When the block raises, the target stays
    as it was and the sibling is removed.

    Result: the path to write to; nothing is there yet.

    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with atomic_path(folder / "plan.txt") as path:
    ...     _ = path.write_text("S1", encoding="utf-8")
    >>> [p.name for p in folder.iterdir()]
    ['plan.txt']
    """
    final = Path(target)
    final.parent.mkdir(parents=True, exist_ok=True)
    part = final.with_name(f".siting-{secrets.token_hex(8)}.part{final.suffix}")
    try:
        yield part
        if final.exists():
            part.chmod(final.stat().st_mode & 0o777)
        _to_disk(part)
        part.replace(final)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    flush_folder(final.parent)


def write_bytes(target: Path | str, content: bytes) -> Path:
    """Write bytes to a file, whole or not at all."""
    with atomic_path(target) as path:
        path.write_bytes(content)
    return Path(target)


def write_text(target: Path | str, content: str) -> Path:
    """Write text to a file as UTF-8 with plain line feeds, whole or not at all."""
    return write_bytes(target, content.encode("utf-8"))


def file_digest(path: Path) -> str:
    """Return the sha256 of a file; in hexadecimal; "" where the file cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def _to_disk(path: Path) -> None:
    """Flush a written file to the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Flush the renames in a folder to the disk; not every platform can open a folder."""
    if not hasattr(os, "O_DIRECTORY"):  # pragma: no cover
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with contextlib.suppress(OSError):  # some network file systems refuse
            os.fsync(handle)
    finally:
        os.close(handle)


class LockedError(OSError):
    """Another process holds the lock."""


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold a lock file; the lock goes with the process, however it ends, and so does the file.

    Result: while it is ours.
    """
    import filelock  # noqa: PLC0415 - late: only who writes results needs it

    lock = filelock.FileLock(
        path.resolve(), timeout=0, is_singleton=True, thread_local=False, mode=0o666
    )
    mine = lock.is_locked
    while True:
        before = None if mine else _identity(path, make=True)
        try:
            lock.acquire()
        except filelock.Timeout:
            raise LockedError(str(path)) from None
        # Whoever had it before may have removed the very file that we waited for.
        if mine or before == _identity(path):
            break
        lock.release()
    try:
        yield
    finally:
        if not mine:
            with contextlib.suppress(OSError):  # Windows removes it on release
                path.unlink()
        lock.release()


def _identity(path: Path, *, make: bool = False) -> tuple[int, int] | None:
    """Return what tells a file from another of its name."""
    if make:
        os.close(os.open(path, os.O_RDONLY | os.O_CREAT, 0o666))
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


def _machine() -> str:
    return re.sub(r"[^A-Za-z0-9]+", ".", platform.node())[:40].strip(".") or "here"


def scratch_folder(home: Path, prefix: str) -> Path:
    """Make an empty folder whose name says which process of which machine uses it."""
    return Path(tempfile.mkdtemp(prefix=f"{prefix}{_machine()}-{os.getpid()}-", dir=home))


def sweep_scratch(home: Path, prefix: str) -> None:
    """Remove what processes of this machine left when they were killed; others are left alone."""
    name = re.compile(rf"{re.escape(prefix)}{re.escape(_machine())}-(\d+)-\w+")
    for path in home.iterdir() if home.is_dir() else ():
        found = name.fullmatch(path.name)
        if found and not _alive(int(found[1])):
            shutil.rmtree(path, ignore_errors=True)


def _alive(process: int) -> bool:
    """Tell whether a process of this machine runs; an unclear answer is a yes."""
    if sys.platform == "win32":  # pragma: no cover - os.kill would end it there
        handle = ctypes.windll.kernel32.OpenProcess(0x1000, 0, process)
        if handle:
            ctypes.windll.kernel32.CloseHandle(handle)
        return bool(handle)
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def written_files(folder: Path) -> dict[str, str]:
    """Return what earlier runs wrote into a folder of results and still lies there.

    Result: name -> sha256 when it was written; the file may have been changed since. Links and
    folders are never among them.
    """
    try:
        listed = json.loads((folder / SOURCE).read_text("utf-8"))["files"].items()
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
    kept = {str(name): str(digest) for name, digest in listed}
    return {
        name: digest
        for name, digest in kept.items()
        if (folder / name).is_file()
        and not (folder / name).is_symlink()
        and Path(name).name == name
    }


def is_untouched(folder: Path) -> bool:
    """Tell whether a folder of results holds nothing but what was written there, unchanged.

    Result: False where anything else lies in it: a history, a note, a sheet that was filled in.
    """
    known = written_files(folder)
    return all(
        path.name == SOURCE or known.get(path.name, "") == (file_digest(path) or None)
        for path in folder.iterdir()
    )


def add_styles(path: Path, styles: Mapping[str, str], *, says: str = "") -> None:
    """Add the `layer_styles` table, from which a GIS draws layers, to a GeoPackage without one.

    styles: layer -> its style as the GIS writes it; layers that the file lacks are passed over.
    """
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        base.execute(_TABLE)
        base.execute(_ENTRY, (GEOPACKAGE_STAMP,))
        known = {str(name) for (name,) in base.execute("SELECT table_name FROM gpkg_contents")}
        for name, qml in styles.items():
            if name in known:
                base.execute(_STYLE, (name, name, qml, says, GEOPACKAGE_STAMP))


#: GeoPackages carry a date of change; a fixed one makes the same content the same file.
GEOPACKAGE_STAMP: Final = "2000-01-01T00:00:00.000Z"
_TABLE: Final = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
  styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
  owner TEXT(30), ui TEXT(30), update_time DATETIME)
"""
_ENTRY: Final = (
    "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)"
    " VALUES ('layer_styles', 'attributes', 'layer_styles', 'styles', ?)"
)
_STYLE: Final = (
    "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column,"
    " styleName, styleQML, useAsDefault, description, owner, update_time)"
    " VALUES ('', '', ?, 'geom', ?, ?, 1, ?, '', ?)"
)
