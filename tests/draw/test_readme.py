"""The README: short, its commands in the reader's order run as they stand, its links lead on."""

import re
import shlex
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from siting.cli.main import main
from tests.draw.test_drawing import drawing, saved
from tests.small_property import write_weather

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
PAGES = ROOT / "siting" / "docs" / "pages"


def commands():
    return [shlex.split(line, comments=True)[1:]
            for line in re.findall(r"^    (siting .*)$", README, re.MULTILINE)]  # fmt: skip


def test_it_is_short_and_in_the_readers_order():
    assert len(README.split()) < 1200
    # CI runs these two lines as they stand.
    for part in ("siting demo", "-m pytest"):
        line = next(line for line in README.splitlines() if part in line)
        assert line.startswith("    python3 -m venv .venv && .venv/bin/pip install ")
    heads = re.findall(r"^## (.*)$", README, re.MULTILINE)
    assert heads[:7] == [
        "Try it", "What you get", "What to bring", "Draw", "Plan",
        "What to believe, and the three numbers to check", "Commission",
    ]  # fmt: skip


def test_links_lead_to_files_that_can_be_read_without_building():
    for target in re.findall(r"\]\(([^)#]*)(?:#[^)]*)?\)", README):
        assert (ROOT / target).exists(), target
    for page, anchor in re.findall(r"\(siting/docs/pages/(\w+\.md)#([^)]*)\)", README):
        heads = re.findall(r"^#+ (.*)$", (PAGES / page).read_text("utf-8"), re.MULTILINE)
        plain = [re.sub(r"[^\w\s-]", "", head.lower()).replace(" ", "-") for head in heads]
        assert anchor in plain, anchor


def test_the_template_holds_every_key_and_layer_that_it_names():
    """Of the readme and of the page that it names for files, keys and questions."""
    from siting.site.settings import RASTER_LAYERS, TABLES, VECTOR_LAYERS
    from siting.site.template import _toml

    known = {key.name for table in TABLES for key in table.keys} - {"layer"}
    named = {word for word in re.findall(r"`([a-z_]+)`", README) if word in known}
    layers = {word for word in re.findall(r"`([a-z_]+)`", README)
              if word in (*VECTOR_LAYERS, *RASTER_LAYERS)}  # fmt: skip
    assert layers >= {"cans", "paths", "utilities"}
    for units in ("metric", "us"):
        text = _toml(units)
        for word in named:
            assert re.search(rf"^#? ?{word}(_\w+)? = ", text, re.MULTILINE), word
        for word in ("values", "columns", "units_in", "format"):
            assert word in text, word
    assert layers <= set(VECTOR_LAYERS)  # each is an empty layer of the new GeoPackage


def test_every_command_runs_in_order(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert [words[0] for words in commands()] == ["draw", "new", "check", "plan", "explain",
                                                  "commission"]  # fmt: skip
    for words in commands():
        if words[0] == "new":
            saved(tmp_path, drawing())  # what the page saves, see test_page
        if words[0] == "commission":
            # The crew's sheet as it was printed: nothing is filled in, and that is said.
            (tmp_path / "plan" / "readings.xlsx").rename("readings.xlsx")
        done = CliRunner().invoke(main, words)
        if words[0] == "commission":
            assert done.exit_code in (0, 1), done.output
            assert "Traceback" not in done.output
            assert done.exit_code == 0 or "reading" in done.output
            continue
        assert done.exit_code == 0, done.output
        if words[0] == "new":  # a quicker computation of less weather; the words are the README's
            text = (tmp_path / "my-property" / "property.toml").read_text()
            text = text.replace('format = "normals"', 'format = "daily"')
            text += "[analysis]\nresolution = 1.0\nscenarios = 2\n[control]\nmax_sensors = 1\n"
            (tmp_path / "my-property" / "property.toml").write_text(text)
            write_weather(tmp_path / "my-property" / "weather.csv", years=2)
    assert (tmp_path / "plan" / "crew.pdf").exists()


@pytest.mark.parametrize("page", ["use.md"])
def test_examples_of_the_property_file_are_read(tmp_path, page):
    from siting.errors import Findings
    from siting.site.property import read_layers
    from siting.site.toml import TomlFile, TomlTable

    for block in re.findall(r"```toml\n(.*?)```", (PAGES / page).read_text("utf-8"), re.DOTALL):
        (tmp_path / "city.gpkg").write_bytes(b"x")
        findings = Findings()
        file = TomlFile("property.toml", {}, findings, {})
        sources = read_layers(TomlTable(file, tomllib.loads(block), ""), tmp_path)
        assert findings.faults == []
        assert sources["buildings"].columns == {"height": "HGT"}
        assert sources["buildings"].column_units == {"height": "ft"}
        plants = sources["hydrozones"].vocabulary["plants"]
        assert plants == {"shrub low": "shrubs", "turf": "cool_season_turf"}
