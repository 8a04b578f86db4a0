"""What map, sheet and plan.json all say: assumptions, hazards, and each sensor's facts.

The reasons are common practice, no source; the distances are the property's own setbacks.

One place for it, so that one number stands for one thing everywhere; and how numbers and names are
written for a crew.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely

from siting.decide.money import Standing, costs_words, limit_words, standing
from siting.language import Figure, say, side_by_side
from siting.place.setbacks import HAZARD_WORDS
from siting.planning.model import Plan
from siting.planning.words import assumed_of
from siting.units import FOOT_M, UnitsName, convert, figure, show, unit_label

#: With more zones or trees than this pages are thinned out, and a controller has its own sheets.
_MANY_ZONES: Final = 60
_MANY_TREES: Final = 500
_INCHES_PER_FOOT: Final = 12
#: Unicode categories that never print: control, format (joiners, direction overrides), surrogate.
_SILENT: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})


def is_crowded(plan: Plan) -> bool:
    """Tell whether a plan holds so much that its pages are thinned out and divided."""
    return len(plan.zones) > _MANY_ZONES or len(plan.site.trees) > _MANY_TREES


def clean(text: object) -> str:
    """Return any text as one printable line: no control, direction or surrogate characters.

    >>> clean("bed" + chr(10) + "by the" + chr(0x202E) + " wall")
    'bed by the wall'
    """
    if text is None or (isinstance(text, float) and math.isnan(text)):
        return ""
    words = str(text)
    if words.isascii() and words.isprintable():
        return " ".join(words.split())
    kept = (c for c in words if c.isspace() or unicodedata.category(c) not in _SILENT)
    return " ".join("".join(kept).split())


def elide(text: str, length: int) -> str:
    """Cut a text to a number of characters, with an ellipsis when something was cut.

    >>> elide("by the north door", 8)
    'by the…'
    """
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def tape(metres: float, units: UnitsName) -> str:
    """Return a distance as read on a tape: centimetres, or feet and inches.

    metres: the distance [m]; units {"metric", "us"}: how to show it. Result: rounded to 1 cm or 1
    in; an en dash when unknown.

    >>> tape(3.759, "us"), tape(3.759, "metric"), tape(0.29, "us")
    ('12 ft 4 in', '3.76 m', '11 in')
    """
    if not math.isfinite(metres):
        return "–"
    if units == "metric":
        return say("{number} {unit}", number=Figure(f"{metres:.2f}"), unit="m")
    feet, inches = divmod(round(metres / FOOT_M * _INCHES_PER_FOOT), _INCHES_PER_FOOT)
    if not feet:
        return say("{number} {unit}", number=Figure(inches), unit=say("in"))
    return say("{feet} ft {inches} in", feet=Figure(feet), inches=Figure(inches))


def run(metres: float, units: UnitsName) -> str:
    """Return a length to buy or dig, of wire or trench: decimetres, or whole feet.

    >>> run(9.81, "us"), run(9.81, "metric")
    ('32 ft', '9.8 m')
    """
    return show(metres, "length", units, decimals=1 if units == "metric" else 0)


def depth(metres: float, units: UnitsName) -> str:
    """Return a burial depth: millimetres, or inches to the nearest half.

    >>> depth(0.0762, "us"), depth(0.0762, "metric"), depth(0.165, "us")
    ('3 in', '76 mm', '6.5 in')
    """
    if not math.isfinite(metres):
        return "–"
    if units == "metric":
        return say("{number} {unit}", number=Figure(f"{metres * 1000:.0f}"), unit="mm")
    inches = Figure(f"{round(convert(metres * 1000, 'depth', units) * 2) / 2:g}")
    return say("{number} {unit}", number=inches, unit=say("in"))


def number(value: float | None, decimals: int = 0) -> str:
    """Return a number with thousands separated; an en dash when unknown.

    >>> number(1234.5), number(float("nan")), number(-0.001)
    ('1,234', '–', '0')
    """
    if value is None or not math.isfinite(value):
        return "–"
    return Figure(f"{round(value, decimals) + 0.0:,.{decimals}f}")


def percent(value: float) -> str:
    """Return a share as a whole percentage; an en dash when unknown.

    >>> percent(0.874), percent(float("nan"))
    ('87%', '–')
    """
    if not math.isfinite(value):
        return "–"
    return say("{number}%", number=Figure(f"{value:.0%}"[:-1]))


def money(value: float | None, currency: str) -> str:
    """Return an amount with its currency; an en dash when unknown.

    >>> money(1203.4, "USD"), money(-24.0, "USD"), money(None, "USD")
    ('USD 1,203', '−USD 24', '–')
    """
    if value is None or not math.isfinite(value):
        return "–"
    sign = "−" if round(value) < 0 else ""
    return f"{sign}{currency} {number(abs(value))}"


def assumptions_in_words(plan: Plan, units: UnitsName | None = None) -> list[str]:
    """Return what the figures rest on, in plain words.

    units {"metric", "us"}: how to show the price of water, the property's own by default. Result:
    one sentence or two each.
    """
    settings = plan.settings
    return [
        *_weather(plan),
        (
            say("Today's use is what today's timer would have put out in those same seasons.")
            if settings.timer
            else say("Today's timer was not given, so nothing is said of savings.")
        ),
        _price(plan, units or settings.units),
        *_costs(plan),
        say(
            "No zone may run short on more than {days}, the mean over its ground, in the worst "
            "season out of ten; fewer sensors than that allows are ruled out.",
            days=plan_limit(plan),
        ),
        say(
            "The choice was tried under {chosen} combinations of what nobody knows exactly: "
            "heights of trees and buildings, plants' thirst, soil and evenness of watering; its "
            "minutes were set, and played, under {played}.",
            chosen=settings.analysis.scenarios,
            played=plan.decision.get("sheet_scenarios", settings.analysis.scenarios),
        ),
        *_exactness(plan),
        *_zone_defaults(plan),
    ]


#: Measurements as an order, and as a thing.
_MEASURES: Final = {
    "can_test": ("measure the cans of {}", "a can test of {}"),
    "probe_walk": ("probe {}", "a probe walk of {}"),
    "jar_test": ("shake jars of the soil", "a jar test of the soil"),
    "season_log": (
        "log a season with these sensors, then set them anew",
        "a season's log",
    ),
    "drone_flight": ("fly a drone over it", "the drone"),
}
_ZONE: Final = 40


def measuring_words(plan: Plan) -> list[str]:
    """Say what is worth measuring before anyone digs, the most worthwhile first, and what is not.

    Result: one sentence each, the last for all that change nothing; empty where the plan does not
    know.
    """
    currency = elide(clean(plan.economics.get("currency")), 10)
    lines, nothing, dear = [], [], []
    for row in plan.measuring.to_dict("records"):
        order, thing = (
            words.format(elide(clean(row["zone"]), _ZONE)) for words in _MEASURES[row["measure"]]
        )
        if not row["changes"]:
            nothing.append(thing)
        elif not row["recommended"]:
            dear.append(thing)
        else:
            lines.append(f"{order[0].upper()}{order[1:]}: {_worth(row, currency)}.")
    if dear:
        lines.append(f"Not worth what it takes here: {', '.join(dear)}.")
    if nothing:
        lines.append(f"Changes nothing here: {', '.join(nothing)}.")
    return lines


def _worth(row: Mapping[Any, Any], currency: str) -> str:
    """Say what one measurement takes, gains and may change."""
    hours = float(row["hours"])
    takes = f"{60 * hours:.0f} minutes" if hours < 1 else f"{hours:g} hours"
    parts = [f"{takes} and {figure(row['cost'])} {currency} in all"]
    if math.isfinite(row["worth_per_year"]):
        days = float(row["days_kept_off"])
        fewer = f", {days:.1f} dry days of a season fewer" if days >= _SOME_DAYS else ""
        worth = _rounded(float(row["worth_per_year"]))
        parts.append(f"worth {figure(worth)} {currency} a year{fewer}")
    now, then = (round(100 * float(row[key])) for key in ("p_now", "p_then"))
    if then > now:
        parts.append(f"{then} instead of {now} in 100 that the sensor is in the driest quarter")
    return f"{'; '.join(parts)}; it may change the {row['changes'].replace(', ', ' and the ')}"


_SOME_DAYS: Final = 0.05


def _rounded(worth: float) -> float:
    """Return two figures of a worth: other draws of the scenarios move it by a tenth to a fifth.

    >>> _rounded(337.2), _rounded(14.8), _rounded(6.4), _rounded(0.0)
    (340.0, 15.0, 6.4, 0.0)
    """
    return float(f"{worth:.2g}")


def plan_standing(plan: Plan) -> Standing:
    """Return what may be said of a plan's water, money and costs; one state of each."""
    kinds = {item.kind: item for item in plan.settings.hardware}
    bought = plan.decision.get("hardware", {}).values()
    seasons = plan.season.get("saved_m3")
    known = seasons is not None and bool(seasons.notna().any())
    return standing(
        plan.economics if known else {},
        plan.settings.costs,
        hardware=[kinds[kind] for kind in bought if kind in kinds],
    )


