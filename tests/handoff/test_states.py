"""One state of water, money, payback, costs and limit has one set of words on every page."""

import dataclasses
import re

import pytest

from siting.handoff.charts import moves_chart, season_chart
from siting.handoff.facts import assumptions_in_words, budget_lines, plan_standing
from siting.handoff.mapcards import assumption_pairs, choice_table, savings
from siting.handoff.owner import _next, owner_summary
from siting.handoff.tables import folded
from siting.planning.make import plan_property, replan
from tests.all_texts import all_texts
from tests.plan_factory import make_plan
from tests.small_property import write_property

USUAL = "trade's usual"


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    return plan_property(write_property(tmp_path_factory.mktemp("states"), years=2, scenarios=2))


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """Return the same ground without a price and without costs."""
    file = write_property(tmp_path_factory.mktemp("bare"), years=2, scenarios=2)
    text = file.read_text("utf-8").replace("price = 2.0\n", "")
    start, end = text.index("[costs]"), text.index("[control]")
    file.write_text(text[:start] + text[end:], encoding="utf-8")
    return plan_property(file)


def case(ground, bare, *, given, price, minutes, hardware="add_on", **more):
    plan = ground if given else bare
    changes = {f"timer.minutes.{zone}": minutes for zone in "012"}
    # Only a plan that heals what the timer leaves dry ever uses more water than today.
    changes |= {"hardware.kinds": [hardware], "control.aim": "within_limit"} | more
    if price is not None:
        changes["water.price"] = price
    return replan(plan, **changes)


def pages(plan):
    """Return what the owner's page, the map and the annex say, label and text in one line."""
    rows = [*owner_summary(plan), *savings(plan)["rows"]]
    lines = [f"{label}: {text}" for label, text in rows]
    return [*lines, *assumptions_in_words(plan), str(plan.economics["claim"]), plan.headline]


@pytest.mark.parametrize("minutes", [3, 60])
@pytest.mark.parametrize(  # a price is not taken away by a change
    ("given", "price"), [(True, 0.0), (True, 2.0), (False, None), (False, 0.0), (False, 2.0)]
)
@pytest.mark.parametrize("hardware", ["add_on", "replacement"])
def test_every_page_says_the_same(ground, bare, given, price, minutes, hardware):
    plan = case(ground, bare, given=given, price=price, minutes=minutes, hardware=hardware)
    state, told = plan_standing(plan), pages(plan)
    text = "\n".join(told)
    more = plan.economics["saved_m3"] < 0
    assert more == (minutes == 3)
    # Water: a saving is never negative.
    assert state.water == ("more" if more else "less")
    assert not re.search(r"(?i)saved[^.\n]*: [−-]", text)
    assert ("More water" in text) == more
    assert ("Water saved" in text) != more
    # Money and payback.
    assert "prices are missing" not in text
    missing = [line for line in told if "no water price was given" in line]
    assert bool(missing) == (price is None)
    assert ("No payback is claimed: give [costs]" in text) == (price is not None and not given)
    summary = dict(owner_summary(plan))
    back = summary["Pays back in"]
    assert back == dict(savings(plan)["rows"])["Pays back in"] or state.payback == "pays"
    if price is not None and given:
        never = more or price == 0.0
        assert state.payback == ("never" if never else "pays")
        assert ("never pays back in water" in plan.economics["claim"]) == never
        assert back.startswith("never in water") == never
    # Costs: whose prices they are.
    whose = [line for line in told if "those you gave" in line]
    if not given:
        assert not whose
    elif hardware == "add_on":
        assert whose
        assert USUAL not in text
    else:
        assert state.costs == "usual hardware"
        assert all(USUAL in line for line in whose)


def test_without_a_timer_nothing_is_claimed_and_every_page_says_why():
    plan = make_plan()
    gone = {k: None for k in plan.economics if k.startswith(("saved", "payback", "net_"))}
    season = plan.season.assign(baseline_m3=float("nan"), saved_m3=float("nan"),
                                saved_fraction=float("nan"))  # fmt: skip
    plan = dataclasses.replace(plan, economics=dict(plan.economics) | gone, season=season)
    why = "not claimed: today's watering is not known"
    assert dict(owner_summary(plan))["Water saved"] == why
    rows = dict(savings(plan)["rows"])
    assert {rows["Water saved"], rows["Money saved"], rows["Pays back in"]} == {why}


