"""What a plan was made from, and what was assumed where the property does not say."""

from __future__ import annotations

import hashlib
import importlib.metadata
import os
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pyogrio
import pyproj
import rasterio
import shapely

from siting import __version__
from siting._plan_weather import weather_files
from siting.site.model import Site
from siting.site.settings import PropertyFile

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["assumptions", "provenance"]

#: Libraries whose version can change a number.
_LIBRARIES: Final = (
    "geopandas", "numpy", "pandas", "pvlib", "pyogrio", "pyproj", "rasterio", "scipy", "shapely",
)  # fmt: skip


def assumptions(settings: PropertyFile, defaults: pd.Series[str]) -> tuple[str, ...]:
    """Say what was assumed where the property does not say.

    Parameters
    ----------
    settings : PropertyFile
        What the user asked for.
    defaults : Series of str
        Index `zone`: which values were assumed, comma-separated.

    Returns
    -------
    tuple of str
        Plain words.
    """
    notes = []
    assumed: dict[str, list[str]] = {}
    for zone, words in defaults.items():
        assumed.setdefault(str(words), []).append(str(zone))
    notes += [f"assumed for {_listed(zones)}: {words}" for words, zones in assumed.items() if words]
    if settings.timer is None:
        notes.append(
            "no [timer]: nothing is known of what runs today"
            + (", so no saving is claimed" if settings.water.bills is None else "")
            + ", and every day may be watered"
        )
    if "on_demand" in settings.control.kinds and settings.control.allowed_days is None:
        notes.append(
            "on-demand control may water on any day of the season; where local rules name the "
            "days, give [control] allowed_days"
        )
    if settings.water.tiers:
        notes.append(
            "the price of water rises in steps: sensors are chosen at its average over the plants' "
            "net need, and money is reckoned month by month on the steps"
        )
    if not settings.water.priced:
        notes.append(
            "no water price: the number of sensors is the least that keeps every zone within its "
            "stress limit, and no money is claimed"
        )
    return tuple(notes)


def _listed(zones: list[str]) -> str:
    """Name zones, or count them where they are many."""
    if len(zones) == 1:
        return f"zone {zones[0]}"
    return f"{len(zones)} zones ({', '.join(zones)})"


def input_files(settings: PropertyFile, site: Site) -> set[Path]:
    """Return every file that a run reads: property file, layers, weather.

    Parameters
    ----------
    settings : PropertyFile
        What the user asked for.
    site : Site
        The property as read.

    Returns
    -------
    set of Path
        The files.
    """
    layers = {Path(name) for name in site.sources}
    return layers | weather_files(settings.weather) | {settings.path}


def provenance(
    site: Site, settings: PropertyFile, *, weather_seasons: Sequence[int], reference_et: str
) -> dict[str, Any]:
    """Return what the plan was made from: hashes of the inputs, versions and options.

    Parameters
    ----------
    site : Site
        The property; its sources are hashed.
    settings : PropertyFile
        What the user asked for.
    weather_seasons : sequence of int
        Years whose seasons were simulated.
    reference_et : str
        The method.

    Returns
    -------
    dict
        Plain values; no path, no time and no name of a machine, so that it is the same anywhere.
    """
    options = asdict(settings)
    for place in ("path", "layers", "weather", "values", "changes"):
        del options[place]
    home = settings.path.parent
    return {
        "siting": __version__,
        "libraries": {
            **{name: importlib.metadata.version(name) for name in _LIBRARIES},
            **_compiled_libraries(),
        },
        "property": settings.path.name,
        "inputs": {
            _from(home, path): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(input_files(settings, site))
        },
        "options": options,
        "changes": dict(settings.changes),
        "weather_seasons": list(weather_seasons),
        "reference_et": reference_et,
    }


def _from(home: Path, path: Path) -> str:
    """Return a path seen from the property's folder, the same on every system."""
    try:
        return Path(os.path.relpath(path, home)).as_posix()
    except ValueError:  # another drive
        return path.name


def _compiled_libraries() -> dict[str, str]:
    """Return what the wheels carry: pyogrio and rasterio each bring a GDAL of their own."""
    return {
        "gdal of pyogrio": ".".join(map(str, pyogrio.__gdal_version__)),
        "gdal of rasterio": rasterio.__gdal_version__,
        "geos of shapely": shapely.geos_version_string,
        "proj of pyproj": pyproj.proj_version_str,
    }
