"""What may go wrong: errors with their faults, and limits on what an input may be."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final


class SitingError(Exception):
    """Root of every error that siting raises on purpose."""


class PlanError(SitingError):
    """The input is sound, but no plan can be made from it."""


class NoAdmissibleGroundError(PlanError):
    """A zone has no ground at all in which a sensor could be buried."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with an input, and how to mend it.

    file: name of the file as the user wrote it; found: what was found there; allowed: what is
    allowed instead; mend: what the user can do about it; layer, feature, column: where in the file:
    the layer (or TOML table), the feature id (or CSV line, or "row 3") and the column (or TOML
    key).
    """

    file: str
    found: str
    allowed: str
    mend: str
    layer: str | None = None
    feature: str | None = None
    column: str | None = None

    def __str__(self) -> str:
        """Return the fault as one line: where, found, allowed, mend."""
        place = [self.file]
        place += [f"layer {self.layer}"] if self.layer else []
        if self.feature:
            is_line = self.feature.startswith(("line", "row"))
            place += [self.feature if is_line else f"feature {self.feature}"]
        place += [f"column {self.column}"] if self.column else []
        return f"{', '.join(place)}: found {self.found}; allowed: {self.allowed}. {self.mend}"


class InputError(SitingError):
    """An input was refused.

    Parameters
    ----------
    faults : iterable of Fault
        Every fault found; the message lists them all.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        head = "1 fault" if count == 1 else f"{count} faults"
        super().__init__("\n".join([f"{head} in the input:", *(f"  - {f}" for f in self.faults)]))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Fault, ...]]]:
        """Pickle with the faults, so that an error of another process says the same here."""
        return type(self), (self.faults,)


@dataclass(frozen=True)
class Limit:
    """A limit of an input: its key, what it limits, the most allowed, its unit, and the reason.

    key: by which `limit` finds it; what: what it limits, in words; most: the most allowed, in
    `unit`; unit: "" for a count; reason: why so many and no more.
    """

    key: str
    what: str
    most: float
    unit: str
    reason: str

    @property
    def shown(self) -> str:
        """The limit in words."""
        return f"{self.most:,.0f} {self.unit}".rstrip()


#: Beyond these an input is refused, most of them before it is read. All are judgement: what a
#: property needs, times ten or more, as far as a small machine still answers in seconds.
LIMITS: Final = (
    Limit("property_mb", "property file", 1, "MB", "a property file of 2,000 valves has 0.1 MB"),
    Limit("depth", "tables and lists within each other", 40, "levels", "ours need four"),
    Limit("vector_mb", "a file of layers", 300, "MB", "read in seconds; a city's buildings fit"),
    Limit("features", "features of a layer", 100_000, "", "50,000 trees pass; clip a city's"),
    Limit("vertices", "vertices of a layer", 1_000_000, "", "shapes are compared with each other"),
    Limit("kept_vertices", "vertices of an outline before it is thinned (by 1 to 20 cm)", 5_000, "",
          "distances are measured to every edge"),
    Limit("text", "characters of an id or a name on a layer", 200, "", "it stands on the map"),
    Limit("path", "characters of a text in the property file", 1_000, "", "paths are shorter"),
    Limit("ground_cells", "cells of the property at its resolution", 20_000_000, "",
          "sun and dryness are computed for each, in several variants"),
    Limit("raster_cells", "cells of a height raster around the property", 100_000_000, "",
          "0.8 GB as numbers"),
    Limit("block_mb", "a block of a height raster, unpacked", 256, "MB",
          "a block is unpacked whole, however little of it is wanted"),
    Limit("raster_cell_m", "the side of a cell of a height raster", 100, "m",
          "coarser ones say nothing of a garden"),
    Limit("weather_mb", "weather file", 20, "MB", "200 years of days have 10 MB"),
    Limit("station_mb", "file of a station network, unpacked", 3_000, "MB",
          "a year of all the stations of the world has 1,200 MB"),
    Limit("faults", "faults of one kind that are listed one by one", 12, "", "the rest is counted"),
)  # fmt: skip
_BY_KEY: Final = {row.key: row.most for row in LIMITS}


def limit(key: str) -> float:
    """Return a limit of `LIMITS`.

    >>> limit("features")
    100000
    """
    return _BY_KEY[key]
