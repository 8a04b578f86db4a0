"""The map: one HTML page that needs no network.

The page is our own template. Scripts and styles are vendored files, written into it; everything
of the plan goes into one JSON block that our own script shows as text. A plain map in folium, to
which a user adds layers of their own, is `siting.handoff.figures.folium_map`.

The field page (`assets/field.js`) is what a crew ticks and types at each sensor. It holds no limit
of its own: columns, ranges and tolerances are those of the readings sheet (`siting.planning.form`),
written into its data.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import jinja2
import numpy as np
import pyproj
from numpy.typing import NDArray
from shapely import (
    buffer,
    get_coordinates,
    get_parts,
    intersection,
    intersects,
    maximum_inscribed_circle,
    total_bounds,
    union_all,
)
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from siting.arrays import Floats
from siting.errors import SitingError
from siting.files import write_text
from siting.handoff.document import crs_code
from siting.handoff.facts import fixed_words, is_crowded, keep_clear, lines_drawn
from siting.handoff.mapcards import (
    Pair,
    assumption_pairs,
    both,
    burial,
    choice_table,
    control_table,
    fill,
    month_table,
    move_chart,
    option_table,
    reserve_rows,
    savings,
    sensor_rows,
    sensor_steps,
    sentence,
    shorten,
    taped,
    tie_rows,
    tie_table,
    words,
    words_raw,
    zone_rows,
    zone_table,
)
from siting.handoff.overlays import (
    LIT,
    Scale,
    aerial_overlay,
    basemaps,
    crown_shapes,
    hosts,
    nice_scale,
    overlay,
    sun_document,
    sun_scale,
)
from siting.handoff.tables import about_chosen, valves
from siting.language import Figure, Language, Said, language, say, say_count
from siting.palette import DARK_INK, DRYNESS, INK, MARKS, NEED, SUN, ramp_colour, text_on
from siting.place.ties import TAPE_SIGMA_M
from siting.planning.form import (
    FAR_DEG,
    FIELD_FORMAT,
    SENSOR_COLUMNS,
    TAPE_LIMITS,
    UNIT_RANGES,
    SheetColumn,
    allowed_words,
    handed_out,
    header,
)
from siting.planning.model import Plan
from siting.site.cells import YEARS
from siting.site.crs import WGS84, moved
from siting.site.settings import FIXTURES
from siting.stages import kept_beside
from siting.units import QUANTITIES

if TYPE_CHECKING:
    import pandas as pd

#: Columns that hold a day and no time.
_DAYS: Final = ("buried_on",)
_LABELS: Final = {
    "buried_on": say("Buried on"),
    "depth": say("Depth as buried"),
    "tie_1": say("Tape 1 as built"),
    "tie_2": say("Tape 2 as built"),
    "tie_3": say("Tape 3 as built"),
    "side": say("Side of the line from point 1 to point 2, seen from point 1"),
    "lat": say("Latitude"),
    "lon": say("Longitude"),
    "gps_error": say("Error that the phone states"),
    "soaked_at": say("Soaking ended"),
    "reading_unit": say("Unit of the readings"),
    "reading_1": say("Reading 1"),
    "reading_1_at": say("Reading 1 taken"),
    "reading_2": say("Reading 2"),
    "reading_2_at": say("Reading 2 taken"),
    "reading_3": say("Reading 3"),
    "reading_3_at": say("Reading 3 taken"),
    "watered_since": say("Watered after the soaking"),
    "rain_since": say("Rain after the soaking"),
    "threshold_set": say("Threshold as set, in the unit of the readings"),
    "note": say("Notes"),
}


def field_document(plan: Plan) -> dict[str, Any]:
    """Return what the field page needs: sensors in walking order, their steps, and the limits."""
    units = plan.settings.units
    columns = [c for c in handed_out(SENSOR_COLUMNS, units) if not c.printed]
    heads: dict[str, list[str]] = {}
    for column in columns:
        heads.setdefault(column.name, []).append(header(column, units))
    order = walking_order(plan)
    return {
        "format": FIELD_FORMAT,
        "plan": plan_key(plan),
        "property": plan.site.name,
        "units": units,
        "at": [plan.site.latitude, plan.site.longitude],
        "far_deg": FAR_DEG,
        "years": [YEARS[0], YEARS[-1]],
        "unit_ranges": {u: [_known(low), _known(high)] for u, (low, high) in UNIT_RANGES.items()},
        "tape": {"sigma": TAPE_SIGMA_M, **TAPE_LIMITS},
        "columns": {header(c, units): _column(c, header(c, units)) for c in columns},
        "heads": heads,
        "order": order,
        "walk": say(
            "In walking order, from the controller on: in a straight line, so go round what is in "
            "the way."
        ),
        "sensors": {tag: _sensor(plan, tag, heads) for tag in order},
    }


def plan_key(plan: Plan) -> str:
    """Return what tells this plan's sensors from those of another plan of the property.

    Result: 16 hexadecimal digits; the same for the same names, zones and places.
    """
    sensors = [
        [str(tag), str(row["zone"]), round(float(row["lat"]), 6), round(float(row["lon"]), 6)]
        for tag, row in plan.sensors.iterrows()
    ]
    text = json.dumps([plan.site.name, sensors], ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def walking_order(plan: Plan) -> list[str]:
    """Return the sensors in the order of a short walk from the controller, in straight lines.

    Result: sensor ids. The nearest next one, then turned round wherever that makes it shorter.
    """
    places = plan.sensors[["x", "y"]].to_numpy(dtype=float)
    if len(places) == 0:
        return []
    doors = plan.site.fixtures.geometry[plan.site.fixtures["kind"] == "controller"]
    start = np.array([doors.iloc[0].x, doors.iloc[0].y]) if len(doors) else places[0]
    left, walk, here = list(range(len(places))), list[int](), start
    while left:
        gaps = [float(np.hypot(*(places[k] - here))) for k in left]
        walk.append(left.pop(int(np.argmin(gaps))))
        here = places[walk[-1]]
    return [str(plan.sensors.index[k]) for k in _untangled(walk, places, start)]


def _untangled(walk: list[int], places: Floats, start: Floats) -> list[int]:
    """Turn parts of a walk round while that makes it shorter.

    places, start: coordinates [m].
    """

    def length(order: list[int]) -> float:
        way = np.vstack([start, places[order]])
        return float(np.hypot(*np.diff(way, axis=0).T).sum())

    best, shorter = length(walk), len(walk) <= _MOST_TURNED
    while shorter:
        shorter = False
        for i in range(len(walk) - 1):
            for j in range(i + 1, len(walk)):
                turned = [*walk[:i], *reversed(walk[i : j + 1]), *walk[j + 1 :]]
                if (now := length(turned)) < best - _SHORTER_M:
                    walk, best, shorter = turned, now, True
    return walk


_MOST_TURNED: Final = 40
_SHORTER_M: Final = 0.01


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _column(column: SheetColumn, head: str) -> dict[str, Any]:
    """Return what a cell may hold, limits in our unit."""
    ending = head.removeprefix(column.name)
    return {
        "name": column.name,
        "kind": column.kind,
        "label": _LABELS[column.name],
        "unit": ending.lstrip("_").replace("_", "/"),
        "factor": column.factors[ending],
        "low": _known(column.low),
        "high": _known(column.high),
        "says": allowed_words(column, head, as_tape=False),
        "allowed": list(column.allowed),
        "day": column.name in _DAYS,
    }


def _sensor(plan: Plan, tag: str, heads: dict[str, list[str]]) -> dict[str, Any]:
    """Return what is planned for a sensor, and its steps."""
    row = plan.sensors.loc[tag]
    ties = plan.ties[plan.ties["sensor_id"] == tag].sort_values("tie")
    return {
        "zone": words_raw(row["zone"]),
        "valve": words_raw(row["valve"]),
        "wait_h": round(float(row["soak_wait_h"]), 1),
        "side": str(ties["side"].iloc[0]) if len(ties) else "",
        "ties": [_tie(tie, row) for _, tie in ties.iterrows()],
        "steps": list(_steps(row, heads)),
    }


def _tie(tie: pd.Series[Any], sensor: pd.Series[Any]) -> dict[str, Any]:
    """Return a tape of the plan, in metres from the planned point.

    Result: normal is the direction of an edge's shortest tape, None for a tape from a point.
    """
    from_x, from_y = float(tie["from_x"]), float(tie["from_y"])
    normal = None
    if bool(tie.get("offset", False)):
        end = np.asarray(tie["geometry"].coords)[-1][:2]
        led = end - np.array([from_x, from_y])
        normal = [round(float(v), 9) for v in led / np.hypot(*led)]
    return {
        "n": int(tie["tie"]),
        "from": fixed_words(tie["from_kind"]),
        "told": taped(tie["distance_m"]),
        "planned": round(float(tie["distance_m"]), 4),
        "at": [round(from_x - float(sensor["x"]), 4), round(from_y - float(sensor["y"]), 4)],
        "normal": normal,
    }


def _steps(row: pd.Series[Any], heads: dict[str, list[str]]) -> Iterator[dict[str, Any]]:
    """Yield the steps of a sensor: id, title, words, columns to fill in."""

    def step(name: str, title: str, text: Pair, *columns: str, stamps: str = "") -> dict[str, Any]:
        fields = [head for column in columns for head in heads[column]]
        return {"id": name, "title": title, "words": text, "fields": fields, "stamps": stamps}

    threshold = sensor_steps(row)[3]
    splice = (
        say("The sensor answers its receiver with the soil back in the hole.")
        if row["link"] == "wireless"
        else say("Waterproof splices, in a box that can be found again; its valve runs its zone.")
    )
    yield step(
        "ticket",
        say("Ticket"),
        say(
            "The utility locate is in force and its marks are on the ground; the owner was asked "
            "for private lines."
        ),
    )
    yield step(
        "flags",
        say("Flags"),
        say("The point is flagged by its tapes, and clear of what is marked."),
    )
    yield step(
        "tapes",
        say("Tapes as built"),
        say("Tape to the sensor in the open hole, from the points of the plan."),
    )
    yield step(
        "depth",
        say("Depth"),
        fill(
            "Plan: {depth}. Firm soil on all sides, no stones, no air.",
            depth=burial(row["depth_m"]),
        ),
        "depth",
        "buried_on",
        stamps="buried_on",
    )
    yield step("splice", say("Splice") if row["link"] != "wireless" else say("Link"), splice)
    yield step(
        "soaked",
        say("Soaked"),
        say("Soak the ground over it thoroughly, then keep this valve off."),
        "soaked_at",
        stamps="soaked_at",
    )
    yield step("reading", say("Reading after the wait"), say("It is the full mark of this soil."))
    yield step("threshold", say("Threshold set"), threshold, "threshold_set")


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
_COARSE_M: Final = 0.15  # arcs of a large site's keep-clear areas are thinned by no more than this
_AROUND_M: Final = 40.0  # and drawn so far around its sensors
_DEGREES_COARSE = 7  # about a centimetre
_CLEAR_M: Final = 15.0  # kept clear of zone names round a sensor of a large site
_DRAWN_ALIKE = {"controller", "valve_box", "head", "downspout"}
Document = dict[str, Any]


def map_document(plan: Plan, *, online: bool = False) -> Document:
    """Return everything the map page shows.

    Result: plain values only; positions are [latitude, longitude] in degrees (WGS 84), figures both
    as numbers in SI (`values`) and as text in metric and US units (pairs).
    """
    west, south, east, north = total_bounds(
        moved(np.array([plan.site.boundary], dtype=object), plan.site.crs, WGS84)
    )
    need, t = need_scale(plan), language(plan.settings.language)
    document = {
        "name": plan.site.name,
        "units": plan.settings.units,
        "locale": "en-US" if t.code == "en" else t.code,
        "point": t(Figure(".")),
        "plural": [int(t.form(count)) for count in range(_COUNTS)],
        "words": {} if t.code == "en" else script_words(t),
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
        "field": field_document(plan),
    }
    spoken: Document = _spoken(document, t)
    return spoken


def _spoken(value: Any, t: Language) -> Any:  # noqa: ANN401 - plain values of every kind
    """Say anew whatever was said in a document; names, keys and figures in SI stay."""
    if isinstance(value, dict):
        return {key: _spoken(one, t) for key, one in value.items()}
    if isinstance(value, list | tuple):
        if set(map(type, value)) == {float}:  # a position: most of the document
            return list(value)
        return [_spoken(one, t) for one in value]
    return t(value) if isinstance(value, str) else value


#: Counts whose plural form the page is told; larger ones go as their last two digits.
_COUNTS: Final = 200
_MESSAGE: Final = re.compile(r'\b(trn?)\(\s*("(?:[^"\\]|\\.)*")(?:,\s*("(?:[^"\\]|\\.)*"))?')


#: Steps of a packed degree (about a centimetre), and of a metre.
_STEPS: Final = 1e7
_TENTHS: Final = 10


def packed(document: Document) -> Document:
    """Return the document of a crowded page with less to load; `unpack` of its script undoes it.

    Trees, and heads without a name, are steps from a corner in one list; what zones tell is a list
    of texts, and which of them.
    """
    corner = document["bounds"][0]

    def steps(at: Sequence[float]) -> list[int]:
        return [round((value - least) * _STEPS) for value, least in zip(at, corner, strict=True)]

    trees = [tree for tree in document["ground"]["trees"] if not tree["crown"]]
    heads = [f for f in document["fixtures"] if _nameless_head(f)]
    texts: dict[str, int] = {}
    zones = [
        zone
        | {
            "rows": [
                texts.setdefault(json.dumps(t), len(texts)) for row in zone["rows"] for t in row
            ]
        }
        for zone in document["zones"]
    ]
    told = {
        "corner": corner,
        "trees": [v for t in trees for v in (*steps(t["trunk"]), round(_TENTHS * t["radius"]))],
        "heads": [value for head in heads for value in steps(head["at"])],
        "head": heads[0]["label"] if heads else "",
        "texts": [json.loads(text) for text in texts],
    }
    kept = [fixture for fixture in document["fixtures"] if not _nameless_head(fixture)]
    ground = document["ground"] | {"trees": [t for t in document["ground"]["trees"] if t["crown"]]}
    return document | {"ground": ground, "fixtures": kept, "zones": zones, "packed": told}


def _nameless_head(fixture: Document) -> bool:
    """Tell whether a fixture is a sprinkler head without a name or a valve."""
    return fixture["kind"] == "head" and not fixture["name"] and not fixture["valve"]


def script_words(t: Language) -> Document:
    """Return what the page's own scripts say, by the English message.

    Result: a text each, or the forms of a count.
    """
    found: Document = {}
    for kind, first, second in _MESSAGE.findall(
        "\n".join(_asset(name) for name in (*_SCRIPTS, _CROWDED))
    ):
        one = json.loads(first)
        found[one] = t.forms(one, json.loads(second)) if kind == "trn" else t.message(say(one))
    return found


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
    reach = 0.0 if is_crowded(plan) else _TAG_SHARE * max(east - west, north - south)
    return _label_places(tuple(plan.zones.geometry), tuple(plan.sensors.geometry), reach)


@lru_cache(maxsize=2)
def _label_places(
    zones: tuple[BaseGeometry, ...], spots: tuple[Point, ...], reach: float
) -> list[list[Point]]:
    """Return the same for zones and sensors, not to be changed; map and plain page both ask.

    reach: of a sensor's tag [m]; none where there are too many zones for more than one place each.
    """

    def made() -> list[list[Point]]:
        if not reach:
            return _one_place(zones, np.array(spots, dtype=object))
        near = union_all(buffer(np.array(spots, dtype=object), reach, quad_segs=16))
        return [_roomy(shape, near, reach) for shape in zones]

    return kept_beside("labels", made, zones, spots, reach)


def _one_place(zones: tuple[BaseGeometry, ...], spots: NDArray[Any]) -> list[list[Point]]:
    """Return one place for each zone's name where there are many, clear of sensors in the zone."""
    places = []
    for shape in zones:
        clear = shape.difference(union_all(buffer(spots[intersects(spots, shape)], _CLEAR_M)))
        roomy: Any = clear if clear.area > _ROOMY * shape.area else shape
        places.append([Point(get_coordinates(maximum_inscribed_circle(roomy, 0.5))[0])])
    return places


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
    degrees = moved(np.array(list(geometries), dtype=object), crs, WGS84)
    return [np.round(get_coordinates(g)[:, ::-1], decimals).tolist() for g in degrees]


