"""PVGIS and the US Climate Reference Network, written here in their published layouts."""

import json

import numpy as np
import pandas as pd
import pytest

from siting.climate.air import wind_at_2m
from siting.climate.model import WeatherOptions
from siting.climate.readers import read_weather
from siting.climate.stations import read_typical_year
from siting.errors import InputError

HEADER = "time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP"


def pvgis_rows(longitude):
    """Hours in UTC: light from six to eighteen by the sun; one hot hour."""
    stamps = pd.date_range("2001-01-01", periods=8760, freq="h")
    local = (stamps.hour.to_numpy() + round(longitude / 15)) % 24
    light = np.where((local >= 6) & (local < 18), 500.0, 0.0)
    air = np.where(light > 0, 21.0, 12.0)
    air[stamps.get_loc("2001-06-01 20:00")] = 40.0
    # The months are of different years, as in a file of theirs.
    years = 2005 + stamps.month % 7
    names = [f"{y}{s:%m%d:%H%M}" for y, s in zip(years, stamps, strict=True)]
    return names, air, light


def write_pvgis(path, longitude=105.0):
    names, air, light = pvgis_rows(longitude)
    if path.suffix == ".json":
        hours = [
            {"time(UTC)": n, "T2m": t, "RH": 50.0, "G(h)": g, "Gb(n)": g, "Gd(h)": g / 4,
             "IR(h)": 300.0, "WS10m": 3.0, "WD10m": 90, "SP": 1e5}
            for n, t, g in zip(names, air, light, strict=True)
        ]  # fmt: skip
        place = {"latitude": 20.0, "longitude": longitude, "elevation": 310.0}
        months = [{"month": m, "year": 2005 + m % 7} for m in range(1, 13)]
        outputs = {"months_selected": months, "tmy_hourly": hours}
        whole = {"inputs": {"location": place}, "outputs": outputs, "meta": {"inputs": {}}}
        path.write_text(json.dumps(whole))
        return path
    head = ["Latitude (decimal degrees): 20.000", f"Longitude (decimal degrees): {longitude}",
            "Elevation (m): 310.0", "month,year"]  # fmt: skip
    head += [f"{month},{2005 + month % 7}" for month in range(1, 13)]
    rows = [
        f"{n},{t},50.0,{g},{g},{g / 4},300.0,3.0,90.0,100000.0"
        for n, t, g in zip(names, air, light, strict=True)
    ]
    path.write_text("\r\n".join([*head, HEADER, *rows, "T2m: 2-m air temperature (C)"]) + "\r\n")
    return path


@pytest.mark.closed_form("an hour in UTC at 105° east is seven hours later by the sun")
@pytest.mark.parametrize("name", ["tmy.csv", "tmy.json"])
def test_pvgis_gives_days_of_the_place(tmp_path, name):
    year = read_typical_year(write_pvgis(tmp_path / name), "pvgis")
    assert (year.latitude, year.longitude, year.elevation_m) == (20.0, 105.0, 310.0)
    np.testing.assert_allclose(year.daily["rs_mj_m2"], 12 * 500 * 0.0036)
    np.testing.assert_allclose(year.daily["diffuse_fraction"], 0.25)
    hot = year.daily.index[year.daily["tmax_c"] == 40.0]
    assert list(hot) == [(6, 2)], "20:00 UTC is 03:00 of the next day there"


def test_pvgis_is_known_by_its_first_line_and_asks_for_rain(tmp_path):
    path = write_pvgis(tmp_path / "tmy.csv")
    with pytest.raises(InputError, match="no honest rain series"):
        read_weather(path, options=WeatherOptions())
    dates = pd.date_range("2019-01-01", "2020-12-31")
    rain = pd.DataFrame({"date": dates, "rain_mm": np.where(np.arange(731) % 5, 0.0, 6.0)})
    rain.to_csv(tmp_path / "rain.csv", index=False)
    climate = read_weather(path, options=WeatherOptions(rain_file=tmp_path / "rain.csv"))
    assert climate.elevation_m == 310.0
    assert len(climate.daily) == 731
    assert any("PVGIS" in text for text in climate.warnings)
    (tmp_path / "cut.csv").write_text("\n".join(path.read_text().splitlines()[:400]))
    with pytest.raises(InputError, match="PVGIS"):
        read_weather(tmp_path / "cut.csv", kind="pvgis", options=WeatherOptions())


def write_crn(path, days=3, light=300):
    """Five-minute lines by the network's table of widths, ends of steps, UTC five hours later."""
    lines = []
    for k in range(days * 288):
        local = pd.Timestamp("2021-06-01 00:05") + pd.Timedelta(minutes=5 * k)
        utc = local + pd.Timedelta(hours=5)
        noon = 9 <= (local - pd.Timedelta(minutes=5)).hour < 15
        air = 30.0 if noon else 18.0
        rain = 0.2 if k % 288 == 100 else 0.0
        wrong = 3 if k == 2 * 288 + 150 else 0  # one value of the last day is flagged
        lines.append(
            f"53131 {utc:%Y%m%d} {utc:%H%M} {local:%Y%m%d} {local:%H%M}  2.622 "
            f"{-84.5:7.2f} {33.78:7.2f} {air:7.1f} {rain:7.1f} {light if noon else 0:6d} {wrong} "
            f"{20.0:7.1f} C 0 {60:5d} 0 {0.2:7.3f} {20.0:7.1f} {1000:5d} 0 {2.0:6.2f} 0"
        )
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.closed_form("288 five-minute steps are a day; six hours of 300 W/m² are 6.48 MJ/m²")
def test_crn_gives_days_with_rain_sun_and_wind(tmp_path):
    path = write_crn(tmp_path / "CRNS0101-05-2021-GA.txt")
    climate = read_weather(path, options=WeatherOptions(elevation_m=300.0))
    daily = climate.daily
    assert [f"{day:%m-%d}" for day in daily.index] == ["06-01", "06-02", "06-03"]
    np.testing.assert_allclose(daily["rain_mm"], 0.2)
    np.testing.assert_allclose(daily["rs_mj_m2"].iloc[:2], 6 * 300 * 0.0036)
    np.testing.assert_allclose(daily["tmin_c"], 18.0)
    np.testing.assert_allclose(daily["tmax_c"], 30.0)
    np.testing.assert_allclose(daily["wind_2m_m_s"], wind_at_2m(np.array([2.0]), 1.5)[0])
    assert any("CRN" in text or "Reference Network" in text for text in climate.warnings)
    path.write_text("")
    with pytest.raises(InputError, match="no row"):
        read_weather(path, kind="crn", options=WeatherOptions(elevation_m=300.0))
    path.write_text("no weather\n")
    with pytest.raises(InputError, match="CRN"):
        read_weather(path, kind="crn", options=WeatherOptions(elevation_m=300.0))
