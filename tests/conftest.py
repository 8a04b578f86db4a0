"""What all tests share: which are slow, which are traced, and how hard hypothesis tries."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

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

#: Files of the slow suite that take minutes: begun first (``--no-loadscope-reorder`` leaves the
#: order to `_turn`), or one worker would be left alone with them at the end. In any other order the
#: suite passes, too.
LONGEST = (
    "portfolio/test_cluster.py",
    "portfolio/test_portfolio.py",
    "handoff/test_results.py",
    "planning/test_real_plan.py",
    "gis/test_plugin.py",
    "test_extensions.py",
    "planning/test_same_figures.py",
    "decide/test_ordinary_plans.py",
)

#: The file that makes the plan most asked for, before all that ask for no plan: meanwhile another
#: worker has those, and does not wait.
MAKER = "planning/test_words.py"

#: Folders of tests that coverage looks at where it is asked for: those of the rooms that
#: `.ci/coverage.py` holds. What the others reach of these rooms is reached here as well, and
#: tracing takes a quarter of the time.
TRACED = (
    "climate", "decide", "evidence", "place", "planning", "season", "sun", "water", "wire", "zones",
)  # fmt: skip

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


def _turn(item: pytest.Item) -> int:
    """Return when a test's file is begun: the longest, what makes a plan, what asks for none."""
    file = item.nodeid.split("::")[0].removeprefix("tests/")
    if file in LONGEST:
        return LONGEST.index(file)
    if file == MAKER:
        return len(LONGEST)
    asks = hasattr(getattr(item, "module", None), "demo_plan")
    return len(LONGEST) + 1 + asks


def _tracer(config: pytest.Config) -> Any:
    """Return what pytest-cov traces with, or None where coverage is not asked for."""
    return getattr(config.pluginmanager.getplugin("_cov"), "cov_controller", None)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Load what coverage looks at while it looks, whichever test would have been the first."""
    if _tracer(session.config) is None:
        return
    package = Path(__file__).parents[1] / "siting"
    for folder in TRACED:
        for file in sorted((package / folder).glob("*.py")):
            if file.name != "__init__.py":
                importlib.import_module(f"siting.{folder}.{file.stem}")


@pytest.hookimpl(hookwrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Trace the test and the fixtures made for it only where coverage looks at its folder."""
    tracer = _tracer(item.config)
    folder = item.nodeid.removeprefix("tests/").split("/")[0]
    if tracer is None or folder in TRACED:
        yield
        return
    tracer.pause()
    yield
    tracer.resume()


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
