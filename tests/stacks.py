"""Commands that must end: one that is over its time fails with the stacks of all its processes."""

from __future__ import annotations

import contextlib
import os
import secrets
import signal
import subprocess
from collections.abc import Mapping, Sequence

import psutil
import pytest

_MARK = "SITING_TEST_COMMAND"


def start(
    command: Sequence[object], *, env: Mapping[str, str] | None = None
) -> subprocess.Popen[str]:
    """Start a command whose processes can be told, whoever is their parent by then."""
    mark = {_MARK: secrets.token_hex(8), "PYTHONFAULTHANDLER": "1"}
    run = subprocess.Popen(
        [str(part) for part in command],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**(os.environ if env is None else env), **mark},
    )
    run.mark = mark[_MARK]  # type: ignore[attr-defined]
    return run


def output(run: subprocess.Popen[str], *, seconds: float) -> str:
    """Wait for a command and for all that may still write to its output; return the output."""
    try:
        return run.communicate(timeout=seconds)[0]
    except subprocess.TimeoutExpired:
        pytest.fail(f"no end within {seconds:g} s\n{_stacks(run)}")


def processes(run: subprocess.Popen[str]) -> list[psutil.Process]:
    """Return the living processes of a command, its orphans too, parents first."""
    found = []
    for process in psutil.process_iter():
        with contextlib.suppress(psutil.Error):
            alive = process.status() != psutil.STATUS_ZOMBIE
            if alive and process.environ().get(_MARK) == run.mark:  # type: ignore[attr-defined]
                found.append(process)
    return sorted(found, key=lambda process: process.create_time())


def _stacks(run: subprocess.Popen[str]) -> str:
    """Abort the processes one by one: each Python prints the stacks of its threads, and ends."""
    living = processes(run)
    told = []
    for process in living:
        with contextlib.suppress(psutil.Error):
            words = " ".join(process.cmdline())[-200:]
            told.append(f"{process.pid} (of {process.ppid()}, {process.status()}): {words}")
    for process in living:
        with contextlib.suppress(psutil.Error):
            process.send_signal(signal.SIGABRT)
        psutil.wait_procs([process], timeout=5)
    for process in living:
        with contextlib.suppress(psutil.Error):
            process.kill()
    with contextlib.suppress(subprocess.TimeoutExpired):
        told += ["their stacks, in the same order:", run.communicate(timeout=30)[0]]
    return "\n".join(told)
