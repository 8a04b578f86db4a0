"""What commissioning found: text, pictures, and one record after another, none overwritten.

``history/0000`` is the plan as it was handed over; every commissioning adds the next number, with
the files that came back, the plan that followed and a record that names the sha256 of the record
before it, so that a changed or missing record shows. A record appears by one rename: it is there
whole or not at all.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import re
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import pandas as pd
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure

from siting.commission.health import Health
from siting.commission.readings import printable
from siting.errors import Fault, InputError, SitingError
from siting.files import scratch_folder, sweep_scratch, write_bytes
from siting.palette import INK, MARKS
from siting.planning.model import Plan
from siting.units import show

if TYPE_CHECKING:
    from siting.commission.judge import Commissioning


#: Name of the history's folder within a results folder.
FOLDER: Final = "history"
_SCHEMA: Final = "siting-commissioning/1"
_PART: Final = ".part-"
_NUMBER: Final = re.compile(r"\d{4}")


@dataclass(frozen=True)
class Record:
    """One record.

    Parameters
    ----------
    number : int
        0 for the plan as handed over.
    folder : Path
        Where it is.
    content : mapping
        Its record.json.
    digest : str
        sha256 of its record.json.
    """

    number: int
    folder: Path
    content: Mapping[str, Any]
    digest: str

    @property
    def readings(self) -> tuple[Path, ...]:
        """The files that came back, in the order in which they were given."""
        names = self.content.get("readings", [])
        return tuple(self.folder / "readings" / str(name) for name in names)


def read_history(results: Path | str) -> tuple[Record, ...]:
    """Read the records of a results folder, and check that none was changed or lost.

    Parameters
    ----------
    results : Path or str
        The results folder.

    Returns
    -------
    tuple of Record
        In order; empty where there is none.

    Raises
    ------
    InputError
        With every record that is missing, cannot be read or was changed.
    """
    place = Path(results) / FOLDER
    if not place.is_dir():
        return ()
    numbers = sorted(int(p.name) for p in place.iterdir() if _NUMBER.fullmatch(p.name))
    records: list[Record] = []
    faults: list[Fault] = []
    before = ""
    for place_in_row, number in enumerate(numbers):
        folder = place / f"{number:04d}"
        name = f"{FOLDER}/{folder.name}"
        if number != place_in_row:
            faults.append(_fault(f"{FOLDER}/{place_in_row:04d}", "no record of this number"))
            break
        try:
            raw = (folder / "record.json").read_bytes()
            content = json.loads(raw)
        except (OSError, ValueError):
            faults.append(_fault(name, "a record that cannot be read"))
            break
        if content.get("before", "") != before:
            faults.append(_fault(name, "a record whose predecessor was changed"))
        for file, digest in content.get("files", {}).items():
            path = folder / file
            if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != digest:
                faults.append(_fault(f"{name}/{file}", "a file that was changed or is missing"))
        before = hashlib.sha256(raw).hexdigest()
        records.append(Record(number, folder, content, before))
    if faults:
        raise InputError(faults)
    return tuple(records)


def _fault(name: str, found: str) -> Fault:
    mend = "Put it back from a copy; nothing was written."
    return Fault(name, found, "the history as it was written", mend)


def append_record(
    results: Path | str,
    content: Mapping[str, Any],
    *,
    readings: Mapping[str, bytes],
    files: Mapping[str, bytes],
) -> Record:
    """Add a record behind the last one, and return it; the last one where it says exactly the same.

    results: the results folder, made when it is missing; content: what to record, of plain JSON
    values; readings: the files that came back; files: what else belongs to this state, such as
    plan.json. A history that was changed is refused; what cannot be written leaves earlier records
    as they were.
    """
    known = read_history(results)
    parts = {**files, **{f"readings/{name}": data for name, data in readings.items()}}
    body = {
        "schema": _SCHEMA,
        "number": len(known),
        "before": known[-1].digest if known else "",
        "readings": list(readings),
        "files": {name: hashlib.sha256(data).hexdigest() for name, data in sorted(parts.items())},
        **content,
    }
    if known and _same(known[-1].content, body):
        return known[-1]
    text = json.dumps(body, ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    raw = text.encode("utf-8", "replace")
    place = Path(results) / FOLDER
    target = place / f"{len(known):04d}"
    scratch: Path | None = None
    try:
        place.mkdir(parents=True, exist_ok=True)
        sweep_scratch(place, _PART)
        scratch = scratch_folder(place, _PART)
        for name, data in {**parts, "record.json": raw}.items():
            write_bytes(scratch / name, data)
        scratch.chmod(0o755)
        # A folder cannot be renamed over one that holds something: nothing is ever replaced.
        os.rename(scratch, target)  # noqa: PTH104 - one atomic call
    except OSError as error:
        words = (
            f"cannot write to {place}: {error.strerror or error}. Earlier records are as before."
        )
        raise SitingError(words) from error
    finally:
        if scratch is not None:
            shutil.rmtree(scratch, ignore_errors=True)
    return Record(len(known), target, body, hashlib.sha256(raw).hexdigest())


def _same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Tell whether two records say the same, apart from their place in the row."""
    apart = {"number", "before"}
    a = {k: v for k, v in one.items() if k not in apart}
    b = json.loads(json.dumps({k: v for k, v in other.items() if k not in apart}))
    return bool(a == b)


