"""The office's pages, the owner's annex and the timer's page.

Zones, choices, money, seasons; materials and cautions are for the crew too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, Literal

import pandas as pd
from reportlab.platypus import CondPageBreak, PageBreak, Spacer

from siting.decide.money import Standing, payback_words, span
from siting.handoff.charts import (
    Chart,
    choices_chart,
    moves_chart,
    moves_height,
    season_chart,
)
from siting.handoff.drawing import Canvas, Drawing
from siting.handoff.facts import (
    assumptions_in_words,
    budget_lines,
    clean,
    elide,
    hardware_words,
    measuring_words,
    money,
    number,
    plan_limit,
    plan_standing,
    trench_word,
)
from siting.handoff.layout import Sheet
from siting.handoff.tables import (
    MONTHS,
    NO_SENSOR,
    choices,
    control_words,
    controls,
    cycle_words,
    days_words,
    moves,
    options,
    programs,
    season_months,
    valves,
)
from siting.language import say, side_by_side
from siting.planning.cautions import cautions_for
from siting.planning.model import Plan
from siting.units import FOOT_M, Quantity, UnitsName, convert, figure, show, unit_label

_OFFICE_NAME: Final = 40
_OFFICE_WHOLE: Final = 20_000  # characters: a text of ours that is never cut


def office_pages(plan: Plan, *, width: float) -> list[Any]:
    """Return the flowables of what the office weighs: zones, choices, money, seasons.

    width: between the margins [pt].
    """
    return [
        *_zones(plan, width),
        CondPageBreak(220),
        *_choices(plan, width),
        *_money(plan, width),
        *_season(plan, width),
    ]


def caution_pages(plan: Plan, sheet: Sheet) -> list[Any]:
    """Return the cautions, which stand on every hand-off."""
    return [
        sheet.heading(say("Cautions")),
        *sheet.bullets(plan.cautions or cautions_for(country=plan.settings.country)),
    ]


def assumed_pages(plan: Plan) -> list[Any]:
    """Return what was assumed, repaired or not met."""
    return [
        _ENGLISH.heading("Assumed, repaired or not met"),
        *_ENGLISH.bullets([clean(line) for line in plan.warnings] or ["Nothing."]),
    ]


def _office_name(value: object) -> str:
    return elide(clean(value), _OFFICE_NAME)


def _zones(plan: Plan, width: float) -> list[Any]:
    """Say what each zone is and needs."""
    units = plan.settings.units
    rows = [
        (
            _office_name(zone),
            f"{_office_name(row.plants).replace('_', ' ')}, {_office_name(row.soil)}",
            show(row.area_m2, "area", units),
            number(row.sun_hours, 1),
            number(row.need_score),
            _bare(row.etc_peak_mm_d, "depth_per_day", units),
            _bare(row.raw_mm, "depth", units),
            _volumes(row.today_m3, row.water_m3, units),
            number(row.stress_days, 1),
        )
        for zone, row in zip(plan.zones.index, plan.zones.itertuples(), strict=True)
    ]
    head = ("Zone", "Plants, soil", "Area", "Sun h/d", "Need %/d",
            f"Peak use {unit_label('depth_per_day', units)}",
            f"Store {unit_label('depth', units)}",
            f"Water today / plan {unit_label('volume', units)}", "Stress days")  # fmt: skip
    return [
        _ENGLISH.heading("Zones"),
        _ENGLISH.text(
            "Need: share of the readily available water (store) used on a peak day, shade counted."
            " Stress: days on which the ground runs short, its mean, in the worst season of ten."
        ),
        _ENGLISH.grid(
            head, rows, (1.7, 2.3, 1.1, 0.7, 0.85, 0.95, 0.9, 1.8, 0.95), width=width, words=(0, 1)
        ),
        Spacer(1, 4),
        _ENGLISH.text(
            "What makes each zone thirsty, its driest quarter against an undemanding zone:"
        ),
        *_ENGLISH.bullets(
            [f"{_office_name(z)}: {clean(w)}." for z, w in plan.zones["need_words"].items()]
        ),
        *_ENGLISH.bullets([*_assumed(plan), *budget_lines(plan, units)]),
    ]


def _assumed(plan: Plan) -> list[str]:
    """Say which values were assumed, and for which zones."""
    groups: dict[str, list[str]] = {}
    for zone, words in plan.zones["defaults"].items():
        if clean(words):
            groups.setdefault(clean(words).replace("_", " "), []).append(_office_name(zone))
    return [f"Assumed {words}: {', '.join(zones)}." for words, zones in groups.items()]


def _volumes(today: float, plan: float, units: UnitsName) -> str:
    """Return today's and the plan's water without units."""
    return " / ".join(_bare(volume, "volume", units) for volume in (today, plan))


def _bare(value: float, quantity: Quantity, units: UnitsName) -> str:
    """Return a value without its unit, which the column's head carries."""
    return show(value, quantity, units).removesuffix(unit_label(quantity, units)).strip()


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows as plain mappings."""
    rows: list[dict[str, Any]] = table.to_dict(orient="records")  # type: ignore[assignment]
    return rows


def _choices(plan: Plan, width: float) -> list[Any]:
    """How many sensors: the curve, and the plain rules beside it."""
    units, currency = plan.settings.units, elide(clean(plan.economics.get("currency")), 10)
    told = choices(plan)
    rows = [
        (f"{n} allowed", "no better", _DASH, _DASH, _DASH, _DASH)
        if row is None
        else (
            f"{n} allowed" + (" (chosen)" if row["chosen"] else ""),
            elide(clean(row["groups"]), 300),
            show(row["water_m3"], "volume", units),
            money(row["cost_per_year"], currency) if row["feasible"] else "too much stress",
            number(row["stress_days"], 1),
            money(row["value_of_next"], currency),
        )
        for n, row in told
    ]
    rows += [
        (
            elide(clean(rule), 60),
            f"plain rule, {row['n']} sensors" if row["n"] != 1 else "plain rule, 1 sensor",
            show(row["water_m3"], "volume", units),
            money(row["cost_per_year"], currency) if row["feasible"] else "too much stress",
            number(row["stress_days"], 1),
            _DASH,
        )
        for rule, row in zip(plan.rules.index, _rows(plan.rules), strict=True)
    ]
    chosen = [k for k, (_, row) in enumerate(told) if row is not None and row["chosen"]]
    head = ("Sensors", "Which governs which", "Water a season", "Cost a year", "Stress days",
            "Worth of the next, a year")  # fmt: skip
    return [
        _ENGLISH.heading("How many sensors, and what the next one is worth"),
        _ENGLISH.text(plan.wording(units).headline, longest=_OFFICE_WHOLE),
        _ENGLISH.grid(
            head,
            rows,
            (1.2, 4.1, 1.25, 1.15, 0.8, 1.15),
            width=width,
            words=(0, 1),
            bold_rows=chosen,
        ),
        Spacer(1, 4),
    ]


def _money(plan: Plan, width: float) -> list[Any]:
    """Cost, saving and payback with their ranges, or why nothing is claimed."""
    known = plan.economics
    currency = elide(clean(known.get("currency")), 10)
    parts = ", ".join(
        f"{trench_word(plan) if key == 'trench' else key} {money(known.get(key), currency)}"
        for key in ("device", "installation", "trench", "wire")
    )
    pairs: list[tuple[str, object]] = [
        ("Sensors, installed", f"{money(known.get('capital'), currency)}: {parts}")
    ]
    state, saved = plan_standing(plan), known.get("saved_per_year")
    if saved is not None:
        label = "Water costs more a year" if saved < 0 else "Money saved a year"
        pairs.append((label, _spread(known, "saved_per_year", currency)))
    if state.water != "unknown":
        pairs.append(("Payback", payback_words(state) or _years(known)))
    claim = clean(known.get("claim"))
    return [
        _ENGLISH.heading("Money"),
        _ENGLISH.facts(pairs, width=width),
        Spacer(1, 4),
        *([_ENGLISH.text(claim)] if claim else []),
    ]


def _spread(known: Any, key: str, currency: str) -> str:  # noqa: ANN401 - free-form numbers
    """Return an amount with its range; a loss as what it costs more."""
    sign = -1.0 if known.get(key) < 0 else 1.0
    low, high = known.get(f"{key}_low"), known.get(f"{key}_high")
    middle = money(sign * known.get(key), currency)
    if low is None or high is None:
        return middle
    ends = sorted((sign * low, sign * high))
    told = span(ends, lambda v: money(v, currency), rest="less" if sign > 0 else "more")
    return f"{middle} (range {told})"


def _years(known: Any) -> str:  # noqa: ANN401 - free-form numbers
    """Return the payback with its range."""
    low, high = known.get("payback_years_low"), known.get("payback_years_high")
    middle = f"{number(known.get('payback_years'), 1)} years"
    if low is None or high is None:
        return middle
    return f"{middle} (range {number(low, 1)} to {number(high, 1)})"


def _season(plan: Plan, width: float) -> list[Any]:
    """Every weather year, and their mean."""
    units, season = plan.settings.units, plan.season
    if season.empty:
        return []
    rows = [(clean(year), *_year_cells(row, units)) for year, row in season.iterrows()]
    rows.append(("mean", *_year_cells(season.mean(), units)))
    head = (
        "Season",
        "Today's timer",
        "Plan",
        "Change",
        "Change %",
        "Waterings",
        "Stress days",
        "Rain",
    )
    return [
        _ENGLISH.heading("Water, season by season"),
        _ENGLISH.text(
            "Change: the plan against today's timer, in water and in waterings; + is more."
        ),
        _ENGLISH.grid(
            head, rows, (1, 1.4, 1.4, 1.4, 1, 1.1, 1, 1.1), width=width, bold_rows=(len(rows) - 1,)
        ),
        Spacer(1, 4),
        *(
            [_ENGLISH.note("Today's timer is not known, so no saving is claimed.")]
            if season["baseline_m3"].isna().all()
            else []
        ),
    ]


def _year_cells(row: pd.Series[Any], units: UnitsName) -> Sequence[str]:
    """Return the cells of one season."""
    shares = [
        _DASH if pd.isna(row[k]) else _signed(-100 * row[k], "{:,.0f} %".format)
        for k in ("saved_fraction", "skipped_fraction")
    ]
    volumes = [show(row[k], "volume", units) for k in ("baseline_m3", "plan_m3")]
    change = -row["saved_m3"]
    volumes.append(_signed(change, lambda v: show(v, "volume", units)))
    rain = show(row["rain_mm"], "depth", units, decimals=1 if units == "us" else 0)
    return (*volumes, *shares, number(row["stress_days"], 1), rain)


def _signed(value: float, told: Callable[[float], str]) -> str:
    """Return a change with its sign."""
    if pd.isna(value):
        return _DASH
    return f"{'+' if value > 0 else '−' if value < 0 else ''}{told(abs(value))}"


def material_pages(plan: Plan, sheet: Sheet, *, width: float) -> list[Any]:
    """Return the list of materials.

    width: between the margins [pt].
    """
    us = plan.settings.units == "us"
    rows = []
    for part in _rows(plan.parts):
        quantity, unit = float(part["quantity"]), part["unit"]
        if us and unit == "m":
            quantity, unit = quantity / FOOT_M, say("ft")
        whole = unit not in {"m", "ft"}
        rows.append((part["item"], number(quantity, 0 if whole else 1), unit, part["note"]))
    head = say("Item"), say("Quantity"), say("Unit"), say("Note")
    return [
        sheet.heading(say("Materials")),
        sheet.grid(head, rows, (3, 1, 1, 3.5), width=width, words=(0, 2, 3)),
    ]


_ENGLISH: Final = Sheet()  # what office and owner read
_HEIGHT: Final = 140.0
_CURVE: Final = 140.0
_WHOLE: Final = 20_000  # characters: a text of ours that is never cut
_PARTS: Final = (
    ("device", "sensors and control"),
    ("installation", "putting them in"),
    ("trench", "trench"),
    ("wire", "wire"),
)


def owner_pages(plan: Plan, *, width: float) -> list[Any]:
    """Return the flowables of the owner's pages, from the top of a page.

    width: between the margins [pt].
    """
    claim = str(plan.economics.get("claim"))
    return [
        PageBreak(),
        _ENGLISH.heading("For the owner: what is bought, and why", "tag"),
        _ENGLISH.facts(owner_summary(plan), width=width, share=0.24),
        _ENGLISH.heading("How many sensors, and why"),
        _ENGLISH.text(plan.answer.removesuffix(claim).strip(), longest=_WHOLE),
        *_curve(plan, width),
        *_tornado(plan, width),
        PageBreak(),
        _ENGLISH.heading("For the owner: what it saves, and what that rests on", "tag"),
        _ENGLISH.text(claim, longest=_WHOLE),
        *([] if plan.season.empty else [_figure(season_chart, _SEASON, plan, width, _HEIGHT)]),
        _ENGLISH.heading("What this rests on"),
        *_ENGLISH.bullets(assumptions_in_words(plan)),
        _ENGLISH.heading("What to do next"),
        *_ENGLISH.bullets([*measuring_words(plan)[:1], *_next(plan)]),
        *_annex(
            [
                *_measuring(plan),
                *_ways(plan, width),
                *_options(plan, width),
                *_controls(plan, width),
            ]
        ),
    ]


def owner_short(plan: Plan, *, width: float) -> list[Any]:
    """Return the owner's four questions and their answers.

    width: between the margins [pt].
    """
    rows = [row for row in owner_summary(plan) if not row[0].startswith("At ")]  # depth
    pays = [row for row in rows if row[0].startswith(("Cost", "Pays", "Gain"))]
    gets = [row for row in rows if row not in pays]
    return [
        _ENGLISH.heading("What do I pay?"),
        _ENGLISH.facts(pays, width=width, share=0.24),
        _ENGLISH.heading("What do I get?"),
        _ENGLISH.facts(gets, width=width, share=0.24),
        _ENGLISH.text(plan.wording(plan.settings.units).headline, longest=_WHOLE),
        _ENGLISH.heading("Will my lawn be all right?"),
        *_ENGLISH.bullets(_lawn(plan)),
        _ENGLISH.heading("What do you need from me?"),
        *_ENGLISH.bullets([*measuring_words(plan)[:1], *_asked(plan)]),
    ]


_EXACT: Final = 1e-9


def _lawn(plan: Plan) -> list[str]:
    """Say how often the ground runs short of water, by the plan and today."""
    zones = plan.zones
    days = zones["stress_days"].astype(float)
    if not days.notna().any():
        return ["It was not reckoned how often the ground runs short of water."]
    worst = days.idxmax()
    usual = number(float(zones.loc[worst, "stress_mean"]), 1)
    lines = [
        f"In the worst season of ten the driest of your ground ({_name(worst)}) runs short of "
        f"water on {number(float(days[worst]), 1)} days; in a usual one on {usual}. Running short "
        "means that plants have used what they take up easily: they slow down."
    ]
    today = zones["today_stress_days"].astype(float)
    if today.notna().any():
        dry = today.idxmax()
        lines.append(
            f"Today's timer: {number(float(today[dry]), 1)} days ({_name(dry)}), in the same "
            "weather."
        )
    held = plan.decision.get("limits", {})
    most = plan.settings.control.max_stress_days
    over = [_name(zone) for zone, d in days.items() if d > float(held.get(zone, most)) + _EXACT]
    lines.append(
        f"Beyond the limit that was set ({plan_limit(plan)}): {', '.join(over)}."
        if over
        else f"Every zone keeps to the limit that was set: {plan_limit(plan)}."
    )
    return lines


def _asked(plan: Plan) -> list[str]:
    """Say what the owner is asked to do."""
    wait = plan.sensors["soak_wait_h"].astype(float).max()
    soak = (
        f"Leave the watering off when we ask: for {number(float(wait), 0)} h after each sensor is "
        "soaked, so that its reading means something."
    )
    return [
        "Show us private lines before anyone digs: irrigation pipe, lighting, gas to a grill or "
        "pool, pet fence, drains. The utilities' own lines are located by the one-call service.",
        "Say what the map has wrong: plants, beds, paths, what is to be built or planted.",
        *([soak] if math.isfinite(wait) else []),
        "Have the work done by people licensed for it where you are.",
        "Read the water meter now, and after the first season.",
    ]


#: Ways of `Plan.economics` in an owner's words, where they are not this plan.
_WAY_WORDS: Final = {
    "as today": "plants left as today leaves them",
    "within the limit": "healing what today leaves dry",
    "the plain way": "the plain way: one module on each timer as it is",
    "timer set right": "timer set right, no sensor",
    "against a timer set right": "this plan against a timer set right",
}


def _ways(plan: Plan, width: float) -> list[Any]:
    """Set what each way saves, costs and does to plants side by side, and the device's part."""
    ways = plan.economics.get("ways") or []
    if not ways:
        return []
    currency, units = elide(clean(plan.economics.get("currency")), 10), plan.settings.units
    rows = [
        (
            _WAY_WORDS[way["way"]] if place else "this plan",
            str(way["sensors"]) if way["sensors"] else "–",
            show(way["saved_m3"], "volume", units),
            money(way["saved_per_year"], currency),
            money(way["capital"], currency),
            _back(way),
            number(way["stress_days"], 0),
        )
        for place, way in enumerate(ways)
    ]
    head = ("Way", "Sensors", "Water saved a season", "Money saved a year", "Cost to build",
            "Pays back in", "Stress days")  # fmt: skip
    return [
        _ENGLISH.heading("The ways side by side"),
        _ENGLISH.grid(head, rows, (3.0, 1.1, 1.5, 1.4, 1.3, 1.3, 0.9), width=width, words=(0,),
             bold_rows=[0]),
        _ENGLISH.text(
            "Against today's timer, but for the last line. Stress days: of the driest zone, in the "
            f"worst season out of ten. {_device(plan)}".strip()
        ),
    ]  # fmt: skip


