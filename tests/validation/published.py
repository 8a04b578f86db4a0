"""Every check against something outside, with what was expected and what came out.

    python -m tests.validation.published OUT.json

runs the tests that carry a marker of `MARKS` (`published`: a number that a source prints,
`closed_form`: what follows by algebra, units or geometry, `cross_check`: two ways against each
other, nobody published it) and notes every comparison that passed in them:
pytest's own record of each assertion (`pytest_assertion_pass`) and of numpy's and pandas' comparing
functions. Nothing in the table is typed by hand.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from _pytest.assertion import rewrite

ROOT = Path(__file__).resolve().parents[2]
_TARGET = "SITING_PUBLISHED"
#: The marks, and what the table calls them.
MARKS = {
    "published": "published number",
    "closed_form": "closed form",
    "cross_check": "cross-check of our own",
}
#: Comparisons that are kept of one test, and letters of each; a table is for reading.
_MOST, _LETTERS, _SOURCE_LETTERS, _CASES = 40, 140, 400, 6
_SIDES = 2
_OPERATORS = (" == ", " <= ", " >= ", " < ", " > ")


class Recorder:
    """A pytest plugin that notes comparisons of the tests that carry one of the marks."""

    def __init__(self, target: Path) -> None:
        self.target = target
        self.found: dict[str, dict[str, Any]] = {}
        self.now: dict[str, Any] | None = None
        self.file = ""

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Iterator[None]:
        """Open a record while a test runs, and keep it where the test passed."""
        marks = [mark for mark in item.iter_markers() if mark.name in MARKS]
        marker = marks[0] if marks else None
        if marker is None:
            yield
            return
        function = getattr(item, "function", None)
        self.now = {
            "test": item.nodeid,
            "source": str(marker.args[0]),
            "mark": marker.name,
            "doc": (getattr(function, "__doc__", "") or "").strip().split("\n")[0],
            "compared": [],
        }
        self.file = str(item.path)
        outcome = yield
        if outcome.excinfo is None:
            self.found[item.nodeid] = self.now
        self.now = None

    def pytest_assertion_pass(self, orig: str, expl: str) -> None:
        """Note an assertion that held."""
        known = self.now is not None and len(self.now["compared"]) < _MOST
        if known and _asserting_file() == self.file:
            self.now["compared"].append(compared(orig, expl))

    def note(self, name: str, ours: object, expected: object) -> None:
        """Note a comparison of whole arrays that held."""
        if self.now is not None and len(self.now["compared"]) < _MOST:
            self.now["compared"].append(
                {"what": name, "ours": _span(ours), "expected": _span(expected)}
            )

    def pytest_sessionfinish(self) -> None:
        """Write what was found."""
        rows = [self.found[key] for key in sorted(self.found)]
        self.target.write_text(json.dumps(rows, ensure_ascii=False, indent=1), encoding="utf-8")


def _asserting_file() -> str:
    """Return the file whose assertion is being reported; libraries assert things too."""
    frame = sys._getframe(1)
    while frame is not None:
        name = frame.f_code.co_filename
        if not any(part in name for part in ("_pytest", "pluggy")) and name != __file__:
            return name
        frame = frame.f_back
    return ""


def compared(orig: str, expl: str) -> dict[str, str]:
    """Split an assertion that held into what was compared, ours and what was expected."""
    first = _plain(" ".join(expl.split("\n", 1)[0].split()))
    what = " ".join(orig.split())
    # Of a chain such as 1 < x < 2 pytest tells the last part only; its first is in the source.
    chain = re.fullmatch(r"([-\d.]+) <=? .+ <=? [^<]+", what)
    for operator in _OPERATORS:
        parts = first.split(operator)
        if len(parts) == _SIDES:
            ours, expected = (part.strip(" ()") for part in parts)
            sign = "" if operator == " == " else operator.strip() + " "
            expected = f"{chain[1]} to {expected}" if chain else sign + expected
            return {"what": what, "ours": ours, "expected": expected}
    return {"what": what, "ours": first, "expected": "true"}


def _plain(text: str) -> str:
    """Return text with numbers as people read them: no types, seven digits."""
    text = re.sub(r"np\.(?:float64|int64|bool_?|str_)\(([^()]*)\)", r"\1", text)
    return re.sub(r"\d+\.\d{6,}(?:e[-+]\d+)?", lambda found: f"{float(found[0]):.7g}", text)


def _span(values: object) -> str:
    """Return a number, or the range of an array."""
    try:
        array = np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        return str(values)
    if array.size == 1:
        return f"{array.ravel()[0]:.6g}"
    known = array[np.isfinite(array)]
    if not known.size:
        return f"{array.size} values"
    return f"{array.size} values, {known.min():.6g} to {known.max():.6g}"


def _wrapped(function: Callable[..., None], recorder: Recorder) -> Callable[..., None]:
    """Return a comparing function that also notes what it compared."""

    def compare(actual: object, desired: object, *values: object, **options: object) -> None:
        function(actual, desired, *values, **options)
        told = ", ".join(f"{key} {value}" for key, value in options.items() if "tol" in key)
        recorder.note(f"all values, {told}" if told else "all values", actual, desired)

    return compare


def pytest_configure(config: pytest.Config) -> None:
    """Start recording; pytest calls this when the module is given with ``-p``."""
    # Assertions are compiled apart: those in the usual cache do not report when they hold.
    rewrite.PYC_TAIL = f"-published{rewrite.PYC_TAIL}"
    recorder = Recorder(Path(os.environ[_TARGET]))
    config.pluginmanager.register(recorder)
    for name in ("assert_allclose", "assert_array_equal", "assert_array_almost_equal"):
        setattr(np.testing, name, _wrapped(getattr(np.testing, name), recorder))


def record(target: Path, *words: str) -> list[dict[str, Any]]:
    """Run the marked tests and return what they compared."""
    command = [
        sys.executable, "-m", "pytest", "-q", "-m", " or ".join(MARKS),
        "-p", "no:cacheprovider", "-p", "tests.validation.published",
        "-o", "enable_assertion_pass_hook=true", *words,
    ]  # fmt: skip
    environment = os.environ | {_TARGET: str(target), "PYTEST_ADDOPTS": ""}  # no coverage
    done = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        sys.exit(done.stdout[-4000:] + done.stderr[-2000:])
    rows: list[dict[str, Any]] = json.loads(target.read_text("utf-8"))
    return rows


def _cell(text: str, most: int = _LETTERS) -> str:
    """Return text that is safe in a cell of a Markdown table."""
    text = text if len(text) <= most else text[: most - 1] + "…"
    return text.replace("|", "\\|").replace("<", "&lt;").replace("*", "\\*").replace("_", "\\_")


def _grouped(
    rows: list[dict[str, Any]],
) -> Iterator[tuple[str, str, dict[str, list[dict[str, str]]]]]:
    """Yield source with its mark, file and comparisons; the cases of one test together."""
    grouped: dict[tuple[str, str, str], dict[str, list[dict[str, str]]]] = {}
    for row in rows:
        file, _, test = row["test"].partition("::")
        source = f"{row['source']} [{MARKS[row['mark']]}]"
        pairs = grouped.setdefault((file, test.split("[")[0], source), {})
        nothing = [{"what": test.split("[")[0], "expected": "no error", "ours": "none"}]
        for pair in row["compared"] or nothing:
            pairs.setdefault(pair["what"], []).append(pair)
    for (file, _, source), pairs in grouped.items():
        yield source, file, pairs


def _several(found: list[dict[str, str]], key: str) -> str:
    """Return one value, or the first few of many."""
    shown = "; ".join(pair[key] for pair in found[:_CASES])
    return shown if len(found) <= _CASES else f"{shown}; ... ({len(found)} in all)"


#: What the tests of a folder are about, in the words of somebody who judges the answer.
_PARTS = {
    "climate": "weather: reading, days made from months, seasons",
    "sun": "sun's place, shade, radiation on the ground",
    "water": "reference ET, plant factors, soil water, sprinkler evenness, budgets",
    "season": "a season's soil water under a timer or a sensor",
    "zones": "water-need scores, what is unsure about a zone",
    "place": "the driest representative point",
    "wire": "trenches and wires",
    "decide": "one sensor or several; money",
    "evidence": "what a probe walk or a picture says",
    "commission": "readings of the field",
    "site": "reading maps and tables",
}


def _summary(rows: list[dict[str, Any]]) -> Iterator[str]:
    """Yield the table before the tables: a row for each part of the job."""
    yield "Difference: of our number from a printed one with its tolerance, relative to it."
    yield ""
    yield "| part of the job | published | closed form | cross-check | difference: half, all |"
    yield "|---|---|---|---|---|"
    for folder, says in _PARTS.items():
        own = [row for row in rows if row["test"].startswith(f"tests/{folder}/")]
        counts = [str(sum(row["mark"] == mark for row in own)) for mark in MARKS]
        printed = (row for row in own if row["mark"] == "published")
        found = sorted(far for row in printed for pair in row["compared"] for far in _far(pair))
        told = f"≤ {found[len(found) // 2]:.1%}, ≤ {found[-1]:.1%}" if found else ""
        if own:
            yield f"| {says} | {' | '.join(counts)} | {told} |"


def _far(pair: dict[str, str]) -> Iterator[float]:
    """Yield the relative difference of a number from a printed one that has a tolerance."""
    number = r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?"
    printed = re.fullmatch(rf"({number}) ± \S+", pair["expected"])
    if printed and float(printed[1]) and re.fullmatch(number, pair["ours"]):
        yield abs(float(pair["ours"]) / float(printed[1]) - 1)


def table(rows: list[dict[str, Any]]) -> str:
    """Return the checks as Markdown: a section for each test file, a row for each comparison."""
    lines = [
        f"{len(rows)} tests hold {sum(len(row['compared']) for row in rows)} comparisons.",
        "",
        "| kind | tests | sources |",
        "|---|---|---|",
    ]
    for mark, name in MARKS.items():
        kind = [row for row in rows if row["mark"] == mark]
        lines.append(f"| {name} | {len(kind)} | {len({row['source'] for row in kind})} |")
    lines += ["", *_summary(rows)]
    part = ""
    for source, file, pairs in _grouped(rows):
        if file != part:
            part = file
            title = Path(file).stem.removeprefix("test_").replace("_", " ").capitalize()
            lines += ["", f"## {title}", "", "| source | compared | expected | ours |"]
            lines.append("|---|---|---|---|")
        name = _cell(source, _SOURCE_LETTERS)
        for what, found in pairs.items():
            expected, ours = (_several(found, key) for key in ("expected", "ours"))
            lines.append(f"| {name} | {_cell(what)} | {_cell(expected)} | {_cell(ours)} |")
            name = ""
    return "\n".join(lines) + "\n"


def main(target: str) -> None:
    """Record into a JSON file, and write the table beside it."""
    path = Path(target)
    rows = record(path)
    path.with_suffix(".md").write_text(table(rows), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1])
