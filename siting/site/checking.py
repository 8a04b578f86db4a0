"""Check how the layers lie to each other, and whether the timer knows the valves."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siting.errors import Fault
from siting.site.findings import Findings, nearest, some
from siting.site.repair import LEAST_ZONE_M2, polygons_of
from siting.site.settings import Timer

__all__ = ["check_controllers", "check_inside", "check_overlaps", "check_timer", "cut_buildings"]

#: Overlaps up to this are slips of the hand [m²].
OVERLAP_M2: Final = 0.5
OVERLAP_NOTE_M2: Final = 0.05
#: Shares of a zone's area outside the boundary: worth a note; refused.
OUTSIDE_NOTE: Final = 0.01
OUTSIDE_REFUSED: Final = 0.5
#: A cut smaller than this is not worth a note [m²].
CUT_NOTE_M2: Final = 0.1


def _fault(file: str, found: str, allowed: str, mend: str, findings: Findings) -> None:
    findings.faults.append(Fault(file, found, allowed, mend, layer="hydrozones"))


def check_overlaps(zones: gpd.GeoDataFrame, file: str, findings: Findings) -> None:
    """Note every pair of zones that overlap by more than 0.5 m².

    Parameters
    ----------
    zones : GeoDataFrame
        Index zone; in metres.
    file : str
        Their file, for messages.
    findings : Findings
        Where overlaps are noted.
    """
    if zones.empty:
        return
    shapes = zones.geometry.to_numpy()
    first, second = zones.sindex.query(shapes, predicate="intersects")
    pairs = sorted({(int(a), int(b)) for a, b in zip(first, second, strict=True) if a < b})
    for a, b in pairs:
        area = shapely.intersection(shapes[a], shapes[b]).area
        told = findings.tell(area, "area")
        if area > OVERLAP_M2:
            found = f"zones {zones.index[a]} and {zones.index[b]} overlapping by {told}"
            allowed = f"no overlap above {findings.tell(OVERLAP_M2, 'area')}"
            _fault(file, found, allowed, "Redraw the edge that they share.", findings)
        elif area > OVERLAP_NOTE_M2:
            findings.warn(
                f"Zones {zones.index[a]} and {zones.index[b]} overlap by {told}; that "
                "ground counts in both."
            )


def check_inside(
    zones: gpd.GeoDataFrame, boundary: BaseGeometry, file: str, findings: Findings
) -> None:
    """Note zones that stick out of the boundary: a warning above 1 %, a fault above half.

    Parameters
    ----------
    zones : GeoDataFrame
        Index zone; in metres.
    boundary : shapely geometry
        The property.
    file : str
        The zones' file, for messages.
    findings : Findings
        Where they are noted.
    """
    shapes = zones.geometry.to_numpy()
    outside = shapely.area(shapely.difference(shapes, boundary))
    share = outside / np.maximum(shapely.area(shapes), 1e-9)
    for zone, area, part in zip(zones.index, outside, share, strict=True):
        if part > OUTSIDE_REFUSED:
            found = f"zone {zone} with {part:.0%} of its area outside the boundary"
            _fault(file, found, "zones on the property", "Move the zone or the boundary.", findings)
        elif part > OUTSIDE_NOTE:
            findings.warn(
                f"Zone {zone} sticks out of the boundary by {findings.tell(area, 'area')} "
                f"({part:.1%} of it)."
            )


def cut_buildings(
    zones: gpd.GeoDataFrame, buildings: gpd.GeoDataFrame, file: str, findings: Findings
) -> gpd.GeoDataFrame:
    """Return the zones without the ground that buildings stand on.

    Parameters
    ----------
    zones : GeoDataFrame
        Index zone; in metres.
    buildings : GeoDataFrame
        Buildings, same CRS.
    file : str
        The zones' file, for messages.
    findings : Findings
        Where cuts are noted as warnings, and zones under a roof as faults.

    Returns
    -------
    GeoDataFrame
        Same index and columns.
    """
    if zones.empty or buildings.empty:
        return zones
    roofs = buildings.geometry.to_numpy()
    shapes = zones.geometry.to_numpy().copy()
    rows, hits = buildings.sindex.query(shapes, predicate="intersects")
    for row in np.unique(rows):
        before = shapes[row]
        after = shapely.difference(before, shapely.union_all(roofs[hits[rows == row]]))
        cut = before.area - after.area
        if after.area < LEAST_ZONE_M2:
            found = f"zone {zones.index[row]} under a building"
            _fault(file, found, "zones on open ground", "Move the zone or the building.", findings)
        elif cut > 0:
            shapes[row] = polygons_of(after)
        if cut > CUT_NOTE_M2 and after.area >= LEAST_ZONE_M2:
            findings.warn(
                f"Zone {zones.index[row]}: {findings.tell(cut, 'area')} under a building were cut "
                "out."
            )
    return zones.set_geometry(gpd.GeoSeries(shapes, zones.index, crs=zones.crs))


def check_timer(
    timer: Timer | None,
    valves: Mapping[str, str],
    file: str,
    findings: Findings,
    *,
    drawn: Collection[str] | None = (),
) -> None:
    """Check that today's timer runs every valve, and no other.

    Parameters
    ----------
    timer : Timer or None
        Today's timer.
    valves : mapping of str to str
        Valve -> zone.
    file : str
        The property file's name, for messages.
    findings : Findings
        Where valves that do not match are noted.
    drawn : collection of str or None
        Valves of zones that were refused for faults of their own: those are the cause, and the
        timer is right. None where not even their names are known, so that no valve is doubted.
    """
    if timer is None:
        return
    key = "minutes" if timer.minutes is not None else "depth_mm"
    given = timer.minutes if timer.minutes is not None else timer.depth_mm
    if given is None:
        return
    where = f"{file}, timer.{key}"
    for valve in given:
        if valve not in valves and drawn is not None and valve not in drawn:
            near = nearest(valve, valves)
            mend = f'Did you mean "{near}"?' if near else "Remove it, or draw its zone."
            found, allowed = f'valve "{valve}", which no zone has', "valves of the hydrozones"
            findings.faults.append(Fault(where, found, allowed, mend))
    for valve, zone in valves.items():
        if valve not in given:
            found = f'nothing for valve "{valve}" of zone {zone}'
            mend = f'Add "{valve}" = ...; 0 says that the timer leaves it out.'
            findings.faults.append(Fault(where, found, "an entry for every valve", mend))


def check_controllers(
    zones: gpd.GeoDataFrame, fixtures: gpd.GeoDataFrame, file: str, findings: Findings
) -> None:
    """Check that the zones' controllers are among the named controllers that are drawn.

    Parameters
    ----------
    zones, fixtures : GeoDataFrame
        As in `Site`.
    file : str
        The hydrozones' file, for messages.
    findings : Findings
        Where controllers that are not drawn are noted.
    """
    drawn = fixtures.loc[(fixtures["kind"] == "controller").to_numpy(), "name"].dropna()
    names = sorted(set(drawn))
    unknown = {c for c in zones["controller"].dropna() if c not in names}
    for controller in sorted(unknown) if names else ():
        ids = zones.index[(zones["controller"] == controller).to_numpy()].tolist()
        near = nearest(controller, names)
        mend = f'Did you mean "{near}"?' if near else "Draw it in fixtures, or correct the name."
        findings.faults.append(
            Fault(
                file,
                f'"{controller}"',
                f"a controller of the fixtures: {', '.join(names)}",
                mend,
                layer="hydrozones",
                feature=f"of zone {some(ids)}",
                column="controller",
            )
        )