def _back(way: Mapping[str, Any]) -> str:
    """Say when a way pays back."""
    if way["saved_per_year"] is None:
        return "–"
    if not way["capital"]:
        return "at once" if way["saved_per_year"] > 0 else "never"
    years = way["payback_years"]
    if years is None:
        return "never" if way["saved_per_year"] <= 0 else "–"
    return f"{number(years, 1)} years"


def _device(plan: Plan) -> str:
    """Say what a better or worse sensor does to the plan as printed."""
    if "sensor error" not in plan.sensitivity.index:
        return ""
    row: Mapping[Any, Any] = plan.sensitivity.loc["sensor error"].to_dict()
    unit = elide(clean(row["unit"]), 10).replace("m3", "m³")
    return (
        f"With a sensor that is wrong by {row['low']} by volume instead of "
        f"{100 * plan.settings.control.sensor_error:.1f} % the {row['measure']} is "
        f"{number(row['value_low'], 0)} {unit} and stress {number(row['stress_low'], 0)} days; by "
        f"{row['high']}, {number(row['value_high'], 0)} {unit} and "
        f"{number(row['stress_high'], 0)} days (as planned: {number(row['value_base'], 0)} {unit})."
    )


def _annex(tables: list[Any]) -> list[Any]:
    """Put what else was weighed on a page of its own."""
    if not tables:
        return [Spacer(1, 4)]
    title = "Annex for the owner: everything that was weighed"
    return [PageBreak(), _ENGLISH.heading(title, "tag"), *tables, Spacer(1, 4)]


