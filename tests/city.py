"""A synthetic city, wholly invented: lots along streets, for tests, benchmarks and first tries."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from siting.climate.readers import daily_from_normals

__all__ = ["STATIONS", "main", "write_city"]

#: Side of a lot, width of a street, lots along a block [m, m, count].
LOT_M: Final = 60.0
STREET_M: Final = 14.0
BLOCK: Final = 8
_CRS: Final = "EPSG:32613"
_EAST, _NORTH = 480_000.0, 4_390_000.0
_TALL: Final = 0.03

#: Normals of the invented city: dry summers with some storms.
NORMALS: Final = pd.DataFrame(
    {
        "rain_mm": [14, 16, 38, 48, 62, 46, 52, 44, 30, 26, 20, 15],
        "wet_days": [4, 5, 7, 8, 10, 8, 9, 8, 6, 5, 5, 4],
        "tmin_c": [-7, -6, -2, 2, 7, 12, 15, 14, 9, 3, -3, -7],
        "tmax_c": [8, 9, 13, 17, 22, 28, 32, 30, 26, 19, 12, 8],
        "rs_mj_m2": [9, 12, 17, 20, 22, 25, 24, 22, 18, 14, 10, 8],
        "rh_mean": [52, 53, 52, 50, 52, 48, 47, 50, 50, 50, 54, 54],
        "wind_m_s": [2.6, 2.8, 3.0, 3.2, 3.0, 2.8, 2.6, 2.5, 2.5, 2.5, 2.5, 2.5],
    }
)
#: Weather stations: name -> (rain factor, warmer by [°C]).
STATIONS: Final = {"north": (1.0, 0.0), "south": (0.85, 0.8), "west": (1.2, -0.7)}

_TEMPLATE: Final = """\
# An invented city: every name, shape and number here is made up.
name = "Invented lot"
units = "metric"
layers = "city.gpkg"

[portfolio]
id = "lot"
reach = {reach}
minutes = "today_min"        # column of the zones: today's minutes of each valve

[portfolio.columns]          # key of this file = column of the boundary layer
"name" = "address"
"weather.file" = "weather"
"water.price" = "price"

[weather]
file = "weather_north.csv"
elevation_m = 1600

[season]
start = "04-15"
end = "10-15"

[timer]
days = ["Mon", "Wed", "Fri"]
start = "04:00"

[water]
price = 1.6
currency = "USD"

[costs]
device = 250
installation = 150
trench_per_m = 6
wire_per_m = 0.8
life_years = 10

[control]
max_sensors = 3

[analysis]
resolution = {resolution}
scenarios = {scenarios}
"""

#: Zones of a lot in its own metres: name, box, plants, irrigation, precipitation rate [mm/h].
_ZONES: Final[tuple[tuple[str, tuple[float, float, float, float], str, str, float], ...]] = (
    ("Front lawn", (16, 2, 58, 17), "cool_season_turf", "spray", 38.0),
    ("Back lawn", (2, 40, 30, 54), "cool_season_turf", "rotor", 13.0),
    ("Side shrubs", (46, 19, 58, 38), "shrubs", "drip", 15.0),
    ("Back bed", (2, 55, 58, 58.5), "groundcover", "spray", 32.0),
    ("West strip", (1.5, 22, 9, 38), "perennials", "spray", 36.0),
    ("Play lawn", (31, 40, 58, 54), "cool_season_turf", "rotor", 13.0),
)
#: What a careful owner's timer gives, invented [mm per week].
_WEEKLY_MM: Final = {
    "cool_season_turf": 45.0, "shrubs": 20.0, "groundcover": 25.0, "perennials": 28.0,
}  # fmt: skip
_SOILS: Final = ("sandy loam", "loam", "clay loam")
_SPECIES: Final = 3
_LEAST_ZONES: Final = 3


@dataclass
class _Layers:
    """Rows of every layer while the city grows."""

    rows: dict[str, list[dict[str, Any]]] = field(
        default_factory=lambda: {
            name: []
            for name in ("boundary", "hydrozones", "buildings", "trees", "paving", "fixtures")
        }
    )

    def add(self, layer: str, shape: shapely.Geometry, **columns: object) -> None:
        """Add one feature."""
        self.rows[layer].append({**columns, "geometry": shape})


def write_city(
    folder: Path | str,
    lots: int,
    *,
    seed: int = 1,
    resolution: float = 0.5,
    scenarios: int = 12,
    years: int = 5,
    reach: float = 60.0,
    zones: int = len(_ZONES),
) -> Path:
    """Write an invented city: `city.gpkg`, its template `city.toml`, and weather of 3 stations.

    Parameters
    ----------
    folder : Path or str
        Where; made when missing. Files of an earlier city there are replaced.
    lots : int
        Properties, each 60 m by 60 m.
    seed : int
        Of the random numbers; a lot depends on its number and the seed alone.
    resolution : float
        Raster cell of the plan [m].
    scenarios : int
        Scenarios of the plan.
    years : int
        Years of daily weather.
    reach : float
        How far around a lot its surroundings shade it [m].
    zones : int
        Most zones of a lot; all have three.

    Returns
    -------
    Path
        The template, which is the portfolio's input.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    layers = _Layers()
    wide = BLOCK * max(1, round(np.sqrt(lots) / BLOCK))
    for lot in range(lots):
        _lot(layers, lot, wide, zones, np.random.default_rng([seed, lot]))
    target = folder / "city.gpkg"
    target.unlink(missing_ok=True)
    for name, rows in layers.rows.items():
        frame = gpd.GeoDataFrame(rows, crs=_CRS)
        pyogrio.write_dataframe(frame, target, layer=name, driver="GPKG")
    for number, (station, (wetter, warmer)) in enumerate(STATIONS.items()):
        _weather(folder / f"weather_{station}.csv", wetter, warmer, years=years, seed=seed + number)
    template = folder / "city.toml"
    text = _TEMPLATE.format(reach=reach, resolution=resolution, scenarios=scenarios)
    template.write_text(text, encoding="utf-8")
    return template


