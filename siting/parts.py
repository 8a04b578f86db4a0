"""Parts of one property's work: zones, blocks of ground, controllers.

They are done in this process, or by whoever was told to help (`helped_by`): processes of this
machine, or a cluster. A part is a function of a module and what it needs, and its result depends on
nothing else, so that it is the same wherever it is worked out; results come back in their order. A
part that a broken run had kept is not worked out again. `python -m siting.parts` is such a process.
"""

from __future__ import annotations

import contextlib
import ctypes
import itertools
import os
import pickle
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextvars import ContextVar
from typing import Any, Final, TypeVar

from siting.errors import PlanError
from siting.stages import Keeper

_P = TypeVar("_P")
_T = TypeVar("_T")
#: Parts that are under way or wait for their turn, for each that may run at a time.
_AHEAD: Final = 3
_HELPER: ContextVar[tuple[Executor, int] | None] = ContextVar("helper", default=None)


#: What is kept at hand only to have it sooner takes so much where nothing is said [bytes].
_AT_HAND: ContextVar[float] = ContextVar("at_hand", default=1.4e9)


@contextlib.contextmanager
def kept_within(size: float) -> Iterator[None]:
    """Bound what is kept at hand for speed, while this is open.

    Parameters
    ----------
    size : float
        Of all of it [bytes].

    Yields
    ------
    None
        Nothing.
    """
    before = _AT_HAND.set(size)
    try:
        yield
    finally:
        _AT_HAND.reset(before)


def at_hand() -> float:
    """Return how much may be kept at hand for speed.

    Returns
    -------
    float
        Size [bytes].
    """
    return _AT_HAND.get()


@contextlib.contextmanager
def helped_by(helper: Executor | None, *, count: int) -> Iterator[None]:
    """Let parts be done by a helper while this is open.

    Parameters
    ----------
    helper : Executor or None
        Where parts are done; functions and what they need go there pickled. None changes nothing.
    count : int
        Parts that it does at a time.

    Yields
    ------
    None
        Nothing.
    """
    if helper is None:
        yield
        return
    before = _HELPER.set((helper, max(count, 1)))
    try:
        yield
    finally:
        _HELPER.reset(before)


@contextlib.contextmanager
def processes(count: int) -> Iterator[None]:
    """Let parts be done by processes of this machine; one would do no more than this process.

    Parameters
    ----------
    count : int
        How many.

    Yields
    ------
    None
        Nothing.
    """
    if count <= 1:
        yield
        return
    with _Processes(count) as helper, helped_by(helper, count=count):
        _WORKING.append(helper)
        try:
            yield
        finally:
            _WORKING.remove(helper)


def fewer() -> None:
    """Let one process fewer of this machine do parts, once those that it has are done; one stays.

    A process that has done much holds more memory than its next part needs, and gives it back.
    """
    for helper in _WORKING.copy():
        helper.fewer()


def give_back() -> None:
    """Give the system back what was freed: the allocator of Linux keeps most of it at hand.

    Worth it where much was held that is needed no more, and before a process is divided, which
    would be told to share it.
    """
    with contextlib.suppress(AttributeError, OSError, TypeError):  # other systems have no such call
        ctypes.CDLL(None).malloc_trim(0)


