"""A folder of results is the old one or the new one, whole, whatever happens."""

from __future__ import annotations

import errno
import hashlib
import json
import os
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

from siting.cli.main import main
from siting.errors import SitingError
from siting.files import scratch_folder
from siting.handoff import bundle, gisfiles, results
from siting.handoff.bundle import verify_results, write_bundle
from siting.handoff.formats import NAMES
from siting.handoff.results import new_results, results_lock
from tests.plan_factory import make_plan
from tests.small_property import coarse_property, write_property
from tests.stub_results import start_stub, stubs


def listing(folder):
    """Return what lies in a folder, without the list of what was written there."""
    files = [p for p in sorted(folder.rglob("*")) if p.is_file() and p.name != "source.json"]
    return {p.name: p.read_bytes() for p in files}


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


def test_older_crew_sheets_of_controllers_do_not_stand_beside_newer_results(tmp_path):
    out = tmp_path / "out"
    write(out, **{"crew.pdf": "index", "crew-001-North.pdf": "1", "crew-002-South.pdf": "1"})
    (out / "crew-001-North.pdf").write_text("with my notes", encoding="utf-8")
    (out / "crew-009-mine.pdf").write_text("mine", encoding="utf-8")
    write(out, **{"crew.pdf": "all", "crew-002-West.pdf": "2"})
    [kept] = (out / "kept").iterdir()
    assert kept.read_text("utf-8") == "with my notes"
    found = {path.name: path.read_text("utf-8") for path in out.glob("*.pdf")}
    assert found == {"crew.pdf": "all", "crew-002-West.pdf": "2", "crew-009-mine.pdf": "mine"}
    listed = json.loads((out / "source.json").read_text("utf-8"))["files"]
    assert list(listed) == ["crew-002-West.pdf", "crew.pdf"]


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
    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        gone.wait()
    mine = scratch_folder(tmp_path, ".out-new-")
    dead = mine.name.replace(f"-{os.getpid()}-", f"-{gone.pid}-")
    far = dead.replace(".out-new-", ".out-new-another.machine.")
    alive = f"{mine.name}x"
    mine.rename(tmp_path / alive)  # of a process that runs: this one
    for name in (dead, far, dead.replace("out", "other")):
        (tmp_path / name).mkdir()
    write(tmp_path / "out", a="1")
    left = {p.name for p in tmp_path.iterdir()}
    assert left == {alive, far, dead.replace("out", "other"), "out"}


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


@pytest.fixture
def stub_writers(monkeypatch):
    """Files of no content, for tests about which folder is written and when."""
    monkeypatch.setattr(bundle, "formats", lambda _also: stubs("1"))


@pytest.mark.usefixtures("stub_writers")
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


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A small property and its results."""
    folder = tmp_path_factory.mktemp("planned")
    path = coarse_property(folder / "p")
    done = plan_into(path, "--out", folder / "p" / "results", "--set", "control.max_sensors=1")
    assert done.exit_code == 0, done.output
    return folder / "p"


def full_disk():
    """Let no file grow beyond 100 kB: what a full disk does to a writer amid a file."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))


def test_a_full_disk_leaves_earlier_results_and_says_so(planned, tmp_path):
    shutil.copytree(planned, tmp_path / "p")
    out = (tmp_path / "p" / "results").rename(tmp_path / "out")
    command = [
        sys.executable,
        "-m",
        "siting.cli",
        "plan",
        str(tmp_path / "p"),
        "--out",
        str(out),
    ]
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

    monkeypatch.setattr(results.tempfile, "TemporaryFile", refuse)
    with pytest.raises(SitingError, match=r"cannot write to .*Permission denied"):
        write_bundle(make_plan(), tmp_path / "out")


def test_a_folder_in_a_read_only_parent_is_written_file_by_file(tmp_path, monkeypatch):
    write(tmp_path / "out", a="1")
    for made in ("mkdtemp", "TemporaryFile"):
        monkeypatch.setattr(tempfile, made, not_in(tmp_path, getattr(tempfile, made)))
    with results_lock(tmp_path / "out"):
        write(tmp_path / "out", a="2")
    assert listing(tmp_path / "out") == {"a": b"2"}
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def not_in(folder, make):
    def choosy(*, dir, **more):  # noqa: A002 - the name that callers use
        if Path(dir) == folder:
            raise PermissionError(errno.EACCES, "Permission denied")
        return make(dir=dir, **more)

    return choosy


def test_killed_at_random_moments_the_results_are_whole(tmp_path):
    """Old or new, never some of each; `python -m tests.validation.kill` does it 200 times."""
    from tests.validation.kill import killed, planner

    tally = killed(tmp_path, planner(tmp_path), times=1, seed=1)
    assert tally["mixed"] == 0
    assert tally["old"] + tally["new"] == 1


def test_killed_many_times_the_results_are_whole(tmp_path):
    """As above, but that the content costs nothing."""
    from tests.validation.kill import killed

    tally = killed(tmp_path, start_stub, times=40, seed=1)
    assert tally["mixed"] == 0
    assert tally["old"] + tally["new"] == 40
    assert min(tally["old"], tally["new"]) > 0, "no kill was before, or none behind the exchange"


