"""Plan one property in a process of its own: for those that already brought down a worker."""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import struct
import subprocess
import sys
from typing import Final

from siting.errors import Fault
from siting.portfolio.model import Job
from siting.portfolio.store import Store
from siting.portfolio.tables import fault_rows, to_tables

__all__ = ["plan_alone"]

_SIZE: Final = struct.Struct("<Q")
#: Imports and reading come on top of the time limit [s].
_START: Final = 60.0
_OUT_OF_MEMORY: Final = 137
_TRIES: Final = 2


def plan_alone(job: Job, name: str, store: Store) -> bool:
    """Plan one property in a process of its own, and keep its rows or say why there are none.

    Result: whether it has faults instead of a plan.
    """
    reason, found = "", ""
    for _ in range(_TRIES):
        reason, found = _try(job, name)
        done = store.read_part(name)
        if done is not None or job.handoff_only:
            store.mark(name).unlink(missing_ok=True)
            return done is not None and done["properties"]["status"][0].as_py() != "planned"
        if reason != "memory":
            break  # only a kill from outside is worth a second try
    allowed = f"a plan within {job.options.seconds:g} s and {job.options.memory_mb:g} MB"
    mend = "Look for shapes with very many corners; or raise the limits."
    fault = Fault(name, found, allowed, mend)
    store.write_part(name, to_tables(fault_rows(name, reason, [fault])))
    store.mark(name).unlink(missing_ok=True)
    return True


def _try(job: Job, name: str) -> tuple[str, str]:
    """Run the process once; return reason and words, for the case that it left no rows."""
    sent = pickle.dumps((job, name))
    child = subprocess.Popen(
        [sys.executable, "-m", "siting.portfolio.child"],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p or os.getcwd() for p in sys.path)},  # noqa: PTH109
    )
    assert child.stdin is not None  # noqa: S101  (asked for above)
    try:
        with contextlib.suppress(BrokenPipeError):
            child.stdin.write(_SIZE.pack(len(sent)) + sent)
            child.stdin.flush()
        # The pipe stays open: the child ends itself when this process is gone.
        code = child.wait(timeout=job.options.seconds + _START)
    except subprocess.TimeoutExpired:
        return "hang", f"no end after {job.options.seconds:g} s"
    finally:
        child.kill()
        child.wait()
        with contextlib.suppress(BrokenPipeError):
            child.stdin.close()
    return _reason(code, job)


def _reason(code: int, job: Job) -> tuple[str, str]:
    """Return why a process left no rows, from how it ended."""
    if code in {-signal.SIGKILL, _OUT_OF_MEMORY}:
        return "memory", "its process was killed from outside, as when memory runs out"
    if code == -signal.SIGALRM:
        return "hang", f"no end after {job.options.seconds:g} s"
    if code < 0:
        return "crash", f"a crash of the process (signal {signal.Signals(-code).name})"
    return "crash", f"the process ended with code {code}"
