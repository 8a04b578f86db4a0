"""Repair shapes: rings that cross themselves, heights in coordinates, features drawn twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.limits import limit
from siting.site.findings import Findings, some
from siting.site.values import Layer

__all__ = ["ShapeKind", "clean_shapes", "drop_copies", "polygons_of", "reading_order"]

ShapeKind = Literal["polygon", "point", "either", "line"]

#: Polygons smaller than this are crumbs of a repair [m²].
CRUMB_M2: Final = 1e-4
#: Polygons smaller than this are slivers of an overlay; a zone smaller than that is none [m²].
SLIVER_M2: Final = 0.05
LEAST_ZONE_M2: Final = 0.5
#: How far a thinned outline may stray, the first that is enough [m].
_THIN_M: Final = (0.01, 0.02, 0.05, 0.1, 0.2)
_AREAL: Final = 2
_RING: Final = 1

_TYPES: Final = {
    "polygon": ("Polygon", "MultiPolygon"),
    "point": ("Point", "MultiPoint"),
    "either": ("Polygon", "MultiPolygon", "Point", "MultiPoint"),
    "line": ("LineString", "MultiLineString"),
}
_WORDS: Final = {
    "polygon": "polygons",
    "point": "points",
    "either": "points or polygons",
    "line": "lines",
}


#: What is said of features of one shape that differ otherwise.
_STACKED: Final = {
    "buildings": "have the same outline and another height each; the tallest shades.",
    "trees": "stand in the same place and have other sizes each; all of them shade.",
}


def clean_shapes(layer: Layer, kind: ShapeKind, findings: Findings) -> Layer:
    """Return a layer whose shapes are valid, flat and of the right kind.

    Parameters
    ----------
    layer : Layer
        In a CRS in metres.
    kind : {"polygon", "point", "either", "line"}
        What its shapes have to be.
    findings : Findings
        Where shapes that are missing or of a wrong kind are noted as faults, and what was repaired
        as warnings.

    Returns
    -------
    Layer
        Multipoints are split into points; rows with faults are dropped.
    """
    shapes = shapely.normalize(shapely.force_2d(layer.frame.geometry.to_numpy()))
    frame = layer.frame.set_geometry(gpd.GeoSeries(shapes, layer.frame.index, crs=layer.frame.crs))
    empty = frame.geometry.isna().to_numpy() | frame.geometry.is_empty.to_numpy()
    if empty.any():
        layer.fault(
            findings,
            "no geometry",
            _WORDS[kind],
            "Draw the shape, or delete the row.",
            features=frame.index[empty].tolist(),
        )
    types = frame.geometry.geom_type.to_numpy()
    wrong = ~empty & ~np.isin(types, _TYPES[kind])
    for found in sorted(set(types[wrong])):
        ids = frame.index[wrong & (types == found)].tolist()
        mend = "Draw them again, or convert them in the GIS."
        layer.fault(findings, str(found), _WORDS[kind], mend, features=ids)
    frame = _thinned(layer, frame[~(empty | wrong)], findings)
    _note_heights(layer, findings)
    if kind == "line":
        return replace(layer, frame=_long_lines(layer, frame, findings))
    frame = _without_crumbs(layer, _mend_rings(layer, frame, findings), findings)
    return replace(layer, frame=_split_points(layer, frame, findings))


def _note_heights(layer: Layer, findings: Findings) -> None:
    """Say that heights in the coordinates are not used; zeros are no heights."""
    shapes = layer.frame.geometry.to_numpy()
    lifted = shapes[shapely.has_z(shapes)]
    if lifted.size and np.nan_to_num(shapely.get_coordinates(lifted, include_z=True)[:, 2]).any():
        findings.warn(
            f"{layer.file}, {layer.name}: heights in the coordinates of {lifted.size} features "
            "were not used."
        )


def _thinned(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Return the shapes without vertices that repeat, and very dense ones thinned to 1 cm."""
    shapes = frame.geometry.to_numpy()
    counts = shapely.get_num_coordinates(shapes)
    plain = shapely.remove_repeated_points(shapes)
    # An outline that would fall apart is left to the repair of rings.
    plain = np.where(shapely.is_empty(plain) | (shapely.get_num_coordinates(plain) < _RING), shapes,
                     plain)  # fmt: skip
    repeated = int((counts - shapely.get_num_coordinates(plain)).sum())
    if repeated:
        findings.warn(
            f"{layer.file}, {layer.name}: {repeated:,} vertices that repeat the one before were "
            "dropped."
        )
    dense = np.flatnonzero(shapely.get_num_coordinates(plain) > limit("kept_vertices"))
    for row in dense:
        thin, stray = _simplified(plain[row])
        near = f"{100 * stray:g} cm"
        if findings.units == "us":
            near = findings.tell(1000 * stray, "depth", decimals=1)
        findings.warn(
            f"{layer.file}, {layer.name}: the outline of feature {frame.index[row]} has "
            f"{counts[row]:,} vertices; thinned to {shapely.get_num_coordinates(thin):,} that keep "
            f"within {near} of it."
        )
        plain[row] = thin
    if not repeated and not dense.size:
        return frame
    return frame.set_geometry(gpd.GeoSeries(plain, frame.index, crs=frame.crs))


