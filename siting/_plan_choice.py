"""From simulated governors to the number and grouping of sensors, with money on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_control import Governors
from siting.sensors import Candidates, Choice, SensorChoice, choose_sensors, plain_rules

__all__ = ["Decision", "Prices", "decide"]

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class Prices:
    """What a choice costs a year.

    Parameters
    ----------
    water : float
        Price of water, 0 where unknown [currency/m³].
    sensor : ndarray, shape (Z,)
        Yearly cost of a sensor in each zone: device, installation, trench and wire over their life
        [currency per year].
    """

    water: float
    sensor: _Array


@dataclass(frozen=True)
class Decision:
    """The chosen kind of control and grouping, beside everything it was chosen from.

    Parameters
    ----------
    kind : str
        "bypass" or "on_demand".
    governors : Governors
        The candidates of that kind.
    choice : Choice
        The chosen grouping.
    choices : DataFrame
        As `Plan.choices`, but for the tags of sensors.
    rules : DataFrame
        As `Plan.rules`.
    warnings : tuple of str
        Where more sensors were needed than allowed.
    """

    kind: str
    governors: Governors
    choice: Choice
    choices: pd.DataFrame
    rules: pd.DataFrame
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Curve:
    """The curve of one kind of control."""

    governors: Governors
    curve: SensorChoice


def decide(
    kinds: Sequence[Governors],
    *,
    zones: pd.DataFrame,
    prices: Prices,
    max_sensors: int,
) -> Decision:
    """Choose kind of control, number of sensors and grouping.

    Parameters
    ----------
    kinds : sequence of Governors
        The simulated candidates of each kind.
    zones : DataFrame
        Index `zone`; columns area_m2, need_score, plants, controller (None where there is one
        system only), admissible (bool: some ground meets every setback). A sensor governs zones of
        its own controller only, and lies in a zone with admissible ground unless that leaves a zone
        that nobody can govern.
    prices : Prices
        Money.
    max_sensors : int
        As many as the user allows.

    Returns
    -------
    Decision
        The cheapest; where costs are equal the kind named first.
    """
    warnings: tuple[str, ...] = ()
    curves = _curves(kinds, zones, prices, max_sensors)
    if not _solved(curves):
        curves, warnings = _relaxed(kinds, zones, prices, max_sensors)
    count = len(curves[0].curve.rows)
    # The first kind wins where two cost the same.
    best_of = [int(np.argmin([_cost(part.curve.rows[n]) for part in curves])) for n in range(count)]
    costs = [_cost(curves[best_of[n]].curve.rows[n]) for n in range(count)]
    n = int(np.argmin(costs))
    winner = curves[best_of[n]]
    choice = winner.curve.rows[n]
    table = _choices([curves[k] for k in best_of], n, zones)
    return Decision(
        kind=winner.governors.kind,
        governors=winner.governors,
        choice=choice,
        choices=table,
        rules=_rules(winner.governors, zones, prices),
        warnings=warnings,
    )


def _candidates(kind: Governors, zones: pd.DataFrame, prices: Prices) -> Candidates:
    """Put money on every pair of sensor and zone."""
    water_m3 = kind.followers.water_mm * zones["area_m2"].to_numpy(dtype=float) / 1000
    # Without a price a millionth of the currency per m³ still prefers less water among equals.
    cost = max(prices.water, 1e-6) * water_m3
    controller = zones["controller"].fillna("").to_numpy()
    cost[controller[kind.zone][:, None] != controller[None, :]] = np.inf
    labels = tuple(f"{kind.kind} from {100 * low:.0f} % depleted" for low in kind.low)
    return Candidates(kind.zone, cost, prices.sensor[kind.zone], labels)


def _curves(
    kinds: Sequence[Governors],
    zones: pd.DataFrame,
    prices: Prices,
    max_sensors: int,
    *,
    cramped: bool = False,
) -> list[_Curve]:
    """Solve each kind for each number of sensors; `cramped` zones may hold one only if asked."""
    curves = []
    for kind in kinds:
        candidates = _candidates(kind, zones, prices)
        if not cramped:
            barred = ~zones["admissible"].to_numpy(dtype=bool)[kind.zone]
            cost = np.where(barred[:, None], np.inf, candidates.cost)
            candidates = replace(candidates, cost=cost)
        curves.append(_Curve(kind, choose_sensors(candidates, max_sensors=max_sensors)))
    return curves


def _solved(curves: Sequence[_Curve]) -> bool:
    return any(part.curve.best is not None for part in curves)


def _relaxed(
    kinds: Sequence[Governors], zones: pd.DataFrame, prices: Prices, max_sensors: int
) -> tuple[list[_Curve], tuple[str, ...]]:
    """Give way where nothing serves every zone: first in number, then in where sensors may lie."""
    every = len(zones)
    for count, cramped in ((every, False), (max_sensors, True), (every, True)):
        curves = _curves(kinds, zones, prices, count, cramped=cramped)
        if _solved(curves):
            return curves, _gave_way(curves, zones, max_sensors, cramped=cramped)
    # Every zone can govern itself (its cap was relaxed); this raises in plain words if not so.
    raise AssertionError(curves[0].curve.chosen)


def _gave_way(
    curves: Sequence[_Curve], zones: pd.DataFrame, max_sensors: int, *, cramped: bool
) -> tuple[str, ...]:
    """Say what gave way."""
    notes = []
    least = min(row.n for part in curves for row in part.curve.rows if row.feasible)
    if least > max_sensors:
        notes.append(
            f"{max_sensors} sensors (max_sensors) do not keep every zone within its stress limit: "
            f"at least {least} are needed, and more than {max_sensors} were allowed"
        )
    if cramped:
        names = ", ".join(str(zone) for zone in zones.index[~zones["admissible"]])
        notes.append(
            f"no choice of sensors serves every zone from ground that meets all setbacks, so one "
            f"may lie where a setback gives way: {names}"
        )
    return tuple(notes)


def _cost(row: Choice) -> float:
    return row.cost if row.feasible else np.inf


def _choices(best: Sequence[_Curve], chosen: int, zones: pd.DataFrame) -> pd.DataFrame:
    """Return one row per number of sensors."""
    rows = []
    costs = [_cost(part.curve.rows[n]) for n, part in enumerate(best)]
    for n, part in enumerate(best):
        row = part.curve.rows[n]
        following = costs[n + 1] if n + 1 < len(best) else np.nan
        worth = row.cost - following if row.feasible and n + 1 < len(best) else np.nan
        rows.append(
            {
                "n": row.n,
                "feasible": row.feasible,
                "groups": _groups(part, row, zones),
                "used": row.used,
                "control": part.governors.kind,
                **_totals(part.governors, row, zones),
                "value_of_next": worth,
                "chosen": n == chosen,
            }
        )
    return pd.DataFrame(rows).set_index("n")


def _totals(kind: Governors, row: Choice, zones: pd.DataFrame) -> dict[str, float]:
    """Return water, cost and worst stress of a choice."""
    if not row.feasible:
        return {"water_m3": np.nan, "cost_per_year": np.nan, "stress_days": np.nan}
    every = np.arange(len(row.governor))
    depth = kind.followers.water_mm[row.governor, every]
    return {
        "water_m3": float(depth @ zones["area_m2"].to_numpy(dtype=float)) / 1000,
        "cost_per_year": row.cost,
        "stress_days": float(kind.followers.stress_days[row.governor, every].max()),
    }


def _groups(part: _Curve, row: Choice, zones: pd.DataFrame) -> str:
    """Return "sensor zone: governed, governed | ..."."""
    names = [str(zone) for zone in zones.index]
    groups = []
    for sensor in row.sensors:
        governed = [names[z] for z in np.flatnonzero(row.governor == sensor)]
        groups.append(f"{names[part.governors.zone[sensor]]}: {', '.join(governed)}")
    return " | ".join(groups)


def _rules(kind: Governors, zones: pd.DataFrame, prices: Prices) -> pd.DataFrame:
    """Return the rules of thumb beside the choice; they ask for no admissible ground."""
    found = plain_rules(
        _candidates(kind, zones, prices),
        need=zones["need_score"].to_numpy(dtype=float),
        plants=[str(word) for word in zones["plants"]],
    )
    rows = [
        {"rule": rule, "n": row.n, "feasible": row.feasible, **_totals(kind, row, zones)}
        for rule, row in found.items()
    ]
    return pd.DataFrame(rows).set_index("rule")
