"""The plan in plain words: its headline, how many sensors, why, and where.

Every sentence stands alone, so that a page may show the headline whole and leave the rest to the
full answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from siting.arrays import Floats
from siting.climate.stations import STAND_IN
from siting.decide.choice import Grouping
from siting.decide.decision import Decision
from siting.errors import some
from siting.language import Figure, Said, capital, say, say_as, say_count, side_by_side, vocabulary
from siting.planning.model import Elsewhere, Plan, Wording
from siting.season.controls import CONTROLS
from siting.units import Quantity, UnitsName, figure, show

_NUMBERS: Final = (
    say_as("no", "no (none)"), say("one"), say("two"), say("three"), say("four"), say("five"),
    say("six"), say("seven"), say("eight"), say("nine"), say("ten"), say("eleven"), say("twelve"),
)  # fmt: skip
_ORDINALS: Final = (
    "", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth",
    "tenth", "eleventh", "twelfth",
)  # fmt: skip
#: Kinds of control without a soil sensor, as in `Plan.controls`, and how they are told.
_SENSORLESS: Final = {
    "timer, its minutes set right": say("a timer with its minutes set right"),
    "rain shut-off": say("a rain shut-off"),
}
_BUDGETS: Final = {
    "mwelo": say("the state ordinance's"), "epa": say("the federal programme's, peak month")
}  # fmt: skip
_MONTHS: Final = (
    say("January"), say("February"), say("March"), say("April"), say("May"), say("June"),
    say("July"), say("August"), say("September"), say("October"), say("November"), say("December"),
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

    zones, sensors, choices, controls: as in `siting.planning.model.Plan`; economics: as in
    `siting.planning.model.Plan`, with its budget, its claim is in the units asked for; price: price
    that sensors were chosen at, None when not given [currency/m³]; limit: days of stress allowed in
    a season [d]; units: how to show amounts; limits: zone -> days of stress that it was allowed in
    the end [d]; decided: as `Plan.decision`: ties, where the plain way puts its sensors, and
    whether the plan `heals` what today leaves dry.
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
        """Return one way of `Plan.economics`; None where it was not worked out."""
        ways: list[dict[str, Any]] = self.economics.get("ways") or []
        return next((way for way in ways if way["way"] == name), None)

    @property
    def currency(self) -> str:
        """Return the user's currency."""
        return str(self.economics["currency"])

    def volume(self, cubic_metres: float) -> str:
        """Return an amount of water [m³] as text.

        cubic_metres: the amount [m³]. Returns in `units`, with the unit.
        """
        return show(cubic_metres, "volume", self.units)

    @cached_property
    def chosen(self) -> dict[str, float] | None:
        """Return water [m³] and cost of a year of the chosen row; None where there is none."""
        at = np.flatnonzero(self.choices["chosen"]) if len(self.choices) else np.empty(0, int)
        if not at.size:
            return None
        return {key: float(self.choices[key].iloc[at[0]]) for key in ("water_m3", "cost_per_year")}

    @cached_property
    def today_days(self) -> Floats:
        """Stress days of every zone today, NaN where not known, shape (Z,) [d]."""
        return np.asarray(self.zones["today_stress_days"], dtype=float)

    @cached_property
    def cheaper(self) -> tuple[str, float, float] | None:
        """A control without a soil sensor that costs less, its yearly cost, and the plan's."""
        table, chosen = self.controls, self.chosen
        if table.empty or chosen is None or self.price is None:
            return None
        every = zip(table.index, table["cost_per_year"], table["within_limit"], strict=True)
        costs = {
            str(name): float(cost)
            for name, cost, kept in every
            if name in _SENSORLESS and kept and math.isfinite(cost)
        }
        least = min(costs, key=lambda name: costs[name], default="")
        # As the sheet plays it, where that is known: the timer was played on the same draws.
        mine = float(self.decided.get("cost", chosen["cost_per_year"]))
        return (least, costs[least], mine) if least and costs[least] < _CHEAPER * mine else None


def number_word(count: int) -> str:
    """Return a number as a word, in figures beyond twelve.

    >>> number_word(0), number_word(7), number_word(14)
    ('no', 'seven', '14')
    """
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def nth(count: int, *, article: bool = False) -> str:
    """Return an ordinal, in figures beyond twelfth, with its article if asked.

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

    Returns how many sensors, what the last one is worth and why there is no further one, what the
    plan saves.
    """
    told = [*first_plan_words(facts), *plain_words(facts), decision_words(facts)]
    told += [*tie_words(facts), short_claim(facts)]
    told += set_right_words(facts)
    more = [*plants_words(facts), *cheaper_words(facts), *applied_words(facts)]
    return side_by_side([*told, *more, *doubt_words(facts), *budget_words(facts)])


