"""How many positions of the sun a season needs: the error of grouping them."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from siting.sun.light import ShadeOptions
from siting.sun.position import SunPositions, SunShade, clear_sky_normal, season_positions, sun_at
from tests.benchmarks.scene import SCENES
from tests.sun_cases import shade_season

__all__ = ["grouped_errors"]

_MONTHS: Final = (4, 5, 6, 7, 8, 9, 10)
_LATITUDE, _LONGITUDE, _YEAR = 50.0, 14.0, 2023
_ALL = 31
_FINE: Final = 5  # minutes between the positions of the truth
_TRIES: Final = ((1, 60), (1, 30), (1, 20), (1, 15), (1, 10), (1, 5), (2, 15), (3, 15), (3, 5))


def spread_positions(days: int, minutes: int) -> SunPositions:
    """Take so many days of each month, evenly spread, at the middle of every step of the day."""
    parts = []
    for month in _MONTHS:
        first = pd.Timestamp(_YEAR, month, 1, tz="UTC")
        many = min(days, first.days_in_month)
        for i in range(many):
            day = first + pd.Timedelta(days=int((i + 0.5) * first.days_in_month / many))
            steps = np.arange(minutes / 2, 1440, minutes) - 4 * _LONGITUDE
            table = sun_at(
                pd.DatetimeIndex(day + pd.to_timedelta(steps, unit="min")), _LATITUDE, _LONGITUDE
            )
            table = table[table["elevation"] > 0]
            more = {"month": month, "hours": minutes / 60 / many, "day": day.day_of_year}
            parts.append(table.assign(**more))
    table = pd.concat(parts)
    elevation = table["elevation"].to_numpy(dtype=np.float64)
    hours = table["hours"].to_numpy(dtype=np.float64)
    normal = clear_sky_normal(elevation, table["day"].to_numpy(dtype=np.int64))
    return SunPositions(
        table["month"].to_numpy(dtype=np.int64),
        elevation,
        table["azimuth"].to_numpy(dtype=np.float64),
        hours,
        normal * np.sin(np.radians(elevation)) * hours * 3600e-6,
    )


def grouped_errors() -> list[tuple[int, int, int, float, float, float]]:
    """Compare grouped positions with all days of the season.

    Returns
    -------
    list of tuple
        Days of a month, minutes, positions; mean and 95th percentile of the absolute error of sun
        hours [min/d]; mean absolute error of the beam fraction [%].
    """
    town = SCENES["1 ha"]()
    layers = {"buildings": town.buildings, "trees": town.buildings.iloc[:0]}

    def season(sun: SunPositions) -> SunShade:
        options = ShadeOptions(threads=2, sky_directions=4)
        return shade_season(town.grid, sun, options=options, **layers)

    truth = season(spread_positions(_ALL, _FINE))
    ground = ~np.isnan(truth.sky_view)
    found = []
    for days, minutes in _TRIES:
        sun = (
            season_positions(_LATITUDE, _LONGITUDE, months=_MONTHS, minutes=minutes)
            if days == 1
            else spread_positions(days, minutes)
        )
        ours = season(sun)
        off = 60 * np.abs(ours.sun_hours - truth.sun_hours)[:, ground]
        beam = 100 * np.abs(ours.beam_fraction - truth.beam_fraction)[:, ground]
        most = float(np.percentile(off, 95))
        found.append((days, minutes, len(sun.hours), float(off.mean()), most, float(beam.mean())))
    return found
