"""The plan in words: it leads with the decision, and reads well whatever was decided."""

import math
import re
from dataclasses import replace

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Point

from siting.planning.model import Elsewhere
from siting.planning.words import (
    Facts,
    _years,
    answer,
    decision_words,
    headline,
    nth,
    number_word,
    zone_note,
)
from tests.demo_plans import demo_plan
from tests.some import some

CONTROLS = pd.DataFrame(
    {
        "water_m3": [900.0, 700.0],
        "cost_per_year": [1800.0, 1400.0],
        "stress_days": [4.0, 9.0],
        "within_limit": [True, False],
    },
    index=pd.Index(["timer, its minutes set right", "rain shut-off"], name="kind"),
)
NO_CLAIM = {"currency": "EUR", "saved_m3": None, "claim": "No saving is claimed: no timer."}


def facts(count, *, zones=9, price=2.0, units="metric", economics=None, controls=CONTROLS, most=9):
    names = [f"Z{k}" for k in range(zones)]
    allowed = list(range(1, most + 1))
    used = [min(n, count) for n in allowed]
    table = gpd.GeoDataFrame(
        {
            "plants": ["shrubs", "groundcover", "perennials"] * (zones // 3),
            "sun_hours": [3.0 + k for k in range(zones)],
            "rain_share": 1.0,
            "taw_mm": 40.0,
            "need_score": [10.0 + k for k in range(zones)],
            "controller": ["A"] * zones,
            "sensor_id": ["S1"] * zones,
            "today_stress_days": [9.0] * 3 + [0.0] * (zones - 3),
        },
        geometry=[Point(k, 0) for k in range(zones)],
        index=pd.Index(names, name="zone"),
    )
    sensors = gpd.GeoDataFrame(
        {
            "zone": names[:count],
            "governs": [(name,) for name in names[:count]],
            "control": ["on_demand"] * count,
            "hardware": ["replacement"] * count,
        },
        geometry=[Point(k, 0) for k in range(count)],
        index=pd.Index([f"S{k + 1}" for k in range(count)], name="sensor_id"),
    )
    choices = pd.DataFrame(
        {
            "feasible": [True] * most,
            "used": used,
            "water_m3": [500.0 - 20.0 * n for n in used],
            "cost_per_year": [1000.0 - 12.4 * n for n in used],
            "chosen": [n == count for n in allowed],
        },
        index=pd.Index(allowed, name="n"),
    )
    return Facts(table, sensors, choices, controls, economics or saving(), price, 5.0, units)


def saving(**changes):
    known = {"currency": "EUR", "saved_m3": 120.0, "saved_per_year": 240.0, "payback_years": 3.46}
    return known | {"claim": "Against today's timer the plan saves water."} | changes


@pytest.mark.parametrize(
    ("count", "starts"),
    [
        (0, "No sensor: none that could be bought keeps every zone within its limits."),
        (1, "One sensor. A second would cost more than it saves."),
        (
            2,
            "Two sensors. The second saves 20 m³ a year and is worth 12 EUR a year after its own "
            "cost; a third would cost more than it saves.",
        ),
        (
            3,
            "Three sensors. The third saves 20 m³ a year and is worth 12 EUR a year after its own "
            "cost; a fourth would cost more than it saves.",
        ),
        (
            8,
            "Eight sensors. The eighth saves 20 m³ a year and is worth 12 EUR a year after its own "
            "cost; a ninth would cost more than it saves.",
        ),
    ],
)
def test_the_decision_comes_first_in_the_headline_and_in_the_answer(count, starts):
    told = facts(count)
    saves = "Against today's watering the plan saves 120 m³ a year, worth 240 EUR, and pays back in"
    assert headline(told) == f"{starts} {saves} 3.5 years."
    assert answer(told, {}).startswith(starts)


def test_us_units_in_both():
    told = facts(2, units="us")
    assert "5,283 gal" in headline(told)
    assert "31,701 gal" in headline(told)
    assert "m³" not in headline(told) + answer(told, {})


@pytest.mark.parametrize("count", [0, 1, 2, 3, 8])
@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"price": None, "economics": saving(saved_per_year=None, payback_years=None)},
        {"economics": NO_CLAIM},
        {"economics": saving(payback_years=None)},
        {"economics": saving(saved_m3=-30.0)},
        {"controls": pd.DataFrame()},
        {"most": 1},
        {"zones": 9, "most": 14},
    ],
)
def test_sentences_are_whole_whatever_was_decided(count, units, changes):
    told = facts(count, units=units, **changes)
    if told.chosen is None and count > 1:
        told = facts(count, units=units, **{**changes, "most": count})
    for words in (headline(told), answer(told, {"S1": "It lies in Z0 and not in Z1: cheaper."})):
        assert not re.search(r"nan|None|inf\b|\d e|  |\.\.|;\.|, ,|–|_", words), words
        assert words.endswith(".")
        assert all(part[0].isupper() or part[0].isdigit() for part in re.split(r"\. ", words))
    assert headline(told).count(". ") <= 3


