"""What each hydrozone's plants, soil and irrigation mean for its water, every gap filled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.errors import Fault, InputError
from siting.site.vocabulary import IRRIGATION, PLANTS, SOILS
from siting.water.application import IRRIGATION_KINDS
from siting.water.balance import total_available_water
from siting.water.plants import PLANT_KINDS, monthly_plant_factor
from siting.water.soil import (
    MOST_CLAY,
    SOIL_CLASSES,
    saxton_rawls,
    surface_accumulation,
    texture_class,
)

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["DEFAULT_IRRIGATION", "DEFAULT_SOIL", "MONTH_COLUMNS", "zone_water"]

_Array = NDArray[np.float64]

#: Where the property does not say: common choices, no source. Both are named in `defaults`.
DEFAULT_SOIL: Final = "sandy loam"
DEFAULT_IRRIGATION: Final = "spray"

#: Columns of the monthly plant factors.
MONTH_COLUMNS: Final = tuple(f"plant_factor_{month}" for month in range(1, 13))


@dataclass
class _Zone:
    """One zone while its gaps are filled; remembers what was assumed."""

    name: str
    given: dict[str, Any]
    assumed: list[str]

    def number(self, column: str, default: float, *, note: str | None = None) -> float:
        """Return the number of a column, or the default, noted in `assumed`."""
        value = self.given.get(column)
        if value is None or not np.isfinite(float(value)):
            self.assumed.append(note or column)
            return default
        return float(value)

    def word(self, column: str, default: str) -> str:
        """Return the word of a column, or the default, noted in `assumed`."""
        value = self.given.get(column)
        if not isinstance(value, str) or not value:
            self.assumed.append(f"{column} {default}")
            return default
        return value


def zone_water(
    hydrozones: gpd.GeoDataFrame, *, latitude: float, hot_arid: bool = False
) -> pd.DataFrame:
    """Fill in what every zone's water depends on.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        As `siting.site.model.Site.hydrozones`: index `zone`; columns plants, soil, sand, clay [%],
        irrigation, precipitation_rate [mm/h], distribution_uniformity [-], root_depth [m],
        plant_factor [-], slope [%]. Columns may be absent, unknown cells NaN or None.
    latitude : float
        North positive [deg].
    hot_arid : bool, default False
        Whether the climate is hot and dry: decides between published plant factors.

    Returns
    -------
    DataFrame
        Index as the zones; columns plant_factor_1 ... plant_factor_12 [-], depletion_fraction (at
        ETc 5 mm/d) [-], field_capacity, wilting_point [m³/m³], root_depth_m [m], taw_mm [mm],
        precipitation_rate [mm/h], distribution_uniformity [-], application_efficiency [-],
        intake_rate [mm/h], surface_accumulation [mm], drain_hours [h], soil_class (str), defaults
        (str: what was assumed, comma-separated).

    Raises
    ------
    InputError
        With every word that is unknown and every number that is impossible.

    References
    ----------
    See `siting.water.plants`, `siting.water.soil` and `siting.water.application`.
    """
    table = pd.DataFrame(hydrozones)
    zones = [
        _Zone(str(name), dict(zip(table.columns, row, strict=True)), [])
        for name, row in zip(table.index, table.itertuples(index=False, name=None), strict=True)
    ]
    faults = [fault for zone in zones for fault in _faults(zone)]
    if faults:
        raise InputError(faults)
    rows = [_row(zone, latitude=latitude, hot_arid=hot_arid) for zone in zones]
    return pd.DataFrame(rows, index=hydrozones.index.copy(), columns=list(_COLUMNS))


_COLUMNS: Final = (
    *MONTH_COLUMNS, "depletion_fraction", "field_capacity", "wilting_point", "root_depth_m",
    "taw_mm", "precipitation_rate", "distribution_uniformity", "application_efficiency",
    "intake_rate", "surface_accumulation", "drain_hours", "soil_class", "defaults",
)  # fmt: skip

_WHOLE: Final = 100.0
#: Lowest and highest value that a zone's number may have.
_LIMITS: Final = {
    "precipitation_rate": (0.1, 500.0, "mm/h"),
    "distribution_uniformity": (0.1, 1.0, ""),
    "root_depth": (0.02, 3.0, "m"),
    "plant_factor": (0.01, 1.5, ""),
    "slope": (0.0, 200.0, "%"),
    "sand": (0.0, 100.0, "%"),
    "clay": (0.0, 100.0, "%"),
}


def _faults(zone: _Zone) -> list[Fault]:
    """Return what is wrong with a zone."""
    wrong = _wrong_words(zone.given) + _wrong_numbers(zone.given)
    return [
        Fault("hydrozones", found, allowed, "Correct the zone.", feature=zone.name, column=column)
        for column, found, allowed in wrong
    ]


def _wrong_words(given: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return column, found and allowed of each unknown word; plants must be there."""
    wrong = []
    for column, vocabulary in (("plants", PLANTS), ("soil", SOILS), ("irrigation", IRRIGATION)):
        value = given.get(column)
        absent = not isinstance(value, str)
        if (absent and column == "plants") or not (absent or value in vocabulary):
            wrong.append((column, str(value), ", ".join(vocabulary)))
    return wrong


