"""Run inside the GIS's own Python: load results into a project; watch progress; cancel.

    python3 loading.py PLUGINS STEP CANCEL NAME=VALUE ...
    python3 loading.py PLUGINS describe PICTURE

Prints one JSON object: the renderer of every layer that was loaded, groups with their layers from
the top down, snapping, the progress that came through, and the error. With PICTURE=FILE the map is
drawn into that file. "describe" prints what every algorithm says of itself, and draws the dialogue
of planning.
"""

import json
import sys

from qgis.core import (
    QgsApplication,
    QgsLayerTreeRegistryBridge,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProject,
)


class Watching(QgsProcessingFeedback):
    """Keeps what it is told; cancels at the first progress where asked to."""

    def __init__(self, cancel):
        super().__init__(False)
        self.cancel_soon = cancel
        self.stages = []
        self.seen = []
        self.progressChanged.connect(self.seen.append)

    def setProgressText(self, text):
        self.stages.append(text)
        if self.cancel_soon:
            self.cancel()


def describe(provider, picture):
    """Return what the algorithms say of themselves; draw the dialogue of planning."""
    if picture != "no":
        from processing.gui.AlgorithmDialog import AlgorithmDialog

        dialogue = AlgorithmDialog(provider.algorithm("plan").create(), False, None)
        dialogue.resize(1100, 820)
        dialogue.grab().save(picture)
    return {
        one.name(): {
            "title": one.displayName(), "group": one.group(), "id": one.groupId(),
            "tags": one.tags(), "address": one.helpUrl(), "brief": one.shortDescription(),
            "help": one.shortHelpString(),
            "inputs": {p.name(): p.help() for p in one.parameterDefinitions()},
        }
        for one in provider.algorithms()
    }  # fmt: skip


def draw(project, picture):
    """Draw the layers that are switched on, as the window would."""
    from qgis.core import QgsMapRendererParallelJob, QgsMapSettings
    from qgis.PyQt.QtCore import QSize

    shown = [n.layer() for n in project.layerTreeRoot().findLayers() if n.isVisible()]
    settings = QgsMapSettings()
    settings.setLayers(shown)
    settings.setDestinationCrs(shown[0].crs())
    settings.setOutputSize(QSize(1000, 800))
    extent = settings.fullExtent()
    extent.scale(1.1)
    settings.setExtent(extent)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(picture)


def add_as_the_window_does(project):
    """Have a layer that is added come above the current one: on top of the first group."""
    point = QgsLayerTreeRegistryBridge.InsertionPoint
    bridge, root = project.layerTreeRegistryBridge(), project.layerTreeRoot()

    def aim(_layer):
        for group in root.findGroups()[:1]:
            bridge.setLayerInsertionPoint(point(group, 0))

    project.layerWasAdded.connect(aim)


def main(plugins, step, cancel, *words):
    sys.path[:0] = ["/usr/share/qgis/python/plugins", plugins]
    application = QgsApplication([], step == "describe")
    application.initQgis()
    from processing.core.Processing import Processing
    from processing.gui.Postprocessing import handleAlgorithmResults

    Processing.initialize()
    from siting_gis import classFactory

    plugin = classFactory(None)
    plugin.initProcessing()
    if step == "describe":
        print(json.dumps(describe(application.processingRegistry().providerById("siting"), cancel)))
        return
    parameters = dict(word.split("=", 1) for word in words)
    picture = parameters.pop("PICTURE", "")
    project = QgsProject.instance()
    context = QgsProcessingContext()
    context.setProject(project)
    feedback = Watching(cancel == "cancel")
    add_as_the_window_does(project)
    algorithm = application.processingRegistry().createAlgorithmById(f"siting:{step}")
    error = ""
    try:
        results, _ = algorithm.run(parameters, context, feedback, {}, False)
        handleAlgorithmResults(algorithm, context, feedback, parameters=parameters)
    except QgsProcessingException as problem:
        results, error = {}, str(problem)
    layers = {}
    for layer in project.mapLayers().values():
        renderer = layer.renderer()
        labels = layer.labelsEnabled() if hasattr(layer, "labelsEnabled") else None
        shown = project.layerTreeRoot().findLayer(layer.id()).isVisible()
        layers[layer.name()] = [renderer.type(), labels, layer.isValid(), shown]
    if picture:
        draw(project, picture)
    snapping = project.snappingConfig()
    answer = {
        "titles": {
            layer.name(): [layer.attributeDisplayName(k) for k in range(layer.fields().count())]
            for layer in project.mapLayers().values()
            if hasattr(layer, "fields")
        },
        "groups": {
            group.name(): [node.name() for node in group.findLayers()]
            for group in project.layerTreeRoot().findGroups()
        },
        "snapping": [snapping.enabled(), snapping.tolerance(), project.topologicalEditing()],
        "forms": {
            layer.name(): layer.fields().field("plants").editorWidgetSetup().type()
            for layer in project.mapLayers().values()
            if hasattr(layer, "fields") and layer.fields().indexOf("plants") >= 0
        },
        "layers": layers, "stages": sorted(set(feedback.stages)), "error": error,
        "progress": [min(feedback.seen, default=0), max(feedback.seen, default=0)],
        "answer": results.get("ANSWER", ""),
    }  # fmt: skip
    plugin.unload()
    print(json.dumps(answer))


if __name__ == "__main__":
    main(*sys.argv[1:])
