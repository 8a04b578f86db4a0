"""Results of stages, kept beside a run's results: an interrupted run goes on, a what-if is quick.

An entry is named by a digest of everything that it rests on: the stage's inputs, the program's own
source, the versions of the libraries and what the processor can do. So it is either exactly what
the stage would give, or not found. An entry that cannot be read, or whose bytes are not those that
were written, is worked out again, and said. The folder may be deleted at any time.

What is read back is built of the classes of this program and of the array libraries that it uses
alone, so that a file put there by somebody else names nothing that could run.
"""

from __future__ import annotations

import contextlib
import errno
import functools
import hashlib
import importlib.metadata
import io
import math
import pickle
import platform
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from pathlib import Path
from typing import IO, Any, Final, TypeVar, cast

import numpy as np
import pandas as pd

from siting.files import atomic_path

_T = TypeVar("_T")
#: All entries together take no more than this; the oldest make room [bytes].
MOST_BYTES: Final = 8_000_000_000
_DIGEST_BYTES: Final = 32
_ENDING: Final = ".stage"
_LIBRARIES: Final = (
    "numpy", "scipy", "pandas", "shapely", "geopandas", "pyproj", "rasterio", "pyogrio", "numba",
    "pvlib",
)  # fmt: skip
#: What an entry may be built of beside the dataclasses of this program.
_BUILDERS: Final = frozenset(
    {
        ("builtins", "slice"), ("builtins", "set"), ("builtins", "frozenset"),
        ("builtins", "bytearray"), ("builtins", "complex"), ("builtins", "range"),
        ("collections", "OrderedDict"), ("copyreg", "_reconstructor"), ("builtins", "object"),
        ("datetime", "date"), ("datetime", "datetime"), ("datetime", "time"),
        ("datetime", "timedelta"), ("functools", "partial"), ("types", "MappingProxyType"),
        ("pathlib", "Path"), ("pathlib", "PosixPath"), ("pathlib", "WindowsPath"),
        ("numpy", "ndarray"), ("numpy", "dtype"), ("_codecs", "encode"),
        ("geopandas.geodataframe", "GeoDataFrame"), ("geopandas.geoseries", "GeoSeries"),
        ("geopandas.array", "GeometryArray"), ("geopandas.array", "GeometryDtype"),
        ("geopandas.array", "from_shapely"), ("shapely", "from_wkb"),
        ("shapely.io", "from_wkb"), ("shapely._geometry_helpers", "from_wkb"),
        ("pyproj.crs.crs", "CRS"), ("pyproj.crs.crs", "ProjectedCRS"),
        ("pyproj.crs.crs", "GeographicCRS"), ("pyproj.crs.crs", "CompoundCRS"),
        ("pyproj.crs.crs", "BoundCRS"), ("pyproj.crs.crs", "DerivedGeographicCRS"),
    }
)  # fmt: skip
_BUILDER_ROOMS: Final = (
    ("numpy", ("_reconstruct", "scalar", "_frombuffer")),
    ("pandas._libs", ("_unpickle_block", "__newobj__", "_new_Index", "new_block",
                      "_unpickle_block_manager", "BlockManager", "BlockPlacement")),
    ("pandas.core", ("DataFrame", "Series", "Index", "RangeIndex", "DatetimeIndex", "MultiIndex",
                     "BlockManager", "SingleBlockManager", "_new_Index", "new_block",
                     "_new_DatetimeIndex", "CategoricalDtype", "Categorical", "StringDtype",
                     "StringArray", "BooleanArray", "BooleanDtype", "IntegerArray", "Int64Dtype",
                     "DatetimeArray", "ObjectStringArray", "ArrowStringArray", "PandasArray",
                     "NumpyExtensionArray", "Flags")),
    ("shapely", ("Point", "LineString", "LinearRing", "Polygon", "MultiPoint", "MultiLineString",
                 "MultiPolygon", "GeometryCollection", "create_linearring")),
)  # fmt: skip


