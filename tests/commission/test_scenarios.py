"""What a season's log says of the drawn scenarios, and whether a further sensor then pays."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from siting.commission import record_of
from siting.commission.health import (
    Weighed,
    expected_of,
    likelihoods,
    next_sheet,
    season_words,
    sensor_health,
    sheet_words,
    weigh,
)
from siting.commission.judge import commission
from siting.commission.readings import Readings
from siting.commission.record import report_text
from siting.commission.signal import modelled_contents
from siting.zones.ground import Scenarios
from tests.demo_plans import demo_plan
from tests.readings_simulator import simulate

DAYS = pd.date_range("2026-05-01", periods=120, name="date")


@pytest.fixture(scope="module")
def yard():
    return demo_plan("yard")


@pytest.fixture(scope="module")
def season(yard):
    """A season's weather, and the runs of the sensor's valve."""
    random = np.random.default_rng(4)
    rain = np.where(random.random(120) < 0.15, random.exponential(9, 120), 0.0)
    weather = pd.DataFrame({"rain_mm": rain, "eto_mm": 5 + random.standard_normal(120)}, index=DAYS)
    valve = str(yard.sensors["valve"].iloc[0])
    starts = DAYS[::4] + pd.Timedelta(hours=4)
    return weather, pd.DataFrame({"start": starts, "valve": valve, "minutes": 14.0})


def logged(yard, season, demand):
    """Return the health of a sensor whose ground's plants use so many times what is assumed."""
    weather, events = season
    expected = expected_of(yard, "S1")
    crop = np.array([demand])
    truth = modelled_contents(
        expected, events=events, weather=weather, crop=crop, storage=np.ones(1),
        received=np.full(1, 0.7),
    )[0]  # fmt: skip
    noise = 0.002 * np.random.default_rng(9).standard_normal(len(truth))
    log = truth + 0.01 + noise
    return {"S1": sensor_health(log, expected=expected, events=events, weather=weather)}


def test_scenarios_are_weighed_towards_the_truth(yard, season):
    weather, events = season
    drawn = yard.basis.survey.scenarios.plants([str(yard.zones.loc["Fence cover", "plants"])])[0]
    means = []
    for demand in (0.75, 1.3):
        found = weigh(yard, logged(yard, season, demand), events, weather)
        assert found.weights.sum() == pytest.approx(1)
        assert 1 <= found.left <= len(drawn)
        assert found.misfit < 1
        means.append(float(found.weights @ drawn))
    assert means[0] < 0.93
    assert means[1] > 1.07


def test_a_log_that_nothing_explains_decides_nothing(yard, season):
    weather, events = season
    found = weigh(yard, logged(yard, season, 1.0), events, weather)
    assert found.sound
    for off, said in (({"misfit": 9.0}, "None of the"), ({"left": 2.0}, "too few")):
        [words] = season_words(yard, dataclasses.replace(found, **off))
        assert said in words
    short = {"S1": dataclasses.replace(logged(yard, season, 1.0)["S1"], expected=None)}
    assert weigh(yard, short, events, weather) is None


