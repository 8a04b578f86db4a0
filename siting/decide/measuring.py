"""What measuring first would be worth: cans, a probe walk, jars, a season's log, a drone's flight.

Measuring can change three things of a plan: where in its zone a sensor lies, the minutes of a
programme, and the number of sensors. For each programme of the sheet the minutes are moved and the
sensor is laid into each quarter of its zone; every case is played through the scenarios and seasons
that the choice was made on. Money is the yearly cost of water, and a day on which a square metre
runs short has the price that the plan's own minutes put on it: what the last of them costs in water
over the days that it keeps off, and no more than would make a season at the limit as dear as its
water. `siting.evidence.walk` then says what a measurement is worth before it is made.

A sensor's chances after a walk or a flight are those of the driest of so many places by what is
then known of them; after a can test they are the plan's own (`Placement.chances_tested`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from siting.arrays import Floats
from siting.decide.choice import Grouping
from siting.decide.governors import Alone, Trial
from siting.decide.sheet import Sheet, on_sheet
from siting.evidence.walk import (
    WALK_PLACES,
    Ground,
    chances_once_read,
    outcome_chances,
    smoothed,
    worth_of,
)
from siting.place.placement import Placement
from siting.season.events import RootZone, event_count, schedule_stress, sensor_events
from siting.site.settings import EVIDENCE_KINDS, PropertyFile
from siting.zones.roots import at_a_time
from siting.zones.survey import Survey

#: Minutes tried, over those of the sheet.
_FACTORS: Final = np.array([0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5])
_AS_SET: Final = 3
#: What a measurement is off by: of a can test in low-quarter uniformity; of jars in the water that
#: a soil holds, and of a season's log in that and in the plants' demand, as shares. Judgement.
_CANS_ERROR: Final = 0.02
_JARS_ERROR: Final = 0.07
_LOG_ERROR: Final = 0.05
#: Below this gain of chance nobody moves a sensor for it; deviations that are alike over less than
#: this teach nothing beyond the place itself [m]; worth below this share of the yearly cost cannot
#: be told from nothing on some dozen scenarios.
_MOVES: Final = 0.05
_LEAST_REACH_M: Final = 1.0
_TOLD: Final = 0.01
#: Zones whose minutes are tried, those under sensors first, then those that use the most water.
_MOST_ZONES: Final = 40
COLUMNS: Final = (
    "measure", "zone", "worth_per_year", "days_kept_off", "hours", "cost", "gain_per_year", "p_now",
    "p_then", "changes", "recommended",
)  # fmt: skip


class _Spot(NamedTuple):
    """Chances that a sensor lies in the driest quarter of its zone, and in its wetter half."""

    driest: float
    wetter: float

    @property
    def quarters(self) -> Floats:
        """Chances of each quarter, the driest first, shape (4,)."""
        second = max(1.0 - self.driest - self.wetter, 0.0)
        shares = np.array([self.driest, second, self.wetter / 2, self.wetter / 2])
        return np.asarray(shares / shares.sum())


@dataclass(frozen=True)
class _Programme:
    """A programme's zones, the first its sensor's where it has one, and what its minutes do.

    loss, short (Q, A, S): by quarter in which the sensor lies (one where there is none), factor of
    the minutes and scenario, what it costs [currency a year], and how short of water it leaves the
    ground [m² d a season].
    """

    zones: tuple[int, ...]
    sensor: bool
    loss: Floats
    short: Floats

    def expected(self, spot: _Spot | None) -> tuple[Floats, Floats]:
        """Return loss and shortness with the sensor where it may be, each shape (A, S)."""
        if spot is None or not self.sensor:
            return self.loss[0], self.short[0]
        parts = (np.tensordot(spot.quarters, part, axes=1) for part in (self.loss, self.short))
        loss, short = (np.asarray(part, dtype=float) for part in parts)
        return loss, short


@dataclass(frozen=True)
class _Measure:
    """One thing to do: its word, its zone (None: all), what it takes, what it tells.

    spots: by zone, the chances that its sensor has then; told: names of what is uncertain -> its
    error; share: of the life that is left once it is known.
    """

    name: str
    zone: int | None
    hours: float
    price: float
    spots: dict[int, _Spot]
    told: dict[str, float]
    share: float = 1.0


class _Gain(NamedTuple):
    """What knowing is worth [currency a year], the days kept off [m² d a season], and whether it
    can change the minutes."""  # noqa: D205, D209

    worth: float
    days: float
    minutes: bool


def quarter_chances(driest: float, wetter: float) -> Floats:
    """Return the chances of each quarter of a zone, the driest first, shape (4,).

    driest, wetter: chances that a sensor lies in the driest quarter, and in the wetter half.
    """
    return _Spot(driest, wetter).quarters


def measuring_table(
    survey: Survey,
    placements: Sequence[Placement],
    trial: Trial,
    decided: tuple[Grouping, Sheet],
) -> tuple[pd.DataFrame, dict[str, Floats]]:
    """Return what each measurement would be worth, the most worthwhile first; and what a sensor
    costs by where in its zone it lies: by zone, with the minutes as set, in each quarter of it, the
    driest first, shape (4,) [currency a year].

    Money is NaN where water has no price; then a measurement is worth it where it moves a sensor.
    """  # noqa: D205
    grouping, sheet = decided
    programmes = _programmes(trial, grouping, sheet)
    case = _Case(survey.settings, trial, grouping, programmes,
                 {z: _spot_now(placements[z]) for z in sheet.home.values()})  # fmt: skip
    spots = {
        str(grouping.options.zones.index[one.zones[0]]): one.loss[:, _AS_SET].mean(axis=1)
        for one in programmes
        if one.sensor
    }
    rows = [case.row(measure) for measure in _measures(survey, placements, trial, sheet)]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    dear = -table["gain_per_year"].fillna(0.0).to_numpy(dtype=float)
    surer = (table["p_now"] - table["p_then"]).to_numpy(dtype=float)
    order = np.lexsort((surer, dear, ~table["recommended"].to_numpy(dtype=bool)))
    return table.iloc[order].reset_index(drop=True), spots


@dataclass(frozen=True)
class _Case:
    """A plan whose measurements are weighed; now: where each sensor's zone may have it."""

    settings: PropertyFile
    trial: Trial
    grouping: Grouping
    programmes: Sequence[_Programme]
    now: dict[int, _Spot]

    def row(self, measure: _Measure) -> dict[str, Any]:
        """Weigh one measurement."""
        settings, now, zone = self.settings, self.now, measure.zone
        moved = {z: s for z, s in measure.spots.items() if s.driest >= now[z].driest + _MOVES}
        gains = [
            (one, self._gain(one, moved, measure.told))
            for one in self.programmes
            if zone in (None, one.zones[0])
        ]
        number = self._number(measure)
        worth = measure.share * (number + sum(gain.worth for _, gain in gains))
        area = float(self.grouping.options.area_m2.sum())
        days = measure.share * sum(gain.days for _, gain in gains) / area
        told = {
            "place": any(p.sensor and p.zones[0] in moved and g.worth > 0 for p, g in gains),
            "minutes": any(gain.minutes for _, gain in gains),
            "number of sensors": number > 0,
        }
        changes = [word for word, changed in told.items() if changed]
        if not settings.water.priced:
            worth, changes = np.nan, ["place"] if moved else []
        elif worth < _TOLD * self.grouping.choice.cost:
            worth, days, changes = 0.0, 0.0, []
        cost = measure.hours * settings.measuring.hour + measure.price
        gain = worth - cost / settings.costs.life_years
        homes = list(now) if zone is None else [zone]
        return {
            "measure": measure.name,
            "zone": "" if zone is None else str(self.grouping.options.zones.index[zone]),
            "worth_per_year": worth,
            "days_kept_off": days,
            "hours": measure.hours,
            "cost": cost,
            "gain_per_year": gain,
            "p_now": float(np.mean([now[z].driest for z in homes])),
            "p_then": float(np.mean([moved.get(z, now[z]).driest for z in homes])),
            "changes": ", ".join(changes),
            "recommended": bool(changes) and not gain <= 0,
        }

    def _gain(self, one: _Programme, moved: dict[int, _Spot], told: dict[str, float]) -> _Gain:
        """Return what a measurement does to one programme."""
        home = one.zones[0]
        now = self.now.get(home)
        observed = _observed(self.trial, one.zones, told)
        return _value(one.expected(now), one.expected(moved.get(home, now)), observed)

    def _number(self, measure: _Measure) -> float:
        """Return what knowing first is worth a year for the number of sensors."""
        if not measure.told or measure.zone is not None:
            return 0.0
        rows = [row for row in self.grouping.rows if row.feasible]
        costs = np.array([self.grouping.options.costs(row) for row in rows])
        observed = _observed(self.trial, range(self.trial.roots.count), measure.told)
        return _value((costs, costs), (costs, costs), observed).worth


