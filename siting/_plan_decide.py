"""From what is known to a decision: simulate every sensor that could be, choose, play the sheet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from siting._plan_choice import ALIKE, Decision, decide
from siting._plan_control import (
    Alone,
    PropertyRoots,
    Trial,
    governors,
    over_zones,
    timer_depths,
    timer_set_right,
    todays_timer,
    unreachable,
)
from siting._plan_ground import Progress
from siting._plan_known import Decided, Known, Rival
from siting._plan_options import Options, Prices, controllers_of, usable_kinds
from siting._plan_places import connection_costs, trench_network
from siting._plan_schedule import Schedule, ZoneShares, watering_days
from siting._plan_tables import Simulated, sensor_shares
from siting.economics import average_price
from siting.placement import Placement
from siting.season import RootZone, Watering, schedule_stress, sensor_events
from siting.site.model import Site
from siting.site.settings import PropertyFile
from siting.units import show

__all__ = [
    "as_watering",
    "decide_plan",
    "metered_scale",
    "play_sheet",
    "property_price",
    "property_roots",
]

_Array = NDArray[np.float64]


def property_roots(
    site: Site, known: Known, *, sensor_error: float, threads: int = 1
) -> PropertyRoots:
    """Return what puts every zone through every run.

    Parameters
    ----------
    site : Site
        The property.
    known : Known
        Sun, water and weather.
    sensor_error : float
        Standard deviation of what is left of a sensor's error [m³/m³].
    threads : int
        Threads of the simulation; the result does not depend on it.

    Returns
    -------
    PropertyRoots
        Runs scenario by scenario, years within.
    """
    zones, scenarios = site.hydrozones, known.scenarios
    spread = replace(scenarios.spread, sensor_error=sensor_error)
    return PropertyRoots(
        known.ground,
        known.terms,
        known.seasons,
        water=known.water,
        scenarios=replace(scenarios, spread=spread),
        plants=tuple(str(word) for word in zones["plants"]),
        depletion_fraction=known.measures["depletion_fraction"].to_numpy(dtype=float),
        shares=ZoneShares(
            sensor_shares(zones, known.water), zones["rain_share"].to_numpy(dtype=float)
        ),
        threads=threads,
    )


def property_price(settings: PropertyFile, known: Known) -> float | None:
    """Return the price that sensors are chosen at: the average over the plants' net need.

    Parameters
    ----------
    settings : PropertyFile
        Price or tiers.
    known : Known
        Net need of the zones.

    Returns
    -------
    float or None
        None where water has no price [currency/m³].
    """
    need = known.measures["net_irrigation_mm"] * known.measures["area_m2"] / 1000
    months = len(known.ground.eto.months)
    return average_price(settings.water, np.full(months, float(need.sum()) / months))


def decide_plan(
    site: Site,
    settings: PropertyFile,
    known: Known,
    placements: list[Placement],
    *,
    threads: int = 1,
    progress: Progress | None = None,
) -> Decided:
    """Simulate every zone as governor, choose, and play what will be printed.

    Parameters
    ----------
    site : Site
        The property.
    settings : PropertyFile
        What the user asked for.
    known : Known
        Sun, water and weather.
    placements : list of Placement
        Best point of every zone.
    threads : int
        Threads of the simulation; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.

    Returns
    -------
    Decided
        The choice, played over every season and scenario.
    """
    report = progress or (lambda *_: None)
    report("Simulating seasons", 0, 3)
    trial, described, metered = _trial(site, settings, known, threads=threads)
    decision, notes = _decided(site, settings, known, placements, trial)
    report("Choosing sensors", 1, 3)
    # The other aim, for what it would cost: as today where the plan heals, and the other way round.
    rival = None
    if trial.today is not None:
        other, told = _decided(
            site, settings, known, placements, replace(trial, heal=not trial.heal)
        )
        if not trial.heal and _heals_for_nothing(decision, other, trial):
            trial, decision, other, notes = replace(trial, heal=True), other, decision, told
        rival = Rival(other, play_sheet(trial.roots, trial.schedule, other), heal=not trial.heal)
    report("Playing the sheet", 2, 3)
    pool = decision.governors
    simulated = Simulated(
        plan=play_sheet(trial.roots, trial.schedule, decision),
        timer=None if trial.today is None else as_watering(trial.today),
        set_right=as_watering(timer_set_right(trial.roots, trial.schedule.timer, pool.limit)),
        days=trial.schedule.today,
        area_m2=decision.options.area_m2,
        years=len(known.seasons.years),
        months=known.seasons.month,
    )
    return Decided(
        decision,
        trial.roots,
        trial.schedule,
        simulated,
        today_depth=described,
        price=property_price(settings, known),
        heal=trial.heal,
        rival=rival,
        warnings=(*trial.schedule.warnings, *notes, *metered),
    )


def _heals_for_nothing(as_today: Decision, healing: Decision, trial: Trial) -> bool:
    """Tell whether holding zones to the limit takes no more water than today, and no more money
    than can be known.

    A plan that leaves plants as short as today is then no better in anything. Held to what today
    leaves, minutes hang on a knife's edge: over seeds the cost of such a plan spreads by a tenth,
    that of one held to the limit by a third of it.
    """  # noqa: D205
    if trial.today is None:
        return False
    area = healing.options.area_m2
    today = float(area @ trial.today.water_mm.mean(axis=1)) / 1000
    water = float(healing.options.water_m3(healing.choice).mean())
    return water <= today and healing.choice.cost <= as_today.choice.cost * (1 + 2 * ALIKE)


def _trial(
    site: Site, settings: PropertyFile, known: Known, *, threads: int
) -> tuple[Trial, _Array | None, tuple[str, ...]]:
    """Return what governors are tried on, today's depths as described, and what bills say."""
    control = settings.control
    roots = property_roots(site, known, sensor_error=control.sensor_error, threads=threads)
    schedule = watering_days(
        known.seasons.dates, settings.timer, control, scenarios=known.scenarios.count
    )
    zones, rate = site.hydrozones, known.water["precipitation_rate"].to_numpy(dtype=float)
    described = timer_depths(settings.timer, [str(v) for v in zones["valve"]], rate)
    area = known.measures["area_m2"].to_numpy(dtype=float)
    scale, metered = metered_scale(settings, known, schedule.today, described, area)
    today = None if described is None else todays_timer(roots, described * scale, schedule.today)
    # Where bills correct the timer, nobody knows what its minutes bring: none stay as they are.
    usual = None if described is None or scale != 1 else described / rate * 60
    trial = Trial(
        roots=roots,
        schedule=schedule,
        today=today,
        today_minutes=usual,
        controller=controllers_of(zones)[0],
        irrigation=tuple(str(word) for word in zones["irrigation"]),
        sensor_error=control.sensor_error,
        cap=control.max_stress_days,
        heal=today is None or control.aim == "within_limit",
    )
    return trial, described, metered


