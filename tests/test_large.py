"""Large sites: what is worked out part by part is what the whole gives; pages stay small."""

from __future__ import annotations

import json
import math
import operator
import os
import platform
import re
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import fields, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from shapely.geometry import Point, box

from siting import parts
from siting.decide import choose
from siting.decide.choice import ALIKE, Options
from siting.decide.choose import Candidates, Equipment, Window, choose_sensors, fixed_zones
from siting.decide.governors import Events
from siting.errors import InputError, PlanError
from siting.handoff import drawing, facts, sheets
from siting.handoff.charts import worths
from siting.handoff.overlays import coarser
from siting.handoff.tables import about_chosen
from siting.handoff.webmap import map_document, map_html, packed
from siting.place import ties
from siting.planning import room
from siting.planning.room import memory_needed, room_within
from siting.site.model import LocalGrid
from siting.site.property import read_property
from siting.site.reading import read_site
from siting.stages import Stages, keeper
from siting.sun import light, shade
from siting.sun.light import ShadeOptions
from siting.sun.position import season_positions
from siting.sun.shade import Shading
from siting.wire.districts import DistrictNetwork, Land, routes_by_district
from siting.wire.routes import PricedGround, TrenchNetwork, wire_routes
from siting.zones.ground import SunVariants
from siting.zones.roots import PropertyRoots
from tests import chromium
from tests.large import write_campus
from tests.plan_factory import make_plan


def campus_of_candidates(seed: int, *, hours: float = np.inf) -> Candidates:
    """Return three controllers of four zones, three settings a zone; each governs its own alone."""
    rng = np.random.default_rng(seed)
    controller = np.repeat(np.arange(3), 4)
    alone, zone = rng.uniform(50, 200, 12), np.repeat(np.arange(12), 3)
    cost = np.tile(alone, (36, 1))
    for j, home in enumerate(zone):
        mine = controller == controller[home]
        own = alone * rng.uniform(0.5, 1.4, 12)
        cost[j, mine] = np.minimum(alone, own)[mine]
        cost[j, home] = own[home]
        if rng.random() < 0.1:
            cost[j] = np.inf
    equipment = Equipment(
        ("a", "b"), np.array([5.0, 20.0]), np.array([30.0, 22.0]), np.array([2, 4]),
        np.array([[True, False], [True, True]]), np.ones((2, 3), dtype=bool), controller,
        rng.integers(0, 2, 36),
    )  # fmt: skip
    window = Window(np.repeat(rng.uniform(5, 30, (1, 12)), 36, axis=0), hours, controller)
    return Candidates(zone, cost, rng.uniform(0, 20, 36), ("",) * 36, equipment, window)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("curve", [True, False])
@pytest.mark.cross_check("the same programme solved as one")
def test_controllers_solved_one_by_one_give_what_the_whole_gives(seed, curve, monkeypatch):
    candidates = campus_of_candidates(seed)
    whole = choose_sensors(candidates, max_sensors=7, curve=curve)
    monkeypatch.setattr(choose, "TOGETHER", 1)
    assert choose.parts_of(candidates) is not None
    parts = choose_sensors(candidates, max_sensors=7, curve=curve)
    assert [row.sensors for row in parts] == [row.sensors for row in whole]
    assert [row.cost for row in parts] == pytest.approx([row.cost for row in whole])
    assert choose.cheapest(parts) == choose.cheapest(whole)


def test_fewer_sensors_than_every_controller_would_like_are_shared_out_as_well(monkeypatch):
    candidates = campus_of_candidates(1)
    candidates = replace(candidates, fixed=0 * candidates.fixed)
    whole = choose_sensors(candidates, max_sensors=2, curve=False)
    monkeypatch.setattr(choose, "TOGETHER", 1)
    parts = choose_sensors(candidates, max_sensors=2, curve=False)
    assert parts[-1].sensors == whole[-1].sensors


def test_a_zone_that_another_controller_changes_keeps_the_problem_whole(monkeypatch):
    monkeypatch.setattr(choose, "TOGETHER", 1)
    candidates = campus_of_candidates(0)
    candidates.cost[0, 11] += 1.0
    assert choose.parts_of(candidates) is None


