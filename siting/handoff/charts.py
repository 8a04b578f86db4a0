"""Charts on paper: water by season, what one more sensor is worth, what moves the result.

A chart is first laid out, as bars, lines and words in points from its lower left corner, and then
painted: so what stands where can be looked at without a page. What notebooks draw of the same
tables is in `siting.handoff.figures`, which takes the values from here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from reportlab.lib.colors import HexColor

from siting.handoff.drawing import Canvas, draw_text, fit_text, printable, width_of
from siting.handoff.facts import elide
from siting.handoff.overlays import nice_scale
from siting.handoff.tables import about_chosen
from siting.palette import DRYNESS, INK, MARKS, NEED
from siting.planning.model import Plan
from siting.units import UnitsName, convert, unit_label

if TYPE_CHECKING:
    import pandas as pd

    from siting.arrays import Floats

#: Today's water and the plan's; what is worth its price and what is not.
_TODAY, _PLANNED = DRYNESS[2], NEED[4]
GAIN, LOSS = NEED[4], DRYNESS[3]
#: A bar at the lower and at the higher setting.
_LOW, _HIGH = DRYNESS[4], NEED[4]
#: Marks of a number of sensors that is needed whatever it costs: no fill, hatched.
_HATCHED: Final = ""
_HATCH_PT: Final = 6.0
_TICK_PT: Final = 3.0
_TITLE: Final = 10.5
_SIZE: Final = 9.0
_SMALL: Final = 9.0
#: From a baseline to the middle of lower-case letters, as a share of the type size.
_MIDDLE: Final = 0.36
_MOST_YEARS: Final = 12


@dataclass(frozen=True)
class Words:
    """Words of a chart: where their middle line is, from where they are set, and how large [pt].

    anchor: 0 where they start at x, 0.5 about it, 1 where they end there; turned: read upwards.
    """

    text: str
    x: float
    y: float
    size: float = _SIZE
    anchor: float = 0.5
    colour: str = INK["text"]
    bold: bool = False
    turned: bool = False

    @property
    def left(self) -> float:
        """Where they begin [pt]."""
        return self.x - self.anchor * width_of(self.text, self.size, bold=self.bold)

    @property
    def right(self) -> float:
        """Where they end [pt]."""
        return self.left + width_of(self.text, self.size, bold=self.bold)


class Bar(NamedTuple):
    """A bar of a colour, or a hatched one [pt]."""

    left: float
    foot: float
    right: float
    top: float
    colour: str


class Line(NamedTuple):
    """A straight line [pt]."""

    x: float
    y: float
    to_x: float
    to_y: float
    colour: str
    width: float = 0.8


@dataclass(frozen=True)
class Chart:
    """What a chart is drawn of, from the ground up."""

    bars: list[Bar] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)

    def paint(self, canvas: Canvas) -> None:
        """Draw it from a canvas' origin."""
        for bar in self.bars:
            _paint_bar(canvas, bar)
        for line in self.lines:
            canvas.setStrokeColor(HexColor(line.colour))
            canvas.setLineWidth(line.width)
            canvas.line(line.x, line.y, line.to_x, line.to_y)
        for words in self.words:
            canvas.saveState()
            canvas.translate(words.x, words.y)
            if words.turned:
                canvas.rotate(90)
            draw_text(
                canvas, 0, -_MIDDLE * words.size, words.text, size=words.size, bold=words.bold,
                colour=words.colour, anchor=words.anchor,
            )  # fmt: skip
            canvas.restoreState()


def _paint_bar(canvas: Canvas, bar: Bar) -> None:
    """Draw a bar."""
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(bar.left, bar.foot, bar.right - bar.left, bar.top - bar.foot)
    if bar.colour == _HATCHED:
        canvas.setStrokeColor(HexColor(MARKS["keepout"]))
        canvas.setLineWidth(0.8)
        canvas.clipPath(path, stroke=1, fill=0)
        tall = bar.top - bar.foot
        for start in np.arange(bar.left - tall, bar.right, _HATCH_PT):
            canvas.line(start, bar.foot, start + tall, bar.top)
    else:
        canvas.setFillColor(HexColor(bar.colour))
        canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()


class Worth(NamedTuple):
    """What one more sensor is worth a year [currency]; NaN where it is needed at any price.

    place: the sensor's number in the row; least, most: over the scenarios.
    """

    place: int
    value: float
    least: float
    most: float

    @property
    def ranges(self) -> bool:
        """Whether scenarios differ about it."""
        return self.most > self.least

    @property
    def label(self) -> str:
        """The worth as it is written.

        >>> Worth(2, -20.5, -31.0, -20.5).label, Worth(1, 0.2, 0.2, 0.2).label
        ('−20', '0')
        """
        told = f"{self.value:+,.0f}"
        return told.replace("-", "−").replace("+0", "0").replace("−0", "0")