def test_the_limit_in_words_is_the_limit_that_held(ground):
    tight = {"control.allowed_days": ["Mon"], "control.max_stress_days": 0, "timer.days": ["Mon"]}
    plan = replan(ground, **tight)
    held = plan.decision["limits"]
    assert max(held.values()) > 0
    worst = max(held, key=lambda zone: (held[zone], zone))
    told = next(line for line in assumptions_in_words(plan) if "may run short" in line)
    assert "0 days of a season (" in told
    assert f"{held[worst]:.0f} in " in told
    assert "its stress limit" not in plan.answer
    assert float(plan.zones["stress_days"].max()) <= max(held.values())
    kept = next(line for line in assumptions_in_words(ground) if "may run short" in line)
    assert "on more than 5 days of a season, the mean over its ground" in kept


def test_fewer_sensors_are_no_choice_where_there_is_one(ground):
    assert len(ground.sensors) == 1
    assert not any("One fewer" in line for line in _next(ground))
    assert any("One fewer" in line for line in _next(make_plan()))


@pytest.mark.parametrize("kind", ["mwelo", "epa"])
def test_the_water_budget_is_told_everywhere_and_noted_when_passed(ground, kind, tmp_path):
    plan = replan(ground, **{"water.budget": kind})
    asked = plan.economics["budget"]
    words = "is kept" if asked["within"] else "is passed"
    assert words in plan.headline
    assert any("budget is passed" in note for note in plan.warnings) != asked["within"]
    assert any("Water budget" in str(pair) for pair in assumption_pairs(plan))
    texts = all_texts(plan, tmp_path / "out")
    for name in ("map", "crew.pdf", "terminal", "plan.json"):
        flat = " ".join(texts[name].split())
        assert f"{asked['allowance_m3']:,.0f} m³" in flat.replace("\N{NO-BREAK SPACE}", " "), name
    assert "Water budget" in texts["crew.pdf"]
    assert budget_lines(ground, "metric") == []


def test_minutes_that_water_all_day_are_doubted_aloud(ground):
    plan = replan(ground, **{f"timer.minutes.{zone}": 1440 for zone in "012"})
    assert "Doubtful: today's watering as given is" in plan.headline
    assert any("far more than the plants need" in note for note in plan.warnings)
    assert "Doubtful" not in replan(ground, **{f"timer.minutes.{z}": 15 for z in "012"}).headline


def test_numbers_that_buy_nothing_new_are_one_line():
    rows = [
        {"n": n, "feasible": n > 1, "used": used, "groups": groups, "chosen": n == 2}
        for n, used, groups in ((1, 1, "a"), (2, 2, "b"), (3, 2, "b"), (4, 2, "b"), (5, 3, "c"),
                                (6, 3, "c"))
    ]  # fmt: skip
    told = [(name, row is None) for name, row in folded(rows)]
    assert told == [("1", False), ("2", False), ("3 to 4", True), ("5", False), ("6", True)]


def test_equal_choices_are_one_line_on_the_map_and_in_the_terminal(ground, tmp_path):
    rows = choice_table(ground)["rows"]
    assert [row[0] for row in rows] == ["1 (chosen)", "2 to 4"]
    assert rows[1][1] == "no better"
    texts = all_texts(ground, tmp_path / "out")
    for name in ("terminal", "explain S1"):
        assert "2 to 4: no better" in texts[name]
    assert "2 to 4 allowed no better" in " ".join(texts["crew.pdf"].split())


def _overlap(words):
    return [
        (one, two)
        for k, one in enumerate(words)
        for two in words[k + 1 :]
        if one.left < two.right and two.left < one.right and abs(one.y - two.y) < one.size
    ]


def test_thirty_years_do_not_overprint_each_other():
    plan = make_plan()
    season = plan.season.iloc[[0] * 30].set_axis(range(1991, 2021), axis=0)
    chart = season_chart(dataclasses.replace(plan, season=season), 515, 140)
    years = [words for words in chart.words if words.text.isdigit() and len(words.text) == 4]
    assert len(years) >= 5
    assert not _overlap(years)


@pytest.mark.parametrize("ends", [(-30.0, -10.0), (10.0, 30.0), (5.0, 5.0), (float("nan"), 30.0)])
def test_both_ends_on_one_side_of_the_base_do_not_overprint(ends):
    plan = make_plan()
    table = plan.sensitivity.iloc[:1].copy()
    base = float(table["value_base"].iloc[0])
    table["low"], table["high"] = "0 d", "10 d"
    table["value_low"], table["value_high"] = base + ends[0], base + ends[1]
    chart = moves_chart(dataclasses.replace(plan, sensitivity=table), 515, 60)
    named = [words for words in chart.words if words.text.startswith(("0 d", "10 d"))]
    assert len(named) == 2
    assert not _overlap(named)
    assert all(words.left >= 0 and words.right <= 515 for words in named)