def first_plan_words(facts: Facts) -> list[str]:
    """Say how sure a plan is that was made without weather.

    Returns one sentence, none where weather was given.
    """
    if not facts.decided.get("stand_in"):
        return []
    words = say(
        "First plan, without weather: a dry climate by latitude stands in, so water, minutes and "
        "money may be off by half and more, and real weather may want another number of sensors, "
        "or other zones for them"
    )
    chances = facts.sensors["p_driest_quarter"].astype(float).dropna() * 100
    if chances.empty:
        return [say("{sentence}.", sentence=words)]
    low, high = (figure(value) for value in (chances.min(), chances.max()))
    return [
        say(
            "{sentence}; the point within a zone hits its driest quarter in {chance} of 100 cases.",
            sentence=words,
            chance=low if low == high else say("{low} to {high}", low=low, high=high),
        )
    ]


def plain_words(facts: Facts) -> list[str]:
    """Say what the trade would do by habit, what that saves and what it leaves.

    Returns one sentence, none without a timer of today.
    """
    way, homes = facts.way("the plain way"), facts.decided.get("plain_homes", ())
    if way is None or not homes:
        return []
    words = say_count(
        "The plain way, a module on today's timer, saves {water} a year",
        "The plain way, {modules} modules on today's timer, saves {water} a year",
        len(homes),
        modules=number_word(len(homes)),
        water=facts.volume(float(way["saved_m3"])),
    )
    if way["payback_years"] is not None:
        back = _years(float(way["payback_years"]))
        words = say("{saving} (back in {time})", saving=words, time=back)
    drier = len(facts.decided.get("plain_drier", {}))
    if not drier:
        return [say("{saving} and leaves no zone too dry.", saving=words)]
    return [
        say(
            "{saving} but leaves {drier} of {zones} zones too dry.",
            saving=words,
            drier=drier,
            zones=len(facts.zones),
        )
    ]


def plain_more(facts: Facts) -> list[str]:
    """Say where the plain way puts its sensors, and which zone it leaves driest.

    Returns one sentence, none without a timer of today.
    """
    homes = facts.decided.get("plain_homes", ())
    if not homes or facts.way("the plain way") is None:
        return []
    places = _listed(homes, comma=False)
    drier = facts.decided.get("plain_drier", {})
    if not drier:
        return [say("In the plain way a sensor lies in {places}.", places=places)]
    worst = max(drier, key=lambda zone: drier[zone])
    return [
        say(
            "In the plain way a sensor lies in {places}; {zone} then is short on {days} days in "
            "the worst season out of ten.",
            places=places,
            zone=worst,
            days=figure(drier[worst]),
        )
    ]


def tie_words(facts: Facts) -> list[str]:
    """Say which other numbers and places are as good within what can be known."""
    told: list[str] = []
    numbers = [int(n) for n in facts.decided.get("tie_numbers", ())]
    if numbers and facts.price is not None:
        also = " or ".join(number_word(n) for n in numbers)
        others = side_by_side([figure(n) for n in numbers], ", ")
        told.append(say("{Also} would be as good: a tie.", Also=also.capitalize(), numbers=others))
    homes = facts.decided.get("tie_homes", {})
    near = [others for others in homes.values() if others]
    if near:
        places = ", ".join(dict.fromkeys(str(zone) for others in near for zone in others[:_NEAR]))
        told.append(say("As good a place: {places}.", places=places))
    return told


def plants_words(facts: Facts) -> list[str]:
    """Say how plants fare against today.

    Returns one sentence, none without a timer of today, or where it leaves nothing dry.
    """
    if facts.way("as today") is None:
        return []
    today = facts.today_days
    if not (today > facts.limit).any():
        return []
    if facts.decided.get("heals"):
        return [say("It heals what today leaves dry.")]
    # Where no sensor keeps what the timer keeps, its plants are drier than today, and it is said.
    then = facts.zones["stress_days"].to_numpy(dtype=float)
    more = then - np.maximum(today, facts.limit)
    drier = int(np.nanargmax(more))
    if more[drier] > _AS_TODAY:
        now = figure(float(then[drier]))
        return [
            say(
                "Plants would be drier than today: {zone} is short on {days} days in the worst "
                "season of ten, today on {today}.",
                zone=str(facts.zones.index[drier]),
                days=now,
                today=figure(float(today[drier])),
            )
        ]
    limit = figure(facts.limit, 0 if float(facts.limit).is_integer() else 1)
    return [say("Every zone stays within {limit} stress days, or as today.", limit=limit)]


