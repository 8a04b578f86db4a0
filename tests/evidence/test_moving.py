"""A sensor that lies where it should not: what moving it costs, and whether that pays."""

import dataclasses

import pytest

from siting.commission.place import Fix, check_place, moving_words
from tests.demo_plans import demo_plan


@pytest.fixture(scope="module")
def yard():
    return demo_plan("yard")


def lying(plan, x, y, error=0.1):
    return check_place(plan, "S1", Fix(x, y, error, (), "3 ties"))


def wettest(plan):
    """Return the place of the sensor's zone that the map has as the least dry."""
    ground = plan.basis.survey.ground
    z = ground.pixels.zones.index(plan.sensors["zone"].iloc[0])
    low = ground.dryness[z].mean(axis=0).argmin()
    return float(ground.pixels.x[z][low]), float(ground.pixels.y[z][low])


def priced(plan, **spots):
    printed = dataclasses.replace(plan.basis.printed, spots=spots)
    return dataclasses.replace(plan, basis=dataclasses.replace(plan.basis, printed=printed))


def test_what_a_wrong_spot_costs_is_played_for_every_sensor(yard):
    assert set(yard.basis.printed.spots) == set(yard.sensors["zone"])
    for losses in yard.basis.printed.spots.values():
        assert losses.shape == (4,)
        assert (losses > 0).all()


def test_nothing_is_said_of_a_sensor_where_it_was_planned(yard):
    sensor = yard.sensors.loc["S1"]
    assert moving_words(yard, lying(yard, sensor["x"] + 0.3, sensor["y"])) == ()
    assert moving_words(yard, lying(yard, sensor["x"] + 500, sensor["y"])) == ()


def test_moving_pays_where_the_wrong_spot_costs_more_a_year(yard):
    zone, costs = yard.sensors["zone"].iloc[0], yard.settings.costs
    x, y = wettest(yard)
    at = lying(yard, x, y)
    away = at.moved_m * (costs.trench_per_m + costs.wire_per_m)
    cheap = costs.installation + away
    [pays] = moving_words(priced(yard, **{zone: [0.0, cheap, 2 * cheap, 2 * cheap]}), at)
    assert f"Moving it costs about {cheap:,.0f} AUD" in pays
    assert "pays itself in" in pays
    [stays] = moving_words(priced(yard, **{zone: [0.0, 0.01, 0.02, 0.02]}), at)
    assert "it does not pay" in stays
    [own] = moving_words(yard, at)
    assert ("pays itself" in own) != ("does not pay" in own)
