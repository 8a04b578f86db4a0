"""Tape ties."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import gpxpy
import numpy as np
import pytest
from scipy.stats import norm, qmc
from shapely.geometry import LineString, Point, box

from siting.commission.judge import plan_as_built
from siting.commission.place import Fix, TieError, check_place, fix_from_offsets
from siting.handoff.gisfiles import write_gis
from siting.handoff.sheets import _stakes
from siting.place.ties import pair_drms, sensor_ties
from tests.plan_factory import make_plan
from tests.tie_reference import locate


def layer(*shapes):
    return gpd.GeoDataFrame({"height": [4.0] * len(shapes)}, geometry=list(shapes))


HOUSE = layer(box(0, 0, 12, 8))


def points_of(ties):
    return ties[["from_x", "from_y"]].to_numpy(), ties["distance_m"].to_numpy()


def simulated(points, distances, at, side, *, sigma, draws):
    # Evenly spread draws of the normal distribution, so that few tell the mean square.
    spread = qmc.Sobol(len(distances), rng=np.random.default_rng(5)).random(draws)
    noise = sigma * norm.ppf(spread)
    found = np.array([locate(points, distances + e, side=side) for e in noise])
    return float(np.sqrt(((found - at) ** 2).sum(axis=1).mean()))


@pytest.mark.parametrize("angle", [30.0, 55.0, 90.0, 140.0])
def test_tape_errors_give_the_stated_error(angle):
    """Two tapes that cross at an angle a: DRMS = sqrt(2) sigma / sin(a), to first order."""
    sigma, bearing = 0.01, np.radians([20.0, 20.0 + angle])
    distances = np.array([9.0, 7.0])
    points = distances[:, None] * np.column_stack([np.sin(bearing), np.cos(bearing)])
    base = points[1] - points[0]
    side = "left" if base[0] * -points[0, 1] - base[1] * -points[0, 0] > 0 else "right"
    error = simulated(points, distances, np.zeros(2), side, sigma=sigma, draws=8192)
    assert error == pytest.approx(float(pair_drms(angle, sigma=sigma)), rel=0.02)


def test_the_chosen_ties_keep_what_they_promise():
    ties = sensor_ties(6.0, -5.0, buildings=HOUSE, sigma=0.01).ties
    points, distances = points_of(ties)
    side = ties["side"].iloc[0]
    two = simulated(points[:2], distances[:2], (6, -5), side, sigma=0.01, draws=8192)
    assert two == pytest.approx(ties["drms_m"].iloc[0], rel=0.02)
    assert ties["drms_m"].iloc[1] == pytest.approx(
        float(pair_drms(ties["angle_deg"].iloc[1], sigma=0.01))
    )


def test_three_tapes_beat_two():
    buildings = layer(box(0, 0, 12, 8), box(15, -14, 20, -9))
    ties = sensor_ties(6.0, -5.0, buildings=buildings, sigma=0.01).ties
    assert ties["tie"].tolist() == [1, 2, 3]
    points, distances = points_of(ties)
    side = ties["side"].iloc[0]
    two = simulated(points[:2], distances[:2], (6, -5), side, sigma=0.01, draws=2048)
    three = simulated(points, distances, (6, -5), side, sigma=0.01, draws=2048)
    assert three < two
    assert three == pytest.approx(ties["drms_m"].iloc[2], rel=0.02)


def test_ties_start_at_corners_in_sight_within_reach():
    ties = sensor_ties(6.0, -5.0, buildings=HOUSE).ties
    # The far corners are hidden, so that a mark on the wall between the near ones is the check.
    kinds = ["building corner", "building corner", "mark halfway from point 1 to 2"]
    assert list(ties["from_kind"]) == kinds
    places = [(0.0, 0.0), (12.0, 0.0)]
    for row in ties.itertuples():
        assert (row.from_x, row.from_y) in (places if row.tie < 3 else [(6.0, 0.0)])
        line = LineString([(row.from_x, row.from_y), (6, -5)])
        assert row.geometry.equals(line)
        assert row.distance_m == pytest.approx(line.length)
        assert line.intersection(HOUSE.geometry.iloc[0]).length < 0.01
    assert 30 <= ties["angle_deg"].iloc[1] <= 150
    assert np.isnan(ties["angle_deg"].iloc[0])


def test_a_crew_finds_the_point_on_the_stated_side():
    for x, y in [(6.0, -5.0), (16.0, 3.0), (-4.0, 9.5), (5.0, 14.0)]:
        ties = sensor_ties(x, y, buildings=HOUSE).ties
        points, distances = points_of(ties)
        found = locate(points, distances, side=ties["side"].iloc[0])
        assert found == pytest.approx((x, y), abs=1e-6)


def test_round_walls_and_joints_of_two_buildings_are_no_corners():
    joined = layer(box(0, 0, 6, 8), box(6, 0, 12, 8), Point(40, 0).buffer(5, quad_segs=32))
    ties = sensor_ties(6.0, -5.0, buildings=joined).ties
    corners = ties[ties["from_kind"] == "building corner"]
    assert len(corners) == 2
    assert 6.0 not in corners["from_x"].tolist()
    assert (ties["from_x"] <= 12).all()


def test_fixtures_help_where_corners_do_not_suffice():
    fixtures = gpd.GeoDataFrame(
        {"kind": ["head", "valve_box", "hydrant"]},
        geometry=[Point(3, -6), Point(30, -14), Point(52, -6)],
    )
    result = sensor_ties(40.0, -5.0, buildings=HOUSE, fixtures=fixtures)
    assert "sprinkler" not in " ".join(result.ties["from_kind"])
    assert {"valve box"} <= set(result.ties["from_kind"])


def test_a_fixture_or_a_property_corner_checks_two_corners_before_a_mark_does():
    box_ = gpd.GeoDataFrame({"kind": ["valve_box"]}, geometry=[Point(14, -9)])
    found = sensor_ties(6.0, -5.0, buildings=HOUSE, fixtures=box_)
    assert list(found.ties["from_kind"]) == ["building corner", "building corner", "valve box"]
    assert found.note == ""
    edge = sensor_ties(6.0, -5.0, buildings=HOUSE, boundary=box(-2, -20, 30, 30))
    assert edge.ties["from_kind"].iloc[2] == "property corner"
    assert edge.ties["drms_m"].iloc[2] < edge.ties["drms_m"].iloc[1]


def test_where_no_string_can_be_drawn_the_nearest_wall_is_the_check():
    """Points 1 and 2 on either side of a tower: the line between them runs through it."""
    tower = layer(Point(0, 0).buffer(4, quad_segs=32))
    posts = gpd.GeoDataFrame({"kind": ["light", "light"]}, geometry=[Point(-8, 0), Point(8, 0.2)])
    found = sensor_ties(0.0, 9.0, buildings=tower, fixtures=posts)
    assert list(found.ties["from_kind"]) == ["light", "light", "nearest wall, shortest tape"]
    last = found.ties.iloc[2]
    assert last["distance_m"] == pytest.approx(5.0, abs=0.01)
    assert (last["from_x"], last["from_y"]) == pytest.approx((0.0, 4.0), abs=0.01)


def test_a_check_tape_finds_a_blunder_in_one_of_the_two():
    """A foot misread on tape 1 moves the point, and the check tape no longer fits."""
    ties = sensor_ties(6.0, -5.0, buildings=HOUSE).ties
    points, taped = points_of(ties)
    wrong = taped[:2] + np.array([0.305, 0.0])
    moved = locate(points[:2], wrong, side=ties["side"].iloc[0])
    assert abs(np.hypot(*(points[2] - moved)) - taped[2]) > 3 * 0.03


def test_property_corners_are_the_last_resort():
    result = sensor_ties(5.0, 5.0, buildings=layer(), boundary=box(0, 0, 20, 20))
    assert set(result.ties["from_kind"]) == {"property corner"}
    assert len(result.ties) == 3


def test_stakes_where_nothing_is_in_reach():
    """Two stakes 5 m away at a right angle: DRMS = sqrt(2) sigma."""
    result = sensor_ties(500.0, 500.0, buildings=HOUSE, sigma=0.01)
    ties = result.ties
    assert "no two fixed points" in result.note
    assert "two stakes 5 m away" in result.note
    us = sensor_ties(500.0, 500.0, buildings=HOUSE, units="us").note
    assert "within 164 ft cross" in us
    assert "two stakes 16.4 ft away" in us
    assert list(ties["from_kind"]) == ["stake", "stake", "mark halfway from stake 1 to 2"]
    assert ties["angle_deg"].iloc[1] == pytest.approx(90)
    assert ties["drms_m"].iloc[:2].to_numpy() == pytest.approx([0.01 * np.sqrt(2)] * 2)
    assert locate(*points_of(ties), side=ties["side"].iloc[0]) == pytest.approx((500, 500))


@pytest.mark.parametrize(("inner", "checks"), [(3.0, 1), (0.2, 0), (40.0, 1)])
def test_a_round_court_has_no_corner_and_a_check_where_there_is_a_wall(inner, checks):
    """Stakes stand in the wall of the narrow courts, so no string can be drawn between them."""
    ring = Point(0, 0).buffer(60, quad_segs=64).difference(Point(0, 0).buffer(inner, quad_segs=64))
    found = sensor_ties(0.0, 0.0, buildings=gpd.GeoDataFrame(geometry=[ring], crs=32617))
    assert len(found.ties) == 2 + checks
    assert "drive two stakes" in found.note


def test_stakes_stand_on_the_property_and_a_lone_corner_is_the_check():
    corner = layer(box(0, 0, 12, 8))
    ground = box(-3, -20, 3, 60).union(box(-30, 30, 3, 36))
    result = sensor_ties(-15.0, 33.0, buildings=corner, boundary=ground, max_distance=8.0)
    assert list(result.ties["from_kind"])[:2] == ["stake", "stake"]
    inside = [ground.buffer(2.1).covers(Point(p)) for p in points_of(result.ties)[0][:2]]
    assert all(inside)
    wide = sensor_ties(12.4, 20.0, buildings=corner, max_distance=10.0)
    assert list(wide.ties["from_kind"]) == ["stake", "stake", "building corner"]


def test_feature_order_does_not_matter():
    first, second = box(0, 0, 12, 8), box(15, -14, 20, -9)
    a = sensor_ties(6.0, -5.0, buildings=layer(first, second)).ties
    b = sensor_ties(6.0, -5.0, buildings=layer(second, first)).ties
    assert a.drop(columns="geometry").equals(b.drop(columns="geometry"))


# ---- offsets from straight edges, and tapes up to 50 m

WALK = {"edge of paving": box(-40, 10, 40, 12)}
NOWHERE = layer(box(900, 900, 910, 910))


def test_an_edge_and_a_far_corner_set_a_point_out_without_stakes():
    """The walk's edge 3.2 m away and a corner 13 m away, where stakes were driven before."""
    house = layer(box(12, 0, 13, 1), box(900, 900, 901, 901))
    found = sensor_ties(0.0, 6.8, buildings=house, edges=WALK)
    kinds = found.ties["from_kind"].tolist()
    assert not any("stake" in kind for kind in kinds[:2])
    assert "stake" not in found.note