def test_without_a_price_or_a_timer_nothing_is_claimed():
    free = facts(2, price=None, economics=NO_CLAIM)
    assert headline(free) == (
        "Two sensors. The second saves 20 m³ a year; without a water price a third cannot be "
        "weighed against its cost. No saving is claimed, because today's watering is not known."
    )


def test_the_plan_that_uses_more_says_why():
    short = facts(1, economics=saving(saved_m3=-30.0))
    assert "uses 30 m³ a year more than today's watering, which leaves 3 of 9 zones" in headline(
        short
    )


def test_a_cheaper_kind_of_control_is_told_in_the_headline():
    cheap = CONTROLS.assign(cost_per_year=[700.0, 300.0])
    words = "a timer with its minutes set right would be cheaper: 700 EUR a year against 975."
    assert words in headline(facts(2, controls=cheap))
    # The rain shut-off passes the stress limit, so that its price does not count.
    assert "rain shut-off would be cheaper" not in headline(facts(2, controls=cheap))


def test_a_sensor_that_saves_no_water_but_money_is_told_as_it_is():
    told = facts(2)
    told.choices.loc[2, "water_m3"] = 490.0
    assert "The second uses 10 m³ a year more and yet is worth 12 EUR" in decision_words(told)


def test_fewer_that_do_not_do_are_told():
    told = facts(2)
    told.choices.loc[1, ["feasible", "used"]] = [False, 0]
    assert decision_words(told).startswith("Two sensors. No fewer would do: with one, no choice")
    told.zones.loc["Z0", "controller"] = "B"
    assert "there are two controllers; a third would cost" in decision_words(told)


def test_every_zone_its_own_and_one_more_not_allowed():
    assert "; every zone has its own." in decision_words(facts(3, zones=3))
    assert "; a third was not allowed." in decision_words(facts(2, most=2))
    assert decision_words(facts(1, zones=3, most=1)) == "One sensor. A second was not allowed."


def test_ordinals_and_their_articles():
    assert [nth(n, article=True) for n in (2, 8, 11, 12, 13, 18, 21, 80)] == [
        "a second", "an eighth", "an eleventh", "a twelfth", "a 13th", "an 18th", "a 21st",
        "an 80th",
    ]  # fmt: skip
    assert [number_word(n) for n in (0, 12, 13)] == ["no", "twelve", "13"]


# Not in the thirstiest zone -----------------------------------------------------------------


@pytest.fixture(scope="module")
def yard():
    return demo_plan("yard")


@pytest.mark.parametrize("name", ["yard", "fields"])
def test_a_plan_says_why_its_sensor_is_not_in_the_thirstiest_zone(name):
    plan = demo_plan(name)
    for tag, sensor in some(plan.sensors.iterrows()):
        group = plan.zones[plan.zones["sensor_id"] == tag]
        thirstiest, note = group["need_score"].idxmax(), sensor["zone_note"]
        if sensor["zone"] == thirstiest:
            assert note == ""
            continue
        assert note.startswith(f"It lies in {sensor['zone']} and not in {thirstiest}, the thirst")
        assert note.removeprefix("It") in plan.answer


def test_notes_say_so_where_the_thirstiest_zone_will_not_do():
    base = Elsewhere("A", "B", alone=False, open_ground=True, cost=math.inf, water_m3=math.inf)

    def said(price=2.0, units="metric", **changes):
        other = replace(base, **changes)
        return zone_note(other, currency="EUR", price=price, units=units)

    assert "no setting keeps every zone" in said()
    assert zone_note(None, currency="EUR", price=2.0, units="us") == ""
    assert "this costs no more" in said(cost=0.1)
    assert "this uses 26,417 gal a year less" in said(None, "us", cost=1e-4, water_m3=100.0)
    assert "no ground there meets every setback" in said(open_ground=False)


def test_the_headline_is_short_and_whole_and_the_notebook_shows_it(yard):
    for units in ("metric", "us"):
        said = yard.wording(units)
        first = said.headline.split(" Against today")[0]
        assert said.answer.startswith(first)
        assert len(said.headline) < 420
    assert yard.headline.replace("'", "&#x27;") in yard._repr_html_()


def test_a_payback_is_never_no_time_at_all():
    assert _years(0.049) == "a few weeks"
    assert _years(0.05) == "0.1 years"
    assert _years(2.74) == "2.7 years"
