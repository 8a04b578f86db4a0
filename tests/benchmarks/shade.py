"""Benchmark of the shade engine against public peers; writes shade_report.md beside it.

Run as ``python -m tests.benchmarks.shade`` from the project's folder; see README.md.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from siting.sun.light import ShadeOptions
from siting.sun.position import season_positions
from tests.benchmarks.measure import Case, Result, draw_sample, run_case, versions
from tests.benchmarks.peers import ENGINES
from tests.benchmarks.positions import grouped_errors
from tests.benchmarks.report import write_report
from tests.benchmarks.scene import SCENES, trees_of
from tests.sun_cases import shade_season

ALL: Final = tuple(ENGINES)
OURS: Final = tuple(name for name in ALL if name.startswith("siting"))
NO_RSUN: Final = tuple(name for name in ALL if not name.startswith("GRASS"))
RSUN: Final = "GRASS r.sun, 1 thread"

#: What takes minutes on large rasters (70 ns and more per pixel and position); see README.md.
SLOW: Final = ("trimesh", "pybdshadow", "umep", "solweig")
LARGE: Final = tuple(name for name in NO_RSUN if name.split()[0] not in SLOW)
NO_UMEP: Final = tuple(name for name in NO_RSUN if name != "umep")
RASTERS: Final = ("siting, height raster, 2 threads", "insolation", "solweig", "umep")

CASES: Final = (
    Case("town 0.5 m", 50.0, NO_UMEP, rounds=3, instants=6),
    Case("town 1 m", 50.0, (*NO_RSUN, RSUN), rounds=3, instants=6),
    Case("synthetic 4000", 50.0, LARGE, rounds=2, points=600, instants=8, months=(6,)),
    Case("town on hills 0.5 m", 50.0, RASTERS, rounds=2, every=12, points=0),
    Case("town 0.5 m", 29.65, NO_RSUN, rounds=3, every=4, instants=3),
    Case("town 1 m", 29.65, NO_RSUN, rounds=3, every=4, instants=3),
    Case("synthetic 4000", 29.65, LARGE, rounds=2, every=2, points=600, instants=4, months=(6,)),
)

_GROWTH: Final = (
    ("pixels", ("town 2 m", "town 1 m", "town 0.5 m", "town 0.25 m")),
    ("buildings", ("250 buildings", "1000 buildings", "4000 buildings")),
)
_POSITIONS: Final = (8, 4, 2, 1)
_SEASONS: Final = (("1 ha", "1 ha of the town, surroundings, 30 trees"), ("100 ha", "100 ha"))


def growth(engine: str) -> list[tuple[str, str, float, float]]:
    """Time of one engine over pixels, buildings and positions: what, which, size, seconds."""
    found = []
    for what, scenes in _GROWTH:
        for scene in scenes:
            case = Case(scene, 50.0, (engine,), rounds=3)
            town = SCENES[scene]()
            size = town.grid.rows * town.grid.columns if what == "pixels" else len(town.buildings)
            found.append((what, scene, float(size), _best(case)))
    for every in _POSITIONS:
        case = Case("town 0.5 m", 50.0, (engine,), rounds=3, every=every)
        count = len(case.sun().hours)
        found.append(("positions", f"every {every}", float(count), _best(case)))
    return found


def _best(case: Case) -> float:
    """Fastest round of a case with one engine."""
    (result,) = run_case(case, None, say=lambda _: None).values()
    return min(result.seconds, default=float("nan"))


def seasons() -> list[tuple[str, float]]:
    """Seconds for a whole season: seven months, every 15 minutes, trees and sky view, 2 threads."""
    found = []
    sun = season_positions(50.0, 14.0, months=(4, 5, 6, 7, 8, 9, 10), minutes=15)
    for scene, title in _SEASONS:
        town = SCENES[scene]()
        layers = {"buildings": town.buildings, "trees": trees_of(town)}
        seconds = []
        for _ in range(3 if scene == "1 ha" else 1):
            start = time.perf_counter()
            shade_season(town.grid, sun, options=ShadeOptions(threads=2), **layers)
            seconds.append(time.perf_counter() - start)
        counts = f"{len(sun.hours)} positions, {len(layers['trees'])} trees"
        found.append((f"{title} ({counts})", float(np.median(seconds))))
    return found


def main(words: list[str]) -> int:
    """Run the cases and write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name("shade_report.md"))
    parser.add_argument("--only", help="run only cases whose title holds one of these; between ;")
    parser.add_argument("--engines", help="comma-separated parts of engine names")
    parser.add_argument("--rounds", type=int, help="rounds of every case")
    parser.add_argument("--every", type=int, default=1, help="take fewer positions, by this factor")
    parser.add_argument("--months", help="comma-separated months, instead of all six")
    parser.add_argument("--quick", action="store_true", help="no growth and no whole seasons")
    chosen = parser.parse_args(words)
    results: dict[Case, dict[str, Result]] = {}
    best, more, whole, off, text = "", [], [], [], ""
    for run in _chosen_cases(chosen):
        _say(f"{run.title}: {run.rounds} rounds")
        results[run] = run_case(run, draw_sample(run) if run.points else None, say=_say)
        if not (chosen.quick or best):
            best = _fastest_of_ours(results)
            more, whole, off = growth(best), seasons(), grouped_errors()
        # After every case, so that a run that is cut short has reported what it did.
        text = write_report(
            chosen.out,
            results,
            growth=(best, more),
            seasons=whole,
            grouped=off,
            names=versions(),
        )
    _say(text)
    return 0


def _chosen_cases(chosen: argparse.Namespace) -> list[Case]:
    """Cases to run, as the command line wants them."""
    found = []
    for case in CASES:
        if chosen.only and not any(part in case.title for part in chosen.only.split(";")):
            continue
        parts = chosen.engines.split(",") if chosen.engines else [""]
        engines = tuple(name for name in case.engines if any(part in name for part in parts))
        rounds, every = chosen.rounds or case.rounds, chosen.every * case.every
        months = tuple(map(int, chosen.months.split(","))) if chosen.months else case.months
        found.append(replace(case, engines=engines, rounds=rounds, every=every, months=months))
    return found


def _fastest_of_ours(results: dict[Case, dict[str, Result]]) -> str:
    """Our engine that won the first case."""
    first = next(iter(results.values()))
    times = {n: min(r.seconds) for n, r in first.items() if r.seconds and "vectors" in n}
    return min(times, key=times.__getitem__, default=OURS[0])


def _say(line: str) -> None:
    """Print at once."""
    print(line, flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