def _polygons(geometry: BaseGeometry, crs: pyproj.CRS) -> list[list[list[list[float]]]]:
    """Polygons of a geometry, each a list of rings of [latitude, longitude], outer ring first."""
    return _every_polygon([geometry], crs)[0]


def _every_polygon(
    geometries: Iterable[BaseGeometry], crs: pyproj.CRS, decimals: int = _DEGREES_SHAPE
) -> list[list[list[list[list[float]]]]]:
    """Return the polygons of many geometries, each as `_polygons`."""
    degrees = moved(np.array(list(geometries), dtype=object), crs, WGS84)
    return [
        [
            [
                np.round(get_coordinates(ring)[:-1, ::-1], decimals).tolist()
                for ring in (part.exterior, *part.interiors)
            ]
            for part in get_parts(geometry)
            if isinstance(part, Polygon)
        ]
        for geometry in degrees
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
        "ticks": [Figure(f"{tick:.{scale.decimals}f}") for tick in scale.ticks],
    }


def _dryness_scale(plan: Plan) -> Scale:
    known = plan.dryness[np.isfinite(plan.dryness)]
    low, high = np.percentile(known, [2, 98]) if known.size else (0.5, 1.5)
    return nice_scale(float(low), float(high))


def _scales(plan: Plan, need: Scale) -> Document:
    return {
        "need": _legend(
            need, NEED, say("Water need of a zone"), say("% of its ready water per peak day")
        ),
        "sun": _legend(sun_scale(plan), SUN, say("Direct sun"), say("h a day")),
        "shade": _legend(LIT, SUN, say("Light at an hour"), say("% of the direct sun")),
        "dryness": _legend(
            _dryness_scale(plan),
            DRYNESS,
            say("Dryness of the ground"),
            say("× the property's mean"),
        ),
        "rank": _legend(
            nice_scale(0.0, 1.0),
            DRYNESS,
            say("Rank of dryness in its zone"),
            say("share that is less dry"),
        ),
        "moved": _legend(
            _MOVED, DRYNESS, say("Dryness by the readings"), say("× what the map alone says")
        ),
    }


