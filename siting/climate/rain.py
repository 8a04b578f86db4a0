"""Daily rain alone, to go with a typical year."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from siting.climate.daily import read_daily_rain
from siting.climate.ghcn import read_ghcn_rain
from siting.climate.options import WeatherOptions
from siting.climate.sniff import FORMATS, sniff_format
from siting.errors import Fault, InputError

__all__ = ["read_rain"]


def read_rain(path: Path, *, options: WeatherOptions) -> tuple[pd.Series, list[str]]:
    """Read the rain of a daily CSV in siting's layout or of a GHCN-Daily file.

    Result: sorted days, NaN where it is unknown [mm]; what was dropped or assumed.
    """
    name, why = sniff_format(path)
    if name == "daily":
        return read_daily_rain(path, options=options)
    if name == "ghcn":
        rain, warnings = read_ghcn_rain(path, options=options)
        return rain, [f"{path.name}: read as {FORMATS[name]}, because {why}.", *warnings]
    mend = "Give a daily CSV with date and rain_mm, or a GHCN-Daily file."
    raise InputError([Fault(path.name, FORMATS[name], "measured daily rain", mend)])
