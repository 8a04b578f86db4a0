"""The colours of every hand-off: see `siting.palette`."""

from __future__ import annotations

from siting.palette import (
    DRYNESS,
    INK,
    MARKS,
    NEED,
    SUN,
    contrast,
    ramp_colour,
    ramp_rgb,
    text_on,
)

__all__ = [
    "DRYNESS",
    "INK",
    "MARKS",
    "NEED",
    "SUN",
    "contrast",
    "ramp_colour",
    "ramp_rgb",
    "text_on",
]
