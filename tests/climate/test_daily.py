"""The reader of weather files: what it takes, fills, warns about and refuses."""

from __future__ import annotations

import importlib.util

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from siting.climate import tables
from siting.climate.air import (
    vapour_pressure_from_humidity,
    vapour_pressure_from_humidity_range,
    wind_at_2m,
)
from siting.climate.record import read_daily_csv
from siting.climate.tables import COLUMNS
from siting.errors import InputError
from siting.water.reference_et import eto_terms
from tests.real_weather import SEATTLE, WAGENINGEN, seattle_daily, wageningen_daily
from tests.tries import tries


def frame(days=20, **columns):
    """A plain table of days; keyword arguments replace or add columns."""
    dates = pd.date_range("2021-05-01", periods=days).strftime("%Y-%m-%d")
    table = {"date": dates, "tmin_c": 10.0, "tmax_c": 20.0, "rain_mm": 1.5} | columns
    return pd.DataFrame(table)


@pytest.fixture
def read(tmp_path):
    def reader(table, **options):
        path = tmp_path / "weather.csv"
        table.to_csv(path, index=False, **options)
        return read_daily_csv(path, elevation_m=30.0)

    return reader


def faults_of(read, table, **options):
    with pytest.raises(InputError) as caught:
        read(table, **options)
    return caught.value.faults


def test_plain_file_has_the_promised_shape(read):
    climate = read(frame(), encoding="utf-8-sig")
    assert list(climate.daily.columns) == [
        "tmin_c", "tmax_c", "rain_mm", "rs_mj_m2", "ea_kpa", "wind_2m_m_s",
    ]  # fmt: skip
    assert isinstance(climate.daily.index, pd.DatetimeIndex)
    assert climate.daily.index.name == "date"
    assert len(climate.daily) == 20
    assert climate.daily[["rs_mj_m2", "ea_kpa", "wind_2m_m_s"]].isna().all(axis=None)
    assert (climate.warnings, climate.source, climate.elevation_m) == ((), "weather.csv", 30.0)


@pytest.mark.parametrize(
    ("humidity", "expected"),
    [
        # FAO-56 Table 2.3: e° is 1.228 kPa at 10, 2.338 at 20 and 1.073 at 8 °C (Eqs 19, 17, 14).
        ({"rh_mean": 60.0}, 0.60 * (1.228 + 2.338) / 2),
        ({"rh_min": 40.0, "rh_max": 90.0}, (1.228 * 0.90 + 2.338 * 0.40) / 2),
        ({"tdew_c": 8.0}, 1.073),
        ({"ea_kpa": 1.1}, 1.1),
        ({"ea_kpa": 1.1, "rh_mean": 99.0}, 1.1),
    ],
)
def test_humidity_in_any_form(read, humidity, expected):
    climate = read(frame(**humidity))
    np.testing.assert_allclose(climate.daily["ea_kpa"], expected, atol=0.0005)
    assert ("not used" in " ".join(climate.warnings)) == (
        len(humidity) == 2 and "ea_kpa" in humidity
    )


def test_humidity_above_saturation_is_lowered_and_counted(read):
    climate = read(frame(ea_kpa=[3.0] * 2 + [1.0] * 18))
    assert climate.daily["ea_kpa"].max() < 1.8
    assert "saturation on 2 days" in climate.warnings[0]


def test_wind_is_brought_to_two_metres(read):
    climate = read(frame(wind_m_s=3.2, wind_height_m=10.0))
    # FAO-56 Equation 47: 4.87 / ln(67.8 x 10 - 5.42) = 0.748.
    np.testing.assert_allclose(climate.daily["wind_2m_m_s"], 3.2 * 0.748, rtol=1e-3)
    assumed = read(frame(wind_m_s=3.2))
    np.testing.assert_allclose(assumed.daily["wind_2m_m_s"], 3.2)
    assert "taken as 2 m" in assumed.warnings[0]


