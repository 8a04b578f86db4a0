"""Run a portfolio: what is not done yet, tile by tile, and never anything twice."""

from __future__ import annotations

import hashlib
import importlib.metadata
import secrets
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc

from siting import __version__
from siting.atomic import LockedError, is_untouched, locked
from siting.errors import Fault, InputError, SitingError
from siting.portfolio.engine import Engine, EngineError
from siting.portfolio.expression import check_condition, matches
from siting.portfolio.layers import slow_layers
from siting.portfolio.model import City, Index, Job, RunOptions, Source, Tile, TileReport
from siting.portfolio.naming import folder_name
from siting.portfolio.source import input_digest
from siting.portfolio.store import DiskFullError, Store, read_table
from siting.portfolio.strays import strays
from siting.portfolio.tables import SCHEMAS
from siting.portfolio.tiles import cut_tiles, index_of, tile_size

__all__ = [
    "BusyError",
    "RunResult",
    "Status",
    "check_handoff",
    "run_key",
    "run_portfolio",
    "timing",
]

#: Raise when the same input gives other rows.
_LAYOUT: Final = 1
_LIBRARIES: Final = (
    "geopandas", "numpy", "pandas", "pvlib", "pyogrio", "pyproj", "rasterio", "scipy", "shapely",
)  # fmt: skip
_LEAST_FREE: Final = 64 << 20
_RUN: Final = "run.json"
_NOTES: Final = "notes.json"
_MOVED: Final = "handoff.json"
#: Names in one note.
_TOLD: Final = 10
#: Faults that may go away with other limits or another machine.
_RETRIED: Final = ("crash", "hang", "memory", "error")


class BusyError(SitingError):
    """Another run is using the folder."""


@dataclass
class Status:
    """How far a run is.

    Parameters
    ----------
    total, done : int
        Properties in all, and done (those of earlier runs too).
    planned, faults : int
        Done in this run, and how many of those have faults.
    seconds : float
        Since the first tile was handed out [s].
    stages : dict of str to float
        Stage -> time spent by all workers [s].
    memory : dict of str to list of (int, float)
        Worker -> properties planned so far and memory in use [MB].
    notes : list of str
        What went wrong beside the plans.
    """

    total: int = 0
    done: int = 0
    planned: int = 0
    faults: int = 0
    seconds: float = 0.0
    stages: dict[str, float] = field(default_factory=dict)
    memory: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def rate(self) -> float:
        """Properties per second of this run."""
        return self.planned / self.seconds if self.seconds > 0 else 0.0

    @property
    def left_s(self) -> float | None:
        """Time left at this rate [s]."""
        return (self.total - self.done) / self.rate if self.rate > 0 else None

    def take(self, report: TileReport) -> None:
        """Add a tile's report.

        Parameters
        ----------
        report : TileReport
            Of a finished tile.
        """
        self.planned += report.planned
        self.faults += report.faults
        for stage, spent in report.seconds.items():
            self.stages[stage] = self.stages.get(stage, 0.0) + spent
        point = (report.worker_planned, report.memory_mb)
        self.memory.setdefault(report.worker, []).append(point)
        self.notes += report.notes


Watch = Callable[[Status], None]


@dataclass(frozen=True)
class RunResult:
    """What a run did: how far it came, and what was wrong with the list of properties.

    status: at the end; index: all properties, and what was wrong with their list; folder: the
    results; key: as `run_key` gives it.
    """

    status: Status
    index: Index
    folder: Path
    key: str


def run_key(source: Source) -> str:
    """Return the hash under which results are kept: inputs, options, versions."""
    versions = [f"{name}={importlib.metadata.version(name)}" for name in _LIBRARIES]
    text = "\n".join((input_digest(source), __version__, str(_LAYOUT), *versions))
    return hashlib.sha256(text.encode()).hexdigest()


def check_handoff(handoff: str) -> None:
    """Refuse a hand-off condition that cannot be evaluated.

    Parameters
    ----------
    handoff : str
        "none", "all" or a condition over the table of properties.

    Raises
    ------
    InputError
        With what is wrong.
    """
    if handoff in {"none", "all"}:
        return
    kinds = {
        field.name: "text" if pa.types.is_string(field.type) else "number"
        for field in SCHEMAS["properties"]
        if field.name not in {"bbox", "geometry"}
    }
    check_condition(handoff, kinds)


