"""Typical years: hours to days in four layouts, the split of the radiation, no rain of theirs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pvlib import iotools

from siting.climate.air import extraterrestrial_radiation, saturation_vapour_pressure
from siting.climate.model import WeatherOptions
from siting.climate.readers import read_weather
from siting.climate.stations import days_of_hours, read_typical_year
from siting.errors import InputError
from siting.water.reference_et import daily_diffuse_fraction, eto_terms
from tests import weather_files
from tests.real_weather import typical_year

GREENSBORO = "723170TYA.CSV"


@pytest.fixture(scope="module")
def greensboro_hours() -> pd.DataFrame:
    """The bundled file as pvlib reads it, each hour at its beginning, whole values as printed."""
    data, _ = iotools.read_tmy3(typical_year(GREENSBORO), map_variables=True)
    stamps = data.index.tz_localize(None) - pd.Timedelta(hours=1)
    names = ["ghi", "dni", "dhi", "temp_air", "temp_dew", "wind_speed"]
    hours = data[names].set_axis(stamps)
    leap = (hours.index.month == 2) & (hours.index.day == 29)
    return hours.set_axis(hours.index.where(~leap, hours.index - pd.Timedelta(days=1)))


@pytest.fixture
def rain_file(tmp_path):
    """Three years of invented rain, in siting's layout and nothing else."""
    dates = pd.date_range("2019-01-01", "2021-12-31")
    rain = np.where(np.arange(len(dates)) % 4 == 0, 8.0, 0.0)
    path = tmp_path / "rain.csv"
    pd.DataFrame({"date": dates, "rain_mm": rain}).to_csv(path, index=False)
    return path


@pytest.mark.parametrize(
    ("name", "kind", "place", "yearly"),
    [
        # The yearly sum of global radiation is that of the file's own hours.
        ("12839.tm2", "tmy2", (25.8, -80.27, 2.0), 6455),
        ("703165TY.csv", "tmy3", (55.32, -160.52, 7.0), 2985),
        (GREENSBORO, "tmy3", (36.1, -79.95, 273.0), 5640),
    ],
)
def test_bundled_typical_years_are_whole(name, kind, place, yearly):
    year = read_typical_year(typical_year(name), kind)
    assert len(year.daily) == 365
    assert not year.daily.drop(columns="diffuse_fraction").isna().any(axis=None)
    assert (year.latitude, year.longitude, year.elevation_m) == pytest.approx(place, abs=0.01)
    assert year.daily["rs_mj_m2"].sum() == pytest.approx(yearly, rel=0.001)
    assert (year.daily["tmin_c"] <= year.daily["tmax_c"]).all()
    ra = extraterrestrial_radiation(year.latitude, np.arange(365) + 1.0)
    assert (year.daily["rs_mj_m2"].to_numpy() < 0.85 * ra).all()
    saturated = saturation_vapour_pressure(year.daily["tmax_c"])
    assert (year.daily["ea_kpa"] <= saturated).all()


def test_the_sum_over_the_year_is_that_of_the_hours(greensboro_hours):
    year = read_typical_year(typical_year(GREENSBORO), "tmy3").daily
    assert year["rs_mj_m2"].sum() == pytest.approx(greensboro_hours["ghi"].sum() * 0.0036)
    diffuse = (year["rs_mj_m2"] * year["diffuse_fraction"]).sum()
    assert diffuse == pytest.approx(greensboro_hours["dhi"].sum() * 0.0036)


@pytest.mark.parametrize("kind", ["epw", "psm3", "tmy2"])
def test_the_same_hours_in_every_layout_give_the_same_days(tmp_path, greensboro_hours, kind):
    path = getattr(weather_files, kind)(tmp_path / f"year.{kind}", greensboro_hours)
    year = read_typical_year(path, kind)
    again = read_typical_year(typical_year(GREENSBORO), "tmy3")
    pd.testing.assert_frame_equal(year.daily, again.daily, rtol=1e-9, atol=1e-9)
    assert (year.latitude, year.longitude) == pytest.approx((36.1, -79.95), abs=0.01)
    assert year.elevation_m == 273.0


