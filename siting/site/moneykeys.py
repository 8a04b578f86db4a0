"""Read `[water]` and `[costs]`: prices, tiers of price, metered bills, what a sensor costs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from siting.site.settings import Bills, Costs, Tier, Water
from siting.site.tomltable import NumberKey, TomlTable
from siting.site.vocabulary import BUDGET_USES, BUDGETS, MONTHS
from siting.units import FOOT_M, GALLON_M3

__all__ = ["COST_KEYS", "PRICE_KEY", "WATER_KEYS", "read_costs", "read_water"]

_KGAL_M3: Final = 1000 * GALLON_M3
_CCF_M3: Final = 100 * FOOT_M**3

COST_KEYS: Final = (
    NumberKey("device", 0, 1e7),
    NumberKey("installation", 0, 1e7),
    NumberKey("trench_per_m", 0, 1e5, spellings={"trench_per_m": 1.0, "trench_per_ft": 1 / FOOT_M}),
    NumberKey("wire_per_m", 0, 1e5, spellings={"wire_per_m": 1.0, "wire_per_ft": 1 / FOOT_M}),
    NumberKey("life_years", 0.5, 100),
    NumberKey("discount_rate", 0, 0.5),
)
PRICE_KEY: Final = NumberKey(
    "price",
    0,
    1e6,
    spellings={
        "price": 1.0,
        "price_per_m3": 1.0,
        "price_per_kgal": 1 / _KGAL_M3,
        "price_per_ccf": 1 / _CCF_M3,
    },
)
_VOLUMES: Final = {"_m3": 1.0, "_kgal": _KGAL_M3, "_gal": GALLON_M3, "_ccf": _CCF_M3}
_OTHER: Final = NumberKey(
    "other_use_m3", 0, 1e7, spellings={f"other_use{end}": size for end, size in _VOLUMES.items()}
)
_UP_TO: Final = NumberKey(
    "up_to_m3", 0, 1e9, spellings={f"up_to{end}": size for end, size in _VOLUMES.items()}
)
#: Keys that live in `[water]` only.
WATER_KEYS: Final = (PRICE_KEY, _OTHER, NumberKey("tiers", 0, 0), NumberKey("bills", 0, 0))


def read_costs(top: TomlTable) -> Costs:
    """Return the table `[costs]`, with its defaults where absent or faulty.

    Parameters
    ----------
    top : TomlTable
        The property file.

    Returns
    -------
    Costs
        Costs, and whether the user gave any.
    """
    table = top.table("costs")
    if table is None:
        return Costs(given="costs" in top)
    found = table.numbers(COST_KEYS)
    table.finish()
    return Costs(**found, given=True)


def read_water(top: TomlTable) -> Water:
    """Return the table `[water]`, with its defaults where absent or faulty.

    Parameters
    ----------
    top : TomlTable
        The property file.

    Returns
    -------
    Water
        Price or tiers, other use, bills and budget.
    """
    table = top.table("water")
    if table is None:
        return Water()
    price, currency = table.number(PRICE_KEY), table.text("currency")
    other = table.number(_OTHER)
    tiers, bills = _tiers(table), _bills(table)
    budget, use = table.choice("budget", BUDGETS), table.choice("budget_use", BUDGET_USES)
    table.finish()
    if price is not None and tiers:
        table.fault("tiers", "a price and tiers together", "one of them", "Remove one.")
    return Water(
        price=price,
        currency=currency or Water.currency,
        tiers=tiers,
        other_use_m3=other or 0.0,
        bills=bills,
        budget=budget,
        budget_use=use or Water.budget_use,
    )


def _tiers(table: TomlTable) -> tuple[Tier, ...]:
    """Return the steps of the price; only the last may lack an upper end."""
    value = table.take("tiers")
    if value is None:
        return ()
    example = "Write [[water.tiers]] with up_to_m3 (or up_to_kgal) and price, once per tier."
    if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
        table.fault("tiers", str(value), "tables [[water.tiers]]", example)
        return ()
    tiers = []
    for item in value:
        inner = TomlTable(table.file, item, "water.tiers")
        end, price = inner.number(_UP_TO), inner.number(PRICE_KEY, required=True)
        inner.finish()
        tiers.append(Tier(math.inf if end is None else end, price or 0.0))
    ends = [tier.up_to_m3 for tier in tiers]
    if ends != sorted(set(ends)):
        shown = ", ".join(f"{end:g}" for end in ends)
        table.fault("tiers", f"upper ends {shown} m³", "rising upper ends, none twice", example)
    if ends and math.isfinite(ends[-1]):
        tiers[-1] = Tier(math.inf, tiers[-1].price)
    return tuple(tiers)


def _bills(table: TomlTable) -> Bills | None:
    """Return metered use by month; months that are not named were not metered."""
    inner = table.table("bills")
    if inner is None:
        return None
    unit = inner.choice("unit", ("m3", "kgal", "gal", "ccf")) or "m3"
    meter = inner.choice("meter", ("irrigation", "all"))
    found: dict[int, float] = {}
    for number, name in enumerate(MONTHS, start=1):
        for spelling in (name[:3], name, str(number)):
            key = NumberKey(name[:3], 0, 1e7, spellings={spelling: _VOLUMES[f"_{unit}"]})
            value = inner.number(key)
            if value is not None:
                found[number] = value
    inner.finish()
    if not found:
        inner.fault("", "no month", "month = use, such as jul = 85", "Write jul = 85.")
        return None
    return Bills(found, everything=meter == "all")
