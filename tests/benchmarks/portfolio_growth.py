"""How everything but planning grows with the number of properties, up to a million.

    python tests/benchmarks/portfolio_growth.py

Boundaries and result rows are made up; what is timed is the product's own code. The page on a
million properties (siting/docs/pages/portfolio.md) quotes what this prints.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import shapely

from siting.portfolio.model import Tile
from siting.portfolio.page import totals, write_page, write_ranking
from siting.portfolio.run import LoopEngine, run_portfolio
from siting.portfolio.source import (
    cut_tiles,
    extract,
    index_of,
    input_digest,
    open_source,
    open_window,
    tile_size,
)
from siting.portfolio.store import SCHEMAS, TABLES, Store
from tests.city import write_city


def timed(work: Callable[[], object]) -> tuple[float, object]:
    """Return the processor seconds of a call, and what it gave.

    Processor time, as other work on the machine hardly touches it; reading from a cold disk is not
    in it.
    """
    began = time.process_time()
    result = work()
    return time.process_time() - began, result


def many_boundaries(folder: Path, count: int) -> Path:
    """Write a city whose lots are many and empty."""
    template = write_city(folder, 8)
    side = int(np.ceil(np.sqrt(count)))
    row, column = np.divmod(np.arange(count), side)
    boxes = shapely.box(column * 60.0, row * 60.0 + 4e6, column * 60.0 + 60, row * 60.0 + 4_000_060)
    frame = gpd.GeoDataFrame(
        {"lot": [f"L{i:07d}" for i in range(count)], "weather": "weather_north.csv"},
        geometry=boxes,
        crs="EPSG:32613",
    )
    pyogrio.write_dataframe(frame, folder / "city.gpkg", layer="boundary", driver="GPKG")
    return template


def listing(folder: Path, count: int) -> str:
    """Time hashing, listing and cutting into tiles."""
    source = open_source(many_boundaries(folder, count))
    size = (folder / "city.gpkg").stat().st_size / 1e6
    hashed, _ = timed(lambda: input_digest(source))
    listed, index = timed(lambda: index_of(source))
    cut, tiles = timed(lambda: cut_tiles(index, tile_size(count)))
    return (
        f"{count:>9,} properties, layer {size:6.0f} MB: hash {hashed:6.2f} s, list {listed:6.2f} s,"
        f" {len(tiles):,} tiles {cut:.2f} s"
    )


def windows(folder: Path, count: int) -> str:
    """Time the window of one tile, and one property cut out of it, in a whole city."""
    source = open_source(write_city(folder, count))
    tiles = cut_tiles(index_of(source), 40)
    some = tiles[:: max(1, len(tiles) // 5)][:5]
    opened = [timed(lambda tile=tile: open_window(source, tile)) for tile in some]
    seconds = np.median([spent for spent, _ in opened])
    cut = []
    for tile, (_, window) in zip(some, opened, strict=True):
        with tempfile.TemporaryDirectory() as scratch:
            cut.append(timed(lambda t=tile, w=window, s=scratch: extract(w, t.ids[0], Path(s)))[0])
    return (
        f"{count:>9,} lots: window of a tile {seconds * 1e3:.0f} ms "
        f"({seconds / 40 * 1e3:.1f} ms a property), cut out {np.median(cut) * 1e3:.0f} ms"
    )


def results(folder: Path, seed: Path, count: int) -> str:
    """Time what is done once at the end, on rows that repeat those of a few planned lots."""
    store = Store(folder, "key")
    for table in TABLES:
        rows = pq.read_table(seed / table, schema=SCHEMAS[table])
        lots = len(set(pq.read_table(seed / "properties")["property"].to_pylist()))
        copies = -(-count // lots)
        parts = []
        for copy in range(copies):
            names = pa.array([f"{copy}-{n}" for n in rows["property"].to_pylist()], pa.string())
            parts.append(rows.set_column(0, "property", names))
        file = store.file(table, "000000")
        file.parent.mkdir(parents=True, exist_ok=True)
        pq.write_table(pa.concat_tables(parts), file, compression="zstd")
    summed, _ = timed(lambda: totals(folder))
    ranked, _ = timed(lambda: write_ranking(folder))
    drawn, path = timed(lambda: write_page(folder, title="City"))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return (
        f"{count:>9,} properties: totals {summed:.1f} s, ranking {ranked:.1f} s, map {drawn:.1f} s "
        f"({path.stat().st_size / 1e6:.1f} MB), memory of the process so far {peak:,.0f} MB"
    )


def tiles_on_disk(folder: Path, seed: Path, count: int) -> str:
    """Time what a restart looks at: one file of every tile, and its key."""
    store = Store(folder, "key")
    made = [Tile(f"{n:06d}", (f"P{n}",), np.zeros((1, 4))) for n in range(count)]
    first = Store(seed, "")
    source = {table: min((first.folder / table).glob("*.parquet")) for table in TABLES}
    for table in TABLES:
        (folder / table).mkdir(parents=True)
        content = source[table].read_bytes()
        for tile in made:
            store.file(table, tile.name).write_bytes(content)
    size = sum(file.stat().st_size for file in source.values())
    looked, _ = timed(lambda: [store.tile_done(tile) for tile in made])
    swept, gone = timed(lambda: store.drop_stale(made))
    return (
        f"{count:>9,} tiles: look at their keys {looked:.2f} s, sweep {gone:,} void files "
        f"{swept:.2f} s; {size / 1e3:.0f} kB a tile of the seed"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--planned", type=Path, help="A folder of results to take the rows from.")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        seed = given.planned or folder / "seed"
        if not given.planned:
            template = write_city(folder / "small", 40, resolution=1.5, scenarios=1)
            run_portfolio(open_source(template), seed, engine=LoopEngine(), size=40)
        for count in (1_000, 10_000, 100_000, 1_000_000):
            print(listing(folder / f"list{count}", count), flush=True)
        for count in (400, 4_000, 20_000):
            print(windows(folder / f"city{count}", count), flush=True)
        for count in (250, 2_500):
            print(tiles_on_disk(folder / f"tiles{count}", seed, count), flush=True)
        for count in (1_000, 10_000, 100_000, 1_000_000):
            print(results(folder / f"results{count}", seed, count), flush=True)


if __name__ == "__main__":
    main()
