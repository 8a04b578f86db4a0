"""What is said of how dry a place is likely to be, held against drawing what is not known."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from siting.place.rank import FIELD_ERROR, FIELD_REACH_M, UNDRAWN_SHADE
from siting.zones.application import Unevenness
from tests.place.test_placement import edge, lattice, place
from tests.validation.calibration import PROPERTIES, binned, misfit, simulated

ZONE = box(0, 0, 18, 15)


@pytest.mark.parametrize(("reach", "room"), [(1.0, 0.03), (3.0, 0.03), (6.0, 0.05)])
def test_chances_equal_those_of_drawn_fields(reach, room):
    """The closed form against lognormal fields with the same correlations, drawn exactly; it holds
    where deviations reach no farther than about a third of the zone."""
    found = place(ZONE, lambda x, _y: 1 + x / 18, edge(ZONE), burial_error=1e-6, scenarios=1,
                  application_cv=Unevenness(0.3, reach))  # fmt: skip
    x, y = lattice(box(0.9, 0.9, 17.1, 14.1))
    at = int(np.argmin(np.hypot(x - found.x, y - found.y)))
    apart = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
    rng = np.random.default_rng(8)
    field = np.zeros((x.size, 2000))
    for cv, far in ((0.3, reach), (FIELD_ERROR, FIELD_REACH_M)):
        root = np.linalg.cholesky(np.exp(-apart / (2 * far**2)) + 1e-6 * np.eye(x.size))
        field += np.sqrt(np.log1p(cv**2)) * (root @ rng.normal(size=field.shape))
    drawn = (1 + x / 18)[:, None] * np.exp(field)
    ranks = (drawn < drawn[at]).mean(axis=0)
    clear = 1 - UNDRAWN_SHADE
    assert found.chances.expected_rank == pytest.approx(clear * ranks.mean(), abs=0.02)
    assert found.chances.driest_quarter == pytest.approx(clear * (ranks > 0.75).mean(), abs=room)
    half = UNDRAWN_SHADE + clear * (ranks < 0.5).mean()
    assert found.chances.wetter_half == pytest.approx(half, abs=room)


@pytest.fixture(scope="module")
def drawn():
    """What was told and what came true, as in the docs' plot."""
    return simulated()


def test_chances_come_true_on_simulated_properties(drawn):
    """All bins together lie off by no more than chance brings, and none by two standard errors.

    Of true chances one bin in three lies off by more than one standard error.
    """
    told, true = drawn
    assert len(np.unique(told[:, 3])) == PROPERTIES == 200
    bins = binned(told, true)
    assert len(bins) >= 6
    for one in bins:
        assert abs(one.true - one.told) <= 2 * one.error, one
    assert misfit(bins)[1] > 0.05
    assert abs(true.mean() - told[:, 1].mean()) <= 0.02


def test_chances_a_tenth_too_high_or_squeezed_to_the_middle_would_be_found_out(drawn):
    """The same points, with chances told wrongly: chance alone brings that once in 10 000 times."""
    told, true = drawn
    for wrong in (told[:, 1] + 0.1, 0.5 + 0.6 * (told[:, 1] - 0.5)):
        other = told.copy()
        other[:, 1] = np.clip(wrong, 0, 1)
        assert misfit(binned(other, true))[1] < 1e-4


@pytest.mark.long
@pytest.mark.parametrize("seed", [21, 22])
def test_chances_come_true_with_seeds_that_nothing_was_set_by(seed):
    """As in the docs' table."""
    bins = binned(*simulated(seed=seed))
    assert misfit(bins)[1] > 0.05
    assert max(abs(one.true - one.told) / one.error for one in bins) < 2


def test_even_ground_is_told_as_even_and_the_interior_taken():
    """It varies by less than the map's own error, to the east."""
    found = place(ZONE, lambda x, _y: 1 + 0.4 * FIELD_ERROR * x / 18, edge(ZONE))
    assert found.reason.startswith("The zone dries evenly: the middle of its open ground")
    assert found.x == pytest.approx(9.0, abs=1.7)  # as deep inside as any
    assert found.y == pytest.approx(7.5, abs=0.01)


def test_a_drier_half_that_dries_alike_has_no_driest_quarter():
    """The west is shaded; the east is level within the map's own error."""
    found = place(ZONE, lambda x, _y: np.minimum(1.0, 0.5 + x / 18) + 1e-4 * x, edge(ZONE))
    assert "no place in it is the driest" in found.reason
    assert "probe two days after a watering" in found.reason
    assert 9.0 < found.x < 15.0
    assert found.chances.driest_quarter < 0.6


def test_where_nothing_tells_the_driest_quarter_a_walk_with_a_probe_is_asked_for():
    known = place(ZONE, lambda x, _y: 1 + 0.2 * x / 18, edge(ZONE))
    assert known.reason.startswith("In the driest quarter of the ground")
    unknown = place(ZONE, lambda x, _y: 1 + 0.03 * x / 18, edge(ZONE),
                    application_cv=Unevenness(0.3, 4.0, 0.1))  # fmt: skip
    assert unknown.chances.driest_quarter < 0.5
    assert unknown.reason.startswith("Any place here is about as good (chances: ")
    assert "reserves R1 and R2 with a probe" in unknown.reason
    # Of a deviation of 0.3 a tenth of the variance stays: known with a correlation of 0.94, and put
    # where the driest quarter has its middle, 0.9 of places lie in it (simulated lawns say 0.95).
    assert unknown.chances_tested.driest_quarter == pytest.approx(0.93, abs=0.05)


def test_words_and_numbers_are_of_one_distribution():
    for slope in (0.04, 0.1, 0.5):
        at = place(ZONE, lambda x, _y, s=slope: 1 + s * x / 18, edge(ZONE),
                   application_cv=Unevenness(0.15, 3.0))  # fmt: skip
        assert f"{100 * at.chances.driest_quarter:.0f} in 100 for the driest quarter" in at.reason
        assert f"{100 * at.chances.wetter_half:.0f} in 100 for the wetter half" in at.reason
        assert at.chances.driest_quarter + at.chances.wetter_half <= 1.0
        assert ("Any place" in at.reason) == (at.chances.driest_quarter < 0.5)