def set_right_words(facts: Facts) -> list[str]:
    """Say what setting the timer right would save by itself: no sensor is needed for that part.

    Returns one sentence, none where it saves nothing, or is told as the cheaper way.
    """
    way = facts.way("timer set right")
    if way is None or float(way["saved_m3"]) <= 0 or facts.cheaper is not None:
        return []
    saved = facts.volume(float(way["saved_m3"]))
    return [say("Setting the timer right alone saves {water}.", water=saved)]


def healing_words(facts: Facts) -> list[str]:
    """Say what healing the zones that today leaves dry takes, and on what the dryness rests.

    Returns one sentence, none where nothing is left dry, or the plan heals it.
    """
    other = facts.way("within the limit")
    if other is None or facts.decided.get("heals") or not (facts.today_days > facts.limit).any():
        return []
    short = facts.zones.loc[facts.today_days > facts.limit]
    saved = float(other["saved_m3"])
    cost = f"save {facts.volume(saved)}" if saved >= 0 else f"use {facts.volume(-saved)} more"
    back = other["payback_years"]
    pays = f" and pay back in {_years(float(back))}" if back is not None else ""
    worst = str(short["today_stress_days"].astype(float).idxmax())
    days = figure(float(short.loc[worst, "today_stress_days"]))
    return [
        f"Today leaves {worst} short on {days} days in the worst season out of ten. Healing that "
        f'([control] aim = "within_limit") would {cost} a year{pays}; it rests on '
        f"{_assumed(short)}."
    ]


def patient_words(facts: Facts) -> list[str]:
    """Say what one season's log is worth before a further sensor is bought.

    Returns one sentence, or none.
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
    """Say so where the water applied is far beyond what the plants need; one sentence, or none."""
    times = over_need(facts.zones, "water_m3")
    if not times > _APPLIED:
        return []
    return [say("Water applied is {times} times the need.", times=figure(times, 1))]


def decision_words(facts: Facts) -> str:
    """Say how many sensors, what the last is worth, and why not one more.

    Returns two sentences, or one where there is no sensor.
    """
    count = len(facts.sensors)
    if count == 0:
        return say("No sensor: none that could be bought keeps every zone within its limits.")
    word = number_word(count)
    name = say_count("One sensor.", "{Count} sensors.", count, Count=capital(word), number=word)
    last, further = _last(facts), _further(facts)
    if last and further:
        return say("{name} {last}; {further}.", name=name, last=last, further=further)
    said = last or further
    return say("{name} {sentence}.", name=name, sentence=capital(said)) if said else name


def short_claim(facts: Facts) -> str:
    """Say in one sentence what the plan saves, or that nothing is claimed."""
    known = facts.economics
    saved, money = known.get("saved_m3"), known.get("saved_per_year")
    if saved is None:
        return say("No saving is claimed, because today's watering is not known.")
    if saved < 0:
        return _more_than_today(facts, -float(saved))
    water = facts.volume(float(saved))
    if money is None:
        return say(
            "Against today's watering the plan saves {water} a year; without a water price no money"
            " is claimed.",
            water=water,
        )
    worth, years = figure(float(money)), known.get("payback_years")
    if not years:
        return say(
            "Against today's watering the plan saves {water} a year, worth {amount} {currency}.",
            water=water,
            amount=worth,
            currency=facts.currency,
        )
    return say(
        "Against today's watering the plan saves {water} a year, worth {amount} {currency}, and "
        "pays back in {time}.",
        water=water,
        amount=worth,
        currency=facts.currency,
        time=_years(float(years)),
    )


def _years(payback: float) -> str:
    """Say a payback; what would round to no time at all is a matter of weeks."""
    if payback < 0.05:  # noqa: PLR2004
        return say("a few weeks")
    return say("{number} years", number=figure(payback, 1))


def doubt_words(facts: Facts) -> list[str]:
    """Doubt a baseline that waters far more than the plants need; one sentence, or none."""
    times = today_over_need(facts.zones)
    if facts.economics.get("saved_m3") is None or not times > DOUBTED:
        return []
    return [
        say(
            "Doubtful: today's watering as given is {times} times what these plants need; check "
            "the timer's minutes and days before believing a saving.",
            times=figure(times, 1 if times < _ROUND else 0),
        )
    ]


def today_over_need(zones: pd.DataFrame) -> float:
    """Return today's water over what the plants need; see `over_need`."""
    return over_need(zones, "today_m3")


