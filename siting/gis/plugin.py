# SPDX-License-Identifier: GPL-2.0-or-later
"""The plug-in as the GIS knows it: it adds one Processing provider, and takes it away again."""

from __future__ import annotations

from typing import Any

from qgis.core import QgsApplication

from .provider import SitingProvider

__all__ = ["SitingPlugin"]


class SitingPlugin:
    """Adds the provider when the plug-in is switched on.

    iface: the main window, not used, so that the plug-in also runs without one.
    """

    def __init__(self, iface: Any) -> None:  # noqa: ANN401 - of the GIS
        self.iface = iface
        self.provider: SitingProvider | None = None

    def initProcessing(self) -> None:
        """Add the provider; the command-line runner of the GIS calls this alone."""
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
