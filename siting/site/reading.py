"""Read a property's layers: repaired, checked, and brought into one working CRS."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from siting.errors import Fault, InputError
from siting.limits import limit
from siting.site.checking import (
    check_controllers,
    check_inside,
    check_overlaps,
    check_timer,
    cut_buildings,
)
from siting.site.crs import Working, all_finite, to_working, working_crs
from siting.site.features import (
    buildings_frame,
    cans_frame,
    fixtures_frame,
    lines_frame,
    paving_frame,
    soils_frame,
    walls_frame,
    zones_frame,
)
from siting.site.findings import Findings
from siting.site.layers import empty_layer, file_label, open_layer
from siting.site.model import HeightRaster, Site
from siting.site.picture import check_picture
from siting.site.property import parse_property
from siting.site.rasters import check_pair, read_heights
from siting.site.repair import ShapeKind, clean_shapes, polygons_of
from siting.site.settings import PropertyFile
from siting.site.suspects import check_units, note_feet, note_trees_inside, question_sizes
from siting.site.trees import trees_frame
from siting.site.values import Layer, texts
from siting.site.vocabulary import RASTER_LAYERS, VECTOR_LAYERS

__all__ = ["open_property", "read_site"]

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
    "hydrozones": zones_frame,
    "buildings": buildings_frame,
    "trees": trees_frame,
    "walls": walls_frame,
    "paving": paving_frame,
    "fixtures": fixtures_frame,
    "cans": cans_frame,
    "soils": soils_frame,
    "paths": lines_frame,
    "utilities": lines_frame,
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
    heights = {name: _heights(name, settings, place, findings) for name in RASTER_LAYERS}
    if heights["surface"] is not None and (heights["terrain"] or "terrain" not in settings.layers):
        file, bounds = settings.layers["surface"].path.name, place.boundary.bounds
        check_pair(heights["surface"], heights["terrain"], bounds, file, findings)
    return Site(
        name=settings.name,
        crs=place.working.crs,
        source_crs=place.working.source_crs,
        longitude=place.working.longitude,
        latitude=place.working.latitude,
        boundary=place.boundary,
        **frames,
        **heights,
        warnings=tuple(findings.warnings),
        sources=_sources(settings),
    )


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
    wgs84 = pyproj.CRS.from_epsg(4326)
    return _Place(Working(wgs84, wgs84, 0.0, 0.0), shapely.Polygon(), known=False)


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
        moved = moved[all_finite(moved.geometry.to_numpy())]
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
    return frame[~far]


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
    folder = settings.path.parent
    weather = settings.weather
    named = {name: source.path for name, source in settings.layers.items()}
    named |= {"weather": weather.path}
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
        bounds = place.boundary.bounds
        check_picture(source, source.path.name, place.working.crs, bounds, findings)


def _heights(
    name: str, settings: PropertyFile, place: _Place, findings: Findings
) -> HeightRaster | None:
    source = settings.layers.get(name)
    if source is None or not place.known:
        return None
    file = file_label(source.path, settings.path.parent)
    bounds = place.boundary.bounds
    return read_heights(name, source, file, place.working.crs, bounds, findings)


def _sources(settings: PropertyFile) -> tuple[str, ...]:
    """Return every file that was read, for provenance."""
    files = {settings.path}
    for source in settings.layers.values():
        if source.path.is_dir():
            files |= {p for p in source.path.rglob("*") if p.is_file()}
        else:
            sidecars = _SIDECARS if source.path.suffix.lower() == ".shp" else ()
            files |= {source.path, *(source.path.with_suffix(s) for s in sidecars)}
    return tuple(sorted(str(path) for path in files if path.is_file()))