def over_need(zones: pd.DataFrame, water: str) -> float:
    """Return water over what the plants need at the evenness of each zone.

    zones: columns `water`, net_irrigation_mm, area_m2, distribution_uniformity; water: column of
    the water of a season [m³]. Returns NaN where the water is not known, or nothing is needed.
    """
    columns = {water, "net_irrigation_mm", "area_m2", "distribution_uniformity"}
    if not columns <= set(zones):
        return math.nan
    even, mm, area = (
        zones[name].to_numpy(dtype=float)
        for name in ("distribution_uniformity", "net_irrigation_mm", "area_m2")
    )
    need = float(np.nansum(mm * area / even)) / 1000
    used = float(zones[water].to_numpy(dtype=float).sum())
    return used / need if need > 0 else math.nan


def budget_words(facts: Facts) -> list[str]:
    """Tell the published water budget that was asked for, and whether it is kept.

    Returns one sentence, or none.
    """
    asked = facts.economics.get("budget")
    if asked is None:
        return []
    words = say(
        "The water budget ({kind}) of {allowed} {period} is passed: by its own formula this "
        "planting takes {takes}."
    )
    if asked["within"]:
        words = say(
            "The water budget ({kind}) of {allowed} {period} is kept: by its own formula this "
            "planting takes {takes}."
        )
    return [
        say(
            words,
            kind=_BUDGETS.get(asked["kind"], asked["kind"]),
            allowed=facts.volume(float(asked["allowance_m3"])),
            period=_a_period(str(asked["period"])),
            takes=facts.volume(float(asked["estimated_m3"])),
        )
    ]


def _a_period(period: str) -> str:
    """Return the period of a budget in words."""
    number = period.removeprefix("month ")
    if number.isdigit():
        return say("in {month}", month=_MONTHS[int(number) - 1])
    return {"year": say("a year"), "season": say("a season")}.get(period, f"a {period}")


def _more_than_today(facts: Facts, extra: float) -> str:
    """Say that the plan uses more water than today, and why."""
    short = int((facts.today_days > facts.limit).sum())
    if not short:
        return say(
            "The plan uses {water} a year more than today's watering, which keeps every zone "
            "within its limit: sensors gain nothing here.",
            water=facts.volume(extra),
        )
    return say(
        "The plan uses {water} a year more than today's watering, which leaves {short} of {zones} "
        "zones short of water.",
        water=facts.volume(extra),
        short=short,
        zones=len(facts.zones),
    )


def _last(facts: Facts) -> str:
    """Say what the last sensor is worth; "" for the only one."""
    count, choices, chosen = len(facts.sensors), facts.choices, facts.chosen
    if count == 1 or chosen is None:
        return ""
    used = choices["used"].to_numpy(dtype=float)
    fewer = np.flatnonzero(choices["feasible"].to_numpy(dtype=bool) & (used < count))
    if not fewer.size:
        return _no_fewer(facts)
    before = {name: choices[name].iloc[fewer[-1]] for name in ("used", "water_m3", "cost_per_year")}
    extra = count - int(before["used"])
    less = float(before["water_m3"]) - chosen["water_m3"]
    worth = float(before["cost_per_year"]) - chosen["cost_per_year"]
    told = {
        "nth": nth(count),
        "rank": count,
        "number": number_word(extra),
        "water": facts.volume(abs(less) if facts.price is not None else less),
        "amount": figure(worth) if worth >= _TRIFLE else say("less than 1"),
        "currency": facts.currency,
    }
    if facts.price is None:
        return say_count(
            "The {nth} saves {water} a year", "The last {number} save {water} a year", extra, **told
        )
    if less >= 0:
        return say_count(
            "The {nth} saves {water} a year and is worth {amount} {currency} a year after its own "
            "cost",
            "The last {number} save {water} a year and are worth {amount} {currency} a year after "
            "their own cost",
            extra,
            **told,
        )
    return say_count(
        "The {nth} uses {water} a year more and yet is worth {amount} {currency} a year after its "
        "own cost",
        "The last {number} use {water} a year more and yet are worth {amount} {currency} a year "
        "after their own cost",
        extra,
        **told,
    )


def _no_fewer(facts: Facts) -> str:
    """Say why fewer do not do."""
    count = len(facts.sensors)
    controllers = int(facts.zones["controller"].nunique())
    if controllers >= count:
        return say(
            "No fewer would do: a sensor governs zones of its own controller only, and there are "
            "{controllers} controllers",
            controllers=number_word(controllers),
        )
    return say(
        "No fewer would do: with {fewer}, no choice keeps every zone within its limits",
        fewer=number_word(count - 1),
    )


