"""What the next sensor is worth, and choices that are none."""

import itertools

import numpy as np
import pytest

from siting.decide.choose import (
    TIE,
    WORTH,
    Candidates,
    Choice,
    Window,
    _earlier,
    _without_idle,
    cheapest,
    choose_sensors,
    fixed_zones,
    plain_rules,
    with_values,
)
from siting.errors import InputError


def chosen(rows):
    return rows[cheapest(rows)]


def choice(n: int, cost: float, sensors: tuple[int, ...]) -> Choice:
    """Return a feasible choice for two zones."""
    return Choice(n, feasible=True, sensors=sensors, governor=np.zeros(2, dtype=int), cost=cost)


@pytest.mark.parametrize("second", [10.0, 10.0 * (1 - WORTH / 2), 10.0 * (1 + WORTH / 2), 11.0])
def test_a_sensor_worth_nothing_is_not_bought(second):
    rows = with_values([choice(1, 10.0, (0,)), choice(2, second, (0, 1))])
    assert [row.sensors for row in rows] == [(0,), (0,)]
    assert [row.n for row in rows] == [1, 2]
    assert rows[0].value_of_next == 0.0
    assert np.isnan(rows[1].value_of_next)


def test_a_sensor_worth_something_is_valued():
    rows = with_values([choice(1, 10.0, (0,)), choice(2, 9.0, (0, 1)), choice(3, 9.0, (0, 1, 2))])
    assert [row.sensors for row in rows] == [(0,), (0, 1), (0, 1)]
    assert [row.value_of_next for row in rows[:2]] == [1.0, 0.0]


def test_the_least_number_that_can_work_is_the_best_though_fewer_cannot():
    apart = np.array([[1.0, np.inf], [np.inf, 2.0]])
    found = choose_sensors(Candidates(np.array([0, 1]), apart, np.ones(2), ("", "")), max_sensors=2)
    assert [row.feasible for row in found] == [False, True]
    assert cheapest(found) == 1
    assert chosen(found).cost == 5.0
    assert np.isnan(found[0].value_of_next)


def test_nothing_can_work():
    nothing = np.full((2, 2), np.inf)
    found = choose_sensors(
        Candidates(np.array([0, 1]), nothing, np.ones(2), ("", "")), max_sensors=2
    )
    assert cheapest(found) is None
    for row in found:
        assert not row.feasible
        assert row.governor.tolist() == [-1, -1]
        assert np.isnan(row.cost)


@pytest.mark.parametrize("seed", range(12))
def test_within_the_hours_no_assignment_is_cheaper(seed):
    rng = np.random.default_rng(seed)
    zone = np.array([0, 0, 1, 2])
    cost, fixed = rng.uniform(1, 9, (4, 3)).round(3), rng.uniform(0, 4, 4).round(3)
    minutes = rng.uniform(5, 30, (4, 3)).round(1)
    limit = float(np.sort(minutes, axis=0)[:2].sum(axis=0).sum() / 1.6)
    window = Window(minutes, limit, np.zeros(3, dtype=int))
    candidates = Candidates(zone, cost, fixed, ("",) * 4, None, window)
    least = np.inf
    for n in (1, 2, 3):
        for opened in itertools.combinations(range(4), n):
            homes = {int(zone[j]): j for j in opened}
            for governor in itertools.product(opened, repeat=3):
                own = len(homes) == n and all(governor[z] == j for z, j in homes.items())
                if own and sum(minutes[j, z] for z, j in enumerate(governor)) <= limit:
                    paid = sum(cost[j, z] for z, j in enumerate(governor))
                    least = min(least, paid + fixed[list(opened)].sum())
        found = choose_sensors(candidates, max_sensors=n, curve=False)[-1]
        assert found.feasible == np.isfinite(least)
        if found.feasible:
            assert found.cost == pytest.approx(least, rel=1e-9)
            assert window.holds(found.governor)
            served = cost[found.governor, range(3)].sum() + fixed[list(found.sensors)].sum()
            assert found.cost == pytest.approx(served, rel=1e-9)


def candidates(zone, cost, fixed) -> Candidates:
    """Return candidates without equipment or hours."""
    return Candidates(np.array(zone), np.array(cost), np.array(fixed), ("",) * len(zone))


def test_the_share_that_a_sensor_must_be_worth_is_reckoned_from_the_last_that_was_kept():
    exactly = 1.0 * (1 - WORTH)
    rows = with_values([choice(1, 1.0, (0,)), choice(2, exactly, (0, 1))])
    assert rows[1].sensors == (0,)
    # Each step is too small by itself, both together are not.
    costs = (1.0, 1 - 0.6 * WORTH, 1 - 1.2 * WORTH)
    rows = with_values([choice(n, cost, tuple(range(n))) for n, cost in enumerate(costs, 1)])
    assert [row.sensors for row in rows] == [(0,), (0,), (0, 1, 2)]
    assert rows[1].value_of_next == pytest.approx(1.2 * WORTH, rel=1e-6)


