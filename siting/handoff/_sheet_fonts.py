"""The sheets' typeface: DejaVu Sans, embedded as a subset, so that names of any script print.

The font files ship with matplotlib, under a free licence. What they lack (Chinese, Japanese and
Korean among it) prints as an empty box; right-to-left text prints letter by letter, unshaped.
"""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Final
from xml.sax.saxutils import escape

import matplotlib as mpl
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from siting.handoff._sheet_text import clean, elide

__all__ = ["BOLD", "SANS", "fit_text", "markup", "printable", "register_fonts", "width_of"]

SANS: Final = "SitingSans"
BOLD: Final = "SitingSans-Bold"
_FILES: Final = {SANS: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
_MISSING: Final = "□"


@functools.cache
def register_fonts() -> frozenset[int]:
    """Register both weights with reportlab, once, and return the code points that both have."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    known: list[frozenset[int]] = []
    for name, file in _FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        known.append(frozenset(font.face.charToGlyph))
    pdfmetrics.registerFontFamily(SANS, normal=SANS, bold=BOLD, italic=SANS, boldItalic=BOLD)
    return known[0] & known[1]


def printable(text: object) -> str:
    """Return text as one line that the font can print; what it lacks becomes an empty box.

    text: any text, None and NaN are empty. Result: without control, direction or surrogate
    characters.
    """
    known = register_fonts()
    return "".join(c if ord(c) in known else _MISSING for c in clean(text))


def markup(text: object, *, longest: int = 600) -> str:
    """Return text for a Paragraph: printable, cut at a length, and with no markup of its own.

    Result: with ``&``, ``<`` and ``>`` escaped.
    """
    return escape(elide(printable(text), longest))


def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """Return how wide a printable text is [pt].

    size: type size [pt]. Result: width on one line [pt].
    """
    register_fonts()
    return float(pdfmetrics.stringWidth(text, BOLD if bold else SANS, size))


def fit_text(text: object, size: float, width: float, *, bold: bool = False) -> str:
    """Cut a text with an ellipsis so that it fits a width [pt].

    size: type size [pt]; width: room for it [pt]. Result: printable; one character is left even
    where none fits.
    """
    whole = printable(text)
    length = len(whole)
    while length > 1 and width_of(elide(whole, length), size, bold=bold) > width:
        length -= 1
    return elide(whole, max(length, 1))
