"""Any weather file: its format told or refused, its units questioned, the property's keys."""

from __future__ import annotations

import datetime as dt
import shutil

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from siting.cli.main import main
from siting.climate import readers as fetch
from siting.climate.air import extraterrestrial_radiation
from siting.climate.model import WeatherOptions
from siting.climate.readers import READERS, read_weather
from siting.climate.record import suspicions
from siting.climate.stations import FORMATS, sniff_format
from siting.climate.tables import latest_day
from siting.errors import Fault, InputError
from siting.planning.make import read_inputs
from siting.site.property import read_property
from siting.site.settings import WEATHER_FORMATS
from tests.real_weather import typical_year
from tests.small_property import write_property
from tests.tries import tries
from tests.weather_files import ghcn_long, normals_csv

HERE = WeatherOptions(elevation_m=100.0, latitude=45.0)


def daily(days=400, **columns):
    """A plausible record: sine temperatures, rain every third day, radiation below clear sky."""
    dates = pd.date_range("2019-01-01", periods=days)
    day = dates.dayofyear.to_numpy()
    mean = 12.0 - 11.0 * np.cos(2 * np.pi * (day - 20) / 365)
    rain = np.where(np.arange(days) % 3 == 0, 6.0 + np.arange(days) % 5, 0.0)
    table = {
        "date": dates.strftime("%Y-%m-%d"),
        "tmin_c": mean - 5,
        "tmax_c": mean + 6,
        "rain_mm": rain,
        "rs_mj_m2": 0.5 * extraterrestrial_radiation(45.0, day),
        "wind_m_s": 2.5,
        "wind_height_m": 2.0,
    }
    return pd.DataFrame(table | columns)


@pytest.fixture
def read(tmp_path):
    def reader(table, options=HERE, **keys):
        path = tmp_path / "w.csv"
        table.to_csv(path, index=False)
        return read_weather(path, options=options, **keys)

    return reader


# --- formats --------------------------------------------------------------------------------


def test_one_registry_for_all():
    assert tuple(READERS) == WEATHER_FORMATS == tuple(FORMATS)


def test_formats_are_told_by_what_only_they_have(tmp_path, read):
    assert read(daily()).warnings == ()
    assert sniff_format(tmp_path / "w.csv")[0] == "daily"
    assert sniff_format(normals_csv(tmp_path / "n.csv"))[0] == "normals"
    table = pd.DataFrame({"PRCP": [1.0]}, index=pd.date_range("2020-01-01", periods=1))
    assert sniff_format(ghcn_long(tmp_path / "g.csv", table))[0] == "ghcn"
    headed = tmp_path / "h.csv"
    head = "ID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME\n"
    headed.write_text(head + (tmp_path / "g.csv").read_text())
    assert sniff_format(headed)[0] == "ghcn"
    assert sniff_format(typical_year("12839.tm2"))[0] == "tmy2"
    assert sniff_format(typical_year("723170TYA.CSV"))[0] == "tmy3"


@pytest.mark.parametrize(
    "text",
    ["a,b\n1,2\n", "when,how warm\n2020-01-01,3\n", "STATION,DATE,SNOW\nA,2020-01-01,3\n"],
)
def test_no_guess(tmp_path, text):
    path = tmp_path / "x.csv"
    path.write_text(text)
    with pytest.raises(InputError, match="fits no format") as caught:
        read_weather(path, options=HERE)
    assert "format" in caught.value.faults[0].mend


def test_a_named_format_rules(tmp_path):
    path = normals_csv(tmp_path / "n.csv")
    with pytest.raises(InputError, match="no such column"):
        read_weather(path, kind="daily", options=HERE)
    with pytest.raises(InputError, match='format "xlsx"'):
        read_weather(path, kind="xlsx", options=HERE)


@tries(60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    kind=st.sampled_from([None, *READERS]),
    text=st.one_of(
        st.binary(max_size=200),
        st.text(alphabet='date,tmin_c0123456789-;\n"LOCATIONmonth ', max_size=120).map(str.encode),
    ),
)
def test_any_bytes_are_read_or_refused(tmp_path, kind, text):
    path = tmp_path / "any.csv"
    path.write_bytes(text)
    try:
        read_weather(path, kind=kind, options=HERE)
    except InputError as error:
        assert error.faults  # noqa: PT017


# --- units and habits -----------------------------------------------------------------------


def fahrenheit(table):
    return table.assign(tmin_c=table["tmin_c"] * 1.8 + 32, tmax_c=table["tmax_c"] * 1.8 + 32)


