"""Figures of a plan for notebooks and reports: matplotlib axes in, the same axes out.

Everything is drawn in the palette of the map and the sheets. Without axes a new figure is made by
pyplot, as geopandas does it. Names of a user are written as plain text, never as mathematics.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LinearSegmentedColormap, Normalize

from siting.files import write_text
from siting.handoff.charts import (
    GAIN,
    LOSS,
    choices_title,
    named_years,
    nth,
    season_bars,
    top_of,
    worths,
)
from siting.handoff.drawing import printable, visual
from siting.handoff.facts import elide
from siting.handoff.overlays import crown_shapes, nice_scale
from siting.handoff.webmap import label_places, map_html
from siting.palette import DRYNESS, INK, MARKS, NEED, ramp_colour
from siting.planning.model import Plan
from siting.units import UnitsName, show, unit_label

if TYPE_CHECKING:
    import folium
    from matplotlib.axes import Axes


#: One colour, or one per shape.
Fill = str | list[str]
_NAME: Final = 22
_DOT_PX: Final = 6
_HAS_ROOM: Final = 0.004  # share of the property's area that a zone needs for its name


@dataclass(frozen=True)
class MapView:
    """The offline map for a notebook cell.

    html: the whole page, it asks nothing of any network; height: of the cell [pixels].
    """

    html: str
    height: int = 640

    def _repr_html_(self) -> str:
        """Return a frame that holds the page and cannot reach the notebook around it."""
        return (
            f'<iframe srcdoc="{escape(self.html)}" sandbox="allow-scripts" title="Sensor map" '
            f'style="width:100%;height:{self.height}px;border:1px solid {INK["line"]}"></iframe>'
        )

    def save(self, path: Path | str) -> Path:
        """Write the page to a file, whole or not at all."""
        return write_text(path, self.html)


def explore(plan: Plan, *, height: int = 640, online: bool = False) -> MapView:
    """Return the interactive map of a plan for a notebook.

    Parameters
    ----------
    plan : Plan
        The plan.
    height : int
        Of the cell [pixels].
    online : bool
        Offer base maps from the network; see `siting.handoff.webmap.write_map`.

    Returns
    -------
    MapView
        Shows itself in a notebook; `save` writes it to a file.
    """
    return MapView(map_html(plan, online=online), height)


def folium_map(plan: Plan, *, tiles: str | None = None) -> folium.Map:
    """Return a plain folium map of a plan, to which layers of your own can be added.

    Unlike `explore` it is folium's page: its scripts come from the network when it is shown.

    Parameters
    ----------
    plan : Plan
        The plan.
    tiles : str, optional
        Background, as `folium.Map` takes it; the servers of the tiles then learn where the property
        is. None draws none.

    Returns
    -------
    folium.Map
        A layer each, from the bottom up: boundary, buildings, hydrozones by water need, trenches
        and wires, tape ties, reserve points, sensors, and a control of layers.
    """
    import folium  # noqa: PLC0415 - half a second, and only for those who ask for it

    line = gpd.GeoSeries([plan.site.boundary], crs=plan.site.crs).to_crs(4326)
    west, south, east, north = line.total_bounds
    page = folium.Map(
        [plan.site.latitude, plan.site.longitude], tiles=tiles, zoom_start=18, max_zoom=24
    )
    for name, frame, style in _folium_layers(plan):
        group = folium.FeatureGroup(name)
        columns = [column for column in frame if column != "geometry"]
        told = frame.assign(**{c: [escape(str(value)) for value in frame[c]] for c in columns})
        if len(told):
            folium.GeoJson(
                told.to_crs(4326).to_json(),
                style_function=lambda feature, style=style: (
                    style | {"fillColor": feature["properties"].get("colour", style["color"])}
                ),
                marker=folium.CircleMarker(radius=_DOT_PX, fill=True),
                tooltip=folium.GeoJsonTooltip([c for c in columns if c != "colour"])
                if columns
                else None,
            ).add_to(group)
        group.add_to(page)
    folium.LayerControl().add_to(page)
    page.fit_bounds([[south, west], [north, east]])
    return page


def _folium_layers(plan: Plan) -> list[tuple[str, gpd.GeoDataFrame, dict[str, object]]]:
    """Return name, features and style of each layer, from the bottom up; what it tells is text."""
    site, zones, wires = plan.site, plan.zones, plan.wire_routes
    scores = zones["need_score"].to_numpy(dtype=float)
    top = max(float(np.nanmax(scores, initial=0.0)), 1e-9)
    shown = gpd.GeoDataFrame(
        {
            "zone": zones.index,
            "plants": zones["plants"].to_numpy(),
            "need [% of ready water per peak day]": [f"{score:.0f}" for score in scores],
            "sensor": zones["sensor_id"].fillna("").to_numpy(),
            "colour": [ramp_colour(NEED, float(s) / top) for s in np.nan_to_num(scores)],
        },
        geometry=zones.geometry.to_numpy(),
        crs=site.crs,
    )
    depths = [show(1000 * d, "depth", plan.settings.units) for d in plan.sensors["depth_m"]]
    sensors = gpd.GeoDataFrame(
        {
            "sensor": plan.sensors.index,
            "zone": plan.sensors["zone"].to_numpy(),
            "valve": plan.sensors["valve"].to_numpy(),
            "depth": depths,
        },
        geometry=plan.sensors.geometry.to_numpy(),
        crs=site.crs,
    )
    edge = gpd.GeoDataFrame(geometry=[site.boundary.boundary], crs=site.crs)
    buildings = gpd.GeoDataFrame(geometry=site.buildings.geometry.to_numpy(), crs=site.crs)
    plain: dict[str, object] = {"weight": 2, "fillOpacity": 0.0}
    solid = plain | {"fillOpacity": 0.7}
    return [
        ("Property line", edge, plain | {"color": MARKS["boundary"]}),
        ("Buildings", buildings, solid | {"color": MARKS["building_edge"]}),
        ("Hydrozones by water need", shown, solid | {"color": MARKS["zone_edge"]}),
        ("Trenches and wires", wires[["sensor_id", "kind", "geometry"]],
         plain | {"color": MARKS["trench"], "weight": 3}),
        ("Tape ties", plan.ties[["sensor_id", "geometry"]], plain | {"color": MARKS["tie"]}),
        ("Reserve points", plan.reserves[["sensor_id", "reserve", "geometry"]].set_crs(site.crs),
         solid | {"color": MARKS["sensor"]}),
        ("Sensors", sensors, solid | {"color": MARKS["sensor"]}),
    ]  # fmt: skip


def plot_zones(plan: Plan, ax: Axes | None = None, *, legend: bool = True) -> Axes:
    """Draw the property: zones by water need, what stands there, and the sensors.

    Parameters
    ----------
    plan : Plan
        The plan.
    ax : Axes, optional
        Where to draw; None makes a new figure.
    legend : bool
        Whether to add the colour scale.

    Returns
    -------
    Axes
        In the working CRS, north up [m].
    """
    axes = _axes(ax)
    scores = plan.zones["need_score"].to_numpy(dtype=float)
    top = float(np.nanmax(scores)) if np.isfinite(scores).any() else 1.0
    high = nice_scale(0.0, top).high
    colours = ScalarMappable(Normalize(0.0, high), _colours("need", NEED))
    shades = [ramp_colour(NEED, float(score) / high) for score in np.nan_to_num(scores)]
    _draw(plan.site.paving.geometry, axes, MARKS["paving"], MARKS["paving_edge"])
    _draw(plan.zones.geometry, axes, shades, MARKS["zone_edge"], order=2)
    _ground(plan, axes)
    _sensors(plan, axes)
    room = _HAS_ROOM * plan.site.boundary.area
    for (name, shape), places in zip(plan.zones.geometry.items(), label_places(plan), strict=True):
        if shape.area > room:
            at = places[0]
            _write(axes, at.x, at.y, visual(elide(printable(name), _NAME)), ground=True)
    if legend:
        _scale(axes, colours, "water need, % of ready water per peak day")
    return _framed(plan, axes)


def plot_dryness(plan: Plan, ax: Axes | None = None, *, legend: bool = True) -> Axes:
    """Draw how dry every place is against the property's mean, and the sensors.

    Parameters
    ----------
    plan : Plan
        The plan.
    ax : Axes, optional
        Where to draw; None makes a new figure.
    legend : bool
        Whether to add the colour scale.

    Returns
    -------
    Axes
        In the working CRS, north up [m].
    """
    axes = _axes(ax)
    known = plan.dryness[np.isfinite(plan.dryness)]
    low, high = np.percentile(known, [2, 98]) if known.size else (0.5, 1.5)
    scale = nice_scale(float(low), float(high))
    west, south, east, north = plan.sun.grid.bounds
    image = axes.imshow(
        plan.dryness,
        extent=(west, east, south, north),
        cmap=_colours("dryness", DRYNESS),
        norm=Normalize(scale.low, scale.high),
        interpolation="nearest",
        zorder=1,
    )
    _draw(plan.zones.geometry, axes, "none", MARKS["zone_edge"], order=2)
    _ground(plan, axes)
    _sensors(plan, axes)
    if legend:
        _scale(axes, image, "dryness, × the property's mean")
    return _framed(plan, axes)


def plot_choices(plan: Plan, ax: Axes | None = None) -> Axes:
    """Draw what one more sensor is worth.

    Parameters
    ----------
    plan : Plan
        The plan.
    ax : Axes, optional
        Where to draw; None makes a new figure.

    Returns
    -------
    Axes
        One bar per further sensor [currency/year], with a whisker from its least to its most over
        the scenarios; hatched where the number before it leaves a zone too dry, so that the next
        one is needed whatever it costs. The chosen number is named.
    """
    axes, steps = _axes(ax), worths(plan)
    top, places = top_of(steps), [step.place for step in steps]
    for step in steps:
        if np.isfinite(step.value):
            axes.bar(step.place, step.value, width=0.62, color=GAIN if step.value > 0 else LOSS)
            if step.ranges:
                _whisker(axes, step.place, step.least, step.most)
            axes.annotate(
                step.label,
                (step.place, max(step.value, step.most, 0.0)),
                xytext=(0, 3),
                textcoords="offset points",
                ha="center",
                fontsize=9,
                color=INK["text"],
            )
        else:
            axes.bar(
                step.place, top, width=0.62, facecolor="none", edgecolor=MARKS["keepout"],
                hatch="///",
            )  # fmt: skip
            _write(axes, step.place, top * 1.03, "needed", size=9, up=True)
    axes.axhline(0, color=INK["quiet"], linewidth=0.8)
    axes.margins(y=0.16)
    axes.set_xticks(places, [nth(place) for place in places])
    currency = printable(elide(str(plan.economics["currency"]), 10))
    axes.set_ylabel(f"{currency} a year", parse_math=False)
    axes.yaxis.set_major_formatter("{x:,.0f}")
    axes.set_title(choices_title(plan, steps), loc="left", fontsize=11)
    return _plain(axes)


def _whisker(axes: Axes, place: int, least: float, most: float) -> None:
    """Draw the range of a bar."""
    axes.plot([place, place], [least, most], color=INK["text"], linewidth=1.3)
    for end in (least, most):
        axes.plot([place - 0.09, place + 0.09], [end, end], color=INK["text"], linewidth=1.3)


def plot_season(plan: Plan, ax: Axes | None = None, *, units: UnitsName | None = None) -> Axes:
    """Draw the water of every simulated season, under today's timer and under the plan.

    Parameters
    ----------
    plan : Plan
        The plan.
    ax : Axes, optional
        Where to draw; None makes a new figure.
    units : {"metric", "us"}, optional
        How to show water; the property's own by default.

    Returns
    -------
    Axes
        Bars of today's timer (left out when there is none) and of the plan [m³ or gal].
    """
    axes = _axes(ax)
    chosen: UnitsName = units or plan.settings.units
    place, bars = np.arange(len(plan.season)), season_bars(plan, chosen)
    for k, (label, colour, volume) in enumerate(bars):
        shift = (k - (len(bars) - 1) / 2) * 0.4
        axes.bar(place + shift, volume, width=0.38, color=colour, label=label)
    named = named_years(plan)
    axes.set_xticks([at for at, _ in named], [year for _, year in named])
    axes.yaxis.set_major_formatter("{x:,.0f}")
    axes.set_ylabel(f"{unit_label('volume', chosen)} a season")
    axes.set_title("Water, season by season", loc="left", fontsize=11)
    axes.legend(frameon=False, ncols=2, loc="lower right", bbox_to_anchor=(1, 1), fontsize=9)
    return _plain(axes)


def _axes(ax: Axes | None) -> Axes:
    """Return the axes, or new ones of pyplot."""
    if ax is not None:
        return ax
    from matplotlib import pyplot as plt  # noqa: PLC0415 - it starts a window system

    return plt.subplots(figsize=(8, 5.5), layout="constrained")[1]


def _colours(name: str, ramp: tuple[str, ...]) -> LinearSegmentedColormap:
    return LinearSegmentedColormap.from_list(name, list(ramp))


def _draw(
    shapes: gpd.GeoSeries, axes: Axes, fill: Fill, edge: str, *, order: int = 1, alpha: float = 1.0
) -> None:
    """Draw polygons, if there are any."""
    if len(shapes):
        shapes.plot(
            ax=axes,
            color=fill,
            edgecolor=edge,
            linewidth=0.8,
            zorder=order,
            alpha=alpha,
            aspect=None,
        )


def _ground(plan: Plan, axes: Axes) -> None:
    """Draw buildings, crowns, the trench and the property's edge."""
    site = plan.site
    crowns = gpd.GeoSeries([c for c in crown_shapes(site.trees) if c is not None], crs=site.crs)
    _draw(site.buildings.geometry, axes, MARKS["building"], MARKS["building_edge"], order=3)
    _draw(crowns, axes, MARKS["crown"], MARKS["crown_edge"], order=3, alpha=0.35)
    trench = plan.wire_routes.geometry[plan.wire_routes["kind"] == "trench"]
    if len(trench):
        trench.plot(ax=axes, color=MARKS["trench"], linewidth=1.8, zorder=4, aspect=None)
    edge = gpd.GeoSeries([site.boundary.boundary], crs=site.crs)
    edge.plot(ax=axes, color=MARKS["boundary"], linewidth=1.2, zorder=4, aspect=None)


