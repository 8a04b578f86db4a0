"""The gallery in maps/: four kinds of property, each as today's program plans it."""

import json
from pathlib import Path

import numpy as np
import pytest

from siting.demo import DEMOS, demo_property
from siting.planning import plan_property

MAPS = Path(__file__).parent.parent / "maps"


def digest(document: dict) -> dict:
    """Return what a reader of the gallery sees: sensors, groups and whole amounts."""
    return {
        "governs": {s["sensor_id"]: sorted(s["governs"]) for s in document["sensors"]},
        "zones": sorted(zone["zone"] for zone in document["zones"]),
        "points": [(s["x"], s["y"]) for s in document["sensors"]],
        "depths": [s["depth_m"] for s in document["sensors"]],
        "water": document["season"]["plan"]["mean"],
        "answer": document["answer"],
    }


@pytest.mark.parametrize("name", DEMOS)
def test_gallery_is_what_the_program_plans_today(name):
    from siting.handoff.planjson import plan_document

    stored = digest(json.loads((MAPS / name / "plan.json").read_text("utf-8")))
    fresh = digest(plan_document(plan_property(demo_property(name))))
    advice = "the gallery has drifted: run python maps/render.py and look at what changed"
    for key in ("zones", "governs", "depths"):
        assert fresh[key] == stored[key], advice
    # Another machine's last digits may move a point by a hair.
    np.testing.assert_allclose(fresh["points"], stored["points"], atol=0.25, err_msg=advice)
    assert fresh["water"] == pytest.approx(stored["water"], rel=1e-3), advice


@pytest.mark.parametrize("name", DEMOS)
def test_each_has_map_picture_and_its_answer(name):
    readme = (MAPS / "README.md").read_text("utf-8")
    answer = json.loads((MAPS / name / "plan.json").read_text("utf-8"))["answer"]
    assert answer in readme
    assert (MAPS / name / "map.html").stat().st_size > 100_000
    assert (MAPS / f"{name}-map.png").read_bytes()[:4] == b"\x89PNG"


def test_properties_are_of_four_kinds():
    plans = {name: json.loads((MAPS / name / "plan.json").read_text("utf-8")) for name in DEMOS}
    place = {name: plan["property"] for name, plan in plans.items()}
    assert sum(p["latitude"] < 0 for p in place.values()) == 1
    assert place["yard"]["area_m2"] < 1000 < place["court"]["area_m2"] < 3000
    assert place["fields"]["area_m2"] > 30_000 > place["campus"]["area_m2"] > 10_000
    assert {p["units"] for p in place.values()} == {"metric", "us"}
    sun = {zone["zone"]: zone["sun_hours"] for zone in plans["court"]["zones"]}
    assert sun["South bed"] < 0.5 * sun["Street lawn"], "roofs shade the court"
    fields = [zone for zone in plans["fields"]["zones"] if zone["zone"].endswith("field")]
    assert len(fields) == 3
