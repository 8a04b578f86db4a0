"""The plan drawings of the sheets: the whole property, and the surroundings of one sensor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import shapely

from siting.handoff._crowns import crown_shapes
from siting.handoff._hazards import hazard_name, lines_drawn
from siting.handoff._sheet_fonts import fit_text, printable, width_of
from siting.handoff._sheet_frame import Frame, fit
from siting.handoff._sheet_pen import (
    BAR_HEIGHT,
    Canvas,
    Ink,
    Pen,
    along,
    around,
    draw_scale_bar,
    draw_text,
)
from siting.handoff._sheet_text import tape
from siting.palette import INK, MARKS, NEED, ramp_colour
from siting.planning import Plan

__all__ = [
    "overview_frame",
    "overview_height",
    "paint_inset",
    "paint_overview",
    "paint_surroundings",
    "sensor_frame",
]

_LEGEND_ROW: Final = 15.0
_MARGIN: Final = 0.04
_LEAST_AROUND_M: Final = 5.0
_LEAST_OVERVIEW: Final = 200.0
_WASH: Final = 0.6  # zones are laid on thin, so that lines and letters stay clear on wet paper
_FIXTURES: Final = {
    "controller": ("C", "controller"),
    "valve_box": ("V", "valve box"),
    "head": ("", "head"),
    "downspout": ("D", "downspout"),
}


_LINES: Final = {
    "utility": Ink(None, MARKS["utility"], width=1.5, dash=(6, 2, 1, 2)),
    "traffic": Ink(None, MARKS["traffic"], width=1.3, dash=(1, 2.5)),
}


def overview_frame(plan: Plan, *, width: float, height: float) -> Frame:
    """Return the frame of the whole property in a window [pt].

    width, height: of the window [pt]. Result: at a round scale; holds boundary, wires and sensors.
    """
    return fit(_reach(plan), width=width, height=height, units=plan.settings.units)


def _reach(plan: Plan) -> tuple[float, float, float, float]:
    """Return the bounds of everything that the overview has to show, with a margin [m]."""
    parts = [plan.site.boundary, *plan.wire_routes.geometry, *plan.sensors.geometry]
    west, south, east, north = shapely.total_bounds(np.array(parts, dtype=object))
    pad = _MARGIN * max(east - west, north - south)
    return float(west - pad), float(south - pad), float(east + pad), float(north + pad)


def sensor_frame(plan: Plan, sensor_id: str, *, width: float, height: float) -> Frame:
    """Return the frame around one sensor, with the start of every tie and its reserves in it.

    The sensor is in the middle where that costs no scale; else the ties set the middle.

    width, height: of the window [pt]. Result: at a round scale; holds at least 5 m around the
    sensor.
    """
    point = plan.sensors.geometry.loc[sensor_id]
    ties = plan.ties.loc[plan.ties["sensor_id"] == sensor_id].geometry
    spare = plan.reserves.loc[plan.reserves["sensor_id"] == sensor_id].geometry
    shown = shapely.union_all([point.buffer(_LEAST_AROUND_M), *ties, *spare])
    west, south, east, north = shown.bounds
    pad = _MARGIN * max(east - west, north - south)
    bounds = (west - pad, south - pad, east + pad, north + pad)
    units = plan.settings.units
    tight = fit(bounds, width=width, height=height, units=units)
    centred = fit(bounds, width=width, height=height, units=units, centre=(point.x, point.y))
    return centred if centred.denominator == tight.denominator else tight


def _ground(pen: Pen, plan: Plan, *, keepout: bool = False) -> None:
    """Draw what is there: zones by need, crowns, keep-clear ground, paving, buildings."""
    site = plan.site
    shades = _need_shades(plan)
    for shape, shade in zip(plan.zones.geometry, shades, strict=True):
        pen.shapes([shape], Ink(shade, MARKS["zone_edge"], _WASH, width=0.7))
    pen.shapes(crown_shapes(site.trees), Ink(MARKS["crown"], MARKS["crown_edge"], 0.35))
    for trunk in site.trees.geometry:
        pen.dot(trunk.x, trunk.y, 1.6, Ink(MARKS["trunk"]))
    if keepout:
        clear = Ink(MARKS["keepout"], MARKS["keepout"], 0.13, width=0.6, dash=(2, 2))
        pen.shapes([_united(plan.keepout, pen.frame)], clear)
    pen.shapes(site.paving.geometry, Ink(MARKS["paving"], MARKS["paving_edge"]))
    pen.shapes(site.buildings.geometry, Ink(MARKS["building"], MARKS["building_edge"], width=1.0))
    for name, lines in lines_drawn(plan).items():
        pen.shapes(lines, _LINES[name])
    pen.shapes([site.boundary.boundary], Ink(None, MARKS["boundary"], width=1.2, dash=(8, 3, 2, 3)))


def _united(keepout: gpd.GeoDataFrame, frame: Frame) -> shapely.Geometry:
    """Return the keep-clear ground around the window as one shape, so that tints do not pile up."""
    west, south, east, north = frame.bounds
    near = shapely.box(west - 1, south - 1, east + 1, north + 1)
    shapes = keepout.geometry.to_numpy()
    return shapely.intersection(shapely.union_all(shapes[shapely.intersects(shapes, near)]), near)


def _need_shades(plan: Plan) -> list[str]:
    """Return a colour per zone, pale for the least need of the property to deep for the most."""
    scores = plan.zones["need_score"].to_numpy(dtype=float)
    low, high = np.nanmin(scores), np.nanmax(scores)
    spread = high - low if high > low else 1.0
    return [ramp_colour(NEED, float(score - low) / float(spread)) for score in scores]


def _routes(pen: Pen, plan: Plan, width: float = 2.4) -> None:
    """Draw the trench, and the wire in it."""
    routes = plan.wire_routes
    trench = routes.loc[routes["kind"] == "trench"].geometry
    wire = routes.loc[routes["kind"] == "wire"].geometry
    pen.shapes(routes.geometry, Ink(None, INK["card"], width=width + 1.6))
    pen.shapes(trench, Ink(None, MARKS["trench"], width=width))
    pen.shapes(wire, Ink(None, MARKS["wire"], width=width * 0.42, dash=(4, 2)))


def _fixtures(pen: Pen, plan: Plan, *, overview: bool = False) -> None:
    """Draw heads, valve boxes, controllers and (near by only) downspouts as small marks."""
    west, south, east, north = pen.frame.bounds
    for kind, point in zip(plan.site.fixtures["kind"], plan.site.fixtures.geometry, strict=True):
        if kind not in _FIXTURES or (overview and kind == "downspout"):
            continue
        if not (west < point.x < east and south < point.y < north):
            continue
        letter = _FIXTURES[kind][0]
        plain = 1.5 if overview else 2.4
        radius = 5.5 if letter else plain
        pen.dot(point.x, point.y, radius, Ink(MARKS[kind], INK["card"], width=0.7))
        if letter:
            px, py = pen.frame.to_page(point.x, point.y)
            draw_text(
                pen.canvas, px, py - 3.2, letter, size=9, bold=True, colour=INK["card"], anchor=0.5
            )
            pen.reserve(point.x, point.y, radius)


def _sensor_marks(pen: Pen, plan: Plan, *, size: float, away: Sequence[float] = ()) -> None:
    """Draw every sensor with its tag."""
    west, south, east, north = pen.frame.bounds
    seen = [
        (str(name), point)
        for name, point in plan.sensors.geometry.items()
        if west <= point.x <= east and south <= point.y <= north
    ]
    for _, point in seen:
        pen.dot(point.x, point.y, 4.2, Ink(MARKS["sensor"], MARKS["sensor_edge"], width=1.2))
        pen.reserve(point.x, point.y, 5)
    for name, point in seen:
        places = around(*pen.frame.to_page(point.x, point.y), 8 + size, away)
        pen.label(printable(name), places, size=size, tag=True, insist=True)


def _reserve_marks(pen: Pen, plan: Plan, sensor_id: str) -> None:
    """Draw the reserve points of one sensor as rings with their names."""
    rows = plan.reserves.loc[plan.reserves["sensor_id"] == sensor_id]
    for point in rows.geometry:
        pen.dot(point.x, point.y, 4.0, Ink(INK["card"], MARKS["sensor"], width=1.4, dash=(2, 1.5)))
        pen.reserve(point.x, point.y, 5)
    for number, point in zip(rows["reserve"], rows.geometry, strict=True):
        places = around(*pen.frame.to_page(point.x, point.y), 13)
        pen.label(f"R{int(number)}", places, size=9, insist=True)


def _zone_names(pen: Pen, plan: Plan, *, most: float = 110.0) -> None:
    """Write the name of every zone somewhere on it; skipped where nothing is free."""
    window = shapely.box(*pen.frame.bounds)
    for name, shape in plan.zones.geometry.items():
        seen = shape.intersection(window)
        if seen.is_empty:
            continue
        width = (seen.bounds[2] - seen.bounds[0]) * pen.frame.points_per_metre
        inner = seen.representative_point()
        x, y = pen.frame.to_page(inner.x, inner.y)
        places = [(x, y + up) for up in (0, 14, -14, 28, -28)]
        # the whole name if it finds room, even beside its zone; else as much as the zone is wide
        if not pen.label(fit_text(name, 9, most), places):
            pen.label(fit_text(name, 9, max(24.0, min(most, width - 8))), places)


def overview_height(plan: Plan, width: float, available: float) -> float:
    """Return how high the overview has to be: as wide as the page, no higher than it needs.

    width, available: of the page, height that is left on it [pt]. Result: height with legend and
    check bar [pt]; leaves room for the list of a few sensors.
    """
    strip = BAR_HEIGHT + _LEGEND_ROW * len(_legend_rows(plan, width)) + 4
    room = 40 + 16 * min(len(plan.sensors), 8)
    most = max(_LEAST_OVERVIEW, available - strip - room)
    frame = overview_frame(plan, width=width, height=most)
    south, north = _reach(plan)[1::2]
    return min(most, (north - south) * frame.points_per_metre + 1) + strip


def paint_overview(canvas: Canvas, plan: Plan, width: float, height: float) -> None:
    """Draw the whole property with its legend, check bar and north arrow.

    width, height: of the drawing, legend and check bar within [pt].
    """
    rows = _legend_rows(plan, width)
    strip = BAR_HEIGHT + _LEGEND_ROW * len(rows) + 4
    frame = overview_frame(plan, width=width, height=height - strip)
    canvas.saveState()
    canvas.translate(0, strip)
    pen = Pen(canvas, frame)
    pen.open_window()
    _ground(pen, plan)
    _routes(pen, plan)
    _fixtures(pen, plan, overview=True)
    _sensor_marks(pen, plan, size=11)
    _zone_names(pen, plan)
    pen.close_window()
    canvas.restoreState()
    _paint_legend(canvas, rows)
    canvas.saveState()
    canvas.translate(0, _LEGEND_ROW * len(rows))
    draw_scale_bar(canvas, frame, plan.settings.units, width=width)
    canvas.restoreState()


def paint_surroundings(
    canvas: Canvas, plan: Plan, sensor_id: str, width: float, height: float
) -> None:
    """Draw the surroundings of one sensor: ties with distances, keep-clear ground, the route.

    width, height: of the drawing, check bar within [pt].
    """
    frame = sensor_frame(plan, sensor_id, width=width, height=height - BAR_HEIGHT)
    ties = plan.ties.loc[plan.ties["sensor_id"] == sensor_id].sort_values("tie")
    point = plan.sensors.geometry.loc[sensor_id]
    canvas.saveState()
    canvas.translate(0, BAR_HEIGHT)
    pen = Pen(canvas, frame)
    pen.open_window()
    _ground(pen, plan, keepout=True)
    _routes(pen, plan)
    pen.shapes(ties.geometry, Ink(None, INK["card"], width=2.6))
    pen.shapes(ties.geometry, Ink(None, MARKS["tie"], width=1.1))
    _fixtures(pen, plan)
    starts = [line.coords[0] for line in ties.geometry]
    for tie, (x, y, *_) in zip(ties["tie"], starts, strict=True):
        pen.dot(x, y, 6.5, Ink(INK["card"], MARKS["tie"], width=1.3))
        px, py = frame.to_page(x, y)
        draw_text(canvas, px, py - 3.3, f"{int(tie)}", size=9, bold=True, anchor=0.5)
        pen.reserve(x, y, 7)
    _reserve_marks(pen, plan, sensor_id)
    away = [math.atan2(y - point.y, x - point.x) for x, y, *_ in starts]
    _sensor_marks(pen, plan, size=13, away=away)
    for tie, metres, line in zip(ties["tie"], ties["distance_m"], ties.geometry, strict=True):
        text = f"{int(tie)}: {tape(metres, plan.settings.units)}"
        pen.label(text, list(along(line, frame)), size=11, insist=True)
    _zone_names(pen, plan)
    pen.close_window()
    canvas.restoreState()
    draw_scale_bar(canvas, frame, plan.settings.units, width=width)


def paint_inset(canvas: Canvas, plan: Plan, sensor_id: str, width: float, height: float) -> None:
    """Draw the property small, with this sensor marked: where on the property am I.

    width, height: of the drawing, its caption within [pt].
    """
    frame = overview_frame(plan, width=width, height=height - 13)
    pen = Pen(canvas, frame)
    pen.open_window()
    _ground(pen, plan)
    _routes(pen, plan, width=1.2)
    for name, point in plan.sensors.geometry.items():
        here = str(name) == sensor_id
        radius = 5.0 if here else 2.4
        edge = Ink(MARKS["sensor"] if here else INK["quiet"], MARKS["sensor_edge"], width=1.0)
        pen.dot(point.x, point.y, radius, edge)
    here = plan.sensors.geometry.loc[sensor_id]
    pen.reserve(here.x, here.y, 6)
    places = around(*frame.to_page(here.x, here.y), 16)
    pen.label(printable(sensor_id), places, size=10, tag=True, insist=True)
    pen.close_window()
    draw_text(canvas, 0, height - 10, "On the property (north up)", size=9, bold=True)


@dataclass(frozen=True)
class _Entry:
    """One entry of the legend: words, how the thing is drawn, and the letter on it."""

    words: str
    ink: Ink
    shape: Literal["box", "line", "dot", "ramp"] = "box"
    letter: str = ""

    @property
    def words_at(self) -> float:
        """Where the words start, from the swatch's left edge [pt]."""
        return {"ramp": 66.0, "dot": 16.0}.get(self.shape, 23.0)


