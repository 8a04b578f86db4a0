"""What a plan costs from the shell, against another commit, and where the time goes.

    python -m tests.benchmarks.shell --against cc5f589 --runs 5 campus yard

Both trees run in turn on one machine: whole processes of `siting plan`, one thread, everything
written. The medians of processor time give the ratios, since other work on the machine spoils the
clock; it is printed with the load all the same. The first run of each tree starts with nothing
compiled. What the two write is compared byte for byte. The page goes to
`siting/docs/pages/speed.md`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parents[2]
PAGE = HERE / "siting" / "docs" / "pages" / "speed.md"
PROPERTIES = ("campus", "yard")
#: One stage of a plan under each name that progress gives it.
STAGES = {
    "Sun": "sun and shade",
    "Water and dryness": "ground",
    "Placing sensors": "placement",
    "Simulating seasons": "decision",
    "Choosing sensors": "decision",
    "Playing the sheet": "decision",
    "Laying wires": "wire and prescription",
    "Writing": "hand-off",
}
#: Runs `siting plan` of a tree.
_PLAN = "import sys; sys.path.insert(0, sys.argv.pop(1)); from siting.cli.main import main; main()"
#: Plans and writes in one process, and prints the processor seconds of every stage.
_STAGED = """
import json, sys, time
tree, source, out, names = sys.argv[1], sys.argv[2], sys.argv[3], json.loads(sys.argv[4])
sys.path.insert(0, tree)
took, now = {}, ["", time.process_time()]
def turn(stage):
    at = time.process_time()
    took[now[0]] = took.get(now[0], 0.0) + at - now[1]
    now[:] = [stage, at]
def heard(stage, *_):
    name = next((word for start, word in names.items() if stage.startswith(start)), now[0])
    if name != now[0]:
        turn(name)
turn("import of geopandas")
import geopandas
turn("other imports")
import siting.cli.main
from siting.handoff.bundle import write_bundle
from siting.planning.make import plan, read_inputs
turn("reading")
settings, site, climate = read_inputs(source)
turn("sun and shade")
made = plan(site, climate, settings, threads=1, progress=heard)
turn("hand-off")
write_bundle(made, out)
turn("")
took.pop("")
print(json.dumps(took))
"""


class Cost(NamedTuple):
    """Seconds of the clock and of the processors."""

    clock: float
    busy: float


def commit_of(name: str) -> str:
    """Return the short name of a commit of this repository."""
    return _git("rev-parse", "--short", name)


def _git(*words: str) -> str:
    git = shutil.which("git") or "git"
    done = subprocess.run([git, *words], cwd=HERE, check=True, capture_output=True, text=True)
    return done.stdout.strip()


@contextmanager
def tree_of(commit: str) -> Iterator[Path]:
    """Lay another commit's tree into a folder of its own for a while."""
    with tempfile.TemporaryDirectory() as scratch:
        tree = Path(scratch) / "tree"
        _git("worktree", "add", "--detach", str(tree), commit)
        try:
            yield tree
        finally:
            _git("worktree", "remove", "--force", str(tree))


def run(tree: Path, words: list[str], cache: Path) -> tuple[Cost, str]:
    """Run a program of a tree and return what it took, and what it printed."""
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}
    began = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-c", *words], cwd=tree, env=environment, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    ) as child:  # fmt: skip
        printed = child.stdout.read() if child.stdout else ""
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        message = f"{tree}: ended with {child.returncode}: {printed[-400:]}"
        raise SystemExit(message)
    return Cost(time.perf_counter() - began, used.ru_utime + used.ru_stime), printed


def plan_once(tree: Path, name: str, out: Path, cache: Path) -> Cost:
    """Plan a bundled property from the shell, into a folder."""
    words = [_PLAN, str(tree), "plan", str(HERE / "data" / name), "--out", str(out)]
    return run(tree, [*words, "--threads", "1"], cache)[0]


def stages_of(tree: Path, name: str, scratch: Path, cache: Path) -> dict[str, float]:
    """Return the processor seconds of every stage of a plan."""
    source, out = HERE / "data" / name, scratch / "staged"
    shutil.rmtree(out, ignore_errors=True)
    _, printed = run(tree, [_STAGED, str(tree), str(source), str(out), json.dumps(STAGES)], cache)
    return dict(json.loads(printed.splitlines()[-1]))