#: Beyond its ends readings and map disagree by as much as anybody wants to know.
_MOVED: Final = nice_scale(0.5, 1.5)


def _overlays(plan: Plan) -> Document:
    grid, crs, boundary = plan.sun.grid, plan.site.crs, plan.site.boundary
    mean = np.asarray(plan.sun.sun_hours.mean(axis=0), dtype=np.float64)
    pictures = {
        "sun": overlay(mean, grid, crs, scale=sun_scale(plan), ramp=SUN, within=boundary),
        "dryness": overlay(plan.dryness, grid, crs, scale=_dryness_scale(plan), ramp=DRYNESS),
    }
    if plan.rank.shape == grid.shape:
        scale = nice_scale(0.0, 1.0)
        pictures["rank"] = overlay(plan.rank, grid, crs, scale=scale, ramp=DRYNESS)
    if plan.moved.shape == grid.shape:
        before = np.where(np.isfinite(plan.moved), plan.dryness / plan.moved, plan.dryness)
        pictures["before"] = overlay(before, grid, crs, scale=_dryness_scale(plan), ramp=DRYNESS)
        pictures["moved"] = overlay(plan.moved, grid, crs, scale=_MOVED, ramp=DRYNESS)
    photo = aerial_overlay(plan)
    if photo is not None:
        pictures["aerial"] = photo
    return pictures


