"""Schedules and sensors on a zone against published tables, closed forms and each other."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.errors import InputError
from siting.season.events import (
    Enough,
    RootZone,
    Watering,
    least_minutes,
    least_minutes_following,
    schedule_stress,
    sensor_events,
    timer_days,
    worst_tenth,
)
from siting.site.settings import Timer
from siting.water.balance import step
from tests.tries import tries

DATA = Path(__file__).parents[1] / "data"

#: Turf crop coefficients of central Florida by month, Jia, Dukes & Jacobs 2009, Irrig Sci 28:5-15.
FLORIDA_KC = np.array([0.35, 0.35, 0.55, 0.80, 0.90, 0.75, 0.70, 0.70, 0.75, 0.70, 0.60, 0.45])


def random_root(seed: int, *, days: int = 120, runs: int = 9, classes: int = 4) -> RootZone:
    """A zone whose demand never exceeds TAW - RAW, so that the stated monotonicity holds."""
    rng = np.random.default_rng(seed)
    taw = rng.uniform(20, 90) * rng.uniform(0.9, 1.1, runs)
    return RootZone(
        etc=-np.sort(-rng.uniform(0.5, 6.5, (classes, days, runs)), axis=0),
        rain=np.where(rng.random((days, runs)) < 0.15, rng.exponential(9, (days, runs)), 0.0),
        taw=taw,
        raw=taw * rng.uniform(0.35, 0.6),
        application=np.sort(rng.uniform(0.6, 1.4, (classes, runs)), axis=0),
    )


def every_other(root: RootZone) -> np.ndarray:
    _, days, runs = root.shape
    return np.repeat((np.arange(days) % 2 == 0)[:, None], runs, axis=1)


def by_the_book(root: RootZone, ran: np.ndarray, depth: float) -> tuple[np.ndarray, np.ndarray]:
    """Depletion (Q, D, W) and stress days (W,) by `siting.water.balance.step`, day by day."""
    trace = np.empty(root.etc.shape)
    for quarter in range(len(trace)):
        depletion = np.zeros(root.taw.shape)
        for day in range(root.shape[1]):
            depletion, _, _ = step(
                depletion,
                rain=root.rain[day],
                irrigation=depth * ran[day] * root.application[quarter],
                etc=root.etc[quarter, day],
                taw=root.taw,
                raw=root.raw,
            )
            trace[quarter, day] = depletion
    return trace, (trace > root.raw + 1e-9).sum(axis=1).mean(axis=0)


# Timer -----------------------------------------------------------------


def test_weekdays_are_those_of_the_calendar():
    dates = np.arange("2021-03-01", "2021-12-01", dtype="datetime64[D]")[:, None]
    found = timer_days(dates, Timer(days=(0, 6)))[:, 0]
    wanted = [str(d.item().strftime("%a")) in ("Mon", "Sun") for d in dates[:, 0]]
    assert found.tolist() == wanted


def test_interval_counts_from_the_first_day_of_each_season_over_a_leap_day():
    one = np.arange("2020-02-26", "2020-03-05", dtype="datetime64[D]")
    two = np.arange("2021-02-26", "2021-03-05", dtype="datetime64[D]")
    dates = np.stack([one[one != np.datetime64("2020-02-29")], two], axis=1)
    found = timer_days(dates, Timer(every_n_days=3))
    assert dates[found[:, 0], 0].tolist() == list(
        np.array(["2020-02-26", "2020-03-03"], "datetime64[D]").tolist()
    )
    assert np.flatnonzero(found[:, 1]).tolist() == [0, 3, 6]


def test_no_timer_allows_every_day_and_an_empty_one_is_refused():
    dates = np.arange("2021-03-01", "2021-03-11", dtype="datetime64[D]")[:, None]
    assert timer_days(dates, None).all()
    with pytest.raises(InputError, match="every_n_days"):
        timer_days(dates, Timer())


def test_schedules_agree_with_the_water_room_day_by_day():
    root = random_root(3)
    days = every_other(root)
    depths = np.array([3.0, 6.0, 9.0, 14.0])
    found = schedule_stress(root, np.stack([days] * 4), depth=depths)
    for stress, depth in zip(found, depths, strict=True):
        np.testing.assert_allclose(stress, by_the_book(root, days, depth)[1], atol=1e-9)
    assert found.max() > 0  # otherwise nothing was tested
    ran = Watering(np.stack([days] * 4), depths[:, None] * np.ones(len(days)), found)
    assert (ran.events == days.sum(axis=0)).all()
    np.testing.assert_allclose(ran.water_mm[2], 9.0 * days.sum(axis=0), rtol=1e-12)


def test_sensors_agree_with_the_water_room_day_by_day():
    root = random_root(4)
    sets = np.stack([every_other(root), np.ones_like(every_other(root))])
    threshold, which = np.array([0.2, 0.3, 0.4, 0.5]), np.array([0, 1, 0, 1])
    found = sensor_events(root, depth=[8.0] * 4, threshold=threshold, days=sets, which=which)
    for g in range(4):
        trace, stress = by_the_book(root, found.ran[g], 8.0)
        start = np.concatenate([np.zeros_like(trace[0, :1]), trace[0, :-1]])
        np.testing.assert_array_equal(
            found.ran[g], (start >= threshold[g] * root.taw) & sets[which[g]]
        )
        np.testing.assert_allclose(found.stress_days[g], stress, atol=1e-9)
    assert found.ran.any()
    assert not found.ran[which == 0][:, ~sets[0]].any()


# Bypass -----------------------------------------------------------------


@pytest.mark.cross_check(
    "FAO-56 eqs 84-86 as a single-Kc bucket run by us on 70 days: 0/7/8/9 of 20 events "
    "bypassed, 260/169/156/143 mm, final depletion 6.776/7.0294/7.0294/17.9845 mm"
)
@pytest.mark.parametrize(
    ("name", "threshold", "skipped", "water", "end"),
    [
        ("none", 0.0, 0, 260.0, 6.776),
        ("25", 0.25, 7, 169.0, 7.0294),
        ("40", 0.40, 8, 156.0, 7.0294),
        ("50", 0.50, 9, 143.0, 17.9845),
    ],
)
def test_published_bucket(name, threshold, skipped, water, end):
    with (DATA / "bypass_inputs.csv").open() as file:
        inputs = list(csv.DictReader(file))
    with (DATA / f"bypass_{name}.csv").open() as file:
        printed = list(csv.DictReader(file))
    one = np.ones(1)
    root = RootZone(
        etc=np.array([0.8 * float(row["ETref"]) for row in inputs])[None, :, None],
        rain=np.array([float(row["Rain"]) for row in inputs])[:, None],
        taw=22.5 * one,
        raw=11.25 * one,
        application=np.ones((1, 1)),
    )
    schedule = np.array([float(row["irr"]) > 0 for row in inputs])[:, None]
    found = sensor_events(root, depth=[13.0], threshold=[threshold], days=schedule)
    depth = 13.0 * found.ran[0, :, 0]
    np.testing.assert_allclose(depth, [float(row["irr"]) for row in printed])
    assert schedule.sum() - found.ran.sum() == skipped
    assert depth.sum() == pytest.approx(water, abs=1e-9)
    trace, stress = by_the_book(root, found.ran[0], 13.0)
    np.testing.assert_allclose(trace[0, :, 0], [float(row["Dr_end"]) for row in printed], atol=1e-3)
    assert trace[0, -1, 0] == pytest.approx(end, abs=0.01)
    assert stress[0] == found.stress_days[0, 0]
    # With a fixed depth, the share of water saved is the share of events bypassed.
    assert 1 - depth.sum() / 260.0 == pytest.approx(skipped / 20, abs=1e-12)


@given(seed=st.integers(0, 10_000), depth=st.floats(1.0, 30.0))
@tries(25)
def test_a_drier_threshold_never_irrigates_more(seed, depth):
    root = random_root(seed, days=90, runs=5)
    share = np.linspace(0, 0.9, 7)
    found = sensor_events(root, depth=[depth] * 7, threshold=share, days=every_other(root))
    assert (np.diff(found.ran.sum(axis=1), axis=0) <= 0).all()


# Bands of the field studies -----------------------------------------------------------------


def florida(*, wet: bool, seed: int = 5) -> RootZone:
    """Invented humid years: warm-season turf on sand, 300 mm of roots, TAW 22.5 mm."""
    rng = np.random.default_rng(seed)
    day, runs = np.arange(365), 10
    month = (day * 12 // 365).clip(0, 11)
    reference = 3.7 + 1.7 * np.sin(2 * np.pi * (day - 80) / 365)
    etc = (FLORIDA_KC[month] * reference)[:, None] * rng.uniform(0.8, 1.2, (365, runs))
    # Days with rain, of 12 mm each: about 1,750 mm in wet years, 700 mm in dry ones.
    chance = np.where((month >= 5) & (month <= 8), 0.55, 0.32) * (1.0 if wet else 0.4)
    rain = np.where(rng.random((365, runs)) < chance[:, None], rng.exponential(12, (365, runs)), 0)
    taw = np.full(runs, 22.5)
    return RootZone(etc[None], rain, taw, taw * 0.5, np.ones((1, runs)))


def florida_days(per_week: int, runs: int) -> np.ndarray:
    on = {2: (2, 5), 7: tuple(range(7))}[per_week]
    return np.repeat(np.isin(np.arange(365) % 7, on)[:, None], runs, axis=1)


def saved(root: RootZone, *, depth: float, per_week: int, threshold: float) -> np.ndarray:
    """Share of water saved per year against the same schedule without a sensor."""
    days = florida_days(per_week, root.shape[2])
    found = sensor_events(root, depth=[depth], threshold=[threshold], days=days)
    return 1 - found.ran[0].sum(axis=0) / days.sum(axis=0)


@pytest.mark.cross_check(
    "Within the wide bands of Cardenas-Lailhacar & Dukes 2012 (Trans. ASABE 55(2), venue "
    "from memory): wet 42..92 %, dry -1..64 %; depth and threshold are chosen here, so it "
    "tells a sign and a size, no more"
)
@pytest.mark.parametrize("depth", [10.0, 13.0, 16.0])
@pytest.mark.parametrize("threshold", [0.2, 0.35])
def test_savings_fall_in_the_published_bands(depth, threshold):
    # Two days a week at 10 to 16 mm an event, threshold a step below field capacity.
    wet = saved(florida(wet=True), depth=depth, per_week=2, threshold=threshold)
    dry = saved(florida(wet=False), depth=depth, per_week=2, threshold=threshold)
    assert 0.42 <= wet.mean() <= 0.92
    assert -0.01 <= dry.mean() <= 0.64
    assert wet.mean() > dry.mean()


@pytest.mark.published(
    "Cardenas-Lailhacar & Dukes 2012, Trans. ASABE 55(2) (venue from memory): 7 days a week "
    "saved at least as much as 1-2 days a week"
)
def test_daily_schedules_save_at_least_as_much():
    for wet in (True, False):
        root = florida(wet=wet)
        weekly = 26.0  # mm a week either way
        daily = saved(root, depth=weekly / 7, per_week=7, threshold=0.3)
        twice = saved(root, depth=weekly / 2, per_week=2, threshold=0.3)
        assert daily.mean() >= twice.mean()


@pytest.mark.closed_form(
    "What the turf is short of cannot be saved (as in the dry periods of Cardenas-Lailhacar "
    "& Dukes 2012)"
)
def test_no_rain_and_a_deficit_schedule_save_nothing():
    root = florida(wet=False)
    dry = replace(root, etc=np.maximum(root.etc, 2.5), rain=0 * root.rain)
    short = 0.6 * 2.5 * 7 / 2  # 60 % of the least weekly need, in two events
    assert saved(dry, depth=short, per_week=2, threshold=0.2).max() <= 0.02


# Stress -----------------------------------------------------------------


def test_the_worst_tenth_is_the_mean_of_the_greatest_runs_in_whole():
    days = np.random.default_rng(1).permutation(np.arange(40.0))
    assert worst_tenth(days) == np.mean([36, 37, 38, 39])
    assert worst_tenth(days[:3]) == days[:3].max()  # a tenth of three runs is one of them
    np.testing.assert_array_equal(worst_tenth(np.stack([days, 0 * days])), [37.5, 0.0])


def test_the_worst_tenth_settles_where_the_maximum_grows():
    """Runs doubled from 320 to 10,240: one moves within its own error, the other climbs."""
    rng = np.random.default_rng(7)
    samples = [rng.gamma(2.0, 3.0, (40, 320 * 2**k)) for k in range(6)]
    tenths = np.array([worst_tenth(s).mean() for s in samples])
    most = np.array([s.max(axis=1).mean() for s in samples])
    assert np.abs(np.diff(tenths)).max() < 0.02 * tenths[-1]
    assert np.all(np.diff(most) > 0)
    assert most[-1] > 1.3 * most[0]


def test_five_days_in_a_quarter_count_a_quarter_of_five_days_everywhere():
    etc, rain = np.full((4, 12, 1), 5.0), np.zeros((12, 1))
    soil = {"taw": np.full(1, 50.0), "raw": np.full(1, 34.0)}
    none = np.zeros((12, 1), dtype=bool)
    whole = RootZone(etc, rain, **soil, application=np.ones((4, 1)))
    spot = replace(whole, etc=etc * np.array([1.0, 0.5, 0.5, 0.5])[:, None, None])
    # Beyond RAW from day 7 on: 6 days of 12. At half the demand never.
    assert schedule_stress(whole, none, depth=1.0)[0, 0] == 6
    assert schedule_stress(spot, none, depth=1.0)[0, 0] == 1.5


def test_more_water_on_the_same_days_never_makes_more_stress():
    root = random_root(12)
    ran = np.stack([every_other(root)] * 12)
    found = schedule_stress(root, ran, depth=np.linspace(1, 20, 12))
    assert (np.diff(found, axis=0) <= 0).all()


# Least minutes -----------------------------------------------------------------


@given(seed=st.integers(0, 10_000), limit=st.floats(0, 8))
@tries(15)
def test_a_sensors_least_minutes_keep_the_limit_and_one_less_does_not(seed, limit):
    root = random_root(seed, days=90, runs=20)
    days, share = every_other(root)[None], np.array([0.1, 0.2, 0.3])
    most = np.array([40, 25, 3])
    ways = {"threshold": share, "which": np.zeros(3, np.int64), "per_minute": 0.5}
    search, run = least_minutes(root, days=days, most=most, limit=limit, **ways)
    again = sensor_events(root, depth=search.minutes * 0.5, threshold=share, days=days)
    np.testing.assert_array_equal(again.ran, run.ran)
    np.testing.assert_array_equal(again.stress_days, search.stress_days)
    np.testing.assert_array_equal(search.kept, worst_tenth(again.stress_days) <= limit)
    np.testing.assert_array_equal(search.minutes[~search.kept], most[~search.kept])
    less = sensor_events(root, depth=(search.minutes - 1) * 0.5, threshold=share, days=days)
    shorter = search.kept & (search.minutes > 1)
    assert (worst_tenth(less.stress_days) > limit)[shorter].all()


@given(seed=st.integers(0, 10_000), limit=st.integers(0, 160).map(lambda eighths: eighths / 8))
@tries(15)
def test_only_a_trial_that_fails_is_given_up_and_the_rest_is_the_same(seed, limit):
    root, depth = random_root(seed, days=120, runs=30), np.linspace(1, 14, 6)
    enough = Enough(3, 3 * limit)
    ran = np.stack([every_other(root)] * 6)
    ways = {"depth": depth, "threshold": 0.2, "days": every_other(root)}
    whole, cut = sensor_events(root, **ways), sensor_events(root, **ways, enough=enough)
    pairs = [
        (whole.stress_days, cut.stress_days),
        (
            schedule_stress(root, ran, depth=depth),
            schedule_stress(root, ran, depth=depth, enough=enough),
        ),
    ]
    for told, found in pairs:
        given_up = np.isinf(found).all(axis=1)
        # Every one that fails: its last look comes at the end of the last class.
        np.testing.assert_array_equal(given_up, worst_tenth(told) > limit)
        np.testing.assert_array_equal(found[~given_up], told[~given_up])
    finished = np.isfinite(cut.stress_days[:, 0])
    np.testing.assert_array_equal(cut.ran[finished], whole.ran[finished])


def test_the_driest_runs_alone_do_not_decide_what_all_runs_need():
    root = random_root(5, days=90, runs=80)
    ran, most = np.stack([every_other(root)] * 2), np.array([30, 2])
    grid = np.arange(1, 31)
    stress = worst_tenth(schedule_stress(root, np.stack([ran[0]] * 30), depth=grid * 0.7))
    for limit in np.unique(np.round(stress, 1)):
        found = least_minutes_following(root, ran, per_minute=0.7, most=most, limit=float(limit))
        good = grid[stress <= limit]
        assert found.minutes.tolist() == [good[0] if good.size else 30, 2]
        assert found.kept.tolist() == [bool(good.size), bool(stress[1] <= limit)]
        only = least_minutes_following(
            root, ran, per_minute=0.7, most=most, limit=float(limit), only_kept=True
        )
        np.testing.assert_array_equal(only.minutes, found.minutes)
        np.testing.assert_array_equal(only.stress_days[only.kept], found.stress_days[only.kept])


@given(seed=st.integers(0, 10_000), limit=st.floats(0, 8))
@tries(15)
def test_a_followers_minutes_are_the_least_of_all_that_keep_the_limit(seed, limit):
    root = random_root(seed, days=90, runs=20)
    rng = np.random.default_rng(seed)
    ran = np.stack([every_other(root), rng.random((90, 20)) < 0.3, rng.random((90, 20)) < 0.1])
    most = np.array([30, 30, 0])
    found = least_minutes_following(root, ran, per_minute=0.7, most=most, limit=limit)
    for g in range(2):
        grid = np.arange(1, 31)
        stress = schedule_stress(root, np.stack([ran[g]] * 30), depth=grid * 0.7)
        good = np.flatnonzero(worst_tenth(stress) <= limit)
        assert found.kept[g] == bool(good.size)
        at = good[0] if good.size else 29
        assert found.minutes[g] == grid[at]
        np.testing.assert_array_equal(found.stress_days[g], stress[at])
    assert not found.kept[2]  # nothing may run


def test_a_zone_that_no_run_time_keeps_gets_the_most_and_is_told():
    # Once every ten days at 5 mm/d on 20 mm of water: no depth avoids stress.
    root = RootZone(
        etc=np.full((1, 100, 2), 5.0),
        rain=np.zeros((100, 2)),
        taw=np.full(2, 20.0),
        raw=np.full(2, 10.0),
        application=np.full((1, 2), 0.5),
    )
    days = np.repeat((np.arange(100) % 10 == 0)[:, None], 2, axis=1)
    found = least_minutes_following(
        root, days[None], per_minute=1.0, most=np.array([40]), limit=5.0
    )
    # A refilled root zone holds two days; with the day of the event that leaves seven of stress.
    assert not found.kept[0]
    assert found.minutes[0] == 40
    assert (found.stress_days[0] > 5).all()


def test_a_timer_needs_its_least_minutes_whatever_the_reading():
    root = random_root(2)
    days = every_other(root)
    search, _ = least_minutes(
        root, threshold=np.zeros(1), days=days[None], which=np.zeros(1, np.int64), per_minute=0.5,
        most=np.array([60]), limit=5.0,
    )  # fmt: skip
    timer = least_minutes_following(
        root, days[None], per_minute=0.5, most=np.array([60]), limit=5.0
    )
    assert search.kept[0]
    assert search.minutes[0] == timer.minutes[0]


def test_a_twin_of_the_governors_zone_needs_no_more_than_it():
    root = random_root(2)
    search, run = least_minutes(
        root, threshold=np.array([0.2]), days=every_other(root)[None], which=np.zeros(1, np.int64),
        per_minute=0.5, most=np.array([60]), limit=20.0,
    )  # fmt: skip
    twin = least_minutes_following(root, run.ran, per_minute=0.5, most=np.array([60]), limit=20.0)
    assert search.kept[0]
    assert twin.minutes[0] <= search.minutes[0]


def test_a_zone_out_of_the_rain_needs_more_from_the_same_events():
    open_sky = random_root(11)
    sheltered = replace(open_sky, rain=0 * open_sky.rain)
    run = sensor_events(sheltered, depth=[12.0], threshold=[0.1], days=every_other(open_sky))
    ways = {"per_minute": 0.5, "most": np.array([80]), "limit": 20.0}
    under, beside = (least_minutes_following(r, run.ran, **ways) for r in (sheltered, open_sky))
    assert under.kept[0]
    assert beside.minutes[0] < under.minutes[0]


# Inputs -----------------------------------------------------------------


def test_every_fault_of_the_inputs_is_named_at_once():
    root = random_root(1)
    with pytest.raises(InputError) as caught:
        RootZone(root.etc, -root.rain - 1, root.raw, root.taw, 0 * root.application)
    assert {fault.column for fault in caught.value.faults} == {"rain", "taw", "application"}
    with pytest.raises(InputError) as caught:
        RootZone(root.etc, root.rain[:-1], root.taw, root.raw[:2], root.application)
    assert {fault.column for fault in caught.value.faults} == {"rain", "raw"}


def test_water_of_a_month_is_part_of_the_season():
    rng = np.random.default_rng(3)
    ran, depth = rng.random((2, 60, 5)) < 0.3, rng.uniform(1, 9, (2, 60))
    watering = Watering(ran, depth, np.zeros((2, 5)))
    month = np.repeat([5, 6], 30)
    parts = [watering.within(month == m) for m in (5, 6)]
    np.testing.assert_allclose(sum(parts), watering.water_mm, rtol=1e-12)
    np.testing.assert_allclose(watering.water_mm, (depth[..., None] * ran).sum(axis=1))
