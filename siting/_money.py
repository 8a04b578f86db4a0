"""Bills by the month, and money over the years. Private to `siting.economics`."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siting.site.settings import Water

__all__ = ["average_price", "discounted_payback_years", "net_present_value", "water_cost"]

_Array = NDArray[np.float64]

#: A rate below this is none.
NO_INTEREST: Final = 1e-9


def water_cost(water: Water, monthly_m3: _Array) -> _Array:
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


def average_price(water: Water, monthly_m3: _Array) -> float | None:
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