def test_an_offset_is_the_shortest_tape_from_the_edge():
    ties = sensor_ties(0.0, 6.8, buildings=NOWHERE, edges={**WALK, **_fence(-30, 0, -30, 12)}).ties
    edges = ties[ties["offset"]].set_index("from_kind")
    paved = edges.loc["edge of paving, shortest tape"]
    assert (paved["from_x"], paved["from_y"]) == pytest.approx((0.0, 10.0))
    assert paved["distance_m"] == pytest.approx(3.2)
    fence = edges.loc["line of fence or wall, shortest tape"]
    assert (fence["from_x"], fence["distance_m"]) == pytest.approx((-30.0, 30.0))
    assert ties["angle_deg"].iloc[1] == pytest.approx(90.0)


def _fence(*ends):
    return {"line of fence or wall": LineString([ends[:2], ends[2:]])}


def test_a_tape_of_fifty_metres_is_taken_where_nothing_nearer_will_do():
    far = layer(box(40, -5, 45, 5), box(-5, 40, 5, 45))
    found = sensor_ties(0.0, 0.0, buildings=far)
    assert not found.ties["from_kind"].str.contains("stake").any()
    assert 30 < found.ties["distance_m"].iloc[0] <= 50
    nearer = layer(box(40, -5, 45, 5), box(-5, 40, 5, 45), box(8, 8, 9, 30), box(-20, 6, -8, 7))
    assert sensor_ties(0.0, 0.0, buildings=nearer).ties["distance_m"].max() <= 30


