"""Kill -9 a worker or the whole run at random moments, ten times, and compare the tables.

python tests/benchmarks/portfolio_kills.py --lots 60 --kills 10
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

from siting.portfolio.store import read_table
from tests.small_city import assert_same_tables, small_city


def start(template: Path, out: Path) -> subprocess.Popen:
    """Start the command."""
    command = [
        sys.executable,
        "-m",
        "siting.cli",
        "portfolio",
        str(template),
        "--out",
        str(out),
    ]
    return subprocess.Popen([*command, "--workers", "2"], stdout=subprocess.DEVNULL)


def workers_of(run: subprocess.Popen) -> list[psutil.Process]:
    """Return the worker processes of a run."""
    children = psutil.Process(run.pid).children(recursive=True)
    return [child for child in children if "spawn_main" in " ".join(child.cmdline())]


def main() -> None:
    """Kill, restart, compare."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--lots", type=int, default=60)
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--longest", type=float, default=8.0, help="Seconds between kills.")
    given = parser.parse_args()
    rng = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as scratch:
        template = small_city(Path(scratch) / "city", given.lots)
        out, calm = Path(scratch) / "out", Path(scratch) / "calm"
        start(template, calm).wait()
        run, killed = start(template, out), 0
        while killed < given.kills:
            time.sleep(rng.uniform(2.0, given.longest))
            if run.poll() is not None:
                print(f"done after {killed} kills: more lots are needed")
                break
            killed += 1
            workers = workers_of(run)
            if workers and rng.random() < 0.5:
                rng.choice(workers).send_signal(signal.SIGKILL)
                print(f"kill {killed}: a worker")
                continue
            run.kill()
            run.wait()
            psutil.wait_procs(workers, timeout=20)
            done = len(list(out.glob(".work/*/*.part"))) + read_table(out, "properties").num_rows
            print(f"kill {killed}: the run; {done} of {given.lots} properties were durable")
            run = start(template, out)
        code = run.wait()
        names = read_table(out, "properties")["property"].to_pylist()
        once = sorted(names) == [f"L{lot:06d}" for lot in range(given.lots)]
        assert_same_tables(calm, out)
        print(f"exit {code}; every property exactly once: {once}; tables equal to the bit")


if __name__ == "__main__":
    main()
