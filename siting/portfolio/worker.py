"""Plan one tile, property by property; alone in a process where one brought a worker down."""

from __future__ import annotations

import contextlib
import faulthandler
import os
import pickle
import platform
import re
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Final

import psutil

from siting.errors import Fault, InputError, PlanError
from siting.planning.make import plan, read_inputs
from siting.planning.model import Plan
from siting.portfolio.layers import matches
from siting.portfolio.model import City, Job, Source, Tile, TileReport, folder_name
from siting.portfolio.source import CityWindow, extract, open_window
from siting.portfolio.store import (
    DiskFullError,
    Rows,
    Store,
    disk_full,
    fault_rows,
    plan_rows,
    to_tables,
)

_SIZE: Final = struct.Struct("<Q")
#: Imports and reading come on top of the time limit [s].
_START: Final = 60.0
_OUT_OF_MEMORY: Final = 137
_TRIES: Final = 2


def _plan_alone(job: Job, name: str, store: Store) -> bool:
    """Plan one property in a process of its own, and keep its rows or say why there are none.

    Result: whether it has faults instead of a plan.
    """
    reason, found = "", ""
    for _ in range(_TRIES):
        reason, found = _try(job, name)
        done = store.read_part(name)
        if done is not None or job.handoff_only:
            store.mark(name).unlink(missing_ok=True)
            return done is not None and done["properties"]["status"][0].as_py() != "planned"
        if reason != "memory":
            break  # only a kill from outside is worth a second try
    allowed = f"a plan within {job.options.seconds:g} s and {job.options.memory_mb:g} MB"
    mend = "Look for shapes with very many corners; or raise the limits."
    fault = Fault(name, found, allowed, mend)
    store.write_part(name, to_tables(fault_rows(name, reason, [fault])))
    store.mark(name).unlink(missing_ok=True)
    return True


