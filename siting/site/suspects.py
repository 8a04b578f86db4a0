"""Sizes that look like another unit or another thing: the user is asked, nothing is converted.

Each number that decides is far outside of what stands on irrigated ground; they are judgement, not
published limits. A unit that is stated (in the header, or with `units_in`) is always believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import geopandas as gpd
import numpy as np
import shapely

from siting.errors import Fault
from siting.site.columns import unit_is_stated
from siting.site.crs import linear_unit
from siting.site.findings import Findings, some
from siting.site.values import Layer, parse_number
from siting.units import UnitsName

__all__ = ["check_units", "note_feet", "note_trees_inside", "question_sizes"]

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


def note_feet(layer: Layer, findings: Findings) -> None:
    """Say that lengths were taken in metres although the layer is drawn in feet.

    Parameters
    ----------
    layer : Layer
        As read, in its own CRS.
    findings : Findings
        Where the note goes.
    """
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

    Parameters
    ----------
    layers : sequence of Layer
        As read.
    units : {"metric", "us"}
        The property's units; the template that goes with "us" writes feet.
    file : str
        The property file's name, for messages.
    findings : Findings
        Where the fault or the note goes.
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
    """Refuse sizes that feet would explain, unless their unit is stated.

    Parameters
    ----------
    layer : Layer
        Buildings or trees, as read.
    frame : GeoDataFrame
        As in `Site`.
    findings : Findings
        Where they are noted.
    """
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
    several = counted > 1
    if several.any():
        storey = float(np.nanmedian(tall[several] / counted[several]))
        if storey > _STOREY_M:
            _ask(layer, "height", f"{storey:.3g} m for each of the levels", findings)


def _question_trees(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> None:
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
    """Say which trees stand inside a building.

    Parameters
    ----------
    trees, buildings : GeoDataFrame
        As in `Site`.
    file : str
        The trees' file.
    findings : Findings
        Where they are noted.
    """
    if trees.empty or buildings.empty:
        return
    rows, _ = buildings.sindex.query(trees.geometry.to_numpy(), predicate="within")
    inside = trees["feature"].iloc[np.unique(rows)].tolist()
    if inside:
        findings.warn(
            f"{file}, trees: {some(inside)} stand inside a building; move them, or the building."
        )
