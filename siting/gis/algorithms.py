# SPDX-License-Identifier: GPL-2.0-or-later
"""The algorithms: new property, check, sun and shade, score, plan, hand-off, commission."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputBoolean,
    QgsProcessingOutputFile,
    QgsProcessingOutputMultipleLayers,
    QgsProcessingOutputNumber,
    QgsProcessingOutputRasterLayer,
    QgsProcessingOutputVectorLayer,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterMultipleLayers,
)

from .base import SitingAlgorithm
from .results import load_drawing, load_raster, load_vector
from .runner import RunFailedError

__all__ = ["ALGORITHMS"]

_Parameters = dict[str, Any]
#: Layers of plan.gpkg, from the top of the map down, and their titles.
_PLAN_LAYERS = {
    "sensors": "Sensors",
    "reserves": "Reserve points",
    "ties": "Tape ties",
    "wire_routes": "Trenches and wires",
    "keepout": "Keep-out ground",
    "admissible": "Admissible ground",
    "hydrozones": "Hydrozones by water need",
}
#: Those that would cover the map; they are loaded switched off.
_HIDDEN = {"keepout", "admissible"}


#: Layers to draw in, from the top of the map down, and their titles.
_DRAWING_LAYERS = {
    "fixtures": "Heads, valve boxes, controllers, downspouts",
    "cans": "Catch cans",
    "trees": "Trees",
    "walls": "Walls, fences and hedges",
    "paths": "Trodden paths",
    "utilities": "Pipes and cables in the ground",
    "buildings": "Buildings",
    "paving": "Paving",
    "hydrozones": "Hydrozones",
    "boundary": "Property line",
    "soils": "Soil map",
}
#: Those that a first drawing does without; they are loaded switched off.
_LATER = {"cans", "soils"}
_UNITS = ("us", "metric")


class NewProperty(SitingAlgorithm):
    """Empty layers to draw a property in."""

    step = "new"
    title = "0 New property"
    help = (
        "Makes a folder with empty layers to draw in, and a property file, and adds the layers to "
        "the project in a group of their own. Each asks in a form for what siting must know: "
        "drop-downs, ranges and values that a new thing starts with, so that no column is typed by "
        "hand. Snapping to corners and edges of all layers, and editing of shared edges together, "
        "are switched on in the project. Draw the property line and the hydrozones first; "
        "buildings and trees decide the shade."
    )
    needs_property = False

    def add_parameters(self) -> None:
        """Declare units, CRS and the output."""
        self.addParameter(
            QgsProcessingParameterEnum(
                "UNITS", "Units of the forms", ["feet and inches", "metres"], defaultValue=0
            )
        )
        self.addParameter(
            QgsProcessingParameterCrs(
                "CRS", "CRS of the layers", defaultValue="ProjectCrs", optional=True
            )
        )
        self.addOutput(QgsProcessingOutputMultipleLayers("LAYERS", "Layers to draw in"))
        self.addOutput(QgsProcessingOutputFile("PROPERTY", "Property file"))

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
    ) -> _Parameters:
        """Make the files and load the layers.

        Result: OUTPUT, ANSWER, PROPERTY (str), WARNINGS (int); LAYERS: addresses of layers.
        """
        folder = self.folder(parameters, context)
        units = _UNITS[self.parameterAsEnum(parameters, "UNITS", context)]
        crs = self.parameterAsCrs(parameters, "CRS", context)
        words = ["new", str(folder), "--units", units, "--json"]
        if crs.isValid():
            words += ["--crs", crs.authid() or crs.toWkt()]
        answer = self.call(python, words, feedback)
        layers = load_drawing(context, folder / "property.gpkg", _DRAWING_LAYERS, hidden=_LATER)
        return {
            "OUTPUT": str(folder),
            "ANSWER": "\n".join(answer["files"]),
            "WARNINGS": len(answer["warnings"]),
            "PROPERTY": str(folder / "property.toml"),
            "LAYERS": layers,
        }


class CheckProperty(SitingAlgorithm):
    """Check the base map and the property file."""

    step = "check"
    title = "1 Check property"
    help = (
        "Checks the drawing, the property file and the weather, and lists every fault at once with "
        "how to mend it. Nothing is written."
    )
    needs_folder = False

    def add_parameters(self) -> None:
        """Declare the outputs."""
        self.addOutput(QgsProcessingOutputBoolean("SOUND", "Whether it is sound"))

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
    ) -> _Parameters:
        """Check; faults are an answer here, not an error.

        Result: SOUND (bool), ANSWER (str) and WARNINGS (int).
        """
        with tempfile.TemporaryDirectory(prefix="siting-") as name:
            written = self.write_property(parameters, context, python, Path(name))
            try:
                answer = self.call(python, ["check", str(written), "--json"], feedback)
            except RunFailedError as error:
                if feedback.isCanceled():
                    raise
                feedback.reportError(str(error))
                return {"SOUND": False, "ANSWER": str(error), "WARNINGS": 0}
        feedback.pushInfo(answer["answer"])
        return {"SOUND": True, "ANSWER": answer["answer"], "WARNINGS": len(answer["warnings"])}


class SunAndShade(SitingAlgorithm):
    """Sun and shade of the property."""

    step = "sun"
    title = "2 Sun and shade"
    help = (
        "Computes the direct sun of every month and the sky view of every half metre from "
        "buildings, trees and walls, and their means by hydrozone."
    )

    def add_parameters(self) -> None:
        """Declare the outputs."""
        self.addOutput(QgsProcessingOutputVectorLayer("ZONES", "Hydrozones by sun"))
        self.addOutput(QgsProcessingOutputRasterLayer("SUN_HOURS", "Hours of direct sun"))
        self.addOutput(QgsProcessingOutputRasterLayer("SKY_VIEW", "Sky view"))

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
    ) -> _Parameters:
        """Run and load.

        Result: OUTPUT (str), ANSWER (str), WARNINGS (int); ZONES, SUN_HOURS and SKY_VIEW: addresses
        of layers.
        """
        folder = self.folder(parameters, context)
        written = self.write_property(parameters, context, python, folder / "property")
        words = ["sun", str(written), "--out", str(folder), "--json"]
        answer = self.call(python, words, feedback)
        return {
            "OUTPUT": str(folder),
            "ANSWER": answer["answer"],
            "WARNINGS": len(answer["warnings"]),
            "ZONES": load_vector(
                context, folder / "sun.gpkg", "hydrozones", title="Hydrozones by sun"
            ),
            "SUN_HOURS": load_raster(
                context, folder / "sun-hours.tif", ramp="sun", title="Hours of direct sun"
            ),
            "SKY_VIEW": load_raster(context, folder / "sky-view.tif", ramp="sun", title="Sky view"),
        }


class NeedScore(SitingAlgorithm):
    """Water-need score of every hydrozone."""

    step = "score"
    title = "3 Water-need score"
    help = (
        "Scores how thirsty every hydrozone is, in percent of its readily available water per day "
        "of the peak season, says what makes it so, and draws how dry every half metre is."
    )

    def add_parameters(self) -> None:
        """Declare the outputs."""
        self.addOutput(QgsProcessingOutputVectorLayer("ZONES", "Hydrozones by water need"))
        self.addOutput(QgsProcessingOutputRasterLayer("DRYNESS", "Dryness"))

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
    ) -> _Parameters:
        """Run and load.

        Result: OUTPUT (str), ANSWER (str), WARNINGS (int); ZONES and DRYNESS: addresses of layers.
        """
        folder = self.folder(parameters, context)
        written = self.write_property(parameters, context, python, folder / "property")
        words = ["score", str(written), "--out", str(folder), "--json"]
        answer = self.call(python, words, feedback)
        zones = load_vector(
            context, folder / "need.gpkg", "hydrozones", title="Hydrozones by water need"
        )
        dryness = load_raster(
            context, folder / "dryness.tif", ramp="dryness", title="Dryness (1 is the mean)"
        )
        return {
            "OUTPUT": str(folder),
            "ANSWER": answer["answer"],
            "WARNINGS": len(answer["warnings"]),
            "ZONES": zones,
            "DRYNESS": dryness,
        }


class PlanSensors(SitingAlgorithm):
    """The main job."""

    step = "plan"
    title = "4 Plan sensors"
    help = (
        "Decides how many sensors are worth it, where each is buried, at what depth and threshold, "
        "what runs on it and what that saves. Loads sensors, ties, trenches, keep-out ground and "
        "the hydrozones; map, crew sheet and all other files are in the folder of the results.\n"
        "Call before you dig; local codes and licensed practitioners have the last word."
    )

    def add_parameters(self) -> None:
        """Declare the outputs."""
        self.addOutput(QgsProcessingOutputVectorLayer("SENSORS", "Sensors"))
        self.addOutput(QgsProcessingOutputVectorLayer("ZONES", "Hydrozones by water need"))
        self.addOutput(QgsProcessingOutputMultipleLayers("LAYERS", "All layers"))
        self.addOutput(QgsProcessingOutputNumber("COUNT", "Number of sensors"))
        self.addOutput(QgsProcessingOutputFile("PLAN", "plan.json"))

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
    ) -> _Parameters:
        """Run and load.

        Result: OUTPUT (str), ANSWER (str), WARNINGS and COUNT (int), PLAN (str); SENSORS, ZONES and
        LAYERS: addresses of layers.
        """
        folder = self.folder(parameters, context)
        answer = self.plan(parameters, context, feedback, python, folder, [])
        package = folder / "plan.gpkg"
        loaded = {
            layer: load_vector(context, package, layer, title=title, hidden=layer in _HIDDEN)
            for layer, title in _PLAN_LAYERS.items()
        }
        dryness = load_raster(
            context,
            folder / "dryness.tif",
            ramp="dryness",
            title="Dryness (1 is the mean)",
            hidden=True,
        )
        return {
            "OUTPUT": str(folder),
            "ANSWER": answer["answer"],
            "WARNINGS": len(answer["warnings"]),
            "SENSORS": loaded["sensors"],
            "ZONES": loaded["hydrozones"],
            "LAYERS": [*loaded.values(), dryness],
            "COUNT": len(answer["sensors"]),
            "PLAN": str(folder / "plan.json"),
        }

    def plan(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
        folder: Path,
        options: list[str],
    ) -> _Parameters:
        """Write the input and plan into a folder.

        Result: what ``siting plan --json`` answers.
        """
        written = self.write_property(parameters, context, python, folder / "property")
        words = ["plan", str(written), "--out", str(folder), "--json", *options]
        answer = self.call(python, words, feedback)
        feedback.pushInfo(answer["answer"])
        return answer


class HandOff(PlanSensors):
    """The files for the crew."""

    step = "handoff"
    title = "5 Hand-off"
    help = (
        "Plans (the same input gives the same plan) and writes what crews and owners get: the "
        "offline map, the crew sheet as PDF, GPX, KML, GeoJSON and CSV; on request a drawing (DXF) "
        "and a map with a background from the network, whose servers then learn where the property "
        "is."
    )

    def add_parameters(self) -> None:
        """Declare options and outputs."""
        self.addParameter(
            QgsProcessingParameterBoolean("DXF", "Also a drawing (DXF)", defaultValue=False)
        )
        self.addParameter(
            QgsProcessingParameterBoolean(
                "ONLINE", "Also a map with a network background", defaultValue=False
            )
        )
        self.addOutput(QgsProcessingOutputFile("MAP", "Map (HTML)"))
        self.addOutput(QgsProcessingOutputFile("CREW", "Crew sheet (PDF)"))
        self.addOutput(QgsProcessingOutputNumber("FILES", "Number of files"))

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
    ) -> _Parameters:
        """Run; files, no layers.

        Result: OUTPUT, ANSWER, MAP and CREW (str), WARNINGS and FILES (int).
        """
        folder = self.folder(parameters, context)
        wanted = {"DXF": "--dxf", "ONLINE": "--online-map"}
        options = [
            option
            for name, option in wanted.items()
            if self.parameterAsBool(parameters, name, context)
        ]
        answer = self.plan(parameters, context, feedback, python, folder, options)
        return {
            "OUTPUT": str(folder),
            "ANSWER": answer["answer"],
            "WARNINGS": len(answer["warnings"]),
            "MAP": str(folder / "map.html"),
            "CREW": str(folder / "crew.pdf"),
            "FILES": len(answer["files"]),
        }


class Commission(SitingAlgorithm):
    """The field's answers back."""

    step = "commission"
    title = "6 Commission"
    help = (
        "Takes the readings of the installed sensors and sets what was planned against what was "
        "found. Needs a version of siting that has this command."
    )
    needs_property = False

    def add_parameters(self) -> None:
        """Declare what it asks for."""
        self.addParameter(QgsProcessingParameterFile("PLAN", "plan.json", extension="json"))
        self.addParameter(
            QgsProcessingParameterMultipleLayers(
                "READINGS", "Readings (CSV)", QgsProcessing.TypeFile
            )
        )

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
    ) -> _Parameters:
        """Run, where siting can.

        Result: OUTPUT (str), ANSWER (str: what siting printed) and WARNINGS (0).
        """
        folder = self.folder(parameters, context)
        text = self.listing(python, feedback)
        if "\n  commission" not in text:
            message = (
                "This version of siting has no command for commissioning. Install a newer one into "
                f"the same Python: {python}"
            )
            raise RunFailedError(message)
        plan = self.parameterAsFile(parameters, "PLAN", context)
        files = self.parameterAsFileList(parameters, "READINGS", context)
        words = ["commission", plan]
        for file in files:
            words += ["--readings", file]
        said = self.text(python, [*words, "--out", str(folder)], feedback)
        feedback.pushInfo(said)
        return {"OUTPUT": str(folder), "ANSWER": said, "WARNINGS": 0}


#: In the order of the work.
ALGORITHMS = (
    NewProperty,
    CheckProperty,
    SunAndShade,
    NeedScore,
    PlanSensors,
    HandOff,
    Commission,
)
