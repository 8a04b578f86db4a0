"""What may be said of water, money, payback, costs and limit: one state each, one set of words.

Every page asks here, so that no two of them say one thing differently. Private to
`siting.economics`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from siting.site.settings import Costs, Hardware
from siting.units import figure

__all__ = ["Standing", "costs_words", "limit_words", "payback_words", "span", "standing"]

WaterState = Literal["unknown", "less", "more"]
PaybackState = Literal["no baseline", "no price", "no costs", "never", "pays"]
CostState = Literal["usual", "usual hardware", "given"]

_NOT_CLAIMED: Final[dict[PaybackState, str]] = {
    "no baseline": "not claimed: today's watering is not known",
    "no price": "not claimed: no water price was given",
    "no costs": "not claimed: no costs were given",
}
#: Zones named with their limits at most.
_NAMED: Final = 4


@dataclass(frozen=True)
class Standing:
    """What may be said of a plan's money.

    Parameters
    ----------
    water : {"unknown", "less", "more"}
        The plan's water against today's.
    payback : {"no baseline", "no price", "no costs", "never", "pays"}
        Whether it pays back, or what is missing to say so.
    costs : {"usual", "usual hardware", "given"}
        Whose prices the costs are: the trade's; the trade's for the control hardware alone; the
        user's.
    hardware : tuple of Hardware
        Hardware of the plan at the trade's price although costs were given.
    """

    water: WaterState
    payback: PaybackState
    costs: CostState
    hardware: tuple[Hardware, ...] = ()

    @property
    def money_missing(self) -> str:
        """Why no money is claimed; "" where it is."""
        return _NOT_CLAIMED[self.payback] if self.payback in ("no baseline", "no price") else ""


def standing(
    economics: Mapping[str, Any], costs: Costs, *, hardware: Iterable[Hardware] = ()
) -> Standing:
    """Return what may be said of a plan's money.

    Parameters
    ----------
    economics : mapping
        saved_m3, saved_per_year and payback_years, None where not known.
    costs : Costs
        As the user gave them.
    hardware : iterable of Hardware
        Kinds that the plan buys.

    Returns
    -------
    Standing
        The state.

    Examples
    --------
    >>> standing({"saved_m3": -3.0, "saved_per_year": -6.0}, Costs(given=True)).payback
    'never'
    """
    saved, money = economics.get("saved_m3"), economics.get("saved_per_year")
    payback: PaybackState = "pays"
    if saved is None:
        payback = "no baseline"
    elif money is None:
        payback = "no price"
    elif not costs.given:
        payback = "no costs"
    elif economics.get("payback_years") is None:
        payback = "never"
    usual = tuple({item.kind: item for item in hardware if not item.given}.values())
    whose: CostState = "given"
    if not costs.given:
        whose, usual = "usual", ()
    elif usual:
        whose = "usual hardware"
    against: WaterState = "unknown" if saved is None else "more" if saved < 0 else "less"
    return Standing(against, payback, whose, usual)


def payback_words(state: Standing, *, cell: bool = True) -> str:
    """Say that it does not pay back, or why nothing is claimed.

    Parameters
    ----------
    state : Standing
        As from `standing`.
    cell : bool
        Whether it stands beside a label that asks for the years; else it is part of a sentence.

    Returns
    -------
    str
        "" where it pays back, in years that the caller knows.
    """
    if state.payback == "never":
        more = state.water == "more"
        why = "the plan uses more water than today" if more else "the water saved is worth nothing"
        return f"never in water: {why}" if cell else f"it never pays back in water: {why}"
    return _NOT_CLAIMED.get(state.payback, "")


def costs_words(state: Standing) -> str:
    """Say whose prices the costs are.

    Parameters
    ----------
    state : Standing
        As from `standing`.

    Returns
    -------
    str
        One sentence or two.
    """
    if state.costs == "usual":
        return (
            "The costs are the trade's usual ones (common practice, no source); give your own to "
            "have a payback."
        )
    if state.costs == "given":
        return "The costs of sensors, installation, trench and wire are those you gave."
    told = " and ".join(
        f"{item.kind.replace('_', '-')} hardware ({figure(item.per_controller)} per controller and "
        f"{figure(item.per_sensor)} per sensor)"
        for item in state.hardware
    )
    return (
        f"The {told} is at the trade's usual price (common practice, no source), which [costs] "
        "does not cover: give [hardware] yours. The other costs are those you gave."
    )


def span(
    ends: Sequence[float], show: Callable[[float], str], *, rest: Literal["more", "less"] = "more"
) -> str:
    """Return a range in words; what lies below 0 is the opposite of the rest.

    Parameters
    ----------
    ends : sequence of float
        The lower and the higher.
    show : callable
        Takes an end that is not negative and returns it as text.
    rest : {"more", "less"}
        What the sentence speaks of.

    Returns
    -------
    str
        "3 to 5", or "2 less to 5 more".

    Examples
    --------
    >>> span((3, 5), "{:g}".format), span((-2, 5), "{:g}".format)
    ('3 to 5', '2 less to 5 more')
    """
    low, high = ends
    if low < 0 < high:
        other = "less" if rest == "more" else "more"
        return f"{show(-low)} {other} to {show(high)} {rest}"
    least, most = sorted((abs(low), abs(high)))
    return f"{show(least)} to {show(most)}"


def limit_words(asked: float, held: Mapping[str, float]) -> str:
    """Say how many days a zone may run short, as the limit that held.

    Parameters
    ----------
    asked : float
        Stress days allowed [d].
    held : mapping of str to float
        Zone -> stress days that it was allowed in the end [d].

    Returns
    -------
    str
        Begins with the number that was asked for.

    Examples
    --------
    >>> limit_words(5, {"Lawn": 5, "Bed": 15})
    '5 days of a season (15 in Bed, which nothing keeps within 5)'
    """
    relaxed = {zone: days for zone, days in held.items() if days > asked}
    head = f"{asked:g} days of a season"
    if not relaxed:
        return head
    worst = sorted(relaxed.items(), key=lambda item: (-item[1], item[0]))
    named = ", ".join(f"{days:.0f} in {zone}" for zone, days in worst[:_NAMED])
    rest = f" and more in {len(worst) - _NAMED} others" if len(worst) > _NAMED else ""
    return f"{head} ({named}{rest}, which nothing keeps within {asked:g})"