def _curve(plan: Plan, width: float) -> list[Any]:
    """Draw what one more sensor is worth, or say that it is worth nothing."""
    steps = plan.choices.iloc[:-1]
    if steps.empty:
        return []
    if bool(steps["feasible"].all()) and not steps["value_of_next"].any():
        return [
            _ENGLISH.text(
                "No further sensor is worth anything here: it would save less than it costs."
            )
        ]
    return [_figure(choices_chart, _CHOICES, plan, width, _CURVE)]


def _tornado(plan: Plan, width: float) -> list[Any]:
    """Draw what moves the result."""
    if not moves(plan):
        return []
    return [
        _ENGLISH.heading("What moves the result, one thing at a time"),
        _figure(moves_chart, _MOVES, plan, width, moves_height(plan)),
    ]


def _controls(plan: Plan, width: float) -> list[Any]:
    """Set the kinds of control beside the plan."""
    found, units = controls(plan), plan.settings.units
    if not found:
        return []
    currency = elide(clean(plan.economics.get("currency")), 10)
    rows = [
        (
            elide(clean(one["kind"]), 80) + (" (the plan's)" if one["chosen"] else ""),
            str(one["sensors"]),
            one["hardware"],
            show(one["water_m3"], "volume", units) if math.isfinite(one["water_m3"]) else "–",
            money(one["cost_per_year"], currency),
            number(one["stress_days"], 0) if math.isfinite(one["water_m3"]) else "not possible",
        )
        for one in found
    ]
    head = ("Kind of control", "Sensors", "Hardware", "Water a season", "Cost a year",
            "Stress days")  # fmt: skip
    mixed = len(set(plan.sensors["control"])) > 1
    return [
        _ENGLISH.heading("Other kinds of control, on the same weather"),
        _ENGLISH.text(
            f"Plants may be short of water on no more than {plan_limit(plan)}. The cost of a timer "
            "or a rain shut-off is water alone."
            + (" The plan mixes kinds, each where it does best (last line)." if mixed else "")
        ),
        _ENGLISH.grid(head, rows, (3.3, 0.9, 1.6, 1.5, 1.2, 1.1), width=width, words=(0, 2),
             bold_rows=[k for k, one in enumerate(found) if one["chosen"]]),
    ]  # fmt: skip