def joined_history(source: Path | str, results: Path | str) -> tuple[Record, ...]:
    """Return the longer history of two results folders, of which one must continue the other.

    Either may have none, and they may be the same.
    """
    theirs, ours = read_history(source), read_history(results)
    for one, other in zip(theirs, ours, strict=False):
        if one.digest != other.digest:
            found = f"another history (record {one.number:04d} differs)"
            mend = "Choose an empty folder, or the one of this plan."
            raise InputError([Fault(str(results), found, "the history of this plan", mend)])
    return max(ours, theirs, key=len)


def copy_history(source: Path | str, results: Path | str) -> None:
    """Bring the history of one results folder into another one that has none, or less of it."""
    place = Path(results) / FOLDER
    for record in joined_history(source, results):
        if (place / record.folder.name).exists():
            continue
        place.mkdir(parents=True, exist_ok=True)
        sweep_scratch(place, _PART)
        scratch = scratch_folder(place, _PART)
        try:
            shutil.copytree(record.folder, scratch, dirs_exist_ok=True)
            os.rename(scratch, place / record.folder.name)  # noqa: PTH104
        finally:
            shutil.rmtree(scratch, ignore_errors=True)


def report_text(found: Commissioning) -> str:
    """Return everything that commissioning found, in plain words: first what to do now."""
    units = found.after.settings.units
    lines = [f"{found.after.site.name}: what the field said", ""]
    lines += _section("What to do now, the most urgent first", found.after.do_now)
    for tag, sensor in found.after.sensors.iterrows():
        name = str(tag)
        lines.append(f"{name} in {sensor['zone']} (valve {sensor['valve']})")
        said: list[str] = []
        if name in found.as_built:
            said += found.as_built[name].words
            residuals = found.as_built[name].fix.residuals_m
            if len(residuals) > 2:  # noqa: PLR2004 - two tapes leave none
                shown = ", ".join(show(r, "length", units) for r in residuals)
                said.append(f"Residuals of its tapes: {shown}.")
        if name in found.capacity:
            said += found.capacity[name].words
        if name in found.health:
            health = found.health[name]
            for finding in health.findings:
                said.append(
                    f"{finding.words} Likely: {finding.cause}. What to do: {finding.action}"
                )
            if not health.findings:
                said.append("Its log shows nothing amiss.")
        lines += [f"  - {text}" for text in said or ["nothing came back"]] + [""]
    lines += _section("Measured instead of assumed", [c.words for c in found.measured])
    none = ["Nothing: the plan stays as it is."] if found.measured else []
    lines += _section("What that changes", found.changes or none)
    lines += _section("Still the driest representative point?", found.stability_words)
    lines += _section("Water saved", [found.savings_words])
    lines += _section("What the season's log says of the plan", found.season_words)
    lines += _section("The sheet of the next season", found.next_words)
    lines += _section("Does moving a sensor pay?", found.move_words)
    lines += _section("Look at again in the second season", found.recheck)
    lines += _section("Notes", found.notes)
    # Names of a user may hold characters that steer a terminal.
    return "\n".join(_printable_line(line) for line in lines).rstrip() + "\n"


def _printable_line(line: str) -> str:
    """Return a line without characters that steer a terminal; its indent stays."""
    indent = line[: len(line) - len(line.lstrip(" "))]
    return indent + printable(line)


def _section(title: str, items: Iterable[str]) -> list[str]:
    """Return a heading with its items, or nothing."""
    shown = [f"  - {item}" for item in items if item]
    return [title, *shown, ""] if shown else []


