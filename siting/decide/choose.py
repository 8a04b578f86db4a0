"""How many sensors, where, and which zones share one: exact facility location.

A *candidate* is a sensor in one zone with one setting of its control. Each candidate has a yearly
cost of its own and a yearly cost for every zone that it would govern (infinite where that zone
would suffer beyond its cap). At most `n` candidates are opened, at most one in a zone, a zone with
a sensor is governed by it, and every zone is governed by exactly one open candidate. Because a
candidate's go/skip sequence depends only on its own zone, the costs are independent of each other,
and the problem is facility location with self-service. Where few sets of candidates could be
opened, or few that a bound on their cost does not rule out, all of them are looked at, else it is
solved by HiGHS with no gap; the reported cost is recomputed from the whole-number choice.

Where a zone can only follow a sensor on its own controller, and there are many zones, the problem
falls apart by controller: each is solved by itself for every number of sensors, and the numbers are
then shared out among the controllers, which is as exact and takes time in proportion to the zones.

Exact with it: what each controller is fitted with (`Equipment`: one kind each, its capacity, its
cost per controller and per sensor), and the hours of local rules (`Window`). Not part of it:
trench that several sensors share, which depends on all of them at once; `siting.planning.make`
prices that again and again.

References
----------
Huangfu, Q. and Hall, J. A. J. (2018). Parallelizing the dual revised simplex method. Mathematical
Programming Computation 10, 119-142 (HiGHS, called through `scipy.optimize.milp`).

Columns, in this order: one per kept candidate (opened or not), one per allowed pair of candidate
and zone, then per controller and kind of hardware whether it is fitted, and with how many sensors.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final, NamedTuple, cast

import numpy as np
import scipy

from siting.arrays import Flags, Floats, Ints
from siting.errors import Fault, InputError, PlanError
from siting.parts import each_part


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
    per_controller: Floats
    per_sensor: Floats
    capacity: Ints
    runs: Flags
    fits: Flags
    controller: Ints
    kind: Ints

    def fit(self, sensors: Ints, zone: Ints) -> tuple[Ints, float]:
        """Return the cheapest hardware of each controller for given sensors, and its yearly cost.

        zone (J,): zone of each candidate. Result: kind of hardware; -1 without a sensor, or where
        none will do, shape (C,); yearly cost; inf where none will do.
        """
        found = np.full(self.fits.shape[1], -1)
        total = 0.0
        at = self.controller[zone[sensors]]
        for place in sorted(set(at.tolist())):
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

    def least(self, sets: Ints, zone: Ints) -> Floats:
        """Return the yearly cost of the cheapest hardware for many sets of sensors, shape (N,).

        sets (N, K): sensors, -1 for none; zone (J,): as in `fit`.
        """
        total = np.zeros(len(sets))
        at = np.where(sets >= 0, self.controller[zone[sets]], -1)
        for place in range(self.fits.shape[1]):
            mine = at == place
            count = mine.sum(axis=1)[:, None]
            able = (self.runs.T[self.kind[sets]] | ~mine[..., None]).all(axis=1)
            can = able & self.fits[:, place] & (self.capacity >= count)
            cost = np.where(can, self.per_controller + count * self.per_sensor, np.inf)
            total += np.where(count[:, 0] > 0, cost.min(axis=1), 0.0)
        return total


@dataclass(frozen=True)
class Window:
    """The hours in which a controller may water: its valves run one after another.

    minutes (J, Z): run time of each zone under each candidate on its longest day [min]; limit:
    minutes allowed on one day [min]; controller (Z,): controller of each zone.
    """

    minutes: Floats
    limit: float
    controller: Ints

    def used(self, governor: Ints) -> Floats:
        """Return the minutes of each controller for an assignment of zones.

        governor (Z,): candidate that governs each zone. Result: run times on the longest day, one
        after another [min], shape (C,).
        """
        each = self.minutes[governor, np.arange(len(governor))]
        return np.asarray(np.bincount(self.controller, weights=each), dtype=np.float64)

    def holds(self, governor: Ints) -> bool:
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

    zone: Ints
    cost: Floats
    fixed: Floats
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
    governor: Ints
    cost: float
    value_of_next: float = float("nan")
    gap: float = float("nan")
    settled: bool = False

    @property
    def used(self) -> int:
        """Sensors actually used, at most n."""
        return len(self.sensors)


class Part(NamedTuple):
    """What one controller decides by itself.

    zones, taken: positions of its zones and of its candidates; own: the candidates, renumbered;
    alone: yearly cost of its zones without a sensor, inf where they then pass the hours.
    """

    zones: Ints
    taken: Ints
    own: Candidates
    alone: float


#: Up to so many zones the programme is solved as one; a property with more is large: it is done in
#: parts, and what was worked out is kept.
TOGETHER: Final = 60


def parts_of(candidates: Candidates) -> list[Part] | None:
    """Return what each controller decides by itself; None where zones are few or hang together.

    They hang together where a candidate of one controller changes what a zone of another costs.
    """
    equipment, (_, zones) = candidates.equipment, candidates.cost.shape
    if equipment is None or zones <= TOGETHER or equipment.fits.shape[1] == 1:
        return None
    at = equipment.controller[candidates.zone]
    usable = np.isfinite(candidates.cost).any(axis=1)
    found = []
    for place in range(equipment.fits.shape[1]):
        mine = np.flatnonzero(equipment.controller == place)
        taken, others = np.flatnonzero(at == place), np.flatnonzero((at != place) & usable)
        beside = candidates.cost[np.ix_(others, mine)]
        if not len(others) or not np.isfinite(beside).all() or np.any(beside != beside[0]):
            return None
        found.append(_part(candidates, equipment, mine, taken, float(beside[0].sum())))
    return found


def _part(
    candidates: Candidates, equipment: Equipment, mine: Ints, taken: Ints, alone: float
) -> Part:
    """Cut one controller's zones and candidates out."""
    place = int(equipment.controller[mine[0]]) if mine.size else 0
    renumbered = np.full(candidates.cost.shape[1], -1)
    renumbered[mine] = np.arange(mine.size)
    window, here = candidates.window, np.zeros(mine.size, dtype=np.int64)
    if window is not None:
        own = Window(window.minutes[np.ix_(taken, mine)], window.limit, here)
        others = np.flatnonzero(equipment.controller[candidates.zone] != place)
        if others.size and window.minutes[others[0], mine].sum() > window.limit + 1e-6:
            alone = float("inf")
    return Part(
        mine,
        taken,
        Candidates(
            renumbered[candidates.zone[taken]],
            candidates.cost[np.ix_(taken, mine)],
            candidates.fixed[taken],
            tuple(candidates.label[int(j)] for j in taken),
            replace(
                equipment,
                fits=equipment.fits[:, [place]],
                controller=here,
                kind=equipment.kind[taken],
            ),
            None if window is None else own,
        ),
        alone,
    )


