"""Loops that are compiled: what threads see at the first call, and the process that compiles."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from siting import compiled as under_test
from tests.small_property import coarse_property

_MODULE = """
def inner(value):
    return value + 1

def outer(value):
    return inner(value)

inner, outer = compiled(inner), compiled(outer)
"""


def test_no_thread_gets_a_loop_before_those_that_it_calls_are_made(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    module: dict[str, Any] = {"compiled": under_test.compiled}
    exec(_MODULE, module)  # noqa: S102 - two functions that share their globals, as in a file
    loop = type(module["inner"])
    half_made, go_on = threading.Event(), threading.Event()
    unready: list[str] = []

    def machine_code(function: Callable[..., Any], _options: object) -> Callable[..., Any]:
        if function is inner:
            half_made.set()
            assert go_on.wait(10)

        def run(*args: object) -> Any:
            # numba reads the globals at the first call and refuses what is not its own.
            unready.extend(name for name in ("inner", "outer") if isinstance(module[name], loop))
            return function(*args)

        return run

    monkeypatch.setattr(under_test, "_machine_code", machine_code)
    inner, outer = module["inner"].__wrapped__, module["outer"]
    found: list[int] = []
    threads = [threading.Thread(target=lambda: found.append(outer(1))) for _ in range(2)]
    threads[0].start()
    assert half_made.wait(10)
    threads[1].start()
    threads[1].join(0.2)
    go_on.set()
    for thread in threads:
        thread.join(10)
    assert found == [2, 2]
    assert not unready


_LOOPS = """
import os, signal, sys
from siting.compiled import compiled, compiled_within

@compiled_within
def more(value):
    return value + 1

@compiled
def twice(value):
    return more(value) * 2 - 2

def rehearse():
    {first}
    twice(1)
"""
#: Calls a loop beside a process that compiles it, and tells how it came by the machine code.
_CALL = """
import sys
import siting.compiled as under_test
with under_test.when_compiling(lambda: print("compiles")):
    with under_test.compiling_beside("loops"):
        print("beside" if under_test._BESIDE else "alone")
        import loops
        print(loops.twice(3), sum(loops.twice.stats.cache_hits.values()))
"""


def _called(folder: Path, *, first: str = "pass", before: str = "") -> list[str]:
    """Call the loop in a fresh process; first: what the process that compiles does first."""
    if not (folder / "loops.py").exists():
        (folder / "loops.py").write_text(_LOOPS.format(first=first), encoding="utf-8")
    return _printed(folder, before + _CALL)


def _printed(folder: Path, code: str) -> list[str]:
    """Run code in a fresh process that keeps loops in a folder; the lines that it prints."""
    environment = {
        **os.environ,
        "NUMBA_CACHE_DIR": str(folder / "cache"),
        "PYTHONPATH": os.pathsep.join([str(folder), *sys.path]),
    }
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder, env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert not done.stderr
    return done.stdout.split("\n")[:-1]


def test_another_process_compiles_a_loop_once_and_who_calls_it_waits(tmp_path: Path) -> None:
    assert _called(tmp_path) == ["beside", "compiles", "6 1"]
    assert _called(tmp_path) == ["alone", "6 1"]
    (tmp_path / "loops.py").touch()  # installed again, the same
    assert _called(tmp_path)[0] == "beside"
    assert _called(tmp_path) == ["alone", "6 1"]


_HOLDING = """
import numpy as np
from siting.compiled import compiled, compiled_within

@compiled_within
def more(value):
    return value + 1

@compiled
def held(values):
    found = np.empty(values.size)
    for n in range(values.size):
        found[n] = more(values[n])
    return found
"""
#: Calls a loop that was kept, then with other values, for which it is compiled.
_HELD = """
import sys
import loops, numpy as np
for values in (np.arange(3.0), np.arange(3)):
    print(loops.held(values).tolist(), "numba.np.linalg" in sys.modules)
print(*map(len, (loops.held.stats.cache_hits, loops.held.stats.cache_misses)))
"""


@pytest.mark.parametrize("tried", [True, False], ids=["a numba that was tried", "a later one"])
def test_a_loop_that_was_kept_runs_without_the_compiler(tmp_path: Path, tried: bool) -> None:
    (tmp_path / "loops.py").write_text(_HOLDING, encoding="utf-8")
    before = "" if tried else "import siting.compiled; siting.compiled._TRIED = (0, 0)\n"
    _printed(tmp_path, "import numpy as np, loops; loops.held(np.arange(3.0))")
    expected = [f"[1.0, 2.0, 3.0] {not tried}", "[1.0, 2.0, 3.0] True", "1 1"]
    assert _printed(tmp_path, before + _HELD) == expected


@pytest.mark.skipif(sys.platform == "win32", reason="a signal that kills")
def test_a_process_that_is_killed_leaves_the_loop_to_its_caller(tmp_path: Path) -> None:
    killed = "'siting.compiled' in sys.modules and os.kill(os.getpid(), signal.SIGKILL)"
    assert _called(tmp_path, first=killed)[-1] == "6 0"
    assert _called(tmp_path, first=killed)[-1] == "6 1"


def test_a_process_that_is_stopped_is_not_waited_for_for_ever(tmp_path: Path) -> None:
    stopped = "import time; time.sleep(600)"
    hasty = "import siting.compiled; siting.compiled._PATIENCE = 0.1\n"
    assert _called(tmp_path, first=stopped, before=hasty)[-1] == "6 0"


@pytest.mark.parametrize(
    "why",
    [
        "sys.executable = 'no-such-interpreter'",
        "under_test._processors = lambda: 1",
    ],
)
def test_where_no_process_can_help_a_loop_is_compiled_when_it_is_called(
    tmp_path: Path, why: str
) -> None:
    alone = f"import sys; import siting.compiled as under_test; {why}\n"
    said = _called(tmp_path, before=alone)
    assert said[0] == "alone"
    assert said[-1] == "6 0"


_REHEARSED = """
import sys
from siting.cli.main import _LOOPS
from siting.compiled import rehearse
from siting.planning.make import plan_property
rehearse(_LOOPS)
from siting.season import events
from siting.sun import kernels
loops = events.run_schedules, events.run_sensors, kernels.add_lit, kernels.horizon_sky
kept = [list(loop.signatures) for loop in loops]
plan_property(sys.argv[1])
assert all(kept), kept
assert kept == [list(loop.signatures) for loop in loops]
"""


def test_loops_are_rehearsed_as_a_plan_calls_them(tmp_path: Path) -> None:
    command = [sys.executable, "-c", _REHEARSED, str(coarse_property(tmp_path))]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
