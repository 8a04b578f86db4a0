"""Beside the plan: every kind of control, today's timer set right, and what moves the result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd

from siting.arrays import Floats
from siting.decide.choose import choose_sensors
from siting.decide.decision import Decision
from siting.decide.money import Capital, payback_years, water_cost
from siting.decide.sheet import play_sheet
from siting.season.controls import CONTROLS
from siting.season.events import Watering, rain_shutoff, schedule_stress
from siting.season.scheduling import cycle_and_soak
from siting.zones.ground import PLANT_SPREAD, STORAGE_SPREAD, UNIFORMITY_SPREAD
from siting.zones.roots import PropertyRoots, over_zones
from siting.zones.survey import Survey


def control_table(decided: Decision) -> pd.DataFrame:
    """Return what each kind of control would use, on the same weather and scenarios.

    A timer is set right with the least whole minutes and a monthly adjustment that keep each zone
    within the plan's own limit; the rain shut-off interrupts that timer, and never adds water. They
    need no soil sensor, so they are shown beside the plan and never chosen.

    Parameters
    ----------
    decided : Decision
        The choice.

    Returns
    -------
    DataFrame
        As `Plan.controls`.
    """
    simulated = decided.simulated
    rows: list[dict[str, Any]] = []
    if simulated.timer is not None:
        rows.append(_timer("timer as it runs today", simulated.timer, decided))
    rows.append(_timer("timer, its minutes set right", simulated.set_right, decided))
    rows.append(_timer("rain shut-off", _shut_off(decided), decided))
    rows += _sensor_kinds(decided)
    return pd.DataFrame(rows).set_index("kind")


def _shut_off(decided: Decision) -> Watering:
    """Interrupt the timer that was set right after rain."""
    control, rain_mm = decided.survey.settings.control, decided.survey.seasons.rain_mm
    right, days = decided.simulated.set_right, decided.schedule.timer
    gross = np.tile(rain_mm, (1, days.shape[1] // rain_mm.shape[1]))
    dry = rain_shutoff(
        gross, days, threshold_mm=control.rain_shutoff_mm, window_days=control.rain_shutoff_days
    )
    whole = right.depth.max(axis=1)
    stress = decided.keep.on(control, right.depth).kept(
        "shutoff",
        lambda: over_zones(
            decided.roots,
            lambda z, root: schedule_stress(
                root, dry, depth=whole[z], dial=right.depth[z] / max(float(whole[z]), 1e-12)
            )[0],
            read=False,
        ),
    )
    return Watering(np.broadcast_to(dry, right.ran.shape), right.depth, np.stack(stress))


def _timer(name: str, ran: Watering, decided: Decision) -> dict[str, Any]:
    options = decided.grouping.options
    water = float(ran.water_mm.mean(axis=1) @ options.area_m2) / 1000
    stress = ran.worst_stress_days
    return {
        "kind": name,
        "sensors": 0,
        "hardware": "none",
        "water_m3": water,
        "cost_per_year": np.nan if decided.price is None else decided.price * water,
        "stress_days": float(stress.max()),
        "within_limit": bool(np.all(stress <= decided.sheet.limit + 1e-9)),
        "chosen": False,
    }


def _sensor_kinds(decided: Decision) -> list[dict[str, Any]]:
    """Return the best plan of each kind of sensor control, and of the common wire.

    The plan's own kind stands with what its sheet does; the others as they were tried.
    """
    grouping, options = decided.grouping, decided.grouping.options
    wanted = [(*row, word) for word, kind in CONTROLS.items() for row in kind.compared]
    most = max(decided.survey.settings.control.max_sensors, grouping.choice.n)
    mine = {options.pool.kind[j] for j in grouping.choice.sensors}
    rows = []
    for name, each, word in wanted:
        if word not in options.pool.kind:
            continue
        chosen = each is None and mine == {word}
        choice = grouping.choice
        if not chosen:
            candidates = options.candidates(kinds=(word,))
            if each is not None:
                capacity = np.minimum(options.equipment.capacity, each)
                equipment = replace(options.equipment, capacity=capacity)
                candidates = replace(candidates, equipment=equipment)
            choice = choose_sensors(candidates, max_sensors=most, curve=False)[-1]
            choice = options.priced(choice, options.prices.connection)
        within = choice.feasible and bool(
            np.all(options.zone_stress(choice) <= options.pool.limit + 1e-9)
        )
        rows.append(
            {
                "kind": name,
                "sensors": choice.used,
                "hardware": ", ".join(sorted(set(options.hardware(choice).values())))
                if choice.feasible
                else "none",
                "water_m3": float(options.water_m3(choice).mean()) if choice.feasible else np.nan,
                "cost_per_year": choice.cost,
                "stress_days": options.stress_days(choice),
                "within_limit": within,
                "chosen": chosen,
            }
        )
        if chosen:
            rows[-1] |= _as_played(decided)
    return rows


def _as_played(decided: Decision) -> dict[str, Any]:
    """Return water, cost and stress of the plan as its sheet is played."""
    stress = decided.simulated.plan.worst_stress_days
    return {
        "water_m3": float(decided.simulated.volume(decided.simulated.plan).sum(axis=0).mean()),
        "cost_per_year": decided.cost,
        "stress_days": float(stress.max()),
        "within_limit": bool(np.all(stress <= decided.sheet.limit + 1e-9)),
    }


#: How far money and today's minutes are moved, as a share; physical inputs by two standard
#: deviations of the scenarios.
_SPAN: Final = 0.25
_DEVIATIONS: Final = 2.0
#: A valve's rate is known to about a tenth (judgement, no source).
_RATE: Final = 0.10
#: What may be left of a sensor's error [m³/m³]: temperature-compensated and soaked twice, as usual,
#: and not compensated; see `siting.zones.ground.SENSOR_ERROR`.
DEVICE_ERRORS: Final = (0.007, 0.014, 0.020)


@dataclass(frozen=True)
class _Case:
    """One set of inputs, relative to the property as described."""

    price: float = 1.0
    devices: float = 1.0
    plant_scale: float = 1.0
    storage_scale: float = 1.0
    evenness: float = 0.0
    rate: float = 1.0
    minutes: float = 1.0
    sensor_error: float | None = None


def sensitivity_table(decided: Decision, built: Capital) -> pd.DataFrame:
    """Move one input at a time, play the printed sheet and today's timer, and value the plan.

    Nothing is set anew: this is what happens to what was handed over where an input is not as
    assumed. The base is the plan itself, so its value is that of the headline.

    Parameters
    ----------
    decided : Decision
        The choice.
    built : Capital
        What it costs to build.

    Returns
    -------
    DataFrame
        As `Plan.sensitivity`, the greatest swing first.
    """
    study, settings = _Study(decided, built), decided.survey.settings
    uneven = _DEVIATIONS * UNIFORMITY_SPREAD
    plant = _DEVIATIONS * PLANT_SPREAD / 2  # the mean of a property is surer than a bed
    cases: dict[str, tuple[tuple[str, _Case], tuple[str, _Case]]] = {
        "plant factor": _either("plant_scale", plant),
        "available water": _either("storage_scale", _DEVIATIONS * STORAGE_SPREAD),
        "evenness": (
            (f"-{uneven:.2f}", _Case(evenness=-uneven)),
            (f"+{uneven:.2f}", _Case(evenness=uneven)),
        ),
        "application rate": _either("rate", _RATE),
        "sensor error": (
            (f"{100 * DEVICE_ERRORS[0]:.1f} %", _Case(sensor_error=DEVICE_ERRORS[0])),
            (f"{100 * DEVICE_ERRORS[-1]:.1f} %", _Case(sensor_error=DEVICE_ERRORS[-1])),
        ),
    }
    if study.priced:
        cases["price of water"] = _either("price", _SPAN)
        cases["devices and installation"] = _either("devices", _SPAN)
    if decided.simulated.timer is not None:
        cases["today's minutes"] = _either("minutes", _SPAN)
    base, _, _ = study.value(_Case())
    rows = []
    for name, ((low, low_case), (high, high_case)) in cases.items():
        (least, back_low, short_low), (most, back_high, short_high) = (
            study.value(case) for case in (low_case, high_case)
        )
        ends = np.array([least, most, base])
        known = ends[np.isfinite(ends)]
        rows.append(
            {
                "input": name,
                "low": low,
                "high": high,
                "value_low": least,
                "value_high": most,
                "value_base": base,
                "payback_low": back_low,
                "payback_high": back_high,
                "stress_low": short_low,
                "stress_high": short_high,
                "swing": float(np.ptp(known)) if len(known) else np.nan,
                "measure": study.measure,
                "unit": settings.water.currency if study.priced else "m3",
            }
        )
    table = pd.DataFrame(rows).set_index("input")
    return table.sort_values("swing", ascending=False, kind="stable")


def _either(name: str, span: float) -> tuple[tuple[str, _Case], tuple[str, _Case]]:
    """Return a case with one input lowered and one with it raised by a share."""
    low, high = replace(_Case(), **{name: 1 - span}), replace(_Case(), **{name: 1 + span})
    return (f"-{100 * span:.0f} %", low), (f"+{100 * span:.0f} %", high)


class _Study:
    """Values one case after another."""

    def __init__(self, decided: Decision, built: Capital) -> None:
        settings = decided.survey.settings
        self._settings, self._decided, self._built = settings, decided, built
        self.priced = settings.water.priced
        baseline = decided.simulated.timer is not None
        self.measure = "net saving a year" if baseline else "cost a year"
        if not self.priced:
            self.measure = "water saved a year" if baseline else "water a year"

    @cached_property
    def _months(self) -> tuple[Floats, Floats | None]:
        """Water of the plan and of today's timer by month and run, as assumed [m³]."""
        simulated = self._decided.simulated
        timer = None if simulated.timer is None else simulated.monthly(simulated.timer)
        return simulated.monthly(simulated.plan), timer

    def value(self, case: _Case) -> tuple[float, float, float]:
        """Return the measure, the payback, NaN where there is none, and the stress days."""
        simulated = self._decided.simulated
        physical = replace(case, price=1.0, devices=1.0, minutes=1.0)
        planned_months, today = self._months
        stress = float(simulated.plan.worst_stress_days.max())
        if physical != _Case():
            keep = self._decided.keep.on(physical)
            planned_months, stress = keep.kept("played", lambda: self._played(physical))
        planned, capital = self._money(planned_months, case), self._capital(case)
        yearly = capital / self._settings.costs.life_years if self.priced else 0.0
        if simulated.timer is None or today is None:
            return planned + yearly, float("nan"), stress
        stepped = case.minutes if self._settings.water.tiers else 1.0
        if (case.rate, stepped) != (1.0, 1.0):
            longer = simulated.timer.depth * case.rate * stepped
            today = simulated.monthly(replace(simulated.timer, depth=longer))
        saved = case.minutes / stepped * self._money(today, case) - planned
        back = None
        if self.priced and self._settings.costs.given:
            back = payback_years(capital, saved)
        return saved - yearly, float("nan") if back is None else back, stress

    def _capital(self, case: _Case) -> float:
        built = self._built
        return case.devices * (built.device + built.installation) + built.trench + built.wire

    def _money(self, monthly: Floats, case: _Case) -> float:
        """Mean yearly cost of water by month and run, or water itself without a price."""
        if not self.priced:
            return float(monthly.sum(axis=0).mean())
        return case.price * float(water_cost(self._settings.water, monthly).mean())

    def _played(self, case: _Case) -> tuple[Floats, float]:
        """Play the printed sheet under other inputs: water by month and run, worst stress days.

        Today's timer waters whatever they are.
        """
        decided = self._decided
        roots = self._moved(decided.roots, case)
        plan = play_sheet(roots, decided.schedule, decided.sheet, rate=case.rate)
        return decided.simulated.monthly(plan), float(plan.worst_stress_days.max())

    def _moved(self, roots: PropertyRoots, case: _Case) -> PropertyRoots:
        """Return the root zones of a case."""
        usual = self._settings.control.sensor_error
        return replace(
            roots,
            plant_scale=case.plant_scale,
            storage_scale=case.storage_scale,
            evenness=case.evenness,
            error_scale=(case.sensor_error or usual) / usual,
        )


