"""The seed of the scenarios decides nothing: number, homes and kind stay, or a tie is told."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from siting._plan_decide import decide_plan
from siting._plan_scenarios import draw_scenarios
from siting.planning import plan_property
from tests.demo_plans import demo_plan
from tests.ordinary import ordinary_yard

#: The plan's water over the seeds, from least to greatest, as a share of its mean: what 64 draws
#: give on the worst of the demos, the yard (13 %; the others 5 %). What is saved is the small
#: difference of two large amounts, so that it differs by more.
SPREAD = 0.15
#: What is asked of the saving.
WANTED = 0.05


@cache
def planned(name):
    return demo_plan(name)


class Answer:
    """What is decided on one draw of the scenarios."""

    def __init__(self, plan, seed, count=64):
        known = replace(plan.basis.known, scenarios=draw_scenarios(count, seed=seed))
        decided = decide_plan(plan.site, plan.settings, known, plan.basis.placements)
        decision, simulated = decided.decision, decided.simulated
        names = [str(zone) for zone in decision.options.zones.index]
        zones = decision.governors.zone
        self.homes = {names[int(zones[j])] for j in decision.choice.sensors}
        self.kinds = {decision.governors.kind[j] for j in decision.choice.sensors}
        self.number = decision.choice.used
        self.ties = {self.number, *decision.facts["tie_numbers"]}
        told = decision.facts["tie_homes"]
        self.places = self.homes.union(*told.values())
        used = simulated.volume(simulated.plan).sum(axis=0).mean()
        self.used = float(used)
        self.saved = float(simulated.volume(simulated.timer).sum(axis=0).mean() - used)


def hold(answers):
    """Hold every pair of answers to one another."""
    first = answers[0]
    for other in answers[1:]:
        assert other.kinds == first.kinds
        assert other.number in first.ties or first.number in other.ties
        if other.number == first.number:
            assert other.homes <= first.places or first.homes <= other.places
    used = np.array([answer.used for answer in answers])
    assert np.ptp(used) <= SPREAD * used.mean()


def test_the_yard_is_the_same_over_seeds():
    answers = [Answer(planned("yard"), seed) for seed in (1, 2, 3, 19)]
    hold(answers)
    assert {answer.number for answer in answers} == {1}


@pytest.mark.long
@pytest.mark.parametrize(
    ("name", "seeds"), [("yard", 20), ("court", 20), ("fields", 6), ("campus", 6)]
)
def test_the_demos_are_the_same_over_seeds(name, seeds):
    hold([Answer(planned(name), seed) for seed in range(1, seeds + 1)])


@pytest.mark.long
@pytest.mark.xfail(strict=True, reason="64 draws: the yard's saving is 53 to 76 m3 over the seeds")
def test_the_saving_is_the_same_over_seeds():
    saved = np.array([Answer(planned("yard"), seed).saved for seed in (1, 2, 3, 19)])
    assert np.ptp(saved) <= WANTED * saved.mean()


@pytest.mark.long
@pytest.mark.parametrize("name", ["yard", "court"])
def test_twice_the_draws_change_no_answer(name):
    hold([Answer(planned(name), 1), Answer(planned(name), 1, count=128)])


@pytest.mark.long
@pytest.mark.parametrize("number", range(5))
def test_ordinary_yards_are_the_same_over_seeds(number, tmp_path):
    plan = plan_property(ordinary_yard(tmp_path, number, more="scenarios = 64\n").path)
    hold([Answer(plan, seed) for seed in range(1, 7)])