def unlike(one: Path, two: Path) -> list[str]:
    """Return the names of the files that are not the same in two folders."""
    sums = [
        {
            str(file.relative_to(folder)): hashlib.sha256(file.read_bytes()).hexdigest()
            for file in folder.rglob("*")
            if file.is_file()
        }
        for folder in (one, two)
    ]
    names = sorted(set(sums[0]) | set(sums[1]))
    return [name for name in names if sums[0].get(name) != sums[1].get(name)]


def measure(name: str, trees: dict[str, Path], scratch: Path, runs: int) -> list[str]:
    """Return the lines of the page about one property; the trees take turns."""
    caches = {commit: scratch / f"cache-{name}-{commit}" for commit in trees}
    folders = {commit: scratch / f"{name}-{commit}" for commit in trees}
    costs: dict[str, list[Cost]] = {commit: [] for commit in trees}
    first = {
        commit: plan_once(tree, name, folders[commit], caches[commit])
        for commit, tree in trees.items()
    }
    for _ in range(runs):
        for commit, tree in trees.items():
            shutil.rmtree(folders[commit], ignore_errors=True)
            costs[commit].append(plan_once(tree, name, folders[commit], caches[commit]))
    stages = {
        commit: stages_of(tree, name, scratch, caches[commit]) for commit, tree in trees.items()
    }
    before, after = trees
    busy = {commit: statistics.median(cost.busy for cost in costs[commit]) for commit in trees}
    clock = {commit: statistics.median(cost.clock for cost in costs[commit]) for commit in trees}
    different = unlike(folders[before], folders[after])
    lines = [
        f"## The {name}",
        "",
        f"| processor seconds | {before} | {after} | {after} over {before} |",
        "|---|---|---|---|",
        _row("a run from the shell, median", busy[before], busy[after]),
        _row("the same by the clock", clock[before], clock[after]),
        _row("the first run, nothing compiled", first[before].busy, first[after].busy),
        _row("the same by the clock", first[before].clock, first[after].clock),
        *[
            _row(f"of a run: {stage}", seconds, stages[after].get(stage, 0.0))
            for stage, seconds in stages[before].items()
        ],
        "",
        "Both write the same bytes."
        if not different
        else f"Not the same bytes: {', '.join(different)}.",
        "",
    ]
    print("\n".join(lines), flush=True)
    return lines


def _row(what: str, before: float, after: float) -> str:
    return f"| {what} | {before:.2f} | {after:.2f} | {after / max(before, 1e-9):.2f} |"


def main() -> None:
    """Measure, print and write the page."""
    asked = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    asked.add_argument("properties", nargs="*", default=list(PROPERTIES))
    asked.add_argument("--against", default="HEAD~1", help="commit to compare with")
    asked.add_argument("--runs", type=int, default=5)
    asked.add_argument("--page", type=Path, default=PAGE)
    options = asked.parse_args()
    before, after = commit_of(options.against), commit_of("HEAD")
    dirty = " with changes not yet committed" if _git("status", "--porcelain") else ""
    load = os.getloadavg()
    lines: list[str] = []
    with tree_of(before) as tree, tempfile.TemporaryDirectory() as scratch:
        for name in options.properties:
            trees = {before: tree, after: HERE}
            lines += measure(name, trees, Path(scratch), options.runs)
    loads = f"{load[0]:.1f} at the start and {os.getloadavg()[0]:.1f} at the end"
    head = [
        "# How fast",
        "",
        f"Written by `python -m tests.benchmarks.shell --against {before} --runs {options.runs}` "
        f"on {datetime.now(UTC):%Y-%m-%d}: commit {after}{dirty} against {before}, taking turns in "
        f"one run on {os.cpu_count()} cores; other work on the machine: load {loads}. The clock "
        "and, less so, the processor time rise with such work, so compare the columns, not pages.",
        "",
    ]
    options.page.write_text("\n".join([*head, *lines]).rstrip() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
