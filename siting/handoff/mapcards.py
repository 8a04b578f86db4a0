"""Cards and panels of the map page: words, money, steps."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal

from siting.decide.money import payback_words, span
from siting.handoff.facts import (
    DECODER_WORDS,
    LINK_WORDS,
    assumptions_in_words,
    budget_lines,
    chance_cell,
    compass,
    depth,
    fixed_words,
    hardware_words,
    hazard_name,
    percent,
    plan_standing,
    rank_words,
    spares,
    tape,
)
from siting.handoff.tables import (
    MONTHS,
    NO_SENSOR,
    Valve,
    choices,
    controls,
    days_words,
    moves,
    options,
    programs,
    season_months,
    valves,
)
from siting.language import (
    Figure,
    assumed_words,
    capital,
    say,
    say_as,
    side_by_side,
    unbroken,
    vocabulary,
)
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
    return [unbroken(metric), unbroken(imperial)]


def fill(message: str, /, **values: Pair) -> Pair:
    """Say something with values in both unit systems; see `siting.language.say`.

    >>> fill("{depth} deep", depth=["75 mm", "3.0 in"])
    ['75 mm deep', '3.0 in deep']
    """
    return [say(message, **{name: _in(value, k) for name, value in values.items()}) for k in (0, 1)]


def _in(value: Pair, system: int) -> str:
    return value if isinstance(value, str) else value[system]


def number(value: object, decimals: int) -> str:
    """Return a plain number as text, an en dash when it is unknown.

    >>> number(1234.5, 0), number(float("nan"), 1), number(-0.2, 0)
    ('1,234', '–', '0')
    """
    figure = math.nan if value is None else float(value)  # type: ignore[arg-type]
    if not math.isfinite(figure):
        return _UNKNOWN
    return Figure(f"{round(figure, decimals) + 0.0:,.{decimals}f}".replace("-", "−"))


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
    return vocabulary(value)


def burial(metres: float) -> Pair:
    """Return a depth of burial [m] in metric and in US units.

    metres: the depth [m]. Result: metric, US, as the crew sheet says it.
    """
    return [unbroken(depth(float(metres), units)) for units in _SYSTEMS]


def taped(metres: float) -> Pair:
    """Return a distance to tape [m] in metric and in US units, as the crew sheet says it.

    metres: the distance [m].
    """
    return [unbroken(tape(float(metres), units)) for units in _SYSTEMS]


def _valve(row: pd.Series[Any]) -> str:
    valve, controller = words_raw(row["valve"]), words_raw(row["controller"])
    if controller == _UNKNOWN:
        return valve
    return say("{valve} on controller {controller}", valve=valve, controller=controller)


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
    governs = side_by_side(
        [
            say("{zone} (valve {valve})", zone=zone, valve=words_raw(valves[zone]))
            for zone in sensor["governs"]
        ],
        ", ",
    )
    told = {
        "hazard": hazard_name(sensor["binding_setback"]),
        "ratio": number(sensor["setback_ratio"], 2),
    }
    clear = (
        say("all kept; tightest: {hazard}, {ratio} × what is asked", **told)
        if float(sensor["setback_ratio"]) >= 1
        else say("not all kept; tightest: {hazard}, {ratio} × what is asked", **told)
    )
    gave_way = beside([clear, sentence(plan, lambda said: said.setback_notes[sensor_id])], ". ")
    note = str(sensor["depth_note"])
    rows: list[Row] = [
        (say("Buried in zone"), words_raw(sensor["zone"])),
        (say("Valve"), _valve(sensor)),
        (say("Governs zones"), governs),
        (say("Depth"), beside([burial(sensor["depth_m"]), note], "; ")),
        (say("Control"), CONTROLS[str(sensor["control"])].does),
        (say("Hardware"), hardware_words(sensor["hardware"])),
        (say("Why here"), _why(plan, sensor_id)),
        (say("Dryness"), _dryness(sensor)),
        (say("Setbacks"), beside([clear]) if not sensor["setback_note"] else gave_way),
        (say("Wire"), beside([LINK_WORDS]) if sensor["link"] == "wireless" else _wire(sensor)),
    ]
    return rows


def beside(parts: Sequence[Pair], between: str = " ") -> Pair:
    """Put things side by side in both unit systems; see `siting.language.side_by_side`."""
    return [side_by_side([_in(part, k) for part in parts], between) for k in (0, 1)]


def _wire(sensor: pd.Series[Any]) -> Pair:
    """Return wire and trench of a sensor."""
    told = fill(
        "{length} to {end}",
        length=both(sensor["wire_m"], "length", si=1, us=0),
        end=DECODER_WORDS if sensor["link"] else say("the controller"),
    )
    share = fill(
        "its share of the trench {length}", length=both(sensor["trench_m"], "length", si=1, us=0)
    )
    return beside([beside([told, gauge], ", ") if (gauge := _gauge(sensor)) else told, share], "; ")


def _why(plan: Plan, sensor_id: str) -> Pair:
    """Return why in this zone and why at this place."""
    why: Pair = sentence(plan, lambda said: said.reasons[sensor_id])
    if not plan.sensors.loc[sensor_id, "zone_note"]:
        return why
    return beside([why, sentence(plan, lambda said: said.zone_notes[sensor_id])])


def _dryness(sensor: pd.Series[Any]) -> str:
    """Return the rank with its error, and what the error rests on."""
    words_ = rank_words({str(key): value for key, value in sensor.items()})
    note = str(sensor["application_note"])
    return side_by_side([words_, capital(sensor["application_note"])], ". ") if note else words_


def _gauge(sensor: pd.Series[Any]) -> str:
    """Return the thinnest wire and the voltage lost, or nothing where they are not known."""
    if not sensor["gauge_awg"]:
        return ""
    return say(
        "{gauge} AWG or thicker ({drop} V lost)",
        gauge=int(sensor["gauge_awg"]),
        drop=number(sensor["drop_v"], 2),
    )


def _run_time(row: pd.Series[Any], valve: Valve | None) -> str:
    minutes = number(valve.minutes if valve else row["run_minutes"], 0)
    today = float(row["today_minutes"])
    if not math.isfinite(today):
        return say("{minutes} min per event", minutes=minutes)
    return say("{minutes} min per event (today {today})", minutes=minutes, today=number(today, 0))


def _cycles(valve: Valve | None) -> str:
    if valve is None or valve.cycles <= 1:
        return say("in one go")
    return say(
        "{cycles} of {each} min each, {soak} min to soak in between",
        cycles=valve.cycles,
        each=number(valve.cycle_minutes, 1),
        soak=number(valve.soak_minutes, 0),
    )


def _cycles_in_short(valve: Valve | None) -> str:
    if valve is None or valve.cycles <= 1:
        return "1"
    each, soak = number(valve.cycle_minutes, 1), number(valve.soak_minutes, 0)
    times = f"{valve.cycles}{_TIGHT}×{_TIGHT}"
    return say("{times}{each}, rest\N{NO-BREAK SPACE}{soak}", times=times, each=each, soak=soak)


def _by_month(valve: Valve) -> str:
    told = [
        unbroken(say("{month} {minutes}", month=MONTHS[m], minutes=number(v, 0)))
        for m, v in valve.by_month.items()
    ]
    return say("{minutes} min", minutes=side_by_side(told, ", "))


def _events(row: pd.Series[Any]) -> str:
    today = float(row["today_events"])
    events = number(row["events"], 0)
    if not math.isfinite(today):
        return say("about {events} a season", events=events)
    return say("about {events} a season (today {today})", events=events, today=number(today, 0))


def zone_rows(zone: pd.Series[Any], valve: Valve | None = None) -> list[Row]:
    """Return what a practitioner reads about a zone."""
    water = both(zone["water_m3"], "volume")
    today = both(zone["today_m3"], "volume")
    governed = say("sensor {sensor}", sensor=zone["sensor_id"])
    rows: list[Row] = [
        (say("Valve"), _valve(zone)),
        (say("Governed by"), governed if zone["sensor_id"] else NO_SENSOR),
        (
            say("Water need"),
            say("{share} % of its ready water per peak day", share=number(zone["need_score"], 1)),
        ),
        (say("Why"), words_raw(zone["need_words"])),
        (say("Plants"), words(zone["plants"])),
        (
            say_as("Sun", "Sun (light)"),
            say("{hours} h a day over the season", hours=number(zone["sun_hours"], 1)),
        ),
        (say("Run time"), _run_time(zone, valve)),
        (say("Cycles"), _cycles(valve)),
        *([(say("By month"), _by_month(valve))] if valve else []),
        (say("Events"), _events(zone)),
        (
            say("Water"),
            fill("{water} a season (today {today})", water=water, today=today)
            if math.isfinite(float(zone["today_m3"]))
            else fill("{water} a season", water=water),
        ),
        (
            say("Dry days"),
            say(
                "{days} in the worst season out of ten, mean of its ground",
                days=number(zone["stress_days"], 1),
            ),
        ),
        *_ground_rows(zone),
    ]
    assumed = str(zone["defaults"])
    return [*rows, (say("Assumed"), assumed_words(assumed))] if assumed else rows


def _ground_rows(zone: pd.Series[Any]) -> list[Row]:
    """Return what is known of a zone's ground and of what waters it."""
    return [
        (say("Soil"), words(zone["soil"])),
        (say("Irrigation"), words(zone["irrigation"])),
        (say("Applies"), both(zone["precipitation_rate"], "rate")),
        (
            say("Evenness"),
            say(
                "{evenness} (lowest quarter over mean)",
                evenness=number(zone["distribution_uniformity"], 2),
            ),
        ),
        (say("Peak use"), both(zone["etc_peak_mm_d"], "depth_per_day")),
        (
            say("Stored water"),
            fill(
                "{all}, of which {ready} ready",
                all=both(zone["taw_mm"], "depth"),
                ready=both(zone["raw_mm"], "depth"),
            ),
        ),
        (say("Area"), both(zone["area_m2"], "area")),
    ]


