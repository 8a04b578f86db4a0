"""Weather read by another package, checked as siting's own daily file is."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd

from siting.climate.daily import read_daily_csv
from siting.climate.model import Climate
from siting.climate.options import WeatherOptions
from siting.errors import Fault, InputError
from siting.extensions import Extension, ExtensionError, find_extension

__all__ = ["plugged_reader", "read_plugged"]


def plugged_reader(kind: str) -> Extension | None:
    """Return the reader that another package brings for a format.

    Result: None when no package brings it.
    """
    return find_extension("siting.readers", kind)


def read_plugged(reader: Extension, path: Path, options: WeatherOptions) -> Climate:
    """Read weather with another package's reader.

    Result: its table, written as siting's daily file and read again, so that every check of that
    file holds; a warning names the package.
    """
    try:
        table = reader.call(path, options)
    except ExtensionError as error:
        mend = f"Tell the makers of {reader.package}, or give the weather in another format."
        raise InputError([Fault(path.name, str(error), "a reader that works", mend)]) from error
    if not isinstance(table, pd.DataFrame):
        found = f"{reader} returned {type(table).__name__}"
        mend = f"Tell the makers of {reader.package}."
        raise InputError([Fault(path.name, found, "a DataFrame of daily weather", mend)])
    table = table if "date" in table.columns else table.rename_axis("date").reset_index()
    with tempfile.TemporaryDirectory() as folder:
        # The name of the user's file, for messages.
        copy = Path(folder) / path.with_suffix(".csv").name
        table.to_csv(copy, index=False, date_format="%Y-%m-%d", lineterminator="\n")
        climate = read_daily_csv(copy, options=options)
    note = f"{path.name}: read by {reader}."
    return Climate(climate.daily, climate.elevation_m, path.name, (note, *climate.warnings))
