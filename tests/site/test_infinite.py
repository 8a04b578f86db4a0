"""Coordinates that are infinite or no numbers, also where no boundary says where to look."""

import geopandas as gpd
import numpy as np
import pytest
from shapely.affinity import translate
from shapely.geometry import MultiPoint, Point, Polygon

from siting.site.crs import all_finite
from tests.bad_inputs.base import EAST, NORTH, Draft
from tests.fuzz.runs import check_draft

SHAPES = {
    "point": Point(np.inf, NORTH),
    "points": MultiPoint([(EAST, NORTH), (np.nan, NORTH)]),
    "ring": Polygon([(EAST, NORTH), (np.inf, NORTH), (EAST, NORTH + 9)]),
    "far": translate(Polygon([(EAST, NORTH), (EAST + 9, NORTH), (EAST, NORTH + 9)]), 1e12, -1e13),
    "far point": Point(1e12, -1e13),
}


def test_one_bad_coordinate_is_enough():
    shapes = np.array([Point(1, 2), Point(np.inf, 2), None, Polygon(), SHAPES["ring"]])
    assert all_finite(shapes).tolist() == [True, False, True, True, False]
    assert all_finite(np.array([], dtype=object)).tolist() == []


@pytest.mark.parametrize("kind", SHAPES)
@pytest.mark.parametrize("layer", ["hydrozones", "trees", "buildings", "boundary"])
@pytest.mark.parametrize("placed", [True, False])
def test_refused_in_words_with_a_boundary_and_without(layer, kind, placed):
    draft = Draft()
    if not placed:
        ground = draft.layers["boundary"]
        points = gpd.GeoSeries([Point(EAST, NORTH)] * len(ground), ground.index, crs=ground.crs)
        draft.layers["boundary"] = ground.set_geometry(points)
    frame = draft.layers[layer]
    shapes = [SHAPES[kind], *frame.geometry.tolist()[1:]]
    draft.layers[layer] = frame.set_geometry(gpd.GeoSeries(shapes, frame.index, crs=frame.crs))
    assert check_draft(draft) == "refused"