def zone_table(plan: Plan) -> dict[str, Any]:
    """Return the table of zones: heads, and a row of cells per zone.

    Result: `head` and `rows`; the first cell of a row is the zone's name; `need`: which column is
    the need.
    """
    set_to = valves(plan)
    head = [say("Zone"), say("Valve"), say("Sensor"), say("Need, % a day"),
            say_as("Now", "Now (minutes)"), say("Plan"), say("Cycles")]  # fmt: skip
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
    return {"head": head, "rows": rows, "need": 3}


def month_table(plan: Plan) -> dict[str, Any]:
    """Return minutes per valve and month, each program led by its seasonal adjustment.

    Result: `head`, `rows` and `note`; no rows where the plan has no timer table.
    """
    months, listed = season_months(plan), programs(plan)
    rows: list[list[Pair]] = []
    for tag, mine in listed:
        shares = (percent(mine[0].percent[m] / 100) for m in months)
        lead = say("{program}: {days}", program=tag, days=days_words(mine[0].days))
        rows.append([lead, "", *shares])
        rows += [
            [words_raw(v.zone), v.valve or _UNKNOWN, *(number(v.by_month[m], 0) for m in months)]
            for v in mine
        ]
    note = (
        say(
            "A program starts on its days; wetter than its threshold, the sensor skips it whole. "
            "Leave the seasonal adjustment at 100 %: the sensor does that."
        )
        if listed
        else ""
    )
    head = [say("Program, zone"), say("Valve"), *(MONTHS[m] for m in months)]
    return {"head": head, "rows": rows, "note": note}


