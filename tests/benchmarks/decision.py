"""How long the decision takes once the sun is known: 40 zones, 12 scenarios, 10 years.

    python -m tests.benchmarks.decision [zones] [scenarios] [years]

Simulates every zone as governor under every setting of both kinds of control, finds every
follower's run time, and solves the whole curve of 1 to 6 sensors with hardware and shared trench.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd
from shapely.geometry import box

from siting._plan_choice import decide
from siting._plan_control import governors
from siting._plan_options import Options, Prices
from siting._plan_schedule import Schedule
from siting.season import RootZones
from siting.site.settings import HARDWARE
from siting.wiring import TrenchNetwork

PLANTS = ("cool_season_turf", "warm_season_turf", "shrubs", "perennials")


def invented(zones: int, scenarios: int, years: int, *, seed: int = 3) -> tuple[RootZones, Options]:
    """Return the inputs of a decision for an invented property."""
    rng = np.random.default_rng(seed)
    days, runs = 245, scenarios * years
    season = 4.2 + 1.8 * np.sin(np.pi * np.arange(days) / days)
    factor = rng.choice([0.4, 0.5, 0.65, 0.8], zones)
    sun = rng.uniform(0.5, 1.0, zones)
    etc = season[None, :, None] * (factor * sun)[:, None, None]
    etc = etc * rng.uniform(0.7, 1.3, (1, days, runs)) * rng.normal(1, 0.05, (zones, 1, runs))
    wet = rng.random((days, runs)) < 0.2
    taw = rng.uniform(22, 80, (zones, 1)) * rng.normal(1, 0.08, (zones, runs)).clip(0.8, 1.2)
    share = rng.choice([0.4, 0.5], zones)
    roots = RootZones(
        etc=etc.clip(0.05),
        rain=np.where(wet, rng.exponential(9, (days, runs)), 0.0),
        taw=taw,
        raw=taw * share[:, None],
        application=rng.uniform(0.6, 0.9, (zones, 1)) * np.ones((1, runs)),
        sensor_share=rng.choice([0.5, 0.7, 1.0], zones),
        threads=2,
        reading_error=0.03 * rng.standard_normal((days, runs)),
    )
    rate = rng.choice([12.0, 20.0, 36.0], zones)
    twice = np.repeat((np.arange(days) % 2 == 0)[:, None], runs, axis=1)
    pool, _ = governors(
        roots,
        kinds=("bypass", "on_demand"),
        schedule=Schedule(twice, twice, np.ones_like(twice)),
        depletion_fraction=share,
        cap=5.0,
        per_minute=rate / 60,
        names=[str(z) for z in range(zones)],
    )
    points = rng.uniform(5, 195, (zones, 2))
    network = TrenchNetwork(
        points,
        np.array([[1.0, 1.0]]),
        np.zeros(zones, dtype=np.int64),
        boundary=box(0, 0, 200, 200),
        buildings=[],
        paving=[],
        paving_factor=3.0,
    )
    table = pd.DataFrame(
        {
            "area_m2": rng.uniform(80, 900, zones),
            "need_score": rng.uniform(5, 30, zones),
            "plants": rng.choice(PLANTS, zones),
            "controller": "C1",
            "admissible": True,
        },
        index=pd.Index([str(z) for z in range(zones)], name="zone"),
    )
    prices = Prices(
        water=2.0,
        connection=(6 * network.own + 0.8 * network.wire) / 10,
        hardware=HARDWARE,
        life_years=10.0,
        trench=network,
        trench_per_m=0.6,
    )
    return roots, Options(pool=pool, zones=table, prices=prices, rate=rate, years=years)


def main() -> None:
    """Print the time of each part."""
    zones, scenarios, years = (int(a) for a in [*sys.argv[1:], "40", "12", "10"][:3])
    begin = time.perf_counter()
    _, options = invented(zones, scenarios, years)
    simulated = time.perf_counter()
    decision = decide(options, max_sensors=6)
    end = time.perf_counter()
    count = len(options.pool.zone)
    print(f"{zones} zones, {scenarios} scenarios, {years} years, {count} candidates")
    print(f"simulation and run times  {simulated - begin:6.2f} s")
    print(f"choice of 1 to 6 sensors  {end - simulated:6.2f} s")
    print(f"decision                  {end - begin:6.2f} s")
    print(decision.choices.drop(columns="groups").to_string())
    print(decision.facts["exactness"])


if __name__ == "__main__":
    main()
