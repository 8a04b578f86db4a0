"""The desktop GIS plug-in as an installable zip. The plug-in itself is never imported here."""

from __future__ import annotations

import io
import re
import zipfile
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

import click

from siting import __version__
from siting.errors import SitingError

__all__ = ["plugin_zip", "register"]

#: Folder of the plug-in in the GIS; not `siting`, so that nothing there hides the library.
FOLDER: Final = "siting_gis"
#: The oldest date that a zip can hold: the same files give the same bytes.
_DATE: Final = (1980, 1, 1, 0, 0, 0)
_KINDS: Final = (".py", ".txt", ".svg")


def register(main: click.Group) -> None:
    """Add the command."""
    main.add_command(_gis_plugin)


def plugin_zip() -> bytes:
    """Return the plug-in as a zip that the GIS installs.

    Result: the same for the same version of siting on every machine: fixed dates and order, and
    stored, since compressors differ.
    """
    source = resources.files("siting").joinpath("gis")
    kept = sorted((item for item in source.iterdir() if _belongs(item)), key=lambda item: item.name)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for item in kept:
            entry = zipfile.ZipInfo(f"{FOLDER}/{item.name}", _DATE)
            entry.external_attr = 0o100644 << 16
            entry.create_system = 3
            archive.writestr(entry, _content(item))
    return buffer.getvalue()


def _belongs(item: Traversable) -> bool:
    """Tell whether a file is part of the plug-in."""
    return item.is_file() and (item.name == "LICENSE" or item.name.endswith(_KINDS))


def _content(item: Traversable) -> bytes:
    """Return a file's bytes; the plug-in has the library's version."""
    text = item.read_text(encoding="utf-8")
    if item.name == "metadata.txt":
        text = re.sub(r"(?m)^version=.*$", f"version={__version__}", text)
    return text.encode("utf-8")


@click.command("gis-plugin")
@click.option(
    "--out",
    "file",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The zip to write, such as siting_gis.zip.",
)
def _gis_plugin(file: Path) -> None:
    """Write the desktop GIS plug-in as a zip: Plugins > Manage > Install from ZIP.

    The plug-in is licensed under the GPL 2 or later, like the GIS; siting itself is not.

    \b
    Example
      siting gis-plugin --out siting_gis.zip
    """
    from siting.atomic import write_bytes

    try:
        write_bytes(file, plugin_zip())
    except OSError as error:
        message = f"cannot write {file}: {error.strerror or error}"
        raise SitingError(message) from error
    click.echo(file.resolve())
    click.echo(
        "Install it in the GIS, then name the Python that has siting under "
        "Settings > Options > Processing > Providers > Siting."
    )
