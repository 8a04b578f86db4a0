"""Evidence in pictures: a sensor's log with what was found in it, and the plan before and after."""

from __future__ import annotations

import io
import math
from typing import Any, Final

import geopandas as gpd
import pandas as pd
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure

from siting._commission_health import Health
from siting.palette import INK, MARKS
from siting.planning import Plan
from siting.units import show

__all__ = ["before_after_picture", "evidence_picture"]

_DPI: Final = 110
_DAY: Final = pd.Timedelta(days=1)
_TITLES: Final = {
    "dead": "sends nothing that can be a soil's",
    "air_gap": "hardly touches the soil",
    "downspout": "rain is led to it",
    "wrong_zone": "another valve wets it",
    "threshold_low": "threshold too low",
    "threshold_high": "threshold too high",
    "no_rewet": "its own valve does not wet it",
    "no_rain": "rain does not reach it",
    "unexplained_jumps": "rises without its valve",
    "never_crosses": "never comes down to its threshold",
    "slow_dry_down": "dries too slowly",
    "fast_dry_down": "dries too fast",
    "plateau_drift": "its plateau drifts",
    "daily_swing": "follows the temperature of the day",
    "gaps": "much of the log is missing",
    "healthy": "nothing found",
}


def evidence_picture(health: Health) -> bytes:
    """Draw a sensor's log with its threshold, plateau, model and findings.

    Parameters
    ----------
    health : Health
        As from `siting.commissioning.sensor_health`.

    Returns
    -------
    bytes
        A PNG; the same log gives the same bytes.
    """
    signal = health.signal
    figure = Figure(figsize=(10, 4.6), layout="constrained")
    top, low = figure.subplots(2, 1, sharex=True, height_ratios=[4, 1])
    content = 100 * signal.content
    top.plot(content.index, content, color=MARKS["head"], linewidth=1.1, label="measured")
    if len(signal.modelled) and len(content):
        days = signal.modelled.loc[content.index[0].normalize() : content.index[-1]]
        ends = pd.DatetimeIndex(days.index) + _DAY
        top.plot(ends, 100 * days, color=INK["quiet"], linewidth=1, linestyle=":",
                 label="reckoned by the plan")  # fmt: skip
    if math.isfinite(signal.plateau):
        top.axhline(100 * signal.plateau, color=MARKS["admissible"], linewidth=1, linestyle="--",
                    label="plateau after soakings")  # fmt: skip
    if math.isfinite(health.threshold):
        top.axhline(100 * health.threshold, color=INK["accent"], linewidth=1.2, label="threshold")
    marks = [mark for finding in health.findings for mark in finding.marks]
    for number, mark in enumerate(marks):
        label = None if number else "evidence"
        top.axvline(mark, color=INK["caution_edge"], linewidth=0.8, alpha=0.7, label=label)
    titles = [_TITLES.get(f.kind, f.kind) for f in health.findings] or [_TITLES["healthy"]]
    zone = f" ({health.expected.zone})" if health.expected else ""
    top.set_title(f"{health.sensor_id}{zone}: {', '.join(titles)}", loc="left", fontsize=11,
                  color=INK["text"], parse_math=False)  # fmt: skip
    top.set_ylabel("water by volume [%]")
    top.legend(frameon=False, fontsize=8, ncols=5, loc="upper center", bbox_to_anchor=(0.5, -0.02))
    _water_bars(low, health)
    for axes in (top, low):
        axes.spines[["top", "right"]].set_visible(False)
    return _png(figure)


