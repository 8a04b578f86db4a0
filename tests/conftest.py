"""What all tests share: which of them are slow, and how hard hypothesis tries."""

from __future__ import annotations

import os
from pathlib import Path

import hypothesis
import pytest

#: A test is slow by rule: it, its fixtures and children took more processor time than this [s].
#: Checks against something outside the project are never left out of the quick suite.
SLOW_S = 1.0
OUTSIDE = ("published", "closed_form", "practice")
#: Ids of the slow tests, written by ``SITING_SLOW=write pytest -m "not long"`` and by nothing else.
LIST = Path(__file__).with_name("slow.txt")

hypothesis.settings.register_profile("quick", deadline=None, max_examples=25)
hypothesis.settings.register_profile("full", deadline=None)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "quick"))

_spent: dict[str, float] = {}


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what the list names, before pytest chooses by marks."""
    slow = set(LIST.read_text(encoding="utf-8").splitlines())
    for item in items:
        if item.nodeid in slow and not any(item.get_closest_marker(mark) for mark in OUTSIDE):
            item.add_marker(pytest.mark.slow)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_protocol(item: pytest.Item):
    """Remember when a test began."""
    item.stash[_BEGUN] = _processor()
    yield


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    """Hand the processor time of a test on with the report of its end."""
    outcome = yield
    if call.when == "teardown":
        outcome.get_result().user_properties.append(
            ("processor_s", _processor() - item.stash[_BEGUN])
        )


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Collect what the workers spent."""
    if spent := dict(report.user_properties).get("processor_s"):
        _spent[report.nodeid] = spent


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Write the list of slow tests anew where asked."""
    if os.environ.get("SITING_SLOW") == "write" and not hasattr(session.config, "workerinput"):
        slow = sorted(name for name, seconds in _spent.items() if seconds > SLOW_S)
        LIST.write_text("".join(f"{name}\n" for name in slow), encoding="utf-8")


def _processor() -> float:
    """Return the processor time of this process and of the children it waited for [s]."""
    return sum(os.times()[:4])


_BEGUN = pytest.StashKey[float]()
