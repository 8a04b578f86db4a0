"""What the plan says of its water: coefficients, soil map, climate, budget, causes of need."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import box

from siting.handoff.document import plan_document
from siting.planning.make import plan_property
from siting.zones.need import CAUSES
from tests.small_property import CRS, EAST, NORTH, square, write_property
from tests.some import some


@pytest.fixture(scope="module")
def varied(tmp_path_factory):
    """Four zones: plain, its own coefficients, a given microclimate, soil by map; a shed."""
    folder = tmp_path_factory.mktemp("varied")
    bare = {"kd": np.nan, "kmc": np.nan, "ks": np.nan, "compaction": np.nan}
    zones = {
        "1": (square(4, 4), bare),
        "2": (square(22, 4), bare | {"plants": "shrubs", "ks": 0.5, "kd": 1.1, "slope": 15.0}),
        "3": (square(40, 4), bare | {"kmc": 1.2, "compaction": 1.2}),
        "4": (square(58, 4), bare | {"soil": None}),
    }
    shed = {"height": [5.0], "geometry": [box(EAST + 4, NORTH + 1, EAST + 18, NORTH + 3)]}
    path = write_property(folder, zones, buildings=shed)
    soils = gpd.GeoDataFrame(
        {"soil": ["clay loam", "sand"]},
        geometry=[box(EAST, NORTH, EAST + 80, NORTH + 14.5),
                  box(EAST, NORTH + 14.5, EAST + 80, NORTH + 30)], crs=CRS,
    )  # fmt: skip
    soils.to_file(folder / "layers.gpkg", layer="soils", driver="GPKG")
    text = path.read_text(encoding="utf-8")
    text = text.replace("[water]\n", '[water]\nbudget = "mwelo"\n')
    path.write_text(text, encoding="utf-8")
    return plan_property(path)


def test_landscape_coefficient_and_its_parts(varied):
    zones = varied.zones
    product = zones["ks"] * zones["kd"] * zones["establishment"] * zones["kmc"]
    np.testing.assert_allclose(product, zones["kl"], rtol=1e-9)
    assert zones.loc["2", ["ks", "kd"]].tolist() == pytest.approx([0.5, 1.1])
    assert "plant_factor" not in zones.loc["2", "defaults"]
    assert "plant_factor warm_season_s623" in zones.loc["1", "defaults"]
    # The sun's own factor, beside a wall and in the open.
    assert zones.loc["1", "kmc"] == zones.loc["1", "kmc_computed"] < 0.97
    assert 0.97 < zones.loc["4", "kmc_computed"] <= 1.0
    assert zones.loc["4", "kmc_range"] == "average 1"


def test_a_given_microclimate_is_heeded_and_raises_the_demand(varied):
    zones = varied.zones
    assert zones.loc["3", "kmc"] == 1.2
    assert zones.loc["3", "kmc_range"] == "high 1.1-1.4"
    computed = zones.loc["3", "kmc_computed"]
    ratio = zones.loc["3", "etc_peak_mm_d"] / zones.loc["4", "etc_peak_mm_d"]
    assert ratio == pytest.approx(1.2 / zones.loc["4", "kmc_computed"], rel=0.01)
    assert computed < 1.01
    # It is the sun's share that grows, not that of the plants.
    assert zones.loc["3", "need_share_sun"] > zones.loc["4", "need_share_sun"]


def test_soil_comes_from_the_map_only_where_the_zone_has_none(varied):
    zones = varied.zones
    assert zones.loc["4", "soil"] == "clay loam"
    assert zones.loc["1", "soil"] == "sandy loam"
    # Three quarters clay loam (0.36, 0.22), a quarter sand (0.12, 0.045).
    assert zones.loc["4", "taw_mm"] == pytest.approx(300 * (0.75 * 0.14 + 0.25 * 0.075), rel=1e-3)
    assert any("zone 4: soil from the soil map, mostly clay loam" in w for w in varied.warnings)
    assert zones.loc["3", "taw_mm"] != zones.loc["1", "taw_mm"]


def test_causes_of_need_add_up_in_the_plan_and_its_document(varied):
    columns = [f"need_share_{cause}" for cause in CAUSES]
    np.testing.assert_allclose(varied.zones[columns].sum(axis=1), 1.0, atol=1e-9)
    assert varied.zones.loc["2", "need_share_slope"] >= 0
    for zone in plan_document(varied)["zones"]:
        assert sum(zone["need_shares"].values()) == pytest.approx(1.0, abs=5e-4)
        assert "times as thirsty" in zone["need_words"]
        assert zone["need_ratio"] > 1


def test_budget_and_climate_are_reported(varied):
    document = plan_document(varied)
    budget = document["budget"]
    assert budget["kind"] == "mwelo"
    assert budget["area_m2"] == pytest.approx(float(varied.zones["area_m2"].sum()), abs=0.1)
    parts = sum(zone["estimated_m3"] for zone in budget["zones"])
    assert parts == pytest.approx(budget["estimated_m3"], abs=0.05)
    allowed = budget["eto_mm"] / 1000 * 0.55 * budget["area_m2"]
    # 0.62 instead of 144/231 gallons per inch and square foot.
    assert budget["allowance_m3"] == pytest.approx(allowed * 0.62 * 231 / 144, rel=1e-3)
    assert any(w.startswith("plant factors for a humid climate") for w in varied.warnings)


def test_no_budget_unless_it_is_asked_for(tmp_path):
    plan = plan_property(write_property(tmp_path, years=1, scenarios=1, resolution=2.0))
    assert plan.economics["budget"] is None
    assert plan_document(plan)["budget"] is None


def test_the_threshold_is_that_of_the_sensors_layer(varied):
    for _, sensor in some(varied.sensors.iterrows()):
        zone = varied.zones.loc[sensor["zone"]]
        share = min(1.0, 2 * sensor["depth_m"] / zone["root_depth_m"])
        expected = sensor["threshold_low_fraction"] * zone["taw_mm"] * share
        assert sensor["threshold_low_mm"] == pytest.approx(expected)
