"""From what is known to a decision: simulate every sensor that could be, choose, play the sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd

from siting.arrays import Flags, Floats
from siting.decide.choice import (
    ALIKE,
    Grouping,
    Options,
    Prices,
    controllers_of,
    decide,
    moved,
    other_homes,
    plainness,
    usable_kinds,
)
from siting.decide.governors import (
    Alone,
    Trial,
    governors,
    timer_depths,
    timer_set_right,
    todays_timer,
    unreachable,
)
from siting.decide.measuring import measuring_table
from siting.decide.money import average_price
from siting.decide.places import connection_costs, trench_network
from siting.decide.sheet import (
    Sheet,
    Simulated,
    as_decided,
    loosened,
    on_sheet,
    play_sheet,
    set_again,
    set_sheet,
    sheet_draws,
)
from siting.place.placement import Placement
from siting.season.events import Schedule, Watering, watering_days
from siting.site.settings import PropertyFile
from siting.stages import Keeper
from siting.units import show
from siting.zones.ground import Progress
from siting.zones.roots import PropertyRoots, ZoneShares, sensor_shares
from siting.zones.survey import Survey


@dataclass(frozen=True)
class Way:
    """What is decided under one aim, and what its sheet does.

    grouping: the choice; sheet: what is printed of it, set on more scenarios; played: what the
    sheet would water; heal: whether it heals what today leaves dry, whatever water that takes;
    notes: what gave way.
    """

    grouping: Grouping
    sheet: Sheet
    played: Watering
    heal: bool
    notes: tuple[str, ...]

    @property
    def water_m3(self) -> float:
        """Water of a season [m³]."""
        return float(self.grouping.options.area_m2 @ self.played.water_mm.mean(axis=1)) / 1000

    @property
    def cost(self) -> float:
        """Yearly cost, its water as the sheet uses it [currency]."""
        options, choice = self.grouping.options, self.grouping.choice
        return choice.cost + options.price * (
            self.water_m3 - float(options.water_m3(choice).mean())
        )


@dataclass(frozen=True)
class Printed:
    """What is set in the field, so that a season's log can set it anew.

    sheet: as printed; usual: sensors that leave today's minutes as they are; heal: as
    `Way.heal`; count: scenarios that it was set on; area_m2 (Z,): area of the zones [m²];
    spots: by zone of a sensor, what it costs by the quarter of the zone that it lies in, the driest
    first [currency a year].
    """

    sheet: Sheet
    usual: frozenset[int]
    heal: bool
    count: int
    area_m2: Floats
    spots: Mapping[str, Floats]


@dataclass(frozen=True)
class Decision(Way):
    """How many sensors, which zones each governs, and what runs then: the way that was taken.

    Parameters
    ----------
    survey : Survey
        What it was decided from.
    placements : list of Placement
        Best point of every zone.
    roots : PropertyRoots
        The root zones that the sheet was set on.
    schedule : Schedule
        Days on which something may happen.
    simulated : Simulated
        The printed sheet and today's timer over every run.
    today_depth : ndarray, shape (Z,), or None
        Today's depth per event as described [mm]; None without a timer that tells it.
    rival : Way or None
        The way under the other aim; None without a timer.
    usual : Watering or None
        What the plain way would water; None where it cannot be had.
    warnings : tuple of str
        What gave way, and what bills say.
    measuring : DataFrame
        What measuring first would be worth, as `Plan.measuring`.
    spots : mapping of str to ndarray
        As `Printed.spots`.
    keep : Keeper
        Keeps what is played of the sheet.
    """

    survey: Survey
    placements: list[Placement]
    roots: PropertyRoots
    schedule: Schedule
    simulated: Simulated
    today_depth: Floats | None
    rival: Way | None
    usual: Watering | None
    warnings: tuple[str, ...]
    measuring: pd.DataFrame
    spots: Mapping[str, Floats]
    keep: Keeper = field(repr=False, compare=False)

    @cached_property
    def price(self) -> float | None:
        """Price that sensors were chosen at; None where water has none [currency/m³]."""
        return property_price(self.survey)

    @property
    def printed(self) -> Printed:
        """Return what is set in the field."""
        pool = self.grouping.governors
        usual = frozenset(j for j in self.sheet.sensors if pool.habit[j])
        area, count = self.grouping.options.area_m2, self.roots.scenarios.count
        return Printed(self.sheet, usual, self.heal, count, area, self.spots)

    @property
    def limits(self) -> dict[str, float]:
        """Return the stress days that each zone was allowed in the end [d]."""
        names = self.grouping.options.zones.index
        caps = self.sheet.limit
        return {str(zone): float(cap) for zone, cap in zip(names, caps, strict=True)}

    @property
    def choices(self) -> pd.DataFrame:
        """Return what was weighed, as `Plan.choices`, at the level of the sheet as played."""
        table = self._levelled(self.grouping.choices)
        worst = float(self.simulated.plan.worst_stress_days.max())
        table["stress_days"] = table["stress_days"].where(~table["chosen"], worst)
        return table

    @property
    def rules(self) -> pd.DataFrame:
        """Return the plain rules, as `Plan.rules`, at the level of the sheet as played."""
        return self._levelled(self.grouping.rules)

    @property
    def regret(self) -> pd.DataFrame:
        """Return what each option costs beyond the best, as `Plan.regret`, at the same level."""
        return self._levelled(self.grouping.regret)

    @property
    def facts(self) -> dict[str, Any]:
        """Return the facts of the decision, the bound from below at the same level."""
        bound = self.grouping.facts["lower_bound"] * self._level("cost_per_year", self.cost)
        return self.grouping.facts | {
            "lower_bound": bound,
            "sheet_scenarios": self.roots.scenarios.count,
        }

    def _levelled(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return options with the chosen one's water and cost as played, all others in proportion.

        What sets options apart is known from the draws that they share; how much any of them uses
        is better known from the more draws of the sheet.
        """
        played = float(self.simulated.volume(self.simulated.plan).mean(axis=1).sum())
        now = {"water_m3": played, "cost_per_year": self.cost}
        return table.assign(
            **{name: table[name] * self._level(name, now[name]) for name in now if name in table}
        )

    def _level(self, name: str, played: float) -> float:
        """Return the chosen option as played over as weighed, 1 where it was weighed as nothing."""
        weighed = float(self.grouping.choices[name].iloc[self.grouping.at])
        return played / weighed if weighed > 0 else 1.0


