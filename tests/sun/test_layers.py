"""What the reader hands the sun engine: walls and hedges, crown bases, leaves."""

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, MultiLineString, Point

from siting.sun.position import season_positions
from siting.zones.ground import property_grid, sun_variants
from tests.site.test_reading import PLANE, make, one_fault, site_of, write_layer

HEDGES = {
    "geometry": [LineString([(-20, -45), (20, -45)]), MultiLineString([[(0, 45), (9, 45)]])],
    "height": [2.0, 1.5],
    "transmissivity": [0.3, None],
}
TREES = {
    "geometry": [Point(-45, 45), Point(45, 45), Point(0, -46)],
    "height": [9.0, 8.0, 7.0],
    "crown_base": [3.0, None, 2.0],
    "transmissivity_bare": [0.5, None, None],
    "evergreen": ["no", "yes", None],
}


def test_walls_are_read_and_said_to_be_solid(tmp_path):
    site = site_of(make(tmp_path, walls=HEDGES))
    walls = site.walls.set_index("feature")
    assert walls["height"].tolist() == [1.5, 2.0]
    assert walls["transmissivity"].tolist() == [0.0, 0.3]
    assert walls.geometry.length.tolist() == pytest.approx([9, 40], rel=1e-4)
    assert any("transmissivity of 1 walls was unknown" in text for text in site.warnings)


def test_a_property_without_walls_has_none_and_no_warning(tmp_path):
    site = site_of(make(tmp_path))
    assert site.walls.empty
    assert not any("walls" in text for text in site.warnings)


def test_walls_in_feet(tmp_path):
    data = {"geometry": [LineString([(0, 0), (9, 0)])], "height_ft": [6.0]}
    site = site_of(make(tmp_path, walls=data))
    assert site.walls["height"].tolist() == pytest.approx([1.8288])


@pytest.mark.parametrize(
    ("changes", "parts"),
    [
        ({"height": [2.0, None]}, ["walls", "no value", "height"]),
        ({"geometry": [Point(0, 0), LineString([(0, 0), (1, 1)])]}, ["walls", "Point", "lines"]),
        ({"transmissivity": [30.0, 0.1]}, ["walls", "30", "0 to 1"]),
    ],
)
def test_faulty_walls_are_refused(tmp_path, changes, parts):
    one_fault(make(tmp_path, walls={**HEDGES, **changes}), *parts)


def test_leaves_and_crown_bases_are_read(tmp_path):
    trees = site_of(make(tmp_path, trees=TREES)).trees.set_index("feature").sort_index()
    assert trees["evergreen"].tolist() == [False, True, None]
    np.testing.assert_array_equal(trees["crown_base"], [3.0, np.nan, 2.0])
    np.testing.assert_array_equal(trees["transmissivity_bare"], [0.5, np.nan, np.nan])


def test_a_crown_that_begins_above_the_top_is_refused(tmp_path):
    data = {**TREES, "crown_base": [3.0, 8.0, 2.0]}
    one_fault(make(tmp_path, trees=data), "trees", "crown_base", "feature 2")


def test_a_shapefile_does_not_mix_up_the_two_transmissivities(tmp_path):
    """Both names are cut to "transmissi"; the one column there is the one in leaf."""
    frame = gpd.GeoDataFrame(
        {"height": [9.0], "transmissi": [0.2]}, geometry=[Point(-45, 45)], crs=PLANE
    )
    make(tmp_path, trees=None, layers='{ file = "property.gpkg" }')
    write_layer(tmp_path / "trees.shp", "trees", dict(frame.items()), "EPSG:32617")
    names = ", ".join(f'{n} = "property.gpkg:{n}"' for n in ("boundary", "hydrozones", "buildings"))
    path = tmp_path / "property.toml"
    text = path.read_text().replace(
        '{ file = "property.gpkg" }', f'{{ {names}, trees = "trees.shp" }}'
    )
    path.write_text(text)
    trees = site_of(path).trees
    assert trees["transmissivity"].tolist() == [0.2]
    assert trees["transmissivity_bare"].isna().all()


def test_the_plan_sees_walls_and_bare_trees(tmp_path):
    """A hedge dims the ground north of it; a bare tree dims less in January than an evergreen."""
    sites = [
        site_of(make(tmp_path, walls=walls, trees={**TREES, "evergreen": [leaf] * 3}))
        for walls, leaf in ((None, "no"), (HEDGES, "yes"))
        if not (tmp_path / "property.gpkg").unlink(missing_ok=True)
    ]
    sun = season_positions(26.05, -80.25, months=(1, 7), minutes=60)
    found = []
    for site in sites:
        grid = property_grid(site, 2.0)
        more = {"months": (1, 7), "threads": 1, "spread": False, "progress": None}
        found.append(sun_variants(site, grid, sun, **more)[0].drawn)
    hours = [np.nansum(sun.sun_hours, axis=(1, 2)) for sun in found]
    assert (hours[0] > hours[1]).all()
    assert np.nansum(found[0].sky_view) > np.nansum(found[1].sky_view)
