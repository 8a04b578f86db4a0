# SPDX-License-Identifier: GPL-2.0-or-later
"""What the algorithms share: find siting, write its input, run it, pass progress and cancel on."""

from __future__ import annotations

import html
import json
from pathlib import Path
from typing import Any

from processing.core.ProcessingConfig import ProcessingConfig
from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterFolderDestination,
)
from qgis.PyQt.QtGui import QIcon

from .inputs import add_inputs, write_inputs
from .runner import LibraryMissingError, RunFailedError, find_python, run

__all__ = ["PYTHON_SETTING", "SitingAlgorithm"]

PYTHON_SETTING = "SITING_PYTHON"
_Parameters = dict[str, Any]
_INPUTS = (
    "Layers that are chosen take the place of the whole drawing of the property file; without any, "
    "its own drawing is used. Weather, height, name and units, where given, go before the property "
    "file's. Property line, hydrozones and weather are needed, from either."
)


class SitingAlgorithm(QgsProcessingAlgorithm):
    """One step of siting. Subclasses say which, and what is loaded of its results.

    step, title, help: name for scripts, name in the toolbox, and the help beside the dialogue;
    needs_property, needs_folder: whether it asks for a property, and for a folder of the results.
    """

    #: Name, title and help of the algorithm, and whether it asks for a property and a folder.
    step = ""
    title = ""
    help = ""
    needs_property = True
    needs_folder = True

    def name(self) -> str:
        """Return the name for scripts."""
        return self.step

    def displayName(self) -> str:
        """Return the name in the toolbox."""
        return self.title

    def shortHelpString(self) -> str:
        """Return the help beside the dialogue."""
        told = f"{self.help}\n\n{_INPUTS}" if self.needs_property else self.help
        return html.escape(told, quote=False).replace("\n", "<br>")

    def icon(self) -> Any:  # noqa: ANN401 - of the GIS
        """Return the icon."""
        return QIcon(str(Path(__file__).with_name("icon.svg")))

    def createInstance(self) -> SitingAlgorithm:
        """Return a fresh one; the GIS runs that."""
        return type(self)()

    def initAlgorithm(self, _configuration: Any = None) -> None:  # noqa: ANN401 - of the GIS
        """Declare parameters and outputs."""
        if self.needs_property:
            add_inputs(self)
        self.add_parameters()
        if self.needs_folder:
            self.addParameter(
                QgsProcessingParameterFolderDestination("OUTPUT", "Folder of the results")
            )
        self.addOutput(QgsProcessingOutputString("ANSWER", "Answer"))
        self.addOutput(QgsProcessingOutputNumber("WARNINGS", "Number of notes"))

    def add_parameters(self) -> None:
        """Declare what this step asks for besides."""

    def processAlgorithm(
        self,
        parameters: _Parameters,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
    ) -> _Parameters:
        """Run the step; every error becomes a message.

        Result: outputs of the step.
        """
        try:
            python, version = find_python(str(ProcessingConfig.getSetting(PYTHON_SETTING) or ""))
            feedback.pushInfo(f"{version} in {python}")
            return self.work(parameters, context, feedback, python)
        except (LibraryMissingError, RunFailedError, OSError) as error:
            raise QgsProcessingException(str(error)) from error

    def work(
        self,
        parameters: _Parameters,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
        python: str,
    ) -> _Parameters:
        """Do the step and return its outputs."""
        raise NotImplementedError

    def folder(self, parameters: _Parameters, context: QgsProcessingContext) -> Path:
        """Return the folder of the results."""
        return Path(self.parameterAsFileOutput(parameters, "OUTPUT", context)).absolute()

    def write_property(
        self, parameters: _Parameters, context: QgsProcessingContext, python: str, folder: Path
    ) -> Path:
        """Write what was chosen into a folder, ready for siting."""
        return write_inputs(self, parameters, context, python=python, folder=folder)

    def text(self, python: str, words: list[str], feedback: QgsProcessingFeedback) -> str:
        """Run a command of siting and return what it prints.

        Result: its output, without the error stream.
        """

        def progress(stage: str, done: int, total: int) -> None:
            feedback.setProgressText(stage)
            feedback.setProgress(100.0 * done / max(total, 1))

        command = [python, "-m", "siting.cli", *words]
        feedback.pushDebugInfo(" ".join(command))
        return run(command, say=feedback.pushInfo, progress=progress, cancelled=feedback.isCanceled)

    def call(self, python: str, words: list[str], feedback: QgsProcessingFeedback) -> _Parameters:
        """Run a command of siting that answers in JSON, and pass its notes on."""
        answer: _Parameters = json.loads(self.text(python, words, feedback))
        for note in answer["warnings"]:
            feedback.pushInfo(f"note: {note}")
        return answer

    def listing(self, python: str, feedback: QgsProcessingFeedback) -> str:
        """Return the commands of this siting.

        Result: what ``siting --help`` prints.
        """
        return self.text(python, ["--help"], feedback)
