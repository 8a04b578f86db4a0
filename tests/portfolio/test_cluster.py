"""A portfolio on a local cluster: as many workers as you like, and whatever kills them."""

import os
import random
import signal
import subprocess
import sys
import time

import psutil
import pytest

pytest.importorskip("distributed")

from siting.portfolio import run as run_module
from siting.portfolio.run import (
    TRIM,
    ClusterEngine,
    EngineError,
    LoopEngine,
    run_portfolio,
    worker_environment,
)
from siting.portfolio.source import open_source
from siting.portfolio.store import read_table
from tests.small_city import (
    assert_same_tables,
    copy_city,
    poisoned_environment,
    read_layers,
    rename,
    small_city,
    write_layers,
)
from tests.stacks import output, start

LOTS = 4
#: What each kind of poison is reported as.
POISON = {
    1: ("poison crash", "crash"),
    2: ("poison hang", "hang"),
    3: ("poison memory", "memory"),
    4: ("poison raise", "error"),
    5: ("poison exit", "error"),
    6: ("poison kill", "memory"),
}


@pytest.fixture(scope="module")
def city(tmp_path_factory):
    return small_city(tmp_path_factory.mktemp("city"), LOTS)


@pytest.fixture(scope="module")
def planned(city, tmp_path_factory):
    folder = tmp_path_factory.mktemp("planned")
    run_portfolio(open_source(city), folder, engine=LoopEngine())
    return folder


def command(city, out, *more):
    return [
        sys.executable,
        "-m",
        "siting.cli",
        "portfolio",
        str(city),
        "--out",
        str(out),
        *more,
    ]


#: What a run of this city takes on a busy machine, and much more [s].
LONG = 300.0


# Each of the next three starts a cluster of its own. While one runs, this process has the workers'
# environment, which the commands of the other tests would inherit from a shared one; and the first
# looks at what starting and ending leave behind, the last takes the workers away.


def environments():
    return dict(os.environ)


def test_two_workers_give_the_same_tables(city, planned, tmp_path):
    before = {name: os.environ.get(name) for name in worker_environment()}
    os.environ[TRIM] = "65536"  # as dask itself leaves it to whoever starts it
    try:
        with ClusterEngine(workers=2) as engine:
            seen = engine.client.run(environments)
            result = run_portfolio(open_source(city), tmp_path, engine=engine, size=1)
            again = run_portfolio(open_source(city), tmp_path, engine=engine)
            # A cluster that has run before runs again, and does not answer with what it knows.
            other = run_portfolio(open_source(city), tmp_path / "other", engine=engine, size=1)
    finally:
        assert os.environ.pop(TRIM) == "65536"
    after = {name: os.environ.get(name) for name in before}
    assert after == before, "what is started next would inherit it"
    assert len(seen) == 2
    for environment in seen.values():
        assert TRIM not in environment
        assert environment["OMP_NUM_THREADS"] == environment["NUMBA_NUM_THREADS"] == "1"
    assert result.planned == LOTS
    assert len(result.memory) == 2
    assert again.planned == 0
    assert other.planned == LOTS
    assert_same_tables(planned, tmp_path / "other")
    assert_same_tables(planned, tmp_path)


def test_a_running_scheduler_is_joined(city, planned, tmp_path):
    with (
        ClusterEngine(workers=1) as owner,
        ClusterEngine(owner.client.scheduler.address) as guest,
    ):
        guest.check_folder(tmp_path)
        assert guest.warnings == ()
        run_portfolio(open_source(city), tmp_path, engine=guest)
        with pytest.raises(EngineError, match="do not see"):
            guest.check_folder(tmp_path / "elsewhere")
    assert_same_tables(planned, tmp_path)


def test_workers_that_never_work_end_the_run_in_words(city, tmp_path, monkeypatch):
    """As when the last of them is gone for good: what was done is kept, and nobody waits on."""
    monkeypatch.setattr(run_module, "_IDLE", 2.0)
    with ClusterEngine(workers=1) as engine:
        engine.client.cluster.scale(0)
        with pytest.raises(EngineError, match="run the same command again"):
            run_portfolio(open_source(city), tmp_path, engine=engine)


def test_no_scheduler_there_is_said(monkeypatch):
    monkeypatch.setattr("siting.portfolio.run._ANSWER", 0.5)
    with (
        pytest.raises(EngineError, match="no scheduler answers"),
        ClusterEngine("tcp://127.0.0.1:9"),
    ):
        pass


