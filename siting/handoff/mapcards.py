"""Cards and panels of the map page: words, money, steps."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final, Literal

from siting.decide.money import payback_words, span
from siting.handoff.facts import (
    DECODER_WORDS,
    LINK_WORDS,
    assumptions_in_words,
    budget_lines,
    chance_cell,
    compass,
    hardware_words,
    hazard_name,
    plan_standing,
    rank_words,
    spares,
)
from siting.handoff.tables import (
    MONTHS,
    NO_SENSOR,
    Move,
    Valve,
    choices,
    controls,
    moves,
    options,
    programs,
    season_months,
    valves,
)
from siting.handoff.text import depth, tape
from siting.planning.model import Plan, Wording
from siting.season.controls import CONTROLS
from siting.units import Quantity, UnitsName, show

if TYPE_CHECKING:
    import pandas as pd


Rest = Literal["more", "less"]
#: The same text in metric and in US units; one string when they do not differ.
Pair = str | list[str]
Row = tuple[str, Pair]
_SYSTEMS: Final[tuple[UnitsName, ...]] = ("metric", "us")
_TIGHT = "\N{NO-BREAK SPACE}"


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
        ("Control", CONTROLS[str(sensor["control"])].does),
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


_UNKNOWN = "–"


def option_table(plan: Plan) -> dict[str, Any]:
    """Return every number of sensors and plain rule with its regret."""
    head = ["Choice", f"{plan.economics['currency']} a year", "Regret, mean", "Regret, worst"]
    rows: list[list[Pair]] = [
        [
            f"{one.name} (chosen)" if one.chosen else one.name,
            number(one.cost_per_year, 0) if math.isfinite(one.cost_per_year) else "too dry",
            number(one.regret_mean, 0),
            number(one.regret_max, 0),
        ]
        for one in options(plan)
    ]
    return {"head": head, "rows": rows}


def control_table(plan: Plan) -> dict[str, Any]:
    """Return the kinds of control beside the plan."""
    head = ["Kind of control", "Sensors", "Water", f"{plan.economics['currency']} a year",
            "Dry days"]  # fmt: skip
    rows: list[list[Pair]] = [
        [
            f"{one.kind} (the plan's)" if one.chosen else one.kind,
            str(one.sensors),
            both(one.water_m3, "volume") if math.isfinite(one.water_m3) else _UNKNOWN,
            number(one.cost_per_year, 0),
            number(one.stress_days, 0) if math.isfinite(one.water_m3) else "not possible",
        ]
        for one in controls(plan)
    ]
    return {"head": head, "rows": rows}


def move_chart(plan: Plan) -> dict[str, Any]:
    """Return what moves the result: bars for the chart, and the same as a table.

    Result: `measure` in words, `base`, `bars` (name, settings and values; None where the sensors
    cannot keep the limit), `table` (head and rows).
    """
    found = moves(plan)
    first = plan.sensitivity.iloc[0] if found else {"measure": "", "unit": ""}
    unit = str(first["unit"])
    water = unit == "m3"
    return {
        "measure": str(first["measure"]) if water else f"{first['measure']}, {unit}",
        "base": _told(found[0].base, water=water) if found else _UNKNOWN,
        "bars": [
            {
                "name": one.name,
                "base": one.base,
                "ends": [
                    {"setting": setting, "value": value if math.isfinite(value) else None,
                     "told": _told(value, water=water)}
                    for setting, value in ((one.low, one.value_low), (one.high, one.value_high))
                ],
            }
            for one in found
        ],
        "table": _move_table(found, water=water),
    }  # fmt: skip


def _move_table(found: list[Move], *, water: bool) -> dict[str, Any]:
    """Return the bars as a table, with the payback beside them where it is claimed."""
    back = any(math.isfinite(end) for one in found for end in (one.payback_low, one.payback_high))
    rows: list[list[Pair]] = []
    for one in found:
        for setting, value, years in (
            (one.low, one.value_low, one.payback_low),
            (one.high, one.value_high, one.payback_high),
        ):
            told = _told(value, water=water) if math.isfinite(value) else "limit not kept"
            rows.append([one.name, setting, told, *([number(years, 1)] if back else [])])
    head = ["What", "Set to", "Result", *(["Payback, years"] if back else [])]
    return {"head": head, "rows": rows}


def _told(value: float, *, water: bool) -> Pair:
    """Return a value of the measure as text."""
    if not math.isfinite(value):
        return _UNKNOWN
    return both(value, "volume") if water else number(value, 0)


def assumption_pairs(plan: Plan) -> list[Pair]:
    """Return what the figures rest on, in both unit systems."""
    both_units: tuple[UnitsName, UnitsName] = ("metric", "us")
    metric, us = (
        [*budget_lines(plan, units), *assumptions_in_words(plan, units)] for units in both_units
    )
    return [a if a == b else [a, b] for a, b in zip(metric, us, strict=True)]


def sensor_steps(sensor: pd.Series[Any]) -> list[Pair]:
    """Return the steps from the hole to the threshold.

    Result: the steps in order.

    Reading the sensor a day after a thorough soaking, and starting from that reading, is common
    practice. ``threshold_note`` says the same in one sentence and is left out here.
    """
    vwc = number(100 * float(sensor["threshold_vwc"]), 1)
    low = number(100 * float(sensor["threshold_low_fraction"]), 0)
    steps: list[Pair] = [
        fill(
            "Bury the sensor {} deep, with firm contact to undisturbed soil all along it.",
            burial(sensor["depth_m"]),
        ),
        "Soak the ground around it thoroughly, then keep this valve off and wait "
        f"{number(sensor['soak_wait_h'], 0)} h.",
        "Take the reading and write it down: it is the full mark of this soil.",
    ]
    if withheld := str(sensor.get("threshold_withheld") or ""):
        return [*steps, withheld]
    steps.append(
        fill(
            "Threshold: {} points of water by volume below the full mark, about "
            f"{vwc} % water by volume if the soil is as assumed ({low} % of the water that plants "
            "can use is gone: {}).",
            number(100 * float(sensor["threshold_step_vwc"]), 1),
            both(sensor["threshold_low_mm"], "depth"),
        )
    )
    return [*steps, CONTROLS[str(sensor["control"])].seen]


def tie_rows(ties: pd.DataFrame) -> list[list[Pair]]:
    """Return a sensor's ties: number, from where, distance, expected error.

    Result: one list of cells per tie.
    """
    return [
        [
            str(row["tie"]),
            words(row["from_kind"]),
            taped(row["distance_m"]),
            both(1000 * row["drms_m"], "depth"),
        ]
        for _, row in ties.iterrows()
    ]


def reserve_rows(plan: Plan, sensor_id: str) -> list[list[Pair]]:
    """Return a sensor's reserve points: name, distance, direction, tapes from points 1 and 2, rank.

    Result: one list of cells per reserve point.
    """
    at = plan.sensors.geometry.loc[sensor_id]
    rows: list[list[Pair]] = []
    for spare in spares(plan, sensor_id):
        tapes: dict[int, Pair] = {
            tie: fill("{}{}", taped(metres), "" if clear else " (wall between)")
            for tie, metres, clear in spare.tapes
        }
        towards = compass(spare.x - at.x, spare.y - at.y)
        rows.append(
            [
                f"R{spare.reserve}",
                taped(spare.distance_m),
                f"{towards} ({number(spare.bearing_deg, 0)}°)",
                tapes.get(1, "–"),
                tapes.get(2, "–"),
                chance_cell(spare.p_driest_quarter),
            ]
        )
    return rows


def tie_table(plan: Plan) -> dict[str, Any]:
    """Return the table of all ties, sensor by sensor."""
    rows: list[list[Pair]] = [
        [str(sensor_id), *cells]
        for sensor_id in plan.sensors.index
        for cells in tie_rows(plan.ties[plan.ties["sensor_id"] == sensor_id])
    ]
    return {"head": ["Sensor", "Tie", "From", "Distance", "Error ±"], "rows": rows}
