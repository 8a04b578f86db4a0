"""Run a portfolio tile by tile, here or on a cluster: what is not done yet, or a few to time."""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
import itertools
import json
import math
import os
import secrets
import shutil
import signal
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NamedTuple, Protocol, Self

import dask
import psutil
import pyarrow as pa
import pyarrow.compute as pc
import scipy
from distributed import Client, LocalCluster, wait
from distributed.scheduler import KilledWorker
from distributed.security import Security

from siting import __version__
from siting.errors import Fault, InputError, SitingError
from siting.files import LockedError, is_untouched, locked
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
from siting.portfolio.source import cut_tiles, index_of, input_digest, spread, strays, tile_size
from siting.portfolio.store import SCHEMAS, TABLES, DiskFullError, Store, read_table
from siting.portfolio.worker import run_tile

#: Called about once a second, and with each report.
Heard = Callable[[TileReport | None], None]
TRIM: Final = "MALLOC_TRIM_THRESHOLD_"
_THREADS: Final = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMBA_NUM_THREADS",
    "GDAL_NUM_THREADS",
)
_AHEAD: Final = 3
_STARTS: Final = 5
_TRIES: Final = 20
_SILENT: Final = 60.0
_IDLE: Final = 180.0  # others' clusters may wait longer for new workers
#: How long a scheduler may take to answer [s].
_ANSWER: Final = 10.0
_JOIN: Final = 60.0
_SHARE: Final = 0.85


class EngineError(SitingError):
    """The cluster cannot be used, or was lost; what is done is kept."""


class Engine(Protocol):
    """Runs tiles."""

    def run(self, jobs: Iterable[Job], heard: Heard) -> None:
        """Run every job, in any order, and pass on each report.

        Parameters
        ----------
        jobs : iterable of Job
            The tiles.
        heard : callable
            Takes each report; an engine that waits may pass None meanwhile.

        Raises
        ------
        EngineError
            When the engine is lost; what was reported is done.
        """


class LoopEngine:
    """Runs tiles one after the other in this process: without a cluster, without a guard."""

    def run(self, jobs: Iterable[Job], heard: Heard) -> None:
        """Run every job.

        Parameters
        ----------
        jobs : iterable of Job
            The tiles.
        heard : callable
            Takes each report.
        """
        for job in jobs:
            heard(run_tile(replace(job, guarded=False)))


def worker_environment() -> dict[str, str]:
    """Return what a worker's environment must hold before its process starts.

    One thread for every library, as each worker has one core. What dask sets by itself,
    ``MALLOC_TRIM_THRESHOLD_=65536``, is left out: it gives every freed raster back to the system
    at once and faults it in again for the next.
    """
    return dict.fromkeys(_THREADS, "1")


class Tls(NamedTuple):
    """Certificates for a scheduler that is reached over an encrypted, mutually proven connection.

    Parameters
    ----------
    ca, certificate, key : Path
        Files in PEM: the authority that signed the scheduler's certificate, and the certificate
        and the private key that this program shows.
    """

    ca: Path
    certificate: Path
    key: Path

    def security(self) -> Security:
        """Return what dask connects with; never in the clear.

        Returns
        -------
        Security
            Encryption is required.
        """
        return Security(
            require_encryption=True,
            tls_ca_file=str(self.ca),
            tls_client_cert=str(self.certificate),
            tls_client_key=str(self.key),
        )


def address_in(file: Path) -> str:
    """Return the address in the file that a scheduler writes (``dask scheduler --scheduler-file``).

    Parameters
    ----------
    file : Path
        JSON with a key `address`.

    Returns
    -------
    str
        Such as tls://10.0.0.5:8786.

    Raises
    ------
    EngineError
        When the file cannot be read, or holds no address.
    """
    try:
        address = json.loads(file.read_text(encoding="utf-8"))["address"]
    except OSError as error:
        msg = f"{file}: {error.strerror or error}; the scheduler writes it when it starts"
        raise EngineError(msg) from None
    except (ValueError, KeyError, TypeError):
        address = None
    if not isinstance(address, str) or "://" not in address:
        msg = f"{file} holds no scheduler's address; `dask scheduler --scheduler-file` writes it"
        raise EngineError(msg)
    return address


