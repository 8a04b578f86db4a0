"""Whole seasons side by side: leap days, seasons across the new year, gaps."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.climate.model import Climate, season_calendar
from siting.errors import InputError, PlanError
from tests.tries import tries


def record(first, last, *, drop=()):
    """Weather whose rain is 1 mm on every day."""
    index = pd.date_range(first, last, freq="D", name="date").drop(pd.DatetimeIndex(drop))
    daily = pd.DataFrame({"rain_mm": np.ones(len(index))}, index=index)
    return Climate(daily, 10.0, "weather.csv")


def test_whole_years_without_leap_days():
    seasons = season_calendar(record("2019-01-01", "2021-12-31"), start=(1, 1), end=(12, 31))
    assert seasons.years == (2019, 2020, 2021)
    assert seasons.dates.shape == seasons.rows.shape == seasons.rain_mm.shape == (365, 3)
    assert not np.isin(np.datetime64("2020-02-29"), seasons.dates)
    # The leap day's rain falls on 1 March, the 60th day of every season.
    np.testing.assert_array_equal(seasons.rain_mm[59], [1, 2, 1])
    np.testing.assert_array_equal(seasons.rain_mm.sum(axis=0), [365, 366, 365])
    np.testing.assert_array_equal(
        np.bincount(seasons.month)[1:], [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    )


def test_rows_point_at_the_days():
    climate = record("2019-01-01", "2021-12-31")
    seasons = season_calendar(climate, start=(3, 15), end=(10, 20))
    found = climate.daily.index.to_numpy()[seasons.rows].astype("datetime64[D]")
    np.testing.assert_array_equal(found, seasons.dates)
    assert str(seasons.dates[0, 1]) == "2020-03-15"
    assert str(seasons.dates[-1, 2]) == "2021-10-20"
    of_days = [day.month for day in seasons.dates[:, 0].astype(object)]
    np.testing.assert_array_equal(seasons.month, of_days)


def test_season_across_the_new_year():
    seasons = season_calendar(record("2018-06-01", "2021-06-30"), start=(10, 1), end=(4, 30))
    assert seasons.years == (2018, 2019, 2020)
    assert seasons.dates.shape == (212, 3)
    assert str(seasons.dates[-1, 1]) == "2020-04-30"
    assert seasons.month[0] == 10
    assert seasons.month[-1] == 4
    np.testing.assert_array_equal(seasons.rain_mm.sum(axis=0), [212, 213, 212])


def test_cut_off_and_broken_seasons_are_left_out():
    climate = record("2017-05-01", "2021-08-31", drop=["2019-07-04"])
    seasons = season_calendar(climate, start=(4, 1), end=(9, 30))
    assert seasons.years == (2018, 2020)


@pytest.mark.parametrize(
    ("start", "end", "days", "leap_rain"),
    [
        ((2, 29), (3, 31), 31, 31),  # starts on 1 March; the leap day is before the season
        ((3, 1), (3, 31), 31, 31),
        ((2, 1), (2, 29), 28, 28),  # ends on 28 February
        ((2, 28), (3, 1), 2, 3),
        ((5, 7), (5, 7), 1, 1),
    ],
)
def test_edges_at_the_leap_day(start, end, days, leap_rain):
    seasons = season_calendar(record("2020-01-01", "2021-12-31"), start=start, end=end)
    assert seasons.years == (2020, 2021)
    np.testing.assert_array_equal(seasons.rain_mm.sum(axis=0), [leap_rain, days])


def test_missing_leap_day_breaks_the_season():
    climate = record("2020-01-01", "2021-12-31", drop=["2020-02-29"])
    assert season_calendar(climate, start=(1, 1), end=(12, 31)).years == (2021,)


def test_no_whole_season_is_said_plainly():
    with pytest.raises(PlanError, match=r"no whole season from 03-01 to 11-30.*2021-01-01"):
        season_calendar(record("2021-01-01", "2021-06-30"), start=(3, 1), end=(11, 30))
    empty = Climate(pd.DataFrame({"rain_mm": []}, index=pd.DatetimeIndex([])), 1.0, "x.csv")
    with pytest.raises(PlanError, match="no usable day"):
        season_calendar(empty, start=(3, 1), end=(11, 30))


def test_days_that_do_not_exist_are_refused_together():
    with pytest.raises(InputError) as caught:
        season_calendar(record("2021-01-01", "2021-12-31"), start=(2, 30), end=(13, 1))
    assert [f.column for f in caught.value.faults] == ["start", "end"]


@tries(40)
@given(
    start=st.dates(pd.Timestamp("2021-01-01").date(), pd.Timestamp("2021-12-31").date()),
    end=st.dates(pd.Timestamp("2021-01-01").date(), pd.Timestamp("2021-12-31").date()),
)
def test_seasons_are_equally_long_and_rain_is_kept(start, end):
    climate = record("2015-01-01", "2021-12-31")
    seasons = season_calendar(climate, start=(start.month, start.day), end=(end.month, end.day))
    length = (end - start).days % 365 + 1
    assert seasons.dates.shape == (length, len(seasons.years))
    assert len(seasons.years) == (7 if end >= start else 6)
    # Rain of 1 mm on each calendar day between the first and the last day, leap days included.
    span = (seasons.dates[-1] - seasons.dates[0]).astype(int) + 1
    np.testing.assert_allclose(seasons.rain_mm.sum(axis=0), span)
