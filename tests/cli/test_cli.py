"""The command line: exit codes, messages, paths, and what is left on disk."""

import hashlib
import re
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner

from siting.cli.main import main
from tests.small_property import coarse_property, write_property


@pytest.fixture
def run():
    runner = CliRunner()
    return lambda *words: runner.invoke(main, [str(word) for word in words])


RESULTS = {
    "crew.pdf", "owner.pdf", "office.pdf",
    "map.html", "plan.gpkg", "plan.json", "sensors.csv", "sensors.geojson",
    "sensors.gpx", "sensors.kml", "dryness.tif", "rank.tif", "sun-hours.tif",
    "readings.csv", "readings-zones.csv", "readings-cans.csv", "readings.xlsx", "source.json",
}  # fmt: skip


def test_help_names_every_command(run):
    result = run("--help")
    assert result.exit_code == 0
    for command in ("new", "check", "plan", "compare", "demo"):
        assert re.search(rf"^  {command} ", result.output, flags=re.MULTILINE)


def test_help_loads_nothing_heavy():
    code = (
        "import sys, siting.cli.main; "
        "print([m for m in ('numpy', 'pandas', 'geopandas', 'rich', 'scipy') if m in sys.modules])"
    )
    output = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert output.stdout.strip() == "[]"


def test_wrong_usage_is_2(run):
    assert run("plan").exit_code == 2
    assert run("plant").exit_code == 2
    assert run("demo", "--property", "moon").exit_code == 2


def test_new_then_check(run, tmp_path):
    result = run("new", tmp_path / "fresh", "--units", "us")
    assert result.exit_code == 0, result.output
    assert (tmp_path / "fresh" / "property.toml").is_file()
    assert (tmp_path / "fresh" / "property.gpkg").is_file()
    again = run("new", tmp_path / "fresh")
    assert again.exit_code == 1
    empty = run("check", tmp_path / "fresh")
    assert empty.exit_code == 1
    assert "hydrozones" in empty.output
    assert "Traceback" not in empty.output


def test_check_of_a_sound_property(run, tmp_path):
    result = run("check", write_property(tmp_path))
    assert result.exit_code == 0, result.output
    assert "sound. 3 hydrozones" in result.output


