"""A property decided controller by controller is decided as it is at once."""

import geopandas as gpd
import pytest
from shapely.geometry import Point

from siting import plan_property, replan
from siting.decide import choose
from tests.small_property import CRS, EAST, NORTH, square, write_property


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return the plan of five zones under two controllers, not alike in what they need."""
    kinds = {"A1": "cool_season_turf", "A2": "warm_season_turf", "A3": "shrubs",
             "B1": "cool_season_turf", "B2": "shrubs"}  # fmt: skip
    zones = {
        name: (square(4 + 18 * k, 4), {"controller": name[0], "plants": plants})
        for k, (name, plants) in enumerate(kinds.items())
    }
    folder = tmp_path_factory.mktemp("two")
    path = write_property(folder, zones)
    boxes = [Point(EAST + 2, NORTH + 2), Point(EAST + 92, NORTH + 2)]
    fixtures = gpd.GeoDataFrame(
        {"kind": ["controller"] * 2, "name": ["A", "B"]}, geometry=boxes, crs=CRS
    )
    fixtures.to_file(folder / "layers.gpkg", layer="fixtures", driver="GPKG")
    return plan_property(path)


@pytest.mark.cross_check("the same property decided at once")
def test_it_gives_the_same_sensors_and_tells_its_ties(whole, monkeypatch):
    assert set(whole.zones["controller"]) == {"A", "B"}
    monkeypatch.setattr(choose, "TOGETHER", 1)
    parts = replan(whole)
    assert list(parts.sensors["zone"]) == list(whole.sensors["zone"])
    assert list(parts.zones["sensor_id"]) == list(whole.zones["sensor_id"])
    assert parts.choices["cost_per_year"].to_numpy() == pytest.approx(
        whole.choices["cost_per_year"].to_numpy()
    )
    homes = parts.decision["tie_homes"]
    assert set(homes) == set(parts.sensors["zone"])
    for home, others in homes.items():
        under = {zone[0] for zone in [home, *others]}
        assert len(under) == 1, "a sensor goes to no other controller's zone"
    assert "solved one by one" in str(parts.decision) + parts.wording("metric").answer
