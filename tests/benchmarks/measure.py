"""Time, memory and error of one engine, each in a process of its own.

A worker process holds one prepared engine. The driver asks the workers in turn, so engines
alternate while none of them runs beside another.
"""

from __future__ import annotations

import ctypes
import gc
import importlib.metadata
import inspect
import multiprocessing as mp
import resource
import sys
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from siting.sun.position import SunPositions
from tests.benchmarks.peers import ENGINES, Skipped
from tests.benchmarks.scene import MONTHS, SCENES, sun_positions
from tests.sun_raytest import lit_share

__all__ = ["Case", "Result", "Sample", "draw_sample", "run_case", "versions"]

_PACKAGES = (
    "siting",
    "numpy",
    "shapely",
    "geopandas",
    "numba",
    "pybdshadow",
    "solweig",
    "umep",
    "insolation",
    "trimesh",
    "embreex",
    "rasterio",
)


#: An engine that takes longer than this is timed in so many rounds at most [s].
_PATIENCE, _SLOW_ROUNDS = 12.0, 1


@dataclass(frozen=True)
class Case:
    """What to measure.

    Parameters
    ----------
    scene : str
        One of `SCENES`.
    latitude : float
        North positive [deg].
    engines : tuple of str
        Of `ENGINES`.
    rounds : int
        How often every engine is timed, in turn.
    every, instants : int
        Every so manieth position of the sun is taken; and of these, for pixel-instants.
    points : int
        Size of the random sample of cells; 0 where the exact mode does not apply.
    months : tuple of int
        Months whose 15th is taken.
    """

    scene: str
    latitude: float
    engines: tuple[str, ...]
    rounds: int = 3
    every: int = 1
    points: int = 1500
    instants: int = 6
    months: tuple[int, ...] = MONTHS

    @property
    def title(self) -> str:
        """Scene and latitude in words."""
        return f"{self.scene}, {self.latitude:g}° N"

    def sun(self, least: int = 1) -> SunPositions:
        """Positions of the sun, every so manieth at least left out."""
        return sun_positions(self.latitude, every=max(least, self.every), months=self.months)


@dataclass
class Result:
    """What was measured of one engine; None where it does not apply."""

    seconds: list[float] = field(default_factory=list)
    busy: list[float] = field(default_factory=list)
    ns: float | None = None
    busy_ns: float | None = None
    peak_mb: float | None = None
    wrong: float | None = None
    wrong_far: float | None = None
    minutes_off: float | None = None
    minutes_off_far: float | None = None
    skipped: str = ""


@dataclass(frozen=True)
class Sample:
    """Ground cells drawn at random, and the truth there.

    Parameters
    ----------
    rows, columns : ndarray, shape (P,)
        Cells.
    lit : ndarray, shape (N, P)
        Exact share of light at every position of the sun.
    far : ndarray of bool, shape (N, P)
        Whether no edge of a shadow lies within one cell: the eight neighbours agree.
    clear : ndarray of bool, shape (P,)
        Whether no building lies within one cell.
    hours : ndarray, shape (M, P)
        Exact sun hours per month [h/d].
    """

    rows: np.ndarray
    columns: np.ndarray
    lit: np.ndarray
    far: np.ndarray
    clear: np.ndarray
    hours: np.ndarray


def draw_sample(case: Case, seed: int = 11) -> Sample:
    """Draw cells on the ground near buildings and ask the exact mode."""
    town, sun = SCENES[case.scene](), case.sun()
    grid, random = town.grid, np.random.default_rng(seed)
    # Half of the ground of the town scene is empty land that no engine gets wrong, so cells are
    # drawn where a shadow may fall at all: within 60 m of a building.
    rows, columns = random.integers(0, (grid.rows, grid.columns), (6 * case.points, 2)).T
    tree = shapely.STRtree(town.buildings.geometry.to_numpy())
    points = shapely.points(grid.x[columns], grid.y[rows])
    near = np.unique(tree.query(points, predicate="dwithin", distance=60.0)[0])
    built = np.unique(tree.query(points, predicate="within")[0])
    keep = np.setdiff1d(near, built)[: case.points]
    rows, columns = rows[keep], columns[keep]
    step = np.array([(y, x) for y in (0, -1, 1) for x in (0, -1, 1)]) * grid.resolution
    xy = np.column_stack([grid.x[columns], grid.y[rows]])
    spots = (xy + step[:, None]).reshape(-1, 2)
    layers = {"buildings": town.buildings, "trees": town.buildings.iloc[:0]}
    around = lit_share(spots, sun.elevation, sun.azimuth, **layers)
    around = around.reshape(len(sun.hours), len(step), len(rows))
    lit = around[:, 0]
    built = np.isnan(around)
    far = ((around == lit[:, None]) | built).all(axis=1)
    months = list(dict.fromkeys(sun.month.tolist()))
    hours = np.array([(lit * sun.hours[:, None])[sun.month == m].sum(axis=0) for m in months])
    return Sample(rows, columns, lit, far, ~built[0].any(axis=0), hours)


def versions() -> dict[str, str]:
    """Versions of everything that takes part."""
    found = {}
    for name in _PACKAGES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


