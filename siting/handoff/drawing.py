"""Drawing on paper: a pen in the property's metres, fonts, a frame at a round scale, charts.

The font files ship with matplotlib, under a free licence; they hold Latin, Greek, Cyrillic, Hebrew
and Arabic. What they lack is never an empty box: kana and hangul are spelled as Unicode names them,
a picture sign is named, and of other scripts it says how many letters stand there (the map and the
files show them as they are).

Right-to-left names are joined and set from the right. Joining takes the forms of Unicode's own
compatibility decompositions; the order follows Unicode Standard Annex 9 for a line that runs from
the left, without explicit marks, which are left out of every name. Line breaks within such a name
are not looked at: it is short.
"""

from __future__ import annotations

import functools
import math
import re
import unicodedata
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from importlib.util import find_spec
from itertools import groupby
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import escape

import geopandas as gpd
import numpy as np
import shapely
from reportlab.lib.colors import HexColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats
from siting.handoff.facts import clean, elide, is_crowded
from siting.handoff.tags import Tag, tagged
from siting.language import ENGLISH, Figure, Language, say
from siting.palette import INK, MARKS, text_on
from siting.planning.model import Plan
from siting.units import FOOT_M, UnitsName

#: Spelled by the last word of a letter's Unicode name.
_SPELLED: Final = ("HIRAGANA LETTER", "KATAKANA LETTER", "HANGUL SYLLABLE")
_SCRIPTS: Final = {"CJK": "Chinese", "HIRAGANA": "Japanese", "KATAKANA": "Japanese"}
_MARKS: Final = frozenset({"Mn", "Me"})
_NAMED: Final = frozenset({"So", "Sk", "Sm", "Sc"})
#: Joins or varies picture signs; nothing to say of it. Skin tones too.
_SILENT: Final = frozenset([*range(0xFE00, 0xFE10), *range(0x1F3FB, 0x1F400)])


def spelled(text: str, known: Container[int]) -> str:
    """Return text in which what the typeface lacks stands in words.

    known: code points of the typeface.

    >>> from siting.handoff.drawing import register_fonts
    >>> spelled("East 🏡 前院", register_fonts())
    'East (house with garden) (2 Chinese letters)'
    """
    if all(ord(c) in known for c in text):
        return text
    composed = unicodedata.normalize("NFC", text)
    parts = [
        "".join(run) if script is None else _words(script, "".join(run))
        for script, run in groupby(composed, lambda c: _script(c, known))
    ]
    return re.sub(r"(?<=\S)\((?=\S)|\)(?=\()", _spaced, "".join(parts)).strip()


def _spaced(match: re.Match[str]) -> str:
    """Set words in brackets apart from what stands before them."""
    return match[0] + " " if match[0] == ")" else match[0]


def _script(letter: str, known: Container[int]) -> str | None:
    """Return the script of a letter that the typeface lacks, None of one that it has."""
    if ord(letter) in known:
        return None
    name = unicodedata.name(letter, "")
    if ord(letter) in _SILENT:
        return ""
    if name.startswith(_SPELLED):
        return "spelled"
    if unicodedata.category(letter) in _NAMED:
        return f"sign {letter}"
    first = name.split(" ")[0]
    return f"script {_SCRIPTS.get(first, first.capitalize())}"


def _words(script: str, run: str) -> str:
    """Return a run of letters of one script in words."""
    if script == "spelled":
        return "".join(unicodedata.name(c).rsplit(" ", 1)[-1].lower() for c in run)
    kind, _, name = script.partition(" ")
    if kind == "sign":
        called = unicodedata.name(run[0], "sign").lower()
        return f"({called})" if len(run) == 1 else f"({len(run)} × {called})"
    count = sum(unicodedata.category(c) not in _MARKS for c in run)
    if not kind or not count:
        return ""
    letters = "letter" if count == 1 else "letters"
    return f"({count} {name} {letters})" if name else f"({count} {letters})"


@functools.cache
def _forms() -> dict[tuple[str, str], str]:
    """Return the joined forms: (form, letters) -> letter, from Unicode's decompositions."""
    found: dict[tuple[str, str], str] = {}
    for code in (*range(0xFB50, 0xFBB2), *range(0xFE70, 0xFEFD)):
        tag, *letters = unicodedata.decomposition(chr(code)).split(" ")
        if tag in {"<isolated>", "<initial>", "<medial>", "<final>"}:
            base = "".join(chr(int(letter, 16)) for letter in letters)
            if " " not in base:
                found.setdefault((tag[1:-1], base), chr(code))
    return found


