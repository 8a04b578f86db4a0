"""The tornado of a plan's money: what moves it, and by how much."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.ticker import FuncFormatter

from siting.handoff._sheet_fonts import printable
from siting.handoff._sheet_text import elide
from siting.palette import DRYNESS, INK, NEED
from siting.planning import Plan
from siting.units import convert, unit_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_tornado"]

_LOW: Final = DRYNESS[4]
_HIGH: Final = NEED[4]
_INK: Final = INK["text"]


def plot_tornado(plan: Plan, ax: Axes) -> Axes:
    """Draw what moves the plan's result into given axes, the greatest swing on top.

    Result: one bar per input, from its value at the lower to that at the higher setting; a setting
    that the sensors cannot serve within the stress limit is named and has no bar.
    """
    table = plan.sensitivity.iloc[::-1]
    base = float(table["value_base"].iloc[0]) if len(table) else 0.0
    for at, (name, row) in enumerate(table.iterrows()):
        values = {end: float(row[f"value_{end}"]) for end in ("low", "high")}
        beyond = _beyond(values["low"], values["high"], base)
        for end, colour in (("low", _LOW), ("high", _HIGH)):
            _bar(ax, at, values[end], base=base, words=str(row[end]), colour=colour,
                 across=end == beyond)  # fmt: skip
        label = printable(elide(str(name), 40))
        ax.text(-0.02, at, label, transform=ax.get_yaxis_transform(), ha="right", va="center",
                fontsize=9, parse_math=False)  # fmt: skip
    ax.set_yticks([])
    ax.axvline(base, color=_INK, linewidth=1)
    ax.margins(x=0.18)
    ax.xaxis.set_major_formatter("{x:,.0f}")
    if len(table):
        measure, unit = (str(table[key].iloc[0]) for key in ("measure", "unit"))
        words, scale = _measured(plan, unit)
        ax.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{scale * x:,.0f}"))
        ax.set_xlabel(f"{printable(elide(measure, 40))} [{words}]", fontsize=9, parse_math=False)
    ax.spines[["top", "right", "left"]].set_visible(False)
    return ax


def _measured(plan: Plan, unit: str) -> tuple[str, float]:
    """Return the unit to write and what to multiply values by: water follows the plan's units."""
    if unit != "m3":
        return printable(elide(unit, 10)), 1.0
    units = plan.settings.units
    return unit_label("volume", units), convert(1.0, "volume", units)


def _beyond(low: float, high: float, base: float) -> str:
    """Return which end is named across the base, where both lie on one side of it; else ""."""
    ends = {"low": low, "high": high}
    lost = [end for end, value in ends.items() if not np.isfinite(value)]
    if lost:
        # An end without a bar is named right of the base, unless the other's bar lies there.
        other = high if lost[0] == "low" else low
        return lost[0] if len(lost) > 1 or other >= base else ""
    if (low - base) * (high - base) < 0:
        return ""
    return "low" if abs(low - base) <= abs(high - base) else "high"


def _bar(
    ax: Axes, at: int, value: float, *, base: float, words: str, colour: str, across: bool = False
) -> None:
    """Draw one end of a bar, or say that the limit is not kept there."""
    told = printable(elide(words, 24))
    if not np.isfinite(value):
        ax.annotate(
            f"{told}: limit not kept", (base, at), xytext=(-6 if across else 6, 0), fontsize=8,
            parse_math=False, textcoords="offset points", va="center", color=colour,
            ha="right" if across else "left",
        )  # fmt: skip
        return
    ax.barh(at, value - base, left=base, height=0.62, color=colour)
    right = (value >= base) != across
    ax.annotate(
        told, (base if across else value, at), xytext=(3 if right else -3, 0),
        textcoords="offset points", va="center", ha="left" if right else "right", fontsize=8,
        color=_INK, parse_math=False,
    )  # fmt: skip