class ClusterEngine:
    """Runs tiles on `dask.distributed`. A context manager.

    Parameters
    ----------
    address : str or None
        Of a running scheduler; None starts a cluster on this machine.
    workers : int
        Processes of the local cluster.
    memory_mb : float or None
        Memory of each local worker; an even share of the machine's when not given [MB].
    trim : bool
        Leave dask's own setting of malloc in place; only to measure what it costs.
    tls : Tls or None
        Certificates for a scheduler at tls://; None leaves them to dask's own configuration.
    """

    def __init__(
        self,
        address: str | None = None,
        *,
        workers: int = 1,
        memory_mb: float | None = None,
        trim: bool = False,
        tls: Tls | None = None,
    ) -> None:
        self._address, self._workers, self._trim, self._tls = address, workers, trim, tls
        share = psutil.virtual_memory().total * _SHARE / workers
        self._memory = int(share if memory_mb is None else memory_mb * (1 << 20))
        self._stack = contextlib.ExitStack()
        self.client: Any = None
        self.warnings: tuple[str, ...] = ()

    def __enter__(self) -> Self:
        """Start or join the cluster.

        Returns
        -------
        ClusterEngine
            Ready to run.
        """
        try:
            self._start()
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the cluster; a local one ends."""
        self._stack.close()

    def _start(self) -> None:
        if self._address is not None:
            self._join(self._address)
            return
        environment: dict[str, Any] = worker_environment()
        if self._trim:
            environment[TRIM] = "65536"
        self._stack.enter_context(_own_environment())
        settings = {
            "distributed.nanny.pre-spawn-environ": environment,
            "distributed.worker.memory.target": False,
            "distributed.worker.memory.spill": False,
            "distributed.worker.memory.pause": False,
            "distributed.worker.memory.terminate": 0.95,
            "distributed.worker.profile.enabled": False,
            "distributed.scheduler.allowed-failures": _TRIES,
            "distributed.admin.log-length": 100,
        }
        self._stack.enter_context(dask.config.set(settings))
        with _interrupts_wait():
            cluster = self._local()
        self._stack.callback(cluster.close, timeout=10)
        self.client = Client(cluster)
        self._stack.callback(self.client.close, timeout=10)

    def _local(self) -> Any:  # noqa: ANN401  (a cluster)
        """Start workers on this machine; one that dies while it starts is no reason to give up."""
        told = ""
        for _ in range(_STARTS):
            try:
                return LocalCluster(
                    n_workers=self._workers,
                    threads_per_worker=1,
                    processes=True,
                    memory_limit=self._memory,
                    dashboard_address="127.0.0.1:0",
                    worker_dashboard_address="127.0.0.1:0",
                    silence_logs=50,
                )
            except (OSError, RuntimeError) as error:
                told = str(error.__cause__ or error) or type(error).__name__
        msg = f"no workers could be started on this machine: {told}"
        raise EngineError(msg)

    def _join(self, address: str) -> None:
        """Join a running cluster, and look whether its workers will do."""
        try:
            security = None if self._tls is None else self._tls.security()
            self.client = Client(address, timeout=_ANSWER, security=security)
        except (OSError, TimeoutError, ValueError, TypeError) as error:
            text = str(error).splitlines()[0] if str(error) else type(error).__name__
            msg = f"no scheduler answers at {address}: {text}"
            raise EngineError(msg) from None
        self._stack.callback(self.client.close, timeout=10)
        try:
            self.client.wait_for_workers(1, timeout=_JOIN)
        except TimeoutError:
            msg = f"the scheduler at {address} has no workers"
            raise EngineError(msg) from None
        self.warnings = _judge(self.client.run(_facts))

    def check_folder(self, folder: Path) -> None:
        """Refuse a cluster whose workers do not see the folder of results.

        Parameters
        ----------
        folder : Path
            It is there.

        Raises
        ------
        EngineError
            When some worker does not see it.
        """
        seen = self.client.run(os.path.isdir, str(folder))
        blind = sorted(str(name) for name, sees in seen.items() if not sees)
        if blind:
            msg = (
                f"{len(blind)} of {len(seen)} workers do not see {folder} (first: {blind[0]}); "
                "inputs and results must lie on a disk that all of them share"
            )
            raise EngineError(msg)

    def run(self, jobs: Iterable[Job], heard: Heard) -> None:
        """Run every job, a few ahead of the workers.

        Parameters
        ----------
        jobs : iterable of Job
            The tiles.
        heard : callable
            Takes each report, and None about once a second.

        Raises
        ------
        EngineError
            When the cluster is lost.
        """
        waiting: Iterator[Job] = iter(jobs)
        running: dict[Any, tuple[Job, int]] = {}
        silent_since = idle_since = time.monotonic()
        while True:
            room = max(1, _AHEAD * self._count()) - len(running)
            for job in itertools.islice(waiting, max(room, 0)):
                running[self._submit(job)] = (job, 1)
            if not running:
                return
            done = _first_done(list(running))
            for future in done:
                job, tries = running.pop(future)
                again = self._take(future, job, tries, heard)
                if again is not None:
                    running[self._submit(again)] = (again, tries + 1)
            heard(None)
            if done or self.client.status == "running":
                silent_since = time.monotonic()
            elif time.monotonic() - silent_since > _SILENT:
                msg = (
                    "the scheduler no longer answers; every property that was done is kept: "
                    "run the same command again"
                )
                raise EngineError(msg)
            if done or self._address is not None or self._works():
                idle_since = time.monotonic()
            elif time.monotonic() - idle_since > _IDLE:
                msg = (
                    f"for {_IDLE:.0f} s no worker has worked on anything, though tiles are left; "
                    "every property that was done is kept: run the same command again"
                )
                raise EngineError(msg)

    def _works(self) -> bool:
        """Tell whether some worker has a tile, as far as the scheduler answers."""
        with contextlib.suppress(OSError, TimeoutError, RuntimeError, ValueError):
            return any(self.client.processing().values())
        return False

    def _submit(self, job: Job) -> Any:  # noqa: ANN401  (a future)
        # Never the same twice: a scheduler answers a name that it knows with the old result.
        name = f"tile-{job.tile.name}-{secrets.token_hex(8)}"
        return self.client.submit(run_tile, job, key=name, pure=False)

    def _count(self) -> int:
        return len(self.client.scheduler_info(n_workers=-1)["workers"]) or 1

    def _take(self, future: Any, job: Job, tries: int, heard: Heard) -> Job | None:  # noqa: ANN401
        """Pass on the report of a finished tile, or return the job when it must run again."""
        if future.status == "finished":
            heard(future.result())
            return None
        if future.status == "error":
            error = future.exception()
            if not isinstance(error, KilledWorker) or tries > _TRIES:
                raise error
            # Nothing says which property it was: each gets a process of its own.
            return replace(job, alone=True)
        return job  # lost with its scheduler or cancelled


def _first_done(futures: list[Any]) -> list[Any]:
    """Return the futures that are over; wait for the first, but only for a second."""
    with contextlib.suppress(TimeoutError, Exception):
        wait(futures, timeout=1, return_when="FIRST_COMPLETED")
    over = [future for future in futures if future.status != "pending"]
    if not over:
        time.sleep(0.01)
    return over


@contextlib.contextmanager
def _interrupts_wait() -> Iterator[None]:
    """Let Ctrl-C wait until the workers are there; they never see it, and end with the cluster.

    A terminal sends it to every process, and each would print a traceback. What is blocked stays
    blocked in processes and threads that are started meanwhile.
    """
    if not hasattr(signal, "pthread_sigmask"):  # pragma: no cover - Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _own_environment() -> Iterator[None]:
    """Take the malloc setting out of what workers inherit, and put all back afterwards.

    dask sets what workers need in this process, and leaves it there for whatever it starts next.
    """
    kept = {name: os.environ.get(name) for name in (TRIM, *_THREADS)}
    os.environ.pop(TRIM, None)
    try:
        yield
    finally:
        for name, value in kept.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value


def _facts() -> dict[str, str]:
    """Return what matters of a worker."""
    return {"version": __version__, "trim": os.environ.get(TRIM, "")}


def _judge(facts: dict[str, dict[str, str]]) -> tuple[str, ...]:
    """Refuse workers of another version; warn of those that give memory back too eagerly."""
    other = sorted({fact["version"] for fact in facts.values()} - {__version__})
    if other:
        msg = f"workers run siting {', '.join(other)}, this is {__version__}: install one version"
        raise EngineError(msg)
    slow = sum(bool(fact["trim"]) for fact in facts.values())
    if not slow:
        return ()
    return (
        f"{slow} of {len(facts)} workers run with {TRIM} set, which makes raster work slower: set "
        f"distributed.nanny.pre-spawn-environ.{TRIM} to null in their dask configuration",
    )


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
    key : str
        Of the results, as `run_key` gives it.
    """

    total: int = 0
    done: int = 0
    planned: int = 0
    faults: int = 0
    seconds: float = 0.0
    stages: dict[str, float] = field(default_factory=dict)
    memory: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    key: str = ""

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
) -> Status:
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
    Status
        How far it came, and what was wrong with the list of properties.

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
) -> Status:
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
    notes = [*moved, *_notes(store, source, index)]
    status = Status(total=len(index.ids), notes=notes, key=key)
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
    return status


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
        return _estimate(source, folder, count, engine, options or RunOptions())


def _estimate(
    source: Source,
    folder: Path,
    count: int,
    engine: Engine,
    options: RunOptions,
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
