"""Check and repair the drawing: shapes, sizes that look like another unit, layers that disagree.

Each number that decides is far outside of what stands on irrigated ground; they are judgement, not
published limits. A unit that is stated (in the header, or with `units_in`) is always believed.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import shapely
from geopandas.array import from_shapely
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Ints
from siting.errors import Fault, Findings, limit, nearest, some
from siting.site.columns import (
    Layer,
    numbers,
    parse_number,
    unit_is_its_own,
    unit_is_stated,
)
from siting.site.crs import linear_unit
from siting.site.settings import Timer
from siting.units import UnitsName

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

    kind {"polygon", "point", "either", "line"}: what its shapes have to be. Returns multipoints are
    split into points, rows with faults are dropped.
    """
    shapes = shapely.normalize(shapely.force_2d(layer.frame.geometry.to_numpy()))
    frame = layer.frame.set_geometry(from_shapely(shapes, layer.frame.crs))
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
    frame = _thinned(layer, kept_rows(frame, ~(empty | wrong)), findings)
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
    return frame.set_geometry(from_shapely(plain, frame.crs))


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

    Returns empty when there are none.
    """
    parts = shapely.get_parts(shapely.get_parts(shape))
    areas = [p for p in parts if p.geom_type == "Polygon" and p.area > CRUMB_M2]
    return shapely.normalize(shapely.union_all(areas)) if areas else shapely.Polygon()


def _split_points(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    shapes = frame.geometry.to_numpy()
    multi = shapely.get_type_id(shapes) == shapely.GeometryType.MULTIPOINT
    several = frame.index[multi & (shapely.get_num_coordinates(shapes) > 1)].tolist()
    if several:
        findings.warn(
            f"{layer.file}, {layer.name}: features {some(several)} hold several points; "
            "each was taken for itself."
        )
    return frame.explode(index_parts=False) if multi.any() else frame


def drop_copies(
    layer: Layer, frame: gpd.GeoDataFrame, findings: Findings, *, ignore: Sequence[str] = ()
) -> gpd.GeoDataFrame:
    """Return a frame without the rows that repeat another row's shape and values.

    ignore: columns that may differ, such as the feature id. Returns the first of each set of
    copies, in the same order.
    """
    keys = _keys(frame, [c for c in frame.columns if c not in ignore])
    seen: set[tuple[str, ...]] = set()
    copy = np.zeros(len(frame), dtype=bool)
    for row, key in enumerate(keys):
        copy[row] = key in seen
        seen.add(key)
    kept = kept_rows(frame, ~copy)
    _note_stacks(layer, kept, findings)
    if copy.any():
        ids = frame.get("feature", frame.index)
        findings.warn(
            f"{layer.file}, {layer.name}: {copy.sum()} features drawn twice were dropped "
            f"({some(list(ids[copy]))})."
        )
    return kept


def kept_rows(frame: gpd.GeoDataFrame, keep: Flags) -> gpd.GeoDataFrame:
    """Return some rows of a frame; itself where it is all of them, as of most layers."""
    return frame if keep.all() else frame[keep]


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


def reading_order(frame: gpd.GeoDataFrame) -> Ints:
    """Return the order from north-west to south-east, whatever the order in the file.

    frame: features, with a column `feature` or without. Returns row positions, shape (N,).
    """
    centres = shapely.centroid(frame.geometry.to_numpy())
    x, y = np.round(shapely.get_x(centres), 3), np.round(shapely.get_y(centres), 3)
    keys = _keys(frame, [c for c in frame.columns if c != "feature"])
    order = sorted(range(len(frame)), key=lambda row: (-y[row], x[row], keys[row]))
    return np.array(order, dtype=np.int64)


#: Overlaps up to this are slips of the hand [m²].
OVERLAP_M2: Final = 0.5
OVERLAP_NOTE_M2: Final = 0.05
#: Shares of a zone's area outside the boundary: worth a note; refused.
OUTSIDE_NOTE: Final = 0.01
OUTSIDE_REFUSED: Final = 0.5
#: A cut smaller than this is not worth a note [m²].
CUT_NOTE_M2: Final = 0.1


def _fault(file: str, found: str, allowed: str, mend: str, findings: Findings) -> None:
    findings.faults.append(Fault(file, found, allowed, mend, layer="hydrozones"))


def check_overlaps(zones: gpd.GeoDataFrame, file: str, findings: Findings) -> None:
    """Note every pair of zones that overlap by more than 0.5 m²."""
    if zones.empty:
        return
    shapes = zones.geometry.to_numpy()
    first, second = zones.sindex.query(shapes, predicate="intersects")
    pairs = sorted({(int(a), int(b)) for a, b in zip(first, second, strict=True) if a < b})
    for a, b in pairs:
        area = shapely.intersection(shapes[a], shapes[b]).area
        told = findings.tell(area, "area")
        if area > OVERLAP_M2:
            found = f"zones {zones.index[a]} and {zones.index[b]} overlapping by {told}"
            allowed = f"no overlap above {findings.tell(OVERLAP_M2, 'area')}"
            _fault(file, found, allowed, "Redraw the edge that they share.", findings)
        elif area > OVERLAP_NOTE_M2:
            findings.warn(
                f"Zones {zones.index[a]} and {zones.index[b]} overlap by {told}; that "
                "ground counts in both."
            )


def check_inside(
    zones: gpd.GeoDataFrame, boundary: BaseGeometry, file: str, findings: Findings
) -> None:
    """Note zones that stick out of the boundary: a warning above 1 %, a fault above half."""
    shapes = zones.geometry.to_numpy()
    outside = shapely.area(shapely.difference(shapes, boundary))
    share = outside / np.maximum(shapely.area(shapes), 1e-9)
    for zone, area, part in zip(zones.index, outside, share, strict=True):
        if part > OUTSIDE_REFUSED:
            found = f"zone {zone} with {part:.0%} of its area outside the boundary"
            _fault(file, found, "zones on the property", "Move the zone or the boundary.", findings)
        elif part > OUTSIDE_NOTE:
            findings.warn(
                f"Zone {zone} sticks out of the boundary by {findings.tell(area, 'area')} "
                f"({part:.1%} of it)."
            )


def cut_buildings(
    zones: gpd.GeoDataFrame, buildings: gpd.GeoDataFrame, file: str, findings: Findings
) -> gpd.GeoDataFrame:
    """Return the zones without the ground that buildings stand on; same index and columns."""
    if zones.empty or buildings.empty:
        return zones
    roofs = buildings.geometry.to_numpy()
    shapes = zones.geometry.to_numpy().copy()
    rows, hits = buildings.sindex.query(shapes, predicate="intersects")
    for row in np.unique(rows):
        before = shapes[row]
        after = shapely.difference(before, shapely.union_all(roofs[hits[rows == row]]))
        cut = before.area - after.area
        if after.area < LEAST_ZONE_M2:
            found = f"zone {zones.index[row]} under a building"
            _fault(file, found, "zones on open ground", "Move the zone or the building.", findings)
        elif cut > 0:
            shapes[row] = polygons_of(after)
        if cut > CUT_NOTE_M2 and after.area >= LEAST_ZONE_M2:
            findings.warn(
                f"Zone {zones.index[row]}: {findings.tell(cut, 'area')} under a building were cut "
                "out."
            )
    return zones.set_geometry(gpd.GeoSeries(shapes, zones.index, crs=zones.crs))


def check_timer(
    timer: Timer | None,
    valves: Mapping[str, str],
    file: str,
    findings: Findings,
    *,
    drawn: Collection[str] | None = (),
) -> None:
    """Check that today's timer runs every valve, and no other.

    drawn: valves of zones that were refused for faults of their own: those are the cause, and the
    timer is right. None where not even their names are known, so that no valve is doubted.
    """
    if timer is None:
        return
    key = "minutes" if timer.minutes is not None else "depth_mm"
    given = timer.minutes if timer.minutes is not None else timer.depth_mm
    if given is None:
        return
    where = f"{file}, timer.{key}"
    for valve in given:
        if valve not in valves and drawn is not None and valve not in drawn:
            near = nearest(valve, valves)
            mend = f'Did you mean "{near}"?' if near else "Remove it, or draw its zone."
            found, allowed = f'valve "{valve}", which no zone has', "valves of the hydrozones"
            findings.faults.append(Fault(where, found, allowed, mend))
    for valve, zone in valves.items():
        if valve not in given:
            found = f'nothing for valve "{valve}" of zone {zone}'
            mend = f'Add "{valve}" = ...; 0 says that the timer leaves it out.'
            findings.faults.append(Fault(where, found, "an entry for every valve", mend))


def check_controllers(
    zones: gpd.GeoDataFrame, fixtures: gpd.GeoDataFrame, file: str, findings: Findings
) -> None:
    """Check that the zones' controllers are among the named controllers that are drawn."""
    drawn = fixtures.loc[(fixtures["kind"] == "controller").to_numpy(), "name"].dropna()
    names = sorted(set(drawn))
    unknown = {c for c in zones["controller"].dropna() if c not in names}
    for controller in sorted(unknown) if names else ():
        ids = zones.index[(zones["controller"] == controller).to_numpy()].tolist()
        near = nearest(controller, names)
        mend = f'Did you mean "{near}"?' if near else "Draw it in fixtures, or correct the name."
        findings.faults.append(
            Fault(
                file,
                f'"{controller}"',
                f"a controller of the fixtures: {', '.join(names)}",
                mend,
                layer="hydrozones",
                feature=f"of zone {some(ids)}",
                column="controller",
            )
        )