def _options(plan: Plan, width: float) -> list[Any]:
    """Set every number of sensors and the plain rules beside each other, with their regret."""
    found = options(plan)
    if not found:
        return []
    currency = elide(clean(plan.economics.get("currency")), 10)
    rows = [
        (
            elide(clean(one["name"]), 60) + (" (chosen)" if one["chosen"] else ""),
            str(one["sensors"]) if one["sensors"] else "–",
            money(one["cost_per_year"], currency)
            if math.isfinite(one["cost_per_year"])
            else "leaves a zone too dry",
            money(one["regret_mean"], currency),
            money(one["regret_max"], currency),
        )
        for one in found
    ]
    head = ("Choice", "Sensors", "Cost a year", "Regret, mean", "Regret, worst")
    return [
        _ENGLISH.heading("Every number of sensors, and the plain rules of the trade"),
        _ENGLISH.text(
            "Regret: what a choice costs a year beyond the best one for how things turn out, on "
            f"average and at worst over {plan.settings.analysis.scenarios} scenarios."
        ),
        _ENGLISH.grid(head, rows, (2.6, 0.9, 2, 1.3, 1.3), width=width,
             bold_rows=[k for k, one in enumerate(found) if one["chosen"]]),
    ]  # fmt: skip


_NEXT: Final = (
    "Walk the property with this plan: does every zone look as it is described here? What the map "
    "does not show, the plan does not know.",
    "Have the work done by people licensed for it where you are; utilities are located before "
    "anyone digs, and private lines are yours to point out.",
    "Compare the water meter with the plan after the first season.",
)


