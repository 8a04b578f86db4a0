"""A wind factor, a reader of a station's log and an exporter of a work order, for siting."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from siting import Plan, Site, WeatherOptions

__all__ = ["read_station_log", "wind_exposure", "work_order"]


def read_station_log(path: Path, _options: WeatherOptions) -> pd.DataFrame:
    """Read an invented station's log: day;low;high;rain, degrees Celsius and millimetres.

    Returns
    -------
    DataFrame
        Columns of siting's own daily file: date, tmin_c, tmax_c [°C], rain_mm [mm].
    """
    log = pd.read_csv(path, sep=";", comment="#")
    return pd.DataFrame(
        {
            "date": pd.to_datetime(log["day"], format="%d.%m.%Y"),
            "tmin_c": log["low"],
            "tmax_c": log["high"],
            "rain_mm": log["rain"],
        }
    )


def wind_exposure(site: Site, *, strongest: float = 1.15, fetch_m: float = 40.0) -> pd.Series:
    """Return by how much wind raises the demand of each zone.

    The share of 16 directions in which no building or tree stands within the fetch, times the
    strongest effect. An example, not science: no published source.

    Parameters
    ----------
    site : Site
        The property.
    strongest : float
        Factor of a zone that is open all round [-].
    fetch_m : float
        How far an obstacle shelters [m].

    Returns
    -------
    Series
        Index `zone` [-].
    """
    obstacles = [*site.buildings.geometry, *gpd.GeoSeries(site.trees.geometry).buffer(2.0)]
    shelter = shapely.union_all(obstacles) if obstacles else shapely.Point()
    angles = np.arange(16) * np.pi / 8
    rays = fetch_m * np.column_stack([np.sin(angles), np.cos(angles)])
    open_share = {}
    for zone, shape in site.hydrozones.geometry.items():
        at = shape.representative_point()
        lines = [shapely.LineString([(at.x, at.y), (at.x + dx, at.y + dy)]) for dx, dy in rays]
        open_share[zone] = 1.0 - shapely.intersects(lines, shelter).mean()
    share = pd.Series(open_share).reindex(site.hydrozones.index)
    return 1.0 + (strongest - 1.0) * share


def work_order(plan: Plan, folder: Path) -> Iterable[Path]:
    """Write a short work order as text.

    Parameters
    ----------
    plan : Plan
        The plan.
    folder : Path
        Where to.

    Returns
    -------
    iterable of Path
        The file.
    """
    lines = [f"Work order: {plan.site.name}", *plan.cautions[:1], ""]
    for tag, sensor in plan.sensors.iterrows():
        lines.append(f"[ ] {tag}: {sensor['zone']}, valve {sensor['valve']}")
    path = folder / "work-order.txt"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [path]


def failing_factor(_site: Site) -> pd.Series:
    """Fail, as third parties' code may."""
    msg = "this factor is broken on purpose"
    raise RuntimeError(msg)


def failing_exporter(_plan: Plan, folder: Path) -> Iterable[Path]:
    """Write half a file and fail, as third parties' code may."""
    (folder / "half.txt").write_text("half")
    msg = "this exporter is broken on purpose"
    raise RuntimeError(msg)
