"""The decision in two or three sentences: how many sensors, what the last is worth, what it saves.

Every sentence stands alone, so that a page may show the headline whole and leave the rest to the
full answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from siting.units import UnitsName, figure, show

__all__ = [
    "DOUBTED",
    "Facts",
    "applied_words",
    "budget_words",
    "cheaper_words",
    "decision_words",
    "doubt_words",
    "headline",
    "healing_words",
    "nth",
    "number_word",
    "over_need",
    "patient_words",
    "plain_more",
    "plain_words",
    "plants_words",
    "set_right_words",
    "short_claim",
    "tie_words",
    "today_over_need",
]

_NUMBERS: Final = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve",
)  # fmt: skip
_ORDINALS: Final = (
    "", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth",
    "tenth", "eleventh", "twelfth",
)  # fmt: skip
#: Kinds of control without a soil sensor, as in `Plan.controls`, and how they are told.
_SENSORLESS: Final = {
    "timer, its minutes set right": "a timer with its minutes set right",
    "rain shut-off": "a rain shut-off",
}
_BUDGETS: Final = {
    "mwelo": "the state ordinance's", "epa": "the federal programme's, peak month"
}  # fmt: skip
_MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
#: Today's water over the plants' need from which the timer's figures are doubted (judgement: the
#: worst timers of the trade put out two to three times the need; common practice, no source).
DOUBTED: Final = 3.0
_ROUND: Final = 10.0
#: Water applied over the need from which the headline says so.
_APPLIED: Final = 1.4
_CHEAPER: Final = 0.99  # a cost below this share of another is lower
_AS_TODAY: Final = 1.0  # stress days beyond today's that are still as today
_NEAR: Final = 1  # other homes told of a sensor at most
_TRIFLE: Final = 0.5  # money below this is not told in figures
_TEENS: Final = (11, 12, 13)


@dataclass(frozen=True)
class Facts:
    """What the words are made from.

    Parameters
    ----------
    zones, sensors, choices, controls : GeoDataFrame, GeoDataFrame, DataFrame, DataFrame
        As in `siting.planning.Plan`.
    economics : mapping
        As in `siting.planning.Plan`, with its budget; its claim is in the units asked for.
    price : float or None
        Price that sensors were chosen at; None when not given [currency/m³].
    limit : float
        Days of stress allowed in a season [d].
    units : {"metric", "us"}
        How to show amounts.
    limits : mapping of str to float
        Zone -> days of stress that it was allowed in the end [d].
    decided : mapping
        As `Plan.decision`: ties, where the plain way puts its sensors, and whether the plan `heals`
        what today leaves dry.
    """

    zones: gpd.GeoDataFrame
    sensors: gpd.GeoDataFrame
    choices: pd.DataFrame
    controls: pd.DataFrame
    economics: Mapping[str, Any]
    price: float | None
    limit: float
    units: UnitsName
    limits: Mapping[str, float] = field(default_factory=dict)
    decided: Mapping[str, Any] = field(default_factory=dict)

    def way(self, name: str) -> Mapping[str, Any] | None:
        """Return one way of `Plan.economics`; None where it was not worked out.

        Parameters
        ----------
        name : str
            "as today", "within the limit", "the plain way", ...

        Returns
        -------
        mapping or None
            Its figures.
        """
        ways: list[dict[str, Any]] = self.economics.get("ways") or []
        return next((way for way in ways if way["way"] == name), None)

    @property
    def currency(self) -> str:
        """Return the user's currency."""
        return str(self.economics["currency"])

    def volume(self, cubic_metres: float) -> str:
        """Return an amount of water [m³] as text.

        Parameters
        ----------
        cubic_metres : float
            The amount [m³].

        Returns
        -------
        str
            In `units`, with the unit.
        """
        return show(cubic_metres, "volume", self.units)

    @property
    def chosen(self) -> dict[str, Any] | None:
        """Return the chosen row of the choices; None where there is none."""
        rows = self.choices[self.choices["chosen"]] if len(self.choices) else self.choices
        return None if rows.empty else {str(key): rows[key].iloc[0] for key in rows}


def number_word(count: int) -> str:
    """Return a number as a word, in figures beyond twelve.

    Examples
    --------
    >>> number_word(0), number_word(7), number_word(14)
    ('no', 'seven', '14')
    """
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def nth(count: int, *, article: bool = False) -> str:
    """Return an ordinal, in figures beyond twelfth, with its article if asked.

    Examples
    --------
    >>> nth(7), nth(8, article=True), nth(18, article=True), nth(22)
    ('seventh', 'an eighth', 'an 18th', '22nd')
    """
    if count < len(_ORDINALS):
        word = _ORDINALS[count]
    else:
        ends = {} if count % 100 in _TEENS else {1: "st", 2: "nd", 3: "rd"}
        word = f"{count}{ends.get(count % 10, 'th')}"
    if not article:
        return word
    return f"{'an' if word.startswith(('e', '8', '11th', '18')) else 'a'} {word}"


