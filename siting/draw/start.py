"""Make a property of what was drawn, of files that people have, or of what heights show undrawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.affinity import scale
from shapely.geometry.base import BaseGeometry

from siting.draw.asking import Answers, Asked, merged, property_text, weather_text
from siting.draw.forms import add_forms
from siting.draw.heights import RASTERS, fill_heights, pair_of
from siting.draw.importing import Reading, check_told, import_files
from siting.draw.page import read_drawing
from siting.errors import Fault, InputError, some
from siting.files import write_text
from siting.site.settings import LayerSource, PropertyFile
from siting.site.template import new_property
from siting.site.vector import is_drawing
from siting.units import LENGTH_UNITS_M, UnitsName, show

if TYPE_CHECKING:
    from siting.place.setbacks import Undrawn


class Started(NamedTuple):
    """A property that was started: its files, and what was guessed or left out, in words."""

    files: tuple[Path, ...]
    notes: tuple[str, ...]


def property_to_draw(folder: Path, *, units: UnitsName, crs: str = "EPSG:4326") -> Started:
    """Make a property with a property file of every key, and empty layers with forms.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    units : {"metric", "us"}
        Of the keys and columns.
    crs : str
        CRS of the layers.

    Returns
    -------
    Started
        The files that were written.

    Raises
    ------
    InputError
        When the folder holds a property already, or the CRS is not known.
    """
    return Started(new_property(folder, units=units, crs=crs, finish=add_forms), ())


def property_of_answers(folder: Path, asked: Asked) -> Started:
    """Make a property of answers alone, its layers empty.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    asked : Asked
        What was answered.

    Returns
    -------
    Started
        The files that were written.

    Raises
    ------
    InputError
        When the folder holds a property already.
    """
    answers = asked.answers
    written = new_property(
        folder,
        units=answers.units,
        crs=asked.crs,
        toml=property_text(answers, "property.gpkg"),
        weather=weather_text(answers),
        finish=add_forms,
    )
    return Started(written, ())


def property_of_files(
    folder: Path,
    files: Sequence[Path],
    *,
    units: UnitsName = "metric",
    crs: str | None = None,
    told: Mapping[str, str] | None = None,
    answers: Answers | None = None,
    ask: Callable[[str], str] | None = None,
    unit: str | None = None,
) -> Started:
    """Make a property in a folder of a drawing, or of files that people have.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    files : sequence of Path
        One that the drawing page saved; or any of the formats that are known.
    units : {"metric", "us"}
        Of the new property; a drawing says its own.
    crs : str, optional
        CRS of files that say none.
    told : mapping of str to str, optional
        Name of a part of a file -> what kind of thing it holds.
    answers : Answers, optional
        What was asked for beside; it goes before what a drawing says.
    ask : callable, optional
        Puts a question about a part that is not known, and returns its kind.
    unit : str, optional
        Unit of the files' lengths and heights of which nothing else says it, as "ft".

    Returns
    -------
    Started
        The files that were written, and notes.

    Raises
    ------
    InputError
        When a file cannot be read, a part of it is of an unknown kind, or the folder holds a
        property already.
    """
    paths = [Path(file) for file in files]
    if is_drawing(paths[0]):
        frames, drawn, notes = _drawn(paths, told or {}, unit)
    else:
        how = Reading(told or {}, crs, ask, answers.units if answers else units, unit)
        frames, notes = import_files(paths, how)
        drawn = Answers(Path(folder).absolute().name, units=units)
    answers = drawn if answers is None else merged(answers, drawn)
    written = new_property(
        folder,
        units=answers.units,
        drawn=frames,
        toml=property_text(answers, "property.gpkg"),
        weather=weather_text(answers),
        finish=add_forms,
    )
    return Started(written, tuple(notes))


def _drawn(
    paths: Sequence[Path], told: Mapping[str, str], unit: str | None
) -> tuple[dict[str, gpd.GeoDataFrame], Answers, list[str]]:
    """Return the layers and answers of a drawing, with heights of a survey given beside it."""
    frames, drawn = read_drawing(paths[0])
    others = [path for path in paths[1:] if path.suffix.lower() not in RASTERS]
    if others:
        found, allowed = some([path.name for path in others]), "rasters of heights, or nothing"
        mend = "Open the files in the drawing page, or make a property of them alone."
        raise InputError([Fault("--from", f"{found} beside a drawing", allowed, mend)])
    check_told(told, [], [path.stem for path in paths[1:]])
    pair = pair_of(paths[1:], told, unit)
    if pair is None:
        return frames, drawn, []
    frames, notes = fill_heights(frames, pair, drawn.units)
    return frames, drawn, notes


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
    from siting.decide.places import site_undrawn  # noqa: PLC0415 - a new property needs no plan
    from siting.site.reading import open_property  # noqa: PLC0415

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
