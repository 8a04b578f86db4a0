"""Are the chances that a plan tells those that come true? Simulated properties with a known field.

    python -m tests.validation.calibration siting/docs/pages/reliability.svg
    python -m tests.validation.calibration --seed 21

Each property has one zone of random size and shape, shaded by a house on one side and by trees, and
watered by a pattern of random unevenness, alike over 0.4 of a head spacing that fits into the zone.
What placement sees are scenarios about the
described property; the truth is one more draw of each thing that is not known: crowns lighter or
denser, a Gaussian application pattern drawn by Cholesky's factor at every point, the map's own
error, the buried position, and crowns that nobody drew. Counted is whether the true rank of a point
was above 0.75. All draws come from one seed.

One thing was set after looking: a first run, with reaches of 1 to 6 m, missed in one bin, and then
the reach became 0.4 of a head spacing, as placement takes it.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.stats import chi2
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from siting.place.placement import Placement, place_sensor
from siting.place.rank import FIELD_ERROR, FIELD_REACH_M, UNDRAWN_SHADE, surface_through
from siting.threads import one_blas_thread
from siting.zones.application import Unevenness

PROPERTIES, TRUTHS, BINS, BURIAL_M, STEP_M = 200, 6, 8, 0.4, 0.8
_CROWN_M, _UNDRAWN_DRYNESS, _FEWEST = 2.5, 0.5, 30


class Drawn(NamedTuple):
    """One property: its zone, lattice points (P,), dryness (S, P), what is not known of it."""

    zone: BaseGeometry
    x: np.ndarray
    y: np.ndarray
    dryness: np.ndarray
    unknown: Unevenness


class Bin(NamedTuple):
    """Told and true share of points in the driest quarter, its standard error, and how many."""

    told: float
    true: float
    error: float
    count: int


def draw_property(rng: np.random.Generator) -> Drawn:
    """Draw a property."""
    wide, deep = rng.uniform(8, 18), rng.uniform(5, 12)
    zone: BaseGeometry = box(0, 0, wide, deep)
    if rng.random() < 0.4:
        zone = Polygon([(0, 0), (wide, 0), (wide, deep / 2), (wide / 2, deep / 2),
                        (wide / 2, deep), (0, deep)])  # fmt: skip
    x, y = (part.ravel() for part in np.meshgrid(np.arange(STEP_M / 2, wide, STEP_M),
                                                 np.arange(STEP_M / 2, deep, STEP_M)))  # fmt: skip
    inside = shapely.contains_xy(zone, x, y)
    x, y = x[inside], y[inside]
    wall = rng.choice([0.0, 0.1, 0.4]) * np.exp(-y / rng.uniform(1, 4))
    trees = rng.integers(0, 3)
    places = rng.uniform([0, 0, 0.1, 1.5], [wide, deep, 0.5, 3.5], size=(trees, 4))
    shade = [
        drop * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * size**2))
        for cx, cy, drop, size in places
    ]
    dense = np.concatenate([[0.0], rng.uniform(-0.3, 0.3, 12)])
    rows = [1 - (1 + factor) * (wall + np.sum(shade, axis=0)) for factor in dense]
    pattern = np.sin(2 * np.pi * x / 9) * np.sin(2 * np.pi * y / 9) * rng.choice([0.0, 0.1, 0.2])
    dryness = np.maximum(rows, 0.05) / (1 + pattern)
    unknown = Unevenness(rng.choice([0.02, 0.05, 0.1, 0.2, 0.3]), 0.4 * rng.uniform(3, deep))
    return Drawn(zone, x, y, dryness, unknown)


def placed(drawn: Drawn) -> Placement:
    """Place a sensor in a property."""
    hazards = pd.DataFrame(
        {"hazard": ["zone_edge"], "setback": [0.6], "geometry": [drawn.zone.boundary]}
    )
    return place_sensor(
        drawn.zone, x=drawn.x, y=drawn.y, dryness=drawn.dryness, burial_error=BURIAL_M,
        hazards=gpd.GeoDataFrame(hazards, geometry="geometry"), application_cv=drawn.unknown,
    )  # fmt: skip


def true_ranks(
    drawn: Drawn, ground: BaseGeometry, points: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Return the true rank of points (N, 2) in `TRUTHS` worlds that the property may be, (T, N)."""
    count = len(points)
    inside = shapely.contains_xy(ground, drawn.x, drawn.y)
    surface = surface_through(drawn.x, drawn.y, drawn.dryness)
    ranks = np.empty((TRUTHS, count))
    for world in range(TRUTHS):
        buried = points + rng.normal(0, BURIAL_M, points.shape)
        at = np.vstack([np.column_stack([drawn.x, drawn.y]), buried])
        apart = ((at[:, None] - at) ** 2).sum(axis=2)
        log = np.zeros(len(at))
        for cv, reach in (
            (drawn.unknown.cv, drawn.unknown.reach),
            (FIELD_ERROR, FIELD_REACH_M),
        ):
            alike = np.exp(-apart / (2 * reach**2)) + 1e-5 * np.eye(len(at))
            root = np.linalg.cholesky(alike)
            log += np.sqrt(np.log1p(cv**2)) * (root @ rng.normal(size=len(at)))
        described = rng.integers(len(drawn.dryness))
        own = surface.at(buried[:, 0], buried[:, 1])[described]
        row = np.concatenate([drawn.dryness[described], own]) * np.exp(log)
        west, south, east, north = drawn.zone.buffer(_CROWN_M).bounds
        density = -np.log(1 - UNDRAWN_SHADE) / (np.pi * _CROWN_M**2)
        crowns = rng.poisson(density * (east - west) * (north - south))
        for cx, cy in rng.uniform([west, south], [east, north], size=(crowns, 2)):
            shaded = np.hypot(at[:, 0] - cx, at[:, 1] - cy) < _CROWN_M
            row = np.where(shaded, _UNDRAWN_DRYNESS * row, row)
        ranks[world] = [(row[:-count][inside] < value).mean() for value in row[-count:]]
    return ranks


