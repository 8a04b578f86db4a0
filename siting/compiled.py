"""Inner loops compiled to machine code: one decorator, and what a first run does about it."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from functools import cache, partial, update_wrapper
from pathlib import Path
from threading import Event, RLock, Thread
from types import ModuleType
from typing import Any, Final, Generic, ParamSpec, TypeVar, cast

P = ParamSpec("P")
R = TypeVar("R")
#: Who wants to be told, while `when_compiling` lasts.
_ASKED: list[Callable[[], None]] = []
#: One thread at a time makes loops.
_MAKING = RLock()
#: Loop, or file of loops, that another process compiles -> set when it is done with it.
_BESIDE: dict[str, Event] = {}
#: The longest that a loop waits for that process, which may have been stopped [s].
_PATIENCE: Final = 60.0


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
        if self._ready is None:
            home = self._function.__module__
            _wait_for(home, f"{home}:{self._function.__qualname__}")
        return (self._ready or self.made())(*args, **kwargs)

    def kept_in(self) -> Path | None:
        """Return where its machine code is kept; None where it cannot be, or is part of others'."""
        stats = getattr(_machine_code(self._function, self._options), "stats", None)
        return None if stats is None or stats.cache_path is None else Path(stats.cache_path)

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
    from numba.extending import register_jitable  # noqa: PLC0415 - as above

    _listen()
    options = {**options, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
    if options.pop("within", False):
        within: Callable[P, R] = register_jitable(**options)(function)
        return within
    made = numba.njit(**options)(function)
    with suppress(RuntimeError):  # nowhere to keep it
        made._cache = _keeping()(function)  # noqa: SLF001 - as its own decorator does
    return cast("Callable[P, R]", made)


#: The latest numba of which it was tried that code which was kept runs without the compiler.
_TRIED: Final = (0, 68)


@cache
def _keeping() -> type:
    """Return what keeps machine code: numba's own, that loads no compiler for code that is there.

    All that numba can compile takes a sixth of a second to load and to look through; code that was
    kept needs only the few functions beside it that hold arrays.
    """
    import numba  # noqa: PLC0415 - as above
    from numba.core.caching import FunctionCache  # noqa: PLC0415
    from numba.core.runtime.nrt import rtsys  # noqa: PLC0415

    if numba.version_info.short > _TRIED:
        return FunctionCache

    class Kept(FunctionCache):
        """Spares the refreshing."""

        def load_overload(self, sig: Any, target_context: Any) -> Any:  # noqa: ANN401 - numba's
            target_context.refresh = partial(rtsys.initialize, target_context)
            try:  # one at a time: numba holds its lock meanwhile
                return super().load_overload(sig, target_context)  # type: ignore[no-untyped-call]
            finally:
                del target_context.refresh

    return Kept


def compiled(function: Callable[P, R], **options: Any) -> Callable[P, R]:  # noqa: ANN401 - numba's
    """Compile a function at its first call, without the interpreter's lock.

    What was compiled is kept beside the source or, where that folder may not be written, in the
    user's cache folder; a run that can write neither compiles for itself.
    """
    return _Loop(function, options)


def compiled_within(function: Callable[P, R], **options: Any) -> Callable[P, R]:  # noqa: ANN401
    """Compile a function as a part of the loops that call it, all of its own file.

    It has no way in from the interpreter, for which it stays as it is, and is not kept by itself:
    both would take a fifth of a first run's compiling.
    """
    return _Loop(function, {**options, "within": True})


#: That nan is never met; nothing is reordered or rounded otherwise.
_NUMBERS: Final = frozenset({"nnan", "nsz"})


def compiled_of_numbers(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function that never meets nan, so that the lesser of two is one instruction.

    The results are the same to the bit.
    """
    return compiled(function, fastmath=set(_NUMBERS))


def of_numbers_within(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function that never meets nan as a part of the loops that call it."""
    return compiled_within(function, fastmath=set(_NUMBERS))


@contextmanager
def when_compiling(tell: Callable[[], None]) -> Iterator[None]:
    """Call `tell` whenever a loop has to be compiled and was not kept from an earlier run."""
    _ASKED.append(tell)
    try:
        yield
    finally:
        _ASKED.remove(tell)


def _tell() -> None:
    for tell in tuple(_ASKED):
        tell()


@cache
def _listen() -> None:
    """Hear of everything that numba compiles in this process, from the first loop on."""
    from numba.core import event  # noqa: PLC0415 - as above

    class Told(event.Listener):
        """Hands the word on."""

        def on_start(self, _event: Any) -> None:  # noqa: ANN401 - numba's own
            _tell()

        def on_end(self, _event: Any) -> None:  # noqa: ANN401 - numba's own
            pass

    event.register("numba:compile", Told())  # type: ignore[no-untyped-call]


@contextmanager
def compiling_beside(*loops: str) -> Iterator[None]:
    """Let another process compile loops in this context, where those of the last file are missing.

    loops: in the order in which they are compiled, as file or as file:loop; a file has a `rehearse`
    that calls its loops (or the one that it is given) as they will be called. Who calls one of them
    waits until it is there. Where there is one processor, where nothing can be kept or no process
    can be started, and where that process ends early, loops are compiled when they are called.
    """
    process = None
    with suppress(OSError):
        if _processors() > 1 and not _is_kept(loops[-1]):
            process = _started(loops)
    try:
        yield
    finally:
        if process is not None:
            process.kill()
            process.wait()


def _processors() -> int:
    """Return how many processors this process may use."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _is_kept(name: str) -> bool:
    """Tell whether loops of a file were compiled since it was written, or cannot be kept."""
    module = importlib.import_module(name)
    source, chosen = Path(module.__file__ or ""), os.environ.get("NUMBA_CACHE_DIR")
    written = source.stat().st_mtime
    # Where it mostly is, told without numba: an answer from kept stages need not load it.
    near = Path(chosen).glob("*") if chosen else (source.parent / "__pycache__",)
    if any(file.stat().st_mtime >= written for file in _machine_code_of(source, near)):
        return True
    places = _places(module)
    return not places or any(
        file.stat().st_mtime >= written for file in _machine_code_of(source, places)
    )


def _machine_code_of(source: Path, places: Iterable[Path]) -> Iterator[Path]:
    """Return the lists of the machine code of a file of loops that are in some folders."""
    return (file for place in places for file in place.glob(f"{source.stem}.*-*.nbi"))


def _places(module: ModuleType) -> set[Path]:
    """Return where machine code of a file's loops is kept, as far as it can be."""
    loops = [value for value in vars(module).values() if isinstance(value, _Loop)]
    return {place for place in (loop.kept_in() for loop in loops) if place is not None}


def _started(names: Sequence[str]) -> subprocess.Popen[str]:
    """Start the process that compiles, and hear what it is done with."""
    path = os.pathsep.join(place for place in sys.path if place)
    words = (
        "import gc, os, sys; from siting.compiled import rehearse; gc.disable(); "
        "rehearse(sys.argv[1:]); os._exit(0)"  # nothing is taken apart: a tenth of its time
    )
    process = subprocess.Popen(  # noqa: S603 - this interpreter, names from this package
        [sys.executable, "-P", "-c", words, *names], env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    done = {name: Event() for name in names}

    def hear() -> None:
        with process.stdout or nullcontext(()) as lines:
            for line in lines:
                done.get(line.strip(), Event()).set()
        for event in done.values():  # it has ended: what it did not come to is compiled here
            event.set()

    Thread(target=hear, daemon=True).start()
    _BESIDE.update(done)
    return process


def rehearse(names: Sequence[str]) -> None:
    """Call loops for nothing, so that they are compiled, and tell of each that is done."""
    for name in names:
        file, _, loop = name.partition(":")
        module = importlib.import_module(file)
        places = _places(module)
        module.rehearse(*([loop] if loop else []))
        # Where a file was written anew and is the same, what was kept is: let its date say so.
        for kept in _machine_code_of(Path(module.__file__ or ""), places):
            with suppress(OSError):
                kept.touch()
        sys.stdout.write(f"{name}\n")
        sys.stdout.flush()


def _wait_for(*names: str) -> None:
    """Wait until the other process is done with a loop, if it has it."""
    for done in [_BESIDE[name] for name in names if name in _BESIDE]:
        if not done.is_set():
            _tell()
            done.wait(_PATIENCE)
