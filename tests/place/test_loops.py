"""The compiled loop of setbacks against the library whose arithmetic it follows: the same bits."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from siting.place.setbacks import Clearance, _segments


@pytest.mark.cross_check("GEOS distances, to the bit")
@pytest.mark.parametrize("side", [60.0, 9.0, 0.01])
def test_the_tightest_setback_is_the_one_that_distances_tell(side):
    rng = np.random.default_rng(8)
    lines = [shapely.LineString(rng.uniform(0, 50, (5, 2))) for _ in range(12)]
    lines += [shapely.Point(3, 4).buffer(2), shapely.MultiPoint([(9, 9), (40, 2)])]
    setbacks = rng.choice([0.0, 0.5, 1.5], len(lines))
    ends = [_segments(np.array([line], dtype=object)) for line in lines]
    each = np.concatenate([np.full(end.shape[1], s) for end, s in zip(ends, setbacks, strict=True)])
    dots, room = rng.uniform(0, 50, (6, 2)), rng.uniform(0.3, 3, 6)
    x, y = 25 + side * rng.uniform(-0.5, 0.5, (2, 500))
    points = shapely.points(x, y)
    outlines = [line.boundary if line.geom_type == "Polygon" else line for line in lines]
    away = np.column_stack([shapely.distance(points, shape) for shape in outlines])
    held = dots[:, 0].copy(), dots[:, 1].copy(), room
    apart = np.hypot(x[:, None] - held[0], y[:, None] - held[1])
    clear = Clearance(*held, np.concatenate(ends, axis=1), each)
    wanted = np.minimum((away - setbacks).min(axis=1), (apart - room).min(axis=1))
    np.testing.assert_array_equal(clear.slack(x, y), wanted)
    with np.errstate(divide="ignore"):
        over = np.where(setbacks > 0, away / setbacks, np.inf).min(axis=1)
    np.testing.assert_array_equal(clear.ratio(x, y), np.minimum(over, (apart / room).min(axis=1)))
