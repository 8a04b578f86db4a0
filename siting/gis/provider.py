# SPDX-License-Identifier: GPL-2.0-or-later
"""The Processing provider: its name, its one setting, its algorithms."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from processing.core.ProcessingConfig import ProcessingConfig, Setting
from qgis.core import QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithms import ALGORITHMS
from .base import PYTHON_SETTING

__all__ = ["SitingProvider"]


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
