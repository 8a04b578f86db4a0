"""The sheets on paper: one file each for crew, owner and office, or all of it in one.

The crew's: the property with the answer (left out where there is one sensor, whose leaf shows it),
one leaf per sensor (the front to dig from at a true scale, the back to fill in by pen), run times,
materials, cautions. The owner's: one or two pages with a picture. The office's: what was weighed.
Headings are a file's outline. A file carries no date and no random id, so that the same plan gives
the same bytes.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final, Literal

import geopandas as gpd
import numpy as np
import shapely
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import inch
from reportlab.pdfbase.pdfdoc import XMP
from reportlab.platypus import (
    BaseDocTemplate,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)
from reportlab.platypus import Frame as PageFrame

from siting.files import write_bytes
from siting.handoff.drawing import (
    BAR_HEIGHT,
    POINTS_PER_METRE,
    SANS,
    Canvas,
    Drawing,
    Frame,
    Ink,
    Pen,
    along,
    around,
    draw_scale_bar,
    draw_text,
    fit,
    fit_text,
    inset_frame,
    is_nameless,
    lacks_letters,
    markup,
    printable,
    register_fonts,
    section_scale,
    seen_through,
    width_of,
)
from siting.handoff.facts import (
    DECODER_WORDS,
    LINK_WORDS,
    chance_cell,
    clean,
    compass,
    depth,
    elide,
    fixed_words,
    hardware_words,
    hazard_name,
    lines_drawn,
    number,
    percent,
    rank_words,
    run,
    spares,
    tape,
)
from siting.handoff.layout import Sheet, style
from siting.handoff.overlays import crown_shapes
from siting.handoff.owner import (
    assumed_pages,
    caution_pages,
    material_pages,
    office_pages,
    owner_pages,
    owner_short,
    timer_pages,
)
from siting.handoff.tags import Tag, TaggedCanvas, metadata, tagged
from siting.language import (
    ENGLISH,
    Figure,
    Language,
    Said,
    capital,
    language,
    say,
    say_count,
    side_by_side,
)
from siting.palette import INK, MARKS, NEED, ramp_colour
from siting.planning.cautions import dig_caution
from siting.planning.model import Plan
from siting.season.controls import CONTROLS
from siting.site.crs import WGS84, moved
from siting.units import show

_ENGLISH: Final = Sheet()
_LEGEND_ROW: Final = 15.0
_MARGIN: Final = 0.04
_LEAST_AROUND_M: Final = 5.0
_LEAST_OVERVIEW: Final = 200.0
_WASH: Final = 0.6  # zones are laid on thin, so that lines and letters stay clear on wet paper
_FIXTURES: Final = {
    "controller": ("C", say("controller")),
    "valve_box": ("V", say("valve box")),
    "head": ("", say("head")),
    "downspout": ("D", say("downspout")),
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
    plan, shades = seen_through(plan, _need_shades(plan), pen.frame)
    site = plan.site
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
    """Return the keep-clear ground around the window as one shape, so that tints do not pile up.

    Parts are picked and cut before they are united: a row holds the circles of a whole campus, and
    the one along its roads reaches everywhere.
    """
    west, south, east, north = frame.bounds
    near = shapely.box(west - 1, south - 1, east + 1, north + 1)
    shapes = shapely.get_parts(keepout.geometry.to_numpy())
    cut = shapely.intersection(shapes[shapely.intersects(shapes, near)], near)
    return shapely.union_all(cut)


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
    for reserve, point in zip(rows["reserve"], rows.geometry, strict=True):
        places = around(*pen.frame.to_page(point.x, point.y), 13)
        pen.label(f"R{int(reserve)}", places, size=9, insist=True)


#: A zone's name is cut beyond this [pt].
_WIDEST_NAME: Final = 110.0


def _zone_names(pen: Pen, plan: Plan) -> None:
    """Write the name of every zone somewhere on it; skipped where nothing is free."""
    window = shapely.box(*pen.frame.bounds)
    for name, shape in plan.zones.geometry.items():
        seen = shape.intersection(window)
        if seen.is_empty:
            continue
        width = (seen.bounds[2] - seen.bounds[0]) * pen.frame.points_per_metre
        if is_nameless(plan, width):
            continue
        inner = seen.representative_point()
        x, y = pen.frame.to_page(inner.x, inner.y)
        places = [(x, y + up) for up in (0, 14, -14, 28, -28)]
        # the whole name if it finds room, even beside its zone; else as much as the zone is wide
        if not pen.label(fit_text(name, 9, _WIDEST_NAME), places):
            pen.label(fit_text(name, 9, max(24.0, min(_WIDEST_NAME, width - 8))), places)


def overview_height(plan: Plan, width: float, available: float, *, t: Language = ENGLISH) -> float:
    """Return how high the overview has to be: as wide as the page, no higher than it needs.

    width, available: of the page, height that is left on it [pt]. Result: height with legend and
    check bar [pt]; leaves room for the list of a few sensors.
    """
    strip = BAR_HEIGHT + _LEGEND_ROW * len(_legend_rows(plan, width, t)) + 4
    room = 40 + 16 * min(len(plan.sensors), 8)
    most = max(_LEAST_OVERVIEW, available - strip - room)
    frame = overview_frame(plan, width=width, height=most)
    south, north = _reach(plan)[1::2]
    return min(most, (north - south) * frame.points_per_metre + 1) + strip


def paint_overview(
    canvas: Canvas, plan: Plan, width: float, height: float, *, t: Language = ENGLISH
) -> None:
    """Draw the whole property with its legend, check bar and north arrow.

    width, height: of the drawing, legend and check bar within [pt].
    """
    rows = _legend_rows(plan, width, t)
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
    draw_scale_bar(canvas, frame, plan.settings.units, width=width, t=t)
    canvas.restoreState()


def paint_surroundings(
    canvas: Canvas,
    plan: Plan,
    sensor_id: str,
    width: float,
    height: float,
    *,
    t: Language = ENGLISH,
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
        text = say("{number}: {tape}", number=int(tie), tape=tape(metres, plan.settings.units))
        pen.label(t(text), list(along(line, frame)), size=11, insist=True)
    _zone_names(pen, plan)
    pen.close_window()
    canvas.restoreState()
    draw_scale_bar(canvas, frame, plan.settings.units, width=width, t=t)


def paint_inset(
    canvas: Canvas, plan: Plan, sensor_id: str, width: float, height: float, *,
    t: Language = ENGLISH,
) -> None:  # fmt: skip
    """Draw the property small, with this sensor marked: where on the property am I.

    width, height: of the drawing, its caption within [pt].
    """
    frame = overview_frame(plan, width=width, height=height - 13)
    frame, where = inset_frame(plan, sensor_id, frame, width=width, height=height - 13)
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
    words = fit_text(t(where), 9, width, bold=True)
    draw_text(canvas, 0, height - 10, words, size=9, bold=True)


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


def _legend(plan: Plan, t: Language) -> list[_Entry]:
    """List what the overview shows."""
    scores = plan.zones["need_score"]
    kinds = set(plan.site.fixtures["kind"])
    need = say(
        "zones by water need: {low} (pale) to {high} (deep) % of readily available water a peak "
        "day",
        low=Figure(f"{scores.min():.0f}"),
        high=Figure(f"{scores.max():.0f}"),
    )
    fixtures = [
        _Entry(t(words), Ink(MARKS[kind], INK["card"]), "dot", letter)
        for kind, (letter, words) in _FIXTURES.items()
        if kind in kinds and kind != "downspout"
    ]
    return [
        _Entry(t(need), Ink(), "ramp"),
        _Entry(t(say("sensor")), Ink(MARKS["sensor"]), "dot"),
        _Entry(t(say("trench")), Ink(None, MARKS["trench"], width=2.4), "line"),
        _Entry(t(say("wire")), Ink(None, MARKS["wire"], width=1.0, dash=(4, 2)), "line"),
        _Entry(t(say("building")), Ink(MARKS["building"], MARKS["building_edge"])),
        _Entry(t(say("paving")), Ink(MARKS["paving"], MARKS["paving_edge"])),
        _Entry(t(say("tree crown")), Ink(MARKS["crown"], MARKS["crown_edge"], 0.35)),
        _Entry(
            t(say("property line")),
            Ink(None, MARKS["boundary"], width=1.2, dash=(8, 3, 2, 3)),
            "line",
        ),
        *(_Entry(t(hazard_name(name)), _LINES[name], "line") for name in lines_drawn(plan)),
        *fixtures,
    ]


def _legend_rows(plan: Plan, width: float, t: Language) -> list[list[tuple[float, _Entry]]]:
    """Lay the legend out in rows of (left edge [pt], entry)."""
    rows: list[list[tuple[float, _Entry]]] = [[]]
    left = 0.0
    for entry in _legend(plan, t):
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


_SOIL: Final = "#e9dcc6"
_GRAIN: Final = "#b79d76"
_SOD: Final = "#7f9d63"
_SENSOR_M: Final = (0.2, 0.012)  # a nominal sensor laid flat: length, thickness
_SOD_M: Final = 0.03


def paint_section(
    canvas: Canvas,
    plan: Plan,
    sensor_id: str,
    width: float,
    height: float,
    *,
    t: Language = ENGLISH,
) -> None:
    """Draw the soil surface, the sod where it is new, the sensor and its depth.

    width, height: of the drawing [pt].
    """
    sensor = plan.sensors.loc[sensor_id]
    depth_m = float(sensor["depth_m"])
    new_sod = bool(plan.site.hydrozones["new_sod"].get(sensor["zone"], default=False))
    scale = section_scale(depth_m + _SOD_M * new_sod, height - 60)
    to_paper = POINTS_PER_METRE / scale
    title = say("Section 1:{scale} (side view)", scale=scale)
    words = fit_text(t(title), 9, width, bold=True)
    draw_text(canvas, 0, height - 10, words, size=9, bold=True)
    thick = max(15.0, _SOD_M * to_paper) if new_sod else 0.0
    surface = height - (36.0 + thick if new_sod else 44.0)
    _soil(canvas, width, surface)
    if new_sod:
        _box(canvas, (0, surface, width, thick), _SOD)
    top = t(say("new sod laid on the soil") if new_sod else say("soil surface"))
    draw_text(canvas, 2, surface + thick + 4, fit_text(top, 9, width - 4), size=9)
    level = surface - depth_m * to_paper
    _roots(canvas, plan, str(sensor["zone"]), (width, surface, to_paper, level), t)
    _sensor(canvas, width, level, to_paper)
    label = t(depth(depth_m, plan.settings.units))
    _dimension(canvas, 14.0, surface, level)
    _plate(canvas, 20, (surface + level) / 2 - 4, label)


def _box(canvas: Canvas, box: tuple[float, float, float, float], colour: str) -> None:
    canvas.saveState()
    canvas.setFillColor(HexColor(colour))
    canvas.rect(*box, stroke=0, fill=1)
    canvas.restoreState()


def _soil(canvas: Canvas, width: float, surface: float) -> None:
    """Fill the ground with a pattern of grains that reads in grey."""
    _box(canvas, (0, 0, width, surface), _SOIL)
    canvas.saveState()
    canvas.setFillColor(HexColor(_GRAIN))
    for row in range(int(surface // 9)):
        for column in range(int(width // 12)):
            x = 4 + column * 12 + (row % 2) * 6
            if x < width - 1:
                canvas.circle(x, surface - 6 - row * 9, 0.6, stroke=0, fill=1)
    canvas.setStrokeColor(HexColor(INK["text"]))
    canvas.setLineWidth(1.4)
    canvas.line(0, surface, width, surface)
    canvas.restoreState()


def _roots(
    canvas: Canvas, plan: Plan, zone: str, place: tuple[float, float, float, float], t: Language
) -> None:
    """Mark the foot of the root zone, where it fits the drawing clear of the sensor."""
    width, surface, to_paper, level = place
    root_m = float(plan.zones["root_depth_m"].get(zone, default=math.nan))
    foot = surface - root_m * to_paper
    if not math.isfinite(foot) or foot < 3 or level - foot < 18:  # noqa: PLR2004 - paper points
        return
    canvas.saveState()
    canvas.setStrokeColor(HexColor(MARKS["crown_edge"]))
    canvas.setDash([4, 3])
    canvas.line(0, foot, width, foot)
    canvas.restoreState()
    words = say("roots to {depth}", depth=depth(root_m, plan.settings.units))
    _plate(canvas, 4, foot + 3, t(words), bold=False)


def _sensor(canvas: Canvas, width: float, level: float, to_paper: float) -> None:
    """Draw the sensor lying flat, its top at the depth, with its lead."""
    long = min(_SENSOR_M[0] * to_paper, width * 0.4)
    thick = max(4.0, _SENSOR_M[1] * to_paper)
    left = width - long - 12
    _box(canvas, (left, level - thick / 2, long, thick), MARKS["sensor"])
    canvas.saveState()
    canvas.setStrokeColor(HexColor(MARKS["wire"]))
    canvas.setLineWidth(1.2)
    canvas.line(left + long, level, width, level)
    canvas.restoreState()


def _dimension(canvas: Canvas, x: float, top: float, foot: float) -> None:
    """Draw a dimension line with ticks, and the level of the sensor."""
    canvas.saveState()
    canvas.setStrokeColor(HexColor(INK["text"]))
    canvas.setLineWidth(0.9)
    canvas.line(x, top, x, foot)
    for y in (top, foot):
        canvas.line(x - 4, y - 3, x + 4, y + 3)
    canvas.setDash([2, 2])
    canvas.line(x, foot, x + 70, foot)
    canvas.restoreState()


def _plate(canvas: Canvas, x: float, y: float, text: str, *, bold: bool = True) -> None:
    """Write on a pale plate, so that grains do not run through the figures."""
    size = 12.0 if bold else 9.0
    words = fit_text(text, size, 120, bold=bold)
    _box(canvas, (x - 2, y - 3, width_of(words, size, bold=bold) + 4, size + 3), INK["card"])
    draw_text(canvas, x, y, words, size=size, bold=bold)


_PLAN_SHARE: Final = 0.68
_GAP: Final = 10.0
_INSET_HEIGHT: Final = 155.0
_LEAST_SHARE: Final = 0.6  # of the height of the drawings that longer tables may leave them
_SLACK: Final = 14.0  # a space, and a line more of what is kept clear of
_NAME: Final = 60
_BLANK: Final = "________________"
_WHOLE: Final = 4000  # characters: a text of ours that is never cut


def sensor_pages(
    plan: Plan,
    sensor_id: str,
    *,
    width: float,
    height: float,
    page: float,
    sheet: Sheet = _ENGLISH,
) -> list[Any]:
    """Return the flowables of one sensor's leaf, each side from the top of a page.

    width, height, page: between the margins, height of the drawings, less where the tables need
    the room, height of a page between the margins [pt].
    """
    row = plan.sensors.loc[sensor_id].to_dict()
    title = say(
        "{sensor}: zone {zone}, valve {valve}",
        sensor=sensor_id,
        zone=elide(clean(row["zone"]), 40),
        valve=elide(clean(row["valve"]), 20),
    )
    head = sheet.heading(title, "tag")
    tables = [
        _tie_table(plan, sensor_id, sheet, width),
        Spacer(1, 3),
        _reserve_table(plan, sensor_id, sheet, width),
        Spacer(1, 5),
        sheet.facts(_fact_pairs(plan, sensor_id, row), width=width, share=0.2),
    ]
    clear = _clearances(plan, _frame(plan, sensor_id, width, height), sheet)
    room = page - _tall([head, clear, *tables], width) - _SLACK
    height = min(height, max(room, _LEAST_SHARE * height))
    return [
        PageBreak(),
        head,
        _pictures(plan, sensor_id, sheet.t, width, height),
        Spacer(1, 4),
        _clearances(plan, _frame(plan, sensor_id, width, height), sheet),
        *tables,
        PageBreak(),
        *_worksheet(plan, sensor_id, row, sheet, width),
    ]


def _worksheet(
    plan: Plan, sensor_id: str, row: Mapping[str, Any], sheet: Sheet, width: float
) -> list[Any]:
    """Return the back of a leaf: why here, how to set it, what to fill in."""
    gave_way = say("What gave way: {words}", words=row["setback_note"])
    return [
        sheet.heading(say("{sensor}: worksheet", sensor=sensor_id), "tag"),
        sheet.heading(say("Why here")),
        sheet.text(_why(plan, sensor_id, row), longest=_WHOLE),
        sheet.text(_surer(row), longest=_WHOLE),
        *([sheet.note(gave_way)] if row["setback_note"] else []),
        sheet.heading(say("Depth and threshold")),
        *sheet.bullets(threshold_steps(plan, row), numbered=True),
        sheet.heading(say("To fill in on site")),
        sheet.worksheet(_blanks(plan, sensor_id, row), width=width, height=29.0),
    ]


def _tall(flowables: list[Any], width: float) -> float:
    """Return how much height flowables take one under the other [pt]."""
    return math.fsum(
        part.wrap(width, 10_000)[1] + part.getSpaceBefore() + part.getSpaceAfter()
        for part in flowables
    )


def sensor_list(plan: Plan, sheet: Sheet, *, width: float) -> Any:  # noqa: ANN401 - reportlab is not typed
    """Return the list of all sensors for the first page.

    width: between the margins [pt].
    """
    units = plan.settings.units
    rows = [
        (
            sensor_id,
            elide(clean(row.zone), 40),
            elide(clean(row.valve), 20),
            elide(", ".join(clean(zone) for zone in row.governs), 80),
            depth(row.depth_m, units),
            say("link") if row.link == "wireless" else run(row.wire_m, units),
        )
        for sensor_id, row in zip(plan.sensors.index, plan.sensors.itertuples(), strict=True)
    ]
    head = (
        say("Sensor"), say("In zone"), say("Valve"), say("Governs zones"), say("Depth"),
        say("Wire"),
    )  # fmt: skip
    return sheet.grid(head, rows, (0.9, 2.2, 0.9, 3.2, 0.9, 1), width=width, words=(0, 1, 2, 3))


def _pictures(plan: Plan, sensor_id: str, t: Language, width: float, height: float) -> Table:
    """Put the plan beside the inset and the section."""
    wide = width * _PLAN_SHARE
    thin = width - wide - _GAP
    section = height - _INSET_HEIGHT - 10

    def drawn(paint: Callable[..., None], says: str, across: float, up: float) -> Drawing:
        def painted(canvas: Canvas, wide: float, high: float) -> None:
            paint(canvas, plan, sensor_id, wide, high, t=t)

        return Drawing(painted, says, width=across, height=up, t=t)

    deep = depth(plan.sensors.loc[sensor_id, "depth_m"], plan.settings.units)
    near = say(
        "Plan of the ground around {sensor}, to scale: tapes from fixed points, reserve points, "
        "what to keep clear of. The tables below say the same in numbers.",
        sensor=sensor_id,
    )
    where = say("Small plan of the property: where {sensor} lies.", sensor=sensor_id)
    cut = say("Section of the ground: the sensor lies flat, {depth} deep.", depth=deep)
    side = [
        drawn(paint_inset, where, thin, _INSET_HEIGHT),
        Spacer(1, 8),
        drawn(paint_section, cut, thin, section),
    ]
    main = drawn(paint_surroundings, near, wide, height)
    table = Table([[main, side]], colWidths=[wide + _GAP, thin])
    table.setStyle(
        TableStyle(
            [
                ("FONTNAME", (0, 0), (-1, -1), SANS),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    return table


def _frame(plan: Plan, sensor_id: str, width: float, height: float) -> Frame:
    """Return the frame of the leaf's plan, as it will be drawn."""
    return sensor_frame(plan, sensor_id, width=width * _PLAN_SHARE, height=height - BAR_HEIGHT)