def _ground(plan: Plan) -> Document:
    """Return buildings, paving, trees, keep-clear areas and where else to dig."""
    site, crs = plan.site, plan.site.crs
    crowded = is_crowded(plan)
    decimals = _DEGREES_COARSE if crowded else _DEGREES_SHAPE
    near = plan.sensors.geometry.buffer(_AROUND_M).union_all() if crowded else None
    fine = _COARSE_M if crowded else _SMOOTH_M

    def drawn(shapes: Iterable[BaseGeometry]) -> list[list[list[list[list[float]]]]]:
        of = list(shapes)

        def made() -> list[list[list[list[list[float]]]]]:
            shown = of if near is None else [intersection(shape, near) for shape in of]
            return _every_polygon([shape.simplify(fine) for shape in shown], crs, decimals)

        return kept_beside("outlines", made, of, near, fine, crs.to_wkt(), decimals)

    closed = plan.keepout[~(plan.keepout.geometry.isna() | plan.keepout.geometry.is_empty)]
    return {
        "buildings": _every_polygon(site.buildings.geometry, crs, decimals),
        "paving": _every_polygon(site.paving.geometry, crs, decimals),
        "trees": _trees(plan, crowded),
        "lines": {
            name: [line for [*line] in _latlon(lines, crs, _DEGREES_SHAPE)]
            for name, lines in lines_drawn(plan).items()
        },
        "admissible": [shape for shape in drawn(plan.admissible.geometry) if shape or not crowded],
        "reserves": [
            {"label": f"{row['sensor_id']} R{row['reserve']}", "at": at[0]}
            for (_, row), at in zip(
                plan.reserves.iterrows(),
                _latlon(plan.reserves.geometry, crs, _DEGREES_SHAPE),
                strict=True,
            )
        ],
        "keepout": [
            {"reason": _keep_clear(hazard, float(metres)), "shape": shape}
            for hazard, metres, shape in zip(
                closed["hazard"], closed["setback_m"], drawn(closed.geometry), strict=True
            )
        ],
    }


