"""Two pages for whoever decides and pays: how many and why, cost, saving, payback, assumptions."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from reportlab.lib.utils import ImageReader
from reportlab.platypus import PageBreak, Spacer

from siting.handoff._sheet_pen import Canvas, Drawing
from siting.handoff._sheet_tables import bullets, facts, grid, heading, text
from siting.handoff._sheet_text import clean, elide, money, number
from siting.handoff.figures import plot_choices, plot_season
from siting.planning import Plan
from siting.units import convert, show, unit_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["assumptions_in_words", "owner_pages", "owner_summary"]

_DPI: Final = 170
_HEIGHT: Final = 175.0
_WHOLE: Final = 20_000  # characters: a text of ours that is never cut
_PARTS: Final = (
    ("device", "sensors and their control units"),
    ("installation", "putting them in"),
    ("trench", "trench"),
    ("wire", "wire"),
)


def owner_pages(plan: Plan, *, width: float) -> list[Any]:
    """Return the flowables of the owner's two pages, from the top of a page.

    Parameters
    ----------
    plan : Plan
        The plan.
    width : float
        Between the margins [pt].
    """
    currency = elide(clean(plan.economics.get("currency")), 10)
    parts = [
        (words, money(plan.economics.get(key), currency))
        for key, words in _PARTS
        if plan.economics.get(key) is not None
    ]
    total = [("together", money(plan.economics.get("capital"), currency))]
    rows = parts + total
    return [
        PageBreak(),
        heading("For the owner: what is bought, and why", "tag"),
        facts(owner_summary(plan), width=width, share=0.3),
        heading("How many sensors, and why"),
        text(plan.answer, longest=_WHOLE),
        *([_figure(plot_choices, plan, width)] if len(plan.choices) > 1 else []),
        heading("What it costs"),
        grid(("Part", "Amount"), rows, (3, 1), width=width * 0.6, bold_rows=(len(rows) - 1,)),
        PageBreak(),
        heading("For the owner: what it saves, and what that rests on", "tag"),
        text(plan.economics.get("claim"), longest=_WHOLE),
        *([] if plan.season.empty else [_figure(plot_season, plan, width)]),
        heading("What this rests on"),
        *bullets(assumptions_in_words(plan)),
        heading("What to do next"),
        *bullets(_NEXT),
        Spacer(1, 4),
    ]


_NEXT: Final = (
    "Walk the property with this plan: does every zone look as it is described here? What the map "
    "does not show, the plan does not know.",
    "Decide on the number of sensors. One fewer is a fair choice where the next is worth little.",
    "Have the work done by people licensed for it where you are; utilities are located before "
    "anyone digs, and private lines are yours to point out.",
    "Compare the water meter with the plan after the first season.",
)


def owner_summary(plan: Plan) -> list[tuple[str, object]]:
    """Return the plan in a handful of figures, each with its range.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of (str, str)
        What and how much; what cannot be claimed says so.
    """
    known, units = plan.economics, plan.settings.units
    currency = elide(clean(known.get("currency")), 10)
    count = len(plan.sensors)
    kinds = ", ".join(dict.fromkeys(clean(k).replace("_", "-") for k in plan.sensors["control"]))
    rows: list[tuple[str, object]] = [
        ("Sensors", f"{count} for {len(plan.zones)} zones ({kinds} control)"),
        ("Cost to build", money(known.get("capital"), currency)),
    ]
    saved = plan.season["saved_m3"].dropna() if len(plan.season) else plan.season.get("saved_m3")
    if saved is None or not len(saved):
        return [*rows, ("Water saved", "not claimed: today's timer is not known")]
    ends = [f"{convert(float(v), 'volume', units):,.0f}" for v in (saved.min(), saved.max())]
    share = plan.season["saved_fraction"].dropna()
    rows.append(
        (
            "Water saved a season",
            f"{show(float(saved.mean()), 'volume', units)}, {share.mean():.0%} of today's use "
            f"({ends[0]} to {ends[1]} by weather year)",
        )
    )
    rows.append(("Money saved a year", _ranged(plan, "saved_per_year", currency)))
    rows.append(("Pays back in", _ranged(plan, "payback_years", "")))
    return rows


def _ranged(plan: Plan, key: str, currency: str) -> str:
    """Return an amount with its range, or that it is not claimed."""
    known = plan.economics

    def say(value: float | None) -> str:
        return money(value, currency) if currency else number(value, 1)

    if known.get(key) is None:
        return "not claimed: prices are missing (see below)"
    unit = "" if currency else " years"
    low, high = known.get(f"{key}_low"), known.get(f"{key}_high")
    if low is None or high is None:
        worst = "" if currency else "; in the worst weather years it would not"
        return f"{say(known.get(key))}{unit}{worst}"
    return f"{say(known.get(key))}{unit} ({say(low)} to {say(high)} by weather year)"


def assumptions_in_words(plan: Plan) -> list[str]:
    """Return what the figures rest on, in plain words.

    Parameters
    ----------
    plan : Plan
        The plan.

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
        _price(plan),
        (
            "The costs of sensors, installation, trench and wire are those you gave."
            if settings.costs.given
            else "The costs are the trade's usual ones (common practice, no source); give your own "
            "to have a payback."
        )
        + f" Costs are spread evenly over {settings.costs.life_years:g} years, without interest and"
        " without a rise in the price of water.",
        f"No zone may run short on more than {settings.control.max_stress_days:g} days of a season "
        "in the driest quarter of its ground; fewer sensors than that allows are ruled out.",
        f"The choice was tried under {settings.analysis.scenarios} combinations of what nobody "
        "knows exactly: heights of trees and buildings, plants' thirst, soil and evenness of "
        "watering.",
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


def _price(plan: Plan) -> str:
    """Say at which price water is counted."""
    price, units = plan.settings.water.price, plan.settings.units
    if price is None:
        return "No price of water was given, so no money is claimed."
    currency = elide(clean(plan.settings.water.currency), 10)
    return (
        f"Water is counted at {convert(price, 'volume_price', units):,.2f} {currency} "
        f"{unit_label('volume_price', units)}."
    )


def _zone_defaults(plan: Plan) -> list[str]:
    """Say for how many zones something was assumed."""
    count = sum(bool(clean(words)) for words in plan.zones["defaults"])
    if not count:
        return ["Every zone's soil, plants and sprinklers are as you gave them."]
    return [
        f"For {count} of {len(plan.zones)} zones something was assumed that was not given, such as "
        "root depth or soil; the list is under “Zones”. Measuring it makes the plan surer."
    ]


def _figure(plot: Callable[[Plan, Axes], Axes], plan: Plan, width: float) -> Drawing:
    """Return a plot as a picture in the flow."""
    picture = _png(plot, plan, width / 72, _HEIGHT / 72)

    def paint(canvas: Canvas, wide: float, high: float) -> None:
        canvas.drawImage(ImageReader(io.BytesIO(picture)), 0, 0, wide, high)

    return Drawing(paint, width=width, height=_HEIGHT)


def _png(plot: Callable[[Plan, Axes], Axes], plan: Plan, wide: float, high: float) -> bytes:
    """Draw a plot of a size [in]; no date and no version goes into the file."""
    out = io.BytesIO()
    with mpl.rc_context({**mpl.rcParamsDefault, "font.size": 9.0}):
        figure = Figure(figsize=(wide, high), layout="constrained")
        FigureCanvasAgg(figure)
        plot(plan, figure.subplots())
        figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
    return out.getvalue()
