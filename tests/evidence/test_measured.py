"""How well one day's order of places foretells the season's, in measured soil moisture.

Reported as found: the data are a forest plot and landfill covers under grass, not irrigated turf.
The season is the mean relative difference of all other days (Vachaud et al. 1985).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import spearmanr

from siting.evidence.field import Readings, day_correlation
from siting.evidence.walk import relative_differences

DATA = Path(__file__).parents[1] / "data"


def day_against_season(moisture):
    """Return by day the rank correlation, and the share of the driest quarter that it finds."""
    rows = []
    for k in range(len(moisture)):
        here = np.isfinite(moisture[k])
        table = pd.DataFrame(np.delete(moisture, k, axis=0))
        season = relative_differences(table)["mean"].sort_index().to_numpy()
        here &= np.isfinite(season)
        day, rest = moisture[k][here], season[here]
        count = max(1, round(here.sum() / 4))
        driest = set(np.argsort(day)[:count]) & set(np.argsort(rest)[:count])
        rows.append((spearmanr(day, rest).statistic, len(driest) / count))
    return np.array(rows)


@pytest.mark.published("soil moisture of a forest plot, COMPASS-DOE/TEMPEST, MIT licence")
def test_one_day_ranks_a_forest_plot_as_the_season_does():
    table = pd.read_csv(DATA / "forest_plot_moisture.csv")
    moisture = table.pivot_table("vwc", "date", "square").to_numpy()
    found = day_against_season(moisture)
    assert len(found) == 30
    assert found[:, 0].mean() == pytest.approx(0.95, abs=0.01)
    assert found[:, 0].min() == pytest.approx(0.77, abs=0.02)
    assert found[:, 1].mean() == pytest.approx(0.85, abs=0.02)
    # So one sensor's day is more reliable than a probe walk is trusted to be.
    places = table[["gx_m", "gy_m"]].to_numpy(dtype=float)
    some = table["date"].isin(sorted(table["date"].unique())[::6]).to_numpy()
    day = table["date"].astype("category").cat.codes.to_numpy(dtype=int)
    walk = Readings("probe", places[some], -table["vwc"].to_numpy()[some], day[some], 0.75)
    assert day_correlation(walk)[0] > 0.75**2


@pytest.mark.published("soil moisture under grass, Cabral 2023, doi 10.5281/zenodo.7948797")
def test_one_day_ranks_four_places_under_grass_only_loosely():
    table = pd.read_csv(DATA / "grass_cover_moisture.csv", index_col="date")
    found = day_against_season(table.to_numpy())
    assert len(found) == 75
    assert found[:, 0].mean() == pytest.approx(0.61, abs=0.02)
    assert found[:, 1].mean() == pytest.approx(0.59, abs=0.02)
