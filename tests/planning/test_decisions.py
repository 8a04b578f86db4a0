"""One sensor or several, what the rules of the place do to it, and what if."""

from __future__ import annotations

import re

import numpy as np
import pytest
from click.testing import CliRunner
from shapely.geometry import box

from siting.cli.main import main
from siting.errors import InputError
from siting.handoff.charts import moves_chart, moves_height
from siting.handoff.document import plan_document
from siting.planning.make import hold_out, plan_property, replan
from siting.site.property import read_property
from tests.plan_factory import make_plan
from tests.plan_schema import schema
from tests.small_property import EAST, NORTH, square, write_property

TWO = {"Open": (square(4, 4), {}), "Eaves": (square(22, 4), {})}


def edited(path, pattern, new):
    text = path.read_text("utf-8")
    assert re.search(pattern, text, flags=re.DOTALL)
    path.write_text(re.sub(pattern, new, text, flags=re.DOTALL), encoding="utf-8")
    return path


def added(path, text):
    path.write_text(path.read_text("utf-8") + text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def equal(tmp_path_factory):
    return plan_property(write_property(tmp_path_factory.mktemp("equal"), years=4))


# One or several -----------------------------------------------------------------


def test_equal_zones_one_sensor_and_the_second_worth_exactly_nothing_in_every_scenario(equal):
    assert len(equal.sensors) == 1
    row = equal.choices.loc[1]
    assert row["value_of_next"] == row["value_of_next_low"] == row["value_of_next_high"] == 0.0
    assert row["gap"] == 0.0
    assert equal.regret.loc["1 sensor", "regret_max"] == 0.0


def test_equal_need_and_different_rain_shelter_get_a_sensor_each(tmp_path):
    zones = {name: (shape, dict(columns)) for name, (shape, columns) in TWO.items()}
    for name, share in (("Open", 1.0), ("Eaves", 0.0)):
        zones[name][1]["rain_share"] = share
    path = write_property(tmp_path / "a", zones)
    edited(path, r"device = 250\ninstallation = 150", "device = 40\ninstallation = 10")
    edited(path, r"price = 2.0", "price = 6.0")
    plan = plan_property(path)
    # Their need without rain is alike; what falls on them is not.
    assert plan.zones["need_score"].max() < 1.05 * plan.zones["need_score"].min()
    assert sorted(plan.sensors["zone"]) == ["Eaves", "Open"]
    assert plan.choices.loc[1, "value_of_next"] > 0
    assert "Open has warm season turf, 100% of the rain" in plan.answer
    assert "Eaves has warm season turf, 0% of the rain" in plan.answer
    net = plan.zones["net_irrigation_mm"]
    assert net["Eaves"] > net["Open"] + 50
    open_to_all = plan_property(write_property(tmp_path / "b", TWO))
    assert len(open_to_all.sensors) == 1


def test_sunny_turf_and_shaded_ornamentals_get_several_and_the_reason_is_told(tmp_path):
    beds = {"plants": "shrubs", "irrigation": "drip", "precipitation_rate": 12.0,
            "root_depth": 0.5, "distribution_uniformity": 0.8}  # fmt: skip
    zones = {
        "Lawn": (square(4, 4, 22), {}),
        "South lawn": (square(30, 4, 22), {}),
        "North bed": (square(4, 60, 22), beds),
        "Back bed": (square(30, 60, 22), beds),
    }
    walls = {
        "height": [24.0, 24.0, 24.0],
        "geometry": [
            box(EAST + 0.5, NORTH + 50, EAST + 55.5, NORTH + 58),
            box(EAST + 0.5, NORTH + 58, EAST + 3, NORTH + 84),
            box(EAST + 53, NORTH + 58, EAST + 55.5, NORTH + 84),
        ],
    }
    path = write_property(tmp_path, zones, buildings=walls)
    edited(path, r"price = 2.0", "price = 5.0")
    plan = plan_property(path)
    assert len(plan.sensors) >= 2
    plants = plan.zones.loc[list(plan.sensors["zone"]), "plants"]
    assert set(plants) == {"warm_season_turf", "shrubs"}
    assert "They do not dry alike" in plan.answer
    assert "h of sun" in plan.answer
    assert "Two sensors. The second saves " in plan.answer
    assert "and is worth" in plan.headline
    assert "a third would cost more than it saves." in plan.headline


def test_a_lawn_with_open_ground_comes_before_a_bed_at_the_wall(tmp_path):
    bed = {"plants": "annuals", "root_depth": 0.15}
    zones = {"Bed": (square(4, 22, 1.5), bed), "Lawn": (square(4, 4), {})}
    plan = plan_property(write_property(tmp_path, zones))
    # The bed is the thirstier, and no ground in it keeps its setbacks.
    assert plan.zones["need_score"].idxmax() == "Bed"
    assert "Bed" not in set(plan.admissible["zone"])
    assert list(plan.sensors["zone"]) == ["Lawn"]
    assert (plan.sensors["setback_ratio"] >= 1).all()


def test_regret_is_never_below_nothing_and_the_chosen_one_is_least_on_average(equal):
    regret = equal.regret
    assert (regret["regret_mean"] >= 0).all()
    assert (regret["regret_max"] >= regret["regret_mean"]).all()
    chosen = equal.choices.loc[equal.choices["chosen"], "cost_per_year"].iloc[0]
    assert regret["cost_per_year"].min() <= chosen <= 1.05 * regret["cost_per_year"].min()
    assert all(min(values) >= 0 for values in regret["by_scenario"])
    assert np.min(list(regret["by_scenario"]), axis=0).max() == 0


def test_every_kind_of_control_stands_beside_the_plan(equal):
    table = equal.controls
    right, shut = (
        table.loc[name, "water_m3"] for name in ("timer, its minutes set right", "rain shut-off")
    )
    plan = equal.zones["water_m3"].sum()
    assert shut <= right  # a rain shut-off never adds water
    assert plan <= equal.zones["today_m3"].sum()
    assert table.loc["timer as it runs today", "water_m3"] == pytest.approx(
        equal.zones["today_m3"].sum()
    )
    assert table["chosen"].sum() == 1
    assert table.loc[table["chosen"], "water_m3"].iloc[0] == pytest.approx(plan)
    one = table.loc["bypass, one sensor on each controller's common wire"]
    assert one["sensors"] == 1
    assert "Without a soil sensor" in equal.answer


# Local rules and hardware -----------------------------------------------------------------


def test_a_rule_that_makes_the_demand_unreachable_is_told_with_its_numbers(tmp_path):
    path = write_property(tmp_path)
    edited(path, r"max_stress_days = 5", 'max_stress_days = 2\nallowed_days = ["Sun"]')
    plan = plan_property(path)
    words = " ".join(plan.warnings)
    assert "today's timer runs on" in words
    assert re.search(r"up to 7 days between watering days .* uses \d+ mm .* holds \d+ mm", words)
    assert "the least it can have is" in words
    assert plan.zones["events"].max() <= 27  # Sundays of half a year


def test_hours_too_short_for_the_valves_are_told_with_their_numbers(tmp_path):
    path = write_property(tmp_path / "a")
    edited(path, r"max_stress_days = 5", 'max_stress_days = 5\nallowed_window = ["04:00", "04:10"]')
    words = " ".join(plan_property(path).warnings)
    assert re.search(r"need \d+ minutes one after another .* local rules allow 10", words)
    wide = write_property(tmp_path / "b")
    edited(wide, r"max_stress_days = 5", 'max_stress_days = 5\nallowed_window = ["20:00", "08:00"]')
    assert "local rules allow" not in " ".join(plan_property(wide).warnings)


def test_an_add_on_alone_cannot_start_watering(tmp_path):
    path = added(write_property(tmp_path), '[hardware]\nkinds = ["add_on"]\n')
    plan = plan_property(path)
    assert set(plan.zones["control"]) == {"bypass"}
    assert set(plan.sensors["hardware"]) == {"add_on"}
    result = CliRunner().invoke(
        main,
        ["plan", str(path), "--out", str(tmp_path / "o"), "--set", 'control.kinds=["on_demand"]'],
    )
    assert result.exit_code == 3
    assert "no hardware allowed runs on_demand control" in result.output


def test_hardware_faults_are_all_named(tmp_path):
    path = added(
        write_property(tmp_path),
        '[hardware]\nkinds = ["addon"]\n[hardware.replacement]\nsensors = 0\ninputs = 3\n'
        "controllers = 4\n",
    )
    with pytest.raises(InputError) as caught:
        read_property(path)
    text = str(caught.value)
    for part in ("addon", "1 to 100", "inputs", "list of names of controllers"):
        assert part in text


def test_tiers_bills_and_rules_are_read(tmp_path):
    path = write_property(tmp_path)
    edited(
        path,
        r"price = 2.0",
        "other_use_kgal = 4\ntiers = [{ up_to_kgal = 6, price_per_kgal = 4 }, { price = 3 }]",
    )
    added(path, '[water.bills]\nunit = "kgal"\nmeter = "all"\njan = 5\njuly = 20\n"9" = 11\n')
    water = read_property(path).water
    assert [tier.price for tier in water.tiers] == pytest.approx([4 / 3.785412, 3.0], rel=1e-6)
    assert water.tiers[0].up_to_m3 == pytest.approx(6 * 3.785412)
    assert water.other_use_m3 == pytest.approx(4 * 3.785412)
    assert sorted(water.bills.monthly_m3) == [1, 7, 9]
    assert water.bills.outdoor_m3[7] == pytest.approx(15 * 3.785412)
    for wrong, words in (
        ("tiers = [{ up_to_m3 = 9, price = 1 }, { up_to_m3 = 4, price = 2 }]", "rising upper ends"),
        ("price = 1\ntiers = [{ price = 2 }]", "together"),
        ("tiers = 3", "tables"),
    ):
        other = edited(write_property(tmp_path / "x"), r"price = 2.0", wrong)
        with pytest.raises(InputError, match=words):
            read_property(other)


# Money -----------------------------------------------------------------


def test_bills_scale_the_baseline_and_stand_in_for_a_timer(tmp_path, equal):
    described = equal.zones["today_m3"].sum()
    months = "\n".join(f"{m} = {described / 6 * 1.5:.3f}" for m in ("apr", "may", "jun", "jul",
                                                                   "aug", "sep"))  # fmt: skip
    path = added(write_property(tmp_path / "a", years=4), f"[water.bills]\n{months}\n")
    plan = plan_property(path)
    assert plan.season["baseline_m3"].mean() == pytest.approx(1.5 * described, rel=0.01)
    assert any("scaled by 1.5" in warning for warning in plan.warnings)
    np.testing.assert_allclose(plan.zones["today_minutes"], equal.zones["today_minutes"])
    edited(path, r"\[timer\].*?\n(?=\[water\])", "")
    metered = plan_property(path)
    assert metered.economics["saved_m3"] == pytest.approx(
        1.5 * described - metered.zones["water_m3"].sum(), rel=0.01
    )
    assert metered.zones["today_m3"].isna().all()
    edited(path, r"jul = [\d.]+\n", "")
    assert plan_property(path).economics["saved_m3"] is None


def test_a_timer_that_is_too_short_explains_why_the_plan_uses_more(tmp_path):
    path = write_property(tmp_path, minutes=4)
    as_today = plan_property(path)
    assert as_today.economics["saved_m3"] >= 0
    assert as_today.zones["water_m3"].sum() <= as_today.zones["today_m3"].sum()
    edited(path, r"max_stress_days = 5", 'max_stress_days = 5\naim = "within_limit"')
    plan = plan_property(path)
    assert plan.economics["saved_m3"] < 0
    assert "more than today's timer on average" in plan.answer
    assert "because today's timer leaves plants short: 3 of 3 zones" in plan.answer
    assert (plan.zones["today_stress_days"] > 5).all()


def test_sensitivity_points_the_right_way(equal):
    table = equal.sensitivity
    assert set(table.index) == {
        "price of water", "plant factor", "available water", "evenness", "application rate",
        "sensor error", "devices and installation", "today's minutes",
    }  # fmt: skip
    net = equal.economics["saved_per_year"] - equal.economics["yearly_cost"]
    assert table["value_base"].to_numpy() == pytest.approx(net)
    assert table["swing"].is_monotonic_decreasing
    for name in ("price of water", "today's minutes"):
        assert table.loc[name, "value_low"] < table.loc[name, "value_high"]
    for name in ("plant factor", "devices and installation"):
        assert table.loc[name, "value_low"] > table.loc[name, "value_high"]
    costs = equal.settings.costs
    spent = equal.economics["device"] + equal.economics["installation"]
    device = table.loc["devices and installation"]
    assert device["swing"] == pytest.approx(0.5 * spent / costs.life_years)


def test_the_tornado_draws_a_bar_for_each_end(equal):
    bars = moves_chart(equal, 515, moves_height(equal)).bars
    assert len(bars) >= 2 * len(equal.sensitivity) - 2
    assert moves_chart(make_plan(hostile=True), 515, 80).words


# Followers -----------------------------------------------------------------


def test_the_timer_table_can_be_typed_in_and_keeps_the_limit(equal):
    table = equal.timer_table
    assert (table["run_minutes"] % 1 == 0).all()
    assert (table["run_minutes"] >= equal.zones["run_minutes"] - 1e-6).all()
    percent = table[[f"percent_{m}" for m in range(1, 13)]].to_numpy()
    assert (percent[:, [0, 1, 2, 9, 10, 11]] == 0).all()  # the season is April to September
    assert (percent[:, 3:9] > 0).all()
    limit = np.maximum(equal.settings.control.max_stress_days, equal.zones["today_stress_days"])
    assert (table["stress_days"] <= limit + 1e-9).all()
    assert table["days"].str.len().gt(0).all()
    runs = table[[f"run_minutes_{m}" for m in range(1, 13)]].to_numpy()
    assert (runs >= table["run_minutes"].to_numpy()[:, None] * percent / 100 - 1e-6).all()
    np.testing.assert_allclose(
        table["depth_mm"], table["run_minutes"] * equal.zones["precipitation_rate"] / 60
    )
    assert (table["cycles"] * table["cycle_minutes"] >= table["run_minutes"] - 1e-6).all()


# What if -----------------------------------------------------------------


def test_replan_gives_the_plan_of_the_changed_file(tmp_path, equal):
    changed = replan(equal, **{"water.price": 5.5, "control.max_stress_days": 8}, costs__device=90)
    path = write_property(tmp_path, years=4)
    edited(path, r"price = 2.0", "price = 5.5")
    edited(path, r"max_stress_days = 5", "max_stress_days = 8")
    edited(path, r"device = 250", "device = 90")
    fresh = plan_property(path)
    one, two = plan_document(changed), plan_document(fresh)
    for part in ("zones", "sensors", "choices", "controls", "regret", "economics", "timer"):
        assert one[part] == two[part]
    assert equal.settings.water.price == 2.0


def test_replan_refuses_what_needs_the_sun_and_what_the_file_would_not_take(equal):
    with pytest.raises(InputError, match="new plan") as caught:
        replan(equal, analysis__resolution=0.5, season__start="03-01")
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError, match="Did you mean price"):
        replan(equal, water__prise=3)
    with pytest.raises(InputError, match="0 to 366"):
        replan(equal, control__max_stress_days=-1)


