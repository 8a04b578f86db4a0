"""A condition over one row of a table: comparisons with and, or, not. Nothing is ever executed."""

from __future__ import annotations

import ast
import operator
from collections.abc import Callable, Mapping
from typing import Any, Final

from siting.errors import Fault, InputError
from siting.site.findings import nearest

__all__ = ["check_condition", "matches"]

_LONGEST: Final = 500
_DEEPEST: Final = 20
_MOST_TERMS: Final = 100
_COMPARE: Final[Mapping[type[ast.cmpop], Callable[[Any, Any], Any]]] = {
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
}
_EXAMPLE: Final = "sensors >= 2 and value_of_second > 50"


def check_condition(text: str, columns: Mapping[str, str]) -> None:
    """Refuse a condition that cannot be evaluated.

    columns: the columns that it may name -> "number" or "text".
    """
    try:
        tree = _parse(text)
        _check(tree, columns, 0)
        kind = _kind(tree, columns)
    except _Wrong as error:
        allowed = f"comparisons with and, or, not; columns {', '.join(columns)}"
        mend = f"Write for example: {_EXAMPLE}"
        raise InputError([Fault("--handoff", str(error), allowed, mend)]) from None
    if kind != "truth":
        raise InputError([Fault("--handoff", f'"{text}"', "a condition", f"Write {_EXAMPLE}")])


def matches(text: str, row: Mapping[str, Any]) -> bool:
    """Tell whether a row meets a condition.

    row: the row, a comparison with an unknown value (None) is false.

    >>> matches("sensors >= 2 and not name == 'Depot'", {"sensors": 3, "name": "Yard"})
    True
    >>> matches("value_of_second > 50", {"value_of_second": None})
    False
    """
    if text in {"none", "all"}:
        return text == "all"
    return bool(_value(_parse(text), row))


class _Wrong(Exception):  # noqa: N818  (never leaves this module)
    """What is wrong with a condition."""


def _parse(text: str) -> ast.expr:
    if len(text) > _LONGEST:
        msg = f"a condition of {len(text)} characters"
        raise _Wrong(msg)
    try:
        return ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        msg = f'"{text}", which cannot be read'
        raise _Wrong(msg) from None


def _check(node: ast.expr, columns: Mapping[str, str], depth: int) -> None:
    """Walk a condition and refuse every part that is not of this small grammar."""
    if depth > _DEEPEST:
        msg = "a condition nested too deeply"
        raise _Wrong(msg)
    for inner in _parts(node):
        _check(inner, columns, depth + 1)
    if isinstance(node, ast.Name) and node.id not in columns:
        near = nearest(node.id, columns)
        msg = f'no column "{node.id}"' + (f'; did you mean "{near}"?' if near else "")
        raise _Wrong(msg)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        kind = _kind(node.operand, columns)
        if kind != "number":
            msg = f"a minus before a {kind}"
            raise _Wrong(msg)
    if isinstance(node, ast.Compare):
        kinds = [_kind(part, columns) for part in (node.left, *node.comparators)]
        if len(set(kinds)) > 1 or kinds[0] == "truth":
            msg = f"a comparison of {' with '.join(kinds)}"
            raise _Wrong(msg)


def _parts(node: ast.expr) -> list[ast.expr]:
    """Return the parts of a node, or refuse it."""
    if isinstance(node, ast.BoolOp) and len(node.values) <= _MOST_TERMS:
        return node.values
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        return [node.operand]
    if isinstance(node, ast.Compare) and all(type(op) in _COMPARE for op in node.ops):
        return [node.left, *node.comparators]
    if isinstance(node, ast.Name):
        return []
    if isinstance(node, ast.Constant) and isinstance(node.value, (int, float, str)):
        return []
    msg = f'"{ast.unparse(node)}"'
    raise _Wrong(msg)


def _kind(node: ast.expr, columns: Mapping[str, str]) -> str:
    """Return what a part is: "number", "text" or "truth"."""
    if isinstance(node, ast.Name):
        return columns.get(node.id, "number")
    if isinstance(node, ast.Constant):
        return "text" if isinstance(node.value, str) else "number"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return "number"
    return "truth"


def _value(node: ast.expr, row: Mapping[str, Any]) -> Any:  # noqa: ANN401, PLR0911
    """Return the value of a part; the tree itself is walked, nothing is executed."""
    if isinstance(node, ast.Constant):
        return node.value
    if isinstance(node, ast.Name):
        return row.get(node.id)
    if isinstance(node, ast.BoolOp):
        each = (bool(_value(part, row)) for part in node.values)
        return all(each) if isinstance(node.op, ast.And) else any(each)
    if isinstance(node, ast.UnaryOp):
        inner = _value(node.operand, row)
        if isinstance(node.op, ast.Not):
            return not inner
        return None if inner is None else -inner
    if isinstance(node, ast.Compare):
        values = [_value(part, row) for part in (node.left, *node.comparators)]
        if any(value is None for value in values):
            return False
        pairs = zip(node.ops, values, values[1:], strict=False)
        return all(_COMPARE[type(op)](a, b) for op, a, b in pairs)
    msg = "not a condition"
    raise _Wrong(msg)