def _clearances(plan: Plan, frame: Frame, sheet: Sheet) -> Any:  # noqa: ANN401 - reportlab is not typed
    """Say what the shaded ground keeps clear of, and what the letters mean."""
    units = plan.settings.units
    near = plan.keepout.loc[plan.keepout.intersects(shapely.box(*frame.bounds))]
    words = dict.fromkeys(
        say("{hazard} {setback}", hazard=_hazard(hazard), setback=tape(metres, units))
        if metres
        else _hazard(hazard)
        for hazard, metres in zip(near["hazard"], near["setback_m"], strict=True)
    )
    told = [
        say(
            "Shaded: keep clear of {hazards}.", hazards=side_by_side(words, "; ") or say("nothing")
        ),
        say("C controller, V valve box, D downspout, small dot head."),
    ]
    if "utility" in lines_drawn(plan):
        told.append(
            say("Dash and dot: buried pipe or cable as drawn, to be located before digging.")
        )
    return sheet.text(side_by_side(told), "cell", longest=700)


def _hazard(hazard: object) -> str:
    """Return the name of a hazard, cut where it is not one of ours."""
    name = hazard_name(hazard)
    return name if isinstance(name, Said) else elide(clean(name), 24)


def _tie_table(plan: Plan, sensor_id: str, sheet: Sheet, width: float) -> Any:  # noqa: ANN401
    """Return the tape distances; the third is a check."""
    ties = plan.ties.loc[plan.ties["sensor_id"] == sensor_id].sort_values("tie")
    if ties.empty:
        return sheet.note(
            say(
                "No two fixed corners are in reach of a tape: set this point out by its coordinates"
                " below, and measure ties to whatever is fixed before backfilling."
            )
        )
    units, rows = plan.settings.units, []
    for tie, metres, kind, line, drms in zip(
        ties["tie"],
        ties["distance_m"],
        ties["from_kind"],
        ties.geometry,
        ties["drms_m"],
        strict=True,
    ):
        (x, y, *_), (end_x, end_y, *_) = line.coords[0], line.coords[-1]
        side = compass(x - end_x, y - end_y)
        use = say("set out") if tie < 3 else say("check")  # noqa: PLR2004 - the third tie
        error = "–"
        if math.isfinite(drms):
            error = say("± {error}", error=show(drms * 1000, "depth", units))
        name = say("Tie {number}", number=int(tie))
        rows.append((name, tape(metres, units), fixed_words(kind), side, use, error))
    head = (
        say("Tie"), say("Tape"), say("From"), say("It lies to the"), say("Use"), say("Error"),
    )  # fmt: skip
    return sheet.grid(
        head, rows, (1, 1.5, 3, 1.4, 1, 1.3), width=width, words=(0, 1, 2, 3, 4), bold_rows=()
    )