def evaluate(candidates: Candidates, sensors: Sequence[int]) -> tuple[Ints, float]:
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


def _worth(candidates: Candidates, sets: Ints) -> Floats:
    """Return the yearly cost of many sets of sensors, as of `evaluate`, shape (N,).

    sets (N, K): candidates opened, no two in one zone; -1 for none.
    """
    opened = sets >= 0
    served = np.where(opened[..., None], candidates.cost[sets], np.inf).min(axis=1, initial=np.inf)
    row, slot = np.nonzero(opened)
    home = candidates.zone[sets[row, slot]]
    served[row, home] = candidates.cost[sets[row, slot], home]
    total = np.where(opened, candidates.fixed[sets], 0.0).sum(axis=1) + served.sum(axis=1)
    if candidates.equipment is not None:
        total += candidates.equipment.least(sets, candidates.zone)
    return np.asarray(total)


#: Where there are no more sets of candidates than this, all of them are looked at.
FEW_SETS: Final = 4096
#: Sets that are held on to where they are more, and while the cheapest is guessed.
MOST_SETS: Final = 4096
ROUGH_SETS: Final = 64
#: Ways to fit the controllers that are tried one by one; beyond, the programme decides alone.
MOST_WAYS = 16
#: Shares of a relaxed candidate below this count as none; rounds of swaps of a rounded choice.
ROUNDING = 1e-6
SWAPS = 4
#: Status of `scipy.optimize.milp` for a problem without a solution.
INFEASIBLE = 2


class Solution(NamedTuple):
    """What a solver found.

    sensors: candidates opened, empty when not feasible; governor (Z,): candidate that governs each
    zone, -1 when not feasible; gap: proven bound on how far the cost is above the least possible,
    as a share of it, NaN when not feasible [-].
    """

    sensors: tuple[int, ...]
    governor: Ints
    gap: float


#: Rows, columns and values of entries.
_Cells = tuple[Ints, Ints, Floats | float]


class _Rows(NamedTuple):
    """Some rows of the programme: entries, and what each row lies between."""

    height: int
    row: Ints
    column: Ints
    value: Floats
    low: Floats
    high: Floats


