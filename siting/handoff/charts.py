"""Charts of a plan's money: the tornado of what moves it, and the curve of further sensors."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from siting.planning import Plan

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["sensor_curve_chart", "tornado_chart", "write_charts"]

_LOW: Final = "#8a5a00"
_HIGH: Final = "#2b5c8a"
_INK: Final = "#333333"


def tornado_chart(plan: Plan) -> Figure:
    """Draw what moves the plan's result, the greatest swing on top.

    Parameters
    ----------
    plan : Plan
        With its sensitivity.

    Returns
    -------
    matplotlib.figure.Figure
        One bar per input, from its value at the lower to that at the higher setting; a setting that
        the sensors cannot serve within the stress limit is named and has no bar.
    """
    table = plan.sensitivity.iloc[::-1]
    figure, axes = _blank(0.9 + 0.45 * max(len(table), 1))
    base = float(table["value_base"].iloc[0]) if len(table) else 0.0
    for at, (name, row) in enumerate(table.iterrows()):
        for end, colour in (("low", _LOW), ("high", _HIGH)):
            value = float(row[f"value_{end}"])
            if not np.isfinite(value):
                axes.annotate(
                    f"{row[end]}: limit not kept", (base, at), xytext=(6, 0), fontsize=7,
                    textcoords="offset points", va="center", color=colour,
                )  # fmt: skip
                continue
            axes.barh(at, value - base, left=base, height=0.62, color=colour, alpha=0.85)
            outward = 3 if value >= base else -3
            axes.annotate(
                str(row[end]), (value, at), xytext=(outward, 0), textcoords="offset points",
                va="center", ha="left" if value >= base else "right", fontsize=7, color=_INK,
            )  # fmt: skip
        axes.text(-0.02, at, str(name), transform=axes.get_yaxis_transform(), ha="right",
                  va="center", fontsize=8, parse_math=False)  # fmt: skip
    axes.set_yticks([])
    axes.axvline(base, color=_INK, linewidth=1)
    axes.margins(x=0.18)
    if len(table):
        words = f"{table['measure'].iloc[0]} [{table['unit'].iloc[0]}]"
        axes.set_xlabel(words, fontsize=8, parse_math=False)
    return figure


def sensor_curve_chart(plan: Plan) -> Figure:
    """Draw the yearly cost for each number of sensors, the chosen one marked.

    Parameters
    ----------
    plan : Plan
        With its choices.

    Returns
    -------
    matplotlib.figure.Figure
        Cost over number of sensors; numbers that cannot keep the stress limit are left out.
    """
    table = plan.choices[plan.choices["feasible"]]
    figure, axes = _blank(3.0)
    axes.plot(table.index, table["cost_per_year"], marker="o", color=_HIGH, linewidth=1.5)
    chosen = table[table["chosen"]]
    axes.plot(chosen.index, chosen["cost_per_year"], marker="o", markersize=12, fillstyle="none",
              color=_LOW)  # fmt: skip
    axes.set_xticks(list(table.index))
    axes.set_xlabel("sensors allowed", fontsize=8)
    currency = str(plan.economics["currency"])
    axes.set_ylabel(f"water and sensors [{currency}/year]", fontsize=8, parse_math=False)
    return figure


def write_charts(plan: Plan, folder: Path) -> tuple[Path, ...]:
    """Write both charts as PNG files.

    Parameters
    ----------
    plan : Plan
        The plan.
    folder : Path
        Made if need be.

    Returns
    -------
    tuple of Path
        tornado.png and sensors.png; the same plan gives the same bytes.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    charts = {"tornado.png": tornado_chart, "sensors.png": sensor_curve_chart}
    for name, draw in charts.items():
        plain: dict[str, Any] = {"Software": None}
        draw(plan).savefig(folder / name, dpi=150, metadata=plain)
    return tuple(folder / name for name in charts)


def _blank(height: float) -> tuple[Figure, Axes]:
    """Return a figure of its own canvas: no global state, no window."""
    figure = Figure(figsize=(6.4, height), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=8)
    return figure, axes
