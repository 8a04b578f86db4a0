"""Mutation testing of a module: change one thing at a time, and see whether its tests notice.

`python -m tests.fuzz.mutants siting/water/balance.py tests/test_balance.py [--most 60] [--seed 1]`
prints the share of mutants that were killed, and those that survived. The module is changed in a
scratch copy of the package, never in place.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

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


def main() -> int:
    """Mutate a module, run its tests for each mutant, and print the kill rate."""
    parser = argparse.ArgumentParser()
    parser.add_argument("module", type=Path)
    parser.add_argument("tests", nargs="+")
    parser.add_argument("--most", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--least", type=float, default=0.85)
    told = parser.parse_args()
    source = told.module.read_text(encoding="utf-8")
    spots = _spots(ast.parse(source))
    random.Random(told.seed).shuffle(spots)
    with tempfile.TemporaryDirectory(prefix="mutants-") as scratch:
        copy = Path(scratch)
        for name in ("siting", "tests", "data"):
            shutil.copytree(name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy("pyproject.toml", copy)
        killed, survived = 0, []
        for number, change in spots[: told.most]:
            tree = ast.parse(source)
            node = list(ast.walk(tree))[number]
            line, before = getattr(node, "lineno", 0), ast.unparse(node)
            _apply(node, change)
            if _dies(copy, told.module, ast.unparse(ast.fix_missing_locations(tree)), told.tests):
                killed += 1
            else:
                survived.append(f"line {line}: {before[:90]} -> {ast.unparse(node)[:90]}")
                print("survived", survived[-1], flush=True)
    done = killed + len(survived)
    print(f"{told.module}: {killed} of {done} mutants killed ({killed / max(done, 1):.0%}), "
          f"of {len(spots)} possible")  # fmt: skip
    return int(killed < told.least * done)


def _dies(copy: Path, module: Path, text: str, tests: list[str]) -> bool:
    (copy / module).write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
    environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            command, cwd=copy, capture_output=True, timeout=180, check=False, env=environment
        )
    except subprocess.TimeoutExpired:
        return True
    return done.returncode != 0


if __name__ == "__main__":
    sys.exit(main())
