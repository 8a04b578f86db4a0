"""Open vector layers: any file that GDAL reads, one layer of it, its CRS and feature ids."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Final

import geopandas as gpd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError

from siting.errors import Fault
from siting.limits import limit
from siting.site.columns import COLUMNS, match_columns
from siting.site.crs import is_placed
from siting.site.findings import Findings, brief, nearest, some
from siting.site.geopackage import (
    Facts,
    is_locked,
    layer_facts,
    lost_tables,
    settled,
    waiting_log,
)
from siting.site.kinds import MAY_NOT, VECTOR_DRIVERS, Refusal, refuse_vector
from siting.site.settings import LayerSource
from siting.site.values import Layer

__all__ = ["empty_layer", "file_label", "open_layer"]

#: What drivers and the makers of shapes fail with.
_UNREAD: Final = (
    DataSourceError, DataLayerError, FeatureError, FieldError, GeometryError,
    shapely.errors.ShapelyError, RuntimeError, ValueError, ArithmeticError,
)  # fmt: skip


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
        refusal = refuse_vector(source.path)
        if refusal is None and is_locked(source.path):
            found = "a file that another program keeps locked"
            refusal = Refusal(found, "Close it in the other program, or copy the file.")
        if refusal is not None:
            _refuse(name, file, *refusal, findings)
            return None
        _note_open(file, source.path, findings)
        with settled(source.path) as path:
            return _opened(name, file, source, path, findings)
    except PermissionError:
        _refuse(name, file, *MAY_NOT, findings)
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        _refuse(name, file, found, "Close it in other programs.", findings)
    return None


def _opened(
    name: str, file: str, source: LayerSource, path: Path, findings: Findings
) -> Layer | None:
    """Read one layer from a file that is complete."""
    try:
        lost = lost_tables(path)
        if lost:
            found = f"a GeoPackage that lists {some(lost)} without holding it"
            _refuse(name, file, found, "Export it again.", findings)
            return None
        with warnings.catch_warnings():
            # Oddities of layers that are not ours.
            warnings.simplefilter("ignore")
            inside = [str(row[0]) for row in pyogrio.list_layers(path)]
            chosen = _choose(name, file, source, inside, findings)
            if chosen is None:
                return empty_layer(name, source, file) if source.optional else None
            frame = _read(name, file, path, chosen, findings)
    except _UNREAD as error:
        _refuse(name, file, *_unread(error, path), findings)
        return None
    if frame is None:
        return None
    return _check(Layer(name, file, source, frame, {}), chosen, findings)


def _refuse(name: str, file: str, found: str, mend: str, findings: Findings) -> None:
    """Note a file that cannot be read, once, however many layers it should hold."""
    if not any(f.file == file and f.found == found for f in findings.faults):
        allowed = "a GeoPackage, shapefile, GeoJSON or FlatGeobuf"
        findings.faults.append(Fault(file, found, allowed, mend, name))


def _unread(error: Exception, path: Path) -> tuple[str, str]:
    """Say why a file cannot be read, and how to mend it."""
    journal = path.with_name(f"{path.name}-journal")
    if journal.is_file() and journal.stat().st_size:
        found = f"a file that was being written to: {journal.name} lies beside it"
        return found, "Open it in the program that wrote it, which mends it, and close it there."
    if isinstance(error, shapely.errors.ShapelyError):
        found = f"a shape that cannot be read ({_reason(error, path)})"
        return found, "Close every ring, as polygons need, or export the layer from a GIS again."
    return f"a file that cannot be read ({_reason(error, path)})", "Export it again."


def _reason(error: Exception, path: Path) -> str:
    """Return a driver's words without the folders of this machine."""
    said = (str(error).splitlines() or [type(error).__name__])[0]
    said = said.replace(str(path), path.name).split("; It might help")[0]
    return brief(said.replace(str(path.parent), "..."), most=160)


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


