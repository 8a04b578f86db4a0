"""What the figures rest on, in plain words, for whoever decides and pays."""

from __future__ import annotations

from siting._claims import Standing, costs_words, limit_words, standing
from siting._plan_sheet import sheet_draws
from siting.handoff._sheet_text import clean, elide
from siting.planning import Plan
from siting.units import UnitsName, convert, show, unit_label

__all__ = ["assumptions_in_words", "budget_lines", "plan_limit", "plan_standing"]


def assumptions_in_words(plan: Plan, units: UnitsName | None = None) -> list[str]:
    """Return what the figures rest on, in plain words.

    units {"metric", "us"}: how to show the price of water, the property's own by default. Result:
    one sentence or two each.
    """
    settings = plan.settings
    return [
        *_weather(plan),
        (
            "Today's use is what today's timer would have put out in those same seasons."
            if settings.timer
            else "Today's timer was not given, so nothing is said of savings."
        ),
        _price(plan, units or settings.units),
        *_costs(plan),
        f"No zone may run short on more than {plan_limit(plan)}, the mean over its ground, in the "
        "worst season out of ten; fewer sensors than that allows are ruled out.",
        f"The choice was tried under {settings.analysis.scenarios} combinations of what nobody "
        "knows exactly: heights of trees and buildings, plants' thirst, soil and evenness of "
        "watering; its minutes were set, and played, under "
        f"{sheet_draws(settings.analysis.scenarios)}.",
        *_exactness(plan),
        *_zone_defaults(plan),
    ]


def plan_standing(plan: Plan) -> Standing:
    """Return what may be said of a plan's water, money and costs.

    Result: one state of each.
    """
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
    kept = "kept" if asked["within"] else "passed"
    return [
        f"Water budget {kept} ({clean(asked['reference'])}; {clean(asked['period'])}): "
        f"{allowed} allowed; by its formula this planting takes {takes}. The plan waters {planned} "
        "a season."
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
    span = f"{years[0]} to {years[-1]}" if len(years) > 1 else f"{years[0]}"
    return [
        f"The water of {len(years)} seasons ({span}) was worked out day by day from the weather "
        "record; ranges run from the least to the greatest of them."
    ]


def _price(plan: Plan, units: UnitsName) -> str:
    """Say at which price water is counted."""
    water = plan.settings.water
    if water.tiers:
        return "Water is counted month by month on the steps of its price."
    if water.price is None:
        return "No price of water was given, so no money is claimed."
    currency = elide(clean(water.currency), 10)
    return (
        f"Water is counted at {convert(water.price, 'volume_price', units):,.2f} {currency} "
        f"{unit_label('volume_price', units)}."
    )


def _costs(plan: Plan) -> list[str]:
    """Say whose prices those are, and how they are spread over the years."""
    costs = plan.settings.costs
    rate = costs.discount_rate
    interest = (
        f"the payback with interest counts {100 * rate:g} % a year" if rate > 0 else "no interest"
    )
    return [
        f"{costs_words(plan_standing(plan))} Costs are spread evenly over {costs.life_years:g} "
        f"years; {interest}, and no rise in the price of water is counted."
    ]


def _exactness(plan: Plan) -> list[str]:
    """Say how far from the best the choice can be."""
    words = clean(plan.decision.get("exactness"))
    return [words] if words else []


def _zone_defaults(plan: Plan) -> list[str]:
    """Say for how many zones something was assumed."""
    count = sum(bool(clean(words)) for words in plan.zones["defaults"])
    if not count:
        return ["Every zone's soil, plants and sprinklers are as you gave them."]
    return [
        f"For {count} of {len(plan.zones)} zones something was assumed that was not given, such as "
        "root depth or soil; the list is with the zones. Measuring it makes the plan surer."
    ]
