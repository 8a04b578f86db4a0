"""The update of a zone's field by readings, against algebra and what the plan did before."""

import numpy as np
import pandas as pd
import pytest

from siting.evidence.field import (
    Readings,
    covariance,
    day_correlation,
    learn,
    normal_scores,
    place_numbers,
    reliability,
)
from siting.evidence.walk import relative_differences, spread_places, walking_order
from siting.place.rank import chances_at, mesh_of, pieces_of, rank_field, surface_through
from siting.zones.application import Unevenness
from tests.benchmarks import evidence as simulated

VARIANCE, REACH = 0.09, 3.0
PLACES = np.array([[2.0, 2], [8, 2], [14, 2], [2, 8], [8, 8], [14, 8], [5, 5], [11, 5.5]])


def level(x, _):
    return np.full((1, x.size), 0.05)


def walk(value, *, places=PLACES, day=None, trust=0.7, alike=False):
    day = np.zeros(len(value), dtype=int) if day is None else day
    return Readings("probe", places, np.asarray(value, dtype=float), day, trust, alike)


def test_the_posterior_is_that_of_kriging_with_an_unknown_level():
    """Rasmussen and Williams (2006), Eq. 2.41 and 2.42, the level's prior being vague."""
    value = np.array([1.0, 3, 2, 5, 8, 4, 6, 7])
    found = learn([walk(value)], level, variance=VARIANCE, reach=REACH)
    among = covariance(PLACES, PLACES, VARIANCE, REACH)
    spread = (np.trace(among) - among.sum() / 8) / 7
    noisy = among + spread * (1 / 0.7**2 - 1) * np.eye(8)
    score = normal_scores(value) * np.sqrt(spread) / 0.7
    inverse, one = np.linalg.inv(noisy), np.ones(8)
    mean = one @ inverse @ score / (one @ inverse @ one)
    asked = np.array([[8.0, 8.5], [3.0, 2.0], [11.0, 4.0]])
    near = covariance(asked, PLACES, VARIANCE, REACH)
    assert found.mean(*asked.T)[0] == pytest.approx(near @ inverse @ (score - mean), rel=0.02)
    lost = 1 - near @ inverse @ one
    left = covariance(asked, asked, VARIANCE, REACH) - near @ inverse @ near.T
    # The level's own doubt is not one of the field, so it only widens what is left.
    assert np.diag(found.covariance(asked, asked)) == pytest.approx(
        np.diag(left) + (1 - lost) ** 2 / (one @ inverse @ one), rel=0.02
    )
    assert found.deviation(*asked.T) ** 2 == pytest.approx(
        np.diag(found.covariance(asked, asked)), rel=1e-6
    )


def test_only_the_order_of_readings_counts():
    value = np.array([1.0, 3, 2, 5, 8, 4, 6, 7])
    one = learn([walk(value)], level, variance=VARIANCE, reach=REACH)
    other = learn([walk(np.exp(value))], level, variance=VARIANCE, reach=REACH)
    assert one.weights == pytest.approx(other.weights)


def test_draws_have_what_is_left_as_their_covariance():
    found = learn([walk([1.0, 3, 2, 5, 8, 4, 6, 7])], level, variance=VARIANCE, reach=REACH)
    asked = np.array([[8.0, 8.0], [9.0, 8.0], [20.0, 20.0]])
    drawn = found.draws(*asked.T, 2000)
    # Two hundred waves give the covariance of the field within about a tenth.
    assert np.cov(drawn.T) == pytest.approx(found.covariance(asked, asked), abs=0.2 * VARIANCE)
    assert np.abs(drawn.mean(axis=0)).max() < 0.03


def test_readings_that_cannot_be_trusted_leave_the_chances_as_they_were():
    """The chances from what readings leave are those from a cv and a reach, where these are it."""
    x, y = (
        part.ravel() for part in np.meshgrid(np.arange(0.25, 16, 0.5), np.arange(0.25, 10, 0.5))
    )
    from shapely.geometry import box

    zone = box(0, 0, 16, 10)
    mesh = mesh_of(zone, burial_error=0.5)
    ranks = rank_field(
        surface_through(x, y, (0.05 + 0.001 * x)[None]),
        mesh,
        basis=pieces_of(zone, mesh),
        burial_error=0.5,
    )
    cv = float(np.sqrt(np.expm1(VARIANCE)))
    none = learn([walk(np.arange(8.0), trust=0.05)], level, variance=VARIANCE, reach=REACH)
    before = chances_at(ranks, [(12.0, 5.0)], Unevenness(cv, REACH))[0]
    after = chances_at(ranks, [(12.0, 5.0)], Unevenness(cv, REACH, None, none))[0]
    assert after == pytest.approx(before, abs=0.02)


def test_a_raster_says_no_more_than_its_trust_however_many_its_cells():
    x, y = (part.ravel() for part in np.meshgrid(np.arange(0.5, 16), np.arange(0.5, 10)))
    cells = np.column_stack([x, y])
    dry = np.sin(x / 3) + np.cos(y / 3)
    found = learn(
        [walk(dry, places=cells, trust=0.5, alike=True)], level, variance=VARIANCE, reach=REACH
    )
    left = found.deviation(np.array([8.0]), np.array([5.0]))[0] ** 2
    assert left >= 0.9 * (1 - 0.5**2) * VARIANCE
    probes = learn([walk(dry, places=cells, trust=0.5)], level, variance=VARIANCE, reach=REACH)
    assert probes.deviation(np.array([8.0]), np.array([5.0]))[0] ** 2 < 0.5 * left


