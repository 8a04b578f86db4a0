"""Inner loops compiled to machine code: one decorator, and word of a first run that compiles."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache, update_wrapper
from threading import RLock
from typing import Any, Generic, ParamSpec, TypeVar, cast

P = ParamSpec("P")
R = TypeVar("R")
#: Who wants to be told, while `when_compiling` lasts.
_ASKED: list[Callable[[], None]] = []
#: One thread at a time makes loops.
_MAKING = RLock()


class _Loop(Generic[P, R]):
    """A function that is compiled when first called, with the loops that it calls.

    numba alone takes half a second to load, which a program that only reads need not wait for.
    """

    def __init__(self, function: Callable[P, R], options: dict[str, Any]) -> None:
        update_wrapper(self, function)
        self._function, self._options = function, options
        self._made: Callable[P, R] | None = None
        #: The same once the loops that it calls are there too: no thread has it before.
        self._ready: Callable[P, R] | None = None

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        return (self._ready or self.made())(*args, **kwargs)

    def made(self) -> Callable[P, R]:
        """Return what numba calls: loops of one module know each other by their globals."""
        with _MAKING:
            if self._made is None:
                self._made = _machine_code(self._function, self._options)
                names = self._function.__globals__
                loops = [(name, value) for name, value in names.items() if isinstance(value, _Loop)]
                names.update({name: value.made() for name, value in loops})
                self._ready = self._made
        return self._made


def _machine_code(function: Callable[P, R], options: dict[str, Any]) -> Callable[P, R]:
    """Return numba's form of a function, which it compiles at its first call or finds kept."""
    import numba  # noqa: PLC0415 - takes half a second

    _listen()
    try:
        made = numba.njit(nogil=True, cache=True, error_model="numpy", **options)(function)
    except RuntimeError:  # nowhere to keep it
        made = numba.njit(nogil=True, error_model="numpy", **options)(function)
    return cast("Callable[P, R]", made)


def compiled(function: Callable[P, R], **options: Any) -> Callable[P, R]:  # noqa: ANN401 - numba's
    """Compile a function at its first call, without the interpreter's lock.

    What was compiled is kept beside the source or, where that folder may not be written, in the
    user's cache folder; a run that can write neither compiles for itself.
    """
    return _Loop(function, options)


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
