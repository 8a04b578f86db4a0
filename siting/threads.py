"""Linear algebra on one thread while a plan is made.

The library behind numpy and scipy cuts a large system by the number of cores that it finds, and a
sum cut otherwise ends in other last digits. A plan must not depend on the machine's cores; its own
threads (zones, tiles, runs) are not touched.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from threading import Lock
from typing import Final, ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")
_FINDING: Final = Lock()


def one_blas_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Let a function do its linear algebra on one thread, and give the threads back afterwards.

    Most builds of the library have one limit for the whole process: whoever sets it first, and it
    is lifted when that call ends. Some have one for each thread, so what a pool runs is limited
    for itself too.

    Parameters
    ----------
    function : callable
        What is run.

    Returns
    -------
    callable
        The same function under the limit.
    """

    @wraps(function)
    def limited(*args: P.args, **kwargs: P.kwargs) -> R:
        with _FINDING:
            libraries = _libraries()
        with libraries.limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return limited


@cache
def _libraries() -> ThreadpoolController:
    """Find the libraries once, by the first call and so before any pool runs.

    Looking through what is loaded calls back into Python, which may not happen while another thread
    loads a library. scipy brings a copy of its own, which must be there to be found.
    """
    import scipy.linalg  # noqa: F401, PLC0415 - a quarter of a second, for who plans

    return ThreadpoolController()
