"""Ordinary yards are what they are said to be."""

from __future__ import annotations

import tomllib

import pytest

from siting import survey_property
from tests.ordinary import RATIO, ordinary_yard


@pytest.fixture(scope="module")
def yards(tmp_path_factory):
    folder = tmp_path_factory.mktemp("yards")
    return [ordinary_yard(folder / str(n), n, years=2) for n in (1, 2, 5)]


def test_timers_put_out_near_the_need(yards):
    for yard in yards:
        assert 2 <= len(yard.ratio) <= 6
        for zone, ratio in yard.ratio.items():
            # A whole minute may be too coarse for a bed that needs little.
            assert RATIO[0] <= ratio <= RATIO[1] or yard.need_mm[zone] < 60


def test_costs_and_evenness_are_those_of_the_trade(yards):
    for yard in yards:
        told = tomllib.loads(yard.path.read_text(encoding="utf-8"))
        assert 150 <= told["costs"]["device"] <= 400
        assert 100 <= told["costs"]["installation"] <= 200
        zones = survey_property(yard.path).zones
        assert zones["distribution_uniformity"].between(0.55, 0.80).all()
        assert zones["area_m2"].between(5, 1000).all()


def test_a_number_gives_the_same_yard(tmp_path, yards):
    again = ordinary_yard(tmp_path, yards[0].number, years=2)
    assert again.ratio == yards[0].ratio
    assert again.path.read_text() == yards[0].path.read_text()