def _lot(layers: _Layers, lot: int, wide: int, most: int, rng: np.random.Generator) -> None:
    """Draw one lot: house, garage, drive, zones, trees and controller."""
    row, column = divmod(lot, wide)
    west = _EAST + column * LOT_M + (column // BLOCK) * STREET_M
    south = _NORTH + row * LOT_M + ((row + 1) // 2) * STREET_M
    flip = np.array([bool(rng.integers(2)), row % 2 == 0])

    def place(x: float, y: float) -> tuple[float, float]:
        x, y = (LOT_M - x if flip[0] else x), (LOT_M - y if flip[1] else y)
        return round(west + x, 3), round(south + y, 3)

    def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
        (ax, ay), (bx, by) = place(x0, y0), place(x1, y1)
        return shapely.box(min(ax, bx), min(ay, by), max(ax, bx), max(ay, by))

    name = f"L{lot:06d}"
    shift, deep = rng.uniform(-1.5, 3.0), rng.uniform(9.0, 15.0)
    height = rng.uniform(15, 28) if rng.random() < _TALL else rng.uniform(3.5, 9.0)
    layers.add(
        "boundary",
        box(0, 0, LOT_M, LOT_M),
        lot=name,
        address=f"{100 + 2 * column} Row {row + 1}",
        weather=f"weather_{list(STATIONS)[int(rng.integers(len(STATIONS)))]}.csv",
        price=round(float(rng.choice([1.2, 1.6, 2.4])), 2),
    )
    layers.add("buildings", box(14 + shift, 21, 36 + shift, 21 + deep), height=round(height, 2))
    layers.add("buildings", box(37 + shift, 30, 43 + shift, 36), height=2.8)
    layers.add("paving", box(10, 0, 14, 21))
    layers.add("fixtures", shapely.Point(place(14 + shift, 22)), kind="controller")
    _planting(layers, box, place, most, rng)


def _planting(layers: _Layers, box: Any, place: Any, most: int, rng: np.random.Generator) -> None:
    """Draw the zones and trees of a lot."""
    soil = str(rng.choice(_SOILS))
    count = min(int(rng.integers(_LEAST_ZONES, len(_ZONES) + 1)), most)
    for number, (zone, corners, plants, irrigation, rate) in enumerate(_ZONES[:count], start=1):
        layers.add(
            "hydrozones",
            box(*corners),
            zone=zone,
            valve=str(number),
            plants=plants,
            soil=soil,
            irrigation=irrigation,
            precipitation_rate=rate,
            distribution_uniformity=round(rng.uniform(0.5, 0.75), 2),
            today_min=round(rng.uniform(0.8, 2.0) * _WEEKLY_MM[plants] / 3 / rate * 60),
        )
        x0, y0, x1, _ = corners
        layers.add("fixtures", shapely.Point(place((x0 + x1) / 2, y0 + 0.3)), kind="head")
    for _ in range(int(rng.integers(3, 9))):
        x, y = rng.uniform(2, 58), rng.choice([rng.uniform(1, 18), rng.uniform(39, 58)])
        tall = rng.uniform(4, 16)
        layers.add(
            "trees",
            shapely.Point(place(float(x), float(y))),
            height=round(tall, 1),
            crown_diameter=round(tall * rng.uniform(0.4, 0.8), 1),
            evergreen=bool(rng.integers(_SPECIES) == 0),
        )


def _weather(path: Path, wetter: float, warmer: float, *, years: int, seed: int) -> None:
    """Write invented daily weather of one station."""
    normals = NORMALS.assign(
        rain_mm=NORMALS["rain_mm"] * wetter,
        tmin_c=NORMALS["tmin_c"] + warmer,
        tmax_c=NORMALS["tmax_c"] + warmer,
    )
    write_weather(path, normals, years=years, seed=seed)


def write_weather(path: Path, normals: pd.DataFrame, *, years: int, seed: int) -> None:
    """Write daily weather drawn from normals."""
    daily = daily_from_normals(normals, years=years, first_year=2018, seed=seed, latitude=39.7)
    daily = daily.round(2)
    daily["tmax_c"] = np.maximum(daily["tmax_c"], daily["tmin_c"] + 0.1)
    daily.to_csv(path, index=False)


def main(argv: Sequence[str] | None = None) -> None:
    """Write a city from the command line: ``python -m tests.city FOLDER --lots 200``.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process when not given.
    """
    parser = argparse.ArgumentParser(description="Write an invented city.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--lots", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(argv)
    print(write_city(given.folder, given.lots, seed=given.seed))


if __name__ == "__main__":
    main()