def budget_lines(plan: Plan, units: UnitsName) -> list[str]:
    """Tell the published water budget that was asked for, beside the plan's own water.

    units {"metric", "us"}: how to show amounts. Result: one sentence, or none.
    """
    asked = plan.economics.get("budget")
    if asked is None:
        return []
    allowed, takes = (
        show(float(asked[f"{key}_m3"]), "volume", units) for key in ("allowance", "estimated")
    )
    planned = show(float(plan.zones["water_m3"].sum()), "volume", units)
    told = {"reference": clean(asked["reference"]), "period": clean(asked["period"]),
            "allowed": allowed, "takes": takes, "planned": planned}  # fmt: skip
    if asked["within"]:
        return [
            say(
                "Water budget kept ({reference}; {period}): {allowed} allowed; by its formula this "
                "planting takes {takes}. The plan waters {planned} a season.",
                **told,
            )
        ]
    return [
        say(
            "Water budget passed ({reference}; {period}): {allowed} allowed; by its formula this "
            "planting takes {takes}. The plan waters {planned} a season.",
            **told,
        )
    ]


def plan_limit(plan: Plan) -> str:
    """Say on how many days a zone may run short, as the limit that held.

    Result: such as "5 days of a season".
    """
    held = plan.decision.get("limits", {})
    return limit_words(plan.settings.control.max_stress_days, held)


