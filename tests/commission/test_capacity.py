"""The reading after a soaking: plateau, rejection, texture, threshold in the device's units."""

import csv
import datetime as dt
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.commission.judge import plan_as_built
from siting.commission.soil import (
    capacity_of,
    held_water,
    matching_textures,
    tension_exponent,
    threshold_in_units,
)
from siting.handoff.document import plan_document
from siting.handoff.mapcards import sensor_steps
from siting.handoff.sheets import threshold_steps
from siting.season.scheduling import DeviceReading
from siting.site.handbook import SOIL_CLASSES
from siting.water.soil import saxton_rawls
from tests.demo_plans import demo_plan
from tests.plan_schema import schema
from tests.tries import tries

TABLE_19 = Path(__file__).parents[1] / "data" / "fao56_table19.csv"


@pytest.fixture(scope="module")
def yard():
    return demo_plan("yard")


def at(hours):
    return dt.datetime(2026, 5, 2, 7) + dt.timedelta(hours=hours)  # noqa: DTZ001


def row(*readings, unit="%", **cells):
    found = {"soaked_at": at(0), "reading_unit": unit, **cells}
    for number, (hours, value) in enumerate(readings, start=1):
        found |= {f"reading_{number}_at": at(hours), f"reading_{number}": value}
    return found


@pytest.fixture
def read(yard):
    tag = yard.sensors.index[0]
    return lambda *readings, events=None, weather=None, **cells: capacity_of(
        yard, tag, row(*readings, **cells), events=events, weather=weather
    )


@pytest.mark.published("FAO-56 Table 19: field capacity of nine texture classes")
def test_ranges_are_those_of_table_19():
    with TABLE_19.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    names = {"silt clay loam": "silty clay loam"}
    for published in rows:
        ours = SOIL_CLASSES[names.get(published["texture"], published["texture"])].capacities
        assert (ours.low, ours.high) == (float(published["FC_lo"]), float(published["FC_hi"]))
    assert len(rows) == 9


def test_every_class_of_the_planner_lies_in_its_own_range():
    for name, soil in SOIL_CLASSES.items():
        assert name in matching_textures(soil.field_capacity)


@pytest.mark.published("Saxton & Rawls 2006 Eqs 11, 14, 15: psi = A theta^-B")
def test_tension_curve_goes_through_33_and_1500_kpa():
    water = saxton_rawls(40.0, 20.0)
    field, wilting = float(water.field_capacity), float(water.wilting_point)
    power = tension_exponent(field, wilting)
    a = math.exp(math.log(33) + power * math.log(field))
    assert a * wilting**-power == pytest.approx(1500)
    half, _ = threshold_in_units(
        33.0, "kPa", depleted=1.0, field_capacity=field, wilting_point=wilting
    )
    assert half == pytest.approx(1500)


@given(st.floats(0.0, 0.9), st.floats(0.15, 0.4), st.floats(0.3, 0.7))
@tries(40)
def test_threshold_is_drier_the_more_may_be_used(depleted, field, share):
    wilting = field * share
    for unit, reading, sign in (("%", 100 * field, -1), ("m3/m3", field, -1), ("kPa", 33.0, 1)):
        low, _ = threshold_in_units(
            reading, unit, depleted=depleted, field_capacity=field, wilting_point=wilting
        )
        assert sign * (low - reading) >= -1e-9
    percent, _ = threshold_in_units(
        100 * field, "%", depleted=depleted, field_capacity=field, wilting_point=wilting
    )
    fraction, _ = threshold_in_units(
        field, "m3/m3", depleted=depleted, field_capacity=field, wilting_point=wilting
    )
    assert percent == pytest.approx(100 * fraction)


@pytest.mark.practice("extension guides: threshold at the reading or up to 20 % lower")
def test_a_scale_without_unit_is_lowered_by_at_most_a_fifth():
    low, note = threshold_in_units(
        500.0, "device", depleted=0.9, field_capacity=0.2, wilting_point=0.08
    )
    assert low == 400.0
    assert "20 %" in note


def test_a_level_reading_is_field_capacity(read, yard):
    tag = yard.sensors.index[0]
    found = read((48, 25.0), (60, 24.7))
    assert found.accepted
    assert "loam" in found.textures
    field, wilting = held_water(yard, str(yard.sensors.loc[tag, "zone"]))
    share = yard.sensors.loc[tag, "threshold_low_fraction"]
    assert found.low == pytest.approx(24.7 - 100 * share * (field - wilting))
    assert f"Set the threshold to {found.low:.1f} %" in found.words[-1]


