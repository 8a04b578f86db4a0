# SPDX-License-Identifier: GPL-2.0-or-later
"""Loading what siting wrote, with its styles: vectors carry theirs, rasters get one here."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Mapping
from contextlib import closing
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

__all__ = ["RAMPS", "layers_in", "load_layers", "load_raster"]

#: Colours of the rasters, the same as in every other hand-off of siting.
RAMPS = {
    "dryness": ("#eef1f4", "#ecdcc0", "#dfb681", "#c08446", "#8d5322", "#542c0e"),
    "sun": ("#2b2350", "#5a3f6f", "#93607a", "#c98a75", "#ecc079", "#fdf3c0"),
}
#: The GIS keeps no reference of its own to these.
_ALIVE: list[Any] = []


class _Styled(QgsProcessingLayerPostProcessorInterface):
    """Styles one layer once it is loaded, and puts it into its group, in order.

    ramp: colours of a raster, None for a vector, which brings its own style; group: its name; rank:
    place from the top; snap: whether snapping is switched on, for layers to draw in.
    """

    def __init__(
        self,
        ramp: tuple[str, ...] | None,
        *,
        group: str,
        rank: int,
        hidden: bool = False,
        snap: bool = False,
    ) -> None:
        super().__init__()
        self.ramp, self.group, self.rank = ramp, group, rank
        self.hidden, self.snap = hidden, snap

    def postProcessLayer(self, layer: Any, context: Any, _feedback: Any) -> None:  # noqa: ANN401
        """Style, group and order the layer."""
        if self.ramp is None:
            layer.loadDefaultStyle()  # the one in the GeoPackage
        else:
            _colour(layer, self.ramp)
        project = context.project()
        root = project.layerTreeRoot() if project else None
        node = root.findLayer(layer.id()) if root else None
        if root is None or node is None:
            return
        if self.hidden:
            node.setItemVisibilityChecked(False)
        group = root.findGroup(self.group) or root.insertGroup(0, self.group)
        layer.setCustomProperty(_RANK, self.rank)
        # The window adds a layer above the current one, which may already be inside the group.
        above = [
            place for place, one in enumerate(group.findLayers(), start=1)
            if one.layerId() != layer.id()
            and int(one.layer().customProperty(_RANK, 0)) < self.rank
        ]  # fmt: skip
        group.insertChildNode(max(above, default=0), node.clone())
        node.parent().removeChildNode(node)
        layer.triggerRepaint()
        if self.snap:
            _snap(project)


#: Where a layer keeps its place in its group.
_RANK = "siting/rank"
#: Rasters lie below everything else.
_BELOW = 100
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


def layers_in(package: Path) -> set[str]:
    """Return the layers of a GeoPackage."""
    with closing(sqlite3.connect(package)) as base:
        return {str(name) for (name,) in base.execute("SELECT table_name FROM gpkg_contents")}


def load_layers(
    context: QgsProcessingContext,
    package: Path,
    titles: Mapping[str, str],
    *,
    group: str,
    hidden: Collection[str] = (),
    snap: bool = False,
) -> dict[str, str]:
    """Have layers of a GeoPackage loaded when the algorithm is done, in a group and in order.

    titles: layer -> title, from the top of the map down; those that the file lacks are passed over;
    hidden: those that are switched off. Result: layer -> its address, for the results.
    """
    present = layers_in(package)
    return {
        layer: _load(
            context,
            f"{package}|layername={layer}",
            title,
            _Styled(None, group=group, rank=rank, hidden=layer in hidden, snap=snap),
        )
        for rank, (layer, title) in enumerate(titles.items(), 1)
        if layer in present
    }


def load_raster(
    context: QgsProcessingContext,
    path: Path,
    *,
    ramp: str,
    title: str,
    group: str,
    hidden: bool = False,
) -> str:
    """Have a raster loaded when the algorithm is done, below the vectors of its group.

    Result: its address, for the results of the algorithm.
    """
    styled = _Styled(RAMPS[ramp], group=group, rank=_BELOW, hidden=hidden)
    return _load(context, str(path), title, styled)


def _load(context: QgsProcessingContext, address: str, title: str, styled: _Styled) -> str:
    """Note a layer for loading, where there is a project to load it into."""
    if context.project() is not None:
        details = QgsProcessingContext.LayerDetails(title, context.project(), title)
        _ALIVE.append(styled)
        details.setPostProcessor(styled)
        context.addLayerToLoadOnCompletion(address, details)
    return address
