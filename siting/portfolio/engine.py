"""Where tiles are planned: in this process, on a local cluster, or on one that is there already."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import secrets
import signal
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NamedTuple, Protocol, Self

import dask
import psutil
from distributed import Client, LocalCluster, wait
from distributed.scheduler import KilledWorker
from distributed.security import Security

from siting import __version__
from siting.errors import SitingError
from siting.portfolio.model import Job, TileReport
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
