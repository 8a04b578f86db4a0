"""From simulated governors to number and grouping: options with money on them, and the choice.

What is exact: for given prices of each sensor, the number of sensors, where they lie, what each
governs, its control and the hardware of each controller (an integer programme solved without a
gap). What is not: trench that several sensors share depends on all of them at once. The programme
is first solved for every number of sensors with a trench of its own for each, which is an upper
bound, then again and again, for the most sensors allowed, with the trench that each would add to
the choice so far; every choice met is priced on its shared trench, and the cheapest is kept. A
bound from below, with no trench but each controller's shortest, says how far it can be from the
best.

The cheapest is not yet the answer. Nobody knows the yearly cost to a few per cent, so the answer is
the *smallest number that is as good as the cheapest within what can be known*: a further sensor is
taken only where it is worth more than a twentieth of the yearly cost and pays in nine scenarios of
ten. Among settings that are equal to half a per cent the plainest is taken: today's minutes and
days left as they are. What is a tie is told as one; of homes that may be as good, the sheet, which
is set on more draws, takes the cheapest, or the plainest, the thirstiest turf, where equal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd

from siting.arrays import Floats, Ints
from siting.decide.choose import (
    Candidates,
    Choice,
    Equipment,
    Part,
    Window,
    cheapest,
    choose_sensors,
    evaluate,
    parts_of,
    plain_rules,
    with_values,
)
from siting.decide.governors import Governors
from siting.errors import PlanError
from siting.language import Figure, say, say_count, side_by_side
from siting.season.controls import CONTROLS
from siting.site.settings import CONTROL_KINDS, Hardware
from siting.wire.routes import TrenchNetwork

#: Without a price a millionth of the currency per m³ still prefers less water among equals.
_LEAST_PRICE: Final = 1e-6
#: More sensors than any controller of a property ever needs.
_ANY: Final = 10_000


@dataclass(frozen=True)
class Prices:
    """What a choice costs a year.

    water: price of water, 0 where unknown [currency/m³]; connection (Z,): yearly cost of trench and
    wire of a sensor in each zone, the trench all its own [currency per year]; hardware: what
    controllers may be fitted with; life_years: life of everything bought [years]; trench: prices
    trench that sensors share, None where none is drawn or it costs nothing; trench_per_m: yearly
    price of trench [currency/m/year].
    """

    water: float
    connection: Floats
    hardware: tuple[Hardware, ...]
    life_years: float
    trench: TrenchNetwork | None = None
    trench_per_m: float = 0.0

    def shared(self, own: float, zones: Sequence[int]) -> float:
        """Return the cost of a choice with its trench shared, given it with trenches of its own.

        own: yearly cost with a trench for every sensor [currency per year]. Returns never more
        [currency per year].
        """
        if self.trench is None:
            return own
        alone = float(self.trench.own[list(zones)].sum())
        return own - self.trench_per_m * max(0.0, alone - self.trench.shared(zones))


def controllers_of(zones: pd.DataFrame) -> tuple[Ints, list[str]]:
    """Return the controller of each zone as a number, and their names in order.

    zones: column controller, None where there is one system only. Returns shape (Z,), and the
    names.
    """
    names = zones["controller"].fillna("").astype(str)
    codes, unique = pd.factorize(names, sort=True)
    return codes.astype(np.int64), [str(name) for name in unique]


@dataclass(frozen=True)
class Options:
    """What may be bought, and what limits it.

    pool: candidates of every kind of control; zones: index `zone`, columns area_m2, controller,
    admissible and the beside-facts of `decide`; prices: money; years: seasons per scenario;
    window_minutes: minutes that local rules allow on a watering day; cramped: whether a sensor may
    lie where a setback gives way; stretched: whether a controller may take more sensors than its
    hardware has inputs.
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
        water = pool.water_of(np.arange(len(pool.zone)), pool.zone)
        kind = np.array([CONTROL_KINDS.index(kind) for kind in pool.kind])
        order = np.lexsort((water, ~pool.habit, options.home_order[pool.zone], kind))
        return replace(options, pool=pool.only(order))

    @cached_property
    def controllers(self) -> tuple[Ints, list[str]]:
        """As of `controllers_of`."""
        return controllers_of(self.zones)

    @cached_property
    def area_m2(self) -> Floats:
        """Area of each zone [m²]."""
        return self.zones["area_m2"].to_numpy(dtype=float)

    @cached_property
    def home_order(self) -> Floats:
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
        connection: Floats | None = None,
        kinds: Sequence[str] = CONTROL_KINDS,
        habit: bool = False,
    ) -> Candidates:
        """Put money on every pair of sensor and zone.

        connection (Z,): yearly cost of trench and wire, the prices' own where not given. Returns in
        the order of the pool, a zone that may not follow, or would use more so, stands with what
        its own programme costs.
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
        return Candidates(zone, cost, own[zone], labels, self.equipment, self.window())

    @cached_property
    def alone_mm(self) -> Floats:
        """Water of zones without a sensor, mean over the runs, shape (Z,) [mm]."""
        return np.asarray(self.pool.alone.water_mm.mean(axis=1))

    def follows(self, choice: Choice) -> Ints:
        """Return who governs each zone.

        Returns candidate, -1 for a zone that keeps a programme of its own, without a sensor, shape
        (Z,).
        """
        if choice.settled:
            return choice.governor
        return self._led(choice.governor, np.arange(len(choice.governor)))

    def _led(self, governor: Ints, zones: Ints) -> Ints:
        """Return who leads some zones: -1 for one that is thriftier by itself."""
        kept = self.pool.kept[governor, zones]
        water = np.where(kept, self.pool.water_of(governor, zones), np.inf)
        home = self.pool.zone[governor] == zones
        return np.where(home | (water <= self.alone_mm[zones]), governor, -1)

    @cached_property
    def free(self) -> Candidates:
        """The candidates at the prices' own connection, of every kind."""
        return self.candidates()

    @cached_property
    def parts(self) -> list[Part] | None:
        """What each controller decides by itself, where there are many zones."""
        return parts_of(self.free)

    @cached_property
    def equipment(self) -> Equipment:
        """The hardware as the choice knows it."""
        items, life = self.prices.hardware, self.prices.life_years
        controller, names = self.controllers
        return Equipment(
            names=tuple(item.kind for item in items),
            per_controller=np.array([item.per_controller for item in items]) / life,
            per_sensor=np.array([item.per_sensor for item in items]) / life,
            capacity=np.array([_ANY if self.stretched else item.sensors for item in items]),
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
        controller, _ = self.controllers
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
        _, names = self.controllers
        return tuple(
            f"{f'controller {name}' if name else 'the system'}: its valves need {minutes:.0f} "
            f"minutes one after another on their longest day, and local rules allow "
            f"{window.limit:.0f}; that limit is not met"
            for name, minutes in zip(names, total, strict=True)
            if minutes > window.limit
        )

    @property
    def alike(self) -> float:
        """Share of the yearly cost within which choices cannot be told apart.

        Where controllers are decided one by one it is a share of one controller's cost: what is
        not known of one district hides no sensor that pays in another.
        """
        return ALIKE if self.parts is None else ALIKE / len(self.parts)

    def water_m3(self, choice: Choice) -> Floats:
        """Return the water of a choice by scenario, shape (S,) [m³/season].

        Returns mean over the years, shape (S,).
        """
        governor = self.follows(choice)
        return self._used(governor, np.arange(len(governor)))

    def _used(self, governor: Ints, zones: Ints) -> Floats:
        """Return the water of some zones by scenario, mean over the years, shape (S,) [m³]."""
        pool = self.pool
        runs = np.where(
            (governor >= 0)[:, None],
            (pool.minutes[governor, zones] * pool.per_minute[zones])[:, None]
            * pool.events[governor],
            pool.alone.water_mm[zones],
        )
        return pool.by_scenario(self.area_m2[zones] @ runs / 1000)

    def part_costs(self, part: Part, governor: Ints, cost: float) -> Floats:
        """Return the yearly cost of one controller's zones by scenario, shape (S,).

        governor: candidate of the part that governs each of its zones; cost: their mean.
        """
        water = self._used(self._led(part.taken[governor], part.zones), part.zones)
        return np.asarray(cost + self.price * (water - water.mean()))

    def costs(self, choice: Choice) -> Floats:
        """Return the yearly cost of a choice by scenario, shape (S,); NaN when not feasible.

        Returns currency per year, shape (S,).
        """
        if not choice.feasible:
            return np.full(self.pool.events.shape[1] // self.years, np.nan)
        water = self.water_m3(choice)
        return np.asarray(choice.cost + self.price * (water - water.mean()))

    def stress_days(self, choice: Choice) -> float:
        """Return the stress days of a choice's worst zone.

        Returns in the worst season out of ten, NaN when not feasible [d].
        """
        if not choice.feasible:
            return float("nan")
        return float(self.zone_stress(choice).max())

    def zone_stress(self, choice: Choice) -> Floats:
        """Return the stress days of every zone in the worst season out of ten, shape (Z,) [d]."""
        governor = self.follows(choice)
        led = self.pool.stress_days[governor, np.arange(len(governor))]
        return np.where(governor >= 0, led, self.pool.alone.worst_stress_days)

    def homes(self, choice: Choice) -> list[int]:
        """Return the zones that hold a sensor.

        Returns position of each sensor's zone, in the order of the sensors, empty when not
        feasible.
        """
        return [int(self.pool.zone[j]) for j in choice.sensors]

    def priced(self, choice: Choice, connection: Floats) -> Choice:
        """Return a choice at its true cost: on trench that is shared.

        connection (Z,): yearly cost of trench and wire that it was solved with.
        """
        if not choice.feasible:
            return choice
        homes = self.homes(choice)
        own = choice.cost + float((self.prices.connection - connection)[homes].sum())
        return replace(choice, cost=self.prices.shared(own, homes))

    def hardware(self, choice: Choice) -> dict[str, str]:
        """Return what each controller is fitted with.

        Returns controller -> kind of hardware, those without a sensor are left out.
        """
        equipment, (_, names) = self.equipment, self.controllers
        found, _ = equipment.fit(np.array(choice.sensors, dtype=np.int64), self.pool.zone)
        return {name: equipment.names[h] for name, h in zip(names, found, strict=True) if h >= 0}

    def beyond_inputs(self, choice: Choice) -> tuple[str, ...]:
        """Say which controllers have more sensors than their hardware has inputs.

        Returns one sentence per controller, with numbers.
        """
        by_kind = {item.kind: item for item in self.prices.hardware}
        controller, names = self.controllers
        count = np.bincount(controller[self.homes(choice)], minlength=len(names))
        return tuple(
            f"controller {name or 'of the system'}: {count[names.index(name)]} sensors are needed, "
            f"and {kind.replace('_', '-')} hardware takes {by_kind[kind].sensors}; a second one is "
            "needed there, and is not in the costs"
            for name, kind in self.hardware(choice).items()
            if count[names.index(name)] > by_kind[kind].sensors
        )


def usable_kinds(kinds: Sequence[str], hardware: Sequence[Hardware]) -> tuple[str, ...]:
    """Return the kinds of control that some hardware can run, in the given order."""
    can = {kind for item in hardware for kind in item.control}
    found = tuple(kind for kind in kinds if kind in can)
    if not found:
        msg = (
            f"no hardware allowed runs {' or '.join(kinds)} control; a timer with sensor inputs "
            '(hardware kinds = ["replacement"]) can start watering, an add-on can only skip it'
        )
        raise PlanError(msg)
    return found


#: Rounds of pricing shared trench at most.
_ROUNDS: Final = 5
#: A further sensor must be worth this share of the yearly cost, and pay in this share of the
#: scenarios. The physics was recomputed from outside to within 3 %; plant factors are surer to no
#: more than that. Judgement of this project.
ALIKE: Final = 0.05
SURE: Final = 0.9
#: Choices of one number of sensors closer than this share are equal.
_EQUAL: Final = 0.005


@dataclass(frozen=True)
class Grouping:
    """The chosen grouping, beside everything it was chosen from.

    Parameters
    ----------
    options : Options
        What it was chosen from.
    rows : tuple of Choice
        The best choice for each number of sensors, at its cost with shared trench.
    at : int
        Which of them was chosen.
    thumb : mapping of str to Choice
        The plain way, where it can be had, and the rules of thumb.
    exact : mapping
        How exact the choice is, of `Plan.decision`.
    warnings : tuple of str
        Where something gave way.
    """

    options: Options
    rows: tuple[Choice, ...]
    at: int
    thumb: Mapping[str, Choice]
    exact: Mapping[str, Any]
    warnings: tuple[str, ...] = ()

    @property
    def choice(self) -> Choice:
        """The chosen grouping, at its cost with shared trench."""
        return self.rows[self.at]

    @property
    def governors(self) -> Governors:
        """The candidates of every kind of control."""
        return self.options.pool

    @property
    def plain(self) -> Choice | None:
        """The plain way: a module on each timer as it is, its sensor in the thirstiest turf."""
        return self.thumb.get(_PLAIN)

    @cached_property
    def governor(self) -> Ints:
        """Candidate that governs each zone; -1 for one that keeps a programme of its own, (Z,)."""
        return self.options.follows(self.choice)

    @cached_property
    def hardware(self) -> dict[str, str]:
        """Controller -> what it is fitted with."""
        return self.options.hardware(self.choice)

    @cached_property
    def choices(self) -> pd.DataFrame:
        """As `Plan.choices`."""
        return _choices(self.options, self.rows, self.at)

    @cached_property
    def rules(self) -> pd.DataFrame:
        """As `Plan.rules`."""
        return _rules(self.options, self.thumb, self.choice)

    @cached_property
    def regret(self) -> pd.DataFrame:
        """As `Plan.regret`."""
        fit = {n: r for n, r in self.thumb.items() if not _too_dry(self.options, r)}
        return _regret(self.options, self.rows, fit)

    @cached_property
    def facts(self) -> dict[str, Any]:
        """As `Plan.decision`."""
        return {**self.exact, **_ties(self.options, self.rows, self.at)}


#: The trade's habit among the rules of thumb.
_PLAIN: Final = "the plain way"


def decide(options: Options, *, max_sensors: int) -> Grouping:
    """Choose kind of control, hardware, number of sensors and grouping.

    Returns the smallest number that is as good as the cheapest.
    """
    notes = options.too_long()
    if notes:
        options = replace(options, window_minutes=None)
    rows, rounds = _solve(options, max_sensors)
    if cheapest(rows) is None:
        options, rows, rounds, more = _relaxed(options, max_sensors)
        notes += more
    at = _as_good(options, rows)
    plain = _plain_way(options)
    thumb = {} if plain is None else {_PLAIN: plain}
    thumb |= {
        rule: options.priced(row, options.prices.connection)
        for rule, row in plain_rules(
            replace(options, cramped=True).candidates(),
            need=options.zones["need_score"].to_numpy(dtype=float),
            plants=[str(word) for word in options.zones["plants"]],
        ).items()
    }
    exact = _exactness(options, rows, rounds, max_sensors) | _plain_facts(options, plain)
    return Grouping(options, rows, at, thumb, exact, notes)


def other_homes(grouping: Grouping, *, most: int) -> list[Choice]:
    """Return the choice with one of its sensors in another zone that may be as good.

    Returns the cheapest of the homes that are told as ties.
    """
    options, choice = grouping.options, grouping.choice
    names = [str(zone) for zone in options.zones.index]
    found = []
    for j in choice.sensors:
        for name in grouping.facts["tie_homes"][names[int(options.pool.zone[j])]]:
            other = _moved_to(options, choice, j, names.index(name))
            if other is not None:
                found.append(other)
    return sorted(found, key=lambda row: row.cost)[:most]


def plainness(options: Options, choice: Choice) -> tuple[float, ...]:
    """Return how far the homes of a choice are from the trade's habit.

    Returns to compare with another's, the plainer is the less.
    """
    return tuple(sorted(float(options.home_order[z]) for z in options.homes(choice)))


def moved(grouping: Grouping, choice: Choice) -> Grouping:
    """Return a grouping with another choice in the place of its own, for every number."""
    old = grouping.choice
    if choice.sensors == old.sensors:
        return grouping
    rows = [replace(choice, n=r.n) if r.sensors == old.sensors else r for r in grouping.rows]
    return replace(grouping, rows=with_values(rows))


def _as_good(options: Options, rows: Sequence[Choice]) -> int:
    """Return the position of the smallest number that is as good as the cheapest."""
    best = rows[cheapest(rows) or 0]
    return next(
        at
        for at, row in enumerate(rows)
        if row.feasible and (row.used == best.used or not _sure(options, row, best))
    )


def _sure(options: Options, fewer: Choice, more: Choice) -> bool:
    """Tell whether what further sensors are worth can be known to be worth it."""
    gain = options.costs(fewer) - options.costs(more)
    dearer = fewer.cost - more.cost > options.alike * more.cost
    return bool(dearer and float((gain > 0).mean()) >= SURE)


def _moved_to(options: Options, choice: Choice, sensor: int, place: int) -> Choice | None:
    """Return a choice with one sensor in another zone, under its best setting there; or None."""
    priced = options.free
    others = [j for j in choice.sensors if j != sensor]
    found: list[Choice] = []
    for k in np.flatnonzero(priced.zone == place).tolist():
        sensors = tuple(sorted([*others, int(k)]))
        governor, cost = evaluate(priced, sensors)
        if not np.isfinite(cost) or not (priced.window is None or priced.window.holds(governor)):
            continue
        row = replace(choice, sensors=sensors, governor=governor, cost=cost)
        found.append(options.priced(row, options.prices.connection))
    least = min((row.cost for row in found), default=np.inf)
    return next((row for row in found if row.cost <= least * (1 + _EQUAL)), None)


def _solve(options: Options, max_sensors: int) -> tuple[tuple[Choice, ...], int]:
    """Return the best for each number of sensors, shared trench priced until that is stable.

    Returns them, and the rounds that it took.
    """
    own = options.prices.connection
    first = choose_sensors(options.candidates(), max_sensors=max_sensors, tie=_EQUAL)
    best = [options.priced(row, own) for row in first]
    trench = options.prices.trench
    rounds = 0
    while trench is not None and rounds < _ROUNDS:
        at = cheapest(best)
        if at is None:
            break
        rounds += 1
        added = trench.marginal(options.homes(best[at])) - trench.own
        connection = np.maximum(own + options.prices.trench_per_m * added, 0.0)
        again = choose_sensors(
            options.candidates(connection=connection),
            max_sensors=max_sensors,
            curve=False,
            tie=_EQUAL,
        )
        priced = [options.priced(row, connection) for row in again]
        better = [
            _cheaper(old, next((new for new in priced if new.used <= n and new.feasible), old), n)
            for n, old in enumerate(best, start=1)
        ]
        stable = [b.sensors for b in better] == [b.sensors for b in best]
        best = better
        if stable:
            break
    return with_values(best), rounds


def _cheaper(old: Choice, new: Choice, n: int) -> Choice:
    if new.cost < old.cost * (1 - _EQUAL) or not old.feasible:
        return replace(new, n=n)
    return old


def _relaxed(
    options: Options, max_sensors: int
) -> tuple[Options, tuple[Choice, ...], int, tuple[str, ...]]:
    """Give way where no sensor can be had: setbacks first, then hours, then inputs."""
    cramped = replace(options, cramped=True)
    free = replace(cramped, window_minutes=None)
    for trial in (cramped, free, replace(free, stretched=True)):
        rows, rounds = _solve(trial, max_sensors)
        best = cheapest(rows)
        if best is not None:
            return trial, rows, rounds, _gave_way(options, trial, rows[best])
    # Some zone can govern itself (its limit was relaxed); should it not, this says so.
    msg = (
        f"no choice of up to {max_sensors} sensors keeps every zone within its stress cap; allow "
        "more sensors (max_sensors) or more stress days (max_stress_days)"
    )
    raise PlanError(msg)


def _gave_way(wanted: Options, options: Options, best: Choice) -> tuple[str, ...]:
    """Say what gave way."""
    notes = []
    if options.cramped and not wanted.cramped:
        names = ", ".join(str(z) for z in options.zones.index[~options.zones["admissible"]])
        if names:
            notes.append(
                f"no choice of sensors serves every zone from ground that meets all setbacks, so "
                f"one may lie where a setback gives way: {names}"
            )
    if options.window_minutes is None and wanted.window_minutes is not None:
        notes.append(
            f"no choice of sensors waters every zone within the {wanted.window_minutes:.0f} "
            "minutes that local rules allow on a day; that limit is not met"
        )
    if options.stretched:
        notes += options.beyond_inputs(best)
    return tuple(notes)


def _plain_way(options: Options) -> Choice | None:
    """Return what the trade does by habit: one module on each timer as it is.

    Its sensor lies in the thirstiest turf with open ground (in the thirstiest zone where there is
    no turf); what drips, and what the sensor would leave too dry, keeps its own programme.
    """
    usual = [word for word, kind in CONTROLS.items() if kind.interrupts]
    priced = options.candidates(kinds=usual, habit=True)
    pool, zones = options.pool, len(options.zones)
    own = priced.cost[np.arange(len(priced.zone)), priced.zone]
    controller, names = options.controllers
    order = options.home_order
    sensors, governor = [], np.full(zones, -1)
    for place in range(len(names)):
        mine = np.flatnonzero(np.isfinite(own) & (controller[priced.zone] == place))
        if not mine.size:
            continue
        home = min(mine, key=lambda j: order[priced.zone[j]])
        there = mine[priced.zone[mine] == priced.zone[home]]
        led = pool.minutes[there] > 0
        fine = np.all(pool.kept[there] | ~led, axis=1)
        # The thriftiest threshold that keeps every limit; else the wettest that a device can tell.
        sensor = (
            there[fine][np.argmin(priced.cost[there[fine]].sum(axis=1))]
            if fine.any()
            else (there[np.argmin(pool.low[there])])
        )
        sensors.append(int(sensor))
        governor[pool.minutes[sensor] > 0] = sensor
    if not sensors:
        return None
    at = np.array(sorted(sensors))
    cost = priced.fixed[at].sum() + options.equipment.fit(at, priced.zone)[1]
    cost += priced.cost[np.where(governor < 0, at[0], governor), np.arange(zones)].sum()
    found = Choice(len(at), feasible=True, sensors=tuple(int(j) for j in at), governor=governor,
                   cost=float(cost), settled=True)  # fmt: skip
    return options.priced(found, options.prices.connection)


def _plain_facts(options: Options, plain: Choice | None) -> dict[str, Any]:
    """Return where the plain way puts its sensors, and which zones it leaves too dry."""
    if plain is None:
        return {}
    stress = options.zone_stress(plain)
    names = [str(zone) for zone in options.zones.index]
    return {
        "plain_homes": [names[z] for z in options.homes(plain)],
        "plain_drier": {
            names[z]: float(stress[z]) for z in np.flatnonzero(stress > options.pool.limit + 1e-9)
        },
    }


def _choices(options: Options, choices: Sequence[Choice], chosen: int) -> pd.DataFrame:
    """Return one row per number of sensors."""
    rows = []
    for at, row in enumerate(choices):
        following = choices[at + 1] if at + 1 < len(choices) else None
        worth = _worth(options, row, following)
        homes = options.hardware(row) if row.feasible else {}
        kinds = sorted({options.pool.kind[j] for j in row.sensors})
        rows.append(
            {
                "n": row.n,
                "feasible": row.feasible,
                "groups": _groups(options, row),
                "used": row.used,
                "control": " + ".join(kinds) or "none",
                "hardware": ", ".join(
                    f"{name}: {kind}" if name else kind for name, kind in homes.items()
                ),
                **_totals(options, row),
                "value_of_next": row.value_of_next,
                "value_of_next_low": float(worth.min()),
                "value_of_next_high": float(worth.max()),
                "value_of_next_error": float(worth.std() / np.sqrt(worth.size)),
                "next_pays": float((worth > 0).mean()) if np.isfinite(worth).all() else np.nan,
                "gap": row.gap,
                "verdict": _verdict(row, choices[chosen], at == chosen),
                "chosen": at == chosen,
            }
        )
    return pd.DataFrame(rows).set_index("n")


def _worth(options: Options, row: Choice, following: Choice | None) -> Floats:
    """Return what the next sensor is worth a year by scenario; NaN where nothing can be said."""
    if following is None or not (row.feasible and following.feasible):
        return np.array([np.nan])
    return options.costs(row) - options.costs(following)


def _verdict(row: Choice, chosen: Choice, is_chosen: bool) -> str:
    """Say how a choice compares with the chosen one."""
    if is_chosen:
        return "chosen"
    if not row.feasible:
        return "leaves a zone too dry"
    return "as good" if row.cost <= chosen.cost * (1 + _EQUAL) else "dearer"


def _too_dry(options: Options, row: Choice) -> bool:
    """Tell whether a choice leaves a zone beyond its limit of stress days."""
    return row.feasible and bool(np.any(options.zone_stress(row) > options.pool.limit + 1e-9))


def _rules(options: Options, rules: Mapping[str, Choice], chosen: Choice) -> pd.DataFrame:
    """Return the rules of thumb and the plain way, each with how it compares."""
    admissible = options.zones["admissible"].to_numpy(dtype=bool)
    rows = []
    for rule, row in rules.items():
        verdict = _verdict(row, chosen, is_chosen=row.sensors == chosen.sensors)
        if row.feasible and _too_dry(options, row):
            verdict = "leaves a zone too dry"
        if row.feasible and not options.cramped and not admissible[options.homes(row)].all():
            verdict = "breaks a setback"
        rows.append(
            {
                "rule": rule,
                "n": row.n,
                "feasible": row.feasible,
                "verdict": verdict,
                **_totals(options, row),
            }
        )
    return pd.DataFrame(rows).set_index("rule")


def _totals(options: Options, row: Choice) -> dict[str, float]:
    """Return water, cost and stress of a choice."""
    water = float(options.water_m3(row).mean()) if row.feasible else float("nan")
    return {"water_m3": water, "cost_per_year": row.cost, "stress_days": options.stress_days(row)}


def _groups(options: Options, row: Choice) -> str:
    """Return "sensor zone: governed, governed | ... | own programme: zones"."""
    if not row.feasible:
        return ""
    names = [str(zone) for zone in options.zones.index]
    governor = options.follows(row)
    groups = [
        f"{names[options.pool.zone[sensor]]}: "
        + ", ".join(names[z] for z in np.flatnonzero(governor == sensor))
        for sensor in row.sensors
    ]
    alone = [names[z] for z in np.flatnonzero(governor < 0)]
    return " | ".join([*groups, *([f"no sensor: {', '.join(alone)}"] if alone else [])])


def _regret(options: Options, rows: Sequence[Choice], rules: Mapping[str, Choice]) -> pd.DataFrame:
    """Return what each option costs beyond the best of them, scenario by scenario."""
    named: dict[str, Choice] = {}
    for row in rows:
        if row.feasible and row.used == row.n:
            named[f"{row.n} sensor{'' if row.n == 1 else 's'}"] = row
    named |= {rule: row for rule, row in rules.items() if row.feasible}
    costs = np.array([options.costs(row) for row in named.values()])
    regret = costs - costs.min(axis=0)
    return pd.DataFrame(
        {
            "cost_per_year": costs.mean(axis=1),
            "regret_mean": regret.mean(axis=1),
            "regret_max": regret.max(axis=1),
            "worst_scenario": regret.argmax(axis=1),
            "by_scenario": [tuple(float(v) for v in values) for values in regret],
        },
        index=pd.Index(list(named), name="option"),
    )


def _ties(options: Options, rows: Sequence[Choice], at: int) -> dict[str, Any]:
    """Return what is as good as the choice: other numbers, other homes; and what waiting is worth.

    Waiting is one season with the sensors of the choice, whose log then tells which scenario is
    the true one: the further sensor is bought only where it pays. That the log tells it for sure
    makes this the most that waiting can be worth.
    """
    choice = rows[at]
    near = 2 * options.alike * choice.cost
    numbers = [
        row.used
        for row in rows
        if row.feasible and row.used != choice.used and abs(row.cost - choice.cost) <= near
    ]
    following = next((r for r in rows[at + 1 :] if r.feasible and r.used > choice.used), None)
    gain = _worth(options, choice, following)
    life = options.prices.life_years
    now, later = float(gain.mean()), float(np.maximum(gain, 0.0).mean())
    waiting = (life - 1) / life * later - max(now, 0.0) if following is not None else float("nan")
    return {
        "tie_numbers": sorted(set(numbers)),
        "tie_homes": _tie_homes(options, choice),
        "next_worth": now,
        "next_pays": float((gain > 0).mean()) if following is not None else float("nan"),
        "waiting_worth": max(waiting, 0.0) if np.isfinite(waiting) else float("nan"),
    }


def _tie_homes(options: Options, choice: Choice) -> dict[str, list[str]]:
    """Return, for each sensor's zone, the zones in which nobody can know it to be worse."""
    if options.parts is not None:
        return _tie_homes_beside(options, options.parts, choice)
    names = [str(zone) for zone in options.zones.index]
    taken, found = options.homes(choice), {}
    for j in choice.sensors:
        near = []
        for place in range(len(names)):
            other = None if place in taken else _moved_to(options, choice, j, place)
            if other is None or other.cost > choice.cost * (1 + 2 * ALIKE):
                continue
            if not _sure(options, other, choice):
                near.append((other.cost, names[place]))
        found[names[int(options.pool.zone[j])]] = [name for _, name in sorted(near)]
    return found


def _tie_homes_beside(
    options: Options, parts: Sequence[Part], choice: Choice
) -> dict[str, list[str]]:
    """Return the same where there are many zones: on the sensor's controller, by its costs alone.

    Against what a whole campus costs no single home would ever be worse for certain.
    """
    names, found = [str(zone) for zone in options.zones.index], {}
    for part in parts:
        local = {int(j): k for k, j in enumerate(part.taken)}
        mine = [local[j] for j in choice.sensors if j in local]
        if not mine:
            continue
        now, governor = _priced_part(options, part, mine)
        costs = options.part_costs(part, governor, now)
        for k in mine:
            others = [other for other in mine if other != k]
            near = []
            for place in set(range(len(part.zones))) - {int(part.own.zone[m]) for m in mine}:
                other = _best_at(options, part, others, place)
                if other is None or other[0] > now * (1 + 2 * ALIKE):
                    continue
                gain = options.part_costs(part, other[1], other[0]) - costs
                dearer = other[0] - now > ALIKE * now
                if not (dearer and float((gain > 0).mean()) >= SURE):
                    near.append((other[0], names[int(part.zones[place])]))
            home = names[int(options.pool.zone[part.taken[k]])]
            found[home] = [name for _, name in sorted(near)]
    return found


def _priced_part(options: Options, part: Part, sensors: Sequence[int]) -> tuple[float, Ints]:
    """Return what a controller's zones cost on shared trench, and who governs each."""
    governor, cost = evaluate(part.own, sensors)
    homes = [int(part.zones[part.own.zone[k]]) for k in sensors]
    return options.prices.shared(cost, homes), governor


def _best_at(
    options: Options, part: Part, others: Sequence[int], place: int
) -> tuple[float, Ints] | None:
    """Return cost and governors with one more sensor in a zone, at its best setting; or None."""
    fine: list[tuple[float, list[int]]] = []
    for k in np.flatnonzero(part.own.zone == place).tolist():
        sensors = sorted([*others, k])
        governor, cost = evaluate(part.own, sensors)
        if np.isfinite(cost) and (part.own.window is None or part.own.window.holds(governor)):
            fine.append((cost, sensors))
    return _priced_part(options, part, min(fine)[1]) if fine else None


def _exactness(
    options: Options, rows: Sequence[Choice], rounds: int, max_sensors: int
) -> dict[str, Any]:
    """Return how exact the choice is."""
    best = rows[cheapest(rows) or 0]
    bound = best.cost
    if options.prices.trench is not None:
        bound = min(bound, _bound(options, max(best.n, max_sensors)))
    share = (best.cost - bound) / best.cost if best.cost > 0 else 0.0
    words: str = say(
        "The curve of numbers is proven for the price of each sensor by itself, within the model "
        "and from ground that meets every setback (gap {gap} %).",
        gap=Figure(f"{100 * best.gap:.4f}"),
    )
    if options.parts is not None:
        words += (
            " Controllers are solved one by one, as no sensor governs zones of another, and the "
            "sensors shared out among them exactly."
        )
    if options.prices.trench is not None:
        shared = say_count(
            "Trench that sensors share was priced in {count} round; no choice can cost less than "
            "{share} % below the cheapest.",
            "Trench that sensors share was priced in {count} rounds; no choice can cost less than "
            "{share} % below the cheapest.",
            rounds,
            share=Figure(f"{100 * share:.1f}"),
        )
        words = side_by_side([words, shared])
    return {
        "gap": best.gap,
        "lower_bound": bound,
        "bound_share": share,
        "trench_rounds": rounds,
        "scenarios": len(options.costs(best)),
        "weather_years": options.years,
        "exactness": words,
    }


def _bound(options: Options, count: int) -> float:
    """Return what no choice can cost less than: every controller's shortest trench alone."""
    trench, prices = options.prices.trench, options.prices
    if trench is None:
        return float("-inf")
    free = np.maximum(prices.connection - prices.trench_per_m * trench.own, 0.0)
    rows = choose_sensors(options.candidates(connection=free), max_sensors=count, curve=False)
    controller, names = options.controllers
    homes = {int(controller[z]) for z in options.homes(rows[-1])}
    shortest = sum(float(trench.own[controller == c].min()) for c in homes if c < len(names))
    return rows[-1].cost + prices.trench_per_m * shortest
