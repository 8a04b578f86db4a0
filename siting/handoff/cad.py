"""`plan.dxf`: the plan for drawing programs, one layer per kind of thing.

Needs the extra `dxf` (ezdxf). Everything is drawn at its true place in the property's own
projected CRS and in that CRS's unit of length; where the property is drawn in degrees, in metres
on the plan's own grid around the property's centre. A note in the drawing says which.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import pyproj
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from siting.atomic import write_text
from siting.cautions import DIG_CAUTION
from siting.errors import SitingError
from siting.handoff._crowns import crown_shapes
from siting.handoff._sheet_text import clean, elide
from siting.palette import MARKS
from siting.planning import Plan
from siting.units import FOOT_M, LENGTH_UNITS_M

__all__ = ["LAYERS", "write_dxf"]

#: Layer -> colour.
LAYERS: Final = {
    "BOUNDARY": MARKS["boundary"],
    "ZONES": MARKS["valve_box"],
    "BUILDINGS": MARKS["building_edge"],
    "PAVING": MARKS["paving_edge"],
    "TREES": MARKS["crown_edge"],
    "FIXTURES": MARKS["head"],
    "KEEPOUT": MARKS["keepout"],
    "TRENCH": MARKS["trench"],
    "WIRE": MARKS["wire"],
    "TIES": MARKS["tie"],
    "SENSORS": MARKS["sensor"],
    "NOTES": MARKS["other"],
}

# $INSUNITS of the format: its number of each unit of length [m].
_INSUNITS: Final = {1.0: 6, FOOT_M: 2, LENGTH_UNITS_M["us_survey_ft"]: 21}
_TEXT_M: Final = 1.0
_SENSOR_M: Final = 0.4
_HEAD_M: Final = 0.15
_NAME: Final = 60


def write_dxf(plan: Plan, path: Path | str) -> Path:
    """Write a plan as DXF (R2010), whole or not at all.

    Result: the file; the same plan gives the same bytes.
    """
    ezdxf = _library()
    crs, metres = _drawing_crs(plan)
    with _fixed_marks(ezdxf):
        document = ezdxf.new("R2010", setup=True)
        document.header["$INSUNITS"] = _INSUNITS[metres]
        document.header["$MEASUREMENT"] = int(metres == 1.0)
        for name, colour in LAYERS.items():
            layer = document.layers.add(name)
            layer.rgb = tuple(int(colour[k : k + 2], 16) for k in (1, 3, 5))
        pen = _Pen(document.modelspace(), crs, metres)
        _ground(plan, pen)
        _work(plan, pen)
        _notes(plan, pen)
        # ezdxf would list these in the order of a set
        for kind in sorted(document.entitydb.dxf_types_in_use()):
            document.classes.add_class(kind)
        out = io.StringIO()
        document.write(out)
    return write_text(path, out.getvalue())


@dataclass(frozen=True)
class _Pen:
    """Draws geometries of the working CRS into the model space, in the drawing's CRS."""

    space: Any
    crs: pyproj.CRS
    metres: float  # in a unit of the drawing

    def shapes(self, geometries: gpd.GeoSeries, layer: str) -> None:
        """Draw polygons (every ring closed) and lines."""
        for geometry in geometries.to_crs(self.crs):
            if geometry is None or geometry.is_empty:
                continue
            for part in shapely.get_parts(geometry):
                rings = [part.exterior, *part.interiors] if isinstance(part, Polygon) else [part]
                for ring in rings:
                    points = shapely.get_coordinates(ring)
                    closed = isinstance(part, Polygon)
                    self.space.add_lwpolyline(
                        points[: -1 if closed else None].tolist(),
                        close=closed,
                        dxfattribs={"layer": layer},
                    )

    def dots(self, points: gpd.GeoSeries, layer: str, radii: Iterable[float]) -> None:
        """Draw circles of a radius [m], and a point in the middle of each."""
        for point, radius in zip(points.to_crs(self.crs), radii, strict=True):
            at = (point.x, point.y)
            self.space.add_point(at, dxfattribs={"layer": layer})
            self.space.add_circle(at, radius / self.metres, dxfattribs={"layer": layer})

    def words(
        self, points: gpd.GeoSeries, layer: str, texts: Iterable[object], *, up: float = 0.0
    ) -> None:
        """Write one line at each point, so far above it [m]."""
        for point, text in zip(points.to_crs(self.crs), texts, strict=True):
            written = self.space.add_text(
                elide(clean(text), _NAME),
                height=_TEXT_M / self.metres,
                dxfattribs={"layer": layer},
            )
            written.set_placement((point.x, point.y + up / self.metres))


