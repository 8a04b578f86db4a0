"""A file is written whole or not at all."""

import os

import pytest

from siting.files import atomic_path, write_bytes, write_text


def test_writes_text_as_utf8_with_plain_line_feeds(tmp_path):
    target = tmp_path / "deep" / "plan.txt"
    assert write_text(target, "Gartenstraße\n² ✓\n") == target
    assert target.read_bytes() == "Gartenstraße\n² ✓\n".encode()


def _write_half_of(target, fault):
    with atomic_path(target) as part:
        part.write_bytes(b"new, but ")
        raise fault


def test_failure_leaves_the_old_file_and_no_sibling(tmp_path):
    target = write_bytes(tmp_path / "plan.json", b"old")
    with pytest.raises(RuntimeError, match="half way"):
        _write_half_of(target, RuntimeError("half way"))
    assert target.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]


def test_an_interrupt_cleans_up_too(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        _write_half_of(tmp_path / "a.bin", KeyboardInterrupt())
    assert list(tmp_path.iterdir()) == []


def test_nothing_written_is_an_error(tmp_path):
    with pytest.raises(FileNotFoundError), atomic_path(tmp_path / "a.bin"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_the_sibling_is_in_the_same_folder_with_the_same_ending(tmp_path):
    with atomic_path(tmp_path / "plan.gpkg") as part:
        assert part.parent == tmp_path
        assert part.suffix == ".gpkg"
        assert not part.exists()
        part.write_bytes(b"x")
        assert not (tmp_path / "plan.gpkg").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["plan.gpkg"]


@pytest.mark.skipif(os.name != "posix", reason="POSIX permissions")
def test_permissions_are_those_of_a_plain_file_or_of_the_file_replaced(tmp_path):
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    ours = write_bytes(tmp_path / "ours", b"x")
    assert ours.stat().st_mode == plain.stat().st_mode
    ours.chmod(0o640)
    write_bytes(ours, b"y")
    assert ours.stat().st_mode & 0o777 == 0o640
