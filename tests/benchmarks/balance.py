"""Zone-seasons of balance a second: ours, a plain numpy loop, and pyfao56, in the same run.

A zone-season is one zone of eight area classes through 214 days. Run on one core::

    python tests/benchmarks/balance.py

Every contender gets the same weather, soil and events. pyfao56 is a dual-coefficient model that
keeps a daily report and reads its inputs into tables; its figure is there for scale, not to rank.
"""

# ruff: noqa: E402

from __future__ import annotations

import argparse
import os
import time

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
import pandas as pd

from siting.water.balance import run_balance
from siting.water.seasonal import run_seasons

CLASSES, DAYS = 8, 214


def scene(zones: int, years: int) -> dict[str, np.ndarray]:
    """Zones of eight area classes under some years of weather."""
    rng = np.random.default_rng(7)
    season = 2 + 4 * np.sin(np.linspace(0.2, np.pi - 0.2, DAYS))
    eto = season[:, None] * rng.uniform(0.7, 1.3, (DAYS, years))
    rain = np.where(rng.random((DAYS, years)) < 0.2, rng.exponential(9.0, (DAYS, years)), 0.0)
    event = np.zeros((DAYS, years))
    event[::3] = 12.0
    taw = np.repeat(rng.uniform(20, 80, (zones, 1, 1)), CLASSES, axis=1)
    factor = rng.uniform(0.3, 0.9, (zones, CLASSES, 1))
    return {"eto": eto, "rain": rain, "irrigation": event, "factor": factor, "taw": taw,
            "raw": 0.5 * taw}  # fmt: skip


def ours(s: dict[str, np.ndarray]) -> np.ndarray:
    """Run the season totals of the package."""
    run = run_seasons(s["eto"], s["rain"], irrigation=s["irrigation"], factor=s["factor"],
                      taw=s["taw"], raw=s["raw"])  # fmt: skip
    return run.et_actual


def with_record(s: dict[str, np.ndarray]) -> np.ndarray:
    """Run the package's balance that keeps every day."""
    etc = s["eto"][:, None, None, :] * s["factor"]
    rain, event = (s[n][:, None, None, :] for n in ("rain", "irrigation"))
    return run_balance(rain, etc, irrigation=event, taw=s["taw"], raw=s["raw"]).et_actual.sum(
        axis=0
    )


def plain_loop(s: dict[str, np.ndarray]) -> np.ndarray:
    """Write the balance down as one would: numpy over places, a loop over days."""
    taw, raw = s["taw"], s["raw"]
    state = np.zeros(np.broadcast_shapes(taw.shape, s["factor"].shape, s["eto"][0].shape))
    total = np.zeros_like(state)
    for eto, rain, event in zip(s["eto"], s["rain"], s["irrigation"], strict=True):
        ks = np.clip((taw - state) / (taw - raw), 0.0, 1.0)
        et = np.minimum(ks * s["factor"] * eto, taw - state + rain + event)
        total += et
        state = np.maximum(state + et - rain - event, 0.0)
    return total


def peer(s: dict[str, np.ndarray], seasons: int) -> float:
    """Run pyfao56 on the classes of the first zone, year by year; seconds per zone-season."""
    import pyfao56

    started = time.perf_counter()
    for season in range(seasons):
        year = season % s["eto"].shape[1]
        for c in range(CLASSES):
            _peer_season(pyfao56, s, float(s["factor"][0, c, 0]), year)
    return (time.perf_counter() - started) / seasons


def _peer_season(pyfao56, s, factor: float, year: int) -> None:
    # It divides by the rise of its coefficient: a hair of one.
    par = pyfao56.Parameters(
        Kcbini=factor - 1e-6, Kcbmid=factor, Kcbend=factor - 1e-6, Lini=20, Ldev=50, Lmid=100,
        Lend=60, hini=0.1, hmax=0.12, thetaFC=0.23, thetaWP=0.11, theta0=0.23, Zrini=0.3,
        Zrmax=0.3, pbase=0.5, Ze=0.1, REW=8.0,
    )  # fmt: skip
    wth = pyfao56.Weather()
    days = pd.date_range("2021-04-01", periods=DAYS)
    keys = [f"{d.year:04d}-{d.dayofyear:03d}" for d in days]
    wth.wndht, wth.z, wth.lat, wth.rfcrp = 2.0, 10.0, 30.0, "S"
    wth.wdata = pd.DataFrame(
        {"Srad": 20.0, "Tmax": 30.0, "Tmin": 18.0, "Vapr": 1.8, "Tdew": np.nan, "RHmax": np.nan,
         "RHmin": np.nan, "Wndsp": 2.0, "Rain": s["rain"][:, year], "ETref": s["eto"][:, year],
         "MorP": "M"}, index=keys,
    )  # fmt: skip
    irr = pyfao56.Irrigation()
    for d in range(0, DAYS, 3):
        irr.addevent(days[d].year, days[d].dayofyear, 12.0, 1.0)
    pyfao56.Model(keys[0], keys[-1], par, wth, irr=irr).run()


def rate(run, s: dict[str, np.ndarray], repeats: int) -> float:
    """Return zone-seasons a second, the best of some runs."""
    count = s["taw"].shape[0] * s["eto"].shape[1]
    best = np.inf
    for _ in range(repeats):
        started = time.perf_counter()
        run(s)
        best = min(best, time.perf_counter() - started)
    return count / best


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--zones", type=int, default=400)
    parser.add_argument("--years", type=int, default=30)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--peer-seasons", type=int, default=2)
    given = parser.parse_args()
    s = scene(given.zones, given.years)
    np.testing.assert_allclose(ours(s), plain_loop(s), rtol=1e-9)
    print(f"{given.zones} zones x {given.years} years, {CLASSES} classes, {DAYS} days, one core")
    for label, run in (
        ("season totals (run_seasons)", ours),
        ("daily record (run_balance)", with_record),
        ("plain numpy loop", plain_loop),
    ):
        part = s if run is not with_record else scene(20, given.years)
        print(f"{label:32s} {rate(run, part, given.repeats):12,.0f} zone-seasons/s")
    try:
        print(f"{'pyfao56 (dual coefficient)':32s} {1 / peer(s, given.peer_seasons):12,.2f}"
              " zone-seasons/s")  # fmt: skip
    except ImportError:
        print("pyfao56 is not installed")


if __name__ == "__main__":
    main()
