"""Cramped ground, where no place meets every setback: the answer derived by hand.

A strip of width w whose edge asks for a setback s > w / 2 has its largest ratio of distance to
setback, w / 2 s, all along its midline. What is left to choose is how far along it.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import box

from siting.place.placement import RESERVE_GAP_M
from tests.place.test_placement import edge, place

LONG, WIDE, SETBACK = 24.0, 1.0, 1.0


def strip(dryness, *, upright=False, setback=SETBACK, wide=WIDE):
    """Place a sensor in a strip that is too narrow; dryness goes by the distance along it."""
    zone = box(0, 0, wide, LONG) if upright else box(0, 0, LONG, wide)
    return place(
        zone,
        lambda x, y: 50 + dryness(y if upright else x),
        edge(zone, setback),
        burial_error=0.1,
    )


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_middle_of_the_driest_quarter_on_the_midline(sign, upright):
    # Rank rises evenly along the strip: 0.875 is at seven eighths of it, or at one eighth.
    point = strip(lambda along: sign * along, upright=upright)
    across, along = (point.x, point.y) if upright else (point.y, point.x)
    assert across == pytest.approx(WIDE / 2, abs=0.01)
    assert along == pytest.approx(LONG / 2 + sign * 0.375 * LONG, abs=0.05)
    assert point.setback_ratio == pytest.approx(WIDE / 2 / SETBACK, abs=1e-3)
    assert point.rank == pytest.approx(0.875, abs=0.01)


@pytest.mark.parametrize(("setback", "wide"), [(1.0, 1.0), (3.0, 1.0), (0.3, 0.4)])
def test_reserves_lie_on_the_same_ridge_as_near_to_the_target_as_they_may(setback, wide):
    # Two metres to either side of the first: a rank of 2 / 24 off the target, no other is nearer.
    point = strip(lambda along: along, setback=setback, wide=wide)
    assert point.x == pytest.approx(21.0, abs=0.05)
    away = sorted(reserve.x - point.x for reserve in point.reserves)
    assert away == pytest.approx([-RESERVE_GAP_M, RESERVE_GAP_M], abs=0.1)
    for reserve in point.reserves:
        assert reserve.y == pytest.approx(wide / 2, abs=0.025)
        assert reserve.setback_ratio >= point.setback_ratio - 0.025 / setback
        assert reserve.rank == pytest.approx(reserve.x / LONG, abs=0.02)


def test_of_equal_places_on_the_ridge_the_northern_then_the_western():
    # Dryness falls alike to both ends: rank 0.875 is 1.5 m to either side of the middle.
    level = strip(lambda along: -np.abs(along - LONG / 2))
    assert level.x == pytest.approx(LONG / 2 - 1.5, abs=0.1)
    upright = strip(lambda along: -np.abs(along - LONG / 2), upright=True)
    assert upright.y == pytest.approx(LONG / 2 + 1.5, abs=0.1)


def test_of_equal_bands_the_one_nearer_to_the_middle():
    # Two bands, as dry as each other, of which the driest eighth reaches 0.75 m to either side.
    point = strip(lambda along: -np.minimum(np.abs(along - 4), np.abs(along - 13.0)))
    assert abs(point.x - 13.0) == pytest.approx(0.75, abs=0.15)


def test_a_widening_strip_is_best_where_it_is_widest():
    # The ratio is largest at one place only, so that dryness has no say.
    zone = shapely.Polygon([(0, 0), (20, 0), (20, 1.2), (0, 0.4)])
    for sign in (1.0, -1.0):
        point = place(zone, lambda x, _y, s=sign: 50 + s * x, edge(zone, 2.0))
        inscribed = shapely.maximum_inscribed_circle(zone, tolerance=1e-4).length
        assert point.setback_ratio == pytest.approx(inscribed / 2.0, abs=2e-3)
        assert all(r.setback_ratio <= point.setback_ratio + 1e-6 for r in point.reserves)