def _value(
    now: tuple[Floats, Floats],
    then: tuple[Floats, Floats],
    observed: dict[str, tuple[Floats, float]],
) -> _Gain:
    """Weigh losses and shortness, each (A, S), as things stand and once something is known."""
    count = now[0].shape[1]
    likely = np.full((count, count), 1 / count)
    if observed and count > 1:
        measured = np.array([values for values, _ in observed.values()])
        likely = outcome_chances(measured, np.array([error for _, error in observed.values()]))
        now, then = (
            (smoothed(loss, measured), smoothed(short, measured)) for loss, short in (now, then)
        )
    found = worth_of(now[0], then[0], likely)
    if found.value == 0:
        return _Gain(0.0, 0.0, minutes=False)
    kept_off = now[1][found.now].mean() - (then[1][found.then] * likely.T).sum() / count
    return _Gain(found.value, float(kept_off), minutes=bool((found.then != found.now).any()))


def _observed(
    trial: Trial, zones: Sequence[int], told: dict[str, float]
) -> dict[str, tuple[Floats, float]]:
    """Return what a measurement tells of some zones: by name, its draws (S,) and its error."""
    drawn, roots = trial.roots.scenarios, trial.roots
    found: dict[str, tuple[Floats, float]] = {}
    for what, error in told.items():
        if what == "uniformity":
            found[what] = drawn.uniformity, error
            continue
        for z in zones:
            word = roots.plants[z] if what == "plants" else str(roots.water["soil_class"].iloc[z])
            name = f"{what}:{word}"
            if name not in found:
                values = drawn.plants([word]) if what == "plants" else drawn.soils([word])
                found[name] = values[0], error
    return found


