"""plan.json: documented to the last key, byte-stable, and true to the plan."""

import dataclasses
import json
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.handoff.document import _plain, crs_name, plan_document, write_json
from siting.planning.tables import SCHEMA_NAME
from tests.plan_factory import HOSTILE, make_plan
from tests.plan_schema import schema
from tests.some import some


def _keys(value, path=""):
    """Every key path of a document; list items share one path."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield f"{path}/{key}"
            yield from _keys(inner, f"{path}/{key}")
    elif isinstance(value, list):
        for inner in value:
            yield from _keys(inner, f"{path}[]")


def _described(node, path=""):
    """Every key path that a schema describes."""
    for key, inner in node.get("properties", {}).items():
        assert inner.get("description", "").strip(), f"{path}/{key} has no description"
        yield f"{path}/{key}"
        yield from _described(inner, f"{path}/{key}")
    if "items" in node:
        yield from _described(node["items"], f"{path}[]")


@pytest.mark.parametrize("hostile", [False, True])
def test_valid_by_its_own_schema(hostile):
    jsonschema = pytest.importorskip("jsonschema")
    checker = jsonschema.Draft202012Validator(schema())
    checker.check_schema(schema())
    assert list(checker.iter_errors(plan_document(make_plan(hostile=hostile)))) == []


def test_every_key_is_described_and_every_described_key_written():
    written = {k for k in _keys(plan_document(make_plan())) if not k.startswith("/provenance/")}
    assert written == set(_described(schema()))


def test_numbers_carry_their_units_in_the_description():
    unitless = []

    def walk(node, path):
        for key, inner in node.get("properties", {}).items():
            if "number" in inner.get("type", ()) and "[" not in inner["description"]:
                unitless.append(f"{path}/{key}")
            walk(inner, f"{path}/{key}")
        if "items" in node:
            walk(node["items"], f"{path}[]")

    walk(schema(), "")
    counts = {"/sensors[]/setback_ratio", "/zones[]/events", "/zones[]/today_events"}
    assert set(unitless) == counts


def test_same_plan_same_bytes(tmp_path):
    first = write_json(make_plan(), tmp_path / "a.json").read_bytes()
    second = write_json(make_plan(), tmp_path / "b.json").read_bytes()
    assert first == second
    assert first.endswith(b"}\n")
    assert b"NaN" not in first
    assert json.loads(first)["schema"] == SCHEMA_NAME


def test_values_are_the_plans_own():
    plan = make_plan()
    document = plan_document(plan)
    assert [s["sensor_id"] for s in document["sensors"]] == list(plan.sensors.index)
    for sensor, row in zip(document["sensors"], plan.sensors.itertuples(), strict=True):
        assert sensor["x"] == pytest.approx(row.source_x, abs=0.0005)
        assert sensor["lat"] == pytest.approx(row.lat, abs=5e-9)
        assert sensor["governs"] == list(row.governs)
        assert sensor["threshold"]["low_mm"] == pytest.approx(row.threshold_low_mm)
        ties = plan.ties[plan.ties["sensor_id"] == sensor["sensor_id"]]
        assert [t["distance_m"] for t in sensor["ties"]] == pytest.approx(
            list(ties["distance_m"]), abs=0.0005
        )
    saved = plan.season["saved_m3"]
    assert document["season"]["saved_m3"] == {
        "mean": round(float(saved.mean()), 2),
        "low": float(saved.min()),
        "high": float(saved.max()),
    }
    assert document["zones"][0]["cycles"] == 2
    assert isinstance(document["zones"][0]["cycles"], int)
    assert document["zones"][3]["defaults"] == ["soil", "irrigation", "precipitation_rate"]


def test_fixed_points_lie_at_the_tie_distance():
    for sensor in some(plan_document(make_plan())["sensors"]):
        for tie in some(sensor["ties"]):
            apart = math.dist((sensor["x"], sensor["y"]), (tie["from_x"], tie["from_y"]))
            # UTM scale on the central meridian is 0.9996
            assert apart == pytest.approx(tie["distance_m"], rel=6e-4)


def test_unknown_is_null_and_no_timer_means_no_saving():
    plan = make_plan()
    season = plan.season.assign(baseline_m3=math.nan, saved_m3=math.nan, saved_fraction=math.nan)
    document = plan_document(dataclasses.replace(plan, season=season))
    assert document["season"]["baseline"] is None
    assert document["season"]["saved_m3"] is None
    assert document["season"]["plan"]["low"] == float(season["plan_m3"].min())
    assert document["sensors"][0]["ties"][0]["angle_deg"] is None


def test_degrees_keep_eight_decimals():
    plan = make_plan()
    import pyproj

    site = dataclasses.replace(plan.site, source_crs=pyproj.CRS.from_epsg(4326))
    sensors = plan.sensors.assign(source_x=plan.sensors["lon"], source_y=plan.sensors["lat"])
    document = plan_document(dataclasses.replace(plan, site=site, sensors=sensors))
    assert document["property"]["crs"] == "EPSG:4326"
    assert [s["x"] for s in document["sensors"]] == [s["lon"] for s in document["sensors"]]


def test_hostile_names_survive_unchanged(tmp_path):
    path = write_json(make_plan(hostile=True), tmp_path / "plan.json")
    document = json.loads(path.read_text(encoding="utf-8"))
    assert document["property"]["name"] == HOSTILE[0]
    assert document["cautions"] == list(HOSTILE)


def test_provenance_is_made_plain():
    plan = make_plan()
    odd = {"b": np.float64(1.5), "a": (np.int64(2), math.nan), "c": {"path": plan.settings.path}}
    document = plan_document(dataclasses.replace(plan, provenance=odd))
    assert list(document["provenance"]) == ["a", "b", "c"]
    assert document["provenance"]["a"] == [2, None]
    assert document["provenance"]["c"] == {"path": str(plan.settings.path)}
    json.dumps(document, allow_nan=False)


def test_crs_without_a_code_is_written_as_wkt():
    plan = make_plan()
    assert crs_name(plan.site.source_crs) == "EPSG:32617"
    assert "Transverse" in crs_name(plan.site.crs)


@given(st.floats(allow_nan=True, allow_infinity=True), st.integers(0, 8))
def test_plain_numbers_are_finite_rounded_and_never_minus_zero(value, decimals):
    plain = _plain(np.float64(value), decimals)
    if not math.isfinite(value):
        assert plain is None
    else:
        assert math.copysign(1, plain) == 1 or plain != 0
        assert plain == pytest.approx(value, abs=0.51 * 10**-decimals, rel=1e-15)


def test_inputs_are_not_changed():
    plan, untouched = make_plan(), make_plan()
    plan_document(plan)
    pd.testing.assert_frame_equal(pd.DataFrame(plan.zones), pd.DataFrame(untouched.zones))