def _weather(plan: Plan) -> list[str]:
    """Say which weather the seasons were simulated with."""
    years = [int(str(year)) for year in plan.season.index]
    if not years:
        return []
    span = str(years[0])
    if len(years) > 1:
        span = say("{first} to {last}", first=str(years[0]), last=str(years[-1]))
    return [
        say(
            "The water of {count} seasons ({years}) was worked out day by day from the weather "
            "record; ranges run from the least to the greatest of them.",
            count=len(years),
            years=span,
        )
    ]


def _price(plan: Plan, units: UnitsName) -> str:
    """Say at which price water is counted."""
    water = plan.settings.water
    if water.tiers:
        return say("Water is counted month by month on the steps of its price.")
    if water.price is None:
        return say("No price of water was given, so no money is claimed.")
    currency = elide(clean(water.currency), 10)
    return say(
        "Water is counted at {price} {currency} {unit}.",
        price=Figure(f"{convert(water.price, 'volume_price', units):,.2f}"),
        currency=currency,
        unit=unit_label("volume_price", units),
    )


def _costs(plan: Plan) -> list[str]:
    """Say whose prices those are, and how they are spread over the years."""
    costs = plan.settings.costs
    rate = costs.discount_rate
    whose, years = costs_words(plan_standing(plan)), Figure(f"{costs.life_years:g}")
    spread = say(
        "Costs are spread evenly over {years} years; no interest, and no rise in the price of "
        "water is counted.",
        years=years,
    )
    if rate > 0:
        spread = say(
            "Costs are spread evenly over {years} years; the payback with interest counts {rate} % "
            "a year, and no rise in the price of water is counted.",
            years=years,
            rate=Figure(f"{100 * rate:g}"),
        )
    return [side_by_side([whose, spread])]


