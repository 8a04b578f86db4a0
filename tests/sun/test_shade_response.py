"""How shade lowers the reference ET of a pixel, against published shade factors."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from siting.climate.air import extraterrestrial_radiation
from siting.water.reference_et import eto_terms
from siting.zones.ground import SunVariants

#: July of a humid and of a dry place: latitude, tmin, tmax, ea, clearness Rs/Ra.
JULY = {"humid": (28.5, 23.0, 33.0, 2.85, 0.50), "dry": (36.8, 18.5, 36.5, 1.3, 0.72)}


def july(place, **options):
    latitude, tmin, tmax, ea, clear = JULY[place]
    index = pd.date_range("2021-07-01", "2021-07-31", name="date")
    ra = extraterrestrial_radiation(latitude, index.dayofyear.to_numpy())
    frame = pd.DataFrame(
        {"tmin_c": tmin, "tmax_c": tmax, "rain_mm": 0.0, "rs_mj_m2": clear * ra, "ea_kpa": ea,
         "wind_2m_m_s": 2.0}, index=index,
    )  # fmt: skip
    return eto_terms(frame, latitude=latitude, elevation_m=20.0, **options)


def relative(terms, beam, sky):
    shaded = np.maximum(terms.constant + terms.beam * beam + terms.sky * sky, 0.0)
    return float(shaded.sum() / terms.open_sky.sum())


@pytest.mark.published(
    "Shade factors of an industry protocol for testing controllers, as in two public codes, "
    "the protocol itself not read: 0.84 at 50 % and 0.67 at 75 % shade"
)
def test_beam_shade_in_a_humid_month_is_in_the_published_band():
    terms = july("humid")
    assert terms.diffuse_fraction.mean() == pytest.approx(0.61, abs=0.01)
    half, three_quarters = relative(terms, 0.5, 1.0), relative(terms, 0.25, 1.0)
    assert half == pytest.approx(0.84, abs=0.06)
    assert three_quarters == pytest.approx(0.67, abs=0.08)
    assert (half, three_quarters) == pytest.approx((0.831, 0.747), abs=0.005)


@pytest.mark.cross_check(
    "Our own loss in dry weather; that shade tells most there was measured by Litvak & Pataki 2016"
)
def test_beam_shade_in_a_dry_month_is_below_the_band_by_a_stated_amount():
    terms = july("dry", shade_blend=0.0)
    assert terms.diffuse_fraction.mean() == pytest.approx(0.19, abs=0.01)
    half, three_quarters = relative(terms, 0.5, 1.0), relative(terms, 0.25, 1.0)
    # 0.16 and 0.15 below 0.84 and 0.67: the docstring of `eto_terms` says why.
    assert (0.84 - half, 0.67 - three_quarters) == pytest.approx((0.157, 0.146), abs=0.005)
    humid = july("humid")
    for beam in (0.75, 0.5, 0.25, 0.0):
        assert relative(terms, beam, 1.0) < relative(humid, beam, 1.0)


def test_a_dry_month_meets_the_published_factors_half_way():
    terms, bare, full = july("dry"), july("dry", shade_blend=0.0), july("dry", shade_blend=1.0)
    np.testing.assert_allclose(terms.open_sky, bare.open_sky, rtol=1e-12)
    # A straight line can meet both factors only in their middle.
    assert relative(full, 0.5, 1.0) == pytest.approx(0.84, abs=0.035)
    assert relative(full, 0.25, 1.0) == pytest.approx(0.67, abs=0.05)
    for beam in (0.75, 0.5, 0.25, 0.0):
        middle = (relative(bare, beam, 1.0) + relative(full, beam, 1.0)) / 2
        assert relative(terms, beam, 1.0) == pytest.approx(middle, abs=1e-9)
    assert relative(terms, 0.5, 1.0) == pytest.approx(0.746, abs=0.005)
    # A humid month lies within the published band by itself and stays as it is.
    assert relative(july("humid"), 0.5, 1.0) == relative(july("humid", shade_blend=0.0), 0.5, 1.0)


@pytest.mark.parametrize("place", list(JULY))
def test_the_published_factors_lie_between_the_bounds(place):
    terms = july(place)
    assert relative(terms, 1.0, 1.0) == pytest.approx(1.0)
    for beam, published in ((0.5, 0.84), (0.25, 0.67)):
        assert relative(terms, beam, beam) < published
        values = [relative(terms, b, 1.0) for b in (1.0, 0.75, 0.5, 0.25, 0.0)]
        assert values == sorted(values, reverse=True)


def test_on_sloping_ground_the_plan_counts_the_beam_of_the_slope():
    known = {
        "months": (7,),
        "beam_fraction": np.full((1, 1, 2), 0.9),
        "sky_view": np.full((1, 2), 0.8),
    }
    level = SimpleNamespace(**known, slope_beam=None, slope_sky=None)
    leaning = SimpleNamespace(
        **known, slope_beam=np.array([[[1.1, 0.7]]]), slope_sky=np.array([[0.79, 0.8]])
    )
    cells = np.array([0, 1])
    beam, sky = SunVariants(level, level, level).at(0.5, cells)
    assert (beam.tolist(), sky.tolist()) == ([[0.9, 0.9]], [0.8, 0.8])
    beam, sky = SunVariants(leaning, leaning, leaning).at(0.5, cells)
    assert (beam.tolist(), sky.tolist()) == ([[1.1, 0.7]], [0.79, 0.8])
