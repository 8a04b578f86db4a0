"""Capital, yearly cost, savings and payback; nothing is claimed without a baseline.

Straight line, no interest: the yearly cost of a sensor is its capital over its life. Savings are
those of whole simulated seasons; their range is that of the weather years.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.site.settings import Costs, Water
from siting.units import UnitsName, convert, show, unit_label

__all__ = [
    "Capital",
    "Saving",
    "capital",
    "claim",
    "economics",
    "payback_years",
    "saving",
    "sensor_yearly_cost",
]


@dataclass(frozen=True)
class Capital:
    """What a plan costs to build [currency]."""

    device: float
    installation: float
    trench: float
    wire: float

    @property
    def total(self) -> float:
        """Sum of the parts [currency]."""
        return self.device + self.installation + self.trench + self.wire

    def yearly(self, life_years: float) -> float:
        """Return the cost of a year, straight line without interest [currency/year]."""
        return self.total / life_years


@dataclass(frozen=True)
class Saving:
    """A yearly figure: mean over the weather years, and the least and greatest year."""

    mean: float
    low: float
    high: float

    def times(self, price: float) -> Saving:
        """Return the figure at a price per unit."""
        return Saving(self.mean * price, self.low * price, self.high * price)


def capital(costs: Costs, *, sensors: int, trench_m: float = 0.0, wire_m: float = 0.0) -> Capital:
    """Return what a number of sensors costs to build.

    Parameters
    ----------
    costs : Costs
        Prices of a device, its installation, trench and wire.
    sensors : int
        Number of sensors; each needs one device and one installation.
    trench_m, wire_m : float
        Lengths; shared trench counts once [m].

    Returns
    -------
    Capital
        By part.

    Examples
    --------
    >>> capital(Costs(device=300, installation=150), sensors=1).total
    450.0
    """
    return Capital(
        device=float(costs.device * sensors),
        installation=float(costs.installation * sensors),
        trench=costs.trench_per_m * trench_m,
        wire=costs.wire_per_m * wire_m,
    )


def sensor_yearly_cost(
    costs: Costs, *, trench_m: float | NDArray[np.float64], wire_m: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the yearly cost of one sensor by its distance from the controller.

    Parameters
    ----------
    costs : Costs
        Prices and life.
    trench_m, wire_m : float or ndarray
        Lengths of its own trench and wire [m].

    Returns
    -------
    ndarray
        Straight line without interest [currency/year].
    """
    length = costs.trench_per_m * np.asarray(trench_m) + costs.wire_per_m * np.asarray(wire_m)
    return np.asarray((costs.device + costs.installation + length) / costs.life_years)


def saving(baseline_m3: NDArray[np.float64], plan_m3: NDArray[np.float64]) -> Saving:
    """Return the water saved a year.

    Parameters
    ----------
    baseline_m3, plan_m3 : ndarray, shape (Y,)
        Water of each simulated season under today's timer and under the plan [m³].

    Returns
    -------
    Saving
        Mean, least and greatest year; negative where the plan uses more [m³/year].
    """
    saved = np.asarray(baseline_m3, dtype=np.float64) - np.asarray(plan_m3, dtype=np.float64)
    return Saving(float(saved.mean()), float(saved.min()), float(saved.max()))


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
    baseline_m3: NDArray[np.float64] | None,
    plan_m3: NDArray[np.float64],
    units: UnitsName = "metric",
) -> dict[str, Any]:
    """Return the money of a plan, with None for everything that cannot be claimed.

    Savings in money need a baseline timer and a water price; payback needs the costs stated too.

    Parameters
    ----------
    costs : Costs
        Prices; `given` tells whether the user stated them.
    water : Water
        Price and currency.
    built : Capital
        What the plan costs to build; see `capital`.
    baseline_m3 : ndarray, shape (Y,), or None
        Water of each season under today's timer; None without a timer [m³].
    plan_m3 : ndarray, shape (Y,)
        Water of each season under the plan [m³].
    units : {"metric", "us"}
        Units of the amounts in the claim.

    Returns
    -------
    dict
        currency, capital, device, installation, trench, wire, yearly_cost, saved_m3 and
        saved_per_year (with _low and _high: least and greatest year), payback_years (with _low: at
        the greatest year's saving; _high: at the least, None when that year saves nothing), claim.
    """
    volume = None
    if baseline_m3 is not None and len(baseline_m3) and np.all(np.isfinite(baseline_m3)):
        volume = saving(baseline_m3, plan_m3)
    money = None if volume is None or water.price is None else volume.times(water.price)
    paid = money if costs.given else None
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
        "payback_years": paid and payback_years(built.total, paid.mean),
        "payback_years_low": paid and payback_years(built.total, paid.high),
        "payback_years_high": paid and payback_years(built.total, paid.low),
        "claim": claim(costs, water, built=built, volume=volume, units=units),
    }


def claim(
    costs: Costs,
    water: Water,
    *,
    built: Capital,
    volume: Saving | None,
    units: UnitsName = "metric",
) -> str:
    """Say in plain words what may be claimed, and what is missing.

    Parameters
    ----------
    costs, water : Costs, Water
        As the user gave them.
    built : Capital
        What the plan costs to build.
    volume : Saving or None
        Water saved a year; None without a baseline [m³/year].
    units : {"metric", "us"}
        Units of the amounts of water.

    Returns
    -------
    str
        One paragraph.
    """
    currency = water.currency
    spent = f"Building it costs {built.total:,.0f} {currency}"
    if not costs.given:
        spent += " at the trade's usual prices (common practice, no source; none were given)"
    if volume is None:
        return (
            f"{spent}. No saving is claimed: there is no timer of today to compare with (give "
            "[timer] days and minutes)."
        )
    verb = "saves" if volume.mean > 0 else "does not save"
    water_words = (
        f"Against today's timer the plan {verb} water: {show(volume.mean, 'volume', units)} a year "
        f"on average ({convert(volume.low, 'volume', units):,.0f} to "
        f"{convert(volume.high, 'volume', units):,.0f} over the weather years)"
    )
    if water.price is None:
        return f"{water_words}. {spent}. No money is claimed: no water price was given."
    money = volume.times(water.price)
    words = (
        f"{water_words}, worth {money.mean:,.0f} {currency} at "
        f"{convert(water.price, 'volume_price', units):,.2f} {currency} "
        f"{unit_label('volume_price', units)} ({money.low:,.0f} to {money.high:,.0f})."
    )
    if not costs.given:
        return f"{words} {spent}. No payback is claimed: give [costs] to have one."
    return f"{words} {spent}; {_payback_words(built, money)}."


def _payback_words(built: Capital, money: Saving) -> str:
    """Payback at the mean saving, with its range over the weather years."""
    mean = payback_years(built.total, money.mean)
    if mean is None:
        return "it never pays back in water"
    best = payback_years(built.total, money.high) or math.inf
    worst = payback_years(built.total, money.low)
    end = f"{worst:.1f}" if worst is not None else "never, were every year like the worst,"
    return f"it pays back in {mean:.1f} years ({best:.1f} to {end} by weather year)"


def _range(name: str, figure: Saving | None) -> dict[str, float | None]:
    """Three entries of the result: mean, least and greatest year."""
    values = (None, None, None) if figure is None else (figure.mean, figure.low, figure.high)
    return dict(zip((name, f"{name}_low", f"{name}_high"), values, strict=True))
