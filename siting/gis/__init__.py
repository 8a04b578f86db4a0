# SPDX-License-Identifier: GPL-2.0-or-later
"""The desktop GIS plug-in: a Processing provider that runs siting in siting's own Python.

This folder is a program of its own under the licence beside it. siting never imports it, and it
never imports siting: it writes files, runs the command line as a separate process and loads what
that wrote. ``siting gis-plugin --out FILE.zip`` packs it for the GIS.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .plugin import SitingPlugin

__all__ = ["classFactory"]


def classFactory(iface: Any) -> SitingPlugin:  # noqa: ANN401 - the GIS's own name and type
    """Return the plug-in; the GIS calls this.

    iface: the main window, None where there is none. Result: the plug-in, not yet started.
    """
    from .plugin import SitingPlugin  # noqa: PLC0415 - only the GIS has what it needs

    return SitingPlugin(iface)
