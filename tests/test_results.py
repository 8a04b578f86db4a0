"""A folder of results is the old one or the new one, whole, whatever happens."""

from __future__ import annotations

import errno
import json
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from siting.cli import main
from siting.errors import SitingError
from siting.handoff import bundle, results
from siting.handoff.bundle import write_bundle
from siting.handoff.results import new_results, results_lock
from siting.handoff.verify import verify_results
from tests.plan_factory import make_plan
from tests.small_property import write_property


def listing(folder):
    return {p.name: p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def write(folder, **files):
    with new_results(folder) as scratch:
        for name, text in files.items():
            (scratch / name).write_text(text, encoding="utf-8")


def test_new_results_replace_old_ones_and_leave_the_rest(tmp_path):
    target = tmp_path / "out"
    write(target, a="1", b="1")
    (target / "mine.txt").write_text("keep", encoding="utf-8")
    (target / "photos").mkdir()
    (target / "photos" / "s1.jpg").write_bytes(b"\xff\xd8")
    (target / "link").symlink_to("mine.txt")
    write(target, a="2")
    assert (target / "a").read_text(encoding="utf-8") == "2"
    assert (target / "b").read_text(encoding="utf-8") == "1"  # of unknown origin: left alone
    assert (target / "mine.txt").read_text(encoding="utf-8") == "keep"
    assert (target / "photos" / "s1.jpg").read_bytes() == b"\xff\xd8"
    assert (target / "link").is_symlink()
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_an_older_drawing_does_not_stand_beside_newer_results(tmp_path):
    write(tmp_path / "out", **{"plan.json": "1", "plan.dxf": "1"})
    write(tmp_path / "out", **{"plan.json": "2"})
    assert listing(tmp_path / "out") == {"plan.json": b"2"}


@pytest.mark.parametrize("exchange", [True, False])
def test_a_failure_while_writing_changes_nothing(tmp_path, monkeypatch, exchange):
    if not exchange:
        monkeypatch.setattr(results, "_exchange", lambda *_: False)
    target = tmp_path / "out"
    write(target, a="1")
    (target / "mine.txt").write_text("keep", encoding="utf-8")
    before = listing(target)

    def fail():
        with new_results(target) as scratch:
            (scratch / "a").write_text("2", encoding="utf-8")
            msg = "no"
            raise OSError(msg)

    with pytest.raises(OSError, match="no"):
        fail()
    assert listing(target) == before
    write(target, a="3")
    assert listing(target) == before | {"a": b"3"}
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_what_a_killed_run_left_is_swept_and_other_hidden_folders_are_not(tmp_path):
    (tmp_path / ".out-new-abc").mkdir()
    (tmp_path / ".other-new-abc").mkdir()
    write(tmp_path / "out", a="1")
    assert sorted(p.name for p in tmp_path.iterdir()) == [".other-new-abc", "out"]


def test_standing_in_the_folder_is_no_trap(tmp_path, monkeypatch):
    target = tmp_path / "out"
    write(target, a="1")
    monkeypatch.chdir(target)
    write(".", a="2")
    assert listing(Path()) == {"a": b"2"}
    assert listing(target) == {"a": b"2"}


def test_mode_of_the_folder_is_kept(tmp_path):
    write(tmp_path / "out", a="1")
    fresh = (tmp_path / "out").stat().st_mode & 0o777
    (tmp_path / "plain").mkdir()
    assert fresh == (tmp_path / "plain").stat().st_mode & 0o777
    (tmp_path / "out").chmod(0o750)
    write(tmp_path / "out", a="2")
    assert (tmp_path / "out").stat().st_mode & 0o777 == 0o750


def test_two_runs_into_one_folder(tmp_path):
    plan = make_plan()
    code = (
        "import sys, time; from siting.handoff.results import results_lock\n"
        "with results_lock(sys.argv[1]):\n"
        "    print('held', flush=True); time.sleep(60)\n"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "out")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(SitingError, match=r"another run is writing to .*--out"):
            write_bundle(plan, tmp_path / "out")
        assert not (tmp_path / "out").exists()
        write_bundle(plan, tmp_path / "elsewhere")
        other.send_signal(signal.SIGKILL)
        other.wait()
    write_bundle(plan, tmp_path / "out")  # the lock went with the process
    assert listing(tmp_path / "out") == listing(tmp_path / "elsewhere")


def test_the_lock_may_be_taken_again_inside(tmp_path):
    with results_lock(tmp_path), results_lock(tmp_path):
        pass
    with results_lock(tmp_path):
        pass


def full_disk():
    """Let no file grow beyond 100 kB: what a full disk does to a writer amid a file."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))


def test_a_full_disk_leaves_earlier_results_and_says_so(tmp_path):
    write_property(tmp_path / "p")
    out = tmp_path / "out"
    command = [sys.executable, "-m", "siting.cli", "plan", str(tmp_path / "p"), "--out", str(out)]
    subprocess.run(command, check=True, capture_output=True)
    before = listing(out)
    run = subprocess.run(command, check=False, capture_output=True, text=True, preexec_fn=full_disk)
    assert run.returncode == 1
    assert "Earlier results are untouched" in run.stderr
    assert "Traceback" not in run.stderr
    assert listing(out) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "p"]


def test_a_read_only_place_is_told(tmp_path, monkeypatch):
    def refuse(**_):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(results.tempfile, "mkdtemp", refuse)
    with pytest.raises(SitingError, match=r"cannot write to .*Permission denied"):
        write_bundle(make_plan(), tmp_path / "out")


def test_a_folder_in_a_read_only_parent_is_written_file_by_file(tmp_path, monkeypatch):
    write(tmp_path / "out", a="1")
    make = tempfile.mkdtemp

    def choosy(*, prefix, dir):  # noqa: A002 - the name that callers use
        if Path(dir) == tmp_path:
            raise PermissionError(errno.EACCES, "Permission denied")
        return make(prefix=prefix, dir=dir)

    monkeypatch.setattr(results.tempfile, "mkdtemp", choosy)
    write(tmp_path / "out", a="2")
    assert listing(tmp_path / "out") == {"a": b"2"}


def test_killed_at_random_moments_the_results_are_whole(tmp_path):
    """Old or new, never some of each; `tests/validation/kill.py` does it 200 times."""
    from tests.validation.kill import killed

    tally = killed(tmp_path, times=4, seed=1)
    assert tally["mixed"] == 0
    assert tally["old"] + tally["new"] == 4


def test_verify_finds_nothing_then_what_was_changed(tmp_path):
    write_property(tmp_path / "p")
    out = tmp_path / "p" / "results"
    runner = CliRunner()
    argv = ["plan", str(tmp_path / "p"), "--out", str(out), "--set", "control.max_sensors=1"]
    assert runner.invoke(main, argv).exit_code == 0
    document = json.loads((out / "plan.json").read_text("utf-8"))
    assert document["provenance"]["changes"] == {"control.max_sensors": 1}
    assert {"gdal of pyogrio", "gdal of rasterio"} <= set(document["provenance"]["libraries"])
    again = verify_results(out, threads=2)
    assert again.holds
    assert again.different == again.inputs == again.versions == again.values == ()
    (out / "sensors.csv").write_text("changed by hand", encoding="utf-8")
    document["answer"] = "Eleven sensors."
    (out / "plan.json").write_text(json.dumps(document), encoding="utf-8")
    told = runner.invoke(main, ["verify", str(out)])
    assert told.exit_code == 1
    assert "differs: sensors.csv" in told.output
    assert 'value: answer: "Eleven sensors." then' in told.output
    weather = next((tmp_path / "p").glob("*.csv"))
    text = weather.read_text("utf-8").rstrip("\n").split("\n")
    weather.write_text("\n".join([*text[:-1], ""]), encoding="utf-8")
    told = runner.invoke(main, ["verify", str(out)])
    assert f"input changed: {weather.name}" in told.output
    shutil.copytree(out, tmp_path / "far" / "away")
    assert (
        "siting verify PLAN PROPERTY"
        in runner.invoke(main, ["verify", str(tmp_path / "far" / "away")]).output
    )


def test_writers_errors_are_told_in_words(tmp_path, monkeypatch):
    def locked(*_):
        msg = "database is locked"
        raise sqlite3.OperationalError(msg)

    monkeypatch.setattr(bundle, "write_gis", locked)
    with pytest.raises(SitingError, match=r"database is locked\. Earlier results are untouched"):
        write_bundle(make_plan(), tmp_path / "out")
    assert list(tmp_path.iterdir()) == []
