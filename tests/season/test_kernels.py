"""The compiled loops of the season against the plain ones: the same bits."""

from __future__ import annotations

from functools import partial

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from siting.season.events import RootZone, schedule_stress, sensor_events
from siting.zones.roots import _fill_demand
from tests.season_reference import play_events, play_sensor
from tests.tries import tries


def season(rng: np.random.Generator, *, layered: bool, days: int = 90, runs: int = 7) -> RootZone:
    """Draw a season; soil thin enough to run dry and to run over."""
    classes = int(rng.choice([1, 2, 4]))  # powers of two: their shares add up without rounding
    taw = rng.uniform(4, 60, runs)
    return RootZone(
        etc=rng.gamma(3, 1.5, (classes, days, runs)),
        rain=rng.gamma(0.3, 20, (days, runs)) * (rng.random((days, runs)) < 0.2),
        taw=taw,
        raw=taw * rng.uniform(0.1, 0.9, runs),
        application=rng.uniform(0.5, 1.5, (classes, runs)),
        sensor_share=float(rng.choice([0.2, 0.5, 0.85])) if layered else 1.0,
        reading_error=rng.normal(0, 0.05, (days, runs)) if rng.random() < 0.5 else None,
        described_mm=float(rng.uniform(10, 50)) if rng.random() < 0.5 else None,
    )


@given(seed=st.integers(0, 10_000), layered=st.booleans())
@tries(40)
def test_sensors_are_the_same_to_the_bit(seed, layered):
    rng = np.random.default_rng(seed)
    root = season(rng, layered=layered)
    sets, which = rng.random((2, 90, 7)) < 0.6, rng.integers(0, 2, 5)
    depth, threshold = rng.uniform(0.2, 25, 5), rng.uniform(-0.1, 0.9, 5)
    threshold[0] = 0.2  # one that runs
    found = sensor_events(root, depth=depth, threshold=threshold, days=sets, which=which)
    for g in range(5):
        ran, stress = play_sensor(root, sets[which[g]], depth[g], threshold[g])
        np.testing.assert_array_equal(found.ran[g], ran)
        np.testing.assert_array_equal(found.stress_days[g], stress)
    assert found.ran.any()
    assert found.stress_days.any()


@given(seed=st.integers(0, 10_000), dialled=st.booleans())
@tries(40)
def test_schedules_are_the_same_to_the_bit(seed, dialled):
    rng = np.random.default_rng(seed)
    root = season(rng, layered=False)
    ran, depth = rng.random((6, 90, 7)) < 0.4, rng.uniform(0, 25, 6)
    dial = rng.uniform(0.4, 1.0, 90) if dialled else None
    found = schedule_stress(root, ran, depth=depth, dial=dial)
    for g in range(6):
        np.testing.assert_array_equal(found[g], play_events(root, ran[g], depth[g], dial))
    assert found.any()


def test_single_precision_moves_hardly_an_event():
    rng = np.random.default_rng(8)
    days, moved, all_days = np.ones((90, 400), dtype=bool), 0, 0
    for _ in range(8):
        root = season(rng, layered=True, runs=400)
        ran, stress = play_sensor(root, days, 8.0, 0.3)
        surely, sure_stress = play_sensor(root, days, 8.0, 0.3, np.float64)
        moved, all_days = moved + np.count_nonzero(ran != surely), all_days + ran.size
        assert abs(stress.mean() - sure_stress.mean()) <= 1e-3 * sure_stress.mean()
    assert moved <= 1e-4 * all_days


def test_a_set_of_days_may_be_shared_or_not_and_inputs_stay_as_they_are():
    rng = np.random.default_rng(4)
    root, days = season(rng, layered=True), rng.random((90, 7)) < 0.6
    before = [a.copy() for a in (root.etc, root.rain, root.taw, root.raw, root.application, days)]
    one = sensor_events(root, depth=[5.0, 9.0], threshold=[0.2, 0.3], days=days)
    two = sensor_events(root, depth=[5.0, 9.0], threshold=[0.2, 0.3], days=np.stack([days] * 3))
    np.testing.assert_array_equal(one.ran, two.ran)
    np.testing.assert_array_equal(one.stress_days, two.stress_days)
    after = (root.etc, root.rain, root.taw, root.raw, root.application, days)
    for old, new in zip(before, after, strict=True):
        np.testing.assert_array_equal(old, new)


def test_demand_is_each_days_weather_in_each_class_light():
    rng = np.random.default_rng(2)
    classes, days, count, years = 4, 30, 3, 5
    constant, direct, diffuse = rng.normal(1, 2, (3, days, years))
    beam, sky = rng.random((classes, count, 6)), rng.random((classes, count))
    place, factor, scale = rng.integers(0, 6, days), rng.random(days), rng.random(count)
    single = partial(np.asarray, dtype=np.float32)
    terms = [np.tile(single(each), (1, count)) for each in (constant, direct, diffuse)]
    by_run = [
        np.repeat(single(each), years, axis=-1) for each in (np.moveaxis(beam, -1, 1), sky, scale)
    ]
    etc = np.empty((classes, days, count * years), np.float32)
    _fill_demand(etc, tuple(terms), (by_run[0], by_run[1], place), single(factor), by_run[2])
    for s in range(count):
        lit, seen = beam[:, s, place, None], sky[:, s, None, None]
        wanted = np.maximum(constant + direct * lit + diffuse * seen, 0.0)
        found = etc[:, :, s * years : (s + 1) * years]
        np.testing.assert_allclose(
            found, wanted * (factor[:, None] * scale[s]), rtol=1e-5, atol=1e-6
        )
    assert (etc == 0).any()
    assert (etc > 0).any()
