"""Savings of bypass control against published field trials, and the table that tells them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.field_trials import GROUNDS, WEEK, cases, saving, table

FLORIDA, CAROLINA, DRY = GROUNDS
METHOD = Path(__file__).parents[2] / "siting" / "docs" / "pages" / "method.md"


def all_cases(name):
    return [run for per_week in WEEK for run in cases(name, per_week)]


@pytest.mark.published(
    "Cardenas-Lailhacar & Dukes 2012, Soil moisture sensor landscape irrigation controllers: a "
    "review of multi-study results, means: 42..72 % saved in rainy, -1..64 % in dry periods"
)
def test_florida_plots():
    """The mean over schedules, timers and thresholds; every dry case by itself."""
    runs = all_cases(FLORIDA)
    assert 0.42 <= np.mean([run.wet for run in runs]) <= 0.72
    assert all(-0.01 <= run.dry <= 0.64 for run in runs)
    # Twice a week and daily at the middle threshold are in the band by themselves.
    assert all(0.42 <= saving(FLORIDA, 1.3, days, 0.20).wet <= 0.72 for days in (2, 7))


@pytest.mark.published(
    "Grabow et al. 2013, Raleigh, fescue plots, three years: bypass saved 39 % at 1, 2 and 7 days "
    "a week together; adequacy suffered"
)
def test_carolina_plots():
    """The trial's figure lies among the cases, whose mean promises less; the turf is worse off."""
    runs = all_cases(CAROLINA)
    shares = [run.all for run in runs]
    assert min(shares) < 0.39 < max(shares)
    assert 0.39 / 2 < np.mean(shares) < 0.39
    assert all(run.stress >= run.timer_stress for run in runs)


@pytest.mark.published(
    "Cardenas-Lailhacar & Dukes 2012, Soil moisture sensor landscape irrigation controllers: a "
    "review of multi-study results: 7 days a week used less than 1 or 2 days a week"
)
@pytest.mark.parametrize("name", list(GROUNDS))
def test_more_days_save_more(name):
    for part in ("wet", "all"):
        shares = [np.mean([getattr(run, part) for run in cases(name, days)]) for days in WEEK]
        assert np.all(np.diff(shares) > 0)


def test_rain_is_what_is_saved():
    for name in GROUNDS:
        assert all(run.wet > run.dry for run in all_cases(name))
    assert all(run.all < 0.15 for run in cases(DRY, 1))
    assert max(run.dry for run in cases(DRY, 1)) < 0.05


def test_the_documentation_tells_these_rows():
    told = METHOD.read_text(encoding="utf-8")
    assert all(row in told for row in table())
