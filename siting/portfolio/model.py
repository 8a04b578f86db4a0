"""What a portfolio is: its properties in order along a curve, its layers, and how it is run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.planning import Plan
from siting.site.settings import LayerSource

__all__ = [
    "OWNED",
    "TILE",
    "City",
    "Folder",
    "HandoffWriter",
    "Index",
    "Job",
    "RunOptions",
    "Source",
    "Tile",
    "TileReport",
]

#: Writes the hand-off of one plan into a folder.
HandoffWriter = Callable[[Plan, Path], None]

#: Layers whose features belong to one property alone; the others are everyone's surroundings.
OWNED: Final = ("hydrozones", "fixtures", "cans")

#: Properties in a tile, unless there are few.
TILE: Final = 40


@dataclass(frozen=True)
class City:
    """Many properties in one set of layers, and a template property file.

    path: the template; values: its TOML values, without the table [portfolio]; layers: where each
    layer is; id_column: column of the boundary layer that names the property; columns: dotted key
    of the property file -> the boundary's column that overrides it; owner_column: column of
    hydrozones, fixtures and cans that names their property, None goes by place; minutes_column:
    column of the hydrozones with today's minutes of each valve; reach_m: how far around a property
    its surroundings are read [m].
    """

    path: Path
    values: Mapping[str, Any]
    layers: Mapping[str, LayerSource]
    id_column: str
    columns: Mapping[str, str] = field(default_factory=dict)
    owner_column: str | None = None
    minutes_column: str | None = None
    reach_m: float = 100.0


@dataclass(frozen=True)
class Folder:
    """A folder of property files: id -> property file.

    path: the folder; files: id -> property file.
    """

    path: Path
    files: Mapping[str, Path]


Source = City | Folder


class Index(NamedTuple):
    """The properties of a portfolio in the order in which they are planned.

    ids: each once; bounds (N, 4): of their boundaries in the layer's CRS, NaN where unknown; notes:
    what was wrong with the list itself.
    """

    ids: tuple[str, ...]
    bounds: NDArray[np.float64]
    notes: tuple[str, ...] = ()


class Tile(NamedTuple):
    """Neighbours that are planned one after the other by one worker.

    name: names its files in the results; ids: the N properties, in their order; bounds (N, 4): as
    in `Index`.
    """

    name: str
    ids: tuple[str, ...]
    bounds: NDArray[np.float64]


@dataclass(frozen=True)
class RunOptions:
    """How to run; none of it changes a number.

    Parameters
    ----------
    handoff : str
        "none", "all", or an expression over the table of properties.
    seconds : float
        Longest time that one property may take [s].
    memory_mb : float
        Most memory that a property which already brought down a worker may use, alone [MB].
    writer : callable, optional
        Writes the hand-off of a plan; a module-level function, as it goes to the workers.
    """

    handoff: str = "none"
    seconds: float = 120.0
    memory_mb: float = 4096.0
    writer: HandoffWriter | None = None


@dataclass(frozen=True)
class Job:
    """A tile to be planned.

    source: the portfolio; tile: which properties; folder: where results go; key: the run's key, see
    `Store`; options: how to run; guarded: whether this process may be ended when a property takes
    too long, as a worker's may; alone: whether every property gets a process of its own, as after
    an unexplained death; handoff_only: properties that are done and only lack their hand-off;
    keep_parts: whether the rows stay single, as of a sample, for the tile to come.
    """

    source: Source
    tile: Tile
    folder: Path
    key: str
    options: RunOptions
    guarded: bool = True
    alone: bool = False
    handoff_only: tuple[str, ...] = ()
    keep_parts: bool = False


@dataclass(frozen=True)
class TileReport:
    """What a tile took.

    tile: its name; planned, faults: properties done now, and how many of them have faults; seconds:
    stage -> time spent [s]; memory_mb, peak_mb: of the worker, at the end and at most [MB]; worker:
    host and process; worker_planned: properties that this process has planned so far; notes: what
    went wrong beside the plans.
    """

    tile: str
    planned: int
    faults: int
    seconds: dict[str, float]
    memory_mb: float
    peak_mb: float
    worker: str
    worker_planned: int
    notes: tuple[str, ...] = ()