def _exactness(plan: Plan) -> list[str]:
    """Say how far from the best the choice can be."""
    words = plan.decision.get("exactness")
    return [str(words)] if words else []


def _zone_defaults(plan: Plan) -> list[str]:
    """Say for how many zones something was assumed."""
    count = sum(bool(clean(words)) for words in plan.zones["defaults"])
    if not count:
        return [say("Every zone's soil, plants and sprinklers are as you gave them.")]
    told = [
        say("{what} ({how})", what=one.what, how=one.how)
        for one in assumed_of(plan.zones["defaults"], plan.sensitivity)
    ]
    return [
        say(
            "For {count} of {zones} zones something was assumed. What moves the result most first, "
            "with how to find out: {assumed}; the list is with the zones.",
            count=count,
            zones=len(plan.zones),
            assumed=side_by_side(told, ", "),
        )
    ]


_WHY: Final = {
    "building": say("shade, shelter from rain and heat of the wall"),
    "paving": say("heat and run-off of the paving"),
    "boundary": say("what the neighbour does is not known"),
    "head": say("it is wetter there, and pipe lies there"),
    "zone_edge": say("water of two zones mixes there"),
    "downspout": say("roof water soaks in there"),
    "trunk": say("roots to be spared"),
    "traffic": say("trodden ground"),
    "utility": say("never dig here by machine, and by hand only once it is located"),
    "low_spot": say("water stands there"),
    "flow_path": say("run-off flows there"),
    "steep": say("water runs off before it soaks in"),
}
_ROOM: Final = say("room to dig around it")
_GROUP: Final = {
    "utility": "danger", "low_spot": "water", "flow_path": "water", "downspout": "water",
    "steep": "slope",
}  # fmt: skip


def hazard_name(hazard: object) -> str:
    """Return a hazard as people write it.

    >>> hazard_name("low_spot"), hazard_name("valve_box"), hazard_name("utility")
    ('low spot', 'valve box', 'buried pipe or cable')
    """
    return HAZARD_WORDS.get(str(hazard)) or str(hazard).replace("_", " ")


#: How a sensor is reached that no trench may lead to, and where the lead of one ends that only a
#: valve box can be dug to from.
LINK_WORDS: Final = say("no wire: a wireless link, as ground in play lies about it or in the way")
DECODER_WORDS: Final = say(
    "a decoder in the nearest valve box, as ground in play lies in the way to the controller"
)


#: What a tape starts from, as `Plan.ties` has it.
_FIXED: Final = (
    say("building corner"), say("property corner"), say("controller"), say("valve box"),
    say("meter"), say("backflow"), say("hydrant"), say("light"), say("stake"),
    say("nearest wall, shortest tape"), say("wall, shortest tape"),
    say("edge of paving, shortest tape"), say("line of fence or wall, shortest tape"),
    say("property line, shortest tape"),
)  # fmt: skip
#: A mark on a string between two of them.
_HALFWAY: Final = {
    "halfway": say("mark halfway from {first} to {second}"),
    "a third of the way": say("mark a third of the way from {first} to {second}"),
    "two thirds of the way": say("mark two thirds of the way from {first} to {second}"),
    "a quarter of the way": say("mark a quarter of the way from {first} to {second}"),
    "three quarters of the way": say("mark three quarters of the way from {first} to {second}"),
}
_MARK: Final = re.compile(r"mark (.*) from (point|stake) 1 to (?:point )?2")
_ENDS: Final = {
    "point": (say("point 1"), say("2")),
    "stake": (say("stake 1"), say("2")),
}


