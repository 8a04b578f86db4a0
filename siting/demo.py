"""The bundled demo properties: invented landscapes that show what the tool does."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from siting.errors import SitingError

__all__ = ["DEMOS", "demo_property"]

DEMOS: Final = {
    "campus": "a mixed campus-like landscape of 1.5 ha, where several sensors pay",
    "yard": "a small yard in the southern hemisphere, where one sensor is enough",
    "fields": "sports grounds of 3.3 ha with four fields, a stand and a row of poplars",
    "court": "a courtyard that its own roofs shade, with a lawn on the street",
}


def demo_property(name: str = "campus") -> Path:
    """Return the property file of a bundled demo.

    Parameters
    ----------
    name : str
        One of `DEMOS`.

    Returns
    -------
    Path
        The property file, in the installed package or in a checkout's ``data`` folder.

    Raises
    ------
    SitingError
        When there is no such demo, or the installation lacks it.
    """
    if name not in DEMOS:
        msg = f"no demo is called {name!r}; there are {', '.join(DEMOS)}"
        raise SitingError(msg)
    package = Path(__file__).parent
    for folder in (package / "_demo" / name, package.parent / "data" / name):
        if (folder / "property.toml").is_file():
            return folder / "property.toml"
    msg = f"this installation of siting lacks its demo {name!r}; install it again"
    raise SitingError(msg)