def _further(facts: Facts) -> str:
    """Say why there is no further sensor."""
    count = len(facts.sensors)
    if count >= len(facts.zones):
        return "" if count == 1 else say("every zone has its own")
    more = {"a_further": nth(count + 1, article=True), "rank": count + 1}
    if len(facts.choices) == 0 or int(facts.choices.index.max()) <= count:
        return say("{a_further} was not allowed", **more)
    if facts.price is None:
        return say("without a water price {a_further} cannot be weighed against its cost", **more)
    worth, pays = facts.decided.get("next_worth"), facts.decided.get("next_pays")
    if worth is not None and pays is not None and float(worth) >= _TRIFLE:
        return say(
            "{a_further} is worth {amount} {currency} a year and pays in {cases} of 100 cases, too "
            "little to be sure of",
            **more,
            amount=figure(float(worth)),
            currency=facts.currency,
            cases=figure(100 * float(pays)),
        )
    return say("{a_further} would cost more than it saves", **more)


def cheaper_words(facts: Facts) -> list[str]:
    """Say so where a kind of control without a soil sensor would cost less and do as well.

    Returns one sentence, or none.
    """
    if facts.cheaper is None:
        return []
    name, cost, mine = facts.cheaper
    return [
        say(
            "Counting the sensors' cost, {control} would be cheaper: {cost} {currency} a year "
            "against {mine}.",
            control=_SENSORLESS[name],
            cost=figure(cost),
            currency=facts.currency,
            mine=figure(mine),
        )
    ]


#: Sensors whose zones are told one by one at most; of more, the range is told.
_TOLD: Final = 4
#: Differences that are worth a word: column, least difference, least ratio, how it is told (a
#: format, or a quantity), what it is.
_FACTS: Final[tuple[tuple[str, float, float, str, Quantity | None, str], ...]] = (
    ("sun_hours", 1.0, 1.0, "{:.1f} h", None, say("{amount} of sun")),
    ("rain_share", 0.1, 1.0, "{:.0%}", None, say("{amount} of the rain")),
    ("taw_mm", 0.0, 1.25, "", "depth", say("{amount} of available water")),
    (
        "need_score",
        0.0,
        1.25,
        "{:.0f} %",
        None,
        say("{amount} of its ready water used on a peak day"),
    ),
)
_HARDWARE: Final = {
    "add_on": say("an add-on beside the timer"), "replacement": say("a timer with sensor inputs")
}  # fmt: skip


def answer(facts: Facts, notes: Mapping[str, str]) -> str:
    """Say in one paragraph how many sensors, why, what else there is, and where they lie.

    Returns the decision first, then why, then where, then what may be claimed.
    """
    sentences = [
        *first_plan_words(facts),
        *plain_words(facts),
        decision_words(facts),
        *tie_words(facts),
        *set_right_words(facts),
        *plants_words(facts),
        *plain_more(facts),
        *healing_words(facts),
        *patient_words(facts),
        *cheaper_words(facts),
        *_why_apart(facts),
        *_equal_followers(facts),
        *(_of(str(tag), note) for tag, note in notes.items() if note),
        *_beside(facts),
        *_where(facts),
        *applied_words(facts),
        *doubt_words(facts),
        *budget_words(facts),
        facts.economics["claim"],
    ]
    return side_by_side(sentences)


def _of(tag: str, note: str) -> Said:
    """Say of which sensor a note is; English puts its name in place of "It"."""
    message = say("{sensor}: {note}")
    return Said(f"{tag}{note.removeprefix('It')}", message, {"sensor": tag, "note": note})


#: What fills a gap of a zone, by its first word in `defaults`: how it is told, the input of the
#: sensitivity that moves the result as it does, and how to find out.
_GAPS: Final = {
    "precipitation_rate": (say("how fast the heads water"), "application rate",
                           say("set out cans")),
    "distribution_uniformity": (say("how evenly they water"), "evenness", say("set out cans")),
    "soil": (say("the soil"), "available water", say("a jar or ribbon test")),
    "root_depth": (say("the depth of roots"), "available water", say("dig one hole and look")),
    "plant_factor": (say("how thirsty the plants are"), "plant factor",
                     say("name their species to a list of plant water use")),
    "irrigation": (say("the kind of heads"), "application rate", say("look at one while it runs")),
    "slope": (say("level ground"), "", say("a level on a board")),
}  # fmt: skip


class Assumed(NamedTuple):
    """Something that was assumed where zones do not say.

    what: in words; zones: of which; swing: by how much it moves the result of a year, NaN where
    that was not tried; measure, unit: of the swing, as in `Plan.sensitivity`; how: to find out.
    """

    what: str
    zones: tuple[str, ...]
    swing: float
    measure: str
    unit: str
    how: str


