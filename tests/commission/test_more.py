"""Temporal stability, savings, measured values and the plan that follows from them."""

import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.commission.health import content_of, sensor_health, threshold_content
from siting.commission.judge import Savings, commission, period_need, realised_savings
from siting.commission.place import Fix, check_place
from siting.commission.readings import Readings
from siting.commission.signal import stability_words, together, walk_words
from siting.commission.soil import (
    Capacity,
    buried_tags,
    consequences,
    measured_site,
    sensor_changes,
    tension_exponent,
)
from siting.errors import InputError
from siting.evidence.walk import relative_differences
from siting.handoff.document import plan_document
from siting.planning.make import read_inputs, replan
from siting.planning.tables import sensor_ids
from siting.site.template import demo_property
from tests.demo_plans import demo_plan
from tests.plan_factory import make_plan
from tests.readings_simulator import simulate
from tests.tries import tries


@pytest.fixture(scope="module")
def yard():
    return demo_plan("yard"), read_inputs(demo_property("yard"))[2]


# ---- temporal stability


@pytest.mark.cross_check(
    "The formula of Vachaud et al. 1985, SSSAJ 49:822, written a second time with pandas"
)
def test_relative_differences_are_those_of_plain_pandas():
    rng = np.random.default_rng(1)
    table = pd.DataFrame(rng.uniform(0.1, 0.3, (40, 5)), columns=list("abcde"))
    relative = (table - table.mean(axis=1).to_numpy()[:, None]) / table.mean(axis=1).to_numpy()[
        :, None
    ]
    found = relative_differences(table)
    assert found["mean"].is_monotonic_increasing
    for name in table:
        assert found.loc[name, "mean"] == pytest.approx(relative[name].mean(), abs=1e-15)
        assert found.loc[name, "sd"] == pytest.approx(relative[name].std(), abs=1e-15)
    assert found["rank"].min() == 0
    assert found["rank"].max() == 1


@given(st.floats(0.01, 100), st.integers(0, 2**31))
@tries(20)
def test_units_do_not_matter_and_means_cancel(scale, seed):
    table = pd.DataFrame(np.random.default_rng(seed).uniform(0.05, 0.4, (12, 4)))
    one, two = relative_differences(table), relative_differences(table * scale)
    np.testing.assert_allclose(one["mean"], two["mean"], atol=1e-12)
    assert one["mean"].sum() == pytest.approx(0.0, abs=1e-12)


def test_only_times_at_which_all_are_known_count():
    days = pd.date_range("2026-05-01", periods=4)
    one = pd.Series([1.0, 2.0, math.nan, 4.0], index=days)
    two = pd.Series([1.0, 2.0, 3.0], index=days[:3])
    assert len(together({"a": one, "b": two})) == 2


def test_a_sensor_that_is_no_longer_the_driest_is_told():
    dry = {f"A/{n}": 0.10 + 0.02 * n for n in range(6)}
    days = pd.date_range("2026-05-01", periods=10)
    table = pd.DataFrame({**dry, "S1": 0.19}, index=days)
    [words] = stability_words(relative_differences(table), {"S1": "A"})
    assert "5 points are drier" in words
    assert "A/1" in words
    table["S1"] = 0.105
    [words] = stability_words(relative_differences(table), {"S1": "A"})
    assert "still among the driest quarter" in words
    [words] = stability_words(relative_differences(table[["S1", "A/0"]]), {"S1": "A"})
    assert "too few points" in words


def test_a_walk_with_a_probe_says_where_to_dig():
    days = pd.date_range("2026-05-01", periods=4)

    def read(**places):
        return {place: pd.Series(value, index=days) for place, value in places.items()}

    assert "S1 reads" not in walk_words("S1", "Lawn", read(S1=0.15, R1=0.20))
    assert walk_words("S1", "Lawn", read(S1=0.15, R1=0.20)).endswith("driest, dig there.")
    # Four readings of 2 % each: two places differ surely by 2 x 0.02 x sqrt(2 / 4) = 2.8 %.
    drier = walk_words("S1", "Lawn", read(S1=0.20, R1=0.15, R2=0.19))
    assert "S1 20.0, R1 15.0, R2 19.0" in drier
    assert drier.endswith("R1 reads drier by 5.0, more than 2.8: dig there.")
    alike = walk_words("S1", "Lawn", read(S1=0.20, R1=0.18))
    assert alike.endswith("alike within 2.8, so the planned point stays.")
    assert walk_words("S1", "Lawn", read(R1=0.2, R2=0.1)) == ""
    assert walk_words("S1", "Lawn", read(S1=0.2)) == ""


