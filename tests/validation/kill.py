"""Kill runs at random moments over an existing result: it must be the old or the new.

    python -m tests.validation.kill [TIMES] [SEED] [stub | campus]

Two results that differ in one price alternate in one folder. Half of the kills fall anywhere in the
run, half in its last part, where results are put in place. `stub`: the runs plan nothing and write
other content under the same names, 200 of them within a minute. `campus`: a plan of 100 ha is
killed again and again, each run going on from what the one before had kept; nothing may lie in its
folder before it is whole, and then the bytes must be those of a run that nobody killed.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from siting.stages import stages_beside
from tests.large import write_campus
from tests.small_property import coarse_property
from tests.stub_results import start_stub

COMMAND = [sys.executable, "-m", "siting.cli", "plan"]
PRICES = ("2.0", "3.0")


class Run(subprocess.Popen):
    """A run of `siting plan`, to be waited for and killed as a process of multiprocessing is."""

    def join(self, seconds: float | None = None) -> None:
        try:
            self.wait(seconds)
        except subprocess.TimeoutExpired:
            return

    @property
    def exitcode(self) -> int | None:
        return self.poll()


def planner(home: Path) -> Callable[[str, Path], Run]:
    """Write a small property; return what starts `siting plan` on it at some price."""
    path = coarse_property(home / "p")

    def start(price: str, out: Path) -> Run:
        words = [*COMMAND, str(path), "--out", str(out), "--set", f"water.price={price}"]
        return Run(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    return start


def digest(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
    }


def killed(
    home: Path, start: Callable[[str, Path], Any], *, times: int, seed: int
) -> dict[str, int]:
    """Kill so many runs; count what lay in the folder afterwards.

    start: begins a run at a price into a folder.
    """
    whole, took, out = [], 0.0, home / "out"
    for price in PRICES:
        begin = time.perf_counter()
        run = start(price, out)
        run.join()
        took = time.perf_counter() - begin  # in the end that of replacing older results
        assert run.exitcode == 0
        whole.append(digest(out))
    assert whole[0] != whole[1]
    rng, now = random.Random(seed), 1
    tally = {"old": 0, "new": 0, "mixed": 0, "ended": 0}
    for k in range(times):
        run = start(PRICES[1 - now], out)
        run.join(took * (rng.uniform(0.0, 1.0) if k % 2 else rng.uniform(0.8, 1.2)))
        tally["ended"] += run.exitcode is not None
        run.kill()
        run.join()
        found = digest(out)
        if found not in whole:
            tally["mixed"] += 1
            continue
        is_new = found == whole[1 - now]
        tally["new" if is_new else "old"] += 1
        now = 1 - now if is_new else now
    return tally


def campus_run(source: Path, out: Path) -> Run:
    """Begin to plan a large site by two processes, what is worked out kept."""
    words = [*COMMAND, str(source), "--out", str(out), "--threads", "2"]
    environment = os.environ | {"SITING_PROGRESS": "lines"}
    told = out.with_suffix(".log").open("w")
    return Run(words, stdout=subprocess.DEVNULL, stderr=told, env=environment)


def campus_killed(home: Path, *, times: int, seed: int, hectares: int = 100) -> list[str]:
    """Kill a plan so many times on its way; return where it was, and what lay there in the end."""
    source = write_campus(home / "campus", hectares)
    plain, out = home / "plain", home / "out"
    begin = time.perf_counter()
    assert campus_run(source, plain).wait() == 0
    took = time.perf_counter() - begin
    rng, told = random.Random(seed), []
    while len(told) < times:
        run = campus_run(source, out)
        run.join(rng.uniform(0.0, 3.0 * took / times))
        if run.poll() is not None:  # whole before it could be killed: from the beginning
            assert digest(out) == digest(plain)
            shutil.rmtree(out)
            shutil.rmtree(stages_beside(out).folder)
            continue
        run.kill()
        run.join()
        assert not out.exists(), "half a result"
        lines = ["its start", *out.with_suffix(".log").read_text("utf-8").splitlines()]
        kept = len(list(stages_beside(out).folder.glob("*")))
        told.append(f"killed at {lines[-1].replace(chr(9), ' ')}; {kept} entries kept")
    assert campus_run(source, out).wait() == 0
    return [*told, "the same bytes" if digest(out) == digest(plain) else "OTHER BYTES"]


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    campus = "campus" in sys.argv
    times, seed = [*numbers, *(10 if campus else 200, 1)[len(numbers) :]]
    with tempfile.TemporaryDirectory() as folder:
        if campus:
            print(*campus_killed(Path(folder), times=times, seed=seed), sep="\n")
            sys.exit()
        way = start_stub if "stub" in sys.argv else planner(Path(folder))
        print(killed(Path(folder), way, times=times, seed=seed))
