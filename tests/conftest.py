"""What all tests share: which of them are slow, and how hard hypothesis tries."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest

from tests import demo_plans, tries

#: A test is slow by rule: it, or a fixture that it asks for, took more processor time than these
#: [s], children too; or it needs a browser, whose own time is told to nobody. What is made once for
#: the whole suite (`demo_plans`) counts for nobody, but for its large ones.
SLOW_S = 1.0
SLOW_FIXTURE_S = 2.0
#: Checks against something outside the project stay in the quick suite up to this [s].
SLOW_OUTSIDE_S = 10.0
OUTSIDE = ("published", "closed_form", "practice")
#: Ids of the slow tests, written by ``SITING_SLOW=write pytest -n auto -m "not long"`` only.
LIST = Path(__file__).with_name("slow.txt")

# Workers and the commands that tests start find the byte code of whoever was there first.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

hypothesis.settings.load_profile(tries.PROFILE)

#: Files of the slow suite that take minutes: begun first (with ``--no-loadscope-reorder``), or one
#: worker would be left alone with them at the end. In any other order the suite passes, too.
LONGEST = (
    "portfolio/test_cluster.py",
    "portfolio/test_portfolio.py",
    "handoff/test_results.py",
    "planning/test_real_plan.py",
    "gis/test_plugin.py",
    "test_large.py",
    "handoff/test_webmap_browser.py",
    "handoff/test_webmap_access.py",
    "draw/test_page.py",
    "test_extensions.py",
    "planning/test_same_figures.py",
    "decide/test_ordinary_plans.py",
)

#: Whether a test is slow, by id.
_slow: dict[str, bool] = {}
#: The same for every fixture of this process, by where it is defined and its name.
_fixtures: dict[tuple[str, str], float] = {}
_SPENT = pytest.StashKey[float]()


@pytest.hookimpl(hookwrapper=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> Iterator[None]:
    """Mark what the list names, before pytest chooses by marks, and put the longest files first."""
    slow = set(LIST.read_text(encoding="utf-8").splitlines())
    for item in items:
        if item.nodeid in slow:
            item.add_marker(pytest.mark.slow)
    yield
    items.sort(key=_turn)


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Look for garbage more seldom, and not among what was loaded: it took a tenth of the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def _turn(item: pytest.Item) -> int:
    """Return the place of a test's file among the longest, or that of all others, behind them."""
    file = item.nodeid.split("::")[0].removeprefix("tests/")
    return LONGEST.index(file) if file in LONGEST else len(LONGEST)


@pytest.hookimpl(hookwrapper=True)
def pytest_fixture_setup(fixturedef: pytest.FixtureDef[object]) -> Iterator[None]:
    """Time every fixture, without those that it asks for: these are made before it."""
    begun = _processor()
    yield
    key = (fixturedef.baseid, fixturedef.argname)
    _fixtures[key] = max(_fixtures.get(key, 0.0), _processor() - begun)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Time the test itself."""
    begun = _processor()
    yield
    item.stash[_SPENT] = _processor() - begun


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    """Hand what test and fixtures took on with the report of its end."""
    outcome = yield
    if call.when != "teardown":
        return
    asked = item._fixtureinfo.name2fixturedefs.values()  # type: ignore[attr-defined]
    keys = [(one.baseid, one.argname) for several in asked for one in several]
    made = max((_fixtures.get(key, 0.0) for key in keys), default=0.0)
    itself = item.stash.get(_SPENT, 0.0)
    if any(item.get_closest_marker(mark) for mark in OUTSIDE):
        slow = max(itself, made) > SLOW_OUTSIDE_S
    else:
        slow = itself > SLOW_S or made > SLOW_FIXTURE_S
    slow = slow or item.get_closest_marker("browser") is not None
    outcome.get_result().user_properties.append(("slow", slow))


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Collect what the workers found."""
    told = dict(report.user_properties)
    if "slow" in told:
        _slow[report.nodeid] = bool(told["slow"])


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Write the list of slow tests anew where asked."""
    if os.environ.get("SITING_SLOW") == "write" and not hasattr(session.config, "workerinput"):
        LIST.write_text(
            "".join(f"{name}\n" for name in sorted(_slow) if _slow[name]), encoding="utf-8"
        )


def _processor() -> float:
    """Return what this process and its ended children took, without the shared plans [s]."""
    return sum(os.times()[:4]) - demo_plans.spent_s()