# ---- savings


def meter(seed, share, *, months=24, noise=0.05):
    """Return meter periods and daily need; from the middle on `share` of the use is left."""
    rng = np.random.default_rng(seed)
    days = pd.date_range("2024-01-01", periods=months * 30)
    need = pd.Series(3 + 2.5 * np.sin(2 * np.pi * np.arange(len(days)) / 365), index=days)
    need += rng.normal(0, 0.3, len(days))
    start = days[::30]
    since = start[months // 2]
    true = np.array([0.4 * 30 + 1.5 * need[d : d + pd.Timedelta(days=29)].sum() for d in start])
    used = true * np.where(start >= since, share, 1.0) * rng.normal(1, noise, months)
    periods = pd.DataFrame({"start": start, "end": start + pd.Timedelta(days=30), "used_m3": used})
    return periods, need, since, true


def test_savings_of_a_known_truth_lie_in_the_range_as_often_as_it_says():
    inside = 0
    for seed in range(120):
        periods, need, since, true = meter(seed, 0.7)
        found = realised_savings(periods, need, since=since)
        new = (periods["start"] >= since).to_numpy()
        expected = true[new].sum()
        # The range is that of what the old way would have used, so of the saving against it.
        saved = expected * 1.0 - periods["used_m3"][new].sum()
        inside += found.low_m3 <= saved <= found.high_m3
        assert isinstance(found, Savings)
        assert found.fraction == pytest.approx(0.3, abs=0.12)
    assert 0.85 <= inside / 120 <= 1.0


def test_regression_equals_scipy():
    from scipy.stats import linregress

    periods, need, since, _ = meter(3, 0.8)
    found = realised_savings(periods, need, since=since)
    old = (periods["end"] <= since).to_numpy()
    x = period_need(periods, need) / 30
    fit = linregress(x[old], periods["used_m3"][old] / 30)
    expected = 30 * (fit.intercept + fit.slope * x[~old]).sum()
    assert found.expected_m3 == pytest.approx(expected, rel=1e-9)
    assert found.r2 == pytest.approx(fit.rvalue**2, rel=1e-9)


def test_no_saving_is_claimed_without_a_before():
    periods, need, _, _ = meter(3, 0.8)
    words = realised_savings(periods, need, since=periods["start"].iloc[3])
    assert "No saving is claimed" in words
    same = realised_savings(*meter(1, 1.0)[:2], since=meter(1, 1.0)[2])
    assert same.low_m3 < 0 < same.high_m3
    assert "not yet distinct from nothing" in same.words


def test_logged_runs_are_held_against_the_timer(yard):
    before, climate = yard
    timer = before.settings.timer
    valve = str(before.sensors["valve"].iloc[0])
    days = pd.date_range("2026-05-04", periods=56)
    due = days[:: timer.every_n_days]
    minutes = [timer.minutes[valve] if n % 4 else 0.0 for n in range(len(due))]
    events = pd.DataFrame({"start": due, "valve": valve, "minutes": minutes})
    words = commission(before, climate, Readings(events=events)).savings_words
    assert "(25 %)" in words
    assert "confidence" in words
    short = Readings(events=events.iloc[:4])
    assert "no saving is claimed" in commission(before, climate, short).savings_words


# ---- measured values


def test_measured_values_fill_the_property_and_are_told():
    before = make_plan()
    zone = before.zones.index[0]
    zones = pd.DataFrame(
        {"jar_sand": 80.0, "jar_silt": 12.0, "jar_clay": 8.0, "intake": 20.0, "root_depth": 0.12},
        index=pd.Index([zone], name="zone"),
    )
    cans = pd.DataFrame(
        {"zone": zone, "can": range(1, 13), "caught": [8.0] * 6 + [12.0] * 6, "minutes": 30.0}
    )
    site, changes = measured_site(before, Readings(zones=zones, cans=cans))
    row = site.hydrozones.loc[zone]
    assert (row["sand"], row["clay"], row["intake_rate"], row["root_depth"]) == (80, 8, 20, 0.12)
    assert row["distribution_uniformity"] == pytest.approx(0.8)
    assert row["precipitation_rate"] == pytest.approx(20.0)
    assert len(changes) == 4
    assert "loamy sand" in changes[0].words
    assert "intake_rate" not in before.site.hydrozones
    again, none = measured_site(
        type(before)(**{**before.__dict__, "site": site}), Readings(zones=zones, cans=cans)
    )
    assert none == ()
    assert again is site


def test_impossible_measurements_are_told_together():
    before = make_plan()
    zones = pd.DataFrame(
        {"jar_sand": [80.0, 0.0], "jar_silt": [math.nan, 0.0], "jar_clay": [8.0, 0.0]},
        index=pd.Index(before.zones.index[:2], name="zone"),
    )
    with pytest.raises(InputError) as caught:
        measured_site(before, Readings(zones=zones))
    assert len(caught.value.faults) == 2
    cans = pd.DataFrame({"zone": before.zones.index[0], "can": [1], "caught": [3.0]})
    with pytest.raises(InputError, match="1 cans"):
        measured_site(before, Readings(cans=cans))


def _tagged(before, tags):
    """The same plan built anew with tags that are buried."""
    return replan(replace(before, basis=replace(before.basis, tags=tags)))


def _tags_said(found):
    """Every tag in any text or table that a plan hands out."""
    said = json.dumps(plan_document(found)) + found.timer_table.to_csv() + found.zones.to_csv()
    said += "".join(str(frame["sensor_id"].tolist()) for frame in
                    (found.ties, found.wire_routes, found.reserves))  # fmt: skip
    said += "".join(f"{w.headline} {w.answer} {w.reasons} {w.zone_notes} {w.setback_notes}"
                    for w in found.wordings.values())  # fmt: skip
    return set(re.findall(r"\bS[0-9]+\b", said))


def test_a_tag_that_is_buried_is_in_every_table_and_sentence(yard):
    before, _ = yard
    [zone] = before.sensors["zone"]
    kept = _tagged(before, {zone: "S7"})
    assert _tags_said(kept) == {"S7"}
    assert kept.zones.loc[zone, "sensor_id"] == "S7"
    assert set(kept.zones["sensor_id"]) <= {"S7", ""}  # "" where the timer alone runs the valve
    programs = kept.timer_table["program"].reindex(kept.zones.index)
    governed = kept.zones["sensor_id"] != ""
    assert set(programs[governed]) == {"S7"}
    assert kept.sensors.index.tolist() == ["S7"]


def test_a_new_sensor_gets_a_tag_that_was_never_given(yard):
    before, _ = yard
    [zone] = before.sensors["zone"]
    other = next(str(name) for name in before.zones.index if name != zone)
    fresh = _tagged(before, {other: "S1"})
    assert _tags_said(fresh) == {"S2"}
    assert buried_tags(fresh) == {other: "S1", zone: "S2"}
    # What is decided a third time still does not hand out the tag of the sensor without work.
    assert buried_tags(_tagged(fresh, buried_tags(fresh))) == {other: "S1", zone: "S2"}
    [new, idle] = sensor_changes(before, fresh)
    assert new.startswith(f"New: sensor S2 in {zone} (valve ")
    assert idle.startswith(f"Sensor S1 in {zone} would no longer")


def test_two_buried_sensors_keep_their_tags_and_a_third_follows_on():
    places = [SimpleNamespace(x=float(n), y=-float(n)) for n in range(4)]
    decision = SimpleNamespace(
        governors=SimpleNamespace(zone=np.array([0, 1, 2, 3])),
        choice=SimpleNamespace(sensors=(0, 1, 3)),
    )
    zones = ["a", "b", "c", "d"]
    assert sensor_ids(decision, places, zones, {}) == {0: "S1", 1: "S2", 3: "S3"}
    tags = {"a": "S2", "b": "S10", "c": "S4"}
    assert list(sensor_ids(decision, places, zones, tags).items()) == [
        (0, "S2"), (1, "S10"), (3, "S11")
    ]  # fmt: skip


def test_shallow_roots_decide_the_yard_again(yard):
    before, climate = yard
    zone = before.sensors["zone"].iloc[0]
    zones = pd.DataFrame({"root_depth": [0.12]}, index=pd.Index([zone], name="zone"))
    found = commission(before, climate, Readings(zones=zones))
    assert [c.column for c in found.measured] == ["root_depth"]
    after = found.after
    assert after.zones.loc[zone, "root_depth_m"] == 0.12
    assert after.zones.loc[zone, "need_score"] > 1.5 * before.zones.loc[zone, "need_score"]
    joined = "\n".join(found.changes)
    assert "water-need score" in joined
    # A sensor in a zone that had one keeps its tag; elsewhere it gets one that was never given.
    homes = {str(row["zone"]): str(tag) for tag, row in before.sensors.iterrows()}
    for tag, row in after.sensors.iterrows():
        assert homes.get(str(row["zone"]), tag) == tag
        assert (str(row["zone"]) in homes) == (tag in homes.values())
    assert plan_document(after)["warnings"][0].startswith("measured:")
    assert sensor_changes(before, before) == ()
    assert consequences(before, before) == ()


def test_a_buried_sensor_stays_where_it_was_dug(yard):
    before, climate = yard
    tag = before.sensors.index[0]
    other = before.sensors.copy()
    other.loc[tag, "x"] += 2.0
    moved = type(before)(**{**before.__dict__, "sensors": other})
    zones = pd.DataFrame({"root_depth": [0.2]}, index=pd.Index([before.sensors["zone"].iloc[0]]))
    sheet = pd.DataFrame(
        {"buried_on": [pd.Timestamp("2026-05-01")]}, index=pd.Index([tag], name="sensor_id")
    )
    found = commission(
        before, climate, Readings(zones=zones, sensors=sheet), replan=lambda *_: moved
    )
    assert found.after.sensors.loc[tag, "x"] == before.sensors.loc[tag, "x"]
    assert found.as_built[tag].moved_m == 0.0  # from the plan it was dug by
    assert "tape it" in found.recheck[0]
    fresh = commission(before, climate, Readings(zones=zones), replan=lambda *_: moved)
    assert fresh.after.sensors.loc[tag, "x"] == moved.sensors.loc[tag, "x"]


def test_nothing_back_changes_nothing(yard):
    before, climate = yard
    found = commission(before, climate, Readings())
    assert found.after.sensors.drop(columns="geometry").equals(
        before.sensors.drop(columns="geometry")
    )
    assert found.changes == ()
    assert "no saving is claimed" in found.savings_words
    assert found.recheck


def test_the_updated_plan_stands_where_the_sensor_is(yard):
    before, climate = yard
    tag = before.sensors.index[0]
    ties = before.ties[before.ties["sensor_id"] == tag].sort_values("tie")
    x, y = before.sensors.loc[tag, "x"] + 0.3, before.sensors.loc[tag, "y"] - 0.1
    taped = np.hypot(ties["from_x"] - x, ties["from_y"] - y)
    row = {f"tie_{n}": m for n, m in zip(ties["tie"], taped, strict=True)}
    row |= {"side": ties["side"].iloc[0], "depth": 0.1}
    sensors = pd.DataFrame([row], index=pd.Index([tag], name="sensor_id"))
    found = commission(before, climate, Readings(sensors=sensors))
    at = found.as_built[tag].fix
    built = found.after.sensors.loc[tag]
    assert (built["x"], built["y"], built["depth_m"]) == (at.x, at.y, 0.1)
    assert built.geometry.x == at.x
    new = found.after.ties[found.after.ties["sensor_id"] == tag].sort_values("tie")
    np.testing.assert_allclose(new["distance_m"], taped, atol=1e-6)
    np.testing.assert_allclose(new["angle_deg"], ties["angle_deg"], atol=6)
    planned = check_place(before, tag, Fix(at.x, at.y, at.error_m, (), "2 ties"))
    assert built["setback_ratio"] == planned.setback_ratio
    document = plan_document(found.after)
    assert document["sensors"][0]["depth_m"] == 0.1
    bad = sensors[["tie_1", "tie_2"]]
    with pytest.raises(InputError, match="mirror"):
        commission(before, climate, Readings(sensors=bad))


# ---- other devices


@pytest.mark.parametrize("unit", ["%", "m3/m3", "kPa", "device"])
@pytest.mark.parametrize("fault", ["healthy", "air_gap", "threshold_low"])
def test_the_unit_of_the_device_does_not_change_the_verdict(unit, fault):
    truth = simulate(fault, 301)
    expected = truth.expected
    power = tension_exponent(expected.field_capacity, expected.wilting_point)
    shown = {
        "%": lambda v: 100 * v,
        "m3/m3": lambda v: v,
        "kPa": lambda v: 33 * (expected.field_capacity / v) ** power,
        "device": lambda v: 1000 * v,
    }[unit]
    full = float(shown(expected.field_capacity))
    read = Capacity(
        sensor_id="S1", accepted=True, reading=full, unit=unit, vwc=math.nan, low=math.nan,
        possible=True, textures=(), words=(),
    )  # fmt: skip
    content, note = content_of(
        shown(truth.content.clip(lower=0.02)), unit, expected=expected, capacity=read
    )
    row = {"threshold_set": float(shown(truth.threshold)), "reading_unit": unit}
    threshold = threshold_content(row, expected=expected, capacity=read)
    assert threshold == pytest.approx(truth.threshold, rel=1e-9)
    assert bool(note) == (unit in {"kPa", "device"})
    health = sensor_health(
        content, expected=expected, events=truth.events, weather=truth.weather, threshold=threshold
    )
    assert health.verdict == fault
