"""Inner loops compiled to machine code: one decorator, and word of a first run that compiles."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any, ParamSpec, TypeVar, cast

P = ParamSpec("P")
R = TypeVar("R")
#: Who wants to be told, while `when_compiling` lasts.
_ASKED: list[Callable[[], None]] = []


def compiled(function: Callable[P, R], **options: Any) -> Callable[P, R]:  # noqa: ANN401 - numba's
    """Compile a function at its first call, without the interpreter's lock.

    What was compiled is kept beside the source or, where that folder may not be written, in the
    user's cache folder; a run that can write neither compiles for itself.
    """
    import numba  # noqa: PLC0415 - takes a third of a second

    _listen()
    try:
        made = numba.njit(nogil=True, cache=True, error_model="numpy", **options)(function)
    except RuntimeError:  # nowhere to keep it
        made = numba.njit(nogil=True, error_model="numpy", **options)(function)
    return cast("Callable[P, R]", made)


def compiled_of_numbers(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function that never meets nan, so that the lesser of two is one instruction.

    Nothing is reordered or rounded otherwise: the results are the same to the bit.
    """
    return compiled(function, fastmath={"nnan", "nsz"})


@contextmanager
def when_compiling(tell: Callable[[], None]) -> Iterator[None]:
    """Call `tell` whenever a loop has to be compiled and was not kept from an earlier run."""
    _ASKED.append(tell)
    try:
        yield
    finally:
        _ASKED.remove(tell)


@cache
def _listen() -> None:
    """Hear of everything that numba compiles in this process, from the first loop on."""
    from numba.core import event  # noqa: PLC0415 - as above

    class Told(event.Listener):
        """Hands the word on."""

        def on_start(self, _event: Any) -> None:  # noqa: ANN401 - numba's own
            for tell in tuple(_ASKED):
                tell()

        def on_end(self, _event: Any) -> None:  # noqa: ANN401 - numba's own
            pass

    event.register("numba:compile", Told())  # type: ignore[no-untyped-call]
