"""Numbers and names as a crew reads them."""

from __future__ import annotations

import math
import unicodedata
from typing import Final

from siting.language import Figure, say
from siting.units import FOOT_M, UnitsName, convert, show

_INCHES_PER_FOOT: Final = 12
#: Unicode categories that never print: control, format (joiners, direction overrides), surrogate.
_SILENT: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})


def clean(text: object) -> str:
    """Return any text as one printable line: no control, direction or surrogate characters.

    >>> clean("bed" + chr(10) + "by the" + chr(0x202E) + " wall")
    'bed by the wall'
    """
    if text is None or (isinstance(text, float) and math.isnan(text)):
        return ""
    words = str(text)
    if words.isascii() and words.isprintable():
        return " ".join(words.split())
    kept = (c for c in words if c.isspace() or unicodedata.category(c) not in _SILENT)
    return " ".join("".join(kept).split())


def elide(text: str, length: int) -> str:
    """Cut a text to a number of characters, with an ellipsis when something was cut.

    >>> elide("by the north door", 8)
    'by the…'
    """
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def tape(metres: float, units: UnitsName) -> str:
    """Return a distance as read on a tape: centimetres, or feet and inches.

    metres: the distance [m]; units {"metric", "us"}: how to show it. Result: rounded to 1 cm or 1
    in; an en dash when unknown.

    >>> tape(3.759, "us"), tape(3.759, "metric"), tape(0.29, "us")
    ('12 ft 4 in', '3.76 m', '11 in')
    """
    if not math.isfinite(metres):
        return "–"
    if units == "metric":
        return say("{number} {unit}", number=Figure(f"{metres:.2f}"), unit="m")
    feet, inches = divmod(round(metres / FOOT_M * _INCHES_PER_FOOT), _INCHES_PER_FOOT)
    if not feet:
        return say("{number} {unit}", number=Figure(inches), unit=say("in"))
    return say("{feet} ft {inches} in", feet=Figure(feet), inches=Figure(inches))


def run(metres: float, units: UnitsName) -> str:
    """Return a length to buy or dig, of wire or trench: decimetres, or whole feet.

    >>> run(9.81, "us"), run(9.81, "metric")
    ('32 ft', '9.8 m')
    """
    return show(metres, "length", units, decimals=1 if units == "metric" else 0)


def depth(metres: float, units: UnitsName) -> str:
    """Return a burial depth: millimetres, or inches to the nearest half.

    >>> depth(0.0762, "us"), depth(0.0762, "metric"), depth(0.165, "us")
    ('3 in', '76 mm', '6.5 in')
    """
    if not math.isfinite(metres):
        return "–"
    if units == "metric":
        return say("{number} {unit}", number=Figure(f"{metres * 1000:.0f}"), unit="mm")
    inches = Figure(f"{round(convert(metres * 1000, 'depth', units) * 2) / 2:g}")
    return say("{number} {unit}", number=inches, unit=say("in"))


def number(value: float | None, decimals: int = 0) -> str:
    """Return a number with thousands separated; an en dash when unknown.

    >>> number(1234.5), number(float("nan")), number(-0.001)
    ('1,234', '–', '0')
    """
    if value is None or not math.isfinite(value):
        return "–"
    return Figure(f"{round(value, decimals) + 0.0:,.{decimals}f}")


def percent(value: float) -> str:
    """Return a share as a whole percentage; an en dash when unknown.

    >>> percent(0.874), percent(float("nan"))
    ('87%', '–')
    """
    if not math.isfinite(value):
        return "–"
    return say("{number}%", number=Figure(f"{value:.0%}"[:-1]))


def money(value: float | None, currency: str) -> str:
    """Return an amount with its currency; an en dash when unknown.

    >>> money(1203.4, "USD"), money(-24.0, "USD"), money(None, "USD")
    ('USD 1,203', '−USD 24', '–')
    """
    if value is None or not math.isfinite(value):
        return "–"
    sign = "−" if round(value) < 0 else ""
    return f"{sign}{currency} {number(abs(value))}"
