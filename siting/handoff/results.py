"""One folder of results: the old or the new, always whole, whatever happens in between.

Only what an earlier run wrote there is replaced or removed, as its ``source.json`` lists it; a file
of ours that was changed since is kept aside. Everything else in the folder is the user's.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from siting.errors import SitingError
from siting.files import (
    SOURCE,
    LockedError,
    file_digest,
    flush_folder,
    locked,
    scratch_folder,
    sweep_scratch,
    write_text,
    written_files,
)
from siting.handoff.formats import is_passing
from siting.handoff.readingsheet import is_filled

#: Where files of ours go that somebody changed, before new ones take their place ...
KEPT: Final = "kept"
#: ... and sheets that a crew filled in.
FILLED: Final = "filled-readings"
#: What a file system answers that cannot exchange two folders.
_CANNOT: Final = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EXDEV, errno.EBUSY, errno.EPERM}
_AT_FDCWD: Final = -100
_EXCHANGE: Final = 2
_TOLD: Final = 8


@contextlib.contextmanager
def results_lock(folder: Path | str) -> Iterator[None]:
    """Keep a folder of results for this run; the lock goes with the process, however it ends.

    The lock lies beside the folder, so that it holds whatever machine a run is on.

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
        When another run holds it, or nothing can be written there.
    """
    target = Path(folder).resolve()
    made = [home for home in target.parents if not home.exists()]
    try:
        with _told(folder), contextlib.ExitStack() as stack:
            target.parent.mkdir(parents=True, exist_ok=True)
            stack.enter_context(_lock_of(target))
            held = stack.pop_all()
        with held:
            yield
    finally:
        for home in made:  # nothing was written
            with contextlib.suppress(OSError):
                home.rmdir()


@contextlib.contextmanager
def _told(folder: Path | str) -> Iterator[None]:
    """Say in words why a folder cannot be had."""
    try:
        yield
    except LockedError:
        msg = f"another run is writing to {folder}; wait for it, or give another folder with --out"
        raise SitingError(msg) from None
    except OSError as error:
        msg = f"cannot write to {folder}: {error.strerror or error}. Nothing was computed."
        raise SitingError(msg) from error


def _lock_of(target: Path) -> contextlib.AbstractContextManager[None]:
    """Look whether the folder can be written, and return its lock."""
    if target.is_dir():
        with tempfile.TemporaryFile(dir=target):
            pass
    elif target.exists():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
    try:
        with tempfile.TemporaryFile(dir=target.parent):
            pass
    except PermissionError:
        if not target.is_dir():
            raise
        return locked(target / f".{target.name}.lock")
    return locked(target.parent / f".{target.name}.lock")


def claim_results(
    folder: Path | str, names: Iterable[str], inputs: Iterable[Path] = ()
) -> tuple[str, ...]:
    """Refuse a folder where results would take the place of files that are not ours.

    Parameters
    ----------
    folder : Path or str
        The folder of results; it need not exist.
    names : iterable of str
        Files that will be written there.
    inputs : iterable of Path
        Files that the run reads.

    Returns
    -------
    tuple of str
        What will be kept aside, in words.

    Raises
    ------
    SitingError
        With every file in the way.
    """
    target, names = Path(folder).resolve(), sorted({*names, SOURCE})
    read = {path.resolve() for path in inputs}
    used = [name for name in names if (target / name).resolve() in read]
    foreign = [name for name in _foreign(target, names) if name not in used]
    told = []
    if used:
        told.append(f"{_some(used)}, which this run reads")
    if foreign:
        told.append(f"{_some(foreign)}, which no earlier run wrote")
    if told:
        msg = (
            f"results would take the place of {'; and of '.join(told)}, in {folder}. Move such "
            "files away, or give another folder with --out. Nothing was computed or written."
        )
        raise SitingError(msg)
    changed = _changed(target, names)
    return tuple(
        f"{name} was changed since it was written; it is kept as {aside}"
        for name, aside in changed.items()
    )


def _some(names: list[str]) -> str:
    more = len(names) - _TOLD
    return ", ".join(names[:_TOLD]) + (f" and {more} more" if more > 0 else "")


def _foreign(target: Path, names: Iterable[str]) -> list[str]:
    """Return what lies under names that we want and was not written by us."""
    ours = written_files(target)
    found = [name for name in names if os.path.lexists(target / name) and name not in ours]
    return [name for name in found if name != SOURCE or not _is_source(target / SOURCE)]


def _is_source(path: Path) -> bool:
    """Tell whether a source.json is one of ours."""
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(content, dict) and (
        "files" in content or {"property", "sha256"} <= set(content)
    )


def _changed(target: Path, names: Iterable[str]) -> dict[str, str]:
    """Return files of ours that go and that somebody changed or filled in -> where they are kept.

    names: what takes their place; results that this run may not write go as well.
    """
    found = {}
    ours = written_files(target)
    going = {*names, *filter(is_passing, ours)}
    for name in sorted(going & set(ours)):
        path, digest = target / name, file_digest(target / name)
        if digest != ours[name]:
            filled = name.startswith("readings") and is_filled(path)
            found[name] = f"{FILLED if filled else KEPT}/{path.stem}-{digest[:8]}{path.suffix}"
    return found


@contextlib.contextmanager
def new_results(
    folder: Path | str, *, source: Path | None = None, inputs: Iterable[Path] = ()
) -> Iterator[Path]:
    """Yield an empty scratch folder, and put what was written there in the place of old results.

    The folder is exchanged as a whole where the system can do that in one step (Linux, macOS):
    whoever looks sees the old results or the new, never some of each, even after a crash. Files
    that are not results are carried over. Elsewhere the files are renamed one by one, plan.json
    last.

    Result: where to write. What is written to a folder in it joins the folder of that name.
    """
    target = Path(folder).resolve()
    target.parent.mkdir(parents=True, exist_ok=True)
    for home in (target.parent, target):
        sweep_scratch(home, _prefix(target))
    scratch = _scratch(target)
    try:
        yield scratch
        claim_results(target, _files(scratch), inputs)
        _keep_changed(scratch, target)
        _note_source(scratch, target, source)
        _publish(scratch, target)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def property_of(folder: Path) -> Path | None:
    """Return the property file that a folder of results notes.

    Parameters
    ----------
    folder : Path
        The folder of results.

    Returns
    -------
    Path or None
        None where none is noted; the file need not be there any more.
    """
    try:
        noted = json.loads((folder / SOURCE).read_text("utf-8"))["property"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return (folder / str(noted)).resolve()


def _note_source(scratch: Path, target: Path, source: Path | None) -> None:
    """Write down what was written, and from which property file."""
    earlier = {name: digest for name, digest in written_files(target).items()
               if not is_passing(name)}  # fmt: skip
    files = earlier | {name: file_digest(scratch / name) for name in _files(scratch)}
    content: dict[str, object] = {"files": dict(sorted(files.items()))}
    if source is not None:
        place = source / "property.toml" if source.is_dir() else source
        content = {"property": _beside(place, target), "sha256": file_digest(place)} | content
    write_text(scratch / SOURCE, json.dumps(content, indent=2, ensure_ascii=True) + "\n")


def _beside(path: Path, folder: Path) -> str:
    """Return a path as seen from a folder."""
    try:
        return os.path.relpath(path.resolve(), folder)
    except ValueError:  # another drive
        return str(path.resolve())


def _keep_changed(scratch: Path, target: Path) -> None:
    """Copy files of ours that somebody changed to where they are kept."""
    for name, aside in _changed(target, _files(scratch)).items():
        (scratch / aside).parent.mkdir(exist_ok=True)
        shutil.copy2(target / name, scratch / aside)


def _files(scratch: Path) -> list[str]:
    return sorted(path.name for path in scratch.iterdir() if path.is_file() and path.name != SOURCE)


def _prefix(target: Path) -> str:
    return f".{target.name}-new-"


def _scratch(target: Path) -> Path:
    """Make a scratch folder beside the target, or in it where its parent is not ours to write."""
    try:
        return scratch_folder(target.parent, _prefix(target))
    except PermissionError:
        if not target.is_dir():
            raise
        return scratch_folder(target, _prefix(target))


def _publish(scratch: Path, target: Path) -> None:
    mode = target.stat().st_mode if target.is_dir() else 0o777 & ~_umask()
    scratch.chmod(mode & 0o7777)
    old = {name for name in written_files(target) if is_passing(name)} - _names(scratch)
    if not target.exists():
        scratch.rename(target)
    elif not (_may_exchange(scratch, target) and _exchange_whole(scratch, target, old)):
        for name in sorted(_names(scratch), key=lambda name: (name == "plan.json", name)):
            _join(scratch / name, target / name)
        for name in old:
            (target / name).unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        flush_folder(target.parent)


def _join(path: Path, there: Path) -> None:
    """Put a file in the place of another, and what is in a folder into the folder of its name."""
    if path.is_dir() and there.is_dir():
        for inner in path.iterdir():
            _join(inner, there / inner.name)
    else:
        path.replace(there)


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


def _exchange_whole(scratch: Path, target: Path, old: set[str]) -> bool:
    """Carry over all but old results, then exchange the folders in one step."""
    ours = _names(scratch) | old
    try:
        for path in target.iterdir():
            if path.name not in old:
                _carry(path, scratch / path.name)
    except OSError:  # no hard links or no room: rename one by one
        exchanged = False
    else:
        exchanged = _exchange(scratch, target)
    if not exchanged:
        for name in _names(scratch) - ours:
            _remove(scratch / name)
        return False
    for name in _names(scratch) - _names(target) - old:  # came while we were carrying
        (scratch / name).rename(target / name)
    return True


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink()


def _carry(path: Path, there: Path) -> None:
    """Give a file or folder a second name, without copying; what is there already stays."""
    if path.is_dir() and not path.is_symlink():
        new = not there.exists()
        there.mkdir(exist_ok=True)
        for inner in path.iterdir():
            _carry(inner, there / inner.name)
        if new:
            shutil.copystat(path, there)
    elif os.path.lexists(there):
        return
    elif path.is_symlink():
        there.symlink_to(path.readlink())
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