def test_verify_finds_nothing_then_what_was_changed(planned, tmp_path):
    shutil.copytree(planned, tmp_path / "p")
    out = tmp_path / "p" / "results"
    runner = CliRunner()
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

    monkeypatch.setattr(gisfiles, "write_gis", locked)
    with pytest.raises(SitingError, match=r"database is locked\. Earlier results are untouched"):
        write_bundle(make_plan(), tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_a_format_that_there_is_not_is_refused(tmp_path):
    with pytest.raises(SitingError, match="scroll"):
        write_bundle(make_plan(), tmp_path / "out", also=["scroll"])
    assert list(tmp_path.iterdir()) == []


def sums(folder):
    return {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*") if p.is_file()}


def plan_into(*argv):
    return CliRunner().invoke(main, ["plan", *map(str, argv)])


def test_results_never_take_the_place_of_an_input_or_of_a_users_own_file(tmp_path, monkeypatch):
    path = write_property(tmp_path / "p")
    home = path.parent
    (home / "layers.gpkg").rename(home / "plan.gpkg")
    path.write_text(path.read_text("utf-8").replace("layers.gpkg", "plan.gpkg"), encoding="utf-8")
    (home / "map.html").write_text("my own page", encoding="utf-8")
    (home / "plan.dxf").write_text("my own drawing", encoding="utf-8")
    before = sums(home)
    monkeypatch.setattr("siting.planning.make.plan", None)  # nothing may be computed
    monkeypatch.chdir(home)
    for where in (".", home, home / "new" / ".."):
        done = plan_into(home, "--out", where, "--dxf")
        assert done.exit_code == 1, done.output
        assert "plan.gpkg, which this run reads" in done.output
        assert "map.html, plan.dxf, which no earlier run wrote" in done.output
        assert "--out" in done.output
        assert sums(home) == before


@pytest.mark.usefixtures("stub_writers")
def test_a_drawing_that_nobody_asked_for_is_the_users_own(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "plan.dxf").write_text("my own drawing", encoding="utf-8")
    write_bundle(make_plan(), out)
    write_bundle(make_plan(), out)
    assert (out / "plan.dxf").read_text("utf-8") == "my own drawing"


def test_what_was_written_is_listed_and_what_was_changed_since_is_kept(tmp_path):
    out = tmp_path / "out"
    written = write_bundle(make_plan(), out)
    assert tuple(path.name for path in written) == NAMES
    listed = json.loads((out / "source.json").read_text("utf-8"))["files"]
    assert listed == {path.name: sums(out)[path] for path in written}
    (out / "sensors.csv").write_text("with my notes", encoding="utf-8")
    sheet = out / "readings.csv"
    rows = sheet.read_text("utf-8").splitlines()
    sheet.write_text("\n".join([rows[0], rows[1] + "x", *rows[2:]]), encoding="utf-8")
    filled = sheet.read_bytes()
    write_bundle(make_plan(), out)
    [kept] = (out / "kept").iterdir()
    assert kept.read_text("utf-8") == "with my notes"
    [aside] = (out / "filled-readings").iterdir()
    assert aside.read_bytes() == filled
    assert json.loads((out / "source.json").read_text("utf-8"))["files"] == listed


@pytest.mark.parametrize("name", ["plan.json", "sensors.csv", "source.json"])
def test_a_foreign_file_in_the_way_is_refused_by_the_library_too(tmp_path, name):
    (tmp_path / name).write_text("mine", encoding="utf-8")
    with pytest.raises(SitingError, match=rf"{name}, which no earlier run wrote"):
        write_bundle(make_plan(), tmp_path)
    assert {p.name: p.read_text("utf-8") for p in tmp_path.iterdir()} == {name: "mine"}


@pytest.mark.usefixtures("stub_writers")
def test_runs_with_other_temporary_folders_exclude_each_other(tmp_path):
    """Six pairs of runs ended in tracebacks or in silent overwriting."""
    (tmp_path / "tmp").mkdir()
    code = (
        "import sys, time; from siting.handoff.results import results_lock\n"
        "with results_lock(sys.argv[1]):\n"
        "    print('held', flush=True); time.sleep(60)\n"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "out")]
    elsewhere = os.environ | {"TMPDIR": str(tmp_path / "tmp")}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=elsewhere) as other:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(SitingError, match="another run is writing to"):
            write_bundle(make_plan(), tmp_path / "out")
        other.kill()
    write_bundle(make_plan(), tmp_path / "out")
    assert {p.name for p in tmp_path.iterdir()} == {"out", "tmp"}  # no lock file is left


def test_a_folder_that_cannot_be_written_is_told_before_the_computing(tmp_path, monkeypatch):
    path = write_property(tmp_path / "p")
    monkeypatch.setattr("siting.planning.make.plan", None)
    (tmp_path / "file").write_text("")
    for out in (tmp_path / "file" / "out", "/proc/siting/out"):
        done = plan_into(path, "--out", out)
        assert done.exit_code == 1
        assert "cannot write to" in done.output
        assert "Nothing was computed" in done.output
