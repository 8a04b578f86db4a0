"""The process in which one property is planned alone; see `siting.portfolio.worker`."""

from __future__ import annotations

import contextlib
import os
import pickle
import resource
import signal
import struct
import sys
import threading
from typing import Final

from siting.portfolio.worker import plan_one

_SIZE: Final = struct.Struct("<Q")
_MEGA: Final = 1 << 20


def main() -> None:
    """Plan the property that standard input names."""
    stream = sys.stdin.buffer
    size = _SIZE.unpack(stream.read(_SIZE.size))[0]
    # Written by the parent process, which is this same program.
    job, name = pickle.loads(stream.read(size))  # noqa: S301

    def leave_with_parent() -> None:
        stream.read()
        os._exit(1)

    threading.Thread(target=leave_with_parent, daemon=True).start()
    limit = int(job.options.memory_mb * _MEGA)
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    # The default action of this alarm ends the process, whatever it is doing.
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, job.options.seconds)
    plan_one(job, name)


if __name__ == "__main__":
    main()
    os._exit(0)  # threads of libraries are not waited for
