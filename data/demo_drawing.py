"""Drawing tools for the demo properties: exact partitions, curves, heads and downspouts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import shapely
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

__all__ = [
    "CENTIMETRE",
    "XY",
    "Drawing",
    "Frame",
    "curve",
    "downspouts",
    "heads",
    "partition",
    "plain_drawing",
]

XY = tuple[float, float]

#: Every coordinate is rounded to this grid [m].
CENTIMETRE = 0.01
#: Slivers below this are left out of a zone [m²].
SLIVER_M2 = 1.0


@dataclass(frozen=True)
class Drawing:
    """One drawn property: attribute rows with a ``geometry`` per layer.

    Parameters
    ----------
    folder : str
        Folder in data/ that it is written to; also the name of its GeoPackage.
    crs : str
        Projected CRS of the coordinates.
    settings : str
        Text of the property file.
    layers : mapping of str to list of dict
        Layer name -> rows.
    """

    folder: str
    crs: str
    settings: str
    layers: Mapping[str, list[dict[str, Any]]] = field(default_factory=dict)


@dataclass(frozen=True)
class Frame:
    """Drawing board: paper coordinates are turned about (0, 0), then shifted.

    Parameters
    ----------
    east, north : float
        Where paper (0, 0) lies in the CRS [m].
    turn : float
        Turn of the paper, anticlockwise [deg].
    """

    east: float
    north: float
    turn: float

    def place(self, shape: BaseGeometry) -> BaseGeometry:
        """Return the shape in the CRS, rounded to the centimetre."""
        turned = affinity.rotate(shape, self.turn, origin=(0, 0))
        moved = affinity.translate(turned, self.east, self.north)
        return shapely.set_precision(moved, CENTIMETRE)


def curve(points: Sequence[XY], *, closed: bool = False, rounds: int = 3) -> BaseGeometry:
    """Round the corners of a line or ring by Chaikin's corner cutting.

    Parameters
    ----------
    points : sequence of (x, y)
        Corners [m].
    closed : bool
        Return a polygon instead of a line.
    rounds : int
        How often each corner is cut.

    Returns
    -------
    shapely geometry
        A LineString or Polygon.

    References
    ----------
    Chaikin, G. M. (1974). An algorithm for high-speed curve generation. Computer Graphics and
    Image Processing 3, 346-349.
    """
    ring = list(points)
    for _ in range(rounds):
        legs = list(pairwise([*ring, ring[0]] if closed else ring))
        cut = [
            (a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]))
            for a, b in legs
            for t in (0.25, 0.75)
        ]
        ring = cut if closed else [ring[0], *cut[1:-1], ring[-1]]
    shape = Polygon(ring) if closed else LineString(ring)
    return shape.simplify(0.03)


def partition(
    shapes: Mapping[str, BaseGeometry], *, within: BaseGeometry
) -> dict[str, BaseGeometry]:
    """Cut overlapping shapes into a coverage without gaps or overlaps; earlier shapes win.

    All outlines are noded together on the centimetre grid first, so that neighbours share their
    vertices exactly.

    Parameters
    ----------
    shapes : mapping of str to polygon
        Name -> shape, in order of precedence [m].
    within : polygon
        Ground outside is dropped.

    Returns
    -------
    dict of str to polygon
        Name -> what is left of the shape; "boundary" -> the ground, with the neighbours' vertices.
    """
    outlines = [shape.boundary for shape in (*shapes.values(), within)]
    noded = shapely.union_all(outlines, grid_size=CENTIMETRE)
    faces = list(shapely.get_parts(shapely.polygonize([noded])))
    centres = [face.representative_point() for face in faces]
    left = [i for i, centre in enumerate(centres) if within.covers(centre)]
    ground = shapely.coverage_union_all([faces[i] for i in left])
    parts: dict[str, BaseGeometry] = {"boundary": ground.normalize()}
    for name, shape in shapes.items():
        mine = [i for i in left if shape.covers(centres[i])]
        left = [i for i in left if i not in mine]
        whole = shapely.coverage_union_all([faces[i] for i in mine])
        pieces = [p for p in shapely.get_parts(whole) if p.area >= SLIVER_M2]
        parts[name] = (pieces[0] if len(pieces) == 1 else MultiPolygon(pieces)).normalize()
    return parts


def heads(zone: BaseGeometry, *, spacing: float) -> list[Point]:
    """Lay sprinkler heads out: along the edge, then on a triangular grid inside.

    Parameters
    ----------
    zone : polygon
        The ground one valve waters [m].
    spacing : float
        Distance between heads [m].

    Returns
    -------
    list of Point
        Rounded to the centimetre.
    """
    inset = zone.buffer(-0.15, join_style="mitre")
    spots: list[Point] = []
    rings = (r for part in shapely.get_parts(inset) for r in (part.exterior, *part.interiors))
    for ring in (r for r in rings if r.length > spacing):
        count = max(1, round(ring.length / spacing))
        spots += [ring.interpolate(i / count, normalized=True) for i in range(count)]
    west, south, east, north = zone.bounds
    rows = math.ceil((north - south) / (spacing * math.sqrt(0.75)))
    columns = math.ceil((east - west) / spacing)
    inside = zone.buffer(-0.55 * spacing)
    grid = (
        Point(west + (i + 0.5 * (j % 2)) * spacing, south + j * spacing * math.sqrt(0.75))
        for j in range(rows + 1)
        for i in range(columns + 1)
    )
    spots += [p for p in grid if inside.covers(p)]
    return _thin(spots, 0.6 * spacing)


def _thin(points: Iterable[Point], least: float) -> list[Point]:
    """Drop every point nearer than `least` to one kept before it."""
    kept: list[Point] = []
    for point in points:
        if all(point.distance(other) >= least for other in kept):
            kept.append(point)
    return [shapely.set_precision(p, CENTIMETRE) for p in kept]


def downspouts(building: BaseGeometry, *, corners: Sequence[XY]) -> list[Point]:
    """Put a downspout at the building's corner nearest to each given point, 0.2 m off the wall.

    Parameters
    ----------
    building : polygon
        Outline of the walls [m].
    corners : sequence of (x, y)
        Points near the wanted corners [m].

    Returns
    -------
    list of Point
        Outside the walls, rounded to the centimetre.
    """
    outside = building.buffer(0.2, join_style="mitre").exterior
    vertices = [Point(xy) for xy in outside.coords]
    nearest = [min(vertices, key=Point(xy).distance) for xy in corners]
    return [shapely.set_precision(p, CENTIMETRE) for p in nearest]


_ZONE_COLUMNS = (
    "valve", "controller", "plants", "soil", "irrigation", "precipitation_rate",
    "distribution_uniformity",
)  # fmt: skip
_TREE_COLUMNS = ("height", "crown_diameter", "trunk_diameter", "transmissivity")


def plain_drawing(
    folder: str,
    crs: str,
    settings: str,
    *,
    frame: Frame,
    boundary: BaseGeometry,
    shapes: Mapping[str, Mapping[str, Any]],
    rows: Mapping[str, Any],
    around: Mapping[str, Mapping[str, Any]],
) -> Drawing:
    """Draw a property from tables of paper shapes and attributes.

    Parameters
    ----------
    folder, crs, settings : str
        As in `Drawing`.
    frame : Frame
        Where the paper lies.
    boundary : polygon
        The property [m].
    shapes : mapping
        "buildings": name -> (polygon, height); "paving" and "zones": name -> polygon [m].
    rows : mapping
        "zones": name -> valve, controller, plants, soil, irrigation, rate [mm/h], uniformity;
        "in_play", optional: zones through which no trench is dug;
        "trees": x, y, height, crown, trunk [m], transmissivity; "fixtures": kind, name, x, y.
    around : mapping
        "spacing": zone -> distance between heads [m]; "spouts": building -> corners.

    Returns
    -------
    Drawing
        Rows of every layer; lengths in metres.
    """
    walls = {name: shape for name, (shape, _) in shapes["buildings"].items()}
    flat = {**walls, **shapes["paving"], **shapes["zones"]}
    parts = partition(
        {name: frame.place(shape) for name, shape in flat.items()}, within=frame.place(boundary)
    )
    zones = [
        {
            "zone": name,
            **dict(zip(_ZONE_COLUMNS, row, strict=True)),
            **({"in_play": name in rows["in_play"]} if "in_play" in rows else {}),
            "geometry": parts[name],
        }
        for name, row in rows["zones"].items()
    ]
    buildings = [
        {"name": name, "height": height, "geometry": parts[name]}
        for name, (_, height) in shapes["buildings"].items()
    ]
    trees = [
        dict(zip(_TREE_COLUMNS, row[2:], strict=True)) | {"geometry": frame.place(Point(row[:2]))}
        for row in rows["trees"]
    ]
    return Drawing(
        folder=folder,
        crs=crs,
        settings=settings,
        layers={
            "boundary": [{"name": folder, "geometry": parts["boundary"]}],
            "hydrozones": zones,
            "buildings": buildings,
            "trees": trees,
            "paving": [{"name": name, "geometry": parts[name]} for name in shapes["paving"]],
            "fixtures": _plain_fixtures(frame, parts, walls, rows, around),
        },
    )


def _plain_fixtures(
    frame: Frame,
    parts: Mapping[str, BaseGeometry],
    walls: Mapping[str, BaseGeometry],
    rows: Mapping[str, Any],
    around: Mapping[str, Mapping[str, Any]],
) -> list[dict[str, Any]]:
    """Return the fixtures that were listed, the downspouts and the heads."""
    listed = [
        {"kind": kind, "valve": None, "name": name, "geometry": frame.place(Point(x, y))}
        for kind, name, x, y in rows["fixtures"]
    ]
    spouts = [
        {"kind": "downspout", "valve": None, "name": None, "geometry": frame.place(spout)}
        for name, corners in around["spouts"].items()
        for spout in downspouts(walls[name], corners=corners)
    ]
    sprinklers = [
        {"kind": "head", "valve": rows["zones"][zone][0], "name": None, "geometry": head}
        for zone, spacing in around["spacing"].items()
        for head in heads(parts[zone], spacing=spacing)
    ]
    return [*listed, *spouts, *sprinklers]
