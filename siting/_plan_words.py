"""The plan in plain words: how many sensors, why, and where."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from siting._plan_build import Built
from siting._plan_headline import (
    DOUBTED,
    Facts,
    applied_words,
    budget_words,
    cheaper_words,
    decision_words,
    doubt_words,
    headline,
    healing_words,
    patient_words,
    plain_more,
    plain_words,
    plants_words,
    set_right_words,
    tie_words,
    today_over_need,
)
from siting._plan_model import Wording
from siting.placement import PlaceWords
from siting.units import Quantity, UnitsName, figure, show

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["answer", "passed", "wordings"]

#: Sensors whose zones are told one by one at most; of more, the range is told.
_TOLD: Final = 4
#: Differences that are worth a word: column, least difference, least ratio, how it is told (a
#: format, or a quantity), what it is.
_FACTS: Final[tuple[tuple[str, float, float, str, Quantity | None, str], ...]] = (
    ("sun_hours", 1.0, 1.0, "{:.1f} h", None, "of sun"),
    ("rain_share", 0.1, 1.0, "{:.0%}", None, "of the rain"),
    ("taw_mm", 0.0, 1.25, "", "depth", "of available water"),
    ("need_score", 0.0, 1.25, "{:.0f} %", None, "of its ready water used on a peak day"),
)
_HARDWARE: Final = {
    "add_on": "an add-on beside the timer", "replacement": "a timer with sensor inputs"
}  # fmt: skip


def answer(facts: Facts, notes: Mapping[str, str]) -> str:
    """Say in one paragraph how many sensors, why, what else there is, and where they lie.

    Parameters
    ----------
    facts : Facts
        What was decided.
    notes : mapping of str to str
        By sensor: why it is not in the thirstiest zone that it governs, or "".

    Returns
    -------
    str
        The decision first, then why, then where, then what may be claimed.
    """
    sentences = [
        " ".join([*plain_words(facts), decision_words(facts), *tie_words(facts)]),
        *set_right_words(facts),
        *plants_words(facts),
        *plain_more(facts),
        *healing_words(facts),
        *patient_words(facts),
        *cheaper_words(facts),
        *_why_apart(facts),
        *_equal_followers(facts),
        *(f"{tag}{note.removeprefix('It')}" for tag, note in notes.items() if note),
        *_beside(facts),
        *_where(facts),
        *applied_words(facts),
        *doubt_words(facts),
        *budget_words(facts),
        str(facts.economics["claim"]),
    ]
    return " ".join(sentences)


def passed(
    zones: pd.DataFrame, budget: Mapping[str, Any] | None, units: UnitsName
) -> tuple[str, ...]:
    """Note a water budget that is passed, and a timer that waters far more than is needed.

    Parameters
    ----------
    zones : DataFrame
        As in `siting.planning.Plan`.
    budget : mapping or None
        The published water budget that was asked for.
    units : {"metric", "us"}
        How to show amounts.

    Returns
    -------
    tuple of str
        Notes.
    """
    notes = []
    if budget is not None and not budget["within"]:
        allowed, takes = (
            show(float(budget[f"{key}_m3"]), "volume", units) for key in ("allowance", "estimated")
        )
        notes.append(
            f"the water budget is passed: {allowed} are allowed, and by the budget's own formula "
            f"this planting takes {takes} ({budget['reference']}); plants of lower need, less turf "
            "or more even sprinklers bring it down, and the authority has the last word"
        )
    if today_over_need(zones) > DOUBTED:
        over = {str(zone): today_over_need(zones.loc[[zone]]) for zone in zones.index}
        worst = sorted((zone for zone in over if over[zone] > DOUBTED), key=lambda z: -over[z])
        named = ", ".join(f"{zone} {figure(over[zone], 1)} times" for zone in worst[:_TOLD])
        rest = f" and {len(worst) - _TOLD} more" if len(worst) > _TOLD else ""
        notes.append(
            "today's timer puts out far more than the plants need at the evenness of their "
            f"sprinklers ({named}{rest}): check its minutes, its days and the application rates; "
            "any saving against it is doubtful"
        )
    return tuple(notes)


def wordings(
    built: Built,
    choices: pd.DataFrame,
    *,
    price: float | None,
    limit: float,
    words: Mapping[str, Mapping[UnitsName, PlaceWords]],
    limits: Mapping[str, float] | None = None,
    budget: Mapping[str, Any] | None = None,
    decided: Mapping[str, Any] | None = None,
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
    limit : float
        Days of stress allowed in a season [d].
    words : mapping
        What was said of the place of each sensor.
    limits : mapping of str to float, optional
        Zone -> days of stress that it was allowed in the end [d].
    budget : mapping, optional
        The published water budget that was asked for.
    decided : mapping, optional
        As `Plan.decision`, and whether the plan `heals` what today leaves dry.

    Returns
    -------
    dict
        By units.
    """
    told: dict[UnitsName, Wording] = {}
    for units, claimed in built.claims.items():
        facts = Facts(
            zones=built.zones,
            sensors=built.sensors,
            choices=choices,
            controls=built.controls,
            economics={**built.economics, "claim": claimed, "budget": budget},
            price=price,
            limit=limit,
            units=units,
            limits=limits or {},
            decided=decided or {},
        )
        told[units] = Wording(
            headline=headline(facts),
            answer=answer(facts, built.zone_notes[units]),
            claim=claimed,
            reasons={tag: said[units].reason for tag, said in words.items()},
            setback_notes={tag: said[units].note for tag, said in words.items()},
            zone_notes=built.zone_notes[units],
        )
    return told