@pytest.mark.cross_check(
    "Measured hours against the daily correlation of Erbs, Klein & Duffie 1982, Solar Energy "
    "28:293-302"
)
def test_the_measured_split_is_that_of_the_correlation_on_average():
    year = read_typical_year(typical_year(GREENSBORO), "tmy3")
    day = np.arange(365) + 1.0
    rs = year.daily["rs_mj_m2"].to_numpy()
    ra = extraterrestrial_radiation(year.latitude, day)
    declination = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39)
    sunset = np.arccos(-np.tan(np.radians(year.latitude)) * np.tan(declination))
    estimated = daily_diffuse_fraction(rs, ra, sunset)
    own = year.daily["diffuse_fraction"].to_numpy()
    assert np.corrcoef(own, estimated)[0, 1] > 0.93
    assert (own * rs).sum() / rs.sum() == pytest.approx((estimated * rs).sum() / rs.sum(), abs=0.05)


def test_a_typical_year_without_rain_is_refused_with_the_way_out():
    with pytest.raises(InputError, match="no honest rain series") as caught:
        read_weather(typical_year(GREENSBORO), options=WeatherOptions(latitude=36.0))
    assert "rain_file" in caught.value.faults[0].mend


@pytest.mark.parametrize("kind", [None, "tmy3"])
def test_under_measured_rain_it_becomes_many_years(rain_file, kind):
    options = WeatherOptions(latitude=36.1, longitude=-79.95, rain_file=rain_file)
    climate = read_weather(typical_year(GREENSBORO), kind=kind, options=options)
    assert len(climate.daily) == 1096
    assert climate.elevation_m == 273.0
    assert climate.daily["rain_mm"].sum() == pytest.approx(274 * 8.0)
    year = read_typical_year(typical_year(GREENSBORO), "tmy3").daily
    july = climate.daily.loc["2020-07-04"]
    assert july["rs_mj_m2"] == year.loc[(7, 4), "rs_mj_m2"]
    assert july["diffuse_fraction"] == year.loc[(7, 4), "diffuse_fraction"]
    # FAO-56 Equation 47: 0.748 of the wind at 10 m.
    assert july["wind_2m_m_s"] == pytest.approx(0.748 * year.loc[(7, 4), "wind_m_s"], rel=1e-3)
    # 29 February has the sun of the day before.
    assert climate.daily.loc["2020-02-29", "rs_mj_m2"] == year.loc[(2, 28), "rs_mj_m2"]
    words = " ".join(climate.warnings)
    assert "no honest rain series" in words
    assert "taken as 10 m" in words
    assert ("read as a typical year, TMY3" in words) == (kind is None)
    assert "km away" not in words


def test_rain_of_a_station_makes_the_same_years(rain_file, tmp_path):
    rain = pd.read_csv(rain_file, parse_dates=["date"], index_col="date")
    station = weather_files.ghcn_long(
        tmp_path / "station.csv", (10 * rain).set_axis(["PRCP"], axis=1)
    )
    place = {"latitude": 36.1, "longitude": -79.95}
    ours, theirs = (
        read_weather(typical_year(GREENSBORO), options=WeatherOptions(**place, rain_file=path))
        for path in (rain_file, station)
    )
    pd.testing.assert_frame_equal(ours.daily, theirs.daily, check_freq=False)


def test_the_split_of_the_file_decides_what_shade_takes(rain_file):
    options = WeatherOptions(latitude=36.1, longitude=-79.95, rain_file=rain_file)
    daily = read_weather(typical_year(GREENSBORO), options=options).daily
    own = eto_terms(daily, latitude=36.1, elevation_m=273.0)
    plain = eto_terms(daily.drop(columns="diffuse_fraction"), latitude=36.1, elevation_m=273.0)
    np.testing.assert_allclose(own.open_sky, plain.open_sky)
    np.testing.assert_allclose(own.diffuse_fraction, daily["diffuse_fraction"])
    assert not np.allclose(own.beam, plain.beam)
    assert "the weather file's own on all days" in own.reason
    holed = daily.assign(diffuse_fraction=daily["diffuse_fraction"].where(daily.index.month > 1))
    partly = eto_terms(holed, latitude=36.1, elevation_m=273.0)
    january = daily.index.month == 1
    np.testing.assert_allclose(partly.diffuse_fraction[january], plain.diffuse_fraction[january])
    np.testing.assert_allclose(partly.diffuse_fraction[~january], own.diffuse_fraction[~january])
    assert "on 1,003 of 1,096 days" in partly.reason


