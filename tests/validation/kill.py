"""Kill runs at random moments over an existing result: it must be the old or the new.

    python -m tests.validation.kill [TIMES] [SEED] [stub]

Two results that differ in one price alternate in one folder. Half of the kills fall anywhere in the
run, half in its last part, where results are put in place. `stub`: the runs plan nothing and write
other content under the same names, 200 of them within a minute.
"""

from __future__ import annotations

import hashlib
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

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


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word != "stub"]
    times, seed = [*numbers, *(200, 1)[len(numbers) :]]
    with tempfile.TemporaryDirectory() as folder:
        way = start_stub if "stub" in sys.argv else planner(Path(folder))
        print(killed(Path(folder), way, times=times, seed=seed))
