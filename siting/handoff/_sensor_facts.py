"""What sheet, map and plan.json all say of a sensor: its rank, its reserve points, its hardware.

One place for it, so that one number stands for one thing everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely

from siting.planning import Plan

__all__ = ["Fitted", "Spare", "bearing", "compass", "controllers", "hardware_words", "rank_words",
           "spares"]  # fmt: skip

_POINTS: Final = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE",
    "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip
_HARDWARE: Final = {
    "add_on": "add-on module beside the 24 V AC timer",
    "replacement": "timer with sensor inputs, in place of the old one",
}
_SIGHT_M: Final = 0.01  # a tape may graze a wall by this much
_PAIR: Final = 2


@dataclass(frozen=True)
class Spare:
    """A reserve point of a sensor, and how to find it.

    Parameters
    ----------
    reserve : int
        1 or 2, best first.
    x, y : float
        Working CRS [m].
    distance_m, bearing_deg : float
        From the sensor; clockwise from north [m], [deg].
    tapes : tuple of (int, float, bool)
        Number of the tie from whose fixed point it is taped, distance, and whether the line of
        sight is clear; the same first two points as for the sensor [m].
    side : str
        "left" or "right" of the line from point 1 to point 2, or "" without two points.
    dryness_rank, setback_ratio : float
        As in `Plan.reserves`.
    binding_setback : str
        As in `Plan.reserves`.
    """

    reserve: int
    x: float
    y: float
    distance_m: float
    bearing_deg: float
    tapes: tuple[tuple[int, float, bool], ...]
    side: str
    dryness_rank: float
    setback_ratio: float
    binding_setback: str


@dataclass(frozen=True)
class Fitted:
    """A controller with its hardware and its sensors.

    Parameters
    ----------
    name : str
        The controller.
    hardware : str
        What it takes, as people write it.
    sensors : tuple of str
        Ids of its sensors.
    """

    name: str
    hardware: str
    sensors: tuple[str, ...]


def bearing(east: float, north: float) -> float:
    """Return a direction clockwise from north, 0..360 [deg].

    Examples
    --------
    >>> bearing(1, 0), bearing(-1, 0)
    (90.0, 270.0)
    """
    return math.degrees(math.atan2(east, north)) % 360


def compass(east: float, north: float) -> str:
    """Return the compass point of a direction.

    Examples
    --------
    >>> compass(1, 0), compass(-1, 1), compass(0.1, -1)
    ('E', 'NW', 'S')
    """
    return _POINTS[round(bearing(east, north) / 22.5) % len(_POINTS)]


def rank_words(sensor: Mapping[str, Any]) -> str:
    """Say how dry the place is: among the ground where a sensor may lie, and in the whole zone.

    Parameters
    ----------
    sensor : mapping
        One row of ``plan.sensors``.

    Returns
    -------
    str
        With the same rank and error as the reason and the tables.

    Examples
    --------
    >>> rank_words({"dryness_rank": 0.887, "rank_sd": 0.08, "dryness_rank_zone": 0.921})
    'rank 0.89 ± 0.08 (1 is driest) of the ground where a sensor may lie; 0.92 of the whole zone'
    """
    rank, spread = float(sensor["dryness_rank"]), float(sensor["rank_sd"])
    whole = float(sensor["dryness_rank_zone"])
    among = f"rank {rank:.2f} ± {spread:.2f} (1 is driest) of the ground where a sensor may lie"
    return f"{among}; {whole:.2f} of the whole zone" if math.isfinite(whole) else among


def spares(plan: Plan, sensor_id: str) -> list[Spare]:
    """Return the reserve points of a sensor, the best first, with tapes from the same corners.

    Parameters
    ----------
    plan : Plan
        The plan.
    sensor_id : str
        Which sensor.

    Returns
    -------
    list of Spare
        Empty where it has none.
    """
    rows = plan.reserves[plan.reserves["sensor_id"] == sensor_id]
    ties = plan.ties[plan.ties["sensor_id"] == sensor_id].sort_values("tie").head(_PAIR)
    at = plan.sensors.geometry.loc[sensor_id]
    starts = [(int(tie), line.coords[0][:2]) for tie, line in zip(ties["tie"], ties.geometry,
                                                                 strict=True)]  # fmt: skip
    walls = shapely.union_all(plan.site.buildings.geometry.to_numpy())
    found = []
    for number, place, rank, ratio, binding in zip(
        rows["reserve"],
        rows.geometry,
        rows["dryness_rank"],
        rows["setback_ratio"],
        rows["binding_setback"],
        strict=True,
    ):
        east, north = place.x - at.x, place.y - at.y
        found.append(
            Spare(
                reserve=int(number),
                x=float(place.x),
                y=float(place.y),
                distance_m=math.hypot(east, north),
                bearing_deg=bearing(east, north),
                tapes=tuple((tie, *_tape(start, place, walls)) for tie, start in starts),
                side=_side([start for _, start in starts], place),
                dryness_rank=float(rank),
                setback_ratio=float(ratio),
                binding_setback=str(binding),
            )
        )
    return sorted(found, key=lambda spare: spare.reserve)


def _tape(
    start: tuple[float, ...], end: shapely.Point, walls: shapely.Geometry
) -> tuple[float, bool]:
    """Return a tape's length [m] and whether no wall is in its way."""
    line = shapely.LineString([start, (end.x, end.y)])
    return float(line.length), bool(line.intersection(walls).length <= _SIGHT_M)


def _side(starts: list[tuple[float, ...]], place: shapely.Point) -> str:
    """Return the side of the line from point 1 to point 2 on which a place lies."""
    if len(starts) < _PAIR:
        return ""
    first, second = np.array(starts[0]), np.array(starts[1])
    base, away = second - first, np.array([place.x, place.y]) - first
    return "left" if base[0] * away[1] - base[1] * away[0] > 0 else "right"


def hardware_words(kind: object) -> str:
    """Return a kind of hardware as people write it.

    Examples
    --------
    >>> hardware_words("add_on")
    'add-on module beside the 24 V AC timer'
    """
    return _HARDWARE.get(str(kind), str(kind).replace("_", " "))


def controllers(plan: Plan) -> list[Fitted]:
    """Return every controller that gets hardware, with its sensors.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of Fitted
        In the order of ``plan.decision["hardware"]``.
    """
    owners = plan.sensors["controller"].fillna("").astype(str)
    return [
        Fitted(
            name=str(name),
            hardware=str(kind),
            sensors=tuple(str(tag) for tag in plan.sensors.index[owners == str(name)]),
        )
        for name, kind in plan.decision.get("hardware", {}).items()
    ]
