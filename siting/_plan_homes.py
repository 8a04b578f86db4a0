"""Why a sensor lies in this zone and not in the thirstiest of those it governs.

The trade's habit is the driest place of the property. Where the decision puts the sensor elsewhere,
the same group is priced with its sensor in its thirstiest zone, everything else left as it is, and
the difference is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from siting._plan_choice import Decision
from siting._plan_known import Decided
from siting.units import UnitsName, figure, show

__all__ = ["Elsewhere", "elsewhere", "zone_notes"]

_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")
_TRIFLE: Final = 0.5  # currency or m³ a year below which a difference is none


@dataclass(frozen=True)
class Elsewhere:
    """A sensor moved to the thirstiest zone that it governs.

    Parameters
    ----------
    home, thirstiest : str
        Where it lies, and where it could.
    alone : bool
        Whether it governs every zone of the property.
    open_ground : bool
        Whether any ground of the thirstiest zone meets every setback.
    cost, water_m3 : float
        How much more a year it would cost, and use, from there; infinite where no setting keeps
        every zone within its limit [currency, m³].
    """

    home: str
    thirstiest: str
    alone: bool
    open_ground: bool
    cost: float
    water_m3: float


def elsewhere(
    decided: Decided, zones: pd.DataFrame, ids: Mapping[int, str]
) -> dict[str, Elsewhere]:
    """Price every sensor that is not in the thirstiest zone of its group as if it were.

    Parameters
    ----------
    decided : Decided
        The choice.
    zones : DataFrame
        As `Plan.zones`.
    ids : mapping of int to str
        Tags of the chosen candidates.

    Returns
    -------
    dict of str to Elsewhere
        By tag; sensors in the thirstiest zone of their group are left out.
    """
    decision = decided.decision
    need = zones["need_score"].to_numpy(dtype=float)
    found = {}
    for candidate, tag in ids.items():
        group = np.flatnonzero(decision.governor == candidate)
        home, top = int(decision.governors.zone[candidate]), int(group[np.argmax(need[group])])
        if home == top or need[home] >= need[top]:
            continue
        cost, water = _moved(decision, candidate, top)
        found[tag] = Elsewhere(
            home=str(zones.index[home]),
            thirstiest=str(zones.index[top]),
            alone=len(group) == len(zones),
            open_ground=bool(decision.options.zones["admissible"].iloc[top]),
            cost=cost,
            water_m3=water,
        )
    return found


def _moved(decision: Decision, candidate: int, top: int) -> tuple[float, float]:
    """Return what the same groups cost and use more with one sensor in another zone."""
    options, choice, pool = decision.options, decision.choice, decision.governors
    group = np.flatnonzero(decision.governor == candidate)
    priced, prices = options.candidates(), options.prices
    kinds = {pool.kind[j] for j in choice.sensors if _together(decision, j, candidate)}
    others = [
        int(j)
        for j in np.flatnonzero(pool.zone == top)
        if pool.kind[int(j)] in kinds and np.isfinite(priced.cost[int(j), group]).all()
    ]
    if not others:
        return float("inf"), float("inf")
    totals = priced.cost[:, group].sum(axis=1)
    best = min(others, key=lambda j: float(totals[j]))
    homes = options.homes(choice)
    moved = [top if home == int(pool.zone[candidate]) else home for home in homes]
    own = float(totals[best] - totals[candidate])
    own += float(prices.connection[top] - prices.connection[pool.zone[candidate]])
    shared = prices.shared(0.0, moved) - prices.shared(0.0, homes)
    used = np.minimum(pool.water_mm[:, group], options.alone_mm[group])
    water = used @ options.area_m2[group] / 1000
    return own + shared, float(water[best] - water[candidate])


def _together(decision: Decision, one: int, other: int) -> bool:
    """Return whether two candidates are on the same controller."""
    names = decision.options.zones["controller"].fillna("").astype(str).to_numpy()
    zone = decision.governors.zone
    return bool(names[int(zone[one])] == names[int(zone[other])])


def zone_notes(
    found: Mapping[str, Elsewhere], tags: pd.Index, *, currency: str, price: float | None
) -> dict[UnitsName, dict[str, str]]:
    """Say for every sensor why it is not in the thirstiest zone that it governs.

    Parameters
    ----------
    found : mapping of str to Elsewhere
        As from `elsewhere`.
    tags : Index
        Of every sensor.
    currency : str
        The user's.
    price : float or None
        Price of water; without one the difference is told in water [currency/m³].

    Returns
    -------
    dict
        By units, then by tag; "" where the sensor is in the thirstiest zone.
    """
    return {
        units: {
            str(tag): _note(found[str(tag)], currency, price, units) if str(tag) in found else ""
            for tag in tags
        }
        for units in _SYSTEMS
    }


def _note(other: Elsewhere, currency: str, price: float | None, units: UnitsName) -> str:
    """Say why one sensor is where it is."""
    whose = "the thirstiest zone" if other.alone else "the thirstiest zone that it governs"
    lead = f"It lies in {other.home} and not in {other.thirstiest}, {whose}"
    if not other.open_ground:
        return f"{lead}, because no ground there meets every setback."
    if not np.isfinite(other.cost):
        return (
            f"{lead}, because from there no setting keeps every zone that it governs within its "
            "stress limit."
        )
    enough = "and every zone that it governs still gets enough"
    if price is not None and other.cost >= _TRIFLE:
        return f"{lead}: this costs {figure(other.cost)} {currency} a year less, {enough}."
    if price is None and other.water_m3 >= _TRIFLE:
        less = show(other.water_m3, "volume", units)
        return f"{lead}: this uses {less} a year less, {enough}."
    return f"{lead}: this costs no more, {enough}."
