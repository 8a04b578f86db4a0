"""What is printed is what was promised: sheets of the demo properties, played by `tests.replay`.

From `plan.json` come the threshold of each sensor (points of volume below the soak reading), whom
it governs, the days of each program, the minutes of each valve and the percent of each month.
Weather, soil, evenness and the errors of the readings are inputs, not results: they are taken from
the plan's survey. What each zone then uses and suffers is held to what its line of `plan.json`
says.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from siting.decide.decision import property_roots
from siting.handoff.document import plan_document
from siting.planning.make import replan
from tests.demo_plans import demo_plan
from tests.replay import Sensor, Sheet, Zone, play, worst_tenth
from tests.some import some

#: Stress days are told to 0.01 d; water to 0.01 m3, minutes as they are typed.
STRESS_DAYS = 0.05
WATER = 0.005

WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
SLOW = ("fields", "campus")


@cache
def planned(name):
    return demo_plan(name)


def printed_days(words, dates):
    """Days (D, Y) that a crew would set for "Mon, Thu", "every day" or "every 2 days"."""
    number = dates.astype("datetime64[D]").astype(int)
    if words == "every day":
        return np.ones(dates.shape, dtype=bool)
    if words.startswith("every "):
        turn = int(words.split()[1])
        return (number - number[0]) % turn == 0
    wanted = [WEEK.index(word) for word in words.split(", ")]
    return np.isin((number + 3) % 7, wanted)  # 1970-01-01 was a Thursday


def printed_sheet(plan, document):
    """The sheet of a plan's document, with the survey's weather and ground under it."""
    known, site = plan.basis.survey, plan.site
    drawn = known.scenarios
    known = replace(known, scenarios=replace(drawn, count=plan.decision["sheet_scenarios"]))
    roots = property_roots(known)
    names = [str(zone) for zone in site.hydrozones.index]
    lines = {line["zone"]: line for line in document["timer"]}
    dates, many = known.seasons.dates, known.scenarios.count
    days = {n: np.tile(printed_days(lines[n]["days"], dates), (1, many)) for n in names}
    zones, sensors = {}, []
    for z, name in enumerate(names):
        root = roots.zone(z)
        zones[name] = Zone(
            etc=root.etc,
            rain=root.rain,
            taw=root.taw,
            raw=root.raw,
            receives=root.application,
            rate=float(known.water["precipitation_rate"].iloc[z]) / 60,
            minutes={
                month["month"]: lines[name]["run_minutes"] * month["percent"] / 100
                for month in lines[name]["months"]
            },
            layer=root.sensor_share,
        )
    for sensor in document["sensors"]:
        z = names.index(sensor["zone"])
        root, capacity = roots.zone(z), float(roots.capacity[z])
        sensors.append(
            Sensor(
                zone=sensor["zone"],
                governs=tuple(sensor["governs"]),
                days=days[sensor["zone"]],
                drop=sensor["threshold"]["step_vwc"],
                # What the soil of each run holds; the threshold knows only the soil described.
                capacity=capacity * root.taw / root.described_mm,
                error=root.reading_error * capacity,
            )
        )
    governed = {name for sensor in sensors for name in sensor.governs}
    timer = {name: days[name] for name in names if name not in governed}
    return Sheet(zones, known.seasons.month, tuple(sensors), timer)


def held(plan):
    """Play the sheet of a plan and hold each zone, and the season, to what is printed."""
    document = plan_document(plan)
    sheet = printed_sheet(plan, document)
    played = play(sheet)
    total = 0.0
    for zone in document["zones"]:
        became, limit = played[zone["zone"]], plan.decision["limits"][zone["zone"]]
        stress = worst_tenth(became.stress_days)
        assert stress == pytest.approx(zone["stress_days"], abs=STRESS_DAYS), zone["zone"]
        if zone["control"] != "timer":
            assert stress <= limit + STRESS_DAYS, zone["zone"]
        water = became.water_mm.mean() * zone["area_m2"] / 1000
        assert water == pytest.approx(zone["water_m3"], rel=WATER, abs=0.02), zone["zone"]
        assert became.events.mean() == pytest.approx(zone["events"], abs=0.1)
        total += water
    assert total == pytest.approx(document["season"]["plan"]["mean"], rel=WATER)
    return document


@pytest.mark.parametrize(
    "name",
    ["yard", "court", *(pytest.param(name, marks=pytest.mark.long) for name in SLOW)],
)
def test_the_printed_sheet_keeps_the_promise(name):
    document = held(planned(name))
    assert document["sensors"]
    # A threshold is a whole step of the display.
    for sensor in document["sensors"]:
        steps = sensor["threshold"]["step_vwc"] / 0.005
        assert steps == pytest.approx(round(steps), abs=1e-6)
    # A zone with a sensor runs the same whole minutes in every month; elsewhere what is printed for
    # a month is what its percent makes of them, which is what was played.
    for line in document["timer"]:
        for month in line["months"]:
            assert month["run_minutes"] == pytest.approx(
                line["run_minutes"] * month["percent"] / 100, abs=1e-9
            )
        if line["control"] != "timer":
            assert {m["run_minutes"] for m in line["months"]} == {line["run_minutes"]}
            assert line["run_minutes"] == round(line["run_minutes"])


@pytest.mark.parametrize(
    "name",
    ["yard", "court", *(pytest.param(name, marks=pytest.mark.long) for name in SLOW)],
)
def test_the_sheet_that_heals_keeps_its_promise_too(name):
    document = held(replan(planned(name), control__aim="within_limit"))
    limit = planned(name).settings.control.max_stress_days
    told = " ".join(document["warnings"])
    for zone in some(document["zones"]):
        assert zone["stress_days"] <= limit + STRESS_DAYS or zone["zone"] in told


def test_a_wetter_threshold_than_printed_would_not_pass():
    plan = planned("yard")
    document = plan_document(plan)
    for sensor in document["sensors"]:
        sensor["threshold"]["step_vwc"] -= 0.01
    played = play(printed_sheet(plan, document))
    water = sum(
        played[zone["zone"]].water_mm.mean() * zone["area_m2"] / 1000 for zone in document["zones"]
    )
    assert water > document["season"]["plan"]["mean"] * (1 + WATER)
