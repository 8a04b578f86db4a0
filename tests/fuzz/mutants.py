"""Mutation testing of a module: change one thing at a time, and see whether its tests notice.

`python -m tests.fuzz.mutants siting/water/balance.py tests/water/test_balance.py [--most 60] [--seed 1]`
runs each test file on the unchanged module, and ends there if one fails or has nothing to run. Then
it prints the share of mutants that were killed, and those that were not: survivors, and apart from
them mutants that ran out of time or broke off. The module is changed in a scratch copy of the
project, never in place.

A mutant meets the test files that enter its function, the quickest first, in a fork of this process
without plugins of pytest. A file that enters the module in processes of its own only is not seen.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from typing import Final, NamedTuple

import coverage
import hypothesis
import pytest

_BASELINE_S: Final = 1200.0
_KILLED: Final = "killed"
_BROKEN: Final = 70
_LOG, _SEEN = ".mutants.log", ".mutants.json"
#: Imported once, where the tests do: packages that do not care to be forked.
_HEAVY: Final = (
    "numpy", "pandas", "scipy.sparse.csgraph", "scipy.optimize", "scipy.spatial", "shapely",
    "geopandas", "rasterio", "pyogrio", "pyproj", "pvlib", "folium", "networkx", "numba",
    "hypothesis.strategies",
)  # fmt: skip

_SWAPS: dict[type, type] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Lt: ast.LtE,
    ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.And: ast.Or, ast.Or: ast.And, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.FloorDiv: ast.Mult, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}  # fmt: skip
_NAMES = {"minimum": "maximum", "maximum": "minimum", "min": "max", "max": "min", "any": "all",
          "all": "any", "floor": "ceil", "ceil": "floor", "argmin": "argmax", "argmax": "argmin"}  # fmt: skip


def _changes(node: ast.AST) -> list[str]:  # noqa: PLR0911 - one for each kind of node
    """Return which changes a node can take."""
    if isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp):
        return ["op"] if type(node.op) in _SWAPS else []
    if isinstance(node, ast.Compare):
        return ["compare"] if type(node.ops[0]) in _SWAPS else []
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        return ["flip"] if isinstance(node.value, bool) else ["more"]
    if isinstance(node, ast.Attribute) and node.attr in _NAMES:
        return ["attr"]
    if isinstance(node, ast.Name) and node.id in _NAMES:
        return ["name"]
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
        return ["bare"]
    return ["negate"] if isinstance(node, ast.If | ast.IfExp) else []


def _apply(node: ast.AST, change: str) -> None:
    match change:
        case "op":
            node.op = _SWAPS[type(node.op)]()  # type: ignore[attr-defined]
        case "compare":
            node.ops[0] = _SWAPS[type(node.ops[0])]()  # type: ignore[attr-defined]
        case "flip":
            node.value = not node.value  # type: ignore[attr-defined]
        case "more":
            node.value = node.value * 1.5 + 1 if isinstance(node.value, float) else node.value + 1  # type: ignore[attr-defined]
        case "attr":
            node.attr = _NAMES[node.attr]  # type: ignore[attr-defined]
        case "name":
            node.id = _NAMES[node.id]  # type: ignore[attr-defined]
        case "bare":
            if isinstance(node.op, ast.Not):  # type: ignore[attr-defined]
                node.operand = ast.UnaryOp(ast.Not(), node.operand)  # type: ignore[attr-defined]
            else:
                node.op = ast.UAdd() if isinstance(node.op, ast.USub) else ast.Not()  # type: ignore[attr-defined]
        case _:
            node.test = ast.UnaryOp(ast.Not(), node.test)  # type: ignore[attr-defined]


def _spots(tree: ast.AST) -> list[tuple[int, str]]:
    """Return every change of a module's functions: position in the walk, and the change."""
    quiet = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for part in (
            node.returns,
            *(arg.annotation for arg in (*node.args.args, *node.args.kwonlyargs)),
        )
        if part is not None
        for inner in ast.walk(part)
    }
    # Annotations of variables are not evaluated, and zip's `strict` only guards against a slip.
    quiet |= {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.AnnAssign)
        for inner in ast.walk(node.annotation)
    }
    quiet |= {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.keyword) and node.arg == "strict"
    }
    return [
        (number, change)
        for number, node in enumerate(ast.walk(tree))
        if id(node) not in quiet
        for change in _changes(node)
    ]


