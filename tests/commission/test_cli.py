"""`siting commission` from end to end, on a small property."""

import csv
import io
import json
import math
import re
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from siting.cli.main import main
from siting.commission import results
from siting.commission.record import read_history
from tests.plan_schema import schema
from tests.readings_simulator import simulate
from tests.small_property import square, write_property


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("job")
    zones = {"1": (square(4, 4), {}), "2": (square(22, 4), {"plants": "shrubs"})}
    path = write_property(folder / "property", zones, scenarios=1, resolution=2.0, years=2)
    result = CliRunner().invoke(main, ["plan", str(path), "--out", str(folder / "out")])
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def job(planned, tmp_path):
    """Return a fresh copy of property and results."""
    import shutil

    shutil.copytree(planned, tmp_path / "job")
    return tmp_path / "job"


def run(*words):
    return CliRunner().invoke(main, ["commission", *map(str, words), "--threads", "1"])


def fill(job: Path, name="back.csv", **cells):
    text = (job / "out" / "readings.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    rows[0].update(cells)
    path = job / name
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return path


GOOD = {
    "buried_on": "2026-05-01", "soaked_at": "2026-05-01 07:00", "reading_1_at": "2026-05-03 08:00",
    "reading_1": "23.0", "threshold_set": "20.5", "depth_mm": "80",
}  # fmt: skip


def bytes_of(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_two_visits_add_up(job):
    out = job / "out"
    sensor = json.loads((out / "plan.json").read_text())["sensors"][0]
    x, y = sensor["x"] + 0.3, sensor["y"]
    ties = {
        f"tie_{t['tie']}_m": f"{math.hypot(t['from_x'] - x, t['from_y'] - y):.2f}"
        for t in sensor["ties"]
    }
    side = {"side": sensor["ties"][0]["side"]}
    first = run(out, "--readings", fill(job, **GOOD, **ties, **side), "--out", out)
    assert first.exit_code == 0, first.output
    assert "fits sandy loam" in first.output
    handed_over = (out / "history" / "0000" / "plan.json").read_bytes()
    truth = simulate("threshold_high", 2)
    (100 * truth.content).rename("S1 [%]").to_csv(job / "log.csv")
    truth.events.to_csv(job / "events.csv", index=False)
    rain = truth.weather.reset_index(names="date").round(3)
    rain.to_csv(job / "rain.csv", index=False)
    zones = job / "zones.csv"
    zones.write_text(f"zone,root_depth_mm\n{sensor['zone']},150\n")
    second = run(
        out, "--readings", job / "log.csv", job / "events.csv", job / "rain.csv", zones,
        "--out", out,
    )  # fmt: skip
    assert second.exit_code == 0, second.output
    assert "fits" in second.output  # the first visit still counts
    assert "roots 150 mm deep" in second.output
    moved = re.findall(r"S1 lies ([0-9.]+) m from the plan", first.output + second.output)
    assert len(moved) == 2
    assert moved[0] == moved[1] != "0.00"  # still measured from where it was planned
    records = read_history(out)
    assert records[0].content["what"] == "plan as handed over"
    assert len(records) == 3
    assert (out / "history" / "0000" / "plan.json").read_bytes() == handed_over
    assert records[1].content["sensors"]["S1"]["field_capacity"]["accepted"]
    assert records[2].content["sensors"]["S1"]["health"]["verdict"]
    assert records[2].content["property"]["sha256"]
    for name in ("commissioning.txt", "before-after.png", "evidence-S1.png", "crew.pdf"):
        assert (out / name).stat().st_size > 100
    document = json.loads((out / "plan.json").read_text())
    jsonschema.validate(document, schema())
    assert document["sensors"][0]["depth_m"] == 0.08
    assert {z["zone"]: z["root_depth_m"] for z in document["zones"]}[sensor["zone"]] == 0.15
    before = bytes_of(out / "history")
    again = run(out, "--readings", zones, "--out", out)
    assert again.exit_code == 0, again.output
    assert "recorded already" in again.output
    assert bytes_of(out / "history") == before


def test_a_bad_sheet_loses_nothing_and_is_told_by_row(job):
    out = job / "out"
    assert run(out, "--readings", fill(job, **GOOD), "--out", out).exit_code == 0
    before = bytes_of(out)
    bad = fill(job, "bad.csv", **{**GOOD, "reading_1": "0.09", "reading_1_at": "2026-04-01"})
    result = run(out, "--readings", bad, "--out", out)
    assert result.exit_code == 1
    assert "row 2" in result.output
    assert "looks like m3/m3" in result.output
    assert "before the soaking" in result.output
    assert "Traceback" not in result.output
    assert bytes_of(out) == before


def test_a_sheet_filled_in_place_is_never_lost(job):
    out = job / "out"
    sheet = fill(job, **GOOD)
    (out / "readings.csv").write_bytes(sheet.read_bytes())
    result = run(out, "--readings", out / "readings.csv", "--out", out)
    assert result.exit_code == 0, result.output
    [kept] = (out / "filled-readings").iterdir()
    assert kept.read_bytes() == sheet.read_bytes()
    [record] = read_history(out)[1:]
    assert record.readings[0].read_bytes() == sheet.read_bytes()


def test_another_folder_gets_the_whole_history(job):
    out, other = job / "out", job / "other"
    assert run(out, "--readings", fill(job, **GOOD), "--out", other).exit_code == 0
    assert not (out / "history").exists()
    assert len(read_history(other)) == 2
    zones = job / "zones.csv"
    zones.write_text("zone,root_depth_mm\n1,150\n")
    assert run(other / "plan.json", "--readings", zones, "--out", job / "third").exit_code == 0
    assert len(read_history(job / "third")) == 3
    assert len(read_history(other)) == 2


def test_a_property_file_serves_as_plan_too(job):
    result = run(job / "property", "--readings", fill(job, **GOOD), "--out", job / "new")
    assert result.exit_code == 0, result.output
    assert len(read_history(job / "new")) == 2


def test_a_property_that_moved_or_changed_is_told(job):
    out, sheet = job / "out", fill(job, **GOOD)
    (job / "property").rename(job / "elsewhere")
    lost = run(out, "--readings", sheet, "--out", out)
    assert lost.exit_code == 1
    assert "--property" in lost.output
    found = run(out, "--readings", sheet, "--out", out, "--property", job / "elsewhere")
    assert found.exit_code == 0, found.output
    toml = job / "elsewhere" / "property.toml"
    toml.write_text(toml.read_text() + "\n# a new note\n")
    noted = run(out, "--readings", sheet, "--out", out, "--property", job / "elsewhere")
    assert noted.exit_code == 0
    assert "changed since the last record" in noted.output


def test_readings_of_another_plan_are_refused(job):
    out, sheet = job / "out", fill(job, **GOOD)
    document = json.loads((out / "plan.json").read_text())
    document["sensors"][0]["lon"] += 1e-4
    (out / "plan.json").write_text(json.dumps(document))
    before = bytes_of(out)
    other = run(out, "--readings", sheet, "--out", out)
    assert other.exit_code == 1
    assert "does not give any more" in other.output
    assert bytes_of(out) == before
    (out / "plan.json").write_text("[]")
    assert "no plan" in run(out, "--readings", sheet, "--out", out).output


def test_a_disk_that_refuses_is_told_and_no_reading_lost(job, monkeypatch):
    out = job / "out"
    real = results.write_bytes

    def refuse(target, content):
        if Path(target).suffix == ".png":
            raise OSError(28, "No space left on device")
        return real(target, content)

    sheet = fill(job, **GOOD)
    before = bytes_of(out)
    monkeypatch.setattr(results, "write_bytes", refuse)
    result = run(out, "--readings", sheet, "--out", out)
    assert result.exit_code == 1
    assert "No space left" in result.output
    assert "Traceback" not in result.output
    # Record and results appear in one exchange: neither does, and the filled sheet is as it was.
    assert bytes_of(out) == before
    assert Path(sheet).exists()


def test_wrong_usage_is_2():
    assert run("x").exit_code == 2