def _reserve_table(plan: Plan, sensor_id: str, sheet: Sheet, width: float) -> Any:  # noqa: ANN401
    """Return where to dig when the shovel meets rock: from the sensor, and by the same corners."""
    found, units = spares(plan, sensor_id), plan.settings.units
    if not found:
        none = say("No reserve point: no other ground in the zone is 2 m away and free.")
        return sheet.text(none, "cell")
    rows = []
    for spare in found:
        tapes = {
            tie: tape(metres, units)
            if clear
            else say("{tape} (wall between)", tape=tape(metres, units))
            for tie, metres, clear in spare["tapes"]
        }
        towards = compass(spare["x"] - plan.sensors.geometry[sensor_id].x,
                          spare["y"] - plan.sensors.geometry[sensor_id].y)  # fmt: skip
        rows.append(
            (
                f"R{spare['reserve']}",
                tape(spare["distance_m"], units),
                say(
                    "{point} ({degrees}°)",
                    point=towards,
                    degrees=Figure(f"{spare['bearing_deg']:.0f}"),
                ),
                tapes.get(1, "–"),
                tapes.get(2, "–"),
                chance_cell(spare["p_driest_quarter"]),
            )
        )
    head = (
        say("Reserve"),
        say("From {sensor}", sensor=sensor_id),
        say("Towards"),
        say("From point {number}", number=1),
        say("From point {number}", number=2),
        say("Driest quarter"),
    )
    return sheet.grid(head, rows, (1, 1.5, 1.5, 1.9, 1.9, 0.8), width=width, words=(0, 1, 2, 3, 4))


