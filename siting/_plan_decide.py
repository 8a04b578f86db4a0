"""From what is known to a decision: simulate every sensor that could be, choose, run the choice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from siting._plan_choice import Decision, decide
from siting._plan_control import (
    Governors,
    driest_quarters,
    governors,
    run_plan,
    run_timer,
    timer_depths,
)
from siting._plan_ground import Progress
from siting._plan_known import Decided, Known
from siting._plan_options import Options, Prices, usable_kinds
from siting._plan_places import connection_costs, trench_network
from siting._plan_schedule import Schedule, ZoneShares, unreachable, watering_days
from siting._plan_tables import Simulated, sensor_shares
from siting.economics import average_price
from siting.placement import Placement
from siting.season import RootZones
from siting.site.model import Site
from siting.site.settings import PropertyFile
from siting.units import show

__all__ = ["decide_plan", "metered_scale", "property_price", "property_roots"]

_Array = NDArray[np.float64]


def property_roots(site: Site, known: Known, *, threads: int = 1) -> RootZones:
    """Put the driest quarter of every zone through every run.

    Parameters
    ----------
    site : Site
        The property.
    known : Known
        Sun, water and weather.
    threads : int
        Threads of the simulation; the result does not depend on it.

    Returns
    -------
    RootZones
        Runs scenario by scenario, years within.
    """
    zones = site.hydrozones
    roots = driest_quarters(
        known.ground,
        known.terms,
        known.seasons,
        water=known.water,
        scenarios=known.scenarios,
        plants=[str(word) for word in zones["plants"]],
        depletion_fraction=known.measures["depletion_fraction"].to_numpy(dtype=float),
        shares=ZoneShares(
            sensor_shares(zones, known.water), zones["rain_share"].to_numpy(dtype=float)
        ),
    )
    return replace(roots, threads=threads)


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
    roots: RootZones | None = None,
) -> Decided:
    """Simulate every zone as governor, choose, and run the choice.

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
    roots : RootZones, optional
        The driest quarters, where they are at hand.

    Returns
    -------
    Decided
        The choice, run over every season and scenario.
    """
    report = progress or (lambda *_: None)
    control = settings.control
    roots = property_roots(site, known, threads=threads) if roots is None else roots
    rate = known.water["precipitation_rate"].to_numpy(dtype=float)
    names = [str(zone) for zone in site.hydrozones.index]
    schedule = watering_days(
        known.seasons.dates, settings.timer, control, scenarios=known.scenarios.count
    )
    report("Simulating seasons", 0, 2)
    pool, relaxed = governors(
        roots,
        kinds=usable_kinds(control.kinds, settings.hardware),
        schedule=schedule,
        depletion_fraction=known.measures["depletion_fraction"].to_numpy(dtype=float),
        cap=control.max_stress_days,
        per_minute=rate / 60,
        names=names,
    )
    report("Choosing sensors", 1, 2)
    price = property_price(settings, known)
    options = _options(site, settings, known, placements, pool=pool, price=price)
    decision = decide(options, max_sensors=control.max_sensors)
    simulated, described, metered = _simulate(site, settings, known, roots, schedule, decision)
    rules = () if control.allowed_days is None else unreachable(
        roots, schedule, pool.caps, cap=control.max_stress_days, names=names,
        units=settings.units,
    )  # fmt: skip
    notes = (*schedule.warnings, *relaxed, *rules, *decision.warnings, *metered)
    return Decided(decision, roots, schedule, simulated, described, price, notes)


def _options(
    site: Site,
    settings: PropertyFile,
    known: Known,
    placements: list[Placement],
    *,
    pool: Governors,
    price: float | None,
) -> Options:
    """Put together what is chosen among."""
    beside = known.measures[["area_m2", "need_score"]].join(
        site.hydrozones[["plants", "controller"]]
    )
    beside["admissible"] = [at.setback_ratio >= 1 for at in placements]
    return Options(
        pool=pool,
        zones=beside,
        prices=_prices(site, settings, placements, price),
        rate=known.water["precipitation_rate"].to_numpy(dtype=float),
        years=len(known.seasons.years),
        window_minutes=settings.control.window_minutes,
    )


def _simulate(
    site: Site,
    settings: PropertyFile,
    known: Known,
    roots: RootZones,
    schedule: Schedule,
    decision: Decision,
) -> tuple[Simulated, _Array | None, tuple[str, ...]]:
    """Run the choice and today's timer; the timer's depths as described, and what bills say."""
    rate = known.water["precipitation_rate"].to_numpy(dtype=float)
    described = timer_depths(settings.timer, [str(v) for v in site.hydrozones["valve"]], rate)
    area = decision.options.zones["area_m2"].to_numpy(dtype=float)
    scale, metered = metered_scale(settings, known, schedule.today, described, area)
    pool = decision.governors
    simulated = Simulated(
        plan=run_plan(roots, pool, governor=decision.choice.governor),
        timer=run_timer(roots, None if described is None else described * scale, schedule.today),
        days=schedule.today,
        area_m2=area,
        years=len(known.seasons.years),
        months=known.seasons.month,
    )
    return simulated, described, metered


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