#: Over seeds the yearly cost of one home differs by about this share on the draws of a sheet.
_TOLD: Final = 0.01
#: Other homes that a sheet is made for, the cheapest of those that may be as good.
_HOMES: Final = 3


def property_roots(survey: Survey, *, threads: int = 1) -> PropertyRoots:
    """Return what puts every zone through every run.

    Parameters
    ----------
    survey : Survey
        Sun, water and weather.
    threads : int
        Threads of the simulation; the result does not depend on it.

    Returns
    -------
    PropertyRoots
        Runs scenario by scenario, years within.
    """
    zones, error = survey.site.hydrozones, survey.settings.control.sensor_error
    drawn = survey.scenarios
    return PropertyRoots(
        survey.ground,
        survey.terms,
        survey.seasons,
        water=survey.water,
        scenarios=drawn if drawn.sensor_error == error else replace(drawn, sensor_error=error),
        plants=tuple(str(word) for word in zones["plants"]),
        depletion_fraction=survey.measures["depletion_fraction"].to_numpy(dtype=float),
        shares=ZoneShares(
            sensor_shares(zones, survey.water), zones["rain_share"].to_numpy(dtype=float)
        ),
        threads=threads,
    )


def property_price(survey: Survey) -> float | None:
    """Return the price that sensors are chosen at: the average over the plants' net need.

    Returns None where water has no price [currency/m³].
    """
    need = survey.measures["net_irrigation_mm"] * survey.measures["area_m2"] / 1000
    months = len(survey.ground.eto.months)
    return average_price(survey.settings.water, np.full(months, float(need.sum()) / months))