def test_a_far_station_and_another_height_are_said(rain_file):
    options = WeatherOptions(
        elevation_m=900.0, latitude=40.0, longitude=-79.95, rain_file=rain_file, wind_height_m=2.0
    )
    climate = read_weather(typical_year(GREENSBORO), kind="tmy3", options=options)
    words = " ".join(climate.warnings)
    # 3.9 degrees of latitude are 434 km.
    assert "434 km away" in words
    assert "the property file 900 m" in words
    assert "taken as 10 m" not in words
    assert climate.elevation_m == 900.0


def test_a_single_real_year_is_no_typical_one(tmp_path, greensboro_hours, rain_file):
    one = greensboro_hours.set_axis([s.replace(year=2007) for s in greensboro_hours.index])
    path = weather_files.psm3(tmp_path / "n.csv", one)
    climate = read_weather(path, options=WeatherOptions(rain_file=rain_file))
    assert any("all its days are of 2007" in w for w in climate.warnings)


def test_missing_hours_are_unknown_and_then_filled(tmp_path, greensboro_hours, rain_file):
    holed = greensboro_hours.copy()
    holed.iloc[24 * 40 + 12, holed.columns.get_loc("ghi")] = 9999.0
    holed.iloc[24 * 60 : 24 * 60 + 3, holed.columns.get_loc("temp_air")] = 99.9
    path = weather_files.epw(tmp_path / "y.epw", holed)
    year = read_typical_year(path, "epw").daily
    assert year["rs_mj_m2"].isna().sum() == 1
    assert year["tmin_c"].isna().sum() == 1
    climate = read_weather(path, options=WeatherOptions(rain_file=rain_file))
    assert not climate.daily["tmin_c"].isna().any()
    assert any("radiation on 3 days" in w for w in climate.warnings)


@pytest.mark.parametrize("kind", ["tmy2", "tmy3", "epw", "psm3"])
@pytest.mark.parametrize("text", ["", "date,tmin_c\n2020-01-01,3\n", "LOCATION,a\n1\n2\n"])
def test_other_files_are_refused_in_plain_words(tmp_path, kind, text):
    path = tmp_path / "x.dat"
    path.write_text(text)
    with pytest.raises(InputError, match=r"another layout|one whole year"):
        read_typical_year(path, kind)
    with pytest.raises(InputError, match="cannot be read"):
        read_typical_year(tmp_path / "none", kind)


def test_a_part_of_a_year_is_refused(tmp_path, greensboro_hours):
    path = weather_files.epw(tmp_path / "part.epw", greensboro_hours.iloc[: 24 * 100])
    with pytest.raises(InputError, match="100 days"):
        read_typical_year(path, "epw")
    path = weather_files.epw(
        tmp_path / "part.epw", greensboro_hours.drop(index=greensboro_hours.index[77])
    )
    with pytest.raises(InputError, match="1 days with fewer than 24 hours"):
        read_typical_year(path, "epw")


def test_faults_of_both_files_at_once(tmp_path):
    bad = tmp_path / "rain.csv"
    bad.write_text("date,rain_mm\n2020-01-01,-3\n")
    broken = tmp_path / "y.epw"
    broken.write_text("LOCATION,a\n")
    with pytest.raises(InputError) as caught:
        read_weather(broken, options=WeatherOptions(rain_file=bad))
    assert {fault.file for fault in caught.value.faults} == {"rain.csv", "y.epw"}


def test_half_hours_weigh_half():
    index = pd.date_range("2021-06-01", periods=48, freq="30min")
    hours = pd.DataFrame({"ghi": 100.0, "dhi": 40.0, "temp_air": 20.0, "rain": 0.5}, index=index)
    hours["relative_humidity"] = 50.0
    day = days_of_hours(hours, step_h=0.5).iloc[0]
    assert day["rs_mj_m2"] == pytest.approx(8.64)
    assert day["diffuse_fraction"] == pytest.approx(0.4)
    assert day["rain_mm"] == pytest.approx(24.0)
    assert day["hours"] == 24.0
    assert day["ea_kpa"] == pytest.approx(2.338 / 2, abs=0.0005)  # FAO-56 Table 2.3 at 20 °C


def test_a_dark_day_has_no_split():
    index = pd.date_range("2021-12-21", periods=24, freq="h")
    day = days_of_hours(
        pd.DataFrame({"ghi": 0.0, "dhi": 0.0, "temp_air": -20.0}, index=index)
    ).iloc[0]
    assert day["rs_mj_m2"] == 0.0
    assert np.isnan(day["diffuse_fraction"])
