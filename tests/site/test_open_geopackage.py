"""A GeoPackage open in another program: its waiting changes are read, its files left alone."""

import shutil
import sqlite3
from pathlib import Path

import pytest

from siting.errors import InputError
from siting.site import vector as geopackage
from siting.site.property import read_property
from siting.site.reading import read_site
from siting.site.vector import settled, waiting_log

YARD = Path(__file__).parents[2] / "data" / "yard"


def cut_a_tree(path):
    """Delete a tree of three as an open program does: the change waits in the log."""
    base = sqlite3.connect(path)
    base.execute("PRAGMA journal_mode = WAL")
    base.execute("PRAGMA wal_autocheckpoint = 0")
    names = "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'trees'"
    for (name,) in base.execute(names).fetchall():
        base.execute(f'DROP TRIGGER "{name}"')
    base.execute("DELETE FROM trees WHERE fid = 1")
    base.commit()
    return base


def left_behind(folder):
    """Return a copy of the yard with a log that a program left as it died."""
    shutil.copytree(YARD, folder)
    base = cut_a_tree(folder / "yard.gpkg")
    kept = {s: Path(f"{folder}/yard.gpkg{s}").read_bytes() for s in ("", "-wal")}
    base.close()
    for suffix, data in kept.items():
        Path(f"{folder}/yard.gpkg{suffix}").write_bytes(data)
    return folder / "yard.gpkg"


def files_of(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_waiting_changes_are_read_and_the_files_left_as_they_are(tmp_path):
    left_behind(tmp_path / "yard")
    before = files_of(tmp_path / "yard")
    site = read_site(read_property(tmp_path / "yard"))
    assert len(site.trees) == 2
    assert any("yard.gpkg-wal" in warning for warning in site.warnings)
    assert files_of(tmp_path / "yard") == before


def test_a_program_that_is_still_running_keeps_its_changes(tmp_path):
    shutil.copytree(YARD, tmp_path / "yard")
    base = cut_a_tree(tmp_path / "yard" / "yard.gpkg")
    assert len(read_site(read_property(tmp_path / "yard")).trees) == 2
    base.execute("DELETE FROM trees WHERE fid = 2")
    assert len(read_site(read_property(tmp_path / "yard")).trees) == 2, "not yet committed"
    base.commit()
    assert len(read_site(read_property(tmp_path / "yard")).trees) == 1
    base.close()
    assert waiting_log(tmp_path / "yard" / "yard.gpkg") is None
    assert len(read_site(read_property(tmp_path / "yard")).trees) == 1


def test_what_is_complete_is_read_where_it_lies(tmp_path):
    path = tmp_path / "layers.gpkg"
    path.write_bytes(b"any")
    with settled(path) as read:
        assert read == path
    Path(f"{path}-wal").touch()
    assert waiting_log(path) is None, "an empty log holds nothing"
    with settled(path) as read:
        assert read == path
    Path(f"{path}-wal").write_bytes(b"some")
    with settled(path) as read:
        assert read != path
        assert files_of(read.parent) == files_of(tmp_path)
    assert not read.parent.exists()


def writes_meanwhile(path, times, monkeypatch):
    """Let another program write to the log while it is copied, so many times."""
    copy, left = shutil.copyfile, [times]

    def copied(source, target):
        copy(source, target)
        if left[0] and Path(source).name.endswith("-wal"):
            left[0] -= 1
            log = Path(f"{path}-wal")
            log.write_bytes(log.read_bytes() + b"more")

    monkeypatch.setattr(geopackage.shutil, "copyfile", copied)


def test_a_file_that_changes_is_copied_again(tmp_path, monkeypatch):
    path = left_behind(tmp_path / "yard")
    writes_meanwhile(path, 2, monkeypatch)
    with settled(path) as read:
        assert Path(f"{read}-wal").read_bytes() == Path(f"{path}-wal").read_bytes()


def test_a_file_that_never_rests_is_refused_in_words(tmp_path, monkeypatch):
    path = left_behind(tmp_path / "yard")
    writes_meanwhile(path, -1, monkeypatch)
    with pytest.raises(InputError) as caught:
        read_site(read_property(tmp_path / "yard"))
    [fault] = [f for f in caught.value.faults if "another program" in f.found]
    assert fault.file == "yard.gpkg"
    assert "Close it" in fault.mend


def test_a_program_that_died_while_it_wrote_is_said(tmp_path):
    source = shutil.copytree(YARD, tmp_path / "yard")
    base = sqlite3.connect(source / "yard.gpkg", isolation_level=None)
    base.execute("PRAGMA cache_size = 1")
    base.execute("BEGIN IMMEDIATE")
    base.execute("CREATE TABLE more (a)")
    base.executemany("INSERT INTO more VALUES (?)", [("x" * 2000,)] * 300)
    died = shutil.copytree(source, tmp_path / "died")
    base.close()
    before = files_of(died)
    with pytest.raises(InputError) as caught:
        read_site(read_property(died))
    [fault] = caught.value.faults
    assert "yard.gpkg-journal" in fault.found
    assert "close it there" in fault.mend
    assert files_of(died) == before


def test_a_log_without_measure_is_not_copied(tmp_path, monkeypatch):
    path = left_behind(tmp_path / "yard")
    with Path(f"{path}-wal").open("r+b") as log:
        log.truncate(400_000_000)  # sparse
    monkeypatch.setattr(geopackage.shutil, "copyfile", None)
    with pytest.raises(InputError, match=r"yard.gpkg-wal is larger than 300 MB"):
        read_site(read_property(tmp_path / "yard"))