class Model:
    """One property's candidates; solve for any number of sensors.

    candidates: every sensor that may be bought.
    """

    def __init__(self, candidates: Candidates) -> None:
        self.candidates, self.kept = candidates, _undominated(candidates)

    def solve(
        self, *, at_most: int, zones: Sequence[int] | None = None, in_window: bool = False
    ) -> Solution:
        """Solve for at most some sensors, with the proven gap.

        zones: where each must have one, and no other zone; in_window: whether the hours are kept.
        """
        found = None if in_window else self._looked_at(at_most, zones)
        if found is None:
            return self._programme.solve(at_most=at_most, zones=zones, in_window=in_window)
        sets, worth = found
        if not worth.size or not np.isfinite(worth.min()):
            return Solution((), np.full(self.candidates.cost.shape[1], -1), float("nan"))
        best = sets[np.argmin(worth)]
        opened = sorted(best[best >= 0].tolist())
        return Solution(tuple(opened), evaluate(self.candidates, opened)[0], 0.0)

    def _looked_at(self, at_most: int, zones: Sequence[int] | None) -> tuple[Ints, Floats] | None:
        """Return sets of candidates, shape (N, K), the cheapest among them, and their cost.

        A set has at most so many, and one in each of `zones` alone. Where not all sets are few, a
        rough search tells what the cheapest costs at most, and sets that must cost more are left
        out from their first few members on; None where they are many all the same.
        """
        if np.prod([len(way) + 1 for way in self._ways.values()], dtype=float) <= FEW_SETS:
            sets, worth = self._every
            opened = sets >= 0
            fits = opened.sum(axis=1) <= at_most
            if zones is not None:
                wanted = np.isin(list(self._ways), list(zones))
                fits &= (opened.sum(axis=1) == len(zones)) & (opened <= wanted).all(axis=1)
            return sets[fits], worth[fits]
        rough = self._grown(at_most, zones, widest=ROUGH_SETS, cut=True)
        worth = _worth(self.candidates, cast("Ints", rough))
        limit = float(worth.min(initial=np.inf)) * (1 + TIE)
        found = self._grown(at_most, zones, limit=limit, widest=MOST_SETS)
        return None if found is None else (found, _worth(self.candidates, found))

    def _grown(
        self,
        at_most: int,
        zones: Sequence[int] | None = None,
        *,
        limit: float = np.inf,
        widest: float = np.inf,
        cut: bool = False,
    ) -> Ints | None:
        """Grow sets zone by zone, shape (N, K), a column for each zone, -1 for none in it.

        limit: what a set may cost; widest: sets held on to, those with the least bound where they
        are to be `cut`, else None where they are more. A set's bound: each zone under the best that
        is opened already or could be yet, and what is paid for sensors so far.
        """
        cost, every = self.candidates.cost, np.arange(self.candidates.cost.shape[1])
        sets, led = np.empty((1, 0), np.int64), np.full((1, every.size), np.inf)
        own, paid, (place, room) = led, np.zeros(1), self._room
        for k, ((z, able), later) in enumerate(zip(self._ways.items(), self._later, strict=True)):
            way = np.append(-1, able) if zones is None else able if z in zones else np.array([-1])
            at, new = np.repeat(np.arange(len(sets)), len(way)), np.tile(way, len(sets))
            opened = new >= 0
            sets = np.column_stack([sets[at], new])
            led = np.minimum(led[at], np.where(opened[:, None], cost[new], np.inf))
            own = np.where(opened[:, None] & (every == z), cost[new], own[at])
            paid = paid[at] + np.where(opened, self._paid[new], 0.0)
            bound = paid + np.where(own < np.inf, own, np.minimum(led, later)).sum(axis=1)
            beside = sets[:, place[: k + 1] == place[k]]
            fits = (sets >= 0).sum(axis=1) <= at_most
            fits &= (beside >= 0).sum(axis=1) <= room[k]
            keep = np.flatnonzero((bound < np.inf) & (bound <= limit) & fits)
            if keep.size > widest:
                if not cut:
                    return None
                keep = keep[np.argsort(bound[keep], kind="stable")[: int(widest)]]
            sets, led, own, paid = sets[keep], led[keep], own[keep], paid[keep]
        least = 1 if zones is None else len(zones)
        return np.asarray(sets[(sets >= 0).sum(axis=1) >= least])

    @cached_property
    def _programme(self) -> Programme:
        return Programme(self.candidates, self.kept)

    @cached_property
    def _ways(self) -> dict[int, Ints]:
        """By zone what may be opened there, what leads other zones best first."""
        cost, zone = self.candidates.cost, self.candidates.zone
        able = self.kept[np.isfinite(cost[self.kept, zone[self.kept]])]
        ways = {int(z): able[zone[able] == z] for z in np.unique(zone[able])}
        most = np.max(cost, where=np.isfinite(cost), initial=0.0)
        led = {z: np.minimum(cost[way].min(axis=0), most).sum() for z, way in ways.items()}
        return {z: ways[z] for z in sorted(ways, key=lambda z: led[z])}

    @cached_property
    def _paid(self) -> Floats:
        """The least that each candidate adds by itself, shape (J,)."""
        fixed, equipment = self.candidates.fixed, self.candidates.equipment
        if equipment is None:
            return fixed
        fits = equipment.fits[:, equipment.controller[self.candidates.zone]]
        able = equipment.runs[:, equipment.kind] & fits
        return np.asarray(fixed + np.where(able, equipment.per_sensor[:, None], np.inf).min(axis=0))

    @cached_property
    def _room(self) -> tuple[Ints, Floats]:
        """By zone its controller, and the most sensors that it may be fitted for, each (K,)."""
        equipment, zones = self.candidates.equipment, list(self._ways)
        if equipment is None:
            return np.zeros(len(zones), np.int64), np.full(len(zones), np.inf)
        place = equipment.controller[zones]
        most = np.max(equipment.capacity[:, None] * equipment.fits, axis=0, initial=0)
        return place, most[place].astype(float)

    @cached_property
    def _later(self) -> list[Floats]:
        """After each zone, the least that every zone costs under what may be opened yet."""
        best = [np.full(self.candidates.cost.shape[1], np.inf)]
        for z, way in reversed(self._ways.items()):
            least = self.candidates.cost[way].min(axis=0)
            least[z] = (self.candidates.cost[way, z] + self._paid[way]).min()
            best.append(np.minimum(best[-1], least))
        return best[-2::-1]

    @cached_property
    def _every(self) -> tuple[Ints, Floats]:
        sets = cast("Ints", self._grown(len(self._ways)))
        return sets, _worth(self.candidates, sets)