def _simplified(shape: BaseGeometry) -> tuple[BaseGeometry, float]:
    """Return an outline with few enough vertices where that is possible, and how far it strays."""
    most = limit("kept_vertices")
    for stray in _THIN_M:
        thin = shapely.normalize(shapely.simplify(shape, stray))
        if shapely.get_num_coordinates(thin) <= most:
            break
    return thin, stray


def _without_crumbs(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Return the polygons without slivers; a zone that is one is a fault."""
    zones = layer.name == "hydrozones"
    least = LEAST_ZONE_M2 if zones else SLIVER_M2
    shapes = frame.geometry.to_numpy()
    small = (shapely.get_dimensions(shapes) == _AREAL) & (shapely.area(shapes) < least)
    if not small.any() or layer.name == "boundary":
        return frame
    ids = frame.index[small].tolist()
    largest = float(shapely.area(shapes[small]).max())
    if zones:
        smallest = findings.tell(least, "area")
        found = f"zones of {findings.tell(largest, 'area')} or less, smaller than {smallest}"
        mend = "Delete the sliver, or draw the zone; perhaps the CRS is wrong."
        layer.fault(findings, found, f"zones of at least {smallest}", mend, features=ids)
    else:
        findings.warn(
            f"{layer.file}, {layer.name}: features {some(ids)} are slivers smaller than "
            f"{findings.tell(least, 'area')} and were left out."
        )
    return frame[~small]


def _long_lines(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Return the lines that have a length, and note the others."""
    short = shapely.length(frame.geometry.to_numpy()) == 0
    if short.any():
        ids = frame.index[short].tolist()
        mend = "Draw the line again, or delete the row."
        layer.fault(findings, "a line without length", "lines", mend, features=ids)
    return frame[~short]


def _mend_rings(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    invalid = ~frame.geometry.is_valid.to_numpy()
    if not invalid.any():
        return frame
    shapes = frame.geometry.to_numpy().copy()
    lost: list[str] = []
    for row in np.flatnonzero(invalid):
        before = shapes[row]
        mended = polygons_of(shapely.make_valid(before))
        reason = shapely.is_valid_reason(before).split("[")[0].lower()
        if mended.is_empty:
            lost.append(str(frame.index[row]))
        else:
            findings.warn(
                f"{layer.file}, {layer.name}: the outline of feature {frame.index[row]} was "
                f"repaired ({reason}); area {findings.tell(before.area, 'area')} before, "
                f"{findings.tell(mended.area, 'area')} after."
            )
        shapes[row] = mended
    if lost:
        mend = "Draw the shape again, or delete the row."
        layer.fault(findings, "an outline without area", "polygons", mend, features=lost)
    mended_frame = frame.set_geometry(gpd.GeoSeries(shapes, frame.index, crs=frame.crs))
    return mended_frame[~mended_frame.geometry.is_empty]


def polygons_of(shape: BaseGeometry) -> BaseGeometry:
    """Return the polygons within a shape as one normalised (multi)polygon; crumbs are dropped.

    Parameters
    ----------
    shape : shapely geometry
        In metres.

    Returns
    -------
    shapely geometry
        Empty when there are none.
    """
    parts = shapely.get_parts(shapely.get_parts(shape))
    areas = [p for p in parts if p.geom_type == "Polygon" and p.area > CRUMB_M2]
    return shapely.normalize(shapely.union_all(areas)) if areas else shapely.Polygon()


def _split_points(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    several = frame.index[
        (frame.geometry.count_coordinates() > 1).to_numpy()
        & (frame.geometry.geom_type == "MultiPoint").to_numpy()
    ].tolist()
    if several:
        findings.warn(
            f"{layer.file}, {layer.name}: features {some(several)} hold several points; "
            "each was taken for itself."
        )
    multi = (frame.geometry.geom_type == "MultiPoint").to_numpy()
    return frame.explode(index_parts=False) if multi.any() else frame


def drop_copies(
    layer: Layer, frame: gpd.GeoDataFrame, findings: Findings, *, ignore: Sequence[str] = ()
) -> gpd.GeoDataFrame:
    """Return a frame without the rows that repeat another row's shape and values.

    Parameters
    ----------
    layer : Layer
        Where the frame comes from, for messages.
    frame : GeoDataFrame
        The features.
    findings : Findings
        Where dropped rows are noted as a warning.
    ignore : sequence of str
        Columns that may differ, such as the feature id.

    Returns
    -------
    GeoDataFrame
        The first of each set of copies, in the same order.
    """
    keys = _keys(frame, [c for c in frame.columns if c not in ignore])
    seen: set[tuple[str, ...]] = set()
    copy = np.zeros(len(frame), dtype=bool)
    for row, key in enumerate(keys):
        copy[row] = key in seen
        seen.add(key)
    _note_stacks(layer, frame[~copy], findings)
    if copy.any():
        ids = frame.get("feature", frame.index)
        findings.warn(
            f"{layer.file}, {layer.name}: {copy.sum()} features drawn twice were dropped "
            f"({some(list(ids[copy]))})."
        )
    return frame[~copy]


def _note_stacks(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
    """Say where buildings or trees of different sizes have one shape."""
    if layer.name not in _STACKED:
        return
    shapes = frame["crown"] if "crown" in frame and frame["crown"].notna().all() else frame.geometry
    twice = shapes.map(lambda shape: shape.wkb_hex).duplicated(keep=False).to_numpy()
    if twice.any():
        ids = frame.get("feature", frame.index)[twice]
        findings.warn(f"{layer.file}, {layer.name}: {some(list(ids))} {_STACKED[layer.name]}")


def _keys(frame: gpd.GeoDataFrame, columns: Sequence[str]) -> list[tuple[str, ...]]:
    """Return what makes each row itself: its values as text, shapes as bytes."""
    parts = []
    for name in columns:
        values = frame[name].tolist()
        parts.append([v.wkb_hex if isinstance(v, BaseGeometry) else repr(v) for v in values])
    return list(zip(*parts, strict=True)) if parts else []


def reading_order(frame: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Return the order from north-west to south-east, whatever the order in the file.

    Parameters
    ----------
    frame : GeoDataFrame
        Features, with a column `feature` or without.

    Returns
    -------
    ndarray of int, shape (N,)
        Row positions.
    """
    centres = shapely.centroid(frame.geometry.to_numpy())
    x, y = np.round(shapely.get_x(centres), 3), np.round(shapely.get_y(centres), 3)
    keys = _keys(frame, [c for c in frame.columns if c != "feature"])
    order = sorted(range(len(frame)), key=lambda row: (-y[row], x[row], keys[row]))
    return np.array(order, dtype=np.int64)
