"""The one registry of weather formats: a name, and the function that reads it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Final

from siting.climate.daily import read_daily_csv
from siting.climate.ghcn import read_ghcn
from siting.climate.model import Climate
from siting.climate.normals import read_normals
from siting.climate.options import WeatherOptions
from siting.climate.plugged import plugged_reader, read_plugged
from siting.climate.sniff import FORMATS, sniff_format
from siting.climate.typical import TYPICAL_FORMATS, read_typical
from siting.errors import Fault, InputError

__all__ = ["READERS", "Reader", "read_weather"]

Reader = Callable[[Path, WeatherOptions], Climate]


def _daily(path: Path, options: WeatherOptions) -> Climate:
    return read_daily_csv(path, options=options)


#: Format, as in the key `format` under [weather] -> its reader.
READERS: Final[Mapping[str, Reader]] = {
    "daily": _daily,
    "ghcn": read_ghcn,
    **{kind: partial(read_typical, kind=kind) for kind in TYPICAL_FORMATS},
    "normals": read_normals,
}


def read_weather(
    path: Path | str, *, kind: str | None = None, options: WeatherOptions | None = None
) -> Climate:
    """Read weather of any format.

    Parameters
    ----------
    path : Path or str
        The file.
    kind : str, optional
        One of `READERS`, or a format that an installed package brings (see `siting.extensions`);
        told from the first lines when not given, and then said in the warnings unless it is
        siting's own daily layout.
    options : WeatherOptions, optional
        What the readers are told besides the file.

    Returns
    -------
    Climate
        Checked daily weather.

    Raises
    ------
    InputError
        With every fault of the file; when the format is unknown or cannot be told.
    """
    path, options = Path(path), options or WeatherOptions()
    notes: tuple[str, ...] = ()
    if kind is None:
        kind, why = sniff_format(path)
        if kind != "daily":
            notes = (f"{path.name}: read as {FORMATS[kind]}, because {why} (format is not given).",)
    reader, plugged = READERS.get(kind), plugged_reader(kind)
    if reader is None and plugged is not None:
        reader = partial(read_plugged, plugged)
    if reader is None:
        mend = "Correct format under [weather]."
        raise InputError([Fault(path.name, f'format "{kind}"', ", ".join(READERS), mend)])
    climate = reader(path, options)
    return replace(climate, warnings=(*notes, *climate.warnings))