def assumed_of(defaults: pd.Series[str], sensitivity: pd.DataFrame) -> list[Assumed]:
    """Return what was assumed of zones, what moves the result most first.

    Parameters
    ----------
    defaults : Series of str
        Index `zone`; what was assumed, comma-separated.
    sensitivity : DataFrame
        As `Plan.sensitivity`.

    Returns
    -------
    list of Assumed
        One for each kind of gap.
    """
    zones: dict[str, list[str]] = {}
    for zone, words in defaults.items():
        for word in dict.fromkeys(part.split(" ")[0] for part in str(words).split(", ") if part):
            zones.setdefault(word, []).append(str(zone))
    told = sensitivity.reindex(columns=["swing", "measure", "unit"])  # an older table may be empty
    rows = dict(zip(told.index, told.itertuples(index=False, name=None), strict=True))
    found = []
    for word, (what, moves, how) in _GAPS.items():
        if word in zones:
            swing, measure, unit = rows.get(moves, (math.nan, "", ""))
            found.append(Assumed(what, tuple(zones[word]), swing, measure, unit, how))
    return sorted(found, key=lambda one: -one.swing if math.isfinite(one.swing) else math.inf)


def assumed_notes(
    defaults: pd.Series[str], sensitivity: pd.DataFrame, units: UnitsName
) -> tuple[str, ...]:
    """Say what was assumed of zones, what moves the result most first, and how to find out.

    units {"metric", "us"}: how to show amounts. Returns a note for each.
    """
    notes = []
    for one in assumed_of(defaults, sensitivity):
        moves = say("how much it moves the result was not tried")
        if math.isfinite(one.swing):
            much = show(one.swing, "volume", units) if one.unit == "m3" else (
                say("{amount} {unit}", amount=figure(one.swing), unit=one.unit))  # fmt: skip
            moves = say(
                "as unsure as such values are, it moves the {measure} by {amount}",
                measure=vocabulary(one.measure),
                amount=much,
            )
        zones = say_count("zone {zones}", "zones {zones}", len(one.zones), zones=some(one.zones))
        notes.append(
            say(
                "assumed: {what} ({zones}); {moves}; to find out: {how}",
                what=one.what,
                zones=zones,
                moves=moves,
                how=one.how,
            )
        )
    return tuple(notes)


