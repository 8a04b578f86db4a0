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

__all__ = ["Fitted", "Spare", "bearing", "chance_cell", "compass", "controllers", "hardware_words",
           "rank_words", "spares", "trench_word"]  # fmt: skip

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

    reserve: 1 or 2, best first; x, y: working CRS [m]; distance_m, bearing_deg: from the sensor,
    clockwise from north [m], [deg]; tapes: number of the tie from whose fixed point it is taped,
    distance, and whether the line of sight is clear, the same first two points as for the sensor
    [m]; side: "left" or "right" of the line from point 1 to point 2, or "" without two points;
    p_driest_quarter, setback_ratio: as in `Plan.reserves`; binding_setback: as in `Plan.reserves`.
    """

    reserve: int
    x: float
    y: float
    distance_m: float
    bearing_deg: float
    tapes: tuple[tuple[int, float, bool], ...]
    side: str
    p_driest_quarter: float
    setback_ratio: float
    binding_setback: str


@dataclass(frozen=True)
class Fitted:
    """A controller with its hardware and its sensors.

    name: the controller; hardware: what it takes, as people write it; sensors: ids of its sensors.
    """

    name: str
    hardware: str
    sensors: tuple[str, ...]


def bearing(east: float, north: float) -> float:
    """Return a direction clockwise from north, 0..360 [deg].

    >>> bearing(1, 0), bearing(-1, 0)
    (90.0, 270.0)
    """
    return math.degrees(math.atan2(east, north)) % 360


def compass(east: float, north: float) -> str:
    """Return the compass point of a direction.

    >>> compass(1, 0), compass(-1, 1), compass(0.1, -1)
    ('E', 'NW', 'S')
    """
    return _POINTS[round(bearing(east, north) / 22.5) % len(_POINTS)]


def rank_words(sensor: Mapping[str, Any]) -> str:
    """Say how likely the place is to be dry enough, with everything unknown reckoned in.

    Result: with the same chances as the reason and the tables; "" where they are not known.

    >>> rank_words({"expected_rank": 0.79, "p_driest_quarter": 0.66, "p_wetter_half": 0.06})
    'chance 66 in 100 of the driest quarter, 6 in 100 of the wetter half; 79 % is expected moister'
    """
    rank, quarter, half = (
        float(sensor[key]) for key in ("expected_rank", "p_driest_quarter", "p_wetter_half")
    )
    if not math.isfinite(quarter):
        return (
            f"{100 * rank:.0f} % of the ground is expected moister" if math.isfinite(rank) else ""
        )
    return (
        f"chance {100 * quarter:.0f} in 100 of the driest quarter, {100 * half:.0f} in 100 of the "
        f"wetter half; {100 * rank:.0f} % is expected moister"
    )


def chance_cell(chance: float) -> str:
    """Return a chance as a cell of a table.

    >>> chance_cell(0.298)
    '30 in 100'
    """
    return f"{100 * chance:.0f} in 100" if math.isfinite(chance) else "–"


def trench_word(plan: Plan) -> str:
    """Name what is paid for as trench: links and decoders count as trench where there are any.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    str
        "trench", or with what takes its place.
    """
    kinds = set(plan.sensors["link"]) - {""}
    return " or ".join(["trench", *sorted({"wireless": "wireless link"}.get(k, k) for k in kinds)])


def spares(plan: Plan, sensor_id: str) -> list[Spare]:
    """Return the reserve points of a sensor, the best first, with tapes from the same corners.

    Result: empty where it has none.
    """
    rows = plan.reserves[plan.reserves["sensor_id"] == sensor_id]
    ties = plan.ties[plan.ties["sensor_id"] == sensor_id].sort_values("tie").head(_PAIR)
    at = plan.sensors.geometry.loc[sensor_id]
    starts = [(int(tie), line.coords[0][:2]) for tie, line in zip(ties["tie"], ties.geometry,
                                                                 strict=True)]  # fmt: skip
    walls = shapely.union_all(plan.site.buildings.geometry.to_numpy())
    found = []
    for number, place, chance, ratio, binding in zip(
        rows["reserve"],
        rows.geometry,
        rows["p_driest_quarter"],
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
                p_driest_quarter=float(chance),
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

    >>> hardware_words("add_on")
    'add-on module beside the 24 V AC timer'
    """
    return _HARDWARE.get(str(kind), str(kind).replace("_", " "))


def controllers(plan: Plan) -> list[Fitted]:
    """Return every controller that gets hardware, with its sensors.

    Result: in the order of ``plan.decision["hardware"]``.
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
