"""The timer table is one: sheet, map and plan.json show the same minutes, month by month."""

import dataclasses

import pandas as pd
import pypdf
import pytest

from siting.handoff.document import plan_document
from siting.handoff.sheets import write_sheets
from siting.handoff.tables import MONTHS, cycle_words, programs, season_months, valves
from siting.handoff.webmap import map_document
from tests.demo_plans import demo_plan
from tests.plan_factory import make_plan
from tests.some import some


@pytest.fixture(scope="module")
def yard():
    return demo_plan("yard")


def words_of(plan, folder):
    reader = pypdf.PdfReader(write_sheets(plan, folder / "crew.pdf"))
    return " ".join(" ".join(page.extract_text().split()) for page in reader.pages)


@pytest.mark.parametrize("which", ["made up", "yard"])
def test_sheet_map_and_json_tell_the_same_minutes(which, yard, tmp_path):
    plan = make_plan() if which == "made up" else yard
    told, shown = words_of(plan, tmp_path), map_document(plan)
    table = {row[0]: row for row in shown["panel"]["month_table"]["rows"]}
    zones = {zone["zone"]: dict(zone["rows"]) for zone in shown["zones"]}
    minutes = {row[0]: row[5] for row in shown["panel"]["zone_table"]["rows"]}
    for line in some(plan_document(plan)["timer"]):
        by_month = [f"{month['run_minutes']:.0f}" for month in line["months"]]
        assert f"{line['valve']} {line['zone']} {' '.join(by_month)}" in told
        assert table[line["zone"]][2:] == by_month
        assert minutes[line["zone"]] == f"{line['run_minutes']:.0f}"
        assert f"{line['cycles']} × {line['cycle_minutes']:.1f}" in told
        first = line["months"][0]
        card = zones[line["zone"]]["By month"]
        assert card.startswith(f"{MONTHS[first['month']]}\N{NO-BREAK SPACE}{by_month[0]}")
    for row in plan.timer_table.itertuples():
        share = " ".join(f"{getattr(row, f'percent_{m}'):.0f}%" for m in season_months(plan))
        assert f"{row.program or 'no sensor'}: {row.days} {share}" in told


def test_the_sensor_is_the_seasonal_adjustment_and_programs_say_their_days(yard, tmp_path):
    assert "leave the seasonal adjustment at 100 %: the sensor does that" in words_of(
        yard, tmp_path
    )
    note = map_document(yard)["panel"]["month_table"]["note"]
    assert "A program starts on its days" in note
    led = yard.timer_table[yard.timer_table["program"] != ""]
    months = [f"percent_{m}" for m in season_months(yard)]
    assert (led[months] == 100).all(axis=None)


def test_programs_hold_every_valve_once_with_the_adjustment_of_the_table():
    plan = make_plan()
    found = programs(plan)
    assert [tag for tag, _ in found] == ["S1", "S2"]
    assert [v.zone for _, mine in found for v in mine] == list(plan.timer_table.index)
    for _, mine in found:
        assert all(valve.percent == mine[0].percent for valve in mine)
    assert season_months(plan) == tuple(range(3, 12))
    first = valves(plan)["A"]
    assert cycle_words(first) == ("2 × 13.5", "30")
    assert cycle_words(dataclasses.replace(first, cycles=1)) == ("1 × 13.5", "–")


def test_a_plan_without_the_table_still_prints(tmp_path):
    bare = dataclasses.replace(make_plan(), timer_table=pd.DataFrame())
    assert "Minutes by month" not in words_of(bare, tmp_path)
    assert map_document(bare)["panel"]["month_table"]["rows"] == []


def test_hardware_for_each_controller_is_told(tmp_path):
    assert "C1 timer with sensor inputs, in place of the old one S1, S2" in words_of(
        make_plan(), tmp_path
    )