def _decided(
    site: Site,
    settings: PropertyFile,
    known: Known,
    placements: list[Placement],
    trial: Trial,
) -> tuple[Decision, tuple[str, ...]]:
    """Simulate and choose under one aim; the notes say what gave way."""
    control, names = settings.control, [str(zone) for zone in site.hydrozones.index]
    pool, relaxed = governors(
        trial, kinds=usable_kinds(control.kinds, settings.hardware), names=names
    )
    beside = known.measures[["area_m2", "need_score"]].join(
        site.hydrozones[["plants", "controller"]]
    )
    beside["admissible"] = [at.setback_ratio >= 1 for at in placements]
    options = Options.of(
        pool,
        beside,
        _prices(site, settings, placements, property_price(settings, known)),
        years=len(known.seasons.years),
        window_minutes=control.window_minutes,
    )
    decision = decide(options, max_sensors=control.max_sensors)
    rules = () if control.allowed_days is None else unreachable(
        trial, pool.limit, names=names, units=settings.units
    )  # fmt: skip
    return decision, (*relaxed, *rules, *decision.warnings)


def play_sheet(
    roots: PropertyRoots, schedule: Schedule, decision: Decision, *, rate: float = 1.0
) -> Watering:
    """Play what is handed over, and nothing else, through every season and scenario.

    Each sensor lets an event run on its days when it reads drier than its threshold; its zones then
    run for their whole minutes. Zones without a sensor run their own programme.

    Parameters
    ----------
    roots : PropertyRoots
        The zones.
    schedule : Schedule
        The sets of days.
    decision : Decision
        Sensors, thresholds, days and minutes.
    rate : float
        What a minute brings over what was assumed.

    Returns
    -------
    Watering
        Of every zone.
    """
    pool, governor = decision.governors, decision.governor
    days = len(pool.alone.ran)
    ran = np.empty((roots.count, *pool.alone.ran.shape), dtype=np.bool_)
    ran[:] = pool.alone.ran
    depth = rate * pool.alone.depth[:, None] * pool.alone.dial
    for j in decision.choice.sensors:
        home, group = int(pool.zone[j]), np.flatnonzero(governor == j)
        event = rate * pool.minutes[j] * pool.per_minute
        mask = schedule.sets[int(pool.days[j])].days
        run = sensor_events(
            roots.zone(home), depth=[event[home]], threshold=[float(pool.low[j])], days=mask
        )
        ran[group] = run.ran[0]
        depth[group] = np.repeat(event[group, None], days, axis=1)

    def fared(z: int, root: RootZone) -> _Array:
        whole = float(depth[z].max())
        dial = depth[z] / whole if whole > 0 else depth[z]
        return np.asarray(schedule_stress(root, ran[z], depth=whole, dial=dial)[0])

    return Watering(ran, depth, np.stack(over_zones(roots, fared)))


