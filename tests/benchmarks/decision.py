"""How long the decision takes once the sun is known: 40 zones, 64 scenarios, 10 years.

    python -m tests.benchmarks.decision [zones] [scenarios] [years]

Simulates every zone as governor under every threshold and set of days, finds every follower's run
time, and solves the whole curve of 1 to 6 sensors with hardware and shared trench.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from shapely.geometry import box

from siting.decide.choice import Options, Prices, decide
from siting.decide.governors import Trial, governors, todays_timer
from siting.season.events import RootZone, watering_days
from siting.site.settings import HARDWARE, Control, Timer
from siting.wire.routes import TrenchNetwork

PLANTS = ("cool_season_turf", "warm_season_turf", "shrubs", "perennials")
CLASSES, DAYS = 4, 245


@dataclass(frozen=True)
class InventedRoots:
    """Invented root zones, asked like those of a property."""

    roots: tuple[RootZone, ...]
    per_minute: np.ndarray
    capacity: np.ndarray
    depletion_fraction: np.ndarray
    years: int
    threads: int = 2
    count: int = field(init=False)

    def __post_init__(self) -> None:
        """Count the zones."""
        object.__setattr__(self, "count", len(self.roots))

    def zone(self, z: int) -> RootZone:
        """Return one zone's root zone."""
        return self.roots[z]


def invented_roots(
    rng: np.random.Generator, zones: int, scenarios: int, years: int, rate: np.ndarray
) -> InventedRoots:
    """Return the root zones of an invented property."""
    runs = scenarios * years
    season = 4.2 + 1.8 * np.sin(np.pi * np.arange(DAYS) / DAYS)
    weather = season[:, None] * rng.uniform(0.7, 1.3, (DAYS, runs))
    wet = rng.random((DAYS, runs)) < 0.2
    rain = np.where(wet, rng.exponential(9, (DAYS, runs)), 0.0)
    share, capacity = rng.choice([0.4, 0.5], zones), rng.uniform(0.09, 0.18, zones)
    roots = []
    for z in range(zones):
        factor = rng.choice([0.4, 0.5, 0.65, 0.8]) * rng.uniform(0.5, 1.0)
        sun = np.linspace(1.1, 0.9, CLASSES)[:, None, None] * rng.normal(1, 0.05, runs)
        taw = capacity[z] * 1000 * rng.uniform(0.2, 0.45) * rng.normal(1, 0.08, runs).clip(0.8, 1.2)
        uneven = 1 - rng.uniform(0.55, 0.9)
        pattern = 1 + uneven * np.linspace(-1, 1, CLASSES)
        roots.append(
            RootZone(
                etc=(weather * factor * sun).clip(0.05),
                rain=rain,
                taw=taw,
                raw=taw * share[z],
                application=np.repeat(pattern[:, None], runs, axis=1),
                sensor_share=float(rng.choice([0.5, 0.7, 1.0])),
                reading_error=0.1 * rng.standard_normal(runs)
                + 0.04 * rng.standard_normal((DAYS, runs)),
                described_mm=float(taw.mean()),
            )
        )
    return InventedRoots(tuple(roots), rate / 60, capacity, share, years)


def invented(zones: int, scenarios: int, years: int, *, seed: int = 3) -> Options:
    """Return what may be chosen on an invented property whose timer waters every other day."""
    rng = np.random.default_rng(seed)
    rate = rng.choice([12.0, 20.0, 36.0], zones)
    roots = invented_roots(rng, zones, scenarios, years, rate)
    first = np.arange("2021-03-01", "2021-11-01", dtype="datetime64[D]")[:DAYS]
    dates = np.stack([first + 365 * y for y in range(years)], axis=1)
    schedule = watering_days(dates, Timer(every_n_days=2), Control(), scenarios=scenarios)
    depth = np.array([2.2 * float(root.etc.mean()) for root in roots.roots])
    names = [str(z) for z in range(zones)]
    trial = Trial(
        roots=roots,  # type: ignore[arg-type]
        schedule=schedule,
        today=todays_timer(roots, depth, schedule.today),  # type: ignore[arg-type]
        today_minutes=depth / rate * 60,
        controller=np.zeros(zones, dtype=np.int64),
        irrigation=("spray",) * zones,
        sensor_error=0.014,
        cap=5.0,
        heal=False,
    )
    pool, _ = governors(trial, kinds=("bypass", "on_demand"), names=names)
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
        index=pd.Index(names, name="zone"),
    )
    prices = Prices(
        water=2.0,
        connection=(6 * network.own + 0.8 * network.wire) / 10,
        hardware=HARDWARE,
        life_years=10.0,
        trench=network,
        trench_per_m=0.6,
    )
    return Options.of(pool, table, prices, years=years)


def main() -> None:
    """Print the time of each part."""
    given = sys.argv[1:]
    zones, scenarios, years = (int(a) for a in [*given, *("40", "64", "10")[len(given) :]])
    begin = time.perf_counter()
    options = invented(zones, scenarios, years)
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
