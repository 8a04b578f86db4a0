"""A plan does not depend on how many threads linear algebra finds on the machine.

On more than one thread the solver behind numpy and scipy cuts a system of 200 unknowns and more by
the number of threads, and the last digits follow. (The yard's lawn has such a system.)
"""

import os
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
import scipy.linalg  # noqa: F401 - its library must be there to be given three threads below
from threadpoolctl import threadpool_info, threadpool_limits

from siting import plan_property
from siting.site.template import demo_property
from siting.threads import one_blas_thread


def blas_threads() -> set[int]:
    return {each["num_threads"] for each in threadpool_info() if each["user_api"] == "blas"}


@pytest.mark.parametrize("threads", [1, 3])
def test_plan_is_the_same_to_the_bit(threads):
    made = []
    for blas in (1, 4):
        with threadpool_limits(blas, user_api="blas"):
            made.append(plan_property(demo_property("yard"), threads=threads))
    one, four = made
    for name in ("sensors", "reserves", "zones"):
        pd.testing.assert_frame_equal(
            pd.DataFrame(getattr(one, name)), pd.DataFrame(getattr(four, name)), check_exact=True
        )
    np.testing.assert_array_equal(one.rank, four.rank)
    np.testing.assert_array_equal(one.dryness, four.dryness)


def test_threads_are_given_back():
    @one_blas_thread
    def inner():
        return blas_threads()

    @one_blas_thread
    def outer():
        return inner() | blas_threads()

    with threadpool_limits(3, user_api="blas"):
        assert outer() == {1}
        assert blas_threads() == {3}


def test_threads_are_given_back_after_an_error():
    @one_blas_thread
    def fails():
        raise KeyError

    with threadpool_limits(3, user_api="blas"):
        with pytest.raises(KeyError):
            fails()
        assert blas_threads() == {3}


def test_a_library_that_comes_late_is_limited_too():
    code = (
        "from siting.threads import one_blas_thread\n"
        "from threadpoolctl import threadpool_info\n"
        "@one_blas_thread\n"
        "def threads():\n"
        "    import scipy.linalg\n"
        "    found = [each for each in threadpool_info() if each['user_api'] == 'blas']\n"
        "    return [each['num_threads'] for each in found]\n"
        "print(threads())\n"
    )
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "3"}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    assert set(done.stdout.strip()) <= set("[]1, ")
    assert "1" in done.stdout