@pytest.mark.published("FAO-56 Example 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m")
def test_wind_profile_of_fao56():
    assert float(wind_at_2m(3.2, 10.0)) == pytest.approx(2.4, abs=0.05)


@pytest.mark.published("FAO-56 Example 5: ea 1.70 kPa from RHmin and RHmax, 1.78 from their mean")
def test_vapour_pressure_of_fao56():
    # Tmin 18 °C with RHmax 82 %, Tmax 25 °C with RHmin 54 %.
    both = vapour_pressure_from_humidity_range(54.0, 82.0, 18.0, 25.0)
    mean = vapour_pressure_from_humidity(68.0, 18.0, 25.0)
    assert float(both) == pytest.approx(1.70, abs=0.01)
    assert float(mean) == pytest.approx(1.78, abs=0.01)


def test_short_gaps_are_filled_and_counted(read):
    table = frame(rs_mj_m2=np.arange(20.0))
    table.loc[3:7, ["tmin_c", "rain_mm", "rs_mj_m2"]] = np.nan
    table.loc[8, "tmin_c"] = 16.0
    table = table.drop(index=[12, 13])
    climate = read(table)
    assert len(climate.daily) == 20
    np.testing.assert_allclose(climate.daily["tmin_c"].iloc[2:9], [10, 11, 12, 13, 14, 15, 16])
    np.testing.assert_allclose(climate.daily["rs_mj_m2"], np.arange(20.0))
    assert (
        climate.daily["rain_mm"].tolist() == [1.5] * 3 + [0] * 5 + [1.5] * 4 + [0] * 2 + [1.5] * 6
    )
    (warning,) = climate.warnings
    assert "lowest temperature on 7 days" in warning
    assert "highest temperature on 2 days" in warning
    assert "rain (taken as 0) on 7 days" in warning


def test_long_gaps_stay_absent(read):
    climate = read(frame(days=40).drop(index=range(10, 16)))
    assert len(climate.daily) == 34
    assert pd.Timestamp("2021-05-11") not in climate.daily.index
    (warning,) = climate.warnings
    assert "6 days missing, 2021-05-11 to 2021-05-16" in warning


def test_long_gap_of_radiation_stays_unknown_but_the_days_stay(read):
    climate = read(frame(rs_mj_m2=[15.0] * 5 + [np.nan] * 10 + [15.0] * 5))
    assert len(climate.daily) == 20
    assert climate.daily["rs_mj_m2"].isna().sum() == 10
    assert "radiation unknown on 10 days" in climate.warnings[0]


def test_repeated_lines(read):
    table = frame()
    climate = read(pd.concat([table, table.iloc[:3]]))
    assert len(climate.daily) == 20
    assert any("repeated identical lines dropped: 3" in w for w in climate.warnings)
    (fault,) = faults_of(read, pd.concat([table, table.iloc[:3].assign(rain_mm=9.0)]))
    assert "given before with other values" in fault.found
    assert fault.feature == "lines 22, 23, 24"


def test_unsorted_days_are_sorted(read):
    climate = read(frame().iloc[::-1])
    assert climate.daily.index.is_monotonic_increasing
    assert "sorted" in climate.warnings[0]


def test_unknown_columns_are_ignored_but_misspelt_ones_refused(read):
    climate = read(frame(station="A", weather="sun"))
    assert climate.warnings == ("weather.csv: columns not used: station, weather.",)
    (fault,) = faults_of(read, frame().rename(columns={"tmax_c": "t_max_c"}))
    assert (fault.column, fault.mend) == ("t_max_c", "Did you mean tmax_c?")


