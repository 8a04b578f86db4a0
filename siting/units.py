"""Metric inside; feet, inches, gallons and acres only at the edges.

The factors are exact by definition: 1 ft = 0.3048 m, 1 in = 25.4 mm, 1 US gal = 231 in³, 1 acre =
43,560 ft² (international foot; NIST Handbook 44, Appendix C).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from siting.language import Figure, say

UnitsName = Literal["metric", "us"]
Quantity = Literal[
    "length",
    "depth",
    "area",
    "volume",
    "rate",
    "depth_per_day",
    "temperature",
    "volume_price",
    "length_price",
]
FOOT_M: Final = 0.3048
INCH_MM: Final = 25.4
GALLON_M3: Final = 231 * 0.0254**3
#: Units of length that an input may be written in, in metres.
LENGTH_UNITS_M: Final = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "ft": FOOT_M,
    "in": FOOT_M / 12,
    "us_survey_ft": 1200 / 3937,
}


@dataclass(frozen=True)
class _Edge:
    """How one quantity looks at the edge: label, factor from metric, offset, decimals."""

    label: str
    factor: float = 1.0
    offset: float = 0.0
    decimals: int = 1


# Inside: length [m], depth [mm], area [m²], volume [m³], rate [mm/h], temperature [°C].
QUANTITIES: Final[dict[Quantity, dict[UnitsName, _Edge]]] = {
    "length": {"metric": _Edge("m", decimals=2), "us": _Edge(say("ft"), 1 / FOOT_M)},
    "depth": {"metric": _Edge("mm", decimals=0), "us": _Edge(say("in"), 1 / INCH_MM, decimals=2)},
    "area": {
        "metric": _Edge("m²", decimals=0),
        "us": _Edge(say("ft²"), 1 / FOOT_M**2, decimals=0),
    },
    "volume": {
        "metric": _Edge("m³", decimals=0),
        "us": _Edge(say("gal"), 1 / GALLON_M3, decimals=0),
    },
    "rate": {"metric": _Edge("mm/h"), "us": _Edge(say("in/h"), 1 / INCH_MM, decimals=2)},
    "depth_per_day": {"metric": _Edge("mm/d"), "us": _Edge(say("in/d"), 1 / INCH_MM, decimals=2)},
    "temperature": {"metric": _Edge("°C"), "us": _Edge("°F", 9 / 5, 32.0, 0)},
    "volume_price": {
        "metric": _Edge(say("per m³"), decimals=2),
        "us": _Edge(say("per 1,000 gal"), 1000 * GALLON_M3, decimals=2),
    },
    "length_price": {
        "metric": _Edge(say("per m"), decimals=2),
        "us": _Edge(say("per ft"), FOOT_M, decimals=2),
    },
}


def convert(value: float, quantity: Quantity, units: UnitsName) -> float:
    """Convert a metric value to the units in which it is shown.

    value: in the inside unit of the quantity [m, mm, m², m³, mm/h, mm/d, °C, 1/m³, 1/m]; units
    {"metric", "us"}: how to show it. Result: the value in the shown unit; see `unit_label`.

    >>> round(convert(25.4, "depth", "us"), 6)
    1.0
    """
    edge = QUANTITIES[quantity][units]
    return value * edge.factor + edge.offset


def unit_label(quantity: Quantity, units: UnitsName) -> str:
    """Return the label of the unit in which a quantity is shown.

    units {"metric", "us"}: how to show it.

    >>> unit_label("rate", "us")
    'in/h'
    """
    return QUANTITIES[quantity][units].label


def show(value: float, quantity: Quantity, units: UnitsName, *, decimals: int | None = None) -> str:
    """Return a value as people read it, with its unit.

    units {"metric", "us"}: how to show it; decimals: digits after the point, the default suits the
    quantity. Result: number, space, unit; an en dash when the value is unknown.

    >>> show(1.5, "length", "us")
    '4.9 ft'
    >>> show(12.34, "volume", "metric")
    '12 m³'
    """
    edge = QUANTITIES[quantity][units]
    digits = edge.decimals if decimals is None else decimals
    number = figure(convert(value, quantity, units), digits)
    if not math.isfinite(value):
        return number
    return say("{number} {unit}", number=number, unit=edge.label)


def figure(value: float | None, decimals: int = 0) -> str:
    """Return a plain number as people read it: the one way from a number to a sentence.

    Result: with commas between thousands and no minus before a zero; an en dash when it is unknown
    or not finite.

    >>> figure(1234.5), figure(-0.2), figure(float("nan")), figure(None)
    ('1,234', '0', '–', '–')
    """
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:,.{decimals}f}"
    return Figure(text.removeprefix("-") if not text.strip("-0.,") else text)