def record_of(found: Commissioning) -> dict[str, Any]:
    """Return what the history keeps of a commissioning, as plain JSON values.

    Parameters
    ----------
    found : Commissioning
        As from `siting.commission.judge.commission`.

    Returns
    -------
    dict
        sensors (place, error, rank, setbacks, reading, threshold, findings), measured, changes,
        savings, season, next_sheet, moving, recheck, notes; do_now: what to do, the most urgent
        first.
    """
    return {
        "do_now": list(found.after.do_now),
        "sensors": {str(tag): _sensor(found, str(tag)) for tag in found.after.sensors.index},
        "measured": [
            {"zone": c.zone, "column": c.column, "words": c.words} for c in found.measured
        ],
        "changes": list(found.changes),
        "stability": list(found.stability_words),
        "savings": found.savings_words,
        "season": list(found.season_words),
        "next_sheet": list(found.next_words),
        "moving": list(found.move_words),
        "recheck": list(found.recheck),
        "notes": list(found.notes),
    }


def _sensor(found: Commissioning, tag: str) -> dict[str, Any]:
    """Return what is known of one sensor."""
    record: dict[str, Any] = {}
    if at := found.as_built.get(tag):
        sensor = found.after.sensors.loc[tag]
        record["as_built"] = {
            "x": _plain(sensor["source_x"], 8), "y": _plain(sensor["source_y"], 8),
            "lon": _plain(sensor["lon"], 8), "lat": _plain(sensor["lat"], 8),
            "how": at.fix.how, "error_m": _plain(at.fix.error_m, 3),
            "residuals_m": [_plain(r, 4) for r in at.fix.residuals_m],
            "moved_m": _plain(at.moved_m, 3), "in_zone": at.in_zone,
            "setback_ratio": _plain(at.setback_ratio, 4), "binding_setback": at.binding_setback,
            "rank": _plain(at.rank, 4), "words": list(at.words),
        }  # fmt: skip
    if read := found.capacity.get(tag):
        record["field_capacity"] = {
            "accepted": read.accepted, "reading": _plain(read.reading, 4), "unit": read.unit,
            "threshold_low": _plain(read.low, 4),
            "textures": list(read.textures), "words": list(read.words),
        }  # fmt: skip
    if health := found.health.get(tag):
        record["health"] = {
            "verdict": health.verdict,
            "findings": [
                {"kind": f.kind, "words": f.words, "cause": f.cause, "action": f.action}
                for f in health.findings
            ],
            "untested": list(health.untested),
        }
    return record


def _plain(value: float, decimals: int) -> float | None:
    """Return a number for JSON; None where it is not known."""
    return round(float(value), decimals) if math.isfinite(value) else None


_DPI: Final = 110
_DAY: Final = pd.Timedelta(days=1)
_TITLES: Final = {
    "dead": "sends nothing that can be a soil's",
    "air_gap": "hardly touches the soil",
    "downspout": "rain is led to it",
    "wrong_zone": "another valve wets it",
    "threshold_low": "threshold too low",
    "threshold_high": "threshold too high",
    "no_rewet": "its own valve does not wet it",
    "no_rain": "rain does not reach it",
    "unexplained_jumps": "rises without its valve",
    "never_crosses": "never comes down to its threshold",
    "slow_dry_down": "dries too slowly",
    "fast_dry_down": "dries too fast",
    "plateau_drift": "its plateau drifts",
    "daily_swing": "follows the temperature of the day",
    "gaps": "much of the log is missing",
    "healthy": "nothing found",
}


def evidence_picture(health: Health) -> bytes:
    """Draw a sensor's log with its threshold, plateau, model and findings.

    Result: a PNG; the same log gives the same bytes.
    """
    signal = health.signal
    figure = Figure(figsize=(10, 4.6), layout="constrained")
    top, low = figure.subplots(2, 1, sharex=True, height_ratios=[4, 1])
    content = 100 * signal.content
    top.plot(content.index, content, color=MARKS["head"], linewidth=1.1, label="measured")
    if len(signal.modelled) and len(content):
        days = signal.modelled.loc[content.index[0].normalize() : content.index[-1]]
        ends = pd.DatetimeIndex(days.index) + _DAY
        top.plot(ends, 100 * days, color=INK["quiet"], linewidth=1, linestyle=":",
                 label="reckoned by the plan")  # fmt: skip
    if math.isfinite(signal.plateau):
        top.axhline(100 * signal.plateau, color=MARKS["admissible"], linewidth=1, linestyle="--",
                    label="plateau after soakings")  # fmt: skip
    if math.isfinite(health.threshold):
        top.axhline(100 * health.threshold, color=INK["accent"], linewidth=1.2, label="threshold")
    marks = [mark for finding in health.findings for mark in finding.marks]
    for number, mark in enumerate(marks):
        label = None if number else "evidence"
        top.axvline(mark, color=INK["caution_edge"], linewidth=0.8, alpha=0.7, label=label)
    titles = [_TITLES.get(f.kind, f.kind) for f in health.findings] or [_TITLES["healthy"]]
    zone = f" ({health.expected.zone})" if health.expected else ""
    top.set_title(f"{health.sensor_id}{zone}: {', '.join(titles)}", loc="left", fontsize=11,
                  color=INK["text"], parse_math=False)  # fmt: skip
    top.set_ylabel("water by volume [%]")
    top.legend(frameon=False, fontsize=8, ncols=5, loc="upper center", bbox_to_anchor=(0.5, -0.02))
    _water_bars(low, health)
    for axes in (top, low):
        axes.spines[["top", "right"]].set_visible(False)
    return _png(figure)


