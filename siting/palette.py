"""The colours of every picture, in one place; our own, and safe for colour-blind readers.

The ramps rise (or fall) in lightness all the way, so that they read in grey and with any kind of
colour vision: water need from straw to deep teal-blue ("more water, deeper blue"), dryness from
mist to burnt umber, sun from dusk to cream. Marks on the map differ in shape and label as well as
in colour, so that no meaning hangs on a hue alone.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siting.arrays import Floats

#: Text, quiet text, lines and grounds.
INK: Final = {
    "text": "#1d2733",
    "quiet": "#4a5866",
    "line": "#c3cbd2",
    "ground": "#f6f4ee",
    "card": "#ffffff",
    "accent": "#7a2554",
    "caution": "#fbe9d0",
    "caution_edge": "#9a4a00",
}
#: The same after dark; the map itself keeps its colours, which mean something.
DARK_INK: Final = {
    "text": "#e6eaee",
    "quiet": "#a9b4be",
    "line": "#3b4651",
    "ground": "#11161b",
    "card": "#1a2128",
    "accent": "#e3a3c9",
    "on_accent": "#1a2128",
    "caution": "#3b2a12",
    "caution_edge": "#f0a95c",
}
#: Water-need score of a zone, low to high.
NEED: Final = ("#f2ecc8", "#bcd9b9", "#7dbcb4", "#3f92a8", "#22638f", "#1c3468")
#: Dryness of a place against the property's mean, moist to dry.
DRYNESS: Final = ("#eef1f4", "#ecdcc0", "#dfb681", "#c08446", "#8d5322", "#542c0e")
#: Hours of direct sun, few to many.
SUN: Final = ("#2b2350", "#5a3f6f", "#93607a", "#c98a75", "#ecc079", "#fdf3c0")
#: Fills and strokes of single things.
MARKS: Final = {
    "boundary": "#1d2733",
    "building": "#8b8f98",
    "building_edge": "#4c515b",
    "paving": "#d8d4cc",
    "paving_edge": "#a39d92",
    "crown": "#5d8a4a",
    "crown_edge": "#3c6330",
    "trunk": "#5b3d22",
    "keepout": "#8a3b12",
    "admissible": "#2f7d57",
    "sensor": "#7a2554",
    "sensor_edge": "#ffffff",
    "trench": "#3f2d1f",
    "wire": "#b0301e",
    "tie": "#1d2733",
    "controller": "#1d4f7a",
    "valve_box": "#2f6b5e",
    "head": "#2173a8",
    "downspout": "#5c4a96",
    "other": "#4a5866",
    "utility": "#a35a00",
    "traffic": "#6b6252",
    "zone_edge": "#2f3b46",
}
_HEX = re.compile(r"#[0-9a-f]{6}")
_AA_SWITCH = 0.179  # relative luminance at which black and white text contrast alike


def _bytes(colour: str) -> tuple[int, int, int]:
    """Split "#rrggbb" into 0..255."""
    if not _HEX.fullmatch(colour):
        message = f"not a colour: {colour!r}"
        raise ValueError(message)
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def ramp_rgb(ramp: tuple[str, ...], fraction: Floats) -> NDArray[np.uint8]:
    """Return the colours of a ramp at many places.

    fraction: place on the ramp, 0..1 (clipped), NaN gives the first colour. Result: red, green,
    blue, shape (*fraction.shape, 3).
    """
    stops = np.array([_bytes(c) for c in ramp], dtype=np.float64)
    place = np.clip(np.nan_to_num(fraction, nan=0.0), 0.0, 1.0) * (len(ramp) - 1)
    nodes = np.arange(len(ramp), dtype=np.float64)
    channels = [np.interp(place, nodes, stops[:, k]) for k in range(3)]
    rgb: NDArray[np.uint8] = np.rint(np.stack(channels, axis=-1)).astype(np.uint8)
    return rgb


def ramp_colour(ramp: tuple[str, ...], fraction: float) -> str:
    """Return the colour of a ramp at one place.

    fraction: place on the ramp, 0..1 (clipped).

    >>> ramp_colour(("#000000", "#ffffff"), 0.2)
    '#333333'
    """
    red, green, blue = ramp_rgb(ramp, np.array([fraction]))[0]
    return f"#{red:02x}{green:02x}{blue:02x}"


def _luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2)."""
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4  # noqa: PLR2004
        for c in (b / 255 for b in _bytes(colour))
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def text_on(colour: str) -> str:
    """Return black-ish or white, whichever reads better on a colour.

    >>> text_on("#f2ecc8"), text_on("#1c3468")
    ('#000000', '#ffffff')
    """
    return "#000000" if _luminance(colour) > _AA_SWITCH else "#ffffff"
