"""One folder of results: the old or the new, always whole, whatever happens in between."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import filelock

from siting.atomic import flush_folder
from siting.errors import SitingError

__all__ = ["OPTIONAL", "new_results", "results_lock"]

#: Results that a run writes only when asked; an older one must not stand beside newer results.
OPTIONAL: Final = ("map-online.html", "plan.dxf")

#: What a file system answers that cannot exchange two folders.
_CANNOT: Final = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EXDEV, errno.EBUSY, errno.EPERM}
_AT_FDCWD: Final = -100
_EXCHANGE: Final = 2


@contextlib.contextmanager
def results_lock(folder: Path | str) -> Iterator[None]:
    """Keep a folder of results for this run; the lock goes with the process, however it ends.

    Parameters
    ----------
    folder : Path or str
        The folder of results; it need not exist.

    Yields
    ------
    None
        While the folder is ours.

    Raises
    ------
    SitingError
        When another run on this machine holds it.
    """
    place = Path(folder).resolve()
    key = hashlib.sha256(str(place).encode("utf-8", "surrogateescape")).hexdigest()[:24]
    lock = filelock.FileLock(
        Path(tempfile.gettempdir()) / f"siting-{key}.lock",
        timeout=0,
        is_singleton=True,
        thread_local=False,
        mode=0o666,
    )
    try:
        lock.acquire()
    except filelock.Timeout:
        msg = f"another run is writing to {folder}; wait for it, or give another folder with --out"
        raise SitingError(msg) from None
    except OSError:  # no place for a lock: the exchange below still keeps results whole
        yield
        return
    try:
        yield
    finally:
        lock.release()


@contextlib.contextmanager
def new_results(folder: Path | str) -> Iterator[Path]:
    """Yield an empty scratch folder, and put what was written there in the place of old results.

    The folder is exchanged as a whole where the system can do that in one step (Linux, macOS):
    whoever looks sees the old results or the new, never some of each, even after a crash. Files
    that are not results are carried over. Elsewhere the files are renamed one by one, plan.json
    last.

    Parameters
    ----------
    folder : Path or str
        Made if need be.

    Yields
    ------
    Path
        Where to write.

    Raises
    ------
    OSError
        When it cannot be written; the old results are then as they were.
    """
    target = Path(folder).resolve()
    target.parent.mkdir(parents=True, exist_ok=True)
    _sweep(target)
    scratch = _scratch(target)
    try:
        yield scratch
        _publish(scratch, target)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _prefix(target: Path) -> str:
    return f".{target.name}-new-"


def _scratch(target: Path) -> Path:
    """Make a scratch folder beside the target, or in it where its parent is not ours to write."""
    try:
        return Path(tempfile.mkdtemp(prefix=_prefix(target), dir=target.parent))
    except PermissionError:
        if not target.is_dir():
            raise
        return Path(tempfile.mkdtemp(prefix=_prefix(target), dir=target))


def _sweep(target: Path) -> None:
    """Remove what a killed run left; the lock says that none is running."""
    homes = [home for home in (target.parent, target) if home.is_dir()]
    for path in [path for home in homes for path in home.iterdir()]:
        if path.name.startswith(_prefix(target)):
            shutil.rmtree(path, ignore_errors=True)


def _publish(scratch: Path, target: Path) -> None:
    mode = target.stat().st_mode if target.is_dir() else 0o777 & ~_umask()
    scratch.chmod(mode & 0o7777)
    if not target.exists():
        scratch.rename(target)
    elif not (_may_exchange(scratch, target) and _exchange_whole(scratch, target)):
        for name in sorted(_names(scratch), key=lambda name: (name == "plan.json", name)):
            (scratch / name).replace(target / name)
        for name in set(OPTIONAL) - _names(scratch):
            (target / name).unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        flush_folder(target.parent)


def _names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _may_exchange(scratch: Path, target: Path) -> bool:
    """Tell whether nobody stands in the target: a shell would be left in a removed folder."""
    here = Path.cwd()
    return target not in {scratch.parent, here, *here.parents}


def _exchange_whole(scratch: Path, target: Path) -> bool:
    """Carry over what is not ours, then exchange the folders in one step."""
    ours = _names(scratch) | set(OPTIONAL)
    try:
        for path in target.iterdir():
            if path.name not in ours:
                _carry(path, scratch / path.name)
    except OSError:  # no hard links or no room: rename one by one
        for name in _names(scratch) - ours:
            _remove(scratch / name)
        return False
    if not _exchange(scratch, target):
        for name in _names(scratch) - ours:
            _remove(scratch / name)
        return False
    for name in _names(scratch) - _names(target) - set(OPTIONAL):  # came while we were carrying
        (scratch / name).rename(target / name)
    return True


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink()


def _carry(path: Path, there: Path) -> None:
    """Give a file or folder a second name, without copying."""
    if path.is_symlink():
        there.symlink_to(path.readlink())
    elif path.is_dir():
        there.mkdir()
        for inner in path.iterdir():
            _carry(inner, there / inner.name)
        shutil.copystat(path, there)
    else:
        os.link(path, there)


def _exchange(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False where the system cannot."""
    name = {"linux": "renameat2", "darwin": "renamex_np"}.get(sys.platform, "")
    call = getattr(ctypes.CDLL(None, use_errno=True), name, None) if name else None
    if call is None:
        return False
    first, second = os.fsencode(one), os.fsencode(other)
    if name == "renameat2":
        failed = call(_AT_FDCWD, first, _AT_FDCWD, second, ctypes.c_uint(_EXCHANGE))
    else:
        failed = call(first, second, ctypes.c_uint(_EXCHANGE))
    if not failed:
        return True
    code = ctypes.get_errno()
    if code in _CANNOT:
        return False
    raise OSError(code, os.strerror(code), str(other))
