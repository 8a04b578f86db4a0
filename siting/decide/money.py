"""Bills by the month, money over the years, and what may be said of either.

Straight line, no interest: the yearly cost of a sensor is its capital over its life; the discounted
payback has interest. Savings are those of whole simulated seasons; their ranges are that of the
weather years (means over the scenarios) and that of the scenarios (means over the years).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass
from typing import Any, Final, Literal

import numpy as np

from siting.arrays import Floats
from siting.language import Figure, say, side_by_side
from siting.site.settings import Costs, Hardware, Water
from siting.units import UnitsName, convert, figure, show, unit_label

#: A rate below this is none.
NO_INTEREST: Final = 1e-9


def water_cost(water: Water, monthly_m3: Floats) -> Floats:
    """Return what a season's water costs, month by month on the tiers.

    Parameters
    ----------
    water : Water
        Price or tiers; other use of the meter fills the lower tiers first.
    monthly_m3 : ndarray, shape (M, ...)
        Irrigation of each month [m³].

    Returns
    -------
    ndarray, shape (...)
        Cost of the irrigation alone; NaN where water has no price [currency].

    Examples
    --------
    >>> from siting.site.settings import Tier
    >>> steps = Water(tiers=(Tier(10, 1.0), Tier(float("inf"), 3.0)), other_use_m3=4)
    >>> float(water_cost(steps, np.array([8.0])))
    12.0
    """
    monthly = np.asarray(monthly_m3, dtype=np.float64)
    if not water.tiers:
        price = float("nan") if water.price is None else water.price
        return np.asarray(price * monthly.sum(axis=0))
    low = water.other_use_m3
    cost, begin = np.zeros(monthly.shape[1:]), 0.0
    for tier in water.tiers:
        inside = np.clip(low + monthly, begin, tier.up_to_m3) - np.clip(low, begin, tier.up_to_m3)
        cost = cost + tier.price * inside.sum(axis=0)
        begin = tier.up_to_m3
    return np.asarray(cost)


def average_price(water: Water, monthly_m3: Floats) -> float | None:
    """Return the average price of a use of water, or None where it has no price.

    monthly_m3 (M,): use of each month [m³]. Result: currency per m³; of the first m³ where nothing
    is used.
    """
    if not water.tiers:
        return water.price
    total = float(np.sum(monthly_m3))
    monthly = np.asarray(monthly_m3) if total > 0 else np.array([1e-3])
    return float(water_cost(water, monthly)) / float(np.sum(monthly))


def net_present_value(capital: float, saved_per_year: float, *, years: float, rate: float) -> float:
    """Return what saving over some years is worth today, less the capital.

    capital: capital [currency]; saved_per_year: saved at the end of every year [currency/year];
    years: how long [years]; rate: interest a year, 0.03 for 3 %. Result: net present value
    [currency].

    >>> round(net_present_value(1000, 100, years=10, rate=0.05), 2)
    -227.83
    """
    worth = years if rate < NO_INTEREST else -math.expm1(-years * math.log1p(rate)) / rate
    return saved_per_year * worth - capital


def discounted_payback_years(capital: float, saved_per_year: float, *, rate: float) -> float | None:
    """Return in how many years savings with interest pay the capital back, or None if never.

    capital: capital [currency]; saved_per_year: saved a year [currency/year]. Result: n of capital
    = saved (1 - (1 + rate)^-n) / rate [years].

    >>> round(discounted_payback_years(450, 90, rate=0.05), 2)
    5.9
    >>> discounted_payback_years(450, 20, rate=0.05) is None
    True
    """
    if saved_per_year <= 0:
        return None
    if rate < NO_INTEREST:
        return capital / saved_per_year
    share = capital * rate / saved_per_year
    return None if share >= 1 else -math.log1p(-share) / math.log1p(rate)


WaterState = Literal["unknown", "less", "more"]
PaybackState = Literal["no baseline", "no price", "no costs", "never", "pays"]
CostState = Literal["usual", "usual hardware", "given"]
_NOT_CLAIMED: Final[dict[PaybackState, str]] = {
    "no baseline": say("not claimed: today's watering is not known"),
    "no price": say("not claimed: no water price was given"),
    "no costs": say("not claimed: no costs were given"),
}
#: Zones named with their limits at most.
_ZONES_NAMED: Final = 4


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
        why = (
            say("the plan uses more water than today")
            if more
            else say("the water saved is worth nothing")
        )
        if cell:
            return say("never in water: {why}", why=why)
        return say("it never pays back in water: {why}", why=why)
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
        return say(
            "The costs are the trade's usual ones (common practice, no source); give your own to "
            "have a payback."
        )
    if state.costs == "given":
        return say("The costs of sensors, installation, trench and wire are those you gave.")
    told = [
        say(
            "{hardware} hardware ({controller} per controller and {sensor} per sensor)",
            hardware=item.kind.replace("_", "-"),
            controller=figure(item.per_controller),
            sensor=figure(item.per_sensor),
        )
        for item in state.hardware
    ]
    both = say("{one} and {other}", one=told[0], other=told[1]) if len(told) > 1 else told[0]
    return say(
        "The {hardware} is at the trade's usual price (common practice, no source), which [costs] "
        "does not cover: give [hardware] yours. The other costs are those you gave.",
        hardware=both,
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
        told = {"low": show(-low), "high": show(high)}
        if rest == "more":
            return say("{low} less to {high} more", **told)
        return say("{low} more to {high} less", **told)
    least, most = sorted((abs(low), abs(high)))
    return say("{low} to {high}", low=show(least), high=show(most))


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
    head = say("{days} days of a season", days=Figure(f"{asked:g}"))
    if not relaxed:
        return head
    worst = sorted(relaxed.items(), key=lambda item: (-item[1], item[0]))
    named = side_by_side(
        [
            say("{days} in {zone}", days=f"{days:.0f}", zone=zone)
            for zone, days in worst[:_ZONES_NAMED]
        ],
        ", ",
    )
    if len(worst) > _ZONES_NAMED:
        named = say("{zones} and more in {count} others", zones=named,
                    count=len(worst) - _ZONES_NAMED)  # fmt: skip
    return say("{days} ({zones}, which nothing keeps within {asked})", days=head, zones=named,
               asked=Figure(f"{asked:g}"))  # fmt: skip


@dataclass(frozen=True)
class Capital:
    """What a plan costs to build.

    Parameters
    ----------
    device, installation, trench, wire : float
        The parts [currency].
    """

    device: float
    installation: float
    trench: float
    wire: float

    @property
    def total(self) -> float:
        """Sum of the parts [currency]."""
        return self.device + self.installation + self.trench + self.wire

    def yearly(self, life_years: float) -> float:
        """Return the cost of a year, straight line without interest.

        Parameters
        ----------
        life_years : float
            Life of everything bought [years].

        Returns
        -------
        float
            Total over life [currency/year].
        """
        return self.total / life_years


@dataclass(frozen=True)
class TodayStress:
    """How short of water today's timer leaves the plants.

    Parameters
    ----------
    days : mapping of str to float
        Zone -> stress days in the worst season out of ten under today's timer [d].
    cap : float
        Stress days allowed [d].
    """

    days: Mapping[str, float]
    cap: float

    @property
    def short(self) -> dict[str, float]:
        """Zones beyond the cap, the worst first."""
        beyond = {zone: days for zone, days in self.days.items() if days > self.cap}
        return dict(sorted(beyond.items(), key=lambda item: (-item[1], item[0])))


@dataclass(frozen=True)
class Saving:
    """A yearly figure, of water [m³/year] or money [currency/year].

    mean: over weather years and scenarios; low, high: least and greatest weather year, each the
    mean over the scenarios; scenario_low, scenario_high: least and greatest scenario, each the mean
    over the years, NaN where not known.
    """

    mean: float
    low: float
    high: float
    scenario_low: float = math.nan
    scenario_high: float = math.nan

    def times(self, price: float) -> Saving:
        """Return the figure at a price per unit.

        price: price of a unit [currency/m³]. Result: every part times the price [currency/year].
        """
        return Saving(*(value * price for value in astuple(self)))


def hardware_capital(
    costs: Costs,
    fitted: Sequence[tuple[Hardware, int]],
    *,
    trench_m: float = 0.0,
    wire_m: float = 0.0,
) -> Capital:
    """Return what a plan costs to build with its control hardware.

    Parameters
    ----------
    costs : Costs
        Prices of trench and wire.
    fitted : sequence of (Hardware, int)
        Hardware of each controller that has any, and its number of sensors.
    trench_m, wire_m : float
        Lengths; shared trench counts once [m].

    Returns
    -------
    Capital
        By part; a timer counts as device.

    Examples
    --------
    >>> from siting.site.settings import HARDWARE
    >>> hardware_capital(Costs(), [(HARDWARE[1], 3)]).total
    1350.0
    """
    return Capital(
        device=float(sum(item.timer + count * item.device for item, count in fitted)),
        installation=float(
            sum(item.timer_installation + count * item.installation for item, count in fitted)
        ),
        trench=costs.trench_per_m * trench_m,
        wire=costs.wire_per_m * wire_m,
    )


def sensor_yearly_cost(costs: Costs, *, trench_m: float | Floats, wire_m: float | Floats) -> Floats:
    """Return the yearly cost of one sensor by its distance from the controller.

    trench_m, wire_m: lengths of its own trench and wire [m]. Result: straight line without interest
    [currency/year].
    """
    length = costs.trench_per_m * np.asarray(trench_m) + costs.wire_per_m * np.asarray(wire_m)
    return np.asarray((costs.device + costs.installation + length) / costs.life_years)


def saving(baseline_m3: Floats, plan_m3: Floats) -> Saving:
    """Return the water saved a year.

    baseline_m3, plan_m3 (Y,): water of each simulated season under today's timer and under the plan
    [m³]. Result: mean and ranges; negative where the plan uses more [m³/year].
    """
    saved = np.asarray(baseline_m3, dtype=np.float64) - np.asarray(plan_m3, dtype=np.float64)
    saved = np.atleast_2d(saved)
    year, scenario = saved.mean(axis=0), saved.mean(axis=1)
    return Saving(
        float(saved.mean()),
        float(year.min()),
        float(year.max()),
        float(scenario.min()),
        float(scenario.max()),
    )


def payback_years(capital_total: float, saved_per_year: float) -> float | None:
    """Return the simple payback, or None where nothing is saved.

    Parameters
    ----------
    capital_total : float
        Capital [currency].
    saved_per_year : float
        Money saved a year [currency/year].

    Returns
    -------
    float or None
        Capital over yearly saving [years].

    Examples
    --------
    >>> payback_years(450, 15 * 6)
    5.0
    >>> payback_years(450, 0) is None
    True
    """
    return capital_total / saved_per_year if saved_per_year > 0 else None


def economics(
    costs: Costs,
    water: Water,
    *,
    built: Capital,
    baseline_m3: Floats | None,
    plan_m3: Floats,
    units: UnitsName = "metric",
    bills: tuple[Floats, Floats] | None = None,
    today: TodayStress | None = None,
) -> dict[str, Any]:
    """Return the money of a plan, with None for everything that cannot be claimed.

    Savings in money need a baseline (a timer or bills) and a water price; payback needs the costs
    stated too.

    Parameters
    ----------
    costs : Costs
        Prices; `given` tells whether the user stated them.
    water : Water
        Price and currency.
    built : Capital
        What the plan costs to build; see `capital`.
    baseline_m3 : ndarray, shape (Y,) or (S, Y), or None
        Water of each season under today's timer; None without one [m³].
    plan_m3 : ndarray, shape (Y,) or (S, Y)
        Water of each season under the plan [m³].
    units : {"metric", "us"}
        Units of the amounts in the claim.
    bills : tuple of two ndarray, shape (Y,) or (S, Y), optional
        Cost of each season's water today and under the plan, on tiers; by the price where not given
        [currency].
    today : TodayStress, optional
        How short of water today's timer leaves the plants; for the claim.

    Returns
    -------
    dict
        currency, capital, device, installation, trench, wire, yearly_cost, saved_m3 and
        saved_per_year (with _low and _high: least and greatest year, and _scenario_low and
        _scenario_high), payback_years and payback_discounted_years (with _low: at the greatest
        saving; _high: at the least, None when it never pays), net_present_value (over the life, at
        the mean saving), claim.
    """
    volume = None
    if baseline_m3 is not None and np.size(baseline_m3) and np.all(np.isfinite(baseline_m3)):
        volume = saving(baseline_m3, plan_m3)
    money = None
    if volume is not None and bills is not None and np.all(np.isfinite(bills[0])):
        money = saving(*bills)
    elif volume is not None and water.price is not None:
        money = volume.times(water.price)
    paid = money if costs.given else None
    rate = costs.discount_rate
    return {
        "currency": water.currency,
        "capital": built.total,
        "device": built.device,
        "installation": built.installation,
        "trench": built.trench,
        "wire": built.wire,
        "yearly_cost": built.yearly(costs.life_years),
        **_range("saved_m3", volume),
        **_range("saved_per_year", money),
        **_pays("payback_years", paid, lambda saved: payback_years(built.total, saved)),
        **_pays(
            "payback_discounted_years",
            paid,
            lambda saved: discounted_payback_years(built.total, saved, rate=rate),
        ),
        "net_present_value": paid
        and net_present_value(built.total, paid.mean, years=costs.life_years, rate=rate),
        "claim": claim(
            costs, water, built=built, volume=volume, units=units, money=money, today=today
        ),
    }


def claim(
    costs: Costs,
    water: Water,
    *,
    built: Capital,
    volume: Saving | None,
    units: UnitsName = "metric",
    money: Saving | None = None,
    today: TodayStress | None = None,
) -> str:
    """Say in plain words what may be claimed, and what is missing.

    volume: water saved a year, None without a baseline [m³/year]; units {"metric", "us"}: units of
    the amounts of water; money: money saved a year on tiers, by the price where not given
    [currency/year].
    """
    told = {"amount": figure(built.total), "currency": water.currency}
    spent = (
        say("Building it costs {amount} {currency}", **told)
        if costs.given
        else say(
            "Building it costs {amount} {currency} at the trade's usual prices (common practice, "
            "no source; none were given)",
            **told,
        )
    )
    if volume is None:
        return say(
            "{spent}. No saving is claimed: there is no timer of today to compare with (give "
            "[timer] days and minutes, or [water.bills]).",
            spent=spent,
        )
    parts = [_water_words(volume, units), _why(volume, today)]
    water_words = side_by_side(parts, ", ")
    if not water.priced:
        return say(
            "{water}. {spent}. No money is claimed: no water price was given.",
            water=water_words,
            spent=spent,
        )
    if money is None:
        money = volume.times(water.price or 0.0)
    words = _worth(water, money, told=water_words, units=units)
    if not costs.given:
        more = say("{spent}. No payback is claimed: give [costs] to have one.", spent=spent)
        return side_by_side([words, more])
    back = say(
        "{spent}; {payback}.", spent=spent, payback=_payback_words(costs, built, money, volume)
    )
    return side_by_side([words, back])


def _worth(water: Water, money: Saving, *, told: str, units: UnitsName) -> str:
    """Say what the water of a claim is worth, or costs more.

    told: what was said of the water.
    """
    at = say("month by month on the price's tiers")
    if not water.tiers:
        at = say(
            "at {price} {currency} {unit}",
            price=figure(convert(water.price or 0.0, "volume_price", units), 2),
            currency=water.currency,
            unit=unit_label("volume_price", units),
        )
    sign = 1.0 if money.mean >= 0 else -1.0
    ends = sorted((sign * money.low, sign * money.high))
    rest: Literal["more", "less"] = "less" if sign > 0 else "more"
    worth = {
        "water": told,
        "amount": figure(sign * money.mean),
        "currency": water.currency,
        "at": at,
        "range": span(ends, figure, rest=rest),
    }
    if sign > 0:
        return say("{water}, worth {amount} {currency} {at} ({range}).", **worth)
    return say("{water}, and costs {amount} {currency} more {at} ({range}).", **worth)


def _water_words(volume: Saving, units: UnitsName) -> str:
    """Say how much water is saved, or how much more is used."""
    sign = 1.0 if volume.mean >= 0 else -1.0
    ends = sorted((sign * volume.low, sign * volume.high))
    rest: Literal["more", "less"] = "less" if sign > 0 else "more"
    ranged = span(ends, lambda end: figure(convert(end, "volume", units)), rest=rest)
    amount = show(sign * volume.mean, "volume", units)
    if sign > 0:
        return say(
            "Against today's timer the plan saves water: {amount} a year on average ({range} over "
            "the weather years)",
            amount=amount,
            range=ranged,
        )
    return say(
        "The plan uses {amount} a year more than today's timer on average ({range} over the "
        "weather years)",
        amount=amount,
        range=ranged,
    )


def _why(volume: Saving, today: TodayStress | None) -> str:
    """Say what today's timer does to the plants, where it leaves them short."""
    short = {} if today is None else today.short
    if today is None or not short:
        if volume.mean < 0 and today is not None:
            return say(
                "although today's timer keeps every zone within {days} stress days: sensors gain "
                "nothing here",
                days=f"{today.cap:.0f}",
            )
        return ""
    worst = list(short.items())[:_NAMED]
    named = say("{zones} days", zones=", ".join(f"{zone} {days:.0f}" for zone, days in worst))
    if len(short) > len(worst):
        named = say("{zones}, and {count} more zones", zones=named, count=len(short) - len(worst))
    told = {
        "count": len(short),
        "zones": len(today.days),
        "days": f"{today.cap:.0f}",
        "named": named,
    }
    if volume.mean < 0:
        return say(
            "because today's timer leaves plants short: {count} of {zones} zones pass {days} "
            "stress days in the worst season out of ten ({named})",
            **told,
        )
    return say(
        "although today's timer leaves plants short: {count} of {zones} zones pass {days} stress "
        "days in the worst season out of ten ({named})",
        **told,
    )


