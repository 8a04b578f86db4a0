"""Run a portfolio tile by tile: what is not done yet, or a few to tell the time of all."""

from __future__ import annotations

import hashlib
import importlib.metadata
import math
import secrets
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import scipy

from siting import __version__
from siting.errors import Fault, InputError, SitingError
from siting.files import LockedError, is_untouched, locked
from siting.portfolio.engine import Engine, EngineError
from siting.portfolio.extract import strays
from siting.portfolio.layers import check_condition, matches, slow_layers
from siting.portfolio.model import (
    City,
    Index,
    Job,
    RunOptions,
    Source,
    Tile,
    TileReport,
    folder_name,
)
from siting.portfolio.source import cut_tiles, index_of, input_digest, spread, tile_size
from siting.portfolio.store import SCHEMAS, TABLES, DiskFullError, Store, read_table

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


_SURE: Final = 0.975
_LEAST: Final = 2


@dataclass(frozen=True)
class Estimate:
    """How much the whole portfolio takes, from a sample.

    properties, sampled, faults: in all, planned for the sample, those of them without a plan;
    seconds, seconds_low, seconds_high: one property on one core, and the ends of the 95 % interval
    of that mean [s]; bytes_per_property: of the result tables [B]; peak_mb: most memory that a
    worker used [MB].
    """

    properties: int
    sampled: int
    faults: int
    seconds: float
    seconds_low: float
    seconds_high: float
    bytes_per_property: float
    peak_mb: float

    def hours(self, workers: int, seconds: float | None = None) -> float:
        """Return how long the whole takes.

        seconds: of one property, the mean when not given [s]. Result: [h].
        """
        each = self.seconds if seconds is None else seconds
        return self.properties * each / workers / 3600


def estimate(
    source: Source,
    folder: Path,
    count: int,
    *,
    engine: Engine,
    options: RunOptions | None = None,
    heard: Callable[[int, int], None] | None = None,
) -> Estimate:
    """Plan some properties spread over the portfolio, and estimate the whole.

    Parameters
    ----------
    source : City or Folder
        The portfolio.
    folder : Path
        Of the results: a later run finds there what the sample has planned.
    count : int
        Properties to plan.
    engine : Engine
        Where; as for the whole run, so that what workers cost each other is in the numbers.
    options : RunOptions, optional
        Limits; a sample writes no hand-off.
    heard : callable, optional
        Called with properties done and properties in all.

    Returns
    -------
    Estimate
        Time, storage and memory.

    Raises
    ------
    BusyError
        When a run is using the folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with held(folder):
        return _estimate(source, folder, count, engine, options or RunOptions(), heard)


def _estimate(
    source: Source,
    folder: Path,
    count: int,
    engine: Engine,
    options: RunOptions,
    heard: Callable[[int, int], None] | None,
) -> Estimate:
    key, index = run_key(source), index_of(source)
    tiles = spread(index, min(count, len(index.ids)))
    store = Store(folder, key)
    for tile in tiles:
        store.part(tile.ids[0]).unlink(missing_ok=True)  # to be timed, it must be planned now
    quiet = replace(options, handoff="none")
    jobs = [Job(source, tile, folder, key, quiet, keep_parts=True) for tile in tiles]
    reports: list[TileReport] = []

    def take(report: TileReport | None) -> None:
        reports.extend([report] if report is not None else [])
        if heard is not None:
            heard(len(reports), len(tiles))

    engine.run(jobs, take)
    spent = [sum(report.seconds.values()) for report in reports]
    # The first property of each process pays for imports and first-time set-up.
    warm = [s for s, r in zip(spent, reports, strict=True) if r.worker_planned > 1] or spent
    mean, error = _mean(warm)
    return Estimate(
        properties=len(index.ids),
        sampled=len(tiles),
        faults=sum(report.faults for report in reports),
        seconds=mean,
        seconds_low=max(0.0, mean - error),
        seconds_high=mean + error,
        bytes_per_property=_bytes(store, tiles) / max(len(tiles), 1),
        peak_mb=max(report.peak_mb for report in reports),
    )


def _mean(values: list[float]) -> tuple[float, float]:
    """Return a mean and half the width of its 95 % interval."""
    mean = math.fsum(values) / len(values)
    if len(values) < _LEAST:
        return mean, math.inf
    spread_2 = math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)
    return mean, float(scipy.stats.t.ppf(_SURE, len(values) - 1)) * math.sqrt(
        spread_2 / len(values)
    )


def _bytes(store: Store, tiles: list[Tile]) -> int:
    """Return the size of the sample's rows, written as one tile."""
    ids = tuple(name for tile in tiles for name in tile.ids)
    with tempfile.TemporaryDirectory(prefix="siting-") as scratch:
        twin = Store(Path(scratch), store.key)
        for name in ids:
            tables = store.read_part(name)
            if tables is not None:
                twin.write_part(name, tables)
        whole = Tile("sample", ids, tiles[0].bounds)
        twin.write_tile(whole)
        return sum(twin.file(table, "sample").stat().st_size for table in TABLES)
