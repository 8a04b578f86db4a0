"""The documentation: it builds without a warning, its links lead somewhere, its examples run."""

import ast
import doctest
import importlib.util
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import siting
from siting.cli.main import main
from tests.some import some
from tests.validation.published import MARKS, compared, record, table

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "siting" / "docs"


def script():
    """Return the build script as a module."""
    spec = importlib.util.spec_from_file_location("docs_build", DOCS / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    if built := os.environ.get("SITING_SITE"):
        # CI has built it whole just before, by the same script.
        return Path(built)
    for name in ("sphinx", "myst_parser", "numpydoc", "pydata_sphinx_theme"):
        pytest.importorskip(name, reason=f'no {name} here: pip install ".[docs]"')
    target = tmp_path_factory.mktemp("docs") / "site"
    done = subprocess.run(
        [sys.executable, DOCS / "build.py", target, "--quick"],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "no broken link" in done.stdout
    return target


def test_site_builds_with_warnings_as_errors_and_every_page(site):
    for page in ("index", "guide", "desktop", "commands", "gallery", "method", "validation",
                 "extend", "glossary", "contribute", "howto", "changelog", "security", "conduct",
                 "bad-inputs", "api/siting", "api/sun"):  # fmt: skip
        assert (site / f"{page}.html").stat().st_size > 3000, page


def test_bad_inputs_are_counted_and_a_download(site):
    text = (DOCS / "pages" / "bad-inputs.md").read_text("utf-8")
    page = (site / "bad-inputs.html").read_text("utf-8")
    rows = re.findall(r"<td><p>(\d+)</p></td>\n" * 4, page)
    cases = len(re.findall(r"^\| .+? \| (?:refused|repaired|handled) \| ", text, re.MULTILINE))
    assert sum(int(row[0]) for row in rows) == cases > 300
    assert all(int(row[0]) == sum(map(int, row[1:])) for row in rows)
    assert [path.read_text("utf-8") for path in site.rglob("bad-inputs-corpus.md.txt")] == [text]


def test_nothing_is_loaded_from_a_network(site):
    for path in some(site.rglob("*.html")):
        text = path.read_text("utf-8")
        assert not re.search(r'<(?:script|img|iframe)[^>]*\ssrc="https?:', text), path
        assert not re.search(r'<link[^>]*rel="(?:stylesheet|preconnect)"[^>]*"https?:', text), path


def test_every_public_name_and_every_command_is_in_the_pages(site):
    names = (site / "api" / "siting.html").read_text("utf-8")
    for name in siting.__all__:
        assert f"siting.{name}" in names, name
    commands = (site / "commands.html").read_text("utf-8")
    for name in main.commands:
        assert f"siting {name}" in commands, name


def test_a_broken_link_and_a_lost_anchor_are_found(tmp_path):
    (tmp_path / "a.html").write_text(
        '<a href="b.html#there">x</a><a href="b.html#gone">x</a><a href="c.html">x</a>'
        '<a href="https://example.org">fine</a><img src="https://example.org/x.png">'
    )
    (tmp_path / "b.html").write_text('<p id="there">')
    assert script().broken_links(tmp_path) == [
        "a.html: b.html#gone", "a.html: c.html", "a.html: loads https://example.org/x.png",
    ]  # fmt: skip


@pytest.mark.parametrize(
    "page", [p for p in sorted((DOCS / "pages").glob("*.md")) if ">>>" in p.read_text("utf-8")],
    ids=lambda page: page.name,
)  # fmt: skip
def test_examples_run(page):
    result = doctest.testfile(str(page), module_relative=False)
    assert result.attempted > 0
    assert result.failed == 0


# The validation table


@pytest.mark.parametrize(
    ("orig", "expl", "expected", "ours"),
    [
        ("x == approx(y)", "1.7012345678 == 1.7 ± 0.01\n  \n  comparison failed", "1.7 ± 0.01",
         "1.701235"),
        ("a <= b", "0.5 <= 0.9\n +  where 0.5 = f()", "<= 0.9", "0.5"),
        ("0.8 < x < 0.9", "0.84 < 0.9", "0.8 to 0.9", "0.84"),
        ("f(x)", "True\n +  where True = f(1)", "true", "True"),
        ("t == 2", "np.float64(2.0) == 2", "2", "2.0"),
    ],
)  # fmt: skip
def test_an_assertion_becomes_expected_and_ours(orig, expl, expected, ours):
    assert compared(orig, expl) == {"what": orig, "expected": expected, "ours": ours}


def test_table_is_recorded_from_the_markers_of_real_tests(tmp_path):
    rows = record(tmp_path / "published.json", "tests/water/test_budget.py")
    tree = ast.parse((ROOT / "tests" / "water" / "test_budget.py").read_text("utf-8"))
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    marked = {
        (ast.unparse(call.func).removeprefix("pytest.mark."), ast.literal_eval(call.args[0]))
        for call in calls
        if ast.unparse(call.func) in {f"pytest.mark.{mark}" for mark in MARKS}
    }
    assert {(row["mark"], row["source"]) for row in rows} == marked
    assert {mark for mark, _ in marked} == {"published", "closed_form"}
    pairs = [pair for row in rows for pair in row["compared"]]
    assert {"what", "ours", "expected"} == set(pairs[0])
    assert any(pair["expected"].startswith("1127879") for pair in pairs)
    text = table(rows)
    assert text.startswith(f"{len(rows)} tests hold")
    for mark, name in MARKS.items():
        assert f"| {name} | {sum(row['mark'] == mark for row in rows)} |" in text
    for row in rows:
        assert row["source"][:30].split("<")[0].split("_")[0] in text


def test_a_test_that_fails_is_no_row(tmp_path):
    failing = tmp_path / "test_wrong.py"
    failing.write_text(
        "import pytest\n@pytest.mark.published('a book')\ndef test_wrong():\n    assert 1 == 2\n"
    )
    target = tmp_path / "published.json"
    with pytest.raises(SystemExit, match="1 failed"):
        record(target, str(failing))
    assert json.loads(target.read_text()) == []