def _ground(plan: Plan, pen: _Pen) -> None:
    """Draw what is there."""
    site = plan.site
    pen.shapes(gpd.GeoSeries([site.boundary], crs=site.crs), "BOUNDARY")
    pen.shapes(plan.zones.geometry, "ZONES")
    pen.words(plan.zones.geometry.representative_point(), "ZONES", plan.zones.index)
    pen.shapes(site.buildings.geometry, "BUILDINGS")
    pen.shapes(site.paving.geometry, "PAVING")
    crowns: list[BaseGeometry | None] = crown_shapes(site.trees)
    pen.shapes(gpd.GeoSeries([c for c in crowns if c is not None], crs=site.crs), "TREES")
    trunks = site.trees["trunk_diameter"].fillna(0.0).clip(lower=0.1) / 2
    pen.dots(site.trees.geometry, "TREES", trunks)
    pen.dots(site.fixtures.geometry, "FIXTURES", [_HEAD_M] * len(site.fixtures))
    named = site.fixtures[site.fixtures["kind"] != "head"]
    pen.words(named.geometry, "FIXTURES", named["kind"].str.replace("_", " "), up=0.3)


def _work(plan: Plan, pen: _Pen) -> None:
    """Draw what is to be done."""
    routes = plan.wire_routes
    pen.shapes(plan.keepout.geometry, "KEEPOUT")
    for kind in ("trench", "wire"):
        pen.shapes(routes.geometry[routes["kind"] == kind], kind.upper())
    pen.shapes(plan.ties.geometry, "TIES")
    middles = plan.ties.geometry.interpolate(0.5, normalized=True)
    lengths = plan.ties["distance_m"] / pen.metres
    pen.words(middles, "TIES", [f"{length:.2f}" for length in lengths])
    pen.dots(plan.sensors.geometry, "SENSORS", [_SENSOR_M] * len(plan.sensors))
    pen.words(plan.sensors.geometry, "SENSORS", plan.sensors.index, up=_SENSOR_M + 0.2)


def _notes(plan: Plan, pen: _Pen) -> None:
    """Write below the drawing which grid it is on, and the first caution."""
    west, south, _, _ = plan.site.boundary.bounds
    lines = [f"{plan.site.name}. Grid: {pen.crs.name}.", DIG_CAUTION]
    for k, line in enumerate(lines):
        at = gpd.GeoSeries.from_xy([west], [south - 3 - 2 * k], crs=plan.site.crs)
        pen.words(at, "NOTES", [line])


def _drawing_crs(plan: Plan) -> tuple[pyproj.CRS, float]:
    """Return the CRS to draw in, and its unit of length [m]."""
    own = plan.site.source_crs
    unit = own.axis_info[0].unit_conversion_factor if own.is_projected else math.nan
    for metres in _INSUNITS:
        if math.isclose(unit, metres, rel_tol=1e-9):
            return own, metres
    return plan.site.crs, 1.0


def _library() -> Any:  # noqa: ANN401 - ezdxf is an extra
    """Return ezdxf, or say how to get it."""
    try:
        return importlib.import_module("ezdxf")
    except ImportError as error:
        message = 'a DXF drawing needs ezdxf: pip install "siting[dxf]"'
        raise SitingError(message) from error


@contextlib.contextmanager
def _fixed_marks(ezdxf: Any) -> Iterator[None]:  # noqa: ANN401 - ezdxf is an extra
    """Let ezdxf write no date and no random id, and put its option back afterwards."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