def worths(plan: Plan) -> list[Worth]:
    """Return what each further sensor is worth, about the chosen number where there are many."""
    rows = [{"n": n, "chosen": chosen} for n, chosen in plan.choices["chosen"].items()]
    steps = plan.choices.loc[[row["n"] for row in about_chosen(rows)]].iloc[:-1]
    worth = steps["value_of_next"].where(steps["feasible"]).to_numpy(dtype=float)
    ends = [_ends(steps, key, worth) for key in ("value_of_next_low", "value_of_next_high")]
    places = steps.index.to_numpy(dtype=int) + 1
    return [
        Worth(int(place), float(value), float(least), float(most))
        for place, value, least, most in zip(places, worth, *ends, strict=True)
    ]


def _ends(steps: pd.DataFrame, column: str, worth: Floats) -> Floats:
    """Return an end of the range; the worth itself where it is not known."""
    values = steps[column].to_numpy(dtype=float) if column in steps else worth
    return np.where(np.isfinite(values), values, worth)


def top_of(steps: Sequence[Worth]) -> float:
    """Return how tall a bar without a worth is drawn: as the tallest of the others."""
    known = [step.value for step in steps if math.isfinite(step.value)]
    best = max(known, default=1.0)
    return best if best > 0 else max(map(abs, known)) or 1.0


def choices_title(plan: Plan, steps: Sequence[Worth]) -> str:
    """Return what the chart of numbers says above itself."""
    chosen = plan.choices.index[plan.choices["chosen"]]
    said = f"; chosen: {int(chosen[0])}" if len(chosen) else ""
    lines = "; lines: range over scenarios" if any(step.ranges for step in steps) else ""
    return f"What one more sensor is worth{said}{lines}"


def nth(number: int) -> str:
    """Return a number as in a row.

    >>> [nth(n) for n in (1, 2, 3, 4, 11, 22)]
    ['1st', '2nd', '3rd', '4th', '11th', '22nd']
    """
    last = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if 10 < number % 100 < 14 else last}"  # noqa: PLR2004 - eleven to thirteen


def season_bars(plan: Plan, units: UnitsName) -> list[tuple[str, str, list[float]]]:
    """Return name, colour and water of each season, of today's timer where known and the plan."""
    timer = np.isfinite(plan.season["baseline_m3"].to_numpy(dtype=float)).any()
    bars = [("today's timer", _TODAY, "baseline_m3")] if timer else []
    bars.append(("this plan", _PLANNED, "plan_m3"))
    return [
        (name, colour, [convert(float(v), "volume", units) for v in plan.season[column]])
        for name, colour, column in bars
    ]


