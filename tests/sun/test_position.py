"""Sun positions: published examples, an independent library, and every part of the globe."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.errors import InputError
from siting.sun.position import MEAN_DAYS, clear_sky_normal, season_positions, sun_at
from tests.tries import tries

DATA = Path(__file__).parents[1] / "data"
ALL_YEAR = tuple(range(1, 13))


def noon(sun, month):
    """Elevation and azimuth of the highest position of a month."""
    on = np.flatnonzero(sun.month == month)
    top = on[np.argmax(sun.elevation[on])]
    return sun.elevation[top], sun.azimuth[top]


@pytest.mark.published("Reda & Andreas 2004, Solar Energy 76(5), appendix A.5 (NREL/TP-560-34302)")
def test_spa_worked_example():
    """2003-10-17 12:30:30 UTC-7, 39.742476 N 105.1786 W, 1830.14 m, 820 mbar, 11 degC, 67 s.

    Published: zenith 50.111622 (refracted), azimuth 194.340241, unrefracted e0 39.872046.
    """
    row = sun_at(
        pd.DatetimeIndex(["2003-10-17 12:30:30-07:00"]),
        39.742476,
        -105.1786,
        altitude_m=1830.14,
        pressure_pa=82_000,
        temperature_c=11,
        delta_t=67,
    ).iloc[0]
    assert 90 - row["apparent_elevation"] == pytest.approx(50.111622, abs=3e-4)
    assert row["azimuth"] == pytest.approx(194.340241, abs=3e-4)
    assert row["elevation"] == pytest.approx(39.872046, abs=3e-4)
    assert row["equation_of_time"] == pytest.approx(14.64, abs=0.01)


@pytest.mark.published("US Naval Observatory, sunrise and sunset 2015, to the minute")
@pytest.mark.parametrize(
    ("latitude", "longitude", "utc_offset", "day", "rise", "set_"),
    [
        (39.0, -105.0, -7, "2015-01-02", "07:19", "16:49"),
        (39.0, -105.0, -7, "2015-04-02", "05:43", "18:24"),
        (39.0, -105.0, -7, "2015-08-02", "05:01", "19:10"),
        (39.0, -105.0, -7, "2015-12-02", "07:01", "16:38"),
        (39.917, 116.383, 8, "2015-01-02", "07:36", "17:00"),
        (39.917, 116.383, 8, "2015-08-02", "05:13", "19:28"),
    ],
)
def test_sunrise_and_sunset(latitude, longitude, utc_offset, day, rise, set_):
    """The true elevation passes -0.833 deg (refraction and half the disc) within 1.5 min."""
    midnight = pd.Timestamp(f"{day} 00:00{utc_offset:+03d}:00")
    minutes = np.arange(1440.0)
    times = pd.DatetimeIndex(midnight + pd.to_timedelta(minutes, unit="min"))
    up = sun_at(times, latitude, longitude)["elevation"].to_numpy() > -0.8333
    found = minutes[np.flatnonzero(np.diff(up))] + 0.5
    published = [int(text[:2]) * 60 + int(text[3:]) for text in (rise, set_)]
    assert found == pytest.approx(published, abs=1.5)


def test_reference_positions():
    """60 positions (5 cities, 4 dates, 3 hours), made with pvlib 0.16.1, to half a last digit."""
    table = pd.read_csv(DATA / "sun_spa_reference_positions.csv", parse_dates=["utc"])
    assert len(table) == 60
    for row in table.itertuples():
        place = row.lat, row.lon
        found = sun_at(pd.DatetimeIndex([row.utc]), *place, altitude_m=row.alt_m).iloc[0]
        assert found["elevation"] == pytest.approx(row.elevation_true, abs=1e-3)
        assert found["azimuth"] == pytest.approx(row.azimuth, abs=1e-3)


@pytest.mark.closed_form("Closed form: noon elevation = 90 - |latitude - declination|")
def test_noon_elevation_at_the_solstices():
    """28.5 N: 84.94 deg on 20 June 2024 and 38.06 on 21 December (declination +-23.44)."""
    for day, published in (("2024-06-20", 84.937), ("2024-12-21", 38.060)):
        times = pd.date_range(f"{day} 16:00", f"{day} 19:00", freq="1min", tz="UTC")
        found = sun_at(times, 28.5, -81.38)["elevation"].max()
        assert found == pytest.approx(published, abs=0.01)


@pytest.mark.published("Klein 1977, Solar Energy 19(4), 325-329, table 1: mean days")
def test_mean_days():
    """17 Jan, 16 Feb, 16 Mar, 15 Apr, 15 May, 11 Jun, 17 Jul, 16 Aug, ... and day numbers."""
    days = zip(ALL_YEAR, MEAN_DAYS, strict=True)
    numbers = [pd.Timestamp(2023, month, day).day_of_year for month, day in days]
    assert numbers == [17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344]


@tries(15)
@given(st.floats(-180, 180))
def test_longitude_hardly_matters(longitude):
    """Solar time: only the sun's own motion within a day is left, below 0.25 deg."""
    here = season_positions(40.0, longitude, months=(3,), minutes=30)
    there = season_positions(40.0, 0.0, months=(3,), minutes=30)
    assert here.elevation == pytest.approx(there.elevation, abs=0.25)
    assert here.hours.sum() == there.hours.sum()


