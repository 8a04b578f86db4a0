"""The compiled loops of the season against the plain ones: the same bits, whatever runs them."""

from __future__ import annotations

import importlib.util
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting import _control
from siting.sun import light

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("numba") is None, reason="extra `fast` is not installed"
)


def season(rng: np.random.Generator, *, layered: bool, days: int = 90, runs: int = 7) -> Any:
    """Draw a season of 5 zones; soil thin enough to run dry and to run over."""
    shape = (days, 5, runs)
    taw = rng.uniform(4, 60, shape[1:])
    share = rng.choice([0.2, 0.5, 1.0] if layered else [1.0], 5)
    return _control.Days(
        etc=rng.gamma(3, 1.5, shape),
        rain=rng.gamma(0.3, 20, shape) * (rng.random(shape) < 0.2),
        taw=taw,
        raw=taw * rng.uniform(0.1, 0.9, taw.shape),
        application=rng.uniform(0.5, 1.0, taw.shape),
        share=np.broadcast_to(share[:, None], taw.shape),
        error=rng.normal(0, 0.05, (days, runs)) if rng.random() < 0.5 else None,
    )


def both(monkeypatch: pytest.MonkeyPatch, run: Any) -> list[Any]:
    """Run something by numpy, then compiled."""
    found = []
    for compiles in (False, True):
        with monkeypatch.context() as patch:
            patch.setattr(_control, "worth_compiling", lambda *_, compiles=compiles: compiles)
            found.append(run())
    return found


@given(seed=st.integers(0, 10_000), layered=st.booleans(), refill=st.booleans())
@settings(max_examples=40, deadline=None)
def test_governors_are_the_same_to_the_bit(seed, layered, refill):
    rng = np.random.default_rng(seed)
    days = season(rng, layered=layered)
    zone = rng.integers(0, 5, 12)
    allowed = rng.random((90, 7)) < 0.6
    start, event = rng.uniform(-1, 25, (12, 7)), rng.uniform(0.2, 12, (12, 1))
    dial = None if refill else rng.uniform(0.4, 1.0, 90)

    def run() -> tuple[Any, Any, Any]:
        record = np.full((90, 12, 7), np.nan)
        ways = {"start": start, "event": np.broadcast_to(event, start.shape), "refill": refill}
        stress = _control.govern(days, zone, allowed, record=record, dial=dial, **ways)
        return stress, record, _control.govern(days, zone, allowed, dial=dial, **ways)

    with pytest.MonkeyPatch.context() as monkeypatch:
        plain, fast = both(monkeypatch, run)
    for one, other in zip(plain, fast, strict=True):
        np.testing.assert_array_equal(one, other)
    assert plain[0].any()
    assert plain[1].any()


@given(seed=st.integers(0, 10_000), some=st.booleans())
@settings(max_examples=40, deadline=None)
def test_followers_are_the_same_to_the_bit(seed, some):
    rng = np.random.default_rng(seed)
    days = season(rng, layered=False)
    depth = rng.gamma(1, 8, (90, 6, 7)) * (rng.random((90, 6, 7)) < 0.3)
    governor, zone = rng.integers(0, 6, 15), rng.integers(0, 5, 15)
    factor = rng.uniform(0, 4, 15)
    runs = np.argsort(rng.random((15, 7)), axis=1)[:, :3] if some else np.arange(7)[None]

    def run() -> Any:
        return _control.pair_stress(
            days, depth, governor=governor, zone=zone, factor=factor, runs=runs
        )

    with pytest.MonkeyPatch.context() as monkeypatch:
        plain, fast = both(monkeypatch, run)
    np.testing.assert_array_equal(plain, fast)
    assert plain.any()


def test_small_work_does_not_wait_for_the_compiler(monkeypatch):
    monkeypatch.delitem(sys.modules, "siting.sun.kernels", raising=False)
    assert not light.worth_compiling(1000, 2000)
    assert light.worth_compiling(2000, 2000)
    monkeypatch.setitem(sys.modules, "siting.sun.kernels", None)
    assert light.worth_compiling(1000, 2000)
    monkeypatch.setattr(light, "has_compiler", lambda: False)
    assert not light.worth_compiling(10**9, 2000)