class Programme:
    """The same as an integer programme.

    candidates: every sensor that may be bought; kept: those that may be worth it.
    """

    def __init__(self, candidates: Candidates, kept: Ints) -> None:
        self.kept = kept
        self.zone = candidates.zone[self.kept]
        cost = candidates.cost[self.kept]
        self.zones = cost.shape[1]
        self.taken, self.pair_zone = np.nonzero(np.isfinite(cost))
        self.count, self.pairs = len(self.kept), len(self.taken)
        self.candidates = candidates
        own = np.concatenate([candidates.fixed[self.kept], cost[self.taken, self.pair_zone]])
        self.upper = np.ones(self.count + self.pairs)
        at_home = self.pair_zone == self.zone[self.taken]
        # One that may not even govern its own zone is never opened.
        self.upper[np.setdiff1d(np.arange(self.count), self.taken[at_home])] = 0.0
        self.rows = self._grouping(at_home)
        self.cost = own
        self.integer = np.concatenate([np.ones(self.count), np.zeros(self.pairs)])
        if candidates.equipment is not None:
            self._fit_out(candidates.equipment)
        # HiGHS stops within an absolute gap of 1e-6: bring the total to about a thousand.
        cheapest = cost.min(axis=0, initial=np.inf).sum()
        self.scale = 1000.0 / cheapest if 0 < cheapest < np.inf else 1.0

    def _grouping(self, at_home: Flags) -> list[_Rows]:
        """Serve every zone once, by an open candidate; with a sensor of its own, by that."""
        count, pairs, zones = self.count, self.pairs, self.zones
        candidate, pair = np.arange(count), np.arange(pairs)
        foreign, own = np.flatnonzero(~at_home), np.flatnonzero(at_home)
        self.home = [(self.zone, candidate, 1.0)]
        return [
            _rows(zones, [(self.pair_zone, count + pair, 1.0)], 1, 1),
            _rows(pairs, [(pair, self.taken, -1.0), (pair, count + pair, 1.0)], -np.inf, 0),
            _rows(
                zones,
                [*self.home, (self.pair_zone[foreign], count + foreign, 1.0)],
                -np.inf,
                1,
            ),
            _rows(
                own.size,
                [
                    (np.arange(own.size), self.taken[own], 1.0),
                    (np.arange(own.size), count + own, -1.0),
                ],
                0,
                0,
            ),
        ]

    def _fit_out(self, equipment: Equipment) -> None:
        """Add the equipment: one kind per controller, its capacity and what it can run."""
        kinds, places = equipment.fits.shape
        cells = kinds * places  # hardware-major: h * C + c
        at = equipment.controller[self.zone]
        kind = equipment.kind[self.kept]
        x = np.arange(self.count)
        cell = np.arange(cells)
        fitted, held = self.count + self.pairs + cell, self.count + self.pairs + cells + cell
        place = np.tile(np.arange(places), kinds)
        capacity = np.repeat(equipment.capacity, places).astype(float)
        # A sensor needs a controller that is fitted with something that can run it.
        able = [
            (x[runs[kind]], fitted[h * places + at[runs[kind]]], -1.0)
            for h, runs in enumerate(equipment.runs)
        ]
        self.rows += [
            _rows(places, [(at, x, 1.0), (place, held, -1.0)], 0, 0),
            _rows(cells, [(cell, fitted, -capacity), (cell, held, 1.0)], -np.inf, 0),
            _rows(places, [(place, fitted, 1.0)], -np.inf, 1),
            _rows(self.count, [(x, x, 1.0), *able], -np.inf, 0),
        ]
        for k in np.unique(kind):
            runs = np.repeat(equipment.runs[:, k], places)
            of_kind = (at[kind == k], x[kind == k], 1.0)
            self.rows.append(_rows(places, [of_kind, (place[runs], held[runs], -1.0)], -np.inf, 0))
        self.cost = np.concatenate(
            [
                self.cost,
                np.repeat(equipment.per_controller, places),
                np.repeat(equipment.per_sensor, places),
            ]
        )
        self.upper = np.concatenate([self.upper, equipment.fits.ravel().astype(float), capacity])
        self.integer = np.concatenate([self.integer, np.ones(cells), np.zeros(cells)])

    def solve(
        self, *, at_most: int, zones: Sequence[int] | None = None, in_window: bool = False
    ) -> Solution:
        """Solve as `Model.solve`."""
        nothing = Solution((), np.full(self.zones, -1), float("nan"))
        if not self.count or np.any(np.bincount(self.pair_zone, minlength=self.zones) == 0):
            return nothing
        if zones is None and not in_window:
            return self._by_branches(at_most) or nothing
        rows = [*self.rows, self._number(at_most)]
        if zones is not None:
            wanted = np.isin(np.arange(self.zones), list(zones)).astype(float)
            rows.append(_rows(self.zones, self.home, wanted, wanted))
        integer = self.integer
        if in_window:
            rows.append(self._hours())
            integer = integer.copy()
            integer[self.count : self.count + self.pairs] = 1  # binding hours could split a zone
        result = scipy.optimize.milp(
            self.cost * self.scale,
            integrality=integer,
            bounds=scipy.optimize.Bounds(np.zeros_like(self.upper), self.upper),
            constraints=scipy.optimize.LinearConstraint(*_stacked(rows, len(self.cost))),
            options={"mip_rel_gap": 0.0},
        )
        if result.status == INFEASIBLE:
            return nothing
        if result.x is None or result.status != 0:
            msg = f"the number of sensors could not be decided: {result.message}"
            raise PlanError(msg)
        return self._read(result.x, float(result.mip_gap or 0.0))

    def _by_branches(self, at_most: int) -> Solution | None:
        """Solve once per way to fit the controllers, cheapest relaxation first.

        With the hardware fixed the relaxation is tight, so that its bound rules out most other
        ways, and its reduced costs most candidates and pairs. Both are safe: what is ruled out
        costs more than a choice already at hand.
        """
        matrix, low, high = _stacked([*self.rows, self._number(at_most)], len(self.cost))
        relaxed = [_relaxed(self.cost * self.scale, matrix, low, high, u) for u in self._ways()]
        best: tuple[int, ...] = ()
        cost, gap = np.inf, 0.0
        for bound, x, spare, upper in sorted((r for r in relaxed if r), key=lambda r: r[0]):
            if bound >= cost:
                break
            guess, worth = self._guess(x, at_most)
            if worth < cost:
                best, cost = guess, worth
            kept = np.where(spare > cost - bound + 1e-6 * max(1.0, abs(bound)), 0.0, upper)
            result = scipy.optimize.milp(
                self.cost * self.scale,
                integrality=self.integer,
                bounds=scipy.optimize.Bounds(np.zeros_like(kept), kept),
                constraints=scipy.optimize.LinearConstraint(matrix, low, high),
                options={"mip_rel_gap": 0.0},
            )
            if result.status == INFEASIBLE:
                continue
            if result.x is None or result.status != 0:
                msg = f"the number of sensors could not be decided: {result.message}"
                raise PlanError(msg)
            gap = max(gap, float(result.mip_gap or 0.0))
            found = self._read(result.x, 0.0).sensors
            worth = self.scale * evaluate(self.candidates, found)[1]
            if worth < cost:
                best, cost = found, worth
        if not best:
            return None
        return Solution(best, evaluate(self.candidates, best)[0], gap)

    def _ways(self) -> list[Floats]:
        """Return upper bounds of every column, once per way to fit the controllers."""
        equipment = self.candidates.equipment
        if equipment is None:
            return [self.upper]
        kinds, places = equipment.fits.shape
        options = [np.flatnonzero(equipment.fits[:, c]) for c in range(places)]
        if np.prod([max(len(o), 1) for o in options], dtype=float) > MOST_WAYS:
            return [self.upper]
        ways = []
        for chosen in itertools.product(*options):
            open_ = np.zeros((kinds, places))
            open_[list(chosen), np.arange(places)] = 1.0
            upper = self.upper.copy()
            at = self.count + self.pairs
            upper[at : at + 2 * kinds * places] *= np.tile(open_.ravel(), 2)
            ways.append(upper)
        return ways

    def _guess(self, x: Floats, at_most: int) -> tuple[tuple[int, ...], float]:
        """Round a relaxation to a choice, and swap sensors while that is cheaper."""
        order = np.argsort(-x[: self.count], kind="stable")
        picked: dict[int, int] = {}
        for j in order[x[order] > ROUNDING]:
            if len(picked) < at_most:
                picked.setdefault(int(self.zone[j]), int(self.kept[j]))
        chosen = sorted(picked.values())
        if not chosen:
            return (), float("inf")
        cost = evaluate(self.candidates, chosen)[1]
        for _ in range(SWAPS):
            trials = [
                sorted([*(k for k in chosen if k != old), int(new)])
                for old in chosen
                for new in self.kept[x[: self.count] > ROUNDING]
                if new not in chosen
            ]
            trials = [t for t in trials if len(set(self.candidates.zone[t])) == len(t)]
            worth = [evaluate(self.candidates, trial)[1] for trial in trials]
            if not worth or min(worth) >= cost:
                break
            cost = min(worth)
            chosen = trials[int(np.argmin(worth))]
        return tuple(chosen), self.scale * cost

    def _read(self, x: Floats, gap: float) -> Solution:
        opened = np.rint(x[: self.count]) == 1
        used = np.rint(x[self.count : self.count + self.pairs]) == 1
        governor = np.full(self.zones, -1)
        governor[self.pair_zone[used]] = self.kept[self.taken[used]]
        return Solution(tuple(int(j) for j in self.kept[opened]), governor, gap)

    def _number(self, at_most: int) -> _Rows:
        return _rows(1, [(np.zeros(self.count, dtype=np.int64), np.arange(self.count), 1.0)],
                     1, at_most)  # fmt: skip

    def _hours(self) -> _Rows:
        """Keep the valves of a controller, one after another, within the hours."""
        window = self.candidates.window
        if window is None:
            msg = "there are no hours to keep"
            raise ValueError(msg)
        minutes = window.minutes[self.kept][self.taken, self.pair_zone]
        at = self.count + np.arange(self.pairs)
        height = int(window.controller.max()) + 1
        cells = [(window.controller[self.pair_zone], at, minutes)]
        return _rows(height, cells, -np.inf, window.limit)


