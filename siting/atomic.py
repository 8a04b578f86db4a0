"""Write a file whole or not at all: a temporary sibling, flushed to disk, then renamed."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

__all__ = ["atomic_path", "file_digest", "flush_folder", "write_bytes", "write_text"]


@contextlib.contextmanager
def atomic_path(target: Path | str) -> Iterator[Path]:
    """Yield a temporary sibling of a file, and put it in the file's place when all went well.

    The sibling is in the same folder (so that the rename cannot cross file systems) and keeps the
    file's ending (so that drivers that look at it work). When the block raises, the target stays
    as it was and the sibling is removed.

    Parameters
    ----------
    target : Path or str
        The file to write; its folder is made when it is missing.

    Yields
    ------
    Path
        The path to write to; nothing is there yet.

    Raises
    ------
    FileNotFoundError
        When the block wrote nothing there.

    Examples
    --------
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
    """Write bytes to a file, whole or not at all.

    Parameters
    ----------
    target : Path or str
        The file.
    content : bytes
        All of it.

    Returns
    -------
    Path
        The file.
    """
    with atomic_path(target) as path:
        path.write_bytes(content)
    return Path(target)


def write_text(target: Path | str, content: str) -> Path:
    """Write text to a file as UTF-8 with plain line feeds, whole or not at all.

    Parameters
    ----------
    target : Path or str
        The file.
    content : str
        All of it.

    Returns
    -------
    Path
        The file.
    """
    return write_bytes(target, content.encode("utf-8"))


def file_digest(path: Path) -> str:
    """Return the sha256 of a file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        In hexadecimal; "" where the file cannot be read.
    """
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def _to_disk(path: Path) -> None:
    """Flush a written file to the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Flush the renames in a folder to the disk; not every platform can open a folder.

    Parameters
    ----------
    folder : Path
        The folder.
    """
    if not hasattr(os, "O_DIRECTORY"):  # pragma: no cover
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with contextlib.suppress(OSError):  # some network file systems refuse
            os.fsync(handle)
    finally:
        os.close(handle)
