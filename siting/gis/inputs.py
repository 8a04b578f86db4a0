# SPDX-License-Identifier: GPL-2.0-or-later
"""What every algorithm asks for, and writing it to a folder that siting can read."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsFeature,
    QgsFeatureRequest,
    QgsFeatureSink,
    QgsFields,
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingFeatureSource,
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
from .runner import RunFailedError

__all__ = ["LAYERS", "RASTERS", "add_inputs", "write_inputs"]

_POLYGON = QgsProcessing.TypeVectorPolygon
_POINT = QgsProcessing.TypeVectorPoint
_LINE = QgsProcessing.TypeVectorLine
_ANY = QgsProcessing.TypeVectorAnyGeometry


@dataclass(frozen=True)
class _Input:
    """A layer of the base map: its name for siting, its label, kind of geometry and help here."""

    name: str
    label: str
    kind: int
    says: str


#: The layers of a base map.
LAYERS = (
    _Input("boundary", "Property line", _POLYGON, "Polygon of the property. Needed."),
    _Input(
        "hydrozones", "Hydrozones", _POLYGON,
        "A polygon for each valve's ground. Columns: zone (its name) and plants, both needed; "
        "valve, controller, irrigation, precipitation_rate, soil, root_depth where they are known.",
    ),
    _Input(
        "buildings", "Buildings", _POLYGON,
        "Polygons with a column height, or levels. They decide the shade.",
    ),
    _Input(
        "trees", "Trees", _ANY,
        "Points with columns height and crown_diameter, or drawn crowns with height.",
    ),
    _Input("walls", "Walls, fences and hedges", _LINE, "Lines with a column height."),
    _Input("paving", "Paving", _POLYGON, "Polygons; no trench is dug through them unpriced."),
    _Input(
        "fixtures", "Fixtures", _POINT,
        "Points with a column kind: head, valve_box, controller, downspout ...; valve of a head.",
    ),
    _Input(
        "cans", "Catch cans", _POINT,
        "Points of a can test with columns depth, or volume and mouth_diameter, and minutes.",
    ),
    _Input("soils", "Soil map", _POLYGON, "Polygons with a column soil, or sand and clay."),
    _Input("paths", "Trodden paths", _LINE, "Lines that people walk; sensors keep clear of them."),
    _Input(
        "utilities", "Pipes and cables in the ground", _LINE,
        "Lines; sensors keep clear of them. Call before you dig all the same.",
    ),
)  # fmt: skip
#: Height rasters.
RASTERS = (
    (
        "surface", "Surface heights",
        "Raster of heights with trees and roofs; it takes their place in the shade.",
    ),
    (
        "terrain", "Terrain heights",
        "Raster of the bare ground; needed where the ground slopes or the surface is given.",
    ),
)  # fmt: skip
_UNITS = ("as in the property file", "metric", "us")


def add_inputs(algorithm: QgsProcessingAlgorithm, tr: Callable[[str], str]) -> None:
    """Add the parameters of a property to an algorithm; tr: says a text in the GIS's language."""

    def ask(parameter: QgsProcessingParameterDefinition, says: str, *, rare: bool = False) -> None:
        parameter.setHelp(tr(says))
        if rare:
            parameter.setFlags(parameter.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
        algorithm.addParameter(parameter)

    ask(
        QgsProcessingParameterFile(
            "PROPERTY", tr("Property file"), extension="toml", optional=True
        ),
        "A TOML file with what is no layer: timer, prices, season, setbacks, names of columns. "
        "New property makes one.",
    )
    for layer in LAYERS:
        ask(
            QgsProcessingParameterFeatureSource(
                layer.name.upper(), tr(layer.label), [layer.kind], optional=True
            ),
            layer.says,
        )
    for name, label, says in RASTERS:
        ask(QgsProcessingParameterRasterLayer(name.upper(), tr(label), optional=True), says)
    ask(
        QgsProcessingParameterFile("WEATHER", tr("Weather file"), optional=True),
        "Daily weather, a station's record, a typical year or twelve monthly normals; its format "
        "is told from its first lines.",
    )
    ask(
        QgsProcessingParameterNumber(
            "ELEVATION",
            tr("Height of the weather station [m]"),
            QgsProcessingParameterNumber.Double,
            optional=True,
        ),
        "Above the sea; needed with a weather file where the property file does not say it.",
        rare=True,
    )
    ask(
        QgsProcessingParameterString("NAME", tr("Name"), optional=True),
        "Of the property; it heads the map and the sheets.",
        rare=True,
    )
    ask(
        QgsProcessingParameterEnum(
            "UNITS", tr("Units of the results"), [tr(unit) for unit in _UNITS], defaultValue=0
        ),
        "How maps and sheets show quantities.",
        rare=True,
    )


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
    lost = [name for name, source in sources.items() if not source.sourceCrs().isValid()]
    if lost:
        raise RunFailedError("\n".join(_NO_CRS.format(layer=_label(name)) for name in lost))
    package = folder / "layers.gpkg" if sources else None
    if package is not None:
        _write_package(sources, package, context)
    rasters = {
        name: str(Path(raster.source()).absolute())
        for name, *_ in RASTERS
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


_NO_CRS = (
    "{layer}: the layer has no coordinate reference system, so nobody can tell where it lies. "
    "Assign the one in which it was drawn: right click on the layer > Layer CRS > Set Layer CRS."
)


def _label(name: str) -> str:
    """Return what a layer is called in the dialogue."""
    return next(layer.label for layer in LAYERS if layer.name == name)


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
        # siting repairs shapes itself, and says so; the GIS would stop at the first.
        for feature in source.getFeatures(
            QgsFeatureRequest(), QgsProcessingFeatureSource.FlagSkipGeometryValidityChecks
        ):
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