def joined(text: str) -> str:
    """Return text with Arabic letters in the forms in which they join; again gives the same.

    >>> [f"{ord(c):04X}" for c in joined(chr(0x0628) + chr(0x0628))]
    ['FE91', 'FE90']
    """
    if text.isascii() or not any(unicodedata.bidirectional(c) == "AL" for c in text):
        return text
    forms = _forms()
    letters = list(_ligated(text))
    bases = [k for k, part in enumerate(letters) if unicodedata.category(part[0]) not in _MARKS]
    shaped = list(letters)
    for place, k in enumerate(bases):
        before = letters[bases[place - 1]] if place else ""
        after = letters[bases[place + 1]] if place + 1 < len(bases) else ""
        part = letters[k]
        back = ("initial", before) in forms and ("final", part) in forms
        ahead = ("initial", part) in forms and ("final", after) in forms
        form = "medial" if back and ahead else "final" if back else "initial" if ahead else ""
        shaped[k] = forms.get((form or "isolated", part), part)
    return "".join(shaped)


def _ligated(text: str) -> Iterator[str]:
    """Yield letters, lam and alef together."""
    k = 0
    while k < len(text):
        pair = text[k : k + 2]
        step = 2 if len(pair) == 2 and ("isolated", pair) in _forms() else 1  # noqa: PLR2004
        yield text[k : k + step]
        k += step


_RIGHT: Final = frozenset({"R", "AL"})
_NUMBER: Final = frozenset({"EN", "AN"})
_OPENS, _CLOSES = "([{", ")]}"
_MIRRORED: Final = str.maketrans("()[]{}<>«»‹›", ")(][}{><»«›‹")


def visual(text: str) -> str:
    """Return text in the order in which it is drawn from the left; only once, just before drawing.

    >>> visual("bed \u05d0\u05d1 2") == "bed 2 \u05d1\u05d0"
    True
    """
    if text.isascii() or not any(unicodedata.bidirectional(c) in _RIGHT for c in text):
        return text
    kinds = [unicodedata.bidirectional(c) for c in text]
    out, k = "", 0
    while k < len(text):
        if kinds[k] not in _RIGHT:
            out += text[k]
            k += 1
            continue
        last = _last(text, kinds, k)
        out += _turned(text[k : last + 1])
        k = last + 1
    return out


def _last(text: str, kinds: list[str], start: int) -> int:
    """Return where the right-to-left run ends that starts somewhere; a pair of brackets stays one.

    Rules W7, N0 (c1), N1 and N2 of the annex.
    """
    last, opened = start, list[int]()
    for k in range(start, len(text)):
        if kinds[k] == "L":
            break
        if text[k] in _OPENS:
            opened.append(k)
        elif text[k] in _CLOSES and opened:
            held = kinds[opened.pop() : k]
            if not _RIGHT.isdisjoint(held) or not _NUMBER.isdisjoint(held):
                last = k
        if kinds[k] in _RIGHT | _NUMBER or (kinds[k] == "NSM" and last == k - 1):
            last = k
    return last


def _turned(run: str) -> str:
    """Return a right-to-left run as drawn: numbers as they are, brackets the other way round."""
    pieces = re.findall(r"\d+(?:[.,:/]\d+)*|[^\d]", run)
    clusters: list[str] = []
    for piece in pieces:
        if clusters and unicodedata.category(piece[0]) in _MARKS:
            clusters[-1] += piece
        else:
            clusters.append(piece.translate(_MIRRORED))
    return "".join(reversed(clusters))


SANS: Final = "SitingSans"
BOLD: Final = "SitingSans-Bold"
_FILES: Final = {SANS: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}


@functools.cache
def register_fonts() -> frozenset[int]:
    """Register both weights with reportlab, once, and return the code points that both have."""
    folder = _typefaces()
    known: list[frozenset[int]] = []
    for name, file in _FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        known.append(frozenset(font.face.charToGlyph))
    pdfmetrics.registerFontFamily(SANS, normal=SANS, bold=BOLD, italic=SANS, boldItalic=BOLD)
    return known[0] & known[1]