def _water_bars(axes: Any, health: Health) -> None:  # noqa: ANN401 - matplotlib is not typed
    """Draw what wetted the ground below the curve."""
    colours = {"rain": MARKS["head"], "own": MARKS["admissible"], "other": MARKS["downspout"]}
    names = {"rain": "rain", "own": "its valve", "other": "another valve"}
    for kind, colour in colours.items():
        wettings = [w for w in health.signal.wettings if w.kind == kind]
        if wettings:
            depth = [w.mm if math.isfinite(w.mm) else 2.0 for w in wettings]
            axes.bar([w.start for w in wettings], depth, width=0.5, color=colour, label=names[kind])
    axes.set_ylabel("water [mm]")
    axes.legend(frameon=False, fontsize=8, ncols=3, loc="upper right")
    locator = AutoDateLocator()  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(
        ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
    )


def before_after_picture(before: Plan, after: Plan) -> bytes:
    """Draw the property with the sensors as planned and as they stand now.

    Parameters
    ----------
    before, after : Plan
        Of the same property.

    Returns
    -------
    bytes
        A PNG, north up; the same plans give the same bytes.
    """
    site = after.site
    west, south, east, north = site.boundary.bounds
    wide = 9.0
    tall = min(max(wide * (north - south) / (east - west), 4.0), 14.0) + 0.8
    figure = Figure(figsize=(wide, tall), layout="constrained")
    axes = figure.subplots()
    _polygons(axes, after.zones.geometry, "#e7ecdf", MARKS["zone_edge"])
    _polygons(axes, site.paving.geometry, MARKS["paving"], MARKS["paving_edge"])
    _polygons(axes, site.buildings.geometry, MARKS["building"], MARKS["building_edge"])
    edge = gpd.GeoSeries([site.boundary.boundary], crs=site.crs)
    edge.plot(ax=axes, color=MARKS["boundary"], linewidth=1.2, aspect=None)
    for tag in sorted(set(before.sensors.index) | set(after.sensors.index), key=str):
        _pair(axes, before, after, str(tag))
    axes.set(xlim=(west - 1, east + 1), ylim=(south - 1, north + 1), aspect="equal")
    axes.set_axis_off()
    axes.set_title(f"{site.name}: ring = before, dot = now", loc="left", fontsize=11,
                   parse_math=False)  # fmt: skip
    return _png(figure)


def _pair(axes: Any, before: Plan, after: Plan, tag: str) -> None:  # noqa: ANN401
    """Draw one sensor before and now, with the way between."""
    places = {}
    for name, plan in (("before", before), ("now", after)):
        if tag in plan.sensors.index:
            point = plan.sensors.geometry.loc[tag]
            places[name] = (point.x, point.y)
    if "before" in places:
        axes.plot(*places["before"], "o", markersize=11, markerfacecolor="none",
                  markeredgecolor=INK["text"], zorder=5)  # fmt: skip
    label = tag
    if len(places) == 2:  # noqa: PLR2004 - both
        (ax, ay), (bx, by) = places["before"], places["now"]
        away = math.hypot(bx - ax, by - ay)
        axes.plot([ax, bx], [ay, by], color=MARKS["tie"], linewidth=1, zorder=4)
        if away > 0.05:  # noqa: PLR2004 - metres that a picture shows
            label += f" moved {show(away, 'length', after.settings.units)}"
    elif "now" in places:
        label += " new"
    else:
        label += " without work"
    at = places.get("now") or places["before"]
    if "now" in places:
        axes.plot(*at, "o", markersize=7, color=MARKS["sensor"], zorder=6)
    axes.annotate(label, at, xytext=(0, 9), textcoords="offset points", ha="center", fontsize=9,
                  fontweight="bold", color="#ffffff", zorder=7, parse_math=False,
                  bbox={"boxstyle": "round,pad=0.2", "facecolor": MARKS["sensor"],
                        "edgecolor": "none"})  # fmt: skip


def _polygons(axes: Any, shapes: gpd.GeoSeries, fill: str, edge: str) -> None:  # noqa: ANN401
    if len(shapes):
        shapes.plot(ax=axes, color=fill, edgecolor=edge, linewidth=0.8, aspect=None)


def _png(figure: Figure) -> bytes:
    """Return a figure as PNG without a program's name or a date."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
    return out.getvalue()
