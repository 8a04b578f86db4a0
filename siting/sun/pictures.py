"""Pictures of sun and shade: an instant over the plan, hours per month, the sky over one sensor.

Every function draws on a figure that it is given and keeps no state of its own, so pictures can be
made in any thread and come out the same, byte for byte, by `save_picture`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np
import pandas as pd
import shapely
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colorbar import Colorbar
from matplotlib.colors import Colormap, LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path as Outline
from matplotlib.patheffects import Normal, Stroke
from matplotlib.projections.polar import PolarAxes
from numpy.typing import NDArray

from siting.errors import Fault, InputError
from siting.site.model import LocalGrid
from siting.sun.horizon import Horizon, horizon
from siting.sun.model import SunShade
from siting.sun.position import MEAN_DAYS, YEAR, sun_at
from siting.units import UnitsName, convert, unit_label

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["draw_shade", "draw_sun_hours", "draw_sun_path", "save_picture"]

Floats = NDArray[np.float64]

#: Few to much sun; rises in lightness all the way, so that it reads in grey too.
_SUN: Final = ("#2b2350", "#5a3f6f", "#93607a", "#c98a75", "#ecc079", "#fdf3c0")
_TEXT, _QUIET, _LINE = "#1d2733", "#4a5866", "#c3cbd2"
_BUILDING, _BUILDING_EDGE = "#8b8f98", "#4c515b"
_CROWN, _CROWN_EDGE = "#5d8a4a", "#3c6330"
_LIT, _HIDDEN = "#d98a00", "#9aa3b5"

_MONTHS: Final = (
    *("Jan", "Feb", "Mar", "Apr", "May", "Jun"),
    *("Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
)
_HALF_YEAR: Final = (6, 5, 4, 3, 2, 1, 12)
_ZENITH: Final = 90.0
_PATH_MINUTES: Final = 5
_NICE: Final = (1.0, 2.0, 5.0)
_BAR_SHARE: Final = 0.25
_WIDE: Final = 4  # small multiples in a row
_DPI: Final = 150
_HALO: Final = [Stroke(linewidth=2.2, foreground="white"), Normal()]


def draw_shade(
    figure: Figure,
    lit: Floats,
    grid: LocalGrid,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame | None = None,
    title: str = "",
    units: UnitsName = "metric",
) -> Axes:
    """Draw the shade of one instant over the plan.

    Parameters
    ----------
    figure : Figure
        Where to draw, best with ``layout="compressed"``.
    lit : ndarray, shape (rows, columns)
        Share of the direct light that arrives, 0..1, NaN on roofs; see
        `siting.sun.shade.shade_instants`.
    grid : LocalGrid
        Its raster.
    buildings, trees : GeoDataFrame
        Drawn over the raster: footprints, and crowns as outlines.
    title : str
        Words above the picture.
    units : {"metric", "us"}
        Units of the scale bar.

    Returns
    -------
    Axes
        In metres east and north of the raster's south-west corner.

    Raises
    ------
    InputError
        If the shape of `lit` is not that of the grid.
    """
    axes = figure.add_subplot()
    image = _raster(axes, lit, grid, (0.0, 1.0))
    _plan(axes, grid, buildings, trees)
    _scale_bar(axes, grid, units)
    _north(axes)
    axes.set_title(title, color=_TEXT, loc="left")
    bar = figure.colorbar(image, ax=axes, orientation="horizontal", shrink=0.6, aspect=36, pad=0.02)
    bar.set_label("Direct light that arrives [%]", color=_TEXT)
    bar.set_ticks([0, 0.25, 0.5, 0.75, 1], labels=["0, full shade", "25", "50", "75", "100, sun"])
    _quiet(bar)
    return axes


def draw_sun_hours(
    figure: Figure,
    shade: SunShade,
    *,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame | None = None,
    units: UnitsName = "metric",
) -> tuple[Axes, ...]:
    """Draw the hours of direct sun of each month side by side, in one scale.

    Parameters
    ----------
    figure : Figure
        Where to draw, best with ``layout="compressed"``.
    shade : SunShade
        The season.
    buildings, trees : GeoDataFrame
        Drawn over the rasters.
    units : {"metric", "us"}
        Units of the scale bar.

    Returns
    -------
    tuple of Axes
        One for each of ``shade.months``, in that order.
    """
    count = len(shade.months)
    across = min(count, _WIDE)
    down = -(-count // across)
    most = float(np.ceil(np.nanmax(shade.sun_hours, initial=1.0)))
    drawn, images = [], []
    for place, (month, hours) in enumerate(zip(shade.months, shade.sun_hours, strict=True), 1):
        axes = figure.add_subplot(down, across, place)
        images.append(_raster(axes, hours, shade.grid, (0.0, most)))
        _plan(axes, shade.grid, buildings, trees)
        typical = float(np.nanmedian(hours)) if np.isfinite(hours).any() else np.nan
        axes.set_title(_MONTHS[month - 1], color=_TEXT, loc="left", fontweight="bold")
        axes.set_title(f"median {typical:.1f} h/d", color=_QUIET, loc="right", fontsize="small")
        drawn.append(axes)
    _scale_bar(drawn[0], shade.grid, units)
    _north(drawn[0])
    bar = figure.colorbar(
        images[0], ax=drawn, orientation="horizontal", shrink=0.6, aspect=44, pad=0.02
    )
    bar.set_label("Direct sun on a clear day of the month [h/d]", color=_TEXT)
    _quiet(bar)
    return tuple(drawn)


def draw_sun_path(  # noqa: PLR0913 - a place on Earth, a place on the plan, and what stands there
    figure: Figure,
    point: tuple[float, float],
    *,
    latitude: float,
    longitude: float,
    buildings: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    walls: gpd.GeoDataFrame | None = None,
    months: Sequence[int] = _HALF_YEAR,
    title: str = "",
) -> Axes:
    """Draw the sun's paths over one point, and the obstacles that hide them.

    The sky is seen as on a map, north up and east on the right: the rim is the horizon, the middle
    the zenith, and elevation falls evenly in between. Paths are of each month's representative day
    (`siting.sun.position.MEAN_DAYS`), dots the full hours of apparent solar time.

    Parameters
    ----------
    figure : Figure
        Where to draw, best half as wide again as tall and with ``layout="constrained"``.
    point : tuple of float
        Easting and northing of the sensor, on level ground [m].
    latitude, longitude : float
        WGS 84, north and east positive [deg].
    buildings, trees, walls : GeoDataFrame
        As for `siting.sun.horizon.horizon`.
    months : sequence of int
        Paths to draw; the default runs from June back to December, and the other months lie
        between them.
    title : str
        Words above the picture.

    Returns
    -------
    Axes
        Polar: azimuth clockwise from north, and 90 less elevation [deg].

    Raises
    ------
    InputError
        If the point lies in a building.
    """
    layers = {"buildings": buildings, "trees": trees, "walls": walls}
    axes = cast("PolarAxes", figure.add_subplot(projection="polar"))
    _sky_axes(axes, north=latitude >= 0)
    _obstacles(axes, horizon(point, **layers))
    rows = []
    for place, month in enumerate(months):
        path = _sun_path(month, latitude, longitude)
        if len(path):
            seen = horizon(point, path["azimuth"], **layers)
            light = seen.light(path["elevation"])
            name = _MONTHS[month - 1]
            # Neighbours are named at different hours, so that no name covers another.
            _draw_path(axes, path, light, name=name, label_minute=690 + 60 * (place % 2))
            hours = light.sum() * _PATH_MINUTES / 60, len(path) * _PATH_MINUTES / 60
        else:
            hours = 0.0, 0.0
        rows.append(f"{_MONTHS[month - 1]}   {hours[0]:4.1f} of {hours[1]:4.1f} h")
    _sky_legend(axes, rows)
    axes.set_title(title, color=_TEXT, loc="left", pad=24)
    return axes


def save_picture(figure: Figure, path: Path | str) -> Path:
    """Write a figure; the same figure gives the same bytes.

    Parameters
    ----------
    figure : Figure
        The figure.
    path : Path or str
        A file whose name ends in .png, .svg or .pdf.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If the name ends in something else.
    """
    file = Path(path)
    undated: dict[str, dict[str, Any]] = {
        ".png": {"Software": None},
        ".svg": {"Date": None, "Creator": None},
        ".pdf": {"CreationDate": None, "Creator": None, "Producer": None},
    }
    kind = file.suffix.lower()
    if kind not in undated:
        raise InputError([Fault("picture", file.name, ".png, .svg or .pdf", "Rename the file.")])
    with rc_context({"svg.hashsalt": "siting", "savefig.bbox": None}):
        figure.savefig(file, dpi=_DPI, metadata=undated[kind], facecolor="white")
    return file


def _ramp() -> Colormap:
    """Colours of sun, from dusk to cream; roofs stay clear for the buildings drawn over them."""
    ramp: Colormap = LinearSegmentedColormap.from_list("sun", _SUN)
    return ramp.with_extremes(bad=_BUILDING)


def _raster(axes: Axes, values: Floats, grid: LocalGrid, limits: tuple[float, float]) -> AxesImage:
    """Draw cells as they are, in metres from the south-west corner."""
    if values.shape != grid.shape:
        raise InputError(
            [Fault("picture", f"{values.shape} cells", f"{grid.shape}", "Use the raster's grid.")]
        )
    wide, tall = grid.columns * grid.resolution, grid.rows * grid.resolution
    image = axes.imshow(
        values,
        cmap=_ramp(),
        vmin=limits[0],
        vmax=limits[1],
        extent=(0.0, wide, 0.0, tall),
        interpolation="none",
        origin="upper",
    )
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(_LINE)
    return image


def _plan(
    axes: Axes, grid: LocalGrid, buildings: gpd.GeoDataFrame, trees: gpd.GeoDataFrame | None
) -> None:
    """Draw footprints and crowns that reach into the raster."""
    west, south, east, north = grid.bounds
    frame = shapely.box(west, south, east, north)
    for shape in _inside(buildings, frame):
        axes.add_patch(
            PathPatch(
                _outline(shape, west, south),
                facecolor=_BUILDING,
                edgecolor=_BUILDING_EDGE,
                linewidth=0.6,
            )
        )
    for shape in _inside(_crowns(trees), frame):
        ring = _outline(shape, west, south)
        for colour, width in (("white", 1.8), (_CROWN_EDGE, 0.9)):  # to be seen on light and dark
            axes.add_patch(PathPatch(ring, facecolor="none", edgecolor=colour, linewidth=width))
    axes.set_xlim(0, east - west)
    axes.set_ylim(0, north - south)


def _inside(layer: gpd.GeoDataFrame | Sequence[Any], frame: shapely.Polygon) -> Iterator[Any]:
    """Polygons of a layer that meet the frame, one by one."""
    shapes = np.asarray(getattr(layer, "geometry", layer), dtype=object)
    for shape in shapes[shapely.intersects(shapes, frame)]:
        yield from (part for part in shapely.get_parts(shape) if part.geom_type == "Polygon")


def _crowns(trees: gpd.GeoDataFrame | None) -> list[Any]:
    """Outlines of crowns: as drawn, or circles; those of unknown size are left out."""
    if trees is None:
        return []
    sizes = trees.get("crown_diameter", pd.Series(np.nan, index=trees.index))
    drawn = trees.get("crown", pd.Series(None, index=trees.index, dtype=object))
    shapes = []
    for place, size, crown in zip(trees.geometry, sizes, drawn, strict=True):
        if isinstance(crown, shapely.Geometry):
            shapes.append(crown)
        elif place.area > 0:
            shapes.append(place)
        elif size > 0:
            shapes.append(place.buffer(size / 2))
    return shapes


def _outline(shape: shapely.Polygon, west: float, south: float) -> Outline:
    """Turn a polygon with its holes into a path, from the south-west corner."""
    rings = [np.asarray(ring.coords)[:, :2] for ring in (shape.exterior, *shape.interiors)]
    codes = [
        np.r_[Outline.MOVETO, np.full(len(ring) - 2, Outline.LINETO), Outline.CLOSEPOLY]
        for ring in rings
    ]
    corners = np.concatenate(rings) - (west, south)
    return Outline(corners, np.concatenate(codes).astype(np.uint8))


def _scale_bar(axes: Axes, grid: LocalGrid, units: UnitsName) -> None:
    """Draw a bar of a round length along the lower edge."""
    metres_per_unit = 1 / convert(1.0, "length", units)
    most = grid.columns * grid.resolution * _BAR_SHARE / metres_per_unit
    power = 10.0 ** np.floor(np.log10(most))
    length = max(step * power for step in _NICE if step * power <= most)
    end = length * metres_per_unit / (grid.columns * grid.resolution)
    axes.plot([0, end], [-0.022, -0.022], transform=axes.transAxes, color=_TEXT, linewidth=2.5,
              clip_on=False, solid_capstyle="butt")  # fmt: skip
    words = f"{length:g} {unit_label('length', units)}"
    axes.text(end + 0.015, -0.022, words, transform=axes.transAxes, color=_TEXT, va="center",
              fontsize="small")  # fmt: skip


def _north(axes: Axes) -> None:
    """Mark north at the lower right."""
    axes.annotate("N ▲", (1.0, -0.022), xycoords="axes fraction", color=_TEXT, ha="right",
                  va="center", fontsize="small", annotation_clip=False)  # fmt: skip


def _quiet(bar: Colorbar) -> None:
    """Make a colour bar recede."""
    for spine in bar.ax.spines.values():
        spine.set_edgecolor(_LINE)
    bar.ax.tick_params(colors=_QUIET, labelsize="small")


def _sun_path(month: int, latitude: float, longitude: float) -> pd.DataFrame:
    """Sun above the horizon on a month's representative day, at steps of apparent solar time."""
    midnight = pd.Timestamp(YEAR, month, MEAN_DAYS[month - 1], tz="UTC")
    mean = pd.Timedelta(minutes=-4.0 * longitude)
    noon = pd.DatetimeIndex([midnight + mean + pd.Timedelta(hours=12)])
    equation = float(sun_at(noon, latitude, longitude)["equation_of_time"].iloc[0])
    steps = np.arange(0, 1440, _PATH_MINUTES)
    times = midnight + mean + pd.to_timedelta(steps - equation, unit="min")
    path = sun_at(pd.DatetimeIndex(times), latitude, longitude).assign(minute=steps)
    return path[path["elevation"] > 0]