def _typefaces() -> Path:
    """Return matplotlib's folder of fonts; matplotlib is loaded only where it lies elsewhere."""
    found = find_spec("matplotlib")
    for home in (found and found.submodule_search_locations) or ():
        folder = Path(home) / "mpl-data" / "fonts" / "ttf"
        if folder.is_dir():
            return folder
    import matplotlib as mpl  # noqa: PLC0415 - half a second

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


def printable(text: object) -> str:
    """Return text as one line that the font can print; what it lacks stands in words.

    text: any text, None and NaN are empty. Result: without control, direction or surrogate
    characters.
    """
    return spelled(joined(clean(text)), register_fonts())


def lacks_letters(text: object) -> bool:
    """Tell whether a text holds letters that the font lacks."""
    known = register_fonts()
    return any(ord(c) not in known for c in joined(clean(text)))


def markup(text: object, *, longest: int = 600) -> str:
    """Return text for a Paragraph: printable, cut at a length, and with no markup of its own.

    Result: with ``&``, ``<`` and ``>`` escaped, in the order in which it is drawn.
    """
    return escape(visual(elide(printable(text), longest)))


def unlike(text: object, longest: int) -> str:
    """Return text as it is read aloud, where `markup` prints it otherwise, else "".

    What the font lacks is printed in words, and a right-to-left name in the order of drawing.
    """
    whole = clean(text)
    if whole.isascii():
        return ""
    read = elide(whole, longest)
    return "" if visual(elide(printable(whole), longest)) == read else read


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

    def line_to_page(self, places: Floats) -> list[tuple[float, float]]:
        """Return where the places of a line are on paper, all at once; places (N, 2) [m]."""
        middle, centre = np.array([self.width, self.height]) / 2, np.array([self.x, self.y])
        on_paper: list[tuple[float, float]]
        on_paper = (middle + (places - centre) * self.points_per_metre).tolist()
        return on_paper


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
        return say("Scale 1:{number}", number=Figure(f"{denominator:,}"))
    return say("Scale 1 in = {number} ft", number=Figure(f"{denominator // 12:,}"))


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
        return feet * FOOT_M, _length(f"{feet:g}", say("ft")), _length("2", say("in"))
    # 50 mm, or 40 mm where 50 mm is not a whole number of metres (1:50, 1:250, 1:750 ...)
    millimetres = 50 if denominator % 20 == 0 else 40
    metres = denominator * millimetres / 1000
    return metres, _length(f"{metres:g}", "m"), _length(f"{millimetres}", "mm")


def _length(number: str, unit: str) -> str:
    return say("{number} {unit}", number=Figure(number), unit=unit)


def section_scale(depth_m: float, height: float) -> int:
    """Return the largest section scale at which a depth takes at most half of a height.

    depth_m: depth of burial [m]; height: height of the drawing [pt].

    >>> section_scale(0.075, 120.0), section_scale(0.3, 120.0)
    (4, 20)
    """
    fitting = [d for d in _SECTION_LADDER if depth_m * POINTS_PER_METRE / d <= height / 2]
    return fitting[0] if fitting else math.ceil(depth_m * POINTS_PER_METRE / height * 2)


Canvas = Any  # reportlab is not typed
_EVEN_ODD: Final = 0
_HALO: Final = 1.5
#: Height of the strip with the check bar, the scale and the north arrow [pt].
BAR_HEIGHT: Final = 42.0


@dataclass(frozen=True)
class Ink:
    """How to draw a shape: fill and stroke "#rrggbb" or None, alpha, width [pt], dashes [pt].

    fill, stroke: colours "#rrggbb", None leaves the one or the other out; alpha: opacity of the
    fill, 0 to 1; width: of the stroke [pt]; dash: lengths of dashes and gaps by turns, empty is
    solid [pt].
    """

    fill: str | None = None
    stroke: str | None = None
    alpha: float = 1.0
    width: float = 0.6
    dash: tuple[float, ...] = ()


