"""What a survey takes from others and from the field: factors of packages, measured cans."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point, box

from siting.extensions import ExtensionError
from siting.site.model import LocalGrid
from siting.water.zones import MONTH_COLUMNS
from siting.zones import survey
from siting.zones.application import zone_application
from siting.zones.points import zone_pixels

GRID = LocalGrid(west=0.0, north=20.0, resolution=1.0, rows=20, columns=40)
ZONES = pd.Index(["lawn", "bed"], name="zone")


class Brought:
    """A factor as a package brings it."""

    def __init__(self, found):
        self.found = found

    def __str__(self):
        return "factor wind (package example 1.0)"

    def call(self, _site, **_options):
        if isinstance(self.found, Exception):
            raise self.found
        return self.found


def with_factor(monkeypatch, found):
    """Return the table of two zones after a factor, and what was told."""
    extension = None if found is None else Brought(found)
    monkeypatch.setattr(survey, "find_extension", lambda *_: extension)
    water = pd.DataFrame(1.0, index=ZONES, columns=["kmc", "kmc_scale", *MONTH_COLUMNS])
    return survey.with_factors(water, SimpleNamespace(), {"wind": {}})


def test_a_factor_multiplies_the_demand_of_each_zone(monkeypatch):
    table, told = with_factor(monkeypatch, pd.Series({"bed": 1.5, "lawn": 0.5}))
    assert (table.loc["lawn"] == 0.5).all()
    assert (table.loc["bed"] == 1.5).all()
    assert told == ("factor wind (package example 1.0) multiplies the demand of each zone: "
                    "lawn 0.50, bed 1.50",)  # fmt: skip


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (None, "no installed package brings it"),
        (ExtensionError("it broke"), "it broke"),
        ([1.0, 1.0], "returned list, not a Series"),
        (pd.Series({"lawn": 1.0}), "other zones than the property's"),
        (pd.Series([1.0, 1.0, 1.0], ["lawn", "lawn", "bed"]), "other zones than the property's"),
        (pd.Series({"lawn": 1.0, "bed": 5.1}), "returned 5.1 for zone bed, outside 0.2 to 5"),
        (pd.Series({"lawn": 0.19, "bed": 1.0}), "returned 0.19 for zone lawn, outside 0.2 to 5"),
        (pd.Series({"lawn": "wet", "bed": 1.0}), "returned wet for zone lawn"),
    ],
)
def test_a_factor_that_cannot_be_used_changes_nothing_and_is_told(monkeypatch, found, words):
    table, (told,) = with_factor(monkeypatch, found)
    assert told.startswith("factor wind is not used: ")
    assert words in told
    assert (table == 1.0).all(axis=None)


def applied(readings, *, given=10.0, **columns):
    """Return the application of a lawn with cans a metre apart, and what was told."""
    shape = box(2, 2, 38, 18)
    zones = gpd.GeoDataFrame(
        {"valve": ["1"], "irrigation": ["spray"], "precipitation_rate": [given]},
        geometry=[shape], index=pd.Index(["lawn"], name="zone"),
    )  # fmt: skip
    water = pd.DataFrame({"distribution_uniformity": [0.6]}, index=zones.index)
    places = [Point(4 + 3 * (k % 6), 5 + 3 * (k // 6)) for k in range(len(readings))]
    cans = gpd.GeoDataFrame({"depth": readings, **columns}, geometry=places)
    pixels = zone_pixels(GRID, zones, roof=np.zeros(GRID.shape, dtype=bool))
    return zone_application(pixels, zones, cans=cans, water=water)


def test_fewer_than_eight_cans_are_told_and_not_used():
    patterns, (told,) = applied([5.0] * 7)
    assert patterns["lawn"].source == "prior"
    assert "lawn: 7 can readings are too few" in told
    assert applied([5.0] * 8)[0]["lawn"].measured


@pytest.mark.parametrize(
    ("given", "minutes", "contradicted"),
    [(20.0, 15.0, False), (10.0, 15.0, True), (np.nan, 15.0, False), (10.0, np.nan, False)],
)
def test_cans_of_another_rate_than_the_drawing_are_told(given, minutes, contradicted):
    """Five millimetres in a quarter of an hour are 20 mm/h."""
    patterns, told = applied([5.0] * 12, given=given, minutes=[minutes] * 12)
    assert patterns["lawn"].rate_mm_h == pytest.approx(
        20.0 if minutes == 15 else np.nan, nan_ok=True
    )
    assert [("the cans say" in line) for line in told] == [True] * contradicted


@pytest.mark.parametrize("rate", [20.0, np.nan])
def test_measured_evenness_and_rate_replace_what_was_assumed(rate):
    water = pd.DataFrame(
        {
            "distribution_uniformity": [0.6, 0.7],
            "precipitation_rate": [38.0, 12.0],
            "defaults": [
                "distribution_uniformity 0.6, precipitation_rate 38, root_depth 0.3",
                "precipitation_rate 12",
            ],
        },
        index=ZONES,
    )
    seen = SimpleNamespace(measured=True, uniformity=0.8, rate_mm_h=rate)
    unseen = SimpleNamespace(measured=False)
    table = survey._with_measured(water, {"lawn": seen, "bed": unseen})
    assert table.loc["lawn", "distribution_uniformity"] == 0.8
    known = np.isfinite(rate)
    assert table.loc["lawn", "precipitation_rate"] == (20.0 if known else 38.0)
    left = "root_depth 0.3" if known else "precipitation_rate 38, root_depth 0.3"
    assert table.loc["lawn", "defaults"] == left
    pd.testing.assert_series_equal(table.loc["bed"], water.loc["bed"])


def test_heads_that_reach_nothing_leave_the_pattern_unknown():
    """Four heads of the zone's valve, drawn 100 m away with a throw of 3 m."""
    zones = gpd.GeoDataFrame(
        {"valve": ["1"], "irrigation": ["spray"]},
        geometry=[box(2, 2, 38, 18)], index=pd.Index(["lawn"], name="zone"),
    )  # fmt: skip
    water = pd.DataFrame({"distribution_uniformity": [0.6]}, index=zones.index)
    pixels = zone_pixels(GRID, zones, roof=np.zeros(GRID.shape, dtype=bool))
    cans = gpd.GeoDataFrame({"depth": []}, geometry=[])

    def source(*corner):
        heads = gpd.GeoDataFrame(
            {"kind": "head", "valve": "1", "wetted_radius": 3.0, "nozzle_flow": 5.0},
            index=range(4), geometry=[Point(corner[0] + 4 * k, corner[1]) for k in range(4)],
        )  # fmt: skip
        patterns, _ = zone_application(pixels, zones, cans=cans, water=water, fixtures=heads)
        return patterns["lawn"].source

    assert source(10, 10) == "heads"
    assert source(110, 110) == "prior"
