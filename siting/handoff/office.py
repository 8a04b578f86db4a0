"""The office's pages: zones, choices, money, seasons; materials and cautions for the crew too."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import pandas as pd
from reportlab.platypus import CondPageBreak, Spacer

from siting.decide.money import payback_words, span
from siting.handoff.facts import budget_lines, plan_standing, trench_word
from siting.handoff.layout import Sheet
from siting.handoff.tables import choices
from siting.handoff.text import clean, elide, money, number
from siting.language import say
from siting.planning.cautions import cautions_for
from siting.planning.model import Plan
from siting.units import FOOT_M, Quantity, UnitsName, show, unit_label

_ENGLISH: Final = Sheet()  # what the office reads
_OFFICE_NAME: Final = 40
_DASH: Final = "–"
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


def _name(value: object) -> str:
    return elide(clean(value), _OFFICE_NAME)


def _zones(plan: Plan, width: float) -> list[Any]:
    """Say what each zone is and needs."""
    units = plan.settings.units
    rows = [
        (
            _name(zone),
            f"{_name(row.plants).replace('_', ' ')}, {_name(row.soil)}",
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
            [f"{_name(z)}: {clean(w)}." for z, w in plan.zones["need_words"].items()]
        ),
        *_ENGLISH.bullets([*_assumed(plan), *budget_lines(plan, units)]),
    ]


def _assumed(plan: Plan) -> list[str]:
    """Say which values were assumed, and for which zones."""
    groups: dict[str, list[str]] = {}
    for zone, words in plan.zones["defaults"].items():
        if clean(words):
            groups.setdefault(clean(words).replace("_", " "), []).append(_name(zone))
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