def _measures(
    survey: Survey, placements: Sequence[Placement], trial: Trial, sheet: Sheet
) -> list[_Measure]:
    """Return what could be measured: cans and walks of each sensor's zone, the rest of all."""
    takes, names = survey.settings.measuring, [str(zone) for zone in survey.measures.index]
    homes = sorted(set(sheet.home.values()))
    found = []
    for z in homes:
        tested = placements[z].chances_tested
        if tested is not None and trial.irrigation[z] not in {"drip", "bubbler"}:
            spot = _Spot(tested.driest_quarter, tested.wetter_half)
            told = {"uniformity": _CANS_ERROR}
            found.append(_Measure("can_test", z, takes.can_test, 0.0, {z: spot}, told))
        walked = _spot_after(survey, z, names[z], placements[z], "probe")
        found.append(_Measure("probe_walk", z, takes.probe_walk, 0.0, {z: walked}, {}))
    flown = {z: _spot_after(survey, z, names[z], placements[z], "vegetation") for z in homes}
    years = survey.settings.costs.life_years
    return [
        *found,
        _Measure("jar_test", None, takes.jar_test, 0.0, {}, {"soils": _JARS_ERROR}),
        _Measure("season_log", None, takes.season_log, 0.0, {},
                 {"plants": _LOG_ERROR, "soils": _LOG_ERROR}, max(years - 1, 0.0) / years),
        _Measure("drone_flight", None, takes.drone_flight, takes.drone_price, flown, {}),
    ]  # fmt: skip


def _spot_now(placement: Placement) -> _Spot:
    return _Spot(placement.chances.driest_quarter, placement.chances.wetter_half)


def _spot_after(survey: Survey, z: int, zone: str, placement: Placement, kind: str) -> _Spot:
    """Return the chances of the driest place by a walk or a picture, never less than now."""
    now, unknown = _spot_now(placement), survey.application[zone].unknown
    if unknown.reach < _LEAST_REACH_M or unknown.cv <= 0:
        return now
    of_map = float(np.log(np.maximum(survey.ground.dryness[z], 1e-9)).var(axis=1).mean())
    ground = Ground(
        of_map, float(np.log1p(unknown.cv**2)), unknown.reach, placement.admissible.area
    )
    places = WALK_PLACES + 1.0 + len(placement.reserves) if kind == "probe" else np.inf
    driest, wetter = chances_once_read(ground, EVIDENCE_KINDS[kind].trust, places=places)
    if driest <= now.driest:
        return now
    return _Spot(driest, min(wetter, now.wetter))


