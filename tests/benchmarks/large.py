"""What large sites cost: processor time of every stage, memory, bytes of the pages, and slopes.

    python -m tests.benchmarks.large --ha 25 50 100
    python -m tests.benchmarks.large --ha 1000 --zones 1500 --trees 25000 --threads 2

Each campus (`tests/large.py`) is planned and written as `siting plan --threads` does it, with the
processes that this starts, in a process of its own. Processor time and memory are those of all of
them; what several share of the memory counts once. The slope of a stage is that of its processor
time against the number of zones, both on log axes, by least squares. Loops are compiled before the
clock starts. `--profile N` prints the functions of the first process that took most.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from tests.benchmarks.shell import STAGES
from tests.large import write_campus

HERE = Path(__file__).parents[2]
#: Plans and writes one property, and prints what every stage took as JSON.
_CHILD = """
import cProfile, json, pstats, resource, sys, threading, time
import psutil
source, out, threads, names, lines = sys.argv[1], sys.argv[2], int(sys.argv[3]), json.loads(
    sys.argv[4]), int(sys.argv[5])
from siting.decide.choose import TOGETHER
from siting.handoff.bundle import write_bundle
from siting.parts import processes
from siting.planning.make import plan, read_inputs
from siting.planning.room import memory_needed
from tests.benchmarks.large import processor_seconds, memory_used
mine, took, clock, peak = psutil.Process(), {}, {}, {}
now = ["", processor_seconds(mine), time.perf_counter()]
began = now[2]
def watch():
    while True:
        peak[now[0]] = max(peak.get(now[0], 0.0), memory_used(mine))
        time.sleep(0.5)
def turn(stage):
    at = processor_seconds(mine), time.perf_counter()
    took[now[0]] = took.get(now[0], 0.0) + at[0] - now[1]
    clock[now[0]] = clock.get(now[0], 0.0) + at[1] - now[2]
    now[:] = [stage, *at]
def heard(stage, *_):
    name = next((word for start, word in names.items() if stage.startswith(start)), now[0])
    if name != now[0]:
        print(f"{time.perf_counter() - began:8.1f} s {name}", file=sys.stderr, flush=True)
        turn(name)
profile = cProfile.Profile()
if lines:
    profile.enable()
turn("reading")
threading.Thread(target=watch, daemon=True).start()
settings, site, climate = read_inputs(source)
count = threads if len(site.hydrozones) > TOGETHER else 1
with processes(count):
    made = plan(site, climate, settings, threads=threads, progress=heard)
    turn("hand-off")
write_bundle(made, out, processes=count)
turn("")
if lines:
    profile.disable()
    pstats.Stats(profile, stream=sys.stderr).sort_stats("cumulative").print_stats(lines)
for found in (took, clock, peak):
    found.pop("", None)
facts = made.decision
print(json.dumps({"took": took, "clock": clock, "peak": peak,
    "needed": memory_needed(site, settings) / 1e6, "zones": len(made.zones),
    "sensors": len(made.sensors), "gap": facts["gap"], "bound_share": facts["bound_share"]}))