#: Zones named in a claim at most.
_NAMED = 3


def _payback_words(costs: Costs, built: Capital, money: Saving, volume: Saving) -> str:
    """Payback at the mean saving, with its range over the weather years."""
    mean = payback_years(built.total, money.mean)
    if mean is None:
        state = standing({"saved_m3": volume.mean, "saved_per_year": money.mean}, costs)
        return payback_words(state, cell=False)
    best = figure(payback_years(built.total, money.high), 1)
    worst = payback_years(built.total, money.low)
    end = figure(worst, 1) if worst is not None else say("never, were every year like the worst,")
    ranges = [say("{best} to {worst} by weather year", best=best, worst=end)]
    never = say("never")
    if math.isfinite(money.scenario_low) and money.scenario_low != money.scenario_high:
        low = payback_years(built.total, money.scenario_high)
        high = payback_years(built.total, money.scenario_low)
        if low is not None:
            most = never if high is None else figure(high, 1)
            ranges.append(say("{best} to {worst} by scenario", best=figure(low, 1), worst=most))
    rate = costs.discount_rate
    late = discounted_payback_years(built.total, money.mean, rate=rate)
    told = side_by_side(ranges, ", ")
    if rate > 0:
        interest = say(
            "at {rate} % interest {years}",
            rate=Figure(f"{100 * rate:g}"),
            years=never if late is None else figure(late, 1),
        )
        told = side_by_side([told, interest], "; ")
    return say("it pays back in {years} years ({ranges})", years=figure(mean, 1), ranges=told)


def _range(name: str, figure: Saving | None) -> dict[str, float | None]:
    """Entries of the result: mean, and the ranges."""
    values = (None,) * 5 if figure is None else astuple(figure)
    return dict(zip((f"{name}{end}" for end in _ENDS), values, strict=True))


_ENDS = ("", "_low", "_high", "_scenario_low", "_scenario_high")


def _pays(
    name: str, figure: Saving | None, years: Callable[[float], float | None]
) -> dict[str, float | None]:
    """Entries of the result: years at the mean saving, and at the ends of its ranges."""
    if figure is None:
        return {f"{name}{end}": None for end in _ENDS}
    # The greatest saving pays back first.
    at = (figure.mean, figure.high, figure.low, figure.scenario_high, figure.scenario_low)
    return {f"{name}{end}": years(saved) for end, saved in zip(_ENDS, at, strict=True)}