def _measuring(plan: Plan) -> list[Any]:
    """Say what is worth measuring before anyone digs, and what is not."""
    told = measuring_words(plan)
    head = _ENGLISH.heading("What is worth measuring first")
    return [head, *_ENGLISH.bullets(told)] if told else []


def _next(plan: Plan) -> list[str]:
    """Return what to do next."""
    first, *rest = _NEXT
    decide = (
        "Decide on the number of sensors. One fewer is a fair choice where the last is worth "
        "little."
        if len(plan.sensors) > 1
        else "Decide whether to have it done: the first page says what it costs and brings."
    )
    return [first, decide, *rest]


def owner_summary(plan: Plan) -> list[tuple[str, object]]:
    """Return the plan in a handful of figures, each with its range.

    Result: what and how much; what cannot be claimed says so.
    """
    known = plan.economics
    currency = elide(clean(known.get("currency")), 10)
    count = len(plan.sensors)
    kinds = ", ".join(dict.fromkeys(clean(k).replace("_", "-") for k in plan.sensors["control"]))
    rows: list[tuple[str, object]] = [
        ("Sensors", f"{count} for {len(plan.zones)} zones ({kinds} control)"),
        ("Cost to build", _capital(plan, currency)),
    ]
    state = plan_standing(plan)
    if state.water == "unknown":
        return [*rows, ("Water saved", payback_words(state))]
    rows += [_water_row(plan, more=state.water == "more"), _money_row(plan, state, currency)]
    back = payback_words(state) or _ranged(plan, "payback_years", "")
    return [*rows, ("Pays back in", back), *_discounted(plan, currency)]


