"""Results of stages kept beside a run's: never wrong, bounded, safe to damage and to delete."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from siting import stages as module
from siting.handoff.document import plan_document
from siting.handoff.gisfiles import write_sun_hours
from siting.handoff.overlays import sun_document
from siting.planning.make import plan, read_inputs
from siting.site.property import changed_property
from siting.stages import Keeper, Stages, keeper, keeping, kept_beside, stages_beside
from tests.large import write_campus
from tests.plan_factory import make_plan
from tests.small_property import coarse_property


def never():
    """Stand for a stage that must not run."""
    pytest.fail("the stage ran although its result was kept")


def test_a_result_is_found_again_and_only_under_what_it_rests_on(tmp_path):
    store = Stages(tmp_path / "kept")
    made = {"depth": np.arange(6.0).reshape(2, 3), "words": ("a", None)}
    assert keeper(store, 1, "x").kept("sun", lambda: made) is made
    found = keeper(Stages(tmp_path / "kept"), 1, "x").kept("sun", never)
    np.testing.assert_array_equal(found["depth"], made["depth"])
    assert found["words"] == made["words"]
    for other in (keeper(store, 2, "x"), keeper(store, 1, "x").on(3)):
        assert other.kept("sun", lambda: "anew") == "anew"
    assert keeper(store, 1, "x").kept("ground", lambda: "anew") == "anew"


def test_another_program_or_library_finds_nothing(tmp_path, monkeypatch):
    store = Stages(tmp_path)
    keeper(store, 1).kept("sun", lambda: "old")
    monkeypatch.setattr(module, "_program", lambda: "another")
    assert keeper(store, 1).kept("sun", lambda: "new") == "new"


@pytest.mark.parametrize(
    "harm",
    [
        lambda _: b"",
        lambda content: content[:-3],
        lambda content: content[:40] + bytes([content[40] ^ 1]) + content[41:],
        lambda content: b"\0" * len(content),
    ],
)
def test_a_damaged_entry_is_worked_out_again_and_said(tmp_path, harm):
    store = Stages(tmp_path)
    keeper(store, 1).kept("sun", lambda: list(range(50)))
    (file,) = tmp_path.glob("*.stage")
    whole = file.read_bytes()
    file.write_bytes(harm(whole))
    assert keeper(store, 1).kept("sun", lambda: list(range(50))) == list(range(50))
    assert "damaged" in store.notes[0]
    assert file.read_bytes() == whole


def test_an_entry_that_names_something_to_run_is_refused(tmp_path):
    store = Stages(tmp_path)
    keeper(store, 1).kept("sun", lambda: 1)
    (file,) = tmp_path.glob("*.stage")
    hostile = pickle.dumps(os.getcwd)
    digest = module.hashlib.sha256(hostile).digest()
    file.write_bytes(digest + hostile)
    assert keeper(store, 1).kept("sun", lambda: 2) == 2
    assert store.notes


def test_the_oldest_make_room_and_what_is_too_large_is_not_kept(tmp_path):
    store = Stages(tmp_path, most=4_000)
    for k in range(5):
        keeper(store, k).kept("sun", lambda: bytes(1_200))
        for at, file in enumerate(sorted(tmp_path.iterdir(), key=lambda f: f.stat().st_mtime_ns)):
            os.utime(file, ns=(at, at))
    assert sum(file.stat().st_size for file in tmp_path.iterdir()) <= 4_000
    keeper(store, 4).kept("sun", never)
    assert keeper(store, 9).kept("sun", lambda: bytes(3_000)) == bytes(3_000)
    assert all(file.stat().st_size < 3_000 for file in tmp_path.iterdir())


def test_nothing_is_kept_where_it_cannot_be(tmp_path):
    (tmp_path / "file").write_text("in the way")
    assert keeper(Stages(tmp_path / "file"), 1).kept("sun", lambda: 5) == 5
    assert Keeper().on(1).kept("sun", lambda: 6) == 6
    assert keeper(Stages(tmp_path / "kept"), lambda: 0).kept("sun", lambda: 7) == 7
    assert not (tmp_path / "kept").exists()
    assert stages_beside(tmp_path / "out").folder == tmp_path / ".out.stages"


def test_a_plan_with_another_price_takes_sun_and_ground_from_the_last(tmp_path, monkeypatch):
    source = write_campus(tmp_path, 1, resolution=4, scenarios=1, years=1, zones=1, trees=2)
    settings, site, climate = read_inputs(source)
    store = Stages(tmp_path / "kept")
    first = plan_document(plan(site, climate, settings, stages=store))
    monkeypatch.setattr("siting.zones.survey._worked_out", lambda *_, **__: never())
    monkeypatch.setattr("siting.planning.make._places", lambda *_, **__: never())
    monkeypatch.setattr("siting.decide.decision.governors", lambda *_, **__: never())
    assert plan_document(plan(site, climate, replace(settings), stages=store)) == first
    dearer = changed_property(settings, {"water.price": 3.0})
    asked = plan_document(plan(site, climate, dearer, stages=store))
    assert asked["economics"]["claim"] != first["economics"]["claim"]
    assert store.notes == []


def test_small_stages_are_kept_where_a_store_is_and_made_elsewhere(tmp_path):
    assert [kept_beside("draws", lambda at=at: at, 1) for at in (1, 2)] == [1, 2]
    with keeping(Stages(tmp_path)):
        assert kept_beside("draws", lambda: 3, 1) == 3
        assert kept_beside("draws", never, 1) == 3
        assert kept_beside("draws", lambda: 4, 2) == 4
        with keeping(None):
            assert kept_beside("draws", lambda: 5, 1) == 5
    assert kept_beside("draws", lambda: 6, 1) == 6


def test_pictures_and_rasters_are_taken_from_the_last_run_and_are_the_same(tmp_path, monkeypatch):
    plan_made, store = make_plan(), Stages(tmp_path / "kept")
    plain = sun_document(plan_made)
    file = write_sun_hours(plan_made, tmp_path / "sun-hours.tif").read_bytes()
    with keeping(store):
        assert sun_document(plan_made) == plain
        assert write_sun_hours(plan_made, tmp_path / "first.tif").read_bytes() == file
    monkeypatch.setattr("siting.handoff.overlays.shade_instants", lambda *_, **__: never())
    monkeypatch.setattr("siting.handoff.gisfiles.nearest", lambda *_: never())
    with keeping(store):
        assert sun_document(replace(plan_made, headline="Another")) == plain
        assert write_sun_hours(plan_made, tmp_path / "again.tif").read_bytes() == file
        felled = replace(plan_made.site, trees=plan_made.site.trees.iloc[:-1])
        with pytest.raises(pytest.fail.Exception):
            sun_document(replace(plan_made, site=felled))


_ASKED = """
import sys
from siting.cli.main import main
late = "numba", "openpyxl", "rasterio", "scipy.sparse", "scipy.stats"
try:
    main()
finally:
    print([name for name in late if name in sys.modules], file=sys.stderr)
"""


def test_a_question_about_a_price_simulates_nothing_and_is_the_same_without_what_was_kept(tmp_path):
    home = coarse_property(tmp_path / "home")

    def asked(out, *more):
        words = ["plan", str(home), "--out", str(tmp_path / out), "--threads", "1", *more]
        command = [sys.executable, "-c", _ASKED, *words]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        return done.stderr.splitlines()[-1]

    asked("kept", "--keep")
    assert asked("kept", "--keep", "--set", "water.price=2.02") == "[]"
    loaded = "['numba', 'openpyxl', 'rasterio', 'scipy.sparse']"
    assert asked("plain", "--set", "water.price=2.02") == loaded
    kept, plain = (
        {path.name: path.read_bytes() for path in (tmp_path / out).iterdir() if path.is_file()}
        for out in ("kept", "plain")
    )
    assert kept == plain
