"""What the figures rest on, in plain words, for whoever decides and pays."""

from __future__ import annotations

from siting.handoff._sheet_text import clean, elide
from siting.planning import Plan
from siting.units import UnitsName, convert, unit_label

__all__ = ["assumptions_in_words"]


def assumptions_in_words(plan: Plan, units: UnitsName | None = None) -> list[str]:
    """Return what the figures rest on, in plain words.

    Parameters
    ----------
    plan : Plan
        The plan.
    units : {"metric", "us"}, optional
        How to show the price of water; the property's own by default.

    Returns
    -------
    list of str
        One sentence or two each.
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
        f"No zone may run short on more than {settings.control.max_stress_days:g} days of a season "
        "in the driest quarter of its ground; fewer sensors than that allows are ruled out.",
        f"The choice was tried under {settings.analysis.scenarios} combinations of what nobody "
        "knows exactly: heights of trees and buildings, plants' thirst, soil and evenness of "
        "watering.",
        *_exactness(plan),
        *_zone_defaults(plan),
    ]


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
    given = (
        "The costs of sensors, installation, trench and wire are those you gave."
        if costs.given
        else "The costs are the trade's usual ones (common practice, no source); give your own to "
        "have a payback."
    )
    rate = costs.discount_rate
    interest = (
        f"the payback with interest counts {100 * rate:g} % a year" if rate > 0 else "no interest"
    )
    return [
        f"{given} Costs are spread evenly over {costs.life_years:g} years; {interest}, and no rise "
        "in the price of water is counted."
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