def headline(facts: Facts) -> str:
    """Say the decision whole in a few short sentences.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    str
        How many sensors; what the last one is worth and why there is no further one; what the plan
        saves.
    """
    told = [*plain_words(facts), decision_words(facts), *tie_words(facts), short_claim(facts)]
    told += set_right_words(facts)
    more = [*plants_words(facts), *cheaper_words(facts), *applied_words(facts)]
    return " ".join([*told, *more, *doubt_words(facts), *budget_words(facts)])


def plain_words(facts: Facts) -> list[str]:
    """Say what the trade would do by habit, what that saves and what it leaves.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence; none without a timer of today.
    """
    way, homes = facts.way("the plain way"), facts.decided.get("plain_homes", ())
    if way is None or not homes:
        return []
    module = "a module" if len(homes) == 1 else f"{number_word(len(homes))} modules"
    words = (
        f"The plain way, {module} on today's timer, saves "
        f"{facts.volume(float(way['saved_m3']))} a year"
    )
    if way["payback_years"] is not None:
        words += f" (back in {figure(float(way['payback_years']), 1)} years)"
    drier = len(facts.decided.get("plain_drier", {}))
    if not drier:
        return [f"{words} and leaves no zone too dry."]
    return [f"{words} but leaves {drier} of {len(facts.zones)} zones too dry."]


def plain_more(facts: Facts) -> list[str]:
    """Say where the plain way puts its sensors, and which zone it leaves driest.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence; none without a timer of today.
    """
    homes = facts.decided.get("plain_homes", ())
    if not homes or facts.way("the plain way") is None:
        return []
    words = f"In the plain way a sensor lies in {' and '.join(homes)}"
    drier = facts.decided.get("plain_drier", {})
    if not drier:
        return [f"{words}."]
    worst = max(drier, key=lambda zone: drier[zone])
    return [
        f"{words}; {worst} then is short on {figure(drier[worst])} days in the worst season out of "
        "ten."
    ]


def tie_words(facts: Facts) -> list[str]:
    """Say which other numbers and places are as good within what can be known.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        Sentences, or none.
    """
    told = []
    numbers = [int(n) for n in facts.decided.get("tie_numbers", ())]
    if numbers and facts.price is not None:
        also = " or ".join(number_word(n) for n in numbers)
        told.append(f"{also.capitalize()} would be as good: a tie.")
    homes = facts.decided.get("tie_homes", {})
    near = [others for others in homes.values() if others]
    if near:
        places = ", ".join(dict.fromkeys(str(zone) for others in near for zone in others[:_NEAR]))
        told.append(f"As good a place: {places}.")
    return told


def plants_words(facts: Facts) -> list[str]:
    """Say how plants fare against today.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence; none without a timer of today, or where it leaves nothing dry.
    """
    if facts.way("as today") is None:
        return []
    short = facts.zones.loc[facts.zones["today_stress_days"].astype(float) > facts.limit]
    if short.empty:
        return []
    if facts.decided.get("heals"):
        return ["It heals what today leaves dry."]
    # Where no sensor keeps what the timer keeps, its plants are drier than today, and it is said.
    today = facts.zones["today_stress_days"].astype(float)
    more = facts.zones["stress_days"].astype(float) - today.clip(lower=facts.limit)
    drier = str(more.idxmax())
    if float(more[drier]) > _AS_TODAY:
        now = figure(float(facts.zones.loc[drier, "stress_days"]))
        return [
            f"Plants would be drier than today: {drier} is short on {now} days in the worst season "
            f"of ten, today on {figure(float(today[drier]))}."
        ]
    limit = figure(facts.limit, 0 if float(facts.limit).is_integer() else 1)
    return [f"Every zone stays within {limit} stress days, or as today."]


def set_right_words(facts: Facts) -> list[str]:
    """Say what setting the timer right would save by itself: no sensor is needed for that part.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence; none where it saves nothing, or is told as the cheaper way.
    """
    way = facts.way("timer set right")
    if way is None or float(way["saved_m3"]) <= 0 or cheaper_words(facts):
        return []
    saved = facts.volume(float(way["saved_m3"]))
    return [f"Setting the timer right alone saves {saved}."]


