"""What a weather reader is told besides the file."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path

from siting.units import UnitsName, show

__all__ = ["WeatherOptions"]


@dataclass(frozen=True)
class WeatherOptions:
    """What a weather reader is told besides the file.

    Parameters
    ----------
    elevation_m : float or None
        Height of the station above the sea; None takes what the file says [m].
    latitude, longitude : float
        Of the property, north and east positive; NaN when unknown [deg].
    rain_file : Path or None
        Daily rain to go with a typical year.
    station : str or None
        The station to take from a file that holds several.
    wind_height_m : float or None
        Height of the wind measurement, where the file does not say it [m].
    years, first_year, seed : int
        How many calendar years to generate from normals, the first of them, and the seed of the
        random numbers [years].
    wet_day_mm : float
        Least rain of a day that the normals count as wet [mm].
    trust_units : bool
        Whether values that look like those of another unit are taken as they are.
    today : date or None
        Later days are refused; the clock's date when None.
    units : {"metric", "us"}
        Units in which heights and distances are told.
    """

    elevation_m: float | None = None
    latitude: float = math.nan
    longitude: float = math.nan
    rain_file: Path | None = None
    station: str | None = None
    wind_height_m: float | None = None
    years: int = 30
    first_year: int = 2001
    seed: int = 1
    wet_day_mm: float = 0.0
    trust_units: bool = False
    today: dt.date | None = None
    units: UnitsName = "metric"

    def height(self, metres: float) -> str:
        """Return a height in the property's units.

        Parameters
        ----------
        metres : float
            The height [m].

        Returns
        -------
        str
            Such as "2 m" or "7 ft".
        """
        return show(metres, "length", self.units, decimals=0)
