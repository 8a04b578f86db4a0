"""What is decided on the ordinary yards, as the table of `siting/docs/pages/decision.md`.

``python -m tests.ordinary_table FOLDER [COUNT]`` plans them one after another (some ten minutes).
"""

from __future__ import annotations

import argparse
from pathlib import Path

from siting.planning.make import plan_property
from siting.planning.model import Plan
from tests.ordinary import COUNT, ordinary_yard


def row(plan: Plan) -> dict[str, float]:
    """Figures of one yard: shares in percent, money in the yard's currency."""
    zones = plan.zones
    today = float(zones["today_m3"].astype(float).sum())
    need = zones["net_irrigation_mm"] / zones["distribution_uniformity"] * zones["area_m2"]
    ways = {way["way"]: way for way in plan.economics["ways"]}
    shares = {
        f"{way}, % of today": 100 * told["saved_m3"] / today
        for way, told in ways.items()
        if way != "against a timer set right"
    }
    back = ways.get("the plain way", {}).get("payback_years")
    return {
        "sensors": len(plan.sensors),
        "today over need": today / (float(need.sum()) / 1000),
        "applied over need": float(zones["water_m3"].sum()) / (float(need.sum()) / 1000),
        **shares,
        "pays back in": plan.economics["payback_years"] or float("inf"),
        "plain way pays back in": back or float("inf"),
        "stress days": float(zones["stress_days"].max()),
        "today's stress days": float(zones["today_stress_days"].astype(float).max()),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("count", type=int, nargs="?", default=COUNT)
    given = parser.parse_args()
    for number in range(given.count):
        yard = ordinary_yard(given.folder / f"{number:02d}", number)
        told = row(plan_property(yard.path))
        words = ", ".join(f"{key} {value:.2f}" for key, value in told.items())
        print(f"{number:2d} {yard.climate}: {words}", flush=True)