def _wrong_numbers(given: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return column, found and allowed of each impossible number."""
    numbers = {
        column: float(given[column])
        for column in _LIMITS
        if column in given and given[column] is not None
    }
    wrong = []
    for column, number in numbers.items():
        low, high, unit = _LIMITS[column]
        if number < low or number > high:
            wrong.append((column, f"{number:g}", f"{low:g} to {high:g} {unit}".rstrip()))
    sand, clay = numbers.get("sand", 0.0), numbers.get("clay", 0.0)
    if sand + clay > _WHOLE:
        wrong.append(("sand, clay", f"{sand:g} + {clay:g} %", "together at most 100 %"))
    return wrong


def _row(zone: _Zone, *, latitude: float, hot_arid: bool) -> dict[str, object]:
    """Return the filled row of one zone."""
    kind = PLANT_KINDS[str(zone.given["plants"])]
    soil_class, field_capacity, wilting_point = _soil(zone)
    soil = SOIL_CLASSES[soil_class]
    irrigation = IRRIGATION_KINDS[zone.word("irrigation", DEFAULT_IRRIGATION)]
    root_depth = zone.number("root_depth", kind.root_depth_m)
    slope = zone.number("slope", 0.0, note="slope flat")
    row: dict[str, object] = dict(
        zip(MONTH_COLUMNS, _factors(zone, latitude, hot_arid=hot_arid).tolist(), strict=True)
    )
    row |= {
        "depletion_fraction": kind.depletion_fraction,
        "field_capacity": field_capacity,
        "wilting_point": wilting_point,
        "root_depth_m": root_depth,
        "taw_mm": float(total_available_water(field_capacity, wilting_point, root_depth)),
        "precipitation_rate": zone.number("precipitation_rate", irrigation.precipitation_rate),
        "distribution_uniformity": zone.number(
            "distribution_uniformity", irrigation.distribution_uniformity
        ),
        "application_efficiency": irrigation.efficiency,
        "intake_rate": soil.intake_rate,
        "surface_accumulation": surface_accumulation(soil_class, slope),
        "drain_hours": soil.drain_hours,
        "soil_class": soil_class,
        "defaults": ", ".join(zone.assumed),
    }
    return row


def _factors(zone: _Zone, latitude: float, *, hot_arid: bool) -> _Array:
    """Return the zone's monthly plant factors: its own number all year, or the published ones."""
    own = zone.number("plant_factor", np.nan)
    if np.isfinite(own):
        return np.full(len(MONTH_COLUMNS), own)
    return monthly_plant_factor(str(zone.given["plants"]), latitude=latitude, hot_arid=hot_arid)


def _soil(zone: _Zone) -> tuple[str, float, float]:
    """Return class, field capacity and wilting point: from sand and clay when both are known."""
    shares = [zone.given.get(column) for column in ("sand", "clay")]
    sand, clay = (np.nan if share is None else float(share) for share in shares)
    known = bool(np.isfinite(sand) and np.isfinite(clay))
    if known and clay <= MOST_CLAY:
        water = saxton_rawls(sand, clay)
        return texture_class(sand, clay), float(water.field_capacity), float(water.wilting_point)
    soil_class = texture_class(sand, clay) if known else zone.word("soil", DEFAULT_SOIL)
    soil = SOIL_CLASSES[soil_class]
    return soil_class, soil.field_capacity, soil.wilting_point
