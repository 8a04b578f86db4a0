"""Sensor health: known faults are named, healthy sensors are left alone, in any unit and step."""

import numpy as np
import pandas as pd
import pytest

from siting.commission.health import Health, sensor_health
from siting.commission.record import evidence_picture
from siting.commission.signal import Expected, modelled_content, signal_of
from tests.balance_reference import run_balance
from tests.readings_simulator import FAULTS, simulate

SEEDS = range(300, 308)  # the script in tests/validation runs 200


def judge(truth, **changes):
    given = {
        "expected": truth.expected, "events": truth.events, "weather": truth.weather,
        "threshold": truth.threshold,
    }  # fmt: skip
    content = changes.pop("content", truth.content)
    return sensor_health(content, **{**given, **changes})


@pytest.fixture(scope="module")
def truths():
    return {fault: [simulate(fault, seed) for seed in SEEDS] for fault in FAULTS}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_named_and_the_healthy_left_alone(truths, fault):
    verdicts = [judge(truth).verdict for truth in truths[fault]]
    # One of eight may be missed: 90 % of 200 are asked for, in the script.
    assert verdicts.count(fault) >= len(verdicts) - 1, verdicts


def test_every_finding_says_what_why_and_what_to_do(truths):
    for fault in FAULTS[1:]:
        health = judge(truths[fault][0])
        finding = health.findings[0]
        for text in (finding.words, finding.cause, finding.action):
            assert len(text) > 10
            assert "nan" not in text
        assert any(c.isdigit() for c in finding.words)


def test_the_interval_of_the_log_does_not_matter(truths):
    for fault in FAULTS:
        truth = truths[fault][0]
        fine = truth.content.dropna().resample("15min").interpolate(limit=8)
        if fault == "dead":
            fine = truth.content
        assert judge(truth, content=fine).verdict == judge(truth).verdict


@pytest.mark.parametrize("missing", ["events", "rain", "threshold", "hours"])
def test_what_is_missing_accuses_nobody_and_is_told(truths, missing):
    for truth in truths["healthy"]:
        changes = {
            "events": {"events": truth.events.iloc[:0]},
            "rain": {"weather": truth.weather.assign(rain_mm=np.nan)},
            "threshold": {"threshold": np.nan},
            "hours": {"content": truth.content.resample("1D").mean()},
        }[missing]
        health = judge(truth, **changes)
        assert health.findings == ()
        assert health.untested


def test_a_quiet_empty_log_is_no_traceback(truths):
    truth = truths["healthy"][0]
    for content in (truth.content.iloc[:0], truth.content.iloc[:1], truth.content * np.nan):
        assert isinstance(judge(truth, content=content), Health)
    assert judge(truth, content=truth.content * np.nan).verdict == "dead"


def test_the_order_of_the_rows_does_not_matter(truths):
    truth = truths["wrong_zone"][1]
    mixed = judge(
        truth,
        content=truth.content.sample(frac=1, random_state=1),
        events=truth.events.sample(frac=1, random_state=1),
    )
    assert mixed.findings == judge(truth).findings


def test_inputs_are_not_changed(truths):
    truth = truths["healthy"][0]
    copies = truth.content.copy(), truth.events.copy(), truth.weather.copy()
    judge(truth)
    pd.testing.assert_series_equal(truth.content, copies[0])
    pd.testing.assert_frame_equal(truth.events, copies[1])
    pd.testing.assert_frame_equal(truth.weather, copies[2])


EXPECTED = Expected("S1", "A", "1", 0.26, 0.12, 0.3, 300.0, 0.5, 12.0, 0.8, 0.3)


def weather(days, rain, eto=5.0):
    index = pd.date_range("2026-05-01", periods=days, name="date")
    return pd.DataFrame({"rain_mm": rain, "eto_mm": eto}, index=index)


NONE = pd.DataFrame({"start": pd.to_datetime([]), "valve": [], "minutes": np.array([])})


def test_the_model_is_the_plans_own_balance():
    rain = np.zeros(20)
    rain[8] = 14.0
    record = weather(20, rain)
    events = pd.DataFrame({"start": ["2026-05-05 04:00"], "valve": ["1"], "minutes": [60.0]})
    events["start"] = pd.to_datetime(events["start"])
    content = modelled_content(EXPECTED, events=events, weather=record)
    water = np.zeros(20)
    water[4] = 12.0
    run = run_balance(rain, np.full(20, 4.0), irrigation=water, taw=42.0, raw=21.0)
    np.testing.assert_allclose(content, 0.26 - run.depletion / 300.0, atol=1e-12)


def test_plateau_and_slopes_of_a_curve_of_known_shape():
    """Sixty days: soaked every tenth day to 0.26, then falling by 4 mm in 300 mm a day."""
    hours = pd.date_range("2026-05-01", periods=60 * 24, freq="h")
    age = (np.arange(60 * 24) % 240) / 24
    curve = pd.Series(0.26 - 0.4 / 30 * age, index=hours)
    starts = hours[(np.arange(60 * 24) % 240 == 0)][1:]
    events = pd.DataFrame({"start": starts, "valve": "1", "minutes": 240.0})
    record = weather(60, 0.0)
    signal = signal_of(curve, expected=EXPECTED, events=events, weather=record)
    # The daily model draws nothing on the day of a soaking: one day's use at most is missing.
    assert 0.26 - 0.4 / 30 - 1e-9 <= signal.plateau <= 0.26
    assert signal.dry_downs["slope"].median() == pytest.approx(-0.4 / 30, rel=1e-3)
    assert (signal.jumps["cause"] == "own").all()
    assert len(signal.jumps) == 5
    assert signal.swing == 0.0
    assert signal.noise == pytest.approx(0.0, abs=1e-9)


def test_rises_that_nothing_explains_are_told():
    hours = pd.date_range("2026-05-01", periods=60 * 24, freq="h")
    age = (np.arange(60 * 24) % 72) / 24
    curve = pd.Series(0.25 - 0.02 * age, index=hours)
    rain = np.zeros(60)
    rain[30] = 3.0
    events = pd.DataFrame({"start": [pd.Timestamp("2026-05-20")], "valve": "1", "minutes": 0.0})
    health = sensor_health(curve, expected=EXPECTED, events=events, weather=weather(60, rain))
    kinds = [f.kind for f in health.findings]
    assert "unexplained_jumps" in kinds
    told = health.findings[kinds.index("unexplained_jumps")]
    assert "leak" in told.cause


def test_evidence_is_drawn_the_same_every_time(truths):
    health = judge(truths["air_gap"][0])
    one, two = evidence_picture(health), evidence_picture(health)
    assert one == two
    assert one.startswith(b"\x89PNG")
    assert evidence_picture(judge(truths["dead"][0])).startswith(b"\x89PNG")