def test_a_thousand_bad_lines_give_a_handful_of_faults(read):
    table = frame(days=1000, rh_mean="dry", rs_mj_m2=250.0, wind_m_s=-9999)
    table["tmin_c"], table["rain_mm"] = 30.0, -1.0
    table["date"] = table["date"].str.replace("-", "/")
    faults = faults_of(read, table)
    assert len(faults) == 6
    assert {f.column for f in faults} == {
        "date", "tmin_c", "rain_mm", "rh_mean", "rs_mj_m2", "wind_m_s",
    }  # fmt: skip
    assert all(f.feature == "lines 2, 3, 4 and 997 more" for f in faults)
    message = str(InputError(faults))
    assert "0.0864" in message
    assert "mark for missing values" in message


@pytest.mark.parametrize("sentinel", [-999, -9999, -99.9])
@pytest.mark.parametrize("column", ["tmin_c", "rain_mm", "rs_mj_m2"])
def test_sentinels_are_named(read, column, sentinel):
    values = [1.0] * 19 + [sentinel]
    (fault,) = faults_of(read, frame(**{column: values}))
    assert (fault.found, fault.feature) == (f"{sentinel:g}", "line 21")


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("tmin_c", -61), ("tmax_c", 61), ("rain_mm", -0.1), ("rain_mm", 2001), ("rh_mean", 101),
        ("rh_mean", -1), ("rs_mj_m2", 46), ("rs_mj_m2", -1), ("wind_m_s", -1), ("ea_kpa", 9),
        ("tdew_c", 41), ("wind_height_m", 0), ("rain_mm", "inf"), ("rain_mm", "12,5"),
    ],
)  # fmt: skip
def test_impossible_values_are_refused(read, column, value):
    usual = 1.0 if column == "ea_kpa" else 15.0
    faults = faults_of(read, frame(**{column: [usual] * 19 + [value]}))
    assert [f.column for f in faults] == [column]


@pytest.mark.parametrize("date", ["01.05.2021", "2021-5-1", "2021-02-30", "1021-05-01", "", "x"])
def test_only_iso_dates(read, date):
    table = frame()
    table.loc[4, "date"] = date
    (fault,) = faults_of(read, table)
    assert (fault.column, fault.feature, fault.allowed) == ("date", "line 6", "YYYY-MM-DD")


def test_missing_columns_all_at_once(read):
    faults = faults_of(read, frame()[["tmin_c"]])
    assert {f.column for f in faults} == {"date", "tmax_c", "rain_mm"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "an empty file"),
        ("date;tmin_c;tmax_c;rain_mm\n2021-05-01;1;2;0\n", "semicolons"),
        ("date,tmin_c,tmax_c,rain_mm\n", "no days"),
        ("date,tmin_c,tmax_c,rain_mm\n2021-05-01,1,2\n", "another number of cells"),
        ("date,tmin_c,tmax_c,rain_mm,rain_mm\n2021-05-01,1,2,0,0\n", "twice"),
    ],
)
def test_broken_files(tmp_path, text, words):
    path = tmp_path / "w.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_daily_csv(path, elevation_m=1.0)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_daily_csv(tmp_path / "none.csv", elevation_m=1.0)
    (tmp_path / "latin.csv").write_bytes("date,höhe\n".encode("latin-1"))
    with pytest.raises(InputError, match="cannot be read as text"):
        read_daily_csv(tmp_path / "latin.csv", elevation_m=1.0)


@tries(40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    column=st.sampled_from(sorted(COLUMNS)),
    cells=st.lists(
        st.one_of(
            st.floats(allow_nan=True, allow_infinity=True).map(str),
            st.text(alphabet="0123456789.-e ", max_size=6),
        ),
        min_size=8,
        max_size=8,
    ),
)
def test_any_cells_give_checked_weather_or_faults(read, column, cells):
    try:
        climate = read(frame(days=8, **{column: cells}))
    except InputError:
        return
    daily = climate.daily
    assert daily.index.is_unique
    assert daily.index.is_monotonic_increasing
    assert not daily[["tmin_c", "tmax_c", "rain_mm"]].isna().any(axis=None)
    assert (daily["tmin_c"] <= daily["tmax_c"]).all()