def decide_plan(
    survey: Survey,
    placements: list[Placement],
    *,
    threads: int = 1,
    progress: Progress | None = None,
    keep: Keeper | None = None,
) -> Decision:
    """Simulate every zone as governor, choose, and play what will be printed.

    Parameters
    ----------
    survey : Survey
        The property, what the user asked for, its sun, water and weather.
    placements : list of Placement
        Best point of every zone.
    threads : int
        Threads of the simulation; the result does not depend on it.
    progress : callable, optional
        Called with stage, steps done and steps in all.
    keep : Keeper, optional
        Keeps what is simulated; it rests on the survey.

    Returns
    -------
    Decision
        The choice, played over every season and scenario.
    """
    report = progress or (lambda *_: None)
    report("Simulating seasons", 0, 3)
    keep = _simulation(keep or Keeper(), survey.settings)
    trial, described, metered = _trial(survey, threads=threads, keep=keep)
    connected = _beside(survey, placements), _prices(survey, placements)
    chosen = _decided(survey, connected, trial)
    spread = _saving_spread(chosen[0], trial.today)
    draws = sheet_draws(survey.scenarios.count, spread, zones=trial.roots.count)
    more = replace(survey, scenarios=replace(survey.scenarios, count=draws))
    finer, _, _ = _trial(more, threads=threads, keep=keep.on(draws))

    def way(heal: bool, found: tuple[Grouping, tuple[str, ...]]) -> Way:
        return _with_sheet(found[0], trial, finer, heal=heal, notes=found[1])

    mine, other = way(trial.heal, chosen), None
    report("Choosing sensors", 1, 3)
    # The other aim, for what it would cost: as today where the plan heals, and the other way round.
    if finer.today is not None:
        turned = replace(trial, heal=not trial.heal)
        other = way(turned.heal, _decided(survey, connected, turned))
        if not trial.heal and _heals_for_nothing(mine, other, finer.today):
            mine, other = other, mine
    mine = _at_home(mine, trial, finer)
    measuring, spots = measuring_table(survey, placements, trial, (mine.grouping, mine.sheet))
    report("Playing the sheet", 2, 3)
    loose = loosened(mine.sheet, mine.grouping, cap=trial.cap)
    return Decision(
        mine.grouping,
        mine.sheet,
        mine.played,
        mine.heal,
        mine.notes,
        survey=survey,
        placements=placements,
        roots=finer.roots,
        schedule=finer.schedule,
        simulated=_simulated(mine, finer, survey),
        today_depth=described,
        rival=other,
        usual=_played_plain(mine, finer),
        warnings=(*finer.schedule.warnings, *mine.notes, *loose, *metered),
        measuring=measuring,
        spots=spots,
        keep=on_sheet(finer.keep, mine.sheet),
    )


def sheet_again(survey: Survey, printed: Printed) -> tuple[Sheet, Watering, Watering]:
    """Set a printed sheet anew on the scenarios of a survey, by the search that set it.

    Parameters
    ----------
    survey : Survey
        Sun, water and weather; its scenarios as weighed since, as many as the sheet was set on.
    printed : Printed
        What is set in the field now.

    Returns
    -------
    sheet : Sheet
        The same sensors and groups, with thresholds and minutes for these scenarios.
    now, then : Watering
        The sheet of now and the new one, played through them.
    """
    trial, _, _ = _trial(survey, threads=1, keep=Keeper())
    trial = replace(trial, heal=printed.heal)
    again = set_again(trial, printed.sheet, printed.usual, printed.area_m2)
    now, then = (play_sheet(trial.roots, trial.schedule, sheet) for sheet in (printed.sheet, again))
    return again, now, then


def _simulation(keep: Keeper, settings: PropertyFile) -> Keeper:
    """Return a keeper of what rests on the timer and the control besides, but on no price.

    How many sensors may be considered changes nothing that is simulated.
    """
    control = replace(settings.control, max_sensors=1)
    return keep.on(settings.timer, control, settings.water.bills, settings.units)