@pytest.mark.parametrize(
    ("readings", "cells", "word"),
    [
        ([(20, 25.0)], {}, "needs 48 h"),
        ([(48, 26.0), (60, 22.0)], {}, "still draining"),
        ([(48, 22.0), (60, 26.0)], {}, "it rises"),
        ([(48, 25.0)], {"watered_since": True}, "watered after"),
        ([(48, 25.0)], {"rain_since": 6.0}, "6 mm of rain"),
        ([(48, 25.0)], {"soaked_at": None}, "time of the soaking"),
        ([(48, 60.0)], {}, "It fits no soil"),
        ([(48, 8.0)], {}, "It would fit sand"),
    ],
)
def test_what_is_no_field_capacity_is_rejected_with_its_reason(read, readings, cells, word):
    found = read(*readings, **cells)
    assert not found.accepted
    assert word in " ".join(found.words)
    assert found.words[-1] == "No threshold is set from it."


def test_logs_are_asked_too(read, yard):
    valve = str(yard.sensors["valve"].iloc[0])
    events = pd.DataFrame({"start": [at(20)], "valve": [valve], "minutes": [20.0]})
    assert "ran at 2026-05-03 03:00" in " ".join(read((48, 25.0), events=events).words)
    other = events.assign(valve="none")
    assert read((48, 25.0), events=other).accepted
    days = pd.date_range("2026-05-01", periods=5, name="date")
    weather = pd.DataFrame({"rain_mm": [9.0, 9.0, 0, 0, 0]}, index=days)
    assert read((48, 25.0), weather=weather).accepted  # before the soaking, or on its day
    weather["rain_mm"] = [0, 0, 7.0, 0, 0]
    assert "7 mm of rain" in " ".join(read((48, 25.0), weather=weather).words)


def test_an_uncalibrated_sensor_just_outside_is_taken_and_told(read):
    found = read((48, 32.0))
    assert found.accepted
    assert "just outside loam" in " ".join(found.words)
    assert read((48, 31.0), unit="kPa").accepted
    assert not read((48, 300.0), unit="kPa").accepted
    assert read((48, 612.0), unit="device").accepted
    assert np.isnan(read((48, 612.0), unit="device").vwc)
    assert read() is None


# ---- what a device can tell apart


def _with_step(yard, points):
    """A plan whose threshold lies so many points of water by volume below field capacity."""
    tag = yard.sensors.index[0]
    field, wilting = held_water(yard, str(yard.sensors.loc[tag, "zone"]))
    sensors = yard.sensors.copy()
    share = points / 100 / (field - wilting)
    sensors.loc[tag, "threshold_low_fraction"] = share
    sensors.loc[tag, "threshold_vwc"] = field - points / 100
    return replace(yard, sensors=sensors), tag


@given(st.floats(0.001, 0.03), st.floats(0.001, 0.02))
@tries(40)
def test_a_device_tells_no_less_than_its_noise_and_its_display(noise, display):
    least = DeviceReading(residual_error=noise, resolution=display).least_step
    assert least >= max(noise, display)
    assert least <= math.hypot(noise, display)


@pytest.mark.parametrize(("points", "handed"), [(0.5, False), (1.3, False), (1.6, True), (4, True)])
def test_no_threshold_below_what_the_device_tells_apart(yard, points, handed):
    plan, tag = _with_step(yard, points)
    found = capacity_of(plan, tag, row((48, 25.0), (60, 24.7)))
    assert found.accepted  # the reading is field capacity all the same
    assert math.isfinite(found.low) == handed
    assert (found.withheld == "") == handed
    said = found.words[-1]
    assert ("Set the threshold" in said) == handed
    if not handed:
        assert f"leaves {points:.1f} points of water by volume" in said
        assert "tells 1.4 apart" in said
    fine = DeviceReading(residual_error=0.003, resolution=0.001)
    assert capacity_of(plan, tag, row((48, 24.7)), device=fine).withheld == ""


def test_a_withheld_threshold_stands_nowhere(yard):
    plan, tag = _with_step(yard, 0.5)
    read = capacity_of(plan, tag, row((48, 25.0), (60, 24.7)))
    after = plan_as_built(plan, {}, {tag: read}, depths={}, warnings=(), files={})
    [sensor] = plan_document(after)["sensors"]
    assert sensor["threshold"]["vwc"] is None
    assert sensor["threshold"]["note"] == read.withheld
    steps = [*threshold_steps(after, after.sensors.loc[tag]), *sensor_steps(after.sensors.loc[tag])]
    assert steps.count(read.withheld) == 2
    assert not any("Set the threshold" in str(words) or "Threshold:" in str(words)
                   for words in steps)  # fmt: skip
    jsonschema.validate(plan_document(after), schema())
    assert held_water(after, str(sensor["zone"])) == pytest.approx(
        held_water(plan, str(sensor["zone"]))
    )  # the soil is still known