class Worker:
    """One engine in a process of its own."""

    def __init__(self, name: str, case: Case) -> None:
        context = mp.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, name, case), daemon=True)
        self._process.start()
        theirs.close()

    def ask(self, what: str, *more: Any) -> Any:
        """Send a request and wait for the answer."""
        try:
            self._pipe.send((what, more))
            answer = self._pipe.recv()
        except (EOFError, BrokenPipeError) as error:
            message = f"the process of this engine died ({what})"
            raise Skipped(message) from error
        if isinstance(answer, Skipped):
            raise answer
        return answer

    def close(self) -> None:
        """End the process."""
        self._pipe.close()
        self._process.join(timeout=10)
        if self._process.is_alive():
            self._process.kill()


def _serve(pipe: Any, name: str, case: Case) -> None:
    """Prepare the engine, then answer requests until the pipe closes."""
    state: dict[str, Any] = {}
    while True:
        try:
            what, more = pipe.recv()
        except EOFError:
            return
        try:
            pipe.send(_ANSWERS[what](state, name, case, *more))
        except Skipped as reason:
            pipe.send(reason)
        except Exception as error:  # noqa: BLE001 - whatever a peer throws is its result
            pipe.send(Skipped(f"{type(error).__name__}: {error}"[:200]))


def _prepare(state: dict[str, Any], name: str, case: Case) -> bool:
    """Build the scene and the engine, and run it once on a few positions."""
    make = ENGINES[name]
    words = inspect.signature(make).parameters
    extra = {"latitude": case.latitude} if "latitude" in words else {}
    town = SCENES[case.scene]()
    state["sun"] = case.sun()
    state["engine"] = make(town, **extra)
    if state["engine"].lit is not None:  # compiles, warms
        state["engine"].hours(case.sun(90))
    return True


def _time(state: dict[str, Any], *_: Any) -> tuple[float, float]:
    """Return seconds of the clock and of the processors; the sun hours are kept for scoring."""
    state.pop("hours", None)
    start, busy = time.perf_counter(), _processor_seconds()
    state["hours"] = state["engine"].hours(state["sun"])
    return time.perf_counter() - start, _processor_seconds() - busy


def _processor_seconds() -> float:
    """Return the seconds of all threads of this process and of the programs it has run."""
    child = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + child.ru_utime + child.ru_stime


def _memory(state: dict[str, Any], _name: str, case: Case) -> float:
    """Growth of the peak resident memory over what was resident before [MB]."""
    if state["engine"].lit is None:  # runs a program of its own
        return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    state["hours"] = None
    gc.collect()
    if sys.platform == "linux":  # give back what was freed, so that it is not counted as there
        ctypes.CDLL("libc.so.6").malloc_trim(0)
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    before = _status("VmRSS")
    state["engine"].hours(case.sun(8))
    return _status("VmHWM") - before


def _status(key: str) -> float:
    """Read a line of the process's status [MB]."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(float(line.split()[1]) / 1024 for line in lines if line.startswith(key))


def _score(state: dict[str, Any], _name: str, case: Case, sample: Sample) -> dict[str, float]:
    """Errors at the sample against the exact mode."""
    sun, engine = state["sun"], state["engine"]
    found = state["hours"][:, sample.rows, sample.columns]
    off = 60 * np.abs(found - sample.hours)
    if engine.lit is None and case.every > 1:  # steps through the whole day by itself
        return {}
    scores = {
        "minutes_off": float(off.mean()),
        "minutes_off_far": float(off[:, sample.clear].mean()),
    }
    if engine.lit is None:
        return scores
    some = slice(None, None, case.instants)
    lit = engine.lit(sun.elevation[some], sun.azimuth[some], sample.rows, sample.columns)
    wrong = np.round(lit) != np.round(sample.lit[some])
    return scores | {
        "wrong": float(wrong.mean()),
        "wrong_far": float(wrong[sample.far[some]].mean()),
    }


_ANSWERS = {"prepare": _prepare, "time": _time, "memory": _memory, "score": _score}


def run_case(case: Case, sample: Sample | None, *, say: Any = print) -> dict[str, Result]:
    """Measure every engine of a case; rounds go through the engines in turn."""
    results = {name: Result() for name in case.engines}
    workers: dict[str, Worker] = {}

    def ask(name: str, what: str, *more: Any) -> Any:
        try:
            return workers[name].ask(what, *more)
        except Skipped as reason:
            results[name].skipped = str(reason)
            say(f"  {name}: left out, {reason}")
            workers.pop(name).close()
            return None

    for name in case.engines:
        workers[name] = Worker(name, case)
        ask(name, "prepare")
    for turn in range(case.rounds):
        for name in list(workers):
            if turn >= _SLOW_ROUNDS and results[name].seconds[-1] > _PATIENCE:
                continue
            taken = ask(name, "time")
            if taken is not None:
                results[name].seconds.append(taken[0])
                results[name].busy.append(taken[1])
                say(f"  round {turn + 1}: {name}: {taken[0]:.3f} s, processors {taken[1]:.3f} s")
    for name in list(workers):
        for key, value in ((sample and ask(name, "score", sample)) or {}).items():
            setattr(results[name], key, value)
        if name in workers:
            results[name].peak_mb = ask(name, "memory")
    for worker in workers.values():
        worker.close()
    _rates(case, results)
    return results


def _rates(case: Case, results: dict[str, Result]) -> None:
    """Nanoseconds per pixel and position: clock of the median round, processors of the least."""
    town = SCENES[case.scene]()
    for name, result in results.items():
        whole = replace(case, every=1) if name.startswith("GRASS") else case
        count = len(whole.sun().hours)
        if result.seconds:
            steps = town.grid.rows * town.grid.columns * count
            result.ns = 1e9 * float(np.median(result.seconds)) / steps
            result.busy_ns = 1e9 * min(result.busy) / steps
