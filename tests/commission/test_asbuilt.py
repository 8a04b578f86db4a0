"""As-built points: ties and GPS recover a known point, mirrors are refused, moves are priced."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st

from siting.commission.place import Fix, TieError, check_place, fix_from_gps, fix_from_ties, fix_row
from siting.decide.places import all_hazards
from siting.place.setbacks import hazards_of_zone
from siting.place.ties import TAPE_SIGMA_M
from tests.demo_plans import demo_plan
from tests.tie_reference import locate
from tests.tries import tries

CORNERS = np.array([[0.0, 0.0], [12.0, 0.0], [12.0, 9.0]])


@pytest.fixture(scope="module")
def yard():
    return demo_plan("yard")


def tapes(points, at):
    return np.hypot(points[:, 0] - at[0], points[:, 1] - at[1])


@pytest.mark.parametrize("count", [2, 3])
def test_printed_error_is_the_error_of_many_trials(count):
    """The root mean square distance from the truth is what is printed, within 5 %."""
    at, sigma = np.array([4.0, 7.0]), 0.03
    points = CORNERS[:count]
    rng = np.random.default_rng(5)
    away, printed = [], []
    for _ in range(1500):
        taped = tapes(points, at) + rng.normal(0, sigma, count)
        fix = fix_from_ties(points, taped, side="left", sigma=sigma)
        away.append(math.hypot(fix.x - at[0], fix.y - at[1]))
        printed.append(fix.error_m)
    found = math.sqrt(np.mean(np.square(away)))
    assert found <= np.mean(printed) * 1.05
    exact = fix_from_ties(points, tapes(points, at), side="left", sigma=sigma)
    assert found == pytest.approx(exact.error_m, rel=0.06)


@given(st.floats(-25, 25), st.floats(1.5, 25), st.booleans())
@tries(50)
def test_exact_tapes_give_the_exact_point_on_either_side(x, y, above):
    at = np.array([x, y if above else -y])
    pair = CORNERS[:2]
    fix = fix_from_ties(pair, tapes(pair, at), side="left" if above else "right")
    assert math.hypot(fix.x - at[0], fix.y - at[1]) < 1e-6
    assert fix.residuals_m == pytest.approx([0, 0], abs=1e-8)


@pytest.mark.closed_form("DRMS of two crossing arcs: sqrt(2) sigma / sin(angle)")
def test_error_of_two_tapes_is_that_of_two_crossing_arcs():
    at = np.array([5.0, 6.0])
    away = at - CORNERS[:2]
    bearing = np.degrees(np.arctan2(away[:, 0], away[:, 1]))
    fix = fix_from_ties(CORNERS[:2], tapes(CORNERS[:2], at), side="left", sigma=0.03)
    expected = np.sqrt(2) * 0.03 / np.sin(np.radians(abs(bearing[0] - bearing[1])))
    assert fix.error_m == pytest.approx(expected, rel=1e-6)


def test_the_planner_and_the_commissioner_locate_alike():
    rng = np.random.default_rng(3)
    for _ in range(20):
        at = rng.uniform(1, 10, 2)
        taped = tapes(CORNERS, at) + rng.normal(0, 0.01, 3)
        fix = fix_from_ties(CORNERS, taped)
        assert (fix.x, fix.y) == pytest.approx(locate(CORNERS, taped, side="left"), abs=1e-5)


def test_a_mirrored_point_is_refused_unless_something_tells():
    at = np.array([4.0, 7.0])
    pair = CORNERS[:2]
    taped = tapes(pair, at)
    with pytest.raises(TieError, match="mirror image"):
        fix_from_ties(pair, taped)
    assert fix_from_ties(pair, taped, side="right").y == pytest.approx(-7.0)
    assert fix_from_ties(CORNERS, tapes(CORNERS, at)).y == pytest.approx(7.0)
    assert fix_from_ties(pair, taped, near=Fix(5, 4, 3.0, (), "GPS")).y == pytest.approx(7.0)
    with pytest.raises(TieError, match="mirror image"):  # GPS too coarse to tell
        fix_from_ties(pair, taped, near=Fix(5, 1.0, 3.0, (), "GPS"))
    in_line = np.array([[0.0, 0.0], [12.0, 0.0], [20.0, 0.0]])
    with pytest.raises(TieError, match="mirror image"):  # a third point in line tells nothing
        fix_from_ties(in_line, tapes(in_line, at))


def test_misread_and_swapped_tapes_are_refused():
    at = np.array([4.0, 7.0])
    taped = tapes(CORNERS, at)
    with pytest.raises(TieError, match="miss each other"):
        fix_from_ties(CORNERS, taped + np.array([0, 0, 0.6]))
    with pytest.raises(TieError, match=r"miss each other|do not meet"):
        fix_from_ties(CORNERS, taped[[1, 0, 2]])
    with pytest.raises(TieError, match="do not meet"):
        fix_from_ties(CORNERS[:2], np.array([3.0, 4.0]), side="left")
    with pytest.raises(TieError, match="same place"):
        fix_from_ties(CORNERS[[0, 0]], taped[:2], side="left")


@given(st.floats(0.2, 11.8), st.floats(0.5, 8.5), st.floats(0, 2 * math.pi), st.floats(-50, 50))
@tries(40)
def test_turned_and_moved_fixed_points_turn_and_move_the_point(x, y, turn, shift):
    assume(abs(y) > 0.3)
    at = np.array([x, y])
    rng = np.random.default_rng(0)
    taped = tapes(CORNERS, at) + rng.normal(0, 0.01, 3)
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    one = fix_from_ties(CORNERS, taped, side="left")
    two = fix_from_ties(CORNERS @ rotation.T + shift, taped, side="left")
    assert np.array([two.x, two.y]) == pytest.approx(rotation @ [one.x, one.y] + shift, abs=1e-4)
    assert two.error_m == pytest.approx(one.error_m, rel=1e-4)


def test_gps_of_the_planned_point_is_the_planned_point(yard):
    sensor = yard.sensors.iloc[0]
    fix = fix_from_gps(sensor["lat"], sensor["lon"], crs=yard.site.crs)
    assert math.hypot(fix.x - sensor["x"], fix.y - sensor["y"]) < 0.002


def test_a_sensor_at_its_planned_point_keeps_rank_and_setbacks(yard):
    tag = yard.sensors.index[0]
    sensor = yard.sensors.loc[tag]
    ties = yard.ties[yard.ties["sensor_id"] == tag].sort_values("tie")
    row = {f"tie_{n}": m for n, m in zip(ties["tie"], ties["distance_m"], strict=True)}
    pair = {name: row[name] for name in ("tie_1", "tie_2")}
    with pytest.raises(TieError, match="mirror"):
        fix_row(pair, yard, tag)
    at = check_place(yard, tag, fix_row({**row, "side": ties["side"].iloc[0]}, yard, tag))
    assert at.moved_m < 1e-3
    assert not at.moved
    assert at.sound
    assert at.setback_ratio == pytest.approx(sensor["setback_ratio"], rel=1e-3)
    assert at.binding_setback == sensor["binding_setback"]
    assert at.rank >= 0.8
    assert at.drying == pytest.approx(1.0)


def test_a_moved_sensor_is_told_what_it_costs(yard):
    tag = yard.sensors.index[0]
    sensor = yard.sensors.loc[tag]
    zone = yard.site.hydrozones.geometry.loc[sensor["zone"]]
    ranks = yard.rank.copy()
    grid = yard.sun.grid
    x, y = np.meshgrid(grid.x, grid.y)
    import shapely

    inside = shapely.contains_xy(zone, x, y) & np.isfinite(ranks)
    where = np.flatnonzero(inside)[np.argmin(ranks[inside])]
    fix = Fix(float(x.ravel()[where]), float(y.ravel()[where]), 0.05, (), "2 ties")
    at = check_place(yard, tag, fix)
    assert at.moved
    assert at.rank < 0.3
    assert at.drying < 1
    joined = " ".join(at.words)
    assert "of the zone is drier than the sensor" in joined
    assert "m³ a season less" in joined
    outside = check_place(yard, tag, Fix(zone.bounds[0] - 30, zone.bounds[1], 0.05, (), "GPS"))
    assert not outside.in_zone
    assert not outside.sound
    assert "outside its zone" in " ".join(outside.words)


def test_the_better_of_gps_and_ties_is_taken(yard):
    tag = yard.sensors.index[0]
    sensor = yard.sensors.loc[tag]
    ties = yard.ties[yard.ties["sensor_id"] == tag].sort_values("tie")
    row = {f"tie_{n}": m for n, m in zip(ties["tie"], ties["distance_m"], strict=True)}
    row |= {"side": ties["side"].iloc[0], "lat": sensor["lat"], "lon": sensor["lon"]}
    assert "ties" in fix_row(row, yard, tag).how
    assert fix_row({**row, "gps_error": 0.01}, yard, tag).how == "GPS"
    assert fix_row({"lat": math.nan, "lon": math.nan}, yard, tag) is None
    with pytest.raises(TieError, match="one of them is wrong"):
        fix_row({**row, "lat": sensor["lat"] + 3e-4}, yard, tag)
    swapped = {"tie_1": row["tie_2"], "tie_2": row["tie_1"], "side": row["side"]}
    with pytest.raises(TieError, match="swapped"):
        fix_row(swapped, yard, tag)
    with pytest.raises(TieError, match="one tape"):
        fix_row({"tie_1": 5.0}, yard, tag)
    assert TAPE_SIGMA_M == 0.03


@pytest.mark.parametrize(("short", "met"), [(0.12, True), (0.3, False)])
def test_a_setback_missed_by_no_more_than_the_error_of_tape_and_shovel_is_met(yard, short, met):
    """A hole 12 cm (0.4 ft) nearer to a wall than its setback is an honest hole; 30 cm is not."""
    tag = yard.sensors.index[0]
    zone = str(yard.sensors.loc[tag, "zone"])
    hazards = hazards_of_zone(all_hazards(yard.site, yard.settings.setbacks)[0], zone)
    ground = yard.site.hydrozones.geometry.loc[zone]
    x, y = (part.ravel() for part in np.meshgrid(*(np.arange(*b, 0.05) for b in _spans(ground))))
    x, y = x[shapely.contains_xy(ground, x, y)], y[shapely.contains_xy(ground, x, y)]
    points = shapely.points(x, y)
    slack = np.min(
        [
            shapely.distance(shape, points) - setback
            for shape, setback in zip(hazards.geometry, hazards["setback"], strict=True)
        ],
        axis=0,
    )
    at = int(np.argmin(np.abs(slack + short)))
    found = check_place(yard, tag, Fix(float(x[at]), float(y[at]), 0.05, (), "2 ties"))
    assert slack[at] == pytest.approx(-short, abs=0.02)
    assert found.setback_ratio < 1
    assert found.setback_met is met
    assert ("nearer to" in " ".join(found.words)) is not met


def _spans(ground):
    west, south, east, north = ground.bounds
    return (west, east), (south, north)