def passed(
    zones: pd.DataFrame, budget: Mapping[str, Any] | None, units: UnitsName
) -> tuple[str, ...]:
    """Note a water budget that is passed, and a timer that waters far more than is needed.

    units {"metric", "us"}: how to show amounts.
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


def elsewhere(
    decided: Decision, zones: pd.DataFrame, ids: Mapping[int, str]
) -> dict[str, Elsewhere]:
    """Price every sensor that is not in the thirstiest zone of its group as if it were.

    Returns by tag, sensors in the thirstiest zone of their group are left out.
    """
    grouping = decided.grouping
    need = zones["need_score"].to_numpy(dtype=float)
    found = {}
    for candidate, tag in ids.items():
        group = np.flatnonzero(grouping.governor == candidate)
        home, top = int(grouping.governors.zone[candidate]), int(group[np.argmax(need[group])])
        if home == top or need[home] >= need[top]:
            continue
        cost, water = _moved(grouping, candidate, top)
        found[tag] = Elsewhere(
            home=str(zones.index[home]),
            thirstiest=str(zones.index[top]),
            alone=len(group) == len(zones),
            open_ground=bool(grouping.options.zones["admissible"].iloc[top]),
            cost=cost,
            water_m3=water,
        )
    return found


def _moved(grouping: Grouping, candidate: int, top: int) -> tuple[float, float]:
    """Return what the same groups cost and use more with one sensor in another zone."""
    options, choice, pool = grouping.options, grouping.choice, grouping.governors
    group = np.flatnonzero(grouping.governor == candidate)
    priced, prices = options.candidates(), options.prices
    kinds = {pool.kind[j] for j in choice.sensors if _together(grouping, j, candidate)}
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


def _together(grouping: Grouping, one: int, other: int) -> bool:
    """Return whether two candidates are on the same controller."""
    names = grouping.options.zones["controller"].fillna("").astype(str).to_numpy()
    zone = grouping.governors.zone
    return bool(names[int(zone[one])] == names[int(zone[other])])


#: Why a sensor is not in the thirstiest zone that it governs: whole sentences, with room for the
#: zones and the amounts.
_HOMES: Final = {
    "closed": say(
        "It lies in {home} and not in {top}, {whose}, because no ground there meets every setback."
    ),
    "dry": say(
        "It lies in {home} and not in {top}, {whose}, because from there no setting keeps every "
        "zone that it governs within its stress limit."
    ),
    "dearer": say(
        "It lies in {home} and not in {top}, {whose}: this costs {cost} {currency} a year less, "
        "and every zone that it governs still gets enough."
    ),
    "wetter": say(
        "It lies in {home} and not in {top}, {whose}: this uses {water} a year less, and every "
        "zone that it governs still gets enough."
    ),
    "same": say(
        "It lies in {home} and not in {top}, {whose}: this costs no more, and every zone that it "
        "governs still gets enough."
    ),
}


def zone_note(
    other: Elsewhere | None, *, currency: str, price: float | None, units: UnitsName
) -> str:
    """Say why a sensor is not in the thirstiest zone that it governs.

    price: price of water, without one the difference is told in water [currency/m³]. Returns "" for
    a sensor in its thirstiest zone.
    """
    if other is None:
        return ""
    case = "same"
    if not other.open_ground:
        case = "closed"
    elif not math.isfinite(other.cost):
        case = "dry"
    elif price is not None and other.cost >= _TRIFLE:
        case = "dearer"
    elif price is None and other.water_m3 >= _TRIFLE:
        case = "wetter"
    thirstiest = say("the thirstiest zone that it governs")
    return say(
        _HOMES[case],
        home=other.home,
        top=other.thirstiest,
        whose=say("the thirstiest zone") if other.alone else thirstiest,
        cost=figure(other.cost) if case == "dearer" else "",
        water=show(other.water_m3, "volume", units) if case == "wetter" else "",
        currency=currency,
    )


def wordings(
    plan: Plan,
    decided: Decision,
    *,
    claims: Mapping[UnitsName, str],
    homes: Mapping[str, Elsewhere],
) -> dict[UnitsName, Wording]:
    """Return the sentences that hold amounts, in both systems of units.

    plan: with its tables, its words not yet said; claims: the claim in each system; homes: by tag,
    sensors that are not in the thirstiest zone that they govern, moved there.
    """
    place = dict(zip(plan.zones.index, decided.placements, strict=True))
    words = {str(tag): place[zone].words for tag, zone in plan.sensors["zone"].items()}
    beside = {
        "heals": decided.heal,
        "cost": decided.cost,
        "stand_in": plan.settings.weather.format == STAND_IN,
    }
    told: dict[UnitsName, Wording] = {}
    for units, claimed in claims.items():
        facts = Facts(
            zones=plan.zones,
            sensors=plan.sensors,
            choices=plan.choices,
            controls=plan.controls,
            economics={**plan.economics, "claim": claimed},
            price=decided.price,
            limit=plan.settings.control.max_stress_days,
            units=units,
            limits=decided.limits,
            decided={**plan.decision, **beside},
        )
        notes = {
            str(tag): zone_note(
                homes.get(str(tag)), currency=facts.currency, price=decided.price, units=units
            )
            for tag in plan.sensors.index
        }
        told[units] = Wording(
            headline=headline(facts),
            answer=answer(facts, notes),
            claim=claimed,
            reasons={tag: said[units].reason for tag, said in words.items()},
            setback_notes={tag: said[units].note for tag, said in words.items()},
            zone_notes=notes,
        )
    return told


def _where(facts: Facts) -> list[str]:
    """Say where each sensor lies, what it governs, and which control runs on which hardware."""
    sensors = facts.sensors
    if len(sensors) == 0:
        return []
    places = side_by_side(
        [
            say(
                "{sensor} in {zone}, {governs}",
                sensor=tag,
                zone=zone,
                governs=_governs(governs, str(zone)),
            )
            for tag, zone, governs in zip(
                sensors.index, sensors["zone"], sensors["governs"], strict=True
            )
        ],
        "; ",
    )
    pairs = dict.fromkeys(zip(sensors["control"], sensors["hardware"], strict=True))
    by_hardware: dict[str, list[str]] = {}
    for control, hardware in pairs:
        by_hardware.setdefault(str(hardware), []).append(CONTROLS[str(control)].name)
    told = [
        say(
            "{controls} on {hardware}",
            controls=_listed(controls, comma=False),
            hardware=_HARDWARE.get(hardware, hardware),
        )
        for hardware, controls in by_hardware.items()
    ]
    return [
        say("Where: {places}.", places=places),
        say("The control is {controls}.", controls=_listed(told, comma=False)),
    ]


def _governs(governed: Sequence[str], own: str) -> str:
    """Return what else a sensor governs."""
    others = [zone for zone in governed if zone != own]
    if not others:
        return say("for that zone alone")
    return say("for {zones} too", zones=_listed(others))


def _listed(names: Sequence[str], *, comma: bool = True) -> str:
    """Return names with "and" before the last, and commas between those before it, or "and"s."""
    if len(names) <= 1:
        return side_by_side(names)
    before = side_by_side(names[:-1], ", ") if comma else _listed(names[:-1], comma=False)
    return say("{one} and {other}", one=before, other=names[-1])


def _why_apart(facts: Facts) -> list[str]:
    """Say in what the zones with a sensor differ."""
    sensors, zones = facts.sensors, facts.zones
    if len(sensors) <= 1:
        return []
    homes = zones.loc[[str(zone) for zone in sensors["zone"]]]
    if len(sensors) > _TOLD:
        return _apart_in_short(facts)
    told = {str(zone): [vocabulary(row["plants"])] for zone, row in homes.iterrows()}
    for column, least, ratio, form, quantity, what in _FACTS:
        values = homes[column].astype(float)
        low, high = float(values.min()), float(values.max())
        if high - low >= least and high >= ratio * low:
            for zone, value in values.items():
                amount = _figure(value, form, quantity, facts.units)
                told[str(zone)].append(say(what, amount=amount))
    if all(words == told[str(homes.index[0])] for words in told.values()):
        return []
    listed = [
        say("{zone} has {what}", zone=zone, what=side_by_side(words, ", "))
        for zone, words in told.items()
    ]
    return [say(_APART, what=side_by_side(listed, "; "))]


def _apart_in_short(facts: Facts) -> list[str]:
    """Say from what to what the zones with a sensor differ, where they are many."""
    homes = facts.zones.loc[[str(zone) for zone in facts.sensors["zone"]]]
    told = []
    for column, least, ratio, form, quantity, what in _FACTS:
        values = homes[column].astype(float)
        low, high = float(values.min()), float(values.max())
        if high - low >= least and high >= ratio * low:
            ends = [_figure(value, form, quantity, facts.units) for value in (low, high)]
            told.append(say(what, amount=say("{low} to {high}", low=ends[0], high=ends[1])))
    kinds = homes["plants"].nunique()
    if kinds > 1:
        told.insert(0, say("{count} kinds of plants", count=kinds))
    return [say(_APART, what=_listed(told))] if told else []


_APART: Final = say("They do not dry alike: {what}.")


def _figure(value: float, form: str, quantity: Quantity | None, units: UnitsName) -> str:
    """Return a value in a format, or as a quantity in the units asked for."""
    return show(float(value), quantity, units) if quantity else Figure(form.format(float(value)))


def _beside(facts: Facts) -> list[str]:
    """Say what no soil sensor at all would do on the same weather."""
    table, chosen = facts.controls, facts.chosen
    if table.empty or chosen is None or "rain shut-off" not in table.index:
        return []
    told = []
    for name in ("timer, its minutes set right", "rain shut-off"):
        water = facts.volume(float(table["water_m3"][name]))
        if not table["within_limit"][name]:
            days = figure(float(table["stress_days"][name]))
            water = say("{water} (with {days} stress days)", water=water, days=days)
        told.append(water)
    return [
        say(
            "Without a soil sensor, a timer with its minutes set right would use {timer} a year, "
            "and with a rain shut-off {shut_off}; the plan uses {plan}.",
            timer=told[0],
            shut_off=told[1],
            plan=facts.volume(chosen["water_m3"]),
        )
    ]


def _equal_followers(facts: Facts) -> list[str]:
    """Say how one sensor does for every zone."""
    if len(facts.sensors) != 1 or len(facts.zones) == 1:
        return []
    home = str(facts.sensors["zone"].iloc[0])
    relaxed = any(days > facts.limit for days in facts.limits.values())
    limit = (
        say("the stress limit that held for it (see the notes)")
        if relaxed
        else say("its stress limit")
    )
    alone = [str(zone) for zone in facts.zones.index[facts.zones["sensor_id"] == ""]]
    words = say(
        "every other zone stays within {limit} when it runs with the sensor's, at its own run time",
        limit=limit,
    )
    if alone:
        own = say_count(
            "{zones} keeps a programme of its own, without a sensor",
            "{zones} keep a programme of their own, without a sensor",
            len(alone),
            zones=_listed(alone),
        )
        words = side_by_side([own, words], "; ")
    if home == str(facts.zones["need_score"].idxmax()):
        words = side_by_side([words, say("{zone} is the thirstiest zone", zone=home)], "; ")
    return [say("{words}.", words=words if alone else capital(words))]
