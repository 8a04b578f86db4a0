"""A process that does parts of a plan for another; see `siting.parts`."""

from __future__ import annotations

import os
import pickle
import sys
from typing import Any


def main() -> None:
    """Do what comes in, and send back what comes of it, until nothing more comes."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints does not come between
    while True:
        try:
            # Written by the process that started this one, which is this same program.
            work, args, kwargs = pickle.load(sys.stdin.buffer)  # noqa: S301
        except EOFError:
            return
        answers.write(_answer(work, args, kwargs))
        answers.flush()


def _answer(work: Any, args: Any, kwargs: Any) -> bytes:  # noqa: ANN401 - any part
    """Return whether it was done and what came of it, or the error."""
    try:
        return pickle.dumps((True, work(*args, **kwargs)), protocol=5)
    except Exception as error:  # noqa: BLE001 - told where it was asked for
        try:
            pickle.loads(told := pickle.dumps((False, error)))  # noqa: S301 - just written
        except Exception:  # noqa: BLE001 - some errors cannot be sent
            told = pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}")))
        return told


if __name__ == "__main__":
    main()
    os._exit(0)  # threads of libraries are not waited for
