"""The weather generator: seeded, plausible, and its long-run means are the normals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from siting.climate.air import (
    extraterrestrial_radiation,
    mean_saturation_vapour_pressure,
    vapour_pressure_from_humidity,
)
from siting.climate.readers import (
    _LAG,
    _NOISE,
    _WET_AFTER_DRY,
    _WET_RADIATION,
    _WET_RANGE,
    _chances,
    daily_from_normals,
)
from siting.errors import InputError

DAYS = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
LATITUDE = 28.5


def humid_normals() -> pd.DataFrame:
    """Invented: a humid subtropical place with a dry spring."""
    return pd.DataFrame(
        {
            "rain_mm": [60, 65, 85, 60, 80, 190, 180, 185, 150, 80, 50, 60],
            "wet_days": [7, 7, 8, 6, 8, 14, 16, 16, 13, 8, 6, 7],
            "tmin_c": [8, 9, 12, 15, 19, 22, 23, 23, 22, 18, 13, 9],
            "tmax_c": [21, 23, 26, 29, 32, 33, 33, 33, 32, 29, 25, 22],
            "rs_mj_m2": [11.5, 14.5, 18.5, 22, 23.5, 21.5, 21, 19.5, 17.5, 15.5, 12.5, 10.5],
            "rh_mean": [74, 72, 70, 67, 68, 75, 77, 78, 78, 75, 75, 75],
            "wind_m_s": [2.2, 2.4, 2.5, 2.4, 2.2, 1.8, 1.6, 1.5, 1.7, 2.0, 2.0, 2.1],
        },
        index=range(1, 13),
    ).astype(float)


def monsoon_normals() -> pd.DataFrame:
    """Invented: from almost no rain to rain on nine days of ten within two months."""
    return humid_normals().assign(
        rain_mm=[2, 2, 4, 10, 40, 300, 600, 560, 250, 60, 10, 3],
        wet_days=[0.3, 0.3, 0.5, 1, 4, 19, 28, 27, 15, 4, 1, 0.4],
    )


@pytest.fixture(scope="module")
def long_run() -> pd.DataFrame:
    return daily_from_normals(
        humid_normals(), years=200, first_year=1801, seed=3, latitude=LATITUDE
    )


def monthly(daily: pd.DataFrame, column: str) -> np.ndarray:
    return daily.groupby(daily["date"].dt.month)[column].mean().to_numpy()


def test_every_calendar_day_once_with_leap_days():
    daily = daily_from_normals(humid_normals(), years=4, first_year=2019, seed=1, latitude=28.5)
    assert len(daily) == 365 * 4 + 1
    assert daily["date"].is_monotonic_increasing
    assert daily["date"].is_unique
    assert pd.Timestamp("2020-02-29") in set(daily["date"])
    assert list(daily.columns) == [
        "date", "tmin_c", "tmax_c", "rain_mm", "rs_mj_m2", "ea_kpa", "wind_m_s",
    ]  # fmt: skip


def test_long_run_means_are_the_normals(long_run):
    normals = humid_normals()
    years = 200
    # Sampling error of a 200-year monthly mean: rain about 4 %, temperature about 0.06 °C.
    np.testing.assert_allclose(
        monthly(long_run, "rain_mm") * DAYS, normals["rain_mm"], rtol=0.14, atol=0
    )
    yearly_rain = long_run["rain_mm"].sum() / years
    assert yearly_rain == pytest.approx(normals["rain_mm"].sum(), rel=0.03)
    wet = long_run.assign(wet=long_run["rain_mm"] > 0)
    np.testing.assert_allclose(monthly(wet, "wet") * DAYS, normals["wet_days"], atol=0.6)
    for column in ("tmin_c", "tmax_c"):
        np.testing.assert_allclose(monthly(long_run, column), normals[column], atol=0.3)
    np.testing.assert_allclose(monthly(long_run, "rs_mj_m2"), normals["rs_mj_m2"], rtol=0.025)
    np.testing.assert_allclose(monthly(long_run, "wind_m_s"), normals["wind_m_s"], rtol=0.03)
    ea = vapour_pressure_from_humidity(normals["rh_mean"], normals["tmin_c"], normals["tmax_c"])
    np.testing.assert_allclose(monthly(long_run, "ea_kpa"), ea, rtol=0.02)


def test_rows_are_physically_possible(long_run):
    assert (long_run["tmin_c"] < long_run["tmax_c"]).all()
    assert (long_run["rain_mm"] >= 0).all()
    outside = extraterrestrial_radiation(LATITUDE, long_run["date"].dt.dayofyear)
    assert (long_run["rs_mj_m2"] > 0.04 * outside).all()
    assert (long_run["rs_mj_m2"] < 0.80 * outside).all()
    saturated = mean_saturation_vapour_pressure(long_run["tmin_c"], long_run["tmax_c"])
    assert (long_run["ea_kpa"] <= saturated + 1e-12).all()
    assert long_run["rain_mm"].max() < 400


def test_wet_days_are_duller_and_have_a_narrower_range(long_run):
    wet = long_run["rain_mm"] > 0
    july = long_run["date"].dt.month == 7
    swing = long_run["tmax_c"] - long_run["tmin_c"]
    dull = (
        long_run.loc[july & wet, "rs_mj_m2"].mean() / long_run.loc[july & ~wet, "rs_mj_m2"].mean()
    )
    assert dull == pytest.approx(_WET_RADIATION, abs=0.05)
    narrow = swing[july & wet].mean() / swing[july & ~wet].mean()
    assert narrow == pytest.approx(_WET_RANGE, abs=0.03)


def test_weather_has_memory(long_run):
    # Richardson's point: warm days follow warm days, and wet days follow wet days.
    july = long_run[long_run["date"].dt.month == 7]
    middle = (july["tmin_c"] + july["tmax_c"]).to_numpy()
    assert 0.45 < np.corrcoef(middle[:-1], middle[1:])[0, 1] < 0.85
    wet = (long_run["rain_mm"] > 0).to_numpy()
    assert wet[1:][wet[:-1]].mean() > wet[1:][~wet[:-1]].mean() + 0.15


def test_seed_decides():
    again = daily_from_normals(humid_normals(), years=3, first_year=2001, seed=9, latitude=28.5)
    same = daily_from_normals(humid_normals(), years=3, first_year=2001, seed=9, latitude=28.5)
    other = daily_from_normals(humid_normals(), years=3, first_year=2001, seed=10, latitude=28.5)
    pd.testing.assert_frame_equal(again, same)
    assert not np.allclose(again["tmax_c"], other["tmax_c"])


def test_rainless_months_stay_rainless_and_dew_point_serves():
    normals = humid_normals().drop(columns="rh_mean").assign(tdew_c=humid_normals()["tmin_c"] - 4)
    normals.loc[[6, 7, 8], ["rain_mm", "wet_days"]] = 0.0
    before = normals.copy()
    daily = daily_from_normals(normals, years=20, first_year=2001, seed=1, latitude=36.0)
    pd.testing.assert_frame_equal(normals, before)
    summer = daily["date"].dt.month.isin([6, 7, 8])
    assert daily.loc[summer, "rain_mm"].sum() == 0
    assert daily.loc[~summer, "rain_mm"].sum() > 0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"wet_days": 40.0}, "wet_days"),
        ({"rain_mm": -1.0}, "rain_mm"),
        ({"tmin_c": 50.0}, "tmin_c"),
        ({"wind_m_s": np.nan}, "missing values"),
    ],
)
def test_impossible_normals_are_refused(change, words):
    with pytest.raises(InputError, match=words):
        daily_from_normals(
            humid_normals().assign(**change), years=1, first_year=2001, seed=1, latitude=28.5
        )


def test_all_faults_of_the_table_at_once():
    normals = humid_normals().drop(columns=["wet_days", "tmax_c"]).iloc[:11]
    with pytest.raises(InputError) as caught:
        daily_from_normals(normals, years=0, first_year=2001, seed=1, latitude=28.5)
    assert len(caught.value.faults) == 4


# --- sampling theory ------------------------------------------------------------------------


def yearly_means(daily: pd.DataFrame, column: str) -> np.ndarray:
    """Return the monthly means of each year, shape (years, 12)."""
    date = daily["date"].dt
    return daily.groupby([date.year, date.month])[column].mean().to_numpy().reshape(-1, 12)


@pytest.mark.parametrize("normals", [humid_normals(), monsoon_normals()], ids=["humid", "monsoon"])
@pytest.mark.parametrize("wet_day_mm", [0.0, 1.0])
def test_two_hundred_years_reproduce_the_normals_within_sampling_error(normals, wet_day_mm):
    daily = daily_from_normals(
        normals, years=200, first_year=1801, seed=3, latitude=LATITUDE, wet_day_mm=wet_day_mm
    )
    # A wet day is one with the least rain of the normals' own count, or any at all.
    daily["wet"] = (daily["rain_mm"] > 0.0) & (daily["rain_mm"] >= wet_day_mm)
    expected = {
        "tmin_c": normals["tmin_c"],
        "tmax_c": normals["tmax_c"],
        "rs_mj_m2": normals["rs_mj_m2"],
        "wind_m_s": normals["wind_m_s"],
        "rain_mm": normals["rain_mm"] / np.floor(DAYS),
        "wet": normals["wet_days"] / np.floor(DAYS),
    }
    for column, normal in expected.items():
        means = yearly_means(daily, column)
        error = means.std(axis=0, ddof=1) / np.sqrt(200)
        score = (means.mean(axis=0) - normal) / error
        # 72 scores in one case: one beyond four standard errors has a chance of 1 in 200.
        assert np.abs(score).max() < 4.0, column


def test_wet_days_vary_between_years_as_the_chain_says():
    """A sum of n days of a chain has the variance p q (n (1 + r) / (1 - r) - 2 r / (1 - r)^2)."""
    daily = daily_from_normals(
        humid_normals(), years=500, first_year=1701, seed=5, latitude=LATITUDE
    )
    daily["wet"] = daily["rain_mm"] > 0.0
    days = np.floor(DAYS)
    variance = (yearly_means(daily, "wet") * days).var(axis=0, ddof=1)
    share = (humid_normals()["wet_days"] / days).to_numpy()
    lag = 1.0 - _WET_AFTER_DRY
    theory = days * (1 + lag) / (1 - lag) - 2 * lag / (1 - lag) ** 2
    ratio = variance / (share * (1 - share) * theory)
    # A variance from 500 years has a standard error of 6 %; the mean of twelve has 2 %.
    assert ratio.mean() == pytest.approx(1.0, abs=0.07)
    np.testing.assert_allclose(ratio, 1.0, atol=0.25)


@pytest.mark.parametrize("normals", [humid_normals(), monsoon_normals()], ids=["humid", "monsoon"])
def test_the_chain_keeps_the_share_of_wet_days_on_every_day(normals):
    days = np.floor(DAYS).astype(int)
    share = np.repeat((normals["wet_days"] / days).to_numpy(), days)
    before = np.roll(share, 1)
    after_wet, after_dry = _chances(share, before)
    assert ((after_wet >= 0) & (after_wet <= 1) & (after_dry >= 0) & (after_dry <= 1)).all()
    np.testing.assert_allclose(before * after_wet + (1 - before) * after_dry, share, atol=1e-12)
    usual = share == before
    np.testing.assert_allclose(after_dry[usual], 0.75 * share[usual])


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_the_chain_of_always_and_never(share):
    after_wet, after_dry = _chances(np.array([share, 0.4]), np.array([0.3, share]))
    assert 0.3 * after_wet[0] + 0.7 * after_dry[0] == pytest.approx(share)
    assert share * after_wet[1] + (1 - share) * after_dry[1] == pytest.approx(0.4)


@pytest.mark.published(
    "Richardson 1982 (from memory): correlations M0 and M1 of tmax, tmin and radiation, 31 stations"
)
def test_the_matrices_follow_from_the_published_correlations():
    """A = M1 / M0 and B B' = M0 - A M1' (Matalas 1967), printed with three digits in WGEN."""
    same = np.array([[1.0, 0.633, 0.186], [0.633, 1.0, -0.193], [0.186, -0.193, 1.0]])
    next_day = np.array([[0.621, 0.445, 0.087], [0.563, 0.674, -0.100], [0.015, -0.091, 0.251]])
    lag = next_day @ np.linalg.inv(same)
    noise = np.linalg.cholesky(same - lag @ next_day.T)
    np.testing.assert_allclose(_LAG, lag, atol=0.0025)
    np.testing.assert_allclose(_NOISE, noise, atol=0.0015)


def test_correlations_are_those_of_weather(long_run):
    """Warm days have warm nights; days with much sun have a wide range and little rain."""
    july = long_run[long_run["date"].dt.month == 7]
    january = long_run[long_run["date"].dt.month == 1]
    for month in (january, july):
        assert 0.25 < np.corrcoef(month["tmin_c"], month["tmax_c"])[0, 1] < 0.9
        swing = month["tmax_c"] - month["tmin_c"]
        assert 0.2 < np.corrcoef(swing, month["rs_mj_m2"])[0, 1] < 0.8
        assert -0.7 < np.corrcoef(month["rain_mm"], month["rs_mj_m2"])[0, 1] < -0.1
        assert np.corrcoef(month["tmin_c"], month["ea_kpa"])[0, 1] > 0.9
    # Winters are more variable than summers.
    assert january["tmax_c"].std() > 1.3 * july["tmax_c"].std()


def test_normals_may_be_silent_of_sun_humidity_and_wind():
    normals = humid_normals()[["rain_mm", "wet_days", "tmin_c", "tmax_c"]]
    daily = daily_from_normals(normals, years=2, first_year=2001, seed=1, latitude=28.5)
    assert daily[["rs_mj_m2", "ea_kpa", "wind_m_s"]].isna().all(axis=None)
    whole = daily_from_normals(humid_normals(), years=2, first_year=2001, seed=1, latitude=28.5)
    pd.testing.assert_series_equal(daily["rain_mm"], whole["rain_mm"])
    pd.testing.assert_series_equal(daily["tmax_c"], whole["tmax_c"])


def test_the_least_rain_of_a_wet_day():
    daily = daily_from_normals(
        humid_normals(), years=20, first_year=2001, seed=1, latitude=28.5, wet_day_mm=1.0
    )
    wet = daily["rain_mm"][daily["rain_mm"] > 0]
    assert wet.min() > 1.0
    assert wet.median() < wet.mean()
