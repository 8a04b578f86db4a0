"""The words and figures of the map page, each in both unit systems, ready to be shown as text."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final, Literal

from siting._claims import payback_words, span
from siting.handoff._assumptions import plan_standing
from siting.handoff._hazards import DECODER_WORDS, LINK_WORDS, hazard_name
from siting.handoff._money_rows import choices
from siting.handoff._sensor_facts import hardware_words, rank_words
from siting.handoff._sheet_text import depth, tape
from siting.handoff._timer_rows import MONTHS, NO_SENSOR, Valve, programs, season_months, valves
from siting.planning import Plan, Wording
from siting.units import Quantity, UnitsName, show

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Pair",
    "Row",
    "both",
    "burial",
    "choice_table",
    "fill",
    "month_table",
    "number",
    "savings",
    "sensor_rows",
    "sentence",
    "shorten",
    "taped",
    "words",
    "words_raw",
    "zone_rows",
    "zone_table",
]

Rest = Literal["more", "less"]
#: The same text in metric and in US units; one string when they do not differ.
Pair = str | list[str]
Row = tuple[str, Pair]

_UNKNOWN = "–"
_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")
_TIGHT = "\N{NO-BREAK SPACE}"
_CONTROL = {
    "bypass": "bypass: a timed event is skipped while the soil is wetter than the threshold",
    "on_demand": "on demand: starts at the low threshold and stops at the high one",
}


def both(value: float, quantity: Quantity, *, us: int | None = None, si: int | None = None) -> Pair:
    """Return a value as text in metric and in US units."""
    metric = show(float(value), quantity, "metric", decimals=si)
    imperial = show(float(value), quantity, "us", decimals=us)
    return [text.replace(" ", _TIGHT) for text in (metric, imperial)]


def fill(template: str, *values: Pair) -> Pair:
    """Fill the `{}` of a text with values in both unit systems.

    >>> fill("{} deep", ["75 mm", "3.0 in"])
    ['75 mm deep', '3.0 in deep']
    """
    return [
        template.format(*(value if isinstance(value, str) else value[k] for value in values))
        for k in (0, 1)
    ]


def number(value: object, decimals: int) -> str:
    """Return a plain number as text, an en dash when it is unknown.

    >>> number(1234.5, 0), number(float("nan"), 1), number(-0.2, 0)
    ('1,234', '–', '0')
    """
    figure = math.nan if value is None else float(value)  # type: ignore[arg-type]
    if not math.isfinite(figure):
        return _UNKNOWN
    return f"{round(figure, decimals) + 0.0:,.{decimals}f}".replace("-", "−")


def shorten(text: str, most: int = 40) -> str:
    """Return a text of no more than so many characters.

    >>> shorten("Long meadow", 6)
    'Long …'
    """
    return text if len(text) <= most else f"{text[: most - 1]}…"


def words(value: object) -> str:
    """Return a word of the vocabulary as people read it.

    >>> words("warm_season_turf")
    'warm season turf'
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return _UNKNOWN
    return str(value).replace("_", " ")


def burial(metres: float) -> Pair:
    """Return a depth of burial [m] in metric and in US units.

    metres: the depth [m]. Result: metric, US, as the crew sheet says it.
    """
    return [depth(float(metres), units).replace(" ", _TIGHT) for units in _SYSTEMS]


def taped(metres: float) -> Pair:
    """Return a distance to tape [m] in metric and in US units, as the crew sheet says it.

    metres: the distance [m].
    """
    return [tape(float(metres), units).replace(" ", _TIGHT) for units in _SYSTEMS]


def _valve(row: pd.Series[Any]) -> str:
    valve, controller = words_raw(row["valve"]), words_raw(row["controller"])
    return valve if controller == _UNKNOWN else f"{valve} on controller {controller}"


def words_raw(value: object) -> str:
    """Return a user's own text unchanged, an en dash when there is none.

    Result: a value that is no text as `words` gives it.
    """
    return words(value) if not isinstance(value, str) else value or _UNKNOWN