def _where(facts: Facts) -> list[str]:
    """Say where each sensor lies, what it governs, and which control runs on which hardware."""
    sensors = facts.sensors
    if len(sensors) == 0:
        return []
    places = "; ".join(
        f"{tag} in {row['zone']}, {_governs(row['governs'], str(row['zone']))}"
        for tag, row in sensors.iterrows()
    )
    pairs = sensors[["control", "hardware"]].drop_duplicates().itertuples(index=False)
    by_hardware: dict[str, list[str]] = {}
    for control, hardware in pairs:
        by_hardware.setdefault(str(hardware), []).append(str(control).replace("_", "-"))
    told = [
        f"{' and '.join(controls)} on {_HARDWARE.get(hardware, hardware)}"
        for hardware, controls in by_hardware.items()
    ]
    return [f"Where: {places}.", f"The control is {' and '.join(told)}."]


def _governs(governed: Sequence[str], own: str) -> str:
    """Return what else a sensor governs."""
    others = [zone for zone in governed if zone != own]
    return f"for {_listed(others)} too" if others else "for that zone alone"


def _listed(names: Sequence[str]) -> str:
    """Return names with "and" before the last."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else list(names))


def _why_apart(facts: Facts) -> list[str]:
    """Say in what the zones with a sensor differ."""
    sensors, zones = facts.sensors, facts.zones
    if len(sensors) <= 1:
        return []
    homes = zones.loc[[str(zone) for zone in sensors["zone"]]]
    if len(sensors) > _TOLD:
        return _apart_in_short(facts)
    told = {str(zone): [str(row["plants"]).replace("_", " ")] for zone, row in homes.iterrows()}
    for column, least, ratio, form, quantity, what in _FACTS:
        values = homes[column].astype(float)
        low, high = float(values.min()), float(values.max())
        if high - low >= least and high >= ratio * low:
            for zone, value in values.items():
                told[str(zone)].append(f"{_figure(value, form, quantity, facts.units)} {what}")
    if all(words == told[str(homes.index[0])] for words in told.values()):
        return []
    listed = "; ".join(f"{zone} has {', '.join(words)}" for zone, words in told.items())
    return [f"They do not dry alike: {listed}."]


def _apart_in_short(facts: Facts) -> list[str]:
    """Say from what to what the zones with a sensor differ, where they are many."""
    homes = facts.zones.loc[[str(zone) for zone in facts.sensors["zone"]]]
    told = []
    for column, least, ratio, form, quantity, what in _FACTS:
        values = homes[column].astype(float)
        low, high = float(values.min()), float(values.max())
        if high - low >= least and high >= ratio * low:
            ends = (_figure(value, form, quantity, facts.units) for value in (low, high))
            told.append(f"{' to '.join(ends)} {what}")
    kinds = homes["plants"].nunique()
    if kinds > 1:
        told.insert(0, f"{kinds} kinds of plants")
    return [f"They do not dry alike: {_listed(told)}."] if told else []


def _figure(value: float, form: str, quantity: Quantity | None, units: UnitsName) -> str:
    """Return a value in a format, or as a quantity in the units asked for."""
    return show(float(value), quantity, units) if quantity else form.format(float(value))


def _beside(facts: Facts) -> list[str]:
    """Say what no soil sensor at all would do on the same weather."""
    table, chosen = facts.controls, facts.chosen
    if table.empty or chosen is None or "rain shut-off" not in table.index:
        return []
    told = []
    for name in ("timer, its minutes set right", "rain shut-off"):
        row: Mapping[str, Any] = table.loc[name].to_dict()  # type: ignore[assignment]
        short = "" if row["within_limit"] else f" (with {figure(row['stress_days'])} stress days)"
        told.append(f"{facts.volume(float(row['water_m3']))}{short}")
    return [
        f"Without a soil sensor, a timer with its minutes set right would use {told[0]} a year, "
        f"and with a rain shut-off {told[1]}; the plan uses "
        f"{facts.volume(float(chosen['water_m3']))}."
    ]


def _equal_followers(facts: Facts) -> list[str]:
    """Say how one sensor does for every zone."""
    if len(facts.sensors) != 1 or len(facts.zones) == 1:
        return []
    home = str(facts.sensors["zone"].iloc[0])
    relaxed = any(days > facts.limit for days in facts.limits.values())
    limit = "the stress limit that held for it (see the notes)" if relaxed else "its stress limit"
    alone = [str(zone) for zone in facts.zones.index[facts.zones["sensor_id"] == ""]]
    every = "Every other zone"
    if alone:
        every = f"{_listed(alone)} keep{'' if len(alone) > 1 else 's'} a programme of " + (
            "their own, without a sensor; every other zone"
            if len(alone) > 1
            else "its own, without a sensor; every other zone"
        )
    words = f"{every} stays within {limit} when it runs with the sensor's, at its own run time"
    thirstiest = str(facts.zones["need_score"].idxmax())
    return [f"{words}; {home} is the thirstiest zone." if home == thirstiest else f"{words}."]
