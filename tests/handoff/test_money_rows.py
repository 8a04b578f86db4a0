"""Other choices, kinds of control, what moves the result: on the map as in plan.json."""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from siting.handoff.charts import choices_chart, moves_chart
from siting.handoff.document import plan_document
from siting.handoff.figures import plot_choices
from siting.handoff.mapcards import control_table, move_chart, option_table
from siting.handoff.tables import controls, moves, options
from siting.handoff.webmap import map_document
from tests.plan_factory import make_plan


@pytest.fixture(scope="module")
def plan():
    return make_plan()


def axes():
    return Figure().add_subplot()


def test_the_chart_of_moves_has_every_value_of_plan_json_and_a_table_beside_it(plan):
    shown = move_chart(plan)
    rows = iter(shown["table"]["rows"])
    for bar, row in zip(shown["bars"], plan_document(plan)["sensitivity"], strict=True):
        assert bar["name"] == row["input"]
        assert bar["base"] == row["value_base"]
        for end, side in zip(bar["ends"], ("low", "high"), strict=True):
            assert end["setting"] == row[side]
            assert end["value"] == row[f"value_{side}"]
            cells = next(rows)
            assert cells[:2] == [row["input"], row[side]]
            wanted = row[f"value_{side}"]
            assert cells[2] == ("limit not kept" if wanted is None else f"{wanted:,.0f}")
    assert shown["measure"] == "net saving a year, USD"


def test_without_a_price_the_moves_are_water_in_both_units(plan):
    table = plan.sensitivity.assign(measure="water saved a year", unit="m3", payback_low=math.nan,
                                    payback_high=math.nan)  # fmt: skip
    shown = move_chart(dataclasses.replace(plan, sensitivity=table))
    assert shown["table"]["head"] == ["What", "Set to", "Result"]
    metric, us = shown["bars"][0]["ends"][0]["told"]
    assert (metric[-2:], us[-3:]) == ("m³", "gal")
    drawn = moves_chart(dataclasses.replace(make_plan("us"), sensitivity=table), 515, 80)
    assert "water saved a year [gal]" in [words.text for words in drawn.words]


def test_options_are_the_numbers_then_the_rules_with_their_regret(plan):
    found = options(plan)
    assert [one["name"] for one in found] == [
        "2 sensors", "3 sensors", "one in the driest", "one in every zone",
    ]  # fmt: skip
    assert [one["chosen"] for one in found] == [True, False, False, False]
    assert math.isnan(found[2]["regret_max"])
    assert option_table(plan)["rows"][0][0] == "2 sensors (chosen)"
    assert option_table(plan)["rows"][2][1] == "too dry"


def test_a_rule_that_does_is_shown_with_its_own_regret(plan):
    regret = pd.concat(
        [plan.regret, plan.regret.iloc[1:].rename({"3 sensors": "one in every zone"})]
    )
    found = options(dataclasses.replace(plan, regret=regret))
    [rule] = [one for one in found if one["name"] == "one in every zone"]
    assert (rule["sensors"], rule["regret_max"]) == (4, 31.0)
    assert len([one for one in found if not one["rule"]]) == 2


def test_a_plan_of_mixed_kinds_has_a_line_of_its_own(plan):
    assert [one["kind"] for one in controls(plan)][-1] == "on-demand"
    mixed = dataclasses.replace(plan, controls=plan.controls.assign(chosen=False))
    last = controls(mixed)[-1]
    assert (last["kind"], last["sensors"], last["chosen"]) == ("bypass and on-demand", 2, True)
    assert last["cost_per_year"] == plan.choices.loc[2, "cost_per_year"]
    assert control_table(mixed)["rows"][-1][0] == "bypass and on-demand (the plan's)"


def test_the_curve_draws_the_range_over_scenarios(plan):
    drawn = plot_choices(plan, axes())
    lines = [line.get_ydata() for line in drawn.lines if np.ptp(line.get_ydata()) > 0]
    assert [list(line) for line in lines] == [[-31.0, -20.5]]
    assert "range over scenarios" in drawn.get_title(loc="left")
    paper = choices_chart(plan, 515, 140)
    assert sum(line.x == line.to_x and line.width > 1 for line in paper.lines) == 1
    assert drawn.get_title(loc="left") in [words.text for words in paper.words]
    flat = plan.choices.assign(value_of_next_low=math.nan, value_of_next_high=math.nan)
    drawn = plot_choices(dataclasses.replace(plan, choices=flat), axes())
    assert "range" not in drawn.get_title(loc="left")


def test_the_panel_carries_it_all(plan):
    panel = map_document(plan)["panel"]
    assert panel["choices"][1]["value_of_next_low"] == -31.0
    assert len(panel["assumptions"]) >= 6
    assert [pair for pair in panel["assumptions"] if isinstance(pair, list)], "the price of water"
    assert any(label == "At 3 % interest" for label, _ in panel["savings"]["rows"])


def test_plans_without_these_tables_are_no_reason_to_fail(plan):
    bare = dataclasses.replace(
        plan, sensitivity=pd.DataFrame(), controls=pd.DataFrame(), regret=pd.DataFrame(),
        rules=plan.rules.iloc[:0], decision={},
    )  # fmt: skip
    assert moves(bare) == options(bare) == controls(bare) == []
    assert map_document(bare)["panel"]["moves"]["bars"] == []
