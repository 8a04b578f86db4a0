"""Fetching weather: only when asked to, from recorded answers here, never from a network.

The recorded answers are written by hand in the documented form of each source, with invented
values: tests/data/nasa_power_hourly.json and tests/data/acis_prism_daily.json.
"""

from __future__ import annotations

import datetime as dt
import json
import socket
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import requests

from siting.climate.model import WeatherOptions
from siting.climate.readers import SOURCES, fetch_daily, fetch_weather, read_weather
from siting.errors import InputError
from siting.planning.make import property_weather
from siting.site.settings import WEATHER_SOURCES, PropertyFile, WeatherSource

DATA = Path(__file__).parents[1] / "data"
PLACE = {"latitude": 33.9, "longitude": -82.4}
JULY = {"first": dt.date(2020, 7, 1), "last": dt.date(2020, 7, 3)}


class _Answer:
    ok = True

    def __init__(self, content):
        self._content = content

    def json(self):
        return self._content

    def raise_for_status(self):
        pass


@pytest.fixture(autouse=True)
def no_network(monkeypatch):
    """Make any connection fail the test."""

    def refuse(*_args, **_options):
        pytest.fail("the test reached for the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)


@pytest.fixture
def power(monkeypatch):
    """Answer requests for hours with the recorded ones; keep what was asked."""
    content = json.loads((DATA / "nasa_power_hourly.json").read_text())
    asked = []

    def get(url, params=None, **_options):
        asked.append((url, params))
        return _Answer(json.loads(json.dumps(content)))

    monkeypatch.setattr(requests, "get", get)
    return content, asked


def test_hours_become_days_of_the_place(power):
    content, asked = power
    daily, elevation_m, _ = fetch_daily("nasa_power", **PLACE, **JULY)
    assert list(daily.index) == list(pd.date_range("2020-07-01", "2020-07-03"))
    assert elevation_m == 148.5
    # The sum over the local day, five hours behind UTC, and not over the day of UTC.
    hours = pd.Series(content["properties"]["parameter"]["ALLSKY_SFC_SW_DWN"])
    hours.index = pd.to_datetime(hours.index, format="%Y%m%d%H") - pd.Timedelta(hours=5)
    assert daily.loc["2020-07-02", "rs_mj_m2"] == pytest.approx(hours["2020-07-02"].sum() * 0.0036)
    assert daily["rain_mm"].tolist() == pytest.approx([0.0, 14.0, 0.0])
    assert daily["diffuse_fraction"].tolist() == pytest.approx([0.25, 0.8, 0.25], abs=0.001)
    assert daily["ea_kpa"].tolist() == pytest.approx([2.338] * 3, abs=0.001)
    assert (daily["wind_height_m"] == 2).all()
    assert daily["tmin_c"].min() == pytest.approx(20.0, abs=0.1)
    # One day more on either side is asked for, so that local days are whole.
    (url, params), = asked  # fmt: skip
    assert "power.larc.nasa.gov" in url
    assert (params["start"], params["end"]) == ("20200630", "20200704")
    assert params["community"] == "re"
    assert "PRECTOTCORR" in params["parameters"]


def test_rain_in_either_documented_unit(power):
    content, _ = power
    content["parameters"]["PRECTOTCORR"]["units"] = "mm/day"
    daily, _, _ = fetch_daily("nasa_power", **PLACE, **JULY)
    assert daily["rain_mm"].tolist() == pytest.approx([0.0, 14.0 / 24, 0.0])


def test_another_unit_or_form_is_refused(power):
    content, _ = power
    content["parameters"]["T2M"]["units"] = "K"
    with pytest.raises(InputError, match="T2M in the unit K"):
        fetch_daily("nasa_power", **PLACE, **JULY)
    del content["properties"]
    with pytest.raises(InputError, match="in another form"):
        fetch_daily("nasa_power", **PLACE, **JULY)


def test_one_request_a_year(power):
    _, asked = power
    fetch_daily("nasa_power", **PLACE, first=dt.date(2019, 5, 1), last=dt.date(2020, 7, 3))
    assert [(p["start"], p["end"]) for _, p in asked] == [
        ("20190430", "20191231"), ("20200101", "20200704"),
    ]  # fmt: skip


def test_a_source_out_of_reach(monkeypatch):
    def get(*_args, **_options):
        message = "no route"
        raise requests.ConnectionError(message)

    monkeypatch.setattr(requests, "get", get)
    with pytest.raises(InputError, match=r"no answer from nasa_power.*no route"):
        fetch_daily("nasa_power", **PLACE, **JULY)


def test_days_of_the_united_states(monkeypatch):
    content = json.loads((DATA / "acis_prism_daily.json").read_text())
    monkeypatch.setattr(requests, "post", lambda *_a, **_o: _Answer(content))
    daily, elevation_m, _ = fetch_daily("acis_prism", **PLACE, **JULY)
    assert daily.columns.tolist() == ["tmin_c", "tmax_c", "rain_mm"]
    assert daily["rain_mm"].tolist()[:2] == [0.0, 12.7]
    assert np.isnan(daily["rain_mm"].iloc[2])
    assert elevation_m == pytest.approx(487 * 0.3048)


def test_sources_are_those_of_the_property_file():
    assert tuple(SOURCES) == WEATHER_SOURCES
    with pytest.raises(InputError, match='the source "x"'):
        fetch_daily("x", **PLACE, **JULY)
    with pytest.raises(InputError, match="after"):
        fetch_daily("nasa_power", **PLACE, first=dt.date(2020, 2, 1), last=dt.date(2020, 1, 1))


@pytest.mark.usefixtures("power")
def test_fetched_weather_is_kept_and_read_as_any_daily_file(tmp_path):
    path = tmp_path / "w.csv"
    words = fetch_weather(path, "nasa_power", **PLACE, first_year=2020, years=1)
    assert "4 days fetched from nasa_power" in words
    assert "Data: NASA" in words
    climate = read_weather(path, options=WeatherOptions(elevation_m=148.0, latitude=33.9))
    assert climate.daily.loc["2020-07-02", "diffuse_fraction"] == pytest.approx(0.8, abs=0.001)
    assert climate.warnings == ()
    before = path.read_bytes()
    with pytest.raises(InputError, match="Move it away"):
        fetch_weather(path, "nasa_power", **PLACE, first_year=2020, years=1)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["w.csv"]


def test_a_property_fetches_once_and_only_when_allowed(power, tmp_path):
    _, asked = power
    source = WeatherSource(tmp_path / "w.csv", 148.0, fetch="nasa_power", first_year=2020, years=1)
    settings = PropertyFile(tmp_path / "property.toml", "a", {}, source)
    with pytest.raises(InputError, match="Nothing is fetched unless asked for"):
        property_weather(settings, **PLACE)
    assert asked == []
    once = property_weather(settings, **PLACE, fetch=True)
    assert len(asked) == 3
    again = property_weather(settings, **PLACE)
    assert len(asked) == 3
    pd.testing.assert_frame_equal(once.daily, again.daily)


@pytest.mark.usefixtures("power")
def test_a_folder_that_cannot_be_written(tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        fetch_weather(tmp_path / "no" / "w.csv", "nasa_power", **PLACE, first_year=2020, years=1)