class _Reader(pickle.Unpickler):
    """Builds what an entry holds, of known classes alone."""

    def find_class(self, module: str, name: str) -> Any:  # noqa: ANN401 - pickle's own signature
        """Return a class or builder that may be used; refuse any other."""
        rooms = any(
            module.split(".", maxsplit=1)[0] == room.split(".")[0]
            and module.startswith(room)
            and name in names
            for room, names in _BUILDER_ROOMS
        )
        if (module, name) in _BUILDERS or rooms:
            return super().find_class(module, name)
        if module.startswith("siting."):
            found = super().find_class(module, name)
            if isinstance(found, type):
                return found
        msg = f"{module}.{name} has no place among a stage's results"
        raise pickle.UnpicklingError(msg)


class Stages:
    """The results of stages in one folder.

    folder: where they are kept, made when the first is; most: bytes of all of them; notes: what
    was damaged and is worked out again, in words.
    """

    def __init__(self, folder: Path, *, most: int = MOST_BYTES) -> None:
        self.folder, self.most = folder, most
        self.notes: list[str] = []

    def kept(self, stage: str, rests_on: str, make: Callable[[], _T]) -> _T:
        """Return what a stage gives: as it was kept, or made now and kept.

        stage: its name, a few letters; rests_on: digest of everything that the result depends on.
        What cannot be kept (no room, a full or read-only disk) is made all the same.
        """
        file = self.folder / f"{stage}-{rests_on[:40]}{_ENDING}"
        with contextlib.suppress(FileNotFoundError):
            try:
                return cast("_T", _read(file))
            except FileNotFoundError:
                raise
            except Exception:  # noqa: BLE001 - whatever a damaged file leads to
                self.notes.append(
                    f"{file.name} beside the results was damaged and is worked out again"
                )
        made = make()
        self._keep(file, made)
        return made

    def holds(self, stage: str, rests_on: str) -> bool:
        """Tell whether something was kept of a stage."""
        return (self.folder / f"{stage}-{rests_on[:40]}{_ENDING}").exists()

    def _keep(self, file: Path, made: object) -> None:
        """Write an entry and make room for it; one that takes half of all room is not kept."""
        with contextlib.suppress(OSError, pickle.PicklingError, TypeError, AttributeError):
            self.folder.mkdir(parents=True, exist_ok=True)
            with atomic_path(file) as path, path.open("wb") as out:
                sink = _Hash(out, self.most // 2)
                out.write(bytes(_DIGEST_BYTES))
                pickle.Pickler(sink, protocol=5).dump(made)
                out.seek(0)
                out.write(sink.digest.digest())
            self._make_room(file)

    def _make_room(self, newest: Path) -> None:
        """Remove the oldest entries while all of them take too much."""
        entries = [(path.stat(), path) for path in self.folder.glob(f"*{_ENDING}")]
        held = sum(stat.st_size for stat, _ in entries)
        for stat, path in sorted(entries, key=lambda entry: (entry[0].st_mtime_ns, entry[1].name)):
            if held <= self.most:
                return
            if path != newest:
                path.unlink(missing_ok=True)
                held -= stat.st_size


class Keeper:
    """Keeps what rests on something: the store, and the digest of what came before.

    stages: None where nothing is kept; before: digest of what every result here rests on.
    """

    def __init__(self, stages: Stages | None = None, before: str = "") -> None:
        self._stages, self._before = stages, before

    def on(self, *more: object) -> Keeper:
        """Return a keeper of what rests on more than this one's."""
        if self._stages is None:
            return self
        try:
            return Keeper(self._stages, _digest((self._before, more)))
        except (pickle.PicklingError, TypeError, AttributeError):
            return Keeper()  # what cannot be named cannot be kept

    def kept(self, stage: str, make: Callable[[], _T]) -> _T:
        """Return what a stage gives: as it was kept, or made now."""
        return make() if self._stages is None else self._stages.kept(stage, self._before, make)

    @property
    def keeps(self) -> bool:
        """Whether anything is kept."""
        return self._stages is not None

    def holds(self, stage: str) -> bool:
        """Tell whether something was kept of a stage."""
        return self._stages is not None and self._stages.holds(stage, self._before)


#: What keeps the parts of the results that are made now, where anything does.
_BESIDE: ContextVar[Stages | None] = ContextVar("_BESIDE", default=None)


@contextlib.contextmanager
def keeping(stages: Stages | None) -> Iterator[None]:
    """Keep what is made in this context by `kept_beside`, in the same store."""
    token = _BESIDE.set(stages)
    try:
        yield
    finally:
        _BESIDE.reset(token)


def kept_beside(stage: str, make: Callable[[], _T], *rests_on: object) -> _T:
    """Return what a small stage gives that no keeper is handed to: pictures, files, draws.

    stage: its name; rests_on: everything that the result depends on. Without `keeping` it is made.
    """
    return keeper(_BESIDE.get(), *rests_on).kept(stage, make)


def keeper(stages: Stages | None, *rests_on: object) -> Keeper:
    """Return what keeps results that rest on these inputs and on this program."""
    return Keeper(stages).on(_program(), *rests_on) if stages is not None else Keeper()


def _read(file: Path) -> object:
    """Read an entry; raises where its bytes are not those that were written."""
    with file.open("rb") as entry:
        written = entry.read(_DIGEST_BYTES)
        if hashlib.file_digest(entry, "sha256").digest() != written:
            msg = f"{file.name} is not what was written"
            raise pickle.UnpicklingError(msg)
        entry.seek(_DIGEST_BYTES)
        found: object = _Reader(entry).load()
    with contextlib.suppress(OSError):
        file.touch()  # what was used last goes last
    return found


def stages_beside(folder: Path) -> Stages:
    """Return what keeps the stages of runs that write into a folder: a hidden folder beside it."""
    home = folder.resolve()
    return Stages(home.parent / f".{home.name}.stages")


class _Hash(io.RawIOBase):
    """A file that counts what is written to it into a digest, and passes it on.

    out: where it goes on to; most: bytes that it takes, beyond which it refuses.
    """

    def __init__(self, out: IO[bytes] | None = None, most: float = math.inf) -> None:
        self.digest, self._out, self._left = hashlib.sha256(), out, most

    def writable(self) -> bool:
        """Return True."""
        return True

    def write(self, content: Any, /) -> int:  # noqa: ANN401 - any buffer
        """Take some bytes."""
        size = memoryview(content).nbytes
        self._left -= size
        if self._left < 0:
            raise OSError(errno.EFBIG, "too large to keep")
        self.digest.update(content)
        if self._out is not None:
            self._out.write(content)
        return size


class _Named(pickle.Pickler):
    """Writes values so that equal ones look equal: tables as their columns, not as they lie."""

    def reducer_override(self, value: object) -> Any:  # noqa: ANN401 - pickle's own signature
        """Write a table, or a column, as names and values."""
        if isinstance(value, pd.DataFrame):
            columns = [(name, np.asarray(value[name])) for name in value.columns]
            crs = getattr(value, "crs", None)
            return tuple, ((type(value).__name__, columns, value.index, dict(value.attrs), crs),)
        if isinstance(value, pd.Series):
            return tuple, ((type(value).__name__, value.name, np.asarray(value), value.index),)
        if isinstance(value, pd.Index):
            return tuple, ((type(value).__name__, value.names, np.asarray(value)),)
        return NotImplemented


def _digest(values: object) -> str:
    """Return the digest of values; equal values built in one way have the same."""
    sink = _Hash()
    pickler = _Named(sink, protocol=5)
    pickler.fast = True  # no memory of what was seen: sharing of equal parts changes nothing
    pickler.dump(values)
    return sink.digest.hexdigest()


@functools.cache
def _program() -> str:
    """Return a digest of the program's source, its libraries and what the processor can do."""
    digest = hashlib.sha256()
    home = Path(__file__).parent
    for file in sorted(home.rglob("*.py")):
        digest.update(str(file.relative_to(home)).encode() + file.read_bytes())
    for name in _LIBRARIES:
        digest.update(f"{name} {importlib.metadata.version(name)}".encode())
    features = getattr(np, "_core", np).__dict__.get("_multiarray_umath")
    able = getattr(features, "__cpu_features__", {})
    machine = platform.python_version(), platform.machine(), sorted(able.items())
    digest.update(repr(machine).encode())
    return digest.hexdigest()
