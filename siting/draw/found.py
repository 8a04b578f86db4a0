"""Take over into a drawing what a surface raster shows and the drawing lacks."""

from __future__ import annotations

from pathlib import Path
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.affinity import scale
from shapely.geometry.base import BaseGeometry

from siting.decide.places import site_undrawn
from siting.draw.start import Started
from siting.errors import Fault, InputError
from siting.files import write_text
from siting.place.setbacks import Undrawn
from siting.site.reading import open_property
from siting.site.settings import LayerSource, PropertyFile
from siting.site.vector import is_drawing
from siting.units import LENGTH_UNITS_M, show

#: What fills this share of its least rectangle, and stands at its edge at this share of its height
#: or more, is taken for a building, all else for crowns: a roof ends at its eaves, a crown runs
#: out. Judgement.
_SQUARE: Final = 0.6
_STEEP: Final = 0.55
_RECTANGLE: Final = 0.8
#: Neither roof nor crown: what lies above this share of a patch's cells is an aerial or a gust.
_TOP: Final = 95.0


class _Thing(NamedTuple):
    """What a patch is taken for: the layer, its outline in the working CRS, its height [m]."""

    layer: str
    shape: BaseGeometry
    height: float


def with_undrawn(path: Path | str) -> Started:
    """Write a property's trees and buildings with what its surface raster shows beside them.

    Parameters
    ----------
    path : Path or str
        The property file, or its folder.

    Returns
    -------
    Started
        New files beside the property file, in degrees, every row and column of the drawing as it
        is, and what to write under [layers] to use them. No file that is there is touched.

    Raises
    ------
    InputError
        With every fault of the property; without a surface raster; where a file is in the way.
    """
    settings, site = open_property(path)
    file = settings.path.name
    if site.surface is None:
        mend = 'Name it under [layers]: surface = "canopy.tif", and terrain where both are heights.'
        raise InputError([Fault(file, "no surface raster", "heights of what stands there", mend)])
    things = [_taken_for(patch) for patch in site_undrawn(site)]
    if not things:
        return Started((), ("Everything that the surface raster shows is drawn.",))
    files, notes, faults = [], [], list[Fault]()
    frames = {}
    for layer in ("buildings", "trees"):
        mine = [thing for thing in things if thing.layer == layer]
        target = settings.path.parent / f"{layer}-found.geojson"
        source = settings.layers.get(layer)
        if not mine:
            continue
        if target.exists():
            mend = "Move it: what is in it may be yours."
            faults.append(Fault(target.name, "a file in the way", "no file of this name", mend))
        elif source is not None and source.path.exists() and is_drawing(source.path):
            mend = "Make layers of the drawing first: siting new FOLDER --from drawing.geojson."
            faults.append(Fault(source.path.name, "a drawing", "layers of their own", mend))
        else:
            frames[target] = _joined(mine, source, layer, site.crs)
            notes.append(_told(mine, layer, target, settings))
    if faults:
        raise InputError(faults)
    for target, frame in frames.items():
        text = frame.to_json(drop_id=True, default=str, ensure_ascii=False)
        files.append(write_text(target, text + "\n"))
    return Started(tuple(files), tuple(notes))


def _taken_for(patch: Undrawn) -> _Thing:
    """Say what a patch is."""
    (x, y, high), (wide, deep) = patch.cells.T, patch.cell
    cells = shapely.box(x - wide / 2, y - deep / 2, x + wide / 2, y + deep / 2)
    # To the millimetre, so that neighbours share an edge.
    cells = shapely.set_precision(cells, 1e-3)
    shape = shapely.union_all(cells)
    parts = shapely.get_parts(shape)
    shape = parts[int(shapely.area(parts).argmax())]
    edge = shapely.length(shapely.intersection(cells, shape.exterior)) > 0
    high = np.minimum(high, np.percentile(high, _TOP))
    rectangle = shapely.minimum_rotated_rectangle(shape)
    full = shape.area / max(rectangle.area, 1e-9)
    steep = np.median(high[edge]) / high.max()
    building = full >= _SQUARE and steep >= _STEEP
    smooth = shape.simplify(max(wide, deep))
    if building and full >= _RECTANGLE:  # cells make steps of walls that are straight
        smooth = scale(rectangle, np.sqrt(full), np.sqrt(full))
    return _Thing("buildings" if building else "trees", smooth, float(high.max()))


def _joined(
    things: list[_Thing], source: LayerSource | None, layer: str, crs: object
) -> gpd.GeoDataFrame:
    """Return a layer's own rows as they are, and those found after them, in degrees."""
    column, unit = "height", "m"
    if source is not None:
        column = source.columns.get("height") or column
        unit = source.column_units.get("height", source.length_unit)
    heights = [round(thing.height / LENGTH_UNITS_M[unit], 2) for thing in things]
    found = gpd.GeoDataFrame(
        {column: heights}, geometry=[thing.shape for thing in things], crs=crs
    ).to_crs(4326)
    if source is None or (source.optional and not _holds(source, layer)):
        return found
    own = gpd.read_file(source.path, layer=source.layer or layer)
    joined = pd.concat([own.to_crs(4326), found], ignore_index=True)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=found.crs)


def _holds(source: LayerSource, layer: str) -> bool:
    """Tell whether a file has a layer."""
    return (source.layer or layer) in set(gpd.list_layers(source.path)["name"])


def _told(things: list[_Thing], layer: str, target: Path, settings: PropertyFile) -> str:
    """Say what was taken for what, and how to use it."""
    area = show(sum(thing.shape.area for thing in things), "area", settings.units)
    top = show(max(thing.height for thing in things), "length", settings.units)
    kind = "buildings" if layer == "buildings" else "crowns, each patch as one tree"
    return (
        f"{len(things)} found and taken for {kind}: {area} in all, up to {top} high. Look at them "
        f'over a photo, correct what they are, then write under [layers]: {layer} = "{target.name}"'
    )
