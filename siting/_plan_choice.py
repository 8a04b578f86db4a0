"""From simulated governors to the number and grouping of sensors, with money on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
    candidates: Candidates
    water_m3: _Array
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
        system only). A sensor governs zones of its own controller only.
    prices : Prices
        Money.
    max_sensors : int
        As many as the user allows.

    Returns
    -------
    Decision
        The cheapest; where costs are equal the kind named first.
    """
    curves = [_curve(kind, zones, prices, max_sensors) for kind in kinds]
    warnings: tuple[str, ...] = ()
    if all(part.curve.best is None for part in curves):
        curves, warnings = _with_more(kinds, zones, prices, max_sensors)
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
        rules=_rules(winner, zones),
        warnings=warnings,
    )


def _curve(kind: Governors, zones: pd.DataFrame, prices: Prices, max_sensors: int) -> _Curve:
    """Put money on every pair, and solve for each number of sensors."""
    area = zones["area_m2"].to_numpy(dtype=float)
    water_m3 = kind.followers.water_mm * area / 1000
    # Without a price a millionth of the currency per m³ still prefers less water among equals.
    cost = max(prices.water, 1e-6) * water_m3
    controller = zones["controller"].fillna("").to_numpy()
    cost[controller[kind.zone][:, None] != controller[None, :]] = np.inf
    labels = tuple(f"{kind.kind} from {100 * low:.0f} % depleted" for low in kind.low)
    candidates = Candidates(kind.zone, cost, prices.sensor[kind.zone], labels)
    return _Curve(kind, candidates, water_m3, choose_sensors(candidates, max_sensors=max_sensors))


def _with_more(
    kinds: Sequence[Governors], zones: pd.DataFrame, prices: Prices, max_sensors: int
) -> tuple[list[_Curve], tuple[str, ...]]:
    """Allow as many sensors as it takes, where the user's number does not serve every zone."""
    count = len(zones)
    curves = [_curve(kind, zones, prices, count) for kind in kinds]
    used = [part.curve.chosen.used for part in curves if part.curve.best is not None]
    if not used:
        # Every zone can always govern itself (its cap was relaxed), so one curve is solvable.
        curves[0].curve.chosen  # noqa: B018 - raises PlanError in plain words
    least = min(row.n for part in curves for row in part.curve.rows if row.feasible)
    note = (
        f"{max_sensors} sensors (max_sensors) do not keep every zone within its stress limit; at "
        f"least {least} are needed, and more than {max_sensors} were allowed"
    )
    return curves, (note,)


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
                **_totals(part, row),
                "value_of_next": worth,
                "chosen": n == chosen,
            }
        )
    return pd.DataFrame(rows).set_index("n")


def _totals(part: _Curve, row: Choice) -> dict[str, float]:
    """Return water, cost and worst stress of a choice."""
    if not row.feasible:
        return {"water_m3": np.nan, "cost_per_year": np.nan, "stress_days": np.nan}
    every = np.arange(len(row.governor))
    return {
        "water_m3": float(part.water_m3[row.governor, every].sum()),
        "cost_per_year": row.cost,
        "stress_days": float(part.governors.followers.stress_days[row.governor, every].max()),
    }


def _groups(part: _Curve, row: Choice, zones: pd.DataFrame) -> str:
    """Return "sensor zone: governed, governed | ..."."""
    names = [str(zone) for zone in zones.index]
    groups = []
    for sensor in row.sensors:
        governed = [names[z] for z in np.flatnonzero(row.governor == sensor)]
        groups.append(f"{names[part.governors.zone[sensor]]}: {', '.join(governed)}")
    return " | ".join(groups)


def _rules(part: _Curve, zones: pd.DataFrame) -> pd.DataFrame:
    """Return the rules of thumb beside the choice."""
    found = plain_rules(
        part.candidates,
        need=zones["need_score"].to_numpy(dtype=float),
        plants=[str(word) for word in zones["plants"]],
    )
    rows = [
        {"rule": rule, "n": row.n, "feasible": row.feasible, **_totals(part, row)}
        for rule, row in found.items()
    ]
    return pd.DataFrame(rows).set_index("rule")
