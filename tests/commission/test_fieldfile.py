"""The file of the field page: refused in one message, brought together, read as the sheet is."""

import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from siting.commission.readings import Answer, merged, read_readings
from siting.errors import InputError
from siting.handoff.webmap import field_document, walking_order
from siting.planning.form import SENSOR_COLUMNS, UNIT_RANGES
from tests.plan_factory import make_plan


@pytest.fixture(scope="module")
def plan():
    return make_plan()


def answer(value, at="2026-05-05T08:00:00Z", by="a", name="depth_mm", sensor="S1"):
    return {"sensor": sensor, "name": name, "value": value, "at": at, "by": by}


def write(path, plan, *answers, **changes):
    zones = {str(tag): str(zone) for tag, zone in plan.sensors["zone"].items()}
    document = {
        "format": "siting-field/1", "property": plan.site.name, "units": plan.settings.units,
        "zones": zones, "answers": list(answers), **changes,
    }  # fmt: skip
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def told(paths, plan):
    with pytest.raises(InputError) as caught:
        read_readings(paths, plan)
    return str(caught.value)


def test_every_fault_of_every_file_in_one_message(plan, tmp_path):
    (tmp_path / "no.json").write_text("{", encoding="utf-8")
    (tmp_path / "plan.json").write_text('{"schema": "siting-plan"}', encoding="utf-8")
    files = [
        tmp_path / "no.json",
        tmp_path / "plan.json",
        write(tmp_path / "other.json", plan, answer("80"), property="Elsewhere"),
        write(tmp_path / "moved.json", plan, answer("80"), zones={"S1": "Back"}),
        write(tmp_path / "half.json", plan, answer("80"), {"sensor": "S1", "value": 3}),
        write(tmp_path / "deep.json", plan, answer("9000", at="2026-05-06T08:00:00Z")),
        write(tmp_path / "strange.json", plan, answer("80", sensor="S9")),
        tmp_path / "missing.json",
    ]
    words = told(files, plan)
    for expected in (
        "no.json: found no JSON", "plan.json: found another kind of JSON",
        'other.json: found property "Elsewhere"', 'moved.json, feature S1: found S1 in zone "Back"',
        "half.json: found answers that are not whole (number 2)",
        'feature S1, column depth_mm: found "9000"', 'found "S9"',
        "missing.json: found a file that",
    ):  # fmt: skip
        assert expected in words, expected


def test_the_later_of_two_devices_counts_and_is_told(plan, tmp_path):
    one = write(tmp_path / "a.json", plan, answer("80"), answer("clay", name="note"))
    late = "2026-05-05T09:00:00Z"
    other = write(
        tmp_path / "b.json", plan, answer("95", at=late, by="b"), answer("", by="b", name="note")
    )
    for order in itertools.permutations([one, other]):
        found = read_readings(order, plan)
        assert found.sensors.loc["S1", "depth"] == pytest.approx(0.095)
        assert found.sensors.loc["S1", "note"] == "clay"
        [words] = [note for note in found.notes if "differ" in note]
        assert '"80"' in words
        assert '"95"' in words
        assert set(found.files) == {"a.json", "b.json"}


def test_one_device_may_change_its_mind(plan, tmp_path):
    one = write(tmp_path / "a.json", plan, answer("80"))
    later = write(tmp_path / "b.json", plan, answer("", at="2026-05-06T08:00:00Z"))
    found = read_readings([later, one], plan)
    assert "S1" not in found.sensors.index or "depth" not in found.sensors
    assert not any("differ" in note for note in found.notes)


def test_bringing_together_keeps_both_and_does_not_depend_on_the_order():
    at = "2026-05-05T08:00:00Z"
    mine, theirs = Answer("S1", "n", "1", at, "a"), Answer("S1", "n", "2", at, "b")
    there, back = merged(mine, theirs), merged(theirs, mine)
    assert {there.value, there.other.value} == {back.value, back.other.value} == {"1", "2"}
    assert merged(there, theirs).other == there.other
    assert merged(mine, replace(mine, said="2026-05-05T09:00:00Z")).said.endswith("09:00:00Z")


def test_the_page_carries_the_limits_of_the_sheet():
    """One source: every column that a crew fills in, with its range; every unit, with its own."""
    for units in ("metric", "us"):
        data = field_document(make_plan(units))
        for column in (c for c in SENSOR_COLUMNS if not c.printed):
            for head in data["heads"][column.name]:
                shown = data["columns"][head]
                low = column.low if math.isfinite(column.low) else None
                high = column.high if math.isfinite(column.high) else None
                assert (shown["low"], shown["high"]) == (low, high)
                assert shown["factor"] == column.factors[head.removeprefix(column.name)]
                assert shown["allowed"] == list(column.allowed)
        assert data["unit_ranges"].keys() == UNIT_RANGES.keys()
        listed = {f for s in data["sensors"]["S1"]["steps"] for f in s["fields"]}
        apart = ("tie_", "reading_", "side", "lat", "lon", "gps", "watered", "rain", "note")
        assert {h for h in data["columns"] if not h.startswith(apart)} == listed


def test_the_walk_is_short_and_visits_every_sensor_once(plan):
    """Held against every order of the sensors: none is shorter."""
    rng = np.random.default_rng(4)
    for _ in range(5):
        places = pd.DataFrame(rng.uniform(-60, 60, (6, 2)), columns=["x", "y"])
        places.index = [f"S{k}" for k in range(1, 7)]
        order = walking_order(replace(plan, sensors=places))
        assert sorted(order) == sorted(places.index)
        door = plan.site.fixtures.geometry[plan.site.fixtures["kind"] == "controller"].iloc[0]

        def length(walk, door=door, places=places):
            way = np.vstack([[door.x, door.y], places.loc[list(walk)]])
            return np.hypot(*np.diff(way, axis=0).T).sum()

        best = min(length(walk) for walk in itertools.permutations(places.index))
        assert length(order) <= 1.1 * best
