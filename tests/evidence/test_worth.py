"""What a measurement is worth: against all rules of action, closed forms, and on a whole plan."""

import dataclasses
import itertools

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from siting.decide.measuring import COLUMNS, _price_of_a_day
from siting.evidence.walk import (
    Ground,
    _apart,
    chances_of_best,
    chances_once_read,
    known_at,
    outcome_chances,
    smoothed,
    worth_of,
)
from siting.handoff.document import plan_document
from siting.handoff.facts import measuring_words
from tests.demo_plans import demo_plan


@pytest.mark.cross_check("every rule that gives each outcome an action, tried one by one")
def test_worth_is_that_of_the_best_rule_of_all():
    random = np.random.default_rng(3)
    for _ in range(20):
        now, then = random.uniform(0, 10, (2, 3, 5))
        likely = outcome_chances(random.standard_normal((1, 5)), np.array([0.7]))
        rules = itertools.product(range(3), repeat=5)
        best = min(
            sum(likely[s, t] * then[rule[t], s] for s in range(5) for t in range(5)) / 5
            for rule in rules
        )
        expected = max(now.mean(axis=1).min() - best, 0.0)
        assert worth_of(now, then, likely).value == pytest.approx(expected, abs=1e-12)


@pytest.mark.published("Raiffa and Schlaifer 1961: value of a sample under a linear loss")
def test_worth_of_a_normal_sample_is_the_unit_normal_loss():
    draws = ndtri((np.arange(400) + 0.5) / 400)
    loss = np.stack([np.full(400, 0.3), draws])  # do nothing, or take what comes
    for error in (0.3, 1.0, 2.0):
        found = worth_of(loss, loss, outcome_chances(draws[None], np.array([error]))).value
        moved = 1 / np.sqrt(1 + error**2)  # standard deviation of the mean after the sample
        at = 0.3 / moved
        unit_loss = np.exp(-(at**2) / 2) / np.sqrt(2 * np.pi) - at * ndtr(-at)
        assert found == pytest.approx(moved * unit_loss, rel=0.03)


@pytest.mark.closed_form("knowing all is worth the mean regret, knowing nothing is worth nothing")
def test_between_everything_and_nothing():
    loss = np.random.default_rng(5).uniform(0, 10, (4, 30))
    draws = np.arange(30.0)[None]
    regret = (loss - loss.min(axis=0)).mean(axis=1).min()
    assert worth_of(loss, loss, outcome_chances(draws, np.array([1e-3]))).value == (
        pytest.approx(regret)
    )
    blind = worth_of(loss, loss, outcome_chances(draws, np.array([1e9])))
    assert blind.value == pytest.approx(0.0, abs=1e-6)
    values = [
        worth_of(loss, loss, outcome_chances(draws, np.array([error]))).value
        for error in (0.1, 1.0, 5.0, 50.0)
    ]
    assert values == sorted(values, reverse=True)


def test_the_luck_of_few_draws_is_not_knowledge():
    random = np.random.default_rng(8)
    loss, draws = random.standard_normal((5, 64)), random.standard_normal((1, 64))
    likely = outcome_chances(draws, np.array([0.3]))
    raw = worth_of(loss, loss, likely).value
    even = smoothed(loss, draws)
    assert even.mean(axis=1) == pytest.approx(loss.mean(axis=1))
    assert worth_of(even, even, likely).value < raw / 2
    assert smoothed(loss[:, :6], draws[:, :6]) is not loss
    assert (smoothed(loss[:, :3], draws[:, :3]) == loss[:, :3]).all()


