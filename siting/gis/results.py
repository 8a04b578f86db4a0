# SPDX-License-Identifier: GPL-2.0-or-later
"""Loading what siting wrote, with its styles: vectors carry theirs, rasters get one here."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from qgis.core import (
    QgsColorRampShader,
    QgsProcessingContext,
    QgsProcessingLayerPostProcessorInterface,
    QgsRasterBandStats,
    QgsRasterShader,
    QgsSingleBandPseudoColorRenderer,
)
from qgis.PyQt.QtGui import QColor

__all__ = ["RAMPS", "load_raster", "load_vector"]

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
    return _load(context, f"{path}|layername={layer}", title, None, hidden=hidden)


def load_raster(
    context: QgsProcessingContext, path: Path, *, ramp: str, title: str, hidden: bool = False
) -> str:
    """Have a raster loaded when the algorithm is done.

    Result: its address, for the results of the algorithm.
    """
    return _load(context, str(path), title, RAMPS[ramp], hidden=hidden)


def _load(
    context: QgsProcessingContext,
    address: str,
    title: str,
    ramp: tuple[str, ...] | None,
    *,
    hidden: bool,
) -> str:
    """Note a layer for loading, where there is a project to load it into."""
    if context.project() is not None:
        details = QgsProcessingContext.LayerDetails(title, context.project(), title)
        styled = _Styled(ramp, hidden=hidden)
        _ALIVE.append(styled)
        details.setPostProcessor(styled)
        context.addLayerToLoadOnCompletion(address, details)
    return address