def choice_table(plan: Plan) -> dict[str, Any]:
    """Return the table of choices: what each number of sensors costs and brings."""
    currency = str(plan.economics["currency"])
    head = [say("Sensors"), say("Water"), say("{currency} a year", currency=currency),
            say("Dry days"), say("Next one is worth")]  # fmt: skip
    rows: list[list[Pair]] = []
    for n, row in choices(plan):
        if row is None:
            told = say("{first} to {last}", **ends) if (ends := _ends(n)) else n
            rows.append([told, say("no better"), *[""] * (len(head) - 2)])
            continue
        rows.append(
            [
                _marked(n, chosen=row["chosen"], feasible=row["feasible"]),
                both(row["water_m3"], "volume"),
                number(row["cost_per_year"], 0),
                number(row["stress_days"], 1),
                number(row["value_of_next"], 0),
            ]
        )
    return {"head": head, "rows": rows}


def _ends(numbers: str) -> dict[str, str]:
    """Return first and last of a range such as "2 to 6"; empty for a single number."""
    first, between, last = numbers.partition(" to ")
    return {"first": first, "last": last} if between else {}


def _marked(name: str, *, chosen: bool, feasible: bool = True) -> str:
    """Return a choice with the mark that it is the plan's, or leaves a zone too dry."""
    if chosen:
        return say("{choice} (chosen)", choice=name)
    return name if feasible else say("{choice} (too dry)", choice=name)