_FULL: Final = 100


def timer_table(zones: pd.DataFrame, decided: Decision) -> pd.DataFrame:
    """Return what to type into any timer.

    A program is the zones of one sensor: its days, and whole minutes for each valve. The seasonal
    adjustment stays at 100 % in the months of the season: the sensor does that. A zone without a
    sensor keeps a programme of its own, with an adjustment by month where it was set right. These
    are the numbers that were played: water and stress are those of `Plan.zones`.

    Parameters
    ----------
    zones : DataFrame
        As `Plan.zones`.
    decided : Decision
        The choice.

    Returns
    -------
    DataFrame
        As `Plan.timer_table`.
    """
    sheet, played = decided.sheet, decided.simulated.plan
    sets = decided.schedule.sets
    own = next((s.words for s in sets if s.today), sets[decided.schedule.every].words)
    water = decided.survey.water
    soils = zip(water["intake_rate"], water["surface_accumulation"], strict=True)
    cells = zip(*(zones[name].tolist() for name in _OF_ZONE), strict=True)
    rows = []
    for z, (of_zone, soil) in enumerate(zip(cells, soils, strict=True)):
        j = int(sheet.governor[z])
        days = sets[sheet.days[j]].words if j >= 0 else own
        percent = _by_month(decided.survey, played.depth[z])
        rows.append(_row(dict(zip(_OF_ZONE, of_zone, strict=True)), soil, percent, days))
    index = pd.Index([str(zone) for zone in zones.index], name="zone")
    return pd.DataFrame({name: [row[name] for row in rows] for name in rows[0]}, index=index)


