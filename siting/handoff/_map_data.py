"""Everything the map page shows, as one plain document that goes into the page as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pyproj
from shapely import get_coordinates, maximum_inscribed_circle
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from siting.handoff._basemaps import basemaps
from siting.handoff._crowns import crown_shapes
from siting.handoff._hazards import keep_clear, lines_drawn
from siting.handoff._map_aerial import aerial_overlay
from siting.handoff._map_money import (
    assumption_pairs,
    control_table,
    move_chart,
    option_table,
)
from siting.handoff._map_raster import Scale, clip_to, nice_scale, overlay
from siting.handoff._map_steps import reserve_rows, sensor_steps, tie_rows, tie_table
from siting.handoff._map_sun import LIT, sun_document, sun_scale
from siting.handoff._map_text import (
    Pair,
    both,
    choice_table,
    fill,
    month_table,
    savings,
    sensor_rows,
    sentence,
    shorten,
    words,
    words_raw,
    zone_rows,
    zone_table,
)
from siting.handoff._timer_rows import valves
from siting.palette import DRYNESS, INK, MARKS, NEED, SUN, ramp_colour
from siting.planning import Plan
from siting.site.vocabulary import FIXTURES
from siting.units import QUANTITIES

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["as_json", "label_places", "map_document", "need_scale"]

_DEGREES_SHAPE = 8  # about a millimetre
_DEGREES_POINT = 10
_DEGREES_LABEL = 6
_SMOOTH_M = 0.02  # arcs of keep-clear areas are thinned by no more than this
_TAG_SHARE = 0.1  # of the property, kept clear of zone names round a sensor
_ROOMY = 0.3
_LABEL_PLACES = 6
_CHOICE = (
    "feasible", "stress_days", "cost_per_year", "value_of_next", "value_of_next_low",
    "value_of_next_high", "chosen",
)  # fmt: skip
_DRAWN_ALIKE = {"controller", "valve_box", "head", "downspout"}

Document = dict[str, Any]


def map_document(plan: Plan, *, online: bool = False) -> Document:
    """Return everything the map page shows.

    Result: plain values only; positions are [latitude, longitude] in degrees (WGS 84), figures both
    as numbers in SI (`values`) and as text in metric and US units (pairs).
    """
    west, south, east, north = (
        gpd.GeoSeries([plan.site.boundary], crs=plan.site.crs).to_crs(4326).total_bounds
    )
    need = need_scale(plan)
    return {
        "name": plan.site.name,
        "units": plan.settings.units,
        "length": [
            {"label": edge.label, "factor": edge.factor, "decimals": 1}
            for edge in QUANTITIES["length"].values()
        ],
        "metres_per_degree": _metres_per_degree(plan.site.crs, plan.site.latitude),
        "bounds": [[round(south, 7), round(west, 7)], [round(north, 7), round(east, 7)]],
        "ink": INK,
        "marks": MARKS,
        "scales": _scales(plan, need),
        "overlays": _overlays(plan),
        "basemaps": basemaps() if online else [],
        "sun": sun_document(plan),
        "boundary": _polygons(plan.site.boundary, plan.site.crs),
        "ground": _ground(plan),
        "fixtures": _fixtures(plan),
        "zones": _zones(plan, need),
        "routes": _routes(plan),
        "sensors": _sensors(plan),
        "panel": _panel(plan),
    }


def as_json(document: Document) -> str:
    r"""Return a document as JSON that may stand inside a script element.

    Everything that could end the element or upset an older parser is escaped, and everything else
    beyond ASCII too, so that no text of a user has any meaning to the page.

    document: plain values, NaN must have become None.

    >>> as_json({"name": "</script>&"})
    '{"name":"\\u003c/script\\u003e\\u0026"}'
    """
    text = json.dumps(document, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def need_scale(plan: Plan) -> Scale:
    """Return the scale of the zones' water-need scores, from zero.

    Result: the scale [% of ready water per peak day].
    """
    scores = plan.zones["need_score"].to_numpy(dtype=float)
    known = scores[np.isfinite(scores)]
    return nice_scale(0.0, float(known.max()) if known.size else 1.0)


def label_places(plan: Plan) -> list[list[Point]]:
    """Return places for every zone's name, roomiest first, clear of the sensors' tags if possible.

    Result: in the working CRS, in the order of ``plan.zones``; at least one place per zone.
    """
    west, south, east, north = plan.site.boundary.bounds
    reach = _TAG_SHARE * max(east - west, north - south)
    near = plan.sensors.geometry.buffer(reach).union_all()
    return [_roomy(shape, near, reach) for shape in plan.zones.geometry]


def _roomy(shape: BaseGeometry, near: BaseGeometry, reach: float) -> list[Point]:
    """Return middles of the largest circles in a zone, each away from those before it."""
    clear = shape.difference(near)
    left: Any = clear if clear.area > _ROOMY * shape.area else shape
    places: list[Point] = []
    while len(places) < _LABEL_PLACES and not left.is_empty and left.area > 0:
        places.append(Point(get_coordinates(maximum_inscribed_circle(left))[0]))
        left = left.difference(places[-1].buffer(reach / 2))
    return places


def _metres_per_degree(crs: pyproj.CRS, latitude: float) -> list[float]:
    """Metres in a degree of latitude and of longitude on the ellipsoid at the property."""
    geod = crs.get_geod() or pyproj.Geod(ellps="WGS84")
    half = 0.0005
    north = geod.inv(0.0, latitude - half, 0.0, latitude + half)[2]
    east = geod.inv(-half, latitude, half, latitude)[2]
    return [round(north / (2 * half), 3), round(east / (2 * half), 3)]


def _latlon(
    geometries: Iterable[BaseGeometry], crs: pyproj.CRS, decimals: int
) -> list[list[list[float]]]:
    """Coordinates of lines or points as [latitude, longitude]."""
    degrees = gpd.GeoSeries(list(geometries), crs=crs).to_crs(4326)
    return [np.round(get_coordinates(g)[:, ::-1], decimals).tolist() for g in degrees]


def _polygons(geometry: BaseGeometry, crs: pyproj.CRS) -> list[list[list[list[float]]]]:
    """Polygons of a geometry, each a list of rings of [latitude, longitude], outer ring first."""
    degrees = gpd.GeoSeries([geometry], crs=crs).to_crs(4326).explode()
    return [
        [
            np.round(get_coordinates(ring)[:-1, ::-1], _DEGREES_SHAPE).tolist()
            for ring in (part.exterior, *part.interiors)
        ]
        for part in degrees
        if isinstance(part, Polygon)
    ]


def _plain(row: pd.Series[Any], columns: Iterable[str]) -> Document:
    """Numbers and words of a row as plain values, unknown ones None."""
    values: Document = {}
    for column in columns:
        value = row[column]
        if isinstance(value, tuple):
            values[column] = [str(v) for v in value]
        elif isinstance(value, (bool, np.bool_)):
            values[column] = bool(value)
        elif isinstance(value, (int, np.integer)):
            values[column] = int(value)
        elif isinstance(value, (float, np.floating)):
            values[column] = float(value) if math.isfinite(value) else None
        else:
            values[column] = None if value is None else str(value)
    return values


def _legend(scale: Scale, ramp: tuple[str, ...], title: str, unit: str) -> Document:
    return {
        "title": title,
        "unit": unit,
        "colours": [ramp_colour(ramp, k / 8) for k in range(9)],
        "low": scale.low,
        "high": scale.high,
        "ticks": [f"{tick:.{scale.decimals}f}" for tick in scale.ticks],
    }


def _sun_hours(plan: Plan) -> np.ndarray[Any, np.dtype[np.float64]]:
    mean = np.asarray(plan.sun.sun_hours.mean(axis=0), dtype=np.float64)
    return clip_to(mean, plan.sun.grid, plan.site.boundary)


def _dryness_scale(plan: Plan) -> Scale:
    known = plan.dryness[np.isfinite(plan.dryness)]
    low, high = np.percentile(known, [2, 98]) if known.size else (0.5, 1.5)
    return nice_scale(float(low), float(high))


def _scales(plan: Plan, need: Scale) -> Document:
    return {
        "need": _legend(need, NEED, "Water need of a zone", "% of its ready water per peak day"),
        "sun": _legend(sun_scale(plan), SUN, "Direct sun", "h a day"),
        "shade": _legend(LIT, SUN, "Light at an hour", "% of the direct sun"),
        "dryness": _legend(
            _dryness_scale(plan), DRYNESS, "Dryness of the ground", "× the property's mean"
        ),
        "rank": _legend(
            nice_scale(0.0, 1.0), DRYNESS, "Rank of dryness in its zone", "share that is less dry"
        ),
    }


def _overlays(plan: Plan) -> Document:
    grid, crs = plan.sun.grid, plan.site.crs
    pictures = {
        "sun": overlay(_sun_hours(plan), grid, crs, scale=sun_scale(plan), ramp=SUN),
        "dryness": overlay(plan.dryness, grid, crs, scale=_dryness_scale(plan), ramp=DRYNESS),
    }
    if plan.rank.shape == grid.shape:
        scale = nice_scale(0.0, 1.0)
        pictures["rank"] = overlay(plan.rank, grid, crs, scale=scale, ramp=DRYNESS)
    photo = aerial_overlay(plan)
    if photo is not None:
        pictures["aerial"] = photo
    return {
        key: {"url": picture.url, "bounds": [list(corner) for corner in picture.bounds]}
        for key, picture in pictures.items()
    }


def _ground(plan: Plan) -> Document:
    """Return buildings, paving, trees, keep-clear areas and where else to dig."""
    site, crs = plan.site, plan.site.crs
    trunks = _latlon(site.trees.geometry, crs, _DEGREES_SHAPE)
    crowns = crown_shapes(site.trees)
    return {
        "buildings": [_polygons(g, crs) for g in site.buildings.geometry],
        "paving": [_polygons(g, crs) for g in site.paving.geometry],
        "trees": [
            {"trunk": at[0], "crown": [] if crown is None else _polygons(crown, crs)}
            for at, crown in zip(trunks, crowns, strict=True)
        ],
        "lines": {
            name: [line for [*line] in _latlon(lines, crs, _DEGREES_SHAPE)]
            for name, lines in lines_drawn(plan).items()
        },
        "admissible": [
            _polygons(shape.simplify(_SMOOTH_M), crs) for shape in plan.admissible.geometry
        ],
        "reserves": [
            {"label": f"{row['sensor_id']} R{row['reserve']}", "at": at[0]}
            for (_, row), at in zip(
                plan.reserves.iterrows(),
                _latlon(plan.reserves.geometry, crs, _DEGREES_SHAPE),
                strict=True,
            )
        ],
        "keepout": [
            {
                "reason": _keep_clear(row["hazard"], float(row["setback_m"])),
                "shape": _polygons(row.geometry.simplify(_SMOOTH_M), crs),
            }
            for _, row in plan.keepout.iterrows()
            if row.geometry is not None and not row.geometry.is_empty
        ],
    }


def _keep_clear(hazard: object, metres: float) -> Pair:
    """Say what to keep clear of and why, in both units."""
    told = both(metres, "length", si=1)
    return [
        keep_clear(hazard, distance, metres=metres)
        for distance in ([told] if isinstance(told, str) else told)
    ]


def _fixtures(plan: Plan) -> list[Document]:
    frame = plan.site.fixtures
    places = _latlon(frame.geometry, plan.site.crs, _DEGREES_SHAPE)
    return [
        {
            "kind": row["kind"] if row["kind"] in _DRAWN_ALIKE else "other",
            "label": words(row["kind"]) if row["kind"] in FIXTURES else words_raw(row["kind"]),
            "name": row["name"] if isinstance(row["name"], str) else None,
            "valve": row["valve"] if isinstance(row["valve"], str) else None,
            "at": at[0],
        }
        for (_, row), at in zip(frame.iterrows(), places, strict=True)
    ]


def _zones(plan: Plan, need: Scale) -> list[Document]:
    crs = plan.site.crs
    columns = [c for c in plan.zones.columns if c != "geometry"]
    set_to = valves(plan)
    places = [_latlon(found, crs, _DEGREES_LABEL) for found in label_places(plan)]
    zones = []
    for (name, row), label in zip(plan.zones.iterrows(), places, strict=True):
        place = float(need.fraction(np.array([row["need_score"]], dtype=float))[0])
        zones.append(
            {
                "zone": str(name),
                "values": _plain(row, columns),
                "rows": zone_rows(row, set_to.get(str(name))),
                "colour": ramp_colour(NEED, place) if math.isfinite(place) else INK["line"],
                "label_at": label[0][0],
                "label_places": [at for [at] in label],
                "shape": _polygons(row.geometry, crs),
            }
        )
    return zones


def _routes(plan: Plan) -> list[Document]:
    frame = plan.wire_routes
    lines = _latlon(frame.geometry, plan.site.crs, _DEGREES_SHAPE)
    return [
        {
            "kind": str(row["kind"]),
            "sensor": str(row["sensor_id"]),
            "length_m": round(float(row["length_m"]), 3),
            "length": both(row["length_m"], "length", si=1, us=0),
            "crosses": str(row["crosses"]),
            "line": line,
        }
        for (_, row), line in zip(frame.iterrows(), lines, strict=True)
    ]


def _sensors(plan: Plan) -> list[Document]:
    columns = [c for c in plan.sensors.columns if c != "geometry"]
    return [
        {
            "id": str(sensor_id),
            "at": [round(row["lat"], _DEGREES_POINT), round(row["lon"], _DEGREES_POINT)],
            "values": _plain(row, columns),
            "summary": fill(
                "{} deep in zone {}",
                both(1000 * row["depth_m"], "depth", us=1),
                shorten(words_raw(row["zone"])),
            ),
            "rows": sensor_rows(plan, str(sensor_id)),
            "steps": sensor_steps(row),
            "ties": _ties(plan, str(sensor_id)),
            "reserves": reserve_rows(plan, str(sensor_id)),
            "places": _places(plan, row),
        }
        for sensor_id, row in plan.sensors.iterrows()
    ]


def _ties(plan: Plan, sensor_id: str) -> list[Document]:
    frame = plan.ties[plan.ties["sensor_id"] == sensor_id]
    lines = _latlon(frame.geometry, plan.site.crs, _DEGREES_POINT)
    rows = tie_rows(frame)
    return [
        {"cells": cells, "distance_m": round(float(distance), 4), "line": line}
        for cells, distance, line in zip(rows, frame["distance_m"], lines, strict=True)
    ]


def _places(plan: Plan, row: pd.Series[Any]) -> list[tuple[str, str]]:
    """Coordinates to copy: label and text."""
    crs = plan.site.source_crs
    authority = crs.to_authority()
    label = ":".join(authority) if authority else "the property's coordinates"
    decimals = 7 if crs.is_geographic else 3
    own = f"{row['source_x']:.{decimals}f}, {row['source_y']:.{decimals}f}"
    return [
        ("Latitude, longitude", f"{row['lat']:.7f}, {row['lon']:.7f}"),
        (f"x, y in {label}", own),
    ]


def _panel(plan: Plan) -> Document:
    choices = [
        {
            "n": int(str(n)),
            **_plain(row, _CHOICE),
        }
        for n, row in plan.choices.iterrows()
    ]
    return {
        "headline": sentence(plan, lambda said: said.headline),
        "answer": sentence(plan, lambda said: said.answer),
        "currency": str(plan.economics["currency"]),
        "choices": choices,
        "choice_table": choice_table(plan),
        "option_table": option_table(plan),
        "control_table": control_table(plan),
        "moves": move_chart(plan),
        "assumptions": assumption_pairs(plan),
        "tie_table": tie_table(plan),
        "zone_table": zone_table(plan),
        "month_table": month_table(plan),
        "savings": savings(plan),
        "cautions": list(plan.cautions),
        "warnings": list(plan.warnings),
    }
