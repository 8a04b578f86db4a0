"""GHCN-Daily files: both layouts, tenths, flags, several stations."""

from __future__ import annotations

import gzip

import numpy as np
import pandas as pd
import pytest

from siting.climate.model import WeatherOptions
from siting.climate.readers import read_weather
from siting.climate.stations import read_ghcn, read_rain
from siting.errors import InputError
from tests.real_weather import seattle_daily
from tests.weather_files import ghcn_long, ghcn_wide, normals_csv

HERE = WeatherOptions(elevation_m=112.0, latitude=47.45, longitude=-122.31)


def days(count=30, **columns):
    """A plain table of days in whole tenths; keyword arguments replace or add elements."""
    index = pd.date_range("2019-06-01", periods=count)
    table = {"PRCP": 15.0, "TMAX": 221.0, "TMIN": 94.0, "AWND": 33.0} | columns
    return pd.DataFrame(table, index=index)


@pytest.mark.parametrize("write", [ghcn_long, ghcn_wide])
@pytest.mark.parametrize("kind", [None, "ghcn"])
def test_both_layouts_in_tenths(tmp_path, write, kind):
    climate = read_weather(write(tmp_path / "s.csv", days(ADPT=80.0)), kind=kind, options=HERE)
    row = climate.daily.iloc[3]
    assert (row["rain_mm"], row["tmin_c"], row["tmax_c"]) == (1.5, 9.4, 22.1)
    # FAO-56 Equation 47, 0.748 of the wind at 10 m, and Table 2.3, 1.073 kPa at 8 °C.
    assert row["wind_2m_m_s"] == pytest.approx(3.3 * 0.748, rel=1e-3)
    assert row["ea_kpa"] == pytest.approx(1.073, abs=0.0005)
    assert climate.daily["rs_mj_m2"].isna().all()
    assert len(climate.daily) == 30
    said = [w for w in climate.warnings if "read as a GHCN-Daily" in w]
    assert len(said) == (1 if kind is None else 0)
    assert any("taken as 10 m" in w for w in climate.warnings)


def test_both_layouts_carry_the_same_real_weather(tmp_path):
    pytest.importorskip("vega_datasets")
    seattle = pd.read_csv(seattle_daily(tmp_path / "d.csv"), parse_dates=["date"], index_col="date")
    tenths = (10 * seattle[["rain_mm", "tmax_c", "tmin_c", "wind_m_s"]]).round()
    tenths.columns = ["PRCP", "TMAX", "TMIN", "AWND"]
    plain = read_weather(tmp_path / "d.csv", options=HERE)
    for write in (ghcn_long, ghcn_wide):
        again = read_weather(write(tmp_path / "g.csv", tenths), options=HERE)
        pd.testing.assert_frame_equal(again.daily, plain.daily, check_freq=False)


def test_flagged_values_are_dropped_and_counted(tmp_path):
    path = ghcn_long(tmp_path / "s.csv", days())
    lines = path.read_text().splitlines()
    lines[0] = "USW00099999,20190601,PRCP,9990,,X,W,2400"
    lines[5] = "USW00099999,20190602,TMAX,555,,I,W,"
    lines[9] = "USW00099999,20190603,TMAX,-9999,,,W,"
    lines[13] = "USW00099999,20190604,TMAX,9000,,,W,"
    path.write_text("\n".join(lines))
    climate = read_ghcn(path, HERE)
    # The first day has no rain left, and nothing before it to fill from.
    assert climate.daily.index[0] == pd.Timestamp("2019-06-02")
    assert climate.daily["tmax_c"].iloc[0] == pytest.approx(22.1)
    words = " ".join(climate.warnings)
    assert "quality flag: I 1, X 1" in words
    assert "impossible values dropped: 1" in words
    assert "highest temperature on 3 days" in words


def test_flags_of_wide_files(tmp_path):
    path = ghcn_wide(tmp_path / "s.csv", days())
    text = path.read_text().replace('"   15",",,W,2400"', '"  999",",S,W,2400"', 3)
    path.write_text(text)
    climate = read_ghcn(path, HERE)
    assert climate.daily["rain_mm"].max() == 1.5
    assert any("quality flag: S 3" in w for w in climate.warnings)


def test_height_of_wide_files_and_the_user(tmp_path):
    path = ghcn_wide(tmp_path / "s.csv", days())
    assert read_ghcn(path, WeatherOptions()).elevation_m == 112.2
    high = read_ghcn(path, WeatherOptions(elevation_m=900.0))
    assert high.elevation_m == 900.0
    assert any("the file says 112 m" in w for w in high.warnings)
    far = read_ghcn(path, WeatherOptions(latitude=44.44, longitude=-122.31))
    # Three degrees of latitude are 334 km.
    assert any("334 km away" in w for w in far.warnings)


def test_long_files_need_a_height(tmp_path):
    with pytest.raises(InputError, match="elevation_m"):
        read_ghcn(ghcn_long(tmp_path / "s.csv", days()), WeatherOptions())


