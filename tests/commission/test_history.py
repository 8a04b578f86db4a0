"""The history: one record per commissioning, whole or not at all, never replaced."""

import json
import os

import pytest

from siting.commission.record import append_record, copy_history, read_history
from siting.errors import InputError, SitingError


def add(folder, number, **more):
    return append_record(
        folder, {"what": f"visit {number}", **more},
        readings={"sheet.csv": f"a,b\n{number},2\n".encode()}, files={"plan.json": b"{}"},
    )  # fmt: skip


def bytes_of(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_records_add_up_and_can_be_read_again(tmp_path):
    assert read_history(tmp_path) == ()
    for number in range(3):
        assert add(tmp_path, number).number == number
    records = read_history(tmp_path)
    assert [r.content["what"] for r in records] == ["visit 0", "visit 1", "visit 2"]
    assert records[1].readings[0].read_text() == "a,b\n1,2\n"
    assert records[2].content["before"] == records[1].digest


def test_the_same_visit_twice_is_one_record(tmp_path):
    add(tmp_path, 0)
    before = bytes_of(tmp_path)
    assert add(tmp_path, 0).number == 0
    assert bytes_of(tmp_path) == before


def test_earlier_records_stay_byte_for_byte(tmp_path):
    add(tmp_path, 0)
    before = bytes_of(tmp_path)
    add(tmp_path, 1)
    after = bytes_of(tmp_path)
    assert {k: after[k] for k in before} == before


@pytest.mark.parametrize("harm", ["change", "remove", "readings", "garbage"])
def test_a_changed_history_is_refused_and_nothing_written(tmp_path, harm):
    for number in range(3):
        add(tmp_path, number)
    place = tmp_path / "history" / "0001"
    if harm == "change":
        body = json.loads((place / "record.json").read_text())
        (place / "record.json").write_text(json.dumps({**body, "what": "other"}))
    elif harm == "remove":
        for path in sorted(place.rglob("*"), reverse=True):
            path.rmdir() if path.is_dir() else path.unlink()
        place.rmdir()
    elif harm == "readings":
        (place / "readings" / "sheet.csv").write_text("a,b\n9,9\n")
    else:
        (place / "record.json").write_text("{")
    before = bytes_of(tmp_path)
    with pytest.raises(InputError, match="history"):
        add(tmp_path, 3)
    assert bytes_of(tmp_path) == before


def test_a_failure_while_writing_leaves_nothing_half(tmp_path, monkeypatch):
    add(tmp_path, 0)
    before = bytes_of(tmp_path)

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "rename", fail)
    with pytest.raises(SitingError, match="No space left"):
        add(tmp_path, 1)
    assert bytes_of(tmp_path) == before
    assert [p.name for p in (tmp_path / "history").iterdir()] == ["0000"]


def test_a_rename_never_replaces_a_record(tmp_path):
    add(tmp_path, 0)
    (tmp_path / "history" / "0001").mkdir()
    (tmp_path / "history" / "0001" / "x").write_text("someone else")
    with pytest.raises(InputError):
        add(tmp_path, 1)
    assert (tmp_path / "history" / "0001" / "x").read_text() == "someone else"


def test_a_history_goes_along_into_another_folder(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    add(one, 0)
    add(one, 1)
    copy_history(one, two)
    assert bytes_of(one) == bytes_of(two)
    add(two, 2)
    copy_history(one, two)  # a continuation is left as it is
    assert len(read_history(two)) == 3
    add(one, 9)
    with pytest.raises(InputError, match="another history"):
        copy_history(one, two)
