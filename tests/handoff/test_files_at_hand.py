"""Files as they lie about: locked by another program, without permission, with a stray cell."""

from __future__ import annotations

import resource
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from openpyxl import Workbook

from siting.errors import InputError
from siting.handoff.readingsheet import is_filled
from siting.handoff.results import new_results
from siting.planning.make import read_inputs
from siting.portfolio.layers import check_condition
from siting.portfolio.model import folder_name
from siting.portfolio.run import _put_aside
from siting.site.cells import read_sheets
from tests.small_property import write_property


def test_a_geopackage_that_another_program_locks_is_told_soon(tmp_path):
    path = write_property(tmp_path)
    base = sqlite3.connect(tmp_path / "layers.gpkg", isolation_level=None)
    base.execute("BEGIN EXCLUSIVE")
    began = time.monotonic()
    with pytest.raises(InputError, match="another program keeps locked") as told:
        read_inputs(path)
    assert time.monotonic() - began < 30  # it was 166 s; 2 s of waiting for each layer at most
    assert "Close it in the other program, or copy the file" in str(told.value)
    assert "Export it again" not in str(told.value)
    base.close()
    read_inputs(path)


@pytest.mark.parametrize("suffix", [".gpkg", ".csv"])
def test_a_file_that_may_not_be_read_is_told(tmp_path, monkeypatch, suffix):
    path = write_property(tmp_path)
    opened = Path.open

    def choosy(self, *args, **more):
        if self.suffix == suffix and self.parent == tmp_path:
            raise PermissionError(13, "Permission denied", str(self))
        return opened(self, *args, **more)

    monkeypatch.setattr(Path, "open", choosy)
    with pytest.raises(InputError, match="may not be read") as told:
        read_inputs(path)
    assert "Allow it to be read" in str(told.value)
    assert "Save the table as CSV" not in str(told.value)


def test_a_sheet_with_one_far_cell_takes_no_memory(tmp_path):
    """10 kB took 7.5 GB."""
    book = Workbook()
    page = book.active
    page.append(["sensor_id", "reading_1"])
    page.append(["S1", "23.5"])
    page["XFD1048576"] = "x"
    book.save(tmp_path / "far.xlsx")
    code = (
        "import sys; from pathlib import Path\n"
        "from siting.site.cells import read_sheets\n"
        "[sheet] = read_sheets(Path(sys.argv[1]))\n"
        "assert sheet.headers == ('sensor_id', 'reading_1'), sheet.headers\n"
        "assert sheet.rows == [(2, ['S1', '23.5'])] or len(sheet.rows[0][1]) >= 2\n"
    )

    def small():
        resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))

    command = [sys.executable, "-c", code, str(tmp_path / "far.xlsx")]
    done = subprocess.run(command, preexec_fn=small, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert is_filled(tmp_path / "far.xlsx")


@pytest.mark.parametrize("row", [0, 1])
def test_a_cell_too_long_for_csv_is_told(tmp_path, row):
    lines = [["sensor_id", "reading_1"], ["S1", "1"]]
    lines[row][1] = "x" * 140_000
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(",".join(line) for line in lines), encoding="utf-8")
    with pytest.raises(InputError, match="no CSV"):
        read_sheets(path)


@pytest.mark.parametrize("text", ["where", "-name == 3", "sensors > 1 and -name == 'x'"])
def test_a_minus_before_a_text_is_refused(text):
    with pytest.raises(InputError, match="--handoff"):
        check_condition(text, {"name": "text", "sensors": "number"})


def test_folders_of_ids_are_safe_where_capitals_do_not_count():
    ids = ["CON", "con", "Lpt1", "L1", "l1", "aux", "Lot-A", "LOT-A", "lot-a"]
    names = [folder_name(name) for name in ids]
    assert len({name.lower() for name in names}) == len(ids)
    assert not {name.lower() for name in names} & {"con", "lpt1", "aux"}
    assert folder_name("L000017") == "L000017"


def test_the_hand_off_of_an_earlier_run_is_never_removed(tmp_path):
    """A changed price removed crews' sheets, notes and histories without a word."""
    handoff = tmp_path / "handoff"
    for name in ("L1", "L2", "L3", "L4"):
        with new_results(handoff / name) as scratch:
            (scratch / "readings.csv").write_text("sensor_id\nS1\n", encoding="utf-8")
    (handoff / "L1" / "readings.csv").write_text("sensor_id\nS1,23.5\n", encoding="utf-8")
    (handoff / "L2" / "notes.txt").write_text("gate code", encoding="utf-8")
    (handoff / "L3" / "history" / "0000").mkdir(parents=True)
    before = {p.name for p in handoff.rglob("*")}
    moved, kept = _put_aside(handoff, {"key": "0123456789"})
    assert {p.name for p in handoff.rglob("*")} == before | {".old-01234567"}
    assert (handoff / ".old-01234567" / "L4" / "readings.csv").is_file()
    assert {p.name for p in handoff.iterdir()} == {".old-01234567", "L1", "L2", "L3"}
    assert moved.startswith("1 hand-off folders of an earlier run were moved to")
    assert "L1, L2, L3" in kept
    assert _put_aside(tmp_path / "none", {}) == []