def test_one_sensor_in_given_zones_is_the_same_part_by_part(monkeypatch):
    candidates = campus_of_candidates(2)
    whole = fixed_zones(candidates, [0, 5, 6])
    monkeypatch.setattr(choose, "TOGETHER", 1)
    parts = fixed_zones(candidates, [0, 5, 6])
    assert parts.sensors == whole.sensors
    assert parts.cost == pytest.approx(whole.cost)


def test_hours_that_a_controller_without_a_sensor_would_pass_are_kept(monkeypatch):
    monkeypatch.setattr(choose, "TOGETHER", 1)
    parts = choose.parts_of(campus_of_candidates(0, hours=1.0))
    assert parts is not None
    assert all(part.alone == np.inf for part in parts)


def test_what_is_alike_is_told_against_one_controllers_cost():
    options = object.__new__(Options)
    options.__dict__["parts"] = None
    assert options.alike == ALIKE
    options.__dict__["parts"] = [None] * 4
    assert options.__class__.alike.fget(options) == ALIKE / 4


GRID = LocalGrid(0.0, 96.0, 1.0, 96, 96)
LAYERS = (
    gpd.GeoDataFrame({"height": [9.0]}, geometry=[box(28, 58, 40, 70)]),
    gpd.GeoDataFrame(
        {"height": [8.0, 11.0], "crown_diameter": 6.0, "crown_base": 2.0, "transmissivity": 0.2,
         "transmissivity_bare": np.nan, "evergreen": True, "crown": None},
        geometry=[Point(50, 40), Point(66, 33)],
    ),
    None,
)  # fmt: skip


def test_the_sun_of_blocks_is_that_of_the_whole_raster(monkeypatch, tmp_path):
    """Blocks of 32 cells: a house and trees about their corners, and a block without a cell."""
    shading = Shading.of(GRID, season_positions(40.0, -105.0, months=(6, 9), minutes=60), LAYERS)
    told: list[float] = []
    options = ShadeOptions(height_scale=1.1, progress=lambda done, of: told.append(done / of))
    whole = shading.raster(options)
    cells = np.random.default_rng(1).choice(96 * 64, 300, replace=False)
    cells = np.sort(cells[(cells % 96 < 70) & np.isfinite(whole.sky_view.ravel()[cells])])
    monkeypatch.setattr(light, "_BLOCK", (32, 32))
    monkeypatch.setattr(light, "_THIN_TILE", (16, 16))
    keep = keeper(Stages(tmp_path), "a property")
    told.clear()
    some, plain = shading.at_cells([options, ShadeOptions()], cells, keep)
    assert told == sorted(told)
    assert told[-1] == 1
    drawn = shading.raster(ShadeOptions())
    np.testing.assert_array_equal(plain.beam, drawn.beam_fraction.reshape(2, -1)[:, cells])
    np.testing.assert_array_equal(some.beam, whole.beam_fraction.reshape(2, -1)[:, cells])
    np.testing.assert_array_equal(some.sky, whole.sky_view.ravel()[cells])
    again = shading.raster(options, keep)
    np.testing.assert_array_equal(again.sun_hours, whole.sun_hours)
    np.testing.assert_array_equal(again.sky_view, whole.sky_view)
    # What a broken run had kept is not worked out again, and of another scenario nothing is taken.
    monkeypatch.setattr(shade, "season_block", lambda *_: pytest.fail("worked out again"))
    np.testing.assert_array_equal(shading.raster(options, keep).sun_hours, whole.sun_hours)
    with pytest.raises(pytest.fail.Exception):
        shading.raster(ShadeOptions(), keep)
    # Zones look cells up in any order, more than once.
    sun, asked = SunVariants(some, whole, some), cells[[7, 3, 7]]
    beam, sky = sun.at(0.5, asked)
    np.testing.assert_array_equal(beam, whole.beam_fraction.reshape(2, -1)[:, asked])
    np.testing.assert_array_equal(sky, whole.sky_view.ravel()[asked])


def test_processes_give_parts_in_order_keep_them_and_pass_on_errors(tmp_path):
    keep = keeper(Stages(tmp_path), "numbers")
    with parts.processes(2):
        assert parts.helpers() == 2
        assert list(parts.each_part(math.factorial, range(9), stage="f", keep=keep)) == [
            math.factorial(n) for n in range(9)
        ]
        with pytest.raises(ValueError, match="negative"):
            list(parts.each_part(math.factorial, [3, -1]))
        with pytest.raises(PlanError, match="run the same command again"):
            list(parts.each_part(os._exit, [3]))
    assert parts.helpers() == 1
    # Kept: a work that would fail is not asked.
    found = parts.each_part(operator.getitem, range(9), stage="f", keep=keep)
    assert list(found) == [math.factorial(n) for n in range(9)]


