"""The markdown report of the shade benchmark."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
from pathlib import Path
from typing import Final

import numpy as np

from tests.benchmarks.measure import Case, Result
from tests.benchmarks.scene import SCENES

__all__ = ["write_report"]

_EXACT: Final = ("embree (embreex)", "trimesh with embree", "pybdshadow + rasterio")
_INEXACT: Final = ("insolation", "solweig", "umep")
_TARGETS: Final = (
    ("fastest exact peer", _EXACT, 100.0),
    ("fastest inexact peer", _INEXACT, 30.0),
    ("r.sun, 1 thread", ("GRASS r.sun, 1 thread",), 500.0),
)
_RASTER: Final = "siting, height raster, 2 threads"
_HEAD: Final = """\
# Shade benchmark

Written by `python -m tests.benchmarks.shade`; what each column means is in README.md. Figures are
of one run on 2 processor cores; the engines took turns, each in a process of its own, and none ran
beside another engine. Other work shared the processors (see the load below), so that two
threads often had one core: trust processor time, and ratios before seconds.
"""


def write_report(
    path: Path,
    results: dict[Case, dict[str, Result]],
    *,
    growth: tuple[str, list[tuple[str, str, float, float]]],
    seasons: list[tuple[str, float]],
    grouped: list[tuple[int, int, int, float, float, float]],
    names: dict[str, str],
) -> str:
    """Write the report and return its text."""
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    lines = [
        _HEAD,
        *_versions(names),
        f"Load of the machine over 1, 5, 15 minutes at the end: {load}.",
        "",
    ]
    for case, found in results.items():
        lines += [*_table(case, found), *_ratios(found), ""]
    lines += _seasons(seasons) + _grouped(grouped) + _growth(*growth)
    text = "\n".join(lines).rstrip() + "\n"
    path.write_text(text, encoding="utf-8")
    return text


def _versions(names: dict[str, str]) -> list[str]:
    """Versions of what took part."""
    known = {"Python": platform.python_version(), **names, "GRASS": _grass_version()}
    return ["Versions: " + ", ".join(f"{name} {value}" for name, value in known.items()) + ".", ""]


def _grass_version() -> str:
    """Version of an installed GRASS."""
    found = shutil.which("grass")
    if found is None:
        return "not installed"
    done = subprocess.run(
        [found, "--config", "version"],
        capture_output=True,
        text=True,
        check=False,
    )
    return (done.stdout.split() or ["?"])[0]


def _table(case: Case, found: dict[str, Result]) -> list[str]:
    """Figures of one case."""
    town, sun = SCENES[case.scene](), case.sun()
    size = f"{town.grid.rows:,} x {town.grid.columns:,} pixels of {town.grid.resolution:g} m"
    strided = "" if case.every == 1 else f" (every {case.every}. of the half hours)"
    lines = [
        f"## {case.title}",
        "",
        f"{size}, {len(town.buildings):,} buildings, {len(sun.hours)} positions of the sun"
        f"{strided} on the 15th of {len(case.months)} months; {case.rounds} rounds.",
        "",
        "| engine | time, median (best) [s] | ns per pixel and position | "
        "processor time, best [s] | ns, processors | peak memory [MB] | "
        "beyond outputs [B per pixel] | "
        "wrong pixel-instants [%] | same, off edges [%] | sun hours off [min/d] | "
        "same, off walls [min/d] |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name, result in found.items():
        if result.skipped:
            lines.append(f"| {name} | left out: {result.skipped} | | | | | | | | | |")
            continue
        cells = [
            f"{np.median(result.seconds):.3g} ({min(result.seconds):.3g})",
            _number(result.ns, ".3g"),
            f"{min(result.busy):.3g}",
            _number(result.busy_ns, ".3g"),
            _number(result.peak_mb, ".0f"),
            _number(_beyond_outputs(case, name, result), ".0f"),
            _number(result.wrong, ".4f", 100),
            _number(result.wrong_far, ".4f", 100),
            _number(result.minutes_off, ".2f"),
            _number(result.minutes_off_far, ".2f"),
        ]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return [*lines, ""]


def _beyond_outputs(case: Case, name: str, result: Result) -> float | None:
    """Peak memory less that of the results, per pixel [B].

    Of vectors, beam and sky are results besides the hours; all others give hours alone.
    """
    if result.peak_mb is None or name.startswith("GRASS"):
        return None
    cells = SCENES[case.scene]().grid
    layers = len(set(case.sun(8).month.tolist()))
    layers = 2 * layers + 1 if "vectors" in name else layers
    return max(0.0, result.peak_mb * 2**20 / (cells.rows * cells.columns) - 8 * layers)


def _number(value: float | None, form: str, factor: float = 1.0) -> str:
    """Format a figure, or a dash."""
    return "–" if value is None else format(value * factor, form)


def _ratios(found: dict[str, Result]) -> list[str]:
    """How many times faster ours is, against what was set out to reach."""
    there = {name: result for name, result in found.items() if result.ns and result.busy_ns}
    both = [*_vector_ratios(there, "vectors"), *_vector_ratios(there, "hours of sun alone")]
    return [*both, *_raster_ratios(there)]


def _vector_ratios(there: dict[str, Result], which: str) -> list[str]:
    """Vectors against each group of peers."""
    ours = [name for name in there if which in name]
    if not ours:
        return []
    lines = []
    best = min(ours, key=lambda name: there[name].ns)
    lean = min(ours, key=lambda name: there[name].busy_ns)
    for title, group, goal in _TARGETS:
        peers = [name for name in group if name in there]
        if peers:
            fast = min(peers, key=lambda name: there[name].ns)
            thrifty = min(peers, key=lambda name: there[name].busy_ns)
            clock = there[fast].ns / there[best].ns
            busy = there[thrifty].busy_ns / there[lean].busy_ns
            lines.append(
                f"- {which} against the {title}: {clock:.0f} x by the clock ({best}; {fast}), "
                f"{busy:.0f} x by processor time ({lean}; {thrifty}); aim {goal:.0f} x."
            )
    return lines


def _raster_ratios(there: dict[str, Result]) -> list[str]:
    """Height raster against the peers that work on one."""
    if _RASTER not in there:
        return []
    raster, lines = there[_RASTER], []
    for name in (name for name in _INEXACT if name in there):
        peer = there[name]
        words = (
            f"- height raster against {name}: {peer.ns / raster.ns:.1f} x by the clock, "
            f"{peer.busy_ns / raster.busy_ns:.1f} x by processor time"
        )
        if raster.wrong is not None and peer.wrong is not None:
            words += f"; {100 * raster.wrong:.3f} % wrong against {100 * peer.wrong:.3f} %"
        lines.append(f"{words}; aim 10 x the best raster peer, and no more wrong.")
    return lines


def _seasons(seasons: list[tuple[str, float]]) -> list[str]:
    """Whole seasons."""
    if not seasons:
        return []
    head = [
        "## A whole season",
        "",
        "Seven months, every 15 minutes, trees and sky view (240 directions), 2 threads, 0.5 m.",
        "",
        "| property | time [s] |",
        "|---|---|",
    ]
    return [*head, *(f"| {title} | {seconds:.2f} |" for title, seconds in seasons), ""]


def _grouped(found: list[tuple[int, int, int, float, float, float]]) -> list[str]:
    """Error of grouped positions against every day of the season."""
    if not found:
        return []
    head = [
        "## Error against the number of grouped positions",
        "",
        "1 ha of the town at 0.5 m, seven months, 50° N: positions grouped by declination (days of "
        "a month) and hour angle (minutes), against every day of the season every 5 minutes.",
        "",
        "| days of a month | every [min] | positions | sun hours off, mean [min/d] | "
        "same, 95 % of pixels within [min/d] | beam off, mean [% of open ground] |",
        "|---|---|---|---|---|---|",
    ]
    rows = [
        f"| {days} | {minutes} | {count} | {mean:.2f} | {most:.2f} | {beam:.2f} |"
        for days, minutes, count, mean, most, beam in found
    ]
    return [*head, *rows, ""]


def _growth(engine: str, found: list[tuple[str, str, float, float]]) -> list[str]:
    """Time over size, with the exponent of the fitted power."""
    if not found:
        return []
    lines = [
        "## Growth",
        "",
        f"{engine}, best of three rounds; the exponent is that of a power of size fitted to time.",
        "",
        "| grows | scene | size | time [s] | exponent |",
        "|---|---|---|---|---|",
    ]
    for what in dict.fromkeys(row[0] for row in found):
        rows = [row for row in found if row[0] == what]
        size, seconds = np.array([row[2:] for row in rows]).T
        power = np.polyfit(np.log(size), np.log(seconds), 1)[0]
        for i, row in enumerate(rows):
            last = f"{power:.2f}" if i == len(rows) - 1 else ""
            lines.append(f"| {what} | {row[1]} | {row[2]:,.0f} | {row[3]:.3f} | {last} |")
    return [*lines, ""]
