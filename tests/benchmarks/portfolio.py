"""Rate of a portfolio: a plain loop, one worker, two workers, and dask's own setting of malloc.

    python tests/benchmarks/portfolio.py --lots 2000

Everything is measured in one run on one machine, on lots of the invented city (60 m by 60 m, 3 to
6 zones, 5 weather years, 0.5 m). The plain loop knows nothing of tiles, parts or workers: it cuts
out each property, reads it and plans it. Overhead is what workers do not spend on that: hand-out,
durable parts, tiles, waiting. Other load on the machine spoils the ratios; it is printed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from siting.planning.make import plan, read_inputs
from siting.portfolio.model import Job
from siting.portfolio.run import (
    ClusterEngine,
    EngineError,
    Heard,
    Status,
    run_portfolio,
    worker_environment,
)
from siting.portfolio.source import cut_tiles, extract, index_of, open_source, open_window
from tests.city import write_city

#: Lots of the plain loop at most: it stands still, nothing in it grows.
MOST_LOOPED = 100

#: Stages of a worker that are work; the others are overhead.
_WORK = ("window", "extract", "read", "rows", "plan")


def plain_loop(template: Path, lots: int) -> None:
    """Plan some properties in a loop, and print the seconds of each as JSON."""
    source = open_source(template)
    index = index_of(source)
    seconds = []
    for tile in cut_tiles(index, 40):
        window = open_window(source, tile)
        for name in tile.ids:
            if len(seconds) > lots:
                break
            began = time.perf_counter(), time.process_time()
            with tempfile.TemporaryDirectory() as scratch:
                settings, site, climate = read_inputs(extract(window, name, Path(scratch)))
                plan(site, climate, settings, threads=1)
            seconds.append((time.perf_counter() - began[0], time.process_time() - began[1]))
    # The first pays for imports and for starting the compiled kernels.
    print(json.dumps(seconds[1:]))


def loop_rate(template: Path, lots: int) -> tuple[float, float]:
    """Return the plain loop's rate by the clock, and by its own processor time [1/s]."""
    command = [sys.executable, __file__, "--loop", str(template), "--lots", str(lots)]
    done = subprocess.run(
        command, env={**os.environ, **worker_environment()}, check=True, capture_output=True
    )
    seconds = np.array(json.loads(done.stdout))
    return tuple(len(seconds) / seconds.sum(axis=0))


class Begin:
    """An engine that leaves a run after some lots: the begin of the same city for one worker."""

    def __init__(self, engine: ClusterEngine, lots: int) -> None:
        self.engine, self.lots = engine, lots

    def run(self, jobs: Iterable[Job], heard: Heard) -> None:
        """Run the first jobs; the run takes the rest for lost, and says so."""
        few, lots = [], 0
        for job in jobs:
            if lots < self.lots:
                few.append(job)
                lots += len(job.tile.ids)
        self.engine.run(few, heard)


def cluster_run(
    template: Path, folder: Path, *, workers: int, trim: bool = False, lots: int | None = None
) -> dict:
    """Plan the city, or its first lots, on workers, and return what it took."""
    out = folder / f"out-{workers}-{trim}"
    seen: list[Status] = []
    with ClusterEngine(workers=workers, trim=trim) as engine:
        warm(folder, engine, f"warm-{workers}-{trim}")
        before = engine.client.run(time.process_time)
        try:
            run_portfolio(open_source(template), out, watch=seen.append,
                          engine=Begin(engine, lots) if lots else engine)  # fmt: skip
        except EngineError:
            if not lots:
                raise
        status = seen[-1]
        after = engine.client.run(time.process_time)
    work = sum(s for stage, s in status.stages.items() if stage.split(":")[0] in _WORK)
    busy = sum(status.stages.values())
    return {
        "rate": status.rate,
        "cpu_per_property": sum(after[w] - before[w] for w in after) / status.planned,
        "overhead": 1 - work / (workers * status.seconds),
        "durable": (busy - work) / work,
        "work_per_property": work / status.planned,
        "memory": status.memory,
    }


def warm(folder: Path, engine: ClusterEngine, name: str) -> None:
    """Let every worker import and plan something, so that starting up is not in the rate."""
    few = write_city(folder / f"few-{name}", 8)
    run_portfolio(open_source(few), folder / name, engine=engine, size=1)


def growth(memory: dict) -> list[str]:
    """Say how the memory of each worker grew from a tenth of its properties to the end."""
    lines = []
    for worker, points in memory.items():
        counts, used = np.array(points).T
        early = used[counts <= max(counts[-1] * 0.1, counts[0])][-1]
        lines.append(
            f"  {worker}: {early:.0f} MB after {counts[0]:.0f}-{counts[-1] * 0.1:.0f} properties, "
            f"{used[-1]:.0f} MB after {counts[-1]:.0f}, at most {used.max():.0f} MB"
        )
    return lines


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--lots", type=int, default=2000)
    parser.add_argument("--one", type=int, help="Lots for the single worker; as many, without.")
    parser.add_argument("--loop", type=Path)
    parser.add_argument("--trim", action="store_true", help="Also measure dask's malloc setting.")
    given = parser.parse_args()
    if given.loop:
        plain_loop(given.loop, given.lots)
        return
    print(f"load before: {os.getloadavg()}, {os.cpu_count()} cores")
    print(f"{given.lots} lots for two workers, {given.one or given.lots} of them for one")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        template = write_city(folder / "city", given.lots)
        loop, loop_cpu = loop_rate(template, min(given.lots - 1, MOST_LOOPED))
        print(
            f"plain loop:  {loop:.3f}/s by the clock, {loop_cpu:.3f}/s of processor time",
            flush=True,
        )
        # One worker before and after two: a machine that changes its pace meanwhile is seen.
        found = []
        for name, n in (("before", 1), ("two", 2), ("after", 1)):
            lots = given.one if n == 1 else None
            run = cluster_run(template, folder / name, workers=n, lots=lots)
            found.append(run)
            print(
                f"{n} worker(s): {run['rate']:.3f}/s, {run['rate'] / n / loop:.2f} x the loop a "
                f"core; {run['cpu_per_property']:.3f} s of processor time each; overhead "
                f"{run['overhead']:.1%} of the workers' time, durable parts {run['durable']:.1%}",
                flush=True,
            )
            print("\n".join(growth(run["memory"])), flush=True)
        ratios = [found[1]["rate"] / found[one]["rate"] for one in (0, 2)]
        print("2 workers over 1: {:.2f} x that before, {:.2f} x that after".format(*ratios))
        if given.trim:
            slow = cluster_run(template, folder / "trim", workers=2, trim=True)
            clock = found[1]["rate"] / slow["rate"]
            cpu = slow["cpu_per_property"] / found[1]["cpu_per_property"]
            print(f"without against with dask's malloc setting: {clock:.2f} x by the clock, "
                  f"{cpu:.2f} x by processor time")  # fmt: skip
        shutil.rmtree(folder / "city")
    print(f"load after: {os.getloadavg()}")


if __name__ == "__main__":
    main()
