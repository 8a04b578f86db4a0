"""Write the hand-off: every file of a plan or of a step, and the check that none changed."""

from __future__ import annotations

import json
import os
import sqlite3
import sys
import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import pyogrio.errors

from siting.errors import Fault, InputError, SitingError
from siting.files import SOURCE, atomic_path, file_digest, written_files
from siting.handoff.explain import read_plans
from siting.handoff.formats import FORMATS, Format, formats
from siting.handoff.gisfiles import (
    Bands,
    describe_package,
    fixed_date,
    gis_names,
    graduated,
    pick,
    sun_bands,
    with_us_units,
    write_bands,
    write_layer,
)
from siting.handoff.results import new_results, property_of, results_lock
from siting.palette import NEED, SUN
from siting.parts import give_back
from siting.planning.make import input_files, plan_property
from siting.planning.model import Plan
from siting.site.crs import in_crs
from siting.zones.survey import Survey


def write_bundle(
    plan: Plan,
    folder: Path,
    *,
    also: Collection[str] = (),
    source: Path | None = None,
    more: Callable[[Path], None] | None = None,
    progress: Callable[[str, int, int], None] | None = None,
    processes: int = 1,
) -> tuple[Path, ...]:
    """Write plan.json, map.html, the sheets, the GIS and GPS files and the readings of a plan.

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
    also : collection of str
        Formats that are only written when asked: "online_map" for map-online.html, which fetches a
        base map from the network when it is opened; "sheets" for sheets.pdf, which holds the pages
        of crew.pdf, office.pdf and owner.pdf; "dxf" for plan.dxf, which needs the extra `dxf`.
    source : Path, optional
        The property file, or its folder, for ``source.json``.
    more : callable, optional
        Writes further files into the folder that it is given; they appear together with the rest.
    progress : callable, optional
        Called with stage, steps done and steps in all.
    processes : int
        Files written at a time, where the system can divide a process (Linux); they are the same.

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
    wanted = formats(also)
    stages = list(dict.fromkeys(form.stage for form in FORMATS))
    with (
        results_lock(target),
        _in_words(target),
        new_results(target, source=source, inputs=input_files(plan.settings, plan.site)) as scratch,
    ):
        give_back()
        if processes > 1 and sys.platform == "linux":
            report(stages[0], 0, len(stages))
            _write_beside(plan, scratch, wanted, processes)
        else:
            for stage, forms in groupby(wanted, lambda form: form.stage):
                report(stage, stages.index(stage), len(stages))
                for form in forms:
                    form.write(plan, scratch)
        if more is not None:
            more(scratch)
        names = sorted(path.name for path in scratch.iterdir() if path.is_file())
    report("Done", len(stages), len(stages))
    return tuple(target / name for name in names)


def _write_beside(plan: Plan, folder: Path, wanted: Sequence[Format], count: int) -> None:
    """Write formats in processes that share this one's memory: a large plan is not copied."""
    import multiprocessing  # noqa: PLC0415 - only where there are several
    from concurrent.futures import ProcessPoolExecutor  # noqa: PLC0415 - as above

    context = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(
        count, mp_context=context, initializer=_hold, initargs=(plan, folder, os.getpid())
    ) as pool:
        for written in [pool.submit(_write_format, form) for form in sorted(wanted, key=_turn)]:
            written.result()


#: What takes longest of a large site is begun first, so that no process waits for it in the end.
_LONG: Final = ("plan.gpkg", "sheets.pdf", "crew.pdf", "map.html")


def _turn(form: Format) -> int:
    """Return when a format's turn is."""
    return _LONG.index(form.names[0]) if form.names[0] in _LONG else len(_LONG)


_HELD: list[tuple[Plan, Path]] = []


def _hold(plan: Plan, folder: Path, parent: int) -> None:
    """Take over, in a divided process, what is to be written and where."""
    _HELD[:] = [(plan, folder)]
    threading.Thread(target=_leave_with, args=(parent,), daemon=True).start()


def _leave_with(parent: int) -> None:
    """End this process when the one that it was divided from is gone, even killed."""
    while os.getppid() == parent:
        time.sleep(1)
    os._exit(1)


def _write_format(form: Format) -> None:
    """Write one format in a divided process."""
    form.write(*_HELD[0])
    give_back()


@contextmanager
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
        reason = getattr(error, "strerror", None) or error
        msg = f"cannot write to {folder}: {reason}. Earlier results are untouched."
        raise SitingError(msg) from error