def _why(plan: Plan, sensor_id: str, row: Mapping[str, Any]) -> str:
    """Say why in this zone and why at this place."""
    said = plan.wording(plan.settings.units)
    return side_by_side([row["reason"], said.zone_notes.get(sensor_id, "")])


def _surer(row: Mapping[str, Any]) -> str:
    """Say the rank with its error, and what it rests on."""
    words = say("Dryness: {words}.", words=rank_words(row))
    note = row["application_note"]
    return (
        side_by_side([words, say("{sentence}.", sentence=capital(note))]) if clean(note) else words
    )


def _fact_pairs(plan: Plan, sensor_id: str, row: Mapping[str, Any]) -> Sequence[tuple[str, object]]:
    """Return what the crew needs to know about a sensor."""
    units = plan.settings.units
    governs = ", ".join(elide(clean(zone), _NAME) for zone in row["governs"])
    kind = CONTROLS.get(str(row["control"]))
    hardware = say(
        "{controller}: {hardware}; {control} control",
        controller=elide(clean(row["controller"]), _NAME) or say("the controller"),
        hardware=hardware_words(row["hardware"]),
        control=clean(row["control"]).replace("_", "-") if kind is None else kind.name,
    )
    degrees = plan.site.source_crs.is_geographic
    return (
        (
            say("Depth"),
            say(
                "{depth} to the sensor's middle. {why}",
                depth=depth(row["depth_m"], units),
                why=row["depth_note"],
            ),
        ),
        (say("Controller"), hardware),
        (
            say("Governs"),
            say_count("zone {zones}", "zones {zones}", len(row["governs"]), zones=governs),
        ),
        (say("Wire"), _wire_words(plan, sensor_id, row)),
        (say("Position"), _degrees(row["lat"], row["lon"])),
        *([] if degrees else [(say("Grid"), _own_grid(row["source_x"], row["source_y"]))]),
        *_stakes(plan, sensor_id),
        (say("Dryness"), rank_words(row)),
        (say("Setbacks"), _setback_words(row)),
    )


