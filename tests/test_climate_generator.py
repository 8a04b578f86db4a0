"""The weather generator: seeded, plausible, and its long-run means are the normals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from siting.climate.air import mean_saturation_vapour_pressure, vapour_pressure_from_humidity
from siting.climate.generator import WEATHER_PATTERN, daily_from_normals
from siting.climate.sky import extraterrestrial_radiation
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
    assert dull == pytest.approx(WEATHER_PATTERN.wet_radiation, abs=0.05)
    narrow = swing[july & wet].mean() / swing[july & ~wet].mean()
    assert narrow == pytest.approx(WEATHER_PATTERN.wet_range, abs=0.03)


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