def _read(
    name: str, file: str, path: Path, layer: str, findings: Findings
) -> gpd.GeoDataFrame | None:
    """Read a layer whole: not by the count or the index that the file claims."""
    info = pyogrio.read_info(path, layer=layer)
    driver = str(info["driver"])
    if driver not in VECTOR_DRIVERS:
        found = f"a file that only the driver {driver} reads, no GeoPackage"
        _refuse(name, file, found, "Export it as a GeoPackage.", findings)
        return None
    if path.suffix.lower() == ".gpkg" and driver != "GPKG":
        findings.warn(f"{file} is no GeoPackage but {VECTOR_DRIVERS[driver]}; read as that.")
    facts = layer_facts(path, layer) if driver == "GPKG" else None
    count = facts.rows if facts else int(info["features"])
    if count > limit("features"):
        found = f"{count:,} features (at most {limit('features'):,.0f})"
        _refuse(name, file, found, "Clip the layer to the property and its neighbours.", findings)
        return None
    # A filter has the driver count the rows itself, where a GeoPackage's own count may be stale.
    where = "1 = 1" if driver == "GPKG" else None
    frame = pyogrio.read_dataframe(path, layer=layer, fid_as_index=True, where=where)
    for field, dtype in zip(info["fields"], info["dtypes"], strict=True):
        if dtype == "object" and frame[field].dtype.kind in "fi":
            # The driver took texts for numbers.
            frame[field] = frame[field].astype(object)
    _compare(name, file, path, frame, facts, findings)
    if "Curve" in str(info["geometry_type"]) or (facts and facts.curved):
        many = facts.curved if facts and facts.curved else len(frame)
        findings.warn(f"{file}, {name}: arcs in {many} shapes were taken as short straight edges.")
    return frame


def _compare(
    name: str,
    file: str,
    path: Path,
    frame: gpd.GeoDataFrame,
    facts: Facts | None,
    findings: Findings,
) -> None:
    """Note where a file's count, index or sidecars contradict what was read."""
    if path.suffix.lower() == ".shp":
        _compare_rows(name, file, path, findings)
    if facts is None:
        return
    if facts.rows != len(frame):
        found = f"{facts.rows} rows, of which {len(frame)} can be read"
        _refuse(name, file, found, "Export it again.", findings)
    if facts.counted is not None and facts.counted != facts.rows:
        findings.warn(
            f"{file}, {name}: the file counts {facts.counted} features and holds {facts.rows}; "
            "all were read."
        )
    if facts.indexed is not None and facts.indexed != facts.shapes:
        findings.warn(
            f"{file}, {name}: its spatial index has {facts.indexed} of {facts.shapes} shapes; it "
            "was not used, and all were read. Other programs may lose some: rebuild it."
        )


def _note_open(file: str, path: Path, findings: Findings) -> None:
    """Say that a GeoPackage is still open elsewhere."""
    log = waiting_log(path)
    if log is not None:
        findings.warn(
            f"{file} is perhaps still open in a GIS: {log.name} holds changes that are not yet in "
            "the file; they were read as they stand. Close it, and check again."
        )


def _compare_rows(name: str, file: str, path: Path, findings: Findings) -> None:
    """Note a shapefile whose table has other rows than its shapes."""
    table = next(p for p in (path.with_suffix(s) for s in (".dbf", ".DBF")) if p.is_file())
    index = next(p for p in (path.with_suffix(s) for s in (".shx", ".SHX")) if p.is_file())
    with table.open("rb") as handle:
        rows = int.from_bytes(handle.read(8)[4:8], "little")
    shapes = (index.stat().st_size - 100) // 8
    if rows != shapes:
        found = f"{rows} rows in {table.name} and {shapes} shapes in {path.name}"
        _refuse(name, file, found, "Copy all files of one shapefile.", findings)


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
    elif not is_placed(frame.crs):
        layer.fault(
            findings,
            f"the CRS {brief(frame.crs.name)}, which has no place on the earth",
            "a geographic or projected CRS",
            "Assign the CRS in which it was drawn, or georeference it, in the GIS.",
        )
        frame = frame.set_crs(None, allow_override=True)
    vertices = int(shapely.get_num_coordinates(frame.geometry.to_numpy()).sum())
    if vertices > limit("vertices"):
        found = f"{vertices:,} vertices (at most {limit('vertices'):,.0f})"
        layer.fault(findings, found, "shapes drawn for a plan", "Simplify or clip the layer.")
        return None
    headers = [str(column) for column in frame.columns if column != frame.geometry.name]
    columns = match_columns(layer.name, layer.file, headers, layer.source, findings)
    frame = frame.rename_geometry("geometry") if frame.geometry.name != "geometry" else frame
    frame.index = frame.index.map(str).astype(object)
    return Layer(layer.name, layer.file, layer.source, frame, columns)
