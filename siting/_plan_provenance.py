"""What a plan was made from: hashes of the inputs, versions and options."""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from siting import __version__
from siting._plan_weather import weather_files
from siting.site.model import Site
from siting.site.settings import PropertyFile

__all__ = ["provenance"]

#: Libraries whose version can change a number.
_LIBRARIES: Final = (
    "geopandas", "numpy", "pandas", "pvlib", "pyogrio", "pyproj", "rasterio", "scipy", "shapely",
)  # fmt: skip


def provenance(
    site: Site, settings: PropertyFile, *, years: Sequence[int], method: str
) -> dict[str, Any]:
    """Return what the plan was made from.

    Parameters
    ----------
    site : Site
        The property; its sources are hashed.
    settings : PropertyFile
        What the user asked for.
    years : sequence of int
        The weather seasons.
    method : str
        Of the reference ET.

    Returns
    -------
    dict
        siting and libraries (versions), inputs (sha256 by file name), options, weather_seasons and
        reference_et.
    """
    inputs = {Path(name) for name in site.sources} | weather_files(settings.weather)
    inputs.add(settings.path)
    options = asdict(settings)
    for place in ("path", "layers", "weather"):
        del options[place]
    return {
        "siting": __version__,
        "libraries": {name: importlib.metadata.version(name) for name in _LIBRARIES},
        "inputs": {
            path.name: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(inputs, key=lambda path: (path.name, str(path)))
        },
        "options": options,
        "weather_seasons": list(years),
        "reference_et": method,
    }