class Drawing(Flowable):  # type: ignore[misc] # reportlab is not typed
    """A picture in the flow of a sheet.

    paint: takes the canvas, the width and the height [pt], origin at the lower left; says: what it
    shows, for who cannot see it; width: on paper [pt]; height: on paper, or how to find it from the
    height that is left on the page [pt]; t: the language.
    """

    def __init__(
        self,
        paint: Callable[[Canvas, float, float], None],
        says: str,
        *,
        width: float,
        height: float | Callable[[float], float],
        t: Language = ENGLISH,
    ) -> None:
        super().__init__()
        self._paint, self.width, self._wanted = paint, width, height
        self.height = 0.0
        self._tag = Tag("Figure", alt=clean(t(says)), code=t.code)

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Return the size it takes.

        available_width: not used: the width is fixed [pt]; available_height: height that is left on
        the page [pt]. Result: width and height [pt].
        """
        del available_width
        wanted = self._wanted
        self.height = wanted(available_height) if callable(wanted) else wanted
        return self.width, self.height

    def draw(self) -> None:
        """Paint, with the canvas state put back afterwards."""
        left, foot = self.canv.absolutePosition(0, 0)
        box = f"{left:.2f} {foot:.2f} {left + self.width:.2f} {foot + self.height:.2f}"
        self._tag.more = f"/A<</O/Layout/Placement/Block/BBox[{box}]>>"
        with tagged(self.canv, self._tag):
            self.canv.saveState()
            self._paint(self.canv, self.width, self.height)
            self.canv.restoreState()


@dataclass
class Pen:
    """Draws places of the plan through a frame, and remembers where labels already are.

    canvas: origin at the window's lower left; frame: the window of the plan; taken: west, south,
    east, north of what labels keep clear of, on paper [pt].
    """

    canvas: Canvas
    frame: Frame
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def open_window(self) -> None:
        """Clip to the frame's window, on white ground."""
        self.canvas.saveState()
        path = self.canvas.beginPath()
        path.rect(0, 0, self.frame.width, self.frame.height)
        self.canvas.setFillColor(HexColor(INK["card"]))
        self.canvas.drawPath(path, stroke=0, fill=1)
        self.canvas.clipPath(path, stroke=0, fill=0)

    def close_window(self) -> None:
        """Stop clipping and draw the window's edge."""
        self.canvas.restoreState()
        self.canvas.setStrokeColor(HexColor(INK["quiet"]))
        self.canvas.setLineWidth(0.8)
        self.canvas.rect(0, 0, self.frame.width, self.frame.height, stroke=1, fill=0)

    def shapes(self, geometries: Iterable[shapely.Geometry | None], ink: Ink) -> None:
        """Draw polygons and lines that reach into the window.

        geometries: in the working CRS [m], None is skipped.
        """
        self.canvas.saveState()
        self.use(ink)
        window = shapely.box(*self.frame.bounds)
        for geometry in geometries:
            if geometry is None or not shapely.intersects(geometry, window):
                continue
            for part in shapely.get_parts(geometry):
                self._part(part, ink)
        self.canvas.restoreState()

    def use(self, ink: Ink) -> None:
        """Set the canvas to an ink."""
        if ink.fill:
            self.canvas.setFillColor(HexColor(ink.fill))
            self.canvas.setFillAlpha(ink.alpha)
        if ink.stroke:
            self.canvas.setStrokeColor(HexColor(ink.stroke))
            self.canvas.setLineWidth(ink.width)
            self.canvas.setLineJoin(1)
            self.canvas.setDash(list(ink.dash))

    def _part(self, part: shapely.Geometry, ink: Ink) -> None:
        path = self.canvas.beginPath()
        polygon = int(shapely.get_type_id(part)) == shapely.GeometryType.POLYGON
        rings = list(shapely.get_rings(part)) if polygon else [part]
        for ring in rings:
            places = self.frame.line_to_page(shapely.get_coordinates(ring))
            path.moveTo(*places[0])
            for place in places[1:]:
                path.lineTo(*place)
            if polygon:
                path.close()
        fill = int(bool(ink.fill) and polygon)
        self.canvas.drawPath(path, stroke=int(bool(ink.stroke)), fill=fill, fillMode=_EVEN_ODD)

    def dot(self, x: float, y: float, radius: float, ink: Ink) -> None:
        """Draw a round mark of a size on paper [pt] at a place [m].

        x, y: the place in the working CRS [m]; radius: on paper [pt].
        """
        self.canvas.saveState()
        self.use(ink)
        self.canvas.circle(
            *self.frame.to_page(x, y),
            radius,
            stroke=int(bool(ink.stroke)),
            fill=int(bool(ink.fill)),
        )
        self.canvas.restoreState()

    def reserve(self, x: float, y: float, radius: float) -> None:
        """Keep labels off a mark at a place [m] of a size on paper [pt].

        x, y: the place in the working CRS [m]; radius: on paper [pt].
        """
        px, py = self.frame.to_page(x, y)
        self.taken.append((px - radius, py - radius, px + radius, py + radius))

    def label(
        self,
        text: str,
        centres: Sequence[tuple[float, float]],
        *,
        size: float = 9.0,
        tag: bool = False,
        insist: bool = False,
    ) -> bool:
        """Write a label at the first of several places on paper where it is free.

        centres: places for its middle, best first [pt]; size: type size [pt]. Result: whether it
        was written.
        """
        across, up = width_of(text, size, bold=tag) / 2 + 2.5, size / 2 + 2
        inside = [_pull_in(c, across, up, self.frame) for c in centres]
        free = [c for c in inside if not self._hits(c, across, up)]
        if not free and not (insist and inside):
            return False
        x, y = free[0] if free else inside[0]
        self.taken.append((x - across, y - up, x + across, y + up))
        ground = MARKS["sensor"] if tag else INK["card"]
        self.canvas.saveState()
        self.canvas.setFillColor(HexColor(ground))
        self.canvas.setFillAlpha(1.0 if tag else 0.85)
        self.canvas.roundRect(x - across, y - up, 2 * across, 2 * up, 2, stroke=0, fill=1)
        self.canvas.restoreState()
        colour = text_on(ground)
        draw_text(
            self.canvas, x, y - size * 0.36, text, size=size, bold=tag, colour=colour, anchor=0.5
        )
        return True

    def _hits(self, centre: tuple[float, float], across: float, up: float) -> bool:
        x, y = centre
        return any(
            x - across < east and x + across > west and y - up < north and y + up > south
            for west, south, east, north in self.taken
        )


