"""The table [weather] of a property file."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from siting.extensions import list_extensions
from siting.site.layerkeys import find_file
from siting.site.settings import WEATHER_FORMATS, WEATHER_SOURCES, WeatherSource
from siting.site.tomltable import NumberKey, TomlTable
from siting.units import FOOT_M, INCH_MM

__all__ = ["NO_WEATHER", "WEATHER_KEYS", "read_weather_table"]

#: What stands for the weather of a property file that is faulty.
NO_WEATHER: Final = WeatherSource(Path())
_ELEVATION: Final = NumberKey(
    "elevation_m",
    -450,
    6000,
    spellings={"elevation_m": 1.0, "elevation_ft": FOOT_M, "elevation": 1.0},
)
_OTHERS: Final = (
    NumberKey(
        "wind_height_m", 0.5, 200, spellings={"wind_height_m": 1.0, "wind_height_ft": FOOT_M}
    ),
    NumberKey("years", 1, 200, whole=True),
    NumberKey("first_year", 1850, 2200, whole=True),
    NumberKey("seed", 0, 2**32 - 1, whole=True),
    NumberKey("wet_day_mm", 0, 5, spellings={"wet_day_mm": 1.0, "wet_day_in": INCH_MM}),
)
#: Every number of the table.
WEATHER_KEYS: Final = (_ELEVATION, *_OTHERS)
#: Formats whose files say how high the station lies; of the others the user must.
_SAY_HEIGHT: Final = frozenset({"ghcn", "tmy2", "tmy3", "epw", "psm3"})
_GENERATED: Final = ("years", "first_year")


def read_weather_table(top: TomlTable, folder: Path) -> WeatherSource:
    """Return where the weather comes from.

    Parameters
    ----------
    top : TomlTable
        The top of the property file.
    folder : Path
        The property file's folder.

    Returns
    -------
    WeatherSource
        The sound values, defaults elsewhere; faults are noted in the table's file.
    """
    table = top.table("weather")
    if table is None:
        if "weather" not in top:
            top.missing("weather", "a table with file and elevation_m", "Add a table [weather].")
        return NO_WEATHER
    written = table.text("file", required=True)
    kind = table.choice("format", (*WEATHER_FORMATS, *list_extensions("siting.readers")))
    fetch = table.choice("fetch", WEATHER_SOURCES)
    path = _weather_file(table, written, folder, fetched=fetch is not None)
    rain = table.text("rain_file")
    source = WeatherSource(
        path or Path(),
        elevation_m=table.number(_ELEVATION, required=kind not in _SAY_HEIGHT),
        format=kind,
        rain_file=find_file(table, "rain_file", rain, folder) if rain else None,
        station=table.text("station"),
        trust_units=table.flag("trust_units"),
        fetch=fetch,
        **table.numbers(_OTHERS),
    )
    for key in _GENERATED:
        if fetch is not None and key not in table:
            table.missing(key, "the years to fetch", f"Add {key}, as in first_year = 2010.")
    table.finish()
    return source


def _weather_file(
    table: TomlTable, written: str | None, folder: Path, *, fetched: bool
) -> Path | None:
    """Return the path of the file; one that is to be fetched need not be there yet."""
    if written is None:
        return None
    path = (folder / written).absolute()
    if fetched and path.parent.is_dir() and not path.exists():
        return path
    return find_file(table, "file", written, folder)
