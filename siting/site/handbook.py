"""The plants and soils that a property may name: one row each, with all that is published of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

_INCH_MM: Final = 25.4


@dataclass(frozen=True)
class PlantKind:
    """What a plant word of the property file stands for.

    factor_humid, factor_arid: plant factor of established plantings in humid and in hot arid
    climates, that of turf is the yearly mean, its months are in `TURF_FACTORS` [-]; root_depth_m:
    depth that irrigation keeps wet [m]; depletion_fraction: share of the available water that may
    be used before stress, at ETc 5 mm/d [-]; buried: rule of the sensor's depth, of
    `siting.season.scheduling.DEPTHS`; reference: where the numbers come from; turf_humid,
    turf_arid: which of `siting.water.plants.TURF_FACTORS` gives the months.
    """

    factor_humid: float
    factor_arid: float
    root_depth_m: float
    depletion_fraction: float
    buried: str
    reference: str
    turf_humid: str | None = None
    turf_arid: str | None = None


_S623: Final = "Plant factor: ANSI/ASABE S623.1"
_HALF: Final = "Depletion 50 %, common landscape practice; root depth: common practice, no source."
_WOODY: Final = f"{_S623}, woody 0.7 humid, 0.5 dry. {_HALF}"
_TURF_ROOTS: Final = (
    "Depletion: FAO-56 Table 22. Root depth 0.30 m (12 in): common practice for irrigated lawns, "
    "no source; FAO-56 Table 22 gives 0.5-1.0 m for roots that nothing holds back."
)
#: Every plant word. S623.1 was seen quoted for turf and woody plants, the rest is from memory.
PLANT_KINDS: Final = {
    "cool_season_turf": PlantKind(
        0.80, 0.80, 0.30, 0.40, "turf", f"{_S623} 0.8. {_TURF_ROOTS}",
        "cool_season_california", "cool_season_california",
    ),
    "warm_season_turf": PlantKind(
        0.60, 0.60, 0.30, 0.50, "turf", f"{_S623} 0.6. {_TURF_ROOTS}",
        "warm_season_s623", "warm_season_california",
    ),
    "groundcover": PlantKind(0.7, 0.5, 0.30, 0.5, "ornamentals", _WOODY),
    "shrubs": PlantKind(0.7, 0.5, 0.45, 0.5, "ornamentals", _WOODY),
    "trees": PlantKind(0.7, 0.5, 0.60, 0.5, "deep-rooted", _WOODY),
    "perennials": PlantKind(0.5, 0.5, 0.30, 0.5, "ornamentals",
        f"{_S623} 0.5 (from memory). {_HALF}",
    ),
    "annuals": PlantKind(
        0.8, 0.8, 0.20, 0.4, "ornamentals",
        f"{_S623} 0.8 (from memory). Depletion 40 % and root depth: common practice, no source.",
    ),
    "vegetables": PlantKind(
        1.0, 1.0, 0.30, 0.3, "ornamentals",
        f"{_S623} 1.0 (from memory); food plants lie outside its scope. Depletion 30 % as "
        "FAO-56 Table 22 has it for small vegetables "
        "(from memory); root depth: common practice, no source.",
    ),
    "desert_plants": PlantKind(0.3, 0.3, 0.60, 0.5, "deep-rooted",
        f"{_S623} 0.3 (from memory). {_HALF}",
    ),
    "mixed": PlantKind(0.7, 0.5, 0.40, 0.5, "ornamentals",
        f"Taken as woody plants, no source. {_HALF}",
    ),
}  # fmt: skip


#: Where field capacity and wilting point come from, and where the range of the first does.
_Source = tuple[str, str]
_TABLE_19: Final = ("FC, WP: within the ranges of FAO-56 Table 19. ", "FAO-56 Table 19")
_SAXTON: Final = (
    "FC, WP: Saxton & Rawls 2006, Table 3 (FAO-56 Table 19 does not have it). ",
    "Saxton & Rawls 2006 Table 3, give or take 0.06",
)
_INTAKE: Final = (
    "Basic intake and surface accumulation: the values of the irrigation scheduling standard for "
    "{} as found in public code, not the standard itself. "
)
_DRAIN: Final = "Drain time: common practice, no source."


class TextureRange(NamedTuple):
    """Published field capacity of a texture class.

    low, high: [m³/m³]; reference: where it comes from.
    """

    low: float
    high: float
    reference: str


@dataclass(frozen=True)
class SoilClass:
    """What a texture class stands for when nothing better is known.

    field_capacity, wilting_point: volumetric water content [m³/m³]; intake_rate: basic intake rate
    [mm/h]; accumulation: water that may stand on the surface before it runs off, on slopes of up to
    3, 6, 12 and above 12 % [mm]; drain_hours: from a soaking to field capacity [h]; group:
    hydrologic soil group, USDA TR-55 Appendix A, for disturbed soils (from memory); rate_group:
    class of the greatest rate of application, see `siting.water.soil.greatest_rate`; texture: sand
    and clay of a typical soil [%], Saxton & Rawls 2006, Table 3; capacities: least and greatest
    field capacity published [m³/m³], and where; reference: where the other numbers come from.
    """

    field_capacity: float
    wilting_point: float
    intake_rate: float
    accumulation: tuple[float, float, float, float]
    drain_hours: float
    group: str
    rate_group: str
    texture: tuple[float, float]
    capacities: TextureRange
    reference: str


# Intake [in/h] and allowable surface accumulation by slope [in] of the seven published classes.
_SURFACE: Final = {
    "sand": (0.60, (0.40, 0.35, 0.30, 0.25)),
    "loamy sand": (0.50, (0.36, 0.30, 0.26, 0.22)),
    "sandy loam": (0.40, (0.33, 0.29, 0.24, 0.20)),
    "loam": (0.35, (0.30, 0.25, 0.21, 0.17)),
    "clay loam": (0.20, (0.26, 0.22, 0.18, 0.15)),
    "silty clay": (0.15, (0.23, 0.19, 0.16, 0.13)),
    "clay": (0.10, (0.20, 0.15, 0.10, 0.10)),
}


def _soil(
    water: tuple[float, float],
    surface: str,
    drain_hours: float,
    group: str,
    rate_group: str,
    texture: tuple[float, float],
    capacities: tuple[float, float],
    source: _Source,
) -> SoilClass:
    """Build a class from the water it holds at FC and WP, and whose published surface it takes."""
    rate, standing = _SURFACE[surface]
    a, b, c, d = (round(value * _INCH_MM, 4) for value in standing)
    held, ranged = source
    return SoilClass(
        field_capacity=water[0],
        wilting_point=water[1],
        intake_rate=round(rate * _INCH_MM, 4),
        accumulation=(a, b, c, d),
        drain_hours=drain_hours,
        group=group,
        rate_group=rate_group,
        texture=texture,
        capacities=TextureRange(*capacities, ranged),
        reference=held + _INTAKE.format(surface) + _DRAIN,
    )


#: The USDA texture classes.
SOIL_CLASSES: Final = {
    "sand": _soil((0.12, 0.045), "sand", 24.0, "A", "coarse sand",
        (88.0, 5.0), (0.07, 0.17), _TABLE_19),
    "loamy sand": _soil((0.15, 0.06), "loamy sand", 24.0, "A", "coarse sand",
        (80.0, 5.0), (0.11, 0.19), _TABLE_19),
    "sandy loam": _soil((0.23, 0.11), "sandy loam", 48.0, "A", "light sandy loam",
        (65.0, 10.0), (0.18, 0.28), _TABLE_19),
    "loam": _soil((0.26, 0.12), "loam", 48.0, "B", "silt loam",
        (40.0, 20.0), (0.20, 0.30), _TABLE_19),
    "silt loam": _soil((0.30, 0.15), "loam", 48.0, "B", "silt loam",
        (20.0, 15.0), (0.22, 0.36), _TABLE_19),
    "silt": _soil((0.32, 0.15), "loam", 48.0, "B", "silt loam",
        (10.0, 5.0), (0.28, 0.36), _TABLE_19),
    "sandy clay loam": _soil((0.27, 0.17), "clay loam", 48.0, "C", "silt loam",
        (60.0, 25.0), (0.21, 0.33), _SAXTON),
    "clay loam": _soil((0.36, 0.22), "clay loam", 72.0, "D", "heavy clay",
        (30.0, 35.0), (0.30, 0.42), _SAXTON),
    "silty clay loam": _soil((0.34, 0.20), "clay loam", 72.0, "D", "heavy clay",
        (10.0, 35.0), (0.30, 0.37), _TABLE_19),
    "sandy clay": _soil((0.36, 0.25), "silty clay", 72.0, "D", "heavy clay",
        (50.0, 40.0), (0.30, 0.42), _SAXTON),
    "silty clay": _soil((0.37, 0.22), "silty clay", 72.0, "D", "heavy clay",
        (10.0, 45.0), (0.30, 0.42), _TABLE_19),
    "clay": _soil((0.37, 0.22), "clay", 72.0, "D", "heavy clay",
        (25.0, 50.0), (0.32, 0.40), _TABLE_19),
}  # fmt: skip