@pytest.mark.closed_form("FAO-56 equation 34, daylight hours N on the 15th, 40 N")
def test_hours_sum_to_the_day_length():
    """N = 24 ws / pi at 40 N: 9.5 h in January, 14.8 in June; both have a geometric horizon."""
    sun = season_positions(40.0, 10.0, months=(1, 6))
    assert sun.hours[sun.month == 1].sum() == pytest.approx(9.5, abs=0.25)
    assert sun.hours[sun.month == 6].sum() == pytest.approx(14.8, abs=0.25)


def test_southern_hemisphere_has_the_sun_in_the_north():
    sun = season_positions(-35.0, 149.0, months=(1, 7), minutes=20)
    assert abs((noon(sun, 7)[1] + 180) % 360 - 180) < 8
    assert noon(sun, 1)[0] > noon(sun, 7)[0]


def test_tropics_have_the_sun_north_and_south():
    sun = season_positions(5.0, 100.0, months=(6, 12), minutes=10)
    assert min(noon(sun, 6)[1], 360 - noon(sun, 6)[1]) < 10
    assert noon(sun, 12)[1] == pytest.approx(180, abs=10)


def test_polar_night_has_no_rows_and_midnight_sun_has_all():
    sun = season_positions(78.0, 15.6, months=(12, 6), minutes=30)
    assert set(sun.month) == {6}
    assert sun.hours.sum() == 24
    dark = season_positions(78.0, 15.6, months=(12,))
    assert len(dark.month) == len(dark.beam) == 0


def test_clear_sky_beam_lies_within_what_reaches_the_air():
    """A clear sky passes more than half, and less than nine tenths, of Ra as beam.

    FAO-56 table 2.6, 40 N: Ra in June 41.8 MJ m-2 d-1.
    """
    sun = season_positions(40.0, 0.0, months=(6,))
    assert 0.5 < sun.beam.sum() / 41.8 < 0.9
    assert (sun.beam > 0).all()


@pytest.mark.closed_form("Meinel & Meinel 1976: I = I0 * 0.7 ** (AM ** 0.678)")
def test_clear_sky_normal_at_air_mass_one_and_two():
    """With I0 1367 / day 94 (sun at 1 AU): 0.7 at AM 1; at 30 deg (AM 2) 0.7 ** 1.6 = 0.565."""
    found = clear_sky_normal(np.array([90.0, 30.0]), np.array([94, 94])) / 1366.1
    assert found == pytest.approx([0.70, 0.565], abs=0.004)


def test_the_sun_and_a_clear_sky_are_pvlibs_to_the_bit():
    """The package is not imported for them: only its file of the algorithm is."""
    from pvlib import atmosphere, irradiance, solarposition

    times = pd.date_range("2023-06-11 00:05", periods=144, freq="10min", tz="Etc/GMT-3")
    found = sun_at(times, -33.4, 18.5, altitude_m=120.0, pressure_pa=99_000.0, delta_t=69.0)
    theirs = solarposition.spa_python(times, -33.4, 18.5, 120.0, 99_000.0, delta_t=69.0)
    pd.testing.assert_frame_equal(found, theirs[list(found)], check_exact=True)
    up = found["elevation"].to_numpy()[found["elevation"] > 0]
    day = np.arange(len(up)) + 100
    mass = atmosphere.get_relative_airmass(90 - up, model="young1994")
    outside = irradiance.get_extra_radiation(day, method="spencer")
    assert np.array_equal(clear_sky_normal(up, day), outside * 0.7 ** (mass**0.678))


def test_all_faults_at_once():
    with pytest.raises(InputError) as caught:
        season_positions(95.0, 200.0, months=(0, 13), minutes=7)
    assert [fault.column for fault in caught.value.faults] == [
        "latitude",
        "longitude",
        "months",
        "minutes",
    ]


@pytest.mark.parametrize("latitude", [51.0, -33.9, 2.0, 68.0])
def test_afternoon_mirrors_morning(latitude):
    """So that a mirrored drawing gets mirrored sun."""
    for month in range(1, 13):
        sun = season_positions(latitude, 20.0, months=(month,))
        east = np.cos(np.radians(sun.elevation)) * np.sin(np.radians(sun.azimuth))
        north = np.cos(np.radians(sun.elevation)) * np.cos(np.radians(sun.azimuth))
        np.testing.assert_allclose(east, -east[::-1], atol=1e-12)
        np.testing.assert_allclose(north, north[::-1], atol=1e-12)
        np.testing.assert_allclose(sun.elevation, sun.elevation[::-1], atol=1e-9)
        np.testing.assert_allclose(sun.beam, sun.beam[::-1], rtol=1e-9)
