"""What other packages add, on the command line: list it, and run exporters."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from siting._cli_shared import echo_json, json_option
from siting.atomic import written_files
from siting.errors import SitingError
from siting.extensions import (
    GROUPS,
    Extension,
    ExtensionError,
    find_extension,
    list_extensions,
)

if TYPE_CHECKING:
    from siting.planning import Plan

__all__ = ["Exports", "check_exporters", "export_option", "register"]


def register(main: click.Group) -> None:
    """Add the command."""
    main.add_command(_extensions)


@click.command("extensions")
@json_option
def _extensions(as_json: bool) -> None:
    """List the readers, factors and exporters that other installed packages bring.

    \b
    Example
      siting extensions --json
    """
    rows = [_row(extension) for group in GROUPS for extension in list_extensions(group).values()]
    if as_json:
        echo_json({"ok": True, "extensions": rows})
        return
    for row in rows:
        state = "" if row["works"] else f"  BROKEN: {row['error']}"
        click.echo(f"{row['kind']:<9} {row['name']:<24} {row['package']} {row['version']}{state}")
    if not rows:
        click.echo("no installed package brings any")


def _row(extension: Extension) -> dict[str, Any]:
    """Return what there is to say of an extension; loading shows whether it works."""
    error = ""
    try:
        extension.load()
    except ExtensionError as problem:
        error = str(problem)
    return {
        "kind": GROUPS[extension.group],
        "name": extension.name,
        "package": extension.package,
        "version": extension.version,
        "works": not error,
        "error": error,
    }


def check_exporters(names: Sequence[str]) -> tuple[Extension, ...]:
    """Return the exporters that were asked for, before anything is computed.

    Result: in the same order.
    """
    found = []
    for name in dict.fromkeys(names):
        extension = find_extension("siting.exporters", name)
        if extension is None:
            known = ", ".join(list_extensions("siting.exporters")) or "none is installed"
            msg = f"no installed package brings the exporter {name!r}; there is: {known}"
            raise click.BadParameter(msg, param_hint="--export")
        found.append(extension)
    return tuple(found)


export_option = click.option(
    "--export",
    "exporters",
    multiple=True,
    metavar="NAME",
    callback=lambda _ctx, _parameter, names: check_exporters(names),
    help="Also run an exporter of an installed package; may be given several times.",
)


class Exports:
    """What exporters add to a folder of results; one that fails leaves only a warning behind.

    exporters: from `check_exporters`; plan: what to export; folder: the folder of results, no
    exporter may replace what is not ours there.
    """

    def __init__(self, exporters: Iterable[Extension], plan: Plan, folder: Path) -> None:
        self._exporters, self._plan, self._folder = tuple(exporters), plan, folder
        #: What failed, and why.
        self.warnings: tuple[str, ...] = ()

    def write(self, scratch: Path) -> None:
        """Run them."""
        ours = written_files(self._folder)
        there = self._folder.iterdir() if self._folder.is_dir() else ()
        foreign = {path.name for path in there if path.name not in ours}
        for extension in self._exporters:
            taken = {path.name for path in scratch.iterdir()} | foreign
            try:
                _export(extension, self._plan, scratch, taken)
            except SitingError as error:
                self.warnings += (f"not exported: {error}",)
            except OSError as error:
                self.warnings += (f"not exported: {extension}: {error.strerror or error}",)


def _export(extension: Extension, plan: Plan, folder: Path, taken: set[str]) -> list[Path]:
    """Run one exporter in a folder of its own, and move what it wrote into place."""
    with tempfile.TemporaryDirectory(prefix=".siting-", dir=folder) as scratch:
        extension.call(plan, Path(scratch))
        files = sorted(path for path in Path(scratch).iterdir() if path.is_file())
        clash = sorted(path.name for path in files if path.name in taken)
        if clash or not files:
            what = f"would replace {', '.join(clash)}" if clash else "wrote no file"
            msg = f"{extension} {what}"
            raise ExtensionError(msg)
        return [Path(shutil.move(path, folder / path.name)) for path in files]
