"""What a season's log says of the scenarios that a plan was drawn on, and what to decide after it.

Every drawn scenario says how the ground round a sensor should have dried: its plants' demand, its
soil's storage and the evenness of its watering are put into the plan's own balance with the valve's
runs and the weather of the log. A scenario is weighed by how likely the log is under it: importance
weights over the drawn scenarios, a particle filter of one step. How many scenarios are left in
effect is told, and where no scenario explains the log, or hardly one is left, nothing is decided.

A log differs from the balance by three errors: a constant one, of the sensor and of the soil's
field capacity; one of the balance itself, alike over some days; and the noise of a day.

References
----------
Gordon, N. J., Salmond, D. J. and Smith, A. F. M. (1993) Novel approach to nonlinear/non-Gaussian
Bayesian state estimation, IEE Proc. F 140, 107-113: weights of drawn states.
Kong, A., Liu, J. S. and Wong, W. H. (1994) Sequential imputations and Bayesian missing data
problems, J. Am. Stat. Assoc. 89, 278-288: the effective sample size.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from scipy.linalg import cho_solve, cholesky

from siting.arrays import Floats
from siting.commission.health import Health
from siting.commission.signal import modelled_contents
from siting.decide.choice import ALIKE, SURE
from siting.decide.decision import sheet_again
from siting.planning.model import Basis, Plan
from siting.units import figure, show

#: Standard deviations [m³/m³] of what the soil's field capacity is off by, of the balance, and over
#: how many days that is alike. Set so that what the balance leaves of 25 healthy logs of the tests'
#: simulator, whose soils are off by more than a plan's, is about as expected (median 1.25 of it).
_LEVEL: Final = 0.05
_BALANCE: Final = 0.035
_ALIKE_DAYS: Final = 10.0
_DAYS_NOISE: Final = 0.005  # of a day's mean [m³/m³]; judgement
_FEWEST_DAYS: Final = 28
#: With fewer scenarios left in effect, or a misfit (mean square, 1 is as expected) beyond this, the
#: log says nothing of the plan; judgement.
_FEWEST_LEFT: Final = 5.0
_MISFIT: Final = 2.5
#: Findings after which a log says nothing of the ground that it lies in.
_BLIND: Final = frozenset({"dead", "wrong_zone", "air_gap", "downspout"})


@dataclass(frozen=True)
class Weighed:
    """Scenarios after a log.

    weights (S,): sum to 1; left: scenarios left in effect; misfit: mean square of what the best of
    them leaves unexplained, over what is expected; sensors: whose logs were used.
    """

    weights: Floats
    left: float
    misfit: float
    sensors: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Whether anything may be decided by them."""
        return self.left >= _FEWEST_LEFT and self.misfit <= _MISFIT


def likelihoods(log: pd.Series, modelled: Floats, *, sensor_error: float) -> tuple[Floats, Floats]:
    """Return how likely a log is under each scenario, and its mean square misfit.

    log: daily content, T days; modelled (T, S): of each scenario, on the same days [m³/m³];
    sensor_error: standard deviation of the sensor's constant error [m³/m³]. Result: logarithms of
    the likelihoods but for a constant, (S,), and misfits, (S,).
    """
    day = (pd.DatetimeIndex(log.index) - log.index[0]) / pd.Timedelta(days=1)
    apart = np.abs(np.subtract.outer(day.to_numpy(dtype=float), day.to_numpy(dtype=float)))
    level = _LEVEL**2 + sensor_error**2
    among = level + _BALANCE**2 * np.exp(-apart / _ALIKE_DAYS)
    factor = cholesky(among + _DAYS_NOISE**2 * np.eye(len(day)), lower=True)
    miss = log.to_numpy(dtype=float)[:, None] - modelled
    square = (miss * cho_solve((factor, True), miss)).sum(axis=0)
    return -square / 2, square / len(day)


