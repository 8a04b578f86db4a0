"""What the package index and other programs are given: wheel, sdist, metadata, recipe, citation."""

import email
import importlib
import importlib.util
import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

import siting

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
HOME = PROJECT["tool"]["hatch"]["metadata"]["hooks"]["custom"]["home"]


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Return wheel and sdist as their names and contents."""
    pytest.importorskip("hatchling.build")
    if not (ROOT / "siting" / "docs").is_dir():
        pytest.skip("not in a working folder of the project")
    # Anew for each build: it caches what it read.
    build = importlib.import_module("hatchling.build")
    out = tmp_path_factory.mktemp("dist")
    here = Path.cwd()
    os.chdir(ROOT)
    try:
        names = build.build_wheel(str(out)), build.build_sdist(str(out))
    finally:
        os.chdir(here)
    with zipfile.ZipFile(out / names[0]) as wheel, tarfile.open(out / names[1]) as sdist:
        yield wheel, {name.split("/", 1)[-1] for name in sdist.getnames()}


def test_wheel_carries_the_demo_and_no_plugin(built):
    names = set(built[0].namelist())
    assert "siting/_demo/campus/property.toml" in names
    assert "siting/_demo/yard/property.toml" in names
    assert not [name for name in names if name.startswith(("siting/gis/", "siting/docs/"))]


def test_sdist_carries_what_the_tests_need_and_no_plugin(built):
    names = built[1]
    for name in ("tests/conftest.py", "tests/slow.txt", "maps/README.md", ".ci/metadata.py",
                 ".github/SECURITY.md", "siting/docs/build.py", "data/SOURCES.md"):  # fmt: skip
        assert name in names, name
    assert not [name for name in names if name.startswith(("siting/gis/", "tests/gis/"))]


def test_metadata_says_who_where_and_under_which_licence(built):
    wheel = built[0]
    name = next(name for name in wheel.namelist() if name.endswith(".dist-info/METADATA"))
    told = email.message_from_bytes(wheel.read(name))
    assert told["Author"] == "siting contributors"
    assert told["License-Expression"] == "BSD-3-Clause AND BSD-2-Clause AND MIT"
    assert dict(text.split(", ") for text in told.get_all("Project-URL"))["Issues"] == (
        f"{HOME}/issues"
    )
    readme = told.get_payload()
    links = re.findall(r"\]\(([^)]+)\)", readme)
    assert len(links) > 10
    assert [link for link in links if not link.startswith(("http", "#"))] == []
    for link in links:
        path = re.sub(rf"^{HOME}/(?:raw|blob)/main/|#.*$", "", link)
        assert path.startswith("http") or (ROOT / path).exists(), link


def test_a_package_without_the_plugin_says_where_to_get_it(monkeypatch, tmp_path):
    from siting.cli import main as cli

    monkeypatch.setattr(cli.resources, "files", lambda _: tmp_path)
    with pytest.raises(siting.SitingError, match=r"siting_gis\.zip"):
        cli.plugin_zip()


def test_recipe_asks_for_what_the_project_asks_for():
    text = (ROOT / ".ci" / "conda" / "recipe.yaml").read_text("utf-8")
    found = dict(re.findall(r"^    - ([\w.-]+) >=([\d.]+)$", text, re.MULTILINE))
    names = {"matplotlib": "matplotlib-base", "lazy-loader": "lazy_loader"}
    wanted = dict(line.split(">=") for line in PROJECT["project"]["dependencies"])
    del wanted["rl-accel"]
    floor = PROJECT["project"]["requires-python"].removeprefix(">=")
    assert found == {names.get(name, name): least for name, least in wanted.items()} | {
        "hatchling": "1.24"
    }
    assert f'  version: "{siting.__version__}"\n  python_min: "{floor}"\n' in text
    assert f"homepage: {HOME} " in text
    for path in re.findall(r"^    - (\S*LICENSE)$", text, re.MULTILINE):
        assert (ROOT / path).is_file(), path


def test_every_dependency_has_a_lowest_version_that_ci_tries():
    said = subprocess.run(
        [sys.executable, ROOT / ".ci" / "lowest.py"], check=True, capture_output=True, text=True
    ).stdout.split()
    assert sorted(said) == sorted(
        line.replace(">=", "==") for line in PROJECT["project"]["dependencies"]
    )
    run = (ROOT / ".ci" / "run").read_text("utf-8")
    # On unless it is refused; and pytest without the plug-ins that pyproject.toml's options name.
    assert '"${SITING_LOWEST:-yes}" != no' in run
    assert "-o addopts=" in run


def test_citation_has_the_version():
    text = (ROOT / ".github" / "CITATION.cff").read_text("utf-8")
    assert f"\nversion: {siting.__version__}\n" in text


def test_plugin_has_the_projects_address():
    path = ROOT / "siting" / "gis" / "metadata.txt"
    if not path.exists():
        pytest.skip("an sdist, which holds no plug-in")
    assert f"\nhomepage={HOME}\n" in path.read_text("utf-8")
