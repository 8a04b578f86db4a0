"""Sun through the day and the season: small pictures for the map's slider."""

from __future__ import annotations

import math
from calendar import month_name
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.handoff._map_raster import Scale, clip_to, nice_scale, overlay
from siting.palette import SUN
from siting.planning import Plan
from siting.site.model import LocalGrid
from siting.sun.foliage import bare_transmissivity, leaf_months
from siting.sun.position import YEAR, sun_at
from siting.sun.shade import shade_instants

if TYPE_CHECKING:
    from collections.abc import Iterator

    import geopandas as gpd

__all__ = ["DAYS", "LIT", "day_instants", "picture_grid", "sun_document", "sun_scale"]

#: Month and day of the solstices and of an equinox.
DAYS: Final = ((6, 21), (3, 20), (12, 21))
#: Share of the direct light that arrives.
LIT: Final = Scale(0.0, 100.0, (0.0, 50.0, 100.0), 0)

_MARCH, _JUNE, _SEPTEMBER = 3, 6, 9
_LEAST_ELEVATION: Final = 5.0  # lower than this the whole property lies in long shade [deg]
_MOST_CELLS: Final = 100_000  # of a picture of shade
_HOUR_SHADES: Final = 9  # crowns let a few shares through, nothing else does
_MONTH_SHADES: Final = 32


def sun_scale(plan: Plan) -> Scale:
    """Return the scale that covers the direct sun of every month [h/d]."""
    known = plan.sun.sun_hours[np.isfinite(plan.sun.sun_hours)]
    return nice_scale(0.0, float(known.max()) if known.size else 12.0)


def day_instants(latitude: float, longitude: float, month: int, day: int) -> pd.DataFrame:
    """Return where the sun stands at the full hours of a day, by the sun's own time.

    By the sun's time 12 is when it stands highest, so that no time zone and no summer time enter.

    latitude, longitude: WGS 84 [deg]. Result: index `hour` (int); columns elevation, azimuth [deg];
    hours with the sun 5 degrees up.
    """
    midnight = pd.Timestamp(YEAR, month, day, tz="UTC")
    shift = pd.Timedelta(minutes=-4.0 * longitude)
    noon = pd.DatetimeIndex([midnight + pd.Timedelta(hours=12) + shift])
    equation = float(sun_at(noon, latitude, longitude)["equation_of_time"].iloc[0])
    hours = np.arange(24)
    times = midnight + shift + pd.to_timedelta(hours * 60 - equation, unit="min")
    table = sun_at(pd.DatetimeIndex(times), latitude, longitude)[["elevation", "azimuth"]]
    table.index = pd.Index(hours, name="hour")
    return table[table["elevation"] > _LEAST_ELEVATION]


def picture_grid(
    bounds: tuple[float, float, float, float], resolution: float, *, most: int = _MOST_CELLS
) -> LocalGrid:
    """Return the raster for pictures of shade: of the plan's cell, or coarser for a large place.

    bounds: west, south, east, north of the property [m]; resolution: the plan's cell [m].

    >>> picture_grid((0.0, 0.0, 500.0, 500.0), 0.5).shape
    (250, 250)
    """
    west, south, east, north = bounds
    cells = (east - west) * (north - south) / resolution**2
    cell = resolution * math.ceil(math.sqrt(max(1.0, cells / most)))
    rows, columns = math.ceil((north - south) / cell), math.ceil((east - west) / cell)
    return LocalGrid(west, north, cell, rows, columns)


def sun_document(plan: Plan) -> dict[str, Any]:
    """Return the pictures of shade by the hour and of sun by the month.

    Result: `days`: per day its label and `frames`; `months`: frames. A frame has label, url and
    bounds.
    """
    days = [_day(plan, month, day) for month, day in DAYS]
    return {
        "days": [day for day in days if day["frames"]],
        "months": list(_months(plan)),
    }


def _day(plan: Plan, month: int, day: int) -> dict[str, Any]:
    """Return the pictures of one day."""
    site = plan.site
    sun = day_instants(site.latitude, site.longitude, month, day)
    grid = picture_grid(site.boundary.bounds, plan.sun.grid.resolution)
    frames: list[dict[str, Any]] = []
    if len(sun):
        lit = shade_instants(
            grid,
            sun["elevation"].to_numpy(),
            sun["azimuth"].to_numpy(),
            buildings=site.buildings,
            trees=_trees(plan, month),
            walls=site.walls,
            surface=site.surface,
            terrain=site.terrain,
        )
        frames = [
            _frame(plan, f"{hour}:00", 100.0 * lit[k], grid, scale=LIT, shades=_HOUR_SHADES)
            for k, hour in enumerate(sun.index)
        ]
    return {"label": _label(month, day, site.latitude), "frames": frames}


def _trees(plan: Plan, month: int) -> gpd.GeoDataFrame:
    """Return the trees as the light finds them in a month: in leaf, or bare."""
    trees = plan.site.trees
    if month in leaf_months(plan.site.latitude):
        return trees
    return trees.assign(transmissivity=bare_transmissivity(trees))


def _label(month: int, day: int, latitude: float) -> str:
    """Name a day as people know it."""
    date = f"{day} {month_name[month]}"
    if month == _MARCH:
        # the sun stands alike in September, but the trees may be in leaf only in one of them
        alike = (_MARCH in (leaves := leaf_months(latitude))) == (_SEPTEMBER in leaves)
        return f"{date} and 22 September (equinox)" if alike else f"{date} (equinox)"
    longest = (month == _JUNE) == (latitude >= 0)
    return f"{date} ({'longest' if longest else 'shortest'} day)"


def _months(plan: Plan) -> Iterator[dict[str, Any]]:
    """Yield the sun of every month of the season."""
    scale = sun_scale(plan)
    for month, hours in zip(plan.sun.months, plan.sun.sun_hours, strict=True):
        label = month_name[month]
        yield _frame(plan, label, hours, plan.sun.grid, scale=scale, shades=_MONTH_SHADES)


def _frame(
    plan: Plan,
    label: str,
    values: NDArray[np.float64],
    grid: LocalGrid,
    *,
    scale: Scale,
    shades: int,
) -> dict[str, Any]:
    """Return one picture."""
    inside = clip_to(values, grid, plan.site.boundary)
    made = overlay(inside, grid, plan.site.crs, scale=scale, ramp=SUN, shades=shades)
    return {"label": label, "url": made.url, "bounds": [list(corner) for corner in made.bounds]}
