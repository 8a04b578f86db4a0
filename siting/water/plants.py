"""How much water plants want: plant factors by month, root depth, allowed depletion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats
from siting.errors import Fault, InputError
from siting.site.handbook import PLANT_KINDS
from siting.site.settings import PLANTS

_MONTHS: Final = 12
_DEPLETION_LIMITS: Final = (0.1, 0.8)
_DEPLETION_SLOPE: Final = 0.04
_DEPLETION_ETC: Final = 5.0


@dataclass(frozen=True)
class MonthlyFactor:
    """Plant factors ETc/ETo of the twelve months, in the northern hemisphere.

    values: January first [-]; reference: where the numbers come from.
    """

    values: tuple[float, ...]
    reference: str


#: Measured turf factors.
TURF_FACTORS: Final = {
    "warm_season_s623": MonthlyFactor(
        (0.60,) * 12,
        "ANSI/ASABE S623.1, as quoted: warm-season turf 0.60 all year. Of no one place or grass; "
        "sports turf lies outside its scope.",
    ),
    "warm_season_florida": MonthlyFactor(
        (0.35, 0.35, 0.55, 0.80, 0.90, 0.75, 0.70, 0.70, 0.75, 0.70, 0.60, 0.45),
        "Jia, Dukes & Jacobs 2009, Irrigation Science 28:5-15 (bahiagrass, central Florida).",
    ),
    "cool_season_california": MonthlyFactor(
        (0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60),
        "Meyer et al. 1985, 5th Int. Turfgrass Research Conf., as on the University of "
        "California's turf coefficient page.",
    ),
    "warm_season_california": MonthlyFactor(
        (0.55, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55),
        "Meyer et al. 1985, as on the same page, but January: the page prints 0.61, which looks "
        "like a copy of the cool-season column; 0.55 is from memory.",
    ),
    "warm_season_south_florida": MonthlyFactor(
        (0.71, 0.79, 0.78, 0.86, 0.99, 0.86, 0.86, 0.90, 0.87, 0.86, 0.84, 0.71),
        "Extension values for south Florida (from memory).",
    ),
    "warm_season_arizona": MonthlyFactor(
        (0.78, 0.82, 0.86, 0.90, 0.84, 0.80, 0.80, 0.80, 0.80, 0.79, 0.78, 0.78),
        "Brown et al., low desert: bermudagrass 0.78-0.83 from June to September (0.80 is used), "
        "overseeded ryegrass 0.78 in January to 0.90 in April; the months between are "
        "interpolated here.",
    ),
    "cool_season_new_mexico": MonthlyFactor(
        (0.85,) * 12, "New Mexico extension: cool-season turf in its active season 0.85."
    ),
    "warm_season_new_mexico": MonthlyFactor(
        (0.70,) * 12, "New Mexico extension: warm-season turf in its active season 0.70."
    ),
}
#: What a word of the hydrozones' column `turf_table` selects, for each kind of turf.
TURF_TABLES: Final = {
    "florida": {"warm_season_turf": "warm_season_florida"},
    "south_florida": {"warm_season_turf": "warm_season_south_florida"},
    "california": {
        "cool_season_turf": "cool_season_california",
        "warm_season_turf": "warm_season_california",
    },
    "arizona": {"warm_season_turf": "warm_season_arizona"},
    "new_mexico": {
        "cool_season_turf": "cool_season_new_mexico",
        "warm_season_turf": "warm_season_new_mexico",
    },
}


def turf_table(plants: str, *, hot_arid: bool = False, choice: str | None = None) -> str | None:
    """Return which of `TURF_FACTORS` gives the months of a plant word.

    Result: None for plants that are no turf.

    >>> turf_table("warm_season_turf", choice="arizona")
    'warm_season_arizona'
    """
    kind = PLANT_KINDS[plants]
    default = kind.turf_arid if hot_arid else kind.turf_humid
    if choice is None or default is None:
        return default
    table = TURF_TABLES.get(choice, {}).get(plants)
    if table is None:
        fits = ", ".join(word for word, tables in TURF_TABLES.items() if plants in tables)
        fault = Fault("hydrozones", choice, fits, "Choose one of these.", column="turf_table")
        raise InputError([fault])
    return table


def monthly_plant_factor(
    plants: str, *, latitude: float, hot_arid: bool = False, table: str | None = None
) -> Floats:
    """Return the plant factor of the twelve months.

    latitude: north positive, south of the equator the months are shifted by six [deg]; table: a
    word of `TURF_TABLES`, for turf, the default is one factor all year (ANSI/ASABE S623.1) for
    warm-season turf, and California for cool-season turf and hot dry climates. Result: January
    first [-], shape (12,).

    See ``PLANT_KINDS[plants].reference`` and ``TURF_FACTORS``.

    >>> monthly_plant_factor("warm_season_turf", latitude=28.5, table="florida")[:5].tolist()
    [0.35, 0.35, 0.55, 0.8, 0.9]
    """
    if plants not in PLANT_KINDS:
        mend = "Use one of the plant words."
        fault = Fault("hydrozones", plants, ", ".join(PLANTS), mend, column="plants")
        raise InputError([fault])
    kind = PLANT_KINDS[plants]
    turf = turf_table(plants, hot_arid=hot_arid, choice=table)
    if turf is None:
        return np.full(_MONTHS, kind.factor_arid if hot_arid else kind.factor_humid)
    values = np.array(TURF_FACTORS[turf].values, dtype=np.float64)
    return np.roll(values, _MONTHS // 2) if latitude < 0.0 else values


def adjusted_depletion(depletion_fraction: ArrayLike, etc: ArrayLike) -> Floats:
    """Return the depletion fraction at another evapotranspiration than 5 mm/d.

    Parameters
    ----------
    depletion_fraction : array_like, shape (...)
        At ETc 5 mm/d [-].
    etc : array_like, shape (...)
        Evapotranspiration of the unstressed plants [mm/d].

    Returns
    -------
    ndarray, shape (...)
        Depletion fraction, 0.1 to 0.8 [-].

    References
    ----------
    FAO-56 Table 22, footnote, and chapter 8: p + 0.04 (5 - ETc).

    Examples
    --------
    >>> adjusted_depletion(0.5, [3.0, 5.0, 20.0]).round(2).tolist()
    [0.58, 0.5, 0.1]
    """
    p = np.asarray(depletion_fraction, dtype=np.float64)
    shifted = p + _DEPLETION_SLOPE * (_DEPLETION_ETC - np.asarray(etc, dtype=np.float64))
    return np.asarray(np.clip(shifted, *_DEPLETION_LIMITS))


@dataclass(frozen=True)
class FactorRange:
    """The published range of one factor of the landscape coefficient.

    low, high: its ends [-]; reference: where it is published.
    """

    low: float
    high: float
    reference: str = (
        "Costello, Matheny, Clark & Jones 2000, A Guide to Estimating Irrigation Water Needs of "
        "Landscape Plantings in California (range from memory)."
    )


#: Published ranges of the species, density and microclimate factors.
LANDSCAPE_RANGES: Final = {
    "ks": FactorRange(0.0, 0.9),
    "kd": FactorRange(0.5, 1.3),
    "kmc": FactorRange(0.5, 1.4),
}
#: Published classes of the three factors: (word, low, high).
LANDSCAPE_CLASSES: Final = {
    "ks": (
        ("very low", 0.0, 0.1), ("low", 0.1, 0.3), ("moderate", 0.4, 0.6), ("high", 0.7, 0.9),
    ),
    "kd": (("low", 0.5, 0.9), ("average", 1.0, 1.0), ("high", 1.1, 1.3)),
    "kmc": (("low", 0.5, 0.9), ("average", 1.0, 1.0), ("high", 1.1, 1.4)),
}  # fmt: skip


def factor_class(name: str, value: float) -> str:
    """Return the published class of a factor of the landscape coefficient, with its range.

    Parameters
    ----------
    name : {"ks", "kd", "kmc"}
        Which factor.
    value : float
        Its value [-].

    Returns
    -------
    str
        The class whose range is nearest, as "low 0.5-0.9"; "below" or "above" and the whole range
        where the value lies outside it.

    References
    ----------
    Costello et al. 2000, see `LANDSCAPE_RANGES` (ranges from memory).

    Examples
    --------
    >>> factor_class("kmc", 0.72), factor_class("kmc", 0.97), factor_class("kmc", 0.41)
    ('low 0.5-0.9', 'average 1', 'below 0.5-1.4')
    """
    whole = LANDSCAPE_RANGES[name]
    if not whole.low <= value <= whole.high:
        side = "below" if value < whole.low else "above"
        return f"{side} {whole.low:g}-{whole.high:g}"
    word, low, high = min(
        LANDSCAPE_CLASSES[name], key=lambda row: max(row[1] - value, value - row[2], 0.0)
    )
    return f"{word} {low:g}" if low == high else f"{word} {low:g}-{high:g}"


#: Factor by seasons since planting. Common practice, no source: plant factors are published for
#: established plantings only (ANSI/ASABE S623.1, scope).
ESTABLISHMENT: Final = (1.2, 1.1)


def establishment_factor(seasons: float) -> float:
    """Return how much more water a new planting is given than an established one.

    Result: 1.2 in the first season, 1.1 in the second, then 1 [-].

    >>> [establishment_factor(n) for n in (0, 1, 2)]
    [1.2, 1.1, 1.0]
    """
    place = int(seasons)
    return ESTABLISHMENT[place] if place < len(ESTABLISHMENT) else 1.0