def test_the_far_edge_of_a_walk_is_none():
    ties = sensor_ties(0.0, 6.8, buildings=NOWHERE, edges=WALK).ties
    assert 12.0 not in ties["from_y"].tolist()


def test_a_crew_that_moved_along_the_edge_is_found_there():
    """The tape from an edge is square to it wherever the sensor was dug."""
    points = np.array([[0.0, 10.0], [12.0, 6.0], [-9.0, 2.0]])
    offset = np.array([True, False, False])
    planned, built = np.array([0.0, 6.8]), np.array([1.5, 6.5])
    taped = np.array([10.0 - built[1], *np.hypot(*(points[1:] - built).T)])
    fix = fix_from_offsets(points, taped, offset, toward=np.tile(planned, (3, 1)))
    assert (fix.x, fix.y) == pytest.approx(tuple(built), abs=1e-6)
    with pytest.raises(TieError, match="miss each other"):
        fix_from_offsets(
            points, taped + np.array([0.0, 1.0, 1.0]), offset, toward=np.tile(planned, (3, 1))
        )  # fmt: skip


def test_ties_as_built_start_square_to_the_edge_again():
    plan = make_plan()
    tag = str(plan.sensors.index[0])
    at = plan.sensors.geometry[tag]
    edges = {"edge of paving": box(at.x - 9, at.y + 3, at.x + 9, at.y + 5),
             **_fence(at.x - 4, at.y - 9, at.x - 4, at.y + 9)}  # fmt: skip
    found = sensor_ties(at.x, at.y, buildings=NOWHERE, edges=edges).ties
    found.insert(0, "sensor_id", tag)
    before = replace(plan, ties=found.set_crs(plan.ties.crs, allow_override=True))
    fix = Fix(at.x + 0.7, at.y + 0.2, 0.05, (), "2 ties")
    built = check_place(before, tag, fix, planned=plan.sensors.loc[tag])
    ties = plan_as_built(before, {tag: built}, {}, depths={}, warnings=(), files={}).ties
    edge = ties[ties["from_kind"].str.startswith("edge of paving")].iloc[0]
    assert edge["distance_m"] == pytest.approx(2.8)
    assert edge["from_x"] == pytest.approx(at.x + 0.7)


def test_stakes_stand_in_the_gpx_and_on_the_sheet(tmp_path):
    plan = make_plan()
    tag = str(plan.sensors.index[0])
    at = plan.sensors.geometry[tag]
    found = sensor_ties(at.x, at.y, buildings=NOWHERE).ties
    found.insert(0, "sensor_id", tag)
    staked = replace(plan, ties=found.set_crs(plan.ties.crs, allow_override=True))
    write_gis(staked, tmp_path)
    marks = {p.name: p for p in gpxpy.parse((tmp_path / "sensors.gpx").read_text()).waypoints}
    assert {f"{tag} stake 1", f"{tag} stake 2"} <= set(marks)
    [one, two] = _stakes(staked, tag)
    for number, (name, words) in enumerate((one, two), start=1):
        mark = marks[f"{tag} stake {number}"]
        assert name == f"Stake {number}"
        said = [float(part) for part in words.split(" (latitude")[0].split(", ")]
        assert said == pytest.approx([mark.latitude, mark.longitude], abs=2e-7)
