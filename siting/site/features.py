"""Make each layer's checked frame: its columns in our units, its defaults stated."""

from __future__ import annotations

import re
import unicodedata
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from siting.errors import Fault
from siting.site.columns import COEFFICIENTS, COLUMNS, Column
from siting.site.findings import Findings, some
from siting.site.repair import drop_copies, reading_order
from siting.site.values import Layer, flags, numbers, texts, words

__all__ = [
    "buildings_frame",
    "cans_frame",
    "fixtures_frame",
    "lines_frame",
    "paving_frame",
    "soils_frame",
    "walls_frame",
    "zones_frame",
]

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
    return gpd.GeoDataFrame(
        data, index=layer.frame.index, geometry=layer.frame.geometry, crs=layer.frame.crs
    )


def _finish(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Drop copies, sort north-west to south-east, number the rows."""
    kept = drop_copies(layer, frame, findings, ignore=("feature",))
    return kept.iloc[reading_order(kept)].reset_index(drop=True)


def _ids(layer: Layer) -> list[str]:
    return [str(feature) for feature in layer.frame.index]


def zones_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the hydrozones with every column of `Site.hydrozones`, by zone in natural order.

    Parameters
    ----------
    layer : Layer
        In the working CRS, shapes clean.
    findings : Findings
        Where faults (unknown plants, a zone or valve given twice, soil fractions that cannot be)
        and assumptions are noted.

    Returns
    -------
    GeoDataFrame
        Index `zone` (str).
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
    slow = frame.index[frame["precipitation_rate"] < _SLOW_MM_H].tolist()
    if slow:
        findings.warn(
            f"{layer.file}, {layer.name}: precipitation_rate below "
            f"{findings.tell(_SLOW_MM_H, 'rate', decimals=2)} in features {some(slow)}; if it is "
            "in inches per hour, name the column precipitation_rate_in_h."
        )
    frame = _unique_zones(layer, frame, findings)
    order = sorted(range(len(frame)), key=lambda row: natural_key(str(frame["zone"].iloc[row])))
    return frame.iloc[order].set_index("zone")


def _values(layer: Layer, column: Column, findings: Findings) -> Any:  # noqa: ANN401
    """Return the words or numbers of a column."""
    return (words if column.kind == "word" else numbers)(layer, column.name, findings)


def natural_key(text: str) -> tuple[list[tuple[int, int, str]], str]:
    """Return a sort key under which 2 comes before 10 and A2 before A10.

    Parameters
    ----------
    text : str
        An id.

    Returns
    -------
    tuple
        To sort by.

    Examples
    --------
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
        if ids and not layer_has_fault(layer, findings, "sand", "clay"):
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


def layer_has_fault(layer: Layer, findings: Findings, *columns: str) -> bool:
    """Return whether one of the layer's columns already has a fault.

    Parameters
    ----------
    layer : Layer
        The layer.
    findings : Findings
        Where faults and assumptions are noted.
    *columns : str
        Our names of the columns.

    Returns
    -------
    bool
        True when there is one.
    """
    return any(f.layer == layer.name and f.column in columns for f in findings.faults)


def _unique_zones(layer: Layer, frame: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    nameless = frame["zone"].isna().to_numpy()
    faulty = layer_has_fault(layer, findings, "zone")
    if nameless.any() and "zone" in layer.columns and not faulty:
        layer.fault(
            findings,
            "no zone id",
            "an id, one of its own for each zone",
            "Fill it in.",
            features=frame.index[nameless].tolist(),
            column="zone",
        )
    frame = drop_copies(layer, frame[~nameless], findings)
    for column, mend in (
        ("zone", "Give each its own id, or merge them into one multipart feature."),
        ("valve", "Merge the zones, or give each its own valve."),
    ):
        twice = frame[frame.duplicated(column, keep=False).to_numpy()]
        for value, rows in twice.groupby(column, sort=True):
            if column == "valve" and len(set(rows["zone"])) == 1:
                continue
            zones = "" if column == "zone" else f" of zones {some(sorted(rows['zone'].unique()))}"
            found = f'{column} "{value}" on {len(rows)} features{zones}'
            allowed = "one polygon per valve and zone"
            layer.fault(findings, found, allowed, mend, features=rows.index.tolist(), column=column)
    _look_alike(layer, frame, findings)
    return frame[~frame.duplicated("zone").to_numpy()]


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


def buildings_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the buildings with their heights [m].

    Parameters
    ----------
    layer : Layer
        In the working CRS, shapes clean.
    findings : Findings
        Where buildings without height or levels are noted: a fault, unless the user gave a default.

    Returns
    -------
    GeoDataFrame
        Columns height [m], feature, geometry.
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
    elif unknown.any() and not layer_has_fault(layer, findings, "height", "levels"):
        mend = f"Fill it in, or write layers.{layer.name} = {{ file = ..., default_height = 6.0 }}."
        ids = layer.frame.index[unknown].tolist()
        layer.fault(findings, "no value", "height or levels", mend, features=ids, column="height")
    flat = int((height == 0).sum())
    if flat:
        none = findings.tell(0.0, "length", decimals=0)
        findings.warn(f"{where} {flat} buildings are {none} tall and shade nothing.")
    return _finish(layer, _frame(layer, {"height": height, "feature": _ids(layer)}), findings)


def soils_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the polygons of a soil map.

    Parameters
    ----------
    layer : Layer
        In the working CRS, shapes clean.
    findings : Findings
        Where polygons without a soil, and fractions that cannot be, are noted.

    Returns
    -------
    GeoDataFrame
        Columns soil, sand, clay, organic_matter, compaction, gravel, feature, geometry.
    """
    columns = {column.name: _values(layer, column, findings) for column in COLUMNS["soils"]}
    frame = _frame(layer, columns | {"feature": _ids(layer)})
    _check_fractions(layer, frame, findings)
    nameless = frame["soil"].isna().to_numpy() & frame["sand"].isna().to_numpy()
    if nameless.any() and not layer_has_fault(layer, findings, "soil", "sand", "clay"):
        layer.fault(
            findings,
            "neither a soil nor sand and clay",
            "a texture class, or sand and clay in %",
            "Fill one of them in.",
            features=layer.frame.index[nameless].tolist(),
            column="soil",
        )
    return _finish(layer, frame, findings)


def walls_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return free-standing walls, fences and hedges.

    Parameters
    ----------
    layer : Layer
        In the working CRS, lines.
    findings : Findings
        Where walls without height are noted as a fault, unknown transmissivities as a warning.

    Returns
    -------
    GeoDataFrame
        Columns height [m], transmissivity (0..1), feature, geometry.
    """
    height, passed = numbers(layer, "height", findings), numbers(layer, "transmissivity", findings)
    unknown = np.isnan(height)
    if unknown.any() and not layer_has_fault(layer, findings, "height"):
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


def paving_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the paving.

    Parameters
    ----------
    layer : Layer
        In the working CRS, shapes clean.
    findings : Findings
        Where dropped copies are noted.

    Returns
    -------
    GeoDataFrame
        Columns feature, geometry.
    """
    return _finish(layer, _frame(layer, {"feature": _ids(layer)}), findings)


def lines_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return lines: paths that people tread, or utilities in the ground.

    Parameters
    ----------
    layer : Layer
        In the working CRS, shapes clean.
    findings : Findings
        Where dropped copies are noted.

    Returns
    -------
    GeoDataFrame
        Columns kind (str or None: the utility's kind or the path's name), feature, geometry.
    """
    word = "kind" if layer.name == "utilities" else "name"
    columns = {"kind": texts(layer, word, findings), "feature": _ids(layer)}
    return _finish(layer, _frame(layer, columns), findings)


def fixtures_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the fixtures: controllers, valve boxes, heads, downspouts and the like.

    Parameters
    ----------
    layer : Layer
        In the working CRS, shapes clean.
    findings : Findings
        Where unknown kinds are noted.

    Returns
    -------
    GeoDataFrame
        Columns kind, valve, name, wetted_radius [m], nozzle_flow [L/min], feature, geometry.
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


def cans_frame(layer: Layer, findings: Findings) -> gpd.GeoDataFrame:
    """Return the catch cans and their readings.

    Parameters
    ----------
    layer : Layer
        In the working CRS, shapes clean.
    findings : Findings
        Where a layer without readings is noted.

    Returns
    -------
    GeoDataFrame
        Columns depth [mm], volume [mL], mouth_diameter [m], minutes [min], feature, geometry. Cans
        at one place are kept: they may be readings of different runs.
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
