"""`siting portfolio` as a user sees it."""

import subprocess
import sys

import pytest
from click.testing import CliRunner

pytest.importorskip("distributed")

from siting.cli.main import main
from siting.cli.portfolio import _line, _span
from siting.portfolio.model import TileReport
from siting.portfolio.run import Status
from siting.portfolio.store import read_table
from tests.small_city import small_city


@pytest.fixture(scope="module")
def city(tmp_path_factory):
    return small_city(tmp_path_factory.mktemp("city"), 3)


def call(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_sample_then_run_then_nothing(city, tmp_path):
    sample = call("portfolio", city, "--out", tmp_path, "--workers", 0, "--sample", 2,
                  "--core-hour-price", 0.5)  # fmt: skip
    assert sample.exit_code == 0, sample.output
    assert "2 of 3 properties planned, 0 with faults" in sample.output
    assert "core hours" in sample.output
    assert "cost:" in sample.output
    done = call("portfolio", city.with_suffix(".gpkg"), "--out", tmp_path, "--workers", 0)
    assert done.exit_code == 0, done.output
    assert "3 properties planned" in done.output
    assert "1 planned now" in done.output
    assert (tmp_path / "portfolio.html").is_file()
    assert len((tmp_path / "ranking.csv").read_text("utf-8").splitlines()) == 4
    kept = {f: f.read_bytes() for f in tmp_path.rglob("*") if f.is_file()}
    again = call("portfolio", city, "--out", tmp_path, "--workers", 0)
    assert "planned now" not in again.output
    assert {f: f.read_bytes() for f in tmp_path.rglob("*") if f.is_file()} == kept


def test_hand_off_writes_the_usual_files(city, tmp_path):
    done = call("portfolio", city, "--out", tmp_path, "--workers", 0,
                "--handoff", "where property == 'L000001'")  # fmt: skip
    assert done.exit_code == 0, done.output
    assert [p.name for p in (tmp_path / "handoff").iterdir()] == ["L000001"]
    names = {p.name for p in (tmp_path / "handoff" / "L000001").iterdir()}
    assert {"map.html", "crew.pdf", "plan.gpkg", "plan.json"} <= names
    assert "handoff" not in {p.name for p in tmp_path.glob("*.parquet")}
    page = (tmp_path / "portfolio.html").read_text("utf-8")
    assert page.count('"L000001"') >= 2  # its id, and the name of its folder


def test_a_wrong_condition_is_refused_before_anything_is_read(tmp_path):
    done = call("portfolio", tmp_path / "none.toml", "--out", tmp_path / "out",
                "--handoff", "where sensor >= 2")  # fmt: skip
    assert done.exit_code == 1
    assert 'did you mean "sensors"' in done.output
    assert not (tmp_path / "out").exists()


def test_extract_is_ready_to_plan(city, tmp_path):
    done = call("portfolio-extract", city, "L000002", "--out", tmp_path / "lot")
    assert done.exit_code == 0, done.output
    checked = call("check", tmp_path / "lot")
    assert checked.exit_code == 0, checked.output
    assert "sound" in checked.output
    missing = call("portfolio-extract", city, "L9", "--out", tmp_path / "other")
    assert missing.exit_code == 1
    assert "Traceback" not in missing.output


def test_missing_libraries_are_named(city, tmp_path):
    program = (
        "import sys; sys.modules['distributed'] = None\n"
        "from siting.cli.main import main\n"
        f"main(['portfolio', {str(city)!r}, '--out', {str(tmp_path / 'out')!r}])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert 'pip install "siting[portfolio]"' in done.stderr
    assert "Traceback" not in done.stderr


def test_help_loads_nothing_heavy():
    program = (
        "import sys\nfrom siting.cli.main import main\n"
        "try:\n    main(['portfolio', '--help'])\nexcept SystemExit:\n    pass\n"
        "print(sorted({'dask', 'geopandas', 'pyarrow', 'numpy'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert done.stdout.strip().endswith("[]"), done.stdout + done.stderr


def test_progress_says_rate_and_time_left():
    status = Status(total=100, done=10)
    status.take(TileReport("000000", 20, 1, {"read": 2.0}, 400.0, 450.0, "host:1", 20))
    status.done += 20
    status.seconds = 40.0
    assert status.rate == pytest.approx(0.5)
    assert status.left_s == pytest.approx(140.0)
    assert _line(status) == ("30 of 100, 1 with faults, 0.50/s, 2 min 20 s left, 400 MB a worker")
    assert _span(3 * 3600 + 62) == "3 h 01 min"


def test_faults_are_listed_shortly(city, tmp_path):
    text = city.read_text("utf-8").replace('"weather.file" = "weather"', '"weather.file" = "lot"')
    other = city.with_name("city_bad.toml")
    other.write_text(text, "utf-8")
    try:
        done = call("portfolio", other, "--out", tmp_path, "--workers", 0)
    finally:
        other.unlink()
    assert done.exit_code == 0, done.output
    assert "0 properties planned, 3 with faults (input 3)" in done.output
    assert done.output.count("fault: L00000") == 3
    assert read_table(tmp_path, "faults").num_rows == 3
    assert str(city.parent) not in done.output