def _sky_axes(axes: PolarAxes, *, north: bool) -> None:
    """Set up the sky as a map: north up, east right; elevations are told away from the sun."""
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    axes.set_rlim(0, _ZENITH)
    axes.set_rgrids([30, 60], labels=["", ""])
    for elevation in (30, 60):
        spot = np.radians(-22.5 if north else 157.5), _ZENITH - elevation
        axes.text(*spot, f"{elevation}°", color=_QUIET, fontsize="x-small", ha="center",
                  va="center", zorder=5, path_effects=_HALO)  # fmt: skip
    axes.set_thetagrids(np.arange(0, 360, 45), labels=["N", "NE", "E", "SE", "S", "SW", "W", "NW"])
    axes.tick_params(colors=_TEXT)
    axes.grid(color=_LINE, linewidth=0.6)
    axes.spines["polar"].set_color(_QUIET)
    axes.set_axisbelow(True)


def _obstacles(axes: Axes, seen: Horizon) -> None:
    """Fill what hides the sky: crowns first, as they let light through, then buildings."""
    around = np.radians(np.append(seen.azimuth, seen.azimuth[:1] + 360))
    for low, high in zip(seen.low, seen.high, strict=True):
        rim, top = (_ZENITH - np.append(part, part[:1]) for part in (low, high))
        axes.fill_between(around, top, rim, color=_CROWN, alpha=0.45, linewidth=0, zorder=1.5)
    top = _ZENITH - np.append(seen.solid, seen.solid[:1])
    axes.fill_between(around, top, _ZENITH, color=_BUILDING, linewidth=0, zorder=2)
    axes.plot(around, top, color=_BUILDING_EDGE, linewidth=0.8, zorder=2)


