# SPDX-License-Identifier: GPL-2.0-or-later
"""What every algorithm asks for, and writing it to a folder that siting can read."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsFeature,
    QgsFeatureSink,
    QgsFields,
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsVectorFileWriter,
)

from .documents import merged, read_toml, toml_text

__all__ = ["LAYERS", "RASTERS", "add_inputs", "write_inputs"]

_POLYGON = QgsProcessing.TypeVectorPolygon
_POINT = QgsProcessing.TypeVectorPoint
_LINE = QgsProcessing.TypeVectorLine
_ANY = QgsProcessing.TypeVectorAnyGeometry


@dataclass(frozen=True)
class _Input:
    """A layer of the base map: its name for siting, its label and kind of geometry here."""

    name: str
    label: str
    kind: int


#: The layers of a base map.
LAYERS = (
    _Input("boundary", "Property line (polygon)", _POLYGON),
    _Input("hydrozones", "Hydrozones (polygons: zone, plants, valve ...)", _POLYGON),
    _Input("buildings", "Buildings (polygons: height or levels)", _POLYGON),
    _Input("trees", "Trees (points or crowns)", _ANY),
    _Input("walls", "Walls, fences and hedges (lines: height)", _LINE),
    _Input("paving", "Paving (polygons)", _POLYGON),
    _Input("fixtures", "Fixtures (points: kind, valve)", _POINT),
    _Input("cans", "Catch cans (points: depth or volume)", _POINT),
    _Input("soils", "Soil map (polygons)", _POLYGON),
    _Input("paths", "Trodden paths (lines)", _LINE),
    _Input("utilities", "Pipes and cables in the ground (lines)", _LINE),
)
#: Height rasters.
RASTERS = (
    ("surface", "Surface heights (raster: with trees and roofs)"),
    ("terrain", "Terrain heights (raster: bare ground)"),
)
_UNITS = ("as in the property file", "metric", "us")


def add_inputs(algorithm: QgsProcessingAlgorithm) -> None:
    """Add the parameters of a property to an algorithm."""
    algorithm.addParameter(
        QgsProcessingParameterFile(
            "PROPERTY",
            "Property file (TOML: timer, prices, season)",
            extension="toml",
            optional=True,
        )
    )
    for layer in LAYERS:
        algorithm.addParameter(
            QgsProcessingParameterFeatureSource(
                layer.name.upper(), layer.label, [layer.kind], optional=True
            )
        )
    for name, label in RASTERS:
        algorithm.addParameter(
            QgsProcessingParameterRasterLayer(name.upper(), label, optional=True)
        )
    algorithm.addParameter(QgsProcessingParameterFile("WEATHER", "Weather file", optional=True))
    for extra in (
        QgsProcessingParameterNumber(
            "ELEVATION",
            "Height of the weather station [m]",
            QgsProcessingParameterNumber.Double,
            optional=True,
        ),
        QgsProcessingParameterString("NAME", "Name", optional=True),
        QgsProcessingParameterEnum("UNITS", "Units of the results", list(_UNITS), defaultValue=0),
    ):
        extra.setFlags(extra.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
        algorithm.addParameter(extra)


def write_inputs(
    algorithm: QgsProcessingAlgorithm,
    parameters: dict[str, Any],
    context: Any,  # noqa: ANN401 - of the GIS
    *,
    python: str,
    folder: Path,
) -> Path:
    """Write the chosen layers and the property file of a run."""
    folder.mkdir(parents=True, exist_ok=True)
    written = algorithm.parameterAsFile(parameters, "PROPERTY", context)
    base = read_toml(python, Path(written)) if written else {}
    sources = {
        layer.name: source
        for layer in LAYERS
        if (source := algorithm.parameterAsSource(parameters, layer.name.upper(), context))
    }
    if not sources and not written:
        message = "Choose a property file, or at least the property line and the hydrozones."
        raise QgsProcessingException(message)
    package = folder / "layers.gpkg" if sources else None
    if package is not None:
        _write_package(sources, package, context)
    rasters = {
        name: str(Path(raster.source()).absolute())
        for name, _ in RASTERS
        if (raster := algorithm.parameterAsRasterLayer(parameters, name.upper(), context))
    }
    values = merged(
        base,
        Path(written).absolute().parent if written else folder,
        package=None if package is None else package.name,
        rasters=rasters,
        given=_given(algorithm, parameters, context, named=bool(base.get("name"))),
    )
    target = folder / "property.toml"
    target.write_bytes(toml_text(values).encode("utf-8"))
    return target


def _given(
    algorithm: QgsProcessingAlgorithm,
    parameters: dict[str, Any],
    context: Any,  # noqa: ANN401 - of the GIS
    *,
    named: bool,
) -> dict[str, Any]:
    """Return what was filled in beside the layers; None where nothing was."""
    weather = algorithm.parameterAsFile(parameters, "WEATHER", context)
    filled = parameters.get("ELEVATION") is not None
    height = algorithm.parameterAsDouble(parameters, "ELEVATION", context) if filled else None
    units = algorithm.parameterAsEnum(parameters, "UNITS", context)
    name = algorithm.parameterAsString(parameters, "NAME", context).strip()
    return {
        "name": name or (None if named else "Property"),
        "units": _UNITS[units] if units else None,
        "file": str(Path(weather).absolute()) if weather else None,
        "elevation_m": height,
    }


def _write_package(sources: dict[str, Any], path: Path, context: Any) -> None:  # noqa: ANN401
    """Write feature sources as the layers of one GeoPackage; selections are heeded."""
    if path.exists():
        os.remove(path)  # noqa: PTH107 - an old GIS's Python
    for name, source in sources.items():
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName = "GPKG"
        options.layerName = name
        options.fileEncoding = "UTF-8"
        if path.exists():
            options.actionOnExistingFile = QgsVectorFileWriter.CreateOrOverwriteLayer
        fields, columns = _without_fid(source.fields())
        writer = QgsVectorFileWriter.create(
            str(path),
            fields,
            source.wkbType(),
            source.sourceCrs(),
            context.transformContext(),
            options,
        )
        if writer.hasError() != QgsVectorFileWriter.NoError:
            message = f"layer {name} cannot be written: {writer.errorMessage()}"
            raise QgsProcessingException(message)
        for feature in source.getFeatures():
            copy = QgsFeature(fields)
            copy.setGeometry(feature.geometry())
            values = feature.attributes()
            copy.setAttributes([values[column] for column in columns])
            if not writer.addFeature(copy, QgsFeatureSink.FastInsert):
                message = f"layer {name} cannot be written: {writer.errorMessage()}"
                raise QgsProcessingException(message)
        del writer  # closes the file


def _without_fid(fields: QgsFields) -> tuple[QgsFields, list[int]]:
    """Return the fields but for the row number, which the new file gives anew."""
    kept, columns = QgsFields(), []
    for column in range(fields.count()):
        if fields.at(column).name().lower() != "fid":
            kept.append(fields.at(column))
            columns.append(column)
    return kept, columns
