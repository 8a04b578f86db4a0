# SPDX-License-Identifier: GPL-2.0-or-later
"""Loading what siting wrote, with its styles: vectors carry theirs, rasters get one here."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsColorRampShader,
    QgsProcessingContext,
    QgsProcessingLayerPostProcessorInterface,
    QgsRasterBandStats,
    QgsRasterShader,
    QgsSingleBandPseudoColorRenderer,
    QgsSnappingConfig,
    QgsTolerance,
)
from qgis.PyQt.QtGui import QColor

__all__ = ["RAMPS", "load_drawing", "load_raster", "load_vector"]

#: Colours of the rasters, the same as in every other hand-off of siting.
RAMPS = {
    "dryness": ("#eef1f4", "#ecdcc0", "#dfb681", "#c08446", "#8d5322", "#542c0e"),
    "sun": ("#2b2350", "#5a3f6f", "#93607a", "#c98a75", "#ecc079", "#fdf3c0"),
}
#: The GIS keeps no reference of its own to these.
_ALIVE: list[Any] = []


class _Styled(QgsProcessingLayerPostProcessorInterface):
    """Styles one layer once it is loaded."""

    def __init__(self, ramp: tuple[str, ...] | None, *, hidden: bool) -> None:
        super().__init__()
        self.ramp = ramp
        self.hidden = hidden

    def postProcessLayer(self, layer: Any, context: Any, _feedback: Any) -> None:  # noqa: ANN401
        """Style the layer."""
        if self.ramp is None:
            layer.loadDefaultStyle()  # the one in the GeoPackage
        else:
            _colour(layer, self.ramp)
        project = context.project()
        node = project.layerTreeRoot().findLayer(layer.id()) if project and self.hidden else None
        if node is not None:
            node.setItemVisibilityChecked(False)
        layer.triggerRepaint()


class _Drawn(_Styled):
    """Puts a layer to draw in into its group, in order, and switches snapping on."""

    def __init__(self, group: str, rank: int, *, hidden: bool) -> None:
        super().__init__(None, hidden=hidden)
        self.group = group
        self.rank = rank

    def postProcessLayer(self, layer: Any, context: Any, feedback: Any) -> None:  # noqa: ANN401
        """Style, group and order the layer."""
        super().postProcessLayer(layer, context, feedback)
        project = context.project()
        root = project.layerTreeRoot()
        node = root.findLayer(layer.id())
        if node is None:
            return
        group = root.findGroup(self.group) or root.insertGroup(0, self.group)
        layer.setCustomProperty(_RANK, self.rank)
        before = [
            one for one in group.findLayers()
            if int(one.layer().customProperty(_RANK, 0)) < self.rank
        ]  # fmt: skip
        group.insertChildNode(len(before), node.clone())
        node.parent().removeChildNode(node)
        _snap(project)


#: Where a layer keeps its place in its group.
_RANK = "siting/rank"
#: A corner within this of another lies on it [pixels].
_SNAP_PIXELS = 12.0


def _snap(project: Any) -> None:  # noqa: ANN401 - of the GIS
    """Have corners snap to corners and edges of every layer, and shared edges move together."""
    snapping = project.snappingConfig()
    snapping.setEnabled(True)
    snapping.setMode(QgsSnappingConfig.AllLayers)
    snapping.setTypeFlag(
        QgsSnappingConfig.SnappingTypeFlag(
            QgsSnappingConfig.VertexFlag | QgsSnappingConfig.SegmentFlag
        )
    )
    snapping.setTolerance(_SNAP_PIXELS)
    snapping.setUnits(QgsTolerance.Pixels)
    project.setSnappingConfig(snapping)
    project.setTopologicalEditing(True)


def _colour(layer: Any, ramp: tuple[str, ...]) -> None:  # noqa: ANN401 - of the GIS
    """Colour the first band from its least to its greatest value."""
    provider = layer.dataProvider()
    range_ = QgsRasterBandStats.Min | QgsRasterBandStats.Max
    stats = provider.bandStatistics(1, range_)
    low, high = stats.minimumValue, stats.maximumValue
    step = (high - low) / (len(ramp) - 1)
    items = [
        QgsColorRampShader.ColorRampItem(low + k * step, QColor(colour), f"{low + k * step:.2f}")
        for k, colour in enumerate(ramp)
    ]
    function = QgsColorRampShader(low, high)
    function.setColorRampType(QgsColorRampShader.Interpolated)
    function.setColorRampItemList(items)
    shader = QgsRasterShader()
    shader.setRasterShaderFunction(function)
    renderer = QgsSingleBandPseudoColorRenderer(provider, 1, shader)
    renderer.setClassificationMin(low)
    renderer.setClassificationMax(high)
    layer.setRenderer(renderer)


def load_vector(
    context: QgsProcessingContext, path: Path, layer: str, *, title: str, hidden: bool = False
) -> str:
    """Have a layer of a GeoPackage loaded when the algorithm is done.

    Result: its address, for the results of the algorithm.
    """
    styled = _Styled(None, hidden=hidden)
    return _load(context, f"{path}|layername={layer}", title, styled)


def load_drawing(
    context: QgsProcessingContext, path: Path, titles: Mapping[str, str], *, hidden: Collection[str]
) -> list[str]:
    """Have the layers of a new property loaded, grouped under its name, in the order given.

    titles: layer -> title, from the top of the map down; hidden: those that are switched off.
    """
    return [
        _load(
            context,
            f"{path}|layername={layer}",
            title,
            _Drawn(path.parent.name, rank, hidden=layer in hidden),
        )
        for rank, (layer, title) in enumerate(titles.items(), 1)
    ]


def load_raster(
    context: QgsProcessingContext, path: Path, *, ramp: str, title: str, hidden: bool = False
) -> str:
    """Have a raster loaded when the algorithm is done.

    Result: its address, for the results of the algorithm.
    """
    return _load(context, str(path), title, _Styled(RAMPS[ramp], hidden=hidden))


def _load(context: QgsProcessingContext, address: str, title: str, styled: _Styled) -> str:
    """Note a layer for loading, where there is a project to load it into."""
    if context.project() is not None:
        details = QgsProcessingContext.LayerDetails(title, context.project(), title)
        _ALIVE.append(styled)
        details.setPostProcessor(styled)
        context.addLayerToLoadOnCompletion(address, details)
    return address
