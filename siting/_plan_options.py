"""Every option of a property with money on it: candidates, hardware, hours, shared trench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_control import Governors
from siting.errors import PlanError
from siting.sensors import Candidates, Choice, Equipment, Window
from siting.site.settings import Hardware
from siting.site.vocabulary import CONTROL_KINDS
from siting.wiring import TrenchNetwork

__all__ = ["Options", "Prices", "controllers_of", "usable_kinds"]

_Array = NDArray[np.float64]

#: Without a price a millionth of the currency per m³ still prefers less water among equals.
_LEAST_PRICE: Final = 1e-6
#: More sensors than any controller of a property ever needs.
_ANY: Final = 10_000


@dataclass(frozen=True)
class Prices:
    """What a choice costs a year.

    Parameters
    ----------
    water : float
        Price of water, 0 where unknown [currency/m³].
    connection : ndarray, shape (Z,)
        Yearly cost of trench and wire of a sensor in each zone, the trench all its own
        [currency per year].
    hardware : tuple of Hardware
        What controllers may be fitted with.
    life_years : float
        Life of everything bought [years].
    trench : TrenchNetwork or None
        Prices trench that sensors share; None where none is drawn or it costs nothing.
    trench_per_m : float
        Yearly price of trench [currency/m/year].
    """

    water: float
    connection: _Array
    hardware: tuple[Hardware, ...]
    life_years: float
    trench: TrenchNetwork | None = None
    trench_per_m: float = 0.0

    def shared(self, own: float, zones: Sequence[int]) -> float:
        """Return the cost of a choice with its trench shared, given it with trenches of its own.

        Parameters
        ----------
        own : float
            Yearly cost with a trench for every sensor [currency per year].
        zones : sequence of int
            Zones with a sensor.

        Returns
        -------
        float
            Never more [currency per year].
        """
        if self.trench is None:
            return own
        alone = float(self.trench.own[list(zones)].sum())
        return own - self.trench_per_m * max(0.0, alone - self.trench.shared(zones))


def controllers_of(zones: pd.DataFrame) -> tuple[NDArray[np.int64], list[str]]:
    """Return the controller of each zone as a number, and their names in order.

    Parameters
    ----------
    zones : DataFrame
        Column controller; None where there is one system only.

    Returns
    -------
    tuple of ndarray and list
        Shape (Z,), and the names.
    """
    names = zones["controller"].fillna("").astype(str)
    codes, unique = pd.factorize(names, sort=True)
    return codes.astype(np.int64), [str(name) for name in unique]


@dataclass(frozen=True)
class Options:
    """What may be bought, and what limits it.

    Parameters
    ----------
    pool : Governors
        Candidates of every kind of control.
    zones : DataFrame
        Index `zone`; columns area_m2, controller, admissible and the beside-facts of `decide`.
    prices : Prices
        Money.
    rate : ndarray, shape (Z,)
        Precipitation rate [mm/h].
    years : int
        Seasons per scenario.
    window_minutes : float or None
        Minutes that local rules allow on a watering day.
    cramped : bool
        Whether a sensor may lie where a setback gives way.
    stretched : bool
        Whether a controller may take more sensors than its hardware has inputs.
    """

    pool: Governors
    zones: pd.DataFrame
    prices: Prices
    rate: _Array
    years: int
    window_minutes: float | None = None
    cramped: bool = False
    stretched: bool = False

    @property
    def area_m2(self) -> _Array:
        """Area of each zone [m²]."""
        return self.zones["area_m2"].to_numpy(dtype=float)

    @property
    def price(self) -> float:
        """Price of water, a trifle where there is none [currency/m³]."""
        return max(self.prices.water, _LEAST_PRICE)

    def candidates(
        self, *, connection: _Array | None = None, kinds: Sequence[str] = CONTROL_KINDS
    ) -> Candidates:
        """Put money on every pair of sensor and zone.

        Parameters
        ----------
        connection : ndarray, shape (Z,), optional
            Yearly cost of trench and wire; the prices' own where not given.
        kinds : sequence of str
            Kinds of control to take.

        Returns
        -------
        Candidates
            In the order of the pool.
        """
        pool, zone = self.pool, self.pool.zone
        cost = self.price * pool.followers.water_mm * self.area_m2 / 1000
        controller, _ = controllers_of(self.zones)
        barred = np.zeros(len(zone), dtype=np.bool_)
        if not self.cramped:
            barred |= ~self.zones["admissible"].to_numpy(dtype=bool)[zone]
        barred |= ~np.isin(pool.kind, list(kinds))
        apart = controller[zone][:, None] != controller[None, :]
        cost = np.where(barred[:, None] | apart, np.inf, cost)
        own = self.prices.connection if connection is None else connection
        labels = tuple(
            f"{kind} from {100 * low:.0f} % depleted"
            for kind, low in zip(pool.kind, pool.low, strict=True)
        )
        return Candidates(zone, cost, own[zone], labels, self.equipment(), self.window())

    def equipment(self, *, most: int | None = None) -> Equipment:
        """Return the hardware as the choice knows it.

        Parameters
        ----------
        most : int, optional
            Most sensors per controller, where less than the hardware's own.

        Returns
        -------
        Equipment
            With yearly costs.
        """
        items, life = self.prices.hardware, self.prices.life_years
        controller, names = controllers_of(self.zones)
        capacity = np.array([_ANY if self.stretched else item.sensors for item in items])
        return Equipment(
            names=tuple(item.kind for item in items),
            per_controller=np.array([item.per_controller for item in items]) / life,
            per_sensor=np.array([item.per_sensor for item in items]) / life,
            capacity=capacity if most is None else np.minimum(capacity, most),
            runs=np.array([[kind in item.control for kind in CONTROL_KINDS] for item in items]),
            fits=np.array(
                [
                    [item.controllers is None or name in item.controllers for name in names]
                    for item in items
                ]
            ),
            controller=controller,
            kind=np.array([CONTROL_KINDS.index(kind) for kind in self.pool.kind]),
        )

    def window(self) -> Window | None:
        """Return the hours of local rules, with every zone's longest run under every candidate."""
        if self.window_minutes is None:
            return None
        factor = self.pool.followers.factor
        longest = self.pool.watering.depth.max(axis=(1, 2))
        minutes = np.zeros_like(factor)
        np.multiply(factor, longest[:, None], out=minutes, where=np.isfinite(factor))
        controller, _ = controllers_of(self.zones)
        return Window(60 * minutes / self.rate, self.window_minutes, controller)

    def too_long(self) -> tuple[str, ...]:
        """Say which controllers cannot water all their zones within the hours, with numbers."""
        window = self.window()
        if window is None:
            return ()
        cost = self.candidates().cost
        least = np.where(np.isfinite(cost), window.minutes, np.inf).min(axis=0)
        least = np.where(np.isfinite(least), least, 0.0)
        total = np.bincount(window.controller, weights=least)
        _, names = controllers_of(self.zones)
        return tuple(
            f"{f'controller {name}' if name else 'the system'}: its valves need {minutes:.0f} "
            f"minutes one after another on their longest day, and local rules allow "
            f"{window.limit:.0f}; that limit is not met"
            for name, minutes in zip(names, total, strict=True)
            if minutes > window.limit
        )

    def water_m3(self, choice: Choice) -> _Array:
        """Return the water of a choice by scenario, shape (S,) [m³/season].

        Parameters
        ----------
        choice : Choice
            A feasible one.

        Returns
        -------
        ndarray, shape (S,)
            Mean over the years.
        """
        every = np.arange(len(choice.governor))
        factor = self.pool.followers.factor[choice.governor, every]
        depth = self.pool.water_mm(self.years)[choice.governor]
        return np.asarray((factor * self.area_m2) @ depth / 1000)

    def costs(self, choice: Choice) -> _Array:
        """Return the yearly cost of a choice by scenario, shape (S,); NaN when not feasible.

        Parameters
        ----------
        choice : Choice
            Any.

        Returns
        -------
        ndarray, shape (S,)
            Currency per year.
        """
        if not choice.feasible:
            return np.full(self.pool.watering.depth.shape[2] // self.years, np.nan)
        water = self.water_m3(choice)
        return np.asarray(choice.cost + self.price * (water - water.mean()))

    def stress_days(self, choice: Choice) -> float:
        """Return the worst zone's stress days of a choice.

        Parameters
        ----------
        choice : Choice
            Any.

        Returns
        -------
        float
            In the worst run; NaN when not feasible [d].
        """
        if not choice.feasible:
            return float("nan")
        every = np.arange(len(choice.governor))
        return float(self.pool.followers.stress_days[choice.governor, every].max())

    def homes(self, choice: Choice) -> list[int]:
        """Return the zones that hold a sensor.

        Parameters
        ----------
        choice : Choice
            Any.

        Returns
        -------
        list of int
            Position of each sensor's zone, in the order of the sensors; empty when not feasible.
        """
        return [int(self.pool.zone[j]) for j in choice.sensors]

    def priced(self, choice: Choice, connection: _Array) -> Choice:
        """Return a choice at its true cost: on trench that is shared.

        Parameters
        ----------
        choice : Choice
            As solved with the given connections.
        connection : ndarray, shape (Z,)
            Yearly cost of trench and wire that it was solved with.

        Returns
        -------
        Choice
            The same sensors.
        """
        if not choice.feasible:
            return choice
        homes = self.homes(choice)
        own = choice.cost + float((self.prices.connection - connection)[homes].sum())
        return replace(choice, cost=self.prices.shared(own, homes))

    def hardware(self, choice: Choice) -> dict[str, str]:
        """Return what each controller is fitted with.

        Parameters
        ----------
        choice : Choice
            Any.

        Returns
        -------
        dict of str to str
            Controller -> kind of hardware; those without a sensor are left out.
        """
        equipment = self.equipment()
        found, _ = equipment.fit(np.array(choice.sensors, dtype=np.int64), self.pool.zone)
        _, names = controllers_of(self.zones)
        return {name: equipment.names[h] for name, h in zip(names, found, strict=True) if h >= 0}

    def beyond_inputs(self, choice: Choice) -> tuple[str, ...]:
        """Say which controllers have more sensors than their hardware has inputs.

        Parameters
        ----------
        choice : Choice
            Any.

        Returns
        -------
        tuple of str
            One sentence per controller, with numbers.
        """
        by_kind = {item.kind: item for item in self.prices.hardware}
        controller, names = controllers_of(self.zones)
        count = np.bincount(controller[self.homes(choice)], minlength=len(names))
        return tuple(
            f"controller {name or 'of the system'}: {count[names.index(name)]} sensors are needed, "
            f"and {kind.replace('_', '-')} hardware takes {by_kind[kind].sensors}; a second one is "
            "needed there, and is not in the costs"
            for name, kind in self.hardware(choice).items()
            if count[names.index(name)] > by_kind[kind].sensors
        )


def usable_kinds(kinds: Sequence[str], hardware: Sequence[Hardware]) -> tuple[str, ...]:
    """Return the kinds of control that some hardware can run.

    Parameters
    ----------
    kinds : sequence of str
        Kinds wanted.
    hardware : sequence of Hardware
        What may be bought.

    Returns
    -------
    tuple of str
        In the given order.

    Raises
    ------
    PlanError
        When there is none.
    """
    can = {kind for item in hardware for kind in item.control}
    found = tuple(kind for kind in kinds if kind in can)
    if not found:
        msg = (
            f"no hardware allowed runs {' or '.join(kinds)} control; a timer with sensor inputs "
            '(hardware kinds = ["replacement"]) can start watering, an add-on can only skip it'
        )
        raise PlanError(msg)
    return found