def weigh(
    plan: Plan,
    health: Mapping[str, Health],
    events: pd.DataFrame,
    weather: pd.DataFrame,
    *,
    count: int | None = None,
) -> Weighed | None:
    """Weigh a plan's scenarios by the logs of its healthy sensors; None where there are none.

    count: of scenarios; those that sensors were chosen on where it is not given.
    """
    basis = plan.basis
    if not isinstance(basis, Basis) or basis.known.scenarios.count == 1:
        return None
    drawn = basis.known.scenarios
    if count is not None:
        drawn = replace(drawn, count=count)
    total, misfit = np.zeros(drawn.count), np.zeros(drawn.count)
    used: list[str] = []
    for tag, found in health.items():
        if found.expected is None or any(one.kind in _BLIND for one in found.findings):
            continue
        zone = found.expected.zone
        row = plan.zones.loc[zone]
        even = float(row["distribution_uniformity"])
        measured = basis.known.application[zone].measured
        modelled = modelled_contents(
            found.expected,
            events=events,
            weather=weather,
            crop=drawn.plants([str(row["plants"])])[0],
            storage=drawn.soils([str(basis.known.water.loc[zone, "soil_class"])])[0],
            # The driest ground is taken to get the least water, as where the plan was made.
            received=np.ones(drawn.count)
            if measured
            else np.clip(even + drawn.uniformity, 0.2, 1.0),
        )
        daily = found.signal.raw.resample("1D").mean().dropna()
        daily = daily[daily.index.isin(modelled.index)]
        if len(daily) < _FEWEST_DAYS:
            continue
        likely, square = likelihoods(
            daily,
            modelled.loc[daily.index].to_numpy(dtype=float),
            sensor_error=plan.settings.control.sensor_error,
        )
        total, used = total + likely, [*used, str(tag)]
        misfit = np.maximum(misfit, square)
    if not used:
        return None
    weights = np.exp(total - total.max())
    weights = weights / weights.sum()
    best = int(weights.argmax())
    return Weighed(weights, float(1 / (weights**2).sum()), float(misfit[best]), tuple(used))


def season_words(plan: Plan, weighed: Weighed) -> tuple[str, ...]:
    """Say what the logs say of the scenarios, and whether a further sensor now pays."""
    count = len(weighed.weights)
    head = (
        f"The logs of {', '.join(weighed.sensors)} leave {weighed.left:.0f} of {count} scenarios "
        "in effect"
    )
    if weighed.misfit > _MISFIT:
        return (
            f"None of the {count} scenarios explains the logs of {', '.join(weighed.sensors)} "
            f"(misfit {weighed.misfit:.1f} times as expected), so nothing is decided by them: "
            "check rates, plants and soil against the ground.",
        )
    if not weighed.sound:
        return (f"{head}: too few to decide anything by.",)
    return (f"{head}{_moved(plan, weighed)}.", *_further(plan, weighed))