def _pull_in(
    centre: tuple[float, float], across: float, up: float, frame: Frame
) -> tuple[float, float]:
    """Move a label's middle so that all of it is inside the window."""
    x = min(max(centre[0], across + _HALO), frame.width - across - _HALO)
    return x, min(max(centre[1], up + _HALO), frame.height - up - _HALO)


def around(
    x: float, y: float, reach: float, away: Sequence[float] = ()
) -> list[tuple[float, float]]:
    """Return label places around a mark on paper, those farthest from some directions first.

    x, y: the mark [pt]; reach: distance of the label's middle [pt]; away: directions to keep off,
    counter-clockwise from east [rad]. Result: sixteen places: eight near ones, then eight farther
    ones.
    """
    angles = np.arange(8) * np.pi / 4
    gap = np.zeros(8)
    if away:
        apart = np.abs(np.angle(np.exp(1j * (angles[:, None] - np.asarray(away)[None, :]))))
        gap = apart.min(axis=1)
    order = [int(k) for k in np.lexsort((np.arange(8), -np.round(gap, 6)))]
    return [
        (
            x + far * reach * float(np.cos(angles[k])) * 1.4,
            y + far * reach * float(np.sin(angles[k])),
        )
        for far in (1.0, 1.8)
        for k in order
    ]


def along(line: BaseGeometry, frame: Frame) -> Iterator[tuple[float, float]]:
    """Yield label places along a line, the middle first [pt].

    line: a line in the working CRS [m]. Result: a place on paper: seven on the line, then six above
    and below its middle [pt].
    """
    for share in (0.5, 0.6, 0.4, 0.7, 0.3, 0.8, 0.2):
        point = line.interpolate(share, normalized=True)
        yield frame.to_page(point.x, point.y)
    middle = line.interpolate(0.5, normalized=True)
    x, y = frame.to_page(middle.x, middle.y)
    for up in (16, -16, 32, -32, 48, -48):
        yield x, y + up


def draw_text(
    canvas: Canvas,
    x: float,
    y: float,
    text: str,
    *,
    size: float = 9.0,
    bold: bool = False,
    colour: str = INK["text"],
    anchor: float = 0.0,
) -> None:
    """Write printable text at its baseline; anchor 0 starts there, 0.5 centres, 1 ends there.

    x, y: the anchor, on the baseline [pt]; size: type size [pt].
    """
    canvas.saveState()
    canvas.setFillColor(HexColor(colour))
    canvas.setFont(BOLD if bold else SANS, size)
    canvas.drawString(x - anchor * width_of(text, size, bold=bold), y, visual(text))
    canvas.restoreState()


