"""Ordinary yards, invented at random: a house, lawns on sprays or rotors, beds on drip, some trees.

Their timers put out 0.9 to 1.3 times the need (net irrigation over evenness), the same minutes all
season, as most timers are set; evenness is 0.55 to 0.80; devices cost 150 to 400 and their
installation 100 to 200. A number gives the same yard every time.

``python -m tests.ordinary FOLDER [COUNT]`` writes them to look at.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import affinity
from shapely.geometry import Point, box

from siting import survey_property
from siting.climate.readers import daily_from_normals

__all__ = ["CLIMATES", "COUNT", "Yard", "ordinary_yard"]

COUNT = 30
#: Least and most that a timer puts out over the need.
RATIO = (0.9, 1.3)


@dataclass(frozen=True)
class Climate:
    """Monthly normals in round figures, invented after a kind of climate (from memory)."""

    latitude: float
    elevation_m: float
    crs: str
    north: float
    season: tuple[str, str]
    turf: str
    rain_mm: tuple[float, ...]
    wet_days: tuple[float, ...]
    tmin_c: tuple[float, ...]
    tmax_c: tuple[float, ...]


CLIMATES = {
    "humid, no winter": Climate(
        29.0, 20, "EPSG:32617", 3_209_000.0, ("03-01", "11-30"), "warm_season_turf",
        (85, 75, 95, 65, 75, 180, 165, 170, 120, 60, 50, 65),
        (7, 7, 7, 5, 7, 14, 15, 15, 12, 7, 6, 7),
        (6, 8, 11, 14, 18, 22, 23, 23, 21, 16, 11, 8),
        (20, 22, 25, 28, 31, 33, 33, 33, 31, 28, 24, 21),
    ),
    "humid, mild winter": Climate(
        35.8, 120, "EPSG:32617", 3_962_000.0, ("04-15", "10-15"), "cool_season_turf",
        (85, 80, 100, 75, 85, 95, 115, 110, 110, 80, 75, 85),
        (10, 9, 10, 9, 10, 10, 11, 10, 8, 7, 8, 9),
        (-1, 0, 4, 8, 13, 18, 20, 20, 16, 9, 4, 1),
        (10, 12, 17, 22, 26, 30, 32, 31, 27, 22, 17, 11),
    ),
    "dry summer": Climate(
        38.5, 20, "EPSG:32610", 4_262_000.0, ("04-01", "10-31"), "cool_season_turf",
        (95, 90, 70, 30, 17, 5, 1, 1, 7, 24, 50, 85),
        (10, 9, 9, 5, 3, 1, 0.5, 0.5, 1, 3, 7, 9),
        (4, 5, 7, 8, 11, 14, 15, 15, 14, 11, 6, 3),
        (13, 16, 19, 22, 27, 31, 34, 34, 31, 26, 18, 13),
    ),
    "dry highland": Climate(
        39.7, 1600, "EPSG:32613", 4_395_000.0, ("05-01", "09-30"), "cool_season_turf",
        (10, 12, 30, 45, 58, 50, 50, 45, 28, 26, 16, 10),
        (4, 5, 7, 8, 10, 9, 9, 9, 6, 5, 5, 4),
        (-9, -8, -3, 1, 7, 12, 15, 14, 9, 2, -4, -9),
        (7, 8, 13, 16, 22, 28, 32, 31, 26, 19, 12, 7),
    ),
    "cool, by the sea": Climate(
        47.5, 100, "EPSG:32610", 5_262_000.0, ("05-15", "09-15"), "cool_season_turf",
        (140, 100, 95, 70, 50, 38, 17, 23, 40, 90, 150, 150),
        (18, 15, 17, 14, 11, 9, 5, 5, 8, 13, 18, 18),
        (2, 2, 4, 5, 8, 11, 13, 13, 11, 8, 4, 2),
        (8, 10, 12, 15, 19, 21, 25, 25, 21, 15, 11, 8),
    ),
    "cold winter, wet summer": Climate(
        41.9, 200, "EPSG:32616", 4_639_000.0, ("05-01", "09-30"), "cool_season_turf",
        (50, 50, 65, 90, 100, 105, 100, 100, 85, 75, 70, 55),
        (10, 9, 11, 12, 12, 11, 10, 9, 9, 10, 10, 11),
        (-8, -6, -1, 5, 11, 17, 20, 19, 14, 7, 1, -5),
        (0, 2, 8, 15, 21, 27, 29, 28, 24, 17, 9, 3),
    ),
}  # fmt: skip

EAST = 440_000.0
#: Precipitation rate [mm/h] and evenness [-], least and most, by kind of sprinkler.
SPRINKLERS = {
    "spray": ((32.0, 44.0), (0.55, 0.70)),
    "rotor": ((9.0, 15.0), (0.60, 0.75)),
    "rotary_nozzle": ((9.0, 12.0), (0.65, 0.78)),
    "drip": ((12.0, 20.0), (0.72, 0.80)),
}
SOILS = ("sandy loam", "loam", "silt loam", "clay loam", "loamy sand")
WEEK = (("Mon", "Thu"), ("Tue", "Sat"), ("Mon", "Wed", "Fri"), ("Tue", "Thu", "Sat"))

TOML = """\
name = "Ordinary yard {number} ({climate}, invented)"
units = "metric"
layers = "yard.gpkg"
[weather]
file = "weather.csv"
elevation_m = {elevation}
[season]
start = "{start}"
end = "{end}"
[timer]
days = [{days}]
start = "04:30"
[timer.minutes]
{minutes}
[water]
price = {price}
currency = "USD"
[costs]
device = {device}
installation = {installation}
trench_per_m = {trench}
wire_per_m = 1.0
life_years = 10
[analysis]
resolution = {resolution}
{more}"""


@dataclass(frozen=True)
class Yard:
    """One yard as written.

    path: its property file. ratio: what the timer puts out over the need, by zone. need_mm: net
    irrigation over evenness, by zone [mm a season, zone mean].
    """

    number: int
    climate: str
    path: Path
    ratio: dict[str, float]
    need_mm: dict[str, float]


def ordinary_yard(
    folder: Path, number: int, *, years: int = 4, resolution: float = 1.0, more: str = ""
) -> Yard:
    """Write yard `number` into a folder; `more` is added to its `[analysis]` and after it."""
    rng = np.random.default_rng([2024, number])
    climate = list(CLIMATES)[number % len(CLIMATES)]
    where = CLIMATES[climate]
    folder.mkdir(parents=True, exist_ok=True)
    daily = daily_from_normals(
        pd.DataFrame({k: getattr(where, k) for k in ("rain_mm", "wet_days", "tmin_c", "tmax_c")}),
        years=years,
        first_year=2018,
        seed=1000 + number,
        latitude=where.latitude,
    ).round(2)
    daily["tmax_c"] = np.maximum(daily["tmax_c"], daily["tmin_c"] + 0.1)
    daily.to_csv(folder / "weather.csv", index=False)
    zones = _draw(rng, where, folder / "yard.gpkg")
    days = WEEK[rng.integers(len(WEEK))]
    terms = {
        "number": number,
        "climate": climate,
        "elevation": where.elevation_m,
        "start": where.season[0],
        "end": where.season[1],
        "days": ", ".join(f'"{day}"' for day in days),
        "price": round(float(rng.uniform(1.2, 3.5)), 2),
        "device": int(rng.uniform(15, 40)) * 10,
        "installation": int(rng.uniform(10, 20)) * 10,
        "trench": round(float(rng.uniform(4, 8)), 1),
        "resolution": resolution,
        "more": more,
    }
    wanted = rng.uniform(*RATIO) + rng.uniform(-0.08, 0.08, len(zones))
    path = folder / "property.toml"
    _write(path, terms, dict.fromkeys(zones["valve"], 10))
    survey = survey_property(path)
    need = survey.zones["net_irrigation_mm"] / survey.zones["distribution_uniformity"]
    events = _events(where.season, len(days))
    minutes, ratio = {}, {}
    for share, zone in zip(wanted, zones.itertuples(), strict=True):
        per_minute = events * zone.precipitation_rate / 60
        whole = need[zone.zone] / per_minute
        run = round(float(np.clip(share, *RATIO)) * whole)
        # Whole minutes, and still within the bounds.
        run = int(min(max(run, np.ceil(RATIO[0] * whole)), max(np.floor(RATIO[1] * whole), 1)))
        minutes[zone.valve], ratio[zone.zone] = run, float(run / whole)
    _write(path, terms, minutes)
    return Yard(number, climate, path, ratio, {z: float(need[z]) for z in zones["zone"]})


def _write(path: Path, terms: dict[str, object], minutes: dict[str, int]) -> None:
    lines = "\n".join(f"{valve} = {run}" for valve, run in minutes.items())
    path.write_text(TOML.format(minutes=lines, **terms), encoding="utf-8")


def _events(season: tuple[str, str], per_week: int) -> float:
    """Events of a season, on average."""
    first, last = (pd.Timestamp(f"2019-{day}") for day in season)
    return ((last - first).days + 1) / 7 * per_week


def _draw(rng: np.random.Generator, where: Climate, path: Path) -> gpd.GeoDataFrame:
    """Draw the layers: a lot along the street, the house across it; returns the hydrozones."""
    width, depth = rng.uniform(17, 26), rng.uniform(30, 42)
    side, front = rng.uniform(2.5, 4), rng.uniform(8, 11)
    house = box(side, front, width - side, front + rng.uniform(9, 13))
    drive = box(width - side - 5, 0, width - side, front)
    patio = box(side + 2, house.bounds[3], side + 2 + rng.uniform(3, 5), house.bounds[3] + 3)
    back = house.bounds[3] + 3.2
    bed = rng.uniform(1.4, 2.2)
    fence = rng.uniform(2, 3)
    shapes = {
        "Front lawn": box(0.6, 0.6, width - side - 5.3, front - bed - 0.2),
        "Back lawn": box(0.6, back, width - 0.6, depth - fence - 0.4),
        "House bed": box(side, front - bed, width - side - 5.3, front),
        "Fence shrubs": box(0.6, depth - fence, width - 0.6, depth - 0.4),
        "Side bed": box(0.4, front + 1, side - 0.8, house.bounds[3] - 1),
        "Back corner": box(patio.bounds[2] + 0.4, house.bounds[3] + 0.4, width - 0.6, back - 0.3),
    }
    shapes = dict(list(shapes.items())[: int(rng.integers(2, 7))])
    lawn = str(rng.choice(["spray", "rotor", "rotary_nozzle"]))
    soil = str(rng.choice(SOILS))
    plants = {
        "House bed": str(rng.choice(["perennials", "annuals"])),
        "Fence shrubs": "shrubs",
        "Side bed": str(rng.choice(["shrubs", "groundcover"])),
        "Back corner": "groundcover",
    }
    rows = []
    for valve, (name, shape) in enumerate(shapes.items(), 1):
        kind = lawn if name.endswith("lawn") else "drip"
        rate, evenness = SPRINKLERS[kind]
        rows.append(
            {
                "zone": name,
                "valve": str(valve),
                "plants": plants.get(name, where.turf),
                "soil": soil,
                "irrigation": kind,
                "precipitation_rate": round(float(rng.uniform(*rate)), 1),
                "distribution_uniformity": round(float(rng.uniform(*evenness)), 2),
                "geometry": shape,
            }
        )
    places = [(rng.uniform(1.5, width - 1.5), y) for y in (2.5, back + 3, depth - 1.2, depth - 6)]
    trees = [
        {
            "height": round(float(rng.uniform(4, 9)), 1),
            "crown_diameter": round(float(rng.uniform(3, 6)), 1),
            "trunk_diameter": 0.2,
            "transmissivity": 0.3,
            "geometry": Point(place),
        }
        for place in places[: int(rng.integers(2, 5))]
    ]
    layers = {
        "boundary": [{"name": "lot", "geometry": box(0, 0, width, depth)}],
        "hydrozones": rows,
        "buildings": [{"height": round(float(rng.uniform(3.5, 6.5)), 1), "geometry": house}],
        "trees": trees,
        "paving": [
            {"name": "drive", "geometry": drive},
            {"name": "patio", "geometry": patio},
        ],
        "fixtures": [
            {"kind": "controller", "geometry": Point(width - side + 0.2, front + 2)},
            {"kind": "valve_box", "geometry": Point(width - side - 5.6, front - bed - 0.8)},
        ],
    }
    # The street is to the south, or as far as the east or west: beds at its wall get some sun.
    turn = float(rng.uniform(-100, 100))
    path.unlink(missing_ok=True)
    for name, features in layers.items():
        frame = gpd.GeoDataFrame(features, crs=where.crs)
        frame["geometry"] = [
            affinity.translate(affinity.rotate(shape, turn, (0, 0)), EAST, where.north)
            for shape in frame.geometry
        ]
        frame.to_file(path, layer=name, driver="GPKG")
    return gpd.GeoDataFrame(rows, crs=where.crs)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("count", type=int, nargs="?", default=COUNT)
    given = parser.parse_args()
    for wanted in range(given.count):
        made = ordinary_yard(given.folder / f"yard{wanted:02d}", wanted)
        print(replace(made, path=made.path.parent))