def fixed_words(kind: object) -> str:
    """Return what a tape starts from as people say it.

    >>> fixed_words("mark halfway from point 1 to 2").fields["first"]
    'point 1'
    """
    told = clean(kind)
    mark = _MARK.fullmatch(told)
    if mark is None or mark[1] not in _HALFWAY:
        return next((known for known in _FIXED if known == told), told)
    first, second = _ENDS[mark[2]]
    return say(_HALFWAY[mark[1]], first=first, second=second)


def hazard_why(hazard: object) -> str:
    """Return why a sensor keeps away from it.

    >>> hazard_why("flow_path"), hazard_why("meter")
    ('run-off flows there', 'room to dig around it')
    """
    return _WHY.get(str(hazard), _ROOM)


def hazard_group(hazard: object) -> str:
    """Return the group that a hazard is drawn with: danger, water, slope or thing.

    Result: "thing" for one that is not known.
    """
    return _GROUP.get(str(hazard), "thing")


def keep_clear(hazard: object, distance: str, *, metres: float) -> str:
    """Say what to keep clear of, by how much and why.

    metres: the setback [m].

    >>> keep_clear("low_spot", "0.9 m", metres=0.9)
    'low spot: keep 0.9 m away (water stands there)'
    >>> keep_clear("steep", "0.0 m", metres=0.0)
    'steep ground: not here (water runs off before it soaks in)'
    """
    told = {"hazard": hazard_name(hazard), "why": hazard_why(hazard)}
    if metres > 0:
        return say("{hazard}: keep {distance} away ({why})", distance=distance, **told)
    return say("{hazard}: not here ({why})", **told)


def lines_drawn(plan: Plan) -> dict[str, gpd.GeoSeries]:
    """Return buried lines and paths that the property draws, as single lines.

    Result: "utility" and "traffic", in the working CRS; left out where nothing is drawn.
    """
    found = {}
    for name, layer in (("utility", plan.site.utilities), ("traffic", plan.site.paths)):
        if layer is None or layer.empty:
            continue
        parts = shapely.get_parts(layer.geometry.to_numpy())
        found[name] = gpd.GeoSeries(parts, crs=layer.crs)
    return found


_POINTS: Final = (
    say("N"), say("NNE"), say("NE"), say("ENE"), say("E"), say("ESE"), say("SE"), say("SSE"),
    say("S"), say("SSW"), say("SW"), say("WSW"), say("W"), say("WNW"), say("NW"), say("NNW"),
)  # fmt: skip
_HARDWARE: Final = {
    "add_on": say("add-on module beside the 24 V AC timer"),
    "replacement": say("timer with sensor inputs, in place of the old one"),
}
_SIGHT_M: Final = 0.01  # a tape may graze a wall by this much
_PAIR: Final = 2


def bearing(east: float, north: float) -> float:
    """Return a direction clockwise from north, 0..360 [deg].

    >>> bearing(1, 0), bearing(-1, 0)
    (90.0, 270.0)
    """
    return math.degrees(math.atan2(east, north)) % 360


def compass(east: float, north: float) -> str:
    """Return the compass point of a direction.

    >>> compass(1, 0), compass(-1, 1), compass(0.1, -1)
    ('E', 'NW', 'S')
    """
    return _POINTS[round(bearing(east, north) / 22.5) % len(_POINTS)]