@pytest.mark.parametrize(
    ("change", "column", "words"),
    [
        (lambda t: fahrenheit(t.assign(tmin_c=t["tmin_c"] - 14, tmax_c=t["tmax_c"] - 14)),
         "tmin_c", "as if it were Fahrenheit"),
        (lambda t: t.assign(rain_mm=t["rain_mm"] / 25.4), "rain_mm", "as if it were inches"),
        (lambda t: t.assign(rain_mm=t["rain_mm"].cumsum() / 4), "rain_mm", "running total"),
        (lambda t: t.assign(rs_mj_m2=t["rs_mj_m2"] / 3.6), "rs_mj_m2", "as if it were kWh"),
        (lambda t: t.assign(rs_mj_m2=t["rs_mj_m2"][::-1].to_numpy()[200:].repeat(2)),
         "rs_mj_m2", "outside the atmosphere"),
        (lambda t: t.assign(wind_m_s=14.0), "wind_m_s", "km/h or mph"),
    ],
)  # fmt: skip
def test_other_units_are_asked_about(read, change, column, words):
    table = change(daily())
    with pytest.raises(InputError, match=words) as caught:
        read(table)
    assert [fault.column for fault in caught.value.faults] == [column]
    assert "trust_units = true" in caught.value.faults[0].mend
    trusted = WeatherOptions(elevation_m=100.0, latitude=45.0, trust_units=True)
    assert any("trusted as written" in w for w in read(table, trusted).warnings)


def test_fahrenheit_beyond_what_celsius_can_be_names_the_header(read):
    with pytest.raises(InputError, match="name the column tmax_f"):
        read(fahrenheit(daily()))


def test_a_running_total_that_starts_anew_each_year(read):
    table = daily(800)
    year = table["date"].str[:4]
    with pytest.raises(InputError, match="running total"):
        read(table.assign(rain_mm=table.groupby(year)["rain_mm"].cumsum() / 2))


def test_headers_that_carry_the_unit_are_converted(read):
    plain = read(daily()).daily
    us = fahrenheit(daily()).rename(columns={"tmin_c": "tmin_f", "tmax_c": "tmax_f"})
    us = us.assign(rain_in=us["rain_mm"] / 25.4, wind_mph=2.5 / 0.44704,
                   rs_kwh_m2=us["rs_mj_m2"] / 3.6, wind_height_ft=2.0 / 0.3048)  # fmt: skip
    us = us.drop(columns=["rain_mm", "wind_m_s", "rs_mj_m2", "wind_height_m"])
    climate = read(us)
    pd.testing.assert_frame_equal(climate.daily, plain, rtol=1e-3)
    assert "converted from the unit in the header" in climate.warnings[0]


def test_both_units_at_once_are_refused(read):
    with pytest.raises(InputError, match="twice"):
        read(daily().assign(rain_in=0.1))


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"rh_mean": 0.7}, "as if they were fractions"),
        ({"ea_kpa": 7.9}, "hPa must be divided by 10"),
        ({"diffuse_fraction": 40.0}, "Percent must be divided"),
    ],
)
def test_humidity_and_shares_in_other_units(read, columns, words):
    with pytest.raises(InputError, match=words):
        read(daily(**columns))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("date;tmin_c;tmax_c;rain_mm\n2021-05-01;1,5;2,5;0\n", "every comma by a point"),
        ("date;tmin_c;tmax_c;rain_mm\n2021-05-01;1.5;2.5;0\n", "semicolon or tab by a comma"),
        ("date\ttmin_c\ttmax_c\train_mm\n2021-05-01\t1,5\t2,5\t0\n", "every comma by a point"),
        ('date,tmin_c,tmax_c,rain_mm\n2021-05-01,"1,5","2,5",0\n', "Write a point"),
        ("date,tmin_c,tmax_c,rain_mm\n2021-05-01,1,5,2,5,0\n", "need a point, not a comma"),
    ],
)
def test_tables_of_another_regional_setting(tmp_path, text, words):
    path = tmp_path / "w.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_weather(path, options=HERE)


def test_days_in_the_future_are_refused(read):
    today = dt.date(2020, 1, 1)
    assert latest_day(today) == dt.date(2020, 1, 2)
    with pytest.raises(InputError, match="a day in the future") as caught:
        read(daily(370), WeatherOptions(elevation_m=1.0, today=today))
    # 2 January may be today east of Greenwich; 3 to 5 January cannot.
    assert caught.value.faults[0].feature == "lines 369, 370, 371"


def test_a_few_impossible_days_of_radiation_are_unknown(read):
    table = daily()
    table.loc[[10, 200], "rs_mj_m2"] = 44.0
    climate = read(table)
    assert any("on 2 days: taken as unknown" in w for w in climate.warnings)
    # A gap of one day is then filled like any other.
    assert climate.daily["rs_mj_m2"].iloc[10] < 10
    unknown_place = WeatherOptions(elevation_m=100.0)
    assert read(table, unknown_place).daily["rs_mj_m2"].iloc[10] == 44.0


@pytest.mark.practice("the hottest months, the windiest and the driest places known pass")
def test_extremes_of_this_earth_are_not_suspected():
    index = pd.date_range("2019-01-01", periods=730)
    summer = -np.cos(2 * np.pi * index.dayofyear.to_numpy() / 365)
    rare = np.where(np.arange(730) % 60 == 0, 4.0, 0.0)
    desert = pd.DataFrame(
        {"tmin_c": 20 + 14 * summer, "tmax_c": 33 + 14 * summer, "rain_mm": rare}, index
    )
    assert suspicions(desert, 29.0) == ()
    arctic = desert.assign(tmin_c=-20 + 18 * summer, tmax_c=-12 + 18 * summer,
                           rain_mm=np.where(np.arange(730) % 4 == 0, 1.4, 0.0))  # fmt: skip
    assert suspicions(arctic.assign(wind_2m_m_s=8.5), 71.0) == ()


