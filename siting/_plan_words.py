"""The plan in plain words: how many sensors, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import pandas as pd

from siting._plan_build import Built
from siting._plan_model import Wording
from siting.placement import PlaceWords
from siting.units import UnitsName, show

__all__ = ["answer", "wordings"]

_NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")


def answer(
    zones: gpd.GeoDataFrame,
    sensors: gpd.GeoDataFrame,
    choices: pd.DataFrame,
    *,
    economics: Mapping[str, object],
    price: float | None,
    units: UnitsName,
    controls: pd.DataFrame | None = None,
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
    controls : DataFrame, optional
        As in `siting.planning.Plan`.

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
    sentences = [
        f"{head}{where}.",
        _control(sensors),
        *_why_apart(zones, sensors),
        *_why_not_fewer(choices, count, str(economics["currency"]), price, units),
        *_why_not_more(choices, count, price),
        *_equal_followers(zones, count),
        *_beside(controls, choices, str(economics["currency"]), price, units),
        str(economics["claim"]),
    ]
    return " ".join(sentences)


def wordings(
    built: Built,
    choices: pd.DataFrame,
    *,
    price: float | None,
    words: Mapping[str, Mapping[UnitsName, PlaceWords]],
) -> dict[UnitsName, Wording]:
    """Return the sentences that hold amounts, in both systems of units.

    Parameters
    ----------
    built : Built
        The prescription, with the claim in each system of units.
    choices : DataFrame
        As in `siting.planning.Plan`.
    price : float or None
        Price that sensors were chosen at; None when not given [currency/m³].
    words : mapping
        What was said of the place of each sensor.

    Returns
    -------
    dict
        By units.
    """
    return {
        units: Wording(
            answer=answer(
                built.zones,
                built.sensors,
                choices,
                economics={**built.economics, "claim": claimed},
                price=price,
                units=units,
                controls=built.controls,
            ),
            claim=claimed,
            reasons={tag: said[units].reason for tag, said in words.items()},
            setback_notes={tag: said[units].note for tag, said in words.items()},
        )
        for units, claimed in built.claims.items()
    }


#: Kinds of control without a soil sensor.
_SENSORLESS = ("timer, its minutes set right", "rain shut-off")
#: Sensors that are told apart in words at most.
_TOLD = 4
#: Differences that are worth a word: column, least difference, least ratio, how it is told.
_FACTS = (
    ("sun_hours", 1.0, 1.0, "{:.1f} h of sun"),
    ("rain_share", 0.1, 1.0, "{:.0%} of the rain"),
    ("taw_mm", 0.0, 1.25, "{:.0f} mm of available water"),
    ("need_score", 0.0, 1.25, "{:.0f} % of its ready water used on a peak day"),
)


def _control(sensors: gpd.GeoDataFrame) -> str:
    """Say which control runs on which hardware."""
    words = {"add_on": "an add-on beside the timer", "replacement": "a timer with sensor inputs"}
    pairs = sensors[["control", "hardware"]].drop_duplicates().itertuples(index=False)
    told = [
        f"{str(control).replace('_', '-')} on {words.get(str(hardware), str(hardware))}"
        for control, hardware in pairs
    ]
    return f"The control is {' and '.join(told)}."


def _why_apart(zones: gpd.GeoDataFrame, sensors: gpd.GeoDataFrame) -> list[str]:
    """Say in what the zones with a sensor differ."""
    if len(sensors) == 1 or len(sensors) > _TOLD:
        return []
    homes = zones.loc[[str(zone) for zone in sensors["zone"]]]
    facts = {str(zone): [str(row["plants"]).replace("_", " ")] for zone, row in homes.iterrows()}
    for column, least, ratio, form in _FACTS:
        values = homes[column].astype(float)
        low, high = float(values.min()), float(values.max())
        if high - low >= least and high >= ratio * low:
            for zone, value in values.items():
                facts[str(zone)].append(form.format(float(value)))
    if all(words == facts[str(homes.index[0])] for words in facts.values()):
        return []
    told = "; ".join(f"{zone} has {', '.join(words)}" for zone, words in facts.items())
    return [f"They do not dry alike: {told}."]


def _beside(
    controls: pd.DataFrame | None,
    choices: pd.DataFrame,
    currency: str,
    price: float | None,
    units: UnitsName,
) -> list[str]:
    """Say what no soil sensor at all would do on the same weather."""
    if controls is None or controls.empty or "rain shut-off" not in controls.index:
        return []
    told = []
    for name in _SENSORLESS:
        row: Mapping[str, Any] = controls.loc[name].to_dict()  # type: ignore[assignment]
        short = "" if row["within_limit"] else f" (with {row['stress_days']:.0f} stress days)"
        told.append(f"{show(float(row['water_m3']), 'volume', units)}{short}")
    chosen = choices[choices["chosen"]].iloc[0]
    words = (
        f"Without a soil sensor, a timer with its minutes set right would use {told[0]} a year, "
        f"and with a rain shut-off {told[1]}; the plan uses "
        f"{show(float(chosen['water_m3']), 'volume', units)}."
    )
    plan_cost = float(chosen["cost_per_year"])
    costs: dict[str, float] = {
        name: float(controls["cost_per_year"].astype(float)[name])
        for name in _SENSORLESS
        if price is not None and bool(controls["within_limit"][name])
    }
    least = min(costs, key=lambda name: costs[name], default="")
    if least and costs[least] < plan_cost:
        plain = "a rain shut-off" if least == "rain shut-off" else "that timer"
        words += (
            f" Counting the sensors' cost, {plain} would be cheaper: {costs[least]:,.0f} "
            f"{currency} a year of water against {plan_cost:,.0f}."
        )
    return [words]


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