def _legend(plan: Plan) -> list[_Entry]:
    """List what the overview shows."""
    scores = plan.zones["need_score"]
    kinds = set(plan.site.fixtures["kind"])
    need = (
        f"zones by water need: {scores.min():.0f} (pale) to {scores.max():.0f} (deep) % of"
        " readily available water a peak day"
    )
    fixtures = [
        _Entry(words, Ink(MARKS[kind], INK["card"]), "dot", letter)
        for kind, (letter, words) in _FIXTURES.items()
        if kind in kinds and kind != "downspout"
    ]
    return [
        _Entry(need, Ink(), "ramp"),
        _Entry("sensor", Ink(MARKS["sensor"]), "dot"),
        _Entry("trench", Ink(None, MARKS["trench"], width=2.4), "line"),
        _Entry("wire", Ink(None, MARKS["wire"], width=1.0, dash=(4, 2)), "line"),
        _Entry("building", Ink(MARKS["building"], MARKS["building_edge"])),
        _Entry("paving", Ink(MARKS["paving"], MARKS["paving_edge"])),
        _Entry("tree crown", Ink(MARKS["crown"], MARKS["crown_edge"], 0.35)),
        _Entry("property line", Ink(None, MARKS["boundary"], width=1.2, dash=(8, 3, 2, 3)), "line"),
        *(_Entry(hazard_name(name), _LINES[name], "line") for name in lines_drawn(plan)),
        *fixtures,
    ]


