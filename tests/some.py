"""A collection that a test walks through must hold something, or the test checks nothing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

T = TypeVar("T")


def some(things: Iterable[T]) -> list[T]:
    """Return the things as a list, and fail where there are none."""
    found = list(things)
    assert found, "nothing to check"
    return found
