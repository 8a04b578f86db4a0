"""Write everything that is handed over into one folder, whole or not at all."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import pyogrio.errors

from siting.errors import SitingError
from siting.handoff.cad import write_dxf
from siting.handoff.gisfiles import write_gis
from siting.handoff.planjson import write_json
from siting.handoff.readingsheet import write_readings
from siting.handoff.results import new_results, results_lock
from siting.handoff.sheets import write_sheets
from siting.handoff.webmap import write_map
from siting.planning import Plan, input_files

__all__ = ["NAMES", "write_bundle"]

#: What is always written.
NAMES: Final = (
    "crew.pdf", "dryness.tif", "map.html", "plan.gpkg", "plan.json", "rank.tif",
    "readings-cans.csv", "readings-zones.csv", "readings.csv", "readings.xlsx",
    "sensors.csv", "sensors.geojson", "sensors.gpx", "sensors.kml", "sun-hours.tif",
)  # fmt: skip


def write_bundle(
    plan: Plan,
    folder: Path,
    *,
    online_map: bool = False,
    dxf: bool = False,
    source: Path | None = None,
    more: Callable[[Path], None] | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Path, ...]:
    """Write plan.json, map.html, crew.pdf, the GIS and GPS files and the readings sheet of a plan.

    Everything is first written to a temporary sibling of the folder; only when all of it is there
    do the new results take the place of the old, in one step (see `siting.handoff.results`), so a
    failure or a crash leaves earlier results as they were.

    Parameters
    ----------
    plan : Plan
        What to hand over.
    folder : Path
        Made if need be. Files that an earlier run wrote are replaced (those that were changed since
        are kept aside), all others are left alone.
    online_map : bool
        Also write map-online.html, which fetches a base map from the network when it is opened.
    dxf : bool
        Also write plan.dxf; needs the extra `dxf`.
    source : Path, optional
        The property file, or its folder, for ``source.json``.
    more : callable, optional
        Writes further files into the folder that it is given; they appear together with the rest.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    tuple of Path
        The files written, without ``source.json``.

    Raises
    ------
    SitingError
        When the folder cannot be written, a file in it that is not ours would be replaced, or
        another run is writing to it.
    """
    report = progress or (lambda *_: None)
    target = Path(folder)
    with (
        results_lock(target),
        _in_words(target),
        new_results(target, source=source, inputs=input_files(plan.settings, plan.site)) as scratch,
    ):
        report("Writing map", 0, 4)
        write_map(plan, scratch / "map.html")
        if online_map:
            write_map(plan, scratch / "map-online.html", online=True)
        report("Writing crew sheet", 1, 4)
        write_sheets(plan, scratch / "crew.pdf")
        report("Writing GIS and GPS files", 2, 4)
        write_gis(plan, scratch)
        write_readings(plan, scratch)
        if dxf:
            write_dxf(plan, scratch / "plan.dxf")
        report("Writing plan.json", 3, 4)
        write_json(plan, scratch / "plan.json")
        if more is not None:
            more(scratch)
        names = sorted(path.name for path in scratch.iterdir() if path.is_file())
    report("Done", 4, 4)
    return tuple(target / name for name in names)


@contextlib.contextmanager
def _in_words(folder: Path) -> Iterator[None]:
    """Turn what writing fails with into one error in words."""
    try:
        yield
    except (
        OSError,
        sqlite3.Error,
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
    ) as error:
        raise SitingError(_cannot_write(folder, error)) from error


def _cannot_write(folder: Path, error: Exception) -> str:
    """Return what went wrong with the folder, in words."""
    reason = getattr(error, "strerror", None) or error
    return f"cannot write to {folder}: {reason}. Earlier results are untouched."