def test_too_few_or_equal_readings_teach_nothing():
    assert learn([walk(np.ones(8))], level, variance=VARIANCE, reach=REACH) is None
    few = walk(np.arange(4.0), places=PLACES[:4])
    assert learn([few], level, variance=VARIANCE, reach=REACH) is None
    assert learn([], level, variance=VARIANCE, reach=REACH) is None


def test_days_that_agree_are_no_proof_and_days_that_disagree_cost_trust():
    value, places = np.arange(8.0), np.vstack([PLACES, PLACES])
    day = np.repeat([0, 1], 8)
    alike = walk(np.tile(value, 2), places=places, day=day)
    assert day_correlation(alike) == (pytest.approx(1.0), 8)
    trust, lasting = reliability(alike)
    assert trust == pytest.approx(0.7)
    assert lasting > 0.5
    opposed = walk(np.concatenate([value, -value]), places=places, day=day)
    trust, lasting = reliability(opposed)
    assert trust < 0.7
    assert reliability(walk(value)) == (pytest.approx(0.7), 0.5)


def test_a_second_walk_leaves_less_open_and_less_than_twice_as_much_is_gained():
    value = np.array([1.0, 3, 2, 5, 8, 4, 6, 7])
    at = np.array([8.0]), np.array([8.0])
    one = learn([walk(value)], level, variance=VARIANCE, reach=REACH).deviation(*at)[0]
    twice = walk(np.tile(value, 2), places=np.vstack([PLACES, PLACES]), day=np.repeat([0, 1], 8))
    two = learn([twice], level, variance=VARIANCE, reach=REACH).deviation(*at)[0]
    assert np.sqrt(0.3) * one < two < one


def test_places_of_a_walk_are_spread_and_in_order():
    x, y = (
        part.ravel() for part in np.meshgrid(np.arange(0.25, 16, 0.5), np.arange(0.25, 10, 0.5))
    )
    spots = np.array([[12.0, 5.0], [3.0, 3.0]])
    places = spread_places(x, y, spots=spots, count=16)
    assert len(places) == 18
    assert places[:2].tolist() == spots.tolist()
    gaps = np.hypot(*(places[:, None] - places[None]).T) + 99 * np.eye(18)
    assert gaps.min() > 1.2
    away = np.hypot(*(np.column_stack([x, y])[:, None] - places[None]).T)
    assert away.min(axis=0).max() < 3.2
    order = walking_order(places, (0.0, 0.0))
    assert sorted(order.tolist()) == list(range(18))
    way = np.vstack([[0.0, 0.0], places[order]])
    assert np.hypot(*np.diff(way, axis=0).T).sum() < 60
    assert place_numbers(np.array([[0.0, 0], [0.1, 0], [5, 0]])).tolist() == [0, 0, 1]


def test_a_walk_without_spots_is_spread_too_and_a_point_is_asked_for_once():
    x, y = (part.ravel() for part in np.meshgrid(np.arange(0.5, 8), np.arange(0.5, 8)))
    places = spread_places(x, y, spots=np.empty((0, 2)), count=4)
    gaps = np.hypot(*(places[:, None] - places[None]).T) + 99 * np.eye(4)
    assert gaps.min() > 2.5
    same = spread_places(np.full(3, 2.0), np.full(3, 5.0), spots=np.empty((0, 2)), count=3)
    assert same.tolist() == [[2.0, 5.0]]


def test_days_with_few_places_in_common_say_nothing_of_each_other():
    places = np.vstack([PLACES, PLACES[:2], PLACES[2:] + 50])
    value, day = np.tile(np.arange(8.0), 2), np.repeat([0, 1], 8)
    assert day_correlation(walk(value, places=places, day=day)) == (0.0, 0)


def test_relative_differences_of_a_walk():
    """Vachaud et al. (1985), by hand: two days, three places, one reading missing."""
    found = relative_differences(pd.DataFrame([[10.0, 20, 30], [5.0, np.nan, 15]]))
    assert found["mean"].to_dict() == {0: -0.5, 1: 0.0, 2: 0.5}
    assert found["sd"].tolist()[:2] == pytest.approx([0.0, np.nan], nan_ok=True)
    assert found["times"].tolist() == [2, 1, 2]


def test_a_walk_finds_the_dry_place_of_a_lawn_whose_truth_is_known(monkeypatch):
    monkeypatch.setattr(simulated, "WAVES", 200)
    rows = simulated.play(0, ("none", "walk"))
    bare, walked = (dict(zip(simulated.COLUMNS, row, strict=True)) for row in rows)
    assert walked["stated"] > bare["stated"] + 0.2
    assert walked["true"] > bare["true"]


@pytest.mark.long
def test_chances_hold_on_lawns_whose_truth_is_known():
    played = simulated.table(200, ("none", "cans", "walk", "raster", "all"))
    by = simulated.summary(played)
    assert by.loc["none", "hit"] < by.loc["raster", "hit"] < by.loc["all", "hit"]
    assert by.loc["walk", "hit"] > by.loc["none", "hit"] + 0.3
    assert (np.abs(by["hit"] - by["stated"]) < 2.6 * by["error"]).all()
    # Of some fifteen bins one is off by 2.9 standard errors in one of twenty runs, by chance.
    for _, way in played[played["way"] != "none"].groupby("way"):
        found = simulated.bins(way)
        assert (found["off"][found["n"] >= 10].abs() < 2.9).all()
