"""A sensor that reads the upper part of the root zone decides by what it reads."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from siting.errors import InputError
from siting.season.events import RootZone, sensor_events
from siting.water.balance import layer_step
from tests.season.test_season import by_the_book, every_other, random_root


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8, 1.0])
def test_a_sensor_decides_by_its_own_layer_day_by_day(share):
    root = replace(random_root(9), sensor_share=share)
    days = every_other(root)
    found = sensor_events(root, depth=[9.0], threshold=[0.35], days=days)
    whole, upper = np.zeros(root.taw.shape), np.zeros(root.taw.shape)
    for day in range(root.shape[1]):
        go = (upper >= 0.35 * share * root.taw) & days[day]
        np.testing.assert_array_equal(found.ran[0, day], go)
        whole, upper, _, _ = layer_step(
            whole,
            upper,
            water=root.rain[day] + 9.0 * go * root.application[0],
            etc=root.etc[0, day],
            taw=root.taw,
            raw=root.raw,
            share=share,
        )
    assert 0 < found.ran.sum() < days.sum()
    _, stress = by_the_book(root, found.ran[0], 9.0)
    np.testing.assert_allclose(found.stress_days[0], stress, atol=1e-9)


def test_a_shallow_sensor_asks_sooner():
    days, runs = 40, 1
    etc, rain = np.full((1, days, runs), 4.0), np.zeros((days, runs))
    rain[10] = 10.0  # a light rain on day 10
    whole = RootZone(etc, rain, np.full(1, 48.0), np.full(1, 24.0), np.ones((1, 1)))
    every = np.ones((days, runs), dtype=bool)
    first, second = (
        np.flatnonzero(sensor_events(r, depth=[14.4], threshold=[0.3], days=every).ran[0, :, 0])
        for r in (whole, replace(whole, sensor_share=0.5))
    )
    assert (second[:2] < first[:2]).all()  # both before the rain


def test_impossible_layers_are_refused():
    plain = random_root(1)
    for share in (0.0, 1.2, float("nan")):
        with pytest.raises(InputError, match="sensor_share"):
            replace(plain, sensor_share=share)
