"""The page transform: true scales from a ladder, metres to points and back. Pure functions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from siting.units import FOOT_M, UnitsName

__all__ = ["LADDER", "POINTS_PER_METRE", "Frame", "check_bar", "fit", "scale_text", "section_scale"]

#: PostScript points on one metre of paper.
POINTS_PER_METRE: Final = 72 / 0.0254

#: Scale denominators: drafting scales in metric; 1 in = so many feet in US units.
LADDER: Final[dict[UnitsName, tuple[int, ...]]] = {
    "metric": (
        50,
        100,
        200,
        250,
        300,
        400,
        500,
        750,
        1000,
        1250,
        1500,
        2000,
        2500,
        5000,
        10_000,
        20_000,
        50_000,
    ),
    "us": tuple(
        12 * ft for ft in (5, 10, 20, 30, 40, 50, 60, 80, 100, 150, 200, 300, 400, 500, 1000, 4000)
    ),
}
_SECTION_LADDER: Final = (2, 4, 5, 10, 20, 50)


@dataclass(frozen=True)
class Frame:
    """A window of the plan on paper, north up.

    x, y: its centre in the working CRS [m]; denominator: one unit of paper is so many on the
    ground; width, height: on paper [pt].
    """

    x: float
    y: float
    denominator: int
    width: float
    height: float

    @property
    def points_per_metre(self) -> float:
        """Points of paper per metre of ground."""
        return POINTS_PER_METRE / self.denominator

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north of what is shown [m]."""
        across = self.width / 2 / self.points_per_metre
        up = self.height / 2 / self.points_per_metre
        return self.x - across, self.y - up, self.x + across, self.y + up

    def to_page(self, x: float, y: float) -> tuple[float, float]:
        """Return where a place is on paper, from the window's lower left corner [pt].

        >>> frame = Frame(0.0, 0.0, 100, 200.0, 200.0)
        >>> round(frame.to_page(2.54, 0.0)[0] - frame.to_page(0.0, 0.0)[0], 6)
        72.0
        """
        scale = self.points_per_metre
        return self.width / 2 + (x - self.x) * scale, self.height / 2 + (y - self.y) * scale


def fit(
    bounds: tuple[float, float, float, float],
    *,
    width: float,
    height: float,
    units: UnitsName,
    centre: tuple[float, float] | None = None,
) -> Frame:
    """Choose the largest scale of the ladder at which a part of the plan fits a window.

    bounds: west, south, east, north of what has to be seen [m]; width, height: of the window [pt];
    units {"metric", "us"}: which ladder; centre: centre of the window, the middle of the bounds by
    default [m]. Result: beyond the ladder's end the denominator is rounded up to whole thousands.

    >>> fit((0, 0, 40, 20), width=500, height=400, units="metric").denominator
    250
    """
    west, south, east, north = bounds
    x, y = centre or ((west + east) / 2, (south + north) / 2)
    across, up = max(x - west, east - x) * 2, max(y - south, north - y) * 2
    least = max(across * POINTS_PER_METRE / width, up * POINTS_PER_METRE / height)
    fitting = [d for d in LADDER[units] if d >= least]
    step = 1000 if units == "metric" else 12_000
    return Frame(x, y, fitting[0] if fitting else math.ceil(least / step) * step, width, height)


def scale_text(denominator: int, units: UnitsName) -> str:
    """Return a scale in words.

    >>> scale_text(250, "metric"), scale_text(240, "us")
    ('Scale 1:250', 'Scale 1 in = 20 ft')
    """
    if units == "metric":
        return f"Scale 1:{denominator:,}"
    return f"Scale 1 in = {denominator // 12:,} ft"


def check_bar(denominator: int, units: UnitsName) -> tuple[float, str, str]:
    """Return a round length to print as a bar, so that anyone can check the printer with a ruler.

    units {"metric", "us"}: round in metres or in feet. Result: what the bar stands for [m]; the
    same in words, and its length on paper.

    >>> check_bar(250, "metric")
    (10.0, '10 m', '40 mm')
    >>> check_bar(240, "us")[1:]
    ('40 ft', '2 in')
    """
    if units == "us":
        feet = 2 * denominator / 12
        return feet * FOOT_M, f"{feet:g} ft", "2 in"
    # 50 mm, or 40 mm where 50 mm is not a whole number of metres (1:50, 1:250, 1:750 ...)
    millimetres = 50 if denominator % 20 == 0 else 40
    metres = denominator * millimetres / 1000
    return metres, f"{metres:g} m", f"{millimetres} mm"


def section_scale(depth_m: float, height: float) -> int:
    """Return the largest section scale at which a depth takes at most half of a height.

    depth_m: depth of burial [m]; height: height of the drawing [pt].

    >>> section_scale(0.075, 120.0), section_scale(0.3, 120.0)
    (4, 20)
    """
    fitting = [d for d in _SECTION_LADDER if depth_m * POINTS_PER_METRE / d <= height / 2]
    return fitting[0] if fitting else math.ceil(depth_m * POINTS_PER_METRE / height * 2)