@pytest.mark.cross_check("many drawn grounds")
def test_the_driest_of_several_by_what_is_known():
    random = np.random.default_rng(2)
    for known, places in ((0.5, 60), (0.75, 18), (0.75, 400)):
        left = np.sqrt(1 - known**2)
        thought = known * random.standard_normal((4_000, places))
        # The rank of each place, and what it is expected to be off by, over twenty draws of it.
        ranks = ndtr(thought[:200, :, None] + left * ndtri((np.arange(20) + 0.5) / 20))
        least = ((ranks - 0.875) ** 2).mean(axis=2).argmin(axis=1)
        aimed = thought[np.arange(200), least].max()
        score = np.minimum(thought.max(axis=1), aimed)
        truth = score + left * random.standard_normal(4_000)
        driest, wetter = chances_of_best(known, places)
        assert driest == pytest.approx((truth > ndtri(0.75)).mean(), abs=0.025)
        assert wetter == pytest.approx((truth < 0).mean(), abs=0.025)
    few, many = (chances_once_read(Ground(0.0, 0.09, 1.8, a), 0.5)[0] for a in (360.0, 6000.0))
    assert few < 0.8
    assert many > 0.9  # a large zone has more patches to choose from
    # Of a field all over a zone the greatest is that of more values than it has patches.
    random = np.random.default_rng(4)
    x, y = (p.ravel() for p in np.meshgrid(np.arange(0, 19, 0.5), np.arange(0, 19, 0.5)))
    waves, phase = random.standard_normal((2, 300)) / 1.84, random.uniform(0, 2 * np.pi, 300)
    waved = np.cos(np.column_stack([x, y]) @ waves + phase) * np.sqrt(2 / 300)
    summit = np.median((waved @ random.standard_normal((300, 400))).max(axis=0))
    alike = _apart(19**2 / 1.84**2)
    assert summit == pytest.approx(ndtri(0.5 ** (1 / alike)), abs=0.1)
    assert known_at(0.0, 0.6) == pytest.approx(0.6)
    assert known_at(0.9, 0.6) > np.sqrt(0.9)


def test_a_dry_day_costs_what_the_last_of_them_costs_in_water():
    money = [np.linspace(70, 130, 7)[None, :, None]]
    short = [np.array([40.0, 30, 20, 10, 5, 2, 1])[None, :, None]]
    assert _price_of_a_day(money, short, 100.0, 0.5) == pytest.approx(20 / 15 * 0 + 1.0)
    assert _price_of_a_day(money, short, 10.0, 5.0) == pytest.approx(20 / 15)
    assert _price_of_a_day(money, [np.ones((1, 7, 1))], 10.0, 5.0) == pytest.approx(2.0)


@pytest.mark.parametrize("name", ["yard", "fields"])
def test_nothing_is_recommended_that_changes_nothing(name):
    plan = demo_plan(name)
    table = plan.measuring
    assert tuple(table.columns) == COLUMNS
    idle = table["changes"] == ""
    assert not table.loc[idle, "recommended"].any()
    assert (table.loc[idle, "worth_per_year"] == 0).all()
    assert (table["p_then"] >= table["p_now"]).all()
    assert (table["worth_per_year"] >= 0).all()
    good = table[table["recommended"]]
    assert (good["gain_per_year"] > 0).all()
    assert good["gain_per_year"].is_monotonic_decreasing
    assert plan_document(plan)["measuring"][0]["measure"] == table["measure"].iloc[0]


def test_what_is_worth_measuring_in_words():
    plan = demo_plan("yard")
    row = {
        "measure": "can_test", "zone": "Back lawn", "worth_per_year": 60.4, "days_kept_off": 0.21,
        "hours": 2 / 3, "cost": 30.0, "gain_per_year": 57.4, "p_now": 0.5, "p_then": 0.75,
        "changes": "place, minutes", "recommended": True,
    }  # fmt: skip
    dear = row | {"measure": "jar_test", "zone": "", "recommended": False}
    idle = dear | {"measure": "drone_flight", "changes": "", "worth_per_year": 0.0}
    table = type(plan.measuring)([row, dear, idle])
    assert measuring_words(dataclasses.replace(plan, measuring=table)) == [
        "Measure the cans of Back lawn: 40 minutes and 30 AUD in all; worth 60 AUD a year, "
        "0.2 dry days of a season fewer; 75 instead of 50 in 100 that the sensor is in the driest "
        "quarter; it may change the place and the minutes.",
        "Not worth what it takes here: a jar test of the soil.",
        "Changes nothing here: the drone.",
    ]
    assert measuring_words(dataclasses.replace(plan, measuring=table.iloc[:0])) == []
    much = type(plan.measuring)([row | {"worth_per_year": 337.2}])
    [told] = measuring_words(dataclasses.replace(plan, measuring=much))
    assert "worth 340 AUD a year" in told  # no surer than the draws
