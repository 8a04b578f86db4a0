"""Telling the format of a weather file from its first lines, or refusing to guess."""

from __future__ import annotations

import gzip
import re
from pathlib import Path
from typing import Final

from siting.climate.cells import SPELLINGS
from siting.climate.csvtable import COLUMNS
from siting.errors import Fault, InputError

__all__ = ["FORMATS", "sniff_format"]

#: Every format, with what it is in words.
FORMATS: Final = {
    "daily": "siting's own daily CSV",
    "ghcn": "a GHCN-Daily station CSV",
    "tmy2": "a typical year, TMY2",
    "tmy3": "a typical year, TMY3",
    "epw": "a typical year, EPW",
    "psm3": "a year of the NSRDB (PSM3 or PSM4 CSV)",
    "normals": "twelve monthly normals",
}
_TMY2: Final = re.compile(
    r"\s*\d{5}\s.*\s[A-Z]{2}\s+-?\d+\s+[NS]\s+\d+\s+\d+\s+[EW]\s+\d+\s+\d+\s+-?\d+\s*"
)
_GHCN_ROW: Final = re.compile(r'"?[A-Z]{2}[A-Z0-9_\-]{9}"?,"?\d{8}"?,"?[A-Z0-9]{4}"?,"?-?\d+"?,.*')
_LINES: Final = 3
_BYTES: Final = 20_000


def sniff_format(path: Path) -> tuple[str, str]:
    """Return the format of a weather file, and what shows it.

    Result: one of `FORMATS`, and the reason in words. A file that cannot be read at all, or is in
    siting's layout but for its separators, counts as daily: that reader says what is wrong.
    """
    lines = _first_lines(path)
    if lines is None:
        return "daily", "it cannot be read"
    first, second = lines[0], lines[1]
    cells = {cell.strip().strip('"').lower() for cell in re.split(r"[,;\t]", first)}
    shows = {
        "epw": (first.startswith("LOCATION,"), "its first line begins with LOCATION"),
        "tmy3": ("Date (MM/DD/YYYY)" in second, "its second line has TMY3's headers"),
        "tmy2": (_TMY2.fullmatch(first) is not None, "its first line is TMY2's station line"),
        "psm3": (first.startswith("Source,Location ID"), "its first line is the NSRDB's"),
        "ghcn": (_is_ghcn(first, second, cells), "its lines are those of GHCN-Daily"),
        "normals": (_is_normals(cells), "its header has month and no date"),
        "daily": (_is_daily(cells), "its header has siting's columns"),
    }
    found = [(name, why) for name, (yes, why) in shows.items() if yes]
    if len(found) == 1:
        return found[0]
    if not found and "\N{REPLACEMENT CHARACTER}" in first + second:
        mend = "Save the table as CSV (comma separated, UTF-8)."
        fault = Fault(path.name, "a text that is not UTF-8", "a CSV file in UTF-8", mend)
        raise InputError([fault])
    what = "a file that fits no format" if not found else "a file that fits several formats"
    mend = 'Add format = "..." under [weather], or write the file in siting\'s daily layout.'
    raise InputError([Fault(path.name, what, "; ".join(FORMATS), mend)])


def _first_lines(path: Path) -> list[str] | None:
    """Return the first lines, or None when there are none to be read."""
    try:
        if path.suffix == ".gz":
            with gzip.open(path) as file:
                head = file.read(_BYTES)
        else:
            with path.open("rb") as file:
                head = file.read(_BYTES)
    except (OSError, EOFError):
        return None
    text = head.decode("utf-8-sig", errors="replace")
    lines = text.splitlines()
    return [*lines, *[""] * _LINES][:_LINES] if text.strip() else None


def _is_ghcn(first: str, second: str, cells: set[str]) -> bool:
    wide = {"station", "date"} <= cells and bool({"prcp", "tmax", "tmin"} & cells)
    headed = "element" in cells and _GHCN_ROW.fullmatch(second) is not None
    return wide or headed or _GHCN_ROW.fullmatch(first) is not None


def _ours() -> set[str]:
    return {*COLUMNS, *SPELLINGS}


def _is_normals(cells: set[str]) -> bool:
    return "month" in cells and "date" not in cells


def _is_daily(cells: set[str]) -> bool:
    if "month" in cells and "date" not in cells:
        return False
    foreign = {"station", "element"} & cells
    return bool(cells & _ours()) or ("date" in cells and not foreign)