def healing_words(facts: Facts) -> list[str]:
    """Say what healing the zones that today leaves dry takes, and on what the dryness rests.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence; none where nothing is left dry, or the plan heals it.
    """
    other = facts.way("within the limit")
    short = facts.zones.loc[facts.zones["today_stress_days"].astype(float) > facts.limit]
    if other is None or short.empty or facts.decided.get("heals"):
        return []
    saved = float(other["saved_m3"])
    cost = f"save {facts.volume(saved)}" if saved >= 0 else f"use {facts.volume(-saved)} more"
    back = other["payback_years"]
    pays = f" and pay back in {figure(float(back), 1)} years" if back is not None else ""
    worst = str(short["today_stress_days"].astype(float).idxmax())
    days = figure(float(short.loc[worst, "today_stress_days"]))
    return [
        f"Today leaves {worst} short on {days} days in the worst season out of ten. Healing that "
        f'([control] aim = "within_limit") would {cost} a year{pays}; it rests on '
        f"{_assumed(short)}."
    ]


def patient_words(facts: Facts) -> list[str]:
    """Say what one season's log is worth before a further sensor is bought.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence, or none.
    """
    waiting = facts.decided.get("waiting_worth")
    if facts.price is None or waiting is None or not float(waiting) >= _TRIFLE:
        return []
    return [
        f"The patient way, {number_word(len(facts.sensors))} now and a season's log before "
        f"another, is worth at most {figure(float(waiting))} {facts.currency} a year."
    ]


def _assumed(short: pd.DataFrame) -> str:
    """Say on what the dryness of zones rests, and what to measure where it was assumed."""
    defaults = " ".join(short["defaults"].astype(str)) if "defaults" in short else ""
    named = {
        "distribution_uniformity": "evenness",
        "precipitation_rate": "application rate",
        "soil": "soil",
        "root_depth": "root depth",
    }
    assumed = [word for key, word in named.items() if key in defaults]
    if not assumed:
        return "the evenness, rate and soil as given"
    return f"an assumed {' and '.join(assumed[:2])} (measure first: the answer may turn)"


def applied_words(facts: Facts) -> list[str]:
    """Say so where the water applied is far beyond what the plants need.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence, or none.
    """
    times = over_need(facts.zones, "water_m3")
    if not times > _APPLIED:
        return []
    return [f"Water applied is {figure(times, 1)} times the need."]


def decision_words(facts: Facts) -> str:
    """Say how many sensors, what the last is worth, and why not one more.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    str
        Two sentences, or one where there is no sensor.
    """
    count = len(facts.sensors)
    if count == 0:
        return "No sensor: none that could be bought keeps every zone within its limits."
    name = f"{number_word(count).capitalize()} sensor{'' if count == 1 else 's'}."
    last, further = _last(facts), _further(facts)
    if last and further:
        return f"{name} {last}; {further}."
    said = last or further
    return f"{name} {said[0].upper()}{said[1:]}." if said else name


def short_claim(facts: Facts) -> str:
    """Say in one sentence what the plan saves, or that nothing is claimed.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    str
        One sentence.
    """
    known = facts.economics
    saved, money = known.get("saved_m3"), known.get("saved_per_year")
    if saved is None:
        return "No saving is claimed, because today's watering is not known."
    if saved < 0:
        return _more_than_today(facts, -float(saved))
    words = f"Against today's watering the plan saves {facts.volume(float(saved))} a year"
    if money is None:
        return f"{words}; without a water price no money is claimed."
    words += f", worth {figure(float(money))} {facts.currency}"
    years = known.get("payback_years")
    return f"{words}, and pays back in {figure(float(years), 1)} years." if years else f"{words}."


def doubt_words(facts: Facts) -> list[str]:
    """Doubt a baseline that waters far more than the plants need.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence, or none.
    """
    times = today_over_need(facts.zones)
    if facts.economics.get("saved_m3") is None or not times > DOUBTED:
        return []
    return [
        f"Doubtful: today's watering as given is {figure(times, 1 if times < _ROUND else 0)} times "
        "what these plants need; check the timer's minutes and days before believing a saving."
    ]


def today_over_need(zones: pd.DataFrame) -> float:
    """Return today's water over what the plants need; see `over_need`."""
    return over_need(zones, "today_m3")


def over_need(zones: pd.DataFrame, water: str) -> float:
    """Return water over what the plants need at the evenness of each zone.

    Parameters
    ----------
    zones : DataFrame
        Columns `water`, net_irrigation_mm, area_m2, distribution_uniformity.
    water : str
        Column of the water of a season [m³].

    Returns
    -------
    float
        NaN where the water is not known, or nothing is needed.
    """
    columns = {water, "net_irrigation_mm", "area_m2", "distribution_uniformity"}
    if not columns <= set(zones):
        return math.nan
    even = zones["distribution_uniformity"].astype(float)
    need = float((zones["net_irrigation_mm"] * zones["area_m2"] / even).sum()) / 1000
    used = float(zones[water].astype(float).sum(skipna=False))
    return used / need if need > 0 else math.nan


