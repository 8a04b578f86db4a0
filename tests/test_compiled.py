"""Loops that are compiled: what two threads see that call them first at the same moment."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import pytest

from siting import compiled as under_test

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