def _legend_rows(plan: Plan, width: float) -> list[list[tuple[float, _Entry]]]:
    """Lay the legend out in rows of (left edge [pt], entry)."""
    rows: list[list[tuple[float, _Entry]]] = [[]]
    left = 0.0
    for entry in _legend(plan):
        wide = entry.words_at + width_of(entry.words, 9) + 12
        if left and left + wide > width:
            rows.append([])
            left = 0.0
        rows[-1].append((left, entry))
        left += wide
    return rows


def _paint_legend(canvas: Canvas, rows: list[list[tuple[float, _Entry]]]) -> None:
    """Draw the legend from the strip's lower left up."""
    for place, row in enumerate(reversed(rows)):
        y = place * _LEGEND_ROW + 3
        for left, entry in row:
            _swatch(canvas, left, y, entry)
            draw_text(canvas, left + entry.words_at, y + 1, entry.words, size=9)


def _swatch(canvas: Canvas, x: float, y: float, entry: _Entry) -> None:
    """Draw one swatch as the thing looks on the plan."""
    pen = Pen(canvas, Frame(0, 0, 1, 1, 1))
    canvas.saveState()
    pen.use(entry.ink)
    if entry.shape == "line":
        canvas.line(x, y + 4.5, x + 18, y + 4.5)
    elif entry.shape == "dot":
        canvas.circle(x + 6, y + 4.5, 5.5 if entry.letter else 3.6, stroke=0, fill=1)
    elif entry.shape == "ramp":
        for step, colour in enumerate(NEED):
            pen.use(Ink(colour, MARKS["zone_edge"], _WASH))
            canvas.rect(x + step * 10, y, 10, 9, stroke=1, fill=1)
    else:
        canvas.rect(x, y, 18, 9, stroke=1, fill=1)
    canvas.restoreState()
    if entry.letter:
        draw_text(canvas, x + 6, y + 1.3, entry.letter, bold=True, colour=INK["card"], anchor=0.5)