def _sensors(plan: Plan, axes: Axes) -> None:
    """Mark and tag every sensor."""
    for tag, point in plan.sensors.geometry.items():
        axes.plot(
            point.x, point.y, "o", markersize=7, color=MARKS["sensor"],
            markeredgecolor=MARKS["sensor_edge"], zorder=6,
        )  # fmt: skip
        axes.annotate(
            printable(tag), (point.x, point.y), xytext=(0, 9), textcoords="offset points",
            ha="center", fontsize=9, fontweight="bold", color="#ffffff", zorder=7,
            bbox={"boxstyle": "round,pad=0.2", "facecolor": MARKS["sensor"], "edgecolor": "none"},
        )  # fmt: skip


def _write(
    axes: Axes, x: float, y: float, text: str, *, size: float = 8, ground: bool = False,
    up: bool = False,
) -> None:  # fmt: skip
    """Write plain text at a place."""
    box = {
        "boxstyle": "round,pad=0.15",
        "facecolor": INK["card"],
        "edgecolor": "none",
        "alpha": 0.8,
    }
    axes.text(
        x, y, text, fontsize=size, color=INK["text"], ha="center", va="bottom" if up else "center",
        parse_math=False, bbox=box if ground else None, zorder=5,
    )  # fmt: skip


def _scale(axes: Axes, colours: ScalarMappable, title: str) -> None:
    """Add the colour scale."""
    bar = axes.figure.colorbar(colours, ax=axes, shrink=0.6, pad=0.02)
    bar.set_label(title)
    bar.outline.set_edgecolor(INK["quiet"])


def _framed(plan: Plan, axes: Axes) -> Axes:
    """Show the whole property, north up and true to shape, with a title."""
    west, south, east, north = plan.site.boundary.bounds
    pad = 0.03 * max(east - west, north - south)
    axes.set(xlim=(west - pad, east + pad), ylim=(south - pad, north + pad), aspect="equal")
    axes.set_axis_off()
    axes.set_title(
        visual(elide(printable(plan.site.name), 60)), loc="left", fontsize=11, parse_math=False
    )
    return axes


def _plain(axes: Axes) -> Axes:
    """Take away the frame's top and right."""
    axes.spines[["top", "right"]].set_visible(False)
    return axes
