"""Monthly normals as a weather source: the table, and the years made of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from siting.climate.model import WeatherOptions
from siting.climate.readers import read_normals, read_normals_table, read_weather
from siting.errors import InputError
from siting.water.reference_et import eto_terms
from tests.weather_files import NORMALS, normals_csv

HERE = WeatherOptions(elevation_m=20.0, latitude=28.5, years=3)


def test_normals_become_years(tmp_path):
    path = normals_csv(tmp_path / "n.csv")
    climate = read_weather(path, options=HERE)
    assert len(climate.daily) == 3 * 365
    assert climate.daily.index[0] == pd.Timestamp("2001-01-01")
    assert not climate.daily.isna().any(axis=None)
    words = " ".join(climate.warnings)
    assert "read as twelve monthly normals" in words
    assert "3 years of days generated from twelve normals (seed 1); none was measured" in words
    terms = eto_terms(climate.daily, latitude=28.5, elevation_m=20.0)
    assert 900 < terms.open_sky.sum() / 3 < 1700


def test_seed_years_and_first_year(tmp_path):
    path = normals_csv(tmp_path / "n.csv")
    one = read_normals(path, HERE).daily
    pd.testing.assert_frame_equal(one, read_normals(path, HERE).daily)
    options = WeatherOptions(elevation_m=1.0, latitude=28.5, years=2, first_year=2011, seed=2)
    other = read_normals(path, options).daily
    assert (other.index[0].year, other.index[-1].year) == (2011, 2012)
    assert not np.allclose(one["tmax_c"].iloc[:365], other["tmax_c"].iloc[:365])


@pytest.mark.parametrize("months", [list(range(1, 13)), list("JFMAMJJASOND"), None])
def test_months_in_any_order_and_spelling(tmp_path, months):
    names = [pd.Timestamp(2001, m, 1).strftime("%b") for m in range(1, 13)]
    spelled = names if months is None else months
    path = tmp_path / "n.csv"
    NORMALS.assign(month=spelled).iloc[::-1].to_csv(path, index=False)
    if months is not None and months[0] == "J":
        with pytest.raises(InputError, match="no month"):
            read_normals_table(path)
        return
    table, warnings = read_normals_table(path)
    assert table.index.tolist() == list(range(1, 13))
    assert table.loc[6, "rain_mm"] == 190
    assert warnings == []


def test_units_in_the_header(tmp_path):
    us = pd.DataFrame(
        {
            "month": range(1, 13),
            "rain_in": NORMALS["rain_mm"] / 25.4,
            "wet_days": NORMALS["wet_days"],
            "tmin_f": NORMALS["tmin_c"] * 1.8 + 32,
            "tmax_f": NORMALS["tmax_c"] * 1.8 + 32,
            "wind_mph": NORMALS["wind_m_s"] / 0.44704,
        }
    )
    path = tmp_path / "n.csv"
    us.to_csv(path, index=False)
    table, _ = read_normals_table(path)
    for name in ("rain_mm", "tmin_c", "tmax_c", "wind_m_s"):
        np.testing.assert_allclose(table[name], NORMALS[name])
    climate = read_normals(path, HERE)
    assert climate.daily[["rs_mj_m2", "ea_kpa"]].isna().all(axis=None)
    words = " ".join(climate.warnings)
    assert "say nothing of radiation, humidity" in words
    assert "taken as 2 m" in words


def test_temperatures_and_rain_alone_are_enough(tmp_path):
    path = tmp_path / "n.csv"
    NORMALS[["month", "rain_mm", "wet_days", "tmin_c", "tmax_c"]].to_csv(path, index=False)
    climate = read_normals(path, HERE)
    terms = eto_terms(climate.daily, latitude=28.5, elevation_m=20.0)
    assert terms.method == "Hargreaves"


def test_wind_is_brought_to_two_metres(tmp_path):
    low = read_normals(normals_csv(tmp_path / "a.csv", wind_height_m=2.0), HERE)
    high = read_normals(normals_csv(tmp_path / "b.csv", wind_height_m=10.0), HERE)
    ratio = high.daily["wind_2m_m_s"] / low.daily["wind_2m_m_s"]
    np.testing.assert_allclose(ratio, 0.748, rtol=1e-3)  # FAO-56 Equation 47


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"month": [*range(1, 12), 1]}, "given before"),
        ({"month": [*range(1, 12), "total"]}, "no month"),
        ({"wet_days": 32}, "above 31"),
        ({"rain_mm": -1}, "below 0"),
        ({"tmin_c": 40, "tmax_c": 30}, "tmin_c not below tmax_c"),
        ({"tmax_c": [70] * 12}, "tmax_f"),
        ({"wet_days": 0}, "rain without wet days"),
        ({"wind_m_s": [np.nan, *[2.0] * 11]}, "missing values"),
    ],
)
def test_impossible_normals_are_refused_by_file(tmp_path, change, words):
    with pytest.raises(InputError, match=words) as caught:
        read_normals(normals_csv(tmp_path / "n.csv", **change), HERE)
    assert all(fault.file == "n.csv" for fault in caught.value.faults)


def test_missing_rows_and_columns(tmp_path):
    path = tmp_path / "n.csv"
    NORMALS.drop(index=[1, 6]).to_csv(path, index=False)
    with pytest.raises(InputError, match="no row for Feb, Jul"):
        read_normals(path, HERE)
    NORMALS.drop(columns=["wet_days", "tmin_c"]).to_csv(path, index=False)
    with pytest.raises(InputError) as caught:
        read_normals(path, HERE)
    assert {fault.column for fault in caught.value.faults} == {"wet_days", "tmin_c"}


def test_rain_below_the_least_of_a_wet_day_is_refused(tmp_path):
    options = WeatherOptions(elevation_m=1.0, latitude=28.5, years=1, wet_day_mm=9.0)
    with pytest.raises(InputError, match="less rain than 9 mm on each wet day"):
        read_normals(normals_csv(tmp_path / "n.csv"), options)


def test_without_a_place_nothing_is_made(tmp_path):
    with pytest.raises(InputError, match="no latitude"):
        read_normals(normals_csv(tmp_path / "n.csv"), WeatherOptions(elevation_m=1.0))