def next_sheet(plan: Plan, weighed: Weighed | None) -> pd.DataFrame:
    """Set the sheet of the next season by weighed scenarios, the one of now beside it.

    The scenarios are drawn anew by their weights and the sheet is set on them by the search that
    set it before; both sheets are then played through them, as printed. weighed: of as many
    scenarios as the sheet was set on. Result: index `zone`, those that a sensor governs; valve,
    sensor_id, run_minutes and run_minutes_now [min], step_vwc and step_vwc_now (how far below field
    capacity the sensor starts) [m³/m³], water_m3 and water_m3_now, stress_days and stress_days_now
    (worst season of ten) [d]; empty where the log decides nothing.
    """
    basis = plan.basis
    if weighed is None or not weighed.sound or not isinstance(basis, Basis):
        return pd.DataFrame()
    printed = basis.printed
    if printed is None or len(weighed.weights) != printed.count:
        return pd.DataFrame()
    drawn = replace(basis.known.scenarios, count=printed.count).weighed(weighed.weights)
    known = replace(basis.known, scenarios=drawn)
    sheet, now, then = sheet_again(plan.site, plan.settings, known, printed)
    old, rate = printed.sheet, plan.zones["precipitation_rate"].to_numpy(dtype=float) / 60
    of_zone = {home: plan.zones.index[home] for home in sheet.home.values()}
    tags = {str(row["zone"]): str(tag) for tag, row in plan.sensors.iterrows()}
    rows = {}
    for z in np.flatnonzero(sheet.governor >= 0):
        j = int(sheet.governor[z])
        home = of_zone[sheet.home[j]]
        water = basis.known.water.loc[home]
        held = float(water["field_capacity"]) - float(water["wilting_point"])
        area = float(printed.area_m2[z])
        rows[str(plan.zones.index[z])] = {
            "valve": plan.zones["valve"].iloc[z],
            "sensor_id": tags[str(home)],
            "run_minutes": round(float(sheet.event_mm[z] / rate[z])),
            "run_minutes_now": round(float(old.event_mm[z] / rate[z])),
            "step_vwc": sheet.low[j] * held,
            "step_vwc_now": old.low[j] * held,
            "water_m3": float(then.water_mm[z].mean()) * area / 1000,
            "water_m3_now": float(now.water_mm[z].mean()) * area / 1000,
            "stress_days": float(then.worst_stress_days[z]),
            "stress_days_now": float(now.worst_stress_days[z]),
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("zone")


def sheet_words(plan: Plan, table: pd.DataFrame) -> tuple[str, ...]:
    """Say what `next_sheet` sets, what stands now in brackets, and what both do."""
    if table.empty:
        return ()
    units = plan.settings.units
    lines = []
    for zone, row in table.iterrows():
        water, stood = (show(row[name], "volume", units) for name in ("water_m3", "water_m3_now"))
        lines.append(
            f"Valve {row['valve']}, {zone}: {row['run_minutes']} minutes (now "
            f"{row['run_minutes_now']}), {row['sensor_id']} starts {100 * row['step_vwc']:.1f} "
            f"points of volume below field capacity (now {100 * row['step_vwc_now']:.1f}). Played "
            f"through the weighed scenarios that uses {water} a season (now {stood}), and runs "
            f"short on {row['stress_days']:.1f} days of the worst season of ten (now "
            f"{row['stress_days_now']:.1f})."
        )
    same = all((table[name] == table[f"{name}_now"]).all() for name in ("run_minutes", "step_vwc"))
    told = "nothing of it changes" if same else "set it before the season begins"
    return (f"Set anew on the weighed scenarios, by the search that set it before: {told}. Zones "
            "without a sensor keep their programme.", *lines)  # fmt: skip


def _moved(plan: Plan, weighed: Weighed) -> str:
    """Say what the logs make of plants and soil in the zones that were logged."""
    basis = plan.basis
    if not isinstance(basis, Basis):
        return ""
    told = []
    for tag in weighed.sensors:
        row = plan.zones.loc[plan.sensors.loc[tag, "zone"]]
        soil = str(basis.known.water.loc[plan.sensors.loc[tag, "zone"], "soil_class"])
        for name, values in (
            (
                f"the demand of {row['plants']}".replace("_", " "),
                basis.known.scenarios.plants([str(row["plants"])])[0],
            ),
            (f"the water that {soil} holds", basis.known.scenarios.soils([soil])[0]),
        ):
            mean = float(weighed.weights @ values)
            sd = float(np.sqrt(weighed.weights @ (values - mean) ** 2))
            told.append(f"{name} {mean:.2f} times as assumed (± {sd:.2f})")
    return ": " + ", ".join(dict.fromkeys(told))


def _further(plan: Plan, weighed: Weighed) -> tuple[str, ...]:
    """Say whether a further sensor pays, by the weighed scenarios."""
    table, now = plan.regret, len(plan.sensors)
    numbers = {int(str(name).split()[0]): name for name in table.index if _NUMBER in str(name)}
    more = min((n for n in numbers if n > now), default=None)
    if now not in numbers or more is None or not plan.settings.water.priced:
        return ("A further sensor would change nothing in any scenario.",) if now in numbers else ()
    mine, other = (np.array(table.loc[numbers[n], "by_scenario"]) for n in (now, more))
    gain = mine - other
    if len(gain) != len(weighed.weights):
        return ()
    worth, share = float(weighed.weights @ gain), float(weighed.weights @ (gain > 0))
    cost = float(table.loc[numbers[more], "cost_per_year"])
    pays = worth > ALIKE * cost and share >= SURE
    currency = plan.settings.water.currency
    verdict = "now pays" if pays else "still does not pay"
    return (
        f"{more} sensors instead of {now}: that {verdict}. By the weighed scenarios it is worth "
        f"{_signed(worth)} {currency} a year and pays in {100 * share:.0f} of 100, before the log "
        f"{_signed(float(gain.mean()))} {currency} and {100 * float((gain > 0).mean()):.0f}; it is "
        f"bought where it is worth a twentieth of the yearly cost and pays in {100 * SURE:.0f}.",
    )


_NUMBER: Final = " sensor"


def _signed(value: float) -> str:
    return f"-{figure(-value)}" if value <= -0.5 else figure(value)  # noqa: PLR2004 - rounds to 0