def sentence(plan: Plan, pick: Callable[[Wording], str]) -> Pair:
    """Return a sentence of a plan in both systems of units; one text when they agree."""
    metric, us = (pick(plan.wording(units)) for units in _SYSTEMS)
    return metric if metric == us else [metric, us]


def sensor_rows(plan: Plan, sensor_id: str) -> list[Row]:
    """Return what a crew reads about a sensor."""
    sensor = plan.sensors.loc[sensor_id]
    valves = plan.zones["valve"]
    governs = ", ".join(f"{z} (valve {words_raw(valves[z])})" for z in sensor["governs"])
    tight = (
        f"tightest: {hazard_name(sensor['binding_setback'])}, {number(sensor['setback_ratio'], 2)}"
    )
    met = float(sensor["setback_ratio"]) >= 1
    clear = (
        f"all kept; {tight} × what is asked" if met else f"not all kept; {tight} × what is asked"
    )
    gave_way = fill("{}. {}", clear, sentence(plan, lambda said: said.setback_notes[sensor_id]))
    rows: list[Row] = [
        ("Buried in zone", words_raw(sensor["zone"])),
        ("Valve", _valve(sensor)),
        ("Governs zones", governs),
        ("Depth", fill("{}; {}", burial(sensor["depth_m"]), str(sensor["depth_note"]))),
        ("Control", _CONTROL.get(str(sensor["control"]), words(sensor["control"]))),
        ("Hardware", hardware_words(sensor["hardware"])),
        ("Why here", _why(plan, sensor_id)),
        ("Dryness", _dryness(sensor)),
        ("Setbacks", fill("{}", clear) if not sensor["setback_note"] else gave_way),
        (
            "Wire",
            fill("{}", LINK_WORDS)
            if sensor["link"] == "wireless"
            else fill(
                "{} to {}{}; its share of the trench {}",
                both(sensor["wire_m"], "length", si=1, us=0),
                DECODER_WORDS if sensor["link"] else "the controller",
                _gauge(sensor),
                both(sensor["trench_m"], "length", si=1, us=0),
            ),
        ),
    ]
    return rows


def _why(plan: Plan, sensor_id: str) -> Pair:
    """Return why in this zone and why at this place."""
    why: Pair = sentence(plan, lambda said: said.reasons[sensor_id])
    if not plan.sensors.loc[sensor_id, "zone_note"]:
        return why
    return fill("{} {}", why, sentence(plan, lambda said: said.zone_notes[sensor_id]))


def _dryness(sensor: pd.Series[Any]) -> str:
    """Return the rank with its error, and what the error rests on."""
    words_ = rank_words({str(key): value for key, value in sensor.items()})
    note = str(sensor["application_note"])
    return f"{words_}. {note[0].upper()}{note[1:]}" if note else words_


def _gauge(sensor: pd.Series[Any]) -> str:
    """Return the thinnest wire and the voltage lost, or nothing where they are not known."""
    if not sensor["gauge_awg"]:
        return ""
    drop = number(sensor["drop_v"], 2)
    return f", {int(sensor['gauge_awg'])} AWG or thicker ({drop} V lost)"


def _run_time(row: pd.Series[Any], valve: Valve | None) -> str:
    text = f"{number(valve.minutes if valve else row['run_minutes'], 0)} min per event"
    today = float(row["today_minutes"])
    return f"{text} (today {number(today, 0)})" if math.isfinite(today) else text


def _cycles(valve: Valve | None) -> str:
    if valve is None or valve.cycles <= 1:
        return "in one go"
    each, soak = number(valve.cycle_minutes, 1), number(valve.soak_minutes, 0)
    return f"{valve.cycles} of {each} min each, {soak} min to soak in between"


def _cycles_in_short(valve: Valve | None) -> str:
    if valve is None or valve.cycles <= 1:
        return "1"
    each, soak = number(valve.cycle_minutes, 1), number(valve.soak_minutes, 0)
    return f"{valve.cycles}{_TIGHT}×{_TIGHT}{each}, rest{_TIGHT}{soak}"


def _by_month(valve: Valve) -> str:
    told = ", ".join(f"{MONTHS[m]}{_TIGHT}{number(v, 0)}" for m, v in valve.by_month.items())
    return f"{told} min"


