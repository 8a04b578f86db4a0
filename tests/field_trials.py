"""Bypass control as the model has it, on seasons like those of published field trials.

The trials are told in few words (their papers were read in abstract), so what they do not say is
run over a range: timers that replace the historical ETc of each month whatever rains, or put out
1.3 times the need (net irrigation over evenness) with the same minutes all season; thresholds 10,
20 and 35 % of the available water below the soak reading. A sensor in the driest quarter is wrong
by 1.4 % by volume for good and 0.56 from day to day. Seasons are invented from normals of a like
climate, 60 each.

``python -m tests.field_trials`` prints the table of `siting/docs/pages/method.md`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from siting.climate.readers import daily_from_normals
from siting.water.balance import curve_number, entering_rain
from siting.water.plants import TURF_FACTORS
from siting.water.reference_et import eto_terms
from tests.ordinary import CLIMATES
from tests.replay import Sensor, Sheet, Zone, play

YEARS = 60
EVENNESS = 0.65
THRESHOLDS = (0.10, 0.20, 0.35)
ERROR, NOISE = 0.014, 0.0056
#: Days of a week on which the timer runs.
WEEK = {1: (2,), 2: (1, 4), 7: tuple(range(7))}
TIMERS = ("historical ETc", 1.3)


@dataclass(frozen=True)
class Ground:
    """Turf of a trial: climate, turf factors, soil, water it holds [m3/m3], roots [m].

    rainy: the months told as wet, of the third of the years with most rain less ETc; the others,
    of the third with least, are told as dry.
    """

    climate: str
    turf: str
    soil: str
    capacity: float
    roots: float
    rainy: tuple[int, ...]


GROUNDS = {
    "Florida, warm-season turf on sand": Ground(
        "humid, no winter", "warm_season_florida", "sand", 0.075, 0.30, (6, 7, 8, 9)
    ),
    "Carolina, cool-season turf on clay loam": Ground(
        "humid, mild winter", "cool_season_california", "clay loam", 0.13, 0.25, (7, 8, 9)
    ),
    "dry summer, cool-season turf on loam": Ground(
        "dry summer", "cool_season_california", "loam", 0.14, 0.25, (4, 10)
    ),
}


class Seasons(NamedTuple):
    """Demand and rain (D, W) [mm], months (D,)."""

    etc: np.ndarray
    rain: np.ndarray
    month: np.ndarray


class Saving(NamedTuple):
    """Shares of water saved: rainy months of wet years, dry months of dry years, all; mean stress
    days of a season with the sensor and without."""

    wet: float
    dry: float
    all: float
    stress: float
    timer_stress: float


@cache
def seasons(name: str) -> Seasons:
    """The seasons of a ground."""
    ground = GROUNDS[name]
    climate = CLIMATES[ground.climate]
    normals = {k: getattr(climate, k) for k in ("rain_mm", "wet_days", "tmin_c", "tmax_c")}
    daily = daily_from_normals(
        pd.DataFrame(normals), years=YEARS, first_year=1961, seed=11, latitude=climate.latitude
    )
    dates = pd.DatetimeIndex(daily["date"])
    daily = daily.set_index(dates).rename(columns={"wind_m_s": "wind_2m_m_s"})
    eto = eto_terms(daily, latitude=climate.latitude, elevation_m=climate.elevation_m).open_sky
    etc = eto * np.array(TURF_FACTORS[ground.turf].values)[dates.month - 1]
    rain = daily["rain_mm"].to_numpy()[:, None]
    entered = entering_rain(rain, eto[:, None], number=curve_number(ground.soil))[:, 0]
    first, last = climate.season
    inside = np.asarray((dates.strftime("%m-%d") >= first) & (dates.strftime("%m-%d") <= last))
    shape = (YEARS, int(inside.sum()) // YEARS)
    month = np.asarray(dates.month)[inside][: shape[1]]
    return Seasons(etc[inside].reshape(shape).T, entered[inside].reshape(shape).T, month)


def need_mm(name: str) -> float:
    """Mean season's net irrigation, refilled whenever half is used up, over evenness."""
    ground, weather = GROUNDS[name], seasons(name)
    taw = 1000 * ground.capacity * ground.roots
    dry, water = np.zeros(YEARS), 0.0
    for etc, rain in zip(weather.etc, weather.rain, strict=True):
        refill = np.where(dry >= taw / 2, dry, 0.0)
        water += float(refill.mean())
        dry = np.maximum(dry - refill + etc - rain, 0.0)
    return water / EVENNESS


