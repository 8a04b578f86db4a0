"""Read a property's layers: checked frames in our units, repaired, in one working CRS."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.arrays import Flags, Floats
from siting.errors import Fault, Findings, InputError, limit, some
from siting.site.checks import (
    ShapeKind,
    check_controllers,
    check_inside,
    check_overlaps,
    check_timer,
    check_units,
    clean_shapes,
    cut_buildings,
    drop_copies,
    kept_rows,
    note_feet,
    note_trees_inside,
    polygons_of,
    question_sizes,
    reading_order,
)
from siting.site.columns import (
    COEFFICIENTS,
    COLUMNS,
    Column,
    Layer,
    flags,
    maybe_flags,
    numbers,
    texts,
    unit_is_its_own,
    words,
)
from siting.site.crs import WGS84, Working, all_finite, to_working, working_crs
from siting.site.model import Evidence, HeightRaster, Site
from siting.site.property import parse_property
from siting.site.settings import RASTER_LAYERS, VECTOR_LAYERS, PropertyFile
from siting.site.vector import empty_layer, file_label, open_layer

#: Height of one storey [m]: common practice for base maps that count levels, no source.
LEVEL_M: Final = 3.0
_WHOLE: Final = 100.0  # [%]
#: Below this an application rate looks like inches per hour [mm/h].
_SLOW_MM_H: Final = 2.5


def _frame(layer: Layer, columns: dict[str, Any]) -> gpd.GeoDataFrame:
    """Return a frame of the given columns on the layer's index and geometry."""
    data = {
        name: values
        if isinstance(values, np.ndarray)
        else pd.Series(values, layer.frame.index, dtype=object)
        for name, values in columns.items()
    }
    return gpd.GeoDataFrame(data, index=layer.frame.index, geometry=layer.frame.geometry.array)


