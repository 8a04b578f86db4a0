"""Drawing on a page: geometry through a frame, labels that keep clear of each other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import shapely
from reportlab.lib.colors import HexColor
from reportlab.platypus import Flowable
from shapely.geometry.base import BaseGeometry

from siting.handoff._sheet_fonts import BOLD, SANS, fit_text, width_of
from siting.handoff._sheet_frame import Frame, check_bar, scale_text
from siting.palette import INK, MARKS, text_on
from siting.units import UnitsName

__all__ = [
    "BAR_HEIGHT",
    "Canvas",
    "Drawing",
    "Ink",
    "Pen",
    "along",
    "around",
    "draw_scale_bar",
    "draw_text",
]

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

    paint: takes the canvas, the width and the height [pt], origin at the lower left; width: on
    paper [pt]; height: on paper, or how to find it from the height that is left on the page [pt].
    """

    def __init__(
        self,
        paint: Callable[[Canvas, float, float], None],
        *,
        width: float,
        height: float | Callable[[float], float],
    ) -> None:
        super().__init__()
        self._paint, self.width, self._wanted = paint, width, height
        self.height = 0.0

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
            places = [self.frame.to_page(x, y) for x, y in shapely.get_coordinates(ring)]
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
    canvas.drawString(x - anchor * width_of(text, size, bold=bold), y, text)
    canvas.restoreState()


def draw_scale_bar(canvas: Canvas, frame: Frame, units: UnitsName, *, width: float) -> None:
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
    draw_text(canvas, 2 + length + 4, 24, ground, size=9, bold=True)
    words = f"{scale_text(frame.denominator, units)}. Check: the bar is {paper} long on paper."
    draw_text(canvas, 2, 9, fit_text(words, 9, width - 40), size=9)
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
