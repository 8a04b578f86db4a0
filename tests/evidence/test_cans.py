"""What cans leave open of a pattern, place by place."""

import numpy as np
import pytest

from siting.evidence.field import Readings, learn, learn_cans
from siting.water.heads import can_test, head_pattern
from tests.water.test_pattern import LAWN, can_grid, grid


def truth(x, y):
    return 10 + 2.5 * np.sin(x / 3) * np.cos(y / 4)


def read(places, value, reach=2.5):
    test = can_test(places, value)
    return learn_cans(test.places, test.share, reach=reach)


def drier(found, at):
    mean = found.mean(*at)[0]
    return mean - mean.mean()


def test_the_pattern_is_followed_and_its_error_known_place_by_place():
    """Over a lawn, for readings with 3 % noise; a can's own place is known better than between."""
    places = can_grid()
    value = truth(*places.T) * np.random.default_rng(4).normal(1, 0.03, len(places))
    found, at = read(places, value), grid()
    true = -np.log(truth(*at))
    off = drier(found, at) - true + true.mean()
    assert np.sqrt((off**2).mean()) < true.std() / 3
    # The pattern is smoother than heads make it, so less is open than is said.
    assert 0.25 < np.sqrt((off**2).mean()) / found.deviation(*at).mean() < 1.2
    beside, between = (found.deviation(*(places.T + gap)).mean() for gap in (0.0, 1.0))
    assert beside < between


def test_readings_without_a_pattern_are_not_taken_for_one():
    places, at = can_grid(), grid()
    value = np.random.default_rng(3).normal(10, 1.5, len(places))
    assert drier(read(places, value), at).std() < 0.11
    assert drier(read(places, np.full(len(places), 9.0)), at).std() < 1e-6


def test_what_is_open_grows_away_from_the_cans_to_the_whole_of_it():
    places = can_grid()[:30]
    found = read(places, truth(*places.T))
    near, far = found.deviation(np.array([10.0, 400.0]), np.array([2.0, 400.0]))
    assert near < far == pytest.approx(np.sqrt(found.variance))


def test_order_and_place_of_cans_do_not_matter_and_a_dry_can_does_no_harm():
    places, moved = can_grid(), can_grid() + np.array([4e5, 5e6])
    order = np.random.default_rng(1).permutation(len(places))
    value = truth(*places.T)
    x, y = grid(1.0)
    a, b = read(places, value), read(moved[order], value[order])
    assert b.mean(x + 4e5, y + 5e6) == pytest.approx(a.mean(x, y), abs=1e-6)
    row = np.column_stack([np.arange(12.0), np.zeros(12)])
    dry = read(row, np.where(np.arange(12) == 5, 0.0, 10.0))
    assert np.isfinite(dry.mean(x, y)).all()
    assert dry.mean(np.array([5.0]), np.array([0.0]))[0, 0] > 0.1


@pytest.mark.cross_check("layouts of unequal heads, another physics than the field's")
def test_what_is_open_holds_for_heads_that_throw_unequally():
    off = []
    for seed in range(8):
        random = np.random.default_rng(seed)
        heads = np.stack(np.meshgrid(np.arange(0, 21, 5.0), np.arange(0, 17, 4.0)), -1)
        heads = heads.reshape(-1, 2) + random.normal(0, 0.3, (heads.size // 2, 2))
        radius = 4.6 * random.uniform(0.8, 1.15, len(heads))
        layout = {"places": heads, "radius": radius, "zone": LAWN,
                  "flow": radius**2 * random.uniform(0.75, 1.2, len(heads))}  # fmt: skip
        places, at = can_grid(2.5), grid(1.0)
        caught = head_pattern(*places.T, **layout) * random.normal(1, 0.05, len(places))
        found = read(places, np.maximum(caught, 0), reach=0.4 * 4.6)
        true = -np.log(np.maximum(head_pattern(*at, **layout), 1e-3))
        miss = drier(found, at) - true + true.mean()
        off.append((miss**2 / found.deviation(*at) ** 2).mean())
    assert 0.3 < np.mean(off) < 1.5


def test_a_walk_after_cans_is_conditioned_on_what_they_leave():
    """Both at once, or the one after the other whose mean is in the map by then: the same."""
    places = can_grid(4.0)
    cans = read(places, truth(*places.T))
    walked = np.array([[3.0, 3], [9, 4], [15, 3], [4, 9], [10, 10], [16, 12], [6, 13]])
    walk = Readings("probe", walked, np.arange(7.0), np.zeros(7, dtype=int), 0.75)
    after = learn(
        [walk], lambda x, y: 0.05 * np.exp(cans.mean(x, y)), variance=9.0, reach=9.0, known=cans
    )
    # By hand: what is left after the cans is the field before the walk.
    left, at = cans.covariance(walked, walked), np.array([[8.0, 8.0], [3.0, 3.2]])
    noise = after.noise[len(places) :, len(places) :]
    gain = cans.covariance(at, walked) @ np.linalg.inv(left + noise)
    expected = cans.covariance(at, at) - gain @ cans.covariance(walked, at)
    assert after.covariance(at, at) == pytest.approx(expected, rel=1e-5, abs=1e-9)
    assert (after.variance, after.reach) == (cans.variance, cans.reach)
    assert after.moves
