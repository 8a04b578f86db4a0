"""Kill `siting plan` at random moments over an existing result: it must be the old or the new.

    python -m tests.validation.kill [TIMES] [SEED]

Two properties that differ in one price alternate in one folder. Half of the kills fall anywhere in
the run, half in its last part, where results are put in place.
"""

from __future__ import annotations

import hashlib
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.small_property import write_property

COMMAND = [sys.executable, "-m", "siting.cli", "plan"]


def digest(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
    }


def run(home: Path, price: float, out: Path) -> list[str]:
    return [*COMMAND, str(home / "p"), "--out", str(out), "--set", f"water.price={price}"]


def killed(home: Path, *, times: int, seed: int) -> dict[str, int]:
    """Kill so many runs; count what lay in the folder afterwards."""
    write_property(home / "p")
    whole, took = [], 0.0
    for price in (2.0, 3.0):
        begin = time.perf_counter()
        subprocess.run(run(home, price, home / f"r{price}"), check=True, capture_output=True)
        took = time.perf_counter() - begin
        whole.append(digest(home / f"r{price}"))
    assert whole[0] != whole[1]
    out = home / "out"
    subprocess.run(run(home, 2.0, out), check=True, capture_output=True)
    rng, now = random.Random(seed), 0
    tally = {"old": 0, "new": 0, "mixed": 0, "ended": 0}
    for k in range(times):
        command = run(home, (2.0, 3.0)[1 - now], out)
        wait = took * (rng.uniform(0.0, 1.0) if k % 2 else rng.uniform(0.8, 1.1))
        with subprocess.Popen(command, stdout=-3, stderr=-3) as process:
            try:
                process.wait(wait)
                tally["ended"] += 1
            except subprocess.TimeoutExpired:
                process.send_signal(signal.SIGKILL)
        found = digest(out)
        if found not in whole:
            tally["mixed"] += 1
            continue
        is_new = found == whole[1 - now]
        tally["new" if is_new else "old"] += 1
        now = 1 - now if is_new else now
    return tally


if __name__ == "__main__":
    argv = [*sys.argv[1:], "200", "1"] if len(sys.argv) == 1 else [*sys.argv[1:], "1"]
    with tempfile.TemporaryDirectory() as folder:
        print(killed(Path(folder), times=int(argv[0]), seed=int(argv[1])))