def _water_row(plan: Plan, *, more: bool) -> tuple[str, object]:
    """Return the water saved a season, or how much more the plan uses."""
    units, season = plan.settings.units, plan.season
    sign = -1.0 if more else 1.0
    saved = sign * season["saved_m3"].dropna()
    share = sign * season["saved_fraction"].dropna()  # none of a timer that runs no valve
    rest: Literal["more", "less"] = "more" if more else "less"
    part = f", {share.mean():.0%} {'more than' if more else 'of'} today's use" if len(share) else ""
    ends = span(
        (float(saved.min()), float(saved.max())),
        lambda end: figure(convert(end, "volume", units)),
        rest=rest,
    )
    amount = show(float(saved.mean()), "volume", units)
    label = "More water a season" if more else "Water saved a season"
    return label, f"{amount}{part} ({ends} by weather year)"


def _money_row(plan: Plan, state: Standing, currency: str) -> tuple[str, object]:
    """Return the money saved a year, what more water costs, or why neither is claimed."""
    if state.money_missing:
        return "Money saved a year", state.money_missing
    if float(plan.economics["saved_per_year"]) < 0:
        return "Water costs more a year", _ranged(plan, "saved_per_year", currency, more=True)
    return "Money saved a year", _ranged(plan, "saved_per_year", currency)