#: Columns of the zones that a timer's table tells or makes its own of.
_OF_ZONE: Final = ("valve", "controller", "sensor_id", "control", "run_minutes",
                   "precipitation_rate", "water_m3", "stress_days")  # fmt: skip


def _by_month(survey: Survey, depth: Floats) -> Floats:
    """Return the adjustment of each calendar month, 0 outside the season, shape (12,) [%]."""
    months = np.zeros(12)
    whole = float(depth.max())
    for month in survey.ground.eto.months:
        of_month = depth[survey.seasons.month == month]
        months[month - 1] = round(_FULL * float(of_month.max()) / whole) if whole > 0 else 0.0
    return months


def _row(
    row: Mapping[str, Any], soil: tuple[float, float], percent: Floats, days: str
) -> dict[str, Any]:
    """Return one valve's line; soil: what it takes in [mm/h], and what may stand on it [mm]."""
    minutes = round(float(row["run_minutes"]), 6)
    rate = float(row["precipitation_rate"])
    cycles, length, soak = cycle_and_soak(
        minutes,
        precipitation_rate=rate,
        intake_rate=float(soil[0]),
        surface_accumulation_mm=float(soil[1]),
    )
    months = {f"percent_{m}": percent[m - 1] for m in range(1, 13)}
    runs = np.round(minutes * percent / _FULL, 6)
    return {
        "valve": row["valve"],
        "controller": row["controller"],
        "program": row["sensor_id"],
        "control": row["control"],
        "days": days,
        "run_minutes": minutes,
        "depth_mm": minutes * rate / 60,
        "cycles": cycles,
        "cycle_minutes": length,
        "soak_minutes": float(np.ceil(soak)),
        **months,
        **{f"run_minutes_{m}": runs[m - 1] for m in range(1, 13)},
        "water_m3": row["water_m3"],
        "stress_days": row["stress_days"],
    }
