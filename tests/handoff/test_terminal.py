"""A plan in a terminal: whole at any width, a block per sensor where it is narrow."""

import dataclasses
import io

import pandas as pd
import pytest
from click.testing import CliRunner
from rich.console import Console

from siting.cli.main import _print_plan, main
from siting.handoff.document import plan_document, write_json
from siting.handoff.explain import choice_lines, explain_sensor, sensor_lines, sensor_table
from tests.plan_factory import make_plan


@pytest.mark.parametrize("columns", [60, 80, 99, 100, 120, 200])
@pytest.mark.parametrize("units", ["metric", "us"])
def test_no_line_is_wider_than_columns_and_nothing_is_cut(columns, units, monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", str(columns))
    plan = make_plan(units)
    _print_plan(plan, ("a note " * 40,))
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= columns
    text = " ".join(" ".join(lines).split())
    assert "…" not in text
    for words in ("% used", "min", "kept"):
        assert words in text
    assert ("┃" in text) == (columns >= 100)
    for zone in plan.zones.index:
        assert str(zone) in text


def test_a_block_names_depth_threshold_minutes_setbacks_and_wire():
    plan = make_plan()
    block = "\n".join(sensor_lines(plan, 80))
    for tag, row in plan.sensors.iterrows():
        assert f"{tag} in {row['zone']} (valve {row['valve']})" in block
        assert f"{100 * row['threshold_low_fraction']:.0f} % used" in block
    assert block.count("of wire") == len(plan.sensors)
    assert "_" not in block


def test_the_table_has_threshold_and_minutes_and_no_word_of_code():
    console = Console(width=140, record=True, file=io.StringIO())
    console.print(sensor_table(make_plan()))
    told = console.export_text()
    assert "threshold" in told
    assert "runs, minutes" in told
    assert "_" not in told


def test_on_demand_waters_its_minutes_and_no_threshold_is_none():
    plan = make_plan()
    sensors = plan.sensors.assign(control="on_demand")
    told = " ".join(sensor_lines(dataclasses.replace(plan, sensors=sensors), 80))
    assert "start at" in told
    assert "nan" not in told


def test_without_columns_piped_output_is_110_wide(monkeypatch, capsys):
    monkeypatch.delenv("COLUMNS", raising=False)
    _print_plan(make_plan(), ("a note " * 40,))
    widest = max(len(line) for line in capsys.readouterr().out.splitlines())
    assert 100 < widest <= 110


def test_explain_wraps_every_line_to_columns(tmp_path):
    plan = make_plan()
    write_json(plan, tmp_path / "plan.json")
    tag = str(plan.sensors.index[0])
    told = CliRunner().invoke(main, ["explain", str(tmp_path), tag], env={"COLUMNS": "70"})
    assert told.exit_code == 0
    assert max(len(line) for line in told.output.splitlines()) <= 70
    assert explain_sensor(plan_document(plan), tag)
    assert "Call before you dig" in told.output


def test_of_a_long_curve_the_ends_and_what_lies_about_the_choice_are_told():
    plan = make_plan()
    row = plan.choices.iloc[[0]]
    assert choice_lines(plan)[-1] != "..."
    curve = pd.concat([row.assign(feasible=True, used=n, chosen=n == 20) for n in range(1, 61)])
    curve.index = pd.RangeIndex(1, 61, name=plan.choices.index.name)
    told = choice_lines(dataclasses.replace(plan, choices=curve))
    numbers = [line.split(":")[0] for line in told]
    assert numbers == ["1", "2", "3", "...", "18", "19", "20", "21", "22", "...", "58", "59", "60"]
    assert told[6].endswith("(chosen)")


def test_a_sensor_that_runs_a_whole_campus_names_its_own_zone_and_a_few():
    plan = make_plan()
    zone = plan.sensors["zone"].iloc[0]
    others = [str(name) for name in plan.zones.index if name != zone]
    sensors = plan.sensors.copy()
    governs = (*(others * 12)[:11], zone)
    sensors["governs"] = [governs, *sensors["governs"][1:]]
    told = " ".join(" ".join(sensor_lines(dataclasses.replace(plan, sensors=sensors), 80)).split())
    assert f"runs: {zone} " in told
    assert "min and 6 zones more" in told