#: Differences of a document that are told at most.
_TOLD: Final = 12
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Verification:
    """What a second run found.

    same: files that came out byte for byte as they lie in the folder; different: files that did
    not, or that are missing; inputs: inputs that are no longer what the plan was made from, in
    words; versions: versions that are no longer those that made the plan, in words; values: where
    the two plan.json differ: key, then and now, the first few; added: files in the folder that no
    run wrote there, nothing is said of their content.
    """

    same: tuple[str, ...]
    different: tuple[str, ...]
    inputs: tuple[str, ...]
    versions: tuple[str, ...]
    values: tuple[str, ...]
    added: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether every file is what its inputs make today."""
        return not self.different


def verify_results(
    folder: Path | str,
    property_file: Path | str | None = None,
    *,
    nearby: Sequence[Path] = (),
    threads: int = 1,
    progress: Progress | None = None,
) -> Verification:
    """Plan again with the same property and changes, and compare every file.

    Parameters
    ----------
    folder : Path or str
        Results of `siting plan`.
    property_file : Path or str, optional
        The property file, or its folder. Without it, the file of the recorded checksum is looked
        for where the results note it, beside and above them and in the current folder.
    nearby : sequence of Path
        More property files that may be the one.
    threads : int
        Threads; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    Verification
        What is the same and what is not.

    Raises
    ------
    InputError
        When the folder holds no plan, the property is not found, or its input is faulty now.
    PlanError
        When no plan can be made any more.
    """
    place = Path(folder)
    place = place if place.is_dir() else place.parent
    [(_, document)] = read_plans([place])
    recorded: Mapping[str, Any] = document["provenance"]
    if recorded.get("readings"):
        found = "a plan as built, changed by the field's readings"
        mend = "Its history folder keeps the plan as handed over and every state since."
        raise InputError([Fault(str(place), found, "a plan as `siting plan` made it", mend)])
    path = _property(place, recorded, property_file, nearby)
    changes = recorded.get("changes", {})
    plan = plan_property(path, threads=threads, progress=progress, changes=changes)
    also = [f.option for f in FORMATS if f.option and (place / f.names[0]).exists()]
    with TemporaryDirectory(prefix="siting-verify-") as scratch:
        written = write_bundle(
            plan,
            Path(scratch) / "again",
            also=also,
            progress=progress,
        )
        same = [
            path.name for path in written if file_digest(path) == file_digest(place / path.name)
        ]
        again = json.loads((Path(scratch) / "again" / "plan.json").read_text("utf-8"))
    now: Mapping[str, Any] = again["provenance"]
    return Verification(
        same=tuple(same),
        different=tuple(path.name for path in written if path.name not in same),
        inputs=tuple(_changed(recorded["inputs"], now["inputs"], "checksum")),
        versions=tuple(_versions(recorded, now)),
        values=tuple(_differences(_without(document), _without(again))[:_TOLD]),
        added=tuple(_added(place, {path.name for path in written})),
    )


def _added(place: Path, written: set[str]) -> list[str]:
    """Return the files of a results folder that no run wrote, those of its own folders apart."""
    known = {SOURCE, *written, *written_files(place)}
    return sorted(
        path.name for path in place.iterdir() if path.is_file() and path.name not in known
    )


def _property(
    place: Path, recorded: Mapping[str, Any], given: Path | str | None, nearby: Sequence[Path]
) -> Path:
    """Return the property file that the plan was made from."""
    if given is not None:
        return Path(given)
    name = str(recorded.get("property", "property.toml"))
    wanted = recorded["inputs"].get(name, "")
    home = place.resolve()
    folders = [home, home.parent, Path.cwd(), *sorted(p for p in home.parent.iterdir())]
    there = (folder / name for folder in folders if folder.is_dir())
    noted = property_of(place)
    for path in (*([noted] if noted else []), *there, *nearby):
        if file_digest(path) == wanted:
            return path
    raise InputError(
        [
            Fault(
                str(place),
                f"a plan of a {name} that is not nearby, or no longer the same",
                "the property file that the plan was made from",
                "Name it: siting verify PLAN PROPERTY.",
            )
        ]
    )


def _versions(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    told = _changed(then["libraries"], now["libraries"], "version")
    if then["siting"] != now["siting"]:
        told.insert(0, f"siting: version {then['siting']} then, {now['siting']} now")
    return told


def _changed(then: Mapping[str, str], now: Mapping[str, str], what: str) -> list[str]:
    told = []
    for name in sorted(set(then) | set(now)):
        before, after = then.get(name, "none"), now.get(name, "none")
        if before != after:
            short = (before[:12], after[:12])
            told.append(f"{name}: {what} {short[0]} then, {short[1]} now")
    return told


def _without(document: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in document.items() if key != "provenance"}


def _differences(then: object, now: object, at: str = "") -> list[str]:
    """List where two JSON values differ, deepest key first named."""
    if isinstance(then, dict) and isinstance(now, dict):
        keys = [*then, *(key for key in now if key not in then)]
        return [d for key in keys for d in _differences(then.get(key), now.get(key), f"{at}.{key}")]
    if isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        return [
            d
            for i, (a, b) in enumerate(zip(then, now, strict=True))
            for d in _differences(a, b, f"{at}[{i}]")
        ]
    return [] if then == now else [f"{at.lstrip('.')}: {_short(then)} then, {_short(now)} now"]


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."  # noqa: PLR2004 - one line of a screen


_HEAD: Final = ("zone", "valve", "plants", "area_m2")
_SUN: Final = gis_names("zones", *_HEAD, "sun_hours", "insolation", "sky_view")
_NEED: Final = gis_names(
    "zones", *_HEAD, "soil", "irrigation", "need_score", "need_ratio", "need_words", "sun_hours",
    "plant_factor", "kmc", "kl", "net_irrigation_mm", "etc_peak_mm_d", "taw_mm", "raw_mm",
)  # fmt: skip


def write_sun(survey: Survey, folder: Path | str) -> tuple[Path, ...]:
    """Write sun.gpkg, sun-hours.tif and sky-view.tif.

    Parameters
    ----------
    survey : Survey
        From `siting.survey_property`; not changed.
    folder : Path or str
        Where to; made when it is missing.

    Returns
    -------
    tuple of Path
        The files, in that order.

    Raises
    ------
    SitingError
        When the folder cannot be written.
    """
    place = Path(folder)
    style = graduated(
        "sun_h_d",
        survey.zones["sun_hours"].to_numpy(dtype=float),
        label="zone",
        ramp=SUN,
        words="hours of direct sun a day",
    )
    sky = [("Sky view, 1 where nothing hides the sky [1]", "1", survey.sun.sky_view)]
    with _results(survey, place) as scratch:
        _write_zones(survey, scratch / "sun.gpkg", _SUN, style)
        _write_raster(survey, scratch / "sun-hours.tif", sun_bands(survey.sun))
        _write_raster(survey, scratch / "sky-view.tif", sky)
    return tuple(place / name for name in ("sun.gpkg", "sun-hours.tif", "sky-view.tif"))


def write_score(survey: Survey, folder: Path | str) -> tuple[Path, ...]:
    """Write need.gpkg and dryness.tif.

    Parameters
    ----------
    survey : Survey
        From `siting.survey_property`; not changed.
    folder : Path or str
        Where to; made when it is missing.

    Returns
    -------
    tuple of Path
        The files, in that order.

    Raises
    ------
    SitingError
        When the folder cannot be written.
    """
    place = Path(folder)
    style = graduated(
        "need_pct_d",
        survey.zones["need_score"].to_numpy(dtype=float),
        label="zone",
        ramp=NEED,
        words="% of readily available water a day",
    )
    dry = [("Dryness relative to the property's mean [1]", "1", survey.dryness)]
    with _results(survey, place) as scratch:
        _write_zones(survey, scratch / "need.gpkg", _NEED, style)
        _write_raster(survey, scratch / "dryness.tif", dry)
    return place / "need.gpkg", place / "dryness.tif"


@contextmanager
def _results(survey: Survey, place: Path) -> Iterator[Path]:
    """Yield where to write the results of a step."""
    with (
        results_lock(place),
        _in_words(place),
        new_results(place, inputs=input_files(survey.settings, survey.site)) as scratch,
    ):
        yield scratch


def _write_raster(survey: Survey, path: Path, bands: Bands) -> Path:
    """Write bands on the survey's grid in the property's own CRS."""
    site = survey.site
    return write_bands(bands, survey.sun.grid, site.crs, site.source_crs, path)


def _write_zones(survey: Survey, path: Path, columns: Mapping[str, str], style: str) -> Path:
    """Write the hydrozones with some columns and their style, whole or not at all."""
    picked = pick(survey.zones.reset_index(), columns)
    frame = with_us_units(picked, "hydrozones", survey.settings.units)
    frame = in_crs(frame, survey.site.source_crs)
    with atomic_path(path) as part, fixed_date():
        write_layer(frame, part, "hydrozones", "MultiPolygon")
        describe_package(part, {"hydrozones": style})
    return path
