"""The page without JavaScript: a drawn plan and plain tables, every text escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

import numpy as np
from shapely import get_coordinates
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from siting.handoff._crowns import crown_shapes
from siting.handoff._map_data import Document, label_places, need_scale
from siting.handoff._map_text import Pair, shorten
from siting.palette import INK, MARKS, NEED, ramp_colour, text_on
from siting.planning import Plan

__all__ = ["plan_picture", "static_page"]

_MARGIN = 0.04
_WIDTH = 1000.0
_SHORT = 14


class _Sheet:
    """Maps the working CRS [m] to the picture, y down."""

    def __init__(self, bounds: Sequence[float]) -> None:
        west, south, east, north = bounds
        margin = _MARGIN * max(east - west, north - south)
        self.west, self.north = west - margin, north + margin
        self.scale = _WIDTH / (east - west + 2 * margin)
        self.height = round((north - south + 2 * margin) * self.scale, 1)

    def path(self, geometry: BaseGeometry) -> str:
        """Return the SVG path of polygons or lines."""
        parts: list[str] = []
        for part in getattr(geometry, "geoms", [geometry]):
            rings = [part.exterior, *part.interiors] if isinstance(part, Polygon) else [part]
            parts += [self._ring(ring) for ring in rings if not ring.is_empty]
        return "".join(parts)

    def _ring(self, ring: BaseGeometry) -> str:
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in self.points(ring))
        close = "" if type(ring) is LineString else "Z"
        return f"M{points}{close}"

    def points(self, geometry: BaseGeometry) -> list[tuple[float, float]]:
        """Return the coordinates of a geometry in the picture."""
        xy = get_coordinates(geometry)
        x = (xy[:, 0] - self.west) * self.scale
        y = (self.north - xy[:, 1]) * self.scale
        return list(zip(x.tolist(), y.tolist(), strict=True))


def plan_picture(plan: Plan) -> str:
    """Return the plan as an SVG drawing that stands alone.

    Result: an `svg` element; north is up.
    """
    site = plan.site
    sheet = _Sheet(site.boundary.bounds)
    crowns = [c for c in crown_shapes(site.trees) if c is not None]
    trench = plan.wire_routes.geometry[plan.wire_routes["kind"] == "trench"]
    body = [
        _path(sheet, [site.boundary], INK["card"], MARKS["boundary"], 2.5),
        _path(sheet, site.paving.geometry, MARKS["paving"], MARKS["paving_edge"], 1),
        *_zone_parts(plan, sheet),
        _path(sheet, site.buildings.geometry, MARKS["building"], MARKS["building_edge"], 2),
        _path(sheet, crowns, MARKS["crown"], MARKS["crown_edge"], 1, opacity=0.3),
        _path(sheet, trench, "none", MARKS["trench"], 4),
        _path(sheet, plan.ties.geometry, "none", MARKS["tie"], 1.2, dash="6 5"),
        *_sensor_parts(plan, sheet),
    ]
    title = escape(f"Plan of {site.name}, north is up, {len(plan.sensors)} sensors")
    return (
        f'<svg class="plan-picture" viewBox="0 0 {_WIDTH:.0f} {sheet.height}" role="img" '
        f'aria-label="{title}" font-family="sans-serif">{"".join(body)}</svg>'
    )


def static_page(plan: Plan, document: Document) -> str:
    """Return what stands in the page where there is no JavaScript.

    Result: HTML; every text of a user is escaped.
    """
    unit = int(plan.settings.units == "us")
    panel = document["panel"]
    sensors = [
        [s["id"], *(text for label, text in s["rows"] if label in _SENSOR_HEADS), s["places"][0][1]]
        for s in document["sensors"]
    ]
    saved = panel["savings"]
    return "".join(
        [
            f"<h1>{escape(plan.site.name)}</h1>",
            "<p>This is the plain page: the interactive map needs JavaScript.</p>",
            plan_picture(plan),
            "<p>North is up.</p>",
            f"<h2>How many sensors, and why</h2><p>{escape(_in(panel['headline'], unit))}</p>",
            f"<h3>In full</h3><p>{escape(_in(panel['answer'], unit))}</p>",
            _table("Sensors", ["Sensor", *_SENSOR_HEADS, "Latitude, longitude"], sensors, unit),
            _table("Ties", panel["tie_table"]["head"], panel["tie_table"]["rows"], unit),
            _table("Zones", panel["zone_table"]["head"], panel["zone_table"]["rows"], unit),
            _table(
                "Minutes by month", panel["month_table"]["head"], panel["month_table"]["rows"], unit
            ),
            _table(
                "Number of sensors",
                panel["choice_table"]["head"],
                panel["choice_table"]["rows"],
                unit,
            ),
            *(
                _table(caption, panel[key]["head"], panel[key]["rows"], unit)
                for caption, key in _MORE
            ),
            f"<h2>Savings</h2><p>{escape(_in(saved['claim'], unit))}</p>",
            _table("Water and money", ["What", "How much"], saved["rows"], unit),
            _table(
                "What moves the result",
                panel["moves"]["table"]["head"],
                panel["moves"]["table"]["rows"],
                unit,
            ),
            _list("Before you dig", plan.cautions),
            _list("What this rests on", [_in(words, unit) for words in panel["assumptions"]]),
            _list("Assumed, repaired or not met", plan.warnings),
        ]
    )


_SENSOR_HEADS = ("Buried in zone", "Valve", "Governs zones", "Depth", "Why here", "Setbacks")


_MORE = (
    ("Every number of sensors, and plain rules", "option_table"),
    ("Kinds of control, on the same weather", "control_table"),
)


def _zone_parts(plan: Plan, sheet: _Sheet) -> list[str]:
    scale = need_scale(plan)
    parts: list[str] = []
    for (name, row), label in zip(plan.zones.iterrows(), label_places(plan), strict=True):
        place = scale.fraction(np.array([row["need_score"]], dtype=float))[0]
        colour = ramp_colour(NEED, float(np.nan_to_num(place)))
        [(x, y)] = sheet.points(label[0])
        parts.append(_path(sheet, [row.geometry], colour, MARKS["zone_edge"], 1.2))
        parts.append(_text(x, y, shorten(str(name), _SHORT), 24, text_on(colour)))
    return parts


def _sensor_parts(plan: Plan, sheet: _Sheet) -> list[str]:
    parts: list[str] = []
    for sensor_id, row in plan.sensors.iterrows():
        [(x, y)] = sheet.points(row.geometry)
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="21" fill="{MARKS["sensor"]}" '
            f'stroke="{MARKS["sensor_edge"]}" stroke-width="3"/>'
        )
        parts.append(_text(x, y + 7, str(sensor_id), 20, "#ffffff"))
    return parts


def _path(
    sheet: _Sheet,
    shapes: Iterable[BaseGeometry | MultiPolygon],
    fill: str,
    edge: str,
    width: float,
    *,
    opacity: float = 1.0,
    dash: str = "none",
) -> str:
    d = "".join(sheet.path(shape) for shape in shapes)
    if not d:
        return ""
    return (
        f'<path d="{d}" fill="{fill}" fill-opacity="{opacity}" fill-rule="evenodd" '
        f'stroke="{edge}" stroke-width="{width}" stroke-dasharray="{dash}"/>'
    )


def _text(x: float, y: float, text: str, size: int, colour: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" font-weight="bold" '
        f'text-anchor="middle" fill="{colour}">{escape(text)}</text>'
    )


def _in(text: Pair, unit: int) -> str:
    """Return a text in one system of units: 0 metric, 1 US."""
    return text if isinstance(text, str) else text[unit]


def _table(caption: str, head: Sequence[str], rows: Sequence[Sequence[Pair]], unit: int) -> str:
    top = "".join(f'<th scope="col">{escape(h)}</th>' for h in head)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(_in(c, unit))}</td>" for c in row) + "</tr>" for row in rows
    )
    table = f"<table><caption>{escape(caption)}</caption><tr>{top}</tr>{body}</table>"
    return f'<div class="wide">{table}</div>'


def _list(title: str, items: Sequence[str]) -> str:
    if not items:
        return ""
    return f"<h2>{title}</h2><ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"