def _degrees(latitude: float, longitude: float) -> str:
    """Return a position as devices take it, with a point in every language."""
    at = f"{latitude:.7f}, {longitude:.7f}"
    return say("{position} (latitude, longitude, WGS 84)", position=at)


def _own_grid(x: float, y: float) -> str:
    return say("{position} (the property's own grid)", position=f"x {x:.3f}, y {y:.3f}")


def _stakes(plan: Plan, sensor_id: str) -> list[tuple[str, str]]:
    """Return where stakes stand, to be found by survey or GPS: degrees and the property's grid."""
    ties = plan.ties[(plan.ties["sensor_id"] == sensor_id) & (plan.ties["from_kind"] == "stake")]
    if ties.empty:
        return []
    places = shapely.points(ties["from_x"], ties["from_y"])
    degrees = moved(places, plan.site.crs, WGS84)
    own = moved(places, plan.site.crs, plan.site.source_crs)
    grid_too = not plan.site.source_crs.is_geographic
    return [
        (
            say("Stake {number}", number=int(tie)),
            side_by_side(
                [_degrees(at.y, at.x), _own_grid(here.x, here.y) if grid_too else ""], "; "
            ),
        )
        for tie, at, here in zip(ties["tie"], degrees, own, strict=True)
    ]


def _setback_words(row: Mapping[str, Any]) -> str:
    """Say whether every setback is met, and which is the tightest."""
    ratio = row["setback_ratio"]
    if not math.isfinite(ratio):
        return say("nothing to keep clear of")
    words = say("NOT all met, see overleaf; tightest: {hazard}, {share} of what is asked")
    if ratio >= 1:
        words = say("all met; tightest: {hazard}, {share} of what is asked")
    return say(words, hazard=_hazard(row["binding_setback"]), share=percent(ratio))