def test_a_second_sensor_pays_once_the_log_has_left_where_it_does(yard):
    count = yard.basis.survey.scenarios.count
    gain = np.where(np.arange(count) < count // 4, 400.0, -50.0)
    regret = pd.DataFrame(
        {
            "cost_per_year": [1000.0, 1000.0 - gain.mean()],
            "by_scenario": [tuple(np.maximum(gain, 0)), tuple(np.maximum(-gain, 0))],
        },
        index=pd.Index(["1 sensor", "2 sensors"], name="option"),
    )
    plan = dataclasses.replace(yard, regret=regret)
    even = np.full(count, 1 / count)
    left = np.where(gain > 0, 1.0, 0.0) / (gain > 0).sum()
    before = season_words(plan, Weighed(even, count, 1.0, ("S1",)))[-1]
    after = season_words(plan, Weighed(left, (gain > 0).sum(), 1.0, ("S1",)))[-1]
    assert "still does not pay" in before
    assert "worth 62 AUD a year" in before
    assert "2 sensors instead of 1: that now pays" in after
    assert "worth 400 AUD a year and pays in 100 of 100, before the log 62 AUD and 25" in after
    none = season_words(
        dataclasses.replace(plan, regret=regret.iloc[:1]), Weighed(even, count, 1.0, ("S1",))
    )[-1]
    assert none == "A further sensor would change nothing in any scenario."


@pytest.mark.cross_check("the tests' simulator of healthy sensors, another physics")
def test_healthy_logs_are_explained(yard):
    drawn = yard.basis.survey.scenarios
    misfits = []
    for seed in range(30, 33):
        truth = simulate("healthy", seed, days=60)
        table = modelled_contents(
            truth.expected, events=truth.events, weather=truth.weather,
            crop=drawn.plants(["warm_season_turf"])[0], storage=drawn.soils(["loam"])[0],
            received=0.7 + drawn.uniformity,
        )  # fmt: skip
        log = truth.content.resample("1D").mean().dropna()
        log = log[log.index.isin(table.index)]
        misfits.append(likelihoods(log, table.loc[log.index].to_numpy(), sensor_error=0.014)[1])
    best = np.array(misfits).min(axis=1)
    assert np.median(best) < 2
    assert best.max() < 3


def test_the_next_sheet_is_set_on_the_weighed_scenarios_by_the_same_search(yard):
    """Where no weight is moved the sheet stays; where plants need more, more is run."""
    count = yard.basis.printed.count
    even = Weighed(np.full(count, 1 / count), count, 1.0, ("S1",))
    same = next_sheet(yard, even)
    assert list(same.index) == ["Fence cover"]
    assert (same["run_minutes"] == same["run_minutes_now"]).all()
    assert (same["step_vwc"] == same["step_vwc_now"]).all()
    # What is handed over is what was simulated: the sheet of now, as the plan plays it.
    played = yard.zones.loc["Fence cover"]
    assert same["water_m3_now"].iloc[0] == pytest.approx(played["water_m3"])
    assert same["stress_days_now"].iloc[0] == pytest.approx(played["stress_days"])
    assert "nothing of it changes" in sheet_words(yard, same)[0]
    drawn = dataclasses.replace(yard.basis.survey.scenarios, count=count)
    demand = drawn.plants([str(played["plants"])])[0]
    thirsty = np.where(demand > 1.2, 1.0, 0.0)
    found = next_sheet(yard, Weighed(thirsty / thirsty.sum(), 50.0, 1.0, ("S1",)))
    row = found.loc["Fence cover"]
    assert row["water_m3_now"] > played["water_m3"]
    assert row["stress_days"] <= row["stress_days_now"]
    assert (row["run_minutes"], row["step_vwc"]) != (row["run_minutes_now"], row["step_vwc_now"])
    assert (
        f"{row['run_minutes']} minutes (now {row['run_minutes_now']})"
        in (sheet_words(yard, found)[1])
    )
    assert next_sheet(yard, dataclasses.replace(even, left=2.0)).empty
    assert next_sheet(yard, None).empty


def test_scenarios_are_taken_as_often_as_their_weight_has_it():
    drawn = Scenarios(8, seed=1)
    weights = np.array([0.0, 0.5, 0.0, 0.25, 0.25, 0, 0, 0])
    taken = drawn.weighed(weights)
    assert taken.taken == (1, 1, 1, 1, 3, 3, 4, 4)
    of = drawn.plants(["shrubs"])[0]
    assert taken.plants(["shrubs"])[0].tolist() == of[list(taken.taken)].tolist()
    assert drawn.weighed(np.full(8, 0.125)).taken == tuple(range(8))


def test_report_and_record_hold_the_next_sheet_and_what_moving_would_be_worth(yard, season):
    """A log of ground that uses a quarter more than assumed, of a sensor three metres off."""
    weather, events = season
    log = modelled_contents(
        expected_of(yard, "S1"), events=events, weather=weather, crop=np.full(1, 1.25),
        storage=np.ones(1), received=np.full(1, 0.7),
    )[0]  # fmt: skip
    log = log + 0.01 + 0.002 * np.random.default_rng(9).standard_normal(len(log))
    row = {"lat": yard.sensors.loc["S1", "lat"], "lon": yard.sensors.loc["S1", "lon"] + 1.5e-5,
           "gps_error": 0.3, "tie_1": np.nan, "tie_2": np.nan, "tie_3": np.nan}  # fmt: skip
    sheet = pd.DataFrame.from_dict({"S1": row}, orient="index").rename_axis("sensor_id")
    read = Readings(
        sensors=sheet, moisture={"S1": log}, units={"S1": "m3/m3"}, events=events,
        weather=weather,
    )  # fmt: skip
    found = commission(yard, yard.basis.survey.climate, read)
    assert not found.next_sheet.empty
    report = report_text(found)
    for words in (*found.next_words, *found.move_words):
        assert words in report
    assert "Does moving a sensor pay?" in report
    assert "Moving it costs about" in found.move_words[0]
    assert record_of(found)["next_sheet"] == list(found.next_words)
