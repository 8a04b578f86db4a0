"""Write everything that is handed over into one folder, whole or not at all."""

from __future__ import annotations

import contextlib
import hashlib
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import pyogrio.errors

from siting.errors import SitingError
from siting.handoff.cad import write_dxf
from siting.handoff.gisfiles import write_gis
from siting.handoff.planjson import write_json
from siting.handoff.readingsheet import is_filled, write_readings
from siting.handoff.results import new_results, results_lock
from siting.handoff.sheets import write_sheets
from siting.handoff.webmap import write_map
from siting.planning import Plan

__all__ = ["write_bundle"]

#: What the writers fail with; rasterio's errors are among the first.
_WRITING: Final = (
    OSError,
    sqlite3.Error,
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.GeometryError,
)


def write_bundle(
    plan: Plan,
    folder: Path,
    *,
    online_map: bool = False,
    dxf: bool = False,
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
        Made if need be; files of the same name are replaced, others left alone.
    online_map : bool
        Also write map-online.html, which fetches a base map from the network when it is opened.
    dxf : bool
        Also write plan.dxf; needs the extra `dxf`.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    SitingError
        When the folder cannot be written, or another run is writing to it.
    """
    report = progress or (lambda *_: None)
    target = Path(folder)
    with results_lock(target), _in_words(target), new_results(target) as scratch:
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
        names = sorted(path.name for path in scratch.iterdir())
        _keep_filled(target, scratch)
    report("Done", 4, 4)
    return tuple(target / name for name in names)


def _keep_filled(target: Path, scratch: Path) -> None:
    """Put aside readings sheets that a crew filled in and that new ones would replace."""
    for old in sorted(target.glob("readings*.*")):
        content = old.read_bytes()
        new = scratch / old.name
        if new.exists() and content != new.read_bytes() and is_filled(old):
            kept = target / "filled-readings"
            kept.mkdir(exist_ok=True)
            mark = hashlib.sha256(content).hexdigest()[:8]
            shutil.copy2(old, kept / f"{old.stem}-{mark}{old.suffix}")


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