def _water_bars(axes: Any, health: Health) -> None:  # noqa: ANN401 - matplotlib is not typed
    """Draw what wetted the ground below the curve."""
    colours = {"rain": MARKS["head"], "own": MARKS["admissible"], "other": MARKS["downspout"]}
    names = {"rain": "rain", "own": "its valve", "other": "another valve"}
    for kind, colour in colours.items():
        wettings = [w for w in health.signal.wettings if w.kind == kind]
        if wettings:
            depth = [w.mm if math.isfinite(w.mm) else 2.0 for w in wettings]
            axes.bar([w.start for w in wettings], depth, width=0.5, color=colour, label=names[kind])
    axes.set_ylabel("water [mm]")
    axes.legend(frameon=False, fontsize=8, ncols=3, loc="upper right")
    locator = AutoDateLocator()  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(
        ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
    )


def before_after_picture(before: Plan, after: Plan) -> bytes:
    """Draw the property with the sensors as planned and as they stand now.

    before, after: of the same property. Result: a PNG, north up; same plans give the same bytes.
    """
    site = after.site
    west, south, east, north = site.boundary.bounds
    wide = 9.0
    tall = min(max(wide * (north - south) / (east - west), 4.0), 14.0) + 0.8
    figure = Figure(figsize=(wide, tall), layout="constrained")
    axes = figure.subplots()
    _polygons(axes, after.zones.geometry, "#e7ecdf", MARKS["zone_edge"])
    _polygons(axes, site.paving.geometry, MARKS["paving"], MARKS["paving_edge"])
    _polygons(axes, site.buildings.geometry, MARKS["building"], MARKS["building_edge"])
    edge = gpd.GeoSeries([site.boundary.boundary], crs=site.crs)
    edge.plot(ax=axes, color=MARKS["boundary"], linewidth=1.2, aspect=None)
    for tag in sorted(set(before.sensors.index) | set(after.sensors.index), key=str):
        _pair(axes, before, after, str(tag))
    axes.set(xlim=(west - 1, east + 1), ylim=(south - 1, north + 1), aspect="equal")
    axes.set_axis_off()
    axes.set_title(f"{site.name}: ring = before, dot = now", loc="left", fontsize=11,
                   parse_math=False)  # fmt: skip
    return _png(figure)


def _pair(axes: Any, before: Plan, after: Plan, tag: str) -> None:  # noqa: ANN401
    """Draw one sensor before and now, with the way between."""
    places = {}
    for name, plan in (("before", before), ("now", after)):
        if tag in plan.sensors.index:
            point = plan.sensors.geometry.loc[tag]
            places[name] = (point.x, point.y)
    if "before" in places:
        axes.plot(*places["before"], "o", markersize=11, markerfacecolor="none",
                  markeredgecolor=INK["text"], zorder=5)  # fmt: skip
    label = tag
    if len(places) == 2:  # noqa: PLR2004 - both
        (ax, ay), (bx, by) = places["before"], places["now"]
        away = math.hypot(bx - ax, by - ay)
        axes.plot([ax, bx], [ay, by], color=MARKS["tie"], linewidth=1, zorder=4)
        if away > 0.05:  # noqa: PLR2004 - metres that a picture shows
            label += f" moved {show(away, 'length', after.settings.units)}"
    elif "now" in places:
        label += " new"
    else:
        label += " without work"
    at = places.get("now") or places["before"]
    if "now" in places:
        axes.plot(*at, "o", markersize=7, color=MARKS["sensor"], zorder=6)
    axes.annotate(label, at, xytext=(0, 9), textcoords="offset points", ha="center", fontsize=9,
                  fontweight="bold", color="#ffffff", zorder=7, parse_math=False,
                  bbox={"boxstyle": "round,pad=0.2", "facecolor": MARKS["sensor"],
                        "edgecolor": "none"})  # fmt: skip


def _polygons(axes: Any, shapes: gpd.GeoSeries, fill: str, edge: str) -> None:  # noqa: ANN401
    if len(shapes):
        shapes.plot(ax=axes, color=fill, edgecolor=edge, linewidth=0.8, aspect=None)


def _png(figure: Figure) -> bytes:
    """Return a figure as PNG without a program's name or a date."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
    return out.getvalue()
