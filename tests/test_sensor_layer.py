"""A sensor that reads the upper part of the root zone decides by what it reads."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from siting.errors import InputError
from siting.season import RootZones, bypass_events, least_depth, on_demand_events
from siting.water.layers import layer_step
from tests.test_season import by_the_book, every_other, random_roots


def test_a_sensor_decides_by_its_own_layer_day_by_day():
    plain = random_roots(9)
    share = np.array([0.3, 0.5, 0.8, 1.0])
    roots = dataclasses.replace(plain, sensor_share=share)
    days, low = every_other(roots), np.array([0.3, 0.4, 0.5, 0.35])
    ran = bypass_events(
        roots, zone=np.arange(4), depth=[9.0] * 4, threshold_fraction=low, days=days
    )
    whole, upper = np.zeros(roots.taw.shape), np.zeros(roots.taw.shape)
    part = share[:, None]
    for day in range(roots.shape[1]):
        go = (upper >= low[:, None] * part * roots.taw) & days[day]
        np.testing.assert_array_equal(ran.depth[:, day], np.where(go, 9.0, 0.0))
        whole, upper, _, _ = layer_step(
            whole,
            upper,
            water=roots.rain[day] + ran.depth[:, day] * roots.application,
            etc=roots.etc[:, day],
            taw=roots.taw,
            raw=roots.raw,
            share=part,
        )
    assert 0 < ran.events.sum() < 4 * days.sum()
    _, stress = by_the_book(roots, ran.depth)
    np.testing.assert_array_equal(ran.stress_days, stress)


def test_a_layer_of_the_whole_root_zone_changes_nothing():
    plain = random_roots(10)
    roots = dataclasses.replace(plain, sensor_share=np.ones(4))
    options = {"zone": np.arange(4), "threshold_fraction": [0.3] * 4, "days": every_other(plain)}
    one, two = (bypass_events(r, depth=[8.0] * 4, **options) for r in (plain, roots))
    np.testing.assert_array_equal(one.depth, two.depth)
    three, four = (least_depth(r, cap=6, **options) for r in (plain, roots))
    np.testing.assert_array_equal(three.depth, four.depth)


def test_a_shallow_sensor_asks_sooner():
    days, runs = 40, 1
    etc, rain = np.full((1, days, runs), 4.0), np.zeros((days, runs))
    rain[10] = 10.0  # a light rain on day 10
    whole = RootZones(etc, rain, np.full((1, 1), 48.0), np.full((1, 1), 24.0), np.ones((1, 1)))
    shallow = dataclasses.replace(whole, sensor_share=np.array([0.5]))
    options = {"zone": [0], "low_fraction": [0.3], "high_fraction": [0.0]}
    every = np.ones((days, runs), dtype=bool)
    first, second = (
        np.flatnonzero(on_demand_events(r, days=every, **options).depth[0, :, 0])
        for r in (whole, shallow)
    )
    assert second[0] < first[0]
    assert second.size >= first.size


def test_impossible_layers_are_refused():
    plain = random_roots(1)
    for share in (np.zeros(4), np.full(4, 1.2), np.ones(3)):
        with pytest.raises(InputError, match=r"share|shape"):
            dataclasses.replace(plain, sensor_share=share)