def draw_scale_bar(
    canvas: Canvas, frame: Frame, units: UnitsName, *, width: float, t: Language = ENGLISH
) -> None:
    """Draw the check bar, the scale in words and a north arrow in a strip of `BAR_HEIGHT`.

    units {"metric", "us"}: round lengths in which units; width: of the strip [pt].
    """
    metres, ground, paper = check_bar(frame.denominator, units)
    length = metres * frame.points_per_metre
    canvas.saveState()
    canvas.setStrokeColor(HexColor(INK["text"]))
    canvas.setFillColor(HexColor(INK["text"]))
    canvas.setLineWidth(0.7)
    for place in range(4):
        canvas.rect(2 + place * length / 4, 24, length / 4, 6, stroke=1, fill=place % 2)
    canvas.restoreState()
    draw_text(canvas, 2, 33, "0", size=9)
    draw_text(canvas, 2 + length + 4, 24, t(ground), size=9, bold=True)
    scale = scale_text(frame.denominator, units)
    words = say("{scale}. Check: the bar is {length} long on paper.", scale=scale, length=paper)
    draw_text(canvas, 2, 9, fit_text(t(words), 9, width - 40), size=9)
    _north_arrow(canvas, width - 18, 6)


def _north_arrow(canvas: Canvas, x: float, y: float) -> None:
    """Draw an arrow that points up, with an N; plans are always north up."""
    canvas.saveState()
    canvas.setFillColor(HexColor(INK["text"]))
    path = canvas.beginPath()
    for step, (px, py) in enumerate(((0, 24), (6, 0), (0, 5), (-6, 0))):
        (path.lineTo if step else path.moveTo)(x + px, y + py)
    path.close()
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()
    draw_text(canvas, x, y + 26, "N", size=10, bold=True, anchor=0.5)


#: Trees of a crowded plan are drawn from this scale on [pt/m], and so far about the window [m].
_CROWNS_FROM: Final = 0.8
_CROWN_M: Final = 15.0
_NAMED_FROM: Final = 30.0  # a zone of a crowded plan is named from this width on [pt]


def is_nameless(plan: Plan, width: float) -> bool:
    """Tell whether a zone of this width on paper [pt] goes without its name."""
    return width < _NAMED_FROM and is_crowded(plan)


def seen_through(plan: Plan, shades: list[str], frame: Frame) -> tuple[Plan, list[str]]:
    """Return what of a crowded plan lies in a window, and the colours of its zones there.

    Trees are left out on a small scale; a plan that is not crowded comes back as it is.
    """
    if not is_crowded(plan):
        return plan, shades
    window, site = shapely.box(*frame.bounds), plan.site
    far = frame.points_per_metre < _CROWNS_FROM
    trees = site.trees.iloc[:0] if far else _within(site.trees, window.buffer(_CROWN_M))
    near = {name: _within(getattr(site, name), window) for name in ("paving", "buildings")}
    seen = plan.zones.intersects(window)
    kept = [shade for shade, here in zip(shades, seen, strict=True) if here]
    return replace(plan, zones=plan.zones[seen], site=replace(site, trees=trees, **near)), kept


def _within(layer: gpd.GeoDataFrame, window: shapely.Geometry) -> gpd.GeoDataFrame:
    """Return the rows of a layer that meet a window."""
    return layer[shapely.intersects(layer.geometry.to_numpy(), window)]


def inset_frame(
    plan: Plan, sensor_id: str, whole: Frame, *, width: float, height: float
) -> tuple[Frame, str]:
    """Return the frame of a sensor's inset, and what it shows: the property, or one district.

    whole: the frame of the property; width, height: of the inset [pt].
    """
    if not is_crowded(plan):
        return whole, say("On the property (north up)")
    owner = plan.sensors["controller"].astype(str).loc[sensor_id]
    mine = plan.zones[plan.zones["controller"].astype(str) == owner]
    shown = mine if len(mine) else plan.zones
    west, south, east, north = (float(v) for v in shown.total_bounds)
    frame = fit((west, south, east, north), width=width, height=height, units=plan.settings.units)
    return frame, say("Among its controller's zones (north up)")
