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
    """One step of siting. Subclasses say which, and what is loaded of its results."""

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
        """Declare parameters and outputs.

        Parameters
        ----------
        _configuration : dict or None
            Not used.
        """
        if self.needs_property:
            add_inputs(self)
        self._add_parameters()
        if self.needs_folder:
            self.addParameter(
                QgsProcessingParameterFolderDestination("OUTPUT", "Folder of the results")
            )
        self.addOutput(QgsProcessingOutputString("ANSWER", "Answer"))
        self.addOutput(QgsProcessingOutputNumber("WARNINGS", "Number of notes"))

    def _add_parameters(self) -> None:
        """Declare what this step asks for besides."""

    def processAlgorithm(
        self,
        parameters: _Parameters,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
    ) -> _Parameters:
        """Run the step; every error becomes a message.

        Parameters
        ----------
        parameters : dict
            As the GIS gives them.
        context : QgsProcessingContext
            Of the run.
        feedback : QgsProcessingFeedback
            Where progress goes and cancelling comes from.

        Returns
        -------
        dict
            The outputs.

        Raises
        ------
        QgsProcessingException
            When siting is missing, refuses the input or was cancelled.
        """
        try:
            python, version = find_python(str(ProcessingConfig.getSetting(PYTHON_SETTING) or ""))
            feedback.pushInfo(f"{version} in {python}")
            return self._work(parameters, context, feedback, python)
        except (LibraryMissingError, RunFailedError, OSError) as error:
            raise QgsProcessingException(str(error)) from error

    def _work(
        self,
        parameters: _Parameters,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
        python: str,
    ) -> _Parameters:
        """Do the step and return its outputs."""
        raise NotImplementedError

    def _folder(self, parameters: _Parameters, context: QgsProcessingContext) -> Path:
        """Return the folder of the results."""
        return Path(self.parameterAsFileOutput(parameters, "OUTPUT", context)).absolute()

    def _write_property(
        self, parameters: _Parameters, context: QgsProcessingContext, python: str, folder: Path
    ) -> Path:
        """Write what was chosen into a folder, ready for siting."""
        return write_inputs(self, parameters, context, python=python, folder=folder)

    def _text(self, python: str, words: list[str], feedback: QgsProcessingFeedback) -> str:
        """Run a command of siting and return what it prints."""

        def progress(stage: str, done: int, total: int) -> None:
            feedback.setProgressText(stage)
            feedback.setProgress(100.0 * done / max(total, 1))

        command = [python, "-m", "siting.cli", *words]
        feedback.pushDebugInfo(" ".join(command))
        return run(command, say=feedback.pushInfo, progress=progress, cancelled=feedback.isCanceled)

    def _call(self, python: str, words: list[str], feedback: QgsProcessingFeedback) -> _Parameters:
        """Run a command of siting that answers in JSON, and return the answer."""
        answer: _Parameters = json.loads(self._text(python, words, feedback))
        for note in answer["warnings"]:
            feedback.pushInfo(f"note: {note}")
        return answer