def _place(tree: ast.Module, number: int) -> tuple[int, int] | None:
    """Return first and last line of the function a node of the walk stands in, if in one."""
    node = list(ast.walk(tree))[number]
    for outer in ast.walk(tree):
        if isinstance(outer, ast.FunctionDef | ast.AsyncFunctionDef):
            body = {id(inner) for part in outer.body for inner in ast.walk(part)}
            if id(node) in body:
                return outer.body[0].lineno, outer.end_lineno or outer.lineno
    return None


class _TestFile(NamedTuple):
    """What a test file did on the unchanged module."""

    path: str
    seconds: float
    lines: frozenset[int]
    tests: dict[str, float]


class _Watch:
    """A plugin of pytest: the time each test took, and the quickest first where it is known."""

    def __init__(self, known: dict[str, float]) -> None:
        self.known = known
        self.passed: dict[str, float] = {}
        self._spent: dict[str, float] = {}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Keep the files in their order, their tests by time."""
        files = list(dict.fromkeys(item.path for item in items))
        items.sort(key=lambda item: (files.index(item.path), self.known.get(item.nodeid, 0.0)))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Sum set-up and call; remember what passed."""
        spent = self._spent[report.nodeid] = self._spent.get(report.nodeid, 0) + report.duration
        if report.when == "call" and report.passed:
            self.passed[report.nodeid] = spent


