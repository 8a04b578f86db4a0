"""Make a property of what was drawn, or of files that people have."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd

from siting.draw.answers import Answers, merged, property_text, weather_text
from siting.draw.asking import Asked
from siting.draw.drawing import read_drawing
from siting.draw.gisforms import add_forms
from siting.draw.heights import RASTERS, fill_heights, pair_of
from siting.draw.importing import Reading, check_told, import_files
from siting.errors import Fault, InputError
from siting.site.findings import some
from siting.site.template import new_property
from siting.site.vector import is_drawing
from siting.units import UnitsName


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
        found = import_files(paths, how)
        frames, notes = found.frames, found.notes
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
