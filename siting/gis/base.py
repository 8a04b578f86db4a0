# SPDX-License-Identifier: GPL-2.0-or-later
"""What the algorithms share: find siting, write its input, run it, pass progress and cancel on."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path
from typing import Any

from processing.core.ProcessingConfig import ProcessingConfig
from qgis.core import (
    QgsApplication,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterFolderDestination,
)
from qgis.PyQt.QtCore import QCoreApplication
from qgis.PyQt.QtGui import QIcon

from .inputs import LAYERS, add_inputs, write_inputs
from .runner import LibraryMissingError, RunFailedError, environment_python, find_python, run

__all__ = ["PYTHON_SETTING", "SitingAlgorithm", "Words", "own_environment", "tr"]

PYTHON_SETTING = "SITING_PYTHON"
_Parameters = dict[str, Any]
#: What an algorithm is searched by.
Words = tuple[str, ...]
_INPUTS = (
    "Layers that are chosen take the place of the whole drawing of the property file; without any, "
    "its own drawing is used. Weather, height, name and units, where given, go before the property "
    "file's. Property line, hydrozones and weather are needed, from either."
)
_NOTHING = "Choose a property file, or at least the property line and the hydrozones."


def tr(text: str) -> str:
    """Return a text in the language of the GIS, where the plug-in has it."""
    return str(QCoreApplication.translate("Siting", text))


def own_environment() -> Path:
    """Return where *Install siting* puts siting's Python: in the GIS's profile."""
    return Path(QgsApplication.qgisSettingsDirPath()) / "siting-env"


def home_page() -> str:
    """Return the project's address; it stands once, in metadata.txt."""
    text = Path(__file__).with_name("metadata.txt").read_text(encoding="utf-8")
    found = re.search(r"(?m)^homepage=(.*)$", text)
    return found[1].strip() if found else ""


class SitingAlgorithm(QgsProcessingAlgorithm):
    """One step of siting. Subclasses say which, and what is loaded of its results.

    step, title, brief, help: name for scripts, name in the toolbox, one line and the help beside
    the dialogue; part: the group in the toolbox; words: what it is searched by; needs_property,
    needs_folder, needs_siting: whether it asks for a property, for a folder of the results, and for
    a Python that has siting.
    """

    step = ""
    title = ""
    brief = ""
    help = ""
    part = ("plan", "Plan")
    words: Words = ()
    needs_property = True
    needs_folder = True
    needs_siting = True

    def name(self) -> str:
        """Return the name for scripts."""
        return self.step

    def displayName(self) -> str:
        """Return the name in the toolbox."""
        return tr(self.title)

    def group(self) -> str:
        """Return the group in the toolbox."""
        return tr(self.part[1])

    def groupId(self) -> str:
        """Return the name of the group for scripts."""
        return self.part[0]

    def tags(self) -> list[str]:
        """Return what it is searched by."""
        return [tr(word) for word in ("irrigation", "soil moisture", "sensor", *self.words)]

    def shortDescription(self) -> str:
        """Return one line on what it does."""
        return tr(self.brief)

    def helpUrl(self) -> str:
        """Return where the documentation is."""
        home = home_page()
        return f"{home}/blob/main/siting/docs/pages/desktop.md" if home else ""

    def shortHelpString(self) -> str:
        """Return the help beside the dialogue: what it does, then every input."""
        told = [tr(self.help), *([tr(_INPUTS)] if self.needs_property else [])]
        parts = [f"<p>{_markup(text)}</p>" for text in told]
        asked = [one for one in self.parameterDefinitions() if one.help()]
        rows = [
            f"<li><b>{_markup(one.description())}</b>: {_markup(one.help())}</li>" for one in asked
        ]
        if rows:
            parts.append(f"<p><b>{_markup(tr('Inputs'))}</b></p><ul>{''.join(rows)}</ul>")
        return "".join(parts)

    def icon(self) -> Any:  # noqa: ANN401 - of the GIS
        """Return the icon."""
        return QIcon(str(Path(__file__).with_name("icon.svg")))

    def createInstance(self) -> SitingAlgorithm:
        """Return a fresh one; the GIS runs that."""
        return type(self)()

    def initAlgorithm(self, _configuration: Any = None) -> None:  # noqa: ANN401 - of the GIS
        """Declare parameters and outputs."""
        if self.needs_property:
            add_inputs(self, tr)
        self.add_parameters()
        if self.needs_folder:
            self.ask(
                QgsProcessingParameterFolderDestination("OUTPUT", tr("Folder of the results")),
                "Made if need be. Files that an earlier run wrote are replaced, all others stay.",
            )
        self.addOutput(QgsProcessingOutputString("ANSWER", tr("Answer")))
        self.addOutput(QgsProcessingOutputNumber("WARNINGS", tr("Number of notes")))

    def add_parameters(self) -> None:
        """Declare what this step asks for besides."""

    def ask(self, parameter: QgsProcessingParameterDefinition, says: str) -> None:
        """Add a parameter with its help."""
        parameter.setHelp(tr(says))
        self.addParameter(parameter)

    def checkParameterValues(
        self, parameters: _Parameters, context: QgsProcessingContext
    ) -> tuple[bool, str]:
        """Say before the run what is missing."""
        names = ("PROPERTY", *(layer.name.upper() for layer in LAYERS))
        if self.needs_property and not any(parameters.get(name) for name in names):
            return False, tr(_NOTHING)
        sound: tuple[bool, str] = super().checkParameterValues(parameters, context)
        return sound

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
            if not self.needs_siting:
                return self.work(parameters, context, feedback, "")
            named = str(ProcessingConfig.getSetting(PYTHON_SETTING) or "")
            python, version = find_python(named, str(environment_python(own_environment())))
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

    def call(self, python: str, words: list[str], feedback: QgsProcessingFeedback) -> _Parameters:
        """Run a command of siting that answers in JSON, and pass its notes on."""

        def progress(stage: str, done: int, total: int) -> None:
            feedback.setProgressText(stage)
            feedback.setProgress(100.0 * done / max(total, 1))

        command = [python, "-m", "siting.cli", *words]
        feedback.pushDebugInfo(" ".join(command))
        said = run(command, say=feedback.pushInfo, progress=progress, cancelled=feedback.isCanceled)
        answer: _Parameters = json.loads(said)
        for note in answer.get("warnings", ()):
            feedback.pushInfo(f"note: {note}")
        return answer


def _markup(text: str) -> str:
    """Return plain text as HTML."""
    return html.escape(text, quote=False).replace("\n", "<br>")