def test_an_impossible_number_is_neither_kept_nor_valued():
    impossible = Choice(1, feasible=False, sensors=(), governor=np.full(2, -1), cost=float("nan"))
    rows = with_values([impossible, choice(2, 4.0, (0, 1)), choice(3, 3.0, (0, 1, 2))])
    assert [row.feasible for row in rows] == [False, True, True]
    assert np.isnan(rows[0].value_of_next)
    assert rows[1].value_of_next == 1.0
    assert np.isnan(rows[2].value_of_next)


@pytest.mark.parametrize(("dearer", "left"), [(0.0, [0]), (TIE, [0]), (2 * TIE, [0, 1])])
def test_an_idle_sensor_is_left_out_up_to_a_tie(dearer, left):
    # Zone 1 costs so much more under zone 0's sensor than under its own.
    extra = (1.0 + dearer) - 1.0
    pair = candidates([0, 1], [[1.0, extra], [np.inf, 0.0]], [0.0, 0.0])
    assert _without_idle(pair, [0, 1]) == left
    assert _without_idle(pair, left) == left


def test_of_two_idle_sensors_that_need_each_other_the_later_goes():
    cost = [[1.0, 9.0, 9.0], [9.0, 1.0, 1.0], [9.0, 1.0, 1.0]]
    three = candidates([0, 1, 2], cost, [0.0, 0.0, 0.0])
    assert _without_idle(three, [0, 1, 2]) == [0, 1]


def test_idle_sensors_go_one_after_another_and_one_always_stays():
    three = candidates([0, 1, 2], np.ones((3, 3)), [0.0, 0.0, 0.0])
    assert _without_idle(three, [0, 1, 2]) == [0]
    assert _without_idle(three, [2]) == [2]


def test_of_equal_choices_the_earlier_candidates_win_up_to_the_ceiling():
    both = candidates([0, 1], [[1.0, 2.0], [2.0, 1.0]], [0.0, 0.0])
    swaps = np.array([0, 1])
    assert _earlier(both, [1], swaps, 3.0) == [0]
    assert _earlier(both, [1], swaps, 2.999) is None
    assert _earlier(both, [0], swaps, 9.0) is None
    # A zone that has a sensor already takes no second one.
    crowded = candidates([0, 1, 0], np.ones((3, 2)), [0.0, 0.0, 0.0])
    assert _earlier(crowded, [1, 2], swaps, 99.0) == [0, 1]
    assert _earlier(crowded, [1, 2], np.array([1, 2]), 99.0) is None


def test_the_curve_and_a_single_number_agree():
    rng = np.random.default_rng(5)
    cost = rng.uniform(1, 9, (6, 4))
    six = candidates([0, 0, 1, 2, 3, 3], cost, rng.uniform(0.1, 1.0, 6))
    curve = choose_sensors(six, max_sensors=4)
    assert [row.n for row in curve] == [1, 2, 3, 4]
    for row in curve:
        alone = choose_sensors(six, max_sensors=row.n, curve=False)
        assert alone[-1].cost == pytest.approx(row.cost, rel=2 * WORTH)
        assert alone[-1].n == row.n
        assert len(alone) == row.n - alone[0].n + 1


def test_numbers_of_sensors_begin_at_one():
    one = candidates([0], [[1.0]], [1.0])
    assert chosen(choose_sensors(one, max_sensors=1)).sensors == (0,)
    with pytest.raises(InputError) as told:
        choose_sensors(one, max_sensors=0)
    [fault] = told.value.faults
    assert (fault.file, fault.found, fault.column) == ("control", "0", "max_sensors")


def test_wanted_zones_get_one_sensor_each_however_often_they_are_named():
    cost = [[1.0, 5.0, 5.0], [5.0, 1.0, 5.0], [0.5, 9.0, 9.0], [5.0, 5.0, 1.0]]
    four = candidates([0, 1, 0, 2], cost, [0.0, 0.0, 0.0, 0.0])
    found = fixed_zones(four, [1, 0, 1])
    assert (found.n, found.sensors) == (2, (1, 2))
    assert found.cost == 6.5
    assert found.governor.tolist() == [2, 1, 1]


def test_rules_of_thumb_take_the_driest_and_of_equals_the_first():
    four = candidates([0, 1, 2, 3], np.ones((4, 4)) + np.eye(4), np.ones(4))
    found = plain_rules(four, need=np.array([2.0, 5.0, 5.0, 1.0]), plants=["a", "a", "b", "b"])
    assert {rule: row.sensors for rule, row in found.items()} == {
        "one in the driest zone": (1,),
        "one per plant type": (1, 2),
        "one in every zone": (0, 1, 2, 3),
    }