def test_rain_that_no_place_has_is_questioned(read):
    assert "is the unit" in " ".join(read(frame(days=400, rain_mm=20.0)).warnings)
    assert "no rain at all" in " ".join(read(frame(days=400, rain_mm=0.0)).warnings)


def test_seattle_is_read_whole(tmp_path):
    if importlib.util.find_spec("vega_datasets") is None:
        pytest.skip("vega_datasets is not installed")
    climate = read_daily_csv(seattle_daily(tmp_path / "s.csv"), elevation_m=SEATTLE[2])
    assert len(climate.daily) == 1461
    assert climate.warnings == ()
    terms = eto_terms(climate.daily, latitude=SEATTLE[0], elevation_m=SEATTLE[2])
    yearly = pd.Series(terms.open_sky, climate.daily.index).groupby(climate.daily.index.year).sum()
    assert yearly.between(650, 950).all()
    assert climate.daily["rain_mm"].groupby(climate.daily.index.year).sum().between(700, 1400).all()
    assert "radiation estimated" in terms.reason
    assert "dew point" in terms.reason


def test_wageningen_is_read_with_its_hole(tmp_path):
    if importlib.util.find_spec("pcse") is None:
        pytest.skip("pcse is not installed")
    climate = read_daily_csv(wageningen_daily(tmp_path / "w.csv"), elevation_m=WAGENINGEN[2])
    assert len(climate.daily) == 24 * 365 + 6 - 122
    assert any("122 days missing, 1991-09-01 to 1991-12-31" in w for w in climate.warnings)
    terms = eto_terms(climate.daily, latitude=WAGENINGEN[0], elevation_m=WAGENINGEN[2])
    yearly = pd.Series(terms.open_sky, climate.daily.index).groupby(climate.daily.index.year).sum()
    assert yearly.between(500, 750).all()
    assert climate.daily["rain_mm"].groupby(climate.daily.index.year).sum().between(300, 1000).all()
    assert terms.reason == "radiation, humidity and wind are known."


def test_careless_conversion_of_wageningen_is_refused(tmp_path):
    if importlib.util.find_spec("pcse") is None:
        pytest.skip("pcse is not installed")
    path = wageningen_daily(tmp_path / "w.csv", status_lines=True)
    with pytest.raises(InputError) as caught:
        read_daily_csv(path, elevation_m=WAGENINGEN[2])
    assert {f.column for f in caught.value.faults} == {"date", "tmin_c"}
    assert any(
        f.feature is not None and f.feature.endswith("and 85 more") for f in caught.value.faults
    )


@pytest.mark.parametrize(
    ("texts", "looked_at"),
    [
        (["1", "", "-2.5e1", "+.5", "3."], False),
        (["1", " 2"], True),
        (["1", "1_000"], True),
        (["1", "2,5"], True),
        (["1", "nan"], True),
        (["1", "1e999"], True),
        (["1", "999.9"], True),
        (["1", "-99"], True),
        (["1", "61"], True),
    ],
)
def test_a_column_of_plain_numbers_is_read_as_cell_by_cell(monkeypatch, texts, looked_at):
    """What has to be looked at for itself is never read as a whole."""
    rule, place = tables.COLUMNS["tmax_c"], tables.Place(0, "tmax_f", 5 / 9, -160 / 9)
    body = [(line, [text]) for line, text in enumerate(texts, 2)]
    whole = tables._plain_numbers(texts, place._replace(factor=1.0, offset=0.0), rule)
    assert (whole is None) == looked_at
    at_once = tables.read_numbers(body, place, rule, tables.Ledger("x.csv"))
    monkeypatch.setattr(tables, "_plain_numbers", lambda *_: None)
    one_by_one = tables.read_numbers(body, place, rule, tables.Ledger("x.csv"))
    np.testing.assert_array_equal(at_once, one_by_one)