def test_poisoned_properties_cost_only_themselves(tmp_path):
    """Crash, hang in C, memory without end, exceptions, exit: all reported, the others planned."""
    folder, lots = tmp_path / "city", len(POISON) + 2
    city = small_city(folder, lots)
    expected = {f"L{lot:06d}": reason for lot, (_, reason) in POISON.items()}
    healthy = {f"L{lot:06d}" for lot in range(lots)} - set(expected)
    alone = tmp_path / "alone"
    alone.mkdir()
    copy_city(city, alone)
    layers = read_layers(alone)
    layers["boundary"] = layers["boundary"][layers["boundary"]["lot"].isin(healthy)]
    write_layers(alone, layers)
    run_portfolio(open_source(alone / city.name), alone / "out", engine=LoopEngine())
    rename(folder, {lot: name for lot, (name, _) in POISON.items()})
    script = (
        "import sys; from pathlib import Path\n"
        "from siting.portfolio.run import ClusterEngine\n"
        "from siting.portfolio.model import RunOptions\n"
        "from siting.portfolio.run import run_portfolio\n"
        "from siting.portfolio.source import open_source\n"
        "if __name__ == '__main__':\n"
        "    with ClusterEngine(workers=2, memory_mb=1500) as engine:\n"
        "        run_portfolio(open_source(sys.argv[1]), Path(sys.argv[2]), engine=engine,\n"
        "            options=RunOptions(seconds=20, memory_mb=2500), size=4)\n"
    )
    program = tmp_path / "program.py"
    program.write_text(script, "utf-8")
    out = tmp_path / "out"
    subprocess.run(
        [sys.executable, program, folder / city.name, out],
        env=poisoned_environment(),
        check=True,
        timeout=540,
    )
    faults = read_table(out, "faults").to_pylist()
    assert {f["property"]: f["reason"] for f in faults} == expected
    assert len(faults) == len(expected)
    for table in ("zones", "sensors", "choices", "seasons"):
        rows = read_table(out, table).to_pylist()
        assert {row["property"] for row in rows} == healthy
        assert rows == read_table(alone / "out", table).to_pylist()


def kill_one_worker(parent, rng):
    """Kill -9 one worker process of a run."""
    workers = [
        child
        for child in parent.children(recursive=True)
        if "spawn_main" in " ".join(child.cmdline())
    ]
    if workers:
        rng.choice(workers).send_signal(signal.SIGKILL)
        return True
    return False


@pytest.mark.parametrize("seed", [1, 2])
def test_killed_workers_lose_nothing(city, planned, tmp_path, seed):
    rng = random.Random(seed)
    run = start(command(city, tmp_path, "--workers", "2"))
    parent, killed, begun = psutil.Process(run.pid), 0, time.monotonic()
    while run.poll() is None and not (tmp_path / "run.json").exists():
        if time.monotonic() - begun > LONG:
            output(run, seconds=0)  # fails with the stacks
        time.sleep(0.2)
    while run.poll() is None and killed < 3:
        killed += kill_one_worker(parent, rng)
        time.sleep(rng.uniform(0.5, 4.0))
    told = output(run, seconds=LONG)
    assert run.returncode == 0, told
    assert killed
    assert_same_tables(planned, tmp_path)


@pytest.mark.parametrize("seed", [3, 4])
def test_killed_runs_lose_nothing(city, planned, tmp_path, seed):
    """Kill -9 of the whole run at random moments; the last run is left alone."""
    rng = random.Random(seed)
    for _ in range(2):
        run = start(command(city, tmp_path, "--workers", "2"))
        children = []
        end = time.monotonic() + rng.uniform(3.0, 9.0)
        while time.monotonic() < end and run.poll() is None:
            children = psutil.Process(run.pid).children(recursive=True)
            time.sleep(0.1)
        run.kill()
        output(run, seconds=60)  # its workers hold it open until they end, too
        psutil.wait_procs(children, timeout=20)
        assert not [c for c in children if c.is_running() and c.status() != "zombie"]
    done = sum(r["status"] == "planned" for r in read_table(tmp_path, "properties").to_pylist())
    last = start(command(city, tmp_path, "--workers", "1"))
    finished = output(last, seconds=LONG)
    assert last.returncode == 0, finished
    names = read_table(tmp_path, "properties")["property"].to_pylist()
    assert sorted(names) == sorted(set(names)) == [f"L{lot:06d}" for lot in range(LOTS)]
    assert done < LOTS or "planned now" not in finished
    assert_same_tables(planned, tmp_path)