def _try(job: Job, name: str) -> tuple[str, str]:
    """Run the process once; return reason and words, for the case that it left no rows."""
    sent = pickle.dumps((job, name))
    child = subprocess.Popen(
        [sys.executable, "-c", "from siting.portfolio.worker import alone; alone()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p or os.getcwd() for p in sys.path)},  # noqa: PTH109
    )
    assert child.stdin is not None  # noqa: S101  (asked for above)
    try:
        with contextlib.suppress(BrokenPipeError):
            child.stdin.write(_SIZE.pack(len(sent)) + sent)
            child.stdin.flush()
        # The pipe stays open: the child ends itself when this process is gone.
        code = child.wait(timeout=job.options.seconds + _START)
    except subprocess.TimeoutExpired:
        return "hang", f"no end after {job.options.seconds:g} s"
    finally:
        child.kill()
        child.wait()
        with contextlib.suppress(BrokenPipeError):
            child.stdin.close()
    return _reason(code, job)


def _reason(code: int, job: Job) -> tuple[str, str]:
    """Return why a process left no rows, from how it ended."""
    if code in {-signal.SIGKILL, _OUT_OF_MEMORY}:
        return "memory", "its process was killed from outside, as when memory runs out"
    if code == -signal.SIGALRM:
        return "hang", f"no end after {job.options.seconds:g} s"
    if code < 0:
        return "crash", f"a crash of the process (signal {signal.Signals(-code).name})"
    return "crash", f"the process ended with code {code}"


_MEGA: Final = 1 << 20
#: One property at a time in a process: the time limit is the process's own.
_TURN: Final = threading.Lock()
_planned = 0


@dataclass
class Clock:
    """Adds up the time spent in each stage [s].

    seconds: stage -> time spent in it, without the stage that is running [s].
    """

    seconds: dict[str, float] = field(default_factory=dict)
    _stage: str = ""
    _since: float = 0.0

    def enter(self, stage: str) -> None:
        """Begin a stage, and end the one before; "" only ends."""
        now = time.perf_counter()
        if self._stage:
            self.seconds[self._stage] = self.seconds.get(self._stage, 0.0) + now - self._since
        self._stage, self._since = stage, now

    def progress(self, stage: str, _done: int, _total: int) -> None:
        """Take the planner's own report of its stages."""
        self.enter(f"plan: {stage}")


def run_tile(job: Job) -> TileReport:
    """Plan every property of a tile that is not done, and write the tile."""
    with _TURN:
        try:
            return _run_tile(job)
        except (OSError, RuntimeError) as error:
            if disk_full(error, job.folder, Path(tempfile.gettempdir())):
                raise DiskFullError(job.folder) from None
            raise


def _run_tile(job: Job) -> TileReport:
    global _planned  # noqa: PLW0603  (a count of this process, for the report alone)
    store, clock, notes = Store(job.folder, job.key), Clock(), []
    todo = job.handoff_only or [i for i in job.tile.ids if store.read_part(i) is None]
    suspects = [i for i in todo if job.alone or store.mark(i).exists()]
    fresh = [i for i in todo if i not in suspects]
    window = _window(job, clock) if fresh else None
    faults = 0
    for name in fresh:
        with _guard(job, store.mark(name)):
            faulty, told = _plan_here(job, name, window, store, clock)
        _planned += 1
        faults += faulty
        notes += told
    # Whoever brought a worker down goes last, so that the others do not wait for it.
    for name in suspects:
        clock.enter("alone")
        faults += _plan_alone(replace(job, guarded=False), name, store)
    clock.enter("write")
    if not (job.handoff_only or job.keep_parts):
        store.write_tile(job.tile)
    clock.enter("")
    return TileReport(
        tile=job.tile.name,
        planned=len(todo),
        faults=faults,
        seconds=clock.seconds,
        memory_mb=psutil.Process().memory_info().rss / _MEGA,
        peak_mb=_peak_mb(),
        worker=f"{platform.node()}:{os.getpid()}",
        worker_planned=_planned,
        notes=tuple(notes),
    )


def _peak_mb() -> float:
    """Return the most memory that this process has used [MB]."""
    try:
        import resource  # noqa: PLC0415 - not on Windows
    except ImportError:
        used = psutil.Process().memory_info()
        return float(getattr(used, "peak_wset", used.rss)) / _MEGA
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _plan_one(job: Job, name: str) -> None:
    """Plan one property of a tile by its own window."""
    row = job.tile.ids.index(name)
    tile = Tile(job.tile.name, (name,), job.tile.bounds[row : row + 1])
    clock = Clock()
    window = _window(replace(job, tile=tile), clock)
    _plan_here(job, name, window, Store(job.folder, job.key), clock)


def _window(job: Job, clock: Clock) -> CityWindow | None:
    clock.enter("window")
    return open_window(job.source, job.tile) if isinstance(job.source, City) else None


@contextmanager
def _guard(job: Job, mark: Path) -> Iterator[None]:
    """Leave a mark while a property is being planned; end the process when it takes too long.

    The timer is a thread in C, so it also ends code that never gives way to another thread.
    """
    mark.parent.mkdir(parents=True, exist_ok=True)
    with mark.open("w", encoding="utf-8") as file:
        if job.guarded:
            faulthandler.dump_traceback_later(job.options.seconds, exit=True, file=file)
        try:
            yield
        finally:
            faulthandler.cancel_dump_traceback_later()
    mark.unlink(missing_ok=True)


def _plan_here(
    job: Job, name: str, window: CityWindow | None, store: Store, clock: Clock
) -> tuple[bool, list[str]]:
    """Plan one property in this process, and keep its rows.

    window: the layers around it, None for a folder of property files. Result: whether it has faults
    instead of a plan; what went wrong with its hand-off.
    """
    notes: list[str] = []
    with tempfile.TemporaryDirectory(prefix="siting-") as scratch:
        rows, made = _rows(job.source, name, window, Path(scratch), clock)
        clock.enter("write")
        if not job.handoff_only:
            store.write_part(name, to_tables(rows))
        if made is not None and matches(job.options.handoff, rows["properties"][0]):
            clock.enter("hand-off")
            notes = _hand_off(job, name, made)
    clock.enter("")
    return made is None, notes


def _rows(
    source: Source, name: str, window: CityWindow | None, scratch: Path, clock: Clock
) -> tuple[Rows, Plan | None]:
    """Return the rows of a property, and its plan where there is one."""
    try:
        clock.enter("extract")
        if isinstance(source, City):
            assert window is not None  # noqa: S101  (a city is always read by window)
            path = extract(window, name, scratch)
        else:
            path = source.files[name]
        clock.enter("read")
        settings, site, climate = read_inputs(path)
        clock.enter("plan: weather")
        made = plan(site, climate, settings, threads=1, progress=clock.progress)
        clock.enter("rows")
        return plan_rows(name, made), made
    except InputError as error:
        faults = [_without_paths(fault, source, scratch) for fault in error.faults]
        return fault_rows(name, "input", faults), None
    except PlanError as error:
        return fault_rows(name, "plan", [_fault(name, str(error), "a plan")]), None
    except MemoryError:
        fault = _fault(name, "more memory needed than there is", "a property that fits")
        return fault_rows(name, "memory", [fault]), None
    except (Exception, SystemExit) as error:  # noqa: BLE001  (never stops the others)
        if disk_full(error, scratch):
            raise DiskFullError(scratch) from None
        return fault_rows(name, "error", [_fault(name, _told(error, scratch), "a plan")]), None


def _without_paths(fault: Fault, source: Source, scratch: Path) -> Fault:
    """Return a fault whose words name files from the portfolio on, wherever that lies."""
    home = source.path.parent if isinstance(source, City) else source.path
    texts = {
        column: str(value).replace(f"{home}{os.sep}", "").replace(f"{scratch}{os.sep}", "")
        for column, value in asdict(fault).items()
        if value is not None
    }
    return replace(fault, **texts)


def _fault(name: str, found: str, allowed: str) -> Fault:
    mend = "Plan it alone with `siting portfolio-extract` and `siting plan` to look closer."
    return Fault(name, found, allowed, mend)


def _told(error: BaseException, scratch: Path) -> str:
    """Describe an unexpected error: what, and where in this package, without paths."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if f"{os.sep}siting{os.sep}" in frame.filename]
    where = f" in {Path(own[-1].filename).name}, {own[-1].name}" if own else ""
    text = str(error).replace(str(scratch), "").splitlines() or [""]
    plain = re.sub(r"0x[0-9a-f]+", "0x", text[0])[:300]
    return f"{type(error).__name__}: {plain}{where}"


def _hand_off(job: Job, name: str, made: Plan) -> list[str]:
    """Write the hand-off of a plan: the folder is there whole or not at all."""
    target = job.folder / "handoff" / folder_name(name)
    if job.options.writer is None or target.exists():
        return []
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        part.mkdir(parents=True)
        job.options.writer(made, part)
        part.rename(target)
    except Exception as error:  # noqa: BLE001  (a map that fails must not cost the plan)
        if disk_full(error, job.folder):
            raise DiskFullError(job.folder) from None
        return [f"{name}: no hand-off: {_told(error, part)}"]
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return []


def alone() -> None:
    """Plan the property that standard input names, in this process alone, and end it."""
    import resource  # noqa: PLC0415 - not on every system

    stream = sys.stdin.buffer
    size = _SIZE.unpack(stream.read(_SIZE.size))[0]
    # Written by the parent process, which is this same program.
    job, name = pickle.loads(stream.read(size))  # noqa: S301

    def leave_with_parent() -> None:
        stream.read()
        os._exit(1)

    threading.Thread(target=leave_with_parent, daemon=True).start()
    limit = int(job.options.memory_mb * _MEGA)
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    # The default action of this alarm ends the process, whatever it is doing.
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, job.options.seconds)
    _plan_one(job, name)
    os._exit(0)  # threads of libraries are not waited for
