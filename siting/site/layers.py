"""Open vector layers: any file that GDAL reads, one layer of it, its CRS and feature ids."""

from __future__ import annotations

import warnings
from pathlib import Path

import geopandas as gpd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from siting.errors import Fault
from siting.site.columns import COLUMNS, match_columns
from siting.site.findings import Findings, nearest
from siting.site.settings import LayerSource
from siting.site.values import Layer

__all__ = ["empty_layer", "file_label", "open_layer"]


def file_label(path: Path, folder: Path) -> str:
    """Return a file's name for messages: relative to the property's folder where it lies in it.

    Parameters
    ----------
    path : Path
        The file.
    folder : Path
        The property file's folder.

    Returns
    -------
    str
        The name.
    """
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name


def empty_layer(name: str, source: LayerSource | None = None, file: str = "") -> Layer:
    """Return a layer without features.

    Parameters
    ----------
    name : str
        Name of the layer, one of ours.
    source : LayerSource, optional
        Where it would be.
    file : str
        Name of the file, for messages.

    Returns
    -------
    Layer
        Without CRS.
    """
    frame = gpd.GeoDataFrame(geometry=[], crs=None)
    frame.index = frame.index.astype(object)
    return Layer(name, file, source or LayerSource(Path()), frame, {})


def open_layer(name: str, source: LayerSource, folder: Path, findings: Findings) -> Layer | None:
    """Read one layer as it stands in its file.

    Parameters
    ----------
    name : str
        Name of the layer, one of ours.
    source : LayerSource
        Where it is.
    folder : Path
        The property file's folder, for messages.
    findings : Findings
        Where faults are noted: unreadable file, missing layer, no CRS, no geometry, columns.

    Returns
    -------
    Layer or None
        In the file's own CRS; None when it cannot be read, an empty layer when it may be absent
        and is.
    """
    file = file_label(source.path, folder)
    try:
        inside = [str(row[0]) for row in pyogrio.list_layers(source.path)]
        chosen = _choose(name, file, source, inside, findings)
        if chosen is None:
            return empty_layer(name, source, file) if source.optional else None
        frame = _read(source.path, chosen)
    except (DataSourceError, DataLayerError, ValueError, UnicodeDecodeError) as error:
        found = f"a file that cannot be read ({str(error).splitlines()[0]})"
        fault = Fault(file, found, "a GeoPackage or another vector file", "Export it again.", name)
        findings.faults.append(fault)
        return None
    return _check(Layer(name, file, source, frame, {}), chosen, findings)


def _choose(
    name: str, file: str, source: LayerSource, inside: list[str], findings: Findings
) -> str | None:
    """Return the layer to read: the one named, the only one, or the one under our name."""
    wanted = source.layer or name
    if source.layer is None and len(inside) == 1:
        return inside[0]
    loose = [layer for layer in inside if layer.strip().lower() == wanted.lower()]
    if wanted in inside or loose:
        return wanted if wanted in inside else loose[0]
    if source.optional:
        # A layer under a name much like ours is hardly meant to be left out.
        free = [layer for layer in inside if layer.lower() not in COLUMNS]
        if near := nearest(wanted, free, cutoff=0.8):
            findings.warn(f'{file}: layer "{near}" was not read; is it meant to be "{wanted}"?')
        return None
    _note_missing(name, file, wanted, inside, findings)
    return None


def _note_missing(name: str, file: str, wanted: str, inside: list[str], findings: Findings) -> None:
    near = nearest(wanted, inside)
    listed = ", ".join(f'"{layer}"' for layer in inside) or "none"
    mend = f'Did you mean "{near}"?' if near else f'Add it, or write {name} = "file:layer".'
    fault = Fault(file, f'no layer "{wanted}"', f"the file's layers: {listed}", mend, name)
    findings.faults.append(fault)


def _read(path: Path, layer: str) -> gpd.GeoDataFrame:
    with warnings.catch_warnings():
        # Measures and oddities of single fields, which we do not use.
        warnings.simplefilter("ignore")
        return pyogrio.read_dataframe(path, layer=layer, fid_as_index=True)


def _check(layer: Layer, chosen: str, findings: Findings) -> Layer | None:
    """Check geometry column and CRS, and match the columns."""
    frame = layer.frame
    if not isinstance(frame, gpd.GeoDataFrame):
        layer.fault(
            findings, f'a table without geometry ("{chosen}")', "a layer", "Choose another layer."
        )
        return None
    if frame.crs is None:
        layer.fault(
            findings,
            "no coordinate reference system",
            "a layer that says its CRS",
            "Assign the CRS in which it was drawn, in the GIS.",
        )
    headers = [str(column) for column in frame.columns if column != frame.geometry.name]
    columns = match_columns(layer.name, layer.file, headers, layer.source, findings)
    frame = frame.rename_geometry("geometry") if frame.geometry.name != "geometry" else frame
    frame.index = frame.index.map(str).astype(object)
    return Layer(layer.name, layer.file, layer.source, frame, columns)
