"""What to do now: a line for each sensor, the most urgent first, on paper, page and screen."""

import pandas as pd
import pytest

from siting.commission import record_of
from siting.commission.health import Finding, Health
from siting.commission.judge import Commissioning, commission, things_to_do
from siting.commission.readings import Readings
from siting.commission.record import report_text
from siting.commission.soil import Capacity
from siting.handoff.webmap import map_document
from siting.planning.make import read_inputs
from siting.site.template import demo_property
from tests.plan_factory import make_plan


@pytest.fixture(scope="module")
def plan():
    return make_plan()


def rows(**cells):
    table = pd.DataFrame.from_dict(cells, orient="index")
    return Readings(sensors=table.rename_axis("sensor_id"))


def capacity(tag, *, accepted=True, low=17.0, words=("It fits.",), withheld=""):
    return Capacity(
        tag, accepted, 23.0, "%", 0.23, low, possible=True, textures=(), words=words,
        withheld=withheld,
    )  # fmt: skip


def found(plan, readings=None, **more):
    return Commissioning(plan, plan, readings or Readings(), **more)


def at(day, hour=8):
    return pd.Timestamp(2026, 5, day, hour)


def test_the_step_that_comes_next(plan):
    said = things_to_do(found(plan))
    assert said == (
        "S1: nothing came back yet: bury it, soak it, wait 24 h, read it.",
        "S2: nothing came back yet: bury it, soak it, wait 48 h, read it.",
    )
    buried = rows(S1={"buried_on": at(1)}, S2={"buried_on": at(1), "soaked_at": at(2)})
    assert things_to_do(found(plan, buried)) == (
        "S1: soak it, keep its valve off, wait 24 h, read it.",
        "S2: keep its valve off, and read it from 2026-05-04 08:00 on.",
    )
    read = {"S1": capacity("S1"), "S2": capacity("S2", accepted=False, words=("Rejected: wet.",))}
    assert things_to_do(found(plan, capacity=read)) == (
        "S2: soak it again, keep its valve off, wait 48 h, read it: wet.",
        "S1: set its threshold to 17 %, and write it down.",
    )
    set_ = rows(S1={"threshold_set": 17.0}, S2={"threshold_set": 30.0})
    both = {tag: capacity(tag) for tag in ("S1", "S2")}
    assert things_to_do(found(plan, set_, capacity=both)) == (
        "S2: set its threshold to 17 %: it stands at 30 %.",
        "S1: tape it: nobody wrote down where it lies.",
    )


def test_what_is_worse_comes_first(plan):
    """A dead sensor before one that misleads, both before the timer and before what is missing."""
    dead = Finding("dead", "It sends nothing.", "cable", "Measure the cable.", ())
    slow = Finding("slow_dry_down", "It dries slowly.", "shade", "Compare.", ())

    def with_findings(one, other):
        health = {
            tag: Health(tag, (finding,), untested=(), signal=None)
            for tag, finding in (("S1", one), ("S2", other))
        }
        return things_to_do(found(plan, health=health, changes=("x",)))

    assert with_findings(slow, dead) == (
        "S2: It sends nothing. Measure the cable.",
        "S1: It dries slowly. Compare.",
        "Timer: type in the new table; the plan was decided again from what was measured.",
    )


def test_it_stands_first_in_report_record_and_map(plan):
    climate = read_inputs(demo_property("yard"))[2]
    done = commission(plan, climate, Readings())
    lines = report_text(done).splitlines()
    assert lines[2] == "What to do now, the most urgent first"
    assert lines[3].startswith("  - S1: nothing came back yet")
    assert record_of(done)["do_now"] == list(done.after.do_now)
    assert map_document(done.after)["panel"]["do_now"] == list(done.after.do_now)
    assert map_document(plan)["panel"]["do_now"] == []