def rank_words(sensor: Mapping[str, Any]) -> str:
    """Say how likely the place is to be dry enough, with everything unknown reckoned in.

    Result: with the same chances as the reason and the tables; "" where they are not known.

    >>> rank_words({"expected_rank": 0.79, "p_driest_quarter": 0.66, "p_wetter_half": 0.06})
    'chance 66 in 100 of the driest quarter, 6 in 100 of the wetter half; 79 % is expected moister'
    """
    rank, quarter, half = (
        float(sensor[key]) for key in ("expected_rank", "p_driest_quarter", "p_wetter_half")
    )
    if not math.isfinite(quarter):
        if not math.isfinite(rank):
            return ""
        return say("{share} % of the ground is expected moister", share=Figure(f"{100 * rank:.0f}"))
    return say(
        "chance {quarter} in 100 of the driest quarter, {half} in 100 of the wetter half; {share} "
        "% is expected moister",
        quarter=Figure(f"{100 * quarter:.0f}"),
        half=Figure(f"{100 * half:.0f}"),
        share=Figure(f"{100 * rank:.0f}"),
    )


def chance_cell(chance: float) -> str:
    """Return a chance as a cell of a table.

    >>> chance_cell(0.298)
    '30 in 100'
    """
    if not math.isfinite(chance):
        return "–"
    return say("{number} in 100", number=Figure(f"{100 * chance:.0f}"))


def trench_word(plan: Plan) -> str:
    """Name what is paid for as trench: links and decoders count as trench where there are any.

    Returns "trench", or with what takes its place.
    """
    kinds = set(plan.sensors["link"]) - {""}
    return " or ".join(["trench", *sorted({"wireless": "wireless link"}.get(k, k) for k in kinds)])


def spares(plan: Plan, sensor_id: str) -> list[dict[str, Any]]:
    """Return the reserve points of a sensor, the best first, with tapes from the same corners.

    Result: rows of ``plan.reserves``, and distance_m, bearing_deg (from the sensor, clockwise from
    north), tapes (number of the tie from whose fixed point it is taped, distance [m], and whether
    the line of sight is clear, the same first two points as for the sensor) and side ("left" or
    "right" of the line from point 1 to point 2, or "" without two points); empty where it has none.
    """
    rows = plan.reserves[plan.reserves["sensor_id"] == sensor_id].sort_values("reserve")
    ties = plan.ties[plan.ties["sensor_id"] == sensor_id].sort_values("tie").head(_PAIR)
    at = plan.sensors.geometry.loc[sensor_id]
    starts = [(int(tie), line.coords[0][:2]) for tie, line in zip(ties["tie"], ties.geometry,
                                                                 strict=True)]  # fmt: skip
    walls = shapely.union_all(plan.site.buildings.geometry.to_numpy())
    found = []
    for place, row in zip(rows.geometry, rows.to_dict(orient="records"), strict=True):
        east, north = place.x - at.x, place.y - at.y
        how = {
            "distance_m": math.hypot(east, north),
            "bearing_deg": bearing(east, north),
            "tapes": tuple((tie, *_tape(start, place, walls)) for tie, start in starts),
            "side": _side([start for _, start in starts], place),
        }
        found.append({**row, **how, "x": place.x, "y": place.y})
    return found


def _tape(
    start: tuple[float, ...], end: shapely.Point, walls: shapely.Geometry
) -> tuple[float, bool]:
    """Return a tape's length [m] and whether no wall is in its way."""
    line = shapely.LineString([start, (end.x, end.y)])
    return float(line.length), bool(line.intersection(walls).length <= _SIGHT_M)


def _side(starts: list[tuple[float, ...]], place: shapely.Point) -> str:
    """Return the side of the line from point 1 to point 2 on which a place lies."""
    if len(starts) < _PAIR:
        return ""
    first, second = np.array(starts[0]), np.array(starts[1])
    base, away = second - first, np.array([place.x, place.y]) - first
    return "left" if base[0] * away[1] - base[1] * away[0] > 0 else "right"


def hardware_words(kind: object) -> str:
    """Return a kind of hardware as people write it.

    >>> hardware_words("add_on")
    'add-on module beside the 24 V AC timer'
    """
    return _HARDWARE.get(str(kind), str(kind).replace("_", " "))
