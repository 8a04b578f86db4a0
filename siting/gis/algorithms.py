# SPDX-License-Identifier: GPL-2.0-or-later
"""The algorithms, from installing siting to what the field answers."""

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
    QgsProcessingOutputString,
    QgsProcessingOutputVectorLayer,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterString,
)

from .base import SitingAlgorithm, Words, own_environment, tr
from .results import load_layers, load_raster
from .runner import RunFailedError, environment_python, install

__all__ = ["ALGORITHMS"]

_Parameters = dict[str, Any]
#: Layers of plan.gpkg, from the top of the map down, and their titles.
_PLAN_LAYERS = {
    "sensors": "Sensors",
    "reserves": "Reserve points",
    "ties": "Tape ties",
    "wire_routes": "Trenches and wires",
    "utilities": "Pipes and cables in the ground",
    "paths": "Trodden paths",
    "keepout": "Keep-out ground",
    "admissible": "Admissible ground",
    "buildings": "Buildings",
    "hydrozones": "Hydrozones by water need",
    "boundary": "Property line",
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
    title = "New property"
    brief = "Empty layers to draw a property in, with forms"
    part = ("draw", "Draw and check")
    words: Words = ("draw", "form", "template")
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
        self.ask(
            QgsProcessingParameterEnum(
                "UNITS",
                tr("Units of the forms"),
                [tr("feet and inches"), tr("metres")],
                defaultValue=0,
            ),
            "In which lengths are typed, and results shown.",
        )
        self.ask(
            QgsProcessingParameterCrs(
                "CRS", tr("CRS of the layers"), defaultValue="ProjectCrs", optional=True
            ),
            "One in metres or feet of the place, not in degrees.",
        )
        self.addOutput(QgsProcessingOutputMultipleLayers("LAYERS", tr("Layers to draw in")))
        self.addOutput(QgsProcessingOutputFile("PROPERTY", tr("Property file")))

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
        layers = load_layers(
            context,
            folder / "property.gpkg",
            _DRAWING_LAYERS,
            group=folder.name,
            hidden=_LATER,
            snap=True,
        )
        return {
            "OUTPUT": str(folder),
            "ANSWER": "\n".join(answer["files"]),
            "WARNINGS": len(answer["warnings"]),
            "PROPERTY": str(folder / "property.toml"),
            "LAYERS": list(layers.values()),
        }


class CheckProperty(SitingAlgorithm):
    """Check the base map and the property file."""

    step = "check"
    title = "Check property"
    brief = "Every fault of drawing, property file and weather at once"
    part = ("draw", "Draw and check")
    words: Words = ("check", "validate", "faults")
    help = (
        "Checks the drawing, the property file and the weather, and lists every fault at once with "
        "how to mend it. Nothing is written."
    )
    needs_folder = False

    def add_parameters(self) -> None:
        """Declare the outputs."""
        self.addOutput(QgsProcessingOutputBoolean("SOUND", tr("Whether it is sound")))

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
            try:
                written = self.write_property(parameters, context, python, Path(name))
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
    title = "Sun and shade"
    brief = "Direct sun of every month and sky view of every half metre"
    part = ("ground", "Sun and need")
    words: Words = ("sun", "shade", "insolation", "sky view")
    help = (
        "Computes the direct sun of every month and the sky view of every half metre from "
        "buildings, trees and walls, and their means by hydrozone."
    )

    def add_parameters(self) -> None:
        """Declare the outputs."""
        self.addOutput(QgsProcessingOutputVectorLayer("ZONES", tr("Hydrozones by sun")))
        self.addOutput(QgsProcessingOutputRasterLayer("SUN_HOURS", tr("Hours of direct sun")))
        self.addOutput(QgsProcessingOutputRasterLayer("SKY_VIEW", tr("Sky view")))

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
        group = _group(tr("Sun"), folder)
        return {
            "OUTPUT": str(folder),
            "ANSWER": answer["answer"],
            "WARNINGS": len(answer["warnings"]),
            "ZONES": load_layers(
                context,
                folder / "sun.gpkg",
                {"hydrozones": tr("Hydrozones by sun")},
                group=group,
            )["hydrozones"],
            "SUN_HOURS": load_raster(
                context,
                folder / "sun-hours.tif",
                ramp="sun",
                title=tr("Hours of direct sun"),
                group=group,
            ),
            "SKY_VIEW": load_raster(
                context, folder / "sky-view.tif", ramp="sun", title=tr("Sky view"), group=group
            ),
        }


class NeedScore(SitingAlgorithm):
    """Water-need score of every hydrozone."""

    step = "score"
    title = "Water-need score"
    brief = "How thirsty every hydrozone is, why, and where it is driest"
    part = ("ground", "Sun and need")
    words: Words = ("water need", "dryness", "evapotranspiration")
    help = (
        "Scores how thirsty every hydrozone is, in percent of its readily available water per day "
        "of the peak season, says what makes it so, and draws how dry every half metre is."
    )

    def add_parameters(self) -> None:
        """Declare the outputs."""
        self.addOutput(QgsProcessingOutputVectorLayer("ZONES", tr("Hydrozones by water need")))
        self.addOutput(QgsProcessingOutputRasterLayer("DRYNESS", tr("Dryness")))

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
        group = _group(tr("Need"), folder)
        titles = {"hydrozones": tr("Hydrozones by water need")}
        zones = load_layers(context, folder / "need.gpkg", titles, group=group)["hydrozones"]
        dryness = load_raster(
            context,
            folder / "dryness.tif",
            ramp="dryness",
            title=tr("Dryness (1 is the mean)"),
            group=group,
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
    title = "Plan sensors"
    brief = "How many sensors, where, how deep, what they govern and save"
    words: Words = ("plan", "siting", "water budget")
    help = (
        "Decides how many sensors are worth it, where each is buried, at what depth and threshold, "
        "what runs on it and what that saves. Loads sensors, ties, trenches, keep-out ground and "
        "the hydrozones; map, crew sheet and all other files are in the folder of the results.\n"
        "Call before you dig; local codes and licensed practitioners have the last word."
    )

    def add_parameters(self) -> None:
        """Declare the outputs."""
        self.addOutput(QgsProcessingOutputVectorLayer("SENSORS", tr("Sensors")))
        self.addOutput(QgsProcessingOutputVectorLayer("ZONES", tr("Hydrozones by water need")))
        self.addOutput(QgsProcessingOutputMultipleLayers("LAYERS", tr("All layers")))
        self.addOutput(QgsProcessingOutputNumber("COUNT", tr("Number of sensors")))
        self.addOutput(QgsProcessingOutputFile("PLAN", tr("plan.json")))

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
        loaded, dryness = _load_plan(context, folder, _group(tr("Sensor plan"), folder))
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


def _group(says: str, folder: Path) -> str:
    """Return the name of the group of a run's layers."""
    return f"{says}: {folder.name}"


def _load_plan(
    context: Any,  # noqa: ANN401 - of the GIS
    folder: Path,
    group: str,
) -> tuple[dict[str, str], str]:
    """Have everything of a plan loaded: layer -> address, and the address of the raster."""
    titles = {layer: tr(title) for layer, title in _PLAN_LAYERS.items()}
    loaded = load_layers(context, folder / "plan.gpkg", titles, group=group, hidden=_HIDDEN)
    dryness = load_raster(
        context,
        folder / "dryness.tif",
        ramp="dryness",
        title=tr("Dryness (1 is the mean)"),
        group=group,
        hidden=True,
    )
    return loaded, dryness


class HandOff(PlanSensors):
    """The files for the crew."""

    step = "handoff"
    title = "Hand-off"
    brief = "Offline map, sheets as PDF, GPX, KML, GeoJSON, CSV, DXF"
    words: Words = ("crew", "PDF", "GPX", "DXF")
    help = (
        "Plans (the same input gives the same plan) and writes what crews and owners get: the "
        "offline map, the crew sheet as PDF, GPX, KML, GeoJSON and CSV; on request a drawing (DXF) "
        "and a map with a background from the network, whose servers then learn where the property "
        "is."
    )

    def add_parameters(self) -> None:
        """Declare options and outputs."""
        self.ask(
            QgsProcessingParameterBoolean("DXF", tr("Also a drawing (DXF)"), defaultValue=False),
            "For drawing programs. Needs ezdxf in siting's Python; this is looked at first.",
        )
        self.ask(
            QgsProcessingParameterBoolean(
                "ONLINE", tr("Also a map with a network background"), defaultValue=False
            ),
            "The servers of the background learn where the property is when the map is opened.",
        )
        self.addOutput(QgsProcessingOutputFile("MAP", tr("Map (HTML)")))
        self.addOutput(QgsProcessingOutputFile("CREW", tr("Crew sheet (PDF)")))
        self.addOutput(QgsProcessingOutputNumber("FILES", tr("Number of files")))

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
    title = "Commission"
    brief = "Readings of the installed sensors against the plan"
    part = ("field", "After the field")
    words: Words = ("readings", "as built", "commissioning")
    help = (
        "Takes the readings of the installed sensors and sets what was planned against what was "
        "found: what to do now, thresholds, places as built. Loads the plan as it then stands; the "
        "report and the record of every visit are in the folder of the results."
    )
    needs_property = False

    def add_parameters(self) -> None:
        """Declare what it asks for."""
        self.ask(
            QgsProcessingParameterFile("PLAN", tr("plan.json"), extension="json"),
            "In the folder of the results of Plan sensors or Hand-off.",
        )
        self.ask(
            QgsProcessingParameterMultipleLayers(
                "READINGS",
                tr("Readings (workbook, CSV, field file, logs)"),
                QgsProcessing.TypeFile,
            ),
            "The filled readings.xlsx or its CSV files, field.json of the map's field page, and "
            "loggers' files; any of them, together.",
        )
        self.ask(
            QgsProcessingParameterFile(
                "PROPERTY", tr("Property file"), extension="toml", optional=True
            ),
            "The one that was planned, where it is no longer found beside the results.",
        )
        self.addOutput(QgsProcessingOutputVectorLayer("SENSORS", tr("Sensors as built")))
        self.addOutput(QgsProcessingOutputMultipleLayers("LAYERS", tr("All layers")))
        self.addOutput(QgsProcessingOutputFile("REPORT", tr("Report")))

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,
    ) -> _Parameters:
        """Run and load.

        Result: OUTPUT, ANSWER, REPORT (str), WARNINGS (int); SENSORS, LAYERS: addresses of layers.
        """
        folder = self.folder(parameters, context)
        words = ["commission", self.parameterAsFile(parameters, "PLAN", context)]
        for file in self.parameterAsFileList(parameters, "READINGS", context):
            words += ["--readings", file]
        property_file = self.parameterAsFile(parameters, "PROPERTY", context)
        words += ["--property", property_file] if property_file else []
        answer = self.call(python, [*words, "--out", str(folder), "--json"], feedback)
        report = folder / "commissioning.txt"
        said = report.read_text(encoding="utf-8")
        feedback.pushInfo(said)
        loaded, dryness = _load_plan(context, folder, _group(tr("After the field"), folder))
        return {
            "OUTPUT": str(folder),
            "ANSWER": said,
            "WARNINGS": len(answer.get("warnings", ())),
            "SENSORS": loaded["sensors"],
            "LAYERS": [*loaded.values(), dryness],
            "REPORT": str(report),
        }


class InstallSiting(SitingAlgorithm):
    """A Python of siting's own, in the GIS's profile."""

    step = "install"
    title = "Install siting"
    brief = "Give siting a Python of its own, in this GIS's profile"
    part = ("setup", "Set up")
    words: Words = ("install", "setup", "Python", "update")
    help = (
        "Makes an environment in the GIS's profile, installs siting and what it needs there, and "
        "tries it: some 600 MB, a few minutes. The GIS's own Python is not touched. Run again, it "
        "brings siting up to date. Needs Python 3.11 or newer on this machine, beside the GIS's."
    )
    needs_property = False
    needs_folder = False
    needs_siting = False

    def add_parameters(self) -> None:
        """Declare where it comes from."""
        self.ask(
            QgsProcessingParameterString("PACKAGE", tr("What to install"), defaultValue="siting"),
            "A name on the package index, a wheel file, or the folder of a clone; with [dxf] after "
            "a name, drawings too.",
        )
        self.ask(
            QgsProcessingParameterFile(
                "WHEELS",
                tr("Folder of wheels"),
                behavior=QgsProcessingParameterFile.Folder,
                optional=True,
            ),
            "Installs from this folder and asks no network: made elsewhere with "
            "pip download siting -d FOLDER.",
        )
        base = QgsProcessingParameterFile("PYTHON", tr("Python to start from"), optional=True)
        base.setFlags(base.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
        self.ask(base, "A Python 3.11 or newer, where the one on the path is not meant.")
        self.addOutput(QgsProcessingOutputString("PYTHON_OF_SITING", tr("Python of siting")))

    def work(
        self,
        parameters: _Parameters,
        context: Any,  # noqa: ANN401 - of the GIS
        feedback: Any,  # noqa: ANN401 - of the GIS
        python: str,  # noqa: ARG002 - there is none yet
    ) -> _Parameters:
        """Install, and say what is there now.

        Result: ANSWER and PYTHON_OF_SITING (str), WARNINGS (0).
        """
        home = own_environment()

        def progress(stage: str, done: int, total: int) -> None:
            feedback.setProgressText(stage)
            feedback.setProgress(100.0 * done / max(total, 1))

        version = install(
            home,
            base=self.parameterAsFile(parameters, "PYTHON", context),
            package=self.parameterAsString(parameters, "PACKAGE", context),
            wheels=self.parameterAsFile(parameters, "WHEELS", context),
            say=feedback.pushInfo,
            progress=progress,
            cancelled=feedback.isCanceled,
        )
        answer = f"{version} in {environment_python(home)}"
        feedback.pushInfo(answer)
        return {
            "ANSWER": answer,
            "PYTHON_OF_SITING": str(environment_python(home)),
            "WARNINGS": 0,
        }


#: In the order of the work.
ALGORITHMS = (
    InstallSiting,
    NewProperty,
    CheckProperty,
    SunAndShade,
    NeedScore,
    PlanSensors,
    HandOff,
    Commission,
)
