"""Plan a few properties, and say from them how long the whole will take."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from scipy.stats import t as student

from siting.portfolio.engine import Engine
from siting.portfolio.model import Job, RunOptions, Source, Tile, TileReport
from siting.portfolio.run import held, run_key
from siting.portfolio.store import Store
from siting.portfolio.tables import TABLES
from siting.portfolio.tiles import index_of, spread

__all__ = ["Estimate", "estimate"]

_SURE: Final = 0.975
_LEAST: Final = 2


@dataclass(frozen=True)
class Estimate:
    """How much the whole portfolio takes, from a sample.

    properties, sampled, faults: in all, planned for the sample, those of them without a plan;
    seconds, seconds_low, seconds_high: one property on one core, and the ends of the 95 % interval
    of that mean [s]; bytes_per_property: of the result tables [B]; peak_mb: most memory that a
    worker used [MB].
    """

    properties: int
    sampled: int
    faults: int
    seconds: float
    seconds_low: float
    seconds_high: float
    bytes_per_property: float
    peak_mb: float

    def hours(self, workers: int, seconds: float | None = None) -> float:
        """Return how long the whole takes.

        seconds: of one property, the mean when not given [s]. Result: [h].
        """
        each = self.seconds if seconds is None else seconds
        return self.properties * each / workers / 3600


def estimate(
    source: Source,
    folder: Path,
    count: int,
    *,
    engine: Engine,
    options: RunOptions | None = None,
    heard: Callable[[int, int], None] | None = None,
) -> Estimate:
    """Plan some properties spread over the portfolio, and estimate the whole.

    Parameters
    ----------
    source : City or Folder
        The portfolio.
    folder : Path
        Of the results: a later run finds there what the sample has planned.
    count : int
        Properties to plan.
    engine : Engine
        Where; as for the whole run, so that what workers cost each other is in the numbers.
    options : RunOptions, optional
        Limits; a sample writes no hand-off.
    heard : callable, optional
        Called with properties done and properties in all.

    Returns
    -------
    Estimate
        Time, storage and memory.

    Raises
    ------
    BusyError
        When a run is using the folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with held(folder):
        return _estimate(source, folder, count, engine, options or RunOptions(), heard)


def _estimate(
    source: Source,
    folder: Path,
    count: int,
    engine: Engine,
    options: RunOptions,
    heard: Callable[[int, int], None] | None,
) -> Estimate:
    key, index = run_key(source), index_of(source)
    tiles = spread(index, min(count, len(index.ids)))
    store = Store(folder, key)
    for tile in tiles:
        store.part(tile.ids[0]).unlink(missing_ok=True)  # to be timed, it must be planned now
    quiet = replace(options, handoff="none")
    jobs = [Job(source, tile, folder, key, quiet, keep_parts=True) for tile in tiles]
    reports: list[TileReport] = []

    def take(report: TileReport | None) -> None:
        reports.extend([report] if report is not None else [])
        if heard is not None:
            heard(len(reports), len(tiles))

    engine.run(jobs, take)
    spent = [sum(report.seconds.values()) for report in reports]
    # The first property of each process pays for imports and first-time set-up.
    warm = [s for s, r in zip(spent, reports, strict=True) if r.worker_planned > 1] or spent
    mean, error = _mean(warm)
    return Estimate(
        properties=len(index.ids),
        sampled=len(tiles),
        faults=sum(report.faults for report in reports),
        seconds=mean,
        seconds_low=max(0.0, mean - error),
        seconds_high=mean + error,
        bytes_per_property=_bytes(store, tiles) / max(len(tiles), 1),
        peak_mb=max(report.peak_mb for report in reports),
    )


def _mean(values: list[float]) -> tuple[float, float]:
    """Return a mean and half the width of its 95 % interval."""
    mean = math.fsum(values) / len(values)
    if len(values) < _LEAST:
        return mean, math.inf
    spread_2 = math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)
    return mean, float(student.ppf(_SURE, len(values) - 1)) * math.sqrt(spread_2 / len(values))


def _bytes(store: Store, tiles: list[Tile]) -> int:
    """Return the size of the sample's rows, written as one tile."""
    ids = tuple(name for tile in tiles for name in tile.ids)
    with tempfile.TemporaryDirectory(prefix="siting-") as scratch:
        twin = Store(Path(scratch), store.key)
        for name in ids:
            tables = store.read_part(name)
            if tables is not None:
                twin.write_part(name, tables)
        whole = Tile("sample", ids, tiles[0].bounds)
        twin.write_tile(whole)
        return sum(twin.file(table, "sample").stat().st_size for table in TABLES)
