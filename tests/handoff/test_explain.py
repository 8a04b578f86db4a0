"""`siting explain`, `--json`, exit codes and completion."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from siting.cli.main import main
from siting.errors import InputError, PlanError
from siting.handoff import explain
from siting.handoff import explain as summary
from siting.handoff import mapcards as _map_text
from siting.handoff import sheets as _sheet_sensor
from siting.handoff.document import plan_document
from siting.handoff.explain import compare_plans, explain_sensor, read_plan
from siting.handoff.facts import LINK_WORDS, tape
from siting.planning.make import plan_property
from siting.units import GALLON_M3
from tests.plan_factory import make_plan
from tests.small_property import square, write_property
from tests.some import some

ROOT = Path(__file__).parents[2]


@pytest.fixture
def run():
    runner = CliRunner()
    return lambda *words: runner.invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module", params=["metric", "us"])
def planned(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    path = write_property(folder / "property", units=request.param)
    result = CliRunner().invoke(main, ["plan", str(path), "--out", str(folder / "out"), "--json"])
    assert result.exit_code == 0, result.output
    return folder / "out", json.loads(result.stdout)


def test_every_sensor_is_explained_with_its_own_numbers(planned):
    folder, _ = planned
    plan = read_plan(folder)
    assert plan == read_plan(folder / "plan.json")
    for sensor in plan["sensors"]:
        topics = {t.question: t for t in explain_sensor(plan, sensor["sensor_id"].lower())}
        here = topics["Why here?"]
        assert sensor["reason"] in here.words
        assert here.numbers["p_driest_quarter"] == sensor["p_driest_quarter"]
        assert f"{100 * sensor['expected_rank']:.0f} % of the ground" in " ".join(here.words)
        assert sensor["depth_note"] in topics["Why this depth?"].words[0]
        unit = "in" if plan["property"]["units"] == "us" else "mm"
        assert f" {unit} below the surface" in topics["Why this depth?"].words[0]
        ran = " ".join(topics["What does it run?"].words)
        for zone in sensor["governs"]:
            assert zone in ran
        many = topics["Why so many sensors?"]
        assert set(many.numbers) == {str(row["n"]) for row in plan["choices"]}
        assert sum("chosen" in words for words in many.words) == 1


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:2232"])  # degrees, and US survey feet
def test_reserve_points_are_told_in_metres_whatever_the_crs(tmp_path, crs):
    plan = plan_document(plan_property(write_property(tmp_path, units="us", crs=crs)))
    [sensor] = plan["sensors"]
    apart = [spare["distance_m"] for spare in sensor["reserves"]]
    assert min(apart) >= 2.0  # reserve points lie at least 2 m away
    [_, here, *_] = explain_sensor(plan, "S1")
    assert " and ".join(tape(metres, "us") for metres in apart) in " ".join(here.words)


def test_a_controller_without_a_name_is_the_controller(planned):
    plan = read_plan(planned[0])
    [sensor, *_] = plan["sensors"]
    bare = {**sensor, "controller": None, "wire_m": 10.0, "trench_m": 5.0}
    reached = explain_sensor({**plan, "sensors": [bare]}, sensor["sensor_id"])[6]
    assert "of wire to the controller," in reached.words[0]
    assert "None" not in " ".join(reached.words)


def test_the_minutes_are_those_that_the_timer_is_set_to(planned):
    plan = read_plan(planned[0])
    ran = " ".join(explain_sensor(plan, "S1")[5].words)
    for row in some(plan["timer"]):
        assert f"{row['zone']}: {row['run_minutes']:.0f} min" in ran


def test_compare_tells_a_price_in_the_units_of_the_plan(planned):
    plan = read_plan(planned[0])
    options = {"water": {"price": 4.0 / (1000 * GALLON_M3)}}
    plan = {**plan, "provenance": {**plan["provenance"], "options": options}}
    [text] = compare_plans([("one", plan)]).loc["asked for"]
    us = plan["property"]["units"] == "us"
    assert ("4.00 per 1,000 gal" in text) == us
    assert ("per m³" in text) == (not us)


def test_what_gave_way_is_said_where_a_setback_is_missed(tmp_path):
    narrow = {"strip": (square(4, 4, 1.5), {})}
    write_property(tmp_path / "property", narrow, resolution=0.25)
    out = tmp_path / "out"
    result = CliRunner().invoke(main, ["plan", str(tmp_path / "property"), "--out", str(out)])
    assert result.exit_code == 0, result.output
    plan = read_plan(out)
    (sensor,) = plan["sensors"]
    assert sensor["setback_ratio"] == pytest.approx(0.75 / 0.9144, abs=0.01)
    said = next(t for t in explain_sensor(plan, "S1") if t.question == "What gave way?")
    assert "gave way" in sensor["setback_note"]
    assert said.words == (sensor["setback_note"],)
    kept = {**sensor, "setback_ratio": 1.2, "setback_note": ""}
    said = explain_sensor({**plan, "sensors": [kept]}, "S1")[2]
    assert said.words[0].startswith("Nothing")


def test_explain_in_words_and_as_json(run, planned):
    folder, answer = planned
    words = run("explain", folder, "s1")
    assert words.exit_code == 0, words.output
    for question in ("Why here?", "Why this depth?", "What gave way?"):
        assert question in words.output
    assert "Call before you dig" in words.output
    document = json.loads(run("explain", folder, "S1", "--json").stdout)
    assert document["ok"]
    assert document["sensor_id"] == "S1"
    here = next(t for t in document["topics"] if t["question"] == "Why here?")
    assert here["numbers"]["x"] == answer["sensors"][0]["x"]


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (None, "No such file"),
        ("no json", "no JSON"),
        ("[]", "no schema"),
        ('{"schema": "x/1"}', "x/1"),
    ],
)
def test_what_is_no_plan_is_refused(run, tmp_path, content, found):
    path = tmp_path / "plan.json"
    if content is not None:
        path.write_text(content)
    result = run("explain", path, "S1", "--json")
    assert result.exit_code == 1
    refusal = json.loads(result.stdout)
    assert not refusal["ok"]
    assert found in refusal["faults"][0]["found"]
    assert "Traceback" not in result.output


def test_unknown_sensor_is_refused_with_those_there_are(planned):
    with pytest.raises(InputError, match="S1"):
        explain_sensor(read_plan(planned[0]), "S77")


# --json and exit codes


def test_json_of_a_plan_names_answer_sensors_and_files(planned):
    folder, answer = planned
    document = json.loads((folder / "plan.json").read_text("utf-8"))
    for key in ("answer", "sensors", "warnings", "cautions"):
        assert answer[key] == document[key]
    written = {p.name for p in folder.iterdir()} - {"source.json"}  # a note, not a result
    assert {Path(name).name for name in answer["files"]} == written


def test_json_of_check_and_of_a_refusal(run, tmp_path):
    path = write_property(tmp_path / "property")
    good = run("check", path, "--json")
    assert good.exit_code == 0
    assert "sound" in json.loads(good.stdout)["answer"]
    path.write_text(path.read_text().replace("max_sensors = 4", "max_sensors = 0\nfoo = 1"))
    bad = run("check", path, "--json")
    assert bad.exit_code == 1
    refusal = json.loads(bad.stdout)
    assert len(refusal["faults"]) == 2
    assert all(f["allowed"] and f["mend"] for f in refusal["faults"])
    assert "2 faults" in bad.stderr


@pytest.mark.parametrize("step", ["sun", "score"])
def test_single_steps_have_the_numbers_of_a_plan(run, tmp_path, step):
    path = write_property(tmp_path / "property")
    whole = plan_property(path)
    result = run(step, path, "--out", tmp_path / step, "--json")
    assert result.exit_code == 0, result.output
    answer = json.loads(result.stdout)
    column = {"sun": "sun_hours", "score": "need_score"}[step]
    for record in answer["zones"]:
        expected = whole.zones.loc[record["zone"], column]
        assert record[column] == pytest.approx(expected, abs=1e-3)
    written = {Path(name).name for name in answer["files"]}
    assert written | {"source.json"} == {path.name for path in (tmp_path / step).iterdir()}
    words = run(step, path, "--out", tmp_path / step)
    assert " ".join(answer["answer"].split()) in " ".join(words.output.split())


def test_a_step_whose_folder_cannot_be_written_is_refused(run, tmp_path):
    path = write_property(tmp_path / "property")
    (tmp_path / "file").write_text("")
    result = run("score", path, "--out", tmp_path / "file" / "x")
    assert result.exit_code == 1
    assert "cannot write" in result.output


@pytest.mark.parametrize(("error", "code"), [(PlanError("none"), 3), (KeyboardInterrupt(), 130)])
def test_exit_codes_tell_refusal_no_plan_and_interruption_apart(run, monkeypatch, error, code):
    def fail(*_values, **_options):
        raise error

    monkeypatch.setattr("siting.planning.make.read_inputs", fail)
    result = run("plan", "somewhere", "--out", "nowhere")
    assert result.exit_code == code
    assert result.stderr.startswith("siting: ")


def test_help_documents_every_exit_code_and_has_examples(run):
    text = run("--help").output
    for code in ("0 ", "1 ", "2 ", "3 ", "130 "):
        assert f"\n    {code}" in text
    for command in ("plan", "sun", "score", "explain", "completion", "gis-plugin", "extensions"):
        assert f"siting {command}" in run(command, "--help").output, command


def test_progress_as_lines_for_other_programs(tmp_path):
    path = write_property(tmp_path / "property", scenarios=1)
    done = subprocess.run(
        [sys.executable, "-m", "siting.cli", "score", path, "--out", tmp_path / "out"],
        env=os.environ | {"SITING_PROGRESS": "lines", "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    lines = [line.split("\t") for line in done.stderr.splitlines()]
    assert lines
    assert all(line[0] == "progress" and int(line[2]) <= int(line[3]) for line in lines)


# Completion


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_script_is_sound_for_its_shell(run, shell):
    script = run("completion", shell)
    assert script.exit_code == 0
    assert "_SITING_COMPLETE" in script.output
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"no {shell} here")
    done = subprocess.run([program, "-n"], input=script.output, text=True, check=False)
    assert done.returncode == 0


def test_completion_offers_commands_and_options():
    environment = os.environ | {
        "_SITING_COMPLETE": "bash_complete", "COMP_WORDS": "siting ex", "COMP_CWORD": "1",
    }  # fmt: skip
    code = "from siting.cli.main import main; main(prog_name='siting')"
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False
    )
    assert {line.split(",")[-1] for line in done.stdout.split()} == {"explain", "extensions"}


def test_a_linked_sensor_tells_its_link_and_no_wire_of_no_length():
    sensor = {"wire_m": 0.0, "trench_m": 0.0, "link": "wireless", "controller": "A", "ties": []}
    told = explain._how_reached(sensor, "metric").words[0]
    assert "wireless link" in told
    assert "0 m" not in told


def test_a_lead_from_a_valve_box_is_told_to_end_there():
    plan = make_plan()
    tag = plan.sensors.index[0]
    plan.sensors.loc[tag, "link"] = "decoder"
    row = plan.sensors.loc[tag]
    sheet = _sheet_sensor._wire_words(plan, tag, row.to_dict())
    told = explain._how_reached({**row.to_dict(), "ties": []}, "metric").words[0]
    shown = dict(_map_text.sensor_rows(plan, tag))["Wire"]
    for words in (sheet, told, *([shown] if isinstance(shown, str) else shown)):
        assert "decoder in the nearest valve box" in words
        assert "m to the controller" not in words


def test_sheet_map_and_terminal_tell_a_link_where_no_trench_leads():
    plan = make_plan()
    tag = plan.sensors.index[0]
    plan.sensors.loc[tag, ["wire_m", "trench_m"]] = 0.0
    plan.sensors.loc[tag, "link"] = "wireless"
    row = plan.sensors.loc[tag]
    assert _sheet_sensor._wire_words(plan, tag, row.to_dict()) == LINK_WORDS
    assert summary._wire(plan, row) == "link"
    told = dict(_map_text.sensor_rows(plan, tag))["Wire"]
    assert all(LINK_WORDS in words for words in ([told] if isinstance(told, str) else told))
