"""Every option of a property with money on it: candidates, hardware, hours, shared trench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

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
    years: int
    window_minutes: float | None = None
    cramped: bool = False
    stretched: bool = False

    @classmethod
    def of(cls, pool: Governors, zones: pd.DataFrame, prices: Prices, **limits: Any) -> Options:  # noqa: ANN401
        """Return the options of a pool, its candidates in the order in which they win ties."""
        options = cls(pool, zones, prices, **limits)
        water = pool.water_mm[np.arange(len(pool.zone)), pool.zone]
        kind = np.array([CONTROL_KINDS.index(kind) for kind in pool.kind])
        order = np.lexsort((water, ~pool.habit, options.home_order[pool.zone], kind))
        return replace(options, pool=pool.only(order))

    @property
    def area_m2(self) -> _Array:
        """Area of each zone [m²]."""
        return self.zones["area_m2"].to_numpy(dtype=float)

    @property
    def home_order(self) -> _Array:
        """Where a sensor goes by habit: 0 is the thirstiest turf, then the thirstiest of the rest,
        shape (Z,)."""  # noqa: D205, D209
        turf = self.zones["plants"].astype(str).str.endswith("turf").to_numpy()
        need = self.zones["need_score"].to_numpy(dtype=float)
        order = np.lexsort((-need, ~turf))
        return np.argsort(order).astype(float)

    @property
    def price(self) -> float:
        """Price of water, a trifle where there is none [currency/m³]."""
        return max(self.prices.water, _LEAST_PRICE)

    def candidates(
        self,
        *,
        connection: _Array | None = None,
        kinds: Sequence[str] = CONTROL_KINDS,
        habit: bool = False,
    ) -> Candidates:
        """Put money on every pair of sensor and zone.

        Parameters
        ----------
        connection : ndarray, shape (Z,), optional
            Yearly cost of trench and wire; the prices' own where not given.
        kinds : sequence of str
            Kinds of control to take.
        habit : bool
            Whether to take only those that leave today's minutes and days as they are, kept or not;
            every zone that can follow one then does.

        Returns
        -------
        Candidates
            In the order of the pool; a zone that may not follow, or would use more so, stands
            with what its own programme costs.
        """
        pool, zone = self.pool, self.pool.zone
        area = self.area_m2 / 1000
        cost = self.price * pool.water_mm * area
        # Who follows nobody, or does so dearly, keeps a programme of its own on the timer.
        home = np.arange(len(area)) == zone[:, None]
        alone = self.price * self.alone_mm * area
        if habit:
            cost = np.where(pool.minutes > 0, cost, alone)
        else:
            cost = np.where(pool.kept, cost, np.inf)
            cost = np.where(home, cost, np.minimum(cost, alone))
        barred = np.zeros(len(zone), dtype=np.bool_)
        if not self.cramped:
            barred |= ~self.zones["admissible"].to_numpy(dtype=bool)[zone]
        barred |= ~np.isin(pool.kind, list(kinds))
        if habit:
            barred |= ~pool.habit
        cost = np.where(barred[:, None], np.inf, cost)
        own = self.prices.connection if connection is None else connection
        labels = tuple(
            f"{kind} from {100 * low:.0f} % depleted"
            for kind, low in zip(pool.kind, pool.low, strict=True)
        )
        return Candidates(zone, cost, own[zone], labels, self.equipment(), self.window())

    @property
    def alone_mm(self) -> _Array:
        """Water of zones without a sensor, mean over the runs, shape (Z,) [mm]."""
        return np.asarray(self.pool.alone.water_mm.mean(axis=1))

    def follows(self, choice: Choice) -> NDArray[np.int64]:
        """Return who governs each zone.

        Parameters
        ----------
        choice : Choice
            A feasible one.

        Returns
        -------
        ndarray of int, shape (Z,)
            Candidate; -1 for a zone that keeps a programme of its own, without a sensor.
        """
        if choice.settled:
            return choice.governor
        every = np.arange(len(choice.governor))
        kept = self.pool.kept[choice.governor, every]
        water = np.where(kept, self.pool.water_mm[choice.governor, every], np.inf)
        home = self.pool.zone[choice.governor] == every
        return np.where(home | (water <= self.alone_mm), choice.governor, -1)

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
        """Return the hours of local rules, with every zone's run under every candidate."""
        if self.window_minutes is None:
            return None
        pool = self.pool
        own = pool.alone.depth * pool.alone.dial.max(axis=1) / pool.per_minute
        follows = pool.water_mm <= self.alone_mm
        follows |= np.arange(len(own)) == pool.zone[:, None]
        controller, _ = controllers_of(self.zones)
        return Window(np.where(follows, pool.minutes, own), self.window_minutes, controller)

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
        pool, governor = self.pool, self.follows(choice)
        every = np.arange(len(governor))
        runs = np.where(
            (governor >= 0)[:, None],
            (pool.minutes[governor, every] * pool.per_minute)[:, None] * pool.events[governor],
            pool.alone.water_mm,
        )
        return pool.by_scenario(self.area_m2 @ runs / 1000)

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
            return np.full(self.pool.events.shape[1] // self.years, np.nan)
        water = self.water_m3(choice)
        return np.asarray(choice.cost + self.price * (water - water.mean()))

    def stress_days(self, choice: Choice) -> float:
        """Return the stress days of a choice's worst zone.

        Parameters
        ----------
        choice : Choice
            Any.

        Returns
        -------
        float
            In the worst season out of ten; NaN when not feasible [d].
        """
        if not choice.feasible:
            return float("nan")
        return float(self.zone_stress(choice).max())

    def zone_stress(self, choice: Choice) -> _Array:
        """Return the stress days of every zone in the worst season out of ten, shape (Z,) [d]."""
        governor = self.follows(choice)
        led = self.pool.stress_days[governor, np.arange(len(governor))]
        return np.where(governor >= 0, led, self.pool.alone.worst_stress_days)

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