def test_one_process_fewer_works_and_its_memory_comes_back():
    with parts.processes(2):
        list(parts.each_part(math.factorial, range(4)))
        (helper,) = parts._WORKING
        parts.fewer()
        parts.fewer()  # one stays
        assert list(parts.each_part(math.factorial, range(9)))[-1] == math.factorial(8)
        until = time.monotonic() + 20
        while sum(child.poll() is None for child in helper._all) > 1 and time.monotonic() < until:
            time.sleep(0.01)
        assert sum(child.poll() is None for child in helper._all) == 1
        assert list(parts.each_part(math.factorial, range(3))) == [1, 1, 2]


def test_memory_beyond_what_is_allowed_is_told_and_mended(monkeypatch):
    sizes, asked, done = [1e9, 2.2e9, 1.9e9], [], threading.Event()
    monkeypatch.setattr(room, "fewer", lambda: asked.append(1))

    def used() -> float | None:
        if not sizes:
            done.set()
        return sizes.pop(0) if sizes else None

    with room.Watch(2e9, used, every=0) as watch:
        assert done.wait(20)
    assert len(asked) == 1
    assert watch.notes == ("memory: the plan took 2.2 GB for a while, where 2.0 GB were allowed",)
    watch.most = 2e9
    assert watch.notes == ()


@pytest.mark.skipif(sys.platform != "linux", reason="only there the system tells")
def test_memory_of_this_process_and_of_those_that_it_started_is_counted():
    before = room.memory_used()
    assert before is not None
    word = "import sys; held = b'x' * 100_000_000; print(flush=True); sys.stdin.read()"
    words = [sys.executable, "-c", word]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        child.stdout.readline()
        more = room.memory_used()
        child.kill()
    assert more is not None
    assert 1e8 < more - before < 2e8


@pytest.mark.skipif(
    platform.libc_ver()[0] != "glibc", reason="only there the allocator keeps what was freed"
)
def test_what_was_freed_between_what_is_kept_goes_back_to_the_system():
    parts.give_back()  # of what other tests freed, or the first arrays would take that
    before = room.memory_used()
    held = [np.ones(6_000) for _ in range(4_000)]  # too small for mappings of their own
    most = room.memory_used()
    held = held[::40]
    parts.give_back()
    after = room.memory_used()
    assert before is not None
    assert most is not None
    assert after is not None
    assert most - before > 1.8e8
    assert after - before < 0.4e8
    assert all(one.sum() == one.size for one in held)


@pytest.mark.skipif(sys.platform != "linux", reason="only there a process is divided")
def test_processes_that_write_end_with_a_run_that_is_killed():
    word = (
        "import os, time; from pathlib import Path; import siting.handoff.bundle as b\n"
        "class F:\n    names = ('map.html',)\n"
        "    def write(self, *_): print(os.getpid(), flush=True); time.sleep(60)\n"
        "b._write_beside(None, Path(), [F()], 2)"
    )
    with subprocess.Popen([sys.executable, "-c", word], stdout=subprocess.PIPE) as run:
        assert run.stdout is not None
        child = int(run.stdout.readline())
        run.kill()
    until = time.monotonic() + 20
    while Path(f"/proc/{child}").exists() and time.monotonic() < until:
        time.sleep(0.1)
    assert not Path(f"/proc/{child}").exists()


def test_parts_are_done_on_a_cluster():
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
        parts.helped_by(client.get_executor(pure=False), count=2),
    ):
        assert list(parts.each_part(math.factorial, range(5))) == [1, 1, 2, 6, 24]


