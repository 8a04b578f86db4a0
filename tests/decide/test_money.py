"""Tiers, bills, interest; what a payback of one to three years takes."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.decide.money import (
    Capital,
    Saving,
    TodayStress,
    average_price,
    claim,
    discounted_payback_years,
    economics,
    hardware_capital,
    net_present_value,
    payback_years,
    saving,
    sensor_yearly_cost,
    water_cost,
)
from siting.site.settings import HARDWARE, Bills, Costs, Tier, Water
from siting.units import GALLON_M3
from tests.decide.test_economics import capital

KGAL = 1000 * GALLON_M3
STEPS = Water(tiers=(Tier(10, 1.0), Tier(30, 2.5), Tier(math.inf, 5.0)))
GIVEN = Costs(device=300, installation=150, given=True)


def by_hand(used: float, other: float) -> float:
    """Price a month litre by litre, coarsely."""
    edges = np.arange(other, other + used, 0.01)
    price = np.where(edges < 10, 1.0, np.where(edges < 30, 2.5, 5.0))
    return float(0.01 * price.sum())


@given(used=st.floats(0.5, 60), other=st.floats(0, 40))
def test_tiers_are_filled_from_below_and_other_use_comes_first(used, other):
    water = Water(tiers=STEPS.tiers, other_use_m3=other)
    assert water_cost(water, np.array([used])) == pytest.approx(by_hand(used, other), abs=0.15)


def test_months_are_billed_apart_and_one_price_is_one_tier():
    # 20 m³ in one month and none in the next costs more than 10 in each.
    assert water_cost(STEPS, np.array([20.0, 0.0])) == 10 + 25
    assert water_cost(STEPS, np.array([10.0, 10.0])) == 20
    one = Water(tiers=(Tier(math.inf, 2.0),))
    monthly = np.random.default_rng(1).uniform(0, 90, (7, 3, 5))
    np.testing.assert_allclose(water_cost(one, monthly), water_cost(Water(2.0), monthly))
    assert water_cost(Water(2.0), monthly).shape == (3, 5)
    assert np.isnan(water_cost(Water(), np.array([3.0])))


def test_average_price_lies_between_the_tiers():
    assert average_price(STEPS, np.array([5.0])) == 1.0
    assert average_price(STEPS, np.array([20.0])) == 35 / 20
    assert average_price(STEPS, np.zeros(3)) == 1.0
    assert average_price(Water(2.1), np.zeros(3)) == 2.1
    assert average_price(Water(), np.ones(3)) is None


def test_the_minimum_month_is_taken_as_indoor_use():
    metered = {1: 12.0, 6: 40.0, 7: 52.0}
    assert Bills(metered).outdoor_m3 == metered
    assert Bills(metered, everything=True).outdoor_m3 == {1: 0.0, 6: 28.0, 7: 40.0}


@given(saved=st.floats(20, 400), rate=st.floats(0, 0.15), total=st.floats(100, 3000))
def test_discounted_payback_is_where_the_present_value_is_nothing(saved, rate, total):
    years = discounted_payback_years(total, saved, rate=rate)
    if years is None:
        assert saved <= total * rate * (1 + 1e-12)
        return
    assert years >= payback_years(total, saved) * (1 - 1e-9)
    assert net_present_value(total, saved, years=years, rate=rate) == pytest.approx(
        0, abs=1e-6 * total
    )


def test_ranges_over_years_and_over_scenarios():
    today = np.array([[100.0, 120.0], [100.0, 120.0]])
    plan = np.array([[60.0, 70.0], [80.0, 110.0]])
    found = saving(today, plan)
    assert found.mean == (40 + 50 + 20 + 10) / 4
    assert (found.low, found.high) == (30, 30)
    assert (found.scenario_low, found.scenario_high) == (15, 45)
    money = economics(
        GIVEN, Water(3.0), built=capital(GIVEN, sensors=1), baseline_m3=today, plan_m3=plan
    )
    assert money["payback_years_scenario_low"] == pytest.approx(450 / 135)
    assert money["payback_years_scenario_high"] == pytest.approx(450 / 45)
    assert money["payback_discounted_years"] > money["payback_years"]
    assert money["net_present_value"] == pytest.approx(
        net_present_value(450, 90, years=10, rate=0.03)
    )


def test_tiers_pay_more_for_the_last_drops():
    today, plan = np.array([[300.0]]), np.array([[200.0]])
    months = np.full((10, 1, 1), 30.0), np.full((10, 1, 1), 20.0)
    bills = tuple(water_cost(STEPS, part) for part in months)
    money = economics(
        GIVEN, STEPS, built=capital(GIVEN, sensors=1), baseline_m3=today, plan_m3=plan, bills=bills
    )
    assert money["saved_per_year"] == pytest.approx(100 * 2.5)
    assert "tiers" in money["claim"]


def test_a_timer_with_inputs_is_paid_once():
    both = hardware_capital(Costs(), [(HARDWARE[1], 3), (HARDWARE[0], 2)], trench_m=10, wire_m=5)
    assert both.device == 400 + 3 * 150 + 2 * 275
    assert both.installation == 200 + 3 * 100 + 2 * 150
    assert (both.trench, both.wire) == (60, 4)


def test_a_plan_that_uses_more_says_that_today_leaves_plants_short():
    built = capital(GIVEN, sensors=1)
    more = saving(np.array([400.0, 500.0]), np.array([700.0, 804.0]))
    stress = TodayStress({"Front": 61.0, "Back": 0.0, "Strip": 22.0}, 5.0)
    words = claim(GIVEN, Water(2.0), built=built, volume=more, today=stress)
    assert words.startswith("The plan uses 302 m³ a year more than today's timer on average")
    assert "because today's timer leaves plants short: 2 of 3 zones pass 5 stress days" in words
    assert "(Front 61, Strip 22 days)" in words
    assert "and costs 604 USD more" in words
    assert "-302" not in words
    fine = claim(GIVEN, Water(2.0), built=built, volume=more, today=TodayStress({"F": 3.0}, 5.0))
    assert "sensors gain nothing here" in fine
    less = saving(np.array([700.0]), np.array([400.0]))
    assert "although today's timer leaves plants short" in claim(
        GIVEN, Water(2.0), built=built, volume=less, today=stress
    )


@pytest.mark.practice(
    "device 150-400 and installation 100-200 US$ pay back in 1 to 3 years for a typical "
    "over-watered yard at a moderate price; no source"
)
def test_what_a_payback_of_one_to_three_years_takes(capsys):
    lines = []
    for device, installation in ((150, 100), (275, 150), (400, 200)):
        total = device + installation
        for price in (3.0, 6.0, 12.0):
            needs = [total / (price * years) for years in (3, 1)]
            lines.append(
                f"{total} US$ at {price:g} US$/kgal: 3 years take {needs[0]:.0f} kgal saved a "
                f"year, 1 year {needs[1]:.0f}"
            )
            for kgal, years in zip(needs, (3, 1), strict=True):
                costs = Costs(device=device, installation=installation, given=True)
                money = economics(
                    costs, Water(price / KGAL), built=capital(costs, sensors=1),
                    baseline_m3=np.array([kgal * KGAL]), plan_m3=np.zeros(1),
                )  # fmt: skip
                assert money["payback_years"] == pytest.approx(years)
    # A typical over-watered yard: 5,000 ft² at 1 in too much a week for 30 weeks is 93 kgal a year.
    wasted = 5_000 * 144 / 231 / 1000 * 30
    assert wasted == pytest.approx(93.5, abs=0.1)
    for total in (250, 425, 600):
        years = payback_years(total, 0.5 * wasted * 6)  # half of it saved, at 6 US$/kgal
        lines.append(f"half of {wasted:.0f} kgal saved at 6 US$/kgal: {total} US$ in {years:.1f} y")
        assert 0.8 <= years <= 3
    # The average household (15 kgal saved a year) does not get there at the middle price.
    average = payback_years(425, 15 * 6)
    lines.append(f"average household, 15 kgal at 6 US$/kgal: 425 US$ in {average:.1f} y")
    assert average > 3
    with capsys.disabled():
        print("\n" + "\n".join(lines))


def told(costs, water, *, built=450.0, volume=None, money=None, today=None, units="metric"):
    """Return the claim of a plan that costs one sum."""
    whole = Capital(built, 0.0, 0.0, 0.0)
    return claim(costs, water, built=whole, volume=volume, money=money, today=today, units=units)


@pytest.mark.parametrize(
    ("zones", "short", "named"),
    [
        ({"A": 9, "B": 5, "C": 5.4}, 2, "A 9, C 5 days"),
        ({"A": 9, "B": 12, "C": 30}, 3, "C 30, B 12, A 9 days"),
        (
            {"E": 9, "D": 9, "C": 30, "B": 7, "A": 6, "F": 0},
            5,
            "C 30, D 9, E 9 days, and 2 more zones",
        ),
    ],
)
def test_zones_short_of_water_are_named_worst_first_and_three_at_most(zones, short, named):
    """A zone at the limit is not short; equal days go by name; the others are counted."""
    stress = TodayStress({zone: float(days) for zone, days in zones.items()}, 5.0)
    more = saving(np.array([400.0]), np.array([500.0]))
    assert (
        f"{short} of {len(zones)} zones pass 5 stress days in the worst season out of ten ({named})"
        in told(GIVEN, Water(2.0), volume=more, today=stress)
    )


def test_a_timer_that_keeps_every_zone_needs_no_word_where_water_is_saved():
    fine = TodayStress({"F": 5.0}, 5.0)
    less = saving(np.array([500.0]), np.array([400.0]))
    for today in (fine, None):
        words = told(GIVEN, Water(2.0), volume=less, today=today)
        assert "stress days" not in words
        assert "sensors gain nothing" not in words
    more = saving(np.array([400.0]), np.array([500.0]))
    assert "stress days" not in told(GIVEN, Water(2.0), volume=more)


def test_what_is_saved_is_worth_its_price_and_what_is_used_more_costs_it():
    """By hand at 2 a m³: 100, 40 to 160 m³ are 200, 80 to 320."""
    volume = Saving(100.0, 40.0, 160.0)
    saved = told(GIVEN, Water(2.0), volume=volume)
    assert "saves water: 100 m³ a year on average (40 to 160 over the weather years)" in saved
    assert "worth 200 USD at 2.00 USD per m³ (80 to 320)" in saved
    spent = told(GIVEN, Water(2.0), volume=Saving(-100.0, -160.0, -40.0))
    assert "uses 100 m³ a year more than today's timer on average (40 to 160 over" in spent
    assert "and costs 200 USD more at 2.00 USD per m³ (80 to 320)" in spent
    nothing = told(GIVEN, Water(2.0), volume=Saving(0.0, 0.0, 0.0))
    assert "saves water: 0" in nothing
    assert "worth 0 USD at" in nothing


def test_us_amounts_and_prices_are_in_gallons():
    """1,000 m³ are 264,172 gal; 2 a m³ is 7.57 for 1,000 gal."""
    words = told(GIVEN, Water(2.0), volume=Saving(1000.0, 1000.0, 1000.0), units="us")
    assert "264,172 gal a year on average (264,172 to 264,172 over" in words
    assert "worth 2,000 USD at 7.57 USD per 1,000 gal (2,000 to 2,000)" in words
    assert "m³" not in words


def test_with_tiers_no_single_price_is_told():
    money = Saving(250.0, 200.0, 300.0)
    words = told(GIVEN, STEPS, volume=Saving(100.0, 90.0, 110.0), money=money)
    assert "worth 250 USD month by month on the price's tiers (200 to 300)" in words


def test_every_figure_of_a_saving_is_priced_and_every_range_pays_back():
    """By hand: 4 seasons of 2 scenarios save 10, 30 and 50, 70 m³; 3 a m³; 450 to build."""
    today = np.full((2, 2), 100.0)
    plan = np.array([[90.0, 70.0], [50.0, 30.0]])
    built = capital(GIVEN, sensors=1)
    found = economics(GIVEN, Water(3.0), built=built, baseline_m3=today, plan_m3=plan)
    ends = ("", "_low", "_high", "_scenario_low", "_scenario_high")
    assert [found[f"saved_m3{end}"] for end in ends] == [40, 30, 50, 20, 60]
    assert [found[f"saved_per_year{end}"] for end in ends] == [120, 90, 150, 60, 180]
    pays = [found[f"payback_years{end}"] for end in ends]
    assert pays == pytest.approx([450 / x for x in (120, 150, 90, 180, 60)])
    assert (found["device"], found["installation"], found["trench"], found["wire"]) == (
        300,
        150,
        0,
        0,
    )
    assert found["currency"] == "USD"


def test_bills_that_are_not_known_fall_back_on_the_price():
    built = capital(GIVEN, sensors=1)
    today, plan = np.array([100.0]), np.array([40.0])
    bills = np.array([500.0]), np.array([100.0])
    args = {"built": built, "baseline_m3": today, "plan_m3": plan}
    assert economics(GIVEN, Water(3.0), **args, bills=bills)["saved_per_year"] == 400
    unknown = np.array([np.nan]), bills[1]
    assert economics(GIVEN, Water(3.0), **args, bills=unknown)["saved_per_year"] == 180
    assert economics(GIVEN, Water(None), **args, bills=unknown)["saved_per_year"] is None
    none = economics(GIVEN, Water(3.0), built=built, baseline_m3=np.empty(0), plan_m3=plan)
    assert none["saved_m3"] is None
    assert none["net_present_value"] is None


def test_nothing_saved_pays_nothing_back_and_a_little_does():
    assert payback_years(450, 0.0) is None
    assert payback_years(450, -1.0) is None
    assert payback_years(450, 0.5) == 900


def test_the_yearly_cost_of_a_sensor_is_its_capital_over_its_life():
    costs = Costs(device=300, installation=150, trench_per_m=6, wire_per_m=0.8, life_years=8)
    each = sensor_yearly_cost(costs, trench_m=10.0, wire_m=20.0)
    assert float(each) == pytest.approx((300 + 150 + 60 + 16) / 8)
    assert Capital(300.0, 150.0, 60.0, 16.0).yearly(8) == pytest.approx(65.75)


def test_figures_of_money_stay_as_they_are():
    for figure in (Capital(1, 2, 3, 4), Saving(1, 0, 2), TodayStress({}, 5.0)):
        with pytest.raises(FrozenInstanceError):
            figure.total = 0.0


def test_payback_over_years_and_scenarios_by_hand_without_interest():
    """1,000 to build; 250 a year, 200 to 400 over the years, 100 to 500 over the scenarios."""
    plain = Costs(discount_rate=0.0, given=True)
    volume = Saving(125.0, 100.0, 200.0, 50.0, 250.0)
    words = told(plain, Water(2.0), built=1000.0, volume=volume)
    assert "4.0 years (2.5 to 5.0 by weather year, 2.0 to 10.0 by scenario)" in words
    volume = Saving(125.0, 100.0, 200.0, -1.0, 250.0)
    words = told(plain, Water(2.0), built=1000.0, volume=volume)
    assert "4.0 years (2.5 to 5.0 by weather year, 2.0 to never by scenario)" in words
    # Where no scenario pays, nothing is said of scenarios; nor of years that never pay.
    volume = Saving(125.0, 100.0, 200.0, -5.0, -2.5)
    words = told(plain, Water(2.0), built=1000.0, volume=volume)
    assert "4.0 years (2.5 to 5.0 by weather year)" in words
    words = told(plain, Water(2.0), built=1000.0, volume=Saving(-0.5, -1.0, 0.0))
    assert "it never pays back in water: the plan uses more water than today" in words