_Relaxed = tuple[float, Floats, Floats, Floats]


def _rows(
    height: int,
    cells: Sequence[_Cells],
    low: Floats | float,
    high: Floats | float,
) -> _Rows:
    """Put cells together to rows of the programme."""
    row = np.concatenate([cell[0] for cell in cells])
    column = np.concatenate([cell[1] for cell in cells])
    value = np.concatenate([np.broadcast_to(v, r.shape) for r, _, v in cells])
    ends = (np.broadcast_to(np.asarray(end, dtype=float), height) for end in (low, high))
    return _Rows(height, row, column, value, *ends)


def _stacked(rows: Sequence[_Rows], columns: int) -> tuple[Any, Floats, Floats]:
    """Put rows under each other: matrix, lower and upper ends."""
    starts = np.cumsum([0, *(part.height for part in rows)])
    row = np.concatenate([part.row + start for part, start in zip(rows, starts, strict=False)])
    column = np.concatenate([part.column for part in rows])
    value = np.concatenate([part.value for part in rows])
    matrix = scipy.sparse.csr_array((value, (row, column)), shape=(int(starts[-1]), columns))
    low = np.concatenate([part.low for part in rows])
    return matrix, low, np.concatenate([part.high for part in rows])


def _relaxed(
    cost: Floats,
    matrix: Any,  # noqa: ANN401 - a sparse matrix
    low: Floats,
    high: Floats,
    upper: Floats,
) -> _Relaxed | None:
    """Solve without whole numbers: bound, solution, reduced costs and the bounds it was given."""
    equal = low == high
    above, below = ~equal & np.isfinite(high), ~equal & np.isfinite(low)
    inputs: dict[str, Any] = {
        "A_ub": scipy.sparse.vstack([matrix[above], -matrix[below]]),
        "b_ub": np.concatenate([high[above], -low[below]]),
        "A_eq": matrix[equal],
        "b_eq": high[equal],
        "bounds": np.column_stack([np.zeros_like(upper), upper]),
    }
    result: Any = scipy.optimize.linprog(cost, **inputs, method="highs")
    if result.status != 0:
        return None
    return float(result.fun), result.x, np.asarray(result.lower.marginals), upper


