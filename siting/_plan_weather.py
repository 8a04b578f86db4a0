"""The weather of a property: its settings handed to the readers, and to the fetch when allowed."""

from __future__ import annotations

import math
from pathlib import Path

from siting.climate.model import Climate
from siting.climate.options import WeatherOptions
from siting.climate.readers import read_weather
from siting.errors import Fault, InputError
from siting.site.settings import PropertyFile, WeatherSource

__all__ = ["property_weather", "weather_files"]


def property_weather(
    settings: PropertyFile,
    *,
    latitude: float = math.nan,
    longitude: float = math.nan,
    fetch: bool = False,
) -> Climate:
    """Read the weather that a property file names.

    Parameters
    ----------
    settings : PropertyFile
        The property file.
    latitude, longitude : float
        Of the property; NaN when its layers are faulty, and the weather read only for its faults
        [deg].
    fetch : bool
        Whether weather may be fetched over the network, when the property file asks for it and
        its file is not there yet.

    Returns
    -------
    Climate
        Checked daily weather.

    Raises
    ------
    InputError
        With every fault of the weather.
    """
    source = settings.weather
    if source.fetch is not None and not source.path.exists():
        _fetch(source, settings.path.name, latitude, longitude, allowed=fetch)
    options = WeatherOptions(
        elevation_m=source.elevation_m,
        latitude=latitude,
        longitude=longitude,
        rain_file=source.rain_file,
        station=source.station,
        wind_height_m=source.wind_height_m,
        years=source.years,
        first_year=source.first_year,
        seed=source.seed,
        wet_day_mm=source.wet_day_mm,
        trust_units=source.trust_units,
        units=settings.units,
    )
    return read_weather(source.path, kind=source.format, options=options)


def weather_files(source: WeatherSource) -> set[Path]:
    """Return every file that the weather is read from, for provenance.

    Parameters
    ----------
    source : WeatherSource
        Where the weather comes from.

    Returns
    -------
    set of Path
        The weather file, and that of measured rain where there is one.
    """
    return {source.path} | ({source.rain_file} if source.rain_file else set())


def _fetch(
    source: WeatherSource, file: str, latitude: float, longitude: float, *, allowed: bool
) -> None:
    """Fetch the weather into its file, or say that this was not asked for."""
    if not allowed or math.isnan(latitude):
        found = f'fetch = "{source.fetch}" and no {source.path.name} yet'
        mend = (
            "Nothing is fetched unless asked for at run time: allow it for one run with "
            "--fetch-weather (fetch=True in Python), or put a weather file there."
        )
        wanted = "a weather file, or leave to use the network"
        raise InputError([Fault(file, found, wanted, mend, layer="weather", column="fetch")])
    from siting.climate.fetch import fetch_weather  # noqa: PLC0415  (only when it is wanted)

    fetch_weather(
        source.path,
        str(source.fetch),
        latitude=latitude,
        longitude=longitude,
        first_year=source.first_year,
        years=source.years,
    )
