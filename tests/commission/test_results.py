"""A visit to the field as a notebook calls it: files in; findings, plan, record and files out."""

import json
import subprocess
import sys

import pytest

from siting.commission import commission_results, read_history
from siting.errors import InputError, SitingError
from siting.handoff import compare_plans, read_plans, verify_results, write_bundle
from siting.planning.make import plan_property
from tests.commission.test_cli import GOOD, bytes_of, fill
from tests.small_property import square, write_property


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = tmp_path_factory.mktemp("job")
    path = write_property(
        folder / "property", {"1": (square(4, 4), {})}, scenarios=1, resolution=2.0, years=2
    )
    write_bundle(plan_property(path), folder / "out", source=path)
    return folder


@pytest.fixture(scope="module")
def visit(job):
    return commission_results(job / "out", [fill(job, **GOOD)], job / "new")


def test_findings_plan_record_and_files_come_back(job, visit):
    assert visit.found.capacity["S1"].accepted
    assert "fits sandy loam" in visit.report
    assert visit.after is visit.found.after
    assert visit.after.sensors.loc["S1", "depth_m"] == 0.08
    assert visit.record == read_history(job / "new")[-1]
    assert visit.record.number == 1
    assert visit.record.content["sensors"]["S1"]["field_capacity"]["threshold_low"] == round(
        visit.found.capacity["S1"].low, 4
    )
    assert {path.parent for path in visit.files} == {job / "new"}
    assert all(path.is_file() for path in visit.files)
    assert {"commissioning.txt", "before-after.png", "plan.json"} < {p.name for p in visit.files}
    assert (job / "new" / "commissioning.txt").read_text() == visit.report
    assert (visit.record.folder / "plan.json").read_bytes() == (
        job / "new" / "plan.json"
    ).read_bytes()
    assert not visit.notes


def test_a_property_is_taken_as_well_as_its_results(job, visit):
    other = commission_results(str(job / "property"), [str(job / "back.csv")], str(job / "third"))
    assert other.report == visit.report
    assert other.record.content["sensors"] == visit.record.content["sensors"]


def test_the_same_readings_add_no_record_and_that_is_said(job, visit):
    before = bytes_of(job / "new" / "history")
    again = commission_results(job / "new", [job / "back.csv"], job / "new")
    assert again.record == visit.record
    assert bytes_of(job / "new" / "history") == before
    [note] = again.notes
    assert "recorded already" in note


def test_faulty_readings_are_refused_and_nothing_is_written(job):
    bad = fill(job, "bad.csv", **{**GOOD, "reading_1": "0.09"})
    with pytest.raises(InputError, match=r"looks like m3/m3"):
        commission_results(job / "out", [bad], job / "never")
    assert not (job / "never").exists()


def test_results_without_their_places_are_no_plan(job, tmp_path):
    for text in ("[]", '{"sensors": []}', '{"sensors": [{"sensor_id": "S1"}], "provenance": {}}'):
        (tmp_path / "plan.json").write_text(text)
        with pytest.raises(InputError, match="no plan"):
            commission_results(
                tmp_path, [job / "back.csv"], tmp_path / "new", property_file=job / "property"
            )


def test_a_folder_of_foreign_files_is_refused_before_anything_is_planned(job, tmp_path):
    (tmp_path / "map.html").write_text("mine")
    with pytest.raises(SitingError, match=r"map\.html"):
        commission_results(job / "nowhere", [job / "back.csv"], tmp_path)
    assert (tmp_path / "map.html").read_text() == "mine"


@pytest.mark.usefixtures("visit")
def test_plans_are_put_side_by_side_as_a_table(job):
    beside = compare_plans(read_plans([job / "out", job / "new"]))
    assert list(beside) == ["out", "new"]
    assert beside.loc["sensors"].tolist() == ["1", "1"]
    assert beside.loc["where", "out"].startswith("S1 in 1")


@pytest.mark.usefixtures("visit")
def test_verify_says_which_files_hold(job):
    assert verify_results(job / "out").holds
    with pytest.raises(InputError, match="as built"):
        verify_results(job / "new")


@pytest.mark.parametrize("name", ["compare", "verify", "commission"])
def test_commands_speak_json(job, visit, name):
    words = {
        "compare": ["compare", job / "out", job / "new"],
        "verify": ["verify", job / "out"],
        "commission": ["commission", job / "new", "--readings", job / "back.csv",
                       "--out", job / "new"],
    }[name]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-m", "siting.cli", *map(str, words), "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    told = json.loads(done.stdout)
    assert told["ok"] is True
    if name == "compare":
        assert [row["plan"] for row in told["plans"]] == ["out", "new"]
        assert told["plans"][0]["sensors"] == "1"
    elif name == "verify":
        assert "plan.json" in told["same"]
        assert told["different"] == []
    else:
        assert told["sensors"]["S1"]["field_capacity"]["accepted"] is True
        assert told["record"] == str(visit.record.folder)


def test_no_part_of_it_needs_the_command_line():
    """In a process of its own, since other tests load it."""
    done = subprocess.run(
        [sys.executable, "-c", "import sys, siting.commission.results as r; r.commission_results;"
         "print([m for m in sys.modules if m == 'siting.cli' or m.startswith('siting.cli.')])"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "[]"