def _undominated(candidates: Candidates) -> Ints:
    """Candidates that no other of the same zone beats or equals in every cost."""
    parts = [candidates.cost, candidates.fixed]
    if candidates.window is not None:
        parts.append(np.where(np.isfinite(candidates.cost), candidates.window.minutes, np.inf))
    every = np.column_stack(parts)
    equipment, keep = candidates.equipment, np.ones(len(every), dtype=np.bool_)
    for zone in np.unique(candidates.zone):
        mine = np.flatnonzero(candidates.zone == zone)
        one, other = every[mine, None], every[mine]
        beaten = (one <= other).all(axis=-1)
        beaten &= (one < other).any(axis=-1) | (mine[:, None] < mine)
        if equipment is not None:
            able = equipment.runs[:, equipment.kind[mine]]
            beaten &= (able[:, :, None] >= able[:, None]).all(axis=0)
        keep[mine] = ~beaten.any(axis=0)
    return np.flatnonzero(keep)


#: A further sensor must lower the yearly cost by more than this share of it to be used.
WORTH = 1e-6
#: Costs closer than this share are equal; the earlier candidates then win.
TIE = 1e-9


def choose_sensors(
    candidates: Candidates, *, max_sensors: int, curve: bool = True, tie: float = TIE
) -> tuple[Choice, ...]:
    """Decide how many sensors to bury, where, and which zones each governs, to proven optimality.

    Every allowed number n = 1 .. `max_sensors` is solved (a solution that uses fewer sensors than
    allowed stands for the numbers between). A further sensor that lowers the cost by no more than
    one part in a million is not used, so that its value is exactly 0. Among equal costs (closer
    than `tie`) a second look swaps sensors one at a time for earlier candidates.

    max_sensors: greatest number of sensors, at least 1. Result: one row per n.

    >>> two = Candidates(np.array([0, 1]), np.array([[1.0, 4.0], [5.0, 2.0]]), np.ones(2), ("", ""))
    >>> one, both = choose_sensors(two, max_sensors=2)
    >>> both.sensors, one.value_of_next
    ((0, 1), 1.0)
    """
    if max_sensors < 1:
        fault = Fault("control", str(max_sensors), "1 or more", "Raise it.", column="max_sensors")
        raise InputError([fault])
    parts = parts_of(candidates)
    if parts is not None:
        return with_values(_shared_out(parts, max_sensors, curve=curve, tie=tie))
    model = Model(candidates)
    found: dict[int, Choice] = {}
    n = max_sensors
    while n >= 1:
        choice = _solved(candidates, model, n, tie=tie)
        # What is best with at most n and uses fewer is also best for every number between.
        least = choice.used if choice.feasible else 1
        found.update({m: replace(choice, n=m) for m in range(least, n + 1)})
        n = least - 1 if curve else 0
    return with_values([found[m] for m in sorted(found)])


def cheapest(rows: Sequence[Choice]) -> int | None:
    """Return the position of the cheapest row, the one with the fewest sensors where equal.

    Returns None where none is feasible.
    """
    costs = [row.cost if row.feasible else np.inf for row in rows]
    return int(np.argmin(costs)) if np.isfinite(min(costs)) else None