def _capital(plan: Plan, currency: str) -> str:
    """Return what it costs, and its parts."""
    known = plan.economics
    parts = [
        f"{trench_word(plan) if key == 'trench' else words} {money(known.get(key), currency)}"
        for key, words in _PARTS
        if known.get(key) is not None
    ]
    return f"{money(known.get('capital'), currency)}: {', '.join(parts)}"


def _discounted(plan: Plan, currency: str) -> list[tuple[str, object]]:
    """Return the payback with interest and what is gained over the life, where claimed."""
    known, costs = plan.economics, plan.settings.costs
    if known.get("payback_years") is None or costs.discount_rate <= 0:
        return []
    rate = f"{100 * costs.discount_rate:g} % interest"
    rows: list[tuple[str, object]] = []
    if known.get("payback_discounted_years") is None:
        rows.append((f"At {rate}", "it never pays back"))
    else:
        rows.append((f"At {rate}", _ranged(plan, "payback_discounted_years", "")))
    gain = known.get("net_present_value")
    if gain is not None:
        rows.append((f"Gain in {costs.life_years:g} years", f"{money(gain, currency)} at {rate}"))
    return rows


def _ranged(plan: Plan, key: str, currency: str, *, more: bool = False) -> str:
    """Return an amount with its ranges; a loss as what it costs more."""
    known, sign = plan.economics, -1.0 if more else 1.0
    values = [known.get(f"{key}{end}") for end in _ENDS]
    mean, low, high, least, most = (None if v is None else sign * float(v) for v in values)

    def say(value: float | None) -> str:
        return money(value, currency) if currency else number(value, 1)

    def ends(one: float, other: float) -> str:
        return span(sorted((one, other)), say, rest="more" if more else "less")

    unit = "" if currency else " years"
    if low is None or high is None:
        worst = "" if currency else "; in the worst weather years it would not"
        return f"{say(mean)}{unit}{worst}"
    spread = f"{ends(low, high)} by weather year"
    if least is not None:
        tail = f"{say(least)} to never" if most is None else ends(least, most)
        spread += f", {tail} by scenario"
    return f"{say(mean)}{unit} ({spread})"


_ENDS: Final = ("", "_low", "_high", "_scenario_low", "_scenario_high")


#: What the plots show, for who cannot see them.
_SEASON: Final = "Chart: water of every season, by the plan and by today's timer."
_CHOICES: Final = "Chart: what one more sensor is worth a year, by the number of sensors."
_MOVES: Final = "Chart: how far the result moves when one thing at a time is lower or higher."


def _figure(
    lay: Callable[[Plan, float, float], Chart], says: str, plan: Plan, width: float, height: float
) -> Drawing:
    """Return a chart in the flow."""

    def paint(canvas: Canvas, wide: float, high: float) -> None:
        lay(plan, wide, high).paint(canvas)

    return Drawing(paint, says, width=width, height=height)


_NAME: Final = 40
_DASH: Final = "–"


def timer_pages(plan: Plan, sheet: Sheet, *, width: float) -> list[Any]:
    """Return the flowables from the hardware to the minutes by month.

    width: between the margins [pt]. Result: hardware per controller, run times per valve, minutes
    by month.
    """
    return [
        *_hardware(plan, sheet, width),
        *_run_times(plan, sheet, width),
        *_months(plan, sheet, width),
    ]


