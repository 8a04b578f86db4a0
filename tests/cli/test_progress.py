"""Progress for whoever reads a log, and an end in words whenever Ctrl-C is pressed."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time

import click
import pytest
from click.testing import CliRunner

from siting.cli import shared as _cli_shared
from siting.cli.portfolio import _missing, _once_a_minute
from siting.cli.shared import Commands, Lines, progress
from siting.compiled import compiled
from siting.portfolio import run, worker
from siting.portfolio.run import Status
from tests.small_property import write_property


def test_a_line_for_every_stage_and_another_when_one_is_silent():
    said: list[str] = []
    with Lines(said.append, quiet=0.0, every=0.2) as lines:
        lines.report("Reading", 0, 1)
        lines.report("Sun and shade", 0, 10)
        time.sleep(0.5)  # nothing is reported meanwhile
        lines.report("Sun and shade", 5, 10)
        time.sleep(0.5)
        lines.report("Choosing sensors", 1, 2)
    assert said[0].endswith("Reading")
    assert any(line.endswith("Sun and shade: 0 of 10") for line in said)
    slow = [line for line in said if "Sun and shade: 5 of 10" in line]
    assert slow
    assert all("left" in line for line in slow)
    assert said[-1].endswith("Choosing sensors: 1 of 2")
    assert len(said) >= 5


def test_the_time_left_is_that_of_the_steps_left(monkeypatch):
    now = [0.0]
    monkeypatch.setattr(_cli_shared.time, "monotonic", lambda: now[0])
    said: list[str] = []
    lines = Lines(said.append, quiet=0.0, every=60.0)
    lines.report("Placing sensors", 0, 40)
    now[0] = 240.0
    lines.report("Placing sensors", 10, 40)
    assert (
        said[-1]
        == "4 min 00 s  Placing sensors: 10 of 40, 4 min 00 s so far, about 12 min 00 s left"
    )


def test_a_short_run_says_nothing_of_its_progress():
    said: list[str] = []
    with Lines(said.append) as lines:
        lines.report("Reading", 0, 1)
    assert said == []


def test_every_slow_stage_reports(tmp_path):
    path = write_property(tmp_path / "p")
    done = subprocess.run(
        [sys.executable, "-m", "siting.cli", "plan", str(path),
         "--out", str(tmp_path / "out")],
        env=os.environ | {"SITING_PROGRESS": "lines"}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    stages = re.findall(r"^progress\t([^\t]+)\t", done.stderr, flags=re.MULTILINE)
    stages = [stage for stage in stages if not stage.startswith("Compiling")]  # a first run's own
    assert list(dict.fromkeys(stages)) == [
        "Reading", "Sun and shade", "Water and dryness", "Placing sensors", "Simulating seasons",
        "Choosing sensors", "Playing the sheet",
        "Laying wires", "Writing map", "Writing crew sheet",
        "Writing GIS and GPS files", "Writing plan.json", "Done",
    ]  # fmt: skip


def test_a_portfolio_writes_a_line_a_minute(capsys):
    watch = _once_a_minute()
    for second in range(0, 200, 10):
        watch(Status(total=100, done=second // 10, planned=second // 10, seconds=float(second)))
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert all("left" in line for line in lines)


@click.group(cls=Commands)
def program():
    """Stand for ours."""


@program.command()
def broken_import():
    """Press Ctrl-C, and end in another error, as an import may."""
    try:
        signal.raise_signal(signal.SIGINT)
    except KeyboardInterrupt:
        raise RecursionError from None


@program.command()
def broken():
    """Fail without Ctrl-C."""
    raise RecursionError


@pytest.fixture
def ctrl_c():
    """Let Ctrl-C interrupt: a shell's background job, as a whole test run may be, ignores it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("ctrl_c")
def test_ctrl_c_ends_in_words_whatever_it_interrupts():
    done = CliRunner().invoke(program, ["broken-import"])
    assert done.exit_code == 130
    assert "interrupted" in done.output
    assert isinstance(CliRunner().invoke(program, ["broken"]).exception, RecursionError)
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.usefixtures("ctrl_c")
@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no signal masks here")
def test_ctrl_c_waits_until_the_workers_are_there():
    seen = []

    def start() -> None:
        with run._interrupts_wait():
            # To this thread: a runner's other threads would take one meant for the process.
            signal.pthread_kill(threading.main_thread().ident, signal.SIGINT)
            thread = threading.Thread(
                target=lambda: seen.append(signal.pthread_sigmask(signal.SIG_BLOCK, set()))
            )
            thread.start()
            thread.join()

    with pytest.raises(KeyboardInterrupt):
        start()
    assert signal.SIGINT in seen[0]  # what is started meanwhile never sees it
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, set())


def test_a_system_without_the_resource_module_is_no_missing_library(monkeypatch):
    monkeypatch.setitem(sys.modules, "resource", None)
    assert worker._peak_mb() > 10
    told = _missing(ModuleNotFoundError("No module named 'resource'", name="resource"))
    assert "pip install" not in told
    assert "resource" in told
    assert "pip install" in _missing(ModuleNotFoundError("no", name="pyarrow.lib"))


def test_a_run_that_compiles_says_so_once_for_each_loop(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr("numba.config.CACHE_DIR", str(tmp_path))  # nothing kept of an earlier run

    @compiled
    def twice(x):
        return 2 * x

    monkeypatch.setenv("SITING_PROGRESS", "lines")
    with progress():
        assert twice(2) == 4
        said = capsys.readouterr().err
        assert twice(3) == 6
    assert said == "progress\tCompiling (first run only)\t0\t1\n"
    assert capsys.readouterr().err == ""


def test_what_was_compiled_is_kept(tmp_path):
    """A second process finds the loops of the first, also where the package may not be written."""
    (tmp_path / "loops.py").write_text(
        "from siting.compiled import compiled, when_compiling\n"
        "@compiled\n"
        "def twice(x):\n"
        "    return 2 * x\n"
        "with when_compiling(lambda: print('compiles')):\n"
        "    print(twice(2))\n",
        encoding="utf-8",
    )
    cache = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache")}
    command = [sys.executable, str(tmp_path / "loops.py")]
    runs = [
        subprocess.run(command, env=cache, capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    ]
    assert runs == ["compiles\n4\n", "4\n"]