def _shared_out(
    parts: Sequence[Part], max_sensors: int, *, curve: bool, tie: float
) -> list[Choice]:
    """Share numbers of sensors out among the controllers, exactly; rows as of `choose_sensors`.

    What a controller costs with at most k sensors is known for every k; the least sum for n in all
    is then built up one controller after another.
    """
    free = _every_own(parts, max_sensors, curve=False, tie=tie)
    every = [{0: None} | {row.used: row for row in rows if row.feasible} for rows in free]
    used = sum(min(_costs(part, rows), key=lambda k: (_costs(part, rows)[k], k))
               for part, rows in zip(parts, every, strict=True))  # fmt: skip
    if curve or used > max_sensors or used == 0:
        every = [
            {0: None} | {row.used: row for row in rows if row.feasible}
            for rows in _every_own(parts, max_sensors, curve=True, tie=tie)
        ]
    least = min(max_sensors, max(used, 1)) if not curve else 1
    splits = _splits([_costs(p, rows) for p, rows in zip(parts, every, strict=True)], max_sensors)
    return [_whole(parts, every, splits[n], n) for n in range(least, max_sensors + 1)]


def _every_own(
    parts: Sequence[Part], max_sensors: int, *, curve: bool, tie: float
) -> list[tuple[Choice, ...]]:
    """Return the rows of every controller; none where it has no candidate that may be opened."""
    asked = (_Asked(part.own, min(max_sensors, len(part.zones)), curve, tie) for part in parts)
    return list(each_part(_own_rows, asked))


class _Asked(NamedTuple):
    """What is asked of one controller's candidates, as of `choose_sensors`."""

    own: Candidates
    most: int
    curve: bool
    tie: float


def _own_rows(asked: _Asked) -> tuple[Choice, ...]:
    """Return the rows of one controller."""
    if not len(asked.own.zone) or asked.most < 1:
        return ()
    return choose_sensors(asked.own, max_sensors=asked.most, curve=asked.curve, tie=asked.tie)


def _costs(part: Part, rows: Mapping[int, Choice | None]) -> dict[int, float]:
    """Return what one controller costs with each number of sensors."""
    return {k: part.alone if row is None else row.cost for k, row in rows.items()}


def _splits(costs: Sequence[dict[int, float]], most: int) -> list[list[int] | None]:
    """Return how many sensors each controller has when at most n are spent, for n = 0 .. most.

    At least one is spent where n is 1 or more; None where no number of sensors will do.
    """
    best = np.full((2, most + 1), np.inf)  # whether one is spent already; how many at most
    best[0] = 0.0
    steps: list[Ints] = []  # of each: what was spent before, and here
    for row in costs:
        now, step = np.full_like(best, np.inf), np.zeros((2, 2, most + 1), dtype=np.int64)
        for (k, cost), before in itertools.product(sorted(row.items()), (0, 1)):
            any_ = max(before, int(k > 0))
            total = best[before, : max(most + 1 - k, 0)] + cost
            less = np.flatnonzero(total < now[any_, k:])
            now[any_, k + less], step[0, any_, k + less] = total[less], before
            step[1, any_, k + less] = k
        steps.append(step)
        best = now
    found: list[list[int] | None] = [None]
    for n in range(1, most + 1):
        any_, left, split = 1, n, []
        if np.isfinite(best[1, n]):
            for step in reversed(steps):
                any_, k = (int(value) for value in step[:, any_, left])
                left -= k
                split.append(k)
        found.append(split[::-1] if split else None)
    return found


def _whole(
    parts: Sequence[Part],
    rows: Sequence[Mapping[int, Choice | None]],
    split: list[int] | None,
    n: int,
) -> Choice:
    """Put the controllers' choices together."""
    zones = sum(len(part.zones) for part in parts)
    governor = np.full(zones, -1)
    if split is None:
        return Choice(n, feasible=False, sensors=(), governor=governor, cost=float("nan"))
    sensors: list[int] = []
    cost, slack = 0.0, 0.0
    for part, known, k in zip(parts, rows, split, strict=True):
        row = known[k]
        if row is None:
            cost += part.alone
            continue
        sensors += [int(part.taken[j]) for j in row.sensors]
        governor[part.zones] = part.taken[row.governor]
        cost, slack = cost + row.cost, slack + row.cost * np.nan_to_num(row.gap)
    governor[governor < 0] = min(sensors)
    gap = slack / cost if cost > 0 else 0.0
    return Choice(n, feasible=True, sensors=tuple(sorted(sensors)), governor=governor, cost=cost,
                  gap=float(gap))  # fmt: skip


def fixed_zones(candidates: Candidates, zones: Sequence[int]) -> Choice:
    """Return the best choice with one sensor in each of the given zones and none elsewhere.

    Result: with the best settings and assignment; not feasible where a zone cannot be governed.
    """
    return _fixed(candidates, [zones])[0]


def _fixed(candidates: Candidates, several: Sequence[Sequence[int]]) -> list[Choice]:
    """Return the best choice of each, with one sensor in each of its zones."""
    wanted = [sorted(set(zones)) for zones in several]
    parts = parts_of(candidates)
    if parts is not None:
        return [_fixed_by_part(parts, zones) for zones in wanted]
    model = Model(candidates)
    return [_solved(candidates, model, len(zones), zones=zones) for zones in wanted]


