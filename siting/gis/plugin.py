# SPDX-License-Identifier: GPL-2.0-or-later
"""The plug-in as the GIS knows it: a Processing provider and its algorithms, added and removed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from processing.core.ProcessingConfig import ProcessingConfig, Setting
from qgis.core import QgsApplication, QgsProcessingProvider
from qgis.PyQt.QtCore import QCoreApplication, QTranslator
from qgis.PyQt.QtGui import QIcon

from .algorithms import ALGORITHMS
from .base import PYTHON_SETTING

__all__ = ["SitingPlugin", "SitingProvider"]


class SitingPlugin:
    """Adds the provider when the plug-in is switched on.

    iface: the main window, not used, so that the plug-in also runs without one.
    """

    def __init__(self, iface: Any) -> None:  # noqa: ANN401 - of the GIS
        self.iface = iface
        self.provider: SitingProvider | None = None
        self.translator: Any = None

    def initProcessing(self) -> None:
        """Add the provider; the command-line runner of the GIS calls this alone."""
        self.translator = _translator()
        self.provider = SitingProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self) -> None:
        """Add the provider; the desktop calls this."""
        self.initProcessing()

    def unload(self) -> None:
        """Take the provider away."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
        if self.translator is not None:
            QCoreApplication.removeTranslator(self.translator)
            self.translator = None


class SitingProvider(QgsProcessingProvider):
    """Soil-moisture sensor siting."""

    def id(self) -> str:
        """Return the prefix of every algorithm."""
        return "siting"

    def name(self) -> str:
        """Return the name in the toolbox."""
        return "Siting"

    def longName(self) -> str:
        """Return the name where there is room."""
        return "Siting: where to bury soil-moisture sensors"

    def icon(self) -> Any:  # noqa: ANN401 - of the GIS
        """Return the icon."""
        return QIcon(str(Path(__file__).with_name("icon.svg")))

    def load(self) -> bool:
        """Add the setting and the algorithms."""
        ProcessingConfig.settingIcons[self.name()] = self.icon()
        ProcessingConfig.addSetting(
            Setting(
                self.name(),
                PYTHON_SETTING,
                "Python that has siting",
                "",
                valuetype=Setting.FILE,
                placeholder="e.g. ~/siting-env/bin/python",
            )
        )
        ProcessingConfig.readSettings()
        self.refreshAlgorithms()
        return True

    def unload(self) -> None:
        """Take the setting away."""
        ProcessingConfig.removeSetting(PYTHON_SETTING)

    def loadAlgorithms(self) -> None:
        """Add every algorithm."""
        for algorithm in ALGORITHMS:
            self.addAlgorithm(algorithm())


def _translator() -> Any:  # noqa: ANN401 - of the GIS
    """Switch on siting_LANGUAGE.qm of the folder i18n, where it is there for the GIS's language."""
    language = str(QgsApplication.locale())[:2]
    file = Path(__file__).with_name("i18n") / f"siting_{language}.qm"
    translator = QTranslator()
    if not (file.exists() and translator.load(str(file))):
        return None
    QCoreApplication.installTranslator(translator)
    return translator
