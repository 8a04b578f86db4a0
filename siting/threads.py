"""Linear algebra on one thread while a plan is made.

The library behind numpy and scipy cuts a large system by the number of cores that it finds, and a
sum cut otherwise ends in other last digits. A plan must not depend on the machine's cores; its own
threads (zones, tiles, runs) are not touched.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from importlib.util import LazyLoader, find_spec, module_from_spec
from typing import Final, ParamSpec, TypeVar

import numpy as np


def _only_when_used(part: str) -> None:
    """Let a part of numpy be loaded when somebody first uses it, not when it is named."""
    spec = find_spec(f"numpy.{part}") if f"numpy.{part}" not in sys.modules else None
    if spec is not None and spec.loader is not None:
        spec.loader = LazyLoader(spec.loader)
        sys.modules[spec.name] = module = module_from_spec(spec)
        setattr(np, part, module)
        spec.loader.exec_module(module)


# scipy takes over every name that numpy has, and would load what builds Fortran and what tests.
for _part in ("f2py", "testing"):
    _only_when_used(_part)

import scipy.linalg  # noqa: E402, F401 - brings a copy of its own, which must be there to be found
from threadpoolctl import ThreadpoolController  # noqa: E402

P = ParamSpec("P")
R = TypeVar("R")
#: Found once, while this is imported: looking through the loaded libraries calls back into Python,
#: which may not happen while another thread loads one.
_LIBRARIES: Final = ThreadpoolController()


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
        with _LIBRARIES.limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return limited