class _Processes(Executor):
    """Processes of this package alone: unlike those of `multiprocessing` none runs the caller's
    program again, whatever that is.
    """  # noqa: D205

    def __init__(self, count: int) -> None:
        self._threads, self._count = ThreadPoolExecutor(count), count
        self._closing = threading.Event()
        self._idle: list[subprocess.Popen[bytes]] = []
        self._all: list[subprocess.Popen[bytes]] = []

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:  # noqa: ANN401
        """Let a process do something when one is free."""
        return self._threads.submit(self._do, fn, args, kwargs)

    def _do(self, fn: Callable[..., Any], args: Any, kwargs: Any) -> Any:  # noqa: ANN401
        """Hand a part to a free process, and wait for what comes of it."""
        child = self._idle.pop() if self._idle else self._start()
        assert child.stdin is not None  # noqa: S101  (asked for)
        assert child.stdout is not None  # noqa: S101  (asked for)
        try:
            child.stdin.write(pickle.dumps((fn, args, kwargs), protocol=5))
            child.stdin.flush()
            # Written by a process that this one started, which is this same program.
            done, found = pickle.load(child.stdout)  # noqa: S301
        except (OSError, EOFError) as error:
            msg = (
                f"a process that helped ended (code {child.wait()}), as when memory runs out; what "
                "was kept is kept: run the same command again, with fewer --threads"
            )
            raise PlanError(msg) from error
        self._idle.append(child)
        if not done:
            raise found
        return found

    def _start(self) -> subprocess.Popen[bytes]:
        """Start a process; it ends when this one does."""
        paths = os.pathsep.join(path or os.getcwd() for path in sys.path)  # noqa: PTH109
        child = subprocess.Popen(
            [sys.executable, "-m", "siting.parts"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            env={**os.environ, **dict.fromkeys(_THREADS, "1"), "PYTHONPATH": paths},
            start_new_session=True,
        )  # fmt: skip
        self._all.append(child)
        return child

    def fewer(self) -> None:
        """Let one process fewer work at a time."""
        if self._count > 1:
            self._count -= 1
            self._threads.submit(self._rest)

    def _rest(self) -> None:
        """End a process, and keep from having another in its place."""
        if self._idle:
            child = self._idle.pop()
            child.kill()
            child.wait()
        self._closing.wait()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: ARG002
        """End the processes; what is under way when there is an error is not waited for."""
        self._closing.set()
        for child in self._all:
            child.kill()
        self._threads.shutdown(wait=wait, cancel_futures=True)
        for child in self._all:
            child.wait()
            for pipe in (child.stdin, child.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()


_WORKING: Final[list[_Processes]] = []
#: Libraries that would start threads of their own in each process.
_THREADS: Final = (
    "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS",
    "GDAL_NUM_THREADS",
)  # fmt: skip


def helpers() -> int:
    """Return how many parts a helper does at a time, 1 without one.

    Returns
    -------
    int
        At least 1.
    """
    found = _HELPER.get()
    return 1 if found is None else found[1]


def each_part(
    work: Callable[[_P], _T],
    parts: Iterable[_P],
    *,
    threads: int = 1,
    stage: str = "",
    keep: Keeper | None = None,
) -> Iterator[_T]:
    """Yield what comes of every part, in their order.

    Parameters
    ----------
    work : callable
        A function of a module; what it gives depends on the part alone.
    parts : iterable
        What it is called with, made as they are needed: only a few are held at a time.
    threads : int
        Parts done at a time in this process, where nobody helps.
    stage : str
        Names what is kept of them.
    keep : Keeper, optional
        Keeps each part's result; it rests on everything that the parts are made of.

    Yields
    ------
    object
        Results.
    """
    found, keeping = _HELPER.get(), keep or Keeper()
    if found is None and threads <= 1:
        for number, part in enumerate(parts):
            yield keeping.on(number).kept(stage, _again(work, part))
        return
    with contextlib.ExitStack() as stack:
        if found is None:
            found = stack.enter_context(ThreadPoolExecutor(threads)), threads
        helper, count = found
        waiting: deque[tuple[Callable[[], _T], Future[_T] | None]] = deque()
        stack.callback(lambda: [future.cancel() for _, future in waiting if future is not None])
        numbered = enumerate(parts)
        while True:
            for number, part in itertools.islice(numbered, _AHEAD * count - len(waiting)):
                mine, again, future = keeping.on(number), _again(work, part), None
                if not mine.holds(stage):
                    future = helper.submit(work, part)
                    again = future.result
                waiting.append((_kept(mine, stage, again), future))
            if not waiting:
                return
            yield waiting[0][0]()
            waiting.popleft()


def _again(work: Callable[[_P], _T], part: _P) -> Callable[[], _T]:
    """Return what does a part here: one that was kept, and turns out to be damaged."""
    return lambda: work(part)


def _kept(keep: Keeper, stage: str, make: Callable[[], _T]) -> Callable[[], _T]:
    """Return what waits for a part, and keeps it."""
    return lambda: keep.kept(stage, make)


def _help() -> None:
    """Do what another process sends, and send back what comes of it, until nothing more comes."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints does not come between
    while True:
        try:
            # Written by the process that started this one, which is this same program.
            work, args, kwargs = pickle.load(sys.stdin.buffer)  # noqa: S301
        except EOFError:
            return
        answer = _answer(work, args, kwargs)
        try:
            answers.write(answer)
            answers.flush()
        except BrokenPipeError:  # who asked was killed
            return


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
    _help()
    os._exit(0)  # threads of libraries are not waited for