#: A building is asked about when taller than this times the root of its footprint ...
_SLENDER: Final = 2.0
#: ... and taller than this [m].
_TALL_M: Final = 12.0
_STOREY_M: Final = 7.0
_TALL_TREES_M: Final = 40.0
_WIDE_CROWNS_M: Final = 25.0
_WIDE: Final = 3.0
#: A trunk is asked about above the crown over this, six times what open-grown trees have.
_STOUT: Final = 4.0
#: ... or where half of them are thicker, and no unit is stated of trunks themselves [m].
_STOUT_TRUNKS_M: Final = 1.2


def note_feet(layer: Layer, findings: Findings) -> None:
    """Say that lengths were taken in metres although the layer is drawn in feet."""
    unit = linear_unit(layer.frame.crs)
    if "foot" not in unit:
        return
    silent = [
        name
        for name, match in layer.columns.items()
        if layer.column(name).kind == "length" and not unit_is_stated(name, match, layer.source)
    ]
    if silent:
        findings.warn(
            f"{layer.file}, {layer.name}: is drawn in {unit}, but the lengths ({some(silent)}) "
            "were taken in metres, as no unit is stated; if they are in feet, write "
            f'units_in = {{ {layer.name} = "ft" }}.'
        )


def check_units(layers: Sequence[Layer], units: UnitsName, file: str, findings: Findings) -> None:
    """Refuse lengths that no unit is stated for, where feet are as likely as metres; else say so.

    units {"metric", "us"}: the property's units, the template that goes with "us" writes feet.
    """
    silent = {layer.name: names for layer in layers if (names := _unstated(layer))}
    if not silent:
        return
    listed = "; ".join(f"{layer}: {', '.join(names)}" for layer, names in silent.items())
    if units == "us":
        found = f"lengths of which nothing says whether they are in feet or metres ({listed})"
        allowed = "a unit in the header (height_ft), or units_in"
        mend = 'Write units_in = "ft" below units, or units_in = "m" if they are in metres.'
        findings.faults.append(Fault(f"{file}, units_in", found, allowed, mend))
        return
    findings.warn(
        f"lengths whose header says no unit were taken in metres ({listed}); units_in in {file} "
        "says otherwise."
    )