# --- the property file ----------------------------------------------------------------------


def with_weather(folder, text):
    """Write a small property whose table [weather] is replaced."""
    path = write_property(folder)
    whole = path.read_text()
    start = whole.index("[weather]")
    end = whole.index("\n[", start + 1)
    path.write_text(whole[:start] + "[weather]\n" + text + whole[end:])
    return path


def test_every_key_of_the_table(tmp_path):
    (tmp_path / "p").mkdir()
    (tmp_path / "p" / "rain.csv").write_text("date,rain_mm\n2020-01-01,1\n")
    keys = """file = "weather.csv"
elevation_ft = 100
format = "EPW"
rain_file = "rain.csv"
station = "USW00099999"
wind_height_ft = 33
years = 12
first_year = 1990
seed = 5
wet_day_mm = 1.0
trust_units = true
"""
    weather = read_property(with_weather(tmp_path / "p", keys)).weather
    assert weather.elevation_m == pytest.approx(30.48)
    assert (weather.format, weather.station) == ("epw", "USW00099999")
    assert weather.rain_file == tmp_path / "p" / "rain.csv"
    assert weather.wind_height_m == pytest.approx(10.06, abs=0.01)
    assert (weather.years, weather.first_year, weather.seed) == (12, 1990, 5)
    assert (weather.wet_day_mm, weather.trust_units, weather.fetch) == (1.0, True, None)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ('file = "weather.csv"', "elevation_m"),
        ('file = "weather.csv"\nformat = "normals"', "elevation_m"),
        ('file = "weather.csv"\nelevation_m = 1\nformat = "tmy4"', "tmy2, tmy3"),
        ('file = "weather.csv"\nelevation_m = 1\nrain_file = "no.csv"', "does not exist"),
        ('file = "weather.csv"\nelevation_m = 1\nyears = 0', "from 1 to 200"),
        ('file = "new.csv"\nelevation_m = 1\nfetch = "nasa_power"', "first_year"),
        ('file = "new.csv"\nelevation_m = 1\nfetch = "somewhere"', "nasa_power, acis_prism"),
        ('file = "weather.csv"\nelevation_m = 1\nformt = "daily"', "Did you mean format"),
    ],
)
def test_faults_of_the_table(tmp_path, keys, words):
    path = with_weather(tmp_path / "p", keys + "\n")
    with pytest.raises(InputError, match=words):
        read_property(path)


def test_height_may_be_the_files(tmp_path):
    path = with_weather(
        tmp_path / "p", 'file = "y.csv"\nformat = "tmy3"\nrain_file = "weather.csv"\n'
    )
    shutil.copy(typical_year("723170TYA.CSV"), tmp_path / "p" / "y.csv")
    settings, _, climate = read_inputs(path)
    assert settings.weather.elevation_m is None
    assert climate.elevation_m == 273.0
    assert "diffuse_fraction" in climate.daily
    assert len(climate.daily) == 3 * 365 + 1
    # The small property lies some way from Greensboro.
    assert any("km away" in w for w in climate.warnings)


def test_normals_reach_the_plan(tmp_path):
    keys = 'file = "n.csv"\nelevation_m = 20\nyears = 4\nseed = 3\n'
    path = with_weather(tmp_path / "p", keys)
    normals_csv(tmp_path / "p" / "n.csv")
    _, _, climate = read_inputs(path)
    assert len(climate.daily) == 4 * 365 + 1
    assert any("read as twelve monthly normals" in w for w in climate.warnings)


def test_nothing_is_fetched_by_itself(tmp_path):
    keys = (
        'file = "new.csv"\nelevation_m = 20\nfetch = "nasa_power"\nfirst_year = 2015\nyears = 2\n'
    )
    with pytest.raises(InputError, match="Nothing is fetched unless asked for"):
        read_inputs(with_weather(tmp_path / "p", keys))
    assert not (tmp_path / "p" / "new.csv").exists()


def test_the_command_line_fetches_only_when_told(tmp_path, monkeypatch):
    keys = 'file = "w.csv"\nelevation_m = 20\nfetch = "nasa_power"\nfirst_year = 2020\nyears = 1\n'
    path = with_weather(tmp_path / "p", keys)
    asked = []

    def answer(latitude, longitude, first, last):
        asked.append((latitude, longitude, first, last))
        msg = "recorded: no network"
        raise InputError([Fault("nasa_power", msg, "an answer", "Try again later.")])

    monkeypatch.setattr(fetch, "SOURCES", {"nasa_power": answer})
    refused = CliRunner().invoke(main, ["check", str(path)])
    assert refused.exit_code == 1
    assert "--fetch-weather" in refused.output
    assert asked == []
    allowed = CliRunner().invoke(main, ["check", str(path), "--fetch-weather"])
    assert allowed.exit_code == 1
    assert "recorded: no network" in allowed.output
    assert len(asked) == 1