#: What a trench crosses, as `Plan.wire_routes` has it.
_CROSSED: Final[dict[str, str]] = {
    word: word for word in (say("paving"), say("tree roots"), say("planted bed"))
}


def _wire_words(plan: Plan, sensor_id: str, row: Mapping[str, Any]) -> str:
    """Return the wire's length and what it crosses."""
    if row["link"] == "wireless":
        return LINK_WORDS
    units = plan.settings.units
    routes = plan.wire_routes.loc[plan.wire_routes["sensor_id"] == sensor_id, "crosses"]
    crossed = dict.fromkeys(clean(word) for word in routes if clean(word))
    names = [_CROSSED.get(name, name) for words in crossed for name in words.split(", ")]
    length = say(
        "{length} to {end}",
        length=run(row["wire_m"], units),
        end=DECODER_WORDS if row["link"] else say("the controller"),
    )
    if row["gauge_awg"]:
        length = say(
            "{length}, {gauge} AWG or thicker ({lost} V lost)",
            length=length,
            gauge=int(row["gauge_awg"]),
            lost=Figure(f"{row['drop_v']:.2f}"),
        )
    share = say("share of the trench {length}", length=run(row["trench_m"], units))
    over = say("crosses {things}", things=side_by_side(names, ", ")) if names else ""
    return side_by_side([length, share, over], "; ")


def threshold_steps(plan: Plan, row: Mapping[str, Any]) -> list[str]:
    """Return how to bury the sensor and set its threshold, step by step."""
    units = plan.settings.units
    water = say("about 5 gal on the spot, or 1 in")
    if units == "metric":
        water = say("about 20 L on the spot, or 25 mm")
    steps: list[str] = [
        say(
            "Bury it level, {depth} deep, firm soil against it on all sides, no air gaps, no "
            "stones; put the soil back in the order it came out.",
            depth=depth(row["depth_m"], units),
        ),
        say(
            "Soak the place thoroughly ({water} from the system), then keep the zone off.",
            water=water,
        ),
        say(
            "Wait {hours} h without watering or rain, then read the sensor: this reading is field "
            "capacity here.",
            hours=number(row["soak_wait_h"]),
        ),
    ]
    withheld = str(row.get("threshold_withheld") or "")
    if withheld:
        return [*steps, withheld]
    below = say(
        "{points} points of water by volume below that reading, near {content}: {share} of the "
        "available water used ({water})",
        points=number(100 * row["threshold_step_vwc"], 1),
        content=percent(row["threshold_vwc"]),
        share=percent(row["threshold_low_fraction"]),
        water=show(row["threshold_low_mm"], "depth", units),
    )
    able = say(
        "A sensor that is not sure to {points} points by volume once it is set does not belong "
        "here.",
        points=number(100 * plan.settings.control.sensor_error, 1),
    )
    return [*steps, say(CONTROLS[str(row["control"])].step, place=below), able]