def _unstated(layer: Layer) -> list[str]:
    """Return the columns of lengths that hold a bare number and state no unit."""
    return [
        name
        for name, match in layer.columns.items()
        if layer.column(name).kind == "length"
        and not unit_is_stated(name, match, layer.source)
        and any(_is_bare(value) for value in layer.raw(name))
    ]


def _is_bare(value: object) -> bool:
    """Return whether a value is a number without a unit of its own."""
    if isinstance(value, str):
        return not np.isnan(parse_number(value))
    return isinstance(value, int | float) and not isinstance(value, bool)


def question_sizes(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
    """Refuse sizes that feet would explain, unless their unit is stated."""
    if frame.empty or any(f.layer == layer.name for f in findings.faults):
        return
    if layer.name == "buildings":
        _question_buildings(layer, frame, findings)
    elif layer.name == "trees":
        _question_trees(layer, frame, findings)


def _ask(layer: Layer, column: str, found: str, findings: Findings) -> None:
    mend = (
        f'If they are in feet, write units_in = {{ {layer.name} = "ft" }}; if they are right, '
        f'units_in = {{ {layer.name} = "m" }}.'
    )
    layer.fault(findings, f"{found}, as if they were feet", "sizes in m", mend, column=column)


def _silent(layer: Layer, column: str) -> bool:
    match = layer.columns.get(column)
    return match is not None and not unit_is_stated(column, match, layer.source)


def _question_buildings(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
    if not _silent(layer, "height"):
        return
    height = frame["height"].to_numpy(dtype=np.float64)
    # A quarter of the outline, so that a long wall drawn as a building does not count as slender.
    side = shapely.length(frame.geometry.to_numpy()) / 4
    slender = (height > _TALL_M) & (height > _SLENDER * side)
    if 2 * np.count_nonzero(slender) > len(frame):
        found = f"{np.count_nonzero(slender)} of {len(frame)} buildings far taller than wide"
        _ask(layer, "height", found, findings)
        return
    levels = [v if isinstance(v, int | float) else np.nan for v in layer.raw("levels")]
    given = [v if isinstance(v, int | float) else np.nan for v in layer.raw("height")]
    counted, tall = np.array(levels, dtype=np.float64), np.array(given, dtype=np.float64)
    several = (counted > 1) & ~np.isnan(tall)
    if several.any():
        storey = float(np.nanmedian(tall[several] / counted[several]))
        if storey > _STOREY_M:
            _ask(layer, "height", f"{storey:.3g} m for each of the levels", findings)


def _question_trunks(layer: Layer, findings: Findings) -> None:
    """Refuse trunks, where crowns follow from them, that inches taken for feet would explain."""
    match = layer.columns.get("trunk_diameter")
    column = layer.column("trunk_diameter")
    if match is None or unit_is_its_own(column.name, match, layer.source, column):
        return
    crown = numbers(layer, "crown_diameter", Findings())
    drawn = np.isin(shapely.get_type_id(layer.frame.geometry.to_numpy()), (3, 6))
    given = numbers(layer, column.name, Findings())[np.isnan(crown) & ~drawn]
    middle = float(np.nanmedian(given)) if np.isfinite(given).any() else 0.0
    if middle > _STOUT_TRUNKS_M:
        found = f"half of the trunks {findings.tell(middle, 'length', decimals=1)} thick or more"
        layer.fault(
            findings, f"{found}, as if they were in inches", "trunks as they grow",
            column.mend, column=column.name,
        )  # fmt: skip


def _question_trees(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
    _question_trunks(layer, findings)
    for column, most in (("height", _TALL_TREES_M), ("crown_diameter", _WIDE_CROWNS_M)):
        middle = float(frame[column].median())
        if middle > most and _silent(layer, column):
            _ask(layer, column, f"half of the trees with {middle:g} m or more", findings)
    crown, height = frame["crown_diameter"].to_numpy(), frame["height"].to_numpy()
    thick = frame["trunk_diameter"].to_numpy() > crown
    if thick.any():
        layer.fault(
            findings,
            "a trunk thicker than its crown",
            "trunk_diameter below crown_diameter",
            "Correct one of them; trunks are often in inches: units_in = { trees = "
            '{ trunk_diameter = "in" } }.',
            features=frame["feature"][thick].tolist(),
            column="trunk_diameter",
        )
    stout = ~thick & (frame["trunk_diameter"].to_numpy() > crown / _STOUT)
    if stout.any():
        findings.warn(
            f"{layer.file}, {layer.name}: the trunk of {some(frame['feature'][stout].tolist())} is "
            f"thicker than a quarter of its crown; if trunks are in inches, write units_in = "
            '{ trees = { trunk_diameter = "in" } }.'
        )
    wide = crown > _WIDE * height
    if wide.any():
        findings.warn(
            f"{layer.file}, {layer.name}: the crown of {some(frame['feature'][wide].tolist())} is "
            f"more than {_WIDE:g} times as wide as the tree is tall."
        )


def note_trees_inside(
    trees: gpd.GeoDataFrame, buildings: gpd.GeoDataFrame, file: str, findings: Findings
) -> None:
    """Say which trees stand inside a building."""
    if trees.empty or buildings.empty:
        return
    rows, _ = buildings.sindex.query(trees.geometry.to_numpy(), predicate="within")
    inside = trees["feature"].iloc[np.unique(rows)].tolist()
    if inside:
        findings.warn(
            f"{file}, trees: {some(inside)} stand inside a building; move them, or the building."
        )
