"""Application patterns: catch cans, head layouts, and what a can test is worth."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import Point, box

from siting.water.heads import (
    can_depth_mm,
    can_test,
    cv_after_test,
    head_pattern,
    head_radii,
    low_quarter_uniformity,
)
from siting.zones.application import zone_application
from siting.zones.points import ZonePixels

LAWN = box(0, 0, 20, 16)


def grid(step=0.5, zone=LAWN):
    west, south, east, north = zone.bounds
    x, y = np.meshgrid(
        np.arange(west + step / 2, east, step), np.arange(south + step / 2, north, step)
    )
    inside = shapely.contains_xy(zone, x, y)
    return x[inside], y[inside]


def can_grid(step=2.0):
    x, y = grid(step)
    return np.column_stack([x, y])


def truth(x, y):
    return 10 + 2.5 * np.sin(x / 3) * np.cos(y / 4)


def test_volume_and_mouth_give_depth():
    """A can of 100 mm mouth has 7854 mm² : 78.54 mL stand 10 mm deep."""
    assert can_depth_mm(np.array([78.5398]), np.array([0.1])) == pytest.approx([10.0], rel=1e-6)


@pytest.mark.practice("precipitation rate = mean depth x 60 / minutes of run")
def test_rate_from_depth_and_minutes():
    places = can_grid(4.0)
    depth = np.full(len(places), 9.0)
    minutes = np.where(np.arange(len(places)) % 2, 15.0, 30.0)
    test = can_test(places, depth * minutes / 15, minutes=minutes)
    assert test.rate_mm_h == pytest.approx(36.0)
    assert test.uniformity == pytest.approx(1.0)
    assert np.isnan(can_test(places, depth).rate_mm_h)


def square_heads(zone=LAWN, step=4.0):
    west, south, east, north = zone.bounds
    x, y = np.meshgrid(np.arange(west, east + 0.1, step), np.arange(south, north + 0.1, step))
    return np.column_stack([x.ravel(), y.ravel()])


def cv(values):
    return values.std() / values.mean()


def test_head_to_head_cones_overlap_evenly_and_half_the_throw_does_not():
    """At spacing = radius the triangular profile is even; at half the radius spots stay dry."""
    x, y = grid(0.25, box(4, 4, 16, 12))
    heads = square_heads()
    full = head_pattern(x, y, places=heads, radius=np.full(len(heads), 4.0), zone=LAWN)
    half = head_pattern(x, y, places=heads, radius=np.full(len(heads), 2.0), zone=LAWN)
    assert cv(full) < 0.15
    assert cv(half) > 0.7
    assert half.min() == 0


def test_known_flows_put_their_water_on_the_zone():
    """One in the middle, one in a corner, equal flow: the quarter circle is four times as deep."""
    heads = np.array([[10.0, 8.0], [0.0, 0.0]])
    depth = head_pattern(
        np.array([10.0, 0.01]),
        np.array([8.0, 0.01]),
        places=heads,
        radius=np.array([4.0, 4.0]),
        flow=np.array([5.0, 5.0]),
        zone=LAWN,
    )
    assert depth[1] / depth[0] == pytest.approx(4.0, rel=0.02)


def test_volume_under_one_cone_is_its_flow():
    """A cone of height w and radius R holds w pi R² / 3."""
    x, y = grid(0.1)
    depth = head_pattern(
        x,
        y,
        places=np.array([[10.0, 8.0]]),
        radius=np.array([5.0]),
        flow=np.array([7.0]),
        zone=LAWN,
    )
    assert depth.sum() * 0.01 == pytest.approx(7.0, rel=0.01)


def test_wind_carries_the_pattern():
    heads, radius = np.array([[10.0, 8.0]]), np.array([4.0])
    still = head_pattern(np.array([11.0]), np.array([8.0]), places=heads, radius=radius, zone=LAWN)
    blown = head_pattern(
        np.array([12.5]), np.array([8.0]), places=heads, radius=radius, zone=LAWN, drift=(1.5, 0.0)
    )
    assert blown == pytest.approx(still)


def test_unknown_radii_reach_to_the_next_head():
    heads = square_heads()
    radius = head_radii(heads, np.r_[6.0, np.full(len(heads) - 1, np.nan)], "spray")
    assert radius[0] == 6.0
    assert radius[1:] == pytest.approx(np.full(len(heads) - 1, 4.0))
    assert head_radii(heads, np.full(len(heads), np.nan), "rotor")[0] == pytest.approx(5.35)
    assert head_radii(heads[:1], np.array([np.nan]), "spray") == pytest.approx([4.6])


def test_closer_cans_leave_less_unknown():
    left = [cv_after_test(0.3, reach=4.0, spacing=s) for s in (1.0, 3.0, 6.0, 30.0)]
    assert left == sorted(left)
    assert left[0] < 0.05
    assert left[-1] == pytest.approx(0.3, rel=0.05)
    assert cv_after_test(0.3, reach=0.0, spacing=1.0) == 0.3


def pixels():
    x, y = grid()
    return ZonePixels(
        ("A",), (np.arange(x.size),), (x,), (y,), (), (np.arange(x.size),), (x,), (y,)
    )


def zones(irrigation="spray"):
    columns = {"valve": ["1"], "irrigation": [irrigation], "precipitation_rate": [40.0]}
    return gpd.GeoDataFrame(columns, geometry=[LAWN], index=pd.Index(["A"], name="zone"))


WATER = pd.DataFrame(
    {"distribution_uniformity": [0.6], "precipitation_rate": [40.0]},
    index=pd.Index(["A"], name="zone"),
)
NO_CANS = gpd.GeoDataFrame({"depth": [], "volume": []}, geometry=[])


def heads_frame():
    places = square_heads()
    columns = {"kind": ["head"] * len(places), "valve": ["1"] * len(places)}
    return gpd.GeoDataFrame(columns, geometry=[Point(p) for p in places])


def test_the_driest_ground_is_taken_to_get_as_little_as_the_cans_say():
    """Between sparse cans the pattern is thought more even than it is."""
    places = can_grid(4.0)
    caught = truth(*places.T) * np.random.default_rng(2).normal(1, 0.1, len(places))
    cans = gpd.GeoDataFrame(
        {"depth": caught, "minutes": 15.0}, geometry=gpd.points_from_xy(*places.T)
    )
    found = zone_application(pixels(), zones(), cans=cans, water=WATER)[0]["A"]
    assert low_quarter_uniformity(found.at_points) > found.uniformity + 0.02
    assert low_quarter_uniformity(found.received) == pytest.approx(found.uniformity, abs=0.01)
    assert found.received.mean() == pytest.approx(1.0, abs=0.01)
    assert (np.argsort(found.received)[:40] == np.argsort(found.at_points)[:40]).all()


def test_cans_beat_heads_and_heads_beat_nothing():
    places = can_grid()
    volume = truth(*places.T) * 7.854
    cans = gpd.GeoDataFrame(
        {
            "depth": np.nan,
            "volume": volume,
            "mouth_diameter": 0.1,
            "minutes": 15.0,
        },
        geometry=[Point(p) for p in places],
    )
    args = {"water": WATER, "fixtures": heads_frame()}
    measured, told = zone_application(pixels(), zones(), cans=cans, **args)
    modelled, _ = zone_application(pixels(), zones(), cans=NO_CANS, **args)
    assumed, _ = zone_application(pixels(), zones(), cans=NO_CANS, water=WATER)
    found = measured["A"], modelled["A"], assumed["A"]
    assert [p.source for p in found] == ["cans", "heads", "prior"]
    assert found[0].unknown.cv < found[1].unknown.cv < found[2].unknown.cv
    assert found[0].rate_mm_h == pytest.approx(truth(*places.T).mean() * 4, rel=1e-3)
    assert told == ()
    assert all(p.at_points.mean() == pytest.approx(1) for p in found)
    assert found[2].unknown.cv_tested < found[2].unknown.cv
    assert "about 70 in 100 for the driest quarter instead of 30" in found[2].words(0.3, 0.7)
    assert "can test" not in found[2].words(0.7, 0.74)


def test_cans_that_contradict_the_drawing_are_reported():
    places = can_grid()
    cans = gpd.GeoDataFrame(
        {"depth": truth(*places.T), "minutes": 60.0}, geometry=[Point(p) for p in places]
    )
    _, told = zone_application(pixels(), zones(), cans=cans, water=WATER)
    assert "the cans say 10.0 mm/h, the drawing 40.0 mm/h" in told[0]


def test_drip_has_no_head_layout():
    found, _ = zone_application(
        pixels(), zones("drip"), cans=NO_CANS, water=WATER, fixtures=heads_frame()
    )
    assert found["A"].source == "prior"
