"""Exact choice of sensors against exhaustive enumeration, equal zones, ties and plain rules."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from siting.decide import choose
from siting.decide.choose import (
    Candidates,
    cheapest,
    choose_sensors,
    evaluate,
    fixed_zones,
    plain_rules,
)
from siting.errors import InputError
from tests.decide.test_facility import holds_the_optimum


def chosen(rows):
    return rows[cheapest(rows)]


def random_property(seed: int) -> Candidates:
    """One to six zones with one to three settings each; some pairs are not allowed."""
    rng = np.random.default_rng(seed)
    zones, settings = int(rng.integers(1, 7)), int(rng.integers(1, 4))
    zone = np.repeat(np.arange(zones), settings)
    need = rng.uniform(20, 200, zones)
    cost = need[None] * rng.uniform(0.8, 2.2, (len(zone), zones))
    cost[np.arange(len(zone)), zone] = need[zone] * rng.uniform(0.8, 1.1, len(zone))
    cost[rng.random(cost.shape) < rng.choice([0.0, 0.15, 0.4])] = np.inf
    fixed = rng.uniform(5, 120) * rng.uniform(0.8, 1.3, len(zone))
    return Candidates(zone, cost, fixed, tuple("" for _ in zone))


def by_enumeration(candidates: Candidates, n: int, zones: set[int] | None = None) -> float:
    """Least cost over every set of up to n candidates, at most one in a zone, written out."""
    count, every = len(candidates.zone), range(candidates.cost.shape[1])
    best = math.inf
    for size in range(1, n + 1):
        for chosen in itertools.combinations(range(count), size):
            home = {int(candidates.zone[j]): j for j in chosen}
            if len(home) < size or (zones is not None and set(home) != zones):
                continue
            total = sum(float(candidates.fixed[j]) for j in chosen)
            for z in every:
                served = [home[z]] if z in home else list(chosen)
                total += min(float(candidates.cost[j, z]) for j in served)
            best = min(best, total)
    return best


@pytest.mark.parametrize("seed", range(60))
@pytest.mark.parametrize("priced", ["all", "some", "none"])  # of the sets of candidates
def test_the_optimum_is_that_of_exhaustive_enumeration(seed, priced, monkeypatch):
    for rule in {"all": (), "some": ("FEW_SETS",), "none": ("FEW_SETS", "MOST_SETS")}[priced]:
        monkeypatch.setattr(choose, rule, 0)
    choice = holds_the_optimum(random_property(seed), by_enumeration)
    if cheapest(choice) is not None:
        assert chosen(choice).cost == min(row.cost for row in choice if row.feasible)


@pytest.mark.parametrize("seed", range(0, 60, 5))
def test_curve_values_add_up_and_never_fall_below_zero(seed):
    rows = choose_sensors(random_property(seed), max_sensors=6)
    assert [row.n for row in rows] == [1, 2, 3, 4, 5, 6]
    assert math.isnan(rows[-1].value_of_next)
    for row, after in itertools.pairwise(rows):
        if row.feasible:
            assert row.value_of_next == row.cost - after.cost >= 0
            assert row.value_of_next == 0 or row.value_of_next > 1e-6 * row.cost
        else:
            assert math.isnan(row.value_of_next)


def test_equal_zones_need_exactly_one_sensor_and_the_second_is_worth_exactly_nothing():
    zones, settings = 5, 3
    zone = np.repeat(np.arange(zones), settings)
    # Water alone (the sensors cost nothing), and a figure with no short binary form.
    cost = np.full((15, zones), 100 / 3)
    for fixed in (0.0, 42.5):
        choice = choose_sensors(
            Candidates(zone, cost, np.full(15, fixed), ("",) * 15), max_sensors=zones
        )
        assert chosen(choice).n == 1
        assert chosen(choice).used == 1
        assert all(row.value_of_next == 0.0 for row in choice[:-1])
        assert {row.sensors for row in choice} == {(0,)}


def test_sunny_turf_and_shaded_ornamentals_get_a_sensor_each():
    # Following the other kind's events costs half as much water again; a sensor is cheap.
    cost = np.array(
        [[100, 100, 60, 60], [100, 100, 60, 60], [160, 160, 40, 40], [160, 160, 40, 40]], float
    )
    zone = np.arange(4)
    choice = choose_sensors(Candidates(zone, cost, np.full(4, 30.0), ("",) * 4), max_sensors=4)
    assert chosen(choice).sensors == (0, 2)
    assert chosen(choice).governor.tolist() == [0, 0, 2, 2]
    assert choice[0].value_of_next == pytest.approx(320 + 30 - (280 + 60))
    assert choice[1].value_of_next == 0.0
    dear = choose_sensors(Candidates(zone, cost, np.full(4, 50.0), ("",) * 4), max_sensors=4)
    assert chosen(dear).used == 1


def test_ties_go_to_the_candidates_named_first_whatever_their_order_of_zones():
    cost = np.full((3, 3), 10.0)
    for zone in ([0, 1, 2], [2, 0, 1], [1, 2, 0]):
        choice = choose_sensors(
            Candidates(np.array(zone), cost, np.full(3, 7.0), ("", "", "")), max_sensors=2
        )
        assert chosen(choice).sensors == (0,)


def test_a_sensor_governs_its_own_zone_even_where_another_would_be_cheaper():
    cost = np.array([[10.0, 1.0], [np.inf, 50.0]])
    candidates = Candidates(np.array([0, 1]), cost, np.zeros(2), ("", ""))
    assert evaluate(candidates, [0, 1])[0].tolist() == [0, 1]
    assert chosen(choose_sensors(candidates, max_sensors=2)).sensors == (0,)
    both = fixed_zones(candidates, [0, 1])
    assert both.cost == 60
    # A candidate that may not even govern its own zone is never opened.
    blind = Candidates(
        np.array([0, 1]), np.array([[np.inf, 1.0], [9.0, 9.0]]), np.zeros(2), ("", "")
    )
    assert chosen(choose_sensors(blind, max_sensors=2)).sensors == (1,)


def test_too_few_sensors_are_infeasible_and_none_at_all_is_a_plan_error():
    apart = np.where(np.eye(3) > 0, 10.0, np.inf)
    candidates = Candidates(np.arange(3), apart, np.ones(3), ("",) * 3)
    rows = choose_sensors(candidates, max_sensors=4)
    assert [row.feasible for row in rows] == [False, False, True, True]
    assert rows[2].cost == 33
    assert rows[2].value_of_next == 0.0
    short = choose_sensors(candidates, max_sensors=2)
    assert cheapest(short) is None
    nobody = Candidates(np.array([0]), np.array([[1.0, np.inf]]), np.ones(1), ("",))
    assert cheapest(choose_sensors(nobody, max_sensors=1)) is None


@pytest.mark.parametrize("seed", range(0, 40, 4))
def test_plain_rules_are_evaluated_at_their_best_and_never_beat_the_optimum(seed):
    candidates = random_property(seed)
    zones = candidates.cost.shape[1]
    need = np.random.default_rng(seed).uniform(5, 20, zones)
    plants = [("turf", "shrubs")[z % 2] for z in range(zones)]
    rules = plain_rules(candidates, need=need, plants=plants)
    driest = [
        max((z for z in range(zones) if plants[z] == kind), key=lambda z: need[z])
        for kind in sorted(set(plants))
    ]
    wanted = {
        "one in the driest zone": {int(np.argmax(need))},
        "one per plant type": set(driest),
        "one in every zone": set(range(zones)),
    }
    optimum = choose_sensors(candidates, max_sensors=zones)
    for rule, homes in wanted.items():
        cost = by_enumeration(candidates, len(homes), homes)
        found = rules[rule]
        assert found.feasible == math.isfinite(cost)
        if found.feasible:
            assert found.cost == pytest.approx(cost, rel=1e-9)
            assert set(candidates.zone[list(found.sensors)]) == homes
            assert found.cost >= chosen(optimum).cost * (1 - 1e-6)


def test_costs_of_any_magnitude_are_solved_alike():
    base = random_property(7)
    plain = choose_sensors(base, max_sensors=3)
    for scale in (1e-6, 1e6):
        scaled = Candidates(base.zone, base.cost * scale, base.fixed * scale, base.label)
        assert [row.sensors for row in choose_sensors(scaled, max_sensors=3)] == [
            row.sensors for row in plain
        ]


def test_bad_candidates_are_refused_with_every_fault():
    with pytest.raises(InputError) as caught:
        Candidates(
            np.array([0, 5]), np.array([[1.0, np.nan], [1.0, 1.0]]), np.array([-1.0, 1.0]), ("",)
        )
    assert {fault.column for fault in caught.value.faults} == {"zone", "cost", "fixed", "label"}
    good = Candidates(np.array([0]), np.array([[1.0]]), np.array([1.0]), ("",))
    with pytest.raises(InputError, match="max_sensors"):
        choose_sensors(good, max_sensors=0)