def test_plan_writes_everything_and_says_where(run, tmp_path):
    write_property(tmp_path / "property")
    result = run("plan", tmp_path / "property", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert {path.name for path in (tmp_path / "out").iterdir()} == RESULTS
    assert str(tmp_path / "out" / "map.html") in result.output.replace("\n", "")
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


def test_relative_path_from_anywhere(run, tmp_path, monkeypatch):
    write_property(tmp_path / "property")
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    result = run("plan", "../property/property.toml", "--out", "result")
    assert result.exit_code == 0, result.output
    assert (tmp_path / "elsewhere" / "result" / "plan.json").is_file()


def _digest(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
    }


def test_same_bytes_twice_and_on_two_threads(run, tmp_path):
    shed = {"height": [5.0], "geometry": [None]}
    from shapely.geometry import box

    from tests.small_property import EAST, NORTH

    shed["geometry"] = [box(EAST + 5, NORTH + 20, EAST + 12, NORTH + 24)]
    coarse_property(tmp_path / "property", buildings=shed, scenarios=2)
    for name, threads in (("a", 1), ("b", 1), ("c", 2)):
        result = run("plan", tmp_path / "property", "--out", tmp_path / name, "--threads", threads)
        assert result.exit_code == 0, result.output
    assert _digest(tmp_path / "a") == _digest(tmp_path / "b")
    assert _digest(tmp_path / "a") == _digest(tmp_path / "c")


def _break(layer: str, change):
    def apply(folder: Path) -> None:
        path = folder / "layers.gpkg"
        frame = gpd.read_file(path, layer=layer)
        change(frame).to_file(path, layer=layer, driver="GPKG")

    return apply


def _no_crs(folder: Path) -> None:
    frame = gpd.read_file(folder / "layers.gpkg", layer="boundary")
    (folder / "layers.gpkg").unlink()
    frame.set_crs(None, allow_override=True).to_file(
        folder / "layers.gpkg", layer="boundary", driver="GPKG"
    )


def _drop_zones(folder: Path) -> None:
    frame = gpd.read_file(folder / "layers.gpkg", layer="boundary")
    (folder / "layers.gpkg").unlink()
    frame.to_file(folder / "layers.gpkg", layer="boundary", driver="GPKG")


def _text(old: str, new: str):
    def apply(folder: Path) -> None:
        path = folder / "property.toml"
        path.write_text(path.read_text("utf-8").replace(old, new), encoding="utf-8")

    return apply


def _heights(frame):
    return frame.assign(height="twelve")


BAD = {
    "missing layer": (_drop_zones, ["hydrozones"]),
    "misspelt column": (
        _break("hydrozones", lambda f: f.rename(columns={"plants": "plnats"})),
        ["plnats", "plants"],
    ),
    "no CRS": (_no_crs, ["CRS"]),
    "height as text": (_break("buildings", _heights), ["height", "twelve"]),
    "unknown key": (_text("price = 2.0", "prise = 2.0"), ["prise", "price"]),
    "unknown plants": (
        _break("hydrozones", lambda f: f.assign(plants="warm_season_tirf")),
        ["warm_season_tirf", "warm_season_turf"],
    ),
    "bad weather": (
        lambda folder: (folder / "weather.csv").write_text("date,tmin_c\n2020-01-01,x\n"),
        ["tmax_c", "rain_mm"],
    ),
    "not TOML": (_text("[water]", "[water"), ["property.toml"]),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_refused_and_leaves_the_folder_alone(run, tmp_path, case):
    from shapely.geometry import box

    from tests.small_property import EAST, NORTH

    shed = {"height": [5.0], "geometry": [box(EAST + 5, NORTH + 20, EAST + 12, NORTH + 24)]}
    write_property(tmp_path / "property", buildings=shed)
    spoil, words = BAD[case]
    spoil(tmp_path / "property")
    out = tmp_path / "out"
    out.mkdir()
    (out / "plan.json").write_text("earlier result")
    result = run("plan", tmp_path / "property", "--out", out)
    assert result.exit_code == 1, result.output
    assert "Traceback" not in result.output
    for word in words:
        assert word in result.output
    assert [path.name for path in out.iterdir()] == ["plan.json"]
    assert (out / "plan.json").read_text() == "earlier result"


def test_several_faults_come_in_one_message(run, tmp_path):
    write_property(tmp_path)
    _text("price = 2.0", "prise = 2.0")(tmp_path)
    _text("max_sensors = 4", "max_sensors = -4")(tmp_path)
    _text("life_years = 10", 'life_years = "ten"')(tmp_path)
    result = run("check", tmp_path)
    assert result.exit_code == 1
    assert "3 faults" in result.output
    for word in ("prise", "max_sensors", "life_years"):
        assert word in result.output


def test_missing_property_is_refused(run, tmp_path):
    result = run("check", tmp_path / "nowhere")
    assert result.exit_code == 1
    assert "nowhere" in result.output
    assert "Traceback" not in result.output


def test_folder_that_cannot_be_made(run, tmp_path):
    write_property(tmp_path / "property")
    (tmp_path / "file").write_text("x")
    result = run("plan", tmp_path / "property", "--out", tmp_path / "file" / "out")
    assert result.exit_code == 1
    assert "cannot write" in result.output
    assert "Traceback" not in result.output


def test_out_that_is_a_file_is_wrong_usage(run, tmp_path):
    write_property(tmp_path / "property")
    (tmp_path / "file").write_text("x")
    assert run("plan", tmp_path / "property", "--out", tmp_path / "file").exit_code == 2