def as_watering(alone: Alone) -> Watering:
    """Return a plain timer's seasons as those of a plan.

    Parameters
    ----------
    alone : Alone
        Every zone on a programme of its own.

    Returns
    -------
    Watering
        Of every zone.
    """
    zones = len(alone.depth)
    return Watering(
        np.broadcast_to(alone.ran, (zones, *alone.ran.shape)),
        alone.depth[:, None] * alone.dial,
        alone.stress_days,
    )


def _prices(
    site: Site, settings: PropertyFile, placements: list[Placement], price: float | None
) -> Prices:
    costs = settings.costs
    network = trench_network(site, placements)
    return Prices(
        water=price or 0.0,
        connection=connection_costs(network, costs, zones=len(placements)),
        hardware=settings.hardware,
        life_years=costs.life_years,
        trench=network if costs.trench_per_m > 0 else None,
        trench_per_m=costs.trench_per_m / costs.life_years,
    )


def metered_scale(
    settings: PropertyFile,
    known: Known,
    days: NDArray[np.bool_],
    depth: _Array | None,
    area_m2: _Array,
) -> tuple[float, tuple[str, ...]]:
    """Return by how much metered bills exceed the timer as described.

    Parameters
    ----------
    settings : PropertyFile
        Bills.
    known : Known
        Months of the season.
    days : ndarray of bool, shape (D, W)
        Days on which today's timer runs.
    depth : ndarray, shape (Z,), or None
        Its depth per event [mm]; None without a timer.
    area_m2 : ndarray, shape (Z,)
        Area of the zones [m²].

    Returns
    -------
    scale : float
        Metered over described, in the months that were metered; 1 without bills or timer.
    warnings : tuple of str
        The figures.
    """
    bills = settings.water.bills
    if bills is None or depth is None:
        return 1.0, ()
    metered = [month for month in bills.outdoor_m3 if month in set(known.seasons.month.tolist())]
    inside = np.isin(known.seasons.month, metered)
    described = float(days[inside].sum(axis=0).mean() * (depth @ area_m2) / 1000)
    used = sum(bills.outdoor_m3[month] for month in metered)
    if described <= 0 or used <= 0:
        return 1.0, ("the bills hold no month in which the timer runs, so they say nothing of it",)
    scale = used / described
    return scale, (
        f"bills: {show(used, 'volume', settings.units)} went to the landscape in {len(metered)} "
        "metered months of the season, where the timer as described would use "
        f"{show(described, 'volume', settings.units)}; today's water is "
        f"scaled by {scale:.2f}",
    )