def depths(name: str, timer: str | float, on: np.ndarray) -> dict[int, float]:
    """Depth of an event by month [mm, zone mean]."""
    weather = seasons(name)
    months = {int(m): weather.month == m for m in np.unique(weather.month)}
    if timer == "historical ETc":
        return {
            month: float(weather.etc[inside].sum(axis=0).mean() / on[inside].sum())
            for month, inside in months.items()
        }
    return dict.fromkeys(months, float(timer) * need_mm(name) / float(on.sum()))


@cache
def saving(name: str, timer: str | float, per_week: int, threshold: float) -> Saving:
    """Play the timer alone, and with a sensor on it."""
    ground, weather = GROUNDS[name], seasons(name)
    on = np.isin(np.arange(len(weather.month)) % 7, WEEK[per_week])
    days = np.repeat(on[:, None], YEARS, axis=1)
    spread = (1 - EVENNESS) * np.array([-1, -1 / 3, 1 / 3, 1])
    taw = np.full(YEARS, 1000 * ground.capacity * ground.roots)
    zone = Zone(
        etc=np.repeat(weather.etc[None], len(spread), axis=0),
        rain=weather.rain,
        taw=taw,
        raw=taw / 2,
        receives=np.repeat(1 + spread[:, None], YEARS, axis=1),
        rate=1.0,
        minutes=depths(name, timer, on),
        layer=min(1.0, 2 * 0.0762 / ground.roots),
    )
    rng = np.random.default_rng(17)
    error = ERROR * rng.standard_normal(YEARS) + NOISE * rng.standard_normal(days.shape)
    drop = threshold * ground.capacity
    sensor = Sensor("Turf", ("Turf",), days, drop, ground.capacity, error)
    alone = play(Sheet({"Turf": zone}, weather.month, timer={"Turf": days}))["Turf"]
    ran = play(Sheet({"Turf": zone}, weather.month, (sensor,)))["Turf"]
    depth = np.array([zone.minutes[int(m)] for m in weather.month])[:, None]
    used, before = depth * ran.ran, depth * alone.ran
    rainy = np.isin(weather.month, ground.rainy)
    order = np.argsort((weather.rain - weather.etc).sum(axis=0))
    wet, dry = np.ix_(rainy, order[-YEARS // 3 :]), np.ix_(~rainy, order[: YEARS // 3])
    return Saving(
        *(float(1 - used[part].sum() / before[part].sum()) for part in (wet, dry, slice(None))),
        float(ran.stress_days.mean()),
        float(alone.stress_days.mean()),
    )


def cases(name: str, per_week: int) -> list[Saving]:
    """Every timer and threshold."""
    return [saving(name, timer, per_week, t) for timer in TIMERS for t in THRESHOLDS]


def table() -> list[str]:
    """The table: least to greatest over timers and thresholds."""
    lines = []
    for name in GROUNDS:
        for per_week in WEEK:
            runs = cases(name, per_week)
            told = [
                f"{100 * min(values):.0f} to {100 * max(values):.0f}"
                for values in zip(*(run[:3] for run in runs), strict=True)
            ]
            stress = [
                f"{min(values):.0f} to {max(values):.0f}"
                for values in zip(*(run[3:] for run in runs), strict=True)
            ]
            lines.append(f"| {name} | {per_week} | " + " | ".join(told + stress) + " |")
    return lines


if __name__ == "__main__":
    print("\n".join(table()))
