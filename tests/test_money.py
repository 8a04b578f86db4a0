"""Tiers, bills, interest; what a payback of one to three years takes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.economics import (
    TodayStress,
    average_price,
    capital,
    claim,
    discounted_payback_years,
    economics,
    hardware_capital,
    net_present_value,
    payback_years,
    saving,
    water_cost,
)
from siting.site.settings import HARDWARE, Bills, Costs, Tier, Water
from siting.units import GALLON_M3

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
