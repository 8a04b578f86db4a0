"""Rain shut-off, watering-day rules, errors of the reading, seasonal adjustment, timer table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting._plan_schedule import watering_days
from siting.errors import InputError
from siting.season import (
    RootZones,
    bypass_events,
    least_depth,
    on_demand_events,
    rain_shutoff,
    timer_season,
    weekdays,
)
from siting.site.settings import Control, Timer
from tests.test_season import every_other, florida, florida_days, random_roots, saved


def test_weekdays_are_those_of_the_calendar():
    dates = np.arange("2021-03-01", "2022-03-01", dtype="datetime64[D]")[:, None]
    found = weekdays(dates, (1, 5))[:, 0]
    wanted = [d.item().weekday() in (1, 5) for d in dates[:, 0]]
    assert found.tolist() == wanted
    assert weekdays(dates, None).all()


def test_rain_shutoff_looks_back_over_its_days_and_no_further():
    rain = np.array([[0.0, 3.0], [4.0, 3.0], [3.0, 0.0], [0.0, 0.0], [0.0, 9.0], [0.0, 0.0]])
    days = np.ones(rain.shape, bool)
    found = rain_shutoff(rain, days, threshold_mm=6, window_days=2)
    # First run: 4 + 3 mm before day 3; second: 3 + 3 before day 2, and 9 before day 5.
    assert (~found).astype(int).T.tolist() == [[0, 0, 0, 1, 0, 0], [0, 0, 1, 0, 0, 1]]
    days[3] = False
    assert not rain_shutoff(rain, days, threshold_mm=6, window_days=2)[3].any()


@given(seed=st.integers(0, 10_000), window=st.integers(1, 4))
@settings(max_examples=20, deadline=None)
def test_a_touchier_shutoff_never_runs_more(seed, window):
    rng = np.random.default_rng(seed)
    rain = np.where(rng.random((60, 3)) < 0.3, rng.exponential(8, (60, 3)), 0.0)
    days = rng.random((60, 3)) < 0.5
    runs = [
        rain_shutoff(rain, days, threshold_mm=mm, window_days=window).sum() for mm in (3, 6, 12)
    ]
    assert runs == sorted(runs)
    longer = rain_shutoff(rain, days, threshold_mm=6, window_days=window + 1)
    assert not (longer & ~rain_shutoff(rain, days, threshold_mm=6, window_days=window)).any()


@pytest.mark.published(
    "McCready, Dukes & Miller 2009, AWM 96:1623-1632: rain sensors saved 7-30 % on two days a week "
    "in mostly dry periods, sensors 0..74 %; 34 % in wet ones is from memory"
)
def test_rain_shutoff_saves_less_than_a_soil_sensor_and_within_the_published_band():
    share = {}
    for wet in (False, True):
        roots = florida(wet=wet)
        days = florida_days(2, roots.shape[2])
        ran = rain_shutoff(roots.rain, days, threshold_mm=6.35, window_days=1)
        share[wet] = float((1 - ran.sum(axis=0) / days.sum(axis=0)).mean())
    assert 0.07 <= share[False] <= 0.30
    assert share[False] < share[True] <= 0.40
    assert saved(florida(wet=True), depth=13.0, per_week=2, threshold=0.3).mean() > share[True]


@given(seed=st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_events_are_whole_or_not_at_all(seed):
    roots = random_roots(seed, zones=2, days=80, runs=4)
    rng = np.random.default_rng(seed)
    noisy = replace(roots, reading_error=rng.normal(0, 0.05, (80, 4)))
    ran = bypass_events(
        noisy, zone=[0, 1], depth=[7.5, 4.0], threshold_fraction=[0.2, 0.3], days=every_other(roots)
    )
    for row, depth in zip(ran.depth, (7.5, 4.0), strict=True):
        assert set(np.unique(row)) <= {0.0, depth}


def test_an_error_of_the_reading_is_the_same_as_a_moved_threshold():
    roots = random_roots(5)
    days = every_other(roots)
    bias = np.full((120, 9), 0.06)  # reads too dry by 6 % of available water
    kinds = (
        lambda r, shift: bypass_events(
            r, zone=[1, 2], depth=[8, 9], threshold_fraction=[0.3 - shift, 0.25 - shift], days=days
        ),
        lambda r, shift: on_demand_events(
            r, zone=[1, 2], low_fraction=[0.3 - shift, 0.25 - shift],
            high_fraction=[0.1 - shift, 0.08 - shift], days=days,
        ),
    )  # fmt: skip
    for run in kinds:
        np.testing.assert_allclose(
            run(replace(roots, reading_error=bias), 0.0).depth, run(roots, 0.06).depth, atol=1e-9
        )


def test_errors_of_a_bad_shape_are_refused():
    roots = random_roots(1)
    with pytest.raises(InputError) as caught:
        replace(roots, reading_error=np.zeros((3, 3)))
    assert {fault.column for fault in caught.value.faults} == {"reading_error"}


def test_a_dial_at_full_changes_nothing_and_at_half_halves_every_event():
    roots = random_roots(7)
    days = every_other(roots)
    arguments = {"zone": [0], "depth": [9.0], "threshold_fraction": [0.2], "days": days}
    full = bypass_events(roots, **arguments, dial=np.ones(120))
    np.testing.assert_array_equal(full.depth, bypass_events(roots, **arguments).depth)
    half = bypass_events(roots, **arguments, dial=np.full(120, 0.5))
    assert set(np.unique(half.depth)) == {0.0, 4.5}
    assert half.events.sum() > full.events.sum()


def test_a_timer_needs_its_least_depth_whatever_the_reading():
    roots = random_roots(2, zones=1)
    days = every_other(roots)
    found = least_depth(roots, zone=[0], threshold_fraction=[0.0], days=days, cap=5)
    ran = timer_season(roots, depth=found.depth, days=days)
    assert ran.worst_stress_days[0] == found.stress_days[0] <= 5
    less = timer_season(roots, depth=found.depth - 0.5, days=days)
    assert less.worst_stress_days[0] > 5


def test_local_rules_move_the_plan_and_leave_today_as_it_is():
    dates = np.arange("2021-05-01", "2021-09-01", dtype="datetime64[D]")[:, None]
    timer = Timer(days=(0, 2, 5))
    free = watering_days(dates, timer, Control(), scenarios=2)
    assert free.warnings == ()
    np.testing.assert_array_equal(free.timer, free.today)
    assert free.allowed.all()
    assert free.today.shape == (123, 2)
    ruled = watering_days(dates, timer, Control(allowed_days=(1, 5)), scenarios=1)
    np.testing.assert_array_equal(ruled.today, free.today[:, :1])
    np.testing.assert_array_equal(ruled.timer[:, 0], weekdays(dates, (1, 5))[:, 0])
    assert "Tuesday, Saturday" in ruled.warnings[0]
    within = watering_days(dates, timer, Control(allowed_days=(0, 1, 2, 5)), scenarios=1)
    np.testing.assert_array_equal(within.timer, within.today)


def test_a_window_may_pass_midnight():
    assert Control(allowed_window=("20:00", "08:00")).window_minutes == 720
    assert Control(allowed_window=("04:30", "06:00")).window_minutes == 90
    assert Control().window_minutes is None


def test_sheltered_rain_is_per_zone():
    roots = random_roots(3, zones=2)
    sheltered = RootZones(
        roots.etc, np.array([1.0, 0.2])[:, None, None] * roots.rain, roots.taw, roots.raw,
        roots.application,
    )  # fmt: skip
    days = every_other(roots)
    both = [
        bypass_events(r, zone=[1], depth=[9.0], threshold_fraction=[0.2], days=days).events.sum()
        for r in (roots, sheltered)
    ]
    assert both[1] > both[0]