def _name(value: object) -> str:
    return elide(clean(value), _NAME)


def _hardware(plan: Plan, sheet: Sheet, width: float) -> list[Any]:
    """Say what every controller is fitted with, and which sensors go to it."""
    owners = plan.sensors["controller"].fillna("").astype(str)
    rows = [
        (
            _name(name) or say("the system's"),
            hardware_words(kind),
            ", ".join(str(tag) for tag in plan.sensors.index[owners == str(name)]) or _DASH,
        )
        for name, kind in plan.decision.get("hardware", {}).items()
    ]
    if not rows:
        return []
    head = (say("Controller"), say("Hardware"), say("Sensors"))
    return [
        sheet.heading(say("Hardware for each controller")),
        sheet.grid(head, rows, (1.6, 3.6, 2.4), width=width, words=(0, 1, 2)),
        Spacer(1, 4),
    ]


def _run_times(plan: Plan, sheet: Sheet, width: float) -> list[Any]:
    """Minutes, cycles and soak per valve."""
    set_to, rows = valves(plan), []
    for zone, row in zip(plan.zones.index, plan.zones.itertuples(), strict=True):
        valve = set_to.get(str(zone))
        if valve is None:
            continue
        cycles, soak = cycle_words(valve)
        factor = row.run_time_factor
        rows.append(
            (
                _name(row.valve),
                _name(zone),
                row.sensor_id or NO_SENSOR,
                control_words(row.control),
                number(row.today_minutes),
                number(valve.minutes),
                _DASH if not math.isfinite(factor) else say("× {factor}", factor=number(factor, 2)),
                cycles,
                soak,
                side_by_side([number(row.today_events), number(row.events)], " / "),
            )
        )
    head = (
        say("Valve"), say("Zone"), say("Sensor"), say("Control"), say("Today min"),
        say("Plan min"), say("Factor"), say("Cycles × min"), say("Soak min"),
        say("Events today / plan"),
    )  # fmt: skip
    shares = (0.95, 2.1, 1.1, 1.6, 1, 0.9, 1.1, 1.4, 0.9, 1.3)
    unknown = say("Today's timer is not known: no comparison.")
    timer = [] if plan.settings.timer else [sheet.text(unknown)]
    return [
        sheet.heading(say("Run times for the controller")),
        sheet.text(
            say(
                "Whole minutes per watering event at 100 %. Where there are several cycles, let "
                "the water soak in for the minutes stated between them, so that nothing runs off. "
                "Events are the mean of a season. Local watering days and hours come first."
            )
        ),
        *timer,
        sheet.grid(head, rows, shares, width=width, words=(0, 1, 2, 3)),
        Spacer(1, 4),
    ]


def _months(plan: Plan, sheet: Sheet, width: float) -> list[Any]:
    """Minutes by month, under the seasonal adjustment of each program."""
    months, listed = season_months(plan), programs(plan)
    if not months:
        return []
    rows: list[tuple[str, ...]] = []
    bold = []
    for tag, mine in listed:
        bold.append(len(rows))
        shares = (say("{number}%", number=number(mine[0].percent[m])) for m in months)
        lead = say("{sensor}: {days}", sensor=tag, days=days_words(mine[0].days))
        rows.append(("", lead, *shares))
        rows += [
            (_name(v.valve), _name(v.zone), *(number(v.by_month[m]) for m in months)) for v in mine
        ]
    return [
        sheet.heading(say("Programs and minutes by month")),
        sheet.text(
            say(
                "One program for each sensor, started on the days stated: wetter than its "
                "threshold, the sensor skips the whole program. Type in the minutes of the table "
                "above and leave the seasonal adjustment at 100 %: the sensor does that. Valves "
                "without a sensor keep a program of their own, with the adjustment of the month "
                "where one is stated."
            )
        ),
        sheet.grid(
            (say("Valve"), say("Program, zone"), *(MONTHS[m] for m in months)),
            rows,
            (0.9, 2.6, *([0.62] * len(months))),
            width=width,
            words=(0, 1),
            bold_rows=bold,
        ),
        Spacer(1, 4),
    ]
