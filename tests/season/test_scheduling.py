"""Depths, thresholds, run times, cycle and soak against printed examples."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.season.controls import CONTROLS
from siting.season.scheduling import (
    DEPTHS,
    cycle_and_soak,
    run_minutes,
    sensor_depth,
    threshold_note,
    threshold_vwc,
)
from siting.site.handbook import PLANT_KINDS
from siting.site.settings import CONTROL_KINDS, PLANTS

INCH = 25.4


@pytest.mark.practice("turf about 3 in; under new sod about 1 in, the sod laid on it")
def test_depth_under_turf():
    for turf in ("cool_season_turf", "warm_season_turf"):
        depth, note = sensor_depth(turf, root_depth_m=0.30, new_sod=False)
        assert depth == pytest.approx(3 * 0.0254)
        assert "common practice, no source" in note
        depth, note = sensor_depth(turf, root_depth_m=0.30, new_sod=True)
        assert depth == pytest.approx(1 * 0.0254)
        assert "sod laid on it" in note
        told = sensor_depth(turf, root_depth_m=0.30, new_sod=True, units="us")[1]
        assert told == note.replace(" (25 mm)", "")


@pytest.mark.practice("ornamentals 6 to 12 in or deeper, in the root zone")
@pytest.mark.parametrize("plants", ["shrubs", "perennials", "annuals", "groundcover", "mixed"])
def test_depth_under_ornamentals(plants):
    for root in (0.2, 0.3, 0.5, 0.9, math.nan):
        depth, _ = sensor_depth(plants, root_depth_m=root, new_sod=True)
        assert 6 * 0.0254 - 1e-9 <= depth <= 12 * 0.0254 + 1e-9


def test_every_plant_has_a_rule_and_no_sensor_lies_below_the_roots():
    assert {kind.buried for kind in PLANT_KINDS.values()} == set(DEPTHS)
    for plants in PLANTS:
        for root in (0.05, 0.1, 0.3, 1.0, 3.0):
            depth, note = sensor_depth(plants, root_depth_m=root)
            assert 0 < depth <= root
            assert note
    deep = sensor_depth("trees", root_depth_m=1.0)[0]
    assert deep > sensor_depth("shrubs", root_depth_m=1.0)[0]


def test_shallow_roots_are_named():
    depth, note = sensor_depth("warm_season_turf", root_depth_m=0.10)
    assert depth == pytest.approx(0.05)
    assert "0.10 m" in note
    depth, note = sensor_depth("shrubs", root_depth_m=0.10)
    assert depth == pytest.approx(0.10)
    assert "0.10 m" in note
    assert "unknown" in sensor_depth("trees", root_depth_m=math.nan)[1]


def test_roots_are_named_in_the_units_of_the_crew():
    _, note = sensor_depth("cool_season_turf", root_depth_m=0.1016, units="us")
    assert "roots of only 4.0 in" in note


def test_threshold_runs_from_field_capacity_to_wilting_point():
    assert threshold_vwc(0.28, 0.14, depleted_fraction=0) == 0.28
    assert threshold_vwc(0.28, 0.14, depleted_fraction=1) == pytest.approx(0.14)
    assert threshold_vwc(0.28, 0.14, depleted_fraction=0.25) == pytest.approx(0.245)


@pytest.mark.closed_form("60 x depth / rate: 0.20 in at 0.50 in/h = 24 min; x 7/3 days = 56 min")
def test_run_time():
    daily = run_minutes(0.20 * INCH, 0.50 * INCH)
    assert daily == pytest.approx(24)
    assert run_minutes(0.20 * INCH * 7 / 3, 0.50 * INCH) == pytest.approx(56)
    assert run_minutes(0.20 * INCH, 0.50 * INCH, efficiency=0.75) == pytest.approx(32)


@pytest.mark.closed_form(
    "60 ASA / (PR - IR) at PR 1.5 in/h: loam 0-3 % (0.35, 0.30) 15.65 min; clay 0-3 % (0.10, "
    "0.20) 8.57 min; clay > 12 % (0.10, 0.10) 4.29 min"
)
@pytest.mark.parametrize(
    ("intake", "accumulation", "longest"),
    [(0.35, 0.30, 15.65), (0.10, 0.20, 8.57), (0.10, 0.10, 4.29)],
)
def test_longest_cycle(intake, accumulation, longest):
    soil = {
        "precipitation_rate": 1.5 * INCH,
        "intake_rate": intake * INCH,
        "surface_accumulation_mm": accumulation * INCH,
    }
    assert cycle_and_soak(longest - 0.01, **soil)[0] == 1
    cycles, length, soak = cycle_and_soak(longest + 0.01, **soil)
    assert cycles == 2
    assert length == pytest.approx(longest / 2, abs=0.01)
    # What a cycle leaves standing is gone when the next begins.
    assert soak * intake == pytest.approx(length * (1.5 - intake))


def test_slow_heads_need_no_cycles():
    soil = {"intake_rate": 10.0, "surface_accumulation_mm": 5.0}
    assert cycle_and_soak(90, precipitation_rate=10.0, **soil) == (1, 90, 0.0)
    assert cycle_and_soak(0, precipitation_rate=40.0, **soil) == (1, 0, 0.0)


@given(
    minutes=st.floats(0.1, 300),
    rate=st.floats(2, 60),
    intake=st.floats(1, 30),
    standing=st.floats(2, 12),
)
def test_cycles_add_up_to_the_run_time_and_never_run_off(minutes, rate, intake, standing):
    cycles, length, soak = cycle_and_soak(
        minutes, precipitation_rate=rate, intake_rate=intake, surface_accumulation_mm=standing
    )
    assert cycles * length == pytest.approx(minutes)
    assert length * (rate - intake) / 60 <= standing * (1 + 1e-6)
    assert (soak > 0) == (cycles > 1)
    if cycles > 1:  # one cycle fewer would run off
        assert minutes / (cycles - 1) * (rate - intake) / 60 > standing * (1 - 1e-6)


@pytest.mark.practice("threshold: the reading 24 h after a soaking on sand, 72 h on clay, or lower")
def test_threshold_notes_say_how_to_set_it():
    bypass = threshold_note("bypass", soak_wait_hours=24, low_fraction=0.15)
    assert "24 h" in bypass
    assert "85 % of available water" in bypass
    assert "skipped" in bypass
    assert "at that reading" in threshold_note("bypass", soak_wait_hours=72, low_fraction=0.0)
    demand = threshold_note("on_demand", soak_wait_hours=48, low_fraction=0.4, step_vwc=0.06)
    assert "Start watering 6.0 points by volume below it, at 60 % of available water" in demand
    assert "for the minutes on the sheet" in demand


def test_every_kind_of_control_is_told_in_full():
    assert tuple(CONTROLS) == CONTROL_KINDS
    for kind in CONTROLS.values():
        assert all((kind.name, kind.does, kind.seen, kind.compared))
        for template in (kind.note, kind.step, kind.line):
            assert template.format("at 60 %", place="at 60 %").count("at 60 %") == 1
