"""What the next sensor is worth, and choices that are none."""

import itertools

import numpy as np
import pytest

from siting.sensors import WORTH, Candidates, Choice, Window, choose_sensors, with_values


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
    assert [row.feasible for row in found.rows] == [False, True]
    assert found.best == 1
    assert found.chosen.cost == 5.0
    assert np.isnan(found.rows[0].value_of_next)


def test_nothing_can_work():
    nothing = np.full((2, 2), np.inf)
    found = choose_sensors(
        Candidates(np.array([0, 1]), nothing, np.ones(2), ("", "")), max_sensors=2
    )
    assert found.best is None
    assert not any(row.feasible for row in found.rows)


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
        found = choose_sensors(candidates, max_sensors=n, curve=False).rows[-1]
        assert found.feasible == np.isfinite(least)
        if found.feasible:
            assert found.cost == pytest.approx(least, rel=1e-9)
            assert window.holds(found.governor)
            served = cost[found.governor, range(3)].sum() + fixed[list(found.sensors)].sum()
            assert found.cost == pytest.approx(served, rel=1e-9)
