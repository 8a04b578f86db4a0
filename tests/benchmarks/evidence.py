"""How much each kind of evidence is worth: simulated lawns whose true dryness is known.

Each lawn has a map (shade that falls off across it, at three levels of how high what shades is), an
application pattern that nobody knows, drawn with the variance and reach that the plan assumes, and
the map's own error. Cans, a probe walk and a raster are read from the truth with errors of the kind
that the model states; then the point is chosen and its chances stated as in a plan, and looked up
in the truth. `worse` reads with more error than the model is told, `heads` has a pattern of heads
that throw unequally instead of a drawn one: how the chances hold then.

    python -m tests.benchmarks.evidence 200 siting/docs/pages/evidence-reliability.svg
"""

import sys
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import Point, box

from siting.evidence.field import Readings, learn
from siting.evidence.walk import Ground, chances_once_read, spread_places
from siting.place.placement import place_sensor
from siting.place.rank import UNDRAWN_SHADE
from siting.water.heads import HEAD_SPACING_M, head_pattern
from siting.zones.application import Unevenness, zone_application
from siting.zones.points import ZonePixels
from tests.validation.calibration import Bin, picture

WAYS = ("none", "cans", "walk", "three walks", "raster", "all")
TRUST = {"walk": 0.75, "raster": 0.5}
STEP = 0.5
CLEAR = 1 - UNDRAWN_SHADE
COLUMNS = ["lawn", "way", "stated", "rank", "hit", "true", "foretold"]
EDGES = (0.0, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
WAVES = 600
BURIAL_M = 0.15
#: Truths in which the point that nothing was read for is looked up: it needs no reading of them.
TRUTHS = 24
NO_HAZARDS = gpd.GeoDataFrame({"hazard": [], "setback": []}, geometry=[], crs="EPSG:32617")


class Lawn:
    """One lawn and its truth."""

    def __init__(self, seed, sides=(12, 26), heads=False):
        self.random = random = np.random.default_rng(seed)
        self.width, self.depth = random.uniform(*sides, 2).round()
        self.shape = box(0, 0, self.width, self.depth)
        self.kind = ("spray", "rotary_nozzle")[seed % 2]
        self.uniformity = random.uniform(0.55, 0.75)
        x, y = (np.arange(STEP / 2 - 1.5, side + 1.5, STEP) for side in (self.width, self.depth))
        self.x, self.y = (part.ravel() for part in np.meshgrid(x, y))
        self.inside = (self.x > 0) & (self.x < self.width) & (self.y > 0) & (self.y < self.depth)
        turn, dark = random.uniform(0, 2 * np.pi), random.uniform(0, 0.3)
        along = (self.x - self.width / 2) * np.cos(turn) + (self.y - self.depth / 2) * np.sin(turn)
        shade = 1 / (1 + np.exp(along / 2.5))
        self.levels = 0.05 * np.exp(-np.array([0.7, 1.0, 1.3])[:, None] * dark * shade)
        gap = HEAD_SPACING_M[self.kind]
        self.reach = 0.4 * gap
        self.cv = (1 - self.uniformity) / 1.2711
        self.applied = self.draw(np.sqrt(np.log1p(self.cv**2)), self.reach)
        if heads:
            self.applied = self.of_heads(gap)
        own = self.draw(0.01, 2.0)
        self.truth = np.log(self.levels[random.integers(3)]) + self.applied + own

    def draw(self, size, reach, count=None):
        """Draw a field at the samples, or several, by the spectrum of its covariance."""
        waves = self.random.standard_normal((2, WAVES)) / reach
        phase = self.random.uniform(0, 2 * np.pi, WAVES)
        shape = WAVES if count is None else (WAVES, count)
        sizes = self.random.standard_normal(shape) * size * np.sqrt(2 / WAVES)
        return (np.cos(np.column_stack([self.x, self.y]) @ waves + phase) @ sizes).T

    def of_heads(self, gap):
        """Return what heads leave dry that stand, throw and flow unequally: another physics."""
        random = self.random
        x, y = (np.linspace(0, side, round(side / gap) + 1) for side in (self.width, self.depth))
        places = np.column_stack([part.ravel() for part in np.meshgrid(x, y)])
        radius = gap * random.uniform(0.8, 1.15, len(places))
        flow = radius**2 * random.uniform(0.75, 1.2, len(places))
        places = places + random.normal(0, 0.3, places.shape)
        pattern = head_pattern(
            self.x, self.y, places=places, radius=radius, flow=flow, zone=self.shape
        )
        return -np.log(np.clip(pattern / pattern[self.inside].mean(), 0.1, 3.0))

    def others(self):
        """Return other truths of this lawn, as likely as its own."""
        size = np.sqrt(np.log1p(self.cv**2))
        drawn = self.draw(size, self.reach, TRUTHS) + self.draw(0.01, 2.0, TRUTHS)
        return np.log(self.levels[np.arange(TRUTHS) % 3]) + drawn

    def at(self, values, places):
        """Read a field at the nearest samples."""
        return values[..., self.nearest(places)]

    def nearest(self, places):
        away = (self.x - places[:, :1]) ** 2 + (self.y - places[:, 1:]) ** 2
        return away.argmin(axis=1)

    def ranks(self, point, truths):
        """Return the true share of the ground that is less dry than where a sensor comes to lie."""
        buried = np.array(point) + BURIAL_M * self.random.standard_normal((len(truths), 2))
        here = truths[np.arange(len(truths)), self.nearest(buried)]
        return (truths[:, self.inside] < here[:, None]).mean(axis=1)

    def pattern(self, cans):
        """Return what the plan assumes of the application, or reads from cans."""
        pixels = ZonePixels(
            ("A",), (np.flatnonzero(self.inside),), (self.x[self.inside],), (self.y[self.inside],),
            (), (np.arange(self.x.size),), (self.x,), (self.y,),
        )  # fmt: skip
        index = pd.Index(["A"], name="zone")
        zones = gpd.GeoDataFrame(
            {"valve": ["1"], "irrigation": [self.kind]}, geometry=[self.shape], index=index
        )
        water = pd.DataFrame(
            {"distribution_uniformity": [self.uniformity], "precipitation_rate": [30.0]}, index
        )
        return zone_application(pixels, zones, cans=cans, water=water)[0]["A"]

    def cans(self):
        """Return a can test: a lattice of cans, each read with 5 % of error."""
        count = int(np.clip(round(self.width * self.depth / (self.reach / 0.8) ** 2), 24, 48))
        gap = np.sqrt(self.width * self.depth / count)
        x, y = (np.arange(gap / 2, side, gap) for side in (self.width, self.depth))
        places = np.column_stack([part.ravel() for part in np.meshgrid(x, y)])
        depth = 10 * np.exp(-self.at(self.applied, places))
        depth = depth * (1 + 0.05 * self.random.standard_normal(len(depth)))
        return gpd.GeoDataFrame(
            {"depth": depth, "minutes": 20.0}, geometry=[Point(at) for at in places]
        )

    def noise(self, trust):
        return float(self.truth[self.inside].std()) * np.sqrt(1 / trust**2 - 1)

    def walk(self, spots, days, trust):
        """Return probe walks: half of the error is the place's own, half the day's."""
        x, y = self.x[self.inside], self.y[self.inside]
        places = spread_places(x, y, spots=spots)
        size = self.noise(trust) * np.sqrt(0.5)
        lasting = size * self.random.standard_normal(len(places))
        value = [
            self.at(self.truth, places) + lasting + size * self.random.standard_normal(len(places))
            for _ in range(days)
        ]
        day = np.repeat(np.arange(days), len(places))
        return Readings(
            "probe", np.tile(places, (days, 1)), np.concatenate(value), day, TRUST["walk"]
        )

    def raster(self, trust):
        """Return a raster's cells, averaged: its error is alike over as far as the pattern is."""
        seen = self.truth + self.draw(self.noise(trust), self.reach)
        x, y = self.x[self.inside], self.y[self.inside]
        side = np.sqrt(self.width * self.depth / 200)
        block = (x // side).astype(int) * 1000 + (y // side).astype(int)
        _, which, count = np.unique(block, return_inverse=True, return_counts=True)
        x, y, value = (
            np.bincount(which, weights=part) / count for part in (x, y, seen[self.inside])
        )
        none = np.zeros(len(x), dtype=int)
        return Readings("raster", np.column_stack([x, y]), value, none, TRUST["raster"], alike=True)

    def place(self, pattern, readings):
        """Choose the point and state its chances."""
        unknown, levels = pattern.unknown, self.levels / pattern.at_samples
        if readings:
            learned = learn(
                readings,
                lambda x, y: self.at(levels, np.column_stack([x, y])),
                variance=float(np.log1p(unknown.cv**2)),
                reach=unknown.reach,
                known=unknown.learned,
            )
            levels = levels * np.exp(learned.mean(self.x, self.y))
            unknown = Unevenness(unknown.cv, unknown.reach, None, learned)
        return place_sensor(
            self.shape, x=self.x, y=self.y, dryness=levels, hazards=NO_HAZARDS,
            burial_error=BURIAL_M, application_cv=unknown,
        )  # fmt: skip

    def foretold(self, plain, unknown):
        """Return what would be foretold of each way before anything is read, as a plan does."""
        ground = Ground(
            float(np.log(self.levels[:, self.inside]).var(axis=1).mean()),
            float(np.log1p(unknown.cv**2)), unknown.reach, self.shape.area,
        )  # fmt: skip
        return {
            "cans": plain.chances_tested.driest_quarter / CLEAR,
            "walk": chances_once_read(ground, TRUST["walk"], places=17.0 + len(plain.reserves))[0],
            "raster": chances_once_read(ground, TRUST["raster"])[0],
        }


def play(seed, ways=WAYS, *, worse=1.0, sides=(12, 26), heads=False):
    """Return by way what is stated, the driest quarter and the rank, what is true, and what was
    foretold of the driest quarter before anything was read."""
    lawn = Lawn(seed, sides, heads)
    bare = lawn.pattern(gpd.GeoDataFrame({"depth": []}, geometry=[]))
    plain = lawn.place(bare, [])
    spots = np.array([(plain.x, plain.y), *((at.x, at.y) for at in plain.reserves)])
    walk = lawn.walk(spots, 3, TRUST["walk"] * worse)
    raster = lawn.raster(TRUST["raster"] * worse) if {"raster", "all"} & set(ways) else None
    one = walk.day == 0
    single = replace(walk, places=walk.places[one], value=walk.value[one], day=walk.day[one])
    cans = lawn.pattern(lawn.cans()) if {"cans", "all"} & set(ways) else bare
    known = {
        "none": (bare, []), "cans": (cans, []), "walk": (bare, [single]),
        "three walks": (bare, [walk]), "raster": (bare, [raster]), "all": (cans, [walk, raster]),
    }  # fmt: skip
    foretold = lawn.foretold(plain, bare.unknown)
    rows = []
    for way in ways:
        at = plain if way == "none" else lawn.place(*known[way])
        truths = lawn.others() if way == "none" else lawn.truth[None]
        found = lawn.ranks((at.x, at.y), truths)
        # The crowns that nobody drew are no part of this truth.
        stated = at.chances.driest_quarter / CLEAR, at.chances.expected_rank / CLEAR
        rows.append((seed, way, *stated, float((found >= 0.75).mean()), float(found.mean()),
                     foretold.get(way, np.nan)))  # fmt: skip
    return rows


def table(count, ways=WAYS, **options):
    """Play many lawns."""
    rows = [row for seed in range(count) for row in play(seed, ways, **options)]
    return pd.DataFrame(rows, columns=COLUMNS)


def summary(played):
    """Return by way how often the point is right, what was stated, and what was foretold."""
    by = played.groupby("way", sort=False)
    found = by[["hit", "stated", "true", "rank", "foretold"]].mean()
    found["lawns"] = by.size()
    found["error"] = np.sqrt(found["stated"] * (1 - found["stated"]) / found["lawns"])
    if "none" in found.index:  # looked up in many truths of each lawn
        off = (
            played.loc[played["way"] == "none", "hit"]
            - played.loc[played["way"] == "none", "stated"]
        )
        found.loc["none", "error"] = off.std() / np.sqrt(len(off))
    return found


def bins(played, edges=EDGES):
    """Return the reliability plot as numbers: stated and found share by bin of what was stated.

    The error is the standard error of the found share, were the stated one true.
    """
    which = pd.cut(played["stated"], edges)
    by = played.groupby(which, observed=True)
    found = by.agg(stated=("stated", "mean"), found=("hit", "mean"), n=("hit", "size"))
    found["error"] = np.sqrt(found["stated"] * (1 - found["stated"]) / found["n"])
    found["off"] = (found["found"] - found["stated"]) / found["error"]
    return found


def by_way(played):
    """Return the reliability plot of each way as numbers, bins of fewer than five lawns left out.

    Where nothing was read the point is looked up in many truths, so its error is that of lawns.
    """
    found = {}
    for way, some in played.groupby("way", sort=False):
        rows = bins(some)
        if way == "none":
            off = (some["hit"] - some["stated"]).groupby(
                pd.cut(some["stated"], EDGES), observed=True
            )
            rows["error"] = off.std() / np.sqrt(off.size())
            rows["off"] = (rows["found"] - rows["stated"]) / rows["error"]
        found[way] = rows[rows["n"] >= 5]
    return pd.concat(found, names=["way", "between"])


if __name__ == "__main__":
    lawns = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    played = table(lawns, ("none", "cans", "walk", "raster", "all"))
    found = by_way(played)
    print(summary(played).round(3), found.round(3), sep="\n")
    if len(sys.argv) > 2:
        drawn = [Bin(row.stated, row.found, row.error, row.n) for row in found.itertuples()]
        Path(sys.argv[2]).write_text(picture(drawn), encoding="utf-8")
    some = lawns // 4
    print("errors misstated", summary(table(some, worse=0.8)).round(3), sep="\n")
    print("heads", summary(table(some, ("cans", "walk", "raster"), heads=True)).round(3), sep="\n")