def _saving_spread(grouping: Grouping, today: Alone | None) -> float:
    """Return how far scenarios differ in the saving of the choice, over its mean; 0 without one."""
    if today is None:
        return 0.0
    options = grouping.options
    used = options.area_m2 @ grouping.governors.by_scenario(today.water_mm) / 1000
    saved = used - options.water_m3(grouping.choice)
    return float(saved.std() / max(abs(saved.mean()), 1e-9))


def _with_sheet(
    grouping: Grouping,
    trial: Trial,
    finer: Trial,
    *,
    heal: bool,
    notes: tuple[str, ...],
    alone: Alone | None = None,
) -> Way:
    """Set the sheet of a decision on more draws, and play it."""
    asked = replace(trial, heal=grouping.governors.heal).limits()
    choice, pool = grouping.choice, grouping.governors
    at = list(choice.sensors)
    given = None if alone is None else (alone.depth, alone.dial)
    keep = finer.keep.on(
        choice.sensors, grouping.options.follows(choice), grouping.options.hardware(choice), given,
        asked, pool.heal, pool.limit, [pool.kind[j] for j in at], pool.low[at], pool.days[at],
        pool.habit[at], pool.minutes[at],
    )  # fmt: skip
    sheet, played = keep.kept("sheet", lambda: set_sheet(finer, grouping, asked, alone=alone))
    return Way(grouping, sheet, played, heal, notes)


def _at_home(mine: Way, trial: Trial, finer: Trial) -> Way:
    """Move a sensor to another home that is told as a tie, where its sheet turns out cheaper.

    Not where there are many zones: against all that they cost one home more or less is nothing.
    """
    grouping = mine.grouping
    if grouping.options.parts is not None:
        return mine
    before, after = grouping.rows[: grouping.at], grouping.rows[grouping.at + 1 :]
    homes = [
        _with_sheet(
            replace(grouping, rows=(*before, choice, *after)),
            trial,
            finer,
            heal=mine.heal,
            notes=mine.notes,
            alone=mine.sheet.alone,
        )
        for choice in other_homes(grouping, most=_HOMES)
    ]
    best = _plainest([mine, *homes])
    return replace(best, grouping=moved(grouping, best.grouping.choice))


def _simulated(mine: Way, finer: Trial, survey: Survey) -> Simulated:
    """Return what ran, of the plan, of today's timer and of a timer set right."""
    right = finer.keep.on(mine.sheet.limit).kept(
        "timer", lambda: timer_set_right(finer, mine.sheet.limit)
    )
    return Simulated(
        plan=mine.played,
        timer=None if finer.today is None else as_watering(finer.today),
        set_right=as_watering(right),
        days=finer.schedule.today,
        area_m2=mine.grouping.options.area_m2,
        years=len(survey.seasons.years),
        months=survey.seasons.month,
    )


def _played_plain(mine: Way, finer: Trial) -> Watering | None:
    """Play the plain way, as the trade would leave it."""
    if mine.grouping.plain is None:
        return None
    sheet = as_decided(mine.grouping, mine.grouping.plain, mine.sheet.alone, mine.sheet.limit)
    return on_sheet(finer.keep, sheet).kept(
        "plain", lambda: play_sheet(finer.roots, finer.schedule, sheet)
    )


def _plainest(ways: list[Way]) -> Way:
    """Return the cheapest way; of those that its draws cannot tell from it, the plainest."""
    ceiling = min(way.cost for way in ways) * (1 + _TOLD)
    good = [way for way in ways if way.cost <= ceiling]
    return min(
        good, key=lambda way: (plainness(way.grouping.options, way.grouping.choice), way.cost)
    )


def _heals_for_nothing(as_today: Way, healing: Way, today: Alone) -> bool:
    """Tell whether holding zones to the limit takes no more water than today, and no more money
    than can be known.

    A plan that leaves plants as short as today is then no better in anything.
    """  # noqa: D205
    area = healing.grouping.options.area_m2
    used = float(area @ today.water_mm.mean(axis=1)) / 1000
    return healing.water_m3 <= used and healing.cost <= as_today.cost * (1 + 2 * ALIKE)