def run_portfolio(
    source: Source,
    folder: Path,
    *,
    engine: Engine,
    options: RunOptions | None = None,
    watch: Watch | None = None,
    retry: bool = False,
    size: int | None = None,
) -> RunResult:
    """Plan every property that is not done.

    Parameters
    ----------
    source : City or Folder
        The portfolio.
    folder : Path
        Of the results; made when missing. What an interrupted run left there is kept.
    engine : Engine
        Where to plan.
    options : RunOptions, optional
        Limits and hand-off.
    watch : callable, optional
        Called with the status about once a second.
    retry : bool
        Plan again what crashed, hung, ran out of memory or met an unexpected error.
    size : int, optional
        Properties in a tile; by their number when not given. Results do not depend on it.

    Returns
    -------
    RunResult
        The status at the end.

    Raises
    ------
    BusyError
        When another run is using the folder.
    DiskFullError, EngineError, InputError
        When nothing more can be written, or the portfolio cannot be read.
    """
    options = options or RunOptions()
    check_handoff(options.handoff)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        found = f"a folder that cannot be made ({error.strerror})"
        mend = "Choose another one."
        raise InputError([Fault(str(folder), found, "a folder for the results", mend)]) from None
    with held(folder):
        return _run(source, folder, engine, options, watch or (lambda _: None), (retry, size))


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Keep a results folder for this run; the lock goes with the process, however it ends.

    Result: while the folder is ours.
    """
    with ExitStack() as stack:
        try:
            stack.enter_context(locked(folder / ".lock"))
        except LockedError:
            msg = f"another run is using {folder}: wait for it, or choose another folder"
            raise BusyError(msg) from None
        except OSError as error:
            found = f"a folder that cannot be written ({error.strerror or error})"
            fault = Fault(str(folder), found, "a folder for the results", "Choose another one.")
            raise InputError([fault]) from None
        yield


def _run(
    source: Source,
    folder: Path,
    engine: Engine,
    options: RunOptions,
    watch: Watch,
    how: tuple[bool, int | None],
) -> RunResult:
    retry, size = how
    if shutil.disk_usage(folder).free < _LEAST_FREE:
        raise DiskFullError(folder)
    key, index = run_key(source), index_of(source)
    store = Store(folder, key)
    tiles = cut_tiles(index, _kept_size(store, len(index.ids), size))
    store.drop_stale(tiles)
    if retry:
        _reopen(store, tiles)
    pending = [tile for tile in tiles if not store.tile_done(tile)]
    moved = [str(note) for note in store.recall(_MOVED).get("notes", ())]
    status = Status(total=len(index.ids), notes=[*moved, *_notes(store, source, index)])
    status.done = status.total - sum(
        store.read_part(name) is None for tile in pending for name in tile.ids
    )
    jobs = [Job(source, tile, folder, key, options) for tile in pending]
    _drive(engine, jobs, status, watch)
    left = [tile.name for tile in pending if not store.tile_done(tile)]
    if left:
        msg = f"{len(left)} tiles were handed out and not written (first: {left[0]}); run again"
        raise EngineError(msg)
    late = _without_handoff(store, tiles, options) if options.writer else []
    count, status.total = status.total, status.total + sum(len(t.ids) for t in late)
    jobs = [Job(source, t, folder, key, options, handoff_only=t.ids) for t in late]
    _drive(engine, jobs, status, watch)
    status.total = status.done = count
    store.clear_work()
    return RunResult(status, index, folder, key)


def _notes(store: Store, source: Source, index: Index) -> list[str]:
    """Return what is odd about the list of properties and what belongs to none; kept by key."""
    before = store.recall(_NOTES)
    if before.get("key") == store.key:
        return [str(note) for note in before["notes"]]
    slow = slow_layers(source) if isinstance(source, City) else ()
    notes = [*index.notes, *slow, *strays(source, index)]
    store.remember(_NOTES, {"key": store.key, "notes": notes})
    return notes


def _kept_size(store: Store, count: int, size: int | None) -> int:
    """Return the size of a tile: that of an interrupted run under the same key, if there is one.

    Results of another key are void; their hand-off is put aside, never removed.
    """
    before = store.recall(_RUN)
    if before.get("key") == store.key and isinstance(before.get("tile"), int):
        return int(before["tile"])
    if before:
        shutil.rmtree(store.folder / ".work", ignore_errors=True)
        store.remember(_MOVED, {"notes": _put_aside(store.folder / "handoff", before)})
    chosen = size or tile_size(count)
    store.remember(_RUN, {"key": store.key, "siting": __version__, "tile": chosen,
                          "properties": count})  # fmt: skip
    return chosen


def _put_aside(handoff: Path, before: dict[str, Any]) -> list[str]:
    """Move the hand-off of another run aside, but for folders that somebody works in."""
    folders = [p for p in sorted(handoff.glob("*")) if p.is_dir() and not p.name.startswith(".")]
    kept = [path.name for path in folders if not is_untouched(path)]
    moved = [path for path in folders if path.name not in kept]
    notes = []
    if moved:
        name = f".old-{str(before.get('key', ''))[:8]}"
        aside = handoff / name
        while aside.exists():
            aside = handoff / f"{name}-{secrets.token_hex(2)}"
        aside.mkdir()
        for path in moved:
            path.rename(aside / path.name)
        notes.append(f"{len(moved)} hand-off folders of an earlier run were moved to {aside}")
    if kept:
        some = ", ".join(kept[:_TOLD]) + (" ..." if len(kept) > _TOLD else "")
        notes.append(
            f"{len(kept)} hand-off folders of an earlier run were left as they are, as they hold "
            f"filled sheets, a history or other files ({some}): a new hand-off is written there "
            f"only once they are moved away"
        )
    return notes


def _reopen(store: Store, tiles: Sequence[Tile]) -> None:
    """Take tiles apart that hold faults worth another try; the other properties stay done."""
    for tile in tiles:
        if not store.tile_done(tile):
            continue
        tables = {name: store.read_tile(name, tile) for name in SCHEMAS}
        status = tables["properties"]["status"].to_pylist()
        names = tables["properties"]["property"].to_pylist()
        again = {n for n, s in zip(names, status, strict=True) if s in _RETRIED}
        if not again:
            continue
        for name in names:
            if name not in again:
                mine = {t: rows.filter(pc.equal(rows["property"], name))
                        for t, rows in tables.items()}  # fmt: skip
                store.write_part(name, mine)
        store.file("properties", tile.name).unlink()


def _without_handoff(store: Store, tiles: Sequence[Tile], options: RunOptions) -> list[Tile]:
    """Return done properties whose hand-off is wanted and not there, in pieces of their tiles."""
    if options.handoff == "none":
        return []
    rows = read_table(store.folder, "properties").drop_columns(["geometry", "bbox"]).to_pylist()
    wanted = {
        row["property"]
        for row in rows
        if row["status"] == "planned"
        and matches(options.handoff, row)
        and not (store.folder / "handoff" / folder_name(row["property"])).exists()
    }
    found = []
    for tile in tiles:
        keep = [i for i, name in enumerate(tile.ids) if name in wanted]
        if keep:
            ids = tuple(tile.ids[i] for i in keep)
            found.append(Tile(tile.name, ids, tile.bounds[keep]))
    return found


def _drive(engine: Engine, jobs: Sequence[Job], status: Status, watch: Watch) -> None:
    """Run jobs, and keep the status."""
    if not jobs:
        return
    began = time.perf_counter() - status.seconds

    def heard(report: TileReport | None) -> None:
        if report is not None:
            status.take(report)
            status.done += report.planned
        status.seconds = time.perf_counter() - began
        watch(status)

    engine.run(jobs, heard)


def timing(status: Status) -> dict[str, Any]:
    """Return what a run took, for a log beside the results.

    Parameters
    ----------
    status : Status
        At the end.

    Returns
    -------
    dict
        Plain values.
    """
    return {
        "planned": status.planned,
        "faults": status.faults,
        "seconds": round(status.seconds, 3),
        "properties_per_second": round(status.rate, 4),
        "stage_seconds": {k: round(v, 3) for k, v in sorted(status.stages.items())},
        "worker_memory_mb": {
            name: [[count, round(memory, 1)] for count, memory in points]
            for name, points in sorted(status.memory.items())
        },
    }
