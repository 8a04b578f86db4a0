"""A small city for the tests of portfolios, coarse enough to be planned in seconds."""

import os
from dataclasses import replace
from pathlib import Path

import pyogrio

from siting.portfolio import worker
from siting.portfolio.store import TABLES, read_table
from siting.stages import _digest
from tests.city import write_city

POISON = Path(__file__).parent / "poison"


def small_city(folder, lots, **options):
    """Write a coarse city; 1 scenario, 2 years, 1.5 m, three zones a lot."""
    coarse = {"resolution": 1.5, "scenarios": 1, "years": 2, "reach": 30.0, "zones": 3}
    return write_city(folder, lots, **{**coarse, **options})


#: What a property is planned from -> its plan, of this process.
_PLANS = {}


def plan_once(monkeypatch):
    """Let portfolios of this process plan a property once, whatever the tests that ask for it.

    Reading, cutting out, tiles and tables stay real; a property that differs in anything but where
    its files lie is planned by itself.
    """
    honest = worker.plan

    def plan(site, climate, settings, **options):
        values = {name: part for name, part in settings.values.items() if name != "layers"}
        weather = {**values.get("weather", {}), "file": None}
        asked = _digest((replace(site, sources=()), climate, {**values, "weather": weather}))
        if asked not in _PLANS:
            _PLANS[asked] = honest(site, climate, settings, **options)
        return _PLANS[asked]

    monkeypatch.setattr(worker, "plan", plan)


def copy_city(template, folder):
    """Copy the files of a city."""
    for file in template.parent.iterdir():
        if file.is_file():
            (folder / file.name).write_bytes(file.read_bytes())


def read_layers(folder):
    """Return every layer of a city."""
    path = folder / "city.gpkg"
    return {
        str(name): pyogrio.read_dataframe(path, layer=name) for name, _ in pyogrio.list_layers(path)
    }


def write_layers(folder, layers):
    """Write every layer of a city in place of the old ones."""
    path = folder / "city.gpkg"
    path.unlink()
    for name, frame in layers.items():
        pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG")


def rename(folder, names):
    """Give lots another address: number -> name."""
    layers = read_layers(folder)
    for lot, name in names.items():
        layers["boundary"].loc[layers["boundary"]["lot"] == f"L{lot:06d}", "address"] = name
    write_layers(folder, layers)


def all_tables(folder):
    """Return every result table, sorted."""
    return {name: read_table(folder, name) for name in TABLES}


def assert_same_tables(first, second):
    """Check that two folders hold the same rows, to the last bit."""
    a, b = all_tables(first), all_tables(second)
    for name in TABLES:
        assert a[name].num_rows == b[name].num_rows, name
        assert _bytes(a[name]) == _bytes(b[name]), name


def _bytes(table):
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table.combine_chunks())
    return sink.getvalue().to_pybytes()


def poisoned_environment():
    """Return an environment in which named properties are poison."""
    root = str(Path(__file__).parent.parent)
    return {**os.environ, "PYTHONPATH": os.pathsep.join((str(POISON), root))}
