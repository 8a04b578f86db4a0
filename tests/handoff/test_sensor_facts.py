"""Reserve points are found from the sensor and from the same two corners as the sensor itself."""

import json
import math

import numpy as np
import pytest
import shapely

from siting.handoff.document import plan_document
from siting.handoff.facts import chance_cell, compass, rank_words, spares
from siting.handoff.webmap import map_document
from tests.plan_factory import make_plan
from tests.some import some
from tests.tie_reference import locate


@pytest.fixture(scope="module")
def plan():
    return make_plan()


def test_distance_and_bearing_lead_from_the_sensor_to_the_reserve_point(plan):
    for tag, sensor in some(plan.sensors.iterrows()):
        for spare in some(spares(plan, tag)):
            turn = math.radians(spare["bearing_deg"])
            assert sensor.x + spare["distance_m"] * math.sin(turn) == pytest.approx(spare["x"])
            assert sensor.y + spare["distance_m"] * math.cos(turn) == pytest.approx(spare["y"])


def test_two_tapes_and_the_side_find_it_again(plan):
    for tag in some(plan.sensors.index):
        ties = plan.ties[plan.ties["sensor_id"] == tag].sort_values("tie").head(2)
        points = ties[["from_x", "from_y"]].to_numpy()
        for spare in some(spares(plan, tag)):
            taped = np.array([metres for _, metres, _ in spare["tapes"]])
            assert [tie for tie, _, _ in spare["tapes"]] == [1, 2]
            found = locate(points, taped, side=spare["side"])
            assert found == pytest.approx((spare["x"], spare["y"]), abs=1e-6)


def test_a_tape_through_a_building_is_told(plan):
    moved = plan.reserves.copy()
    # East of the house; the second fixed point of S1 is its south-west corner.
    moved.loc[0, "geometry"] = shapely.Point(20.0, 1.0)
    moved.loc[0, ["x", "y"]] = 20.0, 1.0
    far = make_plan()
    object.__setattr__(far, "reserves", moved)
    first = spares(far, "S1")[0]
    assert [clear for _, _, clear in first["tapes"]] == [False, False]
    [row] = [r for r in map_document(far)["sensors"][0]["reserves"] if r[0] == "R1"]
    assert all("(wall between)" in text for cell in row[3:5] for text in cell)


def test_map_json_and_table_tell_the_same_reserves(plan):
    document = plan_document(plan)
    shown = map_document(plan)
    for sensor, card in some(zip(document["sensors"], shown["sensors"], strict=True)):
        for spare, cells in some(zip(sensor["reserves"], card["reserves"], strict=True)):
            assert cells[0] == f"R{spare['reserve']}"
            assert cells[1][0] == f"{spare['distance_m']:.2f}\N{NO-BREAK SPACE}m"
            assert cells[2].endswith(f"({spare['bearing_deg']:.0f}°)")
            assert cells[5] == chance_cell(spare["p_driest_quarter"])


def test_one_rank_everywhere(plan):
    cards = map_document(plan)["sensors"]
    for card, (_, row) in some(zip(cards, plan.sensors.iterrows(), strict=True)):
        told = dict(card["rows"])["Dryness"]
        assert told.startswith(rank_words(row.to_dict()))
        assert row["application_note"][1:] in told
        assert chance_cell(row["p_driest_quarter"]) in told
        assert f"{row['gauge_awg']} AWG" in json.dumps(card["rows"])


def test_no_reserves_and_no_ties_are_no_reason_to_fail():
    bare = make_plan()
    object.__setattr__(bare, "reserves", bare.reserves.iloc[:0])
    assert spares(bare, "S1") == []
    tieless = make_plan()
    object.__setattr__(tieless, "ties", tieless.ties.iloc[:0])
    assert all(spare["tapes"] == () and spare["side"] == "" for spare in spares(tieless, "S1"))


def test_a_direction_between_two_points_of_the_compass():
    assert compass(-1, 1) == "NW"
