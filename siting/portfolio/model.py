"""What a portfolio is: its properties along a curve, their folder names, its layers and its run."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple

from siting.arrays import Floats
from siting.planning.model import Plan
from siting.site.settings import LayerSource

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
    bounds: Floats
    notes: tuple[str, ...] = ()


class Tile(NamedTuple):
    """Neighbours that are planned one after the other by one worker.

    name: names its files in the results; ids: the N properties, in their order; bounds (N, 4): as
    in `Index`.
    """

    name: str
    ids: tuple[str, ...]
    bounds: Floats


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


_PLAIN: Final = re.compile(r"[A-Z0-9][A-Z0-9_-]{0,59}")
#: Names of devices, which Windows gives to no folder.
_DEVICE: Final = re.compile(r"con|prn|aux|nul|com\d|lpt\d", re.IGNORECASE)


def folder_name(property_id: str) -> str:
    """Return a folder name that stands for a property id.

    Result: the id itself where it is plain and in capitals; else what is plain of it and a hash, so
    that no two ids share a folder where small letters and capitals are the same.

    >>> folder_name("L000017"), folder_name("../etc")
    ('L000017', 'etc-f7f9121f')
    """
    if _PLAIN.fullmatch(property_id) and not _DEVICE.fullmatch(property_id):
        return property_id
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", property_id).strip("-")[:40]
    code = hashlib.sha256(property_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{plain or 'property'}-{code}"