def budget_words(facts: Facts) -> list[str]:
    """Tell the published water budget that was asked for, and whether it is kept.

    Parameters
    ----------
    facts : Facts
        What was decided; its economics hold the budget.

    Returns
    -------
    list of str
        One sentence, or none.
    """
    asked = facts.economics.get("budget")
    if asked is None:
        return []
    kept = "is kept" if asked["within"] else "is passed"
    return [
        f"The water budget ({_BUDGETS.get(asked['kind'], asked['kind'])}) of "
        f"{facts.volume(float(asked['allowance_m3']))} {_a_period(str(asked['period']))} {kept}: "
        f"by its own formula this planting takes {facts.volume(float(asked['estimated_m3']))}."
    ]


def _a_period(period: str) -> str:
    """Return the period of a budget in words."""
    number = period.removeprefix("month ")
    return f"in {_MONTHS[int(number) - 1]}" if number.isdigit() else f"a {period}"


def _more_than_today(facts: Facts, extra: float) -> str:
    """Say that the plan uses more water than today, and why."""
    words = f"The plan uses {facts.volume(extra)} a year more than today's watering"
    short = int((facts.zones["today_stress_days"].astype(float) > facts.limit).sum())
    if not short:
        return f"{words}, which keeps every zone within its limit: sensors gain nothing here."
    return f"{words}, which leaves {short} of {len(facts.zones)} zones short of water."


def _last(facts: Facts) -> str:
    """Say what the last sensor is worth; "" for the only one."""
    count, choices, chosen = len(facts.sensors), facts.choices, facts.chosen
    if count == 1 or chosen is None:
        return ""
    fewer = choices.loc[choices["used"].where(choices["feasible"]) < count]
    if fewer.empty:
        return _no_fewer(facts)
    before = fewer.iloc[-1]
    extra = count - int(before["used"])
    who = f"The {nth(count)}" if extra == 1 else f"The last {number_word(extra)}"
    saves, is_, own = ("saves", "is", "its") if extra == 1 else ("save", "are", "their")
    less = float(before["water_m3"]) - float(chosen["water_m3"])
    if facts.price is None:
        return f"{who} {saves} {facts.volume(less)} a year"
    worth = float(before["cost_per_year"]) - float(chosen["cost_per_year"])
    amount = figure(worth) if worth >= _TRIFLE else "less than 1"
    money = f"{is_} worth {amount} {facts.currency} a year after {own} own cost"
    if less >= 0:
        return f"{who} {saves} {facts.volume(less)} a year and {money}"
    more = "uses" if extra == 1 else "use"
    return f"{who} {more} {facts.volume(-less)} a year more and yet {money}"


def _no_fewer(facts: Facts) -> str:
    """Say why fewer do not do."""
    count = len(facts.sensors)
    controllers = int(facts.zones["controller"].nunique())
    if controllers >= count:
        return (
            "No fewer would do: a sensor governs zones of its own controller only, and there are "
            f"{number_word(controllers)} controllers"
        )
    return (
        f"No fewer would do: with {number_word(count - 1)}, no choice keeps every zone within its "
        "limits"
    )


def _further(facts: Facts) -> str:
    """Say why there is no further sensor."""
    count = len(facts.sensors)
    if count >= len(facts.zones):
        return "" if count == 1 else "every zone has its own"
    more = nth(count + 1, article=True)
    if len(facts.choices) == 0 or int(facts.choices.index.max()) <= count:
        return f"{more} was not allowed"
    if facts.price is None:
        return f"without a water price {more} cannot be weighed against its cost"
    worth, pays = facts.decided.get("next_worth"), facts.decided.get("next_pays")
    if worth is not None and pays is not None and float(worth) >= _TRIFLE:
        return (
            f"{more} is worth {figure(float(worth))} {facts.currency} a year and pays in "
            f"{figure(100 * float(pays))} of 100 cases, too little to be sure of"
        )
    return f"{more} would cost more than it saves"


def cheaper_words(facts: Facts) -> list[str]:
    """Say so where a kind of control without a soil sensor would cost less and do as well.

    Parameters
    ----------
    facts : Facts
        What was decided.

    Returns
    -------
    list of str
        One sentence, or none.
    """
    table, chosen = facts.controls, facts.chosen
    if table.empty or chosen is None or facts.price is None:
        return []
    costs = {
        name: float(table["cost_per_year"].astype(float)[name])
        for name in _SENSORLESS
        if name in table.index and bool(table["within_limit"][name])
    }
    costs = {name: cost for name, cost in costs.items() if math.isfinite(cost)}
    least = min(costs, key=lambda name: costs[name], default="")
    # As the sheet plays it, where that is known: the timer was played on the same draws.
    mine = float(facts.decided.get("cost", chosen["cost_per_year"]))
    if not least or costs[least] >= _CHEAPER * mine:
        return []
    return [
        f"Counting the sensors' cost, {_SENSORLESS[least]} would be cheaper: "
        f"{figure(costs[least])} {facts.currency} a year against "
        f"{figure(mine)}."
    ]