def test_too_little_memory_is_told_with_what_would_do(tmp_path):
    settings = read_property(write_campus(tmp_path, 4, zones=9, trees=40))
    site = read_site(settings)
    needed = memory_needed(site, settings)
    assert 0.6e9 < needed < 0.8e9
    assert room_within(None, site, settings, 4) == (None, 4, 1.4e9)
    two = room_within(needed + 1.1e9, site, settings, 4)
    assert two.processes == 2
    assert two.at_hand == pytest.approx(0.1e9, rel=0.05)
    one = room_within(needed + 0.2e9, site, settings, 4)
    assert one.processes == 1
    assert one.at_hand == pytest.approx(0.2e9)
    with room.parts_in_room(two):
        assert parts.at_hand() == two.at_hand
        (share,) = [field for field in fields(PropertyRoots) if field.name == "room"]
        assert share.default_factory() == two.at_hand / 2  # of the first scenarios, of the sheet
    fine = replace(settings, analysis=replace(settings.analysis, resolution=0.1))
    more = memory_needed(site, fine)
    assert more - 0.6e9 == pytest.approx(100 * (needed - 0.6e9), rel=0.02)
    words = (
        r"--memory: found 1 GB; .*cells of 0.1 m.*Allow \d.\d*GB, or take cells of about (\S+) m"
    )
    with pytest.raises(InputError, match=words) as told:
        room_within(1e9, site, fine, 4)
    found = re.search(words, str(told.value))
    assert found
    coarse = replace(fine, analysis=replace(fine.analysis, resolution=float(found[1])))
    assert room_within(1e9, site, coarse, 4).processes == 1


def siting_plan(source: Path, out: Path, *more: str) -> subprocess.Popen[bytes]:
    """Begin to plan a campus, what is worked out kept."""
    words = [sys.executable, "-m", "siting.cli", "plan", str(source), "--keep", "--out", str(out)]
    return subprocess.Popen([*words, *more], stdout=subprocess.PIPE)


@pytest.fixture(scope="module")
def planned(tmp_path_factory) -> tuple[Path, Path]:
    """Return a small campus, and its plan in less memory than is usual."""
    folder = tmp_path_factory.mktemp("campus")
    source = write_campus(folder / "in", 4, zones=9, trees=20, resolution=4, scenarios=2, years=2)
    run = siting_plan(source, folder / "plain", "--memory", "0.9GB")
    told, _ = run.communicate()
    assert run.returncode == 0
    assert b"memory:" not in told, "it took more than was allowed"
    return source, folder / "plain"


def assert_same_files(plain: Path, out: Path) -> None:
    for file in plain.iterdir():
        assert file.read_bytes() == (out / file.name).read_bytes(), file.name


def test_a_plan_by_parts_killed_at_any_moment_goes_on_to_the_same_bytes(planned):
    source, plain = planned
    kept, out = plain.with_name(".out.stages"), plain.with_name("out")
    for least in (0, 1, 4, 9, 12):  # entries that are there when it is killed
        with siting_plan(source, out) as broken:
            while len(list(kept.glob("*.stage"))) < least and broken.poll() is None:
                time.sleep(0.05)
            assert broken.poll() is None, "it was done before it could be killed"
            broken.kill()
        assert not out.exists()
    with siting_plan(source, out) as whole:
        whole.communicate()
    assert whole.returncode == 0
    assert_same_files(plain, out)