def _forked(copy: Path, module: Path, files: list[str], known: dict[str, float]) -> None:
    """Run test files on the copy, and end this process with pytest's exit code, or one apart."""
    code = _BROKEN
    try:
        code = _run_here(copy, module, files, known)
    except BaseException:  # noqa: BLE001 - a fault of this tool must not pass for a killed mutant
        traceback.print_exc()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def _run_here(copy: Path, module: Path, files: list[str], known: dict[str, float]) -> int:
    """Run test files on the copy, and return pytest's exit code.

    Without known times the run is the baseline: it writes what it saw, and its bytecode.
    """
    os.setsid()
    with (copy / _LOG).open("w") as log:
        os.dup2(log.fileno(), 1)
        os.dup2(log.fileno(), 2)
    home = Path.cwd()
    for name in list(sys.modules):
        if (home / name.split(".")[0]).is_dir():
            del sys.modules[name]  # the project's own: imported again, from the copy
    os.chdir(copy)
    sys.path[:] = [str(copy), *(part for part in sys.path if part not in ("", str(home)))]
    os.environ |= {"PYTHONPATH": str(copy), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    os.environ.pop("PYTEST_ADDOPTS", None)  # it may name a plugin that is left out here
    if known:
        sys.dont_write_bytecode = True
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    # The same examples for every mutant, and no failure by a slow machine.
    hypothesis.settings.register_profile(
        "mutants", derandomize=True, database=None, deadline=None,
        suppress_health_check=[hypothesis.HealthCheck.too_slow],
    )  # fmt: skip
    hypothesis.settings.load_profile("mutants")
    watch = _Watch(known)
    seen = None if known else coverage.Coverage(data_file=None, include=[str(copy / module)])
    if seen:
        seen.start()
    # The project's options name plug-ins that are left out here; its quick tests are meant.
    quick = ["-o", "addopts=", "-m", "not long and not slow"]
    code = pytest.main(["-x", "-q", "-p", "no:cacheprovider", *quick, *files], plugins=[watch])
    if seen:
        seen.stop()
        lines = seen.get_data().lines(str(copy / module)) or []
        heavy = [name for name in _HEAVY if name in sys.modules]
        told = {"lines": lines, "tests": watch.passed, "heavy": heavy}
        (copy / _SEEN).write_text(json.dumps(told), encoding="utf-8")
    return int(code)


def _run(
    copy: Path, module: Path, files: list[str], known: dict[str, float], seconds: float
) -> int | None:
    """Return the exit code of test files run in a fork of this process; None when out of time."""
    told = multiprocessing.get_context("fork").Process(
        target=_forked, args=(copy, module, files, known)
    )
    told.start()
    told.join(seconds)
    late = told.exitcode is None
    with contextlib.suppress(ProcessLookupError):
        os.killpg(told.pid or 0, signal.SIGKILL)  # also what the tests left running
    told.join()
    return None if late else told.exitcode


def _baseline(copy: Path, module: Path, tests: list[str]) -> list[_TestFile]:
    """Run each test file on the unchanged module; return those that enter it, quickest first."""
    touching = []
    for path in tests:
        (copy / _SEEN).unlink(missing_ok=True)
        begun = time.monotonic()
        code = _run(copy, module, [path], {}, _BASELINE_S)
        spent = time.monotonic() - begun
        told = json.loads((copy / _SEEN).read_text("utf-8")) if (copy / _SEEN).exists() else {}
        if code != 0 or not told.get("tests"):
            print((copy / _LOG).read_text("utf-8")[-3000:])
            why = "took too long" if code is None else f"pytest ended with {code}"
            sys.exit(f"{path} does not pass on the unchanged {module} ({why}, "
                     f"{len(told.get('tests', ()))} tests passed): no rate can be told")  # fmt: skip
        for name in told["heavy"]:  # so that the next fork has it
            importlib.import_module(name)
        found = _TestFile(path, spent, frozenset(told["lines"]), told["tests"])
        inside = any(
            first <= line <= last
            for first, last in _functions((copy / module).read_text("utf-8"))
            for line in found.lines
        )
        print(f"{path}: {len(found.tests)} tests pass in {spent:.1f} s"
              f"{'' if inside else '; none enters the module, left out'}", flush=True)  # fmt: skip
        touching += [found] if inside else []
    if not touching:
        sys.exit(f"no test enters a function of {module}: no rate can be told")
    return sorted(touching, key=lambda file: file.seconds)


def _functions(source: str) -> list[tuple[int, int]]:
    return [
        (node.body[0].lineno, node.end_lineno or node.lineno)
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    ]


def _verdict(copy: Path, module: Path, files: list[_TestFile], patience: float) -> str:
    """Run the files that enter the changed function, and say what became of the mutant."""
    if not files:
        return "survived, as no test enters its function"
    known = {name: spent for file in files for name, spent in file.tests.items()}
    most = patience + 4 * sum(file.seconds for file in files)
    code = _run(copy, module, [file.path for file in files], known, most)
    if code == pytest.ExitCode.OK:
        return "survived"
    # A change that keeps the module from being imported is an error of collection.
    if code in (pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED):
        return _KILLED
    return f"out of time ({most:.0f} s)" if code is None else f"broke off with {code}"


def _copied(scratch: Path, module: Path) -> None:
    """Copy the project, and keep bytecode of the module that is changed from being found."""
    skip = shutil.ignore_patterns("__pycache__", ".git", ".venv", ".*_cache", "maps")
    shutil.copytree(".", scratch, ignore=skip, dirs_exist_ok=True)
    if not (scratch / module).is_file():
        sys.exit(f"{module}: no such module")


def main() -> int:
    """Run the tests unchanged, mutate the module, run them for each mutant, print the rate."""
    parser = argparse.ArgumentParser()
    parser.add_argument("module", type=Path)
    parser.add_argument("tests", nargs="+", help="test files")
    parser.add_argument("--most", type=int, default=60, help="mutants to try; 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--patience", type=float, default=30.0, help="seconds beyond four times the tests' own"
    )
    parser.add_argument("--least", type=float, default=0.85)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="mutants-") as scratch:
        copy = Path(scratch).resolve()
        _copied(copy, told.module)
        source = told.module.read_text(encoding="utf-8")
        spots = _spots(ast.parse(source))
        random.Random(told.seed).shuffle(spots)
        files = _baseline(copy, told.module, told.tests)
        for stale in (copy / told.module).parent.glob(f"__pycache__/{told.module.stem}.*"):
            stale.unlink()
        fates: Counter[str] = Counter()
        for number, change in spots[: told.most or None]:
            tree = ast.parse(source)
            node, place = list(ast.walk(tree))[number], _place(tree, number)
            line, before = getattr(node, "lineno", 0), ast.unparse(node)
            _apply(node, change)
            text = ast.unparse(ast.fix_missing_locations(tree))
            (copy / told.module).write_text(text, encoding="utf-8")
            first, last = place or (0, sys.maxsize)
            entering = [file for file in files if any(first <= at <= last for at in file.lines)]
            fate = _verdict(copy, told.module, entering, told.patience)
            fates[fate.split(" (")[0].split(",")[0]] += 1
            if fate != _KILLED:
                print(f"{fate}: line {line}: {before[:90]} -> {ast.unparse(node)[:90]}", flush=True)
    done = fates.total()
    print(f"{told.module}: {fates[_KILLED]} of {done} mutants killed "
          f"({fates[_KILLED] / max(done, 1):.0%}), of {len(spots)} possible; "
          + ", ".join(f"{count} {fate}" for fate, count in sorted(fates.items())))  # fmt: skip
    return int(fates[_KILLED] < told.least * done)


if __name__ == "__main__":
    sys.exit(main())