def test_set_and_compare_on_the_command_line(tmp_path):
    path = write_property(tmp_path / "p")
    run = CliRunner()
    for name, extra in (("a", []), ("b", ["--set", "water.price_per_kgal=1", "--set",
                                          "control.max_sensors=1"])):  # fmt: skip
        done = run.invoke(main, ["plan", str(path), "--out", str(tmp_path / name), *extra])
        assert done.exit_code == 0, done.output
    shown = run.invoke(main, ["compare", str(tmp_path / "a"), str(tmp_path / "b" / "plan.json")])
    assert shown.exit_code == 0, shown.output
    assert "price 2.00" in shown.output
    assert "price 0.26" in shown.output
    assert "payback" in shown.output
    assert run.invoke(main, ["plan", str(path), "--out", "x", "--set", "water"]).exit_code == 2
    bad = run.invoke(
        main, ["plan", str(path), "--out", str(tmp_path / "c"), "--set", "water.price=-1"]
    )
    assert bad.exit_code == 1
    assert "water.price" in bad.output
    none = run.invoke(main, ["compare", str(tmp_path / "a"), str(tmp_path), str(path)])
    assert none.exit_code == 1
    assert "2 faults" in none.output


def test_real_plans_are_valid_by_the_schema(equal):
    jsonschema = pytest.importorskip("jsonschema")
    checker = jsonschema.Draft202012Validator(schema())
    assert list(checker.iter_errors(plan_document(equal))) == []


# Stress -----------------------------------------------------------------


def test_the_limit_holds_in_every_training_season_and_the_excess_elsewhere_is_told(equal):
    table = hold_out(equal, every=3)
    assert table.attrs["years"] == (equal.season.index[2],)
    limit = table["limit"]
    assert (table["stress_days"] <= limit + 1e-9).all()
    assert (limit >= equal.settings.control.max_stress_days).all()
    wanted = np.maximum(table["held_out_stress_days"] - limit, 0)
    np.testing.assert_array_equal(table["excess"], wanted)
    assert (equal.zones["stress_mean"] <= equal.zones["stress_days"] + 1e-9).all()


def test_trench_is_shared_in_the_cost_and_bounded_from_below(equal):
    facts = equal.decision
    cheapest = equal.choices["cost_per_year"].min()
    assert facts["lower_bound"] <= cheapest * (1 + 1e-9)
    assert facts["bound_share"] == pytest.approx(1 - facts["lower_bound"] / cheapest, abs=1e-9)
    assert 1 <= facts["trench_rounds"] <= 5
    assert "proven for the price of each sensor by itself" in facts["exactness"]