def _draw_path(
    axes: Axes, path: pd.DataFrame, light: Floats, *, name: str, label_minute: float
) -> None:
    """Draw a day's path: gold in the sun, thin and grey where it is hidden."""
    phi = np.radians(path["azimuth"].to_numpy())
    radius = _ZENITH - path["elevation"].to_numpy()
    minute = path["minute"].to_numpy()
    spots = np.column_stack([phi, radius])
    pieces = np.stack([spots[:-1], spots[1:]], axis=1)
    joined = np.diff(minute) == _PATH_MINUTES
    share = (light[:-1] + light[1:]) / 2
    ramp = LinearSegmentedColormap.from_list("path", [_HIDDEN, _LIT])
    axes.add_collection(
        LineCollection(
            list(_unwrapped(pieces[joined])),
            colors=ramp(share[joined]),
            linewidths=1.2 + 2.0 * share[joined],
            zorder=3,
            capstyle="round",
        ),
        autolim=False,
    )
    hour = minute % 60 == 0
    axes.scatter(phi[hour], radius[hour], s=7, color=_TEXT, zorder=4, linewidths=0)
    spot = int(np.argmin(np.abs(minute - label_minute)))
    axes.text(phi[spot], radius[spot], name, color=_TEXT, ha="center", va="center",
              fontsize="x-small", zorder=5, path_effects=_HALO)  # fmt: skip