def _events(row: pd.Series[Any]) -> str:
    today = float(row["today_events"])
    text = f"about {number(row['events'], 0)} a season"
    return f"{text} (today {number(today, 0)})" if math.isfinite(today) else text


def zone_rows(zone: pd.Series[Any], valve: Valve | None = None) -> list[Row]:
    """Return what a practitioner reads about a zone."""
    water: Pair = fill("{} a season", both(zone["water_m3"], "volume"))
    if math.isfinite(float(zone["today_m3"])):
        water = fill("{} (today {})", water, both(zone["today_m3"], "volume"))
    rows: list[Row] = [
        ("Valve", _valve(zone)),
        ("Governed by", f"sensor {zone['sensor_id']}" if zone["sensor_id"] else NO_SENSOR),
        ("Water need", f"{number(zone['need_score'], 1)} % of its ready water per peak day"),
        ("Why", words_raw(zone["need_words"])),
        ("Plants", words(zone["plants"])),
        ("Sun", f"{number(zone['sun_hours'], 1)} h a day over the season"),
        ("Run time", _run_time(zone, valve)),
        ("Cycles", _cycles(valve)),
        *([("By month", _by_month(valve))] if valve else []),
        ("Events", _events(zone)),
        ("Water", water),
        (
            "Dry days",
            f"{number(zone['stress_days'], 1)} in the worst season out of ten, mean of its ground",
        ),
        ("Soil", words(zone["soil"])),
        ("Irrigation", words(zone["irrigation"])),
        ("Applies", both(zone["precipitation_rate"], "rate")),
        ("Evenness", f"{number(zone['distribution_uniformity'], 2)} (lowest quarter over mean)"),
        ("Peak use", both(zone["etc_peak_mm_d"], "depth_per_day")),
        (
            "Stored water",
            fill(
                "{}, of which {} ready",
                both(zone["taw_mm"], "depth"),
                both(zone["raw_mm"], "depth"),
            ),
        ),
        ("Area", both(zone["area_m2"], "area")),
    ]
    assumed = str(zone["defaults"])
    return [*rows, ("Assumed", words(assumed))] if assumed else rows


def zone_table(plan: Plan) -> dict[str, Any]:
    """Return the table of zones: heads, and a row of cells per zone.

    Result: `head` and `rows`; the first cell of a row is the zone's name.
    """
    set_to = valves(plan)
    head = ["Zone", "Valve", "Sensor", "Need, % a day", "Now", "Plan", "Cycles"]
    rows: list[list[Pair]] = [
        [
            words_raw(name),
            words_raw(zone["valve"]),
            str(zone["sensor_id"]) or NO_SENSOR,
            number(zone["need_score"], 1),
            number(zone["today_minutes"], 0),
            number(set_to[str(name)].minutes if str(name) in set_to else zone["run_minutes"], 0),
            _cycles_in_short(set_to.get(str(name))),
        ]
        for name, zone in plan.zones.iterrows()
    ]
    return {"head": head, "rows": rows}


def month_table(plan: Plan) -> dict[str, Any]:
    """Return minutes per valve and month, each program led by its seasonal adjustment.

    Result: `head`, `rows` and `note`; no rows where the plan has no timer table.
    """
    months, listed = season_months(plan), programs(plan)
    rows: list[list[Pair]] = []
    for program in listed:
        percent = (f"{program.percent[m]:.0f}%" for m in months)
        rows.append([f"{program.tag}: {program.days}", "", *percent])
        rows += [
            [words_raw(v.zone), v.valve or _UNKNOWN, *(number(v.by_month[m], 0) for m in months)]
            for v in program.valves
        ]
    note = (
        "A program starts on its days; wetter than its threshold, the sensor skips it whole. Leave "
        "the seasonal adjustment at 100 %: the sensor does that."
        if listed
        else ""
    )
    head = ["Program, zone", "Valve", *(MONTHS[m] for m in months)]
    return {"head": head, "rows": rows, "note": note}


