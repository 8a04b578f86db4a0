"""Money: printed arithmetic, and silence where nothing may be claimed."""

from __future__ import annotations

import numpy as np
import pytest

from siting.decide.money import Capital, claim, economics, payback_years, saving, sensor_yearly_cost
from siting.site.settings import Costs, Water
from siting.units import FOOT_M, GALLON_M3

GIVEN = Costs(
    device=300, installation=150, trench_per_m=6, wire_per_m=0.8, life_years=10, given=True
)


def capital(costs, *, sensors, trench_m=0.0, wire_m=0.0):
    """What a number of sensors costs to build at prices of a property."""
    return Capital(
        device=float(costs.device * sensors),
        installation=float(costs.installation * sensors),
        trench=costs.trench_per_m * trench_m,
        wire=costs.wire_per_m * wire_m,
    )


BASELINE = np.array([100.0, 120.0, 140.0])
PLAN = np.array([60.0, 70.0, 130.0])


@pytest.mark.closed_form(
    "Cost over yearly saving: 450 US$ over 15 x 6 US$ is 5.0 y; the round 15,000 gal a year "
    "is US EPA WaterSense's"
)
def test_payback_of_an_average_household():
    built = capital(GIVEN, sensors=1)
    price = 6 / (1000 * GALLON_M3)
    year = np.array([15_000 * GALLON_M3])
    money = economics(GIVEN, Water(price), built=built, baseline_m3=year, plan_m3=0 * year)
    assert built.total == 450
    assert money["saved_per_year"] == pytest.approx(90)
    assert money["payback_years"] == pytest.approx(5.0)
    # The trade's 1 to 3 years take 25,000 to 75,000 gal a year at that price.
    assert payback_years(450, 25 * 6) == pytest.approx(3.0)
    assert payback_years(450, 75 * 6) == pytest.approx(1.0)


@pytest.mark.closed_form("1 in on 1,000 ft² is 623.4 gal (144/231 = 0.6234)")
def test_an_inch_on_a_thousand_square_feet():
    volume = 0.0254 * 1000 * FOOT_M**2
    assert volume / GALLON_M3 == pytest.approx(623.4, abs=0.1)
    assert saving(np.array([volume]), np.array([0.0])).mean == pytest.approx(volume)


@pytest.mark.practice("device 150-400 and installation 100-200 US$: payback 1 to 3 years")
def test_what_it_takes_to_pay_back_within_three_years():
    # An over-watered yard: 500 m² at 1,000 mm a year, half of it saved, at 1.32 US$ per m³.
    year = np.array([500.0])
    price = Water(5 / (1000 * GALLON_M3))
    for device, installation in ((150, 100), (400, 200)):
        costs = Costs(device=device, installation=installation, given=True)
        built = capital(costs, sensors=1)
        money = economics(costs, price, built=built, baseline_m3=year, plan_m3=year / 2)
        assert 0.7 <= money["payback_years"] <= 3.0


def test_capital_counts_every_part():
    built = Capital(device=900.0, installation=450.0, trench=240.0, wire=60.0)
    assert built.total == 1650
    assert built.yearly(10) == 165
    each = sensor_yearly_cost(GIVEN, trench_m=np.array([0.0, 40.0]), wire_m=np.array([0.0, 75.0]))
    np.testing.assert_allclose(each, [45, 75])


def test_range_is_that_of_the_weather_years():
    built = capital(GIVEN, sensors=1)
    money = economics(GIVEN, Water(3.0), built=built, baseline_m3=BASELINE, plan_m3=PLAN)
    assert money["saved_m3"] == pytest.approx(100 / 3)
    assert (money["saved_m3_low"], money["saved_m3_high"]) == (10, 50)
    assert money["saved_per_year"] == pytest.approx(100)
    assert (money["saved_per_year_low"], money["saved_per_year_high"]) == (30, 150)
    assert money["payback_years"] == pytest.approx(4.5)
    assert money["payback_years_low"] == pytest.approx(3.0)
    assert money["payback_years_high"] == pytest.approx(15.0)
    assert money["yearly_cost"] == 45
    assert "4.5 years (3.0 to 15.0 by weather year; at 3 % interest 4.9)" in money["claim"]


@pytest.mark.parametrize(
    ("costs", "water", "baseline", "missing", "words"),
    [
        (GIVEN, Water(3.0), None, ("saved_m3", "saved_per_year", "payback_years"), "no timer"),
        (
            GIVEN,
            Water(3.0),
            BASELINE * np.nan,
            ("saved_m3", "saved_per_year", "payback_years"),
            "no timer",
        ),
        (GIVEN, Water(None), BASELINE, ("saved_per_year", "payback_years"), "no water price"),
        (Costs(), Water(3.0), BASELINE, ("payback_years",), "No payback is claimed"),
    ],
)
def test_nothing_is_claimed_without_its_inputs(costs, water, baseline, missing, words):
    built = capital(costs, sensors=1)
    money = economics(costs, water, built=built, baseline_m3=baseline, plan_m3=PLAN)
    for name in ("saved_m3", "saved_per_year", "payback_years"):
        for end in ("", "_low", "_high"):
            assert (money[name + end] is None) == (name in missing)
    assert words in money["claim"]
    assert money["capital"] == built.total


def test_usual_prices_are_called_so():
    words = claim(Costs(), Water(3.0), built=capital(Costs(), sensors=1), volume=None)
    assert "common practice, no source" in words
    assert "common practice" not in claim(
        GIVEN, Water(3.0), built=capital(GIVEN, sensors=1), volume=None
    )


def test_a_plan_that_uses_more_water_never_pays_back():
    built = capital(GIVEN, sensors=1)
    money = economics(GIVEN, Water(3.0), built=built, baseline_m3=PLAN, plan_m3=BASELINE)
    assert money["saved_per_year"] < 0
    assert money["payback_years"] is None
    assert money["payback_years_low"] is None
    assert "uses 33 m³ a year more than today's timer on average (10 to 50" in money["claim"]
    assert "and costs 100 USD more at 3.00 USD per m³ (30 to 150)" in money["claim"]
    assert "never pays back" in money["claim"]


def test_one_bad_year_leaves_the_range_open():
    built = capital(GIVEN, sensors=1)
    plan = np.array([60.0, 70.0, 150.0])
    money = economics(GIVEN, Water(3.0), built=built, baseline_m3=BASELINE, plan_m3=plan)
    assert money["payback_years"] == pytest.approx(450 / 80)
    assert money["payback_years_high"] is None
    assert "never, were every year like the worst" in money["claim"]
