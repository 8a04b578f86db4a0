"""A synthetic campus, wholly invented: blocks along roads, for tests and benchmarks of large sites.

Blocks of one hectare hold a building each, walks, lawns, beds and trees; sixteen blocks share a
controller. The number of zones and trees is met exactly, spread evenly over the blocks.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from tests.city import NORMALS, write_weather

__all__ = ["main", "write_campus"]

#: Side of a block with half of the road on each side, width of a road [m].
BLOCK_M: Final = 100.0
ROAD_M: Final = 9.0
#: Blocks along the side of the square that shares a controller.
PER_CONTROLLER: Final = 4
_CRS: Final = "EPSG:32613"
_EAST, _NORTH = 480_000.0, 4_390_000.0

_TEMPLATE: Final = """\
# An invented campus: every name, shape and number here is made up.
name = "Invented campus of {hectares} ha"
units = "metric"
layers = "large.gpkg"

[weather]
file = "weather.csv"
elevation_m = 1600

[season]
start = "04-15"
end = "10-15"

[timer]
days = ["Mon", "Wed", "Fri"]
start = "04:00"
minutes = {{ {minutes} }}

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
max_sensors = {sensors}

[analysis]
resolution = {resolution}
scenarios = {scenarios}
"""

#: Places for zones in a block: box [m], plants, irrigation, rate [mm/h]; the first are drawn first.
_ZONES: Final[tuple[tuple[tuple[float, float, float, float], str, str, float], ...]] = (
    ((6, 6, 48, 30), "cool_season_turf", "rotor", 13.0),
    ((52, 70, 94, 94), "cool_season_turf", "rotor", 12.0),
    ((25, 64.2, 70, 67.5), "shrubs", "drip", 15.0),
    ((52, 6, 94, 30), "cool_season_turf", "spray", 38.0),
    ((6, 70, 48, 94), "cool_season_turf", "rotary_nozzle", 11.0),
    ((6, 36, 20, 64), "groundcover", "spray", 32.0),
)
#: What a careful keeper's timer gives, invented [mm per week].
_WEEKLY_MM: Final = {"cool_season_turf": 42.0, "shrubs": 20.0, "groundcover": 25.0}
_SOILS: Final = ("sandy loam", "loam", "clay loam")
_SPECIES: Final = 4


def write_campus(
    folder: Path | str,
    hectares: int,
    *,
    zones: int | None = None,
    trees: int | None = None,
    seed: int = 1,
    resolution: float = 1.0,
    scenarios: int = 16,
    years: int = 5,
    sensors: int | None = None,
) -> Path:
    """Write an invented campus: `large.gpkg`, `property.toml` and `weather.csv`.

    hectares: about this much ground, whole blocks of one hectare; zones, trees: how many, two and
    25 a hectare where not given; resolution: raster cell [m]; sensors: most sensors to consider,
    one for every fourth zone where not given. Returns the property file.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    wide = max(1, round(math.sqrt(hectares)))
    blocks = wide * math.ceil(hectares / wide)
    zones = min(2 * hectares if zones is None else zones, len(_ZONES) * blocks)
    trees = 25 * hectares if trees is None else trees
    rows: dict[str, list[dict[str, Any]]] = {
        name: [] for name in ("boundary", "hydrozones", "buildings", "trees", "paving", "fixtures")
    }
    side = (_EAST, _NORTH, _EAST + wide * BLOCK_M, _NORTH + blocks // wide * BLOCK_M)
    rows["boundary"].append({"name": "campus", "geometry": shapely.box(*side)})
    for block in range(blocks):
        share = [(block + 1) * n // blocks - block * n // blocks for n in (zones, trees)]
        _block(
            rows, divmod(block, wide), (share[0], share[1]), np.random.default_rng([seed, block])
        )
    _roads(rows, wide, blocks // wide)
    target = folder / "large.gpkg"
    target.unlink(missing_ok=True)
    for name, found in rows.items():
        frame = gpd.GeoDataFrame(found, crs=_CRS)
        pyogrio.write_dataframe(frame.drop(columns="minutes", errors="ignore"), target, layer=name,
                                driver="GPKG")  # fmt: skip
    write_weather(folder / "weather.csv", NORMALS, years=years, seed=seed)
    most = max(1, zones // 4) if sensors is None else sensors
    minutes = ", ".join(f'"{row["valve"]}" = {row["minutes"]}' for row in rows["hydrozones"])
    text = _TEMPLATE.format(
        hectares=hectares, minutes=minutes, sensors=most, resolution=resolution, scenarios=scenarios
    )
    (folder / "property.toml").write_text(text, encoding="utf-8")
    return folder / "property.toml"


def _block(
    rows: dict[str, list[dict[str, Any]]],
    at: tuple[int, int],
    share: tuple[int, int],
    rng: np.random.Generator,
) -> None:
    """Draw one block: its building, walks, zones with heads, trees, and where due a controller."""
    row, column = at
    west, south = _EAST + column * BLOCK_M, _NORTH + row * BLOCK_M

    def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
        return shapely.box(west + x0, south + y0, west + x1, south + y1)

    deep, wing = rng.uniform(14, 24), rng.uniform(10, 18)
    house = shapely.union(box(24, 64 - deep, 70, 64), box(70 - wing, 38, 70, 64))
    high = round(float(rng.choice([7.0, 10.5, 14.0, 24.0])) + float(rng.uniform(0, 2)), 2)
    rows["buildings"].append({"name": f"Hall {row}-{column}", "height": high, "geometry": house})
    walks = [box(49, 0, 51.5, 34), box(20.5, 34, 23.5, 64.1), box(71, 34, 74, 69)]
    rows["paving"] += [{"name": None, "geometry": walk} for walk in walks]
    owner = f"C{row // PER_CONTROLLER:02d}{column // PER_CONTROLLER:02d}"
    if (row % PER_CONTROLLER == 1 and column % PER_CONTROLLER == 1) or _alone(at):
        spot = shapely.Point(west + 70.3, south + 52)
        if not any(r["kind"] == "controller" and r["name"] == owner for r in rows["fixtures"]):
            rows["fixtures"].append({"kind": "controller", "name": owner, "geometry": spot})
    soil = str(rng.choice(_SOILS))
    for number, (corners, plants, irrigation, rate) in enumerate(_ZONES[: share[0]], start=1):
        valve = f"{row:02d}{column:02d}-{number}"
        shape = box(*corners)
        weekly = rng.uniform(0.8, 1.8) * _WEEKLY_MM[plants]
        rows["hydrozones"].append(
            {
                "zone": f"Z{valve}", "valve": valve, "controller": owner, "plants": plants,
                "soil": soil, "irrigation": irrigation, "precipitation_rate": rate,
                "distribution_uniformity": round(float(rng.uniform(0.5, 0.75)), 2),
                "minutes": max(1, round(weekly / 3 / rate * 60)), "geometry": shape,
            }
        )  # fmt: skip
        x0, y0, x1, _ = corners
        for x in np.arange(x0 + 0.5, x1, 12.0):
            head = shapely.Point(west + float(x), south + (y0 + 0.3))
            rows["fixtures"].append({"kind": "head", "name": None, "geometry": head})
    clear = house.buffer(1.5)
    for _ in range(share[1]):
        x, y = rng.uniform(5, 95, 2)
        trunk = shapely.Point(round(west + float(x), 2), round(south + float(y), 2))
        tall = float(rng.uniform(4, 18))
        kind = bool(rng.integers(_SPECIES) == 0)
        if clear.contains(trunk):  # beside the hall instead
            trunk = shapely.Point(trunk.x, round(south + 95 + float(rng.uniform(0, 1)), 2))
        rows["trees"].append(
            {
                "height": round(tall, 1), "crown_diameter": round(tall * rng.uniform(0.4, 0.8), 1),
                "evergreen": kind, "geometry": trunk,
            }
        )  # fmt: skip


def _alone(at: tuple[int, int]) -> bool:
    """Tell whether a block is the first of a controller's square, which a small campus may be."""
    return at[0] % PER_CONTROLLER == 0 and at[1] % PER_CONTROLLER == 0


def _roads(rows: dict[str, list[dict[str, Any]]], wide: int, high: int) -> None:
    """Draw the roads between the blocks, one paving a stretch."""
    half = ROAD_M / 2
    for row in range(high + 1):
        for column in range(wide + 1):
            x, y = _EAST + column * BLOCK_M, _NORTH + row * BLOCK_M
            across = shapely.box(x + half, y - half, x + BLOCK_M - half, y + half)
            along = shapely.box(x - half, y - half, x + half, y + BLOCK_M - half)
            rows["paving"] += [
                {"name": None, "geometry": road}
                for road, there in ((across, column < wide), (along, row < high))
                if there
            ]


def main(argv: Sequence[str] | None = None) -> None:
    """Write a campus from the command line: ``python -m tests.large FOLDER --ha 100``."""
    asked = argparse.ArgumentParser(description="Write an invented campus.")
    asked.add_argument("folder", type=Path)
    asked.add_argument("--ha", type=int, default=50)
    asked.add_argument("--zones", type=int)
    asked.add_argument("--trees", type=int)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--resolution", type=float, default=1.0)
    asked.add_argument("--scenarios", type=int, default=16)
    given = asked.parse_args(argv)
    print(
        write_campus(
            given.folder, given.ha, zones=given.zones, trees=given.trees, seed=given.seed,
            resolution=given.resolution, scenarios=given.scenarios,
        )
    )  # fmt: skip


if __name__ == "__main__":
    main()