def _trial(
    survey: Survey, *, threads: int, keep: Keeper
) -> tuple[Trial, Floats | None, tuple[str, ...]]:
    """Return what governors are tried on, today's depths as described, and what bills say."""
    settings, control = survey.settings, survey.settings.control
    roots = property_roots(survey, threads=threads)
    schedule = watering_days(
        survey.seasons.dates, settings.timer, control, scenarios=survey.scenarios.count
    )
    zones, rate = survey.site.hydrozones, survey.water["precipitation_rate"].to_numpy(dtype=float)
    described = timer_depths(settings.timer, [str(v) for v in zones["valve"]], rate)
    area = survey.measures["area_m2"].to_numpy(dtype=float)
    scale, metered = metered_scale(survey, schedule.today, described, area)
    today = None
    if described is not None:
        depth = described * scale
        today = keep.on(depth).kept("today", lambda: todays_timer(roots, depth, schedule.today))
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
        keep=keep,
    )
    return trial, described, metered


def _decided(
    survey: Survey, connected: tuple[pd.DataFrame, Prices], trial: Trial
) -> tuple[Grouping, tuple[str, ...]]:
    """Simulate and choose under one aim; the notes say what gave way.

    connected: zones as of `Options`, and what a choice costs.
    """
    settings, (beside, prices) = survey.settings, connected
    control, names = settings.control, [str(zone) for zone in beside.index]
    kinds = usable_kinds(control.kinds, settings.hardware)
    pool, relaxed = trial.keep.on(kinds, trial.heal).kept(
        "governors", lambda: governors(trial, kinds=kinds, names=names)
    )
    options = Options.of(
        pool,
        beside,
        prices,
        years=len(survey.seasons.years),
        window_minutes=control.window_minutes,
    )
    grouping = decide(options, max_sensors=control.max_sensors)
    rules = () if control.allowed_days is None else unreachable(
        trial, pool.limit, names=names, units=settings.units
    )  # fmt: skip
    return grouping, (*relaxed, *rules, *grouping.warnings)


def as_watering(alone: Alone) -> Watering:
    """Return a plain timer's seasons as those of a plan."""
    zones = len(alone.depth)
    return Watering(
        np.broadcast_to(alone.ran, (zones, *alone.ran.shape)),
        alone.depth[:, None] * alone.dial,
        alone.stress_days,
    )


def _beside(survey: Survey, placements: list[Placement]) -> pd.DataFrame:
    """Return of every zone what a choice looks at, as of `Options`."""
    zones = survey.site.hydrozones
    return pd.DataFrame(
        {name: survey.measures[name] for name in ("area_m2", "need_score")}
        | {name: zones[name] for name in ("plants", "controller")}
        | {"admissible": [at.setback_ratio >= 1 for at in placements]},
        index=zones.index,
    )


def _prices(survey: Survey, placements: list[Placement]) -> Prices:
    settings, costs = survey.settings, survey.settings.costs
    network = trench_network(survey.site, placements)
    return Prices(
        water=property_price(survey) or 0.0,
        connection=connection_costs(network, costs, zones=len(placements)),
        hardware=settings.hardware,
        life_years=costs.life_years,
        trench=network if costs.trench_per_m > 0 else None,
        trench_per_m=costs.trench_per_m / costs.life_years,
    )


def metered_scale(
    survey: Survey,
    days: Flags,
    depth: Floats | None,
    area_m2: Floats,
) -> tuple[float, tuple[str, ...]]:
    """Return by how much metered bills exceed the timer as described.

    days (D, W): days on which today's timer runs; depth (Z,): its depth per event [mm], None
    without a timer; area_m2 (Z,): area of the zones [m²]. Returns metered over described, in the
    months that were metered, 1 without bills or timer.
    """
    settings, seasons = survey.settings, survey.seasons
    bills = settings.water.bills
    if bills is None or depth is None:
        return 1.0, ()
    metered = [month for month in bills.outdoor_m3 if month in set(seasons.month.tolist())]
    inside = np.isin(seasons.month, metered)
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
