"""The files of the hand-off, one row each: who writes them, and what asks for them."""

from __future__ import annotations

import pkgutil
import re
from collections.abc import Callable, Collection
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from siting.errors import SitingError

if TYPE_CHECKING:
    from siting.planning.model import Plan


class Format(NamedTuple):
    """One output format.

    names: files that it writes; stage: what is told meanwhile; writer: function of a plan and of
    where its file (or, of several, their folder) lies, as module:name, imported when it is used;
    option: its word on the command line and in `write_bundle`, empty for what is always written;
    says: what that option adds; needs, extra: a module of an extra that it takes, and that extra.
    """

    names: tuple[str, ...]
    stage: str
    writer: str
    option: str = ""
    says: str = ""
    needs: str = ""
    extra: str = ""

    def write(self, plan: Plan, folder: Path) -> None:
        """Write its files into a folder."""
        writer: Callable[[Plan, Path], object] = pkgutil.resolve_name(self.writer)
        writer(plan, folder / self.names[0] if len(self.names) == 1 else folder)


_MAP: Final = "Writing map"
_PAPER: Final = "Writing crew sheet"
_GIS: Final = "Writing GIS and GPS files"
FORMATS: Final = (
    Format(("map.html",), _MAP, "siting.handoff.webmap:write_map"),
    Format(
        ("map-online.html",),
        _MAP,
        "siting.handoff.webmap:write_online_map",
        "online_map",
        "Also write map-online.html, whose background comes from the network when it is opened: "
        "the servers of the tiles then learn where the property is.",
    ),
    Format(("crew.pdf",), _PAPER, "siting.handoff.crewsheets:write_crew_sheets"),
    Format(("owner.pdf",), _PAPER, "siting.handoff.sheets:write_owner"),
    Format(("office.pdf",), _PAPER, "siting.handoff.sheets:write_office"),
    Format(
        ("sheets.pdf",),
        _PAPER,
        "siting.handoff.sheets:write_sheets",
        "sheets",
        "Also write sheets.pdf: the crew's, the office's and the owner's pages in one file.",
    ),
    Format(
        ("plan.gpkg", "sensors.geojson", "sensors.gpx", "sensors.kml", "sensors.csv",
         "dryness.tif", "rank.tif", "sun-hours.tif"),
        _GIS,
        "siting.handoff.gisfiles:write_gis",
    ),
    Format(
        ("readings.csv", "readings-zones.csv", "readings-cans.csv", "readings.xlsx"),
        _GIS,
        "siting.handoff.readingsheet:write_readings",
    ),
    Format(
        ("plan.dxf",),
        _GIS,
        "siting.handoff.gisfiles:write_dxf",
        "dxf",
        'Also write plan.dxf for drawing programs (needs "siting[dxf]").',
        "ezdxf",
        "dxf",
    ),
    Format(("plan.json",), "Writing plan.json", "siting.handoff.document:write_json"),
)  # fmt: skip


def formats(also: Collection[str] = ()) -> list[Format]:
    """Return the formats to write: those that always are, and those asked for by their option.

    Asked before anything is computed: what an option needs and is not installed is an error here.
    """
    unknown = set(also) - {form.option for form in FORMATS}
    if unknown:
        msg = f"no output format is asked for by {', '.join(sorted(unknown))}"
        raise SitingError(msg)
    wanted = [form for form in FORMATS if not form.option or form.option in also]
    for form in wanted:
        if form.needs and find_spec(form.needs) is None:
            file = ", ".join(form.names)
            msg = f'{file} needs {form.needs}: pip install "siting[{form.extra}]"'
            raise SitingError(msg)
    return wanted


#: What is always written.
NAMES: Final = tuple(sorted(name for form in FORMATS if not form.option for name in form.names))
_ASKED: Final = frozenset(name for form in FORMATS if form.option for name in form.names)
#: The crew's sheets of one controller, which large sites alone have.
_OF_A_CONTROLLER: Final = re.compile(r"crew-\d{3,}-.*\.pdf")


def is_passing(name: str) -> bool:
    """Tell whether a result is written by some runs only: an older one must not stay beside newer.

    >>> is_passing("plan.dxf"), is_passing("crew-001-North.pdf"), is_passing("crew.pdf")
    (True, True, False)
    """
    return name in _ASKED or _OF_A_CONTROLLER.fullmatch(name) is not None
