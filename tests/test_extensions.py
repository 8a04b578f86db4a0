"""What other packages add: a worked example, installed and used through the command line."""

import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from siting.climate.model import WeatherOptions
from siting.climate.readers import read_plugged
from siting.errors import InputError
from siting.extensions import ExtensionError, find_extension, list_extensions
from siting.planning.make import plan_property, read_inputs
from tests.small_property import coarse_property, write_property

ROOT = Path(__file__).parent.parent
EXAMPLE = ROOT / "tests" / "example_package"


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Install the example package into a folder of its own, as pip does, and return the folder."""
    target = tmp_path_factory.mktemp("site-packages")
    copy = tmp_path_factory.mktemp("source") / "example"
    copy.mkdir()
    for path in EXAMPLE.rglob("*"):
        if path.is_file() and "__pycache__" not in path.parts:
            (copy / path.relative_to(EXAMPLE)).parent.mkdir(parents=True, exist_ok=True)
            (copy / path.relative_to(EXAMPLE)).write_bytes(path.read_bytes())
    command = [
        sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation",
        "--no-index", "--disable-pip-version-check", "--target", target, copy,
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return target


@pytest.fixture
def with_example(installed, monkeypatch):
    """Let this process find the example package."""
    monkeypatch.syspath_prepend(str(installed))


def command_line(installed, *words):
    """Run the command line where the example package is installed."""
    paths = os.pathsep.join([str(ROOT), str(installed)])
    return subprocess.run(
        [sys.executable, "-m", "siting.cli", *map(str, words)],
        env=os.environ | {"PYTHONPATH": paths}, capture_output=True, text=True, check=False,
    )  # fmt: skip


def add(path: Path, text: str) -> None:
    path.write_text(path.read_text("utf-8") + text, encoding="utf-8")


def test_extensions_are_listed_and_broken_ones_said(installed):
    done = command_line(installed, "extensions", "--json")
    assert done.returncode == 0, done.stderr
    rows = {row["name"]: row for row in json.loads(done.stdout)["extensions"]}
    assert {name for name, row in rows.items() if row["package"] == "siting-example"} == {
        "station_log", "wind_exposure", "broken_factor", "failing_factor", "work_order",
        "failing_exporter",
    }  # fmt: skip
    assert rows["wind_exposure"]["works"]
    assert not rows["broken_factor"]["works"]
    assert "ModuleNotFoundError" in rows["broken_factor"]["error"]
    assert "BROKEN" in command_line(installed, "extensions").stdout


@pytest.fixture(scope="module")
def planned(installed, tmp_path_factory):
    """Plan one property as it is, and with reader, factor and exporters of the example."""
    folder = tmp_path_factory.mktemp("planned")
    path = coarse_property(folder / "property")
    daily = pd.read_csv(folder / "property" / "weather.csv")
    bare = daily[["date", "tmin_c", "tmax_c", "rain_mm"]]
    bare.to_csv(folder / "property" / "weather.csv", index=False)
    plain = command_line(installed, "plan", path, "--out", folder / "plain", "--json")
    assert plain.returncode == 0, plain.stderr
    log = bare.assign(date=pd.to_datetime(bare["date"]).dt.strftime("%d.%m.%Y"))
    log = log.rename(columns={"date": "day", "tmin_c": "low", "tmax_c": "high", "rain_mm": "rain"})
    log.to_csv(folder / "property" / "station.log", sep=";", index=False)
    text = path.read_text("utf-8")
    text = text.replace('file = "weather.csv"', 'file = "station.log"\nformat = "station_log"')
    path.write_text(
        f"{text}\n[factors]\nwind_exposure = {{ strongest = 1.2 }}\nbroken_factor = true\n"
        "failing_factor = true\n",
        encoding="utf-8",
    )
    exporters = ("--export", "work_order", "--export", "failing_exporter")
    rich = command_line(installed, "plan", path, "--out", folder / "rich", "--json", *exporters)
    assert rich.returncode == 0, rich.stderr
    return folder, json.loads(plain.stdout), json.loads(rich.stdout)


def zones(folder: Path) -> dict[str, dict]:
    document = json.loads((folder / "plan.json").read_text("utf-8"))
    return {zone["zone"]: zone for zone in document["zones"]}


def test_reader_and_factor_of_the_example_do_their_work(planned):
    folder, _, rich = planned
    told = "\n".join(rich["warnings"])
    assert "station.log: read by reader station_log (package siting-example 1.0)" in told
    assert "factor wind_exposure (package siting-example 1.0) multiplies the demand" in told
    # No obstacle anywhere: every zone is open all round, and needs 1.2 times as much.
    before, after = zones(folder / "plain"), zones(folder / "rich")
    assert before.keys() == after.keys()
    for name in before:
        for key in ("etc_peak_mm_d", "kmc", "kl"):
            assert after[name][key] == pytest.approx(1.2 * before[name][key], rel=2e-3), key
        assert after[name]["need_score"] > before[name]["need_score"]


def test_exporter_of_the_example_writes_its_file(planned):
    folder, _, rich = planned
    text = (folder / "rich" / "work-order.txt").read_text("utf-8")
    assert "Call before you dig" in text
    for sensor in rich["sensors"]:
        assert f"[ ] {sensor['sensor_id']}: {sensor['zone']}" in text
    assert str((folder / "rich" / "work-order.txt").resolve()) in rich["files"]


def test_broken_ones_only_warn(planned):
    folder, _, rich = planned
    told = "\n".join(rich["warnings"])
    assert "factor broken_factor is not used: factor broken_factor (package" in told
    assert "factor failing_factor is not used" in told
    assert "this factor is broken on purpose" in told
    assert "not exported: exporter failing_exporter" in told
    assert not (folder / "rich" / "half.txt").exists()
    assert not [path for path in (folder / "rich").iterdir() if path.name.startswith(".")]


def test_nothing_changes_because_a_package_is_there(installed, tmp_path):
    path = coarse_property(tmp_path / "property")
    plans = []
    for number, where in enumerate((installed, tmp_path)):
        out = tmp_path / f"out{number}"
        done = command_line(where, "plan", path, "--out", out)
        assert done.returncode == 0, done.stderr
        plans.append((out / "plan.json").read_bytes())
    assert plans[0] == plans[1]


def test_unknown_names_are_faults_with_the_nearest_one(installed, tmp_path):
    path = write_property(tmp_path / "property")
    add(path, "[factors]\nwind_exposur = true\n")
    done = command_line(installed, "check", path, "--json")
    assert done.returncode == 1
    faults = json.loads(done.stdout)["faults"]
    assert any("wind_exposur" in f["file"] and "wind_exposure" in f["mend"] for f in faults)
    done = command_line(installed, "plan", path, "--out", tmp_path / "x", "--export", "work_ordr")
    assert done.returncode == 2
    assert "work_order" in done.stderr


@pytest.mark.usefixtures("with_example")
def test_a_reader_that_fails_is_a_refusal_that_names_the_package(tmp_path):
    path = write_property(tmp_path / "property")
    text = path.read_text("utf-8")
    path.write_text(text.replace("[season]", 'format = "station_log"\n[season]'))
    with pytest.raises(Exception, match=r"station_log \(package siting-example 1.0\) failed"):
        read_inputs(path)  # a comma-separated file is no station log


@pytest.mark.usefixtures("with_example")
def test_table_of_a_reader_is_checked_as_a_daily_file_is(tmp_path):
    path = write_property(tmp_path / "property")
    rows = ["day;low;high;rain", "01.01.2020;20;10;0", "02.01.2020;1;999;-4"]
    (tmp_path / "property" / "weather.csv").write_text("\n".join(rows))
    text = path.read_text("utf-8")
    path.write_text(text.replace("[season]", 'format = "station_log"\n[season]'))
    with pytest.raises(Exception, match="faults in the input") as caught:
        read_inputs(path)
    assert "weather.csv" in str(caught.value)
    assert "line 3, column tmax_c" in str(caught.value)


def test_a_reader_that_returns_no_table_is_refused_with_its_name(tmp_path):
    reader = SimpleNamespace(call=lambda *_: [1, 2, 3], package="siting-example")
    with pytest.raises(InputError, match="returned list") as caught:
        read_plugged(reader, tmp_path / "weather.log", WeatherOptions())
    assert "siting-example" in caught.value.faults[0].mend


@pytest.mark.parametrize(
    ("returned", "words"),
    [
        ("[1.0, 1.0, 1.0]", "returned list"),
        ("pd.Series({'a': 1.0})", "other zones"),
        ("pd.Series(9.0, index=site.hydrozones.index)", "outside 0.2 to 5"),
        ("pd.Series(float('nan'), index=site.hydrozones.index)", "outside 0.2 to 5"),
        ("pd.Series('much', index=site.hydrozones.index)", "outside 0.2 to 5"),
    ],
)
def test_nonsense_of_a_factor_only_warns(tmp_path, monkeypatch, returned, words):
    package = tmp_path / "packages"
    info = package / "odd-2.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: odd\nVersion: 2.0\n")
    (info / "entry_points.txt").write_text("[siting.factors]\nodd = odd_factor:factor\n")
    (package / "odd_factor.py").write_text(
        f"import pandas as pd\ndef factor(site):\n    return {returned}\n"
    )
    monkeypatch.syspath_prepend(str(package))
    monkeypatch.delitem(sys.modules, "odd_factor", raising=False)
    path = coarse_property(tmp_path / "property")
    before = plan_property(path)
    add(path, "[factors]\nodd = true\n")
    after = plan_property(path)
    told = [note for note in after.warnings if "factor odd is not used" in note]
    assert len(told) == 1
    assert words in told[0]
    pd.testing.assert_series_equal(before.zones["need_score"], after.zones["need_score"])


@pytest.mark.usefixtures("with_example")
def test_loading_says_what_is_wrong():
    broken = find_extension("siting.factors", "broken_factor")
    with pytest.raises(ExtensionError, match=r"package siting-example 1\.0.*cannot be loaded"):
        broken.load()
    assert find_extension("siting.factors", "nobody") is None
    assert list(list_extensions("siting.readers")) == ["station_log"]