def _unwrapped(pieces: Floats) -> Floats:
    """Pieces that cross north take the short way round."""
    turned = pieces.copy()
    step = turned[:, 1, 0] - turned[:, 0, 0]
    turned[:, 1, 0] -= 2 * np.pi * np.round(step / (2 * np.pi))
    return turned


def _sky_legend(axes: Axes, rows: list[str]) -> None:
    """Say beside the sky what is drawn, and how much sun each day brings."""
    marks: list[Any] = [
        Line2D([], [], color=_LIT, linewidth=3.2, label="sun reaches the point"),
        Line2D([], [], color=_HIDDEN, linewidth=1.2, label="sun is hidden"),
        Line2D([], [], color=_TEXT, marker=".", linewidth=0, label="full hours, solar time"),
        Patch(facecolor=_BUILDING, edgecolor=_BUILDING_EDGE, label="buildings and walls"),
        Patch(facecolor=_CROWN, alpha=0.45, label="crowns, in leaf"),
    ]  # fmt: skip
    first = axes.legend(handles=marks, loc="upper left", bbox_to_anchor=(1.1, 1.0), frameon=False,
                        fontsize="small", labelcolor=_TEXT)  # fmt: skip
    axes.add_artist(first)
    words = "Direct sun on a clear day\n" + "\n".join(rows)
    axes.text(1.12, 0.52, words, transform=axes.transAxes, color=_TEXT, fontsize="small",
              va="top", family="monospace", linespacing=1.5)  # fmt: skip
