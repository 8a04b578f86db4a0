"""The exact choice with hardware and hours, against every choice there is."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from siting.decide import choose
from siting.decide.choose import (
    FEW_SETS,
    MOST_SETS,
    Candidates,
    Equipment,
    Window,
    cheapest,
    choose_sensors,
    evaluate,
    fixed_zones,
)


def chosen(rows):
    return rows[cheapest(rows)]


def random_property(seed: int, *, hours: bool = False, most: int = 8) -> Candidates:
    """Zones on one or two controllers, one or two settings each, some not allowed."""
    rng = np.random.default_rng(seed)
    zones, settings = int(rng.integers(1, most + 1)), int(rng.integers(1, 3))
    zone = np.repeat(np.arange(zones), settings)
    count = len(zone)
    controller = rng.integers(0, 2, zones) if zones > 1 and rng.random() < 0.5 else zones * [0]
    controller = np.unique(controller, return_inverse=True)[1]
    need = rng.uniform(20, 200, zones)
    cost = need[None] * rng.uniform(0.8, 2.2, (count, zones))
    cost[np.arange(count), zone] = need[zone] * rng.uniform(0.8, 1.1, count)
    cost[rng.random(cost.shape) < rng.choice([0.0, 0.15, 0.4])] = np.inf
    cost[controller[zone][:, None] != controller[None]] = np.inf
    fixed = rng.uniform(0, 60, count)
    kinds = int(rng.integers(1, 4))
    equipment = Equipment(
        names=tuple("abc"[:kinds]),
        per_controller=rng.uniform(0, 90, kinds),
        per_sensor=rng.uniform(5, 60, kinds),
        capacity=rng.integers(1, 6, kinds),
        runs=np.column_stack([np.ones(kinds, bool), rng.random(kinds) < 0.6]),
        fits=rng.random((kinds, controller.max() + 1)) < 0.9,
        controller=controller,
        kind=np.arange(count) % settings,
    )
    window = None
    if hours:
        minutes = rng.uniform(5, 40, cost.shape)
        window = Window(minutes, float(rng.uniform(15, 30) * zones), controller)
    labels = ("",) * count
    return Candidates(zone, cost, fixed, labels, equipment if seed % 4 else None, window)


def by_enumeration(candidates: Candidates, n: int) -> float:
    """Least cost over every way to put at most one setting into every zone, all at once."""
    zones = candidates.cost.shape[1]
    options = [[-1, *np.flatnonzero(candidates.zone == z).tolist()] for z in range(zones)]
    combos = np.array(list(itertools.product(*options)))
    opened = combos >= 0
    combos = combos[(opened.sum(axis=1) >= 1) & (opened.sum(axis=1) <= n)]
    opened = combos >= 0
    total = np.where(opened, candidates.fixed[combos], 0.0).sum(axis=1)
    for z in range(zones):
        served = np.full(len(combos), np.inf)
        for home in range(zones):
            here = np.where(opened[:, home], candidates.cost[combos[:, home], z], np.inf)
            served = np.minimum(served, here)
        own = candidates.cost[combos[:, z], z]
        total = total + np.where(opened[:, z], own, served)
    if candidates.equipment is not None:
        total = total + hardware_cost(candidates.equipment, combos)
    return float(total.min())


def hardware_cost(equipment: Equipment, combos: np.ndarray) -> np.ndarray:
    """Cheapest hardware of every combination, controller by controller."""
    total = np.zeros(len(combos))
    for place in range(equipment.fits.shape[1]):
        here = combos[:, equipment.controller == place]
        count = (here >= 0).sum(axis=1)
        best = np.where(count == 0, 0.0, np.inf)
        for h in range(len(equipment.names)):
            runs = ((here < 0) | equipment.runs[h][equipment.kind[here]]).all(axis=1)
            can = runs & (count <= equipment.capacity[h]) & equipment.fits[h, place]
            cost = equipment.per_controller[h] + count * equipment.per_sensor[h]
            best = np.minimum(best, np.where(can & (count > 0), cost, np.inf))
        total = total + best
    return total


@pytest.mark.parametrize("block", range(10))
def test_200_random_properties_up_to_8_zones_have_the_optimum_of_enumeration(block, monkeypatch):
    """With all sets priced at once, some of them, and none: by the integer programme."""
    for few, most in ((FEW_SETS, MOST_SETS), (0, MOST_SETS), (0, 0)):
        monkeypatch.setattr(choose, "FEW_SETS", few)
        monkeypatch.setattr(choose, "MOST_SETS", most)
        for seed in range(20 * block, 20 * block + 20):
            holds_the_optimum(random_property(seed), by_enumeration)


def holds_the_optimum(candidates: Candidates, least: Callable[[Candidates, int], float]):
    """Return the choices; each number of sensors has the least cost, which other means tell."""
    zones = candidates.cost.shape[1]
    choice = choose_sensors(candidates, max_sensors=zones)
    assert [row.n for row in choice] == list(range(1, zones + 1))
    for row in choice:
        wanted = least(candidates, row.n)
        assert row.feasible == np.isfinite(wanted), row.n
        if not row.feasible:
            assert row.sensors == ()
            assert math.isnan(row.cost)
            continue
        assert row.cost == pytest.approx(wanted, rel=2e-6), row.n
        assert row.gap <= 1e-6
        assert row.used <= row.n
        governor, cost = evaluate(candidates, row.sensors)
        np.testing.assert_array_equal(governor, row.governor)
        assert cost == row.cost
        homes = candidates.zone[list(row.sensors)]
        assert len(set(homes)) == row.used
        np.testing.assert_array_equal(row.governor[homes], row.sensors)
    return choice


def within(window: Window, governor: Sequence[int]) -> bool:
    """Whether the valves of each controller, one after another, end within the limit."""
    minutes = dict.fromkeys(window.controller.tolist(), 0.0)
    for z, j in enumerate(governor):
        minutes[int(window.controller[z])] += float(window.minutes[j, z])
    return max(minutes.values()) <= window.limit


@pytest.mark.parametrize("seed", range(1, 60, 2))
def test_hours_bind_and_the_choice_stays_the_best_within_them(seed):
    candidates = random_property(seed, hours=True, most=4)
    zones, window = candidates.cost.shape[1], candidates.window
    row = choose_sensors(candidates, max_sensors=zones)[-1]
    best = np.inf
    for sensors in itertools.chain.from_iterable(
        itertools.combinations(range(len(candidates.zone)), k) for k in range(1, zones + 1)
    ):
        homes = candidates.zone[list(sensors)]
        if len(set(homes)) < len(sensors):
            continue
        own = dict(zip(homes.tolist(), sensors, strict=True))
        hardware = 0.0
        if candidates.equipment is not None:
            combo = [[own.get(z, -1) for z in range(zones)]]
            hardware = float(hardware_cost(candidates.equipment, np.array(combo))[0])
        options = [[own[z]] if z in own else list(sensors) for z in range(zones)]
        for governor in itertools.product(*options):
            if not within(window, governor):
                continue
            water = sum(candidates.cost[j, z] for z, j in enumerate(governor))
            best = min(best, water + hardware + sum(candidates.fixed[j] for j in sensors))
    assert row.feasible == np.isfinite(best)
    if row.feasible:
        assert row.cost == pytest.approx(best, rel=2e-6)
        assert within(window, row.governor)


def test_one_sensor_on_the_common_wire_holds_its_whole_controller():
    # Four zones on two controllers; modules that take one sensor each.
    cost = np.where(np.eye(4) > 0, 10.0, 12.0)
    controller = np.array([0, 0, 1, 1])
    cost[controller[:, None] != controller[None]] = np.inf
    equipment = Equipment(
        ("add_on",), np.zeros(1), np.array([1.0]), np.array([1]), np.ones((1, 1), bool),
        np.ones((1, 2), bool), controller, np.zeros(4, dtype=int),
    )  # fmt: skip
    candidates = Candidates(np.arange(4), cost, np.zeros(4), ("",) * 4, equipment)
    rows = choose_sensors(candidates, max_sensors=4)
    assert [row.used for row in rows] == [0, 2, 2, 2]
    assert rows[3].governor.tolist() == [0, 0, 2, 2]
    assert rows[1].cost == 2 * (10 + 12 + 1)
    assert not fixed_zones(candidates, [0, 1, 2]).feasible


def test_on_demand_takes_the_timer_that_can_start_and_the_timer_is_paid_once():
    # Zone by zone on demand uses half the water of bypass; the timer costs 30, a sensor 1.
    kind = np.array([0, 1, 0, 1])
    zone = np.array([0, 0, 1, 1])
    cost = np.full((4, 2), np.inf)
    cost[np.arange(4), zone] = np.where(kind == 0, 40.0, 20.0)
    runs = np.array([[True, False], [True, True]])
    equipment = Equipment(
        ("add_on", "replacement"), np.array([0.0, 30.0]), np.array([1.0, 1.0]), np.array([9, 9]),
        runs, np.ones((2, 1), bool), np.zeros(2, dtype=int), kind,
    )  # fmt: skip
    candidates = Candidates(zone, cost, np.zeros(4), ("",) * 4, equipment)
    found = chosen(choose_sensors(candidates, max_sensors=2))
    assert found.sensors == (1, 3)
    assert found.cost == 20 + 20 + 30 + 2
    assert equipment.fit(np.array([1, 3]), zone)[0].tolist() == [1]
    dear = Candidates(
        zone, cost, np.zeros(4), ("",) * 4,
        Equipment(*(
            np.array([0.0, 45.0]) if at == 1 else part
            for at, part in enumerate(vars(equipment).values())
        )),
    )  # fmt: skip
    assert chosen(choose_sensors(dear, max_sensors=2)).sensors == (0, 2)