def _programmes(trial: Trial, grouping: Grouping, sheet: Sheet) -> list[_Programme]:
    """Play every programme with other minutes, its sensor in each quarter of its zone."""
    options, area = grouping.options, grouping.options.area_m2
    led = [
        (home, *(int(z) for z in np.flatnonzero(sheet.governor == j) if z != home))
        for j, home in sheet.home.items()
    ]
    water = sheet.alone.water_mm.mean(axis=1) * area
    alone = [int(z) for z in np.argsort(-water, kind="stable") if sheet.governor[z] < 0]
    alone = alone[: max(_MOST_ZONES - sum(map(len, led)), 0)]
    zones = [*led, *((z,) for z in alone)]
    timer = grouping.governors.alone

    def play() -> list[_Played]:
        sensors = zip(sheet.home, led, strict=True)
        return [
            *at_a_time(trial.roots, lambda of: _under_sensor(trial, sheet, *of), sensors),
            *at_a_time(trial.roots, lambda z: _on_timer(trial, timer, z), alone),
        ]

    keep = on_sheet(trial.keep, sheet).on(zones, timer.depth, timer.dial, timer.ran)
    played = keep.kept("quarters", play)
    money, short = (
        [
            np.sum([area[z] * one for z, one in zip(of, parts[k], strict=True)], axis=0)
            for of, parts in zip(zones, played, strict=True)
        ]
        for k in (0, 1)
    )
    money = [options.price * part / 1000 for part in money]
    price = _price_of_a_day(money, short, sum(area[z] for of in zones for z in of), trial.cap)
    return [
        _Programme(tuple(of), k < len(led), m + price * s, s)
        for k, (of, m, s) in enumerate(zip(zones, money, short, strict=True))
    ]


def _price_of_a_day(
    money: Sequence[Floats], short: Sequence[Floats], area_m2: float, cap: float
) -> float:
    """Return what a day on which a square metre runs short is worth [currency]."""
    spent = np.sum([m[0].mean(axis=1) for m in money], axis=0)
    days = np.sum([s[0].mean(axis=1) for s in short], axis=0)
    less, more = _AS_SET - 1, _AS_SET + 1
    most = float(spent[_AS_SET]) / (max(cap, 1.0) * area_m2)
    kept_off = float(days[less] - days[more])
    if kept_off <= 0:
        return most
    return float(np.clip((spent[more] - spent[less]) / kept_off, 0.0, most))


_Played = tuple[list[Floats], list[Floats]]


def _under_sensor(trial: Trial, sheet: Sheet, j: int, group: Sequence[int]) -> _Played:
    """Return water [mm] and stress days of a sensor's zones, each (Q, A, S)."""
    roots, home = trial.roots, group[0]
    days = trial.schedule.sets[sheet.days[j]].days
    root = roots.zone(home)
    water: list[list[Floats]] = [[] for _ in group]
    stress: list[list[Floats]] = [[] for _ in group]
    for quarter in range(len(root.etc)):
        depth = sheet.event_mm[home] * _FACTORS
        low = np.full(len(depth), sheet.low[j])
        ran, short = sensor_events(
            _with_sensor_in(root, quarter), depth=depth, threshold=low, days=days
        )
        events = event_count(ran)
        for k, z in enumerate(group):
            depth = sheet.event_mm[z] * _FACTORS
            here = short if k == 0 else schedule_stress(roots.zone(z, read=False), ran, depth=depth)
            water[k].append(_by_scenario(events * depth[:, None], roots.years))
            stress[k].append(_by_scenario(here, roots.years))
    return [np.array(part) for part in water], [np.array(part) for part in stress]


def _on_timer(trial: Trial, alone: Alone, z: int) -> _Played:
    """Return the same of a zone that keeps a programme of its own, Q = 1."""
    years = trial.roots.years
    depth = alone.depth[z] * _FACTORS
    ran = np.broadcast_to(alone.ran, (len(depth), *alone.ran.shape))
    stress = schedule_stress(trial.roots.zone(z, read=False), ran, depth=depth, dial=alone.dial[z])
    water = depth[:, None] * (alone.dial[z] @ alone.ran)
    return [_by_scenario(water, years)[None]], [_by_scenario(stress, years)[None]]


def _with_sensor_in(root: RootZone, quarter: int) -> RootZone:
    """Return a zone whose sensor lies in another of its quarters."""
    if quarter == 0:
        return root
    order = [quarter, *(q for q in range(len(root.etc)) if q != quarter)]
    return root.but(etc=root.etc[order], application=root.application[order])


def _by_scenario(runs: Floats, years: int) -> Floats:
    """Return the mean over the years, shape (A, S)."""
    return np.asarray(runs.reshape(*runs.shape[:-1], -1, years).mean(axis=-1))
