"""What makes a zone thirsty: sun, plants, soil, roots, slope and application, as shares.

The *thirst* of a zone is its water-need score where the water falls short: ETc of the peak month
over the readily available water, over what reaches the low quarter, over the share of a refill that
soaks in when it is run in one go. It is compared with that of an undemanding zone (`EASY_ZONE`),
and the logarithm of the ratio is divided among the six causes by Shapley's rule: each cause gets
its mean effect over all orders in which the easy values could be replaced by the zone's own. So the
shares add up exactly and do not depend on an order, although the causes are not independent (the
allowed depletion follows the demand, run-off follows soil, slope and rate at once).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from math import factorial
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from siting.water.plants import adjusted_depletion

__all__ = ["CAUSES", "EASY_ZONE", "EasyZone", "need_shares", "thirst", "whole_percents"]

_Array = NDArray[np.float64]

#: The causes, in the order of the columns.
CAUSES: Final = ("sun", "plants", "soil", "roots", "slope", "application")

#: Below this the ratio to the easy zone tells nothing, and there are no shares.
_LEAST_RATIO: Final = 1.05
#: Reference ET below this is taken as this: a ratio needs a number above 0 [mm/d].
_LEAST_ETO: Final = 0.01


@dataclass(frozen=True)
class EasyZone:
    """An undemanding zone: deep shade, frugal plants, the best soil, deep roots, flat and even.

    Each value is the friendly end of the tables that the program uses, so that every cause of an
    ordinary zone counts up from it. The choice is the project's; the shares depend on it.

    kmc: ETo over that of open ground: the low end of the published microclimate factor [-];
    plant_factor, depletion_fraction: of desert plants, at ETc 5 mm/d [-]; available_water: field
    capacity less wilting point, of silt [m³/m³]; intake_rate, accumulation: of sand on the flat
    [mm/h, mm]; root_depth_m: of trees [m]; standing: water that may stand, over that of the same
    soil on the flat [-]; uniformity, precipitation_rate: perfectly even, of drip [-, mm/h].
    """

    kmc: float = 0.5
    plant_factor: float = 0.3
    depletion_fraction: float = 0.5
    available_water: float = 0.17
    intake_rate: float = 15.24
    accumulation: float = 10.16
    root_depth_m: float = 0.6
    standing: float = 1.0
    uniformity: float = 1.0
    precipitation_rate: float = 10.922


#: The zone that all are compared with.
EASY_ZONE: Final = EasyZone()

#: Which values each cause brings.
_BRINGS: Final = {
    "sun": ("eto",),
    "plants": ("plant_factor", "depletion_fraction"),
    "soil": ("available_water", "intake_rate", "accumulation"),
    "roots": ("root_depth_m",),
    "slope": ("standing",),
    "application": ("uniformity", "precipitation_rate"),
}


def thirst(
    eto: ArrayLike,
    *,
    plant_factor: ArrayLike,
    depletion_fraction: ArrayLike,
    store: tuple[ArrayLike, ArrayLike],
    surface: tuple[ArrayLike, ArrayLike],
    uniformity: ArrayLike,
    precipitation_rate: ArrayLike,
) -> _Array:
    """Return how fast the low quarter of a zone uses what it can store of what it gets.

    eto: reference ET of the peak month with the zone's own sun [mm/d]; plant_factor: of that month
    [-]; depletion_fraction: at ETc 5 mm/d, adjusted here for the demand [-]; store: available water
    [m³/m³] and root depth [m]; surface: basic intake rate [mm/h] and the water that may stand
    before it runs off [mm]; uniformity: low-quarter distribution uniformity [-];
    precipitation_rate: of the irrigation [mm/h]. Result: 100 ETc / (RAW u s) [%/d], with s the
    share of a refill of RAW that soaks in when it is run in one go: intake over rate, plus what may
    stand over RAW, at most 1.

    On even ground without run-off it is the need score: 5 mm/d from 20 mm.

    >>> float(thirst(10.0, plant_factor=0.5, depletion_fraction=0.5, store=(0.1, 0.4),
    ...              surface=(20.0, 5.0), uniformity=1.0, precipitation_rate=10.0))
    25.0
    """
    etc = np.asarray(plant_factor, dtype=float) * np.maximum(np.asarray(eto, float), _LEAST_ETO)
    held = 1000.0 * np.asarray(store[0], dtype=float) * np.asarray(store[1], dtype=float)
    raw = adjusted_depletion(depletion_fraction, etc) * held
    rate = np.asarray(precipitation_rate, dtype=float)
    soaks = np.asarray(surface[0], dtype=float) / rate + np.asarray(surface[1], dtype=float) / raw
    reaches = np.asarray(uniformity, dtype=float) * np.minimum(soaks, 1.0)
    return np.asarray(100.0 * etc / (raw * reaches))


def need_shares(
    zones: pd.DataFrame, *, open_eto: ArrayLike, easy: EasyZone = EASY_ZONE
) -> pd.DataFrame:
    """Say how much each cause adds to a zone's thirst.

    zones: columns eto (peak month, the zone's own sun) [mm/d], plant_factor (of that month),
    depletion_fraction (at ETc 5 mm/d), available_water [m³/m³], intake_rate [mm/h], accumulation
    (what may stand on the flat) [mm], root_depth_m [m], standing (what may stand on the zone's
    slope, over the flat), uniformity, precipitation_rate [mm/h]; open_eto (Z,): reference ET of
    open ground in the zone's peak month [mm/d]. Result: index of `zones`; one column per cause: its
    share of log(thirst / easy thirst), the sum of a row is 1; a cause that makes the zone easier
    than the easy zone has a negative share. NaN where the zone is not at least 5 % thirstier than
    the easy zone. Column `ratio`: thirst over the easy zone's.

    Shapley, L. S. (1953). A value for n-person games. Contributions to the Theory of Games II.
    """
    own = {name: zones[name].to_numpy(dtype=float) for name in _names()}
    known = {name: np.full(len(zones), getattr(easy, name)) for name in _names() if name != "eto"}
    known["eto"] = easy.kmc * np.asarray(open_eto, dtype=float)
    logs = {
        chosen: _log_thirst(own, known, chosen)
        for size in range(len(CAUSES) + 1)
        for chosen in map(frozenset, combinations(CAUSES, size))
    }
    parts = np.column_stack([_shapley(cause, logs) for cause in CAUSES])
    total = logs[frozenset(CAUSES)] - logs[frozenset()]
    shares = np.full(parts.shape, np.nan)
    told = total >= np.log(_LEAST_RATIO)
    shares[told] = parts[told] / total[told, None]
    table = pd.DataFrame(shares, index=zones.index.copy(), columns=list(CAUSES))
    table["ratio"] = np.exp(total)
    return table


def whole_percents(shares: Mapping[str, float]) -> dict[str, int]:
    """Round shares that add up to 1 to whole percents that add up to 100.

    Result: largest remainders are rounded up.

    >>> whole_percents({"a": 1 / 3, "b": 1 / 3, "c": 1 / 3})
    {'a': 34, 'b': 33, 'c': 33}
    """
    exact = {name: 100.0 * share for name, share in shares.items()}
    whole = {name: int(np.floor(value)) for name, value in exact.items()}
    short = 100 - sum(whole.values())
    order = sorted(exact, key=lambda name: (-round(exact[name] - whole[name], 9), name))
    for name in order[: max(short, 0)]:
        whole[name] += 1
    return whole


def _names() -> tuple[str, ...]:
    return tuple(name for names in _BRINGS.values() for name in names)


def _log_thirst(
    own: Mapping[str, _Array], easy: Mapping[str, _Array], chosen: frozenset[str]
) -> _Array:
    """Return the logarithm of thirst with the zone's own values for the chosen causes only."""
    at = {
        name: (own if cause in chosen else easy)[name]
        for cause, names in _BRINGS.items()
        for name in names
    }
    value = thirst(
        at["eto"],
        plant_factor=at["plant_factor"],
        depletion_fraction=at["depletion_fraction"],
        store=(at["available_water"], at["root_depth_m"]),
        surface=(at["intake_rate"], at["accumulation"] * at["standing"]),
        uniformity=at["uniformity"],
        precipitation_rate=at["precipitation_rate"],
    )
    return np.asarray(np.log(value))


def _shapley(cause: str, logs: Mapping[frozenset[str], _Array]) -> _Array:
    """Return a cause's mean effect over all orders of the causes."""
    count = len(CAUSES)
    total = np.zeros_like(logs[frozenset()])
    for chosen, value in logs.items():
        if cause not in chosen:
            size = len(chosen)
            weight = factorial(size) * factorial(count - size - 1) / factorial(count)
            total += weight * (logs[chosen | {cause}] - value)
    return total