def _fixed_by_part(parts: Sequence[Part], wanted: Sequence[int]) -> Choice:
    """Return the best choice with a sensor in each wanted zone, controller by controller."""
    rows: list[dict[int, Choice | None]] = []
    split: list[int] | None = []
    for part in parts:
        here = np.flatnonzero(np.isin(part.zones, wanted)).tolist()
        row = fixed_zones(part.own, here) if here else None
        rows.append({len(here): row})
        fine = part.alone < np.inf if row is None else row.feasible
        split = None if split is None or not fine else [*split, len(here)]
    return _whole(parts, rows, split, len(wanted))


def plain_rules(
    candidates: Candidates, *, need: Floats, plants: Sequence[str]
) -> Mapping[str, Choice]:
    """Evaluate the rules of thumb, each with its best settings and assignment.

    need (Z,): water-need score, the driest zone has the greatest [% of RAW per peak day]. Result:
    "one in the driest zone", "one per plant type", "one in every zone".
    """
    order = np.argsort(-np.asarray(need), kind="stable")
    first: dict[str, int] = {}
    for zone in order:
        first.setdefault(plants[zone], int(zone))
    rules = {
        "one in the driest zone": [int(order[0])],
        "one per plant type": list(first.values()),
        "one in every zone": list(range(len(order))),
    }
    return dict(zip(rules, _fixed(candidates, list(rules.values())), strict=True))


def _solved(
    candidates: Candidates,
    model: Model,
    n: int,
    *,
    zones: Sequence[int] | None = None,
    tie: float = TIE,
) -> Choice:
    """Solve without the hours; where they are passed, solve again with them."""
    found = model.solve(at_most=n, zones=zones)
    swaps = model.kept if zones is None else None
    if swaps is not None and tie > TIE:
        own = candidates.cost[np.arange(len(candidates.zone)), candidates.zone]
        swaps = np.flatnonzero(np.isfinite(own))
    choice = _settle(candidates, found, n, swaps=swaps, tie=tie)
    window = candidates.window
    if window is None or not choice.feasible or window.holds(choice.governor):
        return choice
    bound = model.solve(at_most=n, zones=zones, in_window=True)
    if not bound.sensors:
        return _settle(candidates, bound, n, swaps=None, tie=tie)
    free = evaluate(candidates, bound.sensors)[1]
    rows, every = np.arange(len(bound.governor)), np.array(bound.sensors)
    best = evaluate(candidates, bound.sensors)[0]
    extra = candidates.cost[bound.governor, rows].sum() - candidates.cost[best, rows].sum()
    return Choice(
        n,
        feasible=True,
        sensors=tuple(int(j) for j in np.sort(every)),
        governor=bound.governor,
        cost=float(free + extra),
        gap=bound.gap,
    )


def _settle(
    candidates: Candidates,
    found: Solution,
    n: int,
    *,
    swaps: Ints | None,
    tie: float,
) -> Choice:
    """Take a second look (idle sensors, earlier candidates from `swaps`); then recompute."""
    if not found.sensors:
        nobody = np.full(candidates.cost.shape[1], -1)
        return Choice(n, feasible=False, sensors=(), governor=nobody, cost=float("nan"))
    chosen = sorted(found.sensors)
    if swaps is not None:
        chosen = _without_idle(candidates, chosen)
        ceiling = evaluate(candidates, chosen)[1] * (1 + tie)
        swapped: list[int] | None = chosen
        while swapped is not None:
            chosen = swapped
            swapped = _earlier(candidates, chosen, swaps, ceiling)
    governor, cost = evaluate(candidates, chosen)
    return Choice(
        n,
        feasible=True,
        sensors=tuple(chosen),
        governor=governor,
        cost=cost,
        gap=found.gap,
    )


def _without_idle(candidates: Candidates, sensors: list[int]) -> list[int]:
    """Drop sensors one at a time, the last first, while that costs no more."""
    cost = evaluate(candidates, sensors)[1]
    for j in reversed(sensors):
        fewer = [k for k in sensors if k != j]
        if fewer and evaluate(candidates, fewer)[1] <= cost * (1 + TIE):
            return _without_idle(candidates, fewer)
    return sensors


def _earlier(
    candidates: Candidates, chosen: list[int], swaps: Ints, ceiling: float
) -> list[int] | None:
    """Return the choice with one sensor swapped for an earlier candidate, or None."""
    for j in chosen:
        others = [k for k in chosen if k != j]
        taken = candidates.zone[others]
        earlier = swaps[(swaps < j) & ~np.isin(candidates.zone[swaps], taken)]
        trials = np.column_stack([np.tile(others, (earlier.size, 1)), earlier]).astype(np.int64)
        good = np.flatnonzero(_worth(candidates, trials) <= ceiling)
        if good.size:
            return sorted(trials[good[0]].tolist())
    return None


def with_values(rows: Sequence[Choice]) -> tuple[Choice, ...]:
    """Keep the previous choice where one more sensor is worth nothing; then value each.

    Result: costs never rise along it; `value_of_next` is exactly 0 where a sensor is worth nothing.
    """
    rows = list(rows)
    for at in range(1, len(rows)):
        before, now = rows[at - 1], rows[at]
        if before.feasible and not now.cost < before.cost * (1 - WORTH):
            rows[at] = replace(before, n=now.n)
    pairs = zip(rows, [*rows[1:], None], strict=True)
    return tuple(
        replace(
            row, value_of_next=row.cost - following.cost if following and row.feasible else np.nan
        )
        for row, following in pairs
    )