@one_blas_thread
def simulated(count: int = PROPERTIES, seed: int = 20) -> tuple[np.ndarray, np.ndarray]:
    """Return the chances told of each property's points (sensor, reserves), shape (N, 3), and how
    often the points of that property lay in the driest quarter in truth, shape (N,)."""
    told, true = [], []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        drawn = draw_property(rng)
        place = placed(drawn)
        spots = (place, *place.reserves)
        points = np.array([(spot.x, spot.y) for spot in spots])
        ranks = true_ranks(drawn, place.admissible, points, rng)
        told += [(*spot.chances, number) for spot in spots]
        true += list((ranks > 0.75).mean(axis=0))
    return np.array(told), np.array(true)


def binned(told: np.ndarray, true: np.ndarray, bins: int = BINS) -> list[Bin]:
    """Bin by the chance told; the error is that of a mean of properties, not of their points."""
    found = []
    edges = np.linspace(0, 1, bins + 1)
    which = np.clip(np.digitize(told[:, 1], edges) - 1, 0, bins - 1)
    for number in range(bins):
        here = which == number
        if here.sum() < _FEWEST:
            continue
        both = pd.DataFrame({"told": told[here, 1], "true": true[here], "property": told[here, 3]})
        apart = (both["true"] - both["told"]).groupby(both["property"]).sum()
        error = float(np.sqrt((apart**2).sum())) / len(both)
        found.append(Bin(both["told"].mean(), both["true"].mean(), error, len(both)))
    return found


def misfit(bins: list[Bin]) -> tuple[float, float]:
    """Return chi-square of the bins, and the chance of one as great where all chances are true.

    Each bin adds the square of its distance in standard errors; points of a property that fall into
    different bins hang together a little, which is left out.
    """
    chi_square = sum(((one.true - one.told) / one.error) ** 2 for one in bins)
    return chi_square, float(chi2.sf(chi_square, len(bins)))


def picture(bins: list[Bin]) -> str:
    """Draw the reliability plot."""

    def at(value: float) -> float:
        return round(40 + 300 * value, 1)

    lines = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 360 390" width="360" height="390" '
        'font-family="sans-serif" font-size="11">',
        '<rect x="40" y="20" width="300" height="300" fill="none" stroke="#888"/>',
        '<line x1="40" y1="320" x2="340" y2="20" stroke="#888" stroke-dasharray="4 3"/>',
    ]
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        lines.append(f'<text x="{at(tick)}" y="336" text-anchor="middle">{tick:g}</text>')
        lines.append(f'<text x="34" y="{324 - 300 * tick:g}" text-anchor="end">{tick:g}</text>')
    for one in bins:
        low, high = (320 - 300 * (one.true + sign * 2 * one.error) for sign in (-1, 1))
        lines.append(f'<line x1="{at(one.told)}" x2="{at(one.told)}" y1="{low:.1f}" '
                     f'y2="{high:.1f}" stroke="#1f5f8b"/>')  # fmt: skip
        lines.append(f'<circle cx="{at(one.told)}" cy="{320 - 300 * one.true:.1f}" r="4" '
                     f'fill="#1f5f8b"><title>{one.count} points</title></circle>')  # fmt: skip
    lines.append('<text x="190" y="356" text-anchor="middle">chance told of lying in the driest '
                 'quarter</text>')  # fmt: skip
    lines.append('<text x="190" y="374" text-anchor="middle">share that does; bars: two standard '
                 'errors</text></svg>')  # fmt: skip
    return "\n".join(lines) + "\n"


def main(argv: list[str]) -> None:
    """Print the bins, of another seed without drawing the plot."""
    again = argv[0] == "--seed"
    bins = binned(*simulated(seed=int(argv[1]))) if again else binned(*simulated())
    if not again:
        Path(argv[0]).write_text(picture(bins), encoding="utf-8")
    print(pd.DataFrame(bins).round(3).to_string(index=False))
    chi_square, chance = misfit(bins)
    print(f"chi-square {chi_square:.1f} on {len(bins)} bins, chance {chance:.2f}")


if __name__ == "__main__":
    main(sys.argv[1:])