def _range(values: Iterable[float], quantity: Quantity, *, rest: Rest | None = None) -> Pair:
    """Return mean and range of an amount; with `rest`, of one that may be more or less."""
    known = [float(v) for v in values if math.isfinite(float(v))]
    if not known:
        return _UNKNOWN
    mean = both(sum(known) / len(known), quantity)
    ends: Pair = [
        span(
            (min(known), max(known)),
            lambda v, units=units: unbroken(show(v, quantity, units)),  # type: ignore[misc]
            rest=rest or "more",
        )
        for units in _SYSTEMS
    ]
    return fill("{mean} ({range})", mean=mean, range=ends)


def _money(economics: Mapping[str, Any], key: str, unit: str, *, more: bool = False) -> str:
    """Return money or years with their range over the weather years; a loss as what it costs."""
    sign, decimals = (-1.0 if more else 1.0), 1 if unit == _YEARS else 0
    low, high = economics[f"{key}_low"], economics[f"{key}_high"]
    text = say("{amount} {unit}", amount=number(sign * economics[key], decimals), unit=unit)
    if low is None or high is None:
        return text
    rest: Rest = "more" if more else "less"
    ends = sorted((sign * low, sign * high))
    told = span(ends, lambda v: number(v, decimals), rest=rest)
    return say("{mean} ({range})", mean=text, range=told)


_YEARS: Final = say("years")


def savings(plan: Plan) -> dict[str, Any]:
    """Return what the plan saves, with ranges, or plainly that no saving is claimed.

    Result: `claim` (in both units) and `rows`.
    """
    season, known, state = plan.season, plan.economics, plan_standing(plan)
    currency = str(known["currency"])
    rows: list[Row] = [(say("Water with the plan, a season"), _range(season["plan_m3"], "volume"))]
    if state.water == "unknown":
        rows.append((say("Water saved"), payback_words(state)))
    else:
        rows.append((say("Water with today's timer"), _range(season["baseline_m3"], "volume")))
        rows += _saved(season, more=state.water == "more")
    capital_ = say("{amount} {unit}", amount=number(known["capital"], 0), unit=currency)
    rows.append((say("Sensors, trench and wire"), capital_))
    if state.money_missing:
        rows.append((say("Money saved"), state.money_missing))
    else:
        more = known["saved_per_year"] < 0
        label = say("Water costs more") if more else say("Money saved")
        yearly = say("{currency} a year", currency=currency)
        rows.append((label, _money(known, "saved_per_year", yearly, more=more)))
    back = payback_words(state) or _money(known, "payback_years", _YEARS)
    rows.append((say("Pays back in"), back))
    rate = 100 * plan.settings.costs.discount_rate
    if known["payback_discounted_years"] is not None and rate > 0:
        told = _money(known, "payback_discounted_years", _YEARS)
        rows.append((say("At {rate} % interest", rate=Figure(f"{rate:g}")), told))
    return {"claim": sentence(plan, lambda said: said.claim), "rows": rows}


def _saved(season: pd.DataFrame, *, more: bool) -> list[Row]:
    """Return the water saved and its share, or how much more the plan uses."""
    sign = -1.0 if more else 1.0
    rest: Rest = "more" if more else "less"
    saved = _range((sign * season["saved_m3"]).dropna(), "volume", rest=rest)
    rows: list[Row] = [(say("More water") if more else say("Water saved"), saved)]
    share = [sign * 100 * float(f) for f in season["saved_fraction"] if math.isfinite(f)]
    if share:
        ends = span((min(share), max(share)), lambda v: number(v, 0), rest=rest)
        label = say("Share more") if more else say("Share saved")
        mean = number(sum(share) / len(share), 0)
        rows.append((label, say("{share} % ({range})", share=mean, range=ends)))
    return rows


_UNKNOWN = "–"