def authority(folder: Path) -> dict[str, Path]:
    """Make an authority of our own, and a certificate that it signed."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("no openssl here to make certificates with")
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    for words in (
        ["req", "-x509", *curve, "-days", "2", "-subj", "/CN=authority", "-keyout", "ca.key",
         "-out", "ca.pem"],
        ["req", *curve, "-subj", "/CN=machine", "-keyout", "key.pem", "-out", "asked.pem"],
        ["x509", "-req", "-in", "asked.pem", "-CA", "ca.pem", "-CAkey", "ca.key",
         "-set_serial", "1", "-days", "2", "-out", "cert.pem"],
    ):  # fmt: skip
        subprocess.run([openssl, *words], cwd=folder, check=True, capture_output=True)
    return {name: folder / f"{name}.pem" for name in ("ca", "cert", "key")}


def test_workers_elsewhere_behind_tls_give_the_same_bytes(planned, tmp_path):
    """Two workers in folders of their own, each a program of its own, as on two machines."""
    pytest.importorskip("distributed")
    source, plain = planned
    out, files = plain.with_name("elsewhere"), authority(tmp_path)
    shown = ["--tls-ca-file", files["ca"], "--tls-cert", files["cert"], "--tls-key", files["key"]]
    place = tmp_path / "scheduler.json"
    started = []

    def start(name: str, *words: object) -> None:
        (home := tmp_path / name).mkdir()
        program = [sys.executable, "-m", f"distributed.cli.dask_{name.rstrip('0123456789')}"]
        started.append(
            subprocess.Popen(
                [*program, *map(str, (*words, *shown)), "--scheduler-file", str(place)],
                cwd=home, stderr=subprocess.DEVNULL, env=os.environ | {"TMPDIR": str(home)},
            )
        )  # fmt: skip

    try:
        start("scheduler", "--protocol", "tls", "--host", "127.0.0.1", "--port", "0",
              "--no-dashboard")  # fmt: skip
        for number in (1, 2):
            start(f"worker{number}", "--nthreads", "1", "--no-nanny", "--no-dashboard")
        while not place.exists():
            assert started[0].poll() is None, "the scheduler did not start"
            time.sleep(0.05)
        named = [word for key, file in files.items() for word in (f"--tls-{key}", str(file))]
        with siting_plan(source, out, "--scheduler-file", str(place), *named) as run:
            run.communicate()
        assert run.returncode == 0
    finally:
        for process in started:
            process.kill()
            process.wait()
    assert "tls://" in place.read_text()
    assert_same_files(plain, out)


def test_events_are_kept_eight_to_a_byte_and_come_back_as_they_were():
    ran = np.random.default_rng(3).random((5, 31, 7)) < 0.2
    events = Events.joined([Events.of(ran[:2]), Events.of(ran[2:])])
    assert events.bits.nbytes == 5 * 28
    np.testing.assert_array_equal(events.days(np.array([4, 0])), ran[[4, 0]])
    np.testing.assert_array_equal(events.only(np.array([3])).days(np.array([0])), ran[[3]])
    np.testing.assert_array_equal(events.mean, ran.sum(axis=1).mean(axis=1))


#: Two controllers far apart, a house beside each, a walk, a tree.
POINTS = np.array([[10.0, 40.0], [40.0, 12.0], [520.0, 40.0], [550.0, 12.0]])
CONTROLLERS = np.array([[5.0, 5.0], [515.0, 5.0]])
BOUNDARY = box(0, 0, 600, 60)
HOUSES = [box(15, 15, 30, 35), box(525, 15, 540, 35)]
WALKS = [box(0, 36, 60, 38), box(510, 36, 570, 38)]
ROOTS = PricedGround(
    "tree roots", shapely.MultiPolygon([box(2, 20, 8, 26), box(512, 20, 518, 26)]), 3.0
)


def networks() -> tuple[TrenchNetwork, DistrictNetwork]:
    owner = np.array([0, 0, 1, 1])
    whole = TrenchNetwork(
        POINTS, CONTROLLERS, owner, boundary=BOUNDARY, buildings=HOUSES, paving=WALKS,
        paving_factor=4.0, priced=[ROOTS],
    )  # fmt: skip
    land = Land.of(BOUNDARY, HOUSES, WALKS, [ROOTS], None)
    parts = DistrictNetwork(
        POINTS, CONTROLLERS, np.array([0, -1, 1, -1]), land=land, paving_factor=4.0,
        valve_boxes=np.empty((0, 2)),
    )  # fmt: skip
    return whole, parts


@pytest.mark.cross_check("the same trenches priced on the whole ground")
def test_trench_of_districts_costs_what_it_costs_on_the_whole_ground():
    whole, parts = networks()
    np.testing.assert_allclose(parts.own, whole.own, atol=1e-9)
    np.testing.assert_allclose(parts.wire, whole.wire, atol=1e-9)
    assert parts.shared([0, 1, 3]) == pytest.approx(whole.shared([0, 1, 3]))
    np.testing.assert_allclose(parts.marginal([0, 3]), whole.marginal([0, 3]), atol=1e-9)


def test_routes_of_districts_are_as_long_as_those_on_the_whole_ground():
    sensors = gpd.GeoDataFrame(
        {"controller": ["A", "A", "B", "B"]}, index=pd.Index(["S1", "S2", "S3", "S4"]),
        geometry=[Point(at) for at in POINTS], crs=32613,
    )  # fmt: skip
    fixtures = gpd.GeoDataFrame(
        {"kind": "controller", "name": ["A", "B"]}, geometry=[Point(at) for at in CONTROLLERS],
        crs=32613,
    )  # fmt: skip
    layers = {
        name: gpd.GeoDataFrame(geometry=shapes, crs=32613)
        for name, shapes in (("buildings", HOUSES), ("paving", WALKS))
    }
    whole = wire_routes(sensors, fixtures=fixtures, boundary=BOUNDARY, priced=[ROOTS], **layers)
    land = Land.of(BOUNDARY, HOUSES, WALKS, [ROOTS], None)
    parts = routes_by_district(sensors, fixtures, land, wire_share=0.0)
    pd.testing.assert_frame_equal(parts.lengths, whole.lengths)
    assert list(parts.routes["kind"]) == list(whole.routes["kind"])
    assert parts.routes["priced_m"].sum() == pytest.approx(whole.routes["priced_m"].sum())


def test_a_controller_behind_a_wall_is_found_further_about():
    wall = box(20, -1, 22, 170)
    land = Land.of(box(0, 0, 200, 180), [wall], [], [], None)
    network = DistrictNetwork(
        np.array([[40.0, 5.0]]), np.array([[5.0, 5.0]]), np.array([0]), land=land,
        paving_factor=4.0, valve_boxes=np.empty((0, 2)),
    )  # fmt: skip
    assert network.own[0] > 330


def test_tapes_from_the_roads_of_a_campus_are_those_from_the_roads_nearby(monkeypatch):
    """One shape of all roads: what lies out of reach is not looked at, and changes nothing."""
    lines = [box(*at) for k in range(9) for at in ((100 * k, 0, 100 * k + 6, 806),
                                                  (0, 100 * k, 806, 100 * k + 6))]  # fmt: skip
    roads = shapely.union_all(lines)
    near = shapely.union_all([line for line in lines if line.distance(Point(430, 425)) < 90])
    nothing = gpd.GeoDataFrame({"kind": []}, geometry=[], crs=32613)

    def tied(shape: shapely.Geometry) -> pd.DataFrame:
        edges = {"edge of paving": shape}
        return ties.sensor_ties(430.0, 425.0, buildings=nothing, edges=edges).ties

    seen: list[object] = []
    simplify = shapely.simplify
    monkeypatch.setattr(shapely, "simplify", lambda *at: seen.append(at) or simplify(*at))
    whole = tied(roads)
    assert len(roads.interiors) == 64
    assert len(seen) < 10
    pd.testing.assert_frame_equal(whole, tied(near))
    monkeypatch.setattr(ties, "_MANY_POINTS", 1)
    pd.testing.assert_frame_equal(whole, tied(roads))


def test_the_invented_campus_is_sound_and_the_same_each_time(tmp_path):
    first = write_campus(tmp_path / "a", 4, zones=9, trees=40)
    write_campus(tmp_path / "b", 4, zones=9, trees=40)
    assert first.read_bytes() == (tmp_path / "b" / first.name).read_bytes()
    layers = [
        pyogrio.read_dataframe(tmp_path / name / "large.gpkg", layer="trees") for name in "ab"
    ]
    pd.testing.assert_frame_equal(*layers)
    site = read_site(read_property(first))
    assert (len(site.hydrozones), len(site.trees), len(site.buildings)) == (9, 40, 4)
    assert site.boundary.area == pytest.approx(40_000, rel=1e-3)


def test_a_crowded_page_is_drawn_on_canvas_and_searched_by_name(monkeypatch):
    plan = make_plan()
    plain = map_html(plan)
    assert "lookedFor" not in plain
    monkeypatch.setattr(facts, "_MANY_ZONES", 1)
    page, document = map_html(plan), map_document(plan)
    assert "lookedFor" in page
    assert all(not tree["crown"] for tree in document["ground"]["trees"])
    assert all(len(zone["label_places"]) == 1 for zone in document["zones"])
    assert set(document["zones"][0]["values"]) == {"sensor_id", "valve", "controller"}


def test_keep_clear_ground_of_a_crowded_sheet_is_put_together_from_what_is_near(monkeypatch):
    plan = make_plan()
    frame = sheets.sensor_frame(plan, "S2", width=300, height=200)
    whole = sheets._united(plan.keepout, frame)
    monkeypatch.setattr(facts, "_MANY_ZONES", 1)
    seen, _ = drawing.seen_through(plan, ["#ffffff"] * len(plan.zones), frame)
    assert 0 < len(seen.keepout) < len(plan.keepout.explode())
    assert whole.area > 1
    assert whole.symmetric_difference(sheets._united(seen.keepout, frame)).area < 1e-9


def test_a_crowded_page_loads_less_and_loses_nothing(monkeypatch):
    monkeypatch.setattr(facts, "_MANY_ZONES", 1)
    document = map_document(make_plan())
    for fixture in document["fixtures"]:
        if fixture["kind"] == "head":
            fixture.update(name=None, valve=None)
    made = packed(document)
    texts, (south, west) = made["packed"]["texts"], made["packed"]["corner"]
    for before, after in zip(document["zones"], made["zones"], strict=True):
        told = [texts[n] for n in after["rows"]]
        assert [list(pair) for pair in zip(told[::2], told[1::2], strict=True)] == [
            [json.loads(json.dumps(text)) for text in row] for row in before["rows"]
        ]
    trees = np.reshape(made["packed"]["trees"], (-1, 3))
    drawn = document["ground"]["trees"]
    np.testing.assert_allclose([tree["radius"] for tree in drawn], trees[:, 2] / 10, atol=0.051)
    places = trees[:, :2] / 1e7 + (south, west)
    np.testing.assert_allclose([tree["trunk"] for tree in drawn], places, atol=6e-8)
    heads = [f["at"] for f in document["fixtures"] if f["kind"] == "head"]
    places = np.reshape(made["packed"]["heads"], (-1, 2)) / 1e7 + (south, west)
    assert len(heads) == 2
    np.testing.assert_allclose(heads, places, atol=6e-8)
    assert len(made["fixtures"]) + len(places) == len(document["fixtures"])
    assert made["ground"]["trees"] == []


def test_a_chart_of_many_numbers_shows_those_about_the_chosen():
    rows = [{"n": n, "chosen": n == 7} for n in range(1, 300)]
    assert [row["n"] for row in about_chosen(rows)] == list(range(3, 12))
    assert about_chosen(rows[:9]) == rows[:9]
    plan = make_plan()
    row = plan.choices.iloc[[0]]
    curve = pd.concat([row.assign(chosen=n == 7) for n in range(1, 300)])
    curve.index = pd.RangeIndex(1, 300, name=plan.choices.index.name)
    steps = worths(replace(plan, choices=curve))
    assert [step.place for step in steps] == list(range(4, 12))


def test_a_month_of_a_crowded_plan_is_drawn_coarser_by_means_of_what_is_known():
    values = np.arange(35.0).reshape(5, 7)
    values[0, 0] = np.nan
    values[4, 6] = np.nan
    made, grid = coarser(values, LocalGrid(10.0, 20.0, 1.0, 5, 7), most=12)
    assert grid == LocalGrid(10.0, 20.0, 2.0, 3, 4)
    assert made[0, 0] == pytest.approx((1 + 7 + 8) / 3)
    assert made[1, 1] == pytest.approx((16 + 17 + 23 + 24) / 4)
    assert np.isnan(made[2, 3])
    assert coarser(values, grid, most=35)[0] is values


@pytest.mark.parametrize("size", [chromium.DESK, chromium.PHONE])
@pytest.mark.browser
@pytest.mark.skipif(not chromium.CHROMIUM, reason="no chromium here")
def test_a_crowded_page_finds_a_zone_and_tells_of_it(tmp_path, monkeypatch, size):
    monkeypatch.setattr(facts, "_MANY_ZONES", 1)
    plan = make_plan()
    (tmp_path / "map.html").write_text(map_html(plan), encoding="utf-8")
    name = str(plan.zones.index[0])
    with chromium.running(size) as page:
        chromium.show(page, (tmp_path / "map.html").as_uri(), size)
        page.find_element("id", "find").send_keys("zone " + name)
        page.find_elements("css selector", ".found button")[0].click()
        told = page.execute_script("return document.body.innerText")
        assert chromium.faults(page) == []
    assert f"Zone {name}" in told
    for label, text in map_document(plan)["zones"][0]["rows"]:
        assert label in told
        assert (text if isinstance(text, str) else text[0]) in told