def _trees(plan: Plan, crowded: bool) -> list[Document]:
    """Return trunk and crown of every tree; where there are many, a round crown as its radius."""
    trees, crs = plan.site.trees, plan.site.crs
    trunks = _latlon(trees.geometry, crs, _DEGREES_COARSE if crowded else _DEGREES_SHAPE)
    if crowded:
        radius = np.nan_to_num(trees["crown_diameter"].to_numpy(dtype=float) / 2)
        return [
            {"trunk": at[0], "crown": [], "radius": round(float(r), 1)}
            for at, r in zip(trunks, radius, strict=True)
        ]
    crowns = crown_shapes(trees)
    known = iter(_every_polygon([crown for crown in crowns if crown is not None], crs))
    return [
        {"trunk": at[0], "crown": [] if crown is None else next(known)}
        for at, crown in zip(trunks, crowns, strict=True)
    ]


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
    if is_crowded(plan):
        columns = ["sensor_id", "valve", "controller"]
    set_to = valves(plan)
    found = label_places(plan)
    every = iter(_latlon([at for places in found for at in places], crs, _DEGREES_LABEL))
    places = [[next(every) for _ in some] for some in found]
    shapes = _every_polygon(plan.zones.geometry, crs)
    zones = []
    for (name, row), label, shape in zip(plan.zones.iterrows(), places, shapes, strict=True):
        place = float(need.fraction(np.array([row["need_score"]], dtype=float))[0])
        zones.append(
            {
                "zone": str(name),
                "values": _plain(row, columns),
                "rows": zone_rows(row, set_to.get(str(name))),
                "colour": ramp_colour(NEED, place) if math.isfinite(place) else INK["line"],
                "label_at": label[0][0],
                "label_places": [at for [at] in label],
                "shape": shape,
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
                "{depth} deep in zone {zone}",
                depth=both(1000 * row["depth_m"], "depth", us=1),
                zone=shorten(words_raw(row["zone"])),
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
    label = crs_code(crs) or say("the property's coordinates")
    decimals = 7 if crs.is_geographic else 3
    own = f"{row['source_x']:.{decimals}f}, {row['source_y']:.{decimals}f}"
    return [
        (say("Latitude, longitude"), f"{row['lat']:.7f}, {row['lon']:.7f}"),
        (say("x, y in {frame}", frame=label), own),
    ]


def _panel(plan: Plan) -> Document:
    crowded = is_crowded(plan)
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
        "choices": about_chosen(choices),
        "choice_table": choice_table(plan),
        "option_table": option_table(plan),
        "control_table": control_table(plan),
        "moves": move_chart(plan),
        "assumptions": assumption_pairs(plan),
        # Where there are many these stand on each sensor's card and in the office's pages.
        "tie_table": {"head": [], "rows": []} if crowded else tie_table(plan),
        "zone_table": zone_table(plan),
        "month_table": {"head": [], "rows": [], "note": ""} if crowded else month_table(plan),
        "savings": savings(plan),
        "cautions": list(plan.cautions),
        "warnings": list(plan.warnings),
        # Office's notes that no catalogue has: read aloud as English in every language.
        "english": [str(w) for w in plan.warnings if not isinstance(w, Said)],
        "do_now": list(plan.do_now),
    }


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
    """Return the plan as an SVG drawing that stands alone; an `svg` element; north is up."""
    site = plan.site
    sheet = _Sheet(site.boundary.bounds)
    crowns = [] if is_crowded(plan) else [c for c in crown_shapes(site.trees) if c is not None]
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
    title = say_count(
        "Plan of {site}, north is up, {count} sensors",
        "Plan of {site}, north is up, {count} sensors",
        len(plan.sensors),
        site=site.name,
    )
    name = escape(language(plan.settings.language)(title))
    return (
        f'<svg class="plan-picture" viewBox="0 0 {_WIDTH:.0f} {sheet.height}" role="img" '
        f'aria-label="{name}" font-family="sans-serif">{"".join(body)}</svg>'
    )


def static_page(plan: Plan, document: Document) -> str:
    """Return what stands in the page where there is no JavaScript.

    Result: HTML; every text of a user is escaped.
    """
    unit, t = int(plan.settings.units == "us"), language(plan.settings.language)
    heads = [t(head) for head in _SENSOR_HEADS]
    panel = document["panel"]
    sensors = [
        [s["id"], *(text for label, text in s["rows"] if label in heads), s["places"][0][1]]
        for s in document["sensors"]
    ]
    saved = panel["savings"]
    return "".join(
        [
            f"<h1>{escape(plan.site.name)}</h1>",
            f"<p>{t(_PLAIN)}</p>",
            _list(t(say("What to do now, the most urgent first")), panel["do_now"]),
            plan_picture(plan),
            f"<p>{t(say('North is up.'))}</p>",
            f"<h2>{t(say('How many sensors, and why'))}</h2>",
            f"<p>{escape(_in(panel['headline'], unit))}</p>",
            f"<h3>{t(say('In full'))}</h3><p>{escape(_in(panel['answer'], unit))}</p>",
            _table(
                t(say("Sensors")),
                [t(say("Sensor")), *heads, t(say("Latitude, longitude"))],
                sensors,
                unit,
            ),
            *(
                _table(t(caption), panel[key]["head"], panel[key]["rows"], unit)
                for caption, key in _TABLES
            ),
            f"<h2>{t(say('Savings'))}</h2><p>{escape(_in(saved['claim'], unit))}</p>",
            _table(
                t(say("Water and money")), [t(say("What")), t(say("How much"))], saved["rows"], unit
            ),
            _table(
                t(say("What moves the result")),
                panel["moves"]["table"]["head"],
                panel["moves"]["table"]["rows"],
                unit,
            ),
            _list(t(say("Before you dig")), panel["cautions"]),
            _list(
                t(say("What this rests on")), [_in(words, unit) for words in panel["assumptions"]]
            ),
            _list(
                t(say("Assumed, repaired or not met")), panel["warnings"], english=panel["english"]
            ),
        ]
    )


_PLAIN: Final = say("This is the plain page: the interactive map needs JavaScript.")
_SENSOR_HEADS = (
    say("Buried in zone"), say("Valve"), say("Governs zones"), say("Depth"), say("Why here"),
    say("Setbacks"),
)  # fmt: skip
_TABLES = (
    (say("Ties"), "tie_table"),
    (say("Zones"), "zone_table"),
    (say("Minutes by month"), "month_table"),
    (say("Number of sensors"), "choice_table"),
    (say("Every number of sensors, and plain rules"), "option_table"),
    (say("Kinds of control, on the same weather"), "control_table"),
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


def _list(title: str, items: Sequence[str], *, english: Sequence[str] = ()) -> str:
    if not items:
        return ""
    tongue = dict.fromkeys(english, ' lang="en"')
    rows = (f"<li{tongue.get(item, '')}>{escape(item)}</li>" for item in items)
    return f"<h2>{title}</h2><ul>{''.join(rows)}</ul>"


_LEAFLET_JS = "leaflet-1.9.4.js"
_LEAFLET_CSS = "leaflet-1.9.4.css"
_PAGE_CSS = "page.css"
_SCRIPTS: Final = ("page.js", "labels.js", "sun.js", "view.js", "field.js")
#: What a page with many zones or trees needs besides, after the first of them.
_CROWDED: Final = "crowded.js"
_LICENCES: Final = {_LEAFLET_JS: "leaflet-1.9.4.LICENSE"}
#: Pictures that the vendored style sheet names and that the page never shows.
_UNUSED_PICTURES: Final = {
    "#default#VML",
    "images/layers.png",
    "images/layers-2x.png",
    "images/marker-icon.png",
}
#: Kept before anything is drawn, so that a copy with photos can be saved.
_PRISTINE: Final = "var page_as_written = document.documentElement.outerHTML;\n"
_MAX_ZOOM = 24  # half a metre is then about 60 pixels wide
_POLICY_MARK = "@policy@"
#: The element of the map in page.html, as the script names it.
_MAP_ID: Final = '"map_plan"'
#: Options of the map for who asks the system for less motion.
_STILL: Final = (
    'matchMedia("(prefers-reduced-motion: reduce)").matches '
    "&& { zoomAnimation: false, fadeAnimation: false, markerZoomAnimation: false, inertia: false }"
)


def write_map(plan: Plan, path: Path | str, *, online: bool = False) -> Path:
    """Write a plan as one self-contained interactive map."""
    return write_text(path, map_html(plan, online=online))


def write_online_map(plan: Plan, path: Path | str) -> Path:
    """Write a plan as a map whose background comes from the network when it is opened."""
    return write_map(plan, path, online=True)


def map_html(plan: Plan, *, online: bool = False) -> str:
    """Return a plan as one self-contained interactive map.

    Result: the HTML; the same plan gives the same text.
    """
    document, crowded = map_document(plan, online=online), is_crowded(plan)
    origins = tuple(hosts()) if online else ()
    t = language(plan.settings.language)
    options = {
        "center": [plan.site.latitude, plan.site.longitude],
        "zoom": 18,
        "maxZoom": _MAX_ZOOM,
        "zoomSnap": 0.25,
        "fadeAnimation": False,
        "zoomControl": False,
        "attributionControl": False,
    }
    html: str = jinja2.Template(_asset("page.html")).render(
        policy=_POLICY_MARK,
        lang=t.code,
        say=lambda words: escape(t.message(say(words))),
        # some tile servers refuse pages that do not say where they come from
        referrer="origin" if origins else "no-referrer",
        title=escape(t(say("{site}: sensor map", site=plan.site.name))),
        header="\n".join(_inlined(name) for name in (_LEAFLET_JS, _LEAFLET_CSS, _PAGE_CSS)),
        plain=static_page(plan, document),
        data=as_json(packed(document) if crowded else document),
        script=f"{_PRISTINE}var map_plan = L.map({_MAP_ID}, "
        f"Object.assign({as_json(options)}, {_STILL}));\n"
        f"{_our_script(crowded)}",
    )
    return html.replace(_POLICY_MARK, _policy(html, origins), 1)


def _our_script(crowded: bool = False) -> str:
    """Return our own script: several files in one closure, so that nothing of it is global."""
    first, *rest = _SCRIPTS
    names = [first, *([_CROWDED] if crowded else []), *rest]
    body = "\n".join(_asset(name) for name in names)
    return f'(function (map, pristine) {{\n"use strict";\n{body}}})(map_plan, page_as_written);\n'


def _asset(name: str) -> str:
    """Return a vendored text file."""
    return (files("siting.handoff") / "assets" / name).read_text(encoding="utf-8")


def _inlined(name: str) -> str:
    """Return a vendored file as a script or style element."""
    text = _asset(name)
    if name == _LEAFLET_JS:
        text = re.sub(r"\n//# sourceMappingURL=\S+\s*$", "\n", text)
        tag, notice = "script", f"/*\n{_asset(_LICENCES[name])}*/\n"
    else:
        tag, notice = "style", _variables() if name == _PAGE_CSS else ""
        text = re.sub(r"url\(([^)]*)\)", _without_picture, text)
    return f"<{tag}>\n{notice}{text}</{tag}>"


def _without_picture(match: re.Match[str]) -> str:
    """Drop a style sheet's picture that the page never shows; refuse an unknown one."""
    if match.group(1) not in _UNUSED_PICTURES:
        message = f"the map's style would load {match.group(1)}, which is not vendored"
        raise SitingError(message)
    return "none"


def _variables() -> str:
    """Return the palette as variables of the style sheet, by day and after dark.

    The map has the day's at any hour; so has paper.
    """

    def body(ink: dict[str, str]) -> str:
        colours = {"on_accent": ink["card"], **ink, "glass": f"{ink['card']}d9"}
        return " ".join(f"--{name.replace('_', '-')}: {hue};" for name, hue in colours.items())

    dark = f":root:not(.printing) {{ color-scheme: dark; {body(DARK_INK)} }}"
    return (
        f":root, .map {{ {body(INK)} }}\n"
        f"@media screen and (prefers-color-scheme: dark) {{ {dark} }}\n"
    )


def _policy(html: str, origins: tuple[str, ...]) -> str:
    """Return a content security policy that allows exactly the page's own scripts and styles.

    W3C, Content Security Policy Level 3, "hash-source".
    """
    allowed = {}
    for tag, expected in (("script", 2), ("style", 3)):
        parts = re.findall(rf"<{tag}>(.*?)</{tag}>", html, flags=re.DOTALL)
        if len(parts) != expected:
            message = f"the map has {len(parts)} {tag} elements instead of {expected}"
            raise SitingError(message)
        digests = [hashlib.sha256(part.encode()).digest() for part in parts]
        allowed[tag] = " ".join(f"'sha256-{base64.b64encode(d).decode()}'" for d in digests)
    return (
        f"default-src 'none'; script-src {allowed['script']}; style-src {allowed['style']}; "
        f"img-src {' '.join(('data:', *origins))}; base-uri 'none'; form-action 'none'"
    )
