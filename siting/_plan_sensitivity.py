"""What moves the result: one input at a time, the sensors where they are, run times set anew."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_known import Decided
from siting._plan_scenarios import SPREAD
from siting.economics import Capital, payback_years, water_cost
from siting.season import (
    RootZones,
    Watering,
    bypass_events,
    follower_factor,
    least_depth,
    on_demand_events,
)
from siting.site.settings import PropertyFile

__all__ = ["sensitivity_table"]

_Array = NDArray[np.float64]

#: How far money and today's minutes are moved, as a share; physical inputs by two standard
#: deviations of the scenarios.
_SPAN: Final = 0.25
_DEVIATIONS: Final = 2.0


@dataclass(frozen=True)
class _Case:
    """One set of inputs, relative to the property as described."""

    price: float = 1.0
    devices: float = 1.0
    plant_factor: float = 1.0
    storage: float = 1.0
    minutes: float = 1.0
    cap: float | None = None


def sensitivity_table(
    settings: PropertyFile, decided: Decided, built: Capital, *, per_minute: _Array
) -> pd.DataFrame:
    """Move one input at a time and say what the plan is worth then.

    Sensors, thresholds and groups stay; depths and run times are set anew for the moved input, on
    every weather year of the property as described (no scenarios).

    Parameters
    ----------
    settings : PropertyFile
        Prices, life and limits.
    decided : Decided
        The choice.
    built : Capital
        What it costs to build.
    per_minute : ndarray, shape (Z,)
        What each valve applies in a minute [mm].

    Returns
    -------
    DataFrame
        As `Plan.sensitivity`, the greatest swing first.
    """
    study = _Study(settings, decided, built, per_minute)
    cap = settings.control.max_stress_days
    plant, storage = _DEVIATIONS * SPREAD.plant_factor, _DEVIATIONS * SPREAD.storage
    cases: dict[str, tuple[tuple[str, _Case], tuple[str, _Case]]] = {
        "plant factor": _either("plant_factor", plant),
        "available water": _either("storage", storage),
        "stress limit": (("0 d", _Case(cap=0.0)), (f"{2 * cap:g} d", _Case(cap=2 * cap))),
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
        ends = np.array([values[0][0], values[1][0], base[0]])
        known = ends[np.isfinite(ends)]
        rows.append(
            {
                "input": name,
                "low": low,
                "high": high,
                "value_low": values[0][0],
                "value_high": values[1][0],
                "value_base": base[0],
                "payback_low": values[0][1],
                "payback_high": values[1][1],
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

    def __init__(
        self, settings: PropertyFile, decided: Decided, built: Capital, per_minute: _Array
    ) -> None:
        self._settings, self._decided, self._built = settings, decided, built
        self._per_minute = per_minute
        self._ran: dict[_Case, Watering | None] = {}
        self._years = decided.simulated.years
        described = np.arange(self._years)  # scenario 0
        roots = decided.roots
        rain = np.ascontiguousarray(roots.rain[..., described])
        self._roots = RootZones(
            roots.etc[..., described],
            rain,
            roots.taw[:, described],
            roots.raw[:, described],
            roots.application[:, described],
        )
        self.priced = settings.water.priced
        baseline = decided.simulated.timer is not None
        self.measure = "net saving a year" if baseline else "cost a year"
        if not self.priced:
            self.measure = "water saved a year" if baseline else "water a year"

    def value(self, case: _Case) -> tuple[float, float]:
        """Return the measure and the payback, NaN where there is none."""
        physical = replace(case, price=1.0, devices=1.0, minutes=1.0)
        if physical not in self._ran:
            self._ran[physical] = self._run(physical)
        ran = self._ran[physical]
        if ran is None:
            return float("nan"), float("nan")
        planned, capital = self._money(ran, case), self._capital(case)
        yearly = capital / self._settings.costs.life_years if self.priced else 0.0
        timer = self._decided.simulated.timer
        if timer is None:
            return planned + yearly, float("nan")
        described = Watering(
            timer.depth[..., : self._years] * case.minutes, timer.stress_days[:, : self._years]
        )
        saved = self._money(described, case) - planned
        back = None
        if self.priced and self._settings.costs.given:
            back = payback_years(capital, saved)
        return saved - yearly, float("nan") if back is None else back

    def _capital(self, case: _Case) -> float:
        built = self._built
        return case.devices * (built.device + built.installation) + built.trench + built.wire

    def _money(self, ran: Watering, case: _Case) -> float:
        """Mean yearly cost of water, or water itself without a price."""
        monthly = self._decided.simulated.monthly(ran)
        if not self.priced:
            return float(monthly.sum(axis=0).mean())
        return case.price * float(water_cost(self._settings.water, monthly).mean())

    def _run(self, case: _Case) -> Watering | None:
        """Set depths and run times anew; None where the sensors cannot keep the limit."""
        decision = self._decided.decision
        pool, choice = decision.governors, decision.choice
        roots = replace(
            self._roots,
            etc=self._roots.etc * case.plant_factor,
            taw=self._roots.taw * case.storage,
            raw=self._roots.raw * case.storage,
        )
        limit = self._settings.control.max_stress_days
        caps = np.where(pool.caps > limit, pool.caps, limit if case.cap is None else case.cap)
        sensors = np.array(choice.sensors, dtype=np.int64)
        homes = pool.zone[sensors]
        governed = self._governed(roots, sensors, caps)
        found = follower_factor(roots, governed, zone=homes, cap=caps)
        at, every = np.searchsorted(sensors, choice.governor), np.arange(len(choice.governor))
        factor = found.factor[at, every]
        if not np.isfinite(factor).all():
            return None
        depth = factor[:, None, None] * governed.depth[at]
        return Watering(depth, np.zeros((len(depth), self._years)))

    def _governed(self, roots: RootZones, sensors: NDArray[np.int64], caps: _Array) -> Watering:
        """Run the sensors, each with the least depth that keeps its own zone within its limit."""
        pool, schedule = self._decided.decision.governors, self._decided.schedule
        depth = np.zeros((len(sensors), *roots.etc.shape[1:]))
        stress = np.zeros((len(sensors), self._years))
        starts = np.array([pool.kind[j] == "on_demand" for j in sensors])
        for chosen in (starts, ~starts):
            if not chosen.any():
                continue
            home, low = pool.zone[sensors[chosen]], pool.low[sensors[chosen]]
            if chosen is starts:
                ran = on_demand_events(
                    roots,
                    zone=home,
                    low_fraction=low,
                    high_fraction=pool.high[sensors[chosen]],
                    days=schedule.allowed[:, : self._years],
                )
            else:
                days, step = schedule.timer[:, : self._years], self._per_minute[home]
                least = least_depth(
                    roots, zone=home, threshold_fraction=low, days=days, cap=caps[home], step=step
                )
                ran = bypass_events(
                    roots, zone=home, depth=least.depth, threshold_fraction=low, days=days
                )
            depth[chosen], stress[chosen] = ran.depth, ran.stress_days
        return Watering(depth, stress)