def test_one_station_of_a_year_file_packed(tmp_path):
    one = ghcn_long(tmp_path / "a.csv", days(), station="USW00000001").read_text()
    two = ghcn_long(tmp_path / "b.csv", days(PRCP=70.0), station="USW00000002").read_text()
    path = tmp_path / "2019.csv.gz"
    path.write_bytes(gzip.compress((one + two).encode()))
    with pytest.raises(InputError, match="several stations"):
        read_weather(path, options=HERE)
    with pytest.raises(InputError, match="no station USW00000003"):
        read_weather(path, options=WeatherOptions(elevation_m=1.0, station="USW00000003"))
    picked = WeatherOptions(elevation_m=1.0, station="USW00000002")
    assert (read_weather(path, options=picked).daily["rain_mm"] == 7.0).all()


def test_totals_of_several_days_are_kept(tmp_path):
    table = days(MDPR=np.nan)
    table.loc["2019-06-11":"2019-06-13", "PRCP"] = np.nan
    table.loc["2019-06-13", "MDPR"] = 240
    climate = read_ghcn(ghcn_long(tmp_path / "s.csv", table), HERE)
    assert climate.daily.loc["2019-06-10":"2019-06-14", "rain_mm"].tolist() == [1.5, 0, 0, 24, 1.5]
    assert any(
        "several days counted on the day of reading, on 1 day" in w for w in climate.warnings
    )


def test_swapped_temperatures_are_unknown(tmp_path):
    table = days()
    table.loc["2019-06-05", "TMIN"] = 300.0
    climate = read_ghcn(ghcn_long(tmp_path / "s.csv", table), HERE)
    assert any("TMIN above TMAX on 1 day" in w for w in climate.warnings)
    assert climate.daily.loc["2019-06-05", "tmin_c"] == pytest.approx(9.4)


def _decimals(text):
    return text.replace(",221,", ",22.1,").replace('"  221"', '"22.1"')


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.replace("TMAX", "XMAX"), "no TMAX"),
        (_decimals, "values with decimals"),
        (lambda t: t.replace(",221,", ",abc,"), "no numbers"),
        (lambda t: t.replace("2019", "2219"), "days in the future"),
        (lambda t: t.replace(",20190603,", ",2019-06-03,"), "dates in another form"),
        (lambda t: t + t.replace(",221,", ",222,"), "given twice"),
        (lambda t: t.replace(",W,2400", ""), "with 6 columns"),
        (lambda _: "", "another layout"),
    ],
)
def test_faults_of_long_files(tmp_path, change, words):
    path = ghcn_long(tmp_path / "s.csv", days())
    path.write_text(change(path.read_text()))
    with pytest.raises(InputError, match=words):
        read_ghcn(path, HERE)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_decimals, "values with decimals"),
        (lambda t: t.replace("TMAX_ATTRIBUTES", "X"), "TMAX without attributes"),
        (lambda t: t.replace("TMIN", "XMIN"), "no TMIN"),
    ],
)
def test_faults_of_wide_files(tmp_path, change, words):
    path = ghcn_wide(tmp_path / "s.csv", days())
    path.write_text(change(path.read_text()))
    with pytest.raises(InputError, match=words):
        read_ghcn(path, HERE)


def test_identical_lines_twice_count_once(tmp_path):
    path = ghcn_long(tmp_path / "s.csv", days())
    path.write_text(path.read_text() * 2)
    assert len(read_ghcn(path, HERE).daily) == 30


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_ghcn(tmp_path / "none.csv", HERE)


@pytest.mark.parametrize("write", [ghcn_long, ghcn_wide])
def test_rain_alone_of_a_station(tmp_path, write):
    """As beside a typical year: temperatures may be missing, totals of several days count."""
    table = days()[["PRCP"]].assign(MDPR=np.nan)
    table.loc["2019-06-11":"2019-06-13", "PRCP"] = np.nan
    table.loc["2019-06-13", "MDPR"] = 240
    rain, warnings = read_rain(write(tmp_path / "rain.csv", table), options=HERE)
    assert rain.index.is_monotonic_increasing
    assert rain.loc["2019-06-10"] == 1.5
    assert rain.loc["2019-06-13"] == 24.0
    others = rain.drop(pd.date_range("2019-06-11", "2019-06-13"), errors="ignore")
    assert others.tolist() == [1.5] * 27
    assert any("read as a GHCN-Daily" in w for w in warnings)
    assert any("several days counted" in w for w in warnings)


def test_a_station_without_rain_is_refused_where_rain_is_asked_for(tmp_path):
    path = ghcn_long(tmp_path / "rain.csv", days().drop(columns="PRCP"))
    with pytest.raises(InputError, match="PRCP"):
        read_rain(path, options=HERE)


def test_a_file_of_another_kind_is_no_rain(tmp_path):
    with pytest.raises(InputError, match="measured daily rain"):
        read_rain(normals_csv(tmp_path / "rain.csv"), options=HERE)


def test_a_station_file_of_other_elements_only_is_refused(tmp_path):
    path = ghcn_long(tmp_path / "s.csv", days()[[]].assign(SNWD=10.0))
    with pytest.raises(InputError):
        read_ghcn(path, HERE)


def test_a_packed_file_that_unpacks_to_a_line_without_end_is_refused(tmp_path):
    """Sixty megabytes of one line, packed in sixty kilobytes."""
    path = tmp_path / "2019.csv.gz"
    head = ghcn_long(tmp_path / "a.csv", days()).read_bytes()
    path.write_bytes(gzip.compress(head + b"9" * 60_000_000))
    with pytest.raises(InputError, match="a line of more than 100,000 characters"):
        read_ghcn(path, HERE)
