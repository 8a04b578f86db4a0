"""The plan in plain words: how many sensors, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from siting._plan_model import Wording
from siting.economics import Capital, Saving, claim
from siting.placement import PlaceWords
from siting.site.settings import PropertyFile
from siting.units import UnitsName, show

__all__ = ["answer", "wordings"]

_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")
_NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")


def answer(
    zones: gpd.GeoDataFrame,
    sensors: gpd.GeoDataFrame,
    choices: pd.DataFrame,
    *,
    economics: Mapping[str, object],
    price: float | None,
    units: UnitsName,
) -> str:
    """Say in one paragraph how many sensors, where, and why not fewer or more.

    Parameters
    ----------
    zones, sensors, choices : GeoDataFrame, GeoDataFrame, DataFrame
        As in `siting.planning.Plan`.
    economics : mapping
        As in `siting.planning.Plan`; its claim is the last sentence.
    price : float or None
        Price of water; None when not given [currency/m³].
    units : {"metric", "us"}
        How to show amounts.

    Returns
    -------
    str
        One paragraph.
    """
    count = len(sensors)
    head = f"{_number(count)} sensor{'' if count == 1 else 's'}: "
    where = "; ".join(
        f"{tag} in {row['zone']}, {_governs(row['governs'], str(row['zone']))}"
        for tag, row in sensors.iterrows()
    )
    kind = str(sensors["control"].iloc[0]).replace("_", "-")
    sentences = [
        f"{head}{where}.",
        f"The control is {kind}.",
        *_why_not_fewer(choices, count, str(economics["currency"]), price, units),
        *_why_not_more(choices, count, price),
        *_equal_followers(zones, count),
        str(economics["claim"]),
    ]
    return " ".join(sentences)


def wordings(
    zones: gpd.GeoDataFrame,
    sensors: gpd.GeoDataFrame,
    choices: pd.DataFrame,
    *,
    economics: Mapping[str, Any],
    settings: PropertyFile,
    words: Mapping[str, Mapping[UnitsName, PlaceWords]],
) -> dict[UnitsName, Wording]:
    """Return the sentences that hold amounts, in both systems of units.

    Parameters
    ----------
    zones, sensors, choices : GeoDataFrame, GeoDataFrame, DataFrame
        As in `siting.planning.Plan`.
    economics : mapping
        As in `siting.planning.Plan`.
    settings : PropertyFile
        Costs and water price.
    words : mapping
        What was said of the place of each sensor.

    Returns
    -------
    dict
        By units.
    """
    built = Capital(*(economics[part] for part in ("device", "installation", "trench", "wire")))
    ends = [economics[f"saved_m3{end}"] for end in ("", "_low", "_high")]
    volume = None if ends[0] is None else Saving(*ends)
    told: dict[UnitsName, Wording] = {}
    for units in _SYSTEMS:
        claimed = claim(settings.costs, settings.water, built=built, volume=volume, units=units)
        told[units] = Wording(
            answer=answer(
                zones,
                sensors,
                choices,
                economics={**economics, "claim": claimed},
                price=settings.water.price,
                units=units,
            ),
            claim=claimed,
            reasons={tag: said[units].reason for tag, said in words.items()},
            setback_notes={tag: said[units].note for tag, said in words.items()},
        )
    return told


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def _governs(governed: Sequence[str], own: str) -> str:
    """Return what else a sensor governs."""
    others = [zone for zone in governed if zone != own]
    return f"for {', '.join(others)} too" if others else "for that zone alone"


def _why_not_fewer(
    choices: pd.DataFrame, count: int, currency: str, price: float | None, units: UnitsName
) -> list[str]:
    """Return why the last sensor is worth having."""
    if count == 1:
        return []
    fewer = choices.loc[choices["used"].where(choices["feasible"]) < count]
    if fewer.empty:
        return [
            f"With fewer than {count} some zone's driest quarter would pass its limit of stress "
            "days, or lie on a controller without a sensor."
        ]
    before, now = fewer.iloc[-1], choices[choices["chosen"]].iloc[0]
    against = f"Against {_number(int(before['used'])).lower()}"
    less = float(before["water_m3"]) - float(now["water_m3"])
    if price is None:
        return [f"{against}, that saves {show(less, 'volume', units)} a year."]
    worth = float(before["cost_per_year"]) - float(now["cost_per_year"])
    verb = "saving" if less >= 0 else "for"
    return [
        f"{against}, it is worth {worth:,.0f} {currency} a year after its own "
        f"cost, {verb} {show(abs(less), 'volume', units)} of water a year."
    ]


def _why_not_more(choices: pd.DataFrame, count: int, price: float | None) -> list[str]:
    """Return why there is no further sensor."""
    if int(choices.index.max()) <= count:
        return []
    if price is None:
        return ["Without a water price no further sensor can be weighed against its cost."]
    return ["A further sensor would cost more than it saves."]


def _equal_followers(zones: gpd.GeoDataFrame, count: int) -> list[str]:
    """Name the driest zone when one sensor governs everything."""
    if count != 1 or len(zones) == 1:
        return []
    driest = zones["need_score"].idxmax()
    return [
        f"Every other zone stays within its stress limit when it runs with the sensor's, at its "
        f"own run time; the thirstiest zone is {driest}."
    ]