"""


def processor_seconds(process: psutil.Process) -> float:
    """Return the processor time of a process and of all that it started [s]."""
    found = process.cpu_times()
    total = found.user + found.system + found.children_user + found.children_system
    for child in process.children():
        with contextlib.suppress(psutil.Error):
            its = child.cpu_times()
            total += its.user + its.system
    return float(total)


def memory_used(process: psutil.Process) -> float:
    """Return the memory of a process and of all that it started, what is shared once [MB]."""
    total = 0.0
    for one in (process, *process.children()):
        with contextlib.suppress(psutil.Error):
            total += one.memory_full_info().pss / 1e6
    return float(total)


def measure(source: Path, out: Path, *, threads: int, lines: int = 0) -> dict[str, Any]:
    """Plan and write one campus in a process of its own; return what its stages took."""
    words = [str(source), str(out), str(threads), json.dumps(STAGES), str(lines)]
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, *words], cwd=HERE, stdout=subprocess.PIPE, text=True,
        check=True,
    )  # fmt: skip
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    found["bytes"] = {file.name: file.stat().st_size for file in out.rglob("*") if file.is_file()}
    return found


def slope(size: list[int], seconds: list[float]) -> float:
    """Return the slope of seconds against size, both on log axes."""
    return float(np.polyfit(np.log(size), np.log(np.maximum(seconds, 1e-3)), 1)[0])


def report(sizes: list[int], found: list[dict[str, Any]]) -> list[str]:
    """Return the table of stages against sizes, with slopes where there are two sizes or more."""
    zones = [one["zones"] for one in found]
    head = [f"{ha:,} ha, {z:,} zones" for ha, z in zip(sizes, zones, strict=True)]
    lines = [
        f"| processor seconds (by the clock) | {' | '.join(head)} | slope |",
        "|---" * (len(head) + 2) + "|",
    ]
    for one in found:
        one["took"]["all"], one["clock"]["all"] = (
            sum(value for stage, value in one[what].items() if stage != "all")
            for what in ("took", "clock")
        )
    for stage in found[0]["took"]:
        seconds = [one["took"].get(stage, 0.0) for one in found]
        cells = [
            f"{s:.1f} ({one['clock'].get(stage, 0.0):.1f})"
            for s, one in zip(seconds, found, strict=True)
        ]
        steep = f"{slope(zones, seconds):.2f}" if len(set(zones)) > 1 else ""
        lines.append(f"| {stage} | {' | '.join(cells)} | {steep} |")
    rest = {
        "peak memory [MB]": [f"{max(one['peak'].values()):,.0f}" for one in found],
        "of it most in": [max(one["peak"], key=one["peak"].get) for one in found],
        "reckoned for one process [MB]": [f"{one['needed']:,.0f}" for one in found],
        "sensors": [str(one["sensors"]) for one in found],
        "gap of the choice": [f"{100 * one['gap']:.3f} %" for one in found],
        "with shared trench at most": [f"{100 * one['bound_share']:.1f} %" for one in found],
        "map page [MB]": [f"{one['bytes'].get('map.html', 0) / 1e6:.1f}" for one in found],
        "crew's pages [MB]": [f"{one['bytes'].get('crew.pdf', 0) / 1e6:.1f}" for one in found],
    }
    lines += [f"| {what} | {' | '.join(values)} | |" for what, values in rest.items()]
    return lines


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    asked.add_argument("--ha", type=int, nargs="+", default=[25, 50, 100])
    asked.add_argument("--zones", type=int, help="two a hectare where not given")
    asked.add_argument("--trees", type=int, help="25 a hectare where not given")
    asked.add_argument("--resolution", type=float, default=1.0)
    asked.add_argument("--scenarios", type=int, default=16)
    asked.add_argument("--threads", type=int, default=1)
    asked.add_argument("--profile", type=int, default=0, metavar="N")
    given = asked.parse_args()
    load, found = os.getloadavg()[0], []
    with tempfile.TemporaryDirectory() as scratch:
        warm = write_campus(Path(scratch) / "warm", 1, resolution=2, scenarios=2)
        measure(warm, Path(scratch) / "warm-out", threads=1)
        for ha in given.ha:
            folder = Path(scratch) / str(ha)
            source = write_campus(
                folder, ha, zones=given.zones, trees=given.trees, resolution=given.resolution,
                scenarios=given.scenarios,
            )  # fmt: skip
            found.append(
                measure(source, folder / "out", threads=given.threads, lines=given.profile)
            )
            print("\n".join(report(given.ha[: len(found)], found)), flush=True)
    print(f"\nload of the machine {load:.1f} at the start, {os.getloadavg()[0]:.1f} at the end")


if __name__ == "__main__":
    main()
