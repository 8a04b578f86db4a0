"""No text of any plan holds a number that is none: zero prices, costs, rain and minutes."""

import re

import numpy as np
import pandas as pd
import pytest

from siting.decide.money import Capital, Saving, claim
from siting.planning.make import plan_property, replan
from siting.site.settings import Costs, Water
from siting.units import figure
from tests.all_texts import all_texts
from tests.small_property import write_property

NO_NUMBER = re.compile(r"(?<![A-Za-z])[-+−]?(?:nan|inf|infinity)(?![A-Za-z])", re.IGNORECASE)
FREE = {f"costs__{key}": 0.0 for key in ("device", "installation", "trench_per_m", "wire_per_m")}
FREE |= {"hardware__kinds": ["add_on"]}
IDLE = {f"timer.minutes.{zone}": 0 for zone in "012"}


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    return plan_property(write_property(tmp_path_factory.mktemp("rain"), years=1, scenarios=2))


@pytest.fixture(scope="module")
def rainless(tmp_path_factory):
    file = write_property(tmp_path_factory.mktemp("dry"), years=1, scenarios=2)
    weather = pd.read_csv(file.parent / "weather.csv")
    weather["rain_mm"] = 0.0
    weather.to_csv(file.parent / "weather.csv", index=False)
    return plan_property(file)


@pytest.mark.parametrize(
    ("ground", "changes"),
    [
        ("planned", {"water__price": 0.0}),
        ("planned", FREE),
        ("planned", IDLE),
        ("rainless", {"water__price": 0.0} | FREE | IDLE),
    ],
    ids=["no price", "no cost", "no minutes", "no price, cost, rain, minutes"],
)
def test_no_text_of_any_plan_holds_a_number_that_is_none(ground, changes, tmp_path, request):
    texts = all_texts(replan(request.getfixturevalue(ground), **changes), tmp_path / "out")
    assert {"map", "crew.pdf", "plan.json", "sensors.csv", "terminal"} <= set(texts)
    found = {name: NO_NUMBER.findall(text) for name, text in texts.items()}
    assert not {name: hits for name, hits in found.items() if hits}


@pytest.mark.parametrize("ground", ["planned", "rainless"])
def test_timers_on_free_water_cost_nothing_and_the_cheapest_is_told(ground, request):
    free = replan(request.getfixturevalue(ground), water__price=0.0)
    timers = free.controls.loc[["timer, its minutes set right", "rain shut-off"]]
    assert timers["cost_per_year"].tolist() == [0.0, 0.0]
    told = "would be cheaper: 0 USD a year against" in free.headline
    assert told == bool(timers["within_limit"].any())


@pytest.mark.parametrize("cost", [0.0, 450.0])
@pytest.mark.parametrize("price", [0.0, 2.0, None])
@pytest.mark.parametrize("saved", [-40.0, 0.0, 40.0])
def test_claims_hold_finite_numbers_alone(cost, price, saved):
    volume = Saving(saved, saved - 10, saved + 10, saved - 5, saved + 5)
    built = Capital(cost, 0, 0, 0)
    for given in (True, False):
        told = claim(Costs(given=given), Water(price=price), built=built, volume=volume)
        assert not NO_NUMBER.search(told), told


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, None])
def test_what_is_no_number_is_a_dash_in_a_sentence(value):
    assert figure(value, 1) == "–"