def option_table(plan: Plan) -> dict[str, Any]:
    """Return every number of sensors and plain rule with its regret."""
    yearly = say("{currency} a year", currency=plan.economics["currency"])
    head = [say("Choice"), yearly, say("Regret, mean"), say("Regret, worst")]
    rows: list[list[Pair]] = [
        [
            _marked(vocabulary(one["name"]), chosen=one["chosen"]),
            number(one["cost_per_year"], 0)
            if math.isfinite(one["cost_per_year"])
            else say("too dry"),
            number(one["regret_mean"], 0),
            number(one["regret_max"], 0),
        ]
        for one in options(plan)
    ]
    return {"head": head, "rows": rows}


def control_table(plan: Plan) -> dict[str, Any]:
    """Return the kinds of control beside the plan."""
    yearly = say("{currency} a year", currency=plan.economics["currency"])
    head = [say("Kind of control"), say("Sensors"), say("Water"), yearly, say("Dry days")]
    rows: list[list[Pair]] = [
        [
            say("{control} (the plan's)", control=vocabulary(one["kind"]))
            if one["chosen"]
            else vocabulary(one["kind"]),
            str(one["sensors"]),
            both(one["water_m3"], "volume") if math.isfinite(one["water_m3"]) else _UNKNOWN,
            number(one["cost_per_year"], 0),
            number(one["stress_days"], 0)
            if math.isfinite(one["water_m3"])
            else say("not possible"),
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
    water, measure = unit == "m3", vocabulary(first["measure"])
    return {
        "measure": measure
        if water
        else say("{measure}, {unit}", measure=measure, unit=unit),
        "base": _told(found[0]["value_base"], water=water) if found else _UNKNOWN,
        "bars": [
            {
                "name": vocabulary(one["name"]),
                "base": one["value_base"],
                "ends": [
                    {"setting": Figure(setting), "value": value if math.isfinite(value) else None,
                     "told": _told(value, water=water)}
                    for end in ("low", "high")
                    for setting, value in ((one[end], one[f"value_{end}"]),)
                ],
            }
            for one in found
        ],
        "table": _move_table(found, water=water),
    }  # fmt: skip


def _move_table(found: list[dict[str, Any]], *, water: bool) -> dict[str, Any]:
    """Return the bars as a table, with the payback beside them where it is claimed."""
    back = any(
        math.isfinite(end) for one in found for end in (one["payback_low"], one["payback_high"])
    )
    rows: list[list[Pair]] = []
    for one in found:
        for end in ("low", "high"):
            setting, value, years = (one[f"{of}{end}"] for of in ("", "value_", "payback_"))
            told = _told(value, water=water) if math.isfinite(value) else say("limit not kept")
            rows.append(
                [
                    vocabulary(one["name"]),
                    Figure(setting),
                    told,
                    *([number(years, 1)] if back else []),
                ]
            )
    years_ = [say("Payback, years")] if back else []
    head = [say("What"), say("Set to"), say("Result"), *years_]
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
            "Bury the sensor {depth} deep, with firm contact to undisturbed soil all along it.",
            depth=burial(sensor["depth_m"]),
        ),
        say(
            "Soak the ground around it thoroughly, then keep this valve off and wait {hours} h.",
            hours=number(sensor["soak_wait_h"], 0),
        ),
        say("Take the reading and write it down: it is the full mark of this soil."),
    ]
    if sensor.get("threshold_withheld"):
        return [*steps, words_raw(sensor["threshold_withheld"])]
    steps.append(
        fill(
            "Threshold: {step} points of water by volume below the full mark, about {vwc} % water "
            "by volume if the soil is as assumed ({low} % of the water that plants can use is "
            "gone: {gone}).",
            step=number(100 * float(sensor["threshold_step_vwc"]), 1),
            vwc=vwc,
            low=low,
            gone=both(sensor["threshold_low_mm"], "depth"),
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
            fixed_words(row["from_kind"]),
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
            tie: taped(metres) if clear else fill("{length} (wall between)", length=taped(metres))
            for tie, metres, clear in spare["tapes"]
        }
        towards = compass(spare["x"] - at.x, spare["y"] - at.y)
        rows.append(
            [
                f"R{spare['reserve']}",
                taped(spare["distance_m"]),
                say("{point} ({degrees}°)", point=towards, degrees=number(spare["bearing_deg"], 0)),
                tapes.get(1, "–"),
                tapes.get(2, "–"),
                chance_cell(spare["p_driest_quarter"]),
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
    head = [say("Sensor"), say("Tie"), say("From"), say("Distance"), say("Error ±")]
    return {"head": head, "rows": rows}
