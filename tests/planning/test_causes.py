"""Only causes are told: a fault of one feature does not make the timer or the layer look wrong."""

import geopandas as gpd
import pytest
from shapely.geometry import Polygon

from siting.errors import InputError
from siting.site.reading import open_property
from tests.small_property import write_property

BOWTIE = Polygon([(0, 0), (0, 1e-6), (1e-6, 0)])


def spoilt(folder, change):
    """Write a property, change its zones, and return the faults."""
    path = write_property(folder)
    zones = gpd.read_file(path.parent / "layers.gpkg", layer="hydrozones")
    change(zones).to_file(path.parent / "layers.gpkg", layer="hydrozones", driver="GPKG")
    with pytest.raises(InputError) as caught:
        open_property(path)
    return [str(fault) for fault in caught.value.faults]


def moved(shift):
    def change(zones):
        shapes = zones.geometry.to_list()
        shapes[2] = shift(shapes[2])
        return zones.set_geometry(gpd.GeoSeries(shapes, crs=zones.crs))

    return change


def cell(column, value):
    def change(zones):
        zones[column] = zones[column].astype(object)
        zones.loc[2, column] = value
        return zones

    return change


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        (moved(lambda _: None), "hydrozones"),
        (moved(lambda shape: shape.boundary), "hydrozones"),
        (moved(lambda _: BOWTIE), "hydrozones"),
        (cell("zone", None), "no zone id"),
        (cell("zone", "1"), '"1" on 2 features'),
    ],
    ids=["no shape", "a line", "a sliver", "no name", "a name twice"],
)
def test_a_fault_of_a_zone_is_told_and_no_valve_is_to_be_removed(tmp_path, change, cause):
    faults = spoilt(tmp_path, change)
    assert any(cause in fault for fault in faults), faults
    assert not [fault for fault in faults if "which no zone has" in fault]


def test_a_valve_that_no_zone_has_is_still_told_beside_another_fault(tmp_path):
    def change(zones):
        zones.loc[0, "plants"] = "schrubs"
        zones.loc[2, "valve"] = "7"
        return zones

    faults = spoilt(tmp_path, change)
    assert any("schrubs" in fault for fault in faults)
    assert any('valve "2", which no zone has' in fault for fault in faults)


def test_a_boundary_that_is_nowhere_does_not_make_the_zones_vanish(tmp_path):
    path = write_property(tmp_path)
    for layer in ("boundary", "hydrozones"):
        frame = gpd.read_file(path.parent / "layers.gpkg", layer=layer)
        frame = frame.set_geometry(frame.geometry.translate(1e12, 1e12))
        frame.to_file(path.parent / "layers.gpkg", layer=layer, driver="GPKG")
    with pytest.raises(InputError) as caught:
        open_property(path)
    assert "no features" not in str(caught.value)
