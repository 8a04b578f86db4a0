"""Base maps from the network: only for the separate online map, and only when asked for."""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import urlsplit

from xyzservices import TileProvider, providers

__all__ = ["basemaps", "hosts"]

_PROVIDERS: Final[dict[str, TileProvider]] = {
    "Street map (online)": providers.OpenStreetMap.Mapnik,
    "Aerial photo of the US (online)": providers.USGS.USImagery,
}


def basemaps() -> list[dict[str, Any]]:
    """Return the base maps: label, url of the tiles, attribution and deepest zoom.

    Result: addresses and attributions are those of the `xyzservices` package; neither needs a key.
    """
    return [
        {
            "label": label,
            "url": provider["url"],
            "attribution": provider["html_attribution"],
            "max_zoom": int(provider["max_zoom"]),
        }
        for label, provider in _PROVIDERS.items()
    ]


def hosts() -> list[str]:
    """Return the origins that the tiles come from, for the page's policy."""
    split = [urlsplit(provider["url"]) for provider in _PROVIDERS.values()]
    return [f"{url.scheme}://{url.netloc}" for url in split]
