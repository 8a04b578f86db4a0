"""What other packages add: readers of weather, factors of water need, exporters of plans.

A package names a function under one of three groups of entry points, and siting finds it once the
package is installed. Nothing is loaded until it is asked for by name, and nothing of a plan changes
because a package happens to be there:

``siting.readers``
    ``reader(path, options) -> DataFrame``: daily weather with the columns of siting's own daily
    file (date, tmin_c, tmax_c, rain_mm ...), checked as that file is. Asked for by
    ``format = "name"`` under ``[weather]``. `options` is a `siting.climate.model.WeatherOptions`.
``siting.factors``
    ``factor(site, **options) -> Series``: by hydrozone, what its demand for water is multiplied by,
    0.2 to 5. Asked for by a line ``name = true`` or ``name = { option = value }`` under
    ``[factors]``. `site` is a `siting.site.model.Site`.
``siting.exporters``
    ``exporter(plan, folder) -> iterable of Path``: files written into `folder`. Asked for by
    ``siting plan ... --export name``. `plan` is a `siting.planning.model.Plan`.

A factor or an exporter that fails is left out, and a warning says so; the plan does not depend on
third parties. Without the reader of its weather no plan can be made: that is a refusal.
"""

from __future__ import annotations

import functools
import importlib.metadata
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

from siting.errors import SitingError

GroupName = Literal["siting.readers", "siting.factors", "siting.exporters"]
#: Group of entry points -> what its members are called.
GROUPS: Final[dict[GroupName, str]] = {
    "siting.readers": "reader",
    "siting.factors": "factor",
    "siting.exporters": "exporter",
}


class ExtensionError(SitingError):
    """A function of another package could not be loaded, or failed."""


@dataclass(frozen=True)
class Extension:
    """A function that another package brings.

    group: one of `GROUPS`; name: as it is asked for; package, version: who brings it; entry: where
    it is.
    """

    group: GroupName
    name: str
    package: str
    version: str
    entry: importlib.metadata.EntryPoint

    def __str__(self) -> str:
        """Return what it is called in messages."""
        return f"{GROUPS[self.group]} {self.name} (package {self.package} {self.version})"

    def load(self) -> Callable[..., Any]:
        """Import the function."""
        try:
            function = self.entry.load()
        except Exception as error:
            raise ExtensionError(_words(self, "cannot be loaded", error)) from error
        if not callable(function):
            msg = f"{self} is not a function"
            raise ExtensionError(msg)
        return function  # type: ignore[no-any-return]

    def call(self, *values: object, **options: object) -> Any:  # noqa: ANN401 - third parties' own
        """Import the function and call it."""
        function = self.load()
        try:
            return function(*values, **options)
        except SitingError:
            raise
        except Exception as error:
            raise ExtensionError(_words(self, "failed", error)) from error


def _words(extension: Extension, what: str, error: Exception) -> str:
    """Return what happened, on one line."""
    return f"{extension} {what}: {type(error).__name__}: {' '.join(str(error).split())}"


def list_extensions(group: GroupName) -> dict[str, Extension]:
    """Return what is installed, without loading any of it.

    Result: by name, sorted. Where two packages bring the same name, the first by package name
    counts.
    """
    return dict(_listed(group, tuple(sys.path)))


@functools.lru_cache(maxsize=8)
def _listed(group: GroupName, _path: tuple[str, ...]) -> dict[str, Extension]:
    """Return what is installed on a search path; asking every package for it takes 30 ms."""
    found: dict[str, Extension] = {}
    entries = [
        Extension(group, entry.name, entry.dist.name, entry.dist.version, entry)
        for entry in importlib.metadata.entry_points(group=group)
        if entry.dist is not None
    ]
    for extension in sorted(entries, key=lambda e: (e.name, e.package)):
        found.setdefault(extension.name, extension)
    return found


def find_extension(group: GroupName, name: str) -> Extension | None:
    """Return an installed extension by its name; None when no package brings it."""
    return list_extensions(group).get(name)