def named_years(plan: Plan) -> list[tuple[int, str]]:
    """Return which seasons are named, and how: every year of many would be a black band."""
    years = [str(int(year)) for year in plan.season.index]
    step = max(1, -(-len(years) // _MOST_YEARS))
    return list(enumerate(years))[::step]


def _ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Return round values within a range, and how each is written.

    >>> _ticks(-8.0, 31.4)
    [(0.0, '0'), (10.0, '10'), (20.0, '20'), (30.0, '30')]
    """
    scale, hair = nice_scale(low, high), 1e-9 * (high - low)
    return [
        (tick, f"{tick:,.{scale.decimals}f}".replace("-", "−"))
        for tick in scale.ticks
        if low - hair <= tick <= high + hair
    ]


class _Upright:
    """A chart of upright bars: values to heights, with a scale at the left and a title."""

    def __init__(
        self, size: tuple[float, float], values: Sequence[float], *, unit: str, title: str
    ) -> None:
        width, height = size
        known = [v for v in values if math.isfinite(v)]
        low, high = min([0.0, *known]), max([0.0, *known])
        span = max(high - low, 1e-9)
        pad = 0.14 * span  # room for what stands over a bar, and under one below zero
        self.low, self.high = low - (pad if low < 0 else 0.0), high + pad
        self.foot, self.top = 18.0, height - 22.0
        self.chart = Chart()
        ticks = _ticks(self.low, self.high)
        widest = max((width_of(label, _SIZE) for _, label in ticks), default=0.0)
        self.left, self.right = 16.0 + widest + _TICK_PT + 3, width - 2
        for tick, label in ticks:
            y = self.at(tick)
            self.chart.lines.append(Line(self.left - _TICK_PT, y, self.left, y, INK["quiet"]))
            self.chart.words.append(Words(label, self.left - _TICK_PT - 2, y, anchor=1.0))
        self.chart.lines.append(Line(self.left, self.foot, self.left, self.top, INK["quiet"]))
        zero = self.at(0.0)
        self.chart.lines.append(Line(self.left, zero, self.right, zero, INK["quiet"]))
        middle = (self.foot + self.top) / 2
        self.chart.words.append(Words(unit, 5.0, middle, turned=True))
        self.chart.words.append(Words(title, self.left, height - 7, size=_TITLE, anchor=0.0))

    def at(self, value: float) -> float:
        """Return the height of a value [pt]."""
        share = (value - self.low) / (self.high - self.low)
        return self.foot + share * (self.top - self.foot)

    def middles(self, count: int) -> list[float]:
        """Return the middles of places side by side [pt]."""
        wide = (self.right - self.left) / max(count, 1)
        return [self.left + (k + 0.5) * wide for k in range(count)]


def season_chart(plan: Plan, width: float, height: float) -> Chart:
    """Lay out the water of every season, under today's timer and under the plan."""
    units = plan.settings.units
    bars = season_bars(plan, units)
    axes = _Upright(
        (width, height), [v for _, _, volumes in bars for v in volumes],
        unit=f"{unit_label('volume', units)} a season", title="Water, season by season",
    )  # fmt: skip
    chart, middles = axes.chart, axes.middles(len(plan.season))
    wide = (axes.right - axes.left) / max(len(plan.season), 1)
    for k, (_, colour, volumes) in enumerate(bars):
        shift = (k - len(bars) / 2) * 0.4 * wide
        for middle, volume in zip(middles, volumes, strict=True):
            if math.isfinite(volume):
                left = middle + shift + 0.01 * wide
                chart.bars.append(
                    Bar(left, axes.at(0.0), left + 0.38 * wide, axes.at(volume), colour)
                )
    for at, year in named_years(plan):
        chart.words.append(Words(year, middles[at], 9.0))
    right = width - 2
    for name, colour, _ in reversed(bars):
        told = Words(name, right, height - 7, anchor=1.0)
        chart.words.append(told)
        chart.bars.append(Bar(told.left - 24, height - 10, told.left - 5, height - 4, colour))
        right = told.left - 38
    return chart


def choices_chart(plan: Plan, width: float, height: float) -> Chart:
    """Lay out what one more sensor is worth; hatched where it is needed whatever it costs."""
    steps = worths(plan)
    top = top_of(steps)
    reached = [v for step in steps for v in (step.value, step.least, step.most)]
    lacking = any(not math.isfinite(step.value) for step in steps)
    currency = printable(elide(str(plan.economics["currency"]), 10))
    axes = _Upright(
        (width, height), [*reached, *([top] if lacking else [])],
        unit=f"{currency} a year", title=choices_title(plan, steps),
    )  # fmt: skip
    chart, zero = axes.chart, axes.at(0.0)
    half = 0.31 * min((axes.right - axes.left) / max(len(steps), 1), 120.0)
    for step, middle in zip(steps, axes.middles(len(steps)), strict=True):
        left, right = middle - half, middle + half
        chart.words.append(Words(nth(step.place), middle, 9.0))
        if not math.isfinite(step.value):
            chart.bars.append(Bar(left, zero, right, axes.at(top), _HATCHED))
            chart.words.append(Words("needed", middle, axes.at(top) + 7))
            continue
        ends = sorted((zero, axes.at(step.value)))
        chart.bars.append(Bar(left, ends[0], right, ends[1], GAIN if step.value > 0 else LOSS))
        if step.ranges:
            chart.lines.extend(_whisker(middle, axes.at(step.least), axes.at(step.most)))
        above = max(ends[1], axes.at(step.most)) if step.ranges else ends[1]
        chart.words.append(Words(step.label, middle, above + 7))
    return chart


def _whisker(x: float, least: float, most: float) -> Iterator[Line]:
    """Yield the range of a bar."""
    yield Line(x, least, x, most, INK["text"], 1.3)
    for y in (least, most):
        yield Line(x - 6, y, x + 6, y, INK["text"], 1.3)


#: Of a chart's width, for the names of what is moved.
_NAMES_SHARE: Final = 0.24
#: Bars have no less than this of it, whatever stands beside them.
_BARS_SHARE: Final = 0.3


class _End(NamedTuple):
    """One end of a row: the result there, what it is called, and on which side that stands."""

    value: float
    told: str
    colour: str
    across: bool
    right: bool


def moves_height(plan: Plan) -> float:
    """Return how tall the chart of what moves the result is [pt]."""
    return 40.0 + 17.0 * len(plan.sensitivity)


def moves_chart(plan: Plan, width: float, height: float) -> Chart:
    """Lay out what moves the plan's result, the greatest swing on top.

    Result: one bar per input, from its value at the lower to that at the higher setting; a setting
    that the sensors cannot serve within the stress limit is named and has no bar.
    """
    table, chart = plan.sensitivity, Chart()
    if not len(table):
        return chart
    base = float(table["value_base"].iloc[0])
    rows = [(str(name), list(_row_ends(row, base))) for name, row in table.iterrows()]
    ends = [end for _, row in rows for end in row]
    low, high = _reach([base, *(end.value for end in ends if math.isfinite(end.value))])
    left, right = _NAMES_SHARE * width, width - 2
    room = [_room([end for end in ends if end.right is side]) for side in (False, True)]
    spare = (right - left) * (1 - _BARS_SHARE)
    squeeze = min(1.0, spare / max(sum(room), 1e-9))
    from_x, to_x = left + room[0] * squeeze, right - room[1] * squeeze

    def at(value: float) -> float:
        return from_x + (value - low) / (high - low) * (to_x - from_x)

    foot, top = 28.0, height - 3.0
    tall = (top - foot) / len(rows)
    for k, (name, row) in enumerate(rows):
        y = top - (k + 0.5) * tall
        label = fit_text(elide(name, 40), 9.0, left - 8)
        chart.words.append(Words(label, left - 6, y, size=9.0, anchor=1.0))
        for end in row:
            _lay_end(chart, end, y, 0.31 * tall, base=at(base), value=at(end.value))
    chart.lines.append(Line(at(base), foot, at(base), top, INK["text"], 1.0))
    words, factor = _measured(plan, str(table["unit"].iloc[0]))
    measure = f"{printable(elide(str(table['measure'].iloc[0]), 40))} [{words}]"
    chart.words.append(Words(measure, (left + right) / 2, 6.0))
    per_point = (high - low) / (to_x - from_x)
    shown = [low + (x - from_x) * per_point for x in (left, right)]
    chart.lines.append(Line(left, foot, right, foot, INK["quiet"]))
    for tick, label in _ticks(factor * shown[0], factor * shown[1]):
        x = at(tick / factor)
        chart.lines.append(Line(x, foot - _TICK_PT, x, foot, INK["quiet"]))
        chart.words.append(Words(label, x, foot - 9))
    return chart


def _row_ends(row: pd.Series[Any], base: float) -> Iterator[_End]:
    """Yield both ends of a row."""
    values = {end: float(row[f"value_{end}"]) for end in ("low", "high")}
    beyond = _beyond(values["low"], values["high"], base)
    for end, colour in (("low", _LOW), ("high", _HIGH)):
        told, value, across = printable(elide(str(row[end]), 24)), values[end], end == beyond
        if math.isfinite(value):
            yield _End(value, told, colour, across, right=(value >= base) != across)
        else:
            yield _End(value, f"{told}: limit not kept", colour, across, right=not across)


def _beyond(low: float, high: float, base: float) -> str:
    """Return which end is named across the base, where both lie on one side of it; else ""."""
    ends = {"low": low, "high": high}
    lost = [end for end, value in ends.items() if not math.isfinite(value)]
    if lost:
        # An end without a bar is named right of the base, unless the other's bar lies there.
        other = high if lost[0] == "low" else low
        return lost[0] if len(lost) > 1 or other >= base else ""
    if (low - base) * (high - base) < 0:
        return ""
    return "low" if abs(low - base) <= abs(high - base) else "high"


def _reach(values: Sequence[float]) -> tuple[float, float]:
    """Return what the bars reach from and to, with some length between."""
    low, high = min(values), max(values)
    if high - low < 1e-9 * max(1.0, abs(high)):
        return low - 0.5, high + 0.5
    return low, high


def _room(ends: Sequence[_End]) -> float:
    """Return the room that the names of ends take [pt]."""
    return max((width_of(end.told, _SMALL) for end in ends), default=0.0) + 8.0


def _lay_end(chart: Chart, end: _End, y: float, half: float, *, base: float, value: float) -> None:
    """Lay one end of a row: its bar, and its name beside it or across the base."""
    side = 1 if end.right else -1
    anchor = 0.0 if end.right else 1.0
    if not math.isfinite(end.value):
        chart.words.append(
            Words(end.told, base + 6 * side, y, size=_SMALL, anchor=anchor, colour=end.colour)
        )
        return
    chart.bars.append(Bar(min(base, value), y - half, max(base, value), y + half, end.colour))
    x = (base if end.across else value) + 3 * side
    chart.words.append(Words(end.told, x, y, size=_SMALL, anchor=anchor))


def _measured(plan: Plan, unit: str) -> tuple[str, float]:
    """Return the unit to write and what to multiply values by: water follows the plan's units."""
    if unit != "m3":
        return printable(elide(unit, 10)), 1.0
    units = plan.settings.units
    return unit_label("volume", units), convert(1.0, "volume", units)