def choice_table(plan: Plan) -> dict[str, Any]:
    """Return the table of choices: what each number of sensors costs and brings."""
    currency = str(plan.economics["currency"])
    head = ["Sensors", "Water", f"{currency} a year", "Dry days", "Next one is worth"]
    rows: list[list[Pair]] = []
    for n, row in choices(plan):
        if row is None:
            rows.append([n, "no better", *[""] * (len(head) - 2)])
            continue
        mark = " (chosen)" if row["chosen"] else "" if row["feasible"] else " (too dry)"
        rows.append(
            [
                f"{n}{mark}",
                both(row["water_m3"], "volume"),
                number(row["cost_per_year"], 0),
                number(row["stress_days"], 1),
                number(row["value_of_next"], 0),
            ]
        )
    return {"head": head, "rows": rows}


def _range(values: Iterable[float], quantity: Quantity, *, rest: Rest | None = None) -> Pair:
    """Return mean and range of an amount; with `rest`, of one that may be more or less."""
    known = [float(v) for v in values if math.isfinite(float(v))]
    if not known:
        return _UNKNOWN
    mean = fill("{}", both(sum(known) / len(known), quantity))
    ends = [
        span(
            (min(known), max(known)),
            lambda v, units=units: show(v, quantity, units).replace(" ", _TIGHT),  # type: ignore[misc]
            rest=rest or "more",
        )
        for units in _SYSTEMS
    ]
    return fill("{} ({})", mean, ends)


def _money(economics: Mapping[str, Any], key: str, unit: str, *, more: bool = False) -> str:
    """Return money or years with their range over the weather years; a loss as what it costs."""
    sign, decimals = (-1.0 if more else 1.0), 1 if unit == "years" else 0
    low, high = economics[f"{key}_low"], economics[f"{key}_high"]
    text = f"{number(sign * economics[key], decimals)} {unit}"
    if low is None or high is None:
        return text
    rest: Rest = "more" if more else "less"
    ends = sorted((sign * low, sign * high))
    return f"{text} ({span(ends, lambda v: number(v, decimals), rest=rest)})"


def savings(plan: Plan) -> dict[str, Any]:
    """Return what the plan saves, with ranges, or plainly that no saving is claimed.

    Result: `claim` (in both units) and `rows`.
    """
    season, known, state = plan.season, plan.economics, plan_standing(plan)
    currency = str(known["currency"])
    rows: list[Row] = [("Water with the plan, a season", _range(season["plan_m3"], "volume"))]
    if state.water == "unknown":
        rows.append(("Water saved", payback_words(state)))
    else:
        rows.append(("Water with today's timer", _range(season["baseline_m3"], "volume")))
        rows += _saved(season, more=state.water == "more")
    rows.append(("Sensors, trench and wire", f"{number(known['capital'], 0)} {currency}"))
    if state.money_missing:
        rows.append(("Money saved", state.money_missing))
    else:
        more = known["saved_per_year"] < 0
        label = "Water costs more" if more else "Money saved"
        rows.append((label, _money(known, "saved_per_year", f"{currency} a year", more=more)))
    rows.append(("Pays back in", payback_words(state) or _money(known, "payback_years", "years")))
    rate = 100 * plan.settings.costs.discount_rate
    if known["payback_discounted_years"] is not None and rate > 0:
        told = _money(known, "payback_discounted_years", "years")
        rows.append((f"At {rate:g} % interest", told))
    return {"claim": sentence(plan, lambda said: said.claim), "rows": rows}


def _saved(season: pd.DataFrame, *, more: bool) -> list[Row]:
    """Return the water saved and its share, or how much more the plan uses."""
    sign = -1.0 if more else 1.0
    rest: Rest = "more" if more else "less"
    saved = _range((sign * season["saved_m3"]).dropna(), "volume", rest=rest)
    rows: list[Row] = [("More water" if more else "Water saved", saved)]
    share = [sign * 100 * float(f) for f in season["saved_fraction"] if math.isfinite(f)]
    if share:
        ends = span((min(share), max(share)), lambda v: number(v, 0), rest=rest)
        label = "Share more" if more else "Share saved"
        rows.append((label, f"{number(sum(share) / len(share), 0)} % ({ends})"))
    return rows
