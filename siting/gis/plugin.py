# SPDX-License-Identifier: GPL-2.0-or-later
"""The plug-in as the GIS knows it: it adds one Processing provider, and takes it away again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QCoreApplication, QTranslator

from .provider import SitingProvider

__all__ = ["SitingPlugin"]


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


def _translator() -> Any:  # noqa: ANN401 - of the GIS
    """Switch on siting_LANGUAGE.qm of the folder i18n, where it is there for the GIS's language."""
    language = str(QgsApplication.locale())[:2]
    file = Path(__file__).with_name("i18n") / f"siting_{language}.qm"
    translator = QTranslator()
    if not (file.exists() and translator.load(str(file))):
        return None
    QCoreApplication.installTranslator(translator)
    return translator
