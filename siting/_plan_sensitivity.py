"""What moves the result: the printed sheet and today's timer, played with one input moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_control import PropertyRoots, todays_timer
from siting._plan_decide import as_watering
from siting._plan_known import Decided
from siting._plan_scenarios import SPREAD
from siting._plan_sheet import play_sheet
from siting.economics import Capital, payback_years, water_cost
from siting.season import Watering
from siting.site.settings import PropertyFile

__all__ = ["DEVICE_ERRORS", "sensitivity_table"]

_Array = NDArray[np.float64]

#: How far money and today's minutes are moved, as a share; physical inputs by two standard
#: deviations of the scenarios.
_SPAN: Final = 0.25
_DEVIATIONS: Final = 2.0
#: A valve's rate is known to about a tenth (judgement, no source).
_RATE: Final = 0.10
#: What may be left of a sensor's error [m³/m³]: temperature-compensated and soaked twice, as usual,
#: and not compensated; see `siting._plan_scenarios.Spread`.
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


@dataclass(frozen=True)
class _Value:
    """What a case is worth."""

    measure: float
    payback: float
    stress_days: float


def sensitivity_table(settings: PropertyFile, decided: Decided, built: Capital) -> pd.DataFrame:
    """Move one input at a time, play the printed sheet and today's timer, and value the plan.

    Nothing is set anew: this is what happens to what was handed over where an input is not as
    assumed. The base is the plan itself, so its value is that of the headline.

    Parameters
    ----------
    settings : PropertyFile
        Prices and life.
    decided : Decided
        The choice.
    built : Capital
        What it costs to build.

    Returns
    -------
    DataFrame
        As `Plan.sensitivity`, the greatest swing first.
    """
    study = _Study(settings, decided, built)
    plant = _DEVIATIONS * SPREAD.ornamental_factor / 2  # the mean of a property is surer than a bed
    cases: dict[str, tuple[tuple[str, _Case], tuple[str, _Case]]] = {
        "plant factor": _either("plant_scale", plant),
        "available water": _either("storage_scale", _DEVIATIONS * SPREAD.storage),
        "evenness": (
            (
                f"-{_DEVIATIONS * SPREAD.uniformity:.2f}",
                _Case(evenness=-_DEVIATIONS * SPREAD.uniformity),
            ),
            (
                f"+{_DEVIATIONS * SPREAD.uniformity:.2f}",
                _Case(evenness=_DEVIATIONS * SPREAD.uniformity),
            ),
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
    base = study.value(_Case())
    rows = []
    for name, ((low, low_case), (high, high_case)) in cases.items():
        values = study.value(low_case), study.value(high_case)
        ends = np.array([values[0].measure, values[1].measure, base.measure])
        known = ends[np.isfinite(ends)]
        rows.append(
            {
                "input": name,
                "low": low,
                "high": high,
                "value_low": values[0].measure,
                "value_high": values[1].measure,
                "value_base": base.measure,
                "payback_low": values[0].payback,
                "payback_high": values[1].payback,
                "stress_low": values[0].stress_days,
                "stress_high": values[1].stress_days,
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

    def __init__(self, settings: PropertyFile, decided: Decided, built: Capital) -> None:
        self._settings, self._decided, self._built = settings, decided, built
        played = decided.simulated.plan, decided.simulated.timer
        self._ran: dict[_Case, tuple[Watering, Watering | None]] = {_Case(): played}
        self.priced = settings.water.priced
        baseline = decided.simulated.timer is not None
        self.measure = "net saving a year" if baseline else "cost a year"
        if not self.priced:
            self.measure = "water saved a year" if baseline else "water a year"

    def value(self, case: _Case) -> _Value:
        """Return the measure, and the payback, NaN where there is none."""
        physical = replace(case, price=1.0, devices=1.0, minutes=1.0)
        if physical not in self._ran:
            self._ran[physical] = self._play(physical)
        plan, timer = self._ran[physical]
        planned, capital = self._money(plan, case), self._capital(case)
        stress = float(plan.worst_stress_days.max())
        yearly = capital / self._settings.costs.life_years if self.priced else 0.0
        if timer is None:
            return _Value(planned + yearly, float("nan"), stress)
        saved = case.minutes * self._money(timer, case) - planned
        if case.minutes != 1 and self._settings.water.tiers:
            longer = replace(timer, depth=timer.depth * case.minutes)
            saved = self._money(longer, case) - planned
        back = None
        if self.priced and self._settings.costs.given:
            back = payback_years(capital, saved)
        return _Value(saved - yearly, float("nan") if back is None else back, stress)

    def _capital(self, case: _Case) -> float:
        built = self._built
        return case.devices * (built.device + built.installation) + built.trench + built.wire

    def _money(self, ran: Watering, case: _Case) -> float:
        """Mean yearly cost of water, or water itself without a price."""
        monthly = self._decided.simulated.monthly(ran)
        if not self.priced:
            return float(monthly.sum(axis=0).mean())
        return case.price * float(water_cost(self._settings.water, monthly).mean())

    def _play(self, case: _Case) -> tuple[Watering, Watering | None]:
        """Play the printed sheet and today's timer under other inputs."""
        decided = self._decided
        roots = self._moved(decided.roots, case)
        plan = play_sheet(roots, decided.schedule, decided.sheet, rate=case.rate)
        if decided.simulated.timer is None:
            return plan, None
        depth = decided.simulated.timer.depth.max(axis=1) * case.rate
        return plan, as_watering(todays_timer(roots, depth, decided.schedule.today))

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