def _finish(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Drop copies, sort north-west to south-east, number the rows."""
    kept = drop_copies(layer, frame, findings, ignore=("feature",))
    return kept.iloc[reading_order(kept)].reset_index(drop=True)


def _ids(layer: Layer) -> list[str]:
    return [str(feature) for feature in layer.frame.index]


def _zones_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the hydrozones with every column of `Site.hydrozones`, by zone in natural order.

    findings: where faults (unknown plants, a zone or valve given twice, soil fractions that cannot
    be) and assumptions are noted.
    """
    zone, valve = texts(layer, "zone", findings), texts(layer, "valve", findings)
    frame = _frame(
        layer,
        {
            "zone": zone,
            "valve": [v or z for v, z in zip(valve, zone, strict=True)],
            "controller": texts(layer, "controller", findings),
            "plants": words(layer, "plants", findings),
            "soil": words(layer, "soil", findings),
            "sand": numbers(layer, "sand", findings),
            "clay": numbers(layer, "clay", findings),
            "irrigation": words(layer, "irrigation", findings),
            "precipitation_rate": numbers(layer, "precipitation_rate", findings),
            "distribution_uniformity": numbers(layer, "distribution_uniformity", findings),
            "root_depth": numbers(layer, "root_depth", findings),
            "plant_factor": numbers(layer, "plant_factor", findings),
            "slope": numbers(layer, "slope", findings),
            **{
                column.name: _values(layer, column, findings)
                for column in COEFFICIENTS
                if column.name in layer.columns
            },
            "new_sod": flags(layer, "new_sod", findings),
            "in_play": flags(layer, "in_play", findings),
            # In the open, all of the rain reaches the ground.
            "rain_share": np.nan_to_num(numbers(layer, "rain_share", findings), nan=1.0),
        },
    )
    _check_fractions(layer, frame, findings)
    _check_water(layer, frame, findings)
    _doubt_rates(layer, frame, findings)
    frame = _unique_zones(layer, frame, findings)
    order = sorted(range(len(frame)), key=lambda row: natural_key(str(frame["zone"].iloc[row])))
    return frame.iloc[order].set_index("zone")


def _doubt_rates(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
    """Say which rates look like inches an hour, where nothing says their unit."""
    for name in ("precipitation_rate", "intake_rate"):
        match = layer.columns.get(name)
        if match is None or unit_is_its_own(name, match, layer.source, layer.column(name)):
            continue
        slow = frame.index[frame[name] < _SLOW_MM_H].tolist()
        if slow:
            findings.warn(
                f"{layer.file}, {layer.name}: {name} below "
                f"{findings.tell(_SLOW_MM_H, 'rate', decimals=2)} in features {some(slow)}; if it "
                f"is in inches per hour, name the column {name}_in_h."
            )


def _values(layer: Layer, column: Column, findings: Findings) -> Any:  # noqa: ANN401
    """Return the words or numbers of a column."""
    return (words if column.kind == "word" else numbers)(layer, column.name, findings)


def natural_key(text: str) -> tuple[list[tuple[int, int, str]], str]:
    """Return a sort key under which 2 comes before 10 and A2 before A10.

    >>> sorted(["10", "2", "A10", "A2"], key=natural_key)
    ['2', '10', 'A2', 'A10']
    """
    parts = re.split(r"(\d+)", text.casefold())
    key = [(0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p]
    return key, text


def _check_fractions(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
    """Sand and clay come together, in percent, and leave room for silt."""
    sand, clay = frame["sand"].to_numpy(), frame["clay"].to_numpy()
    allowed = "sand and clay in %, together at most 100"
    both = ~np.isnan(sand) & ~np.isnan(clay)
    cases = (
        (np.isnan(sand) != np.isnan(clay), "one of sand and clay", "Give both, or a soil class."),
        (both & (sand + clay > _WHOLE), "sand and clay above 100 % together", "Correct them."),
        (
            both & (sand <= 1) & (clay <= 1) & (sand + clay > 0),
            "sand and clay written as fractions",
            "Multiply them by 100.",
        ),
    )
    for rows, found, mend in cases:
        ids = frame.index[rows].tolist()
        if ids and not _layer_has_fault(layer, findings, "sand", "clay"):
            layer.fault(findings, found, allowed, mend, features=ids, column="sand")


def _check_water(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
    """Note soils that hold no more at field capacity than at the wilting point."""
    if not {"field_capacity", "wilting_point"} <= set(frame.columns):
        return
    dry = (frame["wilting_point"] >= frame["field_capacity"]).to_numpy()
    if dry.any():
        found = "a wilting_point at or above field_capacity"
        ids = frame.index[dry].tolist()
        allowed = "wilting_point below field_capacity"
        layer.fault(findings, found, allowed, "Correct one.", features=ids, column="wilting_point")


def _layer_has_fault(layer: Layer, findings: Findings, *columns: str) -> bool:
    """Return whether one of the layer's columns already has a fault.

    *columns: our names of the columns. Returns True when there is one.
    """
    return any(f.layer == layer.name and f.column in columns for f in findings.faults)


def _unique_zones(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    nameless = frame["zone"].isna().to_numpy()
    faulty = _layer_has_fault(layer, findings, "zone")
    if nameless.any() and "zone" in layer.columns and not faulty:
        layer.fault(
            findings,
            "no zone id",
            "an id, one of its own for each zone",
            "Fill it in.",
            features=frame.index[nameless].tolist(),
            column="zone",
        )
    frame = drop_copies(layer, kept_rows(frame, ~nameless), findings)
    for column, mend in (
        ("zone", "Give each its own id, or merge them into one multipart feature."),
        ("valve", "Merge the zones, or give each its own valve."),
    ):
        twice = frame.duplicated(column, keep=False).to_numpy()
        for value, rows in frame[twice].groupby(column, sort=True) if twice.any() else ():
            if column == "valve" and len(set(rows["zone"])) == 1:
                continue
            zones = "" if column == "zone" else f" of zones {some(sorted(rows['zone'].unique()))}"
            found = f'{column} "{value}" on {len(rows)} features{zones}'
            allowed = "one polygon per valve and zone"
            layer.fault(findings, found, allowed, mend, features=rows.index.tolist(), column=column)
    _look_alike(layer, frame, findings)
    return kept_rows(frame, ~frame.duplicated("zone").to_numpy())


def _look_alike(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
    """Refuse ids that only differ in case, spaces or how their letters are put together."""
    kinds: dict[str, set[str]] = {}
    for zone in frame["zone"]:
        plain = "".join(unicodedata.normalize("NFKC", str(zone)).casefold().split())
        kinds.setdefault(plain, set()).add(str(zone))
    for alike in (sorted(ids) for ids in kinds.values() if len(ids) > 1):
        ids = frame.index[frame["zone"].isin(alike).to_numpy()].tolist()
        found = f"zones {some(alike)}, which look alike"
        allowed = "ids that differ in more than case and spaces"
        layer.fault(findings, found, allowed, "Rename one.", features=ids, column="zone")


def _buildings_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the buildings with their heights [m].

    findings: where buildings without height or levels are noted: a fault, unless the user gave a
    default. Returns columns height [m], feature, geometry.
    """
    height, levels = numbers(layer, "height", findings), numbers(layer, "levels", findings)
    by_levels = np.isnan(height) & ~np.isnan(levels)
    height = np.where(by_levels, levels * LEVEL_M, height)
    unknown = np.isnan(height)
    where = f"{layer.file}, {layer.name}:"
    if by_levels.any():
        findings.warn(
            f"{where} {by_levels.sum()} heights were taken from levels, "
            f"{findings.tell(LEVEL_M, 'length', decimals=0)} each."
        )
    if unknown.any() and layer.source.default_height is not None:
        height = np.where(unknown, layer.source.default_height, height)
        findings.warn(
            f"{where} {unknown.sum()} buildings of unknown height were taken to be "
            f"{findings.tell(layer.source.default_height, 'length', decimals=1)} tall, as the "
            "property file says."
        )
    elif unknown.any() and not _layer_has_fault(layer, findings, "height", "levels"):
        mend = f"Fill it in, or write layers.{layer.name} = {{ file = ..., default_height = 6.0 }}."
        ids = layer.frame.index[unknown].tolist()
        layer.fault(findings, "no value", "height or levels", mend, features=ids, column="height")
    flat = int((height == 0).sum())
    if flat:
        none = findings.tell(0.0, "length", decimals=0)
        findings.warn(f"{where} {flat} buildings are {none} tall and shade nothing.")
    return _finish(layer, _frame(layer, {"height": height, "feature": _ids(layer)}), findings)


def _soils_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the polygons of a soil map.

    Returns columns soil, sand, clay, organic_matter, compaction, gravel, feature, geometry.
    """
    columns = {column.name: _values(layer, column, findings) for column in COLUMNS["soils"]}
    frame = _frame(layer, columns | {"feature": _ids(layer)})
    _check_fractions(layer, frame, findings)
    nameless = frame["soil"].isna().to_numpy() & frame["sand"].isna().to_numpy()
    if nameless.any() and not _layer_has_fault(layer, findings, "soil", "sand", "clay"):
        layer.fault(
            findings,
            "neither a soil nor sand and clay",
            "a texture class, or sand and clay in %",
            "Fill one of them in.",
            features=layer.frame.index[nameless].tolist(),
            column="soil",
        )
    return _finish(layer, frame, findings)


def _walls_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return free-standing walls, fences and hedges.

    findings: where walls without height are noted as a fault, unknown transmissivities as a
    warning. Returns columns height [m], transmissivity (0..1), feature, geometry.
    """
    height, passed = numbers(layer, "height", findings), numbers(layer, "transmissivity", findings)
    unknown = np.isnan(height)
    if unknown.any() and not _layer_has_fault(layer, findings, "height"):
        ids = layer.frame.index[unknown].tolist()
        layer.fault(findings, "no value", "a height", "Fill it in.", features=ids, column="height")
    solid = np.isnan(passed)
    if solid.any():
        findings.warn(
            f"{layer.file}, {layer.name}: transmissivity of {solid.sum()} walls was unknown and "
            "taken as 0: no light passes."
        )
    columns = {
        "height": height,
        "transmissivity": np.where(solid, 0.0, passed),
        "feature": _ids(layer),
    }
    return _finish(layer, _frame(layer, columns), findings)


def _paving_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the paving."""
    return _finish(layer, _frame(layer, {"feature": _ids(layer)}), findings)


def _lines_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return lines: paths that people tread, or utilities in the ground.

    Returns columns kind (str or None: the utility's kind or the path's name), feature, geometry.
    """
    word = "kind" if layer.name == "utilities" else "name"
    columns = {"kind": texts(layer, word, findings), "feature": _ids(layer)}
    return _finish(layer, _frame(layer, columns), findings)


def _fixtures_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the fixtures: controllers, valve boxes, heads, downspouts and the like.

    findings: where unknown kinds are noted. Returns columns kind, valve, name, wetted_radius [m],
    nozzle_flow [L/min], feature, geometry.
    """
    columns = {
        "kind": words(layer, "kind", findings),
        "valve": texts(layer, "valve", findings),
        "name": texts(layer, "name", findings),
        "wetted_radius": numbers(layer, "wetted_radius", findings),
        "nozzle_flow": numbers(layer, "nozzle_flow", findings),
        "feature": _ids(layer),
    }
    return _finish(layer, _frame(layer, columns), findings)


def _cans_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the catch cans and their readings.

    Returns columns depth [mm], volume [mL], mouth_diameter [m], minutes [min], feature, geometry.
    Cans at one place are kept: they may be readings of different runs.
    """
    depth, volume = numbers(layer, "depth", findings), numbers(layer, "volume", findings)
    if len(layer.frame) and not {"depth", "volume"} & set(layer.columns):
        fault = Fault(
            layer.file,
            "neither of the columns",
            "depth [mm] or volume [mL]",
            "Add one, or map yours in the property file.",
            layer=layer.name,
        )
        findings.faults.append(fault)
    columns = {
        "depth": depth,
        "volume": volume,
        "mouth_diameter": numbers(layer, "mouth_diameter", findings),
        "minutes": numbers(layer, "minutes", findings),
        "feature": _ids(layer),
    }
    frame = _frame(layer, columns)
    return frame.iloc[reading_order(frame)].reset_index(drop=True)


#: How unknown sizes of a tree are filled: height of one of which nothing is known [m], crown
#: diameter over height, crown diameter over trunk diameter (1 ft of radius to 1 in of trunk).
#: Common practice for open-grown trees, no published source.
TREE_HEIGHT_M: Final = 6.0
_CROWN_PER_HEIGHT: Final = 0.6
_CROWN_PER_TRUNK: Final = 24.0
#: Share of the sun that passes a crown in leaf, from memory: 0.1 to 0.3 for most open-grown trees
#: (Heisler 1986, Energy and Buildings 9), as low as 0.01 to 0.05 for dense single crowns (Konarska
#: et al. 2014, Theoretical and Applied Climatology 117).
TREE_TRANSMISSIVITY: Final = 0.2


def _trees_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the trees with every size known.

    Returns columns height, crown_diameter, trunk_diameter [m],
    transmissivity, crown_base [m], transmissivity_bare (NaN where not told), evergreen (True, False
    or None), feature, geometry (point), crown (polygon or None).
    """
    shapes = layer.frame.geometry.to_numpy()
    drawn = np.isin(shapely.get_type_id(shapes), (3, 6))
    crown = numbers(layer, "crown_diameter", findings)
    crown = np.where(drawn & np.isnan(crown), 2 * np.sqrt(shapely.area(shapes) / np.pi), crown)
    sizes = _fill_sizes(
        layer,
        numbers(layer, "height", findings),
        crown,
        numbers(layer, "trunk_diameter", findings),
        findings,
    )
    passed = numbers(layer, "transmissivity", findings)
    unknown = np.isnan(passed)
    _note(layer, unknown, "transmissivity", f"{TREE_TRANSMISSIVITY:g} in leaf", findings)
    frame = gpd.GeoDataFrame(
        {
            **sizes,
            "transmissivity": np.where(unknown, TREE_TRANSMISSIVITY, passed),
            "crown_base": _crown_bases(layer, sizes["height"], findings),
            "transmissivity_bare": numbers(layer, "transmissivity_bare", findings),
            "evergreen": pd.Series(
                maybe_flags(layer, "evergreen", findings), layer.frame.index, dtype=object
            ),
            "feature": pd.Series(layer.frame.index, layer.frame.index, dtype=object),
            "crown": pd.Series(np.where(drawn, shapes, None), layer.frame.index, dtype=object),
        },
        index=layer.frame.index,
        geometry=_trunks(shapes, drawn),
        crs=layer.frame.crs,
    )
    frame = frame[
        [
            "height",
            "crown_diameter",
            "trunk_diameter",
            "transmissivity",
            "crown_base",
            "transmissivity_bare",
            "evergreen",
            "feature",
            "geometry",
            "crown",
        ]
    ]
    kept = drop_copies(layer, frame, findings, ignore=("feature",))
    return kept.iloc[reading_order(kept)].reset_index(drop=True)


def _trunks(shapes: NDArray[np.object_], drawn: Flags) -> NDArray[np.object_]:
    """Return the middle of a drawn crown, or a point within it where the middle lies outside."""
    middle = shapely.centroid(shapes)
    inside = shapely.covers(shapes, middle)
    within = np.where(inside, middle, shapely.point_on_surface(shapes))
    trunks: NDArray[np.object_] = np.where(drawn, within, shapes)
    return trunks


def _crown_bases(layer: Layer, height: Floats, findings: Findings) -> Floats:
    """Return how high crowns begin [m], NaN where not told; a crown begins below its top."""
    base = numbers(layer, "crown_base", findings)
    high = base >= height
    if high.any():
        layer.fault(
            findings,
            "crown_base at or above the tree's height",
            "a crown that begins below the top",
            "Correct one of them.",
            features=layer.frame.index[high].tolist(),
            column="crown_base",
        )
    return base


def _fill_sizes(
    layer: Layer,
    height: Floats,
    crown: Floats,
    trunk: Floats,
    findings: Findings,
) -> dict[str, Floats]:
    """Fill each unknown size from the sizes that are known."""
    by_trunk = np.isnan(crown) & np.isnan(height)
    no_crown, no_trunk = np.isnan(crown), np.isnan(trunk)
    crown = np.where(by_trunk, trunk * _CROWN_PER_TRUNK, crown)
    nothing = np.isnan(crown) & np.isnan(height)
    no_height = np.isnan(height) & ~nothing
    height = np.where(no_height, crown / _CROWN_PER_HEIGHT, height)
    height = np.where(nothing, TREE_HEIGHT_M, height)
    crown = np.where(np.isnan(crown), height * _CROWN_PER_HEIGHT, crown)
    trunk = np.where(no_trunk, crown / _CROWN_PER_TRUNK, trunk)
    _note(layer, nothing, "height", findings.tell(TREE_HEIGHT_M, "length", decimals=0), findings)
    _note(layer, no_height, "height", f"crown diameter / {_CROWN_PER_HEIGHT:g}", findings)
    known = no_crown & ~by_trunk | nothing
    _note(layer, known, "crown_diameter", f"{_CROWN_PER_HEIGHT:g} of the height", findings)
    from_trunk = by_trunk & ~nothing
    per_trunk = f"{_CROWN_PER_TRUNK:g} trunk diameters"
    _note(layer, from_trunk, "crown_diameter", per_trunk, findings)
    share = f"crown diameter / {_CROWN_PER_TRUNK:g}"
    _note(layer, no_trunk, "trunk_diameter", share, findings)
    return {"height": height, "crown_diameter": crown, "trunk_diameter": trunk}


def _note(layer: Layer, rows: Flags, column: str, taken: str, findings: Findings) -> None:
    if rows.any():
        findings.warn(
            f"{layer.file}, {layer.name}: {column} of {rows.sum()} trees was unknown and taken as "
            f"{taken}."
        )


#: Features farther from the property than this neither shade it nor stand in the way [m].
NEARBY_M: Final = 500.0
#: A property larger than this is a slip of the CRS [m].
LARGEST_M: Final = 20_000.0
#: A smaller one is a slip of the CRS, too [m²].
SMALLEST_M2: Final = 10.0
#: No irrigated ground lies nearer to a pole [deg].
NORTHERNMOST: Final = 75.0
#: Coordinates this near to 0, 0 are coordinates of something else [deg].
NULL_ISLAND: Final = 0.1
_SHAPES: Final[dict[str, ShapeKind]] = {
    "boundary": "polygon",
    "hydrozones": "polygon",
    "buildings": "polygon",
    "trees": "either",
    "walls": "line",
    "paving": "polygon",
    "fixtures": "point",
    "cans": "point",
    "soils": "polygon",
    "paths": "line",
    "utilities": "line",
}
_BUILDERS: Final = {
    "hydrozones": _zones_frame,
    "buildings": _buildings_frame,
    "trees": _trees_frame,
    "walls": _walls_frame,
    "paving": _paving_frame,
    "fixtures": _fixtures_frame,
    "cans": _cans_frame,
    "soils": _soils_frame,
    "paths": _lines_frame,
    "utilities": _lines_frame,
}
#: What is lost without a layer.
_ABSENT: Final = {
    "buildings": "no buildings layer: no building shades, and none is kept clear of",
    "trees": "no trees layer: no tree shades, and no roots are kept clear of",
}
#: Files that belong to a shapefile.
_SIDECARS: Final = (".dbf", ".prj", ".shx", ".cpg")


def open_property(
    path: Path | str, *, changes: Mapping[str, Any] | None = None
) -> tuple[PropertyFile, Site]:
    """Read a property file and its layers, and report the faults of both at once.

    Parameters
    ----------
    path : Path or str
        The property file, or the folder that holds `property.toml`.
    changes : mapping of str to object, optional
        Dotted key -> value that takes the place of the file's.

    Returns
    -------
    tuple of PropertyFile and Site
        What the user asked for, and the checked property.

    Raises
    ------
    InputError
        With every fault of the property file and of the layers that it names.
    """
    findings = Findings()
    settings = parse_property(path, findings, changes=changes)
    try_layers = {"boundary", "hydrozones"} <= set(settings.layers)
    if not try_layers:
        # A required layer that is not named has been noted.
        raise InputError(findings.faults)
    site = _read(settings, findings)
    findings.refuse()
    return settings, site


def read_site(settings: PropertyFile) -> Site:
    """Read, repair and check every layer of a property.

    Parameters
    ----------
    settings : PropertyFile
        From `siting.site.property.read_property`.

    Returns
    -------
    Site
        The checked property; `Site.warnings` says what was repaired or assumed.

    Raises
    ------
    InputError
        With every fault of every layer: missing layers and columns, no CRS, numbers written as
        text, unknown words, shapes that are missing or overlap, valves that do not match the timer.
    """
    findings = Findings()
    site = _read(settings, findings)
    findings.refuse()
    return site


@dataclass(frozen=True)
class _Place:
    """Where the property is."""

    working: Working
    boundary: BaseGeometry
    known: bool


def _read(settings: PropertyFile, findings: Findings) -> Site:
    folder, findings.units = settings.path.parent, settings.units
    layers = {name: _open(name, settings, folder, findings) for name in VECTOR_LAYERS}
    place = _locate(layers, findings)
    frames: dict[str, gpd.GeoDataFrame] = {}
    located = place.known
    for name, build in _BUILDERS.items():
        before, read = len(findings.faults), layers[name]
        if name != "hydrozones" and read is not None and _is_absent(read):
            frames[name] = _nothing(name).set_crs(place.working.crs)
            continue
        layer, sound = _in_place(read or empty_layer(name), place, findings)
        located = located and (sound or name not in ("hydrozones", "buildings"))
        frames[name] = build(layer, findings)
        if sound:
            question_sizes(layer, frames[name], findings)
        if name == "hydrozones" and read is not None and layer.frame.empty:
            # Without a boundary its features may have no place; the boundary is the cause then.
            lost = not place.known and not read.frame.empty
            _note_empty(layer, lost or len(findings.faults) > before, findings)
    drawn = [layer for layer in layers.values() if layer is not None]
    check_units(drawn, settings.units, settings.path.name, findings)
    file = layers["hydrozones"].file if layers["hydrozones"] else ""
    check_controllers(frames["hydrozones"], frames["fixtures"], file, findings)
    _check_valves(settings, frames["hydrozones"], layers["hydrozones"], findings)
    if located:
        frames["hydrozones"] = _relate(frames, place.boundary, file, findings)
    tree_file = layers["trees"].file if layers["trees"] else ""
    note_trees_inside(frames["trees"], frames["buildings"], tree_file, findings)
    _check_cells(settings, place, findings)
    _note_outside(settings, findings)
    _check_aerial(settings, place, findings)
    heights = _height_rasters(settings, place, findings)
    evidence = _evidence(settings, place, frames, findings)
    return Site(
        name=settings.name,
        crs=place.working.crs,
        source_crs=place.working.source_crs,
        longitude=place.working.longitude,
        latitude=place.working.latitude,
        boundary=place.boundary,
        **frames,
        **heights,
        evidence=evidence,
        warnings=tuple(findings.warnings),
        sources=_sources(settings),
    )


def _is_absent(layer: Layer) -> bool:
    """Return whether a layer that may be left out is: a file's has a CRS, rows or columns."""
    return layer.frame.crs is None and layer.frame.empty and not layer.columns


@lru_cache
def _nothing(name: str) -> gpd.GeoDataFrame:
    """Return the frame of a layer that is not there, without CRS; not to be changed."""
    return _BUILDERS[name](empty_layer(name), Findings())


def _relate(
    frames: dict[str, gpd.GeoDataFrame], boundary: BaseGeometry, file: str, findings: Findings
) -> gpd.GeoDataFrame:
    """Check how the zones lie, and return them without the ground under buildings."""
    zones = frames["hydrozones"]
    check_overlaps(zones, file, findings)
    check_inside(zones, boundary, file, findings)
    return cut_buildings(zones, frames["buildings"], file, findings)


def _check_valves(
    settings: PropertyFile, zones: gpd.GeoDataFrame, layer: Layer | None, findings: Findings
) -> None:
    """Check the timer, unless there are no sound zones to check it against."""
    if not zones.empty and layer is not None:
        pairs = dict(zip(zones["valve"], zones.index, strict=True))
        drawn = None if _nameless(layer) else _drawn_valves(layer)
        check_timer(settings.timer, pairs, settings.path.name, findings, drawn=drawn)


def _drawn_valves(layer: Layer) -> set[str]:
    """Return the valves as the file holds them, of refused features too."""
    valve, zone = (texts(layer, column, Findings()) for column in ("valve", "zone"))
    named = {v or z for v, z in zip(valve, zone, strict=True)}
    return {text for text in named if text}


def _nameless(layer: Layer) -> bool:
    """Return whether a feature has neither valve nor zone, so that its valve is not known."""
    pairs = zip(layer.raw("valve"), layer.raw("zone"), strict=True)
    return any(valve is None and zone is None for valve, zone in pairs)


def _open(name: str, settings: PropertyFile, folder: Path, findings: Findings) -> Layer | None:
    source = settings.layers.get(name)
    before = len(findings.faults)
    layer = empty_layer(name) if source is None else open_layer(name, source, folder, findings)
    absent = layer is not None and layer.frame.crs is None and layer.frame.empty
    if absent and name in _ABSENT and len(findings.faults) == before:
        findings.warn(f"{_ABSENT[name]}.")
    return layer


def _note_empty(layer: Layer, refused: bool, findings: Findings) -> None:
    """Note a required layer without features, unless its features were refused already."""
    if not refused:
        mend = f"Draw the {layer.name} in the GIS."
        layer.fault(findings, "no features", "at least one polygon", mend)


def _locate(layers: dict[str, Layer | None], findings: Findings) -> _Place:
    """Return where the property is; a stand-in when the boundary does not tell."""
    layer = layers["boundary"]
    if layer is not None and layer.frame.crs is not None and not layer.frame.empty:
        working = working_crs(layer.frame)
        if working is None:
            layer.fault(
                findings,
                f"coordinates that do not exist in {layer.frame.crs.name}",
                "coordinates in the layer's CRS",
                "Give the layer its right CRS; perhaps x and y are swapped.",
            )
        elif _on_earth(layer, working, findings):
            place = _boundary(layer, working, findings)
            if place is not None:
                return place
    elif layer is not None and layer.frame.empty:
        _note_empty(layer, layer.frame.crs is None and bool(findings.faults), findings)
    return _stand_in(layers)


def _on_earth(layer: Layer, working: Working, findings: Findings) -> bool:
    """Return whether a property may lie where its boundary says."""
    longitude, latitude = working.longitude, working.latitude
    if abs(latitude) > NORTHERNMOST:
        found = f"a property at latitude {latitude:.1f}"
        allowed = f"latitudes from -{NORTHERNMOST:g} to {NORTHERNMOST:g}"
        mend = "Give the layer its right CRS; perhaps x and y are swapped."
    elif max(abs(longitude), abs(latitude)) < NULL_ISLAND:
        found = "a property at longitude 0, latitude 0, where no property is"
        allowed = "coordinates of the property"
        mend = "Georeference the drawing, and give the layer its right CRS."
    else:
        return True
    layer.fault(findings, found, allowed, mend)
    return False


def _boundary(layer: Layer, working: Working, findings: Findings) -> _Place | None:
    moved = replace(layer, frame=to_working(layer, working, findings))
    clean = clean_shapes(moved, "polygon", findings)
    if clean.frame.empty:
        return None
    shape = polygons_of(shapely.union_all(clean.frame.geometry.to_numpy()))
    if shape.area < SMALLEST_M2:
        found, allowed = f"a property of {findings.tell(shape.area, 'area')}", "at least "
        allowed += findings.tell(SMALLEST_M2, "area", decimals=0)
        layer.fault(findings, found, allowed, "Draw it, or give the layer its right CRS.")
        return None
    if len(clean.frame) > 1:
        findings.warn(
            f"{layer.file}, boundary: {len(clean.frame)} polygons were joined, "
            f"{findings.tell(shape.area, 'area', decimals=0)} in all."
        )
    west, south, east, north = shape.bounds
    if max(east - west, north - south) > LARGEST_M:
        found = f"a property {max(east - west, north - south) / 1000:,.0f} km across"
        layer.fault(findings, found, "at most 20 km", "Give the layer its right CRS.")
        return None
    return _Place(working, shape, known=True)


def _stand_in(layers: dict[str, Layer | None]) -> _Place:
    """Return a place from another layer, so that the other layers' faults are found too."""
    for layer in layers.values():
        if layer is None or layer.frame.crs is None or layer.frame.empty:
            continue
        working = working_crs(layer.frame)
        if working is not None:
            return _Place(working, shapely.Polygon(), known=False)
    return _Place(Working(WGS84, WGS84, 0.0, 0.0), shapely.Polygon(), known=False)


def _in_place(layer: Layer, place: _Place, findings: Findings) -> tuple[Layer, bool]:
    """Return a layer in the working CRS with clean shapes, and whether all its shapes are sound."""
    crs = place.working.crs
    if layer.frame.crs is None:
        # Its shapes cannot be placed, but its columns can be checked.
        return replace(layer, frame=layer.frame.set_crs(crs)), layer.frame.empty
    before = len(findings.faults)
    note_feet(layer, findings)
    if not place.known:
        # Without a boundary the run is refused anyway; what has no place here is looked at then.
        moved = layer.frame.to_crs(crs)
        moved = kept_rows(moved, all_finite(moved.geometry.to_numpy()))
    else:
        moved = _nearby(layer, to_working(layer, place.working, findings), place, findings)
    clean = clean_shapes(replace(layer, frame=moved), _SHAPES[layer.name], findings)
    return clean, len(findings.faults) == before


def _nearby(
    layer: Layer, frame: gpd.GeoDataFrame, place: _Place, findings: Findings
) -> gpd.GeoDataFrame:
    """Return the features near the property; hydrozones are all kept, to be checked."""
    if layer.name == "hydrozones" or frame.empty:
        return frame
    west, south, east, north = place.boundary.bounds
    bounds = frame.geometry.bounds.to_numpy()
    far = (
        (bounds[:, 0] > east + NEARBY_M)
        | (bounds[:, 1] > north + NEARBY_M)
        | (bounds[:, 2] < west - NEARBY_M)
        | (bounds[:, 3] < south - NEARBY_M)
    )
    if far.any():
        findings.warn(
            f"{layer.file}, {layer.name}: {np.count_nonzero(far)} features more than "
            f"{findings.tell(NEARBY_M, 'length', decimals=0)} from the property were left out."
        )
    return kept_rows(frame, ~far)


def _check_cells(settings: PropertyFile, place: _Place, findings: Findings) -> None:
    """Refuse a resolution at which the property has too many cells."""
    if not place.known:
        return
    west, south, east, north = place.boundary.bounds
    cells = (east - west) * (north - south) / settings.analysis.resolution**2
    if cells > limit("ground_cells"):
        findings.faults.append(
            Fault(
                f"{settings.path.name}, analysis.resolution",
                f"{cells:,.0f} cells of {settings.analysis.resolution:g} m on the property",
                f"at most {limit('ground_cells'):,.0f}",
                "Write a coarser resolution, or plan a part of the property.",
            )
        )


def _note_outside(settings: PropertyFile, findings: Findings) -> None:
    """Say which files lie outside the property's folder, by their path or through a link."""
    folder = Path(os.path.normpath(settings.path.parent))
    weather = settings.weather
    named = {name: source.path for name, source in settings.layers.items()}
    named |= {"weather": weather.path} if weather.path != Path() else {}
    named |= {f"evidence {one.path.name}": one.path for one in settings.evidence}
    named |= {"rain": weather.rain_file} if weather.rain_file else {}
    seen: set[Path] = set()
    for name, path in named.items():
        if path in seen or not path.exists():
            continue
        seen.add(path)
        inside = Path(os.path.normpath(path)).is_relative_to(folder)
        real = path.resolve().is_relative_to(folder.resolve())
        if not (inside and real):
            how = ", through a link" if inside else ""
            findings.warn(
                f"{settings.path.name}: {name} is read from {path.name} outside the property's "
                f"folder{how}; it will be missing where the folder is copied."
            )


def _check_aerial(settings: PropertyFile, place: _Place, findings: Findings) -> None:
    """Check the aerial photo, if one is named."""
    source = settings.layers.get("aerial")
    if source is not None and place.known:
        from siting.site.raster import check_picture  # noqa: PLC0415 - late, as above

        bounds = place.boundary.bounds
        check_picture(source, source.path.name, place.working.crs, bounds, findings)


def _evidence(
    settings: PropertyFile,
    place: _Place,
    frames: dict[str, gpd.GeoDataFrame],
    findings: Findings,
) -> tuple[Evidence, ...]:
    """Return what was measured and pictured, of a property that is sound so far."""
    if not settings.evidence or not place.known or findings.faults:
        return ()
    # Late, with rasterio, which most drawings do not need.
    from siting.site.evidence import open_ground, read_evidence  # noqa: PLC0415

    working = place.working
    ground = open_ground(working.crs, working.source_crs, frames)
    return read_evidence(settings.evidence, ground, findings)


def _height_rasters(
    settings: PropertyFile, place: _Place, findings: Findings
) -> dict[str, HeightRaster | None]:
    """Return the rasters of heights by layer, checked against each other."""
    found = {name: _heights(name, settings, place, findings) for name in RASTER_LAYERS}
    surface, terrain = found["surface"], found["terrain"]
    if surface is not None and (terrain or "terrain" not in settings.layers):
        from siting.site.raster import check_pair  # noqa: PLC0415 - late, as above

        file, bounds = settings.layers["surface"].path.name, place.boundary.bounds
        check_pair(surface, terrain, bounds, file, findings)
    return found


def _heights(
    name: str, settings: PropertyFile, place: _Place, findings: Findings
) -> HeightRaster | None:
    source = settings.layers.get(name)
    if source is None or not place.known:
        return None
    from siting.site.raster import read_heights  # noqa: PLC0415 - late, as above

    file = file_label(source.path, settings.path.parent)
    bounds = place.boundary.bounds
    return read_heights(name, source, file, place.working.crs, bounds, findings)


def _sources(settings: PropertyFile) -> tuple[str, ...]:
    """Return every file that was read, for provenance."""
    files = {settings.path, *(one.path for one in settings.evidence)}
    for source in settings.layers.values():
        if source.path.is_dir():
            files |= {p for p in source.path.rglob("*") if p.is_file()}
        else:
            sidecars = _SIDECARS if source.path.suffix.lower() == ".shp" else ()
            files |= {source.path, *(source.path.with_suffix(s) for s in sidecars)}
    return tuple(sorted(str(path) for path in files if path.is_file()))
