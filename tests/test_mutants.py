"""The mutation tester itself: no rate without tests that pass, and nothing but a failure kills."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

TWICE = "def twice(x):\n    return x * 2\n"
DOWN = "def down(n):\n    while n > 0:\n        n -= 1\n    return n\n"
HEAD = "from tiny.sums import *\n\n\n"


@pytest.fixture
def rate(tmp_path):
    """Return a function that mutates a module with tests of a project of two files."""

    def run(module: str, *tests: str, patience: float = 20.0):
        for folder in ("tiny", "checks"):
            (tmp_path / folder).mkdir()
            (tmp_path / folder / "__init__.py").touch()
        # As this project has it: an option of a plug-in, and marks that leave tests out.
        (tmp_path / "pyproject.toml").write_text(
            '[tool.pytest.ini_options]\naddopts = ["--dist=loadfile", "-m", "not long"]\n'
        )
        (tmp_path / "tiny" / "sums.py").write_text(module)
        names = [f"checks/test_{number}.py" for number in range(len(tests))]
        for name, text in zip(names, tests, strict=True):
            (tmp_path / name).write_text(HEAD + text)
        command = [sys.executable, "-m", "tests.fuzz.mutants", "tiny/sums.py"]
        command += names or ["checks/test_that_does_not_exist.py"]
        done = subprocess.run(
            [*command, "--patience", str(patience)],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        said = re.search(r"(\d+) of (\d+) mutants killed", done.stdout)
        killed = tuple(int(part) for part in said.groups()) if said else None
        assert (tmp_path / "tiny" / "sums.py").read_text() == module
        return done.returncode, killed, done.stdout + done.stderr

    return run


@pytest.mark.parametrize(
    ("tests", "found"),
    [
        ([], "pytest ended with 4"),
        (["def helper(): pass\n"], "pytest ended with 5"),
        (["def test(): assert twice(1) == 3\n"], "pytest ended with 1"),
        (["import pytest\n\n\n@pytest.mark.skip\ndef test(): twice(1)\n"], "0 tests passed"),
        (["def test(): pass\n"], "no test enters a function"),
        (
            ["def test(): assert twice(1) == 2\n", "def test(): assert False\n"],
            "test_1.py does not",
        ),
    ],
)
def test_there_is_no_rate_without_tests_that_pass_on_the_unchanged_module(rate, tests, found):
    code, killed, said = rate(TWICE, *tests)
    assert code != 0
    assert killed is None
    assert found in said


def test_a_change_that_is_noticed_is_killed_and_another_survives(rate):
    """Of x * 2, the changes are x / 2 and x * 3."""
    code, killed, said = rate(TWICE, "def test(): assert twice(5) == 10\n")
    assert (code, killed) == (0, (2, 2)), said


def test_tests_that_notice_nothing_kill_nothing(rate):
    code, killed, said = rate(TWICE, "def test(): assert twice(0) == 0\n")
    assert (code, killed) == (1, (0, 2)), said
    assert "survived: line 2: x * 2 -> x / 2" in said
    assert "survived: line 2: 2 -> 3" in said


def test_a_mutant_without_end_is_counted_apart(rate):
    """Of four changes n + 1 never ends; n >= 0, n > 1 and n - 2 end elsewhere than at 0."""
    code, killed, said = rate(DOWN, "def test(): assert down(3) == 0\n", patience=1.0)
    assert killed == (3, 4), said
    assert "; 3 killed, 1 out of time" in said
    assert "out of time (" in said
    assert code == 1
