"""What readings teach of each zone of a property: which count, and what is said of them."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import box

from siting.site.model import Evidence
from siting.zones.application import Unevenness, ZoneApplication
from siting.zones.survey import with_evidence, zone_readings

PLACES = np.array([[2.0, 2], [8, 2], [14, 2], [2, 8], [8, 8], [14, 8], [5, 5], [11, 5.5]])
ZONES = gpd.GeoDataFrame(
    {"zone": ["west", "east", "bare"]},
    geometry=[box(0, 0, 16, 10), box(100, 0, 116, 10), box(200, 0, 216, 10)],
    crs=32632,
).set_index("zone")


def read(value, *, date="2026-07-01", shift=0.0, places=PLACES):
    return Evidence(
        "probe", date, places[:, 0] + shift, places[:, 1], -np.asarray(value, float), trust=0.7
    )


@pytest.fixture
def ground():
    """Three lawns, alike at every point."""
    x, y = (part.ravel() for part in np.meshgrid(np.arange(0.5, 16), np.arange(0.5, 10)))
    shifts = (0.0, 100.0, 200.0)
    pixels = SimpleNamespace(
        zones=list(ZONES.index),
        x=[x + s for s in shifts],
        y=[y] * 3,
        sample_x=[x + s for s in shifts],
        sample_y=[y] * 3,
    )
    return SimpleNamespace(pixels=pixels, samples=[np.full((1, x.size), 0.05)] * 3)


def patterns():
    return {
        name: ZoneApplication(0.7, np.ones(160), unknown=Unevenness(cv=0.3, reach=3.0))
        for name in ZONES.index
    }


def test_only_what_lies_in_a_zone_teaches_of_it(ground):
    """Enough in one zone, too little in the second, nothing in the third."""
    before = patterns()
    evidence = [
        read([9, 8, 7, 6, 5, 4, 3, 2]),
        read([9, 8], shift=100.0, places=PLACES[:2]),
        read([9, 8], shift=500.0, places=PLACES[:2]),
    ]
    found, told = with_evidence(before, ground, ZONES, evidence)
    assert found["west"].unknown.learned is not None
    assert found["west"].unknown.cv < 0.3
    assert found["east"] == before["east"]
    assert found["bare"] is before["bare"]
    assert len(told) == 2
    assert "8 readings of the probe of 2026-07-01 were used" in told[0]
    assert told[1].startswith("zone east: 2 readings of the probe")
    assert "say nothing of where it is dry" in told[1]
    assert zone_readings(evidence, ZONES.geometry["bare"]) == []


def test_repeated_walks_say_how_steady_places_were_and_of_which_days(ground):
    days = [f"2026-07-0{day}" for day in (4, 1, 3, 2, 5)]
    evidence = [read([9, 8, 7, 6, 5, 4, 3, 2], date=day) for day in days]
    _, (told,) = with_evidence(patterns(), ground, ZONES, evidence)
    assert "40 readings of the probe of 2026-07-01, 2026-07-02, 2026-07-03 and 2 more days" in told
    assert "moved by 0 % of that mean" in told
    _, (once,) = with_evidence(patterns(), ground, ZONES, evidence[:1])
    assert "from day to day" not in once
