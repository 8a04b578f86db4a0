"""What passes through `siting.sensors`: candidates, equipment and rules in, choices out.

Private only in the file's name: `siting.sensors` re-exports every class. Axes: J candidates, Z
zones, H kinds of hardware, C controllers, K kinds of control.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting.errors import Fault, InputError, PlanError

__all__ = ["Candidates", "Choice", "Equipment", "SensorChoice", "Window", "evaluate"]


@dataclass(frozen=True)
class Equipment:
    """What controllers may be fitted with: one kind of hardware each, or none without a sensor.

    names: kinds of hardware, the preferred ones first: they win ties; per_controller, per_sensor
    (H,): yearly cost of fitting a controller, and of each sensor on it; capacity (H,): most sensors
    on one controller; runs (H, K): which kinds of control each can run; fits (H, C): which
    controllers can take it; controller (Z,): controller of each zone; kind (J,): kind of control of
    each candidate.
    """

    names: tuple[str, ...]
    per_controller: NDArray[np.float64]
    per_sensor: NDArray[np.float64]
    capacity: NDArray[np.int64]
    runs: NDArray[np.bool_]
    fits: NDArray[np.bool_]
    controller: NDArray[np.int64]
    kind: NDArray[np.int64]

    def fit(
        self, sensors: NDArray[np.int64], zone: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], float]:
        """Return the cheapest hardware of each controller for given sensors, and its yearly cost.

        zone (J,): zone of each candidate. Result: kind of hardware; -1 without a sensor, or where
        none will do, shape (C,); yearly cost; inf where none will do.
        """
        found = np.full(self.fits.shape[1], -1)
        total = 0.0
        at = self.controller[zone[sensors]]
        for place in np.unique(at):
            mine = sensors[at == place]
            can = (
                self.fits[:, place]
                & (self.capacity >= mine.size)
                & self.runs[:, self.kind[mine]].all(axis=1)
            )
            cost = np.where(can, self.per_controller + mine.size * self.per_sensor, np.inf)
            found[place] = int(np.argmin(cost)) if can.any() else -1
            total += float(cost.min())
        return found, total


@dataclass(frozen=True)
class Window:
    """The hours in which a controller may water: its valves run one after another.

    minutes (J, Z): run time of each zone under each candidate on its longest day [min]; limit:
    minutes allowed on one day [min]; controller (Z,): controller of each zone.
    """

    minutes: NDArray[np.float64]
    limit: float
    controller: NDArray[np.int64]

    def used(self, governor: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the minutes of each controller for an assignment of zones.

        governor (Z,): candidate that governs each zone. Result: run times on the longest day, one
        after another [min], shape (C,).
        """
        each = self.minutes[governor, np.arange(len(governor))]
        return np.asarray(np.bincount(self.controller, weights=each), dtype=np.float64)

    def holds(self, governor: NDArray[np.int64]) -> bool:
        """Tell whether every controller keeps within the hours.

        governor (Z,): candidate that governs each zone. Result: whether none needs more than the
        limit.
        """
        return bool(np.all(self.used(governor) <= self.limit + 1e-6))


@dataclass(frozen=True)
class Candidates:
    """Every sensor that may be bought; list the preferred ones first, they win ties.

    zone (J,): zone that each sensor is buried in; cost (J, Z): yearly cost of each zone under each
    candidate, inf where it may not govern it [currency or m³ per year]; fixed (J,): yearly cost of
    the sensor itself, in the same unit; label: the setting of its control, in words; equipment:
    what the controllers may be fitted with, its cost comes on top; window: the hours in which
    watering is allowed.
    """

    zone: NDArray[np.int64]
    cost: NDArray[np.float64]
    fixed: NDArray[np.float64]
    label: tuple[str, ...]
    equipment: Equipment | None = None
    window: Window | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be solved."""
        count, zones = self.cost.shape
        checks = (
            ("zone", self.zone.shape == (count,), f"shape ({count},)"),
            ("fixed", self.fixed.shape == (count,), f"shape ({count},)"),
            ("label", len(self.label) == count, f"{count} labels"),
            ("zone", bool(np.all((self.zone >= 0) & (self.zone < zones))), f"0 to {zones - 1}"),
            ("cost", bool(np.all(self.cost >= 0)), "0 or more, or inf"),
            ("fixed", bool(np.all((self.fixed >= 0) & np.isfinite(self.fixed))), "0 or more"),
        )
        faults = [
            Fault("sensor candidates", "something else", allowed, "Correct it.", column=column)
            for column, good, allowed in checks
            if not good
        ]
        if faults:
            raise InputError(faults)


@dataclass(frozen=True)
class Choice:
    """One way to place sensors.

    Parameters
    ----------
    n : int
        Number of sensors allowed.
    feasible : bool
        Whether every zone can be governed within its cap.
    sensors : tuple of int
        Candidates opened, in their given order; empty when not feasible.
    governor : ndarray of int, shape (Z,)
        Candidate that governs each zone; -1 when not feasible.
    cost : float
        Yearly cost of zones and sensors; NaN when not feasible.
    value_of_next : float
        What allowing one more sensor would save a year; exactly 0 when it is worth nothing; NaN on
        the last row and where either is not feasible.
    gap : float
        Proven bound on how far the cost is above the least possible, as a share of it; NaN when
        not feasible.
    settled : bool
        Whether `governor` says -1 where a zone follows nobody; otherwise its caller finds out.
    """

    n: int
    feasible: bool
    sensors: tuple[int, ...]
    governor: NDArray[np.int64]
    cost: float
    value_of_next: float = float("nan")
    gap: float = float("nan")
    settled: bool = False

    @property
    def used(self) -> int:
        """Sensors actually used, at most n."""
        return len(self.sensors)


@dataclass(frozen=True)
class SensorChoice:
    """The whole curve for 1, 2, 3 ... sensors, and the cheapest of it.

    rows: for n = 1, 2, ; best: position in `rows` of the cheapest, the one with the fewest sensors
    where equal, None when none is feasible.
    """

    rows: tuple[Choice, ...]
    best: int | None

    @property
    def chosen(self) -> Choice:
        """The cheapest choice."""
        if self.best is None:
            count = len(self.rows)
            msg = (
                f"no choice of up to {count} sensors keeps every zone within its stress cap; allow "
                "more sensors (max_sensors) or more stress days (max_stress_days)"
            )
            raise PlanError(msg)
        return self.rows[self.best]


def evaluate(candidates: Candidates, sensors: Sequence[int]) -> tuple[NDArray[np.int64], float]:
    """Return the best assignment of zones to given sensors, and its yearly cost.

    Result: candidate that governs each zone; the earlier one where two cost the same, shape (Z,);
    yearly cost of zones, sensors and equipment; inf where a zone cannot be governed or no equipment
    will do. The hours of a `Window` are not looked at.

    >>> two = Candidates(np.array([0, 1]), np.array([[1.0, 4.0], [5.0, 2.0]]), np.ones(2), ("", ""))
    >>> evaluate(two, [0])
    (array([0, 0]), 6.0)
    >>> evaluate(two, [0, 1])
    (array([0, 1]), 5.0)
    """
    opened = np.array(sorted(sensors), dtype=np.int64)
    governor = opened[np.argmin(candidates.cost[opened], axis=0)]
    governor[candidates.zone[opened]] = opened
    zones = np.arange(candidates.cost.shape[1])
    total = candidates.fixed[opened].sum() + candidates.cost[governor, zones].sum()
    if candidates.equipment is not None:
        total += candidates.equipment.fit(opened, candidates.zone)[1]
    return governor, float(total)
