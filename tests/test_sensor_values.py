"""What the next sensor is worth, and choices that are none."""

import numpy as np
import pytest

from siting.sensors import WORTH, Choice, with_values


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
