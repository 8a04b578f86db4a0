"""Shapes: missing, crossed, doubled, curved, outside, on each other, and far too many."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from shapely.affinity import scale, translate
from shapely.geometry import (
    GeometryCollection,
    LineString,
    MultiPoint,
    MultiPolygon,
    Point,
    Polygon,
    box,
)

from tests.bad_inputs.base import (
    CRS,
    EAST,
    GROUND,
    NORTH,
    ZONES,
    Draft,
    at,
    case,
    line,
    spot,
)

shape = partial(case, "shapes")
A, B = ZONES
ROUND = np.linspace(0, 2 * np.pi, 100_001)


def _ring(points) -> Polygon:
    return Polygon(np.add(points, (EAST, NORTH)))


@shape("null shape", refused=("no geometry", "Draw the shape"), says=("layer", "feature"))
def _(d):
    d.shapes("hydrozones", A, None)


@shape("empty shape", refused="no geometry", says="feature")
def _(d):
    d.shapes("hydrozones", A, Polygon())


@shape("building without shape", refused="no geometry", says="feature")
def _(d):
    d.shapes("buildings", None)


@shape("heights that are no number", check=lambda site: len(site.hydrozones) == 2,
       handled="left out")  # fmt: skip
def _(d):
    corners = shapely.get_coordinates(B)
    lifted = Polygon(np.column_stack([corners, np.full(len(corners), np.nan)]))
    d.shapes("hydrozones", A, lifted)


@shape("boundary without features", refused=("no features", "at least one polygon"))
def _(d):
    d.layers["boundary"] = d.layers["boundary"].iloc[:0]


@shape("zones without features", refused="no features")
def _(d):
    d.layers["hydrozones"] = d.layers["hydrozones"].iloc[:0]


@shape("outline that crosses itself", repaired=("repaired", "self-intersection", "before"))
def _(d):
    d.shapes("hydrozones", A, _ring([(30, 4), (50, 18), (50, 4), (30, 18)]))


@shape("outline that touches itself in a point", repaired="repaired")
def _(d):
    ring = [(30, 4), (50, 4), (50, 18), (40, 11), (45, 18), (40, 11), (30, 18)]
    d.shapes("hydrozones", A, _ring(ring))


@shape("boundary that crosses itself", repaired="boundary: the outline")
def _(d):
    d.shapes("boundary", _ring([(0, 0), (60, 0), (60, 40), (0, 40), (0, 45), (1, 39), (0, 39)]))


@shape("hole outside its shell", repaired="repaired")
def _(d):
    d.shapes("hydrozones", A, Polygon(B.exterior.coords, [at(52, 5, 2, 2).exterior.coords]))


@shape("parts that lie on each other", repaired="repaired")
def _(d):
    d.shapes("hydrozones", A, MultiPolygon([B, at(35, 6, 10, 5)]))


@shape("outline without area", refused=("outline", "area"), says="feature")
def _(d):
    d.shapes("hydrozones", A, _ring([(30, 4), (50, 4), (30, 4)]))


@shape("sliver as a zone", refused=("0.2 m²", "smaller than"), says=("feature",))
def _(d):
    d.shapes("hydrozones", A, at(30, 4, 20, 0.01))


@shape("sliver as the boundary", refused=("m²", "boundary"))
def _(d):
    d.shapes("boundary", at(0, 0, 60, 0.00001))


@shape("slivers among buildings", repaired="smaller than")
def _(d):
    d.shapes("buildings", at(10, 24, 14, 10), at(25, 24, 0.001, 10))


@shape("vertices drawn twice", repaired=("vertices", "repeat"))
def _(d):
    points = np.repeat(np.array(B.exterior.coords), 3, axis=0)
    d.shapes("hydrozones", A, Polygon(points))


@shape("coordinates that are no numbers", refused=("do not exist", "feature"))
def _(d):
    d.shapes("trees", spot(27, 9), Point(np.nan, NORTH))


@shape("infinite coordinates", refused="do not exist", says="feature")
def _(d):
    ring = np.array(B.exterior.coords)
    ring[1, 0] = np.inf
    d.shapes("hydrozones", A, Polygon(ring))


@shape("zone with a hole", check=lambda s: abs(s.hydrozones.area["2"] - 256) < 0.5,
       handled="the hole is no part of the zone")  # fmt: skip
def _(d):
    d.shapes("hydrozones", A, Polygon(B.exterior.coords, [at(35, 7, 6, 4).exterior.coords]))


@shape("zone of several parts", check=lambda s: s.hydrozones.geom_type["2"] == "MultiPolygon",
       handled="one zone of one valve")  # fmt: skip
def _(d):
    d.shapes("hydrozones", A, MultiPolygon([at(30, 4, 8, 14), at(42, 4, 8, 14)]))


@shape("line as a zone", refused=("LineString", "polygons"), says=("layer", "feature"))
def _(d):
    d.shapes("hydrozones", A, LineString(B.exterior.coords))


@shape("point as a building", refused=("Point", "polygons"), says="feature")
def _(d):
    d.shapes("buildings", spot(10, 30))


@shape("polygon as a fixture", refused=("Polygon", "points"), says="feature")
def _(d):
    d.shapes("fixtures", at(1, 1, 1, 1))


@shape("collection of shapes as a zone", refused="GeometryCollection", says="feature")
def _(d):
    d.shapes("hydrozones", A, GeometryCollection([B, spot(31, 5)]))


@shape("line as the boundary", refused=("LineString", "boundary"))
def _(d):
    d.shapes("boundary", LineString(GROUND.exterior.coords))


@shape("line without length", refused="without length", says="feature")
def _(d):
    d.shapes("walls", line((3, 3), (3, 3)), height=[2.0])


@shape("multipoint trees", repaired="several points")
def _(d):
    d.shapes("trees", MultiPoint([spot(27, 9), spot(28, 30)]), spot(55, 30))


def _curved(folder: Path) -> None:
    """Write a zone with an arc, as CAD hands them over."""
    path = folder / "layers.gpkg"
    x, y = EAST + 30, NORTH + 4
    arc = f"CIRCULARSTRING ({x + 20} {y},{x + 24} {y + 7},{x + 20} {y + 14})"
    edge = f"({x + 20} {y + 14},{x} {y + 14},{x} {y},{x + 20} {y})"
    wkt = f'"CURVEPOLYGON (COMPOUNDCURVE ({arc},{edge}))"'
    rows = f'WKT,zone,plants\n{wkt},2,shrubs\n"{A.wkt}",1,shrubs\n'
    table = folder / "curve.csv"
    table.write_text(rows, encoding="utf-8")
    _rewrite_as_curves(path, wkt.strip('"'))


def _rewrite_as_curves(path: Path, wkt: str) -> None:
    import sqlite3
    import struct

    numbers = [float(n) for n in wkt.replace(",", " ").replace("(", " ").replace(")", " ").split()
               if n[0].isdigit()]  # fmt: skip
    arc, edge = numbers[:6], numbers[6:]
    wkb = struct.pack("<BII", 1, 10, 1) + struct.pack("<BII", 1, 9, 2)
    wkb += struct.pack("<BII6d", 1, 8, 3, *arc) + struct.pack("<BII8d", 1, 2, 4, *edge)
    blob = b"GP" + struct.pack("<BBi", 0, 1, 32617) + wkb
    with sqlite3.connect(path) as base:
        for (trigger,) in base.execute(
            "SELECT name FROM sqlite_master WHERE type='trigger' AND name LIKE 'rtree%'"
        ).fetchall():
            base.execute(f'DROP TRIGGER "{trigger}"')
        base.execute("UPDATE hydrozones SET geom = ? WHERE zone = '2'", (blob,))
        base.execute(
            "UPDATE gpkg_geometry_columns SET geometry_type_name = 'GEOMETRY' "
            "WHERE table_name = 'hydrozones'"
        )
    base.close()


@shape("curved outline", repaired=("arcs", "straight"))
def _(d):
    d.later.append(_curved)


def _lifted(z: bool, m: bool):
    def spoil(draft: Draft) -> None:
        points = [(*p, *([3.0] * (z + m))) for p in B.exterior.coords]
        flat = shapely.from_wkt(
            f"POLYGON {'Z' * z}{'M' * m} (("
            + ", ".join(" ".join(str(v) for v in p) for p in points) + "))"
        )  # fmt: skip
        draft.shapes("hydrozones", A, flat)

    return spoil


shape("heights in the coordinates", repaired=("heights", "not used"))(_lifted(z=True, m=False))


@shape("overlapping zones", refused=("overlapping by", "Redraw"), says="layer")
def _(d):
    d.shapes("hydrozones", A, translate(B, -10, 0))


@shape("a zone within a zone", refused="overlapping by")
def _(d):
    d.shapes("hydrozones", A, scale(A, 0.5, 0.5))


@shape("zones that overlap by a hand's breadth", repaired=("overlap by", "0.3 m²"))
def _(d):
    d.shapes("hydrozones", A, translate(B, -6.02, 0))


@shape("zone outside the boundary", refused=("100%", "outside the boundary"))
def _(d):
    d.shapes("hydrozones", A, translate(B, 40, 0))


@shape("zone that sticks out of the boundary", repaired="sticks out")
def _(d):
    d.shapes("hydrozones", A, translate(B, 14, 0))


@shape("zone in a hole of the boundary", refused="outside the boundary")
def _(d):
    d.shapes("boundary", Polygon(GROUND.exterior.coords, [B.buffer(1).exterior.coords]))


@shape("zone over a building", repaired=("under a building", "cut out"))
def _(d):
    d.shapes("buildings", at(8, 10, 8, 20))


@shape("zone wholly under a building", refused=("zone 1 under a building", "Move"))
def _(d):
    d.shapes("buildings", at(2, 2, 24, 18))


@shape("tree inside a building", repaired=("trees", "inside a building"))
def _(d):
    d.shapes("trees", spot(17, 29), spot(55, 30))


@shape("zone drawn twice", repaired="drawn twice")
def _(d):
    d.layers["hydrozones"] = d.layers["hydrozones"].iloc[[0, 1, 1]]


@shape("building drawn twice", repaired="drawn twice")
def _(d):
    d.layers["buildings"] = d.layers["buildings"].iloc[[0, 0]]


@shape("building drawn twice with different heights", repaired=("same outline", "height"))
def _(d):
    d.shapes("buildings", *[at(10, 24, 14, 10)] * 2, height=[5.0, 9.0])


@shape("tree drawn twice with different heights", repaired=("same place", "trees"))
def _(d):
    d.shapes("trees", spot(27, 9), spot(27, 9))


@shape("two boundaries", repaired=("2 polygons were joined"))
def _(d):
    d.shapes("boundary", at(0, 0, 30, 40), at(30, 0, 30, 40))


@shape("buildings far away", repaired="left out")
def _(d):
    d.shapes("buildings", at(10, 24, 14, 10), at(5000, 24, 14, 10))


@shape("boundary of 100,000 vertices", repaired=("100,00", "vertices", "cm of it"))
def _(d):
    wave = 45 + 0.2 * np.sin(900 * ROUND)
    d.shapes("boundary", _ring(np.c_[30 + wave * np.cos(ROUND), 20 + wave * np.sin(ROUND)]))


@shape("boundary of over a million vertices", refused=("1,100,0", "vertices", "at most"))
def _(d):
    turn = np.linspace(0, 2 * np.pi, 1_100_001)
    d.shapes("boundary", _ring(np.c_[30 + 50 * np.cos(turn), 20 + 50 * np.sin(turn)]))


def _many(folder: Path, count: int = 120_000) -> None:
    grid = np.arange(count)
    places = shapely.points(EAST + grid % 400, NORTH + grid // 400)
    frame = gpd.GeoDataFrame({"height": np.full(count, 5.0)}, geometry=places, crs=CRS)
    pyogrio.write_dataframe(frame, folder / "trees.fgb", driver="FlatGeobuf", SPATIAL_INDEX="NO")


@shape("120,000 trees", refused=("120,000 features", "at most", "Clip"), says="layer")
def _(d):
    d.tables('trees = "trees.fgb"')
    d.later.append(_many)


@shape("raster far too fine for the ground", refused=("cells", "resolution"))
def _(d):
    d.shapes("boundary", box(EAST, NORTH, EAST + 15_000, NORTH + 15_000))