def _blanks(plan: Plan, sensor_id: str, row: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the lines of the worksheet."""
    units = plan.settings.units
    ties = plan.ties.loc[plan.ties["sensor_id"] == sensor_id].sort_values("tie")
    blank, box = {"blank": _BLANK}, {"box": printable("☐")}
    built = [
        (
            say("As-built tie {number}", number=int(n)),
            say("plan {tape}; built {blank} from {blank}", tape=tape(m, units), **blank),
        )
        for n, m in zip(ties["tie"], ties["distance_m"], strict=True)
    ]
    bare = [
        (say("As-built tie {number}", number=n), say("{blank} from {blank}", **blank))
        for n in (1, 2)
    ]
    wait = say("Reading after {hours} h", hours=number(row["soak_wait_h"]))
    deep = depth(row["depth_m"], units)
    return [
        (say("Utility locate"), say("ticket {blank} date {blank} all clear {box}", **blank, **box)),
        (
            say("Private lines"),
            say("owner asked {box}; none {box}; located {box} by {blank}", **blank, **box),
        ),
        (say("Flagged by, date"), ""),
        *(built or bare),
        (say("As-built depth"), say("plan {depth}; built {blank}", depth=deep, **blank)),
        (
            say("Wiring"),
            say("waterproof splices in a box {box}; right valve and zone run {box}", **box),
        ),
        (say("Soaked"), say("from {blank} to {blank}", **blank)),
        (wait, say("at {blank} reading {blank}", **blank)),
        (say("Threshold set"), say("low {blank}", **blank)),
        (
            say("Photos taken"),
            say("hole with tape {box}; backfilled {box}; numbers {blank}", **blank, **box),
        ),
        (say("Name, signature, date"), ""),
    ]


_SIDE: Final = 0.55 * inch
_TOP: Final = 0.5 * inch
_FOOT: Final = 0.95 * inch
_LEAST_OWNERS_PICTURE: Final = 240.0  # height [pt]
_PICTURES: Final = 0.5  # share of a leaf that the drawings take; the rest is tables


def write_crew(plan: Plan, path: Path | str) -> Path:
    """Write what a crew needs, complete by itself: where, how, the timer, materials, cautions."""
    return _write(plan, path, _crew, say("crew sheets"), sheet_of(plan))


def write_owner(plan: Plan, path: Path | str) -> Path:
    """Write the owner's sheet: what it costs, what it brings, the lawn, what is asked of them."""
    return _write(plan, path, _owner, say("for the owner"))


def write_office(plan: Plan, path: Path | str) -> Path:
    """Write what the office weighs: zones, choices, money, seasons, what all of it rests on."""
    return _write(plan, path, _office, say("for the office"))


def write_sheets(plan: Plan, path: Path | str) -> Path:
    """Write everything in one file: the crew's, the office's and the owner's pages."""
    return _write(plan, path, _whole, say("crew sheets"), sheet_of(plan))


def sheet_of(plan: Plan) -> Sheet:
    """Return the look of the sheets in the language of a plan's crew."""
    return Sheet(language(plan.settings.language))


#: Returns the flowables of a file: a plan, the look, width and height between the margins [pt].
_Story = Callable[[Plan, Sheet, float, float], list[Any]]


def _write(
    plan: Plan, path: Path | str, story: _Story, subject: str, sheet: Sheet = _ENGLISH
) -> Path:
    """Write one file of sheets, whole or not at all."""
    register_fonts()
    out = io.BytesIO()
    page = LETTER if plan.settings.units == "us" else A4
    width = page[0] - 2 * _SIDE
    name = printable(plan.site.name)
    document = BaseDocTemplate(
        out,
        pagesize=page,
        invariant=1,
        title=elide(name, 120),
        author="siting",
        creator="siting",
        subject=sheet.t(say("Soil-moisture sensors: {subject}", subject=subject)),
        keywords=[
            sheet.t(word) for word in (say("irrigation"), say("soil moisture"), say("sensor plan"))
        ],
        displayDocTitle=True,
        lang=sheet.t.code,
        initialFontName=SANS,
    )
    window = PageFrame(
        _SIDE, _FOOT, width, page[1] - _TOP - _FOOT,
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
    )  # fmt: skip
    document.addPageTemplates(PageTemplate("sheet", [window]))
    height = page[1] - _TOP - _FOOT
    caution = dig_caution(plan.settings.country)
    document.build(
        story(plan, sheet, width, height),
        canvasmaker=partial(_FootedCanvas, name=name, caution=caution, t=sheet.t),
    )
    return write_bytes(path, out.getvalue())


def _crew(plan: Plan, sheet: Sheet, width: float, height: float) -> list[Any]:
    """Return the crew's pages; one sensor needs no cover: its leaf shows the property too."""
    alone = len(plan.sensors) == 1
    story = _title(plan, sheet) if alone else _cover(plan, sheet, width)
    leaves = _leaves(plan, sheet, width, height - _tall(story, width) if alone else height)
    return [
        *story,
        *(leaves[1:] if alone else leaves),
        PageBreak(),
        *timer_pages(plan, sheet, width=width),
        *material_pages(plan, sheet, width=width),
        *caution_pages(plan, sheet),
    ]


def _title(plan: Plan, sheet: Sheet) -> list[Any]:
    """Return the property's name, and after a visit to the field what to do now."""
    todo = [
        sheet.heading(say("What to do now, the most urgent first")),
        *sheet.bullets(plan.do_now),
    ]
    return [
        sheet.heading(elide(clean(plan.site.name), 90), "title"),
        *(todo if plan.do_now else []),
        *_unprintable(plan, sheet),
    ]


def overview_drawing(
    plan: Plan, t: Language, width: float, height: float | Callable[[float], float]
) -> Drawing:
    """Return the picture of the whole property.

    width, height: on paper, see `Drawing` [pt].
    """
    says = say_count(
        "Plan of the property with the sensor {tags}, the trench, zones, buildings and trees.",
        "Plan of the property with the sensors {tags}, the trench, zones, buildings and trees.",
        len(plan.sensors),
        tags=", ".join(map(str, plan.sensors.index)),
    )
    return Drawing(
        lambda canvas, wide, high: paint_overview(canvas, plan, wide, high, t=t),
        says, width=width, height=height, t=t,
    )  # fmt: skip


def _cover(plan: Plan, sheet: Sheet, width: float) -> list[Any]:
    """Return the first page: the decision, the property, the list of sensors."""
    name, *rest = _title(plan, sheet)
    return [
        name,
        sheet.text(plan.wording(plan.settings.units).headline, "lead", longest=20_000),
        *rest,
        overview_drawing(plan, sheet.t, width, partial(overview_height, plan, width, t=sheet.t)),
        Spacer(1, 6),
        sensor_list(plan, sheet, width=width),
    ]


def _leaves(plan: Plan, sheet: Sheet, width: float, height: float, *tags: str) -> list[Any]:
    """Return a leaf for each sensor, or for those named."""
    size = {"width": width, "height": height * _PICTURES, "page": height}
    named = tags or map(str, plan.sensors.index)
    return [part for tag in named for part in sensor_pages(plan, tag, **size, sheet=sheet)]


def _owner(plan: Plan, sheet: Sheet, width: float, height: float) -> list[Any]:
    """Return the owner's sheet; the picture of the property takes what the words leave."""
    top = [*_title(plan, sheet)[:1], *_unprintable(plan, sheet)]
    words = owner_short(plan, width=width)
    room = height - _tall([*top, *words], width) - _SLACK
    tall = overview_height(plan, width, max(room, _LEAST_OWNERS_PICTURE))
    return [*top, overview_drawing(plan, sheet.t, width, tall), *words]


def _office(plan: Plan, sheet: Sheet, width: float, _: float) -> list[Any]:
    """Return the office's pages."""
    return [
        *_cover(plan, sheet, width),
        PageBreak(),
        *office_pages(plan, width=width),
        *assumed_pages(plan),
        *caution_pages(plan, sheet),
        *owner_pages(plan, width=width),
    ]


def _whole(plan: Plan, sheet: Sheet, width: float, height: float) -> list[Any]:
    """Return everything in the order in which it is printed; the office reads English."""
    return [
        *_cover(plan, sheet, width),
        *_leaves(plan, sheet, width, height),
        PageBreak(),
        *timer_pages(plan, sheet, width=width),
        *office_pages(plan, width=width),
        *material_pages(plan, sheet, width=width),
        PageBreak(),
        *caution_pages(plan, sheet),
        *assumed_pages(plan),
        *owner_pages(plan, width=width),
    ]


def _unprintable(plan: Plan, sheet: Sheet) -> list[Any]:
    """Say so where the typeface lacks letters of a name."""
    names = [plan.site.name, *plan.zones.index, *plan.zones["valve"]]
    if all(not lacks_letters(name) for name in names):
        return []
    return [
        sheet.note(
            say(
                "Some letters of the names are not in this sheet's typeface and stand in words (in "
                "brackets); the map and the files show them. Valves and sensor tags are what "
                "counts on site."
            )
        )
    ]


class _FootedCanvas(TaggedCanvas):
    """Writes the foot of every page once the number of pages is known."""

    def __init__(self, *args: Any, name: str, caution: str, t: Language, **options: Any) -> None:  # noqa: ANN401
        super().__init__(*args, code=t.code, **options)
        self._name, self._caution, self._t = name, caution, t
        self.setCatalogEntry("Metadata", XMP(creator=partial(metadata, code=t.code)))
        self._outlines: list[tuple[str, int]] = []

    def keep_outline(self, title: str, level: int) -> None:
        """List a heading of this page in the file's outline."""
        self._outlines.append((title, level))

    def showPage(self) -> None:  # noqa: N802 - reportlab's name
        """Keep the page for later."""
        super().showPage()
        self._outlines = []

    def finish(self, number: int, total: int) -> None:
        """List the page's headings; write the dig caution, the property and the page number."""
        for place, (title, level) in enumerate(self._outlines):
            self.bookmarkPage(f"part{number}.{place}")
            self.addOutlineEntry(title, f"part{number}.{place}", level, closed=True)
        width = self._pagesize[0] - 2 * _SIDE
        self.saveState()
        self.setStrokeColor(HexColor(INK["caution_edge"]))
        self.setLineWidth(1)
        self.line(_SIDE, _FOOT - 8, _SIDE + width, _FOOT - 8)
        caution = Paragraph(f"<b>{markup(self._t(self._caution))}</b>", style("foot"))
        _, tall = caution.wrap(width, _FOOT)
        # read aloud once, at the end, like the words of the pages
        with tagged(self, Tag("P") if number == total else None):
            caution.drawOn(self, _SIDE, _FOOT - 11 - tall)
        draw_text(self, _SIDE, 20, fit_text(self._name, 9, width - 110), size=9)
        words = say("page {number} of {total}", number=number, total=total)
        draw_text(self, _SIDE + width, 20, self._t(words), size=9, bold=True, anchor=1.0)
        self.restoreState()
